"""The one table of failure pictures."""

from __future__ import annotations

from audiomeas.diagnosis import amplifying, humming, moving, received, shaping, taped, tapped, warming
from audiomeas.diagnosis.picture import Picture

PICTURES: tuple[Picture, ...] = (
    *amplifying.PICTURES,
    *warming.PICTURES,
    *tapped.PICTURES,
    *humming.PICTURES,
    *shaping.PICTURES,
    *taped.PICTURES,
    *received.PICTURES,
    *moving.PICTURES,
)
