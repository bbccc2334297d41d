"""Short names for the steps of a plan: what they share is said once, and never so short that two become one."""

from __future__ import annotations

import re
from collections.abc import Sequence

_NUMBER = re.compile(r"[-+−±]?\d[\d.,]*")

#: No name ends before these, and none begins with what stood behind those: 'For a moment' is never 'moment'.
_JOINTS = frozenset({"and", "or", "of"})
_LINKS = _JOINTS | {"a", "an", "the", "for"}


def short_names(steps: Sequence[str], heading: str) -> dict[str, str]:
    """Return a name for each step below a heading: the first words that all share and the heading says are left out.

    'Distortion at 30 W, 6 kHz' below 'Harmonic distortion' becomes 'at 30 W, 6 kHz'.
    """
    said = {_plain(word) for word in heading.split()}
    drop = 0
    for word in _shared_words(steps):
        if _plain(word) not in said or _NUMBER.fullmatch(word):
            break
        drop += 1
    words = steps[0].split() if steps else []
    while drop and (_plain(words[drop - 1]) in _LINKS or any(_goes_on(step.split()[drop:]) for step in steps)):
        drop -= 1
    return {step: " ".join(step.split()[drop:]) for step in steps}


def _goes_on(words: Sequence[str]) -> bool:
    """Return whether words hang on what stands before them: 'and sensitivity'."""
    return bool(words) and _plain(words[0]) in _JOINTS


def _plain(word: str) -> str:
    return word.strip(".,:;()").casefold()


def _shared_words(names: Sequence[str]) -> list[str]:
    """Return the first words that all names share; each keeps a word of its own, and no unit loses its number."""
    parted = [name.split() for name in names]
    shared = []
    for words in zip(*(each[:-1] for each in parted), strict=False):
        if len(set(words)) > 1:
            break
        shared.append(words[0])
    while shared and _NUMBER.fullmatch(shared[-1]):
        shared.pop()
    return shared


def listed_steps(names: Sequence[str]) -> str:
    """Return names in one line, what they share at the front said once: 'at 30 W, 1 kHz / 100 Hz / 6 kHz'."""
    if len(names) == 1:
        return names[0]
    shared = _shared_words(names)
    ends = [" ".join(name.split()[len(shared) :]) for name in names]
    return " ".join([*shared, " / ".join(ends)])
