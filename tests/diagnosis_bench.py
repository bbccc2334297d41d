"""A bench for trials of the failure pictures: captures by the simulation in this process, no session, no time.

What a session would tell beside the samples is told here as it would be: scales (with an error of their own, within
what is claimed), loads, levels. So a trial costs what its samples and their analysis cost.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from audiomeas.bench.parts import Part, part_facts
from audiomeas.diagnosis.evidence import Evidence, Measured
from audiomeas.interface.transport import from_fractions, to_fractions
from audiomeas.measurement import registry
from audiomeas.measurement.attached import Attached
from audiomeas.measurement.base import PlayContext, SearchContext
from audiomeas.measurement.first_look import first_look_sweeps, read_first_look
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.recording import Provenance, Recording
from audiomeas.simulation.card import CardModel, ConverterCurve, read_card
from audiomeas.simulation.engine import SignalPath
from audiomeas.simulation.unit import ChannelModel, UnitModel, find_card
from audiomeas.stimulus import BurstSeries, Sine, Stimulus, played_samples_v
from audiomeas.units import SQRT2

CARD = read_card(find_card("card"))
#: What the calibration claims, relative; each trial's scales are off by up to so much.
CLAIMED = 0.005
_FORMAT = "int24"
_DELAY_FRAMES = 800
#: What a unit still sends after a sweep, and after a tone, which is over by then.
_TAIL_S, _TAIL_OF_TONES_S = 0.3, 0.03
#: Rails that sag are solved by rounds, which short blocks need fewer of.
_BLOCK, _SAGGING_BLOCK = 1 << 14, 1 << 11
#: A search begins 40 dB below its ceiling, as a session's does.
_FIRST = 0.01
RANGES = {"direct": 1.0, "10:1": 10.0, "50:1": 50.0}


@dataclass
class Bench:
    """One trial's bench. Each measurement's result is kept under the name of its step."""

    generator: np.random.Generator
    kind: str
    load_ohm: float | None = None
    rate_hz: float = 48_000.0
    #: Frequency of what plays over that of what captures, less 1: two clocks.
    other_clock: float = 0.0
    #: Leads crossed at the outputs.
    crossed: bool = False
    #: What is played as left less right, over what it should be: 0 is mono (a stereo coder's and decoder's gain).
    difference_gain: float = 1.0
    #: Outputs are shorted while nothing is played.
    mutes: bool = False
    input_curve: ConverterCurve | None = None
    #: What rings in the first channel: (seconds of the capture, peak at the unit's output, Hz, decay in s).
    rings: tuple[tuple[float, float, float, float], ...] = ()
    steps: list[Measured] = field(default_factory=list)
    first_look: dict[str, Any] | None = None

    def __post_init__(self) -> None:
        self._scale = 1.0 + CLAIMED * self.generator.uniform(-1.0, 1.0, 2)
        self._played_scale = 1.0 + CLAIMED * self.generator.uniform(-1.0, 1.0, 2)

    def evidence(self, against: Evidence | None = None) -> Evidence:
        """Return what the steps so far have told, as a record would hold it."""
        return Evidence(kind=self.kind, steps=tuple(self.steps), first_look=self.first_look, against=against)

    def look(self, unit: UnitModel) -> None:
        """Take a first look."""
        sweeps = first_look_sweeps(level_v_rms=0.002, sample_rate_hz=self.rate_hz, channels=(1, 2))
        found = self.capture(unit, sweeps, range_name="10:1")
        start = found.stimulus_start or 0
        volts = {channel: found.signal(channel - 1)[start:] for channel in (1, 2)}
        told = read_first_look(volts, sweeps, polarity={1: 1, 2: 1}, latency_frames=0.0, silent=())
        self.first_look = json.loads(json.dumps(told.facts()))

    def measure(
        self,
        step: str,
        word: str,
        unit: UnitModel,
        *,
        level_v_rms: float = 0.0,
        range_name: str = "10:1",
        **options: Any,
    ) -> Result:
        """Play, capture and analyse, and keep the result under a step's name."""
        measurement = registry.find(word)
        filled = complete(measurement, options)
        context = PlayContext(sample_rate_hz=self.rate_hz, channels=(1, 2), input_level_v_rms=level_v_rms)
        recording = self.capture(unit, measurement.stimulus(context, filled), range_name=range_name)
        return self.keep(step, measurement.analyse(recording, filled))

    def silence(self, unit: UnitModel, range_name: str, duration_s: float) -> Recording:
        """Return a capture of nothing played."""
        measurement = registry.find("noise")
        context = PlayContext(sample_rate_hz=self.rate_hz, channels=(1, 2), input_level_v_rms=0.0)
        stimulus = measurement.stimulus(context, complete(measurement, {"duration_s": duration_s}))
        return self.capture(unit, stimulus, range_name=range_name)

    def silent(self, step: str, unit: UnitModel, bench_noise: Recording, **options: Any) -> Result:
        """Measure noise beside a capture of the bench alone."""
        measurement = registry.find("noise")
        recording = self.silence(unit, "direct", options["duration_s"])
        filled = {
            **complete(measurement, options),
            "bench_noise": Attached(name="bench", sha256="", recording=bench_noise),
        }
        return self.keep(step, measurement.analyse(recording, filled))

    def warm(self, model: Callable[[], UnitModel], warm_db: float) -> Result:
        """Let a tone stand, in parts; from the second one on the gain is another one, as far as it is warm."""
        measurement = registry.find("precondition")
        filled = complete(measurement, {"rated_level": "60 W", "minutes": 0.08})
        assert measurement.search is not None and measurement.join is not None
        search = measurement.search(self._search_context(model(), 40.0), filled)
        captured: list[Recording] = []
        while (stimulus := search.next()) is not None:
            unit = turned_down(model(), warm_db) if captured else model()
            recording = self.capture(unit, stimulus, range_name="10:1")
            captured.append(replace(recording, conditions={**recording.conditions, **search.conditions}))
            search.take(recording)
        return self.keep("Preconditioning", measurement.analyse(measurement.join(captured), filled))

    def keep(self, step: str, result: Result) -> Result:
        """Keep a result as a record gives it back: through its JSON."""
        stored = result_from_json(json.loads(json.dumps(result.as_json())))
        self.steps.append(Measured(step=step, result=stored))
        return stored

    def search(
        self, step: str, word: str, unit: UnitModel, *, range_name: str, highest_v: float, **options: Any
    ) -> Result:
        """Let a measurement search its levels. highest_v : at the unit's output."""
        measurement = registry.find(word)
        filled = complete(measurement, options)
        assert measurement.search is not None and measurement.join is not None
        search = measurement.search(self._search_context(unit, highest_v), filled)
        captured = []
        while (stimulus := search.next()) is not None:
            recording = self.capture(unit, stimulus, range_name=range_name)
            recording = replace(recording, conditions={**recording.conditions, **search.conditions, "purpose": word})
            captured.append(recording)
            search.take(recording)
        return self.keep(step, measurement.analyse(measurement.join(captured), filled))

    def _search_context(self, unit: UnitModel, highest_v: float) -> SearchContext:
        def gain_db(channel: int, frequency_hz: float) -> float:
            found = unit.gain_at_hz(channel, np.array([frequency_hz]), load_ohm=self.load_ohm)
            return float(20.0 * np.log10(abs(found[0])))

        largest_db = max(gain_db(channel, 1000.0) for channel in (1, 2))
        highest_input_v = highest_v / 10.0 ** (largest_db / 20.0)
        return SearchContext(
            sample_rate_hz=self.rate_hz,
            channels=(1, 2),
            first_level_v_rms=_FIRST * highest_input_v,
            highest_of=lambda _: (highest_input_v, "the ceiling of the unit's output"),
            gain_at_db=gain_db,
            silent=(),
            load_ohm=lambda _, __: self.load_ohm,
            refuse_held=lambda _, __: None,
        )

    def capture(self, unit: UnitModel, stimulus: Stimulus, *, range_name: str) -> Recording:
        """Play a stimulus through a unit, and return the recording."""
        played_v = np.zeros((stimulus_frames(stimulus), 2))
        samples_v = played_samples_v(stimulus)
        for column, channel in enumerate(stimulus.driven_channels):
            own = samples_v if samples_v.ndim == 1 else samples_v[:, column]
            played_v[:, channel - 1] = own * self._played_scale[channel - 1]
        if self.other_clock:
            moment = np.arange(len(played_v)) * (1.0 + self.other_clock)
            played_v = np.stack([_between(played_v[:, n], moment) for n in (0, 1)], axis=1)
        if self.difference_gain != 1.0:
            same, apart = (played_v @ np.array([0.5, sign * 0.5]) for sign in (1.0, -1.0))
            played_v = np.stack([same + sign * self.difference_gain * apart for sign in (1.0, -1.0)], axis=1)
        if self.crossed:
            played_v = played_v[:, ::-1]
        tail_s = _TAIL_OF_TONES_S if isinstance(stimulus, BurstSeries | Sine) else _TAIL_S
        tail = np.zeros((_DELAY_FRAMES + round(tail_s * self.rate_hz), 2))
        ratio = RANGES[range_name]
        captured_v = self._through(unit, np.concatenate([played_v, tail]), ratio)
        if self.mutes:
            captured_v = np.where(
                _silent(played_v, len(captured_v)), self._through(SHORT, 0.0 * captured_v, ratio), captured_v
            )
        captured_v = self._with_rings(captured_v, ratio)
        full_scale_v = CARD.v_rms_at_full_scale_in
        fractions = np.clip(captured_v / (full_scale_v * SQRT2), -1.0, 1.0)
        codes = from_fractions(fractions, _FORMAT)
        return Recording(
            counts_fs=to_fractions(codes, _FORMAT),
            sample_rate_hz=self.rate_hz,
            channels=(1, 2),
            v_rms_at_full_scale=tuple(float(full_scale_v * ratio * error) for error in self._scale),
            scale_uncertainty=(CLAIMED, CLAIMED),
            stimulus=stimulus,
            stimulus_start=_DELAY_FRAMES,
            stimulus_in_volts=True,
            shared_clock=True,
            over_range=(0, 0),
            resolution_fs=2.0**-23,
            conditions=self._conditions(stimulus, range_name),
            provenance=Provenance(interface=CARD.name, simulated=True),
        )

    def _with_rings(self, captured_v: np.ndarray, ratio: float) -> np.ndarray:
        """Return what is captured with damped sines of what was struck."""
        for at_s, peak_v, hertz, decay_s in self.rings:
            start = round(at_s * self.rate_hz)
            since_s = np.arange(len(captured_v) - start) / self.rate_hz
            captured_v[start:, 0] += peak_v / ratio * np.exp(-since_s / decay_s) * np.sin(2.0 * np.pi * hertz * since_s)
        return captured_v

    def _through(self, unit: UnitModel, played_v: np.ndarray, ratio: float) -> np.ndarray:
        card: CardModel = CARD if self.input_curve is None else replace(CARD, input_curve=self.input_curve)
        path = SignalPath(
            unit,
            card,
            sample_rate_hz=self.rate_hz,
            delay_frames=_DELAY_FRAMES,
            ratios=(ratio, ratio),
            load_ohm=(self.load_ohm, self.load_ohm),
            seed=int(self.generator.integers(1 << 31)),
        )
        block = _BLOCK if unit.supply is None else _SAGGING_BLOCK
        return np.concatenate([path.process(played_v[at : at + block]) for at in range(0, len(played_v), block)])

    def _conditions(self, stimulus: Stimulus, range_name: str) -> dict[str, Any]:
        inputs = {str(n): part_facts((Part("", CLAIMED, "rectangular", f"input {n} on {range_name}"),)) for n in (1, 2)}
        outputs = {str(n): part_facts((Part("", CLAIMED, "rectangular", f"output {n}"),)) for n in (1, 2)}
        loaded = (
            {}
            if self.load_ohm is None
            else {
                "load_ohm": dict.fromkeys(("1", "2"), self.load_ohm),
                "load_uncertainty": dict.fromkeys(("1", "2"), CLAIMED),
            }
        )
        return {
            "range": dict.fromkeys(("1", "2"), range_name),
            **loaded,
            "driven_channels": list(stimulus.driven_channels),
            "input_level_v_rms": stimulus.level_v_rms,
            "scale_parts": inputs,
            "input_level_uncertainty": CLAIMED,
            "input_level_parts": outputs,
        }


def turned_down(unit: UnitModel, gain_db: float) -> UnitModel:
    """Return a unit with another gain of both channels."""
    if not gain_db:
        return unit
    left, right = (replace(one, volume_turn=((0.0, gain_db),)) for one in unit.channels)
    return replace(unit, channels=(left, right))


#: Nothing: what a relay leaves that shorts the outputs.
SHORT = UnitModel(kind="", maker="", model="", serial="", channels=(ChannelModel(gain_db=-60.0),) * 2)


def _silent(played_v: np.ndarray, frames: int) -> np.ndarray:
    """Return where nothing has been played for a tenth of a second, (frames, 1), at the captured frames."""
    last = np.flatnonzero(np.any(played_v != 0.0, axis=1))[-1]
    return (np.arange(frames) > _DELAY_FRAMES + last + 4_800)[:, None]


def stimulus_frames(stimulus: Stimulus) -> int:
    """Return how long a stimulus is."""
    return len(played_samples_v(stimulus))


def _between(samples: np.ndarray, moment: np.ndarray) -> np.ndarray:
    """Return samples at moments between them, by cubics through four neighbours: a part in 10⁵ of a tone at 1 kHz.

    The other clock's rest is the same harmonic of the tone at each of its periods: it is no other frequency.
    """
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(np.arange(len(samples)), samples)(np.clip(moment, 0, len(samples) - 1)))
