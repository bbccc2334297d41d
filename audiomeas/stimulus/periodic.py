"""Square waves and tone bursts that repeat, as their Fourier series up to the band's edge: nothing folds back.

The series of a square rings by itself at its edges (J. W. Gibbs, Nature 59, 1899): its peak is 18 % above its top. The
level is set by that true peak, as the standards on intermodulation do: the r.m.s. of the sine that has the same peak.

Each is played quietly first and then at its level, so that what the level alone adds can be told.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from audiomeas.stimulus.base import FloatArray, JsonFacts, Window, checked_tone, joined, raised_cosine_ramp
from audiomeas.stimulus.tones import SQUARE_EDGE
from audiomeas.units import SQRT2, db_to_amplitude_ratio

ComplexArray = NDArray[np.complex128]

#: A window is so many parts of whole periods each: what differs from part to part is noise.
PARTS = 8
#: Steps a period at which the peak is looked for, for each line of the series: it is met within 0.02 %.
_PEAK_STEPS = 64
#: A square has at least so many harmonics, the odd ones; fewer have no edge.
_FEWEST_ODD = 5
#: No window lasts longer, and none is played that is quieter than this below the other.
_LONGEST_S, _DEEPEST_DB = 60.0, 60.0


def _refuse_window(window_s: float) -> None:
    if not (math.isfinite(window_s) and 0.0 < window_s <= _LONGEST_S):
        raise ValueError(f"a window lasts up to {_LONGEST_S:g} s, not {window_s:g} s")


@dataclass(frozen=True, kw_only=True)
class PeriodicWave(JsonFacts):
    """What both share: ramp, settling, quiet window, ramp, settling, loud window, ramp; one phase throughout.

    frequency_hz : of repetition, with whole periods in each of the window's `PARTS` (see `of`).
    peak_v : largest instantaneous voltage, the ringing of the series included.
    quiet_below_db : of the first window, below the second.   window_s : of each.
    """

    frequency_hz: float
    peak_v: float
    sample_rate_hz: float
    window_s: float = 1.0
    settle_s: float = 0.3
    ramp_s: float = 0.02
    quiet_below_db: float = 20.0
    driven_channels: tuple[int, ...] = (1, 2)

    def __post_init__(self) -> None:
        checked_tone(self.frequency_hz, self.peak_v, self.sample_rate_hz)
        _refuse_window(self.window_s)
        if not (math.isfinite(self.quiet_below_db) and 0.0 < self.quiet_below_db <= _DEEPEST_DB):
            raise ValueError(f"the quiet window lies up to {_DEEPEST_DB:g} dB below, not {self.quiet_below_db:g} dB")
        if abs(self._part_periods - self.frequency_hz * self._part_frames / self.sample_rate_hz) > 1e-6:
            raise ValueError(f"{self.frequency_hz:g} Hz has no whole periods in {self.window_s / PARTS:g} s")

    @classmethod
    def of(
        cls, *, frequency_hz: float, peak_v: float, sample_rate_hz: float, window_s: float = 1.0, **rest: Any
    ) -> Self:
        """Make one of the nearest frequency that has whole periods in each part of such a window. Raises ValueError."""
        checked_tone(frequency_hz, peak_v, sample_rate_hz)
        _refuse_window(window_s)
        if frequency_hz * window_s < PARTS:
            raise ValueError(f"{frequency_hz:g} Hz needs a window of at least {PARTS / frequency_hz:.3g} s")
        periods = math.floor(frequency_hz * window_s / PARTS + 1e-9)
        frames = round(periods * sample_rate_hz / frequency_hz)
        exact_hz = periods * sample_rate_hz / frames
        window_s = PARTS * frames / sample_rate_hz
        return cls(frequency_hz=exact_hz, peak_v=peak_v, sample_rate_hz=sample_rate_hz, window_s=window_s, **rest)

    @classmethod
    def at_level(cls, *, level_v_rms: float, **rest: Any) -> Self:
        """Make one as `of` does, whose peak is that of a sine of this r.m.s. voltage."""
        return cls.of(peak_v=level_v_rms * SQRT2, **rest)

    @property
    @abstractmethod
    def orders(self) -> FloatArray:
        """Orders of the lines that are played, rising, (lines,)."""

    @abstractmethod
    def _lines(self) -> ComplexArray:
        """Return the lines of the wave without a band's edge, (lines,): peak amplitudes, phases as of cosines."""

    @property
    def band_hz(self) -> float:
        """Where the series ends."""
        return SQUARE_EDGE * self.sample_rate_hz

    @property
    def window_frames(self) -> int:
        """Frames of each window."""
        return PARTS * self._part_frames

    @property
    def periods(self) -> int:
        """Periods in each window."""
        return PARTS * self._part_periods

    @property
    def quiet_ratio(self) -> float:
        """Level of the quiet window over that of the loud one."""
        return db_to_amplitude_ratio(-self.quiet_below_db)

    @cached_property
    def lines_v(self) -> ComplexArray:
        """Lines of the loud window, (lines,), in volts: peak amplitudes, phases as of cosines from its first frame."""
        orders, lines = self.orders, self._lines()
        shape = _rendered(orders, lines, _PEAK_STEPS * (int(orders[-1]) + 1))
        return np.asarray(lines * (self.peak_v / float(np.max(np.abs(shape)))))

    @property
    def level_v_rms(self) -> float:
        """R.m.s. voltage of the loud window."""
        return float(np.sqrt(0.5 * np.sum(np.abs(self.lines_v) ** 2)))

    @property
    def frames(self) -> int:
        """Length, ramps included."""
        return 2 * (self._lead_frames + self.window_frames) + self._ramp_frames

    def samples_v(self, span: range | None = None) -> FloatArray:
        """Return one channel's samples, (frames,), in volts; of a span of them alone where one is asked for."""
        span = range(self.frames) if span is None else span
        # Begun so that both windows begin a period.
        quiet, _ = self.windows()
        place = (np.arange(span.start, span.stop) - quiet.start) % self._part_frames
        return np.asarray(self._part_v[place] * self._envelope(span))

    @cached_property
    def _part_v(self) -> FloatArray:
        return _rendered(self._part_periods * self.orders, self.lines_v, self._part_frames)

    def windows(self) -> tuple[Window, ...]:
        """Return the quiet window and the loud one."""
        first = self._lead_frames
        between = self.window_frames + self._lead_frames
        # Whole parts lie between the two, so that their phases are the same.
        return tuple(
            Window(start=start, stop=start + self.window_frames, level_v_rms=self.level_v_rms * ratio)
            for start, ratio in ((first, self.quiet_ratio), (first + between, 1.0))
        )

    def _envelope(self, span: range) -> FloatArray:
        ramp, low = raised_cosine_ramp(self._ramp_frames), self.quiet_ratio
        flat = self._lead_frames - self._ramp_frames + self.window_frames
        second = len(ramp) + flat

        def ramped(from_level: float, to_level: float) -> Callable[[range], FloatArray]:
            return lambda part: from_level + (to_level - from_level) * ramp[part.start : part.stop]

        def level(level: float) -> Callable[[range], FloatArray]:
            return lambda part: np.full(len(part), level)

        return joined(
            (
                (0, len(ramp), ramped(0.0, low)),
                (len(ramp), flat, level(low)),
                (second, len(ramp), ramped(low, 1.0)),
                (second + len(ramp), flat, level(1.0)),
                (2 * second, len(ramp), lambda part: ramp[::-1][part.start : part.stop]),
            ),
            span,
        )

    @property
    def _part_frames(self) -> int:
        return round(self.window_s * self.sample_rate_hz / PARTS)

    @property
    def _part_periods(self) -> int:
        return round(self.frequency_hz * self._part_frames / self.sample_rate_hz)

    @property
    def _ramp_frames(self) -> int:
        return round(self.ramp_s * self.sample_rate_hz)

    @property
    def _lead_frames(self) -> int:
        """Ramp and settling before each window: whole parts, so that all windows begin a period."""
        wanted = self._ramp_frames + round(self.settle_s * self.sample_rate_hz)
        return math.ceil(wanted / self._part_frames) * self._part_frames


def _rendered(bins: FloatArray, lines: ComplexArray, frames: int) -> FloatArray:
    """Return frames of a wave by its lines, at so many periods in all of the frames each."""
    spectrum = np.zeros(frames // 2 + 1, dtype=np.complex128)
    spectrum[np.rint(bins).astype(np.intp)] = 0.5 * frames * lines
    return np.asarray(np.fft.irfft(spectrum, frames))


@dataclass(frozen=True, kw_only=True)
class SquareWave(PeriodicWave):
    """A square wave: odd harmonics, each smaller by its order."""

    kind: ClassVar[str] = "square"

    def __post_init__(self) -> None:
        super().__post_init__()
        if len(self.orders) < _FEWEST_ODD:
            raise ValueError(
                f"a square wave of {self.frequency_hz:g} Hz has fewer than {_FEWEST_ODD} odd harmonics up to "
                f"{self.band_hz:g} Hz, and so no edge: use at most {self.band_hz / (2 * _FEWEST_ODD):.4g} Hz, or a "
                "higher sample rate"
            )

    @property
    def orders(self) -> FloatArray:
        """Orders of the lines that are played, rising, (lines,)."""
        return np.arange(1.0, self.band_hz / self.frequency_hz, 2.0)

    def _lines(self) -> ComplexArray:
        return np.asarray(-4.0j / (np.pi * self.orders))


@dataclass(frozen=True, kw_only=True)
class ToneBurst(PeriodicWave):
    """Some periods of a sine, begun and ended where it crosses zero, and a rest; again and again.

    frequency_hz : of repetition.  tone_periods, rest_periods : of the sine, played and then left out.
    """

    kind: ClassVar[str] = "tone-burst"

    tone_periods: int = 10
    rest_periods: int = 27

    def __post_init__(self) -> None:
        super().__post_init__()
        for count in (self.tone_periods, self.rest_periods):
            if isinstance(count, bool) or not isinstance(count, int) or not 2 <= count <= 1000:
                raise ValueError(f"a burst and its rest have 2 to 1000 periods each, not {count}")
        if 2.0 * self.tone_hz > self.band_hz:
            raise ValueError(
                f"a burst of {self.tone_hz:g} Hz lies too near to {self.band_hz:g} Hz, where the series ends: use at "
                f"most {self.band_hz / 2.0:.4g} Hz, or a higher sample rate"
            )

    @classmethod
    def of_tone(
        cls, *, tone_hz: float, level_v_rms: float, sample_rate_hz: float, tone_periods: int, rest_periods: int,
        **rest: Any,
    ) -> Self:  # fmt: skip
        """Make bursts of a tone of about this frequency, whose peak is that of a sine of this r.m.s. voltage."""
        checked_tone(tone_hz, level_v_rms, sample_rate_hz)
        return cls.at_level(
            frequency_hz=tone_hz / (tone_periods + rest_periods),
            level_v_rms=level_v_rms,
            sample_rate_hz=sample_rate_hz,
            tone_periods=tone_periods,
            rest_periods=rest_periods,
            **rest,
        )

    @property
    def level_v_rms(self) -> float:
        """R.m.s. voltage of the tone while it sounds, by its peak: what a unit delivers then."""
        return self.peak_v / SQRT2

    @property
    def tone_hz(self) -> float:
        """Frequency of the sine."""
        return self.frequency_hz * (self.tone_periods + self.rest_periods)

    @property
    def orders(self) -> FloatArray:
        """Orders of the lines that are played, rising, (lines,)."""
        return np.arange(1.0, self.band_hz / self.frequency_hz)

    def _lines(self) -> ComplexArray:
        whole = self.tone_periods + self.rest_periods
        part = self.tone_periods / whole

        def turned(order: FloatArray) -> ComplexArray:
            """Return the mean over a period of exp(2πi·order·t) while the tone sounds."""
            return np.asarray(part * np.exp(1j * np.pi * order * part) * np.sinc(order * part))

        return np.asarray((turned(whole - self.orders) - turned(-whole - self.orders)) / 1j)
