"""A simulated disc player: it plays the tracks of a folder by its cue sheet, by its own clock, and ignores the card.

What its converter does is known in closed form, in parts of full scale; x is what stands on the disc:

    y = ⌊x·2^(b−1)⌋ / 2^(b−1)            a converter of b bits that cuts the rest off (it lies half a step low)
    y = x + (e/2)·sgn(x)                 its largest bit is wrong by e: a step at the middle
    y = y + a₃·y³                        for A·cos ωt: fundamental A + ¾·a₃·A³, third harmonic ¼·a₃·A³
    t → t + J·sin(2πrt)                  jitter: sidebands J₁(β)/J₀(β), β = 2πfJ
    channel 2 comes late by d            11.34 µs where one converter serves both
    H(f) = (1 + j2πf·15 µs) / (1 + j2πf·50 µs)     de-emphasis, on flagged tracks (IEC 60908)

What it mutes in digital silence it mutes behind its noise and hum, and lets pass again at the first code that is not
zero.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from audiomeas.errors import FileProblem
from audiomeas.files import read_text
from audiomeas.simulation.between import TAPS, between
from audiomeas.simulation.filters import AnalogNetwork
from audiomeas.simulation.wav import read_wav, require_medium
from audiomeas.tomlfile import Table

FloatArray = NDArray[np.float64]

DISC_RATE_HZ = 44_100.0
LARGEST_CODE = 32_767
_CHANNELS = 2
#: IEC 60908: 50 and 15 µs.
_DE_EMPHASIS = AnalogNetwork(high_cuts_hz=(1.0 / (2.0 * np.pi * 50e-6),), zeros_hz=(1.0 / (2.0 * np.pi * 15e-6),))


@dataclass(frozen=True, kw_only=True)
class PlayerModel:
    """A player (see the module). disc : folder with `disc.cue`.   v_rms_at_full_scale : of a sine at full scale.

    begins_s : when the disc begins, from the beginning of a stream.   speed_ppm : by how much its clock runs fast.
    bits : of its converter.   middle_step_error : e, in parts of full scale.   third_order : a₃.
    interchannel_delay_s : d.   jitter_rate_hz, jitter_peak_s : r and J.   de_emphasis : it has one.
    mute_after_s : of digital silence; None: it has none.   muted_db : what is left of its output then.
    skipped_tracks : numbers of tracks that it does not play.
    """

    disc: Path
    v_rms_at_full_scale: float = 2.0
    begins_s: float = 1.0
    speed_ppm: float = 0.0
    bits: int = 16
    middle_step_error: float = 0.0
    third_order: float = 0.0
    interchannel_delay_s: float = 0.0
    jitter_rate_hz: float = 100.0
    jitter_peak_s: float = 0.0
    de_emphasis: bool = True
    mute_after_s: float | None = None
    muted_db: float = -40.0
    skipped_tracks: tuple[int, ...] = ()


def read_player(table: Table | None) -> PlayerModel | None:
    """Take a unit's [player] table; a relative `disc` starts in the current folder. Raises TomlProblem."""
    if table is None:
        return None
    values: dict[str, Any] = {
        "disc": Path(table.text("disc")),
        "v_rms_at_full_scale": table.number("v_rms_at_full_scale", 2.0, above=0.0, at_most=20.0),
        "begins_s": table.number("begins_s", 1.0, at_least=0.0, at_most=60.0),
        "speed_ppm": table.number("speed_ppm", 0.0, at_least=-50_000.0, at_most=50_000.0),
        "bits": table.integer("bits", 16, at_least=8, at_most=16),
        "middle_step_error": table.number("middle_step_error", 0.0, at_least=-0.1, at_most=0.1),
        "third_order": table.number("third_order", 0.0, at_least=-0.1, at_most=0.1),
        "interchannel_delay_s": table.number("interchannel_delay_s", 0.0, at_least=-1e-3, at_most=1e-3),
        "jitter_rate_hz": table.number("jitter_rate_hz", 100.0, above=0.0, at_most=10_000.0),
        "jitter_peak_s": table.number("jitter_peak_s", 0.0, at_least=0.0, at_most=1e-6),
        "de_emphasis": table.truth("de_emphasis", True),
        "mute_after_s": table.number("mute_after_s", None, at_least=0.0, at_most=60.0),
        "muted_db": table.number("muted_db", -40.0, at_least=-200.0, at_most=0.0),
        "skipped_tracks": tuple(int(number) for number in table.numbers("skipped_tracks", ())),
    }
    table.finish()
    return PlayerModel(**values)


@dataclass(frozen=True, kw_only=True)
class DiscAudio:
    """What is on a disc. codes : one array of (frames, 2) a track.   emphasis : which tracks are flagged."""

    codes: tuple[NDArray[np.int16], ...]
    emphasis: tuple[bool, ...]


def read_disc_audio(folder: Path) -> DiscAudio:
    """Read a disc's tracks as its cue sheet lists them. Raises FileProblem."""
    require_medium(folder, "player", "generate disc")
    sheet = folder / "disc.cue"
    parts = re.split(r"^FILE ", read_text(sheet), flags=re.MULTILINE)[1:]
    if not parts:
        raise FileProblem(f"{sheet} lists no tracks: give the folder of a disc")
    codes = []
    for part in parts:
        name = re.match(r'"([^"]+)" WAVE', part)
        if name is None:
            raise FileProblem(f'{sheet} names a file in a way that is not known: write FILE "name.wav" WAVE')
        path = folder / name.group(1)
        rate_hz, samples = read_wav(path)
        if rate_hz != DISC_RATE_HZ or samples.dtype != np.int16 or samples.shape[1] != _CHANNELS:
            raise FileProblem(f"{path} is no track of a disc: 44.1 kHz, 16 bit, two channels are needed")
        codes.append(samples.astype(np.int16, copy=False))
    return DiscAudio(codes=tuple(codes), emphasis=tuple("FLAGS PRE" in part for part in parts))


class Player:
    """What a player puts out over the time of a stream, in volts, at any rate of the card."""

    def __init__(self, model: PlayerModel, disc: DiscAudio, true_rate_hz: float) -> None:
        self._model, self._rate_hz, self._position = model, true_rate_hz, 0
        played = [n for n in range(len(disc.codes)) if n + 1 not in model.skipped_tracks]
        parts = [converted(disc.codes[n], model, emphasis=disc.emphasis[n]) for n in played]
        edge = np.zeros((TAPS, _CHANNELS))
        self._fractions = np.ascontiguousarray(np.concatenate([edge, *parts, edge]).T)
        self._muted = _muted([disc.codes[n] for n in played], model)

    def _places(self, frames: int) -> FloatArray:
        """Return where on the disc the next frames stand, in the disc's samples."""
        model = self._model
        time_s = (self._position + np.arange(frames)) / self._rate_hz - model.begins_s
        if model.jitter_peak_s:
            turns = np.remainder(time_s * model.jitter_rate_hz, 1.0)
            time_s = time_s + model.jitter_peak_s * np.sin(2.0 * np.pi * turns)
        return np.asarray(time_s * (DISC_RATE_HZ * (1.0 + 1e-6 * model.speed_ppm)))

    def volts(self, frames: int) -> list[FloatArray]:
        """Return the next frames of both channels, (frames,) each, before what the unit adds."""
        places = self._places(frames)
        late = self._model.interchannel_delay_s * DISC_RATE_HZ
        peak_v = self._model.v_rms_at_full_scale * np.sqrt(2.0)
        return [
            peak_v * between(samples, places - late * channel + TAPS) for channel, samples in enumerate(self._fractions)
        ]

    def through(self, outputs: Sequence[FloatArray]) -> list[FloatArray]:
        """Return the unit's outputs behind the mute; call it after `volts`, for the same frames."""
        frames = len(outputs[0])
        if self._muted is None:
            self._position += frames
            return list(outputs)
        places = np.floor(self._places(frames)).astype(np.int64)
        self._position += frames
        inside = (places >= 0) & (places < len(self._muted))
        muted = np.zeros(frames, dtype=np.bool_)
        muted[inside] = self._muted[places[inside]]
        left = 10.0 ** (self._model.muted_db / 20.0)
        return [np.where(muted, left * output, output) for output in outputs]


def converted(codes: NDArray[np.int16], model: PlayerModel, *, emphasis: bool) -> FloatArray:
    """Return what a player's converter makes of a track, (frames, 2), in fractions of full scale."""
    fractions = codes.astype(np.float64)
    if model.bits < 16:
        step = 2.0 ** (16 - model.bits)
        fractions = np.floor(fractions / step) * step
    fractions /= LARGEST_CODE
    if model.middle_step_error:
        fractions += 0.5 * model.middle_step_error * np.sign(fractions)
    if model.third_order:
        fractions += model.third_order * fractions**3
    if emphasis and model.de_emphasis:
        points = next_fast_len(len(fractions) + 4096, real=True)
        gain = _DE_EMPHASIS.at(rfftfreq(points, 1.0 / DISC_RATE_HZ))
        fractions = irfft(rfft(fractions, points, axis=0) * gain[:, np.newaxis], points, axis=0)[: len(codes)]
    return np.asarray(fractions, dtype=np.float64)


def _muted(tracks: Sequence[NDArray[np.int16]], model: PlayerModel) -> NDArray[np.bool_] | None:
    """Return in which of the disc's samples the player is muted; None when it never is."""
    if model.mute_after_s is None:
        return None
    silent = np.concatenate([~np.any(codes, axis=1) for codes in tracks])
    last_sound = np.maximum.accumulate(np.where(silent, -1, np.arange(len(silent))))
    return np.asarray(silent & (np.arange(len(silent)) - last_sound > model.mute_after_s * DISC_RATE_HZ))
