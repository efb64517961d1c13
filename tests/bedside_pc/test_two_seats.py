"""Two children at one PC: two switch boxes of one make, whose profiles both say only what the make is called."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from tests.bedside_pc.devices import Keyboard
from tests.bedside_pc.machine import GuestFailed, until
from tests.bedside_pc.room import PROFILES, Room

CONFIGURATION = "/etc/router/router.yaml"
SEATS = {"window": (4, 72), "door": (5, 76)}
"""What each plays: channel (0 to 15) and note."""

TWO = "configuration: 1\nseats:\n  window: {profile: pipit}\n  door: {profile: pipit}\ncontrol: {group: router}\n"
PIPIT = """
profile: 1
child: pipit
inputs:
  pad: {{type: switch, device: {{evdev: "*USB Keyboard*", key: KEY_SPACE}}, debounce: 10 ms}}
parts:
  tune: {{input: pad, rules: [note: {{pitch: {note}}}], output: {{port: synth, channel: {channel}}}}}
outputs:
  synth: {{midi: "*USB Synth*"}}
"""


@pytest.fixture(scope="module")
def seats(pc: Room) -> Iterator[Room]:
    """The room with two seats, everything found; afterwards it has its one seat again."""
    room = pc
    room.at_rest()
    before = room.machine.run(f"cat {CONFIGURATION}")
    for seat, (channel, note) in SEATS.items():
        room.machine.run(f"mkdir -p {PROFILES}/{seat}")
        room.machine.write(f"{PROFILES}/{seat}/pipit.yaml", PIPIT.format(channel=channel + 1, note=note))
    room.machine.write(CONFIGURATION, TWO)
    try:
        restart(room)
        yield room
    finally:
        if not room.switch.plugged:
            room.switch.plug()
        room.machine.write(CONFIGURATION, before)
        room.machine.run(f"rm -r {' '.join(f'{PROFILES}/{seat}' for seat in SEATS)}; systemctl restart router.service")
        room.until_ready()
        room.until_found()


def restart(room: Room) -> None:
    room.machine.run("systemctl restart router.service")
    room.until_ready()
    for seat in SEATS:
        until(lambda seat=seat: has_all(room, seat), f"{seat} has its switch and its synth")
    room.synth.wait(0)


def has_all(room: Room, seat: str) -> bool:
    try:
        status = room.ask(do="status")["status"]["seats"][seat]
    except GuestFailed:  # it does not answer yet
        return False
    return status["inputs"]["pad"]["there"] and "USB Synth" in status["outputs"]["synth"]["device"]


def play(room: Room, keyboard: Keyboard, note: tuple[int, int]) -> None:
    """One press: its note begins and ends."""
    keyboard.key(True)
    until(lambda: note in room.synth.sounding, f"{note} begins")
    keyboard.key(False)
    until(lambda: note not in room.synth.sounding, f"{note} ends")


def which(room: Room, keyboard: Keyboard) -> tuple[int, int]:
    """The only note that it plays."""
    keyboard.key(True)
    (note,) = room.synth.wait(1)
    keyboard.key(False)
    room.synth.wait(0)
    return note


@contextmanager
def playing_on(room: Room, keyboard: Keyboard, note: tuple[int, int]) -> Iterator[list[int]]:
    """Somebody plays all the time; what is given tells how often. A press that is not heard fails it all."""
    over = threading.Event()
    presses, failed = [0], []

    def go() -> None:
        try:
            while not over.is_set():
                play(room, keyboard, note)
                presses[0] += 1
        except GuestFailed as failure:
            failed.append(failure)

    hand = threading.Thread(target=go)
    hand.start()
    try:
        yield presses
    finally:
        over.set()
        hand.join()
    if failed:
        raise failed[0]


def test_two_keyboards_of_one_make_are_two_seats_and_one_plays_on_without_the_other(seats: Room):
    room = seats
    mine, others = which(room, room.switch), which(room, room.other)
    assert {mine, others} == {*SEATS.values()}  # each has one of its own
    restart(room)
    assert (which(room, room.switch), which(room, room.other)) == (mine, others)  # and the same again

    room.synth.forget()
    room.switch.key(True)
    until(lambda: mine in room.synth.sounding, "the one sounds")
    (seat,) = (seat for seat, note in SEATS.items() if note == mine)
    with playing_on(room, room.other, others) as presses:
        until(lambda: presses[0] >= 3, "the other plays")
        room.switch.unplug()
        until(lambda: mine not in room.synth.sounding, "what the one played has ended")
        until(lambda: not has_all(room, seat), "the one is known to have lost its switch")
        before = presses[0]
        until(lambda: presses[0] >= before + 3, "the other plays on")
        room.switch.plug()
        until(lambda: has_all(room, seat), "the one has its switch again")
        before = presses[0]
        until(lambda: presses[0] >= before + 3, "the other plays on")
        play(room, room.switch, mine)
    begun = [note for _, note in room.synth.begun()]
    assert begun.count(others) == presses[0]
    assert begun.count(mine) == 2
    assert {*begun} == {mine, others}


def test_one_keyboard_of_which_each_has_a_key_plays_for_both_and_a_swap_at_one_takes_nothing_from_the_other(
    seats: Room,
):
    room = seats
    for seat, key in (("window", "KEY_SPACE"), ("door", "KEY_ENTER")):
        channel, note = SEATS[seat]
        text = (
            PIPIT.format(channel=channel + 1, note=note)
            .replace("*USB Keyboard*", "*SWITCH0*")
            .replace("KEY_SPACE", key)
        )
        room.machine.write(f"{PROFILES}/{seat}/goldcrest.yaml", text.replace("pipit", "goldcrest"))
        room.machine.write(f"{PROFILES}/{seat}/finch.yaml", text.replace("pipit", "finch"))
    for seat in SEATS:
        until(lambda seat=seat: child(room, seat) == "finch" and has_all(room, seat), f"{seat} has its key")
    room.synth.wait(0)
    room.synth.forget()
    with playing_on(room, room.switch, SEATS["window"]) as presses:
        for name in ("goldcrest", "finch", "pipit", "finch"):
            room.ask(do="use", child=name, seat="door")
            until(lambda name=name: child(room, "door") == name and has_all(room, "door"), f"door plays {name}")
            before = presses[0]
            until(lambda before=before: presses[0] >= before + 2, "window plays on")
        room.switch.key(True, "ret")
        until(lambda: SEATS["door"] in room.synth.sounding, "door plays with its own key")
        room.switch.key(False, "ret")
        until(lambda: SEATS["door"] not in room.synth.sounding, "and it ends")
    begun = [note for _, note in room.synth.begun()]
    assert begun.count(SEATS["window"]) == presses[0]
    assert begun.count(SEATS["door"]) == 1


def child(room: Room, seat: str) -> str:
    return str(room.ask(do="status")["status"]["seats"][seat]["child"])
