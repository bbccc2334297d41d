"""Facts held against all pictures: what a visit is consistent with, what stays open, what it can't tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from audiomeas.diagnosis.evidence import Evidence
from audiomeas.diagnosis.facts import Holds
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.diagnosis.table import PICTURES


@dataclass(frozen=True, kw_only=True)
class Judged:
    """One picture as a visit shows it. holds : 'yes', 'no', 'open'; None where its facts are not there.

    cases : those that hold, or, where none does, those that are open.
    """

    picture: Picture
    holds: Holds | None
    cases: tuple[Case, ...]

    def as_json(self) -> dict[str, Any]:
        """Return its JSON object."""
        picture = self.picture
        words = {None: "can't be judged", "yes": "found", "no": "not found", "open": "open"}
        facts: dict[str, Any] = {"picture": picture.name, "outcome": words[self.holds], "signature": picture.signature}
        if self.holds is None:
            return {**facts, "measure": picture.needs}
        return {
            **facts,
            "consistent_with": picture.consistent_with,
            "check": picture.check,
            "bench": picture.bench,
            "source": picture.source,
            "cases": [[sign.as_json() for sign in case.signs] for case in self.cases],
        }


def judge(found: Evidence, pictures: Sequence[Picture] = PICTURES) -> tuple[Judged, ...]:
    """Return every picture that a unit of this kind can show, as its facts show it, in the order of the table."""
    return tuple(_judged(found, picture) for picture in pictures if picture.fits(found.kind))


def _judged(found: Evidence, picture: Picture) -> Judged:
    cases = tuple(picture.look(found))
    if not cases:
        return Judged(picture=picture, holds=None, cases=())
    for holds in ("yes", "open"):
        such = tuple(case for case in cases if case.holds == holds)
        if such:
            return Judged(picture=picture, holds="yes" if holds == "yes" else "open", cases=such)
    return Judged(picture=picture, holds="no", cases=())
