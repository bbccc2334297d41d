"""One channel's figures of a disc: each copied from the measurement of its track, or made of two tracks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95
from audiomeas.bench.parts import Part, scaled
from audiomeas.errors import SignalError
from audiomeas.measurement.base import Figure
from audiomeas.measurement.budget import METHOD, NOISE_AND_FIT, Told, parts_of

if TYPE_CHECKING:
    from audiomeas.measurement.disc_tracks import Clock
    from audiomeas.measurement.result import ChannelResult, Result
    from audiomeas.recording import Recording

#: What reads the track whose tone shows jitter; no measurement of its own.
JITTER = "jitter"
#: Lines of jitter that are kept, the strongest.
_MOST_LINES = 20
#: A mute makes digital silence quieter by this at least (the trade notes ask for a word at 10 dB: 4, row 45).
_MUTES_DB = 6.0
#: Delay between the channels is read where a sweep is well above hum and noise.
_DELAY_BAND_HZ = (500.0, 18_000.0)
#: De-emphasis is told over this band; IEC 60908 has its curve, see `analysis.equalization_curves`.
_DE_EMPHASIS_BAND_HZ = (20.0, 20_000.0)
_REFERENCE_HZ = 1000.0
LINEARITY_DB = (60, 80, 90, 100)
_HIGHEST_HZ = 20_000.0
#: Delays and jitter are told in µs and ns.
_US, _NS = 1e6, 1e9
#: What the interpolation of a capture leaves of a delay.
_LEAST_DELAY_S = 1e-9

#: Figure → track and the figure of its measurement that it is.
_COPIED = {
    "level_v_rms": ("tone-0db", "level_v_rms"),
    "level_dbfs": ("tone-0db", "level_dbfs"),
    "thd_percent": ("tone-0db", "thd_percent"),
    "thd_n_percent": ("tone-0db", "thd_n_percent"),
    "quiet_thd_n_percent": ("tone-20db", "thd_n_percent"),
    "imd_percent": ("twin-tone", "imd_percent"),
    "deviation_low_db": ("sweep", "deviation_low_db"),
    "deviation_high_db": ("sweep", "deviation_high_db"),
    "crosstalk_at_1khz_db": ("left-right", "crosstalk_at_1khz_db"),
    "crosstalk_at_10khz_db": ("left-right", "crosstalk_at_10khz_db"),
    "worst_crosstalk_db": ("left-right", "worst_crosstalk_db"),
    "worst_crosstalk_hz": ("left-right", "worst_crosstalk_hz"),
    "dynamic_range_db": ("quiet-tone", "dynamic_range_db"),
    "dynamic_range_a_db": ("quiet-tone", "dynamic_range_a_db"),
}
_OWN = (
    "balance_db",
    "interchannel_delay_us",
    "crosstalk_at_20khz_db",
    *(f"deviation_at_{below_db}_db" for below_db in LINEARITY_DB),
    "snr_a_db",
    "snr_held_a_db",
    "muted",
    "mute_depth_db",
    "mute_after_s",
    "de_emphasis",
    "de_emphasis_error_db",
    "de_emphasis_error_hz",
    "clock_offset_ppm",
    "largest_jitter_ns",
    "largest_jitter_rate_hz",
    "largest_sideband_db",
    "all_jitter_ns_rms",
)
_LISTS = ("frequency_hz", "gain_db", "gain_uncertainty_db", "linearity", "jitter")

FIGURES = (
    Figure(key="level_v_rms", unit="V", words="level of the track at 0 dB"),
    Figure(key="balance_db", unit="dB", words="level of the channel over that of the first"),
    Figure(key="deviation_low_db", unit="dB", words="lowest response, re 1 kHz"),
    Figure(key="deviation_high_db", unit="dB", words="highest response, re 1 kHz"),
    Figure(key="thd_percent", unit="%", words="harmonic distortion at 0 dB, 997 Hz"),
    Figure(key="thd_n_percent", unit="%", words="distortion and noise at 0 dB, 997 Hz"),
    Figure(key="quiet_thd_n_percent", unit="%", words="distortion and noise at -20 dB, 997 Hz"),
    Figure(key="imd_percent", unit="%", words="intermodulation of 19 and 20 kHz"),
    Figure(key="crosstalk_at_1khz_db", unit="dB", words="crosstalk from the other channel at 1 kHz"),
    Figure(key="crosstalk_at_10khz_db", unit="dB", words="crosstalk from the other channel at 10 kHz"),
    Figure(key="crosstalk_at_20khz_db", unit="dB", words="crosstalk from the other channel at 20 kHz"),
    Figure(key="worst_crosstalk_db", unit="dB", words="highest crosstalk from the other channel"),
    *(
        Figure(key=f"deviation_at_{below_db}_db", unit="dB", words=f"error of the level at -{below_db} dB")
        for below_db in LINEARITY_DB
    ),
    Figure(key="dynamic_range_db", unit="dB", words="dynamic range, weighted CCIR-RMS"),
    Figure(key="dynamic_range_a_db", unit="dB", words="dynamic range, A-weighted"),
    Figure(key="snr_a_db", unit="dB", words="signal to noise of digital silence, A-weighted"),
    Figure(key="snr_held_a_db", unit="dB", words="signal to noise with one step held, A-weighted"),
    Figure(key="mute_depth_db", unit="dB", words="how far a mute lowers the noise of digital silence"),
    Figure(key="de_emphasis_error_db", unit="dB", words="largest error of the de-emphasis, re 1 kHz"),
    Figure(key="interchannel_delay_us", unit="µs", words="how much later the channel comes than the first"),
    Figure(key="clock_offset_ppm", unit="ppm", words="how much faster the player's clock runs than the card's"),
    Figure(key="largest_jitter_ns", unit="ns", words="peak of the largest line of jitter"),
    Figure(key="largest_sideband_db", unit="dB", words="sidebands of that line beside 11,025 Hz"),
)


@dataclass(frozen=True, kw_only=True)
class Read:
    """A track that was read. recording : on the clock that played it.   result : None for what has no measurement."""

    recording: Recording
    result: Result | None

    def channel(self, number: int) -> ChannelResult | None:
        """Return a channel's result; None where there is none."""
        if self.result is None:
            return None
        return next((one for one in self.result.channels if one.channel == number), None)


class ChannelFigures:
    """Makes one channel's values. read : name of a track → what it told.   words : to be said of the channel."""

    def __init__(self, read: Mapping[str, Read], clock: Clock | None, *, column: int, channel: int) -> None:
        self._read, self._clock, self._column, self._channel = read, clock, column, channel
        self._told = Told({})
        self.words: list[str] = []

    def result(self) -> ChannelResult:
        """Return the channel's result; what no track tells is null."""
        told = self._told
        told.values.update(dict.fromkeys((*_COPIED, *_OWN)) | {key: [] for key in _LISTS})
        for key, (track, of) in _COPIED.items():
            told.copy(key, self._of(track), of)
        for tell in (
            self._tell_balance,
            self._tell_response,
            self._tell_delay,
            self._tell_crosstalk,
            self._tell_linearity,
            self._tell_noise,
            self._tell_mute,
            self._tell_de_emphasis,
            self._tell_clock,
            self._tell_jitter,
        ):
            tell()
        return told.result(self._channel)

    def _of(self, track: str) -> ChannelResult | None:
        one = self._read.get(track)
        return None if one is None else one.channel(self._channel)

    def _tell_balance(self) -> None:
        """Tell the difference of the levels at 0 dB, where both are known in volts."""
        one = self._read.get("tone-0db")
        own, first = self._of("tone-0db"), None if one is None else one.channel(1)
        if own is None or first is None or self._channel == 1:
            return
        levels: list[float] = [channel.values["level_v_rms"] for channel in (own, first)]
        if None in levels:
            return
        self._told.values["balance_db"] = 20.0 * math.log10(levels[0] / levels[1])
        half_widths = [parts_of(channel, "level_v_rms") for channel in (own, first)]
        if None not in half_widths:
            relative = [scaled(parts or (), 1.0 / level) for parts, level in zip(half_widths, levels, strict=True)]
            self._told.add("balance_db", (*relative[0], *scaled(relative[1], -1.0)), DB_PER_NEPER)

    def _tell_response(self) -> None:
        sweep = self._of("sweep")
        if sweep is None or not sweep.values["frequency_hz"]:
            return
        values, kept = self._told.values, sweep.values
        at_reference_db = _at(kept["frequency_hz"], kept["gain_db"], _REFERENCE_HZ)
        values["frequency_hz"] = kept["frequency_hz"]
        values["gain_db"] = [round(gain_db - at_reference_db, 6) for gain_db in kept["gain_db"]]
        values["gain_uncertainty_db"] = kept["gain_shape_uncertainty_db"]

    def _tell_delay(self) -> None:
        """Tell by how much the channel comes later than the first."""
        from audiomeas.analysis.interchannel import delay_between
        from audiomeas.recording import stimulus_slice

        one = self._read.get("sweep")
        if one is None or self._channel == 1 or 1 not in one.recording.channels:
            return
        recording = one.recording
        assert recording.stimulus is not None
        part = recording.counts_fs[stimulus_slice(recording, 0, recording.stimulus.frames)]
        first = recording.column(1)
        try:
            found = delay_between(part[:, first], part[:, self._column], recording.sample_rate_hz, _DELAY_BAND_HZ)
        except SignalError as error:
            self.words.append(str(error))
            return
        self._told.values["interchannel_delay_us"] = _US * found.later_s
        self._told.add(
            "interchannel_delay_us", [Part(NOISE_AND_FIT, found.half_width_s), Part(METHOD, _LEAST_DELAY_S)], _US
        )

    def _tell_crosstalk(self) -> None:
        """Tell crosstalk at 20 kHz, where it is among the frequencies."""
        pair = self._of("left-right")
        if pair is None or _HIGHEST_HZ not in pair.values["frequency_hz"]:
            return
        key, place = "crosstalk_at_20khz_db", pair.values["frequency_hz"].index(_HIGHEST_HZ)
        self._told.values[key] = pair.values["crosstalk_db"][place]
        bound, half_db = (pair.values[name][place] for name in ("crosstalk_bound", "crosstalk_uncertainty_db"))
        if bound:
            self._told.at_most(key)
        elif half_db is not None:
            self._told.add(key, [Part(NOISE_AND_FIT, half_db)])

    def _tell_linearity(self) -> None:
        """Tell the error of each level, re 0 dB."""
        one = self._of("linearity")
        if one is None:
            return
        rows = one.values["steps"]
        self._told.values["linearity"] = [
            {key: row[key] for key in ("played_db", "deviation_db", "noise_db", "uncertainty", "bound")} for row in rows
        ]
        for row in rows:
            below_db = round(-row["played_db"])
            if below_db not in LINEARITY_DB or row["deviation_db"] is None:
                continue
            key = f"deviation_at_{below_db}_db"
            self._told.values[key] = row["deviation_db"]
            if "deviation_db" in row["bound"]:
                self._told.at_most(key, word=row["bound"]["deviation_db"])
            else:
                self._told.add(key, [Part(NOISE_AND_FIT, row["uncertainty"]["deviation_db"])])

    def _tell_noise(self) -> None:
        """Tell how far noise lies below the track at 0 dB; both of one channel, so no scale is in it."""
        tone = self._of("tone-0db")
        for key, track in (("snr_a_db", "silence"), ("snr_held_a_db", "held-step")):
            noise = self._of(track)
            if tone is None or noise is None:
                continue
            loud, quiet = tone.values.get("level_dbfs"), noise.values.get("a_weighted_dbfs")
            if loud is None or quiet is None:
                self.words.append(f"track {track} is silent to the last digit: no signal to noise is told")
                continue
            self._told.less(key, tone, "level_dbfs", noise, "a_weighted_dbfs")

    def _tell_mute(self) -> None:
        """Tell whether digital silence is quieter than one step that is held: then something mutes."""
        import numpy as np

        from audiomeas.analysis.muting import falls_after_s

        spans = [self._silence(track) for track in ("held-step", "silence")]
        if spans[0] is None or spans[1] is None:
            return
        held, silent = spans
        values = self._told.values
        open_rms, closed_rms = (float(np.std(part[len(part) // 2 :])) for part in (held, silent))
        if open_rms == 0.0:
            return
        values["muted"] = closed_rms < open_rms * 10.0 ** (-_MUTES_DB / 20.0)
        if closed_rms > 0.0:
            values["mute_depth_db"] = 20.0 * math.log10(open_rms / closed_rms)
            self._told.add("mute_depth_db", [Part(NOISE_AND_FIT, math.hypot(_scatter_db(held), _scatter_db(silent)))])
        if not values["muted"]:
            return
        rate_hz = self._read["silence"].recording.sample_rate_hz
        values["mute_after_s"] = falls_after_s(silent, rate_hz, open_rms)
        self.words.append(
            "digital silence is quieter than one step that is held: a circuit mutes there, and a signal-to-noise ratio "
            "from silence flatters; dynamic range, and that with one step held, don't"
        )

    def _silence(self, track: str) -> Any:
        """Return a channel's samples of what stands between the marks of a silent track; None where it is missing."""
        from audiomeas.recording import stimulus_slice

        one = self._read.get(track)
        if one is None:
            return None
        assert one.recording.stimulus is not None
        span = stimulus_slice(one.recording, 0, one.recording.stimulus.frames)
        return one.recording.signal(self._column)[span]

    def _tell_de_emphasis(self) -> None:
        """Hold what emphasis changes against the curve; the player's own response is in both tracks, and drops out."""
        import numpy as np

        from audiomeas.analysis.equalization_curves import equalization

        with_, without = self._of("emphasis"), self._of("without-emphasis")
        if with_ is None or without is None or not with_.values["frequency_hz"] or not without.values["frequency_hz"]:
            return
        frequency_hz, other_hz = (np.array(one.values["frequency_hz"]) for one in (with_, without))
        half_db = [np.array(one.values["gain_shape_uncertainty_db"], dtype=np.float64) for one in (with_, without)]
        changed_db = np.array(with_.values["gain_db"]) - np.interp(
            np.log(frequency_hz), np.log(other_hz), np.array(without.values["gain_db"])
        )
        changed_db -= _at(frequency_hz, changed_db, _REFERENCE_HZ)
        low_hz, high_hz = _DE_EMPHASIS_BAND_HZ
        inside = (frequency_hz >= 0.999 * low_hz) & (frequency_hz <= 1.001 * high_hz)
        error_db = (changed_db - equalization("cd").gain_db(frequency_hz, reference_hz=_REFERENCE_HZ))[inside]
        worst = int(np.argmax(np.abs(error_db)))
        told = self._told
        told.values["de_emphasis"] = bool(np.max(np.abs(error_db)) < np.max(np.abs(changed_db[inside])))
        told.values["de_emphasis_error_db"] = float(error_db[worst])
        told.values["de_emphasis_error_hz"] = float(frequency_hz[inside][worst])
        if len(half_db[0]) == len(half_db[1]):
            half = float(np.hypot(*half_db)[inside][worst])
            if math.isfinite(half):
                told.add("de_emphasis_error_db", [Part(NOISE_AND_FIT, half)])
        if not told.values["de_emphasis"]:
            self.words.append(
                "the track with emphasis comes out with its treble raised: the player has no de-emphasis, does not "
                "switch it on, or the disc was burned without its flag"
            )

    def _tell_clock(self) -> None:
        if self._clock is None:
            return
        self._told.values["clock_offset_ppm"] = self._clock.offset_ppm
        self._told.add("clock_offset_ppm", [Part(NOISE_AND_FIT, self._clock.uncertainty_ppm)])

    def _tell_jitter(self) -> None:
        from audiomeas.analysis.jitter import jitter, strongest
        from audiomeas.recording import stimulus_slice

        one = self._read.get("jitter-tone")
        if one is None:
            return
        recording = one.recording
        assert recording.stimulus is not None
        (window,) = recording.stimulus.windows()
        assert window.frequency_hz is not None
        signal = recording.signal(self._column)[stimulus_slice(recording, window.start, window.stop)]
        try:
            found = jitter(signal, recording.sample_rate_hz, window.frequency_hz)
        except SignalError as error:
            self.words.append(f"jitter: {error}")
            return
        told = self._told
        lines = sorted(sorted(found.lines, key=lambda line: -line.peak_s)[:_MOST_LINES], key=lambda line: line.rate_hz)
        told.values["jitter"] = [
            {
                "rate_hz": line.rate_hz,
                "peak_ns": _NS * line.peak_s,
                "sideband_db": line.sideband_db,
                "uncertainty": {"peak_ns": _NS * line.peak_uncertainty_s, "sideband_db": line.sideband_uncertainty_db},
            }
            for line in lines
        ]
        told.values["all_jitter_ns_rms"] = _NS * found.all_s_rms
        told.at_most("all_jitter_ns_rms")
        top = strongest(lines)
        if top is None:
            return
        told.values["largest_jitter_ns"] = _NS * top.peak_s
        told.values["largest_jitter_rate_hz"] = top.rate_hz
        told.values["largest_sideband_db"] = top.sideband_db
        told.add("largest_jitter_ns", [Part(NOISE_AND_FIT, top.peak_uncertainty_s)], _NS)
        told.add("largest_sideband_db", [Part(NOISE_AND_FIT, top.sideband_uncertainty_db)])


def _at(frequency_hz: Any, values: Any, wanted_hz: float) -> float:
    """Return a curve's value at a frequency, straight in between over log frequency."""
    import numpy as np

    return float(np.interp(np.log(wanted_hz), np.log(np.asarray(frequency_hz)), np.asarray(values)))


def _scatter_db(part: Any) -> float:
    """Return the 95 % half-width of a level in dB, by how much eighths of it differ."""
    import numpy as np

    half = part[len(part) // 2 :]
    levels = np.array([np.std(piece) for piece in np.array_split(half, 8)])
    if not np.all(levels > 0.0):
        return 0.0
    return float(TWO_SIDED_95 * np.std(20.0 * np.log10(levels), ddof=1) / math.sqrt(len(levels)))
