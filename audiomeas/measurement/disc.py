"""Disc: a player measured by one long capture of a test disc, whose tracks are found by themselves."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Measurement, Option, PlayContext
from audiomeas.measurement.clock import CORRECTED
from audiomeas.measurement.disc_tracks import Clock, Search, clock_of, cut_out, find_tracks, lost_frames
from audiomeas.measurement.disc_values import FIGURES, JITTER, ChannelFigures, Read
from audiomeas.measurement.disc_views import CURVES, charts, tables
from audiomeas.measurement.listened import ONE_CHANNEL, silence_of, start_option
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import result_of
from audiomeas.measurement.trade_limits import MONO_DB, SWAPPED_DB

if TYPE_CHECKING:
    from audiomeas.analysis.timebase import TimeBase
    from audiomeas.measurement.disc_tracks import FoundTrack
    from audiomeas.measurement.media import Disc
    from audiomeas.measurement.result import Result
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Silence

_WORD = "disc"
#: Tracks of the disc by name: see `stimulus.disc`.
_ONE_AFTER_THE_OTHER, _JITTER_TONE = "left-right", "jitter-tone"


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> Silence:
    """Return the silence that is sent while a player plays: as long as the disc, and the time to start it."""
    disc = _disc_of(options)
    tracks_s = sum(track.length_s for track in disc.tracks)
    return silence_of(context, tracks_s + options["start_s"])


def _disc_of(options: Mapping[str, Any]) -> Disc:
    """Return the disc; read here where only its folder is known yet. Raises RequestError, FileProblem."""
    from audiomeas.measurement.media import read_disc

    given = options["disc"]
    if given is None:
        raise RequestError(
            "disc needs to know what is on the disc: give --disc FOLDER, as `audiomeas generate disc` wrote it"
        )
    return read_disc(Path(given)) if isinstance(given, str) else given


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError or FileProblem for what can't be told."""
    disc = _disc_of(options)
    highest_hz = max(track.stimulus.sample_rate_hz for track in disc.tracks)
    if context.sample_rate_hz < highest_hz:
        raise RequestError(f"the bench runs at {context.sample_rate_hz:g} Hz, the disc at {highest_hz:g} Hz: raise it")


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    disc = _disc_of(options)
    search = find_tracks(recording, disc)
    warnings = _search_words(search, disc)
    timed, said = _cut(search)
    warnings += said
    if not timed:
        raise SignalError(f"no track can be read: {warnings[-1]}")
    read: dict[str, Read] = {}
    for found, track, _ in timed:
        one, said = _read(track, found)
        warnings += [f"{_named(found)}: {words}" for words in said]
        if one is not None:
            read[found.track.name] = one
    clock = clock_of([(found, base) for found, _, base in timed])
    warnings += _channel_words(read.get(_ONE_AFTER_THE_OTHER))
    channels, said = [], []
    for column, channel in enumerate(recording.channels):
        figures = ChannelFigures(read, clock, column=column, channel=channel)
        channels.append(figures.result())
        said += [f"channel {channel}: {words}" for words in figures.words]
    return result_of(
        search.recording,
        _WORD,
        conditions=_conditions(search, disc, clock),
        channels=tuple(channels),
        warnings=(*warnings, *said),
    )


def _cut(search: Search) -> tuple[list[tuple[FoundTrack, Recording, TimeBase]], list[str]]:
    """Return the tracks that are whole, each on the clock that played it, and what is to be said of the others."""
    cut, words = [], []
    for found in search.tracks:
        try:
            cut.append((found, *cut_out(search, found)))
        except SignalError as error:
            words.append(f"{_named(found)}: {error}")
    lost = lost_frames([(found, base) for found, _, base in cut], search.recording.sample_rate_hz)
    words += [
        f"{_named(found)}: {_lost_words(frames)}"
        for (found, _, _), frames in zip(cut, lost, strict=True)
        if frames is not None
    ]
    return [one for one, frames in zip(cut, lost, strict=True) if frames is None], words


def _lost_words(frames: float) -> str:
    count = round(abs(frames))
    return (
        f"it is {count} frame{'' if count == 1 else 's'} {'shorter' if frames > 0.0 else 'longer'} than by the clock "
        "of the other tracks: samples were lost or repeated, or the disc skips there; it is not told, play it again"
    )


def _named(found: FoundTrack) -> str:
    return f"track {found.track.number} ({found.track.name})"


def _read(track: Recording, found: FoundTrack) -> tuple[Read | None, list[str]]:
    """Return what a track tells, by the measurement that it is for, and what is to be said; None: nothing."""
    word = found.track.measured_by
    if word == JITTER:
        return Read(recording=track, result=None), []
    try:
        measurement = find(word)
        result = measurement.analyse(track, complete(measurement, {}))
    except (SignalError, RequestError) as error:
        return None, [str(error)]
    return Read(recording=track, result=result), list(result.warnings)


def _search_words(search: Search, disc: Disc) -> list[str]:
    """Return what is to be said of what is missing, doubled or out of order."""
    there = [found.track.number for found in search.tracks]
    missing = [track for track in disc.tracks if track.number not in there]
    words = []
    if missing:
        lone = ", ".join(f"{at_s:.1f} s" for at_s in search.lone_s[:6])
        beside = f"; marks alone stand at {lone}" if lone else ""
        words.append(
            f"missing: {', '.join(f'track {track.number} ({track.name})' for track in missing)}: not in the capture, "
            f"or not whole{beside}"
        )
    if search.again:
        words.append(
            f"track {', '.join(map(str, search.again))} came more than once: the first of each is told; capture one "
            "play of the disc"
        )
    if there != sorted(there):
        words.append(f"the tracks came in the order {', '.join(map(str, there))}: was the player set to play in order?")
    if len(search.recording.channels) == 1:
        words.append("one channel was captured: separation and what the channels differ by are not told")
    return words


def _channel_words(read: Read | None) -> list[str]:
    """Return what is to be said of channels that are swapped, or one."""
    import numpy as np

    from audiomeas.recording import stimulus_slice
    from audiomeas.stimulus import StaggeredSweeps

    if read is None or len(read.recording.channels) != 2:
        return []
    recording, played = read.recording, read.recording.stimulus
    assert isinstance(played, StaggeredSweeps)
    ratios_db = []
    for channel in (1, 2):
        first = played.offset_frames(channel)
        part = recording.counts_fs[stimulus_slice(recording, first, first + played.sweep.frames)]
        levels = np.sqrt(np.mean(np.square(part), axis=0))
        if not np.all(levels > 0.0):
            return []
        ratios_db.append(20.0 * float(np.log10(levels[channel - 1] / levels[2 - channel])))
    if max(ratios_db) < -SWAPPED_DB:
        return ["the channels are swapped: left plays on channel 2; check the cables, the figures stand as captured"]
    if max(abs(ratio_db) for ratio_db in ratios_db) < MONO_DB:
        return [ONE_CHANNEL]
    return []


def _conditions(search: Search, disc: Disc, clock: Clock | None) -> dict[str, Any]:
    begins_s = {found.track.number: found.begins_s for found in search.tracks}
    return {
        "disc": disc.name,
        "tracks": [
            {
                "number": track.number,
                "name": track.name,
                "title": track.title,
                "measured_by": track.measured_by,
                "begins_s": begins_s.get(track.number),
            }
            for track in disc.tracks
        ],
        "missing_tracks": [track.number for track in disc.tracks if track.number not in begins_s],
        "clock": CORRECTED,
        "clock_course": [] if clock is None else [list(point) for point in clock.course],
        "zero_db": "the level of the track at 0 dB, 0.0005 dB below a full-scale sine",
        "separation": "crosstalk of sweeps, one channel after the other",
        "snr": "A-weighted, r.m.s., re 0 dB; of digital silence, and of one step held, which a mute doesn't flatter",
        "jitter": "lines in the phase of 11,025 Hz at -3 dB; of the player's clock against the card's",
        "uncertainty_covers": "noise, fit and scale; of clock and jitter not what the card's own clock adds",
    }


MEASUREMENT = Measurement(
    word=_WORD,
    summary="A CD player by one capture of a test disc: level, response, noise, linearity, clock, jitter, mute",
    example="disc --disc my-disc",
    options=(
        Option(
            name="disc",
            kind="disc",
            help="Folder of the disc, as `audiomeas generate disc` wrote it.",
            stage="analyse",
        ),
        start_option("player"),
    ),
    figures=FIGURES,
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    curves=CURVES,
    to_do="start the disc at its first track within {start_s:g} s, and let it play to its end",
    silent=True,
    always_listens=True,
    in_blocks=True,
)
