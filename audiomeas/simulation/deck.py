"""A simulated tape deck: what it records, what it replays, and what is wrong with both, in closed form.

It replays a side from a file, or, with three heads, what it records at the same time. Levels L are relative to the
tape's reference level, in r.m.s. of a sine; x is a sample in the same measure (a sine at the reference has the peak
√2). What stands on the tape is counted relative to the tape's own flux curve, so that a healthy record amplifier is
flat: treble then saturates as bass does, which in flux is so much lower as the curve has it.

Recorded here, with h the third harmonic at the reference and b how much too high the bias is, in dB:

    x → x·G(L)                                        noise reduction, see `simulation.compander`
    x → x·10^(e/20)                                   the tape's sensitivity is e off
    y = x − a·x³, |x| up to 1/√(3a), level beyond     a = 2h′/(1 + 3h′), h′ = h·1.5^(−b)
    H_b(f) = 10^(−2·b·(f/10 kHz)/20)                  treble: 2 dB at 10 kHz for each dB of bias

So a sine at L has the third harmonic q/(1 − 3q) of its fundamental, q = a·L²/2, and 3 % at L² = 2·0.03/(1.09·a). The
2 dB and the 1.5 are from memory (common practice, for 1 dB of bias).

Replayed at the speed v·(1 + e), λ = v·(1 + e)/f, through a head with gap g and spacing d, α off, on tracks w wide and D
apart:

    E(f)/|E(315 Hz)|,  E = (1 + s·T_treble′)/(1 + s·T_treble) · (1 + 1/(s·T_bass))/(1 + 1/(s·T_bass′))
    sin(πg/λ)/(πg/λ)                                  gap; g is the effective gap
    10^(−54.6·(d/λ)/20)                               spacing (Wallace 1951)
    sin(πw·tan α/λ)/(πw·tan α/λ)                      a slit across a track
    channel 2 late by D·tan(α + α_w·sin(2πrτ))/(v·(1 + e))      the skew wanders; a track's own loss has its mean

T of what the tape was made with, T′ of the replay amplifier (IEC 60094-1, clause 15); a time constant of bass that
isn't there counts as 0.32 s (0.5 Hz), so that no gain is infinite. The motion of the tape is v and s of
`simulation.motion`. What is heard at τ was recorded at t′:

    s(t′) = s(τ)                       reference tape: recorded without any error, so that s(t′) = t′
    s(t′ + T₀) − s(T₀) = s(τ)          recorded here before, T₀ after the wheels began to turn: both passes' flutter
    s(t′) = s(τ) − l                   three heads, record and replay head l apart: only the difference of both is heard

Behind that come drop-outs, what the other track leaks, hiss, the expander of the noise reduction, mono or swapped
channels; then the unit's own gain, hum and noise.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.simulation.filters import AnalogNetwork
from audiomeas.simulation.motion import STEADY, Motion, read_motion
from audiomeas.simulation.pairs import pairs_above_0
from audiomeas.tomlfile import Table

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Levels are told at this frequency (IEC 60094-1, from memory).
REFERENCE_HZ = 315.0
#: Of bias, from memory (common practice): see the module.
_HARMONIC_PER_DB, _TREBLE_DB_PER_DB, _TREBLE_HZ = 1.5, 2.0, 10_000.0
_WALLACE_DB = 54.6
#: Stands for a time constant of bass that isn't there.
_NO_BASS_S = 1.0 / (2.0 * math.pi * 0.5)
_ARC_MINUTES = 60.0
#: Filters take nearly so long: a replay head nearer than this would hear what is not recorded yet.
_NEAREST_HEADS_S = 0.013


@dataclass(frozen=True, kw_only=True)
class DeckModel:
    """A deck (see the module).

    tape : a WAV file to replay; None: three heads.   tape_reference_fs : its reference level, of a full-scale sine.
    recorded_here : the file is what was sent to the deck, which recorded it before; else it is on a reference tape.
    earlier_pass_s : T₀.   begins_s : when the tape begins, from the beginning of a stream.   heads_apart_mm : l·v.
    input_v_rms, output_v_rms : at the reference level, 315 Hz.   motion : v and s.   tape_speed_cm_s : v.
    track_spacing_mm, track_width_mm : D and w.   azimuth_arc_min : α.   wander_arc_min, wander_hz : α_w and r.
    gap_um, spacing_um : g and d.   tape_us, replay_us : T and T′, (bass, treble), 0 for none.
    third_harmonic_percent : h.   bias_error_db : b.   sensitivity_error_db : e.
    hiss_db : re the reference, white, in 20 kHz; None: none.   track_leakage_db : what comes from the other track.
    drop_outs : ((seconds, length in seconds), …) in τ.   former_hz, erased_db : what the erase head leaves of a
    recording at the reference level that was there before.   other_side_hz, other_side_db : what comes through of a
    tone at the reference level on the tape's other side; None: nothing is there.
    noise_reduction_db : the most that it lowers noise by.
    swapped, mono : channels exchanged; both channels play the mean.
    """

    tape: Path | None = None
    tape_reference_fs: float = 0.2512
    recorded_here: bool = True
    earlier_pass_s: float = 100.0
    begins_s: float = 1.0
    heads_apart_mm: float = 2.0
    input_v_rms: float = 0.1
    output_v_rms: float = 0.5
    motion: Motion = STEADY
    tape_speed_cm_s: float = 4.7625
    track_spacing_mm: float = 0.9
    track_width_mm: float = 0.6
    azimuth_arc_min: float = 0.0
    wander_arc_min: float = 0.0
    wander_hz: float = 0.2
    gap_um: float = 0.0
    spacing_um: float = 0.0
    tape_us: tuple[float, float] = (3180.0, 120.0)
    replay_us: tuple[float, float] = (3180.0, 120.0)
    third_harmonic_percent: float = 0.0
    bias_error_db: float = 0.0
    sensitivity_error_db: float = 0.0
    hiss_db: float | None = None
    track_leakage_db: float | None = None
    drop_outs: tuple[tuple[float, float], ...] = ()
    former_hz: float = 1000.0
    erased_db: float | None = None
    other_side_hz: float = 400.0
    other_side_db: float | None = None
    noise_reduction_db: float = 0.0
    swapped: bool = False
    mono: bool = False

    @property
    def records(self) -> bool:
        """What is heard was recorded by this deck."""
        return self.tape is None or self.recorded_here

    @property
    def heads_apart_s(self) -> float:
        """l in seconds at the nominal speed."""
        return self.heads_apart_mm / (10.0 * self.tape_speed_cm_s)

    @property
    def cubic(self) -> float:
        """a."""
        ratio = 0.01 * self.third_harmonic_percent * math.pow(_HARMONIC_PER_DB, -self.bias_error_db)
        return 2.0 * ratio / (1.0 + 3.0 * ratio)

    def bent(self, samples: FloatArray) -> FloatArray:
        """Return what saturation leaves, any shape: y of x."""
        if self.cubic == 0.0:
            return samples
        turn = 1.0 / math.sqrt(3.0 * self.cubic)
        limited = np.clip(samples, -turn, turn)
        return np.asarray(limited - self.cubic * limited**3)

    def third_harmonic(self, level: FloatArray) -> FloatArray:
        """Return the third harmonic over the fundamental on the tape, any shape. level : L, up to 1/√(6a)."""
        quarter = 0.5 * self.cubic * np.asarray(level) ** 2
        return np.asarray(quarter / (1.0 - 3.0 * quarter))

    def level_at_3_percent(self) -> float:
        """Return L where the third harmonic is 3 %; infinite without one."""
        return math.inf if self.cubic == 0.0 else math.sqrt(2.0 * 0.03 / (1.09 * self.cubic))

    def network(self) -> AnalogNetwork:
        """Return E(f)/|E(315 Hz)|."""
        # (1 + 1/(sT))/(1 + 1/(sT′)) = T′/T · (1 + sT)/(1 + sT′)
        bass, treble = zip(_constants_s(self.replay_us), _constants_s(self.tape_us), strict=True)
        falls_s, rises_s = (treble[1], bass[0]), (treble[0], bass[1])
        shape = AnalogNetwork(
            high_cuts_hz=_corners_hz(fall for fall in falls_s if fall not in rises_s),
            zeros_hz=_corners_hz(rise for rise in rises_s if rise not in falls_s),
        )
        return dataclasses.replace(shape, gain=1.0 / float(np.abs(shape.at(np.array([REFERENCE_HZ])))[0]))

    def losses(self, frequency_hz: FloatArray) -> FloatArray:
        """Return what gap, spacing, azimuth and (recorded here) bias leave, any shape."""
        per_mm = np.asarray(frequency_hz) / (10.0 * self.tape_speed_cm_s * (1.0 + self.motion.error))
        slit_mm = self.track_width_mm * math.tan(_radians(self.azimuth_arc_min))
        loss_db = _WALLACE_DB * 1e-3 * self.spacing_um * per_mm
        if self.records:
            loss_db = loss_db + self.bias_error_db * _TREBLE_DB_PER_DB * np.asarray(frequency_hz) / _TREBLE_HZ
        return np.asarray(np.sinc(1e-3 * self.gap_um * per_mm) * np.sinc(slit_mm * per_mm) * 10.0 ** (-loss_db / 20.0))

    def replay_gain(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return what comes of a tone below saturation, over its level on a flat way, any shape."""
        return np.asarray(self.network().at(np.asarray(frequency_hz)) * self.losses(frequency_hz))

    def track_delay_s(self, since_s: FloatArray) -> FloatArray:
        """Return by how much channel 2 comes late, any shape. since_s : τ."""
        wander = self.wander_arc_min * np.sin(2.0 * np.pi * self.wander_hz * since_s)
        skew = np.tan(_radians(self.azimuth_arc_min + wander))
        return np.asarray(self.track_spacing_mm * skew / (10.0 * self.tape_speed_cm_s * (1.0 + self.motion.error)))

    def recorded_at_s(self, since_s: FloatArray) -> FloatArray:
        """Return t′ of τ, any shape: when what is heard now was recorded, in seconds from the recording's beginning."""
        motion, gone_s = self.motion, self.motion.gone_s(since_s)
        if not self.records:
            return gone_s
        offset_s = 0.0 if self.tape is None else self.earlier_pass_s
        wanted_s = gone_s - self.heads_apart_s if self.tape is None else gone_s + motion.gone_s(np.array(offset_s))
        at_s = since_s + offset_s - (self.heads_apart_s if self.tape is None else 0.0)
        for _ in range(_STEPS):
            at_s = at_s - (motion.gone_s(at_s) - wanted_s) / motion.speed(at_s)
        return np.asarray(at_s - offset_s)


#: Of Newton's method. Each squares an error that is small against one period of the modulation to begin with.
_STEPS = 5


def _radians(arc_min: Any) -> Any:
    return np.radians(np.asarray(arc_min) / _ARC_MINUTES)


def _constants_s(bass_and_treble_us: tuple[float, float]) -> tuple[float, float]:
    bass_us, treble_us = bass_and_treble_us
    return (1e-6 * bass_us or _NO_BASS_S), 1e-6 * treble_us


def _corners_hz(constants_s: Iterable[float]) -> tuple[float, ...]:
    return tuple(1.0 / (2.0 * math.pi * constant_s) for constant_s in constants_s)


def read_deck(table: Table | None) -> DeckModel | None:
    """Take a unit's [deck] table; a relative `tape` starts in the current folder. Raises TomlProblem."""
    if table is None:
        return None
    tape = table.text("tape", None)
    speed_cm_s = table.number("tape_speed_cm_s", DeckModel.tape_speed_cm_s, at_least=1.0, at_most=200.0)
    # Beyond 1 % a minute a tape of an hour would stop.
    motion = read_motion(table, slowest_percent=-60.0, fastest_percent=120.0, most_drift_percent=1.0)
    values: dict[str, Any] = {
        "tape": None if tape is None else Path(tape),
        "tape_speed_cm_s": speed_cm_s,
        "recorded_here": table.truth("recorded_here", True),
        "motion": motion,
        "tape_us": _equalization(table, "tape_us"),
        "replay_us": _equalization(table, "replay_us"),
        "drop_outs": pairs_above_0(table, "drop_outs_s", "[seconds, length in seconds]", 1e5, 10.0),
        "swapped": table.truth("swapped", False),
        "mono": table.truth("mono", False),
    }
    for key, least, most in _LIMITS:
        values[key] = table.number(key, getattr(DeckModel, key), at_least=least, at_most=most)
    nearest_mm = 10.0 * speed_cm_s * _NEAREST_HEADS_S * (1.0 + max(0.0, motion.error))
    values["heads_apart_mm"] = table.number(
        "heads_apart_mm", max(DeckModel.heads_apart_mm, nearest_mm), at_least=nearest_mm, at_most=500.0
    )
    table.finish()
    return DeckModel(**values)


#: Key, least, most.
_LIMITS = (
    ("tape_reference_fs", 1e-3, 1.0),
    ("earlier_pass_s", 0.0, 1e4),
    ("begins_s", 0.0, 60.0),
    ("input_v_rms", 1e-3, 20.0),
    ("output_v_rms", 1e-3, 20.0),
    ("track_spacing_mm", 0.1, 30.0),
    ("track_width_mm", 0.1, 30.0),
    ("azimuth_arc_min", -60.0, 60.0),
    ("wander_arc_min", 0.0, 30.0),
    ("wander_hz", 0.01, 10.0),
    ("gap_um", 0.0, 20.0),
    ("spacing_um", 0.0, 20.0),
    ("third_harmonic_percent", 0.0, 10.0),
    ("bias_error_db", -4.0, 4.0),
    ("sensitivity_error_db", -12.0, 12.0),
    ("hiss_db", -120.0, 0.0),
    ("track_leakage_db", -120.0, 0.0),
    ("former_hz", 20.0, 20_000.0),
    ("erased_db", 0.0, 120.0),
    ("other_side_hz", 20.0, 20_000.0),
    ("other_side_db", -120.0, 0.0),
    ("noise_reduction_db", 0.0, 30.0),
)


def _equalization(table: Table, key: str) -> tuple[float, float]:
    given = table.numbers(key, getattr(DeckModel, key))
    fits = len(given) == 2 and (given[0] == 0.0 or 300.0 <= given[0] <= 20_000.0) and 5.0 <= given[1] <= 300.0
    if not fits:
        raise table.problem(
            key, "must be [µs of the bass, µs of the treble], such as [3180, 120]; the first is 0 where there is none"
        )
    bass_us, treble_us = given
    return bass_us, treble_us
