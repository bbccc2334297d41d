"""A simulated turntable: a record's bands, the arm, the cartridge; by its own motor. Its stage is the unit's channels.

With s the motion of the platter (see `simulation.motion`; a record off its centre by o at the radius r adds o/r at the
platter's rate), a band plays, from its own beginning on, with its velocity V (r.m.s., cm/s) in each wall that it has:

    tone     φ = 2π·f·s                                       sweep     φ = 2π·f₁·T/ln(f₂/f₁)·((f₂/f₁)^(s/T) − 1)
    groove   z = √2·V·P(f)·e^(jφ)                             P: 1, or the record's curve, 1/RIAA, 0 dB at 1 kHz
             and, where the stylus is in it, the surface: white noise of a density in cm/s/√Hz, each direction its own
    arm      H(s) = s²/(s² + s·ω₀/Q + ω₀²)                    of left + right (lateral) and left − right (vertical)
             its highest gain Q/√(1 − 1/(4Q²)) is at f₀/√(1 − 1/(2Q²))
    rumble   lines and noise of both directions, in cm/s at the stylus; density of noise ~ 1/(1 + (f/f_c)²)²
    needle   C(f) = 1/(1 − (f/f_t)² + jf/(f_t·Q_t))           treble resonance, and S V of each cm/s at 1 kHz
    left  = S·C·(l + r·h_R·(1 + jf/f_h)),  right = S·b·C·(r + l·h_L·(1 + jf/f_h))     leaks, balance

P, C and the rise of the leaks are those of the momentary frequency, exact for a tone. Motor and missing ground add hum
at the needle. Lifted, no rumble is heard; stopped, no hum of the motor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.simulation.filters import AnalogNetwork, ComplexArray, Recursive, high_cut
from audiomeas.simulation.motion import STEADY, Motion, read_motion
from audiomeas.simulation.pairs import pairs_above_0
from audiomeas.tomlfile import Table
from audiomeas.units import SQRT2, db_to_amplitude_ratio

FloatArray = NDArray[np.float64]

#: What the record or the hand does → gains of the left and the right wall, stylus in the groove, motor on, grounded.
STATES = {
    "lateral": (1.0, 1.0, True, True, True),
    "vertical": (1.0, -1.0, True, True, True),
    "left": (1.0, 0.0, True, True, True),
    "right": (0.0, 1.0, True, True, True),
    "silent": (0.0, 0.0, True, True, True),
    "lifted": (0.0, 0.0, False, True, True),
    "stopped": (0.0, 0.0, False, False, True),
    "ungrounded": (0.0, 0.0, False, True, False),
}
#: IEC 60098: 3180, 318 and 75 µs.
_RIAA = AnalogNetwork(
    high_cuts_hz=(1.0 / (2.0 * np.pi * 3180e-6), 1.0 / (2.0 * np.pi * 75e-6)),
    zeros_hz=(1.0 / (2.0 * np.pi * 318e-6),),
)
_UNITY_HZ = 1000.0
_CURVES = ("riaa", "flat")
_DIRECTIONS = ("lateral", "vertical")


@dataclass(frozen=True, kw_only=True)
class PlayedBand:
    """What is played for a while. kind : of STATES.   from_hz, to_hz : a sweep where they differ; 0: silent."""

    kind: str
    from_hz: float
    to_hz: float
    velocity_cm_s: float
    length_s: float

    def phase_cycles(self, gone_s: FloatArray) -> FloatArray:
        """Return φ/2π. gone_s : s since the band's beginning."""
        if self.to_hz == self.from_hz:
            return self.from_hz * gone_s
        octaves = math.log(self.to_hz / self.from_hz)
        return np.asarray(self.from_hz * self.length_s / octaves * np.expm1(octaves * gone_s / self.length_s))

    def frequency_hz(self, gone_s: FloatArray) -> FloatArray:
        """Return the frequency at the nominal speed, (frames,), or (1,) of a tone."""
        if self.to_hz == self.from_hz:
            return np.array([self.from_hz])
        return np.asarray(self.from_hz * (self.to_hz / self.from_hz) ** (gone_s / self.length_s))


@dataclass(frozen=True, kw_only=True)
class Arm:
    """A resonance: f₀ and Q of one direction."""

    frequency_hz: float
    quality: float

    def gain(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return H by design."""
        ratio = np.asarray(frequency_hz) / self.frequency_hz
        return np.asarray(-(ratio**2) / (1.0 - ratio**2 + 1j * ratio / self.quality))


@dataclass(frozen=True, kw_only=True)
class Rumble:
    """Of one direction, in cm/s r.m.s. at the stylus. lines : ((Hz, cm/s), …).   noise_cm_s, corner_hz : and f_c."""

    lines: tuple[tuple[float, float], ...] = ()
    noise_cm_s: float = 0.0
    corner_hz: float = 30.0

    def density(self, frequency_hz: FloatArray) -> FloatArray:
        """Return (cm/s)²/Hz of the noise by design; its integral, k²·f_c·π/4, is noise_cm_s²."""
        square = self.noise_cm_s**2 / (self.corner_hz * np.pi / 4.0)
        return np.asarray(square / (1.0 + (frequency_hz / self.corner_hz) ** 2) ** 2)


@dataclass(frozen=True, kw_only=True)
class TurntableModel:
    """A turntable (see the module).

    programme : from the beginning of each stream; the last band stays.   recorded : 'riaa' or 'flat'.
    motion : of the record under the stylus, the eccentricity in it.   arms, rumble, surface_cm_s : lateral, vertical.
    v_rms_per_cm_s : S.   balance_db : b, right over left.   leaks : h of left into right, of right into left.
    leak_rises_hz : f_h, None: it stays.   treble_hz, treble_quality : f_t and Q_t, None: flat.
    motor_hum, ungrounded_hum : ((multiple of the mains, V r.m.s.), …) at the needle.
    """

    programme: tuple[PlayedBand, ...]
    recorded: str = "riaa"
    motion: Motion = STEADY
    v_rms_per_cm_s: float = 1e-3
    balance_db: float = 0.0
    leaks: tuple[float, float] = (0.0, 0.0)
    leak_rises_hz: float | None = None
    treble_hz: float | None = None
    treble_quality: float = 1.0
    arms: tuple[Arm | None, Arm | None] = (None, None)
    rumble: tuple[Rumble, Rumble] = (Rumble(), Rumble())
    surface_cm_s: tuple[float, float] = (0.0, 0.0)
    motor_hum: tuple[tuple[float, float], ...] = ()
    ungrounded_hum: tuple[tuple[float, float], ...] = ()
    swapped: bool = False
    mono: bool = False
    right_inverted: bool = False

    def cutting_gain(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return P by design."""
        if self.recorded == "flat":
            return np.ones(np.shape(frequency_hz), dtype=np.complex128)
        return np.asarray(_RIAA.at(np.array([_UNITY_HZ]))[0] / _RIAA.at(np.asarray(frequency_hz)))

    def needle_gain(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return C by design."""
        if self.treble_hz is None:
            return np.ones(np.shape(frequency_hz), dtype=np.complex128)
        ratio = np.asarray(frequency_hz) / self.treble_hz
        return np.asarray(1.0 / (1.0 - ratio**2 + 1j * ratio / self.treble_quality))

    def leak_gains(self, frequency_hz: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Return what of the left goes into the right one, and of the right into the left one, by design."""
        per_hz = 0.0 if self.leak_rises_hz is None else 1.0 / self.leak_rises_hz
        rise = np.asarray(1.0 + 1j * per_hz * np.asarray(frequency_hz), dtype=np.complex128)
        return self.leaks[0] * rise, self.leaks[1] * rise


def read_turntable(table: Table | None) -> TurntableModel | None:
    """Take a unit's [turntable] table. Raises TomlProblem."""
    if table is None:
        return None
    leaks = table.numbers("separation_db", ())
    if leaks and (len(leaks) != 2 or min(leaks) < 0.0):
        raise table.problem("separation_db", "must be two numbers in dB: left into right, right into left")
    values: dict[str, Any] = {
        "programme": _programme(table),
        "recorded": table.choice("recorded", list(_CURVES), _CURVES[0]),
        "motion": _motion(table),
        "v_rms_per_cm_s": table.number("v_rms_per_cm_s", 1e-3, above=0.0, at_most=1.0),
        "balance_db": table.number("balance_db", 0.0, at_least=-60.0, at_most=60.0),
        "leaks": tuple(db_to_amplitude_ratio(-leak) for leak in leaks) or (0.0, 0.0),
        "leak_rises_hz": table.number("leak_rises_hz", None, at_least=20.0, at_most=1e6),
        "treble_hz": table.number("treble_hz", None, at_least=1_000.0, at_most=1e5),
        "treble_quality": table.number("treble_quality", 1.0, at_least=0.1, at_most=20.0),
        "arms": tuple(_arm(table, direction) for direction in _DIRECTIONS),
        "rumble": tuple(_rumble(table, direction) for direction in _DIRECTIONS),
        "surface_cm_s": tuple(
            table.number(f"surface_{direction}_cm_s", 0.0, at_least=0.0, at_most=10.0) for direction in _DIRECTIONS
        ),
        "motor_hum": pairs_above_0(table, "motor_hum", "[multiple of the mains, V]", 100.0, 1.0),
        "ungrounded_hum": pairs_above_0(table, "ungrounded_hum", "[multiple of the mains, V]", 100.0, 1.0),
        "swapped": table.truth("swapped", False),
        "mono": table.truth("mono", False),
        "right_inverted": table.truth("right_inverted", False),
    }
    table.finish()
    return TurntableModel(**values)


def _motion(table: Table) -> Motion:
    """Take the motion of the platter, and what a record that is off its centre adds at the platter's rate."""
    motion = read_motion(table)
    rpm = table.number("platter_rpm", 100.0 / 3.0, at_least=10.0, at_most=100.0)
    offset_mm = table.number("off_centre_mm", 0.0, at_least=0.0, at_most=5.0)
    radius_mm = table.number("radius_mm", 100.0, at_least=50.0, at_most=200.0)
    if offset_mm == 0.0:
        return motion
    return replace(motion, modulation=(*motion.modulation, (rpm / 60.0, offset_mm / radius_mm)))


def _arm(table: Table, direction: str) -> Arm | None:
    hz = table.number(f"arm_{direction}_hz", None, at_least=1.0, at_most=100.0)
    quality = table.number(f"arm_{direction}_quality", 2.0, at_least=0.3, at_most=50.0)
    return None if hz is None else Arm(frequency_hz=hz, quality=quality)


def _rumble(table: Table, direction: str) -> Rumble:
    return Rumble(
        lines=pairs_above_0(table, f"rumble_{direction}", "[Hz, cm/s]", 1e3, 100.0),
        noise_cm_s=table.number(f"rumble_{direction}_noise_cm_s", 0.0, at_least=0.0, at_most=100.0),
        corner_hz=table.number(f"rumble_{direction}_corner_hz", 30.0, at_least=1.0, at_most=1e3),
    )


def _programme(table: Table) -> tuple[PlayedBand, ...]:
    """Take [[state, from Hz, to Hz, cm/s r.m.s., seconds], …]."""
    message = (
        f"must be a list of [state, from hertz, to hertz, cm/s r.m.s., seconds], the state one of {', '.join(STATES)}, "
        'such as [["silent", 0, 0, 0, 20], ["left", 1000, 1000, 5, 5]]'
    )
    rows = table.any_value("programme", [])
    if not isinstance(rows, list) or not rows:
        raise table.problem("programme", message)
    found = []
    for row in rows:
        whole = isinstance(row, list) and len(row) == 5 and row[0] in tuple(STATES)
        if not whole or any(isinstance(n, bool) or not isinstance(n, int | float) for n in row[1:]):
            raise table.problem("programme", message)
        kind, (from_hz, to_hz, velocity_cm_s, length_s) = row[0], (float(n) for n in row[1:])
        sounds = any(STATES[kind][:2])
        heard = 0.5 <= from_hz <= 50e3 and 0.5 <= to_hz <= 50e3 if sounds else from_hz == to_hz == 0.0
        if not (heard and 0.0 <= velocity_cm_s <= 100.0 and 0.0 < length_s <= 36e3):
            raise table.problem("programme", message)
        found.append(
            PlayedBand(kind=kind, from_hz=from_hz, to_hz=to_hz, velocity_cm_s=velocity_cm_s, length_s=length_s)
        )
    return tuple(found)


class Turntable:
    """What a turntable's leads carry over the time of a stream, in volts."""

    def __init__(
        self, model: TurntableModel, mains_hz: float, true_rate_hz: float, seed: np.random.SeedSequence
    ) -> None:
        self._model, self._mains_hz, self._rate_hz, self._position = model, mains_hz, true_rate_hz, 0
        ends_s = np.cumsum([band.length_s for band in model.programme])
        self._starts = [0, *(round(float(end_s) * true_rate_hz) for end_s in ends_s[:-1])]
        generators = [np.random.default_rng(one) for one in seed.spawn(4)]
        self._noise, self._surfaces = generators[:2], generators[2:]
        self._rumbling = [Recursive(np.stack([high_cut(one.corner_hz, true_rate_hz)] * 2)) for one in model.rumble]
        self._arms = [None if arm is None else _ArmFilter(arm, true_rate_hz) for arm in model.arms]
        self._gains_hz = np.array([_UNITY_HZ])

    def volts(self, frames: int) -> list[FloatArray]:
        """Return the next frames of both channels, (frames,) each."""
        parts, left_over = [], frames
        while left_over:
            number = int(np.searchsorted(self._starts, self._position, side="right")) - 1
            last = number + 1 == len(self._starts)
            part = left_over if last else min(left_over, self._starts[number + 1] - self._position)
            parts.append(self._in_band(number, part))
            self._position += part
            left_over -= part
        return [np.concatenate([part[side] for part in parts]) if parts else np.zeros(0) for side in (0, 1)]

    def _in_band(self, number: int, frames: int) -> tuple[FloatArray, FloatArray]:
        model, band = self._model, self._model.programme[number]
        left, right, down, turning, grounded = STATES[band.kind]
        tone = self._tone(number, frames)
        grooves = [
            0.5 * gain * tone + self._surface(place, frames, heard=down and turning)
            for place, gain in enumerate((left + right, left - right))
        ]
        lateral, vertical = (
            groove if arm is None else arm.process(groove) for arm, groove in zip(self._arms, grooves, strict=True)
        )
        rumbles = self._rumble(frames, heard=down and turning)
        needle, (into_right, into_left) = model.needle_gain(self._gains_hz), model.leak_gains(self._gains_hz)
        walls = (needle * (lateral + vertical), needle * (lateral - vertical))
        sides = [
            (walls[0] + into_left * walls[1]).imag + rumbles[0] + rumbles[1],
            (walls[1] + into_right * walls[0]).imag + rumbles[0] - rumbles[1],
        ]
        hum_v = self._hum(frames, (*(model.motor_hum if turning else ()), *(() if grounded else model.ungrounded_hum)))
        return self._placed(sides, hum_v)

    def _tone(self, number: int, frames: int) -> ComplexArray:
        """Return z of the band, and note at which frequency its gains are taken."""
        model, band = self._model, self._model.programme[number]
        if band.from_hz == 0.0:
            # What the arm still rings of is of the last tone.
            self._gains_hz = self._gains_hz[-1:]
            return np.zeros(frames, dtype=np.complex128)
        time_s = (self._position + np.arange(frames)) / self._rate_hz
        begin_s = self._starts[number] / self._rate_hz
        gone_s = model.motion.gone_s(time_s) - float(model.motion.gone_s(np.array([begin_s]))[0])
        self._gains_hz = (1.0 + model.motion.error) * band.frequency_hz(gone_s)
        # The record was cut at the nominal speed.
        peak = SQRT2 * band.velocity_cm_s * model.cutting_gain(band.frequency_hz(gone_s))
        return np.asarray(peak * np.exp(2j * np.pi * np.remainder(band.phase_cycles(gone_s), 1.0)))

    def _surface(self, place: int, frames: int, *, heard: bool) -> ComplexArray | float:
        """Return what the surface of the record adds to z of a direction."""
        density = self._model.surface_cm_s[place]
        if density == 0.0:
            return 0.0
        white = self._surfaces[place].standard_normal(frames)
        return np.asarray(1j * density * math.sqrt(self._rate_hz / 2.0) * white) if heard else 0.0

    def _rumble(self, frames: int, *, heard: bool) -> list[FloatArray]:
        """Return lateral and vertical rumble. The noise runs on where it is not heard."""
        found = []
        time_s = (self._position + np.arange(frames)) / self._rate_hz
        for one, generator, shape in zip(self._model.rumble, self._noise, self._rumbling, strict=True):
            if not heard and one.noise_cm_s == 0.0:
                found.append(np.zeros(frames))
                continue
            rumble = np.zeros(frames)
            if one.noise_cm_s > 0.0:
                white = math.sqrt(float(one.density(np.array(0.0))) * self._rate_hz / 2.0)
                rumble = shape.process(white * generator.standard_normal(frames))
            for hz, cm_s in one.lines:
                rumble = rumble + SQRT2 * cm_s * np.sin(2.0 * np.pi * np.remainder(hz * time_s, 1.0))
            found.append(rumble if heard else np.zeros(frames))
        return found

    def _hum(self, frames: int, lines: tuple[tuple[float, float], ...]) -> FloatArray:
        time_s = (self._position + np.arange(frames)) / self._rate_hz
        hum_v = np.zeros(frames)
        for multiple, v_rms in lines:
            hum_v += SQRT2 * v_rms * np.sin(2.0 * np.pi * np.remainder(multiple * self._mains_hz * time_s, 1.0))
        return hum_v

    def _placed(self, sides: list[FloatArray], hum_v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what the leads carry, in volts. sides : left and right, in cm/s."""
        model = self._model
        left = model.v_rms_per_cm_s * sides[0]
        right = model.v_rms_per_cm_s * db_to_amplitude_ratio(model.balance_db) * sides[1]
        if model.mono:
            left = right = 0.5 * (left + right)
        if model.right_inverted:
            right = -right
        if model.swapped:
            left, right = right, left
        return left + hum_v, right + hum_v


class _ArmFilter:
    """An arm's high-pass, by the bilinear transform: at 1/1000 of the sample rate it is off by parts in a million."""

    def __init__(self, arm: Arm, rate_hz: float) -> None:
        from scipy.signal import bilinear, lfilter

        angle = 2.0 * np.pi * arm.frequency_hz
        self._filtered = lfilter
        self._numerator, self._denominator = bilinear([1.0, 0.0, 0.0], [1.0, angle / arm.quality, angle**2], fs=rate_hz)
        self._state = np.zeros(2, dtype=np.complex128)

    def process(self, z: ComplexArray) -> ComplexArray:
        if len(z) == 0:
            return z
        filtered, self._state = self._filtered(self._numerator, self._denominator, z, zi=self._state)
        return np.asarray(filtered)
