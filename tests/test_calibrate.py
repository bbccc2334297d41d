"""Calibrating outputs, inputs, loads: truth from the simulated card's description, closed forms, numpy's draws."""

from __future__ import annotations

import io
import json
import math
import re
import sys
import tomllib
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from benches import CALIBRATION, Meddling, bench_file
from reference_tables import rows
from test_cli import refused, run

from audiomeas.bench.calibration import read_calibration
from audiomeas.bench.calibration_text import calibration_text, with_scale
from audiomeas.bench.coverage import half_width_95
from audiomeas.bench.file import read_bench
from audiomeas.bench.load_reading import load_from_ohms, load_from_volts_and_amperes
from audiomeas.bench.meter import parse_meter, parse_reading, slip
from audiomeas.bench.opened import Bench, make_interface
from audiomeas.errors import CalibrationError, CaptureError, InterlockRefusal, RequestError
from audiomeas.measurement.calibrate import Ask, calibrate, captured_tone
from audiomeas.measurement.session import Session

METER = parse_meter("Demo multimeter, M-0001", "0.8 % + 3 digits", 40.0, 1000.0)
DAY = date(2026, 11, 25)
#: The simulated card's own full scale, both ways (audiomeas/simulation/cards/card.toml).
CARD_V = 2.0
LOUD = 10 ** (-6 / 20)
OPTIONS = (
    "--meter",
    "Demo multimeter, M-0001",
    "--meter-accuracy",
    "0.8 % + 3 digits",
    "--meter-high-hz",
    "1000",
    "--duration-s",
    "1",
)


def loop_bench(folder, *, range_name="direct", rough_out=2.0, rough_in=1.0, unit="loop"):
    """A loop cable, and a calibration that is off: outputs state rough_out, inputs rough_in times the truth."""
    path = bench_file(folder, ('range = "50:1"', f'range = "{range_name}"'), unit=unit, rate_hz=48_000)
    outputs, inputs = CALIBRATION.read_text().split("[[input]]", 1)
    outputs = outputs.replace("v_rms_at_full_scale = 2.0", f"v_rms_at_full_scale = {rough_out}")
    for stated in (2.0, 20.0, 100.0):
        inputs = inputs.replace(f"full_scale = {stated}\n", f"full_scale = {stated * rough_in}\n")
    (folder / "simulated-card.toml").write_text(outputs + "[[input]]" + inputs)
    return path


def session_on(path, meddle=None):
    bench_file_read = read_bench(path)
    interface = Meddling(make_interface(bench_file_read), meddle)
    return Session(Bench(bench_file_read, interface)), interface


def ask(kind="output", *, meter=METER, channel=1, **rest):
    return Ask(kind=kind, channel=channel, meter=meter, duration_s=1.0, made=DAY, **rest)


def readings(true_loud_v, *, places=4, quiet=None, loud=None):
    """What a meter of so many places shows at the two points; or what is given instead."""

    def read(name, _):
        typed = {"quiet": quiet, "loud": loud}[name]
        volts = true_loud_v * (0.1 if name == "quiet" else 1.0)
        return typed or f"{volts:#.{places}g} V"

    return read


def never(_):
    return False


# -- the half-width that fits --------------------------------------------------------------------------------------


def test_coverage_of_closed_forms():
    # One rectangular: 0.95 a, k = 0.95·√3 = 1.645. Normal: 1.959964 σ. Two equal rectangulars: a triangle of half-width
    # 2a, 2a(1 − √0.05). All analytic; the grid is good to 1 part in 2,000.
    assert half_width_95([1.0]) == pytest.approx(0.95, rel=5e-4)
    assert half_width_95([1.0]) / (1 / math.sqrt(3)) == pytest.approx(1.645, abs=0.001)
    assert half_width_95([], 1.0) == pytest.approx(1.959964, rel=5e-4)
    assert half_width_95([1.0, 1.0]) == pytest.approx(2 * (1 - math.sqrt(0.05)), rel=5e-4)
    assert half_width_95([3e-3, 3e-3]) == pytest.approx(3e-3 * half_width_95([1.0, 1.0]), rel=1e-9)
    assert half_width_95([]) == 0.0
    assert half_width_95([1.0, 1e-9], 1e-9) == pytest.approx(0.95, rel=1e-3)


@pytest.mark.parametrize(("parts", "normal"), [((1.0, 0.3), 0.2), ((1.0, 0.9, 0.5), 0.0), ((0.2,), 0.5)])
def test_coverage_against_draws(parts, normal):
    rng = np.random.default_rng(7)
    drawn = sum(rng.uniform(-a, a, 400_000) for a in parts) + normal * rng.standard_normal(400_000)
    # 400,000 draws know the 95 % point to about 0.2 % (JCGM 101, 7.9).
    assert half_width_95(parts, normal) == pytest.approx(np.quantile(np.abs(drawn), 0.95), rel=5e-3)


@pytest.mark.parametrize("parts", [[-1.0], [math.nan], [math.inf]])
def test_impossible_parts_have_no_half_width(parts):
    with pytest.raises(ValueError, match="finite"):
        half_width_95(parts)


# -- readings --------------------------------------------------------------------------------------------------------


def test_readings_in_each_unit_are_the_same_volts():
    """Against the table of level units (tests/reference/level_conversions.csv; IEC 60027-3)."""
    for row in rows("level_conversions.csv"):
        volts = float(row["v_rms"])
        if 1e-3 <= volts <= 100.0:
            # The table's decibels are rounded to 1e-4 dB, 1.2e-5 of the voltage.
            assert parse_reading(f"{row['dbv']} dBV", METER).v_rms == pytest.approx(volts, rel=1.2e-5)
            assert parse_reading(f"{row['dbu']} dBu", METER).v_rms == pytest.approx(volts, rel=1.2e-5)
            assert parse_reading(f"{1000 * volts:.6f} mV", METER).v_rms == pytest.approx(volts, rel=1e-3)


def test_accuracy_of_a_reading_by_hand():
    # 0.952 V, 0.8 % + 3 digits: 7.616 mV + 3 mV; one digit is 1 mV, half of it the resolution.
    reading = parse_reading("0.952 V", METER)
    assert reading.accuracy == pytest.approx((0.007616 + 0.003) / 0.952, rel=1e-12)
    assert reading.resolution == pytest.approx(0.0005 / 0.952, rel=1e-12)
    assert parse_reading("952. mV".replace(".", ""), METER).step == pytest.approx(1 / 952, rel=1e-12)
    # -0.43 dBV: a step of 0.01 dB is 0.1152 %.
    assert parse_reading("-0.43 dBV", METER).step == pytest.approx(10**0.0005 - 1, rel=1e-12)


@pytest.mark.parametrize("text", ["1", "0 V", "-1 V", "1 W", "-6 dBFS", "nan V", "1,234 V", "1 V"])
def test_readings_that_are_none(text):
    # The last: one step of its only digit would be 100 % of it.
    with pytest.raises(RequestError):
        parse_reading(text, METER)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("10.02 V", "decimal point"),
        ("0.1002 V", "decimal point"),
        ("1002 V", "decimal point"),
        ("1.417 V", "peak value"),
        ("2.834 V", "peak-to-peak"),
        ("2.24 dBV", "dBu typed as dBV"),  # 1.002 V is 2.24 dBu
        ("0.02 dBu", "dBV typed as dBu"),  # and 0.02 dBV
        ("3.3 V", "a factor of 3.29"),
        ("1.002 V", ""),
        ("0.02 dBV", ""),
        ("2.24 dBu", ""),
        ("1.30 V", "a factor of 1.3"),
        ("0.60 V", "a factor of 0.599"),
        ("1.10 V", ""),  # a calibration at hand may be rough
    ],
)
def test_slips_are_told_from_readings(typed, words):
    found = slip(parse_reading(typed, METER), 1.0024)
    assert (words in found) if words else found == ""


@pytest.mark.parametrize("accuracy", ["good", "0 %", "-1 %", "20 %", "0.8", "0.8 % + x digits"])
def test_accuracies_that_are_none(accuracy):
    with pytest.raises(RequestError, match="accuracy"):
        parse_meter("M", accuracy, 40.0, 1000.0)


# -- tones -----------------------------------------------------------------------------------------------------------


def test_a_tone_with_its_residual_and_drift():
    # 0.3 of full scale, a twentieth of it as third harmonic (residual 5 %), rising by 1 % over the time: analytic.
    time_s = np.arange(48_000) / 48_000
    clean = np.sin(2 * np.pi * 330 * time_s)
    found = captured_tone(0.3 * (clean + 0.05 * np.sin(2 * np.pi * 990 * time_s)), 330.0, 48_000.0)
    assert found["captured_fs"] == pytest.approx(0.3, rel=1e-9)
    assert found["residual"] == pytest.approx(0.05, rel=1e-6)
    # Five parts of 0.2 s: between the middles of the first and the last lie 0.8 s of the rise.
    assert captured_tone(clean * (1 + 0.01 * time_s), 330.0, 48_000.0)["drift"] == pytest.approx(0.008, rel=0.02)


@pytest.mark.parametrize("rough_out", [1.6, pytest.param(2.4, marks=pytest.mark.wide)])
def test_an_output_is_found_from_a_rough_start(tmp_path, rough_out):
    session, interface = session_on(loop_bench(tmp_path, rough_out=rough_out, rough_in=1.1))
    asked = []
    # A start that is off by more than 1 dB is asked about, at each reading: a slip of another kind would look like it.
    confirm = lambda line: asked.append(line) or True  # noqa: E731
    found = calibrate(session, ask(), read=readings(CARD_V * LOUD), confirm=confirm)
    assert [("a factor of 1.25" in line) for line in asked] == ([True, True] if rough_out == 1.6 else [False, False])
    # Four places of 1.002 V: half a digit is 0.05 %; what the card's couplings take at 330 Hz is 3e-6.
    assert found.scale.v_rms_at_full_scale == pytest.approx(CARD_V, rel=6e-4)
    # 0.8 % + 3 digits of 1.002 V dominate: 0.95 × 1.1 %.
    assert found.scale.uncertainty == pytest.approx(0.95 * 0.011, rel=0.02)
    assert np.max(np.abs(interface.played_samples())) / 2**31 == pytest.approx(LOUD, rel=1e-3)


@pytest.mark.parametrize(("range_name", "ratio"), [pytest.param("direct", 1.0, marks=pytest.mark.wide), ("10:1", 10.0)])
def test_an_input_is_found_on_its_range(tmp_path, range_name, ratio):
    session, _ = session_on(loop_bench(tmp_path, range_name=range_name, rough_in=1.3))
    found = calibrate(session, ask("input"), read=readings(CARD_V * LOUD), confirm=never)
    assert found.scale.v_rms_at_full_scale == pytest.approx(ratio * CARD_V, rel=6e-4)
    assert found.scale.range_name == range_name


def test_an_input_against_the_output(tmp_path):
    session, _ = session_on(loop_bench(tmp_path, rough_in=1.3))
    found = calibrate(session, ask("input", meter=None), read=readings(0.0), confirm=never)
    # No reading takes part: noise of 114 dB below full scale in a second leaves 1e-7; couplings 5e-6.
    assert found.scale.v_rms_at_full_scale == pytest.approx(CARD_V, rel=1e-5)
    assert found.scale.uncertainty == pytest.approx(0.005, rel=1e-3)  # the output's own


def test_a_stale_output_is_no_reference(tmp_path):
    session, interface = session_on(loop_bench(tmp_path))
    late = Ask(kind="input", channel=1, meter=None, duration_s=1.0, made=date(2100, 1, 1))
    with pytest.raises(CalibrationError, match="calibrate the output first"):
        calibrate(session, late, read=readings(0.0), confirm=never)
    assert interface.streams == 0


@pytest.mark.parametrize(
    ("quiet", "loud", "error", "words"),
    [
        ("1.002 V", None, RequestError, "decimal point"),
        pytest.param("0.1417 V", None, RequestError, "peak value", marks=pytest.mark.wide),
        pytest.param("-17.76 dBV", None, RequestError, "dBu typed as dBV", marks=pytest.mark.wide),
        pytest.param(None, "1.417 V", RequestError, "peak value", marks=pytest.mark.wide),
        (None, "0.920 V", CalibrationError, "not 20 dB apart"),
        ("0.10 V", None, RequestError, "one step of its last digit"),
    ],
)
def test_what_contradicts_is_refused(tmp_path, quiet, loud, error, words):
    session, interface = session_on(loop_bench(tmp_path))
    with pytest.raises(error, match=words):
        calibrate(session, ask(), read=readings(CARD_V * LOUD, quiet=quiet, loud=loud), confirm=never)
    if quiet is not None:  # the loud point was never played: first look and quiet point only
        assert interface.streams == 2


def limiter(captured, frame, stream):
    return np.clip(captured, -int(0.45 * 2**31), int(0.45 * 2**31))


def soft_limiter(captured, frame, stream):
    return (captured * np.where(np.max(np.abs(captured)) > 0.3 * 2**31, 0.97, 1.0)).astype(captured.dtype)


@pytest.mark.parametrize(
    ("meddle", "error"),
    [pytest.param(limiter, CaptureError, marks=pytest.mark.wide), (soft_limiter, (CalibrationError, CaptureError))],
)
def test_a_limiter_in_the_path_is_refused(tmp_path, meddle, error):
    session, _ = session_on(loop_bench(tmp_path), meddle)
    with pytest.raises(error, match=r"limiter|not the tone|level"):
        calibrate(session, ask(), read=readings(CARD_V * LOUD), confirm=never)


def test_with_a_unit_connected_only_the_first_look_sounds(tmp_path):
    session, interface = session_on(loop_bench(tmp_path, range_name="50:1", unit="amplifier-healthy"))
    with pytest.raises(CalibrationError, match="take the unit out"):
        calibrate(session, ask(), read=readings(1.0), confirm=never)
    assert interface.streams == 1
    # 2 V and 40 V ceilings, 40 dB of highest gain: 40 dB below is 4 mV r.m.s.; full scale is 2.83 V peak.
    assert np.max(np.abs(interface.played_samples())) / 2**31 <= 0.004 / CARD_V * 1.001


def test_the_loud_point_passes_no_ceiling_by_the_quiet_reading(tmp_path):
    # The calibration at hand says 1.05 V at full scale, the truth is 2 V: what looks like 0.84 V would be 1.6 V.
    path = loop_bench(tmp_path, rough_out=1.05, rough_in=0.9)
    path.write_text(path.read_text().replace("input_v_rms = 2.0", "input_v_rms = 1.5"))
    session, interface = session_on(path)
    truth = readings(CARD_V * 10 ** (-2 / 20))
    with pytest.raises(InterlockRefusal, match=r"limits\.input_v_rms"):
        calibrate(session, ask(level_dbfs=-2.0), read=truth, confirm=lambda _: True)
    assert interface.streams == 2


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"frequency_hz": 1000.0}, "between 315 and 400"),
        ({"frequency_hz": 350.0}, "multiple of 50"),
        ({"frequency_hz": 362.0}, "multiple of 60"),
        ({"frequency_hz": math.nan}, "between 315 and 400"),
        ({"level_dbfs": 0.0}, "loud point"),
        ({"valid_days": 0}, "holds for"),
        ({"meter": parse_meter("M", "1 %", 40.0, 200.0)}, "not for 330 Hz"),
        ({"meter": None}, "against a meter"),
        ({"channel": 3}, "no channel 3"),
    ],
)
def test_what_can_calibrate_nothing_is_refused_before_any_sound(tmp_path, change, words):
    session, interface = session_on(loop_bench(tmp_path))
    with pytest.raises(RequestError, match=words):
        calibrate(session, ask(**change), read=readings(1.0), confirm=never)
    assert interface.streams == 0


# -- the file --------------------------------------------------------------------------------------------------------


def test_a_calibration_written_reads_back_with_the_others_as_they_were(tmp_path):
    session, _ = session_on(loop_bench(tmp_path))
    found = calibrate(session, ask(channel=2), read=readings(CARD_V * LOUD), confirm=never)
    old = session.bench.file.calibration
    new = with_scale(old, found.scale, output=True)
    path = tmp_path / "new.toml"
    path.write_text(calibration_text(new, simulated=True))
    back = read_calibration(path)
    assert back.output(2).v_rms_at_full_scale == pytest.approx(found.scale.v_rms_at_full_scale, rel=1e-9)
    assert back.output(2).origin.evidence["loud_reading"] == "1.002 V"
    assert back.output(2).origin.instrument.startswith("Demo multimeter")
    for one, before in zip(back.inputs, old.inputs, strict=True):
        assert (one.v_rms_at_full_scale, one.noise_v_rms) == (before.v_rms_at_full_scale, before.noise_v_rms)
        assert (one.origin.made, one.origin.valid_until) == (old.made, old.valid_until)
    assert path.read_text().startswith("# SIMULATED")
    later = {"sample_rate_hz": 48_000.0, "today": date(2026, 12, 26)}  # 31 days on
    (line,) = back.scale_mismatches({1: "direct", 2: "direct"}, **later)
    assert "output 2 expired on 2026-12-25" in line
    (line,) = back.scale_mismatches({2: "direct"}, sample_rate_hz=96_000.0, today=DAY)
    assert "output 2 was calibrated at 48000 Hz, not at 96000 Hz" in line
    assert read_calibration(CALIBRATION).scale_mismatches({1: "direct"}, **later) == ()  # older files speak as before


def test_a_capture_made_elsewhere_is_told_of_an_expired_scale(tmp_path):
    tone = tmp_path / "tone.wav"
    assert run("generate", "sine", tone, "--level", "-6 dBFS", "--duration-s", "1")[0] == 0
    own = (
        'method = "m"\ninstrument = "i"\nsample_rates_hz = [96000, 48000]\nmade = 2026-01-01\nvalid_until = 2026-02-01'
    )
    text = CALIBRATION.read_text().replace('range = "direct"', f'range = "direct"\n{own}', 1)
    (tmp_path / "old.toml").write_text(text)
    more = ("--calibration", tmp_path / "old.toml", "--range", "direct", "--json")
    status, out, err = run("analyze", "distortion", tone, *more)
    assert status == 0, err
    assert any("input 1 on range 'direct' expired on 2026-02-01" in line for line in json.loads(out)["warnings"])


# -- loads -----------------------------------------------------------------------------------------------------------


def test_loads_by_hand():
    four_wire = load_from_volts_and_amperes(4.02, 0.5, volts_percent=1.0, amperes_percent=1.0)
    assert four_wire.resistance_ohm == pytest.approx(8.04)
    assert four_wire.uncertainty == pytest.approx(0.02 * (1 - math.sqrt(0.05)), rel=1e-3)  # a triangle of ± 2 %
    ohms = load_from_ohms(8.2, 0.2, percent=1.0, step_ohms=0.0)
    assert ohms.resistance_ohm == pytest.approx(8.0)
    assert ohms.uncertainty == pytest.approx(0.95 * 0.01 * 8.2 / 8.0, rel=1e-3)


@pytest.mark.parametrize(("ohms", "leads"), [(0.0, 0.0), (-8.0, 0.1), (8.0, -0.1), (8.0, 4.0), (math.nan, 0.0)])
def test_loads_that_are_none(ohms, leads):
    with pytest.raises(RequestError):
        load_from_ohms(ohms, leads, percent=1.0, step_ohms=0.1)


# -- the command -----------------------------------------------------------------------------------------------------


def command(kind, path, *more):
    return ("calibrate", kind, "--bench", path, "--channel", "1", "--captures", path.parent / "captures", *more)


def test_the_command_writes_beside_and_never_over(tmp_path):
    path = loop_bench(tmp_path)
    before = (tmp_path / "simulated-card.toml").read_bytes()
    typed = ("--quiet-reading", "0.1002 V", "--loud-reading", "1.002 V", "--play")
    target = tmp_path / "mine.toml"
    status, out, err = run(*command("output", path, *OPTIONS, *typed, "--write", target, "--json"))
    assert status == 0, err
    assert json.loads(out)["v_rms_at_full_scale"] == pytest.approx(CARD_V, rel=6e-4)
    assert json.loads(out)["simulated"] is True
    assert err.index("caution") < err.index("will play")
    assert tomllib.loads(target.read_text())["output"][0]["evidence"]["quiet_reading"] == "0.1002 V"
    assert (tmp_path / "simulated-card.toml").read_bytes() == before
    assert list((tmp_path / "captures").glob("*.flac"))
    refused(*command("output", path, *OPTIONS, *typed, "--write", target), words="never overwritten")


def test_the_command_asks_for_what_was_not_given(tmp_path, monkeypatch):
    path = loop_bench(tmp_path)
    monkeypatch.setattr(
        sys, "stdin", io.StringIO("Demo multimeter, M-0001\n0.8 % + 3 digits\n1000 Hz\ny\n0.1002 V\n1.002 V\n")
    )
    status, out, err = run(*command("output", path, "--duration-s", "1"))
    assert status == 0, err
    assert "full scale 1.999 V r.m.s. ± 1 %" in out
    assert out.startswith("SIMULATED")
    assert err.index("may it play?") < err.index("during the quiet tone") < err.index("during the loud tone")
    (new,) = tmp_path.glob("simulated-card-*.toml")
    assert read_calibration(new).output(1).origin.evidence["loud_reading"] == "1.002 V"


def all_command(path, folder, *more):
    return ("calibrate", "all", "--bench", path, "--captures", folder / "captures", "--duration-s", "1", *more)


def test_the_whole_path_asks_again_for_what_is_none_and_keeps_what_was_found(tmp_path, monkeypatch):
    """A slip, a peak value, letters: each is asked for again, no tone is lost. A 'no' before the loopback ends it."""
    path = loop_bench(tmp_path, range_name="50:1", rough_in=0.7)
    meter = ["Demo multimeter, M-0001", "0.8 percent", "0.8 % + 3 digits", "twenty", "20 kHz"]
    typed = ["y", "1002 mV", "n", "10o mV", "100.2 mV", "1.417 V", "n", "5 W", "1.002 V", "n"]
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join([*meter, *typed, ""])))
    status, out, err = run(*all_command(path, tmp_path, "--channel", "1"))
    assert status == 2, err
    assert "nothing was played" in err.splitlines()[-1]
    for words in ("0.8 % + 3 digits'; once more", "'twenty' is no number; once more", "slip of the decimal point",
                  "a peak value", "reading '10o mV': type what the meter shows", "reading '5 W'"):  # fmt: skip
        assert words in err, words
    assert out.startswith("SIMULATED")
    (new,) = tmp_path.glob("simulated-card-*.toml")
    known = read_calibration(new)
    assert known.output(1).v_rms_at_full_scale == pytest.approx(CARD_V, rel=6e-4)  # the reading's last digit
    # The input follows the output: the card's 2 V behind 50:1, off by what the output is.
    ratio = known.input(1, "50:1").v_rms_at_full_scale / known.output(1).v_rms_at_full_scale
    assert ratio == pytest.approx(50.0, rel=1e-5)
    assert known.loopbacks == ()


@pytest.mark.wide
def test_the_whole_path_makes_one_file_that_the_bench_uses(tmp_path, monkeypatch):
    path = loop_bench(tmp_path, range_name="50:1", rough_in=0.7)
    channel = ["y", "100.2 mV", "1.002 V", "y"]
    monkeypatch.setattr(
        sys,
        "stdin",
        io.StringIO("\n".join(["Demo multimeter, M-0001", "0.8 % + 3 digits", "1k", *channel, *channel, ""])),
    )
    status, out, err = run(*all_command(path, tmp_path))
    assert status == 0, err
    (new,) = tmp_path.glob("simulated-card-*.toml")
    path.write_text(path.read_text().replace("simulated-card.toml", new.name))
    bench = Bench(read_bench(path), make_interface(read_bench(path)))
    assert bench.calibration_holds
    assert set(bench.own_conditions()["bench_residual_db"]) == {"1", "2"}
    assert out.count("loopback") == 2


@pytest.mark.wide
def test_the_whole_path_is_scripted_and_tells_json(tmp_path):
    path = loop_bench(tmp_path, range_name="50:1", rough_in=0.7)
    quiet, loud = ("--quiet-reading", "1=100.2 mV"), ("--loud-reading", "1 = 1.002 V")
    more = ("--quiet-reading", "2=-20.000 dBV", "--loud-reading", "2=0.000 dBV", "--play", "--json")
    status, out, err = run(*all_command(path, tmp_path, *OPTIONS[:-2], *quiet, *loud, *more))
    assert status == 0, err
    told = json.loads(out)
    assert told["simulated"] is True
    assert [[one["channel"] for one in told[what]] for what in ("outputs", "inputs", "loopbacks")] == [[1, 2]] * 3
    first, second = (one["v_rms_at_full_scale"] for one in told["outputs"])
    # −6 dBFS read as 1.002 V and as 1 V (0 dBV).
    assert (first, second) == pytest.approx((1.002 * 10**0.3, 10**0.3), rel=1e-6)
    assert told["outputs"][1]["evidence"]["quiet_reading"] == "-20.000 dBV"
    assert read_calibration(Path(told["file"])).output(2).v_rms_at_full_scale == pytest.approx(second, rel=1e-6)


def test_readings_of_the_whole_path_name_their_channel(tmp_path):
    path = loop_bench(tmp_path)
    for more, words in [
        (("--quiet-reading", "0.1 V"), "such as '1=95.2 mV'"),
        (("--quiet-reading", "1="), "such as '1=95.2 mV'"),
        (("--loud-reading", "3=1 V"), "this calibrates the channels 1, 2"),
        (("--loud-reading", "1=1 V", "--loud-reading", "1=1 V"), "channel 1 is there twice"),
        (("--confirm-reading", "3"), "this calibrates the channels 1, 2"),
        (("--loud-reading", "2=1 W"), "V, mV, dBV or dBu"),
    ]:
        refused(*all_command(path, tmp_path, *OPTIONS[:-2], *more, "--play"), words=words)
    assert not list((tmp_path / "captures").glob("*.flac"))  # before any sound


def test_the_whole_path_tells_a_pulled_cable(tmp_path):
    half = "[[channel]]\ngain_db = -60\noutput_impedance_ohm = 1e6\n"
    (tmp_path / "pulled.toml").write_text(f'kind = "x"\nmaker = "Demo"\nmodel = "x"\nserial = "D-0"\n{2 * half}')
    pulled = loop_bench(tmp_path, unit="pulled.toml")
    refused(*all_command(pulled, tmp_path, *OPTIONS[:-2], "--play"), status=3, words="connect output 1 to input 1")


def test_a_file_made_from_one_of_that_day_does_not_pile_up_days(tmp_path):
    path = loop_bench(tmp_path)
    first, typed = tmp_path / "my-card-2026-11-25-3.toml", ("--quiet-reading", "0.1002 V", "--loud-reading", "1.002 V")
    first.write_text((tmp_path / "simulated-card.toml").read_text())
    status, out, err = run(*command("output", path, *OPTIONS, *typed, "--play", "--calibration", first, "--json"))
    assert status == 0, err
    assert re.fullmatch(r"my-card-\d{4}-\d{2}-\d{2}\.toml", Path(json.loads(out)["file"]).name)


def test_a_load_a_decade_off_is_asked_about():
    for volts, said in (("40.2", True), ("4.02", False), ("0.402", True)):
        load = ("--channel", "1", "--rated-w", "100", "--volts", volts, "--amperes", "0.5")
        assert ("decimal point" in run("calibrate", "load", *load)[2]) is said


def test_wrong_requests_end_in_one_line(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))  # nobody answers
    path = loop_bench(tmp_path)
    typed = ("--quiet-reading", "0.1002 V", "--loud-reading", "1.002 V")
    for more, status, words in [
        ((*OPTIONS, *typed), 2, "nothing was played"),
        ((*OPTIONS[:2], *typed, "--play"), 2, "give --meter-accuracy"),
        ((*OPTIONS, "--quiet-reading", "0.1 W", "--play"), 2, "V, mV, dBV or dBu"),
        ((*OPTIONS[:4], *OPTIONS[6:], "--meter-high-hz", "200", "--play"), 2, "not for 330 Hz"),
        ((*OPTIONS, "--calibration", tmp_path / "none.toml", "--play"), 2, "was not found"),
        ((*OPTIONS, *typed[:1], "1.002 V", *typed[2:], "--play"), 2, "--confirm-reading"),
    ]:
        refused(*command("output", path, *more), status=status, words=words)
    refused(
        "calibrate", "output", "--bench", path, "--channel", "3", *OPTIONS, "--play", words="no channel 3: it has 1, 2"
    )
    refused("calibrate", "load", "--channel", "1", "--rated-w", "100", words="--volts and --amperes")
    refused("calibrate", "load", "--channel", "1", "--rated-w", "0", "--volts", "1", "--amperes", "1", words="rated")


def test_an_output_without_a_rough_value_is_refused(tmp_path):
    path = loop_bench(tmp_path)
    kept = (tmp_path / "simulated-card.toml").read_text()
    (tmp_path / "simulated-card.toml").write_text(kept.replace("[[output]]\nchannel = 1", "[[output]]\nchannel = 3"))
    refused(*command("output", path, *OPTIONS, "--play"), status=3, words="enter a rough value")


def test_another_gain_setting_is_refused(tmp_path):
    path = loop_bench(tmp_path)
    path.write_text(path.read_text().replace("sample_rate_hz", 'gain_setting = "half"\nsample_rate_hz'))
    typed = ("--quiet-reading", "0.1002 V", "--loud-reading", "1.002 V", "--play")
    refused(*command("output", path, *OPTIONS, *typed), status=3, words="gain setting")


def test_a_load_is_printed_as_its_entry():
    status, out, _ = run(
        "calibrate", "load", "--channel", "2", "--rated-w", "100", "--ohms", "8.2", "--lead-ohms", "0.2"
    )
    entry = tomllib.loads(out)["load"][0]
    assert status == 0
    assert (entry["channel"], entry["resistance_ohm"], entry["rated_w"]) == (2, 8.0, 100)
    assert 1.0 < entry["uncertainty_percent"] < 2.0
