"""A bring-up as a table: each look at the meters in one row. Plain data; `present` draws it."""

from __future__ import annotations

from audiomeas.measurement.views import Column, TableView
from audiomeas.plan.steps import NO, Reading
from audiomeas.powerup.asked import Moment, asked_at
from audiomeas.powerup.keys import CURRENT, GLOW, MAINS, SIGNS
from audiomeas.powerup.outcome import BringUp
from audiomeas.powerup.sheet import Sheet

_NOT_READ = "not read"


def table_of(found: BringUp) -> TableView:
    """Return the table: values as they were typed, volts times amperes, and signs where there were some."""
    headings = _headings(found.sheet)
    signs = any(moment.signs.lower() != NO for moment in found.moments)
    columns = ("step", "after", "bulb", *headings.values(), "V × A", *([SIGNS] if signs else []))
    rows = tuple(_row(found.sheet, moment, headings, signs=signs) for moment in found.moments)
    bulb = found.sheet.bulb()
    return TableView(
        title="Read from the meters",
        columns=tuple(Column(heading=heading) for heading in columns),
        rows=rows,
        notes=(f"Bulb of {bulb.rated_w:g} W at {bulb.mains_v:g} V: at most {bulb.current_a:.2f} A through it.",),
        leading=2,
    )


def _headings(sheet: Sheet) -> dict[str, str]:
    """Return key → heading of all that is typed somewhere, in the order of asking; the bulb has its own column."""
    found: dict[str, str] = {}
    for step in sheet.steps:
        for asked in asked_at(sheet, step):
            reading = asked.question.step
            if isinstance(reading, Reading) and asked.key != GLOW:
                name = reading.name.removeprefix(f"{step.name}: ")
                found.setdefault(asked.key, f"{name}, {asked.question.channel}" if asked.question.channel else name)
    return found


def _row(sheet: Sheet, moment: Moment, headings: dict[str, str], *, signs: bool) -> tuple[str, ...]:
    asked = {each.key for each in asked_at(sheet, moment.step)}
    mains_v, current_a = moment.value(MAINS), moment.value(CURRENT)
    volt_amperes = "" if mains_v is None or current_a is None else f"{mains_v * current_a:.3g} VA"
    typed = (moment.text(key) or (_NOT_READ if key in asked else "") for key in headings)
    glow = moment.text(GLOW) or _NOT_READ if moment.step.bulb_in else moment.step.bulb
    return (
        moment.step.name,
        f"{moment.after_s / 60.0:.3g} min",
        glow,
        *typed,
        volt_amperes,
        *([moment.signs or _NOT_READ] if signs else []),
    )
