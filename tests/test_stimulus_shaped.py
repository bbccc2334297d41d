"""A sweep whose level follows an equalization: level at each frequency, peak, facts, and what the gates make of it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from reference_tables import rows

from audiomeas.measurement.first_look import FirstLook, Way
from audiomeas.measurement.response_equalization import pre_emphasized
from audiomeas.stimulus import ShapedSweep, Sweep, VariesInLevel, read_stimulus
from audiomeas.stimulus.marker import MARKER_FROM_HZ, MARKER_TO_HZ, marker_peak_v

RATES = [44_100.0, 48_000.0, 96_000.0, 192_000.0]


def shaped(name="riaa", rate_hz=48_000.0, level_v_rms=0.005, **changes):
    facts = {"from_hz": 20.0, "to_hz": 20_000.0, "duration_s": 2.0, "sample_rate_hz": rate_hz}
    return pre_emphasized(name, level_v_rms=level_v_rms, **{**facts, **changes})


def riaa_db(hz):
    return next(float(row["riaa_db"]) for row in rows("eq_riaa.csv") if float(row["frequency_hz"]) == hz)


def test_a_phono_stage_sees_the_right_level():
    # Issue 4 and trade notes, 2.4: 5 mV at 1 kHz is 0.54 mV at 20 Hz and 48 mV at 20 kHz.
    low_v, middle_v, high_v = shaped().level_at_hz(np.array([20.0, 1000.0, 20_000.0]))
    assert middle_v == pytest.approx(0.005, rel=1e-12)
    assert low_v == pytest.approx(0.000544, abs=5e-7) and high_v == pytest.approx(0.0479, abs=5e-5)
    # The table is printed to 0.0001 dB.
    assert 20.0 * math.log10(0.005 / low_v) == pytest.approx(riaa_db(20.0), abs=0.0001)
    assert 20.0 * math.log10(0.005 / high_v) == pytest.approx(riaa_db(20_000.0), abs=0.0001)


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("hz", [31.5, 100.0, 1000.0, 3150.0, 10_000.0])
def test_the_samples_have_that_level(rate_hz, hz):
    stimulus = shaped(rate_hz=rate_hz)
    at = round(stimulus.time_of_hz(hz) * rate_hz)
    half = round(1.5 * rate_hz / hz)  # three periods
    time_s = np.arange(at - half, at + half + 1) / rate_hz
    turns = 2.0 * np.pi * stimulus.start_hz * stimulus.growth_s * np.exp(time_s / stimulus.growth_s)
    # The fit's own window: symmetrical, so that the slope of the level over these periods cancels.
    window = np.sqrt(np.hanning(len(time_s) + 2)[1:-1])
    columns = np.stack([np.sin(turns), np.cos(turns)], axis=1) * window[:, np.newaxis]
    part = stimulus.samples_v()[at - half : at + half + 1] * window
    sine, cosine = np.linalg.lstsq(columns, part, rcond=None)[0]
    want_v = 0.005 * 10.0 ** (-riaa_db(hz) / 20.0)
    # The curvature of the level over three periods near 31.5 Hz is worth a few parts in a thousand.
    assert math.hypot(sine, cosine) / math.sqrt(2.0) == pytest.approx(want_v, rel=0.01 if hz < 100.0 else 0.002)
    assert abs(cosine) < 0.01 * abs(sine)  # the phase is that of the plain sweep


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("name", ["riaa", "riaa-iec", "fm-75", "cd", "tape-nab-19", "tape-iec1-38"])
def test_peak_and_level_are_those_of_the_samples(rate_hz, name):
    stimulus = shaped(name, rate_hz=rate_hz)
    peak_v = float(np.max(np.abs(stimulus.samples_v())))
    assert peak_v <= stimulus.peak_v * (1.0 + 1e-9)
    # Samples fall beside the crest: at 44.1 kHz a period near 20 kHz has little more than two of them.
    assert peak_v > 0.97 * stimulus.peak_v
    assert stimulus.level_v_rms == pytest.approx(stimulus.peak_v / math.sqrt(2.0), rel=1e-12)
    assert stimulus.reference_level_v_rms == pytest.approx(0.005, rel=1e-12)


def test_without_a_slope_it_is_the_plain_sweep():
    facts = {"from_hz": 20.0, "to_hz": 20_000.0, "duration_s": 1.0, "sample_rate_hz": 48_000.0, "level_v_rms": 0.1}
    plain, flat = Sweep.covering(**facts), ShapedSweep.at_reference(shape="flat", **facts)
    np.testing.assert_allclose(flat.samples_v(), plain.samples_v(), rtol=1e-12)
    assert flat.frames == plain.frames and flat.full_from_hz == plain.full_from_hz


def test_facts_make_the_same_samples_again():
    stimulus = shaped("riaa-iec", driven_channels=(2,))
    again = read_stimulus(stimulus.facts())
    assert isinstance(again, ShapedSweep) and again == stimulus
    np.testing.assert_array_equal(again.samples_v(), stimulus.samples_v())


@pytest.mark.parametrize(
    "change",
    [{"rises_s": [-1.0]}, {"falls_s": [float("nan")]}, {"slope": 0.5}, {"reference_hz": 0.0}, {"slope": None}],
)
def test_damaged_facts_are_refused(change):
    from audiomeas.errors import RequestError

    with pytest.raises(RequestError, match="make no shaped-sweep"):
        read_stimulus({**shaped().facts(), **change})


def look(frequency_hz, gain_db):
    curve = tuple(float(value) for value in gain_db)
    return FirstLook(
        level_v_rms=0.001,
        frequency_hz=tuple(float(hz) for hz in frequency_hz),
        curve_db={1: curve},
        ceiling_db={1: curve},
        ways={1: {1: Way(gain=tuple(10 ** (np.asarray(curve) / 20)), noise=(0.0,) * len(curve))}},
        polarity={1: 1},
        latency_frames=0.0,
        silent=(),
    )


def test_the_gates_meet_level_and_gain_at_one_frequency():
    stimulus = shaped()
    assert isinstance(stimulus, VariesInLevel)
    grid_hz = np.geomspace(10.0, 21_600.0, 68)  # a sixth of an octave, as the first look has
    omega = 2e-6 * np.pi * grid_hz
    riaa = 10.0 * np.log10((1 + (318 * omega) ** 2) / (1 + (3180 * omega) ** 2) / (1 + (75 * omega) ** 2))
    at_1khz = np.interp(math.log(1000.0), np.log(grid_hz), riaa)
    found_db = look(grid_hz, 36.0 + riaa - at_1khz).gain_for_db(stimulus)[1]
    output_v_rms = stimulus.level_v_rms * 10.0 ** (found_db / 20.0)
    # A phono stage gives the same voltage at each frequency: 5 mV and 36 dB. Neighbours of a sixth of an octave may
    # differ by 1 dB, and that is what the gates add.
    want_v_rms = 0.005 * 10.0 ** (36.0 / 20.0)
    assert want_v_rms <= output_v_rms * (1.0 + 1e-3) and output_v_rms < 1.15 * want_v_rms
    # A flat amplifier gets its largest voltage where the sweep is loudest, as before.
    assert look(grid_hz, np.full(68, 26.0)).gain_for_db(stimulus)[1] == pytest.approx(26.0, abs=0.01)


def test_a_resonance_where_the_sweep_is_loud_is_seen():
    grid_hz = np.geomspace(10.0, 21_600.0, 68)
    peak_db = np.where(np.abs(np.log(grid_hz / 18_000.0)) < 0.1, 40.0, 0.0)
    assert look(grid_hz, peak_db).gain_for_db(shaped())[1] > 39.0
    # And one at 30 Hz counts by what is played there: 38 dB less.
    low_db = np.where(np.abs(np.log(grid_hz / 30.0)) < 0.1, 40.0, -60.0)
    assert look(grid_hz, low_db).gain_for_db(shaped())[1] == pytest.approx(40.0 - 38.0, abs=2.0)


def test_a_plain_sweep_still_meets_the_largest_gain():
    grid_hz = np.geomspace(10.0, 21_600.0, 68)
    plain = Sweep.covering(from_hz=20.0, to_hz=20_000.0, duration_s=1.0, sample_rate_hz=48_000.0, level_v_rms=1.0)
    assert look(grid_hz, np.linspace(20.0, 0.0, 68)).gain_for_db(plain) == {1: 20.0}


def test_markers_are_no_louder_than_what_is_played_where_they_run():
    stimulus = shaped()
    levels = stimulus.level_at_hz(np.linspace(MARKER_FROM_HZ, MARKER_TO_HZ, 1000))
    assert marker_peak_v(stimulus) <= math.sqrt(2.0) * float(np.min(levels)) * (1.0 + 1e-9)
    assert marker_peak_v(stimulus) > 0.002  # still well over a phono stage's noise
