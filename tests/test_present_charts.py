"""Charts at their extremes: drawn, nothing cut or covered, the same bytes each time, and no trace left behind."""

from __future__ import annotations

import math
import re
import subprocess
import sys
import warnings
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import present_cases as cases
import pytest

from audiomeas.errors import FileProblem
from audiomeas.measurement.views import Series
from audiomeas.present import style
from audiomeas.present.charts import chart_figure
from audiomeas.present.saving import save_pages
from audiomeas.present.ticks import frequency_text, logarithmic_ticks, number_text


@pytest.fixture(scope="module")
def figures():
    return {name: chart_figure(view) for name, view in cases.VIEWS.items()}


@pytest.mark.parametrize("name", cases.VIEWS)
def test_no_text_is_cut_or_covers_another(figures, name):
    assert cases.outside(figures[name]) == []
    assert cases.overlapping(figures[name]) == []


@pytest.mark.parametrize("name", cases.VIEWS)
def test_every_word_of_title_and_caption_is_there(figures, name):
    view = cases.VIEWS[name]
    printed = "".join(text for text, _ in cases.drawn_texts(figures[name]))
    printed = re.sub(r"\s", "", printed)
    for text in (view.title, view.caption, *(series.label for series in view.series)):
        wanted = "".join(character for character in text if character.isprintable() and not character.isspace())
        for piece in (wanted[:20], wanted[-20:]):
            assert piece in printed


def test_the_overlap_test_itself_sees_an_overlap():
    figure = chart_figure(cases.VIEWS["one point"])
    title = next(text for text in figure.axes[0].texts if text.get_text() == "t")
    title.set_position((0.0, -20.0))
    figure.axes[0].text(0.0, 0.0, "wide wide wide", transform=title.get_transform())
    figure.axes[0].text(5.0, 0.0, "other words", transform=title.get_transform())
    figure.axes[0].text(-900.0, 0.0, "far out", transform=title.get_transform())
    assert ("wide wide wide", "other words") in cases.overlapping(figure)
    assert cases.outside(figure) == ["far out"]


def test_curves_keep_a_third_of_the_picture(figures):
    for figure in figures.values():
        box = figure.axes[0].get_position()
        high = box.height * figure.get_size_inches()[1] * 72
        assert high >= style.A5_LANDSCAPE_PT[1] / 3 - 1e-6


def test_a_flat_response_looks_flat():
    view = cases.response_view(bands=(), y_smallest_span=6.0)
    flat = replace(view, series=(Series(label="1", x=[20, 20_000], y=[0.01, -0.01], channel=1),))
    low, high = chart_figure(flat).axes[0].get_ylim()
    assert (low, high) == pytest.approx((-3.0, 3.0))


def test_the_trades_frequencies_are_on_the_axis(figures):
    labels = [text.get_text() for text in figures["response of 2 channels"].axes[0].get_xticklabels()]
    assert labels == ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]


@pytest.mark.parametrize(
    ("value", "text"), [(20, "20"), (1000, "1k"), (2500, "2.5k"), (20_000, "20k"), (0.5, "0.5"), (31.5, "31.5")]
)
def test_frequencies_as_the_trade_writes_them(value, text):
    assert frequency_text(value) == text


@pytest.mark.parametrize(
    ("value", "text"), [(0.0, "0"), (-140.0, "−140"), (0.0003, "0.0003"), (0.00003, "0.00003"), (1e-9, "1e−9")]
)
def test_numbers_on_ticks(value, text):
    assert number_text(value) == text


@pytest.mark.parametrize(("low", "high"), [(20, 20_000), (1e-12, 1e12), (990, 1010), (0.5, 3), (1, 1e7)])
def test_logarithmic_ticks_lie_on_the_axis_and_are_not_too_many(low, high):
    ticks = logarithmic_ticks(low, high, 12)
    assert 2 <= len(ticks) <= 14
    assert all(low <= tick <= high for tick in ticks)
    assert ticks == sorted(set(ticks))


def test_gaps_stay_gaps_and_a_lonely_point_is_seen(figures):
    curve, lonely = figures["gaps"].axes[0].lines[:2]
    assert np.isnan(curve.get_ydata()).tolist() == [False, True, True, False, True]
    assert lonely.get_ydata().tolist() == [0.1, 0.02]
    assert lonely.get_marker() not in ("", "None", None)


def test_impossible_series_are_refused():
    view = replace(cases.VIEWS["flat line"], series=(Series(label="odd", x=[1, 2], y=[1]),))
    with pytest.raises(ValueError, match="odd"):
        chart_figure(view)


def test_what_lies_outside_a_limit_is_shaded(figures):
    ax = figures["response of 2 channels"].axes[0]
    low, high = ax.get_ylim()
    bands = [patch for patch in ax.collections if patch.get_facecolor().size]
    spans = sorted((box.y0, box.y1) for box in (band.get_datalim(ax.transData) for band in bands))
    assert spans[0] == pytest.approx((low, -0.5))
    assert spans[1] == pytest.approx((0.5, high))


# ---------------------------------------------------------------- colours


def relative_luminance(colour: str) -> float:
    """WCAG 2.1, definition of relative luminance (sRGB)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    bright, dark = sorted((relative_luminance(one), relative_luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_eight_channels_differ_without_any_colour():
    strokes = [style.stroke(channel) for channel in range(1, 9)]
    assert len({(stroke.dashes, stroke.marker) for stroke in strokes}) == 8
    assert len({stroke.point for stroke in strokes}) == 8


def test_the_first_four_channels_have_colours_of_their_own_from_the_published_palette():
    # Okabe & Ito 2008, table of RGB values (0-255), as printed there
    palette = {(0, 0, 0), (230, 159, 0), (86, 180, 233), (0, 158, 115), (0, 114, 178), (213, 94, 0), (204, 121, 167)}
    colours = [style.stroke(channel).colour for channel in range(1, 9)]
    assert {tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5)) for colour in colours} <= palette
    assert len(set(colours[:7])) == 7


def test_text_and_the_usual_channels_stand_out_from_paper():
    # WCAG 2.1: 4.5 for text (1.4.3), 3 for lines that carry meaning (1.4.11)
    assert contrast(style.SOFT_INK, "#FFFFFF") >= 4.5
    for channel in (1, 2, 3, 4):
        assert contrast(style.stroke(channel).colour, "#FFFFFF") >= 3.0
    # what stands behind curves is much paler than they are
    assert contrast(style.WATERMARK, "#FFFFFF") < 1.5
    assert contrast(style.BAND, "#FFFFFF") < 1.3


def test_a_second_curve_of_a_channel_differs_from_its_first():
    one, other = style.stroke(1), style.stroke(1, repeat=1)
    assert (one.width_pt, one.marker) != (other.width_pt, other.marker)
    firsts = {style.stroke(channel).point for channel in range(1, 9)}
    assert not firsts & {style.stroke(channel, repeat=repeat).marker for channel in (1, 2) for repeat in range(1, 6)}


def test_a_text_at_a_point_leaves_the_marks_of_curves_uncovered():
    view = replace(cases.VIEWS["one point"], x_scale="linear", y_scale="linear", x_range=(0.0, 2.0), y_range=(0.0, 1.0))
    named = Series(label="", x=[1.0], y=[0.5], role="points", channel=1, labels=("onset",))
    raised = []
    for height in (0.53, 0.9):  # the mark of a curve where the text would stand first, and far above it
        curve = Series(label="", x=[1.0, 1.9], y=[height, 0.9], channel=2, each_point=True)
        drawn = chart_figure(replace(view, series=(named, curve))).axes[0].texts
        raised += [text.xyann[1] for text in drawn if text.get_text() == "onset"]
    assert len(raised) == 2 and raised[0] > raised[1]


def test_a_curve_that_is_known_at_its_points_only_marks_each_of_them():
    steps = Series(label="channel 1", x=[20.0, 1000.0, 20_000.0], y=[-1.0, 0.0, -1.0], channel=1)
    for marked in (False, True):
        view = replace(cases.VIEWS["one point"], series=(replace(steps, each_point=marked),))
        drawn = [line for line in chart_figure(view).axes[0].lines if list(line.get_xdata()) == steps.x]
        assert [line.get_marker() not in ("None", None, "") for line in drawn] == [marked]
        assert not marked or drawn[0].get_markevery() == 1


# ---------------------------------------------------------------- SIMULATED


def test_simulated_is_marked_and_real_is_not(figures):
    view = cases.response_view()
    for simulated in (True, False):
        figure = chart_figure(replace(view, simulated=simulated))
        assert any(text == "SIMULATED" for text, _ in cases.drawn_texts(figure)) is simulated
        watermarks = [text for text in figure.axes[0].texts if text.get_gid() == "watermark"]
        assert bool(watermarks) is simulated


# ---------------------------------------------------------------- files


@pytest.mark.parametrize(
    ("name", "suffix"),
    [("response of 2 channels", ".pdf"), ("harmonics", ".svg"), ("gaps", ".png"), ("hostile", ".svg")],
)
def test_the_same_chart_gives_the_same_bytes(tmp_path, name, suffix):
    view = cases.VIEWS[name]
    files = [tmp_path / f"{n}{suffix}" for n in (1, 2)]
    for file in files:
        save_pages([chart_figure(view)], file, title=view.title)
    assert files[0].read_bytes() == files[1].read_bytes()
    assert files[0].stat().st_size < 1_000_000
    assert sorted(tmp_path.iterdir()) == files


def test_svg_text_is_text(tmp_path):
    view = cases.response_view(title="Response <of> Demo & amplifier A, serial D-0001")
    save_pages([chart_figure(view)], tmp_path / "a.svg", title=view.title)
    root = ElementTree.parse(tmp_path / "a.svg").getroot()
    texts = ["".join(each.itertext()) for each in root.iter("{http://www.w3.org/2000/svg}text")]
    assert view.title in texts
    assert {"20", "20k", "SIMULATED", "Frequency (Hz)", "Level (dB re 1 kHz)"} <= set(texts)


def test_png_is_large_enough_for_a5(tmp_path):
    save_pages([chart_figure(cases.VIEWS["flat line"])], tmp_path / "a.png", title="t")
    header = (tmp_path / "a.png").read_bytes()[16:24]  # PNG, 11.2.2: width and height
    width, height = int.from_bytes(header[:4], "big"), int.from_bytes(header[4:], "big")
    # 210 mm x 148 mm at 200 dots an inch
    assert width == pytest.approx(210 / 25.4 * 200, abs=1)
    assert height == pytest.approx(148 / 25.4 * 200, abs=1)


@pytest.mark.poppler
def test_pdf_fonts_are_embedded_and_text_can_be_selected(tmp_path, need):
    view = cases.response_view(title="Response of Demo amplifier A, serial D-0001")
    save_pages([chart_figure(view)], tmp_path / "a.pdf", title=view.title)
    fonts = subprocess.run([need("pdffonts"), tmp_path / "a.pdf"], capture_output=True, text=True, check=True).stdout
    rows = [re.match(r"\S+\s+(CID TrueType|TrueType)\s+\S+\s+(yes|no)", row) for row in fonts.splitlines()[2:]]
    assert rows
    assert all(row is not None and row.group(2) == "yes" for row in rows)
    command = [need("pdftotext"), tmp_path / "a.pdf", "-"]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert "serial D-0001" in text
    assert "SIMULATED" in text


def test_a_file_is_never_overwritten(tmp_path):
    file = tmp_path / "a.png"
    file.write_text("mine")
    with pytest.raises(FileProblem, match="never overwritten"):
        save_pages([chart_figure(cases.VIEWS["flat line"])], file, title="t")
    assert file.read_text() == "mine"
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.parametrize("name", ["chart", "chart.jpg", "chart.png.exe"])
def test_another_suffix_is_refused_with_the_valid_ones(tmp_path, name):
    with pytest.raises(FileProblem, match=r"\.png, \.svg or \.pdf"):
        save_pages([chart_figure(cases.VIEWS["flat line"])], tmp_path / name, title="t")
    assert not list(tmp_path.iterdir())


def test_a_missing_folder_is_said(tmp_path):
    with pytest.raises(FileProblem, match="there is no folder"):
        save_pages([chart_figure(cases.VIEWS["flat line"])], tmp_path / "no" / "a.png", title="t")


# ---------------------------------------------------------------- no global state


def test_the_persons_own_settings_change_nothing_and_come_back(tmp_path):
    import matplotlib

    view = cases.VIEWS["response of 2 channels"]
    save_pages([chart_figure(view)], tmp_path / "before.svg", title="t")
    theirs = {"font.size": 31.0, "axes.facecolor": "black", "lines.linewidth": 9.0, "svg.fonttype": "path"}
    with matplotlib.rc_context(theirs):
        save_pages([chart_figure(view)], tmp_path / "after.svg", title="t")
        assert {key: matplotlib.rcParams[key] for key in theirs} == theirs
    assert (tmp_path / "before.svg").read_bytes() == (tmp_path / "after.svg").read_bytes()


def test_pyplot_is_never_imported(tmp_path):
    program = (
        "import sys, pathlib\n"
        "import audiomeas.present.api, audiomeas.present.tables, audiomeas.present.report\n"
        "assert not {'matplotlib', 'numpy'} & set(sys.modules), 'heavy import on import'\n"
        "from audiomeas.measurement.views import ChartView, Series\n"
        "from audiomeas.present.charts import chart_figure\n"
        "from audiomeas.present.saving import save_pages\n"
        "series = (Series(label='a', x=[1, 2], y=[1, 2]),)\n"
        "view = ChartView(name='n', title='t', x_label='x', y_label='y', series=series)\n"
        "save_pages([chart_figure(view)], pathlib.Path(sys.argv[1]), title='t')\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", program, str(tmp_path / "a.pdf")], check=True)


def test_an_infinite_value_never_sets_the_scale(figures):
    low, high = figures["gaps"].axes[0].get_ylim()
    assert math.isfinite(low)
    assert math.isfinite(high)


# ---------------------------------------------------------------- points and bars


def named_points(channel: int, db: list[float], shift_hz: float = 0.0) -> Series:
    """Odd harmonics of 1 kHz that stand as close as on a spectrum: 7th, 9th, 11th, 13th."""
    orders = [3, 5, 7, 9, 11, 13]
    return Series(
        label=f"harmonics, channel {channel}", x=[1000.0 * n + shift_hz for n in orders], y=db, role="points",
        channel=channel, labels=tuple(f"{n}th" for n in orders),
    )  # fmt: skip


def test_neighbours_are_all_named_once_without_covering_each_other():
    both = (
        named_points(1, [-52.0, -56.0, -59.0, -61.0, -63.0, -64.0]),
        named_points(2, [-56.0, -60.0, -63.0, -65.0, -67.0, -68.0], shift_hz=0.01),  # the same, told by another clock
    )
    view = replace(
        cases.VIEWS["one point"], series=both, x_range=(10.0, 48_000.0), y_range=(-140.0, 0.0), y_scale="linear"
    )
    figure = chart_figure(view)
    assert cases.overlapping(figure) == []
    written = [text for text, _ in cases.drawn_texts(figure) if text.endswith("th")]
    assert sorted(written) == sorted(["3th", "5th", "7th", "9th", "11th", "13th"])


def test_bars_that_are_bounds_are_hollow_and_share_the_place_of_their_channel():
    bars = [
        Series(label="channel 1", x=[2.0], y=[-80.0], role="bars", channel=1),
        Series(label="channel 1, at most", x=[3.0], y=[-110.0], role="bars", channel=1, hollow=True),
        Series(label="channel 2", x=[2.0, 3.0], y=[-82.0, -90.0], role="bars", channel=2),
    ]
    figure = chart_figure(replace(cases.VIEWS["one point"], series=tuple(bars), x_scale="linear", y_scale="linear"))
    ax = figure.axes[0]
    tips = {line.get_xdata()[0]: line for line in ax.lines if line.get_linestyle() == "None"}
    full, hollow, other = (line for line in ax.lines if line.get_linestyle() == "None")
    assert (full.get_markerfacecolor(), hollow.get_markerfacecolor()) == (style.BLUE, "white")
    assert full.get_markeredgecolor() == hollow.get_markeredgecolor() == style.BLUE
    assert other.get_markerfacecolor() == style.VERMILLION
    assert len(tips) == 2
    # A full bar is one stroke; of a hollow one the core is painted white again.
    colours = [tuple(float(part) for part in lines.get_colors()[0][:3]) for lines in ax.collections]
    assert colours.count((1.0, 1.0, 1.0)) == 1

    def left(line):
        return float(line.get_transform().transform((line.get_xdata()[0], -85.0))[0])

    apart = left(other) - left(full)
    scale = ax.transData.transform((3.0, 0.0))[0] - ax.transData.transform((2.0, 0.0))[0]
    assert apart > 0.0
    assert left(hollow) - left(full) == pytest.approx(scale)  # exactly one order to the right, and no other place


def test_orders_of_harmonics_have_no_halves():
    few = replace(cases._bars(6), x_label="Order of the harmonic", x_scale="linear")
    few = replace(few, series=tuple(replace(one, x=range(2, 8)) for one in few.series))
    (ax,) = chart_figure(few).axes
    assert [label.get_text() for label in ax.get_xticklabels()] == ["2", "3", "4", "5", "6", "7"]


@pytest.mark.parametrize("value", [1e308, -1e308, 5e-324, 5e-321, 0.0])
@pytest.mark.parametrize("scale", ["log", "linear"])
def test_what_no_axis_can_hold_is_left_out_and_the_rest_is_drawn(value, scale):
    """A forged result may hold any number, and ranges that are none: nothing overflows; warnings are errors here."""
    view = cases._simple([100.0, 1000.0, value], [value, 0.1, 0.2], x_scale=scale, y_scale=scale)
    alone = cases._simple([value], [value], x_scale=scale, y_scale=scale)
    for drawn in (alone, view, replace(view, x_range=(value, value), y_range=(value, value))):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            ax = chart_figure(drawn).axes[0]
        for low, high in (ax.get_xlim(), ax.get_ylim()):
            assert -math.inf < low < high < math.inf
        assert drawn is alone or ax.get_xlim()[0] < 1000.0 < ax.get_xlim()[1]
