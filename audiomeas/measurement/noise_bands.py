"""Further bandwidths that noise is told in, as specification sheets state them: '20-20k; 22.4-22.4k; 400-30k'."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: How a band ends: as offered and printed → order of its Butterworth slopes; None: vertical.
EDGES = {"brick wall": None, "18 dB/octave": 3}
#: A slope lets through what lies beyond its edge, and half the sample rate must lie so many times as high: what a slope
#: of third order hides of white noise there, ∫x⁻⁶ from 1.9 up, is 0.8 % of its power (0.03 dB).
_SLOPE_ROOM = 1.9
_EDGE = r"([0-9]+(?:\.[0-9]+)?)\s*(k?)(?:Hz)?"
_ONE = re.compile(rf"{_EDGE}\s*(?:-|–|to)\s*{_EDGE}", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Band:
    """A stated bandwidth. edges : one of `EDGES`."""

    low_hz: float
    high_hz: float
    edges: str

    @property
    def name(self) -> str:
        """What its level is called in a result, without unit."""
        return f"band_{self.low_hz:g}_{self.high_hz:g}_hz".replace(".", "_")

    @property
    def words(self) -> str:
        """As printed."""
        return f"{self.low_hz:g} Hz to {self.high_hz:g} Hz, {self.edges}"

    def shares(self, frequency_hz: NDArray[Any]) -> tuple[tuple[float, float] | None, NDArray[Any] | None]:
        """Return the band that a level is summed in and |W|² at frequencies; None where there is none."""
        from audiomeas.analysis.weighting import butterworth_band

        order = EDGES[self.edges]
        if order is None:
            return (self.low_hz, self.high_hz), None
        return None, butterworth_band(self.low_hz, self.high_hz, order=order).power_gain(frequency_hz)


def parse_bands(options: Mapping[str, Any], sample_rate_hz: float) -> tuple[Band, ...]:
    """Return the bands that the options ask for, in order, each once.

    Raises RequestError: what is no band, or one that the sample rate can't hold.
    """
    text = options["bands"]
    if text is None:
        return ()
    bands = [_band(part.strip(), options["band_edges"]) for part in text.split(";") if part.strip()]
    if not bands:
        raise RequestError(_wrong(text))
    for band in bands:
        _refuse_beyond(band, sample_rate_hz / 2.0)
    return tuple(dict.fromkeys(bands))


def _band(text: str, edges: str) -> Band:
    match = _ONE.fullmatch(text)
    if match is None:
        raise RequestError(_wrong(text))
    low, low_k, high, high_k = match.groups()
    low_hz, high_hz = (float(number) * (1000.0 if kilo else 1.0) for number, kilo in ((low, low_k), (high, high_k)))
    if not 0.0 < low_hz < high_hz:
        raise RequestError(f"bands: {text!r} is no band: its low edge must lie above 0 Hz and below its high edge")
    return Band(low_hz=low_hz, high_hz=high_hz, edges=edges)


def _wrong(text: str) -> str:
    return f"bands: {text!r} is no band such as '20-20k' or '22.4-22400' (in Hz); several are parted by ';'"


def _refuse_beyond(band: Band, half_rate_hz: float) -> None:
    needed_hz = band.high_hz * (1.0 if EDGES[band.edges] is None else _SLOPE_ROOM)
    if needed_hz > half_rate_hz:
        other = "" if EDGES[band.edges] is None or band.high_hz > half_rate_hz else ", or give brick-wall edges"
        raise RequestError(
            f"bands: {band.words}: this needs a sample rate of {2.0 * needed_hz:g} Hz or more, and it is "
            f"{2.0 * half_rate_hz:g} Hz: lower the high edge, capture at a higher rate{other}"
        )
