"""Tables and charts of power, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.bounded_series import frequency_chart, row_bound
from audiomeas.measurement.figure_table import BOUND_DIGITS, figures_table, frequency_table, told_cell
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.views import ChartView, Limited, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

_QUANTITIES = (
    ("least_power_w", "power at the rated distortion, where it is least", "W"),
    ("least_power_v_rms", "voltage there", "V"),
    ("least_power_at_hz", "where that is", "Hz"),
    ("least_input_v_rms", "input at the rated distortion, where it is least", "V"),
    ("power_over_other_db", "power over that at the other load", "dB"),
    ("largest_distortion_percent", "largest distortion up to the rated level", "%"),
    ("largest_distortion_at_hz", "where that is", "Hz"),
    ("power_band_low_hz", "half of the rated power from", "Hz"),
    ("power_band_high_hz", "half of the rated power up to", "Hz"),
)
_COLUMNS = (
    ("power_w", "Power", "W"),
    ("power_v_rms", "Voltage", "V"),
    ("input_v_rms", "Input", "V"),
    ("distortion_percent", "Largest distortion", "%"),
    ("distortion_at_w", "at", "W"),
)
_AT_LEAST = "at least"
#: What the unit may give more of, or take more of, where nothing louder was played.
_OPEN = ("power_w", "power_v_rms", "input_v_rms")
#: Of a power that is the least that the unit gives: a claim is held against it.
_DIGITS = 3
_CRITERIA = {"thd_percent": "THD", "thd_n_percent": "THD+N"}


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and the power at each frequency."""
    asked = "least_power_w" if str(result.conditions["rated_level"]).endswith("W") else "least_power_v_rms"
    notes = (_caption(result), *_decided(result))
    result = dataclasses.replace(result, channels=tuple(map(_opened, result.channels)))
    first = figures_table(result, _QUANTITIES, title="Power", always={asked}, notes=notes, bound_digits=_DIGITS)
    at_each = (_frequencies(result, channel) for channel in result.channels if channel.values["power"])
    return (first, *at_each)


def _frequencies(result: Result, channel: ChannelResult) -> TableView:
    return frequency_table(
        channel.values["power"],
        _COLUMNS,
        title=f"Largest level with {_criterion(result)}, channel {channel.channel}",
        told=_cell,
        notes=("Where nothing louder was played, the unit may give more than this.",),
    )


def _criterion(result: Result) -> str:
    conditions = result.conditions
    return f"no more than {conditions['rated_percent']:g} % {_CRITERIA[str(conditions['criterion'])]}"


def _caption(result: Result) -> str:
    conditions = result.conditions
    driven = conditions["channels_driven"]
    together = "driven alone" if len(driven) == 1 else "driven together"
    which = " and ".join(str(channel) for channel in driven)
    low_hz, high_hz = conditions["band_hz"]
    from_hz, to_hz = conditions.get("power_range_hz") or (low_hz, high_hz)
    tones = f"tones from {hertz(from_hz)} to {hertz(to_hz)}" if to_hz > from_hz else hertz(from_hz)
    held = f", and the rated one {max(held_s.values()):g} s" if (held_s := conditions.get("rated_held_s")) else ""
    return (
        f"At {tones}, with {_criterion(result)} (in {hertz(low_hz)} to "
        f"{hertz(high_hz)}), from {conditions['lowest_level']} up to "
        f"{conditions['rated_level']}; channel{'s' if len(driven) > 1 else ''} {which} {together}; each level stood "
        f"{conditions['held_s']:g} s{held} before it was measured."
    )


def _decided(result: Result) -> list[str]:
    """Return what is said where one channel reached the distortion, and so the other was not driven further."""
    at_most_of = {
        channel.channel: any(row.get("more_played") for row in channel.values["power"]) for channel in result.channels
    }
    if len(at_most_of) < 2 or len(set(at_most_of.values())) < 2:
        return []
    full = " and ".join(str(number) for number, reached in at_most_of.items() if reached)
    rest = [number for number, reached in at_most_of.items() if not reached]
    return [
        f"Channel {full} reached this distortion first, and all get one input level: of channel "
        f"{' and '.join(map(str, rest))} more is told when it is driven alone (--channels {rest[0]})."
    ]


def _opened(channel: ChannelResult) -> ChannelResult:
    """Return a channel as it is shown: 'at least' where nothing louder was played, as the unit may give more.

    In results these stay what was given, with its half-width: a limit is held against that.
    """
    values, bound, uncertainty = dict(channel.values), dict(channel.bound), dict(channel.uncertainty)
    for key in _OPEN:
        known = [row for row in channel.values["power"] if row[key] is not None]
        least = f"least_{key}"
        if known and values.get(least) is not None and _may_be_more(min(known, key=lambda row: float(row[key])), key):
            values[least], bound[least] = values[least] - (uncertainty.pop(least, None) or 0.0), _AT_LEAST
    values["power"] = [_opened_row(row) for row in channel.values["power"]]
    return dataclasses.replace(channel, values=values, bound=bound, uncertainty=uncertainty)


def _opened_row(row: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a row as it is shown, alike."""
    keys = [key for key in _OPEN if row[key] is not None and _may_be_more(row, key)]
    lowered = {key: row[key] - (row["uncertainty"].get(key) or 0.0) for key in keys}
    return {**row, **lowered, "bound": {**row["bound"], **dict.fromkeys(keys, _AT_LEAST)}}


def _may_be_more(row: Mapping[str, Any], key: str) -> bool:
    """Return whether a value is the least that the unit's own can be, as nothing louder was played."""
    return key in _OPEN and not row.get("more_played")


def _cell(row: Mapping[str, Any], key: str) -> str | float | None:
    return told_cell(row[key], row["bound"].get(key), digits=_DIGITS if key in _OPEN else BOUND_DIGITS)


def _bound(row: Mapping[str, Any], key: str) -> str:
    return _AT_LEAST if _may_be_more(row, key) else row_bound(row, key)


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return power against frequency, and the largest distortion against frequency."""
    rows = [row for channel in result.channels for row in channel.values["power"] if row["power_v_rms"] is not None]
    in_w = bool(rows) and all(row["power_w"] is not None for row in rows)
    key, label = ("power_w", "Power (W)") if in_w else ("power_v_rms", "Output voltage (V r.m.s.)")
    distortion = _CRITERIA[str(result.conditions["criterion"])]
    drawn = (
        (key, "power-frequency", f"Power with {_criterion(result)}", label, f"least_{key}"),
        (
            "distortion_percent",
            "power-distortion",
            "Largest distortion up to the rated level",
            f"{distortion} (%)",
            "largest_distortion_percent",
        ),
    )
    views = (
        frequency_chart(
            result,
            "power",
            of,
            name=name,
            title=title,
            y_label=y_label,
            caption=_caption(result),
            bound=_bound,
            through=True,
            limited=(Limited(key=figure),),
        )
        for of, name, title, y_label, figure in drawn
    )
    return tuple(view for view in views if view is not None)
