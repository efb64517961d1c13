"""The file of the notes that sound: its layout, and how another process reads it once the one that played has ended.

``router/bedside/sounding.py`` writes it and says what it is for. After a header come ``SLOTS`` slots of ``SLOT_SIZE``
bytes: the place that an output leads to, a byte for each channel, a byte for each note of each channel. Little is
imported here, so that the program that ends the notes left over starts quickly.
"""

from __future__ import annotations

import mmap
import os
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple, Self

MAGIC, VERSION = b"sounding", 1
HEADER = struct.Struct("<8sIi48x")
"""The magic word, the version, the number of the process that keeps the file."""

SLOTS = 64
CHANNELS, NOTES = 16, 128
PORT_SIZE = 504
PLACE = struct.Struct(f"<B7s{PORT_SIZE}s")
"""State, system, port in UTF-8 ("": one of our own); filled up with zeros. Then a byte a channel, and a byte a note."""
CHANNELS_AT = PLACE.size
NOTES_AT = CHANNELS_AT + CHANNELS
SLOT_SIZE = NOTES_AT + CHANNELS * NOTES
SIZE = HEADER.size + SLOTS * SLOT_SIZE

FREE, OPEN, LEFT = 0, ord("O"), ord("L")
SYSTEMS = ("alsa", "jack")


class PortAddress(NamedTuple):
    """Where another process finds the receiver of an output.

    ``system``: "alsa" or "jack". ``port``: the full name of the port that is sent to; "": a port of our own, to which
    anybody may be connected.
    """

    system: str
    port: str


class Left(NamedTuple):
    """Notes left on by one output: its slot, its place, the channels it used (1 to 16), its notes (channel, note)."""

    slot: int
    place: PortAddress
    channels: tuple[int, ...]
    notes: tuple[tuple[int, int], ...]


class Record:
    """The file, locked for this process alone until ``close``.

    ``left``: what was on when the process before this one ended. ``problem``: what is wrong with the file; "": nothing.

    Raises:
        BlockingIOError: another process has it.
        OSError: it cannot be opened, or is not there and is not to be made.
    """

    def __init__(self, path: Path, *, make: bool = False) -> None:
        self.file = os.open(
            path, os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK | (os.O_CREAT if make else 0), 0o600
        )
        try:
            self._take()
            data = os.pread(self.file, SIZE + 1, 0)
        except BaseException:
            self.close()
            raise
        self._ours = data.startswith(MAGIC)
        self.left, self.problem = parse(data)

    def keep(self, left: Sequence[Left]) -> None:
        """Mark only ``left`` as left over, and free the other slots; leave a file that is no record as it is."""
        if not self._ours:
            return
        if self.problem or not left:
            os.ftruncate(self.file, 0)
            return
        slots = {one.slot for one in left}
        for slot in range(SLOTS):
            os.pwrite(self.file, bytes([LEFT if slot in slots else FREE]), slot_at(slot))

    def close(self) -> None:
        """Release the file for others."""
        os.close(self.file)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()

    def _take(self) -> None:
        import fcntl  # noqa: PLC0415 - Windows has none, and reads of places only

        try:
            fcntl.flock(self.file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            keeper = HEADER.unpack(os.pread(self.file, HEADER.size, 0).ljust(HEADER.size, b"\0"))[2]
            raise BlockingIOError(error.errno, f"a router plays already, and has it (process {keeper})") from None


def parse(data: bytes) -> tuple[list[Left], str]:
    """Return what is on, and what is wrong with the file ("": nothing). Any bytes may be given.

    A damaged file may have lost notes, so every channel of each place that can be read counts as used.
    """
    if not any(data):  # nobody has written yet, or all was ended
        return [], ""
    whole = data[:SIZE].ljust(SIZE, b"\0")
    magic, version, _ = HEADER.unpack_from(whole)
    found = [read_slot(whole, slot) for slot in range(SLOTS) if whole[slot_at(slot)] != FREE]
    if magic != MAGIC:
        problem = "it is damaged, or no record of what sounds"
    elif version != VERSION:
        problem = f"it is of version {version}, and this program reads version {VERSION}"
    elif len(data) != SIZE:
        problem = "a part of it is missing" if len(data) < SIZE else "it is too long"
    elif any(whole[slot_at(slot)] not in (FREE, OPEN, LEFT) for slot in range(SLOTS)) or any(
        one.place.system not in SYSTEMS for one in found
    ):
        problem = "a part of it is damaged"
    else:
        return found, ""
    everywhere = tuple(range(1, CHANNELS + 1))
    return [one._replace(channels=everywhere) for one in found if one.place.system in SYSTEMS], problem


def slot_at(slot: int) -> int:
    """The offset of a slot in the file, in bytes."""
    return HEADER.size + slot * SLOT_SIZE


def read_slot(memory: bytes | mmap.mmap, slot: int) -> Left:
    """Read a slot, whatever its state."""
    at = slot_at(slot)
    _, system, port = PLACE.unpack_from(memory, at)
    channels, notes = memory[at + CHANNELS_AT : at + NOTES_AT], memory[at + NOTES_AT : at + SLOT_SIZE]
    return Left(
        slot,
        PortAddress(*(text.partition(b"\0")[0].decode("utf-8", "surrogateescape") for text in (system, port))),
        tuple(channel + 1 for channel, used in enumerate(channels) if used),
        tuple((place // NOTES + 1, place % NOTES) for place, on in enumerate(notes) if on),
    )
