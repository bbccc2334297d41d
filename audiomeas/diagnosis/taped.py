"""What a tape's own word tells of head and motion: cases for the pictures of tape decks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from audiomeas.diagnosis.evidence import Evidence, Measured
from audiomeas.diagnosis.facts import Fact, above, below
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.measurement.curves import number
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.result import ChannelResult
from audiomeas.measurement.trade_limits import AZIMUTH_DEG, WANDER_DEG

#: Phase between the tracks grows with frequency: the second tone, by its frequency, must say two thirds of the same.
_PART_OF_LINE = 0.67
#: The span of a wander has no half-width of its own: noise of a usual tape moves it by less than this.
_WANDER_HALF_DEG = 5.0
_GAP_UM, _TREBLE_DB = 2.0, -4.0
_SPEED_PERCENT = 0.5


def azimuth(found: Evidence) -> Iterator[Case]:
    """Yield the phase at the highest tone and at one below, of the channel that tells it."""
    for one, channel in found.each("tape"):
        phase = one.fact(channel, "azimuth_deg", "phase between the tracks at the highest tone", "°")
        rows = _below_highest(channel)
        if phase is None or rows is None:
            continue
        row, share = rows
        half = number(row["uncertainty"].get("phase_deg"))
        second = one.told(channel.channel, _at("phase", row), abs(row["phase_deg"]), "°", half)
        yield Case((above(phase.without_sign(), AZIMUTH_DEG), above(second, _PART_OF_LINE * share * AZIMUTH_DEG)))


def _wander(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each("tape"):
        wander_deg, rows = number(channel.values.get("azimuth_wander_deg")), _below_highest(channel)
        if wander_deg is None or rows is None:
            continue
        row, share = rows
        words = "span in which the phase at the highest tone wanders"
        most = one.told(channel.channel, words, wander_deg, "°", _WANDER_HALF_DEG)
        less = one.told(channel.channel, _at("span", row), float(row["wander_deg"]), "°", share * _WANDER_HALF_DEG)
        yield Case((above(most, WANDER_DEG), above(less, _PART_OF_LINE * share * WANDER_DEG)))


def _at(what: str, row: Mapping[str, Any]) -> str:
    return f"{what} at {hertz(row['frequency_hz'])}"


def _below_highest(channel: ChannelResult) -> tuple[Mapping[str, Any], float] | None:
    """Return the highest tone but one, and its frequency over the highest; None without two."""
    rows = sorted(channel.values.get("azimuth") or (), key=lambda row: row["frequency_hz"])
    highest_hz = number(channel.values.get("azimuth_hz"))
    lower = [row for row in rows if highest_hz is not None and row["frequency_hz"] < 0.9 * highest_hz]
    if not lower or highest_hz is None:
        return None
    return lower[-1], lower[-1]["frequency_hz"] / highest_hz


def wide_gap(found: Evidence) -> Iterator[Case]:
    """Yield the gap that fits the treble, which the azimuth has been taken out of, and the treble itself."""
    for one, channel in found.each("tape"):
        gap = one.fact(channel, "gap_um", "gap of the head that the treble tells", "µm")
        treble = one.fact(channel, "treble_db", "treble against the middle", "dB")
        if gap is not None and treble is not None:
            yield Case((above(gap, _GAP_UM), below(treble, _TREBLE_DB)))


def wrong_speed(found: Evidence) -> Iterator[Case]:
    """Yield the mean speed as both tracks tell it."""
    yield from _of_both(found, "speed_error_percent", "speed, from nominal")


def drag(found: Evidence) -> Iterator[Case]:
    """Yield the change of speed over a whole side likewise."""
    yield from _of_both(found, "side_drift_percent", "speed at the side's end against its beginning")


def _of_both(found: Evidence, key: str, words: str) -> Iterator[Case]:
    for one in found.of("tape"):
        facts = [fact for channel in one.channels() if (fact := _size(one, channel, key, words)) is not None]
        if len(facts) > 1:
            yield Case(tuple(above(fact, _SPEED_PERCENT) for fact in facts))


def _size(one: Measured, channel: ChannelResult, key: str, words: str) -> Fact | None:
    fact = one.fact(channel, key, words, "%")
    return None if fact is None else fact.without_sign()


PICTURES = (
    Picture(
        name="azimuth-wander",
        signature="the phase between the tracks wanders while one tone plays",
        consistent_with="a tape that is not guided well: it runs askew, now more, now less",
        check="guides, back tension, pressure pad, the pinch roller's axle; then another cassette",
        bench="a worn or creased test tape wanders too",
        needs="tape with its azimuth tones",
        look=_wander,
        kinds=("deck",),
    ),
)
