"""Dynamic range: ideal quantizers against their closed forms, references, bounds by card, step and baseline, idle."""

from __future__ import annotations

import dataclasses
import json
import math
import subprocess
from typing import Any

import numpy as np
import pytest
import soundfile
from benches import bench_file
from reference_tables import rows

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.api import analyze, generate, measure
from audiomeas.measurement.attached import Attached
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.recording import Recording
from audiomeas.stimulus import Silence, ToneAndSilence, read_stimulus

RANGE = find("dynamic-range")
IDEAL = {int(row["bits"]): row for row in rows("quantizer_snr.csv")}


def quantized(
    bits: int, rate_hz: int, seconds: float, *, peak: float = 1e-3, dither: bool = True, seed: int = 1
) -> np.ndarray:
    """Return a tone of 997 Hz in codes of an ideal quantizer, with or without triangular dither."""
    generator = np.random.default_rng(seed)
    time = np.arange(round(seconds * rate_hz))
    codes = peak * 2.0 ** (bits - 1) * np.sin(2.0 * np.pi * 997.0 / rate_hz * time + 0.4)
    if dither:
        codes += generator.random(len(codes)) - generator.random(len(codes))
    return np.rint(codes)


def analysed(one: Recording, **options: Any) -> Result:
    return RANGE.analyse(one, complete(RANGE, options))


def recording(samples: np.ndarray, rate_hz: float = 48_000.0, **changes: Any) -> Recording:
    facts: dict[str, Any] = {
        "counts_fs": samples if samples.ndim == 2 else samples[:, None],
        "sample_rate_hz": rate_hz,
        "channels": (1,),
        "v_rms_at_full_scale": (None,),
        "over_range": (0,),
    }
    return Recording(**{**facts, **changes})


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize("bits", [16, 24])
def test_ideal_quantizers_with_dither_have_the_range_of_their_closed_form(bits, rate_hz, tmp_path):
    codes = quantized(bits, rate_hz, 8.0)
    path = tmp_path / "tone.wav"
    soundfile.write(path, (codes * 2.0 ** (32 - bits)).astype(np.int32), rate_hz, subtype=f"PCM_{bits}")
    result = analyze("dynamic-range", path, reference="capture", low_hz=1.0)
    values, (channel,) = IDEAL[bits], result.channels
    rate = {44_100: "44k1", 48_000: "48k"}[rate_hz]
    # The table counts CCIR-RMS to half the rate; the band ends at 20 kHz here, where it is −28 dB: 0.003 dB less.
    # Eight seconds of noise leave 0.03 dB (standard deviation); full scale is a code below 2^(bits − 1): 0.0003 dB.
    assert channel.values["dynamic_range_db"] == pytest.approx(float(values[f"snr_tpdf_fs{rate}_ccir_rms_db"]), abs=0.1)
    assert channel.values["dynamic_range_unweighted_db"] == pytest.approx(
        float(values[f"snr_tpdf_fs{rate}_20k_db"]), abs=0.08
    )
    assert channel.uncertainty["dynamic_range_db"] < 0.1
    assert "dynamic_range_db" not in channel.bound
    whole = analyze("dynamic-range", path, reference="capture", low_hz=1.0, high_hz=rate_hz / 2)
    assert whole.channels[0].values["dynamic_range_a_db"] == pytest.approx(
        float(values[f"snr_tpdf_fs{rate}_a_weighted_db"]), abs=0.08
    )


def test_half_widths_hold_nineteen_times_of_twenty():
    truth_db = float(IDEAL[16]["snr_tpdf_fs48k_ccir_rms_db"]) + 0.003  # 20 kHz instead of half the rate
    inside = 0
    for seed in range(60):
        counts = quantized(16, 48_000, 1.0, seed=seed) / 32_767.0
        channel = analysed(recording(counts, resolution_fs=1.0 / 32_767.0), reference="capture").channels[0]
        inside += abs(channel.values["dynamic_range_db"] - truth_db) <= channel.uncertainty["dynamic_range_db"]
    # Binomial, 60 at 0.95: 57 ± 1.7; below 51 twice in a thousand.
    assert inside >= 51


def test_the_tone_that_is_raised_is_the_reference_without_any_other():
    generator = np.random.default_rng(2)
    time = np.arange(3 * 48_000)
    # Full scale unknown: a player's output captured at some gain. White noise of density n gives n·√20 kHz.
    tone = 2e-4 * np.sin(2 * np.pi * 997.0 / 48_000 * time)
    noise = 1e-6 * generator.standard_normal(len(time))
    channel = analysed(recording(tone + noise)).channels[0]
    expected_db = 60.0 + 20.0 * math.log10(2e-4 / math.sqrt(2.0) / (1e-6 * math.sqrt(19_980.0 / 24_000.0)))
    assert channel.values["dynamic_range_unweighted_db"] == pytest.approx(expected_db, abs=0.07)
    other = analysed(recording(tone + noise), fall_db=40.0).channels[0]
    assert other.values["dynamic_range_unweighted_db"] == pytest.approx(expected_db - 20.0, abs=0.07)


def test_a_stated_maximum_level_is_the_reference():
    generator = np.random.default_rng(2)
    time = np.arange(2 * 48_000)
    samples = 1e-3 * np.sin(2 * np.pi * 997.0 / 48_000 * time) + 1e-6 * generator.standard_normal(len(time))
    one = recording(samples, v_rms_at_full_scale=(4.0,), scale_uncertainty=(0.01,))
    plain = analysed(one).channels[0]
    assert plain.values["reference_v_rms"] == pytest.approx(4.0, rel=1e-4)  # −60 dBFS, raised by 60 dB
    stated = analysed(one, maximum_level="2 V")
    # Half the volts: 6.02 dB less, and the scale's 1 % is 0.087 dB now that volts are compared with volts.
    less_db = plain.values["dynamic_range_db"] - stated.channels[0].values["dynamic_range_db"]
    assert less_db == pytest.approx(20.0 * math.log10(2.0), abs=1e-3)
    assert stated.channels[0].uncertainty["dynamic_range_db"] > 0.086
    assert any("+6.0 dB from the maximum level" in words for words in stated.warnings)
    with pytest.raises(RequestError, match="calibrat"):
        analysed(recording(samples), maximum_level="2 V")
    with pytest.raises(RequestError, match="load"):
        analysed(one, maximum_level="60 W")
    with pytest.raises(RequestError, match="two references"):
        analysed(one, maximum_level="2 V", reference="capture")


def tone_and_silence(**changes: Any) -> ToneAndSilence:
    facts = {"frequency_hz": 997.0, "window_s": 1.0, "idle_s": 1.0, "level_v_rms": 1e-3, "sample_rate_hz": 48_000.0}
    return ToneAndSilence.bin_centred(**{**facts, "fall_db": 60.0, **changes})


def with_silence(played: ToneAndSilence, noise: np.ndarray, **changes: Any) -> Recording:
    return recording(
        (played.samples_v() + noise) / math.sqrt(2.0),
        v_rms_at_full_scale=(1.0,),
        stimulus=played,
        stimulus_start=0,
        stimulus_in_volts=True,
        shared_clock=True,
        **changes,
    )


def test_idle_noise_is_told_beside_and_a_unit_that_mutes_is_named():
    played = tone_and_silence()
    noise = 1e-5 * np.random.default_rng(4).standard_normal(played.frames)
    steady = analysed(with_silence(played, noise))
    values = steady.channels[0].values
    expected_db = 20.0 * math.log10(1e-5 * math.sqrt(19_980.0 / 24_000.0))
    # One second of 20 kHz leaves 0.04 dB (standard deviation).
    assert values["idle_unweighted_dbfs"] == pytest.approx(expected_db, abs=0.15)
    assert values["idle_unweighted_v_rms"] == pytest.approx(10.0 ** (expected_db / 20.0), rel=0.02)
    assert values["idle_unweighted_below_db"] == pytest.approx(-expected_db, abs=0.15)
    assert not any("mutes" in words for words in steady.warnings)
    noise[played.windows()[0].stop + 4000 :] *= 0.01
    muted = analysed(with_silence(played, noise))
    assert muted.channels[0].values["idle_unweighted_dbfs"] == pytest.approx(expected_db - 40.0, abs=0.15)
    assert muted.channels[0].values["dynamic_range_db"] == pytest.approx(values["dynamic_range_db"], abs=1e-9)
    assert any("40 dB below the noise beside the tone" in words for words in muted.warnings)


def test_hum_in_the_silence_counts_as_what_it_is():
    played = tone_and_silence(idle_s=4.0)
    time = np.arange(played.frames) / 48_000.0
    noise = 1e-6 * np.random.default_rng(4).standard_normal(played.frames)
    hum = math.sqrt(2.0) * (3e-5 * np.sin(2 * np.pi * 49.98 * time) + 4e-5 * np.sin(2 * np.pi * 149.94 * time))
    channel = analysed(with_silence(played, noise + hum)).channels[0]
    # 30 µV and 40 µV make 50 µV; noise adds 0.02 %.
    assert channel.values["idle_unweighted_v_rms"] == pytest.approx(5e-5, rel=1e-3)
    assert channel.uncertainty["idle_unweighted_dbfs"] < 0.02


def test_digital_silence_is_a_bound_by_the_step():
    played = tone_and_silence()
    step = 2.0**-15
    noise = np.zeros(played.frames)
    noise[: played.windows()[0].stop + 3000] = step * np.random.default_rng(4).standard_normal(
        played.windows()[0].stop + 3000
    )
    channel = analysed(with_silence(played, noise, resolution_fs=1.0 / 32_767.0)).channels[0]
    assert channel.bound["idle_ccir_dbfs"] == "at most"
    assert channel.bound["idle_ccir_below_db"] == "at least"
    # What rounding makes is q²/12 (Bennett): −98.1 dB re a full-scale sine in half the rate; the bound lies not below,
    # and not more than 3 dB above.
    assert -98.1 - 1.0 < channel.values["idle_unweighted_dbfs"] < -98.1 + 3.0


def test_the_step_of_the_capture_makes_a_bound_unless_it_is_the_units_own():
    counts = quantized(16, 48_000, 2.0) / 32_767.0
    one = recording(counts, resolution_fs=1.0 / 32_767.0)
    assert analysed(one, reference="capture").channels[0].bound == {}
    result = analysed(one)
    assert result.channels[0].bound["dynamic_range_db"] == "at least"
    # q²/12 of q²/4: a third.
    assert result.channels[0].values["bench_share_percent"] == pytest.approx(100.0 / 3.0, rel=0.03)
    assert any("use reference 'capture'" in words for words in result.warnings)


def test_the_cards_stated_noise_makes_a_bound_and_names_the_range():
    generator = np.random.default_rng(2)
    time = np.arange(2 * 48_000)
    samples = 1e-3 * np.sin(2 * np.pi * 997.0 / 48_000 * time) + 1e-6 * generator.standard_normal(len(time))
    noise_v_rms = 4.0 * math.sqrt(2.0) * 1e-6 * math.sqrt(19_980.0 / 24_000.0)
    for part, bound in ((0.5, "at least"), (0.2, None)):  # a quarter and a twenty-fifth of the power
        conditions = {"card_noise_v_rms": {"1": part * noise_v_rms}, "quietest_range": {"1": "direct"}}
        result = analysed(recording(samples, v_rms_at_full_scale=(4.0,), conditions=conditions))
        channel = result.channels[0]
        assert channel.bound.get("dynamic_range_db") == bound
        # White noise has the same share under each weighting.
        assert channel.values["bench_share_percent"] == pytest.approx(100.0 * part**2, rel=0.05)
        assert any("'direct'" in words for words in result.warnings) == (bound is not None)


def test_a_baseline_makes_a_bound_where_it_is_near():
    time = np.arange(2 * 48_000)
    tone = 1e-3 * np.sin(2 * np.pi * 997.0 / 48_000 * time)
    bench = tone + 1e-6 * np.random.default_rng(1).standard_normal(len(time))
    for unit_noise, bound in ((1e-6, "at least"), (1e-5, None)):
        own = bench + unit_noise * np.random.default_rng(2).standard_normal(len(time))
        filled = complete(RANGE, {}) | {"baseline": Attached(name="b.wav", sha256="0", recording=recording(bench))}
        channel = RANGE.analyse(recording(own), filled).channels[0]
        assert channel.bound.get("dynamic_range_db") == bound
        share = 100.0 / (1.0 + (unit_noise / 1e-6) ** 2)
        assert channel.values["bench_share_percent"] == pytest.approx(share, rel=0.08)
    other = dataclasses.replace(recording(bench), sample_rate_hz=44_100.0)
    filled = complete(RANGE, {}) | {"baseline": Attached(name="b.wav", sha256="0", recording=other)}
    with pytest.raises(SignalError, match=r"b\.wav has another sample rate"):
        RANGE.analyse(recording(bench), filled)


def test_a_generated_tone_and_its_silence_are_found_in_a_foreign_capture(tmp_path):
    path = generate(tone_and_silence(), tmp_path / "quiet.wav", sample_format="int16", dither=True)
    codes, rate_hz = soundfile.read(path, dtype="int16")
    soundfile.write(tmp_path / "copy.wav", codes[1234:], rate_hz, subtype="PCM_16")
    result = analyze("dynamic-range", tmp_path / "copy.wav", stimulus=path, reference="capture")
    values = result.channels[0].values
    ideal_db = float(IDEAL[16]["snr_tpdf_fs48k_ccir_rms_db"])
    # One second, and 0.6 s of silence: 0.08 and 0.1 dB (standard deviation).
    assert values["dynamic_range_db"] == pytest.approx(ideal_db, abs=0.3)
    assert values["idle_ccir_below_db"] == pytest.approx(ideal_db, abs=0.4)


def test_on_the_bench_the_noise_of_the_demo_amplifier_is_that_of_its_description(tmp_path):
    bench = bench_file(tmp_path, ('range = "50:1"', 'range = "direct"'), rate_hz=48_000)
    result = measure("dynamic-range", bench=bench, input_level="20 mV", idle_s=1.0)
    assert result.simulated
    channel, gain = result.channels[0], 10.0 ** (27.0 / 20.0)
    # Its description: 2.2 µV at the input, 30 µV at the output, in 20 kHz; the card's output adds 1 µV, its input 4 µV;
    # the load divides by 8.16/8; hum of 60, 100, 20, 35 and 15 µV.
    white = math.hypot(gain * math.hypot(2.2e-6, 1e-6), 3e-5) * math.sqrt(19_980.0 / 20_000.0)
    hum = math.hypot(60e-6, 1e-4, 20e-6, 35e-6, 15e-6)
    expected = math.hypot(math.hypot(white, hum) * 8.0 / 8.16, 4e-6)
    # Leakage and distortion of the quiet tone add nothing; noise leaves 0.5 %, scales 0.5 % and 0.2 %.
    assert channel.values["residual_unweighted_v_rms"] == pytest.approx(expected, rel=0.03)
    assert channel.values["idle_unweighted_v_rms"] == pytest.approx(expected, rel=0.03)
    tone = 20e-6 * gain * 8.0 / 8.16
    assert channel.values["tone_v_rms"] == pytest.approx(tone, rel=0.01)
    assert channel.values["dynamic_range_unweighted_db"] == pytest.approx(
        20.0 * math.log10(1000.0 * tone / expected), abs=0.3
    )
    assert channel.bound == {}
    assert result.conditions["idle_s"] == 1.0


def test_a_range_for_full_power_makes_a_bound_on_the_bench(tmp_path):
    bench = bench_file(tmp_path, rate_hz=48_000)
    result = measure("dynamic-range", bench=bench, input_level="20 mV", window_s=0.5, idle_s=0.5)
    assert result.channels[0].bound["dynamic_range_db"] == "at least"
    assert any("'direct'" in words for words in result.warnings)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"frequency_hz": 30_000.0}, "can't be played"),
        ({"frequency_hz": 997.0, "high_hz": 900.0}, "outside"),
        ({"reference": "capture", "maximum_level": "2 V"}, "two references"),
    ],
)
def test_what_can_never_be_told_is_refused_before_any_sound(options, words):
    context = PlayContext(sample_rate_hz=48_000.0, channels=(1, 2), input_level_v_rms=1.0)
    with pytest.raises(RequestError, match=words):
        RANGE.check(context, complete(RANGE, options))


def test_captures_that_hold_no_quiet_tone_are_refused():
    silence = Silence(duration_s=1.0, sample_rate_hz=48_000.0, driven_channels=(1,))
    with pytest.raises(SignalError, match="stimulus of this capture is 'silence'"):
        analysed(recording(silence.samples_v(), stimulus=silence))
    with pytest.raises(SignalError, match="silence: there is no tone"):
        analysed(recording(np.zeros(48_000)))
    with pytest.raises(SignalError, match="no tone stands out"):
        analysed(recording(np.random.default_rng(1).standard_normal(48_000) * 0.01))
    with pytest.raises(SignalError, match="no frames"):
        analysed(recording(np.zeros(0)))


def test_the_stimulus_plays_below_the_level_and_is_read_back():
    context = PlayContext(sample_rate_hz=48_000.0, channels=(2,), input_level_v_rms=0.5)
    made = RANGE.stimulus(context, complete(RANGE, {"fall_db": 40.0, "idle_s": 1.5}))
    assert made.level_v_rms == pytest.approx(0.005)
    tone, idle = made.windows()
    assert (tone.frequency_hz, idle.frequency_hz, idle.level_v_rms) == (997.0, None, None)
    samples = made.samples_v()
    assert len(samples) == made.frames
    assert np.max(np.abs(samples)) <= made.peak_v
    assert np.std(samples[tone.start : tone.stop]) == pytest.approx(0.005)
    assert not np.any(samples[idle.start : idle.stop])
    assert idle.stop - idle.start == 72_000
    again = read_stimulus(json.loads(json.dumps(made.facts())))
    assert again == made
    for wrong in ({"idle_s": 0.0}, {"idle_s": math.nan}, {"fall_db": math.inf}, {"frequency_hz": -1.0}):
        with pytest.raises(RequestError):
            read_stimulus({**made.facts(), **wrong})


def test_views_are_the_same_from_a_stored_result():
    played = tone_and_silence()
    result = analysed(with_silence(played, 1e-5 * np.random.default_rng(4).standard_normal(played.frames)))
    stored = result_from_json(json.loads(json.dumps(result.as_json(), allow_nan=False)))
    assert RANGE.tables(stored) == RANGE.tables(result)
    assert RANGE.charts(stored) == RANGE.charts(result)
    assert RANGE.charts(result)[0].y_label == "Level of lines (dB re the largest level)"


@pytest.mark.sox
def test_16_bits_that_sox_dithered_have_the_range_of_the_closed_form(need, tmp_path):
    path = tmp_path / "sox.wav"
    # sox dithers what it rounds to 16 bits, triangular by default (its manual page).
    command = [
        need("sox"),
        "-R",
        "-n",
        "-r",
        "48000",
        "-b",
        "16",
        str(path),
        "synth",
        "6",
        "sine",
        "997",
        "gain",
        "-60",
    ]
    subprocess.run(command, check=True, timeout=60, capture_output=True)
    channel = analyze("dynamic-range", path, reference="capture").channels[0]
    # Six seconds leave 0.035 dB (standard deviation).
    ideal_db = float(IDEAL[16]["snr_tpdf_fs48k_ccir_rms_db"])
    assert channel.values["dynamic_range_db"] == pytest.approx(ideal_db, abs=0.12)
    assert channel.values["tone_dbfs"] == pytest.approx(-60.0, abs=0.01)


def test_a_tone_that_is_not_where_it_should_be_is_said():
    counts = quantized(16, 48_000, 2.0, peak=10.0 ** (-50.0 / 20.0)) / 32_767.0
    result = analysed(recording(counts, resolution_fs=1.0 / 32_767.0), reference="capture")
    assert any("lies at −50.0 dBFS, not at −60 dBFS" in words for words in result.warnings)
    # Raised by 60 dB it would lie 10 dB above full scale: a file without its stimulus can't tell.
    assert any("lies 10.0 dB above full scale" in words for words in analysed(recording(counts)).warnings)


def test_an_undriven_channel_and_over_range_are_told_nothing_of():
    played = tone_and_silence(driven_channels=(1,))
    one = with_silence(played, 1e-5 * np.random.default_rng(4).standard_normal(played.frames))
    two = dataclasses.replace(
        one,
        counts_fs=np.repeat(one.counts_fs, 2, axis=1),
        channels=(1, 2),
        v_rms_at_full_scale=(1.0, 1.0),
        over_range=(0, 0),
    )
    result = analysed(two)
    assert result.channel(2).values["dynamic_range_db"] is None
    assert any("channel 2 was not driven" in words for words in result.warnings)
    with pytest.raises(SignalError, match="over-range"):
        analysed(dataclasses.replace(one, over_range=(9,)))


@pytest.mark.parametrize("part", [slice(0, 12_000), slice(20_000, 30_000), slice(36_000, 48_000)])
def test_a_gate_within_the_silence_is_said_and_not_averaged_over(part):
    played = tone_and_silence()
    noise = 1e-5 * np.random.default_rng(4).standard_normal(played.frames)
    idle = played.windows()[1]
    noise[idle.start + part.start : idle.start + part.stop] = 0.0
    result = analysed(with_silence(played, noise))
    assert result.channels[0].values["idle_ccir_dbfs"] is None
    assert result.channels[0].values["dynamic_range_db"] is not None
    seconds = (part.stop - part.start) / 48_000.0
    assert any(f"{seconds:.2f} s of the silence are exact zeros" in words for words in result.warnings)
