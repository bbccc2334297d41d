"""The `audiomeas` command: its commands load when they are used, and here alone it ends with an exit status."""

from __future__ import annotations

import os
import sys
from importlib import import_module
from typing import Any

import click

# One thread for linear algebra, before anything loads it: the same recording gives the same bits whatever the number of
# processors, and small systems are solved faster.
for _library in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_library, "1")

#: command → (module, what it does). Modules load on use: `--help` stays fast.
_COMMANDS = {
    "demo": ("audiomeas.cli.demo", "Run the whole job on the simulated bench, in a new folder."),
    "measure": ("audiomeas.cli.measure", "Play, capture and analyse one measurement on a bench."),
    "analyze": ("audiomeas.cli.measure", "Analyse a capture made elsewhere (WAV or FLAC)."),
    "generate": ("audiomeas.cli.generate", "Write a stimulus as WAV or FLAC, with its sidecar."),
    "run": ("audiomeas.cli.run", "Run a plan on one unit and keep a record of the visit."),
    "chart": ("audiomeas.cli.present", "Draw a chart of a result or a record (PNG, SVG, PDF)."),
    "report": ("audiomeas.cli.present", "Make the one-page report of a record (PDF)."),
    "devices": ("audiomeas.cli.devices", "List the interfaces that can play and capture."),
    "bench": ("audiomeas.cli.bench", "Show a bench: interface, ranges, loads, ceilings, calibration."),
}


class LazyGroup(click.Group):
    """A group that imports a command's module only when that command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the work."""
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command by its word."""
        if cmd_name not in _COMMANDS:
            return None
        command: click.Command = getattr(import_module(_COMMANDS[cmd_name][0]), cmd_name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; name the nearest when there is none."""
        if args and args[0] not in _COMMANDS and not args[0].startswith("-"):
            from audiomeas.tomlfile import nearest

            ctx.fail(f"no such command {args[0]!r}{nearest(args[0], list(_COMMANDS))}; see audiomeas --help")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without loading their modules."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, summary) in _COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="audiomeas", message="audiomeas %(version)s")
def audiomeas() -> None:
    """Measure hi-fi units with a sound card: true volts and watts, distortion, response, verdicts, records.

    Without --bench FILE (or the AUDIOMEAS_BENCH variable) the simulated bench is used, and everything says SIMULATED.
    Start with: audiomeas demo

    \b
    Exit status: 0 done (and all verdicts pass); 1 done, some verdict is fail or undecided; 2 the request or a
    file is wrong; 3 the bench refuses or fails; 130 interrupted.

    audiomeas is not a safety device. Mains, tube voltages and hot loads hurt people: work on them only if qualified.
    """


def _ended(error: Exception) -> tuple[str, int]:
    """Return the line and the exit status of an error of ours or of click's."""
    from audiomeas.errors import AudiomeasError

    if isinstance(error, AudiomeasError):
        return " ".join(str(error).split()), error.exit_status
    if isinstance(error, click.ClickException):
        context = getattr(error, "ctx", None)
        where = f"{context.command_path}: " if context is not None else ""
        return where + " ".join(error.format_message().split()), 2
    raise error


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with the contract's exit status. Never shows a traceback."""
    sys.exit(status_of(arguments))


def status_of(arguments: list[str] | None = None) -> int:
    """Run the command line and return the exit status."""
    try:
        status: Any = audiomeas.main(args=arguments, prog_name="audiomeas", standalone_mode=False)
        sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except (KeyboardInterrupt, click.Abort):
        click.echo("audiomeas: interrupted; nothing is sounding, and what was captured is kept", err=True)
        return 130
    except BrokenPipeError:
        # The reader of our output has gone (`… | head`): not an error of ours, and nobody is left to tell.
        sys.stdout = None
        return 0
    except Exception as error:
        return _told(error)


def _told(error: Exception) -> int:
    try:
        line, status = _ended(error)
    except Exception as unforeseen:
        line = (
            f"internal error ({type(unforeseen).__name__}: {' '.join(str(unforeseen).split())}): this is a fault of "
            "audiomeas; set AUDIOMEAS_TRACEBACK=1 to see where"
        )
        if os.environ.get("AUDIOMEAS_TRACEBACK"):
            raise
        status = 2
    click.echo(f"audiomeas: {line}", err=True)
    return status
