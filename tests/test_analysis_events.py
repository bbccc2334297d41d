"""Clicks and pops in noise: those put in are found, with time, peak and length; clean noise, hum and 1/f have none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2, poisson

from audiomeas.analysis.events import MOST_KEPT, Events, find_events
from audiomeas.analysis.noise_pass import NoisePass, pass_over
from audiomeas.errors import SignalError

RATE_HZ = 48_000.0
SECONDS = 10.0
FRAMES = 480_000
TIME_S = np.arange(FRAMES) / RATE_HZ
SIGMA = 1e-5


def noise(seed=1, frames=FRAMES):
    return SIGMA * np.random.default_rng(seed).standard_normal(frames)


def flicker(seed=1):
    """Noise that rises by 6 dB an octave below 2 kHz: it drifts by 40 sigmas of its white part."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(FRAMES))
    hz = np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
    hz[0] = hz[1]
    return SIGMA * np.fft.irfft(spectrum * np.sqrt(1 + (2000 / hz) ** 2), FRAMES)


def hum(level=30 * SIGMA):
    return sum(level / n * np.sin(2 * np.pi * 50.02 * n * TIME_S + n) for n in (1, 2, 3, 5, 8, 13))


def click(signal, at_s, peak, width_frames=6, rate=RATE_HZ):
    """Add a raised cosine: whole inside 20 kHz when it is six frames wide and more at 48 kHz."""
    at = round(at_s * rate)
    signal[at - width_frames : at + width_frames + 1] += (
        peak * 0.5 * (1 + np.cos(np.pi * np.arange(-width_frames, width_frames + 1) / (width_frames + 1)))
    )


def found_in(signal, rate=RATE_HZ, **rest):
    (found,) = find_events(signal[:, None], rate, **rest)
    return found


def test_clicks_are_told_with_time_peak_and_length():
    signal = noise()
    put_in = {0.5: 2e-4, 2.25: -4e-4, 5.0: 1e-3, 9.5: 3e-3}
    for at_s, peak in put_in.items():
        click(signal, at_s, peak)
    found = found_in(signal)
    assert found.count == len(put_in) == len(found.events)
    assert found.per_minute == pytest.approx(24.0)
    for event, (at_s, peak) in zip(found.events, put_in.items(), strict=True):
        # One frame beside the middle, where the noise may stand higher.
        assert event.time_s == pytest.approx(at_s, abs=2 / RATE_HZ)
        # The noise adds its own few sigmas; 20 kHz of 24 keep all but 2 % of such a click.
        assert event.peak_v == pytest.approx(abs(peak), abs=4 * SIGMA + 0.02 * abs(peak))
        assert 2 / RATE_HZ <= event.duration_s <= 0.002
        assert not event.is_pop
        assert event.sigmas > 7


@pytest.mark.parametrize("around", [hum, flicker], ids=["hum", "flicker"])
def test_clicks_below_what_lies_around_them_are_found(around):
    """Hum of 30 times the click's own noise, and drifting noise, hide it: 12 sigma against peaks of 40."""
    clean = around() if around is flicker else around() + noise()
    assert found_in(clean).count == 0
    signal = clean.copy()
    for at_s in (1.0, 4.4, 8.8):
        click(signal, at_s, 12 * SIGMA, 2)
    assert np.max(np.abs(clean)) > 12 * SIGMA
    found = found_in(signal)
    assert [event.time_s for event in found.events] == pytest.approx([1.0, 4.4, 8.8], abs=3 / RATE_HZ)
    for event in found.events:
        # Three of the standard deviations of what remains below it: 1 with hum taken out, 3 in drifting noise
        # above 20 Hz.
        assert event.peak_v == pytest.approx(12 * SIGMA, abs=10 * SIGMA if around is flicker else 4 * SIGMA)


def test_slow_pops_are_found_and_told_from_clicks():
    """A half sine of 10 ms, three sigmas high: no sample stands out, sixty-four together do (24 sigmas)."""
    signal = noise()
    signal[240_000:240_480] += 3 * SIGMA * np.sin(np.pi * np.arange(480) / 480)
    (event,) = found_in(signal).events
    assert event.is_pop
    assert event.time_s == pytest.approx(5.005, abs=0.006)
    assert 0.002 < event.duration_s < 0.03


@pytest.mark.parametrize("rate", [44_100.0, 96_000.0, 192_000.0])
def test_other_rates(rate):
    signal = noise(frames=round(3 * rate))
    click(signal, 1.5, 30 * SIGMA, width_frames=round(6 * rate / RATE_HZ), rate=rate)
    (event,) = found_in(signal, rate).events
    assert event.time_s == pytest.approx(1.5, abs=1e-4)
    assert event.peak_v == pytest.approx(30 * SIGMA, rel=0.2)


def crackling(seed=3, per_second=20):
    """A bad contact: clicks of either sign at random moments between 3 s and 5 s, at least 20 ms apart."""
    signal, generator = noise(seed), np.random.default_rng(seed)
    times = 3.0 + (np.arange(2 * per_second) + 0.5 * generator.random(2 * per_second)) / per_second
    for at_s in times:
        click(signal, at_s, float(generator.choice([-1, 1])) * SIGMA * generator.uniform(20, 60), 8)
    return signal, times


def test_crackle_is_counted_event_by_event():
    signal, times = crackling()
    found = found_in(signal)
    assert found.count == len(times)
    assert found.most_in_a_second == 20
    assert [event.time_s for event in found.events] == pytest.approx(list(times), abs=3 / RATE_HZ)


def test_the_count_goes_on_where_the_list_ends():
    """More events than are kept: the strongest stay, all are counted. (At even distances they were a tone.)"""
    frames = round(60 * RATE_HZ)
    signal = noise(frames=frames)
    places = np.arange(1200) * 2200 + np.random.default_rng(8).integers(1000, 2500, 1200)
    strong = 40 * SIGMA * (1 + (np.arange(1200) % 6 > 0))
    signal[places] += strong
    found = found_in(signal)
    assert found.count == 1200
    assert len(found.events) == MOST_KEPT
    assert sum(event.peak_v > 50 * SIGMA for event in found.events) == MOST_KEPT


def false_alarms(minutes, seed):
    """Events in so many minutes of clean Gaussian noise, by blocks of ten seconds."""
    generator = np.random.default_rng(seed)
    one = NoisePass(RATE_HZ, 1)
    for _ in range(minutes * 6):
        one.add(generator.standard_normal((FRAMES, 1)))
    (found,) = one.result()
    return found.events.count


def test_clean_noise_has_none_for_minutes():
    """The threshold gives 0.01 an hour; a share of the hour here, the rest behind the marker."""
    assert false_alarms(2, seed=11) == 0


@pytest.mark.wide
def test_clean_noise_has_none_for_an_hour():
    assert false_alarms(60, seed=12) <= 1


@pytest.mark.parametrize("frames", [2_000, 20_000, 100_003])
def test_the_ends_of_a_capture_feign_nothing(frames):
    """Hum, DC and noise that begin and end anywhere: 10 captures each."""
    total = 0
    for seed in range(10):
        start = seed * 1013
        signal = noise(seed, frames) + hum()[start : start + frames] + 1e-3
        total += found_in(signal).count
    assert total == 0


def test_blocks_of_any_length_find_the_same():
    signal, _ = crackling()
    both = np.stack([signal, noise(4)], axis=1)
    whole = find_events(both, RATE_HZ)
    cutter, one, at = np.random.default_rng(0), NoisePass(RATE_HZ, 2, frames=FRAMES), 0
    while at < FRAMES:
        size = int(cutter.integers(1, 50_000))
        one.add(both[at : at + size])
        at += size
    assert tuple(channel.events for channel in one.result()) == whole
    assert whole[1].count == 0


def test_gain_changes_levels_only():
    signal, _ = crackling()
    one, other = found_in(signal), found_in(-1e6 * signal + 3.0)
    assert other.count == one.count
    for here, there in zip(one.events, other.events, strict=True):
        assert there.time_s == here.time_s
        assert there.peak_v == pytest.approx(1e6 * here.peak_v, rel=1e-6)


def test_noise_that_swells_has_no_events():
    """Noise whose level doubles and halves within seconds is judged by what is around."""
    assert found_in(noise() * 2.0 ** np.sin(2 * np.pi * TIME_S / 3)).count == 0


def test_a_gated_capture_has_no_events_where_noise_sets_in():
    """Noise that is switched on and off: its beginning is noise as before."""
    for seed in range(5):
        signal = noise(seed)
        signal[100_000:250_000] = 0.0
        signal[400_000:401_000] = 0.0
        assert found_in(signal).count == 0
    assert found_in(np.zeros(FRAMES)).count == 0


@pytest.mark.parametrize("count", [0, 1, 2, 10, 500])
def test_the_interval_of_a_rate_is_garwoods(count):
    """Against scipy.stats: the ends are those of χ², and their tails those of the Poisson law itself."""
    events = Events(events=(), count=count, most_in_a_second=0, smallest_v=math.inf, duration_s=90.0, band_hz=(20, 2e4))
    low, high = (end * 90.0 / 60.0 for end in events.per_minute_interval)
    assert high == pytest.approx(chi2.ppf(0.975, 2 * count + 2) / 2, rel=1e-9)
    assert poisson.cdf(count, high) == pytest.approx(0.025, rel=1e-6)
    if count:
        assert low == pytest.approx(chi2.ppf(0.025, 2 * count) / 2, rel=1e-9)
        assert poisson.sf(count - 1, low) == pytest.approx(0.025, rel=1e-6)
    else:
        assert low == 0.0
        # 'Rule of three': 3.0 events at most where none was found, one-sided.
        assert events.per_minute_at_most * 90.0 / 60.0 == pytest.approx(-math.log(0.05), rel=1e-9)


def test_toggling_of_the_last_step_is_no_click():
    """An undithered converter that toggles once a second: one step, told apart by what the caller says is none."""
    step = 2.0**-15
    signal = np.zeros(FRAMES)
    signal[24_000::48_000] = step
    assert found_in(signal, least_v=3 * step).count == 0
    signal[200_000] = 100 * step
    (event,) = found_in(signal, least_v=3 * step).events
    assert event.time_s == pytest.approx(200_000 / RATE_HZ, abs=1e-4)


@pytest.mark.parametrize("signal", [np.zeros((100, 1)), np.full((48_000, 1), math.nan)])
def test_what_cannot_be_searched_is_refused(signal):
    with pytest.raises(SignalError):
        find_events(signal, RATE_HZ)
    with pytest.raises(SignalError):
        pass_over(signal, RATE_HZ)
