"""Steps that a person does: readings, instructions, what comes before the first sound; and limits on a change."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from plan_fakes import GOOD, FakeSession, result_of, use_fakes

import audiomeas
from audiomeas.errors import CaptureError, FileProblem, Interrupted, RequestError, TomlProblem
from audiomeas.measurement import registry
from audiomeas.measurement.result import result_from_json
from audiomeas.plan.answers import Answers, read_answers
from audiomeas.plan.file import read_plan
from audiomeas.plan.run import RunOutcome, run_on
from audiomeas.plan.steps import Instruction, Question
from audiomeas.record.unit import parse_unit

UNIT = parse_unit("Demo amplifier A, serial D-0001")
HEAD = """\
title = "Power amplifier, short"
kind = "power amplifier"
"""
MEASURED = """
[[step]]
name = "Distortion at 1 W"
measure = "distortion"
output_level = "1 W"

  [[step.limit]]
  quantity = "thd_percent"
  at_most = 0.1
  source = "house"
"""
READING = """
[[step]]
name = "DC offset"
reading = "DC voltage at the loudspeaker terminals"
unit = "mV"
lowest = "-2 V"
highest = "2 V"
channels = "both"
target = "0 mV"
tolerance = "20 mV"
source = "maker"
meter = "0.5 % + 2 digits"

  [[step.limit]]
  quantity = "reading"
  difference_at_most = "10 mV"
  source = "house"
"""
QUESTION = """
[[step]]
name = "Relay"
instruction = "Switch the unit off and on again"
question = "Does the relay click within ten seconds?"
expected = "yes"
source = "house"
"""
CHECKED = """\
outputs = "common"
wiring = "Loads of 8 Ω to both outputs"
checklist = [
    "Tone controls at their centre",
    { reading = "Mains voltage", unit = "V", lowest = "85 V", highest = "264 V", meter = "1 % + 2 digits" },
]
"""
ALL_WELL = {
    "Minus terminal to chassis, channel 1": "0.2 ohm",
    "Minus terminal to chassis, channel 2": "0",
    "Wiring": "y",
    "Tone controls at their centre": True,
    "Mains voltage": "231 V",
}


class RealBench(FakeSession):
    """A bench that is no simulated one: there what must be confirmed must be."""

    def __init__(self, outcomes: Any = None) -> None:
        super().__init__(outcomes)
        self.simulated = False


@pytest.fixture(autouse=True)
def _fakes(monkeypatch: pytest.MonkeyPatch) -> None:
    entered = {word: registry.find(word) for word in ("reading", "instruction")}
    use_fakes(monkeypatch)
    find = registry.find
    monkeypatch.setattr(registry, "find", lambda word: entered.get(word) or find(word))


def _plan(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _run(
    folder: Path,
    text: str,
    answers: Answers | None = None,
    *,
    session: FakeSession | None = None,
    stage: str = "as-found",
    new_stay: bool = False,
    said: list[str] | None = None,
) -> RunOutcome:
    return run_on(
        session or FakeSession(),
        read_plan(_plan(folder, text)),
        unit=UNIT,
        records=folder / "records",
        stage=stage,
        new_stay=new_stay,
        answers=answers,
        say=(said if said is not None else []).append,
    )


def _rows(outcome: RunOutcome) -> list[tuple[str, int | None, str]]:
    return [(row.step, row.channel, row.verdict) for row in outcome.verdicts]


# ---------------------------------------------------------------- readings


def test_a_reading_is_a_result_like_any_other(tmp_path: Path) -> None:
    answers = {"DC offset, channel 1": "12.5 mV", "DC offset, channel 2": "-0.031 V"}
    outcome = _run(tmp_path, HEAD + READING, answers)
    assert _rows(outcome) == [("DC offset", 1, "pass"), ("DC offset", 2, "fail"), ("DC offset", None, "fail")]
    (step,) = outcome.visit.steps
    assert (step.measurement, step.status) == ("reading", "finished")
    assert step.result is not None
    assert [channel.values["reading"] for channel in step.result.channels] == [12.5, -31.0]
    assert step.result.conditions["typed"] == {"1": "12.5 mV", "2": "-0.031 V"}
    assert outcome.verdicts[2].value == pytest.approx(43.5)  # 12.5 and −31 mV
    assert result_from_json(step.result.as_json()) == step.result
    assert outcome.exit_status == 1


def test_a_value_near_its_limit_is_undecided_by_the_meters_accuracy(tmp_path: Path) -> None:
    # 19.9 mV ± (0.5 % + 2 digits of 0.1 mV): the limit of 20 mV lies within.
    answers = {"DC offset, channel 1": "19.9 mV", "DC offset, channel 2": "19.0 mV"}
    outcome = _run(tmp_path, HEAD + READING, answers)
    assert [row.verdict for row in outcome.verdicts] == ["undecided", "pass", "pass"]


def test_without_an_accuracy_no_limit_is_decided(tmp_path: Path) -> None:
    text = HEAD + READING.replace('meter = "0.5 % + 2 digits"\n', "")
    answers = {"DC offset, channel 1": "1 mV", "DC offset, channel 2": "1 ± 0.5 mV"}
    one, other, _ = _run(tmp_path, text, answers).verdicts
    assert (one.verdict, one.reason) == ("undecided", "its uncertainty is not known")
    assert other.verdict == "pass"


def test_what_is_not_entered_is_undecided_and_never_a_pass(tmp_path: Path) -> None:
    outcome = _run(tmp_path, HEAD + READING + QUESTION + MEASURED, {"DC offset, channel 1": "1 mV"})
    reasons = {(row.step, row.channel): (row.verdict, row.reason) for row in outcome.verdicts}
    assert reasons["DC offset", 1][0] == "pass"
    assert reasons["DC offset", 2] == ("undecided", "missing: channel 2 was not entered")
    assert reasons["Relay", None] == ("undecided", "missing: not entered")
    assert (outcome.verdict, outcome.exit_status) == ("undecided", 1)
    assert not outcome.visit.complete
    # A step without any limit that nobody answered leaves the visit undecided as well.
    free = QUESTION.replace('expected = "yes"\nsource = "house"\n', "")
    assert _run(tmp_path, HEAD + free + MEASURED, stage="return").verdict == "undecided"


def test_a_visit_of_readings_alone_makes_no_sound(tmp_path: Path) -> None:
    class Deaf(FakeSession):
        def first_look(self, **_: Any) -> Any:
            raise AssertionError("nothing here needs a sound")

    _run(tmp_path, HEAD + READING + QUESTION, {"Relay": "yes"}, session=Deaf())


def test_answers_come_before_the_first_sound_where_they_stand_before_it(tmp_path: Path) -> None:
    order: list[str] = []

    class Heard(FakeSession):
        def first_look(self, **asked: Any) -> Any:
            order.append("first look")
            return super().first_look(**asked)

    def answer(question: Question) -> str | None:
        order.append(question.key)
        return ALL_WELL.get(question.key, "yes")  # type: ignore[return-value]

    _run(tmp_path, HEAD + CHECKED + MEASURED + QUESTION, answer, session=Heard())
    assert order == [*ALL_WELL, "first look", "Relay"]


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (
            {"DC ofset, channel 1": "1 mV"},
            r"no question 'DC ofset, channel 1' \(did you mean 'DC offset, channel 1'\?\)",
        ),
        ({"DC offset, channel 1": "3 V"}, "above 2000 mV, the highest plausible"),
        ({"DC offset, channel 1": "-2.1 V"}, "below −2000 mV, the lowest plausible"),
        ({"DC offset, channel 1": "12"}, "has no unit"),
        ({"DC offset, channel 1": 12}, "has no unit"),
        ({"Relay": "perhaps"}, "'perhaps' is not one of yes, no"),
    ],
)
def test_a_wrong_answer_is_refused_before_anything_is_done(tmp_path: Path, answers: dict[str, Any], said: str) -> None:
    import audiomeas

    plan = _plan(tmp_path, HEAD + READING + QUESTION)
    with pytest.raises(RequestError, match=said):
        audiomeas.run(plan, unit=UNIT, records=tmp_path / "records", answers=answers)
    assert not (tmp_path / "records").exists()


def test_a_wrong_answer_in_a_file_is_named_with_its_line(tmp_path: Path) -> None:
    import audiomeas

    plan = _plan(tmp_path, HEAD + READING + QUESTION)
    file = tmp_path / "answers.toml"
    file.write_text('# of today\n"Relay" = true\n"DC offset, channel 2" = "12.5 V"\n', encoding="utf-8")
    with pytest.raises(TomlProblem, match=r"answers\.toml, line 3: DC offset, channel 2: 12\.5 V lies above"):
        audiomeas.run(plan, unit=UNIT, records=tmp_path / "records", answers=file)
    file.write_text('"Relay" = [1]\n', encoding="utf-8")
    with pytest.raises(TomlProblem, match="line 1: Relay: an answer is a text"):
        read_answers(file)
    with pytest.raises(FileProblem, match=r"none\.toml"):
        read_answers(tmp_path / "none.toml")


def test_an_answer_asked_for_that_is_none_fails_its_step_alone(tmp_path: Path) -> None:
    outcome = _run(tmp_path, HEAD + READING + MEASURED, lambda question: "a lot")
    reading, measured = outcome.visit.steps
    assert (reading.status, measured.status) == ("failed", "finished")
    assert "'a lot' is not a number with a unit" in reading.reason
    assert outcome.exit_status == 2


# ---------------------------------------------------------------- instructions


@pytest.mark.parametrize(("answer", "verdict", "status"), [("yes", "pass", 0), ("NO", "fail", 1)])
def test_a_wrong_answer_is_a_failed_row(tmp_path: Path, answer: str, verdict: str, status: int) -> None:
    said: list[str] = []
    outcome = _run(tmp_path, HEAD + QUESTION, {"Relay": answer}, said=said)
    (row,) = outcome.verdicts
    assert (row.verdict, row.answer, row.expected) == (verdict, answer.lower(), "yes")
    assert row.limit_text() == "expected: yes"
    assert outcome.exit_status == status
    assert "Switch the unit off and on again" in said


def test_an_answer_that_nothing_is_expected_of_is_kept(tmp_path: Path) -> None:
    text = HEAD + QUESTION.replace('expected = "yes"\nsource = "house"\n', "") + MEASURED
    outcome = _run(tmp_path, text, {"Relay": "a soft click, at once"})
    assert outcome.verdict == "pass"
    result = outcome.visit.step("Relay").result
    assert result is not None and result.channels[0].values["answer"] == "a soft click, at once"
    assert result.as_json()["channels"][0]["channel"] is None  # it belongs to the whole unit


@pytest.mark.parametrize("wrong", ["no", "open"])
def test_nothing_sounds_behind_what_must_be_so_and_is_not(tmp_path: Path, wrong: str) -> None:
    key = {"no": "Wiring", "open": "Minus terminal to chassis, channel 2"}[wrong]
    session = FakeSession()
    outcome = _run(tmp_path, HEAD + CHECKED + MEASURED, {**ALL_WELL, key: wrong}, session=session)
    assert session.asked == []
    assert outcome.visit.first_look is None
    assert outcome.verdict == "fail"
    assert outcome.visit.step("Distortion at 1 W").reason == f"the run ended at {key}: it must pass first"


def test_a_run_taken_up_again_sounds_no_sooner(tmp_path: Path) -> None:
    plan = read_plan(_plan(tmp_path, HEAD + CHECKED + MEASURED))
    session = FakeSession()

    def cut_off(line: str) -> None:
        if line.startswith("step 5 of 6"):
            raise Interrupted("SIGINT")

    with pytest.raises(Interrupted):
        run_on(session, plan, unit=UNIT, records=tmp_path / "r", answers={**ALL_WELL, "Wiring": "no"}, say=cut_off)
    (folder,) = (path.parent for path in (tmp_path / "r").glob("*/*/visit.json"))
    outcome = run_on(session, plan, unit=UNIT, records=tmp_path / "r", answers=ALL_WELL, resume=folder)
    assert (outcome.verdict, session.asked) == ("fail", [])
    assert "Wiring" in outcome.visit.step("Distortion at 1 W").reason


def test_why_an_offset_holds_the_sound_back_is_said(tmp_path: Path) -> None:
    text = HEAD + READING.replace('meter = "0.5 % + 2 digits"', "must_pass = true") + MEASURED
    answers = {"DC offset, channel 1": "1 mV", "DC offset, channel 2": "1 mV"}
    outcome = _run(tmp_path, text, answers, session=RealBench())
    why = "the run ended at DC offset: it must pass first, and is undecided: its uncertainty is not known"
    assert outcome.visit.step("Distortion at 1 W").reason == why


def test_an_answer_that_is_none_confirms_nothing(tmp_path: Path) -> None:
    session = RealBench()
    outcome = _run(tmp_path, HEAD + CHECKED + MEASURED, lambda question: "hm", session=session)
    assert session.asked == []
    assert outcome.visit.step("Wiring").status == "not run"  # behind ohms that were no ohms nothing more is asked


def test_wiring_that_nobody_confirmed_sounds_on_the_simulated_bench_alone(tmp_path: Path) -> None:
    simulated, real = FakeSession(), RealBench()
    text = HEAD + CHECKED + MEASURED
    one = _run(tmp_path, text, session=simulated)
    other = _run(tmp_path, text, session=real, stage="as-left")
    assert one.verdict == other.verdict == "undecided"
    assert (len(simulated.asked), len(real.asked)) == (1, 0)
    whole = _run(tmp_path, text, ALL_WELL, session=real, stage="return")
    assert (whole.verdict, len(real.asked)) == ("pass", 1)


@pytest.mark.parametrize(
    ("outputs", "reading", "verdict"),
    [
        ("common", "0.99 ohm", "pass"),
        ("common", "1 ohm", "fail"),
        ("common", "open", "fail"),
        ("bridged", "open", "pass"),
        ("bridged", "0.5", "fail"),
    ],
)
def test_a_reading_decides_whether_the_wiring_fits_the_outputs(
    tmp_path: Path, outputs: str, reading: str, verdict: str
) -> None:
    # Common practice: below 1 Ω from minus to chassis, leads included, the minus is the chassis.
    answers = {f"Minus terminal to chassis, channel {channel}": reading for channel in (1, 2)}
    outcome = _run(tmp_path, HEAD + f'outputs = "{outputs}"\n' + MEASURED, answers)
    assert outcome.verdicts[0].verdict == verdict


# ---------------------------------------------------------------- change since an earlier visit

CHANGE = (
    MEASURED
    + """
  [[step.limit]]
  quantity = "gain_db"
  change_at_most = 0.2
  since = "as-found"
  source = "house"
"""
)


#: 95 % of the sum of two equal rectangular errors, each of which holds 95 % within 0.05 dB: its distribution is a
#: triangle of twice their limit, beyond t of which lie (1 − t)² (closed form).
_OF_TWO_DB = 2.0 * 0.05 / 0.95 * (1.0 - 0.05**0.5)


def _gain(gain_db: float, half: float = 0.05) -> FakeSession:
    return FakeSession({"distortion": result_of("distortion", thd_percent=(0.02, 0.001), gain_db=(gain_db, half))})


@pytest.mark.parametrize(
    ("now_db", "verdict"),
    # Two half-widths of 0.05 dB, of errors whose shape is not known (`_OF_TWO_DB`): the change passes up to 0.118 dB
    # and fails from 0.282 dB on.
    [(26.0, "pass"), (26.11, "pass"), (25.89, "pass"), (26.14, "undecided"), (26.26, "undecided"), (25.71, "fail")],
)
def test_a_change_is_held_against_the_earlier_visit(tmp_path: Path, now_db: float, verdict: str) -> None:
    _run(tmp_path, HEAD + CHANGE, session=_gain(26.0))
    outcome = _run(tmp_path, HEAD + CHANGE, session=_gain(now_db), stage="as-left")
    rows = [row for row in outcome.verdicts if row.since]
    assert [row.verdict for row in rows] == [verdict, verdict]
    assert rows[0].value == pytest.approx(now_db - 26.0)
    assert rows[0].uncertainty == pytest.approx(_OF_TWO_DB, rel=1e-4)  # as fine as its numerical integral is stated
    assert rows[0].limit_text() == "changed by at most 0.2 dB since as-found"


def test_a_later_visit_without_this_step_is_passed_over(tmp_path: Path) -> None:
    """As a first power-up after a repair, or a shorter plan, of the same stage."""
    _run(tmp_path, HEAD + CHANGE, session=_gain(26.0))
    _run(tmp_path, HEAD + CHANGE.replace('name = "', 'name = "Other '), session=_gain(20.0))
    outcome = _run(tmp_path, HEAD + CHANGE, session=_gain(26.0), stage="as-left")
    assert [row.verdict for row in outcome.verdicts if row.since] == ["pass", "pass"]


def test_at_the_stage_itself_there_is_nothing_to_compare(tmp_path: Path) -> None:
    outcome = _run(tmp_path, HEAD + CHANGE, session=_gain(26.0))
    assert [row.since for row in outcome.verdicts] == ["", ""]
    assert outcome.verdict == "pass"


def test_without_an_earlier_visit_a_change_is_undecided(tmp_path: Path) -> None:
    outcome = _run(tmp_path, HEAD + CHANGE, session=_gain(26.0), stage="as-left")
    reasons = {row.reason for row in outcome.verdicts if row.since}
    assert reasons == {"missing: no as-found visit of this unit with unchanged files was found"}
    assert outcome.verdict == "undecided"


def test_what_was_found_before_the_unit_was_sold_says_nothing_now(tmp_path: Path) -> None:
    _run(tmp_path, HEAD + CHANGE, session=_gain(26.0))
    outcome = _run(tmp_path, HEAD + CHANGE, session=_gain(26.0), stage="as-left", new_stay=True)
    assert {row.reason for row in outcome.verdicts if row.since} == {
        "missing: no as-found visit of this unit with unchanged files was found"
    }


def test_a_value_that_was_corrected_is_not_compared(tmp_path: Path) -> None:
    before = _run(tmp_path, HEAD + CHANGE, session=_gain(26.0)).visit
    book = audiomeas.logbook(UNIT, records=tmp_path / "records")
    correction = {"step": before.steps[0].name, "quantity": "gain_db", "to": "20 dB", "reason": "wrong range"}
    book.correct(before.path, channel=2, **correction)
    outcome = _run(tmp_path, HEAD + CHANGE, session=_gain(26.0), stage="as-left")
    first, second = (row for row in outcome.verdicts if row.since)
    assert (first.verdict, second.verdict) == ("pass", "undecided")
    assert "was corrected at this step" in second.reason


def test_other_conditions_are_not_compared(tmp_path: Path) -> None:
    _run(tmp_path, HEAD + CHANGE, session=_gain(26.0))
    louder = HEAD + CHANGE.replace('"1 W"', '"2 W"')
    outcome = _run(tmp_path, louder, session=_gain(26.0), stage="as-left")
    reasons = {row.reason for row in outcome.verdicts if row.since}
    assert len(reasons) == 1 and "output_level was 1 W, and is 2 W" in reasons.pop()


def test_a_step_that_failed_then_is_not_compared(tmp_path: Path) -> None:
    _run(tmp_path, HEAD + CHANGE, session=FakeSession({"distortion": CaptureError("over-range")}))
    outcome = _run(tmp_path, HEAD + CHANGE, session=_gain(26.0), stage="as-left")
    assert all("has no result of this step" in row.reason for row in outcome.verdicts if row.since)


def test_a_damaged_visit_is_no_witness(tmp_path: Path) -> None:
    before = _run(tmp_path, HEAD + CHANGE, session=_gain(26.0))
    result = before.visit.steps[0].folder / "result.json"
    result.write_text(result.read_text(encoding="utf-8").replace("26.0", "26.1"), encoding="utf-8")
    outcome = _run(tmp_path, HEAD + CHANGE, session=_gain(26.0), stage="as-left")
    assert all("with unchanged files" in row.reason for row in outcome.verdicts if row.since)


# ---------------------------------------------------------------- what a plan may not say


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (READING.replace('unit = "mV"', 'unit = "mVolt"'), "step[1].unit: unknown unit 'mVolt'"),
        (READING.replace('lowest = "-2 V"', "lowest = -2"), "line 8: step[1].lowest: '-2' has no unit: write '-2 mV'"),
        (READING.replace('"10 mV"', "10"), "difference_at_most: '10' has no unit"),
        (READING.replace('"10 mV"', '"10 A"'), "is in A, where mV is asked for"),
        (READING.replace('"10 mV"', '"-10 mV"'), "must be at least 0"),
        (READING.replace('target = "0 mV"\n', ""), "target and tolerance stand together"),
        (READING.replace('tolerance = "20 mV"', 'tolerance = "0 mV"'), "must be above zero"),
        (READING.replace('highest = "2 V"', 'highest = "-3 V"'), "must lie below highest"),
        (READING.replace('highest = "2 V"\n', ""), "the key 'highest' is missing"),
        (READING.replace("tolerance =", "tolerence ="), "target and tolerance stand together"),
        (READING.replace('channels = "both"', "channels = 1"), "compares channels"),
        (READING.replace('meter = "0.5 % + 2 digits"', 'meter = "good"'), "meter accuracy 'good' was not understood"),
        (READING + "measure = 1\n", "step[1].limit[1].measure: unknown key"),
        (READING.replace("unit =", 'measure = "distortion"\nunit ='), "a step is one thing: give measure or reading"),
        (MEASURED.replace('measure = "distortion"', 'measure = "reading"'), 'write reading = "…" in place of this key'),
        (MEASURED.replace("measure =", "mesure ="), "(there is 'mesure')"),
        (MEASURED.replace("measure = ", "do = "), "a step needs one of measure, reading, instruction"),
        (MEASURED.replace("thd_percent", "thd"), "'thd' has no unit: write thd_percent"),
        (CHANGE.replace('since = "as-found"\n', ""), "stand together: give both"),
        (CHANGE.replace('"as-found"', '"as-fond"'), "(did you mean 'as-found'?)"),
        (CHANGE.replace("change_at_most = 0.2", "change_at_most = 0.2\nat_most = 1"), "stands alone"),
        (QUESTION.replace('source = "house"\n', ""), "the key 'source' is missing"),
        (QUESTION.replace('question = "Does the relay click within ten seconds?"\n', ""), "need a question"),
        (QUESTION + 'answers = ["soft", "loud"]\n', "'yes' is not one of the answers soft, loud"),
        (QUESTION + 'answers = ["soft"]\n', "two answers or more"),
        (QUESTION.replace('expected = "yes"\nsource = "house"', "must_pass = true"), "needs an expected answer"),
        ('checklist = ["a", 3]\n' + MEASURED, "line 3: checklist: must be a list"),
        ('checklist = [" "]\n' + MEASURED, "checklist: line 1: a step needs a name"),
        ('checklist = [{ reading = "Mains", unti = "V" }]\n' + MEASURED, "checklist[1]: the key 'unit' is missing"),
        ('checklist = ["DC offset"]\n' + READING, "two steps are named 'DC offset'"),
        ('outputs = "bridge"\n' + MEASURED, "(did you mean 'bridged'?)"),
        ("wiring = 3\n" + MEASURED, "wiring: must be a text"),
    ],
)
def test_what_is_wrong_is_named_with_file_and_key(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(TomlProblem) as caught:
        read_plan(_plan(tmp_path, HEAD + text))
    assert said in str(caught.value)
    assert "plan.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_page_tells_answers_under_one_heading(tmp_path: Path) -> None:
    from audiomeas.present.content import content_of
    from audiomeas.present.sentences import topics

    free = QUESTION.replace('expected = "yes"\nsource = "house"\n', "").replace("Relay", "Sound")
    outcome = _run(tmp_path, HEAD + CHECKED + QUESTION + free, {**ALL_WELL, "Relay": "no", "Sound": "a click"})
    topic = topics(content_of(outcome.visit))[-1]
    assert topic.words == "Checked by hand"
    assert [sentence.text for sentence in topic.lines] == [
        "Does the relay click within ten seconds? no. Expected: yes (the workshop's limit): fail.",
        "As expected: Minus terminal to chassis, channel 1; Minus terminal to chassis, channel 2; the wiring of this "
        "plan; Tone controls at their centre.",
        "Does the relay click within ten seconds? a click.",
    ]


def test_a_reading_is_told_with_its_own_words_and_unit() -> None:
    from audiomeas.measurement.entered import reading_result
    from audiomeas.measurement.quantity import parse_typed

    result = reading_result("Mains voltage", "V", {0: parse_typed("231 V", "V")}, simulated=False)
    (table,) = registry.find("reading").tables(result)
    assert table.rows[0][:3] == ("Mains voltage", "V", 231.0)
    with pytest.raises(RequestError, match="entered by a person"):
        registry.find("reading").analyse(GOOD["distortion"], {})  # type: ignore[arg-type]


@pytest.mark.parametrize("answer", ["a\nb", "a\x7fb", "a\u2028b", "a\u202eb", "\x1b[2J"])
def test_an_answer_that_would_not_be_printed_as_it_is_is_refused(answer: str) -> None:
    with pytest.raises(RequestError, match="the answer holds a control character"):
        Instruction(name="Sound", text="Listen", question="What is heard?").read(answer)
