"""A reel deck whose reel is out of true, for trials of the failure pictures: its wow turns slower as the reel fills.

In closed form: what is wound in t seconds is v·t·d of the reel's side, so that r² = r₀² + v·t·d/π, and the reel turns
v/(2πr) times a second; the angle is the integral of that, 2π·(r − r₀)/d. Nothing of it is taken from the project.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from diagnosis_units import between, near

from audiomeas.measurement import registry
from audiomeas.measurement.options import complete
from audiomeas.recording import Recording

TAPE_CM_S, FULL_MM, HUB_MM, THICK_MM = 9.53, 178.0, 60.0, 0.035
LENGTH_S, RATE_HZ, TONE_HZ = 200.0, 16_000.0, 3150.0


@dataclass
class ReelDeck:
    """The motion of a deck. radius_mm : of the reel when the capture begins.   reel, capstan : peaks, relative."""

    radius_mm: float
    reel: float
    capstan: float
    noise: float
    kind: str = "reel deck"

    def captured(self, generator: np.random.Generator) -> Recording:
        """Return a capture of a test tone that it plays."""
        time_s = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
        radius_mm = np.sqrt(self.radius_mm**2 + 10.0 * TAPE_CM_S * time_s * THICK_MM / np.pi)
        angle = 2.0 * np.pi * (radius_mm - self.radius_mm) / THICK_MM
        speed = 1.0 + self.reel * np.sin(angle) + self.capstan * np.sin(2.0 * np.pi * 3.79 * time_s)
        tone = 0.5 * np.sin(2.0 * np.pi * TONE_HZ * np.cumsum(speed) / RATE_HZ)
        tone += self.noise * generator.standard_normal(len(tone))
        return Recording(counts_fs=tone[:, None], sample_rate_hz=RATE_HZ, channels=(1,), v_rms_at_full_scale=(None,))


def reel_deck(generator: np.random.Generator) -> ReelDeck:
    """Return a healthy deck in the first minutes of a side: its take-up reel is not far from empty."""
    return ReelDeck(
        radius_mm=0.5 * HUB_MM * near(generator, 1.1, 9.0),
        reel=between(generator, 3e-5, 1.5e-4),
        capstan=between(generator, 3e-5, 1.5e-4),
        noise=between(generator, 1e-4, 1e-3),
    )


def reel_flutter(trial: Any) -> None:
    """Listen to the tone for so long that the reel gets fuller."""
    measurement = registry.find("flutter")
    sizes = {"tape_speed_cm_s": TAPE_CM_S, "reel_full_mm": FULL_MM, "reel_hub_mm": HUB_MM}
    filled = complete(measurement, {"duration_s": LENGTH_S, "nominal_hz": TONE_HZ, **sizes})
    trial.bench.keep("Speed", measurement.analyse(trial.unit.captured(trial.generator), filled))


def bent_reel(trial: Any) -> None:
    """A reel that rubs once a turn, or is out of true."""
    trial.unit.reel = 1e-2 * between(trial.generator, 0.07, 0.3)
