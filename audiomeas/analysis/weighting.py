"""Weightings of noise as exact functions of frequency, by name; applied in the frequency domain at any sample rate.

A and C: IEC 61672-1 (2013), Annex E.  ITU-R 468: Recommendation ITU-R BS.468-4 (1986), the network of its figure 1 as
poles and a zero (numerical; they reproduce all cells of its table 1 within 0.051 dB).  Low-passes for tuners: common
practice.  Rumble: DIN 45539 / IEC 60098 from memory, asymptotes only: low confidence, as its `note` says.

Real-time forms of the same weightings stand in `weighting_filters`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from audiomeas.errors import RequestError, SignalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: The impulse response of an analogue network is down by 160 dB after this many of its slowest time constants
#: (double poles counted); that much silence stands behind a signal, so that nothing wraps around.
_TAIL_TAUS = 24.0


@dataclass(frozen=True, kw_only=True)
class Network:
    """An analogue network. zeros, poles : in rad/s, complex ones in pairs.   unity_hz : where its gain is 0 dB.

    unity_hz None: no place but the middle of the pass band, where it stands as designed with `gain`.
    """

    zeros: tuple[complex, ...]
    poles: tuple[complex, ...]
    unity_hz: float | None = None
    gain: float = 1.0

    @property
    def factor(self) -> float:
        """What Π(s − z)/Π(s − p) is multiplied by."""
        return self.gain if self.unity_hz is None else 1.0 / abs(self._product(np.array([self.unity_hz]))[0])

    @property
    def slowest_s(self) -> float:
        """The longest time constant of a pole, in s."""
        return max(-1.0 / pole.real for pole in self.poles)

    def response(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the complex gain. frequency_hz : any shape, not negative."""
        return np.asarray(self.factor * self._product(np.asarray(frequency_hz, dtype=np.float64)))

    def _product(self, frequency_hz: FloatArray) -> ComplexArray:
        s = 2j * np.pi * frequency_hz
        product = np.ones_like(s)
        # Each pole with a zero, as long as there are any: no factor grows beyond what a float holds.
        for number, pole in enumerate(self.poles):
            zero = self.zeros[number] if number < len(self.zeros) else None
            product *= (1.0 if zero is None else s - zero) / (s - pole)
        return product


@dataclass(frozen=True, kw_only=True)
class Flat:
    """Passes low_hz to high_hz as it is, nothing else; or falls as a cosine from high_hz to stop_hz."""

    low_hz: float
    high_hz: float
    stop_hz: float | None = None

    def response(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the gain (real: no delay). Half the power at an edge itself."""
        hz = np.asarray(frequency_hz, dtype=np.float64)
        gain = np.where((hz > self.low_hz) & (hz < self.high_hz), 1.0, 0.0)
        at_edge = ((hz == self.low_hz) & (self.low_hz > 0.0)) | (hz == self.high_hz)
        gain = np.where(at_edge, math.sqrt(0.5), gain)
        if self.low_hz == 0.0:
            gain = np.where(hz == 0.0, 1.0, gain)
        if self.stop_hz is not None:
            part = np.clip((hz - self.high_hz) / (self.stop_hz - self.high_hz), 0.0, 1.0)
            gain = np.where(hz >= self.high_hz, 0.5 + 0.5 * np.cos(np.pi * part), gain)
        return gain.astype(np.complex128)


@dataclass(frozen=True, kw_only=True)
class Weighting:
    """A weighting.

    name : as asked for.  words : as printed.  reference : where it is 0 dB.  source : standard and clause.
    note : what has to be said with each result, '' for nothing.
    """

    name: str
    words: str
    reference: str
    source: str
    shape: Network | Flat
    note: str = ""

    def response(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the complex gain at frequencies in Hz. Raises SignalError for a frequency below 0 or no number."""
        hz = np.asarray(frequency_hz, dtype=np.float64)
        if not bool(np.all(np.isfinite(hz) & (hz >= 0.0))):
            raise SignalError(f"the weighting {self.words} was asked for at a frequency that is negative or no number")
        return self.shape.response(hz)

    def gain_db(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the gain in dB; −inf where nothing passes. Raises SignalError."""
        with np.errstate(divide="ignore"):
            return np.asarray(20.0 * np.log10(np.abs(self.response(frequency_hz))))

    def power_gain(self, frequency_hz: FloatArray) -> FloatArray:
        """Return |W|², for a power spectrum. Raises SignalError."""
        return np.asarray(np.abs(self.response(frequency_hz)) ** 2)


def weighting(name: str) -> Weighting:
    """Return a weighting by its name. Raises RequestError for one that is not known."""
    if name not in WEIGHTINGS:
        raise RequestError(f"no weighting is named {name!r}; choose one of {', '.join(WEIGHTINGS)}")
    return WEIGHTINGS[name]


def apply_weighting(signal: FloatArray, sample_rate_hz: float, by: Weighting) -> FloatArray:
    """Return a signal as it leaves a weighting, (frames, channels), with the network's own delay and phase.

    signal : (frames, channels), taken as silent before its beginning. Multiplied at each frequency below half the rate
    with the exact gain (nothing is bent as by a bilinear transform); silence is added behind, so nothing wraps around.
    Raises SignalError for samples or a rate that can't be.
    """
    samples = np.asarray(signal, dtype=np.float64)
    if samples.ndim != 2 or not samples.size or not bool(np.all(np.isfinite(samples))):
        raise SignalError("a weighting needs samples, shaped (frames, channels), that are all numbers")
    if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0.0):
        raise SignalError("a weighting needs a sample rate above 0 Hz")
    # A gain without delay reaches backwards too: silence as long as the signal separates both ends.
    tail_s = _TAIL_TAUS * by.shape.slowest_s if isinstance(by.shape, Network) else 0.0
    size = next_fast_len(len(samples) + max(len(samples), math.ceil(tail_s * sample_rate_hz)), real=True)
    gain = by.response(rfftfreq(size, 1.0 / sample_rate_hz))[:, np.newaxis]
    return np.asarray(irfft(rfft(samples, size, axis=0) * gain, size, axis=0)[: len(samples)])


def butterworth_poles(order: int, corner_hz: float) -> tuple[complex, ...]:
    """Return the poles of a Butterworth low-pass, in rad/s. Source: S. Butterworth, Wireless Eng. 7 (1930), 536-541."""
    angles = [math.pi * (2 * k + order + 1) / (2 * order) for k in range(order)]
    return tuple(2.0 * math.pi * corner_hz * complex(math.cos(angle), math.sin(angle)) for angle in angles)


def butterworth_band(low_hz: float, high_hz: float, *, order: int = 4) -> Weighting:
    """Return a band between two Butterworth slopes of an order each, 3.01 dB down at its edges (far apart).

    low_hz 0 leaves the high-pass out, high_hz infinite the low-pass.  Raises RequestError for what is no band.
    """
    _check_band(low_hz, high_hz, most=math.inf)
    if not 1 <= order <= 12:
        raise RequestError("a Butterworth slope has an order from 1 to 12")
    high_pass = () if low_hz == 0.0 else butterworth_poles(order, low_hz)
    low_pass = () if math.isinf(high_hz) else butterworth_poles(order, high_hz)
    if not high_pass and not low_pass:
        raise RequestError("a band from 0 Hz to infinity is no filter; give an edge")
    gain = (2.0 * math.pi * high_hz) ** order if low_pass else 1.0
    shape = Network(zeros=(0j,) * len(high_pass), poles=(*high_pass, *low_pass), gain=gain)
    slope = f"Butterworth, {6 * order} dB/octave"
    return Weighting(
        name=f"butterworth_{low_hz:g}_{high_hz:g}_{order}",
        words=f"{low_hz:g} Hz to {high_hz:g} Hz, {slope}",
        reference="0 dB inside the band",
        source=f"{slope}, closed form",
        shape=shape,
    )


def brick_wall_band(low_hz: float, high_hz: float) -> Weighting:
    """Return a band with vertical edges. Raises RequestError for what is no band."""
    _check_band(low_hz, high_hz, most=1e12)
    return Weighting(
        name=f"brick_wall_{low_hz:g}_{high_hz:g}",
        words=f"{low_hz:g} Hz to {high_hz:g} Hz, brick wall",
        reference="0 dB inside the band",
        source="brick wall, by definition",
        shape=Flat(low_hz=low_hz, high_hz=high_hz),
    )


def _check_band(low_hz: float, high_hz: float, *, most: float) -> None:
    if not (0.0 <= low_hz < high_hz <= most):
        raise RequestError(f"{low_hz:g} Hz to {high_hz:g} Hz is no band; give a lower and a higher frequency")


def _hz(*corners_hz: float) -> tuple[complex, ...]:
    return tuple(complex(-2.0 * math.pi * hz) for hz in corners_hz)


def _annex_e_poles() -> tuple[float, float, float, float]:
    """Return f1 … f4 of IEC 61672-1 (2013), Annex E (E.2 to E.4), in Hz, from f_r, f_L, f_H and f_A."""
    reference, low, high, a_corner = 1000.0**2, 10.0**3, 10.0**7.8, 10.0**2.45
    half = math.sqrt(0.5)
    b = (reference + low * high / reference - half * (low + high)) / (1.0 - half)
    spread = math.sqrt(b * b - 4.0 * low * high)
    f1, f4 = math.sqrt((-b - spread) / 2.0), math.sqrt((-b + spread) / 2.0)
    return f1, (3.0 - math.sqrt(5.0)) / 2.0 * a_corner, (3.0 + math.sqrt(5.0)) / 2.0 * a_corner, f4


_F1, _F2, _F3, _F4 = _annex_e_poles()

#: ITU-R BS.468-4: poles of the network, in rad/s, and a zero at 0. They reproduce the Recommendation's table 1.
_BS468_POLES = (
    complex(-25903.7010478),
    complex(-23615.5352136, -36379.9089373),
    complex(-23615.5352136, 36379.9089373),
    complex(-62675.1700585),
    complex(-18743.7466907, -62460.1564525),
    complex(-18743.7466907, 62460.1564525),
)


def _bs468(unity_hz: float) -> Network:
    return Network(zeros=(0j,), poles=_BS468_POLES, unity_hz=unity_hz)


#: Peak of the weighted rumble curve and corner of the unweighted one, in Hz (confirmed by a test record's leaflet).
_RUMBLE_HZ = 315.0
#: Low corner of the unweighted rumble curve, in Hz: from memory, uncertain.
_RUMBLE_LOW_HZ = 10.0
_RUMBLE_NOTE = (
    "low confidence: the printed rumble tables were not at hand; made from straight-line asymptotes known from memory, "
    "which may be off by 3 dB, and 6 dB near the corners"
)


def _pair_of_quality_1(corner_hz: float) -> tuple[complex, complex]:
    pole = 2.0 * math.pi * corner_hz * complex(-0.5, math.sqrt(0.75))
    return pole, pole.conjugate()


def _rumble(kind: Literal["weighted", "unweighted"]) -> Weighting:
    """Return a rumble weighting: second-order slopes (12 dB/octave) that meet the asymptotes far from 315 Hz.

    Poles of quality 1 put 0 dB at 315 Hz itself, as the leaflet has it.
    """
    low_pass = _pair_of_quality_1(_RUMBLE_HZ)
    gain = (2.0 * math.pi * _RUMBLE_HZ) ** 2
    high_pass = low_pass if kind == "weighted" else butterworth_poles(2, _RUMBLE_LOW_HZ)
    shape = Network(zeros=(0j, 0j), poles=(*high_pass, *low_pass), gain=gain)
    about = "peak at 315 Hz" if kind == "weighted" else "about 10 Hz to 315 Hz"
    return Weighting(
        name=f"rumble_{kind}",
        words=f"rumble {kind}",
        reference=f"0 dB at 315 Hz; {about}, 12 dB/octave outside",
        source="DIN 45539 / IEC 60098, from memory",
        shape=shape,
        note=_RUMBLE_NOTE,
    )


WEIGHTINGS: dict[str, Weighting] = {
    one.name: one
    for one in (
        Weighting(
            name="a",
            words="A",
            reference="0 dB at 1 kHz",
            source="IEC 61672-1:2013, Annex E",
            shape=Network(zeros=(0j,) * 4, poles=_hz(_F1, _F1, _F2, _F3, _F4, _F4), unity_hz=1000.0),
        ),
        Weighting(
            name="c",
            words="C",
            reference="0 dB at 1 kHz",
            source="IEC 61672-1:2013, Annex E",
            shape=Network(zeros=(0j,) * 2, poles=_hz(_F1, _F1, _F4, _F4), unity_hz=1000.0),
        ),
        Weighting(
            name="itu_r_468",
            words="ITU-R 468",
            reference="0 dB at 1 kHz",
            source="ITU-R BS.468-4, clause 1",
            shape=_bs468(1000.0),
        ),
        Weighting(
            name="itu_r_468_2k",
            words="ITU-R 468, 0 dB at 2 kHz",
            reference="0 dB at 2 kHz",
            source="ITU-R BS.468-4, clause 1; 2 kHz by AES17 (r.m.s.) and by trade use (average; JAES 27, 1979)",
            shape=_bs468(2000.0),
        ),
        Weighting(
            name="lowpass_15k",
            words="15 kHz low-pass",
            reference="0 dB below 15 kHz",
            source="brick wall at 15 kHz, the audio band of FM broadcasts (common practice)",
            shape=Flat(low_hz=0.0, high_hz=15_000.0),
        ),
        Weighting(
            name="lowpass_19k",
            words="19 kHz low-pass",
            reference="0 dB below 15 kHz",
            source="flat to 15 kHz, cosine fall to nothing from 18.9 kHz on, so no stereo pilot (common practice)",
            shape=Flat(low_hz=0.0, high_hz=15_000.0, stop_hz=18_900.0),
        ),
        _rumble("weighted"),
        _rumble("unweighted"),
    )
}
