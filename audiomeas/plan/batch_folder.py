"""What is kept of a batch: a folder that says which stack it runs, and a journal of which units are done.

records/batches/2026-11-26T160000Z-shelf-of-november/
    stack.toml      the stack file as it was
    batch.json      its units, and the SHA-256 of each plan
    journal.jsonl   one line an event, synced
    checksums.sha256   of these three, once it has gone through all units

The measurements themselves are the visits of the units; each visit says in visit.json to which batch it belongs, so a
crash at any point leaves nothing that can't be found again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audiomeas import __version__
from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import read_json, read_text, translated, write_new_json, write_new_text
from audiomeas.plan.stack import Entry, Stack
from audiomeas.record import journal
from audiomeas.record.batches import (
    BATCH_FILE,
    BATCHES_FOLDER,
    DONE,
    FAILED,
    FINISHED,
    SKIPPED,
    STACK_FILE,
    batch_folders,
)
from audiomeas.record.checksums import CHECKSUM_FILE, write_checksums
from audiomeas.record.lock import Held, hold
from audiomeas.record.store import new_folder
from audiomeas.record.unit import slug
from audiomeas.record.visit import RECORD_VERSION, RESUMED_EVENT

_OPENED = "opened"


@dataclass(frozen=True, kw_only=True)
class Done:
    """What the journal says of one unit. event : done, failed, skipped.  visit : its folder's name, '' without one."""

    event: str
    visit: str
    reason: str
    status: int


class BatchFolder:
    """A batch on the disk. It only ever adds."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @property
    def name(self) -> str:
        """What the visits of this batch say."""
        return self.path.name

    def hold(self) -> Held:
        """Keep other programs from running this batch, until it is released or this program ends.

        Raises RequestError: another one runs it. Raises FileProblem.
        """
        file = self.path / journal.NAME
        if not file.exists():  # a crash came before its first line
            self.note(_OPENED)
        held = hold(file)
        if held is None:
            raise RequestError(f"the batch {self.path} is being run by another program: end that one first")
        if cut_off := journal.mend(file):
            self.note(RESUMED_EVENT, cut_off=cut_off)
        return held

    def note(self, event: str, **facts: Any) -> None:
        """Add a line to the journal. Raises FileProblem."""
        journal.append(self.path / journal.NAME, event, **facts)

    def note_unit(self, event: str, number: int, *, visit: str = "", reason: str = "", status: int = 0) -> None:
        """Add what became of a unit. Raises FileProblem."""
        self.note(event, number=number, visit=visit, reason=reason, status=status)

    def finish(self) -> None:
        """Add that all units were gone through, and the checksums: nothing is added any more. Raises FileProblem."""
        if not any(event["event"] == FINISHED for event in self.events()):  # else it ended between the two
            self.note(FINISHED)
        write_checksums(self.path)

    def events(self) -> tuple[Mapping[str, Any], ...]:
        """Return the journal; empty when a crash came before its first line. Raises FileProblem."""
        file = self.path / journal.NAME
        return journal.read(file) if file.exists() else ()

    @property
    def finished(self) -> bool:
        """All units were gone through, and nothing is added any more."""
        return (self.path / CHECKSUM_FILE).exists()

    def done(self) -> dict[int, Done]:
        """Return what became of the units that are not taken up again, by their number. Raises FileProblem."""
        found = {}
        for event in self.events():
            if event["event"] in (DONE, FAILED, SKIPPED):
                found[int(event["number"])] = Done(
                    event=event["event"],
                    visit=str(event["visit"]),
                    reason=str(event["reason"]),
                    status=int(event["status"]),
                )
        return found


def begin_batch(records: Path, stack: Stack) -> BatchFolder:
    """Make a new batch's folder. Raises FileProblem, and RequestError when one of the same stack is not finished."""
    unfinished = _unfinished(records, stack)
    if unfinished is not None:
        raise RequestError(
            f"the batch {unfinished.path} of this stack is not finished: go on with --resume, "
            "or begin another one with --anew (what it measured stays)"
        )
    return begin_anew(records, stack)


def begin_anew(records: Path, stack: Stack) -> BatchFolder:
    """Make a new batch's folder, whatever others there are. Raises FileProblem."""
    with translated(records / BATCHES_FOLDER, "write"):
        (records / BATCHES_FOLDER).mkdir(parents=True, exist_ok=True)
    opened_at = journal.utc_now()
    title = slug(stack.title, otherwise="stack", longest=40)
    folder = new_folder(records / BATCHES_FOLDER, f"{opened_at:%Y-%m-%dT%H%M%SZ}-{title}")
    write_new_text(folder / STACK_FILE, stack.text)
    facts = {
        "audiomeas": __version__,
        "record": RECORD_VERSION,
        "title": stack.title,
        "opened_at": journal.iso(opened_at),
        "units": [_facts(entry) for entry in stack.entries],
    }
    write_new_json(folder / BATCH_FILE, facts)
    batch = BatchFolder(folder)
    batch.note(_OPENED)
    return batch


def find_batch(records: Path, stack: Stack) -> BatchFolder:
    """Return the newest batch of a stack that is not finished.

    Raises RequestError: there is none, or the stack or one of its plans was changed meanwhile.
    """
    batch = _unfinished(records, stack)
    if batch is None:
        raise RequestError(f"no batch of {stack.path} is unfinished in {records}: leave --resume out to begin one")
    if read_text(batch.path / STACK_FILE) != stack.text:
        raise RequestError(
            f"{stack.path} was changed since {batch.path} began: bring back its {STACK_FILE}, or begin with --anew"
        )
    kept = read_json(batch.path / BATCH_FILE)["units"]
    for entry, before in zip(stack.entries, kept, strict=True):
        if _facts(entry) != before:
            raise RequestError(
                f"unit {entry.number} of {stack.path} ({entry.unit.name}) has another plan than when {batch.path} "
                f"began: bring back {entry.plan.path}, or begin with --anew"
            )
    return batch


def _facts(entry: Entry) -> dict[str, Any]:
    return {
        "number": entry.number,
        "unit": entry.unit.as_json(),
        "stage": entry.stage,
        "plan": entry.plan.title,
        "plan_sha256": hashlib.sha256(entry.plan.text.encode()).hexdigest(),
    }


def _unfinished(records: Path, stack: Stack) -> BatchFolder | None:
    """Return the newest unfinished batch of a stack of this title. One without batch.json never began."""
    begun = [each for each in batch_folders(records) if (each / BATCH_FILE).is_file()]
    for folder in reversed(begun):
        data = read_json(folder / BATCH_FILE)
        if not isinstance(data, dict) or "title" not in data or "units" not in data:
            raise FileProblem(f"{folder / BATCH_FILE} is damaged: move the folder {folder} away")
        batch = BatchFolder(folder)
        if data["title"] == stack.title and not batch.finished:
            return batch
    return None
