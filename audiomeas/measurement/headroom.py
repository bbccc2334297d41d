"""Dynamic headroom: what a unit gives for a moment, beside the power that it is rated for without end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import scaled
from audiomeas.errors import SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext, SearchContext
from audiomeas.measurement.budget import Told, own_parts
from audiomeas.measurement.checks import made, rated_level, refuse_empty_band
from audiomeas.measurement.headroom_views import charts, tables
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.searched import joined_captures, markers_v, refuse_silent
from audiomeas.measurement.tone_values import BAND_OPTIONS, definitions, tell_output, uncertainty_covers
from audiomeas.units import Level, amplitude_ratio_to_db, power_ratio_to_db

if TYPE_CHECKING:
    from audiomeas.analysis.clipping import Clipping
    from audiomeas.analysis.clipping_burst import BurstReading
    from audiomeas.measurement.base import Search
    from audiomeas.recording import Recording
    from audiomeas.stimulus import PulsedTone, Stimulus

_WORD = "headroom"
#: Condition: which capture of a search this is, from 0.
_FACTS = "headroom_search"
#: The frequency that the standard asks for.
_FREQUENCY_HZ = 1_000.0


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> PulsedTone:
    """Return one level as the search plays it (for checks; a search makes its own). Raises ValueError."""
    levels = (context.input_level_v_rms,) * len(context.channels)
    return _pulsed(levels, context.sample_rate_hz, context.channels, options)


def _pulsed(
    levels_v_rms: tuple[float, ...],
    sample_rate_hz: float,
    channels: tuple[int, ...],
    options: Mapping[str, Any],
    *,
    heard_v_rms: float = 0.0,
    first: int = 0,
) -> PulsedTone:
    """Return swells at one level a channel. heard_v_rms : markers are not below it, where the swells aren't."""
    from audiomeas.stimulus import PulsedTone
    from audiomeas.stimulus.pulsed import whole_periods_hz

    return PulsedTone(
        frequency_hz=whole_periods_hz(options["frequency_hz"]),
        levels_v_rms=(levels_v_rms,),
        sample_rate_hz=sample_rate_hz,
        markers_v=markers_v(levels_v_rms, heard_v_rms),
        rounds=options["rounds"],
        first=first,
        driven_channels=channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    _rated(options)
    made(_stimulus, context, options)
    refuse_empty_band(context, options)


def _rated(options: Mapping[str, Any]) -> Level:
    return rated_level(options, "the continuous power of each channel")


class _HeadroomSearch:
    """Raises the swells of all driven channels together, each at its own level, until each clips as much as asked."""

    def __init__(self, context: SearchContext, options: Mapping[str, Any]) -> None:
        from audiomeas.analysis.clipping_search import ClippingSearch
        from audiomeas.stimulus.pulsed import SWELL_S

        refuse_silent(context, "its headroom is not searched")
        self._context, self._options = context, options
        self._number = -1
        first_v_rms = (context.first_level_v_rms,) * len(context.channels)
        highest_v_rms, _ = context.highest_of(_pulsed(first_v_rms, context.sample_rate_hz, context.channels, options))
        self._search = ClippingSearch(
            first_v_rms,
            (highest_v_rms,) * len(context.channels),
            highest_percent=options["rated_percent"],
            percentages=(options["rated_percent"],),
            burst_s=SWELL_S,
        )

    @property
    def conditions(self) -> Mapping[str, Any]:
        """What each capture keeps beside its own conditions."""
        return {_FACTS: {"number": self._number}}

    def next(self) -> Stimulus | None:
        """Return the swells to play now; None when the search has ended."""
        wanted = self._search.next()
        if wanted is None:
            return None
        self._number += 1
        return _pulsed(
            wanted.input_v_rms,
            self._context.sample_rate_hz,
            self._context.channels,
            self._options,
            heard_v_rms=self._context.first_level_v_rms,
            first=self._number,
        )

    def take(self, recording: Recording) -> None:
        """Take the capture of what was wanted last."""
        columns = [recording.column(channel) for channel in self._context.channels]
        self._search.take([_readings(recording, column, self._options)[0] for column in columns])


def _search(context: SearchContext, options: Mapping[str, Any]) -> Search:
    return _HeadroomSearch(context, options)


def _readings(recording: Recording, column: int, options: Mapping[str, Any]) -> list[BurstReading | None]:
    """Return what the last swell of each level told on one channel; None where no tone is to be read."""
    from audiomeas.measurement.clipping_bursts import part_of, reader

    stimulus: Any = recording.stimulus
    read = reader(options, recording.sample_rate_hz)
    return [
        read(part_of(recording, column, stimulus.last_swell(number)), stimulus.frequency_hz)
        for number in range(len(stimulus.levels_v_rms))
    ]


def joined(recordings: Sequence[Recording]) -> Recording:
    """Return the last search among captures as one recording. See `joined_captures`."""
    from audiomeas.stimulus import PulsedTone

    return joined_captures(recordings, _FACTS, _WORD, PulsedTone.joined)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.analysis.clipping_curve import AT_MOST

    rated = _rated(options)
    stimulus = _swells_of(recording)
    if recording.stimulus_start is None:
        from audiomeas.measurement.stepped import aligned

        recording = aligned(recording, stimulus, what="swells")
    channels, warnings = [], []
    for column, channel in enumerate(recording.channels):
        if channel not in stimulus.driven_channels:
            warnings.append(f"channel {channel} was not driven: no headroom is told")
            channels.append(ChannelResult(channel=channel, values=_empty()))
            continue
        found = _clipping(recording, column, stimulus, options)
        if found.levels[0].bound == AT_MOST:
            warnings.append(
                f"channel {channel}: even the quietest swell has {options['rated_percent']:g} % of distortion: a fault "
                "of the unit, or samples that were lost or swapped inside a swell; look at its capture, measure again"
            )
        channels.append(_told(recording, column, channel, stimulus, found, rated))
    return result_of(
        recording,
        _WORD,
        conditions=_conditions(recording, stimulus, options, rated),
        channels=tuple(channels),
        warnings=tuple(warnings),
    )


def _swells_of(recording: Recording) -> PulsedTone:
    from audiomeas.stimulus import PulsedTone

    stimulus = recording.stimulus
    if not isinstance(stimulus, PulsedTone):
        raise SignalError(
            "headroom needs the swells that it plays itself: measure it on a bench, or give the folder of its captures"
        )
    return stimulus


def _clipping(recording: Recording, column: int, stimulus: PulsedTone, options: Mapping[str, Any]) -> Clipping:
    from audiomeas.analysis.clipping import levels_of

    read = _readings(recording, column, options)
    own = stimulus.driven_channels.index(recording.channels[column])
    levels = [each[own] for each in stimulus.levels_v_rms]
    both = [(one, level) for one, level in zip(read, levels, strict=True) if one is not None]
    percent = options["rated_percent"]
    return levels_of([one for one, _ in both], [level for _, level in both], percentages=(percent,))


def _empty() -> dict[str, Any]:
    return {**dict.fromkeys(("headroom_db", "burst_w", "burst_v_rms", "burst_dbfs", "burst_input_v_rms")), "curve": []}


def _told(
    recording: Recording, column: int, channel: int, stimulus: PulsedTone, found: Clipping, rated: Level
) -> ChannelResult:
    """Tell the level of the swells at the distortion, and its distance to the rated one."""
    (level,) = found.levels
    told = Told(_empty())
    tell_output(
        told,
        recording,
        column,
        channel,
        level.level_v_rms,
        frequency_hz=stimulus.frequency_hz,
        own=own_parts(level.uncertainty_db / DB_PER_NEPER),
        prefix="burst",
    )
    told.values["burst_input_v_rms"] = level.input_v_rms if recording.stimulus_in_volts else None
    key = "burst_w" if rated.unit == "W" else "burst_v_rms"
    value = told.values[key]
    if value is not None:
        to_db, per_relative = (
            (power_ratio_to_db, DB_PER_NEPER / 2.0) if rated.unit == "W" else (amplitude_ratio_to_db, DB_PER_NEPER)
        )
        told.values["headroom_db"] = to_db(value / rated.value)
        if key in told.budget:
            told.add("headroom_db", scaled(told.budget[key], per_relative / value))
    if level.bound is not None:
        told.at_most(
            *(name for name in _empty() if told.values[name] is not None and name != "curve"), word=level.bound
        )
    told.values["curve"] = [
        {
            "level_v_rms": point.level_v_rms if recording.calibrated else None,
            "thd_percent": 100.0 * point.thd_ratio,
            "bound": {"thd_percent": "at most"} if point.thd_at_most else {},
        }
        for point in found.curve
    ]
    return told.result(channel)


def _conditions(recording: Recording, stimulus: PulsedTone, options: Mapping[str, Any], rated: Level) -> dict[str, Any]:
    from audiomeas.stimulus.pulsed import BETWEEN_BELOW_DB, ROUND_S, SWELL_S

    return {
        **definitions(options, recording.sample_rate_hz),
        "method": f"swells of {1e3 * SWELL_S:g} ms in {1e3 * ROUND_S:g} ms, {BETWEEN_BELOW_DB:g} dB lower between",
        "source": "CEA-490-A and IHF-A-202, from memory; there the eye finds clipping, here a stated distortion does",
        "frequency_hz": stimulus.frequency_hz,
        "rated_level": str(rated),
        "rated_percent": options["rated_percent"],
        "thd": "noise removed, in the second half of the last swell",
        "level_of": "fundamental and harmonics",
        "rounds": stimulus.rounds,
        "levels": len(stimulus.levels_v_rms),
        "channels_driven": list(stimulus.driven_channels),
        "uncertainty_covers": uncertainty_covers(recording),
    }


MEASUREMENT = Measurement(
    word=_WORD,
    summary="Dynamic headroom: power of 20 ms swells that just clip, over the rated continuous power",
    example="headroom --rated-level '60 W'",
    options=(
        Option(
            name="rated_level",
            kind="level",
            help="The continuous power that it refers to, such as '60 W'.",
            stage="analyse",
        ),
        Option(
            name="rated_percent",
            kind="number",
            help="Distortion (harmonics alone) at which a swell counts as clipped.",
            default=1.0,
            stage="analyse",
            at_least=0.01,
            at_most=10.0,
        ),
        Option(
            name="frequency_hz",
            kind="number",
            help="Frequency of the tone; the nearest with whole periods in a swell is played.",
            default=_FREQUENCY_HZ,
            at_least=1_000.0,
            at_most=10_000.0,
        ),
        Option(
            name="rounds",
            kind="integer",
            help="Swells at each level; the last one is read.",
            default=3,
            at_least=1,
            at_most=20,
        ),
        *BAND_OPTIONS,
    ),
    figures=(
        Figure(key="headroom_db", unit="dB", words="dynamic headroom"),
        Figure(key="burst_w", unit="W", words="power for a moment"),
        Figure(key="burst_v_rms", unit="V", words="voltage for a moment"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    search=_search,
    join=joined,
    needs_stimulus=True,
)
