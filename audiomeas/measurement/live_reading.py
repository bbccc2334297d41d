"""What the knob shows: the figures of the last moment, per channel and between the channels."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from audiomeas.analysis.tone_reading import HIGHEST_ORDER, ToneReading, read_tone, tone_amplitude
from audiomeas.bench.opened import Bench
from audiomeas.errors import SignalError
from audiomeas.interface.streaming import Heard
from audiomeas.interface.transport import at_end_code, to_fractions
from audiomeas.measurement.result import clean
from audiomeas.recording import step_of_codes
from audiomeas.stimulus.live_tone import Wish
from audiomeas.units import amplitude_ratio_to_db, ratio_to_percent, v_rms_to_dbv, v_rms_to_w

#: From this flatness of a crest on the tops are called flat: 0.1 dB of an ideal clipper's overdrive flattens by 0.08 dB
#: (0.33 % THD), 0.3 dB by 0.22 dB (1.2 % THD).
FLAT_FROM_DB = 0.1
#: The band of THD+N.
BAND_HZ = (20.0, 20_000.0)
#: The definitions, for the JSON.
DEFINITIONS = {
    "band_hz": list(BAND_HZ),
    "thd_reference": "fundamental",
    "thd_n_reference": "total in band",
    "harmonics_to": HIGHEST_ORDER,
    "flatness": "by how much a half-wave's crest is lower than the fundamental's own",
}
#: Why a channel tells nothing, or nothing to trust.
_NOTHING_PLAYED = ("muted", "not driven")
_OVER_RANGE = "over-range"
_FLAT_TOPS = "flat tops"


@dataclass(frozen=True, kw_only=True)
class ChannelReading:
    """One channel, now. Values that can't be told are None, and `why_not` says why.

    values : level_v_rms, level_dbv, level_w, gain_db, thd_percent, thd_n_percent, upper_flat_db, lower_flat_db,
    symmetry_db (the upper crest's flatness less the lower's).  bound : key → 'at most'.
    harmonics : the two largest, (order, dB).
    warnings : over-range of the card, flat tops.
    """

    channel: int
    driven: bool
    values: Mapping[str, float]
    bound: Mapping[str, str]
    harmonics: tuple[tuple[int, float], ...] = ()
    warnings: tuple[str, ...] = ()
    why_not: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the channel's JSON object."""
        return {
            "channel": self.channel,
            "driven": self.driven,
            **{key: self.values.get(key) for key in CHANNEL_KEYS},
            "harmonics": [{"order": order, "level_db": level_db} for order, level_db in self.harmonics],
            "bound": dict(self.bound),
            "warnings": list(self.warnings),
            "why_not": self.why_not,
        }


#: Keys of a channel that a change on its way leaves.
_LEVEL_KEYS = ("level_v_rms", "level_dbv", "level_w")
CHANNEL_KEYS = (
    "level_v_rms",
    "level_dbv",
    "level_w",
    "gain_db",
    "thd_percent",
    "thd_n_percent",
    "upper_flat_db",
    "lower_flat_db",
    "symmetry_db",
)
PAIR_KEYS = ("balance_db", "phase_difference_deg", "crosstalk_db")
HEARD_KEYS = (
    "balance_db",
    "phase_difference_deg",
    "azimuth_deg",
    "azimuth_level_db",
    "separation_db",
    "speed_error_percent",
    "mean_speed_error_percent",
)


@dataclass(frozen=True, kw_only=True)
class LiveReading:
    """The last moment. number : counts up.  wish : what is played.

    settled : nothing was changed in it; else only levels are told.

    pair : balance_db (first channel over second), phase_difference_deg (first less second), both with both driven;
    crosstalk_db (undriven over driven) with one of them driven.  pair_bound : key → 'at least'.
    listens : nothing is played; it is a tone that the unit plays by itself, and `pair` holds what HEARD_KEYS lists.
    other_tone, one_channel : a warning says that it is not the tone that was asked for, or one channel twice: nothing
    is within its target then.
    """

    number: int
    settled: bool
    wish: Wish
    channels: tuple[ChannelReading, ...]
    pair: Mapping[str, float]
    pair_bound: Mapping[str, str] = dataclasses.field(default_factory=dict)
    listens: bool = False
    other_tone: bool = False
    one_channel: bool = False
    simulated: bool = False

    @property
    def muted(self) -> bool:
        """Nothing is played, though it might be."""
        return not self.wish.sounding and not self.listens

    def channel(self, number: int) -> ChannelReading:
        """Return a channel by its 1-based number. Raises KeyError."""
        for found in self.channels:
            if found.channel == number:
                return found
        raise KeyError(number)

    def overtaken(self) -> LiveReading:
        """Return what is left of a reading when something else is wished for since: its levels."""
        return dataclasses.replace(
            self, settled=False, channels=tuple(_only_level(channel) for channel in self.channels), pair={}
        )

    def as_json(self) -> dict[str, Any]:
        """Return the reading as one JSON object."""
        facts = {
            "reading": self.number,
            "simulated": self.simulated,
            "listens": self.listens,
            "muted": self.muted,
            "settled": self.settled,
            "frequency_hz": self.wish.frequency_hz or None,
            "input_level_v_rms": None if self.listens else self.wish.level_v_rms,
            "driven_channels": list(self.wish.sounding),
            "channels": [channel.as_json() for channel in self.channels],
            **{key: self.pair.get(key) for key in (HEARD_KEYS if self.listens else PAIR_KEYS)},
            **({"bound": dict(self.pair_bound)} if self.listens else {}),
        }
        cleaned: dict[str, Any] = clean(facts)
        return cleaned


def read_live(heard: Heard, wish: Wish, bench: Bench, *, number: int, settled: bool) -> LiveReading:
    """Return the reading of the newest frames of a stream: a pure function of what was heard."""
    fractions = to_fractions(heard.samples, bench.form.sample_format)
    over = np.any(at_end_code(heard.samples, bench.form.sample_format), axis=0)
    tones: dict[int, ToneReading] = {}
    channels = []
    for channel in bench.channels:
        column = channel - 1
        step_fs = step_of_codes(heard.samples[:, [column]], bench.form.sample_format)
        reading, tone = _channel(fractions[:, column], bool(over[column]), step_fs, channel, wish, bench)
        channels.append(reading if settled else _only_level(reading))
        if tone is not None and settled:
            tones[channel] = tone
    return LiveReading(
        number=number,
        settled=settled,
        wish=wish,
        channels=tuple(channels),
        pair=_pair(fractions, tones, wish, bench),
        simulated=bench.simulated,
    )


def _channel(
    fractions: Any, over: bool, step_fs: float | None, channel: int, wish: Wish, bench: Bench
) -> tuple[ChannelReading, ToneReading | None]:
    driven = channel in wish.sounding
    warnings = [over_range_warning(channel)] if over else []
    muted, not_driven = _NOTHING_PLAYED
    why_not = "" if driven else (muted if not wish.sounding else not_driven)
    if over:
        why_not = _OVER_RANGE
    tone = None
    if not why_not:
        full_v = bench.input_v_peak(channel)
        try:
            tone = read_tone(
                fractions * full_v,
                bench.form.sample_rate_hz,
                near_hz=wish.frequency_hz,
                band_hz=BAND_HZ,
                resolution=None if step_fs is None else step_fs * full_v,
            )
        except SignalError as error:
            why_not = str(error)
    if tone is None:
        return ChannelReading(
            channel=channel, driven=driven, values={}, bound={}, warnings=tuple(warnings), why_not=why_not
        ), None
    reading = ChannelReading(
        channel=channel,
        driven=driven,
        values=_values(tone, channel, wish, bench),
        bound=_bounds(tone),
        harmonics=tone.largest,
        warnings=(*warnings, *_flat_words(tone, channel)),
    )
    return reading, tone


def over_range_warning(channel: int) -> str:
    """Return what is said of an input of the card that is driven beyond its range."""
    return f"input {channel} is over-range: set a higher range, or lower the level"


def _only_level(reading: ChannelReading) -> ChannelReading:
    """Return what can be told while a change is on its way: a level, but no ratio to what is played, and no purity."""
    values = {key: reading.values[key] for key in _LEVEL_KEYS if key in reading.values}
    # A glide bends a wave's tops and wanders in frequency: neither is a finding about the unit.
    warnings = tuple(line for line in reading.warnings if _FLAT_TOPS not in line)
    why_not = reading.why_not if reading.why_not in (*_NOTHING_PLAYED, _OVER_RANGE, "") else "settling"
    return dataclasses.replace(reading, values=values, bound={}, harmonics=(), warnings=warnings, why_not=why_not)


def _values(tone: ToneReading, channel: int, wish: Wish, bench: Bench) -> dict[str, float]:
    values = {
        "level_v_rms": tone.level_rms,
        "level_dbv": v_rms_to_dbv(tone.level_rms),
        "gain_db": amplitude_ratio_to_db(tone.level_rms / wish.level_v_rms),
        "upper_flat_db": tone.upper_flat_db,
        "lower_flat_db": tone.lower_flat_db,
        "symmetry_db": tone.upper_flat_db - tone.lower_flat_db,
    }
    load = bench.file.load(channel)
    if load is not None:
        values["level_w"] = v_rms_to_w(tone.level_rms, load.power_ohm(tone.frequency_hz))
    for key, ratio in (("thd_percent", tone.thd_ratio), ("thd_n_percent", tone.thd_n_ratio)):
        if ratio is not None:
            values[key] = ratio_to_percent(ratio)
    return values


def _bounds(tone: ToneReading) -> dict[str, str]:
    at_most = {"thd_percent": tone.thd_at_most, "thd_n_percent": tone.thd_n_at_most}
    return {key: "at most" for key, is_bound in at_most.items() if is_bound}


def _flat_words(tone: ToneReading, channel: int) -> tuple[str, ...]:
    halves = (("upper", tone.upper_flat_db), ("lower", tone.lower_flat_db))
    flat = [f"{half} {flat_db:.2f} dB" for half, flat_db in halves if flat_db >= FLAT_FROM_DB]
    return (f"channel {channel} clips: {_FLAT_TOPS} ({', '.join(flat)})",) if flat else ()


def _pair(fractions: Any, tones: Mapping[int, ToneReading], wish: Wish, bench: Bench) -> dict[str, float]:
    """Return what stands between the first two channels."""
    if len(bench.channels) < 2:
        return {}
    one, other = bench.channels[:2]
    if one in tones and other in tones:
        return {
            "balance_db": amplitude_ratio_to_db(tones[one].level_rms / tones[other].level_rms),
            "phase_difference_deg": math.remainder(tones[one].phase_deg - tones[other].phase_deg, 360.0),
        }
    for driven, quiet in ((one, other), (other, one)):
        if driven in tones and quiet not in wish.sounding:
            volts = fractions[:, quiet - 1] * bench.input_v_peak(quiet)
            leaked = abs(tone_amplitude(volts, bench.form.sample_rate_hz, tones[driven].frequency_hz))
            return {"crosstalk_db": amplitude_ratio_to_db(max(leaked, 1e-12) / tones[driven].level_rms)}
    return {}


__all__ = [
    "BAND_HZ",
    "CHANNEL_KEYS",
    "DEFINITIONS",
    "HEARD_KEYS",
    "PAIR_KEYS",
    "ChannelReading",
    "LiveReading",
    "over_range_warning",
    "read_live",
]
