"""The customer's report: nothing cut or covered at any extreme, no claim without a row, text that can be selected."""

from __future__ import annotations

import math
import re
import subprocess
from dataclasses import replace

import present_cases as cases
import pytest
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from audiomeas.errors import FileProblem, RequestError
from audiomeas.measurement import registry
from audiomeas.measurement.views import LimitBand
from audiomeas.present.amounts import amount, amounts, power_ranges, same_powers
from audiomeas.present.content import _SETTINGS, _bench_check
from audiomeas.present.report import report_pages, write_report
from audiomeas.present.sentences import conditions_told, limit_line, meaning_of, topics, value_lines, verdict_lines
from audiomeas.present.sheet import fits
from audiomeas.present.stepnames import listed_steps, short_names
from audiomeas.present.style import PAPERS_PT


@pytest.fixture(scope="module")
def pages():
    return {name: report_pages(content) for name, content in cases.CONTENTS.items()}


def printed(figures) -> str:
    return "\n".join(text for figure in figures for text, _ in cases.drawn_texts(figure))


@pytest.mark.parametrize("name", cases.CONTENTS)
def test_no_text_is_cut_or_covers_another(pages, name):
    for figure in pages[name]:
        assert cases.outside(figure) == []
        assert cases.overlapping(figure) == []


@pytest.mark.parametrize("name", cases.CONTENTS)
def test_each_page_names_the_unit_its_number_and_what_it_is_not(pages, name):
    content = cases.CONTENTS[name]
    count = len(pages[name])
    for number, figure in enumerate(pages[name], start=1):
        text = re.sub(r"\s+", "", printed([figure]))
        assert re.sub(r"\s+", "", content.identity) in text
        assert f"page{number}of{count}" in text
        assert "notasafetycertificate" in text
        assert ("SIMULATED" in text) is content.simulated


@pytest.mark.parametrize("name", ["plain", "whole plan", "all failed", "all undecided", "no limits", "all missing"])
def test_a_usual_report_is_one_page(pages, name):
    assert len(pages[name]) == 1


def test_what_was_left_for_the_ending_holds_it():
    # The sums that a page of clipping came to (A4): the ending went to the next page, and rows stood where it belongs.
    assert fits(185.4, 185.39999999999998)
    assert not fits(185.4, 185.3)


@pytest.mark.parametrize("paper", PAPERS_PT)
def test_a_plan_of_five_steps_with_four_failures_fits_one_page_of_each_paper(paper):
    (figure,) = report_pages(cases.CONTENTS["whole plan"], paper=paper)
    assert cases.outside(figure) == []
    assert cases.overlapping(figure) == []
    text = " ".join(printed([figure]).split())
    assert "page 1 of 1" in text
    assert "Of 24 values with a limit, 20 kept their limit, 4 did not keep their limit." in text
    assert "29.99 to 30.01 ± 0.33 W on channel 1" in text


def _squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


@pytest.mark.parametrize("name", cases.CONTENTS)
def test_every_row_is_printed(pages, name):
    content = cases.CONTENTS[name]
    text = _squeezed(printed(pages[name]))
    for topic in topics(content):
        assert _squeezed(topic.words) in text
        for sentence in topic.lines:
            # A sentence may go on below a page's end, behind the foot and the next head: so its beginning counts.
            assert _squeezed(sentence.text)[:40] in text
    for finding in content.findings:
        members = [each for each in content.findings if each.words == finding.words]
        channel = "" if finding.channel is None else f" on channel {finding.channel}"
        assert _squeezed(finding.limit) in text
        # Power is told once for all steps that gave the same one.
        if finding.quantity != "level_w":
            step = short_names([each.step for each in members], finding.words)[finding.step]
            assert _squeezed(step)[1:] in text
            assert _squeezed(f"{amounts(members)[finding.step, finding.channel]}{channel}") in text
    for _, sentence in content.conditions:
        assert _squeezed(sentence)[1:] in text  # it begins with a capital


#: A4 on A5 is smaller by the root of two (ISO 216); 5.5 pt is the smallest print of newspapers (common practice).
SMALLEST_ON_A5_PT = 5.5
#: WCAG 2.1, success criterion 1.4.3: text against its ground.
LEAST_CONTRAST = 4.5


def contrast_on_white(colour: str) -> float:
    """Return the contrast ratio by WCAG 2.1, 'relative luminance' and 'contrast ratio'."""
    parts = [
        channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4 for channel in to_rgb(colour)
    ]
    luminance = 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]
    return 1.05 / (luminance + 0.05)


@pytest.mark.parametrize("name", ["whole plan", "extremes", "hostile"])
def test_all_text_can_be_read_on_a5_and_in_grey(pages, name):
    for figure in pages[name]:
        for text in figure.findobj(Text):
            if text.get_text().strip() and text.get_gid() != "watermark":
                assert text.get_fontsize() / math.sqrt(2.0) >= SMALLEST_ON_A5_PT
                assert contrast_on_white(text.get_color()) >= LEAST_CONTRAST


def test_many_rows_go_on_with_the_heading_repeated(pages):
    assert len(pages["many rows"]) > 1
    for figure in pages["many rows"][1:]:
        assert "What was found, continued" in printed([figure])
    # The chart stays on the first page, where the customer looks.
    assert [len(figure.axes) for figure in pages["many rows"]] == [1] + [0] * (len(pages["many rows"]) - 1)


# ---------------------------------------------------------------- words


def test_values_stand_together_and_limits_end_with_their_verdict():
    both = [cases.finding(), cases.finding(channel=2, value=0.2, verdict="fail", reason="outside")]
    # 0.01234 ± 0.0005 has three digits; of 0.2 ± 0.0005 the uncertainty touches none of the first three
    assert value_lines(both) == ["At 1 W: 0.0123 ± 0.0005 % on channel 1, 0.200 % on channel 2."]
    assert limit_line(both) == "Limit at most 0.1 % (the workshop's limit): fail on channel 2, pass on channel 1."
    kept = [cases.finding(), cases.finding(channel=2)]
    assert limit_line(kept) == "Limit at most 0.1 % (the workshop's limit): pass."
    assert limit_line([cases.finding(limit="", verdict=None)]) == ""


def test_each_limit_on_a_value_has_its_own_verdict():
    rows = [cases.finding(value=0.2, verdict="fail"), cases.finding(value=0.2, limit="at most 1 %", source="era")]
    assert limit_line(rows) == (
        "Limits at most 0.1 % (the workshop's limit): fail; at most 1 % (standard of its time): pass."
    )
    assert value_lines(rows)[0].count("0.200") == 1


def test_a_limit_that_steps_share_is_said_once_with_where_it_failed():
    steps = ["Distortion at 1 W", "Distortion at 30 W", "Distortion at 30 W, 6 kHz"]
    rows = [cases.finding(step=step, channel=n, source="maker") for step in steps for n in (1, 2)]
    rows[3] = replace(rows[3], verdict="fail")
    rows[5] = replace(rows[5], verdict="fail")
    assert limit_line(rows) == (
        "Limit at most 0.1 % (maker's specification): fail on channel 2 (at 30 W / 30 W, 6 kHz), pass elsewhere."
    )
    era = cases.finding(step=steps[0], limit="at most 1 %", source="era")
    assert "at most 1 % (standard of its time, at 1 W): pass." in limit_line([*rows, era])
    assert [line.partition(":")[0] for line in value_lines(rows)] == ["At 1 W", "At 30 W", "At 30 W, 6 kHz"]


def test_the_power_of_a_claim_leads_in_bold():
    """What a claim is held to stands above the watts of a gain step, however late the plan comes to it."""
    watts = {"unit": "W", "limit": "", "verdict": None}
    findings = (
        cases.finding(quantity="level_w", words="power into 8 Ω", step="Gain", value=1.0, **watts),
        cases.finding(
            quantity="least_power_w", words="power at the rated distortion", step="60 W", value=60.5, **watts
        ),
        cases.finding(),
    )
    found = topics(replace(cases.CONTENTS["plain"], findings=findings))
    assert [topic.words for topic in found[:2]] == ["Power at the rated distortion", "Power into 8 Ω"]
    assert [topic.lines[0].strong for topic in found] == [True, True, False]


def test_what_is_missing_or_undecided_says_why():
    unknown = cases.finding(value=None, verdict="undecided", reason="missing: not measured")
    assert value_lines([unknown]) == ["At 1 W: not known on channel 1."]
    assert limit_line([unknown]) == ("Limit at most 0.1 % (the workshop's limit): undecided (missing: not measured).")
    close = cases.finding(channel=2, verdict="undecided", reason="the limit lies inside")
    assert limit_line([cases.finding(), close]).endswith(
        ": undecided on channel 2 (the limit lies inside), pass on channel 1."
    )
    assert value_lines([replace(unknown, limit="", verdict=None)]) == [
        "At 1 W: not known on channel 1 (missing: not measured)."
    ]


def test_a_difference_between_channels_names_no_channel():
    assert value_lines([cases.finding(channel=None)]) == ["At 1 W: 0.0123 ± 0.0005 %."]


def test_a_bound_is_never_said_as_a_value():
    assert amount(cases.finding(bound="at most", value=0.0021, uncertainty=None)) == "at most 0.0021 %"
    # Rounded to three digits it must still be a bound.
    assert amount(cases.finding(bound="at most", value=0.002134, uncertainty=None)) == "at most 0.00214 %"
    assert amount(cases.finding(bound="at least", value=0.002136, uncertainty=None)) == "at least 0.00213 %"


@pytest.mark.parametrize(
    ("value", "changes", "said"),
    [
        (0.082126, {}, "0.0821 %"),
        (0.10004, {"verdict": "fail"}, "0.100040 ± 0.000018 %"),  # three digits would say 0.100: on the limit
        (0.09996, {}, "0.099960 ± 0.000018 %"),  # 0.1000 with three digits
        (0.0821, {"verdict": "undecided"}, "0.082100 ± 0.000018 %"),  # the reader must see why
    ],
)
def test_a_value_is_never_so_short_that_it_looks_like_its_limit(value, changes, said):
    row = cases.finding(value=value, uncertainty=0.000018, edges=(0.1,), **changes)
    assert amounts([row]) == {(row.step, 1): said}


def test_without_a_known_uncertainty_all_digits_are_said_and_what_that_means():
    rows = (cases.finding(value=0.082126, uncertainty=0.000018), cases.finding(channel=2, uncertainty=None))
    assert list(amounts(rows).values()) == ["0.082126 ± 0.000018 %", "0.01234 %"]
    (topic,) = topics(replace(cases.PLAIN, findings=rows))
    assert topic.lines[-1].text.endswith("Without ±, the uncertainty is not known.")


def test_what_a_number_means_is_said_once():
    steps = tuple(cases.finding(step=f"step {n}") for n in range(3))
    small = [line.text for topic in topics(replace(cases.PLAIN, findings=steps)) for line in topic.lines if line.small]
    assert len(small) == 1
    assert "Overtones" in small[0]


def test_every_number_that_a_customer_is_told_has_a_meaning():
    """Whatever is measured: a unit that a layman doesn't know from a kettle's label is never left alone."""
    known_to_all = {"", "1/min", "V", "W", "s"}
    missing = [
        (word, figure.key)
        for word in registry.words()
        for figure in registry.find(word).figures
        if figure.unit not in known_to_all and figure.key not in _SETTINGS
        if not meaning_of(cases.finding(quantity=figure.key, words=figure.words, unit=figure.unit))
    ]
    assert missing == []


@pytest.mark.parametrize(
    ("steps", "heading", "short"),
    [
        (["Distortion at 1 W", "Distortion at 30 W"], "Harmonic distortion", ["at 1 W", "at 30 W"]),
        (["Distortion at 1 W", "Response at 1 W"], "Distortion", ["Distortion at 1 W", "Response at 1 W"]),
        (["Distortion at 1 W"], "Output power", ["Distortion at 1 W"]),
        (["Distortion"], "Distortion", ["Distortion"]),  # something must be left
        (["Distortion", "Distortion at 1 W"], "Distortion", ["Distortion", "Distortion at 1 W"]),
        (["at 1 W", "at 1 W, 6 kHz"], "Gain at 1 W", ["1 W", "1 W, 6 kHz"]),
        (["Gain and sensitivity"], "Gain", ["Gain and sensitivity"]),  # 'and sensitivity' is no name
        (["For a moment"], "Power for a moment", ["For a moment"]),
    ],
)
def test_step_names_lose_only_what_their_heading_says(steps, heading, short):
    assert list(short_names(steps, heading).values()) == short


def test_listed_steps_say_once_what_they_share():
    assert listed_steps(["at 30 W, 1 kHz", "at 30 W, 100 Hz"]) == "at 30 W, 1 kHz / 100 Hz"
    assert listed_steps(["at 1 W", "hum"]) == "at 1 W / hum"
    assert listed_steps(["at 1 W"]) == "at 1 W"


def _powers(*watts: float, uncertainty: float | None = 0.3, **changes):
    return [
        cases.finding(quantity="level_w", words="output power", unit="W", step=f"step {n}", value=value,
                      uncertainty=uncertainty, limit="", verdict=None, **changes)
        for n, value in enumerate(watts)
    ]  # fmt: skip


def test_steps_of_the_same_power_share_a_line_the_highest_first_in_bold():
    rows = _powers(1.0, 30.0, 30.1, 30.0)
    assert [[each.value for each in group] for group in same_powers(rows)] == [[30.0, 30.1, 30.0], [1.0]]
    # 0.3 has one digit more (first three digits 300: Particle Data Group), so 0.30
    assert power_ranges(same_powers(rows)[0]) == {1: "30.00 to 30.10 ± 0.30 W"}
    (topic,) = topics(replace(cases.PLAIN, findings=tuple(rows)))
    assert [line.text for line in topic.lines][:3] == [
        "30.00 to 30.10 ± 0.30 W on channel 1", "Tests: step 1 / 2 / 3.", "Step 0: 1.00 ± 0.30 W on channel 1."
    ]  # fmt: skip
    assert [line.strong for line in topic.lines][:3] == [True, False, False]


@pytest.mark.parametrize(
    "rows",
    [
        _powers(30.0, 30.4),  # further apart than the uncertainty
        _powers(30.0, 30.1, uncertainty=None),
        _powers(30.0, 30.0, bound="at least"),
        [*_powers(30.0), cases.finding(quantity="level_w", step="x", value=30.0, limit="at least 20 W")],
        [*_powers(30.0), replace(_powers(30.0)[0], step="x", channel=2)],  # other channels
    ],
)
def test_powers_that_are_not_the_same_stand_apart(rows):
    assert len(same_powers(rows)) == 2


@pytest.mark.parametrize(
    ("verdicts", "sentence"),
    [
        (["pass", "pass", "pass"], "All 3 values with a limit kept it."),
        (["pass"], "The one value with a limit kept it."),
        (["pass", "fail", "fail"], "Of 3 values with a limit, 1 kept its limit, 2 did not keep their limit."),
        (["undecided", "pass"], "Of 2 values with a limit, 1 kept its limit, 1 is undecided."),
        (["fail"], "Of 1 value with a limit, 1 did not keep its limit."),
    ],
)
def test_the_verdict_counts_what_was_judged(verdicts, sentence):
    rows = tuple(cases.finding(channel=n, verdict=word) for n, word in enumerate(verdicts, start=1))
    assert verdict_lines(replace(cases.PLAIN, findings=rows))[0] == sentence


def test_each_failure_is_named_with_its_value_and_limit():
    lines = verdict_lines(replace(cases.PLAIN, findings=(cases.finding(channel=2, value=0.45, verdict="fail"),)))
    assert lines[1] == (
        "– Total harmonic distortion: 0.450 % on channel 2 (at 1 W); limit: at most 0.1 % (the workshop's limit)."
    )


def test_a_question_is_no_limit_in_the_words_of_a_verdict():
    row = cases.finding(
        quantity="as_expected", words="is all quiet?", step="Controls", channel=None, value=None, unit="",
        limit="expected: yes", answer="no", verdict="fail",
    )  # fmt: skip
    lines = verdict_lines(replace(cases.PLAIN, findings=(row,)))
    assert lines[1] == "– Is all quiet? no; expected: yes (the workshop's limit)."


def test_failures_of_one_limit_stand_together():
    rows = tuple(
        cases.finding(step=f"Distortion at {watts} W", channel=n, value=0.2 * n, verdict="fail")
        for watts in (1, 30)
        for n in (1, 2)
    )
    assert verdict_lines(replace(cases.PLAIN, findings=rows))[1:] == [
        "– Total harmonic distortion: 0.200 % on channel 1, 0.400 % on channel 2 (at 1 W / 30 W); limit: at most 0.1 % "
        "(the workshop's limit)."
    ]


def test_of_many_failures_the_number_is_said():
    many = verdict_lines(cases.CONTENTS["many rows"])[1]
    assert "0.0123 ± 0.0005 % on channel 1, 0.0123 ± 0.0005 % on channel 2 (in 15 steps, listed below)" in many
    rows = tuple(
        cases.finding(step=f"step {n}", value=0.2 + 0.1 * n, limit=limit, verdict="fail")
        for limit in ("at most 0.1 %", "at most 0.05 %")
        for n in range(5)
    )
    lines = verdict_lines(replace(cases.PLAIN, findings=rows), most=1)
    assert lines[1].startswith("– Total harmonic distortion: 0.200 % on channel 1 (step 0), and 4 more, listed below;")
    assert lines[2] == "– and 5 more that did not keep their limit; all are listed below."


def test_nothing_is_claimed_without_a_row(pages):
    text = printed(pages["nothing measured"])
    assert "Nothing was measured" in text
    assert not re.search(r"\bpass\b|\bfail\b|kept|[0-9] ?(W|%|dB|Hz)\b", text)
    assert "No verdict" in printed(pages["no limits"])
    assert not re.search(r"Limit|pass|fail", printed(pages["no limits"]))


def test_an_unfinished_visit_says_so(pages):
    text = printed(pages["all missing"])
    assert "not carried out to its end" in text
    assert "Response: broken off" in text


@pytest.mark.parametrize(
    "lines, rows",
    [
        ([{"check": "channels", "state": "as it should be", "text": "apart"}], []),
        ([{"reason": "checked by hand at noon"}], [("Bench check", "left out: checked by hand at noon.")]),
        (
            [
                {"check": "mains", "state": "note", "text": "hum"},
                {"check": "channels", "state": "found", "text": "swapped"},
            ],
            [("Bench check", "found before the first step: swapped.")],
        ),
    ],
)
def test_a_bench_check_is_named_where_it_was_left_out_or_found_something(lines, rows):
    assert list(_bench_check(lines)) == rows


def test_hostile_text_is_printed_as_it_is_written(pages):
    text = printed(pages["hostile"])
    assert "<b>$x^2$</b>" in text
    assert not re.search(r"[\x00-\x09\x0b-\x1f\u202e]", text)


# ---------------------------------------------------------------- files


@pytest.mark.poppler
def test_pdf_text_can_be_selected_fonts_are_embedded_and_paper_is_right(tmp_path, need):
    for paper, size in PAPERS_PT.items():
        file = tmp_path / f"{paper}.pdf"
        write_report(cases.PLAIN, file, paper=paper)
        assert file.stat().st_size < 1_000_000

        def run(program, file=file):
            return subprocess.run([need(program), file, "-"][: 3 if program == "pdftotext" else 2], capture_output=True,
                                  text=True, check=True).stdout  # fmt: skip

        text = run("pdftotext")
        for words in ("Demo amplifier A", "serial D-0001", "SIMULATED", "1.021 ± 0.020 W", "not a safety certificate"):
            assert words in text
        fonts = [
            re.search(r"(CID TrueType|TrueType)\s+\S+\s+(yes|no)", row) for row in run("pdffonts").splitlines()[2:]
        ]
        assert fonts
        assert all(font is not None and font.group(2) == "yes" for font in fonts)
        found = re.search(r"Page size:\s+([\d.]+) x ([\d.]+) pts", run("pdfinfo"))
        assert found is not None
        # A4 is 210 mm x 297 mm (ISO 216), letter 8.5 in x 11 in; pdfinfo rounds to a hundredth of a point
        assert [float(side) for side in found.groups()] == pytest.approx(size, abs=0.02)


@pytest.mark.wide
def test_the_same_visit_gives_the_same_bytes(tmp_path):
    files = [tmp_path / f"{n}.pdf" for n in (1, 2)]
    for file in files:
        write_report(cases.CONTENTS["real unit"], file)
    assert files[0].read_bytes() == files[1].read_bytes()


def test_png_holds_all_pages_below_each_other(tmp_path, pages):
    write_report(cases.CONTENTS["many rows"], tmp_path / "a.png")
    header = (tmp_path / "a.png").read_bytes()[16:24]
    width, height = int.from_bytes(header[:4], "big"), int.from_bytes(header[4:], "big")
    assert height / width == pytest.approx(len(pages["many rows"]) * 297 / 210, rel=0.002)  # whole pixels


def test_a_report_is_never_overwritten_and_its_suffix_is_checked(tmp_path):
    file = tmp_path / "a.pdf"
    file.write_text("mine")
    with pytest.raises(FileProblem, match="never overwritten"):
        write_report(cases.PLAIN, file)
    assert file.read_text() == "mine"
    with pytest.raises(FileProblem, match=r"\.pdf or \.png"):
        write_report(cases.PLAIN, tmp_path / "a.svg")


def test_unknown_paper_is_refused():
    with pytest.raises(RequestError, match="A4 or letter"):
        report_pages(cases.PLAIN, paper="foolscap")


def test_what_stands_below_a_page_has_true_signs_and_begins_as_a_sentence():
    content = replace(cases.PLAIN, conditions=(("Signal", "both driven."),), cautions=("gain moved by -78.3 dB",))
    assert conditions_told(content) == [("Signal", ["Both driven."]), ("Caution", ["Gain moved by −78.3 dB"])]


def test_the_pages_chart_says_its_limits_and_leaves_whose_they_are_to_the_rows():
    whole = {"x": [20, 20_000], "high": [0.5, 0.5]}
    band = LimitBand(label="outside “at most 0.5 dB”", source="the workshop's limit", where="at 1 kHz", **whole)
    mask = LimitBand(label="outside the mask “Line (old)”", **whole)
    content = replace(cases.PLAIN, chart=cases.response_view(bands=(band, mask), title="Frequency response"))
    printed = [text for page in report_pages(content) for text, _ in cases.drawn_texts(page)]
    assert band.words == "outside “at most 0.5 dB” (the workshop's limit) at 1 kHz"
    assert "outside “at most 0.5 dB” at 1 kHz" in printed
    assert "outside the mask “Line (old)”" in printed
