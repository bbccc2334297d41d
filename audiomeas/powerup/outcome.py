"""What a bring-up came to: its record, each look at the meters, warnings, what stopped it; and its JSON form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from audiomeas.errors import EXIT_DONE, EXIT_VERDICT
from audiomeas.measurement.result import clean
from audiomeas.plan.steps import Reading
from audiomeas.powerup.asked import Moment, asked_at
from audiomeas.powerup.sheet import Sheet
from audiomeas.record.verdict_row import Word
from audiomeas.record.visit import Visit


@dataclass(frozen=True, kw_only=True)
class BringUp:
    """What a bring-up came to. visit : the record, read back.  stopped : why the mains had to go off; ''.
    ended : why it went no further, although no stop limit was passed; ''.   moments : each look at the
    meters, in order.   sheet : with mains and bulb as they were said.
    """

    visit: Visit
    sheet: Sheet
    moments: tuple[Moment, ...]
    warnings: tuple[str, ...] = ()
    stopped: str = ""
    ended: str = ""

    @property
    def verdict(self) -> Word | None:
        """The verdict of the visit: fail when a stop limit was passed, undecided while something was not entered."""
        return self.visit.verdict

    @property
    def exit_status(self) -> int:
        """Return 0 when all passes, else 1."""
        return EXIT_DONE if self.verdict == "pass" else EXIT_VERDICT

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as one JSON object. Keys carry their units; what was not read is null."""
        bulb = self.sheet.bulb()
        facts = {
            "audiomeas": self.visit.version,
            "simulated": self.visit.simulated,
            "unit": self.visit.unit.as_json(),
            "stage": self.visit.stage,
            "sheet": self.sheet.title,
            "record": str(self.visit.path),
            "mains_v": bulb.mains_v,
            "bulb_w": bulb.rated_w,
            "bulb_current_a": bulb.current_a,
            "verdict": self.verdict,
            "stopped": self.stopped or None,
            "ended": self.ended or None,
            "warnings": list(self.warnings),
            "moments": [_moment_facts(self.sheet, each) for each in self.moments],
            "verdicts": [row.as_json() for row in self.visit.verdicts],
        }
        found: dict[str, Any] = clean(facts)
        return found


def _moment_facts(sheet: Sheet, moment: Moment) -> dict[str, Any]:
    readings = {}
    for asked in asked_at(sheet, moment.step):
        step = asked.question.step
        if isinstance(step, Reading):
            typed = moment.typed.get(asked.key)
            readings[asked.key] = {
                "value": moment.value(asked.key),
                "unit": step.unit,
                "uncertainty": None if typed is None else typed.uncertainty,
                "text": moment.text(asked.key) or None,
            }
    return {
        "step": moment.step.name,
        "mains_percent": moment.step.mains_percent,
        "bulb": moment.step.bulb,
        "after_s": moment.after_s,
        "readings": readings,
        "signs": moment.signs or None,
    }
