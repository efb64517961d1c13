"""Switch boxes where several seats look for them: told apart, shared or refused; and nothing that one seat does
reaches another. Serial lines, the terminal and MIDI ports: ``test_two_seats_lines.py``.
"""

import errno
import os
import random
import select
import struct
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.events import PressureSample, SwitchSample
from router.devices.descriptions import (
    EvdevAxis,
    EvdevSwitch,
)
from router.devices.inputs import evdev
from router.devices.inputs.base import DeviceBusy, DeviceMissing
from router.devices.inputs.kernel_devices import Axis, Present
from router.devices.inputs.shared import DeviceKind, Sharing, most
from router.devices.names import Candidate, matches
from router.files.profile import load
from router.live.attached import FIRST_WAIT, AttachedInput, tried
from router.live.daemon import Daemon
from router.live.turn import Turn
from router.system import clock
from router.system.loop import Loop
from tests.shared.kernel import Kernel, key
from tests.shared.looking import Room
from tests.shared.running import Running
from tests.shared.waiting import WAIT

SPACE, ENTER, Z = 57, 28, 2
SPACE_KEY, ENTER_KEY = EvdevSwitch("*Switch*", "KEY_SPACE"), EvdevSwitch("*Switch*", "KEY_ENTER")
ANY = EvdevSwitch("*", "KEY_SPACE", grab=False, each=True)


class Node(Kernel):
    """As the kernel has it: who asks for the keys' state loses what of them waits to be read (evdev.c,
    evdev_handle_get_val).
    """

    def __init__(self, path, **settings):
        super().__init__(**settings)
        self.path = path
        self.asked = 0

    def held(self):
        self.asked += 1
        waiting = b""
        while select.select([self.fileno()], [], [], 0)[0]:
            waiting += os.read(self.fileno(), 4096)
        events = [waiting[at : at + 24] for at in range(0, len(waiting), 24)]
        os.write(self.writer, b"".join(event for event in events if struct.unpack("@llHHi", event)[2] != 1))
        return super().held()


class Desk:
    """What is plugged in: switch boxes of one make, each at its port; a node is made at each opening."""

    def __init__(self, monkeypatch):
        self.nodes = {}
        self.open = {}
        self.settings = {}
        monkeypatch.setattr(evdev, "present", self.present)
        monkeypatch.setattr(evdev, "Node", self.node)

    def present(self):
        has = {evdev.EV_KEY: (SPACE, ENTER), evdev.EV_REL: (), evdev.EV_ABS: (Z,)}
        return [
            Present(Candidate((f"by-path/{port}", "Switch Box", path)), path, has, f"by-path/{port}")
            for port, path in self.nodes.items()
        ]

    def plug(self, port, path=None):
        self.nodes[port] = path or f"/dev/input/event{port[-1]}"

    def unplug(self, port):
        path = self.nodes.pop(port)
        if path in self.open:
            self.open.pop(path).unplug()

    def node(self, path):
        if path in self.open and not self.open[path].closed:
            raise OSError(errno.EBUSY, "opened twice")
        self.open[path] = Node(path, axes={Z: Axis(10, 0, 255)}, **self.settings)
        return self.open[path]

    def at(self, port):
        return self.open[self.nodes[port]]

    def close(self):
        for node in self.open.values():
            node.close()


@pytest.fixture
def desk(monkeypatch):
    desk = Desk(monkeypatch)
    yield desk
    desk.close()


@pytest.fixture
def room():
    room = Room()
    yield room
    room.close()


# --- several devices of one make ----------------------------------------------------------------------------------


def test_of_two_like_devices_each_seat_has_one_in_the_order_of_the_ports(desk, room):
    desk.plug("b2")
    desk.plug("a1")
    room.wants("window", pad=SPACE_KEY).wants("door", pad=SPACE_KEY)
    assert "event1" in room.opens("window").description
    assert "event2" in room.opens("door").description
    desk.at("a1").send(key(SPACE, 1))
    assert room.samples("window") == [SwitchSample("pad", True)]
    assert room.samples("door") == []


def test_a_seat_alone_is_not_helped_to_guess(desk, room):
    desk.plug("a1")
    desk.plug("b2")
    room.wants("window", pad=SPACE_KEY)
    assert str(room.refusal("window")).splitlines()[0] == '"*Switch*" could be 2 input devices; write one of these:'
    room.wants("door", pad=EvdevSwitch("by-path/a1", "KEY_SPACE"))
    assert "event2" in room.opens("window").description  # the other one is all that the door may have
    assert "event1" in room.opens("door").description


def test_what_others_hold_is_not_meant(desk, room):
    for port in ("a1", "b2", "c3"):
        desk.plug(port)
    room.wants("window", pad=EvdevSwitch("by-path/[ab]?", "KEY_SPACE")).wants("door", pad=SPACE_KEY)
    room.wants("wall", pad=SPACE_KEY)
    assert "event1" in room.opens("window").description
    assert "event2" in room.opens("door").description
    assert "event3" in room.opens("wall").description


@pytest.mark.parametrize("first", ["a1", "b2"])
def test_who_lost_a_device_gets_it_back_whichever_comes_first(desk, room, first):
    desk.plug("a1")
    desk.plug("b2")
    room.wants("window", pad=SPACE_KEY).wants("door", pad=SPACE_KEY)
    room.opens("window")
    room.opens("door")
    desk.unplug("a1")
    desk.unplug("b2")  # as when the hub is pulled out
    room.loses("window")
    room.loses("door")
    desk.plug(first, "/dev/input/event7")
    mine, other = ("window", "door") if first == "a1" else ("door", "window")
    assert f'was that of seat "{mine}", which waits for it' in str(room.refusal(other))
    assert "event7" in room.opens(mine).description
    desk.plug({"a1": "b2", "b2": "a1"}[first], "/dev/input/event9")
    assert "event9" in room.opens(other).description


def test_the_others_switch_is_not_taken_while_ones_own_is_away_also_where_keys_differ(desk, room):
    desk.plug("a1")
    desk.plug("b2")
    room.wants("window", pad=SPACE_KEY).wants("door", pad=ENTER_KEY)
    assert "event1" in room.opens("window").description
    assert "event2" in room.opens("door").description
    desk.unplug("a1")
    room.loses("window")
    assert "means only what others have" in str(room.refusal("window"))
    desk.plug("c3")  # into another port
    assert "event3" in room.opens("window").description


def test_after_a_swap_a_seat_has_the_same_device(desk, room):
    desk.plug("a1")
    desk.plug("b2")
    room.wants("window", pad=SPACE_KEY).wants("door", pad=SPACE_KEY)
    room.opens("window")
    room.opens("door")
    desk.plug("0")  # before all others, and nobody's
    room.leaves("door")
    room.wants("door", pad=SPACE_KEY, other=ENTER_KEY)
    assert "event2" in room.opens("door").description


@given(st.lists(st.sets(st.sampled_from("abcd"), max_size=3), max_size=5))
def test_the_size_of_a_matching_is_that_of_trying_all(options):
    def tried(rest, free):
        if not rest:
            return 0
        return max([tried(rest[1:], free), *(1 + tried(rest[1:], free - {key}) for key in rest[0] & free)])

    assert most(options) == tried(options, {*"abcd"})


PORTS = ("a1", "b2", "c3")
PATTERNS = ("*", "a*", "[ab]*", "c3")
KEYS = DeviceKind(
    "key box",
    "box",
    "another key",
    lambda devices, box: matches(next(iter(devices.values())).pattern, [box]),
    lambda ours, theirs: "+".join({d.key for d in ours.values()} & {d.key for d in theirs.values()}),
)


@given(st.randoms(use_true_random=False))
def test_whatever_is_plugged_in_and_out_nobody_has_what_another_uses_and_nobody_loses_what_is_there(
    chance: random.Random,
):
    sharing = Sharing()
    wishes = [
        sharing.wish(f"seat {n}", ("box", n), {"pad": EvdevSwitch(chance.choice(PATTERNS), chance.choice("XY"))})
        for n in range(chance.randint(1, 4))
    ]
    there, last = set(PORTS), {}
    for _ in range(30):
        port = chance.choice(PORTS)
        there ^= {port}
        for wish in wishes:
            if wish.has == port:
                sharing.let_go(wish)
        before = {wish.who: wish.has for wish in wishes}
        for wish in wishes:
            if wish.has is None:
                try:
                    sharing.choose(wish, {name: Candidate((name,)) for name in there}, KEYS)
                    with sharing.opening(wish):
                        pass
                except DeviceMissing:
                    continue
        for wish in wishes:
            assert before[wish.who] in (None, wish.has)
            assert wish.has is None or (wish.has in there and matches(wish.pattern, [wish.has]))
            if wish.has is not None:
                last[wish.who] = wish.has
            elif (
                home := last.get(wish.who)
            ) in there:  # its own is there, and it has not got it: somebody uses its key
                assert any(other.has == home for other in wishes)
        taken = [(wish.has, wish.devices["pad"].key) for wish in wishes if wish.has is not None]
        assert len(taken) == len({*taken})


# --- one device, several seats ------------------------------------------------------------------------------------


def test_two_keys_of_one_box_are_two_seats(desk, room):
    desk.plug("a1")
    room.wants("window", pad=SPACE_KEY).wants("door", pad=ENTER_KEY)
    room.opens("window")
    room.opens("door")
    node = desk.at("a1")
    node.send(key(SPACE, 1))
    node.send(key(ENTER, 1))
    node.send(key(SPACE, 0))
    assert select.select([room.inputs["window"].fileno()], [], [], 0)[0]
    assert room.samples("window") == [SwitchSample("pad", True), SwitchSample("pad", False)]
    assert select.select([room.inputs["door"].fileno()], [], [], 0)[0]  # although the node has nothing more to read
    assert room.samples("door") == [SwitchSample("pad", True)]
    assert not select.select([room.inputs["door"].fileno()], [], [], 0)[0]


def test_who_joins_and_leaves_takes_nothing_from_the_other(desk, room):
    """Not even what waits to be read; nor is the node opened anew, or let go by the kernel in between."""
    desk.plug("a1")
    room.wants("window", pad=SPACE_KEY)
    room.opens("window")
    node = desk.at("a1")
    for down in (1, 0, 1, 0):
        node.send(key(SPACE, down))
        room.wants("door", pad=ENTER_KEY)
        room.opens("door")
        assert room.samples("window") == [SwitchSample("pad", bool(down))]
        node.send(key(SPACE, 2))
        room.leaves("door")
    assert node.asked == 1
    assert node.grabbed
    assert desk.at("a1") is node


def test_a_key_that_is_held_when_a_seat_joins_counts_once_it_has_been_let_go(desk, room):
    desk.plug("a1")
    room.wants("window", pad=SPACE_KEY).wants("door", pad=ENTER_KEY)
    room.opens("window")
    node = desk.at("a1")
    node.send(key(ENTER, 1))
    assert room.samples("window") == []
    room.opens("door")
    node.send(key(ENTER, 2))
    node.send(key(ENTER, 0))
    node.send(key(ENTER, 1))
    assert room.samples("door") == [SwitchSample("pad", True)]


def test_after_a_loss_the_state_is_asked_for_once_for_all(desk, room):
    """Who asked again would lose for the others what came meanwhile."""
    desk.plug("a1")
    room.wants("window", pad=SPACE_KEY).wants("door", pad=ENTER_KEY)
    room.opens("window")
    room.opens("door")
    node = desk.at("a1")
    node.keys = {SPACE, ENTER}
    node.send((0, 3, 0))
    assert room.samples("door") == [SwitchSample("pad", True)]
    node.send(key(SPACE, 0))
    assert room.samples("window") == [SwitchSample("pad", True)]
    assert room.samples("window") == [SwitchSample("pad", False)]
    assert node.asked == 2
    assert [room.inputs[who].dropped for who in ("window", "door")] == [1, 1]


def test_the_box_is_ours_alone_as_long_as_one_of_those_who_listen_wants_that(desk, room):
    desk.plug("a1")
    room.wants("window", pad=EvdevSwitch("*", "KEY_SPACE", grab=False)).wants("door", pad=ENTER_KEY)
    room.opens("window")
    assert not desk.at("a1").grabbed
    room.opens("door")
    assert desk.at("a1").grabbed
    room.leaves("door")
    assert not desk.at("a1").grabbed


def test_a_box_that_goes_is_lost_to_both_and_both_get_it_back_in_another_port(desk, room, descriptors):
    before = descriptors()
    desk.plug("a1")
    room.wants("window", pad=SPACE_KEY).wants("door", cheek=EvdevAxis("*", "ABS_Z"))
    room.opens("window")
    room.opens("door")
    assert room.inputs["door"].wake(1) == [(1, PressureSample("cheek", 10.0))]
    desk.unplug("a1")
    room.loses("door")
    desk.plug("b2")
    room.opens("door")
    room.loses("window")
    room.opens("window")
    desk.at("b2").send(key(SPACE, 1), (3, Z, 20))
    assert room.samples("window") == [SwitchSample("pad", True)]
    assert room.samples("door") == [PressureSample("cheek", 20.0)]
    room.close()
    desk.close()
    assert descriptors() == before


def test_a_fault_in_one_seats_reading_is_its_own(desk, room, monkeypatch):
    desk.plug("a1")
    room.wants("window", pad=SPACE_KEY).wants("door", pad=ENTER_KEY)
    room.opens("window")
    broken = room.opens("door")

    def fail(*_):
        raise ZeroDivisionError

    monkeypatch.setattr(broken, "made", fail)
    desk.at("a1").send(key(SPACE, 1))
    with pytest.raises(ZeroDivisionError):
        broken.read(0)
    assert room.samples("window") == [SwitchSample("pad", True)]


def test_the_same_key_twice_is_refused_with_who_has_it_and_what_to_do(desk, room):
    desk.plug("a1")
    room.wants("window", pad=SPACE_KEY).wants("door", pad=SPACE_KEY)
    room.opens("window")
    refused = room.refusal("door")
    assert isinstance(refused, DeviceBusy)
    assert str(refused) == (
        'input device "by-path/a1" is taken: seat "window" has KEY_SPACE of it, and "*Switch*" means no other '
        "that is free; write "
        "another pattern or another key or axis into the profile, or another pattern under devices: of the "
        "seat in the configuration"
    )
    desk.at("a1").send(key(SPACE, 1))
    assert room.samples("window") == [SwitchSample("pad", True)]
    room.leaves("window")
    room.opens("door")


# --- every device of a pattern ------------------------------------------------------------------------------------


def test_who_listens_to_every_device_leaves_one_to_whoever_means_it(desk, room):
    """As where one child's profile is there and the other seat still plays what plays without any."""
    desk.plug("a1")
    desk.plug("b2")
    room.wants("door", pad=ANY).wants("window", pad=EvdevSwitch("*a1", "KEY_SPACE"))
    room.opens("door")
    desk.at("a1").send(key(SPACE, 1))
    assert room.samples("door") == [SwitchSample("pad", True)]
    room.opens("window")
    assert room.samples("door") == [SwitchSample("pad", False)]
    desk.at("a1").send(key(SPACE, 0))
    desk.at("a1").send(key(SPACE, 1))
    desk.at("b2").send(key(SPACE, 1))
    assert room.samples("window") == [SwitchSample("pad", True)]  # it was held when this seat came
    assert room.samples("door") == [SwitchSample("pad", True)]
    assert room.inputs["door"].more() is None
    desk.at("a1").send(key(SPACE, 0))
    desk.at("b2").send(key(SPACE, 0))
    assert room.samples("door") == [SwitchSample("pad", False)]
    room.leaves("window")
    room.inputs["door"].more()()  # nobody has it now
    desk.at("a1").send(key(SPACE, 1))
    assert room.samples("door") == [SwitchSample("pad", True)]


def test_two_who_listen_to_every_device_do_not_both_play_it(desk, room):
    desk.plug("a1")
    room.wants("window", pad=ANY).wants("door", pad=ANY)
    room.opens("window")
    refused = room.refusal("door")
    assert isinstance(refused, DeviceBusy)
    assert 'every input device called "*" that is there is used by seat "window"' in str(refused)
    told = []
    room.wishes["door"][0].news = lambda: told.append("door")
    room.leaves("window")
    assert told == ["door"]
    room.opens("door")


# --- in the daemon ------------------------------------------------------------------------------------------------


class Around:
    """What the daemon gives to all that is attached."""

    hears_of_devices = True

    def __init__(self):
        self.faults = []
        self.waiting = []
        self.said = []
        self.loop = Loop(self.faults.append)
        self.inputs = Sharing()
        self.turn = Turn()
        self.log = self

    def __getattr__(self, level):
        return lambda event, **fields: self.said.append((event, fields))

    def beside(self, work, done):
        """Later, as beside a loop that runs."""
        self.waiting.append((work, done))

    def do(self):
        while self.waiting:
            work, done = self.waiting.pop(0)
            done(tried(work), clock.now())

    def midi_used(self):
        pass

    def fault(self, error):
        self.faults.append(error)

    def contained(self):
        import contextlib

        return contextlib.nullcontext()


def test_what_was_refused_is_had_when_the_other_lets_it_go_and_the_log_says_all_once(desk):
    desk.plug("a1")
    around = Around()
    touched = []
    window, door = (
        AttachedInput(
            {"pad": SPACE_KEY}, {"pad": "switch"}, around, {"seat": seat}, lambda seat=seat: touched.append(seat)
        )
        for seat in ("window", "door")
    )
    now = clock.now()
    assert window.open(now)
    assert door.open(now)  # perhaps
    around.do()
    assert window.there is not None
    assert [type(sample).__name__ for _, sample in door.came] == ["Lost"]
    door.came.clear()
    for _ in range(3):
        now += 16 * FIRST_WAIT
        door.look_for(now)
        assert door.search.at is None  # while it is being looked for
        around.do()
    assert [event for event, _ in around.said] == ["input_open", "input_missing"]
    assert 'seat "window" has KEY_SPACE' in around.said[1][1]["why"]
    touched.clear()
    window.close()
    assert touched == ["door"]  # at once, and not when it would have looked again
    door.look_for(door.search.at)
    around.do()
    assert door.there is not None
    assert [type(sample).__name__ for _, sample in door.came] == ["Found"]
    door.close()
    around.loop.close()
    assert around.faults == []


def test_news_that_comes_while_a_device_is_looked_for_is_not_forgotten(desk):
    around = Around()
    switch = AttachedInput({"pad": SPACE_KEY}, {"pad": "switch"}, around, {}, lambda: None)
    switch.open(1)
    switch.plugged(2)
    around.do()
    assert switch.there is None
    desk.plug("a1")
    switch.look_for(switch.search.at)
    around.do()
    assert switch.there is not None
    switch.close()
    around.loop.close()


def test_what_is_opened_when_nobody_wants_it_any_more_is_given_back(desk):
    desk.plug("a1")
    around = Around()
    switch = AttachedInput({"pad": SPACE_KEY}, {"pad": "switch"}, around, {}, lambda: None)
    switch.open(1)
    switch.close()
    around.do()
    assert desk.at("a1").closed
    assert switch.there is None
    around.loop.close()


SEAT = """
profile: 1
child: {child}
inputs:
  pad: {{type: switch, device: {device}, debounce: 0 ms}}
parts:
  tune: {{input: pad, rules: [note: {{pitch: {note}}}], output: {{port: {port}, channel: {channel}}}}}
outputs:
  {port}: {{midi: "*Synth*"}}
"""


class Swap:
    """Another profile at a seat, as another thread asks; it is seen within a hundredth of a second."""

    def __init__(self, daemon):
        self.daemon, self.wanted = daemon, None
        self.looking = daemon.loop.agenda.reminder(self.look)
        self.looking.soon()

    def look(self, now):
        self.looking.set(now + 10_000_000)
        if self.wanted:
            wanted, self.wanted = self.wanted, None
            self.daemon.play(*wanted)


def test_while_a_device_takes_its_time_to_open_and_to_close_the_other_seat_plays_on(desk, tmp_path, monkeypatch):
    """The kernel lets whoever opens a USB switch wait for 50 ms, and longer for one that is being pulled out.
    Here it waits for us.
    """
    running = Running(tmp_path, monkeypatch)
    ends = {name: f'{{serial: "{os.ttyname(running.lines[name][1])}"}}' for name in running.lines}

    def profile(child, device, note, port, channel):
        path = tmp_path / f"{child}.yaml"
        path.write_text(SEAT.format(child=child, device=device, note=note, port=port, channel=channel))
        return load(path)

    daemon = running.daemon = Daemon(
        {
            "window": profile("wren", ends["left"], 60, "one", 1),
            "door": profile("lark", ends["right"], 64, "two", 2),
        },
        running.log,
    )
    finch = profile("finch", '{evdev: "*Switch*", key: KEY_SPACE}', 67, "two", 2)
    begun, go_on = threading.Event(), threading.Event()

    def slowly(work):
        def wait_first(*args):
            begun.set()
            assert go_on.wait(WAIT)
            return work(*args)

        return wait_first

    desk.plug("a1")
    monkeypatch.setattr(evdev, "Node", slowly(desk.node))
    monkeypatch.setattr(Node, "close", slowly(Node.close))
    swap = Swap(daemon)

    def window_plays():
        for _ in range(3):
            before = running.sent("one").count((0x90, 60, 80))
            running.press("left")
            running.until(lambda before=before: running.sent("one").count((0x90, 60, 80)) == before + 1)
            running.press("left", False)

    def changes(profile):
        begun.clear()
        go_on.clear()
        swap.wanted = daemon.seats[1], profile
        running.press("left", False)  # a pass
        assert begun.wait(WAIT)
        window_plays()
        go_on.set()

    def steps():
        running.until(lambda: running.log.count("start") == 2)
        window_plays()
        changes(finch)
        running.until(lambda: running.log.count("input_open") == 3)
        desk.at("a1").send(key(SPACE, 1))
        running.until(lambda: (0x91, 67, 80) in running.sent("two"))
        changes(profile("lark", ends["right"], 64, "two", 2))
        running.press("right")
        running.until(lambda: (0x91, 64, 80) in running.sent("two"))

    running.run(steps)
    running.close()
    assert running.log.count("program_fault") == 0
