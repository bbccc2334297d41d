"""Stated 95 % intervals hold the truth, and a 'pass' on the limit is rare: benches drawn at random, on paper.

Truth: `paper_benches`, of numpy and closed forms. How many misses are right is the binomial law (scipy.stats).
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from paper_benches import TONE_HZ, Desk, drawn
from scipy.stats import binom

from audiomeas.measurement.registry import find
from audiomeas.plan.file import Limit, Step
from audiomeas.plan.verdict import judge
from audiomeas.units import parse_level

FIGURES = ("level_v_rms", "level_w", "gain_db", "thd_percent", "snr_db")
#: One in 10,000 runs may fail by chance, a figure and side.
CHANCE = 1e-4


@dataclass(frozen=True)
class Outcome:
    """Of one figure on one bench. covered : its interval holds the truth.  passed : with the limit on it, by side."""

    covered: bool
    passed: tuple[bool, bool]


def outcomes(seed):
    """Draw a bench, calibrate, measure, judge; figure (where it is no bound) → outcome."""
    with TemporaryDirectory() as folder:
        truth = drawn(seed)
        desk = Desk(Path(folder), truth)
        # Nothing is refused: readings of two ranges agree within the limits that the meter's maker states.
        desk.calibrate()
        true = desk.true_figures()
        level = parse_level(f"{truth.input_level_v_rms} V")
        options = {"frequency_hz": TONE_HZ, "window_s": 0.3}
        tone = desk.session(seed=11).measure(find("distortion"), options, input_level=level)
        noise = desk.session(seed=12).measure(find("noise"), {"reference": "1 W", "duration_s": 1.0})
    found = {}
    for key in FIGURES:
        result = noise if key == "snr_db" else tone
        channel = result.channel(1)
        if key in channel.bound:
            continue
        words = [judged(result, key, **{side: true[key]}) for side in ("at_most", "at_least")]
        covered = abs(channel.values[key] - true[key]) <= channel.uncertainty[key]
        found[key] = Outcome(covered=covered, passed=(words[0] == "pass", words[1] == "pass"))
    return found


def judged(result, key, **limit):
    limit = Limit(quantity=key, unit="", words=key, source="house", **limit)
    step = Step(
        name="s", measure="distortion", options={}, input_level=None, output_level=None, channels=(1,), limits=(limit,)
    )
    (row,) = judge(limit, result, step=step)
    return row.verdict


def counted(seeds, *, workers=1):
    """Figure → (benches, misses, wrong passes at most, wrong passes at least)."""
    if workers == 1:
        every = [outcomes(seed) for seed in seeds]
    else:
        with ProcessPoolExecutor(workers) as pool:
            every = list(pool.map(outcomes, seeds, chunksize=20))
    table = {}
    for key in FIGURES:
        of_key = [one[key] for one in every if key in one]
        passes = [sum(one.passed[side] for one in of_key) for side in (0, 1)]
        table[key] = (len(of_key), sum(not one.covered for one in of_key), *passes)
    return table


def test_a_few_benches_are_covered_and_rarely_pass_by_chance():
    for key, (benches, misses, *passes) in counted(range(6)).items():
        assert benches >= 5, key
        assert misses <= binom.ppf(1.0 - CHANCE, benches, 0.05), key
        for wrong in passes:
            assert wrong <= binom.ppf(1.0 - CHANCE, benches, 0.025), key


@pytest.mark.wide
def test_two_thousand_benches_are_covered_in_93_5_to_96_5_percent(capsys):
    """About 6 minutes of one processor. 2,000 trials know 95 % to ±0.49 % (standard deviation of the binomial law)."""
    table = counted(range(2000), workers=os.cpu_count() or 1)
    for key, (benches, misses, *passes) in table.items():
        with capsys.disabled():
            shares = ", ".join(f"{100.0 * wrong / benches:.2f} %" for wrong in passes)
            print(f"{key}: {benches} benches, {100.0 * (1.0 - misses / benches):.2f} % covered; wrong passes {shares}")
    for key, (benches, misses, *passes) in table.items():
        assert 0.935 <= 1.0 - misses / benches <= 0.965, key
        for wrong in passes:
            assert wrong <= binom.ppf(1.0 - CHANCE, benches, 0.025), key
