"""Captures that a measurement needs beside its own: options of kind 'recording', read before any sound."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from audiomeas.measurement.base import Measurement
    from audiomeas.recording import Recording


@dataclass(frozen=True, kw_only=True)
class Attached:
    """A capture that was read. name : of its file, without folders.  sha256 : of its samples' file."""

    name: str
    sha256: str
    recording: Recording


def with_recordings(measurement: Measurement, options: Mapping[str, Any]) -> dict[str, Any]:
    """Return completed options with each file of kind 'recording' read. Raises FileProblem."""
    wanted = [option.name for option in measurement.options if option.kind == "recording"]
    return {**options, **{name: _read(Path(options[name])) for name in wanted if isinstance(options.get(name), str)}}


def _read(path: Path) -> Attached:
    from audiomeas.files import sha256_of
    from audiomeas.recording import read_recording

    return Attached(name=path.name, sha256=sha256_of(path), recording=read_recording(path))
