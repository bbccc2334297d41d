"""Test media as files: the folder of a disc's tracks, the file of a tape's side; and such a folder read back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import read_json, refuse_full_disk, translated, write_new_text
from audiomeas.interface.protocol import CARRIER_DTYPE, SampleFormat
from audiomeas.interface.transport import FULL_SCALE_CODE
from audiomeas.measurement.generated import DITHERED, described, write_played
from audiomeas.measurement.media_notes import cue_sheet, level_notes
from audiomeas.recording import check_facts, markers_from
from audiomeas.stimulus import Stimulus, read_stimulus

if TYPE_CHECKING:
    from audiomeas.measurement.session import Progress
    from audiomeas.stimulus.disc import Track

_DISC_FORMAT: SampleFormat = "int16"
#: Key of a sidecar's conditions that holds what a track of a disc is.
_TRACK = "disc_track"
#: … and the one that lists the parts of a tape's side.
TAPE_SIDE = "tape_side"


@dataclass(frozen=True, kw_only=True)
class PlayedTrack:
    """A track as its sidecar tells it. number : on the disc.   markers : frames of the marks from the stimulus' first.

    length_s : of its file.   The rest as in `stimulus.disc.Track`.
    """

    number: int
    name: str
    title: str
    measured_by: str
    emphasis: bool
    stimulus: Stimulus
    markers: tuple[int, int]
    length_s: float

    @property
    def apart_s(self) -> float:
        """Seconds from mark to mark."""
        return (self.markers[1] - self.markers[0]) / self.stimulus.sample_rate_hz


@dataclass(frozen=True, kw_only=True)
class Disc:
    """The tracks of a disc, in order. name : of its folder."""

    name: str
    tracks: tuple[PlayedTrack, ...]


def generate_disc(folder: Path | str) -> Path:
    """Write the tracks of a test disc into a new folder; what `audiomeas generate disc` does.

    WAV, 44.1 kHz, 16 bit with triangular dither, each with its sidecar; a cue sheet `disc.cue`, and README.txt.
    Raises FileProblem: the folder is there already (it is never written into), disk full.
    """
    from audiomeas.stimulus.disc import disc_tracks

    path = Path(folder)
    with translated(path, "write"):
        path.mkdir()
    refuse_full_disk(path)
    files = []
    for number, track in enumerate(disc_tracks(), start=1):
        files.append(f"{number:02d}-{track.name}.wav")
        about = {"number": number, "name": track.name, "title": track.title, "measured_by": track.measured_by}
        conditions = {
            "purpose": "track of a test disc",
            _TRACK: {
                **about,
                "emphasis": track.emphasis,
                "held_steps": track.held_steps,
                "length_s": track.frames / track.stimulus.sample_rate_hz,
            },
        }
        _write(path / files[-1], track, number, _DISC_FORMAT, conditions, dither=track.dithered)
    titles = [(file, track) for file, track in zip(files, disc_tracks(), strict=True)]
    write_new_text(path / "disc.cue", cue_sheet(titles))
    write_new_text(path / "README.txt", level_notes(titles))
    return path


def generate_tape_side(
    file: Path | str,
    *,
    level_v_rms: float,
    sample_rate_hz: float = 48_000.0,
    speed_hz: float = 3150.0,
    v_rms_at_full_scale: float | None = None,
    sample_format: SampleFormat = "int24",
    dither: bool = False,
    channels: tuple[int, ...] = (1, 2),
    progress: Progress | None = None,
) -> Path:
    """Write one side of a test tape as one file with its sidecar; what `audiomeas generate tape-side` does.

    level_v_rms : of the tape's reference level, in volts, or relative to a full-scale sine without
    v_rms_at_full_scale.   speed_hz : of the tone for speed and flutter.
    Raises RequestError (beyond full scale, a rate too low), FileProblem (never overwrites).
    """
    from audiomeas.stimulus.tape_side import HEADROOM_DB, part_facts, tape_side

    if sample_format not in CARRIER_DTYPE or (dither and sample_format == "float32"):
        raise RequestError(f"a side can't be written as {sample_format}{' with dither' if dither else ''}")
    scale = v_rms_at_full_scale or 1.0
    try:
        track = tape_side(
            level_v_rms=level_v_rms / scale,
            sample_rate_hz=sample_rate_hz,
            speed_hz=speed_hz,
            driven_channels=channels,
        )
    except ValueError as error:
        raise RequestError(str(error)) from None
    if track.stimulus.level_v_rms > 1.0:
        raise RequestError(
            f"the loudest part of a side lies {HEADROOM_DB:g} dB above its reference, which is beyond full scale here: "
            "lower the level"
        )
    path = Path(file)
    conditions = {"purpose": "side of a test tape", TAPE_SIDE: part_facts(track, speed_hz)}
    _write(path, track, 0, sample_format, conditions, dither=dither, scale=v_rms_at_full_scale, progress=progress)
    return path


def _write(
    path: Path,
    track: Track,
    number: int,
    sample_format: SampleFormat,
    conditions: Mapping[str, Any],
    *,
    dither: bool,
    scale: float | None = None,
    progress: Progress | None = None,
) -> None:
    from audiomeas.stimulus.disc import CHANNELS, TrackSamples

    samples = TrackSamples(track=track, number=number, largest_code=FULL_SCALE_CODE[sample_format], dithered=dither)
    recording = described(
        track.stimulus,
        channels=CHANNELS,
        v_rms_at_full_scale=scale,
        stimulus_start=track.stimulus_start,
        stimulus_in_volts=False,
        markers=track.marks,
        conditions={**conditions, **(DITHERED if dither else {})},
    )
    write_played(path, samples.part_fs, track.frames, sample_format, recording, progress=progress)


def read_disc(folder: Path) -> Disc:
    """Read what the sidecars of a disc's folder say; no sound is read. Raises FileProblem."""
    if not folder.is_dir():
        raise FileProblem(f"{folder} is no folder: give that of a disc, which `audiomeas generate disc` wrote")
    with translated(folder, "read"):
        sidecars = sorted(one for one in folder.iterdir() if one.name.endswith(".wav.json"))
    found = [track for one in sidecars if (track := _read_track(one)) is not None]
    if not found:
        raise FileProblem(f"{folder} holds no tracks of a disc: give a folder that `audiomeas generate disc` wrote")
    numbers = [track.number for track in found]
    if len(set(numbers)) < len(numbers):
        raise FileProblem(f"{folder} holds two tracks of one number: give a folder that holds one disc")
    return Disc(name=folder.name, tracks=tuple(sorted(found, key=lambda track: track.number)))


def _read_track(sidecar: Path) -> PlayedTrack | None:
    """Return the track of a sidecar; None when it is of something else. Raises FileProblem."""
    facts = read_json(sidecar)
    about = facts.get("conditions", {}).get(_TRACK) if isinstance(facts, dict) else None
    if about is None:
        return None
    check_facts(facts, sidecar)
    try:
        markers = markers_from(facts["markers"])
        if markers is None:
            raise ValueError("a track has its marks")
        return PlayedTrack(
            number=int(about["number"]),
            name=str(about["name"]),
            title=str(about["title"]),
            measured_by=str(about["measured_by"]),
            emphasis=bool(about["emphasis"]),
            stimulus=read_stimulus(facts["stimulus"], where=str(sidecar)),
            markers=markers,
            length_s=float(about["length_s"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise FileProblem(f"{sidecar} is damaged: {error}") from None
