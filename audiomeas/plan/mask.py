"""Limit masks of a plan: read from its [[step.mask]] tables, and held against the curves of a result.

[[step.mask]]
name = "Line stages of the maker"
quantity = "gain_db"                        # a curve of this measurement; its name ends in the unit
frequency_hz = [20.0, 40.0, 16000.0, 20000.0]
lower_db = [-3.0, -1.0, -1.0, -3.0]         # the band's edges there, straight over log frequency between; either one
upper_db = [1.0, 1.0, 1.0, 1.0]             # may be left out, then that side is open
placement = "reference"                     # 0 dB is the curve at reference_hz (1 kHz unless it says so); or
                                            # "best fit": where the curve has most margin; or "absolute"
source = "maker"                            # as for a limit
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from audiomeas.plan.keys import SOURCES, one_line, refuse_unmeasured
from audiomeas.record.mask import PLACEMENTS, Mask, MaskedCurve

if TYPE_CHECKING:
    from audiomeas.measurement.base import Measurement
    from audiomeas.measurement.curves import Curve, CurvePoint
    from audiomeas.tomlfile import Table

#: It stands in the legend of a chart (characters).
_LONGEST_NAME = 60
_USUAL_REFERENCE_HZ = 1000.0
_HIGHEST_HZ = 1e6


@dataclass(frozen=True, kw_only=True)
class MaskLimit:
    """A mask as a limit. curve : of the measurement.  source : maker, house, era.  channel : None for each."""

    mask: Mask
    curve: Curve
    source: str
    channel: int | None = None

    @property
    def words(self) -> str:
        """What is judged, in plain words."""
        return f"margin of the {self.curve.words} in the mask “{self.mask.name}”"

    def curve_of(self, points: Sequence[CurvePoint]) -> MaskedCurve:
        """Return points as a mask holds them: with the uncertainty that its placement leaves in them."""
        absolute = self.mask.placement == "absolute"
        return MaskedCurve(
            frequency_hz=tuple(point.frequency_hz for point in points),
            values=tuple(point.value for point in points),
            uncertainties=tuple(
                point.uncertainty if absolute or point.shape_uncertainty is None else point.shape_uncertainty
                for point in points
            ),
            bounds=tuple(point.bound for point in points),
        )


def read_mask(table: Table, measurement: Measurement, channels: tuple[int, ...] | None) -> MaskLimit:
    """Read a [[step.mask]] table. Raises TomlProblem (file, line, key)."""
    curves = {curve.key: curve for curve in measurement.curves}
    if not curves:
        raise table.problem("quantity", f"{measurement.word} has no curve that a mask could hold; use [[step.limit]]")
    curve = curves[table.choice("quantity", list(curves))]
    name = _name(table)
    frequency_hz = _frequencies(table)
    lower, upper = (_edge(table, side, curve, frequency_hz) for side in ("lower", "upper"))
    _refuse_no_band(table, curve, frequency_hz, lower, upper)
    placement = table.choice("placement", list(PLACEMENTS))
    reference_hz = table.number("reference_hz", None, above=0.0, at_most=_HIGHEST_HZ)
    channel = table.integer("channel", None, at_least=1, at_most=2)
    limit = MaskLimit(
        mask=Mask(
            name=name, frequency_hz=frequency_hz, lower=lower, upper=upper, placement=placement,
            reference_hz=(reference_hz or _USUAL_REFERENCE_HZ) if placement == "reference" else None,
        ),
        curve=curve,
        source=table.choice("source", SOURCES),
        channel=channel,
    )  # fmt: skip
    table.finish()
    if reference_hz is not None and placement != "reference":
        raise table.problem("reference_hz", f'means nothing with placement = "{placement}": leave it out')
    if placement == "best fit" and (lower is None or upper is None):
        raise table.problem("placement", "a best fit needs a lower and an upper edge: with one edge all curves fit")
    refuse_unmeasured(table, channel, channels)
    return limit


def _name(table: Table) -> str:
    name = one_line(table, "name")
    if len(name) > _LONGEST_NAME:
        raise table.problem("name", f"{len(name)} characters are too long for a mask: use {_LONGEST_NAME}")
    return name


def _frequencies(table: Table) -> tuple[float, ...]:
    if "frequency" in table:
        raise table.problem("frequency", "has no unit: write frequency_hz")
    found: tuple[float, ...] = table.numbers("frequency_hz", above=0.0)
    for before, after in pairwise(found):
        if after < before:
            raise table.problem("frequency_hz", f"must rise: {after:g} Hz stands behind {before:g} Hz")
    if any(found.count(hz) > 2 for hz in found):
        raise table.problem("frequency_hz", "a frequency may stand twice (a step of the band), not more often")
    if found[0] == found[-1]:
        raise table.problem("frequency_hz", "a mask needs two frequencies or more; for one, use [[step.limit]]")
    if found[-1] > _HIGHEST_HZ:
        raise table.problem("frequency_hz", f"must be at most {_HIGHEST_HZ:g} Hz, not {found[-1]:g}")
    return found


def _edge(table: Table, side: str, curve: Curve, frequency_hz: tuple[float, ...]) -> tuple[float, ...] | None:
    key = f"{side}_{curve.unit_word}"
    if side in table:
        raise table.problem(side, f"has no unit: write {key}, as {curve.key} is in {curve.unit}")
    edge: tuple[float, ...] | None = table.numbers(key, None)
    if edge is not None and len(edge) != len(frequency_hz):
        raise table.problem(
            key, f"has {len(edge)} values for the {len(frequency_hz)} frequencies of frequency_hz: give one for each"
        )
    return edge


def _refuse_no_band(
    table: Table,
    curve: Curve,
    frequency_hz: tuple[float, ...],
    lower: tuple[float, ...] | None,
    upper: tuple[float, ...] | None,
) -> None:
    low_key, high_key = f"lower_{curve.unit_word}", f"upper_{curve.unit_word}"
    if lower is None and upper is None:
        raise table.problem("name", f"a mask needs {low_key}, {high_key} or both")
    for hz, low, high in zip(frequency_hz, lower or (), upper or (), strict=False):
        if not low < high:
            raise table.problem(
                low_key,
                f"{low:g} {curve.unit} at {hz:g} Hz does not lie below {high_key} there ({high:g} {curve.unit})",
            )
