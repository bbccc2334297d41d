"""What a tape tells, part by part: azimuth, losses of short waves, 3 % point, erasure, places. Closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from audiomeas.analysis.azimuth import arcmin_of, azimuth_loss_db, delay_of, phase_between
from audiomeas.analysis.erasure import erased_of
from audiomeas.analysis.saturation import crossing_at
from audiomeas.analysis.tape_course import ToneCourse, Wanted, by_order
from audiomeas.analysis.tape_losses import fitted_losses
from audiomeas.analysis.tape_tones import tone_levels
from audiomeas.errors import SignalError

CASSETTE_M_PER_S = 0.0476
RATE_HZ = 32_000


@pytest.mark.parametrize(("arcmin", "loss_db"), [(5.0, -0.5), (10.0, -2.1), (20.0, -10.0)])
def test_a_cassette_head_askew_loses_what_the_trade_says(arcmin: float, loss_db: float) -> None:
    # Trade notes 4, row 22, at 10 kHz and 0.6 mm; they are rounded to a tenth, the last one to two digits.
    found = azimuth_loss_db(np.array([10_000.0]), arcmin, width_m=0.6e-3, speed_m_per_s=CASSETTE_M_PER_S)
    assert found[0] == pytest.approx(loss_db, abs=0.3 if arcmin > 10.0 else 0.1)


@pytest.mark.parametrize(
    ("spacing_m", "speed_m_per_s", "least_deg", "most_deg"),
    # Trade notes 4, row 22 (20 degrees), and 2.9 (22 to 24 for two tracks on quarter-inch tape at 19 cm/s).
    [(0.9e-3, CASSETTE_M_PER_S, 19.5, 20.5), (4.0e-3, 0.1905, 21.9, 24.1)],
)
def test_an_arc_minute_is_so_many_degrees(
    spacing_m: float, speed_m_per_s: float, least_deg: float, most_deg: float
) -> None:
    per_degree = arcmin_of(1.0 / 360.0 / 10_000.0, spacing_m=spacing_m, speed_m_per_s=speed_m_per_s)
    assert least_deg < 1.0 / per_degree < most_deg


def test_phases_are_unwrapped_from_low_to_high_and_a_channel_upside_down_is_told() -> None:
    time_s = np.arange(RATE_HZ) / RATE_HZ
    later_s = 480.0 / 360.0 / 10_000.0
    for sign in (1.0, -1.0):
        phases = []
        for hz in (1000.0, 3000.0, 6000.0, 10_000.0):
            two = [np.sin(2 * np.pi * hz * time_s), sign * 0.7 * np.sin(2 * np.pi * hz * (time_s - later_s))]
            phases.append(phase_between(np.stack(two, axis=1), RATE_HZ, hz))
        found = delay_of(phases)
        assert found.reversed == (sign < 0.0)
        assert found.phases_deg == pytest.approx([-48.0, -144.0, -288.0, -480.0], abs=0.05)
        assert found.later_s == pytest.approx(later_s, rel=1e-4)
    with pytest.raises(SignalError, match="no tone near 3000 Hz"):
        phase_between(np.zeros((RATE_HZ, 2)), RATE_HZ, 3000.0)


def test_a_gap_and_a_distance_are_told_apart_and_none_is_a_bound() -> None:
    hz = np.array([1000.0, 2000, 4000, 6300, 8000, 10_000, 12_500, 14_000])
    rng = np.random.default_rng(7)
    for away_m, gap_m in ((1e-6, 1.5e-6), (0.0, 3e-6), (0.5e-6, 0.0)):
        waves = hz / CASSETTE_M_PER_S
        # Wallace (1951): 54.6 dB a wavelength; sin(x)/x of the gap.
        level_db = 3.0 - 54.6 * away_m * waves + 20 * np.log10(np.sinc(gap_m * waves))
        level_db += 0.03 * rng.standard_normal(len(hz))
        found = fitted_losses(hz, level_db, np.full(len(hz), 0.06), speed_m_per_s=CASSETTE_M_PER_S)
        assert found is not None
        for one, truth in ((found.spacing, away_m), (found.gap, gap_m)):
            assert one.at_most == (truth == 0.0)
            if one.at_most:
                assert one.metres < 0.8e-6
            else:
                # Half-widths hold 95 %: three cases, at twice of it.
                assert one.metres == pytest.approx(truth, abs=2.0 * one.half_width_m)
    assert fitted_losses(hz[:4], hz[:4], hz[:4], speed_m_per_s=CASSETTE_M_PER_S) is None


def of_tanh(drive: float) -> tuple[float, float]:
    """Return fundamental and third harmonic of tanh(drive·sin x), by the mean over a period (exact for its samples)."""
    angle = 2 * np.pi * np.arange(256) / 256
    bent = np.tanh(drive * np.sin(angle))
    return 2 * float(np.mean(bent * np.sin(angle))), -2 * float(np.mean(bent * np.sin(3 * angle)))


def test_the_3_percent_point_of_a_tanh_lies_between_its_steps() -> None:
    steps_db = np.array([-20.0, -10.0, -5.0, 0.0, 2.0, 4.0, 6.0, 8.0])
    made = [of_tanh(0.4 * 10 ** (db / 20)) for db in steps_db]
    played_db = np.array([20 * math.log10(one) for one, _ in made])
    part = np.abs([third / one for one, third in made])
    heard = np.ones(len(part), dtype=np.bool_)
    found = crossing_at(steps_db, played_db, part, 1e-4 * part, heard, wanted=0.03)
    drive = brentq(lambda x: abs(of_tanh(x)[1]) / of_tanh(x)[0] - 0.03, 0.1, 1.5)
    assert found is not None and found.bound == ""
    # 0.02 dB: what a smooth law between steps of 2 dB may stray.
    assert found.recorded_db == pytest.approx(20 * math.log10(drive / 0.4), abs=0.02)
    assert found.played_db == pytest.approx(20 * math.log10(of_tanh(drive)[0]), abs=0.02)
    softer = crossing_at(steps_db, played_db, 0.1 * part, part, heard, wanted=0.03)
    louder = crossing_at(steps_db, played_db, 1e3 * part, part, heard, wanted=0.03)
    assert softer is not None and softer.bound == "at least" and softer.played_db == played_db[-1]
    assert louder is not None and louder.bound == "at most"
    # The loudest step may reach it under its noise: nothing is told.
    assert crossing_at(steps_db, played_db, part + 0.03, part, ~heard, wanted=0.03) is None


def test_a_tones_level_holds_its_flutter_and_none_of_its_noise() -> None:
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    # 0.3 % of flutter at 10 Hz swings 10 kHz by ±30 Hz; all of the tone's power counts.
    tone = np.sin(2 * np.pi * 10_000 * (time_s - 0.003 / (2 * np.pi * 10) * np.cos(2 * np.pi * 10 * time_s)))
    noise = 0.05 * np.random.default_rng(3).standard_normal(len(tone))
    found = tone_levels(tone + noise, RATE_HZ, 10_100.0)[0]
    # 0.05 dB is asked for.
    assert 20 * math.log10(found.rms * math.sqrt(2)) == pytest.approx(0.0, abs=0.02)
    assert found.frequency_hz == pytest.approx(10_000.0, abs=1.0)
    nothing = tone_levels(noise, RATE_HZ, 10_000.0)[0]
    assert nothing.most_rms < 0.01 and not nothing.heard
    assert len(tone_levels(tone, RATE_HZ, 10_000.0, orders=(1, 2, 3))) == 1


def test_what_an_eraser_leaves_is_told_far_below_the_noise() -> None:
    time_s = np.arange(12 * 8000) / 8000
    left = 10 ** (-62 / 20)
    tone = np.where(np.abs(time_s - 6.0) < 3.0, left, 1.0) * np.sin(2 * np.pi * 1000 * time_s)
    noise = 10 ** (-50 / 20) * np.random.default_rng(5).standard_normal(len(tone)) / math.sqrt(2)
    found = erased_of(tone + noise, 8000, 1003.0)
    assert found is not None
    assert 20 * math.log10(found.whole.rms / found.left.rms) == pytest.approx(62.0, abs=1.0)
    assert erased_of(np.sin(2 * np.pi * 1000 * time_s) + noise, 8000, 1000.0) is None
    with pytest.raises(SignalError, match="too short"):
        erased_of(tone[:8000], 8000, 1000.0)


def course_of(*rows: tuple[float, float]) -> ToneCourse:
    """Return a course of (Hz, seconds), 0 Hz for none."""
    hz = np.concatenate([np.full(round(10 * seconds), one or math.nan) for one, seconds in rows])
    return ToneCourse(hop_s=0.1, frequency_hz=hz[:, None], level_rms=np.ones((len(hz), 1)))


def test_parts_are_found_by_their_order_around_speech_pauses_and_what_is_missing() -> None:
    wanted = [
        Wanted(tones_hz=(hz,), from_s=4.0 * n, to_s=4.0 * n + 3.9)
        for n, hz in enumerate((315.0, 1000.0, 3150.0, 315.0, 1000.0))
    ]
    talk = [(260.0, 0.3), (0.0, 0.2), (410.0, 0.4), (0.0, 3.0)]
    course = course_of(*talk, (321.0, 4), (0, 2), (1020.0, 4), *talk, (321.0, 4), (1020.0, 4), (0, 3))
    found = by_order(course, wanted)
    assert [place is not None for place in found.places] == [True, True, False, True, True]
    assert found.speed == pytest.approx(0.02, abs=0.001)
    first, last = found.places[0], found.places[4]
    assert first is not None and last is not None
    assert first.from_s == pytest.approx(3.9 + 0.25, abs=0.11)
    assert last.from_s == pytest.approx(21.8 + 0.25, abs=0.11)
    assert by_order(course_of((0.0, 30.0)), wanted).found == 0
