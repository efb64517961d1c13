"""A report as one page for a browser and for paper.

Nothing is fetched, nothing runs, and what anybody wrote is only text.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from html import escape

from router.report.page import Piece, PlotPlace, Points, ReportPage, Table, plain

STYLE = """
@page { size: A4; margin: 15mm 16mm }
* { box-sizing: border-box }
body { font: 11pt/1.45 system-ui, sans-serif; color: #1c1c1c; background: #fff;
  max-width: 180mm; margin: 0 auto; padding: 8mm 4mm }
h1 { font-size: 21pt; line-height: 1.15; margin: 0 0 1mm; color: #003f63 }
.under { color: #555; margin: 0 0 6mm }
h2 { font-size: 13.5pt; margin: 8mm 0 2mm; padding-bottom: 1mm; border-bottom: 1.5px solid #0072b2; color: #003f63 }
p { margin: 2mm 0; max-width: 75ch; orphans: 3; widows: 3 }
.wide { overflow-x: auto }
table { border-collapse: collapse; margin: 2mm 0; font-size: 10pt; font-variant-numeric: tabular-nums }
th, td { text-align: right; padding: 1mm 2.5mm; border-bottom: 1px solid #ddd; vertical-align: top }
th:first-child, td:first-child { text-align: left; padding-left: 0 }
td:last-child, th:last-child { padding-right: 0 }
.text { text-align: left }
thead th { color: #555; font-weight: 600; border-bottom: 1px solid #888 }
tbody th { font-weight: 400 }
.caption { color: #555; font-size: 9pt; margin-top: 0 }
figure { margin: 3mm 0 }
figure svg { display: block; width: 100%; height: auto }
figcaption { color: #555; font-size: 9pt }
ul { margin: 2mm 0; padding-left: 5mm }
li { margin: 1mm 0; max-width: 75ch }
@media print {
  body { padding: 0; max-width: none; font-size: 9.3pt; line-height: 1.32 }
  table { font-size: 9pt }
  th, td { padding: .6mm 2.5mm }
  h2 { margin-top: 5mm }
  li { margin: .5mm 0 }
  section:first-of-type h2 { margin-top: 0 }
  h2 { break-after: avoid }
  p, li { max-width: none }
  figure, tr, li { break-inside: avoid }
  p:has(+ ul), p:has(+ .wide), p:has(+ figure) { break-after: avoid }
  thead { display: table-header-group }
}
@media (max-width: 600px) {
  body { padding: 4mm }
  .wide table { font-size: 9pt }
  figure { overflow-x: auto }
  figure svg { min-width: 480px }
}
"""


def html(page: ReportPage, drawings: Mapping[str, str]) -> str:
    """Return the page as HTML; ``drawings`` has the plots by name, and a missing plot is left out with its caption."""
    return "\n".join(_lines(page, drawings)) + "\n"


def _lines(page: ReportPage, drawings: Mapping[str, str]) -> Iterator[str]:
    yield "<!DOCTYPE html>"
    yield '<html lang="en">'
    yield '<head><meta charset="utf-8">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    # Whatever stands in the page, a browser fetches and runs nothing.
    yield (
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src"
        ' data:">'
    )
    yield f"<title>{_text(page.title)}</title>"
    yield f"<style>{STYLE}</style></head>"
    yield "<body><main>"
    yield f"<h1>{_text(page.title)}</h1>"
    yield f'<p class="under">{_text(page.under)}</p>'
    for section in page.sections:
        yield "<section>"
        yield f"<h2>{_text(section.heading)}</h2>"
        for piece in section.pieces:
            yield from _piece(piece, drawings)
        yield "</section>"
    yield "</main></body>"
    yield "</html>"


def _piece(piece: Piece, drawings: Mapping[str, str]) -> Iterator[str]:
    match piece:
        case str():
            yield f"<p>{_text(piece)}</p>"
        case Points():
            yield "<ul>"
            yield from (f"<li>{_text(item)}</li>" for item in piece.items)
            yield "</ul>"
        case Table():
            yield from _table(piece)
        case PlotPlace():
            if piece.name in drawings:
                yield f'<figure role="img" aria-label="{_text(piece.caption)}">'
                yield drawings[piece.name]
                yield f"<figcaption>{_text(piece.caption)}</figcaption></figure>"


def _table(table: Table) -> Iterator[str]:
    yield '<div class="wide"><table>'
    words = [any(map(_is_words, column)) for column in zip(*table.rows, strict=True)]
    if any(table.head):
        head = "".join(
            f'<th scope="col"{_side(left)}>{_text(cell)}</th>' for cell, left in zip(table.head, words, strict=True)
        )
        yield f"<thead><tr>{head}</tr></thead>"
    yield "<tbody>"
    for first, *rest in table.rows:
        cells = "".join(f"<td{_side(left)}>{_text(cell)}</td>" for cell, left in zip(rest, words[1:], strict=True))
        yield f'<tr><th scope="row">{_text(first)}</th>{cells}</tr>'
    yield "</tbody></table></div>"
    if table.caption:
        yield f'<p class="caption">{_text(table.caption)}</p>'


def _is_words(text: str) -> bool:
    return text[:1].isalpha()


def _side(left: bool) -> str:
    return ' class="text"' if left else ""


_UNIT = re.compile(r"(?<=\d) (?=(?:s|%|min|h)(?!\w))")
"""The space between a number and its unit, where no line may end."""


def _text(text: str) -> str:
    """Escape what anybody wrote, so that a browser takes it as text and nothing else."""
    return _UNIT.sub("\u00a0", escape(plain(text)))
