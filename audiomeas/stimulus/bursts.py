"""Bursts of a sine at several levels, each with a quiet tone behind it: what a search for clipping plays.

A search plays them one by one, each a capture of its own, and chooses each by what the one before has told. Joined they
are one series: its samples are those of its bursts, end to end, so that one analysis serves both.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Self

import numpy as np

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window, apply_ramps, checked_tone, joined, turned_rad
from audiomeas.stimulus.sines import bin_centred_hz
from audiomeas.units import SQRT2, db_to_amplitude_ratio

#: Raised-cosine rise of a burst, and fall of the quiet tone: part of their durations.
RAMP_S = 0.005
#: Silence after each burst: supply and protection circuits come to rest.
MUTE_S = 0.05
#: How far the quiet tone lies below its burst.
QUIET_BELOW_DB = 20.0
#: No burst lasts longer, unless its tone is too low to be read in it: nothing is kept beyond its limits.
LONGEST_BURST_S = 0.1
#: A burst of a low tone has so many periods: its reading needs eight, and capacitors have settled by its middle.
LOW_PERIODS = 12


def longest_burst_s(frequency_hz: float) -> float:
    """Return the longest that a burst may last at a frequency, in seconds."""
    return max(LONGEST_BURST_S, LOW_PERIODS / frequency_hz)


@dataclass(frozen=True, kw_only=True)
class BurstSeries(JsonFacts):
    """Bursts in order. Each rises, stands, and goes over into the quiet tone without a pause, in phase.

    frequency_hz : as played; with whole periods in a burst (`bin_centred_hz`) it ends where the sine crosses zero.
    levels_v_rms : per burst, one level per driven channel; 0: that channel is silent.
    durations_s : per burst, its rise included, its quiet tone not.   quiet_s : of the quiet tone; 0: there is none.
    markers_v : peak of the markers around it; None: that of the loudest burst.
    first : number of the first burst in the search that it belongs to, from 0.
    """

    kind: ClassVar[str] = "burst"

    frequency_hz: float
    levels_v_rms: tuple[tuple[float, ...], ...]
    durations_s: tuple[float, ...]
    sample_rate_hz: float
    quiet_s: float = 0.2
    markers_v: float | None = None
    first: int = 0
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        if not self.levels_v_rms or len(self.levels_v_rms) != len(self.durations_s):
            raise ValueError("bursts need levels and a duration each")
        if len(set(self.driven_channels)) != len(self.driven_channels) or not self.driven_channels:
            raise ValueError(f"bursts can't drive channels {self.driven_channels}")
        for levels in self.levels_v_rms:
            if len(levels) != len(self.driven_channels) or not any(levels):
                raise ValueError("each burst needs one level per driven channel, one of them above zero")
            for level_v_rms in levels:
                if level_v_rms != 0.0:
                    checked_tone(self.frequency_hz, level_v_rms, self.sample_rate_hz)
        longest_s = longest_burst_s(self.frequency_hz)
        for duration_s in self.durations_s:
            # A frame more: where whole periods were rounded to frames.
            if not 2.0 * RAMP_S <= duration_s <= longest_s + 1.0 / self.sample_rate_hz:
                raise ValueError(f"a burst lasts {2.0 * RAMP_S:g} to {longest_s:g} s, not {duration_s:g} s")
        if not (math.isfinite(self.quiet_s) and (self.quiet_s == 0.0 or RAMP_S <= self.quiet_s <= 10.0)):
            raise ValueError(f"a quiet tone lasts {RAMP_S:g} to 10 s, not {self.quiet_s:g} s; 0 for none")
        if self.markers_v is not None and not 0.0 < self.markers_v <= self.peak_v * (1.0 + 1e-9):
            raise ValueError("markers around bursts have a peak above zero, and none above the loudest burst's")

    @classmethod
    def falling(
        cls,
        *,
        frequency_hz: float,
        level_v_rms: float,
        falls_db: Sequence[float],
        duration_s: float,
        sample_rate_hz: float,
        driven_channels: tuple[int, ...],
        quiet_s: float = 0.2,
    ) -> Self:
        """Make bursts of all channels alike, at levels so many dB below one, of whole periods. Raises ValueError."""
        checked_tone(frequency_hz, level_v_rms, sample_rate_hz)
        if not falls_db:
            raise ValueError("bursts need at least one level")
        levels = [level_v_rms * db_to_amplitude_ratio(-abs(fall_db)) for fall_db in falls_db]
        return cls(
            frequency_hz=bin_centred_hz(frequency_hz, round(duration_s * sample_rate_hz), sample_rate_hz),
            levels_v_rms=tuple((level,) * len(driven_channels) for level in levels),
            durations_s=(duration_s,) * len(levels),
            sample_rate_hz=sample_rate_hz,
            # No louder than the quietest burst: so the markers stay undistorted.
            markers_v=SQRT2 * min(levels),
            quiet_s=quiet_s,
            driven_channels=driven_channels,
        )

    @classmethod
    def joined(cls, series: Sequence[BurstSeries]) -> BurstSeries:
        """Return the bursts of several series as one, of all their channels. Raises ValueError: nothing, or unlike."""
        if not series:
            raise ValueError("there are no bursts to be joined")
        alike = {(one.frequency_hz, one.sample_rate_hz, one.quiet_s) for one in series}
        if len(alike) > 1:
            raise ValueError("bursts of different frequency, rate or quiet tone make no series")
        channels = tuple(sorted({channel for one in series for channel in one.driven_channels}))
        levels = [one.level_of(burst, channels) for one in series for burst in range(len(one.levels_v_rms))]
        return replace(
            series[0],
            levels_v_rms=tuple(levels),
            durations_s=tuple(duration_s for one in series for duration_s in one.durations_s),
            markers_v=None,
            driven_channels=channels,
        )

    def level_of(self, burst: int, channels: Sequence[int]) -> tuple[float, ...]:
        """Return a burst's level at the input of each channel; 0 for one that is not driven."""
        at = dict(zip(self.driven_channels, self.levels_v_rms[burst], strict=True))
        return tuple(at.get(channel, 0.0) for channel in channels)

    def _lengths(self, burst: int) -> tuple[int, int, int]:
        """Return frames of a burst, its quiet tone and the silence behind."""
        spans_s = (self.durations_s[burst], self.quiet_s, MUTE_S)
        loud, quiet, mute = (round(span_s * self.sample_rate_hz) for span_s in spans_s)
        return loud, quiet, mute

    def start(self, burst: int) -> int:
        """Return the first frame of a burst, counted from the stimulus' first."""
        return sum(sum(self._lengths(earlier)) for earlier in range(burst))

    def loud_span(self, burst: int) -> tuple[int, int]:
        """Return first and end frame of what stands at full level of a burst: without its rise."""
        begin, (loud, _, _) = self.start(burst), self._lengths(burst)
        return begin + round(RAMP_S * self.sample_rate_hz), begin + loud

    def quiet_span(self, burst: int) -> tuple[int, int]:
        """Return first and end frame of a burst's quiet tone: without its fall."""
        begin, (loud, quiet, _) = self.start(burst), self._lengths(burst)
        return begin + loud, max(begin + loud, begin + loud + quiet - round(RAMP_S * self.sample_rate_hz))

    @property
    def frames(self) -> int:
        """Length, quiet tones and silences included."""
        return self.start(len(self.levels_v_rms))

    @property
    def level_v_rms(self) -> float:
        """Largest r.m.s. voltage of any burst, on any channel."""
        return max(max(levels) for levels in self.levels_v_rms)

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.level_v_rms * SQRT2

    @property
    def markers_peak_v(self) -> float:
        """Peak voltage of the markers around it."""
        return self.peak_v if self.markers_v is None else self.markers_v

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return the first driven channel's samples, (frames,), in volts; of a span where one is asked for."""
        return self.channel_samples_v(self.driven_channels[0], span)

    def channel_samples_v(self, channel: int, span: range | None = None) -> FloatArray:
        """Return the samples of one driven channel, (frames,), in volts; of a span where one is asked for."""
        column = self.driven_channels.index(channel)

        def burst(number: int) -> tuple[int, int, Callable[[range], FloatArray]]:
            loud, quiet, _ = self._lengths(number)
            peak_v = SQRT2 * self.levels_v_rms[number][column]
            return self.start(number), loud + quiet, lambda part: peak_v * self._shape(number, part)

        numbers = range(len(self.levels_v_rms))
        return joined(map(burst, numbers), range(self.frames) if span is None else span)

    def _shape(self, burst: int, span: range) -> FloatArray:
        """Return a span of a burst of peak 1 with its quiet tone."""
        loud, quiet, _ = self._lengths(burst)
        level = np.where(np.arange(span.start, span.stop) < loud, 1.0, db_to_amplitude_ratio(-QUIET_BELOW_DB))
        level = apply_ramps(level, round(RAMP_S * self.sample_rate_hz), span=span, frames=loud + quiet)
        turned = turned_rad(self.frequency_hz, len(span), self.sample_rate_hz, from_frame=span.start)
        return np.asarray(level * np.sin(turned))

    def windows(self) -> tuple[Window, ...]:
        """Return the steady part of each burst, and of its quiet tone; with the level of the loudest channel."""
        found: list[Window] = []
        for burst, levels in enumerate(self.levels_v_rms):
            fall = db_to_amplitude_ratio(-QUIET_BELOW_DB)
            for (start, stop), level_v_rms in (
                (self.loud_span(burst), max(levels)),
                (self.quiet_span(burst), fall * max(levels)),
            ):
                if stop > start:
                    found.append(
                        Window(start=start, stop=stop, frequency_hz=self.frequency_hz, level_v_rms=level_v_rms)
                    )
        return tuple(found)
