"""One second of a soak, read: its figures for the log, and the moment that the watchman holds against the others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.continuity import longest_gap
from audiomeas.analysis.programme_second import REACH_S, ProgrammeSecond, read_programme_second
from audiomeas.analysis.shortevents import ShortEvents
from audiomeas.analysis.sudden_second import CONTEXT_S, sudden_beside_tone
from audiomeas.analysis.timebase import LARGEST_PPM
from audiomeas.analysis.tone_second import ToneSecond, read_tone_second
from audiomeas.analysis.watchman import Moment, Watchman
from audiomeas.interface.transport import at_end_code, to_fractions
from audiomeas.recording import step_of_codes
from audiomeas.units import amplitude_ratio_to_db, db_to_amplitude_ratio, ratio_to_percent, v_rms_to_w

if TYPE_CHECKING:
    from audiomeas.bench.opened import Bench
    from audiomeas.measurement.soak_stream import Second

FloatArray = NDArray[np.float64]

#: A programme that is quieter than this below its own level tells no gain in that second.
_QUIET_DB = 40.0
#: … and single frames that are quieter than this are silent.
_SILENT_DB = 60.0
#: Only keeps logarithms defined.
_LEAST = 1e-15
#: The first second of a stream is looked for as far as a desktop's sound server may be late (tried: 75 ms).
FIRST_REACH_S = 0.2
#: Where a programme's power is turned into watts: its middle, well enough for an inductance of microhenries.
PROGRAMME_HZ = 1000.0


@dataclass(frozen=True, kw_only=True)
class SecondsOf:
    """What all seconds of a soak share. frequency_hz : of its tone, whole; None: a programme.

    level_v_rms : at the unit's input.  mains_hz : 50 or 60.
    """

    sample_rate_hz: float
    frequency_hz: float | None
    level_v_rms: float
    mains_hz: float

    def watchman(self) -> Watchman:
        """Return who watches one channel of it."""
        turn = None if self.frequency_hz is None else self.sample_rate_hz / self.frequency_hz
        drift_frames = 1e-6 * LARGEST_PPM * self.sample_rate_hz
        return Watchman(turn_frames=turn, programme=self.frequency_hz is None, drift_frames=drift_frames)


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
    of: SecondsOf,
    *,
    driven: tuple[int, ...],
    sounding: bool,
    reach_s: float = REACH_S,
) -> tuple[ChannelSecond, ...]:
    """Return each channel of a second of a stream. Pure.

    sounding : something is played in all of it.  reach_s : how far a programme is looked for.
    """
    fractions = to_fractions(second.heard.samples, bench.form.sample_format)
    over = np.any(at_end_code(second.heard.samples, bench.form.sample_format), axis=0)
    found = []
    for channel in bench.channels:
        column = channel - 1
        volts = fractions[:, column] * bench.input_v_peak(channel)
        played = None if second.played_v is None else second.played_v[:, column]
        plays = sounding and channel in driven
        load = bench.file.load(channel)
        load_ohm = None if load is None else load.power_ohm(of.frequency_hz or PROGRAMME_HZ)
        step_v = _step_fs(second.heard.samples[:, column], bench) * bench.input_v_peak(channel)
        if plays and of.frequency_hz is None:
            one = _programme(channel, volts, played, of, second.context_frames, reach_s, step_v)
        else:
            whole = volts[second.context_frames : len(volts) - second.context_frames]
            one = read_tone_channel(channel, whole, of, plays=plays)
            if plays and second.lead is not None:
                before = to_fractions(second.lead.samples[:, column], bench.form.sample_format)
                one = _with_sudden(one, np.concatenate([before * bench.input_v_peak(channel), whole]), of, step_v)
        found.append(_finished(one, load_ohm, over_range=bool(over[column])))
    return tuple(found)


def read_tone_channel(
    channel: int,
    volts: FloatArray,
    of: SecondsOf,
    *,
    plays: bool = True,
    load_ohm: float | None = None,
    over_range: bool = False,
) -> ChannelSecond:
    """Return one channel's second of a tone, or of silence. volts : (frames,), one second."""
    if not np.all(np.isfinite(volts)):
        return ChannelSecond(channel=channel, values={}, moment=Moment(level_db=None))
    tone = read_tone_second(
        volts, of.sample_rate_hz, frequency_hz=of.frequency_hz if plays else None, mains_hz=of.mains_hz
    )
    one = _of_tone(channel, tone, of) if plays else _of_silence(channel, tone)
    if plays:  # of a short one near its ends the window of a second shows nothing
        one = replace(one, moment=replace(one.moment, zero_frames=_gap_frames(volts)))
    return _finished(one, load_ohm, over_range=over_range)


def _step_fs(codes: NDArray[Any], bench: Bench) -> float:
    """Return the step of samples in fractions of full scale; of floats it is never seen, and 0."""
    form = bench.form.sample_format
    return 0.0 if form == "float32" else step_of_codes(codes, form) or 0.0


def _with_sudden(one: ChannelSecond, volts: FloatArray, of: SecondsOf, step_v: float) -> ChannelSecond:
    """Return a second of a tone with what is sudden in it. volts : it, and what came before."""
    level_v_rms = one.values.get("level_v_rms")
    if level_v_rms is None or of.frequency_hz is None or not np.all(np.isfinite(volts)):
        return one
    found = sudden_beside_tone(volts, of.sample_rate_hz, of.frequency_hz, of.mains_hz, resolution=step_v)
    frames = len(volts) - round(CONTEXT_S * of.sample_rate_hz)  # to the second's end, from the first that is looked at
    return replace(one, moment=_told_sudden(one.moment, found, level_v_rms, frames, of))


def _told_sudden(moment: Moment, found: ShortEvents | None, level_rms: float, frames: int, of: SecondsOf) -> Moment:
    """Return a moment with what is sudden in it. frames : from the first that was looked at to the second's end."""
    if found is None:
        return moment
    ago_s = (frames - found.frame) / of.sample_rate_hz
    return replace(moment, sudden_db=_db(found.peak / max(level_rms, _LEAST)), sudden_ago_s=ago_s)


def _gap_frames(volts: FloatArray) -> int:
    """Return how long the longest gap of exact zeros is, also at an end; 0: none, or the whole second."""
    _, length = longest_gap(np.pad(volts, 1, constant_values=1.0))
    return length if length < len(volts) else 0


def _finished(one: ChannelSecond, load_ohm: float | None, *, over_range: bool) -> ChannelSecond:
    values = dict(one.values)
    if load_ohm is not None and "level_v_rms" in values:
        values["level_w"] = v_rms_to_w(values["level_v_rms"], load_ohm)
    return replace(one, values=values, moment=replace(one.moment, over_range=over_range or one.moment.over_range))


def _programme(
    channel: int,
    volts: FloatArray,
    played: FloatArray | None,
    of: SecondsOf,
    context_frames: int,
    reach_s: float,
    step_v: float,
) -> ChannelSecond:
    """Read a second of programme; of a quiet passage, or where the source is not held any more, its level alone."""
    if not np.all(np.isfinite(volts)):
        return ChannelSecond(channel=channel, values={}, moment=Moment(level_db=None))
    if played is None or _rms(played) < of.level_v_rms * db_to_amplitude_ratio(-_QUIET_DB):
        whole = volts[context_frames : len(volts) - context_frames]
        return ChannelSecond(channel=channel, values={"level_v_rms": _rms(whole)}, moment=Moment(level_db=None))
    read = read_programme_second(
        volts, played, of.sample_rate_hz, mains_hz=of.mains_hz, reach_s=reach_s, resolution=step_v
    )
    one = _of_programme(channel, read)
    frames = len(volts) - 2 * context_frames
    # Where next to nothing is played zeros are no gap.
    sounding = np.where(np.abs(played) < db_to_amplitude_ratio(-_SILENT_DB) * of.level_v_rms, 1.0, volts)
    gap = _gap_frames(sounding[context_frames : len(volts) - context_frames])
    moment = replace(one.moment, zero_frames=gap)
    return replace(one, moment=_told_sudden(moment, read.sudden, read.level_rms, frames, of))


def _rms(samples: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.square(samples))))


def _db(ratio: float) -> float:
    return amplitude_ratio_to_db(max(ratio, _LEAST))


def _of_tone(channel: int, tone: ToneSecond, of: SecondsOf) -> ChannelSecond:
    values = {
        "level_v_rms": tone.level_rms,
        "gain_db": _db(tone.level_rms / of.level_v_rms),
        "hum_v_rms": tone.hum_rms,
        "noise_v_rms": tone.noise_rms,
    }
    if tone.thd_n_ratio is not None:
        values["thd_n_percent"] = ratio_to_percent(tone.thd_n_ratio)
    phase, frequency_hz = tone.phase_deg, of.frequency_hz
    moment = Moment(
        level_db=values["gain_db"],
        lowest_db=tone.lowest_db,
        noise_db=_db(tone.noise_rms),
        hum_db=_db(tone.hum_rms),
        distortion_db=None if tone.thd_n_ratio is None else _db(tone.thd_n_ratio),
        flat_db=tone.flat_db,
        place_frames=None if phase is None or not frequency_hz else phase / 360.0 * of.sample_rate_hz / frequency_hz,
    )
    return ChannelSecond(channel=channel, values=values, moment=moment)


def _of_programme(channel: int, read: ProgrammeSecond) -> ChannelSecond:
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
        rest_db=_db(read.remainder_rms),
        place_frames=read.delay_frames,
    )
    return ChannelSecond(channel=channel, values=values, moment=moment, delay_frames=read.delay_frames)


def _of_silence(channel: int, quiet: ToneSecond) -> ChannelSecond:
    values = {"hum_v_rms": quiet.hum_rms, "noise_v_rms": quiet.noise_rms}
    moment = Moment(level_db=None, noise_db=_db(quiet.noise_rms), hum_db=_db(quiet.hum_rms))
    return ChannelSecond(channel=channel, values=values, moment=moment)
