"""What a recording tells of clipping, channel by channel: known bursts or steps, or a level found by its envelope."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
from audiomeas.measurement.clipping_bursts import limits_of, percentages, readings_of
from audiomeas.measurement.steady import samples
from audiomeas.measurement.stepped import aligned, at_end_of_range
from audiomeas.measurement.sweeps import refuse_other_rate

if TYPE_CHECKING:
    from audiomeas.analysis.clipping import Clipping
    from audiomeas.analysis.clipping_burst import BurstReading
    from audiomeas.analysis.clipping_recovery import Recovery
    from audiomeas.analysis.clipping_signs import Sign
    from audiomeas.recording import Recording
    from audiomeas.stimulus import BurstSeries, Stimulus

_HIGHER_RANGE = "capture again with a higher attenuator range to see higher levels"
#: What a capture must be, said where it is something else.
_WANTED = "clipping needs bursts, or steps of one tone at several levels (audiomeas generate burst)"
#: Clipping is told of so many levels at least.
_LEAST_LEVELS = 2
#: A length that rounding made shorter by so much still counts, in seconds.
_ROUNDED_S = 1e-9
Span = tuple[int, int]


@dataclasses.dataclass(frozen=True, kw_only=True)
class Burst:
    """One burst, or step, of one channel.

    span : its frames in the recording.   input_v_rms : relative where the stimulus is not in volts, None without a
    stimulus.
    quiet : frames of the quiet tone behind it; None: there is none.   driven : channels driven by it.
    """

    span: Span
    input_v_rms: float | None
    quiet: Span | None
    driven: tuple[int, ...]
    reading: BurstReading


@dataclasses.dataclass(frozen=True, kw_only=True)
class Read:
    """What one channel tells. clipping, alone : with all channels driven, and with itself alone where that was played.

    bursts : those that `clipping` is made of (of a capture without a stimulus: where its level was read).
    in_volts : input levels are volts at the unit's input, not only in the right ratio.
    left_out : what is said of what the card's own converter has clipped; None: it has clipped nothing.
    """

    clipping: Clipping
    alone: Clipping | None
    bursts: tuple[Burst, ...]
    frequency_hz: float
    in_volts: bool
    left_out: str | None

    @property
    def loudest(self) -> Burst:
        """The burst of the highest output level."""
        return max(self.bursts, key=lambda one: one.reading.level_v_rms)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Played:
    """Where known bursts stand in a recording, read once for all channels.

    spans : per burst, loud and quiet frames of the recording.   levels : per burst, channel → level at the input, 0
    for silent.   readings : per burst, channel → reading.
    """

    frequency_hz: float
    spans: tuple[tuple[Span, Span | None], ...]
    levels: tuple[Mapping[int, float], ...]
    readings: tuple[Mapping[int, BurstReading | None], ...]
    in_volts: bool

    def driven(self, burst: int) -> tuple[int, ...]:
        """Return the channels that a burst drives."""
        return tuple(channel for channel, level_v_rms in self.levels[burst].items() if level_v_rms > 0.0)


def placed(recording: Recording) -> Recording:
    """Return the recording with the place of its stimulus known; without a stimulus as it is. Raises SignalError."""
    stimulus = recording.stimulus
    if stimulus is None or recording.stimulus_start is not None:
        return recording
    refuse_other_rate(recording, stimulus, "bursts")
    return aligned(recording, stimulus, what="bursts", one_tone=True)


def played_bursts(recording: Recording, options: Mapping[str, Any]) -> Played:
    """Return the bursts of a recording whose stimulus is known and placed. Raises SignalError for any other."""
    stimulus = recording.stimulus
    assert stimulus is not None
    assert recording.stimulus_start is not None
    frequency_hz, frames, levels = _known(stimulus)
    readings = tuple(
        readings_of(recording, loud, frequency_hz, level, options)
        for (loud, _), level in zip(frames, levels, strict=True)
    )
    start = recording.stimulus_start
    return Played(
        frequency_hz=frequency_hz,
        spans=tuple((_moved(loud, start), None if quiet is None else _moved(quiet, start)) for loud, quiet in frames),
        levels=levels,
        readings=readings,
        in_volts=recording.stimulus_in_volts,
    )


def _moved(span: Span, by: int) -> Span:
    return span[0] + by, span[1] + by


def _known(stimulus: Stimulus) -> tuple[float, list[tuple[Span, Span | None]], tuple[Mapping[int, float], ...]]:
    """Return frequency, frames (loud, quiet) and levels of what was played. Raises SignalError: none of one tone."""
    from audiomeas.analysis.clipping_burst import least_burst_s
    from audiomeas.stimulus import BurstSeries, SteppedSines
    from audiomeas.stimulus.bursts import RAMP_S

    channels = stimulus.driven_channels
    if isinstance(stimulus, BurstSeries):
        # Short bursts of a low tone are only a way up to those that can be read.
        least_s = least_burst_s(stimulus.frequency_hz) + RAMP_S
        bursts = [
            number for number, duration_s in enumerate(stimulus.durations_s) if duration_s >= least_s - _ROUNDED_S
        ]
        if not bursts:
            raise SignalError(
                f"bursts of {stimulus.frequency_hz:.4g} Hz are read from {least_s:.3g} s on, and none is so long: "
                "play longer ones (of a search that ended early only its short ones are here: search again)"
            )
        levels = tuple(dict(zip(channels, stimulus.level_of(burst, channels), strict=True)) for burst in bursts)
        return stimulus.frequency_hz, [_frames(stimulus, burst) for burst in bursts], levels
    if isinstance(stimulus, SteppedSines) and len({hz for hz, _ in stimulus.steps}) == 1:
        spans = [((window.start, window.stop), None) for window in stimulus.windows()]
        return stimulus.steps[0][0], list(spans), tuple(dict.fromkeys(channels, level) for _, level in stimulus.steps)
    raise SignalError(f"{_WANTED}, and the stimulus of this capture is {stimulus.kind!r}")


def _frames(series: BurstSeries, burst: int) -> tuple[Span, Span | None]:
    quiet = series.quiet_span(burst)
    return series.loud_span(burst), quiet if quiet[1] > quiet[0] else None


def channel_of_bursts(
    recording: Recording, column: int, played: Played, options: Mapping[str, Any], *, until: int | None
) -> Read:
    """Return what known bursts tell of one channel. until : number of the first one that tells nothing; None: all do.

    Those that the card's own converter has clipped are left out: what they show is not the unit's.
    Raises SignalError: fewer than two are left.
    """
    from audiomeas.analysis.clipping import levels_of

    channel = recording.channels[column]
    mine = [
        Burst(
            span=played.spans[number][0],
            input_v_rms=played.levels[number][channel],
            quiet=played.spans[number][1],
            driven=played.driven(number),
            reading=reading,
        )
        for number, readings in enumerate(played.readings[:until])
        if (reading := readings[channel]) is not None
    ]

    def told(bursts: Sequence[Burst]) -> Clipping:
        inputs = [one.input_v_rms for one in bursts if one.input_v_rms is not None]
        return levels_of([one.reading for one in bursts], inputs, percentages=percentages(options))

    good = [one for one in mine if not at_end_of_range(recording, column, slice(*one.span)).any()]
    left_out = _left_out_of_bursts(len(mine) - len(good), len(mine))
    most = max((len(one.driven) for one in mine), default=0)
    together = [one for one in good if len(one.driven) == most]
    alone = [one for one in good if len(one.driven) == 1] if most > 1 else []
    if left_out is not None and len(together) < _LEAST_LEVELS:
        raise SignalError(left_out)
    return Read(
        clipping=told(together),
        alone=told(alone) if alone else None,
        bursts=tuple(together),
        frequency_hz=played.frequency_hz,
        in_volts=played.in_volts,
        left_out=left_out,
    )


def _left_out_of_bursts(count: int, of: int) -> str | None:
    if count == 0:
        return None
    return f"the card's own converter is at its end in {count} of {of} bursts: they are left out; {_HIGHER_RANGE}"


@dataclasses.dataclass(frozen=True, kw_only=True)
class Stop:
    """Why no further burst was played. burst : its number; it and what follows tell nothing of clipping."""

    burst: int
    channel: int
    sign: Sign


def stop_of(played: Played) -> Stop | None:
    """Return where a search had to stop, by the first sign in the order of the bursts; None where it had not.

    Channels driven together, and each alone, are looked at apart: each is a search of its own.
    """
    from audiomeas.analysis.clipping_signs import sign_beside_others, sign_of

    before: dict[tuple[tuple[int, ...], int], list[tuple[float, BurstReading]]] = {}
    for number, readings in enumerate(played.readings):
        driven = played.driven(number)
        is_first = (driven, driven[0]) not in before
        for channel in (one for one in driven if one in readings):
            level_v_rms, reading = played.levels[number][channel], readings[channel]
            earlier = before.setdefault((driven, channel), [])
            sign = sign_of([level for level, _ in earlier], [one for _, one in earlier], level_v_rms, reading)
            if sign is not None:
                return Stop(burst=number, channel=channel, sign=sign)
            assert reading is not None
            earlier.append((level_v_rms, reading))
        if is_first:
            gains = {
                n: one.fundamental_v_rms / played.levels[number][n] for n, one in readings.items() if one is not None
            }
            if (found := sign_beside_others(gains)) is not None:
                return Stop(burst=number, channel=found[1], sign=found[0])
    return None


def channel_of_envelope(recording: Recording, column: int, options: Mapping[str, Any]) -> Read:
    """Return what one channel of a slow level ramp, or of steps, tells; found by its envelope. Raises SignalError."""
    from audiomeas.analysis.clipping import levels_of
    from audiomeas.analysis.clipping_capture import readings_of_ramp

    end = _unspoilt(recording, column)
    found = readings_of_ramp(samples(recording, column, slice(0, end)), recording.sample_rate_hz, **limits_of(options))
    bursts = [
        Burst(
            span=(window.start, window.stop),
            input_v_rms=None,
            quiet=None,
            driven=(recording.channels[column],),
            reading=reading,
        )
        for window, reading in found
    ]
    return Read(
        clipping=levels_of([one.reading for one in bursts], percentages=percentages(options)),
        alone=None,
        bursts=tuple(bursts),
        frequency_hz=bursts[0].reading.frequency_hz,
        in_volts=False,
        left_out=None if end == recording.frames else _left_out_from(end / recording.sample_rate_hz),
    )


def _unspoilt(recording: Recording, column: int) -> int:
    """Return how many frames come before the converter itself was at its end: what comes later is not the unit's."""
    at_end = at_end_of_range(recording, column, slice(None))
    return int(at_end.argmax()) if at_end.any() else recording.frames


def _left_out_from(time_s: float) -> str:
    return (
        f"the card's own converter is at its end from {time_s:.2f} s on: what comes later is left out; {_HIGHER_RANGE}"
    )


def recovery_of(recording: Recording, column: int, read: Read) -> Recovery | None:
    """Return how long the quiet tone behind the loudest burst took to come back; None where there is none to read."""
    from audiomeas.analysis.clipping_recovery import recovery_after

    span = read.loudest.quiet
    if span is None:
        return None
    try:
        return recovery_after(samples(recording, column, slice(*span)), recording.sample_rate_hz, read.frequency_hz)
    except SignalError:
        return None
