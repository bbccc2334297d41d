"""Help that a terminal holds: an example too long for a line goes on in the next, and a list of commands is whole."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator

import click

#: Where an example may go on in the next line: before an option, which is never within quotes.
_BEFORE_OPTION = re.compile(r" (?=--)")
#: A shell reads the next line as the same command.
_GOES_ON = " \\"
#: Begins an example; what it is and where its command begins.
_EXAMPLE = re.compile(r"^(\w+: )?\s*audiomeas ")
#: Click indents a help text by so much.
_INDENT = 2
#: No first sentence is longer, so none is cut.
_WHOLE = 1000


class Fitting(click.Command):
    """A command whose examples fit into the terminal."""

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the help text, its examples folded."""
        whole = self.help
        try:
            width = formatter.width - _INDENT
            self.help = whole and "\n".join(
                folded for line in inspect.cleandoc(whole).splitlines() for folded in lines_of(line, width)
            )
            super().format_help_text(ctx, formatter)
        finally:
            self.help = whole


class FittingGroup(Fitting, click.Group):
    """A group of such commands."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands, each with its whole first sentence: click's own list cuts it at the edge."""
        commands = {name: self.get_command(ctx, name) for name in self.list_commands(ctx)}
        with formatter.section("Commands"):
            formatter.write_dl([(name, each.get_short_help_str(_WHOLE)) for name, each in commands.items() if each])


def lines_of(line: str, width: int) -> Iterator[str]:
    """Yield a line of help; an example that is wider goes on below its first word, as a shell reads it."""
    begins = _EXAMPLE.match(line)
    if begins is None or len(line) <= width:
        yield line
        return
    indent = " " * (begins.end() - len("audiomeas "))
    first, *options = _BEFORE_OPTION.split(line)
    for option in options:
        if len(f"{first} {option}{_GOES_ON}") > width:
            yield first + _GOES_ON
            first = f"{indent}  {option}"
        else:
            first = f"{first} {option}"
    yield first
