"""What `live` shows: lines of text made of a reading, for the screen and for scripts. Pure; `cli` puts them out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from audiomeas.measurement.distortion_views import order_name
from audiomeas.measurement.live import Wish
from audiomeas.measurement.live_adjust import Adjusting, Target
from audiomeas.measurement.live_reading import ChannelReading, LiveReading
from audiomeas.measurement.result import SIMULATED_NOTE
from audiomeas.present.big_figure import DOT_LINES, big_figure
from audiomeas.present.digits import fixed, plain
from audiomeas.present.tables import wrapped
from audiomeas.shown_units import shown_in
from audiomeas.units import v_rms_to_dbv

#: The least that a window must have.
LEAST_COLUMNS, LEAST_LINES = 60, 16
#: The position line reaches so many tolerances to either side of the target.
_REACH = 4.0
#: Two lines of a window of 80 columns: each more would take one from the big figure.
KEYS = (
    "SPACE mutes, unmutes · up/down 0.1 dB · page up/down 1 dB · l level · q quits",
    "left/right, f frequency · 1 2 b channels · a next figure · r resets · t takes",
)
LISTENING_KEYS = ("f frequency that the tone was made with · a next figure · r resets · q quits",)


_LISTENING = "LISTENING, nothing is sent"
#: Of a tone's frequency: 0.01 % must be seen.
_TONE_DIGITS = 6


@dataclass(frozen=True, kw_only=True)
class Playing:
    """What is played, or ready to be. highest_v_rms : what the interlock allows."""

    wish: Wish
    driven: tuple[int, ...]
    highest_v_rms: float


@dataclass(frozen=True, kw_only=True)
class LiveScreen:
    """Everything that one screen shows. message : of the last command.  typing : what is being typed, and for what.

    playing : None: nothing is sent, the unit plays by itself.   nominal_hz : then: what its tone was made with.
    notes : of the bench, on every screen.
    """

    reading: LiveReading | None
    adjusting: Adjusting
    playing: Playing | None = None
    nominal_hz: float | None = None
    message: str = ""
    typing: str = ""
    notes: tuple[str, ...] = ()
    simulated: bool = False

    def lines(self, width: int, height: int, *, block: str = "█") -> list[str]:
        """Return at most `height` lines of at most `width` columns."""
        if width < LEAST_COLUMNS or height < LEAST_LINES:
            keys = "q quits" if self.playing is None else "SPACE mutes, q quits"
            words = f"make the window {LEAST_COLUMNS} by {LEAST_LINES} or larger ({keys})"
            return wrapped(words, max(width, 1))[:height]
        above, below = self._above(), self._below(width)
        room = height - len(above) - len(below)
        figure = self._figure(width, max(room, 0), block)
        blank = [""] * max(0, room - len(figure))
        return [line[:width] for line in (*above, *figure, *blank, *below)][:height]

    def _above(self) -> list[str]:
        if self.playing is None:
            head = _LISTENING
        else:
            sounding = self.playing.wish.sounding
            state = f"SOUNDING on {_channels(sounding)}" if sounding else "MUTED"
            waits = "" if self.reading is None or self.reading.settled or self.reading.muted else " · settling"
            head = f"{state}{waits}"
        return [*([SIMULATED_NOTE] if self.simulated else []), head, self.adjusting.title]

    def _figure(self, width: int, room: int, block: str) -> list[str]:
        adjusting = self.adjusting
        position = [] if adjusting.target is None else [position_line(adjusting.value, adjusting.target, width)]
        words = " · ".join(part for part in (adjusting.where(), adjusting.extremes()) if part)
        told = [*position, *(wrapped(words, width) or [""])]
        if adjusting.value is None:
            return ["", "not known", "", *told]
        digits = adjusting.digits(adjusting.value)
        bound = [adjusting.bound] if adjusting.bound else []
        # The empty lines around the figure go first where the window is low: the figure is what is read from afar.
        most = room - len(told) - len(bound)
        spared = most - (1 if bound else 2)
        height = spared if spared >= DOT_LINES else most
        big = big_figure(digits, width=width, height=height, block=block) or [digits]
        air = [""] if len(big) <= spared else []
        return [*(bound or air), *big, *air, *told]

    def _below(self, width: int) -> list[str]:
        lines: list[str] = [f"! {words}" for words in self.notes]
        if self.reading is not None:
            for channel in self.reading.channels:
                lines += [f"! {words}" for words in channel.warnings]
            lines += [channel_words(channel) for channel in self.reading.channels]
            lines.append(pair_words(self.reading))
        lines += [self._played(), self.typing or self.message]
        told = [part for line in lines for part in wrapped(line, width)]
        return [
            *told,
            *([] if self.typing or self.message else [""]),
            *_wrapped_keys(LISTENING_KEYS if self.playing is None else KEYS, width),
        ]

    def _played(self) -> str:
        if self.playing is None:
            known = "that of a usual one, if it is near" if self.nominal_hz is None else f"{plain(self.nominal_hz)} Hz"
            return f"speed is told for a tone made with: {known}"
        wish, driven = self.playing.wish, self.playing.driven
        verb = "plays" if wish.sounding else "ready"
        return (
            f"{verb}: {plain(wish.frequency_hz)} Hz, {volts(wish.level_v_rms)} "
            f"({fixed(v_rms_to_dbv(wish.level_v_rms), 1)} dBV) into {_channels(driven)}; "
            f"up to {volts(self.playing.highest_v_rms)} allowed"
        )


def _wrapped_keys(keys: Sequence[str], width: int) -> list[str]:
    return [part for line in keys for part in wrapped(line, width)]


def _channels(channels: tuple[int, ...]) -> str:
    return f"channel{'s' if len(channels) > 1 else ''} {' and '.join(map(str, channels))}"


def volts(level_v_rms: float) -> str:
    """Return a voltage with its unit, prefixed where it is small."""
    unit, factor = shown_in("V", level_v_rms)
    return f"{plain(factor * level_v_rms)} {unit}"


def channel_words(reading: ChannelReading) -> str:
    """Return one channel in words: what comes out of it, and how pure it is."""
    values, name = reading.values, f"channel {reading.channel}:"
    if reading.why_not:
        return f"{name} {reading.why_not}"
    parts = [volts(values["level_v_rms"])]
    if "level_w" in values:
        parts.append(f"{plain(values['level_w'])} W")
    if "gain_db" not in values:  # not settled
        return f"{name} {' · '.join(parts)}"
    parts.append(f"gain {fixed(values['gain_db'], 2)} dB")
    if "thd_n_percent" in values:
        bound = f"{reading.bound['thd_n_percent']} " if "thd_n_percent" in reading.bound else ""
        parts.append(f"THD+N {bound}{plain(values['thd_n_percent'], 3)} %")
    strongest = ", ".join(f"{order_name(order)} {fixed(level_db, 1)} dB" for order, level_db in reading.harmonics)
    parts.append(f"largest harmonics {strongest}" if strongest else "no harmonic stands out")
    parts.append(f"crests flat by {fixed(values['upper_flat_db'], 2)} and {fixed(values['lower_flat_db'], 2)} dB")
    return f"{name} {' · '.join(parts)}"


def pair_words(reading: LiveReading) -> str:
    """Return what stands between the channels, in words; '' where nothing can be told."""
    pair = reading.pair
    if reading.listens:
        return _heard_words(reading)
    if "balance_db" in pair:
        phase = f"{fixed(pair['phase_difference_deg'], 1)} degrees"
        return f"left over right: {fixed(pair['balance_db'], 2)} dB, phase {phase}"
    if "crosstalk_db" in pair:
        return f"crosstalk into the quiet channel: {fixed(pair['crosstalk_db'], 1)} dB"
    return ""


def _heard_words(reading: LiveReading) -> str:
    if not reading.wish.frequency_hz:
        return ""
    pair, parts = reading.pair, [f"tone {plain(reading.wish.frequency_hz, _TONE_DIGITS)} Hz"]
    if "speed_error_percent" in pair:
        parts.append(f"speed {fixed(pair['speed_error_percent'], 3)} %{_mean(pair, 'mean_speed_error_percent', 3)}")
    if "balance_db" in pair:
        phase = f"{fixed(pair['phase_difference_deg'], 1)} degrees{_mean(pair, 'azimuth_deg', 1)}"
        parts.append(f"left over right: {fixed(pair['balance_db'], 2)} dB, phase {phase}")
    if "separation_db" in pair:
        bound = f"{reading.pair_bound['separation_db']} " if "separation_db" in reading.pair_bound else ""
        parts.append(f"separation {bound}{fixed(pair['separation_db'], 1)} dB")
    return " · ".join(parts)


def _mean(pair: Mapping[str, float], key: str, decimals: int) -> str:
    return f" (mean {fixed(pair[key], decimals)})" if key in pair else ""


def reading_line(reading: LiveReading, adjusting: Adjusting) -> str:
    """Return a reading as one line of text."""
    state = "muted" if reading.muted else ("settled" if reading.settled else "settling")
    if reading.listens:
        played = "listening"
    else:
        played = f"{plain(reading.wish.frequency_hz)} Hz {volts(reading.wish.level_v_rms)} in, {state}"
    said = [played, *(channel_words(channel) for channel in reading.channels), pair_words(reading)]
    said += [words for channel in reading.channels for words in channel.warnings]
    if adjusting.target is not None:
        said.append(adjusting.where())
    mark = "SIMULATED " if reading.simulated else ""
    return mark + " | ".join(part for part in said if part)


def position_line(value: float | None, target: Target, width: int) -> str:
    """Return where a value stands: [ ] hold the tolerance, | is the target, o the value, < or > one beyond the line."""
    columns = min(width, 81) // 2 * 2 - 1
    middle = columns // 2
    line = ["·"] * columns
    for sign, tolerances in (("[", -1.0), ("|", 0.0), ("]", 1.0)):
        line[middle + round(tolerances / _REACH * middle)] = sign
    if value is not None:
        place = (value - target.value) / target.tolerance / _REACH
        if abs(place) > 1.0:
            line[0 if place < 0.0 else -1] = "<" if place < 0.0 else ">"
        else:
            line[middle + round(place * middle)] = "o"
    return "".join(line)
