"""Each kind's shipped plan with a healthy simulated unit, the bench that suits it, and what a person would answer.

Readings are what a good unit of its kind gives (common practice; trade facts from memory); questions get what the plan
expects.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from audiomeas.files import shipped
from audiomeas.plan.answers import questions_of
from audiomeas.plan.file import Plan
from audiomeas.plan.steps import Instruction, Topology
from audiomeas.simulation.unit import shipped_units

#: Where a plan stands on a bench of another range.
TEN_TO_ONE = (('"direct"', '"10:1"'), ("output_v_rms = 4.0", "output_v_rms = 14.0"))


@dataclass(frozen=True, kw_only=True)
class Case:
    """A plan's unit, kind, bench file with what is replaced in it, and the readings that are typed in.

    turned_up_db : its volume, above how the unit is shipped.   lowest_rate_hz : that the plan can be run at.
    run_rate_hz : at which all of its limits can be told.
    """

    kind: str
    unit: str
    readings: dict[str, str]
    bench: str = "simulated-line.toml"
    replaced: tuple[tuple[str, str], ...] = ()
    turned_up_db: int = 0
    lowest_rate_hz: int = 44_100
    run_rate_hz: int = 48_000

    def bench_file(self, folder: Path, rate_hz: int) -> Path:
        """Write its bench into a folder, beside the calibration."""
        text = shipped("examples", "benches", self.bench).read_text(encoding="utf-8")
        unit = shipped_units()[self.unit].read_text(encoding="utf-8")
        unit = re.sub(r"gain_db = (\S+)", lambda found: f"gain_db = {float(found[1]) + self.turned_up_db}", unit)
        (folder / "unit.toml").write_text(unit, encoding="utf-8")
        before = next(line for line in text.splitlines() if line.startswith("unit = ")).split('"')[1]
        changes = (
            ("../../calibrations/", ""),
            (f'unit = "{before}"', 'unit = "unit.toml"'),
            ("sample_rate_hz = 96000", f"sample_rate_hz = {rate_hz}"),
            *self.replaced,
        )
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        name = "simulated-card.toml"
        (folder / name).write_text(shipped("calibrations", name).read_text(encoding="utf-8"), encoding="utf-8")
        path = folder / "bench.toml"
        path.write_text(text, encoding="utf-8")
        return path

    def answers(self, plan: Plan) -> dict[str, str]:
        """Return the readings, and to each question what is expected (to one without: its first answer)."""
        said = dict(self.readings)
        for key, question in questions_of(plan.steps).items():
            if isinstance(question.step, Topology):
                said[key] = "0.2 ohm"
            elif isinstance(question.step, Instruction):
                said[key] = question.step.expected or question.step.choices[0]
        return said


def _both(name: str, first: str, second: str | None = None) -> dict[str, str]:
    return {f"{name}, channel 1": first, f"{name}, channel 2": second or first}


_MAINS = {"Mains voltage": "230.4 V"}
_LOADS = "simulated-bench.toml"

CASES = {
    "solid-state-amplifier": Case(
        kind="power amplifier",
        unit="amplifier-healthy",
        bench=_LOADS,
        run_rate_hz=96_000,
        readings={
            **_MAINS,
            **_both("DC offset after 10 minutes", "8.4 mV", "-3.1 mV"),
            **_both("Idle current after 10 minutes", "10.1 mV", "9.8 mV"),
            "Positive rail against the service notes": "-1.2 ± 0.8 %",
            "Negative rail against the service notes": "-1.0 ± 0.8 %",
        },
    ),
    "tube-amplifier": Case(
        kind="tube power amplifier",
        unit="amplifier-tube",
        bench=_LOADS,
        readings={
            **_MAINS,
            "High voltage against the service notes": "1.9 ± 1.0 %",
            **_both("Idle current of the pairs", "71.5 mA", "70.2 mA"),
            **_both("Match within each pair", "4 ± 2 %", "-3 ± 2 %"),
            "Plate dissipation at idle": "62 ± 2 %",
        },
    ),
    "preamplifier": Case(
        kind="preamplifier",
        unit="preamplifier",
        readings={**_MAINS, **_both("DC at the outputs", "0.8 mV", "-1.1 mV")},
    ),
    "preamplifier-overload": Case(
        kind="preamplifier", unit="preamplifier", replaced=TEN_TO_ONE, turned_up_db=15, readings={}
    ),
    "phono-stage": Case(
        kind="phono stage",
        unit="phono-stage",
        bench="simulated-phono.toml",
        readings={},
        lowest_rate_hz=96_000,
        run_rate_hz=96_000,
    ),
    "phono-stage-noise": Case(
        kind="phono stage",
        unit="phono-stage",
        bench="simulated-phono.toml",
        replaced=(('"10:1"', '"direct"'), ("output_v_rms = 18.0", "output_v_rms = 4.0")),
        readings={},
    ),
    "receiver": Case(
        kind="receiver",
        unit="amplifier-healthy",
        bench=_LOADS,
        readings={
            **_MAINS,
            **_both("DC offset after 10 minutes", "8.4 mV", "-3.1 mV"),
            "FM: usable sensitivity": "11.0 ± 1.5 dBf",
            **_both("FM: signal to noise, stereo", "68 ± 1 dB"),
            **_both("FM: separation at 1 kHz", "42 ± 1 dB", "40 ± 1 dB"),
        },
    ),
    "cd-player": Case(
        kind="CD player",
        unit="cd-player",
        readings={
            **_MAINS,
            **_both("Level of the track at 0 dB", "2.01 V", "1.99 V"),
            "Match of the channels": "-0.09 ± 0.02 dB",
            **_both("Distortion and noise at 0 dB, 1 kHz", "0.0045 ± 0.0002 %"),
            **_both("Response 20 Hz to 20 kHz", "0.3 ± 0.05 dB"),
            **_both("De-emphasis", "0.2 ± 0.05 dB"),
            **_both("Dynamic range", "94.0 ± 0.5 dB"),
            **_both("Linearity at -80 dB", "0.3 ± 0.1 dB"),
            **_both("Linearity at -90 dB", "1.1 ± 0.3 dB"),
            **_both("Separation at 1 kHz", "96 ± 1 dB"),
            "Damaged tracks": "0",
        },
    ),
    "cd-player-disc": Case(kind="CD player", unit="cd-player-early", readings={**_MAINS, "Damaged tracks": "0"}),
    "tuner": Case(
        kind="tuner",
        unit="tuner",
        readings={
            **_MAINS,
            "Dial at 98 MHz": "50 ± 20 kHz",
            "Usable sensitivity, mono": "11.0 ± 1.5 dBf",
            "50 dB quieting, stereo": "37.2 ± 1.5 dBf",
        },
    ),
    "cassette-deck": Case(
        kind="cassette deck",
        unit="cassette-deck",
        readings={
            **_MAINS,
            "Azimuth": "12 ± 5 °",
            "Playback level of the channels": "0.2 ± 0.1 dB",
            **_both("Playback response", "1.4 ± 0.2 dB"),
            **_both("Recorded and played response", "1.9 ± 0.2 dB"),
            **_both("Distortion at 0 dB, 315 Hz", "0.9 ± 0.05 %"),
            **_both("Separation at 1 kHz", "41 ± 1 dB"),
            **_both("Erasure", "67 ± 1 dB"),
            "Noise reduction": "1.1 ± 0.2 dB",
        },
    ),
    "cassette-deck-side": Case(kind="cassette deck", unit="cassette-deck-side", readings=_MAINS),
    "reel-deck-side": Case(kind="reel deck", unit="reel-deck-side", readings=_MAINS),
    "reel-deck": Case(
        kind="reel deck",
        unit="reel-deck",
        readings={
            **_MAINS,
            "Azimuth": "9 ± 5 °",
            "Playback level of the channels": "0.2 ± 0.1 dB",
            **_both("Playback response", "1.2 ± 0.2 dB"),
            **_both("Recorded and played response", "1.7 ± 0.2 dB"),
            **_both("Distortion at reference level, 1 kHz", "0.6 ± 0.05 %"),
            **_both("Separation at 1 kHz", "48 ± 1 dB"),
            **_both("Erasure", "68 ± 1 dB"),
        },
    ),
    "turntable": Case(
        kind="turntable",
        unit="turntable",
        readings={**_MAINS, "Stylus force": "1.8 g"},
    ),
    "triage": Case(
        kind="power amplifier",
        unit="amplifier-healthy",
        bench=_LOADS,
        readings={**_MAINS, **_both("DC offset", "8.4 mV", "-3.1 mV")},
    ),
}
