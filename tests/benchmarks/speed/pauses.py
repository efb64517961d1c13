"""d. The longest that the loop is away, in a million input events, with everything on, swaps and collections of garbage
among it.

A pressure sensor and a switch, as one kernel device, send as fast as they are written: a batch of readings every two
milliseconds, and a press or a release now and then. Every two seconds another profile is put into the folder, which is
noticed, read, checked and played. A pause is a whole pass of the loop, from when ``epoll`` returns until it is asked
again: whatever is readable or due meanwhile waits for so long. Beside it stands the processor time that the pass took:
the rest of a pause is what the machine did for others, or a thread of ours that held the interpreter.
"""

from __future__ import annotations

import array
import gc
import time
from pathlib import Path
from typing import Any

from router.system import clock
from router.system.loop import Loop

from .figures import QUANTILES, Result, Target
from .live import before_others, may_have_priority, profile, wait_until, world
from .players import BUTTON, EVENT, KEY

AXIS, SYN = 3, 0
BATCH = 10
"""Readings at once: each is an event of the axis and the report's end."""
EVERY = 2_000_000
SWAP = 2_000_000_000
TAP = 40_000_000

MORE = """  cheek:
    type: pressure
    device: {evdev: "*Bench*", axis: ABS_X, calibrate: [{reads: 0, is: 0 Pa}, {reads: 1000, is: 1000 Pa}]}
    above: {on: 300 Pa, off: 200 Pa, full: 900 Pa}"""
PART = """  puffs:
    input: cheek.above
    rules: [sequence: {degrees: [1, 2]}]
    output: {port: synth, channel: 2}
"""


class Watched:
    """A poll that notes how long it was not asked."""

    def __init__(self, poll: Any, folder: Path) -> None:
        self._poll, self._folder = poll, folder
        self._since = self._worked = 0
        self.away, self.work, self.collections = (array.array("q") for _ in range(3))
        self._collecting = 0
        gc.callbacks.append(self._collects)

    def poll(self, *arguments: Any) -> Any:
        if self._since:
            self.away.append(clock.now() - self._since)
            self.work.append(clock.processor_time() - self._worked)
        ready = self._poll.poll(*arguments)
        self._since, self._worked = clock.now(), clock.processor_time()
        return ready

    def close(self) -> None:
        gc.callbacks.remove(self._collects)
        for name, times in (("away", self.away), ("work", self.work), ("collections", self.collections)):
            (self._folder / f"router.{name}").write_bytes(times.tobytes())
        self._poll.close()

    def _collects(self, phase: str, _info: dict[str, int]) -> None:
        if phase == "start":
            self._collecting = clock.now()
        else:
            self.collections.append(clock.now() - self._collecting)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._poll, name)


def watch(loop: Loop, folder: Path) -> None:
    """Note how long this loop is away, each time, for ``FOLDER/router.away`` and ``router.work``."""
    loop._epoll = Watched(loop._epoll, folder)  # type: ignore[assignment]


def measure(quick: bool) -> Result:
    result = Result("d", "d. Pauses: how long the loop is away, µs", list(QUANTILES), unit="µs")
    events = 50_000 if quick else 1_000_000
    for fifo in (False, True) if may_have_priority() else (False,):
        how = ", SCHED_FIFO" if fifo else ""
        away, work, collections, swaps = _run(events, fifo)
        # The first passes open devices, and the last ones close them: nobody plays then.
        playing = slice(3, -3)
        found = result.add(f"a pass{how}", [each / 1000 for each in away[playing]])
        ours = result.add(f"its processor time{how}", [each / 1000 for each in work[playing]])
        wanted = 500.0 if fifo else 2000.0
        result.targets.append(Target(f"the longest pass, processor time{how}", wanted, ours["max"], "µs"))
        if fifo:
            result.targets.append(Target(f"the longest pass{how}", wanted, found["max"], "µs"))
        if collections:
            result.add(f"a collection of garbage{how}", [each / 1000 for each in collections])
        beyond = sum(each > wanted * 1000 for each in away[playing])
        result.remarks.append(
            f"{events:,} events in {len(away):,} passes, {swaps} swaps{how}: {beyond} passes longer than "
            f"{wanted / 1000:g} ms."
        )
    return result


def _run(events: int, fifo: bool) -> tuple[array.array[int], array.array[int], array.array[int], int]:
    """How long each pass took, its processor time, how long each collection of garbage took,
    and how many swaps there were.
    """
    with world() as here:
        here.watched()
        texts = [profile(rules, MORE).replace("outputs:", f"{PART}outputs:") for rules in (5, 10)]
        players = here.players(("router",), texts[0], fifo=fifo)
        player, path = players["router"], here.folder / "profiles" / "wren.yaml"
        at = clock.now() + 500_000_000
        swapped, tapped, swaps, sent = at, at, 0, 0
        with before_others(fifo):
            while sent < events:
                wait_until(at)
                batch = bytearray()
                seconds, rest = divmod(clock.now(), 1_000_000_000)
                for n in range(BATCH):
                    value = 40 + (sent * 7 + n * 13) % 50
                    batch += EVENT.pack(seconds, rest // 1000, AXIS, 0, value) + EVENT.pack(
                        seconds, rest // 1000, SYN, 0, 0
                    )
                sent += 2 * BATCH
                if at - tapped > TAP:
                    tapped, down = at, (at // TAP) % 2
                    batch += EVENT.pack(seconds, rest // 1000, KEY, BUTTON, down)
                    sent += 1
                player.write(bytes(batch))
                if at - swapped > SWAP:
                    swapped, swaps = at, swaps + 1
                    aside = path.with_suffix(".aside")
                    aside.write_text(f"{texts[swaps % 2]}# {swaps}\n", encoding="utf-8")
                    aside.rename(path)
                at = max(at + EVERY, clock.now() - EVERY)
        time.sleep(1)
        player.ended()
        found = []
        for name in ("away", "work", "collections"):
            times = array.array("q")
            times.frombytes((here.folder / f"router.{name}").read_bytes())
            found.append(times)
        return found[0], found[1], found[2], swaps
