"""Bursts against their own formulas: levels per channel, phase at the join, silence, joining, facts."""

from __future__ import annotations

import json

import numpy as np
import pytest

from audiomeas.errors import RequestError
from audiomeas.stimulus import BurstSeries, played_samples_v, read_stimulus
from audiomeas.stimulus.marker import marker_peak_v

RATE_HZ = 48_000.0


def bursts(*levels, **rest):
    facts = {
        "frequency_hz": 1000.0,
        "levels_v_rms": levels,
        "durations_s": (0.1,) * len(levels),
        "sample_rate_hz": RATE_HZ,
    }
    return BurstSeries(**{**facts, **rest})


def test_each_channel_has_its_own_level_and_the_quiet_tone_follows_in_phase_20_db_below():
    series = bursts((1.0, 0.5), (2.0, 0.0))
    both = played_samples_v(series)
    assert both.shape == (series.frames, 2)
    for burst, levels in enumerate(series.levels_v_rms):
        for (start, stop), part in ((series.loud_span(burst), 1.0), (series.quiet_span(burst), 0.1)):
            found = np.sqrt(np.mean(both[start:stop] ** 2, axis=0))
            # Whole periods of 48 frames but for the last few: within their share of the mean square.
            assert found == pytest.approx(part * np.array(levels), rel=0.02)
    (_, ends), (quiet, _) = series.loud_span(0), series.quiet_span(0)
    assert ends == quiet
    # 100 whole periods: the sine crosses zero there, and the step of level makes no step of voltage.
    steepest = 2 * np.pi * 1000 / RATE_HZ * series.peak_v
    assert np.max(np.abs(np.diff(both[:, 0]))) <= steepest * 1.001
    assert abs(both[ends, 0]) < 1e-9
    assert np.all(both[series.frames - round(0.04 * RATE_HZ) :] == 0.0)  # mute behind each burst
    assert (series.level_v_rms, series.peak_v) == (2.0, pytest.approx(2.0 * np.sqrt(2.0)))


def test_joined_bursts_are_their_samples_end_to_end():
    one, two = bursts((1.0, 0.5), first=0), bursts((0.7,), first=1, driven_channels=(2,), markers_v=0.1)
    joined = BurstSeries.joined([one, two])
    assert joined.levels_v_rms == ((1.0, 0.5), (0.0, 0.7))
    silent = np.zeros(two.frames)
    assert np.array_equal(joined.channel_samples_v(1), np.concatenate([one.channel_samples_v(1), silent]))
    assert np.array_equal(joined.channel_samples_v(2), np.concatenate([one.channel_samples_v(2), two.samples_v()]))
    with pytest.raises(ValueError, match="make no series"):
        BurstSeries.joined([one, bursts((1.0, 1.0), frequency_hz=997.0)])


def test_markers_are_as_quiet_as_they_are_said_to_be():
    assert marker_peak_v(bursts((1.0, 1.0), markers_v=0.05)) == 0.05
    assert marker_peak_v(bursts((1.0, 1.0))) == pytest.approx(np.sqrt(2.0))
    with pytest.raises(ValueError, match="none above the loudest"):
        bursts((1.0, 1.0), markers_v=2.0)


def test_facts_make_the_same_bursts_again():
    series = bursts((1.0, 0.5), (2.0, 0.0), quiet_s=0.0)
    again = read_stimulus(json.loads(json.dumps(series.facts())))
    assert again == series
    assert np.array_equal(played_samples_v(again), played_samples_v(series))
    assert len(again.windows()) == 2  # without a quiet tone there is none to be looked at


@pytest.mark.parametrize(
    "wrong",
    [
        {"levels_v_rms": ((1.0,),)},
        {"levels_v_rms": ((0.0, 0.0),)},
        {"levels_v_rms": ((-1.0, 1.0),)},
        {"durations_s": (0.2,)},
        {"durations_s": (0.1, 0.1)},
        {"quiet_s": float("nan")},
        {"frequency_hz": 30_000.0},
        {"driven_channels": (1, 1)},
    ],
    ids=str,
)
def test_what_can_not_be_played_is_refused(wrong):
    facts = {**bursts((1.0, 1.0)).facts(), **wrong}
    with pytest.raises(RequestError, match="these facts make no burst"):
        read_stimulus(json.loads(json.dumps(facts)))
