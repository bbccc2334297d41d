"""Plan files: what is read, and that each wrong key, word or value is refused with file, line and way out."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from plan_fakes import MEASUREMENTS, PLAN, use_fakes

from audiomeas.errors import FileProblem, RequestError, TomlProblem
from audiomeas.measurement.base import PlayContext
from audiomeas.plan.file import find_plan, read_plan, refuse_impossible


@pytest.fixture(autouse=True)
def _fakes(monkeypatch: pytest.MonkeyPatch) -> None:
    use_fakes(monkeypatch)


def _write(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_plan_is_read_as_it_is_written(tmp_path: Path) -> None:
    plan = read_plan(_write(tmp_path, PLAN))
    first, second = plan.steps
    assert (plan.title, plan.kind, plan.text) == ("Power amplifier, short", "power amplifier", PLAN)
    assert (first.name, first.measure, first.channels) == ("Distortion at 1 W", "distortion", (1, 2))
    assert first.options == {"frequency_hz": 1000.0}
    assert first.output_level is not None
    assert (first.output_level.value, first.output_level.unit) == (1.0, "W")
    assert second.input_level is not None
    assert second.input_level.v_rms() == pytest.approx(0.1, rel=1e-15)  # one multiplication of doubles
    assert (second.output_level, second.channels) == (None, None)
    thd, match = first.limits
    assert (thd.quantity, thd.unit, thd.at_most, thd.source) == ("thd_percent", "%", 0.1, "maker")
    assert (match.unit, match.difference_at_most, match.at_most) == ("dB", 0.5, None)


def test_every_kind_of_option_is_taken(tmp_path: Path) -> None:
    options = (
        'averages = 4\nband_hz = [20, 20000]\nmethod = "notch"\nwarm = true\nreference_level = "5 mV"\nnote = "a"\n'
    )
    plan = read_plan(_write(tmp_path, PLAN.replace("frequency_hz = 1000.0\n", options)))
    # A level stays the text that the measurement itself reads (as it comes from a command line).
    assert plan.steps[0].options == {
        "averages": 4,
        "band_hz": (20.0, 20_000.0),
        "method": "notch",
        "warm": True,
        "reference_level": "5 mV",
        "note": "a",
    }


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ('measure = "distortion"', 'measure = "distorsion"', 6, "did you mean 'distortion'?"),
        ("frequency_hz = 1000.0", "frequenzy_hz = 1000.0", 9, "did you mean 'frequency_hz'?"),
        ("frequency_hz = 1000.0", 'frequency_hz = "1 kHz"', 9, "must be a number"),
        ("frequency_hz = 1000.0", "frequency_hz = -1.0", 9, "must be above 0"),
        ("frequency_hz = 1000.0", "frequency_hz = nan", 9, "must be a finite number"),
        ("frequency_hz = 1000.0", "averages = 0", 9, "must be at least 1"),
        ("frequency_hz = 1000.0", 'method = "notsch"', 9, "did you mean 'notch'?"),
        ("frequency_hz = 1000.0", 'reference_level = "5"', 9, "not a number with a unit"),
        ('output_level = "1 W"', 'output_level = "1"', 7, "not a number with a unit"),
        ('output_level = "1 W"', 'output_level = "1 MW"', 7, "capital M means mega"),
        ('output_level = "1 W"', 'output_level = "-20 dBFS"', 7, "no volts on a bench"),
        ('output_level = "1 W"', 'input_level = "1 W"', 7, "an input takes volts"),
        ('output_level = "1 W"', 'output_level = "1 W"\ninput_level = "1 V"', 7, "not both"),
        ('channels = "both"', 'channels = "left"', 8, '"both", 1, 2'),
        ('channels = "both"', "channels = true", 8, '"both", 1, 2'),
        ('channels = "both"', "channels = 1.0", 8, '"both", 1, 2'),
        ('channels = "both"', "channels = [1, 2]", 8, '"both", 1, 2'),
        ('quantity = "thd_percent"', 'quantity = "thd_precent"', 12, "did you mean 'thd_percent'?"),
        ("at_most = 0.1", "at_must = 0.1", 13, "did you mean 'at_most'?"),
        ("at_most = 0.1", 'at_most = "0.1 V"', 13, "'0.1 V' is in V, where % is asked for"),
        ("at_most = 0.1", "at_most = -0.1", 13, "must be at least 0"),
        ("at_most = 0.1", "at_most = 0.1\n  at_least = 0.2", 14, "no value is at least 0.2 and at most 0.1"),
        ("at_most = 0.1", "at_most = 0.1\n  difference_at_most = 1", 14, "stands alone"),
        ("at_most = 0.1\n", "", 12, "needs at_most, at_least or difference_at_most"),
        ('source = "maker"', 'source = "makers"', 14, "did you mean 'maker'?"),
        ('source = "maker"\n', "", None, "'source' is missing"),
        ('channels = "both"', "channels = 1", 18, "compares channels"),
        ("difference_at_most = 0.5", "at_most = 30\n  channel = 3", 19, "must be at most 2"),
        ('title = "Power amplifier, short"', 'titel = "x"', None, "'title' is missing"),
        ('title = "Power amplifier, short"', 'title = "a\\nb"', 1, "control character"),
        ('name = "Response"', 'name = "Distortion at 1 W"', None, "two steps are named"),
        ('kind = "power amplifier"', 'kind = "power amplifier"\nsteps = 3', 3, "did you mean 'step'?"),
    ],
)
def test_what_is_wrong_is_named_with_file_and_line(
    tmp_path: Path, old: str, new: str, line: int | None, said: str
) -> None:
    assert old in PLAN
    path = _write(tmp_path, PLAN.replace(old, new, 1))
    with pytest.raises(TomlProblem) as caught:
        read_plan(path)
    message = str(caught.value)
    assert said in message
    assert "\n" not in message
    assert message.startswith(f"{path}, line {line}: " if line else str(path))


def test_a_channel_that_is_not_measured_can_have_no_limit(tmp_path: Path) -> None:
    text = PLAN.replace('channels = "both"', "channels = 1").replace("difference_at_most = 0.5", "at_most = 30")
    with pytest.raises(TomlProblem, match="channel 2 is not measured"):
        read_plan(_write(tmp_path, text.replace("at_most = 0.1", "at_most = 0.1\n  channel = 2")))


def test_an_error_that_can_be_negative_can_have_negative_limits(tmp_path: Path) -> None:
    text = PLAN.replace('"thd_percent"', '"speed_error_percent"').replace("at_most = 0.1", "at_most = -0.1")
    assert read_plan(_write(tmp_path, text)).steps[0].limits[0].at_most == -0.1


def test_a_plan_needs_steps(tmp_path: Path) -> None:
    with pytest.raises(TomlProblem, match=r"at least one \[\[step\]\]"):
        read_plan(_write(tmp_path, 'title = "a"\nkind = "b"\nstep = []\n'))
    with pytest.raises(TomlProblem, match="'step' is missing"):
        read_plan(_write(tmp_path, 'title = "a"\nkind = "b"\n'))


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"", "is empty"), (b"\xff\xfe\x00x", "not a text file"), (b"RIFF$\x00", "not valid TOML"), (None, "not found")],
)
def test_files_that_are_no_plans(tmp_path: Path, content: bytes | None, said: str) -> None:
    path = tmp_path / "plan.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(FileProblem, match=said):
        read_plan(path)


def test_distortion_without_a_third_harmonic_is_refused_when_the_rate_is_known(tmp_path: Path) -> None:
    # 3 × 8 kHz = 24 kHz is half of 48 kHz: not below it. Arithmetic, no tolerance.
    plan = read_plan(_write(tmp_path, PLAN.replace("frequency_hz = 1000.0", "frequency_hz = 8000.0")))
    refuse_impossible(plan, 96_000.0)
    with pytest.raises(TomlProblem, match=r"step 1 \(Distortion at 1 W\): frequency_hz: harmonic 3 of 8000 Hz"):
        refuse_impossible(plan, 48_000.0)
    with pytest.raises(TomlProblem, match="stay below 8000 Hz, or use a higher sample rate"):
        read_plan(_write(tmp_path, PLAN.replace("frequency_hz = 1000.0", "frequency_hz = 20000")), sample_rate_hz=48e3)


def test_a_step_asks_its_measurement_before_any_sound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def check(context: PlayContext, options: Any) -> None:
        asked.append((context.sample_rate_hz, context.channels, options["frequency_hz"]))
        raise RequestError("no")

    monkeypatch.setitem(MEASUREMENTS, "distortion", dataclasses.replace(MEASUREMENTS["distortion"], check=check))
    plan = read_plan(_write(tmp_path, PLAN))
    with pytest.raises(TomlProblem, match=r"plan\.toml: step 1 \(Distortion at 1 W\): no$"):
        refuse_impossible(plan, 96_000.0)
    assert asked == [(96_000.0, (1, 2), 1000.0)]


def test_a_name_of_a_step_is_at_most_120_characters(tmp_path: Path) -> None:
    read_plan(_write(tmp_path, PLAN.replace("Distortion at 1 W", "d" * 120)))
    with pytest.raises(TomlProblem, match=r"plan\.toml, line 5.*121 characters are too long.*use 120"):
        read_plan(_write(tmp_path, PLAN.replace("Distortion at 1 W", "d" * 121)))


def test_a_bare_name_means_a_shipped_plan_unless_such_a_file_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert find_plan("power-amplifier").is_file()
    assert find_plan("power-amplifier.toml") == Path("power-amplifier.toml")
    assert find_plan("folder/power-amplifier") == Path("folder/power-amplifier")
    with pytest.raises(FileProblem, match="did you mean 'power-amplifier'"):
        find_plan("power-amplifyer")
    (tmp_path / "power-amplifier").write_text(PLAN)
    assert find_plan("power-amplifier") == Path("power-amplifier")


def test_a_limit_may_be_written_with_its_unit(tmp_path: Path) -> None:
    for text, value in (('"0.1 %"', 0.1), ("0.1", 0.1), ("1", 1.0)):
        plan = read_plan(_write(tmp_path, PLAN.replace("at_most = 0.1\n", f"at_most = {text}\n", 1)))
        assert plan.steps[0].limits[0].at_most == value
