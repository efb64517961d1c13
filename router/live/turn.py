"""Whose turn it is, kept where it outlives this process: the next start reads who was at work when this one was killed.

A file in memory (on a tmpfs, /run) that holds two bytes which change while it plays, and a table that changes with each
profile:

    seat    0: nobody's turn; else the seat's place in the table, from 1
    rule    0: none of others' rules is at work; else the rule's place in the table, from 1
    table   which profile plays at each seat (its file's name and the digest of its text), and the rules of others

A turn costs one store of a byte and no system call, and what was stored is there for the next process however this one
ends: by the watchdog's signal, by a crash in C, by ``os.abort``. Whoever finds that a rule cannot be stopped need only
end the process while the rule is inside its call (``Budget`` marks it): the next start leaves that rule out
(``deaths.py``).

What is found there is not trusted: a torn or foreign file says nobody.
"""

from __future__ import annotations

import json
import mmap
import os
import struct
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

MAGIC, VERSION = b"turn", 1
HEADER = struct.Struct("<8sI")
"""The magic word and the version."""

SEAT, RULE = 16, 17
"""Where the two bytes stand."""

LENGTH = struct.Struct("<I")
LENGTH_AT, TABLE_AT = 32, 64
SIZE = 1 << 16
"""Bytes of the whole: a seat takes about 150 of the table, a rule about 100."""

MOST = 255
"""Places in a table: what does not fit is nobody."""


@dataclass(frozen=True, slots=True)
class Playing:
    """The profile that plays at a seat: the name of its file, and the SHA-256 of its text."""

    seat: str
    file: str
    digest: str


@dataclass(frozen=True, slots=True)
class OthersRule:
    """A rule that is not the router's own: its name in a profile, and where it comes from."""

    name: str
    origin: str


@dataclass(frozen=True, slots=True)
class TurnRecord:
    """The record that an ended process left: what played, whose turn it was and which rule was at work, if known."""

    playing: tuple[Playing, ...] = ()
    seat: Playing | None = None
    rule: OthersRule | None = None


class Turn:
    """The record of whose turn it is. ``path`` None: in this process's own memory, where nobody looks.

    To mark a turn, write ``turn.memory[SEAT] = number``.

    Raises:
        OSError: the file cannot be made.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.memory: bytearray | mmap.mmap = bytearray(SIZE) if path is None else _mapped(path)
        self._playing: dict[str, Playing] = {}
        self._rules: dict[OthersRule, int] = {}
        HEADER.pack_into(self.memory, 0, MAGIC, VERSION)

    def seat(self, name: str) -> int:
        """The number of a seat, to be stored at ``SEAT`` while it is its turn; 0 if the table is full."""
        if name not in self._playing and len(self._playing) < MOST:
            self.plays(name, "", "")
        names = list(self._playing)
        return names.index(name) + 1 if name in names else 0

    def plays(self, seat: str, file: str, digest: str) -> None:
        """Note what plays at the seat from now on; to be called before it begins."""
        if seat in self._playing or len(self._playing) < MOST:
            self._playing[seat] = Playing(seat, file, digest)
            self._write()

    def rule(self, name: str, origin: str) -> int:
        """The number of a rule of others, to be stored at ``RULE`` while it is at work; 0 if the table is full."""
        rule = OthersRule(name, origin)
        if rule not in self._rules:
            if len(self._rules) >= MOST:
                return 0
            self._rules[rule] = len(self._rules) + 1
            self._write()
        return self._rules[rule]

    def close(self) -> None:
        """Mark that it is nobody's turn any more, and close the file."""
        self.memory[SEAT] = self.memory[RULE] = 0
        if isinstance(self.memory, mmap.mmap):
            self.memory.close()
            self.memory = bytearray(SIZE)

    def _write(self) -> None:
        """Write the table, whole or not at all: its length is 0 until all of it is there."""
        table = {
            "playing": [asdict(one) for one in self._playing.values()],
            "rules": [asdict(one) for one in self._rules],
        }
        data = json.dumps(table).encode()
        LENGTH.pack_into(self.memory, LENGTH_AT, 0)
        if TABLE_AT + len(data) <= SIZE:
            self.memory[TABLE_AT : TABLE_AT + len(data)] = data
            LENGTH.pack_into(self.memory, LENGTH_AT, len(data))


def _mapped(path: Path) -> mmap.mmap:
    file = os.open(path, os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CREAT, 0o600)
    try:
        os.ftruncate(file, 0)  # what the one before left there has been read
        os.ftruncate(file, SIZE)
        os.posix_fallocate(file, 0, SIZE)  # a store that finds no room would end the process
        return mmap.mmap(file, SIZE)
    finally:
        os.close(file)


def left_behind(path: Path) -> TurnRecord:
    """Read what the process before left in the file, whatever is in it."""
    try:
        with open(os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK), "rb") as file:  # noqa: PTH123 - with flags of its own
            return parsed(file.read(SIZE))
    except OSError:
        return TurnRecord()


def parsed(data: bytes) -> TurnRecord:
    """Read a record from these bytes; any bytes are taken, and foreign ones give an empty record."""
    if len(data) < TABLE_AT or HEADER.unpack_from(data)[:2] != (MAGIC.ljust(8, b"\0"), VERSION):
        return TurnRecord()
    length = LENGTH.unpack_from(data, LENGTH_AT)[0]
    try:
        table = json.loads(data[TABLE_AT : TABLE_AT + length])
        playing = tuple(Playing(**_texts(one)) for one in table["playing"])
        rules = tuple(OthersRule(**_texts(one)) for one in table["rules"])
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return TurnRecord()
    seat, rule = data[SEAT], data[RULE]
    return TurnRecord(
        playing,
        playing[seat - 1] if 0 < seat <= len(playing) else None,
        rules[rule - 1] if 0 < rule <= len(rules) else None,
    )


def _texts(entry: Mapping[str, object]) -> dict[str, str]:
    if not all(isinstance(text, str) for text in entry.values()):
        raise TypeError
    return {key: str(text) for key, text in entry.items()}
