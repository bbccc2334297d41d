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
  at_most = 0.1               # at_most, at_least or both; or difference_at_most (between channels)
  source = "house"            # maker: specification; house: limit of this bench; era: minimum of its time

  [[step.mask]]               # a tolerance band against frequency: see `audiomeas.plan.mask`
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import FileProblem, RequestError, TomlProblem
from audiomeas.files import shipped, translated
from audiomeas.measurement import registry
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.checks import ANY_LEVEL_V_RMS
from audiomeas.measurement.options import complete
from audiomeas.plan.keys import SOURCES, one_line, refuse_unmeasured
from audiomeas.plan.mask import MaskLimit, read_mask
from audiomeas.tomlfile import Table, nearest, read_toml

if TYPE_CHECKING:
    from audiomeas.measurement.base import Measurement, Option
    from audiomeas.units import Level

_CHANNELS: dict[Any, tuple[int, ...]] = {"both": (1, 2), 1: (1,), 2: (2,)}
#: Figures whose name ends so can't be negative (an error can: speed_error_percent).
_NEVER_NEGATIVE = ("_v_rms", "_w", "_hz", "_percent")
#: It heads a table, stands on the customer's page and tells a step from others (characters).
_LONGEST_NAME = 120
#: measurement → its option that sets a tone, and the harmonic that must still be seen.
_HARMONIC_NEEDED = {"distortion": ("frequency_hz", 3)}


@dataclass(frozen=True, kw_only=True)
class Limit:
    """A limit on one figure. unit, words : the figure's.  channel : None for each channel that is measured.

    Either at_least and/or at_most, or difference_at_most (the largest difference between channels).
    """

    quantity: str
    unit: str
    words: str
    source: str
    at_least: float | None = None
    at_most: float | None = None
    difference_at_most: float | None = None
    channel: int | None = None


@dataclass(frozen=True, kw_only=True)
class Step:
    """One measurement of a plan. options : only what the file says; the measurement's defaults fill the rest.

    input_level, output_level : one of them, or neither (the measurement's own level).  channels : None for all.
    """

    name: str
    measure: str
    options: Mapping[str, Any]
    input_level: Level | None
    output_level: Level | None
    channels: tuple[int, ...] | None
    limits: tuple[Limit, ...]
    masks: tuple[MaskLimit, ...] = ()

    def conditions(self) -> dict[str, Any]:
        """Return the step's conditions as plain JSON."""
        return {
            "input_level": None if self.input_level is None else str(self.input_level),
            "output_level": None if self.output_level is None else str(self.output_level),
            "channels": None if self.channels is None else list(self.channels),
            **{key: _plain(value) for key, value in self.options.items()},
        }


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan as read. kind : the kind of unit that it is for.  text : the file as it was, for the record."""

    title: str
    kind: str
    about: str
    steps: tuple[Step, ...]
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
    title, kind = one_line(table, "title"), one_line(table, "kind")
    about = table.text("about", "")
    steps = tuple(_step(each) for each in table.tables("step"))
    table.finish()
    if not steps:
        raise table.problem("step", "a plan needs at least one [[step]]")
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
        try:
            _refuse_unseen_harmonic(step, sample_rate_hz)
            _refuse_unplayable(step, sample_rate_hz, channels)
        except RequestError as error:
            raise TomlProblem(f"{plan.path}: step {number} ({step.name}): {error}") from None


def _refuse_unseen_harmonic(step: Step, sample_rate_hz: float) -> None:
    """Refuse a tone whose third harmonic can't be captured: its distortion would read as next to nothing."""
    option, order = _HARMONIC_NEEDED.get(step.measure, ("", 0))
    frequencies = step.options.get(option, ())
    for frequency_hz in frequencies if isinstance(frequencies, (list, tuple)) else (frequencies,):
        if frequency_hz * order >= sample_rate_hz / 2.0:
            raise RequestError(
                f"{option}: harmonic {order} of {frequency_hz:g} Hz lies beyond {sample_rate_hz / 2.0:g} Hz, half the "
                f"sample rate: use at most {sample_rate_hz / 2.0 / order:.0f} Hz, or a higher sample rate"
            )


def _refuse_unplayable(step: Step, sample_rate_hz: float, channels: tuple[int, ...]) -> None:
    """Let the measurement itself look at what was asked for."""
    measurement = registry.find(step.measure)
    if measurement.check is not None:
        context = PlayContext(
            sample_rate_hz=sample_rate_hz, channels=step.channels or channels, input_level_v_rms=ANY_LEVEL_V_RMS
        )
        measurement.check(context, complete(measurement, step.options))


def _plain(value: Any) -> Any:
    """Return an option's value as plain JSON (a level is said with its unit)."""
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value if isinstance(value, (bool, int, float, str)) or value is None else str(value)


def _refuse_twins(table: Table, steps: tuple[Step, ...]) -> None:
    """A step's name tells its rows from others when two visits are compared."""
    seen: set[str] = set()
    for step in steps:
        if step.name in seen:
            raise table.problem("step", f"two steps are named {step.name!r}: give each its own name")
        seen.add(step.name)


def _step(table: Table) -> Step:
    name = one_line(table, "name")
    if len(name) > _LONGEST_NAME:
        raise table.problem("name", f"{len(name)} characters are too long for the name of a step: use {_LONGEST_NAME}")
    measurement = registry.find(table.choice("measure", registry.words()))
    input_level, output_level = _level(table, "input_level"), _level(table, "output_level")
    if input_level is not None and output_level is not None:
        raise table.problem("output_level", "give input_level or output_level, not both")
    channels = _channels(table)
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


def _channels(table: Table) -> tuple[int, ...] | None:
    value = table.any_value("channels", None)
    if value is None:
        return None
    if isinstance(value, (bool, float)) or not isinstance(value, (int, str)) or value not in _CHANNELS:
        raise table.problem("channels", f'{value!r} is not one of "both", 1, 2')
    return _CHANNELS[value]


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


def _limit(table: Table, measurement: Measurement, channels: tuple[int, ...] | None) -> Limit:
    figures = {figure.key: figure for figure in measurement.figures}
    figure = figures[table.choice("quantity", list(figures))]
    floor = 0.0 if figure.key.endswith(_NEVER_NEGATIVE) and "_error_" not in figure.key else None
    limit = Limit(
        quantity=figure.key,
        unit=figure.unit,
        words=figure.words,
        at_least=table.number("at_least", None),
        at_most=table.number("at_most", None, at_least=floor),
        difference_at_most=table.number("difference_at_most", None, at_least=0.0),
        channel=table.integer("channel", None, at_least=1, at_most=2),
        source=table.choice("source", SOURCES),
    )
    table.finish()
    _refuse_contradictions(table, limit, channels)
    return limit


def _refuse_contradictions(table: Table, limit: Limit, channels: tuple[int, ...] | None) -> None:
    single = limit.at_least is not None or limit.at_most is not None
    if limit.difference_at_most is None and not single:
        raise table.problem("quantity", "a limit needs at_most, at_least or difference_at_most")
    if limit.difference_at_most is not None and single:
        raise table.problem("difference_at_most", "stands alone: write another [[step.limit]] for at_most and at_least")
    if limit.difference_at_most is not None and (limit.channel or len(channels or (1, 2)) < 2):
        raise table.problem("difference_at_most", 'compares channels: leave out channel, and measure channels = "both"')
    if limit.at_least is not None and limit.at_most is not None and limit.at_least > limit.at_most:
        raise table.problem("at_least", f"no value is at least {limit.at_least:g} and at most {limit.at_most:g}")
    refuse_unmeasured(table, limit.channel, channels)
