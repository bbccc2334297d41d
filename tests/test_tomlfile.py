"""TOML reading: every error names file, line and key, and lists what would be valid."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audiomeas.errors import FileProblem, TomlProblem
from audiomeas.tomlfile import read_toml


@pytest.fixture
def toml(tmp_path):
    def write(text):
        path = tmp_path / "some.toml"
        path.write_text(text, encoding="utf-8")
        return read_toml(path)

    return write


def test_unknown_key_is_named_with_line_and_nearest(toml):
    table = toml('# comment\nname = "x"\nrated_wt = 3\n')
    table.text("name")
    table.number("rated_w", None)
    with pytest.raises(TomlProblem, match=r"some\.toml, line 3: rated_wt: unknown key \(did you mean 'rated_w'\?\)"):
        table.finish()


def test_line_of_a_key_in_the_second_entry_of_a_list(toml):
    table = toml("[[load]]\nohm = 8\n\n[[load]]\nohm = -4\n")
    first, second = table.tables("load")
    assert first.number("ohm", above=0) == 8
    with pytest.raises(TomlProblem, match=r"line 5: load\[2\]\.ohm: must be above 0, not -4"):
        second.number("ohm", above=0)


def test_line_of_a_key_in_a_nested_list(toml):
    table = toml('[[step]]\nname = "a"\n[[step.limit]]\nv = 1\n[[step]]\nname = "b"\n[[step.limit]]\nv = "x"\n')
    second = table.tables("step")[1]
    (limit,) = second.tables("limit")
    with pytest.raises(TomlProblem, match=r"line 8: step\[2\]\.limit\[1\]\.v: must be a number, not a text"):
        limit.number("v")


@pytest.mark.parametrize(
    ("text", "take", "message"),
    [
        ("a = true", lambda t: t.number("a"), "must be a number, not true/false"),
        ("a = nan", lambda t: t.number("a"), "finite"),
        ("a = inf", lambda t: t.number("a"), "finite"),
        ("a = 1.5", lambda t: t.integer("a"), "whole number"),
        ("a = 'x'", lambda t: t.choice("a", ["xy", "z"]), "did you mean 'xy'"),
        ("a = ''", lambda t: t.text("a"), "empty"),
        ("a = 1", lambda t: t.text("a"), "text in quotes"),
        ("a = []", lambda t: t.numbers("a"), "list of numbers"),
        ("a = [1, 'b']", lambda t: t.numbers("a"), "must be a number"),
        ("a = '2026-01-01'", lambda t: t.day("a"), "no quotes"),
        ("a = 1", lambda t: t.table("a"), "must be a table"),
        ("a = 1", lambda t: t.tables("a"), "list of tables"),
        ("b = 1", lambda t: t.text("a"), "'a' is missing"),
        ("a = 'yes'", lambda t: t.truth("a"), "true or false"),
    ],
)
def test_wrong_values_are_named(toml, text, take, message):
    with pytest.raises(TomlProblem, match=message) as caught:
        take(toml(text))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"   \n", b"\xff\xfe\x00", b"a = ", b"a = 1\na = 2", b"[" * 5000])
def test_files_that_are_no_toml(tmp_path, content):
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(FileProblem, match=r"bad\.toml"):
        read_toml(path)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(FileProblem, match="was not found"):
        read_toml(tmp_path / "none.toml")
    with pytest.raises(FileProblem, match="is a folder"):
        read_toml(tmp_path)


@given(st.binary(max_size=200))
def test_any_bytes_give_a_table_or_one_line(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("bytes") / "x.toml"
    path.write_bytes(content)
    try:
        read_toml(path)
    except FileProblem as error:
        assert "x.toml" in str(error)


@pytest.mark.parametrize("text", ["a = 9223372036854775809", f"a = [1, {'9' * 400}]", f"[a]\nb = -{'9' * 30}"])
def test_whole_numbers_beyond_64_bits_are_none_of_toml(tmp_path, text):
    path = tmp_path / "large.toml"
    path.write_text(text)
    with pytest.raises(TomlProblem, match=r"large\.toml, line 1: a: holds a number that is too large"):
        read_toml(path)
