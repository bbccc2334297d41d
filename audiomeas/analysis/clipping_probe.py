"""How far up a unit stays clean, told by bursts of a tenth of a second that hold few periods of a low tone.

Below some 90 Hz such a burst is too short to be read as others are. It still tells whether it clips: one whole period
and more, in which harmonics are fitted beside a drift (coupling capacitors settle for longer than it lasts). So a
search knows how far up it may play bursts that are long enough to be measured, without one of them far above clipping.

Pure: a climb says what it wants (`next`), is handed what that told (`take`), and ends (`next` gives None).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.clipping_search import STEP_DB
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Harmonics that are fitted: what clips just so has the largest part of its distortion below.
_ORDERS = 10
#: Beside them: offset, slope and bend of what drifts.
_DRIFT_ORDERS = 3
#: Clean: less than this part of the distortion that is looked for.
_CLEAN_PART = 0.5
#: What is clean and what is not are told apart to this, dB.
_APART_DB = 0.5
#: A tone that comes back so much lower than its gain says has fallen, dB.
_FALLEN_DB = 3.0


@dataclass(frozen=True, kw_only=True)
class ProbeReading:
    """What one burst tells: peak of the fundamental, and power sum of the harmonics as a peak, in the signal's unit."""

    fundamental_v: float
    harmonics_v: float


def least_probe_s(frequency_hz: float) -> float:
    """Return the shortest part at full level that can be read, in seconds: one period, and so much to settle in."""
    return 1.5 / frequency_hz


def read_probe(signal_v: FloatArray, sample_rate_hz: float, frequency_hz: float) -> ProbeReading:
    """Read one channel of a burst.

    signal_v : (frames,), the part at full level; its last whole periods are read.
    Raises SignalError: shorter than `least_probe_s`, values that are no numbers.
    """
    periods = math.floor(len(signal_v) * frequency_hz / sample_rate_hz - 0.5 + 1e-9)
    if periods < 1 or not np.all(np.isfinite(signal_v)):
        raise SignalError(f"a burst of {frequency_hz:.4g} Hz needs {least_probe_s(frequency_hz):.3g} s of numbers")
    part = signal_v[-round(periods * sample_rate_hz / frequency_hz) :]
    place = np.linspace(-1.0, 1.0, len(part))
    turns = frequency_hz / sample_rate_hz * np.arange(len(part))
    angle = 2.0 * np.pi * np.multiply.outer(turns, np.arange(1, _ORDERS + 1))
    columns = np.hstack([np.cos(angle), np.sin(angle), place[:, None] ** np.arange(_DRIFT_ORDERS)])
    found = np.linalg.lstsq(columns, part, rcond=None)[0]
    lines = np.hypot(found[:_ORDERS], found[_ORDERS : 2 * _ORDERS])
    return ProbeReading(fundamental_v=float(lines[0]), harmonics_v=float(np.sqrt(np.sum(lines[1:] ** 2))))


class CleanClimb:
    """Finds the highest level at which each channel is still clean, to half a dB.

    first_input_v_rms, highest_input_v_rms : (channels,) as `ClippingSearch` has them; first 0.0: stays silent.
    ratio : THD that is looked for.
    """

    def __init__(
        self, first_input_v_rms: Sequence[float], highest_input_v_rms: Sequence[float], *, ratio: float
    ) -> None:
        pairs = zip(first_input_v_rms, highest_input_v_rms, strict=True)
        self._channels = [_Channel(first, highest, ratio) if first > 0.0 else None for first, highest in pairs]

    def next(self) -> tuple[float, ...] | None:
        """Return the level to play now at each input, V r.m.s.; None when all is known."""
        if all(one is None or one.is_known for one in self._channels):
            return None
        return tuple(0.0 if one is None else one.wanted_v_rms for one in self._channels)

    def take(self, readings: Sequence[ProbeReading | None]) -> int | None:
        """Take what the burst wanted last told, (channels,). Return which channel has fallen, if one has."""
        for index, (channel, reading) in enumerate(zip(self._channels, readings, strict=True)):
            if channel is not None and reading is not None and not channel.take(reading):
                return index
        return None

    @property
    def clean_v_rms(self) -> tuple[float, ...]:
        """The highest clean level at each input; 0.0 for silent channels."""
        return tuple(0.0 if one is None else one.clean_v_rms for one in self._channels)


@dataclass
class _Channel:
    """clean_v_rms : the highest level known to be clean.   distorted_v_rms : the lowest known not to be."""

    clean_v_rms: float
    highest_v_rms: float
    ratio: float
    distorted_v_rms: float = math.inf
    #: Harmonics of the first burst, in volts: hum, which does not grow with level.
    hum_v: float | None = None
    gain: float = 0.0

    @property
    def is_known(self) -> bool:
        if self.hum_v is None:
            return False
        if math.isfinite(self.distorted_v_rms):
            return 20.0 * math.log10(self.distorted_v_rms / self.clean_v_rms) <= _APART_DB
        return self.clean_v_rms >= self.highest_v_rms

    @property
    def wanted_v_rms(self) -> float:
        if self.hum_v is None or self.is_known:
            return self.clean_v_rms
        if math.isfinite(self.distorted_v_rms):
            return math.sqrt(self.clean_v_rms * self.distorted_v_rms)
        return float(min(self.clean_v_rms * 10.0 ** (STEP_DB / 20.0), self.highest_v_rms))

    def take(self, reading: ProbeReading) -> bool:
        """Take what the wanted level told; return whether the tone was there."""
        level_v_rms = self.wanted_v_rms
        gain = reading.fundamental_v / level_v_rms
        if gain < self.gain * 10.0 ** (-_FALLEN_DB / 20.0):
            return False
        if self.hum_v is None:
            self.hum_v, self.gain = reading.harmonics_v, gain
            return True
        grown_v = math.sqrt(max(reading.harmonics_v**2 - self.hum_v**2, 0.0))
        if grown_v >= _CLEAN_PART * self.ratio * reading.fundamental_v:
            self.distorted_v_rms = min(self.distorted_v_rms, level_v_rms)
        else:
            self.clean_v_rms, self.gain = max(self.clean_v_rms, level_v_rms), gain
        return True
