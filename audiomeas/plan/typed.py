"""Read from a plan what a person types in or does: readings, instructions, and what comes before the first sound.

wiring = "Loads of 8 Ω to both outputs, the attenuator across each of them"     # shown, and asked: is it wired so?
outputs = "common"            # or "bridged": what the wiring is for; ohms from each minus terminal to chassis are asked
meter = "0.5 % + 2 digits"    # of the meter that readings are taken with, as its maker states it
checklist = [
    "Tone controls at their centre",
    { reading = "Mains voltage", unit = "V", lowest = "85 V", highest = "264 V" },
]

[[step]]
name = "DC offset"
reading = "DC voltage at the loudspeaker terminals"
unit = "mV"
lowest = "-2 V"               # beyond lowest and highest it is a slip, and asked again
highest = "2 V"
channels = "both"             # asked for each; without it the value belongs to the whole unit
target = "0 mV"               # a limit: within the tolerance of the target
tolerance = "20 mV"
source = "maker"              # of target and tolerance
must_pass = true              # nothing is measured behind it unless its limits are kept

[[step]]
name = "Relay"
instruction = "Switch the unit off and on again"
question = "Does the relay click within ten seconds?"
expected = "yes"              # another answer is a failed row; without it each answer is right
source = "house"
"""

from __future__ import annotations

from typing import Any

from audiomeas.bench.bridged import COMMON_BELOW_OHM
from audiomeas.errors import RequestError
from audiomeas.measurement.entered import AS_EXPECTED, READING
from audiomeas.measurement.quantity import Accuracy, accuracy_of, checked_unit, parse_quantity
from audiomeas.plan.keys import SOURCES, channels_of, checked_name, one_line, refuse_contradictions, since_of, step_name
from audiomeas.plan.steps import DONE, NO, YES, Instruction, Limit, PlanStep, Reading, Topology
from audiomeas.tomlfile import Table

#: What is asked before the first sound.
WIRING = "Wiring"
_WIRED_SO = "Is it wired so?"
_CONFIRMED = "Is it so?"
_YES_OR_NO = (YES, NO)
_OUTPUTS = ["common", "bridged"]
_MINUS = "Minus terminal to chassis, channel {}"
_MINUS_TEXT = (
    "Power off, nothing connected: measure ohms from the minus terminal of the output to chassis. From "
    f"{COMMON_BELOW_OHM:g} Ω upward the output counts as bridged: the card's ground on its minus would short it"
)
_MINUS_QUESTION = "Ohms from minus to chassis, channel {} (a number such as '0.2 ohm', or 'open')"


def read_before(table: Table, accuracy: Accuracy | None) -> tuple[PlanStep, ...]:
    """Read what a plan's head asks before the first sound. Raises TomlProblem.

    accuracy : of the meter, for lines that are typed in.
    """
    steps: list[PlanStep] = []
    outputs = table.choice("outputs", _OUTPUTS, None)
    if outputs is not None:
        steps += [_topology(channel, bridged=outputs == "bridged") for channel in (1, 2)]
    wiring = table.text("wiring", None)
    if wiring is not None:
        steps.append(_confirmed(WIRING, wiring.strip(), _WIRED_SO))
    return (*steps, *_checklist(table, accuracy))


def _topology(channel: int, *, bridged: bool) -> Topology:
    limit = f"from {COMMON_BELOW_OHM:g} Ω upward" if bridged else f"less than {COMMON_BELOW_OHM:g} Ω"
    name, question = _MINUS.format(channel), _MINUS_QUESTION.format(channel)
    return Topology(
        name=name,
        text=_MINUS_TEXT,
        question=question,
        expected=limit,
        limits=(_expects(name, "house"),),
        must_pass=True,
        bridged=bridged,
    )


def _confirmed(name: str, text: str, question: str) -> Instruction:
    return Instruction(
        name=name,
        text=text,
        question=question,
        expected=YES,
        choices=_YES_OR_NO,
        limits=(_expects(text if name != WIRING else "the wiring of this plan", "house"),),
        must_pass=True,
    )


def _expects(words: str, source: str) -> Limit:
    return Limit(quantity=AS_EXPECTED, unit="", words=words, source=source, at_least=1.0)


def _checklist(table: Table, accuracy: Accuracy | None) -> list[PlanStep]:
    lines = table.any_value("checklist", [])
    if not isinstance(lines, list) or not all(isinstance(line, (str, dict)) for line in lines):
        raise table.problem("checklist", 'must be a list of lines in quotes, and of { reading = "…", unit = "…" }')
    return [_line(table, number, line, accuracy) for number, line in enumerate(lines)]


def _line(table: Table, number: int, line: str | dict[str, Any], accuracy: Accuracy | None) -> PlanStep:
    if isinstance(line, dict):
        own = table.inside("checklist", number, line)
        return read_reading(own, step_name(own, "reading"), accuracy, must_pass=True)
    try:
        name = checked_name(line)
    except RequestError as error:
        raise table.problem("checklist", f"line {number + 1}: {error}") from None
    return _confirmed(name, name, _CONFIRMED)


def read_meter(table: Table) -> Accuracy | None:
    """Read the accuracy of the meter, where it is told. Raises TomlProblem."""
    text = table.text("meter", None)
    if text is None:
        return None
    try:
        return accuracy_of(text)
    except RequestError as error:
        raise table.problem("meter", str(error)) from None


def read_reading(table: Table, name: str, accuracy: Accuracy | None, *, must_pass: bool = False) -> Reading:
    """Read a step that is typed in. accuracy : of the plan's meter; a step may name its own. Raises TomlProblem."""
    what = one_line(table, "reading")
    unit = _unit(table)
    lowest, highest = _quantity(table, "lowest", unit), _quantity(table, "highest", unit)
    assert lowest is not None and highest is not None
    if not lowest < highest:
        raise table.problem("lowest", "must lie below highest: between them is what a person may have read")
    channels = channels_of(table) or ()
    target, tolerance = _quantity(table, "target", unit, None), _quantity(table, "tolerance", unit, None)
    if (target is None) != (tolerance is None):
        raise table.problem("target", "target and tolerance stand together: give both, or neither")
    own = read_meter(table)
    limits = [_typed_limit(each, what, unit, channels) for each in table.tables("limit", optional=True)]
    if target is not None and tolerance is not None:
        limits.insert(0, _target_limit(table, what, unit, target, tolerance))
    must_pass = table.truth("must_pass", must_pass)
    table.finish()
    return Reading(
        name=name,
        what=what,
        unit=unit,
        lowest=lowest,
        highest=highest,
        target=target,
        tolerance=tolerance,
        accuracy=own or accuracy,
        channels=channels,
        limits=tuple(limits),
        must_pass=must_pass,
    )


def _unit(table: Table) -> str:
    text = table.text("unit")
    try:
        return checked_unit(text)
    except RequestError as error:
        raise table.problem("unit", str(error)) from None


def _quantity(table: Table, key: str, unit: str, *default: None) -> float | None:
    """Take a value with its unit, such as "50 mV". Raises TomlProblem, also for a number without one."""
    value = table.any_value(key, *default)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise table.problem(key, f'must be a value with its unit in quotes, such as "50 {unit}"')
    try:
        return parse_quantity(value if isinstance(value, str) else f"{value:g}", unit)
    except RequestError as error:
        raise table.problem(key, str(error)) from None


def _target_limit(table: Table, what: str, unit: str, target: float, tolerance: float) -> Limit:
    if not tolerance > 0.0:
        raise table.problem("tolerance", "must be above zero")
    return Limit(
        quantity=READING,
        unit=unit,
        words=what,
        at_least=target - tolerance,
        at_most=target + tolerance,
        source=table.choice("source", SOURCES),
    )


def _typed_limit(table: Table, what: str, unit: str, channels: tuple[int, ...]) -> Limit:
    table.choice("quantity", [READING])
    limit = Limit(
        quantity=READING,
        unit=unit,
        words=what,
        at_least=_quantity(table, "at_least", unit, None),
        at_most=_quantity(table, "at_most", unit, None),
        difference_at_most=_quantity(table, "difference_at_most", unit, None),
        change_at_most=_quantity(table, "change_at_most", unit, None),
        since=since_of(table),
        channel=table.integer("channel", None, at_least=1, at_most=2),
        source=table.choice("source", SOURCES),
    )
    table.finish()
    refuse_contradictions(table, limit, channels)
    return limit


def read_instruction(table: Table, name: str) -> Instruction:
    """Read a step that a person does. Raises TomlProblem."""
    text = table.text("instruction").strip()
    question = one_line(table, "question") if "question" in table else ""
    expected = one_line(table, "expected") if "expected" in table else ""
    answers = _answers(table)
    if not question and (expected or answers):
        raise table.problem("instruction", "expected and answers need a question")
    choices = answers or ((_YES_OR_NO if expected in _YES_OR_NO else ()) if question else (DONE,))
    if expected and choices and expected not in choices:
        raise table.problem("expected", f"{expected!r} is not one of the answers {', '.join(choices)}")
    limits = (_expects(question, table.choice("source", SOURCES)),) if expected else ()
    must_pass = table.truth("must_pass", False)
    table.finish()
    if must_pass and not expected:
        raise table.problem("must_pass", "needs an expected answer: each other one is right here")
    return Instruction(
        name=name,
        text=text,
        question=question,
        expected=expected,
        choices=choices,
        limits=limits,
        must_pass=must_pass,
    )


def _answers(table: Table) -> tuple[str, ...]:
    found: tuple[str, ...] = table.texts("answers", ())
    if "answers" in table and len({each.casefold() for each in found}) < 2:
        raise table.problem("answers", "must be two answers or more, each another one")
    return found
