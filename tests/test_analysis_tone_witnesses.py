"""Tone analysis against others that compute the same: scipy, sox, and a transistor circuit in ngspice."""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import scipy.optimize
import scipy.signal
import soundfile
from numpy.typing import NDArray
from tone_signals import series, sine

from audiomeas.analysis.tone import analyze_tone

RATE_HZ = 48_000

FloatArray = NDArray[np.float64]


def test_the_sine_fit_and_its_uncertainty_agree_with_scipy() -> None:
    """scipy.optimize.curve_fit: the same least squares, its covariance from the residual."""
    frames = 6000
    time = np.arange(frames) / RATE_HZ
    signal = sine(1234.5, RATE_HZ, frames, peak=0.7, phase_deg=20) + 0.01 * np.random.default_rng(1).normal(size=frames)

    def model(t: FloatArray, peak: float, hz: float, phase: float, dc: float) -> FloatArray:
        return peak * np.sin(2 * np.pi * hz * t + phase) + dc

    fitted, covariance = scipy.optimize.curve_fit(model, time, signal, p0=[0.7, 1234.5, 0.35, 0.0])
    found = analyze_tone(signal, RATE_HZ, harmonic_limit_hz=4000)
    spread = np.sqrt(np.diag(covariance))
    # The harmonics beside our fit move it by a small part of the spread.
    assert found.level_rms * math.sqrt(2) == pytest.approx(fitted[0], abs=0.05 * spread[0])
    assert found.frequency_hz == pytest.approx(fitted[1], abs=0.05 * spread[1])
    assert found.phase_deg == pytest.approx(math.degrees(fitted[2]), abs=0.05 * math.degrees(spread[2]))
    # Our noise comes from the bins around the tone (some 60 free ones): to 15 %, and t in place of 1.96.
    assert found.level_uncertainty * math.sqrt(2) == pytest.approx(2.0 * spread[0], rel=0.3)
    assert found.frequency_uncertainty_hz == pytest.approx(2.0 * spread[1], rel=0.3)


def test_noise_in_a_band_agrees_with_welch() -> None:
    """scipy.signal.welch of the noise alone, summed over the band; the noise is coloured by a filter."""
    white = np.random.default_rng(2).normal(size=480_000)
    noise = 1e-3 * scipy.signal.lfilter(*scipy.signal.butter(2, 0.2), white)
    found = analyze_tone(sine(997, RATE_HZ, len(noise)) + noise, RATE_HZ, band_hz=(100.0, 6000.0))
    hz, density = scipy.signal.welch(noise, RATE_HZ, nperseg=48_000)
    wanted = np.sum(density[(hz >= 100) & (hz <= 6000)]) * (hz[1] - hz[0])
    # 59,000 bins over 2.6: 0.03 dB of chance for ours, less for the other.
    assert 10 * math.log10(found.noise.mean_square / wanted) == pytest.approx(0, abs=0.1)


def test_harmonics_agree_with_a_plain_fft_when_all_is_whole_periods() -> None:
    """A cubic, 1,000 periods in the capture: numpy's FFT has each harmonic in a bin of its own."""
    x = sine(1000, RATE_HZ, 48_000)
    made = x + 0.01 * x**2 + 0.003 * x**3
    spectrum = np.abs(np.fft.rfft(made)) * 2 / len(made)
    found = analyze_tone(made, RATE_HZ)
    for order in (2, 3):
        wanted = 20 * math.log10(spectrum[order * 1000] / spectrum[1000])
        assert found.harmonics.level_db[order - 2] == pytest.approx(wanted, abs=1e-6)


# -------------------------------------------------------------------------------------------------------------- sox


@pytest.mark.sox
def test_level_and_total_agree_with_sox(need: Callable[[str], str], tmp_path: Path) -> None:
    """sox makes a sine at −6 dB of full scale, overdrives it and states the r.m.s. of a file of ours."""
    sox = need("sox")
    made = tmp_path / "sine.wav"
    # -R: the same dither in each run.
    command = [sox, "-R", "-n", "-r", "48000", "-b", "24", str(made), "synth", "2", "sine", "997", "gain", "-6"]
    subprocess.run(command, check=True, timeout=60)
    tone, _ = soundfile.read(made)
    found = analyze_tone(tone, RATE_HZ)
    assert found.frequency_hz == pytest.approx(997.0, abs=1e-4)
    # sox takes a tenth of a dB or less off nothing: −6 dB of a sine that reaches full scale.
    assert 20 * math.log10(found.level_rms * math.sqrt(2)) == pytest.approx(-6.0, abs=0.001)

    ours = tmp_path / "ours.wav"
    signal = series({1: 0.5, 2: 0.05, 3: 0.1}, 997.0, RATE_HZ, 96_000)
    signal += 0.02 * np.random.default_rng(3).normal(size=len(signal))
    soundfile.write(ours, signal, RATE_HZ, subtype="FLOAT")
    said = subprocess.run([sox, str(ours), "-n", "stats"], check=True, timeout=60, capture_output=True, text=True)
    match = re.search(r"RMS lev dB\s+(-[\d.]+)", said.stderr)
    assert match is not None
    total = analyze_tone(signal, RATE_HZ, band_hz=(0.0, 24_000.0)).total_mean_square
    assert total is not None
    # sox prints two decimals; the total of ours has 0.004 dB of chance from its window on the noise.
    assert 10 * math.log10(total) == pytest.approx(float(match[1]), abs=0.015)


# ---------------------------------------------------------------------------------------------------------- ngspice

#: Our own complementary output stage: emitter followers on ±15 V into 8 ohms, biased by two sources, the two
#: transistors unlike each other so that even harmonics appear too.
_STAGE = """output stage of our own, bias {bias}
vcc vcc 0 15
vee 0 vee 15
vin in 0 sin(0 5 1k)
vbp bn in {bias}
vbn in bp {bias}
q1 vcc bn en npnx
q2 vee bp ep pnpx
re1 en out 0.1
re2 ep out 0.15
rl out 0 8
.model npnx npn(is=1e-13 bf=120 vaf=80 rb=1 re=0.02)
.model pnpx pnp(is=2e-13 bf=70 vaf=50 rb=2 re=0.03)
.options reltol=1e-7 abstol=1e-12 vntol=1e-9
.control
set numdgt=12
set polydegree=3
set fourgridsize=4096
set nfreqs=11
set wr_singlescale
tran 0.5u 20m 0 0.5u
linearize v(out)
fourier 1k v(out)
wrdata {data} v(out)
quit
.endc
.end
"""


def _circuit(ngspice: str, folder: Path, bias: float) -> tuple[FloatArray, dict[int, tuple[float, float]]]:
    """Return the output waveform at 2 MHz and ngspice's table: order → (magnitude, phase)."""
    deck = folder / "stage.cir"
    deck.write_text(_STAGE.format(bias=bias, data=folder / "out.data"), encoding="ascii")
    said = subprocess.run([ngspice, "-b", str(deck)], capture_output=True, text=True, timeout=120, cwd=folder)
    table = {}
    for line in said.stdout.splitlines():
        cells = line.split()
        if len(cells) == 6 and cells[0].isdigit():
            table[int(cells[0])] = (float(cells[2]), float(cells[3]))
    assert len(table) == 11, said.stdout + said.stderr
    return np.loadtxt(folder / "out.data", skiprows=0)[:, 1], table


@pytest.mark.spice
@pytest.mark.parametrize("bias", [0.45, 0.6, 0.68])
def test_each_harmonic_of_a_transistor_stage_agrees_with_ngspice(
    need: Callable[[str], str], tmp_path: Path, bias: float
) -> None:
    """Three bias settings, each harmonic to the tenth within 0.01 dB of the simulator's own Fourier table (issue)."""
    signal, table = _circuit(need("ngspice"), tmp_path, bias)
    # An odd length, not a whole number of periods; the circuit has no memory, so that it is steady from the start.
    found = analyze_tone(signal[1001:38_503], 2e6, band_hz=(20.0, 900e3))
    assert found.frequency_hz == pytest.approx(1000.0, abs=1e-3)
    assert found.level_rms * math.sqrt(2) == pytest.approx(table[1][0], rel=2e-4)
    for order in range(2, 11):
        wanted = 20 * math.log10(table[order][0] / table[1][0])
        assert found.harmonics.level_db[order - 2] == pytest.approx(wanted, abs=0.01), order
