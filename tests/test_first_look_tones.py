"""Which gain counts for plain tones before they are played. Truth: RIAA's time constants, and sums over a cut sine."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audiomeas.measurement.first_look import FirstLook, Way
from audiomeas.stimulus import BurstSeries, Sine, SteppedSines, TwinTone

RATE_HZ = 96_000.0
#: As a first look has them: 24 to the octave. Between two an RIAA curve moves by 0.25 dB at most (6 dB an octave).
GRID_HZ = np.geomspace(9.4, 0.44 * RATE_HZ, 293)
BETWEEN_DB = 0.26
#: Through RIAA from a third of an octave below on: 6 dB an octave at most.
BELOW_DB = 2.0 + BETWEEN_DB
#: Lowest frequency of a marker (stimulus/marker.py).
MARKER_HZ = 300.0
REST = {"sample_rate_hz": RATE_HZ, "driven_channels": (1,)}


def look(gain_db):
    curve = tuple(float(one) for one in gain_db)
    return FirstLook(
        level_v_rms=1e-3,
        frequency_hz=tuple(GRID_HZ.tolist()),
        curve_db={1: curve},
        ceiling_db={1: curve},
        ways={1: {1: Way(gain=tuple(10.0 ** (np.array(curve) / 20.0)), noise=(0.0,) * len(curve))}},
        polarity={1: 1},
        latency_frames=0.0,
        silent=(),
    )


def riaa_db(frequency_hz, at_1khz_db=36.0):
    """Playback of records: 3180, 318 and 75 µs (IEC 60098), so much at 1 kHz."""

    def shape(hz):
        omega = 2e-6 * np.pi * np.asarray(hz)
        return 10.0 * np.log10((1 + (318 * omega) ** 2) / (1 + (3180 * omega) ** 2) / (1 + (75 * omega) ** 2))

    return at_1khz_db + shape(frequency_hz) - shape(1000.0)


def burst(frequency_hz, *, markers_db=-30.0, level_v_rms=0.1):
    return BurstSeries(
        frequency_hz=frequency_hz,
        levels_v_rms=((level_v_rms,),),
        durations_s=(0.1,),
        markers_v=math.sqrt(2.0) * level_v_rms * 10.0 ** (markers_db / 20.0),
        **REST,
    )


PHONO = look(riaa_db(GRID_HZ))


@pytest.mark.parametrize("frequency_hz", [1000.0, 10_000.0])
def test_a_burst_through_riaa_counts_with_the_gain_around_its_tone(frequency_hz):
    found_db = PHONO.gain_for_db(burst(frequency_hz))[1]
    # Never less than there is at the tone itself; 30 dB below 56 dB is what uneven clipping may make in the bass.
    least_db = max(float(riaa_db(frequency_hz)), PHONO.gain_db[1] - 30.0)
    assert least_db - 1e-9 <= found_db <= least_db + BELOW_DB
    assert found_db < PHONO.gain_db[1] - 15.0


def test_at_20_hz_a_short_burst_counts_with_all_that_its_spectrum_reaches():
    # 95 ms at full level: 10.5 Hz wide, so that from 9.5 Hz on all counts.
    assert PHONO.gain_for_db(burst(20.0))[1] == pytest.approx(PHONO.gain_db[1], abs=BETWEEN_DB)


def test_markers_count_with_their_own_level_and_band():
    """A sine's markers are as loud as itself: at 10 kHz they are what a phono stage gets most of."""
    loud = PHONO.gain_for_db(Sine(frequency_hz=10_000.0, level_v_rms=0.1, **REST))[1]
    assert riaa_db(MARKER_HZ) <= loud <= riaa_db(MARKER_HZ) + BELOW_DB
    quieter = PHONO.gain_for_db(burst(10_000.0, markers_db=-10.0))[1]
    assert quieter == pytest.approx(loud - 10.0, abs=1e-9)


def test_each_step_counts_with_its_own_level():
    steps = SteppedSines(steps=((20.0, 0.001), (10_000.0, 0.1)), **REST)
    # Its markers are as loud as its loudest step.
    assert PHONO.gain_for_db(steps)[1] == pytest.approx(
        PHONO.gain_for_db(Sine(frequency_hz=10_000.0, level_v_rms=0.1, **REST))[1], abs=1e-9
    )
    bass = SteppedSines(steps=((20.0, 0.1), (10_000.0, 0.1)), **REST)
    assert PHONO.gain_for_db(bass)[1] >= riaa_db(20.0)


def test_two_tones_keep_the_whole_band():
    twin = TwinTone(low_hz=9000.0, high_hz=10_000.0, ratio=1.0, level_v_rms=0.1, **REST)
    assert PHONO.gain_for_db(twin) == PHONO.gain_db


@pytest.mark.parametrize(("peak_hz", "counts"), [(0.85 * 1000.0, True), (1150.0, True), (7000.0, True), (250.0, False)])
def test_a_resonance_counts_near_the_tone_and_above_it(peak_hz, counts):
    """Above it harmonics of clipping may meet it; a third of an octave below it is as good as at the tone."""
    peaked = look(np.where(np.abs(np.log2(GRID_HZ / peak_hz)) < 0.05, 20.0, 0.0))
    assert peaked.gain_for_db(burst(1000.0))[1] == pytest.approx(20.0 if counts else 0.0, abs=1e-9)


@pytest.mark.parametrize("over_db", [0.5, 3.0, 10.0])
def test_what_is_cut_and_then_raised_stays_within_the_prediction(over_db):
    """A sine cut by rails, then a treble control that rises by 6 dB an octave from 1 kHz on: r.m.s. by its lines."""
    rising_db = 20.0 * np.log10(np.hypot(1.0, GRID_HZ / 1000.0))
    found = 10.0 ** (look(rising_db).gain_for_db(burst(1000.0))[1] / 20.0)
    wave = np.clip(10.0 ** (over_db / 20.0) * np.sin(2.0 * np.pi * np.arange(4096) / 4096), -1.0, 1.0)
    lines = np.abs(np.fft.rfft(wave))[1:43] / 2048.0  # up to 42 kHz
    raised = math.sqrt(float(np.sum((lines * np.hypot(1.0, np.arange(1, 43))) ** 2)))
    assert raised <= 10.0 ** (over_db / 20.0) * found


def test_the_mean_of_a_sine_with_one_half_cut_lies_where_the_gate_has_it():
    """−30 dB re the fundamental at 7 % of THD, −53 dB at 1 % (round figures): what reaches the bass below the tone."""
    turns = 2.0 * np.pi * (np.arange(1 << 14) + 0.5) / (1 << 14)
    for overdrive, thd, mean_db in ((1.0384, 0.01, -53.3), (1.252, 0.07, -30.0)):
        lines = np.fft.rfft(np.minimum(overdrive * np.cos(turns), 1.0)) / (1 << 13)
        assert math.hypot(*np.abs(lines[2:24])) / abs(lines[1]) == pytest.approx(thd, rel=0.03)
        assert 20.0 * math.log10(abs(lines[0]) / 2.0 / abs(lines[1])) == pytest.approx(mean_db, abs=1.0)
