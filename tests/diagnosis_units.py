"""Units of physical parts for trials of the failure pictures: drawn healthy, with the tolerance that such parts have.

Nothing here knows a rule or its limits: a part has a value and a tolerance, a circuit makes gain and corners of it.
Values are common practice of consumer units of the 1970s and 1980s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from audiomeas.simulation.deck import DeckModel
from audiomeas.simulation.medium import MediumModel
from audiomeas.simulation.motion import Motion
from audiomeas.simulation.output_stage import OutputStageModel
from audiomeas.simulation.supply import SupplyModel
from audiomeas.simulation.tuner import GeneratorState, TunerModel
from audiomeas.simulation.unit import ChannelModel, HumLine, UnitModel

LOAD_OHM = 8.0
Generator = np.random.Generator


def near(generator: Generator, value: float, percent: float) -> float:
    """Return a part's value, drawn evenly within its tolerance."""
    return value * (1.0 + 0.01 * percent * generator.uniform(-1.0, 1.0))


def between(generator: Generator, low: float, high: float) -> float:
    """Return a value drawn evenly over its logarithm."""
    return float(np.exp(generator.uniform(math.log(low), math.log(high))))


def corner_hz(ohm: float, farad: float) -> float:
    """Return the corner of a first-order network."""
    return 1.0 / (2.0 * math.pi * ohm * farad)


@dataclass
class Stage:
    """One channel of an amplifier by its parts; volts at its open output."""

    feedback_ohm: float
    ground_ohm: float
    input_farad: float
    input_ohm: float
    foot_farad: float
    treble_hz: float
    rail_positive_v: float
    rail_negative_v: float
    knee_v: float
    dead_zone_v: float
    second_per_v: float
    third_per_v2: float
    output_ohm: float
    leakage_db: float
    hum_v: dict[int, float]
    noise_v: float
    control_db: float = 0.0
    inverted: bool = False
    output_farad: float = math.inf
    fall_us: tuple[float, ...] = ()
    rise_us: tuple[float, ...] = ()
    turn: tuple[tuple[float, float], ...] = ()

    def model(self, load_ohm: float | None) -> ChannelModel:
        """Return the channel. load_ohm : on the output; its capacitor is a corner with that alone."""
        gain = 1.0 + self.feedback_ohm / self.ground_ohm
        cuts = [corner_hz(self.input_ohm, self.input_farad), corner_hz(self.ground_ohm, self.foot_farad)]
        if load_ohm is not None and math.isfinite(self.output_farad):
            cuts.append(corner_hz(load_ohm + self.output_ohm, self.output_farad))
        return ChannelModel(
            gain_db=20.0 * math.log10(gain) + self.control_db,
            inverted=self.inverted,
            low_cuts_hz=tuple(cuts),
            high_cuts_hz=(self.treble_hz,),
            fall_us=self.fall_us,
            rise_us=self.rise_us,
            dead_band_v=self.dead_zone_v,
            second_order_per_v=self.second_per_v,
            third_order_per_v2=self.third_per_v2,
            positive_clip_v=self.rail_positive_v,
            negative_clip_v=-self.rail_negative_v,
            knee_v=self.knee_v,
            output_impedance_ohm=self.output_ohm,
            leakage_db=self.leakage_db,
            hum=tuple(HumLine(multiple=n, level_v_rms=volts) for n, volts in sorted(self.hum_v.items())),
            output_noise_v_rms=self.noise_v,
            volume_turn=self.turn,
        )


@dataclass
class Amplifier:
    """An amplifier of two stages and what they share."""

    kind: str
    stages: list[Stage]
    mains_hz: float
    supply_ohm: float
    store_s: float
    ripple_per_v: float
    oscillation: tuple[float, float, float] | None = None
    equalization: str = "flat"

    def _supply(self) -> SupplyModel:
        return SupplyModel(resistance_ohm=self.supply_ohm, time_constant_s=self.store_s)

    def model(self, load_ohm: float | None = LOAD_OHM, *, supply: bool = False) -> UnitModel:
        """Return the simulated unit. supply : where rails are reached; it takes long."""
        hertz, volts, above_v = self.oscillation or (30_000.0, 0.0, math.inf)
        left, right = (stage.model(load_ohm) for stage in self.stages)
        return UnitModel(
            kind=self.kind,
            maker="Demo",
            model="Trial",
            serial="D-0000",
            channels=(left, right),
            equalization=self.equalization,
            mains_hz=self.mains_hz,
            supply=self._supply() if supply and self.supply_ohm else None,
            output_stage=OutputStageModel(
                ripple_per_v=self.ripple_per_v,
                oscillation_v=volts,
                oscillation_hz=hertz,
                oscillates_above_v=above_v,
            ),
        )


def _hum(generator: Generator, mains_v: float, twice_v: float) -> dict[int, float]:
    """Return the lines of a healthy unit's hum, r.m.s.: all within 6 dB either way of what is usual."""
    usual = {1: mains_v, 2: twice_v, 3: 0.3 * mains_v, 4: 0.4 * twice_v, 6: 0.15 * twice_v}
    return {multiple: volts * between(generator, 0.5, 2.0) for multiple, volts in usual.items()}


def amplifier(generator: Generator, kind: str = "power amplifier") -> Amplifier:
    """Return a healthy solid-state amplifier of the 60 W class with a gain of 22.4."""
    rail_v = near(generator, 37.0, 4.0)

    def stage() -> Stage:
        return Stage(
            feedback_ohm=near(generator, 22_000.0, 1.0),
            ground_ohm=near(generator, 1_028.0, 1.0),
            input_farad=near(generator, 2.2e-6, 20.0),
            input_ohm=near(generator, 47_000.0, 5.0),
            foot_farad=near(generator, 100e-6, 20.0),
            treble_hz=near(generator, 110_000.0, 10.0),
            rail_positive_v=near(generator, rail_v, 0.8),
            rail_negative_v=near(generator, rail_v, 0.8),
            knee_v=near(generator, 1.0, 30.0),
            dead_zone_v=between(generator, 1e-5, 4e-5),
            second_per_v=between(generator, 1.5e-5, 6e-5),
            third_per_v2=-between(generator, 2e-7, 1e-6),
            output_ohm=near(generator, 0.15, 30.0),
            leakage_db=generator.uniform(-70.0, -55.0),
            hum_v=_hum(generator, 6e-5, 1e-4),
            noise_v=between(generator, 2e-5, 6e-5),
        )

    return Amplifier(
        kind=kind,
        stages=[stage(), stage()],
        mains_hz=float(generator.choice([50.0, 60.0])),
        supply_ohm=near(generator, 0.15, 30.0),
        store_s=near(generator, 0.012, 20.0),
        ripple_per_v=between(generator, 2e-6, 1e-5),
    )


def tube_amplifier(generator: Generator) -> Amplifier:
    """Return a healthy push-pull tube amplifier of the 25 W class: its pairs agree, even harmonics are small."""
    found = amplifier(generator, "tube power amplifier")
    rail_v = near(generator, 23.0, 3.0)
    for stage in found.stages:
        stage.rail_positive_v = stage.rail_negative_v = near(generator, rail_v, 2.0)
        stage.knee_v = 3.0
        stage.dead_zone_v = 0.0
        stage.second_per_v = between(generator, 1e-4, 1.6e-4)
        stage.third_per_v2 = -between(generator, 1.5e-5, 2.5e-5)
        stage.output_ohm = near(generator, 0.8, 20.0)
        stage.hum_v = {n: near(generator, volts, 25.0) for n, volts in {1: 2e-4, 2: 3e-4, 3: 5e-5, 4: 1e-4}.items()}
    return replace(found, supply_ohm=0.0)


def line_stage(generator: Generator, kind: str = "preamplifier") -> Amplifier:
    """Return a healthy line stage of small tubes, with a gain of 10 and a volume control."""
    found = amplifier(generator, kind)
    for stage in found.stages:
        stage.feedback_ohm, stage.ground_ohm = near(generator, 9_000.0, 1.0), near(generator, 1_000.0, 1.0)
        stage.rail_positive_v = stage.rail_negative_v = 30.0
        stage.dead_zone_v = 0.0
        stage.second_per_v = between(generator, 3e-4, 5e-4)
        stage.output_ohm = near(generator, 600.0, 20.0)
        stage.hum_v = _hum(generator, 2e-5, 2e-5)
        stage.control_db = generator.uniform(-0.2, 0.2)
    return replace(found, supply_ohm=0.0)


def phono_stage(generator: Generator) -> Amplifier:
    """Return a healthy phono stage of 40 dB: each part of its equalization within 1 %."""
    found = amplifier(generator, "phono stage")
    for stage in found.stages:
        stage.feedback_ohm, stage.ground_ohm = near(generator, 99_000.0, 0.5), near(generator, 1_000.0, 0.5)
        stage.rail_positive_v = stage.rail_negative_v = 14.0
        stage.dead_zone_v = 0.0
        stage.output_ohm = near(generator, 470.0, 20.0)
        stage.hum_v = _hum(generator, 2e-5, 2e-5)
        # 3180 and 318 µs share one capacitor with two resistors, 75 µs is the other capacitor's.
        stage.fall_us = (near(generator, 3180.0, 1.5), near(generator, 75.0, 1.5))
        stage.rise_us = (near(generator, 318.0, 1.5),)
        stage.foot_farad = 470e-6
    return replace(found, supply_ohm=0.0)


@dataclass
class Mechanism:
    """A tape deck's or turntable's motion. lines : rate in Hz → peak, relative."""

    kind: str
    tone_hz: float
    error: float
    drift_per_s: float
    lines: dict[float, float]
    drop_outs: tuple[tuple[float, float], ...] = ()
    noise_v: float = 2e-4

    def model(self) -> UnitModel:
        """Return the simulated unit that plays a tone."""
        one = ChannelModel(output_noise_v_rms=self.noise_v)
        medium = MediumModel(
            tone_hz=self.tone_hz,
            level_v_rms=0.3,
            motion=Motion(error=self.error, drift_per_s=self.drift_per_s, modulation=tuple(self.lines.items())),
            drop_outs=self.drop_outs,
        )
        return UnitModel(
            kind=self.kind, maker="Demo", model="Trial", serial="D-0000", channels=(one, one), medium=medium
        )


#: Sizes of a cassette deck, and of a turntable with an idler.
CAPSTAN_MM, PINCH_ROLLER_MM, TAPE_CM_S = 2.5, 12.5, 4.76
DECK_MOTOR_RPM, PULLEY_MM, BELT_MM = 2000.0, 10.0, 260.0
IDLER_MM, RIM_MM, PLATTER_RPM, MOTOR_RPM = 45.0, 300.0, 100.0 / 3.0, 1500.0


def turns_hz(diameter_mm: float, speed_cm_s: float = TAPE_CM_S) -> float:
    """Return how often a part of a diameter turns at a speed of what runs over it: v/(πd)."""
    return 10.0 * speed_cm_s / (math.pi * diameter_mm)


def idler_hz() -> float:
    """Return how often the idler turns: as often as the platter, by the ratio of the diameters."""
    return PLATTER_RPM / 60.0 * RIM_MM / IDLER_MM


def belt_hz() -> float:
    """Return how often the deck's belt comes round: the speed of its pulley's rim over its length."""
    return math.pi * PULLEY_MM * DECK_MOTOR_RPM / 60.0 / BELT_MM


def mechanism(generator: Generator, kind: str) -> Mechanism:
    """Return a healthy mechanism: every part that turns makes less than a third of what is worth a word."""
    tape = "deck" in kind
    rates = (
        [turns_hz(CAPSTAN_MM), turns_hz(PINCH_ROLLER_MM), belt_hz(), DECK_MOTOR_RPM / 60.0]
        if tape
        else [PLATTER_RPM / 60.0, idler_hz(), MOTOR_RPM / 60.0]
    )
    return Mechanism(
        kind=kind,
        tone_hz=float(generator.choice([3000.0, 3150.0])),
        error=1e-2 * generator.uniform(-0.2, 0.2),
        drift_per_s=1e-5 * generator.uniform(-1.0, 1.0),
        lines={rate_hz: 1e-4 * between(generator, 0.3, 1.5) for rate_hz in rates},
    )


@dataclass
class Deck:
    """A three-head deck by its heads and its tape."""

    kind: str
    gap_um: float
    spacing_um: float
    azimuth_arc_min: float
    bias_error_db: float
    third_percent: float
    hiss_db: float
    second_per_v: float
    replay_us: tuple[float, float] = (3180.0, 120.0)
    tape_us: tuple[float, float] = (3180.0, 120.0)
    balance_db: float = 0.0
    error: float = 0.0
    lines: dict[float, float] = field(default_factory=dict)

    def model(self) -> UnitModel:
        """Return the simulated unit."""
        channels = tuple(
            ChannelModel(gain_db=gain_db, second_order_per_v=self.second_per_v, output_noise_v_rms=3e-5)
            for gain_db in (0.0, self.balance_db)
        )
        deck = DeckModel(
            gap_um=self.gap_um,
            spacing_um=self.spacing_um,
            azimuth_arc_min=self.azimuth_arc_min,
            bias_error_db=self.bias_error_db,
            third_harmonic_percent=self.third_percent,
            hiss_db=self.hiss_db,
            tape_us=self.tape_us,
            replay_us=self.replay_us,
            motion=Motion(error=self.error, modulation=tuple(self.lines.items())),
        )
        return UnitModel(
            kind=self.kind, maker="Demo", model="Trial", serial="D-0000", channels=(channels[0], channels[1]), deck=deck
        )


def deck(generator: Generator) -> Deck:
    """Return a healthy cassette deck with three heads."""
    return Deck(
        kind="cassette deck",
        gap_um=near(generator, 0.9, 10.0),
        spacing_um=between(generator, 0.02, 0.06),
        azimuth_arc_min=generator.uniform(-0.8, 0.8),
        bias_error_db=generator.uniform(-0.25, 0.25),
        third_percent=near(generator, 1.0, 10.0),
        hiss_db=generator.uniform(-56.0, -54.0),
        second_per_v=between(generator, 1e-4, 5e-4),
        balance_db=generator.uniform(-0.3, 0.3),
    )


@dataclass
class Tuner:
    """A tuner and its generator by what is adjusted in them."""

    kind: str
    pre_emphasis_us: float
    de_emphasis_us: float
    difference_gain: float
    phase_deg: float
    second: float
    third: float
    pilot_db: float
    balance_db: float
    programme: tuple[GeneratorState, ...] = ()

    def model(self) -> UnitModel:
        """Return the simulated unit."""
        one = ChannelModel(low_cuts_hz=(2.0,), output_impedance_ohm=1000.0, output_noise_v_rms=1.2e-4)
        heard = TunerModel(
            programme=self.programme,
            pre_emphasis_us=self.pre_emphasis_us,
            de_emphasis_us=self.de_emphasis_us,
            balance_db=self.balance_db,
            difference_gain=self.difference_gain,
            subcarrier_phase_deg=self.phase_deg,
            second_order=self.second,
            third_order=self.third,
            noise_db=-80.0,
            residues_db=(self.pilot_db, self.pilot_db - 4.0, None),
        )
        return UnitModel(kind=self.kind, maker="Demo", model="Trial", serial="D-0000", channels=(one, one), tuner=heard)


def tuner(generator: Generator) -> Tuner:
    """Return a healthy tuner: separation of 37 dB and more, a tenth of a percent of distortion at 100 %."""
    return Tuner(
        kind="tuner",
        pre_emphasis_us=0.0,
        de_emphasis_us=near(generator, 50.0, 5.0),
        difference_gain=1.0 + generator.uniform(-0.02, 0.02),
        phase_deg=generator.uniform(-3.0, 3.0),
        second=between(generator, 5e-4, 2e-3),
        third=between(generator, 1e-3, 6e-3),
        pilot_db=generator.uniform(-70.0, -58.0),
        balance_db=generator.uniform(-0.3, 0.3),
    )
