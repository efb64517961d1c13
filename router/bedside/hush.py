"""Ends what a router that was killed has left sounding: ``python -m router.bedside.hush FILE``, a process of its own.

It reads the record that ``sounding.py`` keeps, finds the ports by name, sends a note-off for each note that is marked,
then pedal up, all notes off and all sound off on each channel that was used, waits until that is delivered and empties
the record. What a port that is not there had on stays in the record: the next router ends it once that port is back.

With ``--after`` it waits first until its standard input ends, and then takes the file away as well: ``router run
PROFILE`` has no service manager that would start it again, so such a process watches over it (``watched``).

Where it led to a port of the router's own, nobody can say who was connected: every port that music may lead to is told.

It ends by itself ``--within`` seconds (5 if not given) after it has begun. The kernel sees to that (SIGALRM,
untouched): a MIDI system that has gone can freeze a whole Python process. Exit status 0: nothing is left; 1: something
is, and it was said.
"""

from __future__ import annotations

import signal
import sys
import time
from collections import deque
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

from router.core.midi import silencing
from router.devices.outputs.sounding_notes import Left, Record
from router.devices.ports import lasting, leads_on, quiet_jack

WITHIN = 5.0
"""Seconds that it may take; with a MIDI system that answers it takes a fraction of one."""
FOR_EVER = 3600.0
STARTING = 10.0
"""Seconds that the interpreter may take to start, on a small PC that has just been switched on."""
TAKING = 1.0
"""Seconds in which a killed process has released its files."""
CABLE = 0.001
"""ALSA: seconds that a message of three bytes takes on a MIDI cable (31,250 baud). There may be one behind the port."""
ANSWERING = 1.0
"""JACK: seconds in which a server that has just lost a client takes another: it was seen to refuse, once in 150
kills."""
STILL = 3.0
"""JACK: seconds without a cycle after which the server has gone, if its library has not told."""
CYCLES = 3
"""JACK: cycles after which a connection carries, and what was written has arrived."""
A_CYCLE = 32
"""JACK: messages written in one cycle; some thousand would make it late, and then they are lost."""
LOOK = 0.001
"""Seconds between looks at how far JACK's thread is."""
CLIENT = "router-hush"

Plan = dict[str, list[Left]]
"""For each port that is there, by its full name, what was on at it."""


class Ended(NamedTuple):
    """The outcome for the log ("" if nothing was left on), and whether all was ended, as far as anybody can say."""

    said: str
    wholly: bool


def end_what_was_left(path: Path, timeout: float = WITHIN) -> Ended:
    """End what an earlier router left on, before this one starts.

    Another process does it: a MIDI system that does not answer cannot hold this one up for longer than ``timeout``
    seconds and what it takes to start a process. Nothing is raised.
    """
    import subprocess  # noqa: PLC0415 - the other process does not need it, and is quicker without it

    try:
        with Record(path) as record:
            if not record.left and not record.problem:
                return Ended("", wholly=True)
    except FileNotFoundError:
        return Ended("", wholly=True)
    except OSError as error:
        return Ended(f"what an earlier router has left sounding cannot be read: {path}: {error.strerror}", wholly=False)
    command = [sys.executable, "-m", "router.bedside.hush", str(path), "--within", f"{timeout:.3f}"]
    try:
        ended = subprocess.run(  # noqa: S603 - our own module
            command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=STARTING + timeout, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        return Ended(f"what an earlier router has left sounding could not be ended: {error}", wholly=False)
    said = (ended.stdout + ended.stderr).strip()
    if ended.returncode == -signal.SIGALRM:
        said = f"{said}\nthe MIDI system has not answered for {timeout:g} s, and notes may sound on".strip()
    elif ended.returncode and not said:
        said = f"what an earlier router has left sounding could not be ended (status {ended.returncode})"
    return Ended(said, wholly=ended.returncode == 0)


@contextmanager
def watched(path: Path) -> Iterator[None]:
    """Have another process wait for our end, however we end, to end what we left on according to the record.

    The other process prints nothing: the terminal may have gone, too.

    Raises:
        OSError: no process can be had.
    """
    import subprocess  # noqa: PLC0415 - as above

    command = [sys.executable, "-m", "router.bedside.hush", str(path), "--after"]
    quiet = subprocess.DEVNULL
    watcher = subprocess.Popen(  # noqa: S603 - our own module
        command, stdin=subprocess.PIPE, stdout=quiet, stderr=quiet, start_new_session=True
    )
    try:
        yield
    finally:
        assert watcher.stdin is not None  # it was asked for
        watcher.stdin.close()
        with suppress(subprocess.TimeoutExpired):
            watcher.wait(STARTING + WITHIN)


def hush(left: Sequence[Left]) -> list[Left]:
    """End what is left on, and say what was done; what could not be ended is returned."""
    remaining: list[Left] = []
    for system, end in (("alsa", _by_alsa), ("jack", _by_jack)):
        here = [one for one in left if one.place.system == system and one.channels]
        if here:
            remaining += end(here)
    return remaining


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command that the module's docstring describes; return its exit status."""
    try:
        path, within, after = _read(sys.argv[1:] if arguments is None else arguments)
    except ValueError:
        sys.stderr.write(f"usage: python -m router.bedside.hush FILE [--within SECONDS | --after]\n{__doc__}")
        return 2
    if after:
        sys.stdin.buffer.read()
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGALRM])
    signal.setitimer(signal.ITIMER_REAL, within)
    try:
        with _taken(path) as record:
            if record.problem:
                _say(f"{path}: {record.problem}; every channel of each port that it names is silenced")
            remaining = hush(record.left)
            record.keep(remaining)
            if after:
                path.unlink()
    except FileNotFoundError:
        return 0
    except OSError as error:
        _say(f"{path}: {error.strerror}")
        return 1
    return 1 if remaining else 0


def _read(arguments: Sequence[str]) -> tuple[Path, float, bool]:
    """Read the command line. A library for it would take a tenth of the time that all this takes."""
    within = WITHIN
    match arguments:
        case [file] | [file, "--after"]:
            pass
        case [file, "--within", seconds]:
            within = float(seconds)
        case _:
            raise ValueError
    if file.startswith("-") or not 0 < within < FOR_EVER:
        raise ValueError
    return Path(file), within, arguments[-1] == "--after"


def _taken(path: Path) -> Record:
    """The record; a process that was killed may have it for a moment longer."""
    deadline = time.monotonic() + TAKING
    while True:
        try:
            return Record(path)
        except BlockingIOError:
            if time.monotonic() > deadline:
                raise
        time.sleep(LOOK)


def _plan(left: Sequence[Left], names: Sequence[str]) -> tuple[Plan, list[Left]]:
    """Return what was on at each port that is there, and what was on at ports that are not."""
    plan: Plan = {}
    gone = []
    for one in left:
        port = one.place.port
        if not port:
            meant = [name for name in names if leads_on(name)]
        else:
            meant = [port] if port in names else [name for name in names if lasting(name) == lasting(port)]
            if not meant:
                gone.append(one)
                _say(f'"{port}" is not there; {_count(one.notes, "note")} to be ended when it is back')
        for name in meant:
            plan.setdefault(name, []).append(one)
    return plan, gone


def _messages(name: str, left: Sequence[Left]) -> list[bytes]:
    notes = {note for one in left for note in one.notes}
    channels = {channel for one in left for channel in one.channels}
    _say(f'"{name}": {_count(notes, "note")} to end, {_count(channels, "channel")} to silence')
    return [bytes(message) for message in silencing(sorted(notes), sorted(channels))]


def _by_alsa(left: Sequence[Left]) -> list[Left]:
    import rtmidi  # noqa: PLC0415 - only if it is needed: this is to be quick

    try:
        out = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name=CLIENT)
    except (OSError, SystemError, rtmidi.RtMidiError) as error:
        _say(f"ALSA's sequencer does not answer: {error}")
        return [*left]
    plan, remaining = _plan(left, out.get_ports())
    for name, here in plan.items():
        try:
            out.open_port(out.get_ports().index(name))
            for message in _messages(name, here):
                out.send_message(message)
                time.sleep(CABLE)
            out.close_port()  # the kernel waits here until a cable has taken all
        except (ValueError, OSError, SystemError, rtmidi.RtMidiError) as error:  # unplugged at this moment
            _say(f'"{name}": {error}')
            remaining += here
    out.delete()
    return remaining


def _by_jack(left: Sequence[Left]) -> list[Left]:
    try:
        jack = quiet_jack()
    except (ImportError, OSError) as error:
        _say(f"JACK is not installed: {error}")
        return [*left]
    deadline = time.monotonic() + ANSWERING
    while True:
        try:
            client = jack.Client(CLIENT, no_start_server=True)
            break
        except jack.JackError:
            if time.monotonic() > deadline:
                _say("no JACK server answers")
                return [*left]
        time.sleep(LOOK)
    plan, remaining = _plan(left, [port.name for port in client.get_ports(is_midi=True, is_input=True)])
    sender = _JackSender(client, len(plan))
    client.activate()
    for port, name in zip(sender.ports, plan, strict=True):
        try:
            client.connect(port, name)
        except jack.JackError as error:  # unplugged at this moment
            _say(f'"{name}": {error}')
            remaining += plan[name]
    sender.wait()
    messages = [_messages(name, here) for name, here in plan.items()]
    for _ in range(2):  # a cycle that was late is lost, with what was written in it
        for queue, here in zip(sender.queues, messages, strict=True):
            queue.extend(here)
        sender.wait()
    client.close()
    if sender.stopped:
        _say("the JACK server has gone")
        return [*left]
    return remaining


class _JackSender:
    """Writes what is queued for each port, in JACK's thread."""

    def __init__(self, client: Any, ports: int) -> None:
        self.stopped = False
        self.ports = [client.midi_outports.register(f"out_{number}") for number in range(ports)]
        self.queues: list[deque[bytes]] = [deque() for _ in self.ports]
        self._cycle = 0
        client.set_process_callback(self._process)
        client.set_shutdown_callback(self._shut_down)

    def wait(self) -> None:
        """Wait until all is written, and ``CYCLES`` cycles after that."""
        start = None
        cycle, deadline = self._cycle, time.monotonic() + STILL
        while not self.stopped:
            if self._cycle != cycle:
                cycle, deadline = self._cycle, time.monotonic() + STILL
            elif time.monotonic() > deadline:  # it has gone, and JACK's library has not told
                self.stopped = True
            if any(self.queues):
                start = None
            elif start is None:
                start = self._cycle
            elif self._cycle - start > CYCLES:
                return
            time.sleep(LOOK)

    def _process(self, _frames: int) -> None:
        self._cycle += 1
        room = A_CYCLE
        for port, queue in zip(self.ports, self.queues, strict=True):
            port.clear_buffer()
            while queue and room:
                port.write_midi_event(0, queue.popleft())
                room -= 1

    def _shut_down(self, _status: object, _reason: str) -> None:
        self.stopped = True


def _count(things: Collection[object], what: str) -> str:
    return f"{len(things)} {what}" if len(things) == 1 else f"{len(things)} {what}s"


def _say(what: str) -> None:
    print(what, flush=True)  # noqa: T201 - what a command says


if __name__ == "__main__":
    sys.exit(main())
