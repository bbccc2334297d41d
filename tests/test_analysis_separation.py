"""A tone in one channel where the other holds nothing. Truth: noise of rounding, q²/12 (Bennett 1948), closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audiomeas.analysis.separation import coupled

RATE_HZ, STEP = 48_000, 2.0**-15


@pytest.mark.parametrize("other_hz", [None, 3000.0])
def test_digital_silence_and_a_tone_in_step_with_the_clock_hide_what_rounding_hides(other_hz: float | None) -> None:
    seconds, peak = 2, 0.25
    time_s = np.arange(seconds * RATE_HZ) / RATE_HZ
    other = np.zeros_like(time_s) if other_hz is None else peak * np.sin(2.0 * np.pi * other_hz * time_s)
    rounded = np.round(np.stack([peak * np.sin(2.0 * np.pi * 1000.0 * time_s), other], axis=1) / STEP) * STEP
    found = coupled(rounded, RATE_HZ, 1000.0, step=(STEP, STEP))
    assert not found.heard
    # One component of the noise in one line, over the tone's: q/√12·√(2/N) over its peak. By its window and how many
    # standard deviations are told it is a few times that, never a tenth, and less than the step itself.
    hidden = STEP / math.sqrt(12.0) * math.sqrt(2.0 / len(time_s)) / peak
    assert hidden < found.most < 10.0 * hidden < STEP / peak
