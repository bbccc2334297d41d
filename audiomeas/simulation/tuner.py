"""A simulated FM tuner at a stereo generator: the multiplex signal is formed and decoded for real, by its own clock.

In parts of 75 kHz of deviation, with l and r the programme (sines of A, behind the generator's pre-emphasis), p the
pilot and ω its 19 kHz:

    m = (l + r)/2 + (l − r)/2·sin(2ωt) + p·sin(ωt)       the multiplex signal (ITU-R BS.450)
    y = m + a₂·m² + a₃·m³ + n                            detector: off-centre gives a₂, narrow gives a₃
    S = 2·g·y·sin(2ωt + φ)                               decoder, with gain error and subcarrier phase error
    left = y + S, right = y − S                          to 15 kHz (100 dB down from 19 kHz on), then de-emphasis

Truth by that: left alone, A gives left A·(1 + g·cos φ)/2 and right A·(1 − g·cos φ)/2, so that the separation is
(1 + g·cos φ)/|1 − g·cos φ|; below a high blend of corner f_b, g becomes g/(1 + jf/f_b). Mono, A gives A + ¾·a₃·A³ and
harmonics ½·a₂·A² and ¼·a₃·A³ before de-emphasis 1/(1 + j2πfτ). The noise n has the density k·(f_i/π)·sin(πf/f_i), with
f_i the rate inside: it rises with frequency. Left and right in stereo get k²·(f² + g²·((38 kHz − f)² + (38 kHz + f)²))
of its square. What is left of 19, 38 and 76 kHz at the outputs is stated. Without a pilot, or with mono engaged, left
and right are both y.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.simulation.filters import AnalogNetwork, ComplexArray, Fir, Recursive, completing_fir, recursive_sections
from audiomeas.simulation.resampling import Oversampler, oversampling_factor
from audiomeas.tomlfile import Table
from audiomeas.units import SQRT2, db_to_amplitude_ratio

FloatArray = NDArray[np.float64]

PILOT_HZ = 19_000.0
AUDIO_HZ = 15_000.0
#: Products of third order reach three times 53 kHz: inside, none of them folds below 53 kHz at this rate.
_INSIDE_HZ = 300_000.0
#: The decoder's low-pass, from 15 to 19 kHz.
_STOP_DB = 100.0
#: What is left at the outputs stands at these multiples of the pilot; what a card can't hold is left out.
_RESIDUES, _HOLDS = (1, 2, 4), 0.45
#: A decoder finds no pilot below this, in parts of 75 kHz (common practice: 2 to 5 %).
_LOCKS = 0.04
#: What a generator may be set to → what left and right get, and whether the pilot is on.
STATES = {
    "mono": (1.0, 1.0, False),
    "left": (1.0, 0.0, True),
    "right": (0.0, 1.0, True),
    "carrier": (0.0, 0.0, False),
    "pilot": (0.0, 0.0, True),
}


@dataclass(frozen=True, kw_only=True)
class GeneratorState:
    """What the generator is set to for a while. kind : of STATES.   percent : of 75 kHz, before pre-emphasis."""

    kind: str
    frequency_hz: float
    percent: float
    length_s: float


@dataclass(frozen=True, kw_only=True)
class TunerModel:
    """A tuner and its generator (see the module).

    programme : from the beginning of each stream; the last state stays.   pilot_percent : of 75 kHz.
    pre_emphasis_us, de_emphasis_us : time constants in µs, 0 for none.   v_rms_at_100_percent : of left, mono.
    balance_db : right over left.   difference_gain, subcarrier_phase_deg : g and φ.   blend_from_hz : f_b, None: none.
    second_order, third_order : a₂, a₃.   noise_db : of the carrier alone to 15 kHz, mono, re 100 %; None: none.
    residues_db : at the outputs at 19, 38 and 76 kHz, re 100 %, while it decodes stereo; None: none.
    """

    programme: tuple[GeneratorState, ...]
    pilot_percent: float = 9.0
    pre_emphasis_us: float = 0.0
    de_emphasis_us: float = 50.0
    v_rms_at_100_percent: float = 0.75
    balance_db: float = 0.0
    difference_gain: float = 1.0
    subcarrier_phase_deg: float = 0.0
    blend_from_hz: float | None = None
    mono_engaged: bool = False
    swapped: bool = False
    second_order: float = 0.0
    third_order: float = 0.0
    noise_db: float | None = None
    residues_db: tuple[float | None, float | None, float | None] = (None, None, None)

    def noise_slope(self) -> float:
        """Return k, in parts of 75 kHz for a root of the bandwidth and a hertz of frequency (each in Hz).

        ∫f²/(1 + (f/f_c)²) df from 0 to B is f_c²·(B − f_c·atan(B/f_c)); without de-emphasis it is B³/3.
        """
        if self.noise_db is None:
            return 0.0
        square = AUDIO_HZ**3 / 3.0
        if self.de_emphasis_us:
            corner_hz = _corner_hz(self.de_emphasis_us)
            square = corner_hz**2 * (AUDIO_HZ - corner_hz * math.atan(AUDIO_HZ / corner_hz))
        # 100 % is a peak, noise is r.m.s.
        return db_to_amplitude_ratio(self.noise_db) / SQRT2 / math.sqrt(square)


def _corner_hz(time_constant_us: float) -> float:
    return 1.0 / (2.0 * math.pi * 1e-6 * time_constant_us)


def read_tuner(table: Table | None) -> TunerModel | None:
    """Take a unit's [tuner] table. Raises TomlProblem."""
    if table is None:
        return None
    values: dict[str, Any] = {
        "programme": _programme(table),
        "pilot_percent": table.number("pilot_percent", 9.0, at_least=0.0, at_most=20.0),
        "pre_emphasis_us": table.number("pre_emphasis_us", 0.0, at_least=0.0, at_most=100.0),
        "de_emphasis_us": table.number("de_emphasis_us", 50.0, at_least=0.0, at_most=100.0),
        "v_rms_at_100_percent": table.number("v_rms_at_100_percent", 0.75, above=0.0, at_most=20.0),
        "balance_db": table.number("balance_db", 0.0, at_least=-60.0, at_most=60.0),
        "difference_gain": table.number("difference_gain", 1.0, at_least=0.0, at_most=10.0),
        "subcarrier_phase_deg": table.number("subcarrier_phase_deg", 0.0, at_least=-180.0, at_most=180.0),
        "blend_from_hz": table.number("blend_from_hz", None, at_least=20.0, at_most=1e6),
        "mono_engaged": table.truth("mono_engaged", False),
        "swapped": table.truth("swapped", False),
        "second_order": table.number("second_order", 0.0, at_least=-0.2, at_most=0.2),
        "third_order": table.number("third_order", 0.0, at_least=-0.2, at_most=0.2),
        "noise_db": table.number("noise_db", None, at_least=-150.0, at_most=0.0),
        "residues_db": tuple(
            table.number(key, None, at_least=-200.0, at_most=0.0)
            for key in ("pilot_residue_db", "subcarrier_residue_db", "high_residue_db")
        ),
    }
    table.finish()
    return TunerModel(**values)


def _programme(table: Table) -> tuple[GeneratorState, ...]:
    """Take [[state, Hz, percent of 75 kHz, seconds], …]."""
    message = (
        f"must be a list of [state, hertz, percent of 75 kHz, seconds], the state one of {', '.join(STATES)}, "
        'such as [["mono", 1000, 100, 5], ["carrier", 0, 0, 5]]'
    )
    rows = table.any_value("programme", [])
    if not isinstance(rows, list) or not rows:
        raise table.problem("programme", message)
    found = []
    for row in rows:
        whole = isinstance(row, list) and len(row) == 4 and row[0] in tuple(STATES)
        if not whole or any(isinstance(n, bool) or not isinstance(n, int | float) for n in row[1:]):
            raise table.problem("programme", message)
        kind, frequency_hz, percent, length_s = row
        if not (0.0 <= frequency_hz <= AUDIO_HZ and 0.0 <= percent <= 200.0 and 0.0 < length_s < math.inf):
            raise table.problem("programme", message)
        found.append(
            GeneratorState(
                kind=kind, frequency_hz=float(frequency_hz), percent=float(percent), length_s=float(length_s)
            )
        )
    return tuple(found)


class _Turning:
    """A complex number that turns at a steady rate, block by block: e^(jωt), without a sine for each frame."""

    def __init__(self, cycles_per_frame: float) -> None:
        self._cycles = cycles_per_frame
        self._turns: ComplexArray = np.zeros(0, dtype=np.complex128)

    def at(self, position: int, frames: int) -> ComplexArray:
        if len(self._turns) < frames:
            self._turns = np.exp(2j * np.pi * self._cycles * np.arange(frames))
        start = np.exp(2j * np.pi * np.remainder(self._cycles * position, 1.0))
        return np.asarray(start * self._turns[:frames])


class _Shape:
    """A network at a rate, as its sections and the FIR that completes them."""

    def __init__(self, network: AnalogNetwork, rate_hz: float) -> None:
        sections = recursive_sections(network, rate_hz)
        self._recursive = Recursive(sections)
        self._fir = Fir(completing_fir(network.at, sections, rate_hz))

    def process(self, samples: FloatArray) -> FloatArray:
        return self._fir.process(self._recursive.process(samples))


class Tuner:
    """What a tuner puts out over the time of a stream, in volts, at any rate of the card from 44.1 kHz on."""

    def __init__(self, model: TunerModel, true_rate_hz: float, seed: np.random.SeedSequence) -> None:
        self._model, self._rate_hz, self._position = model, true_rate_hz, 0
        self._factor = oversampling_factor(true_rate_hz, _INSIDE_HZ)
        self._inside_hz = self._factor * true_rate_hz
        self._pilot = _Turning(PILOT_HZ / self._inside_hz)
        self._tones = {state.frequency_hz: _Turning(state.frequency_hz / self._inside_hz) for state in model.programme}
        ends_s = np.cumsum([state.length_s for state in model.programme])[:-1]
        self._ends = [round(float(end_s) * true_rate_hz) for end_s in ends_s]
        self._noise = np.random.default_rng(seed)
        self._held_noise = 0.0
        # White noise σ, differentiated: density σ·√(2/f_i)·2·sin(πf/f_i), which is k·f far below f_i.
        self._noise_rms = model.noise_slope() * self._inside_hz**1.5 / (2.0 * math.pi * SQRT2)
        self._down = [Oversampler(self._factor) for _ in range(2)]
        self._low_pass = [Fir(_low_pass_taps(true_rate_hz)) for _ in range(2)]
        self._blend = None
        self._wait = None
        if model.blend_from_hz is not None:
            self._blend = _Shape(AnalogNetwork(high_cuts_hz=(model.blend_from_hz,)), true_rate_hz)
            self._wait = _Shape(AnalogNetwork(), true_rate_hz)
        self._de_emphasis = None
        if model.de_emphasis_us:
            falls_hz = (_corner_hz(model.de_emphasis_us),)
            self._de_emphasis = [_Shape(AnalogNetwork(high_cuts_hz=falls_hz), true_rate_hz) for _ in range(2)]

    def volts(self, frames: int) -> list[FloatArray]:
        """Return the next frames of both channels, (frames,) each."""
        parts, left_over = [], frames
        while left_over:
            number = int(np.searchsorted(self._ends, self._position, side="right"))
            until = self._ends[number] if number < len(self._ends) else self._position + left_over
            part = min(left_over, until - self._position)
            parts.append(self._in_state(self._model.programme[number], part))
            self._position += part
            left_over -= part
        sides = [np.concatenate([part[side] for part in parts]) for side in (0, 1)] if parts else [np.zeros(0)] * 2
        return self._placed(sides)

    def _in_state(self, state: GeneratorState, frames: int) -> tuple[FloatArray, FloatArray]:
        """Return left and right, in parts of 75 kHz. frames : none of which lies in another state."""
        model, position, inside = self._model, self._position * self._factor, frames * self._factor
        to_left, to_right, piloted = STATES[state.kind]
        pilot = self._pilot.at(position, inside)
        subcarrier = pilot * pilot
        gain = 0.01 * state.percent * (1.0 + 2j * np.pi * state.frequency_hz * 1e-6 * model.pre_emphasis_us)
        tone = (gain * self._tones[state.frequency_hz].at(position, inside)).imag
        multiplex = 0.5 * (to_left + to_right) * tone + 0.5 * (to_left - to_right) * tone * subcarrier.imag
        level = 0.01 * model.pilot_percent if piloted else 0.0
        multiplex += level * pilot.imag
        detected = multiplex * (1.0 + multiplex * (model.second_order + multiplex * model.third_order))
        detected += self._noise_of(inside)
        total = self._audio(0, detected)
        stereo = level >= _LOCKS and not model.mono_engaged
        turned = np.exp(1j * np.radians(model.subcarrier_phase_deg))
        # Decoded also in mono, with a gain of zero: so the filters run on.
        decoding = 2.0 * model.difference_gain if stereo else 0.0
        difference = self._audio(1, decoding * detected * (turned * subcarrier).imag)
        if self._blend is not None and self._wait is not None:
            total, difference = self._wait.process(total), self._blend.process(difference)
        sides = [total + difference, total - difference]
        if self._de_emphasis is not None:
            sides = [shape.process(side) for shape, side in zip(self._de_emphasis, sides, strict=True)]
        left = self._residue(frames) if stereo else np.zeros(frames)
        return sides[0] + left, sides[1] + left

    def _noise_of(self, frames: int) -> FloatArray | float:
        if self._noise_rms == 0.0:
            return 0.0
        white = self._noise_rms * self._noise.standard_normal(frames)
        before, self._held_noise = self._held_noise, float(white[-1])
        return np.asarray(np.diff(white, prepend=before), dtype=np.float64)

    def _audio(self, way: int, inside: FloatArray) -> FloatArray:
        return self._low_pass[way].process(self._down[way].down(inside))

    def _residue(self, frames: int) -> FloatArray:
        residue = np.zeros(frames)
        for multiple, level_db in zip(_RESIDUES, self._model.residues_db, strict=True):
            cycles = multiple * PILOT_HZ / self._rate_hz
            if level_db is not None and cycles < _HOLDS:
                turns = np.remainder(cycles * (self._position + np.arange(frames)), 1.0)
                residue += db_to_amplitude_ratio(level_db) * np.sin(2.0 * np.pi * turns)
        return residue

    def _placed(self, sides: list[FloatArray]) -> list[FloatArray]:
        """Return what the outputs carry, in volts. sides : left and right, in parts of 75 kHz."""
        model = self._model
        peak_v = SQRT2 * model.v_rms_at_100_percent
        outputs = [peak_v * sides[0], peak_v * db_to_amplitude_ratio(model.balance_db) * sides[1]]
        return outputs[::-1] if model.swapped else outputs


def _low_pass_taps(rate_hz: float) -> FloatArray:
    """Return the decoder's low-pass, linear phase (Kaiser 1974)."""
    from scipy.signal import firwin, kaiserord

    taps, beta = kaiserord(_STOP_DB, (PILOT_HZ - AUDIO_HZ) / (0.5 * rate_hz))
    return np.asarray(firwin(taps | 1, 0.5 * (PILOT_HZ + AUDIO_HZ), window=("kaiser", beta), fs=rate_hz))
