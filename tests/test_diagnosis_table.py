"""The table of the failure pictures: which trials are made, what they prove, and sittings that make one table together.

No trial is made here: what is told of each is given.
"""

from __future__ import annotations

import json
from collections import Counter

import diagnosis_table
import pytest
from diagnosis_kept import Kept, OtherRulesError, made_by
from diagnosis_table import SEED, proven, table, text

MADE = {"sources": "1" * 64, "commit": "c" * 40, "seed": SEED, "simulated": True}
ONLY = ("crossover", "drag")


@pytest.fixture
def trials(monkeypatch):
    """Which trials were made; all broken units are found, each tenth healthy amplifier is an alarm."""
    made = []

    def broken(name, number):
        made.append(("broken", name, number))
        return name, {name: "yes", "mono": "no"}

    def healthy(family, number):
        made.append(("healthy", family, number))
        alarm = "yes" if number % 10 == 0 else "no"
        return family, {"crossover": alarm} if family == "amplifier" else {"drag": "no"}

    monkeypatch.setattr(diagnosis_table, "broken", broken)
    monkeypatch.setattr(diagnosis_table, "healthy", healthy)
    return made


def test_all_rows_fill_evenly_and_healthy_units_are_of_each_kind_in_turn(trials):
    rows, problems = table(20, 90, only=ONLY)
    assert not problems
    assert [(row.asked, row.found, row.healthy, row.alarms) for row in rows.values()] == [
        (20, 20, 45, 5),
        (20, 20, 45, 0),
    ]
    kinds = Counter(name for kind, name, _ in trials if kind == "healthy")
    assert kinds == {"amplifier": 45, "_deck": 45}
    assert len(set(trials)) == len(trials)
    half = trials[: len(trials) // 2]
    assert abs(sum(kind == "healthy" for kind, *_ in half) - 45) <= 5
    assert {name: sum(one == ("broken", name, one[2]) for one in half) for name in ONLY} == dict.fromkeys(ONLY, 10)


@pytest.mark.parametrize(
    ("hits", "trials_", "low", "high"),
    [
        # In closed form: none of n is at most 1 − (α/2)^(1/n), and all of n at least (α/2)^(1/n).
        (0, 183, 0.0, 1.0 - 0.025 ** (1 / 183)),
        (200, 200, 0.025 ** (1 / 200), 1.0),
        (0, 0, 0.0, 1.0),
    ],
)
def test_what_a_count_proves(hits, trials_, low, high):
    assert proven(hits, trials_) == pytest.approx((low, high), abs=1e-9)


def test_sittings_make_one_table(trials, tmp_path):
    path = tmp_path / "trials.jsonl"
    whole, _ = table(20, 90, only=ONLY)
    all_of_them = list(trials)
    trials.clear()
    for most in (7, 40, 1000):
        before = len(trials)
        sitting, _ = table(
            20,
            90,
            only=ONLY,
            kept=Kept(path, MADE),
            stop=lambda: len(trials) - before >= most,  # noqa: B023
        )
    assert trials == all_of_them  # each once, in the same order
    assert text(sitting) == text(whole)
    larger, _ = table(21, 90, only=ONLY, kept=Kept(path, MADE))
    assert len(trials) == len(all_of_them) + 2
    assert [row.asked for row in larger.values()] == [21, 21]


def test_a_trial_that_was_not_measured_is_kept_with_its_reason(trials, tmp_path, monkeypatch, capsys):
    path = tmp_path / "trials.jsonl"
    monkeypatch.setattr(diagnosis_table, "broken", broken_down := lambda name, number: (name, "Traceback\nboom"))
    broken_down.__name__ = "broken"
    first = table(1, 0, only=ONLY[:1], kept=Kept(path, MADE))
    assert first[1] == ["broken crossover 0: boom"]
    assert "boom" in capsys.readouterr().err
    again = table(1, 0, only=ONLY[:1], kept=Kept(path, MADE))
    assert again[1] == first[1]
    assert not trials
    assert again[0]["crossover"].asked == 1
    assert not again[0]["crossover"].good


def test_a_trial_whose_writing_was_broken_off_is_made_again(trials, tmp_path):
    path = tmp_path / "trials.jsonl"
    table(2, 0, only=ONLY, kept=Kept(path, MADE))
    path.write_text(path.read_text()[:-20])
    trials.clear()
    table(2, 0, only=ONLY, kept=Kept(path, MADE))
    assert trials == [("broken", "drag", 1)]
    assert len(Kept(path, MADE).told) == 4


@pytest.mark.parametrize("changed", [{"sources": "2" * 64}, {"seed": SEED + 1}])
def test_trials_of_other_rules_are_not_mixed(trials, tmp_path, changed):
    path = tmp_path / "trials.jsonl"
    table(1, 0, only=ONLY, kept=Kept(path, MADE))
    before = path.read_bytes()
    with pytest.raises(OtherRulesError, match=r"other rules \(commit c{12}"):
        Kept(path, {**MADE, **changed})
    assert path.read_bytes() == before
    assert Kept(path, {**MADE, "commit": "d" * 40}).told  # a commit that changed nothing of them


@pytest.mark.parametrize("content", ["hello\n", "[]\n", '{"sources": "1"}\n', f"{json.dumps(MADE)}\n[1]\n"])
def test_another_file_is_no_file_of_trials(tmp_path, content):
    path = tmp_path / "letter.txt"
    path.write_text(content)
    with pytest.raises(OtherRulesError, match="no file of trials"):
        Kept(path, MADE)
    assert path.read_text() == content


def test_one_table_at_a_time(tmp_path):
    path = tmp_path / "trials.jsonl"
    first = Kept(path, MADE)
    with pytest.raises(OtherRulesError, match="another table is being made"):
        Kept(path, MADE)
    del first
    assert not Kept(path, MADE).told


def test_what_made_trials_is_the_sources_they_hang_on():
    made = made_by(SEED)
    assert made == made_by(SEED)
    assert len(made["sources"]) == 64
    assert made["simulated"]
