"""The customer's report: nothing cut or covered at any extreme, no claim without a row, text that can be selected."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace

import present_cases as cases
import pytest

from audiomeas.errors import FileProblem, RequestError
from audiomeas.present.report import report_pages, write_report
from audiomeas.present.sentences import amount, limit_line, topics, value_line, verdict_lines
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


@pytest.mark.parametrize("name", ["plain", "all failed", "all undecided", "no limits", "all missing"])
def test_a_usual_report_is_one_page(pages, name):
    assert len(pages[name]) == 1


@pytest.mark.parametrize("name", cases.CONTENTS)
def test_every_row_is_printed(pages, name):
    text = re.sub(r"\s+", "", printed(pages[name]))
    for finding in cases.CONTENTS[name].findings:
        channel = "" if finding.channel is None else f" on channel {finding.channel}"
        assert re.sub(r"\s+", "", f"{amount(finding)}{channel}") in text
        assert re.sub(r"\s+", "", finding.step) in text
    for topic in topics(cases.CONTENTS[name]):
        for sentence in topic.lines:
            # A sentence may go on below a page's end, behind the foot and the next head: so its beginning counts.
            assert re.sub(r"\s+", "", sentence.text)[:40] in text
    for _, sentence in cases.CONTENTS[name].conditions:
        assert re.sub(r"\s+", "", sentence) in text


def test_many_rows_go_on_with_the_heading_repeated(pages):
    assert len(pages["many rows"]) > 1
    for figure in pages["many rows"][1:]:
        assert "What was found, continued" in printed([figure])
    # The chart stays on the first page, where the customer looks.
    assert [len(figure.axes) for figure in pages["many rows"]] == [1] + [0] * (len(pages["many rows"]) - 1)


# ---------------------------------------------------------------- words


def test_values_stand_together_and_limits_end_with_their_verdict():
    both = [cases.finding(), cases.finding(channel=2, value=0.2, verdict="fail", reason="outside")]
    assert value_line(both) == (
        "Total harmonic distortion: 0.0123 ± 0.0005 % on channel 1, 0.2000 ± 0.0005 % on channel 2."
    )
    assert limit_line(both) == "Limit at most 0.1 % (the workshop's limit): pass on channel 1, fail on channel 2."
    assert (
        limit_line([cases.finding(), cases.finding(channel=2)]) == "Limit at most 0.1 % (the workshop's limit): pass."
    )
    assert limit_line([cases.finding(limit="", verdict=None)]) == ""


def test_each_limit_on_a_value_has_its_own_verdict():
    rows = [cases.finding(value=0.2, verdict="fail"), cases.finding(value=0.2, limit="at most 1 %", source="era")]
    assert limit_line(rows) == (
        "Limits at most 0.1 % (the workshop's limit): fail; at most 1 % (minimum for its time): pass."
    )
    assert value_line(rows).count("0.2000") == 1


def test_what_is_missing_or_undecided_says_why():
    unknown = cases.finding(value=None, verdict="undecided", reason="missing: not measured")
    assert value_line([unknown]) == "Total harmonic distortion: not known on channel 1."
    assert limit_line([unknown]) == ("Limit at most 0.1 % (the workshop's limit): undecided (missing: not measured).")
    close = cases.finding(channel=2, verdict="undecided", reason="the limit lies inside")
    assert limit_line([cases.finding(), close]).endswith(
        ": pass on channel 1, undecided on channel 2 (the limit lies inside)."
    )


def test_a_difference_between_channels_names_no_channel():
    assert value_line([cases.finding(channel=None)]) == "Total harmonic distortion: 0.0123 ± 0.0005 %."


def test_a_bound_is_never_said_as_a_value():
    assert amount(cases.finding(bound="at most", value=0.0021, uncertainty=None)) == "at most 0.0021 %"


def test_what_a_number_means_is_said_once():
    steps = tuple(cases.finding(step=f"step {n}") for n in range(3))
    small = [line.text for topic in topics(replace(cases.PLAIN, findings=steps)) for line in topic.lines if line.small]
    assert len(small) == 1
    assert "Overtones" in small[0]


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
        "– total harmonic distortion on channel 2 (Distortion at 1 W): 0.4500 ± 0.0005 %; limit: at most 0.1 %."
    )


def test_the_highest_power_is_told_first_where_steps_differ():
    bare = cases.finding(quantity="level_w", unit="W", uncertainty=None, limit="", verdict=None)
    rows = tuple(
        replace(bare, step=f"at {watts} W", value=watts * part, channel=channel)
        for watts in (1.0, 30.0, 2.0)
        for channel, part in ((1, 1.0), (2, 0.9))
    )
    assert verdict_lines(replace(cases.PLAIN, findings=rows))[-1] == (
        "Highest power in these tests: 30 W on channel 1, 27 W on channel 2 (at 30.0 W)."
    )
    assert not any("Highest" in line for line in verdict_lines(cases.PLAIN))


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
