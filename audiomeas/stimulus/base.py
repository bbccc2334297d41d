"""What every stimulus has: its facts, its samples in volts, and the parts of it that an analysis uses."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol, Self, runtime_checkable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Frames that are made at a time of what is long.
BLOCK_FRAMES = 1 << 17


@dataclass(frozen=True, kw_only=True)
class Window:
    """A steady part of a stimulus, in frames counted from the stimulus' first frame.

    frequency_hz, level_v_rms : what is played there (None for silence).
    """

    start: int
    stop: int
    frequency_hz: float | None = None
    level_v_rms: float | None = None

    @property
    def frames(self) -> int:
        """Frames in the window."""
        return self.stop - self.start


@runtime_checkable
class Stimulus(Protocol):
    """What is played, in volts at the unit's input, with everything needed to analyse the capture.

    Implementations are frozen dataclasses. Equal facts give equal samples, bit for bit.
    """

    kind: ClassVar[str]

    @property
    def sample_rate_hz(self) -> float:
        """Sample rate of the samples."""
        ...

    @property
    def driven_channels(self) -> tuple[int, ...]:
        """1-based channels that carry the signal; the others are silent."""
        ...

    @property
    def frames(self) -> int:
        """Length, ramps included."""
        ...

    @property
    def peak_v(self) -> float:
        """Largest instantaneous voltage."""
        ...

    @property
    def level_v_rms(self) -> float:
        """Largest r.m.s. voltage of any steady part."""
        ...

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts. All driven channels play the same.

        span : the frames that are asked for, without a step; None: all. They are the same in any span, bit for bit.
        A stimulus whose channels differ is a `PlaysPerChannel` too; here it gives its first driven channel.
        """
        ...

    def windows(self) -> tuple[Window, ...]:
        """Return the steady parts, in order."""
        ...

    def facts(self) -> dict[str, Any]:
        """Return the JSON facts that `from_facts` reads back; includes 'kind'."""
        ...

    @classmethod
    def from_facts(cls, facts: Mapping[str, Any]) -> Stimulus:
        """Make the stimulus again from its facts. Raises KeyError, TypeError or ValueError on wrong ones."""
        ...


@runtime_checkable
class PlaysPerChannel(Protocol):
    """What a stimulus has beside the rest when its driven channels play different samples."""

    def channel_samples_v(self, channel: int, span: range | None = None) -> FloatArray:
        """Return the samples of one driven channel (1-based), (frames,), in volts; span as in `samples_v`."""
        ...


@runtime_checkable
class VariesInLevel(Protocol):
    """What a stimulus has beside the rest when its level depends on frequency (its level_v_rms is the largest)."""

    def level_at_hz(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the r.m.s. voltage at frequencies in Hz, (points,)."""
        ...

    @property
    def played_band_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency that is played, however faintly."""
        ...


@runtime_checkable
class StatesMarkers(Protocol):
    """What a stimulus has beside the rest when its markers are not as loud as itself."""

    @property
    def markers_peak_v(self) -> float:
        """Peak voltage of the markers around it."""
        ...


def played_samples_v(stimulus: Stimulus, span: range | None = None) -> FloatArray:
    """Return what is played: (frames,) when all driven channels play the same, else (frames, driven channels).

    span : the frames that are asked for; None: all.
    """
    if isinstance(stimulus, PlaysPerChannel):
        return np.stack([stimulus.channel_samples_v(channel, span) for channel in stimulus.driven_channels], axis=1)
    return stimulus.samples_v(span)


def spans(frames: int, block_frames: int = BLOCK_FRAMES) -> Iterator[range]:
    """Yield the spans, one after the other, that so many frames are made in."""
    for first in range(0, frames, block_frames):
        yield range(first, min(first + block_frames, frames))


def joined(
    parts: Iterable[tuple[int, int, Callable[[range], FloatArray]]], span: range, columns: tuple[int, ...] = ()
) -> FloatArray:
    """Return a span of what is made of parts, (frames, *columns), with zeros between them.

    parts : first frame and length of each, and what makes a span of it, counted from its own first frame.
    """
    samples = np.zeros((len(span), *columns))
    for first, frames, make in parts:
        start, stop = max(first, span.start), min(first + frames, span.stop)
        if start < stop:
            samples[start - span.start : stop - span.start] = make(range(start - first, stop - first))
    return samples


class JsonFacts:
    """Facts of a frozen dataclass as plain JSON, and back: what all families share. Lists stand for tuples."""

    kind: ClassVar[str]

    def facts(self) -> dict[str, Any]:
        """Return the JSON facts that `from_facts` reads back; includes 'kind'."""
        fields = dataclasses.asdict(self)  # type: ignore[call-overload]
        return {"kind": self.kind, **{name: _with(list, value) for name, value in fields.items()}}

    @classmethod
    def from_facts(cls, facts: Mapping[str, Any]) -> Self:
        """Make the stimulus again from its facts. Raises KeyError, TypeError or ValueError on wrong ones."""
        values = {name: _with(tuple, value) for name, value in facts.items() if name != "kind"}
        values["driven_channels"] = tuple(int(channel) for channel in facts["driven_channels"])
        return cls(**values)


def _with(kind: type[list[Any]] | type[tuple[Any, ...]], value: Any) -> Any:
    """Return a value with its lists and tuples, at any depth, as the one or the other."""
    return kind(_with(kind, item) for item in value) if isinstance(value, (list, tuple)) else value


def raised_cosine_ramp(frames: int, span: range | None = None) -> FloatArray:
    """Return the rising half of a raised cosine, (frames,): from just above 0 to just below 1, without a step.

    span : the frames of it that are asked for; None: all.
    """
    wanted = range(frames) if span is None else span
    return np.asarray(0.5 * (1.0 - np.cos(np.pi * (np.arange(wanted.start, wanted.stop) + 0.5) / max(frames, 1))))


def apply_ramps(
    samples: FloatArray, ramp_frames: int, *, span: range | None = None, frames: int | None = None
) -> FloatArray:
    """Return the samples with a raised-cosine rise at the start and fall at the end (a new array).

    span : which of so many frames the samples are; None: they are the whole.
    """
    frames = len(samples) if frames is None else frames
    span = range(frames) if span is None else span
    ramped, ramp_frames = samples.copy(), min(ramp_frames, frames // 2)
    rise(ramped, ramp_frames, span)
    fall(ramped, ramp_frames, span, frames)
    return ramped


def rise(samples: FloatArray, ramp_frames: int, span: range) -> None:
    """Let a span of something rise over its first ramp_frames frames, in place."""
    stop = min(span.stop, ramp_frames)
    if span.start < stop:
        samples[: stop - span.start] *= raised_cosine_ramp(ramp_frames, range(span.start, stop))


def fall(samples: FloatArray, ramp_frames: int, span: range, frames: int) -> None:
    """Let a span of so many frames fall over their last ramp_frames, in place."""
    start = max(span.start, frames - ramp_frames)
    if start < span.stop:
        ramp = raised_cosine_ramp(ramp_frames, range(frames - span.stop, frames - start))
        samples[start - span.start :] *= ramp[::-1]


def turned_rad(frequency_hz: float, frames: int, sample_rate_hz: float, *, from_frame: int = 0) -> FloatArray:
    """Return the phase of a tone in radians, (frames,), which is zero at frame 0; the first is `from_frame`.

    Whole turns are taken off before the product with 2π, so that a long tone stays as exact as a short one.
    """
    counted = np.arange(from_frame, from_frame + frames)
    return np.asarray(2.0 * np.pi * np.remainder(counted * (frequency_hz / sample_rate_hz), 1.0))


def checked_tone(frequency_hz: float, level_v_rms: float, sample_rate_hz: float) -> None:
    """Raise ValueError for a tone that this rate can't carry, or a level that is no level."""
    if not (np.isfinite(frequency_hz) and 0 < frequency_hz < sample_rate_hz / 2):
        raise ValueError(
            f"a frequency of {frequency_hz:g} Hz can't be played at {sample_rate_hz:g} Hz: "
            f"it must lie between 0 and {sample_rate_hz / 2:g} Hz"
        )
    if not (np.isfinite(level_v_rms) and level_v_rms > 0):
        raise ValueError(f"a level of {level_v_rms:g} V is no level: it must be above zero")
