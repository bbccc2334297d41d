"""What is told of a tone that a unit plays by itself, from the last moment and the few seconds before it."""

from __future__ import annotations

import cmath
import dataclasses
import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.frequency_track import probed
from audiomeas.analysis.separation import Coupling, coupled
from audiomeas.bench.opened import Bench
from audiomeas.errors import SignalError
from audiomeas.interface.streaming import Heard
from audiomeas.interface.transport import at_end_code, to_fractions
from audiomeas.measurement.listened import ONE_CHANNEL
from audiomeas.measurement.live_reading import ChannelReading, LiveReading, over_range_warning
from audiomeas.measurement.nominal_speed import nominal_hz_of, usual_tone_hz
from audiomeas.stimulus.live_tone import Wish
from audiomeas.units import SQRT2, amplitude_ratio_to_db, v_rms_to_dbv

#: Length of a moment: some periods of the lowest tone that is found, and of most flutter.
MOMENT_S = 0.5
#: Means are taken over so long: azimuth wanders (common practice: 5 to 10 s), and wow lasts seconds.
MEAN_S = 5.0
#: A level that changes by more from the first half of a moment to the second is none that counts.
_STEADY_DB = 1.0
#: No two tracks or grooves lie so still for so many moments: less is one channel twice (relative, complex).
_ONE_CHANNEL, _MOMENTS = 3e-4, 4
#: Tones that differ by more are two: what came before counts no longer.
_OTHER_TONE = 0.02
NO_TONE = "no tone is heard"
AT_LEAST = "at least"
#: The definitions, for the JSON.
HEARD_DEFINITIONS = {
    "separation_db": "louder channel's tone over the same tone in the other one",
    "azimuth_deg": f"phase of left less right, mean of the last {MEAN_S:g} s; whole turns are not seen: begin at 1 kHz",
    "azimuth_level_db": "level of the sum of both channels re the sum that they have in phase",
    "mean_speed_error_percent": f"mean of the last {MEAN_S:g} s",
}


@dataclass(frozen=True)
class _Moment:
    """What counts in means. frame : the first of the moment.   left_over_right : complex; None: not both heard."""

    frame: int
    frequency_hz: float
    left_over_right: complex | None


class HeardTone:
    """Reads moment after moment, and remembers the last seconds.

    nominal_hz : what the tone was made with; None: a usual one, if it is near.
    """

    def __init__(self, bench: Bench, nominal_hz: float | None) -> None:
        self._bench = bench
        self._past: deque[_Moment] = deque()
        self.nominal_hz = nominal_hz

    def read(self, heard: Heard, number: int) -> LiveReading:
        """Return the reading of the newest frames of a stream."""
        bench, nominal_hz = self._bench, self.nominal_hz
        columns = [channel - 1 for channel in bench.channels]
        fractions = to_fractions(heard.samples, bench.form.sample_format)[:, columns]
        over = np.any(at_end_code(heard.samples, bench.form.sample_format), axis=0)[columns]
        volts = fractions * [bench.input_v_peak(channel) for channel in bench.channels]
        try:
            if np.any(over):
                raise SignalError("over-range")
            tone = _Told(volts, bench.form.sample_rate_hz)
        except SignalError as error:
            self._past.clear()
            return self._reading(number, Wish(frequency_hz=0.0, level_v_rms=0.0), over, str(error))
        steady = _steady(volts)
        if steady:
            self._remember(_Moment(heard.start, tone.frequency_hz, tone.left_over_right))
        pair = {**tone.pair, **self._means(nominal_hz or usual_tone_hz(tone.frequency_hz), tone.frequency_hz)}
        wish = Wish(frequency_hz=tone.frequency_hz, level_v_rms=0.0)
        told = self._reading(number, wish, over, "", levels_v_rms=tone.levels_rms, pair=pair, bound=tone.bound)
        other, one = self._other_tone(tone.frequency_hz), self._one_channel()
        first, *others = told.channels
        first = dataclasses.replace(first, warnings=(*first.warnings, *other, *one))
        return dataclasses.replace(
            told, settled=steady, channels=(first, *others), other_tone=bool(other), one_channel=bool(one)
        )

    def _other_tone(self, frequency_hz: float) -> list[str]:
        """Return what is to be said of another tone than was asked for."""
        nominal_hz = self.nominal_hz
        return [] if nominal_hz is None else nominal_hz_of(frequency_hz, nominal_hz, asked_by="frequency")[1]

    def _one_channel(self) -> list[str]:
        """Return what is to be said of channels that are one."""
        ratios = [one.left_over_right for one in self._past if one.left_over_right is not None]
        if len(ratios) >= _MOMENTS and all(abs(ratio - 1.0) < _ONE_CHANNEL for ratio in ratios):
            return [ONE_CHANNEL]
        return []

    def _means(self, speed_of_hz: float | None, now_hz: float) -> dict[str, float]:
        """Return the speed, and the means of the moments that are remembered, each counting alike."""
        found: dict[str, float] = {}
        heard = [one.left_over_right for one in self._past if one.left_over_right is not None]
        turned = sum(one / abs(one) for one in heard)
        if abs(turned) > 0.0:
            found["azimuth_deg"] = math.degrees(cmath.phase(turned))
        if speed_of_hz is not None:
            found["speed_error_percent"] = 100.0 * (now_hz / speed_of_hz - 1.0)
            if self._past:
                mean_hz = sum(one.frequency_hz for one in self._past) / len(self._past)
                found["mean_speed_error_percent"] = 100.0 * (mean_hz / speed_of_hz - 1.0)
        return found

    def _remember(self, moment: _Moment) -> None:
        past, frames = self._past, MEAN_S * self._bench.form.sample_rate_hz
        if past and abs(past[-1].frequency_hz / moment.frequency_hz - 1.0) > _OTHER_TONE:
            past.clear()
        past.append(moment)
        while past[0].frame < moment.frame - frames:
            past.popleft()

    def _reading(
        self,
        number: int,
        wish: Wish,
        over: NDArray[np.bool_],
        why_not: str,
        *,
        levels_v_rms: Sequence[float] = (),
        pair: Mapping[str, float] | None = None,
        bound: Mapping[str, str] | None = None,
    ) -> LiveReading:
        return LiveReading(
            number=number,
            settled=False,
            wish=wish,
            channels=tuple(
                ChannelReading(
                    channel=channel,
                    driven=False,
                    values={} if why_not else _level(levels_v_rms[column]),
                    bound={},
                    warnings=(over_range_warning(channel),) if over[column] else (),
                    why_not=why_not,
                )
                for column, channel in enumerate(self._bench.channels)
            ),
            pair=pair or {},
            pair_bound=bound or {},
            listens=True,
            simulated=self._bench.simulated,
        )


def _level(level_v_rms: float) -> dict[str, float]:
    return {"level_v_rms": level_v_rms, "level_dbv": v_rms_to_dbv(level_v_rms)} if level_v_rms > 0.0 else {}


def _steady(volts: NDArray[np.float64]) -> bool:
    """Return whether the louder channel has one level for the whole moment."""
    halves = np.array([np.std(part, axis=0) for part in np.array_split(volts, 2)])
    first, second = halves[:, int(np.argmax(np.sum(halves, axis=0)))]
    return bool(abs(amplitude_ratio_to_db(second / first)) <= _STEADY_DB) if min(first, second) > 0.0 else False


class _Told:
    """A moment's tone, (frames, channels) in volts. Raises SignalError: there is none."""

    def __init__(self, volts: NDArray[np.float64], sample_rate_hz: float) -> None:
        loudest = probed(volts[:, int(np.argmax(np.std(volts, axis=0)))], sample_rate_hz)
        if loudest.frequency_hz is None:
            raise SignalError(NO_TONE)
        self.frequency_hz, self.levels_rms = loudest.frequency_hz, [loudest.peak / SQRT2]
        self.left_over_right: complex | None = None
        self.pair: dict[str, float] = {}
        self.bound: dict[str, str] = {}
        if volts.shape[1] > 1:
            self._between(coupled(volts[:, :2], sample_rate_hz, loudest.frequency_hz))

    def _between(self, both: Coupling) -> None:
        self.frequency_hz = both.frequency_hz
        quieter = both.level_rms * abs(both.transfer)
        self.levels_rms = [quieter, both.level_rms] if both.louder else [both.level_rms, quieter]
        if not both.heard:
            self.pair["separation_db"] = -amplitude_ratio_to_db(both.most)
            self.bound["separation_db"] = AT_LEAST
            return
        self.pair["separation_db"] = -amplitude_ratio_to_db(abs(both.transfer))
        ratio = self.left_over_right = both.transfer if both.louder else 1.0 / both.transfer
        self.pair["balance_db"] = amplitude_ratio_to_db(abs(ratio))
        self.pair["phase_difference_deg"] = math.degrees(cmath.phase(ratio))
        self.pair["azimuth_level_db"] = amplitude_ratio_to_db(max(abs(1.0 + ratio) / (1.0 + abs(ratio)), 1e-6))
