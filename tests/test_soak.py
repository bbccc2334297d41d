"""Soaks on a quick cable. Truth: what was done to the signal, frame by frame, and closed forms beside each check."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from soak_benches import quick_session

from audiomeas.errors import DeviceError, FileProblem, InterlockRefusal, Interrupted, RequestError
from audiomeas.measurement import soak_fold
from audiomeas.measurement.soak_lines import LOST
from audiomeas.measurement.soak_reading import SecondsOf, read_tone_channel
from audiomeas.measurement.soak_sleep import Sleep
from audiomeas.measurement.soak_stream import soak_stream
from audiomeas.measurement.soak_views import caption, charts
from audiomeas.plan import soak_run
from audiomeas.plan.soak import soak, soak_on
from audiomeas.plan.soak_request import SoakRequest, request_from
from audiomeas.present.stay import page_content
from audiomeas.present.stay_words import stay_topics
from audiomeas.record.reanalyze import reanalyze
from audiomeas.record.soak_log import LOG_FILE, SoakLog, read_log
from audiomeas.record.soak_so_far import steps_so_far
from audiomeas.record.store import find_visits
from audiomeas.record.unit_folder import unit_meant

#: As slow as a card may be: days of seconds are read in minutes.
RATE_HZ = 16_000
UNIT = "Demo amplifier A, serial D-0001"
#: The stream of the soak itself: the first look comes before it.
SOAK_STREAM = 2


def at(seconds):
    return round(seconds * RATE_HZ)


def soaked(folder, *, seconds, befalls=None, hand=None, said=None, resume=None, **request):
    """Soak for so many seconds of sound, and return the outcome and the lines of its log's newest part."""
    session, _ = quick_session(folder, rate_hz=RATE_HZ, say=None if said is None else said.append, befalls=befalls)
    outcome = soak_on(
        session,
        SoakRequest(**{"hours": seconds / 3600.0, "input_level": "0.5 V", "spot_minutes": 0.0, **request}),
        unit=unit_meant(folder / "records", UNIT),
        records=folder / "records",
        hand=hand,
        say=None if said is None else said.append,
        resume=resume,
    )
    return outcome, list(read_log(outcome.visit.step("Soak").folder / LOG_FILE))


def kinds(lines, channel=...):
    return [one["kind"] for one in lines if one["line"] == "event" and (channel is ... or one["channel"] == channel)]


@pytest.mark.parametrize("first", [0, 8_000, RATE_HZ - 40])
def test_a_gap_of_40_frames_is_seen_wherever_in_a_second_it_stands(first):
    """A window shows nothing of it at the ends. A clean second has none, and one of zeros alone (the unit is off)."""
    of = SecondsOf(sample_rate_hz=RATE_HZ, frequency_hz=1000.0, level_v_rms=1.0, mains_hz=50.0)
    # A tone's own zeros stand alone: noise of a 24-bit card is added, seeded.
    noise = 1e-6 * np.random.default_rng(11).standard_normal(RATE_HZ)
    clean = np.sin(2.0 * np.pi * 1000.0 * np.arange(RATE_HZ) / RATE_HZ) + noise
    torn = clean.copy()
    torn[first : first + 40] = 0.0
    watchman = of.watchman()
    seen = [watchman.see(read_tone_channel(1, volts, of).moment) for volts in (clean, clean, clean, torn, clean)]
    assert [[one.kind for one in each] for each in seen] == [[], [], [], ["samples lost"], []]
    assert seen[3][0].words.startswith("40 frames")
    assert not read_tone_channel(1, np.zeros(RATE_HZ), of).moment.zero_frames


def during(samples, frame, start_s, stop_s):
    """Return which rows of a block lie between two times."""
    frames = frame + np.arange(len(samples))
    return (frames >= at(start_s)) & (frames < at(stop_s))


class Late:
    """From a time on all comes a frame later: one frame is there twice."""

    def __init__(self, from_s):
        self._from, self._last = at(from_s), np.zeros((1, 2))

    def __call__(self, samples, frame, stream):
        late, self._last = np.vstack([self._last, samples[:-1]]), samples[-1:]
        return late if stream == SOAK_STREAM and frame >= self._from else samples


class Many:
    """+0.5 dB from 12 s on, 30 ms at −6 dB at 20 s, 50 Hz from 27 s on channel 2, a frame twice at 34 s."""

    def __init__(self):
        self._late = Late(34.0)

    def __call__(self, samples, frame, stream):
        if stream != SOAK_STREAM:
            return samples
        samples = samples.copy()
        samples[during(samples, frame, 12.0, 1e6)] *= 10.0 ** (0.5 / 20.0)
        samples[during(samples, frame, 20.1, 20.13)] *= 0.5
        humming = during(samples, frame, 27.0, 1e6)
        phase = 2.0 * np.pi * 50.0 * (frame + np.arange(len(samples))) / RATE_HZ
        samples[humming, 1] += 1e-4 * np.sin(phase[humming])
        return self._late(samples, frame, stream)


def test_each_thing_that_befalls_is_an_event_with_its_time_and_its_sound(tmp_path):
    outcome, lines = soaked(tmp_path, seconds=40.0, befalls=Many())
    assert kinds(lines, 1)[:2] == ["level step", "drop-out"]
    assert kinds(lines, 2)[:2] == ["level step", "drop-out"]
    assert "hum rise" in kinds(lines, 2)
    assert "hum rise" not in kinds(lines, 1)
    assert "samples lost" in kinds(lines)
    when = {one["kind"]: one["after_s"] for one in lines if one["line"] == "event" and one["channel"] == 2}
    # A second is told at its end; a step and a rise are told when the second one shows them too.
    assert when["level step"] == pytest.approx(14.0, abs=1.0)
    assert when["drop-out"] == pytest.approx(21.0, abs=0.6)
    assert when["hum rise"] == pytest.approx(29.0, abs=1.1)
    step = next(one for one in lines if one.get("kind") == "level step")
    # +0.5 dB by construction; the log has two decimals.
    assert float(step["words"].split()[0]) == pytest.approx(0.5, abs=0.011)
    folder = outcome.visit.step("Soak").folder
    kept = [one["capture"] for one in lines if one["line"] == "kept"]
    assert kept
    assert all((folder / name).exists() and (folder / f"{name}.json").exists() for name in kept)
    assert outcome.verdict == "fail"
    (marks,) = (one for one in charts(outcome.result)[0].series if one.role == "points")
    told_s = sorted({(one["after_s"], one["kind"], one["channel"]) for one in lines if one["line"] == "event"})
    assert [60.0 * minutes for minutes in marks.x] == pytest.approx([after_s for after_s, _, _ in told_s])
    assert sorted(filter(None, marks.labels)) == sorted(set(kinds(lines)))
    first = outcome.result.channel(1).values
    assert first["events"] >= 2
    assert first["bench_events"] >= 1


def test_a_healthy_unit_passes_and_its_figures_are_those_of_the_cable(tmp_path, monkeypatch):
    monkeypatch.setattr(soak_fold, "ENDS_S", 10)  # beginning and end of a minute each would take two minutes
    outcome, lines = soaked(tmp_path, seconds=25.0)
    full_scale_v_peak = quick_session(tmp_path, rate_hz=RATE_HZ)[0].bench.input_v_peak(1)
    assert kinds(lines) == []
    assert outcome.verdict == "pass"
    told = stay_topics(page_content(outcome.visit).stay)
    (run_in,) = [line.text for topic in told for line in topic.lines if topic.words == "Hours of run-in"]
    # 31.25 mW lie on the edge of two roundings.
    assert run_in.replace("0.0313", "0.0312") == (
        "It played for 25 s at 0.0312 W a channel while each second was watched, without an event."
    )
    channel = outcome.result.channel(1)
    # A cable: 0.5 V in are 0.5 V out; 8 Ω are in the bench file. The card's 24 bits round to 1e-7.
    assert channel.values["end_level_v_rms"] == pytest.approx(0.5, rel=1e-5)
    assert channel.values["mean_w"] == pytest.approx(0.5**2 / 8.0, rel=2e-5)
    assert channel.values["energy_wh"] == pytest.approx(0.5**2 / 8.0 * 25.0 / 3600.0, rel=2e-5)
    assert channel.values["sounding_h"] == pytest.approx(25.0 / 3600.0)
    assert abs(channel.values["gain_change_db"]) < 1e-5
    seconds = [one for one in lines if one["line"] == "second"]
    assert [one["after_s"] for one in seconds] == [float(n) for n in range(1, len(seconds) + 1)]  # no gap
    assert sum(one["state"] == "playing" for one in seconds) == 25
    # White noise of 1e-5 full scale a sample up to half the rate: its part from 20 Hz on (closed form); a second's
    # estimate of a power from 8,000 lines is known to 1.6 %.
    noise_v = 1e-5 * full_scale_v_peak * math.sqrt(7_980.0 / 8_000.0)
    assert channel.values["end_noise_v_rms"] == pytest.approx(noise_v, rel=0.02)


def test_what_the_bench_missed_leaves_a_clean_soak_undecided(tmp_path):
    outcome, lines = soaked(tmp_path, seconds=12.0, befalls=Late(8.0))
    assert set(kinds(lines)) == {"samples lost"}
    events = next(row for row in outcome.verdicts if row.quantity == "events")
    assert (events.value, events.verdict) == (0.0, "undecided")


def test_a_protection_that_opens_mutes_and_ends_it(tmp_path):
    def opens(samples, frame, stream):
        samples = samples.copy()
        if stream == SOAK_STREAM:
            samples[during(samples, frame, 14.0, 1e6), 0] *= 1e-4
        return samples

    outcome, lines = soaked(tmp_path, seconds=600.0, befalls=opens)
    assert kinds(lines) == ["signal gone"]
    assert [one["state"] for one in lines if one["line"] == "second"][-5:] == ["muted"] * 5
    assert lines[-1]["line"] == "end"
    assert "signal gone, channel 1" in lines[-1]["reason"]
    assert outcome.verdict == "fail"
    # It is told that it stood so long at least: fewer hours than asked for are no failure of their own.
    hours = next(row for row in outcome.verdicts if row.quantity == "sounding_h")
    assert hours.verdict == "undecided"


def test_clipping_mutes(tmp_path):
    def clips(samples, frame, stream):
        samples = samples.copy()
        if stream == SOAK_STREAM:
            top = 0.5 * np.max(np.abs(samples)) if frame > at(12.0) else 10.0
            samples = np.clip(samples, -max(top, 1e-3), max(top, 1e-3))
        return samples

    _, lines = soaked(tmp_path, seconds=600.0, befalls=clips)
    assert "clipping" in kinds(lines)
    assert "muted" in [one.get("state") for one in lines]


class Person:
    """Answers when it is asked. answers : what a prompt holds → the line."""

    there = True

    def __init__(self, said, answers):
        self._said, self._answers, self._read = said, answers, 0

    def said(self):
        while self._read < len(self._said):
            line = self._said[self._read]
            self._read += 1
            for asked, answer in self._answers.items():
                if asked in line:
                    return answer
        return None


def test_a_person_reads_the_meter_and_switches_off_and_on(tmp_path):
    told = []
    person = Person(told, {"type 'off'": "off", "type 'on'": "on", "read the meter": "offset 1 12 mV"})
    outcome, lines = soaked(
        tmp_path,
        seconds=16.0,
        hand=person,
        said=told,
        cycles=1,
        off_minutes=0.05,
        offsets_h=(0.0,),
        channels=(1,),
        meter="0.5 % + 2 digits",
    )
    assert [one["value_v"] for one in lines if one["line"] == "typed"] == [0.012]
    assert outcome.visit.step("d.c. offset at 0 h").verdicts[0].verdict == "pass"
    assert outcome.result.channel(1).values["cycles_done"] == 1.0
    states = [one["state"] for one in lines if one["line"] == "second"]
    assert states.count("off") >= 3
    assert states.count("playing") == 16
    # 16 s have no beginning and end apart: what changed meanwhile can't be told, and is never a pass.
    assert outcome.verdict == "undecided"


def test_an_offset_beyond_its_stop_ends_it_and_nonsense_is_refused(tmp_path):
    told = []
    person = Person(told, {"read the meter": "offset 3 1 V", "refused": "offset 2 -150 mV"})
    outcome, lines = soaked(tmp_path, seconds=60.0, hand=person, said=told, offsets_h=(0.0,))
    assert any("refused" in line and "channels 1, 2" in line for line in told)
    assert kinds(lines) == ["d.c. offset"]
    assert outcome.verdict == "fail"


def test_what_was_broken_off_goes_on_and_its_hours_are_summed(tmp_path):
    told = []
    with pytest.raises(Interrupted):
        soaked(tmp_path, seconds=20.0, hand=Quits(), said=told)
    (visit,) = find_visits(tmp_path / "records")
    assert not visit.finished
    before = [one for one in read_log(visit.step("Soak").folder / LOG_FILE) if one.get("state") == "playing"]
    assert "go on with it later" in " ".join(told)
    # What the log holds by now can be drawn: as many seconds as its lines say, and no verdict.
    (so_far,) = steps_so_far(visit)
    assert so_far.result.channel(1).values["sounding_h"] == pytest.approx(len(before) / 3600.0)
    assert caption(so_far.result).startswith(f"a tone of 1000 Hz for {len(before)} s so far. A change is told from")
    assert not so_far.verdicts
    request = request_from(visit.plan_text, visit.path)
    session, _ = quick_session(tmp_path, rate_hz=RATE_HZ)
    outcome = soak_on(session, request, unit=visit.unit, records=tmp_path / "records", resume=visit.path)
    assert outcome.result.conditions["parts"] == 2
    again = list(read_log(outcome.visit.step("Soak").folder / LOG_FILE))
    assert sum(one.get("state") == "playing" for one in again) == 20 - len(before)
    assert outcome.result.channel(1).values["sounding_h"] == pytest.approx(20.0 / 3600.0)
    assert min(one["after_s"] for one in again) >= max(one["after_s"] for one in before)
    # The result is made of the logs of both parts, and can be made of them again.
    assert [one.outcome for one in reanalyze(outcome.visit.path).steps] == ["the same"]


class Quits:
    """Says 'quit' after some looks."""

    there = True

    def __init__(self):
        self._looks = 0

    def said(self):
        self._looks += 1
        return "quit" if self._looks == 9 else None


def test_spot_measurements_are_steps_and_energy_has_a_ceiling(tmp_path):
    watts = 0.5**2 / 8.0
    outcome, lines = soaked(tmp_path, seconds=600.0, spot_minutes=0.1, most_wh=watts * 8.0 / 3600.0, spots=("gain",))
    spots = [step for step in outcome.visit.steps if step.measurement == "gain"]
    assert len(spots) == 2  # how it began, and after six seconds
    # A cable has 0 dB.
    assert [one.result.channel(1).values["gain_db"] for one in spots] == pytest.approx([0.0, 0.0], abs=1e-3)
    assert sum(one.get("state") == "playing" for one in lines) == 8
    assert "Wh" in lines[-1]["reason"]


def test_streams_share_their_rings_until_one_is_lost(tmp_path, monkeypatch):
    """After a spot measurement the same, so that memory stays; after a loss others, out of a dead driver's reach."""
    given = []

    def gone_once(session, sound, rings, **more):
        given.append(rings)
        if len(given) == 3:
            raise DeviceError("the card is gone")
        return soak_stream(session, sound, rings, **more)

    monkeypatch.setattr(soak_run, "soak_stream", gone_once)
    _, lines = soaked(
        tmp_path,
        seconds=5.0,
        spot_minutes=1.0 / 30.0,
        spots=("gain",),
        befalls=lambda samples, frame, stream: samples * (1.0 - 0.001 * stream),
    )
    assert kinds(lines) == [LOST]
    assert [given.index(one) for one in given] == [0, 0, 0, 3]
    levels = [one["channels"][0]["level_v_rms"] for one in lines if one.get("state") == "playing"]
    # Each second has the gain of its own stream, not of one before: the first look is the first, and spots are streams.
    streams = np.array([3, 3, 5, 5, 7])
    assert levels == pytest.approx(list(0.5 * (1.0 - 0.001 * streams)), rel=1e-4)


def test_a_sleep_of_the_machine_is_a_gap_that_is_told(tmp_path, monkeypatch):
    asked = []

    def slept_s():
        asked.append(1)
        return 3600.0 if len(asked) == 5 else 0.0

    monkeypatch.setattr(soak_run, "sleep_clock", lambda simulated: slept_s)
    outcome, lines = soaked(tmp_path, seconds=8.0)
    (slept,) = [one for one in lines if one["line"] == "event"]
    assert (slept["kind"], slept["slept_s"]) == ("machine slept", 3600.0)
    assert "3600 s" in slept["words"]
    # Asked once a second: it came before the fifth, and all after it are an hour later.
    after_s = [one["after_s"] for one in lines if one["line"] == "second"]
    assert slept["after_s"] == 3604.0
    assert after_s == [float(n) + (3600.0 if n >= 5 else 0.0) for n in range(1, len(after_s) + 1)]
    # It sounded no longer for it, and what the unit did meanwhile is not known.
    assert sum(one.get("state") == "playing" for one in lines) == 8
    events = next(row for row in outcome.verdicts if row.quantity == "events")
    assert events.verdict == "undecided"


def test_a_sleep_is_what_one_clock_counts_and_the_other_does_not():
    now = {"goes on": 1000.0, "stands": 50.0}

    def passes(goes_on_s, stands_s):
        now["goes on"] += goes_on_s
        now["stands"] += stands_s
        return sleep.slept_s()

    sleep = Sleep(lambda: now["goes on"], lambda: now["stands"])
    assert passes(10.0, 10.0) == 0.0
    assert passes(70.0, 10.0) == pytest.approx(60.0)
    assert passes(1.0, 1.0) == 0.0
    assert passes(-7200.0, 1.0) == 0.0  # a wall clock that is set back
    assert passes(1.3, 1.0) == 0.0  # read one after the other, on a busy machine
    assert Sleep().slept_s() == 0.0  # of this machine, which is awake


def test_impossible_requests_are_refused_before_any_sound(tmp_path):
    for wrong, words in (
        ({"hours": 0.0}, "hours"),
        ({"rated": "60 W"}, "one level"),
        ({"power_share": 2.0}, "power_share"),
        ({"hours": -3.0}, "hours of -3 can't be: use more than 0 and at most 1000"),
        ({"spot_minutes": -1.0}, "use 0 or more"),
        ({"most_wh": 0.0}, "no energy"),
        ({"spots": ("power",)}, "finds its own levels"),
        ({"spots": ("soak",)}, "of itself"),
        ({"spots": ("flutter",)}, "plays by itself"),
        ({"cycles": 1}, "nobody is there"),
        ({"frequency_hz": 1000.5}, "whole number"),
        ({"sound": "pink", "crest_db": 3.0}, "crest_db"),
        ({"sound": "pink", "frequency_hz": 100.0}, "frequency_hz belongs to sound tone, and sound is 'pink'"),
        ({"crest_db": 9.0}, "crest_db belongs to sound pink"),
        ({"sound": str(tmp_path / "none.wav")}, "none.wav"),
        ({"sound": "pinkk"}, r"'pinkk' is not there \(did you mean 'pink'"),
        ({"channels": (3,)}, "no channel 3"),
    ):
        with pytest.raises(RequestError, match=words):
            soak(unit=UNIT, records=tmp_path / "records", **{"hours": 1.0, "input_level": "0.1 V", **wrong})
    with pytest.raises(InterlockRefusal, match="loudspeakers"):
        soak(unit=UNIT, records=tmp_path / "records", input_level="0.1 V", loudspeakers="8 ohm")
    assert not list(tmp_path.glob("records/*/*/01*"))


def test_what_a_ceiling_refuses_is_not_said_to_go_on_later(tmp_path):
    said = []
    with pytest.raises(InterlockRefusal, match="ceiling"):
        soaked(tmp_path, seconds=1.0, said=said, input_level="200 V")
    assert "go on with it later" not in " ".join(said)


def test_a_log_can_be_read_after_any_cut_and_names_a_damaged_line(tmp_path):
    path = tmp_path / LOG_FILE
    with SoakLog(path) as log:
        for number in range(5):
            log.write({"line": "second", "after_s": float(number)}, at_once=number == 2)
    whole = path.read_bytes()
    for cut in range(0, len(whole) + 1, 3):
        path.write_bytes(whole[:cut])
        assert len(list(read_log(path))) in (whole[:cut].count(b"\n"), whole[:cut].count(b"\n") + 1)
    path.write_bytes(whole.replace(b'"after_s": 1.0', b'"after_s: 1.0'))
    with pytest.raises(FileProblem, match="line 2"):
        list(read_log(path))
    with pytest.raises(FileProblem):
        SoakLog(path)  # never over another one


_RUNS = """
import sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from soak_benches import quick_session
from audiomeas.plan.soak import soak_on
from audiomeas.plan.soak_request import SoakRequest
from audiomeas.record.unit_folder import unit_meant
folder = Path({folder!r})
session, cable = quick_session(folder)
request = SoakRequest(hours=100.0, input_level="0.5 V", spot_minutes=1.0)
soak_on(session, request, unit=unit_meant(folder / "records", {unit!r}), records=folder / "records")
"""


def killed(folder, after_s):
    """Run a soak in a process of its own, kill it after so long, and return the lines of its log."""
    code = _RUNS.format(tests=str(Path(__file__).parent), folder=str(folder), unit=UNIT)
    process = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE)
    until_s = time.monotonic() + 120.0
    while not (logs := list(folder.glob(f"records/*/2*/*/{LOG_FILE}"))) and time.monotonic() < until_s:
        assert process.poll() is None, process.stderr.read()
        time.sleep(0.02)
    time.sleep(after_s)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    process.stderr.close()
    return logs[0], list(read_log(logs[0]))


@pytest.mark.wide
def test_killed_at_20_random_moments_the_log_is_whole(tmp_path):
    rng = np.random.default_rng(20261126)
    for number in range(20):
        folder = tmp_path / str(number)
        folder.mkdir()
        path, lines = killed(folder, float(rng.uniform(0.0, 6.0)))
        seconds = [one for one in lines if one["line"] == "second"]
        assert len(seconds) > 0 or path.stat().st_size > 0
        steps = np.diff([one["after_s"] for one in seconds])
        # Whole seconds one after the other; a spot measurement stands between two of them.
        assert np.all(steps > 0.0)
        spots = sum(one["line"] == "note" for one in lines)
        assert int(np.sum(np.abs(steps - 1.0) > 1e-6)) <= spots
        (visit,) = find_visits(folder / "records")
        assert json.loads(json.dumps(lines[0]))["line"] == "begin"
        request = request_from(visit.plan_text, visit.path)
        assert request.hours == 100.0


def test_who_says_a_word_and_leaves_has_said_it():
    """A script's last line may come, and its pipe end, while a second is read."""

    class Leaves:
        lines = ()
        there = True

    class OnTheWay:
        _say = _write = staticmethod(lambda *_: None)
        _watch = SimpleNamespace(after_s=lambda *_: 0.0, anomaly="")
        _session = SimpleNamespace(simulated=True)
        _hand = Leaves()

        def _second(self, *_):
            heard, self._hand.lines = self._hand.lines, ()
            if self._hand.there:
                self._hand.lines, self._hand.there = (SimpleNamespace(word="on"),), False
            return heard

    stream = SimpleNamespace(frame=0)
    way = OnTheWay()
    assert soak_run.SoakRun._said(way, stream, "switch it on", "on", "off")
    assert not soak_run.SoakRun._said(way, stream, "switch it on", "on", "off")


@pytest.mark.wide
def test_24_hours_in_constant_memory(tmp_path):
    """Resident memory after half an hour of it and at its end differ by less than 5 MB; each second is in the log."""
    held_mb = {}

    class Looks:
        there = True

        def __init__(self):
            self.looks = 0

        def said(self):
            self.looks += 1
            if self.looks in (1800, 43_200, 86_000):
                status = Path("/proc/self/status").read_text()
                held_mb[self.looks] = float(status.split("VmRSS:")[1].split()[0]) / 1024.0
            return None

    session, _ = quick_session(tmp_path, rate_hz=RATE_HZ)
    outcome = soak_on(
        session,
        SoakRequest(hours=24.0, input_level="0.5 V", spot_minutes=0.0),
        unit=unit_meant(tmp_path / "records", UNIT),
        records=tmp_path / "records",
        hand=Looks(),
    )
    assert outcome.result.channel(1).values["sounding_h"] == pytest.approx(24.0)
    previous = 0.0
    for line in read_log(outcome.visit.step("Soak").folder / LOG_FILE):
        if line["line"] == "second":
            assert line["after_s"] == pytest.approx(previous + 1.0)
            previous = line["after_s"]
    assert previous >= 86_400.0
    assert len(outcome.result.channel(1).values["course"]) <= 720
    assert max(held_mb.values()) - held_mb[1800] < 5.0, held_mb
    print(held_mb)
