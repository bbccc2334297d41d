"""The two windows of a wave that repeats, as its measurements analyse them: on the played clock, without the bench."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

from audiomeas.errors import SignalError
from audiomeas.measurement.base import Option
from audiomeas.measurement.budget import Told
from audiomeas.measurement.response_loopback import AGAIN, refuse_other_bench
from audiomeas.measurement.result import Result, result_of
from audiomeas.measurement.steady import loudest_column, over_range_words, refuse_gaps, samples
from audiomeas.measurement.sudden import words_beside_wave

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from audiomeas.measurement.attached import Attached
    from audiomeas.recording import Recording
    from audiomeas.stimulus.periodic import PeriodicWave

Wave = TypeVar("Wave", bound="PeriodicWave")
#: Enters the figures of a column, of a recording whose windows stand, by the factors that take the bench out (None:
#: nothing does); returns what is to be said of it.
Tell = Callable[[Told, "Recording", int, Wave, Any], list[str]]
#: A loopback whose lines are off by more than this from what was played is none.
_LARGEST_CORRECTION = 2.0**0.5
LOOPBACK_OPTION = Option(
    name="loopback",
    kind="recording",
    help="A capture of the same wave through the cable alone: what the bench adds is taken out.",
    stage="analyse",
)


def wave_stimulus_options() -> tuple[Option, Option]:
    """Return the options that shape both windows of a wave."""
    return (
        Option(
            name="window_s",
            kind="number",
            help="Length of each of the two windows that are averaged.",
            default=1.0,
            at_least=0.2,
            at_most=60.0,
        ),
        Option(
            name="quiet_below_db",
            kind="number",
            help="How far below the level the wave is played first, for comparison.",
            default=20.0,
            at_least=6.0,
            at_most=40.0,
        ),
    )


def result_of_wave(
    recording: Recording,
    options: Mapping[str, Any],
    *,
    word: str,
    kind: type[Wave],
    keys: Sequence[str],
    lists: Sequence[str],
    conditions: Callable[[Wave], Mapping[str, Any]],
    tell: Tell[Wave],
) -> Result:
    """Return the result of a wave's capture: each channel that played, by `tell`; the others have no values.

    keys, lists : of a channel's values, null and empty until they are told.   conditions : beside those that all waves
    have.   Raises SignalError when no channel can be told.
    """
    wave = _of_kind(recording, kind, word)
    recording = _windows_of(recording, wave)
    factors, compensation = _corrections(options, recording, wave)
    channels, warnings, found = [], [], 0
    for column, channel in enumerate(recording.channels):
        told = Told({**dict.fromkeys(keys), **{key: [] for key in lists}})
        reason = _refusal(recording, column)
        if reason is None and channel in wave.driven_channels:
            try:
                lines = tell(told, recording, column, wave, factors.get(channel))
                warnings += [f"channel {channel}: {line}" for line in lines]
                for span in _spans(recording, wave):
                    warnings += words_beside_wave(recording, column, span, wave.frequency_hz)
                found += 1
            except SignalError as error:
                reason = f"channel {channel}: {error}"
        warnings += [] if reason is None else [reason]
        channels.append(told.result(channel))
    if not found:
        raise SignalError("; ".join(dict.fromkeys(warnings)) or "the capture holds none of the channels that played")
    return result_of(
        recording,
        word,
        conditions={**_conditions(wave), **conditions(wave), **compensation},
        channels=tuple(channels),
        warnings=tuple(warnings),
    )


def _conditions(wave: PeriodicWave) -> dict[str, Any]:
    return {
        "input_peak_v": wave.peak_v,
        "quiet_below_db": wave.quiet_below_db,
        "band_hz": [wave.frequency_hz, wave.band_hz],
        "averages": wave.periods,
        "driven_channels": list(wave.driven_channels),
        "uncertainty_covers": "noise, method, and scale of volts; not the bench's own response without a loopback",
    }


def _of_kind(recording: Recording, kind: type[Wave], word: str) -> Wave:
    """Return the stimulus of a capture. Raises SignalError when it is another one."""
    stimulus = recording.stimulus
    if not isinstance(stimulus, kind):
        played = "nothing known" if stimulus is None else repr(stimulus.kind)
        raise SignalError(
            f"{word} needs its own stimulus ({kind.kind!r}), and that of this capture is {played}: write one with "
            f"`audiomeas generate {word}`"
        )
    return stimulus


def _windows_of(recording: Recording, wave: PeriodicWave) -> Recording:
    """Return a recording whose windows stand where the stimulus says, by the clock that played.

    A capture by another clock is found by its first marker and stretched by what its lines tell.
    Raises SignalError: no marker found, a capture that is cut, or gaps in it.
    """
    if not recording.shared_clock or recording.stimulus_start is None:
        recording = _on_played_clock(recording, wave)
    for span in _spans(recording, wave):
        refuse_gaps(recording, span)
    return recording


def _spans(recording: Recording, wave: PeriodicWave) -> tuple[slice, ...]:
    """Return the frames of the quiet and of the loud window."""
    from audiomeas.recording import stimulus_slice

    return tuple(stimulus_slice(recording, window.start, window.stop) for window in wave.windows())


def _on_played_clock(recording: Recording, wave: PeriodicWave) -> Recording:
    import dataclasses

    import numpy as np

    from audiomeas.analysis.interpolation import sampled_at
    from audiomeas.analysis.multitone import time_scale
    from audiomeas.recording import CUT, stimulus_slice

    start = _start(recording)
    _, loud = wave.windows()
    lines_hz = wave.orders * wave.frequency_hz
    strong = np.abs(wave.lines_v) > 0.05 * float(np.max(np.abs(wave.lines_v)))
    column = loudest_column(recording)
    about = stimulus_slice(dataclasses.replace(recording, stimulus_start=round(start)), loud.start, loud.stop)
    heard = np.ascontiguousarray(recording.counts_fs[about, column])
    scale = time_scale(heard, recording.sample_rate_hz, lines_hz[strong].tolist())
    places = start + np.arange(wave.frames) / scale
    places = places[(places > 16.0) & (places < recording.frames - 16.0)]
    if len(places) < wave.frames:
        raise SignalError(CUT)
    laid = np.stack(
        [sampled_at(recording.counts_fs[:, place], places) for place in range(len(recording.channels))], axis=1
    )
    conditions = {**recording.conditions, "clock_offset_ppm": (scale - 1.0) * 1e6}
    return dataclasses.replace(recording, counts_fs=laid, stimulus_start=0, shared_clock=True, conditions=conditions)


def _start(recording: Recording) -> float:
    """Return the frame at which the stimulus begins, by the marker before it."""
    from audiomeas.analysis.alignment import find
    from audiomeas.stimulus.marker import marker

    if recording.stimulus_start is not None:
        return float(recording.stimulus_start)
    chirp = marker(recording.sample_rate_hz)
    if recording.markers is None or recording.frames < len(chirp):
        raise SignalError(
            "where the wave begins in this capture is not known: play it with its markers (`audiomeas generate` writes "
            "them), and capture from before the first to after the last"
        )
    found = find(recording.counts_fs[: recording.frames * 2 // 3, loudest_column(recording)], chirp)
    if not found.certain:
        raise SignalError("the marker before the wave was not found: capture from before it to after the last one")
    return found.frame - recording.markers[0]


def window_samples(recording: Recording, wave: PeriodicWave, column: int) -> tuple[Any, Any]:
    """Return the samples of the quiet and of the loud window of a channel, (frames,) each."""
    quiet, loud = _spans(recording, wave)
    return samples(recording, column, quiet), samples(recording, column, loud)


def _refusal(recording: Recording, column: int) -> str | None:
    """Return why a channel can't be told, or None."""
    return over_range_words(recording, column, recording.channels[column])


def played_lines(wave: PeriodicWave) -> NDArray[np.complex128]:
    """Return the lines that were played, (highest,), orders from 1 on; zero where none was."""
    import numpy as np

    lines = np.zeros(int(wave.orders[-1]), dtype=np.complex128)
    lines[np.rint(wave.orders).astype(np.intp) - 1] = wave.lines_v
    return lines


def _corrections(
    options: Mapping[str, Any], recording: Recording, wave: Wave
) -> tuple[dict[int, NDArray[np.complex128]], dict[str, Any]]:
    """Return channel → factors of its lines that take the bench out, and conditions; nothing without a loopback.

    Between the lines that were played, the factor is that of its neighbours. The level stays: the loopback counts as 1
    at its strongest line. Raises SignalError: a loopback of another wave, rate or range, or off by more than 3 dB.
    """
    attached: Attached | None = options.get("loopback")
    if attached is None:
        return {}, {}
    where = f"the loopback {attached.name}"
    loop = attached.recording
    loop_wave = _wave_of(loop, recording, wave, where)
    loop = _windows_of(loop, loop_wave)
    found = {channel: _factors(loop, loop_wave, channel, where) for channel in recording.channels}
    facts = {"file": attached.name, "sha256": attached.sha256, "level": "1 at the strongest line"}
    return found, {"loopback": facts, "compensation": "lines divided by those of the loopback of each channel"}


def _wave_of(loop: Recording, recording: Recording, wave: Wave, where: str) -> Wave:
    """Return the wave of a loopback: that of the capture, but for its level and channels."""
    import dataclasses

    played = loop.stimulus
    if not isinstance(played, type(wave)):
        raise SignalError(f"{where} holds no {wave.kind!r}: {AGAIN}")
    if dataclasses.replace(played, peak_v=wave.peak_v, driven_channels=wave.driven_channels) != wave:
        raise SignalError(f"{where} is of another wave, or of another rate: {AGAIN}")
    refuse_other_bench(loop, recording, where)
    return played


def _factors(loop: Recording, wave: PeriodicWave, channel: int, where: str) -> NDArray[np.complex128]:
    import numpy as np

    from audiomeas.analysis.periodic import part_lines
    from audiomeas.stimulus.periodic import PARTS

    if channel not in loop.channels:
        raise SignalError(f"{where} holds no channel {channel}: capture the loopback of all channels")
    if words := _refusal(loop, loop.column(channel)):
        raise SignalError(f"{where}, {words}")
    _, loud = window_samples(loop, wave, loop.column(channel))
    lines = part_lines(loud, PARTS, wave.periods // PARTS, int(wave.orders[-1])).mean(axis=0)
    places = np.rint(wave.orders).astype(np.intp) - 1
    ratio = lines[places] / wave.lines_v
    heard = np.abs(wave.lines_v) > 1e-3 * float(np.max(np.abs(wave.lines_v)))
    size = np.abs(ratio) / float(np.abs(ratio[int(np.argmax(np.abs(wave.lines_v)))]))
    if not bool(np.all((size[heard] < _LARGEST_CORRECTION) & (size[heard] > 1.0 / _LARGEST_CORRECTION))):
        raise SignalError(f"{where} is off by more than 3 dB: that is no loopback; capture it again through the cable")
    every = np.arange(1, int(wave.orders[-1]) + 1, dtype=np.float64)
    turned = np.unwrap(np.angle(ratio[heard]))
    phase = np.interp(every, wave.orders[heard], turned)
    return np.asarray(np.exp(-1j * phase) / np.interp(every, wave.orders[heard], size[heard]))
