"""The logbook of a unit: what was done to it, heard and attached between visits, and what of them is to be corrected.

    book = audiomeas.logbook("D-0001")
    book.repair("output transistor Q7", reason="shorted", before="0 ohm", after="new")
    book.standing().measure_again

It is only added to: RECORDS/UNIT/logbook.jsonl, a line an entry, each with the SHA-256 of the line before (`chain`).
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from audiomeas.errors import FileProblem, RequestError
from audiomeas.measurement.result import Result
from audiomeas.record import chain
from audiomeas.record.attachments import attached, checked_size, kind_of
from audiomeas.record.entry import (
    Attachment,
    Content,
    Correction,
    Entry,
    Listening,
    Withdrawal,
    Work,
    checked_content,
    entry_of,
    facts_of,
    plain_text,
)
from audiomeas.record.unit import Unit
from audiomeas.record.unit_folder import (
    LOGBOOK_FILE,
    UnitFolder,
    find_unit,
    folder_of,
    made_folder,
    read_unit,
    refuse_namesakes,
)
from audiomeas.record.visit import RECORD_VERSION, StepRecord, Visit, read_visit
from audiomeas.record.void import Standing, counting, read_entries, standing, visits_of
from audiomeas.tomlfile import nearest

#: Kinds that an attached file can have.
ATTACHED_AS = ("photo", "paper")


def logbook(unit: Unit | str | Path, *, records: Path | str = "records", other_unit: bool = False) -> Logbook:
    """Open the logbook of a unit; what `audiomeas logbook` does.

    unit : its serial number or tag, its whole name ('Demo amplifier A, serial D-0001'; a new unit needs it), its
    folder, or a Unit.   other_unit : it is another one than those with the same serial number.
    Nothing is written before the first entry. Raises RequestError (no such unit, or several) and FileProblem.
    """
    found = folder_of(Path(records), unit) if isinstance(unit, Unit) else find_unit(Path(records), str(unit))
    if not found.known:
        refuse_namesakes(Path(records), found.unit, other_unit=other_unit)
    return Logbook(found, other_unit=other_unit)


def logbook_of_visit(visit: Path) -> Logbook:
    """Return the logbook of the unit whose visit stands in a folder. Raises FileProblem."""
    folder = visit.resolve().parent
    return Logbook(UnitFolder(unit=read_unit(folder), path=folder, known=True))


class Logbook:
    """A unit's logbook. Each method that writes returns the entry as it stands in it.

    by : who writes it.   minutes : how long it took. Texts are kept on one line.
    They raise RequestError (an empty or impossible value) and FileProblem (read-only, disk full).
    """

    def __init__(self, found: UnitFolder, *, other_unit: bool = False) -> None:
        self.unit, self.path = found.unit, found.path
        self._known, self._other_unit = found.known, other_unit

    @property
    def file(self) -> Path:
        """The file that it is kept in."""
        return self.path / LOGBOOK_FILE

    @property
    def entries(self) -> tuple[Entry, ...]:
        """All entries, oldest first. Raises FileProblem: changed, damaged, or of a newer version."""
        return self.readable_entries()

    def readable_entries(self, *, on_problem: Callable[[FileProblem], None] | None = None) -> tuple[Entry, ...]:
        """Return the entries that can be read; `on_problem` is told of the others (without it the first one raises)."""
        return read_entries(self.path, on_problem=on_problem)

    def standing(self, *, on_problem: Callable[[FileProblem], None] | None = None) -> Standing:
        """Return which results no longer hold since work on the unit, and which to measure again.

        on_problem : is told of each visit and line that can't be read, which is then left out; without it the first
        one raises FileProblem.
        """
        return standing(self.path, on_problem=on_problem) if self._known else Standing(void=(), measure_again=())

    def repair(
        self,
        part: str,
        *,
        reason: str,
        position: str = "",
        before: str = "",
        after: str = "",
        minutes: float | None = None,
        voids: Sequence[str] | None = None,
        by: str = "",
    ) -> Entry:
        """Write down a repair: what was replaced or mended, where, why, and the values before and after.

        voids : steps or measurements whose earlier results it voids; None: all; an empty one: none.
        """
        work = Work(part=part, reason=reason, position=position, before=before, after=after, minutes=minutes)
        return self._work("repair", work, voids, by)

    def adjust(
        self,
        part: str,
        *,
        reason: str,
        position: str = "",
        before: str = "",
        after: str = "",
        minutes: float | None = None,
        voids: Sequence[str] | None = None,
        by: str = "",
    ) -> Entry:
        """Write down an adjustment: which trimmer or screw, to what end, before and after. The rest as in `repair`."""
        work = Work(part=part, reason=reason, position=position, before=before, after=after, minutes=minutes)
        return self._work("adjustment", work, voids, by)

    def listen(self, text: str, *, minutes: float | None = None, by: str = "") -> Entry:
        """Write down what was heard."""
        return self._write("listening", Listening(text=text, minutes=minutes), by)

    def attach(self, file: Path | str, *, kind: str | None = None, caption: str = "", by: str = "") -> Entry:
        """Copy a photo or a paper (any file) beside the visits, with its SHA-256.

        kind : 'photo' or 'paper'; None: by the file's ending.
        """
        source = Path(file)
        chosen = kind_of(source) if kind is None else kind
        if chosen not in ATTACHED_AS:
            raise RequestError(f"unknown kind {kind!r}{nearest(chosen, list(ATTACHED_AS))}: photo or paper")
        caption, by = plain_text(caption, "caption", needed=False), plain_text(by, "by", needed=False)
        checked_size(source)  # before a new unit gets its folder
        found = attached(self._made(), source, caption=caption)
        if (line := self._line_with(found)) is not None:
            raise RequestError(f"{source} is attached already: {found.file}, line {line} of {self.file}")
        return self._write(chosen, found, by)

    def _line_with(self, attachment: Attachment) -> int | None:
        """Return the line that tells of an attached file; None when there is none, or the logbook can't be read."""
        with contextlib.suppress(FileProblem):
            for entry in self.entries:
                if isinstance(entry.content, Attachment) and entry.content.sha256 == attachment.sha256:
                    return entry.number
        return None

    def correct(
        self,
        visit: Path | str,
        *,
        step: str,
        to: str,
        reason: str,
        quantity: str = "",
        channel: int | None = None,
        by: str = "",
    ) -> Entry:
        """Write down what should have stood in a visit, which itself stays as it is.

        visit : its folder, or the name of that.   step, quantity, channel : whose value ('' and None: the whole step).
        to : what is right.   reason : why the other was wrong. A corrected value is no longer judged as a pass.
        """
        read = self._visit(Path(visit))
        found = _step_of(read, step)
        stood = _stood(found, quantity, channel) if quantity or channel is not None else ""
        correction = Correction(
            visit=read.path.name, step=step, to=to, reason=reason, quantity=quantity, channel=channel, stood=stood
        )
        return self._write("correction", correction, by)

    def withdraw(self, entry: int, *, reason: str, by: str = "") -> Entry:
        """Write down that an earlier entry (its line) counts no longer: it belongs to another unit, or never was so.

        It stays where it stands. Raises RequestError: no such entry, or one that was withdrawn already.
        """
        there = self.readable_entries(on_problem=lambda _: None)
        counts = {each.number for each in counting(there) if not isinstance(each.content, Withdrawal)}
        if entry not in counts:
            known = ", ".join(map(str, sorted(counts))) or "none"
            raise RequestError(f"entry {entry} of {self.unit.name!r} can't be withdrawn; lines that can: {known}")
        return self._write("withdrawal", Withdrawal(entry=entry, reason=reason), by)

    def _work(self, kind: str, work: Work, voids: Sequence[str] | None, by: str) -> Entry:
        return self._write(kind, replace(work, voids=self._checked_voids(voids)), by)

    def _write(self, kind: str, content: Content, by: str) -> Entry:
        content, by = checked_content(content), plain_text(by, "by", needed=False)
        file = self._made() / LOGBOOK_FILE
        line = chain.append(file, kind, **facts_of(content, by=by, version=RECORD_VERSION))
        return entry_of(line, str(file))

    def _made(self) -> Path:
        if not self._known:
            self.path = made_folder(self.path.parent, self.unit, other_unit=self._other_unit)
            self._known = True
        return self.path

    def _checked_voids(self, voids: Sequence[str] | None) -> tuple[str, ...] | None:
        """Return names that steps of this unit have. Raises RequestError with the nearest one."""
        if voids is None:
            return None
        names = (voids,) if isinstance(voids, str) else tuple(voids)
        visits = visits_of(self.path, on_problem=lambda _: None) if self._known and names else ()
        known = _once(name for visit in visits for step in visit.steps for name in (step.name, step.measurement))
        for name in names:
            if name.casefold() not in {each.casefold() for each in known}:
                there = f"measured of it: {', '.join(known)}" if known else "nothing was measured of it yet"
                raise RequestError(
                    f"no step or measurement of {self.unit.name!r} is called {name!r}{nearest(name, known)}; {there}"
                )
        return names

    def _visit(self, visit: Path) -> Visit:
        path = self.path / visit if len(visit.parts) == 1 else visit
        if path.resolve().parent != self.path.resolve():
            raise RequestError(f"{visit} is no visit of {self.unit.name!r}: those are in {self.path}")
        return read_visit(path.resolve(), hash_audio=False)


def _once(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))


def _step_of(visit: Visit, name: str) -> StepRecord:
    try:
        return visit.step(name)
    except KeyError:
        names = [step.name for step in visit.steps]
        there = f"steps: {', '.join(names)}" if names else "it has no steps"
        raise RequestError(f"{visit.path} has no step {name!r}{nearest(name, names)}; {there}") from None


def _stood(step: StepRecord, quantity: str, channel: int | None) -> str:
    """Return what stands in a step of a quantity, as text. Raises RequestError: no such quantity or channel."""
    there = {**_measured(step.result), **{(row.quantity, row.channel): (row.value, row.unit) for row in step.verdicts}}
    names = _once(name for name, _ in there)
    if quantity not in names:
        raise RequestError(f"step {step.name!r} has no quantity {quantity!r}{nearest(quantity, names)}: {_list(names)}")
    channels = [number for name, number in there if name == quantity]
    if channel is None and len(channels) == 1:
        channel = channels[0]
    if channel not in channels:
        numbers = ", ".join(str(number) for number in channels if number is not None)
        raise RequestError(f"{quantity} of step {step.name!r} has channels {numbers}: say which one is corrected")
    value, unit = there[quantity, channel]
    return "not known" if value is None else f"{value:.4g} {unit}".strip()


def _list(names: Sequence[str]) -> str:
    return ", ".join(names) if names else "nothing was measured"


def _measured(result: Result | None) -> dict[tuple[str, int | None], tuple[float | None, str]]:
    """Return the numbers of a result by key and channel; their unit stands in the key."""
    if result is None:
        return {}
    return {
        (key, each.channel): (value, "")
        for each in result.channels
        for key, value in each.values.items()
        if value is None or (isinstance(value, (int, float)) and not isinstance(value, bool))
    }
