"""A MIDI port to send to, found by its name's pattern; if none matches, a port of our own that others connect to.

ALSA where the machine has its sequencer, else JACK. Ports are known by name: ALSA puts numbers behind the names that
change at each boot, so they are taken off, and no index is kept.
"""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Iterable
from pathlib import Path

from router.outputs.base import Output, OutputError

ALSA_SEQUENCER = Path("/dev/snd/seq")

_NUMBERS = re.compile(r" \d+:\d+$")
_THROUGH = re.compile(r"midi through", re.IGNORECASE)


def plain_name(name: str) -> str:
    """A port's name without ALSA's numbers: "FluidSynth:port 128:0" is "FluidSynth:port"."""
    return _NUMBERS.sub("", name)


def matches(name: str, pattern: str) -> bool:
    """Whether a port's name, or its part before or after the colon, matches a pattern; case does not matter."""
    plain = plain_name(name)
    client, _colon, port = plain.partition(":")
    wanted = pattern.casefold()
    return any(fnmatch.fnmatchcase(candidate.casefold(), wanted) for candidate in (plain, client, port) if candidate)


def choose(names: Iterable[str], pattern: str, client: str) -> str | None:
    """The port that is meant, or None. ``"*"`` is the first that leads out of the machine's own plumbing.

    Raises:
        OutputError: several ports match; the text says which and how to tell them apart.
    """
    found = [name for name in names if matches(name, pattern)]
    if pattern == "*":
        found = [name for name in found if not _THROUGH.search(name) and not name.startswith(client + ":")]
        return found[0] if found else None
    if len(found) > 1:
        listed = "\n".join(f"    {plain_name(name)}" for name in found)
        if len({plain_name(name) for name in found}) > 1:
            advice = "Write more of the name, so that only one is left."
        else:
            advice = "They have the same name: unplug one, or plug one into another kind of interface."
        raise OutputError(f'more than one MIDI port matches "{pattern}":\n{listed}\n{advice}')
    return found[0] if found else None


class MidiPortOutput(Output):
    """An open MIDI port. ``name`` is the output's name in the profile; ``client`` is what others see us as.

    One client of the MIDI system serves for looking and for sending, as each one more counts against its limit.

    Raises:
        OutputError: no MIDI system, or more than one port matches.
    """

    def __init__(self, name: str, pattern: str, client: str = "router") -> None:
        try:
            import rtmidi  # noqa: PLC0415 - only Linux installs it, and only this needs it
        except ImportError as error:
            raise OutputError(_NO_LIBRARY) from error

        alsa = ALSA_SEQUENCER.exists()
        try:
            self._port = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA if alsa else rtmidi.API_UNIX_JACK, name=client)
        except rtmidi.RtMidiError as error:
            raise OutputError(_NO_SYSTEM) from error
        self._closed = False
        try:
            names = self._port.get_ports()
            self._name = choose(names, pattern, client)
            if self._name is None:
                self._port.open_virtual_port(name)
                self.description = (
                    f'no MIDI port matches "{pattern}": our own port "{client}:{name}" is there to connect to'
                )
            else:
                self._port.open_port(names.index(self._name), name)
                self.description = f'MIDI port "{plain_name(self._name)}"'
        except rtmidi.RtMidiError as error:
            self.close()
            raise OutputError(f"the MIDI port cannot be opened: {error}") from error
        except OutputError:
            self.close()
            raise

    @property
    def own(self) -> bool:
        """Whether this is our own port, because none matched."""
        return self._name is None

    def send(self, data: tuple[int, ...], now: int) -> None:
        # With JACK this never returns once the server has gone; whoever runs us must watch the server.
        self._port.send_message(data)

    def present(self) -> bool:
        return self._name is None or self._name in self._port.get_ports()

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            self._port.close_port()
            self._port.delete()


_NO_SYSTEM = (
    "there is no MIDI system to send to: neither ALSA (/dev/snd/seq is missing) nor a JACK server answers\n"
    "ALSA: plug in a MIDI device, or load its sequencer with: sudo modprobe snd-seq\n"
    "JACK: start a server (jackd), then start the router again.\n"
    "Or let the profile use the built-in instrument: outputs: {box: {instrument: default}}"
)
_NO_LIBRARY = (
    "MIDI ports need the package python-rtmidi, which is not installed here\n"
    "Debian: sudo apt install python3-rtmidi.  Elsewhere on Linux: pip install python-rtmidi."
)
