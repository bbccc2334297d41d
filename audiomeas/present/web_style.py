"""The look of a web page: the same ink and rules as on paper, for a telephone, a desk and a printer."""

from __future__ import annotations

from audiomeas.present import style
from audiomeas.present.annex import ROW_HEADINGS
from audiomeas.present.charts import SIMULATED
from audiomeas.present.web_table import MOVED_HEADINGS

#: DejaVu Sans is drawn as wide as Verdana: where one is missing the other takes its place, and texts in charts fit.
_FONTS = f"'{style.FONT}', Verdana, sans-serif"
#: From this width on labels stand in the margin, as on paper, and charts beside each other.
_DESK = "54rem"
#: Least widths of the columns of a table there, in letters' heights: a shorter word or number is never broken.
_LEAST_EM = {
    **dict(zip(ROW_HEADINGS, (9.2, 4.8, 9.5, 7.5, 4.8, 6.2, 6.0), strict=True)),
    **dict(zip(MOVED_HEADINGS, (9.2, 4.8, 9.5, 9.5, 6.2, 7.5, 6.2), strict=True)),
}

_SHEET = """
html { color-scheme: light; color: %(ink)s; background: white; font: 1rem/1.45 %(fonts)s;
  -webkit-text-size-adjust: 100%%; }
body { max-width: 60rem; margin: 0 auto; padding: 0 1rem 2rem; overflow-wrap: anywhere; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 1.2rem 0 .3rem; }
h2 { font-size: 1.2rem; margin: 2.2rem 0 .6rem; padding-top: .5rem; border-top: 2px solid %(ink)s; }
h3, h4 { font-size: 1rem; margin: 0 0 .3rem; }
p { margin: 0 0 .4rem; }
ul { margin: 0 0 .6rem; padding-left: 1.2rem; }
a { color: %(link)s; }
.simulated { position: sticky; top: .4rem; z-index: 1; width: max-content; margin: .6rem 0 0 auto; padding: .1rem .5rem;
  font-weight: bold; background: white; border: 2px solid %(ink)s; }
.shop { display: flex; gap: 1rem; align-items: center; margin: .8rem 0; font-size: .875rem; }
.shop p { margin: 0; }
.shop img { max-width: 9rem; max-height: 3.5rem; }
.facts, .small { color: %(soft)s; }
.small, .ending { font-size: .875rem; }
.strong { font-size: 1.15rem; font-weight: bold; }
.indented { padding-left: 1rem; font-size: .925rem; }
.notice { padding-left: .7rem; border-left: 4px solid %(ink)s; }
.part { margin: 0 0 1.1rem; break-inside: avoid; }
.annex h3 { font-size: 1.1rem; margin-top: 1.8rem; padding-top: .4rem; border-top: 1px solid %(rule)s; }
dl { margin: 0 0 .6rem; }
dl > div { display: grid; grid-template-columns: minmax(6.5rem, 30%%) 1fr; column-gap: 1rem; margin: 0 0 .35rem; }
dt { color: %(soft)s; }
dd { margin: 0; grid-column: 2; }
figcaption { font-weight: bold; }
figure { margin: 0 0 1.4rem; break-inside: avoid; }
svg { display: block; width: 100%%; height: auto; }
.wide { display: none; }
nav ul { list-style: none; padding: 0; }
nav li { display: inline-block; margin: 0 1.1rem .3rem 0; }
footer { margin-top: 2.5rem; padding-top: .6rem; border-top: 1px solid %(rule)s; font-size: .875rem; color: %(soft)s; }
table { width: 100%%; border-collapse: collapse; margin: .3rem 0 1.4rem; font-size: .875rem; }
caption { text-align: left; font-weight: bold; padding: .3rem 0; }
th, td { text-align: left; vertical-align: top; padding: .3rem .8rem .3rem 0; overflow-wrap: anywhere; }
th[scope=row] { font-weight: normal; }
tbody tr { border-top: 1px solid %(grid)s; break-inside: avoid; }
thead { border-bottom: 2px solid %(rule)s; }
.told, .told th { font-weight: bold; }
@media screen and (width < %(desk)s) {
  thead { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%%); }
  table, caption, tbody, tr, th { display: block; }
  td { display: inline-block; margin-right: 1rem; }
  th, td { padding: 0; }
  tbody tr { padding: .4rem 0; border-top-color: %(rule)s; }
  th[scope=row] { font-weight: bold; }
  td:empty { display: none; }
  td::before { content: attr(data-heading) ": "; color: %(soft)s; font-weight: normal; }
}
@media print, (width >= %(desk)s) {
  dl > div { grid-template-columns: 11rem 1fr; column-gap: 1.2rem; }
  .part { display: grid; grid-template-columns: 11rem 1fr; column-gap: 1.2rem; align-items: baseline; }
  %(columns)s
  .wide { display: block; }
  .narrow { display: none; }
  .charts { display: grid; grid-template-columns: 1fr 1fr; gap: 0 1.5rem; align-items: start; }
}
@media print {
  html { font-size: %(print)spt; }
  body { max-width: none; padding: 0; }
  nav { display: none; }
  h2, h3, h4, caption { break-after: avoid; }
  .part h3 { break-after: auto; } /* beside its sentences: else each part would be kept with the next one */
  .simulated { position: static; }
  .annex { break-before: page; }
  a { color: inherit; }
}
"""
_PAPER = """
@page { size: %(paper)s; margin: 14mm; %(margin)s }
"""
_MARGIN = '@top-right { content: "%s"; font: bold %spt %s; }'


def sheet(*, paper: str, simulated: bool) -> str:
    """Return the style sheet. paper : on which it is printed.  simulated : each printed page says so in its margin."""
    words = {
        "ink": style.INK, "soft": style.SOFT_INK, "rule": style.RULE, "grid": style.GRID, "link": style.BLUE,
        "fonts": _FONTS, "desk": _DESK, "print": style.TEXT_PT,
        "columns": " ".join(f"[data-heading={name}] {{ min-width: {em}em; }}" for name, em in _LEAST_EM.items()),
    }  # fmt: skip
    margin = _MARGIN % (SIMULATED, style.TEXT_PT, _FONTS) if simulated else ""
    return _SHEET % words + _PAPER % {"paper": paper, "margin": margin}
