"""Read a bring-up sheet: at which mains voltages a unit rests, what is read there, and what stops it.

title = "First power-up, solid-state"
kind = "power amplifier"
circuit = "solid-state"          # or "tube"
mains_v = 230                    # the unit's nominal mains; or --mains
bulb_w = 100                     # of the lamp in series, at that voltage; or --bulb
checklist = ["The fuse is the one that the unit is marked for"]     # as in a plan; so are wiring, outputs and meter

[[step]]
name = "30 %"
mains_percent = 30
bulb = "in"                      # or "out"
dwell_min = 10
readings = 3                     # the first at once, the last at the end of the dwell

[[reading]]                      # as in a plan; beside mains, current, bulb, DC offset and signs
name = "B+"
reading = "DC voltage at the first capacitor"
unit = "V"
lowest = "0 V"
highest = "600 V"
from_percent = 60                # not asked for below
stop_above = "480 V"             # and stop_below
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import shipped, translated
from audiomeas.measurement.entered import AS_EXPECTED
from audiomeas.measurement.quantity import Accuracy, accuracy_of, parse_quantity
from audiomeas.plan.keys import one_line, step_name
from audiomeas.plan.steps import NO, YES, Instruction, Limit, PlanStep, Reading
from audiomeas.plan.typed import read_before, read_meter, read_reading
from audiomeas.powerup.bulb import Bulb
from audiomeas.powerup.keys import is_taken
from audiomeas.tomlfile import Table, nearest, read_toml

SOLID_STATE, TUBE = "solid-state", "tube"
IN, OUT = "in", "out"
#: Whose limits the sheet's own are.
HOUSE = "house"
#: How a person says how bright the bulb is, from nothing up; its place is the number that is kept.
GLOWS = ("dark", "dim", "half", "bright")
#: Nominal mains that are plausible at all, V (100 V to 240 V in use).
_LOWEST_MAINS_V, _HIGHEST_MAINS_V = 90.0, 260.0
_LOWEST_BULB_W, _HIGHEST_BULB_W = 5.0, 3000.0
_LONGEST_NAME = 60
#: A bulb that limits no fault is dim again after so long (published bench practice); cold heaters take longer.
_DIMS_WITHIN_S, _LONGEST_DIMMING_S = 5.0, 120.0
_MOST_PERCENT = 106.0
_LONGEST_DWELL_MIN = 48 * 60.0
_MOST_READINGS = 100
#: Confirmed before any mains, whatever the sheet says: name, and what to confirm.
_ALWAYS = (
    ("Bulb in", "The bulb stands in series with the mains; isolating transformer and trip are in place"),
    ("Disconnected", "Loudspeakers and every signal source are disconnected"),
)
_TUBE_ALWAYS = (("Loads", "A dummy load is on each output: a tube amplifier is never without"),)
_IS_IT_SO = "Is it so?"
#: Confirmed before the first step without the bulb.
BULB_OUT = (
    "Bulb out",
    "Mains down, unit switched off, capacitors empty; then the bulb taken out of circuit and the mains at zero",
)


def confirmed(name: str, text: str) -> Instruction:
    """Return something to confirm: any other answer than yes is a failed row, and ends it."""
    limit = Limit(quantity=AS_EXPECTED, unit="", words=name, source=HOUSE, at_least=1.0)
    return Instruction(
        name=name, text=text, question=_IS_IT_SO, expected=YES, choices=(YES, NO), limits=(limit,), must_pass=True
    )


@dataclass(frozen=True, kw_only=True)
class SheetStep:
    """A rest at one mains voltage. readings : how often all is read, first at once and last at the end of the dwell."""

    name: str
    mains_percent: float
    bulb: str
    dwell_s: float
    readings: int
    before: str

    @property
    def bulb_in(self) -> bool:
        """The bulb stands in series with the mains."""
        return self.bulb == IN


@dataclass(frozen=True, kw_only=True)
class SheetReading:
    """A value of the sheet's own, in the unit of its reading. stop_above, stop_below : beyond them the mains goes off.

    from_percent : of mains; below it is not asked for.   optional : may be left out (a relay that a unit has not).
    """

    reading: Reading
    from_percent: float
    stop_above: float | None
    stop_below: float | None
    optional: bool

    @property
    def name(self) -> str:
        """Return its name, under which it is given in files."""
        return self.reading.name


@dataclass(frozen=True, kw_only=True)
class Stops:
    """What passes none of these goes on. dc_offset_from_percent : below it, an offset beyond only warns.

    current_of_short_percent : of what a short circuit behind the bulb draws at least.  glow : this bright, or brighter.
    mains_percent : of the nominal mains.
    """

    dc_offset_v: float
    dc_offset_from_percent: float
    current_of_short_percent: float
    glow: str
    mains_percent: float


@dataclass(frozen=True, kw_only=True)
class Meters:
    """How true the meters are; None: not known, and then limits on what they show stay undecided."""

    mains: Accuracy | None = None
    current: Accuracy | None = None
    dc: Accuracy | None = None


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """A bring-up sheet as read. mains_v, bulb_w : None until somebody says them.  text : the file as it was.

    steady_glow : as bright as the bulb may stay (tubes and class A keep one alight).   dims_within_s : after so long it
    is no brighter, and the first look is taken.   idle_va, maximum_va : the plate's.   dc_offset : asked for, for each
    channel; not behind an output transformer.   before : what is confirmed before any mains.
    """

    title: str
    kind: str
    circuit: str
    about: str
    mains_v: float | None
    bulb_w: float | None
    idle_va: float | None
    maximum_va: float | None
    dc_offset: bool
    channels: tuple[int, ...]
    steady_glow: str
    dims_within_s: float
    cautions: tuple[str, ...]
    before: tuple[PlanStep, ...]
    stops: Stops
    meters: Meters
    steps: tuple[SheetStep, ...]
    readings: tuple[SheetReading, ...]
    path: Path
    text: str

    def bulb(self) -> Bulb:
        """Return the bulb. Raises RequestError while mains or bulb are not said."""
        if self.mains_v is None:
            raise RequestError(f"{self.path} has no mains_v: say the unit's nominal mains, such as --mains '230 V'")
        if self.bulb_w is None:
            raise RequestError(f"{self.path} has no bulb_w: say what bulb stands in series, such as --bulb '100 W'")
        return Bulb(rated_w=self.bulb_w, mains_v=self.mains_v)


def shipped_sheets() -> list[str]:
    """Return the names of the sheets that ship with audiomeas."""
    return sorted(path.stem for path in shipped("examples", "bringup").glob("*.toml"))


def find_sheet(sheet: Path | str) -> Path:
    """Return the file of a sheet: a path as it is; a bare name that is no file here means a shipped one.

    Raises FileProblem with the nearest shipped sheet.
    """
    path = Path(sheet)
    with translated(path, "read"):
        if path.exists() or path.suffix or path.name != str(sheet):
            return path
    names = shipped_sheets()
    if path.name not in names:
        raise FileProblem(
            f"{sheet} is neither a file here nor a shipped sheet{nearest(path.name, names)}; shipped: "
            f"{', '.join(names)}"
        )
    return shipped("examples", "bringup", f"{path.name}.toml")


def read_sheet(path: Path, *, mains_v: float | None = None, bulb_w: float | None = None) -> Sheet:
    """Read and check a sheet. mains_v, bulb_w : said elsewhere, and then counted instead of the file's.

    Raises FileProblem (missing, empty, no text), TomlProblem (file, line, key, nearest valid word), RequestError.
    """
    table = read_toml(path)
    circuit = table.choice("circuit", [SOLID_STATE, TUBE])
    accuracy = read_meter(table)
    sheet = Sheet(
        title=one_line(table, "title"),
        kind=one_line(table, "kind"),
        circuit=circuit,
        about=table.text("about", ""),
        mains_v=table.number("mains_v", None, at_least=_LOWEST_MAINS_V, at_most=_HIGHEST_MAINS_V),
        bulb_w=table.number("bulb_w", None, at_least=_LOWEST_BULB_W, at_most=_HIGHEST_BULB_W),
        idle_va=table.number("idle_va", None, above=0.0),
        maximum_va=table.number("maximum_va", None, above=0.0),
        dc_offset=table.truth("dc_offset", circuit == SOLID_STATE),
        channels=tuple(range(1, table.integer("channels", 2, at_least=1, at_most=2) + 1)),
        steady_glow=table.choice("steady_glow", list(GLOWS[:-1]), GLOWS[0]),
        dims_within_s=table.number("dims_within_s", _DIMS_WITHIN_S, above=0.0, at_most=_LONGEST_DIMMING_S),
        cautions=table.texts("cautions", ()),
        before=(*_always(circuit), *read_before(table, accuracy)),
        stops=_stops(table.table("stop", optional=True)),
        meters=Meters(mains=_meter(table, "mains_meter"), current=_meter(table, "current_meter"), dc=accuracy),
        steps=tuple(_step(each) for each in table.tables("step")),
        readings=tuple(_reading(each, accuracy) for each in table.tables("reading", optional=True)),
        path=path,
        text=table.source,
    )
    table.finish()
    _refuse_order(table, sheet)
    _refuse_twins(table, sheet)
    return replace(
        sheet,
        mains_v=_said(mains_v, sheet.mains_v, "mains", _LOWEST_MAINS_V, _HIGHEST_MAINS_V),
        bulb_w=_said(bulb_w, sheet.bulb_w, "bulb", _LOWEST_BULB_W, _HIGHEST_BULB_W),
    )


def _said(said: float | None, filed: float | None, what: str, lowest: float, highest: float) -> float | None:
    if said is not None and not lowest <= said <= highest:
        raise RequestError(f"--{what}: {said:g} is not between {lowest:g} and {highest:g}")
    return filed if said is None else said


def _always(circuit: str) -> tuple[Instruction, ...]:
    return tuple(confirmed(*each) for each in (*_ALWAYS, *(_TUBE_ALWAYS if circuit == TUBE else ())))


def _stops(table: Table | None) -> Stops:
    """Return the stop limits; without a table those of common practice (DC-coupled outputs: more than 100 mV).

    10 % above nominal is the highest that a public supply may be (EN 50160, from memory).
    """
    if table is None:
        return Stops(
            dc_offset_v=0.1,
            dc_offset_from_percent=60.0,
            current_of_short_percent=80.0,
            glow=GLOWS[-1],
            mains_percent=110.0,
        )
    default = _stops(None)
    stops = Stops(
        dc_offset_v=table.number("dc_offset_v", default.dc_offset_v, above=0.0, at_most=10.0),
        dc_offset_from_percent=table.number(
            "dc_offset_from_percent", default.dc_offset_from_percent, at_least=0.0, at_most=100.0
        ),
        current_of_short_percent=table.number(
            "current_of_short_percent", default.current_of_short_percent, above=0.0, at_most=100.0
        ),
        glow=table.choice("glow", list(GLOWS[1:]), default.glow),
        mains_percent=table.number("mains_percent", default.mains_percent, at_least=100.0, at_most=115.0),
    )
    table.finish()
    return stops


def _meter(table: Table, key: str) -> Accuracy | None:
    text = table.text(key, None)
    try:
        return None if text is None else accuracy_of(text)
    except RequestError as error:
        raise table.problem(key, str(error)) from None


def _step(table: Table) -> SheetStep:
    dwell_min = table.number("dwell_min", 0.0, at_least=0.0, at_most=_LONGEST_DWELL_MIN)
    step = SheetStep(
        name=_name(table),
        mains_percent=table.number("mains_percent", above=0.0, at_most=_MOST_PERCENT),
        bulb=table.choice("bulb", [IN, OUT]),
        dwell_s=60.0 * dwell_min,
        readings=table.integer("readings", 2 if dwell_min else 1, at_least=1, at_most=_MOST_READINGS),
        before=table.text("before", ""),
    )
    table.finish()
    if step.dwell_s > 0.0 and step.readings < 2:
        raise table.problem("readings", "a dwell is read at its beginning and at its end: at least 2")
    if step.dwell_s == 0.0 and step.readings > 1:
        raise table.problem("readings", "without dwell_min all is read once: enter dwell_min, or leave readings out")
    return step


def _name(table: Table) -> str:
    name = step_name(table)
    if len(name) > _LONGEST_NAME:
        raise table.problem("name", f"{len(name)} characters are too long for a name here: use {_LONGEST_NAME}")
    return name


def _reading(table: Table, accuracy: Accuracy | None) -> SheetReading:
    name = _name(table)
    if is_taken(name):
        raise table.problem("name", f"{name!r} is asked for anyway: name it otherwise")
    from_percent = table.number("from_percent", 0.0, at_least=0.0, at_most=_MOST_PERCENT)
    optional = table.truth("optional", False)
    above, below = table.text("stop_above", None), table.text("stop_below", None)
    reading = read_reading(table, name, accuracy)
    found = SheetReading(
        reading=reading,
        from_percent=from_percent,
        stop_above=_stop_at(table, "stop_above", above, reading),
        stop_below=_stop_at(table, "stop_below", below, reading),
        optional=optional,
    )
    if found.stop_above is not None and found.stop_below is not None and found.stop_below >= found.stop_above:
        raise table.problem("stop_below", "must lie below stop_above")
    return found


def _stop_at(table: Table, key: str, text: str | None, reading: Reading) -> float | None:
    try:
        return None if text is None else parse_quantity(text, reading.unit)
    except RequestError as error:
        raise table.problem(key, str(error)) from None


def _refuse_order(table: Table, sheet: Sheet) -> None:
    if not sheet.steps:
        raise table.problem("step", "a sheet needs at least one [[step]]")
    if not sheet.steps[0].bulb_in:
        raise table.problem(
            "step", f"the first step {sheet.steps[0].name!r} must have bulb = {IN!r}: it is the first power"
        )
    for former, step in zip(sheet.steps, sheet.steps[1:], strict=False):
        if step.bulb_in and not former.bulb_in:
            raise table.problem("step", f"step {step.name!r} has the bulb in again after {former.name!r} without it")
        if step.bulb == former.bulb and step.mains_percent < former.mains_percent:
            raise table.problem(
                "step", f"step {step.name!r} lies below {former.name!r}: the mains is raised, not lowered"
            )


def _refuse_twins(table: Table, sheet: Sheet) -> None:
    for what, names in (
        ("step", [step.name for step in sheet.steps]),
        ("reading", [reading.name for reading in sheet.readings]),
        ("checklist", [step.name for step in sheet.before]),
    ):
        for name in names:
            if names.count(name) > 1:
                raise table.problem(what, f"{name!r} stands there twice: give each its own name")
