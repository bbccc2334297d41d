"""The session on the simulated bench: gates, levels, alignment, repeats, refusals. Truth: the unit's own file."""

from __future__ import annotations

import math
import os
import re
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pytest
from benches import Meddling, bench_file

from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.errors import CaptureError, InterlockRefusal, Interrupted, RequestError
from audiomeas.interface.transport import play
from audiomeas.measurement.session import Session
from audiomeas.measurement.trust import FellSilentError
from audiomeas.stimulus import Sine
from audiomeas.units import Level

RATE_HZ = 48_000.0


def session_on(path, **meddling):
    """Return a session on a bench file, and the meddling interface between."""
    bench = open_bench_file(path)
    between = Meddling(bench.interface, **meddling)
    return Session(Bench(bench.file, between)), between


def tone(level_v_rms, **rest):
    return Sine.bin_centred(
        frequency_hz=997.0, level_v_rms=level_v_rms, sample_rate_hz=RATE_HZ, window_s=0.3, settle_s=0.1, **rest
    )


@pytest.fixture
def path(tmp_path):
    return bench_file(tmp_path, rate_hz=48_000)


@pytest.fixture
def cable(tmp_path):
    """A loop cable on the direct range: the gain is 1 by construction."""
    return bench_file(
        tmp_path, ('range = "50:1"', 'range = "direct"'), ('output_level = "1 W"', 'input_level = "0.5 V"'),
        unit="loop", rate_hz=48_000,
    )  # fmt: skip


def test_first_look_is_40_db_below_and_finds_the_gain(path):
    session, between = session_on(path)
    look = session.first_look()
    bench = session.bench
    # 2 V at the input, 40 V at the output, 40 V for 200 W in 8 Ω; gain up to 40 dB: 0.4 V would reach them; −40 dB.
    assert look.level_v_rms == pytest.approx(0.004, rel=1e-9)
    played = np.max(np.abs(between.played_samples(0))) / 2**31 * bench.output_scale(1).v_rms_at_full_scale
    assert played * math.sqrt(2) == pytest.approx(0.004 * math.sqrt(2), rel=0.01)
    gain_db = 20 * math.log10(abs(bench_gain(path)))
    # Within 0.1 dB: the sweep is 60 dB below full scale of the card, noise is part of the reading.
    assert look.gain_at_db(1, 1000.0) == pytest.approx(gain_db, abs=0.1)
    assert look.polarity == {1: 1, 2: 1}
    assert look.silent == ()


def bench_gain(_):
    """Return the closed-form mid-band gain of the shipped healthy amplifier into 8 Ω, from its file's own numbers."""
    import tomllib

    from audiomeas.simulation.unit import shipped_units

    facts = tomllib.loads(shipped_units()["amplifier-healthy"].read_text())
    channel = facts["channel"][0]
    gain = 10 ** (channel["gain_db"] / 20)
    return gain * 8.0 / (8.0 + channel.get("output_impedance_ohm", 0.0))


def test_the_level_at_the_output_is_what_was_asked_for(path):
    session, _ = session_on(path)
    v_rms = session.input_level_v_rms(
        input_level=None, output_level=Level(1.0, "W"), channels=(1, 2), frequency_hz=997.0
    )
    recording = session.record(tone(v_rms))
    (window,) = recording.stimulus.windows()
    start = recording.stimulus_start
    reached = [
        np.sqrt(np.mean(recording.signal(column)[start + window.start : start + window.stop] ** 2)) for column in (0, 1)
    ]
    # 1 W in 8 Ω is 2.8284 V; set on the louder channel to 0.02 dB, and the converter's noise adds next to nothing.
    assert max(reached) == pytest.approx(math.sqrt(8.0), rel=0.003)


def test_a_dead_band_does_not_fool_the_level_setting(tmp_path):
    """The under-biased amplifier has much less gain at first look than at level; the watts still come out right."""
    session, _ = session_on(bench_file(tmp_path, unit="amplifier-under-biased", rate_hz=48_000))
    v_rms = session.input_level_v_rms(input_level=None, output_level=Level(1.0, "W"), channels=(1,), frequency_hz=997.0)
    recording = session.record(tone(v_rms, driven_channels=(1,)))
    (window,) = recording.stimulus.windows()
    part = recording.signal(0)[recording.stimulus_start + window.start : recording.stimulus_start + window.stop]
    turning = np.exp(-2j * np.pi * recording.stimulus.frequency_hz / RATE_HZ * np.arange(len(part)))
    assert math.sqrt(2) * abs(np.mean(part * turning)) == pytest.approx(math.sqrt(8.0), rel=0.003)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("input_v_rms = 2.0", "input_v_rms = 0.5"), "unit's input"),
        (("rated_w = 200", "rated_w = 20"), "W at the load"),
        (("output_v_rms = 40.0", "output_v_rms = 10.0"), "unit's output"),
        (('range = "50:1"', 'range = "direct"'), "card's input on this range"),
    ],
)
def test_every_ceiling_refuses_before_any_sound(tmp_path, change, words):
    session, between = session_on(bench_file(tmp_path, change, rate_hz=48_000))
    session.first_look()
    with pytest.raises(InterlockRefusal, match=words):
        session.record(tone(0.9))
    assert between.streams == 1  # only the first look was played


def test_the_highest_level_is_said_let_pass_and_no_more_is(tmp_path):
    session, _ = session_on(bench_file(tmp_path, ("output_v_rms = 40.0", "output_v_rms = 10.0"), rate_hz=48_000))

    def at_output(level):
        return session.input_level_v_rms(input_level=None, output_level=level, channels=(1, 2), frequency_hz=997.0)

    with pytest.raises(InterlockRefusal) as caught:
        at_output(Level(50.0, "W"))
    told_w = float(re.search(r"at most ([\d.]+) W at the unit's output", str(caught.value))[1])
    # 10 V less the margin of 3 dB is 7.08 V, 6.26 W in 8 Ω; at most 0.3 dB less: told 0.1 dB below and rounded down to
    # three digits, and the gain is 0.1 dB larger elsewhere than at 997 Hz.
    assert 6.26 * 10**-0.03 < told_w < 6.26
    highest_v_rms = at_output(Level(told_w, "W"))
    with pytest.raises(InterlockRefusal, match=r"W at the unit.s output$"):
        at_output(Level(1.1 * told_w, "W"))  # 0.4 dB more: beyond it, whatever it was rounded and kept below
    # The same ceiling, at the input: what a knob may be turned to.
    with pytest.raises(InterlockRefusal) as caught:
        session.allow_lasting(level_v_rms=1.0, frequency_hz=997.0, channels=(1, 2))
    told_v = float(re.search(r"at most ([\d.]+) V at the unit's input", str(caught.value))[1])
    assert told_v == pytest.approx(highest_v_rms, rel=0.01)
    session.allow_lasting(level_v_rms=told_v, frequency_hz=997.0, channels=(1, 2))


def subtracting(captured, frame, number):
    """Each output carries its own channel less nine tenths of the other: 20 dB quieter when both play alike."""
    return captured - (0.9 * captured[:, ::-1]).astype(captured.dtype)


def test_a_unit_that_subtracts_its_channels_is_known_by_each_of_them(path):
    said = []
    bench = open_bench_file(path)
    session = Session(Bench(bench.file, Meddling(bench.interface, meddle=subtracting)), say=said.append)
    look = session.first_look()
    gain_db = 20 * math.log10(abs(bench_gain(path)))
    # The other channel has 0.05 dB less gain, 0.9 of it is taken away: 1 − 0.9·0.994 of the gain is left of both alike.
    assert look.gain_at_db(1, 1000.0) == pytest.approx(gain_db + 20 * math.log10(1 - 0.9 * 10 ** (-0.05 / 20)), abs=0.5)
    # The sum of its ways, above what is left by 1.9/0.1; noise and gain over frequency within 0.3 dB.
    assert look.gain_db[1] == pytest.approx(gain_db + 20 * math.log10(1.9), abs=0.3)
    assert look.gain_for_db(tone(1.0, driven_channels=(1,)))[1] == pytest.approx(gain_db, abs=0.3)
    session.record(tone(0.1, driven_channels=(1,)))
    session.record(tone(0.1))
    assert not any("more gain" in line for line in said)


@pytest.mark.parametrize("driven", [(1,), (1, 2)])
def test_a_unit_that_subtracts_its_channels_passes_no_ceiling_however_it_is_driven(tmp_path, driven):
    """1.2 V through 26.8 dB are 26.3 V with one channel driven: more than 20 V, and 2.6 V with both alike."""
    path = bench_file(tmp_path, ("output_v_rms = 40.0", "output_v_rms = 20.0"), rate_hz=48_000)
    session, between = session_on(path, meddle=subtracting)
    session.first_look()
    streams = between.streams
    with pytest.raises(InterlockRefusal, match="unit's output"):
        session.record(tone(1.2, driven_channels=driven))
    assert between.streams == streams


def test_a_unit_that_subtracts_and_is_turned_up_is_noticed_with_one_channel_and_with_both(path):
    """6 dB after the first look: by the marker through the same channels (a raise is told from 0.5 dB on)."""
    for driven in ((1,), (1, 2)):
        said = []
        bench = open_bench_file(path)
        between = Meddling(bench.interface, meddle=lambda c, f, n: subtracting(c, f, n) * (2 if n > 2 else 1))
        Session(Bench(bench.file, between), say=said.append).record(tone(0.05, driven_channels=driven))
        assert any("6.0 dB more gain" in line or "6.1 dB more gain" in line for line in said), (driven, said)


def test_a_gap_in_the_first_look_is_found_in_either_turn(cable):
    """A dropout would make a part of the band seem quiet: the look is taken again (its sweeps last 0.99 s each)."""
    for at in (40_000, 90_000):

        def gap(captured, frame, number, at=at):
            return captured * 0 if number == 1 and at <= frame < at + 512 else captured

        session, between = session_on(cable, meddle=gap)
        session.first_look()
        assert between.streams == 2


def test_a_gain_above_the_allowed_one_is_refused(tmp_path):
    session, _ = session_on(bench_file(tmp_path, ("highest_gain_db = 40", "highest_gain_db = 20"), rate_hz=48_000))
    with pytest.raises(CaptureError, match="more than the 20 dB"):
        session.first_look()


def test_the_watch_fades_within_50_ms_when_the_unit_suddenly_gives_more(path):
    """After 0.6 s the 'unit' gives 18 dB more than it did at first look: above the load's ceiling."""
    jump = round(0.6 * RATE_HZ)

    def louder(captured, frame, number):
        return captured * 8 if number > 1 and frame > jump else captured

    session, between = session_on(path, meddle=louder)
    session.first_look()
    with pytest.raises(CaptureError, match="passed the ceiling"):
        session.record(tone(0.3))
    played = np.max(np.abs(between.played_samples()), axis=1)
    sounding = np.flatnonzero(played > 0)
    assert (sounding[-1] - jump) / RATE_HZ < 0.05
    # The fade is no step: the envelope falls over about 20 ms.
    last = played[sounding[-1] - round(0.005 * RATE_HZ) : sounding[-1]]
    assert np.max(last) < 0.2 * np.max(played)


def test_alignment_is_whole_and_repeatable_on_a_cable(cable):
    session, _ = session_on(cable)
    latencies = set()
    for _ in range(5):
        recording = session.record(tone(0.5))
        start = recording.stimulus_start
        wanted = recording.stimulus.samples_v()
        got = recording.signal(0)[start : start + len(wanted)]
        # A frame off would leave a residual of 2π·997/48000 = 13 %; noise and the card's AC coupling leave far less.
        assert np.sqrt(np.mean((got - wanted) ** 2)) < 0.02 * np.sqrt(np.mean(wanted**2))
        latencies.add(round(recording.conditions["latency_frames"]))
    assert len(latencies) == 1


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        ("zeros", "gap"),
        ("flag", "overflow"),
        ("repeated block", "frames were inserted"),
    ],
)
def test_one_bad_capture_is_repeated_and_said(cable, trouble, words):
    """Each trouble happens in the second stream only (the first is the first look)."""
    store = {}

    def meddle(captured, frame, number):
        if number != 2:
            return captured
        inside = 30_000 <= frame < 30_512
        if trouble == "zeros" and inside:
            captured[:] = 0
        if trouble == "repeated block" and frame >= 30_000:
            store.setdefault("held", []).append(captured.copy())
            return store["held"][max(0, len(store["held"]) - 2)]
        return captured

    def flags(frame, number):
        return ("input overflow",) if trouble == "flag" and number == 2 and 30_000 <= frame < 30_512 else ()

    session, between = session_on(cable, meddle=meddle, flags=flags)
    recording = session.record(tone(0.5))
    assert between.streams == 3
    assert any(words in line for line in recording.warnings), recording.warnings


@pytest.mark.parametrize(("left", "streams"), [("noise", 2), ("zeros", 4)])
def test_a_channel_that_falls_silent_for_good_is_not_tried_again(cable, left, streams):
    """A relay that opens 0.6 s into the second stream leaves the card's noise; zeros on all channels are a dropout."""
    noise = np.random.default_rng(7)

    def meddle(captured, frame, number):
        if number < 2 or frame < 0.6 * RATE_HZ:
            return captured
        if left == "noise":
            captured[:, 0] = 256 * noise.integers(-20, 20, len(captured))  # 24 bits stand in the upper bytes
            return captured
        return captured * 0

    session, between = session_on(cable, meddle=meddle)
    said = r"channel 1 fell silent 0\.[1-6]\d* s .* let it rest" if left == "noise" else r"\(3 tries\)"
    with pytest.raises(CaptureError, match=said) as caught:
        session.record(tone(0.5))
    assert between.streams == streams
    assert isinstance(caught.value, FellSilentError) is (left == "noise")


def test_lost_frames_are_found_by_the_markers(cable):
    """The capture runs 7 frames late from the middle on, as when a driver drops samples on the playing side."""
    late = {"tail": None}

    def meddle(captured, frame, number):
        if frame < 20_000:
            return captured
        if late["tail"] is None:
            late["tail"] = captured[-7:].copy()
            captured[7:] = captured[:-7].copy()
            return captured
        joined = np.concatenate([late["tail"], captured])
        late["tail"] = joined[-7:].copy()
        return joined[: len(captured)]

    session, _ = session_on(cable)
    session.first_look()
    session.bench.interface.meddle = meddle
    with pytest.raises(CaptureError, match=r"(frames were inserted|phase jumps).*\(3 tries\)"):
        session.record(tone(0.5))


def test_a_first_marker_that_is_lost_is_no_cable_that_is_out(cable):
    """The marker's own frames are lost, and all behind them comes back: a second try may cure that."""

    def meddle(captured, frame, number):
        # 0.25 s of silence and 0.06 s of marker, what the path takes, and the stimulus not before 0.41 s.
        return captured * 0 if frame < round(0.375 * RATE_HZ) else captured

    session, between = session_on(cable)
    session.first_look()
    before, session.bench.interface.meddle = between.streams, meddle
    with pytest.raises(CaptureError, match=r"the last marker came back and the first did not.*\(3 tries\)"):
        session.record(tone(0.5))
    assert between.streams == before + 3


@pytest.mark.parametrize(
    ("value", "words"), [(np.nan, "no numbers"), (np.inf, "no numbers"), (1e20, "unwritten memory")]
)
def test_buffers_of_nonsense_are_refused(tmp_path, value, words):
    path = bench_file(
        tmp_path, ('range = "50:1"', 'range = "direct"'), ('"int24"', '"float32"'), unit="loop", rate_hz=48_000
    )

    def meddle(captured, frame, number):
        if frame >= 20_000:
            captured[:] = value
        return captured

    session, _ = session_on(path, meddle=meddle)
    with pytest.raises(CaptureError, match=f"{words}|passed"):
        session.first_look()


def test_nothing_comes_back(path):
    session, _ = session_on(path, meddle=lambda captured, frame, number: captured * 0)
    with pytest.raises(CaptureError, match="nothing of what was played came back"):
        session.first_look()


def test_one_silent_channel_is_said_and_the_other_measured(path):
    def meddle(captured, frame, number):
        captured[:, 1] = np.random.default_rng(frame).integers(-2000, 2000, len(captured))
        return captured

    said = []
    bench = open_bench_file(path)
    session = Session(Bench(bench.file, Meddling(bench.interface, meddle=meddle)), say=said.append)
    assert session.first_look().silent == (2,)
    assert any("channel 2: nothing came back" in line for line in said)


def test_over_range_is_refused_with_the_way_out(tmp_path):
    path = bench_file(
        tmp_path, ('range = "50:1"', 'range = "direct"'), ("output_v_rms = 40.0", "output_v_rms = 3.0"),
        unit="loop", rate_hz=48_000,
    )  # fmt: skip

    def meddle(captured, frame, number):
        if number > 1 and frame >= 40_000:
            captured[:2] = 2**31 - 256
        return captured

    session, _ = session_on(path, meddle=meddle)
    session.first_look()
    with pytest.raises(CaptureError, match="over-range"):
        session.record(tone(0.2))


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ({"input_level": Level(1, "V"), "output_level": Level(1, "W")}, "not both"),
        ({"input_level": Level(1, "W"), "output_level": None}, "watts are an output level"),
        ({"input_level": Level(1, "FS"), "output_level": None}, "no volts"),
    ],
)
def test_levels_that_make_no_sense(path, levels, words):
    session, _ = session_on(path)
    with pytest.raises(RequestError, match=words):
        session.input_level_v_rms(**levels, channels=(1, 2), frequency_hz=1000.0)


def test_watts_without_a_load(tmp_path):
    path = bench_file(tmp_path, rate_hz=48_000)
    text = path.read_text()
    path.write_text(text[: text.index("[[load]]")] + text[text.index("# What may never") :])
    session, _ = session_on(path)
    with pytest.raises(RequestError, match="needs a load"):
        session.input_level_v_rms(input_level=None, output_level=Level(1, "W"), channels=(1,), frequency_hz=1000.0)


def test_kept_captures_come_before_any_judgement(cable):
    kept = []

    def meddle(captured, frame, number):
        if number == 2 and 30_000 <= frame < 30_512:
            captured[:] = 0
        return captured

    session, _ = session_on(cable, meddle=meddle)
    session.record(tone(0.5), keep=lambda capture, recording: kept.append((capture, recording)))
    purposes = [recording.conditions["purpose"] for _, recording in kept]
    assert purposes == ["first look", "measuring", "measuring"]  # the refused one is kept too
    assert kept[1][1].stimulus_start is None
    assert "gap" in kept[1][1].warnings[-1]


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_signals_fade_first_and_keep_the_capture(cable, name):
    bench = open_bench_file(cable)
    slow = Meddling(bench.interface, seconds=0.005)
    session = Session(Bench(bench.file, slow))
    session.first_look()
    kept = []
    timer = threading.Timer(0.3, lambda: os.kill(os.getpid(), getattr(signal, name)))
    timer.start()
    with pytest.raises(Interrupted, match=name):
        session.record(tone(0.5), keep=lambda capture, recording: kept.append(capture))
    timer.join()
    (capture,) = kept
    assert capture.stopped == name
    assert len(capture.samples) > 0
    played = slow.played_samples()[:, 0].astype(float)
    assert played[-1] == 0
    # No step anywhere: nothing steeper than the tone itself at 997 Hz (or the chirp at 6 kHz, of the same peak).
    steepest = 2 * np.sin(np.pi * 6000 / RATE_HZ) * np.max(np.abs(played))
    assert np.max(np.abs(np.diff(played))) <= 1.05 * steepest
    assert signal.getsignal(getattr(signal, name)) is not None


def test_a_feeder_that_hangs_fades(cable):
    """The caller's thread sleeps; the audio thread fades by itself."""
    bench = open_bench_file(cable)
    slow = Meddling(bench.interface, seconds=0.01)

    def hang(part):
        if part > 0.2:
            time.sleep(1.6)

    samples = np.tile(0.1 * np.sin(2 * np.pi * 997 / RATE_HZ * np.arange(4 * 48_000))[:, None], (1, 2))
    form = Bench(bench.file, slow).form
    capture = play(slow, samples, form, progress=hang)
    assert "did not answer" in capture.stopped
    assert slow.played_samples()[-1].max() == 0


def test_suspend_fades_before_it_stops(cable, tmp_path):
    """Ctrl-Z in a program of its own: it goes to sleep only when its output is silent."""
    script = tmp_path / "plays.py"
    script.write_text(
        "import sys; sys.path.insert(0, sys.argv[2])\n"
        "from pathlib import Path\n"
        "from benches import Meddling\n"
        "from audiomeas.bench.opened import Bench, open_bench_file\n"
        "from audiomeas.errors import Interrupted\n"
        "from audiomeas.measurement.session import Session\n"
        "from audiomeas.stimulus import Sine\n"
        "bench = open_bench_file(Path(sys.argv[1]))\n"
        "slow = Meddling(bench.interface, seconds=0.005)\n"
        "session = Session(Bench(bench.file, slow))\n"
        "session.first_look()\n"
        "print('playing', flush=True)\n"
        "try:\n"
        "    session.record(Sine(frequency_hz=997.0, level_v_rms=0.5, sample_rate_hz=48000.0, window_s=3.0))\n"
        "except Interrupted as error:\n"
        "    print('ended', int(slow.played_samples()[-1].max()), error, flush=True)\n"
    )
    if not hasattr(signal, "SIGTSTP"):
        pytest.skip("no SIGTSTP on this system")
    here = os.path.dirname(os.path.abspath(__file__))  # noqa: PTH100, PTH120
    process = subprocess.Popen(
        [sys.executable, str(script), str(cable), here], stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    try:
        assert process.stdout.readline() == "playing\n"
        time.sleep(0.3)
        process.send_signal(signal.SIGTSTP)
        time.sleep(0.5)
        process.send_signal(signal.SIGCONT)
        out, _ = process.communicate(timeout=30)
    finally:
        process.kill()
    assert out.startswith("ended 0 stopped by SIGTSTP")
