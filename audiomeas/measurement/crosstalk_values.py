"""What is told of one direction of crosstalk, in the contract's keys."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, combined_over
from audiomeas.measurement.budget import NOISE_AND_FIT, Told

if TYPE_CHECKING:
    from audiomeas.analysis.crosstalk import Coupling, Leakage

#: dB of a small relative change of amplitude.
_DB_PER_PART = 20.0 / math.log(10.0)
#: Below this nothing is told: 32 bits end at −193 dB.
_LOWEST_DB = -240.0
_LISTS = ("crosstalk_db", "crosstalk_bound", "crosstalk_uncertainty_db", "crosstalk_phase_deg")
_NUMBERS = (
    "crosstalk_at_1khz_db",
    "crosstalk_at_10khz_db",
    "worst_crosstalk_db",
    "worst_crosstalk_hz",
    "crosstalk_slope_db_per_octave",
    "coupling_phase_deg",
    "coupling",
)


def unknown_direction(points: int, driven_channel: int | None) -> dict[str, Any]:
    """Return the values of a direction of which nothing can be said."""
    return {**{key: [None] * points for key in _LISTS}, **dict.fromkeys(_NUMBERS), "driven_channel": driven_channel}


def coupling_words(coupling: Coupling | None) -> str | None:
    """Return what a leakage is consistent with; None when it is told over too little of the band."""
    if coupling is None:
        return None
    course = f"{coupling.slope_db_per_octave:+.1f} dB per octave, {coupling.phase_deg:+.0f} degrees"
    if coupling.kind == "capacitive":
        return f"consistent with capacitive coupling (rises 6 dB per octave at 90 degrees; found {course})"
    if coupling.kind == "resistive":
        return (
            "consistent with a resistive path or a shared impedance, such as a common ground (flat, at 0 or 180 "
            f"degrees; found {course})"
        )
    return f"neither capacitive nor resistive alone (found {course})"


class DirectionFigures:
    """Makes one direction's values of its leakage. scale : relative parts of two channels' ratio; None: not known."""

    def __init__(
        self,
        *,
        leakage: Leakage,
        frequency_hz: Sequence[float],
        driven_channel: int,
        band_hz: tuple[float, float],
        scale: tuple[Part, ...] | None,
    ) -> None:
        import numpy as np

        self._leakage = leakage
        self._driven = driven_channel
        self._band_hz = band_hz
        self._at = np.searchsorted(leakage.frequency_hz, np.asarray(frequency_hz))
        self._level_db = np.maximum(20.0 * np.log10(np.maximum(leakage.size, 1e-30)), _LOWEST_DB)
        self._scale = scale
        nothing = np.full(len(leakage.uncertainty), np.nan)
        self._half_db = nothing if scale is None else _DB_PER_PART * combined_over(scale, leakage.uncertainty)
        self._told = Told({})

    def told(self) -> Told:
        """Return what is told of the direction."""
        from audiomeas.analysis.crosstalk import describe_coupling

        at_most = self._leakage.at_most[self._at]
        coupling = describe_coupling(self._leakage)
        if coupling is not None:
            self._told.add("crosstalk_slope_db_per_octave", [Part(NOISE_AND_FIT, coupling.slope_uncertainty)])
        self._told.values.update(
            {
                "crosstalk_db": [round(float(level_db), 4) for level_db in self._level_db[self._at]],
                "crosstalk_bound": ["at most" if bound else None for bound in at_most],
                "crosstalk_uncertainty_db": _known(self._half_db[self._at], at_most, 4),
                "crosstalk_phase_deg": _known(self._leakage.phase_deg[self._at], at_most, 2),
                "driven_channel": self._driven,
                "crosstalk_at_1khz_db": self._single("crosstalk_at_1khz_db", 1000.0),
                "crosstalk_at_10khz_db": self._single("crosstalk_at_10khz_db", 10_000.0),
                **self._worst(),
                "crosstalk_slope_db_per_octave": None if coupling is None else coupling.slope_db_per_octave,
                "coupling_phase_deg": None if coupling is None else coupling.phase_deg,
                "coupling": coupling_words(coupling),
            }
        )
        return self._told

    def _single(self, key: str, wanted_hz: float) -> float | None:
        import numpy as np

        (found,) = np.nonzero(np.isclose(self._leakage.frequency_hz, wanted_hz, rtol=1e-6))
        return self._tell(key, int(found[0])) if len(found) else None

    def _tell(self, key: str, index: int) -> float:
        """Return a level and enter its uncertainty or bound."""
        if self._leakage.at_most[index]:
            self._told.at_most(key)
        elif self._scale is not None and math.isfinite(self._half_db[index]):
            own = Part(NOISE_AND_FIT, float(self._leakage.uncertainty[index]))
            self._told.add(key, (*self._scale, own), _DB_PER_PART)
        return float(self._level_db[index])

    def _worst(self) -> dict[str, Any]:
        """Return the largest crosstalk within the band; a bound that lies higher than all that was told wins."""
        import numpy as np

        low_hz, high_hz = self._band_hz
        frequency_hz = self._leakage.frequency_hz
        (inside,) = np.nonzero((frequency_hz >= low_hz * (1 - 1e-9)) & (frequency_hz <= high_hz * (1 + 1e-9)))
        if not len(inside):
            return {"worst_crosstalk_db": None, "worst_crosstalk_hz": None}
        worst = int(inside[np.argmax(self._level_db[inside])])
        return {
            "worst_crosstalk_db": self._tell("worst_crosstalk_db", worst),
            "worst_crosstalk_hz": float(frequency_hz[worst]),
        }


def _known(values: Any, at_most: Any, decimals: int) -> list[float | None]:
    return [
        None if bound or not math.isfinite(value) else round(float(value), decimals)
        for value, bound in zip(values, at_most, strict=True)
    ]
