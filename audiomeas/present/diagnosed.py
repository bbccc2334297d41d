"""A diagnosis in lines for the terminal: what the facts are consistent with, what to check, what can't be told."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from audiomeas.measurement.result import SIMULATED_NOTE
from audiomeas.present.compared import amount_of
from audiomeas.present.digits import plain
from audiomeas.present.outcome import folded
from audiomeas.record.change import Side
from audiomeas.shown_units import shown_in

if TYPE_CHECKING:
    from audiomeas.diagnosis.diagnose import Diagnosis
    from audiomeas.diagnosis.facts import Sign
    from audiomeas.diagnosis.judge import Judged

_INDENT = 4
_WAYS = {"above": "more than", "below": "less than"}
_NOTHING = "No failure picture fits what was measured. That is no proof of health: see what can't be judged."
_OPEN = "open: facts too near their limits"
CLAIM = (
    "A picture is where to look first, never a proof: each has other causes. It is told only where all of its facts "
    "lie beyond their limits, uncertainty included."
)


def diagnosis_text(diagnosis: Diagnosis, *, everything: bool = False, width: int = 80) -> str:
    """Return a diagnosis as lines of at most `width` columns. everything : the facts of open pictures too."""
    lines = folded("", SIMULATED_NOTE, 0, width) if diagnosis.simulated else []
    visit = diagnosis.visit
    lines += folded("", f"{visit.unit.name}, {visit.stage} {visit.opened_at:%Y-%m-%d %H:%M} UTC", 0, width)
    if diagnosis.against is not None:
        lines += folded("", f"held against {diagnosis.against.path}", 0, width)
    found = diagnosis.of("yes")
    for one in found:
        lines += ["", *_found_lines(one, width)]
    if not found:
        lines += ["", *folded("", _NOTHING, 0, width)]
    lines += _open_lines(diagnosis.of("open"), width, everything)
    lines += list(_not_judged(diagnosis.of(None), width))
    lines += list(_named("not found", diagnosis.of("no"), width))
    for note in diagnosis.notes:
        lines += folded("note: ", note, len("note: "), width)
    return "\n".join([*lines, "", *folded("", CLAIM, 0, width)])


def _found_lines(one: Judged, width: int) -> Iterator[str]:
    picture = one.picture
    yield from folded("", f"consistent with {picture.consistent_with}", 0, width)
    yield from folded("  check ", picture.check, _INDENT, width)
    yield from _case_lines(one, width)
    yield from folded("  bench ", picture.bench, _INDENT, width)


def _case_lines(one: Judged, width: int) -> Iterator[str]:
    for text in fact_texts(one):
        yield from folded("  fact  ", text, _INDENT, width)


def fact_texts(one: Judged) -> tuple[str, ...]:
    """Return the facts that a picture rests on, each once, with value, limit and step."""
    return tuple(dict.fromkeys(_sign_text(sign) for case in one.cases for sign in case.signs))


def _sign_text(sign: Sign) -> str:
    """Return 'channel 1, gain at 1 W over that of channel 2: −2.4 ± 0.1 dB (less than −1 dB) in 'Gain''."""
    fact = sign.fact
    whose = f"channel {fact.channel}, " if fact.channel else ""
    value = amount_of(Side(value=fact.value, uncertainty=fact.half_width, bound=fact.bound), fact.unit)
    unit, factor = shown_in(fact.unit, sign.limit)
    limit = f"{_WAYS[sign.way]} {plain(sign.limit * factor)} {unit}".rstrip()
    return f"{whose}{fact.words}: {value} ({limit}), in {fact.step}"


def _open_lines(several: Sequence[Judged], width: int, everything: bool) -> Iterator[str]:
    if not several:
        return
    yield from ("", _OPEN)
    for one in several:
        yield from folded("  ", one.picture.consistent_with, _INDENT, width)
        if everything:
            yield from _case_lines(one, width)


def _not_judged(several: Sequence[Judged], width: int) -> Iterator[str]:
    """Yield what can't be judged, gathered by what is to be measured."""
    needs: dict[str, list[str]] = {}
    for one in several:
        needs.setdefault(one.picture.needs, []).append(one.picture.name)
    if needs:
        yield from ("", "can't be judged: measure")
    for need, names in needs.items():
        yield from folded("  ", f"{need}: {', '.join(names)}", _INDENT, width)


def _named(title: str, several: Sequence[Judged], width: int) -> Iterator[str]:
    if several:
        yield from ("", *folded(f"{title}: ", ", ".join(one.picture.name for one in several), _INDENT, width))
