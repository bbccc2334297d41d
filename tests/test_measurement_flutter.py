"""Flutter as a person uses it: on captures made elsewhere, and on the simulated bench. Truth: the closed form of the
tone (`flutter_tones`), the unit's own file, sizes of parts by f = v/(πd)."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile
from benches import Meddling, bench_file
from click.testing import CliRunner
from flutter_tones import modulated
from limited_axes import drawn_limits
from numpy.typing import NDArray

import audiomeas
from audiomeas.analysis.line_motion import LineMotion, line_motion
from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.cli.main import audiomeas as command
from audiomeas.errors import CaptureError, RequestError, SignalError
from audiomeas.files import shipped
from audiomeas.measurement import registry
from audiomeas.measurement.flutter_parts import Part, named, parts_of
from audiomeas.measurement.nominal_speed import nominal_hz_of
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.measurement.session import Session
from audiomeas.present.charts import chart_figure
from audiomeas.present.tables import render_table
from audiomeas.recording import read_recording
from audiomeas.simulation.unit import shipped_units

FLUTTER = registry.find("flutter")
RATE_HZ = 44_100
#: Keys of the contract.
CONTRACT = {
    "carrier_hz",
    "speed_error_percent",
    "weighted_percent",
    "weighted_rms_percent",
    "unweighted_percent",
    "wow_percent",
    "flutter_percent",
}
#: A platter at 33 1/3, a capstan of 2.5 mm at 47.6 mm/s (6.06 Hz), a motor; 0.3 % fast.
PARTS = [(0.5556, 8e-4, 0.0), (6.06, 4e-4, 1.0), (25.0, 2e-4, 1.0)]


def _written(folder: Path, *channels: NDArray[np.float64], name: str = "tape.wav") -> Path:
    path = folder / name
    soundfile.write(path, np.stack(channels, axis=1), RATE_HZ, subtype="PCM_24")
    return path


@pytest.fixture(scope="module")
def tape(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """25 s; the right channel 0.9 times as loud, with more noise."""
    left, right = (
        modulated(RATE_HZ, 25.0, PARTS, speed=0.003, noise_below_db=below_db, seed=seed)
        for below_db, seed in ((55.0, 1), (45.0, 2))
    )
    return _written(tmp_path_factory.mktemp("tape"), left, 0.9 * right)


@pytest.fixture(scope="module")
def result(tape: Path) -> Result:
    sizes = {"platter_rpm": 33.333, "tape_speed_cm_s": 4.76, "capstan_mm": 2.5}
    return audiomeas.analyze("flutter", tape, **sizes)


def test_it_tells_the_contracts_keys_each_with_its_uncertainty(result: Result) -> None:
    for channel in result.channels:
        assert channel.values.keys() >= CONTRACT
        assert channel.uncertainty.keys() >= CONTRACT
        # A card's crystal: ±50 ppm evenly, of which 95 % hold 47.5 ppm.
        assert channel.uncertainty["speed_error_percent"] == pytest.approx(0.00475, rel=0.05)
        assert channel.values["speed_error_percent"] == pytest.approx(0.3, abs=1e-4 * 5)
        assert channel.values["speed_error_cents"] == pytest.approx(1200.0 * math.log2(1.003), abs=0.01)
        truth = 100.0 * math.sqrt(0.5 * sum(peak**2 for _, peak, _ in PARTS))
        told = channel.values["unweighted_rms_percent"]
        assert told == pytest.approx(truth, abs=channel.uncertainty["unweighted_rms_percent"])
        assert channel.values["flutter_percent"] < channel.values["unweighted_percent"]
    assert result.conditions["nominal_hz"] == 3150.0
    assert json.loads(json.dumps(result.as_json()))["channels"][1]["budget"]["weighted_percent"]
    assert result.warnings == ()


def test_lines_are_named_by_the_parts_that_were_given_and_by_none_else(result: Result, tape: Path) -> None:
    lines = {round(row["frequency_hz"], 1): row for row in result.channel(1).values["lines"]}
    assert lines[0.6]["consistent_with"].startswith("platter")
    assert lines[6.1]["consistent_with"] == "capstan"
    assert lines[25.0]["consistent_with"] is None
    for hz, peak in ((6.1, 4e-4), (25.0, 2e-4)):
        assert lines[hz]["rms_percent"] == pytest.approx(100.0 * peak / math.sqrt(2.0), rel=0.01)
    plain = audiomeas.analyze("flutter", tape)
    assert all(row["consistent_with"] is None for row in plain.channel(1).values["lines"])


def test_a_line_between_two_parts_is_consistent_with_both() -> None:
    parts = (Part("capstan", 6.06), Part("motor", 12.0), Part("pinch roller", 1.21))
    assert named(12.1, parts) == "2 times capstan or motor"
    assert named(1.25, parts) == "pinch roller"
    assert named(9.0, parts) is None


def test_reels_and_belts_are_named_by_their_sizes() -> None:
    """f = v/(πd) of a full and of an empty reel of a cassette (trade use: 0.3 to 0.7 Hz), and v/l of a belt."""
    sizes = {"tape_speed_cm_s": 4.76, "reel_full_mm": 50.0, "reel_hub_mm": 22.0, "belt_mm": 220.0, "pulley_mm": 12.0}
    options = complete(FLUTTER, {**sizes, "motor_rpm": 1500.0})
    motor, belt, reel = parts_of(options)
    assert belt.turns_hz == pytest.approx(math.pi * 12.0 * 25.0 / 220.0)
    assert (reel.turns_hz, reel.to_hz) == pytest.approx((47.6 / (math.pi * 50.0), 47.6 / (math.pi * 22.0)))
    assert (motor.to_hz, belt.to_hz) == (None, None)
    for hz, said in ((0.31, "reel"), (0.65, "reel"), (4.3, "belt"), (0.8, None), (1.3, None)):
        found = named(hz, (motor, belt, reel))
        assert found is None if said is None else found.startswith(said)
    moving = LineMotion(begin_hz=0.41, end_hz=0.52, moves=True)
    assert named(0.46, (), moving) == "reel: its rate moves with the tape, from 0.41 to 0.52 Hz"
    for wrong, says in (
        ({"belt_mm": 220.0}, "belt_mm alone"),
        ({"reel_full_mm": 50.0, "tape_speed_cm_s": 4.76}, "give all three"),
        ({"reel_full_mm": 20.0, "reel_hub_mm": 22.0, "tape_speed_cm_s": 4.76}, "a smaller reel_hub_mm"),
    ):
        with pytest.raises(RequestError, match=says):
            parts_of(complete(FLUTTER, wrong))
    rim = complete(FLUTTER, {"belt_mm": 800.0, "rim_mm": 200.0, "platter_rpm": 45.0})
    assert parts_of(rim)[-1].turns_hz == pytest.approx(math.pi * 200.0 * 0.75 / 800.0)


def test_a_reels_line_moves_and_a_rollers_does_not() -> None:
    """A chirp of 0.4 to 0.5 Hz, a roller of 1.2 Hz, drift and noise: the course of a side of four minutes."""
    rate_hz, seconds = 800.0, 240.0
    time_s = np.arange(round(rate_hz * seconds)) / rate_hz
    turns = 0.4 * time_s + 0.5 * (0.1 / seconds) * time_s**2
    noise = 2e-4 * np.random.default_rng(4).standard_normal(len(time_s))
    course = 3e-4 * np.sin(2 * np.pi * turns) + 4e-4 * np.sin(2 * np.pi * 1.2 * time_s) + noise + 1e-6 * time_s
    reel, roller = line_motion(course, rate_hz, 0.45), line_motion(course, rate_hz, 1.2)
    assert reel is not None and reel.moves
    # The first and the last stretch of 40 s lie 20 s from the ends.
    assert (reel.begin_hz, reel.end_hz) == pytest.approx((0.4 + 0.1 / 12, 0.5 - 0.1 / 12), abs=0.003)
    assert roller is not None and not roller.moves and roller.begin_hz == pytest.approx(1.2, abs=0.003)
    assert line_motion(course, rate_hz, 3.0) is None  # nothing there
    assert line_motion(course[: len(course) // 2], rate_hz, 1.2) is None  # too short to tell


@pytest.mark.parametrize(
    ("found_hz", "asked_hz", "said"),
    [
        (3150.0 * 1.35 * 1.003, None, "3150 Hz on a record of 33⅓ that turns at 45 a minute"),
        (3000.0 * 20.0 / 27.0, None, "3000 Hz on a record of 45 that turns at 33⅓ a minute"),
        (6010.0, None, "3000 Hz on a tape that runs at twice its speed"),
        (1573.0, 3150.0, "3150 Hz on a tape that runs at half its speed"),
        (3150.0 * 48.0 / 44.1, None, "3150 Hz in a file of 44.1 kHz that is called 48 kHz (or 88.2 kHz called 96 kHz)"),
        (2756.0, 3000.0, "3000 Hz in a file of 48 kHz that is called 44.1 kHz (or 96 kHz called 88.2 kHz)"),
    ],
)
def test_a_wrong_speed_is_said_by_its_switch(found_hz: float, asked_hz: float | None, said: str) -> None:
    """45 over 33⅓ is 1.35; a tape machine's speeds are octaves apart (IEC 60094-1)."""
    nominal_hz, (line,) = nominal_hz_of(found_hz, asked_hz)
    assert nominal_hz == asked_hz
    assert f"consistent with a tone of {said}, check that first" in line


def test_a_tone_of_no_known_speed_gets_no_hint() -> None:
    for found_hz, asked_hz in ((2700.0, None), (3150.0 * 1.06, 3150.0)):
        _, (line,) = nominal_hz_of(found_hz, asked_hz)
        assert "consistent" not in line


def test_what_stays_on_the_disk_gives_the_same_numbers(result: Result, tape: Path) -> None:
    options = complete(FLUTTER, {"platter_rpm": 33.333, "tape_speed_cm_s": 4.76, "capstan_mm": 2.5}, stage="analyse")
    in_memory = FLUTTER.analyse(read_recording(tape), options)
    assert [one.values for one in in_memory.channels] == [one.values for one in result.channels]


def test_tables_and_charts_are_made_of_the_result_alone(result: Result) -> None:
    again = result_from_json(json.loads(json.dumps(result.as_json())))
    text = "\n".join(render_table(table) for table in FLUTTER.tables(again))
    for words in ("wow and flutter, weighted,", "2-sigma", "capstan", "speed error"):
        assert words in text
    charts = FLUTTER.charts(again)
    assert drawn_limits(FLUTTER, again) == {"modulation": {"weighted_percent"}, "speed": {"speed_error_percent"}}
    assert [chart.name for chart in charts] == ["modulation", "modulation-spectrum", "speed"]
    for chart in charts:
        chart_figure(chart)
    spectrum = charts[1].series[0]
    at = int(np.argmin(np.abs(np.array(spectrum.x) - 25.0)))
    # A line reads its own level at its top: up to 1.4 dB less between two bins of a Hann window (Harris 1978).
    assert spectrum.y[at] == pytest.approx(100.0 * 2e-4 / math.sqrt(2.0), rel=0.16)


def test_another_tone_is_told_and_no_speed_is_made_up(tmp_path: Path) -> None:
    other = audiomeas.analyze("flutter", _written(tmp_path, modulated(RATE_HZ, 12.0, tone_hz=1000.0)))
    assert other.channel(1).values["speed_error_percent"] is None
    assert other.channel(1).values["carrier_hz"] == pytest.approx(1000.0, rel=1e-6)
    assert any("none of the usual ones" in line for line in other.warnings)
    wrong = audiomeas.analyze("flutter", tmp_path / "tape.wav", nominal_hz=1050.0)
    assert wrong.channel(1).values["speed_error_percent"] == pytest.approx(100.0 * (1000.0 / 1050.0 - 1.0), abs=0.001)
    assert any("right tape or record" in line for line in wrong.warnings)
    path = _written(tmp_path, modulated(RATE_HZ, 12.0, tone_hz=3000.0, speed=0.002), name="jis.wav")
    assert audiomeas.analyze("flutter", path).conditions["nominal_hz"] == 3000.0
    mixed_up = audiomeas.analyze("flutter", path, nominal_hz=3150.0)
    assert any("3000 Hz would be +0.20 % off" in line for line in mixed_up.warnings)


def test_a_voice_over_the_leader_and_a_tone_of_its_own_on_each_track_are_said(tmp_path: Path) -> None:
    voice = 0.1 * np.random.default_rng(6).standard_normal(2 * RATE_HZ)
    one, other = (np.concatenate([voice, modulated(RATE_HZ, 8.0, tone_hz=hz)]) for hz in (3150.0, 3000.0))
    found = audiomeas.analyze("flutter", _written(tmp_path, one, other))
    assert any("something else sounds for 2 s before the first tone" in line for line in found.warnings)
    assert any("the channels play tones of 3150.0 Hz and 3000.0 Hz" in line for line in found.warnings)


def test_a_tone_of_1_khz_may_be_slow(tmp_path: Path) -> None:
    slow = audiomeas.analyze("flutter", _written(tmp_path, modulated(RATE_HZ, 8.0, tone_hz=980.0)), nominal_hz=1000.0)
    # Within a millionth and the wow that a short mean leaves: the tone has no wow here.
    assert slow.channel(1).values["speed_error_percent"] == pytest.approx(-2.0, abs=0.001)


def test_two_tones_without_a_pause_are_told(tmp_path: Path) -> None:
    both = np.concatenate([modulated(RATE_HZ, 7.5), modulated(RATE_HZ, 7.0, tone_hz=3000.0)])
    found = audiomeas.analyze("flutter", _written(tmp_path, both))
    assert any("steps by -4.9 % near 8 s" in line for line in found.warnings)  # (3000 - 3150)/3078


def test_a_channel_without_the_tone_tells_nothing_and_says_so(tmp_path: Path) -> None:
    noise = 1e-3 * np.random.default_rng(5).standard_normal(12 * RATE_HZ)
    mono = audiomeas.analyze("flutter", _written(tmp_path, noise, modulated(RATE_HZ, 12.0)))
    assert mono.channel(1).values["weighted_percent"] is None
    assert mono.channel(2).values["speed_error_percent"] == pytest.approx(0.0, abs=1e-4)
    assert any(line.startswith("channel 1: no tone near 3150 Hz") for line in mono.warnings)
    with pytest.raises(SignalError, match="no steady tone"):
        audiomeas.analyze("flutter", _written(tmp_path, noise, noise, name="noise.wav"))


def test_over_range_is_counted_once_and_gives_no_number(tmp_path: Path) -> None:
    clipped = np.clip(3.0 * modulated(RATE_HZ, 10.0), -1.0, 1.0 - 2.0**-23)
    # Full scale two samples in a row, at the upper or the lower end: from the samples themselves.
    at_end = np.abs(clipped) >= 1.0 - 2.0**-22
    pairs = at_end[1:] & at_end[:-1]
    frames = np.count_nonzero(np.concatenate([pairs, [False]]) | np.concatenate([[False], pairs]))
    with pytest.raises(SignalError, match=f"over-range in {frames} of {len(clipped)} frames"):
        audiomeas.analyze("flutter", _written(tmp_path, clipped))


def test_noise_that_is_as_large_as_flutter_leaves_a_bound(tmp_path: Path) -> None:
    """20 dB S/N without any flutter: all that is read is noise."""
    noisy = audiomeas.analyze("flutter", _written(tmp_path, modulated(RATE_HZ, 12.0, noise_below_db=20.0)))
    channel = noisy.channel(1)
    for key in ("unweighted_rms_percent", "unweighted_percent", "weighted_percent", "flutter_percent"):
        assert channel.bound[key] == "at most"
        assert key not in channel.uncertainty


def test_breaks_of_the_tone_are_listed(tmp_path: Path) -> None:
    tone = modulated(RATE_HZ, 14.0)
    tone[5 * RATE_HZ : 5 * RATE_HZ + 1764] = 0.0  # 40 ms
    cut = np.concatenate([tone[: 9 * RATE_HZ], tone[9 * RATE_HZ + 1003 :]])
    broken = audiomeas.analyze("flutter", _written(tmp_path, cut))
    values = broken.channel(1).values
    assert [(row["kind"], round(row["at_s"], 1)) for row in values["breaks"]] == [("drop-out", 5.0), ("leap", 9.0)]
    assert (values["drop_outs"], values["leaps"]) == (1, 1)
    assert any("a splice, a skipping stylus, or lost samples" in line for line in broken.warnings)
    assert any("1 drop-out, at 5.00 s" in line for line in broken.warnings)


def test_a_size_that_tells_nothing_alone_is_refused_by_name(tape: Path) -> None:
    with pytest.raises(RequestError, match="capstan_mm alone"):
        audiomeas.analyze("flutter", tape, capstan_mm=2.5)
    with pytest.raises(RequestError, match="rim_mm and platter_rpm"):
        audiomeas.analyze("flutter", tape, idler_mm=30.0, platter_rpm=33.333)
    done = CliRunner().invoke(command, ["analyze", "flutter", str(tape), "--capstan-mm", "0"])
    assert done.exit_code != 0
    turntable = complete(FLUTTER, {"idler_mm": 30.0, "platter_rpm": 33.333, "rim_mm": 280.0})
    turns_hz = {part.words: part.turns_hz for part in parts_of(turntable)}
    assert turns_hz["idler"] == pytest.approx(33.333 / 60.0 * 280.0 / 30.0)  # their rims run at one speed


@pytest.mark.wide
def test_a_deck_that_plays_is_heard_and_nothing_is_sent(tmp_path: Path) -> None:
    text = shipped_units()["cassette-deck"].read_text(encoding="utf-8").replace("leader_s = 25.0", "leader_s = 1.5")
    assert "leader_s = 1.5" in text
    (tmp_path / "deck.toml").write_text(text, encoding="utf-8")
    bench_file(tmp_path)  # for its calibration
    line = shipped("examples", "benches", "simulated-line.toml").read_text(encoding="utf-8")
    for old, new in (("../../calibrations/", ""), ('"preamplifier"', '"deck.toml"'), ("= 96000", "= 48000")):
        assert old in line
        line = line.replace(old, new)
    (tmp_path / "line.toml").write_text(line, encoding="utf-8")
    bench = open_bench_file(tmp_path / "line.toml")
    between = Meddling(bench.interface)
    with Session(Bench(bench.file, between)) as session:
        told = session.measure(FLUTTER, {"duration_s": 25.0})
    assert between.streams == 1  # no first look
    assert not any(np.any(block) for stream in between.played for block in stream)
    values = told.channel(1).values
    # Its file: 3000 Hz, 0.25 % fast, 0.02 % a minute; the card's own clock is within the uncertainty.
    assert values["speed_error_percent"] == pytest.approx(0.25 + 0.02 * 12.0 / 60.0, abs=0.006)
    truth = 100.0 * math.sqrt(0.5 * sum(peak**2 for peak in (2e-4, 3e-4, 5e-4, 3e-4)))
    assert values["unweighted_rms_percent"] == pytest.approx(truth, rel=0.03)
    assert told.simulated
    # A leader that is as long as the capture: the unit did not play, which is no fault of the request.
    (tmp_path / "deck.toml").write_text(text.replace("leader_s = 1.5", "leader_s = 60.0"), encoding="utf-8")
    with (
        Session(open_bench_file(tmp_path / "line.toml")) as session,
        pytest.raises(CaptureError, match="no steady tone"),
    ):
        session.measure(FLUTTER, {"duration_s": 10.0})
