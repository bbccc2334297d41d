"""The calls behind `audiomeas chart` and `audiomeas report`: what to draw, from where, into which file."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.errors import AudiomeasError, FileProblem, RequestError
from audiomeas.files import AUDIO, read_json
from audiomeas.measurement import registry
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.present.limits import charts_of
from audiomeas.present.saving import CHART_SUFFIXES, REPORT_SUFFIXES, WEB_SUFFIX, check_suffix
from audiomeas.record.soak_so_far import steps_so_far
from audiomeas.record.visit import refuse_inside_a_record
from audiomeas.tomlfile import nearest

if TYPE_CHECKING:
    from audiomeas.measurement.views import ChartView
    from audiomeas.present.annex import Annex
    from audiomeas.present.content import ReportContent
    from audiomeas.record.visit import StepRecord, Visit

Say = Callable[[str], None]

#: Drawn when nothing is asked for: what a customer understands first.
_USUAL_CHART = "response"
_LONGEST_NAME = 70


def _quiet(_: str) -> None:
    """Say nothing."""


def chart(
    source: Result | str | Path,
    file: str | Path,
    *,
    measurement: str | None = None,
    name: str | None = None,
    say: Say = _quiet,
) -> Path:
    """Draw one chart into a PNG, SVG or PDF file; return its path.

    source : a result, the JSON file of one, or the folder of a visit.
    measurement : of a visit, only charts of this measurement.   name : of a chart, or of a visit's step (its first
    chart). Without a name: the response, or else the first chart.
    say : is told of a visit that was not closed, and of letters that no font has.
    Raises RequestError (no such chart; the valid names are listed) and FileProblem (source missing, damaged, foreign or
    changed since it was closed; name of the file without .png, .svg or .pdf; exists already).
    """
    from audiomeas.present.charts import chart_figure
    from audiomeas.present.saving import save_pages

    target = Path(file)
    check_suffix(target, CHART_SUFFIXES)
    refuse_inside_a_record(target)
    with _whole(source):
        view = _chosen(_views(source, measurement, say), name)
        page = chart_figure(view)
    _tell_missing_letters(view, say)
    save_pages([page], target, title=view.title)
    return target


def show(
    source: Result | str | Path, *, measurement: str | None = None, name: str | None = None, say: Say = _quiet
) -> None:
    """Show one chart on the screen, until its window is closed; the rest as in `chart`.

    say : is told too where no window can be had: then the system's viewer shows the picture, or there is no screen.
    Raises RequestError and FileProblem as `chart` does.
    """
    from audiomeas.present.showing import show_chart

    with _whole(source):
        view = _chosen(_views(source, measurement, say), name)
    _tell_missing_letters(view, say)
    if words := show_chart(view):
        say(words)


def overlay(
    visits: Sequence[str | Path],
    file: str | Path,
    *,
    measurement: str | None = None,
    name: str | None = None,
    say: Say = _quiet,
) -> Path:
    """Draw one chart of several visits, their curves over each other, into a PNG, SVG or PDF file; return its path.

    visits : folders, at least two; they need not be of one unit. The rest as in `chart`: one is chosen among those
    that all of them have, of the same step. Where there are more curves than can be told apart, only those of visits
    that stand out have a name. Raises as `chart` does.
    """
    from audiomeas.present.charts import chart_figure
    from audiomeas.present.overlay import laid_over
    from audiomeas.present.saving import save_pages
    from audiomeas.present.style import TOLD_APART

    target = Path(file)
    check_suffix(target, CHART_SUFFIXES)
    refuse_inside_a_record(target)
    if len(visits) < 2:
        raise RequestError("give at least two visits to draw over each other")
    with _no_search_for_cycles():
        step, read, views = _shared_chart([Path(visit) for visit in visits], measurement, name)
        for visit in read:
            _tell_unfinished(visit, say)
        named = _standing_out(read, step) if sum(len(each.series) for each in views) > TOLD_APART else None
        view = laid_over(views, _told_apart(read), title=f"{step}: {_whose(read)}", named=named)
        _tell_missing_letters(view, say)
        save_pages([chart_figure(view)], target, title=view.title)
    return target


@contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Let Python search no values that point at each other: records have none, and in hundreds it takes a tenth."""
    searched = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if searched:
            gc.enable()


def _shared_chart(
    paths: Sequence[Path], measurement: str | None, name: str | None
) -> tuple[str, list[Visit], list[ChartView]]:
    """Return the step that is drawn, the visits with that step alone, and the chart of each. Raises as `overlay` does.

    Of the visits beside the first only one step is read: an archive holds hundreds.
    """
    leading = _read(paths[0], hash_audio=False)
    first = {(step, view.name): view for step, view in _views_of_visit(leading, measurement, _quiet)}
    of_step = cache(lambda step: [_read(path, hash_audio=False, of_step=step) for path in paths])
    while first:
        chosen = _chosen([(step, view) for (step, _), view in first.items()], name)
        key = next(each for each, view in first.items() if view is chosen)
        visits = of_step(key[0])
        views = [view for visit in visits for view in _of_step(visit, *key)]
        if len(views) == len(visits):
            return key[0], visits, views
        del first[key]
    raise RequestError("these visits have no chart of one step in common: they can't be drawn over each other")


def _of_step(visit: Visit, name: str, chart_name: str) -> list[ChartView]:
    steps = [step for step in visit.steps if step.name == name]
    return [view for step in steps for view in _views_of_step(visit, step, named=chart_name)[0]]


def _standing_out(visits: Sequence[Visit], step: str) -> list[bool]:
    """Return which visits stand out from the others by a figure of a step: of many curves only theirs have a name."""
    from audiomeas.record.standing_out import standing_out

    found = [one.visit for one in standing_out(visits) if one.step == step]
    return [any(visit is other for other in found) for visit in visits]


def _whose(visits: Sequence[Visit]) -> str:
    """Return whose visits these are: one unit's name, or how many units."""
    names = _once(visit.unit.name for visit in visits)
    return _short(names[0]) if len(names) == 1 else f"{len(names)} units"


def _told_apart(visits: Sequence[Visit]) -> list[str]:
    """Return a short name of each visit: its stage, behind its unit where there are several; where two are alike, its
    day or its time too.
    """
    several = len({visit.unit.name for visit in visits}) > 1
    names = [
        " ".join([visit.unit.serial or visit.unit.tag] * several + [visit.stage.replace("-", " ")]) for visit in visits
    ]
    for form in ("", " %Y-%m-%d", " %Y-%m-%d %H:%M:%S"):
        told = [f"{name}{visit.opened_at:{form}}" if form else name for name, visit in zip(names, visits, strict=True)]
        if len(set(told)) == len(told):
            return told
    return [visit.path.name for visit in visits]


def report(
    visit_path: str | Path,
    file: str | Path,
    *,
    paper: str = "A4",
    annex: bool = False,
    shop: str | Path | None = None,
    say: Say = _quiet,
) -> Path:
    """Write the customer's report of a visit as PDF (or PNG), or the whole record as one web page; return its path.

    visit_path : the folder of a visit.   file : ends in .pdf or .png, or in .html: then the technical annex is in it.
    paper : 'A4' or 'letter'.   annex : pages behind the customer's: every row with its conditions, what the record
    rests on, charts, and how to verify it.   shop : a TOML file of who hands it out: name, address, logo.
    say : is told of a visit that was not closed, and of letters that no font has.
    Raises FileProblem (no record, damaged, changed since it was closed; another ending of the name; exists already;
    the shop's file is wrong) and RequestError (paper).
    """
    from audiomeas.present.report import write_report
    from audiomeas.present.shop import read_shop
    from audiomeas.present.web_page import write_web_page

    target = Path(file)
    check_suffix(target, (*REPORT_SUFFIXES, WEB_SUFFIX))
    refuse_inside_a_record(target)
    sender = None if shop is None else read_shop(shop)
    visit = _trusted(Path(visit_path), say)
    with _whole(visit_path):
        content, technical = _gathered(visit, say)
        content = replace(content, shop=sender)
        if target.suffix.lower() == WEB_SUFFIX:  # whoever opens it has letters of their own
            write_web_page(content, technical, target, paper=paper)
            return target
        behind = technical if annex else None
        _tell_missing_letters((content, behind), say)
        write_report(content, target, paper=paper, annex=behind)
    return target


def _gathered(visit: Visit, say: Say) -> tuple[ReportContent, Annex]:
    """Return all that pages say of a visit: its own record, what came before it in its stay, and what came since.

    say : is told why what came before is not fully known.
    """
    from audiomeas.present.annex import annex_of
    from audiomeas.present.content import content_of
    from audiomeas.present.stay import with_stay
    from audiomeas.record.checksums import identity_of
    from audiomeas.record.story import story_of
    from audiomeas.record.void import later_of

    later, story = later_of(visit), story_of(visit)
    if story.problem:
        say(f"warning: what came before this visit is not fully known: {story.problem}")
    annex = annex_of(visit, later=later, entries=story.entries, identity=identity_of(visit.path))
    return with_stay(content_of(visit, later=later), story), annex


def _tell_missing_letters(content: object, say: Say) -> None:
    from audiomeas.present.letters import warning_of

    if warning := warning_of(content):
        say(warning)


def _trusted(path: Path, say: Say) -> Visit:
    """Return a visit whose files are as they were closed; say when it was not. Raises FileProblem."""
    visit = _read(path)
    _tell_unfinished(visit, say)
    return visit


def _read(path: Path, **how: Any) -> Visit:
    """Return a visit whose files are as they were closed. how : as `read_visit` has it. Raises FileProblem."""
    from audiomeas.record.visit import read_visit

    return read_visit(path, **how).verified()


def _tell_unfinished(visit: Visit, say: Say) -> None:
    if not visit.finished:
        say(f"warning: {visit.path} was not closed (broken off, or still going on): what is missing is never a pass")


def read_result(file: Path) -> Result:
    """Return the result that a JSON file holds. Raises FileProblem: missing, damaged, or no result."""
    if file.suffix.lower() in AUDIO:
        raise FileProblem(
            f"{file} is a capture: draw it with `audiomeas analyze WORD {file} --chart PICTURE`, or give a record's "
            "folder, or what `--json` has printed"
        )
    data = read_json(file)
    try:
        return result_from_json(data)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        what = f"the key {error} is missing" if isinstance(error, KeyError) else str(error)
        raise FileProblem(f"{file} holds no result of audiomeas: {what}") from None


@contextmanager
def _whole(source: Result | str | Path) -> Iterator[None]:
    """Turn what values of a file raise that don't fit one another into FileProblem: each alone may be a good one."""
    try:
        yield
    except AudiomeasError:
        raise
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
        if isinstance(source, Result):  # made by a program: its own fault, and no file's
            raise
        raise FileProblem(
            f"{source} is damaged: its values don't fit one another ({type(error).__name__}): make it anew from its "
            "capture"
        ) from None


#: A chart with the name of the step that it belongs to ('' outside a visit).
_Named = tuple[str, "ChartView"]


def _views(source: Result | str | Path, measurement: str | None, say: Say) -> list[_Named]:
    if isinstance(source, Result):
        return _views_of(source, "", measurement)
    path = Path(source)
    if path.is_dir():
        return _views_of_visit(_trusted(path, say), measurement, say)
    return _views_of(read_result(path), "", measurement)


def _views_of(result: Result, step: str, measurement: str | None) -> list[_Named]:
    if measurement is not None and registry.find(measurement).word != result.measurement:
        raise RequestError(f"this is a result of {result.measurement}, not of {measurement}")
    return [(step, view) for view in registry.find(result.measurement).charts(result)]


def _views_of_visit(visit: Visit, measurement: str | None, say: Say) -> list[_Named]:
    """Return the charts of a visit's steps, each with the unit in its title. say : is told of what can't be drawn."""
    if measurement is not None:
        registry.find(measurement)
    measured = [(step, step.result.measurement) for step in steps_so_far(visit) if step.result is not None]
    wanted = [step for step, word in measured if measurement in (None, word)]
    if not wanted:
        of = f" of {measurement}" if measurement else ""
        there = ", ".join(sorted({word for _, word in measured})) or "nothing"
        raise RequestError(f"{visit.path} holds no result{of} to draw; measured: {there}")
    found = [(step.name, *_views_of_step(visit, step)) for step in wanted]
    for _, _, problem in found:
        if problem:
            say(f"warning: {problem}")
    return [(name, view) for name, views, _ in found for view in views]


def _views_of_step(visit: Visit, step: StepRecord, *, named: str | None = None) -> tuple[list[ChartView], str]:
    """Return the charts of one step with its limits, the unit in their titles, and why there are none; '' else.

    named : as `charts_of` has it.
    """
    stage = visit.stage.replace("-", " ")
    views, problem = charts_of(step, named=named)
    title = f"{_short(visit.unit.name)}, {stage} {visit.opened_at:%Y-%m-%d}"
    return [replace(view, title=f"{view.title}: {title}") for view in views], problem


def _short(name: str) -> str:
    """Return a unit's name so that stage and date behind it stay on the title's lines."""
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1].rstrip()}…"


def _chosen(views: list[_Named], name: str | None) -> ChartView:
    if not views:
        raise RequestError("this result has no chart")
    if name is None:
        # Of a visit that; of a single result what it puts first.
        return next((view for step, view in views if step and view.name == _USUAL_CHART), views[0][1])
    for step, view in views:
        if name in (view.name, step):
            return view
    names = _once(view.name for _, view in views)
    steps = _once(step for step, _ in views if step)
    of_steps = f"; steps: {', '.join(steps)}" if steps else ""
    raise RequestError(f"no chart {name!r}{nearest(name, [*names, *steps])}; charts: {', '.join(names)}{of_steps}")


def _once(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))
