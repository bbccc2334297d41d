"""Read a plan: which measurements, at which conditions, with whose limits. Every key is checked; a refusal says where.

title = "Power amplifier, 60 W into 8 Ω"
kind = "power amplifier"

[[step]]
name = "Distortion at 1 W"
measure = "distortion"
output_level = "1 W"          # or input_level = "500 mV"
channels = "both"             # or 1, or 2
frequency_hz = 1000.0         # the measurement's own options

  [[step.limit]]
  quantity = "thd_percent"    # a figure of this measurement; its name ends in the unit
  at_most = 0.1               # at_most, at_least or both; or difference_at_most (between channels);
                              # or change_at_most with since = "as-found": since the unit's last visit of that stage
  source = "house"            # maker: specification; house: limit of this bench; era: minimum of its time

  [[step.mask]]               # a tolerance band against frequency: see `audiomeas.plan.mask`

A step may be a reading or an instruction instead, and the head may ask before the first sound: see
`audiomeas.plan.typed`. A maker's words become steps by [[specification]]: see `audiomeas.plan.specification`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import FileProblem, RequestError, TomlProblem
from audiomeas.files import shipped, translated
from audiomeas.measurement import registry
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.checks import ANY_LEVEL_V_RMS
from audiomeas.measurement.options import complete
from audiomeas.measurement.quantity import parse_quantity
from audiomeas.plan.keys import SOURCES, channels_of, one_line, refuse_contradictions, since_of, step_name
from audiomeas.plan.mask import MaskLimit, read_mask
from audiomeas.plan.specification import read_specification
from audiomeas.plan.steps import Limit, PlanStep, Step
from audiomeas.plan.typed import read_before, read_instruction, read_meter, read_reading
from audiomeas.tomlfile import Table, nearest, read_toml

if TYPE_CHECKING:
    from audiomeas.measurement.base import Measurement, Option
    from audiomeas.measurement.quantity import Accuracy
    from audiomeas.units import Level

__all__ = ["Limit", "Plan", "Step", "find_plan", "read_plan", "refuse_impossible", "shipped_plans"]

#: Figures whose name ends so can't be negative (an error can: speed_error_percent).
_NEVER_NEGATIVE = ("_v_rms", "_w", "_hz", "_percent")
#: measurement → its option that sets a tone, and the harmonic that must still be seen.
_HARMONIC_NEEDED = {"distortion": ("frequency_hz", 3)}
#: The same where the other frequencies are told: such a plan runs, and what rests on all of them stays undecided.
_HARMONIC_MISSED = {"power": ("frequencies_hz", 3)}


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan as read. kind : the kind of unit that it is for.  text : the file as it was, for the record.

    steps : first what its head asks before the first sound, then its own.
    """

    title: str
    kind: str
    about: str
    steps: tuple[PlanStep, ...]
    path: Path
    text: str


def shipped_plans() -> list[str]:
    """Return the names of the plans that ship with audiomeas."""
    return sorted(path.stem for path in shipped("examples", "plans").glob("*.toml"))


def find_plan(plan: Path | str) -> Path:
    """Return the file of a plan: a path as it is; a bare name that is no file here means a shipped plan.

    Raises FileProblem with the nearest shipped plan.
    """
    path = Path(plan)
    with translated(path, "read"):
        if path.exists() or path.suffix or path.name != str(plan):
            return path
    if path.name not in shipped_plans():
        names = shipped_plans()
        raise FileProblem(
            f"{plan} is neither a file here nor a shipped plan{nearest(path.name, names)}; shipped: {', '.join(names)}"
        )
    return shipped("examples", "plans", f"{path.name}.toml")


def read_plan(path: Path, *, sample_rate_hz: float | None = None) -> Plan:
    """Read and check a plan file.

    sample_rate_hz : refuse what this rate can't show (see `refuse_impossible`), when it is known already.
    Raises FileProblem (missing, empty, no text) and TomlProblem (file, line, key, and the nearest valid word).
    """
    table = read_toml(path)
    if "unit" in table:
        raise table.problem("unit", "this is a stack of units, and no plan: run it with `audiomeas batch`")
    title, kind = one_line(table, "title"), one_line(table, "kind")
    about = table.text("about", "")
    accuracy = read_meter(table)
    before = read_before(table, accuracy)
    proofs = tuple(step for each in table.tables("specification", optional=True) for step in _proven(each))
    listed = tuple(_step(each, accuracy) for each in table.tables("step", optional=bool(proofs)))
    table.finish()
    if not (proofs or listed):
        raise table.problem("step", "a plan needs at least one [[step]]")
    # Typed and listed steps come first: a specification drives the unit to its rated power.
    steps = (*before, *listed, *proofs)
    _refuse_twins(table, steps)
    plan = Plan(title=title, kind=kind, about=about, steps=steps, path=path, text=table.source)
    if sample_rate_hz is not None:
        refuse_impossible(plan, sample_rate_hz)
    return plan


def refuse_impossible(plan: Plan, sample_rate_hz: float, *, channels: tuple[int, ...] = (1, 2)) -> None:
    """Refuse steps that this sample rate can't play or show, before any of them sounds.

    channels : of the bench; a step may name others.
    Raises TomlProblem that names the file, the step and the way out.
    """
    for number, step in enumerate(plan.steps, start=1):
        if not isinstance(step, Step) or step.specification:
            continue  # a maker's words stand: what this bench can't show of them fails alone, and is undecided
        try:
            refuse_unseen_harmonic(step, sample_rate_hz)
            _refuse_unplayable(step, sample_rate_hz, channels)
        except RequestError as error:
            raise TomlProblem(f"{plan.path}: step {number} ({step.name}): {error}") from None


def refuse_unseen_harmonic(step: Step, sample_rate_hz: float, *, whole: bool = False) -> None:
    """Refuse a tone whose third harmonic can't be captured: its distortion would read as next to nothing.

    whole : also refuse the step whose other frequencies can be told.   Raises RequestError with the way out.
    """
    needed = {**_HARMONIC_NEEDED, **_HARMONIC_MISSED} if whole else _HARMONIC_NEEDED
    option, order = needed.get(step.measure, ("", 0))
    frequencies = step.options.get(option, ())
    for frequency_hz in frequencies if isinstance(frequencies, (list, tuple)) else (frequencies,):
        if frequency_hz * order >= sample_rate_hz / 2.0:
            raise RequestError(
                f"{option}: harmonic {order} of {frequency_hz:g} Hz lies beyond {sample_rate_hz / 2.0:g} Hz, half the "
                f"sample rate: stay below {sample_rate_hz / 2.0 / order:.0f} Hz, or use a higher sample rate"
            )


def _refuse_unplayable(step: Step, sample_rate_hz: float, channels: tuple[int, ...]) -> None:
    """Let the measurement itself look at what was asked for."""
    measurement = registry.find(step.measure)
    if measurement.check is not None:
        context = PlayContext(
            sample_rate_hz=sample_rate_hz, channels=step.channels or channels, input_level_v_rms=ANY_LEVEL_V_RMS
        )
        measurement.check(context, complete(measurement, step.options))


def _refuse_twins(table: Table, steps: tuple[PlanStep, ...]) -> None:
    """A step's name tells its rows from others when two visits are compared."""
    seen: set[str] = set()
    for step in steps:
        if step.name in seen:
            raise table.problem("step", f"two steps are named {step.name!r}: give each its own name")
        seen.add(step.name)


def _proven(table: Table) -> tuple[Step, ...]:
    """Return the steps that a [[specification]] is made into."""
    proof = read_specification(table)
    made = [table.inside("step", number, data) for number, data in enumerate(proof.steps)]
    stated: dict[str, Any] = {"specification": proof.words, "load_ohm": proof.load_ohm, "not_stated": proof.not_stated}
    return tuple(replace(_measured(each, step_name(each)), **stated) for each in made)


#: What a step is, by the key that says so.
_KINDS = ("measure", "reading", "instruction")


def _step(table: Table, accuracy: Accuracy | None) -> PlanStep:
    name = step_name(table)
    kinds = [kind for kind in _KINDS if kind in table]
    if len(kinds) > 1:
        raise table.problem(kinds[1], f"a step is one thing: give {kinds[0]} or {kinds[1]}, not both")
    if kinds == ["reading"]:
        return read_reading(table, name, accuracy)
    if kinds == ["instruction"]:
        return read_instruction(table, name)
    if not kinds and not any(nearest(key, ["measure"]) for key in table.keys()):  # noqa: SIM118
        raise table.problem("name", f"a step needs one of {', '.join(_KINDS)}: what is done in it")
    return _measured(table, name)


def _measured(table: Table, name: str) -> Step:
    word = table.any_value("measure", None)
    if word in _KINDS:
        raise table.problem("measure", f'{word} is no measurement: write {word} = "…" in place of this key')
    measurement = registry.find(table.choice("measure", registry.words()))
    input_level, output_level = _level(table, "input_level"), _level(table, "output_level")
    if input_level is not None and output_level is not None:
        raise table.problem("output_level", "give input_level or output_level, not both")
    channels = channels_of(table)
    taken = {option.name: _option(table, option) for option in measurement.options}
    limits = tuple(_limit(each, measurement, channels) for each in table.tables("limit", optional=True))
    masks = tuple(read_mask(each, measurement, channels) for each in table.tables("mask", optional=True))
    _refuse_twin_masks(table, masks)
    table.finish()
    return Step(
        name=name,
        measure=measurement.word,
        options={key: value for key, value in taken.items() if value is not None},
        input_level=input_level,
        output_level=output_level,
        channels=channels,
        limits=limits,
        masks=masks,
    )


def _refuse_twin_masks(table: Table, masks: tuple[MaskLimit, ...]) -> None:
    """A mask's name tells its rows from another's, on one curve of one channel."""
    seen: set[tuple[str, str, int | None]] = set()
    for each in masks:
        what = (each.mask.name, each.curve.key, each.channel)
        if what in seen:
            raise table.problem("mask", f"two masks are named {each.mask.name!r}: give each its own name")
        seen.add(what)


def _level(table: Table, key: str) -> Level | None:
    from audiomeas.units import parse_level

    text = table.text(key, None)
    if text is None:
        return None
    try:
        level = parse_level(text)
    except RequestError as error:
        raise table.problem(key, str(error)) from None
    if level.unit == "FS":
        raise table.problem(key, "a level in dBFS has no volts on a bench: give it in V, mV, dBV, dBu or W")
    if level.unit == "W" and key == "input_level":
        raise table.problem(key, "an input takes volts: give V, mV, dBV or dBu, or use output_level for watts")
    return level


def _option(table: Table, option: Option) -> Any:
    """Take one of the measurement's own options; None when the file doesn't set it."""
    name = option.name
    if option.kind == "number":
        return table.number(name, None, above=option.above, at_least=option.at_least, at_most=option.at_most)
    if option.kind == "integer":
        return _integer(table, option)
    if option.kind == "numbers":
        return table.numbers(name, None, above=option.above)
    if option.kind == "truth":
        return table.truth(name, None)
    if option.kind == "choice":
        return table.choice(name, list(option.choices), None)
    if option.kind == "level":
        _level(table, name)  # checked here, where the line is known; the measurement reads the text itself
    return table.text(name, None)


def _integer(table: Table, option: Option) -> Any:
    at_least = None if option.at_least is None else int(option.at_least)
    if option.above is not None:
        at_least = max(int(option.above) + 1, at_least if at_least is not None else int(option.above) + 1)
    return table.integer(
        option.name, None, at_least=at_least, at_most=None if option.at_most is None else int(option.at_most)
    )


def _quantity(table: Table, figures: list[str]) -> str:
    """Take the figure of a limit. Raises TomlProblem with the nearest one, also for a name without its unit."""
    name = table.any_value("quantity", None)
    with_unit = [key for key in figures if isinstance(name, str) and name not in figures and key.startswith(f"{name}_")]
    if with_unit:
        raise table.problem("quantity", f"{name!r} has no unit: write {' or '.join(with_unit)}")
    return str(table.choice("quantity", figures))


def _edge(table: Table, key: str, unit: str, floor: float | None = None) -> float | None:
    """Take a limit: a number in the figure's unit, or a text with its own, such as "0.1 %". Raises TomlProblem."""
    value = table.any_value(key, None)
    if not isinstance(value, str):
        found: float | None = table.number(key, None, at_least=floor)
        return found
    try:
        edge = parse_quantity(value, unit)
    except RequestError as error:
        raise table.problem(key, f"{error}; or write the number alone, in {unit or 'no unit'}") from None
    if floor is not None and edge < floor:
        raise table.problem(key, f"must be at least {floor:g}, not {value}")
    return edge


def _limit(table: Table, measurement: Measurement, channels: tuple[int, ...] | None) -> Limit:
    figures = {figure.key: figure for figure in measurement.figures}
    figure = figures[_quantity(table, list(figures))]
    floor = 0.0 if figure.key.endswith(_NEVER_NEGATIVE) and "_error_" not in figure.key else None
    limit = Limit(
        quantity=figure.key,
        unit=figure.unit,
        words=figure.words,
        at_least=_edge(table, "at_least", figure.unit),
        at_most=_edge(table, "at_most", figure.unit, floor),
        difference_at_most=_edge(table, "difference_at_most", figure.unit),
        change_at_most=_edge(table, "change_at_most", figure.unit),
        since=since_of(table),
        channel=table.integer("channel", None, at_least=1, at_most=2),
        source=table.choice("source", SOURCES),
    )
    table.finish()
    refuse_contradictions(table, limit, channels)
    return limit
