"""Equalizations of disc, tape, FM and CD: time constants, and their curves in closed form at any frequency.

Sources: IEC 60098:1987 (disc: 3180, 318, 75 µs, and 7950 µs in replay); IEC 60094-1:1981, clause 15, NAB 1965 and what
went before, as tabulated in IASA-TC 04 (2nd ed. 2009), 5.4, table 1 (tape); ITU-R BS.450 (FM: 50 and 75 µs); IEC 60908
(CD: 50/15 µs). The constants of FM, CD and of the old cassette are from memory; all are widely published.

Nothing here imports numpy before a curve is asked for: `--help` lists the names.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    ComplexArray = NDArray[np.complex128]

#: fall: 1/(1 + sT).  rise: 1 + sT.  cut: sT/(1 + sT), which takes the bass away.
Kind = Literal["fall", "rise", "cut"]

#: What drives a tape machine's replay amplifier: a voltage in series with its head, or flux through the head.
TapeSignal = Literal["voltage", "flux"]
TAPE_SIGNALS: tuple[TapeSignal, ...] = ("voltage", "flux")


@dataclass(frozen=True, kw_only=True)
class TimeConstant:
    """One pair of parts (a resistance and a capacitance) of an equalizer."""

    tau_s: float
    kind: Kind

    @property
    def corner_hz(self) -> float:
        """1/(2πT), where its own part of the curve is 3.01 dB from its asymptote."""
        return 1.0 / (2.0 * math.pi * self.tau_s)

    @property
    def name(self) -> str:
        """Return the constant as the trade says it: '75 µs'."""
        return f"{1e6 * self.tau_s:.4g} µs"


@dataclass(frozen=True, kw_only=True)
class Equalization:
    """What a unit's response ought to be: the product of its time constants, over s once where it integrates.

    name : as in options.  words : what it is.  source : the standard.
    tape_high_s, tape_low_s : of recorded flux (tape only; None: there is no bass constant).
    """

    name: str
    words: str
    source: str
    constants: tuple[TimeConstant, ...]
    integrates: bool = False
    tape_high_s: float | None = None
    tape_low_s: float | None = None

    def response(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the transfer function, (points,), without normalization. Frequencies in Hz, above zero."""
        import numpy as np

        s = 2j * np.pi * np.asarray(frequency_hz, dtype=np.float64)
        found = 1.0 / s if self.integrates else np.ones_like(s)
        for constant in self.constants:
            turn = s * constant.tau_s
            if constant.kind == "rise":
                found = found * (1.0 + turn)
            else:
                found = found / (1.0 + turn)
            if constant.kind == "cut":
                found = found * turn
        return np.asarray(found)

    def gain_db(self, frequency_hz: FloatArray, *, reference_hz: float = 1000.0) -> FloatArray:
        """Return the curve in dB relative to its value at reference_hz, (points,)."""
        import numpy as np

        size = np.abs(self.response(np.append(np.asarray(frequency_hz, dtype=np.float64), reference_hz)))
        return np.asarray(20.0 * np.log10(size[:-1] / size[-1]))


def tape_flux_db(
    frequency_hz: FloatArray, *, high_s: float, low_s: float | None, reference_hz: float = 1000.0
) -> FloatArray:
    """Return the standard recorded flux level in dB relative to reference_hz, (points,).

    −10 lg(1 + (2πf·high_s)²) + 10 lg(1 + 1/(2πf·low_s)²), without the second part where low_s is None.
    Source: IEC 60094-1:1981, clause 15 (formula from memory).
    """
    import numpy as np

    turn = 2.0 * np.pi * np.append(np.asarray(frequency_hz, dtype=np.float64), reference_hz)
    level_db = -10.0 * np.log10(1.0 + (turn * high_s) ** 2)
    if low_s is not None:
        level_db = level_db + 10.0 * np.log10(1.0 + 1.0 / (turn * low_s) ** 2)
    return np.asarray(level_db[:-1] - level_db[-1])


def _constants(kind: Kind, *tau_us: float) -> tuple[TimeConstant, ...]:
    return tuple(TimeConstant(tau_s=1e-6 * tau, kind=kind) for tau in tau_us)


_DISC = _constants("fall", 3180.0, 75.0) + _constants("rise", 318.0)

_OTHERS = (
    Equalization(
        name="riaa",
        words="RIAA disc replay (3180, 318, 75 µs)",
        source="IEC 60098:1987, without the 7950 µs bass cut",
        constants=_DISC,
    ),
    Equalization(
        name="riaa-iec",
        words="RIAA disc replay with the IEC bass cut (7950, 3180, 318, 75 µs)",
        source="IEC 60098:1987",
        constants=_DISC + _constants("cut", 7950.0),
    ),
    *(
        Equalization(
            name=f"fm-{tau}",
            words=f"FM de-emphasis {tau} µs",
            source="ITU-R BS.450",
            constants=_constants("fall", tau),
        )
        for tau in (50, 75, 25)
    ),
    Equalization(
        name="cd",
        words="CD de-emphasis 50/15 µs",
        source="IEC 60908",
        constants=_constants("fall", 50.0) + _constants("rise", 15.0),
    ),
)

#: name, words, bass constant in µs (0: none), treble constant in µs.
_TAPES = (
    ("tape-iec2-aes-76", "tape 76 cm/s, IEC2 and AES", 0.0, 17.5),
    ("tape-iec1-76", "tape 76 cm/s, IEC1, older CCIR and DIN", 0.0, 35.0),
    ("tape-iec1-38", "tape 38 cm/s, IEC1, CCIR and DIN studio", 0.0, 35.0),
    ("tape-nab-38", "tape 38 cm/s, NAB and IEC2", 3180.0, 50.0),
    ("tape-iec1-19", "tape 19 cm/s, IEC1, CCIR and DIN studio", 0.0, 70.0),
    ("tape-nab-19", "tape 19 cm/s, NAB, IEC2 and DIN home", 3180.0, 50.0),
    ("tape-ccir-19-old", "tape 19 cm/s, CCIR until about 1968", 0.0, 100.0),
    ("tape-nab-9", "tape 9.5 cm/s, NAB and IEC2", 3180.0, 90.0),
    ("tape-din-9-1962", "tape 9.5 cm/s, DIN 1962", 3180.0, 120.0),
    ("tape-iec-9-1962", "tape 9.5 cm/s, IEC 1962 to 1968", 3180.0, 140.0),
    ("tape-iec-cass-i", "compact cassette, IEC type I", 3180.0, 120.0),
    ("tape-iec-cass-ii-iv", "compact cassette, IEC types II to IV", 3180.0, 70.0),
    ("tape-iec-cass-i-old", "compact cassette, type I before about 1974", 1590.0, 120.0),
)


def _tape(name: str, words: str, low_us: float, high_us: float) -> Equalization:
    """Return what a replay amplifier does to a voltage in series with its head: 1/(ω × flux)."""
    said = f"{low_us:g} and {high_us:g} µs" if low_us else f"{high_us:g} µs"
    return Equalization(
        name=name,
        words=f"{words} ({said})",
        source="IEC 60094-1:1981 clause 15, NAB 1965; IASA-TC 04, 5.4 table 1",
        constants=(_constants("fall", low_us) if low_us else ()) + _constants("rise", high_us),
        # With a bass constant the integrator becomes a fall: T/(1 + sT) is 1/s far above its corner.
        integrates=not low_us,
        tape_high_s=1e-6 * high_us,
        tape_low_s=1e-6 * low_us if low_us else None,
    )


_ALL = {one.name: one for one in (*_OTHERS, *(_tape(*row) for row in _TAPES))}
NAMES: tuple[str, ...] = tuple(_ALL)
#: Targets that are told apart: name → the other one that a unit may have been built to.
RIVALS = {"riaa": "riaa-iec", "riaa-iec": "riaa"}


def equalization(name: str, *, tape_signal: TapeSignal = "voltage") -> Equalization:
    """Return an equalization by its name.

    tape_signal : what drives a tape machine's replay amplifier. 'flux' (a loop at the head, or a recorded tape of
    constant flux) puts the head's rise of 6 dB an octave before it.
    Raises ValueError: unknown name, or flux for something that is no tape machine.
    """
    if name not in _ALL:
        raise ValueError(f"unknown equalization {name!r}; known: {', '.join(NAMES)}")
    found = _ALL[name]
    if tape_signal == "voltage":
        return found
    if found.tape_high_s is None:
        raise ValueError(f"{name} is no equalization of tape: leave out tape_signal = {tape_signal}")
    low = () if found.tape_low_s is None else (TimeConstant(tau_s=found.tape_low_s, kind="cut"),)
    return replace(
        found,
        words=f"{found.words}, from flux",
        constants=(*low, TimeConstant(tau_s=found.tape_high_s, kind="rise")),
        integrates=False,
    )
