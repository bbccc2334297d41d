"""Stereo captures of staggered sweeps whose leakage is known in closed form, for the tests of crosstalk."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sweep_chains import Response, chain

from audiomeas.stimulus import StaggeredSweeps

RATE_HZ = 48_000.0
#: Silence before and after, as long as a session's: marker and quiet before, tail behind.
LEAD_S, TAIL_S = 0.41, 0.66
#: Full scale is 1 V peak: 0.65 V r.m.s. is 0.7 dB below.
LEVEL_V_RMS = 0.65
STEP_24_BIT = 2.0**-23
#: Two channels of an amplifier that are not quite alike.
OWN = (chain(1.6, 50_000.0, gain=0.9), chain(3.0, 40_000.0, gain=0.85))


def staggered(
    duration_s: float = 1.85, channels: tuple[int, ...] = (1, 2), level_v_rms: float = LEVEL_V_RMS
) -> StaggeredSweeps:
    return StaggeredSweeps.covering(
        from_hz=20.0,
        to_hz=20_000.0,
        sample_rate_hz=RATE_HZ,
        duration_s=duration_s,
        level_v_rms=level_v_rms,
        driven_channels=channels,
    )


def start_of(stimulus: StaggeredSweeps) -> int:
    return round(LEAD_S * stimulus.sample_rate_hz)


@lru_cache(maxsize=8)
def padded(stimulus: StaggeredSweeps, channel: int) -> NDArray[np.float64]:
    """Return what a channel plays, silence around it. The same call gives the same array: it can't be written to."""
    lead, tail = np.zeros(start_of(stimulus)), np.zeros(round(TAIL_S * RATE_HZ))
    driven = channel in stimulus.driven_channels
    sweeps = stimulus.channel_samples_v(channel) if driven else np.zeros(stimulus.frames)
    samples = np.concatenate([lead, sweeps, tail])
    samples.flags.writeable = False
    return samples


@lru_cache(maxsize=8)
def _output(stimulus: StaggeredSweeps, channel: int, own: Response) -> NDArray[np.float64]:
    samples = filtered(padded(stimulus, channel), own).copy()
    samples.flags.writeable = False
    return samples


def filtered(samples: NDArray[np.float64], response: Response) -> NDArray[np.float64]:
    """Return samples through a linear chain; four seconds of zeros let its slowest part ring out."""
    points = 1 << int(np.ceil(np.log2(len(samples) + 4 * RATE_HZ)))
    frequency_hz = np.fft.rfftfreq(points, 1.0 / RATE_HZ)
    return np.fft.irfft(np.fft.rfft(samples, points) * response(frequency_hz), points)[: len(samples)]


def capacitive(level_db: float, sign: float = 1.0) -> Response:
    """Return a leak of level_db at 1 kHz that rises by 6 dB an octave, 90 degrees ahead."""
    return lambda hz: sign * 10.0 ** (level_db / 20.0) * 1j * hz / 1000.0


def resistive(level_db: float, sign: float = 1.0) -> Response:
    return lambda hz: np.full(len(hz), sign * 10.0 ** (level_db / 20.0), dtype=np.complex128)


def stereo(stimulus: StaggeredSweeps, leak: Response | None, own: Any = OWN) -> list[NDArray[np.float64]]:
    """Return both captures. leak : from either output into the other, of the source's own output."""
    outputs = [_output(stimulus, channel, own[channel - 1]) for channel in (1, 2)]
    if leak is None:
        return outputs
    return [outputs[0] + filtered(outputs[1], leak), outputs[1] + filtered(outputs[0], leak)]


def dithered(samples: NDArray[np.float64], seed: int, step: float = STEP_24_BIT) -> NDArray[np.float64]:
    """Return samples rounded to a step with triangular dither of two steps."""
    generator = np.random.default_rng(seed)
    noise = generator.random(len(samples)) - generator.random(len(samples))
    return np.asarray(np.round(samples / step + noise) * step)
