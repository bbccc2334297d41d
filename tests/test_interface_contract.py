"""What every interface promises, held against the simulated bench and against a sound card on a real audio path.

The truth here is the protocol's text and what goes into the loop; alignment is found by plain numpy correlation.
"""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

import audio_path
import numpy as np
import pytest
from numpy.typing import NDArray

from audiomeas.errors import DeviceError
from audiomeas.interface.protocol import CARRIER_DTYPE, SAMPLE_FORMATS, BlockMover, Interface, StreamFormat
from audiomeas.interface.soundcard import FLAG_WORDS
from audiomeas.interface.transport import Transport, Watch, play, to_fractions

RATE_HZ = 48_000
FORM = StreamFormat(sample_rate_hz=RATE_HZ, block_frames=256)
#: More than the longest latency of a loop in these tests (JACK: one period of 1,024 frames).
TAIL_FRAMES = 2_400


def noise_burst(frames: int = 4_800, lead: int = 1_000) -> NDArray[np.float64]:
    """Return silence and then noise, different on each channel: only one lag fits."""
    out = np.zeros((lead + frames, 2))
    out[lead:] = 0.25 * np.random.default_rng(20).uniform(-1, 1, (frames, 2))
    return out


def tone(seconds: float) -> NDArray[np.float64]:
    column = 0.25 * np.sin(2 * np.pi * 1_000 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    return np.stack([column, column], axis=1)


class Listener:
    """Stands between interface and transport: keeps what passed, and does something at each block."""

    def __init__(self, transport: Transport, at_block: Callable[[int], None] = lambda number: None) -> None:
        self.transport = transport
        self.at_block = at_block
        self.played: list[NDArray[Any]] = []
        self.captured: list[NDArray[Any]] = []
        self.flags: list[Any] = []
        self.calls_after_the_end = 0
        self.more = True

    def exchange(self, captured: NDArray[Any], to_play: NDArray[Any], flags: tuple[str, ...]) -> bool:
        self.calls_after_the_end += not self.more
        self.at_block(len(self.played))
        self.more = self.transport.exchange(captured, to_play, flags)
        self.played.append(to_play.copy())
        self.captured.append(captured.copy())
        self.flags.append(flags)
        return self.more


def listened(interface: Interface, transport: Transport, **options: Any) -> Listener:
    """Let a transport run to its end on an interface and return what passed."""
    listener = Listener(transport, **options)
    with interface.stream(transport.form, listener):
        assert transport.done.wait(10)
    return listener


def tasks() -> int:
    """Return the number of threads of this process, those of C libraries included."""
    return len(list(Path("/proc/self/task").iterdir())) if Path("/proc/self/task").exists() else 0


class InterfaceContract:
    """The promises. A subclass gives `interface` as a fixture and the class attributes."""

    #: Python that makes `interface` without opening anything.
    making: ClassVar[str]
    #: A rate that this interface does not have.
    refused_rate_hz: ClassVar[float]
    #: Lowest signal-to-residual ratio of its loop, in dB: what its converters or its float samples allow.
    loop_db: ClassVar[float]

    def test_making_it_opens_and_imports_nothing(self) -> None:
        code = f"{self.making}; import sys, threading; print(threading.active_count(), 'sounddevice' in sys.modules)"
        run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        assert run.stdout.split() == ["1", "False"]
        assert run.stderr == ""

    def test_identity_names_it(self, interface: Interface) -> None:
        identity = interface.identity
        assert identity.name and identity.host_api
        assert identity.max_output_channels >= 2 and identity.max_input_channels >= 2
        assert identity == interface.identity

    def test_everything_played_and_the_tail_is_delivered(self, interface: Interface) -> None:
        played = noise_burst()
        capture = play(interface, played, FORM, tail_frames=TAIL_FRAMES)
        assert capture.samples.shape == (len(played) + TAIL_FRAMES, 2)
        assert capture.played_frames == len(played)
        assert capture.stopped == "" and capture.signal_number is None
        assert capture.identity == interface.identity

    def test_loop_is_aligned_to_the_frame_and_the_same_each_time(self, interface: Interface) -> None:
        played = noise_burst()
        lags = []
        for _ in range(3):
            captured = audio_path.played_unflagged(interface, played, FORM, TAIL_FRAMES).fractions()
            lag = audio_path.latency_frames(played[:, 0], captured[:, 0])
            assert 0 < lag < TAIL_FRAMES
            lags.append(lag)
            for column in (0, 1):
                came = captured[lag : lag + len(played), column]
                gain = (came @ played[:, column]) / (played[:, column] @ played[:, column])
                residual = np.std(came - gain * played[:, column]) / np.std(gain * played[:, column])
                # A frame lost or doubled anywhere would leave a residual near 0 dB.
                assert -20 * np.log10(residual) > self.loop_db
        assert len(set(lags)) == 1

    @pytest.mark.parametrize("sample_format", SAMPLE_FORMATS)
    def test_blocks_have_the_form_that_was_asked_for(self, interface: Interface, sample_format: Any) -> None:
        form = replace(FORM, sample_format=sample_format)
        listener = listened(interface, Transport(output_fs=noise_burst(), form=form, tail_frames=TAIL_FRAMES))
        for block in listener.played + listener.captured:
            assert 1 <= len(block) <= form.block_frames and block.shape[1] == 2
            assert block.dtype == CARRIER_DTYPE[sample_format]
        heard = np.concatenate(listener.captured)
        assert np.any(heard)
        if sample_format == "int24":
            assert not np.any(heard & 0xFF)  # left-justified: the low 8 bits are zero
        assert [len(a) for a in listener.played] == [len(a) for a in listener.captured]

    def test_flags_are_words_of_the_protocol(self, interface: Interface) -> None:
        listener = listened(interface, Transport(output_fs=noise_burst(), form=FORM))
        assert all(isinstance(flags, tuple) and set(flags) <= set(FLAG_WORDS) for flags in listener.flags)

    def test_nothing_is_called_after_the_mover_said_no_more(self, interface: Interface) -> None:
        listener = Listener(Transport(output_fs=noise_burst(), form=FORM))
        with interface.stream(FORM, listener):
            assert listener.transport.done.wait(10)
            threading.Event().wait(0.1)  # four more periods of the slowest driver here
        # The driver may ask for the rest of a block of its own; then it gets silence.
        assert all(
            not np.any(block) for block in listener.played[len(listener.played) - listener.calls_after_the_end :]
        )
        assert listener.calls_after_the_end <= audio_path.PERIOD_FRAMES // FORM.block_frames

    def test_output_fades_within_50_ms_of_the_request(self, interface: Interface) -> None:
        transport = Transport(output_fs=tone(2.0), form=FORM, tail_frames=TAIL_FRAMES)

        def ask(number: int) -> None:
            if number == 10:
                transport.request_fade("asked")

        listener = listened(interface, transport, at_block=ask)
        asked_at = sum(len(block) for block in listener.played[:10])
        played = to_fractions(np.concatenate(listener.played), FORM.sample_format)[:, 0]
        assert transport.stopped == "asked"
        silent_from = int(np.flatnonzero(played)[-1]) + 1
        assert asked_at < silent_from <= asked_at + 0.05 * RATE_HZ
        # No step: a 1 kHz sine of 0.25 moves by at most 0.25 · 2π · 1000 / 48000 a frame, the fade adds π / 2 / 960.
        assert np.max(np.abs(np.diff(played))) < 0.25 * (2 * np.pi * 1_000 / RATE_HZ + np.pi / 2 / 960) * 1.01

    def test_the_capture_of_a_fade_ends_in_silence(self, interface: Interface) -> None:
        transport = Transport(output_fs=tone(2.0), form=FORM, tail_frames=TAIL_FRAMES)
        listened(interface, transport, at_block=lambda number: number == 10 and transport.request_fade("asked"))
        captured = to_fractions(transport.captured[: transport.position], FORM.sample_format)
        assert transport.position < 0.5 * RATE_HZ
        assert np.max(np.abs(captured)) > 0.01
        last = captured[-100:] - np.mean(captured[-100:], axis=0)
        assert np.max(np.abs(last)) < 1e-3 * np.max(np.abs(captured))

    @pytest.mark.parametrize("ceiling", ["peak", "rms"])
    def test_a_ceiling_on_the_input_fades_the_output(self, interface: Interface, ceiling: str) -> None:
        low, none = (0.02, 0.02), (9.0, 9.0)
        watch = Watch(
            peak_fs=low if ceiling == "peak" else none,
            rms_fs=low if ceiling == "rms" else none,
            what="the ceiling of this test",
        )
        capture = play(interface, tone(2.0), FORM, tail_frames=TAIL_FRAMES, watch=watch)
        assert "the ceiling of this test" in capture.stopped
        assert 0 < capture.played_frames < 0.6 * RATE_HZ

    def test_cancelling_keeps_what_was_captured(self, interface: Interface) -> None:
        # A simulated bench is faster than time, so the sound is long and the answer comes at the first question.
        capture = play(interface, tone(20.0), FORM, tail_frames=TAIL_FRAMES, cancelled=lambda: True)
        assert capture.stopped == "cancelled"
        assert 0 < len(capture.samples) < 20 * RATE_HZ

    def test_a_rate_that_it_lacks_is_refused(self, interface: Interface) -> None:
        with pytest.raises(DeviceError, match=f"{self.refused_rate_hz:g}") as caught:
            play(interface, noise_burst(), replace(FORM, sample_rate_hz=self.refused_rate_hz))
        assert "\n" not in str(caught.value)

    def test_more_channels_than_it_has_are_refused(self, interface: Interface) -> None:
        for form in (replace(FORM, output_channels=64), replace(FORM, input_channels=64)):
            with (
                pytest.raises(DeviceError, match="64"),
                interface.stream(form, Listener(Transport(noise_burst(), FORM))),
            ):
                pass

    def test_it_closes_after_an_exception_and_plays_again(self, interface: Interface) -> None:
        play(interface, noise_burst(), FORM)  # what a library keeps for good, it has now
        threads, all_tasks = threading.active_count(), tasks()
        for _ in range(3):
            transport = Transport(output_fs=tone(5.0), form=FORM)
            with pytest.raises(ZeroDivisionError), interface.stream(FORM, transport):
                raise ZeroDivisionError
            stopped_at = transport.position
            threading.Event().wait(0.05)
            assert transport.position == stopped_at  # nothing moves any more
        assert play(interface, noise_burst(), FORM).stopped == ""
        assert threading.active_count() == threads
        for _ in range(40):  # a thread of the library that is just ending may still be counted
            if tasks() <= all_tasks:
                break
            threading.Event().wait(0.05)
        assert tasks() <= all_tasks

    def test_what_is_played_is_left_untouched(self, interface: Interface) -> None:
        played = noise_burst()
        before = played.copy()
        played.setflags(write=False)
        play(interface, played, FORM)
        assert np.array_equal(played, before)

    def test_a_mover_satisfies_the_protocol(self) -> None:
        mover: BlockMover = Transport(output_fs=noise_burst(), form=FORM)
        assert callable(mover.exchange)


class TestSimulatedInterface(InterfaceContract):
    making = "from audiomeas.interface.simulated import simulated_interface; simulated_interface(unit='loop')"
    refused_rate_hz = 12_345.0
    # Its AC coupling (0.8 and 0.5 Hz, first order) takes π/2 · 1.3 Hz of 24 kHz of white noise: up to -41 dB.
    loop_db = 40.0

    @pytest.fixture
    def interface(self) -> Interface:
        from audiomeas.interface.simulated import simulated_interface

        return simulated_interface(unit="loop")


@pytest.fixture(scope="module")
def jack_loop() -> Iterator[None]:
    with audio_path.jack_server(RATE_HZ) as server, audio_path.unit_in_loop(server, gain=[0.5, -0.5]):
        yield


@pytest.mark.audio
class TestSoundCard(InterfaceContract):
    making = "from audiomeas.interface.soundcard import SoundCard; SoundCard('unit', 'JACK')"
    refused_rate_hz = 44_100.0  # the server runs at 48 kHz
    loop_db = 110.0  # 24-bit steps under noise of 0.14 r.m.s. halved: 20 log10(0.072 · 2**23 · sqrt(12)) = 127 dB

    @pytest.fixture
    def interface(self, jack_loop: None) -> Interface:
        from audiomeas.interface.soundcard import SoundCard

        return SoundCard("unit", "JACK")
