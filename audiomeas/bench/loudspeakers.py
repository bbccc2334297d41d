"""Loudspeakers connected: a state of the bench. What may reach them is far less than what a dummy load stands.

A tweeter takes a few watts, and a tone that a person hardly hears can burn it: so the output is capped, high tones are
short, and no search for the largest power runs (common practice for listening with the bench still connected).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import InterlockRefusal, RequestError
from audiomeas.tomlfile import Table
from audiomeas.units import SQRT2, amplitude_ratio_to_db, db_to_amplitude_ratio, v_rms_to_w, w_to_v_rms

#: No more reaches loudspeakers, at the lowest impedance that they have.
LARGEST_W = 0.5
#: The lowest impedance over the nominal one where none is stated (IEC 60268-5: not below 80 %; from memory).
LOWEST_OVER_NOMINAL = 0.8
#: A tone above this frequency lasts no longer than LONGEST_HIGH_S.
HIGH_FROM_HZ = 2_000.0
LONGEST_HIGH_S = 2.0
#: Sound is looked at in parts this long, and a pause shorter than this is none.
_PART_S = 0.005
_PAUSE_S = 0.2
#: High sound this far below a stimulus' level does not count: it is a ramp's spread, or a harmonic.
_COUNTS_DB = -20.0
#: How a person says that there are none.
NONE_WORDS = ("none", "no")
_OHM = re.compile(r"(\d+(?:\.\d+)?)\s*(?:ohms?|ω|Ω)?")
_WAY_OUT = "connect dummy loads, and say so (--loudspeakers none, or the bench file)"


@dataclass(frozen=True, kw_only=True)
class Loudspeakers:
    """Loudspeakers on all channels. nominal_ohm : as printed.  lowest_ohm : the least impedance that they have."""

    nominal_ohm: float
    lowest_ohm: float

    @property
    def largest_v_rms(self) -> float:
        """The voltage that puts the largest power into the lowest impedance."""
        return w_to_v_rms(LARGEST_W, self.lowest_ohm)

    def words(self) -> str:
        """Return the state and what follows from it, in one line."""
        return (
            f"LOUDSPEAKERS CONNECTED, {self.nominal_ohm:g} Ω (down to {self.lowest_ohm:.3g} Ω): at most "
            f"{LARGEST_W:g} W, {self.largest_v_rms:.3g} V; tones above {HIGH_FROM_HZ / 1000:g} kHz at most "
            f"{LONGEST_HIGH_S:g} s; no search for power"
        )

    def facts(self) -> dict[str, Any]:
        """Return what conditions and records keep, as JSON."""
        return {"nominal_ohm": self.nominal_ohm, "lowest_ohm": self.lowest_ohm, "at_most_v_rms": self.largest_v_rms}


def words_of(facts: Mapping[str, float]) -> str:
    """Return the state in one line, from a result's conditions."""
    return loudspeakers(facts["nominal_ohm"], facts["lowest_ohm"]).words()


def loudspeakers(nominal_ohm: float, lowest_ohm: float | None = None) -> Loudspeakers:
    """Return loudspeakers by their nominal impedance. Raises RequestError for one that no loudspeaker has."""
    lowest = LOWEST_OVER_NOMINAL * nominal_ohm if lowest_ohm is None else lowest_ohm
    if not 1.0 <= nominal_ohm <= 1000.0:
        raise RequestError(f"a nominal impedance of {nominal_ohm:g} Ω is none of a loudspeaker: use 1 to 1000 Ω")
    if not 0.5 <= lowest <= nominal_ohm:
        raise RequestError(
            f"the lowest impedance lies from 0.5 Ω to the nominal {nominal_ohm:g} Ω, not at {lowest:g} Ω"
        )
    return Loudspeakers(nominal_ohm=nominal_ohm, lowest_ohm=lowest)


def said_loudspeakers(said: str | None, in_file: Loudspeakers | None) -> Loudspeakers | None:
    """Return what is connected by what a person said ('8', '8 ohm', 'none'); by the bench file where nothing was said.

    The nominal impedance that the file knows too keeps the file's lowest one. Raises RequestError.
    """
    if said is None:
        return in_file
    word = said.strip().lower()
    if word in NONE_WORDS:
        return None
    match = _OHM.fullmatch(word)
    if match is None:
        raise RequestError(f"loudspeakers {said!r}: give their nominal impedance, such as '8 ohm', or 'none'")
    nominal_ohm = float(match.group(1))
    if in_file is not None and in_file.nominal_ohm == nominal_ohm:
        return in_file
    return loudspeakers(nominal_ohm)


def read_loudspeakers(table: Table | None) -> Loudspeakers | None:
    """Take the bench file's [loudspeakers]; None where it is missing or says that none are. Raises TomlProblem."""
    if table is None:
        return None
    connected = table.truth("connected", True)
    nominal_ohm = table.number("nominal_ohm", None if not connected else 0.0)
    lowest_ohm = table.number("lowest_ohm", None)
    table.finish()
    if not connected:
        return None
    try:
        return loudspeakers(nominal_ohm, lowest_ohm)
    except RequestError as error:
        raise table.problem("nominal_ohm", str(error)) from None


def refuse_power_search(connected: Loudspeakers | None) -> None:
    """Raise InterlockRefusal when loudspeakers are connected: the largest power of a unit is not looked for then."""
    if connected is not None:
        raise InterlockRefusal(f"loudspeakers are connected: no search for the largest power runs; {_WAY_OUT}")


def refuse_soak(connected: Loudspeakers | None) -> None:
    """Raise InterlockRefusal when loudspeakers are connected: hours of power are for dummy loads."""
    if connected is not None:
        raise InterlockRefusal(f"loudspeakers are connected: a soak plays for hours into dummy loads; {_WAY_OUT}")


def refuse_output_level(connected: Loudspeakers | None, wanted_v_rms: float, channel: int) -> None:
    """Raise InterlockRefusal when an output level is asked for that loudspeakers must not get; before any sound."""
    if connected is None or wanted_v_rms <= connected.largest_v_rms:
        return
    raise InterlockRefusal(
        f"channel {channel}: loudspeakers are connected, and {wanted_v_rms:.3g} V "
        f"({v_rms_to_w(wanted_v_rms, connected.lowest_ohm):.3g} W at {connected.lowest_ohm:.3g} Ω) were asked for, "
        f"{amplitude_ratio_to_db(wanted_v_rms / connected.largest_v_rms):.1f} dB above their {LARGEST_W:g} W: ask for "
        f"less, or {_WAY_OUT}"
    )


def refuse_lasting_high(connected: Loudspeakers | None, frequency_hz: float) -> None:
    """Raise InterlockRefusal for a high tone without an end: loudspeakers get such a tone for seconds only."""
    if connected is not None and frequency_hz > HIGH_FROM_HZ:
        raise InterlockRefusal(
            f"loudspeakers are connected: a lasting tone above {HIGH_FROM_HZ:g} Hz is refused ({frequency_hz:g} Hz "
            "asked for): use a lower frequency, or connect dummy loads"
        )


def high_s(samples_v: NDArray[np.float64], sample_rate_hz: float, level_v_rms: float) -> float:
    """Return for how long sound above 2 kHz lasts, in seconds; a pause shorter than 0.2 s is none.

    samples_v : (frames,) or (frames, channels).   level_v_rms : of the stimulus; what lies far below it does not count.
    What lies up to 2 kHz is taken out of the spectrum of the whole; the rest is looked at in parts of 5 ms. A tone
    within half a line below 2 kHz counts as above it: by samples alone it can't be told apart.
    """
    if len(samples_v) == 0 or not level_v_rms > 0.0:
        return 0.0
    columns = samples_v.reshape(len(samples_v), -1)
    lines = np.fft.rfft(columns, axis=0)
    lines[np.fft.rfftfreq(len(columns), 1.0 / sample_rate_hz) <= HIGH_FROM_HZ] = 0.0
    high_v = np.max(np.abs(np.fft.irfft(lines, n=len(columns), axis=0)), axis=1)
    frames = round(_PART_S * sample_rate_hz)
    peaks_v = np.maximum.reduceat(high_v, np.arange(0, len(high_v), frames))
    sounding = np.flatnonzero(peaks_v > SQRT2 * level_v_rms * db_to_amplitude_ratio(_COUNTS_DB))
    if len(sounding) == 0:
        return 0.0
    ends = np.flatnonzero(np.diff(sounding) * _PART_S > _PAUSE_S)
    first, last = sounding[np.r_[0, ends + 1]], sounding[np.r_[ends, len(sounding) - 1]]
    return float(np.max(last - first + 1)) * frames / sample_rate_hz


def refuse_long_high(
    connected: Loudspeakers | None,
    samples_v: NDArray[np.float64],
    sample_rate_hz: float,
    level_v_rms: float,
    *,
    highest_tone_hz: float | None = None,
) -> None:
    """Raise InterlockRefusal when a stimulus sounds above 2 kHz for longer than loudspeakers may get; before any.

    highest_tone_hz : of a stimulus of plain tones, which need no look at their samples; None for any other.
    """
    if connected is None or (highest_tone_hz is not None and highest_tone_hz <= HIGH_FROM_HZ):
        return
    lasts_s = high_s(samples_v, sample_rate_hz, level_v_rms)
    if lasts_s > LONGEST_HIGH_S + _PART_S:
        raise InterlockRefusal(
            f"loudspeakers are connected: sound above {HIGH_FROM_HZ / 1000:g} kHz would last {lasts_s:.1f} s, more "
            f"than {LONGEST_HIGH_S:g} s: make it shorter or lower in frequency, or {_WAY_OUT}"
        )
