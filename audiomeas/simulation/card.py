"""A simulated sound card: full scales, curves, noise, coupling, latency, crystal, attenuator ranges.

What it makes of volts as codes is `interface.simulated`'s business.

A converter that is not straight makes of v, a part of full scale (peak 1),

    y = v + a₂·v² + a₃·v³       for v = A·cos ωt against the tone: second harmonic ½·a₂·A, third ¼·a₃·A²
                                (over 1 + ¾·a₃·A², which the tone itself is raised by)

sample by sample: what lies above half of the sample rate folds, as it does behind such a converter. Output and input
one after the other add where both are small: with c = v at the input over v at the output, ½·(a₂ + c·b₂)·A and
¼·(a₃ + c²·b₃)·A², b of the input; what is left out is of the size of a₂·b₂.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from audiomeas.errors import RequestError
from audiomeas.simulation.filters import FIR_DELAY_FRAMES
from audiomeas.simulation.resampling import Oversampler
from audiomeas.tomlfile import Table, nearest, read_toml

#: A card must be at least this slow: the filters of the simulated unit take their time inside its latency.
LEAST_LATENCY_FRAMES = FIR_DELAY_FRAMES + Oversampler.delay_frames


@dataclass(frozen=True, kw_only=True)
class AttenuatorRange:
    """A pad between the unit's output and the card's input. ratio : input over output, 50 for '50:1'."""

    name: str
    ratio: float


@dataclass(frozen=True, kw_only=True)
class ConverterCurve:
    """The polynomial of a converter, of parts of full scale: a₂ and a₃ (see the module)."""

    second_order: float = 0.0
    third_order: float = 0.0

    @property
    def straight(self) -> bool:
        """There is no polynomial."""
        return self.second_order == 0.0 and self.third_order == 0.0


@dataclass(frozen=True, kw_only=True)
class CardModel:
    """A two-in, two-out card with one crystal.

    v_rms_at_full_scale_out, _in : voltage (r.m.s.) of a sine that just reaches full scale (AES17).
    input_noise_v_rms, output_noise_v_rms : white, in 20 kHz.  adc_dither : triangular, two codes wide, before rounding.
    latency_frames : from playing to capturing, whole and fixed.
    output_low_cut_hz, input_low_cut_hz : coupling capacitors; 0 for none.
    clock_error_ppm : how much faster the crystal runs than it says.
    output_curve, input_curve : how the converters of both channels bend.
    """

    name: str
    host_api: str
    sample_rates_hz: tuple[float, ...]
    v_rms_at_full_scale_out: float
    v_rms_at_full_scale_in: float
    latency_frames: int
    ranges: tuple[AttenuatorRange, ...]
    input_noise_v_rms: float = 0.0
    output_noise_v_rms: float = 0.0
    adc_dither: bool = False
    output_low_cut_hz: float = 0.0
    input_low_cut_hz: float = 0.0
    clock_error_ppm: float = 0.0
    output_curve: ConverterCurve = ConverterCurve()
    input_curve: ConverterCurve = ConverterCurve()

    #: Stereo both ways, like the unit.
    channels = 2

    def true_rate_hz(self, sample_rate_hz: float) -> float:
        """Return how many frames pass in a true second when the card says `sample_rate_hz`."""
        return sample_rate_hz * (1.0 + 1e-6 * self.clock_error_ppm)

    def ratio(self, range_name: str) -> float:
        """Return the ratio of a range by its name. Raises RequestError naming the ranges there are."""
        names = [entry.name for entry in self.ranges]
        if range_name not in names:
            hint = nearest(range_name, names)
            raise RequestError(f"{self.name} has no range {range_name!r}{hint}; it has {', '.join(names)}")
        return self.ranges[names.index(range_name)].ratio


def read_card(path: Path) -> CardModel:
    """Read a card's TOML file. Raises FileProblem or TomlProblem (file, line, key)."""
    table = read_toml(path)
    card = CardModel(
        name=table.text("name", "Simulated card"),
        host_api=table.text("host_api", "simulation"),
        sample_rates_hz=_rates(table),
        v_rms_at_full_scale_out=table.number("v_rms_at_full_scale_out", above=0.0, at_most=1_000.0),
        v_rms_at_full_scale_in=table.number("v_rms_at_full_scale_in", above=0.0, at_most=1_000.0),
        input_noise_v_rms=table.number("input_noise_v_rms", 0.0, at_least=0.0, at_most=1.0),
        output_noise_v_rms=table.number("output_noise_v_rms", 0.0, at_least=0.0, at_most=1.0),
        adc_dither=table.truth("adc_dither", False),
        latency_frames=table.integer("latency_frames", at_least=LEAST_LATENCY_FRAMES, at_most=1_000_000),
        # Above 100 Hz the sections in `filters.low_cut` would leave the closed form by more than 0.0002 dB.
        output_low_cut_hz=table.number("output_low_cut_hz", 0.0, at_least=0.0, at_most=100.0),
        input_low_cut_hz=table.number("input_low_cut_hz", 0.0, at_least=0.0, at_most=100.0),
        clock_error_ppm=table.number("clock_error_ppm", 0.0, at_least=-10_000.0, at_most=10_000.0),
        output_curve=_curve(table, "output"),
        input_curve=_curve(table, "input"),
        ranges=_ranges(table),
    )
    table.finish()
    return card


def _curve(table: Table, of: str) -> ConverterCurve:
    # Within these the curve rises all over full scale.
    return ConverterCurve(
        second_order=table.number(f"{of}_second_order", 0.0, at_least=-0.1, at_most=0.1),
        third_order=table.number(f"{of}_third_order", 0.0, at_least=-0.1, at_most=0.1),
    )


def _rates(table: Table) -> tuple[float, ...]:
    rates: tuple[float, ...] = table.numbers("sample_rates_hz", above=0.0)
    for rate_hz in rates:
        if not 8_000.0 <= rate_hz <= 768_000.0:
            raise table.problem("sample_rates_hz", f"a rate must lie from 8000 to 768000 Hz, not {rate_hz:g}")
    return tuple(sorted(set(rates)))


def _ranges(table: Table) -> tuple[AttenuatorRange, ...]:
    found: list[AttenuatorRange] = []
    for entry in table.tables("range"):
        this = AttenuatorRange(name=entry.text("name"), ratio=entry.number("ratio", above=0.0, at_most=1e6))
        entry.finish()
        if any(this.name == other.name for other in found):
            raise entry.problem("name", f"the range {this.name!r} is there twice")
        found.append(this)
    if not found:
        raise table.problem("range", "a card needs at least one [[range]] with name and ratio")
    return tuple(found)
