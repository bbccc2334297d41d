"""What calibrations leave of an absolute gain and of balance; the shape rests on none of them."""

from __future__ import annotations

import dataclasses
import math

import pytest
from coverage_truth import of_all, of_two
from sweep_chains import chain, through
from test_measurement_response import analysed, played, recording_of

from audiomeas.measurement.registry import find
from audiomeas.measurement.response_views import tables
from audiomeas.measurement.result import Result
from audiomeas.recording import Recording

#: dB of one part in a thousand.
PER_MILLE_DB = 20.0 / math.log(10.0) / 1000.0
STIMULUS = played(duration_s=1.0, from_hz=40.0, low_hz=40.0)


@pytest.fixture(scope="module")
def recording() -> Recording:
    first, second = (through(STIMULUS, chain(5.0, 60_000.0, gain=gain)) for gain in (20.0, 18.0))
    return recording_of(
        STIMULUS, first, second, scale_uncertainty=(0.003, 0.003), conditions={"input_level_uncertainty": 0.004}
    )


def _result(recording: Recording) -> Result:
    return analysed(recording, points_per_octave=6, low_hz=40.0)


@pytest.fixture(scope="module")
def result(recording: Recording) -> Result:
    return _result(recording)


def test_both_calibrations_are_in_the_uncertainty_of_gain(result: Result) -> None:
    for one in result.channels:
        # 0.3 % and 0.4 %, independent, of no known shape and so rectangular; noise adds 0.001 dB at most.
        both_db = of_two(3.0, 4.0) * PER_MILLE_DB
        assert one.uncertainty["gain_at_reference_db"] == pytest.approx(both_db, abs=0.001)
        there = [hz >= 40.0 for hz in one.values["frequency_hz"]]
        wides = [wide for wide, ok in zip(one.values["gain_uncertainty_db"], there, strict=True) if ok]
        assert min(wides) == pytest.approx(both_db, abs=0.001)
        shape = [wide for wide, ok in zip(one.values["gain_shape_uncertainty_db"], there, strict=True) if ok]
        assert max(shape) < 0.01
        assert one.uncertainty["deviation_db"] < 0.01
    words = result.conditions["uncertainty_covers"]
    assert words.startswith("noise, method, and the calibrations of output and input; not the response of the bench")


def test_balance_rests_on_both_inputs_and_both_outputs(result: Result) -> None:
    one = result.channel(2)
    assert one.values["balance_db"] == pytest.approx(20.0 * math.log10(0.9), abs=0.001)
    # Two outputs and two inputs, each calibrated for itself.
    assert one.uncertainty["balance_db"] == pytest.approx(of_all(3.0, 3.0, 4.0, 4.0) * PER_MILLE_DB, abs=0.001)


def test_a_calibration_that_is_not_known_leaves_the_uncertainty_open(recording: Recording) -> None:
    """As of a file that was played elsewhere: its volts are stated, not how sure they are."""
    for changes in ({"conditions": {}}, {"scale_uncertainty": ()}, {"scale_uncertainty": (None, None)}):
        found = _result(dataclasses.replace(recording, **changes))
        one = found.channel(2)
        assert one.values["gain_at_reference_db"] is not None and "gain_at_reference_db" not in one.uncertainty
        assert "balance_db" not in one.uncertainty and "balance_largest_db" not in one.uncertainty
        assert set(one.values["gain_uncertainty_db"]) == set(one.values["balance_curve_uncertainty_db"]) == {None}
        assert None not in one.values["gain_shape_uncertainty_db"] and one.uncertainty["deviation_db"] > 0.0
        assert "not known" in found.conditions["uncertainty_covers"]
        for view in (*find("response").tables(found), *find("response").charts(found)):
            assert view.title


def test_relative_gain_has_no_calibration_in_it(recording: Recording) -> None:
    found = _result(dataclasses.replace(recording, stimulus_in_volts=False))
    one = found.channel(1).values
    assert one["gain_uncertainty_db"] == one["gain_shape_uncertainty_db"]
    assert found.conditions["uncertainty_covers"].startswith("noise and method;")


def test_no_line_compares_the_first_channel_with_itself(result: Result) -> None:
    notes = [note for table in tables(result) for note in table.notes if note.startswith("Largest imbalance")]
    assert len(notes) == 1 and notes[0].startswith("Largest imbalance of channel 2 in this band: 0.915 ± 0.072 dB")
    response = next(table for table in tables(result) if table.title == "Response")
    balance = [column.heading for column in response.columns].index("Balance")
    assert response.rows[0][balance] == "reference"
    assert response.rows[1][balance] == pytest.approx(20.0 * math.log10(0.9), abs=0.001)
