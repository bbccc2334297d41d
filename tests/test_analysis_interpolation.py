"""Between its samples a tone is the tone itself: closed forms up to the edge of the band."""

from __future__ import annotations

import numpy as np
import pytest

from audiomeas.analysis.interpolation import sampled_at

FRAMES = 20_000
PLACES = np.linspace(200.0, FRAMES - 200.0, 15_001) + 0.4 * np.sin(np.arange(15_001) / 700.0)


def _tone(part_of_rate, places):
    return np.sin(2.0 * np.pi * part_of_rate * places + 1.0)


@pytest.mark.parametrize("part_of_rate", [0.0002, 0.01, 0.1, 0.25, 0.4, 0.45, 0.4536])
def test_a_tone_is_followed_between_its_samples(part_of_rate):
    found = sampled_at(_tone(part_of_rate, np.arange(FRAMES)), PLACES)
    # −120 dB: a hundredth of what 0.003 dB allows, and below what a 20-bit converter resolves.
    assert np.max(np.abs(found - _tone(part_of_rate, PLACES))) < 1e-6


def test_whole_places_give_the_samples():
    noise = np.random.default_rng(1).standard_normal(500)
    # White noise has content up to half the rate, but at a whole place every other tap of the kernel is zero.
    assert np.max(np.abs(sampled_at(noise, np.arange(500.0)) - noise)) < 1e-7


def test_beyond_its_ends_there_is_silence():
    found = sampled_at(np.ones(3), np.array([-200.0, -1.0, 1.0, 3.0, 4e6]))
    assert found == pytest.approx([0.0, 0.0, 1.0, 0.0, 0.0], abs=1e-7)


def test_several_channels_at_once_are_refused():
    with pytest.raises(ValueError, match="one channel"):
        sampled_at(np.zeros((100, 2)), np.arange(5.0))
