"""Weightings against the standards' tables and networks (tests/reference), scipy's analogue filters, closed forms."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import scipy.signal
from reference_tables import rows

from audiomeas.analysis.weighting import (
    WEIGHTINGS,
    apply_weighting,
    brick_wall_band,
    butterworth_band,
    weighting,
)
from audiomeas.analysis.weighting_filters import WeightingFilter
from audiomeas.errors import RequestError, SignalError

RATES_HZ = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0]
#: What is asked for, from 10 Hz to 20 kHz.
CURVE_DB = 0.02
#: The tables' computed columns have four digits behind the point.
PRINTED_DB = 1e-4
NAMES = {"A": "a", "C": "c", "BS468": "itu_r_468", "CCIR_RMS": "itu_r_468_2k"}


def network(name):
    """Return (zeros, poles) in rad/s as the reference tables state them."""
    if name in ("a", "c"):
        f = {row["quantity"]: float(row["value"]) for row in rows("weighting_a_c_poles.csv")}
        corners = ["f1", "f1", "f2", "f3", "f4", "f4"] if name == "a" else ["f1", "f1", "f4", "f4"]
        return [0.0] * (4 if name == "a" else 2), [-2 * np.pi * f[corner] for corner in corners]
    table = rows("bs468_network.csv")
    values = [complex(float(row["value"]), float(row["imag"])) for row in table]
    kinds = [row["kind"] for row in table]
    return [v for v, k in zip(values, kinds, strict=True) if k == "zero"], [
        v for v, k in zip(values, kinds, strict=True) if k == "pole"
    ]


def analogue(name, hz):
    """Return the complex gain by scipy, 1 in size at the reference."""
    zeros, poles = network("itu_r_468" if name == "itu_r_468_2k" else name)
    _, gain = scipy.signal.freqs_zpk(zeros, poles, 1.0, 2 * np.pi * np.asarray(hz))
    _, at = scipy.signal.freqs_zpk(zeros, poles, 1.0, [2 * np.pi * (2000.0 if name == "itu_r_468_2k" else 1000.0)])
    return gain / abs(at[0])


@pytest.mark.parametrize("name", ["a", "c"])
def test_a_and_c_are_those_of_iec_61672(name):
    """Truth: IEC 61672-1 (2013), Annex E, by the table's analytic column."""
    table = rows("weighting_a_c_iec61672.csv")
    hz = np.array([float(row["exact_hz"]) for row in table])
    truth = [float(row[f"{name}_calc_db"]) for row in table]
    # exact_hz has four digits behind the point: at 10 Hz that is nothing, A falls 0.8 dB a hertz at most.
    assert weighting(name).gain_db(hz) == pytest.approx(truth, abs=PRINTED_DB)


@pytest.mark.parametrize(("name", "column"), [("itu_r_468", "network_db"), ("itu_r_468_2k", "ccir_rms_db")])
def test_468_is_that_of_the_recommendation(name, column):
    """Truth: ITU-R BS.468-4, network and table 1; AES17 for the form referred to 2 kHz."""
    table = rows("weighting_bs468.csv")
    hz = np.array([float(row["frequency_hz"]) for row in table])
    assert weighting(name).gain_db(hz) == pytest.approx([float(row[column]) for row in table], abs=PRINTED_DB)
    printed = [float(row["response_db"]) for row in table]
    # The table is rounded to 0.1 dB; its cells stand within 0.051 dB of the network (as the file's head says).
    assert weighting("itu_r_468").gain_db(hz) == pytest.approx(printed, abs=0.052)


@pytest.mark.parametrize(
    "row", rows("weighting_noise_gain.csv"), ids=lambda row: f"{row['weighting']}-{row['f_hi_hz']}"
)
def test_white_and_pink_noise_gain(row):
    """Truth: the table's integrals (0.001 dB); asked for are 0.05 dB."""
    low, high = float(row["f_lo_hz"]), float(row["f_hi_hz"])
    hz = np.linspace(low, high, 400_001)
    power = weighting(NAMES[row["weighting"]]).power_gain(hz)
    white = np.trapezoid(power, hz) / (high - low)
    assert 10 * np.log10(white) == pytest.approx(float(row["white_gain_db"]), abs=0.002)
    if row["pink_gain_db"]:
        pink = np.trapezoid(power / hz, hz) / np.log(high / low)
        assert 10 * np.log10(pink) == pytest.approx(float(row["pink_gain_db"]), abs=0.002)


@pytest.mark.parametrize(
    ("name", "rate", "truth_db"), [("A", 44_100.0, -2.4051), ("C", 48_000.0, -4.1379), ("BS468", 44_100.0, 6.8736)]
)
def test_weighted_white_noise(name, rate, truth_db):
    """Truth: weighting_noise_gain.csv, rows from 0 Hz to half the rate."""
    noise = np.random.default_rng(3).standard_normal((round(10 * rate), 1))
    found = apply_weighting(noise, rate, weighting(NAMES[name]))
    # 440,000 values: the ratio scatters by 0.012 dB at most (468, which leaves the fewest); four of these.
    assert 10 * np.log10(np.mean(found**2) / np.mean(noise**2)) == pytest.approx(truth_db, abs=0.05)


@pytest.mark.parametrize("rate", [44_100.0, 96_000.0])
@pytest.mark.parametrize("name", ["a", "c", "itu_r_468", "itu_r_468_2k"])
@pytest.mark.parametrize("hz", [20.0, 997.0, 15_000.0])
def test_a_signal_is_weighted_exactly(rate, name, hz):
    """Truth: scipy's analogue response of the tables' network, size and phase; nothing bends near half the rate."""
    t = np.arange(round(rate)) / rate
    signal = np.hanning(len(t)) * np.sin(2 * np.pi * hz * t)
    found = apply_weighting(signal[:, None], rate, weighting(name))[:, 0]
    middle = slice(len(t) // 2 - round(rate / 20), len(t) // 2 + round(rate / 20))
    basis = np.stack([np.sin(2 * np.pi * hz * t), np.cos(2 * np.pi * hz * t)], axis=1) * np.hanning(len(t))[:, None]
    (inphase, quadrature), *_ = np.linalg.lstsq(basis[middle], found[middle], rcond=None)
    # The window's sides are 2 Hz wide: over them A at 20 Hz bends by less than this (relative).
    assert (inphase + 1j * quadrature) / analogue(name, [hz])[0] == pytest.approx(1.0, abs=2e-2 if hz < 100 else 1e-4)


def test_nothing_wraps_around():
    rate = 48_000.0
    signal = np.zeros((24_000, 2))
    signal[-480:, 0] = np.hanning(480) * np.sin(2 * np.pi * 1000 / rate * np.arange(480))
    signal[:480, 1] = signal[-480:, 0]
    found = apply_weighting(signal, rate, weighting("a"))
    largest = np.max(np.abs(found))
    # Half a second of A's slowest time constant (7.7 ms) leaves e^-60; what stands is rounding and the burst's edges.
    assert np.max(np.abs(found[:4800, 0])) < 1e-6 * largest
    assert np.max(np.abs(found[-4800:, 1])) < 1e-6 * largest


#: At the lowest and the highest rate in each run.
ENDS_ALWAYS = [rate if rate in (min(RATES_HZ), max(RATES_HZ)) else pytest.param(rate, marks=pytest.mark.wide)
               for rate in RATES_HZ]  # fmt: skip


@pytest.mark.parametrize("rate", ENDS_ALWAYS)
@pytest.mark.parametrize("name", ["a", "c", "itu_r_468", "itu_r_468_2k"])
def test_the_filter_for_streaming_has_the_standards_curve(rate, name):
    """Truth: the tables' networks by scipy. Tightest tenth of a tolerance: 0.02 dB (468 at 7.1 kHz)."""
    frames = round(rate)
    impulse = np.zeros((frames, 1))
    impulse[0] = 1.0
    stream = WeightingFilter(weighting(name), rate, 1)
    found = np.concatenate([stream.add(impulse[start : start + 5000]) for start in range(0, frames, 5000)])
    hz = np.arange(10.0, 20_000.0)
    gain = np.fft.rfft(found[:, 0])[10:20_000]
    assert 20 * np.log10(np.abs(gain) / np.abs(analogue(name, hz))) == pytest.approx(np.zeros(len(hz)), abs=CURVE_DB)


def test_blocks_change_nothing():
    noise = np.random.default_rng(4).standard_normal((50_000, 2))
    by = weighting("itu_r_468")
    whole, parts = WeightingFilter(by, 44_100.0, 2).add(noise), WeightingFilter(by, 44_100.0, 2)
    cuts = [0, 1, 2, 300, 301, 9000, 26_000, 50_000]
    pieces = [parts.add(noise[a:b]) for a, b in pairwise(cuts)]
    # Rounding of transforms of other lengths.
    assert np.concatenate(pieces) == pytest.approx(whole, abs=1e-10)


def test_butterworth_is_that_of_scipy():
    """Truth: scipy.signal.butter, analogue, both slopes in a row."""
    hz = np.geomspace(1.0, 90_000.0, 300)
    truth = np.ones(len(hz), dtype=complex)
    for edge, kind in ((22.4, "high"), (22_400.0, "low")):
        coefficients = scipy.signal.butter(3, 2 * np.pi * edge, kind, analog=True, output="zpk")
        truth *= scipy.signal.freqs_zpk(*coefficients, worN=2 * np.pi * hz)[1]
    assert butterworth_band(22.4, 22_400.0, order=3).response(hz) == pytest.approx(truth, rel=1e-9)


def test_low_passes_and_brick_walls():
    """By definition: 15 kHz passes, the 19 kHz pilot does not."""
    assert weighting("lowpass_19k").power_gain(np.array([0.0, 15_000.0])) == pytest.approx([1.0, 1.0])
    assert weighting("lowpass_19k").power_gain(np.array([18_998.0, 19_000.0, 38_000.0])) == pytest.approx([0, 0, 0])
    assert weighting("lowpass_15k").power_gain(np.array([14_999.0, 15_001.0])) == pytest.approx([1.0, 0.0])
    assert brick_wall_band(20.0, 20_000.0).power_gain(np.array([19.0, 20.0, 21.0, 20_001.0])) == pytest.approx(
        [0, 0.5, 1, 0]
    )


@pytest.mark.parametrize("kind", ["weighted", "unweighted"])
def test_rumble_follows_its_asymptotes_and_says_how_sure_it_is(kind):
    """Truth: rumble_weighting.csv (from memory); its head allows 3 dB, and 6 dB at the corners."""
    column = "b_weighted_asymptote_db" if kind == "weighted" else "a_unweighted_asymptote_db"
    table = [row for row in rows("rumble_weighting.csv") if row[column]]
    for row in table:
        hz = float(row["frequency_hz"])
        allowed = 6.02 if 0.5 < hz / 315.0 < 2.0 else 3.0
        found = weighting(f"rumble_{kind}").gain_db(np.array([hz]))[0]
        assert found == pytest.approx(float(row[column]), abs=allowed)
    assert "low confidence" in weighting(f"rumble_{kind}").note


def test_every_weighting_says_its_reference_and_source():
    for name, one in WEIGHTINGS.items():
        assert one.name == name and one.words and one.source and one.reference.startswith("0 dB")


@pytest.mark.parametrize("wrong", [-1.0, float("nan"), float("inf")])
def test_no_gain_at_what_is_no_frequency(wrong):
    with pytest.raises(SignalError, match="frequency"):
        weighting("a").response(np.array([100.0, wrong]))


def test_what_can_not_be_is_refused():
    with pytest.raises(RequestError, match="itu_r_468"):
        weighting("B")
    for low, high in ((20.0, 20.0), (-1.0, 5.0), (float("nan"), 5.0), (5.0, float("nan"))):
        with pytest.raises(RequestError, match="no band"):
            brick_wall_band(low, high)
        with pytest.raises(RequestError, match="no band"):
            butterworth_band(low, high)
    with pytest.raises(RequestError, match="streaming"):
        WeightingFilter(weighting("lowpass_15k"), 48_000.0, 1)
    for bad in (np.zeros((0, 1)), np.zeros(5), np.full((5, 1), np.nan)):
        with pytest.raises(SignalError):
            apply_weighting(bad, 48_000.0, weighting("a"))
    with pytest.raises(SignalError, match="no numbers"):
        WeightingFilter(weighting("a"), 48_000.0, 1).add(np.array([[1.0], [np.nan]]))
    with pytest.raises(SignalError, match="rate"):
        apply_weighting(np.ones((5, 1)), 0.0, weighting("a"))
