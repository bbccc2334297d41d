"""The report's words: templates that are bound to values. Nothing is claimed that no row holds; nothing is graded."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from audiomeas.measurement.entered import AS_EXPECTED
from audiomeas.measurement.result import SIMULATED_NOTE
from audiomeas.present.amounts import amount, amount_range, amounts, power_ranges, same_powers, without_uncertainty
from audiomeas.present.content import BALANCE, MASK, POWER, Finding, ReportContent
from audiomeas.present.small_words import (
    before_value,
    capital,
    grouped,
    listed,
    on_channel,
    source_words,
    steps_of,
    whose,
)
from audiomeas.present.stepnames import listed_steps, short_names
from audiomeas.present.text import clean_text
from audiomeas.shown_digits import with_minus

if TYPE_CHECKING:
    from audiomeas.measurement.views import ChartView

SAFETY = (
    "These are measurements of one unit, at the time and under the conditions stated. "
    "They are not a safety certificate and no promise of how long the unit will work."
)
#: Stands below the name of a unit that is none.
SIMULATED_UNIT = f"{SIMULATED_NOTE}."
STAGES = {
    "as-found": "as found, before any work",
    "as-left": "after the work",
    "after-run-in": "after run-in",
    "return": "on return",
}
#: Shorter than the quantity's own words, and as plain.
_HEADINGS = {
    BALANCE: "balance of the channels",
    "gain_db_difference": "balance of the channels",
    "deviation_db": "deviation from a flat response",
}
#: What a customer asks first stands first: the power that a claim is held to, then the powers of single steps.
_FIRST = ("least_power_w", POWER)
_OVERTONES = "Overtones that the unit adds to a pure tone, as a share of it: 1 % is a hundredth."
_ALL_BESIDES = "All that comes out besides the pure tone (overtones, hum, noise), as a share of the whole."
_RUMBLE = "How far the growl of motor and bearing lies below a loud tone of the record: further below is quieter."
#: What a number means, in one sentence, for somebody who never heard the word. Key of the quantity → sentence.
_MEANINGS = {
    "unweighted_db": _RUMBLE,
    "weighted_db": _RUMBLE,
    POWER: "What the amplifier put into the load in this test; the most that it can give may be higher.",
    BALANCE: "How much louder one channel is: 0 dB is equally loud, 3 dB is twice the power.",
    "deviation_db": "How far the loudest or softest tone strays from the reference; 0 dB is even.",
    "corner_low_hz": "The deep tone at which half the power is left.",
    "corner_high_hz": "The high tone at which half the power is left.",
    "level_v_rms": "The voltage at the output during this test (r.m.s., the value that counts for power).",
    "least_power_w": (
        "What each channel gave at every tone that was tried, with no more distortion than stated; the most that it "
        "can give may be higher."
    ),
    "onset_w": "Distortion is twice its least there. Where it grows steadily, power at a stated distortion says more.",
    "gain_db": "How much larger the signal leaves than it enters: 20 dB is ten times, 26 dB twenty times.",
    "thd_percent": _OVERTONES,
    "thd_n_percent": _ALL_BESIDES,
}
#: The same for quantities whose keys begin alike, the first that fits.
_MEANINGS_OF_FAMILY: tuple[tuple[tuple[str, ...], str], ...] = (
    (("snr_",), "How far the signal stands above hiss and hum: 60 dB is a thousand times the voltage."),
    (
        ("crosstalk_", "worst_crosstalk_"),
        "How much of one channel is in the other: −40 dB is a hundredth of the voltage.",
    ),
    (
        ("separation_", "lowest_separation_"),
        "How far a channel that plays alone stands above what the other has of it: 40 dB is a hundred times the "
        "voltage.",
    ),
    (("thd_n_mono_", "thd_n_stereo_"), _ALL_BESIDES),
    (("thd_mono_", "thd_stereo_percent", "thd_low_"), _OVERTONES),
    (
        ("pilot_residue_", "subcarrier_residue_", "high_residue_"),
        "What is left of the tones that carry FM stereo: too high to be heard, but recorders whistle by them.",
    ),
    (("de_emphasis_us",), "How treble is turned down again that every FM station turns up: 50 or 75 µs by country."),
    (("hum_",), "The part of the noise that comes from the mains: a tone of 50 or 60 Hz and its overtones."),
    (
        (
            "unweighted_v",
            "unweighted_input_",
            "a_weighted_",
            "c_weighted_",
            "itu_r_",
            "filtered_",
            "noise_on_",
            "noise_off_",
            "idle_a_v",
        ),
        "Hiss and hum while nothing is played: the less, the quieter.",
    ),
    (("dynamic_range_", "idle_a_below_"), "How far the loudest signal stands above the noise that is left."),
    (("damping_", "lowest_damping_"), "How firmly a loudspeaker is held: the load's ohms over the amplifier's own."),
    (("output_impedance_", "largest_output_impedance_"), "The amplifier's own ohms, in series with the loudspeaker."),
    (
        ("input_impedance_", "input_resistance_", "input_capacitance_"),
        "What the unit is as a load for the one before it.",
    ),
    (("imd_", "d2_", "d3_"), "What arises when two tones are played together, as a share of them: 1 % is a hundredth."),
    (("onset_v", "onset_input_"), "From this voltage on overtones grow quickly."),
    (("at_", "least_power_v", "least_input_"), "Where overtones reach the stated share of the tone."),
    (("low_level_", "high_level_", "step_"), "The voltage at the output in this test."),
    (
        ("rise_time_", "fall_time_", "unit_rise_", "quiet_rise_"),
        "How fast a jump is followed: 1 µs is a millionth second.",
    ),
    (("slew_",), "The steepest slope that was seen at the output, in volts in a millionth of a second."),
    (("turn_on_", "turn_off_"), "The jolt that a loudspeaker would get."),
    (("relay_",), "How long the unit waits before it lets sound out."),
    (("recovery_", "settling_"), "How long it takes until all is as before."),
    (("sensitivity_",), "The voltage at the input that gives the rated output."),
    (("burst_",), "What it gives for a moment, a fiftieth of a second."),
    (("end_w",), "What went into the load when the warming-up ended."),
    (("speed_",), "How far the speed is off, and with it the pitch: 6 % is a semitone."),
    (
        (
            "weighted_percent",
            "weighted_rms_",
            "unweighted_percent",
            "unweighted_rms_",
            "quasi_peak_",
            "nab_",
            "wow_",
            "flutter_",
        ),
        "How much the pitch wavers, as a share of it: 6 % is a semitone.",
    ),
    (("lateral_unweighted_", "lateral_weighted_", "vertical_unweighted_", "vertical_weighted_"), _RUMBLE),
    (
        ("lateral_", "vertical_"),
        "How the arm swings by itself on the needle: best at 8 to 12 Hz, above warps, below music.",
    ),
    (
        ("azimuth_",),
        "How squarely the head stands to the tape: when it is off, treble gets lost.",
    ),
    (("spacing_um", "gap_um"), "What of the head costs treble, in thousandths of a millimetre."),
    (("sounding_h",), "How long it played in its run-in."),
    (("energy_wh",), "What went into the load meanwhile: a lamp of 10 W uses 10 Wh in an hour."),
    (("equalization_",), "How far it strays from the curve that the medium is made by; 0 is on it."),
)
#: The same by what the unit says, for quantities that later measurements bring.
_MEANINGS_OF_UNIT = {
    "dB": "Decibels compare levels: 0 dB is the same, 3 dB twice the power, 20 dB 10 times the voltage.",
    "%": "A share of the whole signal: 1 % is a hundredth.",
    "dBFS": "Against the largest level that a converter knows: −100 dBFS is a hundred-thousandth of it.",
    "ppm": "Millionths: 100 ppm is 0.01 %.",
    "cents": "Hundredths of a semitone.",
    "ms": "1 ms is a thousandth of a second.",
    "µs": "1 µs is a millionth of a second.",
    "ns": "1 ns is a thousandth of a millionth of a second.",
    "Hz": "Frequency, the pitch of a tone: people hear from about 20 Hz (deep) to 20 000 Hz (high).",
}
_OF_A_MASK = (
    "A mask is a band that a curve must stay inside: the margin is how far away its edge stays where the curve "
    "comes nearest to it; below zero the curve leaves the band."
)
_RESPONSE = (
    "How evenly deep and high tones come through: 0 dB is as loud as the tone of 1 kHz, −3 dB is half its power."
)


@dataclass(frozen=True)
class Sentence:
    """One sentence of a topic. small : an explanation, in small print.  indented : belongs to the one above.

    strong : what a customer looks for first, in bold.
    """

    text: str
    small: bool = False
    indented: bool = False
    strong: bool = False


@dataclass(frozen=True, kw_only=True)
class Topic:
    """What was found of one quantity, sentence by sentence."""

    words: str
    lines: tuple[Sentence, ...]


#: Of more steps than this the short form tells the range.
_MANY_STEPS = 2
#: Heads what the short form leaves to the record.
_MORE = "Also measured"
_NO_LIMIT = "without a limit; the values are in the record."
#: Heads what a person was asked.
_BY_HAND = "Checked by hand"

# ---------------------------------------------------------------- the head


def unit_name(content: ReportContent) -> str:
    """Return what heads a report: maker and model."""
    return clean_text(f"{content.maker} {content.model}") or "Unit without a name"


def report_title(content: ReportContent) -> str:
    """Return the title of a report's file."""
    return clean_text(f"Measurements of {unit_name(content)}, {content.identity}")


def head_facts(content: ReportContent) -> str:
    """Return the line below the name: 'power amplifier · serial D-0001 · measured 2024-05-01 · as found, …'."""
    stage = STAGES.get(content.stage, content.stage)
    return " · ".join(filter(None, (content.kind, content.identity, f"measured {content.date}", stage)))


def made_by(content: ReportContent) -> str:
    """Return which program made a report, by which plan."""
    return f"audiomeas {content.version}".strip() + (f", plan “{content.plan}”" if content.plan else "")


# ---------------------------------------------------------------- the verdict


def verdict_headline(content: ReportContent) -> str:
    """Return the verdict in one or two words."""
    return f"Verdict: {content.verdict}" if content.verdict else "No verdict"


def verdict_lines(content: ReportContent, *, most: int = 3) -> list[str]:
    """Return the verdict in plain words: how many limits were kept, and each that was not, with its value.

    most : of so many limits the values that did not keep them are named here, and so many values of each; of more, the
    number is said.
    """
    judged = [finding for finding in content.findings if finding.limit]
    lines = list(_counts(content, judged))
    for word in ("fail", "undecided"):
        groups = _by_limit([finding for finding in judged if finding.verdict == word])
        lines += [f"– {_named(group, content.findings, most)}" for group in groups[:most]]
        if left := sum(map(len, groups[most:])):
            lines.append(f"– and {left} more that {_WORDS[word]}; all are listed below.")
    return [*content.later, *lines, *(f"– {gap}" for gap in content.gaps)]


#: Of more steps than this a verdict tells the number.
_MOST_STEPS = 6
_WORDS = {"pass": "kept their limit", "fail": "did not keep their limit", "undecided": "are undecided"}


def _counts(content: ReportContent, judged: Sequence[Finding]) -> Iterator[str]:
    if not content.findings:
        yield "Nothing was measured, so nothing can be said about this unit."
    elif not judged and content.verdict is not None:
        yield "No value was held against a limit; the values that were measured are listed below."
    elif not judged:
        yield "No limits were set, so there is no verdict; the values that were measured are listed below."
    else:
        number = {word: sum(finding.verdict == word for finding in judged) for word in _WORDS}
        total = len(judged)
        if number["pass"] == total:
            yield "The one value with a limit kept it." if total == 1 else f"All {total} values with a limit kept it."
            if content.verdict == "pass":
                yield "The unit did all that these tests asked of it."
        else:
            parts = [f"{count} {_one(word, count)}" for word, count in number.items() if count]
            yield f"Of {total} {'value' if total == 1 else 'values'} with a limit, {', '.join(parts)}."
    if not content.finished:
        yield "The plan was not carried out to its end, and its record was not closed."
    if not content.finished or content.gaps:
        yield "What is missing is never counted as a pass."


def _one(word: str, count: int) -> str:
    return _WORDS[word].replace("their", "its").replace("are ", "is ") if count == 1 else _WORDS[word]


def _by_limit(findings: Sequence[Finding]) -> list[list[Finding]]:
    """Return findings in groups of one quantity under one limit (undecided ones: one reason, questions: one answer)."""
    return grouped(findings, lambda each: (each.quantity, each.words, each.limit, each.source, each.answer, _why(each)))


def _named(group: Sequence[Finding], findings: Sequence[Finding], most: int) -> str:
    """Return the values that did not pass one limit: 'Gain: 26.8 dB on channel 1 (at 1 W); limit: at most 20 dB.'"""
    first = group[0]
    texts = amounts(_alike(first, findings))
    names = short_names(steps_of(group), heading(first))
    same: dict[str, list[str]] = {}
    for each in group:
        same.setdefault(f"{texts[each.step, each.channel]}{on_channel(each.channel)}", []).append(names[each.step])
    # Values of the same steps stand together, the steps behind the last of them.
    parts = [
        f"{', '.join(value for value, _ in together)} ({_few_steps(steps)})"
        for steps, together in groupby(same.items(), key=lambda item: item[1])
    ]
    if len(parts) > most:
        parts = [*parts[:most], f"and {len(parts) - most} more, listed below"]
    if first.quantity == AS_EXPECTED:  # a question names its step, and 'expected: yes' is no limit
        return f"{before_value(heading(first))} {amount(first)}; {first.limit}{whose(first)}{_why(first)}."
    return f"{heading(first)}: {', '.join(parts)}; limit: {first.limit}{whose(first)}{_why(first)}."


def _few_steps(steps: Sequence[str]) -> str:
    return listed_steps(steps) if len(steps) <= _MOST_STEPS else f"in {len(steps)} steps, listed below"


def _alike(finding: Finding, findings: Sequence[Finding]) -> list[Finding]:
    return [each for each in findings if (each.quantity, each.words) == (finding.quantity, finding.words)]


# ---------------------------------------------------------------- what was found


def topics(content: ReportContent, *, short: bool = False) -> list[Topic]:
    """Return what was found of each quantity: powers first, then in the order of the plan.

    What a number means is said below it, and only once.
    short : the main of it: of many steps the range, of figures without a limit (but power) the name.
    """
    answered = [each for each in content.findings if each.quantity == AS_EXPECTED]
    kinds = grouped(
        (each for each in content.findings if each.quantity != AS_EXPECTED), lambda each: (each.quantity, each.words)
    )
    kinds.sort(key=lambda kind: _FIRST.index(kind[0].quantity) if kind[0].quantity in _FIRST else len(_FIRST))
    left_out = [kind for kind in kinds if short and kind[0].quantity not in _FIRST and not any(map(_judged, kind))]
    left_out = left_out if any(map(_judged, content.findings)) else []
    said: set[str] = set()
    found = [_topic(kind, said, short=short) for kind in kinds if kind not in left_out]
    found += [_by_hand(answered)] if answered else []
    named = listed(list(dict.fromkeys(heading(kind[0]).lower() for kind in left_out)))
    more = Sentence(f"{capital(named)}, {_NO_LIMIT}", small=True)
    return [*found, Topic(words=_MORE, lines=(more,))] if named else found


def _judged(finding: Finding) -> bool:
    return bool(finding.limit)


def _by_hand(answered: Sequence[Finding]) -> Topic:
    """Return what was looked at and answered: first what is not as expected, then the rest in one sentence."""
    kept = [each.words.rstrip(".?") for each in answered if each.verdict == "pass"]
    others = [each for each in answered if each.verdict not in (None, "pass")]
    lines = [
        Sentence(
            f"{before_value(capital(each.words))} {amount(each)}. {capital(each.limit)}{whose(each)}: {each.verdict}."
        )
        for each in others
    ]
    lines += [Sentence(f"As expected: {'; '.join(kept)}.")] if kept else []
    told = [f"{before_value(each.words.rstrip('.:'))} {each.answer}" for each in answered if each.verdict is None]
    lines += [Sentence(f"{capital(text)}.") for text in told]
    return Topic(words=_BY_HAND, lines=tuple(lines))


def _topic(members: Sequence[Finding], said: set[str], *, short: bool) -> Topic:
    """Return a quantity's sentences. said : meanings that stand above already; added to."""
    quantity = members[0].quantity
    many = short and len(steps_of(members)) > _MANY_STEPS
    texts = [range_line(members)] if many else value_lines(members)
    plain = [Sentence(text, strong=quantity in _FIRST) for text in texts]
    lines = _power_lines(members, most=1 if short else None) if quantity == POWER else plain
    if limits := limit_line(members):
        lines.append(Sentence(limits, indented=True))
    meaning = meaning_of(members[0])
    notes = ["" if short else _bases(members)] + ([] if meaning in said else [meaning])
    said.add(meaning)
    if without_uncertainty(members):
        notes.append("Without ±, the uncertainty is not known.")
    if any(notes):
        lines.append(Sentence(" ".join(filter(None, notes)), small=True))
    return Topic(words=heading(members[0]), lines=tuple(lines))


def _bases(members: Sequence[Finding]) -> str:
    """Return what the figures count or refer to; step by step where that differs."""
    names = short_names(steps_of(members), heading(members[0]))
    groups = grouped([each for each in members if each.basis], lambda each: each.basis)
    if len(groups) == 1:
        return f"{capital(groups[0][0].basis)}."
    parts = [f"{group[0].basis} ({listed_steps([names[step] for step in steps_of(group)])})" for group in groups]
    return f"{capital('; '.join(parts))}." if parts else ""


def _power_lines(members: Sequence[Finding], *, most: int | None = None) -> list[Sentence]:
    """Return the powers, the highest in bold; steps that gave the same one share a line. most : of so many groups."""
    lines = []
    for number, group in enumerate(same_powers(members)[:most]):
        names = steps_of(group)
        steps, which = listed_steps(names), "Test" if len(names) == 1 else "Tests"
        values = _listed_values(power_ranges(group))
        if number == 0:
            lines += [Sentence(values, strong=True), Sentence(f"{which}: {steps}.", indented=True)]
        else:
            lines.append(Sentence(f"{capital(steps)}: {values}."))
        lines += [Sentence(f"Not known: {each.reason}.", indented=True) for each in group if _unexplained(each)]
    return lines


def value_lines(members: Sequence[Finding]) -> list[str]:
    """Return one quantity step by step: 'At 1 W: 26.83 ± 0.06 dB on channel 1, 26.77 ± 0.06 dB on channel 2.'"""
    texts = amounts(members)
    names = short_names(steps_of(members), heading(members[0]))
    lines = []
    for step in names:
        reasons = {each.channel: f" ({each.reason})" for each in members if each.step == step and _unexplained(each)}
        channels = sorted((channel for at, channel in texts if at == step), key=lambda channel: channel or 0)
        values = {channel: f"{texts[step, channel]}" for channel in channels}
        lines.append(f"{capital(names[step])}: {_listed_values(values, reasons)}.")
    return lines


def range_line(members: Sequence[Finding]) -> str:
    """Return one quantity of many steps: '0.0081 % to 0.045 % on channel 1, in 4 tests.'"""
    values = {group[0].channel: amount_range(group) for group in grouped(members, lambda each: each.channel)}
    return f"{_listed_values(values)}, in {len(steps_of(members))} tests."


def _unexplained(finding: Finding) -> bool:
    """Return whether a missing value's reason is not told with its limit."""
    return finding.value is None and bool(finding.reason) and not finding.limit


def _listed_values(values: Mapping[int | None, str], reasons: Mapping[int | None, str] | None = None) -> str:
    whys = reasons or {}
    return ", ".join(f"{text}{on_channel(channel)}{whys.get(channel, '')}" for channel, text in values.items())


def limit_line(members: Sequence[Finding]) -> str:
    """Return the limits on a quantity with their verdicts: 'Limit at most 0.1 %: pass.' ('' without a limit)."""
    judged = [each for each in members if each.limit]
    names = short_names(steps_of(members), heading(members[0]))
    parts = [_limit_words(group, names) for group in grouped(judged, lambda each: (each.limit, each.source))]
    return f"{'Limit' if len(parts) == 1 else 'Limits'} {'; '.join(parts)}." if parts else ""


def _limit_words(under: Sequence[Finding], names: Mapping[str, str]) -> str:
    """Return one limit, whose it is, the steps that it holds for (where others have none), and its verdicts."""
    limited = steps_of(under)
    told = [source_words(under[0])]
    if len(limited) < len(names):
        told.append(listed_steps([names[step] for step in limited]))
    brackets = ", ".join(filter(None, told))
    return f"{under[0].limit}{f' ({brackets})' if brackets else ''}: {_verdict_words(under, names)}"


def _verdict_words(under: Sequence[Finding], names: Mapping[str, str]) -> str:
    """Return 'pass', or 'fail on channel 2 (at 1 W), pass elsewhere'; why something is undecided stands behind it."""
    groups = grouped(under, lambda each: (str(each.verdict), _why(each)))
    groups.sort(key=lambda group: _ORDER.index(str(group[0].verdict)))
    if len(groups) == 1:
        return f"{under[0].verdict}{_why(under[0])}"
    parts = []
    for group in groups:
        places = _places(group, steps_of(under), names)
        if group[0].verdict == "pass" and len(places) > 1:
            parts.append("pass elsewhere")
        else:
            parts.append(f"{group[0].verdict}{listed(places)}{_why(group[0])}")
    return ", ".join(parts)


_ORDER = ("fail", "undecided", "pass")


def _places(group: Sequence[Finding], all_steps: Sequence[str], names: Mapping[str, str]) -> list[str]:
    """Return where a verdict holds: ' on channel 2 (at 1 W)'; no step where it holds in all of them."""
    by_channels: dict[tuple[int | None, ...], list[str]] = {}
    for step in steps_of(group):
        channels = tuple(each.channel for each in group if each.step == step)
        by_channels.setdefault(channels, []).append(step)
    places = []
    for channels, steps in by_channels.items():
        known = [str(channel) for channel in channels if channel is not None]
        where = f" on {'channels' if len(known) > 1 else 'channel'} {listed(known)}" if known else ""
        whole = len(steps) == len(all_steps)
        places.append(where + ("" if whole else f" ({listed_steps([names[step] for step in steps])})"))
    return places


# ---------------------------------------------------------------- small words


def _why(finding: Finding) -> str:
    """Return why a value is undecided; why one failed is seen from the limit beside it, but for where in a mask."""
    told = finding.verdict == "undecided" or (finding.verdict == "fail" and finding.quantity.endswith(MASK))
    return f" ({finding.reason})" if finding.reason and told else ""


def heading(finding: Finding) -> str:
    """Return the words that stand in the margin for a quantity: 'Harmonic distortion'."""
    return capital(_HEADINGS.get(finding.quantity, finding.words))


def meaning_of(finding: Finding) -> str:
    """Return what a quantity means in one sentence; '' where nothing general can be said."""
    known = _MEANINGS.get(finding.quantity)
    if finding.quantity.endswith(MASK):
        return _OF_A_MASK
    if finding.quantity.endswith("db_difference"):
        known = _MEANINGS[BALANCE]
    family = (words for starts, words in _MEANINGS_OF_FAMILY if finding.quantity.startswith(starts))
    return known or next(family, "") or _MEANINGS_OF_UNIT.get(finding.unit, "")


def conditions_told(content: ReportContent) -> list[tuple[str, list[str]]]:
    """Return how it was measured and what must be known with it: a topic and its sentences each."""
    entries = [*content.conditions, *(("Caution", caution) for caution in content.cautions)]
    return [
        (topic, [capital(with_minus(text)) for _, text in group])
        for topic, group in groupby(entries, key=lambda entry: entry[0])
    ]


def chart_meaning(content: ReportContent) -> str:
    """Return what the customer's chart shows in one sentence; '' where there is none."""
    return "" if content.chart is None else chart_meaning_of(content.chart)


def chart_meaning_of(view: ChartView) -> str:
    """Return what a chart shows in one sentence; '' where nothing general can be said."""
    return _RESPONSE if view.name == "response" else ""
