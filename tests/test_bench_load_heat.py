"""Heat of a load over time: against the closed form of first-order heating, and against scipy's solver."""

from __future__ import annotations

import math

import numpy as np
import pytest
from benches import Meddling, bench_file
from scipy.integrate import solve_ivp

from audiomeas.bench.file import read_bench
from audiomeas.bench.load_heat import LoadHeat, cold_s, heated_w, hottest_w, thermal_rating, wait_s
from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.errors import CaptureError, InterlockRefusal, TomlProblem
from audiomeas.measurement.load_gate import LoadGate
from audiomeas.measurement.session import Session
from audiomeas.stimulus import Sine

RATE_HZ = 48_000.0


def bench_with(folder, rated):
    """Return a bench file whose two loads have these keys in place of rated_w = 200."""
    path = bench_file(folder, rate_hz=48_000)
    path.write_text(path.read_text().replace("rated_w = 200", rated))
    return path


def tone(level_v_rms, window_s):
    return Sine.bin_centred(
        frequency_hz=997.0, level_v_rms=level_v_rms, sample_rate_hz=RATE_HZ, window_s=window_s, settle_s=0.1
    )


def test_from_cold_the_short_term_power_lasts_as_long_as_the_data_sheet_says():
    """First-order heating to P·(1 − e^(−t/τ)) = rated: the data sheet's own pair must come out (closed form)."""
    rating = thermal_rating(50.0, short_term_w=500.0, short_term_s=5.0)
    assert cold_s(rating) == pytest.approx(5.0, rel=1e-12)
    assert hottest_w(rating, 0.0, [500.0] * 100, 0.05)[0] == pytest.approx(50.0, rel=1e-9)
    assert hottest_w(rating, 0.0, [500.0] * 101, 0.05)[0] > 50.0


@pytest.mark.parametrize("seed", range(5))
def test_heat_follows_the_differential_equation(seed):
    """Random powers, against scipy's solve_ivp (rtol 1e-9: 1e-6 leaves room for its steps at the jumps)."""
    rng = np.random.default_rng(seed)
    rating = thermal_rating(100.0, short_term_w=1000.0, short_term_s=5.0, cooling_s=200.0)
    powers_w = rng.uniform(0.0, 300.0, 20)
    heat_w = 30.0

    def slope(_, heat, power_w):
        return (power_w - heat) / (rating.heating_s if power_w > heat[0] else rating.cooling_s)

    truth = [heat_w]
    for power_w in powers_w:
        solved = solve_ivp(slope, (0.0, 7.0), [truth[-1]], args=(power_w,), rtol=1e-9, atol=1e-9)
        truth.append(float(solved.y[0, -1]))
    hottest, last = hottest_w(rating, heat_w, powers_w, 7.0)
    assert last == pytest.approx(truth[-1], rel=1e-6)
    assert hottest == pytest.approx(max(truth[1:]), rel=1e-6)


def test_without_a_short_term_rating_a_load_never_gets_more_than_it_stands():
    rating = thermal_rating(100.0)
    assert (rating.usable_w, rating.short_term_w, rating.heating_s) == (100.0, 100.0, 0.0)
    assert heated_w(rating, 20.0, 70.0, 0.01) == 70.0


@pytest.mark.parametrize(("ambient_c", "share"), [(None, 1.0), (-5.0, 1.0), (25.0, 1.0), (137.5, 0.5), (70.0, 0.8)])
def test_derating_is_straight_from_25_to_250_degrees(ambient_c, share):
    """Common practice for wire-wound resistors in aluminium; by hand: (250 − 70)/225 = 0.8."""
    rating = thermal_rating(50.0, short_term_w=500.0, short_term_s=5.0, ambient_c=ambient_c)
    assert rating.usable_w == pytest.approx(50.0 * share)
    assert rating.short_term_w == pytest.approx(500.0 * share)


def test_the_wait_is_just_long_enough():
    rating = thermal_rating(50.0, short_term_w=500.0, short_term_s=5.0, cooling_s=300.0)
    powers_w = [200.0] * 40
    rest_s = wait_s(rating, 45.0, powers_w, 0.05)
    assert rest_s is not None
    assert rest_s > 1.0
    # By the closed form of cooling alone: e-fold in 300 s.
    assert hottest_w(rating, 45.0 * math.exp(-rest_s / 300.0), powers_w, 0.05)[0] == pytest.approx(50.0, rel=1e-6)
    assert wait_s(rating, 0.0, powers_w, 0.05) == 0.0
    assert wait_s(rating, 45.0, [499.0] * 200, 0.05) is None  # 10 s of what it stands for 5 s


def test_a_load_cools_by_the_clock():
    heat = LoadHeat(thermal_rating(50.0, short_term_w=500.0, short_term_s=5.0, cooling_s=300.0), now_s=0.0)
    heat.take([500.0] * 100, 0.05, began_s=10.0, now_s=15.0)
    assert heat.heat_w(15.0) == pytest.approx(50.0, rel=1e-9)
    assert heat.heat_w(15.0 + 300.0 * math.log(2.0)) == pytest.approx(25.0, rel=1e-9)
    assert heat.heat_w(0.0) == pytest.approx(50.0, rel=1e-9)  # a clock that steps back cools nothing


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ("rated_w = 10\nshort_term_w = 100", "a short-term rating is a pair"),
        ("rated_w = 10\nshort_term_s = 5", "a short-term rating is a pair"),
        ("rated_w = 10\nshort_term_w = 10\nshort_term_s = 5", "lies above the rating"),
        ("rated_w = 10\nambient_c = 400", "at most 200"),
        ("rated_w = 10\ncooling_s = 0", "at least 1"),
    ],
)
def test_what_contradicts_itself_is_named(tmp_path, keys, words):
    with pytest.raises(TomlProblem, match=words):
        read_bench(bench_with(tmp_path, keys))


class Clock:
    """A clock that a test sets."""

    def __init__(self):
        self.now_s = 0.0

    def __call__(self):
        return self.now_s


#: 10 W for long, 200 W for 0.25 s: heating constant 4.9 s, cooling 300 s.
HOT = "rated_w = 10\nshort_term_w = 200\nshort_term_s = 0.25\ncooling_s = 300"
HEATING_S = -0.25 / math.log1p(-10 / 200)
#: The shipped amplifier's gain into its load, from its file: 27 dB, 0.16 Ω into 8 Ω.
GAIN = 10 ** (27 / 20) * 8 / 8.16


def test_bursts_add_up_until_the_load_must_rest_and_what_is_too_long_even_cold_offers_no_wait(tmp_path):
    """0.75 V at the input are 34 W in the load: beyond its 10 W for long, and allowed for parts of a second.

    Truth: first-order heating with the unit's own gain; a session by a clock of its own.
    """
    bench = open_bench_file(bench_with(tmp_path, HOT))
    between = Meddling(bench.interface)
    session = Session(Bench(bench.file, between))
    clock = Clock()
    session._gated.loads = LoadGate(session.bench, clock=clock)
    with pytest.raises(InterlockRefusal, match="times as hot") as refused:
        session.record(tone(0.75, 2.0))
    assert "wait" not in str(refused.value)
    assert between.streams == 1  # the first look only
    stimulus = tone(0.75, 0.2)
    true_w = (0.75 * GAIN) ** 2 / 8
    heat_w, played = 0.0, 0
    with pytest.raises(InterlockRefusal, match=r"wait \d+ s, lower the level") as refused:
        for _ in range(20):
            session.record(stimulus)
            played += 1
            heat_w = true_w + (heat_w - true_w) * math.exp(-0.2 / HEATING_S)
            assert heat_w <= 10.0
    assert played >= 2
    streams = between.streams
    assert streams == played + 1  # nothing was played of the refused one
    rest_s = float(str(refused.value).split("wait ")[1].split(" s")[0])
    clock.now_s = 0.5 * rest_s
    with pytest.raises(InterlockRefusal):
        session.record(stimulus)
    clock.now_s = rest_s + 1.0
    session.record(stimulus)


def test_what_the_load_really_gets_is_watched_while_it_plays(tmp_path):
    """After the first look the unit gives 16 times the power: by the watch the output fades when the load is hot."""
    keys = "rated_w = 2\nshort_term_w = 150\nshort_term_s = 0.4\ncooling_s = 300"
    bench = open_bench_file(bench_with(tmp_path, keys))
    between = Meddling(bench.interface, meddle=lambda captured, _, stream: captured * 4 if stream > 1 else captured)
    session = Session(Bench(bench.file, between))
    with pytest.raises(CaptureError, match=r"the load has had what it stands, 2 W: the output was faded"):
        session.record(tone(0.3, 0.8))
    # 16 times 5.2 W are 83 W; from cold 2 W are reached after τ·ln(83/81) with τ = −0.4 s/ln(1 − 2/150): 0.7 s.
    tau_s = -0.4 / math.log1p(-2 / 150)
    power_w = 16 * (0.3 * GAIN) ** 2 / 8
    sounding = np.flatnonzero(np.max(np.abs(between.played_samples()), axis=1) > 0)
    lasted_s = (sounding[-1] - sounding[0]) / RATE_HZ
    allowed_s = -tau_s * math.log1p(-2 / power_w)
    # The marker before (0.06 s and its gap of 0.1 s) belongs to the time; 50 ms for the fade.
    assert 0.8 * allowed_s < lasted_s < allowed_s + 0.16 + 0.05


def test_what_is_to_be_held_is_refused_before_it_begins(tmp_path):
    """50 W for long, 500 W for 5 s from cold: 100 W (3 dB of margin make them 199.5 W) heat as 1 − e^(−t/τ) to 50 W."""
    gate = LoadGate(open_bench_file(bench_with(tmp_path, "rated_w = 50\nshort_term_w = 500\nshort_term_s = 5")))
    gain_db, level_v_rms = {1: 20.0, 2: 20.0}, math.sqrt(800.0) / 10.0
    tau_s = -5.0 / math.log(1.0 - 50.0 / 500.0)
    stands_s = -tau_s * math.log(1.0 - 50.0 / (100.0 * 10.0**0.3))
    # The clock runs while the test does: a cold load stays cold, so that 1 % is far more than what rounding leaves.
    gate.refuse_held(level_v_rms, gain_db, 0.99 * stands_s)
    with pytest.raises(InterlockRefusal, match="hold it for less"):
        gate.refuse_held(level_v_rms, gain_db, 1.01 * stands_s)
    # What a load stands for long it stands for hours.
    gate.refuse_held(math.sqrt(160.0) / 10.0, gain_db, 1e5)
