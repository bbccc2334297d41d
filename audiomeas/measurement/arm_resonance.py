"""Measurement word 'arm-resonance': of a turntable's arm with its cartridge, lateral and vertical."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, of_limits
from audiomeas.errors import SignalError
from audiomeas.measurement.arm_resonance_views import KINDS, QUANTITIES, charts, tables
from audiomeas.measurement.base import Measurement, Option, figures_of
from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.budget import METHOD, NOISE_AND_FIT, Told
from audiomeas.measurement.listened import length_option, silence
from audiomeas.measurement.played_bands import found_bands, longest_pause, scales_of
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.steady import over_range_words

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from audiomeas.analysis.arm_resonance import Resonance, Sweep
    from audiomeas.recording import Recording

    FloatArray = NDArray[np.float64]

RIAA, VELOCITY, AMPLITUDE = "riaa", "constant velocity", "constant amplitude"
SWEEP, SURFACE = "a sweep", "what warps and surface excite"
#: A sweep that moves by a part of the resonance's width within a spectrum reads it off by so much, in parts of that
#: width and in dB; and up and down differ by the delay of the arm. By sweeps of 10 to 40 s of known resonances (wide
#: test).
_SMEAR_DB, _SMEAR_SQUARE_DB = 0.2, 0.7
#: Length of the spectra that follow the sweep.
_WINDOW_S = 1.0
_DB_PER_NEPER = 20.0 / math.log(10.0)


@dataclass(frozen=True, kw_only=True)
class _Found:
    """What was found of a direction. by_channel : a resonance each, or why there is none.   hz_per_s : of its sweep."""

    by: str
    by_channel: tuple[Resonance | str, ...]
    span_s: tuple[float, float]
    hz_per_s: Callable[[float], float]


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    from audiomeas.analysis.arm_resonance import DIRECTIONS, LowPart, sweeps_of

    kept = LowPart(recording.sample_rate_hz, len(recording.channels))
    bands, known = found_bands(recording, and_to=kept.add)
    low, rate_hz = _in_volts(recording, kept.result()), kept.rate_hz
    sweeps = sweeps_of(low, rate_hz)
    if sweeps:
        found = {name: _by_sweep(sweeps, name, options) for name in DIRECTIONS}
    else:
        span = longest_pause(bands, recording)
        span_s = (span[0] / recording.sample_rate_hz, span[1] / recording.sample_rate_hz)
        found = {name: _by_surface(low, rate_hz, name, span_s, options) for name in DIRECTIONS}
    lost = [
        words for column, channel in enumerate(known.channels) if (words := over_range_words(known, column, channel))
    ]
    return result_of(
        known,
        "arm-resonance",
        conditions=_conditions(known, found, options),
        channels=tuple(_channel(number, column, {} if lost else found) for column, number in enumerate(known.channels)),
        warnings=(*lost, *_said(found, sweeps, known.channels)),
    )


def _in_volts(recording: Recording, counts_fs: FloatArray) -> FloatArray:
    found: FloatArray = counts_fs * scales_of(recording)
    return found


def _by_sweep(sweeps: Sequence[Sweep], direction: str, options: Mapping[str, Any]) -> _Found | None:
    """Return the resonance of a direction by its longest sweep, None where none was played."""
    from audiomeas.analysis.arm_resonance import fitted_to_sweep

    own = max(
        (one for one in sweeps if one.direction == direction), key=lambda one: one.end_s - one.begin_s, default=None
    )
    if own is None:
        return None

    def fitted(column: int) -> Resonance | str:
        try:
            return fitted_to_sweep(own.frequency_hz, own.level_rms[:, column], _known(options))
        except SignalError as error:
            return str(error)

    return _Found(
        by=SWEEP,
        by_channel=(fitted(0), fitted(1)),
        span_s=(own.begin_s, own.end_s),
        hz_per_s=lambda hz: _speed_at(own, hz),
    )


def _speed_at(sweep: Sweep, frequency_hz: float) -> float:
    """Return how fast a sweep moves at a frequency, in Hz a second."""
    import numpy as np

    near = np.argsort(np.abs(sweep.frequency_hz - frequency_hz))[:7]
    step_s = (sweep.end_s - sweep.begin_s - _WINDOW_S) / max(len(sweep.frequency_hz) - 1, 1)
    return abs(float(np.polyfit(near * step_s, sweep.frequency_hz[near], 1)[0]))


def _by_surface(
    low: FloatArray, rate_hz: float, direction: str, span_s: tuple[float, float], options: Mapping[str, Any]
) -> _Found:
    from audiomeas.analysis.arm_resonance import LATERAL, fitted_to_noise

    silent = low[round(span_s[0] * rate_hz) : round(span_s[1] * rate_hz)]
    sign = 1.0 if direction == LATERAL else -1.0
    try:
        found: Resonance | str = fitted_to_noise(0.5 * (silent[:, 0] + sign * silent[:, 1]), rate_hz, _known(options))
    except SignalError as error:
        found = str(error)
    return _Found(by=SURFACE, by_channel=(found, found), span_s=span_s, hz_per_s=lambda _: 0.0)


def _known(options: Mapping[str, Any]) -> Callable[[FloatArray], FloatArray]:
    """Return the gain of all but the arm: the cut of the record through the stage, and coupling capacitors."""

    def gain(frequency_hz: FloatArray) -> FloatArray:
        import numpy as np

        from audiomeas.analysis.equalization_curves import equalization

        found = np.ones_like(frequency_hz)
        if options["cut"] != RIAA:
            found = found * np.abs(equalization("riaa").response(frequency_hz))
        if options["cut"] == AMPLITUDE:
            found = found * frequency_hz
        if options["low_cut_hz"] is not None:
            ratio = frequency_hz / options["low_cut_hz"]
            found = found * ratio / np.hypot(1.0, ratio)
        return np.asarray(found)

    return gain


# -- what is told ------------------------------------------------------------------------------------------------


def _channel(number: int, column: int, found: Mapping[str, _Found | None]) -> ChannelResult:
    told = Told({key: None for key, _, _ in QUANTITIES})
    told.values["curves"] = {}
    for direction, one in found.items():
        resonance = None if one is None else one.by_channel[column]
        if one is None or resonance is None or isinstance(resonance, str):
            continue
        if resonance.single:
            _tell(told, direction, resonance, one)
        told.values["curves"][direction] = {
            "frequency_hz": [float(f"{hz:.5g}") for hz in resonance.frequency_hz],
            "level_db": [round(float(level), 3) for level in resonance.level_db],
            "fitted_db": [round(float(level), 3) for level in resonance.fitted_db],
        }
    return told.result(number)


def _tell(told: Told, direction: str, found: Resonance, one: _Found) -> None:
    peak, height, quality = (f"{direction}_{kind}" for kind in KINDS)
    width_hz = (found.peak_hz or 0.0) / found.quality
    hz_per_s = one.hz_per_s(found.peak_hz or 0.0)
    smear = 0.0 if width_hz == 0.0 else hz_per_s * _WINDOW_S / width_hz
    smear_db = _SMEAR_DB * smear + _SMEAR_SQUARE_DB * smear**2
    told.values[quality] = found.quality
    told.add(
        quality,
        (Part(NOISE_AND_FIT, found.quality_half), of_limits(METHOD, found.quality * smear_db / _DB_PER_NEPER)),
    )
    if found.peak_hz is None or found.height_db is None:
        return
    told.values[peak], told.values[height] = found.peak_hz, found.height_db
    # The arm answers later by about Q/(πf), so that a sweep has gone on by then.
    late_hz = hz_per_s * found.quality / (2.0 * math.pi * found.peak_hz)
    told.add(peak, (Part(NOISE_AND_FIT, found.peak_half_hz), of_limits(METHOD, late_hz)))
    told.add(height, (Part(NOISE_AND_FIT, found.height_half_db), of_limits(METHOD, smear_db)))


# -- what is said ------------------------------------------------------------------------------------------------


def _said(found: Mapping[str, _Found | None], sweeps: Sequence[Sweep], channels: Sequence[int]) -> list[str]:
    said = []
    if not sweeps:
        said.append(
            "no slow sweep was found: the resonances are told by what warps and the surface excite, which is loose; "
            "play the low-frequency sweeps of a test record (25 Hz down to 5 Hz or so, 10 s or more)"
        )
    for direction, one in found.items():
        if one is None:
            said.append(f"no {direction} sweep was found: play that band too")
            continue
        if sum(sweep.direction == direction for sweep in sweeps) > 1:
            said.append(f"several {direction} sweeps are in the capture: the longest is told")
        said += _said_of(direction, one, channels)
    return said


def _said_of(direction: str, one: _Found, channels: Sequence[int]) -> list[str]:
    said = []
    # What the surface tells is of both channels together.
    told = [(f"channel {number}, {direction}", found) for number, found in zip(channels, one.by_channel, strict=True)]
    for where, resonance in told if one.by == SWEEP else [(direction, one.by_channel[0])]:
        if isinstance(resonance, str):
            said.append(f"{where}: {resonance}")
        elif not resonance.single:
            said.append(
                f"{where}: no single resonance fits ({resonance.left_db:.1f} dB are left over): look at the chart; "
                "a second hump, a damped arm, or a stylus that jumps"
            )
        elif resonance.peak_hz is None:
            said.append(f"{where}: nothing rises (Q {resonance.quality:.2f}): the arm is damped, no peak to be told")
    return said


def _conditions(recording: Recording, found: Mapping[str, _Found | None], options: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "stimulus": "none: the unit played a record",
        "told_by": {name: None if one is None else one.by for name, one in found.items()},
        "spans_s": {
            name: None if one is None else [round(second, 2) for second in one.span_s] for name, one in found.items()
        },
        "cut": options["cut"],
        "low_cut_hz": options["low_cut_hz"],
        "resonance": "highest place of a fitted second-order high-pass, its height over higher frequencies, and its Q",
        "uncertainty_covers": "scatter, fit, and the speed of the sweep; not a second resonance, nor the rumble of the "
        f"motor; {own_words(recording, response=False)}",
    }


MEASUREMENT = Measurement(
    word="arm-resonance",
    summary="Resonance of an arm with its cartridge, lateral and vertical: frequency, height, Q; by slow sweeps",
    example="arm-resonance --duration-s 90",
    options=(
        length_option(
            "the lateral and the vertical sweep, or a minute of silent groove",
            default_s=60.0,
            at_least_s=12.0,
            at_most_s=600.0,
        ),
        Option(
            name="cut",
            kind="choice",
            help="How the record's sweep is cut: by RIAA, so that it is level behind the stage, or otherwise.",
            default=RIAA,
            choices=(RIAA, VELOCITY, AMPLITUDE),
            stage="analyse",
        ),
        Option(
            name="low_cut_hz",
            kind="number",
            help="Corner (−3 dB) of the stage's subsonic filter or coupling, first order: its fall is divided out.",
            stage="analyse",
            at_least=0.1,
            at_most=50.0,
        ),
    ),
    figures=figures_of(QUANTITIES),
    stimulus=silence,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    to_do="play the slow sweeps of a test record, or a silent groove; it is listened to for {duration_s:g} s",
    silent=True,
    always_listens=True,
    in_blocks=True,
)
