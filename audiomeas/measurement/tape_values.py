"""One channel's figures of a tape: of its parts, each as it was read, and of several together."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part
from audiomeas.measurement.base import Figure
from audiomeas.measurement.budget import METHOD, NOISE_AND_FIT, Told, own_parts, parts_of
from audiomeas.measurement.scale_parts import between_parts, scale_parts
from audiomeas.measurement.tape_equalization import looks_like, mismatch_db
from audiomeas.measurement.tape_media import AZIMUTH, LEVEL, RESPONSE, STEPS, TRACKING
from audiomeas.measurement.tape_options import Geometry
from audiomeas.measurement.tape_words import words_of

if TYPE_CHECKING:
    from audiomeas.analysis.azimuth import Delay
    from audiomeas.analysis.tape_tones import ToneLevel
    from audiomeas.measurement.result import ChannelResult, Result
    from audiomeas.measurement.tape_read import Readings, ReadPart
    from audiomeas.recording import Recording

#: Figure → word of what tells it, and its figure there.
_COPIED = {
    key: key
    for key in (
        "speed_error_percent", "speed_drift_percent", "weighted_percent", "weighted_rms_percent", "quasi_peak_percent",
        "unweighted_percent", "wow_percent", "flutter_percent", "drop_outs_per_minute",
    )
}  # fmt: skip
#: S/N → noise of the silent part that it is of.
_RATIOS = {
    "snr_db": "unweighted_dbfs",
    "snr_a_db": "a_weighted_dbfs",
    "snr_468_db": "itu_r_468_quasi_peak_dbfs",
    "snr_arm_db": "itu_r_arm_dbfs",
}
_OWN = (
    "level_v_rms", "level_dbfs", "balance_db", "h2_percent", "h3_percent", "thd_percent", "side_drift_percent",
    "azimuth_deg", "azimuth_hz", "azimuth_wander_deg", "azimuth_us", "azimuth_arcmin", "azimuth_loss_db",
    "deviation_low_db", "deviation_high_db", "treble_db", "treble_unsteady_db", "spacing_um", "gap_um",
    "mol_db", "mol_recorded_db", "crosstalk_db", "erasure_db", "nr_tracking_db", "nr_gain_db",
)  # fmt: skip
_LISTS = (
    "frequency_hz", "gain_db", "gain_uncertainty_db", "azimuth", "azimuth_course_s", "azimuth_course_deg", "steps",
    "spots", "noise_reduction",
)  # fmt: skip
#: Third harmonic at which the trade tells a tape's largest level.
LARGEST_H3 = 0.03
#: Treble, and where it is told from: bias moves the one against the other (trade notes 4, row 27).
TREBLE_HZ, MIDDLE_HZ = 10_000.0, 1000.0
#: Losses are fitted from here up: below, waves are long and nothing is lost but by the head's shape.
_LOSSES_FROM_HZ = 800.0
#: A fit that leaves more of the response than this is none of a gap and a distance.
_LARGEST_REST_DB = 0.7
#: Speed is told by tones above, and drifts between the first and the last part of the side's time.
_SPEED_FROM_HZ, _END_SHARE = 250.0, 0.25
#: What filters and sampling leave of a phase.
_LEAST_DEG = 0.05
_UM, _US, _PERCENT = 1e6, 1e6, 100.0
_NEAR = 0.01

FIGURES = (
    Figure(key="level_v_rms", unit="V", words="level of the tape's reference level"),
    Figure(key="balance_db", unit="dB", words="level of the channel over that of the first"),
    Figure(key="h3_percent", unit="%", words="third harmonic at the reference level"),
    Figure(key="thd_percent", unit="%", words="harmonic distortion at the reference level"),
    Figure(key="speed_error_percent", unit="%", words="speed error"),
    Figure(key="speed_drift_percent", unit="%", words="drift of the speed over its part"),
    Figure(key="side_drift_percent", unit="%", words="drift of the speed from the side's beginning to its end"),
    Figure(key="weighted_percent", unit="%", words="wow and flutter, weighted, 2-sigma"),
    Figure(key="weighted_rms_percent", unit="%", words="wow and flutter, weighted, r.m.s."),
    Figure(key="quasi_peak_percent", unit="%", words="wow and flutter, weighted, quasi-peak"),
    Figure(key="unweighted_percent", unit="%", words="wow and flutter, unweighted, 2-sigma"),
    Figure(key="drop_outs_per_minute", unit="1/min", words="drop-outs per minute"),
    Figure(key="azimuth_deg", unit="degrees", words="mean phase against the first channel at the highest azimuth tone"),
    Figure(key="azimuth_wander_deg", unit="degrees", words="span in which that phase wanders for 95 % of the time"),
    Figure(key="azimuth_us", unit="µs", words="how much later the channel comes than the first"),
    Figure(key="azimuth_arcmin", unit="arcmin", words="azimuth of the head against the tape"),
    Figure(key="azimuth_loss_db", unit="dB", words="what that takes off at 10 kHz"),
    Figure(key="deviation_low_db", unit="dB", words="lowest response in its band"),
    Figure(key="deviation_high_db", unit="dB", words="highest response in its band"),
    Figure(key="treble_db", unit="dB", words="10 kHz over 1 kHz"),
    Figure(key="treble_unsteady_db", unit="dB", words="deviation of the level at the highest azimuth tone"),
    Figure(key="spacing_um", unit="µm", words="distance between tape and head that the treble tells"),
    Figure(key="gap_um", unit="µm", words="gap of the head that the treble tells"),
    Figure(key="mol_db", unit="dB", words="level with 3 % of third harmonic over the reference level"),
    Figure(key="snr_db", unit="dB", words="signal to noise re 3 % of third harmonic, unweighted"),
    Figure(key="snr_a_db", unit="dB", words="signal to noise re 3 % of third harmonic, A-weighted"),
    Figure(key="snr_468_db", unit="dB", words="signal to noise re 3 % of third harmonic, ITU-R BS.468"),
    Figure(key="crosstalk_db", unit="dB", words="crosstalk from the other channel"),
    Figure(key="erasure_db", unit="dB", words="how far erasing lowers a tone"),
    Figure(key="nr_tracking_db", unit="dB", words="largest change of a level by noise reduction"),
    Figure(key="nr_gain_db", unit="dB", words="how far noise reduction lowers the noise, A-weighted"),
)


@dataclass(frozen=True, kw_only=True)
class About:
    """What all channels share. without_nr : result of the same tape without noise reduction.   recorded : by whom."""

    recording: Recording
    read: Readings
    options: Mapping[str, Any]
    geometry: Geometry
    recorded: str
    equalizations: tuple[str | None, str | None]
    without_nr: Result | None


class ChannelFigures:
    """Makes one channel's values. words : to be said of the channel."""

    def __init__(self, about: About, *, column: int, channel: int) -> None:
        self._about, self._read, self._column, self._channel = about, about.read, column, channel
        self._told = Told({})
        self.words: list[str] = []

    def result(self) -> ChannelResult:
        """Return the channel's result; what no part tells is null."""
        told = self._told
        told.values.update(dict.fromkeys((*_COPIED, *_RATIOS, *_OWN)) | {key: [] for key in _LISTS})
        flutter = self._of(self._read.flutter)
        for key, of in _COPIED.items():
            told.copy(key, flutter, of)
        for tell in (
            self._tell_level, self._tell_drift, self._tell_azimuth, self._tell_response, self._tell_treble,
            self._tell_steps, self._tell_noise, self._tell_crosstalk, self._tell_erasure, self._tell_spots,
            self._tell_noise_reduction,
        ):  # fmt: skip
            tell()
        self.words += words_of(told.values, told.bound, recorded=self._about.recorded)
        return told.result(self._channel)

    def _of(self, result: Result | None) -> ChannelResult | None:
        found = () if result is None else result.channels
        return next((one for one in found if one.channel == self._channel), None)

    def _level(self, one: ReadPart, order: int = 1) -> ToneLevel | None:
        """Return the level of a part's tone or harmonic; None where it is not known."""
        levels = one.levels[self._column]
        if levels is None or len(levels) < order or not levels[0].heard:
            return None
        return levels[order - 1]

    def _first(self, *names: str) -> ReadPart | None:
        return next((one for one in self._read.having(*names) if self._level(one) is not None), None)

    # -- level and distortion ------------------------------------------------------------------------------------

    def _tell_level(self) -> None:
        one = self._first(LEVEL)
        level = None if one is None else self._level(one)
        if one is None or level is None:
            return
        told, recording = self._told, self._about.recording
        own = own_parts(level.half_width / level.rms)
        told.values["level_dbfs"] = 20.0 * math.log10(level.rms)
        told.add("level_dbfs", own, DB_PER_NEPER)
        scale_v = recording.v_rms_at_full_scale[self._column]
        scale = scale_parts(recording, self._column)
        if scale_v is not None:
            told.values["level_v_rms"] = level.rms * scale_v
            if scale is not None:
                told.add("level_v_rms", (*own, *scale), level.rms * scale_v)
        for key, order in (("h2_percent", 2), ("h3_percent", 3)):
            self._tell_harmonic(key, level, self._level(one, order))
        self._tell_thd(one, level)
        self._tell_balance(one, level)

    def _tell_harmonic(self, key: str, level: ToneLevel, harmonic: ToneLevel | None) -> None:
        if harmonic is None:
            return
        if not harmonic.heard:
            self._told.values[key] = _PERCENT * harmonic.most_rms / level.rms
            self._told.at_most(key)
            return
        self._told.values[key] = _PERCENT * harmonic.rms / level.rms
        self._told.add(key, (Part(NOISE_AND_FIT, harmonic.half_width / level.rms),), _PERCENT)

    def _tell_thd(self, one: ReadPart, level: ToneLevel) -> None:
        """Tell what all harmonics are together; noise may be all of it."""
        all_of_it = [found for order in range(2, 6) if (found := self._level(one, order)) is not None]
        if not all_of_it:
            return
        rms = math.sqrt(sum(found.rms**2 for found in all_of_it))
        half = math.sqrt(sum(found.half_width**2 for found in all_of_it if found.heard))
        if not any(found.heard for found in all_of_it):
            rms = math.sqrt(sum(found.most_rms**2 for found in all_of_it))
            self._told.at_most("thd_percent")
        else:
            self._told.add("thd_percent", (Part(NOISE_AND_FIT, half / level.rms),), _PERCENT)
        self._told.values["thd_percent"] = _PERCENT * rms / level.rms

    def _tell_balance(self, one: ReadPart, level: ToneLevel) -> None:
        first = one.levels[0]
        scales = self._about.recording.v_rms_at_full_scale
        if (
            self._column == 0
            or not first
            or not first[0].heard
            or (scales[0] is None) != (scales[self._column] is None)
        ):
            return
        ratio = level.rms / first[0].rms * (scales[self._column] or 1.0) / (scales[0] or 1.0)
        self._told.values["balance_db"] = 20.0 * math.log10(ratio)
        between = between_parts(self._about.recording, self._column, 0)
        if between is not None:
            own = (Part(NOISE_AND_FIT, found.half_width / found.rms) for found in (level, first[0]))
            self._told.add("balance_db", (*own, *own_parts(0.0)[1:], *between), DB_PER_NEPER)

    # -- speed over the side -------------------------------------------------------------------------------------

    def _tell_drift(self) -> None:
        """Tell by how much the speed at the side's end differs from that at its beginning, by all tones there."""
        from audiomeas.analysis.flutter_course import half_width_of

        points = self._speeds()
        if len(points) < 4:
            return
        first_s, last_s = points[0][0], points[-1][0]
        end_s = _END_SHARE * (last_s - first_s)
        ends = [
            [percent for at_s, percent in points if low_s <= at_s <= low_s + end_s]
            for low_s in (first_s, last_s - end_s)
        ]
        if min(map(len, ends)) < 2:
            return
        means = [sum(values) / len(values) for values in ends]
        self._told.values["side_drift_percent"] = means[1] - means[0]
        own = [Part(NOISE_AND_FIT, half_width_of(_array(values))) for values in ends]
        self._told.add("side_drift_percent", own)

    def _speeds(self) -> list[tuple[float, float]]:
        """Return (seconds, percent off) of each part whose tone tells speed."""
        told = []
        for one in self._read.tones:
            level = self._level(one)
            if level is not None and one.part.frequency_hz >= _SPEED_FROM_HZ:
                told.append((one.middle_s, _PERCENT * (level.frequency_hz / one.part.frequency_hz - 1.0)))
        return told

    # -- azimuth -------------------------------------------------------------------------------------------------

    def _tell_azimuth(self) -> None:
        """Tell the phase against the first channel, of the second one."""
        from audiomeas.analysis.azimuth import delay_of

        with_phase = [one for one in self._read.having(AZIMUTH, RESPONSE) if one.phase is not None]
        if self._column == 0 or not with_phase:
            return
        rising = sorted(with_phase, key=lambda one: one.phase.frequency_hz if one.phase else 0.0)
        phases = [one.phase for one in rising if one.phase is not None]
        found = delay_of(phases)
        values = self._told.values
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
        self._told.add("azimuth_deg", (Part(NOISE_AND_FIT, highest.half_width_deg), Part(METHOD, _LEAST_DEG)))
        turns = found.phases_deg[at] - highest.mean_deg
        values["azimuth_course_s"] = [round(float(value), 3) for value in highest.course_s]
        values["azimuth_course_deg"] = [round(float(value) + turns, 3) for value in highest.course_deg]
        values["azimuth_us"] = _US * found.later_s
        self._told.add("azimuth_us", (Part(NOISE_AND_FIT, found.half_width_s),), _US)
        self._tell_angle(found)
        if found.reversed:
            self.words.append("one channel is upside down against the other; azimuth is told with that taken out")

    def _tell_angle(self, found: Delay) -> None:
        from audiomeas.analysis.azimuth import arcmin_of, azimuth_loss_db

        known = self._about.geometry
        if known.spacing_m is None or known.speed_m_per_s is None:
            return
        told = self._told
        size = {"spacing_m": known.spacing_m, "speed_m_per_s": known.speed_m_per_s}
        told.values["azimuth_arcmin"] = arcmin_of(found.later_s, **size)
        told.add("azimuth_arcmin", (Part(NOISE_AND_FIT, arcmin_of(found.half_width_s, **size)),))
        if known.width_m is not None:
            loss_db = azimuth_loss_db(
                _array([TREBLE_HZ]),
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
        hz, level_db, half_db = (_array(column) for column in zip(*points, strict=True))
        recorded, played = self._about.equalizations
        reference_hz = self._about.options["reference_hz"]
        level_db = level_db - _at(hz, level_db, reference_hz)
        if recorded is not None and played is not None:
            level_db = level_db - mismatch_db(recorded, played, hz, reference_hz)
        values = self._told.values
        values["frequency_hz"] = hz.tolist()
        values["gain_db"] = [round(float(one), 6) for one in level_db]
        values["gain_uncertainty_db"] = half_db.tolist()
        inside = (hz >= self._about.options["low_hz"] * (1.0 - _NEAR)) & (
            hz <= self._about.options["high_hz"] * (1.0 + _NEAR)
        )
        if inside.any():
            for key, at in (
                ("deviation_low_db", level_db[inside].argmin()),
                ("deviation_high_db", level_db[inside].argmax()),
            ):
                values[key] = float(level_db[inside][at])
                self._told.add(key, (Part(NOISE_AND_FIT, float(half_db[inside][at])),))
        if played is None and (words := looks_like(hz, level_db, recorded)) is not None:
            self.words.append(f"the response is consistent with {words}: check the switch, and what is on the tape")
        self._tell_losses(hz, level_db, half_db)

    def _points(self) -> list[tuple[float, float, float]]:
        """Return (frequency, level re what was recorded, half-width) of the spots, dB, in rising order."""
        points = []
        for one in self._read.having(RESPONSE):
            level = self._level(one)
            if level is not None and one.part.level_db is not None:
                half_db = DB_PER_NEPER * level.half_width / level.rms
                points.append((one.part.frequency_hz, 20.0 * math.log10(level.rms) - one.part.level_db, half_db))
        return sorted(points)

    def _tell_losses(self, hz: Any, level_db: Any, half_db: Any) -> None:
        from audiomeas.analysis.azimuth import azimuth_loss_db
        from audiomeas.analysis.tape_losses import fitted_losses

        known = self._about.geometry
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
            self.words.append(
                f"neither a gap nor a distance from the head explains the treble (they leave {found.rms_db:.1f} dB): "
                "they are not told; look at equalization and bias first"
            )
            return
        for key, one in (("spacing_um", found.spacing), ("gap_um", found.gap)):
            self._told.values[key] = _UM * one.metres
            if one.at_most:
                self._told.at_most(key)
            else:
                self._told.add(key, (Part(NOISE_AND_FIT, one.half_width_m),), _UM)

    def _askew_arcmin(self) -> float | None:
        """Return the azimuth, as the second channel tells it for both."""
        from audiomeas.analysis.azimuth import arcmin_of, delay_of

        known = self._about.geometry
        phases = [one.phase for one in self._read.having(AZIMUTH, RESPONSE) if one.phase is not None]
        if known.spacing_m is None or known.speed_m_per_s is None or not phases:
            return None
        rising = sorted(phases, key=lambda one: one.frequency_hz)
        return arcmin_of(delay_of(rising).later_s, spacing_m=known.spacing_m, speed_m_per_s=known.speed_m_per_s)

    def _tell_treble(self) -> None:
        spots = {hz: (level_db, half_db) for hz, level_db, half_db in self._points()}
        if TREBLE_HZ in spots and MIDDLE_HZ in spots:
            self._told.values["treble_db"] = spots[TREBLE_HZ][0] - spots[MIDDLE_HZ][0]
            self._told.add("treble_db", [Part(NOISE_AND_FIT, spots[hz][1]) for hz in (TREBLE_HZ, MIDDLE_HZ)])
        tones = [one for one in self._read.having(AZIMUTH) if one.phase is not None]
        if tones:
            highest = max(tones, key=lambda one: one.part.frequency_hz).phase
            assert highest is not None
            self._told.values["treble_unsteady_db"] = highest.level_std_db[self._column]

    # -- third harmonic and noise --------------------------------------------------------------------------------

    def _tell_steps(self) -> None:
        from audiomeas.analysis.saturation import crossing_at

        reference = self._first(LEVEL)
        level = None if reference is None else self._level(reference)
        if reference is None or level is None:
            return
        rows = []
        for one in sorted(self._read.having(STEPS), key=lambda one: one.part.level_db or 0.0):
            own, third = self._level(one), self._level(one, 3)
            if own is not None and third is not None:
                rows.append(_step(one, own, third, level.rms))
        self._told.values["steps"] = rows
        found = crossing_at(
            _array([row["recorded_db"] for row in rows]),
            _array([row["level_db"] for row in rows]),
            _array([row["h3_percent"] for row in rows]) / _PERCENT,
            _array([row["uncertainty"].get("h3_percent", 0.0) for row in rows]) / _PERCENT,
            _array([not row["bound"] for row in rows]) > 0.0,
            wanted=LARGEST_H3,
        )
        if found is None:
            return
        values = self._told.values
        values["mol_db"], values["mol_recorded_db"] = found.played_db, found.recorded_db
        if found.bound:
            self._told.at_most("mol_db", "mol_recorded_db", word=found.bound)
            return
        relative = Part(NOISE_AND_FIT, DB_PER_NEPER * level.half_width / level.rms)
        self._told.add("mol_db", (Part(NOISE_AND_FIT, found.half_width_db), relative))

    def _tell_noise(self) -> None:
        """Tell how far noise lies below the level with 3 % of third harmonic."""
        noise, values = self._of(self._read.noise), self._told.values
        if noise is None or values["mol_db"] is None or values["level_dbfs"] is None:
            return
        loud_dbfs, mol_bound = values["level_dbfs"] + values["mol_db"], self._told.bound.get("mol_db", "")
        for key, of in _RATIOS.items():
            quiet = noise.values.get(of)
            noise_bound = noise.bound.get(of, "")
            if quiet is None or (mol_bound == "at most" and noise_bound):
                continue
            values[key] = loud_dbfs - quiet
            if mol_bound or noise_bound:
                self._told.at_most(key, word=mol_bound or "at least")
                continue
            parts = parts_of(noise, of)
            if parts is not None:
                own = Part(NOISE_AND_FIT, self._told.uncertainty.get("mol_db", 0.0))
                self._told.add(key, (own, *parts))

    # -- what leaks, what is left --------------------------------------------------------------------------------

    def _tell_crosstalk(self) -> None:
        """Tell the highest part that the other channel's tone has here."""
        worst = None
        for _, _, found in self._read.leaks:
            if found.louder != self._column and (worst is None or found.most > worst.most):
                worst = found
        if worst is None:
            return
        key, size = "crosstalk_db", abs(worst.transfer)
        if not worst.heard:
            self._told.values[key] = 20.0 * math.log10(worst.most)
            self._told.at_most(key)
            return
        self._told.values[key] = 20.0 * math.log10(size)
        self._told.add(key, (Part(NOISE_AND_FIT, worst.transfer_uncertainty / size),), DB_PER_NEPER)

    def _tell_erasure(self) -> None:
        """Tell how far what an eraser left lies below what was there: of a stretch, else of a former recording."""
        found, former, reference = self._read.erased[self._column], self._read.former[self._column], self._first(LEVEL)
        if found is not None:
            whole, left = found.whole, found.left
        elif former is not None and reference is not None and (level := self._level(reference)) is not None:
            whole, left = level, former
        else:
            return
        key = "erasure_db"
        if not left.heard:
            self._told.values[key] = 20.0 * math.log10(whole.rms / left.most_rms)
            self._told.at_most(key, word="at least")
            return
        self._told.values[key] = 20.0 * math.log10(whole.rms / left.rms)
        own = (Part(NOISE_AND_FIT, one.half_width / one.rms) for one in (whole, left))
        self._told.add(key, own, DB_PER_NEPER)

    # -- noise reduction -----------------------------------------------------------------------------------------

    def _tell_spots(self) -> None:
        """Keep the levels that another capture of the same tape is held against."""
        rows = []
        for one in self._read.having(RESPONSE, TRACKING):
            level = self._level(one)
            if level is None or one.part.level_db is None:
                continue
            rows.append(
                {
                    "frequency_hz": one.part.frequency_hz,
                    "recorded_db": one.part.level_db,
                    "level_dbfs": 20.0 * math.log10(level.rms),
                    "uncertainty": {"level_dbfs": DB_PER_NEPER * level.half_width / level.rms},
                }
            )
        self._told.values["spots"] = rows
        noise = self._of(self._read.noise)
        self._told.values["noise_a_dbfs"] = None if noise is None else noise.values.get("a_weighted_dbfs")

    def _tell_noise_reduction(self) -> None:
        """Tell what noise reduction does to the levels that both captures hold, and to the noise."""
        other = self._of(self._about.without_nr)
        if other is None:
            return
        values, told = self._told.values, self._told
        before = {(row["frequency_hz"], row["recorded_db"]): row for row in other.values.get("spots", [])}
        asked_hz = {one.part.frequency_hz for one in self._read.having(TRACKING)}
        rows = []
        for row in values["spots"]:
            old = before.get((row["frequency_hz"], row["recorded_db"]))
            if old is None or (asked_hz and not any(abs(row["frequency_hz"] / hz - 1.0) < _NEAR for hz in asked_hz)):
                continue
            half_db = math.hypot(*(one["uncertainty"]["level_dbfs"] for one in (row, old)))
            rows.append(
                {
                    "frequency_hz": row["frequency_hz"],
                    "recorded_db": row["recorded_db"],
                    "change_db": row["level_dbfs"] - old["level_dbfs"],
                    "uncertainty": {"change_db": half_db},
                }
            )
        values["noise_reduction"] = rows
        if rows:
            worst = max(rows, key=lambda row: abs(row["change_db"]))
            values["nr_tracking_db"] = worst["change_db"]
            told.add("nr_tracking_db", (Part(NOISE_AND_FIT, worst["uncertainty"]["change_db"]),))
        quiet, loud = values["noise_a_dbfs"], other.values.get("noise_a_dbfs")
        if quiet is not None and loud is not None:
            values["nr_gain_db"] = loud - quiet


def _step(one: ReadPart, own: ToneLevel, third: ToneLevel, reference_rms: float) -> dict[str, Any]:
    heard = third.heard
    return {
        "recorded_db": one.part.level_db,
        "level_db": 20.0 * math.log10(own.rms / reference_rms),
        "h3_percent": _PERCENT * (third.rms if heard else third.most_rms) / own.rms,
        "uncertainty": {"h3_percent": _PERCENT * third.half_width / own.rms} if heard else {},
        "bound": {} if heard else {"h3_percent": "at most"},
    }


def _array(values: Any) -> Any:
    import numpy as np

    return np.array(values, dtype=np.float64)


def _at(hz: Any, level_db: Any, wanted_hz: float) -> float:
    """Return a response's level at a frequency, straight in between over log frequency."""
    import numpy as np

    return float(np.interp(math.log(wanted_hz), np.log(hz), level_db))
