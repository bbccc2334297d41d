"""The linear impulse response around its peak, as a sweep's deconvolution gives it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.deconvolution import SweepLaw, cut_out, deconvolve, inverse_spectrum, transform_points

FloatArray = NDArray[np.float64]

#: Sound further than this from the sweep is left out, as in the sweep analysis.
_QUIET_S = 0.09


def impulse_around_peak(
    captured: FloatArray, played: FloatArray, law: SweepLaw, arrival_frame: float, *, before_s: float, after_s: float
) -> tuple[FloatArray, FloatArray]:
    """Return time in seconds from the peak, and the impulse response relative to its largest size, (frames,) each.

    captured : (frames,).  arrival_frame : at which the sweep arrives (the impulse's peak).  Band-limited: the sweep
    tells nothing below its start and above its end, so a flat chain gives a sinc-like pulse, not a single sample.
    Polarity is kept.   Raises SignalError: a capture that is cut.
    """
    frame = round(arrival_frame)
    cut = cut_out(captured, frame, law, _QUIET_S)
    points = transform_points(cut, law)
    impulses = deconvolve(cut, inverse_spectrum(played, law, points), points, law)
    samples, first = impulses.between(-before_s, after_s)
    largest = float(np.max(np.abs(samples), initial=0.0))
    time_s = np.asarray((first + np.arange(len(samples)) - (arrival_frame - frame)) / law.sample_rate_hz, np.float64)
    return time_s, samples / largest if largest > 0.0 else samples
