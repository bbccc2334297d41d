"""The call behind `live`: a bench, a knob, and where its takes are kept: a folder of captures, or a unit's record."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from audiomeas.errors import FileProblem
from audiomeas.files import refuse_full_disk, write_new_json
from audiomeas.measurement.api import CaptureFolder, open_bench
from audiomeas.measurement.live import Knob, opened_knob
from audiomeas.measurement.live_listen import Ear, opened_ear
from audiomeas.measurement.live_take import TAKE_S, TAKEN_AS, Store
from audiomeas.measurement.result import Result
from audiomeas.measurement.session import Progress, Say, Session, quiet
from audiomeas.record.store import PlanAsRun, VisitWriter, checked_stage, open_visit, refuse_visit, snapshot_of
from audiomeas.record.unit import Unit
from audiomeas.record.unit_folder import unit_meant
from audiomeas.units import Level, parse_level

if TYPE_CHECKING:
    from audiomeas.interface.transport import Capture
    from audiomeas.recording import Recording

#: What stands in a record in place of a plan.
_NO_PLAN = "# No plan: these are takes of `audiomeas live`, made by hand.\n"
_TITLE = "Takes by hand"


@contextmanager
def live(
    *,
    bench: Path | str | None = None,
    frequency_hz: float = 1000.0,
    input_level: str | Level | None = None,
    output_level: str | Level | None = None,
    channels: tuple[int, ...] | None = None,
    take_s: float = TAKE_S,
    captures: Path | str | None = None,
    unit: Unit | str | None = None,
    records: Path | str = "records",
    stage: str = "as-found",
    new_stay: bool = False,
    other_unit: bool = False,
    loudspeakers: str | None = None,
    say: Say | None = None,
    progress: Progress | None = None,
) -> Iterator[Knob]:
    """Put a tone into the hand; what `audiomeas live` does. A context manager: leaving it fades to silence first.

        with audiomeas.live(input_level="100 mV") as knob:
            knob.unmute()
            reading = knob.wait(1.5)

    It begins muted, at a level as quiet as the first look where none is given (an output level is found by measuring
    first). The knob must be used at least once a second (`wait`, `reading`, `readings`), else the tone fades.
    captures : a folder for what is taken; unit, records, stage (new_stay, other_unit as in `run`) : a record for it
    instead; neither: takes are not kept.
    The rest as in `measure`. Raises AudiomeasError.
    """
    who = unit_meant(Path(records), unit) if isinstance(unit, str) else unit
    checked_stage(stage)
    opened = partial(open_visit, Path(records), stage=stage, new_stay=new_stay, other_unit=other_unit)
    if who is not None:
        refuse_visit(Path(records), who, stage, new_stay=new_stay, other_unit=other_unit)
    with Session(open_bench(bench, loudspeakers=loudspeakers), say=say, progress=progress) as session:
        record = None if who is None else _TakesOfUnit(session, who, opened)
        store: Store | None = record
        if record is None and captures is not None:
            store = _TakesInFolder(CaptureFolder(Path(captures), "live"))
        level_v_rms = _level_v_rms(session, input_level, output_level, channels, frequency_hz)
        try:
            with opened_knob(
                session,
                frequency_hz=frequency_hz,
                level_v_rms=level_v_rms,
                channels=channels,
                take_s=take_s,
                store=store,
            ) as knob:
                yield knob
        except BaseException as error:
            if record is not None:
                record.broke_off(error, say or quiet)
            raise
        if record is not None:
            record.finish()


@contextmanager
def live_listen(
    *,
    bench: Path | str | None = None,
    frequency_hz: float | None = None,
    loudspeakers: str | None = None,
    say: Say | None = None,
    progress: Progress | None = None,
) -> Iterator[Ear]:
    """Read a tone that the unit plays by itself, while a trimmer is turned; what `audiomeas live --listen-only` does.

        with audiomeas.live_listen(frequency_hz=10_000) as ear:
            print(ear.wait(6.0).pair["azimuth_deg"])

    Nothing is sent, and nothing taken. frequency_hz : what the tone was made with; None: 3000 or 3150 Hz, if near.
    The rest as in `live`. Raises AudiomeasError.
    """
    with (
        Session(open_bench(bench, loudspeakers=loudspeakers), say=say, progress=progress) as session,
        opened_ear(session, nominal_hz=frequency_hz) as ear,
    ):
        yield ear


def _level_v_rms(
    session: Session,
    input_level: str | Level | None,
    output_level: str | Level | None,
    channels: tuple[int, ...] | None,
    frequency_hz: float,
) -> float | None:
    if input_level is None and output_level is None:
        return None
    return session.input_level_v_rms(
        input_level=parse_level(input_level) if isinstance(input_level, str) else input_level,
        output_level=parse_level(output_level) if isinstance(output_level, str) else output_level,
        channels=session.bench.channels if channels is None else channels,
        frequency_hz=frequency_hz,
    )


class _TakesInFolder:
    """Keeps each take in a folder: the capture, its sidecar, and FILE.result.json beside them."""

    def __init__(self, folder: CaptureFolder) -> None:
        self._folder = folder

    def __call__(self, capture: Capture, recording: Recording, result: Result | None, problem: str) -> Path:
        refuse_full_disk(self._folder.folder)
        path = self._folder(capture, recording)
        if result is not None:
            write_new_json(path.with_name(f"{path.name}.result.json"), result.as_json())
        return path


class _TakesOfUnit:
    """Keeps each take as a step of one visit, which begins with the first take."""

    def __init__(self, session: Session, unit: Unit, opened: Callable[..., VisitWriter]) -> None:
        self._session, self._unit, self._open = session, unit, opened
        self._visit: VisitWriter | None = None
        self._taken = 0

    def __call__(self, capture: Capture, recording: Recording, result: Result | None, problem: str) -> Path:
        if self._visit is None:
            self._visit = self._opened()
        refuse_full_disk(self._visit.path)
        self._taken += 1
        conditions = {key: recording.conditions[key] for key in ("input_level_v_rms", "driven_channels")}
        step = self._visit.begin_step(f"Take {self._taken}", TAKEN_AS, conditions)
        path = step.keep(capture, recording)
        if result is None:
            step.fail(problem, (), status=FileProblem.exit_status)
        else:
            step.finish(result, ())
        return path

    def _opened(self) -> VisitWriter:
        plan = PlanAsRun(title=_TITLE, kind=self._unit.kind, file="", text=_NO_PLAN, steps=())
        visit = self._open(self._unit, plan=plan, snapshot=snapshot_of(self._session))
        visit.begin_first_look().keep_look(self._session.first_look().facts())
        return visit

    def finish(self) -> None:
        """Close the record."""
        if self._visit is not None:
            self._visit.finish(None)

    def broke_off(self, error: BaseException, say: Say) -> None:
        """Write down why it ended early."""
        if self._visit is not None:
            self._visit.break_off(error, say)
