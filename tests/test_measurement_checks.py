"""What can never be played or told is refused before any sound: by each measurement's own `check`."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benches import bench_file

import audiomeas
from audiomeas.errors import AudiomeasError, RequestError, TomlProblem
from audiomeas.measurement.attached import Attached
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find, words
from audiomeas.recording import Recording

CONTEXT = PlayContext(sample_rate_hz=48_000.0, channels=(1, 2), input_level_v_rms=1.0)


def checked(word: str, **options: Any) -> None:
    measurement = find(word)
    assert measurement.check is not None
    measurement.check(CONTEXT, complete(measurement, options))


#: What nobody but the person knows.
NEEDED: dict[str, dict[str, Any]] = {word: {"rated_level": "60 W"} for word in ("power", "headroom", "precondition")}


#: What needs a disc or a tape is tried with one; of an arm's resonance the bounds of its options refuse all there is.
@pytest.mark.parametrize("word", [word for word in words() if word not in ("disc", "tape", "arm-resonance")])
def test_every_measurement_has_a_check_that_its_own_defaults_pass(word: str) -> None:
    checked(word, **NEEDED.get(word, {}))


#: 24 kHz is half of 48 kHz; the rest is arithmetic on what is asked for.
IMPOSSIBLE: list[tuple[str, dict[str, Any], str]] = [
    ("distortion", {"low_hz": 20_000.0, "high_hz": 20.0}, "low_hz of 20000 Hz must lie below high_hz of 20 Hz"),
    ("distortion", {"low_hz": 100.0, "high_hz": 100.0}, "must lie below"),
    ("distortion", {"low_hz": 24_000.0, "high_hz": 50_000.0}, "lies beyond 24000 Hz, half the sample rate"),
    ("distortion", {"frequency_hz": 24_000.0}, "24000"),
    ("distortion", {"window_s": 600.0, "averages": 2}, "more than 600 s"),
    ("distortion-steps", {"low_hz": 20_000.0, "high_hz": 20.0}, "must lie below"),
    ("distortion-steps", {"frequencies_hz": (1000.0, 30_000.0)}, "30000"),
    ("intermodulation", {"low_hz": 9000.0, "high_hz": 20.0}, "must lie below"),
    ("intermodulation", {"low_hz": 30_000.0}, "half the sample rate"),
    ("intermodulation", {"method": "pair", "low_frequency_hz": 1000.0}, "needs low_frequency_hz and high"),
    ("intermodulation", {"method": "pair", "low_frequency_hz": 900.0, "high_frequency_hz": 25_000.0}, "25000"),
    ("multitone", {"low_hz": 20_000.0, "high_hz": 20.0}, "must lie below"),
    ("multitone", {"from_hz": 5000.0, "to_hz": 1000.0}, "make no multitone"),
    ("multitone", {"tones": 60, "from_hz": 20.0, "to_hz": 200.0, "window_s": 0.5}, "no room"),
    ("disc", {}, "needs to know what is on the disc"),
    ("tape", {}, "needs to know what is on the tape"),
    ("headroom", {}, "give rated_level"),
    ("headroom", {"rated_level": "-10 dBFS"}, "full scale has no volts"),
    ("gain", {"rated_level": "-10 dBFS"}, "full scale has no volts"),
    ("gain", {"frequency_hz": 30_000.0}, "30000"),
    ("power", {}, "give rated_level"),
    ("precondition", {}, "give rated_level"),
    ("precondition", {"rated_level": "60 W", "waived": " "}, "for a reason"),
    ("power", {"rated_level": "20 V"}, "other units"),
    ("power", {"rated_level": "0.1 W"}, "must lie below rated_level"),
    ("power", {"rated_level": "60 W", "frequencies_hz": (30_000.0,)}, "30000"),
    ("response", {"from_hz": 5000.0, "to_hz": 1000.0}, "5000"),
    ("response", {"from_hz": 2000.0}, "reference of 1000 Hz lies outside the sweep"),
    ("response", {"low_hz": 20_000.0, "high_hz": 20.0}, "set low_hz and high_hz"),
    ("response", {"from_hz": 1.0, "duration_s": 0.5}, "needs at least"),
]


@pytest.mark.parametrize(("word", "options", "said"), IMPOSSIBLE)
def test_what_is_impossible_is_refused_with_a_reason(word: str, options: dict[str, Any], said: str) -> None:
    with pytest.raises(RequestError, match=said):
        checked(word, **options)


@pytest.mark.parametrize("options", [{"reference_hz": 8000.0}, {"bands_hz": (1000.0, 9000.0)}])
def test_separation_refuses_frequencies_that_a_low_rate_does_not_hold(options: dict[str, Any]) -> None:
    separation, low = find("separation"), dataclasses.replace(CONTEXT, sample_rate_hz=16_000.0)
    assert separation.check is not None
    with pytest.raises(RequestError, match=f"{next(iter(options))} of [89]000 Hz lies beyond 8000 Hz, half the sample"):
        separation.check(low, complete(separation, options))


@pytest.mark.parametrize(
    ("length_s", "sample_rate_hz", "said"),
    [
        (10.0, 96_000.0, "before.wav was captured at 96000 Hz, and the bench runs at 48000 Hz"),
        (0.1, 48_000.0, "0.1 s before or after the change are too short"),
    ],
)
def test_hum_change_refuses_a_capture_from_before_that_it_cannot_compare_with(
    length_s: float, sample_rate_hz: float, said: str
) -> None:
    hum_change = find("hum-change")
    silence = Recording(
        counts_fs=np.zeros((round(length_s * sample_rate_hz), 2)),
        sample_rate_hz=sample_rate_hz,
        channels=(1, 2),
        v_rms_at_full_scale=(None, None),
    )
    before = Attached(name="before.wav", sha256="0" * 64, recording=silence)
    assert hum_change.check is not None
    with pytest.raises(RequestError, match=said):
        hum_change.check(CONTEXT, {**complete(hum_change, {}), "before": before})


#: A word, what is asked of it, and whether its charts can have more than one point.
CHARTED: list[tuple[str, dict[str, Any], bool]] = [
    ("gain", {}, False),
    ("precondition", {"rated_level": "60 W", "waived": "a test"}, False),
    ("precondition", {"rated_level": "60 W", "minutes": 0.02}, False),
    ("precondition", {"rated_level": "60 W"}, True),
    ("power", {"rated_level": "60 W", "frequencies_hz": (1000.0,)}, False),
    ("power", {"rated_level": "60 W"}, True),
    ("output-impedance", {"frequencies_hz": (1000.0,)}, False),
    ("distortion-steps", {"frequencies_hz": (1000.0,)}, False),
    ("distortion-steps", {"frequencies_hz": (1000.0,), "falls_db": (0.0, 10.0)}, True),
]


@pytest.mark.parametrize(("word", "options", "drawn"), CHARTED)
def test_a_chart_that_there_can_be_none_of_is_refused_before_the_bench_is_read(
    word: str, options: dict[str, Any], drawn: bool
) -> None:
    # A bench that is not there: what comes as far as it was not refused for its chart.
    said = "nowhere.toml was not found" if drawn else "gives no chart here"
    with pytest.raises(AudiomeasError, match=said):
        audiomeas.measure(word, bench="nowhere.toml", for_chart=True, **options)


def test_a_capture_is_not_read_for_a_chart_that_there_can_be_none_of() -> None:
    with pytest.raises(RequestError, match="gives no chart here"):
        audiomeas.analyze("gain", "nowhere.wav", for_chart=True)


@pytest.mark.parametrize(("word", "options", "said"), [IMPOSSIBLE[0], IMPOSSIBLE[-2]])
def test_a_plan_with_an_impossible_last_step_makes_no_sound_and_no_record(
    tmp_path: Path, word: str, options: dict[str, Any], said: str
) -> None:
    lines = "".join(f"{key} = {value}\n" for key, value in options.items())
    step = '[[step]]\nname = "{}"\nmeasure = "{}"\ninput_level = "10 mV"\n{}'
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'title = "t"\nkind = "k"\n' + step.format("First", "distortion", "") + step.format("L", word, lines)
    )
    with pytest.raises(TomlProblem, match=rf"plan\.toml: step 2 \(L\): .*{said}"):
        audiomeas.run(plan, unit="Demo, tag 1", bench=bench_file(tmp_path), records=tmp_path / "records")
    assert not (tmp_path / "records").exists()
