"""What the log of a soak tells before it has a result: while it still goes on, and after a crash."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from audiomeas.errors import FileProblem
from audiomeas.measurement.result import Result
from audiomeas.measurement.soak import WORD, fold_conditions, heat_percent
from audiomeas.measurement.soak_fold import SoakFold
from audiomeas.measurement.soak_lines import BEGIN, sound_words
from audiomeas.record.soak_log import LOG_FILE, parts_of, read_parts

if TYPE_CHECKING:
    from audiomeas.record.visit import StepRecord, Visit


def steps_so_far(visit: Visit) -> tuple[StepRecord, ...]:
    """Return the steps of a visit; a soak without a result has what its log has come to by now, and no verdict.

    Raises FileProblem: a log was changed or damaged.
    """
    return tuple(
        step if step.result is not None or step.measurement != WORD else replace(step, result=_so_far(visit, step))
        for step in visit.steps
    )


def _so_far(visit: Visit, step: StepRecord) -> Result | None:
    """Return what all parts of a soak come to; None: nothing was logged."""
    begin: dict[str, Any] | None = None
    fold = SoakFold()
    try:
        for line in read_parts(parts_of(visit, step.name)):
            if line["line"] == BEGIN:
                begin = line
            fold.add(line)
        return None if begin is None else _result(begin, fold)
    except (KeyError, TypeError, ValueError) as error:
        raise FileProblem(
            f"{step.folder / LOG_FILE} was changed or damaged: a line holds what no soak writes ({error})"
        ) from None


def _result(begin: dict[str, Any], fold: SoakFold) -> Result:
    share = begin["power_share"]
    return Result(
        measurement=WORD,
        sample_rate_hz=float(begin["sample_rate_hz"]),
        conditions={
            "sound": sound_words(begin["sound"]),
            "rated_level": begin["rated_level"],
            "power_share": share,
            "class_b_heat_percent": None if share is None else heat_percent(share),
            "so_far": True,
            **fold_conditions(fold),
        },
        channels=fold.channels(tuple(begin["driven_channels"]), asked_h=float(begin["asked_h"])),
        warnings=(),
        simulated=bool(begin["simulated"]),
        provenance={},
    )
