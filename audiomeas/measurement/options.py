"""Check the options that a person gave and fill in the defaults: the same rules for commands, plans and Python."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from audiomeas.errors import RequestError
from audiomeas.measurement.base import Measurement, Option


def complete(measurement: Measurement, given: Mapping[str, Any], *, stage: str | None = None) -> dict[str, Any]:
    """Return all options of a measurement: what was given, checked, and defaults for the rest.

    stage : 'analyse' refuses options that only shape a stimulus.
    Raises RequestError: unknown option (with the nearest valid one), wrong type, impossible value.
    """
    known = {option.name: option for option in measurement.options}
    for name in given:
        if name not in known:
            from audiomeas.tomlfile import nearest

            raise RequestError(
                f"{measurement.word} has no option {name!r}{nearest(name, list(known))}; it has: {', '.join(known)}"
            )
        if stage == "analyse" and known[name].stage == "play" and given[name] is not None:
            raise RequestError(
                f"{_named(known[name])} shapes what is played: it means nothing for a capture made elsewhere"
            )
    return {
        name: checked(option, given[name]) if given.get(name) is not None else option.default
        for name, option in known.items()
    }


def refuse_chartless(measurement: Measurement, options: Mapping[str, Any]) -> None:
    """Raise RequestError when a request can give no chart. options : all of them, as `complete` gives them."""
    why = "" if measurement.no_chart is None else measurement.no_chart(options)
    if why:
        raise RequestError(f"{measurement.word} gives no chart here: {why}; ask for none")


def checked(option: Option, value: Any) -> Any:
    """Return a value in the option's type. Raises RequestError that names the option."""
    if option.kind == "truth":
        return _truth(option, value)
    if option.kind in ("number", "integer"):
        return _number(option, value)
    if option.kind == "numbers":
        if not isinstance(value, (list, tuple)) or not value:
            raise RequestError(f"{_named(option)} must be a list of numbers")
        return tuple(_number(option, item) for item in value)
    if not isinstance(value, str):
        raise RequestError(f"{_named(option)} must be a text, not {value!r}")
    if option.kind == "choice" and value not in option.choices:
        raise RequestError(f"{_named(option)}: {value!r} is not one of {', '.join(option.choices)}")
    if option.kind == "level":
        from audiomeas.units import parse_level

        return parse_level(value)
    return value


def _named(option: Option) -> str:
    """Return an option as errors name it (`errors.AudiomeasError`): each reader gets it as they write it."""
    return f"--{option.name.replace('_', '-')}"


def _truth(option: Option, value: Any) -> bool:
    if not isinstance(value, bool):
        raise RequestError(f"{_named(option)} must be true or false, not {value!r}")
    return value


def _number(option: Option, value: Any) -> float | int:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise RequestError(f"{_named(option)} must be a finite number, not {value!r}")
    if option.above is not None and not value > option.above:
        raise RequestError(f"{_named(option)} must be above {option.above:g}, not {value:g}")
    if option.at_least is not None and value < option.at_least:
        raise RequestError(f"{_named(option)} must be at least {option.at_least:g}, not {value:g}")
    if option.at_most is not None and value > option.at_most:
        raise RequestError(f"{_named(option)} must be at most {option.at_most:g}, not {value:g}")
    if option.kind == "integer":
        if not float(value).is_integer():
            raise RequestError(f"{_named(option)} must be a whole number, not {value:g}")
        return int(value)
    return float(value)
