"""What a records folder keeps of batches, beside the visits of their units: names, and the proof that none was changed.

`plan/batch_folder.py` writes these folders. The visits of a batch are proved as all others; here stands what tells
which units it went through.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from audiomeas.files import read_text
from audiomeas.record import journal
from audiomeas.record.checksums import CHECKSUM_FILE, differences
from audiomeas.record.unit import unit_from_json
from audiomeas.record.unit_folder import folder_of
from audiomeas.record.visit import VISIT_FILE, folders, guarded, versioned

BATCHES_FOLDER = "batches"
STACK_FILE, BATCH_FILE = "stack.toml", "batch.json"
#: Journal events after which a unit of a batch is not taken up again.
DONE, FAILED, SKIPPED = "unit done", "unit failed", "unit skipped"
FINISHED = "finished"


def batch_folders(records: Path) -> list[Path]:
    """Return the folders of the batches in a records folder, by name. Raises FileProblem."""
    parent = records / BATCHES_FOLDER
    return folders(parent, holding="") if parent.is_dir() else []


def is_batch(folder: Path) -> bool:
    """Return whether a folder is a batch's, also when a file of it was lost."""
    return (folder / BATCH_FILE).exists() or folder.resolve().parent.name == BATCHES_FOLDER


def batch_notes(folder: Path) -> Iterator[str]:
    """Yield what of a batch is no damage, but proves nothing either. Raises FileProblem."""
    if not (folder / BATCH_FILE).exists() and not (folder / CHECKSUM_FILE).exists():
        yield f"{folder} was broken off before its first unit"
    elif not (folder / CHECKSUM_FILE).exists():
        yield f"{folder} has no checksums yet: they are written when it has gone through all units (batch --resume)"


def batch_problems(folder: Path) -> Iterator[str]:
    """Yield what of a batch is not as it was: files, and visits that it tells of. Raises FileProblem."""
    changed = list(differences(folder, closed=False))
    yield from changed
    if changed or not (folder / BATCH_FILE).exists():
        return
    read_text(folder / STACK_FILE)
    file = folder / BATCH_FILE
    facts = versioned(file)
    units = guarded(file, lambda: {int(each["number"]): unit_from_json(each["unit"]) for each in facts["units"]})
    records = folder.resolve().parent.parent
    lines = folder / journal.NAME
    for event in journal.read(lines) if lines.exists() else ():
        if not event.get("visit"):
            continue
        number = event.get("number")
        if number not in units:
            yield f"{lines} tells of a unit {number!r}, and its {BATCH_FILE} has none of that number"
            continue
        visit = folder_of(records, units[number]).path / str(event["visit"])
        if not (visit / VISIT_FILE).exists():
            yield f"{visit} is missing: {lines} tells of it"
