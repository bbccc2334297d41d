"""What the tests of the simulation share: units and cards made on the spot, and a transform of their own."""

from __future__ import annotations

import numpy as np

from audiomeas.simulation.card import AttenuatorRange, CardModel
from audiomeas.simulation.engine import SignalPath
from audiomeas.simulation.unit import ChannelModel, UnitModel

RATES_HZ = (44_100.0, 48_000.0, 96_000.0, 192_000.0)


def unit(left=None, right=None, **rest):
    """A unit whose channels are perfect but for what is given; right: as left when left out."""
    left = ChannelModel(**(left or {}))
    right = left if right is None else ChannelModel(**right)
    return UnitModel(
        kind="power amplifier", maker="Demo", model="Test amplifier", serial="D-9999", channels=(left, right), **rest
    )


def card(**rest):
    """A perfect card (no noise, no coupling, exact crystal) but for what is given."""
    values = {
        "name": "Simulated card",
        "host_api": "simulation",
        "sample_rates_hz": RATES_HZ,
        "v_rms_at_full_scale_out": 2.0,
        "v_rms_at_full_scale_in": 2.0,
        "latency_frames": 1000,
        "ranges": (AttenuatorRange(name="direct", ratio=1.0), AttenuatorRange(name="50:1", ratio=50.0)),
    }
    return CardModel(**{**values, **rest})


def tone(frequency_hz, peak_v, rate_hz, frames):
    """A cosine, (frames,); its phase is reduced before the cosine, so that a late frame is as exact as an early one."""
    return peak_v * np.cos(2.0 * np.pi * np.remainder(np.arange(frames) * (frequency_hz / rate_hz), 1.0))


def through(unit_model, left_v, right_v=None, *, rate_hz, card_model=None, delay_frames=400, block=1024, **rest):
    """Volts at the converter of volts at the outputs, block by block, (frames, 2)."""
    path = SignalPath(unit_model, card_model or card(), sample_rate_hz=rate_hz, delay_frames=delay_frames, **rest)
    played = np.stack([left_v, np.zeros_like(left_v) if right_v is None else right_v], axis=1)
    return np.concatenate([path.process(played[start : start + block]) for start in range(0, len(played), block)])


def lines(volts, *, window):
    """Complex peak amplitudes, one a bin, of the last `window` frames: whole periods, so no window function."""
    spectrum = np.fft.rfft(volts[-window:]) / window
    return np.concatenate([spectrum[:1], 2.0 * spectrum[1:]])


def db(ratio):
    return 20.0 * np.log10(np.abs(ratio))
