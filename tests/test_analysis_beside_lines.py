"""Blocks zeroed or swapped beside tones and waves are found; noise, hum, clipping and crossover are no alarm.

Truth: tones and waves in closed form, bent and damaged here with numpy; white noise 80 or 40 dB below. A block counts
where its energy is as improbable in noise as 8 standard deviations of a normal law.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from audiomeas.analysis.beside_lines import events_beside_lines, events_beside_tone, events_beside_wave

RATE_HZ = 48_000.0
FRAMES = 48_000
TIME_S = np.arange(FRAMES) / RATE_HZ
#: A step of 24 bits.
STEP = 1.0 / 8_388_608.0
PARTS = 8


def tone(hz, peak=1.0, turn=0.0):
    return peak * np.cos(2.0 * np.pi * hz * TIME_S + turn)


def many_tones(rng):
    bins = np.unique(np.rint(np.geomspace(20.0, 20_000.0, 31)))
    return sum(tone(hz, 0.05, rng.uniform(0.0, 2.0 * np.pi)) for hz in bins)


def square(_):
    return sum(tone(1000.0 * order, 0.5 / order, -np.pi / 2.0) for order in range(1, 20, 2))


def burst(_):
    return np.where(TIME_S * 16.0 % 1.0 < 0.125, 0.5, 0.05) * tone(1000.0)


def beside_lines(signal):
    return events_beside_lines(signal, resolution=STEP)


def beside_wave(repeats_hz):
    return lambda signal: events_beside_wave(signal, PARTS, repeats_hz / RATE_HZ, resolution=STEP)


#: what is played, and how it is looked at.
STEADY = {
    "low and high tone": (lambda rng: tone(60.0, 0.4) + tone(7000.0, 0.1, rng.uniform(0.0, 6.0)), beside_lines),
    "two near tones": (lambda rng: tone(19e3, 0.25) + tone(20e3, 0.25, rng.uniform(0.0, 6.0)), beside_lines),
    "many tones": (many_tones, beside_lines),
    "square wave": (square, beside_wave(1000.0)),
    "bursts": (burst, beside_wave(16.0)),
    "a tone between bins": (
        lambda rng: tone(997.3, 0.5, rng.uniform(0.0, 6.0)),
        lambda signal: events_beside_tone(signal, RATE_HZ, 997.3, resolution=STEP),
    ),
}
LAWS = (
    lambda x, rng: x,
    lambda x, rng: np.clip(x, -np.max(x) * rng.uniform(0.6, 1.0), np.max(x) * rng.uniform(0.6, 1.0)),
    lambda x, rng: x - np.clip(x, -0.01 * np.max(x), 0.01 * np.max(x)),
    lambda x, rng: np.max(x) * np.tanh(x / np.max(x)),
    lambda x, rng: x + tone(50.0, 1e-3) + tone(150.0, 3e-4),
)


def humming(signal, rng):
    """Return a signal with hum that is on no bin, of the mains' frequency as it wanders, 40 to 80 dB below a volt."""
    mains_hz, peak = 50.0 + rng.uniform(-0.5, 0.5), 10.0 ** rng.uniform(-4.0, -2.0)
    return signal + sum(tone(mains_hz * order, peak / order, rng.uniform(0.0, 6.0)) for order in (1, 2, 3, 5, 7))


def noisy(signal, rng):
    """Return a signal with its noise, and the noise's standard deviation."""
    sigma = float(np.sqrt(np.mean(signal**2))) * 10.0 ** (-rng.choice([80.0, 40.0]) / 20.0)
    return signal + sigma * rng.standard_normal(FRAMES), sigma


def damaged(signal, kind, sigma, rng):
    while True:
        frames = int(np.exp(rng.uniform(np.log(16.0), np.log(2000.0))))
        at = int(rng.integers(0, FRAMES - 2 * frames))
        changed = signal.copy()
        if kind == "zeroed":
            changed[at : at + frames] = 0.0
        else:
            changed[at : at + 2 * frames] = np.roll(signal[at : at + 2 * frames], frames)
        energy = float(np.sum(np.square((changed - signal) / sigma)))
        if scipy.stats.chi2.sf(energy, 2 * frames) < scipy.stats.norm.sf(8.0):
            return changed, slice(at, at + 2 * frames)


def is_found(name, kind, seed):
    rng = np.random.default_rng([seed, len(kind)])
    played, look = STEADY[name]
    signal, sigma = noisy(played(rng), rng)
    changed, where = damaged(signal, kind, 1.5 * sigma, rng)
    found = look(changed)
    # The piece whose energy stands out may begin a piece before the block.
    return found is not None and where.start - 600 <= found.frame <= where.stop + 600


def is_alarm(name, law, seed):
    rng = np.random.default_rng([seed, 7])
    played, look = STEADY[name]
    return look(noisy(LAWS[law](played(rng), rng), rng)[0]) is not None


@pytest.mark.parametrize("kind", ["zeroed", "swapped"])
@pytest.mark.parametrize("name", STEADY)
def test_damage_beside_what_is_steady_is_found(name, kind):
    assert is_found(name, kind, 0)


#: Many tones peak seldom, and what is sudden there passed for what a limiter does, once.
ONCE_MISSED = (("zeroed", 20), ("swapped", 5))


@pytest.mark.parametrize(("kind", "seed"), ONCE_MISSED)
def test_damage_where_many_tones_peak_is_found(kind, seed):
    assert is_found("many tones", kind, seed)


@pytest.mark.parametrize("law", range(len(LAWS)))
@pytest.mark.parametrize("name", STEADY)
def test_what_units_do_is_no_event(name, law):
    if name != "a tone between bins" or law in (0, 3):  # alone it has no bins to be taken away: `distortion` reads it
        assert not is_alarm(name, law, 0)


def test_it_is_told_how_large_the_event_is():
    signal = tone(60.0, 0.4) + tone(7000.0, 0.1)
    signal = signal + 1e-5 * np.random.default_rng(1).standard_normal(FRAMES)
    signal[20_000] += 0.01
    found = beside_lines(signal)
    assert found is not None
    assert found.frame == 20_000
    # Noise at that sample, and what the lines take of it: a line of 48,000 samples takes 1/24,000.
    assert found.peak == pytest.approx(0.01, abs=6e-5)


#: Once alarms: hum about as loud as the noise, whose harmonics peak together.
ONCE_ALARMS = (("bursts", 9), ("a tone between bins", 18))


def hum_alarms(name, seed):
    rng = np.random.default_rng([seed, 5])
    played, look = STEADY[name]
    return look(noisy(humming(played(rng), rng), rng)[0]) is not None


@pytest.mark.parametrize(("name", "seed"), ONCE_ALARMS)
def test_hum_is_no_event(name, seed):
    assert not hum_alarms(name, seed)


@pytest.mark.wide
@pytest.mark.parametrize("name", STEADY)
def test_of_a_hundred_hums_next_to_none_is_an_event(name):
    # Where its harmonics peak together in few pieces of noise of their own size, one of 150 was taken for one.
    assert sum(hum_alarms(name, seed) for seed in range(100)) <= 1


#: Long blocks of many tones, a twelfth of the window: lines and what is sudden are not told apart there, so many of a
#: hundred are missed.
MISSED = {("many tones", "swapped"): 2}


@pytest.mark.wide
@pytest.mark.parametrize("kind", ["zeroed", "swapped"])
@pytest.mark.parametrize("name", STEADY)
def test_a_hundred_damaged_windows_are_found(name, kind):
    assert sum(not is_found(name, kind, seed) for seed in range(100)) <= MISSED.get((name, kind), 0)


@pytest.mark.wide
@pytest.mark.parametrize("name", STEADY)
def test_a_hundred_sound_windows_raise_no_alarm(name):
    laws = (0, 3) if name == "a tone between bins" else range(len(LAWS))
    assert [(law, seed) for law in laws for seed in range(100 // len(laws)) if is_alarm(name, law, seed)] == []
