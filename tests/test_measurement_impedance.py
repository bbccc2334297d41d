"""Output and input impedance: the reference table, closed forms of loaded sources, swapped and missing changes."""

from __future__ import annotations

import dataclasses
import json
import math
from types import SimpleNamespace

import numpy as np
import pytest
from benches import bench_file
from limited_axes import drawn_limits
from reference_tables import rows

from audiomeas.analysis.two_voltages import admittance_s, source_impedance_ohm
from audiomeas.cli.main import status_of
from audiomeas.errors import AudiomeasError, RequestError, SignalError
from audiomeas.measurement.api import measure
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.figure_table import frequency_table
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import result_from_json
from audiomeas.measurement.typed_impedance import output_impedance_from_readings
from audiomeas.recording import Recording
from audiomeas.simulation.unit import find_unit
from audiomeas.stimulus import SteppedTwice, read_stimulus

OUTPUT, INPUT = find("output-impedance"), find("input-impedance")
RATE_HZ = 48_000.0
FREQUENCIES_HZ = (125.0, 1000.0, 8000.0)
FULL_SCALE_V_RMS = 20.0
#: At a level of about 2 V r.m.s.: 90 dB below, in 24 kHz.
NOISE_V_RMS = 6e-5
SHORT = {"frequencies_hz": FREQUENCIES_HZ, "pause_s": 1.0, "window_s": 0.2}


def _ohm(text):
    return None if text == "inf" else float(text)


# -- the arithmetic ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("output_impedance_two_load.csv"), ids=lambda row: f"{row['zo_ohm']} ohm")
def test_table_of_two_loads(row):
    first, second = _ohm(row["r1_ohm"]), _ohm(row["r2_ohm"])
    ratio = float(row["v1_v"]) / float(row["v2_v"])
    found = source_impedance_ohm(ratio, admittance_s(first), admittance_s(second))
    # The table's volts have ten digits; their difference has three fewer.
    assert found.real == pytest.approx(float(row["zo_ohm"]), rel=1e-6)
    assert float(row["r2_ohm"]) / found.real == pytest.approx(float(row["r2_over_zo"]), rel=2e-6)
    typed = output_impedance_from_readings(
        first_volts=float(row["v1_v"]),
        first_ohm=first,
        second_volts=float(row["v2_v"]),
        second_ohm=second,
        volts_percent=0.1,
        ohms_percent=1.0,
    )
    # The table's column is the impedance's change when the second reading is 0.1 % high, to five digits.
    assert typed.per_reading_ohm == pytest.approx(float(row["zo_shift_ohm"]), rel=1e-4)


@pytest.mark.parametrize(
    ("v1", "r1", "v2", "r2"),
    [(1, None, 1.1, 8), (1, 8, 0.4, 4), (1, 4, 0.9, 8), (math.nan, 8, 1, 4), (1, 8, 0, 4), (1, 8, 0.9, -4)],
)
def test_readings_that_belong_to_no_source_are_refused(v1, r1, v2, r2):
    with pytest.raises(RequestError):
        output_impedance_from_readings(
            first_volts=v1, first_ohm=r1, second_volts=v2, second_ohm=r2, volts_percent=0.1, ohms_percent=1.0
        )


#: Damping factor and the drop of voltage between open and loaded, in dB, to two digits (trade notes, 7.22, computed).
DROPS_DB = {100: 0.086, 50: 0.17, 20: 0.42, 10: 0.83, 4: 1.94}


@pytest.mark.parametrize("factor", DROPS_DB)
def test_damping_factor_of_a_drop(factor):
    found = source_impedance_ohm(10.0 ** (DROPS_DB[factor] / 20.0), 0j, admittance_s(8.0))
    assert 8.0 / found.real == pytest.approx(factor, rel=0.02)  # two digits of the drop


def test_typed_readings_drown():
    def read(second_volts):
        return output_impedance_from_readings(
            first_volts=2.83,
            first_ohm=None,
            second_volts=second_volts,
            second_ohm=8.0,
            volts_percent=0.1,
            ohms_percent=1.0,
        )

    found = read(2.829)
    # Zo = 8 Ω · 0.035 %, each reading is good for 0.1 % of 8 Ω: two rectangular parts, 95 % of their sum within
    # (1 − √0.05 / 1)·2 · 0.1 % = 1.553 limits (triangle of half-width 2: 2 − √(0.05·4) = 1.553).
    assert found.bound == "at most"
    assert found.impedance_ohm == pytest.approx(8.0 * (2.83 / 2.829 - 1.0) + 1.553 * 0.008, rel=0.01)
    assert found.damping_factor == pytest.approx(8.0 / found.impedance_ohm)
    with pytest.raises(RequestError, match="other way round"):
        read(2.9)


def test_typed_intervals_hold():
    """Readings and loads off by errors drawn within their limits: 95 of 100 intervals hold 0.2 Ω."""
    chance = np.random.default_rng(7)
    truth_ohm, load_ohm, tries = 0.2, 8.0, 600
    held = 0
    for errors in chance.uniform(-1.0, 1.0, (tries, 3)):
        found = output_impedance_from_readings(
            first_volts=2.0 * (1.0 + 1e-3 * errors[0]),
            first_ohm=None,
            second_volts=2.0 * load_ohm / (load_ohm + truth_ohm) * (1.0 + 1e-3 * errors[1]),
            second_ohm=load_ohm * (1.0 + 1e-2 * errors[2]),
            volts_percent=0.1,
            ohms_percent=1.0,
        )
        held += abs(found.impedance_ohm - truth_ohm) <= found.uncertainty_ohm
    # 95 % of 600 with a standard deviation of 0.9 %: three of them.
    assert held / tries == pytest.approx(0.95, abs=0.027)


# -- recordings in closed form ----------------------------------------------------------------------------------------


def _stimulus(measurement, **options):
    context = PlayContext(sample_rate_hz=RATE_HZ, channels=(1, 2), input_level_v_rms=0.1)
    return measurement.stimulus(context, complete(measurement, {**SHORT, **options}))


def _through(samples_v, response):
    """Samples through a response that is given at angular frequencies; padded, so that nothing wraps around."""
    padded = 2 ** math.ceil(math.log2(2 * len(samples_v)))
    angular = 2.0 * np.pi * np.fft.rfftfreq(padded, 1.0 / RATE_HZ)
    return np.fft.irfft(np.fft.rfft(samples_v, padded) * response(angular), padded)[: len(samples_v)]


def _recording(stimulus, first, second, *, noise_v_rms=0.0, seed=3, **conditions):
    """A capture of both takes, each through a response of its own (gain 20 before it), on both channels."""
    once = 20.0 * stimulus.take.samples_v()
    pause = np.zeros(stimulus.second_start - len(once))
    captured = np.concatenate([_through(once, first), pause, _through(once, second)])
    noise = noise_v_rms * np.random.default_rng(seed).standard_normal((len(captured), 2))
    counts = (captured[:, None] + noise) / (FULL_SCALE_V_RMS * math.sqrt(2.0))
    return Recording(
        counts_fs=counts,
        sample_rate_hz=RATE_HZ,
        channels=(1, 2),
        v_rms_at_full_scale=(FULL_SCALE_V_RMS,) * 2,
        scale_uncertainty=(0.005,) * 2,
        conditions={"load_ohm": {"1": 8.0, "2": 8.0}, "load_uncertainty": {"1": 0.005, "2": 0.005}, **conditions},
        stimulus=stimulus,
        stimulus_start=0,
        stimulus_in_volts=True,
        shared_clock=True,
        over_range=(0, 0),
    )


def _analysed(measurement, recording, **options):
    return measurement.analyse(recording, complete(measurement, {**SHORT, **options}))


SOURCE_OHM, SOURCE_H, LOAD_H = 0.15, 4e-6, 10e-6


def _loaded(load):
    """The voltage at a load of a source with resistance and coil. load : angular frequencies → ohms."""
    return lambda w: load(w) / (load(w) + SOURCE_OHM + 1j * w * SOURCE_H)


def _bench_load(w):
    return 8.0 + 1j * w * LOAD_H


@pytest.mark.parametrize(
    ("second_ohm", "second"),
    [(None, lambda w: np.ones(len(w), dtype=complex)), (4.0, _loaded(lambda w: np.full(len(w), 4.0 + 0j)))],
    ids=["open", "4 ohm"],
)
def test_reactive_source_at_two_loads(second_ohm, second):
    stimulus = _stimulus(OUTPUT)
    recording = _recording(
        stimulus,
        _loaded(_bench_load),
        second,
        noise_v_rms=NOISE_V_RMS,
        load_inductance_h={"1": LOAD_H, "2": LOAD_H},
        load_inductance_uncertainty_h={"1": 1e-6, "2": 1e-6},
    )
    options = {} if second_ohm is None else {"second_load_ohm": second_ohm}
    found = _analysed(OUTPUT, recording, **options)
    for channel in found.channels:
        for row in channel.values["steps"]:
            truth = SOURCE_OHM + 2j * math.pi * row["frequency_hz"] * SOURCE_H
            # Nothing but noise is wrong here: 6e-5 V of 2 V over 9,600 frames is 4e-7 of 8 Ω, 3 µΩ; with 4 Ω half of
            # the voltage's change is left, and ten standard deviations are far inside.
            assert row["output_impedance_ohm"] == pytest.approx(abs(truth), abs=2e-4)
            assert row["resistance_ohm"] == pytest.approx(truth.real, abs=2e-4)
            assert row["reactance_ohm"] == pytest.approx(truth.imag, abs=2e-4)
            assert row["damping_factor"] == pytest.approx(8.0 / abs(truth), rel=2e-3)
            # The drift that is allowed for, 0.02 % of 8 Ω, is most of the half-width and never left out.
            assert row["uncertainty"]["output_impedance_ohm"] > 0.95 * 0.0002 * 8.0 * 0.99
        assert channel.values["damping_factor"] == pytest.approx(8.0 / math.hypot(0.15, 2e3 * math.pi * 4e-6), rel=2e-3)
        assert channel.values["largest_output_impedance_at_hz"] == FREQUENCIES_HZ[-1]


def test_load_error_cancels_in_the_damping_factor():
    found = _analysed(
        OUTPUT, _recording(_stimulus(OUTPUT), _loaded(_bench_load), np.ones_like, noise_v_rms=NOISE_V_RMS)
    )
    channel = found.channel(1)
    # With the second load open Zo is R₁ · (V₂/V₁ − 1): the first load's error is in the ohms, not in R₁/Zo.
    assert any(part.component == "load resistance" for part in channel.budget["output_impedance_ohm"])
    assert not any(part.half_width > 1e-3 for part in channel.budget["damping_factor"] if "load" in part.component)


def test_unchanged_load_is_no_wonder():
    recording = _recording(_stimulus(OUTPUT), _loaded(_bench_load), _loaded(_bench_load), noise_v_rms=NOISE_V_RMS)
    found = _analysed(OUTPUT, recording)
    for channel in found.channels:
        assert channel.values["damping_factor"] is None
        assert channel.values["output_impedance_ohm"] is None
        assert not channel.bound
    assert "was the load changed" in found.warnings[0]
    said = _analysed(OUTPUT, recording, load_changed=True).channel(1)
    assert said.bound == {
        "output_impedance_ohm": "at most",
        "damping_factor": "at least",
        "largest_output_impedance_ohm": "at most",
        "lowest_damping_factor": "at least",
    }
    assert 0.0 < said.values["output_impedance_ohm"] < 0.005


def test_takes_the_other_way_round():
    found = _analysed(OUTPUT, _recording(_stimulus(OUTPUT), np.ones_like, _loaded(_bench_load)))
    assert found.channel(1).values["output_impedance_ohm"] is None
    assert "other way round" in found.warnings[0]


def test_two_captures_tell_magnitudes_only():
    stimulus = _stimulus(OUTPUT)
    whole = _recording(stimulus, _loaded(_bench_load), np.ones_like, noise_v_rms=NOISE_V_RMS)
    later = stimulus.second_start
    first = dataclasses.replace(whole, stimulus=stimulus.take, counts_fs=whole.counts_fs[: stimulus.take.frames])
    second = dataclasses.replace(whole, stimulus=stimulus.take, counts_fs=whole.counts_fs[later:])
    other = SimpleNamespace(recording=second)
    options = {**complete(OUTPUT, SHORT), "other": other}
    channel = OUTPUT.analyse(first, options).channel(1)
    assert channel.bound["output_impedance_ohm"] == "at least"
    assert channel.bound["damping_factor"] == "at most"
    # |1 + Zo/Z| − 1 ≈ Re(Zo/Z): at 1 kHz 8 Ω · that is 0.15 Ω + 0.0002 Ω of the coils.
    assert channel.values["output_impedance_ohm"] == pytest.approx(SOURCE_OHM, abs=1e-3)
    range_changed = dataclasses.replace(second, v_rms_at_full_scale=(2.0, 2.0))
    with pytest.raises(SignalError, match="same settings"):
        OUTPUT.analyse(first, {**options, "other": SimpleNamespace(recording=range_changed)})


def test_input_impedance_of_a_phono_input():
    series_ohm, source_ohm, input_ohm, input_f = 47_000.0, 100.0, 47_500.0, 220e-12

    def fed(before_ohm):
        return lambda w: 1.0 / (1.0 + (before_ohm + source_ohm) * (1.0 / input_ohm + 1j * w * input_f))

    recording = _recording(_stimulus(INPUT), fed(0.0), fed(series_ohm), noise_v_rms=NOISE_V_RMS)
    found = _analysed(INPUT, recording, series_ohm=series_ohm, series_percent=0.1, source_ohm=source_ohm)
    for channel in found.channels:
        values, half = channel.values, channel.uncertainty
        # Noise of 6e-5 V of 1 V: 1e-6 of 47 kΩ, 0.1 Ω; the resistor is exact here.
        assert values["input_resistance_ohm"] == pytest.approx(input_ohm, abs=5.0)
        assert values["input_capacitance_pf"] == pytest.approx(220.0, abs=0.5)
        assert 0.0 < half["input_resistance_ohm"] < 100.0
        assert 0.0 < half["input_capacitance_pf"] < 2.0
    unknown = _analysed(INPUT, recording, series_ohm=series_ohm, series_percent=0.1).channel(1)
    # 325 ± 275 Ω stand for the source that is not known, and hold 100 Ω.
    off_ohm = abs(unknown.values["input_resistance_ohm"] - input_ohm)
    assert 200.0 < off_ohm < unknown.uncertainty["input_resistance_ohm"] < 350.0
    unchanged = _recording(_stimulus(INPUT), fed(0.0), fed(0.0), noise_v_rms=NOISE_V_RMS)
    nothing = _analysed(INPUT, unchanged, series_ohm=series_ohm)
    assert nothing.channel(1).values["input_impedance_ohm"] is None
    assert "was the resistor put in" in nothing.warnings[0]


@pytest.mark.parametrize(
    ("measurement", "options", "conditions", "words"),
    [
        (OUTPUT, {}, {"load_ohm": {}}, "has no load"),
        (OUTPUT, {"second_load_ohm": 8.0}, {}, "two that differ"),
        (OUTPUT, {"reference_hz": 500.0}, {}, "no step stands"),
        (INPUT, {"reference_hz": 500.0}, {}, "no step stands"),
    ],
)
def test_refusals(measurement, options, conditions, words):
    recording = _recording(_stimulus(measurement), np.ones_like, _loaded(_bench_load), **conditions)
    with pytest.raises(AudiomeasError, match=words):
        _analysed(measurement, recording, **options)
    once = dataclasses.replace(recording, stimulus=recording.stimulus.take)
    with pytest.raises(SignalError, match="twice in one capture"):
        _analysed(measurement, once)


@pytest.mark.wide
def test_intervals_of_recordings_hold():
    """Noise, a drift between the takes and loads off within their limits: 95 of 100 intervals hold the truth."""
    chance = np.random.default_rng(11)
    tries, held = 200, 0
    short = {"frequencies_hz": (1000.0,), "window_s": 0.05}
    stimulus = _stimulus(OUTPUT, **short)
    for trial in range(tries):
        drift, load = 1.0 + 2e-4 * chance.uniform(-1, 1), 8.0 * (1.0 + 5e-3 / 0.95 * chance.uniform(-1, 1))
        recording = _recording(
            stimulus,
            lambda w, load=load: np.full(len(w), load / (load + SOURCE_OHM) + 0j),
            lambda w, drift=drift: np.full(len(w), drift + 0j),
            noise_v_rms=20 * NOISE_V_RMS,
            seed=trial,
        )
        channel = _analysed(OUTPUT, recording, **short).channel(1)
        off = abs(channel.values["output_impedance_ohm"] - SOURCE_OHM)
        held += off <= channel.uncertainty["output_impedance_ohm"]
    # 95 % of 200 has a standard deviation of 1.5 %; three of them. The noise counts in both directions of the plane, so
    # that the half-width may hold a little more.
    assert 0.905 <= held / tries <= 1.0


# -- as its user ------------------------------------------------------------------------------------------------------


@pytest.mark.wide
def test_load_taken_off_on_the_simulated_bench(tmp_path):
    unit = tmp_path / "hand.toml"
    # 2.5 s after the sound begins the pause of two seconds is half over: marker, two steps of 0.8 s in all.
    unit.write_text(find_unit("amplifier-load-changed").read_text().replace("[[28, inf]]", "[[2.3, inf]]"))
    bench = bench_file(tmp_path, unit="hand.toml", rate_hz=48_000)
    options = {"frequencies_hz": (400.0, 1000.0), "pause_s": 2.0, "window_s": 0.2}
    found = measure("output-impedance", bench=bench, captures=None, input_level="100 mV", **options)
    assert found.simulated
    for channel, truth_ohm in ((1, 0.16), (2, 0.17)):  # as the unit's file says
        told = found.channel(channel)
        # What the simulated card adds is noise alone: far below the drift that the half-width allows for.
        assert told.values["output_impedance_ohm"] == pytest.approx(truth_ohm, abs=5e-4)
        assert told.bound == {}
    again = result_from_json(json.loads(json.dumps(found.as_json())))
    assert OUTPUT.tables(again) == OUTPUT.tables(found)
    assert [chart.name for chart in OUTPUT.charts(again)] == ["output-impedance", "damping-factor"]
    assert drawn_limits(OUTPUT, again) == {
        "output-impedance": {"output_impedance_ohm", "largest_output_impedance_ohm"},
        "damping-factor": {"damping_factor", "lowest_damping_factor"},
    }


def test_stimulus_comes_back_from_its_facts():
    stimulus = _stimulus(OUTPUT)
    again = read_stimulus(json.loads(json.dumps(stimulus.facts())))
    assert isinstance(again, SteppedTwice)
    assert again == stimulus
    assert np.array_equal(again.samples_v(), stimulus.samples_v())
    assert len(stimulus.samples_v()) == stimulus.frames == stimulus.windows()[-1].stop + round(0.02 * RATE_HZ)


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["--volts", "2.885", "2.828", "--ohms", "open", "8"], 0, "0.161 ± 0.013 Ω"),
        (["--volts", "2.829", "2.828", "--ohms", "open", "8"], 0, "at most"),
        (["--volts", "2.7", "2.828", "--ohms", "open", "8"], 2, "other way round"),
        (["--volts", "2.7", "2.6", "--ohms", "8", "8"], 2, "two loads that differ"),
        (["--volts", "nan", "2.6", "--ohms", "8", "4"], 2, "above 0"),
    ],
)
def test_typed_readings_in_the_terminal(arguments, status, words, capsys):
    assert status_of(["bench", "impedance", *arguments]) == status
    said = capsys.readouterr()
    assert words in (said.out if status == 0 else said.err)
    assert "Traceback" not in said.err


def test_a_note_that_many_steps_share_is_said_once():
    def row(hz, note):
        return {"frequency_hz": hz, "z": None if note else 1.0, "note": note, "bound": {}, "uncertainty": {}}

    columns = (("z", "Impedance", "Ω"),)
    some = frequency_table([row(20.0, "too low"), row(50.0, "too low"), row(100.0, None)], columns, title="t")
    assert some.notes == ("Too low (at 20, 50 Hz).",)
    assert [column.heading for column in some.columns] == ["Frequency", "Impedance"]
    every = frequency_table([row(20.0, "too low"), row(50.0, "too low")], columns, title="t")
    assert every.notes == ("Too low.",)
    own = frequency_table([row(20.0, "too low"), row(50.0, None)], columns, title="t")
    assert (own.notes, own.rows[0][-1]) == ((), "too low")
