"""How a sentence reaches the person at a terminal: options named as they are typed, a true minus, broken to fit.

The rooms below name an option as Python and plans do (`frequency_hz`); here alone it becomes what a command takes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TextIO

import click


def typed_names(parameters: list[click.Parameter]) -> dict[str, str]:
    """Return Python name → what is typed, of options of several words: a single word may be any word of a sentence."""
    return {
        one.name: max(one.opts, key=len)
        for one in parameters
        if isinstance(one, click.Option) and one.name is not None and "_" in one.name
    }


def as_typed(text: str, names: Mapping[str, str]) -> str:
    """Return a sentence with each option named as it is typed. names : of `typed_names`."""
    if not names:
        return text
    words = "|".join(map(re.escape, names))
    return re.sub(rf"(?<![\w.\-])({words})(?![\w=]|\.\w)", lambda found: names[found[1]], text)


def here_as_typed(text: str) -> str:
    """Return a sentence with the options of the command that runs named as they are typed."""
    context = click.get_current_context(silent=True)
    return text if context is None else as_typed(text, typed_names(context.command.params))


def fitted(head: str, text: str, stream: TextIO | None, *, indent: int | None = None) -> str:
    """Return a head and a text as lines that a stream's width holds: 80 columns or fewer, as tables have.

    indent : of the lines after the first; None: as wide as the head.
    """
    from audiomeas.present.tables import terminal_width, wrapped

    indent = len(head) if indent is None else indent
    width = terminal_width(stream) - max(indent, len(head))
    return head + ("\n" + " " * indent).join(wrapped(text, width))
