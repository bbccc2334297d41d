"""Help fits into a terminal of 80 columns, and what it shows can be typed."""

from __future__ import annotations

import shlex
import subprocess

import click
import pytest
from click.testing import CliRunner

from audiomeas.cli.common import Group
from audiomeas.cli.help_text import lines_of

#: Of a terminal, less the margins that click leaves.
WIDTH = 76
LONG = 'Example: audiomeas bench attenuator --highest "45 V" --full-scale "1.4 V" --input-resistance 10k --tolerance 1'


@pytest.mark.parametrize("width", [WIDTH, 60, 50])
@pytest.mark.parametrize("line", [LONG, f"{LONG} --check 10k 205 --json", LONG.replace("Example:", " " * 8)])
def test_a_folded_example_is_one_command_to_a_shell(line: str, width: int) -> None:
    lines = list(lines_of(line, width))
    assert len(lines) > 1
    assert max(map(len, lines)) <= width
    # Truth: a POSIX shell itself, which joins two lines at a backslash (XCU 2.2.1), and Python's reading of its words.
    heard = subprocess.run(
        ["sh", "-c", "set -- " + "\n".join(lines) + "\nprintf '%s\\n' \"$@\""],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.splitlines()
    assert heard == shlex.split(line)


@pytest.mark.parametrize("line", ["Example: audiomeas devices", "What is told " * 20, ""])
def test_what_fits_and_what_is_no_example_stays(line: str) -> None:
    assert list(lines_of(line, WIDTH)) == [line]


def test_a_list_of_commands_has_their_whole_first_sentences() -> None:
    long = "Write down a repair, and say which results it voids and what to measure again, as long as that may be"
    group = Group("logbook", commands=[click.Command("repair", help=f"{long}.\n\nAnother sentence.")])
    shown = CliRunner().invoke(group, ["--help"], terminal_width=80).output
    assert long in " ".join(shown.split())
    assert "..." not in shown.partition("Commands:")[2]
    assert "Another" not in shown


@pytest.mark.wide
def test_no_line_of_any_help_is_wider_than_a_terminal() -> None:
    from audiomeas.cli.main import audiomeas

    wide = {
        f"{context.command_path}: {line}"
        for context in _contexts(click.Context(audiomeas, info_name="audiomeas", terminal_width=80))
        for line in context.get_help().splitlines()
        if len(line) > 80
    }
    assert wide == set()


def _contexts(context: click.Context) -> list[click.Context]:
    """Return a command and all below it."""
    found = [context]
    if isinstance(context.command, click.Group):
        for name in context.command.list_commands(context):
            command = context.command.get_command(context, name)
            assert command is not None
            found += _contexts(click.Context(command, info_name=name, parent=context, terminal_width=80))
    return found
