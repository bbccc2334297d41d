"""The way through a simulated deck, block by block: recording, tape, replay (`simulation.deck`)."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfftfreq

from audiomeas.errors import FileProblem
from audiomeas.simulation.between import TAPS, between
from audiomeas.simulation.compander import Compressor, Expander
from audiomeas.simulation.deck import DeckModel
from audiomeas.simulation.filters import (
    FIR_DELAY_FRAMES,
    Fir,
    Recursive,
    completing_fir,
    recursive_sections,
)
from audiomeas.simulation.medium import DROPPED
from audiomeas.simulation.noise import WhiteNoise
from audiomeas.simulation.resampling import Oversampler
from audiomeas.simulation.wav import read_wav, require_medium

FloatArray = NDArray[np.float64]

_CHANNELS = 2
#: A cubic makes nothing beyond three times the band: four times the rate holds it all.
_OVERSAMPLING = 4
#: Points of the losses' series, half the length of their filter, and its window: within 0.01 dB from 20 Hz on.
_SERIES, _HALF_S, _KAISER_BETA = 1 << 15, 0.005, 1.0
#: Frames of a file that are recorded at a time.
_CHUNK = 1 << 15


class Recorder:
    """One track's way onto the tape, samples relative to the reference level in r.m.s."""

    def __init__(self, model: DeckModel, rate_hz: float) -> None:
        self._model = model
        self._sensitivity = 10.0 ** (model.sensitivity_error_db / 20.0)
        self._compressor = Compressor(model.noise_reduction_db, rate_hz) if model.noise_reduction_db else None
        self._oversampler = Oversampler(_OVERSAMPLING) if model.cubic else None

    @property
    def delay_frames(self) -> int:
        """Frames by which a sample comes late."""
        return 0 if self._oversampler is None else self._oversampler.delay_frames

    def process(self, samples: FloatArray) -> FloatArray:
        """Take and return (frames,)."""
        if self._compressor is not None:
            samples = self._compressor.process(samples)
        samples = self._sensitivity * samples
        if self._oversampler is None:
            return samples
        return self._oversampler.down(self._model.bent(self._oversampler.up(samples)))


class Side:
    """A file's sound, (frames, 2), relative to the reference level in r.m.s., by parts."""

    def __init__(self, model: DeckModel) -> None:
        if model.tape is None:
            raise ValueError("three heads replay no file")
        require_medium(model.tape, "deck", "generate tape-side")
        self.rate_hz, self._samples = read_wav(model.tape)
        if self._samples.shape[1] > _CHANNELS:
            raise FileProblem(f"{model.tape} has {self._samples.shape[1]} channels: a tape's side has one or two")
        # 16 bit reach to their largest code; what scipy shifted up from 24 bit to 32 lacks 1e-7 of that.
        full = float(np.iinfo(self._samples.dtype).max) if self._samples.dtype.kind == "i" else 1.0
        # A sine at the reference has the peak √2 here, and reference_fs in the file.
        self._scale = np.sqrt(2.0) / (full * model.tape_reference_fs)

    def part(self, first: int, frames: int) -> FloatArray:
        """Return (frames, 2) from a place on; silence behind the end."""
        found = np.zeros((frames, _CHANNELS))
        there = self._samples[first : first + frames]
        found[: len(there)] = self._scale * there
        return found


class Tape:
    """One track: what was put on it, from a moving first sample on."""

    def __init__(self) -> None:
        self._held: FloatArray = np.zeros(0)
        self._first = 0

    @property
    def end(self) -> int:
        """The number of the next sample."""
        return self._first + len(self._held)

    def add(self, samples: FloatArray) -> None:
        """Put (frames,) behind what is there."""
        self._held = np.concatenate([self._held, samples])

    def at(self, places: FloatArray) -> FloatArray:
        """Return the values at places (they never go back by more than TAPS), and forget what is before them."""
        least = float(np.min(places)) if len(places) else 0.0
        if self._first == 0 and least < TAPS:  # blank tape before the first sample
            found = between(np.concatenate([np.zeros(TAPS), self._held]), places + TAPS)
        else:
            found = between(self._held, places - self._first)
        gone = int(least) - 2 * TAPS - self._first
        if gone > 0:
            self._held, self._first = self._held[gone:], self._first + gone
        return found


class Deck:
    """A deck over the time of a stream. Raises FileProblem: its file is no side of a tape."""

    def __init__(self, model: DeckModel, rate_hz: float, seed: np.random.SeedSequence) -> None:
        self._model, self._rate_hz, self._position = model, rate_hz, 0
        self._side = None if model.tape is None else Side(model)
        self._tape_rate_hz = rate_hz if self._side is None else self._side.rate_hz
        self._recorders = [Recorder(model, self._tape_rate_hz) for _ in range(_CHANNELS)] if model.records else []
        self._tapes = [Tape() for _ in range(_CHANNELS)]
        self._read = 0
        self._late = FIR_DELAY_FRAMES + _loss_delay_frames(rate_hz)
        sections = recursive_sections(model.network(), rate_hz)
        self._slow = [Recursive(sections) for _ in range(_CHANNELS)]
        self._equalizers = [Fir(_equalizer_taps(model, rate_hz)) for _ in range(_CHANNELS)]
        self._losses = [Fir(_loss_taps(model, rate_hz)) for _ in range(_CHANNELS)]
        hiss_v_rms = 0.0 if model.hiss_db is None else 10.0 ** (model.hiss_db / 20.0)
        self._hiss = [WhiteNoise(hiss_v_rms, rate_hz, one) for one in seed.spawn(_CHANNELS)]
        most_db = model.noise_reduction_db
        self._expanders = [Expander(most_db, rate_hz) for _ in range(_CHANNELS)] if most_db else []

    def volts(self, inputs: Sequence[FloatArray]) -> list[FloatArray]:
        """Return the next frames of both channels, (frames,) each, in V. inputs : what is sent to it meanwhile."""
        model, frames = self._model, len(inputs[0])
        # The replay filter comes late by so much: what is taken from the tape is early by as much.
        time_s = (self._position + self._late + np.arange(frames)) / self._rate_hz
        self._position += frames
        since_s = time_s if self._side is None else np.maximum(time_s - model.begins_s, 0.0)
        if self._side is None:
            self._record([one / model.input_v_rms for one in inputs])
        tracks = self._replayed(since_s, self._side is None or time_s >= model.begins_s)
        leaked = 0.0 if model.track_leakage_db is None else 10.0 ** (model.track_leakage_db / 20.0)
        heard = [self._behind_head(n, tracks[n] + leaked * tracks[1 - n]) for n in range(_CHANNELS)]
        if model.mono:
            heard = [0.5 * (heard[0] + heard[1])] * _CHANNELS
        return [model.output_v_rms * one for one in (heard[::-1] if model.swapped else heard)]

    def _record(self, tracks: Sequence[FloatArray]) -> None:
        """Put the next frames, (frames,) each, on the tape."""
        for n, samples in enumerate(tracks):
            self._tapes[n].add(self._recorders[n].process(samples) if self._recorders else samples)

    def _replayed(self, since_s: FloatArray, turning: NDArray[np.bool_] | bool) -> list[FloatArray]:
        """Return what the head makes of the tape, (frames,) each."""
        model = self._model
        late = self._recorders[0].delay_frames if self._recorders else 0
        places = [self._tape_rate_hz * model.recorded_at_s(since_s) + late]
        # The delay between the tracks is one of the tape's own time: what comes later was recorded earlier.
        delay_s = model.track_delay_s(since_s)
        skewed = bool(np.any(delay_s))
        places.append(self._tape_rate_hz * model.recorded_at_s(since_s - delay_s) + late if skewed else places[0])
        if self._side is not None:
            self._read_on(int(max(np.max(one, initial=0.0) for one in places)) + TAPS)
        left, former = self._unbroken(since_s), self._former(since_s) + self._other_side(since_s)
        tracks = [np.where(turning, self._tapes[n].at(places[n]) + former, 0.0) for n in range(_CHANNELS)]
        return [
            left * self._losses[n].process(self._equalizers[n].process(self._slow[n].process(one)))
            for n, one in enumerate(tracks)
        ]

    def _read_on(self, end: int) -> None:
        """Put the file on the tape as far as it will be heard now."""
        while self._side is not None and self._tapes[0].end < end:
            part = self._side.part(self._read, _CHUNK)
            self._read += len(part)
            self._record([part[:, 0], part[:, 1]])

    def _former(self, since_s: FloatArray) -> FloatArray | float:
        """Return what is left of a recording that was there before."""
        model = self._model
        if model.erased_db is None or not model.records:
            return 0.0
        return self._toned(since_s, model.former_hz, -model.erased_db)

    def _other_side(self, since_s: FloatArray) -> FloatArray | float:
        """Return what comes through of the tape's other side."""
        model = self._model
        return 0.0 if model.other_side_db is None else self._toned(since_s, model.other_side_hz, model.other_side_db)

    def _toned(self, since_s: FloatArray, frequency_hz: float, level_db: float) -> FloatArray:
        """Return a tone that stands on the tape. level_db : re the reference level."""
        turns = np.remainder(frequency_hz * self._model.motion.gone_s(since_s), 1.0)
        return np.asarray(np.sqrt(2.0) * 10.0 ** (level_db / 20.0) * np.sin(2.0 * np.pi * turns))

    def _unbroken(self, since_s: FloatArray) -> FloatArray:
        """Return what drop-outs leave."""
        left = np.ones(len(since_s))
        heard_s = since_s - self._late / self._rate_hz
        for at_s, length_s in self._model.drop_outs:
            left[(heard_s >= at_s) & (heard_s < at_s + length_s)] = DROPPED
        return left

    def _behind_head(self, channel: int, samples: FloatArray) -> FloatArray:
        noisy = self._hiss[channel].added_to(samples)
        return self._expanders[channel].process(noisy) if self._expanders else noisy


@lru_cache(maxsize=8)
def _equalizer_taps(model: DeckModel, rate_hz: float) -> FloatArray:
    """Return the filter that makes up for what the sections of `DeckModel.network` leave open."""
    network = model.network()
    shape = dataclasses.replace(network, gain=1.0)
    return network.gain * completing_fir(shape.at, recursive_sections(shape, rate_hz), rate_hz)


@lru_cache(maxsize=8)
def _loss_taps(model: DeckModel, rate_hz: float) -> FloatArray:
    """Return the filter of `DeckModel.losses`: their cosine series, cut off by a window where it has died out."""
    from scipy.signal.windows import kaiser

    late = _loss_delay_frames(rate_hz)
    series = np.roll(irfft(model.losses(rfftfreq(_SERIES, 1.0 / rate_hz))), late)[: 2 * late + 1]
    return np.asarray(series * kaiser(len(series), _KAISER_BETA))


def _loss_delay_frames(rate_hz: float) -> int:
    return round(_HALF_S * rate_hz)
