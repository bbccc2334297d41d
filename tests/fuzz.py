"""Count what hostile files and options do to audiomeas: `python tests/fuzz.py --cases 100000 --seed 1`.

A case is told by seed and number alone (`--only NUMBER` runs it again and shows where it broke). Wrong are: an
exception that is not ours, an exit status that is none of the contract's, JSON that is none, more than 5 s of
processor time, more than 1 GB of memory, and a figure that damaged samples moved although nothing is said.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import io
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import click
import numpy as np
import soundfile
from fuzz_corpus import Corpus, damaged, damaged_text, make_corpus, strict_json

from audiomeas.bench import opened
from audiomeas.cli.main import audiomeas, status_of
from audiomeas.errors import AudiomeasError, DeviceError, StopAsked

#: Processor time and memory (kB) that a case may take.
LONGEST_S, LARGEST_KB = 5.0, 1_000_000
#: Exit statuses of the contract.
STATUSES = (0, 1, 2, 3, 130)
#: In so many cases of a hundred a command that passed all its checks may really play on the simulated bench; what it
#: plays takes its time (a search for power plays for a minute), and so does writing hours of sound, with progress.
_PLAYS_PERCENT, _LONGEST_PLAY_S = 1, 300.0


class Hang(BaseException):
    """A case took too long. Not an Exception: nothing may swallow it."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """What was wrong with a case."""

    number: int
    kind: str
    what: str
    how: str

    def __str__(self) -> str:
        return f"case {self.number} ({self.kind}): {self.what}\n    {self.how}"


# ---------------------------------------------------------------- cases


def _pick(things: Any, rng: np.random.Generator) -> Any:
    things = list(things)
    return things[int(rng.integers(len(things)))]


def _damaged_file(path: Path, folder: Path, corpus: Corpus, rng: np.random.Generator, name: str = "") -> Path:
    way = damaged_text if path.suffix in (".toml", ".json", ".jsonl") else damaged
    other = _pick(_all_files(corpus.folder), rng)
    target = folder / (name or path.name)
    target.write_bytes(way(path.read_bytes(), rng, other.read_bytes()))
    return target


@lru_cache(maxsize=4)
def _all_files(folder: Path) -> tuple[Path, ...]:
    return tuple(sorted(path for path in folder.rglob("*") if path.is_file()))


def _audio(corpus: Corpus, folder: Path, rng: np.random.Generator) -> Callable[[], Any]:
    path = _pick(corpus.audio, rng)
    bad = _damaged_file(path, folder, corpus, rng)
    word = corpus.word[path] if rng.random() < 0.8 else _pick(corpus.word.values(), rng)
    with_stimulus = ["--stimulus", str(corpus.stimulus[path])] if rng.random() < 0.6 else []
    return lambda: run(["analyze", word, str(bad), *with_stimulus, "--json"])


def _sidecar(corpus: Corpus, folder: Path, rng: np.random.Generator) -> Callable[[], Any]:
    path = _pick(corpus.audio, rng)
    bad = _damaged_file(corpus.stimulus[path], folder, corpus, rng)
    return lambda: run(["analyze", corpus.word[path], str(path), "--stimulus", str(bad), "--json"])


def _toml(corpus: Corpus, folder: Path, rng: np.random.Generator) -> Callable[[], Any]:
    kind = _pick(corpus.toml, rng)
    path = _pick(corpus.toml[kind], rng)
    if kind in ("bench", "calibration"):
        for each in (corpus.toml["bench"][0], corpus.toml["calibration"][0]):
            shutil.copy(each, folder)
    bad = _damaged_file(path, folder, corpus, rng)
    bench = folder / corpus.toml["bench"][0].name
    capture = corpus.audio[0]
    return {
        "bench": lambda: run(["bench", "show", "--bench", str(bench), "--json"]),
        "calibration": lambda: (
            run(["bench", "show", "--bench", str(bench), "--json"])
            if rng.random() < 0.5
            else run(["analyze", corpus.word[capture], str(capture), "--calibration", str(bad), "--json"])
        ),
        "plan": lambda: run(["plan", "check", str(bad), "--json"]),
        "stack": lambda: _read_stack(bad),
        "shop": lambda: _read_shop(bad),
        "sheet": lambda: run(["bringup", str(bad), "--readings", str(corpus.toml["readings"][0]), "--json"]),
        "readings": lambda: run(["bringup", "solid-state", "--readings", str(bad), "--json"]),
        "unit": lambda: _read_unit(bad),
        "answers": lambda: _read_answers(bad),
    }[kind]  # type: ignore[no-untyped-call]


def _read_stack(path: Path) -> None:
    from audiomeas.plan.stack import read_stack

    read_stack(path)


def _read_shop(path: Path) -> None:
    from audiomeas.present.shop import read_shop

    read_shop(path)


def _read_unit(path: Path) -> None:
    from audiomeas.simulation.unit import read_unit

    read_unit(path)


def _read_answers(path: Path) -> None:
    from audiomeas.plan.answers import read_answers

    read_answers(path)


def _result(corpus: Corpus, folder: Path, rng: np.random.Generator) -> Callable[[], Any]:
    bad = _damaged_file(_pick(corpus.results, rng), folder, corpus, rng)
    noise = next(path for path in corpus.audio if corpus.word[path] == "noise")
    if rng.random() < 0.4:
        return lambda: run(["chart", str(bad), str(folder / "chart.svg")])
    if rng.random() < 0.5:
        return lambda: run(["analyze", "noise", str(noise), "--gain-from", str(bad), "--json"])
    return lambda: run(["compare", str(bad), str(_pick(corpus.results, rng)), "--json"])


def _record(corpus: Corpus, folder: Path, rng: np.random.Generator) -> Callable[[], Any]:
    records = folder / "records"
    shutil.copytree(corpus.records, records)
    files = [path for path in sorted(records.rglob("*")) if path.is_file()]
    bad = _pick(files, rng)
    _damaged_file(bad, bad.parent, corpus, rng)
    unit = next(path for path in records.iterdir() if path.is_dir())
    visits = sorted(path for path in unit.iterdir() if (path / "journal.jsonl").exists())
    if rng.random() < 0.5:  # its checksums told it; so that the readers behind them are met too
        for visit in visits:
            (visit / "checksums.sha256").unlink(missing_ok=True)
    arguments = _pick(
        [
            ["record", "verify", str(records), "--json"],
            ["history", "--records", str(records), "--json"],
            ["history", unit.name, "--records", str(records), "--json"],
            ["logbook", "show", "Demo amplifier A, serial D-0001", "--records", str(records), "--json"],
            ["compare", str(visits[0]), str(visits[-1]), "--json"],
            ["export", str(folder / "all.csv"), "--records", str(records)],
            ["export", str(folder / "all.json"), "--records", str(records)],
            ["reanalyze", str(visits[0]), "--json"],
        ],
        rng,
    )
    return lambda: run(arguments)


def _samples(corpus: Corpus, folder: Path, rng: np.random.Generator) -> Callable[[], Any]:
    """Damage samples inside a tone's capture; the file is whole, so only the sound can tell."""
    path = next(one for one in corpus.audio if corpus.word[one] == "distortion")
    samples, rate_hz = soundfile.read(path, always_2d=True, dtype="int32")
    at, length = int(rng.integers(6_000, len(samples) - 14_000)), int(rng.integers(16, 3_000))
    part = slice(at, at + length)
    way = int(rng.integers(5))
    if way == 0:
        samples[part] = 0
    elif way == 1:
        samples = np.delete(samples, part, axis=0)
    elif way == 2:
        samples = np.insert(samples, at, samples[part], axis=0)
    elif way == 3:
        samples[part] = rng.integers(-(2**31), 2**31, samples[part].shape)
    else:
        samples[part] = samples[at + length : at + 2 * length]
    bad = folder / "damaged.wav"
    soundfile.write(bad, samples, rate_hz, subtype="PCM_24")
    return lambda: _moved_unsaid(bad, path)


def _figures(path: Path) -> tuple[list[dict[str, Any]], list[str]]:
    out = run(["analyze", "distortion", str(path), "--json"])
    if not out:
        return [], ["refused"]
    found: Any = strict_json(out)
    return found["channels"], found["warnings"]


def _moved_unsaid(bad: Path, whole: Path) -> None:
    """Raise AssertionError when a figure is not what the whole capture gives, and nothing says so."""
    before, said_before = _figures_of_whole(whole)
    after, said = _figures(bad)
    if len(said) > len(said_before) or not after:
        return
    for one, other in zip(before, after, strict=True):
        for key in ("level_dbfs", "thd_n_db"):
            if one[key] is not None and other[key] is not None:
                # Half a decibel: what noise of another 0.5 s may do to THD+N at 80 dB (χ² with 10,000 degrees: 0.1 dB).
                assert abs(one[key] - other[key]) < 0.5, f"{key} {one[key]} → {other[key]}, and nothing is said"


@lru_cache(maxsize=2)
def _figures_of_whole(path: Path) -> tuple[list[dict[str, Any]], list[str]]:
    return _figures(path)


_NUMBERS = ("0", "-1", "1", "nan", "inf", "-inf", "1e308", "1e-308", "", "abc", "1,2", "1e9", "20", "997", "20000", "٣")
_TEXTS = (
    "1 W", "100 mV", "-10 dBV", "0 V", "nan V", "1e999 W", "-1 V", "0 dBFS", "x", "", "1,2,3", "20,20000", "1e400",
    "Demo amplifier A, serial D-0001", "Demo amplifier A", "../..", "\udc80", "ä" * 300, "8 ohm", "none", "yes",
    "as-found", "%s", "{}", "--json",
)  # fmt: skip


def _options(corpus: Corpus, folder: Path, rng: np.random.Generator) -> Callable[[], Any]:
    path, command = _pick(_commands(), rng)
    arguments = list(path)
    for parameter in command.params:
        if isinstance(parameter, click.Argument):
            if rng.random() < 0.93:
                arguments.append(_argument(str(parameter.name), path, corpus, folder, rng))
        elif rng.random() < 3.0 / len(command.params) and parameter.name not in ("help", "show"):
            name = _pick([*parameter.opts, *parameter.secondary_opts], rng)
            arguments += [name] if getattr(parameter, "is_flag", False) else [name, _value(parameter, corpus, rng)]
    plays = int(rng.integers(100)) < _PLAYS_PERCENT
    return lambda: run(arguments, plays=plays)


def _argument(name: str, path: tuple[str, ...], corpus: Corpus, folder: Path, rng: np.random.Generator) -> str:
    if name == "file" and path[0] == "analyze" and rng.random() < 0.8:
        return str(_pick([one for one in corpus.audio if corpus.word[one] == path[1]] or corpus.audio, rng))
    if name in ("file", "folder") and path[0] in ("generate", "chart", "report", "export"):
        return str(folder / _pick(("out.wav", "out.flac", "out.csv", "out.png", "out.svg", "no/folder.wav", ""), rng))
    if rng.random() < 0.6:
        return str(_pick(_all_files(corpus.folder), rng))
    return str(_pick(_TEXTS, rng))


def _value(parameter: click.Parameter, corpus: Corpus, rng: np.random.Generator) -> str:
    if isinstance(parameter.type, click.Choice) and rng.random() < 0.8:
        return str(_pick(parameter.type.choices, rng))
    kind = parameter.type.name
    if kind in ("path", "file") or (parameter.name or "") in ("stimulus", "calibration", "bench", "records"):
        return str(_pick([*_all_files(corpus.folder), corpus.records, "/nonexistent/file", corpus.folder], rng))
    if kind in ("float", "integer", "integer range", "float range") or rng.random() < 0.4:
        return str(_pick(_NUMBERS, rng)) if rng.random() < 0.6 else f"{10.0 ** rng.uniform(-3, 5):.4g}"
    return str(_pick(_TEXTS, rng))


@lru_cache(maxsize=1)
def _commands() -> tuple[tuple[tuple[str, ...], click.Command], ...]:
    def below(path: tuple[str, ...], command: click.Command) -> Iterator[tuple[tuple[str, ...], click.Command]]:
        if isinstance(command, click.Group):
            context = click.Context(command)
            for name in command.list_commands(context):
                found = command.get_command(context, name)
                assert found is not None
                yield from below((*path, name), found)
        else:
            yield path, command

    # `demo` takes a minute by design, and has one option; `devices` asks the system's own library.
    return tuple(each for each in below((), audiomeas) if each[0][0] not in ("demo", "devices"))


#: kind → how it is made, and how many of a hundred cases are of it.
KINDS = {
    "audio": (_audio, 26),
    "samples": (_samples, 4),
    "sidecar": (_sidecar, 10),
    "toml": (_toml, 26),
    "result": (_result, 6),
    "record": (_record, 8),
    "options": (_options, 20),
}


# ---------------------------------------------------------------- running them


def run(arguments: list[str], *, plays: bool = False) -> str:
    """Run a command in this process and return what it wrote to stdout; '' unless it was done.

    plays : False lets no interface open, so that only what comes before a sound is met.
    """
    if plays or arguments[:1] == ["generate"]:
        signal.setitimer(signal.ITIMER_VIRTUAL, _LONGEST_PLAY_S)
    out, err = io.StringIO(), io.StringIO()
    with _no_sound(plays), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = status_of(arguments)
    assert status in STATUSES, f"exit status {status}"
    assert "Traceback" not in err.getvalue(), err.getvalue()
    if status in (2, 3):
        lines = err.getvalue().splitlines()
        ours = [line for line in lines if line.startswith("audiomeas: ")]
        told = (lines or out.getvalue()) and not ours  # a list of what is wrong, or the JSON of it
        assert len(ours) == 1 or told, f"not one line of error: {err.getvalue()!r}"
    if "--json" in arguments[-1:] and status in (0, 1):
        strict_json(out.getvalue())
    return out.getvalue() if status == 0 else ""


class _Silent:
    """In place of an interface: a bench that can't be opened."""

    def __init__(self, interface: Any) -> None:
        self._interface = interface

    @property
    def identity(self) -> Any:
        return self._interface.identity

    def latency_frames(self, block_frames: int) -> int:
        return int(self._interface.latency_frames(block_frames))

    def stream(self, form: Any, mover: Any) -> Any:
        raise DeviceError("no sound while fuzzing")


@contextlib.contextmanager
def _no_sound(plays: bool) -> Iterator[None]:
    make = opened.make_interface
    if not plays:
        opened.make_interface = lambda bench: _Silent(make(bench))  # type: ignore[assignment,return-value]
    try:
        yield
    finally:
        opened.make_interface = make


def make_case(number: int, seed: int, corpus: Corpus, folder: Path) -> tuple[str, Callable[[], Any]]:
    """Return the kind of a case, and what runs it."""
    rng = np.random.default_rng([seed, number])
    kinds, weights = list(KINDS), np.array([weight for _, weight in KINDS.values()], dtype=float)
    kind = kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))]
    return kind, KINDS[kind][0](corpus, folder, rng)


def one_case(number: int, seed: int, corpus: Corpus, *, longest_s: float = LONGEST_S) -> tuple[str, Fault | None]:
    """Run one case in a folder of its own; return its kind and what was wrong."""
    before = Path.cwd()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
        folder = Path(name)
        kind, case = make_case(number, seed, corpus, folder)
        os.chdir(folder)
        stdin, sys.stdin = sys.stdin, io.StringIO("yes\n1\n\n")
        signal.signal(signal.SIGVTALRM, _too_long)
        signal.setitimer(signal.ITIMER_VIRTUAL, longest_s)
        try:
            case()
            wrong = ""
        except AudiomeasError:
            wrong = ""
        except (Hang, Exception, StopAsked, SystemExit) as error:
            wrong = f"{type(error).__name__}: {error}"
            where = " ← ".join(
                f"{Path(frame.filename).name}:{frame.lineno}"
                for frame in reversed(traceback.extract_tb(error.__traceback__)[-6:])
            )
            wrong = f"{wrong[:300]}  [{where}]"
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
            sys.stdin = stdin
            os.chdir(before)
    if wrong:
        gc.collect()  # what the traceback held is no matter of the next case
    if (most_kb := _most_memory_kb()) > LARGEST_KB and not wrong:
        wrong = f"memory: {most_kb / 1e6:.2f} GB"
    return kind, Fault(number=number, kind=kind, what=wrong, how=_told(case)) if wrong else None


def _most_memory_kb() -> int:
    """Return the most memory that this process has held since it was asked last (Linux)."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")  # the high-water mark begins anew
    return int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1])


def _told(case: Callable[[], Any]) -> str:
    """Return what a case closes over, which tells what was run."""
    cells = case.__closure__ or ()
    return "; ".join(str(cell.cell_contents)[:400] for cell in cells if not isinstance(cell.cell_contents, Corpus))


def _too_long(number: int, frame: Any) -> None:
    raise Hang("more than the processor time that a case may take")


def _chunk(work: tuple[int, int, int, Path]) -> tuple[Counter[str], list[Fault]]:
    first, last, seed, folder = work
    # What wants more than this would take the machine with it.
    resource.setrlimit(resource.RLIMIT_AS, (3_000_000_000, 3_000_000_000))
    with tempfile.TemporaryDirectory(prefix="corpus-", dir=folder) as own:
        corpus = make_corpus(Path(own))
        counts: Counter[str] = Counter()
        faults = []
        for number in range(first, last):
            kind, fault = one_case(number, seed, corpus)
            counts[kind] += 1
            if fault is not None:
                faults.append(fault)
    return counts, faults


def main() -> int:
    """Run the cases, print the count, return 1 when something was wrong."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cases", type=int, default=1_000)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--workers", type=int, default=1)
    asked.add_argument("--only", type=int)
    given = asked.parse_args()
    os.environ["AUDIOMEAS_TRACEBACK"] = "1"
    os.environ.pop("AUDIOMEAS_BENCH", None)
    with tempfile.TemporaryDirectory(prefix="fuzzing-") as name:
        if given.only is not None:
            kind, fault = one_case(given.only, given.seed, make_corpus(Path(name)))
            print(fault or f"case {given.only} ({kind}): nothing wrong")
            return int(fault is not None)
        return _counted(given, Path(name))


def _counted(given: argparse.Namespace, folder: Path) -> int:
    size, last = 500, given.first + given.cases
    work = [(n, min(n + size, last), given.seed, folder) for n in range(given.first, last, size)]
    counts: Counter[str] = Counter()
    wrong = 0
    began_s = time.monotonic()
    # A new process for each chunk: memory is told chunk by chunk.
    with get_context("spawn").Pool(given.workers, maxtasksperchild=1) as pool:
        for found, faults in pool.imap(_chunk, work):
            counts += found
            wrong += len(faults)
            for fault in faults:
                print(fault, flush=True)
            print(f"{counts.total()} cases, {wrong} wrong, {time.monotonic() - began_s:.0f} s", flush=True)
    print(f"seed {given.seed}: {counts.total()} cases ({dict(counts)}): {wrong} wrong")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
