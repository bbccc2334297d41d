"""A maker's specification as fields, made into the steps that prove it; what its words leave out is named.

[[specification]]
words = "60 W per channel, both driven, 8 Ω, 20 Hz–20 kHz, no more than 0.3 % THD"    # as the maker says it
of = "power"                  # or response, distortion, signal-to-noise, sensitivity, separation, damping
power = "60 W"
load_ohm = 8
driven = "both"               # or "each": one channel after the other
low_hz = 20
high_hz = 20000
percent = 0.3
distortion = "thd"            # or "thd-n", as a meter with a notch reads it

What is not given is not stated by the maker: the step says what was taken for it, and so does each of its rows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from audiomeas.plan.keys import step_name
from audiomeas.tomlfile import Table

#: Where power and distortion are looked at between the ends of a band (common practice: the ends, 1 kHz and between).
_BETWEEN_HZ = (20.0, 50.0, 1000.0, 5000.0, 10_000.0, 20_000.0)
_USUAL_HZ = 1000.0
#: Taken where nothing is stated (common practice of the time; a claim without them is none).
_USUAL_PERCENT = 1.0
_USUAL_BAND_DB = 3.0
_USUAL_SENSITIVITY_DB = 1.0
_DISTORTIONS = ["thd", "thd-n"]
_DRIVEN = ["both", "each"]
_WEIGHTINGS = ["a", "none"]
_MAKER = "maker"


@dataclass(frozen=True, kw_only=True)
class Proof:
    """A specification as steps. words : the maker's.   steps : as the tables of a plan's [[step]].

    load_ohm : that it is stated for, where one is.
    not_stated : what the maker's words leave out, and what was taken for it.
    """

    words: str
    steps: tuple[dict[str, Any], ...]
    load_ohm: float | None
    not_stated: tuple[str, ...]


@dataclass(frozen=True)
class _Fields:
    """The fields of one specification; remembers which of them are not stated."""

    table: Table
    missing: list[str] = field(default_factory=list)

    def or_taken(self, value: Any, taken: Any, words: str, taken_words: str) -> Any:
        """Return a value; where it is not stated what is taken for it, which is remembered."""
        if value is not None:
            return value
        self.missing.append(f"{words} (taken: {taken_words})")
        return taken

    def number(self, key: str, words: str, taken: float, unit: str) -> float:
        value = self.table.number(key, None, above=0.0)
        return float(self.or_taken(value, taken, words, f"{taken:g} {unit}"))

    def word(self, key: str, valid: list[str], taken: str, words: str, taken_words: str) -> str:
        return str(self.or_taken(self.table.choice(key, valid, None), taken, words, taken_words))

    def level(self, key: str, words: str) -> dict[str, str]:
        """Return the level of a step as its key; none where the bench's usual level is taken."""
        level = self.or_taken(self.table.text(key, None), None, words, "the usual level of the bench")
        if level is None:
            return {}
        return {"output_level": level}

    def load_ohm(self) -> float | None:
        value = self.table.number("load_ohm", None, above=0.0)
        found = self.or_taken(value, None, "the load", "the one of the bench")
        return None if found is None else float(found)

    def band(self) -> tuple[float, float] | None:
        """Return the ends of the band; None where they are not stated."""
        low, high = (self.table.number(key, None, above=0.0) for key in ("low_hz", "high_hz"))
        if (low is None) != (high is None):
            raise self.table.problem("low_hz" if low is not None else "high_hz", "give low_hz and high_hz, or neither")
        if low is None or high is None:
            self.missing.append(f"the band of frequencies (taken: {_USUAL_HZ:g} Hz alone)")
            return None
        if not low < high:
            raise self.table.problem("low_hz", f"{low:g} Hz must lie below high_hz of {high:g} Hz")
        return float(low), float(high)


def read_specification(table: Table) -> Proof:
    """Read a [[specification]]. Raises TomlProblem (file, line, key)."""
    words = step_name(table, "words")
    make = _KINDS[table.choice("of", list(_KINDS))]
    fields = _Fields(table)
    load_ohm = fields.load_ohm() if make in _OF_LOADS else None
    steps = make(fields)
    table.finish()
    several = len(steps) > 1
    return Proof(
        words=words,
        steps=tuple({**step, "name": words + (f" ({step['name']})" if several else "")} for step in steps),
        load_ohm=load_ohm,
        not_stated=tuple(fields.missing),
    )


def _within(band: tuple[float, float] | None) -> list[float]:
    """Return the frequencies at which a band is looked at."""
    if band is None:
        return [_USUAL_HZ]
    low, high = band
    return sorted({low, high, *(hz for hz in _BETWEEN_HZ if low < hz < high)})


def _limit(quantity: str, source: str, **edges: float) -> dict[str, Any]:
    return {"quantity": quantity, "source": source, **edges}


def _percent(fields: _Fields) -> tuple[float, str, str]:
    """Return the distortion, by which figure it is told, and whose limit it is: what is taken is no maker's."""
    source = _whose(fields, "percent")
    percent = fields.number("percent", "the distortion", _USUAL_PERCENT, "%")
    words = "whether noise counts in the distortion"
    return percent, fields.word("distortion", _DISTORTIONS, "thd-n", words, "it does"), source


def _whose(fields: _Fields, key: str) -> str:
    return "maker" if key in fields.table else "house"


def _power(fields: _Fields) -> list[dict[str, Any]]:
    power = fields.table.text("power")
    watts = _watts(fields.table, power)
    driven = fields.word("driven", _DRIVEN, "both", "which channels are driven", "both")
    frequencies_hz = _within(fields.band())
    percent, criterion, source = _percent(fields)
    step = {
        "measure": "power",
        "rated_level": power,
        "rated_percent": percent,
        "criterion": criterion,
        "frequencies_hz": frequencies_hz,
        "limit": [
            _limit("least_power_w", _MAKER, at_least=watts),
            _limit("largest_distortion_percent", source, at_most=percent),
        ],
    }
    if driven == "both":
        return [{**step, "channels": "both"}]
    return [{**step, "name": f"channel {channel}", "channels": channel} for channel in (1, 2)]


def _watts(table: Table, power: str) -> float:
    from audiomeas.errors import RequestError
    from audiomeas.units import parse_level

    try:
        level = parse_level(power)
    except RequestError as error:
        raise table.problem("power", str(error)) from None
    if level.unit != "W":
        raise table.problem("power", f"{power!r} is no power: give it in W, such as '60 W'")
    return level.value


def _response(fields: _Fields) -> list[dict[str, Any]]:
    low_hz, high_hz = fields.table.number("low_hz", above=0.0), fields.table.number("high_hz", above=0.0)
    upper = fields.table.number("upper_db", None)
    lower = fields.table.number("lower_db", None)
    source = "maker" if upper is not None or lower is not None else "house"
    if upper is None and lower is None:
        upper = fields.or_taken(None, _USUAL_BAND_DB, "a tolerance", f"±{_USUAL_BAND_DB:g} dB")
        lower = -_USUAL_BAND_DB
    edges = {f"{side}_db": [value, value] for side, value in (("upper", upper), ("lower", lower)) if value is not None}
    mask = {
        "name": "maker's specification",
        "quantity": "gain_db",
        "frequency_hz": [low_hz, high_hz],
        **edges,
        "placement": "reference",
        "source": source,
    }
    reach = {"from_hz": min(20.0, float(low_hz)), "to_hz": max(20_000.0, float(high_hz))}
    return [{"measure": "response", **reach, **fields.level("level", "the level"), "mask": [mask]}]


def _distortion(fields: _Fields) -> list[dict[str, Any]]:
    level = fields.level("level", "the level")
    frequencies_hz = _within(fields.band())
    percent, criterion, source = _percent(fields)
    quantity = {"thd": "thd_percent", "thd-n": "thd_n_percent"}[criterion]
    return [
        {
            "name": f"{hz:g} Hz",
            "measure": "distortion",
            "frequency_hz": hz,
            **level,
            "limit": [_limit(quantity, source, at_most=percent)],
        }
        for hz in frequencies_hz
    ]


def _signal_to_noise(fields: _Fields) -> list[dict[str, Any]]:
    ratio_db = float(fields.table.number("ratio_db", above=0.0))
    weighting = fields.word("weighting", _WEIGHTINGS, "a", "the weighting", "A")
    reference = fields.or_taken(
        fields.table.text("reference", None), None, "the signal that it refers to", "none, so no ratio can be told"
    )
    told = {"reference": reference} if reference is not None else {}
    rated = fields.table.text("rated_power", None)
    told |= {"rated_power": rated} if rated is not None else {}
    quantity = "snr_a_db" if weighting == "a" else "snr_db"
    return [{"measure": "noise", **told, "limit": [_limit(quantity, _MAKER, at_least=ratio_db)]}]


def _sensitivity(fields: _Fields) -> list[dict[str, Any]]:
    from audiomeas.units import db_to_amplitude_ratio

    input_v_rms = float(fields.table.number("input_v_rms", above=0.0))
    source = _whose(fields, "within_db")
    within_db = fields.number("within_db", "a tolerance", _USUAL_SENSITIVITY_DB, "dB")
    limit = _limit(
        "sensitivity_v_rms",
        source,
        at_least=input_v_rms / db_to_amplitude_ratio(within_db),
        at_most=input_v_rms * db_to_amplitude_ratio(within_db),
    )
    return [{"measure": "gain", "rated_level": fields.table.text("rated_level"), "limit": [limit]}]


def _separation(fields: _Fields) -> list[dict[str, Any]]:
    ratio_db = float(fields.table.number("ratio_db", above=0.0))
    at_hz = fields.number("frequency_hz", "the frequency", _USUAL_HZ, "Hz")
    quantity = {1000.0: "crosstalk_at_1khz_db", 10_000.0: "crosstalk_at_10khz_db"}.get(at_hz)
    if quantity is None:
        raise fields.table.problem("frequency_hz", "is told at 1000 or 10000 Hz: for another one write a [[step.mask]]")
    limit = _limit(quantity, _MAKER, at_most=-ratio_db)
    return [{"measure": "crosstalk", **fields.level("level", "the level"), "limit": [limit]}]


def _damping(fields: _Fields) -> list[dict[str, Any]]:
    factor = float(fields.table.number("factor", above=0.0))
    at_hz = fields.number("frequency_hz", "the frequency", _USUAL_HZ, "Hz")
    limit = _limit("damping_factor", _MAKER, at_least=factor)
    return [
        {"measure": "output-impedance", "reference_hz": at_hz, **fields.level("level", "the level"), "limit": [limit]}
    ]


_KINDS: Mapping[str, Callable[[_Fields], list[dict[str, Any]]]] = {
    "power": _power,
    "response": _response,
    "distortion": _distortion,
    "signal-to-noise": _signal_to_noise,
    "sensitivity": _sensitivity,
    "separation": _separation,
    "damping": _damping,
}
#: What a load is part of.
_OF_LOADS = (_power, _damping)
