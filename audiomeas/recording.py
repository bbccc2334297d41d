"""The recording: captured samples with their scale, their stimulus and where they come from; and its file form.

The file holds the samples as they were delivered (integer PCM in FLAC or WAV, float in WAV); the sidecar FILE.json
holds what makes volts of them. So a capture can be read in ten years with a sound player and a text editor.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas import __version__
from audiomeas.errors import FileProblem, RequestError, SignalError
from audiomeas.files import read_json, sha256_of, translated, write_new, write_new_json
from audiomeas.stimulus import Stimulus, read_stimulus

#: Written into each sidecar; a newer one is refused.
SIDECAR_VERSION = 1
#: WAV can't hold more than 4 GiB; beyond this many bytes RF64 is written.
_WAV_LIMIT_BYTES = 4_000_000_000
_FLAC_LIMITS = {"channels": 8, "rate_hz": 655_350}


@dataclass(frozen=True, kw_only=True)
class Provenance:
    """Where a capture comes from. hashes : name of each bench and calibration file → SHA-256."""

    interface: str = ""
    host_api: str = ""
    started_at: str = ""
    simulated: bool = False
    version: str = __version__
    hashes: Mapping[str, str] = dataclasses.field(default_factory=dict)
    flags: tuple[str, ...] = ()
    stopped: str = ""


@dataclass(frozen=True, kw_only=True)
class Recording:
    """Captured samples in volts at the unit's output, or plainly in fractions of full scale when uncalibrated.

    counts_fs : (frames, channels), 1.0 is the largest code of the converter.
    v_rms_at_full_scale : per channel, the voltage (r.m.s.) of a sine that just reaches full scale; None: unknown.
    scale_uncertainty : per channel, relative 95 % half-width of that voltage.
    channels : 1-based number of each column.
    stimulus : what was played; stimulus_start : frame of its first sample in this recording (None: unknown).
    stimulus_in_volts : the stimulus' levels are true volts at the unit's input.
    shared_clock : played and captured by one clock.
    over_range : per channel, frames where two samples in a row stand at an end code.
    """

    counts_fs: NDArray[np.float64]
    sample_rate_hz: float
    channels: tuple[int, ...]
    v_rms_at_full_scale: tuple[float | None, ...]
    scale_uncertainty: tuple[float | None, ...] = ()
    stimulus: Stimulus | None = None
    stimulus_start: int | None = None
    stimulus_in_volts: bool = False
    shared_clock: bool = False
    over_range: tuple[int, ...] = ()
    conditions: Mapping[str, Any] = dataclasses.field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    provenance: Provenance = Provenance()

    def __post_init__(self) -> None:
        if self.counts_fs.ndim != 2 or self.counts_fs.shape[1] != len(self.channels):
            raise ValueError("a recording needs (frames, channels) samples and one number per channel")
        if len(self.v_rms_at_full_scale) != len(self.channels):
            raise ValueError("a recording needs one scale (or None) per channel")

    @property
    def frames(self) -> int:
        """Samples per channel."""
        return len(self.counts_fs)

    def column(self, channel: int) -> int:
        """Return the column of a 1-based channel. Raises RequestError when it was not captured."""
        if channel not in self.channels:
            raise RequestError(f"channel {channel} was not captured; there are {', '.join(map(str, self.channels))}")
        return self.channels.index(channel)

    def scale_v(self, column: int) -> float | None:
        """Return volts (instantaneous) per fraction of full scale; None when uncalibrated."""
        v_rms = self.v_rms_at_full_scale[column]
        return None if v_rms is None else v_rms * float(np.sqrt(2.0))

    def signal(self, column: int) -> NDArray[np.float64]:
        """Return one channel in volts when calibrated, else in units in which a full-scale sine has 1 r.m.s.

        Either way a level divided by `reference(column)` is relative to a full-scale sine.
        """
        scale_v = self.scale_v(column)
        return self.counts_fs[:, column] * (scale_v if scale_v is not None else float(np.sqrt(2.0)))

    def reference(self, column: int) -> float:
        """Return the r.m.s. value of a full-scale sine in the units of `signal`."""
        v_rms = self.v_rms_at_full_scale[column]
        return 1.0 if v_rms is None else v_rms

    @property
    def calibrated(self) -> bool:
        """All channels have volts."""
        return all(v_rms is not None for v_rms in self.v_rms_at_full_scale)

    def window(self, start: int, stop: int) -> Recording:
        """Return a span of frames as a recording of its own (views, no copy); alignment moves along."""
        start, stop = max(0, start), min(self.frames, stop)
        moved = None if self.stimulus_start is None else self.stimulus_start - start
        return dataclasses.replace(self, counts_fs=self.counts_fs[start:stop], stimulus_start=moved)


def sidecar_of(path: Path) -> Path:
    """Return where the sidecar of a capture or stimulus stands: FILE.json beside FILE."""
    return path.with_name(path.name + ".json")


def write_capture(path: Path, samples: NDArray[Any], sample_format: str, recording: Recording) -> None:
    """Write samples as delivered, and the sidecar. FLAC (integers) or WAV by the path's ending.

    samples : (frames, channels) in the carrier dtype.  Raises FileProblem; never overwrites.
    """
    write_audio(path, samples, sample_format, recording.sample_rate_hz)
    write_new_json(sidecar_of(path), recording_facts(recording, sample_format, sha256_of(path)))


def suffix_for(sample_format: str, channels: int, sample_rate_hz: float) -> str:
    """Return the lossless file form that can hold such samples: '.flac' where it can, else '.wav'."""
    fits = channels <= _FLAC_LIMITS["channels"] and sample_rate_hz <= _FLAC_LIMITS["rate_hz"]
    return ".flac" if sample_format != "float32" and fits and float(sample_rate_hz).is_integer() else ".wav"


def write_audio(path: Path, samples: NDArray[Any], sample_format: str, sample_rate_hz: float) -> None:
    """Write an audio file whole or not at all, bit for bit as the samples are.

    Raises FileProblem: exists already, folder missing, disk full, a form that can't hold the samples.
    """
    import soundfile

    subtype = {"int16": "PCM_16", "int24": "PCM_24", "float32": "FLOAT"}[sample_format]
    form = {".flac": "FLAC", ".wav": "WAV", ".rf64": "RF64"}.get(path.suffix.lower())
    if form is None:
        raise FileProblem(f"{path}: audio is written as .wav or .flac; give a name that ends so")
    if form == "FLAC" and sample_format == "float32":
        raise FileProblem(f"{path}: float samples don't fit into FLAC without loss; use a name that ends in .wav")
    if form == "WAV" and samples.nbytes > _WAV_LIMIT_BYTES:
        form = "RF64"

    def write(temporary: Path) -> None:
        try:
            soundfile.write(temporary, samples, round(sample_rate_hz), subtype=subtype, format=form)
        except soundfile.LibsndfileError as error:
            if not temporary.parent.is_dir():
                raise
            raise FileProblem(f"can't write {path}: {_plain(error)}; is the disk full?") from None

    write_new(path, write)


def _plain(error: Exception) -> str:
    """Return a library's message without its own path and full stop."""
    return str(error).split(": ", 1)[-1].rstrip(". ")


def recording_facts(recording: Recording, sample_format: str, sha256: str) -> dict[str, Any]:
    """Return the JSON object of a recording's sidecar."""
    provenance = dataclasses.asdict(recording.provenance)
    provenance["flags"] = list(recording.provenance.flags)
    return {
        "audiomeas": __version__,
        "sidecar": SIDECAR_VERSION,
        "simulated": recording.provenance.simulated,
        "sha256": sha256,
        "sample_rate_hz": recording.sample_rate_hz,
        "sample_format": sample_format,
        "channels": [
            {
                "channel": channel,
                "v_rms_at_full_scale": recording.v_rms_at_full_scale[column],
                "scale_uncertainty": recording.scale_uncertainty[column] if recording.scale_uncertainty else None,
            }
            for column, channel in enumerate(recording.channels)
        ],
        "stimulus": None if recording.stimulus is None else recording.stimulus.facts(),
        "stimulus_start": recording.stimulus_start,
        "stimulus_in_volts": recording.stimulus_in_volts,
        "shared_clock": recording.shared_clock,
        "conditions": dict(recording.conditions),
        "warnings": list(recording.warnings),
        "provenance": provenance,
    }


def read_audio(path: Path) -> tuple[NDArray[np.float64], int, str]:
    """Read an audio file: samples as fractions of full scale (frames, channels), rate, subtype.

    Raises FileProblem: missing, empty, truncated, foreign, or holding values that are no numbers.
    """
    import soundfile

    with translated(path, "read"):
        size = path.stat().st_size
        with path.open("rb"):
            pass
    if size == 0:
        raise FileProblem(f"{path} is empty: a WAV or FLAC file was expected")
    try:
        with soundfile.SoundFile(path) as handle:
            announced = handle.frames
            rate_hz, subtype = handle.samplerate, handle.subtype
            samples = _fractions_of(handle)
    except soundfile.LibsndfileError as error:
        raise FileProblem(f"{path} can't be read as audio ({_plain(error)}): a WAV or FLAC file was expected") from None
    except (MemoryError, ValueError, OverflowError):
        raise FileProblem(f"{path} announces more samples than memory holds: is its header damaged?") from None
    if len(samples) < announced:
        raise FileProblem(f"{path} is truncated: {announced} frames announced, {len(samples)} there")
    if len(samples) == 0:
        raise FileProblem(f"{path} holds no samples")
    if not np.all(np.isfinite(samples)):
        raise FileProblem(f"{path} holds values that are no numbers (NaN or infinite): capture it again")
    return samples, rate_hz, subtype


def _fractions_of(handle: Any) -> NDArray[np.float64]:
    """Read all samples as fractions of full scale, by the arithmetic of a live capture: both are equal, bit for bit.

    handle : an open soundfile.SoundFile.
    """
    from audiomeas.interface.transport import to_fractions

    if handle.subtype == "PCM_16":
        return to_fractions(handle.read(dtype="int16", always_2d=True), "int16")
    if handle.subtype == "PCM_24":
        return to_fractions(handle.read(dtype="int32", always_2d=True), "int24")
    samples: NDArray[np.float64] = handle.read(dtype="float64", always_2d=True)
    # libsndfile makes the largest code 1 − 2^(1−bits); here it is 1.
    bits = {"PCM_32": 32, "PCM_S8": 8, "PCM_U8": 8}.get(handle.subtype)
    return samples if bits is None else samples * (2.0 ** (bits - 1) / (2.0 ** (bits - 1) - 1.0))


def read_recording(path: Path) -> Recording:
    """Read a capture with its sidecar where there is one; without it, an uncalibrated recording.

    Raises FileProblem (also when the samples no longer match the sidecar's checksum).
    """
    counts_fs, rate_hz, subtype = read_audio(path)
    channels = tuple(range(1, counts_fs.shape[1] + 1))
    end = 1.0 if subtype.startswith("PCM") else None
    over_range = _over_range(counts_fs, end)
    sidecar = sidecar_of(path)
    if not sidecar.exists():
        return Recording(
            counts_fs=counts_fs,
            sample_rate_hz=float(rate_hz),
            channels=channels,
            v_rms_at_full_scale=(None,) * len(channels),
            over_range=over_range,
        )
    facts = read_json(sidecar)
    return _with_sidecar(path, sidecar, facts, counts_fs, float(rate_hz), over_range)


def _over_range(counts_fs: NDArray[np.float64], end: float | None) -> tuple[int, ...]:
    from audiomeas.interface.transport import consecutive_at

    # A float file has no end code of its own; full scale is where its converter ended.
    limit = (end or 1.0) * (1.0 - 1e-12)
    return tuple(int(n) for n in np.count_nonzero(consecutive_at(np.abs(counts_fs), limit), axis=0))


def _with_sidecar(
    path: Path,
    sidecar: Path,
    facts: Any,
    counts_fs: NDArray[np.float64],
    rate_hz: float,
    over_range: tuple[int, ...],
) -> Recording:
    if not isinstance(facts, dict) or "sidecar" not in facts:
        raise FileProblem(f"{sidecar} is no sidecar of a capture: move it away, or give the right one")
    if not isinstance(facts["sidecar"], int) or facts["sidecar"] > SIDECAR_VERSION:
        raise FileProblem(f"{sidecar} was written by a newer audiomeas (sidecar version {facts['sidecar']}): update")
    if facts.get("sha256") != sha256_of(path):
        raise FileProblem(f"{path} no longer matches its sidecar {sidecar.name}: one of the two was changed")
    try:
        rows = facts["channels"]
        if len(rows) != counts_fs.shape[1] or float(facts["sample_rate_hz"]) != rate_hz:
            raise ValueError("channels or sample rate differ from the audio file's")
        scales = tuple(_optional_number(row["v_rms_at_full_scale"]) for row in rows)
        stimulus = None if facts["stimulus"] is None else read_stimulus(facts["stimulus"], where=str(sidecar))
        provenance = {
            key: value for key, value in facts["provenance"].items() if key in Provenance.__dataclass_fields__
        }
        provenance["flags"] = tuple(provenance.get("flags", ()))
        return Recording(
            counts_fs=counts_fs,
            sample_rate_hz=rate_hz,
            channels=tuple(int(row["channel"]) for row in rows),
            v_rms_at_full_scale=scales,
            scale_uncertainty=tuple(_optional_number(row["scale_uncertainty"]) for row in rows),
            stimulus=stimulus,
            stimulus_start=None if facts["stimulus_start"] is None else int(facts["stimulus_start"]),
            stimulus_in_volts=bool(facts["stimulus_in_volts"]),
            shared_clock=bool(facts["shared_clock"]),
            over_range=over_range,
            conditions=dict(facts["conditions"]),
            warnings=tuple(str(line) for line in facts["warnings"]),
            provenance=Provenance(**provenance),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise FileProblem(f"{sidecar} is damaged: {error}") from None


def _optional_number(value: Any) -> float | None:
    if value is None:
        return None
    number = float(value)
    if not (np.isfinite(number) and number >= 0):
        raise ValueError(f"{value!r} is no scale")
    return number


def stimulus_slice(recording: Recording, start: int, stop: int) -> slice:
    """Return frames of the stimulus (counted from its first) as a slice of the recording.

    Raises SignalError when the alignment is unknown or the capture does not cover them.
    """
    if recording.stimulus_start is None:
        raise SignalError("the place of the stimulus in this capture is not known")
    first, last = recording.stimulus_start + start, recording.stimulus_start + stop
    if first < 0 or last > recording.frames:
        raise SignalError("the capture is cut: it does not hold the whole stimulus; capture it again")
    return slice(first, last)
