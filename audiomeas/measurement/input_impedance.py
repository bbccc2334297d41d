"""Input impedance from what a known resistor in series with the input takes from the level, against frequency."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, combined, of_limits, scaled
from audiomeas.errors import SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.bounded_series import too_few_frequencies
from audiomeas.measurement.budget import Told
from audiomeas.measurement.checks import made
from audiomeas.measurement.curves import row_curve
from audiomeas.measurement.distortion_steps import step_row
from audiomeas.measurement.impedance_views import views_of
from audiomeas.measurement.result import ChannelResult, Result, result_of
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

_WORD = "input-impedance"
_IMPEDANCE, _RESISTANCE, _CAPACITANCE = "input_impedance_ohm", "input_resistance_ohm", "input_capacitance_pf"
_SERIES, _SOURCE = "series resistor", "source impedance of the card's output"
#: As large as the input of a phono stage (common practice).
_USUAL_SERIES_OHM = 47_000.0
#: Where it is not known: outputs of cards have 50 to 600 Ω (common practice).
_USUAL_SOURCE_OHM = (325.0, 275.0)
_PF_PER_F = 1e12
_UNCHANGED = (
    "the level changed by less than its uncertainty: was the resistor put in between the takes? If it was, take a "
    "larger one"
)
_ROSE = "the level rose with the resistor: the takes are the other way round, or the gain changed"


class _Divider:
    """The resistor that was put in, and what drives it."""

    def __init__(self, options: Mapping[str, Any]) -> None:
        self.series_ohm: float = options["series_ohm"]
        self.series_part = of_limits(_SERIES, options["series_percent"] / 100.0)
        given: float | None = options["source_ohm"]
        self.source_ohm, limit_ohm = _USUAL_SOURCE_OHM if given is None else (given, 0.0)
        self.source_part = of_limits(_SOURCE, limit_ohm)

    def input(self, ratio: complex, *, series: float = 1.0) -> complex:
        """Return the impedance of the input for a ratio, with the resistor changed by a factor."""
        from audiomeas.analysis.two_voltages import input_impedance_ohm

        return input_impedance_ohm(ratio, series * self.series_ohm, self.source_ohm)

    def parts(self, pair: Pair) -> list[Part]:
        """Return what resistor and source put into the impedance, in ohms."""
        of_series = moved_by(lambda factor: self.input(pair.ratio, series=factor))
        return [*scaled((self.series_part,), of_series), *scaled((self.source_part,), -1.0)]


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played."""
    made(stimulus_of, context, options)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    takes = two_takes(recording, options, _WORD)
    if not takes.phases:
        raise SignalError(
            "an input has a capacitance, which two captures can't tell: play both takes in one capture, without other"
        )
    reference_hz = reference_of(takes, options)
    divider = _Divider(options)
    channels = [_channel(one, divider, reference_hz, options) for one in takes.channels]
    return result_of(
        recording,
        _WORD,
        conditions=_conditions(takes, divider, reference_hz, options),
        channels=tuple(channels),
        warnings=notes_of(channels),
    )


def _channel(one: ChannelPairs, divider: _Divider, reference_hz: float, options: Mapping[str, Any]) -> ChannelResult:
    steps = [_step(hz, pair, divider, options) for hz, pair in zip(one.frequency_hz, one.pairs, strict=True)]
    told = Told({"reference_hz": reference_hz, "steps": [step_row(step) for step in steps]})
    at = next(step for step in steps if step.values["frequency_hz"] == reference_hz)
    sharpest = min(
        (step for step in steps if _CAPACITANCE in step.uncertainty),
        key=lambda step: step.uncertainty[_CAPACITANCE],
        default=None,
    )
    for key, step in ((_IMPEDANCE, at), (_RESISTANCE, at), (_CAPACITANCE, sharpest)):
        told.copy(key, step, key)
    told.values["input_capacitance_at_hz"] = None if sharpest is None else sharpest.values["frequency_hz"]
    return told.result(one.channel)


def _step(frequency_hz: float, pair: Pair | str, divider: _Divider, options: Mapping[str, Any]) -> Told:
    told = Told({"frequency_hz": frequency_hz, _IMPEDANCE: None, _RESISTANCE: None, _CAPACITANCE: None, "note": None})
    if isinstance(pair, str):
        told.values["note"] = pair
        return told
    open_relative = combined([Part("", pair.noise), of_limits("", options["ratio_percent"] / 100.0)]) * abs(pair.ratio)
    if abs(pair.ratio - 1.0) <= open_relative:
        told.values["note"] = _UNCHANGED
        return told
    if abs(pair.ratio) < 1.0:
        told.values["note"] = _ROSE
        return told
    impedance = told_magnitude(told, _IMPEDANCE, pair, divider.input, divider.parts(pair), options["ratio_percent"])
    _tell_parallel(told, impedance, pair)
    return told


def _tell_parallel(told: Told, impedance: complex, pair: Pair) -> None:
    """Tell the resistance and the capacitance that together are the impedance: 1/Z is known as well as Z, relative.

    Errors of 1/Z along and across count alike: each is taken as if it fell on what is told.
    """
    from audiomeas.analysis.two_voltages import parallel_parts

    resistance_ohm, capacitance_f = parallel_parts(impedance, pair.angular_hz)
    admittance_s = 1.0 / abs(impedance)
    relative = scaled(told.budget[_IMPEDANCE], admittance_s)
    if (
        math.isfinite(resistance_ohm)
        and resistance_ohm * admittance_s * combined(relative) < 1.0
        and resistance_ohm > 0
    ):
        told.values[_RESISTANCE] = resistance_ohm
        told.add(_RESISTANCE, relative, resistance_ohm**2 * admittance_s)
    told.values[_CAPACITANCE] = _PF_PER_F * capacitance_f
    told.add(_CAPACITANCE, relative, _PF_PER_F * admittance_s / pair.angular_hz)


def _conditions(takes: TwoTakes, divider: _Divider, reference_hz: float, options: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "method": "series resistor at the input, complex voltages at the output",
        "series_ohm": divider.series_ohm,
        "source_ohm": divider.source_ohm,
        "source_known": options["source_ohm"] is not None,
        **take_conditions(takes, reference_hz, options),
        "uncertainty_covers": "noise, fit, drift of the card as stated, series resistor, source; the capacitance holds "
        "that of the cable behind the resistor too",
    }


_tables, _charts = views_of(
    title="Input impedance",
    note="Resistance and capacitance in parallel; the capacitance of the cable behind the resistor counts too.",
    quantities=(
        (_IMPEDANCE, "input impedance at the reference", "Ω"),
        (_RESISTANCE, "input resistance at the reference", "Ω"),
        (_CAPACITANCE, "input capacitance", "pF"),
        ("input_capacitance_at_hz", "capacitance told at", "Hz"),
    ),
    columns=(
        (_IMPEDANCE, "Impedance", "Ω"),
        (_RESISTANCE, "Resistance", "Ω"),
        (_CAPACITANCE, "Capacitance", "pF"),
    ),
    drawn=((_IMPEDANCE, "input-impedance", "Input impedance against frequency", "Input impedance (Ω)"),),
)

MEASUREMENT = Measurement(
    word=_WORD,
    summary="Input impedance against frequency, by a resistor that you put in series with the input in a pause",
    example='input-impedance --series-ohm 47000 --input-level "5 mV"',
    options=(
        Option(
            name="series_ohm",
            kind="number",
            help="The resistor of the second take, as measured; best about as large as the input's own.",
            default=_USUAL_SERIES_OHM,
            above=0.0,
            stage="analyse",
        ),
        Option(
            name="series_percent",
            kind="number",
            help="Its limits of error.",
            default=1.0,
            above=0.0,
            at_most=50.0,
            stage="analyse",
        ),
        Option(
            name="source_ohm",
            kind="number",
            help="Impedance of the card's output; without it, between 50 and 600 Ω (in the uncertainty).",
            at_least=0.0,
            at_most=100_000.0,
            stage="analyse",
        ),
        *TAKE_OPTIONS,
    ),
    figures=(
        Figure(key=_IMPEDANCE, unit="Ω", words="input impedance"),
        Figure(key=_RESISTANCE, unit="Ω", words="input resistance"),
        Figure(key=_CAPACITANCE, unit="pF", words="input capacitance, with the cable's"),
    ),
    stimulus=stimulus_of,
    analyse=_analyse,
    tables=_tables,
    charts=_charts,
    no_chart=too_few_frequencies,
    check=_check,
    curves=(row_curve(_IMPEDANCE, unit="Ω", words="input impedance"),),
    to_do=(
        "the same steps play twice, with {pause_s:g} s of silence in the middle: begin with the input connected "
        "straight; in the silence (when the progress stands at half) put the resistors ({series_ohm:g} Ω) in series "
        "with the inputs that are driven, at the plugs, and leave them there until the end"
    ),
)
