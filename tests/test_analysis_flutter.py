"""Wow and flutter. Truth: tables of the standards in tests/reference (from memory, as they say), closed forms of a
modulated tone, of quantiles and of a network's phase."""

from __future__ import annotations

import numpy as np
import pytest
from flutter_tones import Modulation, modulated
from numpy.typing import NDArray
from reference_tables import rows

from audiomeas.analysis.flutter import Flutter, flutter_of, stepped
from audiomeas.analysis.flutter_course import Course, course_of
from audiomeas.analysis.flutter_meters import quasi_peak, two_sigma
from audiomeas.analysis.flutter_weighting import band_gain, minimum_phase, weight_db
from audiomeas.analysis.frequency_track import Probe, Tracker, chosen_tone, probed
from audiomeas.errors import SignalError

RATE_HZ = 48_000.0
WEIGHTING = [(float(row["flutter_frequency_hz"]), float(row["weight_db"])) for row in rows("flutter_weighting.csv")]
#: 2-sigma of a sine over its peak: sin(0.95·π/2) (tests/reference/flutter_two_sigma_checks.csv).
SINE = 0.996917


def _course(signal: NDArray[np.float64], rate_hz: float = RATE_HZ, block: int = 1 << 16) -> Course:
    """As the measurement does it: probes, the tone they agree on, the track, its course."""
    frames = round(0.5 * rate_hz)
    probes = [probed(signal[at : at + frames], rate_hz) for at in range(0, len(signal) - frames, 4 * frames)]
    tone = chosen_tone(probes, (3000.0, 3150.0))
    assert tone is not None
    tracker = Tracker(rate_hz, 1, tone.frequency_hz)
    for at in range(0, len(signal), block):
        tracker.add(signal[at : at + block, None])
    return course_of(tracker.tracks()[0], tone_hz=tone.frequency_hz, usual_peak=tone.peak)


def _found(signal: NDArray[np.float64], rate_hz: float = RATE_HZ) -> Flutter:
    return flutter_of(_course(signal, rate_hz))


def _percent(found: Flutter, name: str) -> float:
    return 100.0 * found.readings[name].value


# -- weighting, bands ------------------------------------------------------------------------------------------------


def test_the_weighting_passes_through_its_table_and_stays_between_its_points() -> None:
    hz, db = (np.array(column) for column in zip(*WEIGHTING, strict=True))
    assert np.allclose(weight_db(hz), db, atol=1e-9)  # well within a tenth of the tightest tolerance, 0.2 dB
    between = weight_db(np.geomspace(0.1, 200.0, 5000))
    assert np.all(np.diff(between[: np.argmax(between)]) > 0.0)
    assert np.all(np.diff(between[np.argmax(between) :]) < 0.0)
    assert weight_db(np.array([0.01]))[0] == pytest.approx(-48.0 - 60.0)  # third order, 60 dB a decade


def test_the_phase_is_that_of_a_network_of_that_gain() -> None:
    """A sampled low-pass of one pole, 1/(1 − a·exp(−jω)): it has least delay, so its gain brings its phase."""
    size = 1 << 12
    network = 1.0 / (1.0 - 0.9 * np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size))
    assert np.allclose(minimum_phase(np.abs(network), size), network, atol=1e-9)


def test_wow_and_flutter_share_the_power_where_they_part() -> None:
    hz = np.geomspace(0.1, 200.0, 4000)
    whole = band_gain(hz, 0.1, 6.0) ** 2 + band_gain(hz, 6.0, 200.0) ** 2
    assert np.allclose(whole, 1.0, atol=1e-12)
    assert band_gain(np.array([6.0]), 0.1, 6.0)[0] ** 2 == pytest.approx(0.5)


# -- sinusoidal modulation -------------------------------------------------------------------------------------------


def _check_row(hz: float, weight: float, peak: float, angle: float) -> None:
    seconds = max(10.0 / hz, 12.0)
    found = _found(modulated(RATE_HZ, seconds, [(hz, peak, angle)]))
    weighted = 100.0 * peak * 10.0 ** (weight / 20.0)
    assert _percent(found, "weighted") == pytest.approx(SINE * weighted, rel=0.01)
    assert _percent(found, "weighted_rms") == pytest.approx(weighted / np.sqrt(2.0), rel=0.01)
    # Slow ones have few periods, and their ends count: 5 %.
    near = 0.01 if hz >= 2.0 else 0.05
    assert _percent(found, "unweighted") == pytest.approx(SINE * 100.0 * peak, rel=near)
    assert _percent(found, "unweighted_rms") == pytest.approx(100.0 * peak / np.sqrt(2.0), rel=near)
    assert _percent(found, "wow" if hz < 6.0 else "flutter") == pytest.approx(SINE * 100.0 * peak, rel=near)


@pytest.mark.parametrize("hz", [0.8, 4.0, 63.0, 200.0])
def test_a_row_of_the_weighting_table(hz: float) -> None:
    _check_row(hz, dict(WEIGHTING)[hz], 1e-3, 0.3)


@pytest.mark.wide
@pytest.mark.parametrize("peak", [1e-4, 1e-3, 3e-2])
@pytest.mark.parametrize(("hz", "weight"), WEIGHTING)
def test_every_row_of_the_weighting_table(hz: float, weight: float, peak: float) -> None:
    for angle in (0.0, 1.1, 2.0):
        _check_row(hz, weight, peak, angle)


@pytest.mark.parametrize(("rate_hz", "tone_hz"), [(44_100.0, 3000.0), (96_000.0, 3150.0)])
def test_a_tone_without_modulation_leaves_a_millionth_of_a_percent(rate_hz: float, tone_hz: float) -> None:
    found = _found(modulated(rate_hz, 10.0, tone_hz=tone_hz), rate_hz)
    assert max(_percent(found, name) for name in found.readings) < 1e-6
    assert found.speed.mean_hz == pytest.approx(tone_hz, rel=1e-9)


def test_blocks_change_nothing() -> None:
    signal = modulated(RATE_HZ, 2.0, [(4.0, 1e-3, 0.0)])
    one, many = _course(signal), _course(signal, block=777)
    assert np.allclose(one.deviation, many.deviation, atol=1e-12)


@pytest.mark.parametrize("hz", [250.0, 600.0])
def test_scrape_flutter_is_told_apart_from_what_is_below(hz: float) -> None:
    found = _found(modulated(RATE_HZ, 10.0, [(hz, 1e-3, 0.0), (25.0, 1e-3, 0.0)]))
    assert _percent(found, "scrape_rms") == pytest.approx(0.1 / np.sqrt(2.0), rel=0.01)
    assert _percent(found, "flutter") == pytest.approx(0.1 * SINE, rel=0.01)
    assert "scrape_rms" not in _found(modulated(RATE_HZ, 10.0, tone_hz=1000.0)).readings


# -- indicators ------------------------------------------------------------------------------------------------------


def test_two_sigma_of_known_waveforms() -> None:
    """Quantiles in closed form; whole periods, so that only the sampling is left: half of what is asked, 0.25 %."""
    turns = np.arange(40_000) / 997.0
    waves = {
        "sine": np.sin(2.0 * np.pi * turns),
        "triangle": 4.0 * np.abs(np.remainder(turns, 1.0) - 0.5) - 1.0,
        "square": np.sign(np.sin(2.0 * np.pi * turns + 1e-9)),
    }
    for row in rows("flutter_two_sigma_checks.csv"):
        if row["deviation_waveform"] in waves:
            read = two_sigma(waves[row["deviation_waveform"]])
            assert read == pytest.approx(float(row["reading_over_peak"]), rel=0.0025)
        else:
            # 400,000 values: the quantile's own standard deviation is 0.2 %.
            noise = np.random.default_rng(1).standard_normal(400_000)
            assert two_sigma(noise) == pytest.approx(float(row["reading_over_rms"]), rel=0.006)


def test_the_quasi_peak_meter_reads_pulses_as_its_table_says() -> None:
    """Pulses of one side, one a second; 100 % is a 4 Hz sine of the same peak to peak."""
    rate_hz = 1000.0
    time_s = np.arange(round(8 * rate_hz)) / rate_hz
    assert np.max(quasi_peak(np.sin(8.0 * np.pi * time_s), rate_hz)[6000:]) == pytest.approx(1.0, rel=1e-3)
    for row in rows("flutter_indicator_dynamics.csv"):
        pulses = np.where(np.arange(len(time_s)) % 1000 < float(row["pulse_ms"]), 2.0, 0.0)
        settled = 100.0 * quasi_peak(pulses, rate_hz)[6000:]
        read = np.max(settled) if row["row"] == "pulse" else np.min(settled)
        assert read == pytest.approx(float(row["reading_pct"]), abs=float(row["tolerance_pct_points"]))


# -- speed -----------------------------------------------------------------------------------------------------------


def test_the_speed_is_told_within_a_ppm_whatever_wow_does() -> None:
    wow: list[Modulation] = [(0.556, 1e-3, 0.7), (6.06, 5e-4, 0.0)]
    found = _found(modulated(RATE_HZ, 40.0, wow, speed=-0.004))
    assert found.speed.mean_hz == pytest.approx(3150.0 * 0.996, rel=1e-6)
    assert abs(found.speed.mean_hz - 3150.0 * 0.996) < found.speed.half_width_hz + 3150e-9
    assert {round(line.frequency_hz, 2) for line in found.lines} >= {0.56, 6.06}
    for line, peak in zip(found.lines[:1], (1e-3,), strict=True):
        assert line.level_v_rms == pytest.approx(peak / np.sqrt(2.0), abs=line.uncertainty_v_rms)


def test_wow_once_a_turn_keeps_its_rate_and_size_in_half_a_minute() -> None:
    """Five bins from DC the floor is made of the line's own skirt: it once took the lower half of the line away.

    Below 3000 Hz a bin is 0.122 Hz: a tenth of it is what interpolation tells. The size is known to its half-width.
    """
    wow: list[Modulation] = [(0.5556, 1e-3, 0.0)]
    line = _found(modulated(RATE_HZ, 30.4, wow, tone_hz=3000.0, speed=-0.002, noise_below_db=63.0)).lines[0]
    assert line.frequency_hz == pytest.approx(0.5556, abs=0.0122)
    assert line.level_v_rms == pytest.approx(1e-3 / np.sqrt(2.0), abs=line.uncertainty_v_rms)
    assert line.uncertainty_v_rms < 0.2 * line.level_v_rms


def test_drift_is_told_from_begin_to_end_and_is_no_wow() -> None:
    found = _found(modulated(RATE_HZ, 30.0, drift_per_s=1e-4))
    # The thirds' middles lie 20 s apart; the first begins and the last ends within the filter's 15 ms.
    assert found.speed.end_hz / found.speed.begin_hz - 1.0 == pytest.approx(20.0 * 1e-4, rel=0.005)
    assert _percent(found, "weighted") < 1e-5  # of 0.3 % in all
    assert stepped(found.speed) is None


# -- what disturbs ---------------------------------------------------------------------------------------------------


def test_jumps_of_the_level_noise_and_drop_outs_leave_it_within_5_percent() -> None:
    parts: list[Modulation] = [(4.0, 1e-3, 0.4), (0.556, 5e-4, 0.0), (25.0, 3e-4, 1.0)]
    # 40 dB S/N: its frequency noise up to 200 Hz is 0.0037 % r.m.s. (∫f²·S df), beside 0.08 %.
    signal = modulated(RATE_HZ, 24.0, parts, noise_below_db=40.0) / 1.4
    for at in range(3, 20, 4):
        signal[round(at * RATE_HZ) : round((at + 2) * RATE_HZ)] *= 1.3
    for at in (5.0, 12.3):
        signal[round(at * RATE_HZ) : round((at + 0.03) * RATE_HZ)] *= 0.01
    course = _course(signal)
    found, clean = flutter_of(course), _found(modulated(RATE_HZ, 24.0, parts))
    assert [round(one.at_s, 2) for one in course.drop_outs] == [5.0, 12.3]
    assert all(one.length_s == pytest.approx(0.03, abs=0.003) for one in course.drop_outs)
    assert course.leaps == ()
    for name in ("weighted", "weighted_rms", "quasi_peak", "unweighted", "unweighted_rms", "wow"):
        assert _percent(found, name) == pytest.approx(_percent(clean, name), rel=0.05), name
    weights = 10.0 ** (weight_db(np.array([4.0, 0.556, 25.0])) / 20.0)
    truth = 100.0 * np.sqrt(0.5 * np.sum((weights * [1e-3, 5e-4, 3e-4]) ** 2))
    assert _percent(found, "weighted_rms") == pytest.approx(truth, rel=0.05)
    # S = 2·N₀/A², and the r.m.s. deviation √(S·200³/3)/3150 in closed form; the noise density is read to 10 %.
    density = 2.0 * 10.0 ** (-40.0 / 10.0) / 2.0 / 20_000.0
    assert found.readings["unweighted_rms"].noise == pytest.approx(np.sqrt(density * 200.0**3 / 3.0) / 3150.0, rel=0.15)


def test_a_splice_is_named_and_tells_no_flutter() -> None:
    signal = modulated(RATE_HZ, 24.0)
    cut = np.concatenate([signal[: round(10.0001 * RATE_HZ)], signal[round(10.2 * RATE_HZ) :]])
    course = _course(cut)
    assert [round(one.at_s, 2) for one in course.leaps] == [10.0]
    assert course.drop_outs == ()
    assert _percent(flutter_of(course), "unweighted") < 1e-5


def test_pulses_of_flutter_are_no_splices() -> None:
    """10 ms, once a second, of 2 %: such a burst is flutter."""
    time_s = np.arange(round(12 * RATE_HZ)) / RATE_HZ
    deviation = np.where(np.remainder(time_s, 1.0) < 0.01, 0.02, 0.0)
    signal = 0.5 * np.sin(2.0 * np.pi * 3150.0 * np.cumsum(1.0 + deviation) / RATE_HZ)
    course = _course(signal)
    assert (course.leaps, course.drop_outs) == ((), ())


def test_the_longest_stretch_is_taken_of_what_begins_late_and_plays_twice() -> None:
    tone = modulated(RATE_HZ, 12.0, [(4.0, 1e-3, 0.0)])
    noise = 0.05 * np.random.default_rng(3).standard_normal(round(4 * RATE_HZ))
    course = _course(np.concatenate([noise, tone, np.zeros(round(2 * RATE_HZ)), tone[: round(5 * RATE_HZ)]]))
    assert course.stretches == 2
    assert (course.begin_s, course.end_s) == pytest.approx((4.0, 16.0), abs=0.05)
    assert _percent(flutter_of(course), "weighted") == pytest.approx(0.1 * SINE, rel=0.01)


def test_a_tone_that_is_broken_most_of_the_time_is_refused() -> None:
    signal = modulated(RATE_HZ, 10.0)
    for at in np.arange(1.0, 9.0, 0.25):
        signal[round(at * RATE_HZ) : round((at + 0.05) * RATE_HZ)] = 0.0
    with pytest.raises(SignalError, match="drop-outs"):
        _course(signal)


def test_what_is_too_short_or_no_tone_is_refused() -> None:
    with pytest.raises(SignalError, match=r"4\.0 s in one piece"):
        _found(modulated(RATE_HZ, 4.0))
    # The standard's least time is enough for one figure, and what its shortness leaves open is said.
    reading = _found(modulated(RATE_HZ, 5.0, [(1.0, 1e-3, 0.7)])).readings["weighted_rms"]
    truth = 1e-3 * 10.0 ** (dict(WEIGHTING)[1.0] / 20.0) / np.sqrt(2.0)
    assert reading.value == pytest.approx(truth, abs=reading.scatter)
    assert 0.01 < reading.scatter / reading.value < 0.2
    with pytest.raises(SignalError, match="tone of 440 Hz"):
        Tracker(RATE_HZ, 1, 440.0)
    noise = np.random.default_rng(4).standard_normal(24_000)
    assert probed(noise, RATE_HZ).frequency_hz is None
    assert probed(np.zeros(24_000), RATE_HZ) == Probe(frequency_hz=None, peak=0.0)
    assert chosen_tone([probed(noise, RATE_HZ)], (3150.0,)) is None
    tone = modulated(RATE_HZ, 0.5)
    hum = 0.6 * np.sin(2.0 * np.pi * 50.0 * np.arange(len(tone)) / RATE_HZ)
    assert probed(tone + hum, RATE_HZ).frequency_hz == pytest.approx(3150.0, rel=1e-4)
    noise[7] = np.nan
    with pytest.raises(SignalError, match="no numbers"):
        probed(noise, RATE_HZ)


def test_a_tone_near_what_is_wanted_is_chosen_before_one_that_lasts_longer() -> None:
    long, short = Probe(frequency_hz=1000.0, peak=0.5), Probe(frequency_hz=3160.0, peak=0.4)
    chosen = chosen_tone([long, long, long, short], (3000.0, 3150.0))
    assert chosen is not None
    assert chosen.frequency_hz == 3160.0
    other = chosen_tone([long, long, Probe(frequency_hz=6300.0, peak=0.3)], (3000.0, 3150.0))
    assert other is not None
    assert (other.frequency_hz, other.peak) == (1000.0, 0.5)


@pytest.mark.wide
@pytest.mark.parametrize(("low_hz", "high_hz"), [(0.5, 50.0), (0.3, 3.0)])
def test_what_scatters_is_covered(low_hz: float, high_hz: float) -> None:
    """Gaussian flutter of a flat band, 36 captures of 20 s: its r.m.s. and 1.96 times that, weighted by the table.

    Truth: the mean of the squared weights over the band, interpolated straight between the table's points here (within
    1 %, for which the half-width is widened). 95 % of 36 are 34.2 ± 1.3: at least 31 of them.
    """
    inside = np.zeros(4)
    places = np.linspace(low_hz, high_hz, 5000)
    table_hz, table_db = (np.array(column) for column in zip(*WEIGHTING, strict=True))
    weights = 10.0 ** (np.interp(np.log(places), np.log(table_hz), table_db) / 20.0)
    rms = 5e-4
    weighted = rms * float(np.sqrt(np.mean(weights**2)))
    truth = {
        "weighted_rms": weighted,
        "weighted": 1.959964 * weighted,
        "unweighted_rms": rms,
        "unweighted": 1.959964 * rms,
    }
    for seed in range(4):
        generator, rate_hz, frames = np.random.default_rng(seed), 1000, 200_000
        hz = np.arange(frames // 2 + 1) * (rate_hz / frames)
        drawn = generator.standard_normal(len(hz)) + 1j * generator.standard_normal(len(hz))
        deviation = np.fft.irfft(np.where((hz >= low_hz) & (hz <= high_hz), drawn, 0.0), frames)
        deviation *= rms / np.sqrt(np.mean(deviation**2))
        time_s = np.arange(round(20.0 * RATE_HZ)) / RATE_HZ
        for part in range(9):
            own = np.interp(time_s + 20.0 * part, np.arange(frames) / rate_hz, deviation)
            found = _found(0.5 * np.sin(2.0 * np.pi * 3150.0 * np.cumsum(1.0 + own) / RATE_HZ))
            inside += [
                abs(found.readings[name].value - value) <= found.readings[name].scatter + 0.01 * value
                for name, value in truth.items()
            ]
    assert np.all(inside >= 31), dict(zip(truth, inside, strict=True))
