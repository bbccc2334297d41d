"""What the person tells of a tape: its side, its tracks and its speed, who recorded it, and with which equalization."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.equalization_curves import NAMES as _CURVES
from audiomeas.errors import RequestError
from audiomeas.measurement.base import Option
from audiomeas.measurement.flutter import CLOCK_OPTION
from audiomeas.measurement.flutter_parts import OPTIONS as PART_OPTIONS
from audiomeas.measurement.listened import start_option
from audiomeas.measurement.offers import played_band_options

if TYPE_CHECKING:
    from audiomeas.measurement.tape_media import TapeSide

#: Who recorded the tape → what that makes of its figures.
HERE, AT_ONCE, ELSEWHERE = "here", "at-once", "elsewhere"
RECORDED = {
    HERE: "by the deck that plays it: responses and distortion are of recording and replay together, the flutter of "
    "both adds, and the speed is that of replay over that of recording",
    AT_ONCE: "by this deck while it plays (three heads): the flutter of recording and replay adds with the time "
    "between the heads, so that a reading may be anything from near none to twice the truth, and speed tells nothing",
    ELSEWHERE: "elsewhere, by another deck or a maker of test tapes: responses are of playback alone",
}
TAPE_CURVES = tuple(name for name in _CURVES if name.startswith("tape-"))
#: Speeds of the trade's formats in cm/s.
_CASSETTE_CM_S = 4.76
#: Tones in one silence are told apart when they differ by so much: a band of 1 % each side, at a speed 2 % off.
_APART = 0.05


@dataclass(frozen=True, kw_only=True)
class TrackFormat:
    """Where two tracks lie: middle to middle, and how wide each is. speed_cm_s : where the format has only one."""

    spacing_mm: float
    width_mm: float
    speed_cm_s: float | None = None


#: Sizes from memory (IEC 60094-6 and -7, NAB 1965); decks differ by some hundredths of a millimetre.
FORMATS = {
    "cassette": TrackFormat(spacing_mm=0.9, width_mm=0.6, speed_cm_s=_CASSETTE_CM_S),
    "quarter-inch-two-track": TrackFormat(spacing_mm=4.0, width_mm=2.0),
    "quarter-inch-four-track": TrackFormat(spacing_mm=3.4, width_mm=1.0),
}


@dataclass(frozen=True, kw_only=True)
class Geometry:
    """What is known of tracks and speed; None where nothing is. In metres and metres a second."""

    spacing_m: float | None
    width_m: float | None
    speed_m_per_s: float | None


def geometry(options: Mapping[str, Any]) -> Geometry:
    """Return the geometry that the options tell: sizes typed in stand over those of a format."""
    named = FORMATS.get(options["track_format"] or "")

    def told(option: str, of_format: str, factor: float) -> float | None:
        value = options[option]
        if value is None and named is not None:
            value = getattr(named, of_format)
        return None if value is None else factor * float(value)

    return Geometry(
        spacing_m=told("track_spacing_mm", "spacing_mm", 1e-3),
        width_m=told("track_width_mm", "width_mm", 1e-3),
        speed_m_per_s=told("tape_speed_cm_s", "speed_cm_s", 1e-2),
    )


def with_speed(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return options whose tape speed is that of the format, where none was typed in."""
    named = FORMATS.get(options["track_format"] or "")
    if options["tape_speed_cm_s"] is not None or named is None:
        return dict(options)
    return {**options, "tape_speed_cm_s": named.speed_cm_s}


def recorded_by(options: Mapping[str, Any], side: TapeSide) -> str:
    """Return who recorded the tape: what is asked for, else our own side by the deck, a bought tape elsewhere."""
    return str(options["recorded"] or (ELSEWHERE if side.marks_s is None else HERE))


def refuse_one_tone_for_two(options: Mapping[str, Any]) -> None:
    """Raise RequestError where what was erased and what the other side plays can't be told apart."""
    former_hz, other_hz = options["former_hz"], options["other_side_hz"]
    if former_hz is not None and other_hz is not None and abs(former_hz / other_hz - 1.0) < _APART:
        raise RequestError(
            f"former_hz {former_hz:g} and other_side_hz {other_hz:g} are one tone in the silence: what the eraser "
            "leaves and what the other side lets through need tones 5 % apart or more; record another one over there"
        )


def _size(name: str, help_text: str, at_most: float) -> Option:
    return Option(name=name, kind="number", help=help_text, stage="analyse", above=0.0, at_most=at_most)


OPTIONS = (
    Option(
        name="side",
        kind="side",
        help="What is on the tape: the file that `audiomeas generate tape-side` wrote, or a .toml file (see "
        "examples/tapes).",
        stage="analyse",
    ),
    start_option("tape"),
    Option(
        name="recorded",
        kind="choice",
        choices=tuple(RECORDED),
        help="Who recorded the tape: this deck before, at-once (monitored behind the tape), or elsewhere.",
        stage="analyse",
    ),
    Option(
        name="track_format",
        kind="choice",
        choices=tuple(FORMATS),
        help="Where the tracks lie: with the tape's speed it makes minutes of arc of a phase.",
        stage="analyse",
    ),
    _size("track_spacing_mm", "From the middle of one track to that of the other.", 50.0),
    _size("track_width_mm", "Width of a track.", 50.0),
    Option(
        name="recorded_equalization",
        kind="choice",
        choices=TAPE_CURVES,
        help="Equalization that the tape was recorded with, where its file does not say.",
        stage="analyse",
    ),
    Option(
        name="played_equalization",
        kind="choice",
        choices=TAPE_CURVES,
        help="Equalization that the deck is set to: what it differs by is taken out of the response.",
        stage="analyse",
    ),
    Option(
        name="reference_hz",
        kind="number",
        help="Response is told relative to its level here.",
        default=315.0,
        stage="analyse",
        at_least=100.0,
        at_most=5000.0,
    ),
    *played_band_options(),
    Option(
        name="former_hz",
        kind="number",
        help="Tone that was on the tape at the reference level before the side was recorded over it: what the silence "
        "holds of it tells erasure.",
        stage="analyse",
        at_least=100.0,
        at_most=10_000.0,
    ),
    Option(
        name="other_side_hz",
        kind="number",
        help="Tone that stands at the reference level on the tape's other side: what the silence holds of it tells how "
        "much comes through (it counts in the noise, too).",
        stage="analyse",
        at_least=100.0,
        at_most=10_000.0,
    ),
    Option(
        name="without_nr",
        kind="result",
        help="Result (--json) of this side recorded and played without noise reduction, at the same gain: tells how "
        "it tracks in this capture, which was recorded and played with it.",
        stage="analyse",
    ),
    CLOCK_OPTION,
    *PART_OPTIONS,
)
