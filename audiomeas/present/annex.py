"""The technical annex as plain data: every row with its conditions, and what the record rests on.

It is gathered once from a visit; what draws it (pages, a web page) looks at nothing else. Texts are ready to print.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.budget import unit_of
from audiomeas.measurement.curves import number
from audiomeas.measurement.entered import INSTRUCTION, READING
from audiomeas.measurement.response_views import hertz
from audiomeas.present.amounts import amount
from audiomeas.present.annex_pictures import HEADING, picture_facts
from audiomeas.present.content import content_of, findings_of
from audiomeas.present.digits import plain
from audiomeas.present.entries import day, later_lines, words_of
from audiomeas.present.limits import charts_of
from audiomeas.present.sentences import STAGES
from audiomeas.record.checksums import CHECKSUM_FILE, Identity
from audiomeas.record.stage import stay_in
from audiomeas.record.void import Later
from audiomeas.shown_digits import with_minus
from audiomeas.shown_units import shown_in

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result
    from audiomeas.measurement.views import ChartView
    from audiomeas.present.content import Finding
    from audiomeas.record.entry import Entry
    from audiomeas.record.visit import StepRecord, Visit

#: Conditions of a result that say nothing by themselves: parts of uncertainties, what the head of the annex says of all
#: steps, and what a row tells already.
_UNTOLD = (
    "bench", "purpose", "scale_parts", "input_level_parts", "bench_response_limit", "channels_driven", "what", "unit",
    "question", "instruction", "expected", "record", "audiomeas", "largest_gain_by_driven_channel_db",
)  # fmt: skip
#: Of what was asked for: said better by what was found.
_SAID_BY_FINDINGS = ("channels",)
#: Keys whose words alone would puzzle a reader.
_KEYS = {
    "thd_reference": "THD relative to", "thd_n_reference": "THD+N relative to",
    "thd_total_reference": "total THD relative to",
    "low_hz": "lowest frequency", "high_hz": "highest frequency", "load_uncertainty": "load ±",
    "input_level_uncertainty": "input level ±", "latency_frames": "latency in frames",
}  # fmt: skip
_POLARITIES = {1: "not inverted", -1: "inverted"}
#: A condition of more values than this is a curve: it stands in the record.
_MOST_VALUES = 8
_NOT_KNOWN = "not known"
#: Headings of a table of rows, in order (`Row.cells`).
ROW_HEADINGS = ("quantity", "channel", "value", "limit", "source", "verdict", "reason")


@dataclass(frozen=True, kw_only=True)
class Row:
    """One value of a step. channel : '' where it belongs to none.  limit, source, verdict : '' without a limit."""

    words: str
    channel: str
    value: str
    limit: str = ""
    source: str = ""
    verdict: str = ""
    reason: str = ""

    @property
    def cells(self) -> tuple[str, ...]:
        """The row's texts, below `ROW_HEADINGS`."""
        return (self.words, self.channel, self.value, self.limit, self.source, self.verdict, self.reason)


@dataclass(frozen=True, kw_only=True)
class StepSheet:
    """All that is kept of one step. state : why there is no result; '' when there is one.

    notes : what no longer holds of it, what was corrected, and what the measurement warned of.
    conditions : (name, text).   charts : with limits, as many as the measurement has.
    """

    name: str
    measurement: str
    state: str
    notes: tuple[str, ...]
    conditions: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    charts: tuple[ChartView, ...]


@dataclass(frozen=True, kw_only=True)
class Section:
    """Facts under a heading: (name, text) each; the name is '' where the text says all."""

    heading: str
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class Annex:
    """The technical annex of one visit, in the order in which it is read.

    first : record, bench, calibration, first look, bench check, and the conditions that all measurements share.
    last : failure pictures that fit, work and corrections, how to verify.
    """

    simulated: bool
    first: tuple[Section, ...]
    steps: tuple[StepSheet, ...]
    last: tuple[Section, ...]


def annex_of(
    visit: Visit, *, later: Later | None = None, entries: Sequence[Entry] = (), identity: Identity | None = None
) -> Annex:
    """Return the technical annex of a visit. Nothing is measured or judged here.

    later : what came into the unit's logbook since.   entries : of that logbook, those of the visit's stay.
    identity : of the closed record.
    """
    since = later or Later()
    sheets = tuple(_sheets(visit, since))
    shared = _shared(
        [each.conditions for each in sheets if each.measurement not in ("", READING, INSTRUCTION) and not each.state]
    )
    sections = (
        Section(heading="This record", facts=tuple(_record(visit))),
        Section(heading="Bench", facts=tuple(_bench(visit))),
        Section(heading="Calibration", facts=tuple(_calibration(visit))),
        Section(heading="Quiet first look", facts=tuple(_first_look(visit))),
        Section(heading="Check of the bench", facts=tuple(_bench_check(visit))),
        Section(heading="Conditions of all steps", facts=shared),
    )
    last = (
        Section(heading=HEADING, facts=tuple(picture_facts(visit, since))),
        Section(heading="Void and corrected since", facts=tuple(("", line) for line in later_lines(visit, since))),
        Section(
            heading="Work on the unit", facts=tuple((f"{day(each)}, {each.kind}", words_of(each)) for each in entries)
        ),
        Section(
            heading="To be known with it", facts=tuple(("", with_minus(line)) for line in content_of(visit).cautions)
        ),
        Section(heading="How to verify this record", facts=tuple(_proof(visit, identity))),
    )
    return Annex(
        simulated=visit.simulated or any(step.result.simulated for step in visit.steps if step.result is not None),
        first=tuple(each for each in sections if each.facts),
        steps=tuple(
            replace(each, conditions=tuple(one for one in each.conditions if one not in shared)) for each in sheets
        ),
        last=tuple(each for each in last if each.facts),
    )


def _shared(conditions: Sequence[tuple[tuple[str, str], ...]]) -> tuple[tuple[str, str], ...]:
    """Return the conditions that all of several steps have: they are said once."""
    first, *others = conditions or [()]
    return tuple(one for one in first if all(one in each for each in others)) if others else ()


# ---------------------------------------------------------------- what it rests on


def _record(visit: Visit) -> Iterator[tuple[str, str]]:
    unit = visit.unit
    yield "unit", unit.name
    yield from _told({"kind": unit.kind})
    yield "stage", f"{STAGES.get(visit.stage, visit.stage)}; stay {stay_in(visit.facts)}"
    yield "opened", f"{visit.opened_at:%Y-%m-%d %H:%M:%S} UTC"
    yield "closed", "when all steps were gone through" if visit.finished else "no: what is missing is never a pass"
    yield from _told({"plan": visit.plan_title})
    plan = visit.facts.get("plan")
    yield from _told({"plan's file": _with_hash(plan)} if isinstance(plan, Mapping) else {})
    yield "record", visit.path.name
    yield "program", f"audiomeas {visit.version}"


def _told(facts: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Yield the facts that say something."""
    yield from ((name, text) for name, text in facts.items() if text)


def _with_hash(facts: Mapping[str, Any]) -> str:
    """Return 'my-bench.toml, SHA-256 4ce3…' of a file that a record has a copy of."""
    return ", ".join(filter(None, (str(facts.get("file") or ""), _hash_words(facts.get("sha256")))))


def _hash_words(sha256: Any) -> str:
    return f"SHA-256 {sha256}" if sha256 else ""


def _bench(visit: Visit) -> Iterator[tuple[str, str]]:
    bench = visit.bench
    yield from _told({"name": str(bench.get("name") or ""), "file": _with_hash(bench)})
    interface = bench.get("interface")
    if isinstance(interface, Mapping):
        yield from _told(
            {"interface": ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in interface.items() if value)}
        )
    yield from _told({"attenuator ranges": _by_channel(bench.get("ranges"), str)})
    yield from _told({"loads": _by_channel(bench.get("loads"), _load_words)})
    yield from _told({"loudspeakers": _listed(bench.get("loudspeakers")), "ceilings": _listed(bench.get("limits"))})


def _by_channel(facts: Any, words: Any) -> str:
    if not isinstance(facts, Mapping):
        return ""
    return "; ".join(f"channel {channel}: {words(value)}" for channel, value in facts.items() if value is not None)


def _load_words(load: Any) -> str:
    if not isinstance(load, Mapping):
        return str(load)
    parts = {
        "{:g} Ω": load.get("resistance_ohm"), "± {:g} %": load.get("uncertainty_percent"),
        "{:g} H": load.get("inductance_h"), "for {:g} W": load.get("rated_w"),
    }  # fmt: skip
    return " ".join(form.format(value) for form, value in parts.items() if number(value) is not None)


def _listed(facts: Any) -> str:
    """Return numbers under keys with units in words: 'input 2 V, highest gain 40 dB'."""
    return ", ".join(f"{name} {text}" for name, text in _in_words(facts.items())) if isinstance(facts, Mapping) else ""


def _calibration(visit: Visit) -> Iterator[tuple[str, str]]:
    calibration = visit.bench.get("calibration")
    if not isinstance(calibration, Mapping):
        yield "", "none is in the record"
        return
    yield from _told({"file": _with_hash(calibration), "for interface": str(calibration.get("interface") or "")})
    yield "made", str(calibration.get("made", _NOT_KNOWN))
    yield "valid until", _validity(str(calibration.get("valid_until", _NOT_KNOWN)), visit.opened_at.date())
    yield from _told({key: str(calibration.get(key) or "") for key in ("method", "instrument")})
    told = {visit.bench.get("file"), calibration.get("file")}
    others = {name: sha256 for name, sha256 in visit.hashes.items() if name not in told}
    yield from (("also used", f"{name}, {_hash_words(sha256)}") for name, sha256 in others.items())


def _validity(until: str, measured: date) -> str:
    """Return until when a calibration holds, and whether it did on the day of the visit."""
    try:
        held = measured <= date.fromisoformat(until)
    except ValueError:
        return until
    return f"{until}; {'valid' if held else 'expired'} on the day of this visit"


def _first_look(visit: Visit) -> Iterator[tuple[str, str]]:
    look = visit.first_look
    if look is None:
        yield "", "not made, or not reached"
        return
    facts = {
        key: value
        for key, value in look.items()
        if key not in ("record", "audiomeas", "largest_gain_by_driven_channel_db")
    }
    yield from _in_words(facts.items())


def _bench_check(visit: Visit) -> Iterator[tuple[str, str]]:
    if not visit.bench_check:
        yield "", "none is in the record"
    for line in visit.bench_check:
        if "reason" in line:
            yield "", f"left out: {line['reason']}"
        else:
            yield str(line.get("check", "")), with_minus(f"{line.get('state', '')}: {line.get('text', '')}")


def _proof(visit: Visit, identity: Identity | None) -> Iterator[tuple[str, str]]:
    if identity is None:
        yield "", "This record was not closed: it has no checksums, and nothing can be proved by it."
        return
    yield "identity", f"SHA-256 {identity.sha256}, of its file {CHECKSUM_FILE}, which lists {identity.files} files"
    yield (
        "",
        "Ask for the record's folder. In it, the system's own tool tells whether all is as it was (here of Linux):",
    )
    yield "1", f"sha256sum {CHECKSUM_FILE} must print the identity above."
    yield "2", f"sha256sum --check {CHECKSUM_FILE} must say OK of every file."
    yield "3", "audiomeas record verify FOLDER does the second, and holds the verdicts against their own numbers too."


# ---------------------------------------------------------------- steps


def _warnings(step: StepRecord) -> tuple[str, ...]:
    return () if step.result is None else tuple(step.result.warnings)


def _sheets(visit: Visit, later: Later) -> Iterator[StepSheet]:
    void = {each.step: each for each in later.void}
    for step in visit.steps:
        charts, undrawn = charts_of(step)
        notes = (
            [f"Void since the {void[step.name].since.kind} of {day(void[step.name].since)}."]
            if step.name in void
            else []
        )
        yield StepSheet(
            name=step.name,
            measurement=step.measurement,
            state=_state(step),
            notes=tuple(map(with_minus, filter(None, (*notes, *_warnings(step), undrawn)))),
            conditions=tuple(_conditions(step)),
            rows=tuple(_row(each) for each in findings_of(step, everything=True)),
            charts=charts,
        )
    started = {step.name for step in visit.steps}
    for name in visit.planned_steps:
        if name not in started:
            yield StepSheet(
                name=name, measurement="", state="not run", notes=(), conditions=(), rows=(), charts=()
            )  # fmt: skip


def _state(step: StepRecord) -> str:
    return "" if step.result is not None else ": ".join(filter(None, (step.status, step.reason)))


def _row(finding: Finding) -> Row:
    words = ", ".join(filter(None, (finding.words, finding.basis)))
    return Row(
        words=words,
        channel="" if finding.channel is None else str(finding.channel),
        value=amount(finding, in_full=True),
        limit=finding.limit,
        source=finding.source if finding.limit else "",
        verdict=finding.verdict or "",
        reason=finding.reason,
    )


def _conditions(step: StepRecord) -> Iterator[tuple[str, str]]:
    """Yield what was asked for and what was found to hold, each once."""
    asked = {key: value for key, value in step.conditions.items() if value is not None and key not in _SAID_BY_FINDINGS}
    found: dict[str, Any] = {}
    if step.result is not None:
        found = {key: value for key, value in step.result.conditions.items() if key not in _UNTOLD}
        yield from _rate(step.result)
    if step.measurement in (READING, INSTRUCTION):
        asked = {}
    yield from _in_words({**asked, **found}.items())


def _rate(result: Result) -> Iterator[tuple[str, str]]:
    if result.sample_rate_hz > 0.0:  # what a person entered has none
        yield "sample rate", hertz(result.sample_rate_hz)


def _in_words(facts: Iterable[tuple[str, Any]]) -> Iterator[tuple[str, str]]:
    """Yield facts of a record by their keys in words; what is a table or a long list is left to the record."""
    for key, value in facts:
        text = _value_words(value, key)
        if text:
            yield _key_words(key), text


def _key_words(key: str) -> str:
    """Return 'input level' for 'input_level_v_rms': the unit stands behind the number."""
    ends = ("_v_rms", "_v", "_w", "_db", "_dbfs", "_percent", "_hz", "_s", "_ohm")
    ending = next((end for end in ends if key.endswith(end)), "")
    return _KEYS.get(key) or key.removesuffix(ending).replace("_", " ")


def _value_words(value: Any, key: str) -> str:
    """Return a value of a record in words; '' for what is a table or a long list."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return _number_words(float(value), key)
    if isinstance(value, str):
        return value
    if isinstance(value, Mapping):
        return _same_or_by_channel({str(name): _value_words(each, key) for name, each in value.items()}, value)
    if isinstance(value, (list, tuple)) and _is_short(value):
        return ", ".join(_value_words(each, key) for each in value)
    return ""


def _same_or_by_channel(texts: Mapping[str, str], value: Mapping[str, Any]) -> str:
    """Return what is alike on all channels once, else channel by channel."""
    if not texts or not all(texts.values()) or not _is_short(list(value.values())):
        return ""
    if len(set(texts.values())) == 1:
        return next(iter(texts.values()))
    return ", ".join(f"{text} (channel {channel})" for channel, text in texts.items())


def _is_short(values: Sequence[Any]) -> bool:
    return len(values) <= _MOST_VALUES and not any(isinstance(each, (Mapping, list, tuple)) for each in values)


def _number_words(value: float, key: str) -> str:
    known = number(value)
    if known is None:
        return _NOT_KNOWN
    if key == "polarity":
        return _POLARITIES.get(round(known), f"{known:g}")
    if key.endswith("_uncertainty"):  # a part of the value
        return f"{plain(100.0 * known)} %"
    unit = "Ω" if key.endswith("_ohm") else unit_of(key)
    if unit == "Hz":
        return hertz(known)
    shown, factor = shown_in(unit, known)
    return f"{plain(known * factor)} {shown}".rstrip()
