"""The parts of a calibration's uncertainty: kept in its file, cancelling where one meter stands behind both ends."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from benches import bench_file
from coverage_truth import of_all, of_two
from test_calibrate import LOUD, METER, ask, loop_bench, never, readings, session_on

from audiomeas.bench.calibration import read_calibration
from audiomeas.bench.calibration_text import calibration_text, with_scale
from audiomeas.bench.coverage import half_width_95
from audiomeas.bench.parts import Part, combined, combined_over, merged, of_limits, parts_from, scaled
from audiomeas.errors import TomlProblem
from audiomeas.measurement.calibrate import calibrate
from audiomeas.measurement.scale_parts import gain_parts, input_level_conditions, ratio_parts, scale_conditions
from audiomeas.recording import Recording

#: 0.8 % and 3 digits of 1.002 V, of which the last digit is 1 mV; half of it is the resolution.
ACCURACY, RESOLUTION = 0.008 + 3e-3 / (2 * LOUD), 0.5e-3 / (2 * LOUD)


def recording(inputs, outputs):
    """A recording with no samples, of channels 1 and 2, on some scales."""
    channels = (1, 2)
    return Recording(
        counts_fs=np.zeros((0, 2)),
        sample_rate_hz=48_000.0,
        channels=channels,
        v_rms_at_full_scale=tuple(one.v_rms_at_full_scale for one in inputs),
        scale_uncertainty=tuple(one.uncertainty for one in inputs),
        conditions={**scale_conditions(channels, inputs), **input_level_conditions(outputs)},
    )


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory):
    """Both outputs and inputs of the simulated card, all by one meter; then input 1 by its output."""
    folder = tmp_path_factory.mktemp("calibrated")
    path = loop_bench(folder, rough_out=1.8)
    calibration = read_calibration(folder / "simulated-card.toml")
    found = {}
    for kind, channel, meter in (("output", 1, METER), ("output", 2, METER), ("input", 1, METER), ("input", 2, METER)):
        session, _ = session_on(path)
        asked = dataclasses.replace(ask(kind, meter=meter), channel=channel)
        scale = calibrate(session, asked, read=readings(2 * LOUD), confirm=never).scale
        found[kind, channel] = scale
        calibration = with_scale(calibration, scale, output=kind == "output")
        (folder / "simulated-card.toml").write_text(calibration_text(calibration, simulated=True))
    session, _ = session_on(path)
    found["input by output", 1] = calibrate(session, ask("input", meter=None), read=readings(1.0), confirm=never).scale
    return found, folder / "simulated-card.toml"


def test_a_scale_is_made_of_the_meter_its_last_digit_and_repeatability(calibrated):
    found, _ = calibrated
    meter, digit, repeatability = found["output", 1].parts
    assert (meter.component, meter.shape) == ("meter", "rectangular")
    assert meter.half_width == pytest.approx(0.95 * ACCURACY, rel=1e-3)
    assert digit.half_width == pytest.approx(0.95 * RESOLUTION, rel=1e-3)
    # The simulated card repeats to some 1e-6.
    assert 0.0 < repeatability.half_width < 1e-5
    assert found["output", 1].uncertainty == pytest.approx(of_two(meter.half_width, digit.half_width), rel=1e-3)


def test_the_file_gives_the_parts_back(calibrated):
    found, file = calibrated
    read = read_calibration(file)
    for scale, again in ((found["output", 2], read.output(2)), (found["input", 1], read.input(1, "direct"))):
        for part, kept in zip(scale.parts, again.parts, strict=True):
            assert (part.component, part.shape, part.source) == (kept.component, kept.shape, kept.source)
            assert kept.half_width == pytest.approx(part.half_width, rel=1e-9)


def test_an_edited_part_or_sum_is_refused(calibrated, tmp_path):
    _, file = calibrated
    lines = file.read_text().splitlines()
    place = next(n for n, line in enumerate(lines) if line.startswith("uncertainty_percent"))
    edited = tmp_path / file.name
    edited.write_text("\n".join([*lines[:place], "uncertainty_percent = 0.1", *lines[place + 1 :]]))
    with pytest.raises(TomlProblem, match=r"uncertainty_percent.*its parts give"):
        read_calibration(edited)
    edited.write_text(file.read_text().replace('shape = "rectangular"', 'shape = "triangle"', 1))
    with pytest.raises(TomlProblem, match="shape"):
        read_calibration(edited)


def test_one_meter_at_both_ends_cancels_in_gain_and_balance(calibrated):
    """Left are the last digits of two readings: two equal rectangular parts."""
    found, _ = calibrated
    outputs, inputs = ([found[kind, channel] for channel in (1, 2)] for kind in ("output", "input"))
    made = recording(inputs, outputs)
    both_digits = of_two(0.95 * RESOLUTION, 0.95 * RESOLUTION)
    for column in (0, 1):
        assert combined(gain_parts(made, column)) == pytest.approx(both_digits, rel=2e-3)
    balance = ratio_parts(inputs[1].parts, inputs[0].parts)
    assert combined(balance) == pytest.approx(both_digits, rel=2e-3)
    # Another meter on the inputs: nothing is common.
    other = [
        dataclasses.replace(one, parts=tuple(dataclasses.replace(part, source="other") for part in one.parts[:1]))
        for one in inputs
    ]
    apart = combined(gain_parts(recording(other, outputs), 0))
    assert apart == pytest.approx(of_two(0.95 * ACCURACY, 0.95 * ACCURACY), rel=0.02)  # and a last digit, far smaller


def test_an_input_calibrated_by_its_output_shares_all_of_its_error(calibrated):
    """What the output is off cancels in the gain: only repeatability is left; in the level it stays."""
    found, _ = calibrated
    scale = found["input by output", 1]
    assert scale.uncertainty == pytest.approx(found["output", 1].uncertainty, rel=1e-3)
    made = recording([scale, found["input", 2]], [found["output", 1], found["output", 2]])
    assert combined(gain_parts(made, 0)) < 2e-5


def test_without_parts_a_half_width_counts_as_rectangular(tmp_path):
    """The careful side: of two equal parts that hold 95 % within 1, rectangular ones give 1.634, normal ones 1.414."""
    bench_file(tmp_path)
    read = read_calibration(tmp_path / "simulated-card.toml")
    inputs, outputs = [read.input(channel, "50:1") for channel in (1, 2)], [read.output(channel) for channel in (1, 2)]
    made = recording(inputs, outputs)
    assert combined(gain_parts(made, 0)) == pytest.approx(of_two(0.005, 0.005), rel=1e-3)
    assert of_two(1.0, 1.0) > math.sqrt(2.0)


def test_a_capture_without_parts_still_has_its_half_width():
    """Sidecars of before keep one number a channel."""
    old = Recording(
        counts_fs=np.zeros((0, 1)),
        sample_rate_hz=48_000.0,
        channels=(1,),
        v_rms_at_full_scale=(1.0,),
        scale_uncertainty=(0.004,),
        conditions={"input_level_uncertainty": 0.003},
    )
    assert combined(gain_parts(old, 0)) == pytest.approx(of_two(0.003, 0.004), rel=1e-3)
    assert gain_parts(dataclasses.replace(old, scale_uncertainty=(None,)), 0) is None


# -- parts by themselves ---------------------------------------------------------------------------------------------


def test_closed_forms_agree_and_the_half_width_with_them():
    assert of_all(1.0, 0.4) == pytest.approx(of_two(1.0, 0.4), rel=1e-9)
    for halves in ((1.0,), (1.0, 0.4), (1.0, 0.03), (1.0, 0.7, 0.3), (0.4, 0.4, 0.3, 0.3)):
        # The series ends after 1,000 terms, which leaves 1e-4 at most.
        assert half_width_95([half / 0.95 for half in halves]) == pytest.approx(of_all(*halves), rel=1e-4)


def test_parts_of_one_source_add_with_their_signs():
    up, down = (of_limits("meter", limit, source="m") for limit in (1.0, 0.4))
    (one,) = merged((up, *scaled([down], -1.0)))
    assert one.half_width == pytest.approx(0.95 * 0.6)
    (one,) = merged((up, down))
    assert one.half_width == pytest.approx(0.95 * 1.4)
    assert combined((of_limits("a", 1.0), of_limits("b", 1.0))) == pytest.approx(of_two(0.95, 0.95), rel=1e-4)


def test_a_curve_is_combined_point_by_point():
    """Against numpy's draws: 200,000 know the 95 % point to about 0.3 % (JCGM 101, 7.9)."""
    rng = np.random.default_rng(11)
    parts = (of_limits("a", 1.0), of_limits("b", 0.5))
    own = np.array([0.0, 0.3, 2.0, np.nan])
    found = combined_over(parts, own)
    drawn = rng.uniform(-1.0, 1.0, 200_000) + rng.uniform(-0.5, 0.5, 200_000)
    for half, wide in zip(own[:3], found[:3], strict=True):
        all_together = drawn + half / 1.959964 * rng.standard_normal(200_000)
        assert wide == pytest.approx(np.quantile(np.abs(all_together), 0.95), rel=8e-3)
    assert math.isnan(found[3])


@pytest.mark.parametrize("row", [{"component": "a"}, {"component": "a", "half_width": "nan"},
                                 {"component": "a", "half_width": 1.0, "shape": "triangle"}])  # fmt: skip
def test_wrong_facts_of_a_part_are_refused(row):
    with pytest.raises((KeyError, ValueError)):
        parts_from([row])


def test_parts_of_an_old_result_are_normal():
    assert parts_from([{"component": "a", "half_width": 0.5}]) == (Part("a", 0.5, "normal"),)
