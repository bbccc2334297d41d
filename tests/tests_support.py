"""What tests share: programs from outside the project, and the rule that a missing one skips – or fails.

The plain test command must pass on a machine that has none of them. With AUDIOMEAS_REQUIRE_ALL=1 (as `.ci/run` sets it)
whatever would be skipped fails, so that a green run really executed the wider tests.
"""

from __future__ import annotations

import ctypes.util
import functools
import importlib.util
import os
import shutil
from typing import NoReturn

import pytest

REQUIRE_ALL = os.environ.get("AUDIOMEAS_REQUIRE_ALL", "") == "1"

#: Debian package of each program, for the message.
PACKAGE_OF = {
    "jackd": "jackd2",
    "pulseaudio": "pulseaudio",
    "ngspice": "ngspice",
    "sox": "sox",
    "pdftotext": "poppler-utils",
    "pdffonts": "poppler-utils",
    "pdftoppm": "poppler-utils",
    "tmux": "tmux",
    "chromium": "chromium",
}

#: What a test with one of these markers needs before it starts.
PROGRAMS_OF_MARKER = {
    "audio": ("jackd",),
    "spice": ("ngspice",),
    "sox": ("sox",),
    "poppler": ("pdftotext", "pdffonts", "pdftoppm"),
    "browser": ("chromium",),
}


def missing(what: str) -> NoReturn:
    """Skip the test because something is missing; with AUDIOMEAS_REQUIRE_ALL=1 fail it."""
    if REQUIRE_ALL:
        pytest.fail(f"{what} (AUDIOMEAS_REQUIRE_ALL=1: a skip is a failure)", pytrace=False)
    pytest.skip(what)


def require(program: str) -> str:
    """Return the path of a program; skip (or fail, see `missing`) when it is not installed."""
    path = shutil.which(program)
    if path is None:
        missing(f"{program} is not installed (Debian: apt-get install {PACKAGE_OF.get(program, program)})")
    return path


def require_portaudio() -> None:
    """Skip (or fail) when sounddevice or JACK-Client or their libraries are missing.

    Neither is imported: sounddevice would start PortAudio, which keeps to the sound servers that it meets then.
    """
    for module, library, package in (
        ("sounddevice", "portaudio", "libportaudio2"),
        ("jack", "jack", "libjack-jackd2-0"),
    ):
        if importlib.util.find_spec(module) is None:
            missing(f"the Python package with {module} is not installed (pip install '.[test]')")
        if _find_library(library) is None:
            missing(f"the library {library} is not installed (Debian: apt-get install {package})")


@functools.cache
def _find_library(name: str) -> str | None:
    return ctypes.util.find_library(name)


def require_for_marker(marker: str) -> None:
    """Skip (or fail) when something that a marker stands for is missing."""
    for program in PROGRAMS_OF_MARKER.get(marker, ()):
        require(program)
    if marker == "audio":
        require_portaudio()
