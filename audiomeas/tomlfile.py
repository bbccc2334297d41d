"""Read TOML files with every key checked, and say file, line and key of what is wrong.

A reader takes each key it knows by a typed call (`text`, `number`, `choice` …) and ends with `finish()`, which refuses
what was not asked for and names the nearest valid key. So the list of valid keys can't drift from the code.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from datetime import date, datetime
from pathlib import Path
from typing import Any

from audiomeas.errors import FileProblem, TomlProblem
from audiomeas.files import read_text

_MISSING: Any = object()
#: TOML 1.0: whole numbers have 64 bits.
_LARGEST_WHOLE = 2**63


def nearest(word: str, valid: list[str]) -> str:
    """Return ' (did you mean …?)' for the nearest valid word, or ''."""
    close = difflib.get_close_matches(word, valid, n=1, cutoff=0.5)
    return f" (did you mean {close[0]!r}?)" if close else ""


_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?")


def _line_of(text: str, path: list[str | int]) -> int | None:
    """Return the 1-based line where a key stands; else that of its table's header; None when neither is found.

    path : names and (for lists of tables) 0-based entry numbers, the key last.
    """
    names = [part for part in path[:-1] if isinstance(part, str)]
    entries = [part for part in path[:-1] if isinstance(part, int)]
    key = str(path[-1])
    key_line = re.compile(rf'^\s*["\']?{re.escape(key)}["\']?\s*=')
    current: list[str] = []
    counted: dict[str, int] = {}
    header_line: int | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header is not None:
            current = [part.strip().strip("\"'") for part in header.group(2).split(".")]
            if header.group(1) == "[[":
                _count_entry(counted, ".".join(current))
            if current in (names, [*names, key]) and _at_entries(names, entries, counted):
                header_line = number if header_line is None or current == names else header_line
        elif current == names and key_line.match(line) and _at_entries(names, entries, counted):
            return number
    return header_line


def _count_entry(counted: dict[str, int], name: str) -> None:
    """Count one more [[name]]; the lists inside it start again."""
    counted[name] = counted.get(name, -1) + 1
    for inner in [other for other in counted if other.startswith(name + ".")]:
        del counted[inner]


def _at_entries(names: list[str], entries: list[int], counted: dict[str, int]) -> bool:
    """Tell whether the [[lists]] counted so far stand at the wanted entries."""
    outward = [".".join(names[: depth + 1]) for depth in range(len(names))]
    return [counted[name] for name in outward if name in counted] == entries


class Table:
    """One table of a TOML file, read key by key."""

    def __init__(self, data: dict[str, Any], *, file: Path, source: str, path: list[str | int] | None = None) -> None:
        self._data = data
        self._file = file
        self._source = source
        self._path: list[str | int] = path or []
        self._asked: list[str] = []

    @property
    def file(self) -> Path:
        """The file that this table comes from."""
        return self._file

    @property
    def source(self) -> str:
        """The whole text of that file."""
        return self._source

    def problem(self, key: str | None, message: str) -> TomlProblem:
        """Return an error that names file, line and key; the caller raises it."""
        path = [*self._path, key] if key is not None else self._path
        line = self._line(key)
        where = f"{self._file}" + (f", line {line}" if line else "")
        dotted = ""
        for part in path:
            dotted += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if dotted else str(part))
        return TomlProblem(f"{where}: {dotted + ': ' if dotted else ''}{message}")

    def _line(self, key: str | None) -> int | None:
        """Return the line of a key; where it has none that of its table, or of the list that it is in."""
        if key is None and not self._path:
            return None
        line = _line_of(self._source, [*self._path, key or ""])
        return line or (_line_of(self._source, self._path[:1]) if self._path else None)

    def _take(self, key: str, default: Any) -> Any:
        self._asked.append(key)
        if key in self._data:
            return self._data[key]
        if default is _MISSING:
            close = difflib.get_close_matches(key, [name for name in self._data if name not in self._asked], n=1)
            instead = f" (there is {close[0]!r})" if close else ""
            raise self.problem(None, f"the key {key!r} is missing{instead}")
        return default

    def __contains__(self, key: str) -> bool:
        return key in self._data

    def keys(self) -> list[str]:
        """Return the keys that the file has here."""
        return list(self._data)

    def text(self, key: str, default: Any = _MISSING, *, allow_empty: bool = False) -> Any:
        """Take a string."""
        value = self._take(key, default)
        if value is default and default is not _MISSING:
            return value
        if not isinstance(value, str):
            raise self.problem(key, f"must be a text in quotes, not {_kind(value)}")
        if not value.strip() and not allow_empty:
            raise self.problem(key, "must not be empty")
        return value

    def choice(self, key: str, valid: list[str], default: Any = _MISSING) -> Any:
        """Take one of a list of words."""
        value = self._take(key, default)
        if value is default and default is not _MISSING:
            return value
        if value not in valid:
            hint = nearest(value, valid) if isinstance(value, str) else ""
            raise self.problem(key, f"{value!r} is not one of {', '.join(valid)}{hint}")
        return value

    def number(
        self,
        key: str,
        default: Any = _MISSING,
        *,
        above: float | None = None,
        at_least: float | None = None,
        at_most: float | None = None,
    ) -> Any:
        """Take a finite number inside limits."""
        value = self._take(key, default)
        if value is default and default is not _MISSING:
            return value
        return self._number(key, value, above=above, at_least=at_least, at_most=at_most)

    def _number(
        self, key: str, value: Any, *, above: float | None, at_least: float | None, at_most: float | None
    ) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise self.problem(key, f"must be a number, not {_kind(value)}")
        try:
            number = float(value)
        except OverflowError:  # a whole number of hundreds of digits
            number = math.inf
        if not math.isfinite(number):
            raise self.problem(key, "must be a finite number")
        if above is not None and not number > above:
            raise self.problem(key, f"must be above {above:g}, not {number:g}")
        if at_least is not None and number < at_least:
            raise self.problem(key, f"must be at least {at_least:g}, not {number:g}")
        if at_most is not None and number > at_most:
            raise self.problem(key, f"must be at most {at_most:g}, not {number:g}")
        return number

    def integer(
        self, key: str, default: Any = _MISSING, *, at_least: int | None = None, at_most: int | None = None
    ) -> Any:
        """Take a whole number inside limits."""
        value = self._take(key, default)
        if value is default and default is not _MISSING:
            return value
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.problem(key, f"must be a whole number, not {_kind(value)}")
        return int(self._number(key, value, above=None, at_least=at_least, at_most=at_most))

    def numbers(self, key: str, default: Any = _MISSING, *, above: float | None = None) -> Any:
        """Take a list of finite numbers, returned as a tuple."""
        value = self._take(key, default)
        if value is default and default is not _MISSING:
            return value
        if not isinstance(value, list) or not value:
            what = "an empty list" if value == [] else _kind(value)
            raise self.problem(key, f"must be a list of numbers, not {what}")
        return tuple(self._number(key, item, above=above, at_least=None, at_most=None) for item in value)

    def texts(self, key: str, default: Any = _MISSING) -> Any:
        """Take a list of strings, returned as a tuple."""
        value = self._take(key, default)
        if value is default and default is not _MISSING:
            return value
        if not isinstance(value, list) or not all(isinstance(item, str) and item.strip() for item in value):
            raise self.problem(key, "must be a list of texts in quotes")
        return tuple(value)

    def truth(self, key: str, default: Any = _MISSING) -> Any:
        """Take true or false."""
        value = self._take(key, default)
        if value is default and default is not _MISSING:
            return value
        if not isinstance(value, bool):
            raise self.problem(key, f"must be true or false, not {_kind(value)}")
        return value

    def day(self, key: str, default: Any = _MISSING) -> Any:
        """Take a date (2026-11-25)."""
        value = self._take(key, default)
        if value is default and default is not _MISSING:
            return value
        if isinstance(value, datetime):
            return value.date()
        if not isinstance(value, date):
            raise self.problem(key, f"must be a date such as 2026-11-25 (no quotes), not {_kind(value)}")
        return value

    def any_value(self, key: str, default: Any = _MISSING) -> Any:
        """Take a value of whatever type; the caller checks it."""
        return self._take(key, default)

    def table(self, key: str, *, optional: bool = False) -> Table | None:
        """Take a sub-table; None when optional and absent."""
        value = self._take(key, None if optional else _MISSING)
        if value is None:
            return None
        if not isinstance(value, dict):
            raise self.problem(key, f"must be a table ([{key}]), not {_kind(value)}")
        return Table(value, file=self._file, source=self._source, path=[*self._path, key])

    def tables(self, key: str, *, optional: bool = False) -> list[Table]:
        """Take a list of tables ([[key]])."""
        value = self._take(key, [] if optional else _MISSING)
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.problem(key, f"must be a list of tables ([[{key}]]), not {_kind(value)}")
        return [
            Table(item, file=self._file, source=self._source, path=[*self._path, key, number])
            for number, item in enumerate(value)
        ]

    def inside(self, key: str, number: int, data: dict[str, Any]) -> Table:
        """Return a table that stands as an entry (0-based) of a list taken with `any_value`."""
        return Table(data, file=self._file, source=self._source, path=[*self._path, key, number])

    def refuse_too_large(self) -> None:
        """Refuse whole numbers that TOML does not have (beyond 64 bits): no computer counts with them."""
        for key, value in self._data.items():
            if _has_too_large(value):
                raise self.problem(key, "holds a number that is too large: no quantity has so many digits")

    def finish(self) -> None:
        """Refuse the keys that nobody asked for."""
        for key in self._data:
            if key not in self._asked:
                valid = list(dict.fromkeys(self._asked))
                raise self.problem(key, f"unknown key{nearest(key, valid)}; valid keys: {', '.join(valid)}")


def _has_too_large(value: Any) -> bool:
    if isinstance(value, dict):
        return any(map(_has_too_large, value.values()))
    if isinstance(value, list):
        return any(map(_has_too_large, value))
    return isinstance(value, int) and abs(value) > _LARGEST_WHOLE


def _kind(value: Any) -> str:
    names = {bool: "true/false", int: "a number", float: "a number", str: "a text", list: "a list", dict: "a table"}
    return names.get(type(value), type(value).__name__)


def read_toml(file: Path) -> Table:
    """Read a TOML file. Raises FileProblem (missing, empty, no text) or TomlProblem (syntax, with the line)."""
    source = read_text(file)
    if not source.strip():
        raise FileProblem(f"{file} is empty: a TOML file with keys was expected")
    try:
        data = tomllib.loads(source)
    except tomllib.TOMLDecodeError as error:
        raise TomlProblem(f"{file}: not valid TOML: {error}") from None
    except RecursionError:
        raise TomlProblem(f"{file}: nested too deeply for a TOML file") from None
    table = Table(data, file=file, source=source)
    table.refuse_too_large()
    return table
