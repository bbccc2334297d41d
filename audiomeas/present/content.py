"""What a report says, as plain facts: gathered from a visit once, then worded and laid out without looking back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.base import LISTEN_ONLY
from audiomeas.measurement.budget import difference_half_width
from audiomeas.measurement.curves import number
from audiomeas.measurement.entered import AS_EXPECTED, INSTRUCTION, READING
from audiomeas.present.entries import later_lines
from audiomeas.present.limits import charts_of
from audiomeas.record.verdict_row import limit_text
from audiomeas.record.void import Later, verdict_since

if TYPE_CHECKING:
    from audiomeas.measurement.result import Result
    from audiomeas.measurement.views import ChartView
    from audiomeas.present.shop import Shop
    from audiomeas.record.change import ChangeWord
    from audiomeas.record.verdict_row import Verdict, Word
    from audiomeas.record.visit import StepRecord, Visit

POWER, BALANCE = "level_w", "balance_db"
#: Ends the quantity of a curve that is held against a mask.
MASK = "_mask"
#: Shown to customers only where a limit asks for them: the same thing said in another unit, a setting, or what
#: only a workshop reads.
_TWICE_SAID = ("_dbfs", "_dbv", "_dbu")
#: What a customer needs no line for: settings, and figures that refine one that is told (a limit on one shows it).
_SETTINGS = (
    "frequency_hz", "reference_hz", "sinad_db", "time_constant_low_s", "time_constant_high_s", "balance_largest_db",
    "corner_low_0_5_db_hz", "corner_low_1_db_hz", "corner_high_0_5_db_hz", "corner_high_1_db_hz",
)  # fmt: skip
#: Figures of a claim over a band, which is stated with them.
_CLAIMED = ("least_power_", "least_input_", "largest_distortion_")
#: Of the first channel they are its difference from itself.
_FROM_THE_FIRST = (BALANCE,)
#: Two names of the same thing to a customer: the first that is told stands for both.
_SAME_THING = {"gain_at_reference_db": "gain_db", "gain_db_difference": BALANCE}


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One quantity of one channel: what was found, and what a limit says about it.

    channel : None for a difference between channels.  value : None when it is not known; then `reason` says why.
    uncertainty : 95 % half-width in `unit`.   bound : 'at most', 'at least', or ''.
    limit : the limit in words, '' without one; then `verdict` is None.   edges : the limit's values in `unit`.
    basis : what the figure counts or refers to (a part of the spectrum, a reference), in words; else ''.
    answer : of a question (quantity AS_EXPECTED), what a person answered; '' where nobody did.
    """

    step: str
    quantity: str
    words: str
    unit: str
    channel: int | None
    value: float | None
    uncertainty: float | None = None
    bound: str = ""
    limit: str = ""
    edges: tuple[float, ...] = ()
    source: str = ""
    verdict: Word | None = None
    reason: str = ""
    basis: str = ""
    answer: str = ""


@dataclass(frozen=True, kw_only=True)
class Moved:
    """One value at two visits. change : by `record.compare`; None where it compares no such figure."""

    before: Finding
    after: Finding
    change: ChangeWord | None


@dataclass(frozen=True, kw_only=True)
class StayContent:
    """What came before a visit between buying and selling.

    against, against_date : stage and day of the visit that it is held against; '' without one.
    moved : values of both, first those that failed at one of them.   counts : of all figures that were compared.
    not_again : values that failed or were undecided then, and were not held against the same limit again.
    done : repairs and adjustments, a sentence each.   played_h : hours of listening; None: none were written down.
    soaks : hours, watts a channel (None: no load) and events of each soak.
    """

    against: str = ""
    against_date: str = ""
    moved: tuple[Moved, ...] = ()
    not_again: tuple[Finding, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    done: tuple[str, ...] = ()
    played_h: float | None = None
    soaks: tuple[tuple[float, float | None, int], ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ReportContent:
    """All that a report says about one visit.

    identity : 'serial D-0001' or 'tag 12'.  date : 2024-05-01.  verdict : of the whole visit; None without limits.
    gaps : steps that gave no result, each with its reason.   conditions : (topic, sentence).
    cautions : what must be known with the numbers.
    later : what came into the unit's logbook since: work that voids values, corrections.
    stay : what came before the visit; None where nothing did.   shop : who hands the page out.
    chart : drawn on the first page.
    """

    maker: str
    model: str
    identity: str
    kind: str
    stage: str
    date: str
    plan: str
    verdict: Word | None
    finished: bool
    findings: tuple[Finding, ...]
    gaps: tuple[str, ...] = ()
    conditions: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = ()
    chart: ChartView | None = None
    simulated: bool = False
    version: str = ""
    later: tuple[str, ...] = ()
    stay: StayContent | None = None
    shop: Shop | None = None


def content_of(visit: Visit, *, later: Later | None = None) -> ReportContent:
    """Return what a report says about a visit, from its record alone. Nothing is measured or judged here.

    later : what came into the unit's logbook since.
    """
    since = later or Later()
    unit = visit.unit
    results = [step.result for step in visit.steps if step.result is not None]
    balanced = any(number(each.values.get(BALANCE)) is not None for result in results for each in result.channels)
    return ReportContent(
        maker=unit.maker,
        model=unit.model,
        identity=f"serial {unit.serial}" if unit.serial else f"tag {unit.tag} (no serial number)",
        kind=unit.kind,
        stage=visit.stage,
        date=f"{visit.opened_at:%Y-%m-%d}",
        plan=visit.plan_title,
        verdict=verdict_since(visit, since),
        later=tuple(later_lines(visit, since)),
        finished=visit.finished,
        findings=tuple(_without_repeats(visit.steps, with_balance=not balanced)),
        gaps=tuple(_gaps(visit)),
        conditions=tuple(_conditions(visit, results)),
        cautions=tuple(_cautions(visit, results)),
        chart=_customer_chart(visit.steps),
        simulated=visit.simulated or any(result.simulated for result in results),
        version=visit.version,
    )


# ---------------------------------------------------------------- findings


def _without_repeats(steps: Sequence[StepRecord], *, with_balance: bool) -> Iterator[Finding]:
    """Yield all steps' findings; what no limit asks for is told once, where it comes first (power: for each step).

    The output voltage is left out where the power that it makes is known.
    """
    told: set[str] = set()
    for step in steps:
        findings = list(findings_of(step, with_balance=with_balance))
        power_known = any(finding.quantity == POWER for finding in findings)
        for finding in findings:
            again = _thing(finding) in told and finding.quantity != POWER
            voltage = finding.quantity == "level_v_rms" and power_known
            if finding.limit or not (again or voltage):
                yield finding
        told |= {_thing(finding) for finding in findings}


def _thing(finding: Finding) -> str:
    if finding.quantity in (READING, AS_EXPECTED):  # what was read or asked tells these apart
        return f"{finding.quantity} {finding.step} {finding.words}"
    return _SAME_THING.get(finding.quantity, finding.quantity)


def findings_of(step: StepRecord, *, with_balance: bool = True, everything: bool = False) -> Iterator[Finding]:
    """Yield what a step found: power first, then what was judged, then what else was measured.

    with_balance : also the difference between the gains of two channels, when no limit asks for a difference.
    everything : also what only a workshop reads: settings, and the same thing in another unit.
    """
    judged = {(row.quantity, row.channel) for row in step.verdicts if row.mask is None and not row.since}
    measured: list[Finding] = []
    if step.result is not None:
        measured = [*_powers(step.name, step.result), *_measured(step.name, step.result, everything=everything)]
        measured += [] if step.verdicts else _answered(step.name, step.result)
        if with_balance and not any(row.difference_at_most is not None for row in step.verdicts):
            measured += _balance(step.name, step.result)
    others = [finding for finding in measured if (finding.quantity, finding.channel) not in judged]
    yield from (finding for finding in others if finding.quantity == POWER)
    found = [*map(finding_of, step.verdicts), *(finding for finding in others if finding.quantity != POWER)]
    yield from (with_basis(finding, step.result) for finding in found)


def with_basis(finding: Finding, result: Result | None) -> Finding:
    """Return a finding with what it counts or refers to, as its result tells."""
    return finding if result is None else replace(finding, basis=_basis(finding, result))


def _basis(finding: Finding, result: Result) -> str:
    """Return what a figure counts or refers to.

    THD reaches further up than THD+N, and so can be the larger one; a signal-to-noise ratio is none without its signal.
    """
    quantity = finding.quantity
    if quantity.startswith("snr_"):
        told = [c.values.get("snr_reference") for c in result.channels if finding.channel in (None, c.channel)]
        return next((f"relative to {words}" for words in told if words), "")
    if quantity in ("thd_percent", "thd_db", "thd_total_percent"):
        limit_hz = number(result.conditions.get("harmonic_limit_hz"))
        return "" if limit_hz is None else f"overtones counted up to {_hertz(limit_hz)}"
    if quantity.startswith("thd_n_"):
        return _from_to(result.conditions.get("band_hz"))
    return _from_to(result.conditions.get("power_range_hz")) if quantity.startswith(_CLAIMED) else ""


def _from_to(edges: Any) -> str:
    """Return a band in words; '' where it is not known."""
    if not isinstance(edges, (list, tuple)) or len(edges) != 2:
        return ""
    low_hz, high_hz = map(number, edges)
    if low_hz is None or high_hz is None:
        return ""
    return f"at {_hertz(low_hz)}" if low_hz == high_hz else f"from {_hertz(low_hz)} to {_hertz(high_hz)}"


def _hertz(frequency_hz: float) -> str:
    return f"{frequency_hz / 1000.0:.3g} kHz" if frequency_hz >= 1000.0 else f"{frequency_hz:.3g} Hz"


def finding_of(row: Verdict) -> Finding:
    """Return a row of a verdict as a finding; a difference between channels says that it is one."""
    quantity, words, limit = row.quantity, row.words, row.limit_text()
    if row.mask is not None:
        quantity = f"{quantity}{MASK}"  # its value is the margin in the band
    if row.difference_at_most is not None:
        quantity, words = f"{quantity}_difference", f"difference between the channels in {words}"
        limit = limit_text(None, row.difference_at_most, None, row.unit)  # of the difference, which is the value here
    if row.since:
        quantity, words = f"{quantity}_change", f"change of {words}"
    edges = tuple(edge for edge in (row.at_least, row.at_most, row.difference_at_most) if edge is not None)
    return Finding(
        step=row.step, quantity=quantity, words=words, unit=row.unit, channel=row.channel, value=row.value,
        uncertainty=row.uncertainty, bound=row.bound, limit=limit, edges=edges, source=row.source,
        verdict=row.verdict, reason=row.reason, answer=row.answer,
    )  # fmt: skip


def _measured(step: str, result: Result, *, everything: bool) -> Iterator[Finding]:
    """Yield the figures of a result: those that a customer can read, each in one unit only, or everything."""
    from audiomeas.measurement import registry

    figures = registry.find(result.measurement).told_figures(result)
    keys = {figure.key for figure in figures}
    for figure in figures:
        in_percent = figure.key.removesuffix("_db") + "_percent"
        if not everything and (
            figure.key in _SETTINGS
            or figure.key.endswith(_TWICE_SAID)
            or (in_percent != figure.key and in_percent in keys)
        ):
            continue
        for channel in result.channels[1:] if figure.key in _FROM_THE_FIRST else result.channels:
            value = number(channel.values.get(figure.key))
            if value is not None:
                yield Finding(
                    step=step, quantity=figure.key, words=figure.words, unit=figure.unit,
                    channel=channel.channel or None,
                    value=value, uncertainty=number(channel.uncertainty.get(figure.key)),
                    bound=str(channel.bound.get(figure.key, "")),
                )  # fmt: skip


def _answered(step: str, result: Result) -> list[Finding]:
    """Return what a person answered where no answer is expected, or confirmed to have done."""
    if result.measurement != INSTRUCTION:
        return []
    asked = str(result.conditions.get("question") or result.conditions.get("instruction"))
    answers = [str(channel.values.get("answer", "")) for channel in result.channels]
    return [
        Finding(step=step, quantity=AS_EXPECTED, words=asked, unit="", channel=None, value=None, answer=answer)
        for answer in answers
    ]


def _powers(step: str, result: Result) -> Iterator[Finding]:
    """Yield the power of each channel whose output voltage and load are both known."""
    from audiomeas.measurement.scale_parts import power_half_width, power_ohm
    from audiomeas.units import v_rms_to_w

    for channel in result.channels:
        level = number(channel.values.get("level_v_rms"))
        load_ohm = number(_of_channel(result.conditions.get("load_ohm"), channel.channel))
        if level is None or load_ohm is None or load_ohm <= 0.0 or POWER in channel.values:
            continue
        frequency_hz = number(channel.values.get("frequency_hz"))
        counting_ohm = power_ohm(result.conditions, channel.channel, frequency_hz)
        if counting_ohm is None:
            continue
        power_w = v_rms_to_w(level, counting_ohm)
        yield Finding(
            step=step, quantity=POWER, words=f"power into {load_ohm:g} Ω", unit="W", channel=channel.channel,
            value=power_w, uncertainty=power_half_width(power_w, channel, result.conditions, frequency_hz),
        )  # fmt: skip


def _of_channel(by_channel: Any, channel: int) -> Any:
    return by_channel.get(str(channel)) if isinstance(by_channel, Mapping) else None


def _balance(step: str, result: Result) -> Iterator[Finding]:
    """Yield how far the gains of two channels lie apart, where both were driven and measured."""
    gains = [(each, number(each.values.get("gain_db"))) for each in result.channels]
    known = [(each, gain) for each, gain in gains if gain is not None]
    if len(known) != 2:
        return
    (one, first), (other, second) = known
    yield Finding(
        step=step, quantity=BALANCE, words="difference in gain between the channels", unit="dB", channel=None,
        value=abs(first - second),
        uncertainty=difference_half_width(one, other, "gain_db"),
    )  # fmt: skip


# ---------------------------------------------------------------- the rest


def _gaps(visit: Visit) -> Iterator[str]:
    started = {step.name for step in visit.steps}
    for step in visit.steps:
        if step.result is None:
            yield f"{step.name}: {step.status}" + (f" ({step.reason})" if step.reason else "")
    for name in visit.planned_steps:
        if name not in started:
            yield f"{name}: not run"


def _cautions(visit: Visit, results: Sequence[Result]) -> Iterator[str]:
    """Yield what must be known with the numbers, each once."""
    undrawn = (problem for _, problem in map(charts_of, visit.steps) if problem)
    yield from dict.fromkeys([*visit.warnings, *(line for result in results for line in result.warnings), *undrawn])


def _customer_chart(steps: Sequence[StepRecord]) -> ChartView | None:
    """Return the response chart (with its masks), or else the first chart that there is."""
    views = [view for step in steps for view in charts_of(step)[0]]
    return next((view for view in views if view.name == "response"), views[0] if views else None)


def _conditions(visit: Visit, results: list[Result]) -> Iterator[tuple[str, str]]:
    yield from _method(results)
    yield from _loads(results)
    yield from _driven(visit)
    yield "Bench", _bench_sentence(visit, results)
    calibration = visit.bench.get("calibration")
    if isinstance(calibration, Mapping):
        yield "Calibration", _calibration_sentence(calibration, simulated=visit.simulated)
    yield from _bench_check(visit.bench_check)
    yield (
        "Uncertainty",
        "the true value lies within ± with 95 % probability; without ±: right to within one in the last digit.",
    )


def _method(results: Sequence[Result]) -> Iterator[tuple[str, str]]:
    """Yield how the values came about, for somebody who never saw it done."""
    ways = []
    captured = _captured(results)
    played = [result for result in captured if result.conditions.get(LISTEN_ONLY)]
    recorded = "a computer recorded and analysed what came out"
    if len(played) < len(captured):
        ways.append(f"test signals were sent through the unit, and {recorded}")
    if played:
        ways.append(f"the unit played by itself, and {recorded}; nothing was sent to it meanwhile")
    if any(result.measurement == READING for result in results):
        ways.append("readings of meters were typed in")
    if ways:
        yield "Method", f"{'; '.join(ways)}."


def _captured(results: Sequence[Result]) -> list[Result]:
    """Return what a capture told: what a person entered has no rate."""
    return [result for result in results if result.sample_rate_hz > 0.0]


def _first_mapping(results: list[Result], key: str) -> Mapping[str, Any]:
    """Return the first condition of this name that holds something."""
    entered = (result.conditions.get(key) for result in results)
    return next((each for each in entered if isinstance(each, Mapping) and each), {})


def _loads(results: list[Result]) -> Iterator[tuple[str, str]]:
    loads = _first_mapping(results, "load_ohm")
    known = {channel: value for channel, value in loads.items() if number(value) is not None}
    each = ", ".join(f"{value:g} Ω on channel {channel}" for channel, value in known.items())
    speakers = _first_mapping(results, "loudspeakers")
    if speakers:
        nominal, lowest, most = (speakers[key] for key in ("nominal_ohm", "lowest_ohm", "at_most_v_rms"))
        counted = f" Watts are counted as into resistors of {each}." if known else ""
        yield (
            "Load",
            f"loudspeakers of {nominal:g} Ω (down to {lowest:.3g} Ω) were connected: no more than {most:.3g} V was let "
            f"out to them.{counted}",
        )
    elif known:
        yield "Load", f"{each}: resistors in place of loudspeakers."
    elif any(not result.conditions.get(LISTEN_ONLY) for result in _captured(results)):
        yield "Load", "none entered; no power can be stated."


def _driven(visit: Visit) -> Iterator[tuple[str, str]]:
    """Yield which channels were driven, once for all steps that agree."""
    by_channels: dict[str, list[str]] = {}
    for step in visit.steps:
        conditions = step.result.conditions if step.result is not None else {}
        driven = conditions.get("driven_channels")
        if driven and not conditions.get(LISTEN_ONLY):
            words = f"channel {driven[0]} driven" if len(driven) == 1 else "all channels driven at the same time"
            if len(driven) == 2:
                words = "both channels driven at the same time"
            by_channels.setdefault(words, []).append(step.name)
    for words, names in by_channels.items():
        yield "Signal", words + (f" ({', '.join(names)})." if len(by_channels) > 1 else ".")


def _bench_sentence(visit: Visit, results: list[Result]) -> str:
    name = str(visit.bench.get("name") or "not named")
    interface = next((str(result.provenance.get("interface") or "") for result in results), "")
    rates = sorted({result.sample_rate_hz for result in results} - {0.0})  # what a person entered has none
    sentence = name + (f", interface {interface}" if interface else "")
    return sentence + (f", {' and '.join(f'{rate / 1000:g}' for rate in rates)} kHz sample rate." if rates else ".")


def _bench_check(lines: Sequence[Mapping[str, Any]]) -> Iterator[tuple[str, str]]:
    """Yield what a reader must know of the bench check: that it was left out, or found something. Else nothing."""
    left_out = next((str(line["reason"]) for line in lines if "reason" in line), None)
    against = [str(line["text"]) for line in lines if line.get("state") == "found"]
    if left_out is not None:
        yield "Bench check", f"left out: {left_out}."
    elif against:
        yield "Bench check", f"found before the first step: {'; '.join(against)}."


def _calibration_sentence(calibration: Mapping[str, Any], *, simulated: bool) -> str:
    made, until = calibration.get("made", "not known"), calibration.get("valid_until", "not known")
    instrument = str(calibration.get("instrument") or "")
    valid = f", valid until {until}"
    if instrument.casefold().startswith("none"):  # as the simulated card's file says it: 'none (simulated)'
        # What is simulated does not age: the far day in its file would only make a customer wonder.
        valid = "" if simulated else valid
        used = f", without an instrument{instrument[len('none') :]}"
    else:
        used = f", with {instrument}" if instrument else ""
    return f"made {made}{valid}{used}."
