"""A small stack on the simulated bench, for tests of batches: files, and a program of its own that can be killed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

UNITS = ("A", "B", "C", "D", "E")
PLAN = """\
title = "Short check"
kind = "power amplifier"

[[step]]
name = "Gain"
measure = "gain"
output_level = "1 W"

  [[step.limit]]
  quantity = "gain_db"
  at_least = 20
  source = "house"

[[step]]
name = "Distortion at 1 W"
measure = "distortion"
output_level = "1 W"

  [[step.limit]]
  quantity = "thd_percent"
  at_most = 0.1
  source = "house"
"""


def name_of(letter):
    return f"Demo amplifier {letter}, serial D-000{UNITS.index(letter) + 1}"


def stack_file(folder, units=UNITS, plan=PLAN, extra=""):
    """Write a stack and its plan into a folder; return the stack's path."""
    (folder / "short.toml").write_text(plan)
    entries = "".join(f'\n[[unit]]\nname = "{name_of(letter)}"\n' for letter in units)
    path = folder / "shelf.toml"
    path.write_text(f'title = "Shelf of November"\nplan = "short.toml"\n{extra}{entries}')
    return path


def program(folder, stack, *more):
    """Start `audiomeas batch` as a program of its own, without the bench check, which takes longest."""
    command = [
        sys.executable,
        "-m",
        "audiomeas",
        "batch",
        str(stack),
        "--no-prompt",
        "--without-check",
        "a test",
        *more,
    ]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def visit_folders(records):
    """Return the folders of all visits. One with a leading dot is what a crash left: nothing sounded."""
    return sorted(file.parent for file in Path(records).glob("*/[!.]*/visit.json"))
