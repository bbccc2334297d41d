"""Noise density: scipy's own estimate, closed forms of quantizers, resistors and weightings, and what must not leak."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from reference_tables import rows

from audiomeas.analysis.density import johnson_v_per_root_hz, noise_density
from audiomeas.analysis.noise_pass import NoisePass, pass_over
from audiomeas.analysis.realfft import RealTransform
from audiomeas.analysis.segments import segment_frames
from audiomeas.errors import SignalError

RATE_HZ = 48_000.0
#: 20 kHz for 10 s hold 400,000 independent values: their mean square is known to 0.010 dB (1 sigma, Hann overlap
#: counted). Five of them.
STATED_DB = 0.05


def white(sigma=1.0, seconds=10.0, rate=RATE_HZ, seed=1, channels=1):
    return sigma * np.random.default_rng(seed).standard_normal((round(seconds * rate), channels))


def a_weight(hz):
    """|A|² of IEC 61672-1 (2013) Annex E, from the poles and the constant of the table."""
    f = {row["quantity"]: float(row["value"]) for row in rows("weighting_a_c_poles.csv")}
    s = hz**2
    top = f["f4"] ** 2 * s**2
    bottom = (s + f["f1"] ** 2) * np.sqrt((s + f["f2"] ** 2) * (s + f["f3"] ** 2)) * (s + f["f4"] ** 2)
    return (top / bottom) ** 2 * 10 ** (-f["A1000"] / 10)


def c_weight(hz):
    f = {row["quantity"]: float(row["value"]) for row in rows("weighting_a_c_poles.csv")}
    s = hz**2
    return (f["f4"] ** 2 * s / ((s + f["f1"] ** 2) * (s + f["f4"] ** 2))) ** 2 * 10 ** (-f["C1000"] / 10)


def bs468_weight(hz):
    """|W|² of ITU-R BS.468-4's network by its polynomials (the form and figures that the Recommendation's table and
    most texts share, from memory): 0 dB at 1 kHz.
    """
    h1 = -4.737338981378384e-24 * hz**6 + 2.043828333606125e-15 * hz**4 - 1.363894795463638e-7 * hz**2 + 1
    h2 = 1.306612257412824e-19 * hz**5 - 2.118150887518656e-11 * hz**3 + 5.559488023498642e-4 * hz
    return (1.246332637532143e-4 * hz) ** 2 / (h1**2 + h2**2) * 10 ** (18.2 / 10)


@pytest.mark.parametrize(("rate", "seconds"), [(44_100.0, 4.0), (192_000.0, 3.0), (8_000.0, 0.2)])
def test_density_is_that_of_scipy(rate, seconds):
    """Truth: scipy.signal.welch with the same window, overlap and mean taken out."""
    signal = white(1e-3, seconds, rate, channels=2) + 0.2
    signal[:, 1] += 0.01 * np.sin(2 * np.pi * 1001.3 / rate * np.arange(len(signal)))
    for channel, found in enumerate(noise_density(signal, rate)):
        hz, truth = scipy.signal.welch(signal[:, channel], rate, nperseg=found.segment_frames)
        assert np.allclose(found.frequency_hz, hz, rtol=1e-12, atol=0)
        # Rounding of transforms of 10^5 values, relative to the line that stands 60 dB above the rest.
        assert np.allclose(found.v2_per_hz, truth, rtol=1e-9, atol=1e-15 * np.max(truth))
        assert found.segments == (len(signal) - found.segment_frames) // (found.segment_frames // 2) + 1


@pytest.mark.parametrize("frames", [4, 64, 1 << 15, 1 << 16, 1 << 18])
def test_long_transform_is_that_of_numpy(frames):
    signal = np.random.default_rng(frames).standard_normal(frames)
    out = np.empty(frames // 2 + 1, dtype=complex)
    RealTransform(frames).into(out, signal)
    # Rounding grows as the root of the number of stages.
    assert np.max(np.abs(out - np.fft.rfft(signal))) < 1e-14 * math.sqrt(frames) * 10


def test_blocks_give_what_the_whole_gives():
    signal = white(1e-3, 6.0, channels=2)
    signal[100_000:100_020, 0] += 0.02
    whole = pass_over(signal, RATE_HZ)
    cutter = np.random.default_rng(7)
    for longest in (700, 30_000, 200_000):
        one, at = NoisePass(RATE_HZ, 2, frames=len(signal)), 0
        while at < len(signal):
            size = int(cutter.integers(0, longest))
            one.add(signal[at : at + size])
            at += size
        for got, wanted in zip(one.result(), whole, strict=True):
            assert np.allclose(got.density.v2_per_hz, wanted.density.v2_per_hz, rtol=1e-12, atol=0)
            assert got.density.mean_v == pytest.approx(wanted.density.mean_v, rel=1e-9)
            assert got.density.total_mean_square == pytest.approx(wanted.density.total_mean_square, rel=1e-12)
            assert got.events == wanted.events
            assert got.facts.peak == wanted.facts.peak


@pytest.mark.parametrize("rate", [44_100.0, 96_000.0])
def test_white_noise_of_known_density(rate):
    (found,) = noise_density(white(2e-6, 10.0, rate), rate)
    wanted = 2e-6 / math.sqrt(rate / 2)
    for band in [(20.0, 20_000.0), (22.4, 22_400.0 if rate > 44_800 else 22_000.0), (400.0, 15_000.0), None]:
        low, high = band or (0.0, rate / 2)
        got = found.level(band).v_rms
        # 15 kHz for 10 s: 0.012 dB (1 sigma).
        assert 20 * math.log10(got / (wanted * math.sqrt(high - low))) == pytest.approx(0.0, abs=STATED_DB)
    middle = found.v_per_root_hz[100:-100]
    assert math.sqrt(np.mean(middle**2)) == pytest.approx(wanted, rel=0.005)
    assert np.isnan(found.v_per_root_hz[0])


@pytest.mark.parametrize(
    "row", rows("weighting_noise_gain.csv"), ids=lambda row: f"{row['weighting']}-{row['f_hi_hz']}"
)
def test_noise_gain_of_weightings(row):
    """Truth: the table; weights by their own closed forms here. Random error: 468 looks at few kHz, so 40 s."""
    if row["weighting"] == "CCIR_RMS":
        weight = lambda hz: bs468_weight(hz) * 10 ** (-5.629 / 10)  # noqa: E731  (0 dB at 2 kHz)
    else:
        weight = {"A": a_weight, "C": c_weight, "BS468": bs468_weight}[row["weighting"]]
    low, high = float(row["f_lo_hz"]), float(row["f_hi_hz"])
    rate = 44_100.0 if high == 22_050 else 48_000.0 if high <= 24_000 else 96_000.0
    found = weighed(rate)
    gain = found.level((low, high), weight(found.frequency_hz)).mean_square / found.level((low, high)).mean_square
    # The noise itself, weighted against not: 9 kHz (468: 4 kHz) for 40 s, 0.009 dB.
    assert 10 * math.log10(gain) == pytest.approx(float(row["white_gain_db"]), abs=0.05)


WEIGHED = {}


def weighed(rate):
    if rate not in WEIGHED:
        (WEIGHED[rate],) = noise_density(white(1.0, 40.0, rate, seed=9), rate)
    return WEIGHED[rate]


def dithered_silence(bits, rate, seconds=10.0, seed=3):
    """What an ideal converter of so many bits delivers with no input and TPDF dither; full scale 1."""
    generator = np.random.default_rng(seed)
    dither = generator.random(round(seconds * rate)) - generator.random(round(seconds * rate))
    return np.round(dither)[:, None] / 2 ** (bits - 1)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("rate", [44_100.0, 48_000.0])
def test_dithered_silence_is_the_closed_form(bits, rate):
    (row,) = (r for r in rows("quantizer_snr.csv") if int(r["bits"]) == bits)
    (found,) = noise_density(dithered_silence(bits, rate), rate)
    sine = math.sqrt(0.5)
    name = "44k1" if rate == 44_100 else "48k"
    in_band = found.level((0.0, 20_000.0)).v_rms
    assert 20 * math.log10(sine / in_band) == pytest.approx(float(row[f"snr_tpdf_fs{name}_20k_db"]), abs=STATED_DB)
    weighted = found.level(None, a_weight(found.frequency_hz)).v_rms
    wanted = float(row[f"snr_tpdf_fs{name}_a_weighted_db"])
    assert 20 * math.log10(sine / weighted) == pytest.approx(wanted, abs=STATED_DB)
    assert 20 * math.log10(sine / found.level().v_rms) == pytest.approx(float(row["snr_tpdf_db"]), abs=STATED_DB)


def test_johnson_density_is_the_table():
    for row in rows("johnson_noise.csv"):
        got = johnson_v_per_root_hz(float(row["resistance_ohm"]), float(row["temperature_k"]))
        # The table holds five decimals of a nanovolt.
        assert got * 1e9 == pytest.approx(float(row["density_nv_rthz"]), abs=5e-6)


@pytest.mark.parametrize("gain", [1.0, 1000.0])
def test_johnson_noise_referred_to_the_input(gain):
    """1 kΩ at 300 K through a stated gain: 4kTRB by the table. Truth of the density: 0.5756351 µV in 20 kHz."""
    (row,) = (
        r for r in rows("johnson_noise.csv") if float(r["resistance_ohm"]) == 1000 and float(r["temperature_k"]) == 300
    )
    wanted = float(row["rms_20khz_uv"]) * 1e-6
    sigma = wanted / math.sqrt(20_000) * math.sqrt(RATE_HZ / 2)
    (found,) = noise_density(gain * white(sigma, 10.0, seed=4), RATE_HZ)
    level = found.referred(gain).level((0.0, 20_000.0))
    assert 20 * math.log10(level.v_rms / wanted) == pytest.approx(0.0, abs=STATED_DB)
    assert level.uncertainty_v_rms == pytest.approx(found.level((0.0, 20_000.0)).uncertainty_v_rms / gain, rel=1e-9)


def test_dc_leaks_nowhere():
    signal = white(1e-6, 3.0)
    (clean,), (shifted,) = noise_density(signal, RATE_HZ), noise_density(signal + 1.0, RATE_HZ)
    assert shifted.mean_v == pytest.approx(1.0, abs=1e-7)
    # 1 V + 1 µV keeps the noise to 1e-16 of a volt: 1e-10 of it.
    assert np.allclose(shifted.v2_per_hz[2:], clean.v2_per_hz[2:], rtol=1e-6, atol=0)
    assert shifted.level((20.0, 20_000.0)).v_rms == pytest.approx(clean.level((20.0, 20_000.0)).v_rms, rel=1e-8)


@pytest.mark.parametrize("hz", [50.0, 50.37, 1000.0, 19_990.2])
def test_a_line_counts_with_its_power_wherever_it_lies(hz):
    signal = 1e-3 * math.sqrt(2) * np.sin(2 * np.pi * hz / RATE_HZ * np.arange(round(10 * RATE_HZ)) + 0.4)[:, None]
    (found,) = noise_density(signal, RATE_HZ)
    # What of the window's skirt (third power, below 20 Hz: 20 bins off) lies outside the band: 1e-6 of the power; the
    # line's phase against itself at −f: 1e-5.
    assert found.level((20.0, 20_000.0) if hz < 19_000 else (20.0, 21_000.0)).v_rms == pytest.approx(1e-3, rel=1e-4)
    assert found.level((200.0, 900.0)).v_rms < 1e-3 * 1e-2


def test_the_stated_uncertainty_holds():
    """95 % of 400 captures: 380, standard deviation 4.4. Also where a steady line holds most of the power."""
    held = np.zeros(4)
    frames, rate = 4000, 8000.0
    line = 0.3 * np.sin(2 * np.pi * 1000.7 / rate * np.arange(frames))
    truth = [math.sqrt(3000 / 4000), math.sqrt(200 / 4000), math.sqrt(3000 / 4000 + 0.045), math.sqrt(0.045 + 0.05)]
    for seed in range(400):
        noise = white(1.0, 0.5, rate, seed=seed)[:, 0]
        one, two = noise_density(np.stack([noise, noise + line], axis=1), rate)
        levels = [one.level((500, 3500)), one.level((900, 1100)), two.level((500, 3500)), two.level((900, 1100))]
        held += [abs(got.v_rms - true) <= got.uncertainty_v_rms for got, true in zip(levels, truth, strict=True)]
    # Four standard deviations; a band of 200 Hz for half a second has 100 values, a skew law and few averages.
    assert np.all(held > 380 - 18 - 12)
    assert np.all(held < 400)


def test_silence_is_zero_and_no_number_of_its_own():
    (found,) = noise_density(np.zeros((48_000, 1)), RATE_HZ)
    assert found.level((20.0, 20_000.0)).v_rms == 0.0
    assert found.level((20.0, 20_000.0)).uncertainty_v_rms == 0.0


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_values_that_are_no_numbers_are_refused(bad):
    signal = white(1.0, 1.0)
    signal[30_000, 0] = bad
    with pytest.raises(SignalError, match="no numbers"):
        noise_density(signal, RATE_HZ)


def test_wrong_requests_are_refused():
    signal = white(1.0, 1.0)
    (found,) = noise_density(signal, RATE_HZ)
    for band in [(20.0, 30_000.0), (0.5, 100.0), (100.0, 100.0), (math.nan, 100.0), (-1.0, 100.0)]:
        with pytest.raises(SignalError):
            found.level(band)
    with pytest.raises(ValueError):
        found.level(None, np.ones(3))
    with pytest.raises(ValueError):
        found.level(None, np.full(len(found.v2_per_hz), np.nan))
    for gain in (0.0, -1.0, math.nan):
        with pytest.raises(ValueError):
            found.referred(gain)
    with pytest.raises(SignalError, match="too few"):
        noise_density(signal[:400], RATE_HZ)
    with pytest.raises(SignalError):
        segment_frames(0.0)
    with pytest.raises(ValueError):
        johnson_v_per_root_hz(-1.0)
    with pytest.raises(SignalError, match="longer"):
        NoisePass(RATE_HZ, 1).result()
    with pytest.raises(SignalError, match="shape"):
        NoisePass(RATE_HZ, 2).add(signal)
