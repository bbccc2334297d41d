"""The report's words: templates that are bound to values. Nothing is claimed that no row holds; nothing is graded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from audiomeas.present.content import BALANCE, POWER, Finding, ReportContent
from audiomeas.present.digits import value_digits, with_uncertainty

SAFETY = (
    "These are measurements of one unit, at the time and under the conditions stated. "
    "They are not a safety certificate and no promise of how long the unit will work."
)
STAGES = {
    "as-found": "as found, before any work",
    "as-left": "as left, after the work",
    "after-run-in": "after run-in",
    "return": "on return",
}
_SOURCES = {"maker": "maker's specification", "house": "the workshop's limit", "era": "minimum for its time"}
#: What a number means, in one sentence, for somebody who never heard the word. Key of the quantity → sentence.
_MEANINGS = {
    POWER: "What the amplifier put into the load in this test; the most that it can give may be higher.",
    BALANCE: "How much louder one channel is: 0 dB is equally loud, 6 dB is twice the voltage.",
    "deviation_db": "How far the loudest or softest tone strays from the reference; 0 dB is even.",
    "corner_low_hz": "The deep tone at which half the power is left.",
    "corner_high_hz": "The high tone at which half the power is left.",
    "level_v_rms": "The voltage at the output during this test (r.m.s., the value that counts for power).",
    "gain_db": "How many times larger the signal leaves than it enters: 20 dB is ten times, 26 dB twenty times.",
    "thd_percent": "Overtones that the unit adds to a pure tone, as a share of it: 1 % is a hundredth.",
    "thd_n_percent": "All that comes out besides the pure tone (overtones, hum, noise), as a share of the whole.",
}
#: The same by what the unit says, for quantities that later measurements bring.
_MEANINGS_OF_UNIT = {
    "dB": "Decibels compare levels: 0 dB is the same, 3 dB twice the power, 20 dB 10 times the voltage.",
    "%": "A share of the whole signal: 1 % is a hundredth.",
    "Hz": "Frequency, the pitch of a tone: people hear from about 20 Hz (deep) to 20 000 Hz (high).",
}
_RESPONSE = (
    "How evenly deep and high tones come through: 0 dB is as loud as the tone of 1 kHz, −3 dB is half its power."
)


@dataclass(frozen=True)
class Sentence:
    """One sentence of a topic. small : an explanation, in small print.  indented : belongs to the one above."""

    text: str
    small: bool = False
    indented: bool = False


@dataclass(frozen=True, kw_only=True)
class Topic:
    """What one step of the plan found, sentence by sentence."""

    step: str
    lines: tuple[Sentence, ...]


def verdict_headline(content: ReportContent) -> str:
    """Return the verdict in one or two words."""
    return f"Verdict: {content.verdict}" if content.verdict else "No verdict"


def verdict_lines(content: ReportContent, *, most: int = 3) -> list[str]:
    """Return the verdict in plain words: how many limits were kept, and each that was not, with its value.

    most : so many are named here; of more, the number is said.
    """
    judged = [finding for finding in content.findings if finding.limit]
    lines = list(_counts(content, judged))
    for word in ("fail", "undecided"):
        found = [finding for finding in judged if finding.verdict == word]
        lines += [f"– {_named(finding)}" for finding in found[:most]]
        if len(found) > most:
            lines.append(f"– and {len(found) - most} more that {_WORDS[word]}; all are listed below.")
    lines += [f"– {gap}" for gap in content.gaps]
    return [*lines, *_highest_power(content)]


def _highest_power(content: ReportContent) -> Iterator[str]:
    """Yield the power of the loudest step, which may stand on a later page, when several steps tell one."""
    powers = [each for each in content.findings if each.quantity == POWER and each.value is not None]
    steps = dict.fromkeys(each.step for each in powers)
    if len(steps) > 1:
        loudest = max(powers, key=lambda each: each.value or 0.0).step
        members = [each for each in powers if each.step == loudest]
        values = ", ".join(f"{amount(each)} on channel {each.channel}" for each in members)
        yield f"Highest power in these tests: {values} ({loudest})."


_WORDS = {"pass": "kept their limit", "fail": "did not keep their limit", "undecided": "are undecided"}


def _counts(content: ReportContent, judged: Sequence[Finding]) -> Iterator[str]:
    if not content.findings:
        yield "Nothing was measured, so nothing can be said about this unit."
    elif not judged:
        yield "No limits were set, so there is no verdict; the values that were measured are listed below."
    else:
        number = {word: sum(finding.verdict == word for finding in judged) for word in _WORDS}
        total = len(judged)
        if number["pass"] == total:
            yield "The one value with a limit kept it." if total == 1 else f"All {total} values with a limit kept it."
        else:
            parts = [f"{count} {_one(word, count)}" for word, count in number.items() if count]
            yield f"Of {total} {'value' if total == 1 else 'values'} with a limit, {', '.join(parts)}."
    if not content.finished:
        yield "The plan was not carried out to its end: what is missing is never counted as a pass."


def _one(word: str, count: int) -> str:
    return _WORDS[word].replace("their", "its").replace("are ", "is ") if count == 1 else _WORDS[word]


def _named(finding: Finding) -> str:
    """Return a finding that was not a pass, in one line."""
    where = f" on channel {finding.channel}" if finding.channel is not None else ""
    why = f": {finding.reason}" if finding.reason and finding.verdict == "undecided" else ""
    return f"{finding.words}{where} ({finding.step}): {amount(finding)}; limit: {finding.limit}{why}."


def amount(finding: Finding) -> str:
    """Return '0.0123 ± 0.0005 %', 'at most 0.001 %' (where the bench itself is the limit), or 'not known'."""
    if finding.value is None:
        return "not known"
    unit = f" {finding.unit}" if finding.unit else ""
    if finding.bound:
        return f"{finding.bound} {value_digits(finding.value, finding.uncertainty)}{unit}"
    return f"{with_uncertainty(finding.value, finding.uncertainty)}{unit}"


def topics(content: ReportContent) -> list[Topic]:
    """Return what each step found, in the order of the plan; what a number means is said only once."""
    said: set[str] = set()
    return [_topic(step, list(group), said) for step, group in groupby(content.findings, key=lambda one: one.step)]


def _topic(step: str, findings: Sequence[Finding], said: set[str]) -> Topic:
    """Return a step's sentences, a quantity after the other. said : meanings that stand above already; added to."""
    lines: list[Sentence] = []
    for quantity in dict.fromkeys((each.quantity, each.words) for each in findings):
        members = [each for each in findings if (each.quantity, each.words) == quantity]
        lines.append(Sentence(value_line(members)))
        if limits := limit_line(members):
            lines.append(Sentence(limits, indented=True))
        meaning = meaning_of(members[0])
        if meaning and meaning not in said:
            said.add(meaning)
            lines.append(Sentence(meaning, small=True))
    return Topic(step=step, lines=tuple(lines))


def value_line(members: Sequence[Finding]) -> str:
    """Return one quantity of all channels: 'Gain: 26.83 ± 0.06 dB on channel 1, 26.77 ± 0.06 dB on channel 2.'"""
    by_channel = {each.channel: each for each in reversed(members)}
    parts = []
    for channel in sorted(by_channel, key=lambda one: one or 0):
        finding = by_channel[channel]
        why = f" ({finding.reason})" if finding.value is None and finding.reason and not finding.limit else ""
        parts.append(amount(finding) + (f" on channel {channel}" if channel is not None else "") + why)
    words = members[0].words
    return f"{words[:1].upper()}{words[1:]}: {', '.join(parts)}."


def limit_line(members: Sequence[Finding]) -> str:
    """Return the limits on a quantity, each with its verdict: 'Limit at most 0.1 %: pass.' ('' without a limit)."""
    judged = [each for each in members if each.limit]
    parts = []
    for limit, source in dict.fromkeys((each.limit, each.source) for each in judged):
        under = [each for each in judged if (each.limit, each.source) == (limit, source)]
        whose = _SOURCES.get(source, source)
        parts.append(limit + (f" ({whose})" if whose else "") + f": {_verdict_words(under)}")
    return f"{'Limit' if len(parts) == 1 else 'Limits'} {'; '.join(parts)}." if parts else ""


def _verdict_words(under: Sequence[Finding]) -> str:
    """Return 'pass', or 'pass on channel 1, fail on channel 2'; why something is undecided stands behind it."""
    groups: dict[str, list[str]] = {}
    for each in under:
        # Why a value failed is seen from the limit beside it; why one is undecided is not.
        why = f" ({each.reason})" if each.reason and each.verdict == "undecided" else ""
        groups.setdefault(f"{each.verdict}|{why}", []).append("" if each.channel is None else str(each.channel))
    parts = []
    for key, channels in groups.items():
        word, _, why = key.partition("|")
        many = "channels" if len(channels) > 1 else "channel"
        where = f" on {many} {_listed(channels)}" if len(groups) > 1 and any(channels) else ""
        parts.append(f"{word}{where}{why}")
    return ", ".join(parts)


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def meaning_of(finding: Finding) -> str:
    """Return what a quantity means in one sentence; '' where nothing general can be said."""
    known = _MEANINGS.get(finding.quantity)
    if finding.quantity.endswith("db_difference"):
        known = _MEANINGS[BALANCE]
    return known or _MEANINGS_OF_UNIT.get(finding.unit, "")


def chart_meaning(content: ReportContent) -> str:
    """Return what the chart shows in one sentence."""
    return _RESPONSE if content.chart is not None and content.chart.name == "response" else ""
