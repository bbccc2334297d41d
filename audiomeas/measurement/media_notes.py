"""What stands beside a disc's tracks for people and burning programs: the cue sheet, and what each track is for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from audiomeas.stimulus.disc import Track

_TITLE = "Test disc"
_HEAD = """\
Test disc, written by audiomeas: 44.1 kHz, 16 bit, stereo.

Burn it as an audio disc by its cue sheet, disc.cue, with any program that keeps the samples as they are (no level
adjustment, no fades). One track is flagged for pre-emphasis in the cue sheet: a player should switch its de-emphasis on
there. Play the disc from beginning to end, record the player's output in one go, and ask

  audiomeas analyze disc CAPTURE --disc THIS_FOLDER

A track alone, captured at 44.1 kHz, is read as any stimulus: audiomeas analyze response CAPTURE --stimulus 03-sweep.wav

Levels: 0 dB is a full-scale sine, less 0.0005 dB, which dither needs. Dither is triangular, 2 steps from end to end,
except where 'no dither' is said. Each track begins and ends with a short chirp at -12 dB: by them tracks are found and
the player's clock is told.

 No. length  track
"""
_TAIL = """
"One step held" and "Digital silence" belong together: a player that mutes is quieter in the second.
Keep the .json files beside the tracks: the analysis reads them.
"""


def cue_sheet(tracks: Sequence[tuple[str, Track]]) -> str:
    """Return the cue sheet of a disc: one file a track. tracks : file name and track, in order."""
    lines = [f'TITLE "{_TITLE}"']
    for number, (file, track) in enumerate(tracks, start=1):
        lines += [f'FILE "{file}" WAVE', f"  TRACK {number:02d} AUDIO", f'    TITLE "{track.title}"']
        lines += ["    FLAGS PRE"] if track.emphasis else []
        lines += ["    INDEX 01 00:00:00"]
    return "\n".join(lines) + "\n"


def level_notes(tracks: Sequence[tuple[str, Track]]) -> str:
    """Return what a person should know of a disc: how to use it, and what each track holds."""
    rows = []
    for number, (_, track) in enumerate(tracks, start=1):
        seconds = track.frames / track.stimulus.sample_rate_hz
        rows.append(f"  {number:2d} {seconds:5.1f} s  {track.title}{'' if track.dithered else ' (no dither)'}")
    return _HEAD + "\n".join(rows) + "\n" + _TAIL
