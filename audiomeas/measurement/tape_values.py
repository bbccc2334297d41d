"""One channel's figures of a tape: of its parts, each as it was read, and of several together."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part
from audiomeas.measurement.base import Figure
from audiomeas.measurement.budget import NOISE_AND_FIT, own_parts, parts_of
from audiomeas.measurement.scale_parts import between_parts, scale_parts
from audiomeas.measurement.tape_channel import PERCENT, About, TapeChannel, array_of
from audiomeas.measurement.tape_head import HeadFigures
from audiomeas.measurement.tape_media import LEVEL, STEPS
from audiomeas.measurement.tape_reduction import tell_noise_reduction, tell_spots
from audiomeas.measurement.tape_words import words_of

if TYPE_CHECKING:
    from audiomeas.analysis.tape_tones import ToneLevel
    from audiomeas.measurement.result import ChannelResult
    from audiomeas.measurement.tape_read import ReadPart

#: Figures of the part that tells flutter.
_COPIED = (
    "speed_error_percent", "speed_drift_percent", "weighted_percent", "weighted_rms_percent", "quasi_peak_percent",
    "unweighted_percent", "wow_percent", "flutter_percent", "drop_outs_per_minute",
)  # fmt: skip
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
    "mol_db", "mol_recorded_db", "crosstalk_db", "side_crosstalk_db", "erasure_db", "nr_tracking_db", "nr_gain_db",
)  # fmt: skip
_LISTS = (
    "frequency_hz", "gain_db", "gain_uncertainty_db", "azimuth", "azimuth_course_s", "azimuth_course_deg", "steps",
    "spots", "noise_reduction",
)  # fmt: skip
#: Third harmonic at which the trade tells a tape's largest level.
LARGEST_H3 = 0.03
#: Speed is told by tones above, and drifts between the first and the last part of the side's time.
_SPEED_FROM_HZ, _END_SHARE = 250.0, 0.25

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
    Figure(key="side_crosstalk_db", unit="dB", words="what comes through of a tone on the tape's other side"),
    Figure(key="erasure_db", unit="dB", words="how far erasing lowers a tone"),
    Figure(key="nr_tracking_db", unit="dB", words="largest change of a level by noise reduction"),
    Figure(key="nr_gain_db", unit="dB", words="how far noise reduction lowers the noise, A-weighted"),
)


class ChannelFigures:
    """Makes one channel's values."""

    def __init__(self, about: About, *, column: int, channel: int) -> None:
        self._channel = channel
        self._one = TapeChannel(about, column=column, channel=channel)

    @property
    def words(self) -> list[str]:
        """Return what is to be said of the channel."""
        return self._one.words

    def result(self) -> ChannelResult:
        """Return the channel's result; what no part tells is null."""
        told = self._one.told
        told.values.update(dict.fromkeys((*_COPIED, *_RATIOS, *_OWN)) | {key: [] for key in _LISTS})
        flutter = self._one.of(self._one.read.flutter)
        for key in _COPIED:
            told.copy(key, flutter, key)
        for tell in (
            self._tell_level, self._tell_drift, HeadFigures(self._one).tell,
            self._tell_steps, self._tell_noise, self._tell_crosstalk, self._tell_other_side, self._tell_erasure,
        ):  # fmt: skip
            tell()
        tell_spots(self._one)
        tell_noise_reduction(self._one)
        self._one.words += words_of(
            told.values,
            told.bound,
            recorded=self._one.about.recorded,
            with_nr=self._one.about.without_nr is not None,
        )
        return told.result(self._channel)

    # -- level and distortion ------------------------------------------------------------------------------------

    def _tell_level(self) -> None:
        one = self._one.first(LEVEL)
        level = None if one is None else self._one.level(one)
        if one is None or level is None:
            return
        told, recording = self._one.told, self._one.about.recording
        own = own_parts(level.half_width / level.rms)
        told.values["level_dbfs"] = 20.0 * math.log10(level.rms)
        told.add("level_dbfs", own, DB_PER_NEPER)
        scale_v = recording.v_rms_at_full_scale[self._one.column]
        scale = scale_parts(recording, self._one.column)
        if scale_v is not None:
            told.values["level_v_rms"] = level.rms * scale_v
            if scale is not None:
                told.add("level_v_rms", (*own, *scale), level.rms * scale_v)
        for key, order in (("h2_percent", 2), ("h3_percent", 3)):
            self._tell_harmonic(key, level, self._one.level(one, order))
        self._tell_thd(one, level)
        self._tell_balance(one, level)

    def _tell_harmonic(self, key: str, level: ToneLevel, harmonic: ToneLevel | None) -> None:
        if harmonic is None:
            return
        if not harmonic.heard:
            self._one.told.values[key] = PERCENT * harmonic.most_rms / level.rms
            self._one.told.at_most(key)
            return
        self._one.told.values[key] = PERCENT * harmonic.rms / level.rms
        self._one.told.add(key, (Part(NOISE_AND_FIT, harmonic.half_width / level.rms),), PERCENT)

    def _tell_thd(self, one: ReadPart, level: ToneLevel) -> None:
        """Tell what all harmonics are together; noise may be all of it."""
        all_of_it = [found for order in range(2, 6) if (found := self._one.level(one, order)) is not None]
        if not all_of_it:
            return
        rms = math.sqrt(sum(found.rms**2 for found in all_of_it))
        half = math.sqrt(sum(found.half_width**2 for found in all_of_it if found.heard))
        if not any(found.heard for found in all_of_it):
            rms = math.sqrt(sum(found.most_rms**2 for found in all_of_it))
            self._one.told.at_most("thd_percent")
        else:
            self._one.told.add("thd_percent", (Part(NOISE_AND_FIT, half / level.rms),), PERCENT)
        self._one.told.values["thd_percent"] = PERCENT * rms / level.rms

    def _tell_balance(self, one: ReadPart, level: ToneLevel) -> None:
        first = one.levels[0]
        scales = self._one.about.recording.v_rms_at_full_scale
        if (
            self._one.column == 0
            or not first
            or not first[0].heard
            or (scales[0] is None) != (scales[self._one.column] is None)
        ):
            return
        ratio = level.rms / first[0].rms * (scales[self._one.column] or 1.0) / (scales[0] or 1.0)
        self._one.told.values["balance_db"] = 20.0 * math.log10(ratio)
        between = between_parts(self._one.about.recording, self._one.column, 0)
        if between is not None:
            own = (Part(NOISE_AND_FIT, found.half_width / found.rms) for found in (level, first[0]))
            self._one.told.add("balance_db", (*own, *own_parts(0.0)[1:], *between), DB_PER_NEPER)

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
        self._one.told.values["side_drift_percent"] = means[1] - means[0]
        own = [Part(NOISE_AND_FIT, half_width_of(array_of(values))) for values in ends]
        self._one.told.add("side_drift_percent", own)

    def _speeds(self) -> list[tuple[float, float]]:
        """Return (seconds, percent off) of each part whose tone tells speed."""
        told = []
        for one in self._one.read.tones:
            level = self._one.level(one)
            if level is not None and one.part.frequency_hz >= _SPEED_FROM_HZ:
                told.append((one.middle_s, PERCENT * (level.frequency_hz / one.part.frequency_hz - 1.0)))
        return told

    # -- third harmonic and noise --------------------------------------------------------------------------------

    def _tell_steps(self) -> None:
        from audiomeas.analysis.saturation import crossing_at

        reference = self._one.first(LEVEL)
        level = None if reference is None else self._one.level(reference)
        if reference is None or level is None:
            return
        rows = []
        for one in sorted(self._one.read.having(STEPS), key=lambda one: one.part.level_db or 0.0):
            own, third = self._one.level(one), self._one.level(one, 3)
            if own is not None and third is not None:
                rows.append(_step(one, own, third, level.rms))
        self._one.told.values["steps"] = rows
        found = crossing_at(
            array_of([row["recorded_db"] for row in rows]),
            array_of([row["level_db"] for row in rows]),
            array_of([row["h3_percent"] for row in rows]) / PERCENT,
            array_of([row["uncertainty"].get("h3_percent", 0.0) for row in rows]) / PERCENT,
            array_of([not row["bound"] for row in rows]) > 0.0,
            wanted=LARGEST_H3,
        )
        if found is None:
            return
        values = self._one.told.values
        values["mol_db"], values["mol_recorded_db"] = found.played_db, found.recorded_db
        if found.bound:
            self._one.told.at_most("mol_db", "mol_recorded_db", word=found.bound)
            return
        relative = Part(NOISE_AND_FIT, DB_PER_NEPER * level.half_width / level.rms)
        self._one.told.add("mol_db", (Part(NOISE_AND_FIT, found.half_width_db), relative))

    def _tell_noise(self) -> None:
        """Tell how far noise lies below the level with 3 % of third harmonic."""
        noise, values = self._one.of(self._one.read.noise), self._one.told.values
        if noise is None or values["mol_db"] is None or values["level_dbfs"] is None:
            return
        loud_dbfs, mol_bound = values["level_dbfs"] + values["mol_db"], self._one.told.bound.get("mol_db", "")
        for key, of in _RATIOS.items():
            quiet = noise.values.get(of)
            noise_bound = noise.bound.get(of, "")
            if quiet is None or (mol_bound == "at most" and noise_bound):
                continue
            values[key] = loud_dbfs - quiet
            if mol_bound or noise_bound:
                self._one.told.at_most(key, word=mol_bound or "at least")
                continue
            parts = parts_of(noise, of)
            if parts is not None:
                own = Part(NOISE_AND_FIT, self._one.told.uncertainty.get("mol_db", 0.0))
                self._one.told.add(key, (own, *parts))

    # -- what leaks, what is left --------------------------------------------------------------------------------

    def _tell_crosstalk(self) -> None:
        """Tell the highest part that the other channel's tone has here."""
        worst = None
        for _, _, found in self._one.read.leaks:
            if found.louder != self._one.column and (worst is None or found.most > worst.most):
                worst = found
        if worst is None:
            return
        key, size = "crosstalk_db", abs(worst.transfer)
        if not worst.heard:
            self._one.told.values[key] = 20.0 * math.log10(worst.most)
            self._one.told.at_most(key)
            return
        self._one.told.values[key] = 20.0 * math.log10(size)
        self._one.told.add(key, (Part(NOISE_AND_FIT, worst.transfer_uncertainty / size),), DB_PER_NEPER)

    def _tell_other_side(self) -> None:
        """Tell what the silence holds of the other side's tone, over the reference level that it has there."""
        left, reference = self._one.read.other_side[self._one.column], self._one.first(LEVEL)
        level = None if reference is None else self._one.level(reference)
        if left is None or level is None:
            return
        key = "side_crosstalk_db"
        self._one.told.values[key] = 20.0 * math.log10((left.rms if left.heard else left.most_rms) / level.rms)
        if not left.heard:
            self._one.told.at_most(key)
            return
        own = (Part(NOISE_AND_FIT, one.half_width / one.rms) for one in (left, level))
        self._one.told.add(key, own, DB_PER_NEPER)

    def _tell_erasure(self) -> None:
        """Tell how far what an eraser left lies below what was there: of a stretch, else of a former recording."""
        found, former, reference = (
            self._one.read.erased[self._one.column],
            self._one.read.former[self._one.column],
            self._one.first(LEVEL),
        )
        if found is not None:
            whole, left = found.whole, found.left
        elif former is not None and reference is not None and (level := self._one.level(reference)) is not None:
            whole, left = level, former
        else:
            return
        key = "erasure_db"
        if not left.heard:
            self._one.told.values[key] = 20.0 * math.log10(whole.rms / left.most_rms)
            self._one.told.at_most(key, word="at least")
            return
        self._one.told.values[key] = 20.0 * math.log10(whole.rms / left.rms)
        own = (Part(NOISE_AND_FIT, one.half_width / one.rms) for one in (whole, left))
        self._one.told.add(key, own, DB_PER_NEPER)


def _step(one: ReadPart, own: ToneLevel, third: ToneLevel, reference_rms: float) -> dict[str, Any]:
    heard = third.heard
    return {
        "recorded_db": one.part.level_db,
        "level_db": 20.0 * math.log10(own.rms / reference_rms),
        "h3_percent": PERCENT * (third.rms if heard else third.most_rms) / own.rms,
        "uncertainty": {"h3_percent": PERCENT * third.half_width / own.rms} if heard else {},
        "bound": {} if heard else {"h3_percent": "at most"},
    }
