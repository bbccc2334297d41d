"""audiomeas: a hi-fi test bench on a sound card.

What a command does is one call here, under the same name:

    import audiomeas
    result = audiomeas.measure("distortion", output_level="1 W")

The functions are loaded when they are first used, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from audiomeas.diagnosis.diagnose import diagnose as diagnose
    from audiomeas.measurement.api import analyze as analyze
    from audiomeas.measurement.api import generate as generate
    from audiomeas.measurement.api import measure as measure
    from audiomeas.measurement.api import open_bench as open_bench
    from audiomeas.measurement.media import generate_disc as generate_disc
    from audiomeas.measurement.media import generate_tape_side as generate_tape_side
    from audiomeas.plan.soak import soak as soak
    from audiomeas.record.archive import compare as compare
    from audiomeas.record.archive import history as history
    from audiomeas.record.export import export as export
    from audiomeas.record.live import live as live
    from audiomeas.record.live import live_listen as live_listen
    from audiomeas.record.logbook import logbook as logbook
    from audiomeas.record.reanalyze import reanalyze as reanalyze
    from audiomeas.record.verify import verify as verify

#: name → module that holds it.
_WORDS = {
    "measure": "audiomeas.measurement.api",
    "analyze": "audiomeas.measurement.api",
    "generate": "audiomeas.measurement.api",
    "generate_disc": "audiomeas.measurement.media",
    "generate_tape_side": "audiomeas.measurement.media",
    "open_bench": "audiomeas.measurement.api",
    "devices": "audiomeas.interface.listing",
    "run": "audiomeas.plan.run",
    "check_plan": "audiomeas.plan.check",
    "batch": "audiomeas.plan.batch",
    "bringup": "audiomeas.powerup.guide",
    "live": "audiomeas.record.live",
    "soak": "audiomeas.plan.soak",
    "live_listen": "audiomeas.record.live",
    "logbook": "audiomeas.record.logbook",
    "verify": "audiomeas.record.verify",
    "history": "audiomeas.record.archive",
    "compare": "audiomeas.record.archive",
    "diagnose": "audiomeas.diagnosis.diagnose",
    "export": "audiomeas.record.export",
    "reanalyze": "audiomeas.record.reanalyze",
    "demo": "audiomeas.demo",
    "chart": "audiomeas.present.api",
    "overlay": "audiomeas.present.api",
    "report": "audiomeas.present.api",
    "show": "audiomeas.present.api",
}


def __getattr__(name: str) -> Any:
    module = _WORDS.get(name)
    if module is None:
        raise AttributeError(f"module 'audiomeas' has no attribute {name!r}")
    return getattr(import_module(module), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_WORDS])
