"""Captures on disk: bit for bit as delivered, never over another file, and every damage named."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from audiomeas.errors import FileProblem, RequestError, SignalError
from audiomeas.interface.transport import from_fractions, to_fractions
from audiomeas.recording import (
    Provenance,
    Recording,
    read_recording,
    sidecar_of,
    stimulus_slice,
    suffix_for,
    write_audio,
    write_capture,
)
from audiomeas.stimulus import Sine


def noise(sample_format, frames=1000, channels=2, seed=3):
    """Random codes over the whole range of a format, in its carrier."""
    rng = np.random.default_rng(seed)
    return from_fractions(rng.uniform(-1, 1, (frames, channels)), sample_format)


def recording_of(samples, sample_format, **rest):
    channels = samples.shape[1]
    return Recording(
        counts_fs=to_fractions(samples, sample_format),
        sample_rate_hz=48_000.0,
        channels=tuple(range(1, channels + 1)),
        v_rms_at_full_scale=(2.0,) * channels,
        scale_uncertainty=(0.005,) * channels,
        **rest,
    )


@pytest.mark.parametrize("sample_format", ["int16", "int24", "float32"])
@pytest.mark.parametrize("channels", [1, 2, 8, 12])
def test_bit_for_bit_there_and_back(tmp_path, sample_format, channels):
    samples = noise(sample_format, channels=channels)
    stimulus = Sine(frequency_hz=997.0, level_v_rms=0.5, sample_rate_hz=48_000.0)
    recording = recording_of(
        samples, sample_format, stimulus=stimulus, stimulus_start=17, stimulus_in_volts=True, shared_clock=True,
        conditions={"load_ohm": {"1": 8.0}}, warnings=("w",), provenance=Provenance(interface="x", simulated=True),
    )  # fmt: skip
    path = tmp_path / ("capture" + suffix_for(sample_format, channels, 48_000.0))
    write_capture(path, samples, sample_format, recording)
    again = read_recording(path)
    assert np.array_equal(again.counts_fs, recording.counts_fs)
    assert np.array_equal(from_fractions(again.counts_fs, sample_format), samples)
    assert again.stimulus == stimulus
    assert (again.stimulus_start, again.conditions, again.warnings) == (17, {"load_ohm": {"1": 8.0}}, ("w",))
    assert again.provenance.simulated
    assert json.loads(sidecar_of(path).read_text())["simulated"] is True


@pytest.mark.parametrize(("sample_format", "subtype"), [("int16", "PCM_16"), ("int24", "PCM_24"), ("float32", "FLOAT")])
def test_another_reader_finds_the_same_samples(tmp_path, sample_format, subtype):
    """libsndfile by itself, as any sound player would: the codes as delivered, in a form that just holds them."""
    samples = noise(sample_format)
    path = tmp_path / "x.wav"
    write_audio(path, samples, sample_format, 48_000.0)
    assert soundfile.info(path).subtype == subtype
    dtype = "float32" if sample_format == "float32" else "int32"
    raw, _ = soundfile.read(path, dtype=dtype, always_2d=True)
    shift = {"int16": 16, "int24": 0, "float32": 0}[sample_format]
    assert np.array_equal(raw, samples.astype(raw.dtype) << shift if shift else samples)


def test_full_scale_is_the_largest_code():
    """AES17: 0 dBFS is a sine whose positive peak just reaches the positive full-scale code."""
    for sample_format in ("int16", "int24", "float32"):
        assert to_fractions(from_fractions(np.array([[1.0, -1.0]]), sample_format), sample_format).tolist() == [[1, -1]]


def test_float_never_goes_into_flac(tmp_path):
    with pytest.raises(FileProblem, match="float samples"):
        write_audio(tmp_path / "x.flac", noise("float32"), "float32", 48_000.0)
    assert suffix_for("float32", 2, 48_000.0) == ".wav"
    assert suffix_for("int24", 2, 48_000.0) == ".flac"
    assert suffix_for("int24", 9, 48_000.0) == ".wav"


def test_nothing_is_overwritten(tmp_path):
    path = tmp_path / "x.flac"
    samples = noise("int24")
    write_capture(path, samples, "int24", recording_of(samples, "int24"))
    before = path.read_bytes()
    with pytest.raises(FileProblem, match="never overwritten"):
        write_capture(path, noise("int24", seed=4), "int24", recording_of(samples, "int24"))
    assert path.read_bytes() == before


def test_beyond_4_gib_it_is_rf64(tmp_path, monkeypatch):
    import audiomeas.recording as module

    monkeypatch.setattr(module, "_WAV_LIMIT_BYTES", 1000)
    samples = noise("int24")
    write_audio(tmp_path / "x.wav", samples, "int24", 48_000.0)
    assert soundfile.info(tmp_path / "x.wav").format == "RF64"
    assert np.array_equal(from_fractions(read_recording(tmp_path / "x.wav").counts_fs, "int24"), samples)


def test_over_range_is_two_in_a_row(tmp_path):
    fractions = np.zeros((100, 2))
    fractions[10, 0] = 1.0  # one sample at the end code is a peak that just fits
    fractions[20:23, 1] = -1.0
    write_audio(tmp_path / "x.wav", from_fractions(fractions, "int24"), "int24", 48_000.0)
    assert read_recording(tmp_path / "x.wav").over_range == (0, 3)


def test_without_sidecar_it_is_plainly_uncalibrated(tmp_path):
    write_audio(tmp_path / "x.wav", noise("int16"), "int16", 44_100.0)
    recording = read_recording(tmp_path / "x.wav")
    assert recording.v_rms_at_full_scale == (None, None)
    assert not recording.calibrated
    assert recording.reference(0) == 1.0
    # A full-scale sine has r.m.s. 1 in the uncalibrated unit.
    assert np.max(np.abs(recording.signal(0))) == pytest.approx(np.sqrt(2.0), rel=0.02)


def make(tmp_path, name="x.wav"):
    path = tmp_path / name
    samples = noise("int24")
    write_capture(path, samples, "int24", recording_of(samples, "int24"))
    return path


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda p: p.write_bytes(b""), "is empty"),
        (lambda p: p.write_bytes(b"this is no sound at all" * 10), "can't be read as audio"),
        (lambda p: p.write_bytes(p.read_bytes()[:-900]), "(no longer matches|truncated)"),
        (lambda p: p.unlink(), "was not found"),
        (lambda p: sidecar_of(p).write_text("{}"), "is no sidecar"),
        (lambda p: sidecar_of(p).write_text("{"), "not valid JSON"),
        (lambda p: _edit(p, sidecar=99), "newer audiomeas"),
        (lambda p: _edit(p, channels=[]), "damaged"),
        (lambda p: _edit(p, channels=[{"channel": 1, "v_rms_at_full_scale": -2, "scale_uncertainty": 0}] * 2), "scale"),
        (lambda p: _edit(p, sha256="0"), "no longer matches"),
        (lambda p: _edit(p, stimulus={"kind": "melody"}), "unknown kind of stimulus"),
        (lambda p: _edit(p, provenance=3), "damaged"),
    ],
)
def test_damage_is_named_in_one_line(tmp_path, damage, words):
    path = make(tmp_path)
    damage(path)
    with pytest.raises((FileProblem, RequestError), match=words) as caught:
        read_recording(path)
    assert "\n" not in str(caught.value)


def _edit(path, **changes):
    sidecar = sidecar_of(path)
    sidecar.write_text(json.dumps({**json.loads(sidecar.read_text()), **changes}))


def test_values_that_are_no_numbers_are_refused(tmp_path):
    samples = noise("float32")
    samples[5, 0] = np.nan
    soundfile.write(tmp_path / "x.wav", samples, 48_000, subtype="FLOAT")
    with pytest.raises(FileProblem, match="no numbers"):
        read_recording(tmp_path / "x.wav")


@given(cut=st.integers(0, 3000), place=st.integers(0, 200), byte=st.integers(0, 255))
@settings(max_examples=60)
def test_any_damage_gives_samples_or_one_line(tmp_path_factory, cut, place, byte):
    path = tmp_path_factory.mktemp("damage") / "x.wav"
    write_audio(path, noise("int16", frames=500), "int16", 48_000.0)
    data = bytearray(path.read_bytes())[: max(1, 2044 - cut)]
    data[min(place, len(data) - 1)] = byte
    path.unlink()
    path.write_bytes(bytes(data))
    try:
        recording = read_recording(path)
    except FileProblem as error:
        assert "\n" not in str(error)
    else:
        assert np.all(np.isfinite(recording.counts_fs))


def test_windows_and_slices():
    samples = noise("int24")
    stimulus = Sine(frequency_hz=997.0, level_v_rms=0.5, sample_rate_hz=48_000.0)
    recording = recording_of(samples, "int24", stimulus=stimulus, stimulus_start=100)
    assert stimulus_slice(recording, 10, 20) == slice(110, 120)
    assert recording.window(50, 500).stimulus_start == 50
    with pytest.raises(SignalError, match="cut"):
        stimulus_slice(recording, 0, 2000)
    with pytest.raises(SignalError, match="not known"):
        stimulus_slice(recording_of(samples, "int24"), 0, 10)
    with pytest.raises(RequestError, match="not captured"):
        recording.column(3)
