"""Writing: whole or not at all, never over another file; reading: errors of our own."""

from __future__ import annotations

import errno
import hashlib
import os
from pathlib import Path

import pytest

from audiomeas import files
from audiomeas.errors import FileProblem


def test_never_overwrites(tmp_path):
    path = tmp_path / "kept.txt"
    files.write_new_text(path, "first")
    with pytest.raises(FileProblem, match="never overwritten"):
        files.write_new_text(path, "second")
    assert path.read_text() == "first"
    assert [p.name for p in tmp_path.iterdir()] == ["kept.txt"]


def test_a_failing_writer_leaves_nothing(tmp_path):
    def half(temporary: Path) -> None:
        temporary.write_text("half")
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError):
        files.write_new(tmp_path / "x.txt", half)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EDQUOT, "disk is full"),
        (errno.EROFS, "read-only"),
        (errno.EIO, "can't write"),
    ],
)
def test_disk_errors_are_one_line(tmp_path, number, words):
    def fails(_: Path) -> None:
        raise OSError(number, os.strerror(number))

    with pytest.raises(FileProblem, match=words) as caught:
        files.write_new(tmp_path / "x.txt", fails)
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_missing_folder_and_bad_names(tmp_path):
    with pytest.raises(FileProblem, match="there is no folder"):
        files.write_new_text(tmp_path / "no" / "x.txt", "a")
    with pytest.raises(FileProblem):
        files.write_new_text(tmp_path / ("x" * 300), "a")
    with pytest.raises(FileProblem):
        files.read_text(Path("a\0b"))


def test_a_real_full_disk():
    """/dev/full is the kernel's own full disk: writing to it gives ENOSPC."""
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full on this system")
    with pytest.raises(FileProblem, match="disk is full"), files.translated(Path("/dev/full"), "write"):
        Path("/dev/full").write_text("x")


def test_json_refuses_what_is_no_number(tmp_path):
    path = tmp_path / "x.json"
    for text in ("NaN", "[Infinity]", "{", "[" * 100_000, '{"a": -Infinity}'):
        path.write_text(text)
        with pytest.raises(FileProblem, match=r"x\.json"):
            files.read_json(path)
    with pytest.raises(ValueError, match="Out of range"):
        files.to_json({"a": float("nan")})


def test_checksum_is_sha256(tmp_path):
    path = tmp_path / "x"
    path.write_bytes(b"abc")
    assert files.sha256_of(path) == hashlib.sha256(b"abc").hexdigest()


def test_free_name_counts_up(tmp_path):
    assert files.free_name(tmp_path, "a", ".txt").name == "a.txt"
    (tmp_path / "a.txt").touch()
    assert files.free_name(tmp_path, "a", ".txt").name == "a-2.txt"


def test_a_signal_waits_until_files_that_belong_together_are_written():
    import signal

    came = []
    former = signal.signal(signal.SIGINT, lambda number, frame: came.append(number))
    try:
        with files.undisturbed():
            os.kill(os.getpid(), signal.SIGINT)
            assert came == []
        assert came == [signal.SIGINT]
    finally:
        signal.signal(signal.SIGINT, former)


@pytest.mark.parametrize(
    "number", ["1e999", "-1E+400", "1e0400", "9" * 400, f"1{'0' * 210}e99", f"-9{'1' * 211}.5E+98", "NaN", "[1, 1e309]"]
)
def test_a_number_that_no_computer_holds_is_no_number_of_a_json_file(tmp_path, number):
    path = tmp_path / "facts.json"
    path.write_text(line := f'{{"level_v_rms": {number}}}')
    with pytest.raises(FileProblem, match=r"facts\.json: .* is not a JSON number"):
        files.read_json(path)
    assert files.facts_of_line(line) is None
    assert files.facts_of_line(line.encode()) is None


def test_large_numbers_that_a_computer_holds_are_read(tmp_path):
    path = tmp_path / "facts.json"
    path.write_text(numbers := f'[1e308, 1E+16, 12345678901234567890, 1e-999, "e999", {"1" * 210}e98]')
    held = [1e308, 1e16, 12345678901234567890, 0.0, "e999", float(f"0.{'1' * 17}e308")]
    assert files.read_json(path) == pytest.approx(held)
    assert files.facts_of_line(f'{{"facts": {numbers}}}') == {"facts": pytest.approx(held)}


def test_a_name_that_no_file_can_have_is_a_file_problem(tmp_path):
    with pytest.raises(FileProblem, match="too long"):
        files.is_there(tmp_path / ("x" * 300))
