"""The gate for what dummy loads stand over time: predicted before a sound, watched while it plays, counted after it.

Only a load with a short-term rating may ever get more than it stands for long, so only such a load is followed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from audiomeas.bench.interlock import GAIN_MARGIN_DB
from audiomeas.bench.load_heat import LoadHeat, heated_w, hottest_w, load_words, wait_s
from audiomeas.bench.opened import Bench
from audiomeas.errors import InterlockRefusal
from audiomeas.interface.transport import STOPPED_BY_INPUT, Also, Capture
from audiomeas.stimulus import Stimulus, VariesInLevel
from audiomeas.units import db_to_amplitude_ratio

#: Powers are means over parts this long: short against any heating, long against a period.
PART_S = 0.05


def mean_squares(samples: NDArray[np.float64], sample_rate_hz: float, *, part_s: float = PART_S) -> NDArray[np.float64]:
    """Return the mean square of each part, (parts,), or (parts, channels); the last part is filled up with zeros."""
    if len(samples) == 0:
        return np.zeros((0, *samples.shape[1:]))
    frames = round(part_s * sample_rate_hz)
    starts = np.arange(0, len(samples), frames)
    return np.asarray(np.add.reduceat(np.square(samples), starts, axis=0) / frames)


class LoadGate:
    """What the loads of a bench went through in a session. clock : seconds, steady; tests give their own."""

    def __init__(self, bench: Bench, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._bench = bench
        self._clock = clock
        followed = [load for load in bench.file.loads if load.thermal.heating_s > 0.0]
        self._ohm = {load.channel: load.resistance_ohm for load in followed}
        #: The heat of some load is counted by its captures.
        self.counts = bool(followed)
        self._heats = {load.channel: LoadHeat(load.thermal, now_s=clock()) for load in followed}

    def refuse(self, stimulus: Stimulus, samples_v: NDArray[np.float64], gain_db: Mapping[int, float]) -> None:
        """Raise InterlockRefusal when a load would be hotter than it stands, with how long to wait.

        samples_v : as played, (frames,) or (frames, channels).  gain_db : channel → largest, without the margin.
        """
        for channel, heat in self._heats.items():
            powers_w = self._predicted_w(channel, stimulus, samples_v, gain_db, margin_db=GAIN_MARGIN_DB)
            now_w, rating = heat.heat_w(self._clock()), heat.rating
            hottest, _ = hottest_w(rating, now_w, powers_w, PART_S)
            if hottest <= rating.usable_w or not np.any(powers_w):
                continue
            rest_s = wait_s(rating, now_w, powers_w, PART_S)
            wait = "" if rest_s is None else f"wait {rest_s:.0f} s, "
            raise InterlockRefusal(
                f"channel {channel}: this stimulus could make its load {hottest / rating.usable_w:.2g} times as hot as "
                f"its {rating.usable_w:.3g} W do (it stands at {now_w:.3g} W now; with {GAIN_MARGIN_DB:g} dB margin): "
                f"{wait}lower the level, make it shorter, or use a load that is rated higher"
            )

    def refuse_held(self, level_v_rms: float, gain_db: Mapping[int, float], duration_s: float) -> None:
        """Raise InterlockRefusal when a load would be hotter than it stands by a tone that stands for so long in all.

        gain_db : channel → largest, without the margin.   Pauses between count as tone: rather too hot than too late.
        """
        for channel, heat in self._heats.items():
            gain = db_to_amplitude_ratio(gain_db[channel] + GAIN_MARGIN_DB)
            power_w, rating = (level_v_rms * gain) ** 2 / self._ohm[channel], heat.rating
            hottest = heated_w(rating, heat.heat_w(self._clock()), power_w, duration_s)
            if power_w > rating.usable_w and hottest > rating.usable_w:
                raise InterlockRefusal(
                    f"channel {channel}: up to {power_w:.3g} W ({GAIN_MARGIN_DB:g} dB margin) for {duration_s:.4g} s "
                    f"in all are more than its load stands ({load_words(rating)}): hold it for less, at fewer "
                    "frequencies, or use a load that is rated higher"
                )

    def watch(self) -> Also | None:
        """Return what is asked with each captured block, in the audio thread; None where no load is followed."""
        if not self._heats:
            return None
        now_s = self._clock()
        heat_w = {channel: heat.heat_w(now_s) for channel, heat in self._heats.items()}
        per_square = {channel: self._bench.input_v_peak(channel) ** 2 / self._ohm[channel] for channel in self._heats}

        def enough(block_fs: NDArray[np.float64], duration_s: float) -> str:
            for channel, heat in self._heats.items():
                power_w = per_square[channel] * float(np.mean(np.square(block_fs[:, channel - 1])))
                heat_w[channel] = heated_w(heat.rating, heat_w[channel], power_w, duration_s)
                if power_w > heat_w[channel] > heat.rating.usable_w:
                    return (
                        f"{STOPPED_BY_INPUT} {channel}: the load has had what it stands, {heat.rating.usable_w:.3g} W"
                    )
            return ""

        return enough

    def now_s(self) -> float:
        """Return the clock, for `count`."""
        return self._clock()

    def count(
        self,
        stimulus: Stimulus,
        samples_v: NDArray[np.float64],
        gain_db: Mapping[int, float],
        capture: Capture | None,
        *,
        began_s: float,
    ) -> None:
        """Count what was played: the captured power, and never less than the first look lets expect.

        capture : None where none came back: then the margin counts too.
        """
        played_v = samples_v if capture is None else samples_v[: capture.played_frames]
        for channel, heat in self._heats.items():
            margin_db = GAIN_MARGIN_DB if capture is None else 0.0
            powers_w = self._predicted_w(channel, stimulus, played_v, gain_db, margin_db=margin_db)
            if capture is not None:
                powers_w = _larger(powers_w, self._captured_w(channel, capture))
            heat.take(powers_w, PART_S, began_s=began_s, now_s=self._clock())

    def _predicted_w(
        self,
        channel: int,
        stimulus: Stimulus,
        samples_v: NDArray[np.float64],
        gain_db: Mapping[int, float],
        *,
        margin_db: float,
    ) -> NDArray[np.float64]:
        squares = mean_squares(samples_v, stimulus.sample_rate_hz)
        # Channels that play different samples: the gain is that of all driven ways together, so the loudest stands for
        # all.
        squares = squares if squares.ndim == 1 else np.max(squares, axis=1, initial=0.0)
        if isinstance(stimulus, VariesInLevel):
            # Its gain counts from its largest level: where it is quieter, the unit may be louder by as much.
            squares = np.full_like(squares, stimulus.level_v_rms**2)
        gain = db_to_amplitude_ratio(gain_db[channel] + margin_db)
        return np.asarray(squares * gain**2 / self._ohm[channel])

    def _captured_w(self, channel: int, capture: Capture) -> NDArray[np.float64]:
        fractions = np.nan_to_num(capture.fractions()[:, channel - 1], nan=0.0, posinf=0.0, neginf=0.0)
        volts = fractions * self._bench.input_v_peak(channel)
        return mean_squares(volts, capture.form.sample_rate_hz) / self._ohm[channel]


def _larger(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the larger of two rows of powers, part by part, as long as the longer; they may stand a part apart."""
    both = np.zeros((2, max(len(one), len(other))))
    both[0, : len(one)], both[1, : len(other)] = one, other
    return np.asarray(np.max(both, axis=0))
