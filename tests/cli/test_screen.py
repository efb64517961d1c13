"""The one screen of the commands, and the one writer of their text: narrow terminals, slow ones, and none at all."""

from __future__ import annotations

import io
import os
import pty
import struct
import sys
import termios
import threading
from contextlib import suppress
from fcntl import ioctl

import pytest
from rich.console import Console
from rich.text import Text

from router.cli import demo, demo_together, guided, main, say, screen
from router.cli.screen import Screen, drawable
from router.cli.stage import headline
from router.core.units import NANOSECONDS
from router.files import profile
from router.fit.guide import ON, Guide

NARROW = 39
"""What a terminal of 40 columns leaves: the last one stays free."""


class InMemory(io.StringIO):
    """A terminal of so many columns that keeps what is written."""

    def isatty(self):
        return True


def console(columns: int = 40, rows: int = 12) -> Console:
    return Console(
        file=InMemory(), width=columns, height=rows, force_terminal=True, color_system=None, legacy_windows=False
    )


def written(page: Console) -> str:
    text = page.file.getvalue()
    page.file.seek(0)
    page.file.truncate()
    return text


def terminal(columns: int = 40, rows: int = 12) -> tuple[int, int]:
    master, slave = pty.openpty()
    ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    return master, slave


def test_only_changed_lines_are_sent_and_what_does_not_fit_is_cut():
    page = console(rows=3)
    shown = Screen(page)
    shown.draw([Text("a" * 50), Text("two"), Text("three"), Text("four")])
    whole = written(page)
    assert "a" * NARROW in whole
    assert "a" * 40 not in whole
    assert "three" in whole
    assert "four" not in whole
    shown.draw([Text("a" * 50), Text("2"), Text("three")])
    assert written(page) == "\x1b[2;1H\x1b[0K2"
    shown.draw([Text("a" * 50), Text("2", "bold"), Text("three")])
    assert "2" in written(page), "another style is a change"
    shown.draw([Text("a" * 50)])
    assert written(page) == "\x1b[2;1H\x1b[0K\x1b[3;1H\x1b[0K", "lines that are no longer there go"
    shown.draw([Text("a" * 50)])
    assert written(page) == ""


def test_a_terminal_of_another_size_is_drawn_anew():
    page = console()
    shown = Screen(page)
    shown.draw([Text("one")])
    written(page)
    page.size = (30, 12)
    shown.draw([Text("one")])
    assert "\x1b[2J" in written(page)


def test_a_terminal_that_stands_still_holds_up_nobody_and_then_shows_the_latest(monkeypatch):
    monkeypatch.setattr(screen, "PATIENCE", 0.01)
    moment, (master, slave) = threading.Event(), terminal(columns=200, rows=50)
    with os.fdopen(slave, "w", encoding="utf-8") as file:
        shown = Screen(Console(file=file, width=200, height=50, force_terminal=True, legacy_windows=False))
        with shown:
            for number in range(1000):  # far more than the terminal keeps, and nobody reads
                shown.show([Text(f"{number:04}" * 45)] * 49)
                moment.wait(0.001)
        assert shown.is_alive(), "it waits for the terminal, and its owner does not"
        seen = b""
        while b"\x1b[?1049l" not in seen:
            seen += os.read(master, 65_536)
        shown.join(30)
    os.close(master)
    assert b"0999" in seen
    assert seen.count(b"\x1b[1;1H") < 1000, "pictures that were not drawn in time are left out"
    assert seen.index(b"\x1b[?1049h") < seen.index(b"0999") < seen.index(b"\x1b[?1049l")


def test_whoever_read_it_has_gone():
    moment, (master, slave) = threading.Event(), terminal()
    os.close(master)
    file = os.fdopen(slave, "w", encoding="utf-8")
    shown = Screen(Console(file=file, width=40, force_terminal=True, legacy_windows=False))

    def show_on():
        for _ in range(3000):
            shown.show([Text("one")])
            moment.wait(0.01)

    with shown, pytest.raises(OSError, match="Input/output error"):
        show_on()
    with suppress(OSError):
        file.close()


@pytest.mark.parametrize("kind", ["pipe", "dumb", "terminal"])
def test_what_can_be_drawn_on(kind, monkeypatch):
    monkeypatch.setenv("TERM", "dumb" if kind == "dumb" else "xterm")
    for name in ("FORCE_COLOR", "TTY_COMPATIBLE"):
        monkeypatch.delenv(name, raising=False)
    master, slave = os.pipe() if kind == "pipe" else terminal()
    with os.fdopen(slave, "w", encoding="utf-8") as file:
        assert drawable(Console(file=file)) is (kind == "terminal")
    os.close(master)


# --- every live screen on 40 columns -----------------------------------------------------------------------------


NAMES = ("cheek", "finger", "head", "hand", "pad")


def pictures():
    lark, wren = (profile.load(profile.find(name)) for name in ("lark", "wren"))
    for act in demo.ACTS:
        child = profile.load(profile.find(act.child))
        yield demo.DemoScreen(console(), act, "1 of 3", child, 20).lines(NANOSECONDS, NARROW)
    together = demo_together.TogetherScreen(console(), demo_together.profiles_of_the_children(), 60)
    together.event("", 0, "chord", {"name": "F#m7b5/A"})
    together.event("", 0, "key", {"name": "F# minor pentatonic"})
    yield together.lines(NANOSECONDS, NARROW)
    for name, loaded in (("cheek", lark), (next(iter(wren.types)), wren)):
        guide = Guide(loaded.types[name], loaded.child, 0)
        keys = {word: each[0] for word, each in guided._KEYS.items()}
        for seconds in range(0, 200, 5):
            guide.say(ON, seconds * NANOSECONDS)
            shown = guided._Shown(loaded, name, guide, keys, practise=True)
            shown._heard_at = 0 if seconds % 10 else None
            yield shown._lines(seconds * NANOSECONDS, NARROW)
            if guide.finished:
                break


def test_on_40_columns_no_line_of_a_live_screen_is_cut_but_the_last_word_of_a_meter():
    lines = [line.plain.rstrip() for picture in pictures() for line in picture]
    meters = [line for line in lines if line.startswith(tuple(f" {name[:10]:10} " for name in NAMES))]
    assert len(lines) > 200
    assert meters
    assert [line for line in lines if len(line) > NARROW and line not in meters] == []
    assert max(map(len, meters)) <= NARROW + 8


@pytest.mark.parametrize(("width", "shows"), [(30, " a long title     step 1 of 2 "), (20, " a long step 1 of 2 ")])
def test_the_place_stays_whole_and_the_title_is_cut(width, shows):
    line = headline("a long title", "step 1 of 2 ", width).plain
    assert len(line) == width
    assert line == shows


# --- text ---------------------------------------------------------------------------------------------------------


def test_text_is_wrapped_at_words_on_a_terminal_only():
    text = (
        "  A long line of several words that is wider than forty columns are.\nshort\n  14 | a line of a file that "
        "is longer than the terminal is wide"
    )
    narrow, pipe = InMemory(), io.StringIO()
    say(text, file=pipe)
    assert pipe.getvalue() == f"{text}\n"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "40")
        say(text, file=narrow)
    lines = narrow.getvalue().split("\n")
    assert lines[:2] == ["  A long line of several words that is", "    wider than forty columns are."]
    assert lines[2:] == ["short", text.split("\n")[2], ""]


@pytest.mark.parametrize(
    "words",
    [
        ["--help"],
        ["check", "wren"],
        ["nothing"],
        ["play", "none.jsonl", "--profile", "wren"],
        ["fit", "nothing", "--profile", "wren"],
    ],
)
def test_commands_wrap_their_words_on_40_columns(words, monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    page = InMemory()
    monkeypatch.setattr(sys, "stdout", page)
    monkeypatch.setattr(sys, "stderr", page)
    main(words)
    lines = page.getvalue().split("\n")
    assert len(lines) > 1
    assert [line for line in lines if len(line) > 40 and len(line.split()) > 1] == []
