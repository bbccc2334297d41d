"""Units: how they are written, and that no name leaves its folder, shares one, or hides what it says."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from audiomeas.errors import RequestError
from audiomeas.record.unit import Unit, folder_name, parse_unit, slug, unit_from_json


@pytest.mark.parametrize(
    ("text", "maker", "model", "serial", "tag"),
    [
        ("Demo amplifier A, serial D-0001", "", "Demo amplifier A", "D-0001", ""),
        ("Demo Works, amplifier A, serial D-0001", "Demo Works", "amplifier A", "D-0001", ""),
        ("Demo amplifier A,SERIAL  D-0001 ", "", "Demo amplifier A", "D-0001", ""),
        ("Demo amplifier A, tag 12", "", "Demo amplifier A", "", "12"),
        ("Demo amplifier A, serial none, tag 12", "", "Demo amplifier A", "", "12"),
        ("Demo amplifier A, serial D-0001, tag 12", "", "Demo amplifier A", "D-0001", "12"),
        ("Demo amplifier A, tag 12, serial D-0001", "", "Demo amplifier A", "D-0001", "12"),
        ("Demo 1/2 'Duo', serial 5/6", "", "Demo 1/2 'Duo'", "5/6", ""),
        ("Verstärker Ω, serial № 7", "", "Verstärker Ω", "№ 7", ""),
    ],
)
def test_units_as_people_write_them(text: str, maker: str, model: str, serial: str, tag: str) -> None:
    unit = parse_unit(text, kind="power amplifier")
    assert (unit.maker, unit.model, unit.serial, unit.tag) == (maker, model, serial, tag)
    assert unit.kind == "power amplifier"


@pytest.mark.parametrize(
    "text", ["Demo amplifier A", "Demo amplifier A, serial none", "Demo, serial ?", "Demo serial 5"]
)
def test_a_unit_without_serial_needs_a_tag(text: str) -> None:
    with pytest.raises(RequestError, match=r'neither a serial number nor a tag: write for example .*, tag 12"'):
        parse_unit(text)


@pytest.mark.parametrize("text", ["", "   ", ", serial 5", "Demo,, serial 5"])
def test_a_unit_needs_a_model(text: str) -> None:
    with pytest.raises(RequestError, match="has no model"):
        parse_unit(text)


@pytest.mark.parametrize("sign", ["\n", "\r", "\x00", "\x1b", "\x7f", "\u0085", "\u2028", "\u202e", "\u2066", "\ud800"])
def test_control_characters_are_refused(sign: str) -> None:
    with pytest.raises(RequestError) as caught:
        parse_unit(f"Demo{sign}A, serial 5")
    assert f"U+{ord(sign):04X}" in str(caught.value)
    assert sign not in str(caught.value)


def test_accents_written_two_ways_are_one_unit() -> None:
    composed, decomposed = (parse_unit(unicodedata.normalize(form, "Vérité, serial 5")) for form in ("NFC", "NFD"))
    assert composed == decomposed
    assert folder_name(composed.name) == folder_name(decomposed.name)


def test_json_brings_the_unit_back() -> None:
    unit = parse_unit("Demo Works, amplifier A, serial D-0001", kind="power amplifier")
    assert unit_from_json(unit.as_json()) == unit
    assert parse_unit(str(unit), kind="power amplifier") == unit


@pytest.mark.parametrize(
    "name",
    [
        "../..",
        "/etc/passwd",
        "..\\..",
        ".",
        "..",
        "",
        "con",
        "NUL",
        "-rf",
        "~",
        "$HOME",
        "a" * 5000,
        "真空管",
        "🎛",
        "a\x00b",
    ],
)
def test_no_name_leaves_its_folder(tmp_path: Path, name: str) -> None:
    folder = tmp_path / folder_name(name)
    folder.mkdir()
    assert folder.resolve().parent == tmp_path.resolve()
    assert [each.name for each in tmp_path.iterdir()] == [folder_name(name)]
    assert len(folder_name(name)) <= 80
    assert folder_name(name).strip("-.").lower() == folder_name(name)


@given(first=st.text(), second=st.text())
@example("Demo A", "demo-a")
@example("D-1", "d-1")
@example("a/b", "a-b")
@example("真", "空")
@example("demo-a-0123456789", "demo a 0123456789")
@example("a" * 100, "a" * 101)
def test_two_names_never_share_a_folder(first: str, second: str) -> None:
    # Also not on a file system that takes capital and small letters for the same.
    assert (folder_name(first).lower() == folder_name(second).lower()) == (first == second)


def test_a_name_made_to_look_like_anothers_folder_gets_its_own() -> None:
    target = folder_name("Demo A, serial 1")
    assert folder_name(target) != target


def test_a_plain_name_stays_readable() -> None:
    assert folder_name("demo-amplifier-a") == "demo-amplifier-a"
    assert folder_name("Demo amplifier A, serial D-0001").startswith("demo-amplifier-a-serial-d-0001-")
    assert slug("Klirr bei 1 W (1 kHz)", otherwise="step") == "klirr-bei-1-w-1-khz"
    assert slug("真空管", otherwise="step") == "step"


def test_units_of_one_model_are_told_apart() -> None:
    names = {Unit(model="A", serial="1").name, Unit(model="A", tag="1").name, Unit(model="A", serial="2").name}
    assert len({folder_name(name) for name in names}) == 3
