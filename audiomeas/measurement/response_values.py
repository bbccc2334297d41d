"""One channel's figures of a response: what is known of it, in the contract's keys."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, combined_over
from audiomeas.measurement import response_balance
from audiomeas.measurement.budget import NOISE_AND_FIT, Told
from audiomeas.measurement.response_ends import corner_keys, corners, time_constant_keys, time_constants
from audiomeas.measurement.scale_parts import ratio_parts

if TYPE_CHECKING:
    from typing import TypeAlias

    from audiomeas.analysis.stepped_response import SteppedResponse
    from audiomeas.analysis.sweep import HarmonicResponse, SweepResponse
    from audiomeas.measurement.result import ChannelResult

    #: By a sweep or by steps: figures are made of both alike.
    AnyResponse: TypeAlias = SweepResponse | SteppedResponse

#: dB of a small relative change of amplitude.
_DB_PER_PART = 20.0 / math.log(10.0)
#: Harmonics are listed at every fourth point: a sixth of an octave at 24 points.
_HARMONIC_STEP = 4
#: A harmonic is told from its noise at this many times its r.m.s.: noise alone passes once in 8,000 points (Rayleigh).
_HEARD = 3.0


_LIST_KEYS = (
    "frequency_hz",
    "gain_db",
    "phase_deg",
    "gain_uncertainty_db",
    "gain_shape_uncertainty_db",
    "phase_uncertainty_deg",
    "group_delay_s",
    *response_balance.list_keys(),
)
_NUMBER_KEYS = (
    "delay_s",
    "interchannel_delay_s",
    "polarity",
    "gain_at_reference_db",
    "deviation_db",
    "deviation_low_db",
    "deviation_high_db",
    *corner_keys(),
    *time_constant_keys(),
    *response_balance.number_keys(),
)


def unknown(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of a channel of which nothing can be said."""
    return {
        **{key: [] for key in _LIST_KEYS},
        "reference_hz": options["reference_hz"],
        **dict.fromkeys(_NUMBER_KEYS),
        "harmonics": [],
    }


class ChannelFigures:
    """Makes one channel's values of its response: what is known, in the contract's keys."""

    def __init__(
        self,
        *,
        channel: int,
        response: AnyResponse,
        base: AnyResponse | None,
        scale: tuple[Part, ...] | None,
        base_scale: tuple[Part, ...] | None,
        absolute: bool,
        same_clock: bool,
        band_hz: tuple[float, float],
        reference_hz: float,
    ) -> None:
        from audiomeas.analysis.response_figures import index_of
        from audiomeas.units import amplitude_ratio_to_db

        self._channel = channel
        self._response = response
        self._base = base
        self._scale, self._base_scale = scale, base_scale
        self._absolute = absolute
        self._same_clock = same_clock
        self._band_hz = band_hz
        self._reference_hz = reference_hz
        self._reference = index_of(response.frequency_hz, reference_hz)
        self._gain_db = amplitude_ratio_to_db(response.gain)
        self._relative_db = self._gain_db - self._gain_db[self._reference]
        self._uncertainty_db = _DB_PER_PART * response.gain_uncertainty
        self._told = Told({})

    def result(self) -> ChannelResult:
        """Return the channel's result."""
        values = self._told.values
        values.update(self._curves())
        values["reference_hz"] = self._reference_hz
        values.update(self._times())
        self._tell_gain()
        self._tell_deviation()
        self._tell_ends()
        self._tell_balance()
        values["harmonics"] = [
            facts for harmonic in self._response.harmonics if (facts := harmonic_facts(harmonic)) is not None
        ]
        return self._told.result(self._channel)

    def _curves(self) -> dict[str, Any]:
        one = self._response
        nothing = [None] * len(one.frequency_hz)
        phase_deg = _rounded(one.phase_deg(self._reference_hz), 5)
        return {
            "frequency_hz": _rounded(one.frequency_hz, 6),
            "gain_db": _rounded(self._gain_db if self._absolute else self._relative_db, 6),
            "phase_deg": phase_deg if self._same_clock else nothing,
            "gain_uncertainty_db": self._total_uncertainty_db(),
            "gain_shape_uncertainty_db": _rounded(self._uncertainty_db, 6),
            "phase_uncertainty_deg": _rounded(one.phase_uncertainty_deg, 5) if self._same_clock else nothing,
            "group_delay_s": _rounded(one.group_delay_s, 10) if self._same_clock else nothing,
        }

    def _total_uncertainty_db(self) -> list[float] | list[None]:
        """Return the uncertainty of gain: an absolute one also carries that of the calibrations; None: not known."""
        scale = self._scale if self._absolute else ()
        if scale is None:
            return [None] * len(self._uncertainty_db)
        return _rounded(_DB_PER_PART * combined_over(scale, self._response.gain_uncertainty), 6)

    def _times(self) -> dict[str, Any]:
        one, base = self._response, self._base
        between_s = None if base is None or not self._same_clock else _arrival_s(one, base)
        return {
            "delay_s": one.delay_s if one.start_known and self._same_clock else None,
            "interchannel_delay_s": between_s,
            "polarity": one.polarity,
        }

    def _tell_gain(self) -> None:
        self._told.values["gain_at_reference_db"] = None
        if not self._absolute:
            return
        self._told.values["gain_at_reference_db"] = float(self._gain_db[self._reference])
        if self._scale is not None:
            own = Part(NOISE_AND_FIT, float(self._response.gain_uncertainty[self._reference]))
            self._told.add("gain_at_reference_db", (*self._scale, own), _DB_PER_PART)

    def _tell_balance(self) -> None:
        import numpy as np

        from audiomeas.units import amplitude_ratio_to_db

        if self._base is None:
            self._told.values.update(response_balance.nothing(len(self._gain_db)))
            return
        own, base = self._response.gain_uncertainty, self._base.gain_uncertainty
        # The first channel beside itself is 0 dB, exactly.
        same = self._base is self._response
        difference = response_balance.Difference(
            level_db=self._gain_db - amplitude_ratio_to_db(self._base.gain),
            scale=() if same else ratio_parts(self._scale, self._base_scale),
            noise=np.zeros(len(own)) if same else np.hypot(own, base),
        )
        response_balance.tell_balance(
            self._told, self._response.frequency_hz, difference, reference=self._reference, band_hz=self._band_hz
        )

    def _tell_deviation(self) -> None:
        from audiomeas.analysis.response_figures import deviation_within

        found = deviation_within(self._response.frequency_hz, self._relative_db, *self._band_hz)
        at_reference = Part("noise and fit at the reference", float(self._uncertainty_db[self._reference]))
        for key, value_db, index in (
            ("deviation_db", found.largest_db, found.largest_index),
            ("deviation_low_db", found.low_db, found.low_index),
            ("deviation_high_db", found.high_db, found.high_index),
        ):
            self._told.values[key] = value_db
            self._told.add(key, (Part(NOISE_AND_FIT, float(self._uncertainty_db[index])), at_reference))

    def _tell_ends(self) -> None:
        one = self._response
        for values, uncertainty in (
            corners(one.frequency_hz, self._relative_db, self._uncertainty_db, self._reference),
            time_constants(one.frequency_hz, one.gain, one.gain_uncertainty, self._reference_hz),
        ):
            self._told.values.update(values)
            for key, half in uncertainty.items():
                self._told.add(key, [Part(NOISE_AND_FIT, half)])


def _arrival_s(one: AnyResponse, base: AnyResponse) -> float | None:
    """Return how much later a channel's impulse comes; None when each channel's start was found on its own."""
    if one.start_known != base.start_known:
        return None
    return one.delay_s - base.delay_s if one.start_known else None


def harmonic_facts(harmonic: HarmonicResponse, *, every: int = _HARMONIC_STEP) -> dict[str, Any] | None:
    """Return a harmonic as lists of each so many points; what noise may have made is null. None when all of it is."""
    keep = slice(None, None, every)
    ratio, noise = harmonic.ratio[keep], _HEARD * harmonic.noise[keep]
    size = abs(ratio)
    heard = size > noise
    if not heard.any():
        return None
    import numpy as np

    return {
        "order": harmonic.order,
        "frequency_hz": _rounded(harmonic.frequency_hz[keep], 3),
        "distortion_percent": [
            _significant(100.0 * float(value)) if there else None for value, there in zip(size, heard, strict=True)
        ],
        "phase_deg": [
            round(float(value), 2) if there else None
            for value, there in zip(np.degrees(np.angle(ratio)), heard, strict=True)
        ],
        "noise_percent": [_significant(100.0 * float(value)) for value in noise],
    }


def _significant(value: float) -> float:
    return float(f"{value:.5g}")


def _rounded(values: Any, decimals: int) -> list[float]:
    return [round(float(value), decimals) for value in values]
