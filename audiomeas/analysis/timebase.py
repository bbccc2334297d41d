"""A capture by another clock, laid on the time base of what was played.

Two equal chirps ('markers'), one before and one after the stimulus, pass the same unit and are captured by the same
clock: whatever these do to one they do to the other. So the phase of their cross spectrum tells their distance, and
how much more the second is stretched than the first, free of the unit's own delay (the generalised correlation of
C. H. Knapp and G. C. Carter, IEEE Trans. ASSP 24, 1976, with the delay read from the slope of the phase). The distance
is the mean offset of the clocks, the difference of the stretches a drift that runs evenly from marker to marker. A
drift of another shape can't be told from a delay of the unit that depends on frequency. Without two markers the sweep's
growth alone is left, and in it clock and unit can't be told apart: then gain is corrected, and the offset is not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft, rfftfreq

from audiomeas.analysis.alignment import Found, find
from audiomeas.analysis.deconvolution import SweepLaw, find_sweep
from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.analysis.interpolation import sampled_at
from audiomeas.analysis.sweep import growth_error
from audiomeas.errors import SignalError

FloatArray = NDArray[np.float64]

#: Two clocks are never further apart: beyond, it is another speed or rate.
LARGEST_PPM = 500.0
#: A sweep whose growth is off by more than this is none that a clock has moved (see `sweep.analyze_sweep`).
_LARGEST_GROWTH = 2e-3
#: What is kept of the capture before and after the stimulus, in seconds: a unit may delay by half a second.
_KEPT_BEFORE_S, _KEPT_AFTER_S = 0.25, 0.65
#: Taken along with a marker, before and after it, so that the unit's answer to it is whole.
_MARKER_BEFORE_S, _MARKER_AFTER_S = 0.03, 0.05
#: Part of the markers' band whose phase is used: their ends are faded.
_BAND = (1.4, 0.8)
#: A marker is sought so near to where it was found.
_NEAR_S = 3e-3
#: Phase that two equal chirps may be apart, r.m.s. in radians, beyond distance and stretch: more is not the same chirp.
_SAME_CHIRP_RAD = 0.35
#: A drift is taken for one from this many standard deviations on.
_DRIFT_SIGMAS = 3.0
#: What the method leaves without noise, in frames of distance and relative stretch (bounds of what was found with exact
#: chirps through chains that ring down to 0.5 Hz).
_METHOD_FRAMES, _METHOD_STRETCH = 1e-4, 2e-8


@dataclass(frozen=True, kw_only=True)
class Markers:
    """The two markers as played: exponential chirps of one waveform.

    waveform : (frames,).  from_hz, to_hz : its ends.  before, after : frame of each marker's first sample, counted from
    the stimulus' first (so `before` is negative); with a fraction where they were played at another rate.
    """

    waveform: FloatArray
    from_hz: float
    to_hz: float
    before: float
    after: float

    @property
    def apart(self) -> float:
        """Frames from the one to the other, as played."""
        return self.after - self.before


@dataclass(frozen=True, kw_only=True)
class TimeBase:
    """How a capture was laid on the time base of what was played.

    told_by : 'markers', or 'growth' when the sweep alone told it.
    offset_ppm : by how much the playing clock ran faster than the capturing one, mean between the markers; None when
    told by growth.   drift_ppm : how much that offset rose from the first marker to the second; 0 when it can't be told
    from none.   *_uncertainty_ppm : 95 % half-widths.
    applied_ppm : what was corrected (told by growth: the unit's own delay is in it).
    start_frame : frame of the corrected signal at which the stimulus begins, by the first marker; None: not known.
    stimulus_frames : length of the stimulus.
    """

    told_by: Literal["markers", "growth"]
    offset_ppm: float | None
    offset_uncertainty_ppm: float | None
    drift_ppm: float | None
    drift_uncertainty_ppm: float | None
    applied_ppm: float
    start_frame: int | None
    stimulus_frames: int


@dataclass(frozen=True, kw_only=True)
class _Spacing:
    """What the pair of markers tells. frames, bend : see `_Course`.  *_sigma : standard deviations."""

    first: float
    frames: float
    frames_sigma: float
    bend: float
    bend_sigma: float


def delay_uncertainty_s(time_s: FloatArray, reference_s: float, *, offset_ppm: float, drift_ppm: float) -> FloatArray:
    """Return the 95 % half-width of the delay that a time base leaves at times, (points,), of the stimulus.

    reference_s : the delay there is removed.  offset_ppm, drift_ppm : 95 % half-widths (see `TimeBase`). A drift moves
    the offset by half of itself at most, at either end.
    """
    return np.asarray(1e-6 * np.hypot(offset_ppm, 0.5 * drift_ppm) * np.abs(time_s - reference_s))


def on_played_time_base(
    signal: FloatArray,
    sample_rate_hz: float,
    *,
    played: FloatArray,
    law: SweepLaw,
    markers: Markers | None,
    stimulus_frames: int | None = None,
    sweep_starts: Sequence[int] = (0,),
    start_frame: int | None = None,
    listen: Sequence[int] | None = None,
) -> tuple[FloatArray, TimeBase]:
    """Lay a capture by another clock on the time base of what was played.

    signal : (frames,) or (frames, channels), one clock for all.   played, law : one sweep of the stimulus as rendered,
    (frames,), and its law.   markers : None when none were played.
    stimulus_frames : length of the whole stimulus; default: the sweep's.   sweep_starts : frames of the stimulus at
    which `played` begins.   start_frame : where the stimulus is thought to begin in `signal`; None: it is sought.
    listen : columns that hold sweep and markers; default: all.
    Returns the corrected signal, cut to the stimulus with some tenths of a second around it, and what was corrected.
    Raises SignalError: silent, or off by more than 500 ppm (another speed or rate).
    """
    if signal.ndim == 2:
        columns = list(range(signal.shape[1])) if listen is None else list(listen)
        channels = [signal[:, column] for column in columns]
    else:
        channels = [signal]
    channel = channels[int(np.argmax([float(np.dot(one, one)) for one in channels]))]
    frames = stimulus_frames or len(played)
    place = _sweep_place(channel, played, law, start_frame, sweep_starts[0])
    spacing = None
    if markers is not None:
        starts = [place - start for start in sweep_starts]
        spacing = _best([_spacing(one, markers, start, frames, sample_rate_hz) for start in starts for one in channels])
    if markers is not None and spacing is not None:
        course, base = _by_markers(spacing, markers, frames)
    else:
        course, base = _by_growth(channel, played, law, place, frames)
    return _laid(signal, course, base, sample_rate_hz)


def between_marks(
    signal: FloatArray,
    sample_rate_hz: float,
    *,
    markers: Markers,
    places: tuple[int, int],
    stimulus_frames: int,
    listen: Sequence[int],
) -> tuple[FloatArray, TimeBase]:
    """Lay what stands between two marks that were found on the time base of what was played, at whatever speed.

    signal : (frames, channels), one clock for all.   markers : with the waveform as played at the rate of the capture.
    places : frames near which the marks begin, to 2 ms.   listen : columns that hold marks.   The rest as above.
    Raises SignalError: what stands there are not two equal chirps.
    """
    # Marks found by chirps of two speeds stand some frames apart from where they are: too far for the phase.
    scale, reach = markers.apart / (places[1] - places[0]), round(_NEAR_S * sample_rate_hz)
    found = []
    for column in listen:
        channel = np.ascontiguousarray(signal[:, column])
        nearer = [round(_seen_place(channel, markers, place, scale, reach)) for place in places]
        found.append(_spacing_at(channel, markers, (nearer[0], nearer[1]), sample_rate_hz))
    spacing = _best(found)
    if spacing is None:
        raise SignalError("its two marks are not alike: it skips, or one of them is damaged")
    course, base = _course(spacing, markers, stimulus_frames)
    return _laid(signal, course, base, sample_rate_hz)


@dataclass(frozen=True, kw_only=True)
class _Course:
    """Frame of the capture as a function of the played frame u, counted from the stimulus' first.

    first + frames·v + bend·v·(1 − v), v = (u − origin)/span.
    """

    origin: float
    span: float
    first: float
    frames: float
    bend: float

    def captured(self, played: FloatArray) -> FloatArray:
        part = (played - self.origin) / self.span
        return np.asarray(self.first + part * (self.frames + self.bend * (1.0 - part)))


def _sweep_place(
    channel: FloatArray, played: FloatArray, law: SweepLaw, start_frame: int | None, sweep_start: int
) -> int:
    """Return the frame at which a sweep of the stimulus arrives."""
    if start_frame is None:
        return find_sweep(channel, played, law)
    if not np.any(channel):
        raise SignalError("the captured channel is silent: check cable, source and input gain, then capture again")
    return start_frame + sweep_start


def _best(found: Sequence[_Spacing | None]) -> _Spacing | None:
    there = [one for one in found if one is not None]
    return min(there, key=lambda one: one.frames_sigma, default=None)


def _spacing(channel: FloatArray, markers: Markers, start: int, frames: int, rate_hz: float) -> _Spacing | None:
    """Return where the two markers are and how they differ; None unless both are there."""
    reach = min(0.05 * rate_hz + 0.003 * frames, 0.5 * rate_hz)
    first, second = (_marker_near(channel, markers, start + place, reach) for place in (markers.before, markers.after))
    if first is None or second is None:
        return None
    return _spacing_at(channel, markers, (round(first.frame), round(second.frame)), rate_hz)


def _spacing_at(channel: FloatArray, markers: Markers, places: tuple[int, int], rate_hz: float) -> _Spacing | None:
    """Return how two markers near these places differ; None when they are not one chirp."""
    before = min(round(_MARKER_BEFORE_S * rate_hz), *places)
    after = min(round(_MARKER_AFTER_S * rate_hz), *(len(channel) - len(markers.waveform) - place for place in places))
    shape = _flat_top(before, len(markers.waveform), after)
    parts = [channel[place - before : place - before + len(shape)] * shape for place in places]
    fitted = _shift_and_stretch(parts[0], parts[1], markers, rate_hz)
    if fitted is None:
        return None
    (shift, stretch), sigmas = fitted
    apart = places[1] - places[0] + shift
    return _Spacing(
        first=_seen_place(channel, markers, places[0], markers.apart / apart, round(_NEAR_S * rate_hz)),
        frames=apart,
        frames_sigma=float(np.hypot(sigmas[0], _METHOD_FRAMES / TWO_SIDED_95)),
        bend=-0.5 * stretch * apart,
        bend_sigma=0.5 * apart * float(np.hypot(sigmas[1], (_METHOD_STRETCH + 2e-3 * abs(stretch)) / TWO_SIDED_95)),
    )


def _marker_near(channel: FloatArray, markers: Markers, place: float, reach: float) -> Found | None:
    start = max(0, int(place - reach))
    part = channel[start : max(start, int(place + reach) + len(markers.waveform))]
    if len(part) <= len(markers.waveform) or not np.any(part):
        return None
    found = find(part, markers.waveform)
    return replace(found, frame=found.frame + start) if found.certain else None


def _seen_place(channel: FloatArray, markers: Markers, near: int, scale: float, reach: int) -> float:
    """Return where a marker begins, sought as the other clock saw it. scale : played over captured frames.

    As played, a chirp would be found at the frame where its higher, more energetic part fits best.
    """
    seen = sampled_at(markers.waveform, np.arange(int(len(markers.waveform) / scale), dtype=np.float64) * scale)
    start = max(0, near - reach)
    return start + find(channel[start : start + len(seen) + 2 * reach], seen).frame


def _flat_top(before: int, flat: int, after: int) -> FloatArray:
    """Return a window: 1 over the marker, raised cosines over the outer halves of what stands around it."""
    rise, fall = (
        0.5 - 0.5 * np.cos(np.pi * (np.arange(side // 2) + 0.5) / max(side // 2, 1)) for side in (before, after)
    )
    return np.concatenate([rise, np.ones(before - len(rise) + flat + after - len(fall)), fall[::-1]])


def _shift_and_stretch(
    first: FloatArray, second: FloatArray, markers: Markers, rate_hz: float
) -> tuple[FloatArray, FloatArray] | None:
    """Return by how many frames the second marker comes later and by which part it is longer, and their sigmas.

    A chirp sin(2π·f1·G·exp(t/G)) passes f at G·ln(f/f1); stretched by 1 + s about its start it passes it later by
    s·G·(ln(f/f1) + 1), which is a phase of −2π·s·G·f·ln(f/f1). A stretch that noise may have made is 0, and the shift
    is then fitted without it: that is ten times surer.   None when the two are not one chirp.
    """
    frequency_hz = rfftfreq(len(first), 1.0 / rate_hz)
    band = (frequency_hz > _BAND[0] * markers.from_hz) & (frequency_hz < min(_BAND[1] * markers.to_hz, 0.4 * rate_hz))
    spectra = [rfft(part)[band] for part in (first, second)]
    powers = [np.abs(one) ** 2 for one in spectra]
    if not all(np.all(power > 0.0) for power in powers):
        return None
    growth_s = len(markers.waveform) / rate_hz / np.log(markers.to_hz / markers.from_hz)
    turns = -2.0 * np.pi * frequency_hz[band]
    model = np.stack([turns / rate_hz, turns * growth_s * np.log(frequency_hz[band] / markers.from_hz)], axis=1)
    phase = np.angle(spectra[1] * np.conj(spectra[0]))
    # Equal noise in both: the variance of a cross spectrum's phase is N/|X₁|² + N/|X₂|².
    weight = np.sqrt(powers[0] * powers[1] / (powers[0] + powers[1]))
    found, sigmas, rest_rad = _fitted(model, phase, weight)
    if not rest_rad < _SAME_CHIRP_RAD:
        return None
    if abs(found[1]) < _DRIFT_SIGMAS * np.hypot(sigmas[1], _METHOD_STRETCH / TWO_SIDED_95):
        found = np.append(_fitted(model[:, :1], phase, weight)[0], 0.0)
    return found, sigmas


def _fitted(model: FloatArray, phase: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return the model's factors by weighted least squares, their standard deviations, and the r.m.s. of the rest."""
    weight = weight / np.sqrt(np.mean(weight**2))
    weighted = weight[:, np.newaxis] * model
    found = np.linalg.lstsq(weighted, weight * phase, rcond=None)[0]
    rest = weight * phase - weighted @ found
    variance = float(rest @ rest) / max(len(rest) - len(found), 1)
    sigmas = np.sqrt(variance * np.diag(np.linalg.inv(weighted.T @ weighted)))
    return np.asarray(found), sigmas, float(np.sqrt(np.mean(rest**2)))


def _by_markers(spacing: _Spacing, markers: Markers, frames: int) -> tuple[_Course, TimeBase]:
    """Return the course that two markers tell. Raises SignalError beyond what a clock may be off."""
    course, base = _course(spacing, markers, frames)
    assert base.offset_ppm is not None and base.offset_uncertainty_ppm is not None
    _refuse_other_speed(base.offset_ppm, base.offset_uncertainty_ppm)
    return course, base


def _course(spacing: _Spacing, markers: Markers, frames: int) -> tuple[_Course, TimeBase]:
    apart = markers.apart
    offset_ppm = 1e6 * (apart / spacing.frames - 1.0)
    offset_sigma_ppm = 1e6 * spacing.frames_sigma / apart
    course = _Course(origin=markers.before, span=apart, first=spacing.first, frames=spacing.frames, bend=spacing.bend)
    base = TimeBase(
        told_by="markers",
        offset_ppm=offset_ppm,
        offset_uncertainty_ppm=TWO_SIDED_95 * offset_sigma_ppm,
        drift_ppm=1e6 * 2.0 * spacing.bend / apart,
        drift_uncertainty_ppm=1e6 * 2.0 * TWO_SIDED_95 * spacing.bend_sigma / apart,
        applied_ppm=offset_ppm,
        start_frame=0,
        stimulus_frames=frames,
    )
    return course, base


def _refuse_other_speed(offset_ppm: float, uncertainty_ppm: float) -> None:
    if abs(offset_ppm) > LARGEST_PPM + max(1.0, uncertainty_ppm):
        raise SignalError(
            f"what was played came back {offset_ppm:+.0f} ppm off: that is no clock error ({LARGEST_PPM:g} ppm at "
            "most) but another speed or sample rate, or lost samples; capture at the stimulus' own rate, or again"
        )


def _by_growth(
    channel: FloatArray, played: FloatArray, law: SweepLaw, place: int, frames: int
) -> tuple[_Course, TimeBase]:
    """Return the course that the sweep's growth tells, its place left as it is."""
    error = growth_error(channel, played, law, place)
    # A wrong stimulus is not stretched until it fits: the analysis of the sweep refuses it.
    error = error if abs(error) < _LARGEST_GROWTH else 0.0
    course = _Course(origin=0, span=len(played), first=float(place), frames=len(played) * (1.0 + error), bend=0.0)
    base = TimeBase(
        told_by="growth",
        offset_ppm=None,
        offset_uncertainty_ppm=None,
        drift_ppm=None,
        drift_uncertainty_ppm=None,
        applied_ppm=1e6 * (1.0 / (1.0 + error) - 1.0),
        start_frame=None,
        stimulus_frames=frames,
    )
    return course, base


def _laid(signal: FloatArray, course: _Course, base: TimeBase, rate_hz: float) -> tuple[FloatArray, TimeBase]:
    """Return the signal at the played frames around the stimulus, as far as the capture reaches."""
    first, last = -round(_KEPT_BEFORE_S * rate_hz), base.stimulus_frames + round(_KEPT_AFTER_S * rate_hz)
    played = np.arange(first, last, dtype=np.float64)
    places = course.captured(played)
    held = (places >= 0.0) & (places <= len(signal) - 1.0)
    if not np.any(held):
        raise SignalError("the capture does not hold the stimulus: capture it again, from before it to after it")
    played, places = played[held], places[held]
    low, high = max(0, int(places[0]) - 64), int(places[-1]) + 65
    rows = np.atleast_2d(signal[low:high].T)
    laid = np.stack([sampled_at(np.ascontiguousarray(row), places - low) for row in rows], axis=1)
    start = None if base.start_frame is None else -int(played[0])
    return (laid[:, 0] if signal.ndim == 1 else laid), replace(base, start_frame=start)
