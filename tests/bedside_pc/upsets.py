"""What goes wrong at a bedside, each as often as one likes:
what must be so afterwards is checked, and a failure raises.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from tests.bedside_pc.machine import GuestFailed, until
from tests.bedside_pc.room import WREN, Held, Movement, Room


def must(true: object, what: str) -> None:
    if not true:
        raise GuestFailed(what)


def profile(child: str, pitch: str) -> str:
    """Another child's profile: the same but for the note of the switch."""
    return WREN.replace("child: wren", f"child: {child}").replace("{pitch: A4}", f"{{pitch: {pitch}}}")


def harmful(child: str, rule: str) -> str:
    """A profile whose switch plays through one of the rules that do harm (``guest/etc/router/rules``)."""
    return profile(child, "A4").replace("[note: {pitch: A4}]", f"[note: {{pitch: A4}}, {rule}: {{}}]")


def broken(child: str, word: str) -> str:
    """A profile that cannot play: at the switch's note stands a ``word`` that means nothing."""
    return profile(child, "A4").replace("{pitch: A4}", f"{{{word}: A4}}", 1)


def unplug_and_back(room: Room, movement: Movement) -> None:
    """A device is pulled out while its note sounds: silent. It is put back: it plays."""
    movement.begin()
    must(room.synth.wait(1) == {movement.note}, "it plays its own note")
    movement.device.unplug()
    room.until_silent()
    movement.end()
    movement.device.plug()
    room.until_found()
    time.sleep(movement.rest)
    must(not room.synth.sounding, "nobody plays, and nothing sounds")
    movement.begin()
    must(room.synth.wait(1) == {movement.note}, "it plays its own note again")
    movement.end()
    room.synth.wait(0)


def synth_unplugged_and_back(room: Room) -> None:
    """The synth is pulled out while a note sounds in it, and put back: then nothing of before sounds, and it plays."""
    room.switch.key(True)
    room.synth.wait(1)
    room.synth.unplug()
    until(lambda: not room.status()["outputs"]["synth"]["there"] or own(room), "the router misses the synth")
    room.switch.key(False)
    room.synth.plug()
    room.synth.wait(0)
    until(lambda: not own(room), "the router finds the synth")
    room.switch.key(True)
    room.synth.wait(1)
    room.switch.key(False)
    room.synth.wait(0)


def own(room: Room) -> bool:
    """Whether the router offers a port of its own where the synth should be."""
    return "own MIDI port" in room.status()["outputs"]["synth"]["device"]


@contextmanager
def playing(room: Room, seed: int) -> Iterator[None]:
    """A hand that presses and lets go all the time."""
    chance = random.Random(seed)
    over = threading.Event()

    def play() -> None:
        while not over.is_set():
            for down in (True, False):
                room.switch.key(down)
                time.sleep(chance.uniform(0.02, 0.2))

    hand = threading.Thread(target=play)
    hand.start()
    try:
        yield
    finally:
        over.set()
        hand.join()


def killed(room: Room, seed: int) -> None:
    """The process is killed at a random moment while it plays; after its restart nothing sounds that nobody holds."""
    pid = room.pid()
    room.synth.forget()
    with playing(room, seed):
        room.synth.wait_for_notes(2)
        time.sleep(random.Random(seed).uniform(0, 0.4))
        room.forget_deaths()
        room.machine.run(f"kill -9 {pid}")
    room.until_begun_anew(pid)
    room.until_silent()
    must(not room.synth.sounding, "nothing sounds after the restart")


def swapped(room: Room, number: int) -> None:
    """A profile is copied into the folder while a hand plays, and plays.
    Each fifth is broken, and the one before plays on.
    """
    before = room.child()
    with playing(room, number):
        if number % 5 == 4:
            word = f"pitch{number}"
            room.put(before if number % 10 == 9 else "finch", broken("finch", word))
            until(lambda: word in refusal(room), "it is refused, with the word that is wrong")
            must(room.child() == before, f"{before} plays on")
        else:
            child, pitch = (("lark", "C5"), ("pipit", "G4"))[(number - number // 5) % 2]
            room.put(child, profile(child, pitch) + f"# {number}\n")
            until(lambda: room.child() == child, f"{child} plays")
    room.synth.wait(0)


def refusal(room: Room) -> str:
    """Why the last profile that was not taken was not."""
    refused = room.status()["refused"]
    return str(refused["message"]) if refused else ""


def held_after(room: Room, before: Held) -> None:
    """Nothing was left over: as many descriptors, threads and sequencer clients as before."""
    until(lambda: room.held() == before, f"the router holds what it held before: {before}, not {room.held()}", 30)


def reset(room: Room, number: int) -> None:
    """The PC's reset button in the middle of a note:
    it comes back by itself, to the same profile, and nothing sounds.
    """
    child, pitch, note = (("lark", "C5", 72), ("pipit", "G4", 67))[number % 2]
    room.put(child, profile(child, pitch) + f"# {number}\n")
    until(lambda: room.child() == child, f"{child} plays")
    room.synth.wait(0)
    room.switch.key(True)
    room.synth.wait(1)
    until(lambda: f'"{child}"' in room.machine.run("cat /var/lib/router/state/bed/plays.json"), "it is written down")
    room.reset()
    must(room.child() == child, f"{child} plays again")
    must(not room.synth.sounding, "nothing sounds after the reset")
    room.switch.key(False)
    time.sleep(1)  # it may have been heard as held, and is let go now
    room.switch.key(True)
    must(room.synth.wait(1) == {(0, note)}, "it plays")
    room.until_sounds()
    room.switch.key(False)
    room.synth.wait(0)


def idle(room: Room, seconds: int) -> tuple[int, float]:
    """With nobody playing: how often the router's threads were woken in these seconds, and how many milliseconds
    of the processor they took.
    """
    room.sensor.quiet = True  # it would be heard 25 times a second
    try:
        room.machine.run("sleep 5")  # what was played is written down
        before = _activity(room)
        room.machine.run(f"sleep {seconds}")
        after = _activity(room)
    finally:
        room.sensor.quiet = False
    return after[0] - before[0], after[1] - before[1]


def _activity(room: Room) -> tuple[int, float]:
    process = f"/proc/{room.pid()}"
    woken, on_cpu = room.machine.run(
        f"cat {process}/task/*/status | awk '/^voluntary/ {{ n += $2 }} END {{ print n }}';"
        f"cat {process}/task/*/schedstat | awk '{{ n += $1 }} END {{ print n }}'"
    ).split()
    return int(woken), float(on_cpu) / 1e6
