"""How an entry of a calibration was made: when, how, with what, at which rates, until when it holds; the readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from audiomeas.tomlfile import Table

#: The keys of a file that say it, in its order; all but the last are needed where one is there.
ORIGIN_KEYS = ("made", "valid_until", "sample_rates_hz", "method", "instrument")
EVIDENCE_KEY = "evidence"


@dataclass(frozen=True, kw_only=True)
class ScaleOrigin:
    """How one scale was made, where its file says it of each (`audiomeas calibrate` does). evidence : the readings."""

    made: date
    valid_until: date
    sample_rates_hz: tuple[float, ...]
    method: str
    instrument: str
    evidence: Mapping[str, Any] = field(default_factory=dict)


def origin_mismatches(what: str, origin: ScaleOrigin, sample_rate_hz: float, today: date) -> list[str]:
    """Say why an entry does not hold on a day, at a rate (one line each). what : the entry, in words."""
    found = []
    if today > origin.valid_until:
        found.append(f"{what} expired on {origin.valid_until.isoformat()}: calibrate it again")
    if sample_rate_hz not in origin.sample_rates_hz:
        rates = ", ".join(f"{rate:g}" for rate in origin.sample_rates_hz)
        found.append(f"{what} was calibrated at {rates} Hz, not at {sample_rate_hz:g} Hz")
    return found


def origin_of(entry: Table) -> ScaleOrigin | None:
    """Take what a scale says of its own making: all of it or nothing."""
    if not any(key in entry for key in (*ORIGIN_KEYS, EVIDENCE_KEY)):
        return None
    made, valid_until = validity(entry)
    evidence = entry.table(EVIDENCE_KEY, optional=True)
    return ScaleOrigin(
        made=made,
        valid_until=valid_until,
        sample_rates_hz=entry.numbers("sample_rates_hz", above=0.0),
        method=entry.text("method"),
        instrument=entry.text("instrument"),
        evidence={} if evidence is None else _as_it_stands(evidence),
    )


def validity(table: Table) -> tuple[date, date]:
    """Take the day when something was made and the one until when it holds."""
    made, valid_until = table.day("made"), table.day("valid_until")
    if valid_until < made:
        raise table.problem("valid_until", f"lies before the day it was made ({made.isoformat()})")
    return made, valid_until


def _as_it_stands(table: Table) -> dict[str, Any]:
    names = table.keys()
    return {name: table.any_value(name) for name in names}
