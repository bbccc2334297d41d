"""Whether a capture can be trusted: judged from its samples and from what the driver said. Nothing else is analysed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.alignment import find
from audiomeas.analysis.continuity import SHORTEST_GAP_FRAMES, longest_zero_run, tone_breaks
from audiomeas.errors import CaptureError
from audiomeas.interface.listening import sample_blocks
from audiomeas.interface.transport import Capture, at_end_code, flags_within
from audiomeas.stimulus import StaggeredSweeps, Stimulus
from audiomeas.stimulus.marker import Playlist, marker

#: Float converters deliver values of about one; values far beyond are memory that nobody wrote.
_BELIEVABLE_FS = 16.0
#: Markers stand where they were put to this part of a frame, when nothing was lost between them.
_SPACING_FRAMES = 0.5
#: A channel has fallen silent when less than this part of its first marker's energy comes where its last one belongs.
_SILENT_ENERGY = 0.1
#: It was heard while it was louder than this part of its peak.
_HEARD_PART = 0.1
#: Of sweeps in turn, each one that comes back at least so loud beside an output's loudest is looked at for gaps: what
#: leaks is quiet enough for zeros of its own.
_HEARD_IN_TURN = 0.3
#: Similarity above which it is a marker, as no chance makes it of thousands of frames; and the part of another one's
#: similarity below which a marker is not whole: a block of 512 of its 5760 frames takes away a tenth.
_SURELY_IT, _WHOLE = 0.5, 0.95


class RepeatableCaptureError(CaptureError):
    """A capture that can't be trusted for a reason that may be gone at the next try (a dropout, a late block)."""


class NothingCameBackError(CaptureError):
    """A capture without anything of what was played: nothing is connected, or a relay has opened."""


class FellSilentError(NothingCameBackError):
    """A capture in which a channel fell silent for good: something opened, and the level that did it isn't repeated."""


@dataclass(frozen=True, kw_only=True)
class Aligned:
    """Where the stimulus stands in a capture. latency_frames : between play and capture, to a fraction.

    polarity : channel → +1 or −1 by the marker.  marker_gain : channel → ratio of captured to played marker (in
    fractions of full scale).  silent : channels on which no marker arrived.
    """

    stimulus_start: int
    latency_frames: float
    polarity: dict[int, int]
    marker_gain: dict[int, float]
    silent: tuple[int, ...]
    notes: tuple[str, ...] = ()


def refuse_nonsense(capture: Capture, fractions: NDArray[np.float64]) -> None:
    """Raise CaptureError for buffers that hold no sound: NaN, infinities, memory that nobody wrote.

    fractions : of the capture, or of a part of it.
    """
    if not np.all(np.isfinite(fractions)):
        raise RepeatableCaptureError(
            f"{capture.identity.name} delivered values that are no numbers (NaN): the capture is refused; use the "
            "device's own rate and a hardware device rather than a converting one"
        )
    if fractions.size and float(np.max(np.abs(fractions))) > _BELIEVABLE_FS:
        raise RepeatableCaptureError(
            f"{capture.identity.name} delivered values far beyond full scale (unwritten memory): the capture is refused"
        )


def over_range_frames(capture: Capture, channels: tuple[int, ...]) -> tuple[int, ...]:
    """Return, per channel, in how many frames two samples in a row stand at an end code."""
    counts = np.zeros(capture.samples.shape[1], dtype=np.int64)
    counted = np.zeros(capture.samples.shape[1], dtype=np.bool_)
    for number, block in enumerate(sample_blocks(capture.samples, overlap=1)):
        pairs = at_end_code(block, capture.form.sample_format)
        seam = 1 if number else 0  # its first frame was the last one of the block before, alone at its end or not
        counts += np.count_nonzero(pairs[seam:], axis=0)
        if seam:
            counts += pairs[0] & ~counted
        counted = pairs[-1]
    return tuple(int(counts[channel - 1]) for channel in channels)


def refuse_over_range(capture: Capture, channels: tuple[int, ...]) -> None:
    """Raise CaptureError when two samples in a row stand at an end code."""
    for channel, count in zip(channels, over_range_frames(capture, channels), strict=True):
        if count:
            raise CaptureError(
                f"input {channel} was over-range in {count} of {len(capture.samples)} frames: set the attenuator to a "
                "higher range (and enter it in the bench file), or lower the level"
            )


def align(
    capture: Capture,
    fractions: NDArray[np.float64],
    playlist: Playlist,
    channels: tuple[int, ...],
    *,
    end_may_be_silent: bool = False,
) -> Aligned:
    """Find the markers on each driven channel and where the stimulus begins.

    end_may_be_silent : a person may have turned the unit down by then: a last marker that is not heard proves nothing.

    Raises NothingCameBackError when no marker arrived at all, FellSilentError when a channel lost its sound on the way,
    RepeatableCaptureError when the first alone did not arrive, or frames were lost between the markers.
    """
    rate_hz = capture.form.sample_rate_hz
    chirp = marker(rate_hz)
    found = {}
    silent = []
    for channel in channels:
        # The first marker can stand anywhere between 'at once' and the end of the tail: search up to the last one.
        head = fractions[: max(playlist.last_marker - len(chirp) // 2, len(chirp)), channel - 1]
        first = find(head, chirp)
        if first.certain and first.frame >= playlist.first_marker - 1:
            found[channel] = first
        else:
            silent.append(channel)
    if not found:
        _refuse_without_beginning(fractions, channels, chirp, playlist)
        raise NothingCameBackError(
            f"nothing of what was played came back on channel {' or '.join(map(str, channels))}: check power, cables, "
            "input selector, volume, tape monitor and load (and that the loop is not muted)"
        )
    best = max(found, key=lambda channel: found[channel].clarity)
    latency = found[best].frame - playlist.first_marker
    if not end_may_be_silent:
        for channel, one in found.items():
            _refuse_fallen(fractions, channel, chirp, playlist, first=one.frame, latency=latency, rate_hz=rate_hz)
    _check_spacing(fractions[:, best - 1], chirp, playlist, latency, end_may_be_silent=end_may_be_silent)
    return Aligned(
        stimulus_start=playlist.stimulus_start + round(latency),
        latency_frames=latency,
        polarity={channel: 1 if one.gain > 0 else -1 for channel, one in found.items()},
        marker_gain={channel: one.gain for channel, one in found.items()},
        silent=tuple(silent),
    )


def _refuse_without_beginning(
    fractions: NDArray[np.float64], channels: tuple[int, ...], chirp: NDArray[np.float64], playlist: Playlist
) -> None:
    """Raise RepeatableCaptureError when the last marker is there, and the first one is broken: cables are not it.

    Both alike are quiet markers beside a loud stimulus (of a unit that subtracts its channels): nothing is broken then.
    """
    begin = max(playlist.last_marker - len(chirp) // 2, 0)
    for channel in channels:
        signal = fractions[:, channel - 1]
        tail = signal[begin:]
        if len(tail) < len(chirp):
            return
        last = find(tail, chirp)
        part = signal[_around(playlist.first_marker + begin + last.frame - playlist.last_marker, len(chirp))]
        if last.similarity > _SURELY_IT and find(part, chirp).similarity < _WHOLE * last.similarity:
            raise RepeatableCaptureError(
                f"channel {channel}: the last marker came back and the first did not: blocks were dropped or repeated "
                "in it, or the unit was still muted; wait until its relay has closed, use one duplex device and a "
                "larger block"
            )


def _refuse_fallen(
    fractions: NDArray[np.float64],
    channel: int,
    chirp: NDArray[np.float64],
    playlist: Playlist,
    *,
    first: float,
    latency: float,
    rate_hz: float,
) -> None:
    """Raise FellSilentError when a channel that was heard has nothing but noise where its last marker belongs.

    Exact zeros on all channels are a dropout of the card, which a second try may cure.
    """
    around = _around(playlist.last_marker + latency, len(chirp))
    signal, part = fractions[:, channel - 1], fractions[around, channel - 1]
    if len(part) < len(chirp) or find(part, chirp).certain or not np.any(fractions[around]):
        return
    begin, stimulus_begin = round(first), playlist.stimulus_start + round(latency)
    marked = signal[begin : begin + len(chirp)]
    if float(np.dot(part, part)) > _SILENT_ENERGY * float(np.dot(marked, marked)):
        return
    loudness = np.abs(signal[begin : around.start])
    last = begin + int(np.flatnonzero(loudness > _HEARD_PART * np.max(loudness))[-1])
    raise FellSilentError(
        f"channel {channel} fell silent {max(0, last - stimulus_begin) / rate_hz:.2g} s after the stimulus began, and "
        "stayed so: protection may have opened, a fuse have blown or a contact have opened; let it rest, check the load"
    )


def _around(frame: float, length: int) -> slice:
    """Return where a marker is looked for around the frame at which it belongs, clocks apart or blocks lost."""
    return slice(max(0, round(frame) - 2 * length), round(frame) + 3 * length)


def _check_spacing(
    signal: NDArray[np.float64],
    chirp: NDArray[np.float64],
    playlist: Playlist,
    latency: float,
    *,
    end_may_be_silent: bool,
) -> None:
    around = _around(playlist.last_marker + latency, len(chirp))
    start, part = around.start, signal[around]
    if len(part) < len(chirp) or round(playlist.last_marker + latency) + len(chirp) > len(signal):
        raise RepeatableCaptureError(
            "the capture ended before the last marker arrived: the latency is longer than usual"
        )
    last = find(part, chirp)
    if not last.certain and end_may_be_silent:
        return
    if not last.certain:
        raise RepeatableCaptureError("the last marker did not arrive: the sound stopped on its way")
    shift = start + last.frame - playlist.last_marker - latency
    if abs(shift) > _SPACING_FRAMES:
        verb = "inserted" if shift > 0 else "lost"
        raise RepeatableCaptureError(
            f"{abs(shift):.1f} frames were {verb} between the markers: blocks were dropped or repeated, play and "
            "capture run on two clocks, or a tape runs between them (set the monitor to source; `tape` measures behind "
            "it); use one duplex device and a larger block"
        )


def look_for_breaks(
    capture: Capture, fractions: NDArray[np.float64], stimulus: Stimulus, aligned: Aligned
) -> tuple[str, ...]:
    """Look for gaps, flags and jumps inside the stimulus; return notes on what may be the unit's own.

    Raises RepeatableCaptureError for what only a broken capture does.
    """
    start, stop = aligned.stimulus_start, aligned.stimulus_start + stimulus.frames
    said = flags_within(capture.flags, start, stop, capture.form.block_frames)
    if said:
        raise RepeatableCaptureError(f"the driver reported {said[0]!r} during the stimulus: samples were lost")
    notes: list[str] = []
    for channel in stimulus.driven_channels:
        if channel in aligned.silent:
            continue
        signal = fractions[start:stop, channel - 1]
        for window in stimulus.windows():
            part = signal[window.start : window.stop]
            if window.level_v_rms:
                _refuse_gap(part, channel)
            if window.frequency_hz is not None:
                notes += _breaks_of_tone(part, window.frequency_hz, channel, capture.form.sample_rate_hz)
        if isinstance(stimulus, StaggeredSweeps):
            _refuse_gap_in_turn([signal[window.start : window.stop] for window in stimulus.windows()], channel)
    return tuple(notes)


def _refuse_gap_in_turn(parts: list[NDArray[np.float64]], channel: int) -> None:
    """Refuse a gap in any sweep that an output carries, its own or, where channels are mixed up, another's."""
    loudness = [float(np.sqrt(np.mean(np.square(part)))) for part in parts]
    for part, one in zip(parts, loudness, strict=True):
        if one > 0.0 and one >= _HEARD_IN_TURN * max(loudness):
            _refuse_gap(part, channel)


def _refuse_gap(part: NDArray[np.float64], channel: int) -> None:
    _, length = longest_zero_run(part)
    if length >= SHORTEST_GAP_FRAMES:
        raise RepeatableCaptureError(
            f"input {channel} has a gap of {length} frames of exact zeros inside the signal: a dropout, or a noise "
            "gate in the driver"
        )


def _breaks_of_tone(part: NDArray[np.float64], frequency_hz: float, channel: int, rate_hz: float) -> list[str]:
    notes = []
    for one in tone_breaks(part, rate_hz, frequency_hz):
        if one.kind == "phase":
            raise RepeatableCaptureError(
                f"input {channel}: the tone's phase jumps by {np.degrees(one.size):.0f} degrees near frame "
                f"{one.frame}: samples were lost or repeated"
            )
        notes.append(
            f"channel {channel}: the level stepped by {one.size:+.2f} dB during the tone: look for a relay, a contact, "
            "a protection circuit or an automatic gain control"
        )
    return notes[:1]
