"""What measurements of impedance share: the same steps twice, what was changed between, and the voltages' ratio."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part, of_limits
from audiomeas.errors import SignalError
from audiomeas.measurement.base import Option, PlayContext
from audiomeas.measurement.budget import NOISE_AND_FIT, Told
from audiomeas.measurement.response_limits import HIGHEST_PART
from audiomeas.measurement.response_steps_values import fitted_channels
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.stepped import MOST_STEPS, aligned, placed_steps, steps_of
from audiomeas.measurement.sweeps import refuse_other_rate

if TYPE_CHECKING:
    from audiomeas.measurement.response_steps_values import FittedChannel
    from audiomeas.measurement.result import ChannelResult
    from audiomeas.recording import Recording
    from audiomeas.stimulus import SteppedSines, SteppedTwice

#: Nominal octave frequencies (IEC 61260-1), and the ends of the band.
_USUAL_HZ = (20.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1_000.0, 2_000.0, 4_000.0, 8_000.0, 16_000.0, 20_000.0)
#: A window holds at least this many periods: ten blocks of two, between which lost frames and level steps are seen.
_LEAST_PERIODS = 20
#: A step this near (relative) to the reference that is asked for is it.
_NEAR = 0.01
#: A derivative is taken over this relative step.
_STEP = 1e-6
#: What the card adds to a ratio of two readings with the same settings.
_OF_CARD = "linearity and drift of the card between the takes"

TAKE_OPTIONS = (
    Option(
        name="frequencies_hz",
        kind="numbers",
        help="Frequencies of the steps; without it, octaves from 20 Hz to 20 kHz.",
        above=0.0,
    ),
    Option(
        name="pause_s",
        kind="number",
        help="Silence between the two takes, in which it is changed, in seconds.",
        default=30.0,
        at_least=1.0,
        at_most=300.0,
    ),
    Option(
        name="window_s",
        kind="number",
        help="What is measured of each step in seconds; low tones take 20 periods.",
        default=0.5,
        at_least=0.05,
        at_most=10.0,
    ),
    Option(
        name="reference_hz",
        kind="number",
        help="The step whose figures are told first, and where an output level is set.",
        default=1000.0,
        above=0.0,
        stage="analyse",
    ),
    Option(
        name="ratio_percent",
        kind="number",
        help="Limits of what card and unit may drift between the takes.",
        default=0.02,
        above=0.0,
        at_most=10.0,
        stage="analyse",
    ),
    Option(
        name="other",
        kind="recording",
        help="The second take, where it is a capture of its own: the file's steps are then the first, and magnitudes "
        "alone are compared.",
        stage="analyse",
    ),
)


@dataclasses.dataclass(frozen=True)
class Pair:
    """One step in both takes. ratio : complex, first over second.  noise : its relative 95 % half-width."""

    frequency_hz: float
    ratio: complex
    noise: float

    @property
    def angular_hz(self) -> float:
        """Its angular frequency, rad/s."""
        return 2.0 * math.pi * self.frequency_hz


@dataclasses.dataclass(frozen=True)
class ChannelPairs:
    """The steps of one channel, low ones first: a pair, or why there is none."""

    column: int
    channel: int
    frequency_hz: tuple[float, ...]
    pairs: tuple[Pair | str, ...]


@dataclasses.dataclass(frozen=True)
class TwoTakes:
    """Both takes of a recording. phases : they can be compared, since one capture holds both."""

    channels: tuple[ChannelPairs, ...]
    phases: bool
    stimulus: SteppedSines
    placed: bool


def stimulus_of(context: PlayContext, options: Mapping[str, Any]) -> SteppedTwice:
    """Return what is played. Raises ValueError."""
    from audiomeas.stimulus import SteppedTwice

    highest_hz = HIGHEST_PART * context.sample_rate_hz
    asked: Sequence[float] = options["frequencies_hz"] or [hz for hz in _USUAL_HZ if hz <= highest_hz]
    wanted = sorted(set(asked))
    if len(wanted) > MOST_STEPS:
        raise ValueError(f"{len(wanted)} steps are more than {MOST_STEPS}: take fewer")
    _near_reference(wanted, options["reference_hz"])
    return SteppedTwice(
        steps=tuple((hz, context.input_level_v_rms) for hz in wanted),
        sample_rate_hz=context.sample_rate_hz,
        window_s=options["window_s"],
        window_periods=_LEAST_PERIODS,
        pause_s=options["pause_s"],
        driven_channels=context.channels,
    )


def _near_reference(frequency_hz: Sequence[float], wished_hz: float) -> float:
    """Return the step that is the reference. Raises ValueError."""
    nearest_hz = min(frequency_hz, key=lambda hz: abs(math.log(hz / wished_hz)))
    if abs(nearest_hz / wished_hz - 1.0) > _NEAR:
        raise ValueError(
            f"no step stands at the reference of {hertz(wished_hz)}; the nearest is at {hertz(nearest_hz)}: give the "
            "frequency of a step as reference_hz"
        )
    return nearest_hz


def reference_of(takes: TwoTakes, options: Mapping[str, Any]) -> float:
    """Return the step that is the reference. Raises SignalError."""
    try:
        return _near_reference([hz for hz, _ in takes.stimulus.steps], options["reference_hz"])
    except ValueError as error:
        raise SignalError(str(error)) from None


def take_conditions(takes: TwoTakes, reference_hz: float, options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the conditions that impedances share."""
    return {
        "reference_hz": reference_hz,
        "input_level_v_rms": takes.stimulus.level_v_rms,
        "channels_driven": list(takes.stimulus.driven_channels),
        "ratio_limits_percent": options["ratio_percent"],
        "alignment": "known from the bench" if takes.placed else "found by the stimulus itself",
    }


def notes_of(channels: Sequence[ChannelResult]) -> tuple[str, ...]:
    """Return what is to be said of the steps of channels, each sentence once a channel."""
    return tuple(
        f"channel {channel.channel}: {note}"
        for channel in channels
        for note in dict.fromkeys(row["note"] for row in channel.values["steps"] if row["note"])
    )


def two_takes(recording: Recording, options: Mapping[str, Any], word: str) -> TwoTakes:
    """Return the steps of both takes, of one capture or of two. Raises SignalError."""
    if options["other"] is not None:
        return _of_two_captures(recording, options["other"].recording, word)
    stimulus = _twice(recording, word)
    placed = recording.stimulus_start is not None
    whole = recording if placed else aligned(recording, stimulus)
    assert whole.stimulus_start is not None
    takes = [
        dataclasses.replace(whole, stimulus=stimulus.take, stimulus_start=whole.stimulus_start + later)
        for later in (0, stimulus.second_start)
    ]
    first, second = (_fitted(take, earlier=not placed) for take in takes)
    pairs = tuple(_paired(one, other, phases=True) for one, other in zip(first, second, strict=True))
    return TwoTakes(channels=pairs, phases=True, stimulus=stimulus.take, placed=placed)


def _twice(recording: Recording, word: str) -> SteppedTwice:
    from audiomeas.stimulus import SteppedTwice

    stimulus = recording.stimulus
    if not isinstance(stimulus, SteppedTwice):
        played = "nothing known" if stimulus is None else repr(stimulus.kind)
        raise SignalError(
            f"{word} needs the same steps twice in one capture ({played} was played in this one), or a second capture "
            "of the same steps: give it with --other FILE"
        )
    refuse_other_rate(recording, stimulus, "steps")
    return stimulus


def _of_two_captures(recording: Recording, other: Recording, word: str) -> TwoTakes:
    """Return the pairs of two captures: their phases can't be compared, each has found its own place."""
    stimulus, again = steps_of(recording, word), steps_of(other, word)
    if [hz for hz, _ in stimulus.steps] != [hz for hz, _ in again.steps]:
        raise SignalError("the two captures step other frequencies: play the same steps both times")
    scales = [dict(zip(one.channels, one.v_rms_at_full_scale, strict=True)) for one in (recording, other)]
    if scales[0] != scales[1] or recording.conditions.get("range") != other.conditions.get("range"):
        raise SignalError("the two captures have other ranges or calibrations: capture both with the same settings")
    placed = recording.stimulus_start is not None and other.stimulus_start is not None
    first, second = (
        _fitted(one if one.stimulus_start is not None else aligned(one, steps), earlier=not placed)
        for one, steps in ((recording, stimulus), (other, again))
    )
    if [one.channel for one in first] != [one.channel for one in second]:
        raise SignalError("the two captures have other driven channels: drive the same both times")
    pairs = tuple(_paired(one, two, phases=False) for one, two in zip(first, second, strict=True))
    return TwoTakes(channels=pairs, phases=False, stimulus=stimulus, placed=placed)


def _fitted(recording: Recording, *, earlier: bool) -> list[FittedChannel]:
    steps: Any = recording.stimulus
    return fitted_channels(recording, steps, placed_steps(recording, steps, earlier=earlier))


def _paired(first: FittedChannel, second: FittedChannel, *, phases: bool) -> ChannelPairs:
    noises = [_noises(one) for one in (first, second)]
    pairs: list[Pair | str] = []
    for place, frequency_hz in enumerate(first.frequency_hz):
        missing = [take.tones[place] for take in (first, second) if place not in take.known]
        if missing:
            pairs.append(str(missing[0]))
            continue
        ratio = _response(first, place) / _response(second, place)
        noise = math.hypot(*(one[place] for one in noises))
        pairs.append(Pair(frequency_hz, ratio if phases else complex(abs(ratio)), noise))
    return ChannelPairs(first.column, first.channel, first.frequency_hz, tuple(pairs))


def _response(fitted: FittedChannel, place: int) -> complex:
    tone = fitted.known[place]
    return complex(tone.peak) / fitted.played[place]


def _noises(fitted: FittedChannel) -> dict[int, float]:
    """Return place → relative 95 % half-width of a step's level: noise, its drift, and hum that stands on it."""
    import numpy as np

    from audiomeas.analysis.stepped_response import stepped_response

    known = list(fitted.known)
    if not known:
        return {}
    found = stepped_response(
        list(fitted.known.values()),
        played_hz=np.array([fitted.frequency_hz[place] for place in known]),
        played_peak=np.array([fitted.played[place] for place in known]),
        one_clock=False,
    )
    return dict(zip(known, found.gain_uncertainty.tolist(), strict=True))


def told_magnitude(
    told: Told, key: str, pair: Pair, found: Callable[[complex], complex], others: Sequence[Part], ratio_percent: float
) -> complex:
    """Tell the magnitude of an impedance with its parts; return the impedance.

    found : ratio → impedance.   others : parts of it beside those of the ratio, in ohms.
    """
    impedance = found(pair.ratio)
    # Along and across the impedance alike: an error of the ratio has no known direction.
    per_relative = abs(found(pair.ratio * (1.0 + _STEP)) - impedance) / _STEP
    told.values[key] = abs(impedance)
    told.add(
        key,
        (
            Part(NOISE_AND_FIT, per_relative * pair.noise),
            of_limits(_OF_CARD, per_relative * ratio_percent / 100.0),
            *others,
        ),
    )
    return impedance


def moved_by(found: Callable[[float], complex]) -> float:
    """Return by how much a magnitude moves for a relative change of what it is made of. found : 1 + change → it."""
    return (abs(found(1.0 + _STEP)) - abs(found(1.0 - _STEP))) / (2.0 * _STEP)
