"""What a page says of a visit within its stay: what was found before, what was done, and what moved by it.

    content = page_content(visit)

gathers all that a page says, from the visit's record and from what stands beside it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from audiomeas.present.content import Moved, ReportContent, StayContent, content_of, findings_of
from audiomeas.present.entries import day, done_words
from audiomeas.record.story import Story, story_of
from audiomeas.record.void import later_of

if TYPE_CHECKING:
    from audiomeas.present.content import Finding
    from audiomeas.record.compare import Comparison
    from audiomeas.record.entry import Correction
    from audiomeas.record.visit import Visit

_NOT_KNOWN = "What came before is not fully known: a record beside this one can't be read, or was changed"
_NOT_FINISHED = "The earlier visit was not carried out to its end"
_TWO_VERSIONS = "The two visits were measured by two versions of the program"

#: Step, quantity and channel; with a limit and its source it can be held against the same one of another visit.
_Figure = tuple[str, str, int | None]
_Place = tuple[_Figure, str, str]


def page_content(visit: Visit) -> ReportContent:
    """Return all that a page says of a visit: its own record, what came before it in its stay, and what came since."""
    return with_stay(content_of(visit, later=later_of(visit)), story_of(visit))


def with_stay(content: ReportContent, story: Story) -> ReportContent:
    """Return a page's content with what came before the visit in its stay."""
    return replace(content, stay=stay_of_story(story, content.findings))


def stay_of_story(story: Story, told: Sequence[Finding]) -> StayContent | None:
    """Return what a page says of a stay; None where nothing came before the visit. told : what the page says anyway."""
    comparison = story.comparison
    soaks = tuple((each.hours, each.mean_w, each.events) for each in story.soaks)
    if comparison is None and not story.entries and not story.problem and not soaks:
        return None
    if comparison is None:
        return StayContent(done=_done(story), played_h=story.played_h, soaks=soaks, notes=_notes(story))
    moved, not_again = _moved(comparison, story.corrections, {_figure(each) for each in told})
    return StayContent(
        against=comparison.before.stage,
        against_date=f"{comparison.before.opened_at:%Y-%m-%d}",
        moved=moved,
        not_again=not_again,
        counts={str(word): number for word, number in comparison.counts().items()},
        done=_done(story),
        played_h=story.played_h,
        soaks=soaks,
        notes=_notes(story),
    )


def _notes(story: Story) -> tuple[str, ...]:
    """Return what a customer must know of the comparison; names of folders are for the workshop (`Story.problem`)."""
    known = {_NOT_KNOWN: bool(story.problem)}
    if story.comparison is not None:
        before, after = story.comparison.before, story.comparison.after
        known |= {_NOT_FINISHED: not before.finished, _TWO_VERSIONS: before.version != after.version}
    return tuple(words for words, holds in known.items() if holds)


def _done(story: Story) -> tuple[str, ...]:
    return tuple(f"{day(each)}, {done_words(each)}" for each in story.work)


def _moved(
    comparison: Comparison, corrections: Sequence[Correction], shown: Collection[_Figure]
) -> tuple[tuple[Moved, ...], tuple[Finding, ...]]:
    """Return the values that both visits have, and the findings against a limit that only the first one has.

    First those that failed at one of them, under each of their limits; then what moved, once however many limits stand
    on it. What was corrected since is no value of either.
    """
    words = {(row.step, row.quantity, row.channel or None): row.change.word for row in reversed(comparison.rows)}
    unlike = {left.step for left in comparison.not_compared if not left.what}
    then, now = _by_place(comparison.before), _by_place(comparison.after)
    pairs = [
        Moved(before=then[place], after=each, change=words.get(_figure(each)))
        for place, each in now.items()
        if place in then and each.step not in unlike and _figure(each) in shown and not _corrected(each, corrections)
    ]
    kept: dict[object, Moved] = {}
    for pair in sorted(pairs, key=_rank):
        kept.setdefault((_figure(pair.after), pair.after.limit if _rank(pair) == 0 else ""), pair)
    again = {(_figure(pair.after), pair.after.limit, pair.after.source) for pair in pairs}
    missed = [each for each in then.values() if each.verdict not in (None, "pass")]
    return tuple(_once(kept.values())), tuple(
        each for each in missed if (_figure(each), each.limit, each.source) not in again
    )


def _once(pairs: Iterable[Moved]) -> Iterator[Moved]:
    """Yield each pair that failed, and of each other figure the first: what failed needs no second line."""
    told: set[_Figure] = set()
    for pair in pairs:
        if _rank(pair) == 0 or _figure(pair.after) not in told:
            yield pair
        told.add(_figure(pair.after))


def _figure(finding: Finding) -> _Figure:
    return finding.step, finding.quantity, finding.channel


def _corrected(finding: Finding, corrections: Iterable[Correction]) -> bool:
    """Return whether a correction touches a finding, or what it was made of (a difference between channels)."""
    return any(
        each.step == finding.step
        and finding.quantity.startswith(each.quantity)
        and (finding.channel is None or each.channel in (None, finding.channel))
        for each in corrections
    )


def _by_place(visit: Visit) -> dict[_Place, Finding]:
    """Return a visit's findings by what they are: without a limit too, which is '' then."""
    found: dict[_Place, Finding] = {}
    for step in visit.steps:
        for each in findings_of(step):
            found.setdefault((_figure(each), each.limit, each.source), each)
    return found


def _rank(pair: Moved) -> int:
    """Return how early a pair is told: what failed, what is undecided, what changed, the rest."""
    verdicts = (pair.before.verdict, pair.after.verdict)
    if "fail" in verdicts:
        return 0
    if "undecided" in verdicts:
        return 1
    return 2 if pair.change == "changed" else 3
