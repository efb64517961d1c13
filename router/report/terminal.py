"""A report for the terminal."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table as Grid
from rich.text import Text

from router.report.page import Piece, Points, ReportPage, Table, Verdict, plain

MANY = 4
"""Columns. In a table with more, no cell is wrapped."""


def show(page: ReportPage, console: Console) -> None:
    """Print the report without its plots, which are for paper."""
    console.print(_text(page.title, "bold"))
    console.print(_text(page.under, "dim"))
    for section in page.sections:
        console.print()
        console.print(_text(section.heading, "bold cyan"))
        for piece in section.pieces:
            _show(piece, console)


def _show(piece: Piece, console: Console) -> None:
    match piece:
        case str():
            console.print(Padding(_text(piece), (0, 0, 0, 2)))
        case Verdict():
            console.print(Padding(_text(piece.text, "bold"), (0, 0, 0, 2)))
        case Points():
            for item in piece.items:
                grid = Grid.grid(padding=(0, 1))
                grid.add_row(_text("  \u2022"), _text(item))
                console.print(grid)
        case Table():
            grid = Grid(box=box.SIMPLE_HEAD, show_header=any(piece.head), pad_edge=False, collapse_padding=True)
            columns = zip(piece.head, zip(*piece.rows, strict=True), strict=True)
            for place, (head, cells) in enumerate(columns):
                left = place == 0 or any(cell[:1].isalpha() for cell in cells)
                grid.add_column(_text(head), justify="left" if left else "right", no_wrap=len(piece.head) > MANY)
            for row in piece.rows:
                grid.add_row(*map(_text, row))
            console.print(Padding(grid, (0, 0, 0, 1)))
            if piece.caption:
                console.print(Padding(_text(piece.caption, "dim"), (0, 0, 0, 2)))


def _text(text: str, style: str = "") -> Text:
    """Clean what anybody wrote, so that it cannot control the terminal."""
    return Text(plain(text), style)
