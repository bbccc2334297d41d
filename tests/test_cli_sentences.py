"""Sentences on their way to who reads them: commands name options as typed, Python and plans as arguments and keys."""

from __future__ import annotations

import io

import click
import pytest
from test_cli import refused

import audiomeas
from audiomeas.cli.common import hertz, number
from audiomeas.cli.sentences import as_typed, fitted, typed_names
from audiomeas.errors import RequestError
from audiomeas.plan.file import read_plan
from audiomeas.shown_digits import with_minus

NAMES = typed_names(
    [
        click.Option(["--frequency-hz", "frequency_hz"]),
        click.Option(["--load-changed/--no-load-changed", "load_changed"]),
        click.Option(["--range", "range_name"]),
        click.Option(["--order", "order"]),
    ]
)


@pytest.mark.parametrize(
    ("raised", "typed"),
    [
        ("use a higher frequency_hz", "use a higher --frequency-hz"),
        ("say so with load_changed, and", "say so with --load-changed, and"),
        ("(frequency_hz)?", "(--frequency-hz)?"),
        ("raise frequency_hz.", "raise --frequency-hz."),
        # Longer names, keys of files, and words that are no option of this command stay.
        (
            "low_frequency_hz limits.frequency_hz frequency_hz = 5",
            "low_frequency_hz limits.frequency_hz --frequency-hz = 5",
        ),
        ("in this order, of other_hz", "in this order, of other_hz"),
        ("--frequency-hz stays", "--frequency-hz stays"),
    ],
)
def test_options_become_what_is_typed(raised, typed):
    assert as_typed(raised, NAMES) == typed


@pytest.mark.parametrize(
    ("raised", "read"),
    [
        ("give --falls-db, or --stimulus FILE", "give falls_db, or stimulus FILE"),
        ("give what `audiomeas measure power --json` printed", "give what `audiomeas measure power --json` printed"),
        ("a -- b and x--y", "a -- b and x--y"),
    ],
)
def test_errors_name_arguments_in_python(raised, read):
    error = RequestError(raised)
    assert str(error) == read
    assert error.sentence == raised


def test_one_fault_is_named_as_each_reader_writes_it(tmp_path):
    refused("measure", "response", "--averages", "0", words="--averages must be at least 1, not 0")
    refused("measure", "response", "--low-hz", "9e3", "--high-hz", "1", words="set --low-hz and --high-hz")
    with pytest.raises(RequestError, match=r"^averages must be at least 1"):
        audiomeas.measure("response", averages=0)
    with pytest.raises(RequestError, match="set low_hz and high_hz"):
        audiomeas.measure("response", low_hz=9e3, high_hz=1.0)
    plan = tmp_path / "plan.toml"
    plan.write_text('title = "A"\nkind = "B"\n[[step]]\nname = "C"\nmeasure = "response"\nlow_hz = 9000\nhigh_hz = 1\n')
    with pytest.raises(RequestError, match="set low_hz and high_hz"):
        read_plan(plan, sample_rate_hz=48_000.0)


def test_what_was_left_out_and_what_cant_be_written_is_said_at_once(tmp_path):
    refused("chart", "good.wav", words=["give the FILE to draw into", "--show"])
    refused("compare", words="Write: audiomeas compare [OPTIONS] BEFORE [AFTER]")
    _, err = refused("run", "power-amplifier", words="--unit")
    assert "Write:" not in err  # the line of usage names no option
    nowhere = tmp_path / "no" / "x.png"
    refused("measure", "distortion", "--no-captures", "--chart", nowhere, words="there is no folder")


def test_a_number_is_read_as_people_type_it():
    assert [hertz("1k"), hertz("1.5 kHz"), hertz("997"), hertz(20.0), number("3")] == [1000.0, 1500.0, 997.0, 20.0, 3.0]
    refused("measure", "distortion", "--frequency-hz", "one", words=["'--frequency-hz'", "'997' or '1.5k'"])
    refused("measure", "distortion", "--frequency-hz", "nan", words=["'--frequency-hz'", "'997' or '1.5k'"])
    refused("measure", "distortion", "--window-s", "1k", words=["'--window-s'", "'1k' is no number: write digits"])


def test_numbers_below_zero_get_a_minus_and_nothing_else_does():
    told = with_minus("noise -72.4 dBV (-3 dB, -.5) on 2026-11-26, D-0001, /tmp/-5, '-10 dBV', 20-30 Hz, 1e-5, --falls")
    assert told == "noise −72.4 dBV (−3 dB, −.5) on 2026-11-26, D-0001, /tmp/-5, '-10 dBV', 20-30 Hz, 1e-5, --falls"


def test_a_long_line_is_broken_under_its_head():
    text = " ".join(f"word{number}" for number in range(40))
    lines = fitted("note    ", text, io.StringIO()).splitlines()
    assert len(lines) > 1
    assert all(len(line) <= 80 for line in lines)
    assert all(line.startswith(" " * len("note    ")) for line in lines[1:])
    assert " ".join("\n".join(lines).split()) == f"note {text}"
    assert fitted("", "short", io.StringIO(), indent=2) == "short"
