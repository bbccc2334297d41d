"""What the bench itself adds on one range, as a loop cable shows it: response, distortion, noise, polarity.

All of it is relative (decibels against the tone or against full scale), so that it stays true when the scale in volts
is calibrated again. Its response is taken off levels and gains of tones. Nothing is taken off a ratio: a loop shows
output and input together, and the harmonics of two devices may add or cancel; they go into the uncertainty, or make
bounds (`measurement/bench_own.py`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from audiomeas.bench.origin import ScaleOrigin, origin_of

if TYPE_CHECKING:
    from audiomeas.tomlfile import Table

_AUDIO_HZ = (20.0, 20_000.0)
#: A row of `residual` above the highest of a range by this is worth having from another range of the same input.
_HIGHER_DB = 1.0


@dataclass(frozen=True, kw_only=True)
class ResponsePoint:
    """The loop's gain at a frequency against that at the calibration frequency. uncertainty_db : 95 % half-width."""

    frequency_hz: float
    gain_db: float
    uncertainty_db: float

    def values(self) -> tuple[float, ...]:
        """Return the row of the file."""
        return (self.frequency_hz, self.gain_db, self.uncertainty_db)


@dataclass(frozen=True, kw_only=True)
class ResidualPoint:
    """What the loop adds to a tone. level_dbfs : of the tone as captured.  thd_db, thd_n_db : relative to the tone.

    Both are upper limits: what was found and its uncertainty, or what noise leaves possible (at_most).
    """

    frequency_hz: float
    level_dbfs: float
    thd_db: float
    thd_n_db: float
    at_most: bool = False

    def values(self) -> tuple[float, ...]:
        """Return the row of the file, 1 for a limit that noise sets."""
        return (self.frequency_hz, self.level_dbfs, self.thd_db, self.thd_n_db, int(self.at_most))


@dataclass(frozen=True, kw_only=True)
class Loopback:
    """One channel on one range. reference_hz : where the response is 0 dB.

    noise_dbfs : 20 Hz to 20 kHz, nothing played (0 dBFS: a full-scale sine, AES17); uncertainty_db : of it, 95 %
    half-width.  noise_at_most : rounding hides what is below.   polarity : 1, or -1 where the loop inverts.
    """

    channel: int
    range_name: str
    reference_hz: float
    response: tuple[ResponsePoint, ...]
    residual: tuple[ResidualPoint, ...]
    noise_dbfs: float
    noise_uncertainty_db: float
    noise_at_most: bool
    polarity: int
    origin: ScaleOrigin

    @property
    def farthest_off(self) -> ResponsePoint | None:
        """The point of the audio band whose gain is farthest from 0 dB; None where no point lies in it."""
        audio = [point for point in self.response if _AUDIO_HZ[0] <= point.frequency_hz <= _AUDIO_HZ[1]]
        return max(audio, key=lambda point: abs(point.gain_db), default=None)

    @property
    def loudest(self) -> ResidualPoint:
        """The residual beside the loudest tone."""
        return max(self.residual, key=lambda row: row.level_dbfs)


def read_loopbacks(table: Table) -> tuple[Loopback, ...]:
    """Take all [[loopback]] entries of a calibration file. Raises TomlProblem (file, line, key)."""
    found: list[Loopback] = []
    for entry in table.tables("loopback", optional=True):
        origin = origin_of(entry)
        if origin is None:
            raise entry.problem("made", "is missing: a loopback says when, how and at which rates it was made")
        one = Loopback(
            channel=entry.integer("channel", at_least=1, at_most=64),
            range_name=entry.text("range"),
            reference_hz=entry.number("reference_hz", above=0.0, at_most=1e5),
            response=_response(entry),
            residual=_residual(entry),
            noise_dbfs=entry.number("noise_dbfs", at_least=-250.0, at_most=-20.0),
            noise_uncertainty_db=entry.number("noise_uncertainty_db", at_least=0.0, at_most=20.0),
            noise_at_most=entry.truth("noise_at_most", False),
            polarity=entry.integer("polarity", at_least=-1, at_most=1),
            origin=origin,
        )
        if one.polarity == 0:
            raise entry.problem("polarity", "must be 1, or -1 where the loop inverts")
        entry.finish()
        if any((old.channel, old.range_name) == (one.channel, one.range_name) for old in found):
            raise entry.problem("channel", f"channel {one.channel} on range {one.range_name!r} is there twice")
        found.append(one)
    return tuple(found)


def _response(entry: Table) -> tuple[ResponsePoint, ...]:
    message = (
        "must be rows of [Hz, dB, half-width in dB], the Hz rising, such as [[20, -0.01, 0.003], [20000, -0.1, 0.003]]"
    )
    rows = number_rows(entry, "response", 3, message)
    points = tuple(ResponsePoint(frequency_hz=hz, gain_db=db, uncertainty_db=half) for hz, db, half in rows)
    rising = all(one.frequency_hz < other.frequency_hz for one, other in itertools.pairwise(points))
    if not rising or any(one.frequency_hz <= 0.0 or one.uncertainty_db < 0.0 for one in points):
        raise entry.problem("response", message)
    return points


def _residual(entry: Table) -> tuple[ResidualPoint, ...]:
    message = (
        "must be rows of [Hz, dBFS as captured, THD in dB, THD+N in dB, 1 where noise sets the limit or else 0], "
        "such as [[1000, -6, -100, -98, 0]]"
    )
    rows = number_rows(entry, "residual", 5, message)
    if any(hz <= 0.0 or max(thd, thd_n) > 0.0 or flag not in (0.0, 1.0) for hz, _, thd, thd_n, flag in rows):
        raise entry.problem("residual", message)
    return tuple(
        ResidualPoint(frequency_hz=hz, level_dbfs=fs, thd_db=thd, thd_n_db=thd_n, at_most=flag == 1.0)
        for hz, fs, thd, thd_n, flag in rows
    )


def number_rows(entry: Table, key: str, width: int, message: str) -> list[list[float]]:
    """Take a list of rows of so many finite numbers each; at least one."""
    given = entry.any_value(key)
    if not isinstance(given, list) or not given:
        raise entry.problem(key, message)
    for row in given:
        whole = isinstance(row, list) and len(row) == width
        if not whole or any(isinstance(n, bool) or not isinstance(n, int | float) or not math.isfinite(n) for n in row):
            raise entry.problem(key, message)
    return [[float(n) for n in row] for row in given]


def residual_rows(loopbacks: Sequence[Loopback], channel: int, range_name: str) -> tuple[ResidualPoint, ...]:
    """Return what the bench adds to tones on a range; empty where its loopback was not measured.

    Behind an attenuator a loop can't reach the levels that a unit does. What bends is the card behind the resistors, at
    the level that it captures: above the range's own rows those of the channel's other ranges count.
    """
    own = next((one for one in loopbacks if (one.channel, one.range_name) == (channel, range_name)), None)
    if own is None:
        return ()
    highest_dbfs = own.loudest.level_dbfs
    others = (row for one in loopbacks if one.channel == channel and one is not own for row in one.residual)
    return (*own.residual, *(row for row in others if row.level_dbfs > highest_dbfs + _HIGHER_DB))
