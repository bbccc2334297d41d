"""A stream without an end on the simulated card: bounded memory, ears, ceilings, and silence however it is left."""

from __future__ import annotations

import os
import signal
import time
from dataclasses import replace

import numpy as np
import pytest
from benches import Meddling
from hypothesis import given, settings
from hypothesis import strategies as st

from audiomeas.errors import DeviceError
from audiomeas.interface.protocol import StreamFormat
from audiomeas.interface.simulated import simulated_interface
from audiomeas.interface.streaming import Ring, StreamingTransport, ring_of, streamed
from audiomeas.interface.transport import FADE_S, Watch, to_fractions

RATE_HZ = 48_000
FORM = StreamFormat(sample_rate_hz=RATE_HZ, block_frames=256)
PEAK = 0.25


class Sine1k:
    """A 1 kHz sine on both outputs."""

    def __init__(self, peak=PEAK) -> None:
        self.frame, self._peak = 0, peak

    def block_fs(self, frames):
        turns = (self.frame + np.arange(frames)) * 1_000 / RATE_HZ
        self.frame += frames
        return np.repeat(self._peak * np.sin(2 * np.pi * turns)[:, None], 2, axis=1)


def transport_of(source=None, *, ears=("a", "b"), watch=None, late_s=60.0, hold_s=0.1):
    return StreamingTransport(
        source or Sine1k(), FORM, watch=watch, ears=ears, hold_s=hold_s, feeder_late_s=late_s
    )  # fmt: skip


def running(transport, *, until, interface=None, each=lambda: None, longest_s=20.0):
    """Run a stream on a simulated loop until something is true; return what was played, (frames, 2) fractions."""
    between = Meddling(interface or simulated_interface(unit="loop"))
    began_s = time.monotonic()
    with streamed(between, transport):
        while not until() and not transport.done.is_set():
            assert time.monotonic() - began_s < longest_s
            each()
            time.sleep(0.001)
    return to_fractions(between.played_samples(), FORM.sample_format)


def assert_faded(played):
    """The last of the sound falls like a fade of 20 ms: no sample jumps by more than the tone and the fade move."""
    assert not np.any(played[-1])
    assert np.max(np.abs(played)) == pytest.approx(PEAK, rel=1e-3)
    # As in the contract's test: a sine moves by at most 2π f / rate of its peak, the fade adds π / 2 of it over 20 ms.
    largest = PEAK * (2 * np.pi * 1_000 / RATE_HZ + np.pi / 2 / (FADE_S * RATE_HZ)) * 1.01
    assert np.max(np.abs(np.diff(played[:, 0]))) < largest


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(1, 50), st.integers(0, 70), st.lists(st.integers(0, 70), max_size=20), st.integers(0, 50))
def test_a_ring_gives_the_newest_frames_and_none_of_the_stream_before(size, before, blocks, asked):
    ring, whole = Ring(size, 1, "int16"), np.zeros((0, 1), np.int16)
    ring.write(np.full((before, 1), -1, np.int16))
    ring.begin_again()
    assert ring.part(0, 1) is None
    for number, frames in enumerate(blocks, start=1):
        block = np.full((frames, 1), number, np.int16)
        ring.write(block)
        whole = np.concatenate([whole, block])
    if asked > size:
        with pytest.raises(ValueError, match="ring holds"):
            ring.last(asked)
        return
    start, newest = ring.last(asked)
    assert start == max(0, len(whole) - asked)
    assert np.array_equal(newest, whole[start:])


def test_its_memory_is_bounded_and_the_newest_frames_are_those_captured():
    transport = transport_of(hold_s=0.1)
    seen = []

    def look():
        seen.append(transport.newest(1_920))

    running(transport, until=lambda: transport.position > 5 * RATE_HZ, each=look)
    # Five seconds went through; 0.1 s and a second to spare are held, in four bytes a sample.
    assert transport._ring._held.nbytes == round(1.1 * RATE_HZ) * 2 * 4
    assert len(transport.captured) == 0
    last = seen[-1]
    assert last.samples.shape == (1_920, 2)
    level = np.std(to_fractions(last.samples, FORM.sample_format), axis=0)
    # A loop of full scale both ways: what was played; its two couplings (0.8 and 0.5 Hz) take 1e-6 of it.
    assert level == pytest.approx(PEAK / np.sqrt(2), rel=1e-3)


def test_streams_that_follow_each_other_hold_in_one_ring():
    """The second stream gives what it heard, by frames of its own, and nothing of the first, which was louder."""
    ring = ring_of(FORM, 0.1)
    memory = ring._held
    for peak, frames in ((PEAK, 2 * RATE_HZ), (PEAK / 8, 4_800)):
        ring.begin_again()
        transport = StreamingTransport(Sine1k(peak), FORM, watch=None, ears=(), hold_s=0.1, ring=ring)
        running(transport, until=lambda wanted=frames, now=transport: now.position > wanted)
    heard = transport.part(0, frames)
    assert ring._held is memory
    # A loop of full scale both ways; its couplings (0.8 and 0.5 Hz) tilt the tone's start by less than 2 %.
    assert np.max(np.abs(to_fractions(heard.samples, FORM.sample_format))) == pytest.approx(PEAK / 8, rel=0.02)
    assert transport.part(transport.position, 1) is None


def test_leaving_fades():
    transport = transport_of()
    assert_faded(running(transport, until=lambda: transport.position > 5_000))
    assert transport.stopped == "ended"


def test_an_exception_in_the_body_fades():
    transport, between = transport_of(), Meddling(simulated_interface(unit="loop"))
    with pytest.raises(ZeroDivisionError), streamed(between, transport):
        while transport.position < 5_000:
            time.sleep(0.001)
        raise ZeroDivisionError
    assert_faded(to_fractions(between.played_samples(), FORM.sample_format))


@pytest.mark.parametrize("silent_ear", ["a", "b"])
def test_an_ear_that_is_not_heard_of_fades(silent_ear):
    """0.2 s here, a second as it ships; the others go on being heard of."""
    transport = transport_of(late_s=0.2)

    def others():
        for ear in ("a", "b"):
            if ear != silent_ear:
                transport.hear(ear)

    played = running(transport, until=lambda: False, each=others)
    assert "did not answer for 0.2 s" in transport.stopped
    assert_faded(played)


def test_ears_that_are_heard_of_let_it_sound():
    transport = transport_of(late_s=0.2)
    began_s = time.monotonic()

    def all_ears():
        transport.hear("a")
        transport.hear("b")

    running(transport, until=lambda: time.monotonic() - began_s > 0.5, each=all_ears)
    assert transport.stopped == "ended"
    with pytest.raises(KeyError):
        transport.hear("c")


def test_a_ceiling_fades():
    watch = Watch(peak_fs=(0.1, 9.0), rms_fs=(9.0, 9.0), what="the ceiling of this test")
    transport = transport_of(watch=watch)
    played = running(transport, until=lambda: False)
    assert "channel 1 passed the ceiling of this test" in transport.stopped
    assert_faded(played)


def test_a_source_that_fails_is_silent():
    class Failing(Sine1k):
        def block_fs(self, frames):
            if self.frame > 5_000:
                raise ValueError("no more")
            return super().block_fs(frames)

    transport = transport_of(Failing())
    played = running(transport, until=lambda: False)
    assert "internal error" in transport.stopped and "no more" in transport.stopped
    assert not np.any(played[-1])


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_fades(name):
    transport, between = transport_of(), Meddling(simulated_interface(unit="loop"))
    with streamed(between, transport) as came:
        while transport.position < 5_000:
            time.sleep(0.001)
        os.kill(os.getpid(), getattr(signal, name))
        assert transport.done.wait(5)
        assert came == [getattr(signal, name)]
    assert transport.stopped == name
    assert_faded(to_fractions(between.played_samples(), FORM.sample_format))


def test_a_driver_that_moves_nothing_is_said():
    transport = transport_of()
    transport.block_at_s = time.monotonic() - 10.0
    with pytest.raises(DeviceError, match="moved no samples"):
        transport.look_after()
    assert transport.done.is_set()


def test_real_time_takes_its_time_and_the_same_samples():
    """A simulated card in real time moves as much as the clock allows, never more; its samples are the same."""
    kept = {}
    for form in (FORM, replace(FORM, in_real_time=True)):
        came = []  # every block from the first on: what the ring holds later depends on how busy the machine is
        between = Meddling(
            simulated_interface(unit="loop"), meddle=lambda block, *_, to=came: to.append(block) or block
        )
        transport = StreamingTransport(Sine1k(), form, watch=None, ears=(), hold_s=1.0)
        began_s = time.monotonic()
        with streamed(between, transport):
            while transport.position < 9_600:
                time.sleep(0.001)
            took_s = time.monotonic() - began_s
        kept[form.in_real_time] = np.concatenate(came)[:9_000]
        if form.in_real_time:
            assert took_s >= 9_600 / RATE_HZ - 2 * FORM.block_frames / RATE_HZ
    assert np.array_equal(kept[True], kept[False])
