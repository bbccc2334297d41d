"""Linearity of a converter or player: how true the level of a tone stays from its largest level down to its steps."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part, combined
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.bench_own import freed_level, own_words
from audiomeas.measurement.budget import NOISE_AND_FIT, Told, own_parts
from audiomeas.measurement.checks import made
from audiomeas.measurement.linearity_views import RANGES_DB, charts, tables
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.scale_parts import scale_parts
from audiomeas.measurement.steady import loudest_counts, samples
from audiomeas.measurement.stepped import (
    MOST_STEPS,
    aligned,
    placed_steps,
    places,
    refuse_breaks,
    refuse_over_range,
    steps_of,
)
from audiomeas.measurement.tone_values import tell_gain, tell_volts

if TYPE_CHECKING:
    from audiomeas.analysis.linearity import Deviations, NarrowLevel
    from audiomeas.recording import Recording
    from audiomeas.stimulus import SteppedSines, Stimulus

_WORD = "linearity"
_FALLS_DB = tuple(float(fall_db) for fall_db in range(0, 101, 10))
#: No level is stated closer than this, in dB: a capture without noise would claim all digits.
_LEAST_DB = 1e-4
#: A range is covered when a step stands at its end, to this (dB).
_COVERED_DB = 0.5
#: Breaks of a tone are looked for where it stands this far (amplitude) over the noise of their short blocks.
_CLEAR = 10.0
_SHORT_BLOCK_HZ = 200.0
#: Said of a step that holds something sudden; its level may be wrong, and the person decides.
_CLICK = "a click or a lost block during the step: a contact or a disturbance, so look, and capture again"
#: So long is what the frequency of a listed capture is first read from: half of the shortest step that is found.
_PART_S = 0.3


@dataclass(frozen=True)
class _Played:
    """The steps of a capture. fall_db : below the highest.   spans : where they stand.   frequency_hz : as captured."""

    fall_db: tuple[float, ...]
    level_v_rms: tuple[float | None, ...]
    spans: tuple[slice, ...]
    frequency_hz: float
    driven: tuple[int, ...]
    found: str


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Stimulus:
    """Return the steps, quiet ones first: what a loud one warms can't reach a quiet one. Raises ValueError."""
    from audiomeas.stimulus import SteppedSines

    falls_db = sorted(set(_falls_db(options) or _FALLS_DB), reverse=True)
    if len(falls_db) > MOST_STEPS:
        raise ValueError(f"{len(falls_db)} levels are more than {MOST_STEPS} steps: take fewer")
    return SteppedSines.bin_centred(
        steps=tuple(
            (options["frequency_hz"], context.input_level_v_rms * 10.0 ** (-fall_db / 20.0)) for fall_db in falls_db
        ),
        sample_rate_hz=context.sample_rate_hz,
        window_s=options["window_s"],
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    falls_db = _falls_db(options) or _FALLS_DB
    if len(set(falls_db)) < 2:
        raise RequestError("linearity compares levels: give at least two in falls_db, such as 0,20,40,60,80,90,100")
    if 0.0 not in falls_db:
        raise RequestError("falls_db needs 0, the level that is asked for: the others are below it")
    made(_stimulus, context, options)


def _falls_db(options: Mapping[str, Any]) -> tuple[float, ...]:
    """Return the levels below the highest; people write those of a disc as −60 or as 60."""
    return tuple(abs(float(fall_db)) for fall_db in options["falls_db"] or ())


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    if recording.stimulus is not None:
        recording, played = _as_played(recording)
    else:
        played = _as_listed(recording, options)
    reference = min(
        range(len(played.fall_db)), key=lambda n: (abs(played.fall_db[n] - abs(options["reference_db"])), n)
    )
    warnings: list[str] = []
    channels, problems = [], []
    for column, channel in enumerate(recording.channels):
        if channel not in played.driven:
            warnings.append(f"channel {channel} was not driven: no linearity is told")
            channels.append(_nothing(channel))
            continue
        one = _Channel(recording, column, played)
        try:
            channels.append(one.result(channel, reference))
        except SignalError as error:
            problems.append(f"channel {channel}: {error}")
            warnings.append(problems[-1])
            channels.append(_nothing(channel))
        warnings += [f"channel {channel}: {note} ({places(at, len(played.spans))})" for note, at in one.notes.items()]
    if problems and not any(channel.values["steps"] for channel in channels):
        raise SignalError("; ".join(dict.fromkeys(problems)))
    return result_of(
        recording,
        _WORD,
        conditions=_conditions(recording, played, reference),
        channels=tuple(channels),
        warnings=tuple(warnings),
    )


def _as_played(recording: Recording) -> tuple[Recording, _Played]:
    """Return the steps of a capture whose stimulus is known. Raises SignalError."""
    stimulus = steps_of(recording, _WORD)
    frequencies = {frequency_hz for frequency_hz, _ in stimulus.steps}
    if len(frequencies) > 1:
        raise SignalError(
            "linearity needs one frequency at several levels, and this stimulus steps several frequencies: generate "
            "steps with one frequency and falls_db"
        )
    if len({level for _, level in stimulus.steps}) < 2:
        raise SignalError("linearity needs several levels, and this stimulus has one: generate steps with falls_db")
    placed = recording.stimulus_start is not None
    recording = recording if placed else aligned(recording, stimulus)
    steps = placed_steps(recording, stimulus, earlier=not placed)
    spans = tuple(step.span for step in steps)
    in_volts = recording.stimulus_in_volts
    falls_db = tuple(max(step.fall_db, 0.0) for step in steps)
    return recording, _Played(
        fall_db=falls_db,
        level_v_rms=tuple(step.level_v_rms if in_volts else None for step in steps),
        spans=spans,
        frequency_hz=_frequency_hz(recording, stimulus, spans[falls_db.index(min(falls_db))]),
        driven=stimulus.driven_channels,
        found="known from the bench" if placed else "found by the stimulus itself",
    )


def _frequency_hz(recording: Recording, stimulus: SteppedSines, loudest: slice) -> float:
    played_hz = stimulus.steps[0][0]
    return played_hz if recording.shared_clock else _fitted_hz(recording, loudest, played_hz)


def _fitted_hz(recording: Recording, span: slice, near_hz: float) -> float:
    """Return the tone's frequency in the loudest channel of a span."""
    from audiomeas.analysis.tone import tone_frequency

    part = recording.window(span.start, span.stop)
    return tone_frequency(loudest_counts(part), recording.sample_rate_hz, near_hz=near_hz)[0]


def _as_listed(recording: Recording, options: Mapping[str, Any]) -> _Played:
    """Return the steps of a capture made elsewhere, whose levels a person lists. Raises SignalError, RequestError."""
    from audiomeas.analysis.linearity import find_steps, level_course

    falls_db = _falls_db(options)
    if len(set(falls_db)) < 2:
        raise RequestError(
            "linearity needs to know what was played: give --stimulus FILE, or with --falls-db the levels in the order "
            "of the capture, such as those of a disc's tracks: --falls-db 0,20,40,60,70,80,90"
        )
    counts, rate_hz = loudest_counts(recording), recording.sample_rate_hz
    # Where the tone is loudest tells its frequency well enough to follow it, the loudest step then exactly.
    tone_hz = _fitted_hz(recording, _loudest_part(counts, rate_hz), options["frequency_hz"])
    found = find_steps(level_course(counts, rate_hz, tone_hz))
    if len(found) != len(falls_db):
        seconds = ", ".join(f"{span.start / rate_hz:.1f}" for span in found[:12])
        raise SignalError(
            f"{len(falls_db)} levels are listed, and {len(found)} steady steps of the tone were found"
            f"{f' (at {seconds} s)' if found else ''}: list those of the capture, in its order, or cut the file to them"
        )
    loudest = found[min(range(len(found)), key=lambda n: falls_db[n])]
    least_db = min(falls_db)
    return _Played(
        fall_db=tuple(fall_db - least_db for fall_db in falls_db),
        level_v_rms=(None,) * len(found),
        spans=tuple(found),
        frequency_hz=_fitted_hz(recording, loudest, tone_hz),
        driven=recording.channels,
        found="found by the level of the tone, in the order listed",
    )


def _loudest_part(counts: Any, sample_rate_hz: float) -> slice:
    """Return the loudest of overlapping parts of a channel. Raises SignalError for a capture that has none."""
    import numpy as np

    half = round(_PART_S / 2 * sample_rate_hz)
    if len(counts) < 2 * half:
        raise SignalError(f"the capture lasts {len(counts) / sample_rate_hz:.2f} s: too short for steps of a tone")
    power = np.sum(np.square(counts[: len(counts) // half * half]).reshape(-1, half), axis=1)
    start = int(np.argmax(power[1:] + power[:-1])) * half
    return slice(start, start + 2 * half)


class _Channel:
    """Reads the levels of one channel and gathers what there is to say of them."""

    def __init__(self, recording: Recording, column: int, played: _Played) -> None:
        self._recording, self._column, self._played = recording, column, played
        #: What is to be said → the steps of which.
        self.notes: dict[str, list[str]] = {}

    def result(self, channel: int, reference: int) -> ChannelResult:
        """Return the channel's result. Raises SignalError when its reference can't be told."""
        import numpy as np

        from audiomeas.analysis.linearity import deviations

        levels = self._levels()
        played_db = -np.array(self._played.fall_db)
        found = deviations(played_db, levels, reference)
        rows = [self._row(n, levels[n], found) for n in np.argsort(-played_db, kind="stable")]
        told = _figures(rows)
        base = levels[reference]
        assert base is not None
        told.values.update(
            frequency_hz=self._played.frequency_hz, reversals=found.reversals, monotonic=found.monotonic, steps=rows
        )
        told.uncertainty["reversals"] = 0.0
        self._tell_reference(told, base, self._played.level_v_rms[reference])
        return told.result(channel)

    def _levels(self) -> list[NarrowLevel | None]:
        """Return the level of each step that can be read and is whole; of the others None, noting why."""
        read = [self._tried(*step) for step in zip(self._played.spans, self._played.fall_db, strict=True)]
        known = sorted(level.noise_rms for level in read if level is not None)
        # A broken step is full of noise that is its own: the usual one tells which steps stand clear of it.
        usual = known[len(known) // 2] if known else 0.0
        return [
            None if level is None or self._broken(level, usual, span, fall_db) else level
            for level, span, fall_db in zip(read, self._played.spans, self._played.fall_db, strict=True)
        ]

    def _broken(self, level: NarrowLevel, noise_rms: float, span: slice, fall_db: float) -> bool:
        """Return whether a foreign capture lost or repeated samples within a step, noting it."""
        in_block = noise_rms * math.sqrt(max(_SHORT_BLOCK_HZ / level.bandwidth_hz, 1.0))
        if self._recording.shared_clock or level.level_rms <= _CLEAR * in_block:
            return False
        try:
            signal = samples(self._recording, self._column, span)
            refuse_breaks(signal, self._recording.sample_rate_hz, self._played.frequency_hz)
        except SignalError as error:
            self._note(str(error), fall_db)
            return True
        return False

    def _tried(self, span: slice, fall_db: float) -> NarrowLevel | None:
        """Return the level of a step, or None, noting why."""
        from audiomeas.analysis.beside_lines import events_beside_tone
        from audiomeas.analysis.linearity import narrow_level

        rate_hz, frequency_hz = self._recording.sample_rate_hz, self._played.frequency_hz
        try:
            refuse_over_range(self._recording, self._column, span)
            signal = samples(self._recording, self._column, span)
            found = narrow_level(signal, rate_hz, frequency_hz)
        except SignalError as error:
            self._note(str(error), fall_db)
            return None
        if found.at_most:
            self._note("the tone can't be told from noise: its level is a bound", fall_db)
        resolution = self._recording.resolution(self._column)
        # What another clock captured wanders beside the frequency that was fitted: its breaks are looked for elsewhere.
        if self._recording.shared_clock and events_beside_tone(signal, rate_hz, frequency_hz, resolution=resolution):
            self._note(_CLICK, fall_db)
        return found

    def _note(self, words: str, fall_db: float) -> None:
        self.notes.setdefault(words, []).append(f"{-fall_db:.4g} dB".replace("-", "−"))

    def _row(self, n: int, level: NarrowLevel | None, found: Deviations) -> dict[str, Any]:
        row: dict[str, Any] = {
            "played_db": 0.0 - self._played.fall_db[n],
            "input_v_rms": self._played.level_v_rms[n],
            **dict.fromkeys(("level_v_rms", "level_dbfs", "noise_db", "deviation_db")),
            "uncertainty": {},
            "bound": {},
        }
        if level is None:
            return row
        full_scale = self._recording.reference(self._column)
        row["level_dbfs"] = 20.0 * math.log10(level.level_rms / full_scale)
        row["deviation_db"] = float(found.deviation_db[n])
        if level.noise_rms > 0.0:
            over_noise_db = 20.0 * math.log10(level.level_rms / level.noise_rms)
            row["noise_db"] = row["played_db"] + row["deviation_db"] - over_noise_db
        level_v_rms, away = freed_level(self._recording, self._column, self._played.frequency_hz, level.level_rms)
        if self._recording.scale_v(self._column) is not None:
            row["level_v_rms"] = level_v_rms
        if level.at_most:
            row["bound"] = {
                key: "at most" for key in ("level_v_rms", "level_dbfs", "deviation_db") if row[key] is not None
            }
            return row
        row["uncertainty"] = {
            "level_dbfs": math.hypot(level.half_width_db, _LEAST_DB),
            "deviation_db": math.hypot(float(found.half_width_db[n]), _LEAST_DB),
        }
        scale = scale_parts(self._recording, self._column)
        if row["level_v_rms"] is not None and scale is not None:
            own = own_parts(level.half_width_db / DB_PER_NEPER)
            row["uncertainty"]["level_v_rms"] = level_v_rms * combined((*scale, *own, *away))
        return row

    def _tell_reference(self, told: Told, base: NarrowLevel, input_v_rms: float | None) -> None:
        """Tell the level and gain of the reference step."""
        recording, column, frequency_hz = self._recording, self._column, self._played.frequency_hz
        own = own_parts(base.half_width_db / DB_PER_NEPER, _LEAST_DB / DB_PER_NEPER)
        told.values.update(dict.fromkeys(("reference_level_v_rms", "gain_db")))
        tell_volts(
            told, recording, column, base.level_rms, frequency_hz=frequency_hz, own=own, prefix="reference_level"
        )
        if recording.scale_v(column) is not None and input_v_rms is not None:
            gain_db = 20.0 * math.log10(base.level_rms / input_v_rms)
            tell_gain(told, recording, column, gain_db, frequency_hz=frequency_hz, own=own)


def _figures(rows: Sequence[Mapping[str, Any]]) -> Told:
    """Return the largest deviation, without sign, down to each level that the steps reach."""
    told = Told({})
    values = told.values
    for range_db in RANGES_DB:
        key = f"largest_deviation_to_{range_db}_db"
        inside = [row for row in rows if row["played_db"] >= -range_db - _COVERED_DB]
        known = [row for row in inside if row["deviation_db"] is not None and not row["bound"]]
        top = max(known, key=lambda row: abs(row["deviation_db"]), default=None)
        values[key] = values[f"{key.removesuffix('_db')}_at_db"] = None
        if top is None or min(row["played_db"] for row in inside) > _COVERED_DB - range_db:
            continue
        values[key], values[f"{key.removesuffix('_db')}_at_db"] = abs(top["deviation_db"]), top["played_db"]
        if len(known) < len(inside):
            told.at_most(key, word="at least")
            continue
        # A step that reads less, but is known less well, may be the largest.
        reach = max(abs(row["deviation_db"]) + row["uncertainty"]["deviation_db"] for row in known)
        told.add(key, [Part(NOISE_AND_FIT, max(top["uncertainty"]["deviation_db"], reach - values[key]))])
    return told


def _nothing(channel: int) -> ChannelResult:
    keys = (
        *(f"largest_deviation_to_{range_db}{end}_db" for range_db in RANGES_DB for end in ("", "_at")),
        *("frequency_hz", "reversals", "monotonic", "reference_level_v_rms", "reference_level_dbfs", "gain_db"),
    )
    return ChannelResult(channel=channel, values={**dict.fromkeys(keys), "steps": []})


def _conditions(recording: Recording, played: _Played, reference: int) -> dict[str, Any]:
    windows_s = [(span.stop - span.start) / recording.sample_rate_hz for span in played.spans]
    return {
        "method": "one tone at several levels, each read in a narrow band by a weighted least-squares fit, less the "
        "noise beside it as power",
        "frequency_hz": played.frequency_hz,
        "steps": len(played.spans),
        "measured_s": [min(windows_s), max(windows_s)],
        "reference_db": 0.0 - played.fall_db[reference],
        "deviation": f"level read less level played, 0 dB at {-played.fall_db[reference]:.4g} dB",
        "alignment": played.found,
        "channels_driven": list(played.driven),
        "uncertainty_covers": "noise, fit and scale; not what the converters of the bench deviate themselves; "
        f"{own_words(recording)}",
    }


MEASUREMENT = Measurement(
    word=_WORD,
    summary="Linearity of a converter or player: how true a tone's level stays down to 100 dB below the largest",
    example="linearity --output-level '2 V'",
    options=(
        Option(
            name="falls_db",
            kind="numbers",
            help="Levels in dB below the level asked for; without it, 0 to 100 in steps of 10. For a capture made "
            "elsewhere without a stimulus file: the levels in its order, such as those of a disc's tracks.",
            stage="analyse",
            at_least=-160.0,
            at_most=160.0,
        ),
        Option(
            name="frequency_hz",
            kind="number",
            help="Frequency of the tone; in a capture made elsewhere it is looked for within 2 %.",
            default=997.0,
            stage="analyse",
            above=0.0,
        ),
        Option(
            name="reference_db",
            kind="number",
            help="Which level is taken as true, in dB re the highest; the nearest step is used.",
            default=-20.0,
            stage="analyse",
            at_least=-160.0,
            at_most=0.0,
        ),
        Option(
            name="window_s",
            kind="number",
            help="Length of what is read of a step; longer looks deeper into the noise.",
            default=1.0,
            at_least=0.1,
            at_most=60.0,
        ),
    ),
    figures=(
        *(
            Figure(
                key=f"largest_deviation_to_{range_db}_db",
                unit="dB",
                words=f"largest deviation of the level from full scale down to −{range_db} dB",
            )
            for range_db in RANGES_DB
        ),
        Figure(key="reversals", unit="", words="levels that read lower although they were played higher"),
        Figure(key="gain_db", unit="dB", words="gain at the reference level"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
)
