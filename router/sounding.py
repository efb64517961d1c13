"""What sounds, kept where it outlives this process: a file in memory that another process reads when this one was killed.

Each output that leads out of the process has a slot in the file: where it leads, which channels were used and which notes
are on. ``Recorded`` keeps the slot by plain stores into mapped memory: no system call, nothing that waits, and what was stored
is there for the next process however this one ends. A note is stored before it is sent and cleared after it was ended, so what is
marked is what sounds, or one note more.

    slot    free --record--> open --close, nothing on--> free
                               |                          ^
                               +--killed, or close with something on--> left --ended--+

What is left is ended by ``python -m router.hush FILE`` from a process of its own; where the port was not there then, as soon as
an output to a port of that name is recorded again.

The layout is fixed: a header, then ``SLOTS`` slots of ``SLOT_SIZE`` bytes. The file belongs on a tmpfs (/run): a disk can make a
store wait, and after a power cut nothing sounds that a file could tell of.
"""

from __future__ import annotations

import errno
import fcntl
import mmap
import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

from router.midi import CONTROL_CHANGE, NOTE_OFF, NOTE_ON, SUSTAIN, silencing
from router.outputs.base import Output, Place
from router.ports import lasting

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
USED, PEDAL = 1, 2
"""A channel's byte: something was sent to it; and its pedal is down."""
PEDAL_DOWN = 64
"""The least value of controller 64 that is down (MIDI 1.0 Detailed Specification, control change table)."""


@dataclass(frozen=True, slots=True)
class Left:
    """What one output had on: its slot, where it led, the channels it used (1 to 16), its notes (channel, note)."""

    slot: int
    place: Place
    channels: tuple[int, ...]
    notes: tuple[tuple[int, int], ...]


class Record:
    """The file as a process finds it: it has it to itself until ``close``, and only one can.

    ``left`` is what was on when the one before it ended; ``problem`` is what is wrong with the file, "" if nothing is.

    Raises:
        BlockingIOError: another process has it.
        OSError: it cannot be opened, or is not there and not to be made.
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
        """Of what was left, only this is; a file that is no record at all stays as it is."""
        if not self._ours:
            return
        if self.problem or not left:
            os.ftruncate(self.file, 0)
            return
        slots = {one.slot for one in left}
        for slot in range(SLOTS):
            os.pwrite(self.file, bytes([LEFT if slot in slots else FREE]), _at(slot))

    def close(self) -> None:
        """Leave it to others."""
        os.close(self.file)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()

    def _take(self) -> None:
        try:
            fcntl.flock(self.file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            keeper = HEADER.unpack(os.pread(self.file, HEADER.size, 0).ljust(HEADER.size, b"\0"))[2]
            raise BlockingIOError(error.errno, f"a router plays already, and has it (process {keeper})") from None


class Sounding:
    """The file, kept by this process until ``close``. What an earlier one left in it stays until it is ended.

    Raises:
        BlockingIOError: another process keeps it.
        OSError: the folder is missing or cannot be written, or there is no room.
    """

    def __init__(self, path: Path) -> None:
        self._record = Record(path, make=True)
        try:
            os.ftruncate(self._record.file, SIZE)
            os.posix_fallocate(self._record.file, 0, SIZE)  # a store that finds no room would end the process
            self._memory = mmap.mmap(self._record.file, SIZE)
        except BaseException:
            self._record.close()
            raise
        left = self._record.left
        fresh = bytearray(SIZE)
        HEADER.pack_into(fresh, 0, MAGIC, VERSION, os.getpid())
        for slot, one in enumerate(one for one in left if one.place.port):  # nobody is connected to our own any more
            _write_place(fresh, slot, LEFT, one.place)
            for channel in one.channels:
                fresh[_at(slot) + CHANNELS_AT + channel - 1] = USED
            for channel, note in one.notes:
                fresh[_at(slot) + NOTES_AT + (channel - 1) * NOTES + note] = 1
        self._memory[:] = bytes(fresh)

    def record(self, output: Output) -> Output:
        """The output with what it plays recorded, or itself, if what it plays ends with this process.

        First, what was left on at a port of that name is ended.

        Raises:
            OSError: every slot is taken, or the port's name is too long. The output can play on without a record.
        """
        place = output.place
        if place is None:
            return output
        for one in (_read(self._memory, slot) for slot in range(SLOTS) if self._memory[_at(slot)] == LEFT):
            if one.place.system == place.system and lasting(one.place.port) == lasting(place.port):
                for message in silencing(one.notes, one.channels):
                    output.send(message, 0)
                self._memory[_at(one.slot)] = FREE
        slot = self._free()
        _write_place(self._memory, slot, OPEN, place)
        return Recorded(output, self._memory, _at(slot))

    def close(self) -> None:
        """Give the file back; to be done after the outputs are closed. What is on all the same stays marked."""
        if not self._memory.closed:
            self._memory.close()
            self._record.close()

    def _free(self) -> int:
        """A slot to use; if need be, one whose port has not come back."""
        for state in (FREE, LEFT):
            for slot in range(SLOTS):
                if self._memory[_at(slot)] == state:
                    return slot
        raise OSError(errno.ENOSPC, f"{SLOTS} outputs are open, and what sounds is recorded for no more")


class Recorded(Output):
    """An output whose notes are marked in the file while they are on; made by ``Sounding.record``."""

    def __init__(self, output: Output, memory: mmap.mmap, at: int) -> None:
        self._output = output
        self._send = output.send
        self._memory = memory
        self._at = at
        self._channels = at + CHANNELS_AT
        self._notes = at + NOTES_AT
        self._open = True
        self.description = output.description
        self.place = output.place

    def send(self, data: tuple[int, ...], now: int) -> None:
        if not self._open or data[0] >= 0xF0:  # what is for no channel leaves nothing on
            self._send(data, now)
            return
        memory = self._memory
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if not memory[self._channels + channel]:
            memory[self._channels + channel] = USED
        if kind == NOTE_ON and data[2]:
            note = self._notes + channel * NOTES + data[1]
            before = memory[note]
            memory[note] = 1
            try:
                self._send(data, now)
            except Exception:
                memory[note] = before  # it was refused
                raise
            return
        if kind == CONTROL_CHANGE and data[1] == SUSTAIN and data[2] >= PEDAL_DOWN:
            memory[self._channels + channel] = PEDAL
        self._send(data, now)
        if kind in (NOTE_OFF, NOTE_ON):
            memory[self._notes + channel * NOTES + data[1]] = 0
        elif kind == CONTROL_CHANGE and data[1] == SUSTAIN and data[2] < PEDAL_DOWN:
            memory[self._channels + channel] = USED

    def deadline(self) -> int | None:
        return self._output.deadline()

    def wake(self, now: int) -> None:
        self._output.wake(now)

    def present(self) -> bool:
        return self._output.present()

    def stale(self) -> bool:
        return self._output.stale()

    def close(self) -> None:
        if self._open:
            self._open = False
            channels = self._memory[self._channels : self._notes]
            still_on = any(self._memory[self._notes : self._at + SLOT_SIZE]) or PEDAL in channels
            self._memory[self._at] = LEFT if still_on else FREE
        self._output.close()


def parse(data: bytes) -> tuple[list[Left], str]:
    """What is on, and what is wrong with the file ("": nothing). Any bytes will do.

    A file that is not as it was written may have lost notes, so every channel of each place that can be read counts as used.
    """
    if not any(data):  # nobody has written yet, or all was ended
        return [], ""
    whole = data[:SIZE].ljust(SIZE, b"\0")
    magic, version, _ = HEADER.unpack_from(whole)
    found = [one for slot in range(SLOTS) if whole[_at(slot)] != FREE and (one := _read(whole, slot))]
    if magic != MAGIC:
        problem = "it is damaged, or no record of what sounds"
    elif version != VERSION:
        problem = f"it is of version {version}, and this program reads version {VERSION}"
    elif len(data) != SIZE:
        problem = "a part of it is missing" if len(data) < SIZE else "it is too long"
    elif any(whole[_at(slot)] not in (FREE, OPEN, LEFT) for slot in range(SLOTS)) or any(
        one.place.system not in SYSTEMS for one in found
    ):
        problem = "a part of it is damaged"
    else:
        return found, ""
    everywhere = tuple(range(1, CHANNELS + 1))
    return [replace(one, channels=everywhere) for one in found if one.place.system in SYSTEMS], problem


def _at(slot: int) -> int:
    return HEADER.size + slot * SLOT_SIZE


def _read(memory: bytes | mmap.mmap, slot: int) -> Left:
    at = _at(slot)
    _, system, port = PLACE.unpack_from(memory, at)
    channels, notes = memory[at + CHANNELS_AT : at + NOTES_AT], memory[at + NOTES_AT : at + SLOT_SIZE]
    return Left(
        slot,
        Place(*(text.partition(b"\0")[0].decode("utf-8", "surrogateescape") for text in (system, port))),
        tuple(channel + 1 for channel, used in enumerate(channels) if used),
        tuple((place // NOTES + 1, place % NOTES) for place, on in enumerate(notes) if on),
    )


def _write_place(memory: bytearray | mmap.mmap, slot: int, state: int, place: Place) -> None:
    """Make the slot empty, then its place, and last of all its state: it counts only once it is whole."""
    at = _at(slot)
    system, port = (text.encode("utf-8", "surrogateescape") for text in place)
    if len(port) >= PORT_SIZE:
        raise OSError(
            errno.ENAMETOOLONG, f'what sounds at a port is recorded only if its name is shorter: "{place.port}"'
        )
    memory[at : at + SLOT_SIZE] = PLACE.pack(FREE, system, port).ljust(SLOT_SIZE, b"\0")
    memory[at] = state
