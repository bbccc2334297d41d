"""The `audiomeas` command: its commands load when they are used, and here alone it ends with an exit status."""

from __future__ import annotations

import codecs
import contextlib
import io
import os
import signal
import sys
import time
from importlib import import_module
from types import FrameType
from typing import Any

import click

from audiomeas.errors import EXIT_INTERRUPTED, AudiomeasError, StopAsked

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
    "bringup": ("audiomeas.cli.bringup", "Guide a first power-up through a bulb; nothing sounds."),
    "plan": ("audiomeas.cli.plan", "Say what a plan would do on a bench, before any sound."),
    "run": ("audiomeas.cli.run", "Run a plan on one unit and keep a record of the visit."),
    "batch": ("audiomeas.cli.batch", "Run the units of a stack one after the other; resumable at any point."),
    "live": ("audiomeas.cli.live", "Hold a tone's level and frequency in the hand, with live figures."),
    "soak": ("audiomeas.cli.soak", "Let a unit play for hours, watch each second, and keep the record."),
    "logbook": ("audiomeas.cli.logbook", "Write down repairs, listening, photos, corrections of a unit."),
    "record": ("audiomeas.cli.record", "Prove that nothing of a record changed."),
    "history": ("audiomeas.cli.archive", "Tell all that is kept of a unit, oldest first."),
    "compare": ("audiomeas.cli.archive", "Tell what changed between two visits, and what did not."),
    "diagnose": ("audiomeas.cli.diagnose", "Tell which failure pictures a visit fits, and what to check."),
    "export": ("audiomeas.cli.archive", "Write records as one tidy table (CSV), or all of them (JSON)."),
    "reanalyze": ("audiomeas.cli.archive", "Make each result of records again from its captures."),
    "chart": ("audiomeas.cli.present", "Draw a chart of a result or a record (PNG, SVG, PDF)."),
    "report": ("audiomeas.cli.present", "Make the one-page report of a record (PDF)."),
    "devices": ("audiomeas.cli.devices", "List the interfaces that can play and capture."),
    "calibrate": ("audiomeas.cli.calibrate", "Find full scale in volts, what the bench adds, what a load is."),
    "bench": ("audiomeas.cli.bench", "Show a bench; compute its attenuators and loads."),
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

    Exit status: 0 done (and all verdicts pass); 1 done, some verdict is fail or undecided; 2 the request or a file is
    wrong; 3 the bench refuses or fails; 130 interrupted.

    audiomeas is not a safety device. Mains, tube voltages and hot loads hurt people: work on them only if qualified.
    """


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with the contract's exit status. Never shows a traceback."""
    _stop_on_signals()
    _speak_where_it_goes()
    status = status_of(arguments)
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stdout.flush()
    if sys.stdout is None or _pipe_is_gone():
        # Nobody reads our output any more (`… | head`): what Python would flush at its end has nowhere to go.
        os._exit(status)
    sys.exit(status)


def _pipe_is_gone() -> bool:
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except (OSError, ValueError, AttributeError):
        return True
    return False


def _stop_on_signals() -> None:
    """Let signals end the program as Ctrl-C does. While something sounds, `interface.transport` answers them first.

    A second signal within two seconds of the first is the same wish: the program is on its way out already.
    """
    asked_at_s = [-1e9]

    def stop(number: int, _: FrameType | None) -> None:
        if time.monotonic() - asked_at_s[0] > 2.0:
            asked_at_s[0] = time.monotonic()
            raise StopAsked(signal.Signals(number).name)

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:  # nohup stays nohup
            signal.signal(number, stop)
            _answered.append(number)


#: Signals that this process answers by stopping (none while only a function of this module is called).
_answered: list[int] = []


def _let_it_end() -> None:
    """Take no further signal: the program is on its way out, and Python's own last steps would be killed by one."""
    for number in _answered:
        signal.signal(number, signal.SIG_IGN)


#: What to write where a stream can't carry our signs (a Windows code page, plain ASCII).
_PLAIN = {"−": "-", "–": "-", "±": "+-", "×": "x", "·": ".", "≤": "<=", "Ω": "ohm", "µ": "u", "μ": "u", "°": "deg"}


def _speak_where_it_goes() -> None:
    """Make output possible on streams that can't carry every sign: plain words instead of an error."""

    def plain(error: UnicodeError) -> tuple[str, int]:
        assert isinstance(error, UnicodeEncodeError)
        return "".join(_PLAIN.get(sign, "?") for sign in error.object[error.start : error.end]), error.end

    codecs.register_error("audiomeas-plain", plain)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="audiomeas-plain")


def status_of(arguments: list[str] | None = None) -> int:
    """Run the command line and return the exit status."""
    try:
        status: Any = audiomeas.main(args=arguments, prog_name="audiomeas", standalone_mode=False)
        if sys.stdout is not None:
            sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except (StopAsked, KeyboardInterrupt, click.Abort):
        return _interrupted()
    except BrokenPipeError:
        return 0  # the reader has gone (`… | head`): no error of ours
    except SystemExit as leaving:
        return _of_exit(leaving)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
        return 0
    except Exception as error:
        return _told(error)


def _interrupted() -> int:
    _let_it_end()
    _say("interrupted; nothing is sounding, and what was captured is kept")
    return EXIT_INTERRUPTED


def _hides_a_stop(error: BaseException | None) -> bool:
    """Return whether a signal is behind an error: Python 3.11 wraps what comes up while a class is being made."""
    while error is not None:
        if isinstance(error, (StopAsked, KeyboardInterrupt)):
            return True
        error = error.__cause__ or error.__context__
    return False


def _of_exit(leaving: SystemExit) -> int:
    # click leaves with 1 when the reader of our output has gone; in this program 1 means a verdict.
    return leaving.code if isinstance(leaving.code, int) and leaving.code != 1 else 0


def _told(error: Exception) -> int:
    """Say an error in one line and return its exit status."""
    if isinstance(error, AudiomeasError):
        line, status = error.sentence, error.exit_status
        if status == EXIT_INTERRUPTED:
            _let_it_end()
    elif isinstance(error, click.ClickException):
        context = getattr(error, "ctx", None)
        command = "" if context is None else context.command_path.removeprefix("audiomeas").strip()
        line, status = (f"{command}: " if command else "") + error.format_message() + _way_out(error), 2
    elif isinstance(error, OSError):
        line, status = f"can't write the output: {error.strerror or error}", 2
    elif _hides_a_stop(error):
        return _interrupted()
    else:
        if os.environ.get("AUDIOMEAS_TRACEBACK"):
            raise error
        line, status = (
            (
                f"internal error ({type(error).__name__}: {error}): this is a fault of audiomeas; set "
                "AUDIOMEAS_TRACEBACK=1 to see where"
            ),
            2,
        )
    _say(line)
    return status


def _way_out(error: click.ClickException) -> str:
    """Return how the command is written, where an argument of it was left out; ''."""
    if not isinstance(error, click.MissingParameter) or error.ctx is None or isinstance(error.param, click.Option):
        return ""
    return f" Write: {' '.join(error.ctx.command.get_usage(error.ctx).removeprefix('Usage:').split())}"


def _say(line: str) -> None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        click.echo(f"audiomeas: {' '.join(line.split())}", err=True)
