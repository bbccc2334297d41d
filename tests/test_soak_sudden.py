"""Blocks that changed places in a second of a soak are told, whatever is played; what clean units do is not.

Truth: damage made here with numpy, in captures of a known chain, as `test_damage_found` makes it. A swapped block
counts where the energy of its difference is as improbable in noise as 8 standard deviations of a normal law.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
import scipy.stats
from soak_benches import quick_session
from test_soak import SOAK_STREAM, UNIT, kinds, soaked

from audiomeas.analysis.programme_second import CONTEXT_S, read_programme_second
from audiomeas.analysis.sudden_second import sudden_beside_tone
from audiomeas.analysis.watchman import Moment, Watchman
from audiomeas.plan.soak import soak_on
from audiomeas.plan.soak_request import SoakRequest
from audiomeas.record.soak_log import LOG_FILE, read_log
from audiomeas.record.unit_folder import unit_meant
from audiomeas.stimulus.pink_noise import PinkNoise

RATE_HZ = 48_000
#: A second, and what is needed around it.
EDGE = round(CONTEXT_S * RATE_HZ)
FRAMES = RATE_HZ + 2 * EDGE
TIME_S = np.arange(FRAMES) / RATE_HZ
LONGEST_BLOCK = 2_000


def swapped(signal, at, frames):
    changed = signal.copy()
    changed[at : at + frames] = signal[at + frames : at + 2 * frames]
    changed[at + frames : at + 2 * frames] = signal[at : at + frames]
    return changed


def damaged(rng, clean, signal, sigma):
    """Swap two blocks of 16 frames or more, where noise of sigma would hide it in 1 of 1e15 cases or fewer."""
    while True:
        frames = int(np.exp(rng.uniform(np.log(16), np.log(LONGEST_BLOCK))))
        at = EDGE + int(rng.integers(0, RATE_HZ - 2 * frames))
        found = swapped(signal, at, frames)
        energy = np.sum(np.square((found - clean)[at : at + 2 * frames] / sigma))
        if scipy.stats.chi2.sf(energy, 2 * frames) < scipy.stats.norm.sf(8.0):
            return found


def beside(rng, rms, frames=FRAMES, rate_hz=RATE_HZ):
    """Hum of a mains that is off by up to 0.1 Hz, and rumble below 30 Hz, each 40 to 100 dB down."""
    time_s = np.arange(frames) / rate_hz
    mains_hz, hum = 50.0 + rng.uniform(-0.1, 0.1), rms * 10.0 ** rng.uniform(-5.0, -2.0)
    found = np.zeros(frames)
    for order in range(1, 11):
        found += (
            hum / order ** rng.uniform(0.5, 2.0) * np.sin(2.0 * np.pi * mains_hz * order * time_s + rng.uniform(0, 7))
        )
    low = scipy.signal.butter(4, 30.0, fs=rate_hz, output="sos")
    rumble = scipy.signal.sosfilt(low, rng.standard_normal(frames + rate_hz))[rate_hz:]
    return found + rms * 10.0 ** rng.uniform(-5.0, -2.0) * rumble / np.std(rumble)


def tone_second(seed, snr_db):
    """Return frequency, clean signal and noisy one: clocks 100 ppm apart, gain on its way, harmonics, hum, rumble."""
    rng = np.random.default_rng([seed, snr_db])
    frequency_hz = float(round(np.exp(rng.uniform(np.log(30.0), np.log(10_000.0)))))
    hz, rms = frequency_hz * (1.0 + 1e-4 * rng.uniform(-1, 1)), 0.35
    drift = 1.0 + rng.uniform(-1e-3, 1e-3) * TIME_S
    clean = math.sqrt(2.0) * rms * drift * np.sin(2.0 * np.pi * hz * TIME_S + rng.uniform(0, 7))
    for order in range(2, 6):
        if order * hz < 0.48 * RATE_HZ:
            size = rms * 10.0 ** rng.uniform(-5.0, -2.0)
            clean += size * np.sin(2.0 * np.pi * order * hz * TIME_S + rng.uniform(0, 7))
    clean += beside(rng, rms)
    sigma = rms * 10.0 ** (-snr_db / 20.0)
    return rng, frequency_hz, clean, clean + sigma * rng.standard_normal(FRAMES), sigma


def in_tone(signal, frequency_hz):
    return sudden_beside_tone(signal, RATE_HZ, frequency_hz, 50.0, resolution=2.0**-23)


def tone_cases(seeds, snr_db):
    """Return the seeds of alarms in clean tones, and of swapped blocks that are not found."""
    alarms, missed = [], []
    for seed in seeds:
        rng, hz, clean, signal, sigma = tone_second(seed, snr_db)
        alarms += [seed] if in_tone(signal, hz) else []
        missed += [] if in_tone(damaged(rng, clean, signal, sigma), hz) else [seed]
    return alarms, missed


_PINK = PinkNoise(sample_rate_hz=float(RATE_HZ), seed=1, crest_db=12.0)


def pink_second(seed, snr_db):
    """Return source, clean capture and noisy one: a coupling capacitor, hum, rumble, harmonics 100 to 50 dB down."""
    rng = np.random.default_rng([seed, snr_db, 1])
    at = int(rng.integers(RATE_HZ, len(_PINK.period) - FRAMES))
    source = _PINK.period[at - RATE_HZ : at + FRAMES]
    high = scipy.signal.butter(1, rng.uniform(1.0, 10.0), "high", fs=RATE_HZ, output="sos")
    clean = scipy.signal.sosfilt(high, source)
    square, cube = 10.0 ** rng.uniform(-5.0, -2.5, 2) / 4.0
    clean = (clean + square * clean**2 + cube * clean**3 / 4.0)[RATE_HZ:] + beside(rng, 0.1)
    sigma = 10.0 ** (-snr_db / 20.0)
    return rng, source[RATE_HZ:], clean, clean + sigma * rng.standard_normal(FRAMES), sigma


def pink_cases(seeds, snr_db):
    alarms, missed = [], []
    for seed in seeds:
        rng, source, clean, signal, sigma = pink_second(seed, snr_db)
        read = read_programme_second(signal, source, RATE_HZ, mains_hz=50.0)
        alarms += [seed] if read.sudden else []
        # What the unit adds hides as noise does.
        torn = damaged(rng, clean, signal, max(sigma, read.remainder_rms))
        missed += [] if read_programme_second(torn, source, RATE_HZ, mains_hz=50.0).sudden else [seed]
    return alarms, missed


@pytest.mark.parametrize("snr_db", [80, 40])
def test_swapped_blocks_of_a_tone_are_found_and_clean_ones_are_clean(snr_db):
    assert tone_cases(range(3), snr_db) == ([], [])


@pytest.mark.parametrize("snr_db", [80, 50])
def test_swapped_blocks_of_pink_noise_are_found_and_clean_ones_are_clean(snr_db):
    assert pink_cases(range(2), snr_db) == ([], [])


@pytest.mark.wide
@pytest.mark.parametrize("snr_db", [80, 40])
def test_of_500_tones_at_most_one_block_is_missed_and_none_is_an_alarm(snr_db):
    alarms, missed = tone_cases(range(500), snr_db)
    assert alarms == []
    # Below 100 Hz half of the band lies in notches of tone and mains: one block of 18 frames, just rare enough, hid.
    assert len(missed) <= 1


@pytest.mark.wide
@pytest.mark.parametrize("snr_db", [80, 50])
def test_of_300_seconds_of_pink_noise_no_block_is_missed_and_none_is_an_alarm(snr_db):
    assert pink_cases(range(300), snr_db) == ([], [])


def test_a_click_is_told_when_nothing_else_explains_it():
    def moments(*click_at, **others):
        steady = {number: Moment(level_db=0.0) for number in range(12)}
        return [
            others.get(
                f"s{number}", Moment(level_db=0.0, sudden_db=-20.0, sudden_ago_s=0.5) if number in click_at else one
            )
            for number, one in steady.items()
        ]

    def told(seconds):
        watchman = Watchman()
        found = [(number, one) for number, moment in enumerate(seconds) for one in watchman.see(moment)]
        return [(number, one.kind) for number, one in found] + [("end", one.kind) for one in watchman.end()]

    assert told(moments(5)) == [(7, "click")]
    assert told(moments(10)) == [("end", "click")]
    # A step begins with a click, and is told in its second second.
    stepped = {f"s{number}": Moment(level_db=0.5) for number in range(6, 12)}
    assert told(moments(5, **stepped)) == [(7, "level step")]


class Swaps:
    """Two blocks of so many frames change places, so long after the beginning of the soak's stream."""

    def __init__(self, at_s, frames, rate_hz=16_000):
        self._at, self._frames = round(at_s * rate_hz), frames

    def __call__(self, samples, frame, stream):
        at = self._at - frame
        inside = stream == SOAK_STREAM and 0 <= at <= len(samples) - 2 * self._frames
        return np.stack([swapped(one, at, self._frames) for one in samples.T], axis=1) if inside else samples


def test_a_soak_tells_two_blocks_that_changed_places(tmp_path):
    """Also across the border of two seconds, which lies between them here."""
    frames = 990
    outcome, lines = soaked(tmp_path, seconds=8.0, befalls=Swaps(8.0 - frames / 16_000, frames))
    assert set(kinds(lines)) == {"click"}
    assert {one["channel"] for one in lines if one["line"] == "event"} == {1, 2}
    assert "changed places" in next(one["words"] for one in lines if one["line"] == "event")
    events = next(row for row in outcome.verdicts if row.quantity == "events")
    assert (events.value, events.verdict) == (0.0, "undecided")


class Clean:
    """What a clean unit adds to what is played: hum, rumble, noise, some distortion, a gain that drifts."""

    def __init__(self, rng, rate_hz):
        self._rng, self._rate_hz = rng, rate_hz
        self._hum = 1e-3 * 10.0 ** rng.uniform(-3.0, 0.0, 10) / np.arange(1, 11)
        self._mains_hz = 50.0 + rng.uniform(-0.1, 0.1)
        self._noise, self._square = 10.0 ** rng.uniform(-6.0, -4.0), 10.0 ** rng.uniform(-5.0, -2.5)
        self._drift_db_a_s = rng.uniform(-0.01, 0.01)
        self._low = scipy.signal.butter(4, 30.0, fs=rate_hz, output="sos")
        self._state = np.zeros((2, 2, 2))
        self._rumble = 10.0 ** rng.uniform(-5.0, -3.0)

    def __call__(self, samples, frame, stream):
        if stream != SOAK_STREAM:  # beside the quiet first look hum would be gain
            return samples
        time_s = (frame + np.arange(len(samples))) / self._rate_hz
        white = self._rng.standard_normal(samples.shape)
        rumble, self._state = scipy.signal.sosfilt(self._low, white, axis=0, zi=self._state)
        hum = sum(size * np.sin(2.0 * np.pi * self._mains_hz * n * time_s) for n, size in enumerate(self._hum, 1))
        gain = 10.0 ** (self._drift_db_a_s * time_s / 20.0)
        found = samples * gain[:, None] + self._square * samples**2
        noise = self._noise * self._rng.standard_normal(samples.shape)
        return found + hum[:, None] + self._rumble * rumble + noise


@pytest.mark.wide
@pytest.mark.parametrize("seed", range(100))
def test_of_100_clean_soaks_none_has_an_event(tmp_path, seed):
    rng = np.random.default_rng([seed, 20261126])
    rate_hz = int(rng.choice([16_000, 48_000]))
    session, _ = quick_session(tmp_path, rate_hz=rate_hz, befalls=Clean(rng, rate_hz))
    sound = "pink" if seed % 2 else "tone"
    frequency_hz = float(round(np.exp(rng.uniform(np.log(30.0), np.log(0.4 * rate_hz if rate_hz < 2e4 else 1e4)))))
    tone = {} if seed % 2 else {"frequency_hz": frequency_hz}
    request = SoakRequest(hours=20.0 / 3600.0, input_level="0.1 V", spot_minutes=0.0, sound=sound, **tone)
    unit = unit_meant(tmp_path / "records", UNIT)
    outcome = soak_on(session, request, unit=unit, records=tmp_path / "records")
    events = [one for one in read_log(outcome.visit.step("Soak").folder / LOG_FILE) if one["line"] == "event"]
    assert events == []
