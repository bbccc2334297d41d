"""Nothing is left behind, whatever a card does: no thread, no open file, no lock; and clocks may do what they like.

Truth: the system's own lists of threads and open files (Linux), and what was really played.
"""

from __future__ import annotations

import gc
import io
import os
import threading
from pathlib import Path

import numpy as np
import pytest
from benches import Meddling, bench_file
from test_cli import run
from visits_made import UNIT, at, made, opened

import audiomeas
from audiomeas.errors import AudiomeasError, DeviceError
from audiomeas.interface import simulated, transport
from audiomeas.interface.faulty import KINDS, SIZES, Fault, FaultyInterface
from audiomeas.interface.protocol import StreamFormat
from audiomeas.interface.simulated import simulated_interface
from audiomeas.interface.transport import play
from audiomeas.record.archive import history
from audiomeas.record.lock import hold

RATE_HZ = 48_000.0
FORM = StreamFormat(sample_rate_hz=RATE_HZ, sample_format="float32")
TONE = np.repeat(0.1 * np.sin(2.0 * np.pi * 997.0 / RATE_HZ * np.arange(9_600.0))[:, None], 2, axis=1)


def left() -> tuple[set[str], int]:
    """Return which threads run, and how many files are open."""
    gc.collect()
    return {thread.name for thread in threading.enumerate()}, len(os.listdir("/proc/self/fd"))  # noqa: PTH208


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="open files are counted where Linux lists them")
def test_no_fault_leaves_a_thread_or_a_file_open(monkeypatch: pytest.MonkeyPatch) -> None:
    usual_s = transport.DRIVER_HANGS_S
    card = simulated_interface(unit="loop")
    play(card, TONE, FORM, tail_frames=960)  # what is loaded once is no leak
    before = left()
    for kind in KINDS:
        # Any other card is late on a busy machine, too.
        monkeypatch.setattr(transport, "DRIVER_HANGS_S", 0.5 if kind == "hangs" else usual_s)
        faulty = FaultyInterface(card, [Fault(kind=kind, at_s=0.1, size=SIZES.get(kind, 0.0), frames=64, times=None)])
        for _ in range(2):
            try:
                capture = play(faulty, TONE, FORM, tail_frames=960)
            except AudiomeasError:
                continue
            # What came until then is kept, as much as there was.
            assert kind not in ("hangs", "gone") or (capture.stopped and 0 < len(capture.samples) < len(TONE))
    assert left() == before


def test_a_device_that_another_program_holds_is_told_and_leaves_nothing() -> None:
    class Held:
        identity = simulated_interface(unit="loop").identity

        def stream(self, form: StreamFormat, mover: object) -> object:
            raise DeviceError("sound card 'Demo card' is held by another program: end that one first")

    threads = left()[0]
    with pytest.raises(DeviceError, match="held by another program"):
        play(Held(), TONE, FORM)  # type: ignore[arg-type]
    assert left()[0] == threads


UNIT_WORDS = "Demo amplifier A, serial D-0001"


@pytest.mark.parametrize(
    "command",
    [
        ["measure", "gain", "--input-level", "20 mV"],
        ["measure", "flutter"],
        ["live", "--lines", "--input-level", "20 mV"],
        ["soak", "--unit", UNIT_WORDS, "--hours", "0.01", "--input-level", "20 mV"],
        ["run", "power-amplifier", "--unit", UNIT_WORDS, "--without-check", "a test"],
        ["bench", "check", "--connected", "cable"],
    ],
)
def test_each_kind_of_command_says_in_one_line_that_another_program_holds_the_device(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: list[str]
) -> None:
    held = "sound card 'Demo card' is busy: end other programs that use it"

    class Held:
        identity = simulated_interface(unit="loop").identity

        def stream(self, form: StreamFormat, mover: object) -> object:
            raise DeviceError(held)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO("unmute\nquit\n"))
    monkeypatch.setattr(simulated, "simulated_interface", lambda **_: Held())
    threads = left()[0]
    status, _, err = run(*command, "--bench", bench_file(tmp_path, rate_hz=48_000))
    assert status == 3, err
    (line,) = [line for line in err.splitlines() if held in line]
    assert line in (f"audiomeas: {held}", f"first look: {held}")  # a plan goes on to what needs no sound
    assert left()[0] == threads


def test_it_is_silent_50_ms_after_a_stop() -> None:
    """Counted in frames that were played, so that it holds on a busy machine. Whether to stop is asked every 20 ms."""
    asked: list[int] = []

    def stop() -> bool:
        if meddled.played[0] and not asked and len(meddled.played[0]) > 4:
            asked.append(len(meddled.played[0]))
        return bool(asked)

    meddled = Meddling(simulated_interface(unit="loop"), seconds=0.01)
    capture = play(meddled, np.tile(TONE, (10, 1)), FORM, cancelled=stop)
    assert capture.stopped == "cancelled"
    played = np.max(np.abs(meddled.played_samples()), axis=1)
    last = int(np.flatnonzero(played)[-1])
    begins = next(n for n in range(len(meddled.played[0])) if np.max(np.abs(meddled.played[0][n])) < 0.09)
    assert last - begins * FORM.block_frames < 0.05 * RATE_HZ


def test_a_clock_that_is_set_back_breaks_no_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    records = tmp_path / "records"
    at(monkeypatch, "2026-05-02T10:00:00Z")
    book = audiomeas.logbook(UNIT, records=records)
    book.listen("hum")
    made(records)
    at(monkeypatch, "2026-05-01T09:00:00Z")  # a day back, between two visits …
    book.repair("Q7", reason="shorted")
    visit = opened(records, "as-left")
    at(monkeypatch, "2019-01-01T00:00:00Z")  # … and years, while one is made
    visit.finish("pass")
    found = audiomeas.verify(records)
    assert (found.visits, found.entries, found.problems) == (2, 2, ())
    assert not history("D-0001", records=records).unreadable


def test_a_lock_that_nobody_holds_any_more_is_free(tmp_path: Path) -> None:
    file = tmp_path / "journal.jsonl"
    file.write_text("")
    held = hold(file)
    assert held is not None
    assert hold(file) is None
    child = os.fork()
    if child == 0:
        os._exit(0 if hold(file) is None else 1)  # another program can't have it either
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    del held  # its owner ended without a word
    gc.collect()
    again = hold(file)
    assert again is not None
    again.release()


def test_programs_that_make_visits_of_one_unit_at_once_leave_a_whole_archive(tmp_path: Path) -> None:
    """The unit is new to all of them, and each writes to its logbook too."""
    programs, visits = 3, 2
    children = []
    for _ in range(programs):
        child = os.fork()
        if child == 0:
            status = 1
            try:
                for _ in range(visits):
                    made(tmp_path)
                    audiomeas.logbook(UNIT, records=tmp_path).listen("hum")
                status = 0
            finally:
                os._exit(status)
        children.append(child)
    assert [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children] == [0] * programs
    found = audiomeas.verify(tmp_path)
    assert (found.visits, found.entries, found.problems) == (programs * visits, programs * visits, ())
    assert len(list(tmp_path.glob("*/unit.json"))) == 1
