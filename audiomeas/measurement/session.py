"""One bench with one unit connected: first look, gates, level setting, capture, alignment, analysis.

Every command that sounds goes through here, so that none can pass a ceiling.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from audiomeas.bench.cautions import POWER_CAUTIONS
from audiomeas.bench.interlock import (
    AT_INPUT,
    AT_OUTPUT,
    BELOW_CEILING_DB,
    BeyondCeiling,
    Prediction,
    first_look_v_rms,
    largest_sine,
    predict,
    refuse_beyond,
)
from audiomeas.bench.loudspeakers import refuse_long_high, refuse_output_level
from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.errors import CaptureError, InterlockRefusal, RequestError, SignalError
from audiomeas.interface.listening import sample_blocks
from audiomeas.interface.protocol import StreamFormat
from audiomeas.interface.transport import (
    STOPPED_BY_INPUT,
    Also,
    Capture,
    beyond_ceiling,
    interrupted,
    to_fractions,
)
from audiomeas.measurement.attached import with_recordings
from audiomeas.measurement.base import LISTEN_ONLY, Measurement, PlayContext, SearchContext
from audiomeas.measurement.first_look import FirstLook, FirstMarkers, first_look_sweeps, read_first_look
from audiomeas.measurement.lasting import refuse_lasting
from audiomeas.measurement.load_gate import LoadGate
from audiomeas.measurement.options import complete
from audiomeas.measurement.raised_gain import FollowedGain, refuse_too_much_gain
from audiomeas.measurement.result import Result
from audiomeas.measurement.scale_parts import input_level_conditions, scale_conditions
from audiomeas.measurement.trust import (
    Aligned,
    NothingCameBackError,
    RepeatableCaptureError,
    align,
    look_for_breaks,
    over_range_frames,
    refuse_nonsense,
    refuse_over_range,
)
from audiomeas.recording import Provenance, Recording, step_of_codes
from audiomeas.recording_blocks import open_recording
from audiomeas.stimulus import (
    BurstSeries,
    Silence,
    Sine,
    SteppedSines,
    Stimulus,
    ToneAndSilence,
    played_samples_v,
)
from audiomeas.stimulus.marker import Playlist, between_markers, marker_peak_v
from audiomeas.stimulus.switched import SwitchedSilence
from audiomeas.stimulus.tone_sequence import ToneSequence
from audiomeas.stimulus.turned import TurnedTone
from audiomeas.units import SQRT2, Level, amplitude_ratio_to_db, db_to_amplitude_ratio, v_rms_to_w

#: A capture that broke is repeated this often in all (common practice: at most three tries).
TRIES = 3
#: Captured after the last marker: latency (not known before the first look) and the unit's ringing must fit into it.
TAIL_S = 0.5
#: The same for steady tones once the latency is known, on top of it: what rings after a tone is not looked at.
TAIL_OF_TONES_S = 0.1
#: The level at the unit's output is set to this, by measuring and correcting.
LEVEL_WITHIN_DB = 0.02
#: The first burst on the way to a level at the output is so far below it.
_FIRST_BURST_BELOW_DB = 10.0
#: A raise of the input by less than this is too small to tell by it that a unit gives no more.
LEAST_STEP_DB = 0.1
#: From this power on a load gets too hot to touch (common practice).
HOT_FROM_W = 10.0
#: Conditions that hold for what came through the unit from this bench, and not for what it plays by itself.
_NOT_OF_THE_HEARD = ("latency_frames", "polarity", "first_look_gain_db", "first_look_noise_db")

#: What is listened to for longer stays on the disk, where it may.
_LONG_S = 60.0

Keep = Callable[[Capture, Recording], Path | None]
Say = Callable[[str], None]
Progress = Callable[[str, float], None]
#: What one try of a capture gives.
_Got = TypeVar("_Got")
#: A capture without markers can't tell by itself.
_UNPROVEN = (
    "nothing was sent: that the unit was connected and on rests on your word, and lost samples are told by the driver "
    "alone"
)


def quiet(_: str) -> None:
    """Say nothing."""


def _no_progress(_: str, __: float) -> None:
    """Show nothing."""


class Session:
    """A bench in use. A context manager, so that leaving it always leaves the bench silent."""

    def __init__(self, bench: Bench, *, say: Say | None = None, progress: Progress | None = None) -> None:
        self.bench = bench
        self._say = say or quiet
        self._progress = progress or _no_progress
        self._look: FirstLook | None = None
        self._gain = FollowedGain(bench, say=self._say)
        self._loads = LoadGate(bench)
        self._warned_hot = False
        self._form = bench.form

    def __enter__(self) -> Self:
        if self.bench.file.loudspeakers is not None:
            self._say(self.bench.file.loudspeakers.words())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._look = None

    @property
    def simulated(self) -> bool:
        """The bench is a simulated one."""
        return self.bench.simulated

    @property
    def warnings(self) -> tuple[str, ...]:
        """What of the calibration does not fit (carried by every result)."""
        return self.bench.warnings()

    def facts(self) -> dict[str, Any]:
        """Return the snapshot that records keep of the bench."""
        return self.bench.facts()

    # -- first look ---------------------------------------------------------------------------------------------

    def first_look(self, *, keep: Keep | None = None) -> FirstLook:
        """Return gains, polarity and latency from sweeps 40 dB below every ceiling; taken once a session.

        Raises CaptureError when nothing comes back, or when the gain is higher than the bench allows.
        """
        if self._look is None:
            self._look = self._take_first_look(keep)
        return self._look

    def _take_first_look(self, keep: Keep | None) -> FirstLook:
        channels = self.bench.channels
        sweeps = first_look_sweeps(
            level_v_rms=self._quiet_v_rms(), sample_rate_hz=self._form.sample_rate_hz, channels=channels
        )
        # The gain is not known yet: the highest one allowed stands for it, and the audio thread watches the ceilings.
        assumed = dict.fromkeys(channels, self.bench.file.limits.highest_gain_db)
        marked = channels
        try:
            recording, aligned = self._captured(sweeps, assumed, keep, "first look")
        except NothingCameBackError:
            if len(channels) == 1:
                raise
            # On a unit that subtracts its channels markers on all of them alike cancel: it is asked by one.
            marked = channels[:1]
            recording, aligned = self._captured(sweeps, assumed, keep, "first look", marked=marked)
        captured_v = {
            channel: recording.signal(recording.column(channel))[aligned.stimulus_start :] for channel in channels
        }
        look = read_first_look(
            captured_v,
            sweeps,
            polarity=aligned.polarity,
            latency_frames=aligned.latency_frames,
            silent=aligned.silent,
        )
        refuse_too_much_gain(self.bench, look.found_db, look.silent)
        for channel in look.silent:
            self._say(f"channel {channel}: nothing came back at first look; check its cables, balance and output")
        heard_v = {channel: volts for channel, volts in captured_v.items() if channel not in look.silent}
        ratios = self._gain.marker_ratios(aligned, self._marker_peak_v(sweeps))
        self._gain.markers = FirstMarkers(heard_v, sweeps, ratios, marked)
        return look

    # -- capture ------------------------------------------------------------------------------------------------

    def record(self, stimulus: Stimulus, *, keep: Keep | None = None, doing: str = "measuring") -> Recording:
        """Play a stimulus through the gates and return the recording, aligned and trusted.

        keep : called with each raw capture and its recording before anything is analysed, also with refused ones.
        Raises InterlockRefusal (before any sound), CaptureError, DeviceError, Interrupted.
        """
        recording, _ = self._through_gates(stimulus, keep, doing)
        return recording

    def _through_gates(self, stimulus: Stimulus, keep: Keep | None, doing: str) -> tuple[Recording, Aligned]:
        look = self.first_look(keep=keep)
        gain_db = look.gain_for_db(stimulus)
        return self._captured(stimulus, self._gain.added_to(gain_db), keep, doing)

    def _captured(
        self,
        stimulus: Stimulus,
        gain_db: Mapping[int, float],
        keep: Keep | None,
        doing: str,
        *,
        marked: tuple[int, ...] | None = None,
    ) -> tuple[Recording, Aligned]:
        predictions = predict(
            self.bench.ceilings(stimulus.driven_channels),
            level_v_rms=stimulus.level_v_rms,
            peak_v=stimulus.peak_v,
            gain_db=gain_db,
        )
        refuse_beyond(predictions)
        samples_v = played_samples_v(stimulus)
        refuse_long_high(
            self.bench.file.loudspeakers,
            samples_v,
            stimulus.sample_rate_hz,
            stimulus.level_v_rms,
            highest_tone_hz=_highest_tone_hz(stimulus),
        )
        self._warn_hot(predictions)
        playlist = between_markers(
            samples_v,
            stimulus.sample_rate_hz,
            marker_peak=self._marker_peak_v(stimulus),
            marked=None if marked is None else [channel in marked for channel in stimulus.driven_channels],
        )

        def once(warnings: tuple[str, ...]) -> tuple[Recording, Aligned]:
            self._loads.refuse(stimulus, playlist.samples, gain_db)
            return self._once(stimulus, playlist, gain_db, keep, doing, warnings)

        return self._tried(once)

    def listen(
        self, silence: Silence, *, keep: Keep | None = None, doing: str = "listening", in_blocks: bool = False
    ) -> Recording:
        """Capture with nothing sent, not even markers: inputs closed by plugs, or a unit that plays by itself.

        No gate is asked, since nothing sounds. That the unit is connected, and that no samples were lost where the
        driver does not tell it, rests on the person: a warning says so.
        in_blocks : the recording may stay on the disk where `keep` put it. A long one then does, in constant memory,
        but not with loads whose heat is counted by what came back.
        Raises CaptureError, DeviceError, Interrupted.
        """
        if in_blocks and keep is not None and silence.duration_s > _LONG_S and not self._loads.counts:
            return self._tried(lambda warnings: self._listened_long(silence, keep, doing, (_UNPROVEN, *warnings)))
        playlist = between_markers(played_samples_v(silence), silence.sample_rate_hz, marker_peak=0.0)
        return self._tried(lambda warnings: self._listened(silence, playlist, keep, doing, (_UNPROVEN, *warnings)))

    def _listened(
        self, silence: Silence, playlist: Playlist, keep: Keep | None, doing: str, warnings: tuple[str, ...]
    ) -> Recording:
        channels = self.bench.channels
        capture = self._played(silence, playlist, dict.fromkeys(channels, 0.0), doing)
        fractions = capture.fractions()
        # How late it came is not known, and does not matter: there is nothing but silence.
        place = Aligned(
            stimulus_start=playlist.stimulus_start, latency_frames=0.0, polarity={}, marker_gain={}, silent=channels
        )
        try:
            self._refuse_untrusted(capture, [fractions])
            look_for_breaks(capture, fractions, silence, place)
        except BaseException as error:
            refused = self._recording(capture, fractions, silence, None, doing, (*warnings, str(error)))
            self._kept(keep, capture, refused)
            raise
        recording = self._recording(capture, fractions, silence, place, doing, warnings)
        recording = _of_heard(recording)
        self._kept(keep, capture, recording)
        return recording

    def _listened_long(self, silence: Silence, keep: Keep, doing: str, warnings: tuple[str, ...]) -> Recording:
        capture = self.bench.listen(
            silence.frames,
            form=self._form,
            progress=lambda part: self._progress(doing, part),
            also=self._loads.watch(),
        )
        place = Aligned(stimulus_start=0, latency_frames=0.0, polarity={}, marker_gain={}, silent=self.bench.channels)
        unread = np.zeros((0, capture.samples.shape[1]))
        blocks = (to_fractions(block, capture.form.sample_format) for block in sample_blocks(capture.samples))
        try:
            self._refuse_untrusted(capture, blocks)
            look_for_breaks(capture, unread, silence, place)
        except BaseException as error:
            keep(capture, self._recording(capture, unread, silence, None, doing, (*warnings, str(error))))
            raise
        path = keep(capture, _of_heard(self._recording(capture, unread, silence, place, doing, warnings)))
        if path is None:
            raise ValueError("who listens for long keeps what was heard in a file")
        return open_recording(path)

    def _tried(self, once: Callable[[tuple[str, ...]], _Got]) -> _Got:
        """Return what one try gives; what a second one may cure is tried again. once : gets the tries' warnings."""
        warnings: tuple[str, ...] = ()
        for attempt in range(1, TRIES + 1):
            try:
                return once(warnings)
            except RepeatableCaptureError as error:
                if attempt == TRIES:
                    raise CaptureError(f"{error} ({TRIES} tries)") from None
                warnings = (*warnings, f"try {attempt} was refused: {error}")
                self._say(f"{error}; trying again with a larger block")
                self._form = self._with_larger_block()
        raise AssertionError("not reached")

    def _marker_peak_v(self, stimulus: Stimulus) -> float:
        """Return the peak voltage of the markers; around silence as quiet as the first look, allowed on any unit."""
        if stimulus.peak_v > 0.0:
            return marker_peak_v(stimulus)
        return SQRT2 * self._quiet_v_rms()

    def _quiet_v_rms(self) -> float:
        limits = self.bench.file.limits
        return first_look_v_rms(self.bench.ceilings(self.bench.channels), highest_gain_db=limits.highest_gain_db)

    def _with_larger_block(self) -> StreamFormat:
        # Not a longer latency: what the driver has in store already can't be faded, and 50 ms is the promise.
        longest = int(0.03 * self._form.sample_rate_hz)
        return dataclasses.replace(self._form, block_frames=min(2 * self._form.block_frames, longest))

    def _warn_hot(self, predictions: Sequence[Prediction]) -> None:
        """Say once a session what a hot load asks for, before it gets hot."""
        powers_w = [v_rms_to_w(one.v_rms, one.ceiling.load_ohm) for one in predictions if one.ceiling.load_ohm]
        if not self._warned_hot and max(powers_w, default=0.0) > HOT_FROM_W:
            self._warned_hot = True
            for line in POWER_CAUTIONS:
                self._say(f"caution: {line}")

    def _learn_gain(self, stimulus: Stimulus, fractions: NDArray[np.float64], aligned: Aligned | None) -> None:
        if self._look is not None:
            self._gain.see(self._look, stimulus, fractions, aligned, marker_peak_v=self._marker_peak_v(stimulus))

    def _played(self, stimulus: Stimulus, playlist: Playlist, gain_db: Mapping[int, float], doing: str) -> Capture:
        """Play, watched, and count what the loads got, also when no capture comes back."""
        began_s, capture = self._loads.now_s(), None
        try:
            capture = self.bench.play_v(
                playlist.samples,
                stimulus.driven_channels,
                tail_s=self._tail_s(stimulus),
                form=self._form,
                progress=lambda part: self._progress(doing, part),
                also=self._loads.watch(),
            )
            return capture
        finally:
            self._loads.count(stimulus, playlist.samples, gain_db, capture, began_s=began_s)

    def _once(
        self,
        stimulus: Stimulus,
        playlist: Playlist,
        gain_db: Mapping[int, float],
        keep: Keep | None,
        doing: str,
        warnings: tuple[str, ...],
    ) -> tuple[Recording, Aligned]:
        capture = self._played(stimulus, playlist, gain_db, doing)
        # Frames that are no numbers would spoil every sum: they are kept as delivered, and refused below.
        fractions = capture.fractions()
        try:
            aligned = self._trusted(capture, fractions, stimulus, playlist)
        except BaseException as error:
            recording = self._recording(capture, fractions, stimulus, None, doing, (*warnings, str(error)))
            self._kept(keep, capture, recording)
            if capture.stopped.startswith(STOPPED_BY_INPUT) and np.all(np.isfinite(fractions)):
                with suppress(CaptureError):  # too much gain is no news: the watch says it
                    self._learn_gain(stimulus, fractions, None)
            raise
        recording = self._recording(capture, fractions, stimulus, aligned, doing, (*warnings, *aligned.notes))
        self._kept(keep, capture, recording)
        self._learn_gain(stimulus, fractions, aligned)
        return recording, aligned

    def _tail_s(self, stimulus: Stimulus) -> float:
        # A sequence of tones and silences has nothing that rings into what is looked at either.
        steady = isinstance(stimulus, ToneSequence) or all(
            window.frequency_hz is not None for window in stimulus.windows()
        )
        if self._look is None or not steady or self._form != self.bench.form:
            return TAIL_S
        return min(TAIL_S, self._look.latency_frames / self._form.sample_rate_hz + TAIL_OF_TONES_S)

    def _trusted(
        self, capture: Capture, fractions: NDArray[np.float64], stimulus: Stimulus, playlist: Playlist
    ) -> Aligned:
        """Return the alignment of a capture that can be trusted; raise what is wrong with any other."""
        self._refuse_untrusted(capture, [fractions])
        # A hand may have turned the unit down or off by then, or its protection have opened: the analysis tells.
        may_end = isinstance(stimulus, (TurnedTone, BurstSeries, SwitchedSilence))
        aligned = align(capture, fractions, playlist, stimulus.driven_channels, end_may_be_silent=may_end)
        notes = look_for_breaks(capture, fractions, stimulus, aligned)
        return dataclasses.replace(aligned, notes=notes)

    def _refuse_untrusted(self, capture: Capture, fractions: Iterable[NDArray[np.float64]]) -> None:
        """Raise what is wrong with a capture, wherever the stimulus stands in it. fractions : its parts."""
        if capture.signal_number is not None:
            raise interrupted(capture.stopped)
        for part in fractions:
            refuse_nonsense(capture, part)
        if capture.stopped.startswith(STOPPED_BY_INPUT):
            raise beyond_ceiling(capture.stopped)
        if capture.stopped:
            raise RepeatableCaptureError(capture.stopped)
        refuse_over_range(capture, self.bench.channels)

    def _kept(self, keep: Keep | None, capture: Capture, recording: Recording) -> None:
        if keep is not None:
            keep(capture, recording)

    def _recording(
        self,
        capture: Capture,
        fractions: NDArray[np.float64],
        stimulus: Stimulus,
        aligned: Aligned | None,
        purpose: str,
        warnings: tuple[str, ...],
    ) -> Recording:
        columns = [channel - 1 for channel in self.bench.channels]
        scales = [self.bench.input_scale(channel) for channel in self.bench.channels]
        # A calibration that does not hold here still makes volts (said with every result), but states no uncertainty.
        holds = self.bench.calibration_holds
        # Where nothing is driven, the level at the input is the first look's: the gain that refers noise to the input.
        outputs = [self.bench.output_scale(channel) for channel in stimulus.driven_channels or self.bench.channels]
        conditions = {
            **self.bench.conditions(),
            **self.bench.own_conditions(),
            "purpose": purpose,
            "driven_channels": list(stimulus.driven_channels),
            "input_level_v_rms": stimulus.level_v_rms,
            **(scale_conditions(self.bench.channels, scales) if holds else {}),
            **input_level_conditions(outputs if holds else None),
        }
        if stimulus.level_v_rms == 0.0 or isinstance(stimulus, ToneAndSilence):
            conditions.update(self._quiet_conditions())
        if aligned is not None:
            conditions["latency_frames"] = aligned.latency_frames
            conditions["polarity"] = {str(channel): sign for channel, sign in aligned.polarity.items()}
        return Recording(
            counts_fs=fractions[:, columns],
            sample_rate_hz=capture.form.sample_rate_hz,
            channels=self.bench.channels,
            v_rms_at_full_scale=tuple(scale.v_rms_at_full_scale for scale in scales),
            scale_uncertainty=tuple(scale.uncertainty if holds else None for scale in scales),
            stimulus=stimulus,
            stimulus_start=None if aligned is None else aligned.stimulus_start,
            stimulus_in_volts=True,
            shared_clock=True,
            over_range=over_range_frames(capture, self.bench.channels),
            # What stays on the disk tells its step when it is read.
            resolution_fs=step_of_codes(capture.samples[:, columns], capture.form.sample_format)
            if len(fractions) == len(capture.samples)
            else None,
            conditions=conditions,
            warnings=(*self.warnings, *warnings),
            provenance=Provenance(
                interface=capture.identity.name,
                host_api=capture.identity.host_api,
                started_at=capture.started_at.isoformat(timespec="seconds"),
                simulated=capture.identity.simulated,
                hashes=self.bench.hashes(),
                flags=tuple(f"frame {frame}: {flag}" for frame, flag in capture.flags),
                stopped=capture.stopped,
            ),
        )

    def _quiet_conditions(self) -> dict[str, Any]:
        """Return what tells noise from the bench's own, and refers it to the input: gains found, range, card noise."""
        conditions = self.bench.noise_conditions()
        if self._look is not None:
            heard = [channel for channel in self.bench.channels if channel not in self._look.silent]
            conditions["first_look_gain_db"] = {str(n): self._look.gain_at_db(n, 1000.0) for n in heard}
            conditions["first_look_noise_db"] = {str(n): self._look.noise_at_db(n, 1000.0) for n in heard}
        return conditions

    # -- level --------------------------------------------------------------------------------------------------

    def input_level_v_rms(
        self,
        *,
        input_level: Level | None,
        output_level: Level | None,
        channels: tuple[int, ...],
        frequency_hz: float,
        keep: Keep | None = None,
    ) -> float:
        """Return the level at the unit's input that was asked for there, or that gives what was asked at its output.

        An output level is set on the driven channel that is loudest (so none gets more), by a short tone 10 dB below,
        then at the level, until it is within 0.02 dB.
        Raises RequestError (both given, watts without a load), InterlockRefusal, CaptureError (also when the unit
        gives no more before it reaches the level).
        """
        if input_level is not None and output_level is not None:
            raise RequestError("give an input level or an output level, not both")
        input_level, output_level = self._asked(input_level, output_level)
        if input_level is not None:
            if input_level.unit == "W":
                raise RequestError("an input level is in volts; watts are an output level")
            return input_level.v_rms()
        if output_level is None:
            raise RequestError("give a level: input_level (such as '100 mV') or output_level (such as '1 W')")
        return self._set_output_level(output_level, channels, frequency_hz, keep)

    def _asked(self, input_level: Level | None, output_level: Level | None) -> tuple[Level | None, Level | None]:
        """Return the level that is asked for, at input and output; the bench's usual one where none was given."""
        if input_level is None and output_level is None:
            return self.bench.file.usual_input_level, self.bench.file.usual_output_level
        return input_level, output_level

    def _set_output_level(
        self, wanted: Level, channels: tuple[int, ...], frequency_hz: float, keep: Keep | None
    ) -> float:
        for channel in channels:
            wanted_v_rms = wanted.v_rms(load_ohm=self._load_ohm(channel, frequency_hz))
            refuse_output_level(self.bench.file.loudspeakers, wanted_v_rms, channel)
        look = self.first_look(keep=keep)
        answering = [channel for channel in channels if channel not in look.silent]
        if not answering:
            raise CaptureError(f"channel {channels[0]} did not answer at first look: no output level can be set")
        wanted_v = {channel: wanted.v_rms(load_ohm=self._load_ohm(channel, frequency_hz)) for channel in answering}
        input_v_rms = min(
            wanted_v[channel] / db_to_amplitude_ratio(look.gain_at_db(channel, frequency_hz)) for channel in answering
        )
        below_db = _FIRST_BURST_BELOW_DB
        input_v_rms *= db_to_amplitude_ratio(-below_db)
        before_v: dict[int, float] | None = None
        asked_db = 0.0
        for _ in range(4):
            try:
                reached_v = self._output_of_burst(input_v_rms, channels, frequency_hz, keep)
            except BeyondCeiling as refusal:
                raise refusal.with_highest(wanted, AT_OUTPUT, below_db=below_db) from None
            below_db = 0.0
            loudest = min(answering, key=lambda channel: wanted_v[channel] / reached_v[channel])
            if before_v is not None:
                rose_db = amplitude_ratio_to_db(reached_v[loudest] / before_v[loudest])
                self._refuse_no_more(wanted, loudest, frequency_hz, reached_v[loudest], (asked_db, rose_db))
            ratio = wanted_v[loudest] / reached_v[loudest]
            before_v, asked_db = reached_v, amplitude_ratio_to_db(ratio)
            input_v_rms *= ratio
            if abs(asked_db) < LEVEL_WITHIN_DB:
                break
        return input_v_rms

    def _refuse_no_more(
        self, wanted: Level, channel: int, frequency_hz: float, reached_v: float, step_db: tuple[float, float]
    ) -> None:
        """Raise CaptureError when the level rose by less than half of what its input was raised by (asked, rose)."""
        asked_db, rose_db = step_db
        # Smaller steps may drown in noise, and the level is near enough to go on.
        if asked_db < LEAST_STEP_DB or rose_db >= 0.5 * asked_db:
            return
        load_ohm = self._load_ohm(channel, frequency_hz) if wanted.unit == "W" else None
        most = f"{reached_v:.3g} V" if load_ohm is None else f"{v_rms_to_w(reached_v, load_ohm):.3g} W"
        raise CaptureError(
            f"channel {channel}: the unit gives no more than {most} at {frequency_hz:.4g} Hz ({wanted} asked for): its "
            f"input was raised by {asked_db:.2g} dB, its output rose by {rose_db:.2g} dB; ask for a lower level, or "
            "look whether it clips or protects itself"
        )

    def _load_ohm(self, channel: int, frequency_hz: float) -> float | None:
        load = self.bench.file.load(channel)
        return None if load is None else load.power_ohm(frequency_hz)

    def _output_of_burst(
        self, input_v_rms: float, channels: tuple[int, ...], frequency_hz: float, keep: Keep | None
    ) -> dict[int, float]:
        rate_hz = self._form.sample_rate_hz
        sine = Sine.bin_centred(
            frequency_hz=frequency_hz,
            level_v_rms=input_v_rms,
            sample_rate_hz=rate_hz,
            window_s=max(0.1, round(4 * rate_hz / frequency_hz) / rate_hz),
            settle_s=0.1,
            driven_channels=channels,
        )
        recording, aligned = self._through_gates(sine, keep, "setting the level")
        (window,) = sine.windows()
        start = aligned.stimulus_start
        found = {}
        for channel in channels:
            part = recording.signal(recording.column(channel))[start + window.start : start + window.stop]
            # Whole periods: projection on the tone is exact, and deaf to hum and noise.
            turning = np.exp(-2j * np.pi * sine.frequency_hz / rate_hz * np.arange(len(part)))
            # A unit that has gone silent (a protection relay) may leave exact zeros.
            found[channel] = max(float(np.abs(np.mean(part * turning))) * SQRT2, 1e-12)
        return found

    # -- measurement --------------------------------------------------------------------------------------------

    def measure(
        self,
        measurement: Measurement,
        options: Mapping[str, Any] | None = None,
        *,
        input_level: Level | None = None,
        output_level: Level | None = None,
        channels: tuple[int, ...] | None = None,
        keep: Keep | None = None,
    ) -> Result:
        """Play, capture and analyse one measurement.

        Raises RequestError, InterlockRefusal, CaptureError, DeviceError, SignalError, Interrupted.
        """
        filled = with_recordings(measurement, complete(measurement, options or {}))
        driven = channels or self.bench.channels
        for channel in driven:
            self.bench.refuse_other_channel(channel)
        if measurement.check is not None:  # before any sound, the first look's included
            rate_hz = self._form.sample_rate_hz
            measurement.check(PlayContext(sample_rate_hz=rate_hz, channels=driven, input_level_v_rms=1.0), filled)
        if not measurement.takes_level:
            _refuse_level(measurement, input_level, output_level)
        if measurement.to_do:
            self._say(measurement.to_do.format(**filled))
        if measurement.search is not None:
            try:
                return measurement.analyse(self._searched(measurement, filled, driven, keep), filled)
            except SignalError as error:
                # The request has passed its check: what its captures don't hold is the bench's, or the unit's.
                raise CaptureError(error.sentence) from error
        frequency_hz = float(filled.get("frequency_hz") or filled.get("reference_hz") or 1000.0)
        if measurement.silent:
            level_v_rms = 0.0
        else:
            level_v_rms = self.input_level_v_rms(
                input_level=input_level,
                output_level=output_level,
                channels=driven,
                frequency_hz=min(frequency_hz, 0.4 * self._form.sample_rate_hz),
                keep=keep,
            )
        context = PlayContext(sample_rate_hz=self._form.sample_rate_hz, channels=driven, input_level_v_rms=level_v_rms)
        try:
            stimulus = measurement.stimulus(context, filled)
        except ValueError as error:
            raise RequestError(str(error)) from None
        try:
            if isinstance(stimulus, Silence) and measurement.only_listens(filled):
                recording = self.listen(stimulus, keep=keep, doing=measurement.word, in_blocks=measurement.in_blocks)
            else:
                recording = self.record(stimulus, keep=keep, doing=measurement.word)
        except BeyondCeiling as refusal:
            raise self._with_highest(refusal, input_level, output_level) from None
        except NothingCameBackError as error:
            if LISTEN_ONLY not in filled:
                raise
            raise CaptureError(f"{error}; where nothing can (inputs closed, a player): --listen-only") from error
        try:
            return measurement.analyse(recording, filled)
        except SignalError as error:
            if measurement.always_listens:  # what was not to be heard is the unit's, or the bench's, as in a search
                raise CaptureError(error.sentence) from error
            raise

    def _with_highest(
        self, refusal: BeyondCeiling, input_level: Level | None, output_level: Level | None
    ) -> BeyondCeiling:
        """Return a refusal that says the highest level allowed, as the level was asked for."""
        at_input, at_output = self._asked(input_level, output_level)
        if at_input is not None:
            return refusal.with_highest(at_input, AT_INPUT)
        return refusal if at_output is None else refusal.with_highest(at_output, AT_OUTPUT)

    def _searched(
        self, measurement: Measurement, options: Mapping[str, Any], channels: tuple[int, ...], keep: Keep | None
    ) -> Recording:
        """Let a search choose each stimulus by the captures before; return them joined. Raises as `measure`.

        Where nothing comes back any more although it did before, or the unit has got so much more gain meanwhile that
        the next stimulus is refused, the search ends there: what was captured is told.
        """
        assert measurement.search is not None
        assert measurement.join is not None
        self.bench.refuse_power_search()
        self.first_look(keep=keep)
        search = measurement.search(self._search_context(channels), options)
        at_first_db = self.largest_gain_db()
        captured: list[Recording] = []

        def keeping(capture: Capture, recording: Recording) -> Path | None:
            known = dataclasses.replace(recording, conditions={**recording.conditions, **search.conditions})
            captured.append(known if measurement.part is None else measurement.part(known))
            return None if keep is None else keep(capture, known)

        heard = False
        while (stimulus := search.next()) is not None:
            try:
                recording = self.record(stimulus, keep=keeping, doing=measurement.word)
            except NothingCameBackError:
                if not heard:
                    raise
                break
            except InterlockRefusal as refusal:
                if not captured or self.largest_gain_db() == at_first_db:
                    raise
                line = f"the search ended where the unit's gain had risen: {refusal}"
                captured[-1] = dataclasses.replace(captured[-1], warnings=(*captured[-1].warnings, line))
                break
            heard = True
            search.take(recording)
        return measurement.join(captured)

    def _search_context(self, channels: tuple[int, ...]) -> SearchContext:
        look = self.first_look()
        ceilings = self.bench.ceilings(channels)

        def highest_of(stimulus: Stimulus) -> tuple[float, str]:
            gain_db = self._gain.added_to(look.gain_for_db(stimulus))
            highest_v_rms, ceiling = largest_sine(ceilings, gain_db)
            words = f"the ceiling of the {ceiling.what}; to go higher, {ceiling.way_higher}"
            return highest_v_rms * db_to_amplitude_ratio(-BELOW_CEILING_DB), words

        def refuse_held(tone: Stimulus, duration_s: float) -> None:
            self._loads.refuse_held(tone.level_v_rms, self._gain.added_to(look.gain_for_db(tone)), duration_s)

        return SearchContext(
            sample_rate_hz=self._form.sample_rate_hz,
            channels=channels,
            first_level_v_rms=look.level_v_rms,
            highest_of=highest_of,
            gain_at_db=look.gain_at_db,
            silent=look.silent,
            load_ohm=self._load_ohm,
            refuse_held=refuse_held,
        )

    # -- for a tone without an end (`measurement.live`) ----------------------------------------------------------

    def largest_gain_db(self) -> dict[int, float]:
        """Return channel → the largest gain over frequency that was found so far, for predictions."""
        return self._gain.added_to(self.first_look().gain_db)

    def allow_lasting(
        self, *, level_v_rms: float, frequency_hz: float, channels: tuple[int, ...], crest: float = SQRT2
    ) -> None:
        """Ask the interlock for a sound that may last. crest : its peak over r.m.s.  Raises InterlockRefusal."""
        gain_db = self.largest_gain_db()
        try:
            predictions = refuse_lasting(
                self.bench,
                level_v_rms=level_v_rms,
                frequency_hz=frequency_hz,
                channels=channels,
                gain_db=gain_db,
                crest=crest,
            )
        except BeyondCeiling as refusal:
            raise refusal.with_highest(Level(level_v_rms, "V"), AT_INPUT) from None
        self._warn_hot(predictions)

    def learn_raise(self, more_db: Mapping[int, float]) -> None:
        """Take by how much more gain than at first look was seen, and predict with it. Raises CaptureError."""
        self._gain.learn(self.first_look(), more_db)

    def load_watch(self) -> Also | None:
        """Return what follows the heat of the loads, for `Bench.watch`."""
        return self._loads.watch()

    def streamed_recording(self, capture: Capture, stimulus: Stimulus, *, purpose: str) -> tuple[Recording, str]:
        """Return a part of a stream as the recording of a stimulus that fills it, and why it can't be trusted ('').

        A stream has no markers: its driver's flags and the tone itself tell whether samples were lost, and how late it
        came is not known.
        """
        look = self.first_look()
        fractions = capture.fractions()
        place = Aligned(
            stimulus_start=0, latency_frames=0.0, polarity=look.polarity, marker_gain={}, silent=look.silent
        )
        problem = ""
        notes: tuple[str, ...] = ()
        try:
            refuse_nonsense(capture, fractions)
            notes = look_for_breaks(capture, fractions, stimulus, place)
        except CaptureError as error:
            problem = str(error)
        recording = self._recording(
            capture, fractions, stimulus, place, purpose, (*notes, problem) if problem else notes
        )
        known = {key: value for key, value in recording.conditions.items() if key != "latency_frames"}
        return dataclasses.replace(recording, conditions=known), problem


def _of_heard(recording: Recording) -> Recording:
    """Return a recording of which only what was heard is known: nothing was sent."""
    known = {key: value for key, value in recording.conditions.items() if key not in _NOT_OF_THE_HEARD}
    return dataclasses.replace(recording, conditions={**known, LISTEN_ONLY: True})


def _highest_tone_hz(stimulus: Stimulus) -> float | None:
    """Return the highest frequency of a stimulus of plain tones; None for any other."""
    if not isinstance(stimulus, Sine | SteppedSines):
        return None
    return max(window.frequency_hz or math.inf for window in stimulus.windows())


def _refuse_level(measurement: Measurement, input_level: Level | None, output_level: Level | None) -> None:
    if input_level is not None or output_level is not None:
        why = "plays nothing" if measurement.silent else "finds its levels by itself"
        raise RequestError(f"{measurement.word} {why}: it takes no level; what it is compared with is its own option")


def open_session(bench_path: Path | None, *, say: Say | None = None, progress: Progress | None = None) -> Session:
    """Return a session on the bench of a file (None: the simulated bench). Opens no device yet."""
    return Session(open_bench_file(bench_path), say=say, progress=progress)
