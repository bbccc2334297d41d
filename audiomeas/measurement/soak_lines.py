"""The lines of a soak's log, as plain JSON objects: what it is, each second, each event, what a person typed, its end.

A line says by its key 'line' which of them it is. Numbers carry their units in their names, and six digits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from audiomeas.measurement.soak_reading import ChannelSecond

#: The kinds of line.
BEGIN, SECOND, EVENT, NOTE, TYPED, END = "begin", "second", "event", "note", "typed", "end"
#: Of an event that stands before it: what was captured around it is in a file now.
KEPT = "kept"
#: What a second was: it counts as hours of soak only while it plays.
State = Literal["playing", "settling", "muted", "off"]
PLAYING: State = "playing"
#: Events beside those of the watchman. Of the unit:
CEILING, OFFSET, NOT_BACK = "ceiling passed", "d.c. offset", "not back"
#: Of the bench: then something of the unit may have been missed.
DRIVER, NOT_READ, LATE_SOURCE, LOST = "driver", "not read", "source late", "stream lost"
SLEPT = "machine slept"
#: Or of one of both: a click may be a contact of the unit, a disturbance from outside, or blocks that changed places.
_OF_BENCH = frozenset({DRIVER, NOT_READ, LATE_SOURCE, LOST, SLEPT, "samples lost", "over-range", "click"})
#: What is told and is no fault: a signal that returns has gone before.
_NO_FAULT = frozenset({"signal back"})


def sound_words(facts: Mapping[str, Any]) -> str:
    """Return what is played in a few words. facts : as the first line of a log has them (`SoakSound.facts`)."""
    if "frequency_hz" in facts:
        return f"a tone of {facts['frequency_hz']:g} Hz"
    return f"{facts.get('file', facts['kind'])}, crest factor {facts['crest_factor_db']:.3g} dB"


def is_of_bench(kind: str) -> bool:
    """Return whether an event is the bench's own, or may be: it leaves a soak undecided."""
    return kind in _OF_BENCH


def is_fault(kind: str) -> bool:
    """Return whether an event counts against the unit."""
    return kind not in _OF_BENCH | _NO_FAULT


def second_line(after_s: float, state: State, channels: Sequence[ChannelSecond]) -> dict[str, Any]:
    """Return the line of one second. after_s : at its end, since the soak began."""
    line: dict[str, Any] = {
        "line": SECOND,
        "after_s": round(after_s, 3),
        "state": state,
        "channels": [
            {"channel": one.channel, **{key: short(value) for key, value in one.values.items()}} for one in channels
        ],
    }
    gains = [one.values["gain_db"] for one in channels if "gain_db" in one.values]
    if len(gains) > 1:
        line["balance_db"] = short(gains[0] - gains[1])
    return line


def event_line(after_s: float, kind: str, words: str, *, channel: int | None = None, **more: Any) -> dict[str, Any]:
    """Return the line of an event. channel : None where it belongs to none."""
    return {"line": EVENT, "after_s": round(after_s, 3), "kind": kind, "channel": channel, "words": words, **more}


def note_line(after_s: float, words: str, **more: Any) -> dict[str, Any]:
    """Return the line of what was done and is no event: a spot measurement, a cycle, a person's remark."""
    return {"line": NOTE, "after_s": round(after_s, 3), "words": words, **more}


def typed_line(after_s: float, what: str, channel: int | None, facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return the line of what a person read from a meter."""
    return {"line": TYPED, "after_s": round(after_s, 3), "what": what, "channel": channel, **facts}


def short(value: float) -> float:
    """Return a number with six digits."""
    return float(f"{value:.6g}")
