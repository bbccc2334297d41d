"""What a measurement module offers, and the options that the command line, plans and Python share.

Nothing here imports numpy: `--help` lists measurements and their options without it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Protocol

if TYPE_CHECKING:
    from audiomeas.measurement.curves import Curve
    from audiomeas.measurement.result import Result
    from audiomeas.measurement.views import ChartView, TableView
    from audiomeas.recording import Recording
    from audiomeas.stimulus import Stimulus

OptionKind = Literal[
    "number", "integer", "text", "truth", "level", "numbers", "choice", "recording", "result", "disc", "side"
]

#: Option of a measurement that is silent: not even markers are sent, and none need come back.
LISTEN_ONLY = "listen_only"


@dataclass(frozen=True, kw_only=True)
class Option:
    """One condition that a person can set: `--name` on the command line, `name` in a plan and in Python.

    kind : 'level' is a text with a unit ('1 W', '5 mV'); 'recording' the path of a capture, 'result' that of an earlier
    result's JSON, 'disc' the folder of a test disc, 'side' the file that tells what is on a tape: they are read before
    they are used.
    choices : for kind 'choice'.
    stage : 'play' shapes the stimulus, 'analyse' the analysis (and is an option of `analyze` too).
    above, at_most : limits of numbers.
    """

    name: str
    kind: OptionKind
    help: str
    default: Any = None
    choices: tuple[str, ...] = ()
    stage: Literal["play", "analyse"] = "play"
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A single number of a result that a limit can hold and a report can name.

    key : in the channel's values.  unit : its unit.  words : what it is, in plain words, for a customer.
    """

    key: str
    unit: str
    words: str


def figures_of(quantities: Sequence[tuple[str, str, str]]) -> tuple[Figure, ...]:
    """Return the figures that a table shows. quantities : (key, words, unit); words may be indented there."""
    return tuple(Figure(key=key, unit=unit, words=words.strip()) for key, words, unit in quantities)


@dataclass(frozen=True, kw_only=True)
class PlayContext:
    """What the bench knows when a stimulus is made.

    channels : 1-based outputs to drive.  input_level_v_rms : at the unit's input, resolved from what was asked.
    """

    sample_rate_hz: float
    channels: tuple[int, ...]
    input_level_v_rms: float


@dataclass(frozen=True, kw_only=True)
class SearchContext:
    """What the bench knows before a search for a level begins, from its ceilings and the first look.

    channels : 1-based outputs to drive.  first_level_v_rms : of the first look, at the unit's input.
    highest_of : stimulus → the level (its `level_v_rms`) above which it is not played, by the ceilings and the largest
    gain that it meets; and which ceiling that is, with the way out.   gain_at_db : channel and frequency in Hz → gain
    found.   silent : channels from which nothing came back.   load_ohm : channel and frequency in Hz → what makes watts
    of volts; None: no load is entered.   refuse_held : a tone and how long it is to stand in all, in seconds: raises
    InterlockRefusal when a load would not stand that, before any of it is played.
    """

    sample_rate_hz: float
    channels: tuple[int, ...]
    first_level_v_rms: float
    highest_of: Callable[[Stimulus], tuple[float, str]]
    gain_at_db: Callable[[int, float], float]
    silent: tuple[int, ...]
    load_ohm: Callable[[int, float], float | None]
    refuse_held: Callable[[Stimulus, float], None]


class Search(Protocol):
    """Chooses what is played next by what came back: it plays nothing itself."""

    @property
    def conditions(self) -> Mapping[str, Any]:
        """What each capture of the search keeps beside its own conditions, as JSON."""
        ...

    def next(self) -> Stimulus | None:
        """Return what to play now; None when the search has ended."""
        ...

    def take(self, recording: Recording) -> None:
        """Take the capture of what was wanted last. Raises SignalError when it can't be read."""
        ...


@dataclass(frozen=True, kw_only=True)
class Measurement:
    """One measurement word. Add one: a module that makes this object, and a line in the registry.

    stimulus : context and options → what to play.
    analyse : recording and options → result (pure; raises SignalError).
    tables, charts : result → views.
    no_chart : options → why such a request gives no chart; '' where it may give one.
    needs_stimulus : `analyze` needs `--stimulus` (or a sidecar) to make sense of a capture.
    check : context and options → nothing; raises RequestError for what can never be played, before any sound.
    curves : values against frequency that a limit mask can hold.
    to_do : what the person at the bench does while it plays; said before any sound ('{duration_s:g}': an option).
    silent : nothing is played but markers: no level is asked for, none is set, and the context's is zero.
    always_listens : silent, and nothing at all is ever sent: the unit plays by itself.
    in_blocks : `analyse` reads its recording with `recording_blocks.blocks_of`, so that a file stays on the disk.
    search : context and options → a search that finds its levels by itself, each capture on its own; no level is asked
    for, and `stimulus` serves nobody but readers.   join : its captures, in any order → the recording that is analysed.
    part : of each capture of a search what is joined, where all of them would be too much for the memory.
    figures_of : result → its figures, where they are not the same for all results of this word (`told_figures`).
    """

    word: str
    summary: str
    example: str
    options: tuple[Option, ...]
    figures: tuple[Figure, ...]
    stimulus: Callable[[PlayContext, Mapping[str, Any]], Stimulus]
    analyse: Callable[[Recording, Mapping[str, Any]], Result]
    tables: Callable[[Result], tuple[TableView, ...]]
    charts: Callable[[Result], tuple[ChartView, ...]]
    no_chart: Callable[[Mapping[str, Any]], str] | None = None
    needs_stimulus: bool = False
    check: Callable[[PlayContext, Mapping[str, Any]], None] | None = None
    curves: tuple[Curve, ...] = ()
    to_do: str = ""
    silent: bool = False
    always_listens: bool = False
    in_blocks: bool = False
    search: Callable[[SearchContext, Mapping[str, Any]], Search] | None = None
    join: Callable[[Sequence[Recording]], Recording] | None = None
    part: Callable[[Recording], Recording] | None = None
    figures_of: Callable[[Result], tuple[Figure, ...]] | None = None

    @property
    def takes_level(self) -> bool:
        """A level may be asked for: it neither is silent nor finds its levels by itself."""
        return not self.silent and self.search is None

    def only_listens(self, options: Mapping[str, Any]) -> bool:
        """Return whether nothing at all is sent: no first look, no markers. options : as asked for."""
        return self.always_listens or (self.silent and bool(options.get(LISTEN_ONLY)))

    def told_figures(self, result: Result) -> tuple[Figure, ...]:
        """Return the figures of one of its results."""
        return self.figures if self.figures_of is None else self.figures_of(result)
