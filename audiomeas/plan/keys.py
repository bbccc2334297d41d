"""What steps, limits and masks of a plan take alike from their tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, TomlProblem
from audiomeas.record.store import STAGES
from audiomeas.record.unit import checked_text

if TYPE_CHECKING:
    from audiomeas.plan.steps import Limit
    from audiomeas.tomlfile import Table

#: Whose limit it is.
SOURCES = ["maker", "house", "era"]
#: It heads a table, stands on the customer's page and tells a step from others (characters).
_LONGEST_NAME = 120
_CHANNELS: dict[Any, tuple[int, ...]] = {"both": (1, 2), 1: (1,), 2: (2,)}


def one_line(table: Table, key: str) -> str:
    """Take a text that is shown as one line: no control characters. Raises TomlProblem."""
    try:
        return checked_text(table.text(key), "this text").strip()
    except TomlProblem:
        raise
    except RequestError as error:
        raise table.problem(key, str(error)) from None


def checked_name(text: str) -> str:
    """Return the name of a step. Raises RequestError: not one line, or too long."""
    name = checked_text(text, "this text").strip()
    if not name:
        raise RequestError("a step needs a name")
    if len(name) > _LONGEST_NAME:
        raise RequestError(f"{len(name)} characters are too long for the name of a step: use {_LONGEST_NAME}")
    return name


def step_name(table: Table, key: str = "name") -> str:
    """Take the name of a step. Raises TomlProblem."""
    text = table.text(key)
    try:
        return checked_name(text)
    except RequestError as error:
        raise table.problem(key, str(error)) from None


def channels_of(table: Table) -> tuple[int, ...] | None:
    """Take "both", 1 or 2; None where the key is not there. Raises TomlProblem."""
    value = table.any_value("channels", None)
    if value is None:
        return None
    if isinstance(value, (bool, float)) or not isinstance(value, (int, str)) or value not in _CHANNELS:
        raise table.problem("channels", f'{value!r} is not one of "both", 1, 2')
    return _CHANNELS[value]


def since_of(table: Table) -> str:
    """Take the stage of the visit that a change is told since; '' where the key is not there. Raises TomlProblem."""
    return str(table.choice("since", list(STAGES), ""))


def refuse_contradictions(table: Table, limit: Limit, channels: tuple[int, ...] | None) -> None:
    """Raise TomlProblem for a limit that no value can meet, or that says nothing.

    channels : of its step; None for both, () for a value that belongs to none.
    """
    kinds = {
        "at_most and at_least": limit.at_least is not None or limit.at_most is not None,
        "difference_at_most": limit.difference_at_most is not None,
        "change_at_most": limit.change_at_most is not None,
    }
    said = [words for words, there in kinds.items() if there]
    if not said:
        raise table.problem("quantity", "a limit needs at_most, at_least or difference_at_most (or change_at_most)")
    if len(said) > 1:
        raise table.problem(said[-1], f"stands alone: write another [[step.limit]] for {said[0]}")
    if (limit.change_at_most is not None) != bool(limit.since):
        raise table.problem("since", 'change_at_most and since = "as-found" (a stage) stand together: give both')
    for key, value in (("difference_at_most", limit.difference_at_most), ("change_at_most", limit.change_at_most)):
        if value is not None and value < 0.0:
            raise table.problem(key, "must be at least 0: it holds either way")
    several = channels is None or len(channels) > 1
    if limit.difference_at_most is not None and (limit.channel or not several):
        raise table.problem("difference_at_most", 'compares channels: leave out channel, and measure channels = "both"')
    if limit.at_least is not None and limit.at_most is not None and limit.at_least > limit.at_most:
        raise table.problem("at_least", f"no value is at least {limit.at_least:g} and at most {limit.at_most:g}")
    refuse_unmeasured(table, limit.channel, channels)


def refuse_unmeasured(table: Table, channel: int | None, channels: tuple[int, ...] | None) -> None:
    """Raise TomlProblem when a channel is named that its step does not measure. channels : of the step; None: all."""
    if channel is not None and channel not in ((1, 2) if channels is None else channels):
        raise table.problem("channel", f"channel {channel} is not measured in this step")
