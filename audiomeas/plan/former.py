"""What an earlier visit of a unit found at a step, for limits on a change. It reads records and writes nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import FileProblem
from audiomeas.files import translated
from audiomeas.record.change import change_half_width
from audiomeas.record.entry import Correction, Entry
from audiomeas.record.stage import STAGES, stay_in
from audiomeas.record.visit import VISIT_FILE, Visit, read_visit, versioned
from audiomeas.record.void import later_of

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result
    from audiomeas.plan.steps import PlanStep

#: Loads that differ by more are other conditions (common practice; the measured ohms of one load move less).
_SAME_LOAD = 0.01


@dataclass(frozen=True, kw_only=True)
class Then:
    """A channel as it was found at an earlier visit. same_bench : with the same bench and calibration files as now."""

    channel: ChannelResult
    same_bench: bool

    def half_width(self, now: ChannelResult, quantity: str) -> float | None:
        """Return the 95 % half-width of the change of a figure; None: not known.

        What the calibration in common leaves open cancels. With another calibration the two are independent errors.
        """
        return change_half_width(self.channel, now, quantity, shared=self.same_bench)


class Former:
    """The visits of a unit before the one that is being written, read when they are first asked for."""

    def __init__(self, visit: Path, hashes: Mapping[str, str]) -> None:
        """visit : folder of the one being written.   hashes : of its bench and calibration files."""
        self._visit = visit
        self._hashes = dict(hashes)
        self._of_stage: dict[str, list[Visit]] = {}

    def has_passed(self, stage: str) -> bool:
        """Tell whether the visit comes after a stage: only then has it something to compare with."""
        now = str(versioned(self._visit / VISIT_FILE)["stage"])
        return STAGES.index(now) > STAGES.index(stage)

    def of(self, stage: str, step: PlanStep, result: Result, channel: int) -> Then | str:
        """Return a channel of a step at the latest visit of a stage that has it; in words why there is none to compare.

        A later visit without this step (a first power-up, a shorter plan) says nothing of it.
        """
        visits = self._visits_of(stage)
        if not visits:
            return f"no {stage} visit of this unit with unchanged files was found"
        with_step = ((visit, one) for visit in visits for one in visit.steps if one.name == step.name)
        visit, then = next(with_step, (visits[0], None))
        if then is None or then.result is None or then.measurement != step.measure:
            return f"the {stage} visit ({visit.path.name}) has no result of this step"
        other = _other_conditions(then.conditions, step.conditions(), then.result, result)
        if other:
            return f"not to be compared with the {stage} visit ({visit.path.name}): {other}"
        found = next((one for one in then.result.channels if one.channel == channel), None)
        if found is None:
            return f"the {stage} visit ({visit.path.name}) has no channel {channel}"
        if any(_is_of(each, step.name, channel) for each in later_of(visit).corrections):
            return f"the {stage} visit ({visit.path.name}) was corrected at this step"
        return Then(channel=found, same_bench=dict(visit.hashes) == self._hashes)

    def _visits_of(self, stage: str) -> list[Visit]:
        """Return the visits of a stage, the latest first."""
        if stage not in self._of_stage:
            there = [visit for visit in self._visits(stage) if not visit.damage]
            self._of_stage[stage] = sorted(there, key=lambda one: (one.opened_at, one.path.name), reverse=True)
        return self._of_stage[stage]

    def _visits(self, stage: str) -> Iterator[Visit]:
        """Yield the visits of a stage in the same stay: what was found before the unit was sold says nothing now."""
        stay = stay_in(versioned(self._visit / VISIT_FILE))
        with translated(self._visit.parent, "read"):
            folders = [one for one in self._visit.parent.iterdir() if (one / VISIT_FILE).exists()]
        for folder in folders:
            if folder.name == self._visit.name or folder.name.startswith("."):
                continue
            try:
                visit = read_visit(folder, hash_audio=False)
            except FileProblem:
                continue  # a damaged record is no witness; `record verify` names it
            if visit.stage == stage and stay_in(visit.facts) == stay:
                yield visit


def _is_of(correction: Entry, step: str, channel: int) -> bool:
    content = correction.content
    return isinstance(content, Correction) and content.step == step and content.channel in (None, channel)


def _other_conditions(then: Mapping[str, Any], now: Mapping[str, Any], before: Result, result: Result) -> str:
    """Return what was not as it is now, in words; '' when all that makes numbers comparable was."""
    for key in dict.fromkeys((*now, *then)):
        if then.get(key) != now.get(key):
            return f"{key} was {then.get(key)}, and is {now.get(key)}"
    if before.simulated != result.simulated:
        return "one of them is simulated"
    loads = [one.conditions.get("load_ohm") or {} for one in (before, result)]
    for channel in dict.fromkeys((*loads[0], *loads[1])):
        old, new = (load.get(channel) for load in loads)
        if old is None or new is None or not math.isclose(old, new, rel_tol=_SAME_LOAD):
            return f"the load of channel {channel} was {_ohm(old)}, and is {_ohm(new)}"
    return ""


def _ohm(load: float | None) -> str:
    return "not entered" if load is None else f"{load:g} Ω"
