"""How long the bench is busy for both responses, balance, both ways of crosstalk, second and third harmonic.

Run it as `python tests/benchmarks/bench_response_time.py`. One capture of staggered sweeps is made on the simulated
amplifier, and its uncertainties are read. Stepped sines that tell the same figures, at the same points, as exactly,
need a time that is computed from their own rule (ramps, settling of at least 0.1 s and ten periods, whole periods):

- each channel is driven alone, since a sine on both at once tells no crosstalk: every frequency is played twice;
- the window is as long as the worst of its figures needs. White noise of density D (V²/Hz) leaves in a sine's r.m.s.
  voltage, told from T seconds, the variance D/2T in each of its two parts (twice the band 1/T, half of it in phase);
- no shorter than two periods, below which a sine and its offset can't be told apart.

Only time in which something sounds or is waited for counts, markers and leads included; nothing is measured by a clock.
Exit status 1: the capture is longer than 6 s, or the ratio is below 20.
"""

from __future__ import annotations

import math
import sys
from typing import Any

import numpy as np

from audiomeas.bench.opened import open_bench_file
from audiomeas.files import shipped
from audiomeas.measurement.gated import TAIL_OF_TONES_S, TAIL_S
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.measurement.session import Session
from audiomeas.recording import Recording
from audiomeas.stimulus import SteppedSines
from audiomeas.stimulus.marker import GAP_S, LEAD_S, MARKER_S
from audiomeas.units import parse_level

LONGEST_S, LEAST_RATIO = 6.0, 20.0
LEVEL = "0.1 V"
_AROUND_S = LEAD_S + 2.0 * MARKER_S + 2.0 * GAP_S
_K95 = 1.96
_DB_PER_PART = 20.0 / math.log(10.0)
_LEAST_PERIODS = 2.0


def captured() -> tuple[Result, Recording]:
    """Return the result of the one capture and its recording."""
    kept: list[Recording] = []
    with Session(open_bench_file(shipped("examples", "benches", "simulated-bench.toml"))) as session:
        result = session.measure(
            find("crosstalk"), {}, input_level=parse_level(LEVEL), keep=lambda _, recording: kept.append(recording)
        )
    return result, kept[-1]


def noise_density(recording: Recording, column: int) -> float:
    """Return the density of the noise, V²/Hz, from the quiet tail behind the last marker."""
    assert recording.stimulus is not None and recording.stimulus_start is not None
    rate_hz = recording.sample_rate_hz
    end = recording.stimulus_start + recording.stimulus.frames + round((GAP_S + MARKER_S + 0.1) * rate_hz)
    tail = recording.signal(column)[end:]
    spectrum = np.abs(np.fft.rfft((tail - tail.mean()) * np.hanning(len(tail)))) ** 2
    # The median is deaf to hum; white noise has ln 2 of its mean there. One-sided, Hann's energy is 3/8.
    return float(np.median(spectrum) / math.log(2.0) * 2.0 / (rate_hz * 0.375 * len(tail)))


def window_s(density: float, volts_v_rms: float, relative: float | None) -> float:
    """Return how long a window must be to tell a voltage within `relative` (95 %); 0 where nothing is asked."""
    if relative is None or not relative > 0.0 or not volts_v_rms > 0.0:
        return 0.0
    return density / 2.0 / (relative / _K95 * volts_v_rms) ** 2


def needed_s(own: ChannelResult, other: ChannelResult, index: int, level_v_rms: float, densities: Any) -> float:
    """Return the window for one frequency while `own` is driven: response, crosstalk into `other`, harmonics."""
    gain = 10.0 ** (own.values["gain_db"][index] / 20.0)
    output_v_rms = gain * level_v_rms
    half_db = own.values["gain_shape_uncertainty_db"][index]
    needs = [window_s(densities[own.channel], output_v_rms, half_db / _DB_PER_PART)]
    leak_db, half_db = other.values["crosstalk_db"][index], other.values["crosstalk_uncertainty_db"][index]
    leak_v_rms = output_v_rms * 10.0 ** (leak_db / 20.0)
    if half_db is not None:
        # The scales' part no window betters: what is left, at least what the method states, is noise.
        noise_db = math.sqrt(max(half_db**2 - _scales_db(other) ** 2, 0.005**2))
        needs.append(window_s(densities[other.channel], leak_v_rms, noise_db / _DB_PER_PART))
    else:  # the same bound: 1.73 r.m.s. values of a complex number
        needs.append(densities[other.channel] / (leak_v_rms / 1.73) ** 2)
    frequency_hz = own.values["frequency_hz"][index]
    for harmonic in own.values["harmonics"]:
        if harmonic["order"] in (2, 3) and frequency_hz <= harmonic["frequency_hz"][-1]:
            noise = float(np.interp(frequency_hz, harmonic["frequency_hz"], harmonic["noise_percent"])) / 300.0
            needs.append(densities[own.channel] / (noise * output_v_rms) ** 2)
    return max(needs)


def _scales_db(channel: ChannelResult) -> float:
    """Return the part of crosstalk's uncertainty that the calibrations make: the smallest that any point has."""
    return min(half for half in channel.values["crosstalk_uncertainty_db"] if half is not None)


def stepped_s(result: Result, recording: Recording, *, every: int) -> tuple[float, int]:
    """Return the time of the stepped sines and their number, at each `every`-th point of the sweep's."""
    level_v_rms = parse_level(LEVEL).v_rms()
    densities = {channel: noise_density(recording, recording.column(channel)) for channel in (1, 2)}
    total, steps = 0.0, 0
    for driven in (1, 2):
        own, other = result.channel(driven), result.channel(3 - driven)
        for index in range(0, len(own.values["frequency_hz"]), every):
            frequency_hz = own.values["frequency_hz"][index]
            wanted_s = max(needed_s(own, other, index, level_v_rms, densities), _LEAST_PERIODS / frequency_hz)
            whole_s = math.ceil(wanted_s * frequency_hz) / frequency_hz
            one = SteppedSines(
                steps=((frequency_hz, level_v_rms),),
                sample_rate_hz=recording.sample_rate_hz,
                window_s=whole_s,
                driven_channels=(driven,),
            )
            total += one.frames / one.sample_rate_hz
            steps += 1
        total += _AROUND_S + TAIL_OF_TONES_S
    return total, steps


def main() -> int:
    """Print both times and their ratio; return 1 when the capture is too long or the ratio too small."""
    result, recording = captured()
    assert recording.stimulus is not None
    sweep_s = recording.stimulus.frames / recording.sample_rate_hz + _AROUND_S + TAIL_S
    first = result.channel(1).values
    points = zip(first["frequency_hz"], first["gain_shape_uncertainty_db"], strict=True)
    worst_db = max(half_db for hz, half_db in points if hz >= 40.0)
    print("SIMULATED amplifier; both responses, balance, both ways of crosstalk, second and third harmonic")
    print(f"one capture of staggered sweeps: {sweep_s:.2f} s (at most {LONGEST_S:g} s)")
    print(f"  response within {worst_db:.4f} dB from 40 Hz on (95 %, without the scales)")
    ratios = []
    for every, words in (
        (1, "24 points an octave, as the sweep's"),
        (2, "12 points an octave"),
    ):
        time_s, steps = stepped_s(result, recording, every=every)
        ratios.append(time_s / sweep_s)
        print(f"stepped sines, {words}: {steps} steps, {time_s:.0f} s, ratio {ratios[-1]:.1f}")
    print(f"aim: at least {LEAST_RATIO:g} at the sweep's own points")
    return 0 if sweep_s <= LONGEST_S and ratios[0] >= LEAST_RATIO else 1


if __name__ == "__main__":
    sys.exit(main())
