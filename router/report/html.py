"""A report as one page for a browser and for paper.

Nothing is fetched, nothing runs, and what anybody wrote is only text.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from html import escape
from pathlib import Path

from router.report.page import Piece, PlotPlace, Points, ReportPage, SoundPlace, Table, Verdict, plain

STYLE = Path(__file__).with_name("page.css").read_text(encoding="utf-8")


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
        ' data:; media-src data:; font-src data:">'
    )
    yield f"<title>{_text(page.title)}</title>"
    yield f"<style>{STYLE}</style></head>"
    yield '<body class="broad"><main>' if page.broad else "<body><main>"
    yield f"<h1>{_text(page.title)}</h1>"
    if page.under:
        yield f'<p class="under">{_text(page.under)}</p>'
    for section in page.sections:
        yield "<section>"
        if section.heading:
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
        case Verdict():
            yield f'<p class="verdict">{_text(piece.text)}</p>'
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
                yield f"<figcaption>{_text(piece.caption)}</figcaption></figure>" if piece.caption else "</figure>"
        case SoundPlace():
            source = escape(piece.source) if piece.source.startswith("data:audio/") else ""
            yield f'<p><audio controls aria-label="{_text(piece.caption)}" src="{source}"></audio></p>'


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


_UNIT = re.compile(r"(?<=\d) (?=(?:m?s|%|min|h|[hk]?Pa|(?:mm|cm|in)H2O|mmHg|mbar|Hz)(?!\w))")
"""The space between a number and its unit, where no line may end."""


def _text(text: str) -> str:
    """Escape what anybody wrote, so that a browser takes it as text and nothing else."""
    return _UNIT.sub("\u00a0", escape(plain(text)))
