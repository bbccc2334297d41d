"""Output impedance from two loads, against tests/reference/output_impedance_two_load.csv (IEC 60268-3, analytic)."""

from __future__ import annotations

import math

import pytest
from reference_tables import rows

from audiomeas.analysis.output_impedance import output_impedance_ohm
from audiomeas.errors import SignalError


@pytest.mark.parametrize(
    "row", rows("output_impedance_two_load.csv"), ids=lambda row: f"{row['zo_ohm']} in {row['r2_ohm']}"
)
def test_the_table(row):
    """The table's voltages have ten digits: of 0.05 Ω beside 8 Ω that leaves 2e-7."""
    r1, r2, v1, v2 = (float(row[key]) for key in ("r1_ohm", "r2_ohm", "v1_v", "v2_v"))
    found = output_impedance_ohm(v1, r1, v2, r2)
    assert found == pytest.approx(float(row["zo_ohm"]), rel=2e-6)
    # What 0.1 % on the second reading makes of it, in the table to five digits.
    shift_ohm = output_impedance_ohm(v1, r1, 1.001 * v2, r2) - found
    assert shift_ohm == pytest.approx(float(row["zo_shift_ohm"]), rel=1e-3)
    assert r2 / found == pytest.approx(float(row["r2_over_zo"]), rel=2e-6)


@pytest.mark.parametrize(
    ("v1", "r1", "v2", "r2"),
    [(1, math.inf, 1.1, 8), (1, 8, 0.4, 4), (1, 4, 0.9, 8), (math.nan, 8, 1, 4), (1, 8, 0, 4), (1, 8, 0.9, -4)],
)
def test_readings_that_belong_to_no_source_are_refused(v1, r1, v2, r2):
    with pytest.raises(SignalError):
        output_impedance_ohm(v1, r1, v2, r2)
