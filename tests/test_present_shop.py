"""The shop's own file: each key checked, a logo that is none refused, and what stands on the pages."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace
from pathlib import Path

import present_cases as cases
import pytest

from audiomeas.errors import AudiomeasError
from audiomeas.files import shipped
from audiomeas.present.report import report_pages
from audiomeas.present.shop import read_shop


def png(across: int, high: int) -> bytes:
    """Return a grey picture by the letter of ISO/IEC 15948 (PNG): signature, IHDR, IDAT, IEND."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", across, high, 8, 0, 0, 0, 0)
    rows = zlib.compress((b"\0" + b"\x80" * across) * high)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def shop_file(folder: Path, text: str, logo: bytes | None = None) -> Path:
    if logo is not None:
        (folder / "logo.png").write_bytes(logo)
    file = folder / "shop.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_the_sample_is_read_as_it_stands() -> None:
    shop = read_shop(shipped("examples", "shop.toml"))
    assert shop.name == "Demo audio workshop"
    assert shop.lines == ("Example Lane 1 · 00000 Exampleton", "workshop@example.org")
    assert shop.logo is None


@pytest.mark.parametrize(
    ("text", "logo", "words"),
    [
        ("nam = 'x'", None, "the key 'name' is missing (there is 'nam')"),
        ("name = ''", None, "name: must not be empty"),
        ("name = 3", None, "must be a text"),
        ("name = 'x'\nphone = '1'", None, "unknown key"),
        ("name = 'x'\naddress = 'one line'", None, "must be a list of texts"),
        (f"name = '{'x' * 121}'", None, "121 characters"),
        (f"name = 'x'\naddress = {['a'] * 7}", None, "7 lines"),
        ('name = "x\\u001b[31m"', None, "control"),
        ("name = 'x'\nlogo = 'logo.png'", None, "was not found"),
        ("name = 'x'\nlogo = 'logo.png'", b"<svg/>", "is no picture: give a PNG or a JPEG"),
        ("name = 'x'\nlogo = 'logo.png'", b"", "is no picture"),
        ("name = 'x'\nlogo = 'logo.png'", png(8, 8)[:40], "can't be read as a picture"),
        ("name = 'x'\nlogo = 'logo.png'", png(8, 8) + b"\0" * 500_000, "larger than 500 kB"),
        ("name = 'x'\nlogo = 'logo.png'", png(4000, 1001), "more than 4 million dots"),
    ],
)
def test_a_wrong_file_is_said_in_one_line_with_its_key(
    tmp_path: Path, text: str, logo: bytes | None, words: str
) -> None:
    file = shop_file(tmp_path, text, logo)
    with pytest.raises(AudiomeasError) as raised:
        read_shop(file)
    assert words in str(raised.value)
    assert str(file) in str(raised.value)
    assert "\n" not in str(raised.value)


def test_name_address_and_logo_stand_above_the_page_and_cover_nothing(tmp_path: Path) -> None:
    text = f"name = '{cases.FORTY}'\naddress = ['{cases.FORTY}', '{'W' * 120}']\ncontact = ['x']\nlogo = 'logo.png'"
    shop = read_shop(shop_file(tmp_path, text, png(40, 10)))
    assert shop.logo is not None
    assert shop.logo.shape == 4.0  # 40 to 10
    (figure,) = report_pages(replace(cases.PLAIN, chart=None, shop=shop))
    assert cases.outside(figure) == []
    assert cases.overlapping(figure) == []
    texts = [words for words, _ in cases.drawn_texts(figure)]
    assert texts.count(cases.FORTY) == 1  # above the page; the foot names it before the program
    assert any(words.startswith(f"{cases.FORTY} · audiomeas") for words in texts)
    (logo,) = figure.axes
    box = logo.get_position()
    across, high = figure.get_size_inches()
    assert box.width * across / (box.height * high) == pytest.approx(4.0)  # not stretched


def test_without_a_shop_nothing_of_one_is_printed() -> None:
    (figure,) = report_pages(replace(cases.PLAIN, chart=None))
    assert not any("workshop" in words and "limit" not in words for words, _ in cases.drawn_texts(figure))
