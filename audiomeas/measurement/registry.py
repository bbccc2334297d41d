"""The one list of measurements: word → module. Modules load when they are used."""

from __future__ import annotations

from importlib import import_module

from audiomeas.errors import RequestError
from audiomeas.measurement.base import Measurement

_MODULES = {
    "crosstalk": "audiomeas.measurement.crosstalk",
    "distortion": "audiomeas.measurement.distortion",
    "distortion-steps": "audiomeas.measurement.distortion_steps",
    "dynamic-range": "audiomeas.measurement.dynamic_range",
    "intermodulation": "audiomeas.measurement.intermodulation",
    "linearity": "audiomeas.measurement.linearity",
    "multitone": "audiomeas.measurement.multitone",
    "noise": "audiomeas.measurement.noise",
    "response": "audiomeas.measurement.response",
    "response-steps": "audiomeas.measurement.response_steps",
    "tracking": "audiomeas.measurement.tracking",
}


def words() -> list[str]:
    """Return all measurement words."""
    return list(_MODULES)


def find(word: str) -> Measurement:
    """Return the measurement of a word. Raises RequestError with the nearest valid word."""
    if word not in _MODULES:
        from audiomeas.tomlfile import nearest

        raise RequestError(f"unknown measurement {word!r}{nearest(word, words())}; known: {', '.join(words())}")
    measurement: Measurement = import_module(_MODULES[word]).MEASUREMENT
    return measurement
