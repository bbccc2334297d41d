"""A calibration that does not hold here: said aloud, volts still told, and no uncertainty claimed of them."""

from __future__ import annotations

import hashlib

import pytest
from benches import bench_file
from coverage_truth import of_two

from audiomeas import analyze, measure
from audiomeas.bench.opened import open_bench_file
from audiomeas.measurement.result import result_from_json
from audiomeas.measurement.session import Session
from audiomeas.plan.file import Limit, Step
from audiomeas.plan.verdict import judge_step

#: What makes a calibration not hold for the shipped bench at 48 kHz: (text of the calibration, another, what is said).
BROKEN = {
    "expired": ("valid_until = 2099-12-31", "valid_until = 2026-11-02", "expired on 2026-11-02"),
    "interface": ('interface = "Simulated card"', 'interface = "Demo card"', "made for 'Demo card'"),
    "gain": ('gain_setting = "fixed"', 'gain_setting = "half"', "holds for gain setting 'half'"),
    "rate": ("sample_rates_hz = [44100, 48000, ", "sample_rates_hz = [44100, ", "not for 48000 Hz"),
}
NOT_CLAIMED = "without an uncertainty"
#: Ends of keys whose value rests on the calibration's volts (the contract's names).
IN_VOLTS = ("_v_rms", "_w", "gain_db", "gain_at_reference_db", "balance_db")


def broken_bench(folder, why):
    path = bench_file(folder, rate_hz=48_000)
    old, new, _ = BROKEN[why]
    calibration = folder / "simulated-card.toml"
    text = calibration.read_text()
    assert old in text
    calibration.write_text(text.replace(old, new).replace("made = 2026-11-01", "made = 2026-10-01"))
    return path


def half_widths(value, key=""):
    """Return every 95 % half-width in a result's JSON by its key, wherever it stands."""
    found = {}
    if isinstance(value, dict):
        for name, item in value.items():
            if name == "uncertainty" and isinstance(item, dict):
                found.update(item)
            else:
                found.update(half_widths(item, name))
    elif isinstance(value, list):
        for item in value:
            found.update(half_widths(item, key))
    return found


@pytest.mark.parametrize("why", list(BROKEN))
def test_each_reason_is_said_with_what_follows(tmp_path, why):
    bench = open_bench_file(broken_bench(tmp_path, why))
    reason, follows = bench.warnings()
    assert BROKEN[why][2] in reason
    assert NOT_CLAIMED in follows
    assert not bench.calibration_holds


def test_a_calibration_that_holds_is_quiet(tmp_path):
    bench = open_bench_file(bench_file(tmp_path, rate_hz=48_000))
    assert bench.calibration_holds and bench.warnings() == ()


def test_volts_are_told_without_an_uncertainty_and_limits_on_them_stay_undecided(tmp_path):
    result = measure("distortion", bench=broken_bench(tmp_path, "interface"), output_level="1 W", captures=None)
    assert any(BROKEN["interface"][2] in line for line in result.warnings)
    assert any(NOT_CLAIMED in line for line in result.warnings)
    one = result.as_json()["channels"][0]
    # 1 W in 8 Ω is 2.83 V; the level is set to 0.02 dB on the louder channel, the other is within 0.1 dB (its file).
    assert one["level_v_rms"] == pytest.approx(8**0.5, rel=0.02)
    assert one["level_w"] is not None and one["gain_db"] is not None
    assert not {"level_v_rms", "level_w", "gain_db"} & set(one["uncertainty"])
    assert {"level_dbfs", "thd_percent", "frequency_hz"} <= set(one["uncertainty"])  # these rest on no volts
    limit = Limit(quantity="gain_db", unit="dB", words="gain", source="test", at_least=20.0, at_most=34.0)
    step = Step(
        name="gain", measure="distortion", options={}, input_level=None, output_level=None, channels=None,
        limits=(limit,),
    )  # fmt: skip
    rows = judge_step(step, result_from_json(result.as_json()))
    assert {row.verdict for row in rows} == {"undecided"}  # 27 dB lies far inside: only the uncertainty lacks


def test_a_calibration_that_holds_claims_what_it_states(tmp_path):
    result = measure("distortion", bench=bench_file(tmp_path, rate_hz=48_000), output_level="1 W", captures=None)
    assert result.warnings == ()
    one = result.as_json()["channels"][0]
    # The shipped calibration states 0.5 % of the input and 0.5 % of the output, of no known shape and so rectangular:
    # 0.5 % of the level, and of the gain what holds 95 % of their sum, a triangle of 2·0.5 %/0.95 either way (closed
    # form); noise adds less than 1 % of either.
    assert one["uncertainty"]["level_v_rms"] / one["level_v_rms"] == pytest.approx(0.005, rel=0.01)
    assert one["uncertainty"]["gain_db"] == pytest.approx(8.6859 * of_two(0.005, 0.005), rel=0.01)


@pytest.mark.parametrize(
    ("word", "options"),
    [
        ("multitone", {}),
        pytest.param("response", {"duration_s": 1.0}, marks=pytest.mark.wide),
        pytest.param("crosstalk", {}, marks=pytest.mark.wide),
        pytest.param("noise", {"duration_s": 2.0}, marks=pytest.mark.wide),
        pytest.param("intermodulation", {}, marks=pytest.mark.wide),
    ],
)
def test_no_measurement_claims_volts_of_a_calibration_that_does_not_hold(tmp_path, word, options):
    level = {} if word == "noise" else {"input_level": "100 mV"}
    result = measure(word, bench=broken_bench(tmp_path, "expired"), captures=None, **level, **options)
    assert any(NOT_CLAIMED in line for line in result.warnings)
    found = half_widths(result.as_json())
    # The balance of channel 1 is relative to itself: 0 dB, and nothing is uncertain about it.
    assert [key for key, half in found.items() if key.endswith(IN_VOLTS) and half > 0.0] == []
    if word == "response":
        for channel in result.channels:
            assert set(channel.values["gain_uncertainty_db"]) == {None}
    if word == "crosstalk":  # a ratio of the two channels' volts
        assert [key for key in found if key.startswith(("crosstalk_at", "worst_crosstalk"))] == []


def test_analyze_claims_nothing_of_an_expired_calibration(tmp_path):
    folder = tmp_path / "captures"
    bench = bench_file(tmp_path, rate_hz=48_000)
    measure("distortion", bench=bench, output_level="1 W", captures=folder)
    capture = next(path for path in sorted(folder.iterdir()) if "distortion" in path.name and path.suffix == ".flac")
    broken_bench(tmp_path, "expired")
    other = tmp_path / "simulated-card.toml"
    result = analyze("distortion", capture, calibration=other, range_name="50:1")
    assert any("expired" in line for line in result.warnings)
    assert any(NOT_CLAIMED in line for line in result.warnings)
    assert not {"level_v_rms", "level_w", "gain_db"} & set(result.channel(1).uncertainty)
    # The capture was made with another file of that name: both hashes are there.
    hashes = result.provenance["hashes"]
    assert hashlib.sha256(other.read_bytes()).hexdigest() in hashes.values()
    assert len(hashes) == 3


def test_two_files_of_one_name_have_two_hashes(tmp_path):
    """The bench file and its calibration are both called 'demo.toml', in different folders."""
    moved = ('calibration = "simulated-card.toml"', 'calibration = "cards/demo.toml"')
    path = bench_file(tmp_path, moved, name="demo.toml")
    (tmp_path / "cards").mkdir()
    (tmp_path / "simulated-card.toml").rename(tmp_path / "cards" / "demo.toml")
    facts = Session(open_bench_file(path)).facts()
    wanted = {
        "demo.toml": hashlib.sha256(path.read_bytes()).hexdigest(),
        "cards/demo.toml": hashlib.sha256((tmp_path / "cards" / "demo.toml").read_bytes()).hexdigest(),
    }
    assert facts["hashes"] == wanted
    assert set(facts["texts"]) == set(wanted)
