"""The values of a dynamic range: noise levels, ranges below the reference, tone; each with uncertainty or bound."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95
from audiomeas.bench.parts import Part, of_limits
from audiomeas.errors import SignalError
from audiomeas.measurement.budget import BENCH_NOISE, Told, own_parts
from audiomeas.measurement.dynamic_range_limits import Limits
from audiomeas.measurement.dynamic_range_reference import Reference
from audiomeas.measurement.dynamic_range_views import WEIGHTINGS
from audiomeas.measurement.result import ChannelResult
from audiomeas.measurement.scale_parts import scale_parts
from audiomeas.measurement.tone_values import spectrum_values

if TYPE_CHECKING:
    from audiomeas.analysis.harmonics import PowerSum
    from audiomeas.analysis.tone import ToneAnalysis
    from audiomeas.recording import Recording


def range_key(name: str) -> str:
    """Return the key of the dynamic range under a weighting; the first one has the plain name."""
    return "dynamic_range_db" if name == WEIGHTINGS[0] else f"dynamic_range_{name}_db"


_KEYS = (
    *(range_key(name) for name in WEIGHTINGS),
    *(f"residual_{name}_{unit}" for name in WEIGHTINGS for unit in ("dbfs", "v_rms")),
    *(f"idle_{name}_{unit}" for name in WEIGHTINGS for unit in ("dbfs", "v_rms", "below_db")),
    "bench_share_percent",
    "tone_dbfs",
    "tone_v_rms",
    "frequency_hz",
    "fall_db",
    "reference_dbfs",
    "reference_v_rms",
    "spectrum",
)


def nothing(channel: int) -> ChannelResult:
    """Return the result of a channel of which nothing can be told."""
    return ChannelResult(channel=channel, values=dict.fromkeys(_KEYS))


class Figures:
    """Makes one channel's values. told : what is known so far.   said : what is to be said of it."""

    def __init__(self, recording: Recording, column: int, reference: Reference, limits: Limits) -> None:
        self.told = Told(dict.fromkeys(_KEYS))
        self.said: list[str] = []
        self._recording, self._column, self._reference, self._limits = recording, column, reference, limits
        self._parts: dict[str, tuple[Part, ...]] = {}

    def tell(self, what: str, name: str, power: PowerSum) -> None:
        """Tell a mean-square value, `what`_`name`_dbfs and, where known, _v_rms. Raises SignalError for nothing."""
        level = math.sqrt(max(power.stated, 0.0))
        if not level > 0.0:
            raise SignalError("nothing at all is left beside the tone: is this a computed file? Nothing can be told")
        key, values = f"{what}_{name}", self.told.values
        full_scale = self._recording.reference(self._column)
        values[f"{key}_dbfs"] = 20.0 * math.log10(level / full_scale)
        in_volts = self._recording.scale_v(self._column) is not None
        if in_volts:
            values[f"{key}_v_rms"] = level
        share, by = self._limits.share(name, power.stated / full_scale**2)
        if what == "residual" and name == WEIGHTINGS[0]:
            values["bench_share_percent"] = None if share is None else 100.0 * share
        if power.at_most or (share is not None and share > self._limits.largest_share):
            self.told.at_most(*(f"{key}_{unit}" for unit in ("dbfs", "v_rms") if in_volts or unit == "dbfs"))
            if name == WEIGHTINGS[0] and not self.said:  # once for both
                self.said.append(self._limits.words(what, None if power.at_most else share, by))
            return
        # The bench's part is in the value: it may be so much less, never more.
        spread = TWO_SIDED_95 * power.standard_deviation / (2.0 * power.stated)
        parts = (*own_parts(spread), of_limits(BENCH_NOISE, (share or 0.0) / 2.0))
        self._parts[key] = parts
        self.told.add(f"{key}_dbfs", parts, DB_PER_NEPER)
        scale = scale_parts(self._recording, self._column)
        if in_volts and scale is not None:
            self.told.add(f"{key}_v_rms", (*scale, *parts), level)

    def tell_range(self, name: str) -> None:
        """Tell how far the residual lies below the reference."""
        self._below(f"residual_{name}", range_key(name))

    def tell_idle_below(self, name: str) -> None:
        """Tell how far the idle noise lies below the reference."""
        self._below(f"idle_{name}", f"idle_{name}_below_db")

    def _below(self, source: str, key: str) -> None:
        full_scale_db = 20.0 * math.log10(self._reference.level / self._recording.reference(self._column))
        self.told.values[key] = full_scale_db - self.told.values[f"{source}_dbfs"]
        if f"{source}_dbfs" in self.told.bound:
            self.told.at_most(key, word="at least")
        elif self._reference.parts is not None:
            self.told.add(key, (*self._parts[source], *self._reference.parts), DB_PER_NEPER)

    def tell_tone(self, tone: ToneAnalysis, fall_db: float) -> None:
        """Tell the tone itself, the reference, and the spectrum relative to the reference."""
        full_scale, values = self._recording.reference(self._column), self.told.values
        own = own_parts(tone.level_uncertainty / tone.level_rms)
        values["frequency_hz"], values["fall_db"] = tone.frequency_hz, fall_db
        values["tone_dbfs"] = 20.0 * math.log10(tone.level_rms / full_scale)
        values["reference_dbfs"] = 20.0 * math.log10(self._reference.level / full_scale)
        self.told.add("tone_dbfs", own, DB_PER_NEPER)
        if self._recording.scale_v(self._column) is not None:
            values["tone_v_rms"], values["reference_v_rms"] = tone.level_rms, self._reference.level
            scale = scale_parts(self._recording, self._column)
            if scale is not None:
                self.told.add("tone_v_rms", (*scale, *own), tone.level_rms)
        offset_db = 20.0 * math.log10(tone.level_rms / self._reference.level)
        values["spectrum"] = spectrum_values(tone.spectrum, offset_db=offset_db)
