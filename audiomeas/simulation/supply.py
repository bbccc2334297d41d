"""What both channels of a unit have in common: rails that fall with their current, relays, and the power switch.

All carry their state, and the size of the blocks changes nothing (the fall of the rails: to a part in 10¹²).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from audiomeas.simulation.unit import ProtectionModel, SupplyModel, SwitchModel

FloatArray = NDArray[np.float64]

#: The fall is known when another round changes it by less than this, in volts; so many rounds are never needed.
_SETTLED_V = 1e-12
_MOST_ROUNDS = 200


class SaggingSupply:
    """The rails' fall over time: time_constant_s · d fall/dt = resistance_ohm · (delivered current) − fall.

    The current delivered is |loaded output| / load of both channels together, so that the fall limits what makes it.
    Each moment's fall comes from the currents before it: a block is solved by rounds (Picard), which converge fast
    because a block is short against the time constant.
    rate_hz : of the samples, that of the stage that bends.   a_per_v : per channel, amperes in its load for a volt of
    its open output.
    """

    def __init__(self, model: SupplyModel, *, rate_hz: float, a_per_v: Sequence[float]) -> None:
        self._kept = float(np.exp(-1.0 / (model.time_constant_s * rate_hz)))
        self._v_per_a = (1.0 - self._kept) * model.resistance_ohm
        self._a_per_v = tuple(a_per_v)
        self._state = np.zeros(1)

    def limited(self, stages: Sequence[Callable[[FloatArray | None], FloatArray]]) -> list[FloatArray]:
        """Return what each channel's stage gives, (frames,).

        stages : the rails' fall, (frames,), or None for none → open output; the same array where rails are far away.
        """
        from scipy.signal import lfilter

        outputs = [stage(None) for stage in stages]
        fall_v: FloatArray = np.zeros(len(outputs[0]))
        for _ in range(_MOST_ROUNDS):
            ampere = sum(
                (abs(output) * per_v for output, per_v in zip(outputs, self._a_per_v, strict=True)),
                np.zeros(len(fall_v)),
            )
            found, state = lfilter([0.0, self._v_per_a], [1.0, -self._kept], ampere, zi=self._state)
            change_v = float(np.max(np.abs(found - fall_v), initial=0.0))
            if change_v < _SETTLED_V:
                break
            fall_v = np.asarray(found)
            before, outputs = outputs, [stage(fall_v) for stage in stages]
            if all(one is other for one, other in zip(before, outputs, strict=True)):
                break  # no rail was reached, however far they fell: another round would be this one
        self._state = np.asarray(state)
        return outputs


class ProtectionRelay:
    """A relay between the unit and its loads: it opens for good when either output was too high for long enough.

    The time above the limit is summed up; it does not run back.
    """

    def __init__(self, model: ProtectionModel, rate_hz: float) -> None:
        self._above_v = model.above_v_peak
        self._frames_left = round(model.after_s * rate_hz)

    def through(self, outputs: Sequence[FloatArray]) -> list[FloatArray]:
        """Return the outputs, (frames,) each, behind the relay."""
        above = np.max([np.abs(output) for output in outputs], axis=0) > self._above_v
        counted = np.cumsum(above)
        closed = counted <= self._frames_left
        if len(counted):
            self._frames_left -= int(counted[-1])
        return [np.where(closed, output, 0.0) for output in outputs]


class PowerSwitch:
    """The relay of the power switch, with the thumps that pass it, over the time of a stream."""

    def __init__(self, model: SwitchModel, rate_hz: float) -> None:
        self._model, self._rate_hz, self._position = model, rate_hz, 0

    def through(self, outputs: Sequence[FloatArray]) -> list[FloatArray]:
        """Return the outputs, (frames,) each, behind it."""
        model, frames = self._model, len(outputs[0])
        time_s = (self._position + np.arange(frames)) / self._rate_hz
        self._position += frames
        closed = (time_s < model.off_s) | (time_s >= model.on_s + model.relay_delay_s)
        thumps_v = np.zeros(frames)
        for begin_s, peak_v in model.thumps:
            since_s = time_s - begin_s
            # Long past, the exponential is nothing; before, it is not there.
            thumps_v += np.where(since_s >= 0.0, peak_v * np.exp(-np.maximum(since_s, 0.0) / model.thump_decay_s), 0.0)
        return [np.where(closed, output, 0.0) + thumps_v for output in outputs]
