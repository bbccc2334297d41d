"""Limits in charts: what of the axes they shade. Each truth is the limit's own words: 'at most 0.1 %' leaves what is
above 0.1 % to be shaded.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import present_cases as cases
import pytest
from visits_made import row_of

from audiomeas.measurement.views import ChartView, LimitBand, Limited, Passed, Series
from audiomeas.present import style
from audiomeas.present.charts import chart_figure
from audiomeas.present.limits import with_limits
from audiomeas.present.web_chart import description
from audiomeas.record.verdict_row import Verdict

EVERYWHERE = (-math.inf, math.inf)


def view_of(*limited: Limited, **changes: object) -> ChartView:
    series = tuple(
        Series(label=f"channel {channel}", x=[20.0, 1000.0, 20_000.0], y=[0.02, 0.01, 0.5], channel=channel)
        for channel in (1, 2)
    )
    facts = {"name": "n", "title": "t", "x_label": "Frequency (Hz)", "y_label": "Distortion (%)", "series": series}
    return ChartView(**{**facts, "y_scale": "log", "limited": limited, **changes})


def rows(**changes: object) -> tuple[Verdict, ...]:
    return tuple(row_of("THD", **{"channel": channel, **changes}) for channel in (1, 2))


def bands(view: ChartView, *verdicts: Verdict) -> tuple[LimitBand, ...]:
    return with_limits([view], verdicts)[0].bands


def test_a_limit_on_all_channels_is_one_band_that_says_whose_it_is():
    (band,) = bands(view_of(Limited(key="thd_percent")), *rows())
    assert (band.x, band.low, band.high) == (EVERYWHERE, None, (0.1, 0.1))
    assert band.words == "outside “at most 0.1 %” (maker's specification)"


def test_other_figures_changes_differences_and_answers_shade_nothing():
    view = view_of(Limited(key="thd_percent"))
    for changes in (
        {"quantity": "thd_n_percent"},
        {"since": "as-found"},
        {"difference_at_most": 0.1, "at_most": None},
        {"expected": "yes"},
    ):
        assert bands(view, *rows(**changes)) == ()


def test_a_limit_of_one_channel_or_source_is_a_band_of_its_own():
    one, other = rows()
    found = bands(view_of(Limited(key="thd_percent")), one, replace(other, at_most=1.0, source="era"))
    assert [band.words for band in found] == [
        "outside “at most 0.1 %” (maker's specification) on channel 1",
        "outside “at most 1 %” (standard of its time) on channel 2",
    ]


def test_a_size_without_sign_holds_on_both_sides_and_only_where_it_is_told():
    limited = Limited(key="thd_percent", span=(100.0, 10_000.0), both_ways=True, words="down to −60 dB")
    (band,) = bands(view_of(limited), *rows())
    assert (band.x, band.low, band.high) == ((100.0, 10_000.0), (-0.1, -0.1), (0.1, 0.1))
    assert band.words.endswith("down to −60 dB")


@pytest.mark.parametrize(
    ("sense", "limits", "x"),
    [
        ("at least", {"at_least": 50.0, "at_most": None}, (-math.inf, 50.0)),
        ("at most", {"at_most": 30.0}, (30.0, 1000.0)),
    ],
)
def test_a_place_on_the_x_axis_keeps_a_corner_free(sense, limits, x):
    """1 % at 50 W or more: up to 50 W all above 1 % is shaded. −3 dB at 30 Hz or less: from 30 Hz on all below it."""
    passed = Passed(height=1.0, edge="high" if sense == "at least" else "low", sense=sense)
    span = (-math.inf, 1000.0)
    (band,) = bands(view_of(Limited(key="thd_percent", span=span, passed=passed)), *rows(**limits))
    assert band.x == x
    assert (band.high if sense == "at least" else band.low) == (1.0, 1.0)
    assert (band.low if sense == "at least" else band.high) is None
    other = {"at_least": 30.0, "at_most": None} if sense == "at most" else {"at_most": 50.0}
    assert bands(view_of(Limited(key="thd_percent", span=span, passed=passed)), *rows(**other)) == ()


def test_each_channel_has_the_band_around_its_own_zero_and_between_two_bands_is_shaded():
    limited = Limited(key="thd_percent", both_ways=True, zeros=((2, -1.6),))
    view = replace(view_of(limited, y_scale="linear"), y_range=(-3.0, 1.0))
    (found,) = with_limits([view], rows(at_most=0.5))
    assert found.bands[0].zeros == (0.0, -1.6)
    # By the limit's words 0 ± 0.5 and −1.6 ± 0.5 are free, and nothing else is.
    assert shaded(found, 1000.0, [-2.9, -2.2, -2.0, -1.2, -1.0, -0.6, -0.4, 0.4, 0.6]) == [
        True, True, False, False, True, True, False, False, True,
    ]  # fmt: skip
    near = replace(view, limited=(replace(limited, zeros=((2, -0.2),)),))
    assert shaded(*with_limits([near], rows(at_most=0.5)), 1000.0, [-0.8, -0.6, 0.4, 0.6]) == [True, False, False, True]


def test_a_band_ends_where_its_figure_is_told():
    limited = Limited(key="thd_percent", span=(100.0, math.inf))
    (found,) = with_limits([view_of(limited, y_range=(0.01, 1.0))], rows())
    assert shaded(found, 50.0, [0.2]) == [False]
    assert shaded(found, 15_000.0, [0.2, 0.05]) == [True, False]


def test_a_limit_far_off_is_in_the_picture_and_one_outside_a_part_of_the_axis_is_left_out():
    (far,) = with_limits([view_of(Limited(key="thd_percent"))], rows(at_most=30.0))
    low, high = chart_figure(far).axes[0].get_ylim()
    assert low < 0.01
    assert high > 30.0
    part = view_of(Limited(key="thd_percent", span=(20.0, 50.0)), x_range=(60.0, 100.0))
    assert bands(part, *rows()) == ()


def test_words_are_whole_in_the_picture_and_in_the_web_pages_description():
    (found,) = with_limits([view_of(Limited(key="thd_percent", words="at 1 kHz"))], rows())
    figure = chart_figure(found)
    assert cases.outside(figure) == cases.overlapping(figure) == []
    printed = [text for text, _ in cases.drawn_texts(figure)]
    assert found.bands[0].words in printed
    assert found.bands[0].words in description(found)


def shaded(view: ChartView, x: float, ys: list[float]) -> list[bool]:
    """Return whether the picture is darker than paper at these places, looked at dot by dot."""
    plain = replace(view, series=(replace(view.series[0], x=[20.0, 20_000.0], y=[None, None]),), simulated=False)
    figure = chart_figure(replace(plain, x_range=(20.0, 20_000.0)))
    ax = figure.axes[0]
    ax.grid(False, which="both")
    for text in ax.texts:
        text.set_visible(False)
    figure.canvas.draw()
    dots = np.asarray(figure.canvas.buffer_rgba())[::-1, :, 0]
    band = int(style.BAND[1:3], 16)
    places = ax.transData.transform([(x, y) for y in ys]).astype(int)
    return [int(dots[up, across]) == band for across, up in places]
