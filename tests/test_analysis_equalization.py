"""Equalizations: the printed tables, placement, which target fits, and time constants of networks that are off."""

from __future__ import annotations

import math

import numpy as np
import pytest
from reference_tables import rows

from audiomeas.analysis.equalization import compare, deviation, fit_time_constants
from audiomeas.analysis.equalization_curves import NAMES, equalization, tape_flux_db

#: The tables are printed with four decimals.
PRINTED_DB = 0.00005 + 1e-9
BAND_HZ = (20.0, 20_000.0)
GRID_HZ = 1000.0 * 10.0 ** (0.3 / 24 * np.arange(-136, 105))


def column(name, key):
    return np.array([float(row[key]) for row in rows(name)])


def db(response):
    return 20.0 * np.log10(np.abs(response))


def network_db(frequency_hz, *, falls_us=(), rises_us=(), cuts_us=()):
    """Return a network's gain by the squares of its parts (first-order sections), not normalized."""
    omega = 2e-6 * np.pi * np.asarray(frequency_hz, dtype=float)
    gain_db = np.zeros(len(omega))
    for tau_us in falls_us:
        gain_db -= 10.0 * np.log10(1.0 + (omega * tau_us) ** 2)
    for tau_us in rises_us:
        gain_db += 10.0 * np.log10(1.0 + (omega * tau_us) ** 2)
    for tau_us in cuts_us:
        gain_db -= 10.0 * np.log10(1.0 + 1.0 / (omega * tau_us) ** 2)
    return gain_db


RIAA_DB = network_db(GRID_HZ, falls_us=(3180, 75), rises_us=(318,))
IEC_DB = network_db(GRID_HZ, falls_us=(3180, 75), rises_us=(318,), cuts_us=(7950,))
NONE_DB = np.zeros(len(GRID_HZ))


@pytest.mark.parametrize(
    ("table", "key", "name", "reference_hz"),
    [
        ("eq_riaa.csv", "riaa_db", "riaa", 1000.0),
        ("eq_riaa.csv", "iec_riaa_db", "riaa-iec", 1000.0),
        ("eq_fm_deemphasis.csv", "de50_re_1khz_db", "fm-50", 1000.0),
        ("eq_fm_deemphasis.csv", "de75_re_1khz_db", "fm-75", 1000.0),
        ("eq_fm_deemphasis.csv", "de50_re_dc_db", "fm-50", 1e-6),
        ("eq_fm_deemphasis.csv", "de75_re_dc_db", "fm-75", 1e-6),
        ("eq_fm_deemphasis.csv", "de25_re_dc_db", "fm-25", 1e-6),
        ("eq_cd_emphasis.csv", "deemphasis_re_1khz_db", "cd", 1000.0),
        ("eq_cd_emphasis.csv", "deemphasis_re_dc_db", "cd", 1e-6),
    ],
)
def test_curves_are_those_of_the_tables(table, key, name, reference_hz):
    frequency_hz = column(table, "frequency_hz")
    found = equalization(name).gain_db(frequency_hz, reference_hz=reference_hz)
    np.testing.assert_allclose(found, column(table, key), atol=PRINTED_DB, rtol=0.0)


def test_the_phase_of_riaa_is_that_of_the_table():
    frequency_hz = column("eq_riaa.csv", "frequency_hz")
    phase_deg = np.degrees(np.angle(equalization("riaa").response(frequency_hz)))
    # Printed with three decimals.
    np.testing.assert_allclose(phase_deg, column("eq_riaa.csv", "riaa_phase_deg"), atol=0.0005001, rtol=0.0)


#: Lipshitz, J. Audio Eng. Soc. 27 (1979), three decimals, as recalled in the reference folder.
LIPSHITZ = {20: 19.274, 50: 16.946, 100: 13.088, 200: 8.219, 500: 2.648, 2000: -2.589, 5000: -8.210, 10_000: -13.734}


def test_riaa_is_that_of_lipshitz():
    found = equalization("riaa").gain_db(np.array(list(LIPSHITZ), dtype=float))
    np.testing.assert_allclose(found, list(LIPSHITZ.values()), atol=0.001, rtol=0.0)


TAPES = rows("eq_tape_time_constants.csv")


@pytest.mark.parametrize("row", TAPES, ids=[row["id"] for row in TAPES])
def test_every_tape_equalization_is_there_with_its_constants(row):
    found = equalization("tape-" + row["id"].lower().replace("_", "-"))
    low_us, high_us = float(row["t_low_us"]), float(row["t_high_us"])
    assert found.tape_high_s == pytest.approx(1e-6 * high_us, rel=1e-12)
    assert found.tape_low_s == (pytest.approx(1e-6 * low_us, rel=1e-12) if low_us else None)
    corners = {constant.kind: constant.corner_hz for constant in found.constants}
    assert corners["rise"] == pytest.approx(float(row["corner_high_hz"]), abs=0.00051)
    assert ("fall" in corners) == bool(low_us)
    if low_us:
        assert corners["fall"] == pytest.approx(float(row["corner_low_hz"]), abs=0.00051)
    # A replay amplifier undoes flux and head: its gain is −flux, less the head's 6 dB an octave.
    frequency_hz = np.array([20.0, 50.0, 333.0, 3150.0, 10_000.0, 20_000.0])
    flux_db = tape_flux_db(frequency_hz, high_s=found.tape_high_s, low_s=found.tape_low_s)
    head_db = 20.0 * np.log10(frequency_hz / 1000.0)
    np.testing.assert_allclose(found.gain_db(frequency_hz), -flux_db - head_db, atol=1e-9)
    by_flux = equalization(found.name, tape_signal="flux")
    np.testing.assert_allclose(by_flux.gain_db(frequency_hz), -flux_db, atol=1e-9)


def test_there_is_no_tape_beside_those_of_the_table():
    ids = {"tape-" + row["id"].lower().replace("_", "-") for row in TAPES}
    assert {name for name in NAMES if name.startswith("tape-")} == ids


FLUXES = ["0_17p5", "0_35", "3180_50", "0_70", "3180_90", "3180_120", "3180_70"]


def flux_db(pair, frequency_hz):
    low_us, high_us = (float(text.replace("p", ".")) for text in pair.split("_"))
    return tape_flux_db(frequency_hz, high_s=1e-6 * high_us, low_s=1e-6 * low_us if low_us else None)


@pytest.mark.parametrize("pair", FLUXES)
def test_tape_flux_is_that_of_the_table(pair):
    frequency_hz = column("eq_tape_flux.csv", "frequency_hz")
    np.testing.assert_allclose(
        flux_db(pair, frequency_hz), column("eq_tape_flux.csv", f"flux_{pair}"), atol=PRINTED_DB, rtol=0.0
    )


@pytest.mark.parametrize(
    ("recorded", "played"),
    [("0_35", "3180_50"), ("3180_50", "0_35"), ("0_70", "3180_50"), ("3180_70", "3180_120"), ("3180_120", "3180_70")],
)
def test_the_wrong_tape_equalization_errs_as_the_table_says(recorded, played):
    frequency_hz = column("eq_tape_mismatch.csv", "frequency_hz")
    error_db = flux_db(recorded, frequency_hz) - flux_db(played, frequency_hz)
    printed = column("eq_tape_mismatch.csv", f"rec_{recorded}_play_{played}")
    # Difference of two printed columns.
    np.testing.assert_allclose(error_db, printed, atol=2.0 * PRINTED_DB, rtol=0.0)


def test_a_perfect_unit_deviates_by_its_gain_only():
    found = deviation(GRID_HZ, RIAA_DB + 36.0, NONE_DB + 0.01, equalization("riaa"), band_hz=BAND_HZ)
    np.testing.assert_allclose(found.deviation_db, 0.0, atol=1e-9)
    at_1khz_db = network_db([1000.0], falls_us=(3180, 75), rises_us=(318,))[0]
    assert found.offset_db == pytest.approx(36.0 + at_1khz_db, abs=1e-9)
    assert found.rms_db == pytest.approx(0.0, abs=1e-9)
    # Two points of 0.01 dB each; the reference itself too: it is measured like all the others.
    assert found.uncertainty_db[0] == pytest.approx(0.01 * math.sqrt(2.0))


def test_best_fit_lies_in_the_middle_of_a_tilt():
    tilt_db = np.log10(GRID_HZ / math.sqrt(BAND_HZ[0] * BAND_HZ[1]))  # 1 dB a decade, 0 dB in the band's middle
    target = equalization("riaa")
    found = deviation(GRID_HZ, RIAA_DB + 7.0 + tilt_db, NONE_DB, target, best_fit=True, band_hz=BAND_HZ)
    # The grid's ends lie within one point (1/24 octave) of the band's: 1/80 decade.
    np.testing.assert_allclose(found.deviation_db, tilt_db, atol=0.0125)
    # R.m.s. of a ramp from −1.5 to 1.5.
    assert found.rms_db == pytest.approx(3.0 / math.sqrt(12.0), rel=0.01)
    by_reference = deviation(GRID_HZ, RIAA_DB + 7.0 + tilt_db, NONE_DB, target, band_hz=BAND_HZ)
    assert by_reference.deviation_db[GRID_HZ == 1000.0][0] == 0.0
    np.testing.assert_allclose(np.ptp(by_reference.deviation_db), np.ptp(tilt_db), atol=1e-9)


def test_best_fit_trusts_the_better_points():
    step_db = np.where(GRID_HZ < 632.0, 1.0, 0.0)
    uncertainty_db = np.where(GRID_HZ < 632.0, 3.0, 0.03)
    found = deviation(GRID_HZ, RIAA_DB + step_db, uncertainty_db, equalization("riaa"), best_fit=True, band_hz=BAND_HZ)
    # Half of log frequency at 3 dB, half at 0.03 dB: the poor half counts (0.03² + 0.01²)/9 = 1/9000.
    assert abs(found.deviation_db[-1]) < 0.001
    assert found.uncertainty_db[-1] < 0.1


@pytest.mark.parametrize(("measured", "better"), [(RIAA_DB, 0), (IEC_DB, 1)])
def test_the_bass_cut_is_told(measured, better):
    targets = (equalization("riaa"), equalization("riaa-iec"))
    found = compare(GRID_HZ, measured + 30.0, NONE_DB + 0.01, targets, band_hz=BAND_HZ)
    assert found.better == better
    assert found.rms_db[better] == pytest.approx(0.0, abs=1e-9)
    # Wholly wrong by the difference of the two, whose r.m.s. after placement is a fact of the curves.
    apart_db = RIAA_DB - IEC_DB
    assert found.by_db == pytest.approx(np.std(apart_db[(GRID_HZ >= 20.0) & (GRID_HZ <= 20_000.0)]), rel=0.02)
    assert found.apart_db == pytest.approx(found.by_db, abs=1e-9)


def test_the_bass_cut_is_not_told_from_the_treble_or_through_noise():
    targets = (equalization("riaa"), equalization("riaa-iec"))
    assert compare(GRID_HZ, RIAA_DB, NONE_DB, targets, band_hz=(500.0, 20_000.0)).better is None
    assert compare(GRID_HZ, RIAA_DB, NONE_DB + 1.0, targets, band_hz=BAND_HZ).better is None
    # A cable follows neither.
    assert compare(GRID_HZ, NONE_DB, NONE_DB + 0.01, targets, band_hz=BAND_HZ).better is None


#: What is off: one of the three, all at once, none.
OFF = [(1.0, 1.0, 1.0), (1.0, 1.0, 1.08), (1.1, 1.0, 1.0), (1.0, 0.9, 1.0), (0.93, 1.06, 1.12)]


@pytest.mark.parametrize("factors", OFF)
def test_the_time_constants_of_a_network_are_recovered(factors):
    bass, middle, treble = factors
    measured = network_db(GRID_HZ, falls_us=(3180 * bass, 75 * treble), rises_us=(318 * middle,)) + 36.0
    found = fit_time_constants(GRID_HZ, measured, NONE_DB + 0.002, equalization("riaa"), band_hz=BAND_HZ)
    by_name = {one.nominal.name: one for one in found.constants}
    for name, factor in (("3180 µs", bass), ("318 µs", middle), ("75 µs", treble)):
        assert by_name[name].error == pytest.approx(factor - 1.0, abs=1e-6)
        # 200 points of 0.002 dB: each constant is known to better than one in a thousand.
        assert 0.0 < by_name[name].uncertainty < 1e-3
    assert found.rms_db < 1e-6


def test_the_iec_bass_cut_is_fitted_too():
    measured = network_db(GRID_HZ, falls_us=(3180, 75), rises_us=(318,), cuts_us=(7950 * 0.8,))
    found = fit_time_constants(GRID_HZ, measured, NONE_DB + 0.002, equalization("riaa-iec"), band_hz=BAND_HZ)
    errors = {one.nominal.name: one.error for one in found.constants}
    assert errors["7950 µs"] == pytest.approx(-0.2, abs=1e-5)
    assert errors["3180 µs"] == pytest.approx(0.0, abs=1e-5)


def test_the_uncertainty_of_a_time_constant_is_how_far_noise_moves_it():
    rng = np.random.default_rng(20_250_301)
    target, sigma_db = equalization("riaa"), 0.05
    errors, widths = [], []
    for _ in range(200):
        noisy = RIAA_DB + sigma_db * rng.standard_normal(len(GRID_HZ))
        found = fit_time_constants(GRID_HZ, noisy, NONE_DB + 1.96 * sigma_db, target, band_hz=BAND_HZ)
        errors.append([math.log1p(one.error) for one in found.constants])
        widths.append([one.uncertainty for one in found.constants])
    ratio = 1.96 * np.std(errors, axis=0) / np.mean(widths, axis=0)
    # The standard deviation of 200 draws is known to 5 %; four times that. Chi-squared of single draws widens a little.
    assert np.all((ratio > 0.75) & (ratio < 1.2)), ratio
    assert np.all(np.abs(np.mean(errors, axis=0)) < 4.0 * np.std(errors, axis=0) / math.sqrt(200.0))


def test_points_that_tell_the_same_count_once():
    target = equalization("riaa")
    alone = fit_time_constants(GRID_HZ, RIAA_DB, NONE_DB + 0.1, target, band_hz=BAND_HZ)
    resolution_hz = 4.0 * np.gradient(GRID_HZ)
    together = fit_time_constants(GRID_HZ, RIAA_DB, NONE_DB + 0.1, target, band_hz=BAND_HZ, resolution_hz=resolution_hz)
    for one, other in zip(alone.constants, together.constants, strict=True):
        # A quarter of the points: twice the width (np.gradient is one-sided at the ends).
        assert other.uncertainty == pytest.approx(2.0 * one.uncertainty, rel=0.02)


def test_what_the_network_does_not_explain_widens_the_uncertainty():
    bump_db = 0.5 * np.exp(-(np.log2(GRID_HZ / 3000.0) ** 2) / 0.02)
    target = equalization("riaa")
    clean = fit_time_constants(GRID_HZ, RIAA_DB, NONE_DB + 0.01, target, band_hz=BAND_HZ)
    bumped = fit_time_constants(GRID_HZ, RIAA_DB + bump_db, NONE_DB + 0.01, target, band_hz=BAND_HZ)
    for before, after in zip(clean.constants, bumped.constants, strict=True):
        assert after.uncertainty > 5.0 * before.uncertainty
        assert abs(after.error) < after.uncertainty


def test_a_constant_beyond_the_band_is_not_told():
    found = fit_time_constants(GRID_HZ, RIAA_DB, NONE_DB + 0.1, equalization("riaa"), band_hz=(3000.0, 20_000.0))
    by_name = {one.nominal.name: one for one in found.constants}
    assert by_name["3180 µs"].tau_s is None and by_name["3180 µs"].error is None


def test_a_tape_amplifier_s_treble_constant_is_recovered():
    head_db = 20.0 * np.log10(GRID_HZ)
    measured = network_db(GRID_HZ, rises_us=(70 * 1.07,)) - head_db
    found = fit_time_constants(GRID_HZ, measured, NONE_DB + 0.01, equalization("tape-iec1-19"), band_hz=BAND_HZ)
    (treble,) = found.constants
    assert treble.error == pytest.approx(0.07, abs=1e-6)


def test_gain_changes_no_figure():
    target = equalization("riaa-iec")
    for gain_db in (-60.0, 20.0):
        one = fit_time_constants(GRID_HZ, IEC_DB + gain_db, NONE_DB + 0.01, target, band_hz=BAND_HZ)
        assert [found.error for found in one.constants] == pytest.approx([0.0] * 4, abs=1e-6)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"gain_db": np.where(GRID_HZ > 5000.0, np.nan, RIAA_DB)}, "finite"),
        ({"uncertainty_db": NONE_DB - 1.0}, "negative"),
        ({"gain_db": RIAA_DB[:-1]}, "one length"),
        ({"frequency_hz": GRID_HZ[::-1]}, "rise"),
        ({"band_hz": (30_000.0, 40_000.0)}, "no measured point"),
        ({"reference_hz": 1001.0}, "1001 Hz"),
    ],
)
def test_nonsense_is_refused(change, words):
    arguments = {
        "frequency_hz": GRID_HZ,
        "gain_db": RIAA_DB,
        "uncertainty_db": NONE_DB,
        "target": equalization("riaa"),
        "band_hz": BAND_HZ,
    }
    with pytest.raises(ValueError, match=words):
        deviation(**{**arguments, **change})


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match="unknown equalization 'raii'"):
        equalization("raii")
    with pytest.raises(ValueError, match="no equalization of tape"):
        equalization("riaa", tape_signal="flux")
    with pytest.raises(ValueError, match="too few points"):
        fit_time_constants(GRID_HZ, RIAA_DB, NONE_DB, equalization("riaa"), band_hz=(1000.0, 1100.0))
