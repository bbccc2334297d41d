"""Does a capture show more gain than the first look found? Then what follows is predicted from that.

Two signs: the first marker came back louder than at the first look through the same driven channels (a volume control
turned up, a dead band that is small beside the level), or a part of the capture is louder than the largest gain allows
(a tone control).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from audiomeas.bench.opened import Bench
from audiomeas.errors import CaptureError
from audiomeas.measurement.first_look import FirstLook, FirstMarkers
from audiomeas.measurement.load_gate import mean_squares
from audiomeas.measurement.trust import Aligned
from audiomeas.stimulus import Stimulus
from audiomeas.stimulus.marker import LEAD_S
from audiomeas.units import SQRT2, amplitude_ratio_to_db

#: A louder marker by less than this may be noise, or a room's hum: it counts, but nobody is told of it.
LEAST_RAISE_DB = 0.5
#: Parts whose loudness is compared: half a period of the lowest tone, or more.
_PART_S = 0.1
#: A part tells of gain only this far above the silence before the first marker.
_ABOVE_SILENCE = 10.0


class RaisedGain:
    """How much more gain than at the first look was found since, per channel; never less than before."""

    def __init__(self) -> None:
        self._raised_db: dict[int, float] = {}
        self._said_db: dict[int, float] = {}

    def added_to(self, gain_db: Mapping[int, float]) -> dict[int, float]:
        """Return gains with what was found since."""
        return {channel: gain + self._raised_db.get(channel, 0.0) for channel, gain in gain_db.items()}

    def learn(
        self,
        marker_ratio: Mapping[int, float],
        loudest_ratio_db: Mapping[int, float],
        *,
        first_ratio: Mapping[int, float],
    ) -> dict[int, float]:
        """Take a later capture's; return channel → dB of each raise that was not told yet.

        marker_ratio : channel → captured over played marker, in volts.  first_ratio : the same at the first look, with
        the same channels driven.  loudest_ratio_db : channel → loudest part over what the first look's gain allows, in
        dB (see `loudest_db`).
        """
        found = dict(loudest_ratio_db)
        for channel, ratio in marker_ratio.items():
            first = abs(first_ratio.get(channel, 0.0))
            if first > 0.0:
                more_db = amplitude_ratio_to_db(abs(ratio) / first)
                found[channel] = max(more_db, found.get(channel, more_db))
        new = {
            channel: more_db
            for channel, more_db in found.items()
            if more_db > self._said_db.get(channel, 0.0) + LEAST_RAISE_DB
        }
        self._said_db.update(new)
        # What is too little to be told from noise counts none the less: the margin is the unit's, not a hand's.
        for channel, more_db in found.items():
            self._raised_db[channel] = max(more_db, self._raised_db.get(channel, 0.0))
        return new


class FollowedGain:
    """The gain of what is connected, followed through a session: each capture is compared with the first look.

    markers : how loud markers came back at the first look, once it is taken.
    """

    def __init__(self, bench: Bench, *, say: Callable[[str], None]) -> None:
        self.markers: FirstMarkers | None = None
        self._bench, self._say = bench, say
        self._raised = RaisedGain()

    def added_to(self, gain_db: Mapping[int, float]) -> dict[int, float]:
        """Return gains with what was found since the first look."""
        return self._raised.added_to(gain_db)

    def marker_ratios(self, aligned: Aligned, marker_peak_v: float) -> dict[int, float]:
        """Return channel → captured marker over played marker, in volts."""
        if not marker_peak_v > 0.0:
            return {}
        return {n: gain * self._bench.input_v_peak(n) / marker_peak_v for n, gain in aligned.marker_gain.items()}

    def see(
        self,
        look: FirstLook,
        stimulus: Stimulus,
        fractions: NDArray[np.float64],
        aligned: Aligned | None,
        *,
        marker_peak_v: float,
    ) -> None:
        """Compare a capture with the first look. aligned : None for one that the watch ended. Raises as `learn`."""
        louder = {}
        for channel, gain_db in look.gain_to_compare_db(stimulus).items():
            more_db = loudest_db(
                fractions[:, channel - 1] * self._bench.input_v_peak(channel),
                stimulus.sample_rate_hz,
                level_v_rms=stimulus.level_v_rms,
                gain_db=gain_db,
                stopped=aligned is None,
            )
            if more_db is not None:
                louder[channel] = more_db
        ratios = {} if aligned is None else self.marker_ratios(aligned, marker_peak_v)
        first = {} if self.markers is None else self.markers.ratios(stimulus.driven_channels)
        self.learn(look, louder, marker_ratio=ratios, first_ratio=first)

    def learn(
        self,
        look: FirstLook,
        louder_db: Mapping[int, float],
        *,
        marker_ratio: Mapping[int, float] | None = None,
        first_ratio: Mapping[int, float] | None = None,
    ) -> None:
        """Take what `RaisedGain.learn` takes, and say each raise; what follows is predicted from it.

        Raises CaptureError for more gain than the bench allows.
        """
        raised = self._raised.learn(marker_ratio or {}, louder_db, first_ratio=first_ratio or {})
        for channel, more_db in raised.items():
            self._say(
                f"channel {channel} has {more_db:.1f} dB more gain than at first look (was it turned up?): what "
                "follows is predicted from that"
            )
        refuse_too_much_gain(self._bench, self.added_to(look.found_db), look.silent)


def refuse_too_much_gain(bench: Bench, largest_db: Mapping[int, float], silent: tuple[int, ...]) -> None:
    """Raise CaptureError for a channel that is not silent and has more gain than the bench allows."""
    allowed_db = bench.file.limits.highest_gain_db
    for channel, gain_db in largest_db.items():
        if gain_db > allowed_db and channel not in silent:
            raise CaptureError(
                f"channel {channel} has up to {gain_db:.1f} dB of gain, more than the {allowed_db:g} dB that this "
                "bench allows (limits.highest_gain_db): turn the volume down, or enter the higher gain"
            )


def loudest_db(
    volts: NDArray[np.float64], sample_rate_hz: float, *, level_v_rms: float, gain_db: float, stopped: bool = False
) -> float | None:
    """Return the loudest part's r.m.s. over what a level through a gain makes, in dB; None where silence is as loud.

    volts : (frames,), at the unit's output, from the first frame captured: it begins with silence.
    stopped : the watch ended it, often before a part was full: then the highest peak tells, as that of a sine.
    """
    lead = volts[: round(0.8 * LEAD_S * sample_rate_hz)]
    silence_v_rms = float(np.sqrt(np.mean(np.square(lead)))) if len(lead) else 0.0
    loudest_v_rms = float(np.sqrt(np.max(mean_squares(volts, sample_rate_hz, part_s=_PART_S), initial=0.0)))
    if stopped:
        loudest_v_rms = max(loudest_v_rms, float(np.max(np.abs(volts), initial=0.0)) / SQRT2)
    if level_v_rms <= 0.0 or loudest_v_rms <= _ABOVE_SILENCE * silence_v_rms:
        return None
    return amplitude_ratio_to_db(loudest_v_rms / level_v_rms) - gain_db
