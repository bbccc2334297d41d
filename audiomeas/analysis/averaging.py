"""Several windows of one steady tone, end to end: averaged in time before the analysis, or analysed one by one.

Coherent averaging keeps what repeats with the window (the tone, its harmonics, DC) and takes 10·lg(n) dB off noise. It
needs whole periods in each window. Power averaging needs no periods; it leaves the noise where it is and narrows its
spread.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from audiomeas.analysis.charted import Spectrum
from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.analysis.harmonics import Harmonics, PowerSum, power_sum
from audiomeas.analysis.shortevents import ShortEvents
from audiomeas.analysis.tone import Line, ToneAnalysis, tone_frequency
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: What coherent averaging may take off the highest counted harmonic because its periods are not quite whole.
COHERENT_LOSS_DB = 0.01
#: Standard deviations of the fitted frequency that decide in doubt.
_SIGMAS = 3.0


def windows_of(signal: FloatArray, count: int) -> FloatArray:
    """Cut a signal into equal windows, (count, frames // count), a view; what is left over at the end is not used.

    Raises SignalError when there are fewer frames than windows.
    """
    width = len(signal) // count
    if width == 0:
        raise SignalError(f"{len(signal)} frames can't be cut into {count} windows: capture longer")
    return signal[: count * width].reshape(count, width)


def coherent_mean(
    signal: FloatArray,
    count: int,
    sample_rate_hz: float,
    *,
    near_hz: float | None,
    harmonic_limit_hz: float | None,
    shared_clock: bool,
) -> FloatArray:
    """Return the mean of `count` equal windows, (frames // count,).

    signal : (frames,).  near_hz : where the tone is expected.  shared_clock : then periods that may be whole are
    taken for whole; with a foreign clock the fitted frequency must prove it.
    Raises SignalError: no tone; periods that are not whole by more than costs the highest harmonic 0.01 dB.
    """
    windows = windows_of(signal, count)
    frames = windows.shape[1]
    frequency_hz, deviation_hz = tone_frequency(signal, sample_rate_hz, near_hz=near_hz)
    periods, doubt = (hz * frames / sample_rate_hz for hz in (frequency_hz, _SIGMAS * deviation_hz))
    left_over = abs(periods - round(periods))
    limit_hz = min(harmonic_limit_hz or math.inf, sample_rate_hz / 2)
    allowed = allowed_left_over(count, max(1, math.floor(limit_hz / frequency_hz)))
    if left_over + (-doubt if shared_clock else doubt) > allowed:
        raise SignalError(_not_whole(frequency_hz, periods, frames / sample_rate_hz, shared_clock))
    return np.asarray(np.mean(windows, axis=0), dtype=np.float64)


def allowed_left_over(count: int, highest_order: int) -> float:
    """Return by how many periods a window may miss whole ones, for the loss of the highest harmonic to be 0.01 dB.

    The mean of n vectors, each turned by θ against the one before, has the length sin(nθ/2)/(n·sin(θ/2)), about
    1 − (n² − 1)·θ²/24; θ = 2π·order·(periods left over).
    """
    turned = math.sqrt(24.0 * COHERENT_LOSS_DB / DB_PER_NEPER / max(count**2 - 1, 1))
    return turned / (2.0 * math.pi * highest_order)


def _not_whole(frequency_hz: float, periods: float, window_s: float, shared_clock: bool) -> str:
    why = (
        "play a frequency with whole periods in the window"
        if shared_clock
        else "play and capture don't share a clock that would make them whole"
    )
    return (
        f"coherent averaging needs whole periods in each window, and {frequency_hz:.7g} Hz makes {periods:.5f} in "
        f"{window_s:.4g} s: {why}; or average powers"
    )


def combined_as_powers(tones: Sequence[ToneAnalysis]) -> ToneAnalysis:
    """Combine the analyses of windows of one length: powers averaged, uncertainties by the number of windows.

    The phase is that of the first window; frequency and DC are means. A harmonic stands out of the noise when the
    mean of its powers does.
    """
    first, count = tones[0], len(tones)
    return dataclasses.replace(
        first,
        frequency_hz=_mean([tone.frequency_hz for tone in tones]),
        frequency_uncertainty_hz=_of_mean([tone.frequency_uncertainty_hz for tone in tones]),
        level_rms=math.sqrt(_mean([tone.level_rms**2 for tone in tones])),
        level_uncertainty=_of_mean([tone.level_uncertainty for tone in tones]),
        dc=_mean([tone.dc for tone in tones]),
        dc_uncertainty=_of_mean([tone.dc_uncertainty for tone in tones]),
        harmonics=_harmonics(tones),
        thd=None if first.thd is None else _thd(tones),
        residual=_mean_power([tone.residual for tone in tones]),
        noise=_mean_power([tone.noise for tone in tones]) or first.noise,
        notched=_mean_power([tone.notched for tone in tones]),
        mains=_lines(tones, 0.5 * first.sample_rate_hz / first.frames),
        second_tone=max((tone.second_tone for tone in tones if tone.second_tone), key=_level, default=None),
        events=_events(tones),
        spectrum=_spectrum([tone.spectrum for tone in tones], count),
        notes=max((tone.notes for tone in tones), key=len),
    )


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _of_mean(half_widths: Sequence[float]) -> float:
    """Return the half-width of a mean of independent values."""
    return math.sqrt(math.fsum(width**2 for width in half_widths)) / len(half_widths)


def _level(line: Line) -> float:
    return line.level_rms


def _mean_power(sums: Sequence[PowerSum | None]) -> PowerSum | None:
    known = [one for one in sums if one is not None]
    if len(known) < len(sums):
        return None
    value = _mean([one.mean_square for one in known])
    deviation = _of_mean([one.standard_deviation for one in known])
    hidden = all(one.at_most for one in known)
    upper = _mean([one.upper_95 for one in known]) if hidden else value
    return PowerSum(mean_square=value, standard_deviation=deviation, upper_95=upper, at_most=hidden)


def _stacked(tones: Sequence[ToneAnalysis]) -> tuple[FloatArray, FloatArray]:
    """Return powers and noise of the harmonics that all windows hold, (windows, orders), over the number of windows."""
    orders = min(len(tone.harmonics.order) for tone in tones)
    power = np.stack([tone.harmonics.power[:orders] for tone in tones]) / len(tones)
    return power, np.stack([tone.harmonics.noise[:orders] for tone in tones]) / len(tones)


def _thd(tones: Sequence[ToneAnalysis]) -> PowerSum:
    power, noise = _stacked(tones)
    return power_sum(power.ravel(), noise.ravel())


def _harmonics(tones: Sequence[ToneAnalysis]) -> Harmonics:
    power, noise = _stacked(tones)
    orders = power.shape[1]
    sums = [power_sum(power[:, i], noise[:, i]) for i in range(orders)]
    at_most = np.array([one.at_most for one in sums], dtype=np.bool_)
    stated = np.array([max(one.stated, 0.0) for one in sums])
    relative = np.mean([tone.harmonics.relative[:orders] for tone in tones], axis=0)
    freedom = np.sum([tone.harmonics.freedom[:orders] for tone in tones], axis=0)
    deviation = np.array([one.standard_deviation for one in sums])
    reference = _mean([tone.level_rms**2 for tone in tones])
    with np.errstate(divide="ignore", invalid="ignore"):
        level_db = 10.0 * np.log10(stated / reference)
        spread_db = DB_PER_NEPER * stdtrit(freedom, 0.975) * deviation / (2.0 * stated)
    order = tones[0].harmonics.order[:orders]
    return Harmonics(
        order=order,
        frequency_hz=np.asarray(order * _mean([tone.frequency_hz for tone in tones]), dtype=np.float64),
        level_db=level_db,
        phase_deg=np.where(at_most, np.nan, np.degrees(np.angle(relative))),
        uncertainty_db=np.where(at_most, np.nan, spread_db),
        at_most=at_most,
        power=np.sum(power, axis=0),
        noise=np.sum(noise, axis=0),
        relative=relative,
        freedom=freedom,
    )


def _events(tones: Sequence[ToneAnalysis]) -> ShortEvents | None:
    """Return the events of all windows as of one capture."""
    there = [(number, tone.events) for number, tone in enumerate(tones) if tone.events is not None]
    if not there:
        return None
    number, largest = max(there, key=lambda pair: pair[1].peak)
    return ShortEvents(
        count=sum(events.count for _, events in there),
        frame=largest.frame + number * tones[0].frames,
        peak=largest.peak,
    )


def _lines(tones: Sequence[ToneAnalysis], near_hz: float) -> tuple[Line, ...]:
    """Return the mains lines of the windows as one list; a window that lacks one has nothing there."""
    everywhere = sorted((line for tone in tones for line in tone.mains), key=lambda line: line.frequency_hz)
    groups: list[list[Line]] = []
    for line in everywhere:
        if groups and line.frequency_hz - groups[-1][-1].frequency_hz <= near_hz:
            groups[-1].append(line)
        else:
            groups.append([line])
    return tuple(
        Line(
            frequency_hz=_mean([line.frequency_hz for line in group]),
            level_rms=math.sqrt(math.fsum(line.level_rms**2 for line in group) / len(tones)),
        )
        for group in groups
    )


def _spectrum(spectra: Sequence[Spectrum], count: int) -> Spectrum:
    """Return the mean of the powers cell by cell; each cell keeps the place of its highest bin."""
    if any(len(one.level_db) != len(spectra[0].level_db) for one in spectra):
        return spectra[0]
    levels = np.stack([one.level_db for one in spectra])
    places = np.stack([one.frequency_hz for one in spectra])
    highest = np.argmax(levels, axis=0) if levels.size else np.empty(0, dtype=np.intp)
    return Spectrum(
        frequency_hz=places[highest, np.arange(len(highest))],
        level_db=10.0 * np.log10(np.sum(10.0 ** (levels / 10.0), axis=0) / count),
    )
