"""The built-in instrument: FluidSynth with a soundfont, through the loudspeaker or into a sound file.

Into a file: 16 bits, stereo, 48 kHz. A message takes effect in the synth's first block at or after its time (64
frames, 1.3 ms), never before it. A file that is mastered is as loud as ``loudness.py`` says; of another one that would
clip, all is rendered again, softer; so no peak is ever cut off.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import sys
import wave
from collections import deque
from collections.abc import Callable, Iterator
from ctypes import c_int, c_void_p
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from router.core.midi import CONTROL_CHANGE, NOTE_OFF, NOTE_ON, PROGRAM_CHANGE
from router.core.units import NANOSECONDS
from router.devices.descriptions import Instrument
from router.devices.outputs import loudness
from router.devices.outputs.base import Output, OutputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

RATE = 48_000
"""Frames a second."""
HIGHEST = 32_767
"""The highest number of 16 bits."""
LOUDEST = 32_000
"""No sample of a sound file goes beyond this, of 32767."""
LONGEST_RELEASE = 10 * RATE
"""Frames for which the sound may go on after the last message; most sounds end within two seconds."""
SILENCE = 1
"""No sample up to this, of 32767, can be heard."""

_Timed = tuple[int, tuple[int, ...]]
"""A MIDI message and the frame it is due at."""

SETTINGS: dict[str, Any] = {
    "synth.chorus.active": 0,
    "synth.reverb.room-size": 0.4,  # a little room, so that single notes do not sound bare; our choice
    "synth.reverb.level": 0.25,
    "synth.reverb.damp": 0.3,
}
LIVE: dict[str, Any] = {
    "audio.period-size": 128,  # 2.7 ms at 48 kHz; the synth's default of 64 is more than a small computer keeps up with
    "audio.periods": 3,
    "audio.jack.autoconnect": 1,
    "audio.jack.id": "router",
}
DRIVERS = {"linux": ("pipewire", "pulseaudio", "jack", "alsa"), "darwin": ("coreaudio",), "win32": ("wasapi", "dsound")}
"""Audio drivers by platform, in the order in which they are tried: sound servers before the card itself."""

SOUNDFONT_VARIABLE = "ROUTER_SOUNDFONT"
FOLDERS = (Path("/usr/share/sounds/sf2"), Path("/usr/share/sounds/sf3"), Path("/usr/share/soundfonts"))
OWN_FOLDER = Path(".local/share/soundfonts")
PREFERRED = ("default-GM.sf2", "default-GM.sf3", "FluidR3_GM.sf2", "TimGM6mb.sf2")


def find_soundfont(wanted: str | None = None) -> Path:
    """Return the soundfont ``wanted`` (a path), or the first that is installed.

    Raises:
        OutputError: there is none; the text says what to install.
    """
    wanted = wanted or os.environ.get(SOUNDFONT_VARIABLE)
    if wanted:
        path = Path(wanted).expanduser()
        if path.is_file():
            return path
        raise OutputError(f"there is no soundfont {path}")
    folders = (*FOLDERS, Path.home() / OWN_FOLDER)
    for folder in folders:
        found = sorted(path for path in folder.glob("*") if path.suffix.lower() in (".sf2", ".sf3") and path.is_file())
        if found:
            named = {path.name: path for path in found}
            return next((named[name] for name in PREFERRED if name in named), found[0])
    raise OutputError(
        "no soundfont is installed, so the built-in instrument has no sounds\n"
        "Debian: sudo apt install timgm6mb-soundfont.  Windows, Mac: put a General MIDI soundfont (a file .sf2)\n"
        f"into {Path.home() / OWN_FOLDER}, or name it in the variable {SOUNDFONT_VARIABLE}."
    )


def ready(device: Instrument) -> None:
    """Check that the instrument could sound.

    Raises:
        OutputError: FluidSynth or the soundfont is missing; the text says what to install.
    """
    _library()
    find_soundfont(device.soundfont)


class _Synth:
    """A FluidSynth that takes MIDI bytes.

    Raises:
        OutputError: FluidSynth is missing, or the soundfont cannot be read.
    """

    def __init__(self, device: Instrument, extra: dict[str, Any]) -> None:
        self.fluidsynth = _library()
        self.soundfont = find_soundfont(device.soundfont)
        self.synth = self.fluidsynth.Synth(
            gain=float(device.gain), samplerate=float(RATE), channels=16, **SETTINGS, **extra
        )
        with _quiet():
            loaded = self.synth.sfload(str(self.soundfont), update_midi_preset=1)
        if loaded < 0:
            self.synth.delete()
            raise OutputError(f"{self.soundfont} cannot be read as a soundfont (.sf2 or .sf3)")
        # Two that pyfluidsynth does not declare, as in fluidsynth/synth.h.
        self._pressure = self._declared("fluid_synth_channel_pressure", synth=c_void_p, chan=c_int, val=c_int)
        ends = {"lout": c_void_p, "loff": c_int, "lincr": c_int, "rout": c_void_p, "roff": c_int, "rincr": c_int}
        self._write = self._declared("fluid_synth_write_float", synth=c_void_p, len=c_int, **ends)

    def _declared(self, name: str, **arguments: Any) -> Any:
        return self.fluidsynth.cfunc(name, c_int, *((argument, kind, 1) for argument, kind in arguments.items()))

    def send(self, data: tuple[int, ...]) -> None:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        synth = self.synth
        if kind == NOTE_ON and data[2]:
            synth.noteon(channel, data[1], data[2])
        elif kind in (NOTE_ON, NOTE_OFF):
            synth.noteoff(channel, data[1])
        elif kind == CONTROL_CHANGE:
            synth.cc(channel, data[1], data[2])
        elif kind == PROGRAM_CHANGE:
            synth.program_change(channel, data[1])
        elif kind == 0xD0:
            self._pressure(synth.synth, channel, data[1])
        elif kind == 0xE0:
            synth.pitch_bend(channel, (data[2] << 7 | data[1]) - 8192)

    def samples(self, frames: int) -> NDArray[np.float32]:
        """The next ``frames`` of sound, left and right in turn, 32767 being the highest that 16 bits can hold.

        FluidSynth's own 16-bit form adds dither from a table that differs from process to process; the same music must
        give the same file.
        """
        import numpy as np  # noqa: PLC0415 - it comes with pyfluidsynth, and only this needs it

        sound = np.zeros(2 * frames, dtype=np.float32)
        place = c_void_p(sound.ctypes.data)
        self._write(self.synth.synth, frames, place, 0, 2, place, 1, 2)
        return sound * np.float32(HIGHEST)


class InstrumentOutput(Output):
    """The instrument, live, through the first audio driver that works.

    Raises:
        OutputError: no FluidSynth, no soundfont, or no audio driver works.
    """

    def __init__(self, device: Instrument) -> None:
        self._synth: _Synth | None = None
        os.environ.setdefault("JACK_NO_START_SERVER", "1")  # asking whether JACK runs must not start it
        synth = _Synth(device, LIVE)
        drivers = DRIVERS.get(sys.platform, ())
        for driver in drivers:
            synth.synth.setting("audio.driver", driver)
            with _quiet():
                # Not Synth.start: that would open MIDI ports and a command line as well.
                synth.synth.audio_driver = synth.fluidsynth.new_fluid_audio_driver(
                    synth.synth.settings, synth.synth.synth
                )
            if synth.synth.audio_driver:
                self.description = f"the built-in instrument ({synth.soundfont.name}, {driver})"
                self._synth = synth
                return
        synth.synth.delete()
        raise OutputError(
            f"the built-in instrument finds no way to a loudspeaker (tried {', '.join(drivers) or 'nothing'})\n"
            "Is a sound card or USB loudspeaker plugged in, and may this user play? (Debian: sudo adduser USER audio)"
        )

    def send(self, data: tuple[int, ...], now: int) -> None:
        if self._synth is not None:
            self._synth.send(data)

    def close(self) -> None:
        synth, self._synth = self._synth, None
        if synth is not None:
            synth.synth.delete()


class SoundFile:
    """A sound file (WAV), written to ``file`` on ``close``; a profile's output sends to ``output(name, device)``.

    ``mastered``: as loud as music that is heard by itself should be (``loudness.LOUDNESS``), not as the synth gives it.
    ``rendered`` is told of each second that is rendered, by its number; a file is rendered several times.
    """

    def __init__(
        self, file: BinaryIO, *, mastered: bool = False, rendered: Callable[[int], None] | None = None
    ) -> None:
        self._file, self._start = file, file.tell()
        self._voices: dict[str, tuple[Instrument, list[_Timed]]] = {}
        self._rendered = rendered or (lambda _second: None)
        self._mastered, self.unmastered = mastered, ""
        """Why the file is not mastered although it was to be, and what to install."""
        if mastered:
            try:
                loudness.ready()
            except OutputError as error:
                self._mastered, self.unmastered = False, str(error)

    def output(self, name: str, device: Instrument | None = None) -> Output:
        """Return the output that takes one output's messages, with a synth of its own; ``device`` None: the default.

        Raises:
            OutputError: FluidSynth or the soundfont is missing; told here, before a long trace is played.
        """
        device = device or Instrument()
        ready(device)
        _device, messages = self._voices.setdefault(name, (device, []))
        return _SoundFileOutput(messages)

    def close(self) -> None:
        """Render the whole file.

        Raises:
            OutputError: the soundfont cannot be read.
        """
        if self._mastered:
            loudness.master(self._render, self._write, RATE)
            return
        share = 1.0
        while True:
            peak = 0.0
            for piece in self._render(share):
                peak = max(peak, float(abs(piece).max(initial=0)))
                if peak * HIGHEST > LOUDEST:
                    break
            else:
                self._write(self._render(share))
                return
            share *= 0.7

    def _write(self, pieces: Iterator[NDArray[np.float32]]) -> None:
        import numpy as np  # noqa: PLC0415 - see _render

        self._file.seek(self._start)
        self._file.truncate()
        with wave.open(self._file, "wb") as sound:
            sound.setnchannels(2)
            sound.setsampwidth(2)
            sound.setframerate(RATE)
            for piece in pieces:
                sound.writeframesraw(np.rint(piece * HIGHEST).astype("<i2").tobytes())

    def _render(self, share: float = 1.0) -> Iterator[NDArray[np.float32]]:
        """The sum of all synths, second by second, -1 to 1 if it does not clip."""
        import numpy as np  # noqa: PLC0415 - it comes with pyfluidsynth, and only this needs it

        with contextlib.ExitStack() as stack:
            players = []
            for device, messages in self._voices.values():
                players.append(_Player(Instrument(device.soundfont, device.gain * share), messages))
                stack.callback(players[-1].synth.synth.delete)
            end = max((messages[-1][0] for _device, messages in self._voices.values() if messages), default=0)
            for frame in itertools.count(0, RATE):
                block = sum((player.second(frame) for player in players), np.zeros(2 * RATE, dtype=np.float32))
                silent = float(abs(block).max()) <= SILENCE and not any(player.sounds for player in players)
                if frame > end and (silent or frame > end + LONGEST_RELEASE):
                    return
                self._rendered(frame // RATE)
                yield block / np.float32(HIGHEST)


class _Player:
    """A synth with the messages it has yet to play."""

    def __init__(self, device: Instrument, messages: list[_Timed]) -> None:
        self.synth = _Synth(device, {})
        self._messages = deque(messages)

    @property
    def sounds(self) -> bool:
        return bool(self.synth.synth.get_active_voice_count())

    def second(self, frame: int) -> NDArray[np.float32]:
        """The second of sound that begins at ``frame``."""
        import numpy as np  # noqa: PLC0415 - see _render

        parts, place, end = [], frame, frame + RATE
        while self._messages and self._messages[0][0] < end:
            due, data = self._messages.popleft()
            if due > place:
                parts.append(self.synth.samples(due - place))
                place = due
            self.synth.send(data)
        parts.append(self.synth.samples(end - place))
        return np.concatenate(parts)


class _SoundFileOutput(Output):
    description = "a sound file"

    def __init__(self, messages: list[_Timed]) -> None:
        self._messages = messages

    def send(self, data: tuple[int, ...], now: int) -> None:
        frame = -(-now * RATE // NANOSECONDS)  # upwards: never before its time
        self._messages.append((frame, data))

    def close(self) -> None:
        """Do nothing: ``SoundFile.close`` writes the file."""


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Silence standard error meanwhile: the libraries print everything they try, and we report the result."""
    sys.stderr.flush()
    kept = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def _library() -> Any:
    """The FluidSynth module, silent on the terminal.

    Raises:
        OutputError: it is not installed; the text says how to install it.
    """
    try:
        import fluidsynth  # noqa: PLC0415 - it loads a library that may be missing
    except (ImportError, OSError, AttributeError) as error:  # the last two: a library that is not what it should be
        raise OutputError(
            "FluidSynth, the built-in instrument, is not installed\n"
            "Debian: sudo apt install libfluidsynth3 timgm6mb-soundfont.  Mac: brew install fluid-synth.\n"
            "Windows: choco install fluidsynth."
        ) from error
    set_log_function = fluidsynth.cfunc(
        "fluid_set_log_function", c_void_p, ("level", c_int, 1), ("fun", c_void_p, 1), ("data", c_void_p, 1)
    )
    if set_log_function is not None:
        for level in _CHATTER:
            set_log_function(level, None, None)
    return fluidsynth


_CHATTER = (1, 2, 3)
"""FluidSynth's levels error, warning and information (``fluid_log_level``); we report in our own words what fails."""
