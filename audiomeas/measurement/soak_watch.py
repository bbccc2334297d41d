"""One stream of a soak: seconds are read, logged and watched, events kept with what was captured around them.

It ends when something is due that the stream can't do (a spot measurement, the end), or by what went wrong.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from audiomeas.analysis.programme_second import REACH_S
from audiomeas.analysis.watchman import Noticed
from audiomeas.errors import DiskFull
from audiomeas.files import refuse_full_disk
from audiomeas.interface.streaming import Heard
from audiomeas.interface.transport import Capture, from_fractions
from audiomeas.measurement.session import Keep
from audiomeas.measurement.soak_lines import (
    DRIVER,
    KEPT,
    LATE_SOURCE,
    NOT_READ,
    PLAYING,
    SLEPT,
    State,
    event_line,
    is_of_bench,
    second_line,
)
from audiomeas.measurement.soak_reading import FIRST_REACH_S, PROGRAMME_HZ, ChannelSecond, SecondsOf, read_second
from audiomeas.measurement.streamed import captured, tone_through
from audiomeas.stimulus import Silence, Sine

if TYPE_CHECKING:
    from audiomeas.measurement.session import Session
    from audiomeas.measurement.soak_source import SoakSound
    from audiomeas.measurement.soak_stream import Second, SoakStream
    from audiomeas.recording import Recording

#: So much before and after an event is kept.
BEFORE_S, AFTER_S = 3.0, 4.0
#: So many events are kept with their sound, in all; all of them stand in the log.
MOST_CAPTURES = 100
#: A driver that reports something each second leaves room for what the unit does later.
MOST_OF_BENCH = 50
#: How often the stream is looked at while no second has come.
LOOK_EVERY_S = 0.01
_PURPOSE = "soak event"
#: So many pieces may wait for a disk that is busy, before they take memory that a rehearsal did not.
_WAITING = 3
#: A tone as a rehearsal has it, in fractions of full scale.
_REHEARSED_FS = 0.5

Write = Callable[[dict[str, Any]], None]


@dataclass(frozen=True, kw_only=True)
class Happened:
    """An event, of unit or bench. mutes : it ends the sound."""

    kind: str
    words: str
    mutes: bool = False


@dataclass(frozen=True, kw_only=True)
class _Pending:
    """An event whose sound is not captured to its end yet. frames of the stream."""

    line: dict[str, Any]
    start: int
    stop: int


class Watch:
    """Reads one stream after the other, of one soak. keep, folder : of captures.  write : adds a line to the log.

    disk : runs what may take its time: nobody who must be heard of waits for a disk.
    slept_s : tells how long the machine slept since it was asked last.
    """

    def __init__(
        self,
        session: Session,
        sound: SoakSound,
        of: SecondsOf,
        driven: tuple[int, ...],
        keep: Keep,
        folder: Path,
        write: Write,
        disk: Executor,
        slept_s: Callable[[], float],
    ) -> None:
        self._session, self._sound, self._of, self._driven = session, sound, of, driven
        self._keep_capture, self._folder, self._write, self._disk = keep, folder, write, disk
        self._slept_s = slept_s
        self._identity = session.bench.interface.identity
        self._watchmen = {channel: of.watchman() for channel in driven}
        self._pending: list[_Pending] = []
        self._being_kept: list[tuple[dict[str, Any], Future[Path | None]]] = []
        self._captures = 0
        self._reach_s = FIRST_REACH_S
        self._starved = 0
        #: Seconds of the soak before the stream that is running.
        self.before_s = 0.0
        #: What has to end the sound; ''.
        self.anomaly = ""
        self.newest: tuple[ChannelSecond, ...] = ()

    def begin(self) -> None:
        """A new stream begins."""
        self._reach_s, self._starved = FIRST_REACH_S, 0
        for one in self._watchmen.values():
            one.begin_again()

    def rehearse(self) -> None:
        """Go through an event without a sound, so that the memory it takes is taken before anything plays."""
        form = self._session.bench.form
        frames = round((BEFORE_S + AFTER_S) * form.sample_rate_hz)
        turns = 2.0 * np.pi * (self._of.frequency_hz or PROGRAMME_HZ) / form.sample_rate_hz * np.arange(frames)
        tone = np.repeat(_REHEARSED_FS * np.sin(turns)[:, None], form.input_channels, axis=1)
        heard = Heard(samples=from_fractions(tone, form.sample_format), start=0, flags=())
        waiting = [np.copy(heard.samples) for _ in range(_WAITING)]
        self._recorded(*self._captured(heard))
        del waiting

    def wait_for_second(self, stream: SoakStream) -> Second:
        """Return the next second, the stream being heard of meanwhile. Raises what ended the stream."""
        while (second := stream.second()) is None:
            time.sleep(LOOK_EVERY_S)
        return second

    def after_s(self, stream: SoakStream, frame: int) -> float:
        """Return how long after the soak's beginning a frame of the stream came."""
        return self.before_s + frame / stream.rate_hz

    def take(self, stream: SoakStream, second: Second, state: State) -> None:
        """Log a second and what happened in it. state : what it is when nothing changed in it."""
        self.tell_sleep(self.after_s(stream, second.start))
        after_s = self.after_s(stream, second.start + stream.second_frames)
        self._tell_lost(stream, second, after_s)
        playing = state == PLAYING
        if not second.steady:
            self._write(second_line(after_s, "settling" if playing else state, ()))
            return
        channels = read_second(
            second,
            self._session.bench,
            self._of,
            driven=self._driven,
            sounding=playing,
            reach_s=self._reach_s,
        )
        channels = self._placed(stream, channels)
        self.newest = channels
        self._write(second_line(after_s, state, channels))
        if playing:
            for one in channels:
                if one.channel in self._watchmen:
                    self._tell(stream, second.start, after_s, self._watchmen[one.channel].see(one.moment), one.channel)

    def end(self, stream: SoakStream) -> None:
        """A stream ends: tell what waited, and let be kept what there is around events."""
        after_s = self.after_s(stream, stream.frame)
        for channel, watchman in self._watchmen.items():
            self._tell(stream, stream.frame, after_s, watchman.end(), channel)
        self.keep_pending(stream, all_of_them=True)

    def _tell(
        self, stream: SoakStream, start: int, after_s: float, found: Iterable[Noticed], channel: int | None
    ) -> None:
        for noticed in found:
            what = Happened(kind=noticed.kind, words=noticed.words, mutes=noticed.mutes)
            self.event(stream, start, after_s, what, channel)

    def tell_sleep(self, after_s: float) -> None:
        """Log how long the machine slept, if it did: the soak's time goes on by it. after_s : when it fell asleep."""
        slept_s = self._slept_s()
        if slept_s > 0.0:
            self.before_s += slept_s
            words = f"for {slept_s:.0f} s nothing was played or heard"
            self._write(event_line(after_s + slept_s, SLEPT, words, slept_s=round(slept_s, 3)))

    def _placed(self, stream: SoakStream, channels: tuple[ChannelSecond, ...]) -> tuple[ChannelSecond, ...]:
        """Take the delay of a programme as where it is looked for from now on: clocks may drift apart for hours."""
        found = [one.delay_frames for one in channels if one.delay_frames is not None]
        if not found:
            return channels
        latency_frames = stream.latency_frames
        stream.latency_frames += round(found[0])
        self._reach_s = REACH_S
        return tuple(
            one
            if one.delay_frames is None
            else replace(one, moment=replace(one.moment, place_frames=latency_frames + one.delay_frames))
            for one in channels
        )

    def _tell_lost(self, stream: SoakStream, second: Second, after_s: float) -> None:
        """Tell what was not read, what the driver said, and a file that was not read in time."""
        if second.missed_frames:
            missed_s = second.missed_frames / stream.rate_hz
            self.event(
                stream, second.start, after_s, Happened(kind=NOT_READ, words=f"{missed_s:.0f} s before were not read")
            )
        for flag in sorted({words for _, words in second.heard.flags}):
            self.event(stream, second.start, after_s, Happened(kind=DRIVER, words=flag))
        if stream.starved > self._starved:
            self._starved = stream.starved
            words = "the file was not read in time, and the level fell meanwhile"
            self.event(stream, second.start, after_s, Happened(kind=LATE_SOURCE, words=words))

    def event(
        self, stream: SoakStream, start: int, after_s: float, noticed: Happened, channel: int | None = None
    ) -> None:
        """Log an event, and let what is captured around it be kept. start : its second's first frame."""
        line = event_line(after_s, noticed.kind, noticed.words, channel=channel)
        self._write(line)
        if noticed.mutes and not self.anomaly:
            where = "" if channel is None else f", channel {channel}"
            self.anomaly = f"{noticed.kind}{where}: {noticed.words}"
        rate_hz = stream.rate_hz
        first, stop = start - round(BEFORE_S * rate_hz), start + round(AFTER_S * rate_hz)
        if self._captures + len(self._pending) >= (MOST_OF_BENCH if is_of_bench(noticed.kind) else MOST_CAPTURES):
            return
        if self._pending and self._pending[-1].stop > start:
            return  # the sound of the event before holds this one too
        self._pending.append(_Pending(line=line, start=max(first, 0), stop=stop))

    def keep_pending(self, stream: SoakStream, *, all_of_them: bool = False) -> None:
        """Keep what was captured around events, once it has come; all_of_them : as much as there is."""
        self.tell_kept()
        while self._pending:
            one = self._pending[0]
            stop = min(one.stop, stream.frame) if all_of_them else one.stop
            if stop > stream.frame:
                return
            self._pending.pop(0)
            heard = stream.around(one.start, stop)
            if heard is not None and len(heard.samples):
                self._captures += 1
                self._being_kept.append((one.line, self._disk.submit(self._kept, heard)))

    def tell_kept(self) -> None:
        """Tell the log of what is on the disk now. Raises FileProblem."""
        while self._being_kept and self._being_kept[0][1].done():
            line, future = self._being_kept.pop(0)
            path = future.result()
            if path is not None:
                self._write({**line, "line": KEPT, "capture": path.name})

    def _kept(self, heard: Heard) -> Path | None:
        """Keep a piece of the stream; runs beside it. None: there is no room for it."""
        try:
            refuse_full_disk(self._folder)
        except DiskFull:  # the log matters more, and has room for longer
            return None
        capture, stimulus = self._captured(heard)
        return self._keep_capture(capture, self._recorded(capture, stimulus))

    def _captured(self, heard: Heard) -> tuple[Capture, Sine | Silence]:
        """Return a piece of the stream as a capture, and what was played in it as far as a stimulus can say it."""
        form = self._session.bench.form
        rate_hz = form.sample_rate_hz
        stimulus: Sine | Silence = Silence(duration_s=len(heard.samples) / rate_hz, sample_rate_hz=rate_hz)
        if self._of.frequency_hz is not None:
            stimulus = tone_through(
                heard,
                rate_hz,
                frequency_hz=self._of.frequency_hz,
                level_v_rms=self._of.level_v_rms,
                channels=self._driven,
            )
        return captured(heard, form, self._identity), stimulus

    def _recorded(self, capture: Capture, stimulus: Sine | Silence) -> Recording:
        """Return it with its scale and conditions; an event need not be a capture that could be analysed."""
        recording, _ = self._session.streamed_recording(capture, stimulus, purpose=_PURPOSE)
        return replace(recording, conditions={**recording.conditions, "sound": self._sound.facts()})
