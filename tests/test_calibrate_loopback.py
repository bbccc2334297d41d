"""What the bench adds by itself: found as the simulated card is described, kept in the file, carried by results."""

from __future__ import annotations

import dataclasses
import json
import math
from datetime import date, timedelta

import numpy as np
import pytest
from benches import Meddling, bench_file
from test_cli import refused, run

from audiomeas.bench.calibration import read_calibration
from audiomeas.bench.calibration_text import calibration_text, with_loopbacks
from audiomeas.bench.file import read_bench
from audiomeas.bench.load_power import power_resistance_ohm, power_sensitivities
from audiomeas.bench.load_reading import DividerReading, inductance_as_stated, inductance_from_divider
from audiomeas.bench.loopback import ResidualPoint, residual_rows
from audiomeas.bench.opened import Bench, make_interface
from audiomeas.errors import CalibrationError, RequestError, TomlProblem
from audiomeas.interface.transport import from_fractions, to_fractions
from audiomeas.measurement import calibrate_loopback as calibrate_loopback_module
from audiomeas.measurement.calibrate_loopback import AskLoopback, bare, calibrate_loopback, check_ask
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.session import Session
from audiomeas.simulation.unit import shipped_cards
from audiomeas.units import parse_level

TODAY = date.today()
#: The simulated card (audiomeas/simulation/cards/card.toml): full scale 2 V, noise in 20 kHz, coupling corners.
CARD_V, IN_NOISE_V, OUT_NOISE_V, CORNERS_HZ = 2.0, 4e-6, 1e-6, (0.8, 0.5)
#: And a card as that one whose converters bend: a₂, a₃ of output and input (closed forms in simulation/card.py).
BENDING = {"output": (3e-4, -1e-4), "input": (1e-4, -4e-4)}


def bench_of(path):
    read = read_bench(path)
    return Bench(read, make_interface(read))


def card_file(folder, curves):
    """Write the shipped card with converters that bend into a folder; return the text that puts it into a bench."""
    keys = ("second_order", "third_order")
    lines = [
        f"{side}_{key} = {value}" for side, curve in curves.items() for key, value in zip(keys, curve, strict=True)
    ]
    text = shipped_cards()["card"].read_text()
    (folder / "bending-card.toml").write_text(text.replace("[[range]]", "\n".join([*lines, "[[range]]"]), 1))
    return 'card = "card"', 'card = "bending-card.toml"'


def loop_of(folder, *, curves=None, range_name="direct", seed=1, noise_s=2.0, meddle=None):
    """Calibrate the loop of a bench on the simulated card, or on one that bends; return its file and what was found."""
    changes = [('range = "50:1"', f'range = "{range_name}"')]
    changes.append(('sample_format = "int24"', f'sample_format = "int24"\nseed = {seed}'))
    if curves is not None:
        changes.append(card_file(folder, curves))
    bench = bench_of(bench_file(folder, *changes, unit="loop", rate_hz=48_000))
    if meddle is not None:
        bench = Bench(bench.file, Meddling(bench.interface, meddle))
    return bench.file.calibration, calibrate_loopback(
        Session(bare(bench)), AskLoopback(channels=(1,), noise_s=noise_s, made=TODAY)
    )


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    return loop_of(tmp_path_factory.mktemp("loop"), curves=BENDING)


def true_gain_db(hz):
    """Two coupling capacitors, |jf/fc / (1 + jf/fc)| each (first-order high-pass, closed form)."""
    return sum(-10.0 * math.log10(1.0 + (corner / hz) ** 2) for corner in CORNERS_HZ)


def true_noise_dbfs():
    """White noise of both converters; a card's is stated in 20 kHz, 20 Hz of which the band leaves out."""
    return 20.0 * math.log10(math.hypot(IN_NOISE_V, OUT_NOISE_V) * math.sqrt(19_980 / 20_000) / CARD_V)


def true_thd_db(level_dbfs, curves=BENDING):
    """Output and input at one level: ½·(a₂ + b₂)·A and ¼·(a₃ + b₃)·A²; left out is ½·a₂·b₂·A², below 1e-4 of them."""
    second, third = (sum(curve[n] for curve in curves.values()) for n in (0, 1))
    amplitude = 10.0 ** (level_dbfs / 20.0)
    return 20.0 * math.log10(math.hypot(0.5 * second * amplitude, 0.25 * third * amplitude**2))


def test_what_is_found_is_the_card_as_described(found):
    (one,) = found[1]
    assert (one.channel, one.range_name, one.polarity, one.noise_at_most) == (1, "direct", 1, False)
    for point in one.response:
        true_db = true_gain_db(point.frequency_hz) - true_gain_db(one.reference_hz)
        # Not noise but settling sets the half-widths at these levels: every point must lie inside.
        assert abs(point.gain_db - true_db) <= point.uncertainty_db, point
    assert abs(one.noise_dbfs - true_noise_dbfs()) <= one.noise_uncertainty_db
    for row in one.residual:
        true_db = true_thd_db(row.level_dbfs)
        # A limit: never below the truth. What noise leaves possible and rounding up to the next 0.1 dB leave it at most
        # 1 dB above; at -40 dBFS noise alone leaves some -92 dB possible, and sets it.
        assert row.thd_db >= true_db - 0.01, row
        assert row.at_most == (row.level_dbfs < -30.0), row
        assert row.at_most or row.thd_db - true_db < 1.0, row
        # Both together are THD+N (powers add): within 1 dB, by the same reasons.
        noise_db = true_noise_dbfs() - row.level_dbfs
        true_n_db = 10.0 * math.log10(10.0 ** (noise_db / 10.0) + 10.0 ** (true_db / 10.0))
        assert -0.01 <= row.thd_n_db - true_n_db < 1.0, row


@pytest.mark.wide
def test_half_widths_of_noise_and_response_hold_95_percent_over_seeds(tmp_path, monkeypatch):
    """40 loops: the number inside is binomial, 38 ± 1.4 for 95 %; 34 or fewer in 1.4 % of such trials."""
    monkeypatch.setattr(calibrate_loopback_module, "RESIDUAL_HZ", (1_000.0,))  # what distorts is looked at elsewhere
    monkeypatch.setattr(calibrate_loopback_module, "FALLS_DB", (0.0,))
    inside, points = 0, []
    for seed in range(40):
        folder = tmp_path / str(seed)
        folder.mkdir()
        (one,) = loop_of(folder, seed=100 + seed)[1]
        inside += abs(one.noise_dbfs - true_noise_dbfs()) <= one.noise_uncertainty_db
        reference_db = true_gain_db(one.reference_hz)
        points += [
            abs(point.gain_db - (true_gain_db(point.frequency_hz) - reference_db)) <= point.uncertainty_db
            for point in one.response
        ]
    assert inside >= 35
    assert sum(points) >= 0.95 * len(points)


@pytest.mark.wide
def test_a_straight_card_is_found_straight(tmp_path):
    (one,) = loop_of(tmp_path)[1]
    # Noise sets each limit of THD. THD+N is noise: its limit lies above the truth, within 1 dB.
    for row in one.residual:
        assert row.at_most
        assert row.thd_db < row.thd_n_db
        assert 0.0 <= row.thd_n_db - (true_noise_dbfs() - row.level_dbfs) < 1.0, row


@pytest.mark.wide
def test_a_card_that_turns_is_found_turned(tmp_path):
    def turned(captured, _, __):
        return from_fractions(-to_fractions(captured, "int24"), "int24")

    (one,) = loop_of(tmp_path, curves=BENDING, meddle=turned)[1]
    assert one.polarity == -1
    assert all(row.thd_db >= true_thd_db(row.level_dbfs) - 0.01 for row in one.residual)


def test_the_file_reads_back_what_was_found(found, tmp_path):
    former, loopbacks = found
    path = tmp_path / "new.toml"
    path.write_text(calibration_text(with_loopbacks(former, loopbacks), simulated=True))
    again = read_calibration(path)
    assert again.loopbacks[0].response == loopbacks[0].response
    assert again.loopbacks[0].residual == loopbacks[0].residual
    assert again.loopbacks[0].noise_dbfs == loopbacks[0].noise_dbfs
    assert again.input(2, "50:1").v_rms_at_full_scale == former.input(2, "50:1").v_rms_at_full_scale
    assert with_loopbacks(again, loopbacks).loopbacks == loopbacks  # replaced, not added


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("response = [\n", "response = [\n    [1, 2],\n", "rows of"),
        ("polarity = 1", "polarity = 0", "polarity"),
        ("residual = [\n", "residual = [\n    [1000, -6, 3, -90, 0],\n", "rows of"),
        ("noise_dbfs = -", "noise_dbfs = ", "noise_dbfs"),
    ],
)
def test_an_edited_entry_is_refused_with_its_line(found, tmp_path, old, new, word):
    former, loopbacks = found
    text = calibration_text(with_loopbacks(former, loopbacks), simulated=True)
    assert old in text
    path = tmp_path / "edited.toml"
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(TomlProblem, match=word):
        read_calibration(path)


def test_a_unit_in_place_of_the_cable_is_refused(tmp_path):
    bench = bench_of(bench_file(tmp_path, rate_hz=48_000))
    with pytest.raises(CalibrationError, match="loop cable has 0 dB"):
        calibrate_loopback(Session(bare(bench)), AskLoopback(channels=(1,), made=TODAY))


@pytest.mark.parametrize("wrong", [{"level_dbfs": 0.0}, {"noise_s": 0.5}, {"valid_days": 0}, {"level_dbfs": math.nan}])
def test_what_can_not_be_measured_is_refused(wrong):
    with pytest.raises(RequestError):
        check_ask(AskLoopback(channels=(1,), made=TODAY, **wrong))


def test_rows_of_other_ranges_stand_in_above_ones_own(found):
    (direct,) = found[1]
    row = ResidualPoint(frequency_hz=1000.0, level_dbfs=-40.0, thd_db=-90.0, thd_n_db=-74.0)
    pad = dataclasses.replace(direct, range_name="50:1", residual=(row,))
    levels = sorted({round(one.level_dbfs) for one in residual_rows((direct, pad), 1, "50:1")})
    assert levels == [-40, -20, -6]
    assert residual_rows((direct,), 1, "50:1") == ()


def amplifier_bench(folder, found, *, curves=None, **changes):
    """The shipped bench on 50:1, whose calibration holds this loopback for it, with changes; curves : of its card."""
    former, (one,) = found
    pad = dataclasses.replace(one, range_name="50:1", **changes)
    path = bench_file(folder, *([] if curves is None else [card_file(folder, curves)]), rate_hz=48_000)
    (folder / "simulated-card.toml").write_text(calibration_text(with_loopbacks(former, (pad,)), simulated=True))
    return path


def residual(thd_db):
    points = (-60.0, -10.0)
    return tuple(ResidualPoint(frequency_hz=1e3, level_dbfs=fs, thd_db=thd_db, thd_n_db=thd_db) for fs in points)


def captured(path, word, level, **options):
    """Return the recording that a measurement makes on a bench, and its options."""
    kept, measurement = [], find(word)
    Session(bench_of(path)).measure(
        measurement,
        options,
        input_level=parse_level(level),
        channels=(1,),
        keep=lambda _, recording: kept.append(recording),
    )
    return kept[-1], complete(measurement, options)


def again(word, recording, options, **conditions):
    """Return what a measurement tells of channel 1 on a bench that knows other things of itself, and the warnings."""
    known = dataclasses.replace(recording, conditions={**recording.conditions, **conditions})
    result = find(word).analyse(known, options)
    return result.channel(1), result.warnings


def true_unit_thd_db(level_v_rms):
    """Of the shipped amplifier on 8 Ω (units/amplifier-healthy.toml): ½·a₂·A and ¼·a₃·A² at its open output."""
    amplitude = math.sqrt(2.0) * level_v_rms * (8.0 + 0.16) / 8.0
    return 20.0 * math.log10(math.hypot(0.5 * 4e-5 * amplitude, 0.25 * -6e-7 * amplitude**2))


@pytest.fixture(scope="module")
def bent_capture(found, tmp_path_factory):
    """The shipped amplifier at 5 W, captured with the card that bends, whose loopback the bench knows."""
    folder = tmp_path_factory.mktemp("bent")
    return captured(amplifier_bench(folder, found, curves=BENDING), "distortion", "0.28 V")


def test_a_unit_is_covered_beside_a_bench_that_bends(bent_capture):
    """The output bends at -17 dBFS, where the loop had -92 dB, the input at -24 dBFS, the unit by -75 dB."""
    one, warnings = again("distortion", *bent_capture)
    true_db = true_unit_thd_db(one.values["level_v_rms"])
    assert abs(one.values["thd_db"] - true_db) <= one.uncertainty["thd_db"]
    assert not one.bound.get("thd_db")
    # It is there, and more than all else that is known of this figure: without it the truth would be missed.
    of_bench = next(part for part in one.budget["thd_db"] if part.component == "distortion of the bench")
    rest = math.sqrt(max(one.uncertainty["thd_db"] ** 2 - of_bench.half_width**2, 0.0))
    assert abs(one.values["thd_db"] - true_db) > 2.0 * rest
    assert not any("bench-limited" in line and "THD" in line for line in warnings)


def test_results_carry_the_worst_phase_and_name_what_the_bench_limits(bent_capture):
    rows = {thd_db: [[1e3, level_dbfs, thd_db, thd_db] for level_dbfs in (-60.0, -10.0)] for thd_db in (-110.0, -80.0)}
    far, _ = again("distortion", *bent_capture, bench_residual_db={"1": rows[-110.0]})
    # |h − h'| ≤ bench: −110 dB against the unit's, 0.95 of it as rectangular (the triangle inequality).
    part = next(part for part in far.budget["thd_db"] if part.component == "distortion of the bench")
    assert part.half_width == pytest.approx(0.95 * 8.686 * 10 ** ((-110.0 - far.values["thd_db"]) / 20.0), rel=0.01)
    near, warnings = again("distortion", *bent_capture, bench_residual_db={"1": rows[-80.0]})
    assert near.bound["thd_db"] == "at most"
    # What was measured and all that the bench can have taken from it, −80 dB; and noise, below 1 % of it.
    raised = 20.0 * math.log10(10.0 ** (far.values["thd_db"] / 20.0) + 1e-4)
    assert 0.0 <= near.values["thd_db"] - raised < 0.1
    assert any("bench-limited" in line and "THD" in line for line in warnings)
    assert "thd_db" not in near.uncertainty


def test_what_the_bench_adds_counts_at_the_louder_of_its_sides(bent_capture):
    """Straight in dB between the rows: -17.1 dBFS as played (0.28 V of 2 V), -24 dBFS as captured."""
    rows = [[1e3, -60.0, -140.0, -140.0], [1e3, -10.0, -90.0, -90.0]]
    one, _ = again("distortion", *bent_capture, bench_residual_db={"1": rows})
    played_db = 20.0 * math.log10(0.28 / CARD_V) - 80.0
    part = next(part for part in one.budget["thd_db"] if part.component == "distortion of the bench")
    assert part.half_width == pytest.approx(0.95 * 8.686 * 10 ** ((played_db - one.values["thd_db"]) / 20.0), rel=0.01)


@pytest.mark.wide
@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("level", ["0.05 V", "0.126 V", "0.28 V", "0.7 V"])
def test_a_unit_is_covered_whether_the_bench_adds_to_it_or_takes_from_it(tmp_path, sign, level):
    curves = {side: (sign * second, sign * third) for side, (second, third) in BENDING.items()}
    folders = [tmp_path / name for name in ("loop", "unit")]
    for folder in folders:
        folder.mkdir()
    former, (direct,) = loop_of(folders[0], curves=curves)
    path = amplifier_bench(folders[1], (former, (direct,)), curves=curves)
    one, _ = again("distortion", *captured(path, "distortion", level))
    true_db = true_unit_thd_db(one.values["level_v_rms"])
    if one.bound.get("thd_db"):
        assert true_db <= one.values["thd_db"]
    else:
        assert abs(one.values["thd_db"] - true_db) <= one.uncertainty["thd_db"]


def test_a_response_is_as_uncertain_as_the_loop_is_off(found, tmp_path):
    """The loop is off by 0.3 dB at 20 kHz: the limit of a rectangular part, 0.95 of it, beside what else there is."""
    recording, options = captured(
        amplifier_bench(tmp_path, found), "response-steps", "0.1 V", frequencies_hz=(1000.0, 20_000.0), window_s=0.1
    )
    off = {"1": [[330.0, 0.0, 0.0], [20_000.0, -0.3, 0.0]]}
    flat_db, off_db = (
        again("response-steps", recording, options, **known)[0].values["gain_uncertainty_db"]
        for known in ({}, {"bench_response_db": off})
    )
    assert off_db[1] > flat_db[1] + 0.15  # 0.285 dB beside the calibrations' 0.07 dB, as squares
    assert off_db[0] < off_db[1]


def test_a_loopback_that_has_expired_is_not_used_and_said(found, tmp_path):
    one = found[1][0]
    old = dataclasses.replace(one.origin, made=TODAY - timedelta(60), valid_until=TODAY - timedelta(30))
    path = amplifier_bench(tmp_path, found, residual=residual(-85.0), origin=old)
    bench = bench_of(path)
    assert not {"bench_residual_db", "bench_response_db"} & bench.own_conditions().keys()
    assert any("loopback 1" in line and "expired" in line for line in bench.warnings())
    assert bench.calibration_holds


# -- inductance -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("inductance_h", [0.5e-6, 20e-6, 300e-6])
def test_inductance_from_two_voltages_is_that_of_the_network(inductance_h):
    """Node voltages of the series circuit by solving its complex equations (numpy), not by the divider's formula."""

    def volts(hz, load_ohm, series_ohm):
        x = 2.0 * np.pi * hz * inductance_h
        # Nodes: behind the source's resistor, and between R and L.
        admittance = np.array(
            [[1 / series_ohm + 1 / load_ohm, -1 / load_ohm], [-1 / load_ohm, 1 / load_ohm + 1 / (1j * x)]]
        )
        return abs(np.linalg.solve(admittance, np.array([1.0 / series_ohm, 0.0]))[0])

    exact = {"load_ohm": 8.0, "series_ohm": 82.0}
    limits = {"load_limit": 0.005, "series_limit": 0.01, "ratio_limit": 0.002}
    reading = DividerReading(
        low_hz=1e3, low_volts=volts(1e3, 8.0, 82.0), high_hz=2e4, high_volts=volts(2e4, 8.0, 82.0), **exact, **limits
    )
    assert inductance_from_divider(reading).inductance_h == pytest.approx(inductance_h, rel=1e-6)
    # True values that lie anywhere within the limits: the 95 % half-width covers about that many (seeded, 200 draws:
    # a standard deviation of 1.5 %, of which three are left).
    rng, inside = np.random.default_rng(3), 0
    for _ in range(200):
        load, series, off = 1.0 + np.array([0.005, 0.01, 0.002]) * rng.uniform(-1.0, 1.0, 3)
        low, high = volts(1e3, 8.0 * load, 82.0 * series), volts(2e4, 8.0 * load, 82.0 * series) * off
        try:
            got = inductance_from_divider(dataclasses.replace(reading, low_volts=low, high_volts=high))
        except RequestError:
            continue
        inside += abs(got.inductance_h - inductance_h) <= got.uncertainty_h
    assert inside >= 0.904 * 200


def test_watts_on_an_inductive_load_by_hand():
    # 8 Ω and 20 µH at 20 kHz: x = 2.5133 Ω; |Z|² = 70.317; 8 V give 64·8/70.317 = 7.2814 W where U²/R says 8 W.
    assert 64.0 / power_resistance_ohm(8.0, 20e-6, 20e3) == pytest.approx(7.2814, rel=1e-4)
    assert power_resistance_ohm(8.0, 0.0, 20e3) == 8.0

    def power(ohm, henry):
        return ohm / abs(complex(ohm, 2 * math.pi * 20e3 * henry)) ** 2

    # Central differences of the closed form.
    by_r = (power(8.0 * 1.0001, 20e-6) - power(8.0 * 0.9999, 20e-6)) / power(8.0, 20e-6) / 2e-4
    by_l = (power(8.0, 20e-6 * 1.0001) - power(8.0, 20e-6 * 0.9999)) / power(8.0, 20e-6) / 2e-4
    assert power_sensitivities(8.0, 20e-6, 20e3) == pytest.approx((by_r, by_l), rel=1e-5)


def test_watts_and_their_budget_hold_the_inductance(bent_capture):
    known = {"load_inductance_h": {"1": 3e-4}, "load_inductance_uncertainty_h": {"1": 1.5e-5}}
    one, _ = again("distortion", *bent_capture, **known)
    x = 2.0 * math.pi * one.values["frequency_hz"] * 3e-4
    assert one.values["level_w"] == pytest.approx(one.values["level_v_rms"] ** 2 * 8.0 / (64.0 + x * x), rel=1e-9)
    part = next(part for part in one.budget["level_w"] if part.component == "load inductance")
    assert part.half_width == pytest.approx(2 * x * x / (64 + x * x) * 0.05 * one.values["level_w"], rel=1e-6)


SOURCE = """# SIMULATED. A resistor of 82 Ω between card and load: what the load's inductance is found with.
kind = "buffer"
maker = "Demo"
model = "Buffer with a series resistor"
serial = "D-0082"
[[channel]]
gain_db = 0.0
output_impedance_ohm = 82.0
[[channel]]
gain_db = 0.0
output_impedance_ohm = 82.0
"""


def test_an_inductance_is_found_on_the_bench_as_a_person_reads_it(tmp_path):
    """Two voltages told by the bench, typed to four digits: the load of the simulation, 8 Ω and 20 µH, is found."""
    (tmp_path / "source.toml").write_text(SOURCE)
    load = "resistance_ohm = 8.0 # as measured, not as printed on it"
    path = bench_file(
        tmp_path, (load, f"{load}\ninductance_h = 2e-5"), ('range = "50:1"', 'range = "direct"'),
        unit="source.toml", rate_hz=48_000,
    )  # fmt: skip
    steps = captured(path, "distortion-steps", "1 V", frequencies_hz=(1_000.0, 20_000.0), falls_db=(0.0,))
    low, high = again("distortion-steps", *steps)[0].values["steps"]
    read = [f"{step['level_v_rms']:.4g}" for step in (low, high)]
    _, out, _ = run("calibrate", "load", "--channel", "1", "--rated-w", "5", "--volts", "4", "--amperes", "0.5",
              "--series-ohms", "82", "--low-volts", read[0], "--high-volts", read[1], "--json")  # fmt: skip
    inductance = json.loads(out)["inductance"]
    assert abs(inductance["inductance_h"] - 20e-6) <= inductance["uncertainty_h"]
    assert inductance["uncertainty_h"] < 2e-6  # 0.2 % of the ratio, which rises by 4.7 %: 5 % of the inductance
    # And the watts that the load then takes, by the voltage at it: P = U²R/(R² + (ωL)²).
    square = (2.0 * math.pi * high["frequency_hz"] * 20e-6) ** 2
    assert high["level_w"] == pytest.approx(high["level_v_rms"] ** 2 * 8.0 / (64.0 + square), rel=1e-9)


def test_inductance_typed_and_impossible():
    assert inductance_as_stated(12e-6, percent=20.0).uncertainty_h == pytest.approx(0.95 * 2.4e-6)
    for wrong in (-1e-6, 1.0, math.nan):
        with pytest.raises(RequestError, match="none of a load"):
            inductance_as_stated(wrong, percent=20.0)


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (("--series-ohms", "82"), "--low-volts"),
        (("--series-ohms", "82", "--low-volts", "0.09", "--high-volts", "0.08"), "one source level"),
        (("--series-ohms", "82", "--low-volts", "0.01", "--high-volts", "0.9"), "check the readings"),
        (("--series-ohms", "1", "--low-volts", "0.09", "--high-volts", "0.1"), "series resistor"),
        (("--series-ohms", "82", "--low-volts", "0", "--high-volts", "0.1"), "above 0"),
        (("--microhenries", "-3"), "none of a load"),
    ],
)
def test_wrong_readings_end_in_one_line(options, word):
    load = ("calibrate", "load", "--channel", "1", "--rated-w", "100", "--volts", "4", "--amperes", "0.5")
    refused(*load, *options, words=word)


def test_the_entry_printed_is_read_by_the_bench(tmp_path):
    _, out, _ = run("calibrate", "load", "--channel", "1", "--rated-w", "200", "--volts", "4", "--amperes", "0.5",
              "--microhenries", "12")  # fmt: skip
    path = bench_file(tmp_path)
    head, rest = path.read_text().split("[[load]]", 1)
    path.write_text(head + out + "[[load]]" + rest.split("[[load]]", 1)[1])
    assert read_bench(path).load(1).inductance_h == pytest.approx(12e-6)
