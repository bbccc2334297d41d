"""Trials of the failure pictures that are kept, so that many sittings make one table.

A text file: its first line says what made the trials, each other line is one trial. Trials of other rules, or of
another simulation, are refused: a table of both would prove nothing of either.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import subprocess
from collections.abc import Iterable
from pathlib import Path
from typing import Any

#: What a trial's result hangs on, from the top of the project.
_ROOMS = ("analysis", "bench", "diagnosis", "measurement", "simulation", "stimulus")
_SOURCES = (
    *(f"audiomeas/{room}/**/*.py" for room in _ROOMS),
    "audiomeas/*.py",
    "audiomeas/simulation/**/*.toml",
    "tests/diagnosis_bench.py",
    "tests/diagnosis_faults.py",
    "tests/diagnosis_reels.py",
    "tests/diagnosis_units.py",
    "tests/tape_captures.py",
)
_TOP = Path(__file__).resolve().parent.parent
_SHORT = 12

#: Which trial: its function's name, what it is of, its number.
Key = tuple[str, str, int]
#: What was told of it (picture → what holds), or why it could not be measured.
Told = dict[str, str | None] | str


class OtherRulesError(Exception):
    """The kept trials can't be gone on with; the text says why, in one line."""


def made_by(seed: int) -> dict[str, Any]:
    """Return what makes trials here: the sources' checksum, the commit (for people), the seed."""
    digest = hashlib.sha256()
    for path in sorted({path for pattern in _SOURCES for path in _TOP.glob(pattern)}):
        digest.update(f"{path.relative_to(_TOP)}\0".encode() + path.read_bytes())
    return {"sources": digest.hexdigest(), "commit": _commit(), "seed": seed, "simulated": True}


def _commit() -> str:
    try:
        asked = subprocess.run(
            ["git", "-C", str(_TOP), "rev-parse", "HEAD"], capture_output=True, text=True, check=True, timeout=10
        )
    except (OSError, subprocess.SubprocessError):
        return ""
    return asked.stdout.strip()


class Kept:
    """The trials of a file, which each new one is added to at once; without a file they are kept nowhere.

    Raises OtherRulesError where the file's trials are of other sources, where it is no such file, and while another
    table is made with it.
    """

    def __init__(self, path: Path | None, made: dict[str, Any]) -> None:
        self.told: dict[Key, Told] = {}
        self._file = None if path is None else path.open("a+", encoding="utf-8")
        if self._file is not None:
            self._begin(str(path), made)

    def _begin(self, name: str, made: dict[str, Any]) -> None:
        assert self._file is not None
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise OtherRulesError(f"{name}: another table is being made with it; wait, or give another file") from error
        self._file.seek(0)
        whole, newline, broken_off = self._file.read().rpartition("\n")
        if broken_off:  # by a crash within its writing: that trial is made again
            self._file.truncate(len((whole + newline).encode()))
        if not newline:
            self._add(made)
            return
        try:
            head, *rows = (json.loads(line) for line in whole.split("\n"))
            self.told = {(kind, name_, number): told for kind, name_, number, told in rows}
            theirs = {key: head[key] for key in made}
        except (ValueError, TypeError, KeyError) as error:
            raise OtherRulesError(f"{name}: no file of trials; give another one") from error
        if any(theirs[key] != made[key] for key in ("sources", "seed")):
            raise OtherRulesError(
                f"{name}: its trials were made by other rules (commit {theirs['commit'][:_SHORT] or 'not known'}, here "
                f"{made['commit'][:_SHORT] or 'not known'}); check that commit out, or give another file"
            )

    def _add(self, row: Any) -> None:
        if self._file is not None:
            self._file.write(f"{json.dumps(row)}\n")
            self._file.flush()

    def add(self, key: Key, told: Told) -> None:
        """Keep a trial."""
        self.told[key] = told
        self._add([*key, told])

    def missing(self, keys: Iterable[Key]) -> list[Key]:
        """Return those that are not kept yet, in their order."""
        return [key for key in keys if key not in self.told]
