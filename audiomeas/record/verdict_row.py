"""One row of a verdict: a quantity, its limit, and whether the unit keeps it. The facts that a record keeps."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal, get_args

Word = Literal["pass", "fail", "undecided"]
WORDS: tuple[Word, ...] = get_args(Word)


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """The verdict on one limit of one channel.

    quantity, unit, words : the figure that is judged.  channel : None for a difference between channels, or not known.
    value : what was found (the difference, for `difference_at_most`); None: missing.
    uncertainty : 95 % half-width in `unit`; None: not known.   bound : 'at most', 'at least', or ''.
    source : whose limit it is (maker, house, era).   reason : why it is so, for fail and undecided.
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

    def as_json(self) -> dict[str, Any]:
        """Return the row's JSON object."""
        return asdict(self)

    def text(self) -> str:
        """Return the row as one line: 'fail, left: distortion 0.51 ± 0.01 %; at most 0.1 % (house); outside …'."""
        where = {None: "", 1: ", left", 2: ", right"}.get(self.channel, f", channel {self.channel}")
        found = "not known" if self.value is None else f"{self.bound} {self.value:.4g}".strip()
        if self.value is not None and self.uncertainty is not None:
            found += f" ± {self.uncertainty:.2g}"
        if self.value is not None:
            found = f"{found} {self.unit}".rstrip()
        line = f"{self.verdict}{where}: {self.words} {found}; {self.limit_text()} ({self.source})"
        return f"{line}; {self.reason}" if self.reason else line

    def limit_text(self) -> str:
        """Return the limit in words: 'at most 0.1 %', 'within 20 … 22 V', 'channels within 0.5 dB'."""
        return limit_text(self.at_least, self.at_most, self.difference_at_most, self.unit)


def limit_text(at_least: float | None, at_most: float | None, difference_at_most: float | None, unit: str) -> str:
    """Return a limit in words."""
    if difference_at_most is not None:
        return f"channels within {difference_at_most:g} {unit} of each other".replace("  ", " ")
    if at_least is not None and at_most is not None:
        return f"{at_least:g} to {at_most:g} {unit}".rstrip()
    return f"at most {at_most:g} {unit}".rstrip() if at_most is not None else f"at least {at_least:g} {unit}".rstrip()


def verdict_from_json(data: Mapping[str, Any]) -> Verdict:
    """Return the row of a JSON object. Raises KeyError, TypeError or ValueError on a wrong one."""
    row = Verdict(**{item.name: data[item.name] for item in fields(Verdict)})
    if row.verdict not in WORDS:
        raise ValueError(f"{row.verdict!r} is not one of {', '.join(WORDS)}")
    numbers = (row.value, row.uncertainty, row.at_least, row.at_most, row.difference_at_most)
    if not all(number is None or isinstance(number, (int, float)) for number in numbers):
        raise TypeError("a value or a limit is no number")
    return row


def overall(rows: Iterable[Verdict]) -> Word | None:
    """Return the verdict of all rows together: fail before undecided before pass; None when there is no limit."""
    found = {row.verdict for row in rows}
    return next((word for word in ("fail", "undecided", "pass") if word in found), None)
