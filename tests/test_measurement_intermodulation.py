"""Intermodulation and multitone end to end: simulated units of known coefficients through the session, and files."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from benches import bench_file

from audiomeas.bench.opened import open_bench_file
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.api import analyze, generate
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import result_from_json
from audiomeas.measurement.session import Session
from audiomeas.present.tables import render_table
from audiomeas.recording import Recording, write_audio
from audiomeas.simulation.unit import read_unit
from audiomeas.stimulus import Multitone, Sine, SquarePlusSine, TwinTone
from audiomeas.units import Level

RATE_HZ = 48_000.0
GAIN = 10.0
A2, A3 = 2e-4, -1e-4

UNIT = f"""
kind = "power amplifier"
maker = "Demo"
model = "Bent amplifier"
serial = "D-0042"

[[channel]]
gain_db = 20.0
second_order_per_v = {A2}
third_order_per_v2 = {A3}
leakage_db = -60.0

[[channel]]
gain_db = 20.0
leakage_db = -70.0
"""


@pytest.fixture
def session(tmp_path):
    (tmp_path / "bent.toml").write_text(UNIT)
    with Session(open_bench_file(bench_file(tmp_path, unit="bent.toml", rate_hz=48_000))) as opened:
        yield opened


def measured(session, word, level="0.5", channels=None, **options):
    return session.measure(find(word), options, input_level=Level(float(level), "V"), channels=channels)


def test_modulation_of_a_simulated_amplifier_at_a_level(session):
    """y = v + a₂v² + a₃v³ of two tones with the peak of a sine of 0.5 V, ten times amplified (closed form)."""
    result = measured(session, "intermodulation")
    low, high = (GAIN * 0.5 * math.sqrt(2.0) * part for part in (0.8, 0.2))
    f2 = high + 0.75 * A3 * high**3 + 1.5 * A3 * low**2 * high
    d2, d3 = 2 * abs(A2) * low * high / f2, 2 * abs(0.75 * A3) * low**2 * high / f2
    bent = result.channel(1)
    # The card's noise leaves the sidebands known to 0.1 % (second order) and 0.2 % (third), its filters less.
    assert bent.values["d2_percent"] == pytest.approx(100 * d2, rel=2e-3)
    assert bent.values["d3_percent"] == pytest.approx(100 * d3, rel=4e-3)
    assert bent.values["imd_percent"] == pytest.approx(100 * math.hypot(d2, d3), rel=2e-3)
    assert bent.values["imd_db"] == pytest.approx(20 * math.log10(math.hypot(d2, d3)), abs=0.02)
    assert bent.values["imd_db"] - bent.values["imd_rss_db"] == pytest.approx(3.0103, abs=0.01)
    assert abs(bent.values["imd_percent"] - 100 * math.hypot(d2, d3)) < 3 * bent.uncertainty["imd_percent"] + 2e-4
    assert bent.values["high_level_v_rms"] == pytest.approx(f2 / math.sqrt(2), rel=2e-3)
    assert bent.values["tone_ratio"] == pytest.approx(4.0, rel=0.01)
    straight = result.channel(2)
    assert straight.values["imd_percent"] < 0.02 * bent.values["imd_percent"]
    assert result.simulated
    assert result.conditions["method"] == "modulation"


def test_the_contract_of_the_json(session):
    result = measured(session, "intermodulation", method="difference", channels=(1,))
    data = json.loads(json.dumps(result.as_json(), allow_nan=False))
    driven, silent = data["channels"]
    assert driven["method"] == "difference"
    v = GAIN * 0.5 * math.sqrt(2.0) / 2
    f = v + 2.25 * A3 * v**3
    assert driven["imd_percent"] == pytest.approx(100 * math.hypot(A2 * v**2, 1.5 * A3 * v**3) / (2 * f), rel=5e-3)
    by_term = {row["term"]: row for row in driven["products"]}
    assert by_term["f2 − f1"]["order"] == 2
    assert by_term["f2 − f1"]["frequency_hz"] == pytest.approx(1000.0, abs=1e-3)
    assert by_term["f2 − f1"]["level_db"] == pytest.approx(20 * math.log10(A2 * v**2 / (2 * f)), abs=0.02)
    assert by_term["2·f1 − f2"]["counted"] and by_term["2·f2 − f1"]["counted"]
    assert set(silent) >= {"method", "imd_percent", "imd_db", "products"}
    assert silent["imd_percent"] is None and silent["products"] == []
    assert any("channel 2 was not driven" in line for line in data["warnings"])
    again = result_from_json(data)
    measurement = find("intermodulation")
    assert [table.title for table in measurement.tables(again)] == [table.title for table in measurement.tables(result)]
    for table in measurement.tables(again):
        assert "nan" not in render_table(table, colour=False)
    (chart,) = measurement.charts(again)
    assert chart.simulated
    (points,) = (series for series in chart.series if series.role == "points")
    assert "f2 − f1" in points.labels
    at = points.labels.index("f2 − f1")
    spectrum = next(series for series in chart.series if series.role == "line")
    nearest = int(np.argmin(np.abs(np.array(spectrum.x) - points.x[at])))
    assert points.y[at] == pytest.approx(spectrum.y[nearest], abs=0.3)  # the point stands on the tip of its line


def test_transient_form_with_its_warning(session):
    result = measured(session, "intermodulation", method="transient")
    assert any("96000 Hz or more" in line for line in result.warnings)
    counted = [row for row in result.channel(1).values["products"] if row["counted"]]
    assert sorted(round(row["frequency_hz"]) for row in counted) == [
        750,
        2400,
        3900,
        5550,
        7050,
        8700,
        10200,
        11850,
        13350,
    ]
    assert result.channel(1).values["imd_db"] > result.channel(2).values["imd_db"] + 20


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"method": "pair"}, "needs low_frequency_hz"),
        ({"method": "difference", "ratio": 2.0}, "does not fit"),
        ({"method": "modulation", "low_frequency_hz": 5000.0}, "does not fit"),
        ({"method": "loudness"}, "not one of"),
        ({"method": "difference", "high_frequency_hz": 30_000.0}, "30000 Hz|can't be played"),
        ({"highest_order": 12}, "at most 9"),
    ],
)
def test_requests_that_make_no_sense_are_refused_before_any_sound(session, options, words):
    with pytest.raises(RequestError, match=words):
        measured(session, "intermodulation", **options)


def test_a_pair_of_ones_own(session):
    result = measured(
        session, "intermodulation", method="pair", low_frequency_hz=3000.0, high_frequency_hz=4100.0, ratio=2.0
    )
    one = result.channel(1)
    assert one.values["low_frequency_hz"] == pytest.approx(3000.0, abs=0.01)
    v1, v2 = (GAIN * 0.5 * math.sqrt(2.0) * part for part in (2 / 3, 1 / 3))
    second = math.sqrt(2) * A2 * v1 * v2
    third = math.sqrt(2) * 0.75 * abs(A3) * math.hypot(v1**2 * v2, v1 * v2**2)
    reference = math.hypot(
        v1 + 0.75 * A3 * v1**3 + 1.5 * A3 * v1 * v2**2, v2 + 0.75 * A3 * v2**3 + 1.5 * A3 * v2 * v1**2
    )
    assert one.values["d2_percent"] == pytest.approx(100 * second / reference, rel=5e-3)
    assert one.values["d3_percent"] == pytest.approx(100 * third / reference, rel=5e-3)


# -- captures made elsewhere -----------------------------------------------------------------------------------------


def capture(signals, stimulus=None, **rest):
    samples = np.stack(signals, axis=1)
    channels = tuple(range(1, len(signals) + 1))
    return Recording(
        counts_fs=samples,
        sample_rate_hz=RATE_HZ,
        channels=channels,
        v_rms_at_full_scale=(None,) * len(channels),
        stimulus=stimulus,
        **rest,
    )


def off_clock(low_hz, high_hz, low, high, scale=1.0002, seconds=3.0):
    """Lines of y = x + 0.01·x² + 0.01·x³ up to order 3, with half a second of silence and fades around, 200 ppm off."""
    frames = round(seconds * RATE_HZ)
    a2 = a3 = 0.01
    lines = {
        low_hz: low + 0.75 * a3 * low**3 + 1.5 * a3 * low * high**2,
        high_hz: high + 0.75 * a3 * high**3 + 1.5 * a3 * high * low**2,
        high_hz - low_hz: a2 * low * high,
        high_hz + low_hz: a2 * low * high,
        high_hz - 2 * low_hz: 0.75 * a3 * low**2 * high,
        high_hz + 2 * low_hz: 0.75 * a3 * low**2 * high,
    }
    total = np.zeros(frames)
    for at, (hz, peak) in enumerate(lines.items()):
        total += peak * np.sin(2 * np.pi * np.remainder(np.arange(frames) * (hz * scale / RATE_HZ), 1.0) + at)
    ramp = np.clip(np.arange(frames) / 4800, 0, 1)
    silence = np.zeros(24_000)
    return 0.9 * np.concatenate([silence, total * ramp * ramp[::-1], silence])


def analysed(word, recording, **options):
    measurement = find(word)
    return measurement.analyse(recording, complete(measurement, options, stage="analyse"))


def test_a_capture_by_another_clock_with_silence_around():
    generator = np.random.default_rng(8)
    twin = TwinTone.bin_centred(low_hz=60.0, high_hz=7000.0, ratio=4.0, level_v_rms=1.0, sample_rate_hz=RATE_HZ)
    signal = off_clock(60.0, 7000.0, 0.8, 0.2)
    signal = signal + 1e-6 * generator.standard_normal(len(signal))
    known = analysed("intermodulation", capture([signal], twin))
    unknown = analysed("intermodulation", capture([signal]))
    assert known.conditions["clock_offset_ppm"] == pytest.approx(200.0, abs=0.01)
    for result in (known, unknown):
        # definitions.md section 2.1: 1.84761 %, to its last digit.
        assert result.channel(1).values["imd_percent"] == pytest.approx(1.84761, abs=2e-5)
        assert result.channel(1).values["imd_rss_percent"] == pytest.approx(1.30646, abs=2e-5)
        assert result.channel(1).values["high_frequency_hz"] == pytest.approx(7001.4, abs=1e-4)
        assert result.channel(1).values["low_level_v_rms"] is None  # no calibration
        assert 2.5 < result.conditions["analysed_s"] < 3.0
    assert "clock_offset_ppm" not in unknown.conditions


def test_methods_and_stimuli_must_fit():
    twin = TwinTone.bin_centred(low_hz=60.0, high_hz=7000.0, ratio=4.0, level_v_rms=1.0, sample_rate_hz=RATE_HZ)
    signal = off_clock(60.0, 7000.0, 0.8, 0.2)
    with pytest.raises(SignalError, match="does not fit what was played"):
        analysed("intermodulation", capture([signal], twin), method="difference")
    with pytest.raises(SignalError, match="stimulus of this capture is 'sine'"):
        sine = Sine(frequency_hz=1000.0, level_v_rms=1.0, sample_rate_hz=RATE_HZ)
        analysed("intermodulation", capture([signal], sine))
    with pytest.raises(SignalError, match="or neither"):
        analysed("intermodulation", capture([signal]), method="pair", low_frequency_hz=60.0)
    assert analysed("intermodulation", capture([signal]), method="pair").channel(1).values["imd_percent"] > 0


def test_a_gap_and_over_range_are_never_measured():
    signal = off_clock(60.0, 7000.0, 0.8, 0.2)
    gapped = signal.copy()
    gapped[70_000:70_400] = 0.0
    with pytest.raises(SignalError, match="gap of 400 frames of exact zeros near"):
        analysed("intermodulation", capture([gapped]))
    result = analysed("intermodulation", capture([signal, signal], over_range=(0, 12)))
    assert result.channel(2).values["imd_percent"] is None
    assert any("channel 2: over-range in 12" in line for line in result.warnings)
    with pytest.raises(SignalError, match=r"channel 1: .*silence"):
        analysed("intermodulation", capture([np.zeros(96_000)]))
    with pytest.raises(SignalError, match="no frames"):
        analysed("intermodulation", capture([np.zeros(0)]))


@pytest.mark.parametrize(
    "stimulus",
    [
        TwinTone.bin_centred(low_hz=250.0, high_hz=8000.0, ratio=4.0, level_v_rms=0.5, sample_rate_hz=RATE_HZ),
        TwinTone.bin_centred(low_hz=19_000.0, high_hz=20_000.0, level_v_rms=0.5, sample_rate_hz=RATE_HZ),
        SquarePlusSine.bin_centred(level_v_rms=0.5, sample_rate_hz=RATE_HZ),
    ],
    ids=["modulation-din", "difference", "transient"],
)
def test_a_generated_file_is_analysed_by_its_own_method(tmp_path, stimulus, request):
    """A perfect cable: nothing above what 24 bits leave (one second of quantizing noise: below −150 dB a line)."""
    path = generate(stimulus, tmp_path / "pair.wav")
    result = analyze("intermodulation", path)
    for channel in result.channels:
        assert channel.values["method"] == request.node.callspec.id
        assert channel.values["imd_db"] is None or channel.values["imd_db"] < -130
    # Cut out and saved elsewhere: the sidecar is gone, the stimulus is named, its place is not known.
    plain = tmp_path / "elsewhere.wav"
    write_audio(
        plain, np.round(stimulus.samples_v()[:, None] / math.sqrt(2) * 32767).astype(np.int16), "int16", RATE_HZ
    )
    again = analyze("intermodulation", plain, stimulus=path)
    assert again.channel(1).values["method"] == request.node.callspec.id
    assert again.channel(1).values["imd_db"] < -85  # 16 bits


# -- multitone -------------------------------------------------------------------------------------------------------


def test_multitone_of_a_simulated_amplifier(session, tmp_path):
    """Gain and leakage by the unit's own description: −60 and −70 dB at 1 kHz, rising by 6 dB an octave."""
    result = measured(session, "multitone", level="0.05", tones=12)
    unit = read_unit(tmp_path / "bent.toml")
    for channel, leakage_db in ((1, -60.0), (2, -70.0)):
        values = result.channel(channel).values
        frequency_hz = np.array(values["frequency_hz"])
        gain_db = 20 * np.log10(np.abs(unit.gain_at_hz(channel, frequency_hz, load_ohm=8.0)))
        # The card's coupling capacitors take 0.01 dB at 17 Hz; a₃ compresses by less than 0.01 dB at this level.
        assert np.array(values["gain_db"]) == pytest.approx(gain_db, abs=0.02)
        leaked_hz = np.array(values["crosstalk_frequency_hz"])
        clear = (leaked_hz > 800.0) & (leaked_hz < 15_000.0)
        assert np.count_nonzero(clear) >= 4
        ratio = leaked_hz / 1000.0
        corner = np.sqrt((1 + (1000.0 / 200_000.0) ** 2) / (1 + (leaked_hz / 200_000.0) ** 2))
        wanted_db = leakage_db + 20 * np.log10(ratio * corner)
        crosstalk_db = np.array(values["crosstalk_db"])
        assert not any(bound for bound, is_clear in zip(values["crosstalk_bound"], clear, strict=True) if is_clear)
        half_db = np.array([half or 0.0 for half in values["crosstalk_uncertainty_db"]])
        assert np.all(np.abs(crosstalk_db - wanted_db)[clear] < 2.0 * half_db[clear] + 0.02)
        assert np.all(crosstalk_db < 0.0)
    # The bent channel shows more between its tones than the straight one.
    one, two = (result.channel(channel).values["distortion_and_noise_db"] for channel in (1, 2))
    assert one > two - 1.0
    loud = measured(session, "multitone", level="0.5", tones=12)
    assert loud.channel(1).values["distortion_and_noise_db"] > loud.channel(2).values["distortion_and_noise_db"] + 10
    json.dumps(loud.as_json(), allow_nan=False)
    charts = find("multitone").charts(result_from_json(loud.as_json()))
    assert [chart.name for chart in charts] == ["spectrum", "gain", "crosstalk"]
    for table in find("multitone").tables(loud):
        assert "nan" not in render_table(table, colour=False)


def test_one_driven_channel_leaks_into_the_other(session):
    result = measured(session, "multitone", level="0.5", tones=6, channels=(1,))
    assert result.channel(1).values["crosstalk_db"] == []
    silent = result.channel(2).values
    assert silent["distortion_and_noise_db"] is None and silent["gain_db"] == []
    high = np.array(silent["crosstalk_frequency_hz"]) > 5000.0
    wanted_db = -70.0 + 20 * np.log10(np.array(silent["crosstalk_frequency_hz"]) / 1000.0)
    assert np.array(silent["crosstalk_db"])[high] == pytest.approx(wanted_db[high], abs=0.3)


def test_a_multitone_captured_by_another_clock():
    """Two channels by their own formula, 150 ppm off, with silence around; gains and leaks that were put in."""
    many = Multitone.low_crest(level_v_rms=0.5, sample_rate_hz=RATE_HZ, tones=10)
    generator = np.random.default_rng(12)
    frames = many.frames
    own = []
    for at in (0, 1):
        total = np.zeros(frames)
        for hz, phase_deg in zip(many.tones_hz[at], many.phases_deg[at], strict=True):
            turns = np.remainder(np.arange(frames) * (hz * 1.00015 / RATE_HZ), 1.0)
            total += many.tone_v_rms(at + 1) * np.cos(2 * np.pi * (turns + phase_deg / 360))
        own.append(np.concatenate([np.zeros(30_000), total, np.zeros(20_000)]))
    noise = 1e-6 * generator.standard_normal((2, len(own[0])))
    recording = capture([own[0] + 1e-3 * own[1] + noise[0], 0.5 * own[1] + noise[1]], many)
    result = analysed("multitone", recording)
    assert result.conditions["clock_offset_ppm"] == pytest.approx(150.0, abs=0.01)
    # −60 dB of a channel that is itself 6.02 dB down.
    assert np.array(result.channel(1).values["crosstalk_db"]) == pytest.approx(-60.0 + 6.0206, abs=0.05)
    assert all(result.channel(2).values["crosstalk_bound"][at] == "at most" for at in (0, 5))
    for channel in result.channels:
        assert np.array(channel.values["gain_db"]) == pytest.approx(0.0, abs=1e-3)
    with pytest.raises(SignalError, match="a whole window of 1 s is needed"):
        analysed("multitone", replace(recording, counts_fs=recording.counts_fs[:60_000]))


def test_multitone_needs_its_stimulus(tmp_path):
    with pytest.raises(SignalError, match="a multitone was expected"):
        analysed("multitone", capture([np.ones(48_000)]))
    write_audio(tmp_path / "x.wav", np.ones((48_000, 2), dtype=np.int16), "int16", RATE_HZ)
    with pytest.raises(RequestError, match="give stimulus FILE"):
        analyze("multitone", tmp_path / "x.wav")
