"""The full screen of `live`: keys in, lines out, by the standard library's curses, which is imported only here."""

from __future__ import annotations

import locale
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from typing import TYPE_CHECKING, Any

from audiomeas.cli.common import on_terminal
from audiomeas.cli.live import taken_words
from audiomeas.errors import AudiomeasError, RequestError

if TYPE_CHECKING:
    from audiomeas.measurement.live import Knob
    from audiomeas.measurement.live_adjust import Adjusting
    from audiomeas.measurement.live_listen import Ear
    from audiomeas.measurement.live_words import LiveWords

#: How long a look at the keyboard waits: the knob is heard of at least so often.
_KEY_WAIT_MS = 30
#: An escape that begins no key's sequence is one by itself after this.
_ESCAPE_MS = 25
_ESCAPE, _ENTERS, _BACK = 27, (10, 13), (8, 127)
_WAY_OUT = "use --lines, which needs none"


def refuse_no_screen() -> None:
    """Raise RequestError where no full screen can be had, with the way out. Before any sound."""
    try:
        import_module("curses")
    except ImportError:
        raise RequestError(f"this Python has no curses for a full screen: {_WAY_OUT}") from None
    if not on_terminal(sys.stdin, sys.stdout):
        raise RequestError(f"a full screen needs a terminal for keys and for its picture: {_WAY_OUT}")


def show(held: Knob | Ear, words: LiveWords, adjusting: Adjusting, newest_warning: Callable[[], str]) -> None:
    """Show readings and obey keys until 'quit'. Raises what ended the tone; the terminal is as before, in any case."""
    with _screen() as (curses, window):
        _Screen(curses, window, held, words, adjusting, newest_warning).run()


@contextmanager
def _screen() -> Iterator[tuple[Any, Any]]:
    curses: Any = import_module("curses")
    locale.setlocale(locale.LC_ALL, "")
    try:
        window = curses.initscr()
    except curses.error as error:
        raise RequestError(f"this terminal can't show a full screen ({error}): {_WAY_OUT}") from None
    try:
        curses.noecho()
        curses.cbreak()
        with suppress(curses.error):
            curses.curs_set(0)
        with suppress(AttributeError):
            curses.set_escdelay(_ESCAPE_MS)
        window.keypad(True)
        window.timeout(_KEY_WAIT_MS)
        yield curses, window
    finally:
        window.keypad(False)
        with suppress(curses.error):
            curses.nocbreak()
            curses.echo()
            curses.endwin()


class _Screen:
    """Keys and picture."""

    def __init__(
        self,
        curses: Any,
        window: Any,
        held: Knob | Ear,
        words: LiveWords,
        adjusting: Adjusting,
        newest_warning: Callable[[], str],
    ) -> None:
        from audiomeas.measurement.live_words import COARSE_DB, FINE_DB

        self._curses, self._window = curses, window
        self._held, self._words, self._adjusting = held, words, adjusting
        self._newest_warning = newest_warning
        self._message, self._warned = "", ""
        self._question, self._typed = "", ""
        self._encoding = locale.getencoding()  # the terminal's: in the C locale not what Python prefers
        self._block = "█" if _can_show("█", self._encoding) else "#"
        obey = words.obey
        self._keys: dict[int, Callable[[], None]] = {
            curses.KEY_UP: lambda: obey(f"up {FINE_DB}"),
            curses.KEY_DOWN: lambda: obey(f"down {FINE_DB}"),
            curses.KEY_PPAGE: lambda: obey(f"up {COARSE_DB}"),
            curses.KEY_NPAGE: lambda: obey(f"down {COARSE_DB}"),
            curses.KEY_RIGHT: lambda: words.step_frequency(1),
            curses.KEY_LEFT: lambda: words.step_frequency(-1),
            ord(" "): words.toggle,
            ord("l"): lambda: self._ask("level"),
            ord("f"): lambda: self._ask("frequency"),
            ord("1"): lambda: obey("channels 1"),
            ord("2"): lambda: obey("channels 2"),
            ord("b"): lambda: obey("channels both"),
            ord("a"): adjusting.next,
            ord("r"): lambda: obey("reset"),
            ord("t"): lambda: obey("take"),
            **dict.fromkeys((*_ENTERS, curses.KEY_ENTER), lambda: obey("take")),
            ord("q"): lambda: obey("quit"),
        }

    def run(self) -> None:
        number = -1
        while not self._words.over:
            key = self._window.getch()
            reading = self._held.reading()
            changed = key != -1
            if changed:
                self._pressed(key)
            changed = self._told_takes() or changed
            if reading is not None and reading.number != number:
                number, changed = reading.number, True
                self._adjusting.see(reading)
            if changed:
                self._draw()

    def _pressed(self, key: int) -> None:
        if self._question:
            self._type(key)
            return
        do = self._keys.get(key)
        if do is not None:
            self._message = ""
            self._try(do)

    def _ask(self, word: str) -> None:
        self._question, self._typed = word, ""

    def _type(self, key: int) -> None:
        if key in (*_ENTERS, self._curses.KEY_ENTER):
            line, self._question = f"{self._question} {self._typed}", ""
            self._try(lambda: self._words.obey(line))
        elif key == _ESCAPE:
            self._question = ""
        elif key in (*_BACK, self._curses.KEY_BACKSPACE):
            self._typed = self._typed[:-1]
        elif 32 <= key < 127:
            self._typed += chr(key)

    def _try(self, do: Callable[[], object]) -> None:
        """Do something; what is refused is shown. What ended the tone ends all."""
        try:
            do()
        except AudiomeasError as error:
            self._held.turn()  # raises when the tone has ended
            self._message = f"refused: {error}"

    def _told_takes(self) -> bool:
        takes = self._words.takes
        if not (takes and takes[0].done()):
            return False
        going = takes.pop(0)
        self._try(lambda: setattr(self, "_message", taken_words(going.result())))
        return True

    def _draw(self) -> None:
        from audiomeas.measurement.live import Knob
        from audiomeas.present.live_view import LiveScreen, Playing

        warning = self._newest_warning()
        if warning != self._warned:
            self._message = self._warned = warning
        height, width = self._window.getmaxyx()
        held = self._held
        playing, nominal_hz = None, None
        if isinstance(held, Knob):
            playing = Playing(wish=held.wish, driven=held.driven, highest_v_rms=held.highest_level_v_rms)
        else:
            nominal_hz = held.nominal_hz
        screen = LiveScreen(
            reading=held.reading(),
            playing=playing,
            nominal_hz=nominal_hz,
            adjusting=self._adjusting,
            message=self._message or ("taking …" if self._words.takes else ""),
            typing=f"{self._question}: {self._typed}_ (Enter sets it, Escape leaves it)" if self._question else "",
            notes=self._held.notes,
            simulated=self._held.simulated,
        )
        self._window.erase()
        for row, line in enumerate(screen.lines(width - 1, height, block=self._block)):
            with suppress(self._curses.error):  # a window that has just become smaller
                self._window.addstr(row, 0, line.encode(self._encoding, "audiomeas-plain"))
        self._window.refresh()


def _can_show(sign: str, encoding: str) -> bool:
    try:
        sign.encode(encoding)
    except (UnicodeError, LookupError):
        return False
    return True
