"""`audiomeas measure MEASUREMENT` and `audiomeas analyze MEASUREMENT FILE`: one sub-command per registered word."""

from __future__ import annotations

from typing import Any

import click

from audiomeas.cli.common import (
    CAPTURES_FOLDER,
    Command,
    bench_option,
    channels_option,
    explain_option,
    given,
    json_option,
    parameters,
    print_result,
    say,
    show_progress,
)
from audiomeas.cli.loudspeakers import loudspeakers_option
from audiomeas.measurement.registry import find, summaries, words

#: Kind of an option that an analysis can't do without → how an example gives it.
_MADE = {"disc": " --disc my-disc", "side": " --side side-a.wav"}


class MeasurementGroup(click.Group):
    """A group with one command per measurement word, made when asked for."""

    def __init__(self, *args: Any, make: Any = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._make = make

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the registered words."""
        return words()

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the command of a word."""
        made: click.Command | None = self._make(cmd_name) if cmd_name in words() else None
        return made

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write words and summaries without loading what each word needs."""
        with formatter.section("Commands"):
            formatter.write_dl(summaries())

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the word; name the nearest when there is none."""
        if args and not args[0].startswith("-"):
            find(args[0])
        return super().resolve_command(ctx, args)


def _measure_command(word: str) -> click.Command:
    measurement = find(word)

    def run(
        bench: str | None,
        input_level: str | None,
        output_level: str | None,
        channels: tuple[int, ...] | None,
        captures: str,
        no_captures: bool,
        chart: str | None,
        show: bool,
        loudspeakers: str | None,
        as_json: bool,
        explain: bool,
        **options: Any,
    ) -> None:
        from audiomeas.measurement.api import measure as measure_call

        _refuse_chart(chart)
        result = measure_call(
            word,
            bench=bench,
            input_level=input_level,
            output_level=output_level,
            channels=channels,
            captures=None if no_captures else captures,
            loudspeakers=loudspeakers,
            for_chart=chart is not None or show,
            say=say,
            progress=show_progress,
            **given(options),
        )
        print_result(result, as_json=as_json, explain=explain)
        _chart(result, chart, show=show)

    command = Command(
        word,
        callback=run,
        params=parameters(measurement),
        help=f"{measurement.summary}\n\n\b\nExample: audiomeas measure {measurement.example}",
    )
    no_level = not measurement.takes_level  # refused with the reason where it is given all the same
    click.option(
        "--input-level",
        metavar="LEVEL",
        hidden=no_level,
        help="At the unit's input, such as '100 mV' or '-10 dBV'.",
    )(command)
    click.option(
        "--output-level",
        metavar="LEVEL",
        hidden=no_level,
        help="At the unit's output, such as '1 W' or '2.83 V': found by measuring.",
    )(command)
    channels_option(command)
    click.option(
        "--captures",
        type=click.Path(file_okay=False),
        default=CAPTURES_FOLDER,
        show_default=True,
        metavar="FOLDER",
        help="Keep every capture here.",
    )(command)
    click.option("--no-captures", is_flag=True, help="Keep no captures.")(command)
    click.option("--chart", type=click.Path(), metavar="FILE", help="Also draw the chart (.png, .svg, .pdf).")(command)
    click.option("--show", is_flag=True, help="Also show the chart on the screen, until its window is closed.")(command)
    bench_option(command)
    loudspeakers_option(command)
    explain_option(command)
    json_option(command)
    return command


def _analyze_command(word: str) -> click.Command:
    measurement = find(word)

    def run(
        file: str,
        calibration: str | None,
        range_name: str | None,
        stimulus: str | None,
        chart: str | None,
        show: bool,
        as_json: bool,
        explain: bool,
        **options: Any,
    ) -> None:
        from audiomeas.measurement.api import analyze as analyze_call

        _refuse_chart(chart)
        result = analyze_call(
            word,
            file,
            calibration=calibration,
            range_name=range_name,
            stimulus=stimulus,
            for_chart=chart is not None or show,
            **given(options),
        )
        print_result(result, as_json=as_json, explain=explain)
        _chart(result, chart, show=show)

    command = Command(
        word,
        callback=run,
        params=[click.Argument(["file"], metavar="FILE"), *parameters(measurement, stage="analyse")],
        help=f"{measurement.summary}{_folder_words(measurement)}\n\n\b\nExample: audiomeas analyze {word} capture.wav"
        + (" --stimulus played.wav" if measurement.needs_stimulus else "")
        + "".join(typed for kind, typed in _MADE.items() if any(one.kind == kind for one in measurement.options)),
    )
    click.option("--calibration", type=click.Path(), metavar="FILE", help="Calibration file: makes volts of counts.")(
        command
    )
    click.option("--range", "range_name", metavar="NAME", help="Attenuator range, when the calibration has several.")(
        command
    )
    click.option("--stimulus", type=click.Path(), metavar="FILE", help="What was played (by `audiomeas generate`).")(
        command
    )
    click.option("--chart", type=click.Path(), metavar="FILE", help="Also draw the chart (.png, .svg, .pdf).")(command)
    click.option("--show", is_flag=True, help="Also show the chart on the screen, until its window is closed.")(command)
    explain_option(command)
    json_option(command)
    return command


def _folder_words(measurement: Any) -> str:
    return "" if measurement.join is None else ". FILE may be a folder: that of a record's step, with all its captures"


def _refuse_chart(file: str | None) -> None:
    """Raise FileProblem for a chart that could not be written; before anything sounds."""
    if file is None:
        return
    from pathlib import Path

    from audiomeas.present.saving import CHART_SUFFIXES, check_suffix

    check_suffix(Path(file), CHART_SUFFIXES)


def _chart(result: Any, file: str | None, *, show: bool) -> None:
    if file is None and not show:
        return
    from audiomeas.present import api

    if file is not None:
        say(f"chart: {api.chart(result, file, say=say)}")
    if show:
        api.show(result, say=say)


measure = MeasurementGroup(
    "measure",
    make=_measure_command,
    help="Play, capture and analyse one measurement on a bench.\n\n\b\n"
    "Example: audiomeas measure distortion --output-level '1 W'",
)
analyze = MeasurementGroup(
    "analyze",
    make=_analyze_command,
    help="Analyse a capture made elsewhere (WAV or FLAC).\n\n\b\n"
    "Example: audiomeas analyze distortion capture.wav --json",
)
