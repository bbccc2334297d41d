"""`bench check`: each fault set up in the path is found and named, and an honest path has none.

Truth: the faults themselves, made in tests/bench_faults.py with numpy and scipy; closed forms beside the checks.
"""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest
from bench_faults import (
    BLOCK,
    FaultyLoop,
    another_program,
    gain_control,
    gate,
    level_fs,
    limiter,
    sixteen_bits,
)
from benches import bench_file
from click.testing import CliRunner

from audiomeas.analysis.known_tones import band_rms, fit_known_tones
from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.cli.bench_check import check as check_command
from audiomeas.errors import CaptureError, FileProblem, RequestError
from audiomeas.measurement.bench_check import check_bench
from audiomeas.measurement.bench_check_baseline import compare, read_baseline, write_baseline
from audiomeas.measurement.bench_check_findings import Heard
from audiomeas.measurement.bench_check_loud import judge_clock
from audiomeas.measurement.bench_check_sequences import loud_sequence
from audiomeas.measurement.session import Session
from audiomeas.recording import Recording
from audiomeas.stimulus import read_stimulus
from audiomeas.stimulus.tone_sequence import ToneSequence

RATE_HZ = 48_000


def cable_bench(folder, *replacements, highest_gain_db=40):
    """Return a bench file with a loop cable on the direct range."""
    return bench_file(
        folder,
        ("highest_gain_db = 40", f"highest_gain_db = {highest_gain_db}"),
        ('range = "50:1"', 'range = "direct"'),
        ('output_level = "1 W"', 'input_level = "0.5 V"'),
        ('sample_format = "int24"', f'sample_format = "int24"\nblock_frames = {BLOCK}'),
        *replacements,
        unit="loop",
        rate_hz=RATE_HZ,
    )


def checked(path, loop, **options):
    return check_bench(Session(Bench(open_bench_file(path).file, loop)), **options)


def found(report):
    return {finding.check for finding in report.found}


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return cable_bench(tmp_path_factory.mktemp("bench"))


@pytest.fixture(scope="module")
def no_gain(tmp_path_factory):
    """The same for units without much gain: its first look is 20 dB louder, so that less hides below it."""
    return cable_bench(tmp_path_factory.mktemp("bench"), highest_gain_db=20)


# -- the honest path ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, *(pytest.param(n, marks=pytest.mark.wide) for n in range(3, 51))])
def test_an_honest_path_has_no_finding(path, seed):
    report = checked(path, FaultyLoop(seed=seed))
    assert report.found == ()
    assert report.connected == "cable"
    assert {finding.state for finding in report.findings} == {"as it should be"}
    # NOISE_FS is 2e-6 of a full-scale peak in 20 kHz: 2e-6·2√2 V. ±0.3 dB: 18,000 degrees of freedom give 0.05 dB (1σ).
    assert report.figures[1]["noise_dbv"] == pytest.approx(20 * np.log10(2e-6 * 2 * np.sqrt(2)), abs=0.3)
    assert report.figures[2]["gain_db"] == pytest.approx(0.0, abs=1e-3)  # noise at −34 dB below: 1e-5 dB; codes less


def test_it_is_quiet_first_and_louder_only_through_a_cable(path):
    loop = FaultyLoop()
    checked(path, loop)
    first, quiet, loud = loop.loudest_fs
    # Card and range: 2 V full scale both ways; gain up to 40 dB allowed: 2 V / 100 = 20 mV, 40 dB below: 0.2 mV.
    assert first == pytest.approx(1e-4, rel=0.01)
    assert quiet == pytest.approx(first, rel=0.01)  # the codes of 24 bits: 1e-4 is 839 of them
    # Highest: 3 dB (margin) below the input's full scale.
    assert 0.9 * 10 ** (-3 / 20) < loud <= 10 ** (-3 / 20)  # the first look takes its noise for gain: up to 0.9 dB


def test_with_a_unit_it_never_gets_loud(path):
    loop = FaultyLoop()
    report = checked(path, loop, connected="unit")
    assert max(loop.loudest_fs) == pytest.approx(1e-4, rel=0.01)
    assert found(report) == set()
    (unchecked,) = [finding for finding in report.findings if finding.state == "not checked"]
    assert unchecked.check == "gain, linearity, drift, rate, bits, clock"


def test_what_has_gain_is_no_cable(path):
    loop = FaultyLoop(fault=lambda block, frame, state: 2.0 * block)
    assert found(checked(path, loop)) == set()
    assert max(loop.loudest_fs) == pytest.approx(1e-4, rel=0.01)
    assert found(checked(path, FaultyLoop(fault=lambda block, *_: 2.0 * block), connected="cable")) == {"connected"}


# -- faults, each set up and found --------------------------------------------------------------------------------


def mono(block, frame, state):
    return np.repeat(block.mean(axis=1)[:, None], 2, axis=1)


def one_bit_in_256(codes, frame):
    """16-bit samples in a 24-bit form (whose low 8 of 32 bits are empty)."""
    return codes & ~np.int32(0xFFFF)


FAULTS = {
    # what is set up: (how, all that may be found, a word that names it)
    "resampler": ({"resample": True}, {"rate"}, "resampler at 44100"),
    "16 bits captured": ({"delivered": one_bit_in_256}, {"bits", "capture"}, "16 bits"),
    "16 bits played": ({"fault": sixteen_bits}, {"bits", "linearity", "level control"}, "16 bits"),
    "mono": ({"fault": mono}, {"channels"}, "mono"),
    "volume": ({"fault": lambda block, *_: 0.9 * block}, {"gain"}, "90 %"),
    "swapped": ({"fault": lambda block, *_: block[:, ::-1]}, {"channels"}, "swapped"),
    "inverted": ({"fault": lambda block, *_: -block}, {"polarity"}, "inverted"),
    "gain control": ({"fault": gain_control}, {"gain", "linearity", "drift"}, "gain control"),
    "gate": ({"fault": gate}, {"level control", "linearity"}, "gate"),
    "limiter": ({"fault": limiter}, {"linearity"}, "limiter"),
    "another program": ({"fault": another_program}, {"foreign sound", "capture"}, "another program"),
    "lost block": ({"lose_at": 60_000}, {"capture"}, "blocks were dropped or repeated"),
    "replaced block": ({"replace_at": 33_600}, {"capture"}, "samples were lost or repeated"),
}
#: One fault of a kind each time, the rest behind the marker: each run takes more than half a second.
WIDE = {"volume", "swapped", "inverted", "16 bits captured"}


@pytest.mark.parametrize("fault", [pytest.param(f, marks=[pytest.mark.wide] if f in WIDE else []) for f in FAULTS])
def test_each_fault_is_found_and_named(no_gain, fault):
    how, may_be_found, word = FAULTS[fault]
    report = checked(no_gain, FaultyLoop(**how))
    assert report.found and found(report) <= may_be_found, report.found
    assert any(word in finding.text for finding in report.found), report.found


class Creeping:
    """Gain that falls by 0.006 dB each second from the check's first block to its last, through all its captures."""

    def __init__(self):
        self.blocks = 0

    def __call__(self, block, frame, state):
        self.blocks += 1
        return block * 10 ** (-0.006 * self.blocks * BLOCK / RATE_HZ / 20)


def test_a_drift_too_slow_for_one_capture_is_found_over_ten_seconds(no_gain):
    report = checked(no_gain, FaultyLoop(fault=Creeping()))
    # At level the equal tones lie 3 s apart: 0.018 dB, less than is looked for. Over the quiet reference and the last
    # tone, 7 s apart, it is twice that.
    assert found(report) == {"drift"}
    honest = checked(no_gain, FaultyLoop())
    (drift,) = [finding for finding in honest.findings if finding.check == "drift"]
    assert int(drift.text.split("within ")[1].split(" s")[0]) >= 10


def dead_zone(block, frame, state):
    """Too little idle current, roughly: quiet sounds come out smaller."""
    return block * (1.0 if level_fs(block) > 2e-4 else 0.9)


@pytest.mark.parametrize(("fault", "check"), [(mono, "channels"), (dead_zone, "level control")])
def test_what_a_unit_may_do_itself_is_a_note_when_it_is_connected(no_gain, fault, check):
    report = checked(no_gain, FaultyLoop(fault=fault), connected="unit")
    assert found(report) == set()
    assert [finding.state for finding in report.findings if finding.check == check] == ["note"]


def test_sixteen_bits_captured_are_the_benchs_own_with_a_unit_too(no_gain):
    assert found(checked(no_gain, FaultyLoop(delivered=one_bit_in_256), connected="unit")) >= {"bits"}


def test_three_faults_at_once_are_three_findings(no_gain):
    report = checked(no_gain, FaultyLoop(fault=lambda block, *_: -0.9 * block[:, ::-1]))
    assert found(report) == {"channels", "polarity", "gain"}
    # 20·log10(0.9) = −0.915 dB; ±0.001: noise at −34 dB of the codes' own step and the printed digits.
    assert report.figures[1]["gain_db"] == pytest.approx(20 * np.log10(0.9), abs=0.001)


@pytest.mark.parametrize(("value", "word"), [(np.nan, "no numbers"), (3e30, "unwritten memory")])
def test_buffers_that_are_no_sound_are_found(tmp_path, value, word):
    path = cable_bench(tmp_path, ('"int24"', '"float32"'))

    def delivered(samples, frame):
        return np.full_like(samples, value) if frame > 50_000 else samples

    report = checked(path, FaultyLoop(delivered=delivered))
    assert found(report) == {"capture"}
    assert word in report.found[0].text


def test_a_calibration_for_another_set_up_is_a_finding(tmp_path):
    path = cable_bench(tmp_path)
    calibration = tmp_path / "simulated-card.toml"
    calibration.write_text(calibration.read_text().replace("2099-12-31", "2026-11-02"))
    report = checked(path, FaultyLoop(), connected="unit")
    assert found(report) == {"calibration"}
    assert "expired on 2026-11-02" in report.found[0].text


# -- baseline and command -------------------------------------------------------------------------------------------


def test_a_baseline_says_what_moved_and_refuses_what_is_none(path, tmp_path):
    kept = tmp_path / "good-day.json"
    report = checked(path, FaultyLoop(seed=1), connected="unit")
    write_baseline(kept, report)
    same = checked(path, FaultyLoop(seed=2), connected="unit")
    assert [finding.state for finding in compare(kept, read_baseline(kept), same)] == ["as it should be"]
    # 12 dB more of noise, as a person would find it in the file.
    facts = json.loads(kept.read_text())
    facts["figures"]["2"]["noise_dbv"] -= 12.0
    kept.write_text(json.dumps(facts))
    (moved,) = compare(kept, read_baseline(kept), same)
    assert moved.state == "found" and "channel 2: noise moved by +1" in moved.text
    # As much of latency as a resampler in the path adds: worth a look, but the markers make up for it.
    facts["figures"]["2"] |= {
        "noise_dbv": same.figures[2]["noise_dbv"],
        "latency_frames": same.figures[2]["latency_frames"] - 24.0,
    }
    kept.write_text(json.dumps(facts))
    (later,) = compare(kept, read_baseline(kept), same)
    assert later.state == "note" and "channel 2: latency moved by +24.00 frames" in later.text
    facts["set_up"]["sample_rate_hz"] = 96_000.0
    kept.write_text(json.dumps(facts))
    with pytest.raises(RequestError, match="another set-up"):
        compare(kept, read_baseline(kept), same)
    facts["figures"]["2"]["noise_dbv"] = "quiet"
    kept.write_text(json.dumps(facts))
    with pytest.raises(FileProblem, match="no number"):
        read_baseline(kept)
    kept.write_text("{}")
    with pytest.raises(FileProblem, match="no baseline"):
        read_baseline(kept)


def test_the_command_prints_lines_or_json_and_refuses_with_status_3(path, tmp_path, monkeypatch):
    loops = iter([FaultyLoop(), FaultyLoop(seed=2), FaultyLoop(fault=lambda block, *_: block[:, ::-1])])
    monkeypatch.setattr("audiomeas.bench.opened.make_interface", lambda bench_file: next(loops))
    kept = tmp_path / "good-day.json"
    good = CliRunner().invoke(check_command, ["--bench", str(path), "--baseline", str(kept)])
    assert good.exit_code == 0 and kept.exists()  # the first check makes it, and says so
    assert "kept as the first baseline" in good.output
    second = CliRunner().invoke(check_command, ["--bench", str(path), "--baseline", str(kept)])
    assert second.exit_code == 0 and "figures are where they were" in second.output
    assert "SIMULATED" in good.output and "24 bits arrive" in good.output
    again = CliRunner().invoke(check_command, ["--bench", str(path), "--save-baseline", str(kept)])
    assert isinstance(again.exception, FileProblem)  # before any sound: no interface was asked for
    nowhere = CliRunner().invoke(check_command, ["--bench", str(path), "--save-baseline", str(tmp_path / "no" / "x")])
    assert isinstance(nowhere.exception, FileProblem) and "there is no folder" in str(nowhere.exception)  # nor here
    bad = CliRunner().invoke(check_command, ["--bench", str(path), "--json", "--baseline", str(kept)])
    assert isinstance(bad.exception, CaptureError) and bad.exception.exit_status == 3
    report = json.loads(bad.stdout)
    assert report["trusted"] is False and report["simulated"] is True
    assert [row["check"] for row in report["findings"] if row["state"] == "found"] == ["channels"]
    assert report["findings"][-1]["check"] == "baseline" and report["findings"][-1]["state"] == "not checked"


@pytest.mark.parametrize(("ppm", "state"), [(0.1, "as it should be"), (1.5, "found"), (-1.5, "found")])
def test_two_clocks_are_told_by_the_delay_that_grows(ppm, state):
    tones = loud_sequence(0.5, 1e-4, 48_000.0, (1,))
    # A capturing clock that runs ppm fast: frame n holds what was played at n·(1 − ppm·1e-6). Part by part by formula.
    starts = np.cumsum([0, *(round(48_000 * s) for s in tones.durations_s)])
    captured = np.zeros((tones.frames, 1))
    for part, (start, stop) in enumerate(itertools.pairwise(starts)):
        frame = np.arange(start, stop) * (1.0 - 1e-6 * ppm) - start
        turns = tones.frequencies_hz[part][0] * frame / 48_000.0
        captured[start:stop, 0] = np.sqrt(2.0) * tones.levels_v_rms[part] * np.sin(2.0 * np.pi * turns)
    heard = Heard(
        Recording(
            counts_fs=captured / np.sqrt(2.0), sample_rate_hz=48_000.0, channels=(1,), v_rms_at_full_scale=(1.0,),
            stimulus=tones, stimulus_start=0,
        )
    )  # fmt: skip
    finding = judge_clock(heard)
    assert finding.state == state
    if state == "found":
        assert f"{ppm:+.2f} ppm" in finding.text  # no noise: the printed hundredth is the tolerance


# -- stimulus and arithmetic --------------------------------------------------------------------------------------


def sequence(**changes):
    facts = {
        "frequencies_hz": ((997.0, 1237.0), (997.0, 997.0)), "levels_v_rms": (0.5, 0.0), "durations_s": (0.2, 0.2),
        "sample_rate_hz": 48_000.0, "driven_channels": (1, 2),
    }  # fmt: skip
    return ToneSequence(**{**facts, **changes})


def test_a_sequence_plays_a_tone_of_its_own_on_each_channel_and_comes_back_from_its_facts():
    tones = sequence()
    start, stop = tones.span(0)
    time_s = np.arange(start, stop) / 48_000.0
    for channel, frequency_hz in ((1, 997.0), (2, 1237.0)):
        wanted = 0.5 * np.sqrt(2.0) * np.sin(2 * np.pi * frequency_hz * time_s)
        np.testing.assert_allclose(tones.channel_samples_v(channel)[start:stop], wanted, atol=1e-12)
    assert not np.any(tones.samples_v()[9_600:])  # the second part is silence
    assert read_stimulus(json.loads(json.dumps(tones.facts()))) == tones


@pytest.mark.parametrize(
    "changes",
    [
        {"levels_v_rms": (0.5,)}, {"levels_v_rms": (0.0, 0.0)}, {"levels_v_rms": (float("nan"), 0.0)},
        {"frequencies_hz": ((997.0,), (997.0,))}, {"frequencies_hz": ((997.0, 24_000.0), (997.0, 997.0))},
        {"durations_s": (0.2, 0.01)}, {"driven_channels": (1, 1)},
    ],
)  # fmt: skip
def test_an_impossible_sequence_is_refused(changes):
    with pytest.raises(ValueError):
        sequence(**changes)


def test_known_tones_and_noise_are_told_apart():
    rng = np.random.default_rng(5)
    time_s = np.arange(20_000) / 48_000.0
    noise = 1e-3 * rng.standard_normal(20_000)
    fit = fit_known_tones(0.3 + np.cos(2 * np.pi * 997.0 * time_s + 0.5) + noise, 48_000.0, (997.0,))
    # σ of an amplitude is 1e-3·√(2/20000) = 1e-5: five of them.
    assert abs(fit.amplitudes[0] - np.exp(0.5j)) < 5e-5
    assert fit.standard_uncertainty() == pytest.approx(1e-5, rel=0.05)
    # White noise of 1e-3 in 24 kHz has 1e-3·√(10/24) in 10 kHz; ±3 %: 8,000 degrees of freedom give 0.8 % (1σ).
    in_band = band_rms(fit.residual, 48_000.0, low_hz=0.0, high_hz=10_000.0)
    assert in_band == pytest.approx(1e-3 * np.sqrt(10 / 24), rel=0.03)
