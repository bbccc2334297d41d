"""Spot measurements of a soak: between two streams, each a step of the record; its level, its tone where it has one."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Any

from audiomeas.errors import AudiomeasError, FileProblem, Interrupted
from audiomeas.measurement import registry
from audiomeas.measurement.session import Session
from audiomeas.measurement.soak_lines import note_line, short
from audiomeas.measurement.soak_views import clock
from audiomeas.plan.soak_request import S_AN_HOUR
from audiomeas.record.store import VisitWriter
from audiomeas.units import Level

#: The single figures that a table of them shows.
_SHOWN = ("level_v_rms", "level_w", "gain_db", "thd_percent", "thd_n_percent")


def measure_spot(
    word: str,
    session: Session,
    visit: VisitWriter,
    write: Callable[[dict[str, Any]], None],
    *,
    level_v_rms: float,
    channels: tuple[int, ...],
    after_s: float,
) -> None:
    """Measure a word after so long, and log it. write : adds a line to the log.

    Raises Interrupted and FileProblem; what else fails is a step that failed, and a note.
    """
    measurement = registry.find(word)
    hours = after_s / S_AN_HOUR
    level = None if measurement.silent else Level(level_v_rms, "V")
    conditions = {"input_level": None if level is None else str(level), "after_h": hours}
    writer = visit.begin_step(f"{word.capitalize()} after {clock(after_s)}", word, conditions)
    try:
        result = session.measure(measurement, {}, input_level=level, channels=channels, keep=writer.keep)
    except (Interrupted, FileProblem):
        raise
    except AudiomeasError as error:
        writer.fail(str(error), (), status=error.exit_status)
        write(note_line(after_s, f"spot measurement of {word} failed: {error}"))
        return
    writer.finish(result, ())
    rows = [
        {"after_h": short(hours), "measurement": word, "channel": one.channel, **_figures(one.values)}
        for one in result.channels
    ]
    write(note_line(after_s, f"spot measurement: {word}", spots=rows))


def _figures(values: Any) -> dict[str, float]:
    found = {}
    for key in _SHOWN:
        with suppress(TypeError):
            if values.get(key) is not None:
                found[key] = short(values[key])
    return found
