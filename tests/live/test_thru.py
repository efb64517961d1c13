"""A keyboard that is played through: its messages go on as they are, and nothing of it sounds for ever."""

import itertools
from contextlib import nullcontext
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.events import Lost, MidiSample
from router.core.units import NANOSECONDS
from router.devices.descriptions import MidiInDevice, MidiPort
from router.devices.outputs import Output
from router.files.configuration import Ports
from router.live.room_ports import KEYBOARD, RoomPorts
from router.room.room import Room, RoomPlan
from router.room.thru import PEDALS, Thru, ThruLimits
from router.system import clock
from router.system.agenda import Agenda

START = 9_876_543_211
LENGTH = 5 * NANOSECONDS
LIMITS = ThruLimits(note_length=LENGTH, notes_at_once=3, velocity=100)


class Synth:
    """What sounds at a synth that does as MIDI 1.0 says with notes, pedals and channel mode messages.
    ``since``: by note.
    """

    def __init__(self):
        self.since, self.kept, self.down = {}, set(), {}

    def hear(self, data, now):
        kind, channel, number, value = data[0] & 0xF0, data[0] & 15, data[1], data[2]
        key = channel, number
        if kind == 0x90 and value:
            self.since[key] = now
            self.kept.discard(key)
        elif kind in (0x80, 0x90):
            self._up(key)
        elif kind == 0xB0 and number in PEDALS:
            pedals = self.down.setdefault(channel, set())
            (pedals.add if value >= 64 else pedals.discard)(number)
            if not pedals:
                self._lift(channel)
        elif kind == 0xB0 and number == 121:
            self.down.pop(channel, None)
            self._lift(channel)
        elif kind == 0xB0 and number == 120:
            for each in [each for each in self.since if each[0] == channel]:
                del self.since[each]
        elif kind == 0xB0 and number >= 123:
            for each in [each for each in self.since if each[0] == channel]:
                self._up(each)

    def _up(self, key):
        if self.down.get(key[0]):
            self.kept.add(key)
        else:
            self.since.pop(key, None)

    def _lift(self, channel):
        for key in [key for key in self.kept if key[0] == channel]:
            self.since.pop(key, None)
        self.kept -= {key for key in self.kept if key[0] == channel}


def test_what_is_played_goes_on_as_it_is():
    thru = Thru(LIMITS)
    for data in [(0x90, 60, 90), (0xE0, 3, 70), (0xD0, 50), (0xC0, 4), (0xB0, 1, 9), (0x90, 60, 0), (0x80, 60, 64)]:
        assert thru.play(data, START) == [data]
    assert thru.sounding == ()
    assert thru.deadline() is None


def test_a_note_whose_end_is_lost_ends_when_it_has_sounded_as_long_as_it_may():
    thru = Thru(LIMITS)
    thru.play((0x93, 60, 90), START)
    assert thru.deadline() == START + LENGTH
    assert thru.wake(START + LENGTH - 1) == []
    assert thru.wake(START + LENGTH) == [(0x83, 60, 0)]
    assert thru.sounding == ()
    assert thru.play((0x83, 60, 0), START + 2 * LENGTH) == [(0x83, 60, 0)], "its end came late"


@pytest.mark.parametrize("pedal", PEDALS)
def test_a_pedal_whose_end_is_lost_goes_up_with_the_oldest_note_that_it_keeps(pedal):
    thru = Thru(LIMITS)
    thru.play((0xB0, pedal, 127), START)
    thru.play((0x90, 60, 90), START)
    thru.play((0x80, 60, 0), START + 1)
    assert thru.sounding == ((1, 60),)
    assert thru.wake(START + LENGTH) == [(0x80, 60, 0), (0xB0, pedal, 0)]
    assert thru.sounding == ()


def test_a_pedal_that_goes_up_in_time_ends_what_it_kept():
    thru = Thru(LIMITS)
    thru.play((0xB0, 64, 64), START)
    thru.play((0x90, 60, 90), START)
    thru.play((0x90, 64, 90), START)
    thru.play((0x80, 60, 0), START)
    thru.play((0xB0, 64, 63), START)
    assert thru.sounding == ((1, 64),)
    thru.play((0x80, 64, 0), START)
    assert thru.deadline() is None


def test_one_key_too_many_ends_the_oldest_and_a_loud_one_is_softened():
    thru = Thru(LIMITS)
    for note in (60, 62, 64):
        thru.play((0x90, note, 90), START)
    assert thru.play((0x90, 65, 127), START) == [(0x80, 60, 0), (0x90, 65, 100)]
    assert thru.sounding == ((1, 62), (1, 64), (1, 65))


BYTES = st.integers(0, 127)
PLAYED = st.one_of(
    st.tuples(st.sampled_from([0x80, 0x90, 0x90, 0x91]), st.integers(60, 65), BYTES),
    st.tuples(
        st.sampled_from([0xB0, 0xB1]),
        st.sampled_from([*PEDALS, 1, 120, 121, 123, 127]),
        st.sampled_from([0, 63, 64, 127]),
    ),
)


@given(st.lists(st.tuples(PLAYED, st.integers(0, LENGTH)), max_size=40))
def test_whatever_is_played_a_synth_never_sounds_a_note_for_longer_and_at_last_none(played):
    thru, synth, now = Thru(LIMITS), Synth(), START

    def until(end):
        while (due := thru.deadline()) is not None and due <= end:
            for data in thru.wake(due):
                synth.hear(data, due)
        assert all(end - since <= LENGTH for since in synth.since.values())

    for data, later in played:
        now += later
        until(now)
        for message in thru.play(data, now):
            synth.hear(message, now)
        assert {(channel + 1, note) for channel, note in synth.since} <= set(thru.sounding)
        assert len(synth.since) - len(synth.kept) <= LIMITS.notes_at_once
    until(now + LENGTH)
    assert not synth.since
    assert thru.sounding == ()


@given(st.lists(st.lists(st.integers(0, 255), min_size=1, max_size=4), max_size=20))
def test_no_bytes_raise_anything(messages):
    thru = Thru(LIMITS)
    for data in messages:
        assert thru.play(tuple(data), START)
    thru.wake(START + LENGTH)
    thru.silence()


class Kept(Output):
    """What was sent."""

    description = "kept"

    def __init__(self):
        self.sent = []

    def send(self, data, now):
        self.sent.append(data)

    def close(self):
        pass


@pytest.fixture
def wired(monkeypatch):
    """A room whose keyboard sounds at an output; what its port says is put into ``came``."""
    kept, log = Kept(), []
    looks = itertools.count(START, 20_000)  # each look at the clock costs time
    monkeypatch.setattr(clock, "now", lambda: next(looks))
    agenda = Agenda(pytest.fail)
    around = SimpleNamespace(
        loop=SimpleNamespace(agenda=agenda),
        outputs=SimpleNamespace(open=lambda *_: kept),
        inputs=SimpleNamespace(wish=lambda *_: None),
        log=SimpleNamespace(
            info=lambda event, **_: log.append(event),
            warning=lambda event, **_: log.append(event),
            error=lambda event, **_: log.append(event),
        ),
        midi_used=lambda: None,
        contained=nullcontext,
        turn=SimpleNamespace(memory=bytearray(9)),
    )
    room = Room(RoomPlan(), START, lambda *_: None)
    plan = Ports(keyboard=MidiInDevice("keys"), keyboard_to=MidiPort("x"), keyboard_limits=LIMITS)
    ports = RoomPorts(plan, room, around, START)
    ports.outputs[KEYBOARD].open(START)
    kept.sent.clear()
    return ports, kept.sent, log, agenda


def say(ports, now, *messages):
    ports.inputs[0].came += [(now, MidiSample(KEYBOARD, data)) for data in messages]
    ports._now = now
    ports._readable()


def test_a_room_ends_the_lost_note_by_itself_and_says_so(wired):
    ports, sent, log, agenda = wired
    say(ports, START, (0x90, 60, 90))
    assert sent == [(0x90, 60, 90)]
    agenda.ring(START + 1)
    assert agenda.next() == START + LENGTH
    agenda.ring(START + LENGTH)
    assert sent[1:] == [(0x80, 60, 0)]
    assert "limit" in log


def test_a_keyboard_that_goes_leaves_nothing_on_and_no_pedal_down(wired):
    ports, sent, _, agenda = wired
    say(ports, START, (0xB2, 64, 127), (0x92, 60, 90), (0x82, 60, 0), (0x92, 62, 90))
    ports.inputs[0].came.append((START, Lost(KEYBOARD)))
    ports._readable()
    assert sent[4:] == [(0x82, 60, 0), (0x82, 62, 0), (0xB2, 64, 0), (0xB2, 123, 0), (0xB2, 120, 0)]
    agenda.ring(START + 2 * LENGTH)
    assert len(sent) == 9


def test_a_keyboard_that_floods_is_taken_in_pieces_and_every_note_ends(wired):
    ports, sent, log, agenda = wired
    for turn in range(100):
        say(
            ports,
            clock.now(),
            *[(0xB0, 2, n % 128) for n in range(256)],
            (0x90, 60 + turn % 4, 90),
            (0x80, 60 + turn % 4, 0),
        )
        agenda.ring(clock.now())
    assert ports.waiting.dropped
    while ports.waiting:
        agenda.ring(clock.now())
    assert sent[-1][0] == 0x80
    assert ports._ledger.sounding == ()
    assert log.count("input_chatters") == 1
