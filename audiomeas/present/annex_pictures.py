"""What the technical annex says of failure pictures: those that a visit's figures fit, each with what it rests on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from audiomeas.diagnosis.diagnose import pictures_of
from audiomeas.present.diagnosed import CLAIM, fact_texts

if TYPE_CHECKING:
    from audiomeas.diagnosis.judge import Judged
    from audiomeas.record.visit import Visit
    from audiomeas.record.void import Later

HEADING = "What the figures are consistent with"


def picture_facts(visit: Visit, later: Later) -> Iterator[tuple[str, str]]:
    """Yield (name, text) of each picture that fits, and what such a picture is worth; nothing where none does."""
    found = pictures_of(visit, later)
    for one in found:
        yield from _told(one)
    if found:
        yield "", CLAIM


def _told(one: Judged) -> Iterator[tuple[str, str]]:
    yield "consistent with", one.picture.consistent_with
    yield "check", one.picture.check
    yield from (("fact", text) for text in fact_texts(one))
    yield "bench", one.picture.bench
