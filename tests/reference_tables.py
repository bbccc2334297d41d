"""Read the tables in tests/reference: CSV with source lines that begin with '#'."""

from __future__ import annotations

import csv
from pathlib import Path

FOLDER = Path(__file__).parent / "reference"


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a reference table as texts by heading."""
    with (FOLDER / name).open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(line for line in handle if not line.startswith("#")))
