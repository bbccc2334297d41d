"""A soak: hours in a run-in position, and the record of them. What `audiomeas soak` does.

Everything that happens is a line in the log of the visit's step before anything else is done with it, and the result is
made of that log alone. A soak that was broken off goes on in a step of its own, and its hours are summed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.bench.cautions import NOT_A_SAFETY_DEVICE
from audiomeas.bench.interlock import AT_OUTPUT, BeyondCeiling
from audiomeas.bench.loudspeakers import refuse_soak
from audiomeas.errors import CaptureError, InterlockRefusal, RequestError
from audiomeas.files import is_there
from audiomeas.measurement.result import Result
from audiomeas.measurement.session import Progress, Say, Session, quiet
from audiomeas.measurement.soak import WORD, heat_percent
from audiomeas.measurement.soak_lines import BEGIN
from audiomeas.plan.run import RunOutcome
from audiomeas.plan.soak_hand import Hand, NoHand
from audiomeas.plan.soak_request import PINK, STEP, TONE, SoakRequest, request_from
from audiomeas.record.resume import resume_visit
from audiomeas.record.soak_log import parts_of, read_parts
from audiomeas.record.store import (
    PlanAsRun,
    VisitWriter,
    checked_stage,
    open_visit,
    read_visit,
    refuse_visit,
    snapshot_of,
)
from audiomeas.record.unit_folder import unit_meant
from audiomeas.record.verdict_row import overall
from audiomeas.record.visit import PLAN_FILE
from audiomeas.tomlfile import nearest

if TYPE_CHECKING:
    from audiomeas.measurement.first_look import FirstLook
    from audiomeas.measurement.soak_source import SoakSound
    from audiomeas.record.unit import Unit

_TITLE = "Soak"
_CAUTIONS = (
    NOT_A_SAFETY_DEVICE,
    "it is no fire protection: stay with a unit that plays for hours, with a thermal cut-out and a trip in its mains",
)


@dataclass(frozen=True, kw_only=True)
class SoakOutcome(RunOutcome):
    """What a soak came to. visit : the record, read back."""

    @property
    def result(self) -> Result:
        """The result of all its parts."""
        found = self.visit.step(STEP).result
        assert found is not None
        return found

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as one JSON object."""
        return {**super().as_json(), WORD: self.result.as_json()}


def soak(
    request: SoakRequest | None = None,
    *,
    unit: Unit | str | None = None,
    bench: Path | str | None = None,
    loudspeakers: str | None = None,
    records: Path | str = "records",
    stage: str = "as-found",
    new_stay: bool = False,
    other_unit: bool = False,
    resume: Path | str | None = None,
    hand: Hand | None = None,
    say: Say | None = None,
    progress: Progress | None = None,
    **asked: Any,
) -> SoakOutcome:
    """Play for hours into dummy loads, watch each second, and keep the record.

        outcome = audiomeas.soak(unit="Demo amplifier A, serial D-0001", hours=4, rated="60 W")

    request : or its fields as arguments (`audiomeas.plan.soak_request.SoakRequest`).  hand : who answers prompts (d.c.
    offset, on and off); None: nobody.  resume : the folder of a soak that was broken off; unit and request are its own
    then.  On the simulated bench time passes as fast as it can be computed.  The rest as in `run`.
    Raises RequestError, FileProblem, InterlockRefusal before any sound; Interrupted when stopped, DeviceError when the
    card is lost (the record says so, and can be gone on with).
    """
    records = Path(records)
    if resume is None:
        if unit is None:
            raise RequestError("give the unit, such as 'Demo amplifier A, serial D-0001'")
        wanted = SoakRequest(**asked) if request is None else request
        who = unit_meant(records, unit) if isinstance(unit, str) else unit
        refuse_visit(records, who, checked_stage(stage), new_stay=new_stay, other_unit=other_unit)
    else:
        if request is not None or asked or unit is not None:
            raise RequestError("--resume goes on with what was asked for then: give no unit and no request with it")
        before = read_visit(Path(resume))
        wanted, who, stage = request_from(before.plan_text, before.path / PLAN_FILE), before.unit, before.stage
    person = hand or NoHand()
    if wanted.cycles and not person.there:
        raise RequestError(f"{wanted.cycles} cycles need somebody who switches the unit off and on: nobody is there")
    from audiomeas.measurement.api import open_bench

    with Session(open_bench(bench, loudspeakers=loudspeakers), say=say, progress=progress) as session:
        return soak_on(
            session,
            wanted,
            unit=who,
            records=records,
            stage=stage,
            new_stay=new_stay,
            other_unit=other_unit,
            resume=None if resume is None else Path(resume),
            hand=person,
            say=say,
            progress=progress,
        )


def soak_on(
    session: Session,
    request: SoakRequest,
    *,
    unit: Unit,
    records: Path,
    stage: str = "as-found",
    new_stay: bool = False,
    other_unit: bool = False,
    resume: Path | None = None,
    hand: Hand | None = None,
    say: Say | None = None,
    progress: Progress | None = None,
) -> SoakOutcome:
    """Soak on a bench that is open already. Raises as `soak`."""
    refuse_soak(session.bench.file.loudspeakers)
    ready = prepared(session, request)
    plan, snapshot = _as_run(request, ready), snapshot_of(session)
    parts: Sequence[Path] = ()
    done: frozenset[str] = frozenset()
    if resume is None:
        visit = open_visit(
            records, unit, stage, plan=plan, snapshot=snapshot, new_stay=new_stay, other_unit=other_unit
        )  # fmt: skip
    else:
        before = read_visit(resume)
        if not before.finished:
            _refuse_other_music(ready, parts_of(before, STEP))
        taken_up = resume_visit(resume, unit=unit, stage=stage, plan=plan, snapshot=snapshot)
        if taken_up.closed:
            return SoakOutcome(visit=taken_up.visit.verified())
        visit, parts, done = taken_up.writer, parts_of(taken_up.visit, STEP), taken_up.done
    return _through(session, ready, visit, parts, done, hand or NoHand(), say or quiet, progress)


@dataclass(frozen=True, kw_only=True)
class Ready:
    """What is known before any sound. channels : that are driven."""

    request: SoakRequest
    sound: SoakSound
    channels: tuple[int, ...]


def prepared(session: Session, request: SoakRequest) -> Ready:
    """Return a request as this bench can play it: channels, and the file gone through. Raises RequestError."""
    from audiomeas.measurement.soak_source import SoakSound, sound_of_file

    bench = session.bench
    channels = request.channels or bench.channels
    for channel in channels:
        bench.refuse_other_channel(channel)
    if request.sound == TONE:
        sound = SoakSound(frequency_hz=request.frequency_hz)
    elif request.sound == PINK:
        sound = SoakSound(kind="pink noise", crest_db=request.crest_db)
    else:
        sound = sound_of_file(_music_file(request.sound), bench.form.sample_rate_hz)
    return Ready(request=request, sound=sound, channels=channels)


def _music_file(given: str) -> Path:
    """Return what is neither tone nor pink noise as a file. Raises RequestError where there is none."""
    path = Path(given)
    if not is_there(path):
        hint = nearest(given, [TONE, PINK])
        raise RequestError(f"a soak plays {TONE}, {PINK} or a music file, and {given!r} is not there{hint}")
    return path


def _refuse_other_music(ready: Ready, parts: Sequence[Path]) -> None:
    """Raise RequestError where the file was changed since the soak began: what it played then is not this."""
    music = ready.sound.music
    begin = next((line for line in read_parts(parts) if line["line"] == BEGIN), None)
    known = None if begin is None else begin.get("sound", {}).get("sha256")
    if music is not None and known not in (None, music.sha256):
        raise RequestError(
            f"{music.path} is another file than the soak began with (its checksum differs): put that one back, or "
            "begin a new soak"
        )


def _as_run(request: SoakRequest, ready: Ready) -> PlanAsRun:
    steps = (STEP, *(reading.name for reading in request.offset_readings(ready.channels).values()))
    return PlanAsRun(title=_TITLE, kind="", file="", text=request.text(), steps=steps)


def _through(
    session: Session,
    ready: Ready,
    visit: VisitWriter,
    parts: Sequence[Path],
    done: frozenset[str],
    hand: Hand,
    tell: Say,
    progress: Progress | None,
) -> SoakOutcome:
    from audiomeas.plan.soak_run import SoakRun

    try:
        for line in (*(f"caution: {each}" for each in _CAUTIONS), *session.warnings, heat_words(ready.request)):
            if line:
                tell(line)
        level_v_rms = _level(session, ready, visit)
        going = SoakRun(session, ready, visit, level_v_rms, parts=parts, done=done, hand=hand, say=tell)
        going.progress = progress
        going.through()
        visit.finish(overall(going.rows, complete=going.all_entered))
    except BaseException as error:
        visit.break_off(error, tell)
        if not isinstance(error, InterlockRefusal):  # what is refused now would be refused again
            tell(f"go on with it later by: --resume {visit.path}")
        raise
    return SoakOutcome(visit=read_visit(visit.path).verified())


def heat_words(request: SoakRequest) -> str:
    """Return what a part of the rated power asks of an ideal class-B stage; '' where no rated power was named."""
    if request.rated is None:
        return ""
    share, heat = request.power_share, heat_percent(request.power_share)
    _, output = request.levels()
    return (
        f"{output} of {request.rated} ({share:.3g} of it) into each load: an ideal class-B stage makes {heat:.0f} % "
        "of its largest heat there (the largest is near 40 % of full power; a third makes 99 %)"
    )


def _level(session: Session, ready: Ready, visit: VisitWriter) -> float:
    """Return the level at the unit's input, found by measuring where it is one of the output; through the gates."""
    look_step = visit.begin_first_look()
    look: FirstLook = session.first_look(keep=look_step.keep)
    look_step.keep_look(look.facts())
    if silent := [channel for channel in ready.channels if channel in look.silent]:
        raise CaptureError(
            f"channel {silent[0]}: nothing came back at first look, so it can't soak: check cables, balance and output"
        )
    at_input, at_output = ready.request.levels()
    frequency_hz = ready.sound.frequency_hz
    level_v_rms = session.input_level_v_rms(
        input_level=at_input,
        output_level=at_output,
        channels=ready.channels,
        frequency_hz=frequency_hz,
        keep=look_step.keep,
    )
    try:
        session.allow_lasting(
            level_v_rms=level_v_rms, frequency_hz=frequency_hz, channels=ready.channels, crest=ready.sound.crest
        )
    except BeyondCeiling as refusal:
        if at_output is None:
            raise
        raise refusal.with_highest(at_output, AT_OUTPUT) from None
    return level_v_rms


__all__ = ["Ready", "SoakOutcome", "SoakRequest", "heat_words", "prepared", "soak", "soak_on"]
