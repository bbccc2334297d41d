"""A real browser without a window (Debian's chromium): how a page comes out on a telephone and on a desk."""

from __future__ import annotations

import html
import json
import re
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests_support import require

#: Logical widths in CSS pixels: a small telephone, and a desk.
PHONE, DESK = 360, 1280
#: Nothing but the page: no profile of the person's, no update, no first run. Root can't have its sandbox.
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-extensions", "--hide-scrollbars",
    "--enable-logging=stderr",
)  # fmt: skip
_LONGEST_S = 120.0
_HEIGHT = 900
#: Looks into each page from outside: the page itself stays as it is, with its policy.
_LOOK = """
function inside(box, all) {
  return box.left >= all.left - 1 && box.right <= all.right + 1 &&
    box.top >= all.top - 1 && box.bottom <= all.bottom + 1;
}
function cover(a, b) {
  return Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1.5 &&
    Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1.5;
}
function looked(frame) {
  const page = frame.contentDocument, across = page.documentElement.clientWidth;
  const named = (each) => each.tagName + ' ' + each.textContent.slice(0, 40);
  const visible = (each) => each.getBoundingClientRect().width > 1;
  const drawings = [...page.querySelectorAll('svg')].filter(visible);
  const cut = [], covered = [], sizes = [];
  for (const drawing of drawings) {
    const scale = drawing.getBoundingClientRect().width / drawing.viewBox.baseVal.width;
    const texts = [...drawing.querySelectorAll('text')].filter((each) => !each.closest('[id$=-watermark]'));
    const boxes = texts.map((each) => each.getBoundingClientRect());
    texts.forEach((each, place) => {
      sizes.push(parseFloat(frame.contentWindow.getComputedStyle(each).fontSize) * scale);
      if (!inside(boxes[place], drawing.getBoundingClientRect())) cut.push(named(each));
      for (let other = 0; other < place; other += 1) {
        if (cover(boxes[place], boxes[other])) covered.push(named(each) + ' / ' + named(texts[other]));
      }
    });
  }
  const parts = [...page.body.querySelectorAll('*')].filter((each) => !each.closest('svg') && visible(each));
  return {
    across, scrolls_to: page.documentElement.scrollWidth,
    wide: parts.filter((each) => each.getBoundingClientRect().right > across + 1 ||
      each.getBoundingClientRect().left < -1).map(named),
    cut, covered, smallest_chart_px: Math.min(...sizes), drawings: drawings.length,
    smallest_px: Math.min(...parts.map((each) => parseFloat(frame.contentWindow.getComputedStyle(each).fontSize))),
    headings_of_columns: [...page.querySelectorAll('thead')].filter(visible).length,
    fetched: frame.contentWindow.performance.getEntriesByType('resource').map((each) => each.name),
    pictures_px: [...page.images].map((each) => each.naturalWidth),
    text: page.body.innerText,
  };
}
window.onload = () => {
  const told = {};
  for (const frame of document.querySelectorAll('iframe')) told[frame.id] = looked(frame);
  document.body.textContent = JSON.stringify(told);
};
"""


def look(pages: Mapping[str, str], widths: Sequence[int], folder: Path) -> tuple[dict[tuple[str, int], Any], list[str]]:
    """Return what a browser tells of pages at widths, by name and width, and what it wrote to its console."""
    frames = [
        f'<iframe id="{name} {width}" style="width:{width}px;height:{_HEIGHT}px" srcdoc="{html.escape(page)}"></iframe>'
        for name, page in pages.items()
        for width in widths
    ]
    file = folder / "frames.html"
    file.write_text(f"<!DOCTYPE html><meta charset=utf-8><script>{_LOOK}</script><body>{''.join(frames)}", "utf-8")
    dumped, errors = _run(folder, "--dump-dom", file.as_uri())
    (body,) = re.findall(r"<body>(.*?)</body>", dumped, re.DOTALL)
    told = json.loads(html.unescape(body))
    console = [line for line in errors.splitlines() if ":CONSOLE" in line]
    return {(name.rpartition(" ")[0], int(name.rpartition(" ")[2])): facts for name, facts in told.items()}, console


def print_to(pdf: Path, page: Path) -> None:
    """Print a page's file on paper."""
    _run(pdf.parent, f"--print-to-pdf={pdf}", "--no-pdf-header-footer", page.as_uri())


def _run(folder: Path, *arguments: str) -> tuple[str, str]:
    done = subprocess.run(
        [require("chromium"), *_FLAGS, f"--user-data-dir={folder / 'profile'}", *arguments],
        capture_output=True, timeout=_LONGEST_S, check=True, encoding="utf-8", errors="replace",
    )  # fmt: skip
    return done.stdout, done.stderr
