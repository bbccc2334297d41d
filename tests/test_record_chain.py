"""The chain of a logbook: whole lines in turn, whoever writes and whatever ends it; any change is found."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audiomeas.errors import FileProblem
from audiomeas.record import chain

_WRITER = """
import sys
from pathlib import Path
from audiomeas.record import chain
for number in range(int(sys.argv[3])):
    chain.append(Path(sys.argv[1]), "note", who=sys.argv[2], number=number)
"""
_HOLDER = """
import os, sys, time
from pathlib import Path
from audiomeas.record.lock import locked
descriptor = os.open(sys.argv[1], os.O_RDWR)
with locked(descriptor):
    print("held", flush=True)
    time.sleep(600)
"""


def _written(path: Path, lines: int = 4) -> bytes:
    for number in range(lines):
        chain.append(path, "note", number=number, text=f"Ω {number}")
    return path.read_bytes()


def test_each_line_holds_the_sha256_of_the_one_before(tmp_path: Path) -> None:
    """Truth: hashlib over the bytes, as `sed -n 3p logbook.jsonl | sha256sum` has them."""
    data = _written(tmp_path / "l.jsonl")
    lines = data.splitlines(keepends=True)
    told = [json.loads(line)["previous"] for line in lines]
    assert told == ["", *(hashlib.sha256(line).hexdigest() for line in lines[:-1])]
    head = chain.head_of(tmp_path / "l.jsonl")
    assert (head.lines, head.sha256) == (4, hashlib.sha256(lines[-1]).hexdigest())
    assert chain.head_of(tmp_path / "none") == chain.Head(lines=0, sha256="")
    assert chain.read(tmp_path / "none") == ()


def _changed(data: bytes, what: str) -> bytes:
    lines = data.splitlines(keepends=True)
    if what == "a value":
        lines[1] = lines[1].replace(b'"number": 1', b'"number": 7')
    elif what == "one taken out":
        del lines[1]
    elif what == "the first taken out":
        del lines[0]
    elif what == "two in other order":
        lines[1], lines[2] = lines[2], lines[1]
    elif what == "one put in":
        lines.insert(2, lines[1])
    elif what == "an empty line":
        lines.insert(2, b"\n")
    elif what == "no line of ours":
        lines[1] = b"something\n"
    elif what == "at the end":
        lines.append(b"something\n")
    elif what == "cut off and said so":
        lines[1] = lines[1][:20] + b"\n"
    else:
        raise AssertionError(what)
    return b"".join(lines)


@pytest.mark.parametrize(
    "what",
    [
        "a value", "one taken out", "the first taken out", "two in other order", "one put in", "an empty line",
        "no line of ours", "at the end", "cut off and said so",
    ],
)  # fmt: skip
def test_every_change_is_found_and_named(tmp_path: Path, what: str) -> None:
    path = tmp_path / "l.jsonl"
    path.write_bytes(_changed(_written(path), what))
    assert chain.checked(path).problems
    with pytest.raises(FileProblem, match=r"l\.jsonl, line \d") as caught:
        chain.read(path)
    assert "\n" not in str(caught.value)


@pytest.fixture(scope="module")
def three_lines(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, bytes]:
    """A file of three lines and its bytes."""
    path = tmp_path_factory.mktemp("chain") / "l.jsonl"
    return path, _written(path, 3)


@settings(deadline=None)  # it writes a file: no clock on a busy machine
@given(place=st.integers(0, 10_000), flipped=st.integers(1, 255))
def test_no_flipped_byte_of_an_earlier_line_goes_unseen(
    three_lines: tuple[Path, bytes], place: int, flipped: int
) -> None:
    path, whole = three_lines
    data = bytearray(whole)
    place %= data[:-1].rindex(b"\n")  # the last line is held by nothing yet: by a visit's head, or by the next line
    data[place] ^= flipped
    path.write_bytes(data)
    assert chain.checked(path).problems


def test_a_line_cut_off_by_a_crash_is_left_out_and_the_next_one_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "l.jsonl"
    data = _written(path, 3)
    start = data[:-1].rindex(b"\n") + 1
    for length in range(start + 1, len(data) - 1):
        path.write_bytes(data[:length])
        chained = chain.checked(path)
        assert (len(chained.lines), chained.problems, len(chained.notes)) == (2, (), 1)
        chain.append(path, "note", number=9)
        assert path.read_bytes().startswith(data[:length] + b"\n")  # nothing is taken away
        after = chain.checked(path)
        assert ([line.facts["number"] for line in after.lines], after.problems) == ([0, 1, 9], ())
        assert [line.number for line in after.lines] == [1, 2, 4]
    path.write_bytes(data[:-1])  # only its end is missing: it is whole
    assert len(chain.read(path)) == 3
    chain.append(path, "note", number=9)
    assert [line.facts["number"] for line in chain.read(path)] == [0, 1, 2, 9]


def test_two_crashes_in_a_row_are_two_lines_left_out(tmp_path: Path) -> None:
    path = tmp_path / "l.jsonl"
    data = _written(path, 2)
    path.write_bytes(data + data[:30] + b"\n" + data[:12])
    chain.append(path, "note", number=9)
    assert [line.facts["number"] for line in chain.read(path)] == [0, 1, 9]
    path.write_bytes(data + data[:30] + b"\n")  # the crash came when only the end of the first one was written
    chain.append(path, "note", number=9)
    assert [line.facts["number"] for line in chain.read(path)] == [0, 1, 9]


def test_a_full_disk_leaves_the_file_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "l.jsonl"
    data = _written(path, 2)
    write = os.write

    def half(descriptor: int, what: bytes) -> int:
        if len(what) < 40:
            raise OSError(28, "No space left on device")
        return write(descriptor, what[:30])

    monkeypatch.setattr(os, "write", half)
    with pytest.raises(FileProblem, match="disk is full"):
        chain.append(path, "note", number=2)
    monkeypatch.undo()
    assert path.read_bytes() == data


def _programs(path: Path, programs: int, lines: int) -> None:
    started = [
        subprocess.Popen([sys.executable, "-c", _WRITER, str(path), str(who), str(lines)]) for who in range(programs)
    ]
    assert [each.wait(timeout=300) for each in started] == [0] * programs
    read = chain.read(path)
    assert len(read) == programs * lines
    for who in range(programs):  # each one's lines are all there, in its own order
        assert [line.facts["number"] for line in read if line.facts["who"] == str(who)] == list(range(lines))


def test_several_programs_at_once_write_whole_lines_in_turn(tmp_path: Path) -> None:
    _programs(tmp_path / "l.jsonl", programs=3, lines=15)


@pytest.mark.wide
def test_many_programs_at_once_write_whole_lines_in_turn(tmp_path: Path) -> None:
    _programs(tmp_path / "l.jsonl", programs=8, lines=200)


@pytest.mark.wide
def test_programs_killed_at_any_moment_leave_a_chain_that_holds(tmp_path: Path) -> None:
    """What is cut off is left out; what was told to be written stays (each program says it line by line)."""
    path = tmp_path / "l.jsonl"
    said = _WRITER.replace("number=number)", "number=number); print(number, flush=True)")
    for trial in range(40):
        command = [sys.executable, "-c", said, str(path), f"t{trial}", "100000"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as program:
            assert program.stdout is not None
            for _ in range(1 + trial % 7):
                program.stdout.readline()
            program.kill()
            told = 1 + trial % 7
            program.communicate()
        chained = chain.checked(path)
        assert chained.problems == ()
        numbers = [line.facts["number"] for line in chained.lines if line.facts["who"] == f"t{trial}"]
        assert numbers == list(range(len(numbers))) and len(numbers) >= told


@pytest.mark.skipif(sys.platform == "win32", reason="no such locks")
def test_a_lock_does_not_outlive_its_owner(tmp_path: Path) -> None:
    path = tmp_path / "l.jsonl"
    _written(path, 1)
    with subprocess.Popen([sys.executable, "-c", _HOLDER, str(path)], stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None and holder.stdout.readline() == "held\n"
        with subprocess.Popen([sys.executable, "-c", _WRITER, str(path), "second", "1"]) as second:
            with pytest.raises(subprocess.TimeoutExpired):  # it waits while the other one holds the file
                second.wait(timeout=0.7)
            assert len(chain.read(path)) == 1
            holder.send_signal(signal.SIGKILL)
            assert second.wait(timeout=120) == 0
    assert [line.facts.get("who") for line in chain.read(path)] == [None, "second"]
