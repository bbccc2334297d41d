"""What a channel's clipping becomes in a result: onset, levels, curve, waveform; with uncertainty or bound."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part
from audiomeas.measurement.bench_own import bound_ratios, limited_words
from audiomeas.measurement.budget import NOISE_AND_FIT, Told, own_parts
from audiomeas.measurement.clipping_words import AT_LEAST
from audiomeas.measurement.scale_parts import input_level_parts
from audiomeas.measurement.tone_values import tell_gain, tell_output
from audiomeas.units import amplitude_ratio_to_db

if TYPE_CHECKING:
    from audiomeas.analysis.clipping import Clipping, CurvePoint, DistortionLevel
    from audiomeas.measurement.clipping_read import Burst, Read
    from audiomeas.recording import Recording

#: What is told of a level, each with a prefix.
_OF_LEVEL = ("dbfs", "v_rms", "w", "input_v_rms")
_RATIOS = ("thd_percent", "thd_n_percent")
#: A waveform shows so many periods, in so many points at most.
_PERIODS, _MOST_POINTS = 2, 400
_MORE = (
    "criterion_percent",
    "onset_h2_db",
    "onset_h3_db",
    "minimum_thd_percent",
    "minimum_v_rms",
    "gain_db",
    "compression_db",
    "asymmetry_db",
    "first_half",
    "sag_db",
    "sag_w",
    "recovery_s",
)


def percent_name(percent: float) -> str:
    """Return a percentage as keys hold it: '1_percent', '0_1_percent'."""
    return f"{percent:g}_percent".replace(".", "_")


def empty(percentages: Sequence[float], rated: float | None) -> dict[str, Any]:
    """Return a channel's values of which nothing is known."""
    names = ["onset", *(f"at_{percent_name(one)}" for one in percentages), *(["at_rated"] if rated else [])]
    values: dict[str, Any] = {f"{name}_{unit}": None for name in names for unit in _OF_LEVEL}
    return {**values, **dict.fromkeys(_MORE), "levels": [], "alone": None, "curve": [], "waveforms": []}


class Teller:
    """Tells one channel of a recording."""

    def __init__(self, recording: Recording, column: int, read: Read, rated_percent: float | None) -> None:
        self._recording, self._column, self._channel = recording, column, recording.channels[column]
        self._read, self._rated = read, rated_percent
        self._frequency_hz = read.frequency_hz
        #: Sentences for the person.
        self.notes: list[str] = []
        self.told = Told(empty([one.percent for one in read.clipping.levels], rated_percent))

    def tell(self) -> Told:
        """Return everything but recovery."""
        clipping, values = self._read.clipping, self.told.values
        self._level(self.told, clipping.onset, "onset")
        values["criterion_percent"] = clipping.onset.percent
        values["onset_h2_db"], values["onset_h3_db"] = clipping.onset.h2_db, clipping.onset.h3_db
        if clipping.onset.bound == AT_LEAST:
            values["criterion_percent"] = None  # nothing has told it
        for one in clipping.levels:
            self._level(self.told, one, f"at_{percent_name(one.percent)}")
            if one.percent == self._rated:
                self._level(self.told, one, "at_rated")
        values["levels"] = [self._row(one) for one in clipping.levels]
        values["compression_db"] = clipping.levels[-1].compression_db if clipping.levels else None
        self._asymmetry(clipping)
        self._minimum(clipping)
        self._gain(clipping)
        values["curve"] = [self._point(one) for one in clipping.curve]
        self._sag()
        values["waveforms"] = self._waveforms()
        return self.told

    def _asymmetry(self, clipping: Clipping) -> None:
        told = self.told
        told.values["asymmetry_db"], told.values["first_half"] = clipping.asymmetry_db, clipping.first_half
        if clipping.asymmetry_bound is not None:
            told.at_most("asymmetry_db", word=clipping.asymmetry_bound)
        elif clipping.asymmetry_uncertainty_db is not None:
            # Both halves are of one channel on one range: its scale is in neither.
            told.add("asymmetry_db", [Part(NOISE_AND_FIT, clipping.asymmetry_uncertainty_db)])

    def _level(self, told: Told, level: DistortionLevel, prefix: str) -> None:
        """Tell one level under a prefix."""
        own = own_parts(level.uncertainty_db / DB_PER_NEPER)
        tell_output(
            told,
            self._recording,
            self._column,
            self._channel,
            level.level_v_rms,
            frequency_hz=self._frequency_hz,
            own=own,
            prefix=prefix,
        )
        self._input(told, level, prefix, own)
        if level.bound is not None:
            told.at_most(
                *(f"{prefix}_{unit}" for unit in _OF_LEVEL if told.values.get(f"{prefix}_{unit}") is not None),
                word=level.bound,
            )

    def _input(self, told: Told, level: DistortionLevel, prefix: str, own: Sequence[Part]) -> None:
        key = f"{prefix}_input_v_rms"
        told.values[key] = self._input_v_rms(level.input_v_rms)
        played = input_level_parts(self._recording, self._column)
        if told.values[key] is not None and played is not None:
            told.add(key, (*played, *own), told.values[key])

    def _input_v_rms(self, level: float | None) -> float | None:
        """Return a level at the unit's input where it is in volts."""
        return level if self._read.in_volts else None

    def _row(self, level: DistortionLevel) -> dict[str, Any]:
        """Return one level as a row of its own."""
        told = Told({f"level_{unit}": None for unit in _OF_LEVEL})
        self._level(told, level, "level")
        rename = {"level_input_v_rms": "input_v_rms"}
        return {
            "percent": level.percent,
            **{rename.get(key, key): value for key, value in told.values.items()},
            "compression_db": level.compression_db,
            "h2_db": level.h2_db,
            "h3_db": level.h3_db,
            "uncertainty": {rename.get(key, key): value for key, value in told.uncertainty.items()},
            "bound": {rename.get(key, key): value for key, value in told.bound.items()},
        }

    def _minimum(self, clipping: Clipping) -> None:
        told = self.told
        if self._recording.scale_v(self._column) is not None:
            told.values["minimum_v_rms"] = clipping.minimum_v_rms
        least = self._ratios(clipping.minimum_v_rms, None, {"thd": clipping.minimum_thd_ratio})
        told.values["minimum_thd_percent"] = least.values["thd_percent"]
        if clipping.minimum_at_most or least.bound:
            told.at_most("minimum_thd_percent")
        if least.bound and clipping.onset.bound is None:
            # The unit's own minimum lies lower, and so does what is twice of it.
            told.at_most(*(key for unit in _OF_LEVEL if told.values[key := f"onset_{unit}"] is not None))
            self.notes.append(f"{limited_words(['thd'])}; the onset may lie lower")

    def _ratios(self, level_rms: float, input_v_rms: float | None, ratios: Mapping[str, float]) -> Told:
        """Return a burst's level, and its ratios as far as the bench lets them be known. ratios : by name."""
        told = Told({})
        tell_output(
            told,
            self._recording,
            self._column,
            self._channel,
            level_rms,
            frequency_hz=self._frequency_hz,
            own=(),
        )
        for name, ratio in ratios.items():
            told.values[f"{name}_percent"] = 100.0 * ratio
            told.values[f"{name}_db"] = amplitude_ratio_to_db(ratio) if ratio > 0.0 else None
        bound_ratios(told, self._recording, self._channel, self._frequency_hz, tuple(ratios), input_v_rms=input_v_rms)
        return told

    def _gain(self, clipping: Clipping) -> None:
        if clipping.gain_db is None or not self._read.in_volts or self._recording.scale_v(self._column) is None:
            return
        tell_gain(self.told, self._recording, self._column, clipping.gain_db, frequency_hz=self._frequency_hz, own=())

    def _point(self, point: CurvePoint) -> dict[str, Any]:
        input_v_rms = self._input_v_rms(point.input_v_rms)
        ratios = {"thd": point.thd_ratio, "thd_n": point.thd_n_ratio}
        told = self._ratios(point.level_v_rms, input_v_rms, ratios)
        if point.thd_at_most:
            told.at_most("thd_percent")
        return {
            "input_v_rms": input_v_rms,
            "level_v_rms": told.values.get("level_v_rms"),
            "level_w": told.values.get("level_w"),
            **{key: told.values[key] for key in ("level_dbfs", *_RATIOS)},
            "bound": {key: word for key, word in told.bound.items() if key in _RATIOS},
        }

    def _sag(self) -> None:
        """Tell what a channel gives alone, and by how much less together with the others."""
        from audiomeas.analysis.clipping import sag_db

        alone, together = self._read.alone, self._read.clipping
        if alone is None:
            return
        told = Told({})
        self._level(told, alone.onset, "onset")
        self.told.values["alone"] = {
            **told.values,
            "levels": [self._row(one) for one in alone.levels],
            "curve": [self._point(one) for one in alone.curve],
        }
        if not (alone.levels and together.levels):
            return
        sag = sag_db(alone.levels[-1], together.levels[-1])
        self.told.values["sag_db"] = sag
        if sag is None:
            return
        # One channel on one range: scale and load are the same both times, and cancel.
        half_db = [one.levels[-1].uncertainty_db for one in (alone, together)]
        self.told.add("sag_db", [Part(NOISE_AND_FIT, half) for half in half_db])
        watts = [rows[-1]["level_w"] for rows in (self.told.values["alone"]["levels"], self.told.values["levels"])]
        if None not in watts:
            self.told.values["sag_w"] = watts[1] - watts[0]

    def _waveforms(self) -> list[dict[str, Any]]:
        """Return the wave of the burst nearest above the onset, and of the loudest one."""
        onset = self._read.clipping.onset
        above = [one for one in self._read.bursts if one.reading.level_v_rms >= onset.level_v_rms]
        nearest = {"onset": min(above, key=lambda one: one.reading.level_v_rms)} if above and not onset.bound else {}
        chosen = {**nearest, "loudest": self._read.loudest}
        return [self._waveform(name, burst) for name, burst in chosen.items()]

    def _waveform(self, name: str, burst: Burst) -> dict[str, Any]:
        """Return two periods from the middle of a burst, and what is left of them without the fundamental."""
        import numpy as np

        from audiomeas.analysis.known_tones import fit_known_tones
        from audiomeas.measurement.steady import samples

        rate_hz, frequency_hz = self._recording.sample_rate_hz, self._frequency_hz
        start, stop = burst.span
        middle = slice(start + (stop - start) // 4, stop)
        signal = samples(self._recording, self._column, middle)
        signal = signal[: round(np.floor(len(signal) * frequency_hz / rate_hz) * rate_hz / frequency_hz)]
        rest = fit_known_tones(signal, rate_hz, (frequency_hz,)).residual
        frames = min(round(_PERIODS * rate_hz / frequency_hz) + 1, len(signal))
        every = max(1, -(-frames // _MOST_POINTS))
        shown = slice(0, frames, every)
        in_volts = self._recording.scale_v(self._column) is not None
        # Relative to a full-scale sine's peak where there are no volts.
        unit = 1.0 if in_volts else float(np.sqrt(2.0))
        return {
            "of": name,
            "input_v_rms": self._input_v_rms(burst.input_v_rms),
            "thd_percent": 100.0 * burst.reading.thd_ratio,
            "in_volts": in_volts,
            "time_s": [float(f"{frame / rate_hz:.6g}") for frame in range(0, frames, every)],
            "level": [float(f"{value / unit:.5g}") for value in signal[shown]],
            "rest": [float(f"{value / unit:.5g}") for value in rest[shown]],
        }
