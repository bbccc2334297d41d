"""Tapping: what happened to a tone, with which tap, and the picture that it makes.

Truth is in closed form: a sine whose level falls for a known time by a known amount, damped sines beside it, seeded
noise. Nothing of the simulation takes part.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from audiomeas.analysis.tapped import TapEvent, answers, watch_tapped
from audiomeas.diagnosis.evidence import Evidence, Measured
from audiomeas.diagnosis.judge import judge
from audiomeas.diagnosis.table import PICTURES
from audiomeas.errors import SignalError
from audiomeas.measurement import registry
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import result_from_json
from audiomeas.measurement.tapping import taps_s
from audiomeas.recording import Recording

RATE_HZ, TONE_HZ, LENGTH_S = 16_000.0, 1000.0, 22.0
TIME_S = np.arange(round(RATE_HZ * LENGTH_S)) / RATE_HZ
#: Blocks are 8 ms long and 4 ms apart: an event is placed, and measured, to a block either way.
BLOCK_S = 0.008


def tone(*falls, noise=1e-4, seed=1, drift_db=0.0):
    """Return a tone with a peak of 0.5. falls : (seconds, length in s, dB).  drift_db : over all of it."""
    level = 10.0 ** (drift_db * TIME_S / LENGTH_S / 20.0)
    for at_s, length_s, fall_db in falls:
        level = np.where((at_s <= TIME_S) & (at_s + length_s > TIME_S), level * 10.0 ** (-fall_db / 20.0), level)
    random = noise * np.random.default_rng(seed).standard_normal(len(TIME_S))
    return 0.5 * level * np.sin(2.0 * np.pi * TONE_HZ * TIME_S) + random


def ring(at_s, peak=0.05, hertz=340.0, decay_s=0.1):
    since_s = np.maximum(TIME_S - at_s, 0.0)
    return np.where(at_s <= TIME_S, peak * np.exp(-since_s / decay_s) * np.sin(2.0 * np.pi * hertz * since_s), 0.0)


def watched(samples):
    return watch_tapped(samples, RATE_HZ, frequency_hz=TONE_HZ)


@pytest.mark.parametrize(("length_s", "fall_db"), [(0.03, 0.5), (0.03, 6.0), (0.2, 1.0), (0.02, 30.0)])
def test_a_fall_of_the_level_is_placed_and_measured(length_s, fall_db):
    (event,) = watched(tone((8.0, length_s, fall_db))).events
    assert event.begin_s == pytest.approx(8.0, abs=BLOCK_S)
    assert event.length_s == pytest.approx(length_s, abs=2 * BLOCK_S)
    # Some block lies in it as a whole; noise of 1e-4 r.m.s. moves a block's level by 0.01 dB at 30 dB below.
    assert event.step_db == pytest.approx(-fall_db, abs=0.05)


@pytest.mark.parametrize(("resolution", "least_db"), [(None, 140.0), (2.0**-15, 90.3)])
def test_a_tone_that_has_gone_altogether_fell_by_what_can_be_told_at_least(resolution, least_db):
    """Zeros have no level in decibels. Half a step of 16 bit lies 20 lg(2¹⁵) dB below a peak of 0.5."""
    samples = np.where(np.abs(TIME_S - 8.0) < 0.05, 0.0, tone())
    found = watch_tapped(samples, RATE_HZ, frequency_hz=TONE_HZ, resolution=resolution)
    (event,) = found.events
    assert event.gone
    assert event.step_db == pytest.approx(-least_db, abs=0.05)
    assert min(found.course_db) == pytest.approx(-least_db, abs=0.05)
    assert not watched(tone((8.0, 0.03, 6.0))).events[0].gone


def test_blocks_of_a_high_tone_are_no_shorter():
    """Ten periods of 7 kHz would be told 1,600 times a second: minutes of it took gigabytes."""
    found = watch_tapped(0.5 * np.sin(2.0 * np.pi * 7000.0 * TIME_S), RATE_HZ, frequency_hz=7000.0)
    assert np.median(np.diff(found.course_s)) == pytest.approx(0.5 * BLOCK_S)
    assert not found.events


def test_what_rings_beside_the_tone_is_a_burst():
    (event,) = watched(tone() + ring(8.0)).events
    assert event.begin_s == pytest.approx(8.0, abs=BLOCK_S)
    # A damped sine of peak 0.05 over noise of 1e-4 r.m.s.: its first 8 ms have 0.05/√2, less what decays there (3 %)
    # and what of it the fit of the tone takes (340 Hz lies 5 bins away: under a tenth).
    assert event.burst_db == pytest.approx(20.0 * np.log10(0.05 / np.sqrt(2.0) / 1e-4), abs=1.0)
    # It is over where it has fallen to 10 dB above the noise: decay_s · ln(0.0354 / 3.16e-4).
    assert event.length_s == pytest.approx(0.1 * np.log(0.05 / np.sqrt(2.0) / (1e-4 * np.sqrt(10.0))), abs=0.06)


def test_a_step_that_stays_is_one_event_and_what_is_slow_is_none():
    found = watched(tone((8.0, LENGTH_S, 0.6)))
    assert len(found.events) == 1
    assert found.events[0].step_db == pytest.approx(-0.6, abs=0.05)
    assert not watched(tone(drift_db=3.0)).events
    # A dip by 0.2 dB within a tenth of a second is less than the trade's 0.3 dB, and has no edges.
    dip = 1.0 - 0.0228 * np.exp(-0.5 * ((TIME_S - 8.0) / 0.05) ** 2)
    assert not watched(dip * tone()).events


def test_a_burst_is_worth_a_word_where_it_could_be_heard():
    """A lead that is touched makes 0.03 % of the tone, 20 dB over a quiet chain's noise."""
    assert not watched(tone(noise=1e-5) + ring(8.0, peak=1.5e-4)).events
    assert len(watched(tone(noise=1e-5) + ring(8.0, peak=1.5e-3)).events) == 1


@pytest.mark.parametrize("seeds", [range(1), pytest.param(range(1, 200), marks=pytest.mark.wide)])
def test_noise_alone_makes_no_event(seeds):
    """5,500 blocks each, at 14 and at 54 dB: at 14 dB noise itself moves a block's level by more than 0.3 dB."""
    for seed in seeds:
        assert not watched(tone(noise=0.07, seed=seed)).events
        assert not watched(tone(noise=7e-4, seed=seed)).events


def test_hum_that_is_always_there_is_usual():
    hum = 0.02 * np.sin(2.0 * np.pi * 50.0 * TIME_S) + 0.01 * np.sin(2.0 * np.pi * 150.0 * TIME_S)
    assert not watched(tone() + hum).events


@pytest.mark.parametrize(
    ("samples", "said"),
    [
        (tone()[:16_000], "too short to tap"),
        (np.random.default_rng(2).standard_normal(len(TIME_S)), "no tone of 1000 Hz"),
        (np.zeros(len(TIME_S)), "no tone of 1000 Hz"),
    ],
)
def test_what_can_t_be_read_is_refused(samples, said):
    with pytest.raises(SignalError, match=said):
        watched(samples)


def test_an_event_came_with_the_tap_that_is_near():
    events = [TapEvent(begin_s=at_s, length_s=0.01, step_db=-1.0, burst_db=0.0) for at_s in (4.6, 9.5, 9.7, 12.0)]
    found = answers(events, [5.0, 10.0, 15.0], 0.75)
    assert found.tap_of == (0, 1, 1, None)
    assert (found.answered, found.elsewhere) == (2, 1)
    assert answers([], [5.0], 0.75).answered == 0


def test_taps_are_asked_for_as_long_as_they_can_be_seen():
    assert taps_s(0.0, 22.0, 5.0) == [5.0, 10.0, 15.0, 20.0]
    assert taps_s(0.6, 21.9, 5.0) == [5.0, 10.0, 15.0]
    assert taps_s(4.5, 22.0, 5.0) == [10.0, 15.0, 20.0]  # no tap comes before its tone
    assert taps_s(0.0, 6.0, 5.0) == []


def test_times_are_those_of_the_capture():
    (event,) = watch_tapped(tone((8.0, 0.03, 3.0)), RATE_HZ, frequency_hz=TONE_HZ, begin_s=0.6).events
    assert event.begin_s == pytest.approx(8.6, abs=BLOCK_S)


def result_of(*samples, every_s=5.0):
    measurement = registry.find("tapping")
    recording = Recording(
        counts_fs=np.stack(samples, axis=1),
        sample_rate_hz=RATE_HZ,
        channels=tuple(range(1, len(samples) + 1)),
        v_rms_at_full_scale=(2.0,) * len(samples),
    )
    return measurement.analyse(recording, complete(measurement, {"every_s": every_s}))


def told_of(result):
    stored = result_from_json(json.loads(json.dumps(result.as_json())))
    evidence = Evidence(kind="preamplifier", steps=(Measured(step="Tapping", result=stored),))
    (picture,) = (one for one in PICTURES if one.name == "answers-taps")
    return judge(evidence, [picture])[0].holds


LOOSE = tone((5.2, 0.05, 3.0), (9.9, 0.02, 8.0), (20.1, 0.1, 1.0))


def test_the_result_says_what_came_with_taps_and_the_picture_is_told():
    result = result_of(LOOSE, tone(seed=2))
    first, second = result.channels
    assert (first.values["taps"], first.values["taps_answered"], first.values["events_elsewhere"]) == (4, 3, 0)
    assert [(row["tap"], row["at_s"]) for row in first.values["event_list"]] == [
        (1, pytest.approx(5.2, abs=BLOCK_S)),
        (2, pytest.approx(9.9, abs=BLOCK_S)),
        (4, pytest.approx(20.1, abs=BLOCK_S)),
    ]
    assert first.values["largest_step_db"] == pytest.approx(8.0, abs=0.05)
    assert first.values["level_v_rms"] == pytest.approx(0.5 * 2.0, rel=1e-3)  # full scale is a sine of 2 V r.m.s.
    assert min(first.values["course_db"]) == pytest.approx(-8.0, abs=0.05)  # what is short stays to be seen
    assert second.values["taps_answered"] == 0
    assert second.values["near_taps_percent"] is None
    assert not result.warnings
    assert told_of(result) == "yes"
    assert told_of(result_of(tone())) == "no"


def test_a_level_that_was_nothing_is_a_bound():
    result = result_of(np.where(np.abs(TIME_S - 5.0) < 0.05, 0.0, tone()))
    (channel,) = result.channels
    assert channel.bound["largest_step_db"] == "at least"
    assert "largest_step_db" not in channel.uncertainty
    _, events = registry.find("tapping").tables(result)
    assert [row[2] for row in events.rows] == ["at most −140"]


def test_what_comes_by_itself_is_said_and_is_no_picture_of_taps():
    by_itself = tone((3.0, 0.05, 3.0), (5.1, 0.05, 3.0), (7.5, 0.05, 3.0), (9.8, 0.05, 3.0), (12.5, 0.05, 3.0))
    result = result_of(by_itself)
    assert result.channels[0].values["events_elsewhere"] == 3
    assert "3 events came with no tap" in result.warnings[0]
    assert told_of(result) == "no"


def test_tables_and_charts_show_it():
    result = result_of(LOOSE)
    measurement = registry.find("tapping")
    figures, events = measurement.tables(result)
    assert ("taps that something came with", "", 3) in [tuple(row[:3]) for row in figures.rows]
    assert len(events.rows) == 3
    (chart,) = measurement.charts(result)
    assert list(chart.series[-1].x) == [5.0, 10.0, 15.0, 20.0]
