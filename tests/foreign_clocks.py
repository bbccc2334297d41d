"""Captures by another clock, made without the project's own interpolation, for the tests of the time base.

What a chain answers to a sweep between its markers is known at the played frames (an exact product of spectra). The
other clock samples it between these: zeros in its spectrum raise it to four times its rate, and a spline of the
seventh degree (scipy) through that gives the values at any time. At a part p of the raised rate such a spline errs by
about (p/(1 − p))⁸ (from memory: M. Unser, IEEE Signal Process. Mag. 16/6, 1999):
7e-8 at 0.45 of the unraised rate, p = 0.1125.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.interpolate import BSpline, make_interp_spline

from audiomeas.stimulus import Sweep
from audiomeas.stimulus.marker import between_markers

FloatArray = NDArray[np.float64]
Response = Callable[[FloatArray], NDArray[np.complex128]]
RAISED = 4
#: Silence after the last marker.
TAIL_S = 0.8


def answer(stimulus: Sweep, response: Response) -> tuple[FloatArray, int]:
    """Return a chain's answer to markers and sweep at the played frames, and the frame at which the sweep begins."""
    playlist = between_markers(stimulus.samples_v(), stimulus.sample_rate_hz, marker_peak=stimulus.peak_v)
    played = np.concatenate([playlist.samples, np.zeros(round(TAIL_S * stimulus.sample_rate_hz))])
    points = next_fast_len(len(played) + round(4.0 * stimulus.sample_rate_hz), real=True)
    frequency_hz = rfftfreq(points, 1.0 / stimulus.sample_rate_hz)
    answered = irfft(rfft(played, points) * response(frequency_hz), points)[: len(played)]
    return np.asarray(answered, dtype=np.float64), playlist.stimulus_start


def ticks(
    frames: int, rate_hz: float, *, ppm: float, drift_ppm: float = 0.0, over_s: float = 1.0, from_s: float = 0.0
) -> FloatArray:
    """Return the played frames, (frames,), at which the other clock samples: it starts a fraction of a frame late.

    ppm : by how much the playing clock runs faster, mean over over_s from from_s on.  drift_ppm : its rise over that.
    """
    captured = np.arange(frames, dtype=np.float64)
    middle = (from_s + 0.5 * over_s) * rate_hz
    bent = 0.5 * drift_ppm * 1e-6 / (over_s * rate_hz) * (captured - middle) ** 2
    return np.asarray(0.37 + captured * (1.0 + ppm * 1e-6) + bent)


def captured_at(samples: FloatArray, places: FloatArray) -> FloatArray:
    """Return the values of a band-limited signal between its samples, silent beyond its end."""
    return np.asarray(_curve(np.asarray(samples, dtype=np.float64).tobytes())(places[places < len(samples)]))


@lru_cache(maxsize=2)  # the same answer is captured by many clocks, and the spline takes seconds
def _curve(of: bytes) -> BSpline:
    samples = np.frombuffer(of)
    points = next_fast_len(len(samples) + 2048, real=True)
    dense = RAISED * irfft(rfft(samples, points), RAISED * points)
    frames = RAISED * (len(samples) + 64)
    return make_interp_spline(np.arange(frames) / RAISED, dense[:frames], k=7)
