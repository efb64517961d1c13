"""Profile after profile while a hand plays: each good file plays, each broken one changes nothing, and nothing is left.

Each round a hand taps at random, and a file is put into the folder: written in place, renamed over, or there already
and chosen by name. A fifth are broken. Then nothing may sound, the right profile must play, and now and then
descriptors, threads and resident memory are looked at: from the first tenth on they may not grow.

    python -m tests.soak_swaps --count 500
"""

import random
import threading
import time

CHILDREN = ("wren", "lark", "finch")
LIFTED = 0.1
"""Seconds in which the sensor has surely said that nobody presses."""


class Hand:
    """Taps at random while it is not resting."""

    def __init__(self, sensor, rng):
        self._sensor, self._rng = sensor, rng
        self._plays, self._ended = threading.Event(), threading.Event()
        self._rests = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def play(self):
        self._rests.clear()
        self._plays.set()

    def rest(self):
        self._plays.clear()
        self._rests.wait()

    def _run(self):
        while not self._ended.is_set():
            if self._plays.is_set():
                self._sensor.pascal = 1.0 - self._sensor.pascal
                time.sleep(self._rng.uniform(0.01, 0.15))
            elif not self._rests.is_set():
                self._sensor.pascal = 0.0
                self._rests.set()
            else:
                self._plays.wait(0.05)

    def close(self):
        self._ended.set()
        self._plays.clear()
        self._thread.join()


def soak(count, seed, say):
    """So many rounds; what came of it."""
    from tests.shared.bedside import BROKEN
    from tests.shared.soaking import ended, playing, warm
    from tests.shared.waiting import until

    rng = random.Random(seed)
    broken = 0
    with playing(more="chime: no") as (pc, listener, sensor):
        hand = Hand(sensor, random.Random(seed))
        try:
            child, note, first = "wren", 60, None
            notes = {"wren": 60}
            for number in range(count):
                hand.play()
                time.sleep(rng.uniform(0.05, 0.3))
                refused, swapped = len(pc.events("profile_refused")), len(pc.events("swap"))
                if rng.random() < 0.2:
                    broken += 1
                    put(pc, rng, rng.choice(CHILDREN), 60, f"{BROKEN}# {number}\n")
                    until(lambda: len(pc.events("profile_refused")) > refused)  # noqa: B023 - used up at once
                    assert len(pc.events("swap")) == swapped
                else:
                    child, note = change(pc, rng, child, notes, number)
                    until(lambda: len(pc.events("swap")) > swapped)  # noqa: B023 - as above
                hand.rest()
                time.sleep(LIFTED)
                until(lambda: not listener.sounding())
                status = pc.seat_status()
                assert status["child"] == child, f"round {number}: {status['child']} plays, and should be {child}"
                listener.heard.clear()
                sounds(pc, listener, sensor, note)
                if number + 1 == warm(count):
                    time.sleep(1)  # as at the end
                    first = pc.cost()
                if (number + 1) % 50 == 0:
                    say(f"{number + 1} of {count}, {broken} of them broken; {pc.cost()}")
            time.sleep(1)  # what is dropped is given back when nothing is due
            said = ended(pc, first)
        finally:
            hand.close()
    return f"{count} swaps, {broken} of them broken: each as it should be, nothing left on; {said}"


def put(pc, rng, child, note, profile):
    """Into the folder, as people do it."""
    path = pc.profiles / f"{child}.yaml"
    text = pc.text(child, note, profile)
    if rng.random() < 0.5:
        path.write_text(text, encoding="utf-8")
    else:
        aside = pc.profiles / ".aside"
        aside.write_text(text, encoding="utf-8")
        aside.rename(path)


def change(pc, rng, child, notes, number):
    """Another profile: put there, or there already and chosen by name. Whose it is, and its note."""
    from tests.shared.bedside import PROFILE

    there = [other for other in notes if other != child]
    if there and rng.random() < 0.3:
        chosen = rng.choice(there)
        text = pc.text(chosen, notes[chosen], PROFILE)
        if (pc.profiles / f"{chosen}.yaml").read_text(encoding="utf-8").startswith(text):
            assert pc.ask(do="use", child=chosen)["ok"]
            return chosen, notes[chosen]
    chosen = rng.choice(CHILDREN)
    notes[chosen] = rng.choice([note for note in range(48, 84) if note not in notes.values()])
    put(pc, rng, chosen, notes[chosen], f"{PROFILE}# {number}\n")
    return chosen, notes[chosen]


def sounds(pc, listener, sensor, note):
    """An effort sounds just this note, and ends it."""
    from tests.shared.waiting import until

    sensor.pascal = 1.0
    until(lambda: listener.count(0x90))
    sensor.pascal = 0.0
    until(lambda: not listener.sounding())
    child = [data[0] for status, *data in list(listener.heard) if status == 0x92 and data[1]]
    assert child == [note], f"{child} sounded, and should be {note}; {pc.seat_status()}"


if __name__ == "__main__":
    from tests.shared.soaking import command

    command(__doc__, "count", 500, soak)
