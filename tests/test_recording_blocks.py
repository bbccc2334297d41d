"""A capture read in blocks from the disk is the same capture, bit for bit; and what only its end shows is there."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from audiomeas.errors import FileProblem
from audiomeas.interface.transport import from_fractions, to_fractions
from audiomeas.recording import Recording, read_recording, write_capture
from audiomeas.recording_blocks import RecordingOnDisk, blocks_of, open_recording


def written(path, fractions, sample_format):
    samples = from_fractions(fractions, sample_format)
    recording = Recording(
        counts_fs=to_fractions(samples, sample_format),
        sample_rate_hz=48_000.0,
        channels=tuple(range(1, fractions.shape[1] + 1)),
        v_rms_at_full_scale=(2.0,) * fractions.shape[1],
        scale_uncertainty=(0.005,) * fractions.shape[1],
        conditions={"range": {"1": "direct"}},
    )
    write_capture(path, samples, sample_format, recording)
    return path


def read_in_blocks(recording, block_frames, start=0, stop=None):
    return np.concatenate(list(blocks_of(recording, start, recording.frames if stop is None else stop, block_frames)))


@pytest.mark.parametrize(
    ("sample_format", "suffix"), [("int16", ".flac"), ("int24", ".flac"), ("int24", ".wav"), ("float32", ".wav")]
)
@pytest.mark.parametrize("block_frames", [1, 777, 5000])
def test_blocks_from_disk_are_the_samples(tmp_path, sample_format, suffix, block_frames):
    rng = np.random.default_rng(5)
    fractions = np.clip(0.4 * rng.standard_normal((3000, 2)), -1.0, 1.0)
    fractions[1500:1503, 0] = 1.0  # over-range, whichever block it falls into
    path = written(tmp_path / f"noise{suffix}", fractions, sample_format)
    whole, opened = read_recording(path), open_recording(path)
    assert isinstance(opened, RecordingOnDisk) and len(opened.counts_fs) == 0
    assert (opened.frames, opened.channels, opened.conditions) == (3000, (1, 2), whole.conditions)
    assert opened.v_rms_at_full_scale == whole.v_rms_at_full_scale
    np.testing.assert_array_equal(read_in_blocks(opened, block_frames), whole.counts_fs)
    known = opened.completed()
    assert (known.over_range, known.resolution_fs) == (whole.over_range, whole.resolution_fs)


@pytest.mark.parametrize("runs", [[(776, 778)], [(777, 779)], [(776, 777)], [(775, 790)], [(0, 2), (2998, 3000)]])
def test_over_range_across_a_seam_is_counted_once(tmp_path, runs):
    # Blocks of 777 frames: the first seam lies between frames 776 and 777.
    fractions = np.full((3000, 1), 0.25)
    for start, stop in runs:
        fractions[start:stop] = 1.0
    path = written(tmp_path / "seam.wav", fractions, "int16")
    opened = open_recording(path)
    read_in_blocks(opened, 777)
    expected = sum(stop - start for start, stop in runs if stop - start > 1)  # a single sample is no over-range
    assert opened.completed().over_range == (expected,)


def test_sixteen_bits_in_a_wider_form_keep_their_step(tmp_path):
    # The first block is silent, as files often begin: the step is that of the others.
    codes = np.zeros((4000, 1), dtype=np.int32)
    codes[2000:, 0] = np.random.default_rng(6).integers(-3000, 3000, 2000) * 65536
    path = tmp_path / "wide.wav"
    soundfile.write(path, codes, 48_000, subtype="PCM_24")
    opened = open_recording(path)
    read_in_blocks(opened, 500)
    assert opened.completed().resolution_fs == read_recording(path).resolution_fs
    assert opened.completed().resolution_fs == pytest.approx(256.0 / (2**23 - 1), rel=1e-12)


def test_a_span_is_read_from_where_it_begins(tmp_path):
    fractions = np.random.default_rng(7).uniform(-0.5, 0.5, (2000, 2))
    path = written(tmp_path / "span.flac", fractions, "int24")
    whole = read_recording(path)
    np.testing.assert_array_equal(read_in_blocks(open_recording(path), 300, 450, 1800), whole.counts_fs[450:1800])
    np.testing.assert_array_equal(read_in_blocks(whole, 300, 450, 1800), whole.counts_fs[450:1800])


def test_what_is_no_sound_is_refused_when_it_is_met(tmp_path):
    samples = np.zeros((4000, 1), dtype=np.float32)
    samples[3500] = np.nan
    path = tmp_path / "nan.wav"
    soundfile.write(path, samples, 48_000, subtype="FLOAT")
    with pytest.raises(FileProblem, match="no numbers"):
        read_in_blocks(open_recording(path), 1000)


def test_a_cut_or_lossy_or_missing_file_is_refused_at_once(tmp_path):
    path = written(tmp_path / "cut.wav", np.full((2000, 1), 0.1), "int16")
    cut = tmp_path / "cut2.wav"
    cut.write_bytes(path.read_bytes()[:-500])
    with pytest.raises(FileProblem, match="truncated"):
        open_recording(cut)
    soundfile.write(tmp_path / "lossy.wav", np.zeros((2000, 1)), 8000, subtype="ULAW")
    with pytest.raises(FileProblem, match="lose part"):
        open_recording(tmp_path / "lossy.wav")
    with pytest.raises(FileProblem, match=r"not found|no such|missing"):
        open_recording(tmp_path / "none.wav")


def test_a_changed_file_no_longer_matches_its_sidecar(tmp_path):
    path = written(tmp_path / "changed.wav", np.full((2000, 1), 0.1), "int16")
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(FileProblem, match="no longer matches"):
        open_recording(path)
