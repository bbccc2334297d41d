"""One bench with one unit connected: what is asked of it is played, captured and analysed.

Every command that sounds goes through here, and so through the gates (`gated.py`): none can pass a ceiling.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from audiomeas.bench.interlock import AT_INPUT, AT_OUTPUT, BeyondCeiling
from audiomeas.bench.opened import Bench, open_bench_file
from audiomeas.errors import CaptureError, RequestError, SignalError
from audiomeas.interface.transport import Also, Capture
from audiomeas.measurement.attached import with_recordings
from audiomeas.measurement.base import LISTEN_ONLY, Measurement, PlayContext
from audiomeas.measurement.first_look import FirstLook
from audiomeas.measurement.gated import GatedBench
from audiomeas.measurement.lasting import refuse_lasting
from audiomeas.measurement.options import complete
from audiomeas.measurement.output_level import set_output_level
from audiomeas.measurement.result import Result
from audiomeas.measurement.session_calls import Keep, Progress, Say, no_progress, quiet
from audiomeas.measurement.session_search import searched
from audiomeas.measurement.trust import Aligned, NothingCameBackError, look_for_breaks, refuse_nonsense
from audiomeas.recording import Recording
from audiomeas.stimulus import Silence, Stimulus
from audiomeas.units import SQRT2, Level

__all__ = ["Keep", "Progress", "Say", "Session", "open_session", "quiet"]

#: What is listened to for longer stays on the disk, where it may.
_LONG_S = 60.0


class Session:
    """A bench in use. A context manager, so that leaving it always leaves the bench silent."""

    def __init__(self, bench: Bench, *, say: Say | None = None, progress: Progress | None = None) -> None:
        self.bench = bench
        self._say = say or quiet
        self._gated = GatedBench(bench, say=self._say, progress=progress or no_progress)

    def __enter__(self) -> Self:
        if self.bench.file.loudspeakers is not None:
            self._say(self.bench.file.loudspeakers.words())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._gated.look = None

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
        return self._gated.first_look(keep=keep)

    # -- capture ------------------------------------------------------------------------------------------------

    def record(self, stimulus: Stimulus, *, keep: Keep | None = None, doing: str = "measuring") -> Recording:
        """Play a stimulus through the gates and return the recording, aligned and trusted.

        keep : called with each raw capture and its recording before anything is analysed, also with refused ones.
        Raises InterlockRefusal (before any sound), CaptureError, DeviceError, Interrupted.
        """
        recording, _ = self._gated.through_gates(stimulus, keep, doing)
        return recording

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
        if in_blocks and keep is not None and silence.duration_s > _LONG_S and not self._gated.loads.counts:
            return self._gated.listened_long(silence, keep, doing)
        return self._gated.listened(silence, keep, doing)

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
        return set_output_level(self._gated, output_level, channels, frequency_hz, keep)

    def _asked(self, input_level: Level | None, output_level: Level | None) -> tuple[Level | None, Level | None]:
        """Return the level that is asked for, at input and output; the bench's usual one where none was given."""
        if input_level is None and output_level is None:
            return self.bench.file.usual_input_level, self.bench.file.usual_output_level
        return input_level, output_level

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
            rate_hz = self._gated.form.sample_rate_hz
            measurement.check(PlayContext(sample_rate_hz=rate_hz, channels=driven, input_level_v_rms=1.0), filled)
        if not measurement.takes_level:
            _refuse_level(measurement, input_level, output_level)
        if measurement.to_do:
            self._say(measurement.to_do.format(**filled))
        if measurement.search is not None:
            try:
                return measurement.analyse(searched(self._gated, measurement, filled, driven, keep), filled)
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
                frequency_hz=min(frequency_hz, 0.4 * self._gated.form.sample_rate_hz),
                keep=keep,
            )
        context = PlayContext(
            sample_rate_hz=self._gated.form.sample_rate_hz, channels=driven, input_level_v_rms=level_v_rms
        )
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

    # -- for a tone without an end (`measurement.live`) ----------------------------------------------------------

    def largest_gain_db(self) -> dict[int, float]:
        """Return channel → the largest gain over frequency that was found so far, for predictions."""
        return self._gated.largest_gain_db()

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
        self._gated.warn_hot(predictions)

    def learn_raise(self, more_db: Mapping[int, float]) -> None:
        """Take by how much more gain than at first look was seen, and predict with it. Raises CaptureError."""
        self._gated.gain.learn(self.first_look(), more_db)

    def load_watch(self) -> Also | None:
        """Return what follows the heat of the loads, for `Bench.watch`."""
        return self._gated.loads.watch()

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
        recording = self._gated.recording(
            capture, fractions, stimulus, place, purpose, (*notes, problem) if problem else notes
        )
        known = {key: value for key, value in recording.conditions.items() if key != "latency_frames"}
        return dataclasses.replace(recording, conditions=known), problem


def _refuse_level(measurement: Measurement, input_level: Level | None, output_level: Level | None) -> None:
    if input_level is not None or output_level is not None:
        why = "plays nothing" if measurement.silent else "finds its levels by itself"
        raise RequestError(f"{measurement.word} {why}: it takes no level; what it is compared with is its own option")


def open_session(bench_path: Path | None, *, say: Say | None = None, progress: Progress | None = None) -> Session:
    """Return a session on the bench of a file (None: the simulated bench). Opens no device yet."""
    return Session(open_bench_file(bench_path), say=say, progress=progress)
