"""What listens to a unit that plays by itself meets every fault of a card: a clear line or a warning, never a figure
without either; and what was captured is kept.

Nothing is played between markers here, so nothing tells lost samples but what the medium holds. Truth: captures in
closed form (`tape_captures`, `disc_captures`, `played_tones`), played into the command by a card that repeats them,
and the faults themselves, whose effect on samples `test_rehearsed_faults.py` checks.
"""

from __future__ import annotations

import json
import threading
from contextlib import contextmanager
from functools import cache

import numpy as np
import pytest
from benches import bench_file
from disc_captures import captured
from played_tones import PlayedTone, one_side_after_the_other
from played_tones import played as played_bands
from tape_captures import Deck, played
from test_cli import run

from audiomeas.interface import simulated, transport
from audiomeas.interface.faulty import KINDS, SIZES
from audiomeas.interface.protocol import InterfaceIdentity
from audiomeas.interface.transport import from_fractions
from audiomeas.measurement import session
from audiomeas.measurement.media import generate_disc
from audiomeas.measurement.tape_media import read_side
from audiomeas.simulation.player import read_disc_audio

RATE_HZ = 48_000


class Repeating:
    """A card that captures given samples, (frames, 2) in fractions of full scale, and then zeros.

    It calls itself the simulated card, so that the bench's calibration is its own.
    """

    identity = InterfaceIdentity(
        name="Simulated card", host_api="simulation", simulated=True, max_output_channels=2, max_input_channels=2
    )

    def __init__(self, samples):
        self.samples = samples

    @contextmanager
    def stream(self, form, mover):
        ended = threading.Event()

        def move():
            position = 0
            while not ended.is_set():
                block = np.zeros((form.block_frames, 2))
                there = self.samples[position : position + form.block_frames]
                block[: len(there)] = there
                position += form.block_frames
                codes = from_fractions(block, form.sample_format)
                if not mover.exchange(codes, np.zeros_like(codes), ()):
                    return

        worker = threading.Thread(target=move, name="repeating card", daemon=True)
        worker.start()
        try:
            yield
        finally:
            ended.set()
            worker.join()


# -- captures without a fault ------------------------------------------------------------------------------------

#: A tape of two tones, as its file lists it, and the deck that plays it (see `tape_captures`).
TAPE = """\
[[part]]
name = "level"
frequencies_hz = [315]
level_db = 0
each_s = 3

[[part]]
name = "azimuth"
frequencies_hz = [1000, 3150]
level_db = -10
each_s = 2
"""
DECK = Deck(speed=0.002, wow=((6.06, 3e-4),), noise=2e-4, late_s=2e-6, starts_s=1.0)
#: Tracks of the disc that are played: the tones at 0 and at -20 dB, and the twin tone, 5 s each.
TRACKS = (1, 2, 13)


@cache
def disc_in(folder):
    """Return a disc of a few of its tracks, made once in a folder."""
    generate_disc(folder)
    for one in folder.glob("*.wav*"):
        if int(one.name[:2]) not in TRACKS:
            one.unlink()
    sheet = folder / "disc.cue"
    head, *tracks = sheet.read_text().split("FILE ")
    sheet.write_text("FILE ".join([head, *(track for track in tracks if int(track[1:3]) in TRACKS)]))
    return folder


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    return tmp_path_factory.mktemp("media")


def disc_case(_, base):
    """Return the command and what is captured, which stays well below full scale; and where a tone lies."""
    disc_folder = disc_in(base / "disc")
    recording = captured(read_disc_audio(disc_folder), rate_hz=RATE_HZ, noise_v_rms=2e-5, leakage=(1e-4, 1e-4))
    return ["disc", "--disc", disc_folder, "--start-s", "2"], 0.9 * recording.counts_fs, 8.5


def tape_case(folder, _):
    side = folder / "tape.toml"
    side.write_text(TAPE)
    recording = played(read_side(side), DECK, float(RATE_HZ))
    return ["tape", "--side", side, "--start-s", "2", "--track-format", "cassette"], recording.counts_fs, 2.6


def separation_case(_, __):
    tones, ends_s = one_side_after_the_other([1_000.0], (0.02, 0.02))
    volts = played_bands(tones, RATE_HZ, ends_s + 1.0, noise_v_rms=1e-4)
    return ["separation", "--duration-s", f"{ends_s + 1.0:g}"], volts, 2.1


def response_case(_, __):
    tones, ends_s = one_side_after_the_other([315.0, 1_000.0, 3_150.0], (0.02, 0.02), length_s=1.5)
    volts = played_bands(tones, RATE_HZ, ends_s + 1.0, noise_v_rms=1e-4)
    return ["played-response", "--duration-s", f"{ends_s + 1.0:g}"], volts, 5.7


def flutter_case(_, __):
    tone = PlayedTone(frequency_hz=3_150.0, begin_s=0.0, length_s=21.0, gains=(1.0, 1.0))
    return ["flutter", "--duration-s", "20"], played_bands([tone], RATE_HZ, 21.0, noise_v_rms=1e-4, wow=5e-4), 9.0


CASES = {
    "disc": disc_case,
    "tape": tape_case,
    "separation": separation_case,
    "played-response": response_case,
    "flutter": flutter_case,
}


# -- the faults --------------------------------------------------------------------------------------------------

#: Said of each capture in which nothing is sent, and of each bench that rehearses.
ALWAYS = ("rehearsed", "nothing was sent")
#: A unit may step in its gain too, and a tape or record in its speed: a figure tells it, no warning.
MAY_BE_THE_UNITS = ("gain step", "clock step")
#: Also told by a figure: flutter counts leaps and drop-outs.
COUNTED = ("drop_outs", "leaps")
#: What never delivers all of it.
ENDS = ("hangs", "gone")


def bench_with(folder, kind, at_s):
    direct = ('range = "50:1"', 'range = "direct"')
    number = [('sample_format = "int24"', 'sample_format = "float32"')] if kind == "not a number" else []
    path = bench_file(folder, direct, *number, unit="cassette-deck", rate_hz=RATE_HZ)
    if kind:
        size = f"size = {SIZES[kind]}\n" if kind in SIZES else ""
        fault = f'\n[[rehearsed_fault]]\nkind = "{kind}"\nat_s = {at_s}\nstream = 1\ntimes = 0\n{size}'
        path.write_text(path.read_text() + fault)
    return path


def listened(folder, base, monkeypatch, word, kind):
    """Run a word with a fault; return status, result (None: refused), what is said of it, stderr's lines, captures."""
    command, samples, at_s = CASES[word](folder, base)
    monkeypatch.setattr(simulated, "simulated_interface", lambda **_: Repeating(samples))
    if kind == "hangs":  # any other is late on a busy machine, too
        monkeypatch.setattr(transport, "DRIVER_HANGS_S", 0.3)
    captures = folder / "captures"
    where = ["--bench", bench_with(folder, kind, at_s), "--captures", captures, "--json"]
    status, out, err = run("measure", *command, *where)
    assert "Traceback" not in err and "internal error" not in err, err
    result = json.loads(out) if status == 0 else None
    said = [] if result is None else [one for one in result["warnings"] if not any(word in one for word in ALWAYS)]
    kept = [path for path in captures.rglob("*") if path.suffix in (".flac", ".wav")]
    return status, result, said, err.splitlines(), kept


def meets(folder, base, monkeypatch, word, kind):
    status, result, said, lines, kept = listened(folder, base, monkeypatch, word, kind)
    assert kept  # whatever came is there
    if status == 0:
        counted = [one.get(key) for one in result["channels"] for key in COUNTED]
        assert kind not in ENDS
        assert said or any(counted) or kind in MAY_BE_THE_UNITS, (word, kind)
    else:
        assert status == 3, (status, lines)
        assert lines[-1].startswith("audiomeas: "), lines


#: Met in every run: seen in the samples, by what is missing.
EACH_TIME = (("tape", "lost"), ("separation", "gone"))


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        pytest.param(word, kind, marks=() if (word, kind) in EACH_TIME else pytest.mark.wide)
        for word in CASES
        for kind in KINDS
    ],
)
def test_what_listens_meets_every_fault(tmp_path, base, monkeypatch, word, kind):
    meets(tmp_path, base, monkeypatch, word, kind)


@pytest.mark.wide
@pytest.mark.parametrize("word", CASES)
def test_without_a_fault_nothing_is_said(tmp_path, base, monkeypatch, word):
    status, _, said, lines, _ = listened(tmp_path, base, monkeypatch, word, None)
    assert status == 0, lines
    assert said == []


@pytest.mark.wide
@pytest.mark.parametrize("kind", KINDS)
def test_what_goes_to_the_disk_meets_every_fault(tmp_path, base, monkeypatch, kind):
    monkeypatch.setattr(session, "_LONG_S", 1.0)
    meets(tmp_path, base, monkeypatch, "tape", kind)
