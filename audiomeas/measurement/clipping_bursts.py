"""The bursts of a search for clipping: which are played, how they are read, how their captures become one recording.

Each burst is a capture of its own. Joined, end to end, they are one recording with one stimulus, from which the result
is made: at the bench, and from the captures of a record again.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.searched import end_to_end, markers_gain_db, markers_v, output_v_rms, refuse_silent
from audiomeas.units import Level, db_to_amplitude_ratio

if TYPE_CHECKING:
    from audiomeas.analysis.clipping_burst import BurstReading
    from audiomeas.analysis.clipping_probe import CleanClimb, ProbeReading
    from audiomeas.analysis.clipping_search import ClippingSearch
    from audiomeas.measurement.base import SearchContext
    from audiomeas.recording import Recording
    from audiomeas.stimulus import BurstSeries, Stimulus

#: Conditions: what a search began with, and what was said of a burst that never came back.
FACTS, LOST = "clipping_search", "lost_burst"
#: A low tone's long bursts begin so far below where short ones were last clean, and count as clean so far below (dB).
_LOW_BELOW_DB, _CLEAN_BELOW_DB = 20.0, 0.3
#: A level that was asked for is passed from here on: the first look's gain is known to some hundredths of a dB.
_PASSES = db_to_amplitude_ratio(0.1)
ALONE, BOTH = "alone", "both"
#: Bursts of a low tone hold whole periods; lower tones than this allows for are no test of an amplifier.
_LONGEST_LOW_S = 60.0
_FALLEN = "came out far lower than its gain says: its protection has opened or limits; let it rest, check the load"


@dataclass(frozen=True, kw_only=True)
class SearchFacts:
    """What a search begins with: enough to go through it again with the same readings.

    first_v_rms, highest_v_rms : per channel, at its input: where it begins and where it must end.   highest_words :
    what the end is.
    """

    channels: tuple[int, ...]
    first_v_rms: tuple[float, ...]
    highest_v_rms: tuple[float, ...]
    highest_words: str
    burst_s: float

    def as_json(self) -> dict[str, Any]:
        """Return it as conditions keep it."""
        return {key: list(value) if isinstance(value, tuple) else value for key, value in vars(self).items()}


def facts_from(conditions: Mapping[str, Any]) -> SearchFacts | None:
    """Return what the conditions of a recording tell of its search; None: it is of none."""
    facts = conditions.get(FACTS)
    if facts is None:
        return None
    return SearchFacts(
        channels=tuple(int(channel) for channel in facts["channels"]),
        first_v_rms=tuple(float(level) for level in facts["first_v_rms"]),
        highest_v_rms=tuple(float(level) for level in facts["highest_v_rms"]),
        highest_words=str(facts["highest_words"]),
        burst_s=float(facts["burst_s"]),
    )


def highest_percent(options: Mapping[str, Any]) -> float:
    """Return the distortion up to which is searched: what was asked for, and the rated one where that is more."""
    return max(float(options["highest_percent"]), float(options["rated_percent"] or 0.0))


def percentages(options: Mapping[str, Any]) -> tuple[float, ...]:
    """Return the percentages whose levels are told, rising."""
    from audiomeas.analysis.clipping_search import USUAL_PERCENTAGES

    top = highest_percent(options)
    asked = {*USUAL_PERCENTAGES, top, *([options["rated_percent"]] if options["rated_percent"] else [])}
    return tuple(sorted(one for one in asked if one <= top))


def _with_own_bursts(options: Mapping[str, Any]) -> tuple[float, ...]:
    """Return the percentages beside the highest that get bursts of their own; each costs power.

    The rated one, and 1 % where the search goes beyond: else the knee alone would tell it, over a wide gap. Where
    neither is below the highest, the least told.
    """
    from audiomeas.analysis.clipping_search import DEFAULT_PERCENT

    asked = {options["rated_percent"], DEFAULT_PERCENT if highest_percent(options) > DEFAULT_PERCENT else None}
    return tuple(one for one in asked if one is not None) or percentages(options)[:1]


def burst_of(options: Mapping[str, Any], sample_rate_hz: float) -> tuple[float, float]:
    """Return frequency and length of the bursts: whole periods, and more of them than asked for where a tone is low."""
    from audiomeas.stimulus import bin_centred_hz
    from audiomeas.stimulus.bursts import LOW_PERIODS

    frequency_hz, burst_s = options["frequency_hz"], options["burst_s"]
    if is_low(frequency_hz):
        if _LONGEST_LOW_S * frequency_hz < LOW_PERIODS:
            raise RequestError(
                f"a tone of {frequency_hz:g} Hz is too low: its bursts would last longer than {_LONGEST_LOW_S:g} s"
            )
        burst_s = round(LOW_PERIODS / frequency_hz * sample_rate_hz) / sample_rate_hz
    return bin_centred_hz(frequency_hz, round(burst_s * sample_rate_hz), sample_rate_hz), burst_s


def is_low(frequency_hz: float) -> bool:
    """Tell whether a tone is too low to be read in the longest burst that may go far above where a unit clips."""
    from audiomeas.analysis.clipping_burst import least_burst_s
    from audiomeas.stimulus.bursts import LONGEST_BURST_S, RAMP_S

    return least_burst_s(frequency_hz) + RAMP_S > LONGEST_BURST_S


def least_low_hz() -> float:
    """Return the lowest frequency of which a burst of that length still tells whether it clips."""
    from audiomeas.analysis.clipping_probe import least_probe_s
    from audiomeas.stimulus.bursts import LONGEST_BURST_S, RAMP_S

    return least_probe_s(1.0) / (LONGEST_BURST_S - RAMP_S)


def new_search(
    facts: SearchFacts,
    driven: Sequence[int],
    options: Mapping[str, Any],
    *,
    first_v_rms: Sequence[float] | None = None,
    clean_v_rms: Sequence[float] | None = None,
) -> ClippingSearch:
    """Return a search at its beginning. driven : the channels that it drives. Raises SignalError.

    first_v_rms, clean_v_rms : per channel, where it begins and how far up it is clean, where bursts of a low tone
    follow a climb.
    """
    from audiomeas.analysis.clipping_search import ClippingSearch

    begins = first_v_rms or facts.first_v_rms
    return ClippingSearch(
        [first if n in driven else 0.0 for n, first in zip(facts.channels, begins, strict=True)],
        facts.highest_v_rms,
        highest_percent=highest_percent(options),
        percentages=_with_own_bursts(options),
        burst_s=facts.burst_s,
        clean_input_v_rms=clean_v_rms,
    )


def limits_of(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the limits in frequency within which a burst is read, as `read_burst` takes them."""
    return {"band_hz": (options["low_hz"], options["high_hz"]), "harmonic_limit_hz": options["harmonic_limit_hz"]}


def reader(options: Mapping[str, Any], sample_rate_hz: float) -> Callable[[Any, float], BurstReading | None]:
    """Return what reads one channel of one burst: (samples, frequency_hz) → reading; None where no tone is there."""
    from audiomeas.analysis.clipping_burst import read_burst

    limits = limits_of(options)

    def read(signal: Any, frequency_hz: float) -> BurstReading | None:
        try:
            return read_burst(signal, sample_rate_hz, frequency_hz, **limits)
        except SignalError:
            return None

    return read


def part_of(recording: Recording, column: int, span: tuple[int, int]) -> Any:
    """Return frames of the stimulus on one channel as the analysis wants them, (frames,). Raises SignalError."""
    from audiomeas.measurement.steady import samples
    from audiomeas.recording import stimulus_slice

    return samples(recording, column, stimulus_slice(recording, *span))


def readings_of(
    recording: Recording,
    span: tuple[int, int],
    frequency_hz: float,
    level_v_rms: Mapping[int, float],
    options: Mapping[str, Any],
) -> dict[int, BurstReading | None]:
    """Return what a burst told, by channel; None for one that was silent, or on which no tone is to be read.

    span : frames of the stimulus in which it stands.   level_v_rms : by channel, at its input; 0: silent.
    Raises SignalError: the capture does not hold it.
    """
    read = reader(options, recording.sample_rate_hz)
    return {
        channel: read(part_of(recording, column, span), frequency_hz) if level_v_rms.get(channel, 0.0) > 0.0 else None
        for column, channel in enumerate(recording.channels)
    }


class BurstSearch:
    """A search on a bench: phases one after the other (each channel alone, then both), in each a `ClippingSearch`."""

    def __init__(self, context: SearchContext, options: Mapping[str, Any]) -> None:
        refuse_silent(context, "its clipping is not searched")
        self._played: list[BurstSeries] = []
        self._options = options
        self._rate_hz = context.sample_rate_hz
        self._frequency_hz, burst_s = burst_of(options, context.sample_rate_hz)
        self._first_look_v_rms = context.first_level_v_rms
        self._markers_gain_db = markers_gain_db(context, self._frequency_hz)
        self._asked_v_rms = _asked_output_v_rms(context, options)
        # As loud as markers that lie below their burst allow: those of the quietest bursts meet no ceiling.
        loud = self._burst((1.0,) * len(context.channels), options["burst_s"], context.channels, heard_v_rms=0.0)
        self._facts = _facts_of(context, options, self._asked_v_rms, context.highest_of(loud), burst_s)
        self._phases = _phases(context.channels, options["driving"])
        self._climb: CleanClimb | None = None
        self._begin(next(self._phases))
        self._gain: dict[int, float] = {}

    @property
    def conditions(self) -> Mapping[str, Any]:
        """What each capture keeps beside its own conditions."""
        return {FACTS: self._facts.as_json()}

    def next(self) -> Stimulus | None:
        """Return the burst to play now; None when all phases have ended."""
        from audiomeas.analysis.clipping_signs import Ending

        if (probe := self._probe()) is not None:
            return probe
        wanted = self._search.next()
        while wanted is None:
            end = self._search.end
            driven = next(self._phases, None)
            # Where a unit protects itself or oscillates, nothing further is tried on it.
            if driven is None or end is None or end.ending not in (Ending.FOUND, Ending.CEILING):
                return None
            self._begin(driven)
            if (probe := self._probe()) is not None:
                return probe
            wanted = self._search.next()
        if self._passes_asked(wanted.input_v_rms):
            return None
        return self._next_burst(wanted.input_v_rms, wanted.duration_s)

    def _begin(self, driven: tuple[int, ...]) -> None:
        """Begin a phase: with a low tone by a climb, whose end begins its search."""
        from audiomeas.analysis.clipping_probe import CleanClimb

        self._driven = driven
        if not is_low(self._frequency_hz):
            self._search = new_search(self._facts, driven, self._options)
            return
        first = [v if n in driven else 0.0 for n, v in zip(self._facts.channels, self._facts.first_v_rms, strict=True)]
        ratio = highest_percent(self._options) / 100.0
        self._climb = CleanClimb(first, self._facts.highest_v_rms, ratio=ratio)

    def _probe(self) -> BurstSeries | None:
        """Return the next burst of a climb; at its end begin the search, and return None."""
        from audiomeas.stimulus.bursts import LONGEST_BURST_S

        if self._climb is None:
            return None
        if (levels_v_rms := self._climb.next()) is not None:
            return self._next_burst(levels_v_rms, LONGEST_BURST_S)
        # What sags does so more in a longer burst; and what is read of so few periods is not read to a hair.
        clean = [one * db_to_amplitude_ratio(-_CLEAN_BELOW_DB) for one in self._climb.clean_v_rms]
        first = [
            max(a * db_to_amplitude_ratio(-_LOW_BELOW_DB), b) if a else 0.0
            for a, b in zip(clean, self._facts.first_v_rms, strict=True)
        ]
        self._climb = None
        self._search = new_search(self._facts, self._driven, self._options, first_v_rms=first, clean_v_rms=clean)
        return None

    def _next_burst(self, input_v_rms: Sequence[float], duration_s: float) -> BurstSeries:
        levels = [v for n, v in zip(self._facts.channels, input_v_rms, strict=True) if n in self._driven]
        self._played.append(self._burst(levels, duration_s, self._driven, heard_v_rms=self._first_look_v_rms))
        return self._played[-1]

    def _burst(
        self, levels_v_rms: Sequence[float], duration_s: float, driven: tuple[int, ...], *, heard_v_rms: float
    ) -> BurstSeries:
        from audiomeas.stimulus import BurstSeries

        return BurstSeries(
            frequency_hz=self._frequency_hz,
            levels_v_rms=(tuple(levels_v_rms),),
            durations_s=(duration_s,),
            sample_rate_hz=self._rate_hz,
            markers_v=markers_v(levels_v_rms, heard_v_rms, self._markers_gain_db),
            first=len(self._played),
            driven_channels=driven,
        )

    def _passes_asked(self, input_v_rms: Sequence[float]) -> bool:
        """Tell whether a burst would pass the highest level asked for, by the gain of the last one on each channel.

        At the first look a unit may have had less gain (a dead band takes more of a quiet sweep).
        """
        return any(
            level_v_rms * self._gain.get(channel, 0.0) > self._asked_v_rms[channel] * _PASSES
            for channel, level_v_rms in zip(self._facts.channels, input_v_rms, strict=True)
            if channel in self._asked_v_rms
        )

    def take(self, recording: Recording) -> None:
        """Take the capture of the burst that was wanted last. Raises SignalError: a climb's tone is gone."""
        series, channels = self._played[-1], self._facts.channels
        if self._climb is not None:
            self._take_probe(self._climb, recording, series)
            return
        levels = dict(zip(channels, series.level_of(0, channels), strict=True))
        readings = readings_of(recording, series.loud_span(0), series.frequency_hz, levels, self._options)
        for channel, reading in readings.items():
            if reading is not None:
                self._gain[channel] = reading.level_v_rms / levels[channel]
        self._search.take([readings[channel] for channel in channels])

    def _take_probe(self, climb: CleanClimb, recording: Recording, series: BurstSeries) -> None:
        from audiomeas.analysis.clipping_probe import read_probe

        def read(channel: int) -> ProbeReading | None:
            if channel not in series.driven_channels:
                return None
            part = part_of(recording, recording.column(channel), series.loud_span(0))
            return read_probe(part, recording.sample_rate_hz, series.frequency_hz)

        fallen = climb.take([read(channel) for channel in self._facts.channels])
        if fallen is not None:
            raise SignalError(f"channel {self._facts.channels[fallen]} {_FALLEN}")


def _phases(channels: tuple[int, ...], driving: str) -> Iterator[tuple[int, ...]]:
    """Yield which channels are driven: together, or first each alone."""
    if driving == ALONE and len(channels) > 1:
        yield from ((channel,) for channel in channels)
    yield channels


def _facts_of(
    context: SearchContext,
    options: Mapping[str, Any],
    asked_v_rms: Mapping[int, float],
    highest_of_bench: tuple[float, str],
    burst_s: float,
) -> SearchFacts:
    """Return what a search begins with.

    asked_v_rms : channel → highest output level asked for.   highest_of_bench : as `SearchContext.highest_of` gives it.
    Raises RequestError.
    """
    of_bench_v_rms, words = highest_of_bench
    highest = dict.fromkeys(context.channels, of_bench_v_rms)
    for channel, level_v_rms in asked_v_rms.items():
        # The input level at which an unclipped unit would give it.
        input_v_rms = level_v_rms / db_to_amplitude_ratio(context.gain_at_db(channel, options["frequency_hz"]))
        if input_v_rms < context.first_level_v_rms:
            raise RequestError(
                f"highest_level of {options['highest_level']} lies below the level of the first look: give a higher one"
            )
        if input_v_rms < of_bench_v_rms:
            words = f"highest_level, {options['highest_level']}; to go higher, ask for more"
        highest[channel] = min(input_v_rms, of_bench_v_rms)
    return SearchFacts(
        channels=context.channels,
        first_v_rms=(context.first_level_v_rms,) * len(context.channels),
        highest_v_rms=tuple(highest.values()),
        highest_words=words,
        burst_s=burst_s,
    )


def _asked_output_v_rms(context: SearchContext, options: Mapping[str, Any]) -> dict[int, float]:
    """Return channel → highest output level asked for; empty: none was. Raises RequestError: watts without a load."""
    asked: Level | None = options["highest_level"]
    return {} if asked is None else output_v_rms(context, asked, options["frequency_hz"])


# -- many captures, one recording ------------------------------------------------------------------------------------


def joined(recordings: Sequence[Recording]) -> Recording:
    """Return the last search among captures as one recording: its bursts end to end, its stimulus a `BurstSeries`.

    recordings : in the order of their capture; others than bursts, refused ones and earlier searches may be among them.
    A burst that was refused and never came again is told in the conditions.
    Raises SignalError: no bursts, one is missing, or they don't belong together.
    """
    from audiomeas.stimulus import BurstSeries

    bursts = [(one, one.stimulus) for one in recordings if isinstance(one.stimulus, BurstSeries)]
    begins = [place for place, (_, series) in enumerate(bursts) if series.first == 0]
    if not begins:
        raise SignalError("these captures hold no search for clipping from its first burst on")
    last = bursts[begins[-1] :]
    good = {series.first: one for one, series in last if one.stimulus_start is not None}
    refused = [one for one, series in last if one.stimulus_start is None and series.first not in good]
    if sorted(good) != list(range(len(good))) or not good:
        raise SignalError("a burst of this search is missing: give all of its captures")
    parts = [good[number] for number in sorted(good)]
    whole = end_to_end(parts, BurstSeries.joined)
    flags = (f"burst {number}: {flag}" for number, one in enumerate(parts, 1) for flag in one.provenance.flags)
    return dataclasses.replace(
        whole,
        conditions=_conditions(parts, whole, refused),
        provenance=dataclasses.replace(whole.provenance, flags=tuple(flags)),
    )


def _conditions(parts: Sequence[Recording], whole: Recording, refused: Sequence[Recording]) -> dict[str, Any]:
    """Return the conditions of all captures together; what is told by channel is gathered from all of them."""
    stimulus: Any = whole.stimulus
    merged: dict[str, Any] = {}
    for one in parts:
        for key, value in one.conditions.items():
            old = merged.get(key)
            merged[key] = {**old, **value} if isinstance(old, dict) and isinstance(value, dict) else value
    merged.pop("latency_frames", None)  # each capture's own
    merged.update(driven_channels=list(stimulus.driven_channels), input_level_v_rms=stimulus.level_v_rms)
    if refused:
        merged[LOST] = refused[-1].warnings[-1] if refused[-1].warnings else "it was refused"
    return merged
