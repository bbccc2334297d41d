"""Show a chart on the screen: in a window of its own where one can be had, else as a picture in the system's viewer."""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
import webbrowser
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas.present.charts import chart_figure
from audiomeas.present.letters import letters_of
from audiomeas.present.saving import save_pages
from audiomeas.present.style import look
from audiomeas.present.text import clean_text

if TYPE_CHECKING:
    from audiomeas.measurement.views import ChartView

#: matplotlib's windows, in the order in which they are tried; each needs something that may not be installed.
_WINDOWS = ("macosx", "qtagg", "gtk4agg", "gtk3agg", "wxagg", "tkagg")
#: A screen is there when one of these is set, on systems that have no screen without them.
_SCREENS = ("DISPLAY", "WAYLAND_DISPLAY")
_NO_SCREEN = "no screen here: the chart was not shown; write it into a file instead"
_NO_VIEWER = "no window and no viewer of pictures could be opened: look at {file}"
_IN_VIEWER = "handed to the system's viewer of pictures: {file}"


def show_chart(view: ChartView) -> str:
    """Show a chart; return in one line why or where it was not shown in a window, '' when it was (and is closed)."""
    if not screen_is_there():
        return _NO_SCREEN
    if any(_shown_in(window, view) for window in _WINDOWS):
        return ""
    file = Path(tempfile.mkdtemp(prefix="audiomeas-")) / "chart.png"
    save_pages([chart_figure(view)], file, title=view.title)
    opened = webbrowser.open(file.resolve().as_uri())  # a system's viewer too, where it has one for pictures
    return (_IN_VIEWER if opened else _NO_VIEWER).format(file=file)


def screen_is_there() -> bool:
    """Return whether a window could be seen."""
    return sys.platform in ("darwin", "win32") or any(os.environ.get(name) for name in _SCREENS)


def _shown_in(window: str, view: ChartView) -> bool:
    """Show a chart in one of matplotlib's windows until it is closed; return False where there is no such window."""
    with _figure_maker(window) as figure:
        if figure is None:
            return False
        with letters_of(view), look():
            chart_figure(view, figure=figure)
            figure.canvas.manager.set_window_title(clean_text(view.title))
            _wait_for_closing()
    return True


@contextlib.contextmanager
def _figure_maker(window: str) -> Iterator[Any]:
    """Yield an empty figure in a window; None where that kind of window can't be had."""
    import matplotlib.pyplot as plt

    before = plt.get_backend()
    try:
        plt.switch_backend(window)
        figure = plt.figure()
    except Exception:  # a library that is missing, a screen that refuses: each kind has errors of its own
        yield None
        return
    try:
        yield figure
    finally:
        plt.close(figure)
        plt.switch_backend(before)


def _wait_for_closing() -> None:
    import matplotlib.pyplot as plt

    plt.show(block=True)
