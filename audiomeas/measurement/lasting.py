"""The gate for a tone that lasts as long as a person likes: what it could do at any moment, and for ever.

To what the interlock predicts for every stimulus it adds what only short sounds may do: a load's rating for seconds,
and high tones into loudspeakers.
"""

from __future__ import annotations

from collections.abc import Mapping

from audiomeas.bench.interlock import Ceiling, Prediction, predict, refuse_beyond
from audiomeas.bench.loudspeakers import HIGH_FROM_HZ
from audiomeas.bench.opened import Bench
from audiomeas.errors import InterlockRefusal
from audiomeas.units import SQRT2, db_to_amplitude_ratio, w_to_v_rms


def lasting_predictions(
    bench: Bench, *, level_v_rms: float, channels: tuple[int, ...], gain_db: Mapping[int, float]
) -> tuple[Prediction, ...]:
    """Return what a sine at the unit's input would do to each ceiling, that of each load's lasting power among them.

    gain_db : channel → largest over frequency, without the margin.
    """
    ceilings = (*bench.ceilings(channels), *_lasting_loads(bench))
    return predict(ceilings, level_v_rms=level_v_rms, peak_v=level_v_rms * SQRT2, gain_db=dict(gain_db))


def _lasting_loads(bench: Bench) -> list[Ceiling]:
    found = []
    for load in bench.file.loads:
        v_rms = w_to_v_rms(load.thermal.usable_w, load.resistance_ohm)
        found.append(
            Ceiling(
                channel=load.channel,
                at="unit output",
                what="load (as long as it lasts)",
                v_rms=v_rms,
                v_peak=v_rms * SQRT2,
                way_out="lower the level, or use a load that is rated higher",
                load_ohm=load.resistance_ohm,
            )
        )
    return found


def highest_level_v_rms(bench: Bench, *, channels: tuple[int, ...], gain_db: Mapping[int, float]) -> float:
    """Return the level at which the nearest ceiling would be reached, margin included."""
    predictions = lasting_predictions(bench, level_v_rms=1.0, channels=channels, gain_db=gain_db)
    return db_to_amplitude_ratio(-max(one.excess_db for one in predictions))


def refuse_lasting(
    bench: Bench,
    *,
    level_v_rms: float,
    frequency_hz: float,
    channels: tuple[int, ...],
    gain_db: Mapping[int, float],
) -> tuple[Prediction, ...]:
    """Return what a lasting tone would do to each ceiling.

    Raises InterlockRefusal for one that could pass a ceiling, or that loudspeakers must not get for long.
    """
    if bench.file.loudspeakers is not None and frequency_hz > HIGH_FROM_HZ:
        raise InterlockRefusal(
            f"loudspeakers are connected: a lasting tone above {HIGH_FROM_HZ:g} Hz is refused ({frequency_hz:g} Hz "
            "asked for): use a lower frequency, or connect dummy loads"
        )
    predictions = lasting_predictions(bench, level_v_rms=level_v_rms, channels=channels, gain_db=gain_db)
    refuse_beyond(predictions)
    return predictions
