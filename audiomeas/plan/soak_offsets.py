"""D.c. offsets that a person reads while a soak goes on: asked for after some hours, each a step of the record."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

from audiomeas.measurement.entered import reading_result
from audiomeas.measurement.quantity import Typed
from audiomeas.measurement.session import Say
from audiomeas.measurement.soak_lines import OFFSET, event_line, typed_line
from audiomeas.plan.answers import NOT_ENTERED
from audiomeas.plan.soak_request import S_AN_HOUR, STOP_OFFSET_V, SoakRequest
from audiomeas.plan.verdict import judge_step
from audiomeas.record.store import VisitWriter
from audiomeas.record.verdict_row import Verdict


class Offsets:
    """Asks for the readings of a soak, and keeps them. rows : verdicts.  all_entered : nothing asked for is missing.

    write : adds a line to the log.   done : names of the readings that a part before this one has.
    """

    def __init__(
        self,
        request: SoakRequest,
        channels: tuple[int, ...],
        visit: VisitWriter,
        write: Callable[[dict[str, Any]], None],
        say: Say,
        *,
        done: Collection[str],
        simulated: bool,
    ) -> None:
        self._channels, self._visit, self._write, self._say = channels, visit, write, say
        self._simulated = simulated
        self._due = {
            hours: reading for hours, reading in request.offset_readings(channels).items() if reading.name not in done
        }
        self._asked: float | None = None
        self._typed: dict[int, Typed] = {}
        self.rows: list[Verdict] = []
        self.all_entered = True

    def ask(self, sounding_s: float) -> None:
        """Ask for a reading, once it is due."""
        due = min(self._due, default=None)
        if due is None or sounding_s < S_AN_HOUR * due or self._asked == due:
            return
        if self._asked is not None:
            self._finish_one()
        self._asked = due
        self._say(
            f"{self._due[due].name}: read the meter at each output and type "
            + " and ".join(f"'offset {channel} …'" for channel in self._channels)
        )

    def take(self, after_s: float, channel: int, typed: Typed) -> str:
        """Keep what was read. Returns why the unit must be switched off; ''."""
        facts = {"value_v": typed.value, "uncertainty_v": typed.uncertainty, "text": typed.text}
        self._write(typed_line(after_s, OFFSET, channel, facts))
        why = ""
        if abs(typed.value) > STOP_OFFSET_V:
            self._write(event_line(after_s, OFFSET, f"{typed.text}: switch the unit off", channel=channel))
            why = f"{OFFSET} of {typed.text}, channel {channel}"
        if self._asked is not None:
            self._typed[channel] = typed
            if len(self._typed) == len(self._channels):
                self._finish_one()
        return why

    def finish(self) -> None:
        """Make steps of what was typed; what was not asked for yet, or not answered, is undecided."""
        if self._asked is not None:
            self._finish_one()
        for hours in sorted(self._due):
            self._keep(self._due.pop(hours), {})

    def _finish_one(self) -> None:
        assert self._asked is not None
        reading, typed = self._due.pop(self._asked), self._typed
        self._asked, self._typed = None, {}
        self._keep(reading, typed)

    def _keep(self, reading: Any, typed: dict[int, Typed]) -> None:
        result = reading_result(reading.what, reading.unit, typed, simulated=self._simulated) if typed else None
        rows = judge_step(reading, result, reason=NOT_ENTERED)
        self.rows += rows
        self.all_entered = self.all_entered and len(typed) == len(self._channels)
        writer = self._visit.begin_step(reading.name, reading.measure, reading.conditions())
        if result is None:
            self._say(f"{reading.name}: {NOT_ENTERED}")
            writer.pass_over(NOT_ENTERED, rows)
        else:
            writer.finish(result, rows)
