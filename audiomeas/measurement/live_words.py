"""The words that turn the knob, one a line: for scripts, and behind the keys of the screen.

up [DB] · down [DB] · level LEVEL · frequency HZ · channels 1|2|both · mute · unmute · reset · take · wait S · quit

While the unit plays by itself: frequency HZ (what its tone was made with) · reset · wait S · quit
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import Future

from audiomeas.errors import RequestError
from audiomeas.measurement.live import Knob
from audiomeas.measurement.live_adjust import Adjusting
from audiomeas.measurement.live_listen import Ear
from audiomeas.measurement.live_take import Taken
from audiomeas.tomlfile import nearest
from audiomeas.units import parse_level

#: The steps of a hand.
FINE_DB, COARSE_DB = 0.1, 1.0
#: Frequencies step by a third of an octave (base ten, IEC 61260-1): so many steps a decade, from 1 kHz.
_STEPS_A_DECADE = 10
_MIDDLE_HZ = 1000.0
#: Longest wait of a script.
_LONGEST_WAIT_S = 3600.0
BOTH = "both"
#: Words that turn what is played.
_OF_A_KNOB = ("up", "down", "level", "channels", "mute", "unmute", "take")
#: What a word does with what stands behind it.
Word = Callable[[str], None]


class LiveWords:
    """Obeys words. over : 'quit' came.  waits_s : 'wait' asks the caller for this pause, once.  takes : under way."""

    def __init__(self, held: Knob | Ear, adjusting: Adjusting) -> None:
        self._held = held
        self.over = False
        self.waits_s = 0.0
        self.takes: list[Future[Taken]] = []
        self._words = (_of_ear(held) if isinstance(held, Ear) else self._of_knob(held)) | {
            "reset": _alone("reset", adjusting.forget),
            "wait": self._wait,
            "quit": _alone("quit", self._quit),
        }

    def _of_knob(self, knob: Knob) -> dict[str, Word]:
        return {
            "up": lambda rest: knob.raise_db(_decibels(rest)),
            "down": lambda rest: knob.raise_db(-_decibels(rest)),
            "level": lambda rest: knob.set_level(_input_level(rest)),
            "frequency": lambda rest: knob.set_frequency(hertz(rest)),
            "channels": lambda rest: knob.drive(_channels(rest, knob.there)),
            "mute": _alone("mute", knob.mute),
            "unmute": _alone("unmute", knob.unmute),
            "take": _alone("take", lambda: self.takes.append(knob.begin_take())),
        }

    def obey(self, line: str) -> None:
        """Do what a line says; an empty one says nothing.

        Raises RequestError (unknown word, impossible value), InterlockRefusal, and what ended the tone.
        """
        word, _, rest = line.strip().partition(" ")
        if not word:
            return
        known = self._words.get(word.lower())
        if known is None:
            words = list(self._words)
            raise RequestError(f"unknown word {word!r}{nearest(word.lower(), words)}; known: {', '.join(words)}")
        known(rest.strip())

    def toggle(self) -> None:
        """Mute, or unmute. Raises RequestError where nothing is sent."""
        knob = self._knob()
        if knob.muted:
            knob.unmute()
        else:
            knob.mute()

    def step_frequency(self, steps: int) -> None:
        """Go to the next frequency of the third-octave series, up or down. Raises as `toggle`."""
        knob = self._knob()
        knob.set_frequency(next_frequency_hz(knob.wish.frequency_hz, steps))

    def _knob(self) -> Knob:
        if isinstance(self._held, Ear):
            raise _nothing_sent()
        return self._held

    def _wait(self, rest: str) -> None:
        self.waits_s = _number(rest, "wait")
        if not 0.0 <= self.waits_s <= _LONGEST_WAIT_S:
            raise RequestError(f"wait {rest!r}: write seconds, 0 to {_LONGEST_WAIT_S:g}")

    def _quit(self) -> None:
        self.over = True


def _of_ear(ear: Ear) -> dict[str, Word]:
    return dict.fromkeys(_OF_A_KNOB, _refused) | {"frequency": lambda rest: ear.set_nominal(hertz(rest))}


def _refused(_: str) -> None:
    raise _nothing_sent()


def _nothing_sent() -> RequestError:
    return RequestError(
        "nothing is sent while the unit plays by itself: there is no tone to turn, mute or take "
        "(flutter, disc and noise measure what it plays)"
    )


def _input_level(rest: str) -> float:
    level = parse_level(rest)
    if level.unit != "V":
        raise RequestError(f"level {rest!r}: the knob sets what goes into the unit, in V, mV, dBV or dBu")
    return level.v_rms()


def _channels(rest: str, there: tuple[int, ...]) -> tuple[int, ...]:
    chosen = there if rest.lower() == BOTH else tuple(n for n in there if str(n) == rest)
    if not chosen:
        raise RequestError(f"channels {rest!r}: write {', '.join(map(str, there))} or {BOTH}")
    return chosen


def next_frequency_hz(frequency_hz: float, steps: int) -> float:
    """Return a frequency of the third-octave series so many steps away; from between two, the first is the next one."""
    place = _STEPS_A_DECADE * math.log10(frequency_hz / _MIDDLE_HZ)
    at = math.floor(place + 1e-9) if steps > 0 else math.ceil(place - 1e-9)
    return float(_MIDDLE_HZ * 10.0 ** ((at + steps) / _STEPS_A_DECADE))


def hertz(text: str) -> float:
    """Read a frequency: '997', '1k', '1.5 kHz'. Raises RequestError."""
    plain = text.lower().replace(" ", "").removesuffix("hz")
    factor = 1000.0 if plain.endswith("k") else 1.0
    return factor * _number(plain.removesuffix("k"), "frequency", shown=text)


def _decibels(rest: str) -> float:
    found = _number(rest.lower().removesuffix("db").strip(), "a step") if rest else FINE_DB
    if found < 0.0:
        raise RequestError(f"a step of {found:g} dB: write it without a sign, after up or down")
    return found


def _number(text: str, what: str, *, shown: str | None = None) -> float:
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise RequestError(f"{what} {text if shown is None else shown!r} is no number")
    return found


def _alone(word: str, do: Callable[[], None]) -> Word:
    def obey(rest: str) -> None:
        if rest:
            raise RequestError(f"{word} stands alone: leave out {rest!r}")
        do()

    return obey
