"""Make each result of records again from its captures, and tell what is not as it stands there.

With the same version, processor and libraries it is the same, bit for bit. With another version the list of differences
tells what that version moves. Nothing is written: the records stay as they are.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from audiomeas import __version__
from audiomeas.errors import AudiomeasError, FileProblem, RequestError
from audiomeas.files import read_json, translated
from audiomeas.measurement import registry
from audiomeas.measurement.attached import READ_KINDS, with_recordings
from audiomeas.measurement.base import Measurement
from audiomeas.measurement.entered import INSTRUCTION, READING
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result, clean
from audiomeas.measurement.soak_fold import SoakFold
from audiomeas.record.soak_log import LOG_FILE, parts_of, read_parts
from audiomeas.record.unit_folder import UNIT_FILE
from audiomeas.record.visit import RESULT_FILE, VISIT_FILE, StepRecord, Visit, folders, read_visit
from audiomeas.record.workers import checked_workers, mapped

if TYPE_CHECKING:
    from audiomeas.recording import Recording

Outcome = Literal["the same", "the same within rounding", "other", "not analysed", "not from a capture"]
#: Numbers this close (relative) are one: another processor or library rounds otherwise.
WITHIN = 1e-9
#: So many differences of a step are listed; all are counted.
MOST_LISTED = 20
#: Results that a person entered.
_ENTERED = (READING, INSTRUCTION)
#: What says which program made a result, not what was found.
_VERSIONS = ("audiomeas", "version")

Say = Callable[[str], None]
Progress = Callable[[str, float], None]


@dataclass(frozen=True, kw_only=True)
class Moved:
    """One place of a result that is another one now. where : 'channels/1/thd_percent'; before, after : as JSON."""

    where: str
    before: Any
    after: Any


@dataclass(frozen=True, kw_only=True)
class StepAgain:
    """One step, analysed again. version : that made the result in the record.  reason : why it was not analysed.

    moved : the first differences; differences : how many there are.
    """

    visit: str
    step: str
    measurement: str
    version: str
    outcome: Outcome
    reason: str = ""
    moved: tuple[Moved, ...] = ()
    differences: int = 0


@dataclass(frozen=True, kw_only=True)
class Reanalysis:
    """All steps, analysed again. left_out : records that could not be read, a line each."""

    steps: tuple[StepAgain, ...]
    left_out: tuple[str, ...] = ()

    @property
    def counts(self) -> Mapping[str, int]:
        """How many steps came to each outcome."""
        return Counter(step.outcome for step in self.steps)

    @property
    def proven(self) -> bool:
        """Nothing is other than it stands, but for what another version moved; and everything could be analysed."""
        wrong = [step for step in self.steps if step.outcome == "not analysed" or _unexplained(step)]
        return not wrong and not self.left_out

    def as_json(self) -> dict[str, Any]:
        """Return it as one JSON object."""
        return {
            "audiomeas": __version__,
            "counts": dict(self.counts),
            "steps": [asdict(step) for step in self.steps],
            "left_out": list(self.left_out),
        }


def _unexplained(step: StepAgain) -> bool:
    return step.outcome == "other" and step.version == __version__


def reanalyze(
    source: Path | str,
    *,
    workers: int = 1,
    executor: Executor | None = None,
    say: Say | None = None,
    progress: Progress | None = None,
) -> Reanalysis:
    """Analyse each step of a visit, of a unit or of all records again; what `audiomeas reanalyze` does.

    source : a visit's folder, a unit's, or that of records.   workers : processes.
    executor : any of `concurrent.futures`, or of a cluster's library that offers one, instead; its processes must see
    the same files under the same names.   say : is told of each record that can't be read, and is left out.
    Raises RequestError and FileProblem (no records there).
    """
    tasks = [task for path in _visits(Path(source)) for task in _tasks(path)]
    steps: list[StepAgain] = []
    left_out: dict[str, None] = {}
    for number, done in enumerate(mapped(step_again, tasks, workers=checked_workers(workers), executor=executor), 1):
        if isinstance(done, StepAgain):
            steps.append(done)
        elif done not in left_out:
            left_out[done] = None
            if say is not None:
                say(f"left out: {done}")
        if progress is not None:
            progress("analysing again", number / len(tasks))
    return Reanalysis(steps=tuple(steps), left_out=tuple(left_out))


def _tasks(visit: Path) -> list[tuple[str, str]]:
    """Return the folder of a visit with the name of each step's that has a result: whoever works on it reads it."""
    with translated(visit, "read"):
        return [(str(visit.resolve()), file.parent.name) for file in sorted(visit.glob(f"*/{RESULT_FILE}"))]


def _visits(source: Path) -> list[Path]:
    """Return the folders of visits that a folder is, or holds. Raises FileProblem: none."""
    with translated(source, "read"):
        if (source / VISIT_FILE).exists():
            return [source]
        homes = [source] if (source / UNIT_FILE).exists() else folders(source, holding=UNIT_FILE)
    found = [visit for home in homes for visit in folders(home, holding=VISIT_FILE)]
    if not found:
        raise FileProblem(f"{source} holds no visits: give the folder of records, of a unit or of a visit")
    return found


def step_again(task: tuple[str, str]) -> StepAgain | str:
    """Analyse one step again, in whichever process; why its record is left out, where that can't be trusted.

    task : folder of the visit, name of the step's folder.
    """
    path, name = Path(task[0]), task[1]
    try:
        visit = read_visit(path, hash_audio=False).verified()
    except FileProblem as problem:
        return str(problem)
    step = next((each for each in visit.steps if each.folder.name == name), None)
    if step is None:
        return f"{path / name} holds a result and is no step of its visit"
    if step.measurement in _ENTERED:
        return _told(visit, step, "not from a capture")
    try:
        result = _from_log(visit, step) if (step.folder / LOG_FILE).exists() else result_again(step)
    except AudiomeasError as error:
        return _told(visit, step, "not analysed", reason=str(error))
    return _compared(visit, step, result)


def _from_log(visit: Visit, step: StepRecord) -> Result:
    """Return the result of a soak, made from the logs of its parts. Raises FileProblem."""
    assert step.result is not None
    fold = SoakFold()
    for line in read_parts(parts_of(visit, step.name)):
        fold.add(line)
    driven = tuple(channel.channel for channel in step.result.channels)
    cycles = any("cycles_done" in channel.values for channel in step.result.channels)
    asked_h = float(step.result.conditions["asked_h"])
    return replace(step.result, channels=fold.channels(driven, asked_h=asked_h, cycles=cycles))


def result_again(step: StepRecord) -> Result:
    """Return the result of a step, made from its captures. Raises AudiomeasError.

    That is the last one, or, of a search, all of them joined.
    """
    from audiomeas.recording import read_recording
    from audiomeas.recording_blocks import open_recording

    measurement = registry.find(step.measurement)
    if not step.captures:
        raise FileProblem(f"{step.folder} holds no capture")
    options = with_recordings(measurement, _options_of(measurement, step))
    if measurement.join is not None:
        part = measurement.part or _whole
        recording = measurement.join([part(read_recording(file)) for file in step.captures])
    elif measurement.in_blocks:
        recording = open_recording(step.captures[-1])
    else:
        recording = read_recording(step.captures[-1])
    return measurement.analyse(recording, options)


def _whole(recording: Recording) -> Recording:
    return recording


def _options_of(measurement: Measurement, step: StepRecord) -> dict[str, Any]:
    """Return the options of a step as its plan gave them, defaults filled in. Raises RequestError, FileProblem.

    Other conditions (its level, what a specification leaves open) are no options: its captures hold what they led to.
    """
    names = {option.name for option in measurement.options}
    given = {key: value for key, value in step.conditions.items() if key in names and value is not None}
    for option in measurement.options:
        if option.kind in READ_KINDS and option.name in given and not Path(given[option.name]).exists():
            raise RequestError(
                f"{option.name} is {given[option.name]}, which is not in the record and not here: run it where it is"
            )
    return complete(measurement, given)


def _compared(visit: Visit, step: StepRecord, result: Result) -> StepAgain:
    stood = read_json(step.folder / RESULT_FILE)
    moved = list(_differences(stood, clean(result.as_json()), ""))
    exact = [each for each in moved if not _close(each.before, each.after)]
    outcome: Outcome = "the same" if not moved else "other" if exact else "the same within rounding"
    return _told(visit, step, outcome, moved=tuple(exact[:MOST_LISTED]), differences=len(exact))


def _told(
    visit: Visit,
    step: StepRecord,
    outcome: Outcome,
    *,
    reason: str = "",
    moved: tuple[Moved, ...] = (),
    differences: int = 0,
) -> StepAgain:
    return StepAgain(
        visit=str(visit.path),
        step=step.name,
        measurement=step.measurement,
        version=visit.version,
        outcome=outcome,
        reason=reason,
        moved=moved,
        differences=differences,
    )


def _differences(before: Any, after: Any, where: str) -> Iterator[Moved]:
    """Yield the places where two JSON values are not the same, to the last bit."""
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        for key in dict.fromkeys([*before, *after]):
            if key not in _VERSIONS:
                yield from _differences(before.get(key), after.get(key), f"{where}/{key}" if where else str(key))
    elif _is_list(before) and _is_list(after) and len(before) == len(after):
        for place, pair in enumerate(zip(before, after, strict=True)):
            yield from _differences(*pair, f"{where}/{_name_of(before[place], place)}")
    elif before != after or isinstance(before, bool) != isinstance(after, bool):
        yield Moved(where=where, before=before, after=after)


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _name_of(item: Any, place: int) -> str:
    """Return what an item of a list is called: a channel by its number, any other by its place."""
    number = item.get("channel") if isinstance(item, Mapping) else None
    return str(place if number is None else number)


def _close(before: Any, after: Any) -> bool:
    numbers = [each for each in (before, after) if isinstance(each, (int, float)) and not isinstance(each, bool)]
    return len(numbers) == 2 and math.isclose(*numbers, rel_tol=WITHIN)
