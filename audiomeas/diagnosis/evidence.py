"""What facts a visit holds, each with its uncertainty and conditions: what the rules are asked of, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from audiomeas.diagnosis.facts import Fact
from audiomeas.measurement.curves import number
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.steady import of_channel
from audiomeas.units import amplitude_ratio_to_db, db_to_amplitude_ratio, v_rms_to_w

if TYPE_CHECKING:
    from audiomeas.measurement.result import ChannelResult, Result

#: Tones are of one frequency, or of one level, when they lie within this.
_SAME_HZ, SAME_LEVEL_DB = 0.02, 0.5
#: A curve is read at a frequency within this (relative) of what is asked for.
_NEAR = 0.04
#: The unit's own hum where the bench's is known: key → key of what it is told as.
_OWN_LEVEL, _OWN_BOUND, ATTRIBUTABLE = "unit_level_v_rms", "unit_bound", "attributable"


@dataclass(frozen=True, kw_only=True)
class Measured:
    """One step's result under the step's name."""

    step: str
    result: Result

    def channels(self) -> tuple[ChannelResult, ...]:
        """Return those that carry numbers."""
        return self.result.channels

    def fact(self, channel: ChannelResult, key: str, words: str, unit: str) -> Fact | None:
        """Return one value; None where it is not known."""
        return _fact(self, channel.channel, channel.values, key, words, unit, channel.uncertainty, channel.bound)

    def told(
        self, channel: int, words: str, value: float, unit: str = "", half_width: float | None = 0.0, bound: str = ""
    ) -> Fact:
        """Return a fact that is made of this result's values. half_width : 0 for what is counted."""
        return Fact(
            words=words, value=value, unit=unit, half_width=half_width, step=self.step, channel=channel, bound=bound
        )

    def point(self, channel: ChannelResult, frequency_hz: float) -> Fact | None:
        """Return a response's gain near a frequency, with the half-width of its shape: it serves differences alone."""
        found = _nearest(channel.values.get("frequency_hz") or (), frequency_hz)
        gains = channel.values.get("gain_db") or ()
        halves = channel.values.get("gain_shape_uncertainty_db") or channel.values.get("gain_uncertainty_db") or ()
        if found is None or found >= len(gains) or (value := number(gains[found])) is None:
            return None
        return Fact(
            words=f"gain at {hertz(frequency_hz)}",
            value=value,
            unit="dB",
            half_width=number(halves[found]) if found < len(halves) else None,
            step=self.step,
            channel=channel.channel,
        )

    def relative(self, channel: ChannelResult, frequency_hz: float, reference_hz: float) -> Fact | None:
        """Return a response's gain at a frequency against that at another."""
        one, other = self.point(channel, frequency_hz), self.point(channel, reference_hz)
        if one is None or other is None:
            return None
        return one.less(other, f"gain at {hertz(frequency_hz)} against {hertz(reference_hz)}")


@dataclass(frozen=True, kw_only=True)
class Tone:
    """A steady tone on one channel. harmonics : order → level in dB below the tone, as a fact.

    at : its level in words.   load_ohm, range_name : as the bench had them; None: not known.   order : of steps.
    """

    step: str
    channel: int
    order: int
    at: str
    frequency_hz: float
    level: Fact | None
    level_dbfs: Fact | None
    load_ohm: float | None
    range_name: str | None
    thd: Fact
    gain: Fact | None
    harmonics: Mapping[int, Fact]
    values: Mapping[str, Any]
    conditions: Mapping[str, Any]

    @property
    def level_v_rms(self) -> float | None:
        """Its level; None where it is not in volts."""
        return None if self.level is None else self.level.value

    @property
    def power_w(self) -> float | None:
        """Power in the load; None without one."""
        if self.level_v_rms is None or self.load_ohm is None:
            return None
        return v_rms_to_w(self.level_v_rms, self.load_ohm)

    def like(self, other: Tone) -> bool:
        """Return whether two tones are of one frequency and level."""
        if None in (self.level_v_rms, other.level_v_rms):
            return False
        return self.same_frequency(other) and abs(self.over_db(other)) <= SAME_LEVEL_DB

    def same_frequency(self, other: Tone) -> bool:
        """Return whether two tones are of one frequency."""
        return same_hz(self.frequency_hz, other.frequency_hz)

    def over_db(self, other: Tone) -> float:
        """Return by how much it is louder than another one; NaN where that is not known."""
        if not self.level_v_rms or not other.level_v_rms:
            return math.nan
        return float(amplitude_ratio_to_db(self.level_v_rms / other.level_v_rms))


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What a visit holds. kind : of the unit.  steps : finished ones, in order.

    first_look : as the record keeps it.  against : the visit that is the reference, beside the other channel.
    """

    kind: str
    steps: Sequence[Measured]
    first_look: Mapping[str, Any] | None = None
    against: Evidence | None = None

    def of(self, *words: str) -> Iterator[Measured]:
        """Yield the results of measurement words."""
        return (one for one in self.steps if one.result.measurement in words)

    def each(self, *words: str) -> Iterator[tuple[Measured, ChannelResult]]:
        """Yield each channel of the results of measurement words."""
        return ((one, channel) for one in self.of(*words) for channel in one.channels())

    def responses(self) -> Iterator[tuple[Measured, ChannelResult]]:
        """Yield each channel of what tells gain against frequency."""
        return self.each("response", "crosstalk", "response-steps")

    def tones(self, channel: int | None = None) -> list[Tone]:
        """Return all steady tones, in the order they were measured. channel : None: of all."""
        found = list(_tones(self.steps))
        return [tone for tone in found if channel in (None, tone.channel)]

    def others(self, one: Measured, channel: ChannelResult) -> Iterator[tuple[str, Measured, ChannelResult]]:
        """Yield the references of a result: in words, and where it stands. The other channel; the other visit's own."""
        for other in one.channels():
            if other.channel != channel.channel:
                yield f"channel {other.channel}", one, other
        for there in () if self.against is None else self.against.of(one.result.measurement):
            if there.step == one.step:
                for other in there.channels():
                    if other.channel == channel.channel:
                        yield "the other visit", there, other

    def like_tones(self, tone: Tone) -> Iterator[tuple[str, Tone]]:
        """Yield the references of a tone likewise: of the same frequency and input, whatever came out."""
        for other in self.tones():
            if other.step == tone.step and other.channel != tone.channel and _same_input(tone, other):
                yield f"channel {other.channel}", other
        for other in () if self.against is None else self.against.tones(tone.channel):
            if other.step == tone.step and _same_input(tone, other):
                yield "the other visit", other


def same_hz(one_hz: float, other_hz: float) -> bool:
    """Return whether two frequencies of tones are one."""
    return math.isclose(one_hz, other_hz, rel_tol=_SAME_HZ)


def _same_input(one: Tone, other: Tone) -> bool:
    """Return whether two tones were played alike: their level over their gain."""
    if one.gain is None or other.gain is None or not one.level_v_rms or not other.level_v_rms:
        return one.like(other)
    apart_db = one.over_db(other) - (one.gain.value - other.gain.value)
    return one.same_frequency(other) and abs(apart_db) <= SAME_LEVEL_DB


def _tones(steps: Sequence[Measured]) -> Iterator[Tone]:
    for order, one in enumerate(steps):
        result = one.result
        for channel in result.channels:
            if result.measurement == "distortion":
                told = _tone(one, order, channel.channel, channel.values, channel.uncertainty, channel.bound)
                yield from () if told is None else (told,)
            elif result.measurement == "distortion-steps":
                for row in channel.values.get("steps") or ():
                    told = _tone(one, order, channel.channel, row, row.get("uncertainty", {}), row.get("bound", {}))
                    yield from () if told is None else (told,)


def _tone(
    one: Measured,
    order: int,
    channel: int,
    values: Mapping[str, Any],
    uncertainty: Mapping[str, Any],
    bound: Mapping[str, Any],
) -> Tone | None:
    frequency_hz = number(values.get("frequency_hz"))
    level_v_rms = number(values.get("level_v_rms"))
    conditions = one.result.conditions
    load_ohm = number(of_channel(conditions.get("load_ohm") or {}, channel))

    def fact(key: str, words: str, unit: str) -> Fact | None:
        return _fact(one, channel, values, key, words, unit, uncertainty, bound)

    at = f"{level_v_rms:.2g} V" if level_v_rms else "its level"
    if level_v_rms and load_ohm:
        at = f"{v_rms_to_w(level_v_rms, load_ohm):.2g} W"
    thd = fact("thd_percent", f"harmonic distortion at {at}", "%")
    if frequency_hz is None or thd is None:
        return None
    return Tone(
        step=one.step,
        channel=channel,
        order=order,
        at=at,
        frequency_hz=frequency_hz,
        level=fact("level_v_rms", "level", "V"),
        level_dbfs=fact("level_dbfs", "level at the card's input", "dBFS"),
        load_ohm=load_ohm,
        range_name=(conditions.get("range") or {}).get(str(channel)),
        thd=thd,
        gain=fact("gain_db", f"gain at {at}", "dB"),
        harmonics=dict(_harmonics(one, channel, at, values.get("harmonics") or ())),
        values=values,
        conditions=conditions,
    )


def _harmonics(one: Measured, channel: int, at: str, rows: Sequence[Mapping[str, Any]]) -> Iterator[tuple[int, Fact]]:
    for row in rows:
        level_db = number(row.get("level_db"))
        if level_db is not None:
            order = int(row["order"])
            yield (
                order,
                Fact(
                    words=f"harmonic {order} at {at}",
                    value=level_db,
                    unit="dB",
                    half_width=number(row.get("uncertainty_db")),
                    step=one.step,
                    channel=channel,
                    bound=str(row.get("bound") or ""),
                ),
            )


def hum_lines(one: Measured, channel: ChannelResult) -> dict[int, Fact]:
    """Return multiple of the mains → level of its line in V r.m.s., the unit's own where the bench's is known."""
    found = {}
    for row in channel.values.get("hum") or ():
        own = _OWN_LEVEL in row
        level = number(row.get(_OWN_LEVEL if own else "level_v_rms"))
        if level is None or not level > 0.0:
            continue
        bound = str(row.get(_OWN_BOUND if own else "bound") or "")
        found[int(row["multiple"])] = Fact(
            words=f"hum at {number(row['frequency_hz']) or 0.0:.0f} Hz",
            value=level,
            unit="V",
            half_width=number(row.get("uncertainty_v_rms")),
            step=one.step,
            channel=channel.channel,
            bound=bound,
        )
    return found


def in_db(fact: Fact, reference: float, words: str) -> Fact | None:
    """Return a level in volts against a reference of the same unit, in dB; None where either is no level."""
    if not (fact.value > 0.0 and reference > 0.0):
        return None
    half = None if fact.half_width is None else 20.0 / math.log(10.0) * fact.half_width / fact.value
    value = float(amplitude_ratio_to_db(fact.value / reference))
    return replace(fact, words=words, value=value, unit="dB", half_width=half)


def apart_db(one: Fact | None, other: Fact | None, words: str) -> Fact | None:
    """Return by how much one level in volts lies over another one, in dB; None where either is not there."""
    if one is None or other is None:
        return None
    own, others = in_db(one, 1.0, words), in_db(other, 1.0, words)
    return None if own is None or others is None else own.less(others, words)


def reference_v_rms(channel: ChannelResult) -> float | None:
    """Return the level that a noise result's first ratio refers to, in V r.m.s.: the noise raised by its ratio."""
    level, ratio_db = number(channel.values.get("unweighted_v_rms")), number(channel.values.get("snr_db"))
    return None if level is None or ratio_db is None else level * float(db_to_amplitude_ratio(ratio_db))


def _fact(
    one: Measured,
    channel: int,
    values: Mapping[str, Any],
    key: str,
    words: str,
    unit: str,
    uncertainty: Mapping[str, Any],
    bound: Mapping[str, Any],
) -> Fact | None:
    value = number(values.get(key))
    if value is None:
        return None
    return Fact(
        words=words,
        value=value,
        unit=unit,
        half_width=number(uncertainty.get(key)),
        step=one.step,
        channel=channel,
        bound=str(bound.get(key) or ""),
    )


def _nearest(frequencies: Sequence[float], frequency_hz: float) -> int | None:
    """Return where a curve's point nearest to a frequency stands; None where there is none near."""
    places = [(abs(math.log(hz / frequency_hz)), place) for place, hz in enumerate(frequencies) if hz and hz > 0.0]
    if not places:
        return None
    distance, place = min(places)
    return place if distance <= _NEAR else None
