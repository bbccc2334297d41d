"""Switching: thumps when a unit is switched off and on, and how long its relay takes, from one capture of silence."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import TWO_SIDED_95
from audiomeas.bench.parts import Part, of_limits
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.budget import METHOD, NOISE_AND_FIT, Told
from audiomeas.measurement.checks import made
from audiomeas.measurement.result import Result, result_of
from audiomeas.measurement.scale_parts import scale_parts
from audiomeas.measurement.steady import samples
from audiomeas.measurement.switching_views import charts, tables

if TYPE_CHECKING:
    from audiomeas.analysis.switching import Switching, Thump
    from audiomeas.recording import Recording
    from audiomeas.stimulus.switched import SwitchedSilence

WORD = "switching"
OFF_ON, ON, OFF = "off-on", "on", "off"
#: The end of the marker may still be heard at the beginning: so much is left out.
_SETTLE_S = 0.3
#: A thump this near to a lasting rise of what is heard is the relay's that lets it through.
_WITH_S = 0.1
#: At most so many thumps are listed, and points of the course kept.
_MOST_THUMPS, _MOST_POINTS = 100, 1000
#: A peak of noise is about three standard deviations; 95 % of it is what a thump's own may be off by.
_PEAKS = 3.0

_KEYS = (
    "turn_off_peak_v", "turn_off_peak_fs", "turn_off_dc_v", "turn_on_peak_v", "turn_on_peak_fs", "turn_on_dc_v",
    "relay_delay_s", "relay_to_signal_s", "noise_off_v_rms", "noise_on_v_rms",
)  # fmt: skip


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> SwitchedSilence:
    from audiomeas.stimulus.switched import SwitchedSilence

    return SwitchedSilence(
        duration_s=options["duration_s"] + _SETTLE_S,
        sample_rate_hz=context.sample_rate_hz,
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be told."""
    made(_stimulus, context, options)
    at_s = options["switched_on_s"]
    if at_s is not None and options["order"] == OFF:
        raise RequestError("switched_on_s tells when the unit was switched on: it goes with order on or off-on")
    if at_s is not None and at_s >= options["duration_s"]:
        raise RequestError(f"switched_on_s of {at_s:g} s lies behind the end, {options['duration_s']:g} s")


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    span = _span(recording)
    begin_s = span.start / recording.sample_rate_hz
    length_s = (span.stop - span.start) / recording.sample_rate_hz
    on_s = _on_from_s(options, length_s, begin_s)
    channels, warnings, found = [], [], 0
    for column, channel in enumerate(recording.channels):
        told = Told({**dict.fromkeys(_KEYS), "thumps": [], "changes": [], "course_s": [], "course": []})
        try:
            lines = _tell(told, recording, column, samples(recording, column, span), options, on_s, begin_s)
            found += 1
        except SignalError as error:
            lines = [str(error)]
        warnings += [f"channel {channel}: {line}" for line in lines]
        channels.append(told.result(channel))
    if not found:
        raise SignalError("; ".join(warnings))
    return result_of(
        recording,
        WORD,
        conditions=_conditions(recording, options, on_s, begin_s, length_s),
        channels=tuple(channels),
        warnings=tuple(warnings),
    )


def _span(recording: Recording) -> slice:
    """Return the frames in which the unit is switched."""
    from audiomeas.recording import stimulus_slice

    if recording.stimulus is not None and recording.stimulus.level_v_rms != 0.0:
        raise SignalError(
            f"switching is heard in silence, and this is a capture of {recording.stimulus.kind!r}: play nothing"
        )
    if recording.stimulus is not None and recording.stimulus_start is not None:
        settle = round(_SETTLE_S * recording.sample_rate_hz)
        return stimulus_slice(recording, settle, recording.stimulus.frames)
    return slice(0, recording.frames)


def _on_from_s(options: Mapping[str, Any], length_s: float, begin_s: float) -> float:
    """Return from when on, in seconds of the window, what is heard belongs to switching on; endless: nothing does.

    Raises RequestError: switched on outside the capture.
    """
    order, given_s = options["order"], options["switched_on_s"]
    if order == OFF:
        return math.inf
    if given_s is not None:
        if not 0.0 <= given_s - begin_s < length_s:
            raise RequestError(
                f"switched_on_s of {given_s:g} s lies outside the capture, {begin_s:.1f} to {begin_s + length_s:.1f} s"
            )
        return float(given_s) - begin_s
    return 0.0 if order == ON else 0.5 * length_s


def _tell(
    told: Told, recording: Recording, column: int, signal: Any, options: Mapping[str, Any], on_s: float, begin_s: float
) -> list[str]:
    """Enter a channel's figures; return what is to be said of it."""
    from audiomeas.analysis.switching import find_switching

    found = find_switching(signal, recording.sample_rate_hz, step=recording.resolution(column) or 0.0)
    over = bool(recording.over_range and recording.over_range[column])
    words = []
    if over:
        words.append(
            f"over-range in {recording.over_range[column]} frames: a thump is at least as high as told; capture again "
            "with a higher attenuator range"
        )
    if options["order"] != ON:
        _tell_thump(told, "turn_off", recording, column, found, _between(found.thumps, 0.0, on_s), over)
    if options["order"] != OFF:
        _tell_thump(told, "turn_on", recording, column, found, _between(found.thumps, on_s, math.inf), over)
        words += _tell_relay(told, found, on_s, known=options["switched_on_s"] is not None)
    _tell_noise(told, recording, column, found, options["order"])
    _tell_lists(told, recording, column, found, begin_s)
    return words


def _between(thumps: Sequence[Thump], from_s: float, to_s: float) -> list[Thump]:
    return [one for one in thumps if from_s <= one.time_s < to_s]


def _full_scale(recording: Recording, column: int) -> float:
    return recording.reference(column) * math.sqrt(2.0)


def _tell_thump(
    told: Told, name: str, recording: Recording, column: int, found: Switching, thumps: list[Thump], over: bool
) -> None:
    """Enter the highest thump of a part; where none stood out, what one would have needed, as a bound."""
    in_volts = recording.scale_v(column) is not None
    volts, parts_fs = f"{name}_peak_v", f"{name}_peak_fs"
    highest = max(thumps, key=lambda one: abs(one.peak), default=None)
    peak = found.smallest_peak if highest is None else abs(highest.peak)
    told.values[parts_fs] = peak / _full_scale(recording, column)
    told.values[volts] = peak if in_volts else None
    keys = (parts_fs, volts) if in_volts else (parts_fs,)
    if highest is None or over:
        told.at_most(*keys, word="at least" if highest is not None else "at most")
    else:
        noise = (Part(NOISE_AND_FIT, TWO_SIDED_95 * highest.noise_peak / _PEAKS / peak),)
        told.add(parts_fs, noise, told.values[parts_fs])
        scale = scale_parts(recording, column)
        if in_volts and scale is not None:
            told.add(volts, (*scale, *noise), peak)
    if highest is not None and in_volts:
        # The card's coupling takes DC away: what is seen of it is less than what was there.
        told.values[f"{name}_dc_v"] = max(abs(one.dc_shift) for one in thumps)
        told.at_most(f"{name}_dc_v", word="at least")


def _tell_relay(told: Told, found: Switching, on_s: float, *, known: bool) -> list[str]:
    """Enter how long the relay took, and the signal behind it; return why it can't be told.

    The relay closes with a lasting rise of what is heard, and the thump just before it; without a rise, with the
    highest thump. The beginning is the first sign of life, where nobody says when the unit was switched on.
    """
    thumps = _between(found.thumps, on_s, math.inf)
    rises = [one for one in found.changes if one.time_s >= on_s and one.after > one.before]
    signal_s = rises[-1].time_s if rises else None
    before = [one for one in thumps if signal_s is None or one.time_s <= signal_s + _WITH_S]
    click = max(before, key=lambda one: abs(one.peak), default=None)
    signs = [one.time_s for one in thumps] + [one.time_s for one in rises]
    if not signs:
        return ["no sign of switching on was heard: neither a thump nor a lasting rise"]
    relay_s = click.time_s if click is not None else rises[-1].time_s
    if click is not None and signal_s is not None:
        told.values["relay_to_signal_s"] = max(0.0, signal_s - click.time_s)
        told.add("relay_to_signal_s", (of_limits(METHOD, 2.0 * found.block_s),))
    began_s = on_s if known else min(signs)
    if not known and relay_s - began_s < found.block_s:
        return [
            "the moment of switching on was not heard, so how long the relay took is not known: say when that was "
            "(switched_on_s)"
        ]
    told.values["relay_delay_s"] = relay_s - began_s
    if not known:  # how well a person knows the moment is not for us to say
        told.add("relay_delay_s", (of_limits(METHOD, found.block_s),))
    return []


def _tell_noise(told: Told, recording: Recording, column: int, found: Switching, order: str) -> None:
    """Enter what is heard of the unit when it is on and when it is off, by the beginning, the end, and between."""
    if recording.scale_v(column) is None:
        return
    levels = [found.level_before, found.level_after, *(one.after for one in found.changes[:-1])]
    on, off = {
        ON: (found.level_after, found.level_before),
        OFF: (found.level_before, found.level_after),
        OFF_ON: (found.level_after, min(levels)),
    }[order]
    told.values["noise_on_v_rms"], told.values["noise_off_v_rms"] = on, off
    # Off, nothing but the bench is heard; on, the unit is where it adds as much power at least.
    told.at_most("noise_off_v_rms", *(["noise_on_v_rms"] if on**2 < 2.0 * off**2 else []))


def _tell_lists(told: Told, recording: Recording, column: int, found: Switching, begin_s: float) -> None:
    full = _full_scale(recording, column)
    in_volts = recording.scale_v(column) is not None

    def volts(value: float) -> float | None:
        return value if in_volts else None

    told.values["thumps"] = [
        {
            "time_s": begin_s + one.time_s,
            "peak_v": volts(one.peak),
            "peak_fs": one.peak / full,
            "duration_s": one.duration_s,
            "dc_shift_v": volts(one.dc_shift),
        }
        for one in found.thumps[:_MOST_THUMPS]
    ]
    told.values["changes"] = [
        {
            "time_s": begin_s + one.time_s,
            "before_v_rms": volts(one.before),
            "after_v_rms": volts(one.after),
            "change_db": 20.0 * math.log10(one.after / one.before),
        }
        for one in found.changes
    ]
    every = max(1, math.ceil(len(found.course) / _MOST_POINTS))
    whole = len(found.course) // every * every
    highest = found.course[:whole].reshape(-1, every).max(axis=1)
    told.values["course_s"] = [round(begin_s + n * every * found.block_s, 4) for n in range(len(highest))]
    told.values["course"] = [float(f"{value if in_volts else value / full:.4g}") for value in highest.tolist()]


def _conditions(
    recording: Recording, options: Mapping[str, Any], on_s: float, begin_s: float, length_s: float
) -> dict[str, Any]:
    return {
        "order": options["order"],
        "on_from_s": begin_s + on_s if math.isfinite(on_s) else None,
        "span_s": [begin_s, begin_s + length_s],
        "times_count_from": "the beginning of the capture",
        "weighting": "none",
        "band_hz": [None, recording.sample_rate_hz / 2.0],
        "dc_shift": "largest mean of 0.1 s behind a thump, up or down; the card's capacitors take some of it",
        "uncertainty_covers": "noise and scale; not what is faster than the band",
    }


MEASUREMENT = Measurement(
    word=WORD,
    summary="Thumps when a unit is switched off and on, relay delay, noise on and off, from one capture of silence",
    example="switching --duration-s 40",
    options=(
        Option(
            name="duration_s",
            kind="number",
            help="How long is listened while the unit is switched off and on.",
            default=40.0,
            at_least=10.0,
            at_most=120.0,
        ),
        Option(
            name="order",
            kind="choice",
            choices=(OFF_ON, ON, OFF),
            help="What is switched in the capture: off and, in its second half, on; on alone; off alone.",
            default=OFF_ON,
            stage="analyse",
        ),
        Option(
            name="switched_on_s",
            kind="number",
            help="When the unit was switched on, from the beginning of the capture, where that is known.",
            stage="analyse",
            at_least=0.0,
        ),
    ),
    figures=(
        Figure(key="turn_on_peak_v", unit="V", words="highest thump when switched on"),
        Figure(key="turn_off_peak_v", unit="V", words="highest thump when switched off"),
        Figure(key="turn_on_dc_v", unit="V", words="shift of DC seen behind a thump when switched on"),
        Figure(key="turn_off_dc_v", unit="V", words="shift of DC seen behind a thump when switched off"),
        Figure(key="relay_delay_s", unit="s", words="time from switching on to the relay"),
        Figure(key="relay_to_signal_s", unit="s", words="time from the relay to what it lets through"),
        Figure(key="noise_on_v_rms", unit="V", words="noise and hum when on, unweighted"),
        Figure(key="noise_off_v_rms", unit="V", words="noise and hum when off, unweighted"),
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    check=_check,
    silent=True,
    to_do=(
        "set the attenuator to its highest range (a thump may be as high as the rails) and leave the unit on for the "
        "first sound; when 'switching' begins to count, wait for 3 s, switch the unit off; in the second half of the "
        "{duration_s:g} s switch it on again, and touch nothing more"
    ),
)
