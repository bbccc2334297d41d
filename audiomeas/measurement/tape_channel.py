"""One channel of a tape that was read: where its parts are looked up, and where its figures are told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.budget import Told

if TYPE_CHECKING:
    from audiomeas.analysis.tape_tones import ToneLevel
    from audiomeas.measurement.result import ChannelResult, Result
    from audiomeas.measurement.tape_options import Geometry
    from audiomeas.measurement.tape_read import Readings, ReadPart
    from audiomeas.recording import Recording

PERCENT = 100.0
#: Frequencies are the same when they differ by less than this share.
NEAR = 0.01


@dataclass(frozen=True, kw_only=True)
class About:
    """What all channels share. without_nr : result of the same tape without noise reduction.   recorded : by whom."""

    recording: Recording
    read: Readings
    options: Mapping[str, Any]
    geometry: Geometry
    recorded: str
    equalizations: tuple[str | None, str | None]
    without_nr: Result | None


class TapeChannel:
    """One channel. column : in the recording, 0-based.   told : its values.   words : to be said of it."""

    def __init__(self, about: About, *, column: int, channel: int) -> None:
        self.about, self.read, self.column, self._channel = about, about.read, column, channel
        self.told = Told({})
        self.words: list[str] = []

    def of(self, result: Result | None) -> ChannelResult | None:
        """Return this channel of a result; None where there is none."""
        found = () if result is None else result.channels
        return next((one for one in found if one.channel == self._channel), None)

    def level(self, one: ReadPart, order: int = 1) -> ToneLevel | None:
        """Return the level of a part's tone or harmonic; None where it is not known."""
        levels = one.levels[self.column]
        if levels is None or len(levels) < order or not levels[0].heard:
            return None
        return levels[order - 1]

    def first(self, *names: str) -> ReadPart | None:
        """Return the first part of these names whose tone is heard; None: there is none."""
        return next((one for one in self.read.having(*names) if self.level(one) is not None), None)


def array_of(values: Any) -> Any:
    """Return values as an array of floats."""
    import numpy as np

    return np.array(values, dtype=np.float64)
