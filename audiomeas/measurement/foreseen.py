"""What a measurement would play on a bench, how long, and how near each ceiling would come: told without any sound.

The unit's gain is not known yet. What is asked for at its output is held against the ceilings there, for a unit whose
response is flat, and tells the least gain that it needs; what is asked for at its input tells the most gain that it may
have. Both hold the margin of the interlock, which asks again, with the gains found, before each stimulus is played.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from audiomeas.bench.interlock import AT_INPUT, AT_OUTPUT, Prediction, predict
from audiomeas.bench.loudspeakers import refuse_output_level
from audiomeas.errors import AudiomeasError, RequestError
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.bench_check_sequences import quiet_sequence
from audiomeas.measurement.checks import ANY_LEVEL_V_RMS
from audiomeas.measurement.first_look import first_look_sweeps
from audiomeas.measurement.gated import TAIL_OF_TONES_S, TAIL_S
from audiomeas.measurement.options import complete
from audiomeas.measurement.response_views import hertz
from audiomeas.stimulus.marker import GAP_S, LEAD_S, MARKER_S
from audiomeas.units import SQRT2, Level, v_rms_to_w

if TYPE_CHECKING:
    from audiomeas.bench.opened import Bench
    from audiomeas.measurement.base import Measurement
    from audiomeas.stimulus import Stimulus

#: Around each stimulus: silence and markers; behind them `TAIL_S`, or less for tones (latency comes on top of it).
_AROUND_S = LEAD_S + 2.0 * (MARKER_S + GAP_S)
#: An output level is usually set by two short tones: 10 dB below it, and at it.
_SETTING_TONES = 2
_SETTING_TONE_S = 0.2 + _AROUND_S + TAIL_OF_TONES_S
#: More tones than these are told by the ends of their range.
_NAMED_TONES = 6
#: Options that tell up to which level a search goes, and what it is multiplied by.
_SEARCHED = ("rated_level", "highest_level")


@dataclass(frozen=True, kw_only=True)
class Room:
    """How near a ceiling comes. below_db : the stimulus stays so far below it, margin included; negative: beyond."""

    channel: int
    ceiling: str
    limit: str
    below_db: float


@dataclass(frozen=True, kw_only=True)
class Foreseen:
    """What a measurement would do on a bench.

    plays, level : in words.  seconds : of sound; None: a search, which depends on the unit.   least_gain_db,
    most_gain_db : of a unit for which it can be played; None: not bound.   rooms : of each ceiling, the nearest first.
    to_do : by hand, meanwhile.   missing : why this bench can't, a line each.
    """

    plays: str
    level: str
    channels: tuple[int, ...]
    seconds: float | None
    least_gain_db: float | None = None
    most_gain_db: float | None = None
    rooms: tuple[Room, ...] = ()
    to_do: str = ""
    missing: tuple[str, ...] = ()

    def nearest(self) -> tuple[Room, ...]:
        """Return the nearest ceiling of each channel, in the order of channels."""
        first = {room.channel: room for room in reversed(self.rooms)}
        return tuple(first[channel] for channel in sorted(first))


def before_steps_s(bench: Bench, *, checked: bool = True) -> float:
    """Return how long the first look and the quiet check of the bench sound, in seconds."""
    rate_hz = bench.form.sample_rate_hz
    look = first_look_sweeps(level_v_rms=ANY_LEVEL_V_RMS, sample_rate_hz=rate_hz, channels=bench.channels)
    frames = look.frames
    if checked:
        frames += quiet_sequence(ANY_LEVEL_V_RMS, rate_hz, bench.channels).frames
    return frames / rate_hz + (2 if checked else 1) * (_AROUND_S + TAIL_S)


def foresee(
    measurement: Measurement,
    options: Mapping[str, Any],
    bench: Bench,
    *,
    input_level: Level | None = None,
    output_level: Level | None = None,
    channels: tuple[int, ...] | None = None,
) -> Foreseen:
    """Return what `Session.measure` would do with the same request. Raises RequestError for options that are none."""
    filled = complete(measurement, options)
    return _Looking(measurement, filled, bench, channels or bench.channels).at(input_level, output_level)


class _Looking:
    """One request, looked at part by part; what is missing is gathered on the way."""

    def __init__(
        self, measurement: Measurement, options: Mapping[str, Any], bench: Bench, channels: tuple[int, ...]
    ) -> None:
        self._measurement = measurement
        self._options = options
        self._bench = bench
        self._channels = channels
        self._missing: list[str] = []

    def at(self, input_level: Level | None, output_level: Level | None) -> Foreseen:
        if not self._may_be_asked():
            return self._foreseen("nothing that this bench could", "", None)
        if self._measurement.search is not None:
            return self._searched()
        if self._measurement.silent:
            stimulus = self._stimulus(0.0)
            sent = "nothing at all" if self._measurement.only_listens(self._options) else "silence"
            return self._foreseen(f"{sent}, listening", "", self._seconds(stimulus))
        if input_level is None and output_level is None:
            input_level, output_level = self._bench.file.usual_input_level, self._bench.file.usual_output_level
        if input_level is not None:
            return self._at_input(input_level)
        if output_level is None:
            self._missing.append("no level: give input_level or output_level, or [usual] in the bench file")
            return self._foreseen(self._plays(self._stimulus(ANY_LEVEL_V_RMS)), "", None)
        return self._at_output(output_level)

    def _may_be_asked(self) -> bool:
        """Ask what the session asks before any sound; note why not."""
        for channel in self._channels:
            self._try(partial(self._bench.refuse_other_channel, channel))
        if self._measurement.check is not None and not self._missing:
            self._try(partial(self._measurement.check, self._context(ANY_LEVEL_V_RMS), self._options))
        if self._measurement.search is not None:
            self._try(self._bench.refuse_power_search)
        return not self._missing

    def _context(self, level_v_rms: float) -> PlayContext:
        return PlayContext(
            sample_rate_hz=self._bench.form.sample_rate_hz, channels=self._channels, input_level_v_rms=level_v_rms
        )

    def _try(self, ask: Callable[[], None]) -> None:
        try:
            ask()
        except AudiomeasError as error:
            self._missing.append(str(error))

    def _stimulus(self, level_v_rms: float) -> Stimulus | None:
        try:
            return self._measurement.stimulus(self._context(level_v_rms), self._options)
        except (ValueError, RequestError) as error:
            self._missing.append(str(error))
            return None

    # -- levels -------------------------------------------------------------------------------------------------

    def _at_input(self, level: Level) -> Foreseen:
        stimulus = self._stimulus(level.v_rms())
        if stimulus is None:
            return self._foreseen("nothing that this bench could", str(level), None)
        found = self._predictions(stimulus)
        at_input = [one for one in found if one.ceiling.at == AT_INPUT]
        self._note_beyond(at_input)
        most_gain_db = -max(one.excess_db for one in found if one.ceiling.at == AT_OUTPUT)
        return self._foreseen(
            self._plays(stimulus),
            f"{level} at the unit's input",
            self._seconds(stimulus),
            most_gain_db=most_gain_db,
            rooms=_rooms(at_input),
        )

    def _at_output(self, level: Level) -> Foreseen:
        wanted_v = self._output_v_rms(level)
        if wanted_v is None:
            return self._foreseen(self._plays(self._stimulus(ANY_LEVEL_V_RMS)), str(level), None)
        stimulus = self._stimulus(wanted_v)
        if stimulus is None:
            return self._foreseen("nothing that this bench could", str(level), None)
        # The level is set by a tone of its own, whatever is played then.
        found = (*self._predictions(stimulus), *self._predicted(wanted_v, SQRT2 * wanted_v))
        at_output = [one for one in found if one.ceiling.at == AT_OUTPUT]
        self._note_beyond(at_output)
        least_gain_db = max(one.excess_db for one in found if one.ceiling.at == AT_INPUT)
        highest_db = self._bench.file.limits.highest_gain_db
        if least_gain_db > highest_db:
            self._missing.append(
                f"the unit needs a gain of at least {least_gain_db:.1f} dB, and this bench allows {highest_db:g} dB: "
                "lower the level"
            )
        seconds = self._seconds(stimulus) or 0.0
        return self._foreseen(
            self._plays(stimulus),
            f"{level} at the unit's output" + (f" ({wanted_v:.3g} V)" if level.unit == "W" else ""),
            seconds + _SETTING_TONES * _SETTING_TONE_S,
            least_gain_db=least_gain_db,
            rooms=_rooms(at_output),
        )

    def _searched(self) -> Foreseen:
        """Return what a search would do: up to the level that it is given, else up to the nearest ceiling."""
        plays = "levels that it finds by itself"
        if self._options.get("waived"):
            return self._foreseen(f"nothing: waived ({self._options['waived']})", "", 0.0)
        level = next((self._options[key] for key in _SEARCHED if self._options.get(key) is not None), None)
        minutes = self._options.get("minutes")
        seconds = None if minutes is None else 60.0 * float(minutes)
        if level is None:
            return self._foreseen(plays, "up to the nearest ceiling", seconds)
        wanted_v = self._output_v_rms(level)
        share = float(self._options.get("power_share", 1.0))
        if wanted_v is None:
            return self._foreseen(plays, f"up to {level}", seconds)
        # The tone of each level: a sine of this voltage at the unit's output.
        level_v_rms = wanted_v * share**0.5
        found = self._predicted(level_v_rms, SQRT2 * level_v_rms)
        at_output = [one for one in found if one.ceiling.at == AT_OUTPUT]
        self._note_beyond(at_output)
        shown = f"up to {level}" if share == 1.0 else f"{share:g} of {level}"
        return self._foreseen(
            plays,
            f"{shown} at the unit's output",
            seconds,
            least_gain_db=max(one.excess_db for one in found if one.ceiling.at == AT_INPUT),
            rooms=_rooms(at_output),
        )

    def _output_v_rms(self, level: Level) -> float | None:
        """Return a level at the output in volts, on the channel where it is highest; None where it has none."""
        found = []
        for channel in self._channels:
            load = self._bench.file.load(channel)
            try:
                wanted_v = level.v_rms(load_ohm=None if load is None else load.power_ohm(self._reference_hz()))
                refuse_output_level(self._bench.file.loudspeakers, wanted_v, channel)
            except AudiomeasError as error:
                self._missing.append(str(error))
                return None  # of the other channel it would say the same
            found.append(wanted_v)
        return max(found)

    def _reference_hz(self) -> float:
        return float(self._options.get("frequency_hz") or self._options.get("reference_hz") or 1000.0)

    def _predictions(self, stimulus: Stimulus) -> tuple[Prediction, ...]:
        return self._predicted(stimulus.level_v_rms, stimulus.peak_v)

    def _predicted(self, level_v_rms: float, peak_v: float) -> tuple[Prediction, ...]:
        """Return predictions for a unit of 0 dB: what a level at its output does there, or at its input."""
        ceilings = self._bench.ceilings(self._channels)
        return predict(
            ceilings, level_v_rms=level_v_rms, peak_v=peak_v, gain_db=dict.fromkeys(self._bench.channels, 0.0)
        )

    def _note_beyond(self, predictions: list[Prediction]) -> None:
        lines = {one.ceiling.what: one.line() for one in predictions if one.excess_db > 0.0}
        self._missing += lines.values()

    # -- words --------------------------------------------------------------------------------------------------

    def _plays(self, stimulus: Stimulus | None) -> str:
        if stimulus is None:
            return "nothing that this bench could"
        tones_hz = list(dict.fromkeys(window.frequency_hz for window in stimulus.windows() if window.frequency_hz))
        kind = stimulus.kind.replace("-", " ").replace("_", " ")
        if not tones_hz:
            low_hz, high_hz = (self._options.get(key) for key in ("from_hz", "to_hz"))
            return f"{kind} from {hertz(low_hz)} to {hertz(high_hz)}" if low_hz and high_hz else kind
        if len(tones_hz) <= _NAMED_TONES:
            return f"{kind} of {', '.join(map(hertz, tones_hz))}"
        return f"{kind} of {len(tones_hz)} frequencies from {hertz(min(tones_hz))} to {hertz(max(tones_hz))}"

    def _seconds(self, stimulus: Stimulus | None) -> float | None:
        if stimulus is None:
            return None
        steady = all(window.frequency_hz is not None for window in stimulus.windows())
        return stimulus.frames / stimulus.sample_rate_hz + _AROUND_S + (TAIL_OF_TONES_S if steady else TAIL_S)

    def _foreseen(self, plays: str, level: str, seconds: float | None, **more: Any) -> Foreseen:
        return Foreseen(
            plays=plays,
            level=level,
            channels=self._channels,
            seconds=seconds,
            to_do=self._measurement.to_do.format(**self._options) if self._measurement.to_do else "",
            missing=tuple(dict.fromkeys(self._missing)),
            **more,
        )


def _rooms(predictions: Sequence[Prediction]) -> tuple[Room, ...]:
    """Return all ceilings of each channel, each at its nearest, the nearest first."""
    found: dict[tuple[int, str], Room] = {}
    for one in sorted(predictions, key=lambda prediction: -prediction.excess_db):
        ceiling, load_ohm = one.ceiling, one.ceiling.load_ohm
        limit = f"{ceiling.v_rms:.3g} V" if load_ohm is None else f"{v_rms_to_w(ceiling.v_rms, load_ohm):.3g} W"
        room = Room(channel=ceiling.channel, ceiling=ceiling.what, limit=limit, below_db=-one.excess_db)
        found.setdefault((ceiling.channel, ceiling.what), room)
    return tuple(found.values())
