"""Lists of pairs in a unit's file, such as modulation_percent = [[0.4, 0.02], [6.06, 0.05]]."""

from __future__ import annotations

from audiomeas.tomlfile import Table


def pairs(table: Table, key: str, message: str) -> tuple[tuple[float, float], ...]:
    """Take a list of pairs of numbers, [[a, b], …]; empty where the key is missing. message : what it must be."""
    found = table.any_value(key, [])
    if not isinstance(found, list):
        raise table.problem(key, message)
    for pair in found:
        numbers = isinstance(pair, list) and len(pair) == 2
        if not numbers or any(isinstance(n, bool) or not isinstance(n, int | float) for n in pair):
            raise table.problem(key, message)
    return tuple((float(first), float(second)) for first, second in found)


def pairs_above_0(
    table: Table, key: str, pair: str, first_at_most: float, second_at_most: float
) -> tuple[tuple[float, float], ...]:
    """Take [[a, b], …], both above 0 and at most so large. pair : in words."""
    message = (
        f"must be a list of {pair}, above 0, at most {first_at_most:g} and {second_at_most:g}, such as [[4, 0.05]]"
    )
    found = pairs(table, key, message)
    if not all(0.0 < first <= first_at_most and 0.0 < second <= second_at_most for first, second in found):
        raise table.problem(key, message)
    return found
