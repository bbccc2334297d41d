"""What a page says of a visit's stay in words: as found and now, what was done, how long it played."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from audiomeas.measurement.soak_views import lasted
from audiomeas.present.amounts import amount_range
from audiomeas.present.content import BALANCE, POWER
from audiomeas.present.sentences import STAGES, Sentence, Topic, heading
from audiomeas.present.small_words import capital, grouped, listed, on_channel, steps_of

if TYPE_CHECKING:
    from audiomeas.present.content import Finding, Moved, StayContent

#: Of so many quantities without a failure the page tells how they moved: the rest is in the annex and in `compare`.
_MOST_MOVED = 2
#: So many groups of values that failed are named; of more, the number.
_MOST_FAILED = 5
#: Behind what moved without having failed, so that nobody counts it with what did.
_WITHIN, _NO_LIMIT = "within its limit both times", "no limit"
_COUNTS = "Of {total} figures measured both times, beyond their ±: {parts}."
_NOT_RUN_IN = "None are written down; hours of playing show faults that come late."
_NO_WORK = "No repair and no adjustment is written down in its logbook."


def stay_topics(stay: StayContent | None, *, short: bool = False) -> list[Topic]:
    """Return what was found before, what was done, and the hours of run-in; nothing where nothing came before.

    short : the main of it: what failed, and one more.
    """
    if stay is None:
        return []
    found = [Topic(words=f"{_then(stay)} and now", lines=tuple(_found(stay, short=short)))] if stay.against else []
    done = [Sentence(capital(f"{text}."), indented=True) for text in stay.done] or [Sentence(_NO_WORK)]
    done += [Sentence(capital(f"{note}."), small=True) for note in stay.notes]
    return [
        *found,
        Topic(words="What was done", lines=tuple(done)),
        Topic(words="Hours of run-in", lines=(Sentence(_run_in(stay)),)),
    ]


def _then(stay: StayContent) -> str:
    return capital(STAGES.get(stay.against, stay.against).partition(",")[0])


def _run_in(stay: StayContent) -> str:
    heard = "" if stay.played_h is None else f"{stay.played_h:.3g} h of listening are written down in its logbook"
    if not stay.soaks:
        return f"{heard}; no other run-in." if heard else _NOT_RUN_IN
    hours, events = sum(each[0] for each in stay.soaks), sum(each[2] for each in stay.soaks)
    powers = [each[1] for each in stay.soaks if each[1] is not None]
    power = f" at {min(powers):.3g} W a channel" if powers else ""
    stood = "without an event" if events == 0 else f"with {events} event{'' if events == 1 else 's'}"
    tail = f"; {heard}" if heard else ""
    return f"It played for {lasted(hours)}{power} while each second was watched, {stood}{tail}."


def _found(stay: StayContent, *, short: bool) -> Iterator[Sentence]:
    failed = [each for each in stay.moved if each.before.verdict == "fail"]
    new = [each for each in stay.moved if each.after.verdict == "fail" and each.before.verdict != "fail"]
    yield Sentence(_cured(stay, failed))
    groups = grouped(
        [*failed, *new], lambda each: (each.after.quantity, each.after.words, each.after.channel, each.after.limit)
    )
    yield from (Sentence(f"– {_line(group)}", indented=True) for group in groups[:_MOST_FAILED])
    if left := sum(map(len, groups[_MOST_FAILED:])):
        yield Sentence(f"– and {left} more.", indented=True)
    yield from (
        Sentence(f"– {_line(group)}", indented=True)
        for group in _others(stay, [*failed, *new])[: 1 if short else _MOST_MOVED]
    )
    if not short and (total := sum(stay.counts.values())):
        parts = listed([f"{number} {_COUNT_WORDS.get(word, word)}" for word, number in stay.counts.items() if number])
        yield Sentence(_COUNTS.format(total=total, parts=parts), small=True)


_COUNT_WORDS = {"changed": "changed", "unchanged": "did not change", "can't tell": "can't be told"}


def _cured(stay: StayContent, failed: Sequence[Moved]) -> str:
    """Return how many values failed before and where, and how many of them keep their limit now."""
    missed = [each for each in stay.not_again if each.verdict == "fail"]
    total = len(failed) + len(missed)
    when = f"On {stay.against_date}"
    if not total:
        return f"{when} no value was outside its limit."
    places = grouped([*(each.before for each in failed), *missed], _where)
    where = listed([f"{len(group)} {_where(group[0])}" for group in sorted(places, key=_channel_first)])
    kept = sum(each.after.verdict == "pass" for each in failed)
    parts = [f"{kept} of them {'keeps' if kept == 1 else 'keep'} it now"]
    if kept == total:
        parts = [{1: "it keeps it now", 2: "both keep it now"}.get(total, f"all {total} keep it now")]
    words = {"fail": "still {} not", "undecided": "{} undecided now"}
    for word, form in words.items():
        if count := sum(each.after.verdict == word for each in failed):
            verb = ("does" if count == 1 else "do") if word == "fail" else ("is" if count == 1 else "are")
            parts.append(f"{count} {form.format(verb)}")
    if missed:
        parts.append(f"{len(missed)} {'was' if len(missed) == 1 else 'were'} not held against it again")
    values = "1 value was outside its limit" if total == 1 else f"{total} values were outside their limit"
    return f"{when} {values} ({where}): {', '.join(parts)}."


def _where(finding: Finding) -> str:
    if finding.channel is not None:
        return on_channel(finding.channel).strip()
    return "comparing the channels" if finding.quantity.endswith(("_difference", BALANCE)) else "of the whole unit"


def _channel_first(group: Sequence[Finding]) -> tuple[bool, int]:
    return group[0].channel is None, group[0].channel or 0


def _others(stay: StayContent, told: Sequence[Moved]) -> list[list[Moved]]:
    """Return what else changed, a few quantities: the power first, each where it is largest."""
    known = {(each.after.quantity, each.after.channel) for each in told}
    changed = [
        each
        for each in stay.moved
        if each.change == "changed"
        and (each.after.quantity, each.after.channel) not in known
        and each.after.value is not None
    ]
    groups = grouped(changed, lambda each: (each.after.quantity, each.after.words, each.after.channel))
    groups.sort(key=lambda group: group[0].after.quantity != POWER)
    return [[max(group, key=lambda each: abs(each.after.value or 0.0))] for group in groups]


def _line(group: Sequence[Moved]) -> str:
    """Return 'Gain on channel 2: 25.2 dB, now 26.8 dB: fail, now pass.'; the limits stand with what is found now."""
    first = group[0]
    then, now = ([getattr(each, side) for each in group] for side in ("before", "after"))
    tests = len(steps_of(now))
    where = f"{heading(first.after)}{on_channel(first.after.channel)}{f' in {tests} tests' if tests > 1 else ''}"
    verdicts = dict.fromkeys((each.before.verdict, each.after.verdict) for each in group)
    if first.after.limit and list(verdicts) != [("pass", "pass")]:
        outcome = " / ".join(f"{before}, now {after}" for before, after in verdicts)
    else:
        outcome = f"{first.change}, {_WITHIN if first.after.limit else _NO_LIMIT}" if first.change else ""
    return f"{where}: {amount_range(then)}, now {amount_range(now)}{f': {outcome}' if outcome else ''}."
