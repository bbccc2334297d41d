"""What fuzzing starts from: sound files of every kind that audiomeas reads, and ways to damage them. All is seeded."""

from __future__ import annotations

import contextlib
import io
import json
import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from benches import bench_file
from visits_made import UNIT, made

import audiomeas
from audiomeas.cli.main import status_of
from audiomeas.files import shipped

#: Analysis word → the stimulus that it reads, as short as that word takes it, so that a case costs milliseconds.
CAPTURED = {
    "distortion": ("sine", "--duration-s", "0.5"),
    "flutter": ("sine", "--duration-s", "6", "--frequency-hz", "3150"),
    "tracking": ("sine", "--duration-s", "1"),
    "noise": ("silence", "--duration-s", "1"),
    "intermodulation": ("twin-tone", "--duration-s", "0.5"),
    "multitone": ("multitone", "--duration-s", "0.5"),
    "response": ("sweep", "--duration-s", "1", "--markers"),
    "crosstalk": ("staggered-sweeps", "--duration-s", "0.6", "--markers"),
    "linearity": ("steps", "--frequencies-hz", "1000", "--falls-db", "0,20,40", "--step-s", "0.3"),
    "response-steps": ("steps", "--frequencies-hz", "100,1000,5000", "--step-s", "0.3"),
    "distortion-steps": ("steps", "--frequencies-hz", "100,1000", "--falls-db", "0,20", "--step-s", "0.5"),
    "dynamic-range": ("tone-and-silence", "--duration-s", "0.5", "--idle-s", "1"),
    "square-wave": ("square-wave", "--window-s", "0.2", "--markers"),
    "tone-burst": ("tone-burst", "--window-s", "0.3", "--markers"),
}
#: What comes back of a stimulus in a capture, and the noise in it: 80 dB below a full-scale sine.
_GAIN, _NOISE_FS = 0.7, 1e-4 / np.sqrt(2.0)

ANSWERS = '"DC offset, channel 1" = "12.5 mV"\n"Tone controls at their centre" = "yes"\n'
READINGS = (
    '[confirmed]\n"Bulb in" = "yes"\n\n[[reading]]\nstep = "30 %"\nbulb = "dim"\nmains = "36.1 V"\n'
    'current = "60 mA"\ndc_offset_1 = "4 mV"\ndc_offset_2 = "-3 mV"\nsigns = "no"\n'
)
#: A whole plan with everything that a plan may say, so that each reader of its tables is met.
MASKED_PLAN = """\
title = "Line stage"
kind = "preamplifier"

[[step]]
name = "Response"
measure = "response"
input_level = "100 mV"

  [[step.mask]]
  name = "House band"
  quantity = "gain_db"
  frequency_hz = [20.0, 20000.0]
  lower_db = [-3.0, -3.0]
  upper_db = [1.0, 1.0]
  placement = "best fit"
  source = "house"

[[step]]
name = "Offset"
read = "DC offset"
unit = "mV"

  [[step.limit]]
  quantity = "value"
  at_most = 50
  source = "house"
"""


@dataclass
class Corpus:
    """Whole files, by what they are. stimulus : audio file → its sidecar.  word : audio file → analysis word."""

    folder: Path
    audio: list[Path] = field(default_factory=list)
    stimulus: dict[Path, Path] = field(default_factory=dict)
    word: dict[Path, str] = field(default_factory=dict)
    results: list[Path] = field(default_factory=list)
    toml: dict[str, list[Path]] = field(default_factory=dict)
    records: Path = Path()

    def files(self) -> list[Path]:
        """Return every file, for pieces of one to be put into another."""
        return sorted(path for path in self.folder.rglob("*") if path.is_file())


def make_corpus(folder: Path) -> Corpus:
    """Write the corpus into a folder."""
    corpus = Corpus(folder=folder)
    rng = np.random.default_rng(20_261_126)
    for number, (word, (stimulus, *options)) in enumerate(CAPTURED.items()):
        played = folder / f"{word}.wav"
        _silently(["generate", stimulus, str(played), "--full-scale", "2 V", *options])
        samples, rate_hz = soundfile.read(played, always_2d=True)
        heard = _GAIN * np.pad(samples, ((2000, 9000), (0, 0)))
        heard += _NOISE_FS * rng.standard_normal(heard.shape)
        kind, subtype = [("wav", "PCM_24"), ("flac", "PCM_24"), ("wav", "PCM_16"), ("wav", "FLOAT")][number % 4]
        capture = folder / f"{word}-captured.{kind}"
        soundfile.write(capture, heard, int(rate_hz), subtype=subtype)
        corpus.audio.append(capture)
        corpus.stimulus[capture] = folder / f"{word}.wav.json"
        corpus.word[capture] = word
        result = folder / f"{word}-result.json"
        result.write_text(_silently(["analyze", word, str(capture), "--stimulus", str(corpus.stimulus[capture]),
                                     "--json"]))  # fmt: skip
        corpus.results.append(result)
    corpus.toml = _toml_files(folder)
    corpus.records = folder / "records"
    book = audiomeas.logbook(UNIT, records=corpus.records)
    book.listen("hum")
    made(corpus.records)
    book.repair("Q7", reason="shorted")
    made(corpus.records, "as-left")
    return corpus


def _toml_files(folder: Path) -> dict[str, list[Path]]:
    written = {"answers": ANSWERS, "readings": READINGS, "plan": MASKED_PLAN}
    for name, text in written.items():
        (folder / f"{name}.toml").write_text(text)
    simulated = shipped("examples", "benches", "simulated-bench.toml")
    examples = simulated.parent.parent
    units = Path(audiomeas.__file__).parent / "simulation" / "units"
    return {
        "bench": [bench_file(folder)],
        "calibration": [folder / "simulated-card.toml"],
        "plan": [folder / "plan.toml", *sorted((examples / "plans").glob("*.toml"))],
        "stack": sorted((examples / "stacks").glob("*.toml")),
        "shop": [examples / "shop.toml"],
        "sheet": sorted((examples / "bringup").glob("*.toml")),
        "unit": sorted(units.glob("*.toml")),
        "answers": [folder / "answers.toml"],
        "readings": [folder / "readings.toml"],
    }


def _silently(arguments: list[str]) -> str:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = status_of(arguments)
    assert status == 0, (arguments, err.getvalue())
    return out.getvalue()


# ---------------------------------------------------------------- damage

#: What stands in place of a value: what is none, what no computer holds, what no unit has.
BAD_VALUES = (
    "nan", "inf", "-inf", "0", "-0", "-1", "1e999", "1e308", "-1e308", "1e-320", "9" * 400, "true", "[]", "{}",
    '""', '"\\u0000"', "[[[[[[[[[[1]]]]]]]]]]", '"' + "x" * 70_000 + '"', '"nan"', "1979-05-27", "null", "1e5", "0.1",
)  # fmt: skip
_VALUE = re.compile(rb'-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?|"[^"\n]*"')


def damaged(data: bytes, rng: np.random.Generator, other: bytes = b"") -> bytes:
    """Return bytes damaged in one to four ways. other : of another file, whose pieces may come in."""
    for _ in range(int(rng.integers(1, 5))):
        data = _DAMAGES[int(rng.integers(len(_DAMAGES)))](data, rng, other)
    return data


def damaged_text(data: bytes, rng: np.random.Generator, other: bytes = b"") -> bytes:
    """Return a text damaged where its meaning is: values and lines; one in three as any bytes are."""
    for _ in range(int(rng.integers(1, 4))):
        choice = int(rng.integers(6))
        if choice < 3:
            data = _other_value(data, rng)
        elif choice < 5:
            data = _other_lines(data, rng, other)
        else:
            data = damaged(data, rng, other)
    return data


def _place(data: bytes, rng: np.random.Generator) -> int:
    """Return a place; half of the time near the beginning, where headers stand."""
    near = min(len(data), 64) if rng.random() < 0.5 else len(data)
    return int(rng.integers(max(near, 1)))


def _flip(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    if not data:
        return data
    changed = bytearray(data)
    changed[_place(data, rng)] ^= 1 << int(rng.integers(8))
    return bytes(changed)


def _overwrite(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    at = _place(data, rng)
    put = rng.bytes(int(rng.integers(1, 9)))
    return data[:at] + put + data[at + len(put) :]


def _extreme(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    at = _place(data, rng)
    put = bytes([int(rng.choice([0x00, 0x7F, 0x80, 0xFF]))]) * int(rng.choice([1, 2, 4, 8]))
    return data[:at] + put + data[at + len(put) :]


def _cut(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    return data[: _place(data, rng)]


def _insert(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    at = _place(data, rng)
    return data[:at] + rng.bytes(int(rng.integers(1, 300))) + data[at:]


def _remove(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    at = _place(data, rng)
    return data[:at] + data[at + int(rng.integers(1, 3000)) :]


def _repeat(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    at = _place(data, rng)
    return data[:at] + data[at : at + int(rng.integers(1, 3000))] + data[at:]


def _zero(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    at = _place(data, rng)
    length = min(int(rng.integers(1, 3000)), len(data) - at)
    return data[:at] + bytes(length) + data[at + length :]


def _splice(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    at, start = _place(data, rng), _place(other, rng)
    return data[:at] + other[start : start + int(rng.integers(1, 5000))] + data[at:]


_DAMAGES = (_flip, _flip, _overwrite, _extreme, _cut, _insert, _remove, _repeat, _zero, _splice)


def _other_value(data: bytes, rng: np.random.Generator) -> bytes:
    found = list(_VALUE.finditer(data))
    if not found:
        return data
    match = found[int(rng.integers(len(found)))]
    put = BAD_VALUES[int(rng.integers(len(BAD_VALUES)))].encode()
    return data[: match.start()] + put + data[match.end() :]


def _other_lines(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    lines, others = data.split(b"\n"), other.split(b"\n")
    at, choice = int(rng.integers(len(lines))), int(rng.integers(4))
    if choice == 0:
        del lines[at]
    elif choice == 1:
        lines.insert(at, lines[int(rng.integers(len(lines)))])
    elif choice == 2:
        lines.insert(at, others[int(rng.integers(len(others)))])
    else:
        lines[at] = lines[at].replace(b"=", b"", 1) if b"=" in lines[at] else lines[at][::-1]
    return b"\n".join(lines)


def strict_json(text: str) -> object:
    """Read JSON; NaN and Infinity, which are none, raise ValueError."""

    def none(name: str) -> object:
        raise ValueError(f"{name} is no JSON")

    return json.loads(text, parse_constant=none)
