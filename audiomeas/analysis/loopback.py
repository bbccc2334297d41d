"""A response divided by that of a loopback: what cables, converters and the bench itself add is taken out again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from audiomeas.analysis.response_figures import index_of
from audiomeas.analysis.sweep import SweepResponse
from audiomeas.errors import SignalError

#: A loopback that is further off than this is no loopback: a unit, a filter or a wrong range is in it.
LARGEST_DB = 3.0


@dataclass(frozen=True, kw_only=True)
class Correction:
    """How much the loopback took away at most, in dB with its sign (gain of the loopback), and where."""

    largest_db: float
    at_hz: float


def without_loopback(
    response: SweepResponse, loopback: SweepResponse, reference_hz: float, *, with_level: bool
) -> tuple[SweepResponse, Correction]:
    """Return a response divided (as complex numbers) by that of a loopback of the same sweep, and the correction.

    with_level : the loopback's gain is true, so it is taken out as well; else it counts as 1 at reference_hz.
    The uncertainties of both are added as squares, the loopback's delay is subtracted. Harmonics stay as they are.
    Raises SignalError: the correction exceeds 3 dB.
    """
    if not np.array_equal(response.frequency_hz, loopback.frequency_hz):
        raise ValueError("a loopback must be read at the frequencies of the response")
    level = 1.0 if with_level else float(loopback.gain[index_of(loopback.frequency_hz, reference_hz)])
    divisor = loopback.response / level
    correction_db = 20.0 * np.log10(np.maximum(np.abs(divisor), 1e-300))
    worst = int(np.argmax(np.abs(correction_db)))
    found = Correction(largest_db=float(correction_db[worst]), at_hz=float(response.frequency_hz[worst]))
    if abs(found.largest_db) > LARGEST_DB:
        raise SignalError(
            f"the loopback is off by {found.largest_db:+.2f} dB near {found.at_hz:.4g} Hz, more than {LARGEST_DB:g} "
            "dB: that is no loopback of this range; connect output to input without the unit and capture it again"
        )
    return replace(
        response,
        response=response.response / divisor,
        noise=response.noise / np.abs(divisor),
        delay_s=response.delay_s - loopback.delay_s,
        start_known=response.start_known and loopback.start_known,
        polarity=response.polarity * loopback.polarity,
        group_delay_s=response.group_delay_s - loopback.group_delay_s,
        gain_uncertainty=np.hypot(response.gain_uncertainty, loopback.gain_uncertainty),
        phase_uncertainty_deg=np.hypot(response.phase_uncertainty_deg, loopback.phase_uncertainty_deg),
        window_s=np.maximum(response.window_s, loopback.window_s),
    ), found
