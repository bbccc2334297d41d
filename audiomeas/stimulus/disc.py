"""The tracks of test media, and those of a test disc: what each plays, its marks, and the samples that are written.

Levels are relative to a full-scale sine. Each track stands between two marks (the chirp of `stimulus.marker`), and the
distance of its marks is that of no other track: so a long capture tells which track is which, at any speed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

from audiomeas.stimulus.base import FloatArray, Stimulus
from audiomeas.stimulus.dither import triangular_dither
from audiomeas.stimulus.laid import Laid
from audiomeas.stimulus.marker import GAP_S, LEAD_S, MARKER_S, marker
from audiomeas.stimulus.shaped import ShapedSweep
from audiomeas.stimulus.sines import Silence, Sine, SteppedSines
from audiomeas.stimulus.staggered import StaggeredSweeps
from audiomeas.stimulus.sweep import Sweep
from audiomeas.stimulus.tone_silence import ToneAndSilence
from audiomeas.stimulus.tones import TwinTone
from audiomeas.units import SQRT2, db_to_amplitude_ratio

#: Rate, largest code and channels of the compact disc; a disc is made of sectors of so many frames, and a track has at
#: least four seconds of them (IEC 60908, from memory).
DISC_RATE_HZ = 44_100.0
LARGEST_CODE = 32_767
CHANNELS = 2
SECTOR_FRAMES = 588
_LEAST_TRACK_S = 4.0
#: Loudest level: two steps below the end, where dither would be cut off.
LOUDEST = 1.0 - 2.0 / LARGEST_CODE
#: Peak of the marks: clear in any noise, and quiet for any amplifier.
MARKS_PEAK = float(db_to_amplitude_ratio(-12.0))
#: Distances of two tracks' marks differ by this part at least: more than a speed that the marks have told can be off.
APART_PART = 0.02
_GAP_STEP_S = 0.05
#: After digital silence so much dither sounds before the mark: a circuit that mutes must let the mark through.
WAKE_S = 0.5
_RESPONSE_BAND_HZ = (20.0, 20_000.0)
_JITTER_TONE_PART = 0.25
#: The name of the curve as `measurement.response` has it, and its constants (IEC 60908).
EMPHASIS, _EMPHASIS_FALL_S, _EMPHASIS_RISE_S = "cd", 50e-6, 15e-6


@dataclass(frozen=True, kw_only=True)
class Track:
    """One track. name : short, of its file.   title : for people.   measured_by : word of what reads it.

    dithered : else digital silence, or a code that is held.   held_steps : that code.   emphasis : the disc's flag for
    pre-emphasis is set.   end_gap_s : between what is played and the mark behind it.   marks_peak : of the marks.
    """

    name: str
    title: str
    stimulus: Stimulus
    measured_by: str
    dithered: bool = True
    held_steps: int = 0
    emphasis: bool = False
    end_gap_s: float = GAP_S
    marks_peak: float = MARKS_PEAK

    @property
    def marks(self) -> tuple[int, int]:
        """Frames at which the marks begin, counted from the stimulus' first."""
        rate_hz = self.stimulus.sample_rate_hz
        before = -(round(MARKER_S * rate_hz) + round(GAP_S * rate_hz))
        return before, self.stimulus.frames + round(self.end_gap_s * rate_hz)

    @property
    def apart(self) -> int:
        """Frames from mark to mark."""
        before, after = self.marks
        return after - before

    @property
    def stimulus_start(self) -> int:
        """Frame of the file at which the stimulus begins."""
        return round(LEAD_S * self.stimulus.sample_rate_hz) - self.marks[0]

    @property
    def frames(self) -> int:
        """Length of the file: whole sectors, with silence behind the last mark."""
        rate_hz = self.stimulus.sample_rate_hz
        least = self.stimulus_start + self.marks[1] + round((MARKER_S + LEAD_S) * rate_hz)
        return math.ceil(max(least, _LEAST_TRACK_S * rate_hz) / SECTOR_FRAMES) * SECTOR_FRAMES


def disc_tracks() -> tuple[Track, ...]:
    """Return the tracks of the disc, in order."""
    placed: list[Track] = []
    for track in _tracks():
        placed.append(_told_apart(track, placed))
    return tuple(placed)


def _told_apart(track: Track, others: list[Track]) -> Track:
    """Return a track whose marks are as far apart as those of none before it."""
    while any(abs(track.apart / other.apart - 1.0) < APART_PART for other in others):
        track = replace(track, end_gap_s=track.end_gap_s + _GAP_STEP_S)
    return track


def _tracks() -> list[Track]:
    rate_hz = DISC_RATE_HZ

    def tone(frequency_hz: float, level: float, window_s: float = 4.0) -> Sine:
        return Sine.bin_centred(frequency_hz=frequency_hz, sample_rate_hz=rate_hz, window_s=window_s, level_v_rms=level)

    def steps(falls_db: tuple[float, ...], window_s: float) -> SteppedSines:
        levels = tuple((997.0, LOUDEST * float(db_to_amplitude_ratio(-fall_db))) for fall_db in falls_db)
        return SteppedSines.bin_centred(steps=levels, sample_rate_hz=rate_hz, window_s=window_s)

    low_hz, high_hz = _RESPONSE_BAND_HZ
    band = {"from_hz": low_hz, "to_hz": high_hz, "sample_rate_hz": rate_hz}
    quiet, very_quiet = (float(db_to_amplitude_ratio(level_db)) for level_db in (-3.0, -20.0))
    return [
        Track(name="tone-0db", title="997 Hz, 0 dB", stimulus=tone(997.0, LOUDEST), measured_by="distortion"),
        Track(name="tone-20db", title="997 Hz, -20 dB", stimulus=tone(997.0, very_quiet), measured_by="distortion"),
        Track(
            name="sweep",
            title="Sweep 20 Hz to 20 kHz, -3 dB",
            stimulus=Sweep.covering(level_v_rms=quiet, duration_s=6.0, **band),
            measured_by="response",
        ),
        Track(
            name="left-right",
            title="The sweep left, then right, -3 dB",
            stimulus=StaggeredSweeps.covering(level_v_rms=quiet, duration_s=4.0, **band),
            measured_by="crosstalk",
        ),
        Track(
            name="without-emphasis",
            title="Sweep, -20 dB, without emphasis",
            stimulus=Sweep.covering(level_v_rms=very_quiet, duration_s=6.0, **band),
            measured_by="response",
        ),
        Track(
            name="emphasis",
            title="Sweep, -20 dB at 1 kHz, with emphasis 50/15 us",
            stimulus=ShapedSweep.at_reference(
                shape=EMPHASIS,
                rises_s=(_EMPHASIS_FALL_S,),
                falls_s=(_EMPHASIS_RISE_S,),
                level_v_rms=very_quiet,
                duration_s=6.0,
                **band,
            ),
            measured_by="response",
            emphasis=True,
        ),
        Track(
            name="levels",
            title="997 Hz at 0, -1, -3, -6, -10, -20, -30, -40, -50, -60 dB",
            stimulus=steps((0.0, 1.0, 3.0, 6.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0), 1.0),
            measured_by="linearity",
        ),
        Track(
            name="linearity",
            title="997 Hz at -100, -90, -80, -70, -60, -40, -20, 0 dB",
            stimulus=steps((100.0, 90.0, 80.0, 70.0, 60.0, 40.0, 20.0, 0.0), 3.0),
            measured_by="linearity",
        ),
        Track(
            name="quiet-tone",
            title="997 Hz, -60 dB, then dither alone",
            stimulus=ToneAndSilence.bin_centred(
                frequency_hz=997.0,
                sample_rate_hz=rate_hz,
                window_s=4.0,
                idle_s=2.0,
                level_v_rms=LOUDEST * float(db_to_amplitude_ratio(-60.0)),
            ),
            measured_by="dynamic-range",
        ),
        Track(
            name="held-step",
            title="One step held: no signal, and no digital silence",
            stimulus=Silence(duration_s=6.0, sample_rate_hz=rate_hz),
            measured_by="noise",
            dithered=False,
            held_steps=1,
        ),
        Track(
            name="silence",
            title="Digital silence",
            stimulus=Silence(duration_s=8.0, sample_rate_hz=rate_hz),
            measured_by="noise",
            dithered=False,
            end_gap_s=GAP_S + WAKE_S,
        ),
        Track(
            name="jitter-tone",
            title="11,025 Hz, -3 dB",
            stimulus=tone(_JITTER_TONE_PART * rate_hz, quiet, 8.0),
            measured_by="jitter",
        ),
        Track(
            name="twin-tone",
            title="19 and 20 kHz, -1 dB together",
            stimulus=TwinTone.bin_centred(
                low_hz=19_000.0,
                high_hz=20_000.0,
                ratio=1.0,
                window_s=3.0,
                sample_rate_hz=rate_hz,
                level_v_rms=float(db_to_amplitude_ratio(-1.0)),
            ),
            measured_by="intermodulation",
        ),
    ]


@dataclass(frozen=True, kw_only=True)
class TrackSamples:
    """A track's samples before they are rounded, any span of them.

    number : of the track; its dither is other than that of the others.   largest_code : full scale, in steps.
    dithered : False: a track that could have dither has none.
    """

    track: Track
    number: int
    largest_code: float = LARGEST_CODE
    dithered: bool = True

    @cached_property
    def _laid(self) -> Laid:
        track = self.track
        return Laid(
            stimulus=track.stimulus,
            full_scale_v=SQRT2,
            start=track.stimulus_start,
            frames=track.frames,
            channels=CHANNELS,
            chirp=marker(track.stimulus.sample_rate_hz, peak=track.marks_peak),
            marks=[track.stimulus_start + place for place in track.marks],
            marked=range(1, CHANNELS + 1),
        )

    def part_fs(self, span: range) -> FloatArray:
        """Return a span of them, (frames, 2), in fractions of full scale."""
        samples = self._laid.part_fs(span)
        if self.dithered or not self.track.dithered:
            samples += self._added_steps(span) / self.largest_code
        return samples

    def _added_steps(self, span: range) -> FloatArray:
        """Return what is added, (frames, 2), in steps: dither, or what stands for it in an undithered track."""
        track = self.track
        steps = triangular_dither(track.frames, CHANNELS, series=self.number, span=span)
        if not track.dithered:
            wake = track.stimulus_start + track.marks[1] - round(WAKE_S * track.stimulus.sample_rate_hz)
            held = wake if track.held_steps == 0 else track.frames
            steps[: max(0, held - span.start)] = track.held_steps
        return steps
