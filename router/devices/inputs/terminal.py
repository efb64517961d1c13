"""Keys of the terminal in which the router runs, as switches: to play with no hardware, on a console or over SSH.

A terminal sends a letter when a key goes down, and again while it is held (auto-repeat: after 250 to 700 ms, then 10
to 30 times a second), but nothing when it is released. So time decides the release, in such a way that every tap is
heard and key repeat never makes a note. The same letter, by how long after the press (or the last letter) it comes:

    state       the letter comes again                               its time runs out
    up          press -> first                                       -
    first       within SAME (200 ms): a new tap -> first             HOLD (700 ms) after the press: release -> up
                later: repeat or a new tap? -> doubt
    doubt       within WAIT (60 ms): it was repeat -> repeating      it was a new tap: release, press -> first
    repeating   goes on -> repeating                                 GAP (150 ms) after the last letter: release -> up

A new tap ends the press before it. What other keys send (arrows, function keys) begins with Escape and is swallowed
whole. The times are our choice, after the usual settings of consoles and desktops.
"""

from __future__ import annotations

import codecs
import os
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from router.core.events import SwitchSample
from router.core.timers import earliest
from router.devices.descriptions import TerminalKey
from router.devices.inputs.base import PER_READ, DeviceLost, DeviceMissing, Stamped
from router.devices.inputs.shared import DeviceKind, Opened, Reader, Sharing, Wish
from router.devices.names import Candidate

MILLISECOND = 1_000_000
SAME, HOLD, WAIT, GAP = 200 * MILLISECOND, 700 * MILLISECOND, 60 * MILLISECOND, 150 * MILLISECOND
ESCAPE = 50 * MILLISECOND
"""An Escape, or the beginning of a sequence, with nothing after it for this long is the key itself; it is no switch."""

NAMES: Mapping[str, str] = {"space": " ", "enter": "\n", "tab": "\t"}
"""Keys that a profile names by a word."""


@dataclass(slots=True)
class _TypedKey:
    inputs: list[str]
    state: str = "up"
    came: int = 0
    """Time of the letter that decides: the press; in doubt and repeating, the last letter."""

    @property
    def deadline(self) -> int | None:
        wait = {"first": HOLD, "doubt": WAIT, "repeating": GAP}.get(self.state)
        return None if wait is None else self.came + wait


class Keys:
    """The table above, for several keys. No I/O; ``now`` is in nanoseconds and never goes back."""

    def __init__(self, keys: Mapping[str, str]) -> None:
        """``keys``: the letter of each input."""
        self._keys: dict[str, _TypedKey] = {}
        for name, letter in keys.items():
            self._keys.setdefault(letter, _TypedKey([])).inputs.append(name)

    def letter(self, letter: str, now: int) -> Iterator[Stamped]:
        """Take a letter; yield first what is due before it."""
        yield from self.wake(now)
        key = self._keys.get(letter) or self._keys.get(letter.lower())  # Caps Lock takes no key away
        if key is None:
            return
        before = key.came
        key.came = now
        match key.state:
            case "up":
                key.state = "first"
                yield from _say(key, now, True)
            case "first" if now - before < SAME:
                yield from _say(key, now, False, True)
            case "first":
                key.state = "doubt"
            case _:
                key.state = "repeating"

    def deadline(self) -> int | None:
        """When ``wake`` is next wanted."""
        return earliest(key.deadline for key in self._keys.values())

    def wake(self, now: int) -> Iterator[Stamped]:
        """Decide what time has decided, earliest first; each sample has the time of its decision."""
        while True:
            due = [(key.deadline, key) for key in self._keys.values() if key.deadline is not None]
            if not due:
                return
            when, key = min(due, key=lambda entry: entry[0])
            if when > now:
                return
            if key.state == "doubt":
                key.state = "first"
                yield from _say(key, when, False, True)
            else:
                key.state = "up"
                yield from _say(key, when, False)


def _say(key: _TypedKey, now: int, *pressed: bool) -> Iterator[Stamped]:
    for down in pressed:
        for name in key.inputs:
            yield now, SwitchSample(name, down)


class Letters:
    """Bytes of a terminal in, letters of keys out; Escape sequences are swallowed (ECMA-48, section 5.4)."""

    def __init__(self) -> None:
        self._decoder: Any = codecs.getincrementaldecoder("utf-8")("ignore")
        self._inside = ""  # of an Escape sequence: what came of it, without its parameters
        self._since = 0

    def feed(self, data: bytes, now: int) -> Iterator[str]:
        """The letters in these bytes."""
        if self._inside and now - self._since >= ESCAPE:
            self._inside = ""
        for letter in self._decoder.decode(data):
            if letter == "\x1b":
                self._inside, self._since = letter, now
            elif not self._inside:
                yield "\n" if letter == "\r" else letter
            elif self._inside == "\x1b" and letter in "[O":
                self._inside += letter
            elif self._inside == "\x1b[" and letter == "[":  # function keys of the Linux console: one letter more
                self._inside = "\x1bO"
            elif self._inside == "\x1b[" and " " <= letter <= "?":
                continue  # parameters
            else:
                self._inside = ""


class Terminal(Opened[str]):
    r"""The terminal at ``descriptor`` (standard input); ``close`` restores its settings.

    Letters come at once and are not shown; Ctrl-C still ends the program. Ctrl-Z, Ctrl-\ and Ctrl-S do nothing: a
    program that stops in the middle leaves a note sounding.

    Raises:
        DeviceMissing: it is not a terminal, or not ours to read now.
    """

    def __init__(self, descriptor: int) -> None:
        import termios  # noqa: PLC0415 - not on every system

        super().__init__()
        self._termios = termios
        self._letters = Letters()
        if not os.isatty(descriptor):
            raise DeviceMissing(
                "the profile plays with the terminal's keys, but the router does not run in a terminal: "
                "start it in one, or let the profile use another device (router devices lists them)"
            )
        self._fd = self._opened(descriptor)
        try:
            if _in_background(self._fd):  # to change the terminal from there would stop the whole program
                raise DeviceMissing(
                    "the profile plays with the terminal's keys, but the router runs in the background: "
                    "bring it to the front (fg)"
                )
            self._before = termios.tcgetattr(self._fd)
            termios.tcsetattr(self._fd, termios.TCSANOW, self._changed())
        except (OSError, termios.error) as error:
            os.close(self._fd)
            raise DeviceMissing(f"the terminal cannot be used: {error}") from error
        except DeviceMissing:
            os.close(self._fd)
            raise

    def fileno(self) -> int:
        return self._fd

    def take(self, now: int) -> str | None:
        try:
            data = os.read(self._fd, PER_READ)
        except BlockingIOError:
            return None
        except OSError as error:
            raise DeviceLost(f"the terminal: {error.strerror}") from error
        if not data:
            raise DeviceLost("the terminal has gone")
        return "".join(self._letters.feed(data, now))

    def close(self) -> None:
        if self._fd < 0:
            return
        with suppress(OSError, self._termios.error):  # the terminal may have gone
            self._termios.tcsetattr(self._fd, self._termios.TCSANOW, self._before)
        os.close(self._fd)
        self._fd = -1

    @staticmethod
    def _opened(descriptor: int) -> int:
        """The terminal opened once more, so that not waiting for it is our own affair and not also the shell's."""
        flags = os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC
        try:
            return os.open(os.ttyname(descriptor), flags)
        except OSError:  # it belongs to another user, as after su
            try:
                return os.open("/dev/tty", flags)
            except OSError as error:
                raise DeviceMissing(f"the terminal cannot be used: {error.strerror}") from error

    def _changed(self) -> list[Any]:
        termios = self._termios
        iflag, oflag, cflag, lflag, ispeed, ospeed, control = self._before
        control = list(control)
        for number in (termios.VSUSP, termios.VQUIT):
            control[number] = b"\0"  # _POSIX_VDISABLE on Linux
        control[termios.VMIN], control[termios.VTIME] = 1, 0
        iflag &= ~termios.IXON
        lflag &= ~(termios.ICANON | termios.ECHO)
        return [iflag, oflag, cflag, lflag, ispeed, ospeed, control]


class TerminalInput(Reader[str]):
    """Some keys of the terminal, for one seat.

    Raises:
        DeviceMissing: it is not a terminal, or not ours to read now.
        DeviceBusy: another seat plays with the same key.
    """

    description = "the terminal's keys"

    def __init__(self, devices: Mapping[str, TerminalKey], descriptor: int = 0, wish: Wish | None = None) -> None:
        self.inputs = tuple(devices)
        self._keys = Keys({name: NAMES.get(device.key, device.key) for name, device in devices.items()})
        wish = wish or Sharing().wish("", ("terminal",), devices)
        there = {"the terminal": Candidate((self.description,))}
        wish.sharing.choose(wish, there, _KIND)
        with wish.sharing.opening(wish):
            opened = wish.sharing.opened("the terminal", lambda: Terminal(descriptor))
        super().__init__(opened, wish)

    def made(self, what: str, now: int) -> Iterator[Stamped]:
        for letter in what:
            yield from self._keys.letter(letter, now)

    def deadline(self) -> int | None:
        return self._keys.deadline()

    def wake(self, now: int) -> list[Stamped]:
        return list(self._keys.wake(now))


def _clash(ours: Mapping[str, TerminalKey], theirs: Mapping[str, TerminalKey]) -> str:
    """The keys that both play with."""
    return " and ".join(sorted({device.key for device in ours.values()} & {device.key for device in theirs.values()}))


_KIND = DeviceKind("key", "terminal", "another key", lambda _devices, _name: True, _clash)


def _in_background(descriptor: int) -> bool:
    try:
        return os.tcgetpgrp(descriptor) != os.getpgrp()
    except OSError:  # it is not the terminal that controls us, so nothing is in its background
        return False
