"""Blocks lost, repeated, zeroed or swapped inside a tone or a sweep are found; clean captures raise no alarm.

Truth: damage made here with numpy, in captures of a chain in closed form (0.8 times the stimulus and white noise). A
swapped block counts where its energy is as improbable in noise as 8 standard deviations of a normal law.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
import scipy.stats

from audiomeas.errors import AudiomeasError
from audiomeas.interface.protocol import InterfaceIdentity, StreamFormat
from audiomeas.interface.transport import Capture, from_fractions
from audiomeas.measurement import registry
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.options import complete
from audiomeas.measurement.trust import align, look_for_breaks
from audiomeas.recording import Recording
from audiomeas.stimulus import Sine, Stimulus
from audiomeas.stimulus.marker import between_markers

RATE_HZ = 48_000.0
PEAK_FS, GAIN = 0.5, 0.8
FORM = StreamFormat(sample_rate_hz=RATE_HZ, output_channels=1, input_channels=1)
CARD = InterfaceIdentity(name="made", host_api="none", simulated=True, max_output_channels=1, max_input_channels=1)
#: Silence before the playlist, latency and all.
BEFORE = 1_000
LONGEST_BLOCK = 2_000
#: What is no alarm: said of the request, of quiet ends, of a frequency that a short low tone can't tell to 5 ppm.
NO_ALARM = ("no THD", "ppm off")


def _tone(rng: np.random.Generator) -> Sine:
    return Sine.bin_centred(
        frequency_hz=float(np.exp(rng.uniform(np.log(20.0), np.log(20_000.0)))),
        level_v_rms=PEAK_FS / np.sqrt(2.0),
        sample_rate_hz=RATE_HZ,
        window_s=1.0,
        settle_s=0.2,
        driven_channels=(1,),
    )


@lru_cache(maxsize=1)
def _sweep() -> Stimulus:
    word = registry.find("response")
    context = PlayContext(sample_rate_hz=RATE_HZ, channels=(1,), input_level_v_rms=PEAK_FS / np.sqrt(2.0))
    return word.stimulus(context, complete(word, {"duration_s": 1.0}))


def _damaged(signal: Any, kind: str, at: int, frames: int) -> Any:
    if kind == "lost":
        return np.delete(signal, slice(at, at + frames))
    if kind == "repeated":
        return np.insert(signal, at, signal[at : at + frames])
    changed = signal.copy()
    if kind == "zeroed":
        changed[at : at + frames] = 0.0
    else:
        changed[at : at + frames] = signal[at + frames : at + 2 * frames]
        changed[at + frames : at + 2 * frames] = signal[at : at + frames]
    return changed


def said_of(what: str, kind: str, snr_db: float, seed: int) -> list[str]:
    """Return what is said of a capture. what : tone or sweep.  kind : of damage, '' for none."""
    rng = np.random.default_rng([seed, round(snr_db)])
    stimulus = _tone(rng) if what == "tone" else _sweep()
    played = stimulus.samples_v()
    playlist = between_markers(played, RATE_HZ, marker_peak=PEAK_FS)
    clean = GAIN * np.concatenate([np.zeros(BEFORE), playlist.samples, np.zeros(24_000)])
    sigma = GAIN * PEAK_FS / np.sqrt(2.0) * 10.0 ** (-snr_db / 20.0)
    signal = clean + sigma * rng.standard_normal(len(clean))
    if kind:
        first = BEFORE + playlist.stimulus_start
        inside = stimulus.windows()[0] if what == "tone" else slice(2_400, len(played) - 2_400)
        least = 1 if kind in ("lost", "repeated") and snr_db >= 80.0 else 16
        for _ in range(10_000):
            frames = int(np.exp(rng.uniform(np.log(least), np.log(LONGEST_BLOCK))))
            at = first + int(rng.integers(inside.start, inside.stop - 2 * frames))
            found = _damaged(signal, kind, at, frames)
            both = slice(at, at + 2 * frames)
            energy = np.sum(np.square((found[both] - clean[both]) / sigma)) if kind == "swapped" else np.inf
            if scipy.stats.chi2.sf(energy, 2 * frames) < scipy.stats.norm.sf(8.0):
                break
        signal = np.pad(found, (0, LONGEST_BLOCK))[: len(clean)]
    samples = from_fractions(np.clip(signal, -1.0, 1.0)[:, None], FORM.sample_format)
    capture = Capture(samples=samples, form=FORM, identity=CARD, started_at=datetime(2026, 1, 1, tzinfo=UTC))
    return [line for line in _told(what, capture, stimulus, playlist) if not any(word in line for word in NO_ALARM)]


def _told(what: str, capture: Capture, stimulus: Stimulus, playlist: Any) -> list[str]:
    fractions = capture.fractions()
    word = registry.find("distortion" if what == "tone" else "response")
    try:
        aligned = align(capture, fractions, playlist, (1,))
        notes = look_for_breaks(capture, fractions, stimulus, aligned)
        recording = Recording(
            counts_fs=fractions,
            sample_rate_hz=RATE_HZ,
            channels=(1,),
            v_rms_at_full_scale=(1.0,),
            stimulus=stimulus,
            stimulus_start=aligned.stimulus_start,
            stimulus_in_volts=True,
            shared_clock=True,
            over_range=(0,),
            resolution_fs=1.0 / 8_388_607.0,
        )
        return [*notes, *word.analyse(recording, complete(word, {})).warnings]
    except AudiomeasError as error:
        return [str(error)]


KINDS = ("lost", "repeated", "zeroed", "swapped")
FOUND = [(what, kind) for what in ("tone", "sweep") for kind in KINDS]
#: Once missed: they are small beside the sweep, lie where it has just begun, hide in the noise, or are long.
ONCE_MISSED = (("swapped", 80.0, 26), ("swapped", 80.0, 27), ("swapped", 40.0, 857), ("zeroed", 40.0, 29))


@pytest.mark.parametrize("kind", KINDS)
def test_a_few_damaged_tones_are_found(kind: str) -> None:
    assert all(said_of("tone", kind, snr_db, seed) for snr_db in (80.0, 40.0) for seed in range(2))


@pytest.mark.parametrize(("kind", "snr_db", "seed"), ONCE_MISSED)
def test_damage_in_a_sweep_is_found(kind: str, snr_db: float, seed: int) -> None:
    assert said_of("sweep", kind, snr_db, seed)


def test_a_clean_tone_and_a_clean_sweep_are_clean() -> None:
    assert not said_of("tone", "", 40.0, 0)
    assert not said_of("sweep", "", 80.0, 0)


#: A block of ten whole periods of 1 kHz, which a tone alone can't show; it lies in the middle of the tone.
PERIODS_FRAMES, MIDDLE_FRAMES = 480, 24_000
WAYS = {
    "none: as much is lost as is repeated": "",
    "markers: lost": "480.0 frames were lost between the markers",
    "markers: repeated": "480.0 frames were inserted between the markers",
    "length": "the capture ended before the last marker arrived",
    "flags": "the driver reported 'input overflow' during the stimulus",
}


@pytest.mark.parametrize("way", WAYS)
def test_a_block_of_whole_periods_is_shown_by_markers_length_or_flags(way: str) -> None:
    stimulus = Sine.bin_centred(
        frequency_hz=1_000.0,
        level_v_rms=PEAK_FS / np.sqrt(2.0),
        sample_rate_hz=RATE_HZ,
        window_s=1.0,
        settle_s=0.2,
        driven_channels=(1,),
    )
    playlist = between_markers(stimulus.samples_v(), RATE_HZ, marker_peak=PEAK_FS)
    signal = GAIN * np.concatenate([np.zeros(BEFORE), playlist.samples, np.zeros(24_000)])
    signal += 1e-4 * GAIN * PEAK_FS * np.random.default_rng(1).standard_normal(len(signal))
    begin = BEFORE + playlist.stimulus_start
    at = begin + MIDDLE_FRAMES
    flags: tuple[tuple[int, str], ...] = ()
    if way == "markers: lost":
        signal = _damaged(signal, "lost", at, PERIODS_FRAMES)
    elif way == "markers: repeated":
        signal = _damaged(signal, "repeated", at, PERIODS_FRAMES)
    elif way == "length":
        signal = signal[: begin + stimulus.frames]
    else:
        later = at + 4 * PERIODS_FRAMES
        signal = _damaged(_damaged(signal, "repeated", later, PERIODS_FRAMES), "lost", at, PERIODS_FRAMES)
        flags = ((at, "input overflow"),) if way == "flags" else ()
    samples = from_fractions(signal[:, None], FORM.sample_format)
    started_at = datetime(2026, 1, 1, tzinfo=UTC)
    capture = Capture(samples=samples, form=FORM, identity=CARD, started_at=started_at, flags=flags)
    said = _told("tone", capture, stimulus, playlist)
    assert any(WAYS[way] in line for line in said) if WAYS[way] else said == []


@pytest.mark.wide
@pytest.mark.parametrize("snr_db", [80.0, 40.0])
@pytest.mark.parametrize(("what", "kind"), FOUND)
def test_a_thousand_damaged_captures_are_found(what: str, kind: str, snr_db: float) -> None:
    assert [seed for seed in range(1_000) if not said_of(what, kind, snr_db, seed)] == []


@pytest.mark.wide
@pytest.mark.parametrize("snr_db", [80.0, 40.0])
@pytest.mark.parametrize("what", ["tone", "sweep"])
def test_a_thousand_clean_captures_raise_no_alarm(what: str, snr_db: float) -> None:
    alarms = {seed: said for seed in range(1_000) if (said := said_of(what, "", snr_db, seed))}
    assert alarms == {}
