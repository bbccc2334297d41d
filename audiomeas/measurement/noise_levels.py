"""The weighted levels of a channel: r.m.s. ones from its density, the others from the meter; with scatter or bound."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.measurement.noise_bands import parse_bands
from audiomeas.measurement.noise_options import FILTERS

if TYPE_CHECKING:
    from audiomeas.analysis.density import Density
    from audiomeas.measurement.noise_scan import ChannelScan

#: r.m.s. levels: name → weighting (see `analysis.weighting`); '' for none.
RMS_LEVELS = {
    "unweighted": "",
    "a_weighted": "a",
    "c_weighted": "c",
    "itu_r_468": "itu_r_468",
    "aes17": "itu_r_468_2k",
}
#: What rounding to steps gives, spread evenly (q²/12), hides all that is lower than this part of it.
_HIDDEN = 0.5
#: The average of |x| scatters more than the r.m.s. value: √(π/2 − 1) against √½ for each independent value of noise.
_AVERAGE_SCATTER = math.sqrt(math.pi / 2.0 - 1.0) / math.sqrt(0.5)
#: Readings of Gaussian noise over its r.m.s. value: average √(2/π)·π/√8 (closed form); quasi-peak of 468-weighted
#: noise about 5 dB (common practice; the detector reads so).
_AVERAGE_OF_NOISE = math.sqrt(2.0 / math.pi) * math.pi / (2.0 * math.sqrt(2.0))
_QUASI_PEAK_OF_NOISE = 10.0 ** (5.0 / 20.0)


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A level in the unit of the samples.

    relative : 95 % half-width over it.  bench : by how much at most (relative) the bench's own noise has it wrong.
    at_most : only a bound is known.
    """

    level: float
    relative: float = 0.0
    bench: float = 0.0
    at_most: bool = False


def readings_of(scan: ChannelScan, options: Mapping[str, Any], *, resolution: float | None) -> dict[str, Reading]:
    """Return name → reading. resolution : step between values in the unit of the samples; None: unknown.

    Raises SignalError where the capture is too short for the band.
    """
    density = scan.density
    step = _step_density(density, resolution)
    found = {}
    for name, (band, weight) in _rms_levels(density, options).items():
        level = density.level(band, weight)
        found[name] = _bounded(level.mean_square, level.standard_deviation, _white(density, step, band, weight))
    for name, value, of_noise, scatter in (
        ("itu_r_468_quasi_peak", scan.meter.quasi_peak, _QUASI_PEAK_OF_NOISE, scan.meter.quasi_peak_relative),
        ("itu_r_arm", scan.meter.arm, _AVERAGE_OF_NOISE, None),
    ):
        rms = "itu_r_468" if name.endswith("quasi_peak") else "aes17"
        found[name] = _metered(value, found[rms], of_noise=of_noise, scatter=scatter)
    return found


def white_readings(density: Density, v_rms: float, options: Mapping[str, Any]) -> dict[str, float]:
    """Return what white noise of a level, stated from 20 Hz to 20 kHz, reads: name → level. density : for its bins."""
    per_hz = v_rms**2 / 19_980.0
    found = {
        name: math.sqrt(_white(density, per_hz, band, weight))
        for name, (band, weight) in _rms_levels(density, options).items()
    }
    found["itu_r_468_quasi_peak"] = found["itu_r_468"] * _QUASI_PEAK_OF_NOISE
    found["itu_r_arm"] = found["aes17"] * _AVERAGE_OF_NOISE
    return found


def band_of(density: Density, options: Mapping[str, Any]) -> tuple[float, float]:
    """Return the band of the r.m.s. levels, cut at half the sample rate."""
    return options["low_hz"], min(options["high_hz"], density.sample_rate_hz / 2.0)


def _rms_levels(density: Density, options: Mapping[str, Any]) -> dict[str, tuple[tuple[float, float] | None, Any]]:
    """Return name of an r.m.s. level → the band it is summed in (None: all there is) and |W|² (None: none)."""
    chosen, band = options["filter"], band_of(density, options)
    weightings = RMS_LEVELS if chosen is None else {**RMS_LEVELS, "filtered": FILTERS[chosen]}
    found = {name: (band, _weight(weighting, density)) for name, weighting in weightings.items()}
    stated = parse_bands(options, density.sample_rate_hz)
    return {**found, **{one.name: one.shares(density.frequency_hz) for one in stated}}


def _weight(name: str, density: Density) -> Any:
    """Return |W|² at a density's bins; None without weighting."""
    from audiomeas.analysis.weighting import weighting

    return weighting(name).power_gain(density.frequency_hz) if name else None


def _white(density: Density, v2_per_hz: float, band: tuple[float, float] | None, weight: Any) -> float:
    """Return the mean square of white noise in a band under a weighting."""
    import dataclasses

    import numpy as np

    even = np.full(len(density.v2_per_hz), v2_per_hz)
    return float(dataclasses.replace(density, v2_per_hz=even, floor=even).level(band, weight).mean_square)


def _step_density(density: Density, resolution: float | None) -> float:
    return 0.0 if resolution is None else resolution**2 / 12.0 / (density.sample_rate_hz / 2.0)


def _bounded(mean_square: float, deviation: float, least: float) -> Reading:
    """Return a reading; where rounding alone must have given more, what it may be at most."""
    if mean_square < _HIDDEN * least or mean_square <= 0.0:
        return Reading(level=math.sqrt(max(mean_square, least)), at_most=True)
    half = math.sqrt(mean_square + TWO_SIDED_95 * deviation) / math.sqrt(mean_square) - 1.0
    return Reading(level=math.sqrt(mean_square), relative=half)


def _metered(value: float, rms: Reading, *, of_noise: float, scatter: float | None) -> Reading:
    """Return a meter's reading; a bound where the r.m.s. value is one."""
    if rms.at_most:
        return Reading(level=max(value, rms.level * of_noise), at_most=True)
    return Reading(level=value, relative=rms.relative * _AVERAGE_SCATTER if scatter is None else scatter)
