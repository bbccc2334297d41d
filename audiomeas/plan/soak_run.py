"""One soak on its way: streams, spot measurements between them, cycles, prompts, ceilings, and the end of it."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from audiomeas.errors import CaptureError, DeviceError, FileProblem, Interrupted, RequestError
from audiomeas.files import refuse_full_disk
from audiomeas.interface.transport import STOPPED_BY_INPUT
from audiomeas.measurement.quantity import Accuracy, accuracy_of
from audiomeas.measurement.result import Result
from audiomeas.measurement.session import Progress, Say, Session
from audiomeas.measurement.soak import WORD, fold_conditions, heat_percent
from audiomeas.measurement.soak_fold import SoakFold
from audiomeas.measurement.soak_lines import (
    BEGIN,
    CEILING,
    END,
    LOST,
    NOT_BACK,
    PLAYING,
    State,
    event_line,
    note_line,
    short,
)
from audiomeas.measurement.soak_reading import PROGRAMME_HZ, SecondsOf
from audiomeas.measurement.soak_sleep import sleep_clock
from audiomeas.measurement.soak_stream import SoakStream, soak_rings, soak_stream
from audiomeas.measurement.soak_views import clock, lasted
from audiomeas.measurement.soak_watch import Happened, Watch
from audiomeas.plan.soak_hand import Hand, Said, understood
from audiomeas.plan.soak_offsets import Offsets
from audiomeas.plan.soak_request import S_AN_HOUR, SoakRequest
from audiomeas.plan.soak_spots import measure_spot
from audiomeas.plan.soak_writing import SoakWriting
from audiomeas.plan.verdict import judge_step
from audiomeas.record.soak_log import LOG_FILE, read_parts
from audiomeas.record.store import VisitWriter
from audiomeas.record.verdict_row import Verdict
from audiomeas.units import db_to_amplitude_ratio, v_rms_to_w

if TYPE_CHECKING:
    from audiomeas.plan.soak import Ready

#: After a mute it is listened for so long, so that the record tells how the unit fell silent.
_AFTERMATH_S = 10
#: After a person says 'on', a protection may take so long to let the signal through.
_RELAY_S = 10
#: A person is waited for so long when a cycle is due.
_ASKED_FOR_S = 15 * 60
#: A lost stream is opened again so often in a row, after a pause.
_STREAMS, _PAUSE_S = 3, 5.0
_S_A_MINUTE = 60.0

#: Why a stream was left.
Left = Literal["end", "spot", "anomaly"]


class SoakRun:
    """Goes through a soak."""

    def __init__(
        self,
        session: Session,
        ready: Ready,
        visit: VisitWriter,
        level_v_rms: float,
        *,
        parts: Sequence[Path],
        done: frozenset[str],
        hand: Hand,
        say: Say,
    ) -> None:
        self._session, self._ready, self._visit, self._say = session, ready, visit, say
        self._request: SoakRequest = ready.request
        self._level_v_rms = level_v_rms
        self._hand = hand
        self._meter: Accuracy | None = None if self._request.meter is None else accuracy_of(self._request.meter)
        self._own_rows: list[Verdict] = []
        self.progress: Progress | None = None
        self.fold = SoakFold()
        for line in read_parts(parts):
            self.fold.add(line)
        self._part = len(parts) + 1
        self._step = ready.request.step(ready.channels)
        self._writer = visit.begin_step(self._step.name, self._step.measure, self._facts())
        self._writing = SoakWriting(self._writer.folder / LOG_FILE, self.fold, say)
        self._write = self._writing.write
        self._of = SecondsOf(
            sample_rate_hz=session.bench.form.sample_rate_hz,
            frequency_hz=ready.sound.frequency_hz if ready.sound.is_tone else None,
            level_v_rms=level_v_rms,
            mains_hz=self._request.mains_hz,
        )
        self._watch = Watch(
            session,
            ready.sound,
            self._of,
            ready.channels,
            self._writer.keep,
            self._writer.folder,
            self._write,
            self._writing.disk,
            sleep_clock(session.simulated),
        )
        self._watch.before_s = self.fold.after_s
        self._rings = soak_rings(session.bench.form, ready.sound)
        self._next_spot_s = self._spot_after(self.fold.sounding_s)
        self._offsets = Offsets(
            self._request, ready.channels, visit, self._write, say, done=done, simulated=session.simulated
        )
        self._cycles_at_s = [
            S_AN_HOUR * self._request.hours * number / (self._request.cycles + 1)
            for number in range(self.fold.cycles_done + 1, self._request.cycles + 1)
        ]
        self._most_wh = self._energy_ceiling()
        self._wants_spot = False

    @property
    def rows(self) -> list[Verdict]:
        """Verdicts on what a person typed, and on the soak."""
        return [*self._offsets.rows, *self._own_rows]

    @property
    def all_entered(self) -> bool:
        """Nothing that was asked for is missing."""
        return self._offsets.all_entered

    def _facts(self) -> dict[str, Any]:
        return {
            "part": self._part,
            "sound": self._ready.sound.facts(),
            "input_level_v_rms": self._level_v_rms,
            "rated_level": self._request.rated,
            "power_share": self._request.power_share if self._request.rated else None,
            "driven_channels": list(self._ready.channels),
            "asked_h": self._request.hours,
        }

    def _energy_ceiling(self) -> float | None:
        look, bench = self._session.first_look(), self._session.bench
        hz = self._ready.sound.frequency_hz
        powers = []
        for channel in self._ready.channels:
            load = bench.file.load(channel)
            if load is not None:
                volts = self._level_v_rms * db_to_amplitude_ratio(look.gain_at_db(channel, hz))
                powers.append(v_rms_to_w(volts, load.power_ohm(hz)))
        return self._request.most_wh_of(max(powers, default=None))

    # -- the way ------------------------------------------------------------------------------------------------

    def through(self) -> None:
        """Go on until the hours are over, or something ends it. Raises Interrupted, DeviceError, FileProblem."""
        lost = 0
        with self._written():
            self._write({"line": BEGIN, "after_s": short(self._watch.before_s), **self._facts(), **self._bench_facts()})
            if self._next_spot_s is not None and self.fold.sounding_s < self._asked_s:
                self._spot()  # how it began; what spots need of memory is taken then, not in the night
            self._watch.rehearse()
            left: Left = "end"
            while self.fold.sounding_s < self._asked_s:
                before_s = self.fold.sounding_s
                try:
                    left = self._stream()
                except DeviceError as error:
                    self._watch.tell_sleep(self._watch.before_s)
                    lost = lost + 1 if self.fold.sounding_s < before_s + _S_A_MINUTE else 1
                    self._write(event_line(self._watch.before_s, LOST, str(error)))
                    # A driver that hangs may still write into the old ones.
                    self._rings = soak_rings(self._session.bench.form, self._ready.sound)
                    if lost >= _STREAMS:
                        raise
                    self._pause(_PAUSE_S)
                    continue
                if left != "spot":
                    break
                self._spot()
            self._offsets.finish()
            self._settle()
            reason = self._watch.anomaly if left == "anomaly" else self._why_ended()
            self._write({"line": END, "after_s": short(self._watch.before_s), "reason": reason})
        self._say(f"soak ended after {lasted(self.fold.sounding_h)}: {reason}")
        result = self._result(reason)
        rows = judge_step(self._step, result)
        self._own_rows += rows
        self._writer.finish(result, rows)

    @contextmanager
    def _written(self) -> Iterator[None]:
        """Leaving it, whatever was said or captured is on the disk. Raises FileProblem."""
        ended_well = False
        with self._writing.open():
            try:
                yield
                ended_well = True
            finally:
                with nullcontext() if ended_well else suppress(FileProblem):
                    self._settle()

    def _settle(self) -> None:
        """Wait for the disk. Raises FileProblem."""
        self._writing.wait()
        self._watch.tell_kept()
        self._writing.check()

    @property
    def _asked_s(self) -> float:
        return S_AN_HOUR * self._request.hours

    def _bench_facts(self) -> dict[str, Any]:
        form = self._session.bench.form
        return {"simulated": self._session.simulated, "sample_rate_hz": form.sample_rate_hz}

    def _why_ended(self) -> str:
        if self.fold.sounding_s >= self._asked_s:
            return "the hours are over"
        return f"the ceiling of {self._most_wh:.4g} Wh a channel is reached"

    def _pause(self, seconds: float) -> None:
        """Let time pass without a stream."""
        if not self._session.simulated:
            time.sleep(seconds)
        self._watch.before_s += seconds

    def _stream(self) -> Left:
        """Open a stream and go through it. Raises DeviceError and Interrupted; a ceiling that is passed is an event."""
        refuse_full_disk(self._writer.folder)
        with soak_stream(
            self._session,
            self._ready.sound,
            self._rings,
            level_v_rms=self._level_v_rms,
            channels=self._ready.channels,
        ) as stream:
            self._watch.begin()
            stream.sound(True)
            try:
                return self._seconds(stream)
            except CaptureError as error:
                if not str(error).startswith(STOPPED_BY_INPUT):
                    raise
                after_s = self._watch.after_s(stream, stream.frame)
                self._watch.event(stream, stream.frame, after_s, Happened(kind=CEILING, words=str(error), mutes=True))
                return "anomaly"
            finally:
                self._watch.end(stream)
                self._watch.before_s += stream.frame / stream.rate_hz

    def _seconds(self, stream: SoakStream) -> Left:
        """Go through the seconds of a stream, until something is due that it can't do."""
        while True:
            self._second(stream, PLAYING)
            if self._watch.anomaly:
                return self._aftermath(stream)
            if self.fold.sounding_s >= self._asked_s or self._energy_reached():
                return "end"
            if self._cycles_at_s and self.fold.sounding_s >= self._cycles_at_s[0]:
                self._cycles_at_s.pop(0)
                self._cycle(stream)
                if self._watch.anomaly:
                    return self._aftermath(stream)
            if self._wants_spot or (self._next_spot_s is not None and self.fold.sounding_s >= self._next_spot_s):
                return "spot"

    def _second(self, stream: SoakStream, state: State) -> list[Said]:
        """Take the next second, hear what is said, ask what is due."""
        self._watch.take(stream, self._watch.wait_for_second(stream), state)
        self._watch.keep_pending(stream)
        if self.progress is not None:
            self.progress(self._doing(), min(1.0, self.fold.sounding_s / self._asked_s))
        self._offsets.ask(self.fold.sounding_s)
        return self._heard(stream)

    def _doing(self) -> str:
        told = [f"{one.values['level_w']:.3g} W" for one in self._watch.newest if "level_w" in one.values]
        return f"soak, {clock(self.fold.sounding_s)} of {lasted(self._request.hours)} {' '.join(told)}".rstrip()

    def _aftermath(self, stream: SoakStream) -> Left:
        """Mute, and listen for a moment what becomes of the unit."""
        stream.sound(False)
        self._write(note_line(self._watch.after_s(stream, stream.frame), f"muted: {self._watch.anomaly}"))
        for _ in range(_AFTERMATH_S):
            self._second(stream, "muted")
        return "anomaly"

    def _energy_reached(self) -> bool:
        return self._most_wh is not None and max(self.fold.energy_wh().values(), default=0.0) >= self._most_wh

    # -- spot measurements --------------------------------------------------------------------------------------

    def _spot_after(self, sounding_s: float) -> float | None:
        every_s = _S_A_MINUTE * self._request.spot_minutes
        return sounding_s + every_s if every_s and self._request.spots else None

    def _spot(self) -> None:
        """Measure, each a step of the record; the soak's level, its tone where it has one."""
        self._wants_spot = False
        self._next_spot_s = self._spot_after(self.fold.sounding_s)
        began_s = time.monotonic()
        self._settle()  # never the arrays of both at once
        for word in self._request.spots:
            measure_spot(
                word,
                self._session,
                self._visit,
                self._write,
                level_v_rms=self._level_v_rms,
                channels=self._ready.channels,
                after_s=self._watch.before_s,
            )
        self._watch.before_s += time.monotonic() - began_s

    # -- a person -----------------------------------------------------------------------------------------------

    def _heard(self, stream: SoakStream) -> list[Said]:
        """Return what was said since, offsets and notes taken already."""
        found = []
        while (line := self._hand.said()) is not None:
            try:
                said = understood(line, channels=self._ready.channels, meter=self._meter)
            except RequestError as error:
                self._say(f"refused: {error}")
                continue
            if said is not None:
                found.append(said)
                self._obey(stream, said)
        return found

    def _obey(self, stream: SoakStream, said: Said) -> None:
        after_s = self._watch.after_s(stream, stream.frame)
        if said.word == "quit":
            raise Interrupted("ended by 'quit': the output was faded to silence")
        if said.word == "note":
            self._write(note_line(after_s, said.text))
        elif said.word == "spot":
            self._wants_spot = True
        elif said.typed is not None:
            why = self._offsets.take(after_s, said.channel, said.typed)
            self._watch.anomaly = self._watch.anomaly or why

    # -- cycles -------------------------------------------------------------------------------------------------

    def _cycle(self, stream: SoakStream) -> None:
        """Let the person switch the unit off and on, silent meanwhile, and see that the signal comes back."""
        number = self.fold.cycles_done + 1
        stream.sound(False)
        for _ in range(2):  # the fade, and a second of silence
            self._second(stream, "muted")
        if not self._said(stream, f"cycle {number}: switch the unit off, then type 'off'", "off", "muted"):
            self._give_up(stream, number)
            return
        for _ in range(round(_S_A_MINUTE * self._request.off_minutes)):
            self._second(stream, "off")
        if not self._said(stream, f"cycle {number}: switch the unit on, then type 'on'", "on", "off"):
            self._watch.anomaly = f"cycle {number}: the unit was not switched on again"
            self._write(note_line(self._watch.after_s(stream, stream.frame), self._watch.anomaly))
            return
        for _ in range(_RELAY_S):
            self._second(stream, "muted")
        stream.sound(True)
        self._come_back(stream, number)

    def _said(self, stream: SoakStream, words: str, wanted: str, state: State) -> bool:
        """Ask, and wait for the word. Returns False where nobody says it."""
        self._say(words)
        self._write(note_line(self._watch.after_s(stream, stream.frame), words))
        for _ in range(_ASKED_FOR_S):
            may_come = self._hand.there  # asked first: who says a word and leaves meanwhile has said it
            if any(one.word == wanted for one in self._second(stream, state)):
                self._write(note_line(self._watch.after_s(stream, stream.frame), f"said: {wanted}"))
                return True
            if self._watch.anomaly or (not may_come and self._session.simulated):
                return False
        return False

    def _give_up(self, stream: SoakStream, number: int) -> None:
        words = f"cycle {number} was not carried out: nobody answered"
        self._say(words)
        self._write(note_line(self._watch.after_s(stream, stream.frame), words))
        stream.sound(True)

    def _come_back(self, stream: SoakStream, number: int) -> None:
        """Go on until seconds count again; a unit that stays silent is an event."""
        before_s = self.fold.sounding_s
        for _ in range(_RELAY_S):
            self._second(stream, PLAYING)
            if self._watch.anomaly:
                self._write(event_line(self._watch.after_s(stream, stream.frame), NOT_BACK, f"after cycle {number}"))
                return
            if self.fold.sounding_s > before_s:
                break
        words = f"cycle {number}: on again, and the signal is back"
        self._write(note_line(self._watch.after_s(stream, stream.frame), words, cycle_done=True))

    # -- what it comes to ---------------------------------------------------------------------------------------

    def _result(self, reason: str) -> Result:
        session, request = self._session, self._request
        bench = session.bench
        look = session.first_look()
        rated = request.rated is not None
        return Result(
            measurement=WORD,
            sample_rate_hz=bench.form.sample_rate_hz,
            conditions={
                **bench.conditions(),
                **self._facts(),
                "sound": self._ready.sound.words(),
                "sound_facts": self._ready.sound.facts(),
                "parts": self._part,
                "ended": reason,
                "most_wh": self._most_wh,
                "class_b_heat_percent": heat_percent(request.power_share) if rated else None,
                "first_look_gain_db": {str(n): look.gain_at_db(n, PROGRAMME_HZ) for n in self._ready.channels},
                "spots": self.fold.spots,
                "after_h": self.fold.after_s / S_AN_HOUR,
                "mains_hz": request.mains_hz,
                "time_compressed": session.simulated,
                **fold_conditions(self.fold),
            },
            channels=self.fold.channels(self._ready.channels, asked_h=request.hours, cycles=request.cycles > 0),
            warnings=session.warnings,
            simulated=session.simulated,
            provenance={"log": f"{self._writer.folder.name}/{LOG_FILE}"},
        )
