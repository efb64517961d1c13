"""A report for the terminal."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table as Grid
from rich.text import Text

from router.report.page import Page, Piece, Points, Table


def show(page: Page, console: Console) -> None:
    """Print it; the plots are for paper."""
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
        case Points():
            for item in piece.items:
                grid = Grid.grid(padding=(0, 1))
                grid.add_row(_text("  \u2022"), _text(item))
                console.print(grid)
        case Table():
            grid = Grid(box=box.SIMPLE_HEAD, show_header=any(piece.head), pad_edge=True, caption_justify="left")
            for place, head in enumerate(piece.head):
                grid.add_column(_text(head), justify="left" if place == 0 else "right", no_wrap=place == 0)
            for row in piece.rows:
                grid.add_row(*map(_text, row))
            console.print(grid)
            if piece.caption:
                console.print(Padding(_text(piece.caption, "dim"), (0, 0, 0, 2)))


def _text(text: str, style: str = "") -> Text:
    """What anybody wrote, as text that steers no terminal."""
    return Text("".join(c if c.isprintable() else " " for c in text), style)
