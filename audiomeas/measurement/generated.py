"""A stimulus as a file that something else plays, with the sidecar that tells it: made and written block by block."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import RequestError
from audiomeas.interface.protocol import CARRIER_DTYPE, SampleFormat
from audiomeas.interface.transport import FULL_SCALE_CODE, from_fractions
from audiomeas.recording import Provenance, Recording, write_capture_in_blocks
from audiomeas.stimulus import Stimulus, played_samples_v
from audiomeas.stimulus.base import spans
from audiomeas.stimulus.dither import triangular_dither
from audiomeas.stimulus.laid import Laid
from audiomeas.stimulus.marker import around, marker, marker_peak_v
from audiomeas.units import SQRT2

if TYPE_CHECKING:
    from audiomeas.measurement.session import Progress

#: No file lasts longer; and so much more for ramps, settling and markers of what does.
LONGEST_S, _BESIDE_S = 4 * 3600.0, 60.0
#: What a sidecar's conditions say of dither.
DITHERED = {"dither": "triangular, 2 steps from end to end"}
#: A full-scale sine as it is computed may stand so far beyond full scale.
_ROUNDING = 1e-12


def generate(
    stimulus: Stimulus,
    file: Path | str,
    *,
    v_rms_at_full_scale: float | None = None,
    sample_format: SampleFormat = "int24",
    lead_s: float = 0.5,
    tail_s: float = 0.5,
    markers: bool = False,
    dither: bool = False,
    progress: Progress | None = None,
) -> Path:
    """Write a stimulus as WAV or FLAC with silence around it, and its sidecar; what `audiomeas generate` does.

    v_rms_at_full_scale : voltage of a full-scale sine at the output that will play it; None: the stimulus' levels are
    relative to a full-scale sine (1 is 0 dBFS).   The file has as many channels as the highest driven one, at least 2.
    markers : a short chirp before and after it on each driven channel, by which the analysis knows the clock of a
    capture that another device makes; the sidecar tells where they stand.   dither : triangular, before the samples
    are rounded, on each driven channel from the first frame to the last.
    Raises RequestError (beyond full scale, too long, dither for floats), FileProblem (never overwrites).
    """
    if sample_format not in CARRIER_DTYPE:
        raise RequestError(f"unknown sample format {sample_format!r}: use {', '.join(CARRIER_DTYPE)}")
    if dither and sample_format == "float32":
        raise RequestError("float32 samples are not rounded to steps: dither is for int16 and int24")
    rate_hz, full_scale_v = stimulus.sample_rate_hz, SQRT2 * (v_rms_at_full_scale or 1.0)
    _refuse_long(stimulus)
    if stimulus.peak_v > full_scale_v * (1.0 + _ROUNDING):  # by its formula: its samples may stay below
        _refuse_loud(stimulus, full_scale_v)
    laid, places = _laid(stimulus, full_scale_v, round(lead_s * rate_hz), round(tail_s * rate_hz), markers=markers)
    dithered = (stimulus.driven_channels or tuple(range(1, laid.channels + 1))) if dither else ()

    def part_fs(span: range) -> NDArray[np.float64]:
        samples = laid.part_fs(span)
        if max(np.max(samples, initial=0.0), -np.min(samples, initial=0.0)) > 1.0 + _ROUNDING:
            _refuse_loud(stimulus, full_scale_v)
        if dithered:
            steps = triangular_dither(laid.frames, len(dithered), span=span)
            samples[:, [channel - 1 for channel in dithered]] += steps / FULL_SCALE_CODE[sample_format]
        return samples

    recording = described(
        stimulus,
        channels=laid.channels,
        v_rms_at_full_scale=v_rms_at_full_scale,
        stimulus_start=laid.start,
        stimulus_in_volts=v_rms_at_full_scale is not None,
        markers=places,
        conditions={"purpose": "stimulus", **(DITHERED if dither else {})},
    )
    path = Path(file)
    write_played(path, part_fs, laid.frames, sample_format, recording, progress=progress)
    return path


def _refuse_long(stimulus: Stimulus) -> None:
    lasts_s = stimulus.frames / stimulus.sample_rate_hz
    if lasts_s > LONGEST_S + _BESIDE_S:
        raise RequestError(
            f"this stimulus lasts {lasts_s / 3600.0:.1f} hours, and a file at most {LONGEST_S / 3600.0:g}: "
            "make it shorter"
        )


def _refuse_loud(stimulus: Stimulus, full_scale_v: float) -> None:
    """Raise RequestError where samples lie beyond full scale: by how much, all of them are asked."""
    peak = 0.0
    for span in spans(stimulus.frames):
        fractions = played_samples_v(stimulus, span) / full_scale_v
        peak = max(peak, float(np.max(fractions)), -float(np.min(fractions)))
    if peak > 1.0 + _ROUNDING:
        raise RequestError(f"this stimulus needs {20 * np.log10(peak):.1f} dB more than full scale: lower the level")


def _laid(
    stimulus: Stimulus, full_scale_v: float, lead: int, tail: int, *, markers: bool
) -> tuple[Laid, tuple[int, int] | None]:
    """Return how a stimulus lies between so many silent frames; and its markers, in frames from its first."""
    rate_hz, driven = stimulus.sample_rate_hz, stimulus.driven_channels
    chirp = marker(rate_hz, peak=marker_peak_v(stimulus) / full_scale_v if markers else 0.0)
    first, start, last = around(stimulus.frames, rate_hz) if markers else (0, 0, stimulus.frames)
    whole = last + len(chirp) if markers else last
    laid = Laid(
        stimulus=stimulus,
        full_scale_v=full_scale_v,
        start=lead + start,
        frames=lead + whole + tail,
        channels=max(2, *driven) if driven else 2,
        chirp=chirp,
        marks=(lead + first, lead + last) if markers else (),
        marked=driven,
    )
    return laid, (first - start, last - start) if markers else None


def described(stimulus: Stimulus, *, channels: int, v_rms_at_full_scale: float | None, **facts: Any) -> Recording:
    """Return what the sidecar of a stimulus' file says. facts : more fields of `Recording`."""
    return Recording(
        counts_fs=np.zeros((0, channels)),  # the samples themselves go to the file, block by block
        sample_rate_hz=stimulus.sample_rate_hz,
        channels=tuple(range(1, channels + 1)),
        v_rms_at_full_scale=(v_rms_at_full_scale,) * channels,
        scale_uncertainty=(None,) * channels,
        stimulus=stimulus,
        shared_clock=True,
        provenance=Provenance(interface="generate", started_at=datetime.now(UTC).isoformat(timespec="seconds")),
        **facts,
    )


def write_played(
    path: Path,
    part_fs: Callable[[range], NDArray[np.float64]],
    frames: int,
    sample_format: SampleFormat,
    recording: Recording,
    *,
    progress: Progress | None = None,
) -> None:
    """Write a stimulus' file and sidecar. part_fs : gives a span, (frames, channels), in fractions of full scale.

    Raises FileProblem; never overwrites.
    """

    def codes() -> Iterator[NDArray[Any]]:
        for span in spans(frames):
            yield from_fractions(part_fs(span), sample_format)
            if progress is not None:
                progress(f"writing {path.name}", span.stop / frames)

    write_capture_in_blocks(path, codes(), sample_format, recording, frames=frames)
