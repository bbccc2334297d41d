"""A search chooses each stimulus by the captures before; each passes every gate and is kept."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

from audiomeas.bench.interlock import BELOW_CEILING_DB, largest_sine
from audiomeas.errors import InterlockRefusal
from audiomeas.interface.transport import Capture
from audiomeas.measurement.base import Measurement, SearchContext
from audiomeas.measurement.gated import GatedBench
from audiomeas.measurement.output_level import power_ohm
from audiomeas.measurement.session_calls import Keep
from audiomeas.measurement.trust import NothingCameBackError
from audiomeas.recording import Recording
from audiomeas.stimulus import Stimulus
from audiomeas.units import db_to_amplitude_ratio


def searched(
    gated: GatedBench,
    measurement: Measurement,
    options: Mapping[str, Any],
    channels: tuple[int, ...],
    keep: Keep | None,
) -> Recording:
    """Let a search choose each stimulus by the captures before; return them joined. Raises as `Session.measure`.

    Where nothing comes back any more although it did before, or the unit has got so much more gain meanwhile that
    the next stimulus is refused, the search ends there: what was captured is told.
    """
    assert measurement.search is not None
    assert measurement.join is not None
    gated.bench.refuse_power_search()
    gated.first_look(keep=keep)
    search = measurement.search(_search_context(gated, channels), options)
    at_first_db = gated.largest_gain_db()
    captured: list[Recording] = []

    def keeping(capture: Capture, recording: Recording) -> Path | None:
        known = dataclasses.replace(recording, conditions={**recording.conditions, **search.conditions})
        captured.append(known if measurement.part is None else measurement.part(known))
        return None if keep is None else keep(capture, known)

    heard = False
    while (stimulus := search.next()) is not None:
        try:
            recording, _ = gated.through_gates(stimulus, keeping, measurement.word)
        except NothingCameBackError:
            if not heard:
                raise
            break
        except InterlockRefusal as refusal:
            if not captured or gated.largest_gain_db() == at_first_db:
                raise
            line = f"the search ended where the unit's gain had risen: {refusal}"
            captured[-1] = dataclasses.replace(captured[-1], warnings=(*captured[-1].warnings, line))
            break
        heard = True
        search.take(recording)
    return measurement.join(captured)


def _search_context(gated: GatedBench, channels: tuple[int, ...]) -> SearchContext:
    look = gated.first_look()
    ceilings = gated.bench.ceilings(channels)

    def highest_of(stimulus: Stimulus) -> tuple[float, str]:
        gain_db = gated.gain_for_db(stimulus)
        highest_v_rms, ceiling = largest_sine(ceilings, gain_db)
        words = f"the ceiling of the {ceiling.what}; to go higher, {ceiling.way_higher}"
        return highest_v_rms * db_to_amplitude_ratio(-BELOW_CEILING_DB), words

    def refuse_held(tone: Stimulus, duration_s: float) -> None:
        gated.loads.refuse_held(tone.level_v_rms, gated.gain_for_db(tone), duration_s)

    return SearchContext(
        sample_rate_hz=gated.form.sample_rate_hz,
        channels=channels,
        first_level_v_rms=look.level_v_rms,
        highest_of=highest_of,
        gain_at_db=look.gain_at_db,
        silent=look.silent,
        load_ohm=partial(power_ohm, gated.bench),
        refuse_held=refuse_held,
    )
