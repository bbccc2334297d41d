"""Text tables: aligned, in 80 columns, nothing dropped, colour only on request."""

from __future__ import annotations

import io
import os
import re

import pytest

from audiomeas.measurement.views import Column, TableView
from audiomeas.present.tables import columns_of, render_table, terminal_width, wants_colour

DISTORTION = TableView(
    title="Distortion at 1 kHz",
    columns=(
        Column(heading="channel"),
        Column(heading="level", unit="V"),
        Column(heading="THD", unit="%"),
        Column(heading="verdict"),
    ),
    rows=((1, 2.8284, 0.00123, "pass"), (2, 12.8284, None, "fail")),
    uncertainties=((None, 0.037, 0.00005, None), (None, 0.2, None, None)),
    notes=("both channels driven",),
)


def test_a_table_looks_like_this():
    assert render_table(DISTORTION).splitlines() == [
        "Distortion at 1 kHz",
        "channel     level (V)            THD (%)  verdict",
        "-------  ------------  -----------------  -------",
        "      1   2.83 ± 0.04  0.00123 ± 0.00005  pass",
        "      2  12.83 ± 0.20          not known  fail",
        "both channels driven",
    ]


def test_a_column_of_small_volts_has_a_prefix():
    columns = (
        Column(heading="channel"),
        Column(heading="level", unit="V"),
        Column(heading="peak", unit="V", decimals=4),
    )
    rows = ((1, 0.000136, 0.0002), (2, 0.0000101, None))
    view = TableView(title="Noise", columns=columns, rows=rows, uncertainties=((None, 4e-7, None), (None, None, None)))
    text = render_table(view)
    assert "level (µV)" in text and "peak (V)" in text
    assert "136.0 ± 0.4" in text and " 10.1 " in text and "0.0002" in text


def wide(texts: int, numbers: int, rows: int = 3) -> TableView:
    columns = [Column(heading="channel")]
    columns += [Column(heading=f"a long text heading {n}") for n in range(texts)]
    columns += [Column(heading=f"harmonic {n} of the tone", unit="dB") for n in range(numbers)]
    row = (*(f"cell{n} " + "word " * 12 + "x" * 90 for n in range(texts)), *(-100.123 - n for n in range(numbers)))
    return TableView(title="t " * 60, columns=tuple(columns), rows=((1, *row),) * rows, notes=("note " * 40,))


@pytest.mark.parametrize(("texts", "numbers"), [(0, 0), (1, 0), (6, 0), (0, 3), (0, 20), (3, 12)])
@pytest.mark.parametrize("width", [40, 80, 132])
def test_a_wide_table_fits_and_drops_nothing(texts, numbers, width):
    printed = render_table(wide(texts, numbers), width=width)
    assert max(map(columns_of, printed.splitlines())) <= width
    for n in range(numbers):
        assert len(re.findall(rf"−{100 + n}\.1\b", printed)) >= 3
    letters = re.sub(r"\s", "", printed)
    assert letters.count("x") >= 3 * texts * 90  # long words are broken, not cut
    assert letters.count("cell") == 3 * texts


TWO_UNITS = TableView(
    title="Distortion",
    columns=(
        Column(heading="quantity"),
        Column(heading="unit"),
        *(Column(heading=f"channel {n}") for n in range(1, 9)),
    ),
    rows=(("THD (of the fundamental)", "%", *([0.0123] * 8)), ("THD (of the fundamental)", "dB", *([-78.2] * 8))),
    leading=2,
)


def test_each_block_of_a_parted_table_repeats_the_columns_that_tell_rows_apart():
    lines = render_table(TWO_UNITS, width=60).splitlines()
    assert sum(line.startswith("quantity") for line in lines) > 1
    for number, line in enumerate(lines):
        if line.startswith("quantity"):
            assert line.split()[:2] == ["quantity", "unit"]
            cells = "\n".join(lines[number + 2 : number + 6])
            assert re.search(r" %  +0\.0123", cells)
            assert re.search(r" dB  +−78\.2", cells)


@pytest.mark.parametrize("width", [40, 50, 60, 80])
def test_no_word_is_broken_that_fits_a_line(width):
    long = "overtones fundamental-frequency intermodulation"
    columns = (Column(heading="quantity"), *(Column(heading=f"{long} {n}", unit="dB") for n in range(4)))
    view = TableView(title=long, columns=columns, rows=((long, 1.0, "uncertain", 2.0, None),), notes=(long,))
    printed = render_table(view, width=width)
    assert max(map(columns_of, printed.splitlines())) <= width
    for word in long.split():
        assert printed.count(word) >= 6  # title, note, four headings, and the cell of each block


def test_a_narrow_terminal_makes_a_narrow_table(monkeypatch):
    monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((50, 24)))
    monkeypatch.setattr("sys.stdout", Terminal())
    assert max(map(columns_of, render_table(TWO_UNITS).splitlines())) <= 50
    assert terminal_width(io.StringIO()) == 80  # a file or a pipe has no width
    monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((250, 24)))
    assert terminal_width(Terminal()) == 80


def test_decimal_points_stand_below_each_other():
    columns = (Column(heading="a"), Column(heading="b"))
    rows = render_table(TableView(title="", columns=columns, rows=((1, 0.5), (2, 100.25), (3, -2.125)))).splitlines()
    assert len({row.index(".") for row in rows[-3:]}) == 1


def test_wide_letters_count_twice():
    view = TableView(title="", columns=(Column(heading="a"), Column(heading="b")), rows=(("日本", "x"), ("abcd", "y")))
    rows = render_table(view).splitlines()[2:]
    assert rows == ["日本  x", "abcd  y"]


def test_control_characters_never_reach_the_terminal():
    hostile = "\x1b[31mred\x07\r\n\u202eevil"
    view = TableView(title=hostile, columns=(Column(heading=hostile),), rows=((hostile,),), notes=(hostile,))
    printed = render_table(view).replace("\n", "")
    assert printed.isprintable()


def test_no_rows_are_said():
    assert "(no rows)" in render_table(TableView(title="t", columns=(Column(heading="a"),), rows=()))


@pytest.mark.parametrize("wrong", [float("nan"), float("inf")])
def test_what_is_no_number_is_refused(wrong):
    with pytest.raises(ValueError, match="no number"):
        render_table(TableView(title="t", columns=(Column(heading="a"),), rows=((wrong,),)))


def test_a_row_of_another_length_is_refused():
    with pytest.raises(ValueError, match="row 1"):
        render_table(TableView(title="t", columns=(Column(heading="a"),), rows=((1, 2),)))


def test_colour_adds_to_the_word_and_only_when_asked():
    plain, painted = render_table(DISTORTION), render_table(DISTORTION, colour=True)
    assert "\x1b" not in plain
    assert "\x1b" in painted
    assert re.sub(r"\x1b\[[0-9;]*m", "", painted) == plain


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_colour_is_wanted_by_a_terminal_without_no_color(monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert wants_colour(Terminal())
    assert not wants_colour(io.StringIO())
    monkeypatch.setenv("NO_COLOR", "1")
    assert not wants_colour(Terminal())
    monkeypatch.setenv("NO_COLOR", "")  # no-color.org: "when present and not an empty string"
    assert wants_colour(Terminal())
    monkeypatch.setenv("TERM", "dumb")
    assert not wants_colour(Terminal())
