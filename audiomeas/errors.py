"""The error tree. Every error is one line that says what is wrong, where, and what to do; each knows its exit status.

AudiomeasError
├── RequestError        2  the request or a file is wrong
│   ├── FileProblem        a file is missing, foreign, damaged, or can't be written
│   │   └── DiskFull       there is no room for what would be written
│   ├── TomlProblem        a bench, calibration, plan or unit file says something impossible (file, key, line)
│   ├── OtherBench         a visit that was broken off was begun on another bench
│   └── SignalError        the samples don't hold what the analysis needs (no tone, too short, clipped)
├── BenchError          3  the bench refuses or fails
│   ├── InterlockRefusal   a stimulus would pass a ceiling of unit, load or card
│   ├── DeviceError        the interface is absent, busy, or refuses rate or format
│   ├── CaptureError       over-range, dropout, buffers that can't be trusted, no marker found
│   └── CalibrationError   a calibration does not belong to this set-up
└── Interrupted       130  stopped by the person (or by a signal); sound was faded first
"""

from __future__ import annotations

import re

EXIT_DONE = 0
EXIT_VERDICT = 1
EXIT_REQUEST = 2
EXIT_BENCH = 3
EXIT_INTERRUPTED = 130


#: What stands in backticks is a command, and stays as it is; an option elsewhere is the reader's own.
_OPTIONS = re.compile(r"`[^`]*`|(?<![\w-])--([a-z]+(?:-[a-z]+)*)")


def as_argument(sentence: str) -> str:
    """Return a sentence with its options named as Python and plans do: `--falls-db` is falls_db."""
    return _OPTIONS.sub(lambda found: found[0] if found[1] is None else found[1].replace("-", "_"), sentence)


class AudiomeasError(Exception):
    """Base of all errors that audiomeas raises on purpose.

    As a text it names options as arguments and keys are written; `sentence` has them as they were raised, and the
    commands make of it what was typed (`cli/sentences.py`). An option of one word is raised as `--stimulus`: as a bare
    word it could not be told from any other.
    """

    exit_status = EXIT_REQUEST

    @property
    def sentence(self) -> str:
        """The error as it was raised."""
        return " ".join(map(str, self.args))

    def __str__(self) -> str:
        return as_argument(self.sentence)


class RequestError(AudiomeasError):
    """The request is wrong: a value, an option, a combination."""


class FileProblem(RequestError):
    """A file is missing, empty, truncated, foreign, damaged or can't be written."""


class DiskFull(FileProblem):
    """There is no room for what would be written; what is there already is whole."""


class TomlProblem(FileProblem):
    """A TOML file has an unknown key, a wrong type or an impossible value."""


class OtherBench(RequestError):
    """A visit that was broken off was begun on another bench: with that one it can be gone on with."""


class SignalError(RequestError):
    """The samples don't hold what the analysis needs."""


class BenchError(AudiomeasError):
    """The bench refuses or fails."""

    exit_status = EXIT_BENCH


class InterlockRefusal(BenchError):
    """A stimulus would exceed what unit, load or card allow; nothing was played."""


class DeviceError(BenchError):
    """The interface is absent, busy, or refuses the rate or the format."""


class CaptureError(BenchError):
    """The capture can't be trusted: over-range, dropout, damaged buffers, no marker."""


class CalibrationError(BenchError):
    """A calibration belongs to another interface, range, gain setting or rate."""


class StopAsked(BaseException):
    """A signal asked the program to end while nothing was sounding. Like KeyboardInterrupt, nothing may swallow it."""


class Interrupted(AudiomeasError):
    """Stopped by the person or by a signal; the sound was faded first and the capture kept."""

    exit_status = EXIT_INTERRUPTED
