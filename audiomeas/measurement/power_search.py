"""Which steps to play to see whether a unit gives its rated power with its rated distortion, and how much it gives.

First all frequencies quietly, from the lowest level up; then, frequency by frequency, the rated level, set by what came
back so far; where distortion is more than the rated one there, levels below it, until the largest power that still
keeps it is known to 0.1 dB. Nothing is played above the rated level and the half-width that it is known to.

Where the rated level is to be held first, it is: in parts, as an hour of preconditioning is, of which the end is read;
then the levels below it are looked at again, on the hot unit.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Generator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError
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
from audiomeas.units import Level, amplitude_ratio_to_db, db_to_amplitude_ratio

if TYPE_CHECKING:
    from audiomeas.measurement.base import SearchContext
    from audiomeas.recording import Recording
    from audiomeas.stimulus import SteppedSines, Stimulus

WORD = "power"
#: Condition: which capture of a search this is, from 0.
FACTS = "power_search"
#: Condition of all captures together: frequency, as text → for how long the rated level was held there.
HELD = "power_held_s"
#: 20 Hz, 1 kHz and 20 kHz, and what lies between (common practice for a claim over the whole band).
_USUAL_HZ = (20.0, 50.0, 1_000.0, 5_000.0, 10_000.0, 20_000.0)
#: From the lowest level up to the rated one in steps of about this much (a quarter of the power).
_STEP_DB = 6.0
#: A window holds at least this many periods, so that noise is seen between the harmonics.
_LEAST_PERIODS = 20
#: The rated level is reached when it is missed by less than this; so often is it corrected.
_REACHED_DB, _TRIES = 0.005, 3
#: A correction goes no further than this at once: what clips gives no more however much it is asked for.
_FURTHEST_DB = 0.5
#: The power at the rated distortion is looked for to this.
KNOWN_DB = 0.1
#: Down from a level with too much distortion in steps that grow twofold from this one.
_DOWN_DB = 0.5
#: The rated level is exceeded by its own half-width, so that the interval lies above it; by this (power) at most.
_MOST_MARGIN = 0.05
#: The rated level is held in parts of no more than this: so long is one capture (as preconditioning has it).
_PART_S = 30.0
#: Its half-width is that of another level by then.
_MORE_THAN_HALF = 1.02

Row = Mapping[str, Any]
#: What a capture told: step → channel → row of `distortion-steps`.
Rows = list[dict[int, Row]]


def levels_v_rms(rated_v_rms: float, lowest_v_rms: float) -> list[float]:
    """Return the levels below the rated one, rising, the lowest first; none where it is the rated one."""
    span_db = amplitude_ratio_to_db(rated_v_rms / lowest_v_rms)
    if span_db <= 0.0:
        return []
    count = max(1, round(span_db / _STEP_DB))
    return [lowest_v_rms * db_to_amplitude_ratio(span_db * place / count) for place in range(count)]


def frequencies_of(options: Mapping[str, Any]) -> list[float]:
    """Return the frequencies at which power is measured, rising: those given, or the usual ones up to the highest."""
    if options["frequencies_hz"] is not None:
        return sorted(set(options["frequencies_hz"]))
    highest_hz = options["highest_hz"] or _USUAL_HZ[-1]
    return [*(hz for hz in _USUAL_HZ if hz < highest_hz), highest_hz]


def steps_for(
    steps: Sequence[tuple[float, float]], sample_rate_hz: float, channels: tuple[int, ...], options: Mapping[str, Any]
) -> SteppedSines:
    """Return steps as this measurement plays them. steps : (Hz, V r.m.s. at the input). Raises ValueError."""
    from audiomeas.stimulus import SteppedSines

    return SteppedSines.bin_centred(
        steps=tuple(steps),
        sample_rate_hz=sample_rate_hz,
        window_s=options["window_s"],
        window_periods=_LEAST_PERIODS,
        settle_s=options["hold_s"],
        driven_channels=channels,
    )


def limit_of(options: Mapping[str, Any]) -> tuple[str, float]:
    """Return the key of the distortion that counts, and how much of it is allowed, in percent."""
    return f"{options['criterion'].replace('-', '_')}_percent", float(options["rated_percent"])


class PowerSearch:
    """A search on a bench. All driven channels get one input level: that at which the weakest gives what is asked."""

    def __init__(self, context: SearchContext, options: Mapping[str, Any]) -> None:
        refuse_silent(context, "its power can't be measured")
        self._context, self._options = context, options
        self._number = -1
        rated: Level = options["rated_level"]
        lowest: Level = options["lowest_level"]
        frequencies_hz = frequencies_of(options)
        self._rated_v = {hz: output_v_rms(context, rated, hz) for hz in frequencies_hz}
        self._lowest_v = {hz: output_v_rms(context, lowest, hz) for hz in frequencies_hz}
        self._part_s = 0.0
        self._refuse_held()
        self._course = self._played()
        self._wanted: Stimulus | None = next(self._course)

    @property
    def conditions(self) -> Mapping[str, Any]:
        """What each capture keeps beside its own conditions."""
        return {FACTS: {"number": self._number, "settle_s": self._options["hold_s"], "held_s": self._part_s}}

    def _refuse_held(self) -> None:
        """Raise InterlockRefusal when the loads don't stand the rated level for as long as it is to be held in all."""
        hold_s, context = float(self._options["rated_hold_s"]), self._context
        if hold_s:
            each = [(hz, input_v_rms(volts, self._first_gains_db(hz))) for hz, volts in self._rated_v.items()]
            for step in each:
                tone = steps_for([step], context.sample_rate_hz, context.channels, self._options)
                context.refuse_held(tone, hold_s * len(each))

    def next(self) -> Stimulus | None:
        """Return the steps to play now; None when all is known, or the unit fell silent."""
        if self._wanted is not None:
            self._number += 1
        return self._wanted

    def take(self, recording: Recording) -> None:
        """Take the capture of what was wanted last. Raises SignalError when nothing can be read in it."""
        try:
            part = read_part(recording)
            self._wanted = self._course.send(read_rows(part, self._options, WORD, first=self._number == 0))
        except StopIteration:
            self._wanted = None

    def _steps(self, steps: Sequence[tuple[float, float]]) -> SteppedSines:
        def made(some: Sequence[tuple[float, float]]) -> SteppedSines:
            return steps_for(some, self._context.sample_rate_hz, self._context.channels, self._options)

        for step in steps:
            refuse_above(self._context, made([step]), f"{self._options['rated_level']} at {step[0]:.4g} Hz")
        return made(steps)

    def _played(self) -> Generator[SteppedSines, Rows, None]:
        """Yield what to play; what is sent back is what it told."""
        gains_db = {hz: self._first_gains_db(hz) for hz in self._rated_v}
        low = [
            (hz, input_v_rms(levels, gains_db[hz]))
            for hz, rated_v in self._rated_v.items()
            for levels in self._levels_below(hz, rated_v)
        ]
        if low:
            stimulus = self._steps(low)
            rows = yield stimulus
            if _fell(rows, self._expected(stimulus, gains_db)):
                return
            for (hz, _), told in zip(low, rows, strict=True):
                gains_db[hz] = _gains_db(told, gains_db[hz])
        for hz, rated_v in self._rated_v.items():
            if not (yield from self._at_rated(hz, rated_v, gains_db[hz])):
                return

    def _levels_below(self, hz: float, rated_v: Mapping[int, float]) -> list[dict[int, float]]:
        each = {channel: levels_v_rms(volts, self._lowest_v[hz][channel]) for channel, volts in rated_v.items()}
        return [dict(zip(each, levels, strict=True)) for levels in zip(*each.values(), strict=True)]

    def _first_gains_db(self, hz: float) -> dict[int, float]:
        return {channel: self._context.gain_at_db(channel, hz) for channel in self._context.channels}

    def _expected(
        self, stimulus: SteppedSines, gains_db: Mapping[float, Mapping[int, float]]
    ) -> list[dict[int, float]]:
        """Return step → channel → volts that the gains let expect."""
        nearest = [min(gains_db, key=lambda hz: abs(hz - frequency_hz)) for frequency_hz, _ in stimulus.steps]
        return [_outputs(level, gains_db[hz]) for hz, (_, level) in zip(nearest, stimulus.steps, strict=True)]

    def _at_rated(
        self, hz: float, rated_v: Mapping[int, float], gain_db: Mapping[int, float]
    ) -> Generator[SteppedSines, Rows, bool]:
        """Play the rated level at one frequency, and lower ones where it has too much; return whether to go on."""
        key, limit = limit_of(self._options)
        asked_v, input_v, told = dict(rated_v), input_v_rms(rated_v, gain_db), {}
        for _ in range(_TRIES):
            (told,) = yield self._steps([(hz, input_v)])
            if _fell([told], [_outputs(input_v, gain_db)]):
                return False
            asked_v = {n: volts * _margin(told[n]) for n, volts in rated_v.items()}
            short_db = max(amplitude_ratio_to_db(asked_v[n] / told[n]["level_v_rms"]) for n in told)
            if short_db < _REACHED_DB or _too_much(told, key, limit):
                break
            input_v *= db_to_amplitude_ratio(min(short_db, _FURTHEST_DB))
        if _too_much(told, key, limit):
            return (yield from self._below(hz, input_v, gain_db))
        return not self._options["rated_hold_s"] or (yield from self._held(hz, input_v, gain_db))

    def _held(self, hz: float, input_v: float, gain_db: Mapping[int, float]) -> Generator[SteppedSines, Rows, bool]:
        """Hold a level in parts, then look at those below it again; return whether to go on."""
        key, limit = limit_of(self._options)
        hold_s = float(self._options["rated_hold_s"])
        parts, told = math.ceil(hold_s / _PART_S), {}
        for _ in range(parts):
            self._part_s = hold_s / parts
            (told,) = yield _held_for(self._steps([(hz, input_v)]), self._part_s)
            self._part_s = 0.0
            if _fell([told], [_outputs(input_v, gain_db)]):
                return False
        if _too_much(told, key, limit):
            return (yield from self._below(hz, input_v, gain_db))
        levels = self._levels_below(hz, self._rated_v[hz])
        if levels:
            stimulus = self._steps([(hz, input_v_rms(volts, gain_db)) for volts in levels])
            rows = yield stimulus
            return not _fell(rows, self._expected(stimulus, {hz: gain_db}))
        return True

    def _below(self, hz: float, bad_v: float, gain_db: Mapping[int, float]) -> Generator[SteppedSines, Rows, bool]:
        """Look below a level with too much distortion for the largest one without; return whether to go on."""
        key, limit = limit_of(self._options)
        lowest_v = input_v_rms(self._lowest_v[hz], gain_db)
        step_db, good_v = _DOWN_DB, 0.0
        while not good_v or amplitude_ratio_to_db(bad_v / good_v) > KNOWN_DB:
            next_v = math.sqrt(good_v * bad_v) if good_v else bad_v * db_to_amplitude_ratio(-step_db)
            if next_v < lowest_v:
                return True
            (told,) = yield self._steps([(hz, next_v)])
            if _fell([told], [_outputs(next_v, gain_db)]):
                return False
            if _too_much(told, key, limit):
                bad_v, step_db = next_v, 2.0 * step_db
            else:
                good_v = next_v
        return True


def _held_for(usual: SteppedSines, duration_s: float) -> SteppedSines:
    """Return a step that stands for so long, window and all: by whole windows longer, so that its phase stays."""
    (window,) = usual.windows()
    window_s = (window.stop - window.start) / usual.sample_rate_hz
    usual_s = max(usual.settle_s, usual.settle_periods / (window.frequency_hz or math.inf))
    more = max(0, math.ceil((duration_s - usual_s) / window_s) - 1)
    return dataclasses.replace(usual, settle_s=usual_s + more * window_s)


def read_part(recording: Recording) -> Recording:
    """Return the end of a part that was held, as a step like any other, so that minutes fit into the memory.

    Any other recording (refused, or not held) comes back as it is.
    """
    from audiomeas.recording import stimulus_slice
    from audiomeas.stimulus import SteppedSines

    stimulus, facts = recording.stimulus, recording.conditions.get(FACTS)
    if facts is None or not facts.get("held_s"):
        return recording
    if not isinstance(stimulus, SteppedSines) or recording.stimulus_start is None:
        return recording
    usual = dataclasses.replace(stimulus, settle_s=float(facts["settle_s"]))
    span = stimulus_slice(recording, stimulus.frames - usual.frames, stimulus.frames)
    return dataclasses.replace(
        recording, counts_fs=recording.counts_fs[span].copy(), stimulus=usual, stimulus_start=0, markers=None
    )


def _outputs(input_v: float, gain_db: Mapping[int, float]) -> dict[int, float]:
    """Return channel → volts that its gain lets expect."""
    return {channel: input_v * db_to_amplitude_ratio(gain) for channel, gain in gain_db.items()}


def read_rows(recording: Recording, options: Mapping[str, Any], word: str, *, first: bool) -> Rows:
    """Return what each step of a capture tells, by driven channel. word : that asks.   first : of its captures.

    Raises SignalError: nothing can be read, or a step of the first capture has no volts. Later on a channel without
    any has fallen silent: something opened.
    """
    from audiomeas.measurement.distortion_steps import read_steps, step_row

    read = read_steps(recording, step_options(recording, options), word)
    told = {channel: [step_row(step) for step in steps] for channel, steps in read.channels.items() if steps}
    silent = [row for rows in told.values() for row in rows if row["level_v_rms"] is None]
    if silent and first:
        raise SignalError(
            f"{word} needs volts of each step: {silent[0]['note'] or 'calibrate the inputs of the bench'}"
        )
    return [dict(zip(told, rows, strict=True)) for rows in zip(*told.values(), strict=True)]


def step_options(recording: Recording, options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the options of `distortion-steps` for these: the whole band of the capture where no edge is given."""
    return {**options, "high_hz": options["high_hz"] or recording.sample_rate_hz / 2.0}


def _margin(row: Row) -> float:
    """Return by what a voltage must exceed the rated one, so that the power's interval lies above."""
    key = "level_w" if row["level_w"] is not None else "level_v_rms"
    half, value = row["uncertainty"].get(key), row[key]
    relative = 0.0 if half is None else half / value
    power = relative if key == "level_w" else 2.0 * relative
    return math.sqrt(1.0 + min(_MORE_THAN_HALF * power, _MOST_MARGIN)) * db_to_amplitude_ratio(_REACHED_DB)


def _gains_db(told: Mapping[int, Row], before: Mapping[int, float]) -> dict[int, float]:
    found = {channel: row["gain_db"] for channel, row in told.items() if row["gain_db"] is not None}
    return {**before, **found}


def _too_much(told: Mapping[int, Row], key: str, limit: float) -> bool:
    """Return whether any channel has more distortion than is allowed."""
    return any(
        row[key] is not None and row[key] > limit and row["bound"].get(key) != "at most" for row in told.values()
    )


def _fell(rows: Rows, expected: Sequence[Mapping[int, float]]) -> bool:
    """Return whether a channel came back far quieter than expected, or not at all."""
    least = db_to_amplitude_ratio(-FELL_DB)
    return any(
        row["level_v_rms"] is None or row["level_v_rms"] < least * volts[channel]
        for told, volts in zip(rows, expected, strict=True)
        for channel, row in told.items()
    )


def joined(recordings: Sequence[Recording]) -> Recording:
    """Return the last search among captures as one recording, with how long each frequency was held.

    See `joined_captures`.
    """
    parts = [read_part(one) for one in recordings]
    whole = joined_captures(parts, FACTS, WORD, all_steps)
    held_s: dict[str, float] = {}
    for one in last_search(parts, FACTS, WORD):
        part_s = float(one.conditions[FACTS].get("held_s", 0.0))
        if part_s and one.stimulus is not None:
            key = str(one.stimulus.windows()[0].frequency_hz)
            held_s[key] = held_s.get(key, 0.0) + part_s
    return dataclasses.replace(whole, conditions={**whole.conditions, HELD: held_s})
