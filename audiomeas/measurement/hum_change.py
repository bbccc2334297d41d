"""Measurement word 'hum-change': hum before and after a hand changed one thing (motor, arm's ground, a lead)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import combined
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.attached import Attached, refuse_other_form, refuse_other_scale
from audiomeas.measurement.base import Measurement, Option, figures_of
from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.budget import Told, own_parts
from audiomeas.measurement.hum_change_views import QUANTITIES, charts, tables
from audiomeas.measurement.listened import length_option, silence
from audiomeas.measurement.noise_hum import tell_hum
from audiomeas.measurement.noise_unit import SampleUnit
from audiomeas.measurement.offers import mains_option
from audiomeas.measurement.result import ChannelResult, Result, result_of
from audiomeas.measurement.scale_parts import scale_parts
from audiomeas.measurement.steady import over_range_words

if TYPE_CHECKING:
    from audiomeas.analysis.hum import Hum, HumLine
    from audiomeas.measurement.base import PlayContext
    from audiomeas.recording import Recording

#: Of one capture so much at the beginning and at the end is analysed: what lies between is the hand's.
_PART = 0.4
#: Both halves of a part differ by less in hum, where nothing was changed within it.
_STEADY_DB = 3.0
_PARTS = ("first", "second")


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for a capture from before that none of this bench can be compared with."""
    before: Attached | str | None = options["before"]
    if isinstance(before, Attached):  # of a plan that is only looked at nothing was read yet
        _refuse_short(before.recording, RequestError)
        if before.recording.sample_rate_hz != context.sample_rate_hz:
            raise RequestError(
                f"--before {before.name} was captured at {before.recording.sample_rate_hz:g} Hz, and the bench runs at "
                f"{context.sample_rate_hz:g} Hz: capture both at one sample rate"
            )


def _refuse_short(recording: Recording, kind: type[RequestError | SignalError]) -> None:
    if (length_s := recording.frames / recording.sample_rate_hz) < _least_s():
        raise kind(f"{length_s:.1f} s before or after the change are too short for hum: capture 20 s in all")


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    before: Attached | None = options["before"]
    if before is None:
        part = round(_PART * recording.frames)
        pair = (recording.window(0, part), recording.window(recording.frames - part, recording.frames))
    else:
        refuse_other_form(before, recording, "--before")
        refuse_other_scale(before, recording, "--before")
        pair = (before.recording, recording)
    for one in pair:
        _refuse_short(one, SignalError)
    channels, said = [], []
    for column, number in enumerate(recording.channels):
        over_range = [words for one in pair if (words := over_range_words(one, column, number))]
        if over_range:
            said.append(over_range[0])
            channels.append(_unknown(number))
            continue
        hums = _hums(pair, column, options["mains_hz"])
        channels.append(_channel(recording, column, hums))
        said += _said(number, pair, column, hums)
    return result_of(
        recording,
        "hum-change",
        conditions=_conditions(recording, pair, before, options),
        channels=tuple(channels),
        warnings=tuple(said),
    )


def _least_s() -> float:
    from audiomeas.analysis.hum import LEAST_S

    return 2.0 * LEAST_S


def _hums(pair: tuple[Recording, Recording], column: int, mains_hz: float | None) -> tuple[Hum, Hum]:
    """Return the hum of both parts, of one mains system: that of the part that shows one."""
    first, second = (_hum(one, column, mains_hz) for one in pair)
    nominal_hz = first.nominal_hz or second.nominal_hz
    # What hums of another system, or not at all, is told by the lines of the one that does.
    first, second = (
        found if nominal_hz in (None, found.nominal_hz) else _hum(one, column, nominal_hz)
        for one, found in zip(pair, (first, second), strict=True)
    )
    return first, second


def _hum(recording: Recording, column: int, mains_hz: float | None) -> Hum:
    from audiomeas.analysis.hum import hum

    return hum(recording.signal(column), recording.sample_rate_hz, near_hz=mains_hz)


# -- what is told ------------------------------------------------------------------------------------------------


def _channel(recording: Recording, column: int, hums: tuple[Hum, Hum]) -> ChannelResult:
    unit = SampleUnit(
        reference=recording.reference(column),
        in_volts=recording.scale_v(column) is not None,
        scale=scale_parts(recording, column),
    )
    told = Told({key: None for key, _, _ in QUANTITIES})
    sums = []
    for name, hum in zip(_PARTS, hums, strict=True):
        own = Told({})
        tell_hum(own, hum, unit)
        for key in ("hum_v_rms", "hum_dbfs"):
            told.copy(key.replace("hum_", f"hum_{name}_"), own, key)
        sums.append(own)
    told.values["mains_hz"] = hums[0].mains_hz or hums[1].mains_hz
    _tell_change(told, sums)
    told.values["lines"] = _lines(hums, unit)
    return told.result(recording.channels[column])


def _tell_change(told: Told, sums: list[Told]) -> None:
    """Tell the hum of the first part over that of the second, in dB; the scale cancels. Nothing where neither hums."""
    first, second = (one.values["hum_dbfs"] for one in sums)
    bounds = [bool(one.bound.get("hum_dbfs")) for one in sums]
    if first is None or second is None or all(bounds):
        return
    told.values["hum_change_db"] = first - second
    if any(bounds):
        told.at_most("hum_change_db", word="at most" if bounds[0] else "at least")
        return
    told.add("hum_change_db", tuple(part for one in sums for part in one.budget["hum_dbfs"]))


def _lines(hums: tuple[Hum, Hum], unit: SampleUnit) -> list[dict[str, Any]]:
    """Return each multiple that either part shows, in both, with its change."""
    by_multiple = [{line.multiple: line for line in hum.lines} for hum in hums]
    shown = sorted({line.multiple for hum in hums for line in hum.present})
    return [
        _row(by_multiple[0][multiple], by_multiple[1][multiple], unit)
        for multiple in shown
        if multiple in by_multiple[0] and multiple in by_multiple[1]
    ]


def _row(first: HumLine, second: HumLine, unit: SampleUnit) -> dict[str, Any]:
    row: dict[str, Any] = {
        "multiple": first.multiple,
        "frequency_hz": (second if first.at_most else first).frequency_hz,
        "uncertainty": {},
        "bound": {},
        "note": "",
        "change_db": None,
    }
    for name, line in zip(_PARTS, (first, second), strict=True):
        row[f"{name}_v_rms"], row[f"{name}_dbfs"] = unit.volts(line.level_v_rms), unit.dbfs(line.level_v_rms)
        if line.at_most:
            row["bound"] |= {f"{name}_v_rms": "at most", f"{name}_dbfs": "at most"}
    if min(first.level_v_rms, second.level_v_rms) > 0.0:
        row["change_db"] = 20.0 * math.log10(first.level_v_rms / second.level_v_rms)
        if first.at_most or second.at_most:
            row["bound"]["change_db"] = "at most" if first.at_most else "at least"
        else:
            scatter = math.hypot(*(line.uncertainty_v_rms / line.level_v_rms for line in (first, second)))
            row["uncertainty"]["change_db"] = DB_PER_NEPER * combined(own_parts(scatter))
    return row


def _unknown(number: int) -> ChannelResult:
    return ChannelResult(channel=number, values={**{key: None for key, _, _ in QUANTITIES}, "lines": []})


# -- what is said ------------------------------------------------------------------------------------------------


def _said(number: int, pair: tuple[Recording, Recording], column: int, hums: tuple[Hum, Hum]) -> list[str]:
    if not (hums[0].present or hums[1].present):
        return [f"channel {number}: no hum stands out of the noise, before or after: is a cable out?"]
    return [
        f"channel {number}: hum changes within the {name} part: change one thing alone, half-way through, or give the "
        "other capture as --before"
        for name, part, hum in zip(_PARTS, pair, hums, strict=True)
        if hum.present and abs(_change_within_db(part, column, hum)) > _STEADY_DB
    ]


def _change_within_db(part: Recording, column: int, hum: Hum) -> float:
    """Return by how much the lines of a part are stronger in its first half than in its second."""
    import numpy as np

    middle, levels = part.frames // 2, []
    for half in (part.window(0, middle), part.window(part.frames - middle, part.frames)):
        windowed = half.signal(column) * np.hanning(middle)
        turns = [
            np.exp(-2j * np.pi * line.frequency_hz / part.sample_rate_hz * np.arange(middle)) for line in hum.present
        ]
        levels.append(sum(abs(complex(np.dot(windowed, turn))) ** 2 for turn in turns))
    return 10.0 * math.log10(levels[0] / levels[1]) if min(levels) > 0.0 else 0.0


def _conditions(
    recording: Recording, pair: tuple[Recording, Recording], before: Attached | None, options: Mapping[str, Any]
) -> dict[str, Any]:
    rate_hz = recording.sample_rate_hz
    return {
        "stimulus": "none: something was changed by hand while it was listened to",
        "first": f"the first {100.0 * _PART:.0f} % of the capture" if before is None else f"the capture {before.name}",
        "second": f"the last {100.0 * _PART:.0f} % of the capture" if before is None else "the capture",
        "before": None if before is None else {"file": before.name, "sha256": before.sha256},
        "parts_s": [round(one.frames / rate_hz, 3) for one in pair],
        "mains_hz": options["mains_hz"],
        "change": "hum of the first part over that of the second",
        "uncertainty_covers": f"noise and scatter; {own_words(recording, response=False)}",
    }


MEASUREMENT = Measurement(
    word="hum-change",
    summary="Hum before and after you change one thing half-way (motor, ground of the arm, a lead): change by line",
    example="hum-change --duration-s 30",
    options=(
        length_option("the change is made half-way", default_s=30.0, at_least_s=10.0, at_most_s=600.0),
        Option(
            name="before",
            kind="recording",
            help="Capture from before the change, on the same ranges: then all of this capture is from after it.",
            stage="analyse",
        ),
        mains_option(),
    ),
    figures=figures_of(QUANTITIES),
    check=_check,
    stimulus=silence,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    to_do="change one thing alone (motor off, ground of the arm on …) half-way through {duration_s:g} s, and no other",
    silent=True,
    always_listens=True,
)
