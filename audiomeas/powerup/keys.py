"""What is always asked for at a rest: its keys in files of readings, and its names in the record."""

from __future__ import annotations

#: Keys, in the order of asking: what shows a fault soonest comes first.
GLOW, MAINS, CURRENT, DC_OFFSET, SIGNS = "bulb", "mains", "current", "dc_offset", "signs"
#: Key of the rest that a look belongs to.
STEP = "step"
#: Names in the record, behind that of the rest, where they are not the key.
MAINS_NAME, DC_OFFSET_NAME = "mains voltage", "DC offset"


def is_taken(name: str) -> bool:
    """Return whether a sheet's own reading would be taken for one of these."""
    plain = name.casefold()
    taken = (GLOW, MAINS, CURRENT, SIGNS, STEP, MAINS_NAME, DC_OFFSET_NAME.casefold())
    return plain in taken or plain.startswith(DC_OFFSET)
