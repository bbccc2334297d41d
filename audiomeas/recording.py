"""The recording: captured samples with their scale, their stimulus and where they come from; and its file form.

The file holds the samples as they were delivered (integer PCM in FLAC or WAV, float in WAV); the sidecar FILE.json
holds what makes volts of them. So a capture can be read in ten years with a sound player and a text editor.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from audiomeas import __version__
from audiomeas.container import MOST_CHANNELS, Container, read_container
from audiomeas.errors import FileProblem, RequestError, SignalError
from audiomeas.files import (
    read_json,
    refuse_unwritable,
    sha256_of,
    translated,
    undisturbed,
    write_new,
    write_new_json,
)
from audiomeas.stimulus import Stimulus, read_stimulus

#: Written into each sidecar; a newer one is refused. From version 2 on a sidecar carries a checksum of its own facts.
SIDECAR_VERSION = 2
#: WAV can't hold more than 4 GiB; beyond this many bytes RF64 is written.
_WAV_LIMIT_BYTES = 4_000_000_000
_FLAC_LIMITS = {"channels": 8, "rate_hz": 655_350}
#: Ways to store samples that lose nothing. Lossy ones (A-law, ADPCM, …) add distortion of their own.
_LOSSLESS = ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")
#: PCM subtypes whose codes are read as integers → the form that turns them into fractions.
_INTEGER_FORMS = {"PCM_16": ("int16", "int16"), "PCM_24": ("int32", "int24")}
#: Step of float samples just below full scale. No grid of codes has just such a step: full scale is an odd code.
FLOAT_STEPS = {"FLOAT": 2.0**-24, "DOUBLE": 2.0**-53}
#: What is said of a capture that begins too late or ends too soon.
CUT = "the capture is cut: it does not hold the whole stimulus; capture it again"
#: Float samples beyond this many times full scale are no sound.
_BELIEVABLE_FS = 1e6


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
    shared_clock : played and captured by one clock (or laid on the played time base since, see `measurement.clock`).
    markers : frames, counted from the stimulus' first, at which the marker before and the one after it begin, as
    played; None: none were played (see `stimulus.marker`).
    over_range : per channel, frames where two samples in a row stand at an end code.
    resolution_fs : step between neighbouring values, in fractions of full scale; None: unknown. For floats that stand
    on no grid it is 2⁻²⁴ or 2⁻⁵³, the step just below full scale, which shrinks with the samples.
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
    markers: tuple[int, int] | None = None
    over_range: tuple[int, ...] = ()
    resolution_fs: float | None = None
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

    def resolution(self, column: int) -> float | None:
        """Return the step between neighbouring values of a channel, in the units of `signal`; None when unknown."""
        if self.resolution_fs is None:
            return None
        step_fs = self.resolution_fs
        if step_fs in FLOAT_STEPS.values():
            peak = float(np.max(np.abs(self.counts_fs[:, column]), initial=0.0))
            step_fs *= 2.0 ** np.ceil(np.log2(peak)) if peak > 0.0 else 1.0
        return float(step_fs * self.reference(column) * np.sqrt(2.0))

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
    with undisturbed():
        write_audio(path, samples, sample_format, recording.sample_rate_hz)
        write_new_json(sidecar_of(path), recording_facts(recording, sample_format, sha256_of(path)))


def write_capture_in_blocks(
    path: Path, blocks: Iterable[NDArray[Any]], sample_format: str, recording: Recording, *, frames: int
) -> None:
    """Write samples that are made block by block, and the sidecar, as `write_capture` does, in constant memory.

    blocks : as many frames as are said, each block (frames, channels).   Nothing can be lost that could not be made
    again: a signal ends the writing, and nothing is there then.   Raises FileProblem; never overwrites.
    """
    for one in (path, sidecar_of(path)):
        refuse_unwritable(one)
    write_blocks = _audio_writer(
        path, blocks, (frames, len(recording.channels)), sample_format, recording.sample_rate_hz
    )
    facts: dict[str, Any] = {}
    with contextlib.ExitStack() as both:

        def write(temporary: Path) -> None:
            write_blocks(temporary)
            facts.update(recording_facts(recording, sample_format, sha256_of(temporary)))
            both.enter_context(undisturbed())

        write_new(path, write)
        write_new_json(sidecar_of(path), facts)


def suffix_for(sample_format: str, channels: int, sample_rate_hz: float) -> str:
    """Return the lossless file form that can hold such samples: '.flac' where it can, else '.wav'."""
    fits = channels <= _FLAC_LIMITS["channels"] and sample_rate_hz <= _FLAC_LIMITS["rate_hz"]
    return ".flac" if sample_format != "float32" and fits and float(sample_rate_hz).is_integer() else ".wav"


def write_audio(path: Path, samples: NDArray[Any], sample_format: str, sample_rate_hz: float) -> None:
    """Write an audio file whole or not at all, bit for bit as the samples are.

    Raises FileProblem: exists already, folder missing, disk full, a form that can't hold the samples.
    """
    from audiomeas.interface.listening import sample_blocks

    write_new(path, _audio_writer(path, sample_blocks(samples), samples.shape, sample_format, sample_rate_hz))


def _audio_writer(
    path: Path, blocks: Iterable[NDArray[Any]], shape: tuple[int, ...], sample_format: str, sample_rate_hz: float
) -> Callable[[Path], None]:
    """Return what writes blocks to a temporary file for a path. shape : (frames, channels). Raises FileProblem."""
    import soundfile

    from audiomeas.interface.protocol import CARRIER_DTYPE

    subtype = {"int16": "PCM_16", "int24": "PCM_24", "float32": "FLOAT"}[sample_format]
    form = {".flac": "FLAC", ".wav": "WAV", ".rf64": "RF64"}.get(path.suffix.lower())
    if form is None:
        raise FileProblem(f"{path}: audio is written as .wav or .flac; give a name that ends so")
    if form == "FLAC" and sample_format == "float32":
        raise FileProblem(f"{path}: float samples don't fit into FLAC without loss; use a name that ends in .wav")
    frames, channels = shape
    if form == "WAV" and frames * channels * np.dtype(CARRIER_DTYPE[sample_format]).itemsize > _WAV_LIMIT_BYTES:
        form = "RF64"

    def write(temporary: Path) -> None:
        with temporary.open("wb") as handle:
            watched = _Watched(handle)
            try:
                # What a signal raises while the library calls back is lost there: it waits until a block is written.
                with undisturbed():
                    sound = soundfile.SoundFile(
                        watched, "w", round(sample_rate_hz), channels, subtype=subtype, format=form
                    )
                with _closed(sound):
                    for block in blocks:
                        with undisturbed():
                            sound.write(block)
            except soundfile.LibsndfileError as error:
                if watched.error is None:
                    raise FileProblem(f"can't write {path}: {plain_words(error)}") from None
            if watched.error is not None:
                raise watched.error

    return write


@contextlib.contextmanager
def _closed(sound: Any) -> Iterator[None]:
    try:
        yield
    finally:
        with undisturbed():
            sound.close()


class _Watched:
    """A file under the audio library, which says of a failed write no more than that it failed.

    The system's own error is kept here: a full disk is then known as one, and ends a batch so that it can be taken up.
    """

    def __init__(self, handle: BinaryIO) -> None:
        self.error: OSError | None = None
        self.tell = handle.tell
        self._handle = handle

    def write(self, data: bytes) -> int:
        """Write, or keep the error and tell the library that nothing was written."""
        try:
            return self._handle.write(data)
        except OSError as error:
            self.error = error
            return 0

    def seek(self, offset: int, whence: int) -> None:
        """Seek; what was still to be written is written first, and can fail then."""
        try:
            self._handle.seek(offset, whence)
        except OSError as error:
            self.error = error


def plain_words(error: Exception) -> str:
    """Return a library's message without its own path and full stop."""
    return str(error).split(": ", 1)[-1].rstrip(". ")


def recording_facts(recording: Recording, sample_format: str, sha256: str) -> dict[str, Any]:
    """Return the JSON object of a recording's sidecar.

    `facts_sha256` is over all the rest (see `sha256_of_facts`). It guards scale, stimulus and SIMULATED against
    accidents (an editor, a script, a half-copied file), not against forgery: whoever rewrites the facts can rewrite it.
    """
    provenance = dataclasses.asdict(recording.provenance)
    provenance["flags"] = list(recording.provenance.flags)
    facts = {
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
        "markers": markers_facts(recording.markers),
        "conditions": dict(recording.conditions),
        "warnings": list(recording.warnings),
        "provenance": provenance,
    }
    return {**facts, "facts_sha256": sha256_of_facts(facts)}


def markers_facts(markers: tuple[int, int] | None) -> dict[str, int] | None:
    """Return the places of the markers as a sidecar holds them."""
    return None if markers is None else {"before": markers[0], "after": markers[1]}


def markers_from(facts: Any) -> tuple[int, int] | None:
    """Return what `markers_facts` made. Raises KeyError, TypeError or ValueError on wrong facts."""
    if facts is None:
        return None
    before, after = int(facts["before"]), int(facts["after"])
    if not before < 0 < after:
        raise ValueError("markers stand before and after a stimulus")
    return before, after


def sha256_of_facts(facts: Mapping[str, Any]) -> str:
    """Return the SHA-256, in hexadecimal, of facts as canonical JSON: keys sorted, no spaces, UTF-8."""
    plain = json.loads(json.dumps(facts, allow_nan=False))  # keys become text, and are sorted as such
    text = json.dumps(plain, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


@dataclass(frozen=True, kw_only=True)
class Audio:
    """A decoded audio file. samples : (frames, channels), fractions of full scale.  The rest as in `Recording`."""

    samples: NDArray[np.float64]
    sample_rate_hz: float
    subtype: str
    resolution_fs: float | None
    warnings: tuple[str, ...]


def read_audio(path: Path) -> Audio:
    """Read a WAV or FLAC file.

    Raises FileProblem: missing, empty, truncated, another form or a lossy one, or holding what is no sound.
    """
    import soundfile

    container = read_container(path)
    try:
        with opened(path, container) as handle:
            refuse_form(path, handle.subtype, handle.channels)
            announced = handle.frames
            rate_hz, subtype = handle.samplerate, handle.subtype
            samples, resolution_fs = fractions_of(handle)
    except soundfile.LibsndfileError as error:
        raise unreadable(path, error) from None
    except (MemoryError, ValueError, OverflowError):
        raise FileProblem(f"{path} announces more samples than memory holds: is its header damaged?") from None
    if len(samples) < announced:
        raise FileProblem(f"{path} is truncated: {announced} frames announced, {len(samples)} there")
    refuse_no_sound(path, samples)
    return Audio(
        samples=samples,
        sample_rate_hz=float(rate_hz),
        subtype=subtype,
        resolution_fs=resolution_fs,
        warnings=container.warnings,
    )


def opened(path: Path, container: Container) -> Any:
    """Return an open soundfile.SoundFile; a header that leaves its length open is completed on the way, in memory."""
    import io
    import struct

    import soundfile

    with translated(path, "read"):
        if container.data_size_at is None:
            with path.open("rb"):
                pass
            return soundfile.SoundFile(path)
        data = bytearray(path.read_bytes())
    size = min(container.data_bytes, 0xFFFFFFFE)
    data[container.data_size_at : container.data_size_at + 4] = struct.pack(f"{container.order}I", size)
    return soundfile.SoundFile(io.BytesIO(bytes(data)))


def unreadable(path: Path, error: Exception) -> FileProblem:
    """Return what is said when the library can't open a file or decode it whole."""
    return FileProblem(
        f"{path} can't be read as audio ({plain_words(error)}): a whole WAV or FLAC file was expected; is it truncated?"
    )


def refuse_form(path: Path, subtype: str, channels: int) -> None:
    """Raise FileProblem for samples in a form that adds distortion of its own, and for too many channels."""
    if channels > MOST_CHANNELS:
        raise FileProblem(
            f"{path} announces {channels} channels, and a capture has at most {MOST_CHANNELS}: is its header damaged?"
        )
    if subtype not in _LOSSLESS:
        raise FileProblem(
            f"{path} holds {subtype} samples, which lose part of the sound: give a WAV or FLAC file with PCM or float "
            "samples"
        )


def refuse_no_sound(path: Path, samples: NDArray[np.float64]) -> None:
    """Raise FileProblem for samples that are none, no numbers, or far beyond full scale."""
    if len(samples) == 0:
        raise FileProblem(f"{path} holds no samples")
    if not np.all(np.isfinite(samples)):
        raise FileProblem(f"{path} holds values that are no numbers (NaN or infinite): capture it again")
    largest = max(float(np.max(samples)), -float(np.min(samples)))
    if largest > _BELIEVABLE_FS:
        raise FileProblem(
            f"{path} holds no sound: its samples reach {largest:.3g} times full scale; write floats so that full "
            "scale is 1"
        )


def fractions_of(handle: Any, frames: int = -1, *, with_step: bool = True) -> tuple[NDArray[np.float64], float | None]:
    """Read samples as fractions of full scale, by the arithmetic of a live capture: both are equal, bit for bit.

    handle : an open soundfile.SoundFile.  frames : how many are read; -1: all that follow.  with_step : of float
    samples, for which it costs a look at each.  Returns the samples and their step (see `Recording.resolution_fs`).
    """
    from audiomeas.interface.transport import to_fractions

    if handle.subtype in _INTEGER_FORMS:
        dtype, form = _INTEGER_FORMS[handle.subtype]
        codes = handle.read(frames, dtype=dtype, always_2d=True)
        return to_fractions(codes, form), step_of_codes(codes, form)
    samples: NDArray[np.float64] = handle.read(frames, dtype="float64", always_2d=True)
    # libsndfile makes the largest code 1 − 2^(1−bits); here it is 1.
    bits = {"PCM_32": 32, "PCM_S8": 8, "PCM_U8": 8}.get(handle.subtype)
    if bits is None:
        return samples, _step_of_floats(samples, FLOAT_STEPS[handle.subtype]) if with_step else None
    full = 2.0 ** (bits - 1)
    step = _grid_step(samples * full) or 1.0
    return samples * (full / (full - 1.0)), step / (full - 1.0)


def step_of_codes(codes: NDArray[Any], sample_format: str) -> float | None:
    """Return the step of captured samples in fractions of full scale (as `Recording.resolution_fs`).

    codes : samples in the carrier dtype of the format.  16-bit samples in a 24-bit form keep their own, larger step.
    """
    from audiomeas.interface.transport import FULL_SCALE_CODE

    if sample_format == "float32":
        return _step_of_floats(codes.astype(np.float64), FLOAT_STEPS["FLOAT"])
    unit = 256 if sample_format == "int24" else 1
    step = int(_lowest_bit(codes)) // unit or 1
    return step / FULL_SCALE_CODE[sample_format]


def _lowest_bit(codes: NDArray[Any]) -> int:
    """Return the lowest bit that any of the integers has set: they are all multiples of it; 0 for silence."""
    used = int(np.bitwise_or.reduce(codes, axis=None)) if codes.size else 0
    return used & -used


def _step_of_floats(samples: NDArray[np.float64], rounding: float) -> float:
    """Return the step of the grid that float samples stand on (a converter's codes), or their rounding near 1."""
    grid = _grid_step(samples * 2.0**31)
    return rounding if grid is None else max(grid / 2.0**31, rounding)


def _grid_step(scaled: NDArray[np.float64]) -> float | None:
    """Return the largest power of two of which all numbers are multiples; None: not even of 1, or only zeros."""
    if scaled.size and float(np.max(np.abs(scaled))) < 2.0**62 and np.array_equal(scaled, np.rint(scaled)):
        return float(_lowest_bit(scaled.astype(np.int64))) or None
    return None


def read_recording(path: Path) -> Recording:
    """Read a capture with its sidecar where there is one; without it, an uncalibrated recording.

    Raises FileProblem (also when samples or facts no longer match the sidecar's checksums).
    """
    audio = read_audio(path)
    channels = tuple(range(1, audio.samples.shape[1] + 1))
    end = 1.0 if audio.subtype.startswith("PCM") else None
    plain = Recording(
        counts_fs=audio.samples,
        sample_rate_hz=audio.sample_rate_hz,
        channels=channels,
        v_rms_at_full_scale=(None,) * len(channels),
        over_range=over_range_of(audio.samples, end),
        resolution_fs=audio.resolution_fs,
        warnings=audio.warnings,
    )
    return with_sidecar_of(path, plain)


def with_sidecar_of(path: Path, plain: Recording) -> Recording:
    """Return a recording with what its sidecar says, where there is one. plain : as the audio file alone gives it.

    Raises FileProblem (also when samples or facts no longer match the sidecar's checksums).
    """
    sidecar = sidecar_of(path)
    return _with_sidecar(path, sidecar, read_json(sidecar), plain) if sidecar.exists() else plain


def over_range_of(counts_fs: NDArray[np.float64], end: float | None = None) -> tuple[int, ...]:
    """Return for each channel how many of (frames, channels) stand at the end code, two in a row or more.

    end : that code, where it is not full scale itself.
    """
    from audiomeas.interface.transport import consecutive_at

    # A float file has no end code of its own; full scale is where its converter ended.
    limit = (end or 1.0) * (1.0 - 1e-12)
    return tuple(int(n) for n in np.count_nonzero(consecutive_at(np.abs(counts_fs), limit), axis=0))


def _with_sidecar(path: Path, sidecar: Path, facts: Any, plain: Recording) -> Recording:
    """Return a recording with what its sidecar says. plain : as the audio file alone gives it."""
    _check_sidecar(path, sidecar, facts)
    try:
        rows = facts["channels"]
        if len(rows) != len(plain.channels) or float(facts["sample_rate_hz"]) != plain.sample_rate_hz:
            raise ValueError("channels or sample rate differ from the audio file's")
        scales = tuple(_optional_number(row["v_rms_at_full_scale"]) for row in rows)
        stimulus = None if facts["stimulus"] is None else read_stimulus(facts["stimulus"], where=str(sidecar))
        provenance = {
            key: value for key, value in facts["provenance"].items() if key in Provenance.__dataclass_fields__
        }
        provenance["flags"] = tuple(provenance.get("flags", ()))
        return dataclasses.replace(
            plain,
            channels=tuple(int(row["channel"]) for row in rows),
            v_rms_at_full_scale=scales,
            scale_uncertainty=tuple(_optional_number(row["scale_uncertainty"]) for row in rows),
            stimulus=stimulus,
            stimulus_start=None if facts["stimulus_start"] is None else int(facts["stimulus_start"]),
            stimulus_in_volts=bool(facts["stimulus_in_volts"]),
            shared_clock=bool(facts["shared_clock"]),
            markers=markers_from(facts.get("markers")),
            conditions=dict(facts["conditions"]),
            warnings=(*(str(line) for line in facts["warnings"]), *plain.warnings),
            provenance=Provenance(**provenance),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise FileProblem(f"{sidecar} is damaged: {error}") from None


def _check_sidecar(path: Path, sidecar: Path, facts: Any) -> None:
    """Raise FileProblem for a sidecar that is foreign, newer, or no longer as it was written beside these samples."""
    if not isinstance(facts, dict) or "sidecar" not in facts:
        raise FileProblem(f"{sidecar} is no sidecar of a capture: move it away, or give the right one")
    version = facts["sidecar"]
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise FileProblem(f"{sidecar} is damaged: {version!r} is no sidecar version")
    if version > SIDECAR_VERSION:
        raise FileProblem(f"{sidecar} was written by a newer audiomeas (sidecar version {version}): update")
    if facts.get("sha256") != sha256_of(path):
        raise FileProblem(f"{path} no longer matches its sidecar {sidecar.name}: one of the two was changed")
    check_facts(facts, sidecar)


def check_facts(facts: Mapping[str, Any], sidecar: Path) -> None:
    """Raise FileProblem when the facts of a sidecar are not those that were written (version 1 has no checksum)."""
    said = facts.get("facts_sha256")
    if said is None and facts.get("sidecar") == 1:
        return
    if said != sha256_of_facts({key: value for key, value in facts.items() if key != "facts_sha256"}):
        raise FileProblem(
            f"{sidecar} was changed after it was written (its scale, stimulus or origin may be wrong): take the "
            "original, or move it away and give calibration and stimulus anew"
        )


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
        raise SignalError(CUT)
    return slice(first, last)
