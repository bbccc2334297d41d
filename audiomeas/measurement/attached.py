"""What a measurement needs beside its own capture: options of kind 'recording', 'result', 'disc' and 'side'."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError

if TYPE_CHECKING:
    from audiomeas.measurement.base import Measurement
    from audiomeas.measurement.media import Disc
    from audiomeas.measurement.result import Result
    from audiomeas.measurement.tape_media import TapeSide
    from audiomeas.recording import Recording


@dataclass(frozen=True, kw_only=True)
class Attached:
    """A capture that was read. name : of its file, without folders.  sha256 : of its samples' file."""

    name: str
    sha256: str
    recording: Recording


@dataclass(frozen=True, kw_only=True)
class AttachedResult:
    """A result that was read from its JSON. name : of its file, without folders.  sha256 : of that file."""

    name: str
    sha256: str
    result: Result


def refuse_other_form(attached: Attached, recording: Recording, option: str) -> None:
    """Raise RequestError for a capture of another sample rate or of other channels. option : that names it."""
    other = attached.recording
    if other.channels != recording.channels or other.sample_rate_hz != recording.sample_rate_hz:
        raise RequestError(
            f"{option} {attached.name} has another sample rate or other channels than this capture: capture it on the "
            "same bench"
        )


def refuse_other_scale(attached: Attached, recording: Recording, option: str) -> None:
    """Raise RequestError for a capture whose volts are made with other ranges. option : that names it."""
    if attached.recording.v_rms_at_full_scale != recording.v_rms_at_full_scale:
        raise RequestError(
            f"{option} {attached.name} was captured on other ranges than this capture: capture both on the same ones"
        )


def with_recordings(measurement: Measurement, options: Mapping[str, Any]) -> dict[str, Any]:
    """Return completed options with what those of the kinds above name read. Raises FileProblem."""
    read = {
        option.name: _READERS[option.kind](Path(options[option.name]))
        for option in measurement.options
        if option.kind in _READERS and isinstance(options.get(option.name), str)
    }
    return {**options, **read}


def _read(path: Path) -> Attached:
    from audiomeas.files import sha256_of
    from audiomeas.recording import read_recording

    return Attached(name=path.name, sha256=sha256_of(path), recording=read_recording(path))


def _read_result(path: Path) -> AttachedResult:
    from audiomeas.errors import FileProblem
    from audiomeas.files import read_json, sha256_of
    from audiomeas.measurement.result import result_from_json

    data = read_json(path)
    try:
        result = result_from_json(data)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise FileProblem(
            f"{path} holds no result: give what `audiomeas measure response --json` has printed"
        ) from None
    return AttachedResult(name=path.name, sha256=sha256_of(path), result=result)


def _read_disc(path: Path) -> Disc:
    from audiomeas.measurement.media import read_disc

    return read_disc(path)


def _read_side(path: Path) -> TapeSide:
    from audiomeas.measurement.tape_media import read_side

    return read_side(path)


_READERS: dict[str, Callable[[Path], Any]] = {
    "recording": _read,
    "result": _read_result,
    "disc": _read_disc,
    "side": _read_side,
}
#: Kinds of options that name what is read from elsewhere.
READ_KINDS = tuple(_READERS)
