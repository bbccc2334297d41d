"""What a soak plays: a tone, pink noise, or a person's music, each at a level that rises and falls by glides.

One form for the three, so that whoever runs the soak needs not know which it is.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import RequestError
from audiomeas.measurement.soak_lines import sound_words
from audiomeas.measurement.soak_music import Music, MusicFacts, music_facts
from audiomeas.stimulus.endless import EndlessProgramme, Repeated
from audiomeas.stimulus.live_tone import LiveTone, Wish
from audiomeas.stimulus.pink_noise import CREST_DB_LIMITS, USUAL_CREST_DB, PinkNoise
from audiomeas.units import SQRT2, amplitude_ratio_to_db, db_to_amplitude_ratio

Kind = Literal["tone", "pink noise", "music"]
USUAL_HZ = 1000.0
#: The same noise each time.
_SEED = 20_261_126
#: A tone that seconds are read of: whole hertz, so that a second holds whole periods, and with room for harmonics.
_TONE_LIMITS_HZ = (20.0, 10_000.0)


@dataclass(frozen=True, kw_only=True)
class SoakSound:
    """What is to be played. crest_db : of pink noise.  music : of a file that was gone through (`sound_of_file`)."""

    kind: Kind = "tone"
    frequency_hz: float = USUAL_HZ
    crest_db: float = USUAL_CREST_DB
    music: MusicFacts | None = None

    def __post_init__(self) -> None:
        least_hz, most_hz = _TONE_LIMITS_HZ
        if not (least_hz <= self.frequency_hz <= most_hz and float(self.frequency_hz).is_integer()):
            raise RequestError(
                f"a soak's tone has a whole number of hertz from {least_hz:g} to {most_hz:g}, not {self.frequency_hz:g}"
            )

        least_db, most_db = CREST_DB_LIMITS
        if not least_db <= self.crest_db <= most_db:
            raise RequestError(f"crest_db of {self.crest_db:g}: pink noise has {least_db:g} to {most_db:g} dB")

    @property
    def is_tone(self) -> bool:
        """It is a tone: then the capture needs no source to be held against."""
        return self.kind == "tone"

    @property
    def crest(self) -> float:
        """Peak over r.m.s."""
        if self.is_tone:
            return SQRT2
        return db_to_amplitude_ratio(self.crest_db) if self.music is None else self.music.crest

    def facts(self) -> dict[str, Any]:
        """Return what a log and a result keep of it."""
        told: dict[str, Any] = {"kind": self.kind, "crest_factor_db": amplitude_ratio_to_db(self.crest)}
        if self.is_tone:
            told["frequency_hz"] = self.frequency_hz
        if self.music is not None:
            told |= {
                "file": self.music.path.name,
                "sha256": self.music.sha256,
                "file_rate_hz": self.music.file_rate_hz,
                "loop_s": self.music.loop_s,
            }
        return told

    def words(self) -> str:
        """Return it in a few words."""
        return sound_words(self.facts())


def sound_of_file(path: Path, sample_rate_hz: float) -> SoakSound:
    """Return the sound of a music file, which is gone through once. Raises FileProblem, RequestError."""
    return SoakSound(kind="music", music=music_facts(path, sample_rate_hz))


@dataclass
class PlayedSound:
    """A sound that plays, in volts. `block_v` is called from the audio thread, the rest from the caller's."""

    tone: LiveTone | None = None
    programme: EndlessProgramme | None = None
    music: Music | None = None
    driven: tuple[int, ...] = field(default=())

    def block_v(self, frames: int) -> NDArray[np.float64]:
        """Return the next frames, (frames, output channels)."""
        if self.tone is not None:
            return self.tone.block_v(frames)
        assert self.programme is not None
        return self.programme.block_v(frames)

    def sound(self, on: bool) -> None:
        """Rise to the level, or fall to silence, by glides."""
        if self.tone is not None:
            self.tone.wish = replace(self.tone.wish, sounding=self.driven if on else ())
        elif self.programme is not None:
            self.programme.sounding = on

    @property
    def steady_from(self) -> int:
        """The frame since which nothing changes."""
        playing = self.tone or self.programme
        assert playing is not None
        return playing.steady_from

    @property
    def starved(self) -> int:
        """How often the level fell for want of samples."""
        return 0 if self.programme is None else self.programme.starved

    @property
    def failure(self) -> Exception | None:
        """What reading the file failed by."""
        return None if self.music is None else self.music.failure


@lru_cache(maxsize=1)
def _noise(sample_rate_hz: float, crest_db: float) -> PinkNoise:
    """Return the noise of a soak, one for all its streams: a period of each stream's own would let memory grow."""
    return PinkNoise(sample_rate_hz=sample_rate_hz, seed=_SEED, crest_db=crest_db)


@contextmanager
def playing(
    sound: SoakSound,
    *,
    level_v_rms: float,
    sample_rate_hz: float,
    channels: int,
    driven: tuple[int, ...],
    waits: bool,
) -> Iterator[PlayedSound]:
    """Make a sound ready to play, silent. channels : of the interface.  waits : no card waits for its samples."""
    if sound.is_tone:
        wish = Wish(frequency_hz=sound.frequency_hz, level_v_rms=level_v_rms)
        yield PlayedSound(tone=LiveTone(wish, sample_rate_hz=sample_rate_hz, channels=channels), driven=driven)
        return
    fixed: dict[str, Any] = {
        "level_v_rms": level_v_rms,
        "sample_rate_hz": sample_rate_hz,
        "channels": channels,
        "driven": driven,
    }
    if sound.music is None:
        noise = _noise(sample_rate_hz, sound.crest_db)
        yield PlayedSound(programme=EndlessProgramme(Repeated(noise.period), **fixed), driven=driven)
        return
    with Music(sound.music, sample_rate_hz) as music:
        music.waits = waits
        yield PlayedSound(programme=EndlessProgramme(music, **fixed), music=music, driven=driven)
