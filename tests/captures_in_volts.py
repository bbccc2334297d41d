"""Captures of two channels as recordings in volts, as the tests of what plays by itself make them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.recording import Recording


def in_volts(volts: NDArray[np.float64], rate_hz: float, **others: Any) -> Recording:
    """Return (frames, channels) in V as a recording. others : its further fields, or other ones; else 2 % of scale."""
    channels = volts.shape[1]
    return Recording(
        **{
            "counts_fs": volts / np.sqrt(2.0),  # a full-scale sine of 1 V r.m.s.
            "sample_rate_hz": rate_hz,
            "channels": tuple(range(1, channels + 1)),
            "v_rms_at_full_scale": (1.0,) * channels,
            "scale_uncertainty": (0.02,) * channels,
            **others,
        }
    )
