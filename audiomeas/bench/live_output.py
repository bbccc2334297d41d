"""Volts without an end: what a tone in a person's hand puts out, as fractions of full scale, through the bench's watch.

The interlock is asked by whoever changes the level (`measurement.live`); here volts are only converted.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from audiomeas.bench.opened import Bench
from audiomeas.interface.streaming import Ring, StreamingTransport
from audiomeas.interface.transport import FEEDER_LATE_S, Also


class PlaysVolts(Protocol):
    """What makes the volts, one column for each output of the interface."""

    def block_v(self, frames: int) -> NDArray[np.float64]:
        """Return the next frames in volts at the unit's input, (frames, output channels)."""
        ...


class _Fractions:
    """Volts as fractions of full scale, output by output. Raises where more than full scale came past the interlock."""

    def __init__(self, volts: PlaysVolts, bench: Bench) -> None:
        self._volts = volts
        per_volt = np.zeros(bench.form.output_channels)  # outputs that the bench does not use stay silent
        for channel in bench.channels:
            per_volt[channel - 1] = 1.0 / bench.output_v_peak(channel)
        self._per_volt = per_volt

    def block_fs(self, frames: int) -> NDArray[np.float64]:
        fractions = self._volts.block_v(frames) * self._per_volt
        if not float(np.max(np.abs(fractions), initial=0.0)) <= 1.0:
            raise ValueError("a tone beyond the converter's full scale came past the interlock")
        return fractions


def live_transport(
    bench: Bench,
    volts: PlaysVolts,
    *,
    ears: Sequence[str],
    hold_s: float,
    also: Also | None = None,
    in_real_time: bool = True,
    feeder_late_s: float = FEEDER_LATE_S,
    ring: Ring | None = None,
) -> StreamingTransport:
    """Return a transport that plays volts until it is told to fade; opens no device.

    ears, hold_s, feeder_late_s, ring : see `StreamingTransport`.  also : see `Bench.watch`.
    in_real_time : see `StreamFormat`.  Raises CalibrationError.
    """
    form = dataclasses.replace(bench.form, in_real_time=in_real_time)
    return StreamingTransport(
        _Fractions(volts, bench),
        form,
        watch=bench.watch(also),
        ears=ears,
        hold_s=hold_s,
        feeder_late_s=feeder_late_s,
        ring=ring,
    )
