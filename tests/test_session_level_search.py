"""The level at a unit's output when the unit gives no more. Truth: closed form of a sine behind a rail."""

from __future__ import annotations

import math
import re

import pytest
from benches import Meddling, bench_file

from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.errors import CaptureError
from audiomeas.measurement.session import Session
from audiomeas.units import Level

RATE_HZ, RAIL_V = 48_000, 5.0
UNIT = """
kind = "power amplifier"
maker = "Demo"
model = "Amplifier A"
serial = "D-0001"
"""
CHANNEL = """
[[channel]]
gain_db = 20.0
positive_clip_v = {rail}
negative_clip_v = -{rail}
"""


def clipping_bench(tmp_path, *rails_v):
    """Return a bench with a unit of 20 dB, without impedance and corners, that clips at rails given per channel."""
    unit = tmp_path / "unit.toml"
    unit.write_text(UNIT + "".join(CHANNEL.format(rail=rail) for rail in rails_v))
    return bench_file(tmp_path, unit=str(unit), rate_hz=RATE_HZ)


def session_on(path):
    bench = open_bench_file(path)
    between = Meddling(bench.interface)
    return Session(Bench(bench.file, between)), between


def level_set(session, level, channels=(1, 2)):
    return session.input_level_v_rms(input_level=None, output_level=level, channels=channels, frequency_hz=997.0)


def fundamental_v_rms(drive_v_peak, rail_v):
    """Return the fundamental of a sine cut at ±rail. Fourier coefficient b₁ by hand: (2A/π)(θ + ½ sin 2θ), sin θ = R/A,
    R/A below 1 (as in every text on clippers; from memory)."""
    theta = math.asin(min(rail_v / drive_v_peak, 1.0))
    return 2 * drive_v_peak / math.pi * (theta + 0.5 * math.sin(2 * theta)) / math.sqrt(2)


def gives_no_more_v(wanted_v, rail_v):
    """Return what the unit gives when the search stops, step by step by its rule, on the closed form alone."""
    gain = 10.0
    drive_v = wanted_v / gain * 10 ** (-10 / 20)
    before_v, asked_db = None, 0.0
    for _ in range(4):
        reached_v = fundamental_v_rms(math.sqrt(2) * gain * drive_v, rail_v)
        if before_v is not None and 20 * math.log10(reached_v / before_v) < asked_db / 2:
            return reached_v
        before_v, asked_db = reached_v, 20 * math.log10(wanted_v / reached_v)
        drive_v *= wanted_v / reached_v
    raise AssertionError("the rule does not stop")


@pytest.mark.parametrize(
    "wanted_v", [5.0, pytest.param(6.0, marks=pytest.mark.wide), pytest.param(9.0, marks=pytest.mark.wide)]
)
def test_a_unit_that_clips_stops_the_search_and_says_what_it_gives(tmp_path, wanted_v):
    session, between = session_on(clipping_bench(tmp_path, RAIL_V, RAIL_V))
    with pytest.raises(CaptureError, match=r"channel [12]: the unit gives no more than .* at 997 Hz") as refused:
        level_set(session, Level(wanted_v, "V"))
    said = float(re.search(r"no more than ([0-9.]+) V", str(refused.value)).group(1))
    # Said in three digits; folded harmonics of the clipped wave and the first look's noise move it less than 0.5 %.
    assert said == pytest.approx(gives_no_more_v(wanted_v, RAIL_V), rel=0.01)
    # No square wave between ±5 V has more fundamental than 4/π · 5 V (peak).
    assert said < 4 / math.pi * RAIL_V / math.sqrt(2)
    # The first look, and at most four bursts: the search ends where the unit does.
    assert between.streams <= 5


def test_watts_are_said_in_watts(tmp_path):
    session, _ = session_on(clipping_bench(tmp_path, RAIL_V, RAIL_V))
    with pytest.raises(CaptureError) as refused:
        level_set(session, Level(4.5, "W"))
    said = float(re.search(r"no more than ([0-9.]+) W", str(refused.value)).group(1))
    most_v = gives_no_more_v(math.sqrt(4.5 * 8.0), RAIL_V)
    assert said == pytest.approx(most_v**2 / 8.0, rel=0.02)  # V²/R in the 8 Ω of the bench; twice the tolerance of V
    assert "4.5 W asked for" in str(refused.value)


def test_below_the_rail_the_level_is_set_as_ever(tmp_path):
    session, _ = session_on(clipping_bench(tmp_path, RAIL_V, RAIL_V))
    # 3.5 V is 4.95 V peak: just below the rail, where nothing is cut. Gain 10 by the unit's file.
    assert level_set(session, Level(3.5, "V")) == pytest.approx(0.35, rel=0.003)


def test_a_little_clipping_that_still_gives_more_is_no_end(tmp_path):
    """3.7 V is 5.2 V peak: the rail cuts a little, and a slightly higher input still reaches it."""
    session, _ = session_on(clipping_bench(tmp_path, RAIL_V, RAIL_V))
    drive_v = level_set(session, Level(3.7, "V"))
    # 0.02 dB is where the search ends; four bursts leave a little more on a curve that bends.
    assert fundamental_v_rms(math.sqrt(2) * 10.0 * drive_v, RAIL_V) == pytest.approx(3.7, rel=0.01)


def test_the_loudest_channel_decides(tmp_path):
    """Channel 2 clips far below, channel 1 reaches the level: it is the loudest, so the level is set on it."""
    session, _ = session_on(clipping_bench(tmp_path, 30.0, 2.0))
    assert level_set(session, Level(6.0, "V")) == pytest.approx(0.6, rel=0.003)


def test_a_unit_that_goes_silent_at_level_is_refused(tmp_path):
    """A relay opens at the first burst at level (stream 3: the look, the burst 10 dB below, this one) on channel 1."""

    def relay(captured, frame, number):
        if number >= 3 and frame > 0.15 * RATE_HZ:
            captured = captured // 64
        return captured

    bench = open_bench_file(clipping_bench(tmp_path, 30.0, 30.0))
    session = Session(Bench(bench.file, Meddling(bench.interface, meddle=relay)))
    with pytest.raises(CaptureError):
        level_set(session, Level(6.0, "V"))
