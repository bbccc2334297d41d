"""Single sines, stepped sines and silence."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate
from typing import Any, ClassVar, Self

import numpy as np

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window, apply_ramps, checked_tone, joined, turned_rad
from audiomeas.units import SQRT2


def bin_centred_hz(frequency_hz: float, window_frames: int, sample_rate_hz: float) -> float:
    """Return the nearest frequency with a whole number of periods in the window.

    With a shared clock such a tone needs no window function: its energy falls into one bin of the transform.
    """
    periods = max(1, round(frequency_hz * window_frames / sample_rate_hz))
    highest = math.ceil(window_frames / 2) - 1
    return min(periods, highest) * sample_rate_hz / window_frames


def _sine(frequency_hz: float, level_v_rms: float, span: range, sample_rate_hz: float) -> FloatArray:
    turned = turned_rad(frequency_hz, len(span), sample_rate_hz, from_frame=span.start)
    return np.asarray(level_v_rms * SQRT2 * np.sin(turned), dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class Sine(JsonFacts):
    """A steady sine: ramp, settling, the window that is analysed, ramp.

    frequency_hz : as played (see `bin_centred_hz`).  level_v_rms : at the unit's input.
    settle_s : after the ramp, before the window.  window_s : what the analysis uses.
    """

    kind: ClassVar[str] = "sine"

    frequency_hz: float
    level_v_rms: float
    sample_rate_hz: float
    window_s: float = 1.0
    settle_s: float = 0.2
    ramp_s: float = 0.02
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        checked_tone(self.frequency_hz, self.level_v_rms, self.sample_rate_hz)
        if self.window_frames < 16:
            raise ValueError("a sine needs a longer window")

    @classmethod
    def bin_centred(cls, *, frequency_hz: float, sample_rate_hz: float, window_s: float = 1.0, **rest: Any) -> Self:
        """Make a sine whose frequency is the nearest with whole periods in the window.

        Raises ValueError for a frequency that the rate can't carry: it is not moved to one that it can.
        """
        checked_tone(frequency_hz, rest["level_v_rms"], sample_rate_hz)
        window_frames = round(window_s * sample_rate_hz)
        exact_hz = bin_centred_hz(frequency_hz, window_frames, sample_rate_hz)
        return cls(frequency_hz=exact_hz, sample_rate_hz=sample_rate_hz, window_s=window_s, **rest)

    @property
    def window_frames(self) -> int:
        """Frames of the window that is analysed."""
        return round(self.window_s * self.sample_rate_hz)

    @property
    def _lead_frames(self) -> int:
        return round(self.ramp_s * self.sample_rate_hz) + round(self.settle_s * self.sample_rate_hz)

    @property
    def frames(self) -> int:
        """Length, ramps included."""
        return self._lead_frames + self.window_frames + round(self.ramp_s * self.sample_rate_hz)

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.level_v_rms * SQRT2

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts; of a span of them alone where one is asked for."""
        span = range(self.frames) if span is None else span
        tone = _sine(self.frequency_hz, self.level_v_rms, span, self.sample_rate_hz)
        return apply_ramps(tone, round(self.ramp_s * self.sample_rate_hz), span=span, frames=self.frames)

    def windows(self) -> tuple[Window, ...]:
        """Return the one steady part."""
        start = self._lead_frames
        return (
            Window(
                start=start,
                stop=start + self.window_frames,
                frequency_hz=self.frequency_hz,
                level_v_rms=self.level_v_rms,
            ),
        )


def _window_frames(frequency_hz: float, window_s: float, periods: int, sample_rate_hz: float) -> int:
    """Return frames of a window that lasts window_s, or so many periods where these take longer. Raises ValueError."""
    of_periods = periods * sample_rate_hz / frequency_hz
    if not math.isfinite(of_periods):
        raise ValueError(f"{periods} periods of {frequency_hz:g} Hz never end: use a higher frequency")
    return max(round(window_s * sample_rate_hz), round(of_periods))


@dataclass(frozen=True, kw_only=True)
class Steps(JsonFacts):
    """What a stimulus of steps is made of: a frequency list, a level list, or both.

    steps : (frequency_hz, level_v_rms) of each.  settle_periods : settling is at least this many periods.
    window_periods : so is the window that is analysed (a whole number).
    """

    steps: tuple[tuple[float, float], ...]
    sample_rate_hz: float
    window_s: float = 0.5
    settle_s: float = 0.1
    settle_periods: float = 10.0
    window_periods: int = 0
    ramp_s: float = 0.02
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        if not self.steps:
            raise ValueError("stepped sines need at least one step")
        for frequency_hz, level_v_rms in self.steps:
            checked_tone(frequency_hz, level_v_rms, self.sample_rate_hz)

    @property
    def level_v_rms(self) -> float:
        """Largest r.m.s. voltage of any step."""
        return max(level_v_rms for _, level_v_rms in self.steps)

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.level_v_rms * SQRT2


@dataclass(frozen=True, kw_only=True)
class SteppedSines(Steps):
    """Sines one after the other, each ramped up from and down to silence."""

    kind: ClassVar[str] = "steps"

    @classmethod
    def bin_centred(
        cls,
        *,
        steps: tuple[tuple[float, float], ...],
        sample_rate_hz: float,
        window_s: float = 0.5,
        window_periods: int = 0,
        **rest: Any,
    ) -> Self:
        """Make steps whose frequencies are the nearest with whole periods in their windows. Raises ValueError."""
        for frequency_hz, level_v_rms in steps:
            checked_tone(frequency_hz, level_v_rms, sample_rate_hz)
        exact = tuple(
            (bin_centred_hz(hz, _window_frames(hz, window_s, window_periods, sample_rate_hz), sample_rate_hz), level)
            for hz, level in steps
        )
        return cls(steps=exact, sample_rate_hz=sample_rate_hz, window_s=window_s, window_periods=window_periods, **rest)

    def _parts(self) -> list[Sine]:
        return [
            Sine(
                frequency_hz=frequency_hz,
                level_v_rms=level_v_rms,
                sample_rate_hz=self.sample_rate_hz,
                window_s=_window_frames(frequency_hz, self.window_s, self.window_periods, self.sample_rate_hz)
                / self.sample_rate_hz,
                settle_s=max(self.settle_s, self.settle_periods / frequency_hz),
                ramp_s=self.ramp_s,
                driven_channels=self.driven_channels,
            )
            for frequency_hz, level_v_rms in self.steps
        ]

    @property
    def frames(self) -> int:
        """Length, ramps included."""
        return sum(part.frames for part in self._parts())

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts; of a span of them alone where one is asked for."""
        parts = zip(self.starts(), self._parts(), strict=True)
        return joined(
            [(start, part.frames, part.samples_v) for start, part in parts],
            range(self.frames) if span is None else span,
        )

    def starts(self) -> tuple[int, ...]:
        """Return the first frame of each step, ramp included: there its sine begins with phase zero."""
        return tuple(accumulate((part.frames for part in self._parts()[:-1]), initial=0))

    def windows(self) -> tuple[Window, ...]:
        """Return the steady part of each step, in order."""
        found: list[Window] = []
        begin = 0
        for part in self._parts():
            (window,) = part.windows()
            found.append(
                Window(
                    start=begin + window.start,
                    stop=begin + window.stop,
                    frequency_hz=window.frequency_hz,
                    level_v_rms=window.level_v_rms,
                )
            )
            begin += part.frames
        return tuple(found)


@dataclass(frozen=True, kw_only=True)
class Silence(JsonFacts):
    """Nothing, for a while: what the unit and the bench add by themselves."""

    kind: ClassVar[str] = "silence"

    duration_s: float
    sample_rate_hz: float
    driven_channels: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.duration_s) and self.duration_s > 0):
            raise ValueError("a duration must be above zero")

    @property
    def frames(self) -> int:
        """Length."""
        return round(self.duration_s * self.sample_rate_hz)

    @property
    def level_v_rms(self) -> float:
        """Zero."""
        return 0.0

    @property
    def peak_v(self) -> float:
        """Zero."""
        return 0.0

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), all zero."""
        return np.zeros(self.frames if span is None else len(span))

    def windows(self) -> tuple[Window, ...]:
        """Return the whole as one part."""
        return (Window(start=0, stop=self.frames),)
