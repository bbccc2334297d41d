"""What stepped sines tell of each channel: steps that can be told and steps that can't, figures, clock."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from audiomeas.bench.parts import Part
from audiomeas.errors import SignalError
from audiomeas.measurement.bench_own import with_response
from audiomeas.measurement.budget import Told
from audiomeas.measurement.response_limits import is_absolute
from audiomeas.measurement.response_values import ChannelFigures, harmonic_facts, unknown
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.result import ChannelResult
from audiomeas.measurement.scale_parts import gain_parts
from audiomeas.measurement.stepped import Step, places, refuse_breaks, refuse_over_range

if TYPE_CHECKING:
    from audiomeas.analysis.stepped_response import SteppedResponse, StepTone
    from audiomeas.recording import Recording
    from audiomeas.stimulus import SteppedSines

#: Hum is worth a word from this part of a tone on (0.001 dB).
_HUM_WORTH = 1e-4
#: One clock: frequencies come back to this (relative), or to six times their uncertainty.
_SAME_FREQUENCY = 1e-8
_SURE = 6.0
#: Keys that compare a channel with the first one: made of the steps that both have.
_OF_TWO = ("balance", "interchannel")


@dataclasses.dataclass(frozen=True)
class FittedChannel:
    """The steps of one channel, low ones first.

    played : complex peak value at the input in the middle of each window.   tones : what was fitted, or why not.
    """

    column: int
    channel: int
    frequency_hz: tuple[float, ...]
    played: tuple[complex, ...]
    tones: tuple[StepTone | str, ...]

    @property
    def known(self) -> dict[int, StepTone]:
        """Place → tone of the steps that can be told."""
        return {place: tone for place, tone in enumerate(self.tones) if not isinstance(tone, str)}


@dataclasses.dataclass(frozen=True)
class Clock:
    """Whether one clock played and captured; by how much the frequencies came back off, with its 95 % half-width."""

    is_one: bool
    offset_ppm: float | None
    uncertainty_ppm: float | None
    warnings: tuple[str, ...] = ()


def driven_columns(recording: Recording, stimulus: SteppedSines) -> list[int]:
    """Return the columns of the captured channels on which the steps were played."""
    return [column for column, channel in enumerate(recording.channels) if channel in stimulus.driven_channels]


def fitted_channels(recording: Recording, stimulus: SteppedSines, steps: Sequence[Step]) -> list[FittedChannel]:
    """Fit each step of each driven channel. Raises SignalError when none was driven, or no step can be told."""
    order = sorted(range(len(steps)), key=lambda place: steps[place].frequency_hz)
    played = [_played(recording, stimulus, start, step) for start, step in zip(stimulus.starts(), steps, strict=True)]
    found = [
        FittedChannel(
            column=column,
            channel=recording.channels[column],
            frequency_hz=tuple(steps[place].frequency_hz for place in order),
            played=tuple(played[place] for place in order),
            tones=tuple(_tried(recording, column, steps[place]) for place in order),
        )
        for column in driven_columns(recording, stimulus)
    ]
    if not found:
        raise SignalError("none of the captured channels was driven: there are no steps in them")
    if not any(one.known for one in found):
        raise SignalError(_problems(found[0])[0])
    return found


def _played(recording: Recording, stimulus: SteppedSines, start: int, step: Step) -> complex:
    """Return the complex peak value of a step in the middle of its window, phase as of a sine."""
    assert recording.stimulus_start is not None
    middle = (step.span.start + step.span.stop - 1) / 2 - recording.stimulus_start
    turns = math.remainder(step.frequency_hz * (middle - start) / stimulus.sample_rate_hz, 1.0)
    peak_v = math.sqrt(2.0) * step.level_v_rms
    return complex(peak_v * math.cos(2.0 * math.pi * turns), peak_v * math.sin(2.0 * math.pi * turns))


def _tried(recording: Recording, column: int, step: Step) -> StepTone | str:
    """Return what a step tells, or why it tells nothing."""
    try:
        return _fitted(recording, column, step)
    except SignalError as error:
        return str(error)


def _fitted(recording: Recording, column: int, step: Step) -> StepTone:
    import numpy as np

    from audiomeas.analysis.stepped_response import fit_step

    refuse_over_range(recording, column, step.span)
    part = recording.window(step.span.start, step.span.stop)
    signal = np.ascontiguousarray(part.signal(column))
    if np.any(signal):
        refuse_breaks(signal, part.sample_rate_hz, step.frequency_hz)
    return fit_step(signal, part.sample_rate_hz, near_hz=step.frequency_hz, resolution=recording.resolution(column))


def _problems(one: FittedChannel) -> list[str]:
    """Return why steps of a channel can't be told, each reason once."""
    reasons: dict[str, list[str]] = {}
    for frequency_hz, tone in zip(one.frequency_hz, one.tones, strict=True):
        if isinstance(tone, str):
            reasons.setdefault(tone, []).append(hertz(frequency_hz))
    return [f"channel {one.channel}: {reason} ({places(where, len(one.tones))})" for reason, where in reasons.items()]


def clock_of(found: Sequence[FittedChannel], *, one_clock: bool) -> Clock:
    """Return what the fitted frequencies tell of the clock. one_clock : what is known or claimed of it."""
    ratios = [
        (tone.frequency_hz / one.frequency_hz[place] - 1.0, tone.tone.frequency_uncertainty_hz / tone.frequency_hz)
        for one in found
        for place, tone in one.known.items()
    ]
    weights = [1.0 / (uncertainty**2 + _SAME_FREQUENCY**2) for _, uncertainty in ratios]
    offset = sum(weight * ratio for weight, (ratio, _) in zip(weights, ratios, strict=True)) / sum(weights)
    uncertainty = math.sqrt(1.0 / sum(weights))
    said = (1e6 * offset, 1e6 * uncertainty)
    if not one_clock:
        return Clock(False, *said)
    if abs(offset) <= max(_SAME_FREQUENCY, _SURE * uncertainty):
        return Clock(True, None, None)
    return Clock(
        False,
        *said,
        warnings=(
            f"the steps came back {1e6 * offset:+.3g} ppm off, although one clock was said to play and capture: "
            "no phase is told",
        ),
    )


def channel_results(
    recording: Recording,
    found: Sequence[FittedChannel],
    clock: Clock,
    options: Mapping[str, Any],
    band_hz: tuple[float, float],
) -> tuple[tuple[ChannelResult, ...], list[str]]:
    """Return each channel's result, and what is to be said of its steps."""
    absolute = is_absolute(recording, [one.column for one in found])
    results, said, base = [], [], None
    for one in found:
        said += _problems(one)
        reason = _untellable(one, options["reference_hz"], band_hz)
        if reason is not None:
            said.append(f"channel {one.channel}: {reason}")
            results.append(ChannelResult(channel=one.channel, values={**unknown(options), "missing": _missing(one)}))
            continue
        response = _response(one, clock.is_one)
        said += _hum_words(one, response)
        maker = _Maker(recording, one, response, clock, absolute, options, band_hz)
        base = maker if one is found[0] else base
        results.append(maker.result(base if absolute and len(found) > 1 else None))
    return tuple(results), said


def _untellable(one: FittedChannel, reference_hz: float, band_hz: tuple[float, float]) -> str | None:
    known_hz = [one.frequency_hz[place] for place in one.known]
    if not known_hz:
        return "no step of it can be told"
    if reference_hz not in known_hz:
        return f"the step at the reference of {hertz(reference_hz)} can't be told, and so no response"
    if not any(band_hz[0] <= hz <= band_hz[1] for hz in known_hz):
        return "no step within the band of the deviation can be told, and so no response"
    return None


def _missing(one: FittedChannel) -> list[dict[str, Any]]:
    steps = zip(one.frequency_hz, one.tones, strict=True)
    return [{"frequency_hz": hz, "reason": tone} for hz, tone in steps if isinstance(tone, str)]


def _hum_words(one: FittedChannel, response: SteppedResponse) -> list[str]:
    where = [
        hertz(float(hz)) for hz, part in zip(response.frequency_hz, response.hum, strict=True) if part > _HUM_WORTH
    ]
    if not where:
        return []
    return [
        f"channel {one.channel}: hum falls on a step and may add to it or take from it, which is in its uncertainty "
        f"({places(where, len(one.tones))}): step some Hz beside"
    ]


def _response(one: FittedChannel, one_clock: bool) -> SteppedResponse:
    import numpy as np

    from audiomeas.analysis.stepped_response import stepped_response

    return stepped_response(
        list(one.known.values()),
        played_hz=np.array([one.frequency_hz[place] for place in one.known]),
        played_peak=np.array([one.played[place] for place in one.known]),
        one_clock=one_clock,
    )


def _of_two(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return those of some facts that compare two channels."""
    return {key: value for key, value in facts.items() if key.startswith(_OF_TWO)}


class _Maker:
    """Makes one channel's values, with null at the steps that can't be told."""

    def __init__(
        self,
        recording: Recording,
        fitted: FittedChannel,
        response: SteppedResponse,
        clock: Clock,
        absolute: bool,
        options: Mapping[str, Any],
        band_hz: tuple[float, float],
    ) -> None:
        self.fitted, self.response = fitted, with_response(response, recording, fitted.channel)
        self.scale = gain_parts(recording, fitted.column)
        self._clock, self._absolute, self._options, self._band_hz = clock, absolute, options, band_hz

    def result(self, base: _Maker | None) -> ChannelResult:
        """Return the channel's result. base : the channel that it is compared with."""
        places_known = list(self.fitted.known)
        alone = self._figures(self.response, None, ())
        values = self._full(alone.values, places_known)
        told = Told(values, dict(alone.uncertainty), budget={key: tuple(parts) for key, parts in alone.budget.items()})
        if base is not None:
            self._tell_against(told, base)
        values["frequency_hz"] = [round(hz, 6) for hz in self.fitted.frequency_hz]
        values["harmonics"] = [
            facts for one in self.response.harmonics if (facts := harmonic_facts(one, every=1)) is not None
        ]
        values["missing"] = _missing(self.fitted)
        return told.result(self.fitted.channel)

    def _tell_against(self, told: Told, base: _Maker) -> None:
        """Tell what compares two channels, from the steps that both have."""
        both = [place for place in self.fitted.known if place in base.fitted.known]
        inside = [hz for hz in (self.fitted.frequency_hz[place] for place in both) if self._is_inside(hz)]
        if self._options["reference_hz"] not in (self.fitted.frequency_hz[place] for place in both) or not inside:
            return
        own = self._chosen(both)
        other = own if base is self else base._chosen(both)
        pair = self._figures(own, other, base.scale)
        told.values.update(self._full(_of_two(pair.values), both))
        told.uncertainty.update(_of_two(pair.uncertainty))
        told.budget.update(_of_two(pair.budget))

    def _is_inside(self, frequency_hz: float) -> bool:
        return self._band_hz[0] <= frequency_hz <= self._band_hz[1]

    def _chosen(self, wanted: Sequence[int]) -> SteppedResponse:
        """Return the response at some of its steps."""
        rows = [row for row, place in enumerate(self.fitted.known) if place in wanted]
        names = ("frequency_hz", "response", "gain_uncertainty", "phase_uncertainty_deg", "hum")
        return dataclasses.replace(self.response, **{name: getattr(self.response, name)[rows] for name in names})

    def _full(self, values: Mapping[str, Any], of: Sequence[int]) -> dict[str, Any]:
        """Return values whose lists, made of the steps `of`, have one place for each step."""
        return {
            key: self._spread(value, of) if isinstance(value, list) and len(value) == len(of) else value
            for key, value in values.items()
        }

    def _spread(self, values: Sequence[Any], of: Sequence[int]) -> list[Any]:
        found: list[Any] = [None] * len(self.fitted.tones)
        for place, value in zip(of, values, strict=True):
            missing = isinstance(value, float) and not math.isfinite(value)
            found[place] = None if missing else value
        return found

    def _figures(
        self, response: SteppedResponse, base: SteppedResponse | None, base_scale: tuple[Part, ...] | None
    ) -> ChannelResult:
        return ChannelFigures(
            channel=self.fitted.channel,
            response=dataclasses.replace(response, harmonics=()),
            base=base,
            scale=self.scale,
            base_scale=base_scale,
            absolute=self._absolute,
            same_clock=self._clock.is_one,
            band_hz=self._band_hz,
            reference_hz=self._options["reference_hz"],
        ).result()
