"""Loudspeakers connected: cap, high tones, search for power, words. And gain that rises after the first look."""

from __future__ import annotations

import math

import numpy as np
import pytest
from benches import Meddling, bench_file

from audiomeas.bench.file import read_bench
from audiomeas.bench.loudspeakers import high_s, loudspeakers, said_loudspeakers
from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.cli.main import status_of
from audiomeas.errors import CaptureError, InterlockRefusal, RequestError, TomlProblem
from audiomeas.measurement.raised_gain import RaisedGain
from audiomeas.measurement.session import Session
from audiomeas.stimulus import Sine, SteppedSines, Sweep
from audiomeas.units import Level

RATE_HZ = 48_000.0


def session_on(path, said=None, **meddling):
    bench = open_bench_file(path, loudspeakers=said)
    between = Meddling(bench.interface, **meddling)
    lines = []
    return Session(Bench(bench.file, between), say=lines.append), between, lines


def tone(level_v_rms, frequency_hz=997.0, window_s=0.3, **rest):
    return Sine.bin_centred(
        frequency_hz=frequency_hz, level_v_rms=level_v_rms, sample_rate_hz=RATE_HZ, window_s=window_s, settle_s=0.1,
        **rest,
    )  # fmt: skip


@pytest.fixture
def path(tmp_path):
    return bench_file(tmp_path, rate_hz=48_000)


def test_half_a_watt_at_the_lowest_impedance():
    """By hand: 8 Ω nominal, down to 6.4 Ω (80 %, IEC 60268-5, from memory): √(0.5 · 6.4) = 1.789 V."""
    assert loudspeakers(8.0).largest_v_rms == pytest.approx(1.78885, rel=1e-5)
    assert loudspeakers(4.0, 2.0).largest_v_rms == pytest.approx(1.0)
    for nominal_ohm, lowest_ohm in ((0.0, None), (math.nan, None), (8.0, 9.0), (8.0, math.nan), (8.0, 0.0)):
        with pytest.raises(RequestError, match="impedance"):
            loudspeakers(nominal_ohm, lowest_ohm)


@pytest.mark.parametrize(
    ("said", "nominal_ohm"), [("8", 8.0), ("8 ohm", 8.0), ("4 Ω", 4.0), ("6.5ohms", 6.5), ("none", None), ("No", None)]
)
def test_what_a_person_says(said, nominal_ohm):
    found = said_loudspeakers(said, loudspeakers(16.0))
    assert (found.nominal_ohm if found else None) == nominal_ohm


@pytest.mark.parametrize("said", ["", "yes", "-8", "8 kohm", "nan", "0"])
def test_what_says_nothing_is_refused(said):
    with pytest.raises(RequestError):
        said_loudspeakers(said, None)


@pytest.mark.parametrize(
    ("text", "lowest_ohm", "is_said"),
    [
        ("", None, False),
        ("[loudspeakers]\nnominal_ohm = 4\n", 3.2, True),
        ("[loudspeakers]\nnominal_ohm = 4\nlowest_ohm = 2.5\n", 2.5, True),
        ("[loudspeakers]\nconnected = false\n", None, True),
    ],
)
def test_the_bench_file_says_it(path, text, lowest_ohm, is_said):
    path.write_text(path.read_text() + text)
    found = read_bench(path)
    assert (None if found.loudspeakers is None else pytest.approx(found.loudspeakers.lowest_ohm)) == lowest_ohm
    assert found.loudspeakers_said is is_said


def test_a_bench_file_that_states_no_impedance_is_refused(path):
    path.write_text(path.read_text() + "[loudspeakers]\nconnected = true\n")
    with pytest.raises(TomlProblem, match="nominal_ohm"):
        read_bench(path)


@pytest.fixture(scope="module")
def connected(tmp_path_factory):
    """A session with loudspeakers connected, its first look not yet taken; and what it said."""
    return session_on(bench_file(tmp_path_factory.mktemp("connected"), rate_hz=48_000), "8 ohm")


def test_a_level_above_the_cap_is_refused_before_any_sound(connected):
    session, between, _ = connected
    before = between.streams
    with pytest.raises(
        InterlockRefusal, match=r"loudspeakers are connected, and 2\.83 V .* 4\.0 dB above their 0\.5 W"
    ):
        session.input_level_v_rms(input_level=None, output_level=Level(1.0, "W"), channels=(1, 2), frequency_hz=997.0)
    assert between.streams == before
    session.first_look()
    # 0.09 V through 26.8 dB are 1.97 V: more than 1.789 V.
    streams = between.streams
    with pytest.raises(InterlockRefusal, match="at the loudspeaker"):
        session.record(tone(0.09))
    assert between.streams == streams
    full_v = session.bench.output_scale(1).v_rms_at_full_scale * math.sqrt(2)
    played_v = np.max(np.abs(between.played_samples(0))) / 2**31 * full_v
    # Of the first look, 40 dB below; a gain of 40 dB is allowed.
    assert played_v / math.sqrt(2) * 100.0 <= 1.789 / 100.0 * 1.001


def test_what_stays_below_is_measured_and_told(connected, path):
    session, _, lines = connected
    with session:
        recording = session.record(tone(0.05, window_s=0.1))
    assert recording.conditions["loudspeakers"]["nominal_ohm"] == 8.0
    assert lines[-1].startswith("LOUDSPEAKERS CONNECTED, 8 Ω")
    plain, _, none = session_on(path)
    with plain:
        assert "loudspeakers" not in plain.bench.conditions()
    assert none == []


def test_no_search_for_power_runs(path):
    session, _, _ = session_on(path, "8 ohm")
    assert not session.bench.allows_power_search
    with pytest.raises(InterlockRefusal, match="no search for the largest power"):
        session.bench.refuse_power_search()
    plain, _, _ = session_on(path)
    assert plain.bench.allows_power_search
    plain.bench.refuse_power_search()


@pytest.mark.parametrize(
    ("frequency_hz", "sounds_s"), [(100.0, 0.0), (1990.0, 0.0), (2001.0, 2.5), (15_000.0, 2.5), (15_000.0, 1.0)]
)
def test_how_long_a_tone_above_2_khz_lasts(frequency_hz, sounds_s):
    """Its own length, ramps of 20 ms included where they are louder than −20 dB (10 ms each; parts of 5 ms).

    The ramps of a tone just below 2 kHz spread beyond it, for 20 ms each and a part on either side.
    """
    stimulus = Sine(
        frequency_hz=frequency_hz, level_v_rms=0.1, sample_rate_hz=RATE_HZ, window_s=max(sounds_s, 1.0) - 0.24
    )
    found_s = high_s(stimulus.samples_v(), RATE_HZ, 0.1)
    assert found_s == pytest.approx(sounds_s, abs=0.02 if sounds_s else 0.04)


def test_pauses_and_channels_of_high_sound():
    high = tone(0.1, 5000.0, 0.8).samples_v()
    pause = np.zeros(round(0.3 * RATE_HZ))
    assert high_s(np.concatenate([high, pause, high]), RATE_HZ, 0.1) == pytest.approx(len(high) / RATE_HZ, abs=0.02)
    close = np.concatenate([high, pause[: len(pause) // 3], high])
    assert high_s(close, RATE_HZ, 0.1) == pytest.approx(len(close) / RATE_HZ, abs=0.02)
    both = np.stack([np.concatenate([high, 0 * high]), np.concatenate([0 * high, high])], axis=1)
    assert high_s(both, RATE_HZ, 0.1) == pytest.approx(2 * len(high) / RATE_HZ, abs=0.02)
    assert high_s(np.zeros(0), RATE_HZ, 0.1) == 0.0


def test_a_long_high_tone_is_refused_and_a_sweep_or_a_short_one_is_not(connected):
    session, between, _ = connected
    session.first_look()
    streams = between.streams
    steps = SteppedSines(steps=((3000.0, 0.02), (6000.0, 0.02), (9000.0, 0.02)), window_s=0.8, sample_rate_hz=RATE_HZ)
    for stimulus in (tone(0.02, 5000.0, 2.5), tone(0.02, 2000.5, 2.1), steps):
        with pytest.raises(InterlockRefusal, match="sound above 2 kHz would last"):
            session.record(stimulus)
    assert between.streams == streams
    session.record(tone(0.02, 5000.0, 0.5))
    session.record(tone(0.02, 2000.0, 1.9))
    session.record(Sweep(start_hz=20.0, stop_hz=20e3, level_v_rms=0.02, sample_rate_hz=RATE_HZ, duration_s=1.0))


def test_the_command_says_it(path, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)

    def status(*said):
        return status_of(["measure", "distortion", "--bench", str(path), "--no-captures", "--loudspeakers", *said])

    assert status("8 ohm", "--output-level", "0.1 W") == 0
    shown = capsys.readouterr()
    assert "LOUDSPEAKERS CONNECTED, 8 Ω" in shown.out
    assert "LOUDSPEAKERS CONNECTED, 8 Ω" in shown.err
    assert status("8 ohm", "--output-level", "20 W") == 3
    assert status("loud", "--output-level", "0.1 W") == 2


# -- gain that rises after the first look ------------------------------------------------------------------------------


def test_a_unit_that_was_turned_up_is_predicted_with_what_it_has_now(path):
    """After the first look someone turns it up by 6 dB: a quiet step shows it, and the loud one is refused."""
    session, between, lines = session_on(path, meddle=lambda captured, _, n: captured * 2 if n > 1 else captured)
    loud = tone(0.7)  # 21.8 · 0.7 = 15 V, 21.6 V with the margin: allowed by the first look; 43 V now: not by 40 V
    session.record(tone(0.05))
    assert any("6.0 dB more gain than at first look" in line for line in lines)
    streams = between.streams
    with pytest.raises(InterlockRefusal, match="at the"):
        session.record(loud)
    assert between.streams == streams
    steady, between, lines = session_on(path)
    steady.record(tone(0.05))
    steady.record(loud)
    assert not any("more gain" in line for line in lines)


def test_a_unit_turned_up_beyond_what_the_bench_allows_is_refused(path):
    session, _, _ = session_on(path, meddle=lambda captured, _, n: captured * 8 if n > 1 else captured)
    with pytest.raises(CaptureError, match=r"up to 4\d\.\d dB of gain, more than the 40 dB"):
        session.record(tone(0.02))


def test_what_the_watch_stopped_is_remembered(path):
    session, between, _ = session_on(path, meddle=lambda captured, _, n: captured * 3 if n > 1 else captured)
    with pytest.raises(CaptureError, match="passed the ceiling"):
        session.record(tone(0.9))
    streams = between.streams
    with pytest.raises(InterlockRefusal):
        session.record(tone(0.9))
    assert between.streams == streams


def test_gain_once_found_stays():
    raised = RaisedGain()
    first = {1: 10.0}
    # 20·lg 2, whatever the polarity.
    assert raised.learn({1: -20.0}, {}, first_ratio=first) == {1: pytest.approx(6.0206, abs=1e-4)}
    assert raised.learn({1: 10.0}, {1: 3.0}, first_ratio=first) == {}
    assert raised.added_to({1: 30.0, 2: 5.0}) == {1: pytest.approx(36.0206, abs=1e-4), 2: 5.0}
    assert raised.learn({2: 9.0}, {2: 4.0}, first_ratio=first) == {2: 4.0}  # its first marker was not heard
