"""A failure picture: one row of the table of rules, and the cases in which a visit's facts were held against it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from audiomeas.diagnosis.facts import Holds, Sign

if TYPE_CHECKING:
    from audiomeas.diagnosis.evidence import Evidence

#: A picture is told by so many facts at least: one alone has too many causes.
LEAST_SIGNS = 2


@dataclass(frozen=True)
class Case:
    """The signs of one picture on one channel, or of one pair of steps; all must hold. Raises ValueError: too few."""

    signs: tuple[Sign, ...]

    def __post_init__(self) -> None:
        if len(self.signs) < LEAST_SIGNS:
            raise ValueError(f"a picture needs {LEAST_SIGNS} facts")

    @property
    def holds(self) -> Holds:
        """Return 'yes' when all signs hold, 'no' when one does not."""
        found = {sign.holds for sign in self.signs}
        return "no" if "no" in found else "open" if "open" in found else "yes"


@dataclass(frozen=True, kw_only=True)
class Picture:
    """One rule. name : its word.  signature : how it shows.  kinds : words of kinds of units; (): all.

    consistent_with, check : the sentence that is told, without its first word ('consistent with', 'check').
    bench : where the bench itself could make the same.   needs : what to measure where the facts are not there.
    look : facts of a visit → its cases; none: the facts are not there.
    source : of its numbers.
    """

    name: str
    signature: str
    consistent_with: str
    check: str
    bench: str
    needs: str
    look: Callable[[Evidence], Iterable[Case]]
    kinds: tuple[str, ...] = ()
    not_kinds: tuple[str, ...] = ()
    source: str = "common practice"

    def fits(self, kind: str) -> bool:
        """Return whether a unit of this kind can show it; one whose kind is not known may be any."""
        word = kind.casefold()
        if not word:
            return True
        named = not self.kinds or any(one in word for one in self.kinds)
        return named and not any(one in word for one in self.not_kinds)
