"""A visit within its stay: which earlier visit it is held against, and what was done to the unit between the two."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from audiomeas.errors import AudiomeasError, FileProblem
from audiomeas.measurement.soak import WORD as SOAK
from audiomeas.record.archive import compare, place_of
from audiomeas.record.entry import Correction, Listening, Work
from audiomeas.record.stage import STAGES, stay_in
from audiomeas.record.void import counting, lines_at_opening, lines_known, read_entries, visits_of

if TYPE_CHECKING:
    from audiomeas.record.compare import Comparison
    from audiomeas.record.entry import Entry
    from audiomeas.record.visit import Visit

_FOUND, _RETURN = STAGES[0], STAGES[-1]
_MINUTES_AN_HOUR = 60.0


@dataclass(frozen=True, kw_only=True)
class Soaked:
    """A soak of a stay. hours : for which it played.  events : of the unit.

    mean_w : into the load of each channel, the lowest; None: no load.
    """

    hours: float
    mean_w: float | None
    events: int


@dataclass(frozen=True, kw_only=True)
class Story:
    """What came before a visit in its stay.

    comparison : with the visit that it is held against; None: there is none, or it can't be compared (`problem`).
    work : repairs and adjustments.   entries : all that counts in the logbook, work among it.
    played_h : hours of listening that were written down; None: none were.   corrections : of either visit.
    soaks : of the visits of this stay, this one among them, oldest first.
    problem : what is not known, and why.
    """

    comparison: Comparison | None = None
    corrections: tuple[Correction, ...] = ()
    entries: tuple[Entry, ...] = ()
    soaks: tuple[Soaked, ...] = ()
    problem: str = ""

    @property
    def work(self) -> tuple[Entry, ...]:
        """Repairs and adjustments, oldest first."""
        return tuple(each for each in self.entries if isinstance(each.content, Work))

    @property
    def played_h(self) -> float | None:
        """Hours of listening that were written down."""
        heard = [each.content.minutes for each in self.entries if isinstance(each.content, Listening)]
        known = [minutes for minutes in heard if minutes is not None]
        return sum(known) / _MINUTES_AN_HOUR if known else None


def story_of(visit: Visit) -> Story:
    """Return what came before a visit in its stay, from the folders beside it; what can't be read is told."""
    problems: list[FileProblem] = []
    folder = visit.path.resolve().parent
    if not folder.is_dir():  # a visit in the memory has nothing beside it
        return Story()
    try:
        others = list(visits_of(folder, on_problem=problems.append))
        entries = counting(read_entries(folder, on_problem=problems.append))
    except FileProblem as problem:
        return Story(problem=str(problem))
    comparison = None
    soaks = tuple(_soaks(visit, others))
    before = _held_against(visit, others)
    if before is not None:
        try:
            comparison = compare(before, visit)
        except AudiomeasError as problem:
            return Story(entries=_of_the_stay(visit, others, entries), soaks=soaks, problem=str(problem))
    return Story(
        comparison=comparison,
        corrections=tuple(_corrections(entries, {each.path.name for each in (visit, before) if each is not None})),
        entries=_of_the_stay(visit, others, entries),
        soaks=soaks,
        problem=str(problems[0]) if problems else "",
    )


def _held_against(visit: Visit, others: Iterable[Visit]) -> Visit | None:
    """Return the visit that one is held against; None where there is none.

    A return is held against the unit as it was shipped; any other against what was found in the same stay: of several
    visits then that which measured most of the same steps.
    """
    earlier = [each for each in others if place_of(each) < place_of(visit) and each.path.name != visit.path.name]
    if visit.stage == _FOUND:
        return None
    if visit.stage == _RETURN:
        sold = sorted((each for each in earlier if each.stage != _RETURN), key=place_of)
        return sold[-1] if sold else None
    found = [each for each in earlier if each.stage == _FOUND and stay_in(each.facts) == stay_in(visit.facts)]
    measured = {step.name for step in visit.steps if step.result is not None}

    def shared(other: Visit) -> int:
        return len(measured & {step.name for step in other.steps if step.result is not None})

    return max(sorted(found, key=place_of), key=shared, default=None)


def _soaks(visit: Visit, others: Iterable[Visit]) -> Iterator[Soaked]:
    """Yield the soaks of a stay until a visit's end."""
    stay = stay_in(visit.facts)
    before = [each for each in others if place_of(each) < place_of(visit) and each.path.name != visit.path.name]
    for each in sorted((one for one in before if stay_in(one.facts) == stay), key=place_of):
        yield from _soaks_of(each)
    yield from _soaks_of(visit)


def _soaks_of(visit: Visit) -> Iterator[Soaked]:
    for step in visit.steps:
        if step.measurement == SOAK and step.result is not None:
            values = [channel.values for channel in step.result.channels]
            powers = [float(each["mean_w"]) for each in values if each.get("mean_w") is not None]
            yield Soaked(
                hours=max((float(each["sounding_h"]) for each in values), default=0.0),
                mean_w=min(powers, default=None),
                events=sum(int(each["events"]) for each in values),
            )


def _corrections(entries: Iterable[Entry], visits: Collection[str]) -> Iterator[Correction]:
    for each in entries:
        if isinstance(each.content, Correction) and each.content.visit in visits:
            yield each.content


def _of_the_stay(visit: Visit, others: Iterable[Visit], entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """Return the entries that were written in a visit's stay before the visit was opened."""
    before = [each for each in others if stay_in(each.facts) < stay_in(visit.facts)]
    first = [each for each in others if stay_in(each.facts) == stay_in(visit.facts)]
    begun = min(first, key=place_of, default=visit) if before else None
    return tuple(each for each in entries if _stood_before(each, visit) and not (begun and _stood_before(each, begun)))


def _stood_before(entry: Entry, visit: Visit) -> bool:
    """Return whether an entry stood in the logbook when a visit was opened: by its line, else by the clock."""
    return entry.number <= lines_at_opening(visit) if lines_known(visit) else entry.at <= visit.opened_at
