"""The result of a measurement: frozen facts per channel, their conditions and uncertainty; and its JSON form.

The JSON form is the contract's: numbers are plain, what can't be known is null, NaN and infinities never appear.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

from audiomeas import __version__
from audiomeas.bench.parts import Part
from audiomeas.measurement.budget import budget_facts, budget_from

if TYPE_CHECKING:
    from audiomeas.recording import Recording

#: No quantity here comes near to it, and its square is still a number.
_LARGEST = 1e30
#: The channel of a value that belongs to none (what a person read of the whole unit); null in JSON.
WHOLE_UNIT = 0
SIMULATED_NOTE = "SIMULATED: made on the simulated bench, not on a real unit"


@dataclass(frozen=True, kw_only=True)
class ChannelResult:
    """What was found on one channel.

    channel : 1-based, or WHOLE_UNIT.
    values : the measurement's keys (see the contract); numbers, lists, or None.
    uncertainty : key → 95 % half-width, in the key's own unit.   bound : key → 'at most' or 'at least'.
    budget : key → parts of its uncertainty, in the key's own unit, where it has been made of them.
    """

    channel: int
    values: Mapping[str, Any]
    uncertainty: Mapping[str, float] = field(default_factory=dict)
    bound: Mapping[str, str] = field(default_factory=dict)
    budget: Mapping[str, Sequence[Part]] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """Return the channel's JSON object."""
        facts = {
            "channel": self.channel or None,
            **{key: clean(value) for key, value in self.values.items()},
            "uncertainty": clean(dict(self.uncertainty)),
            "bound": dict(self.bound),
        }
        return {**facts, "budget": clean(budget_facts(self.budget))} if self.budget else facts


@dataclass(frozen=True, kw_only=True)
class Result:
    """One measurement's outcome. conditions : everything that makes the numbers comparable."""

    measurement: str
    sample_rate_hz: float
    conditions: Mapping[str, Any]
    channels: tuple[ChannelResult, ...]
    warnings: tuple[str, ...] = ()
    simulated: bool = False
    provenance: Mapping[str, Any] = field(default_factory=dict)

    def channel(self, number: int) -> ChannelResult:
        """Return a channel by its 1-based number. Raises KeyError."""
        for found in self.channels:
            if found.channel == number:
                return found
        raise KeyError(number)

    def as_json(self) -> dict[str, Any]:
        """Return the contract's JSON object."""
        return {
            "audiomeas": __version__,
            "measurement": self.measurement,
            "simulated": self.simulated,
            "sample_rate_hz": self.sample_rate_hz,
            "conditions": clean(dict(self.conditions)),
            "warnings": list(self.warnings),
            "channels": [channel.as_json() for channel in self.channels],
            "provenance": clean(dict(self.provenance)),
        }


def figures_only(result: Result) -> Result:
    """Return a result without its curves, lists, budgets and provenance: what a table of many results needs."""
    return replace(
        result,
        channels=tuple(
            ChannelResult(
                channel=row.channel,
                values={key: value for key, value in row.values.items() if _single(value)},
                uncertainty={key: value for key, value in row.uncertainty.items() if _single(value)},
                bound={key: value for key, value in row.bound.items() if _single(value)},
            )
            for row in result.channels
        ),
        provenance={},
    )


def _single(value: Any) -> bool:
    return value is None or isinstance(value, (bool, int, float, str)) or getattr(value, "ndim", 1) == 0


def result_from_json(data: Mapping[str, Any]) -> Result:
    """Return the result that a JSON object holds. Raises KeyError, TypeError or ValueError on a wrong one."""
    kept = {"channel", "uncertainty", "bound", "budget"}
    return Result(
        measurement=str(data["measurement"]),
        sample_rate_hz=float(data["sample_rate_hz"]),
        conditions=dict(data["conditions"]),
        channels=tuple(
            ChannelResult(
                channel=WHOLE_UNIT if row["channel"] is None else int(row["channel"]),
                values={key: _believable(key, value) for key, value in row.items() if key not in kept},
                uncertainty=_half_widths(row.get("uncertainty", {})),
                bound={key: _text(f"bound of {key}", value) for key, value in row.get("bound", {}).items()},
                budget=budget_from(row.get("budget", {})),
            )
            for row in data["channels"]
        ),
        warnings=tuple(_text("a warning", line) for line in data["warnings"]),
        simulated=bool(data.get("simulated", False)),
        provenance=dict(data.get("provenance", {})),
    )


def _half_widths(data: Mapping[str, Any]) -> dict[str, Any]:
    """Return uncertainties: numbers that are not negative, or None, or lists of them. Raises TypeError, ValueError."""
    for key, found in data.items():
        for value in found if isinstance(found, list) else [found]:
            if value is not None and (isinstance(value, bool) or not isinstance(value, (int, float))):
                raise TypeError(f"the uncertainty of {key} is no number")
            if value is not None and not value >= 0.0:
                raise ValueError(f"the uncertainty of {key} is negative")
            _believable(f"the uncertainty of {key}", value)
    return dict(data)


def _believable(what: str, value: Any) -> Any:
    """Return a value. Raises ValueError: it is a single number so large that no instrument has ever told it."""
    if isinstance(value, (int, float)) and not abs(value) <= _LARGEST:
        raise ValueError(f"{what} is larger than anything that is measured")
    return value


def _text(what: str, value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{what} is no text")
    return value


def clean(value: Any) -> Any:
    """Return a value as plain JSON: numpy scalars and arrays become numbers and lists, non-finite becomes null."""
    if type(value) is float:  # nearly all that a result holds
        return value if math.isfinite(value) else None
    if isinstance(value, (bool, str)) or value is None:
        return value
    if hasattr(value, "tolist"):
        return clean(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): clean(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [clean(item) for item in value]
    if isinstance(value, int):
        return value
    number = float(value)
    return number if math.isfinite(number) else None


def result_of(
    recording: Recording,
    measurement: str,
    *,
    conditions: Mapping[str, Any],
    channels: tuple[ChannelResult, ...],
    warnings: tuple[str, ...] = (),
) -> Result:
    """Make a result that carries what its recording knows: conditions, warnings, provenance, SIMULATED."""
    return Result(
        measurement=measurement,
        sample_rate_hz=recording.sample_rate_hz,
        conditions={**recording.conditions, **conditions},
        channels=channels,
        warnings=(*recording.warnings, *warnings),
        simulated=recording.provenance.simulated,
        provenance=asdict(recording.provenance),
    )
