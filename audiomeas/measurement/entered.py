"""What a person entered at a step of a plan, as an ordinary result: a value read from a meter, or an answer.

So verdicts, tables, comparisons and exports need no second road. Nothing is played or captured: both words stand in no
list of measurements, and asking a bench for them is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.errors import RequestError
from audiomeas.measurement.base import Figure, Measurement
from audiomeas.measurement.figure_table import figures_table
from audiomeas.measurement.result import WHOLE_UNIT, ChannelResult, Result

if TYPE_CHECKING:
    from audiomeas.measurement.quantity import Typed
    from audiomeas.measurement.views import TableView

#: The words of such results, and the key of what was entered.
READING, INSTRUCTION = "reading", "instruction"
AS_EXPECTED = "as_expected"


def reading_result(what: str, unit: str, typed: Mapping[int, Typed], *, simulated: bool) -> Result:
    """Return typed values as a result. typed : channel (WHOLE_UNIT where it belongs to none) → what was typed."""
    return Result(
        measurement=READING,
        sample_rate_hz=0.0,
        conditions={"what": what, "unit": unit, "typed": {str(number): one.text for number, one in typed.items()}},
        channels=tuple(_channel(number, one) for number, one in typed.items()),
        simulated=simulated,
    )


def _channel(number: int, typed: Typed) -> ChannelResult:
    known = typed.parts is not None
    return ChannelResult(
        channel=number,
        values={READING: typed.value},
        uncertainty={READING: typed.uncertainty} if typed.uncertainty is not None else {},
        budget={READING: typed.parts} if known and typed.parts else {},
    )


def instruction_result(
    text: str, question: str, answer: str, *, expected: str, right: bool | None, simulated: bool
) -> Result:
    """Return what was answered as a result. expected : '' where no answer is wrong; then right is None."""
    return Result(
        measurement=INSTRUCTION,
        sample_rate_hz=0.0,
        conditions={"instruction": text, "question": question, "expected": expected},
        channels=(
            ChannelResult(
                channel=WHOLE_UNIT,
                values={"answer": answer, AS_EXPECTED: None if right is None else float(right)},
                uncertainty={AS_EXPECTED: 0.0},
            ),
        ),
        simulated=simulated,
    )


def _never(_: Any, __: Any) -> Any:
    raise RequestError("this is entered by a person at a step of a plan: nothing is played or captured for it")


def _no_charts(_: Result) -> tuple[()]:
    return ()


def _reading_figures(result: Result) -> tuple[Figure, ...]:
    return (Figure(key=READING, unit=result.conditions["unit"], words=result.conditions["what"]),)


def _reading_tables(result: Result) -> tuple[TableView, ...]:
    figures = [(one.key, one.words, one.unit) for one in _reading_figures(result)]
    return (figures_table(result, figures, title="Read by a person", always=(READING,)),)


def _instruction_tables(result: Result) -> tuple[TableView, ...]:
    from audiomeas.measurement.views import Column, TableView

    asked = result.conditions["question"] or result.conditions["instruction"]
    rows = tuple((asked, str(channel.values["answer"])) for channel in result.channels)
    return (TableView(title="Answered by a person", columns=(Column(heading="asked"), Column(heading="answer")),
                      leading=2, rows=rows),)  # fmt: skip


def _word(
    word: str,
    summary: str,
    tables: Callable[[Result], tuple[TableView, ...]],
    figures_of: Callable[[Result], tuple[Figure, ...]],
) -> Measurement:
    return Measurement(
        word=word,
        summary=summary,
        example="",
        options=(),
        figures=(),
        stimulus=_never,
        analyse=_never,
        tables=tables,
        charts=_no_charts,
        check=_never,
        figures_of=figures_of,
    )


READINGS = _word(READING, "A value that a person read from a meter", _reading_tables, _reading_figures)
INSTRUCTIONS = _word(INSTRUCTION, "What a person did or answered", _instruction_tables, lambda _: ())
