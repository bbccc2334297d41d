"""The 468 meters at high rates: only kept samples are computed, and the readings stay those of the Recommendation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from reference_tables import rows
from scipy.signal import freqz, upfirdn

from audiomeas.analysis.detectors import AverageOf, QuasiPeak
from audiomeas.analysis.lowband import LowBand
from audiomeas.analysis.weighting import weighting
from audiomeas.analysis.weighting_filters import WeightingFilter
from audiomeas.measurement.noise_meter import Meter

CURVE = weighting("itu_r_468")


def read(signal, rate, block=50_021):
    """Return a meter's readings; the block's length is no multiple of anything."""
    meter = Meter(rate, signal.shape[1], len(signal))
    for start in range(0, len(signal), block):
        meter.add(signal[start : start + block])
    return meter.result()


@pytest.mark.parametrize(("rate", "every"), [(96_000.0, 2), (176_400.0, 4), (192_000.0, 3), (192_000.0, 4)])
def test_kept_samples_have_the_gain_of_the_recommendation(rate, every):
    """Truth: ITU-R BS.468-4, table 1, computed from its network (file of reference). Amplitude by a fit of the sine."""
    for row in rows("weighting_bs468.csv"):
        hz = float(row["frequency_hz"])
        if not 100.0 <= hz <= 20_000.0:
            continue
        at = np.arange(round(0.3 * rate))
        kept = WeightingFilter(CURVE, rate, 1, every=every).add(np.sin(2 * np.pi * hz / rate * at)[:, None])[:, 0]
        settled = slice(len(kept) // 2, None)
        angle = 2 * np.pi * hz * every / rate * np.arange(len(kept))[settled]
        parts = np.linalg.lstsq(np.stack([np.sin(angle), np.cos(angle)], axis=1), kept[settled], rcond=None)[0]
        # 0.02 dB: what the filter for streaming is specified to keep up to 20 kHz.
        assert 20 * math.log10(math.hypot(*parts)) == pytest.approx(float(row["network_db"]), abs=0.02)


@pytest.mark.parametrize("every", [1, 2, 3, 4, 7])
def test_kept_samples_are_those_of_the_whole_whatever_the_blocks_are(every):
    rng = np.random.default_rng(3)
    signal = rng.standard_normal((40_013, 2))
    whole = WeightingFilter(CURVE, 192_000.0, 2).add(signal)
    cut, place, got = WeightingFilter(CURVE, 192_000.0, 2, every=every), 0, []
    while place < len(signal):
        length = int(rng.choice([1, 2, 3, 255, 256, 8192, 9001]))
        got.append(cut.add(signal[place : place + length]))
        place += length
    # Rounding of transforms of other lengths: some 1e-15 of a signal of 1.
    np.testing.assert_allclose(np.concatenate(got), whole[::every], rtol=0, atol=1e-12)


@pytest.mark.parametrize("rate", [88_200.0, 96_000.0, 192_000.0])
def test_noise_reads_as_it_does_when_every_sample_is_rectified(rate):
    """Within 0.01 dB. Both see the same noise, so 20 s tell it: their difference scatters by some 0.002 dB."""
    noise = np.random.default_rng(11).standard_normal((round(20 * rate), 1))
    weighted = WeightingFilter(CURVE, rate, 1).add(noise)
    needle = QuasiPeak(rate, 1).add(weighted)[round(1.5 * rate) :]
    average = AverageOf(1)
    average.add(weighted)
    got = read(noise, rate)[0]
    assert 20 * math.log10(got.quasi_peak / float(np.mean(needle))) == pytest.approx(0.0, abs=0.01)
    # ARM is 5.6 dB lower: the network's gain at 2 kHz, 5.629 dB from its poles and zeros (clause 1).
    arm_db = 20 * math.log10(got.arm / float(average.result()[0]))
    at_2k = next(
        float(row["network_db"]) for row in rows("weighting_bs468.csv") if float(row["frequency_hz"]) == 2000.0
    )
    assert arm_db == pytest.approx(-at_2k, abs=0.01)


@pytest.mark.parametrize("rate", [96_000.0, 192_000.0])
def test_bursts_at_high_rates(rate):
    """Truth: ITU-R BS.468-4, table 2 (from memory), at a third of its tolerance, through the weighting."""
    tone = math.sqrt(2.0) * np.sin(2 * np.pi * 5000.0 / rate * np.arange(round(4 * rate)))[:, None]
    full = read(tone, rate)[0].quasi_peak_highest
    for row in rows("bs468_burst_single.csv"):
        first = round(1.8 * rate)
        frames = math.ceil(float(row["burst_ms"]) * rate / 1000 - 1e-6)
        burst = np.zeros_like(tone)
        burst[first : first + frames] = tone[:frames]
        percent = 100 * read(burst, rate)[0].quasi_peak_highest / full
        low, nominal, high = (float(row[key]) for key in ("lower_pct", "nominal_pct", "upper_pct"))
        assert nominal - (nominal - low) / 3 <= percent <= nominal + (high - nominal) / 3


@pytest.mark.parametrize("rate", [44_100.0, 192_000.0])
def test_the_low_band_is_what_scipy_filters(rate):
    """Truth: scipy's polyphase filter with the same taps; any cut into blocks. 1e-12: rounding of sums of 2,500."""
    signal = np.random.default_rng(5).standard_normal((60_000, 2))
    low = LowBand(rate, 2)
    every = round(rate / low.rate_hz)
    # The answers to an impulse at each of the places between two kept frames are the taps, one after the other.
    probe = LowBand(rate, every)
    shifted = np.zeros((8 * 4096, every))
    for place in range(every):
        shifted[4096 + place, place] = 1.0
    answers = probe.take(shifted)
    taps = np.trim_zeros(answers[::-1].ravel())
    # What hum needs of it (its own specification): flat to 1250 Hz, 100 dB down where images would fall back on that.
    _, gain = freqz(taps, worN=np.array([0.0, 50.0, 600.0, 1250.0]), fs=rate)
    assert np.max(np.abs(20 * np.log10(np.abs(gain)))) < 2e-4
    _, gain = freqz(taps, worN=np.linspace(low.rate_hz - 1250.0, rate / 2, 3000), fs=rate)
    assert np.max(20 * np.log10(np.abs(gain))) < -99.0
    blocks = [low.take(signal[start : start + 7001]) for start in range(0, len(signal), 7001)]
    got = np.concatenate(blocks)
    delayed = upfirdn(taps, signal, axis=0)[len(taps) - 1 :: every][: len(got)]
    np.testing.assert_allclose(got, delayed, rtol=0, atol=1e-12)
