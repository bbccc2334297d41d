"""The simulated card behind the seam: codes, latency, threads, refusals. Played by the transport that plays cards."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from simulation_support import card, db, lines, tone, unit

from audiomeas.errors import DeviceError, RequestError
from audiomeas.interface.protocol import StreamFormat
from audiomeas.interface.simulated import SimulatedInterface, simulated_interface
from audiomeas.interface.transport import at_end_code, play
from audiomeas.simulation.unit import HumLine

RATE_HZ = 48_000.0
#: The code just below full scale of each integer format.
CODES = {"int16": 32_767, "int24": 8_388_607}


def form(**rest):
    return StreamFormat(**{"sample_rate_hz": RATE_HZ, **rest})


def stereo(left, right=None):
    return np.stack([left, left if right is None else right], axis=1)


def threads():
    return [thread for thread in threading.enumerate() if thread.name == "simulated card"]


def test_making_one_opens_nothing_and_says_who_it_is():
    interface = SimulatedInterface(None, card())
    assert threads() == []
    identity = interface.identity
    assert (identity.name, identity.host_api, identity.simulated) == ("Simulated card", "simulation", True)
    assert (identity.max_output_channels, identity.max_input_channels) == (2, 2)


@pytest.mark.parametrize("block_frames", [64, 512, 700])
@pytest.mark.parametrize("sample_format", ["int16", "int24", "float32"])
def test_a_loop_cable_returns_what_was_played_after_exactly_the_cards_latency(block_frames, sample_format):
    played = stereo(*np.random.default_rng(3).uniform(-0.9, 0.9, (2, 4000)))
    capture = play(
        SimulatedInterface(None, card(latency_frames=1013)),
        played,
        form(block_frames=block_frames, sample_format=sample_format),
        tail_frames=1013,
    )
    assert capture.stopped == ""
    assert capture.flags == ()
    assert len(capture.samples) == 4000 + 1013
    assert np.all(capture.samples[:1013] == 0)
    # Equal full scales both ways: each code comes back as it went. int24 comes left-justified in 32 bits.
    if sample_format == "float32":
        assert np.array_equal(capture.samples[1013:], played.astype(np.float32))
    else:
        expected = np.rint(played * CODES[sample_format]).astype(np.int64) * (256 if sample_format == "int24" else 1)
        assert np.array_equal(capture.samples[1013:].astype(np.int64), expected)


def test_a_block_that_does_not_fit_into_the_latency_adds_to_it():
    interface = SimulatedInterface(None, card(latency_frames=300))
    played = stereo(np.full(100, 0.5))
    capture = play(interface, played, form(block_frames=512), tail_frames=2000)
    assert interface.latency_frames(16) == 300
    first = int(np.argmax(capture.samples[:, 0] != 0))
    assert first == interface.latency_frames(512)
    assert first >= 512


def test_the_block_size_changes_no_code():
    channel = {
        "gain_db": 20.0,
        "positive_clip_v": 8.0,
        "negative_clip_v": -8.0,
        "hum": (HumLine(multiple=1, level_v_rms=1e-3),),
        "input_noise_v_rms": 1e-4,
    }
    played = stereo(tone(1_000.0, 0.3, RATE_HZ, 6000))
    captures = [
        play(
            SimulatedInterface(unit(channel), card(input_noise_v_rms=1e-5), range_by_channel=("50:1", "50:1"), seed=4),
            played,
            form(block_frames=block_frames, sample_format="int16"),
        ).samples
        for block_frames in (64, 500, 600)
    ]
    # Rounding in another order (1e-12) moves a code only where the value lies on the edge between two.
    for other in captures[1:]:
        assert np.max(np.abs(other.astype(int) - captures[0])) <= 1
        assert np.mean(other != captures[0]) < 1e-4
    assert np.std(captures[0][:1000]) > 0.3  # hum and noise are there before anything played comes back


@pytest.mark.parametrize("sample_format", ["int16", "int24"])
def test_rounding_leaves_a_uniform_error_of_a_step_over_root_12(sample_format):
    # A full scale of the input 1.37 times the output's brings values of all fractions between codes.
    rng = np.random.default_rng(8)
    played = np.rint(rng.uniform(-0.9, 0.9, (20_000, 2)) * CODES[sample_format]) / CODES[sample_format]
    model = card(latency_frames=600, v_rms_at_full_scale_in=2.0 * 1.37)
    capture = play(
        SimulatedInterface(None, model), played, form(block_frames=256, sample_format=sample_format), tail_frames=600
    )
    steps = (capture.fractions()[600:] - played / 1.37) * CODES[sample_format]
    # N = 40 000: the relative standard deviation of the r.m.s. of a uniform error is √(1/5N) = 0.22 %; four of them.
    assert np.sqrt(np.mean(steps**2)) == pytest.approx(1.0 / np.sqrt(12.0), rel=0.009)
    assert np.max(np.abs(steps)) < 0.5 + 1e-6


def test_dither_adds_its_own_variance_and_frees_small_signals():
    # Triangular dither of ±1 step: variance 1/6, with rounding 1/6 + 1/12 = (½ step)². Its mean follows a signal of a
    # third of a step, which plain rounding swallows.
    third = np.full(30_000, 1.0 / 3.0 / CODES["int16"])
    for dither, rms, mean in ((False, 0.0, 0.0), (True, 0.5, 1.0 / 3.0)):
        model = card(latency_frames=600, adc_dither=dither, v_rms_at_full_scale_in=2.0)
        # The unit makes the third of a step: what is played are whole codes.
        quiet = SimulatedInterface(unit({"gain_db": float(db(1.0 / 3.0))}), model, seed=2)
        capture = play(quiet, stereo(third * 3.0), form(block_frames=256, sample_format="int16"), tail_frames=600)
        codes = capture.samples[2000:, 0].astype(float)
        # Standard deviation of the mean: 0.5/√29 000 = 0.003 of a step; of the r.m.s. about 0.5 %.
        assert np.std(codes) == pytest.approx(rms, abs=0.012)
        assert np.mean(codes) == pytest.approx(mean, abs=0.012)


@pytest.mark.parametrize("sample_format", ["int16", "int24", "float32"])
def test_over_range_stands_at_the_end_codes(sample_format):
    model = card(latency_frames=600)
    loud = SimulatedInterface(unit({"gain_db": 6.0}), model)
    capture = play(
        loud,
        stereo(tone(500.0, 0.9, RATE_HZ, 6000)),
        form(block_frames=256, sample_format=sample_format),
        tail_frames=600,
    )
    assert capture.fractions().max() == 1.0
    assert capture.fractions().min() == -1.0
    flat = at_end_code(capture.samples, sample_format)
    # |0.9 · 1.995 · cos| > 1 for 62.4 % of the time (2/π · acos(1/1.796)).
    assert np.mean(flat[1500:5500]) == pytest.approx(2.0 / np.pi * np.arccos(1.0 / (0.9 * 10 ** (6 / 20))), abs=0.03)
    quiet = play(SimulatedInterface(unit(), model), stereo(tone(500.0, 0.9, RATE_HZ, 6000)), form(block_frames=256))
    assert not np.any(at_end_code(quiet.samples, "int24"))


def test_volts_come_out_through_unit_load_and_attenuator():
    # −20 dBFS of 2 V r.m.s., 26 dB, 8/(8 + 0.2), 50:1, into 1.8 V r.m.s. at full scale.
    window = 4800
    model = card(v_rms_at_full_scale_in=1.8)
    interface = SimulatedInterface(
        unit({"gain_db": 26.0, "output_impedance_ohm": 0.2}),
        model,
        range_by_channel=("50:1", 25.0),
        load_ohm=(8.0, None),
    )
    capture = play(interface, stereo(tone(1_000.0, 0.1, RATE_HZ, 3 * window)), form(sample_format="float32"))
    for channel, (divider, ratio) in enumerate(((8.0 / 8.2, 50.0), (1.0, 25.0))):
        expected = 0.1 * 2.0 * 10.0 ** (26.0 / 20.0) * divider / ratio / 1.8
        found = np.abs(lines(capture.fractions()[:, channel], window=window)[100])
        assert found == pytest.approx(expected, rel=5e-5)  # 0.0003 dB of the linear part's design


def test_the_output_stops_at_full_scale():
    capture = play(
        SimulatedInterface(None, card(v_rms_at_full_scale_in=4.0)),
        stereo(np.full(2000, 3.0)),
        form(sample_format="float32"),
        tail_frames=500,
    )
    assert np.max(capture.fractions()) == pytest.approx(0.5, rel=1e-6)


def test_one_channel_each_way_is_the_left_one():
    capture = play(
        SimulatedInterface(None, card()),
        np.full((3000, 1), 0.25),
        form(output_channels=1, input_channels=1),
    )
    assert capture.samples.shape[1] == 1
    assert capture.fractions()[2000, 0] == pytest.approx(0.25, abs=1e-6)
    right = play(SimulatedInterface(None, card()), np.full((3000, 1), 0.25), form(output_channels=1))
    assert np.all(right.samples[:, 1] == 0)


def test_each_stream_starts_afresh_with_noise_of_its_own_that_can_be_repeated():
    def three_streams(seed):
        interface = SimulatedInterface(None, card(input_noise_v_rms=1e-4), seed=seed)
        return [play(interface, np.zeros((1500, 2)), form()).samples for _ in range(3)]

    first, again, other = three_streams(1), three_streams(1), three_streams(2)
    for one, same in zip(first, again, strict=True):
        assert np.array_equal(one, same)
    assert not np.array_equal(first[0], first[1])
    assert not np.array_equal(first[1], first[2])
    assert not np.array_equal(first[0], other[0])


class Counting:
    """A mover that wants some blocks and remembers what it saw."""

    def __init__(self, wanted, fill=0):
        self.wanted, self.fill, self.blocks, self.shapes = wanted, fill, 0, set()
        self.enough = threading.Event()

    def exchange(self, captured, to_play, flags):
        self.shapes.add((captured.shape, captured.dtype, to_play.shape, to_play.dtype, flags))
        self.blocks += 1
        to_play[:] = self.fill
        if self.blocks >= self.wanted:
            self.enough.set()
            return False
        return True


def test_it_stops_when_the_mover_has_enough_and_joins_its_thread():
    mover = Counting(5)
    with SimulatedInterface(None, card()).stream(form(block_frames=100, input_channels=1), mover):
        assert mover.enough.wait(10.0)
    assert mover.blocks == 5
    assert mover.shapes == {((100, 1), np.dtype(np.int32), (100, 2), np.dtype(np.int32), ())}
    assert threads() == []


def test_leaving_early_stops_it_too():
    mover = Counting(10**9)
    with pytest.raises(KeyError), SimulatedInterface(None, card()).stream(form(), mover):
        raise KeyError
    assert threads() == []
    assert not mover.enough.is_set()


def test_values_that_are_no_numbers_are_refused():
    mover = Counting(10**9, fill=np.nan)
    interface = SimulatedInterface(None, card())
    with pytest.raises(DeviceError, match="no numbers"), interface.stream(form(sample_format="float32"), mover):
        for thread in threads():  # it may be over already
            thread.join(10.0)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"sample_rate_hz": 47_999.0}, "does not run at 47999 Hz: use 44100, 48000, 96000, 192000"),
        ({"output_channels": 3}, "has 2 output channels, not 3"),
        ({"input_channels": 8}, "has 2 input channels, not 8"),
    ],
)
def test_what_the_card_lacks_is_refused_and_named(wrong, message):
    interface = SimulatedInterface(None, card())
    with pytest.raises(DeviceError, match=message):
        play(interface, np.zeros((100, wrong.get("output_channels", 2))), form(**wrong))
    assert threads() == []


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"range_by_channel": ("50:1", "direkt")}, "did you mean 'direct'"),
        ({"range_by_channel": ("50:1",)}, "a range for each, not 1"),
        ({"range_by_channel": (0.0, 1.0)}, "above 0, not 0"),
        ({"range_by_channel": (float("nan"), 1.0)}, "finite"),
        ({"load_ohm": (8.0, -8.0)}, "above 0 Ω, not -8"),
        ({"load_ohm": (8.0,)}, "a load for each, not 1"),
    ],
)
def test_impossible_wiring_is_refused(wrong, message):
    with pytest.raises(RequestError, match=message):
        SimulatedInterface(unit(), card(), **wrong)


def test_a_bench_files_words_become_an_interface(tmp_path):
    wired = simulated_interface(unit="amplifier-healthy", ranges=((1, "50:1"), (2, "10:1")), loads={1: 8.0}, seed=1)
    window = 48_000
    capture = play(wired, stereo(tone(1_000.0, 0.03, RATE_HZ, 2 * window)), form())
    volts = capture.fractions() * 2.0 * np.sqrt(2.0) * (50.0, 10.0)
    played_v = 0.03 * 2.0 * np.sqrt(2.0)
    # 27 dB and 8 Ω/(8 Ω + 0.16 Ω); 26.95 dB, open. The corners at 1.6 Hz, 3 Hz and 110 kHz take 0.0004 dB at 1 kHz,
    # the third-order term 0.01 % at 2 V.
    left, right = (np.abs(lines(volts[:, channel], window=window)[1_000]) / played_v for channel in (0, 1))
    assert db(left) == pytest.approx(27.0 + db(8.0 / 8.16), abs=0.002)
    assert db(right) == pytest.approx(26.95, abs=0.002)
    loop = simulated_interface(unit="loop", ranges=((1, "direct"),))
    assert loop.identity.simulated
    with pytest.raises(RequestError, match="did you mean 'amplifier-healthy'"):
        simulated_interface(unit="amplifier-helthy")
    with pytest.raises(RequestError, match="no channel 3"):
        simulated_interface(unit="loop", ranges=((3, "direct"),))
    (tmp_path / "mine.toml").write_text("kind = 3\n", encoding="utf-8")
    with pytest.raises(RequestError, match=r"mine\.toml"):
        simulated_interface(unit="mine.toml", folder=tmp_path)
