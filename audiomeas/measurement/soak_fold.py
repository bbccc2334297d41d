"""What the lines of a soak's log come to, in constant memory however long it lasted: hours, energy, drift, events.

A log of days is gone through line by line; its course is kept in bins that grow with it. The result of a soak is made
of its log alone, so that what a crash left tells the same as what was told while it ran.
"""

from __future__ import annotations

import collections
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95
from audiomeas.measurement.result import ChannelResult
from audiomeas.measurement.soak_lines import EVENT, KEPT, PLAYING, SECOND, is_fault, is_of_bench

#: Beginning and end are means over so many seconds of sound.
ENDS_S = 60
#: The course has at most so many bins; when it has more, neighbours become one.
_MOST_BINS, _FIRST_BIN_S = 720, 10.0
#: So many events are listed; all of them are counted.
MOST_LISTED = 200
_S_AN_HOUR = 3600.0
#: What moves, and the key of its change; levels in volts are compared in dB.
_CHANGES = {
    "gain_db": "gain_change_db",
    "noise_v_rms": "noise_change_db",
    "hum_v_rms": "hum_change_db",
    "thd_n_percent": "thd_n_change_db",
    "remainder_db": "remainder_change_db",
}
_IN_DB = frozenset({"gain_db", "remainder_db", "null_db"})
#: What is told of the end, and of the course.
_AT_END = ("level_v_rms", "level_w", "hum_v_rms", "noise_v_rms", "thd_n_percent", "null_db", "remainder_db")
COURSE = ("gain_db", "noise_v_rms", "hum_v_rms", "thd_n_percent", "null_db", "remainder_db")
#: The largest error of a number with the six digits of the log, relative.
_ROUNDED = 5e-6
_LEAST = 1e-30


def _as_db(key: str, value: float) -> float:
    return value if key in _IN_DB else 20.0 * math.log10(max(abs(value), _LEAST))


@dataclass
class _Mean:
    """A mean as it grows, in dB or plain, with its scatter."""

    count: int = 0
    total: float = 0.0
    squares: float = 0.0

    def add(self, value: float) -> None:
        self.count += 1
        self.total += value
        self.squares += value * value

    def join(self, other: _Mean) -> None:
        self.count += other.count
        self.total += other.total
        self.squares += other.squares

    @property
    def mean(self) -> float | None:
        return self.total / self.count if self.count else None

    @property
    def variance_of_mean(self) -> float | None:
        if self.count < 2:
            return None
        mean = self.total / self.count
        return max(self.squares / self.count - mean * mean, 0.0) / (self.count - 1)


@dataclass
class _Channel:
    first: dict[str, _Mean] = field(default_factory=dict)
    last: collections.deque[Mapping[str, float]] = field(default_factory=lambda: collections.deque(maxlen=ENDS_S))
    seconds: int = 0
    energy_ws: float = 0.0
    powered_s: int = 0
    highest_gain_db: float = -math.inf
    lowest_gain_db: float = math.inf
    faults: int = 0


class SoakFold:
    """Takes the lines of one soak, of all its parts, in order."""

    def __init__(self) -> None:
        self.sounding_s = 0
        self.watched_s = 0
        self.after_s = 0.0
        self.faults = 0
        self.bench_events = 0
        #: Figures of spot measurements, and how often the unit was switched off and on.
        self.spots: list[dict[str, Any]] = []
        self.cycles_done = 0
        self.listed: list[dict[str, Any]] = []
        self._channels: dict[int, _Channel] = {}
        self._bins: list[tuple[float, dict[tuple[int, str], _Mean]]] = []
        self._bin_s = _FIRST_BIN_S

    def add(self, line: Mapping[str, Any]) -> None:
        """Take a line. Raises KeyError, TypeError or ValueError for one that is none of ours."""
        if "after_s" in line:
            self.after_s = max(self.after_s, float(line["after_s"]))
        self.spots += line.get("spots", ())
        self.cycles_done += bool(line.get("cycle_done", False))
        if line["line"] == SECOND:
            self._second(line)
        elif line["line"] == EVENT:
            self._event(line)
        elif line["line"] == KEPT:
            self._kept(line)

    def _second(self, line: Mapping[str, Any]) -> None:
        self.watched_s += 1
        if line["state"] != PLAYING:
            return
        self.sounding_s += 1
        for values in line["channels"]:
            number = int(values["channel"])
            channel = self._channels.setdefault(number, _Channel())
            if "gain_db" in values or "level_w" in values:
                self._played(number, channel, values, float(line["after_s"]))

    def _played(self, number: int, channel: _Channel, values: Mapping[str, float], after_s: float) -> None:
        channel.seconds += 1
        if "level_w" in values:
            channel.energy_ws += values["level_w"]
            channel.powered_s += 1
        if "gain_db" not in values:
            return
        if channel.seconds <= ENDS_S:
            for key in _CHANGES:
                if key in values:
                    channel.first.setdefault(key, _Mean()).add(_as_db(key, values[key]))
        channel.last.append({key: values[key] for key in (*_AT_END, "gain_db") if key in values})
        gain_db = values["gain_db"]
        channel.highest_gain_db = max(gain_db, channel.highest_gain_db)
        channel.lowest_gain_db = min(gain_db, channel.lowest_gain_db)
        self._into_bin(number, values, after_s)

    def _into_bin(self, number: int, values: Mapping[str, float], after_s: float) -> None:
        start_s = math.floor(after_s / self._bin_s) * self._bin_s
        if not self._bins or self._bins[-1][0] < start_s:
            self._bins.append((start_s, {}))
            if len(self._bins) > _MOST_BINS:
                self._halve()
        means = self._bins[-1][1]
        for key in COURSE:
            if key in values:
                means.setdefault((number, key), _Mean()).add(_as_db(key, values[key]))

    def _halve(self) -> None:
        """Make neighbours one, twice as long."""
        self._bin_s *= 2.0
        joined: list[tuple[float, dict[tuple[int, str], _Mean]]] = []
        for start_s, means in self._bins:
            whole_s = math.floor(start_s / self._bin_s) * self._bin_s
            if not joined or joined[-1][0] < whole_s:
                joined.append((whole_s, means))
                continue
            for key, mean in means.items():
                joined[-1][1].setdefault(key, _Mean()).join(mean)
        self._bins = joined

    def _event(self, line: Mapping[str, Any]) -> None:
        kind, channel = str(line["kind"]), line["channel"]
        if is_of_bench(kind):
            self.bench_events += 1
        elif is_fault(kind):
            self.faults += 1
            for number in [int(channel)] if channel is not None else list(self._channels):
                self._channels.setdefault(number, _Channel()).faults += 1
        if len(self.listed) < MOST_LISTED:
            self.listed.append({key: line.get(key) for key in ("after_s", "kind", "channel", "words", "capture")})

    def _kept(self, line: Mapping[str, Any]) -> None:
        for one in reversed(self.listed):
            if all(one[key] == line.get(key) for key in ("after_s", "kind", "channel")):
                one["capture"] = line["capture"]
                return

    # -- what it comes to ---------------------------------------------------------------------------------------

    @property
    def sounding_h(self) -> float:
        """Hours for which it played."""
        return self.sounding_s / _S_AN_HOUR

    def energy_wh(self) -> dict[int, float]:
        """Return channel → energy into its load."""
        return {number: one.energy_ws / _S_AN_HOUR for number, one in self._channels.items() if one.powered_s}

    def channels(
        self, driven: tuple[int, ...], *, asked_h: float = 0.0, cycles: bool = False
    ) -> tuple[ChannelResult, ...]:
        """Return what is told of each driven channel.

        asked_h : of a soak that ended before it is told that it stood so long at least.  cycles : were asked for.
        """
        more = {"cycles_done": float(self.cycles_done)} if cycles else {}
        told = [self._told(number, self._channels.get(number, _Channel())) for number in driven]
        bound = {"sounding_h": "at least"} if self.sounding_h < asked_h else {}
        exact = dict.fromkeys(more, 0.0)
        return tuple(
            replace(
                one,
                values={**one.values, **more},
                uncertainty={**one.uncertainty, **exact},
                bound={**one.bound, **bound},
            )
            for one in told
        )

    def _told(self, number: int, channel: _Channel) -> ChannelResult:
        values: dict[str, Any] = dict.fromkeys(
            ("mean_w", "energy_wh", "gain_range_db", *_CHANGES.values(), *(f"end_{key}" for key in _AT_END))
        )
        uncertainty = {"sounding_h": 0.0, "events": 0.0, "bench_events": 0.0}
        values |= {"sounding_h": self.sounding_h, "events": channel.faults, "bench_events": self.bench_events}
        if channel.powered_s:
            values["mean_w"] = channel.energy_ws / channel.powered_s
            values["energy_wh"] = channel.energy_ws / _S_AN_HOUR
        if channel.highest_gain_db >= channel.lowest_gain_db:
            values["gain_range_db"] = channel.highest_gain_db - channel.lowest_gain_db
        for key in _AT_END:
            found = [one[key] for one in channel.last if key in one]
            values[f"end_{key}"] = sum(found) / len(found) if found else None
        for key, change in _CHANGES.items():
            self._tell_change(channel, key, change, values, uncertainty)
        values["course"] = self._course(number)
        values["event_list"] = [one for one in self.listed if one["channel"] in (number, None)]
        # What the bench missed may have held an event of the unit; one that was seen needs no other.
        bound = {"events": "at least"} if self.bench_events and not channel.faults else {}
        return ChannelResult(channel=number, values=values, uncertainty=uncertainty, bound=bound)

    def _tell_change(
        self, channel: _Channel, key: str, change: str, values: dict[str, Any], uncertainty: dict[str, float]
    ) -> None:
        first, last = channel.first.get(key, _Mean()), _Mean()
        for one in channel.last:
            if key in one:
                last.add(_as_db(key, one[key]))
        # A beginning and an end that share seconds tell of no change.
        if channel.seconds < 2 * ENDS_S or first.mean is None or last.mean is None:
            return
        values[change] = last.mean - first.mean
        before, behind = first.variance_of_mean, last.variance_of_mean
        if before is not None and behind is not None:
            rounded = _ROUNDED * (max(abs(first.mean), abs(last.mean)) if key in _IN_DB else DB_PER_NEPER)
            uncertainty[change] = math.hypot(TWO_SIDED_95 * math.sqrt(before + behind), math.sqrt(2.0) * rounded)

    def _course(self, number: int) -> list[dict[str, float | None]]:
        rows = []
        for start_s, means in self._bins:
            told = {key: mean.mean for (channel, key), mean in means.items() if channel == number}
            if told:
                row: dict[str, float | None] = {"after_h": (start_s + self._bin_s / 2.0) / _S_AN_HOUR}
                rows.append(row | {key: _back(key, told.get(key)) for key in COURSE})
        return rows


def _back(key: str, mean_db: float | None) -> float | None:
    """Return a mean in dB in the key's own unit."""
    if mean_db is None or key in _IN_DB:
        return mean_db
    return math.pow(10.0, mean_db / 20.0)
