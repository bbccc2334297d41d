"""What makes a response doubtful though its sweep is whole: a disturbance in the middle, a level near the noise."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

from audiomeas.measurement.response_views import hertz

if TYPE_CHECKING:
    from audiomeas.analysis.sweep import SweepResponse

#: What is not the linear response may reach this part of it over 10 ms before it is said.
_DISTURBANCE = 0.1
#: While a cough of 0.4 s passes, a sweep of 2 s runs through two octaves: so far on either side gain is in doubt.
_OCTAVES = 2.0
#: dB that noise may leave open within the band before it is said: limits are rarely wider than this.
_NOISE_DB = 1.0


def with_disturbance_doubt(found: SweepResponse) -> SweepResponse:
    """Return a response whose gain and phase near a disturbance carry its size, which noise elsewhere does not tell."""
    import numpy as np

    if found.damage is not None or found.disturbance <= _DISTURBANCE:
        return found
    near = np.abs(np.log2(found.frequency_hz / found.disturbance_hz)) <= _OCTAVES
    doubt = np.where(near, found.disturbance, 0.0)
    return dataclasses.replace(
        found,
        gain_uncertainty=np.hypot(found.gain_uncertainty, doubt),
        phase_uncertainty_deg=np.hypot(found.phase_uncertainty_deg, np.degrees(doubt)),
    )


def doubt_words(found: SweepResponse, band_hz: tuple[float, float]) -> list[str]:
    """Return what is said of a response with a disturbance, or with so much noise that its figures tell little."""
    import numpy as np

    words = []
    if found.disturbance > _DISTURBANCE:
        words.append(
            f"what is not the sweep's response reaches {100 * found.disturbance:.0f} % of it near "
            f"{found.disturbance_hz:.0f} Hz: heavy distortion, a disturbance or a lost sample there, which is in the "
            "uncertainty; unless the unit distorts so much, capture again"
        )
    inside = (found.frequency_hz >= band_hz[0]) & (found.frequency_hz <= band_hz[1])
    worst = int(np.argmax(np.where(inside, found.gain_uncertainty, 0.0)))
    open_db = 20.0 / math.log(10.0) * float(found.gain_uncertainty[worst])
    if not words and inside.any() and open_db > _NOISE_DB:
        words.append(
            f"noise leaves the gain uncertain by {open_db:.1f} dB at {hertz(float(found.frequency_hz[worst]))}: raise "
            "the level, take a longer sweep or more averages"
        )
    return words
