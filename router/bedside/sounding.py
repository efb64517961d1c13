"""Record the notes that sound in a file that outlives this process: another one reads it if this one is killed.

Each output that leads out of the process has a slot in the file: where it leads, which channels were used and which
notes are on. ``Recorded`` keeps the slot by plain stores into mapped memory: no system call, nothing that waits, and
what was stored is there for the next process however this one ends. A note is marked before it is sent and cleared
after it was ended, so what is marked is what sounds, or a little more.

    slot    free --record--> open --close, nothing on--> free
                               |                          ^
                               +--killed, or close with something on--> left --ended--+

What is left is ended by ``python -m router.bedside.hush FILE`` from a process of its own; where the port was not there
then, as soon as an output to a port of that name is recorded again.

``router/devices/outputs/sounding_notes.py`` has the layout. The file belongs on a tmpfs (/run), in memory: a disk can
make a store wait.
"""

from __future__ import annotations

import errno
import mmap
import os
from pathlib import Path

from router.core.midi import CONTROL_CHANGE, NOTE_OFF, NOTE_ON, PEDAL_DOWN, SUSTAIN, silencing
from router.devices.outputs.base import Output
from router.devices.outputs.sounding_notes import (
    CHANNELS_AT,
    FREE,
    HEADER,
    LEFT,
    MAGIC,
    NOTES,
    NOTES_AT,
    OPEN,
    PLACE,
    PORT_SIZE,
    SIZE,
    SLOT_SIZE,
    SLOTS,
    VERSION,
    PortAddress,
    Record,
    read_slot,
    slot_at,
)
from router.devices.ports import lasting

ON, ENDED = 1, 2
"""A note's byte. JACK takes a message only in its next cycle, and a process that is killed before takes its note-off
with it; so there a note that was ended stays marked as ended, and is ended once more by the process that reads the
file. With ALSA what was sent has arrived."""
USED, PEDAL = 1, 2
"""A channel's byte: something was sent to it; and its pedal is down."""


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
                fresh[slot_at(slot) + CHANNELS_AT + channel - 1] = USED
            for channel, note in one.notes:
                fresh[slot_at(slot) + NOTES_AT + (channel - 1) * NOTES + note] = ON
        self._memory[:] = bytes(fresh)

    def marked(self, output: Output) -> Output:
        """The output with what it plays recorded, or itself, if what it plays ends with this process.

        First, what was left on at a port of that name is ended.

        Raises:
            OSError: every slot is taken, or the port's name is too long. The output can play on without a record.
        """
        place = output.place
        if place is None:
            return output
        for one in (read_slot(self._memory, slot) for slot in range(SLOTS) if self._memory[slot_at(slot)] == LEFT):
            if one.place.system == place.system and lasting(one.place.port) == lasting(place.port):
                try:
                    for message in silencing(one.notes, one.channels):
                        output.send(message, 0)
                except Exception:  # noqa: BLE001, S112 - whatever it is, the first note will meet it too and be told of it
                    continue
                self._memory[slot_at(one.slot)] = FREE
        slot = self._free()
        _write_place(self._memory, slot, OPEN, place)
        return Recorded(output, self._memory, slot_at(slot))

    def close(self) -> None:
        """Give the file back; to be done after the outputs are closed. What is on all the same stays marked."""
        if not self._memory.closed:
            self._memory.close()
            self._record.close()

    def _free(self) -> int:
        """A slot to use; if need be, one whose port has not come back."""
        for state in (FREE, LEFT):
            for slot in range(SLOTS):
                if self._memory[slot_at(slot)] == state:
                    return slot
        raise OSError(errno.ENOSPC, f"{SLOTS} outputs are open, and what sounds is recorded for no more")


class Recorded(Output):
    """An output whose notes are marked in the file while they are on; made by ``Sounding.marked``."""

    def __init__(self, output: Output, memory: mmap.mmap, at: int) -> None:
        self._output = output
        self._send = output.send
        self._memory = memory
        self._at = at
        self._channels = at + CHANNELS_AT
        self._notes = at + NOTES_AT
        self._ended = ENDED if output.place is not None and output.place.system == "jack" else 0
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
            memory[note] = ON
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
            memory[self._notes + channel * NOTES + data[1]] = self._ended
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
            still_on = ON in self._memory[self._notes : self._at + SLOT_SIZE] or PEDAL in channels
            self._memory[self._at] = LEFT if still_on else FREE
        self._output.close()


def _write_place(memory: bytearray | mmap.mmap, slot: int, state: int, place: PortAddress) -> None:
    """Empty the slot, then write its place, and last of all its state: it counts only once it is whole."""
    at = slot_at(slot)
    system, port = (text.encode("utf-8", "surrogateescape") for text in place)
    if len(port) >= PORT_SIZE:
        raise OSError(
            errno.ENAMETOOLONG, f'what sounds at a port is recorded only if its name is shorter: "{place.port}"'
        )
    memory[at : at + SLOT_SIZE] = PLACE.pack(FREE, system, port).ljust(SLOT_SIZE, b"\0")
    memory[at] = state
