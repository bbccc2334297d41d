"""The baseline of a bench: the figures of a check on a good day, kept as JSON, and what has moved since."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import read_json, write_new_json
from audiomeas.measurement.bench_check_findings import LATENCY_WITHIN_FRAMES, CheckReport, Finding

BASELINE_VERSION = 1


@dataclass(frozen=True, kw_only=True)
class _Allowed:
    """How far a figure may move. what, unit : of the figure.  by : unit of the difference.  spoils : where it moved,
    results could not be trusted; else it is worth a look.
    """

    what: str
    unit: str
    by: str
    within: float
    to_do: str
    less_is_better: bool = True
    spoils: bool = True


#: Figure → what is allowed to it. Common practice.
_ALLOWED = {
    "gain_db": _Allowed(
        what="gain",
        unit="dB",
        by="dB",
        within=0.05,
        to_do="look for a turned knob, a volume control or another cable; else calibrate again",
        less_is_better=False,
    ),
    "noise_dbv": _Allowed(
        what="noise", unit="dBV", by="dB", within=3.0, to_do="look for cables, supplies, lamps and phones nearby"
    ),
    "hum_dbv": _Allowed(
        what="hum",
        unit="dBV",
        by="dB",
        within=6.0,
        to_do="look for a ground loop, a transformer nearby, a lifted shield",
    ),
    "residual_db": _Allowed(
        what="residual beside the tone",
        unit="dB",
        by="dB",
        within=3.0,
        to_do="look for a worn plug, an enhancement, a level near the end",
    ),
    # The markers make up for it within each capture.
    "latency_frames": _Allowed(
        what="latency",
        unit="frames",
        by="frames",
        within=LATENCY_WITHIN_FRAMES,
        to_do="look for another buffer, a resampler or an enhancement in driver or sound server",
        less_is_better=False,
        spoils=False,
    ),
}
#: Below this level (dBV) hum is a part of the noise: that it moves there says nothing.
_HUM_MATTERS_DBV = -100.0


def write_baseline(path: Path, report: CheckReport) -> None:
    """Keep a check's figures. Raises FileProblem (exists already); RequestError when the check found something."""
    if report.found:
        raise RequestError(
            f"{path} was not written: a baseline is of a bench that can be trusted, and this check found "
            f"{len(report.found)} fault{'s' if len(report.found) > 1 else ''}"
        )
    figures = {str(channel): dict(values) for channel, values in report.figures.items()}
    facts = {
        "bench_baseline": BASELINE_VERSION,
        "bench": report.bench,
        "simulated": report.simulated,
        "set_up": {**report.set_up, "connected": report.connected},
        "figures": figures,
    }
    write_new_json(path, facts)


def read_baseline(path: Path) -> dict[str, Any]:
    """Read a baseline. Raises FileProblem: no baseline, newer, damaged."""
    facts = read_json(path)
    if not isinstance(facts, dict) or "bench_baseline" not in facts:
        raise FileProblem(f"{path} is no baseline of a bench: give a file that `bench check --save-baseline` wrote")
    if facts["bench_baseline"] != BASELINE_VERSION:
        raise FileProblem(
            f"{path} is a baseline of version {facts['bench_baseline']!r}, not {BASELINE_VERSION}: update"
        )
    figures, set_up = facts.get("figures"), facts.get("set_up")
    if not isinstance(set_up, dict) or not isinstance(figures, dict) or not figures:
        raise FileProblem(f"{path} is damaged: it has no figures or no set-up; save the baseline anew")
    for values in figures.values():
        if not isinstance(values, dict) or not all(_is_number(value) for value in values.values()):
            raise FileProblem(f"{path} is damaged: a figure in it is no number; save the baseline anew")
    return facts


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def compare(path: Path, baseline: dict[str, Any], report: CheckReport) -> tuple[Finding, ...]:
    """Return what moved since the baseline, a line each. Raises RequestError when it is of another set-up."""
    now = {**report.set_up, "connected": report.connected}
    for key, then in baseline["set_up"].items():
        if now.get(key) != then:
            raise RequestError(
                f"{path} is of another set-up ({key.replace('_', ' ')} {then!r} then, {now.get(key)!r} now): save a "
                "baseline of this one"
            )
    found = []
    compared = 0
    for channel, values in report.figures.items():
        before = baseline["figures"].get(str(channel), {})
        for key, allowed in _ALLOWED.items():
            if key not in values or key not in before:
                continue
            compared += 1
            quiet_hum = key == "hum_dbv" and max(values[key], before[key]) < _HUM_MATTERS_DBV
            if abs(values[key] - before[key]) > allowed.within and not quiet_hum:
                found.append(_moved(channel, allowed, before[key], values[key]))
    if compared == 0:
        raise RequestError(f"{path} shares no figure with this check: save a baseline of this bench")
    return tuple(found) or (
        Finding(check="baseline", state="as it should be", text=f"{compared} figures are where they were"),
    )


def _moved(channel: int, allowed: _Allowed, then: float, now: float) -> Finding:
    better = allowed.less_is_better and now < then
    text = f"channel {channel}: {allowed.what} moved by {now - then:+.2f} {allowed.by}, "
    text += f"from {then:.2f} to {now:.2f} {allowed.unit}"
    text += "" if better else f": {allowed.to_do}"
    if better or not allowed.spoils:
        return Finding(check="baseline", state="note", text=f"{text}; save a new baseline if this is to stay")
    return Finding(check="baseline", state="found", text=text)
