"""Guided measurement on the terminal: what to ask, in large letters, with one key to go on; the recording is kept.

The device is opened here, so nothing else may hold it. Keys are the terminal's own, and a second switch can stand in
for the space bar. The recording is written at the end of each step, whole: whoever stops loses the step at most that
runs.
"""

from __future__ import annotations

import signal
import sys
import tempfile
import textwrap
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, suppress
from datetime import datetime
from functools import partial
from io import TextIOWrapper
from pathlib import Path

from rich.console import Console
from rich.text import Text

from router.cli import say
from router.cli.meters import SwitchMeter, meter
from router.cli.screen import WIDTH, Screen, Signs, drawable, large, signs_for
from router.cli.simulated import Practice
from router.core.events import Found, Lost, PointerSample, PressureSample, Sample, SwitchSample
from router.core.units import NANOSECONDS
from router.devices.descriptions import TerminalKey
from router.devices.inputs import Devices, by_device, open_input, wish_for
from router.devices.inputs.base import DeviceBusy, DeviceLost, DeviceMissing, Input, Stamped
from router.devices.inputs.shared import Sharing
from router.devices.inputs.terminal import TerminalInput
from router.files.profile import Profile
from router.fit import FitError
from router.fit.guide import BACK, EFFORTS, LEAST, MARK, ON, PAUSE, Guide
from router.records.trace import TraceWriter
from router.system import clock
from router.system.files import replacing
from router.system.loop import Loop

FRAME = NANOSECONDS // 15
"""Between two pictures on the terminal."""
AGAIN = NANOSECONDS
"""Between two looks for a device that has gone."""
STOP = "stop"

_KEYS = {MARK: ("space", "m"), ON: ("enter", "g"), BACK: ("b", "z"), PAUSE: ("p", "o"), STOP: ("q", "x")}
"""The key for each word, and another one for when the child plays with the first."""


def guide(loaded: Profile, name: str, next_: str | None, keep: Path | None, *, practise: bool) -> Path | None:
    """Measure, and keep the recording; where it is. None: stopped.

    Raises:
        FitError: it cannot be done; the message is for the person.
    """
    if not (sys.stdin.isatty() and drawable(Console())):
        raise FitError(
            "measuring needs a terminal, and this is none", "Start it in one (over SSH: ssh -t), or give it --trace."
        )
    if loaded.types[name] == "midi":
        raise FitError("a MIDI input has nothing to fit", "Every key counts as it is.")
    if loaded.types[name] == "listen":
        raise FitError("a listen input has nothing to fit", "It hears what others play, and no movement.")
    if next_ is not None and (loaded.types[next_] != "switch" or next_ == name):
        raise FitError(f"--next {next_} is no second switch", "It must be another input, of type switch.")
    target = _target(loaded, name, keep or (Path(tempfile.gettempdir()) if practise else None))
    session = None
    try:
        with ExitStack() as stack:
            session = _Session(loaded, name, target, stack, next_, practise=practise)
            try:
                session.run()
            finally:
                session.save()
    finally:
        if session is None or not session.saved:
            target.unlink(missing_ok=True)
    if not session.saved:
        say("Nothing was measured, and nothing is kept.")
        return None
    if session.guide.finished:
        say(f"The recording is kept in {target}\nThe numbers are worked out; it takes a moment.\n", flush=True)
        return target
    say(f"Stopped. What was measured is kept in {target}")
    if session.guide.enough:
        say(f"router fit {name} --profile {loaded.path} --trace {target}\nmakes of it what it can.")
    return None


def _target(loaded: Profile, name: str, keep: Path | None) -> Path:
    """A new file that can be written: in the folder that was asked for, beside the profile, or here."""
    folders = [keep] if keep is not None else [loaded.path.resolve().parent, Path.cwd()]
    stem = f"{loaded.child}-{name}-{datetime.now().astimezone():%Y-%m-%d-%H%M}"
    for folder in folders:
        names = (folder / f"{stem}{number}.jsonl" for number in ("", *(f"-{n}" for n in range(2, 1000))))
        path = next(path for path in names if not path.exists())
        try:
            path.touch(mode=0o600, exist_ok=False)
        except OSError as error:
            why = (error.strerror or str(error)).lower()
            continue
        return path
    raise FitError(f"the recording cannot be kept in {folders[-1]}: {why}", "Say where with --keep FOLDER.")


class _Session:
    """A guide, the devices it hears, and the screen."""

    def __init__(
        self, loaded: Profile, name: str, target: Path, stack: ExitStack, next_: str | None, *, practise: bool
    ) -> None:
        self._loaded, self._name, self._target, self._next = loaded, name, target, next_
        self.guide = Guide(loaded.types[name], loaded.child, clock.now())
        self.saved = False
        self._place = 0  # the step that was drawn last
        self._inputs: list[Input] = []
        self._missing: list[tuple[int, Devices]] = []  # when to look again, and for what
        self._fault: Exception | None = None
        wanted = {each: loaded.devices[each] for each in (name, next_) if each is not None}
        if practise:
            del wanted[name]
            self._inputs.append(Practice(loaded, name, lambda: self.guide.asked))
        own = {each: device for each, device in wanted.items() if isinstance(device, TerminalKey)}
        taken = {device.key for device in own.values()}
        self._keys = {word: next(key for key in keys if key not in taken) for word, keys in _KEYS.items()}
        terminal = {f" {word}": TerminalKey(key) for word, key in self._keys.items()}
        groups = [group for group in by_device(wanted) if not any(each in own for each in group)]
        sharing = Sharing()  # the next button may be a key of the same device
        self._wishes = {(*group,): wish_for(sharing, "", group) for group in groups}
        self._loop = Loop(self._failed)
        stack.callback(self._loop.close)
        stack.callback(self._close)
        for group in groups:
            self._open(group)
        self._inputs.append(TerminalInput({**own, **terminal}))
        self._shown = _Shown(loaded, name, self.guide, self._keys, practise=practise)

    def run(self) -> None:
        """Until it is finished or stopped."""
        signals = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
        with self._loop.stopped_by(signals), self._shown:
            for device in self._inputs:
                if device.fileno() >= 0:
                    self._loop.watch(device.fileno(), partial(self._read, device))
            self._loop.run(self._deadline, self._wake)
        if self._fault is not None:
            raise self._fault

    def save(self) -> None:
        """Write the recording as it stands, if anything was measured."""
        stamped = self.guide.recorded(clock.now())
        if not self.guide.measured:
            return
        about = {"child": self._loaded.child, "input": self._name, "for": "fit"}
        with replacing(self._target, private=True) as file:
            text = TextIOWrapper(file, encoding="utf-8", newline="\n")
            writer = TraceWriter(text, **about, begun=f"{datetime.now().astimezone():%Y-%m-%dT%H:%M}")
            for t, sample in stamped:
                writer.write(t, sample)
            text.detach()
        self.saved = True

    # --- devices ----------------------------------------------------------------------------------------------

    def _open(self, group: Devices) -> None:
        try:
            self._inputs.append(self._opened(group))
        except DeviceBusy as error:
            raise FitError(
                str(error),
                "If it is the router that plays, let it go for the measurement: sudo systemctl stop router; afterwards:"
                " start.",
            ) from error
        except DeviceMissing as error:
            raise FitError(
                str(error), "Plug it in; router devices lists what is there. --practise needs none."
            ) from error

    def _opened(self, group: Devices) -> Input:
        return open_input(group, self._loaded.types, self._wishes[*group,])

    def _read(self, device: Input) -> None:
        try:
            self._take(device.read(clock.now()))
        except DeviceLost:
            self._lose(device)

    def _lose(self, device: Input) -> None:
        now = clock.now()
        self._loop.unwatch(device.fileno())
        device.close()
        self._inputs.remove(device)
        if isinstance(device, TerminalInput):
            self._loop.stop()  # the window was closed
            return
        group = {each: self._loaded.devices[each] for each in device.inputs}
        self._missing.append((now + AGAIN, group))
        if self._name in device.inputs:
            self._heard(Lost(self._name), now)

    def _look_again(self, now: int) -> None:
        for entry in list(self._missing):
            when, group = entry
            if now < when:
                continue
            self._missing.remove(entry)
            try:
                device = self._opened(group)
            except DeviceMissing:
                self._missing.append((now + AGAIN, group))
                continue
            self._inputs.append(device)
            self._loop.watch(device.fileno(), partial(self._read, device))
            if self._name in device.inputs:
                self._heard(Found(self._name), now)

    def _take(self, stamped: list[Stamped]) -> None:
        for t, sample in stamped:
            if isinstance(sample, SwitchSample) and sample.input != self._name:
                word = MARK if sample.input == self._next else sample.input.strip()
                if sample.pressed:
                    self._said(word, t)
            else:
                self._heard(sample, t)

    def _heard(self, sample: Sample, t: int) -> None:
        self.guide.sample(sample, t)
        self._shown.sample(sample, t)

    def _said(self, word: str, t: int) -> None:
        if word == STOP:
            self._loop.stop()
        else:
            self.guide.say(word, t)

    # --- the loop ---------------------------------------------------------------------------------------------

    def _deadline(self) -> int:
        whens = [device.deadline() for device in self._inputs] + [self.guide.deadline(), self._shown.next]
        whens += [when for when, _group in self._missing]
        return min(when for when in whens if when is not None)

    def _wake(self, now: int) -> None:
        for device in list(self._inputs):
            if (when := device.deadline()) is not None and when <= now:
                try:
                    self._take(device.wake(now))
                except DeviceLost:
                    self._lose(device)
        self._look_again(now)
        self.guide.wake(now)
        if self.guide.place != self._place:
            self._place = self.guide.place
            self.save()
        if self.guide.finished:
            self._loop.stop()
        self._shown.draw(now)

    def _failed(self, error: Exception) -> None:
        self._fault = error
        self._loop.stop()

    def _close(self) -> None:
        for device in self._inputs:
            with suppress(OSError):
                device.close()


class _Shown:
    """The screen of a measurement: the step in large letters, what to do, what the device says, and the keys."""

    def __init__(self, loaded: Profile, name: str, guide: Guide, keys: Mapping[str, str], *, practise: bool) -> None:
        console = Console()
        self._signs = signs_for(console.encoding)
        self._screen = Screen(console)
        self._guide, self._name, self._keys, self._practise = guide, name, keys, practise
        self.next = 0
        """When the next picture is due."""
        make = loaded.plan.inputs[name]
        self._meter = _Bar(self._signs) if loaded.types[name] == "pressure" else meter(name, make, self._signs)
        self._heard_at: int | None = None

    def __enter__(self) -> None:
        self._screen.start()

    def __exit__(self, *_error: object) -> None:
        self._screen.close()

    def sample(self, sample: Sample, now: int) -> None:
        if isinstance(sample, SwitchSample):
            if sample.pressed:
                self._meter.press(sample.input, None)
            else:
                self._meter.release(sample.input)
        else:
            self._meter.sample(sample, now)
        if isinstance(sample, PressureSample | SwitchSample | PointerSample):
            self._heard_at = now

    def draw(self, now: int) -> None:
        if now >= self.next:
            self.next = now + FRAME
            columns, _rows = self._screen.size
            self._screen.show([*self._lines(now, min(columns, WIDTH))])

    def _lines(self, now: int, width: int) -> Iterator[Text]:
        guide, step = self._guide, self._guide.step
        title, place = f" {guide.child}, {self._name}", f"step {guide.place + 1} of {len(guide.steps)} "
        yield Text(f"{title}{place:>{max(1, width - len(title))}}", "bold reverse")
        yield Text()
        word = step.big
        if guide.paused:
            word = "PAUSE"
        elif guide.running and step.seconds:
            word = f"{step.big} {guide.seconds_left(now)}"
        elif guide.running and step.wanted > 2:
            word = f"{step.big} {guide.marked}"
        for row in large(word, self._signs.full, width - 4):
            yield Text(f"  {row}", "bold", no_wrap=True)
        yield Text()
        for sentence in step.during if guide.running else step.before:
            yield from _wrapped(sentence.format(child=guide.child), width, "bold")
        if self._practise:
            yield from _wrapped("This is a simulated child: it does something a moment after you press.", width)
        yield Text()
        yield from self._state(width)
        yield Text()
        for line in self._help():
            yield from _wrapped(line, width)

    def _state(self, width: int) -> Iterator[Text]:
        if self._guide.missing:
            yield from _wrapped("The device has gone. Plug it in again; nothing is lost.", width, "bold")
        elif self._heard_at is None and not isinstance(self._meter, SwitchMeter):
            said = "Nothing comes from the device yet. Is it plugged in and switched on?"
            yield from _wrapped(said, width, "bold")
        else:
            yield from self._meter.lines(width)

    def _help(self) -> Iterator[str]:
        guide, step, keys = self._guide, self._guide.step, {word: key.capitalize() for word, key in self._keys.items()}
        if step.name == "hear":
            yield f"{keys[MARK]}: go on        {keys[STOP]}: stop"
            return
        if not guide.running:
            yield f"{keys[MARK]}: begin" + (f"        {keys[ON]}: leave it out" if step.name == "long" else "")
        elif guide.paused:
            again = "an effort, and it counts again" if step.name == "efforts" else "rest again"
            yield f"{keys[MARK]}: {again}        {keys[ON]}: that is enough"
        elif step.name == "efforts":
            enough = "that is enough" if guide.marked >= LEAST else f"at least {LEAST} are needed, {EFFORTS} are good"
            yield f"{keys[MARK]}: an effort        {keys[ON]}: go on ({enough})"
        elif step.name == "long":
            yield f"{keys[MARK]}: it is over"
        else:
            yield f"{keys[ON]}: that is long enough"
        back = "do this once more" if guide.running else "one step back"
        if guide.running and step.name in ("rest", "efforts") and not guide.paused:
            yield f"{keys[PAUSE]}: pause for what nobody asked for: a cough, talk, hands at the child"
        yield f"{keys[BACK]}: {back}        {keys[STOP]}: stop (what was measured is kept)"


def _wrapped(text: str, width: int, style: str = "") -> Iterator[Text]:
    """Lines of at most this width, set in by two columns."""
    return (Text(f"  {line}", style) for line in textwrap.wrap(text, max(20, width - 4)))


class _Bar:
    """A bar of how far the pressure is from rest, on a scale that fits a gentle child and a strong one."""

    width = 60

    def __init__(self, signs: Signs) -> None:
        self._signs = signs
        self._level: float | None = None
        self._reach = 1.0  # the furthest from rest so far
        self._now = 0.0
        self._last = 0

    def sample(self, sample: Sample, now: int) -> None:
        if not isinstance(sample, PressureSample):
            self._level = None
            return
        self._now = sample.pascal
        if self._level is None:
            self._level, self._last = self._now, now
        # Rest as the eye needs it: what is near is followed within seconds, an effort hardly at all.
        beyond = self._now - self._level
        pace = 2.0 if abs(beyond) < 0.2 * self._reach else 60.0
        self._level += beyond * min(1.0, (now - self._last) / NANOSECONDS / pace)
        self._last = now
        self._reach = max(self._reach, abs(beyond))

    def press(self, source: str, zone: int | None) -> None:
        """Ignore a press: the bar shows the pressure alone."""

    def release(self, source: str) -> None:
        """Ignore a release, too."""

    def lines(self, columns: int = WIDTH) -> list[Text]:
        beyond = 0.0 if self._level is None else self._now - self._level
        width = max(8, min(self.width, columns - 4))
        filled = round(width * min(1.0, abs(beyond) / self._reach))
        bar = self._signs.full * filled + self._signs.empty * (width - filled)
        word = "above" if beyond >= 0 else "below"
        return [Text(f"  {bar}"), Text(f"  {abs(beyond):5.0f} Pa {word} rest", "dim")]
