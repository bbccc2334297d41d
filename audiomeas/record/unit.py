"""The unit: what stands on the bench, how a person writes it, and the folder that its visits are kept in."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from audiomeas.errors import RequestError

#: How a unit is written, for every message that refuses another form.
HOW_TO_WRITE = (
    'write for example "Demo amplifier A, serial D-0001" (maker and model may be parted by a comma), '
    'or, where no serial number can be read, "Demo amplifier A, tag 12"'
)
#: What people write when there is no serial number: then a tag that stays on the unit must tell it from others.
_NO_SERIAL = {"none", "no", "unknown", "n/a", "-", "?"}
#: Categories and signs that could end a line, or show a name other than it is (Unicode: controls, separators, bidi).
_REFUSED_CATEGORIES = {"Cc", "Cs", "Zl", "Zp"}
_REFUSED_SIGNS = {0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A)}
#: Names that some systems keep for devices.
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}
_LONGEST_SLUG = 60


@dataclass(frozen=True, kw_only=True)
class Unit:
    """The equipment under test.

    kind : power amplifier, phono stage …; '' until a plan says it.   tag : stays on a unit without a serial number.
    Texts are kept as given (Unicode NFC, no spaces around). Raises RequestError: no model, neither serial nor tag,
    control characters.
    """

    model: str
    maker: str = ""
    serial: str = ""
    tag: str = ""
    kind: str = ""

    def __post_init__(self) -> None:
        for item in fields(self):
            # Composed and decomposed accents are one name: they must not become two units.
            text = unicodedata.normalize("NFC", checked_text(getattr(self, item.name), f"the unit's {item.name}"))
            object.__setattr__(self, item.name, text.strip())
        if self.serial.casefold() in _NO_SERIAL:
            object.__setattr__(self, "serial", "")
        if not self.model:
            raise RequestError(f"the unit has no model: {HOW_TO_WRITE}")
        if not (self.serial or self.tag):
            raise RequestError(f"unit {self.model[:60]!r} has neither a serial number nor a tag: {HOW_TO_WRITE}")

    @property
    def name(self) -> str:
        """What tells this unit from all others, as it is written: maker, model, serial (or tag)."""
        identity = f"serial {self.serial}" if self.serial else f"tag {self.tag}"
        return ", ".join(part for part in (self.maker, self.model, identity) if part)

    def __str__(self) -> str:
        return self.name

    def as_json(self) -> dict[str, str]:
        """Return the unit's JSON object."""
        return asdict(self)


def unit_from_json(data: Mapping[str, Any]) -> Unit:
    """Return the unit of a JSON object. Raises KeyError, TypeError, ValueError or RequestError on a wrong one."""
    return Unit(**{item.name: str(data[item.name]) for item in fields(Unit)})


def parse_unit(text: str, *, kind: str = "") -> Unit:
    """Read a unit as a person writes it: 'MODEL, serial X', 'MAKER, MODEL, serial X' or '…, tag X'.

    The last parts that begin with 'serial' or 'tag' are these; what stands before is the model, or, parted by its first
    comma, maker and model. Raises RequestError that says what to write.
    """
    rest, found = text, {"serial": "", "tag": ""}
    while match := re.search(r"^(?P<rest>.*),\s*(?P<word>serial|tag)\s+(?P<value>[^,]+)$", rest, re.I | re.S):
        word = match["word"].lower()
        if found[word]:
            break
        found[word], rest = match["value"], match["rest"]
    maker, comma, model = rest.partition(",")
    if not comma:
        maker, model = "", rest
    return Unit(model=model, maker=maker, serial=found["serial"], tag=found["tag"], kind=kind)


def checked_text(text: str, what: str) -> str:
    """Return a text that is safe to print and to keep. Raises RequestError: control characters, turned directions."""
    for place, sign in enumerate(text, start=1):
        if unicodedata.category(sign) in _REFUSED_CATEGORIES or ord(sign) in _REFUSED_SIGNS:
            raise RequestError(f"{what} holds a control character (U+{ord(sign):04X}, character {place}): leave it out")
    return text


def slug(text: str, *, otherwise: str, longest: int = _LONGEST_SLUG) -> str:
    """Return small ASCII letters, digits and single hyphens of a text; `otherwise` when none remain."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii").lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:longest].strip("-") or otherwise


def folder_name(name: str) -> str:
    """Return a safe folder name; a name that had to be changed gets a hash, so that two names never share a folder.

    A name that looks as if it had a hash gets one too: it could be another one's.
    """
    safe = slug(name, otherwise="unit")
    if safe == name and safe not in _RESERVED and not re.search(r"-[0-9a-f]{10}$", safe):
        return safe
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
    return f"{safe}-{digest[:10]}"


def may_hold(folder: str, identity: str) -> bool:
    """Return whether a folder of this name may be that of a unit with this serial number or tag.

    Letters, spaces and other signs don't count. A name that was cut short may hold any.
    """
    safe = re.sub(r"-[0-9a-f]{10}$", "", folder)
    cut = len(safe) >= _LONGEST_SLUG - 1  # a hyphen at the cut is taken away too
    return cut or slug(identity, otherwise="").replace("-", "") in safe.replace("-", "")
