"""The states of a tuner's capture, each read by the measurement that it is for."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.distortion_steps import NO_THD
from audiomeas.measurement.options import complete
from audiomeas.measurement.pieces import cut_out
from audiomeas.measurement.played_bands import coupling_of
from audiomeas.measurement.registry import find
from audiomeas.measurement.tuner_states import RIGHT, Heard, State
from audiomeas.recording import Recording

if TYPE_CHECKING:
    from audiomeas.analysis.density import Density
    from audiomeas.analysis.separation import Coupling
    from audiomeas.measurement.result import ChannelResult, Result

#: A tuner's audio: noise is told in it, brick wall. Harmonics go up to just below the pilot: 6 kHz has its third there.
AUDIO_HZ, HARMONICS_HZ = (20.0, 15_000.0), 18_500.0
#: Longer states are read from their middle; of silence, which may end in another one, from its beginning.
_LONGEST_TONE_S, _LONGEST_SILENCE_S = 5.0, 10.0
#: What coupling capacitors leave of switching decays so long, and would pass for a click (0.5 Hz: e^-5); at most half
#: of a tone is left out for it.
_SETTLES_S = 1.5
#: What stands from the pilot on is so far down where noise is read.
_STOP_DB = 100.0
#: Pieces that tell whether noise stays the same, a step of it (dB), and what stays before one at least.
_PIECE_S, _STEP_DB, _LEAST_S = 0.25, 1.5, 1.5
#: A step stands out of the scatter of the pieces by so many standard deviations of its own.
_SURELY = 6.0


@dataclass(frozen=True, kw_only=True)
class Read:
    """A state that was read. begin_s, end_s : in the capture, as far as it was analysed.

    result : of the tone or of the noise; None: it can't be told.   coupling : of the tone in both channels.
    densities : by column, of silence.   plays : columns in which the programme is.   words : to be said of it.
    """

    state: State
    begin_s: float
    end_s: float
    result: Result | None = None
    coupling: Coupling | None = None
    densities: tuple[Density, ...] = ()
    plays: tuple[int, ...] = (0, 1)
    alone: int | None = None
    words: tuple[str, ...] = ()

    def channel(self, number: int) -> ChannelResult | None:
        """Return a channel's result; None where there is none."""
        rows = () if self.result is None else self.result.channels
        return next((one for one in rows if one.channel == number), None)


def read_state(recording: Recording, state: State, part: Heard) -> Read:
    """Return what a state's part of a capture tells.

    recording : with its samples, or on the disk; with the step between values that the whole of it has shown.
    """
    return _silence(recording, state, part) if part.band is None else _tone(recording, state, part)


def _tone(recording: Recording, state: State, part: Heard) -> Read:
    assert part.band is not None
    begin = part.start + min(round(_SETTLES_S * recording.sample_rate_hz), (part.stop - part.start) // 2)
    spare = max(0, part.stop - begin - round(_LONGEST_TONE_S * recording.sample_rate_hz))
    start, stop = begin + spare // 2, part.stop - (spare - spare // 2)
    plays: tuple[int, ...] = (0, 1)
    if part.band.alone is not None:
        plays = (part.band.alone,)
    elif state.stereo:  # mono, or nearly: as the leads ought to be
        plays = (int(state.kind == RIGHT),)
    piece = cut_out(recording, start, stop)
    numbers = [recording.channels[column] for column in plays]
    options = {"low_hz": AUDIO_HZ[0], "high_hz": AUDIO_HZ[1], "harmonic_limit_hz": HARMONICS_HZ}
    result, words = _analysed("distortion", piece, options)
    try:
        coupling = coupling_of(recording, part.band)
    except SignalError as error:
        coupling, words = None, (*words, str(error))
    return Read(
        state=state,
        begin_s=start / recording.sample_rate_hz,
        end_s=stop / recording.sample_rate_hz,
        result=result,
        coupling=coupling,
        plays=plays,
        alone=part.band.alone,
        words=tuple(line for line in words if not _is_no_news(line, numbers)),
    )


def _is_no_news(line: str, numbers: Sequence[int]) -> bool:
    """Return whether a warning is of a channel in which the programme is not, or of harmonics that no tuner lets by."""
    return NO_THD in line or (
        line.startswith("channel ") and not any(line.startswith(f"channel {number}:") for number in numbers)
    )


def _silence(recording: Recording, state: State, part: Heard) -> Read:
    from audiomeas.analysis.density import noise_density

    rate_hz = recording.sample_rate_hz
    stop = min(part.stop, part.start + round(_LONGEST_SILENCE_S * rate_hz))
    piece = cut_out(recording, part.start, stop)
    frames = _until_a_step(piece)
    piece = piece.window(0, frames)
    options = {"low_hz": AUDIO_HZ[0], "high_hz": AUDIO_HZ[1]}
    result, words = _analysed("noise", _without_pilot(piece), options)
    return Read(
        state=state,
        begin_s=part.start / rate_hz,
        end_s=(part.start + frames) / rate_hz,
        result=result,
        densities=tuple(
            density
            for column in range(len(piece.channels))
            for density in noise_density(piece.signal(column)[:, None], rate_hz)
        ),
        words=words,
    )


def _without_pilot(piece: Recording) -> Recording:
    """Return a piece behind a low-pass: a rest of the pilot would otherwise be taken for a tone that was left on.

    Flat to 15 kHz within 1e-5, linear phase (Kaiser 1974); the frames in which it fills are left out.
    """
    import numpy as np
    from scipy.signal import firwin, kaiserord, oaconvolve

    rate_hz = piece.sample_rate_hz
    taps, beta = kaiserord(_STOP_DB, (HARMONICS_HZ - AUDIO_HZ[1]) / (0.5 * rate_hz))
    low_pass = firwin(taps | 1, 0.5 * (AUDIO_HZ[1] + HARMONICS_HZ), window=("kaiser", beta), fs=rate_hz)
    filtered = oaconvolve(piece.counts_fs, low_pass[:, np.newaxis], mode="valid", axes=0)
    return dataclasses.replace(piece, counts_fs=filtered)


def _analysed(word: str, piece: Recording, options: Mapping[str, Any]) -> tuple[Result | None, tuple[str, ...]]:
    measurement = find(word)
    try:
        result = measurement.analyse(piece, complete(measurement, options))
    except (SignalError, RequestError) as error:
        return None, (str(error),)
    return result, result.warnings


def _until_a_step(piece: Recording) -> int:
    """Return how many frames there are before the noise steps: somebody went on to the next state in silence.

    The difference of neighbouring samples is looked at, in which an FM tuner's noise outweighs hum.
    """
    import numpy as np

    size, least = round(_PIECE_S * piece.sample_rate_hz), round(_LEAST_S / _PIECE_S)
    count = piece.frames // size
    if count < 2 * least:
        return piece.frames
    steep = np.diff(piece.counts_fs, axis=0, prepend=piece.counts_fs[:1])
    power = np.mean(np.square(steep[: count * size]).reshape(count, size * steep.shape[1]), axis=1)
    level_db = 10.0 * np.log10(np.maximum(power, 1e-30))
    before = np.cumsum(level_db)[:-1] / np.arange(1, count)
    after = (np.sum(level_db) - np.cumsum(level_db)[:-1]) / np.arange(count - 1, 0, -1)
    split = int(np.argmax(np.abs(after - before) * np.sqrt(np.arange(1, count) * np.arange(count - 1, 0, -1)))) + 1
    step_db = abs(float(after[split - 1] - before[split - 1]))
    scatter = float(np.sqrt((np.var(level_db[:split]) * split + np.var(level_db[split:]) * (count - split)) / count))
    if split < least or step_db < _STEP_DB or step_db < _SURELY * scatter / np.sqrt(min(split, count - split)):
        return piece.frames
    # The step stands somewhere in the piece before or behind the split.
    return max(least, split - 1) * size
