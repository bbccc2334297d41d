"""Does a capture show more gain than the first look found? Then what follows is predicted from that.

Two signs: the first marker came back louder than at the first look through the same driven channels (a volume control
turned up, a dead band that is small beside the level), or a part of the capture is louder than the largest gain allows
(a tone control).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from audiomeas.measurement.load_gate import mean_squares
from audiomeas.stimulus.marker import LEAD_S
from audiomeas.units import SQRT2, amplitude_ratio_to_db

#: A louder marker by less than this is noise, or a room's hum.
LEAST_RAISE_DB = 0.5
#: Parts whose loudness is compared: half a period of the lowest tone, or more.
_PART_S = 0.1
#: A part tells of gain only this far above the silence before the first marker.
_ABOVE_SILENCE = 10.0


class RaisedGain:
    """How much more gain than at the first look was found since, per channel; never less than before."""

    def __init__(self) -> None:
        self._raised_db: dict[int, float] = {}

    def added_to(self, gain_db: Mapping[int, float]) -> dict[int, float]:
        """Return gains with what was found since."""
        return {channel: gain + self._raised_db.get(channel, 0.0) for channel, gain in gain_db.items()}

    def learn(
        self,
        marker_ratio: Mapping[int, float],
        loudest_ratio_db: Mapping[int, float],
        *,
        first_ratio: Mapping[int, float],
    ) -> dict[int, float]:
        """Take a later capture's; return channel → dB of each raise that was not known yet.

        marker_ratio : channel → captured over played marker, in volts.  first_ratio : the same at the first look, with
        the same channels driven.  loudest_ratio_db : channel → loudest part over what the first look's gain allows, in
        dB (see `loudest_db`).
        """
        found = dict(loudest_ratio_db)
        for channel, ratio in marker_ratio.items():
            first = abs(first_ratio.get(channel, 0.0))
            if first > 0.0:
                more_db = amplitude_ratio_to_db(abs(ratio) / first)
                found[channel] = max(more_db, found.get(channel, more_db))
        new = {
            channel: more_db
            for channel, more_db in found.items()
            if more_db > self._raised_db.get(channel, 0.0) + LEAST_RAISE_DB
        }
        self._raised_db.update(new)
        return new


def loudest_db(
    volts: NDArray[np.float64], sample_rate_hz: float, *, level_v_rms: float, gain_db: float, stopped: bool = False
) -> float | None:
    """Return the loudest part's r.m.s. over what a level through a gain makes, in dB; None where silence is as loud.

    volts : (frames,), at the unit's output, from the first frame captured: it begins with silence.
    stopped : the watch ended it, often before a part was full: then the highest peak tells, as that of a sine.
    """
    lead = volts[: round(0.8 * LEAD_S * sample_rate_hz)]
    silence_v_rms = float(np.sqrt(np.mean(np.square(lead)))) if len(lead) else 0.0
    loudest_v_rms = float(np.sqrt(np.max(mean_squares(volts, sample_rate_hz, part_s=_PART_S), initial=0.0)))
    if stopped:
        loudest_v_rms = max(loudest_v_rms, float(np.max(np.abs(volts), initial=0.0)) / SQRT2)
    if level_v_rms <= 0.0 or loudest_v_rms <= _ABOVE_SILENCE * silence_v_rms:
        return None
    return amplitude_ratio_to_db(loudest_v_rms / level_v_rms) - gain_db


def marker_ratios(
    marker_gain: Mapping[int, float], full_scale_v_rms: Mapping[int, float], marker_peak_v: float
) -> dict[int, float]:
    """Return channel → captured marker over played marker, in volts. marker_gain : captured, in full-scale peaks."""
    if not marker_peak_v > 0.0:
        return {}
    return {n: gain * full_scale_v_rms[n] * SQRT2 / marker_peak_v for n, gain in marker_gain.items()}
