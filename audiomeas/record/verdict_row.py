"""One row of a verdict: a quantity, its limit, and whether the unit keeps it. The facts that a record keeps."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal, get_args

from audiomeas.record.mask import MaskRow, mask_row_from_json
from audiomeas.shown_units import shown_in

Word = Literal["pass", "fail", "undecided"]
WORDS: tuple[Word, ...] = get_args(Word)
#: Fields that most rows don't need: a row without them has no such key.
_LEFT_OUT = ("mask", "since", "expected", "answer")


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """The verdict on one limit of one channel.

    quantity, unit, words : the figure that is judged.  channel : None for a difference between channels, or not known.
    value : what was found (the difference, for `difference_at_most`); None: missing.
    uncertainty : 95 % half-width in `unit`; None: not known.   bound : 'at most', 'at least', or ''.
    source : whose limit it is (maker, house, era).   reason : why it is so, for fail and undecided.
    mask : of a limit mask, the band, the curve and where it was worst; then value is the margin that the curve has in
    the band there, at_least is 0, and reason names that frequency.
    since : of a limit on a change, the stage of the visit before; then value is by how much it changed.
    expected, answer : of a question, what must be answered and what was ('' where nothing was entered); then value is 1
    where they agree, else 0, and at_least is 1.
    """

    step: str
    quantity: str
    unit: str
    words: str
    channel: int | None
    value: float | None
    uncertainty: float | None
    bound: str
    at_least: float | None
    at_most: float | None
    difference_at_most: float | None
    source: str
    verdict: Word
    reason: str = ""
    mask: MaskRow | None = None
    since: str = ""
    expected: str = ""
    answer: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the row's JSON object."""
        return {key: value for key, value in asdict(self).items() if key not in _LEFT_OUT or value}

    def limit_text(self) -> str:
        """Return the limit in words: 'at most 0.1 %', 'within 20 … 22 V', 'inside the mask “Line stage”'."""
        if self.mask is not None:
            return mask_text(self.mask)
        if self.expected:
            return f"expected: {self.expected}"
        if self.since:
            return change_text(self.at_most, self.unit, self.since)
        return limit_text(self.at_least, self.at_most, self.difference_at_most, self.unit)


def mask_text(row: MaskRow) -> str:
    """Return a mask as a limit in words: 'inside the mask “Line stage”, relative to 1 kHz'."""
    return ", ".join(filter(None, (f"inside the mask “{row.mask.name}”", row.mask.placement_words())))


def change_text(at_most: float | None, unit: str, since: str) -> str:
    """Return a limit on a change in words: 'changed by at most 0.5 dB since as-found'."""
    assert at_most is not None
    return f"changed by {limit_text(None, at_most, None, unit)} since {since}"


def limit_text(at_least: float | None, at_most: float | None, difference_at_most: float | None, unit: str) -> str:
    """Return a limit in words."""
    shown, factor = shown_in(unit, at_least, at_most, difference_at_most)
    ending = f" {shown}" if shown else ""
    if difference_at_most is not None:
        return f"channels within {_shown(difference_at_most * factor)}{ending} of each other"
    if at_least is not None and at_most is not None:
        return f"{_shown(at_least * factor)} to {_shown(at_most * factor)}{ending}"
    if at_most is not None:
        return f"at most {_shown(at_most * factor)}{ending}"
    assert at_least is not None
    return f"at least {_shown(at_least * factor)}{ending}"


def _shown(number: float) -> str:
    return f"{number:g}".replace("-", "−")


def decide(value: float, uncertainty: float, *, at_least: float | None, at_most: float | None) -> Word:
    """Return the verdict on value ± uncertainty. A limit belongs to the inside.

    The guard band is the 95 % half-width of the value (JCGM 106:2012, 8.3, decision rules with guard bands; w = U): a
    unit that lies exactly on a limit passes in 2.5 % of cases, as often as the value falls short by more than U.
    value, uncertainty : finite, uncertainty not negative, in the limit's unit; else ValueError.
    """
    if not (math.isfinite(value) and math.isfinite(uncertainty) and uncertainty >= 0.0):
        raise ValueError("a verdict needs a finite value and a finite uncertainty that is not negative")
    low, high = value - uncertainty, value + uncertainty
    above = -math.inf if at_least is None else at_least
    below = math.inf if at_most is None else at_most
    if low > below or high < above:
        return "fail"
    return "pass" if above <= low and high <= below else "undecided"


def decided(row: Verdict) -> Word:
    """Return the word that a row's own numbers give, whatever stands in it.

    What is missing, what the bench itself limits and what has no known uncertainty is undecided; so is a mask of which
    a part was not held, unless the curve leaves it elsewhere.
    """
    if row.value is None or row.bound or row.uncertainty is None:
        return "undecided"
    at_most = row.at_most if row.difference_at_most is None else row.difference_at_most
    word = decide(row.value, row.uncertainty, at_least=row.at_least, at_most=at_most)
    return "undecided" if word == "pass" and row.mask is not None and row.mask.held.gaps else word


#: Keys of a row that hold text.
_TEXTS = ("step", "quantity", "unit", "words", "bound", "source", "reason")


def verdict_from_json(data: Mapping[str, Any]) -> Verdict:
    """Return the row of a JSON object. Raises KeyError, TypeError or ValueError on a wrong one."""
    asked = {item.name: data[item.name] for item in fields(Verdict) if item.name not in _LEFT_OUT}
    for name in _TEXTS:
        _text(data, name)
    if not (asked["channel"] is None or _is_number(asked["channel"])):
        raise TypeError("channel is no number")
    since, expected, answer = (_text(data, name) for name in ("since", "expected", "answer"))
    row = Verdict(**asked, since=since, expected=expected, answer=answer, mask=_mask(data))
    if row.verdict not in WORDS:
        raise ValueError(f"{row.verdict!r} is not one of {', '.join(WORDS)}")
    numbers = (row.value, row.uncertainty, row.at_least, row.at_most, row.difference_at_most)
    if not all(number is None or _is_number(number) for number in numbers):
        raise TypeError("a value or a limit is no number")
    if not all(number is None or math.isfinite(number) for number in numbers):
        raise ValueError(f"a value or a limit of {row.quantity} is not finite")
    if row.uncertainty is not None and row.uncertainty < 0.0:
        raise ValueError(f"the uncertainty of {row.quantity} is negative")
    if all(limit is None for limit in (row.at_least, row.at_most, row.difference_at_most)):
        raise ValueError(f"a row of {row.quantity} has no limit")
    if (word := decided(row)) != row.verdict:
        raise ValueError(f"the verdict on {row.quantity} says {row.verdict}, and its own numbers say {word}")
    return row


def _mask(data: Mapping[str, Any]) -> MaskRow | None:
    """Return a row's mask, held against its own curve again. Raises ValueError when the row says something else."""
    if data.get("mask") is None:
        return None
    mask = mask_row_from_json(data["mask"])
    found = (mask.held.margin, mask.held.uncertainty, 0.0)
    if found != (data["value"], data["uncertainty"], data["at_least"]):
        raise ValueError(f"the row of {data['quantity']} does not say what its mask {mask.mask.name!r} gives")
    return mask


def _text(data: Mapping[str, Any], key: str) -> str:
    value = data.get(key, "")
    if not isinstance(value, str):
        raise TypeError(f"{key} is no text")
    return value


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def overall(rows: Iterable[Verdict], *, complete: bool = True) -> Word | None:
    """Return the verdict of all rows together: fail before undecided before pass; None when there is no limit.

    complete : every step that was planned gave its result; else the verdict is at best undecided.
    """
    found = {row.verdict for row in rows}
    word: Word | None = next((word for word in ("fail", "undecided", "pass") if word in found), None)
    return word if complete or word == "fail" else "undecided"
