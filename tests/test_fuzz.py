"""Hostile files and options: a share of what `python tests/fuzz.py` counts. Truth: the contract's own rules."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from fuzz import KINDS, one_case
from fuzz_corpus import Corpus, damaged, damaged_text, make_corpus, strict_json
from hypothesis import given, settings
from hypothesis import strategies as st

from audiomeas.errors import FileProblem
from audiomeas.recording import read_audio


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> Corpus:
    return make_corpus(tmp_path_factory.mktemp("corpus"))


@pytest.fixture(autouse=True)
def shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AUDIOMEAS_TRACEBACK", "1")
    monkeypatch.delenv("AUDIOMEAS_BENCH", raising=False)


def _wrong(corpus: Corpus, seed: int, cases: int) -> list[str]:
    kinds, wrong = set(), []
    for number in range(cases):
        kind, fault = one_case(number, seed, corpus)
        kinds.add(kind)
        wrong += [] if fault is None else [str(fault)]
    assert kinds == set(KINDS)
    return wrong


@pytest.mark.wide
@pytest.mark.parametrize("seed", range(101, 105))
def test_no_damage_and_no_option_breaks_a_command(corpus: Corpus, seed: int) -> None:
    assert not _wrong(corpus, seed, 1_000)


def _header(content: bytes) -> bytes:
    """Return a WAV file of four frames whose first 44 bytes begin with the content."""
    import soundfile

    file = io.BytesIO()
    soundfile.write(file, np.full((4, 2), 0.25), 48_000, format="WAV", subtype="PCM_16")
    return content + file.getvalue()[len(content) :]


@settings(max_examples=40, deadline=None)
@given(content=st.binary(max_size=44), whole=st.booleans())
def test_any_header_is_read_or_refused_in_one_line(
    tmp_path_factory: pytest.TempPathFactory, content: bytes, whole: bool
) -> None:
    path = tmp_path_factory.mktemp("header") / "x.wav"
    path.write_bytes(_header(b"RIFF" + content[4:] if whole else content))
    try:
        audio = read_audio(path)
    except FileProblem as problem:
        assert "\n" not in str(problem)
    else:
        assert np.all(np.isfinite(audio.samples))


def test_damage_is_seeded_and_damages(tmp_path: Path) -> None:
    data = bytes(range(256)) * 8
    text = b'a = 1.5\nb = "x"\n' * 20
    for number in range(50):
        once, again = (damaged(data, np.random.default_rng(number), b"other") for _ in range(2))
        assert once == again
    changed = sum(damaged(data, np.random.default_rng(n), b"other") != data for n in range(200))
    assert changed > 190
    assert sum(damaged_text(text, np.random.default_rng(n), b"c = 2") != text for n in range(200)) > 170
    with pytest.raises(ValueError, match="NaN is no JSON"):
        strict_json('{"thd_percent": NaN}')
