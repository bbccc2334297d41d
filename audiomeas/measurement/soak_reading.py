"""One second of a soak, read: its figures for the log, and the moment that the watchman holds against the others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from audiomeas.analysis.programme_second import REACH_S, ProgrammeSecond, read_programme_second
from audiomeas.analysis.tone_second import ToneSecond, read_tone_second
from audiomeas.analysis.watchman import Moment
from audiomeas.interface.transport import at_end_code, to_fractions
from audiomeas.units import amplitude_ratio_to_db, db_to_amplitude_ratio, ratio_to_percent, v_rms_to_w

if TYPE_CHECKING:
    from audiomeas.bench.opened import Bench
    from audiomeas.measurement.soak_stream import Second

#: A programme that is quieter than this below its own level tells no gain in that second.
_QUIET_DB = 40.0
#: Only keeps logarithms defined.
_LEAST = 1e-15
#: The first second of a stream is looked for as far as a desktop's sound server may be late (tried: 75 ms).
FIRST_REACH_S = 0.2


@dataclass(frozen=True, kw_only=True)
class ChannelSecond:
    """One channel's second. values : for the log, by key; what can't be told is not there.  moment : for the watchman.

    delay_frames : of a programme, behind where it was looked for.
    """

    channel: int
    values: Mapping[str, float]
    moment: Moment
    delay_frames: float | None = None


def read_second(
    second: Second,
    bench: Bench,
    *,
    frequency_hz: float | None,
    mains_hz: float,
    level_v_rms: float,
    driven: tuple[int, ...],
    sounding: bool,
    reach_s: float = REACH_S,
) -> tuple[ChannelSecond, ...]:
    """Return each channel of a second. Pure.

    frequency_hz : of the tone; None: a programme (`second.played_v`).  level_v_rms : at the unit's input.
    sounding : something is played in all of it.  reach_s : how far a programme is looked for.
    """
    fractions = to_fractions(second.heard.samples, bench.form.sample_format)
    over = np.any(at_end_code(second.heard.samples, bench.form.sample_format), axis=0)
    found = []
    for channel in bench.channels:
        column = channel - 1
        volts = fractions[:, column] * bench.input_v_peak(channel)
        whole = volts[second.context_frames : len(volts) - second.context_frames]
        plays = sounding and channel in driven
        played = second.played_v
        if not np.all(np.isfinite(volts)):
            one = ChannelSecond(channel=channel, values={}, moment=Moment(level_db=None))
        elif plays and frequency_hz is None and played is not None and _loud(played[:, column], level_v_rms):
            read = read_programme_second(
                volts, played[:, column], bench.form.sample_rate_hz, mains_hz=mains_hz, reach_s=reach_s
            )
            one = _of_programme(channel, read, bench)
        else:
            tone_hz = frequency_hz if plays else None
            tone = read_tone_second(whole, bench.form.sample_rate_hz, frequency_hz=tone_hz, mains_hz=mains_hz)
            if plays and frequency_hz is not None:
                one = _of_tone(channel, tone, bench, frequency_hz, level_v_rms)
            elif plays:  # a quiet passage of a programme: its level alone
                values = {"level_v_rms": float(np.sqrt(np.mean(np.square(whole))))}
                one = ChannelSecond(channel=channel, values=values, moment=Moment(level_db=None))
            else:
                one = _of_silence(channel, tone)
        found.append(replace(one, moment=replace(one.moment, over_range=bool(over[column]))))
    return tuple(found)


def _loud(played: Any, level_v_rms: float) -> bool:
    return float(np.sqrt(np.mean(np.square(played)))) > level_v_rms * db_to_amplitude_ratio(-_QUIET_DB)


def _db(ratio: float) -> float:
    return amplitude_ratio_to_db(max(ratio, _LEAST))


def _watts(values: dict[str, float], channel: int, bench: Bench, frequency_hz: float) -> dict[str, float]:
    load = bench.file.load(channel)
    if load is not None:
        values["level_w"] = v_rms_to_w(values["level_v_rms"], load.power_ohm(frequency_hz))
    return values


def _of_tone(channel: int, tone: ToneSecond, bench: Bench, frequency_hz: float, level_v_rms: float) -> ChannelSecond:
    values = {
        "level_v_rms": tone.level_rms,
        "gain_db": _db(tone.level_rms / level_v_rms),
        "hum_v_rms": tone.hum_rms,
        "noise_v_rms": tone.noise_rms,
    }
    if tone.thd_n_ratio is not None:
        values["thd_n_percent"] = ratio_to_percent(tone.thd_n_ratio)
    if tone.flat_db is not None:
        values["flat_db"] = tone.flat_db
    phase = tone.phase_deg
    moment = Moment(
        level_db=_db(tone.level_rms),
        lowest_db=tone.lowest_db,
        noise_db=_db(tone.noise_rms),
        hum_db=_db(tone.hum_rms),
        distortion_db=None if tone.thd_n_ratio is None else _db(tone.thd_n_ratio),
        flat_db=tone.flat_db,
        place_frames=None if phase is None else phase / 360.0 * bench.form.sample_rate_hz / frequency_hz,
    )
    return ChannelSecond(channel=channel, values=_watts(values, channel, bench, frequency_hz), moment=moment)


def _of_programme(channel: int, read: ProgrammeSecond, bench: Bench) -> ChannelSecond:
    values = {
        "level_v_rms": read.level_rms,
        "gain_db": read.gain_db,
        "hum_v_rms": read.hum_rms,
        "null_db": read.null_db,
        "remainder_db": _db(read.remainder_rms / max(read.level_rms, _LEAST)),
        "delay_frames": read.delay_frames,
    }
    moment = Moment(
        level_db=read.gain_db,
        lowest_db=read.lowest_db,
        hum_db=_db(read.hum_rms),
        distortion_db=values["remainder_db"],
        place_frames=read.delay_frames,
    )
    middle_hz = 1000.0  # of a programme's power, well enough for an inductance of microhenries
    return ChannelSecond(
        channel=channel,
        values=_watts(values, channel, bench, middle_hz),
        moment=moment,
        delay_frames=read.delay_frames,
    )


def _of_silence(channel: int, quiet: ToneSecond) -> ChannelSecond:
    values = {"hum_v_rms": quiet.hum_rms, "noise_v_rms": quiet.noise_rms}
    moment = Moment(level_db=None, noise_db=_db(quiet.noise_rms), hum_db=_db(quiet.hum_rms))
    return ChannelSecond(channel=channel, values=values, moment=moment)
