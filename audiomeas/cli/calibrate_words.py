"""What `audiomeas calibrate` prints of a scale and of a loopback: one line each, or their facts for JSON."""

from __future__ import annotations

import dataclasses
from typing import Any


def scale_line(found: Any, ask: Any) -> str:
    """Return what was found of an output or input. found : `measurement.calibrate.Calibrated`; ask : its `Ask`."""
    scale = found.scale
    place = f"{ask.kind} {ask.channel}" + (f" on range {scale.range_name}" if scale.range_name else "")
    change = 100.0 * (scale.v_rms_at_full_scale / found.former_v_rms - 1.0)
    return (
        f"{place}: full scale {scale.v_rms_at_full_scale:.4g} V r.m.s. ± {100 * scale.uncertainty:.2g} % "
        f"({change:+.2f} % against before), until {scale.origin.valid_until}"
    )


def loopback_line(one: Any) -> str:
    """Return what a loop showed. one : `bench.loopback.Loopback`."""
    worst, loud = one.farthest_off, one.loudest
    return (
        f"loopback {one.channel} on range {one.range_name}: noise {one.noise_dbfs:.1f} dBFS; at most "
        f"{worst.gain_db:+.3f} dB ({worst.frequency_hz:.5g} Hz); distortion "
        f"{'below' if loud.at_most else 'up to'} {loud.thd_db:.1f} dB at {loud.level_dbfs:.1f} dBFS; polarity "
        f"{'as played' if one.polarity > 0 else 'turned'}; until {one.origin.valid_until}"
    )


def scale_facts(found: Any, ask: Any) -> dict[str, Any]:
    """Return the same of an output or input for JSON."""
    scale = found.scale
    return {
        "channel": ask.channel,
        "range": scale.range_name or None,
        "v_rms_at_full_scale": scale.v_rms_at_full_scale,
        "uncertainty_percent": 100.0 * scale.uncertainty,
        "former_v_rms_at_full_scale": found.former_v_rms,
        **_origin_facts(scale.origin),
        "instrument": scale.origin.instrument,
    }


def loopback_facts(one: Any) -> dict[str, Any]:
    """Return the same of a loop for JSON."""
    own = {key: value for key, value in dataclasses.asdict(one).items() if key != "origin"}
    return {**own, **_origin_facts(one.origin)}


def _origin_facts(origin: Any) -> dict[str, Any]:
    return {
        "made": origin.made.isoformat(),
        "valid_until": origin.valid_until.isoformat(),
        "method": origin.method,
        "evidence": dict(origin.evidence),
    }
