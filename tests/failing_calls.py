"""Each open, write, sync, rename, allocation and thread start of the service fails in turn: the n-th of all n of them.

A router as a process of its own (``failing_router.py``) plays between a sensor on a serial line and a MIDI port. First
it is counted how many calls of each kind there are in a start, and in a round of playing: an effort, another child by
``router use``, an effort, the sensor unplugged and plugged back, an effort, a mark. Then each of them fails once, in a
start or a round of its own. Allocations, of which there are millions, are drawn. After each round the router is killed
(SIGKILL) and started again.

After each failure these hold:

  * nothing is left sounding;
  * the router has not ended (after a failure at the start it may, or where memory failed; then the next plays, and the
    same child);
  * status names the child who is expected: whom ``use`` said, else who played before; also after the kill; and her note
    sounds;
  * each effort is in the record, or the record says that lines are missing, or status that nothing is recorded (where
    memory failed, the log may say it instead);
  * the log said something, unless nothing was missing for it (``SILENT``).

    python -m tests.failing_calls --share 1
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import itertools
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from router.bedside.control_client import ask
from router.bedside.control_request import ControlError

SOON = 25.0
"""Seconds for what a failure may delay: what was missing is looked for every four seconds,
what could not be kept every ten.
"""
ANSWER = 8.0
"""Seconds after which who has asked asks again.
Python loses a connection for whose object there is no memory (socket.accept).
"""
ALLOCATIONS, FARTHEST = 40, 60_000
"""How many failing allocations are drawn, and from how many: a round of playing makes about as many."""


class Broken(Exception):
    """A promise is."""


def soon(true, what):
    """Wait until it is true, and return what it gave."""
    end = time.monotonic() + SOON
    while not (result := true()):
        if time.monotonic() > end:
            raise Broken(what() if callable(what) else what)
        time.sleep(0.02)
    return result


class Trial:
    """The small PC with its parts, and what is expected of it."""

    def __init__(self, folder, listener, sensor):
        from tests.shared.bedside import LARK, WREN, Bedside
        from tests.shared.failing_router import Calls

        self.pc = Bedside(folder, listener.client, sensor, more="chime: no")
        self.listener, self.sensor, self.folder = listener, sensor, folder
        self.notes = {"wren": WREN, "lark": LARK}
        self.pc.put("lark", LARK)
        self.child = "wren"
        self.asked = None  # a child who was asked for, as long as there is no answer
        self.efforts = 0
        self.no_memory_since = None
        self.calls = Calls.make(folder / "calls")
        self.told = folder / "calls.told"

    # --- what is done -----------------------------------------------------------------------------------------

    def start(self):
        """Start it; whether it plays."""
        try:
            self.pc.start(
                program=[sys.executable, "-m", "tests.shared.failing_router"],
                options=(),
                ROUTER_TESTS_CALLS=str(self.folder / "calls"),
            )
        except AssertionError:
            if self.pc.process.poll() is None and self.pc.process.stdout.closed is False:
                self.pc.process.wait(SOON)
            return False
        return True

    def kill(self):
        self.pc.stop(signal.SIGKILL)
        self.later()

    def later(self):
        """As if a minute had gone by: else three kills
        in a minute would be held against the profile (``deaths.py``).
        """
        for path in self.folder.rglob("deaths.json"):
            path.unlink()

    def round(self):
        """What a child and a therapist do in a minute."""
        self.effort()
        other = "lark" if self.child == "wren" else "wren"
        self.asked = other
        answer = self.ask(do="use", child=other)
        self.asked = None
        if answer["ok"]:
            self.child = other
        self.effort()
        self.sensor.unplug()
        soon(lambda: not self.there(), "the sensor was unplugged, and status does not say so")
        self.sensor.plug()
        soon(self.there, "the sensor was plugged back, and is not looked for")
        time.sleep(0.2)  # a switch that is pressed when the line is opened was not pressed for us
        self.effort()
        self.ask(do="mark", text="cue")

    def effort(self):
        """A press is heard as the note of the child who is expected, and ends."""
        note = self.notes[self.child]
        for last in (False, True):
            self.sensor.pascal = 1.0
            end = time.monotonic() + (SOON if last else 3)
            while note not in self.listener.sounding() and time.monotonic() < end:
                time.sleep(0.01)
            heard = self.listener.sounding()
            self.sensor.pascal = 0.0
            soon(lambda: not self.listener.sounding(), lambda: f"left sounding: {self.listener.sounding()}")
            if note in heard:
                self.efforts += 1
                return
            if heard:
                raise Broken(f"{heard} sounded, and not {note} of {self.child}")
            soon(self.there, "the sensor is not there")
            time.sleep(0.3)
        raise Broken(f"an effort of {self.child} was not heard")

    def there(self):
        return all(heard["there"] for heard in self.seat()["inputs"].values())

    def seat(self):
        return self.ask(do="status")["status"]["seats"]["bed"]

    def ask(self, **request):
        """Ask until there is an answer: whoever is turned away for want of a descriptor,
        or not answered, asks again.
        """
        end = time.monotonic() + SOON
        while True:
            with contextlib.suppress(ControlError):
                answer = ask(self.pc.runtime / "control", request, ANSWER)
                if answer["ok"] or (request["do"] == "use" and "descriptor" not in answer["problem"]):
                    return answer
            if self.pc.process.poll() is not None:
                raise Broken(f"the router has ended: {self.pc.process.returncode}")
            if time.monotonic() > end:
                raise Broken(f"nobody answers: {request}")
            time.sleep(0.2)

    # --- what must hold ---------------------------------------------------------------------------------------

    def holds(self):
        """The child who is expected plays, and what she did is recorded."""
        if self.pc.process.poll() is not None:
            raise Broken(f"the router has ended: {self.pc.process.returncode}")
        playing = self.seat()["child"]
        if playing != self.child:
            raise Broken(f"{playing} plays, and not {self.child}")
        soon(lambda: not self.listener.sounding(), lambda: f"left sounding: {self.listener.sounding()}")
        soon(self.recorded, lambda: f"{self.efforts} efforts, and the record holds {self.presses()[0]}")

    def comes_back(self):
        """It has ended for want of memory: the next start plays the same child,
        with nothing left on; what broke of that.
        """
        self.pc.process.stdout.close()
        self.later()
        self.settle()
        self.no_memory_since = None
        try:
            if not self.start():
                raise Broken(f"it does not start: {self.pc.said.read_text()[-2000:]}")
            if self.asked is not None and self.seat()["child"] == self.asked:  # it ended before it could answer
                self.child = self.asked
            self.asked = None
            self.holds()
            self.effort()
        except Exception as error:  # noqa: BLE001 - whatever it is, the next case is tried
            return [f"it ended for want of memory, and then {type(error).__name__}: {error}"]
        return []

    def recorded(self):
        presses, missing = self.presses()
        if presses + missing >= self.efforts:
            return True
        if self.no_memory_since is not None:  # it may have failed anywhere, and then the log says where
            said = self.pc.events()[self.no_memory_since :]
            if any(each.get("level") == "error" or each["event"] == "records_fault" for each in said):
                return True
        warnings = self.ask(do="status")["status"]["warnings"]
        return any("recorded" in text or "record" in text for text in warnings)

    def presses(self):
        """How many the records hold, and how many lines they say are missing."""
        presses = missing = 0
        for path in self.pc.records.glob("*/*.jsonl"):
            for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
                with contextlib.suppress(ValueError):
                    event = json.loads(line)
                    presses += event["event"] == "press"
                    missing += event.get("missing", 0)
        return presses, missing

    def settle(self):
        """What is missing was told; from here on it is counted anew."""
        self.efforts = self.presses()[0]

    def told_of(self):
        """What failed, and where."""
        return self.told.read_text() if self.told.exists() else ""


NEEDED = ("descriptor", "thread")
"""Without these it cannot begin, and ends; the system starts it again."""
SILENT = (
    "plays.json",  # it is read to see whether it must be written, and then is written
    "self.copy.read_bytes()",  # the same
    "_listener.accept()",  # whoever asked waits a moment longer
    "comports()",  # the names of other lines: the wanted one is known by its path
    "random/boot_id",  # the environment says it, too
    "/proc/self/mountinfo",  # it is tried again after the next job
    "in _standard_error",  # the log is written to standard error itself
)
"""Of what fails there the log need say nothing, as nothing is missing for it."""


def counted(trial):
    """How many calls of each kind there are in a start, and in a round."""
    from tests.shared.failing_router import KINDS

    assert trial.start()
    first = Counter({kind: trial.calls.made(kind) for kind in KINDS})
    trial.round()
    trial.round()
    time.sleep(1.5)  # the records are put on the disk each second
    trial.holds()
    both = Counter({kind: trial.calls.made(kind) for kind in KINDS})
    trial.kill()
    return first, Counter({kind: -(-(both[kind] - first[kind]) // 2) for kind in KINDS})


def cases(counts, allocations):
    """Each of all n, with one of the errors that such a call fails with."""
    from tests.shared.failing_router import KINDS

    each = [
        (kind, number, errors[number % len(errors)])
        for kind, errors in KINDS.items()
        for number in range(1, counts[kind] + 1)
    ]
    return each + [("allocation", number, 0) for number in allocations]


def is_drawn(share, seed, phase, kind, number):
    """Whether a case is in this share of all: the same each time, however many there are."""
    return random.Random(f"{seed} {phase} {kind} {number}").random() < share


def one(trial, starting, playing):
    """A start and a round, in each of which one call may fail, then a kill; what broke, and which calls failed."""
    calls, broken, failed = trial.calls, [], Counter()
    for phase, case in (("start", starting), ("round", playing)):
        ended = False
        before = len(trial.pc.events())
        if trial.told.exists():
            os.truncate(trial.told, 0)  # the router goes on writing at its end
        if case is not None and case[0] != "allocation":
            calls.arm(*case)
        try:
            if phase == "start":
                if not trial.start():
                    failed["ended at the start"] += 1
                    ended = True  # what it said then is no line of its log
                    calls.disarm()
                    if starting is not None and starting[0] not in NEEDED:
                        broken.append(
                            f"start {starting}: it ended\n{trial.told_of()}\n{trial.pc.said.read_text()[-1500:]}"
                        )
                    if starting is None or not trial.start():
                        raise Broken(f"it does not start: {trial.pc.said.read_text()[-2000:]}")
                trial.holds()
            else:
                trial.no_memory_since = None
                if case is not None and case[0] == "allocation":
                    trial.no_memory_since = len(trial.pc.events())
                    calls[3], calls[1] = 0, case[1]
                    os.kill(trial.pc.process.pid, signal.SIGUSR2)
                trial.round()
                trial.holds()
        except Exception as error:  # noqa: BLE001 - whatever it is, the next case is tried
            if case is not None and case[0] == "allocation" and trial.pc.process.poll() is not None:
                failed["ended for want of memory"] += 1
                broken += trial.comes_back()
            else:
                broken.append(f"{phase} {case}: {type(error).__name__}: {error}\n{trial.told_of()}")
        calls.disarm()
        if case is not None and calls.failed:
            failed[case[0]] += 1
            told = trial.told_of()
            said = [
                each
                for each in trial.pc.events()[before:]
                if each.get("level") in ("warning", "error") or each["event"] == "hushed"
            ]
            if case[0] != "allocation" and not said and not ended and not any(place in told for place in SILENT):
                broken.append(f"{phase} {case}: nothing was said\n{told}")
    trial.no_memory_since = None
    trial.sensor.pascal = 0.0
    trial.sensor.unplug()  # where it was left, by what broke
    trial.sensor.plug()
    if trial.pc.process.poll() is None:
        trial.kill()
    else:
        trial.pc.process.stdout.close()
        trial.later()
    return broken, failed


def run(share, seed, say, only=""):
    """So much of all cases; what came of it, and what broke."""
    from tests.shared.parts import Listener, Sensor

    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        listener = Listener()
        stack.callback(listener.close)
        sensor = Sensor(folder)
        stack.callback(sensor.close)
        trial = Trial(folder, listener, sensor)
        stack.callback(trial.pc.close)
        starts, rounds = counted(trial)
        rng = random.Random(seed)
        drawn = [cases(starts, ()), cases(rounds, sorted(rng.sample(range(1, FARTHEST), ALLOCATIONS)))]
        total = sum(map(len, drawn))
        say(f"{total} calls: in a start {dict(starts)}, in a round {dict(rounds)}, {ALLOCATIONS} allocations")
        if only:
            drawn = [[case for case in each if case[0] in only.split(",")] for each in drawn]
        drawn = [[case for case in each if is_drawn(share, seed, phase, *case[:2])] for phase, each in enumerate(drawn)]
        broken, failed = [], Counter()
        pairs = [*itertools.zip_longest(*drawn)]
        for number, (starting, playing) in enumerate(pairs, 1):
            more, which = one(trial, starting, playing)
            failed += which
            for text in more:
                say(text)
                trial.child = _remembered(trial)
            broken += more
            trial.settle()
            listener.heard.clear()
            if number % 10 == 0:
                say(f"{number} of {len(pairs)} starts and rounds, {len(broken)} broken")
        last, _ = one(trial, None, None)
        for text in last:
            say(text)
        broken += last
    return f"{total} calls, {sum(map(len, drawn))} of them drawn, {dict(failed)}; {len(broken)} broken", broken


def _remembered(trial):
    """Who plays by the disk: after what broke, the next is counted from there."""
    with contextlib.suppress(OSError, ValueError):
        return json.loads((trial.folder / "run" / "bed.plays.json").read_text())["child"]
    return trial.child


def main():
    from tests.shared.soaking import _commit, _show, jack_running

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--share", type=float, default=1.0, help="of all calls, drawn by the seed (default: 1, all)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="kinds, with commas between")
    args = parser.parse_args()
    began = time.monotonic()
    with jack_running("router-tests-failing"):
        said, broken = run(args.share, args.seed, _show, args.only)
    today = dt.datetime.now(dt.UTC).date().isoformat()
    print(f"{said}; {time.monotonic() - began:.0f} s, {today}, commit {_commit()}")  # noqa: T201 - what the command found
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
