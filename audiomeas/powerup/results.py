"""Results of what was typed at one rest: the last value of each, with all looks among the conditions. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from audiomeas.measurement.entered import instruction_result, reading_result
from audiomeas.measurement.quantity import Typed
from audiomeas.measurement.result import Result
from audiomeas.plan.steps import Instruction, Reading
from audiomeas.powerup.asked import Moment, keys_of
from audiomeas.powerup.keys import SIGNS
from audiomeas.powerup.sheet import Sheet, SheetStep

#: Said of each result, and of the visit, whose dwell was left out.
NO_WAIT = "the dwells were not waited for"


def answered(step: Instruction, answer: str) -> Result:
    """Return an answer as a result."""
    return instruction_result(
        step.text,
        step.question,
        answer,
        expected=step.expected,
        right=step.is_right(answer) if step.expected else None,
        simulated=False,
    )


def result_of_rest(
    sheet: Sheet, step: SheetStep, each: Reading | Instruction, looks: Sequence[Moment], *, waited: bool
) -> Result | None:
    """Return the result of one step of the record: its last value, and all looks among the conditions."""
    keys = keys_of(sheet, step, each)
    conditions = {
        "mains_percent": step.mains_percent,
        "mains_nominal_v": sheet.bulb().mains_v,
        "bulb": step.bulb,
        "bulb_w": sheet.bulb().rated_w,
        "dwell_s": step.dwell_s,
        "dwell_waited": waited,
    }
    if isinstance(each, Instruction):
        told = [look.signs for look in looks if look.signs]
        if not told:
            return None
        result = answered(each, told[-1])
        series = [{"after_s": look.after_s, SIGNS: look.signs or None} for look in looks]
    else:
        typed = _last_typed(each, keys, looks)
        if not typed:
            return None
        result = reading_result(each.what, each.unit, typed, simulated=False)
        series = [{"after_s": look.after_s, **{key: look.value(key) for key in keys}} for look in looks]
    return replace(
        result,
        conditions={**result.conditions, **conditions, "looks": series},
        warnings=() if waited or not step.dwell_s else (NO_WAIT,),
    )


def _last_typed(each: Reading, keys: Sequence[str], looks: Sequence[Moment]) -> dict[int, Typed]:
    """Return the last value of each channel."""
    found = {}
    for key, question in zip(keys, each.questions(), strict=True):
        values = [look.typed[key] for look in looks if key in look.typed]
        if values:
            found[question.channel] = values[-1]
    return found
