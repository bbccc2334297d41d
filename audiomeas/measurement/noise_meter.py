"""Readings that need the weighted signal: the quasi-peak meter of BS.468, and the average-responding one (ARM)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import TWO_SIDED_95

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: So long the needle rises from rest, at most half of a short capture: it is not read yet.
_RISE_S = 1.5
#: The needle is read over pieces of this length: their scatter tells that of the mean.
_PIECE_S = 0.5
#: The 2 kHz-referenced form (ARM) is the same curve, lower by its gain at 2 kHz (ITU-R BS.468-4: 5.6 dB).
_AT_HZ = 2000.0
#: What leaves the weighting lies below 30 kHz (above 24 kHz: 2e-5 of white noise's power): a rectifier sees the same
#: waveform in every n-th of its samples, as long as these come at this rate or faster.
_LEAST_RATE_HZ = 44_100.0


@dataclass(frozen=True, kw_only=True)
class MeterReading:
    """One channel, in the unit of its samples. quasi_peak : mean reading.   quasi_peak_highest : highest reading.

    quasi_peak_relative : 95 % half-width of the mean over it, from the scatter of pieces of half a second.
    arm : average-responding reading of the 2 kHz-referenced weighting.
    """

    quasi_peak: float
    quasi_peak_highest: float
    quasi_peak_relative: float
    arm: float


class Meter:
    """Weights blocks and reads both meters, in constant memory.

    The weighting starts from rest, and DC would be a step to it that outlasts quiet noise: the mean of the first block
    is taken off first.
    """

    def __init__(self, sample_rate_hz: float, channels: int, frames: int) -> None:
        """Begin. frames : of the whole capture."""
        import numpy as np

        from audiomeas.analysis.detectors import AverageOf, QuasiPeak
        from audiomeas.analysis.weighting import weighting
        from audiomeas.analysis.weighting_filters import WeightingFilter

        curve = weighting("itu_r_468")
        every = max(1, int(sample_rate_hz / _LEAST_RATE_HZ))
        self._weighted = WeightingFilter(curve, sample_rate_hz, channels, every=every)
        rate_hz = sample_rate_hz / every
        self._needle, self._average = QuasiPeak(rate_hz, channels), AverageOf(channels)
        self._arm_factor = 1.0 / math.sqrt(float(curve.power_gain(np.array([_AT_HZ]))[0]))
        self._skip = min(round(_RISE_S * rate_hz), frames // every // 2)
        self._pieces = _Pieces(max(1, round(_PIECE_S * rate_hz)), channels)
        self._rest: NDArray[Any] | None = None
        self._centred: NDArray[Any] | None = None

    def add(self, block: NDArray[Any]) -> None:
        """Add samples, (frames, channels)."""
        weighted = self._weighted.add(self._without_dc(block))
        if len(weighted) == 0:
            return
        self._average.add(weighted)
        reading = self._needle.add(weighted)
        rising = min(self._skip, len(reading))
        self._skip -= rising
        if rising < len(reading):
            self._pieces.add(reading[rising:])

    def _without_dc(self, block: NDArray[Any]) -> NDArray[Any]:
        """Return the block less the first one's mean, (frames, channels), in memory that the next one takes again."""
        import numpy as np

        if self._rest is None:
            self._rest = block.mean(axis=0)
        if self._centred is None or self._centred.shape != block.shape:
            self._centred = np.empty_like(block, dtype=np.float64)
        np.subtract(block, self._rest, out=self._centred)
        return self._centred

    def result(self) -> tuple[MeterReading, ...]:
        """Return each channel's readings."""
        means, highest, relative = self._pieces.result()
        arm = self._average.result() * self._arm_factor
        return tuple(
            MeterReading(
                quasi_peak=float(means[channel]),
                quasi_peak_highest=float(highest[channel]),
                quasi_peak_relative=float(relative[channel]),
                arm=float(arm[channel]),
            )
            for channel in range(len(arm))
        )


class _Pieces:
    """Mean and highest of a reading, and the mean of each piece."""

    def __init__(self, frames: int, channels: int) -> None:
        import numpy as np

        self._length, self._filled, self._frames = frames, 0, 0
        self._sum, self._total, self._highest = np.zeros(channels), np.zeros(channels), np.zeros(channels)
        self._means: list[Any] = []

    def add(self, reading: NDArray[Any]) -> None:
        """Add readings, (frames, channels)."""
        import numpy as np

        np.maximum(self._highest, np.max(reading, axis=0), out=self._highest)
        self._total += np.sum(reading, axis=0)
        self._frames += len(reading)
        place = 0
        while place < len(reading):
            take = min(self._length - self._filled, len(reading) - place)
            self._sum += np.sum(reading[place : place + take], axis=0)
            self._filled, place = self._filled + take, place + take
            if self._filled == self._length:
                self._means.append(self._sum / self._length)
                self._sum, self._filled = np.zeros_like(self._sum), 0

    def result(self) -> tuple[Any, Any, Any]:
        """Return mean, highest, and 95 % half-width of the mean over it: all (channels,)."""
        import numpy as np

        mean = self._total / max(self._frames, 1)
        if len(self._means) < 3:
            # Too short to see its scatter: a needle of some hundred milliseconds sways by 5 % on noise.
            return mean, self._highest, np.full(len(mean), 2.0 * 0.05)
        means = np.array(self._means)
        deviation = np.std(means, axis=0, ddof=1) / math.sqrt(len(means))
        # Few pieces tell their scatter poorly (Student's law: 1.96 grows by about 2.4/n).
        coverage = TWO_SIDED_95 + 2.4 / (len(means) - 1) * (1.0 + 2.0 / (len(means) - 1))
        relative = coverage * np.divide(deviation, mean, out=np.zeros_like(mean), where=mean > 0.0)
        return mean, self._highest, relative
