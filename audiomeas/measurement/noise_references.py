"""What signal-to-noise ratios refer to: levels at the output, at the input, full scale, or a convention's name.

A ratio without its reference says nothing: one noise is 75 dB below 2.5 mV and 87 dB below 10 mV. So each reference
carries its name, and the level at the output that it stands for.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.bench.parts import Part, scaled
from audiomeas.errors import RequestError
from audiomeas.measurement.budget import GAIN

if TYPE_CHECKING:
    from audiomeas.units import Level

#: Conventions by name → what each is, in the terms of an option.
CONVENTIONS = {
    # Common practice of specification sheets: the same noise looks 12 dB better with the last than with the first.
    "phono": ("2.5 mV in", "5 mV in", "10 mV in"),
    # CEA-490-A and IHF-A-202 (low confidence: from secondary text): gain set so that 0.5 V gives 1 W, or 0.5 V.
    "CEA-490-A": ("0.5 V in / 1 W out",),
    "CEA-490-A preamplifier": ("0.5 V in / 0.5 V out",),
}
#: Names that need another option.
_NEEDS = {"rated power": "rated_power", "0 VU": "vu_level"}
#: Ends the words of a level that stands at the output.
AT_OUTPUT = "out"
#: A gain this far from what a convention sets is another setting of the volume control: its noise is not that of this.
_SAME_GAIN_DB = 0.5


@dataclass(frozen=True, kw_only=True)
class Reference:
    """One reference. words : as printed.  output : level at the output, None when only the input's is known.

    source : level at the input; with `output`, the gain must be their ratio.
    """

    words: str
    output: Level | None = None
    source: Level | None = None

    @property
    def end(self) -> str:
        """Where the level stands, in words: of a few millivolts nobody can tell it from the number."""
        ends = [name for name, level in (("input", self.source), ("output", self.output)) if level is not None]
        return f"level at the unit's {' and '.join(ends)}"


@dataclass(frozen=True, kw_only=True)
class Gain:
    """The gain at 1 kHz of one channel. uncertainty_db : 95 % half-width, None: not known.  origin : where from.

    parts : what the half-width is made of, in dB, where that is known: with their sources, so that what the noise's own
    scale has in common with the gain cancels.
    """

    db: float
    uncertainty_db: float | None
    origin: str
    parts: tuple[Part, ...] = ()

    def known_parts(self) -> tuple[Part, ...] | None:
        """Return the parts, in dB; one of the whole half-width where they are not known, None where that isn't."""
        if self.parts or self.uncertainty_db is None:
            return self.parts or None
        return (Part(GAIN, self.uncertainty_db),)


@dataclass(frozen=True, kw_only=True)
class Referred:
    """A reference on one channel. v_rms : at the output, in the unit of the noise; None: not known.

    parts : of its uncertainty, in dB; None: not known.  missing : why not, in words.
    """

    reference: Reference
    v_rms: float | None
    parts: tuple[Part, ...] | None = ()
    missing: str = ""


def parse_references(options: Mapping[str, Any]) -> tuple[Reference, ...]:
    """Return the references that the options ask for, in order, each once.

    Raises RequestError: what is no level and no convention, or one that needs another option.
    """
    text = options.get("reference")
    wanted = [part.strip() for part in re.split(r"[;]|,(?!\d)", text) if part.strip()] if text else []
    if text is not None and not wanted:
        raise RequestError(_wrong(text))
    found: dict[str, Reference] = {}
    for part in wanted:
        for words in _spelled(part):
            one = _reference(words, options)
            found.setdefault(one.words, one)
    return tuple(found.values())


def _spelled(part: str) -> tuple[str, ...]:
    by_small = {name.lower(): items for name, items in CONVENTIONS.items()}
    return by_small.get(part.lower(), (part,))


def _reference(text: str, options: Mapping[str, Any]) -> Reference:
    for words, option in _NEEDS.items():
        if text.lower() in (words.lower(), words.lower().removesuffix(" power")):
            return _by_option(words, option, options)
    match = re.fullmatch(r"(.+?)\s+in\s*(?:/\s*(.+?)\s+out)?", text, flags=re.IGNORECASE)
    if match is None:
        bare = re.sub(rf"\s+{AT_OUTPUT}$", "", text, flags=re.IGNORECASE)
        level = _level(bare, text)
        # Volts stand at either end of a unit: the words say at which.
        return Reference(words=f"{bare} {AT_OUTPUT}" if level.unit == "V" else text, output=level)
    source = _level(match.group(1), text)
    if source.unit != "V":
        raise RequestError(f"reference {text!r}: a level at the input is in volts, such as '5 mV in'")
    output = None if match.group(2) is None else _level(match.group(2), text)
    return Reference(words=text, source=source, output=output)


def _by_option(words: str, option: str, options: Mapping[str, Any]) -> Reference:
    from audiomeas.units import parse_level

    level = options.get(option)
    if level is None:
        raise RequestError(f"the reference {words!r} needs the option {option} (such as '60 W' or '4 dBu')")
    level = parse_level(level) if isinstance(level, str) else level
    return Reference(words=f"{words} ({level})", output=level)


def _level(text: str, whole: str) -> Level:
    from audiomeas.units import parse_level

    try:
        return parse_level(text)
    except RequestError:
        raise RequestError(_wrong(whole)) from None


def _wrong(text: str) -> str:
    known = ", ".join(repr(name) for name in (*_NEEDS, *CONVENTIONS))
    return (
        f"reference {text!r} is no level ('1 W', '2 V', '0 dBFS'), no input level ('5 mV in', '0.5 V in / 1 W out') "
        f"and none of {known}; several are parted by ';'"
    )


def refer(
    reference: Reference,
    *,
    full_scale: float,
    in_volts: bool,
    gain: Gain | None,
    load_ohm: float | None,
    load: tuple[Part, ...] | None,
) -> Referred:
    """Return what a reference is on one channel, in the unit of its samples (see `Recording.signal`).

    full_scale : r.m.s. of a full-scale sine in that unit.   in_volts : that unit is volts.
    """
    output = reference.output
    if output is not None and output.unit == "FS":
        return Referred(reference=reference, v_rms=output.value * full_scale)
    if not in_volts:
        return _missing(reference, "without a calibration nothing is known in volts")
    if output is None:
        return _through_gain(reference, gain)
    if output.unit == "W" and load_ohm is None:
        return _missing(reference, "watts need a load")
    if reference.source is not None and (off := _off_db(reference, output.v_rms(load_ohm=load_ohm), gain)) is not None:
        return _missing(reference, off)
    # U = √(P·R): a relative change of R counts half.
    parts = scaled(load or (), 0.5 * DB_PER_NEPER) if output.unit == "W" else ()
    return Referred(reference=reference, v_rms=output.v_rms(load_ohm=load_ohm), parts=parts)


def _through_gain(reference: Reference, gain: Gain | None) -> Referred:
    if gain is None:
        return _missing(reference, "a level at the input needs the gain at 1 kHz: give gain_db or gain_from")
    assert reference.source is not None
    v_rms = reference.source.value * 10.0 ** (gain.db / 20.0)
    return Referred(reference=reference, v_rms=v_rms, parts=gain.known_parts())


def _off_db(reference: Reference, output_v_rms: float, gain: Gain | None) -> str | None:
    """Return why the noise at this gain is not that of a convention which sets another, or None."""
    assert reference.source is not None
    wanted_db = 20.0 * math.log10(output_v_rms / reference.source.value)
    if gain is None:
        return f"this convention sets the gain to {wanted_db:.1f} dB, and that at 1 kHz is not known: give gain_db"
    if abs(gain.db - wanted_db) <= _SAME_GAIN_DB:
        return None
    return (
        f"this convention sets the gain to {wanted_db:.1f} dB, and it is {gain.db:.1f} dB: set the volume control so "
        "and capture again"
    )


def _missing(reference: Reference, why: str) -> Referred:
    return Referred(reference=reference, v_rms=None, missing=f"S/N re {reference.words}: {why}")
