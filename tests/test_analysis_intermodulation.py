"""Intermodulation against closed forms of polynomials, products put in by hand, and numpy's transform."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_tables import rows

from audiomeas.analysis.intermodulation import analyze_intermodulation, term_text
from audiomeas.errors import SignalError
from audiomeas.stimulus import SquarePlusSine

RATE_HZ = 48_000.0
#: Of the polynomial in imd_polynomial_model.csv.
A2 = A3 = 0.01
SMPTE = {"method": "modulation", "near_hz": (60.0, 7000.0)}
DIFFERENCE = {"method": "difference", "near_hz": (19_000.0, 20_000.0)}


def sine(frequency_hz, frames, peak=1.0, turns=0.0, rate_hz=RATE_HZ):
    """A sine whose phase is reduced first, so that a late frame is as exact as an early one."""
    return peak * np.sin(2 * np.pi * (np.remainder(np.arange(frames) * (frequency_hz / rate_hz), 1.0) + turns))


def polynomial_lines(low_hz, low, high_hz, high, a2=A2, a3=A3):
    """Lines (frequency → peak) of y = x + a2·x² + a3·x³ of two sines, up to order 3 (head of the table)."""
    found = {
        low_hz: low + 0.75 * a3 * low**3 + 1.5 * a3 * low * high**2,
        high_hz: high + 0.75 * a3 * high**3 + 1.5 * a3 * high * low**2,
        2 * low_hz: a2 * low**2 / 2,
        2 * high_hz: a2 * high**2 / 2,
        3 * low_hz: a3 * low**3 / 4,
        3 * high_hz: a3 * high**3 / 4,
    }
    for sign in (-1, 1):
        found[abs(high_hz + sign * low_hz)] = a2 * low * high
        found[abs(high_hz + sign * 2 * low_hz)] = 0.75 * a3 * low**2 * high
        found[abs(2 * high_hz + sign * low_hz)] = 0.75 * a3 * low * high**2
    return found


def summed(lines, frames, scale=1.0, rate_hz=RATE_HZ, seed=1):
    """A band-limited signal of these lines, each at a phase of its own; what no converter passes is left out."""
    generator = np.random.default_rng(seed)
    total = np.zeros(frames)
    for hz, peak in lines.items():
        turns = generator.random()
        if hz * scale < 0.499 * rate_hz:
            total += sine(hz * scale, frames, peak, turns, rate_hz)
    return total


def smpte_of(amplitudes):
    """d_m2, d_m3, envelope total, r.s.s. total of the polynomial by the formulas in the table's head."""
    low, high = amplitudes
    f2 = high + 0.75 * A3 * high**3 + 1.5 * A3 * high * low**2
    second, third = A2 * low * high / f2, 0.75 * A3 * low**2 * high / f2
    return 2 * second, 2 * third, 2 * math.hypot(second, third), math.sqrt(2) * math.hypot(second, third)


@pytest.mark.parametrize("scale", [1.0, 1.0002, 0.9998, 1.013])
@pytest.mark.parametrize("frames", [48_000, 30_011])
def test_modulation_of_the_polynomial(scale, frames):
    """Closed form; one clock, ±200 ppm, another generator; whole periods or not.

    To 5e-8: the fit of the lines leaves out what is 148 dB below a neighbour.
    """
    signal = summed(polynomial_lines(60.0, 0.8, 7000.0, 0.2), frames, scale)
    found = analyze_intermodulation(signal, RATE_HZ, **SMPTE, one_scale=True)
    d2, d3, envelope, rss = smpte_of((0.8, 0.2))
    assert found.orders[2].value == pytest.approx(d2, rel=5e-8)
    assert found.orders[3].value == pytest.approx(d3, rel=5e-8)
    assert found.total.value == pytest.approx(envelope, rel=5e-8)
    assert found.rss.value == pytest.approx(rss, rel=5e-8)
    assert found.scale == pytest.approx(scale, rel=1e-12)
    assert found.low.level_rms == pytest.approx(
        (0.8 + 0.75 * A3 * 0.512 + 1.5 * A3 * 0.8 * 0.04) / math.sqrt(2), rel=1e-9
    )
    # definitions.md section 2.1: 1.84761 % and 1.30646 %, 3.0103 dB apart when sidebands are symmetric.
    assert 100 * found.total.value == pytest.approx(1.84761, abs=5e-6)
    assert 100 * found.rss.value == pytest.approx(1.30646, abs=5e-6)
    assert 20 * math.log10(found.total.value / found.rss.value) == pytest.approx(
        20 * math.log10(math.sqrt(2)), abs=1e-7
    )


@pytest.mark.parametrize("scale", [1.0, 1.0002, 0.9998])
def test_difference_frequency_of_the_polynomial(scale):
    signal = summed(polynomial_lines(19_000.0, 0.5, 20_000.0, 0.5), 48_000, scale)
    found = analyze_intermodulation(signal, RATE_HZ, **DIFFERENCE, one_scale=True)
    f1 = 0.5 + 0.75 * A3 * 0.125 + 1.5 * A3 * 0.125
    assert found.orders[2].value == pytest.approx(A2 * 0.25 / (2 * f1), rel=5e-8)
    assert found.orders[3].value == pytest.approx(2 * 0.75 * A3 * 0.125 / (2 * f1), rel=5e-8)
    assert found.total.value == pytest.approx(math.hypot(A2 * 0.25, 1.5 * A3 * 0.125) / (2 * f1), rel=5e-8)
    # definitions.md section 2.2.
    assert 100 * found.orders[2].value == pytest.approx(0.248602, abs=5e-7)
    assert 100 * found.orders[3].value == pytest.approx(0.186451, abs=5e-7)


@pytest.mark.parametrize("row", rows("imd_polynomial_model.csv")[5:], ids=lambda row: row["case"] + row["product"])
def test_every_product_of_the_table(row):
    case = {"smpte_60_7000": (60.0, 0.8, 7000.0, 0.2), "ccif_19k_20k": (19_000.0, 0.5, 20_000.0, 0.5)}[row["case"]]
    method = SMPTE if row["case"].startswith("smpte") else DIFFERENCE
    found = analyze_intermodulation(summed(polynomial_lines(*case), 24_000), RATE_HZ, **method)
    hz, peak = float(row["frequency_hz"]), float(row["peak_amplitude"])
    reference = found.low if row["reference"] == "f1" else found.high
    if row["product"] in ("f1", "f2"):
        assert reference.frequency_hz == pytest.approx(hz, rel=1e-9)
        assert reference.level_rms * math.sqrt(2) == pytest.approx(peak, rel=1e-7)
        return
    (product,) = (one for one in found.products if abs(one.frequency_hz - hz) < 1e-3)
    assert math.sqrt(2 * product.power) == pytest.approx(peak, rel=1e-7)
    level_db = 20 * math.log10(math.sqrt(product.power) / reference.level_rms)
    assert level_db == pytest.approx(float(row["level_db_re_reference"]), abs=5.1e-5)  # the table's last digit
    spoken = row["product"].replace("-", " − ").replace("+", " + ").replace("1f", "f").replace("2f", "2·f")
    assert term_text(product.term) == spoken


def test_asymmetric_sidebands_are_added_as_voltages():
    """A unit that cuts high frequencies makes a pair unequal; the envelope form adds the voltages of a pair."""
    lines = {60.0: 0.8, 7000.0: 0.2, 6940.0: 0.004, 7060.0: 0.001, 6880.0: 0.0003, 7120.0: 0.0007}
    found = analyze_intermodulation(summed(lines, 48_000), RATE_HZ, **SMPTE)
    assert found.orders[2].value == pytest.approx(0.005 / 0.2, rel=1e-9)
    assert found.orders[3].value == pytest.approx(0.001 / 0.2, rel=1e-9)
    assert found.total.value == pytest.approx(math.hypot(0.005, 0.001) / 0.2, rel=1e-9)
    squares = 0.004**2 + 0.001**2 + 0.0003**2 + 0.0007**2
    assert found.rss.value == pytest.approx(math.sqrt(squares) / 0.2, rel=1e-9)


def test_any_pair_by_orders():
    lines = {3000.0: 0.5, 4100.0: 0.4, 1100.0: 1e-3, 7100.0: 2e-3, 1900.0: 3e-4, 5200.0: 4e-4, 2200.0: 5e-5}
    found = analyze_intermodulation(summed(lines, 48_000, 1.0001), RATE_HZ, method="pair", near_hz=None)
    reference = math.hypot(0.5, 0.4)
    assert found.low.frequency_hz == pytest.approx(3000.3, rel=1e-9)
    assert found.orders[2].value == pytest.approx(math.hypot(1e-3, 2e-3) / reference, rel=1e-7)
    assert found.orders[3].value == pytest.approx(math.hypot(3e-4, 4e-4) / reference, rel=1e-7)
    assert found.orders[4].value == pytest.approx(5e-5 / reference, rel=1e-7)  # 2·f2 − 2·f1
    squares = sum(lines[hz] ** 2 for hz in lines if hz not in (3000.0, 4100.0))
    assert found.total.value == pytest.approx(math.sqrt(squares) / reference, rel=1e-7)


def transient_lines(rate_hz):
    """A low-passed square with a sine of 0.1, by its series, and nine products of sizes of their own."""
    lines = {15_000.0: 0.1}
    for order in range(1, 200, 2):
        if order * 3150 < 0.46 * rate_hz:
            lines[order * 3150.0] = 0.4 * 4 / (math.pi * order) / math.sqrt(1 + (order * 3150 / 30_000) ** 2)
    for row in rows("dim_products.csv"):
        lines[float(row["frequency_hz"])] = 1e-5 * int(row["index"])
    return lines


@pytest.mark.parametrize("rate_hz", [48_000.0, 96_000.0])
@pytest.mark.parametrize("scale", [1.0, 1.0002])
def test_the_nine_products_of_the_transient_form(rate_hz, scale):
    signal = summed(transient_lines(rate_hz), round(rate_hz), scale, rate_hz)
    found = analyze_intermodulation(signal, rate_hz, method="transient", near_hz=(3150.0, 15_000.0), one_scale=True)
    # Σ 1² … 9² = 285.
    assert found.total.value == pytest.approx(1e-5 * math.sqrt(285.0) / 0.1, rel=1e-6)
    counted = [one.frequency_hz for one in found.products if one.term in found.counted]
    assert counted == pytest.approx([scale * float(row["frequency_hz"]) for row in rows("dim_products.csv")], rel=1e-10)
    for row in rows("dim_products.csv"):
        (product,) = (one for one in found.products if abs(one.frequency_hz / scale - float(row["frequency_hz"])) < 0.1)
        assert abs(product.term[0]) == int(row["m"])
        assert product.order == int(row["m"]) + 1


def test_transient_form_of_a_polynomial():
    """Truth: numpy's transform of whole periods of the same samples, line by line."""
    stimulus = SquarePlusSine.bin_centred(level_v_rms=1.0, sample_rate_hz=96_000.0)
    (window,) = stimulus.windows()
    x = stimulus.samples_v()[window.start : window.stop]
    y = x + 0.01 * x**2 - 0.02 * x**3
    bins = np.abs(np.fft.rfft(y))
    nine = [round(float(row["frequency_hz"])) for row in rows("dim_products.csv")]
    wanted = math.sqrt(float(np.sum(bins[nine] ** 2))) / bins[15_000]
    found = analyze_intermodulation(y, 96_000.0, method="transient", near_hz=(3150.0, 15_000.0), one_scale=True)
    # Lines beyond the nine are not fitted; on whole periods none of them reaches another bin.
    assert found.total.value == pytest.approx(wanted, rel=1e-7)


@given(st.floats(1e-4, 1e4), st.floats(-0.3, 0.3), st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_gain_polarity_dc_and_phase_change_nothing(gain, dc, seed):
    signal = summed(polynomial_lines(400.0, 0.8, 7000.0, 0.2), 12_000, seed=seed)
    found = analyze_intermodulation(-gain * (signal + dc), RATE_HZ, method="modulation", near_hz=(400.0, 7000.0))
    _, _, envelope, rss = smpte_of((0.8, 0.2))
    assert found.total.value == pytest.approx(envelope, rel=1e-7)
    assert found.rss.value == pytest.approx(rss, rel=1e-7)
    assert found.high.level_rms / gain == pytest.approx(0.201980 / math.sqrt(2), rel=1e-4)


def noisy_difference(generator, product_peak, noise_rms, frames=9_600):
    lines = {19_000.0: 0.5, 20_000.0: 0.5, 1000.0: product_peak}
    signal = summed(lines, frames, seed=int(generator.integers(1 << 30)))
    return signal + noise_rms * generator.standard_normal(frames)


def test_the_interval_covers_the_truth():
    """A product 21 dB above the noise of its line (9,600 frames of white noise)."""
    generator = np.random.default_rng(60268)
    inside, values = 0, []
    for _ in range(150):
        found = analyze_intermodulation(noisy_difference(generator, 1e-3, 6e-3), RATE_HZ, **DIFFERENCE)
        ratio = found.orders[2]
        assert not ratio.at_most
        inside += abs(ratio.value - 1e-3) <= ratio.uncertainty
        values.append(ratio.value)
    # 95 % of 150 is 142.5 ± 2.7; four standard deviations.
    assert 132 <= inside <= 150
    # Not lifted by the noise: it would read 0.4 % high without the correction; the mean of 150 is known to 0.5 %.
    assert np.mean(values) == pytest.approx(1e-3, rel=0.02)


def test_what_drowns_in_noise_is_a_limit_that_holds():
    generator = np.random.default_rng(3)
    limits, held = 0, 0
    for _ in range(100):
        found = analyze_intermodulation(noisy_difference(generator, 1e-5, 6e-3), RATE_HZ, **DIFFERENCE)
        limits += found.orders[2].at_most
        held += found.orders[2].value + found.orders[2].uncertainty >= 1e-5
    # 5 % of noise looks like something: four standard deviations of 100 draws.
    assert limits >= 86
    assert held >= 97


def test_hum_and_other_lines_are_not_counted():
    lines = polynomial_lines(60.0, 0.8, 7000.0, 0.2) | {50.0: 1e-3, 150.0: 1e-3, 6911.7: 1e-3}
    found = analyze_intermodulation(summed(lines, 48_000), RATE_HZ, **SMPTE)
    # Lines that are not asked for leak a little: they stand at no whole distance, 10 bins away from 60 Hz, 60 dB below.
    assert found.total.value == pytest.approx(smpte_of((0.8, 0.2))[2], rel=1e-4)


@pytest.mark.parametrize(
    ("lines", "how", "words"),
    [
        ({60.0: 0.8}, SMPTE, "no steady tone stands out near .* Hz"),
        ({7000.0: 0.8}, SMPTE, "no steady tone stands out near .* Hz"),
        ({60.0: 0.2, 7000.0: 0.8}, SMPTE, "they look swapped"),
        ({60.0: 0.8, 7000.0: 0.001}, SMPTE, "almost missing"),
        ({250.0: 0.8, 8000.0: 0.2}, SMPTE, "strongest lines are at 250 and 8000 Hz"),
        ({60.0: 0.8, 7000.0: 0.2, 3000.0: 0.4}, SMPTE, "3000 Hz is stronger than the tone at 7000 Hz"),
        ({1000.0: 0.8}, {"method": "pair", "near_hz": None}, "no steady tone stands out|only one tone"),
        ({1000.0: 0.5, 2000.0: 0.5}, {"method": "difference", "near_hz": (1000.0, 2000.0)}, "falls on the low tone"),
        ({60.0: 0.8}, {"method": "modulation", "near_hz": (60.0, 30_000.0)}, "no tone can be at 30000 Hz"),
        ({60.0: 0.8, 7000.0: 0.2}, {**SMPTE, "limits_hz": (20.0, 5000.0)}, "no product of 60 and 7000 Hz"),
        ({60.0: 0.8, 7000.0: 0.2}, {**SMPTE, "highest_order": 1}, "order from 2 to 9"),
        ({60.0: 0.8, 7000.0: 0.2}, {**SMPTE, "method": "guess"}, "unknown method"),
        ({60.0: 0.8, 7000.0: 0.2}, {"method": "modulation", "near_hz": (7000.0, 60.0)}, "must lie below"),
        ({60.0: 0.8, 7000.0: 0.2}, {"method": "difference", "near_hz": None}, "needs to know its two frequencies"),
    ],
)  # fmt: skip
def test_refusals(lines, how, words):
    generator = np.random.default_rng(0)
    signal = summed(lines, 48_000) + 1e-6 * generator.standard_normal(48_000)
    with pytest.raises(SignalError, match=words):
        analyze_intermodulation(signal, RATE_HZ, **how)


@pytest.mark.parametrize(
    ("signal", "words"),
    [
        (np.zeros(48_000), "silence"),
        (np.full(48_000, 0.3), "silence or only DC"),
        (np.random.default_rng(1).standard_normal(48_000), "no steady tone stands out|stronger than|wanders"),
        (np.where(np.arange(48_000) == 7, np.nan, 0.1), "no numbers"),
        (np.where(np.arange(48_000) == 7, np.inf, 0.1), "no numbers"),
        (summed({60.0: 0.8, 7000.0: 0.2}, 4_800), "periods of the low tone"),
        (np.zeros(1), "too short"),
        (np.zeros(0), "too short"),
        (np.zeros((48_000, 2)), "one channel"),
    ],
)
def test_bad_signals(signal, words):
    with pytest.raises(SignalError, match=words):
        analyze_intermodulation(signal, RATE_HZ, **SMPTE)


def test_a_product_beyond_the_capture_is_said_and_nothing_believed():
    """At 40 kHz the third-order product at 20 kHz can't be captured: no third order, no total, but the second order."""
    lines = {hz: peak for hz, peak in polynomial_lines(19_000.0, 0.5, 19_500.0, 0.5).items() if hz < 19_990}
    signal = summed(lines, 40_000, rate_hz=40_000.0)
    found = analyze_intermodulation(signal, 40_000.0, method="difference", near_hz=(19_000.0, 19_500.0))
    assert found.orders[3] is None
    assert found.total is None
    assert found.orders[2].value == pytest.approx(A2 * 0.25 / 1.005625, rel=1e-6)
    assert any("2·f2 − f1 at 20000 Hz lies beyond" in note and "higher rate" in note for note in found.notes)


def test_products_that_coincide_are_said_and_not_counted():
    """1 and 3 kHz: f2 − f1 is the second harmonic of f1."""
    lines = {1000.0: 0.5, 3000.0: 0.5, 2000.0: 1e-3, 4000.0: 1e-3}
    found = analyze_intermodulation(summed(lines, 48_000), RATE_HZ, method="pair", near_hz=(1000.0, 3000.0))
    assert any("f2 − f1 falls on 2·f1 and is not counted" in note for note in found.notes)
    assert found.orders[2].value == pytest.approx(1e-3 / math.hypot(0.5, 0.5), rel=1e-7)  # f1 + f2 alone


def test_two_generators_of_their_own_are_fitted_one_by_one():
    """The low tone is 900 ppm off and the high one right: no common clock, but every product is where it must be."""
    signal = summed(polynomial_lines(400.36, 0.8, 7000.0, 0.2), 48_000)
    found = analyze_intermodulation(signal, RATE_HZ, method="modulation", near_hz=(400.0, 7000.0), one_scale=True)
    assert found.scale is None
    assert found.total.value == pytest.approx(smpte_of((0.8, 0.2))[2], rel=1e-7)


def test_the_input_is_not_written_to():
    signal = summed(polynomial_lines(60.0, 0.8, 7000.0, 0.2), 24_000)
    before = signal.copy()
    signal.setflags(write=False)
    analyze_intermodulation(signal, RATE_HZ, **SMPTE)
    assert np.array_equal(signal, before)
