"""A day in minutes: three simulated children play three seats, and all goes wrong that goes wrong in a day.

The router's own time runs faster (``dilated.py``), and so do the children: a finger on a switch, puffs, sips and puffs,
on serial lines. Meanwhile lines are unplugged and plugged in, files come that are good or broken, somebody presses
panic or makes a remark. A listener at each seat must hear each note-on followed by its note-off and nothing else; the
session logs must say the same; each swap and each refusal must have happened; and after the first hour resident memory
may not grow.

    python -m tests.soak_day --hours 24
"""

import heapq
import json
import os
import random
import sys
import tempfile
import time
from collections import Counter
from contextlib import ExitStack
from pathlib import Path

from router.core.events import PressureSample
from router.core.units import NANOSECONDS
from router.offline import simulate

SPEED = 100
HOUR = 3600 * NANOSECONDS
BETWEEN = 120, 600
"""Seconds from one thing that goes wrong to the next: at least, at most."""
PULLED = 5, 60
"""Seconds that a line stays unplugged: at least, at most."""
FRAMES = 2048
"""Of a cycle of JACK: two and a half seconds of the day, which nobody listens to."""
STUCK = 30
"""Seconds (of ours) after which a line that nobody reads has failed."""

CONFIGURATION = """
configuration: 1
folders: {{profiles: {folder}/profiles, state: {folder}/state, records: {folder}/records, runtime: {folder}/run}}
seats:
  left: {{profile: wren}}
  middle: {{profile: lark}}
  right: {{profile: finch}}
chime: no
records: {{sessions: 100000}}
"""
WREN = """
profile: 1
child: wren
music: {{key: D, scale: minor pentatonic, tempo: 96 bpm}}
inputs:
  pad: {{type: switch, device: {{serial: "{line}"}}}}
parts:
  tune:
    input: pad
    rules:
      - note: {{degree: {degree}, octave: 3}}
      - chord: {{kind: triad}}
      - arpeggio: {{order: up, rate: 1/16}}
    output: {{port: synth, channel: 1}}
outputs:
  synth: {{midi: "{synth}:in"}}
"""
LARK = """
profile: 1
child: lark
music: {{key: D, scale: minor pentatonic, tempo: 96 bpm}}
inputs:
  cheek:
    type: pressure
    device: {{serial: "{line}", unit: Pa}}
    above: {{on: 0.4 inH2O, off: 0.25 inH2O, full: 2 inH2O}}
parts:
  tune:
    input: cheek.above
    rules:
      - sequence: {{degrees: [{degree}, 2, 3, 5]}}
      - velocity: {{from: strength, low: 40, high: 90}}
      - echo: {{}}
    output: {{port: synth, channel: 2, program: 12}}
outputs:
  synth: {{midi: "{synth}:in"}}
"""
FINCH = """
profile: 1
child: finch
music: {{key: D, scale: minor pentatonic, tempo: 96 bpm}}
inputs:
  breath:
    type: pressure
    device: {{serial: "{line}", unit: Pa}}
    above: {{on: 0.4 inH2O, off: 0.25 inH2O, full: 2 inH2O}}
    below: {{on: 0.4 inH2O, off: 0.25 inH2O, full: 2 inH2O}}
parts:
  puff:
    input: breath.above
    rules:
      - note: {{degree: {degree}}}
      - chord: {{kind: triad}}
      - strum: {{}}
    output: {{port: synth, channel: 3}}
  sip:
    input: breath.below
    rules:
      - latch: {{}}
      - note: {{degree: 1, octave: 2}}
      - repeat: {{}}
    output: {{port: synth, channel: 4}}
outputs:
  synth: {{midi: "{synth}:in"}}
"""
SEATS = {"left": ("wren", WREN), "middle": ("lark", LARK), "right": ("finch", FINCH)}


class Line:
    """A serial line under one name, which is not always plugged in."""

    def __init__(self, path):
        self.path, self._ends = path, None
        self.plug()

    def plug(self):
        self._ends = os.openpty()
        os.set_blocking(self._ends[0], False)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._ends[1]))

    def unplug(self):
        if self._ends is not None:
            self.path.unlink()
            for end in self._ends:
                os.close(end)
            self._ends = None

    def say(self, text):
        if self._ends is None:
            return
        until = time.monotonic() + STUCK
        while True:
            try:
                os.write(self._ends[0], text)
                return
            except BlockingIOError:  # it is read a little later
                assert time.monotonic() < until, f"nobody reads {self.path}"
                time.sleep(0.001)


class Ear:
    """Hears a seat: what is on, and whether each note-on was followed by its note-off."""

    def __init__(self, client):
        import rtmidi

        self.on, self.begun, self.wrong = set(), 0, []
        self._port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=client)
        self._port.set_callback(self._hear)
        self._port.open_virtual_port("in")

    def _hear(self, event, _data):
        status, *data = event[0]
        note = (status & 0x0F, data[0])
        if status & 0xF0 == 0x90 and data[1]:
            if note in self.on:
                self.wrong.append(("begun twice", *event[0]))
            self.on.add(note)
            self.begun += 1
        elif status & 0xF0 in (0x80, 0x90):
            if note not in self.on:
                self.wrong.append(("ended, and was not on", *event[0]))
            self.on.discard(note)

    def close(self):
        from tests.shared.parts import close_port

        close_port(self._port)


class Day:
    """The router, its seats, and what happens to them."""

    def __init__(self, folder, rng, stack):
        from tests.shared.bedside import Bedside

        self.rng, self.done = rng, Counter()
        self.ears, self.lines = {}, {}
        for seat in SEATS:
            self.ears[seat] = Ear(f"ear-{seat}")
            stack.callback(self.ears[seat].close)
            self.lines[seat] = Line(folder / f"line-{seat}")
            stack.callback(self.lines[seat].unplug)
        self.pc = Bedside(folder, "nobody", self.lines["left"])
        stack.callback(self.pc.close)
        (self.pc.profiles / "wren.yaml").unlink()
        self.pc.config.write_text(CONFIGURATION.format(folder=folder), encoding="utf-8")
        for seat in SEATS:
            (self.pc.profiles / seat).mkdir()
            self.put(seat, 1)
        self.pc.start(program=[sys.executable, "-m", "tests.dilated", str(SPEED)], options=())

    def put(self, seat, degree, spoilt=""):
        child, profile = SEATS[seat]
        text = profile.format(line=self.lines[seat].path, synth=f"ear-{seat}", degree=degree)
        (self.pc.profiles / seat / f"{child}.yaml").write_text(f"{text}{spoilt}# {sum(self.done.values())}\n")

    def happen(self, what, seat):
        self.done[what] += 1
        match what:
            case "unplugged":
                self.lines[seat].unplug()
            case "plugged in":
                self.lines[seat].plug()
            case "swap":
                self.put(seat, self.rng.randint(1, 5))
            case "broken file":
                self.put(seat, 1, "patrs: {}\n")
            case "panic":
                assert self.pc.ask(do="panic")["ok"]
            case "mark":
                assert self.pc.ask(do="mark", seat=seat, text="smiled")["ok"]
            case "status":
                assert self.pc.ask(do="status")["ok"]


def children(rng, until):
    """What each line says, with its time: a finger, puffs, and sips and puffs."""

    def said(seat, samples, text):
        return ((t, seat, text(sample)) for t, sample in samples)

    def pascal(sample):
        return b"%.1f\n" % sample.pascal

    slow = simulate.Pressure(rate=25)
    finger = simulate.switch("pad", simulate.efforts(rng, until, every=4, length=1), rng)
    puffs = simulate.efforts(rng, until, every=4, length=0.8)
    puffing = simulate.pressure("cheek", puffs, until, rng, low=150, high=500, child=slow)
    both = simulate.efforts(rng, until, every=5, length=0.8)
    puff = simulate.pressure("breath", both[::2], until, rng, low=150, high=500, child=slow)
    sip = simulate.pressure(
        "breath", both[1::2], until, rng, low=-150, high=-500, child=simulate.Pressure(25, 0.0, 0, 60, 0, 1, 0)
    )
    added = (
        (t, PressureSample("breath", one.pascal + two.pascal)) for (t, one), (_, two) in zip(puff, sip, strict=True)
    )
    return [
        said("left", finger, lambda sample: b"%d\n" % sample.pressed),
        said("middle", puffing, pascal),
        said("right", added, pascal),
    ]


def mishaps(rng, until):
    """What happens, and when, and where."""
    t = 60.0
    while (t := t + rng.uniform(*BETWEEN)) * NANOSECONDS < until - 2 * PULLED[1] * NANOSECONDS:
        seat = rng.choice([*SEATS])
        what = rng.choice(["unplugged", "unplugged", "swap", "swap", "broken file", "panic", "mark", "status"])
        yield round(t * NANOSECONDS), seat, what
        if what == "unplugged":
            t += rng.uniform(*PULLED)
            yield round(t * NANOSECONDS), seat, "plugged in"


def soak(hours, seed, say):
    """So many hours; what came of it."""
    from tests.shared.soaking import grown
    from tests.shared.waiting import until

    rng = random.Random(seed)
    length = round(hours * HOUR)
    shared = Path("/dev/shm")  # a day's worth of syncs in minutes is not for a disk
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory(dir=shared if shared.is_dir() else None))
        day = Day(Path(folder), rng, stack)
        costs, late = [], 0.0
        began = time.monotonic_ns()
        for t, seat, what in heapq.merge(*children(rng, length), mishaps(rng, length), key=lambda said: said[0]):
            ahead = began + t // SPEED - time.monotonic_ns()
            if ahead > 0:
                time.sleep(ahead / NANOSECONDS)
            late = max(late, -ahead / NANOSECONDS * SPEED)
            if isinstance(what, bytes):
                day.lines[seat].say(what)
            else:
                day.happen(what, seat)
            if t >= (len(costs) + 1) * HOUR:
                costs.append(day.pc.cost())
                begun = sum(ear.begun for ear in day.ears.values())
                say(f"{len(costs)} h, {begun} notes, {dict(day.done)}; {costs[-1]}")
        until(lambda: not any(ear.on for ear in day.ears.values()))
        pc = day.pc
        until(lambda: len(pc.events("swap")) == day.done["swap"])
        assert len(pc.events("profile_refused")) == day.done["broken file"]
        assert len(pc.events("input_lost")) == day.done["unplugged"]
        dropped = [seat["dropped"] for seat in pc.ask(do="status")["status"]["seats"].values()]
        assert not any(count for each in dropped for count in each.values()), dropped
        faults = [event for event in pc.events() if event["level"] == "error"]
        assert not faults, faults[:3]
        said = grown(costs[0], pc.cost()) if costs else "too short to say whether memory grows"
        assert pc.stop() == 0
        begun = {seat: ear.begun for seat, ear in day.ears.items()}
        assert min(begun.values()) > 0, begun
        assert not any(ear.on for ear in day.ears.values())
        logged = logs(pc.records)  # first what was sent; then what was heard of it
        wrong = {seat: ear.wrong for seat, ear in day.ears.items() if ear.wrong}
        assert not wrong, wrong
        assert logged == {SEATS[seat][0]: count for seat, count in begun.items()}, (logged, begun)
    return (
        f"{hours:g} h: {sum(begun.values())} notes, each ended, at the listener and in the log; "
        f"{dict(day.done)}; {said}"
    )


def logs(records):
    """By child: how many notes the session logs say were begun.

    Raises:
        AssertionError: one was not ended, or something is missing.
    """
    begun = Counter()
    for path in records.glob("*/*.jsonl"):
        on = Counter()
        with path.open(encoding="utf-8") as file:
            for line in file:
                said = json.loads(line)
                if said["event"] == "note_on":
                    begun[path.parent.name] += 1
                    on[said["part"], said["channel"], said["note"]] += 1
                elif said["event"] == "note_off":
                    on[said["part"], said["channel"], said["note"]] -= 1
                assert said["event"] != "fault" or "input" in said, (
                    f"{path}: {line}"
                )  # a sensor plugged in amid an effort
        assert said["event"] == "end", f"{path} has no end"
        assert not any(on.values()), f"{path}: {on}"
    return dict(begun)


if __name__ == "__main__":
    from tests.shared.soaking import command

    command(__doc__, "hours", 24, soak, FRAMES)
