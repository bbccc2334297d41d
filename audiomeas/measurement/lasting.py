"""The gate for a tone that lasts as long as a person likes: what it could do at any moment, and for ever.

To what the interlock predicts for every stimulus it adds what only short sounds may do: a load's rating for seconds,
and high tones into loudspeakers.
"""

from __future__ import annotations

from collections.abc import Mapping

from audiomeas.bench.interlock import Prediction, largest_sine, predict, refuse_beyond
from audiomeas.bench.loudspeakers import refuse_lasting_high
from audiomeas.bench.opened import Bench
from audiomeas.units import SQRT2


def highest_level_v_rms(bench: Bench, *, channels: tuple[int, ...], gain_db: Mapping[int, float]) -> float:
    """Return the level at which the nearest ceiling would be reached, margin included.

    gain_db : channel → largest over frequency, without the margin.
    """
    level_v_rms, _ = largest_sine(bench.lasting_ceilings(channels), gain_db)
    return level_v_rms


def refuse_lasting(
    bench: Bench,
    *,
    level_v_rms: float,
    frequency_hz: float,
    channels: tuple[int, ...],
    gain_db: Mapping[int, float],
    crest: float = SQRT2,
) -> tuple[Prediction, ...]:
    """Return what a lasting tone would do to each ceiling.

    crest : peak over r.m.s.; noise and music have another one than a tone.
    Raises InterlockRefusal for one that could pass a ceiling, or that loudspeakers must not get for long.
    """
    refuse_lasting_high(bench.file.loudspeakers, frequency_hz)
    ceilings = bench.lasting_ceilings(channels)
    predictions = predict(ceilings, level_v_rms=level_v_rms, peak_v=level_v_rms * crest, gain_db=gain_db)
    refuse_beyond(predictions)
    return predictions
