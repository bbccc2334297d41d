"""A tone that swells for a moment again and again, as music does: what dynamic headroom is measured with.

1 kHz, 20 ms at full level in every 500 ms, and 20 dB lower in between (IHF-A-202 of 1978 and CEA-490-A, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window, apply_ramps, checked_tone, joined, turned_rad
from audiomeas.units import SQRT2, db_to_amplitude_ratio

#: Of one swell, of the whole round, and of the level in between.
SWELL_S, ROUND_S, BETWEEN_BELOW_DB = 0.02, 0.5, 20.0
#: Rise from silence and fall to it, within the lower level.
RAMP_S = 0.005
#: Behind the last swell of each level the lower level goes on for so long.
AFTER_S = 0.05


@dataclass(frozen=True, kw_only=True)
class PulsedTone(JsonFacts):
    """Rounds of low level and swell, at one level after the other; each level begins from silence and ends in it.

    frequency_hz : with whole periods in the swell, so that levels change where the sine crosses zero.
    levels_v_rms : of the swells; per level of the series, one for each driven channel.   rounds : per level.
    markers_v : peak of the markers around it.   first : number of its first level in the search it belongs to.
    """

    kind: ClassVar[str] = "pulsed-tone"

    frequency_hz: float
    levels_v_rms: tuple[tuple[float, ...], ...]
    sample_rate_hz: float
    markers_v: float
    rounds: int = 3
    first: int = 0
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        if not self.levels_v_rms or self.rounds < 1:
            raise ValueError("a tone that swells needs a level and a round")
        if len(set(self.driven_channels)) != len(self.driven_channels) or not self.driven_channels:
            raise ValueError(f"a tone that swells can't drive channels {self.driven_channels}")
        for levels in self.levels_v_rms:
            if len(levels) != len(self.driven_channels):
                raise ValueError("each level of a tone that swells needs one for each driven channel")
            for level_v_rms in levels:
                checked_tone(self.frequency_hz, level_v_rms, self.sample_rate_hz)
        if not 0.0 < self.markers_v <= self.peak_v * (1.0 + 1e-9):
            raise ValueError("markers have a peak above zero, and none above the loudest swell's")

    @classmethod
    def joined(cls, series: Sequence[PulsedTone]) -> PulsedTone:
        """Return several, end to end, as one. Raises ValueError: nothing, or unlike."""
        alike = {(one.frequency_hz, one.sample_rate_hz, one.rounds, one.driven_channels) for one in series}
        if len(alike) != 1:
            raise ValueError("swells of different frequency, rate, rounds or channels make no series")
        levels = tuple(level for one in series for level in one.levels_v_rms)
        return replace(series[0], levels_v_rms=levels, markers_v=min(one.markers_v for one in series))

    def _frames_of(self, span_s: float) -> int:
        return round(span_s * self.sample_rate_hz)

    @property
    def _each_frames(self) -> int:
        return self.rounds * self._frames_of(ROUND_S) + self._frames_of(AFTER_S)

    @property
    def frames(self) -> int:
        """Length of all levels."""
        return len(self.levels_v_rms) * self._each_frames

    @property
    def level_v_rms(self) -> float:
        """Largest r.m.s. voltage of any swell."""
        return max(max(levels) for levels in self.levels_v_rms)

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.level_v_rms * SQRT2

    @property
    def markers_peak_v(self) -> float:
        """Peak voltage of the markers around it."""
        return self.markers_v

    def last_swell(self, number: int) -> tuple[int, int]:
        """Return first and end frame of the last swell of a level: the supply has been through the others by then."""
        stop = number * self._each_frames + self.rounds * self._frames_of(ROUND_S)
        return stop - self._frames_of(SWELL_S), stop

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return the first driven channel's samples, (frames,), in volts; of a span where one is asked for."""
        return self.channel_samples_v(self.driven_channels[0], span)

    def channel_samples_v(self, channel: int, span: range | None = None) -> FloatArray:
        """Return the samples of one driven channel, (frames,), in volts; of a span where one is asked for."""
        column, shape = self.driven_channels.index(channel), self._shape()

        def swells(number: int) -> tuple[int, int, Callable[[range], FloatArray]]:
            peak_v = SQRT2 * self.levels_v_rms[number][column]
            return number * len(shape), len(shape), lambda part: peak_v * shape[part.start : part.stop]

        numbers = range(len(self.levels_v_rms))
        return joined(map(swells, numbers), range(self.frames) if span is None else span)

    def _shape(self) -> FloatArray:
        """Return all rounds of a level of peak 1."""
        level = np.full(self._each_frames, db_to_amplitude_ratio(-BETWEEN_BELOW_DB))
        for number in range(self.rounds):
            stop = (number + 1) * self._frames_of(ROUND_S)
            level[stop - self._frames_of(SWELL_S) : stop] = 1.0
        # Phase counts from the first swell's beginning, so that every change falls on a crossing of zero.
        begin = self._frames_of(ROUND_S) - self._frames_of(SWELL_S)
        tone = np.sin(turned_rad(self.frequency_hz, len(level), self.sample_rate_hz, from_frame=-begin))
        return apply_ramps(level * tone, self._frames_of(RAMP_S))

    def windows(self) -> tuple[Window, ...]:
        """Return the last swell of each level; with the level of the loudest channel."""
        return tuple(
            Window(start=start, stop=stop, frequency_hz=self.frequency_hz, level_v_rms=max(levels))
            for (start, stop), levels in zip(
                map(self.last_swell, range(len(self.levels_v_rms))), self.levels_v_rms, strict=True
            )
        )


def whole_periods_hz(frequency_hz: float) -> float:
    """Return the nearest frequency with whole periods in a swell, and so in a round too."""
    return max(1, math.floor(frequency_hz * SWELL_S + 0.5)) / SWELL_S
