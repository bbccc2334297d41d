"""The picture of what moves when it is tapped: a cracked joint, a loose contact, a microphonic part."""

from __future__ import annotations

from collections.abc import Iterator

from audiomeas.diagnosis.evidence import Evidence
from audiomeas.diagnosis.facts import above
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.measurement.curves import number
from audiomeas.measurement.tapping import WORD

#: A joint answers most taps near it, and those elsewhere on the unit less: a third of all that are spread over it. What
#: comes by itself would come within 1 s of taps 6 s apart in a third of all cases.
_ANSWERED_PERCENT, _WITH_TAPS_PERCENT = 33.0, 75.0


def _answers(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each(WORD):
        taps, answered = number(channel.values.get("taps")), number(channel.values.get("taps_answered"))
        if not taps or answered is None:
            continue
        share = one.told(channel.channel, "part of the taps that something came with", 100.0 * answered / taps, "%")
        # Where nothing happened no part of it came with taps.
        near = number(channel.values.get("near_taps_percent")) or 0.0
        whose = one.told(channel.channel, "part of all events that came with a tap", near, "%")
        yield Case((above(share, _ANSWERED_PERCENT), above(whose, _WITH_TAPS_PERCENT)))


PICTURES = (
    Picture(
        name="answers-taps",
        signature="the level steps, or noise bursts, when the unit is tapped, and seldom else",
        consistent_with="a cracked solder joint, a loose contact, or a part that is microphonic",
        check="joints of heavy parts, connectors and sockets, by taps ever nearer; the tube in another socket",
        bench="plugs and leads of the bench move, too: tap the table beside the unit, and those first",
        needs="tapping",
        look=_answers,
    ),
)
