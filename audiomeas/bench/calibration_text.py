"""Write a calibration as TOML that `calibration.read_calibration` reads: one scale new, the others as they were."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from datetime import date
from typing import Any

from audiomeas.bench.calibration import Calibration, Scale
from audiomeas.bench.loopback import Loopback
from audiomeas.bench.origin import EVIDENCE_KEY, ORIGIN_KEYS, ScaleOrigin
from audiomeas.bench.parts import Part
from audiomeas.bench.response_limit import RESPONSE_LIMIT_KEY


def with_scale(calibration: Calibration, scale: Scale, *, output: bool) -> Calibration:
    """Return a calibration with a scale added or replaced; what it said of all others now stands with each of them."""
    assert scale.origin is not None
    outputs, inputs = _each_with_origin(calibration)
    into = outputs if output else inputs
    places = [n for n, one in enumerate(into) if (one.channel, one.range_name) == (scale.channel, scale.range_name)]
    if places:
        into[places[0]] = scale
    else:
        into.append(scale)
    return _made_anew(calibration, outputs, inputs, calibration.loopbacks, scale.origin)


def with_loopbacks(calibration: Calibration, loopbacks: Sequence[Loopback]) -> Calibration:
    """Return a calibration with what loops have shown, added or in place of what was there; at least one."""
    new = {(one.channel, one.range_name) for one in loopbacks}
    kept = [one for one in calibration.loopbacks if (one.channel, one.range_name) not in new]
    outputs, inputs = _each_with_origin(calibration)
    return _made_anew(calibration, outputs, inputs, (*kept, *loopbacks), loopbacks[0].origin)


def _made_anew(
    calibration: Calibration,
    outputs: Sequence[Scale],
    inputs: Sequence[Scale],
    loopbacks: Sequence[Loopback],
    last: ScaleOrigin,
) -> Calibration:
    """Return a calibration of these entries, the last of which was made now; the file holds as long as any of them."""
    origins = [one.origin for one in (*outputs, *inputs) if one.origin is not None] or [last]
    return dataclasses.replace(
        calibration,
        outputs=tuple(outputs),
        inputs=tuple(inputs),
        loopbacks=tuple(loopbacks),
        made=last.made,
        valid_until=max(origin.valid_until for origin in origins),
        sample_rates_hz=tuple(sorted({rate for origin in origins for rate in origin.sample_rates_hz})),
        method="as stated with each scale below",
        instrument="as stated with each scale below",
    )


def _each_with_origin(calibration: Calibration) -> tuple[list[Scale], list[Scale]]:
    """Return outputs and inputs, each with an origin of its own: where it had none, what the file said of all."""
    inherited = ScaleOrigin(
        made=calibration.made,
        valid_until=calibration.valid_until,
        sample_rates_hz=calibration.sample_rates_hz,
        method=calibration.method,
        instrument=calibration.instrument,
    )

    def own(scale: Scale) -> Scale:
        return scale if scale.origin is not None else dataclasses.replace(scale, origin=inherited)

    return [own(one) for one in calibration.outputs], [own(one) for one in calibration.inputs]


def calibration_text(calibration: Calibration, *, simulated: bool) -> str:
    """Return the file's text."""
    lines = ["# SIMULATED: made on the simulated bench."] if simulated else []
    lines += [
        "# Written by `audiomeas calibrate`. v_rms_at_full_scale: voltage (r.m.s.) of a sine that just reaches full",
        "# scale (0 dBFS); at inputs at the unit's terminals, attenuator included. uncertainty_percent: 95 % "
        "half-width.",
        "# Each scale says when, how and with what it was made, until when and at which rates it holds; and its "
        "readings.",
        "# A part is one component of the uncertainty, with its own 95 % half-width; parts of one source are one "
        "error,",
        "# which cancels where one scale is divided by another.",
        _line("interface", calibration.interface),
        _line("host_api", calibration.host_api),
        _line("gain_setting", calibration.gain_setting),
        _line("sample_rates_hz", calibration.sample_rates_hz),
        _line("made", calibration.made),
        _line("valid_until", calibration.valid_until),
        _line("method", calibration.method),
        _line("instrument", calibration.instrument),
        *_limit_lines(calibration.response_limit),
    ]
    for scale in calibration.outputs:
        lines += _scale_lines("output", scale)
    for scale in calibration.inputs:
        lines += _scale_lines("input", scale)
    for place, loopback in enumerate(calibration.loopbacks):
        lines += _loopback_lines(loopback, explained=place == 0)
    return "\n".join(lines) + "\n"


def _limit_lines(rows: Sequence[Sequence[float]]) -> list[str]:
    """Return the limits that a calibration states for its response; nothing where it states none."""
    if not rows:
        return []
    about = "# [Hz, dB]: so far at most output and input together are off from the frequency of calibration."
    return [about, *_table_lines(RESPONSE_LIMIT_KEY, rows)]


def _scale_lines(kind: str, scale: Scale) -> list[str]:
    lines = ["", f"[[{kind}]]", _line("channel", scale.channel)]
    if kind == "input":
        lines.append(_line("range", scale.range_name))
    lines.append(_line("v_rms_at_full_scale", scale.v_rms_at_full_scale))
    lines.append(_line("uncertainty_percent", 100.0 * scale.uncertainty))
    if scale.noise_v_rms is not None:
        lines.append(_line("noise_v_rms", scale.noise_v_rms))
    origin = scale.origin
    if origin is None:
        return lines
    lines += _origin_lines(origin)
    for part in scale.parts:
        lines += _part_lines(kind, part)
    return [*lines, *_evidence_lines(kind, origin)]


def _origin_lines(origin: ScaleOrigin) -> list[str]:
    return [_line(name, getattr(origin, name)) for name in ORIGIN_KEYS]


def _evidence_lines(kind: str, origin: ScaleOrigin) -> list[str]:
    if not origin.evidence:
        return []
    return [f"[{kind}.{EVIDENCE_KEY}]", *(_line(name, value) for name, value in origin.evidence.items())]


def _loopback_lines(loopback: Loopback, *, explained: bool) -> list[str]:
    """Return one [[loopback]]. explained : with the lines that say what its tables hold."""
    about = [
        "",
        "# What the bench adds by itself, as a loop cable shows it, output and input together; relative, so that it",
        "# stays true when a scale changes. noise_dbfs: nothing played, 20 Hz to 20 kHz. response: [Hz, dB against",
        "# reference_hz, 95 % half-width in dB]. residual: [Hz, dBFS as captured, THD in dB, THD+N in dB, 1 where",
        "# noise sets the limit]; a unit's true distortion lies that near to what is measured. polarity: -1 inverts.",
    ]
    return [
        *(about if explained else []),
        "",
        "[[loopback]]",
        _line("channel", loopback.channel),
        _line("range", loopback.range_name),
        _line("polarity", loopback.polarity),
        _line("noise_dbfs", loopback.noise_dbfs),
        _line("noise_uncertainty_db", loopback.noise_uncertainty_db),
        *([_line("noise_at_most", loopback.noise_at_most)] if loopback.noise_at_most else []),
        _line("reference_hz", loopback.reference_hz),
        *_table_lines("response", [point.values() for point in loopback.response]),
        *_table_lines("residual", [point.values() for point in loopback.residual]),
        *_origin_lines(loopback.origin),
        *_evidence_lines("loopback", loopback.origin),
    ]


def _table_lines(name: str, rows: Sequence[Sequence[float]]) -> list[str]:
    """Return a table, one row a line."""
    return [f"{name} = [", *(f"    {_value(row)}," for row in rows), "]"]


def _part_lines(kind: str, part: Part) -> list[str]:
    lines = [f"[[{kind}.part]]", _line("component", part.component)]
    lines += [_line("half_width_percent", 100.0 * part.half_width), _line("shape", part.shape)]
    return [*lines, _line("source", part.source)] if part.source else lines


def _line(name: str, value: Any) -> str:
    return f"{name} = {_value(value)}"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)  # what JSON escapes in a text, TOML reads alike
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Sequence):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return str(value) if isinstance(value, int) else f"{value:.10g}"
