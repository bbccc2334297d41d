"""One side of a test tape: what is recorded on it, in order. Levels are relative to that of the tape's reference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from audiomeas.stimulus.disc import Track
from audiomeas.stimulus.tone_sequence import ToneSequence
from audiomeas.units import db_to_amplitude_ratio

#: Frequencies of speed tests: IEC 60386 has the first; some adjusters' tapes have the second.
SPEED_HZ = (3150.0, 3000.0)
#: Level and distortion are told at this frequency (IEC 60094-1, from memory).
_LEVEL_HZ = 315.0
#: From low to high, so that phase can be unwrapped where it turns more than once at the highest.
_AZIMUTH_HZ = (1000.0, 3000.0, 6000.0, 10_000.0)
_SPOT_HZ = (
    31.5, 40.0, 63.0, 80.0, 125.0, 200.0, _LEVEL_HZ, 500.0, 1000.0, 2000.0, 3150.0, 4000.0, 6300.0, 8000.0, 10_000.0,
    12_500.0, 14_000.0, 16_000.0,
)  # fmt: skip
#: Response is taken so far below the reference: tape is not yet full of treble there.
_RESPONSE_DB = -20.0
_STEPS_DB = (-20.0, -10.0, -5.0, 0.0, 2.0, 4.0, 6.0, 8.0)
#: A tone of its own on each channel tells what leaks both ways at once: no harmonic or third-order product of one or
#: both falls on the other.
_SEPARATION_HZ = (1000.0, 1260.0)
#: Once more, 10 dB quieter: what a noise reduction does to levels depends on them.
_TRACKING_HZ = (200.0, 1000.0, 3150.0, 6300.0, 10_000.0)
_TRACKING_DB = -30.0
#: Part of it is erased by the deck before the side is played.
_ERASED_HZ = 1000.0
#: So much louder than the reference the loudest part is.
HEADROOM_DB = max(_STEPS_DB)


@dataclass(frozen=True, kw_only=True)
class Part:
    """One part of a side. level_db : re the reference; None for silence.   other_hz : of the second channel, where it
    has a tone of its own.
    """

    name: str
    frequency_hz: float
    level_db: float | None
    duration_s: float
    other_hz: float | None = None

    def tones_hz(self, channels: int) -> tuple[float, ...]:
        """Return the tone of each channel."""
        first = (self.frequency_hz,) * channels
        return first if self.other_hz is None else (self.frequency_hz, self.other_hz)


def side_parts(speed_hz: float, channels: int = 2) -> tuple[Part, ...]:
    """Return the parts of a side, in order. channels : that are recorded."""
    one_hz, other_hz = _SEPARATION_HZ
    separation = Part(name="separation", frequency_hz=one_hz, other_hz=other_hz, level_db=0.0, duration_s=8.0)
    return (
        Part(name="level", frequency_hz=_LEVEL_HZ, level_db=0.0, duration_s=20.0),
        *(Part(name="azimuth", frequency_hz=hz, level_db=_RESPONSE_DB, duration_s=10.0) for hz in _AZIMUTH_HZ),
        Part(name="speed", frequency_hz=speed_hz, level_db=0.0, duration_s=60.0),
        *(Part(name="response", frequency_hz=hz, level_db=_RESPONSE_DB, duration_s=4.0) for hz in _SPOT_HZ),
        *(Part(name="steps", frequency_hz=_LEVEL_HZ, level_db=level_db, duration_s=4.0) for level_db in _STEPS_DB),
        *((separation,) if channels == len(_SEPARATION_HZ) else ()),
        *(Part(name="tracking", frequency_hz=hz, level_db=_TRACKING_DB, duration_s=3.0) for hz in _TRACKING_HZ),
        Part(name="silence", frequency_hz=_LEVEL_HZ, level_db=None, duration_s=30.0),
        Part(name="erased", frequency_hz=_ERASED_HZ, level_db=0.0, duration_s=40.0),
    )


def tape_side(*, level_v_rms: float, sample_rate_hz: float, speed_hz: float, driven_channels: tuple[int, ...]) -> Track:
    """Return a side as one track. level_v_rms : of its reference. Raises ValueError for what the rate can't carry."""
    parts = side_parts(speed_hz, len(driven_channels))
    levels = [0.0 if one.level_db is None else float(db_to_amplitude_ratio(one.level_db)) for one in parts]
    sequence = ToneSequence(
        frequencies_hz=tuple(one.tones_hz(len(driven_channels)) for one in parts),
        levels_v_rms=tuple(level_v_rms * level for level in levels),
        durations_s=tuple(one.duration_s for one in parts),
        sample_rate_hz=sample_rate_hz,
        driven_channels=driven_channels,
    )
    return Track(
        name="tape-side",
        title="Side of a test tape",
        stimulus=sequence,
        measured_by="",
        # At the level of the response: louder chirps would lose their treble on tape.
        marks_peak=level_v_rms * float(db_to_amplitude_ratio(_RESPONSE_DB)),
    )


def part_facts(track: Track, speed_hz: float) -> list[dict[str, Any]]:
    """Return what a side's sidecar says of its parts: where each one's steady middle lies, from the stimulus' first."""
    parts = side_parts(speed_hz, len(track.stimulus.driven_channels))
    return [
        {
            "name": part.name,
            "frequency_hz": part.frequency_hz,
            "level_db": part.level_db,
            **({} if part.other_hz is None else {"other_hz": part.other_hz}),
            "from_s": window.start / track.stimulus.sample_rate_hz,
            "to_s": window.stop / track.stimulus.sample_rate_hz,
        }
        for part, window in zip(parts, track.stimulus.windows(), strict=True)
    ]
