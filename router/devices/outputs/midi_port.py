"""A MIDI port to send to, found by its name's pattern; if none matches, a port of our own that others connect to.

Ports are known by name, without the numbers that change at each boot, and no index is kept. ``"*"`` means the first
port that leads somewhere; any other pattern must mean one port only.

With ``active_sensing`` the receiver is told at least every 300 ms that we are there, as long as the port is open. A
receiver that hears nothing for longer, such as after a power cut, silences itself (MIDI 1.0 Detailed Specification,
table 5).
"""

from __future__ import annotations

from router.core.midi import ACTIVE_SENSING
from router.core.units import NANOSECONDS
from router.devices.descriptions import MidiPort
from router.devices.names import Candidate, as_yaml, candidates_listed, matches
from router.devices.outputs.base import Output, OutputError
from router.devices.outputs.sounding_notes import PortAddress

SENSED_EVERY = NANOSECONDS // 4
"""Active sensing is sent after this long without a message. The standard says 300 ms; the rest is for a late loop."""


class MidiPortOutput(Output):
    """An open MIDI port. ``name`` is the output's name in the profile; ``client`` is what others see us as.

    Raises:
        OutputError: no MIDI system answers, or more than one port matches.
    """

    def __init__(self, name: str, device: MidiPort, client: str = "router") -> None:
        try:
            import rtmidi  # noqa: PLC0415 - only Linux installs it, and only this needs it

            from router.devices.ports import NoMidi, PortConnection, midi_system, our_port  # noqa: PLC0415 - as above
        except ImportError as error:
            raise OutputError(_NO_LIBRARY) from error
        try:
            self._system = midi_system()
            names = self._system.receivers()
            self._pattern = device.pattern
            self._target = _choose(names, device.pattern)
            with self._system.still():
                self._port = our_port(lambda: rtmidi.MidiOut(self._system.api, name=client))
                self._open = True
                self._begin(name, device, client)
            self._connection = None if self._target is None else PortConnection(self._system, self._target, client)
        except (NoMidi, rtmidi.RtMidiError) as error:
            raise OutputError(f"{error}\n{_NO_SYSTEM}") from error
        self._sense_at: int | None = 0 if device.active_sensing else None
        self.place = PortAddress(self._system.name, self._target or "")

    def _begin(self, name: str, device: MidiPort, client: str) -> None:
        """Connect the port to the one that is wanted, or offer it."""
        import rtmidi  # noqa: PLC0415 - as above

        try:
            if self._target is None:
                self._port.open_virtual_port(name)
                self.description = f'our own MIDI port "{client}:{name}", as none is called {as_yaml(device.pattern)}'
            else:
                self._port.open_port(self._port.get_ports().index(self._target), name)
                self.description = f"the MIDI port {as_yaml(self._target)}"
        except (ValueError, rtmidi.RtMidiError) as error:  # it went away between looking and opening
            self.close()
            raise OutputError(f"the MIDI port {as_yaml(self._target or '')} cannot be opened: {error}") from error

    @property
    def own(self) -> bool:
        """True if this is a port of our own, because none matched."""
        return self._target is None

    def send(self, data: tuple[int, ...], now: int) -> None:
        if self._sense_at is not None:
            self._sense_at = now + SENSED_EVERY
        if self._open and self._system.alive:  # to a JACK server that has gone, sending would never return
            self._port.send_message(data)

    def deadline(self) -> int | None:
        return self._sense_at

    def wake(self, now: int) -> None:
        if self._sense_at is not None and now >= self._sense_at:
            self.send((ACTIVE_SENSING,), now)

    def present(self) -> bool:
        if not self._system.alive or self._target is None:
            return self._system.alive
        lasts = self._connection is None or self._connection.lasts()
        return lasts and self._target in self._system.receivers()

    def stale(self) -> bool:
        return self.own and _choose(self._system.receivers(), self._pattern) is not None

    def close(self) -> None:
        if self._open:
            self._open = False
            with self._system.still():
                self._port.close_port()
                self._port.delete()


def address(name: str, device: MidiPort) -> tuple[str, str, str, bool]:
    """Where an output leads now: MIDI system, port, name of our own port, and whether it gets active sensing.

    The port is "" for one of our own; else the name is "".

    Raises:
        OutputError: no MIDI system answers, or more than one port matches.
    """
    try:
        from router.devices.ports import NoMidi, midi_system  # noqa: PLC0415 - only Linux can import it
    except ImportError as error:
        raise OutputError(_NO_LIBRARY) from error
    try:
        system = midi_system()
        target = _choose(system.receivers(), device.pattern) or ""
    except NoMidi as error:
        raise OutputError(f"{error}\n{_NO_SYSTEM}") from error
    return system.name, target, "" if target else name, device.active_sensing


def _choose(names: list[str], pattern: str) -> str | None:
    """The full name of the port that is meant, or None."""
    from router.devices.ports import candidates  # noqa: PLC0415 - only Linux can import it

    found = [candidate for candidate in candidates(names, pattern) if matches(pattern, candidate.names)]
    if len(found) > 1 and pattern != "*":
        raise OutputError(
            f"{as_yaml(pattern)} could be {len(found)} MIDI ports; write one of"
            f" these:\n{candidates_listed(found, 'midi')}"
        )
    return _full_name(found[0], names) if found else None


def _full_name(candidate: Candidate, names: list[str]) -> str:
    return next(name for name in candidate.names if name in names)


_NO_SYSTEM = (
    "ALSA: plug in a MIDI device, or load its sequencer with: sudo modprobe snd-seq\n"
    "JACK: start a server (jackd), then start the router again.\n"
    "Or let the profile use the built-in instrument: outputs: {box: {instrument: default}}"
)
_NO_LIBRARY = (
    "MIDI ports need the package python-rtmidi, which is not installed here\n"
    "Debian: sudo apt install python3-rtmidi.  Elsewhere on Linux: pip install python-rtmidi."
)
