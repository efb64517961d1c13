"""An input that chatters costs its own seat only:
counted in samples and passes, on a clock that moves with the work.
"""

import types

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.events import Found, Lost, Mark, MidiSample, PointerSample, PressureSample, SwitchSample
from router.core.units import NANOSECONDS
from router.files.profile import load
from router.live import seat as seat_module
from router.live.daemon import Daemon
from router.live.flood import CHANGES, MOST, SAMPLES, SHARE, STALLED, Waiting
from router.live.seat import CHATTERS
from router.room.room import RoomPlan
from tests.benchmarks.seats import Nowhere, Quiet

START = 7_777_777_777
COST = SHARE // 4
"""Of one sample at a seat."""

PROFILE = """
profile: 1
child: wren
inputs:
  pad: {type: switch, device: {serial: "nothing there"}, debounce: 0 ms}
  cheek: {type: pressure, device: {serial: "nor there", unit: Pa}, above: {on: 40 Pa, full: 200 Pa}}
parts:
  tune:
    input: pad
    rules: [{note: {degree: 1}}]
    output: {port: synth, channel: 1}
  breath:
    input: cheek.above
    rules: [{note: {degree: 5}}]
    output: {port: synth, channel: 2}
outputs:
  synth: {midi: "*"}
"""


class Bed:
    """A daemon's passes over some seats, whose every sample takes ``COST``. ``played``: seat and sample, in order."""

    def __init__(self, folder, monkeypatch, seats=2):
        file = folder / "wren.yaml"
        file.write_text(PROFILE, encoding="utf-8")
        self.daemon = Daemon({f"seat {n}": load(file) for n in range(seats)}, Quiet(), room=RoomPlan())
        self.now = START
        self.played, self.sent = [], {}
        monkeypatch.setattr(seat_module, "clock", types.SimpleNamespace(now=lambda: self.now))
        for number, seat in enumerate(self.daemon.seats):
            out = self.sent[number] = Nowhere()
            out.heard = []
            out.send = lambda data, _now, heard=out.heard: heard.append(data)
            seat.outputs["synth"].there = out
            for device in seat.devices:
                device.search.end()
            seat.now = self.now
            self._weigh(number, seat)
            seat._begin()
            out.heard.clear()
            seat.rest()

    def _weigh(self, number, seat):
        handle = seat.engine.handle

        def weighed(sample, now):
            self.played.append((number, sample))
            self.now += COST
            return handle(sample, now)

        seat.engine.handle = weighed

    def give(self, number, samples):
        """A device has said this."""
        seat = self.daemon.seats[number]
        seat.devices[0].came += [(self.now, sample) for sample in samples]
        seat.touch()

    def turn(self):
        """One pass; what was played in it."""
        before = len(self.played)
        self.daemon.loop.agenda.ring(self.now)
        return self.played[before:]

    def close(self):
        self.daemon.loop.close()


@pytest.fixture
def bed(tmp_path, monkeypatch):
    beds = []

    def make(**options):
        beds.append(Bed(tmp_path, monkeypatch, **options))
        return beds[-1]

    yield make
    for each in beds:
        each.close()


def chatter(count):
    return [SwitchSample("pad", number % 2 == 0) for number in range(count)]


def pressures(count):
    return [PressureSample("cheek", 50.0 * (number % 3)) for number in range(count)]


@pytest.mark.parametrize("flood", [chatter, pressures])
def test_a_seat_takes_no_more_of_a_pass_than_its_share_and_the_others_come_first(bed, flood):
    beds = bed()
    beds.give(0, flood(128))
    assert [number for number, _ in beds.turn()] == [0] * 4
    beds.turn()
    for _ in range(200):
        beds.give(0, flood(128))
        beds.give(1, [SwitchSample("pad", True), SwitchSample("pad", False)])
        played = [number for number, _ in beds.turn()]
        assert played[:2] == [1, 1], "the other is late"
        assert 0 < len(played[2:]) <= SHARE // COST + 1


def test_seats_that_chatter_share_what_one_may_take(bed):
    beds = bed(seats=4)
    for number in range(4):
        beds.give(number, chatter(128))
    beds.turn()
    for _ in range(50):
        for number in range(4):
            beds.give(number, [*chatter(128), *(Mark("cue") for _ in range(9))])  # of which none is left out
        played = [number for number, _ in beds.turn()]
        assert [played.count(number) for number in range(4)] == [1] * 4


@pytest.mark.parametrize("last", [True, False])
def test_after_the_chatter_the_switch_is_where_it_is_and_nothing_is_left_on(bed, last):
    beds = bed(seats=1)
    for _ in range(50):
        beds.give(0, chatter(129))
        beds.turn()
    beds.give(0, [SwitchSample("pad", False)])
    beds.turn()
    beds.now += 2 * NANOSECONDS  # the limit of notes a second is not what is tried here
    beds.give(0, [SwitchSample("pad", last)])
    while beds.daemon.seats[0].waiting:
        beds.turn()
    heard = beds.sent[0].heard
    assert beds.played[-1] == (0, SwitchSample("pad", last))
    for _ in range(2):  # a note that ends as it begins sounds for a moment all the same
        beds.now += NANOSECONDS
        beds.turn()
    on = sum(data[0] & 0xF0 == 0x90 for data in heard) - sum(data[0] & 0xF0 == 0x80 for data in heard)
    assert on == last
    assert beds.daemon.seats[0].dropped()["samples"] > 0


def test_that_it_chatters_is_said_once_in_the_log_in_status_and_in_the_room(bed):
    beds = bed()
    told, seat = [], beds.daemon.seats[0]
    seat.on_chatter = lambda: told.append("chime")
    seat.events.record = lambda _now, event, fields: told.append((event, fields))
    for _ in range(10):
        beds.give(0, chatter(128))
        beds.turn()
    assert [one for one in told if one == "chime" or one[0] == "fault"] == [
        "chime",
        ("fault", {"input": "pad", "error": CHATTERS}),
    ]
    assert seat.waiting.chattering(beds.now) == ["pad"]
    assert seat.waiting.chattering(beds.now + 3 * NANOSECONDS) == []
    assert beds.daemon.seats[1].waiting.chattering(beds.now) == []


def test_a_swap_in_a_flood_begins_with_the_switch_where_it_is(bed):
    beds = bed(seats=1)
    seat = beds.daemon.seats[0]
    beds.give(0, [SwitchSample("pad", True)])
    beds.turn()
    beds.give(0, [*chatter(128), SwitchSample("pad", False)])
    seat._give_up_waiting(beds.now)
    assert not seat.waiting
    assert seat._switch_says("pad") is False, "the next press would be taken for one from before"


@pytest.mark.parametrize(
    ("sample", "count"),
    [
        (lambda n: SwitchSample("pad", n % 2 == 0), CHANGES),
        (lambda n: PressureSample("pad", float(n)), SAMPLES),
        (lambda n: MidiSample("pad", (0xB0, 2, n % 128)), SAMPLES),
    ],
)
def test_chattering_begins_beyond_the_limit_of_a_second(sample, count):
    waiting = Waiting()
    for n in range(count):
        assert waiting.add([(START, sample(n))], START) == []
    assert waiting.add([(START, sample(count))], START) == ["pad"]
    assert waiting.add([(START, sample(count + 1))], START) == []
    slow = Waiting()
    for n in range(3 * count):  # the same in three seconds and a little
        at = START + n * (NANOSECONDS // count + 1_000)
        assert slow.add([(at, sample(n))], at) == []


def test_a_switch_that_says_again_and_again_where_it_is_does_not_chatter():
    waiting = Waiting()
    assert [waiting.add([(START, SwitchSample("pad", True))], START) for _ in range(10 * SAMPLES)].count(["pad"]) == 0


KEYS = st.integers(60, 63)
SAID = st.one_of(
    st.builds(SwitchSample, st.sampled_from("ab"), st.booleans()),
    st.builds(PressureSample, st.sampled_from("cd"), st.floats(0, 9)),
    st.builds(PointerSample, st.just("e"), st.floats(0, 1), st.floats(0, 1)),
    st.builds(
        lambda kind, key, value: MidiSample("k", (kind, key, value)),
        st.sampled_from([0x80, 0x90, 0xB0]),
        KEYS,
        st.integers(0, 127),
    ),
    st.sampled_from([Mark("cue"), Lost("a"), Found("a")]),
)


@given(st.lists(SAID, max_size=40), st.integers(0, 3))
def test_whatever_is_thinned_out_everything_is_where_it_was_said_last(said, rounds):
    waiting = Waiting()
    everything = [*said] + [PressureSample("c", float(n)) for n in range(rounds * STALLED)] + [*said]
    waiting.add([(START + n, sample) for n, sample in enumerate(everything)], START)
    left = [sample for _, sample in waiting.clear()]
    assert len(left) + waiting.dropped == len(everything)
    assert state(left) == state(everything)
    assert [sample for sample in left if isinstance(sample, Mark | Lost | Found)] == [
        sample for sample in everything if isinstance(sample, Mark | Lost | Found)
    ]


def state(samples):
    """Where everything is after these."""
    now = {}
    for sample in samples:
        if isinstance(sample, MidiSample):
            kind, number, value = sample.data
            if kind == 0xB0:
                now["controller", number] = value
            else:
                now["key", number] = kind == 0x90 and value > 0
        elif not isinstance(sample, Mark | Lost | Found):
            now[sample.input] = sample
    return now


def test_more_keys_than_anybody_has_fingers_for_are_all_let_go():
    waiting = Waiting()
    keys = [MidiSample("keys", (0x90 | n // 128, n % 128, 90)) for n in range(2 * STALLED)]
    waiting.add([(START, sample) for sample in keys], START)
    assert [sample for _, sample in waiting.clear()] == [Lost("keys"), Found("keys")]
    assert waiting.dropped == len(keys)


def test_what_calm_inputs_said_while_the_router_was_held_up_is_played_whole():
    waiting = Waiting()
    efforts = [SwitchSample("pad", True), SwitchSample("pad", False), PressureSample("cheek", 90.0)]
    rest = [PressureSample("cheek", 0.0)] * 100
    held_up = [*rest, *efforts, *rest, *efforts, *rest, *efforts]
    assert MOST < len(held_up) < STALLED
    waiting.add([(START + n, sample) for n, sample in enumerate(held_up)], START + NANOSECONDS)
    assert [sample for _, sample in waiting.clear()] == held_up
    assert waiting.dropped == 0


def test_beside_an_input_that_chatters_the_others_are_played_whole():
    waiting = Waiting()
    efforts = [SwitchSample("pad", True), SwitchSample("pad", False)] * 3
    said = [*efforts[:3], *(SwitchSample("loose", n % 2 == 0) for n in range(MOST + CHANGES)), *efforts[3:]]
    waiting.add([(START + n, sample) for n, sample in enumerate(said)], START + NANOSECONDS)
    assert [sample for _, sample in waiting.clear() if sample.input == "pad"] == efforts
    assert waiting.dropped == MOST + CHANGES - 1
