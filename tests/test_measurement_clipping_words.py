"""What clipping says beside its numbers: ranges compared, a limiter bulb, a card near full scale. Made-up results."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from audiomeas.measurement import clipping_words as words
from audiomeas.measurement.attached import AttachedResult
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.units import Level


def result(level_v_rms, *, of_range="50:1", measurement="clipping", bound=None, uncertainty=0.05):
    key = "at_1_percent_v_rms"
    channel = ChannelResult(
        channel=1,
        values={key: level_v_rms, "at_1_percent_w": None if level_v_rms is None else level_v_rms**2 / 8.0},
        uncertainty={key: uncertainty},
        bound={} if bound is None else {key: bound, "at_1_percent_w": bound},
    )
    return Result(
        measurement=measurement, sample_rate_hz=48_000.0, conditions={"range": {"1": of_range}}, channels=(channel,)
    )


def compared(here, there):
    other = AttachedResult(name="other.json", sha256="", result=there)
    return words.ranges_compared(here, other, "at_1_percent")


def test_ranges_that_agree_clear_the_card_and_ranges_that_differ_accuse_it():
    # 0.05 V of 20 V both are 0.031 dB together, and 0.1 dB is allowed beside: 20.2 V lie inside, 19 V (0.45 dB) don't.
    (line,) = compared(result(20.0), result(20.2, of_range="100:1"))
    assert "the unit that clips, not the card" in line
    (line,) = compared(result(19.0), result(20.0, of_range="100:1"))
    assert "differ by 0.45 dB" in line
    assert "the card clips" in line


@pytest.mark.parametrize(
    ("there", "said"),
    [
        (result(20.0), "the same range"),
        (result(20.0, measurement="distortion"), "holds distortion"),
        (result(None, of_range="100:1"), "no level to compare"),
        (result(20.0, of_range="100:1", bound="at least"), "no level to compare"),
    ],
)
def test_what_can_not_be_compared_is_said(there, said):
    (line,) = compared(result(20.0), there)
    assert said in line


def test_all_channels_far_below_the_rated_power_name_the_limiter_bulb():
    channels = result(14.0).channels * 2  # 24.5 W
    line = words.bulb(channels, Level(60.0, "W"), "at_1_percent")
    assert line is not None
    assert "3.9 dB below the 60 W" in line  # 10·lg(60/24.5)
    assert "consistent with a limiter bulb" in line
    assert words.bulb(channels, Level(48.0, "W"), "at_1_percent") is None  # 2.9 dB
    assert words.bulb((*channels, *result(21.0).channels), Level(60.0, "W"), "at_1_percent") is None
    assert words.bulb(channels, None, "at_1_percent") is None
    assert words.bulb(result(14.0, bound="at least").channels, Level(60.0, "W"), "at_1_percent") is None


@pytest.mark.parametrize(("peak_fs", "named"), [(0.8, True), (0.6, False)])
def test_a_burst_within_3_db_of_full_scale_asks_for_a_range_swap(peak_fs, named):
    counts = np.zeros((100, 1))
    counts[50] = -peak_fs
    line = words.near_full_scale(SimpleNamespace(counts_fs=counts), 0, SimpleNamespace(span=(10, 90)))
    assert (line is not None) is named
    if line is not None:
        assert "within 1.9 dB" in line  # 20·lg 0.8
        assert "other_range" in line
