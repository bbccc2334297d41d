"""Faults that are rehearsed on a simulated bench: [[rehearsed_fault]] in its bench file.

[[rehearsed_fault]]
kind = "lost"      # see audiomeas/interface/faulty.py: lost, repeated, swapped, delayed, zeros, over-range, …
at_s = 0.5         # after the beginning of a stream
frames = 512       # of those that have a length
stream = 2         # which stream is hit first; 1 is the first look
times = 1          # how many streams from there on: three tries are made, so from 3 on a capture is refused; 0: all
"""

from __future__ import annotations

from audiomeas.interface.faulty import KINDS, SIZES, USUAL_FRAMES, WITHOUT_FRAMES, Fault
from audiomeas.tomlfile import Table

#: What a size may be: a level of no use, two clocks that are no cards', half and twice the rate.
_SIZES_BETWEEN = {"gain step": (-120.0, 40.0), "clock step": (0.01, 10_000.0), "other rate": (1.0001, 2.0)}


def read_faults(table: Table, *, simulated: bool, sample_format: str) -> tuple[Fault, ...]:
    """Return the faults of a bench file. Raises TomlProblem: on a true card; impossible values."""
    found = []
    for entry in table.tables("rehearsed_fault", optional=True):
        kind = entry.choice("kind", list(KINDS))
        if not simulated:
            raise entry.problem("kind", "faults are rehearsed on a simulated bench alone: take this out")
        if kind == "not a number" and sample_format != "float32":
            raise entry.problem("kind", 'only float samples can be no numbers: set sample_format = "float32"')
        found.append(_fault(entry, kind))
    return tuple(found)


def _fault(entry: Table, kind: str) -> Fault:
    low, high = _SIZES_BETWEEN.get(kind, (0.0, 0.0))
    times = entry.integer("times", 1, at_least=0, at_most=1_000_000)
    fault = Fault(
        kind=kind,
        at_s=entry.number("at_s", 0.5, at_least=0.0, at_most=100_000.0),
        frames=0 if kind in WITHOUT_FRAMES else entry.integer("frames", USUAL_FRAMES, at_least=1, at_most=1_000_000),
        size=entry.number("size", SIZES[kind], at_least=low, at_most=high) if kind in SIZES else 0.0,
        stream=entry.integer("stream", 2, at_least=1, at_most=1_000_000),
        times=times or None,
    )
    entry.finish()
    return fault


def rehearsal_words(faults: tuple[Fault, ...]) -> tuple[str, ...]:
    """Return what each result says of the faults."""
    return tuple(f"a fault is rehearsed on this bench: {fault.words()}" for fault in faults)
