"""Write figures as PNG, SVG or PDF: whole or not at all, never over another file, and the same bytes each time."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audiomeas import __version__
from audiomeas.errors import FileProblem
from audiomeas.files import refuse_unwritable, write_new
from audiomeas.present.style import PNG_DPI, look
from audiomeas.present.text import clean_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CHART_SUFFIXES = (".png", ".svg", ".pdf")
REPORT_SUFFIXES = (".pdf", ".png")
WEB_SUFFIX = ".html"
_MAKER = f"audiomeas {__version__}"


def check_suffix(path: Path, suffixes: Sequence[str]) -> None:
    """Raise FileProblem unless the name ends in one of the suffixes and a new file can be made there.

    Called before any drawing, and before any sound, so that a wrong name costs nothing.
    """
    if path.suffix.lower() not in suffixes:
        raise FileProblem(f"{path}: the name must end in {' or '.join(_listed(suffixes))}, which says what to write")
    refuse_unwritable(path)


def _listed(suffixes: Sequence[str]) -> list[str]:
    return [", ".join(suffixes[:-1]), suffixes[-1]]


def save_pages(figures: Sequence[Figure], path: Path, *, title: str, suffixes: Sequence[str] = CHART_SUFFIXES) -> None:
    """Write one file by the suffix of its name. Several pages: a PDF of several pages, or one tall PNG.

    Raises FileProblem: wrong suffix, exists already, folder missing or read-only, disk full.
    """
    check_suffix(path, suffixes)
    writers = {".png": _write_png, ".svg": _write_svg, ".pdf": _write_pdf}
    # Drawn into memory first: a disk that gets full is then an error of writing, and not one inside a compressor.
    drawn = BytesIO()
    with look():
        writers[path.suffix.lower()](figures, drawn, clean_text(title))
    write_new(path, lambda temporary: _write(temporary, drawn.getvalue()))


def drawn_svg(figure: Figure, *, title: str) -> bytes:
    """Return a figure as the bytes of an SVG file."""
    drawn = BytesIO()
    with look():
        _write_svg([figure], drawn, clean_text(title))
    return drawn.getvalue()


def _write(path: Path, data: bytes) -> None:
    path.write_bytes(data)


def _write_pdf(figures: Sequence[Figure], file: BytesIO, title: str) -> None:
    from matplotlib.backends.backend_pdf import PdfPages

    # Without a date: the same record gives the same file.
    metadata: dict[str, Any] = {"Title": title, "Creator": _MAKER, "CreationDate": None}
    with PdfPages(file, metadata=metadata) as pages:
        for figure in figures:
            pages.savefig(figure)


def _write_svg(figures: Sequence[Figure], file: BytesIO, title: str) -> None:
    (figure,) = figures
    figure.savefig(file, format="svg", metadata={"Title": title, "Creator": _MAKER, "Date": None})


def _write_png(figures: Sequence[Figure], file: BytesIO, title: str) -> None:
    metadata = {"Title": title, "Software": _MAKER}
    if len(figures) == 1:
        figures[0].savefig(file, format="png", dpi=PNG_DPI, metadata=metadata)
        return
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.image import imsave

    pictures = []
    for figure in figures:
        figure.set_dpi(PNG_DPI)
        canvas: Any = FigureCanvasAgg(figure)
        canvas.draw()
        pictures.append(np.asarray(canvas.buffer_rgba()).copy())
    imsave(file, np.vstack(pictures), format="png", dpi=PNG_DPI, metadata=metadata)
