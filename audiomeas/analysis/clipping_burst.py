"""What one short burst of a sine tells about clipping: harmonics, peaks of each half, steadiness, and what is not ours.

Lines are read as in `tone`, by a weighted fit with the frequency known (`lines`); so hum between them does no harm, and
a window of eight periods is enough. The weight is sin⁴: what happens in the middle of the window counts most.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.special import stdtrit

from audiomeas.analysis.harmonics import Harmonics, PowerSum, describe_harmonics, line_noise
from audiomeas.analysis.lines import add_lines, fit_lines, lobes, windowed
from audiomeas.analysis.noisefloor import band_weight, noise_floor
from audiomeas.analysis.sinefit import project
from audiomeas.analysis.tone import GUARD_BINS, LEAST_PERIODS, Line, second_tone
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Left out at the start of a burst: filters of the card, coupling capacitors and the supply's first fall settle.
SETTLE_S = 0.01
#: Parts into which a window is cut to see whether its level stays: the first is held against the last.
_PARTS = 4
#: A harmonic on the limit itself counts when rounding moved it over by this much (relative).
_ORDER_SLACK = 1e-9
#: A level that fell further than this is gone (−120 dB).
_LEAST_PART = 1e-6


@dataclass(frozen=True, kw_only=True)
class BurstReading:
    """What one channel of one burst tells; volts are those of the signal. Half-widths (`…_uncertainty`) are for 95 %.

    level_v_rms : of fundamental and harmonics together, less noise, without DC: what heats the load.
    fundamental_v_rms : of the fundamental alone; fundamental_uncertainty : relative.
    harmonics : relative to the fundamental, less noise.
    distortion : their power sum in V².   residual_v2 : everything in band but fundamental and DC, in V².
    noise_v2 : what of it is no harmonic.
    positive_peak_v, negative_peak_v : of the wave that fundamental and harmonics make, around its DC; both positive.
    drift_db : level of the last quarter of the window over the first.
    other : the strongest line that is not ours, if one stands out of the noise.
    """

    frequency_hz: float
    level_v_rms: float
    fundamental_v_rms: float
    fundamental_uncertainty: float
    harmonics: Harmonics
    distortion: PowerSum
    residual_v2: float
    noise_v2: float
    positive_peak_v: float
    negative_peak_v: float
    drift_db: float
    other: Line | None

    @property
    def thd_ratio(self) -> float:
        """THD relative to the fundamental, less noise; an upper limit where `thd_at_most`."""
        return math.sqrt(self.distortion.stated) / self.fundamental_v_rms

    @property
    def thd_at_most(self) -> bool:
        """Whether the harmonics can't be told from noise."""
        return self.distortion.at_most

    @property
    def thd_n_ratio(self) -> float:
        """THD+N relative to the total, in band."""
        return math.sqrt(self.residual_v2 / (self.fundamental_v_rms**2 + self.residual_v2))

    @property
    def flat_positive_db(self) -> float:
        """How far the upper half stays below a sine as strong as the fundamental, dB; 0 for a sine."""
        return 20.0 * math.log10(math.sqrt(2.0) * self.fundamental_v_rms / self.positive_peak_v)

    @property
    def flat_negative_db(self) -> float:
        """How far the lower half stays below a sine as strong as the fundamental, dB; 0 for a sine."""
        return 20.0 * math.log10(math.sqrt(2.0) * self.fundamental_v_rms / self.negative_peak_v)

    @property
    def peak_asymmetry_db(self) -> float:
        """Positive peak over negative peak, dB; negative: the upper half is flatter."""
        return 20.0 * math.log10(self.positive_peak_v / self.negative_peak_v)


def read_burst(
    signal_v: FloatArray,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    settle_s: float = SETTLE_S,
    band_hz: tuple[float, float] = (20.0, 20_000.0),
    harmonic_limit_hz: float | None = None,
) -> BurstReading:
    """Read one channel of one burst.

    signal_v : (frames,), the part in which the tone stands at its full level (no ramps, no silence), any unit.
    frequency_hz : known to a small part of 1/duration (same clock, or fitted before).   settle_s : left out first.
    band_hz : of THD+N.   harmonic_limit_hz : highest harmonic counted in THD; None: up to the end of the capture's
    bandwidth, four bins below half the sample rate.
    Raises SignalError: too short for the frequency, values that are no numbers, silence.
    Sources: IEC 60268-3 (THD relative to the fundamental; from memory); fit as in `lines`.
    """
    start = round(settle_s * sample_rate_hz)
    steady = np.asarray(signal_v[start:], dtype=np.float64)
    _check(steady, sample_rate_hz, frequency_hz, settle_s)
    frames, bin_hz = len(steady), sample_rate_hz / len(steady)
    limit_hz = sample_rate_hz / 2 - GUARD_BINS * bin_hz
    limit_hz = limit_hz if harmonic_limit_hz is None else min(limit_hz, harmonic_limit_hz)
    orders = np.arange(max(1, math.floor(limit_hz / frequency_hz * (1.0 + _ORDER_SLACK))) + 1)
    positions = np.asarray(orders * (frequency_hz / bin_hz), dtype=np.float64)
    spectrum = rfft(steady)
    amplitudes = fit_lines(spectrum, frames, positions)
    cleaned = windowed(spectrum, frames)
    add_lines(cleaned, frames, positions, -amplitudes)
    floor = noise_floor(cleaned, lobes(positions, len(cleaned)), positions, frames, bin_hz)
    noise = line_noise(floor.at_lines)
    fundamental_v2 = abs(amplitudes[1]) ** 2 / 2 - float(noise[1])
    if not fundamental_v2 > float(noise[1]):
        raise SignalError(f"no tone at {frequency_hz:.6g} Hz stands out of the noise: check cables, level and load")
    harmonics = describe_harmonics(
        amplitudes[2:], orders[2:], floor.at_lines[2:], floor.freedom[2:], complex(amplitudes[1]), frequency_hz
    )
    distortion = harmonics.total()
    weight = band_weight(len(floor.power), bin_hz, band_hz)
    noise_v2 = floor.in_band(weight)[0]
    in_band = (harmonics.frequency_hz >= band_hz[0]) & (harmonics.frequency_hz <= band_hz[1])
    fundamental_v_rms = math.sqrt(fundamental_v2)
    upper, lower = harmonics.crests()
    return BurstReading(
        frequency_hz=frequency_hz,
        level_v_rms=math.sqrt(fundamental_v2 + max(distortion.mean_square, 0.0)),
        fundamental_v_rms=fundamental_v_rms,
        fundamental_uncertainty=float(stdtrit(floor.freedom[1], 0.975)) * math.sqrt(noise[1] / (2.0 * fundamental_v2)),
        harmonics=harmonics,
        distortion=distortion,
        residual_v2=max(noise_v2 + harmonics.total(in_band).mean_square, 0.0),
        noise_v2=noise_v2,
        positive_peak_v=math.sqrt(2.0) * fundamental_v_rms * upper,
        negative_peak_v=math.sqrt(2.0) * fundamental_v_rms * lower,
        drift_db=_drift_db(steady, sample_rate_hz, frequency_hz),
        other=second_tone(floor, weight),
    )


def least_burst_s(frequency_hz: float, *, settle_s: float = SETTLE_S) -> float:
    """Return the shortest burst that can be read at a frequency, in seconds."""
    return settle_s + LEAST_PERIODS / frequency_hz


def _check(steady: FloatArray, sample_rate_hz: float, frequency_hz: float, settle_s: float) -> None:
    if not (math.isfinite(frequency_hz) and 0.0 < 3.0 * frequency_hz < sample_rate_hz / 2):
        raise SignalError(
            f"clipping at {frequency_hz:g} Hz can't be seen at {sample_rate_hz:g} Hz: not even the third harmonic is "
            "captured; use a lower frequency or a higher rate"
        )
    if steady.ndim != 1 or len(steady) < LEAST_PERIODS * sample_rate_hz / frequency_hz:
        raise SignalError(
            f"a burst of {frequency_hz:.6g} Hz needs {least_burst_s(frequency_hz, settle_s=settle_s):.3g} s at least: "
            "make it longer, or use a higher frequency"
        )
    if not np.all(np.isfinite(steady)):
        raise SignalError("the burst holds values that are no numbers (NaN or infinite): capture it again")


def _drift_db(steady: FloatArray, sample_rate_hz: float, frequency_hz: float) -> float:
    """Return the level of the last part over the first, both of whole periods."""
    periods = max(1, math.floor(len(steady) / _PARTS * frequency_hz / sample_rate_hz))
    frames = round(periods * sample_rate_hz / frequency_hz)
    cycles = frequency_hz / sample_rate_hz
    first, last = (abs(project(part, cycles)[0]) for part in (steady[:frames], steady[-frames:]))
    return 20.0 * math.log10(max(last, _LEAST_PART * first) / first) if first > 0.0 else 0.0
