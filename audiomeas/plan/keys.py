"""What limits and masks of a plan take alike from their tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audiomeas.errors import RequestError, TomlProblem
from audiomeas.record.unit import checked_text

if TYPE_CHECKING:
    from audiomeas.tomlfile import Table

#: Whose limit it is.
SOURCES = ["maker", "house", "era"]


def one_line(table: Table, key: str) -> str:
    """Take a text that is shown as one line: no control characters. Raises TomlProblem."""
    try:
        return checked_text(table.text(key), "this text").strip()
    except TomlProblem:
        raise
    except RequestError as error:
        raise table.problem(key, str(error)) from None


def refuse_unmeasured(table: Table, channel: int | None, channels: tuple[int, ...] | None) -> None:
    """Raise TomlProblem when a channel is named that its step does not measure. channels : of the step; None: all."""
    if channel is not None and channel not in (channels or (1, 2)):
        raise table.problem("channel", f"channel {channel} is not measured in this step")
