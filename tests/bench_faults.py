"""A card with a loop cable that misbehaves on purpose, block by block, behind the same seam as a sound card.

Plain numpy and scipy, so that a run takes half a second: delay, white noise, 24-bit codes.
"""

from __future__ import annotations

from contextlib import contextmanager

import numpy as np
import scipy.signal

from audiomeas.interface.protocol import InterfaceIdentity
from audiomeas.interface.transport import from_fractions, to_fractions

#: Frames in a block; a multiple of 160, the period of 48 kHz against 44.1 kHz.
BLOCK = 1440
#: Blocks from play to capture.
DELAY_BLOCKS = 2
#: r.m.s., full scale 1 peak: 114 dB below a full-scale sine in 20 kHz, as the shipped card.
NOISE_FS = 2e-6 * np.sqrt(24.0 / 20.0)


class FaultyLoop:
    """fault : function(block, frame, state) → block, on what is played, fractions of full scale.

    delivered : the same on what is captured, in the carrier dtype.   lose_at, replace_at : frame at which, in every
    stream, a block is lost, or replaced by the one before it.   resample : play goes through 44.1 kHz.
    """

    def __init__(self, *, fault=None, delivered=None, lose_at=None, replace_at=None, resample=False, seed=1):
        self.fault, self.delivered, self.resample = fault, delivered, resample
        self.lose_at, self.replace_at = lose_at, replace_at
        self.rng = np.random.default_rng(seed)
        self.loudest_fs = []

    identity = InterfaceIdentity(
        name="Simulated card", host_api="simulation", simulated=True, max_output_channels=2, max_input_channels=2
    )

    @contextmanager
    def stream(self, form, mover):
        assert form.block_frames == BLOCK
        silent = np.zeros((BLOCK, 2))
        # The second of the line is heard; those beside it are for the resampler's filter, one more is there to lose.
        line = [silent] * (DELAY_BLOCKS + 2)
        state, frame, more = {}, 0, True
        self.loudest_fs.append(0.0)
        while more:
            block = through_44100(line[:3]) if self.resample else line[1]
            heard = block + NOISE_FS * self.rng.standard_normal(block.shape)
            captured = from_fractions(np.clip(heard, -1.0, 1.0), form.sample_format)
            if self.delivered is not None:
                captured = self.delivered(captured, frame)
            to_play = np.zeros((BLOCK, 2), captured.dtype)
            more = mover.exchange(captured, to_play, ())
            played = to_fractions(to_play, form.sample_format)
            self.loudest_fs[-1] = max(self.loudest_fs[-1], float(np.max(np.abs(played))))
            if self.fault is not None:
                played = self.fault(played, frame, state)
            if self.replace_at is not None and frame <= self.replace_at < frame + BLOCK:
                played = line[-1]
            lost = self.lose_at is not None and frame <= self.lose_at < frame + BLOCK
            line = [*line[2 if lost else 1 :], played]
            frame += BLOCK
        yield


def through_44100(blocks):
    """Return the middle one of three blocks at 48 kHz after conversion to 44.1 kHz and back."""
    joined = np.concatenate(blocks)
    there = scipy.signal.resample_poly(joined, 147, 160, axis=0)
    return scipy.signal.resample_poly(there, 160, 147, axis=0)[BLOCK : 2 * BLOCK]


def level_fs(block):
    return float(np.sqrt(np.mean(np.square(block))))


def gain_control(block, frame, state):
    """Pulls loud passages down within a tenth of a second, and lets them up in seconds."""
    gain = state.get("gain", 1.0)
    if level_fs(block) * gain > 0.1:
        wanted, speed = 0.1 / level_fs(block), 0.3
    else:
        wanted, speed = 1.0, 0.01
    state["gain"] = gain + speed * (wanted - gain)
    return block * np.linspace(gain, state["gain"], len(block))[:, None]


def gate(block, frame, state):
    """Shuts below −70 dBFS."""
    return block * (1.0 if level_fs(block) > 10 ** (-70 / 20) / np.sqrt(2.0) else 1e-3)


def limiter(block, frame, state):
    """Holds peaks at −6 dBFS, at once and without memory of its own."""
    return np.clip(block, -0.5, 0.5)


def another_program(block, frame, state):
    """A tone that comes and goes, at most −40 dBFS."""
    time_s = (frame + np.arange(len(block))) / 48_000.0
    return block + (0.01 * np.sin(2 * np.pi * 440.0 * time_s) * np.sin(2 * np.pi * 2.0 * time_s) ** 2)[:, None]


def sixteen_bits(block, frame, state):
    return np.rint(block * 32767.0) / 32767.0
