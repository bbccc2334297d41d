"""Tables and charts of a soak, from the result alone (also one that was stored and read back)."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.soak_fold import ENDS_S
from audiomeas.measurement.views import ChartView, Column, Series, TableView

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

QUANTITIES = (
    ("sounding_h", "time for which it played", "h"),
    ("events", "events of the unit", ""),
    ("bench_events", "events of the bench", ""),
    ("cycles_done", "times switched off and on", ""),
    ("end_level_w", "power at the end", "W"),
    ("mean_w", "power over the whole time", "W"),
    ("energy_wh", "energy into the load", "Wh"),
    ("end_level_v_rms", "voltage at the end", "V"),
    ("gain_change_db", "change of gain since the beginning", "dB"),
    ("gain_range_db", "between highest and lowest gain", "dB"),
    ("end_noise_v_rms", "noise at the end", "V"),
    ("noise_change_db", "change of noise", "dB"),
    ("end_hum_v_rms", "hum at the end", "V"),
    ("hum_change_db", "change of hum", "dB"),
    ("end_thd_n_percent", "THD+N at the end", "%"),
    ("thd_n_change_db", "change of THD+N", "dB"),
    ("end_null_db", "null against the source (one gain, one delay)", "dB"),
    ("end_remainder_db", "what no response explains, over the signal", "dB"),
    ("remainder_change_db", "change of what no response explains", "dB"),
)
#: Of a spot measurement, where it tells them.
_SPOT_FIGURES = (("level_v_rms", "level", "V"), ("gain_db", "gain", "dB"), ("thd_n_percent", "THD+N", "%"))
_FEWEST_POINTS = 2
_S_AN_HOUR = 3600.0
_MINUTES_AN_HOUR = 60.0
#: Below so many hours minutes are counted, and below so many minutes seconds.
_IN_HOURS_FROM_H, _IN_MINUTES_FROM_MIN = 2.0, 2.0


def tables(result: Result) -> tuple[TableView, ...]:
    """Return the figures, and the events where there were any."""
    figures = figures_table(result, QUANTITIES, title="Soak", always={"sounding_h", "events"}, notes=(caption(result),))
    return (figures, *_spot_table(result), *_event_table(result))


def _spot_table(result: Result) -> tuple[TableView, ...]:
    spots = result.conditions.get("spots") or ()
    if not spots:
        return ()
    columns = (
        Column(heading="after"),
        Column(heading="channel"),
        Column(heading="measured"),
        *(Column(heading=words, unit=unit) for _, words, unit in _SPOT_FIGURES),
    )
    rows = tuple(
        (
            clock(_S_AN_HOUR * float(one["after_h"])),
            str(one["channel"]),
            str(one["measurement"]),
            *(one.get(key) for key, _, _ in _SPOT_FIGURES),
        )
        for one in spots
    )
    return (TableView(title="Spot measurements", columns=columns, rows=rows, leading=2),)


def _event_table(result: Result) -> tuple[TableView, ...]:
    rows = [_event_row(one) for one in _events(result)]
    if not rows:
        return ()
    columns = (
        Column(heading="after"),
        Column(heading="channel"),
        Column(heading="event"),
        Column(heading="what"),
        Column(heading="capture"),
    )
    return (TableView(title="Events", columns=columns, rows=tuple(rows)),)


def _events(result: Result) -> list[dict[str, Any]]:
    """Return the events of all channels, each once, in order."""
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    for channel in result.channels:
        for one in channel.values["event_list"]:
            found.setdefault((one["after_s"], one["kind"], one["channel"]), one)
    return sorted(found.values(), key=lambda one: float(one["after_s"]))


def _event_row(one: dict[str, Any]) -> tuple[str, ...]:
    channel = one["channel"]
    return (
        clock(float(one["after_s"])),
        "" if channel is None else str(channel),
        str(one["kind"]),
        str(one["words"]),
        str(one.get("capture") or ""),
    )


def clock(after_s: float) -> str:
    """Return a time since the beginning as 3:07:41."""
    whole = math.floor(after_s)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def lasted(hours: float) -> str:
    """Return hours as people say them: '40 s', '30 min', '4 h'."""
    minutes = hours * _MINUTES_AN_HOUR
    if minutes < _IN_MINUTES_FROM_MIN:
        return f"{minutes * 60.0:.3g} s"
    return f"{minutes:.3g} min" if hours < _IN_HOURS_FROM_H else f"{hours:.3g} h"


def caption(result: Result) -> str:
    """Return what was done, in a sentence or two."""
    conditions = result.conditions
    heat = conditions.get("class_b_heat_percent")
    share = conditions.get("power_share")
    rated = conditions.get("rated_level")
    so_far = " so far" if conditions.get("so_far") else ""
    played = f"{conditions['sound']} for {lasted(float(conditions['sounding_h']))}{so_far}"
    if rated is not None and share is not None and heat is not None:
        played += f" at {share:.3g} of {rated}; an ideal class-B stage makes {heat:.0f} % of its largest heat then"
    not_watched_s = float(conditions.get("not_watched_s") or 0.0)
    missed = f" {not_watched_s:.0f} s were not watched." if not_watched_s else ""
    short = float(conditions["sounding_h"]) * _S_AN_HOUR < 2 * ENDS_S
    ends = f" A change is told from {2 * ENDS_S} s on: beginning and end are means over {ENDS_S} s." if short else ""
    return f"{played}.{missed}{ends}"


def charts(result: Result) -> tuple[ChartView, ...]:
    """Return the drift of the gain, and what was heard beside the signal: noise, hum, distortion or remainder."""
    drift = _course(result, "gain_db", lambda value, first: value - first)
    if not drift:
        return ()
    beside = [
        *_course(result, "thd_n_percent", lambda value, _: _db(value / 100.0), "THD+N"),
        *_course(result, "remainder_db", lambda value, _: value, "not explained"),
    ]
    quiet = [
        *_course(result, "noise_v_rms", lambda value, _: _db(value), "noise"),
        *_course(result, "hum_v_rms", lambda value, _: _db(value), "hum"),
    ]
    found = (
        ("soak", "Gain", "Gain since the beginning (dB)", [*drift, *_marks(result, drift)], 0.1),
        ("soak-distortion", "Distortion and noise", "Relative to the signal (dB)", beside, 6.0),
        ("soak-noise", "Noise and hum", "Level (dBV)", quiet, 6.0),
    )
    return tuple(_over_time(result, *one) for one in found if one[3])


def _over_time(result: Result, name: str, what: str, y_label: str, series: list[Series], span: float) -> ChartView:
    unit = "hours" if _in_hours(result) else "minutes"
    return ChartView(
        name=name,
        title=f"{what} over the time of the soak",
        x_label=f"Time since the beginning ({unit})",
        y_label=y_label,
        series=tuple(series),
        x_scale="linear",
        y_smallest_span=span,
        caption=caption(result),
        simulated=result.simulated,
    )


def _db(ratio: float) -> float:
    return 20.0 * math.log10(max(ratio, 1e-15))


def _in_hours(result: Result) -> bool:
    ends = [channel.values["course"][-1]["after_h"] for channel in result.channels if channel.values["course"]]
    return max(ends, default=0.0) >= _IN_HOURS_FROM_H


def _course(result: Result, key: str, shown: Callable[[float, float], float], what: str = "") -> list[Series]:
    per_hour = 1.0 if _in_hours(result) else _MINUTES_AN_HOUR
    found = []
    for channel in result.channels:
        rows = _known(channel, key)
        if len(rows) >= _FEWEST_POINTS:
            first = rows[0][1]
            found.append(
                Series(
                    label=f"{what}, channel {channel.channel}" if what else f"channel {channel.channel}",
                    x=[after_h * per_hour for after_h, _ in rows],
                    y=[shown(value, first) for _, value in rows],
                    channel=channel.channel,
                )
            )
    return found


def _marks(result: Result, drift: list[Series]) -> list[Series]:
    """Return where events stand along the gain, the first of each kind named; none where nothing happened."""
    per_second = (1.0 if _in_hours(result) else _MINUTES_AN_HOUR) / _S_AN_HOUR
    curves = {one.channel: one for one in drift}
    x, y, labels, named = [], [], [], set()
    for event in _events(result):
        curve = curves.get(event["channel"], drift[0])
        at, kind = per_second * float(event["after_s"]), str(event["kind"])
        x.append(at)
        y.append(_straight(at, curve))
        labels.append("" if kind in named else kind)
        named.add(kind)
    return [Series(label="events", x=x, y=y, role="points", labels=tuple(labels))] if x else []


def _straight(at: float, curve: Series) -> float:
    """Return what a curve without gaps has at a place, straight between its points, its ends beyond them."""
    points = [(x, y) for x, y in zip(curve.x, curve.y, strict=True) if y is not None]
    for (x_before, y_before), (x_after, y_after) in pairwise(points):
        if at <= x_after:
            share = max(0.0, (at - x_before) / (x_after - x_before))
            return y_before + share * (y_after - y_before)
    return points[-1][1]


def _known(channel: ChannelResult, key: str) -> list[tuple[float, float]]:
    return [(float(row["after_h"]), float(row[key])) for row in channel.values["course"] if row.get(key) is not None]
