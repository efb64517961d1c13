"""The screen of every command that draws on a terminal as things happen: rich's alternate screen, lines of text in it.

    with Screen(console) as screen:
        screen.show([Text("one"), Text("two")])     # as often as you like; only lines that have changed are sent

``drawable`` says whether a terminal can be drawn on; in a pipe, a file or a dumb terminal commands write plain lines.
And the keyboard, letters that can be read across a room, and the signs to draw with.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Self

from rich.console import Console
from rich.control import Control
from rich.segment import ControlType
from rich.style import Style
from rich.text import Text

WIDTH, HEIGHT = 80, 24
"""Columns and lines of the smallest terminal that everything fits into; a narrower one gets less of it."""
PATIENCE = 5.0
"""Seconds that a terminal may stand still at the end before we go without it."""


def drawable(console: Console) -> bool:
    """Return True for a terminal that can be drawn on, False for a pipe, a file and a dumb terminal."""
    return console.is_terminal and not console.is_dumb_terminal


class Screen(threading.Thread):
    """The whole terminal, from ``start`` until ``close``, and then as it was.

    It is drawn in a thread of its own: a terminal that stands still (a bad line, Ctrl-S) holds up nobody. A picture
    that comes meanwhile takes the place of the one that was not drawn yet.
    """

    def __init__(self, console: Console) -> None:
        super().__init__(daemon=True)
        self._console = console
        self._next: Sequence[Text] | None = None
        self._news = threading.Event()
        self._over = False
        self._fault: Exception | None = None
        self._drawn: list[tuple[Text, str | Style]] = []
        self._size = (0, 0)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    @property
    def size(self) -> tuple[int, int]:
        """Columns and lines to draw in.

        The last column stays free: what is written there makes some terminals scroll.
        """
        width, height = self._console.size
        return max(1, width - 1), height

    def show(self, lines: Sequence[Text]) -> None:
        """Draw these lines next, from the top; what does not fit is cut off.

        Raises:
            OSError: whoever read the terminal has gone.
        """
        if self._fault is not None:
            raise self._fault
        self._next = lines
        self._news.set()

    def close(self) -> None:
        """Draw what came last and give the terminal back; no harm if it was."""
        self._over = True
        self._news.set()
        if self.is_alive():
            self.join(PATIENCE)

    def run(self) -> None:
        """Draw until it is closed (the thread)."""
        try:
            with self._console.screen():
                over = False
                while not over:
                    self._news.wait()
                    self._news.clear()
                    over = self._over
                    lines, self._next = self._next, None
                    if lines is not None:
                        self.draw(lines)
        except Exception as error:  # noqa: BLE001 - told to whoever draws next
            self._fault = error

    def draw(self, lines: Sequence[Text]) -> None:
        """Write the lines that have changed, in one piece."""
        console, (columns, rows) = self._console, self.size
        fresh = self._size != (columns, rows)
        if fresh:
            self._size, self._drawn = (columns, rows), []
        drawn = [(line, line.style) for line in lines[:rows]]
        gone = range(len(drawn), len(self._drawn))
        changed = [y for y, line in enumerate(drawn) if y >= len(self._drawn) or line != self._drawn[y]]
        if not (fresh or changed or gone):
            return
        with console:  # everything within leaves at its end
            if fresh:
                console.control(Control.home(), Control.clear())
            for y in (*changed, *gone):
                console.control(Control.move_to(0, y), Control((ControlType.ERASE_IN_LINE, 0)))
                if y < len(drawn):
                    line = drawn[y][0].copy()
                    line.truncate(columns)
                    console.print(line, end="", soft_wrap=True)
        self._drawn = drawn


@contextmanager
def keys_at_once() -> Iterator[int]:
    """The descriptor of the keyboard, whose keys come at once and are not shown; afterwards it is as it was."""
    import termios  # no command that asks nothing needs it, and Windows has none
    import tty

    keys = sys.stdin.fileno()
    before = termios.tcgetattr(keys)
    try:
        tty.setcbreak(keys)
        yield keys
    finally:
        termios.tcsetattr(keys, termios.TCSADRAIN, before)


# --- signs ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Signs:
    """The characters to draw with; a terminal that knows only ASCII gets its own."""

    full: str
    empty: str
    threshold: str
    begins: str
    holds: str
    pointer: str
    down: str
    across: str
    corner: str
    arrow: str
    levels: str


BLOCKS = Signs("█", "·", "│", "●", "━", "◆", "│", "─", "┼", "→", "▁▂▃▄▅▆▇█")
ASCII = Signs("#", ".", "|", "o", "=", "X", "|", "-", "+", "->", "0123456789")


def signs_for(encoding: str | None) -> Signs:
    """The signs that this encoding can write."""
    try:
        "".join(getattr(BLOCKS, name) for name in BLOCKS.__slots__).encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return BLOCKS


# --- large letters, to be read from where the child is ----------------------------------------------------------

_ROWS = 5
_FONT = {
    letter: rows.split("/")
    for letter, rows in {
        "A": " ### /#   #/#####/#   #/#   #",
        "D": "#### /#   #/#   #/#   #/#### ",
        "E": "#####/#    /#### /#    /#####",
        "F": "#####/#    /#### /#    /#    ",
        "G": " ####/#    /#  ##/#   #/ ####",
        "H": "#   #/#   #/#####/#   #/#   #",
        "L": "#    /#    /#    /#    /#####",
        "N": "#   #/##  #/# # #/#  ##/#   #",
        "O": " ### /#   #/#   #/#   #/ ### ",
        "P": "#### /#   #/#### /#    /#    ",
        "R": "#### /#   #/#### /#  # /#   #",
        "S": " ####/#    / ### /    #/#### ",
        "T": "#####/  #  /  #  /  #  /  #  ",
        "W": "#   #/#   #/# # #/## ##/#   #",
        "Y": "#   #/ # # /  #  /  #  /  #  ",
        "0": " ### /#  ##/# # #/##  #/ ### ",
        "1": "  #  / ##  /  #  /  #  / ### ",
        "2": "#### /    #/ ### /#    /#####",
        "3": "#### /    #/ ### /    #/#### ",
        "4": "#   #/#   #/#####/    #/    #",
        "5": "#####/#    /#### /    #/#### ",
        "6": " ### /#    /#### /#   #/ ### ",
        "7": "#####/    #/   # /  #  /  #  ",
        "8": " ### /#   #/ ### /#   #/ ### ",
        "9": " ### /#   #/ ####/    #/ ### ",
        " ": "     /     /     /     /     ",
    }.items()
}


def large(text: str, sign: str, columns: int = WIDTH) -> list[str]:
    """The lines of a text in large letters, drawn with ``sign``; where they have no room, of spaced ones.

    Raises:
        KeyError: a letter that no step uses.
    """
    letters = [_FONT[letter] for letter in text]
    if sum(len(letter[0]) + 2 for letter in letters) > columns + 2:
        return [" ".join(text)]
    return ["  ".join(letter[row] for letter in letters).replace("#", sign) for row in range(_ROWS)]
