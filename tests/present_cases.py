"""Charts and reports at their extremes, and where their texts stand, for the tests of audiomeas.present."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np

from audiomeas.measurement.views import ChartView, LimitBand, Series
from audiomeas.present import style
from audiomeas.present.content import Finding, ReportContent

F_HZ = np.geomspace(10.0, 40_000.0, 300)
HOSTILE = "$\\frac{a}$ <b>&amp;\x1b[31m 日本語 \u202e Усилитель"
FORTY = "A unit whose name has just forty letters"
#: Two texts may touch by rounding of font metrics (hinting moves an edge by less than a pixel at 72 dpi).
SLACK_PT = 0.75


def first_order_db(low_hz: float, high_hz: float) -> Any:
    return -10 * np.log10(1 + (low_hz / F_HZ) ** 2) - 10 * np.log10(1 + (F_HZ / high_hz) ** 2)


def response_view(channels: int = 2, **changes: Any) -> ChartView:
    series = tuple(
        Series(label=f"channel {n} {FORTY}"[:40], x=F_HZ, y=first_order_db(3.0 * n, 70e3), channel=n)
        for n in range(1, channels + 1)
    )
    view = ChartView(
        name="response", title=f"Response of {FORTY}", x_label="Frequency (Hz)", y_label="Level (dB re 1 kHz)",
        series=series, x_range=(20.0, 20_000.0), y_smallest_span=6.0, simulated=True,
        caption="Sweep 10 Hz to 40 kHz at 2.83 V into 8 Ω, both channels driven; 96 kHz; uncertainty 0.05 dB. " * 3,
        bands=(LimitBand(label="limit ±0.5 dB", x=[20, 20_000], low=[-0.5, -0.5], high=[0.5, 0.5]),),
    )  # fmt: skip
    return replace(view, **changes)


def _simple(x: Any, y: Any, **how: Any) -> ChartView:
    settings: dict[str, Any] = {"x_label": "Frequency (Hz)", "y_label": "THD+N (%)", "name": "n", "title": "t", **how}
    role = settings.pop("role", "line")
    return ChartView(series=(Series(label="channel 1", x=x, y=y, channel=1, role=role),), **settings)


def _bars(orders: int) -> ChartView:
    order = np.arange(2, orders + 2)
    return ChartView(
        name="harmonics", title="Harmonics", x_label="Frequency (Hz)", y_label="Level (dB re fundamental)",
        series=tuple(
            Series(label=f"channel {c}", x=1000.0 * order, y=-80.0 - 60.0 * order / order.max() - 3 * c, channel=c,
                   role="bars", labels=tuple(f"H{n}" for n in order))
            for c in (1, 2)
        ), simulated=True,
    )  # fmt: skip


VIEWS: dict[str, ChartView] = {
    **{f"response of {n} channels": response_view(n) for n in (1, 2, 5, 8)},
    "nine channels": response_view(9),
    "flat line": _simple([0, 1, 2], [2.828427] * 3, x_scale="linear", x_label="Time (s)", y_label="Level (V)"),
    "flat at zero": _simple([20, 20_000], [0.0, 0.0]),
    "down to -140 dB": _simple(F_HZ, np.linspace(0, -140, len(F_HZ)), y_label="Level (dB)"),
    "one point": _simple([1000.0], [0.0003], y_scale="log"),
    "one point on points": _simple([1000.0], [250.0], role="points", y_label="Power (W)"),
    "gaps": _simple([0.01, 0.1, 1, 10, 250], [0.1, None, math.nan, 0.02, math.inf], y_scale="log", x_label="Power (W)"),
    "nothing finite": _simple([1, 2], [None, math.nan]),
    "no series": replace(_simple([], []), series=()),
    "nothing positive": _simple([0.0, -1.0], [0.0, -3.0], y_scale="log"),
    "nine decades": _simple([1e-3, 1e6], [1e-9, 1e3], y_scale="log"),
    "narrow": _simple([990.0, 1010.0], [-0.001, 0.001], y_label="Level (dB)"),
    "huge and tiny": _simple([1, 2], [1e-12, 1e12], y_scale="log", x_scale="linear"),
    "harmonics": _bars(9),
    "many harmonics": _bars(40),
    "hostile": _simple([1, 2], [1, 2], title=HOSTILE, caption="日本" * 200),
    "long words": _simple([1, 2], [1, 2], title="W" * 300, caption="M" * 900, y_label="Level (dB) " + "x" * 90),
    "two curves of a channel": ChartView(
        name="n", title="THD and noise", x_label="Power (W)", y_label="%", y_scale="log",
        series=(
            Series(label="THD, channel 1", x=[1, 10], y=[0.01, 0.02], channel=1),
            Series(label="THD+N, channel 1", x=[1, 10], y=[0.02, 0.03], channel=1),
            Series(label="bench residual", x=[1, 10], y=[0.001, 0.001]),
        ),
    ),
}  # fmt: skip


def texts_of(figure: Any) -> Iterator[tuple[str, Any]]:
    """Yield each visible text of a figure with its box in points; the pale mark behind the curves is left out."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.text import Text

    with style.look():
        figure.set_dpi(72)
        renderer = FigureCanvasAgg(figure).get_renderer()
        figure.draw(renderer)
        for text in figure.findobj(Text):
            shown = text.get_text().strip() and text.get_visible() and text.get_gid() != "watermark"
            if shown and text.get_figure() is not None:
                yield text.get_text(), text.get_window_extent(renderer)


_DRAWN: WeakKeyDictionary[Any, list[tuple[str, Any]]] = WeakKeyDictionary()


def drawn_texts(figure: Any) -> list[tuple[str, Any]]:
    """Return texts with boxes; each figure is drawn once."""
    if figure not in _DRAWN:
        _DRAWN[figure] = [(text, box) for text, box in texts_of(figure) if box.width > 0 and box.height > 0]
    return _DRAWN[figure]


def outside(figure: Any) -> list[str]:
    """Return the texts that reach over the edge of the figure."""
    across, high = (72.0 * side for side in figure.get_size_inches())
    return [
        text
        for text, box in drawn_texts(figure)
        if box.x0 < -SLACK_PT or box.y0 < -SLACK_PT or box.x1 > across + SLACK_PT or box.y1 > high + SLACK_PT
    ]


def overlapping(figure: Any) -> list[tuple[str, str]]:
    """Return the pairs of texts that cover each other by more than the slack in both directions."""
    found = []
    for (one, a), (other, b) in combinations(drawn_texts(figure), 2):
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        up = min(a.y1, b.y1) - max(a.y0, b.y0)
        if across > SLACK_PT and up > SLACK_PT:
            found.append((one, other))
    return found


def finding(**changes: Any) -> Finding:
    facts: dict[str, Any] = {
        "step": "Distortion at 1 W", "quantity": "thd_percent", "words": "total harmonic distortion", "unit": "%",
        "channel": 1, "value": 0.01234, "uncertainty": 0.0005, "limit": "at most 0.1 %", "source": "house",
        "verdict": "pass",
    }  # fmt: skip
    return Finding(**{**facts, **changes})


def _power(channel: int, value: float) -> Finding:
    return finding(
        quantity="level_w", words="power into 8 Ω", unit="W", channel=channel, value=value, uncertainty=0.02 * value,
        limit="", source="", verdict=None,
    )  # fmt: skip


PLAIN = ReportContent(
    maker="Demo", model="amplifier A", identity="serial D-0001", kind="power amplifier", stage="as-found",
    date="2024-05-01", plan="Power amplifier", verdict="pass", finished=True, simulated=True, version="0.1.0",
    findings=(_power(1, 1.021), _power(2, 250.4), finding(), finding(channel=2, value=0.0003, uncertainty=0.00002)),
    conditions=(("Load", "8 Ω on channel 1, 8 Ω on channel 2."), ("Signal", "both channels driven."),
                ("Calibration", "made 2024-01-01, valid until 2025-01-01.")),
    chart=response_view(title="Frequency response"),
)  # fmt: skip


def _both(step: str, quantity: str, words: str, unit: str, left: float, right: float, **changes: Any) -> list[Finding]:
    return [
        finding(step=step, quantity=quantity, words=words, unit=unit, channel=channel, value=value, **changes)
        for channel, value in ((1, left), (2, right))
    ]


def _plan_findings() -> tuple[Finding, ...]:
    """Return what the five steps, quantities and limits of the shipped plan may find, with four limits failed."""
    no_limit: dict[str, Any] = {"limit": "", "source": "", "verdict": None}
    found = []
    steps = (
        ("1 W, 1 kHz", 1.0, 0.0821), ("30 W, 1 kHz", 30.0, 0.0453), ("30 W, 100 Hz", 30.01, 0.0451),
        ("30 W, 6 kHz", 29.99, 0.0453),
    )  # fmt: skip
    for step, watts, thd in steps:
        name = f"Distortion at {step}"
        power = ("level_w", "output power into the load", "W", watts, 0.69 * watts)
        found += _both(name, *power, uncertainty=0.011 * watts, **no_limit)
        source = "house" if watts == 1.0 else "maker"
        whats = ("thd_percent", "harmonic distortion", "%", thd, 2.5 * thd)
        for one in _both(name, *whats, uncertainty=0.00002, source=source, edges=(0.1,)):
            failed = source == "maker" and one.channel == 2
            found.append(replace(one, verdict="fail" if failed else "pass"))
        found += _both(name, *whats, uncertainty=0.00002, source="era", limit="at most 1 %", edges=(1.0,))
    first = "Distortion at 1 W, 1 kHz"
    found += _both(first, "thd_n_percent", "distortion and noise together", "%", 0.0118, 0.0292, uncertainty=0.0001)
    balance: dict[str, Any] = {
        "quantity": "gain_db_difference", "words": "difference between the channels in gain", "unit": "dB",
        "channel": None, "value": 1.61, "uncertainty": 0.09, "step": first,
    }  # fmt: skip
    found.append(finding(**balance, limit="at most 0.5 dB", edges=(0.5,), verdict="fail"))
    found.append(finding(**balance, limit="at most 3 dB", edges=(3.0,), source="era"))
    found += _both(first, "gain_db", "gain", "dB", 26.83, 25.22, uncertainty=0.06, **no_limit)
    flat = ("deviation_db", "largest deviation from a flat response within the band", "dB", 0.1334, 0.1335)
    for limit, source in (("at most 0.5 dB", "house"), ("at most 1.5 dB", "era")):
        found += _both("Response at 1 W", *flat, uncertainty=0.002, limit=limit, source=source)
    return tuple(found)


def _all(word: str, **changes: Any) -> tuple[Finding, ...]:
    return tuple(replace(one, verdict=word if one.limit else None, **changes) for one in PLAIN.findings)


CONTENTS: dict[str, ReportContent] = {
    "plain": PLAIN,
    "whole plan": replace(
        PLAIN, maker="", model="Demo amplifier C", verdict="fail", findings=_plan_findings(),
        chart=response_view(title="Frequency response", caption="Sweep of 2 s; 96 kHz.", bands=()),
        plan="Power amplifier, 60 W into 8 Ω",
        conditions=(
            ("Load", "8 Ω on channel 1, 8 Ω on channel 2: resistors in place of loudspeakers."),
            ("Signal", "both channels driven at the same time."),
            ("Bench", "Simulated bench, interface Simulated card, 96 kHz sample rate."),
            ("Calibration", "made 2026-11-01, valid until 2099-12-31, without an instrument (simulated)."),
            ("Uncertainty", "the true value lies within ± with 95 % probability; without ±: right to within one."),
        ),
    ),
    "real unit": replace(PLAIN, simulated=False, chart=response_view(simulated=False)),
    "all failed": replace(PLAIN, verdict="fail", findings=_all("fail")),
    "all undecided": replace(PLAIN, verdict="undecided", findings=_all("undecided", reason="the limit lies inside")),
    "all missing": replace(
        PLAIN, verdict="undecided", finished=False, findings=_all("undecided", value=None, reason="missing"),
        chart=None, gaps=("Response: broken off",),
    ),
    "nothing measured": replace(PLAIN, verdict=None, findings=(), chart=None, conditions=()),
    "no limits": replace(
        PLAIN, verdict=None, findings=tuple(replace(each, limit="", verdict=None) for each in PLAIN.findings)
    ),
    "eight channels": replace(PLAIN, findings=tuple(finding(channel=n) for n in range(1, 9)), chart=response_view(8)),
    "many rows": replace(
        PLAIN, verdict="fail", cautions=("the calibration expired on 2024-01-01: volts may be off",) * 9,
        findings=tuple(
            finding(step=f"Distortion at {n} W, {FORTY}", channel=c, verdict="fail") for n in range(15) for c in (1, 2)
        ),
    ),
    "extremes": replace(
        PLAIN, maker="", model=FORTY, verdict="fail", chart=response_view(1, title=FORTY),
        findings=(
            *(_power(n, 250.0) for n in (1, 2)),
            *(finding(channel=n, value=0.0003, uncertainty=None, bound="at most", verdict="undecided",
                      reason="the bench itself is the limit") for n in range(1, 9)),
            *(finding(quantity="crosstalk_db", words="leakage", unit="dB", channel=n, value=-140.0, uncertainty=0.5,
                      limit="at most −60 dB", bound="at most" if n > 4 else "") for n in range(1, 9)),
            finding(quantity="noise_db", words="noise", unit="dB", value=None, uncertainty=None, verdict="undecided",
                    reason="missing: the step was not reached"),
            finding(quantity="gain_db", words="gain", unit="dB", value=1e-9, uncertainty=1e-12, verdict="fail",
                    limit="at least 26 dB"),
        ),
    ),
    "long names": replace(PLAIN, maker=FORTY * 3, model="W" * 150, kind=FORTY * 3, identity="serial " + "9" * 90),
    "hostile": replace(
        PLAIN, maker="<b>$x^2$</b>\x1b[31m", model="=CMD() 日本 Усилитель",
        findings=(finding(words="$\\frac$ " * 60, step="s" * 120, reason="r" * 300, verdict="undecided"),),
        cautions=("c" * 4000,),
    ),
}  # fmt: skip
