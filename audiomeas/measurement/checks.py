"""What a measurement can see of a request before any sound: a stimulus that can't be made, a band that is none."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar

from audiomeas.errors import RequestError
from audiomeas.measurement.base import PlayContext

if TYPE_CHECKING:
    from audiomeas.units import Level

#: Stands for the level where none is set yet: whether something can be played at all does not depend on it.
ANY_LEVEL_V_RMS = 1.0
Made = TypeVar("Made")


def made(stimulus: Callable[[PlayContext, Mapping[str, Any]], Made], context: PlayContext, options: Any) -> Made:
    """Return the stimulus of a request. Raises RequestError when it can't be made."""
    try:
        return stimulus(context, options)
    except ValueError as error:
        raise RequestError(str(error)) from None


def bench_level(level: Level, name: str) -> Level:
    """Return a level that a bench knows. name : of its option.  Raises RequestError for one of full scale."""
    if level.unit == "FS":
        raise RequestError(f"{name} of {level}: full scale has no volts on a bench, so give it in V, mV, dBV, dBu or W")
    return level


def rated_level(options: Mapping[str, Any], meaning: str = "what the maker states for each channel") -> Level:
    """Return the level that is rated. meaning : which one that is.  Raises RequestError: none, or of full scale."""
    rated: Level | None = options["rated_level"]
    if rated is None:
        raise RequestError(f"give rated_level, {meaning}, such as '60 W'")
    return bench_level(rated, "rated_level")


def refuse_empty_band(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError when nothing lies between the options low_hz and high_hz (None: half the sample rate)."""
    refuse_band_at(options, context.sample_rate_hz)


def refuse_band_at(options: Mapping[str, Any], sample_rate_hz: float) -> None:
    """As `refuse_empty_band`, of a capture."""
    low_hz, high_hz, highest_hz = options["low_hz"], options["high_hz"], sample_rate_hz / 2.0
    _refuse_from(highest_hz, low_hz, "low_hz")
    if high_hz is not None and not low_hz < high_hz:
        raise RequestError(f"low_hz of {low_hz:g} Hz must lie below high_hz of {high_hz:g} Hz")


def refuse_beyond_half(context: PlayContext, frequency_hz: float, name: str) -> None:
    """Raise RequestError for a frequency that no capture of this rate holds. name : of its option."""
    _refuse_from(context.sample_rate_hz / 2.0, frequency_hz, name)


def _refuse_from(highest_hz: float, frequency_hz: float, name: str) -> None:
    if not frequency_hz < highest_hz:
        raise RequestError(
            f"{name} of {frequency_hz:g} Hz lies beyond {highest_hz:g} Hz, half the sample rate: set it lower, or use "
            "a higher sample rate"
        )
