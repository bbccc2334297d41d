"""Crosstalk both ways and both responses from one capture: the sweep on one channel, then on the other.

Crosstalk into a channel is what stands at its output while the other channel is driven, relative to the driven
channel's own output, in negative dB. The classical form drives one channel alone, with the other's input terminated.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement import response
from audiomeas.measurement.base import Figure, Measurement, Option, PlayContext
from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.checks import made
from audiomeas.measurement.clock import on_played_clock
from audiomeas.measurement.crosstalk_values import DirectionFigures, unknown_direction
from audiomeas.measurement.crosstalk_views import charts, tables
from audiomeas.measurement.curves import list_curve
from audiomeas.measurement.response_limits import HIGHEST_PART, deviation_band, refuse_reference_outside
from audiomeas.measurement.response_options import CURVES as RESPONSE_CURVES
from audiomeas.measurement.response_options import FIGURES as RESPONSE_FIGURES
from audiomeas.measurement.response_options import OPTIONS as RESPONSE_OPTIONS
from audiomeas.measurement.response_values import unknown
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.measurement.scale_parts import between_parts
from audiomeas.measurement.steady import over_range_words
from audiomeas.measurement.sweeps import law_of, refuse_other_rate

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from audiomeas.analysis.crosstalk import Arrival, Leakage
    from audiomeas.analysis.deconvolution import SweepLaw
    from audiomeas.recording import Recording
    from audiomeas.stimulus import StaggeredSweeps

#: Options of `response` that mean the same here.
_SHARED = ("from_hz", "to_hz", "reference_hz", "low_hz", "high_hz", "points_per_octave", "same_clock")
#: Two sweeps of this length, with gap and markers, make a capture of five seconds.
_DURATION_S = 1.85
#: Of a capture with an unknown start so much is kept around each sweep: less than the gap, so that it stands alone.
_BEFORE_S, _AFTER_S = 0.3, 0.15
_ONE_OR_TWO = "crosstalk is told between two channels, one or both of them driven"


def _stimulus(context: PlayContext, options: Mapping[str, Any]) -> StaggeredSweeps:
    from audiomeas.stimulus import StaggeredSweeps

    if options["terminated_ohm"] is not None and len(context.channels) > 1:
        raise ValueError(
            "terminated_ohm says that one channel's input is terminated, and both are driven: drive one (channels 1 or "
            "2), or leave terminated_ohm out"
        )
    if len(context.channels) > 2:
        raise ValueError(f"{_ONE_OR_TWO}, not {len(context.channels)}: choose them with channels")
    return StaggeredSweeps.covering(
        from_hz=float(options["from_hz"]),
        to_hz=min(float(options["to_hz"]), HIGHEST_PART * context.sample_rate_hz),
        sample_rate_hz=context.sample_rate_hz,
        duration_s=float(options["duration_s"]),
        level_v_rms=context.input_level_v_rms,
        driven_channels=context.channels,
    )


def _check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for what can never be played or told."""
    sweep = made(_stimulus, context, options).sweep
    refuse_reference_outside(sweep, options)
    deviation_band(sweep, options)


def _analyse(recording: Recording, options: Mapping[str, Any]) -> Result:
    if recording.stimulus_start is None and not recording.shared_clock:
        _Capture.of(recording)  # refuses what holds no such sweep, before its clock is looked for
    capture = _Capture.of(on_played_clock(recording, options))
    if options["terminated_ohm"] is not None and len(capture.stimulus.driven_channels) > 1:
        raise RequestError("terminated_ohm goes with one driven channel, and this stimulus drives both: leave it out")
    warnings, mixed_up = _mixed_up(capture)
    own = response.MEASUREMENT.analyse(_shifted(capture), _response_options(options))
    channels = [_channel(capture, own, channel, mixed_up, options, warnings) for channel in capture.pair]
    return dataclasses.replace(
        own,
        measurement="crosstalk",
        conditions={**own.conditions, **_conditions(capture, options)},
        channels=tuple(channels),
        warnings=tuple(dict.fromkeys((*own.warnings, *warnings))),
    )


def _response_options(options: Mapping[str, Any]) -> dict[str, Any]:
    defaults = {option.name: option.default for option in response.MEASUREMENT.options}
    return {**defaults, **{name: options[name] for name in _SHARED}}


# -- the capture -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Capture:
    """A recording of staggered sweeps that is known to hold what is needed.

    start : frame at which the first sweep begins (found when the recording does not know).  pair : the two channels.
    """

    recording: Recording
    stimulus: StaggeredSweeps
    law: SweepLaw
    played: NDArray[np.float64]
    start: int
    pair: tuple[int, int]

    @classmethod
    def of(cls, recording: Recording) -> _Capture:
        """Raises SignalError: another stimulus, another rate, fewer than two channels, silence, a cut capture."""
        stimulus = _stimulus_of(recording)
        sweep = stimulus.sweep
        pair = _pair(recording, stimulus)
        made = cls(
            recording=_in_one_unit(recording, pair),
            stimulus=stimulus,
            law=law_of(sweep),
            played=sweep.samples_v(),
            start=0,
            pair=pair,
        )
        return dataclasses.replace(made, start=made._found_start())

    def _found_start(self) -> int:
        from audiomeas.analysis.crosstalk import find_start

        if self.recording.stimulus_start is not None:
            return self.recording.stimulus_start
        slots = len(self.stimulus.driven_channels)
        return find_start(self.samples(), self.played, self.law, self.stimulus.period_frames, slots)

    def samples(self) -> NDArray[np.float64]:
        """Return the two channels, (frames, 2), in one unit."""
        import numpy as np

        return np.stack([self.signal(channel) for channel in self.pair], axis=1)

    def signal(self, channel: int) -> NDArray[np.float64]:
        """Return one channel's samples."""
        import numpy as np

        return np.ascontiguousarray(self.recording.signal(self.recording.column(channel)))

    def slot(self, channel: int) -> int:
        """Return the frame at which a driven channel's sweep begins."""
        return self.start + self.stimulus.offset_frames(channel)

    def other(self, channel: int) -> int:
        """Return the other one of the two channels."""
        return self.pair[1] if channel == self.pair[0] else self.pair[0]


def _stimulus_of(recording: Recording) -> StaggeredSweeps:
    from audiomeas.stimulus import StaggeredSweeps, Sweep

    stimulus = recording.stimulus
    if stimulus is None:
        raise SignalError("crosstalk needs the sweeps that were played: give them with --stimulus FILE")
    # Not one whose level varies: it would be taken for a plain one.
    if type(stimulus) is Sweep and len(stimulus.driven_channels) == 1:
        stimulus = StaggeredSweeps.of(stimulus, gap_s=1.0)
    if not isinstance(stimulus, StaggeredSweeps):
        raise SignalError(
            f"crosstalk needs a sweep on one channel at a time, and this capture goes with the stimulus "
            f"{stimulus.kind!r}: play `generate staggered-sweeps`, or a sweep on one channel"
        )
    if len(stimulus.driven_channels) > 2:
        raise SignalError(f"{_ONE_OR_TWO}, and this stimulus drives {len(stimulus.driven_channels)}")
    refuse_other_rate(recording, stimulus, "sweeps")
    return stimulus


def _pair(recording: Recording, stimulus: StaggeredSweeps) -> tuple[int, int]:
    """Return the two channels between which crosstalk is told."""
    driven = [channel for channel in recording.channels if channel in stimulus.driven_channels]
    if len(driven) < len(stimulus.driven_channels):
        missing = [channel for channel in stimulus.driven_channels if channel not in recording.channels]
        raise SignalError(f"driven channel {missing[0]} was not captured: capture both channels")
    others = [channel for channel in recording.channels if channel not in driven]
    if len(driven) + len(others) < 2:
        raise SignalError("crosstalk needs captures of two channels, and this one holds one: capture both")
    first, second = sorted([*driven, *others][:2])
    return first, second


def _in_one_unit(recording: Recording, pair: tuple[int, int]) -> Recording:
    """Return a recording of the pair; without volts where one of the two lacks them, since they are compared."""
    import numpy as np

    columns = [recording.column(channel) for channel in pair]
    scales = tuple(recording.v_rms_at_full_scale[column] for column in columns)
    known = None not in scales
    return dataclasses.replace(
        recording,
        counts_fs=np.ascontiguousarray(recording.counts_fs[:, columns]),
        channels=pair,
        v_rms_at_full_scale=scales if known else (None, None),
        scale_uncertainty=_of(recording.scale_uncertainty, columns) if known else (),
        over_range=_of(recording.over_range, columns),
    )


def _of(values: tuple[Any, ...], columns: list[int]) -> tuple[Any, ...]:
    return tuple(values[column] for column in columns) if values else ()


def _shifted(capture: _Capture) -> Recording:
    """Return the capture as if all driven channels had played together: what `response` takes."""
    import numpy as np

    recording, law = capture.recording, capture.law
    offsets = [capture.stimulus.offset_frames(c) if c in capture.stimulus.driven_channels else 0 for c in capture.pair]
    # With a known start a unit may delay the sweep; with one that was found, what lies further away is another sweep.
    known = recording.stimulus_start is not None
    first = 0 if known else max(0, capture.start - round(_BEFORE_S * law.sample_rate_hz))
    stop = recording.frames - max(offsets)
    if not known:
        stop = min(stop, capture.start + law.frames + round(_AFTER_S * law.sample_rate_hz))
    columns = [
        recording.counts_fs[first + offset : max(stop, first) + offset, column] for column, offset in enumerate(offsets)
    ]
    return dataclasses.replace(
        recording,
        counts_fs=np.stack(columns, axis=1),
        stimulus=capture.stimulus.sweep,
        stimulus_start=capture.start - first if known else None,
    )


# -- where the sweeps came back --------------------------------------------------------------------------------------


def _mixed_up(capture: _Capture) -> tuple[list[str], set[int]]:
    """Return what is said of mixed-up channels, and those that don't carry their own sweep.

    Raises SignalError when the two are swapped.
    """
    from audiomeas.analysis.crosstalk import arrivals, routing

    driven = capture.stimulus.driven_channels
    samples = capture.samples()
    heard = {channel: arrivals(samples, capture.played, capture.law, capture.slot(channel)) for channel in driven}
    if len(driven) == 1:
        _refuse_other_way_round(capture, driven[0], heard[driven[0]])
        return [], set()
    first, second = capture.pair
    own = (heard[first][0], heard[second][1])
    across = (heard[second][0], heard[first][1])
    warnings = []
    mixed_up = set()
    for found in routing(own, across):
        if found.kind == "swapped":
            raise SignalError(
                f"the channels are swapped: what was played on channel {first} came back on channel {second}, and the "
                "other way round; cross the cables at one end only once, then measure again"
            )
        if found.kind == "mono":
            warnings.append(
                "both outputs carry the same sound: a mono switch is pressed, or inputs or outputs are connected; the "
                "crosstalk is that of this state"
            )
            continue
        assert found.index is not None
        channel = capture.pair[found.index]
        mixed_up.add(channel)
        if found.kind == "silent":
            warnings.append(
                f"channel {channel} is silent: crosstalk into it says nothing; check its cables, balance and output"
            )
        else:
            warnings.append(
                f"channel {channel} carries what was played on channel {capture.other(channel)}, not its own: check "
                "the cables, the balance and a mono switch"
            )
    return warnings, mixed_up


def _refuse_other_way_round(capture: _Capture, driven: int, heard: tuple[Arrival, ...]) -> None:
    own, other = heard[capture.pair.index(driven)], heard[capture.pair.index(capture.other(driven))]
    if other.heard and other.level > math.sqrt(10.0) * own.level:
        raise SignalError(
            f"the channels are swapped: what was played on channel {driven} came back on channel "
            f"{capture.other(driven)}; connect it to the driven channel, then measure again"
        )


# -- channels --------------------------------------------------------------------------------------------------------


def _channel(
    capture: _Capture,
    own: Result,
    channel: int,
    mixed_up: set[int],
    options: Mapping[str, Any],
    warnings: list[str],
) -> ChannelResult:
    """Return a channel's response and what leaks into it."""
    there = {one.channel: one for one in own.channels}
    mine = there.get(channel) or ChannelResult(channel=channel, values=unknown(options))
    driven = capture.other(channel)
    source = there.get(driven)
    if source is None or not source.values["frequency_hz"] or driven in mixed_up:
        nothing = unknown_direction(len(mine.values["frequency_hz"]), driven if source is not None else None)
        return dataclasses.replace(mine, values={**mine.values, **nothing})
    frequency_hz = source.values["frequency_hz"]
    silent = channel in capture.stimulus.driven_channels and not mine.values["frequency_hz"]
    leakage = None if silent else _leakage(capture, channel, driven, frequency_hz, warnings)
    if not mine.values["frequency_hz"]:
        # Lists that stand beside frequency_hz are as long as it is, though nothing of its own is known.
        curves = {key: [None] * len(frequency_hz) for key, value in mine.values.items() if value == []}
        own_values = {**mine.values, **curves, "frequency_hz": list(frequency_hz), "harmonics": []}
        mine = dataclasses.replace(mine, values=own_values)
    if leakage is None:
        return dataclasses.replace(mine, values={**mine.values, **unknown_direction(len(frequency_hz), driven)})
    figures = DirectionFigures(
        leakage=leakage,
        frequency_hz=frequency_hz,
        driven_channel=driven,
        band_hz=deviation_band(capture.stimulus.sweep, options),
        scale=between_parts(capture.recording, *(capture.recording.column(one) for one in (channel, driven))),
    )
    leaked = figures.told()
    return dataclasses.replace(
        mine,
        values={**mine.values, **leaked.values},
        uncertainty={**mine.uncertainty, **leaked.uncertainty},
        bound={**mine.bound, **leaked.bound},
        budget={**mine.budget, **leaked.budget},
    )


def _leakage(
    capture: _Capture, channel: int, driven: int, frequency_hz: list[float], warnings: list[str]
) -> Leakage | None:
    import numpy as np

    from audiomeas.analysis.crosstalk import analyze_leakage

    column = capture.recording.column(channel)
    reason = over_range_words(capture.recording, column, channel)
    if reason is not None:
        warnings.append(reason)
        return None
    named = [hz for hz in (1000.0, 10_000.0) if frequency_hz[0] <= hz <= frequency_hz[-1]]
    try:
        found = analyze_leakage(
            capture.signal(driven),
            capture.signal(channel),
            capture.played,
            capture.law,
            start_frame=capture.slot(driven),
            frequency_hz=np.union1d(frequency_hz, named),
            resolution=capture.recording.resolution(column),
        )
    except SignalError as error:
        warnings.append(f"crosstalk from channel {driven} into channel {channel}: {error}")
        return None
    if found.event is not None:
        warnings.append(
            f"channel {channel}: a click or a lost sample {found.event.time_s:.2f} s after the beginning of channel "
            f"{driven}'s sweep: its crosstalk can't be trusted; capture it again"
        )
        return None
    return found


def _conditions(capture: _Capture, options: Mapping[str, Any]) -> dict[str, Any]:
    driven = capture.stimulus.driven_channels
    if len(driven) > 1:
        form = "both channels driven in turn within one capture; the other input stays connected to a silent output"
    elif options["terminated_ohm"] is not None:
        form = f"one channel driven; the other's input terminated with {options['terminated_ohm']:g} ohm"
    else:
        form = "one channel driven; the other's input connected to a silent output, unless it was unplugged"
    in_volts = capture.recording.calibrated
    return {
        "crosstalk_form": form,
        "crosstalk_reference": "the driven channel's output at the same frequency, "
        + ("in volts" if in_volts else "in fractions of full scale (both inputs taken for equally sensitive)"),
        "crosstalk_mean": "complex, over 1/12 octave",
        "crosstalk_includes": "the interface's own crosstalk (measure it with a loop cable in place of the unit)",
        "terminated_ohm": options["terminated_ohm"],
        "uncertainty_covers": f"noise, method and scale; {own_words(capture.recording, response=False)}",
        "stimulus_s": capture.stimulus.frames / capture.stimulus.sample_rate_hz,
    }


def _options() -> tuple[Option, ...]:
    shared = {option.name: option for option in RESPONSE_OPTIONS}
    return (
        Option(
            name="duration_s",
            kind="number",
            help="length of each channel's sweep in seconds",
            default=_DURATION_S,
            at_least=0.5,
            at_most=60.0,
        ),
        *(shared[name] for name in _SHARED),
        Option(
            name="terminated_ohm",
            kind="number",
            help="one channel driven: resistance that terminates the other's input",
            default=None,
            at_least=0.0,
            stage="analyse",
        ),
    )


MEASUREMENT = Measurement(
    word="crosstalk",
    summary="Crosstalk both ways and both responses against frequency, from one capture of five seconds",
    example='crosstalk --input-level "100 mV"',
    options=_options(),
    figures=(
        Figure(key="crosstalk_at_1khz_db", unit="dB", words="crosstalk from the other channel at 1 kHz"),
        Figure(key="crosstalk_at_10khz_db", unit="dB", words="crosstalk from the other channel at 10 kHz"),
        Figure(key="worst_crosstalk_db", unit="dB", words="largest crosstalk from the other channel within the band"),
        *RESPONSE_FIGURES,
    ),
    stimulus=_stimulus,
    analyse=_analyse,
    tables=tables,
    charts=charts,
    needs_stimulus=True,
    check=_check,
    curves=(
        list_curve(
            "crosstalk_db",
            unit="dB",
            words="crosstalk",
            uncertainty_key="crosstalk_uncertainty_db",
            bound_key="crosstalk_bound",
        ),
        *RESPONSE_CURVES,
    ),
)
