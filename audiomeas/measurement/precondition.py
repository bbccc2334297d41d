"""Preconditioning: a tone at a part of the rated power for an hour before power is measured, or why it was left out."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import scaled
from audiomeas.errors import RequestError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext, SearchContext
from audiomeas.measurement.budget import Told
from audiomeas.measurement.checks import made, rated_level, refuse_empty_band
from audiomeas.measurement.distortion_steps import read_steps, step_row
from audiomeas.measurement.power_search import read_rows
from audiomeas.measurement.precondition_views import charts, tables
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.searched import (
    FELL_DB,
    all_steps,
    input_v_rms,
    joined_captures,
    last_search,
    output_v_rms,
    refuse_above,
    refuse_silent,
)
from audiomeas.measurement.tone_values import BAND_OPTIONS, uncertainty_covers

if TYPE_CHECKING:
    from audiomeas.measurement.base import Search
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Sine, SteppedSines, Stimulus

_WORD, _WHAT = "precondition", "preconditioning"
#: Condition: which capture of the hour this is, from 0, and for how long the tone had stood when it ended.
_FACTS = "precondition_part"
#: 16 CFR Part 432: one hour at one eighth of the rated power, 1 kHz, all channels (trade notes, 7.4).
_MINUTES, _SHARE, _FREQUENCY_HZ = 60.0, 0.125, 1_000.0
#: The tone plays in parts: so long is one capture. The first is short: it sets the level.
_PART_S, _FIRST_S = 30.0, 2.0
#: What is read of each part, at its end.
_READ_S = 1.0
#: What is told of the last part, and as what steps tell it.
_AT_END = {"end_w": "level_w", "end_v_rms": "level_v_rms", "end_thd_n_percent": "thd_n_percent"}


def _sine(
    level_v_rms: float, duration_s: float, sample_rate_hz: float, channels: tuple[int, ...], options: Mapping[str, Any]
) -> Sine:
    """Return a part that lasts so long, ramps left out. Raises ValueError."""
    from audiomeas.stimulus import Sine

    return Sine.bin_centred(
        frequency_hz=options["frequency_hz"],
        level_v_rms=level_v_rms,
        sample_rate_hz=sample_rate_hz,
        window_s=_READ_S,
        settle_s=max(duration_s - _READ_S, 0.0),
        driven_channels=channels,
    )


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Sine:
    """Return the first part (for checks; the hour makes its own). Raises ValueError."""
    return _sine(context.input_level_v_rms, _FIRST_S, context.sample_rate_hz, context.channels, options)


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    rated_level(options)
    if options["waived"] is not None and not options["waived"].strip():
        raise RequestError("preconditioning is waived for a reason: say it, it is kept in the record")
    made(_stimulus, context, options)
    refuse_empty_band(context, options)


def _no_chart(options: Mapping[str, Any]) -> str:
    if options["waived"] is not None:
        return "preconditioning is waived, so that nothing gets warm"
    return "" if 60.0 * options["minutes"] > _FIRST_S else f"no more than {_FIRST_S:g} s are played, one part alone"


class _Hour:
    """Plays the tone in parts until it has stood for long enough; one short part where that is waived."""

    def __init__(self, context: SearchContext, options: Mapping[str, Any]) -> None:
        refuse_silent(context, "it can't be preconditioned")
        self._context, self._options = context, options
        self._number, self._stood_s = -1, 0.0
        self._left_s = _FIRST_S if options["waived"] is not None else 60.0 * options["minutes"]
        self._gain_db = {n: context.gain_at_db(n, options["frequency_hz"]) for n in context.channels}
        self._level_v_rms = self._level()
        self._fallen = False
        self._playing_s = 0.0

    def _level(self) -> float:
        """Return the input at which no channel gives less than its share of the rated power."""
        rated, share = rated_level(self._options), self._options["power_share"]
        rated_v_rms = output_v_rms(self._context, rated, self._options["frequency_hz"])
        asked_v_rms = {channel: math.sqrt(share) * volts for channel, volts in rated_v_rms.items()}
        level_v_rms = input_v_rms(asked_v_rms, self._gain_db)
        tone = _sine(level_v_rms, _FIRST_S, self._context.sample_rate_hz, self._context.channels, self._options)
        refuse_above(self._context, tone, f"a share of {share:g} of {rated}")
        self._context.refuse_held(tone, self._left_s)
        return level_v_rms

    @property
    def conditions(self) -> Mapping[str, Any]:
        """What each capture keeps beside its own conditions."""
        return {_FACTS: {"number": self._number, "stood_s": self._stood_s + self._playing_s}}

    def next(self) -> Stimulus | None:
        """Return the part to play now; None when it has stood for long enough, or the unit fell."""
        if self._left_s <= 0.0 or self._fallen:
            return None
        self._number += 1
        longest_s = _FIRST_S if self._number == 0 else _PART_S
        self._playing_s = max(min(self._left_s, longest_s), _READ_S)
        context = self._context
        return _sine(self._level_v_rms, self._playing_s, context.sample_rate_hz, context.channels, self._options)

    def take(self, recording: Recording) -> None:
        """Take the capture of the part that was wanted last."""
        first = self._number == 0
        (rows,) = read_rows(read_part(recording), self._options, _WORD, first=first)
        gains_db = {channel: row["gain_db"] for channel, row in rows.items()}
        if first:
            self._gain_db = gains_db
            self._level_v_rms = self._level()
        else:
            self._fallen = any(gain is None or gain < self._gain_db[n] - FELL_DB for n, gain in gains_db.items())
        self._stood_s += self._playing_s
        self._left_s -= self._playing_s
        self._playing_s = 0.0


def _search(context: SearchContext, options: Mapping[str, Any]) -> Search:
    return _Hour(context, options)


def read_part(recording: Recording) -> Recording:
    """Return what is read of a part: its window, as a stimulus of its own. So an hour fits into memory.

    Any other recording (refused, or not of this) comes back as it is.
    """
    from audiomeas.recording import stimulus_slice
    from audiomeas.stimulus import Sine

    stimulus = recording.stimulus
    if not isinstance(stimulus, Sine) or recording.stimulus_start is None:
        return recording
    (window,) = stimulus.windows()
    span = stimulus_slice(recording, window.start, window.stop)
    return dataclasses.replace(
        recording,
        counts_fs=recording.counts_fs[span].copy(),
        stimulus=_read_of(stimulus),
        stimulus_start=0,
        markers=None,
        conditions={**recording.conditions, "purpose": _WORD},
    )


def _read_of(part: Sine) -> SteppedSines:
    """Return the window of a part, as a step of its own."""
    from audiomeas.stimulus import SteppedSines

    return SteppedSines(
        steps=((part.frequency_hz, part.level_v_rms),),
        sample_rate_hz=part.sample_rate_hz,
        window_s=part.window_s,
        settle_s=0.0,
        settle_periods=0.0,
        ramp_s=0.0,
        driven_channels=part.driven_channels,
    )


def joined(recordings: Sequence[Recording]) -> Recording:
    """Return what is read of the last preconditioning among captures, as one recording. See `joined_captures`."""
    parts = [read_part(one) for one in recordings]
    whole = joined_captures(parts, _FACTS, _WHAT, all_steps)
    stood_s = [float(one.conditions[_FACTS]["stood_s"]) for one in last_search(parts, _FACTS, _WHAT)]
    return dataclasses.replace(whole, conditions={**whole.conditions, "stood_s": stood_s})


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.analysis.class_b import heat_share

    read = read_steps(recording, options, _WORD)
    stood_s: Sequence[float] = recording.conditions.get("stood_s", ())
    channels = [_channel(channel, steps, stood_s) for channel, steps in read.channels.items()]
    waived = options["waived"]
    asked_s = 0.0 if waived is not None else 60.0 * options["minutes"]
    return result_of(
        read.recording,
        _WORD,
        conditions={
            **read.conditions,
            "rated_level": str(rated_level(options)),
            "power_share": options["power_share"],
            "asked_s": asked_s,
            "stood_s": max(stood_s, default=0.0),
            "waived": waived,
            "class_b_heat_percent": 100.0 * heat_share(options["power_share"]),
            "source": "16 CFR Part 432, from memory: one hour at one eighth of the rated power, 1 kHz, all channels",
            "uncertainty_covers": f"{uncertainty_covers(read.recording)}; not the drift of the card over this time",
            "parts": f"of {_PART_S:g} s, with a pause of a moment between; only what sounded counts",
        },
        channels=tuple(channels),
        warnings=(*read.warnings, *_said(waived, asked_s, max(stood_s, default=0.0))),
    )


def _said(waived: str | None, asked_s: float, stood_s: float) -> list[str]:
    if waived is not None:
        return [f"preconditioning was waived: {waived}"]
    if stood_s < asked_s - 1e-6:
        return [
            f"preconditioning ended after {stood_s / 60.0:.3g} of {asked_s / 60.0:.3g} minutes, as the unit fell "
            "silent or far below its level: protection may have opened; let it rest, check the load"
        ]
    return []


def _channel(channel: int, steps: Sequence[Told], stood_s: Sequence[float]) -> ChannelResult:
    """Tell the power at the end, and how gain and distortion moved meanwhile."""
    rows = [{**step_row(step), "stood_s": at} for step, at in zip(steps, stood_s, strict=False)]
    told = Told({"parts": rows, **dict.fromkeys((*_AT_END, "gain_change_db"))})
    if not steps:
        return told.result(channel)
    first, last = steps[0], steps[-1]
    for key, of in _AT_END.items():
        told.copy(key, last, of)
    # One part alone (waived) has no beginning and end.
    both = len(steps) > 1
    if both and first.values["gain_db"] is not None and last.values["gain_db"] is not None:
        told.values["gain_change_db"] = last.values["gain_db"] - first.values["gain_db"]
        if "gain_db" in last.budget and "gain_db" in first.budget:
            told.add("gain_change_db", (*last.budget["gain_db"], *scaled(first.budget["gain_db"], -1.0)))
    return told.result(channel)


MEASUREMENT = Measurement(
    word=_WORD,
    summary="Preconditioning before power is measured: an hour at an eighth of the rated power; or why it was waived",
    example="precondition --rated-level '60 W'",
    options=(
        Option(
            name="rated_level",
            kind="level",
            help="What the maker states for each channel, such as '60 W'.",
            stage="analyse",
        ),
        Option(
            name="power_share",
            kind="number",
            help="Part of the rated power that is played.",
            default=_SHARE,
            stage="analyse",
            at_least=0.01,
            at_most=1.0,
        ),
        Option(
            name="minutes",
            kind="number",
            help="How long the tone stands; an hour of two channels at 96 kHz takes some 0.7 GB of captures.",
            default=_MINUTES,
            stage="analyse",
            above=0.0,
            at_most=600.0,
        ),
        Option(
            name="waived",
            kind="text",
            help="Why it is left out: two seconds are played instead, and the reason is kept.",
            stage="analyse",
        ),
        Option(
            name="frequency_hz",
            kind="number",
            help="Frequency of the tone.",
            default=_FREQUENCY_HZ,
            at_least=20.0,
            at_most=20_000.0,
        ),
        *BAND_OPTIONS,
    ),
    figures=(
        Figure(key="end_w", unit="W", words="power at the end of preconditioning"),
        Figure(key="gain_change_db", unit="dB", words="change of gain while the unit got warm"),
        Figure(key="end_thd_n_percent", unit="%", words="distortion and noise at the end of preconditioning"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    no_chart=_no_chart,
    check=_check,
    search=_search,
    join=joined,
    part=read_part,
    needs_stimulus=True,
)
