"""What commands that begin a visit share: the stage, another stay, and the question whose serial number it is."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from audiomeas.cli.common import on_terminal


def unit_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --unit."""
    return click.option(
        "--unit",
        required=True,
        metavar="TEXT",
        help="The unit, such as 'Demo amplifier A, serial D-0001' (or '…, tag 7' when it has no serial); one that was "
        "here before also by its serial number or tag alone.",
    )(command)


def visit_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --records, --stage, --new-stay and --other-unit."""
    for add in (other_unit_option, _new_stay_option, _stage_option, records_option):
        command = add(command)
    return command


def records_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --records."""
    return click.option(
        "--records", default="records", show_default=True, metavar="FOLDER", help="Where records are kept."
    )(command)


def _stage_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--stage",
        default="as-found",
        show_default=True,
        metavar="WORD",
        help="as-found, as-left, after-run-in, return. A later one seals the visits before it.",
    )(command)


def _new_stay_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--new-stay", is_flag=True, help="The unit was sold and bought again: its stages begin once more."
    )(command)


def other_unit_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --other-unit."""
    return click.option(
        "--other-unit", is_flag=True, help="It is another unit than those that have the same serial number or tag."
    )(command)


def other_unit_asked(records: str, unit: str, said: bool) -> bool:
    """Return whether a unit is another one than its namesakes; asked where there are such and somebody can answer.

    A text that names no unit in full is for others to refuse. Raises FileProblem.
    """
    from audiomeas.record.unit_folder import identity_words, named, namesakes, whole_name

    who = whole_name(unit)
    if said or who is None or not on_terminal(sys.stdin, sys.stderr):
        return said
    found = namesakes(Path(records), who)
    if not found:
        return said
    question = f"{identity_words(who)} is known already: {named(found)}. Is {who.name!r} another unit?"
    return click.confirm(question, default=False, err=True)
