"""Lines in noise, the floor under them, and the corner of 1/f noise: what was put in comes out, nothing else does."""

from __future__ import annotations

import math
from functools import cache, lru_cache

import numpy as np
import pytest
from reference_tables import rows

from audiomeas.analysis.bands import band_levels, octave_bands, thinned
from audiomeas.analysis.density import noise_density
from audiomeas.analysis.flicker import fit_flicker
from audiomeas.analysis.noise_lines import left_on, noise_lines

RATE_HZ = 48_000.0
FRAMES = 480_000
TIME_S = np.arange(FRAMES) / RATE_HZ


def sine(hz, level_v_rms, phase=0.3):
    return level_v_rms * math.sqrt(2.0) * np.sin(2 * np.pi * hz * TIME_S + phase)


def coloured(seed, power, frames=FRAMES, rate=RATE_HZ):
    """Noise whose density is 2/rate times a power law given by a function of frequency."""
    return np.fft.irfft(white_spectrum(seed, frames) * size_of(power, frames, rate), frames)


@cache
def size_of(power, frames, rate):
    hz = np.fft.rfftfreq(frames, 1 / rate)
    hz[0] = hz[1]
    return np.sqrt(power(hz))


@lru_cache(maxsize=30)  # the noise that several tests shape each in its own way
def white_spectrum(seed, frames):
    return np.fft.rfft(np.random.default_rng(seed).standard_normal(frames))


def density_of(signal, rate=RATE_HZ):
    (found,) = noise_density(signal[:, None], rate)
    return found


def test_lines_are_found_with_their_levels():
    lines = {733.2: 3e-6, 5004.4: 1e-5, 15_734.26: 2e-6, 19_000.0: 1e-3}
    signal = coloured(1, lambda hz: 1e-10 * np.ones_like(hz))
    for hz, level in lines.items():
        signal += sine(hz, level)
    found = noise_lines(density_of(signal))
    # The noise in a line's five bins is 1.5e-7 V: bins of 1.46 Hz tell the place of the weakest to a tenth.
    assert [line.frequency_hz for line in found] == pytest.approx(list(lines), abs=0.15)
    for line, level in zip(found, lines.values(), strict=True):
        # A window's skirt beyond three bins holds 4e-5 of the power. Twice the stated half-width: all
        # four must hold.
        assert line.level_v_rms == pytest.approx(level, abs=2 * line.uncertainty_v_rms + 3e-5 * level)
        assert line.uncertainty_v_rms < 0.2 * level


def test_hum_is_left_to_those_who_know_it():
    signal = coloured(2, lambda hz: 1e-10 * np.ones_like(hz)) + sine(49.98, 1e-4) + sine(149.94, 2e-5)
    signal += sine(997.0, 1e-5)
    density = density_of(signal)
    assert len(noise_lines(density)) == 3
    (line,) = noise_lines(density, without_hz=[49.98 * n for n in range(1, 21)])
    assert line.frequency_hz == pytest.approx(997.0, abs=0.1)


@pytest.mark.parametrize(
    "power",
    [
        np.ones_like,
        pytest.param(lambda hz: 1 + 300 / hz, marks=pytest.mark.wide),
        lambda hz: (1 + 300 / hz) ** 2,
        pytest.param(lambda hz: 1 / (1 + (hz / 2122) ** 2) + 1e-4, marks=pytest.mark.wide),  # a phono stage's fall
        lambda hz: 1 + 100 / (1 + ((hz - 90) / 15) ** 2),  # a bump of rumble
        pytest.param(lambda hz: 1 + (hz / 5000) ** 4, marks=pytest.mark.wide),  # shaped converter noise
    ],
    ids=["white", "flicker", "steep", "phono", "bump", "shaped"],
)
def test_noise_alone_has_no_lines(power):
    """The chance is set to 1 in 1,000 captures: none in 15 (twice that would be a fault that shows)."""
    assert sum(len(noise_lines(density_of(coloured(seed, power)))) for seed in range(15)) == 0


def test_a_tone_left_on_is_told_from_noise_and_hum():
    noise = coloured(3, lambda hz: 1e-10 * np.ones_like(hz))
    hum = sine(50.0, 1e-4)
    multiples = [50.0 * n for n in range(1, 21)]
    assert left_on(density_of(noise)) is None
    assert left_on(density_of(noise + hum), without_hz=multiples) is None
    assert left_on(density_of(noise + sine(1000.0, 5e-6)), without_hz=multiples) is None
    # 1 kHz is the 20th multiple of 50 Hz, and no hum all the same.
    tone = left_on(density_of(noise + hum + sine(1000.0, 0.1)), without_hz=multiples)
    assert tone is not None
    assert tone.frequency_hz == pytest.approx(1000.0, abs=0.01)
    assert tone.level_v_rms == pytest.approx(0.1, rel=1e-3)


@pytest.mark.parametrize("corner_hz", [*(pytest.param(hz, marks=pytest.mark.wide) for hz in (40.0, 1500.0)), 200.0])
def test_the_corner_of_flicker_noise(corner_hz):
    """Truth: the corner that shaped the noise. 30 captures: 95 % are 28.5, four standard deviations less 23.7."""
    held, corners = 0, []
    for seed in range(30):
        signal = coloured(seed, lambda hz: 1e-12 * (1 + corner_hz / hz)) + sine(50.0, 2e-6) + sine(150.0, 2e-6)
        found = fit_flicker(density_of(signal))
        assert found is not None
        corners.append(found.corner_hz)
        held += abs(found.corner_hz - corner_hz) <= found.uncertainty_hz
        # The white part: 1e-12 in all samples, one-sided.
        assert found.white_v2_per_hz == pytest.approx(2e-12 / RATE_HZ, rel=0.1)
    assert held >= 24
    # The mean of 30 lies within four of its own deviations, and 1 % (lines take their surroundings with them).
    assert np.mean(corners) == pytest.approx(corner_hz, abs=4 * np.std(corners) / math.sqrt(30) + 0.01 * corner_hz)
    assert found.v2_per_hz(np.array([corner_hz]))[0] == pytest.approx(2 * found.white_v2_per_hz, rel=0.25)


@pytest.mark.parametrize(
    "power",
    [
        np.ones_like,
        lambda hz: 1 / hz,
        lambda hz: 1 + (200 / hz) ** 2,
        lambda hz: 1 / (1 + (hz / 500) ** 2) + 1e-3,
        lambda hz: hz / 1000,
    ],
    ids=["white", "all flicker", "another law", "phono", "rising"],
)
def test_where_there_is_no_corner_none_is_told(power):
    assert [fit_flicker(density_of(coloured(seed, power))) for seed in range(8)] == [None] * 8


def test_bands_are_those_of_the_standard():
    table = rows("band_frequencies_iec61260.csv")
    thirds = octave_bands(0.7, 30_000.0, per_octave=3)
    assert [band.nominal_hz for band in thirds] == [float(row["nominal_hz"]) for row in table]
    for band, row in zip(thirds, table, strict=True):
        # Eight figures in the table.
        assert band.midband_hz == pytest.approx(float(row["exact_midband_hz"]), rel=1e-7)
        assert band.lower_hz == pytest.approx(float(row["third_lower_hz"]), rel=1e-7)
        assert band.upper_hz == pytest.approx(float(row["third_upper_hz"]), rel=1e-7)
    octaves = octave_bands(0.7, 23_000.0, per_octave=1)
    wanted = [row for row in table if row["is_octave_centre"] == "1"]
    assert [band.nominal_hz for band in octaves] == [float(row["nominal_hz"]) for row in wanted]
    for band, row in zip(octaves, wanted, strict=True):
        assert band.lower_hz == pytest.approx(float(row["octave_lower_hz"]), rel=1e-7)
        assert band.upper_hz == pytest.approx(float(row["octave_upper_hz"]), rel=1e-7)
    with pytest.raises(ValueError):
        octave_bands(10.0, 100.0, per_octave=6)
    with pytest.raises(ValueError):
        octave_bands(100.0, 10.0, per_octave=3)


def test_levels_in_bands():
    """White noise rises by 1 dB from third octave to third octave; pink noise stays. A line falls into one band."""
    pink = density_of(coloured(5, lambda hz: 1 / hz))
    line = density_of(coloured(6, lambda hz: 1e-12 * np.ones_like(hz)) + sine(1000.0, 1e-3))
    levels = band_levels(pink, per_octave=3)
    assert levels[-1].band.nominal_hz == 20_000.0
    # Density 2/(rate·f): a third octave holds 2/rate·ln(10^0.1).
    wanted = 2 / RATE_HZ * math.log(10**0.1)
    for one in levels:
        half_width = 1.96 * one.level.standard_deviation
        # Twice the stated half-width for some thirty bands; bins that are wide against a band's slope add 2 %.
        assert one.level.mean_square == pytest.approx(wanted, abs=2 * half_width + 0.02 * wanted)
    by_name = {one.band.nominal_hz: one.level.v_rms for one in band_levels(line, per_octave=1)}
    assert by_name[1000.0] == pytest.approx(1e-3, rel=1e-3)
    assert by_name[500.0] < 2e-6
    # Octaves hold what their three thirds do.
    thirds = {one.band.nominal_hz: one.level.mean_square for one in band_levels(line, per_octave=3)}
    assert sum(thirds[hz] for hz in (800.0, 1000.0, 1250.0)) == pytest.approx(by_name[1000.0] ** 2, rel=1e-9)


def test_thinning_keeps_peaks_and_power():
    found = density_of(coloured(7, np.ones_like) + sine(9000.3, 1.0))
    hz, mean, peak = thinned(found.frequency_hz, found.v_per_root_hz**2, per_decade=100)
    assert len(hz) < 450
    assert np.all(np.diff(hz) > 0)
    assert np.max(peak) == pytest.approx(np.max(found.v2_per_hz[2:]), rel=1e-12)
    assert hz[np.argmax(peak)] == pytest.approx(9000.3, rel=0.013)
    white = (hz > 100) & (hz < 5000)
    assert np.mean(mean[white]) == pytest.approx(2 / RATE_HZ, rel=0.02)
    # Low down each bin stands for itself.
    assert hz[0] == pytest.approx(2 * found.bin_hz, rel=1e-12)
    assert all(len(part) == 0 for part in thinned(np.zeros(3), np.full(3, np.nan)))
