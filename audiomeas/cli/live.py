"""`audiomeas live`: a tone in the hand, on a full screen or line by line."""

from __future__ import annotations

import json
import sys
import time
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

import click

from audiomeas.cli.common import (
    CAPTURES_FOLDER,
    Command,
    bench_option,
    channels_option,
    say,
    show_progress,
    show_progress_end,
)
from audiomeas.cli.loudspeakers import asked, loudspeakers_option
from audiomeas.cli.stdin_lines import StdinLines
from audiomeas.cli.visits import other_unit_asked, visit_options
from audiomeas.errors import AudiomeasError, BenchError, RequestError

if TYPE_CHECKING:
    from audiomeas.measurement.live import Knob
    from audiomeas.measurement.live_adjust import Adjusting
    from audiomeas.measurement.live_listen import Ear
    from audiomeas.measurement.live_take import Taken
    from audiomeas.measurement.live_words import LiveWords

#: How often stdin and the newest reading are looked at.
_LOOK_EVERY_S = 0.01
#: Where a tone begins that nothing else is said of.
_BEGINS_HZ = 1000.0


@click.command(cls=Command)
@click.option("--frequency", metavar="HZ", help="Where it begins. Default: 1 kHz. --listen-only: what was recorded.")
@click.option("--listen-only", is_flag=True, help="Send nothing: the unit plays a tone by itself.")
@click.option("--input-level", metavar="LEVEL", help="Where it begins, at the unit's input. Default: very quiet.")
@click.option("--output-level", metavar="LEVEL", help="Or at the unit's output, such as '1 W': found by measuring.")
@channels_option
@click.option(
    "--adjust",
    default="volts",
    show_default=True,
    metavar="FIGURE",
    help="The big figure: volts, playback-level, watts, gain, thd, thd-n, symmetry, balance, phase, crosstalk. With "
    "--listen-only: volts, playback-level, balance, phase, azimuth, azimuth-level, separation, speed, mean-speed.",
)
@click.option("--adjust-channel", type=click.INT, metavar="N", help="Whose figure. Default: the first driven.")
@click.option("--target", type=click.FLOAT, metavar="NUMBER", help="Where the figure shall be, in its unit.")
@click.option("--tolerance", type=click.FLOAT, metavar="NUMBER", help="How far from it is near enough.")
@click.option("--take-seconds", type=click.FLOAT, default=1.0, show_default=True, help="How much a take keeps.")
@click.option(
    "--captures",
    type=click.Path(file_okay=False),
    default=CAPTURES_FOLDER,
    show_default=True,
    metavar="FOLDER",
    help="Keep what is taken here.",
)
@click.option("--unit", metavar="TEXT", help="Keep it in this unit's record instead.")
@visit_options
@click.option("--lines", is_flag=True, help="No screen: a line for each reading; words on stdin turn the knob.")
@click.option("--json", "as_json", is_flag=True, help="With --lines: each line is one JSON object.")
@loudspeakers_option
@bench_option
def live(
    frequency: str | None,
    listen_only: bool,
    input_level: str | None,
    output_level: str | None,
    channels: tuple[int, ...] | None,
    adjust: str,
    adjust_channel: int | None,
    target: float | None,
    tolerance: float | None,
    take_seconds: float,
    captures: str,
    unit: str | None,
    records: str,
    stage: str,
    new_stay: bool,
    other_unit: bool,
    lines: bool,
    as_json: bool,
    loudspeakers: str | None,
    bench: str | None,
) -> int:
    """Hold a tone's level and frequency in the hand, with volts, watts, distortion and balance as they change.

    \b
    Example: audiomeas live --output-level "1 W" --adjust thd-n --target 0.05 --tolerance 0.02

    It begins muted, SPACE unmutes. Level changes glide, ask the interlock, and the output fades to silence when it is
    left, for whatever reason. With --lines these words on stdin do what the keys do, and the end of stdin ends it:

    \b
    up [DB]  down [DB]  level LEVEL  frequency HZ  channels 1|2|both
    mute  unmute  reset  take  wait SECONDS  quit

    With --listen-only a tape deck, turntable or tuner plays by itself, and azimuth, speed, separation or level are
    adjusted; nothing is sent. Azimuth begins at 1 kHz: at 10 kHz a whole turn more is not seen.

    \b
    Example: audiomeas live --listen-only --frequency 10k --adjust azimuth --target 0 --tolerance 20

    A word that is refused changes nothing and is said on stderr; once it is over, the exit status tells of it: 2 for a
    wrong word or value, 3 where the bench refused, the higher of both.
    """
    from audiomeas.measurement.live_adjust import Adjusting, find_quantity
    from audiomeas.measurement.live_words import LiveWords, hertz
    from audiomeas.record.live import live as live_call
    from audiomeas.record.live import live_listen

    quantity, goal = find_quantity(adjust, listens=listen_only), _target(target, tolerance)
    if as_json and not lines:
        raise RequestError("--json prints lines: give --lines too")
    if not lines:
        from audiomeas.cli.live_screen import refuse_no_screen

        refuse_no_screen()
    messages = _Messages()
    begins_hz = None if frequency is None else hertz(frequency)
    connected: dict[str, Any] = {
        "loudspeakers": asked(bench, loudspeakers),
        "say": messages.say,
        "progress": show_progress,
    }
    opened: AbstractContextManager[Knob | Ear]
    if listen_only:
        _refuse_played(input_level, output_level, channels, unit)
        opened = live_listen(bench=bench, frequency_hz=begins_hz, **connected)
    else:
        opened = live_call(
            bench=bench,
            frequency_hz=_BEGINS_HZ if begins_hz is None else begins_hz,
            input_level=input_level,
            output_level=output_level,
            channels=channels,
            take_s=take_seconds,
            captures=captures,
            unit=unit,
            records=records,
            stage=stage,
            new_stay=new_stay,
            other_unit=other_unit if unit is None else other_unit_asked(records, unit, other_unit),
            **connected,
        )
    with opened as held:
        show_progress_end()
        whose = held.listened[0] if adjust_channel is None else adjust_channel
        if whose not in held.there:
            raise RequestError(f"--adjust-channel {whose}: this bench has {', '.join(map(str, held.there))}")
        adjusting = Adjusting(quantity, channel=whose, target=goal, listens=listen_only)
        words = LiveWords(held, adjusting)
        if lines:
            return _Lines(held, words, adjusting, as_json=as_json).run()
        from audiomeas.cli.live_screen import show

        with messages.held():
            show(held, words, adjusting, messages.newest)
    return 0


def _refuse_played(*of_a_played_tone: object) -> None:
    if any(one is not None for one in of_a_played_tone):
        raise RequestError(
            "with --listen-only nothing is sent and nothing taken: leave out levels, --channels and --unit"
        )


def _target(target: float | None, tolerance: float | None) -> Any:
    from audiomeas.measurement.live_adjust import Target

    if (target is None) != (tolerance is None):
        raise RequestError("--target and --tolerance belong together: give both, in the unit of the figure")
    return None if target is None or tolerance is None else Target(value=target, tolerance=tolerance)


class _Messages:
    """Where warnings go: to stderr, or to the screen's own line while it stands; then to stderr afterwards."""

    def __init__(self) -> None:
        self._holding = False
        self._held: list[str] = []

    def say(self, line: str) -> None:
        if self._holding:
            self._held.append(line)
        else:
            say(line)

    def newest(self) -> str:
        """Return the last line that came while they were held; ''."""
        return self._held[-1] if self._held else ""

    def held(self) -> _Messages:
        return self

    def __enter__(self) -> None:
        self._holding = True

    def __exit__(self, *_: object) -> None:
        self._holding = False
        for line in self._held:
            say(line)


class _Lines:
    """Readings out on stdout, words in from stdin."""

    def __init__(self, held: Knob | Ear, words: LiveWords, adjusting: Adjusting, *, as_json: bool) -> None:
        self._held, self._words, self._adjusting, self._as_json = held, words, adjusting, as_json
        self._status = 0
        self._number = -1
        self._free_at_s = 0.0
        self._ended = False

    def run(self) -> int:
        """Go on until 'quit' or the end of stdin; return the exit status, the highest of what was refused."""
        given = StdinLines()
        self._begin()
        while not (self._ended and not self._words.takes):
            self._show()
            self._tell_takes()
            if not self._ended and not self._words.takes and time.monotonic() >= self._free_at_s:
                self._obey_next(given)
            time.sleep(_LOOK_EVERY_S)
        return self._status

    def _begin(self) -> None:
        from audiomeas import __version__
        from audiomeas.measurement.live import Knob
        from audiomeas.measurement.live_heard import HEARD_DEFINITIONS
        from audiomeas.measurement.live_reading import DEFINITIONS

        if not self._as_json:
            for note in self._held.notes:
                say(f"warning: {note}")
            return
        played = self._held if isinstance(self._held, Knob) else None
        _print_line(
            {
                "audiomeas": __version__,
                "simulated": self._held.simulated,
                "warnings": list(self._held.notes),
                "definitions": HEARD_DEFINITIONS if played is None else DEFINITIONS,
                "highest_input_level_v_rms": None if played is None else played.highest_level_v_rms,
            }
        )

    def _obey_next(self, given: StdinLines) -> None:
        line = given.said()
        if line is None:
            self._ended = given.over
            return
        self._try(lambda: self._words.obey(line))
        self._free_at_s, self._words.waits_s = time.monotonic() + self._words.waits_s, 0.0
        self._ended = self._words.over

    def _try(self, do: Any) -> Any:
        """Do something; what is refused is said, and the tone stays as it was. What ended the tone ends all."""
        try:
            return do()
        except AudiomeasError as error:
            self._held.turn()  # raises when the tone has ended
            say(f"refused: {error}")
            self._status = max(self._status, error.exit_status if isinstance(error, BenchError) else 2)
        return None

    def _show(self) -> None:
        from audiomeas.present.live_view import reading_line

        reading = self._held.reading()
        if reading is None or reading.number == self._number:
            return
        self._number = reading.number
        self._adjusting.see(reading)
        if self._as_json:
            _print_line({**reading.as_json(), "adjust": self._adjusting.as_json()})
        else:
            _print_text(reading_line(reading, self._adjusting))

    def _tell_takes(self) -> None:
        while self._words.takes and self._words.takes[0].done():
            taken = self._try(self._words.takes.pop(0).result)
            if taken is None:
                continue
            if self._as_json:
                _print_line(
                    {"taken": None if taken.path is None else str(taken.path), "result": taken.result.as_json()}
                )
            else:
                _print_text(taken_words(taken))


def taken_words(taken: Taken) -> str:
    """Return a take in one line."""
    from audiomeas.present.live_view import volts

    told = [
        f"channel {channel.channel} {volts(channel.values['level_v_rms'])}"
        for channel in taken.result.channels
        if channel.values["level_v_rms"] is not None
    ]
    return f"taken: {', '.join(told)}; kept in {taken.path}"


def _print_text(text: str) -> None:
    click.echo(text)
    sys.stdout.flush()


def _print_line(facts: dict[str, Any]) -> None:
    _print_text(json.dumps(facts, ensure_ascii=False, allow_nan=False))
