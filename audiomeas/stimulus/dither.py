"""Dither: what is added before samples are rounded, so that what is lost is noise and not distortion.

Triangular, 2 steps from end to end: then the mean and the variance of the rounding error no longer depend on the
signal (S. Lipshitz, R. Wannamaker, J. Vanderkooy, J. Audio Eng. Soc. 40, 1992). All of it is q²/4.
"""

from __future__ import annotations

import numpy as np

from audiomeas.stimulus.base import FloatArray

#: Files made again are the same, bit for bit.
_SEED = 468


def triangular_dither(
    frames: int, channels: int, *, series: int | None = None, span: range | None = None
) -> FloatArray:
    """Return dither in steps of the samples, (frames, channels), between −1 and 1, other for each channel.

    series : whole numbers give other dither each (the tracks of a disc).   span : the frames that are asked for;
    None: all.
    """
    span = range(frames) if span is None else span

    def uniform(skipped_frames: int) -> FloatArray:
        generator = np.random.PCG64(_SEED if series is None else (_SEED, series))
        generator.advance(skipped_frames * channels)
        return np.random.Generator(generator).random((len(span), channels))

    # The whole is two series of numbers, one after the other.
    first = uniform(span.start)
    first -= uniform(frames + span.start)
    return first
