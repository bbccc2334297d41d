"""One pass over a capture of noise, block by block: everything that needs its samples, in constant memory."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import SignalError

if TYPE_CHECKING:
    from audiomeas.analysis.density import Density
    from audiomeas.analysis.events import Events
    from audiomeas.analysis.hum import Hum
    from audiomeas.analysis.sample_facts import SampleFacts
    from audiomeas.measurement.noise_meter import MeterReading
    from audiomeas.recording import Recording

#: Frames of a block: a megabyte a channel, so that the passes over it stay near the processor.
BLOCK_FRAMES = 1 << 17
#: Exact zeros for this long are no noise of few steps (see `sample_facts.ZERO_RUN_S`, which tells that there are any).
_GATED_S = 0.01


@dataclass(frozen=True, kw_only=True)
class Span:
    """Frames of a capture, and why they are not all of it. gated : channel → part of the time in exact zeros."""

    start: int
    stop: int
    gated: dict[int, float]


@dataclass(frozen=True, kw_only=True)
class ChannelScan:
    """What one pass has found on a channel, in the unit of `Recording.signal`."""

    channel: int
    density: Density
    events: Events
    facts: SampleFacts
    hum: Hum
    meter: MeterReading


@dataclass(frozen=True, kw_only=True)
class Scan:
    """All channels. recording : with what only the samples show (holds no samples when they stayed on the disk)."""

    recording: Recording
    span: Span
    channels: tuple[ChannelScan, ...]


def scan(recording: Recording, start: int, stop: int, *, mains_hz: float | None) -> Scan:
    """Look through the frames from start to stop. Channels that hold zeros for a while are told of the rest alone.

    mains_hz : near which the hum is looked for; None: 50 and 60 Hz.
    Raises SignalError: too short, no stretch long enough without gaps, values that are no numbers.
    """
    from audiomeas.recording_blocks import RecordingOnDisk

    span = Span(start=start, stop=stop, gated={})
    found = _pass(recording, span, mains_hz)
    known = recording.completed() if isinstance(recording, RecordingOnDisk) else recording
    if any(channel.facts.is_gated for channel in found):
        span = _longest_without_zeros(known, start, stop)
        found = _pass(known, span, mains_hz)
    elif _takes_steps_for_clicks(found, known):
        found = _pass(known, span, mains_hz)
    return Scan(recording=known, span=span, channels=found)


def _takes_steps_for_clicks(found: tuple[ChannelScan, ...], known: Recording) -> bool:
    """Return whether clicks were told that are none, now that the capture's step is known.

    On the disk it is known only after the last block; most captures have no click so small, and one pass is enough.
    """
    least_v = _least_click(known)
    return any(channel.events.smallest_v <= least_v for channel in found)


def _pass(recording: Recording, span: Span, mains_hz: float | None) -> tuple[ChannelScan, ...]:
    from audiomeas.recording_blocks import blocks_of

    watch = _Watch(recording, span, mains_hz)
    for block in blocks_of(recording, span.start, span.stop, BLOCK_FRAMES):
        watch.take(block)
    return watch.result()


class _Watch:
    """All that eats blocks, side by side."""

    def __init__(self, recording: Recording, span: Span, mains_hz: float | None) -> None:
        import numpy as np

        from audiomeas.analysis.hum import HumOf
        from audiomeas.analysis.noise_pass import NoisePass
        from audiomeas.measurement.noise_meter import Meter

        self._numbers, rate_hz = recording.channels, recording.sample_rate_hz
        count, frames = len(self._numbers), span.stop - span.start
        self._scale = np.array([recording.scale_v(column) or math.sqrt(2.0) for column in range(count)])
        self._noise = NoisePass(rate_hz, count, frames=frames, least_v=_least_click(recording))
        self._hum = HumOf(rate_hz, count, near_hz=mains_hz)
        self._meter = Meter(rate_hz, count, frames)
        self._block: Any = None

    def take(self, counts_fs: Any) -> None:
        """Take a block, (frames, channels), in fractions of full scale."""
        import numpy as np

        # One channel after the other in memory: everything below looks at one at a time, and keeps only copies. The
        # same memory each time: fresh one costs more than the product.
        if self._block is None or self._block.shape[1] != len(counts_fs):
            self._block = np.empty((len(self._numbers), len(counts_fs)))
        block = np.multiply(counts_fs.T, self._scale[:, None], out=self._block).T
        self._noise.add(block)
        self._hum.add(block)
        self._meter.add(block)

    def result(self) -> tuple[ChannelScan, ...]:
        """Return each channel's findings."""
        passed, hums, readings = self._noise.result(), self._hum.result(), self._meter.result()
        return tuple(
            ChannelScan(
                channel=number,
                density=passed[column].density,
                events=passed[column].events,
                facts=passed[column].facts,
                hum=hums[column],
                meter=readings[column],
            )
            for column, number in enumerate(self._numbers)
        )


def _least_click(recording: Recording) -> float:
    """Return below which a peak is the toggling of the format's last step, not a click."""
    resolutions = [recording.resolution(column) for column in range(len(recording.channels)) if recording.frames]
    return 1.5 * max((one for one in resolutions if one is not None), default=0.0)


def _longest_without_zeros(recording: Recording, start: int, stop: int) -> Span:
    """Return the longest stretch in which no channel is gated. Raises SignalError when there is none."""
    from audiomeas.recording_blocks import blocks_of

    gaps = _Gaps(recording, start)
    for block in blocks_of(recording, start, stop, BLOCK_FRAMES):
        gaps.take(block)
    return gaps.longest_without(stop)


class _Gaps:
    """Stretches of exact zeros, by pieces of half the shortest that counts."""

    def __init__(self, recording: Recording, start: int) -> None:
        self._numbers, self._start = recording.channels, start
        self._piece = max(16, round(0.5 * _GATED_S * recording.sample_rate_hz))
        self._held: Any = None
        self._zero: list[Any] = []

    def take(self, block: Any) -> None:
        """Take a block, (frames, channels)."""
        import numpy as np

        joined = block if self._held is None else np.concatenate([self._held, block])
        whole = len(joined) // self._piece
        pieces = joined[: whole * self._piece].reshape(whole, self._piece, -1)
        # The first sample of a piece is seldom zero: only then are the others looked at.
        zero = pieces[:, 0, :] == 0.0
        for piece in np.flatnonzero(np.any(zero, axis=1)):
            zero[piece] = ~np.any(pieces[piece], axis=0)
        self._zero.append(zero)
        self._held = joined[whole * self._piece :].copy()

    def _table(self) -> Any:
        """Return which pieces belong to a stretch that counts, (pieces, channels), silent channels left out."""
        import numpy as np

        if not self._zero:
            return np.zeros((0, len(self._numbers)), dtype=np.bool_)
        zero = np.concatenate(self._zero)
        zero = zero & ~np.all(zero, axis=0)
        beside = np.zeros_like(zero)
        beside[1:] |= zero[:-1]
        beside[:-1] |= zero[1:]
        return zero & beside

    def longest_without(self, stop: int) -> Span:
        """Return the longest stretch in which no channel is gated. Raises SignalError when there is none."""
        import numpy as np

        table = self._table()
        bad = np.any(table, axis=1)
        # The pieces beside a gap hold its ramps.
        near = bad.copy()
        near[1:] |= bad[:-1]
        near[:-1] |= bad[1:]
        first, length = _longest_false(near.tolist())
        parts = {
            number: float(table[:, column].mean())
            for column, number in enumerate(self._numbers)
            if np.any(table[:, column])
        }
        if length == 0:
            said = ", ".join(f"{100 * part:.0f} % of channel {number}" for number, part in parts.items())
            raise SignalError(
                f"{said} are exact zeros: the driver gates silence, or samples were lost, and no stretch without them "
                "is left; switch off the gate (noise suppression, power saving) and capture again"
            )
        # Shorter than a piece at the end is left out with it.
        begin = self._start + first * self._piece
        return Span(start=begin, stop=min(stop, begin + length * self._piece), gated=parts)


def _longest_false(flags: Sequence[bool]) -> tuple[int, int]:
    """Return (first, length) of the longest run of False."""
    best, place = (0, 0), 0
    for flag, group in itertools.groupby(flags):
        length = len(list(group))
        if not flag and length > best[1]:
            best = (place, length)
        place += length
    return best
