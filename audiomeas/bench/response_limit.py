"""How far the response of a bench may be off where no loop has shown it: as its calibration states, else as is common.

A scale is read at one frequency, and one meter at both ends cancels in a gain: without this a gain elsewhere would look
as if nothing of the bench were open.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.bench.loopback import number_rows

if TYPE_CHECKING:
    from audiomeas.bench.calibration import Calibration
    from audiomeas.tomlfile import Table

#: Key of a calibration file.
RESPONSE_LIMIT_KEY = "response_limit"
#: Condition: by channel, where the limits are from and their rows of [Hz, dB].
RESPONSE_LIMIT = "bench_response_limit"
#: Where they are from, as printed.
STATED, COMMON = "as its calibration states", "common practice"
#: Output and input of a card together, against the frequency of calibration (315 to 400 Hz): Hz, dB. Common practice,
#: from memory: 0.05 dB to 1 kHz, half a decibel at the ends of the audio band, and beyond them little is sure: coupling
#: capacitors and anti-alias filters differ from card to card.
_COMMON_DB = (
    (1.0, 20.0),
    (10.0, 3.0),
    (20.0, 0.5),
    (100.0, 0.05),
    (315.0, 0.0),
    (400.0, 0.0),
    (1_000.0, 0.05),
    (10_000.0, 0.2),
    (20_000.0, 0.5),
    (40_000.0, 3.0),
    (90_000.0, 20.0),
)


def read_response_limit(table: Table) -> tuple[tuple[float, float], ...]:
    """Take what a calibration file states of its response; empty: nothing. Raises TomlProblem (file, line, key)."""
    message = "must be rows of [Hz, dB], the Hz rising, the dB zero or more, such as [[20, 0.3], [20000, 0.2]]"
    if RESPONSE_LIMIT_KEY not in table:
        return ()
    rows = tuple((hz, limit_db) for hz, limit_db in number_rows(table, RESPONSE_LIMIT_KEY, 2, message))
    rising = all(one[0] < other[0] for one, other in itertools.pairwise(rows))
    if not rising or any(hz <= 0.0 or limit_db < 0.0 for hz, limit_db in rows):
        raise table.problem(RESPONSE_LIMIT_KEY, message)
    return rows


def response_limit_conditions(calibration: Calibration, ranges: Mapping[int, str]) -> dict[str, Any]:
    """Return, as conditions, the limits of the response on those ranges in use that have no loopback.

    ranges : channel → range.   Empty where each has one: what is measured goes before what is stated.
    """
    stated = calibration.response_limit
    source, rows = (STATED, stated) if stated else (COMMON, _COMMON_DB)
    found = {
        str(channel): {"from": source, "limit_db": [list(row) for row in rows]}
        for channel, name in ranges.items()
        if calibration.loopback(channel, name) is None
    }
    return {RESPONSE_LIMIT: found} if found else {}
