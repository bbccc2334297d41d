"""What a speed refers to: the tone that a tape or record was made with, and what a tone far from it is like."""

from __future__ import annotations

#: Test tones of the standards: NAB and JIS, IEC and DIN.
STANDARD_HZ = (3000.0, 3150.0)
#: A tone this far (relative) from a standard one is another: machines are nearer, and the two lie 4.9 % apart.
_OTHER_TONE = 0.025
#: Nearer to the other standard tone than this, although another was asked for: worth a word.
_LIKE_THE_OTHER = 0.015
#: Turns of records in a minute (IEC 60098), and how they are written.
_RPM = {100.0 / 3.0: "33⅓", 45.0: "45", 78.26: "78"}


def usual_tone_hz(found_hz: float) -> float | None:
    """Return the standard tone that a tone is near; None where it is near none."""
    nearest_hz = min(STANDARD_HZ, key=lambda hz: abs(found_hz - hz))
    return nearest_hz if abs(found_hz / nearest_hz - 1.0) <= _OTHER_TONE else None


def nominal_hz_of(
    found_hz: float, asked_hz: float | None, *, asked_by: str = "nominal_hz"
) -> tuple[float | None, list[str]]:
    """Return what the speed refers to, None where nothing tells; and what is to be said of it. asked_by : option."""
    if asked_hz is None:
        usual_hz = usual_tone_hz(found_hz)
        if usual_hz is not None:
            return usual_hz, []
        return None, [
            f"the tone of {found_hz:.0f} Hz is none of the usual ones ({_listed()}): give nominal_hz, what the tape or "
            f"record was made with, and its speed is told{_like_another_speed(found_hz, STANDARD_HZ)}"
        ]
    off = found_hz / asked_hz - 1.0
    if abs(off) <= _OTHER_TONE:
        return asked_hz, []
    nearest_hz = min(STANDARD_HZ, key=lambda hz: abs(found_hz - hz))
    other = found_hz / nearest_hz - 1.0
    like = (
        f", and a tone of {nearest_hz:g} Hz would be {100 * other:+.2f} % off" if abs(other) < _LIKE_THE_OTHER else ""
    )
    return asked_hz, [
        f"the tone is {100 * off:+.1f} % from {asked_by} of {asked_hz:g} Hz{like}: is it the right tape or record, at "
        f"the right speed?{_like_another_speed(found_hz, (asked_hz,))}"
    ]


def _like_another_speed(found_hz: float, made_with_hz: tuple[float, ...]) -> str:
    """Say which wrong switch such a tone is like; '' where it is like none."""
    found = [
        f"a tone of {hz:g} Hz on {words}"
        for hz in made_with_hz
        for ratio, words in _WRONG_SPEEDS
        if abs(found_hz / (ratio * hz) - 1.0) <= _OTHER_TONE
    ]
    rates = [(hz, wrong_rate_words(found_hz / hz)) for hz in made_with_hz]
    found += [f"a tone of {hz:g} Hz in {words}" for hz, words in rates if words is not None]
    return f"; it is consistent with {' or '.join(found)}, check that first" if found else ""


def wrong_rate_words(ratio: float) -> str | None:
    """Return how a file's rate may be wrong whose tones lie at `ratio` times their frequencies; None: it is not."""
    return next((words for one, words in _WRONG_RATES if abs(ratio / one - 1.0) <= _LIKE_A_RATE), None)


#: Frequency over the right one where the rate of a file is not that of its samples.
_WRONG_RATES = (
    (48.0 / 44.1, "a file of 44.1 kHz that is called 48 kHz (or 88.2 kHz called 96 kHz)"),
    (44.1 / 48.0, "a file of 48 kHz that is called 44.1 kHz (or 96 kHz called 88.2 kHz)"),
)
#: How near to it: the unit's own speed counts too.
_LIKE_A_RATE = 0.01
#: Speed over the right one, and how it comes.
_WRONG_SPEEDS = (
    (2.0, "a tape that runs at twice its speed"),
    (0.5, "a tape that runs at half its speed"),
    *(
        (turning / made, f"a record of {_RPM[made]} that turns at {_RPM[turning]} a minute")
        for made in _RPM
        for turning in _RPM
        if made != turning
    ),
)


def _listed() -> str:
    return ", ".join(f"{hz:g} Hz" for hz in STANDARD_HZ)
