"""A unit that plays by itself, while a trimmer is turned. Truth: the closed forms of the tones that are made here."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from benches import bench_file

import audiomeas
from audiomeas.errors import RequestError
from audiomeas.interface.streaming import Heard
from audiomeas.interface.transport import from_fractions
from audiomeas.measurement.live_adjust import Adjusting, Target, find_quantity, quantities
from audiomeas.measurement.live_heard import HeardTone
from audiomeas.measurement.live_listen import Ear
from audiomeas.measurement.live_words import LiveWords
from audiomeas.present.live_view import LiveScreen, reading_line
from audiomeas.simulation.unit import shipped_units

RATE_HZ, MOMENT = 48_000, 24_000
#: Peak of full scale at the inputs, in volts.
FULL_V = 4.0


def bench(channels=(1, 2)):
    return SimpleNamespace(
        channels=channels,
        form=SimpleNamespace(sample_rate_hz=float(RATE_HZ), sample_format="int24"),
        input_v_peak=lambda channel: FULL_V,
        simulated=True,
    )


def moments(heard, left, right):
    """Read half a second after the other, of what plays (fractions of full scale)."""
    samples = from_fractions(np.stack([left, right], axis=1), "int24")
    for number, start in enumerate(range(0, len(samples) - MOMENT + 1, MOMENT)):
        yield heard.read(Heard(samples=samples[start : start + MOMENT], start=start, flags=()), number)


def tape(seconds, tone_hz, *, right_db=0.0, wander_deg=0.0, mean_deg=0.0, noise_db=-60.0, wow=1e-3, peak=0.2):
    """Return both channels of a tape: wow of 0.5 Hz, phase that wanders in 5 s, hiss."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    angle = 2 * np.pi * tone_hz * (time_s - wow * np.cos(np.pi * time_s) / np.pi)
    later = np.radians(mean_deg + wander_deg * np.sin(2 * np.pi * time_s / 5.0))
    rng = np.random.default_rng(5)
    hiss = peak * 10 ** (noise_db / 20) * rng.standard_normal((2, len(time_s)))
    right = 10 ** (right_db / 20) * np.sin(angle - later)
    return peak * np.sin(angle) + hiss[0], peak * right + hiss[1]


def left_of(rate_hz):
    """Return what a mean over a moment leaves of a slow swing: power under a Hann window weighs each instant."""
    weight = np.hanning(MOMENT + 1)[:-1] ** 2
    return float(
        np.sum(weight * np.cos(2 * np.pi * rate_hz * (np.arange(MOMENT) - MOMENT / 2) / RATE_HZ)) / np.sum(weight)
    )


def test_azimuth_is_the_mean_of_a_phase_that_wanders():
    """A sine of 20° over whole periods has the mean 0; wow of 0.1 % moves the 10 kHz tone by ten bins all the while."""
    readings = list(
        moments(HeardTone(bench(), None), *tape(5.0, 10_050.0, mean_deg=-35.0, wander_deg=20.0, right_db=-1.5))
    )
    last = readings[-1].pair
    assert all(one.settled and one.listens for one in readings)
    assert last["azimuth_deg"] == pytest.approx(-35.0, abs=0.5)  # left less right: right is ahead; hiss
    phases = [one.pair["phase_difference_deg"] for one in readings]
    assert max(phases) - min(phases) == pytest.approx(2 * 20.0 * left_of(0.2), abs=0.1)
    assert last["balance_db"] == pytest.approx(1.5, abs=0.01)
    # |1 + r|/(1 + |r|) for the phase of that moment.
    ratio = 10 ** (1.5 / 20) * np.exp(1j * np.radians(phases[-1]))
    assert last["azimuth_level_db"] == pytest.approx(20 * np.log10(abs(1 + ratio) / (1 + abs(ratio))), abs=0.01)
    assert readings[-1].channel(1).values["level_v_rms"] == pytest.approx(0.2 * FULL_V / np.sqrt(2), rel=1e-3)
    assert readings[-1].channel(2).values["level_dbv"] == pytest.approx(20 * np.log10(0.8 / np.sqrt(2)) - 1.5, abs=0.02)
    assert "speed_error_percent" not in last  # nobody said what 10 kHz was


def test_speed_is_of_the_nominal_tone_now_and_in_the_mean():
    heard = HeardTone(bench(), None)
    readings = list(moments(heard, *tape(4.0, 3150.0 * 1.004)))
    speeds = [one.pair["speed_error_percent"] for one in readings]
    # Wow of 0.5 Hz in the middle of each moment; over two whole periods it is gone.
    assert max(speeds) - min(speeds) == pytest.approx(0.2 * np.sin(np.pi / 4) * left_of(0.5), abs=1e-3)
    assert readings[-1].pair["mean_speed_error_percent"] == pytest.approx(0.4, abs=2e-3)
    heard.nominal_hz = 3000.0
    (again,) = moments(heard, *tape(0.5, 3000.0, wow=0.0))
    # Another tone than before: what was remembered of that one is gone.
    assert again.pair["mean_speed_error_percent"] == pytest.approx(0.0, abs=2e-3)


def test_another_tone_and_one_channel_twice_are_said():
    left, right = tape(2.5, 3000.0, noise_db=-90.0, mean_deg=1.0)
    *_, last = moments(HeardTone(bench(), 10_000.0), left, right)
    (words,) = last.channel(1).warnings
    assert (
        words.startswith("the tone is -70.0 % from frequency of 10000 Hz")
        and words in last.as_json()["channels"][0]["warnings"]
    )
    first, *_, last = moments(HeardTone(bench(), 3000.0), left, left)
    assert first.channel(1).warnings == () and "both channels carry the same" in last.channel(1).warnings[0]
    # A real one: 0.03 degrees and 0.005 dB are more than one channel twice.
    *_, last = moments(HeardTone(bench(), 3000.0), *tape(2.5, 3000.0, noise_db=-90.0, right_db=0.005, mean_deg=0.03))
    assert last.channel(1).warnings == ()


@pytest.mark.parametrize(("word", "known"), [("azimuth", False), ("mean-speed", True)])
def test_nothing_that_two_channels_tell_is_within_its_target_where_they_are_one(word, known):
    left, _ = tape(2.5, 3000.0, noise_db=-90.0)
    *_, last = moments(HeardTone(bench(), 3000.0), left, left)
    adjusting = Adjusting(
        find_quantity(word, listens=True), channel=1, target=Target(value=0.0, tolerance=5.0), listens=True
    )
    adjusting.see(last)
    assert adjusting.as_json()["within"] is (True if known else None)
    assert ("WITHIN" in adjusting.where()) is known


def test_no_other_tone_is_within_a_target():
    *_, last = moments(HeardTone(bench(), 10_000.0), *tape(2.5, 3000.0, noise_db=-90.0, mean_deg=1.0))
    for value, within, words in ((0.0, None, ": not known, by the warning, 1.0 °"), (20.0, False, "TOO LOW")):
        target = Target(value=value, tolerance=5.0)
        adjusting = Adjusting(find_quantity("azimuth", listens=True), channel=1, target=target, listens=True)
        adjusting.see(last)
        assert adjusting.as_json()["within"] is within and words in adjusting.where()


def test_separation_is_heard_below_the_noise_or_is_a_bound():
    (far,) = moments(HeardTone(bench(), None), *tape(0.5, 1000.0, right_db=-45.0, noise_db=-40.0))
    assert far.pair["separation_db"] == pytest.approx(45.0, abs=0.7) and not far.pair_bound
    (none,) = moments(HeardTone(bench(), None), *tape(0.5, 1000.0, right_db=-200.0, noise_db=-60.0))
    assert none.pair_bound == {"separation_db": "at least"} and none.pair["separation_db"] > 75.0
    adjusting = Adjusting(find_quantity("separation", listens=True), channel=1, listens=True)
    adjusting.see(none)
    assert adjusting.as_json()["bound"] == "at least"
    assert "separation at least" in reading_line(none, adjusting)


def test_silence_noise_over_range_and_a_leader_tell_nothing():
    noise = 0.01 * np.random.default_rng(1).standard_normal((2, MOMENT))
    for left, right in (np.zeros((2, MOMENT)), noise):
        (one,) = moments(HeardTone(bench(), None), left, right)
        assert not one.settled and one.channel(1).why_not == "no tone is heard" and one.pair == {}
        assert one.as_json()["frequency_hz"] is None
    (clipped,) = moments(HeardTone(bench(), None), *np.clip(tape(0.5, 1000.0, peak=1.2), -1.0, 1.0))
    assert clipped.channel(2).why_not == "over-range" and "over-range" in clipped.channel(1).warnings[0]
    left, right = tape(0.5, 3150.0)
    begun = np.arange(MOMENT) > 0.4 * MOMENT
    (begins,) = moments(HeardTone(bench(), None), left * begun, right * begun)
    assert not begins.settled and "mean_speed_error_percent" not in begins.pair


def test_one_channel_has_a_level_and_a_speed():
    (one,) = moments(HeardTone(bench((1,)), None), *tape(0.5, 3150.0, wow=0.0))
    assert set(one.pair) == {"speed_error_percent", "mean_speed_error_percent"}
    assert one.pair["speed_error_percent"] == pytest.approx(0.0, abs=2e-3)


def test_what_can_be_adjusted_depends_on_who_plays():
    heard, played = ({one.word for one in quantities(listens=listens)} for listens in (True, False))
    assert {"azimuth", "azimuth-level", "speed", "mean-speed", "separation"} == heard - played
    assert {"watts", "gain", "thd", "thd-n", "symmetry", "crosstalk"} == played - heard
    with pytest.raises(RequestError, match="leave out listen_only"):
        find_quantity("gain", listens=True)
    with pytest.raises(RequestError, match="give listen_only"):
        find_quantity("azimuth")
    adjusting = Adjusting(find_quantity("mean-speed", listens=True), channel=1, listens=True)
    words = [adjusting.quantity.word for _ in heard if adjusting.next() is None]
    assert set(words) == heard


def test_words_turn_nothing():
    ear = Ear.__new__(Ear)
    words = LiveWords(ear, Adjusting(find_quantity("volts"), channel=1))
    for line in ("up", "level 1 V", "unmute", "take", "channels 1"):
        with pytest.raises(RequestError, match="nothing is sent"):
            words.obey(line)
    for do in (words.toggle, lambda: words.step_frequency(1)):
        with pytest.raises(RequestError, match="nothing is sent"):
            do()
    words.obey("quit")
    assert words.over


def test_a_screen_says_that_nothing_is_sent():
    (one,) = moments(HeardTone(bench(), None), *tape(0.5, 10_000.0, mean_deg=12.0))
    adjusting = Adjusting(
        find_quantity("azimuth", listens=True), channel=1, target=Target(value=0.0, tolerance=20.0), listens=True
    )
    adjusting.see(one)
    for width, height in ((80, 24), (60, 16), (20, 5)):
        lines = LiveScreen(reading=one, adjusting=adjusting, nominal_hz=10_000.0).lines(width, height)
        assert len(lines) <= height and all(len(line) <= width for line in lines)
    text = "\n".join(LiveScreen(reading=one, adjusting=adjusting, nominal_hz=10_000.0).lines(100, 30))
    for said in ("LISTENING, nothing is sent", "WITHIN", "10000 Hz", "mean 12.0", "f frequency", "q quits"):
        assert said in text
    assert "SPACE" not in text


def test_an_ear_hears_the_simulated_deck_and_sends_nothing(tmp_path):
    unit = tmp_path / "unit.toml"
    text = shipped_units()["cassette-deck"].read_text(encoding="utf-8")
    unit.write_text(text.replace("leader_s = 25.0", "leader_s = 0.1"), encoding="utf-8")
    file = bench_file(tmp_path, ('"50:1"', '"direct"'), unit=str(unit), rate_hz=48_000)
    with audiomeas.live_listen(bench=file, frequency_hz=3000.0) as ear:
        found = next(one for one in itertools.islice(ear.readings(), 100) if one.settled)
        with pytest.raises(RequestError, match="300 to"):
            ear.set_nominal(50.0)
    assert found.simulated and found.as_json()["input_level_v_rms"] is None
    # [medium]: +0.25 %, with up to 0.13 % of wow and flutter on it.
    assert found.pair["speed_error_percent"] == pytest.approx(0.25, abs=0.13)
