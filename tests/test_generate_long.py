"""Stimuli of hours: made and written block by block, bit for bit as if they were made whole.

Truth: the same samples made at once and put together here with numpy, as files were written before.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tracemalloc

import numpy as np
import pytest
import soundfile

from audiomeas.errors import FileProblem, RequestError, StopAsked
from audiomeas.measurement.generated import generate
from audiomeas.measurement.media import generate_tape_side
from audiomeas.stimulus import (
    BurstSeries,
    Multitone,
    PulsedTone,
    RepeatedSweeps,
    ShapedSweep,
    Silence,
    Sine,
    SquarePlusSine,
    StaggeredSweeps,
    SteppedSines,
    SteppedTwice,
    Sweep,
    ToneAndSilence,
    TwinTone,
    played_samples_v,
)
from audiomeas.stimulus.catalogue import _FAMILIES
from audiomeas.stimulus.disc import TrackSamples, disc_tracks
from audiomeas.stimulus.marker import between_markers
from audiomeas.stimulus.periodic import SquareWave, ToneBurst
from audiomeas.stimulus.switched import SwitchedSilence
from audiomeas.stimulus.tone_sequence import ToneSequence
from audiomeas.stimulus.turned import TurnedTone

RATE_HZ = 8_000.0
AT = {"level_v_rms": 0.4, "sample_rate_hz": RATE_HZ}
_SWEEP = Sweep.covering(from_hz=100.0, to_hz=3_000.0, duration_s=0.5, **AT)
STIMULI = (
    Sine.bin_centred(frequency_hz=997.0, window_s=0.5, **AT),
    TurnedTone.bin_centred(frequency_hz=997.0, window_s=0.5, **AT),
    SteppedSines.bin_centred(steps=((100.0, 0.1), (997.0, 0.3)), sample_rate_hz=RATE_HZ, window_s=0.2),
    SteppedTwice(steps=((997.0, 0.3),), sample_rate_hz=RATE_HZ, window_s=0.2, pause_s=0.1),
    _SWEEP,
    ShapedSweep.at_reference(
        shape="a test", rises_s=(50e-6,), falls_s=(15e-6,), from_hz=100.0, to_hz=3_000.0, duration_s=0.5, **AT
    ),
    StaggeredSweeps.of(_SWEEP),
    RepeatedSweeps.of(_SWEEP, count=3),
    Silence(duration_s=0.3, sample_rate_hz=RATE_HZ),
    SwitchedSilence(duration_s=0.3, sample_rate_hz=RATE_HZ),
    TwinTone.bin_centred(low_hz=60.0, high_hz=3_000.0, window_s=0.5, **AT),
    SquarePlusSine.bin_centred(square_hz=500.0, sine_hz=3_000.0, window_s=0.5, **AT),
    Multitone.low_crest(tones=5, low_hz=100.0, high_hz=3_000.0, **AT),
    ToneAndSilence.bin_centred(frequency_hz=997.0, window_s=0.3, idle_s=0.2, **AT),
    ToneSequence(
        frequencies_hz=((1_000.0, 1_260.0), (315.0, 315.0), (1.0, 1.0)),
        levels_v_rms=(0.1, 0.2, 0.0),
        durations_s=(0.3, 0.2, 0.15),
        sample_rate_hz=RATE_HZ,
    ),
    BurstSeries.falling(
        frequency_hz=1_000.0, falls_db=(20.0, 10.0, 0.0), duration_s=0.1, driven_channels=(1, 2), **AT
    ),
    PulsedTone(
        frequency_hz=1_000.0, levels_v_rms=((0.1, 0.2), (0.3, 0.1)), sample_rate_hz=RATE_HZ, markers_v=0.1, rounds=1
    ),
    SquareWave.at_level(frequency_hz=100.0, window_s=0.5, **AT),
    ToneBurst.of_tone(tone_hz=500.0, tone_periods=4, rest_periods=5, window_s=0.5, **AT),
)  # fmt: skip


def test_each_family_is_here():
    assert {type(one) for one in STIMULI} == set(_FAMILIES.values())


@pytest.mark.parametrize("stimulus", STIMULI, ids=lambda one: one.kind)
@pytest.mark.parametrize("block", [397, 2_048])
def test_spans_are_the_whole_bit_for_bit(stimulus, block):
    whole = played_samples_v(stimulus)
    starts = range(0, stimulus.frames, block)
    parts = [played_samples_v(stimulus, range(first, min(first + block, stimulus.frames))) for first in starts]
    assert len(whole) == stimulus.frames
    assert np.concatenate(parts).tobytes() == np.ascontiguousarray(whole).tobytes()


def test_tracks_of_a_disc_are_the_same_in_any_span():
    for number, track in enumerate(disc_tracks(), start=1):
        if track.dithered and track.name != "tone-20db":
            continue
        samples = TrackSamples(track=track, number=number)
        whole, middle = samples.part_fs(range(track.frames)), track.frames // 2 + 7
        parts = [samples.part_fs(range(middle)), samples.part_fs(range(middle, track.frames))]
        assert np.concatenate(parts).tobytes() == whole.tobytes(), track.name


def former_file(stimulus, *, markers, dither_code=None):
    """Return what a file of a stimulus on both channels holds, in fractions of full scale, all of it at once."""
    fractions = played_samples_v(stimulus) / np.sqrt(2.0)
    if markers:
        fractions = between_markers(fractions, RATE_HZ, marker_peak=stimulus.peak_v / np.sqrt(2.0)).samples
    both = fractions if fractions.ndim == 2 else np.stack([fractions, fractions], axis=1)
    around = np.zeros((round(0.5 * RATE_HZ), 2))
    output = np.concatenate([around, both, around])
    if dither_code is not None:
        generator = np.random.default_rng(468)
        output += (generator.random(output.shape) - generator.random(output.shape)) / dither_code
    return output


@pytest.mark.parametrize(
    ("stimulus", "markers", "form", "code"),
    [
        (Sine.bin_centred(frequency_hz=997.0, window_s=33.0, **AT), False, "int24", None),  # three blocks
        (Sine.bin_centred(frequency_hz=997.0, window_s=17.0, **AT), False, "int16", 2.0**15 - 1),
        (StaggeredSweeps.of(_SWEEP), True, "int24", 2.0**23 - 1),
    ],
    ids=["long", "dithered", "markers"],
)
def test_a_file_is_what_it_was_when_it_was_made_whole(tmp_path, stimulus, markers, form, code):
    path = generate(stimulus, tmp_path / "x.wav", markers=markers, sample_format=form, dither=code is not None)
    read, _ = soundfile.read(path, dtype="int32", always_2d=True)
    full = {"int16": 2**15 - 1, "int24": 2**23 - 1}[form]
    codes = np.rint(former_file(stimulus, markers=markers, dither_code=code) * full).astype(np.int64)
    # libsndfile gives the codes in the upper bits of 32.
    assert np.array_equal(read.astype(np.int64), codes * (2**31 // (full + 1)))
    facts = json.loads((tmp_path / "x.wav.json").read_text())
    start = facts["stimulus_start"]
    played = played_samples_v(stimulus) / np.sqrt(2.0)
    assert np.any(codes[start : start + 400, 0])
    assert len(codes) >= start + len(played)


def test_memory_does_not_grow_with_the_length(tmp_path):
    def most_bytes(window_s):
        stimulus = Sine.bin_centred(frequency_hz=997.0, window_s=window_s, **AT)
        tracemalloc.start()
        generate(stimulus, tmp_path / f"{window_s:g}.flac", dither=True)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    most_bytes(1.0)  # what is imported counts once
    # 60 s more are 480,000 frames, made whole 7.7 MB a copy; a megabyte is room for what Python keeps.
    assert most_bytes(110.0) < most_bytes(50.0) + 1e6


def test_a_signal_leaves_nothing_behind_and_what_is_there_is_not_touched(tmp_path):
    stimulus = Sine.bin_centred(frequency_hz=997.0, window_s=33.0, **AT)

    def stop(doing, part):
        if part > 0.4:
            raise StopAsked("SIGTERM")

    with pytest.raises(StopAsked):
        generate(stimulus, tmp_path / "x.wav", progress=stop)
    with pytest.raises(StopAsked):
        generate_tape_side(tmp_path / "side.flac", level_v_rms=0.2, sample_rate_hz=48_000.0, progress=stop)
    assert list(tmp_path.iterdir()) == []
    sidecar = tmp_path / "x.wav.json"
    sidecar.write_text("mine")
    with pytest.raises(FileProblem, match="exists already"):  # before minutes of writing
        generate(stimulus, tmp_path / "x.wav")
    assert [path.name for path in tmp_path.iterdir()] == ["x.wav.json"] and sidecar.read_text() == "mine"


def test_too_long_and_too_loud(tmp_path):
    hours = SteppedSines.bin_centred(steps=((997.0, 0.3),) * 2, sample_rate_hz=RATE_HZ, window_s=3.0 * 3600.0)
    with pytest.raises(RequestError, match=r"lasts 6\.0 hours, and a file at most 4"):
        generate(hours, tmp_path / "x.wav")
    loud = Sine.bin_centred(frequency_hz=997.0, window_s=33.0, level_v_rms=2.0, sample_rate_hz=RATE_HZ)
    with pytest.raises(RequestError, match=r"needs 6\.0 dB more than full scale"):
        generate(loud, tmp_path / "x.wav")
    # Six frames a period: the samples reach sin 60°, 0.953 of full scale, though the sine between them goes beyond.
    generate(Sine(frequency_hz=RATE_HZ / 6.0, level_v_rms=1.1, sample_rate_hz=RATE_HZ), tmp_path / "y.wav")
    with pytest.raises(ValueError, match="at most 256 tones"):
        Multitone.low_crest(tones=1_769, window_s=5.0, **AT)
    with pytest.raises(ValueError, match="too many harmonics"):
        SquarePlusSine.bin_centred(square_hz=1.0, sine_hz=3_000.0, **AT)


def test_a_long_multitone_keeps_its_tones_off_hum():
    # At 1/25 Hz a bin, what lies within 2.5 Hz of a mains harmonic is 125 bins wide.
    tones = Multitone.low_crest(tones=3, low_hz=100.0, high_hz=300.0, window_s=25.0, **AT)
    away = [abs(np.remainder(hz + mains / 2, mains) - mains / 2) for hz in tones.tones_hz[0] for mains in (50.0, 60.0)]
    assert min(away) >= 2.5


@pytest.mark.wide
@pytest.mark.parametrize(
    "arguments",
    [
        ("sine", "x.flac", "--duration-s", "14400", "--rate", "8000"),
        ("sweep", "x.wav", "--duration-s", "3600", "--rate", "48000", "--dither"),
        ("tape-side", "x.wav", "--rate", "192000"),
    ],
)
def test_hours_take_less_than_300_megabytes(tmp_path, arguments):
    word, name, *rest = arguments
    # The most that this process alone has held: what `getrusage` says counts what the one before it held.
    code = (
        "import sys; from audiomeas.cli.main import status_of; status = status_of(sys.argv[1:]); "
        "print(status, open('/proc/self/status').read().split('VmHWM:')[1].split()[0])"
    )
    started = [sys.executable, "-c", code, "generate", word, tmp_path / name, *rest]
    status, most_kb = subprocess.run(started, check=True, capture_output=True, text=True).stdout.split()
    assert status == "0"
    assert int(most_kb) < 300_000
