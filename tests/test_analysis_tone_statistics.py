"""Tone analysis in noise: its spread against the Cramér-Rao bound, and whether its 95 % intervals hold 95 %."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_tables import rows
from tone_signals import sine

from audiomeas.analysis.tone import analyze_tone

RATE_HZ = 48_000.0
FRAMES = 1000
TRIALS = 2000
#: Trials are run in pieces of this many, each with a seed of its own.
PIECE = 250
H3 = 0.2  # of the noise' own r.m.s. times √2: it always stands out a little


@dataclass
class Trials:
    """Deviations from the truth, and which intervals held it."""

    level: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    held: dict[str, int]


def _piece(snr_db: float, seed: int) -> Trials:
    """A sine of peak 1 at a random frequency and phase, with a third harmonic, in white noise."""
    generator = np.random.default_rng(seed)
    deviation = math.sqrt(0.5 / 10 ** (snr_db / 10))
    levels, frequencies = np.empty(PIECE), np.empty(PIECE)
    held = dict.fromkeys(("level", "frequency", "phase", "third", "residual", "dc"), 0)
    for i in range(PIECE):
        frequency_hz, phase_deg = generator.uniform(900, 1100), generator.uniform(-180, 180)
        third = H3 * deviation * math.sqrt(2)
        signal = sine(frequency_hz, RATE_HZ, FRAMES, phase_deg=phase_deg)
        signal += sine(3 * frequency_hz, RATE_HZ, FRAMES, peak=third, phase_deg=3 * phase_deg + 40)
        signal += deviation * generator.normal(size=FRAMES)
        found = analyze_tone(signal, RATE_HZ, harmonic_limit_hz=3500, spectrum_points=0)
        levels[i], frequencies[i] = found.level_rms * math.sqrt(2) - 1, found.frequency_hz - frequency_hz
        held["level"] += abs(found.level_rms - math.sqrt(0.5)) <= found.level_uncertainty
        held["frequency"] += abs(frequencies[i]) <= found.frequency_uncertainty_hz
        held["phase"] += abs(math.remainder(found.phase_deg - phase_deg, 360)) <= found.phase_uncertainty_deg
        held["dc"] += abs(found.dc) <= found.dc_uncertainty
        truth_db = 20 * math.log10(third)
        if found.harmonics.at_most[1]:
            held["third"] += found.harmonics.level_db[1] >= truth_db
        else:
            held["third"] += abs(found.harmonics.level_db[1] - truth_db) <= found.harmonics.uncertainty_db[1]
        truth = deviation**2 * 19_980 / 24_000 + third**2 / 2
        assert found.residual is not None
        held["residual"] += abs(found.residual.mean_square - truth) <= 1.96 * found.residual.standard_deviation
    return Trials(levels, frequencies, held)


def _whole(pieces: list[Trials]) -> Trials:
    return Trials(
        np.concatenate([piece.level for piece in pieces]),
        np.concatenate([piece.frequency_hz for piece in pieces]),
        {what: sum(piece.held[what] for piece in pieces) for what in pieces[0].held},
    )


#: S/N and trials. Near the noise, where most can go wrong, in each run, with fewer trials and the same limits; the
#: others when the wider tests are asked for.
RUNS = ((20.0, 750), *(pytest.param((snr_db, TRIALS), marks=pytest.mark.wide) for snr_db in (20.0, 40.0, 80.0)))


@pytest.fixture(scope="module", params=RUNS, ids=lambda run: f"{run[0]:g} dB, {run[1]} trials")
def trials(request: pytest.FixtureRequest) -> tuple[float, Trials]:
    snr_db, count = request.param
    found = _whole([_piece(snr_db, int(snr_db) * 100 + number) for number in range(count // PIECE)])
    assert len(found.level) == count
    return snr_db, found


def _bounds(snr_db: float) -> tuple[float, float]:
    """Return the bounds of amplitude and frequency from the row of the table for 20 dB, moved to another S/N."""
    (row,) = (r for r in rows("sinefit_crb.csv") if r["n_samples"] == str(FRAMES) and r["snr_db"] == "20")
    moved = 10 ** ((20 - snr_db) / 20)
    return float(row["sd_amplitude"]) * moved, float(row["sd_freq_hz_fs48k"]) * moved


def test_the_spread_reaches_the_cramer_rao_bound(trials: tuple[float, Trials]) -> None:
    """1.1 × the bound (the issue); 2,000 trials know a standard deviation to 1.6 %, the table is good to 1 %."""
    snr_db, found = trials
    amplitude, frequency_hz = _bounds(snr_db)
    for values, bound in ((found.level, amplitude), (found.frequency_hz, frequency_hz)):
        assert 0.94 * bound < np.std(values) < 1.1 * bound
        # No bias beyond four standard errors.
        assert abs(np.mean(values)) < 4 * bound / math.sqrt(len(values))


@pytest.mark.parametrize("what", ["level", "frequency", "phase"])
def test_the_interval_holds_the_truth_95_times_in_100(trials: tuple[float, Trials], what: str) -> None:
    assert 0.935 <= trials[1].held[what] / len(trials[1].level) <= 0.965


@pytest.mark.parametrize("what", ["third", "residual", "dc"])
def test_what_is_read_from_little_noise_keeps_its_word_nearly_as_well(trials: tuple[float, Trials], what: str) -> None:
    """Their distributions are not normal near the noise, and 1,000 frames tell the noise itself to a few percent."""
    assert 0.92 <= trials[1].held[what] / len(trials[1].level) <= 0.985


@pytest.mark.parametrize("times_noise", [0.0, pytest.param(1.0, marks=pytest.mark.wide), 2.0, 3.0])
def test_a_bound_is_seldom_too_low(times_noise: float) -> None:
    """A harmonic near the noise of its bin: the truth lies above the stated limit in 5 % at most.

    150 trials know this to 1.8 %; two of these are allowed.
    """
    generator = np.random.default_rng(11)
    deviation, wrong, stated = 1e-3, 0, 0
    # Standard deviation of a fitted amplitude's two parts together, √(4σ²·ENBW/N), sin⁴ window: ENBW 35/18.
    size = times_noise * math.sqrt(4 * deviation**2 * 35 / 18 / FRAMES)
    trials = 150
    for _ in range(trials):
        signal = sine(997.0, RATE_HZ, FRAMES) + sine(1994.0, RATE_HZ, FRAMES, peak=size, phase_deg=33)
        signal += deviation * generator.normal(size=FRAMES)
        found = analyze_tone(signal, RATE_HZ, harmonic_limit_hz=3500, spectrum_points=0).harmonics
        if found.at_most[0]:
            stated += 1
            wrong += 10 ** (found.level_db[0] / 20) < size
    assert wrong / trials <= 0.087
    if times_noise == 0.0:
        assert 0.91 <= stated / trials <= 0.99  # nothing there: 5 % seem to be something
    if times_noise == 3.0:
        assert stated / trials < 0.10
