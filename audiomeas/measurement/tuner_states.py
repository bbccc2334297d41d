"""What the generator before a tuner is set to: the states that a person goes through, and where a capture has them.

A state is a tone (mono; left or right alone, with the pilot) or silence (the carrier alone; the pilot alone). Tones are
found by their frequency and side, silence lies between them, and the list is laid over what was found by the least that
must be left out (dynamic programming, as for the edit distance of R. Wagner and M. Fischer, J. ACM 21, 1974).

Nothing here imports numpy: `--help` lists the conventions.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError

if TYPE_CHECKING:
    from audiomeas.analysis.tone_bands import Band

MONO, LEFT, RIGHT, CARRIER, PILOT = "mono", "left", "right", "carrier", "pilot"
_TONES, _SILENCES = (MONO, LEFT, RIGHT), (CARRIER, PILOT)
_LOWEST_HZ, _HIGHEST_HZ = 20.0, 15_000.0
#: All there is of an FM channel: ITU-R BS.450.
FULL_KHZ = 75.0
DEFAULT_STATES = "mono 1000; carrier; left 1000; pilot; right 1000; mono 1000 30%"


@dataclass(frozen=True, kw_only=True)
class Convention:
    """What 100 % are. mono_khz : deviation by audio without pilot.   stereo_khz : by left or right alone, beside the
    pilot; None: what the pilot leaves of 75 kHz.   words : for people.
    """

    mono_khz: float
    stereo_khz: float | None
    words: str

    def audio_khz(self, state: State, pilot_percent: float) -> float:
        """Return a state's deviation by audio, before pre-emphasis."""
        stereo = FULL_KHZ - pilot_khz(pilot_percent) if self.stereo_khz is None else self.stereo_khz
        return 0.01 * state.percent * (self.mono_khz if state.kind == MONO else stereo)


#: Pre-emphasis of a generator, as options name it → its time constant in µs.
PRE_EMPHASES = {"none": 0.0, "50": 50.0, "75": 75.0}
#: Values from memory (common practice of generators, tuner standards and specification sheets).
CONVENTIONS = {
    "total": Convention(mono_khz=75.0, stereo_khz=None, words="75 kHz in all, the pilot among them"),
    "plus-pilot": Convention(mono_khz=75.0, stereo_khz=75.0, words="75 kHz by audio, the pilot on top"),
    "67.5": Convention(mono_khz=75.0, stereo_khz=67.5, words="75 kHz mono, 67.5 kHz by audio in stereo"),
    "40": Convention(mono_khz=40.0, stereo_khz=40.0, words="40 kHz by audio (DIN), the pilot on top"),
    "22.5": Convention(mono_khz=22.5, stereo_khz=22.5, words="22.5 kHz by audio (30 %), the pilot on top"),
}


def pilot_khz(pilot_percent: float) -> float:
    """Return the pilot's deviation."""
    return 0.01 * pilot_percent * FULL_KHZ


@dataclass(frozen=True, kw_only=True)
class State:
    """What the generator is set to. frequency_hz : None for silence.   percent : of what the convention calls 100 %."""

    kind: str
    frequency_hz: float | None = None
    percent: float = 0.0

    @property
    def stereo(self) -> bool:
        """Whether the pilot is on."""
        return self.kind in (LEFT, RIGHT, PILOT)

    @property
    def words(self) -> str:
        """Return it as a person writes it: 'mono 1000 Hz 30 %'."""
        if self.frequency_hz is None:
            return self.kind
        part = "" if self.percent == 100.0 else f" {self.percent:g} %"
        return f"{self.kind} {self.frequency_hz:g} Hz{part}"


def parse_states(text: str) -> tuple[State, ...]:
    """Return the states of a list such as 'mono 1000; carrier; left 100 1000 10000; mono 1000 30%'.

    Raises RequestError: an unknown word, a tone without frequency or out of 20 Hz to 15 kHz, two silences in a row.
    """
    found = [state for part in re.split(r"[;,]", text) if part.strip() for state in _parsed(part.strip())]
    if not any(state.frequency_hz is not None for state in found):
        raise RequestError(f"states {text!r} holds no tone: write them as in '{DEFAULT_STATES}'")
    for one, other in itertools.pairwise(found):
        if one.frequency_hz is None and other.frequency_hz is None:
            raise RequestError(
                f"states: {one.words} and {other.words} follow one another, and nothing shows where one ends: put a "
                "tone between them"
            )
    return tuple(found)


def _parsed(part: str) -> list[State]:
    match = re.fullmatch(r"([a-z]+)((?:\s+[\d.]+(?:\s*Hz)?)*?)(?:\s+([\d.]+)\s*%)?", part, flags=re.IGNORECASE)
    kind = match.group(1).lower() if match else ""
    if match is None or kind not in (*_TONES, *_SILENCES):
        raise RequestError(
            f"state {part!r} is none: write one of {', '.join((*_TONES, *_SILENCES))}, a tone's frequencies in Hz "
            "behind it and its modulation last, such as 'mono 1000 30%'"
        )
    numbers = [_number(word, part) for word in re.findall(r"[\d.]+", match.group(2))]
    if kind in _SILENCES:
        if numbers or match.group(3):
            raise RequestError(f"state {part!r}: the {kind} alone has no tone; leave the numbers out")
        return [State(kind=kind)]
    percent = 100.0 if match.group(3) is None else _number(match.group(3), part)
    if not numbers or not all(_LOWEST_HZ <= hz <= _HIGHEST_HZ for hz in numbers) or not 0.0 < percent <= 150.0:
        raise RequestError(
            f"state {part!r}: give the tone's frequencies, {_LOWEST_HZ:g} Hz to {_HIGHEST_HZ:g} Hz, and no more than "
            f"150 %, such as '{kind} 1000'"
        )
    return [State(kind=kind, frequency_hz=hz, percent=percent) for hz in numbers]


def _number(text: str, part: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise RequestError(f"state {part!r}: {text} is no number") from None


def settings(states: Sequence[State], options: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return what the generator must be set to, state by state, as plain data.

    all_khz : what pre-emphasis makes of the deviation by audio, and the pilot.
    """
    convention, pilot = CONVENTIONS[options["convention"]], options["pilot_percent"]
    time_constant_us = PRE_EMPHASES[options["pre_emphasis"]]
    rows = []
    for state in states:
        audio_khz, by_pilot_khz = convention.audio_khz(state, pilot), pilot_khz(pilot) if state.stereo else 0.0
        turn = 2.0 * math.pi * (state.frequency_hz or 0.0) * 1e-6 * time_constant_us
        rows.append(
            {
                "state": state.words,
                "frequency_hz": state.frequency_hz,
                "audio_khz": audio_khz,
                "pilot_khz": by_pilot_khz,
                "all_khz": audio_khz * math.hypot(1.0, turn) + by_pilot_khz,
            }
        )
    return rows


# -- where a capture has them ------------------------------------------------------------------------------------

#: Around silence so much is left out: the tones beside it reach into the gap by half a spectrum and an end.
_GUARD_S = 0.5
#: Shorter parts are the hand at the generator, no states.
_LEAST_TONE_S, _LEAST_SILENCE_S = 0.6, 1.5
#: A strong rest of the pilot looks like a tone.
_PROGRAMME_ENDS_HZ = 16_500.0
#: What laying the list over the capture costs: a tone on another side than it should, a part that belongs to no state,
#: a silence that does, a state that is missing.
_OTHER_SIDE, _UNUSED_TONE, _UNUSED_SILENCE, _MISSING = 1.0, 1.5, 0.2, 2.0
_SIDES = {MONO: None, LEFT: 0, RIGHT: 1}


@dataclass(frozen=True, kw_only=True)
class Heard:
    """A steady part of a capture. start, stop : its frames.   band : its tone; None: silence."""

    start: int
    stop: int
    band: Band | None = None


def parts_of(bands: Sequence[Band], frames: int, sample_rate_hz: float) -> list[Heard]:
    """Return tones and silences of a capture in their order, without what is too short to be a state."""
    tones = [
        Heard(start=band.start, stop=band.stop, band=band)
        for band in bands
        if band.stop - band.start >= _LEAST_TONE_S * sample_rate_hz and band.frequency_hz < _PROGRAMME_ENDS_HZ
    ]
    guard = round(_GUARD_S * sample_rate_hz)
    ends = [0, *(tone.stop + guard for tone in tones)]
    begins = [*(tone.start - guard for tone in tones), frames]
    silences = [
        Heard(start=end, stop=begin)
        for end, begin in zip(ends, begins, strict=True)
        if begin - end >= _LEAST_SILENCE_S * sample_rate_hz
    ]
    return sorted((*tones, *silences), key=lambda part: part.start)


def laid_over(states: Sequence[State], parts: Sequence[Heard]) -> tuple[list[Heard | None], list[Heard]]:
    """Return the part of each state (None: it is missing), and the tones that belong to none."""
    # costs[i][j] : the least for the first i states and j parts, and the step that it ends with.
    costs: list[list[tuple[float, str]]] = [[(0.0, "")]]
    for part in parts:
        costs[0].append((costs[0][-1][0] + _unused(part), "unused"))
    for i, state in enumerate(states):
        row = [(costs[i][0][0] + _MISSING, "missing")]
        for j, part in enumerate(parts):
            row.append(
                min(
                    (costs[i][j][0] + _apart(state, part), "pair"),
                    (row[j][0] + _unused(part), "unused"),
                    (costs[i][j + 1][0] + _MISSING, "missing"),
                )
            )
        costs.append(row)
    found: list[Heard | None] = [None] * len(states)
    unused: list[Heard] = []
    i, j = len(states), len(parts)
    while i or j:
        step = costs[i][j][1]
        i, j = i - (step != "unused"), j - (step != "missing")
        if step == "pair":
            found[i] = parts[j]
        elif step == "unused" and parts[j].band is not None:
            unused.append(parts[j])
    return found, unused[::-1]


def _unused(part: Heard) -> float:
    return _UNUSED_SILENCE if part.band is None else _UNUSED_TONE


def _apart(state: State, part: Heard) -> float:
    """Return what it costs that a part is a state's."""
    from audiomeas.analysis.tone_bands import same_tone

    if (state.frequency_hz is None) != (part.band is None):
        return float("inf")
    if state.frequency_hz is None or part.band is None:
        return 0.0
    if not same_tone(state.frequency_hz, part.band.frequency_hz):
        return float("inf")
    return 0.0 if part.band.alone == _SIDES[state.kind] else _OTHER_SIDE
