"""What a plan asks at the terminal: until there is an answer, twice where it would end the run; from a file without."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from audiomeas.cli import answers as asked
from audiomeas.errors import RequestError
from audiomeas.plan.answers import entered, questions_of
from audiomeas.plan.file import read_plan

PLAN = """\
title = "Short"
kind = "power amplifier"
outputs = "common"
checklist = ["Tone controls at their centre"]

[[step]]
name = "Bias"
reading = "Idle voltage"
unit = "mV"
lowest = "0 mV"
highest = "100 mV"

[[step]]
name = "Lid"
instruction = "Put the lid on"
"""


@pytest.fixture
def plan(tmp_path: Path) -> str:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    return str(path)


@pytest.fixture
def typing(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[str]]:
    """Sit a person at the terminal who types these lines; returns what was asked of them."""

    def sit(*lines: str) -> list[str]:
        shown: list[str] = []
        left: Iterator[str] = iter(lines)

        def prompt(text: str, **_: object) -> str:
            shown.append(text)
            return next(left)

        monkeypatch.setattr(asked, "on_terminal", lambda *_: True)
        monkeypatch.setattr(asked.click, "prompt", prompt)
        return shown

    return sit


@pytest.mark.parametrize(
    ("key", "lines", "answer", "times"),
    [
        ("Bias", ["12", "12.5 V", "12.5 mV"], "12.5 mV", 3),  # no unit, beyond what is plausible, right
        ("Bias", [""], None, 1),
        ("Lid", [""], "done", 1),  # Enter: it is done
        ("Lid", ["-"], None, 1),
        ("Tone controls at their centre", ["n", "y"], "y", 2),  # put right meanwhile
        ("Tone controls at their centre", ["no", "no"], "no", 2),
        ("Tone controls at their centre", ["no", ""], None, 2),
        ("Minus terminal to chassis, channel 1", ["lots", "3 ohm", "0.2"], "0.2", 3),
    ],
)
def test_a_person_is_asked_until_there_is_an_answer(
    plan: str, typing: Callable[..., list[str]], key: str, lines: list[str], answer: str | None, times: int
) -> None:
    shown = typing(*lines)
    answers = asked.answers_for(plan, None)
    assert callable(answers)
    assert answers(questions_of(read_plan(Path(plan)).steps)[key]) == answer
    assert len(shown) == times


def test_what_the_file_leaves_out_is_asked(plan: str, typing: Callable[..., list[str]], tmp_path: Path) -> None:
    file = tmp_path / "answers.toml"
    file.write_text('"Bias" = "9.6 mV"\n', encoding="utf-8")
    shown = typing("")
    answers = asked.answers_for(plan, str(file))
    *_, bias, lid = read_plan(Path(plan)).steps
    results = [entered(step, answers, simulated=False) for step in (bias, lid)]  # type: ignore[arg-type]
    assert [result is not None for result in results] == [True, True]
    assert shown == ["Enter when it is done (- leaves it out)"]


def test_without_a_terminal_the_file_alone_answers(plan: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(asked, "on_terminal", lambda *_: False)
    assert asked.answers_for(plan, None) is None
    file = tmp_path / "answers.toml"
    file.write_text('"Bais" = "9.6 mV"\n', encoding="utf-8")
    with pytest.raises(RequestError, match=r"answers\.toml, line 1: Bais: this plan has no question 'Bais' \(did you"):
        asked.answers_for(plan, str(file))
