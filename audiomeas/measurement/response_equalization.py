"""What a response tells of an equalization: options, figures, and what is added to a response's result.

A unit that equalizes (disc, tape, FM, CD) is measured as any other; here its gain is held against the curve that it
ought to have. A sweep may be played with the inverse of that curve (pre-emphasis), as a disc or a transmitter would.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.equalization_curves import NAMES, RIVALS, TAPE_SIGNALS, Equalization, TapeSignal, equalization
from audiomeas.errors import RequestError
from audiomeas.measurement.base import Figure, Option
from audiomeas.measurement.curves import list_curve
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.result import ChannelResult, Result

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from audiomeas.analysis.equalization import Fit
    from audiomeas.stimulus import ShapedSweep, Sweep

    FloatArray = NDArray[np.float64]
    Points = tuple[FloatArray, FloatArray, FloatArray]

#: A time constant that is off by more than this is said, with the parts to look at (trade notes, 4 row 18).
_WORTH_SAYING = 0.05

PRE_EMPHASIS = Option(
    name="pre_emphasis",
    kind="choice",
    choices=NAMES,
    help="play the inverse of this curve, as a disc or a transmitter would; the level is that at reference_hz",
)
OPTIONS = (
    PRE_EMPHASIS,
    Option(
        name="equalization",
        kind="choice",
        choices=NAMES,
        help="curve that the unit ought to have; without it, that of the pre-emphasis played",
        stage="analyse",
    ),
    Option(
        name="equalization_placement",
        kind="choice",
        choices=("reference", "best-fit"),
        help="lay the curve through the gain at reference_hz, or as near as can be over low_hz to high_hz",
        default="reference",
        stage="analyse",
    ),
    Option(
        name="tape_signal",
        kind="choice",
        choices=TAPE_SIGNALS,
        help="of a tape curve: a voltage in series with the head, or flux through it",
        default="voltage",
        stage="analyse",
    ),
)

FIGURES = (
    Figure(
        key="equalization_largest_db", unit="dB", words="largest deviation from the equalization curve within the band"
    ),
    Figure(key="equalization_low_db", unit="dB", words="lowest deviation from the equalization curve within the band"),
    Figure(
        key="equalization_high_db", unit="dB", words="highest deviation from the equalization curve within the band"
    ),
    Figure(
        key="equalization_time_constant_error_percent",
        unit="%",
        words="error of that time constant of the equalization that is off most",
    ),
)

CURVE = list_curve(
    "equalization_deviation_db",
    unit="dB",
    words="deviation from the equalization curve",
    uncertainty_key="equalization_uncertainty_db",
)

_LISTS = ("equalization_deviation_db", "equalization_uncertainty_db", "equalization_time_constants")
_NUMBERS = (
    "equalization_largest_db",
    "equalization_largest_hz",
    "equalization_low_db",
    "equalization_high_db",
    "equalization_rms_db",
    "equalization_better",
    "equalization_better_by_db",
    "equalization_time_constant_error_percent",
)


def pre_emphasized(
    name: str, *, level_v_rms: float, reference_hz: float = 1000.0, tape_signal: Any = "voltage", **sweep: Any
) -> ShapedSweep:
    """Return a sweep that is played with the inverse of an equalization.

    level_v_rms : at reference_hz.  sweep : as for `Sweep.covering`.
    Raises ValueError: unknown name, or a sweep that can't be played.
    """
    from audiomeas.stimulus import ShapedSweep

    curve = equalization(name, tape_signal=tape_signal)
    return ShapedSweep.at_reference(
        shape=name,
        rises_s=tuple(one.tau_s for one in curve.constants if one.kind != "rise"),
        falls_s=tuple(one.tau_s for one in curve.constants if one.kind == "rise"),
        slope=int(curve.integrates) - sum(one.kind == "cut" for one in curve.constants),
        reference_hz=reference_hz,
        level_v_rms=level_v_rms,
        **sweep,
    )


def check_equalization(options: Mapping[str, Any]) -> None:
    """Raise RequestError for an equalization that can't be told: flux for what is no tape."""
    for name in (options.get("equalization"), options.get("pre_emphasis")):
        if name is not None:
            _target(name, options)


def equalized(result: Result, options: Mapping[str, Any], sweep: Sweep, window_s: Mapping[int, FloatArray]) -> Result:
    """Return a response's result with what it tells of its equalization (nulls where none is asked for).

    window_s : channel → what was kept of the impulse response, (points,), for the channels that were analysed.
    """
    shaped = _shape_conditions(sweep, result)
    name = options.get("equalization") or _played(sweep)
    if name is None:
        nothing = tuple(_with(channel, _nothing(), {}) for channel in result.channels)
        return dataclasses.replace(result, channels=nothing, conditions={**result.conditions, **shaped})
    target = _target(name, options)
    told, warnings = [], []
    for channel in result.channels:
        if not channel.values["frequency_hz"]:
            told.append(_with(channel, _nothing(), {}))
            continue
        one = _ChannelEqualization(channel, target, options, result.conditions, window_s.get(channel.channel))
        told.append(one.channel_result())
        warnings += one.warnings()
    return dataclasses.replace(
        result,
        channels=tuple(told),
        conditions={**result.conditions, **shaped, **_conditions(target, options, result.conditions)},
        warnings=(*result.warnings, *warnings),
    )


def _played(sweep: Sweep) -> str | None:
    from audiomeas.stimulus import ShapedSweep

    return sweep.shape if isinstance(sweep, ShapedSweep) and sweep.shape in NAMES else None


def _shape_conditions(sweep: Sweep, result: Result) -> dict[str, Any]:
    """Return what is said of a sweep whose level varies: its level at the reference, and the largest one."""
    from audiomeas.stimulus import ShapedSweep

    if not isinstance(sweep, ShapedSweep):
        return {}
    in_volts = result.conditions.get("input_level_v_rms") is not None
    return {
        "pre_emphasis": f"inverse of {sweep.shape}: taken out again, the gain is the unit's own",
        "input_level_v_rms": sweep.reference_level_v_rms if in_volts else None,
        "input_level_at_hz": sweep.reference_hz,
        "input_level_largest_v_rms": sweep.level_v_rms if in_volts else None,
        "harmonics": (
            "relative to the fundamental, against the fundamental's frequency, at the level played at that frequency"
        ),
    }


def _target(name: str, options: Mapping[str, Any]) -> Equalization:
    signal: TapeSignal = options.get("tape_signal") or "voltage"
    # The same option serves curve and pre-emphasis; a curve that is none of tape stands as it is beside a tape's.
    names = {options.get("equalization"), options.get("pre_emphasis")} - {None}
    if not name.startswith("tape-") and any(str(other).startswith("tape-") for other in names):
        signal = "voltage"
    try:
        return equalization(name, tape_signal=signal)
    except ValueError as error:
        raise RequestError(str(error)) from None


def _conditions(target: Equalization, options: Mapping[str, Any], known: Mapping[str, Any]) -> dict[str, Any]:
    low_hz, high_hz = known["deviation_band_hz"]
    placed = f"0 dB at {hertz(known['reference_hz'])}"
    if options.get("equalization_placement") == "best-fit":
        placed = f"best fit over {hertz(low_hz)} to {hertz(high_hz)}"
    return {
        "equalization": target.name,
        "equalization_words": target.words,
        "equalization_source": target.source,
        "equalization_placed": placed,
        "equalization_band_hz": [low_hz, high_hz],
        "equalization_time_constants": "of the curve that fits better, fitted together with the gain over this band",
    }


def _nothing() -> dict[str, Any]:
    return {**{key: [] for key in _LISTS}, **dict.fromkeys(_NUMBERS)}


def _with(channel: ChannelResult, values: Mapping[str, Any], uncertainty: Mapping[str, float]) -> ChannelResult:
    return dataclasses.replace(
        channel, values={**channel.values, **values}, uncertainty={**channel.uncertainty, **uncertainty}
    )


class _ChannelEqualization:
    """Holds one channel's gain against a target and its rival."""

    def __init__(
        self,
        channel: ChannelResult,
        target: Equalization,
        options: Mapping[str, Any],
        conditions: Mapping[str, Any],
        window_s: FloatArray | None,
    ) -> None:
        import numpy as np

        self._channel = channel
        self._target = target
        self._band_hz = (float(conditions["deviation_band_hz"][0]), float(conditions["deviation_band_hz"][1]))
        self._points: Points = (
            np.array(channel.values["frequency_hz"], dtype=np.float64),
            np.array(channel.values["gain_db"], dtype=np.float64),
            np.array(channel.values["gain_shape_uncertainty_db"], dtype=np.float64),
        )
        self._resolution_hz = None if window_s is None else 1.0 / window_s
        self._reference_hz = float(conditions["reference_hz"])
        self._best_fit = options.get("equalization_placement") == "best-fit"
        self._rival, self._better, self._comparison = self._compared()
        self._fit = self._fitted()

    def _compared(self) -> Any:
        """Return the rival (None: there is none), the target that fits better (None: can't be told), and how well."""
        from audiomeas.analysis.equalization import compare

        if self._target.name not in RIVALS:
            return None, None, None
        rival = equalization(RIVALS[self._target.name])
        comparison = compare(*self._points, (self._target, rival), band_hz=self._band_hz)
        better = None if comparison.better is None else (self._target, rival)[comparison.better]
        return rival, better, comparison

    def _fitted(self) -> Fit | None:
        from audiomeas.analysis.equalization import fit_time_constants

        target = self._better or self._target
        try:
            return fit_time_constants(*self._points, target, band_hz=self._band_hz, resolution_hz=self._resolution_hz)
        except ValueError:  # a band of a few points has a deviation, but no time constants
            return None

    def channel_result(self) -> ChannelResult:
        """Return the channel with its equalization's values."""
        from audiomeas.analysis.equalization import deviation
        from audiomeas.analysis.response_figures import deviation_within

        frequency_hz = self._points[0]
        found = deviation(
            *self._points,
            self._target,
            reference_hz=self._reference_hz,
            best_fit=self._best_fit,
            band_hz=self._band_hz,
        )
        ends = deviation_within(frequency_hz, found.deviation_db, *self._band_hz)
        values = {
            "equalization_deviation_db": [round(float(value), 6) for value in found.deviation_db],
            "equalization_uncertainty_db": [round(float(value), 6) for value in found.uncertainty_db],
            "equalization_largest_db": ends.largest_db,
            "equalization_largest_hz": float(frequency_hz[ends.largest_index]),
            "equalization_low_db": ends.low_db,
            "equalization_high_db": ends.high_db,
            "equalization_rms_db": found.rms_db,
            "equalization_better": None if self._better is None else self._better.name,
            "equalization_better_by_db": None if self._better is None else self._comparison.by_db,
        }
        uncertainty = {
            key: float(found.uncertainty_db[index])
            for key, index in (
                ("equalization_largest_db", ends.largest_index),
                ("equalization_low_db", ends.low_index),
                ("equalization_high_db", ends.high_index),
            )
        }
        constants, of_constants = self._time_constants()
        return _with(self._channel, {**values, **constants}, {**uncertainty, **of_constants})

    def _time_constants(self) -> tuple[dict[str, Any], dict[str, float]]:
        if self._fit is None:
            return {"equalization_time_constants": [], "equalization_time_constant_error_percent": None}, {}
        rows = []
        for one in self._fit.constants:
            error = one.error
            rows.append(
                {
                    "nominal_us": round(1e6 * one.nominal.tau_s, 6),
                    "measured_us": None if one.tau_s is None else 1e6 * one.tau_s,
                    "error_percent": None if error is None else 100.0 * error,
                    "uncertainty_percent": None if one.tau_s is None else 100.0 * one.uncertainty,
                }
            )
        # A constant that can't be told might be the one that is off most.
        if any(row["error_percent"] is None for row in rows):
            return {"equalization_time_constants": rows, "equalization_time_constant_error_percent": None}, {}
        worst = max(rows, key=lambda row: abs(row["error_percent"] or 0.0))
        return (
            {
                "equalization_time_constants": rows,
                "equalization_time_constant_error_percent": abs(worst["error_percent"] or 0.0),
            },
            {"equalization_time_constant_error_percent": float(worst["uncertainty_percent"] or 0.0)},
        )

    def warnings(self) -> list[str]:
        """Return what a person should look at: the other curve fits better; a part is off."""
        who = f"channel {self._channel.channel}"
        said = []
        if self._rival is not None and self._better is self._rival:
            own_db, rival_db = self._comparison.rms_db
            said.append(
                f"{who} follows {self._rival.words} more closely than {self._target.words}: {rival_db:.2g} dB r.m.s. "
                f"against {own_db:.2g} dB; compare it with equalization {self._rival.name}"
            )
        for one in () if self._fit is None else self._fit.constants:
            error = one.error
            if error is None or one.tau_s is None or abs(error) <= max(_WORTH_SAYING, one.uncertainty):
                continue
            said.append(
                f"{who}: the {one.nominal.name} pair is {100.0 * abs(error):.2g} % {'high' if error > 0 else 'low'} "
                f"({1e6 * one.tau_s:.4g} µs): check the resistor and the capacitor that set it"
            )
        return said
