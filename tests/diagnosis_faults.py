"""Faults for trials of the failure pictures: which part breaks, by how much, and what a visit measures of it.

The sizes are physical and drawn apart from any rule's limit: what a worn part does, over the range in which it is worth
a repair. A trial draws a healthy unit, breaks one part, measures, and asks which pictures the facts fit.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import tape_captures
from diagnosis_bench import Bench, turned_down
from diagnosis_reels import bent_reel, reel_deck, reel_flutter
from diagnosis_units import (
    BELT_MM,
    CAPSTAN_MM,
    DECK_MOTOR_RPM,
    IDLER_MM,
    LOAD_OHM,
    MOTOR_RPM,
    PINCH_ROLLER_MM,
    PLATTER_RPM,
    PULLEY_MM,
    RIM_MM,
    TAPE_CM_S,
    Amplifier,
    Deck,
    Mechanism,
    amplifier,
    belt_hz,
    between,
    deck,
    idler_hz,
    line_stage,
    mechanism,
    near,
    phono_stage,
    tube_amplifier,
    tuner,
    turns_hz,
)
from tape_captures import short_side, without

from audiomeas.measurement import registry
from audiomeas.measurement.options import complete
from audiomeas.recording import Recording
from audiomeas.simulation.card import ConverterCurve
from audiomeas.simulation.tuner import GeneratorState
from audiomeas.simulation.unit import ChannelModel, HumLine, UnitModel

Generator = np.random.Generator
GAIN = 22.4
#: A line stage's input, and a tape's reference level.
LINE_V, TAPE_V = 0.2, 0.1
#: Enough for a tone of 3 kHz and all that moves it; it costs a third of what 48 kHz would.
FLUTTER_RATE_HZ = 16_000.0
#: A tone that is tapped: so long, and so often.
TAPPED_S, TAP_EVERY_S = 33.0, 5.0
#: The shortest that still tells hum.
NOISE_S = 3.0


@dataclass
class Trial:
    """A unit on the bench. changed : what else is wrong at some steps (a contact before it is cleaned, a warm part)."""

    bench: Bench
    unit: Any
    generator: Generator
    first_dead_zone_v: float | None = None
    warm_db: float = 0.0
    bench_hum_v: float = 0.0
    turned: tuple[tuple[float, float], ...] = ()
    #: What taps do to the level of the first channel, and what they let ring there (`Bench.rings`).
    tapped: tuple[tuple[float, float], ...] = ()
    rings: tuple[tuple[float, float, float, float], ...] = ()
    #: Peaks of speed, relative: of the record's hole, and of the bearing.
    turned_lines: tuple[float, float] = (0.0, 0.0)

    def model(self, **how: Any) -> UnitModel:
        """Return the simulated unit."""
        found: UnitModel = self.unit.model(**how)
        return found


Step = Callable[[Trial], None]


def watts_v(power_w: float) -> float:
    """Return the input that gives a power into the load."""
    return float(np.sqrt(power_w * LOAD_OHM)) / GAIN


# -- steps of amplifiers -----------------------------------------------------------------------------------------------


def first_look(trial: Trial) -> None:
    trial.bench.look(trial.model())


def low_tone(trial: Trial) -> None:
    unit = trial.unit
    if trial.first_dead_zone_v is not None:
        stages = [dataclasses.replace(stage, dead_zone_v=trial.first_dead_zone_v) for stage in unit.stages]
        unit = dataclasses.replace(unit, stages=stages)
    _tone(trial, "0.1 W", unit.model(), watts_v(0.1), "direct")


def middle_tone(trial: Trial) -> None:
    _tone(trial, "3 W", trial.model(), watts_v(3.0), "10:1")


def loud_tone(trial: Trial) -> None:
    _tone(trial, "30 W", trial.model(), watts_v(30.0), "10:1")


def low_tone_again(trial: Trial) -> None:
    _tone(trial, "0.1 W again", trial.model(), watts_v(0.1), "direct")


def _tone(trial: Trial, step: str, model: UnitModel, level_v_rms: float, range_name: str, **options: Any) -> None:
    options = {"window_s": 0.3, **options}
    trial.bench.measure(step, "distortion", model, level_v_rms=level_v_rms, range_name=range_name, **options)


def two_ranges(trial: Trial) -> None:
    for range_name in ("direct", "10:1"):
        _tone(trial, f"1.5 V on {range_name}", trial.model(), 1.5 / GAIN, range_name)


def wide_tones(trial: Trial) -> None:
    """Two levels at a rate that shows what lies above the audio band."""
    rate_hz, trial.bench.rate_hz = trial.bench.rate_hz, 96_000.0
    for watts in (3.0, 20.0):
        _tone(trial, f"{watts:g} W, wide", trial.model(), watts_v(watts), "10:1", window_s=0.5)
    trial.bench.rate_hz = rate_hz


def clipping_alone(trial: Trial) -> None:
    _clipping(trial, "alone")


def clipping_both(trial: Trial) -> None:
    _clipping(trial, "both")


def _clipping(trial: Trial, driving: str) -> None:
    options = {"driving": driving, "burst_s": 0.05, "rated_level": "60 W"}
    unit = trial.model(supply=True)
    trial.bench.search("Clipping", "clipping", unit, range_name="50:1", highest_v=40.0, **options)


def noise(trial: Trial) -> None:
    trial.bench.measure("Noise", "noise", trial.model(), range_name="direct", duration_s=NOISE_S, reference="1 W")


def noise_beside_bench(trial: Trial) -> None:
    """The bench alone first: its leads pick up hum, whatever is connected."""
    own = {n: trial.bench_hum_v * share for n, share in {1: 1.0, 2: 0.3, 3: 0.5}.items()}
    alone = ChannelModel(hum=tuple(HumLine(multiple=n, level_v_rms=volts) for n, volts in own.items()))
    leads = UnitModel(kind="", maker="", model="", serial="", channels=(alone, alone), mains_hz=trial.unit.mains_hz)
    bench_noise = trial.bench.silence(leads, "direct", NOISE_S)
    stages = [
        dataclasses.replace(
            stage, hum_v={n: float(np.hypot(volts, own.get(n, 0.0))) for n, volts in stage.hum_v.items()}
        )
        for stage in trial.unit.stages
    ]
    model = dataclasses.replace(trial.unit, stages=stages).model()
    trial.bench.silent("Noise", model, bench_noise, duration_s=NOISE_S, reference="1 W")


def crosstalk(trial: Trial) -> None:
    trial.bench.measure("Crosstalk", "crosstalk", trial.model(), level_v_rms=watts_v(1.0), duration_s=0.7)


def response(trial: Trial) -> None:
    trial.bench.measure("Response", "response", trial.model(), level_v_rms=watts_v(1.0), duration_s=0.7)


def open_response(trial: Trial) -> None:
    load_ohm, trial.bench.load_ohm = trial.bench.load_ohm, None
    model = trial.model(load_ohm=None)
    trial.bench.measure("Response, no load", "response", model, level_v_rms=watts_v(1.0), duration_s=0.7)
    trial.bench.load_ohm = load_ohm


def preconditioning(trial: Trial) -> None:
    """A long tone, and a short one behind it, as visits measure distortion next: while the unit is warm."""
    trial.bench.warm(trial.model, trial.warm_db)
    _tone(trial, "3 W, warm", turned_down(trial.model(), trial.warm_db), watts_v(3.0), "10:1")


# -- steps of others ---------------------------------------------------------------------------------------------------


def line_tone(trial: Trial) -> None:
    _tone(trial, "Tone", trial.model(load_ohm=None), LINE_V, "10:1")


def line_response(trial: Trial) -> None:
    trial.bench.measure("Response", "response", trial.model(load_ohm=None), level_v_rms=LINE_V, duration_s=0.7)


def tracking(trial: Trial) -> None:
    stages = [dataclasses.replace(stage, turn=trial.turned) for stage in trial.unit.stages]
    model = dataclasses.replace(trial.unit, stages=stages).model(load_ohm=None)
    trial.bench.measure("Volume", "tracking", model, level_v_rms=LINE_V, duration_s=5.0)


def tapping(trial: Trial) -> None:
    """Somebody taps the unit by the clock, more or less."""
    first, second = trial.unit.stages
    stages = [dataclasses.replace(first, turn=trial.tapped), second]
    model = dataclasses.replace(trial.unit, stages=stages).model(load_ohm=None)
    trial.bench.rings = trial.rings
    how = {"duration_s": TAPPED_S, "every_s": TAP_EVERY_S}
    trial.bench.measure("Tapping", "tapping", model, level_v_rms=LINE_V, range_name="10:1", **how)
    trial.bench.rings = ()


def phono_response(trial: Trial) -> None:
    model = trial.model(load_ohm=None)
    trial.bench.measure(
        "Response", "response", model, level_v_rms=5e-3, duration_s=1.5, equalization="riaa", range_name="10:1"
    )


def tape_response(trial: Trial) -> None:
    """As long as a visit's own sweep: beside hiss each second counts."""
    trial.bench.measure("Response", "response", trial.unit.model(), level_v_rms=0.1 * TAPE_V, duration_s=2.0)


def tape_tone(trial: Trial) -> None:
    _tone(trial, "315 Hz", trial.unit.model(), TAPE_V, "direct", frequency_hz=315.0, window_s=0.5)


def tape_noise(trial: Trial) -> None:
    trial.bench.measure(
        "Noise", "noise", trial.unit.model(), range_name="direct", duration_s=NOISE_S, reference="0.5 V out"
    )


def flutter(trial: Trial) -> None:
    _flutter(trial, "Speed")


def flutter_turned(trial: Trial) -> None:
    """The record turned by 180 degrees on the platter: what its hole makes turns with it, the bearing's does not."""
    record, bearing = trial.turned_lines
    rate_hz = PLATTER_RPM / 60.0
    unit = trial.unit
    for step, peak in (("Speed", bearing + record), ("Speed, record turned", bearing - record)):
        lines = dict(unit.lines) if not record else {**unit.lines, rate_hz: abs(peak)}
        trial.unit = dataclasses.replace(unit, lines=lines)
        _flutter(trial, step)
    trial.unit = unit


def _flutter(trial: Trial, step: str) -> None:
    sizes: dict[str, Any] = (
        {
            "tape_speed_cm_s": TAPE_CM_S,
            "capstan_mm": CAPSTAN_MM,
            "pinch_roller_mm": PINCH_ROLLER_MM,
            "motor_rpm": DECK_MOTOR_RPM,
            "pulley_mm": PULLEY_MM,
            "belt_mm": BELT_MM,
        }
        if "deck" in trial.unit.kind
        else {"platter_rpm": PLATTER_RPM, "idler_mm": IDLER_MM, "rim_mm": RIM_MM, "motor_rpm": MOTOR_RPM}
    )
    options = {"duration_s": 30.0, "nominal_hz": trial.unit.tone_hz, **sizes}
    rate_hz, trial.bench.rate_hz = trial.bench.rate_hz, FLUTTER_RATE_HZ
    trial.bench.measure(step, "flutter", trial.unit.model(), range_name="direct", **options)
    trial.bench.rate_hz = rate_hz


def player_response(trial: Trial) -> None:
    trial.bench.measure("Response", "response", trial.model(load_ohm=None), level_v_rms=LINE_V, duration_s=0.7)


# -- breaking ----------------------------------------------------------------------------------------------------------

Break = Callable[[Trial], None]


def _one(trial: Trial) -> Any:
    """Return one of the stages, by chance."""
    return trial.unit.stages[int(trial.generator.integers(2))]


def weak_half(trial: Trial) -> None:
    """An output device or its driver drops 3 to 8 V more than its partner."""
    stage, lost_v = _one(trial), trial.generator.uniform(3.0, 8.0)
    if trial.generator.integers(2):
        stage.rail_positive_v -= lost_v
    else:
        stage.rail_negative_v -= lost_v


def tired_supply(trial: Trial) -> None:
    trial.unit.supply_ohm = between(trial.generator, 2.0, 4.5)


def bulb_left_in(trial: Trial) -> None:
    trial.unit.supply_ohm = between(trial.generator, 8.0, 16.0)


def no_idle_current(trial: Trial) -> None:
    _one(trial).dead_zone_v = between(trial.generator, 0.008, 0.05)


def weak_tube(trial: Trial) -> None:
    """One tube of a pair gives less: even harmonics no longer cancel, nor the supply's hum; the peak is lower."""
    stage = _one(trial)
    stage.second_per_v *= between(trial.generator, 5.0, 12.0)
    stage.rail_positive_v *= trial.generator.uniform(0.72, 0.85)
    stage.rail_negative_v *= trial.generator.uniform(0.80, 0.88)
    stage.hum_v[2] *= between(trial.generator, 3.5, 8.0)


def worn_small_tube(trial: Trial) -> None:
    stage = _one(trial)
    stage.control_db -= trial.generator.uniform(2.0, 5.0)
    stage.second_per_v *= between(trial.generator, 4.0, 8.0)


def oxidised_contact(trial: Trial) -> None:
    """A film that a loud tone breaks through."""
    trial.first_dead_zone_v = between(trial.generator, 0.003, 0.02)


def bent_card(trial: Trial) -> None:
    third = -between(trial.generator, 0.004, 0.04)
    trial.bench.input_curve = ConverterCurve(second_order=0.0, third_order=third)


def dried_filter(trial: Trial) -> None:
    trial.unit.ripple_per_v = between(trial.generator, 3e-4, 3e-3)


def oscillating(trial: Trial) -> None:
    hertz, volts = trial.generator.uniform(22_000.0, 44_000.0), between(trial.generator, 0.03, 0.5)
    trial.unit.oscillation = (hertz, volts, trial.generator.uniform(8.0, 14.0))


def warm_joint(trial: Trial) -> None:
    trial.warm_db = -trial.generator.uniform(0.8, 4.0)


def ground_loop(trial: Trial) -> None:
    _one(trial).hum_v[1] = between(trial.generator, 2e-3, 5e-2)


def dried_rectifier_filter(trial: Trial) -> None:
    stage, volts = _one(trial), between(trial.generator, 2e-3, 5e-2)
    stage.hum_v.update({2: volts, 4: 0.4 * volts, 6: 0.2 * volts})


def hum_in_leads(trial: Trial) -> None:
    trial.bench_hum_v = between(trial.generator, 6e-4, 5e-3)


def open_input(trial: Trial) -> None:
    stage, volts = _one(trial), between(trial.generator, 0.05, 0.25)
    stage.hum_v = {n: volts / n for n in range(1, 13)}
    stage.noise_v = 0.1 * volts


def crossed_leads(trial: Trial) -> None:
    trial.bench.crossed = True


def inverted(trial: Trial) -> None:
    _one(trial).inverted = True


def mono_switch(trial: Trial) -> None:
    trial.bench.difference_gain = 0.0


def two_clocks(trial: Trial) -> None:
    trial.bench.other_clock = float(trial.generator.choice([-1.0, 1.0])) * between(trial.generator, 2e-6, 1e-4)


def worn_control(trial: Trial) -> None:
    """The wiper lifts off for some milliseconds, 6 to 20 times on its way."""
    trial.turned = _turn(trial.generator, int(trial.generator.integers(6, 20)))


def smooth_control(trial: Trial) -> None:
    trial.turned = _turn(trial.generator, 0)


def _turn(generator: Generator, lifts: int) -> tuple[tuple[float, float], ...]:
    begin_s, end_s, lowest_db = 1.2, 4.6, -60.0

    def volume_db(at_s: float) -> float:
        return lowest_db * (at_s - begin_s) / (end_s - begin_s)

    points = [(begin_s, 0.0)]
    for at_s in np.sort(generator.uniform(begin_s + 0.1, begin_s + 1.6, lifts)):
        length_s, deep_db = generator.uniform(0.002, 0.01), generator.uniform(6.0, 25.0)
        if at_s < points[-1][0] + 0.02:
            continue
        points += [
            (at_s, volume_db(at_s)),
            (at_s + 2e-4, volume_db(at_s) - deep_db),
            (at_s + length_s, volume_db(at_s) - deep_db),
            (at_s + length_s + 2e-4, volume_db(at_s + length_s)),
        ]
    return (*((float(at_s), float(db)) for at_s, db in points), (end_s, lowest_db))


def _taps_s(generator: Generator) -> list[float]:
    """Return when a hand taps that follows a clock."""
    late_s = generator.uniform(-0.2, 0.5)
    return [float(TAP_EVERY_S * number + late_s + generator.normal(0.0, 0.1)) for number in range(1, 7)]


def firm(trial: Trial) -> None:
    """What is whole rings a little, far below what is worth a word."""
    generator = trial.generator
    trial.rings = tuple(
        (at_s, between(generator, 5e-5, 4e-4), generator.uniform(150.0, 900.0), between(generator, 0.02, 0.2))
        for at_s in _taps_s(generator)
    )


def cracked_or_microphonic(trial: Trial) -> None:
    """A joint opens for a moment at most taps near it, or a tube rings; taps elsewhere on the unit reach it less."""
    generator = trial.generator
    answered_s = [at_s for at_s in _taps_s(generator) if generator.random() < 0.85]
    if generator.integers(2):
        hertz, decay_s = generator.uniform(150.0, 900.0), between(generator, 0.05, 0.6)
        trial.rings = tuple((at_s, between(generator, 0.03, 0.5), hertz, decay_s) for at_s in answered_s)
        return
    points = [(0.0, 0.0)]
    for at_s in answered_s:
        length_s, deep_db = between(generator, 0.01, 0.3), between(generator, 0.8, 25.0)
        points += [(at_s, 0.0), (at_s + 2e-4, -deep_db), (at_s + length_s, -deep_db), (at_s + length_s + 2e-4, 0.0)]
    trial.tapped = tuple(points)


def drifted_resistor(trial: Trial) -> None:
    _one(trial).feedback_ohm *= 1.0 - trial.generator.uniform(0.10, 0.35)


def leaky_treble(trial: Trial) -> None:
    _one(trial).treble_hz = between(trial.generator, 5_000.0, 18_000.0)


def dried_coupling(trial: Trial) -> None:
    _one(trial).input_farad /= between(trial.generator, 10.0, 30.0)


def with_output_capacitor(trial: Trial) -> None:
    for stage in trial.unit.stages:
        stage.output_farad = near(trial.generator, 4_700e-6, 20.0)


def dried_output_capacitor(trial: Trial) -> None:
    with_output_capacitor(trial)
    _one(trial).output_farad = between(trial.generator, 250e-6, 900e-6)


def drifted_equalization(trial: Trial) -> None:
    stage, which = _one(trial), int(trial.generator.integers(3))
    by = 1.0 + float(trial.generator.choice([-1.0, 1.0])) * trial.generator.uniform(0.09, 0.25)
    if which == 2:
        stage.rise_us = (stage.rise_us[0] * by,)
    else:
        stage.fall_us = tuple(tau * (by if place == which else 1.0) for place, tau in enumerate(stage.fall_us))


def loudness(trial: Trial) -> None:
    """Loudness, or a treble filter: both channels alike."""
    boost = between(trial.generator, 1.8, 3.2)
    low_hz, filter_hz = trial.generator.uniform(60.0, 120.0), trial.generator.uniform(4_500.0, 9_000.0)
    bass = bool(trial.generator.integers(2))
    for stage in trial.unit.stages:
        if bass:
            stage.fall_us, stage.rise_us = (_us(low_hz),), (_us(low_hz * boost),)
        else:
            stage.fall_us = (_us(near(trial.generator, filter_hz, 2.0)),)


def _us(hertz: float) -> float:
    return 1e6 / (2.0 * np.pi * hertz)


def stuck_de_emphasis(trial: Trial) -> None:
    for stage in trial.unit.stages:
        stage.fall_us, stage.rise_us = (near(trial.generator, 50.0, 5.0),), (near(trial.generator, 15.0, 5.0),)


def other_tape_equalization(trial: Trial) -> None:
    pair = [(3180.0, 120.0), (3180.0, 70.0)]
    way = int(trial.generator.integers(2))
    trial.unit.tape_us, trial.unit.replay_us = pair[way], pair[1 - way]


def azimuth_off(trial: Trial) -> None:
    trial.unit.azimuth_arc_min = float(trial.generator.choice([-1.0, 1.0])) * trial.generator.uniform(4.5, 12.0)


def worn_head(trial: Trial) -> None:
    trial.unit.gap_um = trial.generator.uniform(2.3, 3.2)


def wrong_bias(trial: Trial) -> None:
    trial.unit.bias_error_db = float(trial.generator.choice([-1.0, 1.0])) * trial.generator.uniform(1.8, 3.5)


def magnetised(trial: Trial) -> None:
    trial.unit.hiss_db += trial.generator.uniform(3.0, 5.0)
    trial.unit.second_per_v = between(trial.generator, 0.025, 0.08)


def wrong_speed(trial: Trial) -> None:
    trial.unit.error = 1e-2 * float(trial.generator.choice([-1.0, 1.0])) * trial.generator.uniform(0.7, 3.0)


def dragging(trial: Trial) -> None:
    trial.unit.drift_per_s = -1e-2 / 20.0 * trial.generator.uniform(0.9, 2.5)


def _uneven(rate_hz: Callable[[], float]) -> Break:
    def broken(trial: Trial) -> None:
        trial.unit.lines[rate_hz()] = 1e-2 * between(trial.generator, 0.07, 0.3)

    return broken


def record_off_centre(trial: Trial) -> None:
    record = 1e-2 * between(trial.generator, 0.1, 0.4)
    trial.turned_lines = (record, record * trial.generator.uniform(0.3, 0.8))


def dirty_head(trial: Trial) -> None:
    places_s = np.sort(trial.generator.uniform(1.0, 28.0, int(trial.generator.integers(6, 15))))
    trial.unit.drop_outs = tuple((float(at_s), float(trial.generator.uniform(0.05, 0.15))) for at_s in places_s)


def decoder_off(trial: Trial) -> None:
    """The difference signal's gain is off, or the subcarrier's phase: left and right no longer come apart."""
    if trial.generator.integers(2):
        trial.unit.difference_gain = 10.0 ** (
            float(trial.generator.choice([-1.0, 1.0])) * between(trial.generator, 0.04, 0.15)
        )
    else:
        trial.unit.phase_deg = float(trial.generator.choice([-1.0, 1.0])) * trial.generator.uniform(23.0, 45.0)


def narrow_detector(trial: Trial) -> None:
    trial.unit.third = between(trial.generator, 0.02, 0.1)


def pilot_leaks(trial: Trial) -> None:
    trial.unit.pilot_db = trial.generator.uniform(-47.0, -25.0)


def wrong_de_emphasis(trial: Trial) -> None:
    """A tuner of the other region, or a capacitor that has opened."""
    trial.unit.de_emphasis_us = float(trial.generator.choice([near(trial.generator, 75.0, 5.0), 0.0]))


def _states(*states: tuple[str, float, float]) -> Step:
    """Return a step in which somebody sets a generator to one state after another, 2.5 s each."""

    def step(trial: Trial) -> None:
        trial.unit.programme = tuple(
            GeneratorState(kind=kind, frequency_hz=hertz, percent=percent, length_s=2.5)
            for kind, hertz, percent in states
        )
        words = "; ".join(
            " ".join(filter(None, (kind, f"{hertz:g}" if hertz else "", "30%" if percent == 30.0 else "")))
            for kind, hertz, percent in states
        )
        options = {"duration_s": 2.5 * len(states), "states": words, "de_emphasis": "50", "pre_emphasis": "none"}
        trial.bench.measure("Tuner", "tuner", trial.unit.model(), range_name="direct", **options)

    return step


_FULL = ("mono", 1000.0, 100.0)
tuner_sides = _states(_FULL, ("left", 1000.0, 91.0), ("right", 1000.0, 91.0))
tuner_levels = _states(_FULL, ("mono", 1000.0, 30.0))
tuner_pilot = _states(_FULL, ("pilot", 0.0, 0.0))
tuner_spots = _states(_FULL, *(("mono", hertz, 30.0) for hertz in (100.0, 1000.0, 3000.0, 6000.0, 10_000.0)))


def player(generator: Generator) -> Amplifier:
    """Return the audio side of a healthy player."""
    found = line_stage(generator, "CD player")
    for stage in found.stages:
        stage.feedback_ohm, stage.control_db = 1e-3, generator.uniform(-0.2, 0.2)
        stage.second_per_v, stage.third_per_v2 = 1e-6, 0.0
        stage.leakage_db = -80.0
        stage.rail_positive_v = stage.rail_negative_v = np.inf
        stage.knee_v = 0.0
    return found


def converter(generator: Generator) -> Amplifier:
    """Return a healthy converter."""
    found = dataclasses.replace(player(generator), kind="converter")
    for stage in found.stages:
        stage.noise_v, stage.hum_v = between(generator, 1e-5, 4e-5), {1: 1e-7}
    return found


def muted(trial: Trial) -> None:
    """A relay shorts the outputs while nothing plays."""
    trial.bench.mutes = True
    for stage in trial.unit.stages:
        stage.noise_v = between(trial.generator, 6e-5, 4e-4)


def dynamic_range(trial: Trial) -> None:
    model = trial.model(load_ohm=None)
    trial.bench.measure(
        "Dynamic range", "dynamic-range", model, level_v_rms=1.0, range_name="direct", window_s=1.0, idle_s=1.0
    )


# -- a cassette deck that plays a side, by its own word ----------------------------------------------------------------

#: What rules read: no picture is told by the silence or by what is left of an erased tone.
SIDE = without(short_side(), "silence", "erased")
TRACKS_APART_M, TRACK_WIDTH_M, TAPE_M_PER_S = 0.9e-3, 0.6e-3, 0.01 * TAPE_CM_S


@dataclass
class Player:
    """A deck's head and motion, for `tape_captures`: gap, distance and skew shape the treble in closed form."""

    gap_um: float
    spacing_um: float
    arc_min: float
    wander_arc_min: float
    speed: float
    drift_per_s: float
    kind: str = "cassette deck"

    def captured(self, seed: int) -> Recording:
        """Return what a capture of the side holds."""
        late_s = TRACKS_APART_M * self._skew(self.arc_min) / TAPE_M_PER_S
        known = tape_captures.Deck(
            speed=self.speed,
            drift_per_s=self.drift_per_s,
            wow=((6.06, 3e-4),),
            late_s=late_s,
            wander_s=TRACKS_APART_M * self._skew(self.wander_arc_min) / TAPE_M_PER_S,
            wander_hz=1.7,
            gain=self._gain,
            cubic=0.03,
            noise=1e-4,
        )
        return tape_captures.played(SIDE, known, 22_050.0, seed=seed)

    @staticmethod
    def _skew(arc_min: float) -> float:
        return float(np.tan(np.radians(arc_min / 60.0)))

    def _gain(self, hertz: float) -> float:
        waves = hertz / TAPE_M_PER_S
        gap, width = 1e-6 * self.gap_um * waves, TRACK_WIDTH_M * self._skew(self.arc_min) * waves
        return float(np.sinc(gap) * np.sinc(width) * 10.0 ** (-54.6 * 1e-6 * self.spacing_um * waves / 20.0))


def side(generator: Generator) -> Player:
    """Return a healthy deck."""
    return Player(
        gap_um=near(generator, 0.9, 10.0),
        spacing_um=between(generator, 0.05, 0.15),
        arc_min=generator.uniform(-0.8, 0.8),
        wander_arc_min=between(generator, 0.2, 0.9),
        speed=1e-2 * generator.uniform(-0.2, 0.2),
        drift_per_s=1e-5 * generator.uniform(-0.3, 0.3),
    )


def tape_side(trial: Trial) -> None:
    measurement = registry.find("tape")
    filled = {**complete(measurement, {"track_format": "cassette", "recorded": "elsewhere"}), "side": SIDE}
    recording = trial.unit.captured(int(trial.generator.integers(1 << 31)))
    trial.bench.keep("Side", measurement.analyse(recording, filled))


def badly_guided(trial: Trial) -> None:
    trial.unit.wander_arc_min = trial.generator.uniform(2.2, 6.0)


def side_askew(trial: Trial) -> None:
    trial.unit.arc_min = float(trial.generator.choice([-1.0, 1.0])) * trial.generator.uniform(4.5, 12.0)


def side_worn_head(trial: Trial) -> None:
    trial.unit.gap_um = trial.generator.uniform(2.3, 3.2)


def side_wrong_speed(trial: Trial) -> None:
    trial.unit.speed = 1e-2 * float(trial.generator.choice([-1.0, 1.0])) * trial.generator.uniform(0.8, 3.0)


def side_dragging(trial: Trial) -> None:
    """Between its first and its last tones, some 50 s apart, the side slows down by 0.9 to 2.5 %."""
    trial.unit.drift_per_s = -1e-2 / 50.0 * trial.generator.uniform(0.9, 2.5)


# -- the table ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fault:
    """One fault. picture : that must be told.   make : a healthy unit.   breaks : what goes wrong.

    steps : what a visit measures.   whole : what makes the unit healthy, where that needs more than `make`.
    against : held against a visit of the same unit before.   loaded : dummy loads are connected.   by : the word that
    tells it, where the picture has another fault that another word tells.
    """

    picture: str
    make: Callable[[Generator], Any]
    breaks: Break
    steps: tuple[Step, ...]
    whole: Break | None = None
    against: bool = False
    loaded: bool = False
    by: str = ""

    @property
    def name(self) -> str:
        """What tells it from the others."""
        return f"{self.picture} ({self.by})" if self.by else self.picture


def _deck(generator: Generator) -> Mechanism:
    return mechanism(generator, "cassette deck")


def _turntable(generator: Generator) -> Mechanism:
    return mechanism(generator, "turntable")


def _recorder(generator: Generator) -> Deck:
    return deck(generator)


FAULTS: tuple[Fault, ...] = (
    Fault("asymmetric-clipping", amplifier, weak_half, (clipping_both,), loaded=True),
    Fault("supply-sag", amplifier, tired_supply, (clipping_alone,), loaded=True),
    Fault("limiter-left-in", amplifier, bulb_left_in, (clipping_alone,), loaded=True),
    Fault("crossover", amplifier, no_idle_current, (low_tone, middle_tone), loaded=True),
    Fault("dirty-contact", amplifier, oxidised_contact, (low_tone, loud_tone, low_tone_again), loaded=True),
    Fault("card-overload", amplifier, bent_card, (two_ranges,), loaded=True),
    Fault("ripple-under-load", amplifier, dried_filter, (loud_tone,), loaded=True),
    Fault("oscillation", amplifier, oscillating, (wide_tones,), loaded=True),
    Fault("thermal-limiter", amplifier, warm_joint, (preconditioning,), loaded=True),
    Fault("hum-at-mains", amplifier, ground_loop, (noise,), loaded=True),
    Fault("hum-at-twice", amplifier, dried_rectifier_filter, (noise,), loaded=True),
    Fault("open-input", amplifier, open_input, (noise,), loaded=True),
    Fault("swapped-channels", amplifier, crossed_leads, (first_look,), loaded=True),
    Fault("inverted-channel", amplifier, inverted, (response,), loaded=True),
    Fault("mono", amplifier, mono_switch, (crosstalk,), loaded=True),
    Fault("two-clocks", amplifier, two_clocks, (middle_tone,), loaded=True),
    Fault("channel-low-flat", amplifier, drifted_resistor, (response,), loaded=True),
    Fault("channel-low-shaped", amplifier, leaky_treble, (response,), loaded=True),
    Fault("low-end-lost", amplifier, dried_coupling, (response,), loaded=True),
    Fault(
        "output-capacitor", amplifier, dried_output_capacitor, (response, open_response),
        whole=with_output_capacitor, loaded=True,
    ),
    Fault("hum-of-bench", amplifier, hum_in_leads, (noise_beside_bench,), loaded=True),
    Fault("weak-output-tube", tube_amplifier, weak_tube, (middle_tone, clipping_both, noise), loaded=True),
    Fault("low-emission", line_stage, worn_small_tube, (line_tone,)),
    Fault("noisy-control", line_stage, worn_control, (tracking,), whole=smooth_control),
    Fault("answers-taps", line_stage, cracked_or_microphonic, (tapping,), whole=firm),
    Fault("control-not-flat", line_stage, loudness, (line_response,)),
    Fault("equalization-part", phono_stage, drifted_equalization, (phono_response,)),
    Fault("wrong-speed", _deck, wrong_speed, (flutter,)),
    Fault("drag", _deck, dragging, (flutter,)),
    Fault("capstan-line", _deck, _uneven(lambda: turns_hz(CAPSTAN_MM)), (flutter,)),
    Fault("pinch-roller-line", _deck, _uneven(lambda: turns_hz(PINCH_ROLLER_MM)), (flutter,)),
    Fault("belt-line", _deck, _uneven(belt_hz), (flutter,)),
    Fault("drop-outs", _deck, dirty_head, (flutter,)),
    Fault("reel-line", reel_deck, bent_reel, (reel_flutter,)),
    Fault("idler-line", _turntable, _uneven(idler_hz), (flutter,)),
    Fault("motor-line", _turntable, _uneven(lambda: MOTOR_RPM / 60.0), (flutter,)),
    Fault("record-off-centre", _turntable, record_off_centre, (flutter_turned,)),
    Fault("wrong-tape-equalization", _recorder, other_tape_equalization, (tape_response,)),
    Fault("azimuth", _recorder, azimuth_off, (tape_response,)),
    Fault("worn-head", _recorder, worn_head, (tape_response,)),
    Fault("record-bias", _recorder, wrong_bias, (tape_response, tape_tone), against=True),
    Fault("magnetised-head", _recorder, magnetised, (tape_noise, tape_tone), against=True),
    Fault("azimuth-wander", side, badly_guided, (tape_side,)),
    Fault("azimuth", side, side_askew, (tape_side,), by="tape"),
    Fault("worn-head", side, side_worn_head, (tape_side,), by="tape"),
    Fault("wrong-speed", side, side_wrong_speed, (tape_side,), by="tape"),
    Fault("drag", side, side_dragging, (tape_side,), by="tape"),
    Fault("stereo-decoder", tuner, decoder_off, (tuner_sides,)),
    Fault("detector", tuner, narrow_detector, (tuner_levels,)),
    Fault("pilot-leak", tuner, pilot_leaks, (tuner_pilot,)),
    Fault("wrong-de-emphasis", tuner, wrong_de_emphasis, (tuner_spots,)),
    Fault("stuck-de-emphasis", player, stuck_de_emphasis, (player_response,)),
    Fault("mute-hides-noise", converter, muted, (dynamic_range,)),
)  # fmt: skip


def fault_of(name: str) -> Fault:
    """Return a fault by its name."""
    return next(one for one in FAULTS if one.name == name)


def measured(fault: Fault, seed: Sequence[int], *, broken: bool) -> Any:
    """Return the facts of one trial. seed : equal ones give the same unit, broken or whole."""
    generator = np.random.default_rng(list(seed))
    trial = _trial(fault, generator)
    if fault.whole is not None and not broken:
        fault.whole(trial)
    against = None
    if fault.against:
        against = _visited(fault, trial)
        trial.bench = Bench(generator, trial.unit.kind, load_ohm=trial.bench.load_ohm)
    if broken:
        fault.breaks(trial)
    return dataclasses.replace(_visited(fault, trial), against=against)


def _trial(fault: Fault, generator: Generator) -> Trial:
    unit = fault.make(generator)
    bench = Bench(generator, unit.kind, load_ohm=LOAD_OHM if fault.loaded else None)
    return Trial(bench=bench, unit=unit, generator=generator)


def _visited(fault: Fault, trial: Trial) -> Any:
    for step in fault.steps:
        step(trial)
    return trial.bench.evidence()


#: A step whose captures another one holds, too: a visit of all steps makes the other one alone.
_HELD_BY = {clipping_both: clipping_alone, flutter: flutter_turned}


def healthy_visit(make: Callable[[Generator], Any], seed: Sequence[int]) -> Any:
    """Return the facts of a whole visit of a healthy unit: every step that any fault of such units needs."""
    faults = [one for one in FAULTS if one.make is make]
    generator = np.random.default_rng(list(seed))
    trial = _trial(faults[0], generator)
    for fault in faults:
        if fault.whole is not None:
            fault.whole(trial)
    wanted = dict.fromkeys(step for fault in faults for step in fault.steps)
    steps = [step for step in wanted if _HELD_BY.get(step) not in wanted]
    against = None
    if any(fault.against for fault in faults):
        for step in steps:
            step(trial)
        against = trial.bench.evidence()
        trial.bench = Bench(generator, trial.unit.kind, load_ohm=trial.bench.load_ohm)
    for step in steps:
        step(trial)
    return dataclasses.replace(trial.bench.evidence(), against=against)
