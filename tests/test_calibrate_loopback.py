"""What the bench adds by itself: found as the simulated card is described, kept in the file, carried by results."""

from __future__ import annotations

import dataclasses
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
from audiomeas.bench.loopback import ResidualPoint, ResponsePoint, residual_rows
from audiomeas.bench.opened import Bench, make_interface
from audiomeas.errors import CalibrationError, RequestError, TomlProblem
from audiomeas.interface.transport import from_fractions, to_fractions
from audiomeas.measurement.api import measure
from audiomeas.measurement.calibrate_loopback import AskLoopback, bare, calibrate_loopback, check_ask
from audiomeas.measurement.session import Session

TODAY = date.today()
#: The simulated card (audiomeas/simulation/cards/card.toml): full scale 2 V, noise in 20 kHz, coupling corners.
CARD_V, IN_NOISE_V, OUT_NOISE_V, CORNERS_HZ = 2.0, 4e-6, 1e-6, (0.8, 0.5)


def bench_of(path):
    read = read_bench(path)
    return Bench(read, make_interface(read))


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    folder = tmp_path_factory.mktemp("loop")
    path = bench_file(folder, ('range = "50:1"', 'range = "direct"'), unit="loop", rate_hz=48_000)
    bench = bench_of(path)
    ask = AskLoopback(channels=(1,), noise_s=2.0, made=TODAY)
    return bench.file.calibration, calibrate_loopback(Session(bare(bench)), ask)


def test_what_is_found_is_the_card_as_described(found):
    (one,) = found[1]
    assert (one.channel, one.range_name, one.polarity, one.noise_at_most) == (1, "direct", 1, False)

    def gain_db(hz):  # two coupling capacitors, |jf/fc / (1 + jf/fc)| each (first-order high-pass, closed form)
        return sum(-10.0 * math.log10(1.0 + (corner / hz) ** 2) for corner in CORNERS_HZ)

    for point in one.response:
        true_db = gain_db(point.frequency_hz) - gain_db(one.reference_hz)
        # 95 % half-widths of some dozen points, one seed: twice that lets none fall out by chance (3.9 sigma); the
        # table has 4 places, half of the last of them is rounding.
        assert abs(point.gain_db - true_db) <= 2.0 * point.uncertainty_db + 5e-5, point
    # White noise of both converters; a card's is stated in 20 kHz, 20 Hz of which the band leaves out.
    true_dbfs = 20.0 * math.log10(math.hypot(IN_NOISE_V, OUT_NOISE_V) * math.sqrt(19_980 / 20_000) / CARD_V)
    assert abs(one.noise_dbfs - true_dbfs) <= 2.0 * one.noise_uncertainty_db
    # The card bends nothing: noise sets each limit of THD. THD+N is noise: its limit lies above the truth, within 1 dB.
    for row in one.residual:
        assert row.at_most
        assert row.thd_db < row.thd_n_db
        assert 0.0 <= row.thd_n_db - (true_dbfs - row.level_dbfs) < 1.0, row


@pytest.mark.wide
def test_a_card_that_bends_and_turns_is_found_as_it_is(tmp_path):
    """y = −(v + a₂·v²), v in full scale: second harmonic ½·a₂·A against the tone, at every level (closed form)."""
    second = 4e-3

    def meddle(captured, _, __):
        fractions = to_fractions(captured, "int24")
        return from_fractions(-(fractions + second * fractions**2), "int24")

    path = bench_file(tmp_path, ('range = "50:1"', 'range = "direct"'), unit="loop", rate_hz=48_000)
    read = read_bench(path)
    bench = Bench(read, Meddling(make_interface(read), meddle))
    (one,) = calibrate_loopback(Session(bare(bench)), AskLoopback(channels=(1,), noise_s=2.0, made=TODAY))
    assert one.polarity == -1
    for row in one.residual:
        true_db = 20.0 * math.log10(0.5 * second * 10.0 ** (row.level_dbfs / 20.0))
        # A limit: never below the truth; noise and rounding up to the next 0.1 dB leave it at most 1 dB above, 4 dB at
        # -40 dBFS, where noise alone would leave some -92 dB possible.
        assert not row.at_most
        assert -0.01 <= row.thd_db - true_db < (4.0 if row.level_dbfs < -30.0 else 1.0), row


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


def amplifier_bench(folder, found, **changes):
    """The shipped bench on 50:1, whose calibration holds this loopback for it, with changes."""
    former, (one,) = found
    pad = dataclasses.replace(one, range_name="50:1", **changes)
    path = bench_file(folder, rate_hz=48_000)
    (folder / "simulated-card.toml").write_text(calibration_text(with_loopbacks(former, (pad,)), simulated=True))
    return path


def residual(thd_db):
    points = (-60.0, -10.0)
    return tuple(ResidualPoint(frequency_hz=1e3, level_dbfs=fs, thd_db=thd_db, thd_n_db=thd_db) for fs in points)


def test_results_carry_the_worst_phase_and_name_what_the_bench_limits(found, tmp_path):
    """The shipped amplifier has −81.9 dB at 1 W: a₂/√2·A (closed form in `simulation.unit`), THD 0.008 %."""
    (tmp_path / "far").mkdir()
    far = measure(
        "distortion", bench=amplifier_bench(tmp_path / "far", found, residual=residual(-110.0)),
        input_level="0.126 V", captures=None,
    )  # fmt: skip
    one = far.channel(1)
    true_db = 20.0 * math.log10(4e-5 * one.values["level_v_rms"] / math.sqrt(2.0) * (1 + 0.16 / 8.0))
    assert one.values["thd_db"] == pytest.approx(true_db, abs=one.uncertainty["thd_db"])
    # |h − h'| ≤ bench: −110 dB against −82 dB, 0.95 of it as rectangular (the triangle inequality).
    part = next(part for part in one.budget["thd_db"] if part.component == "distortion of the bench")
    assert part.half_width == pytest.approx(0.95 * 8.686 * 10 ** ((-110.0 - true_db) / 20.0), rel=0.01)
    (tmp_path / "near").mkdir()
    near = measure(
        "distortion", bench=amplifier_bench(tmp_path / "near", found, residual=residual(-85.0)),
        input_level="0.126 V", captures=None,
    )  # fmt: skip
    assert near.channel(1).bound["thd_db"] == "at most"
    assert any("bench-limited" in line and "THD" in line for line in near.warnings)
    assert "thd_db" not in near.channel(1).uncertainty


def test_a_response_is_as_uncertain_as_the_loop_is_off(found, tmp_path):
    """The loop is off by 0.3 dB at 20 kHz: the limit of a rectangular part, 0.95 of it, beside what else there is."""
    rows = (
        ResponsePoint(frequency_hz=330.0, gain_db=0.0, uncertainty_db=0.0),
        ResponsePoint(frequency_hz=20_000.0, gain_db=-0.3, uncertainty_db=0.0),
    )
    half = {}
    for name, response in (("flat", found[1][0].response), ("off", rows)):
        (tmp_path / name).mkdir()
        path = amplifier_bench(tmp_path / name, found, response=response)
        steps = measure(
            "response-steps", bench=path, frequencies_hz=(1000.0, 20_000.0), input_level="0.1 V", captures=None
        )
        half[name] = steps.channel(1).values["gain_uncertainty_db"]
    assert half["off"][1] > half["flat"][1] + 0.15  # 0.285 dB beside the calibrations' 0.07 dB, as squares
    assert half["off"][0] < half["off"][1]


def test_a_loopback_that_has_expired_is_not_used_and_said(found, tmp_path):
    one = found[1][0]
    old = dataclasses.replace(one.origin, made=TODAY - timedelta(60), valid_until=TODAY - timedelta(30))
    path = amplifier_bench(tmp_path, found, residual=residual(-85.0), origin=old)
    bench = bench_of(path)
    assert bench.own_conditions() == {}
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
    # True values that lie anywhere within the limits: the 95 % half-width covers about that many (seeded, 400 draws:
    # a standard deviation of 1.1 %).
    rng, inside = np.random.default_rng(3), 0
    for _ in range(400):
        load, series, off = 1.0 + np.array([0.005, 0.01, 0.002]) * rng.uniform(-1.0, 1.0, 3)
        low, high = volts(1e3, 8.0 * load, 82.0 * series), volts(2e4, 8.0 * load, 82.0 * series) * off
        try:
            got = inductance_from_divider(dataclasses.replace(reading, low_volts=low, high_volts=high))
        except RequestError:
            continue
        inside += abs(got.inductance_h - inductance_h) <= got.uncertainty_h
    assert inside >= 0.915 * 400


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


def test_the_bench_tells_the_watts_that_the_load_takes(tmp_path):
    add = "uncertainty_percent = 0.5\nrated_w = 200\n\n[[load]]"
    path = bench_file(tmp_path, (add, "inductance_h = 2e-5\ninductance_uncertainty_h = 1e-6\n" + add), rate_hz=48_000)
    one = measure("distortion", frequency_hz=20_000.0, bench=path, input_level="0.1 V", captures=None).channel(1)
    x = 2 * math.pi * one.values["frequency_hz"] * 2e-5
    assert one.values["level_w"] == pytest.approx(one.values["level_v_rms"] ** 2 * 8.0 / (64.0 + x * x), rel=1e-9)
    part = next(part for part in one.budget["level_w"] if part.component == "load inductance")
    assert part.half_width == pytest.approx(2 * x * x / (64 + x * x) * 0.05 * one.values["level_w"], rel=1e-6)


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
