"""Programs that play, each in a process of its own: the router with everything on, the floor, and what else it is
compared with.

    python -m tests.benchmarks.speed.players router|bare|script|listener FOLDER [--fifo] [--step MS]

A player takes input events of 24 bytes (struct input_event of linux/input.h) from the named pipe
``FOLDER/NAME.events``, and sends MIDI through python-rtmidi to the port of the listener. When the pipe ends it writes
into ``FOLDER/NAME.sent`` when each message had been sent.

    router    the service of a small PC: profile folder, control socket, session log, record of what sounds, limits
    bare      epoll, read, unpack, send_message: nothing can be quicker in this language. With --step it plays in time,
              from one timerfd
    script    what somebody writes in ten lines: select, read, unpack, a mido message, and mido's port
    listener  the port at the other end; it counts
"""

from __future__ import annotations

import array
import os
import select
import signal
import struct
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import rtmidi

from router.core.units import NANOSECONDS
from router.system import clock

EVENT = struct.Struct("@llHHi")
KEY, BUTTON = 1, 0x2C0
"""EV_KEY and BTN_TRIGGER_HAPPY1 of linux/input-event-codes.h."""
PRIORITY = 20
LISTENER = "bench-listener"
WATCHED = "watched"
"""A file of this name asks the router to note how long its loop is away."""

sent: array.array[int] = array.array("q")
"""When each note had begun, and in ``ended`` when it had ended."""
ended: array.array[int] = array.array("q")


class Port(rtmidi.MidiOut):  # type: ignore[misc]
    """Notes the time when a message has been sent."""

    def send_message(self, message: Sequence[int]) -> None:
        super().send_message(message)
        (sent if message[0] & 0xF0 == 0x90 else ended).append(clock.now())


def leads_to_listener() -> Any:
    port = Port(rtmidi.API_UNIX_JACK, name="bench-player")
    port.open_port(next(n for n, name in enumerate(port.get_ports()) if name.startswith(LISTENER)))
    return port


def say_ready() -> None:
    sys.stdout.write("ready\n")
    sys.stdout.flush()


def bare(events: Path, step: int) -> None:
    descriptor = os.open(events, os.O_RDONLY | os.O_NONBLOCK)
    port, poll = leads_to_listener(), select.epoll()
    poll.register(descriptor, select.EPOLLIN)
    say_ready()
    if step:
        _in_time(descriptor, poll, port, step)
        return
    while True:
        poll.poll()
        data = os.read(descriptor, 1536)
        if not data:
            return
        for _seconds, _micros, _kind, _code, value in EVENT.iter_unpack(data):
            port.send_message((0x90, 60, 80) if value else (0x80, 60, 0))


def _in_time(descriptor: int, poll: select.epoll, port: Any, step: int) -> None:
    """A note at each step after a press, until the release: absolute deadlines through one timerfd."""
    from router.system.loop import Timer

    timer, due, since = Timer(), 0, 0
    poll.register(timer.fileno(), select.EPOLLIN)
    while True:
        for readable, _ in poll.poll():
            if readable == descriptor:
                data = os.read(descriptor, 24)
                if not data:
                    return
                seconds, micros, _kind, _code, value = EVENT.unpack(data)
                if value:
                    due = since = seconds * NANOSECONDS + micros * 1000
                    port.send_message((0x90, 60, 80))
                else:
                    since = 0
            else:
                timer.clear()
                port.send_message((0x90, 60, 80))
            due += step
            timer.arm(due if since else None)


def script(events: Path, _step: int) -> None:
    import mido

    descriptor = os.open(events, os.O_RDONLY | os.O_NONBLOCK)
    rtmidi.MidiOut = Port
    mido.set_backend("mido.backends.rtmidi/UNIX_JACK")
    port = mido.open_output(next(name for name in mido.get_output_names() if name.startswith(LISTENER)))
    say_ready()
    while True:
        select.select([descriptor], [], [])
        data = os.read(descriptor, 24)
        if not data:
            return
        value = struct.unpack("@llHHi", data)[4]
        port.send(mido.Message("note_on" if value else "note_off", note=60, velocity=80))


def router(events: Path, _step: int, fifo: bool) -> None:
    """The service, on a pipe in place of a kernel's device."""
    import contextlib

    from router.bedside.configuration_file import settled
    from router.bedside.service import Service
    from router.cli.run import _log
    from router.devices.inputs import evdev, kernel_devices
    from router.devices.names import Candidate
    from router.system import realtime

    class Pipe(kernel_devices.Node):
        """A device node as the input knows it."""

        name = "Bench switch"

        def __init__(self, path: str) -> None:
            self.path = path
            self._descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)

        def fileno(self) -> int:
            return self._descriptor

        def held(self) -> set[int]:
            return set()

        def axis(self, _code: int) -> kernel_devices.Axis:
            return kernel_devices.Axis(0, -1000, 1000)

        def grab(self, _ours: bool) -> None:
            pass

        def close(self) -> None:
            os.close(self._descriptor)

    keys = tuple(range(BUTTON, BUTTON + 40))
    has = {kernel_devices.EV_KEY: keys, kernel_devices.EV_REL: (), kernel_devices.EV_ABS: (0,)}
    evdev.present = lambda: [kernel_devices.Present(Candidate((Pipe.name,)), str(events), has)]
    evdev.Node = Pipe  # type: ignore[assignment, misc]
    rtmidi.MidiOut = Port
    if not fifo:
        realtime._ask_for_priority = lambda: None
    with contextlib.ExitStack() as stack:
        log, lost = _log(False, stack)
        chosen, refused = settled(events.parent / "router.yaml", log)
        service = Service(chosen, log, refused, lost)
        if (events.parent / WATCHED).exists():
            from .pauses import watch

            watch(service.daemon.loop, events.parent)
        service.run(say_ready)


def listener(count: Path) -> None:
    heard = [0]

    def hear(_event: Any, _data: Any) -> None:
        heard[0] += 1

    port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=LISTENER)
    port.set_callback(hear)
    port.open_virtual_port("in")
    say_ready()
    signal.sigwait({signal.SIGTERM})
    count.write_text(str(heard[0]))
    os._exit(0)  # python-rtmidi may wait for ever while it closes


def main(kind: str, folder: Path, step: int, fifo: bool) -> None:
    if kind == "listener":
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
        listener(folder / "listener.count")
        return
    events = folder / f"{kind}.events"
    if kind == "router":
        router(events, step, fifo)
    else:
        import gc

        gc.disable()
        if fifo:
            os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))
        {"bare": bare, "script": script}[kind](events, step)
    for name, times in (("sent", sent), ("ended", ended)):
        (folder / f"{kind}.{name}").write_bytes(times.tobytes())
    sys.stdout.flush()
    os._exit(0)


if __name__ == "__main__":
    arguments = sys.argv[1:]
    main(
        arguments[0],
        Path(arguments[1]),
        int(arguments[arguments.index("--step") + 1]) if "--step" in arguments else 0,
        "--fifo" in arguments,
    )
