"""One bench whose sounds all pass the gates: first look, interlock, watch, alignment, trust, tries.

Everything that plays or listens goes through here, so that none can pass a ceiling and each capture is kept.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from audiomeas.bench.cautions import POWER_CAUTIONS
from audiomeas.bench.interlock import Prediction, first_look_v_rms, predict, refuse_beyond
from audiomeas.bench.loudspeakers import refuse_long_high
from audiomeas.bench.opened import Bench
from audiomeas.errors import CaptureError
from audiomeas.interface.listening import sample_blocks
from audiomeas.interface.protocol import StreamFormat
from audiomeas.interface.transport import STOPPED_BY_INPUT, Capture, beyond_ceiling, interrupted, to_fractions
from audiomeas.measurement.captured_recording import of_heard, recording_of
from audiomeas.measurement.first_look import FirstLook, FirstMarkers, first_look_sweeps, read_first_look
from audiomeas.measurement.load_gate import LoadGate
from audiomeas.measurement.raised_gain import FollowedGain, refuse_too_much_gain
from audiomeas.measurement.session_calls import Keep, Progress, Say
from audiomeas.measurement.trust import (
    Aligned,
    NothingCameBackError,
    RepeatableCaptureError,
    align,
    look_for_breaks,
    refuse_nonsense,
    refuse_over_range,
)
from audiomeas.recording import Recording
from audiomeas.recording_blocks import open_recording
from audiomeas.stimulus import BurstSeries, Silence, Sine, SteppedSines, Stimulus, played_samples_v
from audiomeas.stimulus.marker import Playlist, between_markers, marker_peak_v
from audiomeas.stimulus.switched import SwitchedSilence
from audiomeas.stimulus.tone_sequence import ToneSequence
from audiomeas.stimulus.turned import TurnedTone
from audiomeas.units import SQRT2, v_rms_to_w

#: A capture that broke is repeated this often in all (common practice: at most three tries).
TRIES = 3
#: Captured after the last marker: latency (not known before the first look) and the unit's ringing must fit into it.
TAIL_S = 0.5
#: The same for steady tones once the latency is known, on top of it: what rings after a tone is not looked at.
TAIL_OF_TONES_S = 0.1
#: From this power on a load gets too hot to touch (common practice).
HOT_FROM_W = 10.0
#: What one try of a capture gives.
_Got = TypeVar("_Got")
#: A capture without markers can't tell by itself.
_UNPROVEN = (
    "nothing was sent: that the unit was connected and on rests on your word, and lost samples are told by the driver "
    "alone"
)


class GatedBench:
    """A bench behind its gates. look : the first look, once taken.  gain : what was raised since.  loads : their heat.

    form : of the next capture; its blocks grow when one broke.
    """

    def __init__(self, bench: Bench, *, say: Say, progress: Progress) -> None:
        self.bench, self.say, self.progress = bench, say, progress
        self.look: FirstLook | None = None
        self.gain = FollowedGain(bench, say=say)
        self.loads = LoadGate(bench)
        self.form = bench.form
        self._warned_hot = False

    def first_look(self, *, keep: Keep | None = None) -> FirstLook:
        """Return gains, polarity and latency from sweeps 40 dB below every ceiling; taken once a session.

        Raises CaptureError when nothing comes back, or when the gain is higher than the bench allows.
        """
        if self.look is None:
            self.look = self._take_first_look(keep)
        return self.look

    def _take_first_look(self, keep: Keep | None) -> FirstLook:
        channels = self.bench.channels
        sweeps = first_look_sweeps(
            level_v_rms=self._quiet_v_rms(), sample_rate_hz=self.form.sample_rate_hz, channels=channels
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
            self.say(f"channel {channel}: nothing came back at first look; check its cables, balance and output")
        heard_v = {channel: volts for channel, volts in captured_v.items() if channel not in look.silent}
        ratios = self.gain.marker_ratios(aligned, self._marker_peak_v(sweeps))
        self.gain.markers = FirstMarkers(heard_v, sweeps, ratios, marked)
        return look

    def through_gates(self, stimulus: Stimulus, keep: Keep | None, doing: str) -> tuple[Recording, Aligned]:
        """Play a stimulus through the gates; return the recording, aligned and trusted, and how it is aligned.

        Raises InterlockRefusal (before any sound), CaptureError, DeviceError, Interrupted.
        """
        self.first_look(keep=keep)
        return self._captured(stimulus, self.gain_for_db(stimulus), keep, doing)

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
        self.warn_hot(predictions)
        playlist = between_markers(
            samples_v,
            stimulus.sample_rate_hz,
            marker_peak=self._marker_peak_v(stimulus),
            marked=None if marked is None else [channel in marked for channel in stimulus.driven_channels],
        )

        def once(warnings: tuple[str, ...]) -> tuple[Recording, Aligned]:
            self.loads.refuse(stimulus, playlist.samples, gain_db)
            return self._once(stimulus, playlist, gain_db, keep, doing, warnings)

        return self._tried(once)

    def listened(self, silence: Silence, keep: Keep | None, doing: str) -> Recording:
        """Return what comes in with nothing sent, not even markers. Raises as `through_gates`."""
        playlist = between_markers(played_samples_v(silence), silence.sample_rate_hz, marker_peak=0.0)
        return self._tried(lambda warnings: self._listened(silence, playlist, keep, doing, (_UNPROVEN, *warnings)))

    def listened_long(self, silence: Silence, keep: Keep, doing: str) -> Recording:
        """Return the same from the disk, where `keep` put it, in constant memory."""
        return self._tried(lambda warnings: self._listened_long(silence, keep, doing, (_UNPROVEN, *warnings)))

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
            refused = self.recording(capture, fractions, silence, None, doing, (*warnings, str(error)))
            self._kept(keep, capture, refused)
            raise
        recording = self.recording(capture, fractions, silence, place, doing, warnings)
        recording = of_heard(recording)
        self._kept(keep, capture, recording)
        return recording

    def _listened_long(self, silence: Silence, keep: Keep, doing: str, warnings: tuple[str, ...]) -> Recording:
        capture = self.bench.listen(
            silence.frames,
            form=self.form,
            progress=lambda part: self.progress(doing, part),
            also=self.loads.watch(),
        )
        place = Aligned(stimulus_start=0, latency_frames=0.0, polarity={}, marker_gain={}, silent=self.bench.channels)
        unread = np.zeros((0, capture.samples.shape[1]))
        blocks = (to_fractions(block, capture.form.sample_format) for block in sample_blocks(capture.samples))
        try:
            self._refuse_untrusted(capture, blocks)
            look_for_breaks(capture, unread, silence, place)
        except BaseException as error:
            keep(capture, self.recording(capture, unread, silence, None, doing, (*warnings, str(error))))
            raise
        path = keep(capture, of_heard(self.recording(capture, unread, silence, place, doing, warnings)))
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
                self.say(f"{error}; trying again with a larger block")
                self.form = self._with_larger_block()
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
        longest = int(0.03 * self.form.sample_rate_hz)
        return dataclasses.replace(self.form, block_frames=min(2 * self.form.block_frames, longest))

    def warn_hot(self, predictions: Sequence[Prediction]) -> None:
        """Say once a session what a hot load asks for, before it gets hot."""
        powers_w = [v_rms_to_w(one.v_rms, one.ceiling.load_ohm) for one in predictions if one.ceiling.load_ohm]
        if not self._warned_hot and max(powers_w, default=0.0) > HOT_FROM_W:
            self._warned_hot = True
            for line in POWER_CAUTIONS:
                self.say(f"caution: {line}")

    def _learn_gain(self, stimulus: Stimulus, fractions: NDArray[np.float64], aligned: Aligned | None) -> None:
        if self.look is not None:
            self.gain.see(self.look, stimulus, fractions, aligned, marker_peak_v=self._marker_peak_v(stimulus))

    def _played(self, stimulus: Stimulus, playlist: Playlist, gain_db: Mapping[int, float], doing: str) -> Capture:
        """Play, watched, and count what the loads got, also when no capture comes back."""
        began_s, capture = self.loads.now_s(), None
        try:
            capture = self.bench.play_v(
                playlist.samples,
                stimulus.driven_channels,
                tail_s=self._tail_s(stimulus),
                form=self.form,
                progress=lambda part: self.progress(doing, part),
                also=self.loads.watch(),
            )
            return capture
        finally:
            self.loads.count(stimulus, playlist.samples, gain_db, capture, began_s=began_s)

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
            recording = self.recording(capture, fractions, stimulus, None, doing, (*warnings, str(error)))
            self._kept(keep, capture, recording)
            if capture.stopped.startswith(STOPPED_BY_INPUT) and np.all(np.isfinite(fractions)):
                with suppress(CaptureError):  # too much gain is no news: the watch says it
                    self._learn_gain(stimulus, fractions, None)
            raise
        recording = self.recording(capture, fractions, stimulus, aligned, doing, (*warnings, *aligned.notes))
        self._kept(keep, capture, recording)
        self._learn_gain(stimulus, fractions, aligned)
        return recording, aligned

    def _tail_s(self, stimulus: Stimulus) -> float:
        # A sequence of tones and silences has nothing that rings into what is looked at either.
        steady = isinstance(stimulus, ToneSequence) or all(
            window.frequency_hz is not None for window in stimulus.windows()
        )
        if self.look is None or not steady or self.form != self.bench.form:
            return TAIL_S
        return min(TAIL_S, self.look.latency_frames / self.form.sample_rate_hz + TAIL_OF_TONES_S)

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

    def gain_for_db(self, stimulus: Stimulus) -> dict[int, float]:
        """Return channel → the largest gain that a stimulus may meet, with what was raised since the first look."""
        return self.gain.added_to(self.first_look().gain_for_db(stimulus))

    def largest_gain_db(self) -> dict[int, float]:
        """Return channel → the largest gain over frequency that was found so far, for predictions."""
        return self.gain.added_to(self.first_look().gain_db)

    def recording(
        self,
        capture: Capture,
        fractions: NDArray[np.float64],
        stimulus: Stimulus,
        aligned: Aligned | None,
        purpose: str,
        warnings: tuple[str, ...],
    ) -> Recording:
        """Return a capture of this bench as a recording (see `recording_of`)."""
        return recording_of(
            self.bench, self.look, capture, fractions, stimulus, aligned=aligned, purpose=purpose, warnings=warnings
        )


def _highest_tone_hz(stimulus: Stimulus) -> float | None:
    """Return the highest frequency of a stimulus of plain tones; None for any other."""
    if not isinstance(stimulus, Sine | SteppedSines):
        return None
    return max(window.frequency_hz or math.inf for window in stimulus.windows())
