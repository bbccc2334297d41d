"""Noise as a person uses it: levels, ratios with their reference, hum, bounds, refusals; on files and on the bench."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal
from benches import bench_file
from click.testing import CliRunner
from numpy.typing import NDArray
from reference_tables import rows
from scipy.stats import chi2

from audiomeas.bench.opened import open_bench_file
from audiomeas.cli.main import audiomeas as cli
from audiomeas.cli.main import status_of
from audiomeas.errors import RequestError, SignalError
from audiomeas.files import shipped
from audiomeas.interface.transport import from_fractions, to_fractions
from audiomeas.measurement.api import analyze, measure
from audiomeas.measurement.attached import Attached, with_recordings
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import Result
from audiomeas.measurement.session import Session
from audiomeas.plan.file import read_plan
from audiomeas.plan.verdict import judge_step
from audiomeas.present.charts import chart_figure
from audiomeas.present.tables import render_table
from audiomeas.recording import Recording, write_capture
from audiomeas.units import Level

NOISE = find("noise")
RATE_HZ = 48_000.0
#: Of a white capture of 10 s: r.m.s. levels scatter by 1/(2√(B·T)), A-weighted (B about 8 kHz effective) by 0.015 dB,
#: 468-weighted (3 kHz) by 0.025 dB; four times the latter.
WHITE_DB = 0.1
#: The quasi-peak needle sways more on noise than an r.m.s. value: its mean over 8 s by 0.06 dB (seen over seeds).
_A_PEAKS = "itu_r_468_quasi_peak"


def _white(seconds: float = 10.0, *, sigma: float = 1e-3, seed: int = 1, channels: int = 1) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    return sigma * rng.standard_normal((round(seconds * RATE_HZ), channels))


def _recording(counts_fs: NDArray[np.float64], *, v_rms_fs: float | None = 2.0, **more: Any) -> Recording:
    channels = counts_fs.shape[1]
    return Recording(
        **{
            "counts_fs": counts_fs,
            "sample_rate_hz": RATE_HZ,
            "channels": tuple(range(1, channels + 1)),
            "v_rms_at_full_scale": (v_rms_fs,) * channels,
            "scale_uncertainty": (None if v_rms_fs is None else 0.005,) * channels,
            "resolution_fs": 2.0**-23,
            **more,
        }
    )


def _analysed(counts_fs: NDArray[np.float64], *, v_rms_fs: float | None = 2.0, **options: Any) -> Result:
    return NOISE.analyse(_recording(counts_fs, v_rms_fs=v_rms_fs), complete(NOISE, options))


def _gain_db(weighting: str, low_hz: float, high_hz: float) -> float:
    """White noise through a weighting, from the table of closed-form integrals."""
    (row,) = [
        row
        for row in rows("weighting_noise_gain.csv")
        if (row["weighting"], float(row["f_lo_hz"]), float(row["f_hi_hz"])) == (weighting, low_hz, high_hz)
    ]
    return float(row["white_gain_db"])


@pytest.fixture(scope="module")
def white() -> Result:
    return _analysed(_white())


#: White noise of this standard deviation in fractions of full scale: in dB re a full-scale sine (r.m.s. 1/√2) …
WHITE_DBFS = 20 * math.log10(1e-3 * math.sqrt(2))
#: … and what 20 Hz to 20 kHz hold of the 24 kHz that it fills.
IN_BAND_DB = 10 * math.log10(19_980 / 24_000)


@pytest.mark.parametrize(
    ("key", "expected_dbfs"),
    [
        ("unweighted", WHITE_DBFS + IN_BAND_DB),
        ("a_weighted", WHITE_DBFS + IN_BAND_DB + _gain_db("A", 20, 20_000)),
        ("c_weighted", WHITE_DBFS + IN_BAND_DB + _gain_db("C", 20, 20_000)),
        ("itu_r_468", WHITE_DBFS + IN_BAND_DB + _gain_db("BS468", 20, 20_000)),
        ("aes17", WHITE_DBFS + IN_BAND_DB + _gain_db("CCIR_RMS", 20, 20_000)),
        # Average-responding: Gaussian noise reads 20 lg(√(2/π)·π/√8) = −1.0491 dB (closed form), in the whole band.
        ("itu_r_arm", WHITE_DBFS + _gain_db("CCIR_RMS", 0, 24_000) - 1.0491),
    ],
)
def test_white_noise_reads_what_the_integrals_say(white: Result, key: str, expected_dbfs: float) -> None:
    channel = white.channels[0]
    dbfs = f"{key}_dbfs"
    assert channel.values[dbfs] == pytest.approx(expected_dbfs, abs=WHITE_DB)
    # The half-width is no smaller than the scatter, and not far beyond what is allowed here.
    assert 0.01 < channel.uncertainty[dbfs] < 2 * WHITE_DB
    volts = channel.values.get(f"{key}_v_rms", channel.values.get(f"{key}_v"))
    assert volts == pytest.approx(2.0 * 10 ** (channel.values[dbfs] / 20), rel=1e-9)


def _through_slopes_hz(low_hz: float, high_hz: float) -> float:
    """Noise bandwidth of two third-order Butterworth slopes up to 24 kHz; truth: scipy.signal.butter, summed."""
    hz = np.linspace(1.0, 24_000.0, 24_000)
    power = np.ones(len(hz))
    for edge, kind in ((low_hz, "high"), (high_hz, "low")):
        shape = scipy.signal.butter(3, 2 * np.pi * edge, kind, analog=True, output="zpk")
        power *= np.abs(scipy.signal.freqs_zpk(*shape, worN=2 * np.pi * hz)[1]) ** 2
    return float(np.sum(power))  # a bin a hertz


@pytest.mark.parametrize(
    ("options", "expected_hz"),
    [
        ({"bands": "20-20k; 22.4 Hz to 22.4 kHz; 400-20000"}, {"20_20000": 19_980, "22_4_22400": 22_377.6,
                                                               "400_20000": 19_600}),
        ({"bands": "400-10k", "band_edges": "18 dB/octave"}, {"400_10000": _through_slopes_hz(400.0, 10_000.0)}),
    ],
)  # fmt: skip
def test_white_noise_in_stated_bandwidths(options: dict[str, Any], expected_hz: dict[str, float]) -> None:
    result = _analysed(_white(), **options)
    channel = result.channels[0]
    text = "\n".join(render_table(table) for table in NOISE.tables(result))
    for name, width_hz in expected_hz.items():
        level_dbfs = channel.values[f"band_{name}_hz_dbfs"]
        assert level_dbfs == pytest.approx(WHITE_DBFS + 10 * math.log10(width_hz / 24_000), abs=WHITE_DB)
        assert channel.values[f"band_{name}_hz_v_rms"] == pytest.approx(2.0 * 10 ** (level_dbfs / 20), rel=1e-9)
        assert 0.01 < channel.uncertainty[f"band_{name}_hz_dbfs"] < WHITE_DB
        assert result.conditions["bands"][f"band_{name}_hz"] in text


def test_a_stated_bandwidth_near_the_bench_is_a_bound() -> None:
    options = complete(NOISE, {"bands": "400-20k"})
    options["bench_noise"] = Attached(name="own.wav", sha256="", recording=_recording(_white(1.0, seed=4)))
    channel = NOISE.analyse(_recording(_white(1.0, sigma=2e-3, seed=5)), options).channels[0]
    assert channel.bound["band_400_20000_hz_v_rms"] == channel.bound["band_400_20000_hz_dbfs"] == "at most"


def test_quasi_peak_of_white_noise_lies_above_its_rms_by_four_to_six_db(white: Result) -> None:
    # Noise meters by BS.468 read weighted wide-band noise 4 to 5.5 dB above its r.m.s. value (common practice, from
    # memory); the detector itself is held against the Recommendation's tables in its own tests.
    values = white.channels[0].values
    assert 4.0 < values["itu_r_468_quasi_peak_dbfs"] - values["itu_r_468_dbfs"] < 6.0


def test_twice_the_noise_is_six_db_more_and_the_sign_is_right(white: Result) -> None:
    louder = _analysed(2.0 * _white())
    for key, value in louder.channels[0].values.items():
        if key.endswith("_dbfs") and "hum" not in key:
            assert value - white.channels[0].values[key] == pytest.approx(20 * math.log10(2), abs=1e-6), key


def test_the_contracts_keys_are_there_and_plain(white: Result) -> None:
    data = json.loads(json.dumps(white.as_json(), allow_nan=False))
    (channel,) = data["channels"]
    wanted = {
        "unweighted_v_rms", "unweighted_dbfs", "a_weighted_v_rms", "a_weighted_dbfs", "itu_r_468_quasi_peak_v",
        "itu_r_468_quasi_peak_dbfs", "itu_r_arm_v", "itu_r_arm_dbfs", "snr_db", "snr_a_db", "hum",
    }  # fmt: skip
    assert wanted <= channel.keys()
    assert channel["snr_db"] is None and channel["snr_a_db"] is None  # no reference was given
    assert channel["hum"] == []
    assert data["conditions"]["band_hz"] == [20.0, 20_000.0]


def test_one_noise_under_the_conventions_of_specification_sheets() -> None:
    options = {"reference": "phono; 0 dBFS", "gain_db": 36.0}
    channel = _analysed(_white(), **options).channels[0]
    by = {(row["reference"], row["weighting"]): row["db"] for row in channel.values["snr"]}
    steps = [by[f"{mv} mV in", "A"] for mv in ("2.5", "5", "10")]
    # 5 mV over 2.5 mV, 10 mV over 5 mV: 20 lg 2 each.
    np.testing.assert_allclose(np.diff(steps), 20 * math.log10(2), atol=1e-9)
    level_v = channel.values["a_weighted_v_rms"]
    assert steps[0] == pytest.approx(20 * math.log10(2.5e-3 * 10 ** (36 / 20) / level_v), abs=1e-9)
    assert by["0 dBFS", "none"] == pytest.approx(-channel.values["unweighted_dbfs"], abs=1e-9)
    assert (channel.values["snr_db"], channel.values["snr_a_db"]) == (by["2.5 mV in", "none"], steps[0])
    assert channel.values["a_weighted_input_v_rms"] == pytest.approx(level_v / 10 ** (36 / 20), rel=1e-12)


@pytest.mark.parametrize(
    "row", [r for r in rows("quantizer_snr.csv") if r["bits"] in ("16", "24")], ids=lambda r: r["bits"]
)
def test_dithered_silence_has_the_quantizers_noise(row: dict[str, str]) -> None:
    # Triangular dither of two steps, 48 kHz: closed form of the table, within 0.05 dB (20 s scatter by 0.01 dB r.m.s.,
    # and 0.02 dB under A).
    step = 2.0 ** (1 - int(row["bits"]))
    rng = np.random.default_rng(24)
    dither = rng.uniform(-0.5, 0.5, (960_000, 1)) + rng.uniform(-0.5, 0.5, (960_000, 1))
    result = NOISE.analyse(_recording(step * np.rint(dither), resolution_fs=step), complete(NOISE, {}))
    values = result.channels[0].values
    assert -values["unweighted_dbfs"] == pytest.approx(float(row["snr_tpdf_fs48k_20k_db"]), abs=0.05)
    # The table weights 0 to 24 kHz; 20 kHz and up hold 12822 − 12467 Hz of the A-weighted noise bandwidth.
    beyond_db = 10 * math.log10(12822.24 / 12467.18)
    expected = float(row["snr_tpdf_fs48k_a_weighted_db"]) + beyond_db
    assert -values["a_weighted_dbfs"] == pytest.approx(expected, abs=0.05)
    assert not result.channels[0].bound.keys() & {"unweighted_dbfs", "a_weighted_dbfs"}


def test_johnson_noise_of_a_kilohm_behind_a_stated_gain() -> None:
    (row,) = [r for r in rows("johnson_noise.csv") if (r["resistance_ohm"], r["temperature_k"]) == ("1000", "300.0")]
    density_v = 1e-9 * float(row["density_nv_rthz"])
    gain = 10 ** (60 / 20)
    sigma = density_v * gain * math.sqrt(RATE_HZ / 2) / (2.0 * math.sqrt(2))  # 2 V r.m.s. is full scale
    counts = _white(20.0, sigma=sigma, seed=9)
    recording = _recording(counts, resolution_fs=None)
    options = complete(NOISE, {"gain_db": 60.0, "source_resistance_ohm": 1000.0})
    values = NOISE.analyse(recording, options).channels[0].values
    # 20 Hz … 20 kHz of the table's 0 … 20 kHz; within 0.05 dB (0.58 %).
    expected_v = 1e-6 * float(row["rms_20khz_uv"]) * math.sqrt(19_980 / 20_000)
    assert values["unweighted_input_v_rms"] == pytest.approx(expected_v, rel=0.0058)
    assert values["source_v_per_root_hz"] == pytest.approx(density_v * gain, rel=1e-5)


def test_the_density_is_drawn_at_the_input_where_it_is_asked_for() -> None:
    sigma = 1e-4
    asked = {"gain_db": 60.0, "source_resistance_ohm": 1000.0, "density_at": "input"}
    (view, _) = NOISE.charts(_analysed(_white(4.0, sigma=sigma), **asked))
    assert "at the input" in view.y_label
    drawn = next(one for one in view.series if one.label == "channel 1")
    # White: σ·√2·2 V over √24 kHz, less 60 dB (closed form); the mean of 300 points scatters by far less than 2 %.
    truth_nv = 1e9 * sigma * math.sqrt(2) * 2.0 / math.sqrt(24_000) / 1000.0
    assert np.mean(np.square(drawn.y[1:])) == pytest.approx(truth_nv**2, rel=0.04)
    source = next(one for one in view.series if one.label.startswith("source resistance alone, at the input"))
    assert source.y[0] == pytest.approx(4.0703, rel=1e-3)  # √(4kTR) of 1 kΩ at 300 K (johnson_noise.csv)
    unknown = _analysed(_white(1.0), density_at="input")
    assert any("needs volts and the gain" in line for line in unknown.warnings)
    assert "at the output" in NOISE.charts(unknown)[0].y_label


def test_hum_is_listed_line_by_line() -> None:
    counts = _white(10.0, seed=3)
    time_s = np.arange(len(counts)) / RATE_HZ
    levels_fs = {1: 4e-4, 2: 8e-4, 5: 2e-4}  # amplitudes of full scale
    for multiple, amplitude in levels_fs.items():
        counts[:, 0] += amplitude * np.sin(2 * np.pi * 60.02 * multiple * time_s + multiple)
    channel = _analysed(counts).channels[0]
    # Cramér-Rao: mains 0.8 mHz for one line 20 dB below the noise in 20 kHz; these are stronger. Four times that.
    assert channel.values["mains_hz"] == pytest.approx(60.02, abs=0.0032)
    standing = {row["multiple"]: row["level_dbfs"] for row in channel.values["hum"] if "bound" not in row}
    assert set(standing) == set(levels_fs)
    for multiple, amplitude in levels_fs.items():
        # Amplitude scatters by σ√(2/N) (Cramér-Rao): 2.0e-6, 0.09 dB of the weakest; four times that.
        assert standing[multiple] == pytest.approx(20 * math.log10(amplitude), abs=0.36)
    total = 10 * math.log10(sum(a**2 for a in levels_fs.values()))
    assert channel.values["hum_dbfs"] == pytest.approx(total, abs=0.1)
    assert channel.values["hum_odd_percent"] == pytest.approx(100 * (16 + 4) / (16 + 64 + 4), abs=3.0)


def test_no_hum_is_a_bound_not_a_line(white: Result) -> None:
    channel = white.channels[0]
    assert channel.values["mains_hz"] is None
    assert channel.bound["hum_dbfs"] == "at most"
    assert channel.values["hum_dbfs"] < channel.values["unweighted_dbfs"]


# -- bad input -------------------------------------------------------------------------------------------------------


def test_digital_silence_is_a_bound() -> None:
    step = 1.0 / (2**23 - 1)
    result = NOISE.analyse(
        _recording(np.zeros((480_000, 1)), resolution_fs=step), complete(NOISE, {"reference": "0 dBFS"})
    )
    channel = result.channels[0]
    # q²/12 spread evenly over 24 kHz (closed form).
    expected = 20 * math.log10(step / math.sqrt(12) * math.sqrt(2) * math.sqrt(19_980 / 24_000))
    assert channel.values["unweighted_dbfs"] == pytest.approx(expected, abs=1e-3)
    for key in ("unweighted", "a_weighted", "itu_r_468_quasi_peak", "itu_r_arm"):
        assert channel.bound[f"{key}_dbfs"] == "at most"
        assert math.isfinite(channel.values[f"{key}_dbfs"])
    assert channel.bound["snr_db"] == "at least" and channel.values["snr_db"] == pytest.approx(-expected, abs=1e-3)
    assert any("digital silence" in line for line in result.warnings)
    json.dumps(result.as_json(), allow_nan=False)


def test_a_gate_is_said_and_not_averaged_over(white: Result) -> None:
    counts = _white()
    counts[: 3 * 48_000] = 0.0
    counts[9 * 48_000 :] = 0.0
    result = _analysed(counts)
    assert any("exact zeros" in line and "40 %" in line for line in result.warnings)
    begin, end = result.conditions["span_s"]
    assert 3.0 <= begin < 3.1 and 8.9 < end <= 9.0
    # Averaged over, it would read 10 lg 0.6 = −2.2 dB.
    assert result.channels[0].values["unweighted_dbfs"] == pytest.approx(WHITE_DBFS + IN_BAND_DB, abs=WHITE_DB)


def test_a_tone_left_on_is_said_and_its_figures_stay() -> None:
    counts = _white()
    counts[:, 0] += 0.1 * np.sin(2 * np.pi * 997.0 * np.arange(len(counts)) / RATE_HZ)
    result = _analysed(counts, reference="1 V")
    assert any("no noise capture" in line and "997" in line for line in result.warnings)
    channel = result.channels[0]
    assert channel.values["unweighted_dbfs"] == pytest.approx(-20.0, abs=0.01)
    # Scatter of noise is none of a tone: a limit on such a figure is neither kept nor broken.
    assert not channel.uncertainty.keys() & {"unweighted_dbfs", "unweighted_v_rms", "a_weighted_dbfs", "snr_db"}
    assert {row["uncertainty_db"] for row in (*channel.values["snr"], *channel.values["third_octaves"])} == {None}
    for table in NOISE.tables(result):
        render_table(table)


def test_dc_is_said_and_in_no_figure() -> None:
    result = _analysed(_white() + 0.02)
    assert any("DC of 2 %" in line for line in result.warnings)
    values = result.channels[0].values
    assert values["dc_fs"] == pytest.approx(0.02, abs=1e-5)
    assert values["unweighted_dbfs"] == pytest.approx(WHITE_DBFS + IN_BAND_DB, abs=WHITE_DB)


def test_dc_far_above_quiet_noise_moves_no_reading() -> None:
    # 10 % of full scale, 100 dB over the noise; left in, its step at the beginning raised the averaging meter by 9 dB.
    quiet = _white(3.0, sigma=1e-6, seed=2)
    plain, offset = (_analysed(one).channels[0].values for one in (quiet, quiet + 0.1))
    for key in ("itu_r_468_quasi_peak_dbfs", "itu_r_arm_dbfs", "itu_r_468_dbfs", "unweighted_dbfs"):
        # The first block's mean is known to σ/√131072: what is left of the step is nothing.
        assert offset[key] == pytest.approx(plain[key], abs=0.01), key


def test_over_range_leaves_no_figure_of_its_channel() -> None:
    counts = _white(channels=2)
    recording = _recording(counts, over_range=(0, 7))
    result = NOISE.analyse(recording, complete(NOISE, {}))
    assert result.channels[0].values["unweighted_dbfs"] is not None
    assert {value for key, value in result.channels[1].values.items() if key.endswith("_dbfs")} == {None}
    assert any("channel 2: over-range in 7" in line for line in result.warnings)
    for table in NOISE.tables(result):
        render_table(table)


@pytest.mark.parametrize(
    ("seconds", "options", "error", "says"),
    [
        (0.05, {}, SignalError, "capture"),
        (0.0, {}, SignalError, "no frames"),
        (1.0, {"low_hz": 0.5}, SignalError, "longer"),
        (1.0, {"low_hz": 30_000.0}, RequestError, "low_hz"),
        (1.0, {"low_hz": 300.0, "high_hz": 200.0}, RequestError, "low_hz"),
        (1.0, {"reference": "loud"}, RequestError, "reference"),
        (1.0, {"filter": "brown"}, RequestError, "filter"),
    ],
)
def test_what_can_not_be_told_is_refused(seconds: float, options: dict[str, Any], error: Any, says: str) -> None:
    with pytest.raises(error, match=says) as caught:
        _analysed(_white(seconds), **options)
    assert "\n" not in str(caught.value)


def test_clicks_are_counted_with_their_time() -> None:
    counts = _white(30.0, seed=12)
    for at_s in (3.0, 11.25, 20.5):
        counts[round(at_s * RATE_HZ), 0] += 0.05
    values = _analysed(counts).channels[0].values
    assert [row["time_s"] for row in values["events"]] == pytest.approx([3.0, 11.25, 20.5], abs=0.001)
    assert values["clicks_per_minute"] == pytest.approx(6.0)


def test_few_clicks_have_the_exact_interval_and_a_half_width_that_holds_it() -> None:
    counts = _white(30.0, seed=12)
    counts[round(11.25 * RATE_HZ), 0] += 0.05
    result = _analysed(counts)
    channel = result.channels[0]
    # One event: 0.0253 to 5.572 (E. S. Pearson and H. O. Hartley, Biometrika Tables, from memory; χ² below), in 30 s.
    low, high = (2.0 * 0.5 * chi2.ppf(tail, freedom) for tail, freedom in ((0.025, 2), (0.975, 4)))
    assert (low, high) == pytest.approx((2 * 0.0253, 2 * 5.572), rel=1e-3)
    assert channel.values["clicks_per_minute_interval"] == pytest.approx([low, high], rel=1e-9)
    assert channel.uncertainty["clicks_per_minute"] == pytest.approx(high - 2.0, rel=1e-9)
    text = " ".join("\n".join(render_table(table) for table in NOISE.tables(result)).split())
    assert "1 counted, 2 per minute; 95 % interval 0.051 to 11 (Poisson law" in text


def test_no_click_found_is_a_bound_not_a_zero(white: Result) -> None:
    channel = white.channels[0]
    assert channel.values["clicks"] == 0 and channel.bound["clicks_per_minute"] == "at most"
    assert "clicks_per_minute" not in channel.uncertainty
    # Poisson: none found excludes an expectation whose chance of none is below 5 % (closed form); 10 s were listened.
    assert math.exp(-channel.values["clicks_per_minute"] / 6.0) == pytest.approx(0.05, rel=0.02)


def test_dc_alone_has_no_lines_of_the_computers_rounding() -> None:
    values = _analysed(np.full((8 * 48_000, 1), round(0.1 * 2**23) / 2**23)).channels[0].values
    assert values["lines"] == []


# -- the bench's own noise -------------------------------------------------------------------------------------------


def test_the_benchs_own_noise_bounds_what_lies_near_it() -> None:
    own = _recording(_white(seed=4))
    options = complete(NOISE, {"reference": "1 V"})
    options["bench_noise"] = Attached(name="own.wav", sha256="0" * 64, recording=own)
    # 6 dB above the bench's own: at most. 20 dB above: a value, less what the bench has added
    # (1 − √(1 − 0.01) = 0.5 %, 0.044 dB), of which a quarter stays open.
    near = NOISE.analyse(_recording(_white(sigma=2e-3, seed=5)), options)
    assert near.channels[0].bound["unweighted_v_rms"] == "at most"
    assert near.channels[0].bound["snr_a_db"] == "at least"
    assert near.channels[0].values["bench_share_percent"] == pytest.approx(25.0, abs=1.0)
    assert any("25 %" in line for line in near.warnings)
    far = NOISE.analyse(_recording(_white(sigma=1e-2, seed=5)), options)
    assert "unweighted_v_rms" not in far.channels[0].bound
    plain = NOISE.analyse(_recording(_white(sigma=1e-2, seed=5)), {**options, "bench_noise": None})
    lower_db = plain.channels[0].values["unweighted_dbfs"] - far.channels[0].values["unweighted_dbfs"]
    # The bench's share of the power scatters by 1 % of itself.
    assert lower_db == pytest.approx(-10.0 * math.log10(1.0 - 0.01), rel=0.02)
    (open_db,) = [one for one in far.channels[0].budget["unweighted_dbfs"] if one.component == "noise of the bench"]
    assert open_db.half_width == pytest.approx(0.95 * lower_db / 4.0, rel=0.01)
    assert far.channels[0].values["bench_share_percent"] == pytest.approx(1.0, abs=0.1)


def test_hum_of_the_bench_itself_is_not_the_units() -> None:
    time_s = np.arange(480_000)[:, None] / RATE_HZ
    turns = 2 * np.pi * 50.0 * time_s
    own = _recording(_white(seed=6) + 5e-4 * np.sin(turns) + 1e-4 * np.sin(3 * turns))
    options = complete(NOISE, {})
    options["bench_noise"] = Attached(name="own.wav", sha256="", recording=own)
    captured = _white(seed=7) + 6e-4 * np.sin(turns) + 4e-3 * np.sin(2 * turns) + 1e-3 * np.sin(3 * turns)
    channel = NOISE.analyse(_recording(captured), options).channels[0]
    lines = {row["multiple"]: row for row in channel.values["hum"] if "bound" not in row}
    # ×1 is 1.6 dB over the bench's own (less than 3 dB); ×2 the bench has not; ×3 is 20 dB over it: as power
    # √(1 − 0.01) of 1e-3 (amplitudes scatter by 2e-6, 0.02 dB: four times that).
    assert {multiple: row["attributable"] for multiple, row in lines.items()} == {1: False, 2: True, 3: True}
    assert lines[1]["unit_bound"] == "at most"
    assert lines[3]["unit_level_dbfs"] == pytest.approx(20 * math.log10(1e-3 * math.sqrt(0.99)), abs=0.08)
    assert "rectifier ripple" in channel.values["hum_consistent_with"]
    text = "\n".join(render_table(table) for table in NOISE.tables(NOISE.analyse(_recording(captured), options)))
    assert "not attributable" in " ".join(text.split())  # wrapped to the width of a terminal


def test_a_capture_of_another_bench_is_refused() -> None:
    options = complete(NOISE, {})
    other = _recording(_white(1.0), conditions={"range": {"1": "50:1"}})
    options["bench_noise"] = Attached(name="own.wav", sha256="", recording=other)
    with pytest.raises(RequestError, match="ranges"):
        NOISE.analyse(_recording(_white(1.0), conditions={"range": {"1": "direct"}}), options)


# -- the whole road --------------------------------------------------------------------------------------------------

#: The shipped amplifier's description: gain, hum and noise at the open output, 0.16 Ω against 8 Ω.
_GAIN, _DIVIDER = 10 ** (27.0 / 20), 8.0 / 8.16
_HUM_V = {1: 60e-6, 2: 1.0e-4, 3: 20e-6, 4: 35e-6, 6: 15e-6}
#: White, in 20 kHz: at the input 2.2 µV and the muted card's 1 µV, both through the gain; 30 µV at the output; and the
#: card's own 4 µV at its input.
_WHITE_V = math.sqrt(((2.2e-6**2 + 1e-6**2) * _GAIN**2 + 3e-5**2) * _DIVIDER**2 + 4e-6**2)


def _direct(folder: Path, **more: Any) -> Path:
    return bench_file(folder, ('range = "50:1"', 'range = "direct"'), **more)


@pytest.fixture(scope="module")
def road(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, list[Recording], Path]:
    folder = tmp_path_factory.mktemp("road")
    kept: list[Recording] = []
    result = measure(
        "noise",
        bench=_direct(folder, rate_hz=48_000),
        captures=folder / "captures",
        reference="1 W; rated power; 5 mV in",
        rated_power="60 W",
    )
    return result, kept, folder


def test_the_simulated_amplifier_reads_as_it_is_described(road: tuple[Result, list[Recording], Path]) -> None:
    result, _, _ = road
    assert result.simulated
    left = result.channel(1)
    hum_v = {multiple: level * _DIVIDER for multiple, level in _HUM_V.items()}
    white_v = _WHITE_V * math.sqrt(19_980 / 20_000)
    expected = math.sqrt(white_v**2 + sum(level**2 for level in hum_v.values()))
    # Scatter 0.3 % (10 s); the calibration is exact here; the amplifier falls by 0.14 dB at 20 kHz (110 kHz corner).
    assert left.values["unweighted_v_rms"] == pytest.approx(expected, rel=0.01)
    assert left.values["mains_hz"] == pytest.approx(50.0 / (1 + 18e-6), abs=0.001)  # the card's clock is 18 ppm fast
    found = {row["multiple"]: row["level_v_rms"] for row in left.values["hum"] if "bound" not in row}
    assert found.keys() == hum_v.keys()
    for multiple, level in hum_v.items():
        # White noise scatters a line by 0.43 µV/√10 in 10 s: 0.14 µV; four times that.
        assert found[multiple] == pytest.approx(level, abs=0.6e-6)
    assert left.values["snr_db"] == pytest.approx(20 * math.log10(math.sqrt(8.0) / expected), abs=0.09)
    by = {(row["reference"], row["weighting"]): row["db"] for row in left.values["snr"]}
    # 60 W over 1 W is 17.78 dB.
    assert by["rated power (60 W)", "A"] - by["1 W", "A"] == pytest.approx(10 * math.log10(60), abs=1e-9)
    # The gain of the first look refers 5 mV to the output: 27 dB less the load's share, within 0.2 dB.
    assert by["5 mV in", "A"] - by["1 W", "A"] == pytest.approx(
        20 * math.log10(5e-3 * _GAIN * _DIVIDER / math.sqrt(8.0)), abs=0.2
    )
    assert left.values["bench_share_percent"] < 1.0
    assert left.values["clicks"] == 0


def test_its_capture_gives_the_same_again_from_the_disk(road: tuple[Result, list[Recording], Path]) -> None:
    result, _, folder = road
    (file,) = (folder / "captures").glob("*noise*.flac")
    again = analyze("noise", file, reference="1 W; rated power; 5 mV in", rated_power="60 W")
    assert [channel.as_json() for channel in again.channels] == [channel.as_json() for channel in result.channels]


def test_the_steps_of_a_quiet_16_bit_capture_are_no_clicks_on_the_disk_either(tmp_path: Path) -> None:
    # A converter without dither that stands at three steps of DC and toggles by one once a second; one true click.
    step = 1.0 / 32_767.0
    counts = np.full((240_000, 1), 3 * step)
    counts[24_000::48_000] += step
    counts[100_000] += 100 * step
    samples = from_fractions(counts, "int16")
    captured = _recording(to_fractions(samples, "int16"), v_rms_fs=None, resolution_fs=step)
    write_capture(tmp_path / "quiet.wav", samples, "int16", captured)
    live = NOISE.analyse(captured, complete(NOISE, {})).channels[0]
    assert [row["time_s"] for row in live.values["events"]] == pytest.approx([100_000 / RATE_HZ], abs=1e-3)
    assert live.as_json() == analyze("noise", tmp_path / "quiet.wav").channels[0].as_json()


def test_over_range_is_counted_once_however_often_the_disk_is_read(tmp_path: Path) -> None:
    counts = _white(6.0)
    counts[:96_000] = 0.0  # a gate: the file is read for its figures, for its gaps, and for the rest
    counts[200_000:200_004] = 1.0
    (line,) = (one for one in analyze("noise", _file(tmp_path, counts)).warnings if "over-range" in one)
    assert "over-range in 4 " in line


def test_nothing_louder_than_the_first_look_is_played(tmp_path: Path) -> None:
    from benches import Meddling

    bench = open_bench_file(_direct(tmp_path))
    meddling = Meddling(bench.interface)
    bench.interface = meddling  # type: ignore[assignment]
    with Session(bench) as session:
        session.measure(NOISE, {"duration_s": 1.0})
    assert meddling.streams == 2  # the first look and the silence: no level was set
    peaks = [float(np.max(np.abs(meddling.played_samples(stream)))) for stream in range(2)]
    assert 0 < peaks[1] <= peaks[0] * 1.001
    # Between the markers (0.41 s from the start, 0.16 s at the end) there is nothing at all.
    silent = meddling.played_samples(1)[round(0.42 * 96_000) : round(1.69 * 96_000)]
    assert len(silent) > 96_000 and not np.any(silent)


def test_behind_an_attenuator_it_is_at_most_and_the_way_out_is_said(tmp_path: Path) -> None:
    result = measure("noise", bench=bench_file(tmp_path, rate_hz=48_000), duration_s=3.0, reference="1 W")
    left = result.channel(1)
    # The card's 4 µV times 50 is 200 µV, beside the amplifier's own.
    assert left.bound["unweighted_v_rms"] == "at most" and left.bound["snr_a_db"] == "at least"
    own = math.sqrt(_WHITE_V**2 + sum((level * _DIVIDER) ** 2 for level in _HUM_V.values()))
    expected = 100 * 200e-6**2 / (200e-6**2 + own**2)
    assert left.values["bench_share_percent"] == pytest.approx(expected, abs=3.0)
    assert any("'50:1'" in line and "'direct'" in line for line in result.warnings)


def test_a_level_means_nothing_for_silence(tmp_path: Path) -> None:
    with Session(open_bench_file(_direct(tmp_path))) as session, pytest.raises(RequestError, match="plays nothing"):
        session.measure(NOISE, {}, output_level=Level(1.0, "W"))


def test_the_shipped_plan_holds_it_to_limits(tmp_path: Path, road: tuple[Result, list[Recording], Path]) -> None:
    text = shipped("examples", "plans", "power-amplifier-noise.toml").read_text(encoding="utf-8")
    path = tmp_path / "plan.toml"
    path.write_text(text.replace("at_most = 5e-4", "at_most = 1e-4", 1), encoding="utf-8")
    (step,) = read_plan(path).steps
    rows = judge_step(step, road[0])
    by = {(row.quantity, row.channel): row.verdict for row in rows}
    # 136 µV are more than 100 µV; 94 dB A are more than 75; hum of 120 µV is less than 500.
    assert {verdict for (quantity, _), verdict in by.items() if quantity == "unweighted_v_rms"} == {"fail"}
    assert {verdict for (quantity, _), verdict in by.items() if quantity != "unweighted_v_rms"} == {"pass"}
    assert len(by) == 8


def test_tables_and_charts_say_what_they_are(road: tuple[Result, list[Recording], Path]) -> None:
    result = road[0]
    text = "\n".join(render_table(table) for table in NOISE.tables(result))
    for words in ("A-weighted", "re 1 W", "re rated power (60 W)", "re 5 mV in", "ITU-R ARM", "Hum", "µV"):
        assert words in text
    density, bands = NOISE.charts(result)
    assert (density.y_label, bands.name) == ("Noise density at the output (nV/√Hz)", "third-octaves")
    assert all(view.simulated for view in (density, bands))
    hum = next(series for series in density.series if series.label == "hum, channel 1")
    assert hum.labels == ("×1", "×2", "×3", "×4", "×6")
    for number in (1, 2):
        plain, weighted = (
            next(one for one in density.series if one.label == f"channel {number}{ending}")
            for ending in ("", ", A-weighted")
        )
        at = min(range(len(plain.x)), key=lambda n: abs(plain.x[n] - 1000.0))
        assert weighted.y[at] == pytest.approx(plain.y[at], rel=0.01)  # A is 0 dB at 1 kHz, 0.07 dB within 2 %
    for view in (density, bands):
        chart_figure(view)


# -- the gain from an earlier result ----------------------------------------------------------------------------------


def _result_file(folder: Path, values: dict[str, Any], **conditions: Any) -> Path:
    data = {
        "measurement": "response",
        "sample_rate_hz": 48_000.0,
        "conditions": {"input_level_v_rms": 0.1, **conditions},
        "warnings": [],
        "channels": [{"channel": 1, **values}],
    }
    path = folder / "earlier.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    return path


@pytest.mark.wide
def test_the_gain_comes_from_an_earlier_response(tmp_path: Path) -> None:
    response = measure("response", bench=bench_file(tmp_path, rate_hz=48_000))
    path = tmp_path / "response.json"
    path.write_text(json.dumps(response.as_json()), encoding="utf-8")
    options = with_recordings(NOISE, complete(NOISE, {"gain_from": str(path), "reference": "5 mV in"}))
    values = NOISE.analyse(_recording(_white(1.0)), options).channels[0].values
    # The description: 27 dB, 0.16 Ω against 8 Ω; within the 0.5 % of the calibration, which is exact here.
    assert values["gain_db"] == pytest.approx(20 * math.log10(_GAIN * _DIVIDER), abs=0.01)
    expected = 20 * math.log10(5e-3 * _GAIN * _DIVIDER / values["a_weighted_v_rms"])
    assert values["snr_a_db"] == pytest.approx(expected, abs=0.01)


def test_volts_without_an_end_are_told_as_the_outputs_with_the_way_to_the_other() -> None:
    result = _analysed(_white(1.0), reference="5 mV; 5 mV in; 1 W", gain_db=20.0, load_ohm=8.0)
    text = " ".join("\n".join(render_table(table) for table in NOISE.tables(result)).split())
    assert "'5 mV out' is a level at the unit's output; one at its input is asked for as '5 mV in'" in text
    by = {row["reference"]: row["db"] for row in result.channels[0].values["snr"] if row["weighting"] == "A"}
    assert by["5 mV in"] - by["5 mV out"] == pytest.approx(20.0, abs=1e-9)  # the gain
    assert result.conditions["snr_references"]["5 mV out"].endswith("output")
    assert "is asked for" not in "".join(
        render_table(table) for table in NOISE.tables(_analysed(_white(1.0), reference="1 W", load_ohm=8.0))
    )


def test_the_gain_lies_between_the_points_around_1_khz(tmp_path: Path) -> None:
    lists = {"frequency_hz": [500.0, 2000.0], "gain_db": [30.0, 34.0], "gain_uncertainty_db": [0.1, 0.2]}
    options = complete(NOISE, {"gain_from": str(_result_file(tmp_path, lists))})
    values = NOISE.analyse(_recording(_white(1.0)), with_recordings(NOISE, options)).channels[0].values
    assert values["gain_db"] == pytest.approx(32.0, abs=1e-9)  # 1 kHz is half way over log frequency


@pytest.mark.parametrize(
    ("values", "conditions", "says"),
    [
        ({"frequency_hz": [20.0, 500.0], "gain_db": [30.0, 30.0]}, {}, "does not tell"),
        ({"frequency_hz": 6000.0, "gain_db": 30.0}, {}, "does not tell"),
        ({}, {}, "does not tell"),
        ({"frequency_hz": 1000.0, "gain_db": 30.0}, {"input_level_v_rms": None}, "in volts"),
        ({"frequency_hz": [500.0, 2e3], "gain_db": [0.0, 0.0]}, {"gain_reference": "0 dB at 1000 Hz"}, "in volts"),
    ],
)
def test_a_result_without_that_gain_is_refused(
    tmp_path: Path, values: dict[str, Any], conditions: dict[str, Any], says: str
) -> None:
    options = complete(NOISE, {"gain_from": str(_result_file(tmp_path, values, **conditions))})
    with pytest.raises(RequestError, match=says):
        NOISE.analyse(_recording(_white(1.0)), with_recordings(NOISE, options))


# -- files and commands ----------------------------------------------------------------------------------------------


def _file(folder: Path, counts_fs: NDArray[np.float64], name: str = "noise.wav") -> Path:
    samples = from_fractions(counts_fs, "int24")
    write_capture(folder / name, samples, "int24", _recording(to_fractions(samples, "int24"), v_rms_fs=None))
    return folder / name


def test_a_foreign_file_needs_no_stimulus_and_knows_no_volts(tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["analyze", "noise", str(_file(tmp_path, _white(2.0))), "--json"])
    assert done.exit_code == 0, done.output
    (channel,) = json.loads(done.stdout)["channels"]
    assert channel["unweighted_v_rms"] is None
    assert channel["unweighted_dbfs"] == pytest.approx(WHITE_DBFS + IN_BAND_DB, abs=2 * WHITE_DB)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--reference", "lots"], "reference"),
        (["--reference", "rated"], "--rated-power"),
        (["--low-hz", "300", "--high-hz", "200"], "--low-hz"),
        (["--duration-s", "5"], "duration"),
        (["--bench-noise", "none.wav"], "none.wav"),
        (["--gain-from", "none.json"], "none.json"),
        (["--filter", "brown"], "brown"),
        (["--bands", "wide"], "'wide' is no band"),
        (["--bands", " ; "], "no band"),
        (["--bands", "20k-20"], "below its high edge"),
        (["--bands", "0-20k"], "above 0 Hz"),
        (["--bands", "400-30k"], "sample rate of 60000 Hz or more"),
        (["--bands", "20-20k", "--band-edges", "18 dB/octave"], "give brick-wall edges"),
        (["--bands", "0.1-20k"], "can't be told from DC"),
    ],
)
def test_wrong_requests_are_one_line_and_two(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    file = str(_file(tmp_path, _white(1.0)))
    assert status_of(["analyze", "noise", file, *arguments]) == 2
    said = capsys.readouterr().err.strip()
    assert says in said and "\n" not in said
