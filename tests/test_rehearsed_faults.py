"""Every command that sounds meets every fault of a card: one clear line or a warning, never a figure without either.

Truth: the faults themselves (`interface/faulty.py`), whose own effect on samples is checked here with numpy alone.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from benches import bench_file
from stacks import PLAN, stack_file
from test_cli import run

from audiomeas.bench.file import read_bench
from audiomeas.errors import DeviceError, TomlProblem
from audiomeas.interface import transport
from audiomeas.interface.faulty import KINDS, SIZES, Fault, FaultyInterface
from audiomeas.interface.protocol import InterfaceIdentity, StreamFormat
from audiomeas.measurement import registry

#: Faults that a unit may have too: the capture is told, and something is said of it.
_MAY_BE_THE_UNITS = ("gain step",)


class Counting:
    """A card that captures 1, 2, 3 … in steps of a 24-bit code, on both channels, in blocks of 100."""

    identity = InterfaceIdentity(
        name="counting", host_api="none", simulated=True, max_output_channels=2, max_input_channels=2
    )

    def __init__(self, blocks=20):
        self.blocks = blocks

    def stream(self, form, mover):
        from contextlib import contextmanager

        @contextmanager
        def running():
            for number in range(self.blocks):
                codes = (np.arange(100) + 100 * number + 1)[:, None] * [1, 1]
                mover.exchange((codes * 256).astype(np.int32), np.zeros((100, 2), np.int32), ())
            yield

        return running()


class Keeping:
    def __init__(self):
        self.blocks, self.flags = [], []

    def exchange(self, captured, to_play, flags):
        self.blocks.append(captured.copy())
        self.flags.append(flags)
        return True

    def codes(self):
        return (np.concatenate(self.blocks)[:, 0] // 256).tolist()


def through(*faults, streams=1, blocks=20):
    interface, kept = FaultyInterface(Counting(blocks), faults), Keeping()
    for _ in range(streams):
        kept = Keeping()
        with interface.stream(StreamFormat(sample_rate_hz=1000.0), kept):
            pass
    return kept


WHOLE = list(range(1, 2001))


def test_what_each_fault_does_to_the_samples():
    # Losses, repetitions and changes of order need frames that come later: so much silence comes first.
    lost = through(Fault(kind="lost", at_s=0.5, frames=7)).codes()
    assert lost == [0] * 14 + [n for n in WHOLE if not 487 <= n < 494][: 2000 - 14]
    # More frames than a block of the card has; they were 50 of 150, once.
    repeated = through(Fault(kind="repeated", at_s=0.55, frames=150)).codes()
    assert repeated == [0] * 150 + [*WHOLE[:550], *WHOLE[400:1700]]
    delayed = through(Fault(kind="delayed", at_s=0.55, frames=3)).codes()
    assert delayed == [*WHOLE[:550], 0, 0, 0, *WHOLE[550:1997]]
    swapped = through(Fault(kind="swapped", at_s=0.5, frames=10)).codes()
    after = [*WHOLE[:480], *WHOLE[490:500], *WHOLE[480:490], *WHOLE[500:1980]]
    assert swapped == [0] * 20 + after
    zeros = through(Fault(kind="zeros", at_s=0.295, frames=210)).codes()
    assert zeros == [*WHOLE[:295], *[0] * 210, *WHOLE[505:]]
    over = through(Fault(kind="over-range", at_s=0.1, frames=2)).codes()
    assert over == [*WHOLE[:100], 8388607, 8388607, *WHOLE[102:]]
    halved = through(Fault(kind="gain step", at_s=1.0, size=-20.0 * np.log10(2.0))).codes()
    # Odd codes are halves afterwards; NumPy rounds them to even ones.
    assert halved == [*WHOLE[:1000], *np.rint(np.array(WHOLE[1000:]) / 2.0).astype(int).tolist()]


def test_a_faster_clock_reads_between_the_samples():
    twice = through(Fault(kind="other rate", size=2.0)).codes()
    # Every other value is a half, and may be rounded either way.
    assert np.max(np.abs(np.array(twice) - (1.0 + np.arange(2000) / 2.0))) <= 0.5
    # 1 % faster from frame 1000 on: 1000 frames then hold what 990.1 held.
    slipped = through(Fault(kind="clock step", at_s=1.0, size=10_000.0)).codes()
    assert slipped[:1000] == WHOLE[:1000]
    assert slipped[-1] == round(1001 + 999 / 1.01)


def test_flags_hangs_and_a_card_that_comes_back():
    flagged = through(Fault(kind="flag", at_s=0.55)).flags
    assert [number for number, flags in enumerate(flagged) if flags] == [5]
    assert len(through(Fault(kind="hangs", at_s=0.5), blocks=7).blocks) == 5
    interface = FaultyInterface(Counting(6), [Fault(kind="gone", at_s=0.5, stream=2, times=1)])
    lengths = []
    for number in range(1, 5):
        kept = Keeping()
        if number == 3:
            with (
                pytest.raises(DeviceError, match="not there"),
                interface.stream(StreamFormat(sample_rate_hz=1e3), kept),
            ):
                pass
            continue
        with interface.stream(StreamFormat(sample_rate_hz=1e3), kept):
            pass
        lengths.append(len(kept.blocks))
    assert lengths == [6, 5, 6]


#: Inside the tone of the shortest capture here.
_AT_S = 0.8
#: Where others have something to damage: at 0.8 s a square wave still settles, the burst rests in silence, and
#: linearity's first step lies under the noise, a soak's first second has not begun, a tone that shall stand settles,
#: and headroom is between its swells.
_LATER_S = {
    "square-wave": 1.2,
    "tone-burst": 2.19,
    "linearity": 12.4,
    "soak": 4.3,
    "precondition": 1.5,
    "headroom": 1.925,
}


def faulty_bench(folder, kind, *, stream=2, times=0, at_s=_AT_S, more=""):
    """Write a bench at 48 kHz that rehearses a fault."""
    replace = [('sample_format = "int24"', 'sample_format = "float32"')] if kind == "not a number" else []
    path = bench_file(folder, *replace, rate_hz=48_000)
    size = f"size = {SIZES[kind]}\n" if kind in SIZES else ""
    path.write_text(
        path.read_text()
        + f'\n[[rehearsed_fault]]\nkind = "{kind}"\nat_s = {at_s}\nstream = {stream}\ntimes = {times}\n{size}{more}'
    )
    return path


@pytest.fixture(autouse=True)
def quick_to_give_up(monkeypatch, request):
    """Wait less for a driver that hangs, and for that one alone: on a busy machine any other is late, too."""
    if getattr(request.node, "callspec", None) is not None and request.node.callspec.params.get("kind") == "hangs":
        monkeypatch.setattr(transport, "DRIVER_HANGS_S", 0.3)


def meets(arguments, kind):
    """Run a command; assert that it told of the fault: refused in one line, or said in its warnings."""
    status, out, err = run(*arguments)
    assert "Traceback" not in err and "internal error" not in err, err
    if status == 0:
        said = json.loads(out)["warnings"] if out.startswith("{") else err.splitlines()
        others = [line for line in said if "rehearsed" not in line]
        assert kind in _MAY_BE_THE_UNITS or others, (kind, said)
    else:
        assert status in (1, 3), (status, err)
        assert status == 1 or [line for line in err.splitlines() if line.startswith("audiomeas: ")], err
    return status, out, err


TONE = ("measure", "distortion", "--input-level", "20 mV", "--window-s", "0.3")
#: Met in every run: one of each kind of answer (seen in the samples, in their values, by the clock).
_EACH_TIME = ("zeros", "not a number", "gone")


@pytest.mark.parametrize("kind", [pytest.param(k, marks=() if k in _EACH_TIME else pytest.mark.wide) for k in KINDS])
def test_a_tone_meets_every_fault(tmp_path, kind):
    captures = tmp_path / "captures"
    bench = faulty_bench(tmp_path, kind)
    status, _, err = meets(
        [*TONE, "--bench", bench, "--captures", captures, "--json"],
        kind,
    )
    assert status == (0 if kind in _MAY_BE_THE_UNITS else 3), err
    kept = [path for path in captures.rglob("*") if path.suffix in (".flac", ".wav")]
    # The first look and each try are kept; over-range is no matter of luck, and a card that is gone has no second try.
    assert len(kept) == {"gain step": 2, "over-range": 2, "gone": 2}.get(kind, 4), kept


@pytest.mark.parametrize("kind", ["lost", *(pytest.param(k, marks=pytest.mark.wide) for k in ("flag", "zeros"))])
def test_what_is_over_at_the_next_try_is_told_and_measured(tmp_path, kind):
    bench = faulty_bench(tmp_path, kind, times=1)
    status, out, err = run(*TONE, "--bench", bench, "--no-captures", "--json")
    assert status == 0, err
    warnings = json.loads(out)["warnings"]
    assert any("try 1 was refused" in line for line in warnings)
    assert any("a fault is rehearsed on this bench" in line for line in warnings)


def test_faults_are_of_a_simulated_bench_alone(tmp_path):
    bench = faulty_bench(tmp_path, "lost")
    text = bench.read_text()
    assert read_bench(bench).rehearsed[0] == Fault(kind="lost", at_s=0.8, stream=2, times=None)
    bench.write_text(text.replace('kind = "lost"', 'kind = "lots"'))
    with pytest.raises(TomlProblem, match="did you mean 'lost'"):
        read_bench(bench)
    bench.write_text(text.replace('kind = "lost"', 'kind = "not a number"'))
    with pytest.raises(TomlProblem, match="float32"):
        read_bench(bench)
    begin = text.index('kind = "simulated"')
    card = text.replace(text[begin : text.index("sample_rate_hz")], 'kind = "soundcard"\nname = "Demo card"\n')
    bench.write_text(card)
    with pytest.raises(TomlProblem, match="on a simulated bench alone"):
        read_bench(bench)


# Commands that sound, with the least that lets them; a search plays for a minute and is among them.
_LEVEL = ("--input-level", "20 mV")
_RATED = ("--rated-level", "60 W")
_OPTIONS = {"headroom": _RATED, "power": _RATED, "precondition": (*_RATED, "--minutes", "0.1")}
#: What needs a medium that is played: `test_rehearsed_listening.py` has it.
_MEDIA = ("disc", "tape")
_WORDS = {
    word: _OPTIONS.get(word, () if registry.find(word).search is not None or registry.find(word).silent else _LEVEL)
    for word in registry.words()
    if word not in _MEDIA
}


@pytest.mark.wide
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("word", _WORDS)
def test_every_measurement_meets_every_fault(tmp_path, word, kind):
    bench = faulty_bench(tmp_path, kind, at_s=_LATER_S.get(word, _AT_S))
    status, out, err = run("measure", word, *_WORDS[word], "--bench", bench, "--no-captures", "--json")
    assert "Traceback" not in err and "internal error" not in err, err
    # 2: the samples don't hold what the analysis needs, and it says what is wrong with them.
    assert status in (0, 2, 3), (status, err)
    assert status == 0 or err.splitlines()[-1].startswith("audiomeas: "), err
    if status == 0 and kind not in _MAY_BE_THE_UNITS:
        assert [line for line in json.loads(out)["warnings"] if "rehearsed" not in line], out[:200]


@pytest.mark.wide
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("command", ["run", "batch"])
def test_every_command_that_makes_a_record_meets_every_fault(tmp_path, command, kind):
    bench, records = faulty_bench(tmp_path, kind), tmp_path / "records"
    stack_file(tmp_path, "A", PLAN)
    more = ["--records", records, "--without-check", "a test", "--json"]
    arguments = {
        "run": ["run", tmp_path / "short.toml", "--unit", "Demo amplifier A, serial D-0001", *more],
        "batch": ["batch", tmp_path / "shelf.toml", "--no-prompt", *more],
    }[command]
    status, _, err = run(*arguments, "--bench", bench)
    assert "Traceback" not in err and "internal error" not in err, err
    assert status in (0, 1, 3), (status, err)
    assert status != 0 or kind in _MAY_BE_THE_UNITS, err
    found, _, problems = run("record", "verify", records)
    assert found == 0, problems
