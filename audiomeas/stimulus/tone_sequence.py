"""Tones and silences one after the other, each with its own level and, when wanted, a frequency per channel.

What a check of the bench plays: steps of level, a tone that only an honest rate carries, a tone of its own on each
channel, and silence, in one capture.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window, apply_ramps, checked_tone, joined
from audiomeas.units import SQRT2

#: Raised-cosine rise and fall of each tone.
RAMP_S = 0.005
#: From a part's start to its window: the level of the part before has rung out.
SETTLE_S = 0.06
#: From a window's end to its part's end: the fall lies outside.
BEFORE_END_S = 0.01
#: A watcher for breaks can follow a tone that is no fainter than this beside the loudest, and no higher (times rate).
_FOLLOWED_DB = -45.0
_FOLLOWED_UP_TO = 0.25


@dataclass(frozen=True, kw_only=True)
class ToneSequence(JsonFacts):
    """Parts in order.

    frequencies_hz : per part, one frequency per driven channel.   levels_v_rms : per part; 0 for silence.
    durations_s : per part, settling and ramps included.
    """

    kind: ClassVar[str] = "tone-sequence"

    frequencies_hz: tuple[tuple[float, ...], ...]
    levels_v_rms: tuple[float, ...]
    durations_s: tuple[float, ...]
    sample_rate_hz: float
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        if not self.levels_v_rms or not len(self.frequencies_hz) == len(self.levels_v_rms) == len(self.durations_s):
            raise ValueError("a sequence of tones needs frequencies, a level and a duration for each part")
        if len(set(self.driven_channels)) != len(self.driven_channels) or not self.driven_channels:
            raise ValueError(f"a sequence of tones can't drive channels {self.driven_channels}")
        for tones_hz, level_v_rms, duration_s in self._parts():
            if len(tones_hz) != len(self.driven_channels):
                raise ValueError("each part of a sequence needs one frequency per driven channel")
            if not (math.isfinite(duration_s) and 2 * SETTLE_S <= duration_s <= 60.0):
                raise ValueError(f"a part of a sequence must last from {2 * SETTLE_S:g} to 60 s, not {duration_s:g}")
            if level_v_rms != 0.0:
                for frequency_hz in tones_hz:
                    checked_tone(frequency_hz, level_v_rms, self.sample_rate_hz)
        if not any(self.levels_v_rms):
            raise ValueError("a sequence of tones needs one part that is no silence")

    def _parts(self) -> list[tuple[tuple[float, ...], float, float]]:
        return list(zip(self.frequencies_hz, self.levels_v_rms, self.durations_s, strict=True))

    def _starts(self) -> list[int]:
        """Return where each part begins, and where the last one ends, in frames."""
        ends = np.cumsum([0, *(round(duration_s * self.sample_rate_hz) for duration_s in self.durations_s)])
        return [int(end) for end in ends]

    @property
    def frames(self) -> int:
        """Length of all parts."""
        return self._starts()[-1]

    @property
    def level_v_rms(self) -> float:
        """The largest level of any part."""
        return max(self.levels_v_rms)

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        return self.level_v_rms * SQRT2

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return the first driven channel's samples, (frames,), in volts; of a span where one is asked for."""
        return self.channel_samples_v(self.driven_channels[0], span)

    def channel_samples_v(self, channel: int, span: range | None = None) -> FloatArray:
        """Return the samples of one driven channel, (frames,), in volts; of a span where one is asked for."""
        column, starts = self.driven_channels.index(channel), self._starts()

        def tone(number: int) -> tuple[int, int, Callable[[range], FloatArray]]:
            frames = starts[number + 1] - starts[number]
            frequency_hz, level_v_rms = self.frequencies_hz[number][column], self.levels_v_rms[number]
            return starts[number], frames, lambda part: self._tone_v(frequency_hz, level_v_rms, part, frames)

        return joined(map(tone, range(len(self.levels_v_rms))), range(self.frames) if span is None else span)

    def _tone_v(self, frequency_hz: float, level_v_rms: float, span: range, frames: int) -> FloatArray:
        """Return a span of a part of so many frames."""
        time_s = np.arange(span.start, span.stop) / self.sample_rate_hz
        tone = SQRT2 * level_v_rms * np.sin(2.0 * np.pi * frequency_hz * time_s)
        return apply_ramps(tone, round(RAMP_S * self.sample_rate_hz), span=span, frames=frames)

    def span(self, part: int) -> tuple[int, int]:
        """Return first and end frame of a part's steady middle, counted from the stimulus' first frame."""
        starts = self._starts()
        settle, before_end = (round(span_s * self.sample_rate_hz) for span_s in (SETTLE_S, BEFORE_END_S))
        return starts[part] + settle, starts[part + 1] - before_end

    def windows(self) -> tuple[Window, ...]:
        """Return the steady middle of each part; with its tone where one can be followed through noise."""
        return tuple(self._window(part) for part in range(len(self.levels_v_rms)))

    def _window(self, part: int) -> Window:
        start, stop = self.span(part)
        tones_hz, level_v_rms = self.frequencies_hz[part], self.levels_v_rms[part]
        faint = level_v_rms < self.level_v_rms * 10.0 ** (_FOLLOWED_DB / 20.0)
        if faint or len(set(tones_hz)) > 1 or tones_hz[0] > _FOLLOWED_UP_TO * self.sample_rate_hz:
            return Window(start=start, stop=stop)
        return Window(start=start, stop=stop, frequency_hz=tones_hz[0], level_v_rms=level_v_rms)
