"""The machine's MIDI system: which ports there are, news of them, whether it still runs, and breaking a connection.

Linux has two: ALSA's sequencer (``/dev/snd/seq``), and JACK where there is no sequencer or the environment says
``ROUTER_MIDI=jack``. Both know ports by name. ALSA's full names end in numbers that change at each boot
("Pad:Pad MIDI 1 20:0"); names in profiles go without.

There is one ``MidiSystem`` a process: every fresh client for listing would take one of the few the sequencer has.
python-rtmidi cannot say that a JACK server has gone (its list of ports stays as it was, and sending to it never
returns), so under JACK the list and that news come from JACK's own client library. Nor can it say that ports have come
or gone: JACK's library calls back, and ALSA's sequencer has a port of its own, "Announce", to which we listen.
"""

from __future__ import annotations

import fcntl
import functools
import os
import re
import struct
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import RLock
from typing import Any

from router.devices.names import Candidate

SEQUENCER = Path("/dev/snd/seq")
CHOICE = "ROUTER_MIDI"
CLIENT_ID = 0x80045301  # SNDRV_SEQ_IOCTL_CLIENT_ID, sound/asequencer.h: _IOR('S', 0x01, int)
CREATE_PORT = 0xC0A85320  # _IOWR('S', 0x20, struct snd_seq_port_info, 168 bytes)
SUBSCRIBE_PORT = 0x40505330  # _IOW('S', 0x30, struct snd_seq_port_subscribe, 80 bytes)
UNSUBSCRIBE_PORT = 0x40505331
GET_SUBSCRIPTION = 0xC0505350
PORT_INFO = struct.Struct("2B64sxx6i8xIB59x")  # address, name, capability, type, numbers, kernel's own, flags, queue
SUBSCRIPTION = "4B76x"  # sender's client and port, receiver's client and port
ANNOUNCE = (0, 1)  # SNDRV_SEQ_CLIENT_SYSTEM, SNDRV_SEQ_PORT_SYSTEM_ANNOUNCE
MAY_BE_SENT_TO = 1 << 1 | 1 << 6 | 1 << 7  # SNDRV_SEQ_PORT_CAP_WRITE, _SUBS_WRITE, and _NO_EXPORT: not for others
_NUMBERS = re.compile(r" (\d+):(\d+)$")
_PROCESS = re.compile(r"\(\d+(:\d+)?\)")  # a program's number in its name, as FluidSynth has it: another at each start
ASKED = 3
"""How often a port of our own is asked for at once: a client was refused now and then where others came and went."""
LOOP_BACK = "midi through"
_NOT_MEANT = (LOOP_BACK, "router")
"""Ports that a pattern such as "*" leaves out: the system's loop-back, and our own. Their names still reach them."""


class NoMidi(Exception):  # a machine without MIDI is not in error
    """There is no MIDI system, or it does not answer; the message says what was tried."""


class MidiSystem(ABC):
    """The ports of one MIDI system."""

    name: str
    """"alsa" or "jack"."""
    api: int
    """Its number in python-rtmidi."""

    @abstractmethod
    def senders(self) -> list[str]:
        """Full names of the ports that send to us."""

    @abstractmethod
    def receivers(self) -> list[str]:
        """Full names of the ports that we can send to."""

    @property
    @abstractmethod
    def alive(self) -> bool:
        """True if the system still runs."""

    @abstractmethod
    def fileno(self) -> int:
        """A descriptor that is readable when ports have come or gone, or the system has."""

    @abstractmethod
    def clear(self) -> None:
        """Make the descriptor ready for the next news."""

    @abstractmethod
    def close(self) -> None:
        """Give the system back; only once nobody uses it any more."""

    @abstractmethod
    def connected(self, port: str, client: str) -> bool:
        """Tell whether a client of ours, or one whose name begins so, is connected with ``port`` (full name)."""

    @abstractmethod
    def disconnect(self, sender: str, client: str) -> None:
        """Break every connection from ``sender`` (full name) to our client ``client``; do nothing if there is none.

        To be called before an input is closed: closing while messages come in can wait for ever for the thread that
        brings them, which waits for us.
        """

    @contextmanager
    def still(self) -> Iterator[None]:
        """Hold back all news inside this context until its end. Our own ports are opened and closed in it.

        python-rtmidi keeps the interpreter's lock meanwhile, so nothing that it waits for may wait for that lock.
        """
        yield


def our_port(make: Callable[[], Any]) -> Any:
    """Open a port of our own; ask ``ASKED`` times, as JACK now and then refuses one while others come and go.

    Raises:
        rtmidi.RtMidiError: it was refused each time.
    """
    import rtmidi  # noqa: PLC0415 - only Linux installs it

    for _ in range(ASKED - 1):
        try:
            return make()
        except rtmidi.RtMidiError:
            continue
    return make()


class PortConnection:
    """A connection of our ``client`` with a ``port`` (full name), which lasts until the port goes.

    A device that is pulled out and put back at once has the name of before, and no connection: music sent to it goes
    nowhere. JACK has a new connection only a period later, so one that was never seen does not count as broken.
    """

    def __init__(self, system: MidiSystem, port: str, client: str) -> None:
        self._system, self._port, self._client = system, port, client
        self._seen = system.connected(port, client)

    def lasts(self) -> bool:
        """Tell whether it is still there."""
        there = self._system.connected(self._port, self._client)
        self._seen |= there
        return there or not self._seen


class AlsaSystem(MidiSystem):
    """ALSA's sequencer, through one client of python-rtmidi in each direction."""

    name = "alsa"

    def __init__(self) -> None:
        import rtmidi  # noqa: PLC0415 - only Linux has it, and only running needs it

        self.api = rtmidi.API_LINUX_ALSA
        try:
            self._in: Any = rtmidi.MidiIn(self.api, name="router-look")
            self._out: Any = rtmidi.MidiOut(self.api, name="router-look")
        except OSError as error:
            raise NoMidi(f"ALSA's sequencer {SEQUENCER} cannot be used: {error}") from error
        self._news = _listen_to_announcements()

    def fileno(self) -> int:
        return self._news

    def clear(self) -> None:
        with suppress(OSError):  # nothing left, or some did not fit in its queue (ENOSPC)
            while os.read(self._news, 4096):
                pass

    def close(self) -> None:
        os.close(self._news)
        self._in.delete()
        self._out.delete()

    def senders(self) -> list[str]:
        return [str(name) for name in self._in.get_ports()]

    def receivers(self) -> list[str]:
        return [str(name) for name in self._out.get_ports()]

    @property
    def alive(self) -> bool:
        return True  # part of the kernel

    def connected(self, port: str, client: str) -> bool:
        other = _NUMBERS.search(port)
        ours = [_NUMBERS.search(name) for name in (*self.senders(), *self.receivers()) if name.startswith(client)]
        for one in [one for one in ours if one and other]:
            for pair in ((one, other), (other, one)):
                numbers = [int(number) for each in pair if each for number in each.groups()]
                with suppress(OSError):  # they are not connected
                    # A client opened for this would be news of ports, and the question asked again.
                    fcntl.ioctl(self._news, GET_SUBSCRIPTION, struct.pack(SUBSCRIPTION, *numbers))
                    return True
        return False

    def disconnect(self, sender: str, client: str) -> None:
        source = _NUMBERS.search(sender)
        if source is None:
            return
        with open(SEQUENCER, "rb+", buffering=0) as sequencer:  # noqa: PTH123 - the mode reads plainer so
            for name in self.receivers():
                target = _NUMBERS.search(name)
                if target is None or not name.startswith(client + ":"):
                    continue
                addresses = (*map(int, source.groups()), *map(int, target.groups()))
                try:
                    fcntl.ioctl(sequencer, UNSUBSCRIBE_PORT, struct.pack(SUBSCRIPTION, *addresses))
                except OSError:  # it is not connected
                    continue


class JackSystem(MidiSystem):
    """A JACK server, through its own client library."""

    name = "jack"

    def __init__(self) -> None:
        try:
            jack = quiet_jack()
        except (ImportError, OSError) as error:
            raise NoMidi(f"{_no_alsa()}, and JACK is not installed ({error})") from error
        import rtmidi  # noqa: PLC0415 - as above

        self.api = rtmidi.API_UNIX_JACK
        self._running = self._open = True
        try:
            self._client = jack.Client("router-look", no_start_server=True)
        except jack.JackError as error:
            raise NoMidi(f"{_no_alsa()}, and no JACK server answers") from error
        self._jack = jack
        self._news = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._lock = RLock()  # opening and closing may be done in several threads
        self._still = False
        self._client.set_shutdown_callback(self._gone)
        self._changed = self._teller()
        self._hear_of_ports(True)

    def fileno(self) -> int:
        return self._news

    def clear(self) -> None:
        with suppress(BlockingIOError):
            os.eventfd_read(self._news)

    def close(self) -> None:
        self._open = False
        self._client.close()
        os.close(self._news)

    def senders(self) -> list[str]:
        return [port.name for port in self._client.get_ports(is_midi=True, is_output=True)]

    def receivers(self) -> list[str]:
        return [port.name for port in self._client.get_ports(is_midi=True, is_input=True)]

    @property
    def alive(self) -> bool:
        return self._running

    def connected(self, port: str, client: str) -> bool:
        try:
            return any(other.name.startswith(client) for other in self._client.get_all_connections(port))
        except self._jack.JackError:  # it has gone
            return False

    def disconnect(self, sender: str, client: str) -> None:
        for port in self._client.get_ports(re.escape(client) + ":", is_midi=True, is_input=True):
            try:
                self._client.disconnect(sender, port)
            except self._jack.JackError:  # it is not connected
                continue

    @contextmanager
    def still(self) -> Iterator[None]:
        """Hold back all news meanwhile, as it could block for ever.

        A server that has news for a client waits until the client has heard it, before it answers anybody else. Our
        client hears in a thread that needs the interpreter's lock, and python-rtmidi holds that lock while it waits for
        an answer.

        At the end, wait until our client has heard all that happened meanwhile (the server answers ``activate`` after
        that). JACK gives the number of a closed client to the next one: a client that hears late that the first has
        gone takes the new one of the same process for it, and unmaps what the new one's thread waits on.
        """
        with self._lock:
            outermost, self._still = not self._still, True
            if not outermost:
                yield
                return
            self._hear_of_ports(False)
            try:
                yield
            finally:
                self._still = False
                self._hear_of_ports(True)
                if self._open:
                    os.eventfd_write(self._news, 1)

    def _gone(self, _status: object, _reason: str) -> None:
        """Note, in JACK's thread, that the server has gone."""
        self._running = False
        if self._open:
            os.eventfd_write(self._news, 1)

    def _teller(self) -> object:
        """Make the function that JACK calls when a port comes or goes; it writes to the descriptor.

        The library's own callback first looks the port up, in JACK's thread, when it may have gone again. Here it is
        enough to know that something changed.
        """

        def changed(_port: int, _registered: int, _nothing: object) -> None:
            if self._open:
                os.eventfd_write(self._news, 1)

        function: object = self._jack._ffi.callback("JackPortRegistrationCallback", changed)  # noqa: SLF001 - see above
        _kept.append(function)
        return function

    def _hear_of_ports(self, hears: bool) -> None:
        """Have ``changed`` called from now on, or not; JACK lets only a client that is not active change this."""
        if not (self._running and self._open):
            return
        library, nothing = self._jack._lib, self._jack._ffi.NULL  # noqa: SLF001 - see above
        with suppress(self._jack.JackError):  # the server has gone, and says so
            if not hears:
                self._client.deactivate()
            library.jack_set_port_registration_callback(
                self._client._ptr,  # noqa: SLF001 - see above
                self._changed if hears else nothing,
                nothing,
            )
            if hears:
                self._client.activate()


_kept: list[object] = []
"""Functions that JACK's threads may call. Never freed: a server that was killed leaves threads that may call late."""

_systems: list[MidiSystem] = []


def midi_system() -> MidiSystem:
    """The machine's MIDI system; a fresh one if the server has been away.

    Raises:
        NoMidi: there is none now.
    """
    if not (_systems and _systems[0].alive):
        # First the old one goes: JACK's library keeps what it knows of a server until the last client of it is closed,
        # and a new client would see the ports of the server that died, for ever.
        give_back()
        alsa = SEQUENCER.exists() and os.environ.get(CHOICE) != "jack"
        _systems.append(AlsaSystem() if alsa else JackSystem())
    return _systems[0]


def give_back() -> None:
    """Close the MIDI system; at the program's end, after all ports.

    A JACK client that is left open has a thread that calls Python while Python is ending.
    """
    while _systems:
        _systems.pop().close()


def current() -> MidiSystem | None:
    """The MIDI system that was asked for last, even if it has ended; None if nobody has asked, or there was none."""
    return _systems[0] if _systems else None


def lasting(name: str) -> str:
    """A port's full name without the numbers that change at each boot or start."""
    return _PROCESS.sub("(*)", _NUMBERS.sub("", name))


def leads_on(name: str) -> bool:
    """Tell whether music sent to this port may be heard: it is neither the system's loop-back nor a router's."""
    folded = name.casefold()
    return LOOP_BACK not in folded and not folded.startswith(("router:", "router-"))  # JACK numbers the second so


def candidates(names: list[str], pattern: str) -> list[Candidate]:
    """Ports as a profile names them, without the loop-back and our own unless the pattern names them."""
    wanted = pattern.casefold()
    found = []
    all_lasting = [lasting(name) for name in names]
    for shown, full in zip(all_lasting, names, strict=True):
        if any(word in full.casefold() and word not in wanted for word in _NOT_MEANT):
            continue
        plain = _NUMBERS.sub("", full)
        if all_lasting.count(shown) == 1:
            found.append(Candidate((shown, plain, full, plain.split(":")[0])))
        else:
            found.append(Candidate((full, plain), "the number tells two of one name apart until the next boot"))
    return found


def _listen_to_announcements() -> int:
    """A client of ALSA's sequencer that is told of every port; its descriptor."""
    news = os.open(SEQUENCER, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        (client,) = struct.unpack("i", fcntl.ioctl(news, CLIENT_ID, bytes(4)))
        asked = PORT_INFO.pack(client, 0, b"news of ports", MAY_BE_SENT_TO, 0, 0, 0, 0, 0, 0, 0)
        port = PORT_INFO.unpack(fcntl.ioctl(news, CREATE_PORT, asked))[1]
        fcntl.ioctl(news, SUBSCRIBE_PORT, struct.pack(SUBSCRIPTION, *ANNOUNCE, client, port))
    except OSError as error:
        os.close(news)
        raise NoMidi(f"ALSA's sequencer {SEQUENCER} says nothing of its ports: {error}") from error
    return news


def _no_alsa() -> str:
    return f"{CHOICE}=jack is set" if SEQUENCER.exists() else f"there is no {SEQUENCER}"


@functools.cache
def quiet_jack() -> Any:
    """JACK's client library, told once to print no errors: its threads would print them at any time."""
    import jack  # noqa: PLC0415 - only a machine with JACK has its library

    jack.set_error_function(_say_nothing)
    jack.set_info_function(_say_nothing)
    return jack


def _say_nothing(_message: str) -> None:
    """Swallow what JACK's library would print."""
