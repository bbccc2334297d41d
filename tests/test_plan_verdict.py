"""Verdicts: the guard band on both sides of both limits, and that nothing missing or bench-limited ever passes."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from coverage_truth import of_two
from hypothesis import given
from hypothesis import strategies as st

from audiomeas.bench.parts import Part
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.plan.file import Limit, Step
from audiomeas.plan.former import Then
from audiomeas.plan.verdict import Verdict, decide, judge, judge_step, overall
from audiomeas.record.verdict_row import limit_text


def _limit(**kept: object) -> Limit:
    return Limit(**{"quantity": "gain_db", "unit": "dB", "words": "gain", "source": "house", **kept})  # type: ignore[arg-type]


def _step(*limits: Limit, channels: tuple[int, ...] | None = (1, 2)) -> Step:
    return Step(
        name="gain",
        measure="distortion",
        options={},
        input_level=None,
        output_level=None,
        channels=channels,
        limits=limits,
    )


def _result(*channels: ChannelResult) -> Result:
    return Result(measurement="distortion", sample_rate_hz=48e3, conditions={}, channels=channels)


def _channel(number: int, value: object, uncertainty: float | None = 0.1, bound: str = "") -> ChannelResult:
    return ChannelResult(
        channel=number,
        values={"gain_db": value},
        uncertainty={} if uncertainty is None else {"gain_db": uncertainty},
        bound={"gain_db": bound} if bound else {},
    )


def _one(limit: Limit, *channels: ChannelResult) -> Verdict:
    (row,) = judge(limit, _result(*channels), step=_step(limit, channels=(1,)))
    return row


@pytest.mark.parametrize(
    ("value", "uncertainty", "at_least", "at_most", "verdict"),
    # Values chosen to be exact in binary, so that a limit that is just touched is touched exactly.
    [
        (1.0, 0.25, None, 1.25, "pass"),  # value + U on the limit is still inside
        (1.0, 0.25, None, 1.125, "undecided"),
        (1.25, 0.25, None, 1.0, "undecided"),  # value − U on the limit: not yet outside by U
        (1.5, 0.25, None, 1.0, "fail"),
        (1.0, 0.25, 0.75, None, "pass"),
        (1.0, 0.25, 0.875, None, "undecided"),
        (1.0, 0.25, 1.25, None, "undecided"),
        (1.0, 0.25, 1.5, None, "fail"),
        (1.0, 0.25, 0.5, 1.5, "pass"),
        (1.0, 0.75, 0.5, 1.5, "undecided"),  # wider than the whole range
        (2.0, 0.25, 0.5, 1.5, "fail"),
        (0.0, 0.25, 0.5, 1.5, "fail"),
        (1.0, 0.0, None, 1.0, "pass"),
    ],
)
def test_the_guard_band(
    value: float, uncertainty: float, at_least: float | None, at_most: float | None, verdict: str
) -> None:
    assert decide(value, uncertainty, at_least=at_least, at_most=at_most) == verdict


@pytest.mark.parametrize(("value", "uncertainty"), [(math.nan, 0.1), (1.0, math.nan), (math.inf, 0.1), (1.0, -0.1)])
def test_no_number_gets_no_verdict(value: float, uncertainty: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        decide(value, uncertainty, at_least=None, at_most=2.0)


_REAL = st.floats(-1e6, 1e6)


@given(value=_REAL, uncertainty=st.floats(0, 1e6), limit=_REAL, more=st.floats(0, 1e6))
def test_more_uncertainty_never_decides_more(value: float, uncertainty: float, limit: float, more: float) -> None:
    sure = decide(value, uncertainty, at_least=None, at_most=limit)
    unsure = decide(value, uncertainty + more, at_least=None, at_most=limit)
    assert unsure in (sure, "undecided")


@given(value=_REAL, uncertainty=st.floats(0, 1e6), limit=_REAL)
def test_the_two_sides_are_mirror_images(value: float, uncertainty: float, limit: float) -> None:
    below = decide(value, uncertainty, at_least=None, at_most=limit)
    assert decide(-value, uncertainty, at_least=-limit, at_most=None) == below


def test_wrong_verdicts_are_rare_for_a_unit_at_its_limit() -> None:
    # JCGM 106:2012, 9.3: with U = 1.96 u a unit that stands exactly on its limit passes (or fails) with 2.5 %
    # probability. 20,000 draws: standard deviation 0.11 %, so five of them are allowed (chance below 1e-6).
    drawn = 10.0 + np.random.default_rng(20261125).normal(0.0, 1.0, 20_000)
    words = [decide(float(value), 1.959964, at_least=None, at_most=10.0) for value in drawn]
    for word in ("pass", "fail"):
        assert words.count(word) / len(words) == pytest.approx(0.025, abs=5 * 0.0011)


def test_each_channel_gets_its_row() -> None:
    limit = _limit(at_least=25.0, at_most=27.0)
    rows = judge_step(_step(limit), _result(_channel(1, 26.0), _channel(2, 29.0)))
    assert [(row.channel, row.verdict) for row in rows] == [(1, "pass"), (2, "fail")]
    assert rows[1].reason == "outside the limit by more than its uncertainty"
    assert (rows[0].value, rows[0].uncertainty, rows[0].step, rows[0].source) == (26.0, 0.1, "gain", "house")


def test_a_limit_of_one_channel_leaves_the_other_alone() -> None:
    limit = _limit(at_most=27.0, channel=2)
    (row,) = judge(limit, _result(_channel(1, 99.0), _channel(2, 26.0)), step=_step(limit))
    assert (row.channel, row.verdict) == (2, "pass")


@pytest.mark.parametrize("value", [None, math.nan, math.inf, "26", True, [26.0]])
def test_what_is_no_number_is_missing_and_undecided(value: object) -> None:
    row = _one(_limit(at_most=27.0), _channel(1, value))
    assert (row.verdict, row.value) == ("undecided", None)
    assert row.reason.startswith("missing")


def test_a_channel_that_was_asked_for_and_is_not_there_is_undecided() -> None:
    limit = _limit(at_most=27.0)
    rows = judge_step(_step(limit), _result(_channel(1, 26.0)))
    assert [(row.channel, row.verdict) for row in rows] == [(1, "pass"), (2, "undecided")]
    assert rows[1].reason == "missing: channel 2 was not measured"


def test_without_a_result_each_limit_is_undecided_with_the_reason() -> None:
    rows = judge_step(_step(_limit(at_most=1.0), _limit(difference_at_most=1.0)), None, reason="no tone")
    assert [(row.channel, row.verdict, row.reason) for row in rows] == [
        (1, "undecided", "missing: no tone"),
        (2, "undecided", "missing: no tone"),
        (None, "undecided", "missing: no tone"),
    ]
    (row,) = judge_step(_step(_limit(at_most=1.0), channels=None), None, reason="no tone")
    assert (row.channel, row.verdict) == (None, "undecided")


@pytest.mark.parametrize("bound", ["at most", "at least"])
@pytest.mark.parametrize("value", [1.0, 99.0])
def test_what_the_bench_limits_is_undecided(bound: str, value: float) -> None:
    row = _one(_limit(at_most=27.0), _channel(1, value, bound=bound))
    assert row.verdict == "undecided"
    assert row.reason.startswith(f"bench-limited: the unit's own value is {bound} {value:g} dB")


def test_why_the_bench_limits_is_said_with_a_prefix() -> None:
    row = _one(_limit(unit="V", at_most=5e-4), _channel(1, 0.000136, None, "at most"))
    assert "is at most 136 µV, and" in row.reason
    assert (row.value, row.unit) == (0.000136, "V")  # what is kept stays in volts


#: Interval arithmetic: what now − before may be, where either may be anything below (above) its bound; None: anything.
CHANGES = [
    ("at most", "", "at most"),
    ("at least", "", "at least"),
    ("", "at most", "at least"),
    ("", "at least", "at most"),
    ("at most", "at least", "at most"),
    ("at least", "at most", "at least"),
    ("at most", "at most", None),
    ("at least", "at least", None),
]


@pytest.mark.parametrize(("now", "before", "bound"), CHANGES)
def test_a_change_from_or_to_a_bound_is_a_bound_itself_or_nothing(now: str, before: str, bound: str | None) -> None:
    class Earlier:
        def has_passed(self, _: str) -> bool:
            return True

        def of(self, *_: object) -> Then:
            return Then(channel=_channel(1, 3.0, bound=before), same_bench=True)

    limit = _limit(change_at_most=10.0, since="as-found")
    found = _result(_channel(1, 5.0, bound=now))
    (row,) = judge(limit, found, step=_step(limit, channels=(1,)), former=Earlier())  # type: ignore[arg-type]
    assert (row.verdict, row.bound) == ("undecided", bound or "")
    assert row.value == (None if bound is None else 2.0)
    told = f"the change is {bound} 2 dB" if bound else "the change can't be told"
    assert told in row.reason and row.reason.startswith("bench-limited: ")


@pytest.mark.parametrize(
    ("high", "low", "bound"),
    # Where the higher one may be lower than it is told (or the lower one higher), nobody knows by how much they differ.
    [("at least", "", "at least"), ("", "at most", "at least"), ("at most", "", None), ("", "at least", None)],
)
def test_a_difference_from_a_bound_is_at_least_so_much_or_nothing(high: str, low: str, bound: str | None) -> None:
    limit = _limit(difference_at_most=10.0)
    (row,) = judge(limit, _result(_channel(1, 5.0, bound=high), _channel(2, 3.0, bound=low)), step=_step(limit))
    assert (row.verdict, row.bound) == ("undecided", bound or "")
    told = "the difference is at least 2 dB" if bound else "the difference can't be told"
    assert told in row.reason and row.reason.startswith("bench-limited: ")


@pytest.mark.parametrize("uncertainty", [None, math.nan, -0.1])
def test_without_an_uncertainty_nothing_is_decided(uncertainty: float | None) -> None:
    row = _one(_limit(at_most=27.0), _channel(1, 1.0, uncertainty=uncertainty))
    assert (row.verdict, row.reason, row.uncertainty) == ("undecided", "its uncertainty is not known", None)


@pytest.mark.parametrize(
    ("left", "right", "verdict"),
    # Of 0.3 and 0.4, whose shapes nobody told, 0.574 is left at most: the limit of 1 dB has a band of 0.43 … 1.57.
    [(26.0, 26.25, "pass"), (26.0, 25.75, "pass"), (26.0, 26.75, "undecided"), (26.0, 27.75, "fail"), (29, 26, "fail")],
)
def test_a_difference_between_channels(left: float, right: float, verdict: str) -> None:
    limit = _limit(difference_at_most=1.0)
    (row,) = judge(limit, _result(_channel(1, left, 0.3), _channel(2, right, 0.4)), step=_step(limit))
    assert (row.verdict, row.channel, row.value) == (verdict, None, abs(left - right))
    assert row.uncertainty == pytest.approx(of_two(0.3, 0.4), rel=1e-4)  # what the sum's series promises


def test_what_both_channels_carry_of_one_source_cancels_in_their_difference() -> None:
    """One meter calibrated both inputs (0.5 dB of it); of each channel's own noise 0.03 and 0.04 dB are left: 0.05."""
    meter = Part("input calibration: meter", 0.5, "rectangular", "meter M-0001")
    both = [
        dataclasses.replace(_channel(number, value, 0.5), budget={"gain_db": (meter, Part("noise and fit", own))})
        for number, value, own in ((1, 26.0, 0.03), (2, 26.5, 0.04))
    ]
    limit = _limit(difference_at_most=0.75)
    (row,) = judge(limit, _result(*both), step=_step(limit))
    assert row.verdict == "pass"
    assert row.uncertainty == pytest.approx(0.05, rel=1e-9)


def test_a_difference_needs_both_channels() -> None:
    limit = _limit(difference_at_most=1.0)
    (row,) = judge(limit, _result(_channel(1, 26.0)), step=_step(limit))
    assert (row.verdict, row.reason) == ("undecided", "missing: channel 2 was not measured")
    (row,) = judge(limit, _result(_channel(1, 26.0)), step=_step(limit, channels=None))
    assert (row.verdict, row.reason) == ("undecided", "missing: a difference needs two channels")
    (row,) = judge(limit, _result(_channel(1, 26.0), _channel(2, 26.0, bound="at most")), step=_step(limit))
    assert row.verdict == "undecided"


@pytest.mark.parametrize(
    ("words", "verdict"),
    [
        (["pass", "pass"], "pass"),
        (["pass", "undecided"], "undecided"),
        (["undecided", "fail", "pass"], "fail"),
        ([], None),
    ],
)
def test_the_verdict_of_a_whole_run(words: list[str], verdict: str | None) -> None:
    row = {
        "pass": _one(_limit(at_most=27.0), _channel(1, 26.0)),
        "undecided": _one(_limit(at_most=27.0), _channel(1, 27.0)),
        "fail": _one(_limit(at_most=27.0), _channel(1, 28.0)),
    }
    assert [row[word].verdict for word in words] == words
    assert overall(row[word] for word in words) == verdict


def test_a_limit_below_zero_has_a_true_minus():
    # The value beside it has one; a hyphen is no sign of a number (common practice in setting).
    assert limit_text(-0.5, 0.5, None, "dB") == "−0.5 to 0.5 dB"
