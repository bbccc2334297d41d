"""Sound before a first tone, of signals whose times and levels are known."""

from __future__ import annotations

import numpy as np
import pytest

from audiomeas.analysis.leader import LeaderWatch

RATE_HZ, BEGIN_S, END_S = 8_000, 6.0, 9.0


def capture(level: float, length_s: float, *, steady_v: float = 0.0) -> np.ndarray:
    """Return two channels: noise of a level (r.m.s., re the tone's) from 1 s on in the second, then a tone in both."""
    rng = np.random.default_rng(5)
    time_s = np.arange(round(END_S * RATE_HZ)) / RATE_HZ
    tone = np.where(time_s >= BEGIN_S, np.sqrt(2.0) * np.sin(2.0 * np.pi * 1000.0 * time_s), 0.0)
    heard = (time_s >= 1.0) & (time_s < 1.0 + length_s)
    noise = np.where(heard, level * rng.standard_normal(len(time_s)), 0.0)
    return np.stack([tone, tone + noise], axis=1) + steady_v


@pytest.mark.parametrize("block", [1000, 30_000])
@pytest.mark.parametrize(
    ("level", "length_s", "wanted_s"),
    [(0.3, 4.0, 4.0), (0.02, 4.0, 0.0), (0.3, 0.5, 0.0), (0.0, 0.0, 0.0)],
)
def test_what_sounds_before_a_tone_is_told_by_its_length(
    level: float, length_s: float, wanted_s: float, block: int
) -> None:
    samples, watch = capture(level, length_s, steady_v=0.5), LeaderWatch(RATE_HZ, 2)
    for at in range(0, len(samples), block):
        watch.add(samples[at : at + block])
    # Counted in tenths of a second; a click and a hiss 34 dB down are none.
    assert watch.loud_s(BEGIN_S, END_S) == pytest.approx(wanted_s, abs=0.11)


def test_nothing_is_told_where_nothing_stands_before_or_nothing_was_read() -> None:
    watch = LeaderWatch(RATE_HZ, 2)
    assert watch.loud_s(0.0, 1.0) == 0.0
    watch.add(capture(0.3, 4.0)[round(BEGIN_S * RATE_HZ) :])
    assert watch.loud_s(0.05, 3.0) == 0.0


def test_blocks_may_be_shorter_than_what_is_looked_at() -> None:
    """A capture of 10 ms is one; what it holds is for others to say."""
    watch = LeaderWatch(RATE_HZ, 2)
    watch.add(np.zeros((80, 2)))
    assert watch.loud_s(0.0, 0.01) == 0.0
    samples, short = capture(0.3, 4.0), LeaderWatch(RATE_HZ, 2)
    for at in range(0, len(samples), 500):
        short.add(samples[at : at + 500])
    assert short.loud_s(BEGIN_S, END_S) == pytest.approx(4.0, abs=0.11)
