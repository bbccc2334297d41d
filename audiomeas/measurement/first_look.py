"""What a quiet look told of a unit: the way of each driven channel to each output, before any level is played.

The channels sound one after the other, so that a unit that subtracts its channels is known for what it is: with all of
them alike it seems quieter than with one alone. Whatever is played later, alike or not and in whatever phase, no output
gets more than the sum of its ways.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len

from audiomeas.analysis.alignment import find
from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.analysis.sweep import QUIET_S, gains_over_frequency
from audiomeas.stimulus import BurstSeries, Sine, StaggeredSweeps, SteppedSines, Stimulus, Sweep, VariesInLevel
from audiomeas.stimulus.marker import MARKER_FROM_HZ, marker, marker_peak_v
from audiomeas.units import amplitude_ratio_to_db

FloatArray = NDArray[np.float64]

#: Each channel's sweep: at full level from below 10 Hz on, as short as a first look may be and still read the bass.
_START_HZ, _STOP_PART, _SWEEP_S = 8.0, 0.45, 0.75
#: So near that a resonance of Q 2 stands at most 0.01 dB higher between two of them: with 6 an octave it was 0.1 dB,
#: which the margin then lacked.
_POINTS_PER_OCTAVE = 24
#: Where the gain is told in words.
_TOLD_AT_HZ = 1000.0
#: A gain below this (−180 dB) is none.
_LEAST_GAIN = 1e-9
#: Ways that cancel are not compared with later captures by what is left of them: a balance that moves by a hair would
#: look like a unit turned up. So much of their sum counts at least.
_LEFT_OF_WAYS = 0.03
#: A way is heard where its gains stand so far above their noise, in the middle of all frequencies. Those of noise alone
#: stay below it by half.
_HEARD = 3.0
#: A tone counts from so much below its frequency on: a third of an octave.
_BELOW_TONE = 2.0 ** (-1.0 / 3.0)
#: What lies further below a tone is reached by what uneven clipping rectifies. That is this far below the tone where
#: one half alone is cut to 7 % of distortion (closed form: the mean of a cut sine); 1 % leaves it at −53 dB.
_RECTIFIED_DB = -30.0
#: Of the spectrum's largest energy: less than this is no part of a sweep.
_LEAST_ENERGY = 1e-8


@dataclass(frozen=True, kw_only=True)
class Way:
    """What one driven channel gives at one output, at the first look's frequencies, as ratios.

    gain : magnitude, noise included.  noise : its 95 % half-width through noise.
    """

    gain: tuple[float, ...]
    noise: tuple[float, ...]

    @property
    def most(self) -> FloatArray:
        """The largest gain that it may have, (points,)."""
        return np.add(self.gain, self.noise)

    @property
    def heard(self) -> bool:
        """It carries something, beyond doubt."""
        return bool(np.median(self.gain) > _HEARD * np.median(self.noise))

    @property
    def beside_noise(self) -> FloatArray:
        """The gain without what noise adds to it in the mean, (points,): most leakage is noise and nothing else."""
        return np.sqrt(np.maximum(np.square(self.gain) - 2.0 * np.square(np.divide(self.noise, TWO_SIDED_95)), 0.0))


@dataclass(frozen=True, kw_only=True)
class FirstLook:
    """What quiet sweeps told of the unit before any level. All per 1-based channel.

    level_v_rms : of the sweeps.  curve_db : gain at `frequency_hz`, all channels driven alike.
    ceiling_db : the same with noise included.  ways : output → driven channel → what reaches it from there.
    silent : channels from which nothing came back.
    """

    level_v_rms: float
    frequency_hz: tuple[float, ...]
    curve_db: dict[int, tuple[float, ...]]
    ceiling_db: dict[int, tuple[float, ...]]
    ways: dict[int, dict[int, Way]]
    polarity: dict[int, int]
    latency_frames: float
    silent: tuple[int, ...]

    @property
    def gain_db(self) -> dict[int, float]:
        """Channel → largest gain over frequency, whatever the channels play (noise included: never too small)."""
        return {channel: float(np.max(self._most_db(channel, tuple(ways)))) for channel, ways in self.ways.items()}

    @property
    def found_db(self) -> dict[int, float]:
        """Channel → largest gain over frequency that was found: with all driven alike, or with one (noise included)."""
        return {
            channel: max(max(self.ceiling_db[channel]), *(float(_db(np.max(way.most))) for way in ways.values()))
            for channel, ways in self.ways.items()
        }

    def gain_at_db(self, channel: int, frequency_hz: float) -> float:
        """Return the gain found nearest to a frequency, by interpolation over log frequency."""
        return self._at(self.curve_db[channel], frequency_hz)

    def noise_at_db(self, channel: int, frequency_hz: float) -> float:
        """Return by how much noise may have moved the gain found near a frequency."""
        return self._at(np.subtract(self.ceiling_db[channel], self.curve_db[channel]), frequency_hz)

    def most_at_db(self, channel: int, frequency_hz: float, driven: tuple[int, ...]) -> float:
        """Return the largest gain to an output near a frequency, of driven channels in whatever phase.

        To compare a reading with. On an output that is not driven itself all channels count: what leaks there is too
        little to tell by it that the unit was turned up.
        """
        return self._at(self._most_db(channel, self._to_compare(channel, driven)), frequency_hz)

    def gain_to_compare_db(self, stimulus: Stimulus) -> dict[int, float]:
        """Return `gain_for_db`, on outputs that are not driven with all channels counted, as `most_at_db` does."""
        found = self.gain_for_db(stimulus)
        undriven = self.ways.keys() - set(stimulus.driven_channels)
        return found | {channel: one for channel, one in self.gain_db.items() if channel in undriven}

    def gain_for_db(self, stimulus: Stimulus) -> dict[int, float]:
        """Return channel → largest output over the stimulus' largest input, in dB, over all that it reaches.

        A stimulus of one level may hit the frequency of the largest gain. One whose level varies does not reach its
        largest level there: at each frequency its level meets the gain found there or at either neighbour. Plain tones
        and their markers reach what `_from_tone_db` says.
        """
        curves = {channel: self._most_db(channel, stimulus.driven_channels) for channel in self.ways}
        if isinstance(stimulus, Sine | SteppedSines | BurstSeries):
            tones = _tones(stimulus)
            return {
                channel: max(level_db + self._from_tone_db(curve_db, from_hz) for from_hz, level_db in tones)
                for channel, curve_db in curves.items()
            }
        if not isinstance(stimulus, VariesInLevel):
            return {channel: float(np.max(curve_db)) for channel, curve_db in curves.items()}
        frequency_hz = np.array(self.frequency_hz)
        fine_hz = np.geomspace(*stimulus.played_band_hz, 2000)
        below_db = amplitude_ratio_to_db(stimulus.level_at_hz(fine_hz) / stimulus.level_v_rms)
        # Where the first look ends inside of what is played, its ends stand for what lies beyond them.
        right = np.clip(np.searchsorted(frequency_hz, fine_hz), 1, len(frequency_hz) - 1)
        found = {}
        for channel, curve_db in curves.items():
            gain_db = np.maximum(curve_db[right - 1], curve_db[right])
            # In the fades the level is lower than its curve, and never above the largest.
            found[channel] = float(np.max(gain_db + np.minimum(below_db, 0.0)))
        return found

    def _from_tone_db(self, curve_db: FloatArray, from_hz: float) -> float:
        """Return the largest gain that a tone can meet, its own harmonics included. from_hz : as `_tones` has it.

        A unit that clips makes harmonics, which a gain that rises behind it raises. What is cut is nowhere larger than
        what was asked for: its r.m.s. value after any gain is at most the uncut one through the largest gain from the
        tone upwards. Gains that fall with frequency only make harmonics less. Below the tone there is nothing, but
        for what uneven clipping rectifies.
        """
        # The point below counts too: between two points the gain may be that of either.
        first = max(int(np.searchsorted(self.frequency_hz, from_hz, side="right")) - 1, 0)
        return max(float(np.max(curve_db[first:])), float(np.max(curve_db)) + _RECTIFIED_DB)

    def facts(self) -> dict[str, Any]:
        """Return what records keep, as JSON."""
        return {
            "level_v_rms": self.level_v_rms,
            "largest_gain_db": {str(channel): gain for channel, gain in self.gain_db.items()},
            "largest_gain_by_driven_channel_db": {
                str(channel): {str(driven): float(_db(np.max(way.most))) for driven, way in ways.items()}
                for channel, ways in self.ways.items()
            },
            "polarity": {str(channel): sign for channel, sign in self.polarity.items()},
            "latency_frames": self.latency_frames,
            "silent_channels": list(self.silent),
        }

    def lines(self, load_ohm: Mapping[int, float]) -> tuple[str, ...]:
        """Return gain, polarity and load of each channel in words. load_ohm : channel → load that is entered.

        That a load is connected no voltage tells: it is said as what was entered.
        """
        return tuple(
            f"channel {channel}: {self._words(channel)}{_load(load_ohm.get(channel))}" for channel in self.ways
        )

    def _words(self, channel: int) -> str:
        if channel in self.silent:
            return "silent at first look"
        way_round = {1: ", not inverted", -1: ", inverted"}.get(self.polarity.get(channel, 0), "")
        gain_db = f"{self.gain_at_db(channel, _TOLD_AT_HZ):.1f}".replace("-", "−")
        return f"{gain_db} dB at {_TOLD_AT_HZ / 1000.0:g} kHz{way_round}"

    def _to_compare(self, channel: int, driven: tuple[int, ...]) -> tuple[int, ...]:
        return driven if channel in driven else tuple(self.ways[channel])

    def _at(self, curve: tuple[float, ...] | FloatArray, frequency_hz: float) -> float:
        return float(np.interp(math.log(frequency_hz), np.log(self.frequency_hz), curve))

    def _most_db(self, channel: int, driven: tuple[int, ...]) -> FloatArray:
        """Return the sum of the ways of driven channels to an output, (points,), in dB.

        Noise counts once in full: the largest way has it inside, and its half-widths add as independent ones do.
        """
        ways = [way for source, way in self.ways[channel].items() if source in driven]
        if not ways:
            return np.full(len(self.frequency_hz), _db(_LEAST_GAIN))
        largest = np.max([way.gain for way in ways], axis=0)
        beside_noise = np.array([way.beside_noise for way in ways])
        others = np.sum(beside_noise, axis=0) - np.max(beside_noise, axis=0)
        noise = np.sqrt(np.sum(np.square([way.noise for way in ways]), axis=0))
        return np.asarray(_db(largest + others + noise))


def _load(load_ohm: float | None) -> str:
    return ", no load entered" if load_ohm is None else f", load of {load_ohm:g} Ω entered"


def first_look_sweeps(*, level_v_rms: float, sample_rate_hz: float, channels: tuple[int, ...]) -> StaggeredSweeps:
    """Return what a first look plays: a short sweep over the whole band on each channel in turn."""
    sweep = Sweep(
        start_hz=_START_HZ,
        stop_hz=_STOP_PART * sample_rate_hz,
        level_v_rms=level_v_rms,
        sample_rate_hz=sample_rate_hz,
        duration_s=_SWEEP_S,
        driven_channels=channels,
    )
    return StaggeredSweeps.of(sweep)


def read_first_look(
    captured: Mapping[int, FloatArray],
    sweeps: StaggeredSweeps,
    *,
    polarity: dict[int, int],
    latency_frames: float,
    silent: tuple[int, ...],
) -> FirstLook:
    """Return what a capture of the sweeps tells.

    captured : channel → volts from the stimulus' first frame on, (frames,).  polarity, latency_frames, silent : by the
    markers. A channel on which they cancel is not silent when it carries a sweep, whose polarity is told then.
    Raises SignalError for a capture that is cut, or that holds what is no number.
    """
    curves, ceilings, ways, signs = {}, {}, {}, dict(polarity)
    in_turn = {channel: _in_turn(samples, sweeps) for channel, samples in captured.items()}
    frequency_hz, found = _read([part for parts in in_turn.values() for part in _with_sum(parts)], sweeps.sweep)
    for channel, parts in in_turn.items():
        read = {driven: next(found) for driven in parts}
        ways[channel] = read
        alike = read[channel] if len(parts) == 1 else next(found)
        curves[channel] = tuple(float(db) for db in _db(np.array(alike.gain)))
        ceilings[channel] = tuple(float(db) for db in _db(alike.most))
        loudest = max(read, key=lambda driven: float(np.median(read[driven].gain)))
        if channel in silent and read[loudest].heard:
            signs[channel] = 1 if _through(parts[loudest], sweeps.sweep) > 0.0 else -1
    return FirstLook(
        level_v_rms=sweeps.level_v_rms,
        frequency_hz=tuple(float(hz) for hz in frequency_hz),
        curve_db=curves,
        ceiling_db=ceilings,
        ways=ways,
        polarity=signs,
        latency_frames=latency_frames,
        silent=tuple(channel for channel in silent if channel not in signs),
    )


class FirstMarkers:
    """How loud a marker comes back through each set of driven channels: what later captures are held against.

    captured : as for `read_first_look`, of the channels that are not silent.  marker_ratio : channel → the first look's
    own marker over what was played, in volts, on these channels alike: marked. What it does not tell the sweeps do.
    """

    def __init__(
        self,
        captured: Mapping[int, FloatArray],
        sweeps: StaggeredSweeps,
        marker_ratio: Mapping[int, float],
        marked: tuple[int, ...],
    ) -> None:
        self._parts = {channel: _in_turn(samples, sweeps) for channel, samples in captured.items()}
        self._sweeps = sweeps
        self._known = {(channel, marked): abs(ratio) for channel, ratio in marker_ratio.items()}

    def ratios(self, driven: tuple[int, ...]) -> dict[int, float]:
        """Return channel → marker captured over marker played, in volts."""
        return {
            channel: max(
                self._ratio(channel, driven), _LEFT_OF_WAYS * sum(self._ratio(channel, (one,)) for one in driven)
            )
            for channel in self._parts
        }

    def _ratio(self, channel: int, driven: tuple[int, ...]) -> float:
        key = (channel, driven)
        if key not in self._known:
            self._known[key] = abs(_through(_sum(self._parts[channel], driven), self._sweeps.sweep))
        return self._known[key]


def _tones(stimulus: Sine | SteppedSines | BurstSeries) -> set[tuple[float, float]]:
    """Return (from which frequency on, level against the stimulus' largest in dB) of each tone, and of the markers.

    A third of an octave below the tone, or by the width of its spectrum where a short one's is wider.
    """
    found = {
        (
            min(_BELOW_TONE * hz, hz - stimulus.sample_rate_hz / window.frames),
            amplitude_ratio_to_db(window.level_v_rms / stimulus.level_v_rms),
        )
        for window in stimulus.windows()
        if (hz := window.frequency_hz) is not None and window.level_v_rms
    }
    markers_db = amplitude_ratio_to_db(marker_peak_v(stimulus) / stimulus.peak_v)
    return {*found, (_BELOW_TONE * MARKER_FROM_HZ, markers_db)}


def _in_turn(samples: FloatArray, sweeps: StaggeredSweeps) -> dict[int, FloatArray]:
    """Return driven channel → the part of an output's capture that holds its sweep, all equally long."""
    frames = sweeps.sweep.frames + round(QUIET_S * sweeps.sample_rate_hz)
    starts = {driven: sweeps.offset_frames(driven) for driven in sweeps.driven_channels}
    frames = min(frames, len(samples) - max(starts.values()))
    return {driven: samples[start : start + frames] for driven, start in starts.items()}


def _sum(parts: Mapping[int, FloatArray], driven: tuple[int, ...]) -> FloatArray:
    return np.asarray(np.sum([parts[source] for source in driven], axis=0))


def _with_sum(parts: Mapping[int, FloatArray]) -> list[FloatArray]:
    """Return the parts of an output, and what all channels alike would have given: their sum, as it is when quiet."""
    return [*parts.values(), *([_sum(parts, tuple(parts))] if len(parts) > 1 else [])]


def _read(parts: Sequence[FloatArray], sweep: Sweep) -> tuple[FloatArray, Iterator[Way]]:
    frequency_hz, gains, noises = gains_over_frequency(
        parts,
        sweep.samples_v(),
        sweep.sample_rate_hz,
        low_hz=sweep.full_from_hz,
        high_hz=sweep.full_to_hz,
        points_per_octave=_POINTS_PER_OCTAVE,
    )
    rows = zip(gains.tolist(), noises.tolist(), strict=True)
    return frequency_hz, (Way(gain=tuple(gain), noise=tuple(noise)) for gain, noise in rows)


def _through(part: FloatArray, sweep: Sweep) -> float:
    """Return a marker as it would have come back where a sweep came back like this, over the marker played, signed."""
    played, chirp = sweep.samples_v(), marker(sweep.sample_rate_hz)
    points = next_fast_len(len(part) + len(played) + len(chirp), real=True)
    of_played = np.fft.rfft(played, points)
    energy = np.square(np.abs(of_played))
    way = np.fft.rfft(part, points) * np.conj(of_played) / (energy + _LEAST_ENERGY * np.max(energy))
    back = np.fft.irfft(way * np.fft.rfft(chirp, points), points)
    # What comes a little early stands at the end of the circle.
    return find(np.roll(back, len(chirp)), chirp).gain


def _db(ratio: Any) -> Any:
    return amplitude_ratio_to_db(np.maximum(ratio, _LEAST_GAIN))
