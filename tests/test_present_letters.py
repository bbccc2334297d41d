"""Letters that the report's font lacks come from other fonts; what none has is said in one line; names have an end."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import present_cases as cases
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen

from audiomeas.present import letters, style
from audiomeas.present.charts import chart_figure
from audiomeas.present.report import report_pages, write_report

#: DejaVu Sans has neither of these (no CJK ideographs: its own list of coverage, status.txt).
JAPANESE = "日本"


def _font_file(path: Path, text: str) -> Path:
    """Write a TrueType font (ISO/IEC 14496-22) whose every letter is a full square of one em."""
    names = {ord(letter): f"square{number}" for number, letter in enumerate(text)}
    order = [".notdef", *names.values()]
    pen = TTGlyphPen(None)
    pen.moveTo((0, 0))
    for corner in ((0, 1000), (1000, 1000), (1000, 0)):
        pen.lineTo(corner)
    pen.closePath()
    square = pen.glyph()
    builder = FontBuilder(1000, isTTF=True)
    builder.setupGlyphOrder(order)
    builder.setupCharacterMap(names)
    builder.setupGlyf(dict.fromkeys(order, square))
    builder.setupHorizontalMetrics(dict.fromkeys(order, (1000, 0)))
    builder.setupHorizontalHeader(ascent=1000, descent=0)
    builder.setupNameTable({"familyName": "Testglyphs", "styleName": "Regular", "psName": "Testglyphs-Regular"})
    builder.setupOS2(sTypoAscender=1000, usWinAscent=1000, usWinDescent=0)
    builder.setupPost()
    builder.save(path)
    return path


def _forget() -> None:
    letters._found.cache_clear()
    letters._codes_of.cache_clear()


@pytest.fixture
def only_ours(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[Path], None]]:
    """No fonts but those that matplotlib ships; returns how to install another."""
    from matplotlib.font_manager import fontManager

    shipped = [entry for entry in fontManager.ttflist if "mpl-data" in entry.fname]
    monkeypatch.setattr(fontManager, "ttflist", shipped)
    _forget()
    yield lambda path: fontManager.addfont(path)
    _forget()


def test_letters_that_no_font_has_are_said_in_one_line(only_ours: Callable[[Path], None]) -> None:
    content = replace(cases.PLAIN, maker="", model=f"{JAPANESE} amplifier")
    warning = letters.warning_of(content)
    assert f"no installed font has {' '.join(sorted(JAPANESE))}: boxes are printed" in warning
    assert "\n" not in warning
    assert letters.warning_of(cases.PLAIN) == ""
    many = letters.warning_of(replace(content, model="".join(map(chr, range(0x4E00, 0x4E20)))))
    assert "and 20 more" in many  # 32 letters, twelve of them named


def test_another_font_that_is_there_lends_its_letters(tmp_path: Path, only_ours: Callable[[Path], None]) -> None:
    content = replace(cases.PLAIN, model=f"{JAPANESE} A", chart=None)
    view = replace(cases.VIEWS["flat line"], title=JAPANESE * 3)
    assert letters.warning_of(content) != ""
    only_ours(_font_file(tmp_path / "squares.ttf", JAPANESE))
    _forget()
    assert letters.warning_of(content) == letters.warning_of(view) == ""
    for figure in (*report_pages(content), chart_figure(view)):
        (name,) = (text for text in figure.findobj(_is_text) if JAPANESE in text.get_text())
        assert name.get_fontfamily() == [style.FONT, "Testglyphs"]
    # Widths are measured with the font that lends: six squares of one em, at 11 points.
    (box,) = (box for text, box in cases.drawn_texts(chart_figure(view)) if text == JAPANESE * 3)
    assert box.width == pytest.approx(6 * style.TITLE_PT, abs=1.0)  # to a pixel of 72 to the inch


def _is_text(artist: object) -> bool:
    from matplotlib.text import Text

    return isinstance(artist, Text)


@pytest.mark.poppler
def test_other_programs_read_the_lent_letters(
    tmp_path: Path, need: Callable[[str], str], only_ours: Callable[[Path], None]
) -> None:
    only_ours(_font_file(tmp_path / "squares.ttf", JAPANESE))
    _forget()
    write_report(replace(cases.PLAIN, model=f"{JAPANESE} A"), tmp_path / "a.pdf")

    def run(*words: str | Path) -> str:
        return subprocess.run(words, capture_output=True, text=True, check=True).stdout

    assert JAPANESE in run(need("pdftotext"), tmp_path / "a.pdf", "-")
    assert "Testglyphs" in run(need("pdffonts"), tmp_path / "a.pdf")


def test_usual_letters_load_no_other_font(only_ours: Callable[[Path], None]) -> None:
    with letters.letters_of(cases.PLAIN):
        assert style.families() == (style.FONT,)


@pytest.mark.parametrize("name", ["W" * 4000, "turntable " * 400])
def test_a_very_long_name_takes_two_lines_and_says_that_it_goes_on(name: str) -> None:
    figures = [*report_pages(replace(cases.PLAIN, maker="", model=name))]
    figures.append(chart_figure(replace(cases.VIEWS["flat line"], title=name)))
    for figure in figures:
        heading = [text for text, _ in cases.drawn_texts(figure) if name[:6] in text]
        assert len(heading) == 2
        assert heading[-1].endswith("…")
        assert cases.outside(figure) == []
    assert len(figures) == 2  # the report stays one page
