"""Captures on disk: bit for bit as delivered, never over another file, and every damage named."""

from __future__ import annotations

import hashlib
import json
import math
import os
import struct
import tempfile
import warnings
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from audiomeas.errors import DiskFull, FileProblem, RequestError, SignalError
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
from audiomeas.recording_blocks import open_recording
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


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a file that is always full is the Linux kernel's")
@pytest.mark.parametrize("name", ["x.flac", "x.wav"])
@pytest.mark.parametrize("frames", [100, 30_000])  # less than a buffer holds: found when it is emptied; and far more
def test_a_full_disk_is_told_from_other_failures_of_a_capture(tmp_path, monkeypatch, name, frames):
    """The kernel's own full disk under the audio library, whose message never says why: a batch must know."""

    def full_file(prefix, suffix, dir):  # as tempfile.mkstemp has them
        link = dir / f"{prefix}full{suffix}"
        link.symlink_to("/dev/full")
        return os.open(os.devnull, os.O_WRONLY), str(link)

    monkeypatch.setattr(tempfile, "mkstemp", full_file)
    with pytest.raises(DiskFull, match=f"{name}: the disk is full; free some space"):
        write_audio(tmp_path / name, noise("int24", frames=frames), "int24", 48_000.0)
    assert list(tmp_path.iterdir()) == []


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
    """Change facts of a sidecar by someone who also mends its checksum: what is wrong beneath must be found too."""
    sidecar = sidecar_of(path)
    facts = {**json.loads(sidecar.read_text()), **changes}
    facts["facts_sha256"] = _checksum(facts)
    sidecar.write_text(json.dumps(facts))


def _checksum(facts):
    """SHA-256 of canonical JSON without the key itself: sorted keys, no spaces, UTF-8."""
    rest = {key: value for key, value in facts.items() if key != "facts_sha256"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


@pytest.mark.parametrize("change", ["simulated", "scale", "nothing but the checksum"])
def test_a_sidecar_that_was_changed_is_refused(tmp_path, change):
    path = make(tmp_path)
    facts = json.loads(sidecar_of(path).read_text())
    assert facts["facts_sha256"] == _checksum(facts)
    if change == "simulated":
        facts["simulated"] = facts["provenance"]["simulated"] = not facts["simulated"]
    elif change == "scale":
        facts["channels"][0]["v_rms_at_full_scale"] = 20.0
    else:
        del facts["facts_sha256"]
    sidecar_of(path).write_text(json.dumps(facts))
    with pytest.raises(FileProblem, match=r"x\.wav\.json was changed after it was written"):
        read_recording(path)


def test_a_sidecar_of_the_first_version_is_still_read(tmp_path):
    path = make(tmp_path)
    facts = json.loads(sidecar_of(path).read_text())
    del facts["facts_sha256"]
    sidecar_of(path).write_text(json.dumps({**facts, "sidecar": 1}, indent=4))
    assert read_recording(path).v_rms_at_full_scale == (2.0, 2.0)
    assert facts["sidecar"] == 2


def _wav(path, **how):
    """A WAV of 96,000 frames of 24 bit, two channels: 576,000 bytes of samples."""
    soundfile.write(path, noise("int24", frames=96_000), 48_000, subtype="PCM_24", **how)
    return path.read_bytes()


@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64"])
def test_a_cut_wav_is_refused_with_both_numbers(tmp_path, form):
    path = tmp_path / "x.wav"
    data = _wav(path, format=form)
    path.write_bytes(data[:200_000])
    there = 200_000 - data.index(b"data") - 8
    with pytest.raises(FileProblem, match=f"truncated: 576000 bytes of samples are announced, {there} are there"):
        read_recording(path)
    path.write_bytes(data)
    assert read_recording(path).frames == 96_000
    assert not read_recording(path).warnings


def test_a_cut_flac_is_refused(tmp_path):
    path = tmp_path / "x.flac"
    soundfile.write(path, noise("int24", frames=96_000), 48_000, subtype="PCM_24")
    path.write_bytes(path.read_bytes()[:200_000])
    with pytest.raises(FileProblem, match="truncated"):
        read_recording(path)


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF])
def test_a_header_that_leaves_the_length_open_is_read_with_a_warning(tmp_path, size):
    """As programs leave it that write to a pipe: they can't go back to the header."""
    path = tmp_path / "x.wav"
    data = bytearray(_wav(path))
    whole = read_recording(path).counts_fs
    place = data.index(b"data") + 4
    data[place : place + 4] = struct.pack("<I", size)
    path.write_bytes(data)
    found = read_recording(path)
    assert np.array_equal(found.counts_fs, whole)
    assert any("leaves the length open" in line for line in found.warnings)


@pytest.mark.parametrize("rate_hz", [0, 1, 2**31 - 1])
def test_a_header_with_a_rate_that_no_converter_has_is_refused(tmp_path, rate_hz):
    data = bytearray(_wav(tmp_path / "x.wav"))
    place = data.index(b"fmt ") + 12  # behind name, size, format and channels
    data[place : place + 4] = struct.pack("<I", rate_hz)
    path = tmp_path / "y.wav"
    path.write_bytes(data)
    with pytest.raises(FileProblem, match=f"states a sample rate of {rate_hz} Hz, which no converter has"):
        read_recording(path)


def test_a_header_that_announces_less_than_is_there_is_said(tmp_path):
    path = tmp_path / "x.wav"
    data = bytearray(_wav(path))
    place = data.index(b"data") + 4
    data[place : place + 4] = struct.pack("<I", 6000)
    path.write_bytes(data)
    found = read_recording(path)
    assert found.frames == 1000
    assert any("570000 bytes follow" in line for line in found.warnings)
    # A chunk behind the samples is what many editors write.
    path.write_bytes(bytes(_wav(tmp_path / "y.wav")) + b"LIST" + struct.pack("<I", 4) + b"INFO")
    assert not read_recording(path).warnings


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("x.ogg", {"format": "OGG"}),
        ("x.mp3", {"format": "MP3"}),
        ("x.aiff", {"format": "AIFF"}),
        ("x.au", {"format": "AU"}),
        ("x.caf", {"format": "CAF"}),
        ("x.w64", {"format": "W64"}),
        ("x.wav", {"format": "WAV", "subtype": "ULAW"}),
        ("x.wav", {"format": "WAV", "subtype": "ALAW"}),
        ("x.wav", {"format": "WAV", "subtype": "IMA_ADPCM"}),
        ("x.wav", {"format": "WAV", "subtype": "MS_ADPCM"}),
        ("y.wav", {"format": "OGG"}),
    ],
)
def test_only_wav_and_flac_without_loss(tmp_path, name, how):
    soundfile.write(tmp_path / name, 0.5 * np.sin(0.1 * np.arange(48_000)), 48_000, **how)
    with pytest.raises(FileProblem, match="give a WAV or FLAC file with PCM or float samples") as caught:
        read_recording(tmp_path / name)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_the_step_of_a_form(tmp_path, subtype):
    """One code over the largest code; floats just below 1: 2⁻²⁴ and 2⁻⁵³ (IEEE 754)."""
    signal = np.random.default_rng(1).uniform(-0.9, 0.9, 4000)
    soundfile.write(tmp_path / "x.wav", signal, 48_000, subtype=subtype)
    bits = {"PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}.get(subtype)
    wanted = 1 / (2 ** (bits - 1) - 1) if bits else {"FLOAT": 2.0**-24, "DOUBLE": 2.0**-53}[subtype]
    assert read_recording(tmp_path / "x.wav").resolution_fs == pytest.approx(wanted, rel=1e-12)


def test_samples_of_few_bits_in_a_wider_form_keep_their_step(tmp_path):
    """16-bit codes in 24-bit PCM and in floats: the step is that of 16 bits."""
    codes = np.random.default_rng(1).integers(-30_000, 30_000, 4000)
    soundfile.write(tmp_path / "x.wav", (codes << 16).astype(np.int32), 48_000, subtype="PCM_24")
    assert read_recording(tmp_path / "x.wav").resolution_fs == pytest.approx(256 / (2**23 - 1), rel=1e-12)
    soundfile.write(tmp_path / "y.wav", codes / 2**15, 48_000, subtype="FLOAT")
    assert read_recording(tmp_path / "y.wav").resolution_fs == 2.0**-15


def test_the_step_in_volts_shrinks_with_floats():
    quiet = np.full((100, 2), 1e-3)
    facts = {"sample_rate_hz": 48_000.0, "channels": (1, 2), "v_rms_at_full_scale": (2.0, None)}
    grid = Recording(counts_fs=quiet, resolution_fs=1 / 32767, **facts)
    assert grid.resolution(0) == pytest.approx(2 * math.sqrt(2) / 32767)
    assert grid.resolution(1) == pytest.approx(math.sqrt(2) / 32767)
    rounded = Recording(counts_fs=quiet, resolution_fs=2.0**-24, **facts)
    # Floats between 2⁻¹⁰ and 2⁻⁹ stand 2⁻³³ apart.
    assert rounded.resolution(1) == pytest.approx(math.sqrt(2) * 2.0**-33)
    assert rounded.resolution(1) == pytest.approx(math.sqrt(2) * float(np.spacing(np.float32(1e-3))))
    assert Recording(counts_fs=quiet, **facts).resolution(0) is None


def test_floats_that_are_no_sound_are_refused(tmp_path):
    soundfile.write(tmp_path / "x.wav", 1e200 * np.sin(np.arange(4000.0)), 48_000, subtype="DOUBLE")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(FileProblem, match="no sound: its samples reach 1e\\+200 times full scale"):
            read_recording(tmp_path / "x.wav")


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


def test_more_channels_than_any_card_has_are_a_damaged_header(tmp_path):
    path = tmp_path / "many.wav"
    soundfile.write(path, np.full((4, 65), 0.25), 48_000, subtype="PCM_16")
    with pytest.raises(FileProblem, match="announces 65 channels"):
        read_recording(path)
    with pytest.raises(FileProblem, match="announces 65 channels"):
        open_recording(path)
