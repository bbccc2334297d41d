"""Output impedance and damping factor from the voltages at two loads, against frequency."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, of_limits, scaled
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.bounded_series import too_few_frequencies
from audiomeas.measurement.budget import Told
from audiomeas.measurement.checks import made
from audiomeas.measurement.curves import row_curve
from audiomeas.measurement.distortion_steps import step_row
from audiomeas.measurement.impedance_views import views_of
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.scale_parts import LOAD, LOAD_INDUCTANCE
from audiomeas.measurement.steady import of_channel
from audiomeas.measurement.two_takes import (
    TAKE_OPTIONS,
    ChannelPairs,
    Pair,
    TwoTakes,
    moved_by,
    notes_of,
    reference_of,
    stimulus_of,
    take_conditions,
    told_magnitude,
    two_takes,
)

if TYPE_CHECKING:
    from audiomeas.recording import Recording

_WORD = "output-impedance"
_IMPEDANCE, _DAMPING = "output_impedance_ohm", "damping_factor"
_SECOND_LOAD, _RATED_LOAD = "resistance of the second load", "rated load"
#: The first load's error moves the impedance and, where it is the rated one, the damping factor too.
_FIRST_SOURCE = "first load"
_DROWNED = (
    "the change of voltage drowns in its uncertainty, and without phases nothing more is told: take loads that differ "
    "more, or better known ones"
)
_SAME_LOADS = "both loads are {:g} Ω: an output impedance needs two that differ"
_UNCHANGED = (
    "the voltage changed nowhere by more than its uncertainty: was the load changed between the takes? If you have "
    "seen to it, say so with load_changed, and the impedance is told as a bound"
)


class _Loads:
    """What stood at the output of one channel in the two takes, and what the damping factor refers to."""

    def __init__(self, conditions: Mapping[str, Any], channel: int, options: Mapping[str, Any]) -> None:
        own_ohm = of_channel(conditions.get("load_ohm"), channel)
        first_ohm = options["first_load_ohm"] or own_ohm
        if first_ohm is None:
            raise SignalError(
                f"channel {channel} has no load: enter a [[load]] in the bench file, or give first_load_ohm; an output "
                "impedance is found from two loads, of which the second one may be none"
            )
        self.first_ohm: float = first_ohm
        is_own = options["first_load_ohm"] is None
        self.first_h = (of_channel(conditions.get("load_inductance_h"), channel) or 0.0) if is_own else 0.0
        self.first_half_h = of_channel(conditions.get("load_inductance_uncertainty_h"), channel) or 0.0
        stated = options["load_percent"] / 100.0
        own = of_channel(conditions.get("load_uncertainty"), channel) if is_own else None
        self.first_part = Part(LOAD, own, "rectangular", _FIRST_SOURCE) if own else of_limits(LOAD, stated)
        self.second_ohm: float | None = options["second_load_ohm"]
        self.second_part = of_limits(_SECOND_LOAD, stated)
        self.rated_ohm: float = options["rated_load_ohm"] or first_ohm
        self.rated_parts = () if options["rated_load_ohm"] else (self.first_part,)
        if self.second_ohm is not None and self.second_ohm == first_ohm:
            raise SignalError(_SAME_LOADS.format(first_ohm))

    def source(self, pair: Pair, ratio: complex, *, first: float = 1.0, second: float = 1.0, coil: float = 1.0) -> Any:
        """Return the impedance of the source for a ratio, with loads changed by factors."""
        from audiomeas.analysis.two_voltages import admittance_s, source_impedance_ohm

        second_ohm = None if self.second_ohm is None else second * self.second_ohm
        return source_impedance_ohm(
            ratio,
            admittance_s(first * self.first_ohm, coil * self.first_h, pair.angular_hz),
            admittance_s(second_ohm),
        )

    def parts(self, pair: Pair) -> list[Part]:
        """Return what the loads put into the impedance, in ohms."""
        found = [*scaled((self.first_part,), moved_by(lambda factor: self.source(pair, pair.ratio, first=factor)))]
        if self.second_ohm is not None:
            of_second = moved_by(lambda factor: self.source(pair, pair.ratio, second=factor))
            found += scaled((self.second_part,), of_second)
        if self.first_h and self.first_half_h:
            per_relative = moved_by(lambda factor: self.source(pair, pair.ratio, coil=factor))
            found.append(Part(LOAD_INDUCTANCE, per_relative * self.first_half_h / self.first_h, "rectangular"))
        return found


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    takes = two_takes(recording, options, _WORD)
    reference_hz = reference_of(takes, options)
    loads = {one.channel: _Loads(recording.conditions, one.channel, options) for one in takes.channels}
    channels = [_channel(one, loads[one.channel], takes, reference_hz, options) for one in takes.channels]
    return result_of(
        recording,
        _WORD,
        conditions=_conditions(takes, loads, reference_hz, options),
        channels=tuple(channels),
        warnings=notes_of(channels),
    )


def _channel(
    one: ChannelPairs, loads: _Loads, takes: TwoTakes, reference_hz: float, options: Mapping[str, Any]
) -> ChannelResult:
    steps = [_step(hz, pair, loads, takes, options) for hz, pair in zip(one.frequency_hz, one.pairs, strict=True)]
    if all(step.values[_IMPEDANCE] is None or step.bound for step in steps) and not options["load_changed"]:
        for step in steps:
            if step.bound.get(_IMPEDANCE) == "at most":
                _nothing(step, _UNCHANGED)
    rows = [step_row(step) for step in steps]
    told = Told({"reference_hz": reference_hz, "load_ohm": loads.rated_ohm, "steps": rows})
    at = next(step for step in steps if step.values["frequency_hz"] == reference_hz)
    for key in (_IMPEDANCE, _DAMPING):
        told.copy(key, at, key)
    known = [step for step in steps if step.values[_IMPEDANCE] is not None]
    worst = max(known, key=lambda step: step.values[_IMPEDANCE], default=None)
    for key, of in (("largest_output_impedance_ohm", _IMPEDANCE), ("lowest_damping_factor", _DAMPING)):
        told.copy(key, worst, of)
    told.values["largest_output_impedance_at_hz"] = None if worst is None else worst.values["frequency_hz"]
    return told.result(one.channel)


def _step(frequency_hz: float, pair: Pair | str, loads: _Loads, takes: TwoTakes, options: Mapping[str, Any]) -> Told:
    told = Told(
        {
            "frequency_hz": frequency_hz,
            _IMPEDANCE: None,
            "resistance_ohm": None,
            "reactance_ohm": None,
            _DAMPING: None,
            "note": None,
        }
    )
    if isinstance(pair, str):
        told.values["note"] = pair
        return told
    impedance = told_magnitude(
        told,
        _IMPEDANCE,
        pair,
        lambda ratio: loads.source(pair, ratio),
        loads.parts(pair),
        options["ratio_percent"],
    )
    half_ohm, ohm = told.uncertainty[_IMPEDANCE], abs(impedance)
    if half_ohm >= ohm:
        _drown(told, ohm + half_ohm, loads, phases=takes.phases)
    elif impedance.real < -half_ohm:
        _nothing(told, "the voltage rose with the heavier load: the takes are the other way round, or the gain changed")
    else:
        told.values["resistance_ohm"] = impedance.real
        told.values["reactance_ohm"] = impedance.imag if takes.phases else None
        told.uncertainty.update(dict.fromkeys(("resistance_ohm", "reactance_ohm"), half_ohm))
        told.values[_DAMPING] = loads.rated_ohm / ohm
        relative = (*scaled(told.budget[_IMPEDANCE], -1.0 / ohm), *loads.rated_parts)
        told.add(_DAMPING, relative, loads.rated_ohm / ohm)
        if not takes.phases:
            told.at_most(_IMPEDANCE, word="at least")
            told.at_most(_DAMPING, word="at most")
    return told


def _drown(told: Told, largest_ohm: float, loads: _Loads, *, phases: bool) -> None:
    """Make a bound of what can't be told from nothing; without phases a reactance may hide, and nothing is told."""
    if not phases:
        _nothing(told, _DROWNED)
        return
    told.values[_IMPEDANCE], told.values[_DAMPING] = largest_ohm, loads.rated_ohm / largest_ohm
    told.at_most(_IMPEDANCE)
    told.at_most(_DAMPING, word="at least")


def _nothing(told: Told, note: str) -> None:
    told.values.update({_IMPEDANCE: None, _DAMPING: None, "note": note})
    for kept in (told.uncertainty, told.budget, told.bound):
        kept.clear()


def _conditions(
    takes: TwoTakes, loads: Mapping[int, _Loads], reference_hz: float, options: Mapping[str, Any]
) -> dict[str, Any]:
    return {
        "method": "two loads (IEC 60268-3), "
        + (
            "complex voltages"
            if takes.phases
            else "magnitudes only: a reactance is not seen, so that the impedance is at least what is told"
        ),
        "first_load_ohm": {str(channel): one.first_ohm for channel, one in loads.items()},
        "second_load_ohm": options["second_load_ohm"] or "open",
        "rated_load_ohm": {str(channel): one.rated_ohm for channel, one in loads.items()},
        **take_conditions(takes, reference_hz, options),
        "uncertainty_covers": "noise, fit, drift of the card as stated, loads; not leads before the point of sensing",
    }


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    if options["first_load_ohm"] is not None and options["first_load_ohm"] == options["second_load_ohm"]:
        raise RequestError(_SAME_LOADS.format(options["first_load_ohm"]))
    made(stimulus_of, context, options)


_tables, _charts = views_of(
    title="Output impedance",
    note="Damping factor: rated load over the magnitude of the output impedance, sensed where the bench is connected.",
    quantities=(
        (_IMPEDANCE, "output impedance at the reference", "Ω"),
        (_DAMPING, "damping factor at the reference", ""),
        ("largest_output_impedance_ohm", "largest output impedance of all steps", "Ω"),
        ("lowest_damping_factor", "lowest damping factor of all steps", ""),
    ),
    columns=(
        (_IMPEDANCE, "Impedance", "Ω"),
        ("resistance_ohm", "Resistance", "Ω"),
        ("reactance_ohm", "Reactance", "Ω"),
        (_DAMPING, "Damping factor", ""),
    ),
    drawn=(
        (_IMPEDANCE, "output-impedance", "Output impedance against frequency", "Output impedance (Ω)"),
        (_DAMPING, "damping-factor", "Damping factor against frequency", "Damping factor"),
    ),
    of_all={_IMPEDANCE: "largest_output_impedance_ohm", _DAMPING: "lowest_damping_factor"},
)

MEASUREMENT = Measurement(
    word=_WORD,
    summary="Output impedance and damping factor against frequency, by two loads that you change in a pause",
    example='output-impedance --output-level "1 W"',
    options=(
        Option(
            name="second_load_ohm",
            kind="number",
            help="Load of the second take, everything that hangs there in parallel; without it, none (open).",
            above=0.0,
            stage="analyse",
        ),
        Option(
            name="first_load_ohm",
            kind="number",
            help="Load of the first take; without it, that of the bench file.",
            above=0.0,
            stage="analyse",
        ),
        Option(
            name="load_percent",
            kind="number",
            help="Limits of error of loads that are given here.",
            default=1.0,
            above=0.0,
            at_most=50.0,
            stage="analyse",
        ),
        Option(
            name="rated_load_ohm",
            kind="number",
            help="What the damping factor refers to; without it, the first load.",
            above=0.0,
            stage="analyse",
        ),
        Option(
            name="load_changed",
            kind="truth",
            help="You have seen to it that the load was changed: a change too small to be told then gives a bound.",
            default=False,
            stage="analyse",
        ),
        *TAKE_OPTIONS,
    ),
    figures=(
        Figure(key=_IMPEDANCE, unit="Ω", words="output impedance"),
        Figure(key=_DAMPING, unit="", words="damping factor"),
        Figure(key="largest_output_impedance_ohm", unit="Ω", words="largest output impedance of all steps"),
        Figure(key="lowest_damping_factor", unit="", words="lowest damping factor of all steps"),
    ),
    stimulus=stimulus_of,
    analyse=_analyse,
    tables=_tables,
    charts=_charts,
    no_chart=too_few_frequencies,
    check=_check,
    curves=(
        row_curve(_IMPEDANCE, unit="Ω", words="output impedance"),
        row_curve(_DAMPING, unit="", words="damping factor"),
    ),
    to_do=(
        "the same steps play twice, with {pause_s:g} s of silence in the middle: begin with the load of the bench "
        "file; in the silence (when the progress stands at half) change it or, where the unit allows an open output, "
        "take it off, and leave it so until the end; a valve amplifier is never left without a load: give it another "
        "one (second_load_ohm)"
    ),
)
