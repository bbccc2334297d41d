"""Write a calibration as TOML that `calibration.read_calibration` reads: one scale new, the others as they were."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from datetime import date
from typing import Any

from audiomeas.bench.calibration import Calibration, Scale, ScaleOrigin
from audiomeas.bench.parts import Part


def with_scale(calibration: Calibration, scale: Scale, *, output: bool) -> Calibration:
    """Return a calibration with a scale added or replaced; what it said of all others now stands with each of them."""
    assert scale.origin is not None
    inherited = ScaleOrigin(
        made=calibration.made,
        valid_until=calibration.valid_until,
        sample_rates_hz=calibration.sample_rates_hz,
        method=calibration.method,
        instrument=calibration.instrument,
    )
    outputs = [_with_origin(one, inherited) for one in calibration.outputs]
    inputs = [_with_origin(one, inherited) for one in calibration.inputs]
    into = outputs if output else inputs
    places = [n for n, one in enumerate(into) if (one.channel, one.range_name) == (scale.channel, scale.range_name)]
    if places:
        into[places[0]] = scale
    else:
        into.append(scale)
    origins = [one.origin for one in (*outputs, *inputs) if one.origin is not None]
    return dataclasses.replace(
        calibration,
        outputs=tuple(outputs),
        inputs=tuple(inputs),
        made=scale.origin.made,
        valid_until=max(origin.valid_until for origin in origins),
        sample_rates_hz=tuple(sorted({rate for origin in origins for rate in origin.sample_rates_hz})),
        method="as stated with each scale below",
        instrument="as stated with each scale below",
    )


def _with_origin(scale: Scale, origin: ScaleOrigin) -> Scale:
    return scale if scale.origin is not None else dataclasses.replace(scale, origin=origin)


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
    ]
    for scale in calibration.outputs:
        lines += _scale_lines("output", scale)
    for scale in calibration.inputs:
        lines += _scale_lines("input", scale)
    return "\n".join(lines) + "\n"


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
    names = ("made", "valid_until", "sample_rates_hz", "method", "instrument")
    lines += [_line(name, getattr(origin, name)) for name in names]
    for part in scale.parts:
        lines += _part_lines(kind, part)
    if origin.evidence:
        lines.append(f"[{kind}.evidence]")
        lines += [_line(name, value) for name, value in origin.evidence.items()]
    return lines


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
