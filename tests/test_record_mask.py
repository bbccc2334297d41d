"""Masks held against curves: margins worked out by hand, the guard band, gaps, and that a stored row is checked.

All truth here is arithmetic on the numbers in the test: margins of straight lines over log frequency.
"""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from audiomeas.record.mask import Held, Mask, MaskedCurve, MaskRow, hold, mask_row_from_json
from audiomeas.record.verdict_row import Verdict, decided, verdict_from_json

#: Sums and logarithms of a few doubles.
EXACT = 1e-12
OCTAVES = tuple(62.5 * 2.0**n for n in range(9))  # 62.5 Hz to 16 kHz


def _mask(**changes: Any) -> Mask:
    usual = {
        "name": "house",
        "frequency_hz": (62.5, 16_000.0),
        "lower": (-1.0, -1.0),
        "upper": (1.0, 1.0),
        "placement": "absolute",
        "reference_hz": None,
    }
    return Mask(**{**usual, **changes})


def _curve(values: dict[float, float | None], uncertainty: float | None = 0.1, bound: str = "") -> MaskedCurve:
    every = dict.fromkeys(OCTAVES, 0.0) | values
    hz = tuple(sorted(every))
    return MaskedCurve(
        frequency_hz=hz,
        values=tuple(every[each] for each in hz),
        uncertainties=(uncertainty,) * len(hz),
        bounds=tuple(bound if each in values else "" for each in hz),
    )


def _word(mask: Mask, held: Held, curve: MaskedCurve) -> str:
    return decided(_row(mask, held, curve))


def _row(mask: Mask, held: Held, curve: MaskedCurve) -> Verdict:
    return Verdict(
        step="s", quantity="gain_db", unit="dB", words="margin", channel=1, value=held.margin,
        uncertainty=held.uncertainty, bound="", at_least=0.0, at_most=None, difference_at_most=None, source="house",
        verdict="undecided", mask=MaskRow(mask=mask, curve=curve, held=held),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("value", "margin", "edge", "word"),
    [
        (0.5, 0.5, "upper", "pass"),
        (0.875, 0.125, "upper", "pass"),  # 0.125 > U = 0.1
        (0.9375, 0.0625, "upper", "undecided"),
        (1.0625, -0.0625, "upper", "undecided"),
        (1.25, -0.25, "upper", "fail"),
        (-1.25, -0.25, "lower", "fail"),
        (-0.9375, 0.0625, "lower", "undecided"),
    ],
)
def test_the_worst_point_decides_with_its_guard_band(value: float, margin: float, edge: str, word: str) -> None:
    mask, curve = _mask(), _curve({2000.0: value})
    held = hold(mask, curve)
    assert (held.margin, held.edge, held.worst_hz, held.gaps) == (margin, edge, 2000.0, ())
    assert _word(mask, held, curve) == word


def test_edges_are_straight_over_log_frequency_between_their_points() -> None:
    # From −3 dB at 62.5 Hz to 0 dB at 500 Hz, three octaves: −2 dB at 125 Hz, −1 dB at 250 Hz, −1.5 dB at 125·√2 Hz.
    mask = _mask(frequency_hz=(62.5, 500.0), lower=(-3.0, 0.0), upper=None)
    values = {62.5: 0.0, 125.0: -1.75, 250.0: 0.0, 500.0: 1.0, 125.0 * math.sqrt(2.0): 0.0}
    held = hold(mask, _curve(values))
    assert held.margin == pytest.approx(0.25, abs=EXACT)
    assert held.worst_hz == 125.0
    held = hold(mask, _curve({**values, 125.0: 0.0, 125.0 * math.sqrt(2.0): -1.375}))
    assert held.margin == pytest.approx(-1.375 + 1.5, abs=EXACT)


def test_a_corner_of_the_mask_between_two_points_of_the_curve_is_looked_at() -> None:
    # The upper edge dips to 0.25 dB at 1414 Hz only; the curve, straight from 0 dB (1 kHz) to 1 dB (2 kHz), has 0.5 dB.
    dip_hz = 1000.0 * math.sqrt(2.0)
    mask = _mask(frequency_hz=(62.5, dip_hz, 16_000.0), lower=None, upper=(20.0, 0.25, 20.0))
    held = hold(mask, _curve({2000.0: 1.0}))
    assert (held.worst_hz, held.edge) == (dip_hz, "upper")
    assert held.margin == pytest.approx(-0.25, abs=EXACT)


def test_at_a_step_the_narrower_side_holds() -> None:
    mask = _mask(
        frequency_hz=(62.5, 1000.0, 1000.0, 16_000.0), lower=(-3.0, -3.0, -1.0, -1.0), upper=(3.0, 3.0, 1.0, 1.0)
    )
    assert hold(mask, _curve({1000.0: 0.75})).margin == pytest.approx(0.25, abs=EXACT)
    assert hold(mask, _curve({500.0: 2.0})).margin == pytest.approx(1.0, abs=EXACT)


def test_relative_to_the_reference_its_own_level_and_uncertainty_count() -> None:
    mask = _mask(placement="reference", reference_hz=1000.0)
    curve = _curve(dict.fromkeys(OCTAVES, 26.0) | {4000.0: 26.5})
    held = hold(mask, curve)
    assert (held.margin, held.worst_hz, held.offset) == (0.5, 4000.0, 26.0)
    # U of a difference of two independent values (JCGM 100, 5.1.2); at the reference itself there is no difference.
    assert held.uncertainty == pytest.approx(0.1 * math.sqrt(2.0), abs=EXACT)
    assert hold(_mask(placement="reference", reference_hz=1000.0), _curve({})).margin == 1.0
    # 1414 Hz lies in the middle of 1 and 2 kHz.
    between = hold(_mask(placement="reference", reference_hz=1000.0 * math.sqrt(2.0)), _curve({2000.0: 0.5}))
    assert between.offset == pytest.approx(0.25, abs=EXACT)


def test_a_reference_that_was_not_measured_leaves_it_open() -> None:
    mask, curve = _mask(placement="reference", reference_hz=20_000.0), _curve({})
    held = hold(mask, curve)
    assert held.margin is None
    assert held.gaps == ("the reference of 20 kHz was not measured",)
    assert _word(mask, held, curve) == "undecided"


def test_best_fit_puts_the_curve_into_the_middle() -> None:
    # Extremes of 26.5 and 25.3 dB in a band of ±1 dB: (2 − 1.2)/2 = 0.4 dB on both sides, at 25.9 dB.
    mask, curve = _mask(placement="best fit"), _curve(dict.fromkeys(OCTAVES, 26.0) | {4000.0: 26.5, 125.0: 25.3})
    held = hold(mask, curve)
    assert held.margin == pytest.approx(0.4, abs=EXACT)
    assert held.offset == pytest.approx(25.9, abs=EXACT)
    assert (held.worst_hz, held.edge) == (125.0, "lower")  # both touch alike: the first is told
    assert _word(mask, held, curve) == "pass"


_VALUES = st.lists(st.floats(-3, 3), min_size=9, max_size=9)
_WIDES = st.lists(st.floats(0, 0.5), min_size=9, max_size=9)


@example(values=[0.0, 0.0, -2.0, *[0.0] * 6], wides=[0.0, 0.0, 0.5, *[0.0] * 6], shift=0.0)
@given(values=_VALUES, wides=_WIDES, shift=st.floats(-50, 50))
def test_no_other_placement_is_better_than_the_best_fit(values: list[float], wides: list[float], shift: float) -> None:
    curve = MaskedCurve(
        frequency_hz=OCTAVES, values=tuple(values), uncertainties=tuple(wides), bounds=("",) * len(OCTAVES)
    )
    mask = _mask(placement="best fit", lower=(-1.0, -0.5), upper=(1.0, 2.0))
    word = _word(mask, hold(mask, curve), curve)
    # Every placement on a fine grid, with the rule of single points, by hand: edges straight over the octaves.
    lower = [-1.0 + 0.5 * n / 8 for n in range(9)]
    upper = [1.0 + 1.0 * n / 8 for n in range(9)]
    margins = [
        [(min(v - d - low, high - v + d), u) for v, u, low, high in zip(values, wides, lower, upper, strict=True)]
        for d in [n / 64 for n in range(-320, 321)]
    ]
    surely = any(all(m - u >= 1 / 64 for m, u in at) for at in margins)
    possibly = any(all(m + u >= 0.0 for m, u in at) for at in margins)
    assert not surely or word == "pass"
    assert not possibly or word != "fail"
    # Shifting a curve as a whole changes nothing but the offset.
    moved = dataclasses.replace(curve, values=tuple(value + shift for value in values))
    margin, again = hold(mask, curve).margin, hold(mask, moved).margin
    assert margin is not None
    assert again == pytest.approx(margin, abs=1e-8)  # 50 + 3 in doubles; margins within 1e-9 count as one


def _gaps(curve: MaskedCurve, **mask: Any) -> tuple[str, tuple[str, ...]]:
    held = hold(_mask(**mask), curve)
    return _word(_mask(**mask), held, curve), held.gaps


def test_what_was_not_measured_is_said_and_never_a_pass() -> None:
    wide = {"frequency_hz": (20.0, 20_000.0)}
    said = ("nothing was measured from 20 Hz to 62.5 Hz", "nothing was measured from 16 kHz to 20 kHz")
    assert _gaps(_curve({}), **wide) == ("undecided", said)
    assert _gaps(_curve({2000.0: 5.0}), **wide) == ("fail", said)  # a point outside is outside, whatever is missing
    hole = MaskedCurve(
        frequency_hz=(62.5, 125.0, 4000.0, 8000.0, 16_000.0),
        values=(0.0,) * 5,
        uncertainties=(0.1,) * 5,
        bounds=("",) * 5,
    )
    assert _gaps(hole) == ("undecided", ("nothing was measured from 125 Hz to 4 kHz",))
    empty = MaskedCurve(frequency_hz=(), values=(), uncertainties=(), bounds=())
    assert _gaps(empty) == ("undecided", ("nothing was measured from 62.5 Hz to 16 kHz",))
    outside = MaskedCurve(frequency_hz=(10.0, 20.0), values=(0.0, 0.0), uncertainties=(0.1, 0.1), bounds=("", ""))
    assert _gaps(outside) == ("undecided", ("nothing was measured from 62.5 Hz to 16 kHz",))


def test_points_just_outside_carry_the_curve_to_the_ends_of_the_mask() -> None:
    # The mask ends between two points of the curve: its end is read between them.
    mask = {"frequency_hz": (100.0, 10_000.0)}
    assert _gaps(_curve({}), **mask) == ("pass", ())
    at_100_hz = 1.5 * (1.0 - math.log2(100.0 / 62.5))  # straight from 1.5 dB at 62.5 Hz to 0 dB at 125 Hz
    held = hold(_mask(**mask), _curve({62.5: 1.5}))
    assert held.margin == pytest.approx(1.0 - at_100_hz, abs=EXACT)


def test_unknown_bench_limited_and_unsure_points_leave_it_open() -> None:
    near = {2000.0 * 2.0**0.25: None}
    assert _gaps(_curve(near)) == ("undecided", ("the value is not known at 1 of 10 frequencies",))
    said = ("the value is a bound that the bench itself sets at 1 of 10 frequencies",)
    assert _gaps(_curve({3000.0: 0.0}, bound="at most")) == ("undecided", said)
    word, gaps = _gaps(_curve({}, uncertainty=None))
    assert word == "undecided"
    assert "the value has no known uncertainty at 9 of 9 frequencies" in gaps


# ---------------------------------------------------------------- stored rows


def _stored() -> dict[str, Any]:
    mask, curve = _mask(placement="best fit"), _curve({2000.0: 0.25})
    row = _row(mask, hold(mask, curve), curve)
    data: dict[str, Any] = json.loads(json.dumps(dataclasses.replace(row, verdict=decided(row)).as_json()))
    return data


def test_a_stored_row_reads_back() -> None:
    row = verdict_from_json(_stored())
    assert row.verdict == "pass"
    assert row.mask is not None
    assert row.mask.mask == _mask(placement="best fit")
    assert row.limit_text() == "inside the mask “house”, placed by best fit"
    assert json.loads(json.dumps(row.as_json())) == _stored()


def test_a_row_without_a_mask_is_written_as_before() -> None:
    assert "mask" not in dataclasses.replace(verdict_from_json(_stored()), mask=None).as_json()


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("mask", "curve", "values", 5), 0.0),  # the curve that left the band, made flat
        (("mask", "mask", "upper", 1), 3.0),  # a wider band
        (("mask", "mask", "placement"), "absolute"),
        (("mask", "mask", "placement"), "somewhere"),
        (("mask", "mask", "frequency_hz", 0), -5.0),
        (("mask", "mask", "frequency_hz", 0), 0.0),
        (("mask", "curve", "uncertainties", 5), 0.05),
        (("mask", "held", "margin"), 1.0),
        (("mask", "held", "worst_hz"), 1000.0),
        (("mask", "held", "gaps"), ["nothing was measured"]),
        (("value",), 2.0),
        (("uncertainty",), 0.0),
        (("at_least",), -1.0),
        (("verdict",), "fail"),
    ],
)
def test_a_row_that_was_changed_is_found_by_its_own_numbers(path: tuple[Any, ...], value: Any) -> None:
    data = _stored()
    place = data
    for key in path[:-1]:
        place = place[key]
    assert place[path[-1]] != value
    place[path[-1]] = value
    with pytest.raises(ValueError, match=r"mask|verdict|placement|somewhere|frequencies"):
        verdict_from_json(data)


def test_a_mask_row_refuses_what_is_no_list() -> None:
    data = _stored()["mask"]
    for key, inner in itertools.product(("mask", "curve", "held"), (None, 3)):
        with pytest.raises((KeyError, TypeError, ValueError)):
            mask_row_from_json({**data, key: inner})
