"""The distortion word: stimulus, contract's keys, nulls, bounds, uncertainty, trimming; tables and charts from JSON."""

from __future__ import annotations

import dataclasses
import json
import math
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from coverage_truth import of_two
from numpy.typing import NDArray
from tone_signals import db, series, sine

from audiomeas.errors import SignalError
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.distortion import MEASUREMENT
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.recording import Recording
from audiomeas.stimulus import Silence, Sine

RATE_HZ = 48_000.0
#: What the unit of these tests does to a sine of 1 V: gain 10, h2 at −60 dB, h3 at −70 dB of the output.
GAIN, H2, H3 = 10.0, 1e-3, 10 ** (-70 / 20)
CONTRACT_KEYS = {
    "frequency_hz", "level_v_rms", "level_dbfs", "thd_percent", "thd_db", "thd_n_percent", "thd_n_db", "sinad_db",
    "harmonics",
}  # fmt: skip


def _stimulus(**changes: Any) -> Sine:
    context = PlayContext(sample_rate_hz=RATE_HZ, channels=changes.pop("channels", (1, 2)), input_level_v_rms=0.4)
    made = MEASUREMENT.stimulus(context, complete(MEASUREMENT, {"window_s": 0.5, **changes}))
    assert isinstance(made, Sine)
    return made


def _unit(played: NDArray[np.float64], noise: float = 0.0, seed: int = 1) -> NDArray[np.float64]:
    """Return the output in volts: harmonics by Chebyshev polynomials of the sine of 0.4 V r.m.s., noise in V r.m.s."""
    x = played / (0.4 * math.sqrt(2))
    out = x + H2 * (2 * x**2 - 1) + H3 * (4 * x**3 - 3 * x)
    generator = np.random.default_rng(seed)
    return GAIN * 0.4 * math.sqrt(2) * out + noise * generator.normal(size=len(played))


def _recording(
    stimulus: Sine | None, outputs: list[NDArray[np.float64]], full_scale_v: float | None = 8.0, **changes: Any
) -> Recording:
    scale = math.sqrt(2) * (full_scale_v or 8.0)
    count = len(outputs)
    return Recording(
        **{
            "counts_fs": np.stack(outputs, axis=1) / scale,
            "sample_rate_hz": RATE_HZ,
            "channels": tuple(range(1, count + 1)),
            "v_rms_at_full_scale": (full_scale_v,) * count,
            "scale_uncertainty": (None if full_scale_v is None else 0.004,) * count,
            "stimulus": stimulus,
            **changes,
        }
    )


def _aligned(noise: float = 1e-4, **changes: Any) -> Recording:
    stimulus = _stimulus()
    lead = np.zeros(3217)
    played = np.concatenate([lead, stimulus.samples_v(), np.zeros(2000)])
    settings: dict[str, Any] = {
        "stimulus_start": len(lead),
        "stimulus_in_volts": True,
        "shared_clock": True,
        "over_range": (0, 0),
        "conditions": {
            "load_ohm": {"1": 8.0},
            "load_uncertainty": {"1": 0.01},
            "input_level_uncertainty": 0.003,
        },
    }
    return _recording(stimulus, [_unit(played, noise, 1), _unit(played, noise, 2)], **{**settings, **changes})


def _analysed(recording: Recording, **options: Any) -> Result:
    return MEASUREMENT.analyse(recording, complete(MEASUREMENT, options))


def test_the_stimulus_has_whole_periods_near_what_was_asked() -> None:
    made = _stimulus(frequency_hz=1000.3)
    periods = made.frequency_hz * made.window_frames / RATE_HZ
    assert periods == pytest.approx(round(periods), abs=1e-9)
    assert made.frequency_hz == pytest.approx(1000.3, abs=2.0)
    assert made.level_v_rms == 0.4


def test_the_figures_of_a_unit_known_by_construction() -> None:
    result = _analysed(_aligned())
    assert result.measurement == "distortion"
    assert not result.warnings
    one = result.channel(1)
    assert set(one.values) >= CONTRACT_KEYS
    values = one.values
    assert values["level_v_rms"] == pytest.approx(4.0, abs=1e-5)
    assert values["level_dbfs"] == pytest.approx(db(4.0 / 8.0), abs=1e-5)
    assert values["gain_db"] == pytest.approx(20.0, abs=1e-5)
    assert values["level_w"] == pytest.approx(2.0, abs=1e-5)
    assert values["thd_percent"] == pytest.approx(100 * math.hypot(H2, H3), rel=1e-3)
    assert values["thd_db"] == pytest.approx(db(math.hypot(H2, H3)), abs=0.01)
    assert values["thd_total_percent"] == pytest.approx(values["thd_percent"] / math.hypot(1, H2, H3), rel=1e-6)
    noise = (1e-4 / 4.0) ** 2 * 19_980 / 24_000
    total = math.sqrt((H2**2 + H3**2 + noise) / (1 + H2**2 + H3**2 + noise))
    assert values["thd_n_percent"] == pytest.approx(100 * total, rel=1e-3)
    assert values["sinad_db"] == -values["thd_n_db"]
    assert values["noise_db"] == pytest.approx(10 * math.log10(noise), abs=0.3)
    assert [row["order"] for row in values["harmonics"][:2]] == [2, 3]
    assert values["harmonics"][0]["level_db"] == pytest.approx(-60, abs=0.01)
    # T2 of a sine is −cos 2φ: a sine that lags 90 degrees; T3 is −sin 3φ.
    assert values["harmonics"][0]["phase_deg"] == pytest.approx(-90, abs=0.5)
    assert abs(values["harmonics"][1]["phase_deg"]) == pytest.approx(180, abs=1.0)
    assert set(values["harmonics"][0]) >= {"order", "frequency_hz", "level_db", "phase_deg"}
    conditions = result.conditions
    assert conditions["band_hz"] == [20.0, 20_000.0]
    assert conditions["thd_reference"] == "fundamental"
    assert conditions["thd_n_reference"] == "total in band"
    assert conditions["analysed_s"] == 0.5
    assert "left_out_s" not in conditions


def test_uncertainty_combines_scale_load_and_fit() -> None:
    one = _analysed(_aligned()).channel(1)
    # The fit adds 1e-7; scale 0.4 %, input 0.3 %, load 1 %, of no known shape: rectangular.
    assert one.uncertainty["level_v_rms"] == pytest.approx(4.0 * 0.004, rel=1e-4)
    assert one.uncertainty["level_w"] == pytest.approx(2.0 * of_two(0.008, 0.01), rel=1e-3)
    assert one.uncertainty["gain_db"] == pytest.approx(8.6859 * of_two(0.004, 0.003), rel=1e-3)
    assert one.uncertainty["level_dbfs"] < 1e-4
    assert 0 < one.uncertainty["thd_percent"] < 0.01 * one.values["thd_percent"]
    two = _analysed(_aligned()).channel(2)
    assert two.values["level_w"] is None
    unknown = _analysed(_aligned(scale_uncertainty=(None, None))).channel(1)
    assert "level_v_rms" not in unknown.uncertainty
    assert unknown.values["level_v_rms"] == pytest.approx(4.0, abs=1e-5)


def test_without_a_calibration_volts_are_null_and_ratios_are_told() -> None:
    result = _analysed(_aligned(v_rms_at_full_scale=(None, None), scale_uncertainty=(None, None)))
    values = result.channel(1).values
    for key in ("level_v_rms", "level_w", "gain_db", "dc_v", "noise_v_rms"):
        assert values[key] is None
    assert values["level_dbfs"] == pytest.approx(db(0.5), abs=1e-5)
    assert values["thd_db"] == pytest.approx(db(math.hypot(H2, H3)), abs=0.01)


def test_over_range_channels_are_null_with_a_warning() -> None:
    result = _analysed(_aligned(over_range=(17, 0)))
    assert result.channel(1).values["thd_percent"] is None
    assert result.channel(1).values["level_v_rms"] is None
    assert result.channel(2).values["thd_percent"] is not None
    assert any("channel 1" in line and "17" in line for line in result.warnings)


def test_undriven_and_silent_channels_are_null_and_said() -> None:
    recording = _aligned()
    assert isinstance(recording.stimulus, Sine)
    driven = dataclasses.replace(recording, stimulus=dataclasses.replace(recording.stimulus, driven_channels=(2,)))
    result = _analysed(driven)
    assert result.channel(1).values["level_v_rms"] is None
    assert any("channel 1 was not driven" in line for line in result.warnings)
    counts = recording.counts_fs.copy()
    counts[:, 0] = 0.0
    result = _analysed(dataclasses.replace(recording, counts_fs=counts))
    assert result.channel(1).values["thd_db"] is None
    assert any("channel 1: silence" in line for line in result.warnings)
    with pytest.raises(SignalError, match="channel 1: silence"):
        _analysed(dataclasses.replace(recording, counts_fs=np.zeros_like(counts)))


def test_no_third_harmonic_means_no_thd() -> None:
    tone = series({1: 1.0, 2: 0.01}, 9000.0, RATE_HZ, 24_000)
    result = _analysed(_recording(None, [tone]))
    assert result.channel(1).values["thd_percent"] is None
    assert result.channel(1).values["thd_n_percent"] == pytest.approx(1.0, rel=1e-3)
    assert any("third harmonic" in line for line in result.warnings)


def test_near_the_bench_itself_figures_are_bounds() -> None:
    conditions = {"bench_residual_db": -66.0}
    one = _analysed(_aligned(conditions=conditions)).channel(1)
    for key in ("thd_percent", "thd_db", "thd_n_percent", "thd_n_db"):
        assert one.bound[key] == "at most"
        assert key not in one.uncertainty
    assert one.bound["sinad_db"] == "at least"
    far = _analysed(_aligned(conditions={"bench_residual_db": {"1": -100.0}})).channel(1)
    assert not far.bound
    # −59.6 dB against −100 dB: at worst 0.95 % of it, in phase.
    assert far.uncertainty["thd_percent"] == pytest.approx(
        0.95 * 10 ** ((-100 - far.values["thd_db"]) / 20) * far.values["thd_percent"], rel=0.05
    )


def test_distortion_below_the_noise_is_a_bound() -> None:
    tone = sine(997, RATE_HZ, 48_000) + 1e-3 * np.random.default_rng(7).normal(size=48_000)
    one = _analysed(_recording(None, [tone])).channel(1)
    assert one.bound["thd_percent"] == "at most"
    assert one.bound["thd_db"] == "at most"
    assert "thd_n_percent" not in one.bound
    bounds = [row for row in one.values["harmonics"] if row.get("bound") == "at most"]
    assert len(bounds) >= 17
    assert all(row["phase_deg"] is None for row in bounds)


def test_the_notch_form_is_told_on_request() -> None:
    plain, notched = _analysed(_aligned()), _analysed(_aligned(), notch=True)
    assert plain.channel(1).values["thd_n_notch_db"] is None
    values = notched.channel(1).values
    assert values["thd_n_notch_db"] < values["thd_n_db"]
    assert notched.conditions["notch_q"] == 2.0


def test_a_foreign_capture_is_cut_to_its_steady_part() -> None:
    """Half a second of silence, ramps of 50 ms, one second of tone, silence; no stimulus, no calibration."""
    tone = _unit(sine(997.4, RATE_HZ, 48_000, peak=0.4 * math.sqrt(2)), 1e-6)
    ramp = np.minimum(1.0, np.minimum(np.arange(48_000), np.arange(48_000)[::-1]) / 2400)
    capture = np.concatenate([np.zeros(24_000), tone * ramp, np.zeros(12_345)])
    result = _analysed(_recording(None, [capture], full_scale_v=None))
    values = result.channel(1).values
    assert values["frequency_hz"] == pytest.approx(997.4, abs=1e-4)
    assert values["thd_db"] == pytest.approx(db(math.hypot(H2, H3)), abs=0.01)
    assert values["noise_db"] < -100
    left_out = result.conditions["left_out_s"]
    assert 0.55 <= left_out[0] <= 0.62
    assert result.conditions["analysed_s"] > 0.8
    assert not result.warnings


@pytest.mark.parametrize("lost", [1, 17])
def test_lost_samples_leave_the_level_alone(lost: int) -> None:
    """One frame of 1 kHz is 7.5 degrees; THD+N would read percents, and look as good as any."""
    tone = sine(997.0, RATE_HZ, 96_000, peak=0.5) + 5e-5 * np.random.default_rng(1).normal(size=96_000)
    broken = np.delete(tone, range(50_000, 50_000 + lost))
    result = _analysed(_recording(None, [broken]))
    assert any("phase jumps" in line and "samples were lost" in line for line in result.warnings)
    one = result.channel(1)
    for key in ("frequency_hz", "phase_deg", "thd_percent", "thd_db", "thd_n_percent", "sinad_db", "noise_db", "dc_v"):
        assert one.values[key] is None, key
        assert key not in one.uncertainty and key not in one.bound
    assert one.values["harmonics"] == []
    # The truth is inside what is told of the level.
    assert abs(one.values["level_v_rms"] - 0.5 / math.sqrt(2)) <= one.uncertainty["level_v_rms"]
    assert abs(one.values["level_dbfs"] - db(0.5 / math.sqrt(2) / 8.0)) <= one.uncertainty["level_dbfs"]
    again = result_from_json(json.loads(json.dumps(result.as_json(), allow_nan=False)))
    for view in (*MEASUREMENT.tables(again), *MEASUREMENT.charts(again)):
        assert view.title


def test_a_level_that_drifts_is_covered_and_said() -> None:
    """1 dB of decay over 2 s: the level is within a half of it either way."""
    decay = 10 ** (-np.linspace(0.0, 1.0, 96_000) / 20)
    tone = sine(997.0, RATE_HZ, 96_000, peak=0.5) * decay + 5e-5 * np.random.default_rng(1).normal(size=96_000)
    one = (result := _analysed(_recording(None, [tone]))).channel(1)
    assert any("level changes by" in line for line in result.warnings)
    # The outermost 50 ms are averages themselves: 0.025 of 1 dB less.
    assert 0.45 <= one.uncertainty["level_dbfs"] <= 0.55
    assert one.values["thd_n_percent"] is not None
    steady = _analysed(_recording(None, [tone / decay])).channel(1)
    assert steady.uncertainty["level_dbfs"] < 1e-3


def test_a_level_step_is_not_cut_off_in_silence() -> None:
    """0.7 dB less in the second half: what is analysed is the first; that is said, and the level covers it."""
    tone = sine(997.0, RATE_HZ, 96_000, peak=0.5) + 5e-5 * np.random.default_rng(1).normal(size=96_000)
    tone[50_000:] *= 10 ** (-0.7 / 20)
    one = (result := _analysed(_recording(None, [tone]))).channel(1)
    assert any("at the end of the capture" in line and "-0.70 dB" in line for line in result.warnings)
    assert one.uncertainty["level_dbfs"] >= 0.65


def test_a_gap_leaves_no_figure_of_its_channel() -> None:
    recording = _aligned()
    counts_fs = recording.counts_fs.copy()
    counts_fs[15_000:15_100, 0] = 0.0
    result = _analysed(dataclasses.replace(recording, counts_fs=counts_fs))
    assert any("channel 1 has a gap of 10" in line and "near 0.31 s" in line for line in result.warnings)
    assert result.channel(1).values["thd_percent"] is None
    assert result.channel(1).values["level_v_rms"] is None
    assert result.channel(2).values["thd_percent"] is not None


def test_a_click_is_said_and_its_figure_stays() -> None:
    """One sample of 0.9 beside a tone of 0.5: 0.65 % of THD+N that looked like the unit's own."""
    tone = sine(1000.0, RATE_HZ, 96_000, peak=0.5) + 5e-8 * np.random.default_rng(1).normal(size=96_000)
    tone[40_000] = 0.9
    result = _analysed(_recording(None, [tone]))
    assert any("a click near 0.833 s" in line for line in result.warnings)
    assert result.channel(1).values["thd_n_percent"] == pytest.approx(0.65, abs=0.02)


def test_no_figure_claims_all_digits() -> None:
    """A noiseless file of float64: what the analysis itself is good for stays."""
    tone = series({1: 0.5, 3: 0.5 * 3.58e-4}, 377.0, RATE_HZ, 96_000)
    one = _analysed(_recording(None, [tone], resolution_fs=2.0**-53)).channel(1)
    values, wide = one.values, one.uncertainty
    assert wide["frequency_hz"] / values["frequency_hz"] >= 1e-9
    assert wide["level_dbfs"] >= 8e-6
    assert wide["thd_percent"] / values["thd_percent"] >= 1e-6
    assert min(row["uncertainty_db"] for row in values["harmonics"] if "uncertainty_db" in row) >= 8e-6
    assert values["thd_percent"] == pytest.approx(0.0358, abs=wide["thd_percent"])


def test_rounding_of_the_file_reaches_the_figures() -> None:
    """16 bit without dither, 1 kHz: everything that is read is rounding (−98 dB of full scale), and a bound."""
    codes = np.rint(sine(1000.0, RATE_HZ, 96_000, peak=0.5, phase_deg=20.0) * 32_767) / 32_767
    given = {"counts_fs": codes[:, None], "resolution_fs": 1 / 32_767}
    one = (result := _analysed(_recording(None, [codes], full_scale_v=None, **given))).channel(1)
    assert any("not dithered" in line for line in result.warnings)
    for key in ("thd_percent", "thd_db", "thd_n_percent", "thd_n_db", "noise_db"):
        assert one.bound[key] == "at most"
        assert key not in one.uncertainty
    assert one.bound["sinad_db"] == "at least"
    for count in (1, 4):
        averaged = _analysed(_recording(None, [codes], full_scale_v=None, **given), averages=count)
        assert averaged.channel(1).bound["thd_n_db"] == "at most"


def test_what_the_uncertainty_covers_is_said() -> None:
    words = _analysed(_aligned()).conditions["uncertainty_covers"]
    assert words == (
        "noise, fit, scale and load; not the response of the bench away from where it was calibrated; not the "
        "distortion of the bench itself"
    )
    known = _analysed(_aligned(conditions={"bench_residual_db": {"1": -110.0}})).conditions["uncertainty_covers"]
    assert known.endswith("calibrated; the distortion of the bench itself")


def test_other_stimuli_are_refused_with_the_way_out() -> None:
    quiet = Silence(duration_s=0.5, sample_rate_hz=RATE_HZ)
    recording = dataclasses.replace(_recording(None, [sine(997, RATE_HZ, 24_000)]), stimulus=quiet)
    with pytest.raises(SignalError, match="silence"):
        _analysed(recording)
    with pytest.raises(SignalError, match="cut"):
        _analysed(_aligned(stimulus_start=-11_000))
    with pytest.raises(SignalError):
        _analysed(_recording(None, [np.zeros(0)]))


@pytest.mark.parametrize("channels", [1, 3, 32])
def test_channels_keep_their_order(channels: int) -> None:
    outputs = [series({1: 1.0, 2: 0.001 * (k + 1)}, 997.0, RATE_HZ, 9000) for k in range(channels)]
    result = _analysed(_recording(None, outputs))
    for k, found in enumerate(result.channels):
        assert found.channel == k + 1
        assert found.values["thd_percent"] == pytest.approx(0.1 * (k + 1), rel=1e-6)


def _all_numbers(value: Any) -> list[float]:
    if isinstance(value, dict):
        return [number for item in value.values() for number in _all_numbers(item)]
    if isinstance(value, list):
        return [number for item in value for number in _all_numbers(item)]
    return [value] if isinstance(value, float) else []


def test_views_come_from_the_stored_result_alone() -> None:
    result = _analysed(_aligned(), notch=True)
    text = json.dumps(result.as_json(), allow_nan=False)
    assert len(text) < 120_000
    again = result_from_json(json.loads(text))
    assert MEASUREMENT.tables(again) == MEASUREMENT.tables(result)
    assert [view.title for view in MEASUREMENT.charts(again)] == ["Spectrum of the output", "Harmonics of the tone"]
    spectrum, bars = MEASUREMENT.charts(again)
    assert all(len(series.x) == len(series.y) <= 1500 for series in (*spectrum.series, *bars.series))
    named = next(series for series in spectrum.series if series.role == "points")
    assert named.labels[:2] == ("2nd", "3rd")
    assert named.y[0] == pytest.approx(-60, abs=0.05)
    assert next(series for series in bars.series).y[0] == pytest.approx(-60, abs=0.05)
    table = MEASUREMENT.tables(again)[0]
    assert [column.heading for column in table.columns] == ["quantity", "unit", "channel 1", "channel 2"]
    assert all(len(row) == len(wide) for row, wide in zip(table.rows, table.uncertainties, strict=True))
    assert all(math.isfinite(number) for number in _all_numbers(json.loads(text)))


def test_only_what_stands_out_of_the_spectrum_is_named_and_bounds_are_hollow_bars() -> None:
    """A unit with odd harmonics to the 25th, 1/n² each, and a faint 4th at the height of the noise around it."""
    harmonics = {1: 1.0, 4: 1e-6, **{n: 0.01 / n**2 for n in range(3, 26, 2)}}
    signal = series(harmonics, 480.0, RATE_HZ, 48_000)
    # 1.5e-4 r.m.s. over 24,000 lines: 1e-6 of the tone (1/√2) on each: the 4th drowns.
    signal = signal + np.random.default_rng(5).normal(0.0, 1.5e-4, len(signal))
    spectrum, bars = MEASUREMENT.charts(_analysed(_recording(None, [0.4 * signal])))
    named = next(one for one in spectrum.series if one.role == "points")
    assert "9th" in named.labels
    assert "25th" in named.labels  # among the twelve strongest
    assert not {"2nd", "4th", "6th", "8th", "10th", "12th"} & set(named.labels)
    full, hollow = (one for one in bars.series)
    assert (full.hollow, hollow.hollow) == (False, True)
    assert {2.0, 4.0} <= set(hollow.x) <= {2.0, 4.0, 6.0, 8.0, 10.0, 12.0}  # noise may stand out by chance, not here
    assert set(full.x) >= {3.0, 5.0, 7.0, 9.0, 11.0}
    assert hollow.label == "channel 1, at most"
    assert "Hollow: at most so much" in bars.caption


def test_views_of_nothing_known() -> None:
    result = _analysed(_aligned(over_range=(3, 4)))
    again = result_from_json(json.loads(json.dumps(result.as_json(), allow_nan=False)))
    assert MEASUREMENT.charts(again) == ()
    assert MEASUREMENT.tables(again)[0].rows


def test_figures_are_keys_of_the_values() -> None:
    values = _analysed(_aligned()).channel(1).values
    for figure in MEASUREMENT.figures:
        assert isinstance(values[figure.key], float), figure.key


def test_the_module_loads_without_numpy() -> None:
    code = "import sys, audiomeas.measurement.distortion; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], timeout=60).returncode == 0


def test_averages_lengthen_the_tone_and_keep_whole_periods_in_each_window() -> None:
    one, many = _stimulus(), _stimulus(averages=8)
    assert many.frequency_hz == one.frequency_hz
    assert many.window_frames == 8 * one.window_frames
    assert many.frequency_hz * one.window_frames / RATE_HZ == pytest.approx(round(one.frequency_hz / 2), abs=1e-9)
    with pytest.raises(ValueError, match="600 s"):
        _stimulus(averages=1000, window_s=1.0)
    with pytest.raises(ValueError, match="can't be played"):
        _stimulus(frequency_hz=30_000.0)


def test_averages_are_in_the_conditions_and_hidden_noise_is_said() -> None:
    """A window of 0.25 s of the 0.5 s that are there; noise of 1 mV at 4 V: −72.8 dB in the band."""
    recording = _aligned(noise=1e-3)
    noise_db = db(1e-3 / 4.0) + 10 * math.log10(19_980 / 24_000)
    # Half the window known to 2 %, twice: 0.3 dB.
    powers = _analysed(recording, averages=2, averaging="power")
    assert powers.channel(1).values["noise_db"] == pytest.approx(noise_db, abs=0.3)
    assert not powers.warnings
    coherent = _analysed(recording, averages=2)
    assert coherent.channel(1).values["noise_db"] == pytest.approx(noise_db - 3.01, abs=0.3)
    assert any("hides noise" in line and "3.0 dB below" in line for line in coherent.warnings)
    for result, kind in ((powers, "power"), (coherent, "coherent")):
        # 1 mV on a line of 24,000 frames: 9 µV of the 4 mV of the second harmonic, 0.02 dB; three times.
        assert result.conditions["averages"] == 2
        assert result.conditions["averaging"] == kind
        assert result.conditions["analysed_s"] == 0.5
        assert result.channel(1).values["thd_db"] == pytest.approx(db(math.hypot(H2, H3)), abs=0.07)
        assert result.channel(1).values["level_v_rms"] == pytest.approx(4.0, abs=1e-4)
        assert any("2 windows" in note for note in MEASUREMENT.tables(result)[0].notes)
    assert _analysed(recording).conditions["averages"] == 1


def test_coherent_averages_of_a_foreign_tone_need_whole_periods() -> None:
    """One that has them is believed by its frequency; 997.4 Hz in quarters of a second has not."""
    whole = _recording(None, [_unit(sine(1000.0, RATE_HZ, 48_000, peak=0.4 * math.sqrt(2)), 1e-4)])
    found = _analysed(dataclasses.replace(whole, counts_fs=whole.counts_fs), averages=4)
    assert found.channel(1).values["thd_db"] == pytest.approx(db(math.hypot(H2, H3)), abs=0.01)
    broken = _recording(None, [_unit(sine(997.4, RATE_HZ, 48_000, peak=0.4 * math.sqrt(2)), 1e-4)])
    with pytest.raises(SignalError, match="average powers"):
        _analysed(broken, averages=4)
    assert _analysed(broken, averages=4, averaging="power").channel(1).values["thd_db"] is not None


def test_the_loops_response_is_taken_off_gain_and_half_of_it_off_the_level() -> None:
    """A loop that is 0.2 dB down at the tone's frequency, known to 0.002 dB: closed form of levels in dB."""
    rows = {"bench_response_db": {"1": [[330.0, 0.0, 0.0], [900.0, -0.2, 0.002], [20_000.0, -0.2, 0.002]]}}
    plain = _analysed(_aligned()).channel(1)
    recording = _aligned()
    recording = dataclasses.replace(recording, conditions={**recording.conditions, **rows})
    freed = _analysed(recording)
    one = freed.channel(1)
    assert one.values["gain_db"] - plain.values["gain_db"] == pytest.approx(0.2, abs=1e-4)
    # Between nothing and all of it is the input's: the middle, and half of it open to either side.
    assert one.values["level_v_rms"] / plain.values["level_v_rms"] == pytest.approx(10 ** (0.1 / 20), rel=1e-5)
    assert one.values["level_w"] / plain.values["level_w"] == pytest.approx(10 ** (0.1 / 10), rel=1e-5)
    assert one.values["level_dbfs"] == plain.values["level_dbfs"]
    open_v = [part for part in one.budget["level_v_rms"] if part.component == "response of the bench"]
    assert max(part.half_width for part in open_v) == pytest.approx(0.95 * 0.1 / 8.6859 * 4.0, rel=0.02)
    assert "taken off gain and level" in freed.conditions["uncertainty_covers"]
