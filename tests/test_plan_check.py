"""`plan check`: what would be played, how near each ceiling comes, and what is missing; without any sound.

Truth: U = √(P·R), 20·lg of ratios of voltages, and the interlock's published margin of 3 dB (DEVELOPERS.md, gates).
"""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import pytest
from benches import bench_file
from click.testing import CliRunner

import audiomeas
from audiomeas.bench.opened import Bench
from audiomeas.cli.main import audiomeas as command
from audiomeas.errors import DeviceError, TomlProblem
from audiomeas.plan.check import PlanCheck

HEAD = 'title = "A few things"\nkind = "power amplifier"\n'
MARGIN_DB = 3.0


def _step(name: str = "a", **keys: Any) -> str:
    shown = {key: f'"{value}"' if isinstance(value, str) else value for key, value in keys.items()}
    return f'\n[[step]]\nname = "{name}"\n' + "".join(f"{key} = {value}\n" for key, value in shown.items())


def _checked(folder: Path, text: str, *replacements: tuple[str, str], **more: Any) -> PlanCheck:
    plan = folder / "plan.toml"
    plan.write_text(HEAD + text, encoding="utf-8")
    rate_hz = more.pop("rate_hz", None)
    return audiomeas.check_plan(plan, bench=bench_file(folder, *replacements, rate_hz=rate_hz), **more)


def _db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def test_watts_at_the_output_are_held_against_its_ceilings_and_tell_the_least_gain(tmp_path: Path) -> None:
    found = _checked(tmp_path, _step(measure="distortion", output_level="30 W", frequency_hz=1000))
    (step,) = found.steps
    assert step.foreseen is not None
    level_v = math.sqrt(30.0 * 8.0)
    assert step.foreseen.level == "30 W at the unit's output (15.5 V)"
    assert step.foreseen.plays == "sine of 1 kHz"
    # Both loads stand 200 W, which is 40 V: as much as the bench lets a unit give out.
    rooms = [(room.channel, room.below_db) for room in step.foreseen.nearest()]
    assert rooms == [(1, pytest.approx(_db(40.0 / level_v) - MARGIN_DB)), (2, pytest.approx(rooms[0][1]))]
    # 2 V full scale, 1 dB left free by the card: 1.78 V drive it.
    assert step.foreseen.least_gain_db == pytest.approx(_db(level_v / (2.0 * 10 ** (-1 / 20))), abs=1e-6)
    assert step.foreseen.most_gain_db is None
    assert (found.exit_status, found.missing) == (0, ())


def test_volts_at_the_input_tell_the_most_gain_that_the_unit_may_have(tmp_path: Path) -> None:
    found = _checked(tmp_path, _step(measure="distortion", input_level="300 mV", channels=1))
    (step,) = found.steps
    assert step.foreseen is not None
    assert step.foreseen.channels == (1,)
    assert step.foreseen.most_gain_db == pytest.approx(_db(40.0 / 0.3) - MARGIN_DB)
    assert [(room.channel, room.ceiling) for room in step.foreseen.nearest()] == [(1, "card's output")]
    assert step.foreseen.rooms[0].below_db == pytest.approx(_db(2.0 / 0.3) - 1.0)
    # The unit's own input stands 2 V as well, without the dB that the card keeps.
    assert [room.ceiling for room in step.foreseen.rooms] == ["card's output", "unit's input"]
    assert step.foreseen.rooms[1].below_db == pytest.approx(_db(2.0 / 0.3))


_DIRECT = (('range = "50:1"', 'range = "direct"'),)
_WEAK_LOADS = (("rated_w = 200", "rated_w = 100"),)
_LITTLE_GAIN = (("highest_gain_db = 40", "highest_gain_db = 10"),)


@pytest.mark.parametrize(
    ("asked", "replacements", "more", "said"),
    [
        # The third harmonic of 9 kHz is 27 kHz: more than 24 kHz.
        ({"frequency_hz": 9000}, (), {"rate_hz": 48_000}, "harmonic 3 of 9000 Hz lies beyond"),
        # 2 V full scale without a divider, and 2.83 V wanted.
        ({"output_level": "1 W"}, _DIRECT, {}, "card's input on this range"),
        # 60 W with 3 dB on top are 120 W.
        ({"output_level": "60 W"}, _WEAK_LOADS, {}, "at the load (ceiling 100 W"),
        ({"input_level": "3 V"}, (), {}, "at the unit's input"),
        # 15.5 V out of the card's 1.78 V.
        ({"output_level": "30 W"}, _LITTLE_GAIN, {}, "needs a gain of at least 18.8 dB"),
        ({"measure": "clipping"}, (), {"loudspeakers": "8 ohm"}, "loudspeakers"),
        ({"output_level": "1 W"}, (), {"loudspeakers": "8 ohm"}, "above their 0.5 W"),
    ],
    ids=["rate", "range", "load", "input", "gain", "loudspeakers", "loudspeakers loud"],
)
def test_what_is_missing_on_this_bench_is_named_with_its_step(
    tmp_path: Path,
    asked: dict[str, Any],
    replacements: tuple[tuple[str, str], ...],
    more: dict[str, Any],
    said: str,
) -> None:
    found = _checked(tmp_path, _step(**{"measure": "distortion", **asked}), *replacements, **more)
    assert found.exit_status == 3
    (line, *_) = found.missing
    assert line.startswith("a: ") and said in line
    assert not found.as_json()["can_be_run"]


def test_watts_on_a_bench_without_loads_are_named(tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    head, _, rest = file.read_text(encoding="utf-8").partition("[[load]]")
    file.write_text(head + rest[rest.index("# What may never be exceeded") :], encoding="utf-8")
    (tmp_path / "plan.toml").write_text(HEAD + _step(measure="distortion", output_level="1 W"), encoding="utf-8")
    found = audiomeas.check_plan(tmp_path / "plan.toml", bench=file)
    assert found.exit_status == 3
    assert "needs a load" in found.missing[0]


@pytest.mark.parametrize(
    ("asked", "said"),
    [({"measure": "power"}, "give rated_level"), ({"measure": "distortion", "frequency_hz": 90_000}, "harmonic 3")],
)
def test_what_no_bench_could_do_is_the_plans_fault(tmp_path: Path, asked: dict[str, Any], said: str) -> None:
    with pytest.raises(TomlProblem, match=said):
        _checked(tmp_path, _step(**asked))


def test_a_claim_for_another_load_is_missing_its_load(tmp_path: Path) -> None:
    claim = '\n[[specification]]\nwords = "40 W into 4 Ω"\nof = "power"\npower = "40 W"\nload_ohm = 4\n'
    found = _checked(tmp_path, claim)
    assert "stated for a load of 4 Ω; 8 Ω are entered for channel 1" in found.missing[0]
    assert "which channels are driven (taken: both)" in found.steps[0].not_stated


def test_a_power_claim_up_to_20_khz_wants_a_rate_that_holds_60_khz(tmp_path: Path) -> None:
    """As makers word it. Three times 20 kHz is beyond half of 96 kHz, and within half of 192 kHz."""
    claim = (
        '\n[[specification]]\nwords = "40 W, 20 Hz to 20 kHz, 0.5 % THD"\nof = "power"\npower = "40 W"\nload_ohm = 8\n'
        'low_hz = 20\nhigh_hz = 20000\npercent = 0.5\ndistortion = "thd"\n'
    )
    found = _checked(tmp_path, claim, rate_hz=96_000)
    assert found.exit_status == 3
    assert "harmonic 3 of 20000 Hz lies beyond 48000 Hz" in found.missing[0]
    assert "stay below 16000 Hz" in found.missing[0]
    (tmp_path / "more").mkdir()
    assert _checked(tmp_path / "more", claim, rate_hz=192_000).exit_status == 0


def test_an_expired_calibration_is_a_doubt_and_no_reason_not_to_run(tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    calibration = tmp_path / "simulated-card.toml"
    text = calibration.read_text(encoding="utf-8")
    text = re.sub(r"^made = .*$", "made = 2020-01-01", text, flags=re.MULTILINE)
    text = re.sub(r"^valid_until = .*$", "valid_until = 2020-02-01", text, flags=re.MULTILINE)
    calibration.write_text(text, encoding="utf-8")
    (tmp_path / "plan.toml").write_text(HEAD + _step(measure="distortion", output_level="1 W"), encoding="utf-8")
    found = audiomeas.check_plan(tmp_path / "plan.toml", bench=file)
    assert found.exit_status == 0
    assert any("expired" in line for line in found.doubts)


def test_a_card_whose_output_was_never_calibrated_can_play_nothing(tmp_path: Path) -> None:
    file = bench_file(tmp_path)
    calibration = tmp_path / "simulated-card.toml"
    text = calibration.read_text(encoding="utf-8").replace("[[output]]", "[[unused]]", 1)
    calibration.write_text("".join(text.split("[[unused]]")[:1]) + "[[output]]" + text.split("[[output]]", 1)[1])
    (tmp_path / "plan.toml").write_text(HEAD + _step(measure="distortion", output_level="1 W"), encoding="utf-8")
    found = audiomeas.check_plan(tmp_path / "plan.toml", bench=file)
    assert found.exit_status == 3
    assert "calibrate it first" in found.missing[0]


def test_a_card_that_is_not_there_is_named_and_the_rest_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(_: object) -> tuple[str, ...]:
        raise DeviceError("sound card 'Demo card' is not there")

    monkeypatch.setattr(Bench, "warnings", absent)
    found = _checked(tmp_path, _step(measure="distortion", output_level="1 W"))
    assert found.missing == ("sound card 'Demo card' is not there",)
    assert found.exit_status == 3
    assert found.steps[0].foreseen is not None and found.steps[0].foreseen.seconds is not None


def test_the_time_is_that_of_what_is_played(tmp_path: Path) -> None:
    steps = _step("s", measure="noise", duration_s=30) + _step(
        "t", measure="distortion", input_level="1 mV", window_s=7
    )
    found = _checked(tmp_path, steps + _step("u", measure="clipping"))
    silence, tone, search = (step.foreseen for step in found.steps)
    assert silence is not None and tone is not None and search is not None
    # As captures of a run are: 0.25 s before, two markers of 0.06 s, 0.1 s beside each, and behind them 0.5 s after a
    # silence and 0.1 s after a tone. The ends of a silence and the settling of a tone come on top.
    assert silence.seconds == pytest.approx(30.0 + 1.07, abs=0.5)
    assert tone.seconds == pytest.approx(7.0 + 0.67, abs=0.5)
    assert (search.seconds, found.open_ended) == (None, ("u",))
    assert found.seconds == pytest.approx(found.before_s + silence.seconds + tone.seconds)  # type: ignore[operator]


def test_readings_alone_take_no_sound_and_are_listed(tmp_path: Path) -> None:
    bias = {"lowest": "0 mV", "highest": "100 mV", "target": "9 mV", "tolerance": "1 mV", "source": "maker"}
    text = (
        'outputs = "common"\nwiring = "Loads on both"\n'
        + _step("Bias", reading="Idle voltage", unit="mV", channels="both", **bias)
        + _step("Lid", instruction="Put the lid on")
    )
    found = _checked(tmp_path, text)
    assert (found.seconds, found.exit_status) == (0.0, 0)
    assert list(found.asked) == [
        "Minus terminal to chassis, channel 1",
        "Minus terminal to chassis, channel 2",
        "Wiring",
        "Bias, channel 1",
        "Bias, channel 2",
        "Lid",
    ]
    assert found.asked["Bias, channel 1"] == "Idle voltage, channel 1 (target 9 mV, within 1 mV)"
    assert found.asked["Wiring"] == "Loads on both: Is it wired so?"


def test_the_command_says_it_in_words_and_as_json(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    text = _step("Loud", measure="distortion", output_level="300 W") + _step("Quiet", measure="noise")
    plan.write_text(HEAD + text, encoding="utf-8")
    bench = str(bench_file(tmp_path))
    shown = CliRunner().invoke(command, ["plan", "check", str(plan), "--bench", bench], standalone_mode=False)
    assert shown.return_value == 3
    lines = shown.stdout.splitlines()
    assert lines[0].startswith("SIMULATED")
    assert "  nearest ceiling: unit's output (40 V): 4.8 dB beyond it" in lines
    assert lines[-2:] == ["missing on this bench for 1 of them: Loud", "can't be run on this bench as it stands"]
    assert all(len(line) <= 80 for line in lines if str(tmp_path) not in line)
    told = CliRunner().invoke(command, ["plan", "check", str(plan), "--bench", bench, "--json"], standalone_mode=False)
    facts = json.loads(told.stdout)
    assert [step["name"] for step in facts["steps"]] == ["Loud", "Quiet"]
    assert facts["missing"][0].startswith("Loud: ")
    assert told.return_value == 3
