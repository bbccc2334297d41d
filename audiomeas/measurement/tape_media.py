"""What is on a tape: of a side of ours its sidecar tells it, of a bought tape a TOML file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import FileProblem
from audiomeas.files import read_json
from audiomeas.measurement.media import TAPE_SIDE
from audiomeas.recording import check_facts, markers_from, sidecar_of
from audiomeas.tomlfile import read_toml

if TYPE_CHECKING:
    from audiomeas.tomlfile import Table

#: What a part can be for.
LEVEL, AZIMUTH, SPEED, RESPONSE, STEPS, SEPARATION, TRACKING, SILENCE, ERASED = (
    "level", "azimuth", "speed", "response", "steps", "separation", "tracking", "silence", "erased",
)  # fmt: skip
NAMES = (LEVEL, AZIMUTH, SPEED, RESPONSE, STEPS, SEPARATION, TRACKING, SILENCE, ERASED)
_WITHOUT_TONE = (SILENCE,)
_HIGHEST_HZ, _LONGEST_S = 40_000.0, 7200.0


@dataclass(frozen=True, kw_only=True)
class TapePart:
    """A part of a tape. name : one of NAMES.   level_db : re the tape's reference; None for silence.

    frequency_hz : of its tone, 0 without one.   other_hz : of the second channel, where it has a tone of its own.
    from_s, to_s : of its steady middle, in the tape's own time.
    """

    name: str
    frequency_hz: float
    level_db: float | None
    from_s: float
    to_s: float
    other_hz: float | None = None

    @property
    def tones_hz(self) -> tuple[float, ...]:
        """The tones that are heard in it; none in silence, nor where one was erased since."""
        if self.level_db is None or self.name == ERASED:
            return ()
        return (self.frequency_hz,) if self.other_hz is None else (self.frequency_hz, self.other_hz)

    @property
    def words(self) -> str:
        """What it is called where something is said of it."""
        return self.name if self.level_db is None else f"{self.name} {self.frequency_hz:g} Hz at {self.level_db:g} dB"


@dataclass(frozen=True, kw_only=True)
class TapeSide:
    """The parts of a tape, in order. name : of its file.   marks_s : where its two marks begin, None: it has none.

    equalization : how it was recorded (a name of `analysis.equalization_curves`); None: not said.
    """

    name: str
    parts: tuple[TapePart, ...]
    marks_s: tuple[float, float] | None
    equalization: str | None = None

    @property
    def length_s(self) -> float:
        """Seconds from its first sound to its last, at its own speed."""
        ends_s = [self.parts[0].from_s, self.parts[-1].to_s, *(self.marks_s or ())]
        return float(max(ends_s) - min(ends_s))

    def having(self, name: str) -> tuple[int, ...]:
        """Return the numbers (0-based) of the parts that are for something."""
        return tuple(number for number, part in enumerate(self.parts) if part.name == name)


def read_side(path: Path) -> TapeSide:
    """Read what is on a tape. path : of a side's sound file or sidecar, or of a TOML file. Raises FileProblem."""
    if path.suffix == ".toml":
        return _bought(path)
    sidecar = path if path.suffix == ".json" else sidecar_of(path)
    if not sidecar.exists():
        raise FileProblem(f"{sidecar} was not found: it tells what is on the side, keep it beside the side's sound")
    facts = read_json(sidecar)
    rows = facts.get("conditions", {}).get(TAPE_SIDE) if isinstance(facts, dict) else None
    if rows is None:
        raise FileProblem(
            f"{sidecar} is not of a tape's side: give what `audiomeas generate tape-side` wrote, or a .toml file that "
            "lists what is on a bought tape"
        )
    check_facts(facts, sidecar)
    try:
        rate_hz, markers = float(facts["sample_rate_hz"]), markers_from(facts["markers"])
        if markers is None or not rows:
            raise ValueError("a side has parts and marks")
        return TapeSide(
            name=path.name,
            parts=tuple(_part(row) for row in rows),
            marks_s=(markers[0] / rate_hz, markers[1] / rate_hz),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise FileProblem(f"{sidecar} is damaged: {error}") from None


def _part(row: dict[str, Any]) -> TapePart:
    name = str(row["name"])
    if name not in NAMES:
        raise ValueError(f"no part is for {name!r}")
    return TapePart(
        name=name,
        frequency_hz=float(row["frequency_hz"]),
        level_db=None if row["level_db"] is None else float(row["level_db"]),
        from_s=float(row["from_s"]),
        to_s=float(row["to_s"]),
        other_hz=None if row.get("other_hz") is None else float(row["other_hz"]),
    )


def _bought(path: Path) -> TapeSide:
    """Read a TOML file that lists the parts of a tape in order, each with the time that it lasts."""
    from audiomeas.analysis.equalization_curves import NAMES as CURVES

    table = read_toml(path)
    table.text("title", None)  # for people
    equalization = table.choice("equalization", [name for name in CURVES if name.startswith("tape-")], None)
    at_s, parts = 0.0, []
    for row in table.tables("part"):
        made = _bought_part(row, at_s)
        parts += made
        at_s = made[-1].to_s
    if not parts:
        raise table.problem(None, "no [[part]] is listed: what is on the tape?")
    table.finish()
    return TapeSide(name=path.name, parts=tuple(parts), marks_s=None, equalization=equalization)


def _bought_part(row: Table, at_s: float) -> list[TapePart]:
    """Return the parts of an entry: one for each frequency that it lists."""
    name = row.choice("name", list(NAMES))
    silent = name in _WITHOUT_TONE
    tones_hz = (0.0,) if silent else row.numbers("frequencies_hz", above=0.0)
    if max(tones_hz) > _HIGHEST_HZ:
        raise row.problem("frequencies_hz", f"no tape has a tone of {max(tones_hz):g} Hz")
    level_db = None if silent else row.number("level_db", at_least=-60.0, at_most=30.0)
    other_hz = row.number("other_hz", None, above=0.0, at_most=_HIGHEST_HZ) if name == SEPARATION else None
    each_s = row.number("each_s", above=0.5, at_most=_LONGEST_S)
    row.finish()
    return [
        TapePart(
            name=name,
            frequency_hz=hz,
            other_hz=other_hz,
            level_db=level_db,
            from_s=at_s + number * each_s,
            to_s=at_s + (number + 1) * each_s,
        )
        for number, hz in enumerate(tones_hz)
    ]
