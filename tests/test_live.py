"""The knob on the simulated bench. Truth: the loop cable's gain of 1, the bench file's ceilings, and the files kept."""

from __future__ import annotations

import io
import json
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from benches import Meddling, bench_file

import audiomeas
from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.cli.main import status_of
from audiomeas.errors import CaptureError, DeviceError, InterlockRefusal, Interrupted, RequestError
from audiomeas.interface.transport import to_fractions
from audiomeas.measurement import live_reader
from audiomeas.measurement.live import opened_knob
from audiomeas.measurement.session import Session
from audiomeas.record.store import find_visits, read_visit

#: So long a test waits for something that comes within a second, on a busy machine.
LONGEST_S = 20.0
LOOP = (('range = "50:1"', 'range = "direct"'), ('output_level = "1 W"', 'input_level = "0.5 V"'))


@pytest.fixture
def cable(tmp_path):
    """A loop cable on the direct range: the gain is 1 by construction."""
    return bench_file(tmp_path, *LOOP, unit="loop", rate_hz=48_000)


def on(path, *, say=None, **meddling):
    """A session on a bench file, and the meddling interface between."""
    bench = open_bench_file(path)
    between = Meddling(bench.interface, **meddling)
    return Session(Bench(bench.file, between), say=say), between


def settled(knob):
    """Wait for a reading that counts."""
    until_s = time.monotonic() + LONGEST_S
    for reading in knob.readings():
        if reading.settled:
            return reading
        assert time.monotonic() < until_s
    raise AssertionError("not reached")


def ended(knob):
    """Use the knob until it says why the tone ended; return that."""
    until_s = time.monotonic() + LONGEST_S
    while time.monotonic() < until_s:
        try:
            knob.wait(0.05)
        except (CaptureError, DeviceError, Interrupted, RuntimeError) as error:
            return error
    raise AssertionError("it goes on sounding")


def last_sound(between):
    """The last stream's output, (frames, 2) in fractions."""
    return to_fractions(between.played_samples(), "int24")


def test_levels_frequency_channels_and_what_comes_back(cable):
    session, between = on(cable)
    with opened_knob(session, level_v_rms=0.3, frequency_hz=1000.0) as knob:
        assert knob.muted
        muted = settled(knob)
        assert [channel.why_not for channel in muted.channels] == ["muted", "muted"]
        knob.unmute()
        first = settled(knob)
        knob.raise_db(0.5)
        knob.set_frequency(2000.0)
        knob.drive((1,))
        second = settled(knob)
        knob.mute()
        knob.wait(0.3)
    for channel in first.channels:
        # A loop: volts out are volts in, within the card's 24 bits and its couplings (1e-6 at 1 kHz).
        assert channel.values["level_v_rms"] == pytest.approx(0.3, rel=1e-4)
        assert channel.values["gain_db"] == pytest.approx(0.0, abs=1e-3)
        assert channel.values["upper_flat_db"] == pytest.approx(0.0, abs=1e-3)
        assert channel.warnings == ()
    assert first.pair["balance_db"] == pytest.approx(0.0, abs=1e-3)
    assert first.pair["phase_difference_deg"] == pytest.approx(0.0, abs=0.01)
    assert second.wish.sounding == (1,)
    assert second.channel(1).values["level_v_rms"] == pytest.approx(0.3 * 10 ** (0.5 / 20), rel=1e-4)
    assert second.channel(2).why_not == "not driven"
    assert second.pair["crosstalk_db"] < -80.0  # a cable a channel: only the card's noise
    assert not np.any(last_sound(between)[-1_000:])


def test_the_interlock_is_asked_at_each_raise_and_a_refused_one_changes_nothing(cable):
    """The bench allows 2 V into the unit, the card's output full scale less 1 dB (common practice)."""
    session, _ = on(cable)
    with opened_knob(session, level_v_rms=0.1) as knob:
        highest_v_rms = knob.highest_level_v_rms
        knob.set_level(0.999 * highest_v_rms)
        with pytest.raises(InterlockRefusal, match="ceiling"):
            knob.set_level(1.001 * highest_v_rms)
        assert knob.wish.level_v_rms == pytest.approx(0.999 * highest_v_rms)
        with pytest.raises(RequestError, match="can't be played"):
            knob.set_frequency(23_000.0)
        with pytest.raises(RequestError, match="channels 1, 2"):
            knob.drive((3,))
        assert knob.driven == (1, 2)
    # 40 V out are allowed, but the card's input on this range stands less: nearest of all, margin of 3 dB included, and
    # the largest gain over frequency that the first look found, noise and all.
    bench = session.bench
    gain_db = max(session.first_look().gain_db.values())
    nearest = min(
        bench.file.limits.input_v_rms,
        bench.output_scale(1).v_rms_at_full_scale * 10 ** (-1 / 20),
        bench.input_scale(1).v_rms_at_full_scale * 10 ** (-(3 + gain_db) / 20),
    )
    assert highest_v_rms == pytest.approx(nearest, rel=1e-9)


def test_a_level_above_a_ceiling_is_refused_before_any_tone(cable):
    session, between = on(cable)
    with pytest.raises(InterlockRefusal), opened_knob(session, level_v_rms=1.99):
        pass
    assert between.streams == 1  # the first look alone


def test_a_load_may_get_for_long_what_it_stands_for_long(tmp_path):
    """Rated 50 W for long and 400 W for 5 s: more than 50 W (less 3 dB) is refused, though 400 W would be allowed."""
    ratings = ("rated_w = 200", "rated_w = 50\nshort_term_w = 400\nshort_term_s = 5")
    session, _ = on(bench_file(tmp_path, ratings, rate_hz=48_000))
    gain = 10.0 ** (max(session.first_look().gain_db.values()) / 20.0)
    with opened_knob(session, level_v_rms=0.1) as knob:
        # P = U²/R with 8 Ω, 3 dB of margin in hand.
        assert knob.highest_level_v_rms == pytest.approx(np.sqrt(50.0 * 8.0) / gain * 10 ** (-3 / 20), rel=1e-6)
        with pytest.raises(InterlockRefusal, match="as long as it lasts"):
            knob.set_level(1.05 * knob.highest_level_v_rms)


def test_no_high_tone_lasts_in_loudspeakers(cable):
    path = cable
    path.write_text(path.read_text().replace("[limits]", "[loudspeakers]\nnominal_ohm = 8\n[limits]"))
    session, _ = on(path)
    with pytest.raises(InterlockRefusal, match="above 2000 Hz"), opened_knob(session, frequency_hz=3000.0):
        pass
    with opened_knob(session, frequency_hz=1000.0) as knob, pytest.raises(InterlockRefusal, match="loudspeakers"):
        knob.set_frequency(2500.0)


def test_a_unit_that_was_turned_up_is_predicted_so(cable):
    """From the second stream on everything comes back twice as large (6 dB), as if a volume had been turned."""

    def louder(captured, _frame, stream):
        return captured * 2 if stream > 1 else captured

    said = []
    session, _ = on(cable, say=said.append, meddle=louder)
    with opened_knob(session, level_v_rms=0.05) as knob:
        before_v_rms = knob.highest_level_v_rms
        knob.unmute()
        settled(knob)
        knob.wait(0.1)
        after_v_rms = knob.highest_level_v_rms
    assert any("6.0 dB more gain" in line for line in said), said
    # 20 lg 2 = 6.02 dB less is allowed (the card's input is the nearest ceiling).
    assert 20 * np.log10(after_v_rms / before_v_rms) == pytest.approx(-6.02, abs=0.1)


@pytest.mark.wide  # tests/test_interface_streaming.py has the transport's own
def test_a_ceiling_passed_ends_it(tmp_path):
    """Something comes back far louder than predicted, at once: beyond 40 V at the unit's output."""
    path = bench_file(tmp_path, rate_hz=48_000)

    def far_louder(captured, frame, stream):
        return (
            np.clip(captured.astype(np.int64) * 60, -(2**31), 2**31 - 256).astype(np.int32) if stream > 1 else captured
        )

    session, between = on(path, meddle=far_louder)
    with pytest.raises(CaptureError, match="ceiling"), opened_knob(session, level_v_rms=0.1) as knob:
        knob.unmute()
        raise ended(knob)
    assert not np.any(last_sound(between)[-1])


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # the one that is killed here
@pytest.mark.parametrize("way", ["killed", *(pytest.param(way, marks=pytest.mark.wide) for way in ("hangs", "fails"))])
def test_without_its_reader_it_falls_silent(cable, monkeypatch, way):
    """The thread that reads is killed (it ends without a word), hangs, or raises."""
    strike, let_go = threading.Event(), threading.Event()
    read = live_reader.read_live

    def struck(*arguments, **rest):
        if strike.is_set():
            if way == "killed":
                raise SystemExit
            if way == "fails":
                raise RuntimeError("struck by the test")
            let_go.wait(LONGEST_S)
        return read(*arguments, **rest)

    monkeypatch.setattr(live_reader, "read_live", struck)
    session, between = on(cable)
    with pytest.raises((DeviceError, RuntimeError)) as caught, opened_knob(session, level_v_rms=0.3) as knob:
        knob.unmute()
        settled(knob)
        strike.set()
        error = ended(knob)
        let_go.set()
        raise error
    assert ("struck" if way == "fails" else "did not answer for 1 s") in str(caught.value)
    assert not np.any(last_sound(between)[-1])


@pytest.mark.wide  # tests/test_interface_streaming.py does it with each ear
def test_without_its_hand_it_falls_silent(cable):
    session, between = on(cable)
    with pytest.raises(DeviceError, match="did not answer"), opened_knob(session, level_v_rms=0.3) as knob:
        knob.unmute()
        knob.wait(0.2)
        until_s = time.monotonic() + LONGEST_S
        while not knob._transport.done.is_set():  # nobody touches the knob
            assert time.monotonic() < until_s
            time.sleep(0.05)
        knob.reading()
    assert not np.any(last_sound(between)[-1])


def test_a_take_keeps_what_was_delivered_and_is_analysed_again_to_the_same(cable, tmp_path):
    with audiomeas.live(
        bench=cable, input_level="0.3 V", frequency_hz=997, take_s=0.3, captures=tmp_path / "kept"
    ) as knob:
        with pytest.raises(RequestError, match="unmute first"):
            knob.take()
        knob.unmute()
        one = knob.take()
        two = knob.take()
    assert one.path != two.path
    for taken in (one, two):
        assert taken.result.simulated
        assert taken.result.channel(1).values["level_v_rms"] == pytest.approx(0.3, rel=1e-4)
        assert taken.result.channel(1).values["gain_db"] == pytest.approx(0.0, abs=1e-3)
        again = audiomeas.analyze("distortion", taken.path)
        assert again.as_json()["channels"] == taken.result.as_json()["channels"]
        assert json.loads(taken.path.with_name(taken.path.name + ".result.json").read_text()) == taken.result.as_json()
    assert sorted(file.suffix for file in (tmp_path / "kept").iterdir()) == sorted([".flac", ".json", ".json"] * 2)


def test_takes_of_a_unit_are_a_record(cable, tmp_path):
    where = tmp_path / "records"
    with audiomeas.live(
        bench=cable, input_level="0.3 V", take_s=0.2, unit="Demo amplifier A, serial D-0001", records=where
    ) as knob:
        knob.unmute()
        taken = knob.take()
    (found,) = find_visits(where)
    visit = read_visit(found.path).verified()
    assert visit.finished and visit.simulated
    (step,) = visit.steps
    assert (step.name, step.status) == ("Take 1", "finished")
    assert step.captures == (taken.path,)
    assert step.result.as_json() == taken.result.as_json()


@pytest.mark.wide
def test_a_record_that_takes_no_more_does_not_hide_what_ended_the_tone(cable, tmp_path):
    said = []
    with (
        pytest.raises(Interrupted, match="SIGINT"),
        audiomeas.live(
            bench=cable,
            input_level="0.3 V",
            take_s=0.2,
            unit="Demo amplifier C, serial D-0003",
            records=tmp_path / "records",
            say=said.append,
        ) as knob,
    ):
        knob.unmute()
        journal = knob.take().path.parent.parent / "journal.jsonl"
        journal.rename(tmp_path / "journal.jsonl")
        journal.mkdir()
        raise Interrupted("stopped by SIGINT")
    assert any("could not be written into the record" in line for line in said), said
    assert any("what was measured until then is kept in" in line for line in said), said


@pytest.mark.wide
def test_without_a_take_there_is_no_visit(cable, tmp_path):
    with audiomeas.live(bench=cable, unit="Demo amplifier B, serial D-0002", records=tmp_path / "records") as knob:
        knob.wait(0.05)
    assert not (tmp_path / "records").exists()


@pytest.mark.wide
def test_a_take_with_lost_samples_is_kept_and_refused(cable, tmp_path):
    """An overflow flagged by the driver during the take."""
    flagged = threading.Event()

    def flags(_frame, stream):
        return ("input overflow",) if stream > 1 and flagged.is_set() else ()

    session, _ = on(cable, flags=flags)
    kept = []

    def store(capture, recording, result, problem):
        kept.append((capture, result, problem))

    with opened_knob(session, level_v_rms=0.3, take_s=0.2, store=store) as knob:
        knob.unmute()
        settled(knob)
        flagged.set()
        knob.wait(0.2)
        with pytest.raises(CaptureError, match="input overflow"):
            knob.take()
    ((capture, result, problem),) = kept
    assert result is None and "input overflow" in problem and len(capture.samples) >= 9_600


@pytest.mark.wide
def test_over_range_is_said_and_gives_no_number(cable):
    """The converter stands at its end for some frames: level and distortion of that channel are unknown."""

    def stuck(captured, frame, stream):
        if stream > 1 and frame > 48_000:
            captured[:8, 1] = (2**23 - 1) * 256
        return captured

    session, _ = on(cable, meddle=stuck)
    with opened_knob(session, level_v_rms=0.01) as knob:
        knob.unmute()
        until_s = time.monotonic() + LONGEST_S
        while not (reading := settled(knob)).channel(2).warnings:
            assert time.monotonic() < until_s
    assert reading.channel(2).values == {} and reading.channel(2).why_not == "over-range"
    assert "level_v_rms" in reading.channel(1).values


@pytest.mark.wide  # tests/test_analysis_tone_reading.py has the flatness itself
def test_flat_tops_are_named_and_unclipped_ones_not(cable):
    """What comes back of 0.3 V is clipped 1 dB below its peak, on channel 2 only; full scale is 2 V r.m.s."""
    clip = round(0.3 / 2.0 * 10 ** (-1.0 / 20) * 2**31)

    def clipping(captured, _frame, stream):
        if stream > 1:
            captured[:, 1] = np.clip(captured[:, 1], -clip, clip) // 256 * 256
        return captured

    session, _ = on(cable, meddle=clipping)
    with opened_knob(session, level_v_rms=0.3) as knob:
        knob.unmute()
        reading = settled(knob)
    assert reading.channel(1).warnings == ()
    (words,) = reading.channel(2).warnings
    assert "flat tops (upper 0.6" in words  # 0.60 dB for 1 dB of overdrive, see test_analysis_tone_reading
    # THD_F of a sine clipped by 1 dB, up to the 19th: 4.627 % (tests/reference/thd_clipped_sine.csv). The card's true
    # full scale is a few hundredths of a dB off its calibration, at 4.6 % a dB.
    assert reading.channel(2).values["thd_percent"] == pytest.approx(4.627, abs=0.1)


@pytest.mark.parametrize("wrong", [{"frequency_hz": 5.0}, {"channels": (7,)}, {"take_s": 99.0}])
def test_wrong_requests_are_refused_before_any_sound(cable, wrong):
    session, between = on(cable)
    with pytest.raises(RequestError), opened_knob(session, **wrong):
        pass
    assert between.streams == 0


@pytest.mark.wide
def test_readings_come_at_least_five_times_a_second(cable):
    session, _ = on(cable)
    with opened_knob(session, level_v_rms=0.3) as knob:
        knob.unmute()
        settled(knob)
        began_s, first = time.monotonic(), knob.reading().number
        reading = knob.wait(10.0)
        a_second = (reading.number - first) / (time.monotonic() - began_s)
    print(f"{a_second:.1f} readings a second")
    assert a_second >= 5.0


def lines_of(monkeypatch, capsys, script, *options):
    """Run `audiomeas live --lines` in this process with a script on stdin; return status, stdout lines, stderr."""
    monkeypatch.setattr("sys.stdin", io.StringIO(script))
    status = status_of(["live", "--lines", *options])
    out, err = capsys.readouterr()
    return status, out.splitlines(), err


def test_lines_for_scripts(cable, tmp_path, monkeypatch, capsys):
    kept = tmp_path / "kept"
    script = "unmute\nwait 1.2\njump\ntake\nquit\nlevel 1.99 V\n"
    options = (
        "--bench",
        str(cable),
        "--input-level",
        "0.3 V",
        "--adjust",
        "gain",
        "--target",
        "0",
        "--tolerance",
        "0.1",
    )
    status, out, err = lines_of(
        monkeypatch, capsys, script, *options, "--json", "--take-seconds", "0.2", "--captures", str(kept)
    )
    assert status == 2  # one word was not known; what stands behind 'quit' is not looked at
    assert "refused: unknown word 'jump'" in err
    facts = [json.loads(line) for line in out]
    assert facts[0]["simulated"] and facts[0]["definitions"]["band_hz"] == [20.0, 20_000.0]
    (taken,) = (line for line in facts if "taken" in line)
    assert taken["result"]["simulated"] and list(kept.glob("*.flac")) == [Path(taken["taken"])]
    sounding = [line for line in facts if not line.get("muted", True) and line["settled"]]
    assert all(line["simulated"] for line in facts if "reading" in line)
    assert sounding[-1]["adjust"]["within"] is True
    assert sounding[-1]["channels"][0]["level_v_rms"] == pytest.approx(0.3, rel=1e-4)


def test_the_end_of_stdin_ends_it(cable, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    status, out, _ = lines_of(monkeypatch, capsys, "wait 0.4\n", "--bench", str(cable))
    assert status == 0
    assert out and all(line.startswith("SIMULATED 1000 Hz") and "muted" in line for line in out)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--json"], "give --lines too"),
        ([], "needs a terminal"),
        (["--lines", "--adjust", "volt"], "did you mean 'volts'"),
        (["--lines", "--target", "1"], "give both"),
        (["--lines", "--frequency", "fast"], "no number"),
        (["--lines", "--take-seconds", "0"], "a take lasts"),
        (["--lines", "--stage", "later"], "unknown stage"),
    ],
)
def test_wrong_options_are_one_line(options, says, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert status_of(["live", *options]) == 2
    out, err = capsys.readouterr()
    assert says in err and err.count("\n") == 1 and out == ""


def test_without_curses_it_points_to_the_lines(monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "curses", None)
    assert status_of(["live"]) == 2
    assert "no curses" in (said := capsys.readouterr().err) and "--lines" in said
