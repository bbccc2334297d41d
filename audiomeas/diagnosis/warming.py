"""The picture of what gives way when it gets warm: gain falls while a tone stands, and later captures say so too."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from audiomeas.diagnosis.amplifying import AMPLIFIERS
from audiomeas.diagnosis.evidence import SAME_LEVEL_DB, Evidence, Measured, Tone, same_hz
from audiomeas.diagnosis.facts import Fact, below
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.measurement.curves import number
from audiomeas.measurement.result import ChannelResult
from audiomeas.units import db_to_amplitude_ratio

_FELL_DB = -0.5


def _gives_way(found: Evidence) -> Iterator[Case]:
    """Yield the two lowest of the gains that were captured after the first part, each by itself."""
    for order, one in enumerate(found.steps):
        if one.result.measurement != "precondition":
            continue
        for channel in one.channels():
            later = (*_later_parts(one, channel), *_later_tones(found, order, channel))
            lowest = sorted(later, key=lambda fact: fact.value)[:2]
            if len(lowest) > 1:
                yield Case(tuple(below(fact, _FELL_DB) for fact in lowest))


def _cold(channel: ChannelResult) -> Mapping[str, Any] | None:
    """Return the first part of a preconditioning that told its gain."""
    rows = channel.values.get("parts") or ()
    return next((row for row in rows if number(row.get("gain_db")) is not None), None)


def _later_parts(one: Measured, channel: ChannelResult) -> Iterator[Fact]:
    change, cold = one.fact(channel, "gain_change_db", "", "dB"), _cold(channel)
    if change is None or cold is None:
        return
    for row in channel.values["parts"]:
        gain_db = number(row.get("gain_db"))
        if row is not cold and gain_db is not None:
            words = f"gain when the tone had stood for {float(row['stood_s']):.3g} s, over that at its beginning"
            yield one.told(channel.channel, words, gain_db - cold["gain_db"], "dB", change.half_width)


def _later_tones(found: Evidence, order: int, channel: ChannelResult) -> Iterator[Fact]:
    """Yield the same of each tone after it, of its frequency and no louder: what clips would have less gain, too."""
    cold = _cold(channel)
    if cold is None:
        return
    half_width = number((cold.get("uncertainty") or {}).get("gain_db"))
    before = found.steps[order].told(channel.channel, "", cold["gain_db"], "dB", half_width)
    for tone in found.tones(channel.channel):
        if tone.order > order and tone.gain is not None and _no_louder(tone, cold):
            yield tone.gain.less(before, f"{tone.gain.words} afterwards, over that when the long tone began")


def _no_louder(tone: Tone, cold: Mapping[str, Any]) -> bool:
    cold_hz, cold_v_rms = number(cold.get("frequency_hz")), number(cold.get("level_v_rms"))
    if cold_hz is None or cold_v_rms is None or tone.level_v_rms is None:
        return False
    return same_hz(tone.frequency_hz, cold_hz) and tone.level_v_rms <= cold_v_rms * float(
        db_to_amplitude_ratio(SAME_LEVEL_DB)
    )


PICTURES = (
    Picture(
        name="thermal-limiter",
        signature="gain falls while a tone stands, and stays low in what is captured afterwards",
        consistent_with="a limiter, a fuse resistor or a joint that gives way when warm",
        check="fuse resistors and joints of the output, the protection circuit, the heat sink's temperature",
        bench="a load that gets warm gains resistance, which raises the level: it does not look like this",
        needs="precondition for more than half a minute, or a tone of its frequency and no louder soon after it",
        look=_gives_way,
        kinds=AMPLIFIERS,
    ),
)
