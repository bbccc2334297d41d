"""Random units, loads, benches and plans: whatever the interlock lets through, no ceiling is exceeded. No sound.

Truth is worked out here from the unit's own description: its 2 × 2 complex response (gain, equalization, low and high
cuts, a resonance, leakage, a mono sum or difference), at all frequencies that a stimulus holds, on one channel or both,
alike or turned against each other, and with more gain at level than at first look. It shares no code with the
interlock, whose part is what a session has: the bench's ceilings, and a first look at a real one's points, with noise.
"""

from __future__ import annotations

import copy
import dataclasses
import math

import numpy as np
import pytest

from audiomeas.bench import interlock
from audiomeas.bench.file import Limits, Load
from audiomeas.bench.interlock import first_look_v_rms, predict, refuse_beyond
from audiomeas.bench.loudspeakers import loudspeakers
from audiomeas.bench.opened import default_bench_file, open_bench_file
from audiomeas.errors import InterlockRefusal
from audiomeas.measurement.first_look import FirstLook, Way
from audiomeas.measurement.raised_gain import RaisedGain
from audiomeas.stimulus import BurstSeries, ShapedSweep, Sine, SteppedSines, Sweep, TwinTone
from audiomeas.stimulus.marker import marker_peak_v

RATE_HZ = 96_000.0
SHIPPED = open_bench_file(default_bench_file())
SHARE, WITHOUT_MARGIN, ALL = 300, 150, 100_000
#: Where a real first look has its points: 24 an octave, between the fades of its sweeps (9.4 Hz to 0.44 of the rate).
LOOK_HZ = np.geomspace(9.4, 0.44 * RATE_HZ, 293)
#: More gain at level than at first look, up to this: all of the margin.
EXPANDS_DB = 3.0
#: The first look's noise, 95 % half-width against the unit's largest gain: −60 dB, as on a range of 50:1, up to −26 dB.
NOISE_DB = (-60.0, -26.0)


class Unit:
    """A stereo unit by its description. response(f) : (points, 2 outputs, 2 inputs), complex, into its loads."""

    def __init__(self, rng):
        self.gain = 10 ** (rng.uniform(-10, 36) / 20) * np.array([1.0, 10 ** (rng.normal(0, 0.5) / 20)])
        self.sign = rng.choice([1.0, -1.0], 2)
        self.riaa = rng.random() < 0.15
        self.low_hz, self.high_hz = 10 ** rng.uniform(-0.5, 1.6), 10 ** rng.uniform(4.2, 5.6)
        # A bump: a tone control, a badly damped filter at either edge of the band, or a peak in its middle.
        self.bump_hz = rng.choice([rng.uniform(5, 60), rng.uniform(12e3, 46e3), 10 ** rng.uniform(1, 4.6)])
        self.bump, self.bump_q = (rng.uniform(0, 3) if rng.random() < 0.6 else 0.0), rng.uniform(0.3, 2.0)
        # Both outputs the same: a mono sum, or a difference that is silent, or nearly, where both play alike.
        self.mono = rng.random() < 0.25
        self.mix = np.array([1.0, rng.choice([1.0, -1.0, rng.uniform(-1, 1)])])
        self.leak = 10 ** (rng.uniform(-90, -20) / 20) * np.exp(2j * np.pi * rng.random())
        self.turn = 1.0
        # An expander, or a bias that rises: this much more gain at level than at first look.
        self.more = 10 ** (EXPANDS_DB * rng.choice([0.0, 1.0, rng.random()]) / 20)

    def response(self, frequency_hz):
        s = 2j * np.pi * np.asarray(frequency_hz, dtype=float)
        shape = 1 / (1 + 2 * np.pi * self.low_hz / s) / (1 + s / (2 * np.pi * self.high_hz))
        if self.riaa:
            shape = shape * (1 + 318e-6 * s) / (1 + 3180e-6 * s) / (1 + 75e-6 * s) * 9.9
        turn = s / (2 * np.pi * self.bump_hz)
        shape = shape * (1 + self.bump * (turn / self.bump_q) / (1 + turn / self.bump_q + turn**2))
        own = self.turn * shape[:, None] * (self.gain * self.sign)
        matrix = np.zeros((len(s), 2, 2), complex)
        if self.mono:
            matrix[:] = (self.turn * shape)[:, None, None] * self.gain[None, :, None] * 0.5 * self.mix[None, None, :]
            return matrix
        matrix[:, 0, 0], matrix[:, 1, 1] = own[:, 0], own[:, 1]
        matrix[:, 0, 1], matrix[:, 1, 0] = own[:, 0] * self.leak, own[:, 1] * self.leak
        return matrix


def outputs(unit, frequency_hz, driven, turned=0.0):
    """Return |output| over input, (points, 2); turned : the second channel against the first, in radians."""
    played = np.array([1.0, np.exp(1j * turned)]) * [channel in driven for channel in (1, 2)]
    return np.abs(unit.response(frequency_hz) @ played)


def random_bench(rng):
    """Return the shipped bench with random ceilings, loads, ranges, now and then loudspeakers."""
    bench = copy.copy(SHIPPED)
    loads = tuple(
        Load(channel=n, resistance_ohm=rng.uniform(2, 600), rated_w=10 ** rng.uniform(-1, 2.5), uncertainty=0.01)
        for n in (1, 2)
        if rng.random() < 0.7
    )
    limits = Limits(
        input_v_rms=10 ** rng.uniform(-2, 1),
        output_v_rms=10 ** rng.uniform(0, 1.7),
        highest_gain_db=rng.uniform(20, 60),
    )
    ranges = tuple((n, str(rng.choice(["direct", "10:1", "50:1"]))) for n in (1, 2))
    connected = loudspeakers(float(rng.choice([4, 8, 16]))) if rng.random() < 0.2 else None
    bench.file = dataclasses.replace(bench.file, loads=loads, limits=limits, ranges=ranges, loudspeakers=connected)
    return bench


def random_stimulus(rng, level_v_rms):
    """Return a stimulus, and what it holds: (Hz, V r.m.s.) of each part, and whether the parts sound together."""
    driven = ((1, 2), (1, 2), (1,), (2,))[rng.integers(4)]
    rest = {"sample_rate_hz": RATE_HZ, "driven_channels": driven}
    kind = rng.choice(6, p=[0.2, 0.15, 0.2, 0.2, 0.05, 0.2])
    if kind == 0:
        hz = 10 ** rng.uniform(1.0, 4.6)
        return Sine(frequency_hz=hz, level_v_rms=level_v_rms, **rest), [hz], [level_v_rms], False
    if kind == 1:
        hz, parts = np.geomspace(20, 20e3, 9), level_v_rms * rng.uniform(0.1, 1.0, 9)
        steps = tuple((float(f), float(v)) for f, v in zip(hz, parts, strict=True))
        return SteppedSines(steps=steps, **rest), hz, parts, False
    if kind == 2:
        low, ratio = rng.uniform(50, 15e3), rng.choice([1.0, 4.0])
        twin = TwinTone(low_hz=low, high_hz=1.4 * low, ratio=ratio, level_v_rms=level_v_rms, **rest)
        shares = np.array([ratio, 1.0]) / (1 + ratio)
        return twin, [low, 1.4 * low], level_v_rms * shares, True
    if kind == 3:
        sweep = Sweep(start_hz=10.0, stop_hz=0.45 * RATE_HZ, level_v_rms=level_v_rms, duration_s=1.0, **rest)
        hz = np.geomspace(10.0, 0.45 * RATE_HZ, 400)
        return sweep, hz, np.full(400, level_v_rms), False
    if kind == 5:
        # A burst of a search for clipping, with markers that are quieter than itself, down to 40 dB.
        hz = 10 ** rng.uniform(1.0, 4.2)
        levels = ((level_v_rms,) * len(driven),)
        marked_v = math.sqrt(2) * level_v_rms * 10 ** (rng.uniform(-40, 0) / 20)
        return BurstSeries(
            frequency_hz=hz, levels_v_rms=levels, durations_s=(0.1,), markers_v=marked_v, **rest
        ), [hz], [level_v_rms], False  # fmt: skip
    # Pre-emphasised for a phono stage: more level where the unit has less gain.
    shaped = ShapedSweep(
        start_hz=20.0, stop_hz=22e3, level_v_rms=level_v_rms, duration_s=0.2, shape="riaa",
        rises_s=(3180e-6, 75e-6), falls_s=(318e-6,), **rest,
    )  # fmt: skip
    hz = np.geomspace(20.0, 22e3, 400)
    omega = 2 * np.pi * hz
    curve = np.hypot(1, 3180e-6 * omega) * np.hypot(1, 75e-6 * omega) / np.hypot(1, 318e-6 * omega)
    return shaped, hz, level_v_rms * curve / curve[-1], False


def look_at(rng, unit, noise_db):
    """Return a first look: what sweeps on each channel in turn find at its points, noise in and beside them."""
    true = unit.response(LOOK_HZ)
    half_width = 10 ** (noise_db / 20) * np.max(np.abs(true), axis=(0, 2))
    # A gain is read with noise inside, of which the half-width tells 1.96 sigma.
    sigma = (half_width / 1.96)[:, None]
    found = true + sigma * (rng.normal(size=true.shape) + 1j * rng.normal(size=true.shape))
    alike = np.abs(np.sum(found, axis=2))
    wide = [(float(one),) * len(LOOK_HZ) for one in half_width]
    return FirstLook(
        level_v_rms=1e-3,
        frequency_hz=tuple(LOOK_HZ),
        curve_db={n: tuple(20 * np.log10(alike[:, n - 1])) for n in (1, 2)},
        ceiling_db={n: tuple(20 * np.log10(alike[:, n - 1] + half_width[n - 1])) for n in (1, 2)},
        ways={
            n: {m: Way(gain=tuple(np.abs(found[:, n - 1, m - 1])), noise=wide[n - 1]) for m in (1, 2)} for n in (1, 2)
        },
        polarity={1: 1, 2: 1},
        latency_frames=0.0,
        silent=(),
    )


def true_excess(bench, unit, stimulus, frequency_hz, parts_v, together, *, turned=0.0, more=1.0):
    """Return the largest of (true r.m.s. or peak) over its ceiling, as a ratio: unit input, output, load, card."""
    limits = bench.file.limits
    level = float(np.max(np.asarray(parts_v))) if not together else math.sqrt(float(np.sum(np.square(parts_v))))
    peak = math.sqrt(2) * (float(np.sum(parts_v)) if together else float(np.max(np.asarray(parts_v))))
    worst = max(level / limits.input_v_rms, peak / math.sqrt(2) / limits.input_v_rms)
    # Full scale of the shipped card: 2 V out; in: 2 V direct, 20 V and 100 V through its pads (its calibration file).
    worst = max(worst, peak / math.sqrt(2) / 2.0)
    single = more * outputs(unit, frequency_hz, stimulus.driven_channels, turned) * np.asarray(parts_v)[:, None]
    for channel in (1, 2):
        own = single[:, channel - 1]
        rms = math.sqrt(float(np.sum(own**2))) if together else float(np.max(own))
        peak = math.sqrt(2) * (float(np.sum(own)) if together else float(np.max(own)))
        full = {"direct": 2.0, "10:1": 20.0, "50:1": 100.0}[dict(bench.file.ranges)[channel]]
        ceilings = [limits.output_v_rms, full]
        ceilings += [
            math.sqrt(load.rated_w * load.resistance_ohm) for load in bench.file.loads if load.channel == channel
        ]
        if bench.file.loudspeakers is not None:
            ceilings.append(math.sqrt(0.5 * 0.8 * bench.file.loudspeakers.nominal_ohm))
        worst = max(worst, rms / min(ceilings), peak / math.sqrt(2) / min(ceilings))
    return worst


def one_trial(rng):
    """Return what became of one random bench, unit and plan: (allowed steps, refused steps, largest true excess)."""
    bench, unit = random_bench(rng), Unit(rng)
    limits = bench.file.limits
    every = np.geomspace(1, 48e3, 600)
    largest = max(np.max(outputs(unit, every, driven)) for driven in ((1, 2), (1,), (2,)))
    largest_db = 20 * math.log10(float(largest))
    if largest_db > limits.highest_gain_db:  # what a person states of the unit is true: the bench refuses it else
        limits = dataclasses.replace(limits, highest_gain_db=largest_db + 0.1)
        bench.file = dataclasses.replace(bench.file, limits=limits)
    quiet_v = first_look_v_rms(bench.ceilings((1, 2)), highest_gain_db=limits.highest_gain_db)
    hz = np.geomspace(10.0, 0.45 * RATE_HZ, 400)
    sweep = Sweep(start_hz=10.0, stop_hz=0.45 * RATE_HZ, level_v_rms=quiet_v, sample_rate_hz=RATE_HZ, duration_s=1.5)
    # 40 dB below where the highest allowed gain reaches a ceiling: 0.01.
    assert true_excess(bench, unit, sweep, hz, np.full(400, quiet_v), together=False) <= 0.0101
    look = look_at(rng, unit, rng.uniform(*NOISE_DB))
    raised = RaisedGain()
    if rng.random() < 0.3:  # someone turns the volume up; a capture shows it, and what follows must reckon with it
        heard = (1,) if unit.mono else (1, 2)  # where both alike may cancel, what both play shows nothing
        first = {n: float(outputs(unit, [1000.0], heard)[0, n - 1]) for n in (1, 2)}
        unit.turn = 10 ** (rng.uniform(0, 20) / 20)
        later = {n: float(outputs(unit, [1000.0], heard)[0, n - 1]) for n in (1, 2)}
        raised.learn(later, {}, first_ratio=first)
    allowed = refused = 0
    worst = 0.0
    for _ in range(3):
        # Around where the nearest ceiling is reached, margin included: from 15 dB below to 6 dB above.
        reach_v = 100.0 * quiet_v * 10 ** ((limits.highest_gain_db - max(look.gain_db.values())) / 20)
        level_v_rms = min(reach_v, limits.input_v_rms) * 10 ** (rng.uniform(-15, 6) / 20)
        stimulus, frequency_hz, parts_v, together = random_stimulus(rng, level_v_rms)
        # What is played has markers around it: a chirp from 300 Hz to 6 kHz (its own file's figures).
        markers = (np.geomspace(300.0, 6000.0, 50), np.full(50, marker_peak_v(stimulus) / math.sqrt(2)), False)
        gain_db = raised.added_to(look.gain_for_db(stimulus))
        try:
            refuse_beyond(
                predict(
                    bench.ceilings(stimulus.driven_channels),
                    level_v_rms=stimulus.level_v_rms, peak_v=stimulus.peak_v, gain_db=gain_db,
                )
            )  # fmt: skip
        except InterlockRefusal:
            refused += 1
            continue
        allowed += 1
        turned = rng.choice([0.0, math.pi, rng.uniform(0.0, 2.0 * math.pi)])
        for parts in ((np.asarray(frequency_hz), parts_v, together), markers):
            worst = max(worst, true_excess(bench, unit, stimulus, *parts, turned=turned, more=unit.more))
    return allowed, refused, worst


def many(trials, seed):
    """Return (allowed, refused, largest excess, seeds beyond) of so many trials, each by a seed of its own."""
    allowed = refused = 0
    worst, beyond = 0.0, []
    for number in range(trials):
        one, other, excess = one_trial(np.random.default_rng([seed, number]))
        allowed, refused, worst = allowed + one, refused + other, max(worst, excess)
        if excess > 1.0:
            beyond.append((number, excess))
    return allowed, refused, worst, beyond


def judged(trials, seed):
    allowed, refused, worst, beyond = many(trials, seed)
    worst_db = 20 * math.log10(worst)
    print(f"{trials} trials: {allowed} steps allowed, {refused} refused, largest true excess {worst_db:.2f} dB")
    assert not beyond, beyond[:10]
    # It would be no trial with everything refused, or nothing near a ceiling: 0.7 is where the 3 dB of margin begin.
    assert allowed > trials / 2
    assert refused > trials / 2
    assert worst > 0.7


def test_no_ceiling_is_exceeded():
    judged(SHARE, 1)


def test_without_the_margin_units_that_expand_pass_a_ceiling(monkeypatch):
    """By up to the 3 dB that they expand: the margin is what keeps them below, and the trials would show it missing."""
    monkeypatch.setattr(interlock, "GAIN_MARGIN_DB", 0.0)
    _, _, worst, beyond = many(WITHOUT_MARGIN, 1)
    assert beyond
    assert 1.0 < 20 * math.log10(worst) <= EXPANDS_DB + 0.5


@pytest.mark.wide
@pytest.mark.parametrize("quarter", range(4))
def test_no_ceiling_is_exceeded_in_100000_trials(quarter):
    judged(ALL // 4, 2 + quarter)
