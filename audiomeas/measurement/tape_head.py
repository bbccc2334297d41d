"""What a tape tells of a channel's head and treble: azimuth, response, gap and distance."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part
from audiomeas.measurement.budget import METHOD, NOISE_AND_FIT
from audiomeas.measurement.tape_channel import NEAR, TapeChannel, array_of
from audiomeas.measurement.tape_equalization import looks_like, mismatch_db
from audiomeas.measurement.tape_media import AZIMUTH, RESPONSE

if TYPE_CHECKING:
    from audiomeas.analysis.azimuth import Delay

#: Treble, and where it is told from: bias moves the one against the other (trade notes 4, row 27).
TREBLE_HZ, MIDDLE_HZ = 10_000.0, 1000.0
#: Losses are fitted from here up: below, waves are long and nothing is lost but by the head's shape.
_LOSSES_FROM_HZ = 800.0
#: A fit that leaves more of the response than this is none of a gap and a distance.
_LARGEST_REST_DB = 0.7
#: What filters and sampling leave of a phase.
_LEAST_DEG = 0.05
_UM, _US = 1e6, 1e6


class HeadFigures:
    """Tells them. one : the channel."""

    def __init__(self, one: TapeChannel) -> None:
        self._one = one

    def tell(self) -> None:
        """Tell all that the parts of this channel hold."""
        self._tell_azimuth()
        self._tell_response()
        self._tell_treble()

    # -- azimuth -------------------------------------------------------------------------------------------------

    def _tell_azimuth(self) -> None:
        """Tell the phase against the first channel, of the second one."""
        from audiomeas.analysis.azimuth import delay_of

        with_phase = [one for one in self._one.read.having(AZIMUTH, RESPONSE) if one.phase is not None]
        if self._one.column == 0 or not with_phase:
            return
        rising = sorted(with_phase, key=lambda one: one.phase.frequency_hz if one.phase else 0.0)
        phases = [one.phase for one in rising if one.phase is not None]
        found = delay_of(phases)
        values = self._one.told.values
        values["azimuth"] = [
            {
                "frequency_hz": one.part.frequency_hz,
                "phase_deg": degrees,
                "wander_deg": phase.wander_deg,
                "uncertainty": {"phase_deg": math.hypot(phase.half_width_deg, _LEAST_DEG)},
            }
            for one, phase, degrees in zip(rising, phases, found.phases_deg, strict=True)
        ]
        asked = [place for place, one in enumerate(rising) if one.part.name == AZIMUTH] or range(len(rising))
        at = max(asked, key=lambda place: phases[place].frequency_hz)
        highest = phases[at]
        values["azimuth_hz"], values["azimuth_deg"] = rising[at].part.frequency_hz, found.phases_deg[at]
        values["azimuth_wander_deg"] = highest.wander_deg
        self._one.told.add("azimuth_deg", (Part(NOISE_AND_FIT, highest.half_width_deg), Part(METHOD, _LEAST_DEG)))
        turns = found.phases_deg[at] - highest.mean_deg
        values["azimuth_course_s"] = [round(float(value), 3) for value in highest.course_s]
        values["azimuth_course_deg"] = [round(float(value) + turns, 3) for value in highest.course_deg]
        values["azimuth_us"] = _US * found.later_s
        self._one.told.add("azimuth_us", (Part(NOISE_AND_FIT, found.half_width_s),), _US)
        self._tell_angle(found)
        if found.reversed:
            self._one.words.append("one channel is upside down against the other; azimuth is told with that taken out")

    def _tell_angle(self, found: Delay) -> None:
        from audiomeas.analysis.azimuth import arcmin_of, azimuth_loss_db

        known = self._one.about.geometry
        if known.spacing_m is None or known.speed_m_per_s is None:
            return
        told = self._one.told
        size = {"spacing_m": known.spacing_m, "speed_m_per_s": known.speed_m_per_s}
        told.values["azimuth_arcmin"] = arcmin_of(found.later_s, **size)
        told.add("azimuth_arcmin", (Part(NOISE_AND_FIT, arcmin_of(found.half_width_s, **size)),))
        if known.width_m is not None:
            loss_db = azimuth_loss_db(
                array_of([TREBLE_HZ]),
                told.values["azimuth_arcmin"],
                width_m=known.width_m,
                speed_m_per_s=known.speed_m_per_s,
            )
            told.values["azimuth_loss_db"] = float(loss_db[0])

    # -- response ------------------------------------------------------------------------------------------------

    def _tell_response(self) -> None:
        points = self._points()
        if len(points) < 3:
            return
        hz, level_db, half_db = (array_of(column) for column in zip(*points, strict=True))
        recorded, played = self._one.about.equalizations
        reference_hz = self._one.about.options["reference_hz"]
        level_db = level_db - _at(hz, level_db, reference_hz)
        if recorded is not None and played is not None:
            level_db = level_db - mismatch_db(recorded, played, hz, reference_hz)
        values = self._one.told.values
        values["frequency_hz"] = hz.tolist()
        values["gain_db"] = [round(float(one), 6) for one in level_db]
        values["gain_uncertainty_db"] = half_db.tolist()
        inside = (hz >= self._one.about.options["low_hz"] * (1.0 - NEAR)) & (
            hz <= self._one.about.options["high_hz"] * (1.0 + NEAR)
        )
        if inside.any():
            for key, at in (
                ("deviation_low_db", level_db[inside].argmin()),
                ("deviation_high_db", level_db[inside].argmax()),
            ):
                values[key] = float(level_db[inside][at])
                self._one.told.add(key, (Part(NOISE_AND_FIT, float(half_db[inside][at])),))
        if played is None and (words := looks_like(hz, level_db, recorded)) is not None:
            self._one.words.append(
                f"the response is consistent with {words}: check the switch, and what is on the tape"
            )
        self._tell_losses(hz, level_db, half_db)

    def _points(self) -> list[tuple[float, float, float]]:
        """Return (frequency, level re what was recorded, half-width) of the spots, dB, in rising order."""
        points = []
        for one in self._one.read.having(RESPONSE):
            level = self._one.level(one)
            if level is not None and one.part.level_db is not None:
                half_db = DB_PER_NEPER * level.half_width / level.rms
                points.append((one.part.frequency_hz, 20.0 * math.log10(level.rms) - one.part.level_db, half_db))
        return sorted(points)

    def _tell_losses(self, hz: Any, level_db: Any, half_db: Any) -> None:
        from audiomeas.analysis.azimuth import azimuth_loss_db
        from audiomeas.analysis.tape_losses import fitted_losses

        known = self._one.about.geometry
        if known.speed_m_per_s is None:
            return
        own = level_db
        arcmin = self._askew_arcmin()
        if arcmin is not None and known.width_m is not None:
            own = level_db - azimuth_loss_db(hz, arcmin, width_m=known.width_m, speed_m_per_s=known.speed_m_per_s)
        above = hz >= _LOSSES_FROM_HZ
        found = fitted_losses(hz[above], own[above], half_db[above], speed_m_per_s=known.speed_m_per_s)
        if found is None:
            return
        if found.rms_db > _LARGEST_REST_DB:
            self._one.words.append(
                f"neither a gap nor a distance from the head explains the treble (they leave {found.rms_db:.1f} dB): "
                "they are not told; look at equalization and bias first"
            )
            return
        for key, one in (("spacing_um", found.spacing), ("gap_um", found.gap)):
            self._one.told.values[key] = _UM * one.metres
            if one.at_most:
                self._one.told.at_most(key)
            else:
                self._one.told.add(key, (Part(NOISE_AND_FIT, one.half_width_m),), _UM)

    def _askew_arcmin(self) -> float | None:
        """Return the azimuth, as the second channel tells it for both."""
        from audiomeas.analysis.azimuth import arcmin_of, delay_of

        known = self._one.about.geometry
        phases = [one.phase for one in self._one.read.having(AZIMUTH, RESPONSE) if one.phase is not None]
        if known.spacing_m is None or known.speed_m_per_s is None or not phases:
            return None
        rising = sorted(phases, key=lambda one: one.frequency_hz)
        return arcmin_of(delay_of(rising).later_s, spacing_m=known.spacing_m, speed_m_per_s=known.speed_m_per_s)

    def _tell_treble(self) -> None:
        spots = {hz: (level_db, half_db) for hz, level_db, half_db in self._points()}
        if TREBLE_HZ in spots and MIDDLE_HZ in spots:
            self._one.told.values["treble_db"] = spots[TREBLE_HZ][0] - spots[MIDDLE_HZ][0]
            self._one.told.add("treble_db", [Part(NOISE_AND_FIT, spots[hz][1]) for hz in (TREBLE_HZ, MIDDLE_HZ)])
        tones = [one for one in self._one.read.having(AZIMUTH) if one.phase is not None]
        if tones:
            highest = max(tones, key=lambda one: one.part.frequency_hz).phase
            assert highest is not None
            self._one.told.values["treble_unsteady_db"] = highest.level_std_db[self._one.column]


def _at(hz: Any, level_db: Any, wanted_hz: float) -> float:
    """Return a response's level at a frequency, straight in between over log frequency."""
    import numpy as np

    return float(np.interp(math.log(wanted_hz), np.log(hz), level_db))
