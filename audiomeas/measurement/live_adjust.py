"""The quantity that a trimmer is turned by: its value now, its extremes, and where it stands to a target."""

from __future__ import annotations

import math
from dataclasses import dataclass

from audiomeas.errors import RequestError
from audiomeas.measurement.live_reading import LiveReading
from audiomeas.tomlfile import nearest

#: Digits of a value that has no natural step, and of one that noise moves.
_DIGITS, _FEW_DIGITS = 4, 3


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """What can be adjusted. word : of the command.  key : in a reading.  of_pair : it stands between the channels.

    compares : it says nothing where both channels are one.
    decimals : fixed where dB or degrees are told; None: so many significant digits.
    played, heard : known of a tone that is played, and of one that the unit plays by itself.
    """

    word: str
    key: str
    title: str
    unit: str
    of_pair: bool = False
    compares: bool = False
    decimals: int | None = None
    digits: int = _DIGITS
    played: bool = True
    heard: bool = False


def _heard(word: str, key: str, title: str, unit: str, decimals: int, *, compares: bool = False) -> Quantity:
    """Return what stands between the channels, or is of both, while the unit plays by itself."""
    return Quantity(
        word=word,
        key=key,
        title=title,
        unit=unit,
        of_pair=True,
        compares=compares,
        decimals=decimals,
        played=False,
        heard=True,
    )


QUANTITIES = (
    Quantity(word="volts", key="level_v_rms", title="level", unit="V", heard=True),
    Quantity(word="playback-level", key="level_dbv", title="level", unit="dBV", decimals=2, heard=True),
    Quantity(word="watts", key="level_w", title="power into the load", unit="W"),
    Quantity(word="gain", key="gain_db", title="gain", unit="dB", decimals=2),
    Quantity(word="thd", key="thd_percent", title="harmonic distortion", unit="%", digits=_FEW_DIGITS),
    Quantity(word="thd-n", key="thd_n_percent", title="distortion and noise", unit="%", digits=_FEW_DIGITS),
    Quantity(word="symmetry", key="symmetry_db", title="upper crest flatter than lower", unit="dB", decimals=2),
    Quantity(
        word="balance",
        key="balance_db",
        title="left over right",
        unit="dB",
        of_pair=True,
        compares=True,
        decimals=2,
        heard=True,
    ),
    Quantity(
        word="phase",
        key="phase_difference_deg",
        title="left less right",
        unit="°",
        of_pair=True,
        compares=True,
        decimals=1,
        heard=True,
    ),
    Quantity(word="crosstalk", key="crosstalk_db", title="quiet over driven", unit="dB", of_pair=True, decimals=1),
    _heard("azimuth", "azimuth_deg", "left less right, mean of some seconds", "°", 1, compares=True),
    _heard("azimuth-level", "azimuth_level_db", "sum of both channels re in phase", "dB", 2, compares=True),
    _heard("separation", "separation_db", "louder channel over the other", "dB", 1),
    _heard("speed", "speed_error_percent", "error of the speed, now", "%", 3),
    _heard("mean-speed", "mean_speed_error_percent", "error of the speed, mean of some seconds", "%", 3),
)


def quantities(*, listens: bool) -> tuple[Quantity, ...]:
    """Return what can be adjusted while a tone is played, or (listens) while the unit plays by itself."""
    return tuple(one for one in QUANTITIES if (one.heard if listens else one.played))


def find_quantity(word: str, *, listens: bool = False) -> Quantity:
    """Return a quantity by its word. listens : as in `quantities`. Raises RequestError with the nearest."""
    there = quantities(listens=listens)
    for quantity in there:
        if quantity.word == word:
            return quantity
    words = [quantity.word for quantity in there]
    if word in (quantity.word for quantity in QUANTITIES):
        why = (
            "is known of a tone that this bench plays: leave out --listen-only"
            if listens
            else "is known of a tone that the unit plays by itself: give --listen-only"
        )
        raise RequestError(f"{word!r} {why}, or use {', '.join(words)}")
    raise RequestError(f"there is no {word!r} to adjust{nearest(word, words)}; use {', '.join(words)}")


@dataclass(frozen=True, kw_only=True)
class Target:
    """Where a quantity shall be, in its unit: value ± tolerance."""

    value: float
    tolerance: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise RequestError("a target must be a number")
        if not (math.isfinite(self.tolerance) and self.tolerance > 0.0):
            raise RequestError("a tolerance must be above zero, in the unit of the target")


class Adjusting:
    """Follows one quantity through the readings. channel : whose, where the quantity is one of a channel.

    bound : 'at most' or 'at least', where the value is one.   listens : as in `quantities`.
    """

    def __init__(
        self, quantity: Quantity, *, channel: int, target: Target | None = None, listens: bool = False
    ) -> None:
        self.quantity, self.channel, self.target = quantity, channel, target
        self._there = quantities(listens=listens)
        self._target, self._of_target = target, quantity
        self.value: float | None = None
        self.bound = ""
        self.doubted = False
        self.least: float | None = None
        self.most: float | None = None

    def forget(self) -> None:
        """Forget the extremes."""
        self.least = self.most = None

    def next(self) -> None:
        """Go on to the next quantity; a target belongs to the one that it was given for, and comes back with it."""
        self.quantity = self._there[(self._there.index(self.quantity) + 1) % len(self._there)]
        self.target = self._target if self.quantity is self._of_target else None
        self.value = None
        self.forget()

    def see(self, reading: LiveReading) -> None:
        """Take a new reading. Only a settled one counts as an extreme."""
        self.value, self.bound = self._found(reading)
        self.doubted = reading.other_tone or (reading.one_channel and self.quantity.compares)
        if self.value is None or not reading.settled:
            return
        self.least = self.value if self.least is None else min(self.least, self.value)
        self.most = self.value if self.most is None else max(self.most, self.value)

    def _found(self, reading: LiveReading) -> tuple[float | None, str]:
        key = self.quantity.key
        if self.quantity.of_pair:
            return reading.pair.get(key), reading.pair_bound.get(key, "")
        channel = reading.channel(self.channel)
        return channel.values.get(key), channel.bound.get(key, "")

    @property
    def title(self) -> str:
        """What is adjusted, with its channel and unit."""
        of = "" if self.quantity.of_pair else f", channel {self.channel}"
        return f"{self.quantity.title}{of}, in {self.quantity.unit}"

    def digits(self, value: float) -> str:
        """Return a value with as many digits as the eye can follow, a true minus sign before it."""
        decimals = self.quantity.decimals
        if decimals is None:
            leading = math.floor(math.log10(abs(value))) if value else 0
            decimals = max(0, min(self.quantity.digits - 1 - leading, 2 * _DIGITS))
        return f"{value:z.{decimals}f}".replace("-", "−")  # z: no zero has a sign

    def where(self) -> str:
        """Say where the value stands to the target; '' without one."""
        if self.target is None:
            return ""
        wanted = f"target {self.target.value:g} ± {self.target.tolerance:g} {self.quantity.unit}"
        if self.value is None:
            return f"{wanted}: not known"
        off = self.value - self.target.value
        side = "above" if off > 0.0 else "below"
        size = f"{self.digits(abs(off))} {self.quantity.unit} {side} it"
        if abs(off) <= self.target.tolerance:
            return f"{wanted}: {'not known, by the warning' if self.doubted else 'WITHIN'}, {size}"
        return f"{wanted}: {'TOO HIGH' if off > 0.0 else 'TOO LOW'}, {size}"

    def extremes(self) -> str:
        """Say the least and the most since they were forgotten; '' where there are none."""
        if self.least is None or self.most is None:
            return ""
        return f"least {self.digits(self.least)}, most {self.digits(self.most)}"

    def as_json(self) -> dict[str, object]:
        """Return the state as JSON."""
        target, within = self.target, None
        if target is not None and self.value is not None:
            within = abs(self.value - target.value) <= target.tolerance
        return {
            "quantity": self.quantity.word,
            "unit": self.quantity.unit,
            "channel": None if self.quantity.of_pair else self.channel,
            "value": self.value,
            "bound": self.bound or None,
            "least": self.least,
            "most": self.most,
            "target": None if target is None else target.value,
            "tolerance": None if target is None else target.tolerance,
            "within": None if within and self.doubted else within,
        }
