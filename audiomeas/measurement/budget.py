"""Where an uncertainty comes from: parts that are collected where a figure is told, kept in results, shown as a table.

Every measurement tells its figures through `Told`: what `add` is given is combined, and is the budget.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, combined, merged, part_facts, parts_from, scaled, standard_uncertainty_of
from audiomeas.measurement.steady import LEAST_RELATIVE
from audiomeas.measurement.views import Column, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.base import Figure
    from audiomeas.measurement.result import ChannelResult, Result

#: Components that many figures share (those of calibrations and load: `scale_parts`).
NOISE_AND_FIT = "noise and fit"
METHOD = "method"
BENCH_DISTORTION = "distortion of the bench"
BENCH_NOISE = "noise of the bench"
HUM = "hum on a harmonic"
GAIN = "gain"

#: Keys that are told, that no limit is made for, and that many tables word in their own way: words, and unit.
_WORDS = {
    "level_dbfs": ("level in dBFS", "dB"),
    "level_v_rms": ("level", "V"),
    "gain_db": ("gain", "dB"),
    "thd_total_percent": ("harmonic distortion, relative to fundamental and harmonics", "%"),
}
#: Endings of keys → unit.
_UNITS = {
    "_v_rms": "V",
    "_v": "V",
    "_w": "W",
    "_db": "dB",
    "_dbfs": "dB",
    "_percent": "%",
    "_hz": "Hz",
    "_deg": "degrees",
    "_s": "s",
}
#: The row under all parts.
_WHOLE = ("all together", "")
_NOTES = (
    "Half-widths hold 95 %: of each part, and of the sum of all in their shapes (JCGM 101:2008). Shares are of the "
    "variance.",
    "What a calibration or bench file states without its parts counts as rectangular, the careful side. An error that "
    "both ends of a ratio share (one meter calibrated both) cancels in it.",
)
_LEFT_OUT = "What stands in no table above is left out: --json holds its parts too."
_NOTHING = ("No uncertainty is claimed here: the capture tells none, or its calibration does not hold.",)


@dataclass(frozen=True)
class Told:
    """Values under construction, with the 95 % half-width or the bound of each, and what the half-width is made of."""

    values: dict[str, Any]
    uncertainty: dict[str, float] = field(default_factory=dict)
    bound: dict[str, str] = field(default_factory=dict)
    budget: dict[str, tuple[Part, ...]] = field(default_factory=dict)

    def add(self, key: str, parts: Iterable[Part], factor: float = 1.0) -> None:
        """Enter an uncertainty by its parts. factor : from what the parts are in to the key's own unit."""
        self.budget[key] = merged(scaled(parts, factor))
        self.uncertainty[key] = combined(self.budget[key])

    def widen(self, key: str, part: Part) -> None:
        """Let one more part count in an uncertainty, in the key's own unit; nothing where there is none."""
        if key in self.uncertainty:
            self.add(key, (*self.budget.get(key, ()), part))

    def at_most(self, *keys: str, word: str = "at most") -> None:
        """Make bounds of values: nothing else is then claimed of them."""
        for key in keys:
            self.bound[key] = word
            self.uncertainty.pop(key, None)
            self.budget.pop(key, None)

    def follow(self, key: str, leader: str, word: str) -> None:
        """Let a value that is another form of `leader` carry its uncertainty, or be a bound with it."""
        if self.bound.get(leader):
            self.at_most(key, word=word)
        elif leader in self.uncertainty:
            self.uncertainty[key] = self.uncertainty[leader]
            if leader in self.budget:
                self.budget[key] = self.budget[leader]

    def copy(self, key: str, other: Told | ChannelResult | None, of: str) -> None:
        """Tell a value as another one is told, with its uncertainty or bound; null where there is none."""
        self.values[key] = None if other is None else other.values.get(of)
        if other is None:
            return
        if of in other.bound:
            self.at_most(key, word=other.bound[of])
        elif of in other.budget:
            self.add(key, other.budget[of])
        elif of in other.uncertainty:
            self.uncertainty[key] = other.uncertainty[of]

    def less(self, key: str, one: ChannelResult | None, of: str, other: ChannelResult | None, other_of: str) -> None:
        """Tell how far one value lies above another, both in the key's unit; a bound where one is, null where both are.

        What both carry of one source cancels.
        """
        self.values[key] = None
        if one is None or other is None or one.values.get(of) is None or other.values.get(other_of) is None:
            return
        upper, lower = one.bound.get(of), other.bound.get(other_of)
        if upper and lower:
            return
        self.values[key] = one.values[of] - other.values[other_of]
        if upper or lower:
            self.at_most(key, word=upper or ("at least" if lower == "at most" else "at most"))
            return
        parts = [parts_of(one, of), parts_of(other, other_of)]
        if None not in parts:
            self.add(key, (*(parts[0] or ()), *scaled(parts[1] or (), -1.0)))

    def result(self, channel: int) -> ChannelResult:
        """Return all that was told as a channel's result."""
        from audiomeas.measurement.result import ChannelResult

        return ChannelResult(
            channel=channel, values=self.values, uncertainty=self.uncertainty, bound=self.bound, budget=self.budget
        )


def unit_of(key: str) -> str:
    """Return the unit that the name of a value ends in; '' when it ends in none."""
    return next((unit for ending, unit in _UNITS.items() if key.endswith(ending)), "")


def own_parts(relative: float, least: float = LEAST_RELATIVE) -> tuple[Part, Part]:
    """Return what noise leaves of a level (its 95 % half-width), and what the method can't do better than."""
    return Part(NOISE_AND_FIT, relative), Part(METHOD, least)


def difference_half_width(
    one: ChannelResult, other: ChannelResult, key: str, *, in_common: bool = True
) -> float | None:
    """Return the 95 % half-width of the difference of a figure between two channels; None: not known.

    What both carry of one source cancels, as their budgets tell it. Without budgets the two count as independent, each
    of the shape that leaves the widest sum: a common error would only make the true interval smaller.
    in_common : False where parts of one name are two errors (of two calibrations).
    """
    parts = [parts_of(channel, key) for channel in (one, other)]
    if parts[0] is None or parts[1] is None:
        return None
    if not in_common:
        parts = [[dataclasses.replace(part, source="") for part in own or ()] for own in parts]
    return combined((*(parts[0] or ()), *scaled(parts[1] or (), -1.0)))


def parts_of(channel: ChannelResult, key: str) -> Sequence[Part] | None:
    """Return what an uncertainty is made of; one part where its budget is not known, None where it is not claimed."""
    half = channel.uncertainty.get(key)
    if half is None:
        return None
    return channel.budget.get(key) or (Part("", half, "rectangular"),)


def budget_facts(budget: Mapping[str, Sequence[Part]]) -> dict[str, Any]:
    """Return a budget as JSON."""
    return {key: part_facts(parts) for key, parts in budget.items() if parts}


def budget_from(facts: Mapping[str, Any]) -> dict[str, tuple[Part, ...]]:
    """Return what `budget_facts` made. Raises KeyError, TypeError or ValueError on wrong facts."""
    return {key: parts_from(rows) for key, rows in facts.items()}


def budget_tables(result: Result, figures: Sequence[Figure], tables: Sequence[TableView] = ()) -> tuple[TableView, ...]:
    """Return a table for each value that has a budget: its parts, their half-widths and shares of the variance.

    figures : of its measurement, for their words; in their order.   tables : of the result, for what else is shown.
    What neither names is left out, and that is said.
    """
    named = {**_WORDS, **_shown(tables), **{figure.key: (figure.words, figure.unit) for figure in figures}}
    told = dict.fromkeys(key for channel in result.channels for key in channel.budget)
    first = [figure.key for figure in figures if figure.key in told]
    keys = [key for key in dict.fromkeys([*first, *told]) if key in named]
    notes = _NOTES if len(keys) == len(told) else (*_NOTES, _LEFT_OUT)
    found = [_table(result, key, *named[key], notes if key == keys[-1] else ()) for key in keys]
    return (*found,) if found else (TableView(title="Uncertainty", columns=(), rows=(), notes=_NOTHING),)


def _shown(tables: Sequence[TableView]) -> dict[str, tuple[str, str]]:
    """Return the words and the unit of each key that rows tell; a row set in says its words with the one above.

    Budgets have no prefixes: a row's unit may have one.
    """
    return {
        key: (str(words), unit_of(key) or str(shown))
        for table in tables
        for key, (words, shown, *_) in zip(table.keys, table.rows, strict=False)
        if not str(words).startswith(" ")
    }


def _table(result: Result, key: str, words: str, unit: str, notes: tuple[str, ...]) -> TableView:
    told = {channel.channel: channel.budget[key] for channel in result.channels if channel.budget.get(key)}
    names = dict.fromkeys((part.component, part.shape) for parts in told.values() for part in _by_size(parts))
    columns = {channel: _column(parts) for channel, parts in told.items()}
    return TableView(
        title=f"Uncertainty of {words}",
        columns=(
            Column(heading="from"),
            Column(heading="shape"),
            *(
                column
                for channel in told
                for column in (Column(heading=f"channel {channel}", unit=unit), Column(heading="share", unit="%"))
            ),
        ),
        leading=2,
        rows=tuple(
            (*name, *(cell for found in columns.values() for cell in found.get(name, ("", ""))))
            for name in (*names, _WHOLE)
        ),
        notes=notes,
    )


def _by_size(parts: Sequence[Part]) -> list[Part]:
    return sorted(parts, key=lambda part: -part.half_width)


def _column(parts: Sequence[Part]) -> dict[tuple[str, str], tuple[str, str]]:
    """Return (component, shape) → half-width and share; and what all parts together give.

    Parts of one name, as the calibrations of both inputs in a balance, stand together in one row.
    """
    whole = standard_uncertainty_of(parts) ** 2
    alike: dict[tuple[str, str], list[Part]] = {}
    for part in parts:
        alike.setdefault((part.component, part.shape), []).append(part)
    found = {}
    for name, some in alike.items():
        share = standard_uncertainty_of(some) ** 2 / whole if whole else 0.0
        found[name] = (f"{combined(some):.3g}", _share(share))
    return {**found, _WHOLE: (f"{combined(parts):.3g}", "100.0")}


def _share(part: float) -> str:
    percent = 100.0 * part
    return f"{percent:.1f}" if percent >= 0.05 else "< 0.1"
