"""Tracking as a person uses it: on the simulated bench while a simulated hand turns, and on files made elsewhere."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benches import bench_file
from limited_axes import drawn_limits
from numpy.typing import NDArray

import audiomeas
from audiomeas.bench.opened import open_bench_file
from audiomeas.errors import CaptureError, RequestError, SignalError, TomlProblem
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.measurement.session import Session
from audiomeas.plan.file import read_plan
from audiomeas.plan.verdict import judge_step
from audiomeas.present.charts import chart_figure
from audiomeas.present.tables import render_table
from audiomeas.recording import Recording, read_recording
from audiomeas.simulation.engine import Volume
from audiomeas.simulation.unit import read_unit, shipped_units
from audiomeas.stimulus import Silence, read_stimulus
from audiomeas.stimulus.turned import TurnedTone
from audiomeas.units import Level

TRACKING = find("tracking")
RATE_HZ = 48_000.0
#: What the hand does: full for 2.5 s, then down by 64 dB (66 dB on the right) within 3.5 s, then to nothing.
LEFT, RIGHT = "[[2.5, 0], [6, -64], [6.5, -120]]", "[[2.5, 0], [6, -66], [6.5, -120]]"


def _unit(folder: Path, left: str, right: str) -> Path:
    """Write the shipped amplifier with a volume control that is turned, and a bench that it stands on."""
    noise = "output_noise_v_rms = 3e-5\n"
    parts = shipped_units()["amplifier-healthy"].read_text(encoding="utf-8").split(noise)
    assert len(parts) == 3
    text = f"{parts[0]}{noise}volume_turn = {left}\n{parts[1]}{noise}volume_turn = {right}\n"
    (folder / "turned.toml").write_text(text, encoding="utf-8")
    return bench_file(folder, unit="turned.toml", rate_hz=48_000)


def _measured(bench: Path, said: list[str], captures: list[Recording] | None = None, **options: Any) -> Result:
    def keep(_: Any, recording: Recording) -> None:
        if captures is not None:
            captures.append(recording)

    with Session(open_bench_file(bench), say=said.append) as session:
        return session.measure(TRACKING, options, input_level=Level(0.128, "V"), keep=keep)


@pytest.fixture(scope="module")
def turned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, list[str], list[Recording]]:
    said: list[str] = []
    captures: list[Recording] = []
    bench = _unit(tmp_path_factory.mktemp("turned"), LEFT, RIGHT)
    return _measured(bench, said, captures, duration_s=6.5), said, captures


Turned = tuple[Result, list[str], list[Recording]]


def test_the_law_of_a_simulated_control_is_found(turned: Turned) -> None:
    first, second = turned[0].channels
    # The right gang falls by 66 dB where the left one falls by 64: 1/32 dB more for each dB. Tolerances: the stated
    # half-widths, and 1 mdB for the leakage of -62 dB, whose part that is in phase turns with the difference.
    levels = np.array(second.values["relative_level_db"])
    known = np.array([not bound for bound in second.values["difference_bound"]]) & (levels > -62.0)
    found = np.array([value if value is not None else np.nan for value in second.values["difference_db"]])
    wide = np.array([value or 0.0 for value in second.values["difference_uncertainty_db"]])
    error = np.abs(found - levels / 32.0)[known]
    assert np.count_nonzero(known) > 55
    assert np.count_nonzero(error < wide[known] + 0.001) >= 0.9 * len(error)  # 95 %, of 62 points
    for channel in (first, second):  # said on both: it is of the pair
        for range_db in (40, 60):
            key = f"largest_difference_to_{range_db}_db"
            assert channel.values[key] == pytest.approx(range_db / 32.0, abs=0.05)  # 0.5 dB of range are 0.016 dB
            assert 0.0 < channel.uncertainty[key] < 0.05
            assert channel.values[f"largest_difference_to_{range_db}_at_db"] == pytest.approx(-range_db, abs=0.6)
    # The file: 27.00 dB and 0.16 Ω, 26.95 dB and 0.17 Ω, into 8 Ω; leakage as above.
    balance_db = 26.95 - 27.0 + 20.0 * np.log10(8.16 / 8.17)
    assert second.values["balance_db"] == pytest.approx(balance_db, abs=0.01)
    assert first.values["balance_db"] == 0.0
    assert second.values["steps"][4]["difference_db"] == pytest.approx(-1.25, abs=0.02)
    assert (first.values["crackles"], second.values["crackles"]) == (0, 0)


def test_a_silent_end_is_no_fault_and_below_the_noise_there_are_bounds(turned: Turned) -> None:
    result, _, captures = turned
    assert captures[-1].stimulus_start is not None  # found by the first marker alone
    for channel in result.channels:
        assert channel.bound["lowest_db"] == "at most"
        assert channel.values["lowest_db"] < -70.0
    assert not [line for line in result.warnings if "try" in line]


def test_the_person_is_told_before_any_sound(turned: Turned) -> None:
    assert turned[1][0] == (
        "set the volume control to full before the first sound and leave it there; when 'tracking' begins to count, "
        "wait for two seconds, then turn it slowly and evenly down to zero, within 6.5 s"
    )


def test_the_capture_gives_the_same_again_and_the_result_its_views(turned: Turned, tmp_path: Path) -> None:
    result, _, captures = turned
    again = TRACKING.analyse(captures[-1], complete(TRACKING, {"duration_s": 6.5}))
    assert again.as_json() == result.as_json()
    stored = result_from_json(json.loads(json.dumps(result.as_json())))
    figures, steps = TRACKING.tables(stored)
    text = render_table(figures, width=100)
    assert "largest difference, full to −40 dB" in text
    assert "at most −" in text
    assert render_table(steps).count("−10 ") == 1
    difference, course = TRACKING.charts(stored)
    ranges = {"largest_difference_to_40_db", "largest_difference_to_60_db"}
    assert drawn_limits(TRACKING, stored) == {"tracking": ranges}
    assert (difference.name, course.name) == ("tracking", "turning")
    assert difference.simulated
    assert min(difference.series[0].x) >= -0.1  # attenuation: it is told as a positive number
    assert difference.series[0].y[-1] < -1.5
    for view in (difference, course):
        chart_figure(view).savefig(tmp_path / f"{view.name}.png")


def test_limits_of_a_plan_hold(turned: Turned, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(
        'title = "t"\nkind = "preamplifier"\n[[step]]\nname = "Volume"\nmeasure = "tracking"\nduration_s = 6.5\n'
        '[[step.limit]]\nquantity = "largest_difference_to_40_db"\nat_most = 1.0\nsource = "house"\n'
        '[[step.limit]]\nquantity = "largest_difference_to_60_db"\nat_most = 3.0\nsource = "house"\n'
        '[[step.limit]]\nquantity = "crackles"\nat_most = 0\nsource = "house"\n'
    )
    (step,) = read_plan(path, sample_rate_hz=RATE_HZ).steps
    rows = judge_step(step, turned[0])
    assert [(row.quantity, row.verdict) for row in rows if row.channel == 2] == [
        ("largest_difference_to_40_db", "fail"),
        ("largest_difference_to_60_db", "pass"),
        ("crackles", "pass"),
    ]


def test_who_begins_low_and_turns_up_meets_the_ceiling(tmp_path: Path) -> None:
    """The first look saw 40 dB less gain than the control can give: the watched ceiling stops the sound."""
    bench = _unit(tmp_path, "[[2.5, -40], [6, 0]]", "[[2.5, -40], [6, 0]]")
    text = bench.read_text().replace("output_v_rms = 40.0", "output_v_rms = 5.0")
    bench.write_text(text)
    captures: list[Recording] = []
    said: list[str] = []
    with (
        pytest.raises(CaptureError, match="the output was faded to silence"),
        Session(open_bench_file(bench), say=said.append) as session,
    ):
        session.measure(
            TRACKING,
            {"duration_s": 6.5},
            input_level=Level(0.5, "V"),
            keep=lambda _, recording: captures.append(recording),
        )
    # 0.5 V and 26.8 dB would have been 11 V. The ceiling is on the peak of 50 ms at most: 18 dB/s are 1 dB more.
    assert np.max(np.abs(captures[-1].signal(0))) < 5.0 * np.sqrt(2.0) * 1.3


@pytest.mark.wide
def test_a_control_that_is_not_turned_is_said(tmp_path: Path) -> None:
    with pytest.raises(SignalError, match="was the control turned"):
        _measured(bench_file(tmp_path, rate_hz=48_000), [], duration_s=5.0)


# ---------------------------------------------------------------- files made elsewhere


def _recording(samples: NDArray[np.float64], **changes: Any) -> Recording:
    columns = samples.shape[1]
    usual: dict[str, Any] = {
        "counts_fs": samples,
        "sample_rate_hz": RATE_HZ,
        "channels": tuple(range(1, columns + 1)),
        "v_rms_at_full_scale": (None,) * columns,
    }
    return Recording(**{**usual, **changes})


def _samples(levels_db: Sequence[NDArray[np.float64]], noise: float = 1e-6) -> NDArray[np.float64]:
    tone = 0.5 * np.sin(2.0 * np.pi * np.remainder(np.arange(len(levels_db[0])) / 48.0, 1.0))
    clean = np.stack([tone * 10.0 ** (level_db / 20.0) for level_db in levels_db], axis=1)
    return np.asarray(clean + noise * np.random.default_rng(5).standard_normal(clean.shape))


DOWN = np.interp(np.arange(6 * 48_000) / 48_000.0, [1.0, 5.0], [0.0, -45.0])


def _analysed(recording: Recording, **options: Any) -> Result:
    return TRACKING.analyse(recording, complete(TRACKING, options, stage="analyse"))


def test_a_bare_file_needs_no_calibration_and_no_stimulus(tmp_path: Path) -> None:
    import soundfile

    path = tmp_path / "made-elsewhere.wav"
    soundfile.write(path, _samples([DOWN, DOWN * 1.02]), 48_000, subtype="FLOAT")
    result = audiomeas.analyze("tracking", path)
    second = result.channel(2)
    assert second.values["largest_difference_to_40_db"] == pytest.approx(0.8, abs=0.015)
    assert second.values["largest_difference_to_60_db"] is None
    assert (second.values["level_v_rms"], second.values["balance_db"]) == (None, None)
    assert second.values["level_dbfs"] == pytest.approx(-6.02, abs=0.01)
    assert result.warnings == ("channel 1 was turned down to −45.0 dB only: nothing is told of the range to −60 dB",)
    assert read_recording(path).stimulus is None


def test_what_compares_nothing_is_said_or_refused() -> None:
    mono = _samples([DOWN, DOWN], noise=0.0)
    assert any("both channels hold the same samples" in line for line in _analysed(_recording(mono)).warnings)
    with pytest.raises(SignalError, match="compares two channels, and this capture has 1"):
        _analysed(_recording(mono[:, :1]))
    with pytest.raises(SignalError, match=r"channel 2: over-range in 7 of"):
        _analysed(_recording(mono, over_range=(0, 7)))
    with pytest.raises(SignalError, match="stimulus of this capture is 'silence'"):
        _analysed(_recording(mono, stimulus=Silence(duration_s=1.0, sample_rate_hz=RATE_HZ)))
    tone = TurnedTone(frequency_hz=1000.0, level_v_rms=1.0, sample_rate_hz=RATE_HZ, window_s=60.0)
    with pytest.raises(SignalError, match="does not hold the whole stimulus"):
        _analysed(_recording(mono, stimulus=tone, stimulus_start=0))


def test_one_channel_can_not_be_compared() -> None:
    assert TRACKING.check is not None
    context = PlayContext(sample_rate_hz=RATE_HZ, channels=(1,), input_level_v_rms=1.0)
    with pytest.raises(RequestError, match="drive both"):
        TRACKING.check(context, complete(TRACKING, {}))


def test_the_stimulus_promises_no_level_and_reads_back() -> None:
    tone = TurnedTone(frequency_hz=1000.0, level_v_rms=0.1, sample_rate_hz=RATE_HZ, window_s=5.0)
    (window,) = tone.windows()
    assert (window.frequency_hz, window.level_v_rms, window.frames) == (None, None, 240_000)
    assert read_stimulus(json.loads(json.dumps(tone.facts()))) == tone


# ---------------------------------------------------------------- the simulated hand


def test_a_simulated_control_is_straight_in_db_whatever_the_blocks() -> None:
    whole = Volume([(1.0, 0.0), (2.0, -20.0)], 1000.0).turned(np.ones(3000))
    assert whole[[0, 999, 1500, 2000, 2999]] == pytest.approx([1.0, 1.0, 10.0**-0.5, 0.1, 0.1], rel=1e-12)
    pieces = Volume([(1.0, 0.0), (2.0, -20.0)], 1000.0)
    assert np.array_equal(whole, np.concatenate([pieces.turned(np.ones(n)) for n in (1, 999, 7, 1993)]))


@pytest.mark.parametrize(
    "turn", ["3", "[[1, 0], [1, -5]]", "[[1, 3]]", "[[-1, 0]]", '[["a", 0]]', "[[1]]", "[[1, nan]]"]
)
def test_a_wrong_turn_is_refused(tmp_path: Path, turn: str) -> None:
    _unit(tmp_path, turn, RIGHT)
    with pytest.raises(TomlProblem, match=r"volume_turn: must be a list of \[seconds, dB\]"):
        read_unit(tmp_path / "turned.toml")


def test_the_shipped_unit_differs_as_its_file_says() -> None:
    unit = read_unit(shipped_units()["amplifier-volume-turned"])
    left, right = (dict(channel.volume_turn) for channel in unit.channels)
    at_12_s = np.interp(12.0, list(left), list(left.values()))
    assert (at_12_s, right[12.0]) == (-40.0, -41.2)
    assert dataclasses.replace(unit.channels[0], volume_turn=()).volume_turn == ()
