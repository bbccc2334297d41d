"""Words that turn the knob, the quantity that is adjusted, and the lines that show it. Truth: arithmetic by hand."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import replace

import pytest

from audiomeas.errors import RequestError
from audiomeas.measurement.live import Wish
from audiomeas.measurement.live_adjust import Adjusting, Target, find_quantity, quantities
from audiomeas.measurement.live_reading import ChannelReading, LiveReading
from audiomeas.measurement.live_words import LiveWords, hertz, next_frequency_hz
from audiomeas.present.big_figure import DOT_LINES, big_figure
from audiomeas.present.live_view import (
    KEYS,
    LEAST_COLUMNS,
    LEAST_LINES,
    LiveScreen,
    Playing,
    position_line,
    reading_line,
)


class Remembering:
    """Stands for a knob: remembers what was done to it."""

    there = (1, 2)

    def __init__(self):
        self.done = []
        self.muted = True
        self.wish = Wish(frequency_hz=1000.0, level_v_rms=0.1)

    def __getattr__(self, name):
        def do(*arguments):
            self.done.append((name, *arguments))
            return Future()

        return do


def words_of(knob):
    return LiveWords(knob, Adjusting(find_quantity("volts"), channel=1))


@pytest.mark.parametrize(
    ("line", "done"),
    [
        ("up", ("raise_db", 0.1)),
        ("UP 1", ("raise_db", 1.0)),
        ("down 0.5 dB", ("raise_db", -0.5)),
        ("level 250 mV", ("set_level", 0.25)),
        ("level 0 dBV", ("set_level", 1.0)),
        ("frequency 997", ("set_frequency", 997.0)),
        ("frequency 1.5 kHz", ("set_frequency", 1500.0)),
        ("channels 2", ("drive", (2,))),
        ("channels both", ("drive", (1, 2))),
        ("  mute ", ("mute",)),
        ("unmute", ("unmute",)),
        ("take", ("begin_take",)),
    ],
)
def test_words(line, done):
    knob = Remembering()
    words_of(knob).obey(line)
    assert knob.done == [done]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("mut", "did you mean 'mute'"),
        ("jump", "known: up, down"),
        ("up -1", "without a sign"),
        ("up loud", "no number"),
        ("level 1 W", "into the unit"),
        ("level 1", "number with a unit"),
        ("frequency nan", "no number"),
        ("frequency", "no number"),
        ("channels 3", "write 1, 2 or both"),
        ("wait", "no number"),
        ("wait 1e9", "write seconds"),
        ("mute now", "stands alone"),
    ],
)
def test_wrong_words_do_nothing(line, says):
    knob = Remembering()
    with pytest.raises(RequestError, match=says):
        words_of(knob).obey(line)
    assert knob.done == []


def test_wait_quit_reset_and_an_empty_line():
    knob = Remembering()
    words = words_of(knob)
    words.obey("")
    words.obey("wait 0.5")
    assert words.waits_s == 0.5 and not words.over
    words.obey("quit")
    assert words.over and knob.done == []


def test_one_key_mutes_and_unmutes():
    knob = Remembering()
    words = words_of(knob)
    words.toggle()
    knob.muted = False
    words.toggle()
    assert knob.done == [("unmute",), ("mute",)]


def test_frequencies_of_the_third_octave_series():
    """IEC 61260-1, base ten: 1000 · 10^(n/10) Hz."""
    assert next_frequency_hz(1000.0, 1) == pytest.approx(1258.925, abs=1e-3)
    assert next_frequency_hz(1000.0, -1) == pytest.approx(794.328, abs=1e-3)
    assert next_frequency_hz(1100.0, 1) == pytest.approx(1258.925, abs=1e-3)
    assert next_frequency_hz(1100.0, -1) == pytest.approx(1000.0, abs=1e-3)
    hz = 20.0
    for _ in range(30):  # three decades up
        hz = next_frequency_hz(hz, 1)
    assert hz == pytest.approx(1000.0 * 10**1.3, rel=1e-9)
    assert hertz("2k") == hertz("2000 Hz") == 2000.0


def reading(value=0.5, *, key="level_v_rms", settled=True, number=1, warnings=(), simulated=False, **values):
    told = {"level_v_rms": 2.0, "gain_db": 26.0, "upper_flat_db": 0.0, "lower_flat_db": 0.0, **values, key: value}
    one = ChannelReading(channel=1, driven=True, values=told, bound={}, harmonics=((3, -80.28),), warnings=warnings)
    other = ChannelReading(channel=2, driven=False, values={}, bound={}, why_not="not driven")
    wish = Wish(frequency_hz=1000.0, level_v_rms=0.05, sounding=(1,))
    return LiveReading(
        number=number, settled=settled, wish=wish, channels=(one, other), pair={"crosstalk_db": -71.5},
        simulated=simulated,
    )  # fmt: skip


def test_extremes_are_of_settled_readings_and_are_forgotten():
    adjusting = Adjusting(find_quantity("volts"), channel=1)
    for value, settled in ((1.0, True), (0.5, True), (9.0, False), (1.5, True)):
        adjusting.see(reading(value, settled=settled))
    assert (adjusting.value, adjusting.least, adjusting.most) == (1.5, 0.5, 1.5)
    adjusting.forget()
    assert adjusting.extremes() == ""
    adjusting.see(reading(2.0))
    assert (adjusting.least, adjusting.most) == (2.0, 2.0)


@pytest.mark.parametrize(
    ("value", "says", "within"),
    [(2.04, "WITHIN, 0.04000 V above", True), (2.0, "WITHIN", True), (1.9, "TOO LOW, 0.1000 V below", False),
     (2.2, "TOO HIGH, 0.2000 V above", False)],
)  # fmt: skip
def test_where_it_stands_is_said_in_words_and_as_a_place(value, says, within):
    target = Target(value=2.0, tolerance=0.05)
    adjusting = Adjusting(find_quantity("volts"), channel=1, target=target)
    adjusting.see(reading(value))
    assert says in adjusting.where()
    assert adjusting.as_json()["within"] is within
    line = position_line(value, target, 80)
    place = line.find("o") if "o" in line else {"<": -1, ">": 99}[line.strip("·[]|")]
    low, high = line.find("["), line.find("]")
    assert (low <= place <= high or "o" not in line) if within else not low < place < high
    assert (place > line.find("|")) == (value > 2.0) or value == 2.0


def test_a_value_that_is_not_known_is_said_so():
    adjusting = Adjusting(find_quantity("watts"), channel=1, target=Target(value=1.0, tolerance=0.1))
    adjusting.see(reading())
    assert adjusting.value is None
    assert "not known" in adjusting.where()
    assert adjusting.as_json()["within"] is None
    screen = screen_of(reading(), adjusting)
    assert "not known" in screen.lines(80, 24)


def test_the_next_quantity_leaves_the_target_behind():
    adjusting = Adjusting(find_quantity("volts"), channel=1, target=Target(value=1.0, tolerance=0.1))
    for _ in quantities(listens=False):
        adjusting.see(reading())
        assert (adjusting.target is None) == (adjusting.quantity.word != "volts")
        adjusting.next()
    assert adjusting.quantity.word == "volts" and adjusting.target is not None


@pytest.mark.parametrize("wrong", [(float("nan"), 0.1), (1.0, 0.0), (1.0, float("inf"))])
def test_impossible_targets(wrong):
    with pytest.raises(RequestError):
        Target(value=wrong[0], tolerance=wrong[1])
    with pytest.raises(RequestError, match="did you mean 'gain'"):
        find_quantity("gian")


def test_a_big_figure_fits_and_differs_for_each_digit():
    pictures = {digit: tuple(big_figure(digit, width=40, height=7)) for digit in "0123456789"}
    assert len(set(pictures.values())) == 10
    for width, height, scale in ((90, 7, 1), (90, 14, 1), (150, 15, 2), (300, 30, 4)):
        lines = big_figure("−12.34", width=width, height=height)
        assert len(lines) == scale * DOT_LINES
        assert max(map(len, lines)) <= width
    assert big_figure("−12.34", width=20, height=7) == []
    assert big_figure("1", width=40, height=7, block="#")[0].strip() == "##"
    with pytest.raises(ValueError, match="no drawing"):
        big_figure("1e5", width=80, height=10)


def screen_of(shown, adjusting=None, **rest):
    adjusting = adjusting or Adjusting(find_quantity("volts"), channel=1)
    if shown is not None:
        adjusting.see(shown)
    playing = Playing(wish=Wish(frequency_hz=1000.0, level_v_rms=0.05, sounding=(1,)), driven=(1,), highest_v_rms=1.2)
    return LiveScreen(reading=shown, adjusting=adjusting, **{"playing": playing, **rest})


@pytest.mark.parametrize("size", [(LEAST_COLUMNS, LEAST_LINES), (80, 24), (200, 60), (20, 5), (1, 1)])
def test_a_screen_stays_in_its_window(size):
    for shown in (None, reading(warnings=("channel 1 clips: flat tops (upper 0.30 dB)",))):
        lines = screen_of(shown, message="refused: " + "x" * 300, simulated=True).lines(*size)
        assert len(lines) <= size[1]
        assert all(len(line) <= size[0] for line in lines)


def test_a_screen_says_all_that_matters():
    text = "\n".join(
        screen_of(reading(warnings=("channel 1 clips",)), simulated=True, typing="level: 1_", notes=("expired",)).lines(
            100, 30
        )
    )
    for words in ("SIMULATED", "SOUNDING on channel 1", "level, channel 1, in V", "! channel 1 clips", "3rd −80.3 dB",
                  "crosstalk into the quiet channel: −71.5 dB", "1000 Hz, 50 mV (−26.0 dBV)", "1.2 V allowed",
                  "level: 1_", "SPACE", "! expired"):  # fmt: skip
        assert words in text, words
    silent = Playing(wish=Wish(frequency_hz=1000.0, level_v_rms=0.1), driven=(1,), highest_v_rms=1.2)
    muted = screen_of(None, playing=silent).lines(100, 30)
    assert "MUTED" in muted[0]


@pytest.mark.parametrize(
    "message", ["", "refused: the knob sets what goes into the unit, " + "in V, mV, dBV or dBu; " * 4]
)
def test_the_usual_window_has_room_for_the_big_figure(message):
    # 80 by 24 is what a terminal opens with (common practice); the digits must be readable from afar there.
    shown = reading(0.0118, key="thd_n_percent", level_w=0.9861, simulated=True)
    pair = {"balance_db": 0.06, "phase_difference_deg": 0.0}
    both = replace(shown, channels=(shown.channels[0], replace(shown.channels[0], channel=2)), pair=pair)
    adjusting = Adjusting(find_quantity("thd-n"), channel=1, target=Target(value=0.05, tolerance=0.02))
    lines = screen_of(both, adjusting, message=message, simulated=True).lines(79, 24)
    assert sum("██" in line for line in lines) == DOT_LINES
    assert lines[-len(KEYS) :] == list(KEYS)


def test_no_zero_has_a_sign():
    phase = find_quantity("phase")
    assert Adjusting(phase, channel=1).digits(-0.001) == Adjusting(phase, channel=1).digits(0.001)


def test_a_line_for_scripts():
    adjusting = Adjusting(find_quantity("volts"), channel=1, target=Target(value=0.5, tolerance=0.1))
    adjusting.see(reading(simulated=True))
    line = reading_line(reading(simulated=True), adjusting)
    assert line.startswith("SIMULATED 1000 Hz 50 mV in, settled | channel 1: ")
    assert "WITHIN" in line and "\n" not in line
    # While a change is on its way only levels are told.
    left = reading(thd_n_percent=0.1, warnings=("channel 1 clips: flat tops (upper 0.30 dB)", "over")).overtaken()
    assert left.channel(1).warnings == ("over",)
    assert "gain" not in reading_line(left, adjusting) and "0.5 V" in reading_line(left, adjusting)
    assert left.as_json()["channels"][0]["thd_n_percent"] is None
