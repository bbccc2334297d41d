"""Guide a first power-up through its sheet, and keep its record. No sound: no session, bench or interface is loaded.

Each value is in the journal as soon as it is typed. A stop limit that is passed ends it at once, with the words to
switch off; the visit's verdict is then fail. What was not entered is undecided, and never a pass.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from audiomeas.errors import FileProblem, RequestError
from audiomeas.measurement.entered import READING, reading_result
from audiomeas.measurement.quantity import COUNT, Typed, parse_quantity
from audiomeas.measurement.result import WHOLE_UNIT, Result
from audiomeas.plan.answers import NOT_ENTERED
from audiomeas.plan.steps import Instruction, Limit, Reading
from audiomeas.plan.verdict import judge_step, overall
from audiomeas.powerup.answers import Answers, LineReadings, bulb_out, confirmations, given_readings, read_readings
from audiomeas.powerup.asked import Asked, Moment, asked_at, optional_at, planned, step_voltage_v
from audiomeas.powerup.cautions import CAUTIONS, STILL_ON, SWITCH_OFF, TUBE_CAUTIONS
from audiomeas.powerup.keys import CURRENT, GLOW, MAINS, SIGNS
from audiomeas.powerup.outcome import BringUp
from audiomeas.powerup.results import NO_WAIT, answered, result_of_rest
from audiomeas.powerup.sheet import BULB_OUT, HOUSE, TUBE, Sheet, SheetStep, find_sheet, read_sheet
from audiomeas.powerup.watch import bulb_warnings, stop_reason, warnings_at
from audiomeas.record.store import PlanAsRun, Snapshot, VisitWriter, checked_stage, open_visit, read_visit
from audiomeas.record.unit import Unit
from audiomeas.record.unit_folder import unit_meant
from audiomeas.record.verdict_row import Verdict

Say = Callable[[str], None]
Progress = Callable[[str, float], None]
#: Waits for so many seconds and shows how far it is.
Wait = Callable[[float], None]

#: What stands in a record for the bench.
_NO_BENCH = {"name": "no bench: nothing was played, a person read the meters"}
_STOPS_NAME = "Stop limits"
_STOPS_WORDS = "stop limits passed"
_DWELL = "dwell"
#: Typed at any question while the mains is on: it ends there.
_STOP = "stop"
_LOOK_EVERY_S = 0.5
_NOT_GONE_THROUGH = "its rest was not gone through"


def bringup(
    sheet: Path | str,
    *,
    unit: Unit | str,
    readings: Path | str | Mapping[str, Any] | Iterable[str] | Answers,
    mains: str | None = None,
    bulb: str | None = None,
    records: Path | str = "records",
    stage: str = "as-found",
    new_stay: bool = False,
    other_unit: bool = False,
    wait: bool = True,
    say: Say | None = None,
    progress: Progress | None = None,
) -> BringUp:
    """Guide a first power-up and keep its record; what `audiomeas bringup` does. Nothing sounds, no device is opened.

    sheet : a file, or the name of a shipped one ('solid-state', 'tube').   unit : a Unit, or as it is written.
    readings : a file of readings, the same as a mapping, lines in the order of asking, or an object that answers
    (`audiomeas.powerup.answers.Answers`).   mains, bulb : '230 V', nominal, and '100 W' at it; None: as the sheet says.
    wait : False leaves the dwells out, and the record says so.   The rest as in `run`.
    Raises RequestError, FileProblem, TomlProblem. What was typed until then is kept.
    """
    mains_v, bulb_w = _said("--mains", mains, "V"), _said("--bulb", bulb, "W")
    read = read_sheet(find_sheet(sheet), mains_v=mains_v, bulb_w=bulb_w)
    read.bulb()
    who = unit_meant(Path(records), unit, kind=read.kind) if isinstance(unit, str) else unit
    checked_stage(stage)
    answers = _answers(readings, read)
    tell = say or (lambda _: None)
    visit = open_visit(
        Path(records),
        who if who.kind else replace(who, kind=read.kind),
        stage,
        plan=_as_run(read),
        snapshot=Snapshot(bench=_NO_BENCH, warnings=() if wait else (NO_WAIT,)),
        new_stay=new_stay,
        other_unit=other_unit,
    )
    guide = _Guide(read, visit, answers, tell, _waiting(progress) if wait else None)
    try:
        guide.through_all()
        visit.finish(overall(guide.rows, complete=guide.complete))
    except BaseException as error:
        guide.keep_what_was_typed()
        visit.break_off(error, tell)
        tell(STILL_ON)
        raise
    return BringUp(
        visit=read_visit(visit.path).verified(),
        sheet=read,
        moments=tuple(guide.moments),
        warnings=tuple(guide.warnings),
        stopped=guide.stopped,
        ended=guide.ended,
    )


def _said(option: str, text: str | None, unit: str) -> float | None:
    try:
        return None if text is None else parse_quantity(text, unit)
    except RequestError as problem:
        raise RequestError(f"{option}: {problem}") from None


def _answers(readings: Any, sheet: Sheet) -> Answers:
    if isinstance(readings, (str, Path)):
        return read_readings(Path(readings), sheet)
    if isinstance(readings, Mapping):
        return given_readings(readings, sheet)
    if isinstance(readings, Iterable):
        return LineReadings(readings, "readings")
    found: Answers = readings
    return found


def _stop_said(text: str) -> bool:
    return text.casefold().replace(":", " ").split()[:1] == [_STOP]


def _as_run(sheet: Sheet) -> PlanAsRun:
    """Return the sheet as the plan of its visit; what is optional is planned by nobody."""
    names = [step.name for step in sheet.before]
    for number, step in enumerate(sheet.steps):
        if _bulb_leaves(sheet, number):
            names.append(BULB_OUT[0])
        names += [each.name for each in planned(sheet, step) if each.name not in optional_at(sheet, step)]
    steps = (*names, _STOPS_NAME)
    return PlanAsRun(title=sheet.title, kind=sheet.kind, file=sheet.path.name, text=sheet.text, steps=steps)


def _bulb_leaves(sheet: Sheet, number: int) -> bool:
    return number > 0 and sheet.steps[number - 1].bulb_in and not sheet.steps[number].bulb_in


def _waiting(progress: Progress | None) -> Wait:
    def wait(seconds: float) -> None:
        started_s = time.monotonic()
        while (passed_s := time.monotonic() - started_s) < seconds:
            if progress is not None:
                progress(f"{_DWELL}, {(seconds - passed_s) / 60.0:.1f} min left", passed_s / seconds)
            time.sleep(min(_LOOK_EVERY_S, seconds - passed_s))
        if progress is not None:
            progress(_DWELL, 1.0)

    return wait


class _Guide:
    """One bring-up on its way through the sheet. complete : nothing that was asked for is missing."""

    def __init__(self, sheet: Sheet, visit: VisitWriter, answers: Answers, tell: Say, wait: Wait | None) -> None:
        self._sheet, self._visit, self._answers, self._tell, self._wait = sheet, visit, answers, tell, wait
        self.moments: list[Moment] = []
        self.warnings: list[str] = []
        self.rows: list[Verdict] = []
        self.stopped = ""
        self.ended = ""
        self.complete = True
        self._resting: SheetStep | None = None  # the rest whose readings are not in a result yet

    def through_all(self) -> None:
        """Go through the sheet until its end or a stop limit. Raises RequestError and FileProblem."""
        self._begin()
        if not all(self._confirm(asked) for asked in confirmations(self._sheet)):
            self._end("the mains stays off: not all was confirmed")
            return
        for number, step in enumerate(self._sheet.steps):
            if _bulb_leaves(self._sheet, number) and not self._confirm(bulb_out()):
                self._end(f"not confirmed that the bulb is out, and so no step without it; {STILL_ON}")
                return
            self._rest(step)
            if self.stopped:
                break
            if missing := self._not_read(step):
                self._end(f"the mains is raised no further: {missing} not read at {step.name}; {STILL_ON}")
                return
        self._count_stops()

    def _begin(self) -> None:
        sheet, bulb = self._sheet, self._sheet.bulb()
        for line in (*CAUTIONS, *(TUBE_CAUTIONS if sheet.circuit == TUBE else ()), *sheet.cautions):
            self._tell(f"caution: {line}")
        self._tell(
            f"bulb of {bulb.rated_w:g} W at {bulb.mains_v:g} V: at most {bulb.current_a:.2f} A, hot {bulb.hot_ohm:.3g} "
            f"Ω, cold about {bulb.cold_ohm:.2g} Ω"
        )
        self._tell(f"smoke, smell, sparks, a glowing plate: switch off first, then type '{_STOP}' and what it was")
        if self._wait is None:
            self._tell(NO_WAIT)
        self._visit.note(
            "bring-up",
            mains_v=bulb.mains_v,
            bulb_w=bulb.rated_w,
            bulb_current_a=bulb.current_a,
            dwell_waited=self._wait is not None,
        )
        self._warn(bulb_warnings(sheet))

    def _warn(self, lines: Sequence[str], step: SheetStep | None = None) -> None:
        for line in lines:
            said = line if step is None else f"{step.name}: {line}"
            self.warnings.append(said)
            self._visit.note("warning", text=said)
            self._tell(f"warning: {said}")

    def _end(self, reason: str) -> None:
        self.complete, self.ended = False, reason
        self._visit.note("ended early", reason=reason)
        self._tell(reason)

    # ------------------------------------------------------------ asking

    def _ask(self, asked: Asked, step: SheetStep | None, number: int) -> tuple[str, Typed | str] | None:
        """Return what was typed, and as it was read; None where it was not read."""
        while True:
            text = self._answers.give(asked, step, number)
            if text is None:
                return None
            if step is not None and _stop_said(text):
                return text.strip(), _STOP
            try:
                return text.strip(), asked.question.read(text)
            except RequestError as problem:
                if not self._answers.again(str(problem)):
                    raise

    def _note_typed(self, asked: Asked, text: str, **where: Any) -> None:
        self._visit.note("typed", asked=asked.key, text=text, **where)

    def _confirm(self, asked: Asked) -> bool:
        """Ask for a confirmation; keep it as a step of the record. Returns whether it goes on."""
        typed = self._ask(asked, None, 0)
        step = asked.question.step
        assert isinstance(step, Instruction)
        if typed is None:
            self._keep_judged(step, None)
            return False
        text, answer = typed
        self._note_typed(asked, text)
        self._keep_judged(step, answered(step, str(answer)))
        return step.is_right(str(answer))

    def _rest(self, step: SheetStep) -> None:
        """Stay at one mains voltage: look at the meters, wait, look again."""
        self._resting = step
        self._tell(self._what_to_do(step))
        for number in range(step.readings):
            after_s = 0.0 if step.readings == 1 else step.dwell_s * number / (step.readings - 1)
            if number and self._wait is not None:
                self._wait(step.dwell_s / (step.readings - 1))
            self._look(Moment(step=step, number=number, after_s=after_s))
            if self.stopped:
                break
        self._resting = None
        self._keep_rest(step)

    def _not_read(self, step: SheetStep) -> str:
        """Return what was not read of that without which nobody goes higher."""
        last = self.moments[-1]
        needed = [asked.key for asked in asked_at(self._sheet, step) if asked.key in (GLOW, MAINS, CURRENT)]
        return " and ".join(key for key in needed if key not in last.typed)

    def _what_to_do(self, step: SheetStep) -> str:
        where = "in circuit" if step.bulb_in else "out of circuit"
        volts = f"raise the mains slowly to {step_voltage_v(self._sheet, step):.4g} V, the bulb {where}"
        within_s = f"{self._sheet.dims_within_s:g} s"
        watch = f"; it dims within {within_s}: if it stays bright switch off at once, else read" if step.bulb_in else ""
        rest = f"; rest there for {step.dwell_s / 60.0:g} min" if step.dwell_s else ""
        before = f"{step.before.strip()}; " if step.before else ""
        return f"{step.name}: {before}{volts}{watch}{rest}"

    def _look(self, moment: Moment) -> None:
        """Read all meters once; the first that passes a stop limit ends it."""
        self.moments.append(moment)
        for asked in asked_at(self._sheet, moment.step):
            typed = self._ask(asked, moment.step, moment.number)
            if typed is None:
                self.complete = self.complete and asked.optional
                continue
            text, read = typed
            moment = moment.with_read(SIGNS, text) if read == _STOP else moment.with_read(asked.key, read)
            self.moments[-1] = moment
            reason = stop_reason(self._sheet, moment)
            if reason:  # said before anything is written: whatever the disk does, the mains must go off
                self._say_stop(moment.step, reason)
            self._note_typed(asked, text, rest=moment.step.name, look=moment.number)
            if reason:
                self._visit.note("stop limit passed", rest=moment.step.name, reason=reason)
                return
        self._warn(warnings_at(self._sheet, self.moments), moment.step)

    def _say_stop(self, step: SheetStep, reason: str) -> None:
        self.stopped = f"{step.name}: {reason}"
        self._tell(f"{SWITCH_OFF}: {self.stopped}")

    # ------------------------------------------------------------ keeping

    def keep_what_was_typed(self) -> None:
        """Keep what was read at a rest that something broke off. Raises nothing: what broke it off must be told."""
        step, self._resting = self._resting, None
        if step is not None:
            with contextlib.suppress(FileProblem):
                self._keep_rest(step)

    def _keep_rest(self, step: SheetStep) -> None:
        """Keep what was read at a rest. Limits are held against its last look alone: before, a bulb may be alight."""
        looks = [each for each in self.moments if each.step == step]
        last = [each for each in looks if each.last]
        for each in planned(self._sheet, step):
            result, judged = (
                result_of_rest(self._sheet, step, each, some, waited=self._wait is not None) for some in (looks, last)
            )
            if result is None and each.name in optional_at(self._sheet, step):
                continue
            self._keep(each, result, judge_step(each, judged, reason=NOT_ENTERED if last else _NOT_GONE_THROUGH))

    def _keep(self, step: Reading | Instruction, result: Result | None, rows: Sequence[Verdict]) -> None:
        """Keep a step of the record with its verdict rows, without a result where nothing was entered."""
        writer = self._visit.begin_step(step.name, step.measure, step.conditions())
        self.rows.extend(rows)
        if result is None:
            self.complete = False
            writer.pass_over(NOT_ENTERED, rows)
        else:
            writer.finish(result, rows)

    def _keep_judged(self, step: Reading | Instruction, result: Result | None) -> None:
        self._keep(step, result, judge_step(step, result, reason=NOT_ENTERED))

    def _count_stops(self) -> None:
        """Keep how many stop limits were passed: the row that makes the visit fail whatever the meters' accuracy is."""
        limit = Limit(quantity=READING, unit="", words=_STOPS_WORDS, source=HOUSE, at_most=0.0)
        step = Reading(name=_STOPS_NAME, what=_STOPS_WORDS, unit=COUNT, lowest=0.0, highest=1.0, limits=(limit,))
        passed = float(bool(self.stopped))
        counted = Typed(text=self.stopped or "none", value=passed, unit=COUNT, parts=())
        result = reading_result(step.what, step.unit, {WHOLE_UNIT: counted}, simulated=False)
        self._keep_judged(step, replace(result, warnings=tuple(self.warnings)))
