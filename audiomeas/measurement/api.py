"""The calls behind `measure`, `analyze` and `generate`, for Python under the same names."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import re
import tempfile
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.bench.calibration import (
    Calibration,
    bench_noise_conditions,
    bench_own_conditions,
    not_claimed,
    read_calibration,
)
from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import AUDIO, free_name, refuse_full_disk, translated
from audiomeas.interface.listening import scratch_folder
from audiomeas.interface.transport import Capture
from audiomeas.measurement.attached import with_recordings
from audiomeas.measurement.generated import generate
from audiomeas.measurement.options import complete, refuse_chartless
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import Result
from audiomeas.measurement.scale_parts import scale_conditions
from audiomeas.measurement.session import Keep, Progress, Say, Session
from audiomeas.recording import (
    Recording,
    check_facts,
    markers_from,
    read_recording,
    sidecar_of,
    suffix_for,
    write_capture,
)
from audiomeas.recording_blocks import open_recording
from audiomeas.stimulus import read_stimulus
from audiomeas.units import Level, parse_level

if TYPE_CHECKING:
    from audiomeas.measurement.base import Measurement

#: Names the bench file when `--bench` does not.
BENCH_VARIABLE = "AUDIOMEAS_BENCH"


def bench_path(given: Path | str | None) -> Path | None:
    """Return the bench file to use: the one given, else the variable's, else None (the simulated bench)."""
    chosen = given if given is not None else os.environ.get(BENCH_VARIABLE) or None
    return None if chosen is None else Path(chosen)


def open_bench(bench: Path | str | None = None, *, loudspeakers: str | None = None) -> Bench:
    """Return the bench of a file (default: AUDIOMEAS_BENCH, else the simulated bench). Opens no device.

    loudspeakers : '8 ohm' when such are connected, 'none' when none are; None: as the bench file says.
    """
    return open_bench_file(bench_path(bench), loudspeakers=loudspeakers)


def measure(
    word: str,
    *,
    bench: Path | str | None = None,
    input_level: str | Level | None = None,
    output_level: str | Level | None = None,
    channels: tuple[int, ...] | None = None,
    captures: Path | str | None = None,
    loudspeakers: str | None = None,
    for_chart: bool = False,
    say: Say | None = None,
    progress: Progress | None = None,
    **options: Any,
) -> Result:
    """Play, capture and analyse on a bench; what `audiomeas measure` does.

    word : 'distortion', 'response', …   input_level, output_level : '100 mV', '1 W' (one of them; else the bench's
    usual level).   channels : 1-based, driven together; default all.   captures : a folder (made when missing) in
    which every capture is kept; None keeps none.   loudspeakers : '8 ohm' when such are connected, 'none' when none
    are; None: as the bench file says.   for_chart : a chart is to be drawn of it: what gives none is refused before
    any sound.   options : the measurement's own.
    Raises AudiomeasError: RequestError, BenchError, SignalError, Interrupted.
    """
    measurement = find(word)
    if for_chart:
        refuse_chartless(measurement, complete(measurement, options))
    kept = _kept(None if captures is None else Path(captures), measurement)
    opened = open_bench(bench, loudspeakers=loudspeakers)
    with kept as keep, Session(opened, say=say, progress=progress) as session:
        return session.measure(
            measurement,
            options,
            input_level=_level(input_level),
            output_level=_level(output_level),
            channels=channels,
            keep=keep,
        )


@contextlib.contextmanager
def _kept(captures: Path | None, measurement: Measurement) -> Iterator[CaptureFolder | None]:
    """Give what keeps a word's captures; what listens for long goes to the disk also where nothing is to stay."""
    if captures is not None:
        yield CaptureFolder(captures, measurement.word)
    elif measurement.in_blocks:
        with translated(scratch_folder(), "write"):
            scratch = tempfile.TemporaryDirectory(prefix="audiomeas-", dir=scratch_folder())
        with scratch as folder:
            yield CaptureFolder(Path(folder), measurement.word)
    else:
        yield None


def _level(given: str | Level | None) -> Level | None:
    return parse_level(given) if isinstance(given, str) else given


class CaptureFolder:
    """Keeps every capture in a folder, each under a name of its own. Callable as a session's `keep`."""

    def __init__(self, folder: Path, stem: str) -> None:
        with translated(folder, "write"):
            folder.mkdir(parents=True, exist_ok=True)
        refuse_full_disk(folder)
        self.folder = folder
        self.stem = stem
        self.written: list[Path] = []

    def __call__(self, capture: Capture, recording: Recording) -> Path:
        """Write a capture and its sidecar; return its path."""
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        purpose = str(recording.conditions.get("purpose", self.stem)).replace(" ", "-")
        suffix = suffix_for(capture.form.sample_format, len(recording.channels), recording.sample_rate_hz)
        path = free_name(self.folder, f"{stamp}-{purpose}", suffix)
        write_capture(path, capture.of_channels(recording.channels), capture.form.sample_format, recording)
        self.written.append(path)
        return path


def analyze(
    word: str,
    file: Path | str,
    *,
    calibration: Path | str | None = None,
    range_name: str | None = None,
    stimulus: Path | str | None = None,
    for_chart: bool = False,
    **options: Any,
) -> Result:
    """Analyse a capture made elsewhere (WAV or FLAC); what `audiomeas analyze` does.

    file : of a measurement that joins captures (clipping) also the folder of a step, or of captures, with all of them.
    calibration : a calibration file whose inputs give the volts; range_name : which range, when it has several.
    stimulus : the file that was played (or its sidecar), where the analysis needs it.
    for_chart : a chart is to be drawn of it: what gives none is refused before anything is read.
    Raises RequestError, FileProblem, SignalError.
    """
    measurement = find(word)
    filled = complete(measurement, options, stage="analyse")
    if for_chart:
        refuse_chartless(measurement, filled)
    recording = _captured_elsewhere(measurement, Path(file))
    if calibration is not None:
        recording = calibrated(recording, read_calibration(Path(calibration)), range_name)
    elif range_name is not None:
        raise RequestError("a range is one of a calibration file: give --calibration too")
    if stimulus is not None:
        recording = _with_stimulus(recording, Path(stimulus))
    if measurement.needs_stimulus and recording.stimulus is None:
        raise RequestError(
            f"{word} needs to know what was played: give --stimulus FILE (written by `audiomeas generate`)"
        )
    return measurement.analyse(recording, with_recordings(measurement, filled))


def _captured_elsewhere(measurement: Measurement, path: Path) -> Recording:
    """Return what is to be analysed: a file, or the captures of a folder, joined. Raises FileProblem, SignalError."""
    if not path.is_dir():
        return open_recording(path) if measurement.in_blocks else read_recording(path)
    if measurement.join is None:
        raise RequestError(f"{path} is a folder: {measurement.word} analyses one capture, give its file")
    with translated(path, "read"):
        files = sorted((one for one in path.iterdir() if one.suffix in AUDIO), key=_in_order)
    return measurement.join([read_recording(one) for one in files])


def _in_order(path: Path) -> list[tuple[int, str]]:
    """Return a key that puts names in the order of their numbers: 'clipping', 'clipping-2', 'clipping-10'."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", path.stem)]


def calibrated(recording: Recording, calibration: Calibration, range_name: str | None) -> Recording:
    """Return a recording with the volts of a calibration file. Raises RequestError when a channel or range lacks."""
    ranges = calibration.ranges()
    if range_name is None and len(ranges) != 1:
        raise RequestError(f"{calibration.file} has the ranges {', '.join(ranges) or '(none)'}: say which with --range")
    chosen = range_name or ranges[0]
    scales = []
    for channel in recording.channels:
        scale = calibration.input(channel, chosen)
        if scale is None:
            raise RequestError(
                f"{calibration.file} has no range {chosen!r} for channel {channel}; ranges: {', '.join(ranges)}"
            )
        scales.append(scale)
    warnings: list[str] = []
    if recording.sample_rate_hz not in calibration.sample_rates_hz:
        warnings.append(
            f"calibration {calibration.file.name} does not hold for {recording.sample_rate_hz:g} Hz: its volts are "
            "used all the same"
        )
    if datetime.now(UTC).date() > calibration.valid_until:
        warnings.append(f"calibration {calibration.file.name} expired on {calibration.valid_until.isoformat()}")
    warnings += calibration.scale_mismatches(
        dict.fromkeys(recording.channels, chosen),
        sample_rate_hz=recording.sample_rate_hz,
        today=datetime.now(UTC).date(),
        outputs=False,
    )
    holds = not warnings
    if not holds:
        warnings.append(not_claimed(calibration))
    in_use, today = dict.fromkeys(recording.channels, chosen), datetime.now(UTC).date()
    holding = calibration.loopbacks_holding(recording.sample_rate_hz, today)
    warnings += calibration.loopback_mismatches(in_use, sample_rate_hz=recording.sample_rate_hz, today=today)
    provenance = dataclasses.replace(recording.provenance, hashes=_with_hash(recording.provenance.hashes, calibration))
    return dataclasses.replace(
        recording,
        v_rms_at_full_scale=tuple(scale.v_rms_at_full_scale for scale in scales),
        scale_uncertainty=tuple(scale.uncertainty if holds else None for scale in scales),
        conditions={
            **recording.conditions,
            "range": {str(n): chosen for n in recording.channels},
            **scale_conditions(recording.channels, scales),
            **bench_noise_conditions(holding, in_use),
            **bench_own_conditions(holding, in_use),
        },
        warnings=(*recording.warnings, *warnings),
        provenance=provenance,
    )


def _with_hash(hashes: Mapping[str, str], calibration: Calibration) -> dict[str, str]:
    """Return hashes with a calibration's own; another file of its name, that the capture was made with, stays."""
    name = calibration.file.name
    if hashes.get(name, calibration.sha256) != calibration.sha256:
        name = f"{name} (given to analyze)"
    return {**hashes, name: calibration.sha256}


def _with_stimulus(recording: Recording, path: Path) -> Recording:
    from audiomeas.files import is_there, read_json

    sidecar = path if path.suffix == ".json" else sidecar_of(path)
    if not is_there(sidecar):
        raise FileProblem(f"{sidecar} was not found: a stimulus file written by `audiomeas generate` has it beside it")
    facts = read_json(sidecar)
    if not isinstance(facts, dict) or not isinstance(facts.get("stimulus"), dict):
        raise FileProblem(f"{sidecar} describes no stimulus: give the file that `audiomeas generate` wrote")
    check_facts(facts, sidecar)
    stimulus = read_stimulus(facts["stimulus"], where=str(sidecar))
    if stimulus.sample_rate_hz != recording.sample_rate_hz:
        raise RequestError(
            f"the stimulus was made for {stimulus.sample_rate_hz:g} Hz, the capture has {recording.sample_rate_hz:g} "
            "Hz: give the stimulus that was played, or capture at its rate"
        )
    try:
        markers = markers_from(facts.get("markers"))
    except (KeyError, TypeError, ValueError) as error:
        raise FileProblem(f"{sidecar} is damaged: {error}") from None
    return dataclasses.replace(
        recording,
        stimulus=stimulus,
        stimulus_start=None,
        markers=markers,
        stimulus_in_volts=bool(facts.get("stimulus_in_volts", False)),
        shared_clock=False,
    )


def options_of(word: str) -> Mapping[str, Any]:
    """Return the options of a measurement with their defaults."""
    return {option.name: option.default for option in find(word).options}


__all__ = ["CaptureFolder", "Keep", "analyze", "bench_path", "generate", "measure", "open_bench", "options_of"]
