"""Signs that a unit does not merely clip: it has protected itself, oscillates, or gives nothing."""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from audiomeas.analysis.clipping_burst import BurstReading

#: A clipped wave's fundamental never falls when its input rises; a supply that sags takes less than this.
_FALLS_DB = 1.0
#: Within one burst a supply that sags takes less than this.
_FALLS_WITHIN_DB = 2.0
#: A tone that is not ours, or noise, this strong beside the fundamental (dB) …
_FOREIGN_DB = -20.0
#: … and this much stronger, in volts, than in any quieter burst (dB): what was there before is hum or noise.
_FOREIGN_RISE_DB = 10.0
#: Below this frequency a foreign tone is hum or a servo, not an oscillation.
_HUM_HZ = 700.0
#: Channels of one unit have gains within this.
_CHANNELS_DB = 20.0


class Ending(enum.Enum):
    """How a search ended."""

    FOUND = "found"
    #: A ceiling was reached before the highest percentage: what was not reached is known as 'at least'.
    CEILING = "ceiling"
    #: The level fell from one burst to the next or within one.
    PROTECTION = "protection"
    #: A strong tone or noise that is not ours.
    OSCILLATION = "oscillation"
    #: A channel gives nothing, or far less than the others.
    DEAD = "dead"


@dataclass(frozen=True, kw_only=True)
class Sign:
    """Why a search stops. sentence : one line that goes on from the channel's name."""

    ending: Ending
    sentence: str


def sign_of(
    input_v_rms: Sequence[float], readings: Sequence[BurstReading], level_v_rms: float, reading: BurstReading | None
) -> Sign | None:
    """Return why a search must stop after a burst, if it must.

    input_v_rms, readings : of the bursts before, in any order.   level_v_rms, reading : input and reading of the last
    one; None: no tone could be read.
    """
    lower = [one for level, one in zip(input_v_rms, readings, strict=True) if level <= level_v_rms]
    if reading is None:
        return _GONE if readings else _DEAD
    return _fallen(lower, reading) or _fallen_within(reading) or _own_tone(lower, reading) or _noisy(lower, reading)


def sign_beside_others(gain: Mapping[int, float]) -> tuple[Sign, int] | None:
    """Return why a channel can't be searched beside others, and which: its gain lies far below theirs.

    gain : by channel, as ratios.
    """
    weakest = min(gain, key=lambda channel: gain[channel])
    below_db = 20.0 * math.log10(max(gain.values()) / gain[weakest])
    if below_db < _CHANNELS_DB:
        return None
    said = f"gives {below_db:.0f} dB less than the other: look whether it is muted, dead, or its load is shorted"
    return Sign(ending=Ending.DEAD, sentence=said), weakest


_DEAD = Sign(
    ending=Ending.DEAD, sentence="gives nothing at the first burst: check power, muting, source selector and leads"
)
_GONE = Sign(
    ending=Ending.PROTECTION,
    sentence="gives nothing any more: its protection has opened or a fuse has blown; let it rest, check load and fuses",
)
_LET_REST = "its protection has opened or limits; let it rest, check the load"
_NO_LOUDER = "check load and leads, go no louder"


def _fallen(lower: Sequence[BurstReading], reading: BurstReading) -> Sign | None:
    before_v = max((one.fundamental_v_rms for one in lower), default=0.0)
    if reading.fundamental_v_rms >= before_v * 10.0 ** (-_FALLS_DB / 20.0):
        return None
    return Sign(
        ending=Ending.PROTECTION,
        sentence=f"fell from {before_v:.3g} V to {reading.fundamental_v_rms:.3g} V although the input did not fall: "
        f"{_LET_REST}",
    )


def _fallen_within(reading: BurstReading) -> Sign | None:
    if reading.drift_db > -_FALLS_WITHIN_DB:
        return None
    return Sign(ending=Ending.PROTECTION, sentence=f"fell by {-reading.drift_db:.2g} dB within one burst: {_LET_REST}")


def _own_tone(lower: Sequence[BurstReading], reading: BurstReading) -> Sign | None:
    tone_v, before_v = _foreign_tone_v(reading), max((_foreign_tone_v(one) for one in lower), default=0.0)
    if reading.other is None or not _is_foreign(tone_v, before_v, reading):
        return None
    return Sign(
        ending=Ending.OSCILLATION,
        sentence=f"gives {tone_v:.3g} V of its own at {reading.other.frequency_hz:.4g} Hz: it oscillates or picks up a "
        f"transmitter; {_NO_LOUDER}",
    )


def _noisy(lower: Sequence[BurstReading], reading: BurstReading) -> Sign | None:
    noise_v, before_v = math.sqrt(reading.noise_v2), max((math.sqrt(one.noise_v2) for one in lower), default=math.inf)
    if not _is_foreign(noise_v, before_v, reading):
        return None
    return Sign(
        ending=Ending.OSCILLATION,
        sentence=f"became noisy, {noise_v:.3g} V after {before_v:.3g} V: it oscillates at a part of the wave, or a "
        f"contact is bad; {_NO_LOUDER}",
    )


def _is_foreign(level_v: float, before_v: float, reading: BurstReading) -> bool:
    is_strong = level_v > reading.fundamental_v_rms * 10.0 ** (_FOREIGN_DB / 20.0)
    return bool(is_strong and level_v > before_v * 10.0 ** (_FOREIGN_RISE_DB / 20.0))


def _foreign_tone_v(reading: BurstReading) -> float:
    if reading.other is None or reading.other.frequency_hz < _HUM_HZ:
        return 0.0
    return reading.other.level_rms
