"""What a plan would do on a bench, told before any sound; and whether it can be run there at all."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import EXIT_BENCH, EXIT_DONE, AudiomeasError, DeviceError
from audiomeas.measurement import registry
from audiomeas.measurement.foreseen import Foreseen, before_steps_s, foresee
from audiomeas.plan.answers import questions_of
from audiomeas.plan.file import find_plan, read_plan, refuse_impossible, refuse_unseen_harmonic
from audiomeas.plan.steps import Instruction, PlanStep, Reading, Step, sounds

if TYPE_CHECKING:
    from audiomeas.bench.opened import Bench
    from audiomeas.plan.file import Plan

#: What can't be played or shown at the highest rate that cards have is no matter of the bench.
_HIGHEST_RATE_HZ = 384_000.0


@dataclass(frozen=True, kw_only=True)
class StepCheck:
    """One step. foreseen : of a measurement; asked : of what a person types or does.   limits : how many it has.

    missing : why this bench can't, a line each.   not_stated : what a maker's words leave out.
    """

    name: str
    measure: str
    limits: int
    foreseen: Foreseen | None = None
    asked: tuple[str, ...] = ()
    not_stated: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class PlanCheck:
    """A plan on a bench. before_s : first look and check of the bench, in seconds.

    doubts : what is no reason not to run, and makes results weaker (a calibration that has expired).
    asked : key of each question → what is asked, in order.
    """

    title: str
    file: str
    kind: str
    bench: str
    simulated: bool
    before_s: float
    steps: tuple[StepCheck, ...]
    doubts: tuple[str, ...]
    asked: dict[str, str]
    bench_missing: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        """How long it sounds at least: searches and people take their own time."""
        return self.before_s + sum(step.foreseen.seconds or 0.0 for step in self.steps if step.foreseen is not None)

    @property
    def open_ended(self) -> tuple[str, ...]:
        """Steps whose length depends on the unit."""
        return tuple(
            step.name
            for step in self.steps
            if step.foreseen is not None and step.foreseen.seconds is None and not step.missing
        )

    @property
    def missing(self) -> tuple[str, ...]:
        """Why it can't be run here as it stands, a line each."""
        return (*self.bench_missing, *(f"{step.name}: {line}" for step in self.steps for line in step.missing))

    @property
    def exit_status(self) -> int:
        """3 when this bench can't, 0 when it can."""
        return EXIT_BENCH if self.missing else EXIT_DONE

    def as_json(self) -> dict[str, Any]:
        """Return the check as one JSON object."""
        from audiomeas import __version__

        return {
            "audiomeas": __version__,
            **asdict(self),
            "can_be_run": not self.missing,
            "seconds": self.seconds,
            "open_ended": list(self.open_ended),
            "missing": list(self.missing),
        }


def check_plan(plan: Path | str, *, bench: Path | str | None = None, loudspeakers: str | None = None) -> PlanCheck:
    """Return what a plan would do on a bench; what `audiomeas plan check` does. Nothing is played.

    plan, bench, loudspeakers : as for `run`.   Raises RequestError, FileProblem, TomlProblem: a file is wrong.
    """
    from audiomeas.measurement.api import open_bench

    return check_on(read_plan(find_plan(plan)), open_bench(bench, loudspeakers=loudspeakers))


def check_on(plan: Plan, bench: Bench) -> PlanCheck:
    """Return what a plan would do on a bench. Nothing is played, and no interface is opened.

    Raises TomlProblem for what no bench could do: then it is the plan that is wrong.
    """
    refuse_impossible(plan, _HIGHEST_RATE_HZ)
    before_s, bench_missing = 0.0, tuple[str, ...]()
    if any(sounds(step) for step in plan.steps):
        try:
            bench.ceilings(bench.channels)
            before_s = before_steps_s(bench)
        except AudiomeasError as error:  # an output that was never calibrated: no voltage can be played at all
            bench_missing = (str(error),)
    doubts, absent = _doubts(bench)
    return PlanCheck(
        title=plan.title,
        file=str(plan.path),
        kind=plan.kind,
        bench=bench.file.name,
        simulated=bench.simulated,
        before_s=before_s,
        steps=tuple(_step(step, bench, can_play=not bench_missing) for step in plan.steps),
        doubts=doubts,
        asked={question.key: _asked(question.text, question.step) for question in questions_of(plan.steps).values()},
        bench_missing=(*bench_missing, *absent),
    )


def _doubts(bench: Bench) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what of the calibration does not fit; and, where the card is not there to tell, why not."""
    try:
        return bench.warnings(), ()
    except DeviceError as error:
        return (), (str(error),)


def _asked(text: str, step: Reading | Instruction) -> str:
    if isinstance(step, Instruction):
        to_do = step.text if step.text != step.name else ""
        return (" " if to_do.endswith(".") else ": ").join(filter(None, (to_do, text)))
    return text


def _step(step: PlanStep, bench: Bench, *, can_play: bool) -> StepCheck:
    limits = len(step.limits) + len(step.masks)
    if not isinstance(step, Step):
        asked = tuple(question.key for question in step.questions())
        return StepCheck(name=step.name, measure=step.measure, limits=limits, asked=asked)
    missing = list(_unseen(step, bench))
    foreseen = None
    if can_play:
        foreseen = foresee(
            registry.find(step.measure),
            step.options,
            bench,
            input_level=step.input_level,
            output_level=step.output_level,
            channels=step.channels,
        )
        missing += foreseen.missing
    return StepCheck(
        name=step.name,
        measure=step.measure,
        limits=limits,
        foreseen=foreseen,
        not_stated=step.not_stated,
        missing=tuple(dict.fromkeys(missing)),
    )


def _unseen(step: Step, bench: Bench) -> tuple[str, ...]:
    """Return what of a step this bench's rate and loads can't show."""
    found = []
    loads = {load.channel: load.resistance_ohm for load in bench.file.loads}
    for refuse in (
        partial(refuse_unseen_harmonic, step, bench.form.sample_rate_hz, whole=True),
        partial(step.refuse_other_loads, loads),
    ):
        try:
            refuse()
        except AudiomeasError as error:
            found.append(str(error))
    return tuple(found)
