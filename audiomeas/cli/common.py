"""What several commands share: options, progress on stderr, results on stdout."""

from __future__ import annotations

import contextlib
import dataclasses
import sys
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TextIO

import click

from audiomeas.cli.help_text import Fitting, FittingGroup
from audiomeas.cli.sentences import as_typed, fitted, here_as_typed, typed_names
from audiomeas.errors import AudiomeasError
from audiomeas.shown_digits import with_minus

if TYPE_CHECKING:
    from audiomeas.measurement.base import Measurement, Option
    from audiomeas.measurement.result import Result
    from audiomeas.measurement.views import TableView

#: Where captures are kept unless a person says otherwise.
CAPTURES_FOLDER = "audiomeas-captures"
#: More words than these stand in the help of an option, not beside its name.
_MOST_CHOICES = 6


class Command(Fitting):
    """A command that takes each option once: of two values one would be lost without a word."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Return what is left of the arguments. Raises UsageError for an option that stands twice."""
        _, _, order = self.make_parser(ctx).parse_args(args=list(args))
        for one in order:
            if isinstance(one, click.Option) and not one.multiple and order.count(one) > 1:
                name = "/".join((*one.opts, *one.secondary_opts))
                ctx.fail(f"{name} is given {order.count(one)} times: give it once")
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run it; an error names its options as they are typed."""
        try:
            return super().invoke(ctx)
        except AudiomeasError as error:
            error.args = (as_typed(error.sentence, typed_names(self.params)),)
            raise


def number(typed: str | float) -> float:
    """Read a number, as a type of click's options. Raises BadParameter, to which click adds the option."""
    try:
        return float(typed)
    except ValueError:
        raise click.BadParameter(f"{typed!r} is no number: write digits alone") from None


def hertz(typed: str | float) -> float:
    """Read a frequency likewise: '997', '1k', '1.5 kHz'."""
    from audiomeas.measurement import live_words

    try:
        return live_words.hertz(str(typed))
    except AudiomeasError:
        raise click.BadParameter(f"{typed!r} is no frequency: write '997' or '1.5k'") from None


class Group(FittingGroup):
    """A group of such commands."""

    command_class = Command


def bench_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --bench."""
    return click.option(
        "--bench",
        type=click.Path(),
        metavar="FILE",
        help="Bench file (TOML). Default: the AUDIOMEAS_BENCH variable, else the simulated bench.",
    )(command)


#: What --channels takes → the driven channels; None: all that there are.
_DRIVEN: dict[str, tuple[int, ...] | None] = {"both": None, "1": (1,), "2": (2,)}


def channels_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --channels, which gives the driven channels (None: all)."""
    return click.option(
        "--channels",
        type=click.Choice(list(_DRIVEN)),
        callback=lambda _, __, word: _DRIVEN[word],
        default="both",
        show_default=True,
        help="Driven channels.",
    )(command)


def json_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --json."""
    return click.option("--json", "as_json", is_flag=True, help="Print the result as one JSON object.")(command)


def print_json(facts: Any) -> None:
    """Print facts on stdout as one JSON object."""
    from audiomeas.files import to_json

    click.echo(to_json(facts), nl=False)


#: Of the lines after the first of a warning or a step.
_INDENT = 2
#: Whatever is wrong with stderr (closed, full, nobody reads it), it must not decide a measurement.
_lost_stderr = (OSError, ValueError, AttributeError)


def say(line: str) -> None:
    """Print a warning or a step to stderr: broken to fit for who sits there, one line for a file or a program."""
    with contextlib.suppress(*_lost_stderr):
        show_progress_end()
        text = with_minus(here_as_typed(line))
        click.echo(fitted("", text, sys.stderr, indent=_INDENT) if on_terminal(sys.stderr) else text, err=True)


def tell(word: str, text: str, *, column: int = 12) -> None:
    """Print a word and what belongs to it on stdout, in lines that fit; the text begins behind a column."""
    click.echo(fitted(f"{word:<{column}} ", with_minus(text), sys.stdout))


def on_terminal(*streams: TextIO | None) -> bool:
    """Return whether a person sits at all of these streams."""
    return all(stream is not None and stream.isatty() for stream in streams)


_shown = False


def show_progress(doing: str, part: float) -> None:
    """Show progress on stderr, on one line, when it is a terminal."""
    global _shown
    with contextlib.suppress(*_lost_stderr):
        if not sys.stderr.isatty():
            return
        width = 24
        filled = round(part * width)
        sys.stderr.write(f"\r{doing:<22.22} [{'=' * filled}{' ' * (width - filled)}] {100 * part:3.0f} %")
        sys.stderr.flush()
        _shown = True
        if part >= 1.0:
            show_progress_end()


def show_progress_end() -> None:
    """End the progress line, when there is one."""
    global _shown
    if _shown:
        _shown = False
        with contextlib.suppress(*_lost_stderr):
            sys.stderr.write("\r" + " " * 60 + "\r")
            sys.stderr.flush()


def parameters(measurement: Measurement, *, stage: str | None = None) -> list[click.Parameter]:
    """Return a measurement's options as click options (all, or those of one stage)."""
    made = [_parameter(option) for option in measurement.options if stage in (None, option.stage)]
    names = typed_names([*made])
    for one in made:
        one.help = as_typed(one.help or "", names)
    return [*made]


def _parameter(option: Option) -> click.Option:
    name = "--" + option.name.replace("_", "-")
    help_text = option.help if option.default is None else f"{option.help} [default: {_shown_default(option.default)}]"
    if option.kind == "truth":
        return click.Option([f"{name}/--no-{name[2:]}", option.name], default=None, help=help_text)
    if option.kind == "numbers":
        return click.Option([name, option.name], callback=_numbers, default=None, help=help_text, metavar="N,N,…")
    kind: Any = {"number": hertz if option.name.endswith("_hz") else number, "integer": click.INT}.get(
        option.kind, click.STRING
    )
    if option.kind != "choice":
        return click.Option([name, option.name], type=kind, default=None, help=help_text)
    kind, many = click.Choice(list(option.choices)), len(option.choices) > _MOST_CHOICES
    help_text = f"{help_text.removesuffix('.')}; WORD is one of {', '.join(option.choices)}" if many else help_text
    return click.Option([name, option.name], type=kind, default=None, help=help_text, metavar="WORD" if many else None)


def _shown_default(default: Any) -> str:
    return f"{default:g}" if isinstance(default, float) else str(default)


def _numbers(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[float, ...] | None:
    """Return numbers with commas between them as a tuple."""
    if value is None:
        return None
    try:
        return tuple(float(part) for part in value.split(","))
    except ValueError:
        message = f"{value!r} is no list of numbers such as 100,1000,10000"
        raise click.BadParameter(message, ctx=ctx, param=param) from None


def given(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the options that the person gave."""
    return {name: value for name, value in options.items() if value is not None}


def explain_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --explain."""
    return click.option(
        "--explain",
        is_flag=True,
        help="Also print where the uncertainty of each figure comes from (--json always holds it).",
    )(command)


def print_result(result: Result, *, as_json: bool, explain: bool = False) -> None:
    """Print a result on stdout: the contract's JSON, or tables; warnings go to stderr either way.

    explain : print the budgets of its uncertainties too.
    """
    from audiomeas.measurement.registry import find
    from audiomeas.measurement.result import SIMULATED_NOTE

    show_progress_end()
    for warning in result.warnings:
        say(f"warning: {warning}")
    if as_json:
        print_json(result.as_json())
        return
    from audiomeas.present.tables import render_table, wants_colour

    if result.simulated:
        click.echo(SIMULATED_NOTE)
    if "loudspeakers" in result.conditions:
        from audiomeas.bench.loudspeakers import words_of

        click.echo(words_of(result.conditions["loudspeakers"]))
    measurement = find(result.measurement)
    tables = measurement.tables(result)
    if explain:
        from audiomeas.measurement.budget import budget_tables

        tables = (*tables, *budget_tables(result, measurement.figures, tables))
    for table in tables:
        click.echo(render_table(_named_as_typed(table), colour=sys.stdout is not None and wants_colour(sys.stdout)))


def _named_as_typed(table: TableView) -> TableView:
    """Return a table whose sentences name options as they are typed (a cell of one word is a key or a value)."""

    def typed(cell: str | float | None) -> str | float | None:
        return here_as_typed(cell) if isinstance(cell, str) and " " in cell else cell

    rows = tuple(tuple(map(typed, row)) for row in table.rows)
    return dataclasses.replace(table, rows=rows, notes=tuple(map(here_as_typed, table.notes)))
