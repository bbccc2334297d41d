"""Benches on paper: every true value is drawn, nothing is simulated but what a card would deliver.

The truth is made here, of numpy and closed forms alone: no analysis of the project, nor its simulation. What is real is
the road: `calibrate`, the calibration file, the bench, the session's conditions, the measurements and the verdict. Only
the moving of samples through a card is replaced, as first looks and markers would take most of the time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from benches import bench_file

from audiomeas.bench.calibration_text import calibration_text, with_loopbacks, with_scale
from audiomeas.bench.file import read_bench
from audiomeas.bench.load_reading import load_from_ohms
from audiomeas.bench.loopback import Loopback, ResidualPoint, ResponsePoint
from audiomeas.bench.meter import parse_meter
from audiomeas.bench.opened import Bench
from audiomeas.bench.origin import ScaleOrigin
from audiomeas.interface.protocol import InterfaceIdentity
from audiomeas.interface.transport import Capture, from_fractions
from audiomeas.measurement.calibrate import Ask, calibrate
from audiomeas.measurement.first_look import FirstLook, Way
from audiomeas.measurement.gated import GatedBench
from audiomeas.measurement.session import Session
from audiomeas.measurement.session_calls import no_progress, quiet
from audiomeas.measurement.trust import Aligned

RATE_HZ = 48_000.0
CALIBRATED_HZ, TONE_HZ = 330.0, 1000.0
#: White noise up to half the rate; the band of noise figures is 20 Hz to 20 kHz.
IN_BAND = math.sqrt(19_980.0 / (RATE_HZ / 2.0))
#: A card repeats to this (relative), beside its noise.
LATENCY_FRAMES = 100
SQRT2 = math.sqrt(2.0)


@dataclass(frozen=True)
class Meter:
    """A multimeter: what its maker states, and what it does.

    errors : part of its limits, from −1 to 1, on one range after the other: each range has resistors of its own.
    """

    name: str
    percent: float
    digits: int
    errors: tuple[float, ...]

    def stated(self):
        return parse_meter(self.name, f"{self.percent:g} % + {self.digits} digits", 40.0, 1000.0)

    def reads(self, volts, places=4):
        """Return what it shows of a voltage: off by its own part of its limits, then rounded to its last digit."""
        decimals = places - 1 - math.floor(math.log10(volts))
        error = self.errors[decimals % len(self.errors)]
        shown = volts + error * (volts * self.percent / 100.0 + self.digits * 10.0**-decimals)
        return f"{shown:.{decimals}f} V"


@dataclass(frozen=True)
class Truth:
    """One bench and one unit as they are. Relative responses are those at 1 kHz, over those at 330 Hz."""

    output_v_rms: float
    input_v_rms: float
    output_response: float
    input_response: float
    card_noise_v_rms: float
    card_noise_now: float
    load_ohm: float
    gain: float
    second: float
    third: float
    noise_v_rms: float
    meters: tuple[Meter, ...]
    #: Who calibrates the input: 'one meter', 'two meters', 'by output'.
    way: str
    levels_dbfs: tuple[float, float]
    ohm_error: float
    input_level_v_rms: float
    seed: int

    def input_true_v_rms(self, stated_v_rms):
        """Volts at the unit's input when the bench's calibration means `stated_v_rms` of its output's scale."""
        return self.input_level_v_rms * self.output_v_rms / stated_v_rms * self.output_response

    def harmonics(self, input_v_rms):
        """Peak values of fundamental, second and third harmonic at the output: x + a₂x² + a₃x³ of x = A·cos ωt."""
        peak = SQRT2 * input_v_rms * self.gain
        return (
            peak + 0.75 * self.third * peak**3,
            0.5 * self.second * peak**2,
            0.25 * self.third * peak**3,
        )


def drawn(seed):
    """Draw a bench: limits of error as rectangular distributions, as their makers state them."""
    rng = np.random.default_rng([20261126, seed])
    percent = float(rng.choice([0.3, 0.5, 0.8, 1.5]))
    digits = int(rng.integers(1, 6))
    level_peak_v = SQRT2 * 20.0 * 0.4
    way = rng.choice([-1.0, 1.0])
    return Truth(
        output_v_rms=2.0 * rng.uniform(0.9, 1.1),
        # Resistors of 1 % and a card of 10 %: found end to end.
        input_v_rms=100.0 * rng.uniform(0.9, 1.1) * rng.uniform(0.98, 1.02),
        # Of one sign: coupling capacitors and filters of both ends turn the same way.
        output_response=1.0 + way * rng.uniform(0.0, 0.001),
        input_response=1.0 + way * rng.uniform(0.0, 0.001),
        card_noise_v_rms=100.0 * 10.0 ** (rng.uniform(-118.0, -108.0) / 20.0),
        # Its power when the unit is measured, over that when its loop was: about 1 dB of it (common practice).
        card_noise_now=rng.uniform(0.75, 1.25),
        load_ohm=8.0 * rng.uniform(0.95, 1.05),
        gain=20.0 * rng.uniform(0.8, 1.2),
        second=10.0 ** rng.uniform(-3.6, -2.6) * 2.0 / level_peak_v,
        third=10.0 ** rng.uniform(-3.6, -2.6) * 4.0 / level_peak_v**2,
        noise_v_rms=10.0 ** rng.uniform(-3.0, -2.3),
        meters=tuple(
            Meter(f"Demo multimeter M-000{n}", percent, digits, tuple(rng.uniform(-1.0, 1.0, 4))) for n in (1, 2)
        ),
        way=str(rng.choice(["one meter", "two meters", "by output"])),
        # Not the same for output and input, or both readings would be rounded alike.
        levels_dbfs=tuple(rng.uniform(-9.0, -6.0, 2)),
        ohm_error=float(rng.uniform(-1.0, 1.0)),
        input_level_v_rms=0.4 * rng.uniform(0.8, 1.2),
        seed=seed,
    )


class PaperCard:
    """Stands for an interface: it has a name, and no stream."""

    identity = InterfaceIdentity(
        name="Simulated card", host_api="simulation", simulated=True, max_output_channels=1, max_input_channels=1
    )


class PaperGates(GatedBench):
    """Gates behind which captures are computed. looped : a loop cable in place of the unit."""

    def __init__(self, bench, truth, *, looped, seed):
        super().__init__(bench, say=quiet, progress=no_progress)
        self._truth, self._looped = truth, looped
        self._rng = np.random.default_rng([truth.seed, seed])

    def first_look(self, *, keep=None):
        gain_db = 0.0 if self._looped else 20.0 * math.log10(self._truth.gain)
        flat = {1: (gain_db, gain_db)}
        way = Way(gain=(10 ** (gain_db / 20),) * 2, noise=(0.0, 0.0))
        return FirstLook(
            level_v_rms=0.01, frequency_hz=(10.0, 21_000.0), curve_db=flat, ceiling_db=flat, ways={1: {1: way}},
            polarity={1: 1}, latency_frames=LATENCY_FRAMES, silent=(),
        )  # fmt: skip

    def _captured(self, stimulus, gain_db, keep, doing):
        truth, frequency_hz = self._truth, next((w.frequency_hz for w in stimulus.windows()), None)
        away = (frequency_hz or CALIBRATED_HZ) > 500.0
        stated_v = self.bench.output_scale(1).v_rms_at_full_scale
        played_v = stimulus.samples_v() / stated_v * truth.output_v_rms * (truth.output_response if away else 1.0)
        if not self._looped:
            x = truth.gain * played_v
            played_v = x + truth.second * x**2 + truth.third * x**3
            played_v = played_v + truth.noise_v_rms / IN_BAND * self._rng.standard_normal(len(x))
        counts = played_v / (truth.input_v_rms * SQRT2) * (truth.input_response if away else 1.0)
        counts = np.concatenate([np.zeros(LATENCY_FRAMES), counts, np.zeros(LATENCY_FRAMES)])
        card_v = truth.card_noise_v_rms * math.sqrt(truth.card_noise_now)
        counts += card_v / IN_BAND / (truth.input_v_rms * SQRT2) * self._rng.standard_normal(len(counts))
        form = self.bench.form
        capture = Capture(
            samples=from_fractions(counts[:, None], form.sample_format), form=form, identity=PaperCard.identity,
            started_at=datetime.now(UTC),
        )  # fmt: skip
        aligned = Aligned(
            stimulus_start=LATENCY_FRAMES, latency_frames=LATENCY_FRAMES, polarity={1: 1}, marker_gain={1: 1.0},
            silent=(),
        )  # fmt: skip
        return self.recording(capture, capture.fractions(), stimulus, aligned, doing, ()), aligned


class PaperSession(Session):
    """A session on such gates."""

    def __init__(self, bench, truth, *, looped, seed):
        super().__init__(bench)
        self._gated = PaperGates(bench, truth, looped=looped, seed=seed)


class Desk:
    """A folder with a bench of one channel, which is calibrated as a person would, on a truth."""

    def __init__(self, folder, truth):
        self.truth, self.day = truth, datetime.now(UTC).date()
        read = load_from_ohms(
            # The last digit is 10 mΩ; leads of 0.20 Ω are read without error but for it.
            round(truth.load_ohm * (1.0 + 0.005 * truth.ohm_error) + 0.2, 2), 0.2, percent=0.5, step_ohms=0.01
        )  # fmt: skip
        self._path = bench_file(folder, ("sample_rate_hz = 96000", "sample_rate_hz = 48000"))
        text = self._path.read_text()
        for heading, last in (("input", 'range = "50:1"'), ("load", "rated_w = 200")):
            begin = text.index(f"[[{heading}]]\nchannel = 2")
            text = text[:begin] + text[text.index(last, begin) + len(last) :]
        text = text.replace("resistance_ohm = 8.0", f"resistance_ohm = {read.resistance_ohm:.6g}")
        text = text.replace("uncertainty_percent = 0.5", f"uncertainty_percent = {100 * read.uncertainty:.6g}")
        self._path.write_text(text)
        self._file = folder / "simulated-card.toml"
        self._read = None

    def bench(self):
        """Return the bench as its files now are."""
        if self._read is None:
            self._read = Bench(read_bench(self._path), PaperCard())
        return self._read

    def _write(self, calibration):
        self._file.write_text(calibration_text(calibration, simulated=True))
        self._read = None

    def session(self, *, looped=False, seed=0):
        return PaperSession(self.bench(), self.truth, looped=looped, seed=seed)

    def calibrate(self, *, loop=True):
        """Calibrate the output, the input and, where asked for, what the loop does at 1 kHz; each through the file."""
        truth = self.truth
        meter, other = truth.meters
        by = {"one meter": meter, "two meters": other, "by output": None}[truth.way]
        for seed, (kind, used, level_dbfs) in enumerate(
            zip(("output", "input"), (meter, by), truth.levels_dbfs, strict=True), 1
        ):
            session = self.session(looped=True, seed=seed)
            asked = Ask(
                kind=kind, channel=1, meter=None if used is None else used.stated(), level_dbfs=level_dbfs,
                duration_s=1.0, made=self.day,
            )  # fmt: skip

            def read(name, _, used=used, level_dbfs=level_dbfs):
                true_v = truth.output_v_rms * 10.0 ** ((level_dbfs - (20.0 if name == "quiet" else 0.0)) / 20.0)
                return used.reads(true_v)

            scale = calibrate(session, asked, read=read, confirm=lambda _: True).scale
            self._write(with_scale(self.bench().file.calibration, scale, output=kind == "output"))
        if loop:
            self._write(self._with_loop())

    def _with_loop(self):
        """What `calibrate loopback` would store: the loop's response at 1 kHz, read within 0.0005 dB."""
        truth, rng = self.truth, np.random.default_rng([self.truth.seed, 77])
        loop_db = 20.0 * math.log10(truth.output_response * truth.input_response) + rng.uniform(-5e-4, 5e-4)
        origin = ScaleOrigin(
            made=self.day, valid_until=self.day, sample_rates_hz=(RATE_HZ,), method="paper", instrument="none"
        )
        loop = Loopback(
            channel=1, range_name="50:1", reference_hz=CALIBRATED_HZ,
            response=(ResponsePoint(frequency_hz=CALIBRATED_HZ, gain_db=0.0, uncertainty_db=0.0),
                      ResponsePoint(frequency_hz=TONE_HZ, gain_db=loop_db, uncertainty_db=0.95 * 5e-4)),
            # A card on paper bends nothing.
            residual=(ResidualPoint(frequency_hz=TONE_HZ, level_dbfs=-20.0, thd_db=-160.0, thd_n_db=-160.0),),
            noise_dbfs=20.0 * math.log10(truth.card_noise_v_rms / truth.input_v_rms),
            noise_uncertainty_db=0.1, noise_at_most=False, polarity=1, origin=origin,
        )  # fmt: skip
        return with_loopbacks(self.bench().file.calibration, [loop])

    def true_figures(self):
        """Level, watts, gain, THD and S/N (re 1 W) as they truly are."""
        truth = self.truth
        stated_v = self.bench().output_scale(1).v_rms_at_full_scale
        input_v = truth.input_true_v_rms(stated_v)
        first, second, third = truth.harmonics(input_v)
        level_v = first / SQRT2
        return {
            "level_v_rms": level_v,
            "level_w": level_v**2 / truth.load_ohm,
            "gain_db": 20.0 * math.log10(level_v / input_v),
            "thd_percent": 100.0 * math.hypot(second, third) / first,
            "snr_db": 20.0 * math.log10(math.sqrt(truth.load_ohm) / truth.noise_v_rms),
        }
