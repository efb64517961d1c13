"""A room on virtual time with real engines: chords that change on a beat, and one grid for all, whoever began when."""

from __future__ import annotations

import random
import statistics
from fractions import Fraction
from itertools import groupby

import pytest

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import HARMONY, TEMPO, PartPlan, Plan
from router.core.events import Route, Sample, SwitchSample
from router.core.harmony import Progression
from router.core.ledger import Limits
from router.core.midi import CLOCK, CLOCKS, START
from router.core.music import SCALES, Music, chord_symbol, length
from router.core.rules import RULES
from router.core.timers import earliest
from router.core.units import NANOSECONDS
from router.room.lead import Leading
from router.room.room import Room, RoomPlan
from router.testing import MILLISECOND, STARTED, Observed, VirtualTime, plan_rule
from tests.shared.rooms import SAYS

WIDE = Limits(notes_at_once=64, notes_per_second=1000, note_length=10**14)
BOTH = frozenset({TEMPO, HARMONY})
NAMES = ("window", "door", "middle")


class Child(VirtualTime):
    """A seat's engine as a member of the room."""

    def __init__(self, *rules: tuple[str, dict], music: Music | None = None, follows: frozenset[str] = BOTH) -> None:
        made = tuple(plan_rule(RULES[name], written) for name, written in rules)
        part = PartPlan("tune", ("pad",), made, Route("out", 1))
        inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
        self.plan = Plan(music or Music(), WIDE, inputs, (part,), follows=follows)
        super().__init__(self.plan)

    def follow(self, music: Music, now: int) -> None:
        self.now = max(self.now, now - STARTED)
        self._keep(self.engine.follow(music, STARTED + self.now))

    def hear(self, sample: Sample, now: int) -> None:
        raise AssertionError("nobody listens here")

    def turn(self, mine: bool, now: int) -> None:
        raise AssertionError("nobody takes turns here")

    def level(self, level: float, now: int) -> None:
        raise AssertionError("nobody sets a level here")

    def begun(self, since: int = 0) -> list[tuple[int, int]]:
        """When each note began, and which."""
        return [(when, m.data[1]) for when, m in self.played if m.data[0] & 0xF0 == 0x90 and when >= since]


class Together:
    """A room and its children in one loop, which may be ``late``: what is due is done so many nanoseconds after it.

    Times are counted from the start; the clock, one for all, reads ``STARTED`` then.
    """

    def __init__(self, plan: RoomPlan, *children: Child, late: int = 0) -> None:
        self.log, self.late, self.now = Observed(), late, 0
        self.room = Room(plan, STARTED, self.log)
        self.children = children
        for name, child in zip(NAMES, children, strict=False):
            self.room.join(name, child, STARTED)

    def go_on(self, until: int) -> None:
        """As the daemon's pass: the room first."""
        while True:
            due = earliest((self.room.deadline(), *(child.engine.next_deadline() for child in self.children)))
            if due is None or due - STARTED + self.late > until:
                break
            self.now = max(self.now, due - STARTED + self.late)
            if (at := self.room.deadline()) is not None and at - STARTED <= self.now:
                self.room.wake(STARTED + self.now)
            for child in self.children:
                child.go_on(child.now)
                if (at := child.engine.next_deadline()) is not None and at - STARTED <= self.now:
                    child.wake_late(self.now)
        self.now = until

    def press(self, child: int, now: int, *, down: bool = True) -> None:
        self.go_on(now)
        self.children[child].now = now
        self.children[child]._keep(self.children[child].engine.handle(SwitchSample("pad", down), STARTED + now))

    def end(self) -> None:
        """All let go."""
        for child in range(len(self.children)):
            self.press(child, self.now, down=False)
        self.go_on(self.now + 10 * NANOSECONDS)
        for child in self.children:
            assert child.engine.sounding == ()
            assert child.engine.next_deadline() is None


def arpeggio(begin: str = "on the beat", rate: str = "1/8", gate: str = "80 %") -> tuple[str, dict]:
    return ("arpeggio", {"rate": rate, "begin": begin, "gate": gate})


FOLLOWED = (("note", {}), ("chord", {"follow": True}))


@pytest.mark.parametrize("late", [0, 1, 700_000, 3 * MILLISECOND])
def test_a_step_on_the_beat_of_the_rooms_next_chord_is_of_that_chord_at_every_seat(late):
    """At the same nanosecond; and in a loop that is late for all of it."""
    chords = [chord_symbol(name) for name in ("D", "Bm", "G", "A7")]
    plan = RoomPlan(Music(2, SCALES["major"], Fraction(120)), SAYS, Progression(tuple(chords), length("1 bar")))
    children = [
        Child(*FOLLOWED, arpeggio()),
        Child(*FOLLOWED, arpeggio("at once", "1/16", "100 %")),
        Child(*FOLLOWED, ("repeat", {"rate": "1/4", "begin": "on the beat"}), ("range", {"lowest": "C3"})),
    ]
    room = Together(plan, *children, late=late)
    for place in range(3):
        room.press(place, place * 125 * MILLISECOND)
    room.go_on(16 * NANOSECONDS + 100 * MILLISECOND)
    bar = 2 * NANOSECONDS
    for child in children:
        steps = child.begun(1)
        assert len(steps) > 30
        for when, note in steps:
            assert note % 12 in chords[when // bar % 4].classes, (when, note)
    on_the_bar = [[note for when, note in child.begun(1) if 0 <= when % bar <= late] for child in children]
    assert all(len(notes) >= 7 for notes in on_the_bar)
    room.end()


def clocked(room: Together, bpm: float, beats: int, jitter: float, chance: random.Random) -> list[int]:
    """A clock whose ticks are off by at most so many milliseconds; when its beats truly are."""
    since = room.now + 100 * MILLISECOND
    true = [since + round(tick * 60 * NANOSECONDS / bpm / CLOCKS) for tick in range(CLOCKS * beats + 1)]
    room.room.clock((START,), STARTED + room.now)
    for now in sorted(when + round(chance.uniform(-jitter, jitter) * MILLISECOND) for when in true):
        room.go_on(now)
        room.room.clock((CLOCK,), STARTED + now)
    return true[::CLOCKS]


@pytest.mark.parametrize("seed", range(3))
def test_arpeggios_begun_a_minute_apart_lie_on_one_grid_after_taps_and_a_clock(seed):
    """Three seats, one from the first bar, one after taps, one while a clock of 3 ms jitter leads:
    the same steps to the nanosecond.
    """
    chance = random.Random(seed)
    children = [
        Child(("note", {}), arpeggio()),
        Child(("note", {}), arpeggio()),
        Child(("note", {}), arpeggio(rate="1/4")),
    ]
    room = Together(RoomPlan(Music(tempo=Fraction(96)), SAYS), *children)
    room.press(0, 130 * MILLISECOND)
    room.go_on(20 * NANOSECONDS)
    for tap in range(5):
        now = 20 * NANOSECONDS + tap * 500 * MILLISECOND + round(chance.gauss(0, 15) * MILLISECOND)
        room.go_on(now)
        room.room.tap(STARTED + now)
    room.go_on(61 * NANOSECONDS)
    assert abs(room.room.beat.music.tempo - 120) < 6
    second = 61 * NANOSECONDS + 77 * MILLISECOND
    room.press(1, second)
    room.go_on(90 * NANOSECONDS)
    steps = [child.begun(second) for child in children]
    assert len(steps[1]) > 100
    assert steps[0] == steps[1]
    beats = clocked(room, 101.7, 32, 3.0, chance)
    third = room.now
    room.press(2, third)
    beats += [beats[-1] + round((beat + 1) * 60 * NANOSECONDS / 101.7) for beat in range(16)]
    room.go_on(beats[-1] + 20 * MILLISECOND)
    since = beats[5] - 20 * MILLISECOND
    one, two, three = ([when for when, _ in child.begun(since)] for child in children)
    assert one == two
    assert set(three) <= set(one)
    assert len(three) in (15, 16, 17)
    off = [min((when - beat for when in one), key=abs) / MILLISECOND for beat in beats[5:]]
    assert statistics.pstdev(off) < 1.0, "the clock's ticks are off by 3 ms, the grid by less than one"
    assert max(map(abs, off)) < 3.0
    room.end()


class Told(Child):
    """A child that notes when it was told of which tonic and chord."""

    def follow(self, music: Music, now: int) -> None:
        self.told = [*getattr(self, "told", []), (now, music.tonic, music.chord.name if music.chord else "")]
        super().follow(music, now)


def test_a_seat_is_told_of_a_key_and_a_chord_at_the_very_message_that_changed_them():
    """A key is known as a note is struck, a fresh chord as the hold pedal goes down; other messages tell nothing."""
    hold = 67
    plan = RoomPlan(Music(0, SCALES["major"], Fraction(120)), SAYS, Progression((1,)), Leading(True, True, hold=hold))
    child = Told(("note", {}))
    room = Together(plan, child)
    for tonic in (2, 3):
        for second in range(30):
            for note in ((0, 4, 7), (5, 9, 0), (7, 11, 2), (0, 4, 7))[second % 4]:
                before = room.room._lead.led.tonic
                room.room.key((0x90, 48 + (tonic + note) % 12, 80), room.now)
                if room.room._lead.led.tonic != before:
                    assert child.told[-1][:2] == (room.now, room.room._lead.led.tonic)
            room.go_on(room.now + NANOSECONDS)
            for note in range(48, 60):
                room.room.key((0x80, note, 0), room.now)
    keys = [fields["tonic"] for _, _, fields in room.log.named("key")]
    assert [tonic for tonic, _ in groupby(keys)][-1] == 3
    assert [tonic for tonic, _ in groupby(tonic for _, tonic, _ in child.told)][-1] == 3
    for note in (50, 54, 57):
        room.room.key((0x90, note, 80), room.now)
    room.room.key((0xB0, hold, 127), room.now)
    assert child.told[-1] == (room.now, 3, "D")
    told = list(child.told)
    heard = len(room.log.named("key")), len(room.log.named("chord"))
    for message in ((0x80, 50, 0), (0xB0, 64, 127), (0xB0, 64, 0), (0xF8,), (0x90, 99)):
        room.room.key(message, room.now)
    assert (child.told, heard) == (told, (len(room.log.named("key")), len(room.log.named("chord"))))


@pytest.mark.parametrize("leads", ["chords", "key"])
def test_what_is_held_at_every_seat_goes_on_as_the_keyboard_leads(leads):
    """A cadence in D, then one in Eb; who follows nothing plays on in its own key, to the message."""
    plan = RoomPlan(
        Music(0, SCALES["major"], Fraction(120)), SAYS, Progression((1,)), Leading(leads == "chords", leads == "key")
    )
    children = [
        Child(("note", {}), ("chord", {}), arpeggio()),
        Child(*FOLLOWED, arpeggio(rate="1/4")),
        Child(("note", {}), arpeggio(), music=Music(5), follows=frozenset()),
    ]
    room = Together(plan, *children)
    for place in range(3):
        room.press(place, 0)
    for tonic in (2, 3):
        for second in range(40):
            chord = ((0, 4, 7), (5, 9, 0), (7, 11, 2), (0, 4, 7))[second % 4]
            for note in chord:
                room.room.key((0x90, 48 + (tonic + note) % 12, 80), STARTED + room.now)
            room.go_on(room.now + 900 * MILLISECOND)
            for note in chord:
                room.room.key((0x80, 48 + (tonic + note) % 12, 0), STARTED + room.now)
            room.go_on(room.now + 100 * MILLISECOND)
        last = [{note % 12 for _, note in child.begun(room.now - 3 * NANOSECONDS)} for child in children]
        if leads == "key":
            assert last[0] == last[1] == {tonic, tonic + 4, tonic + 7}, "and the room's chord is the step of that key"
        else:
            played = {(tonic + note) % 12 for chord in ((5, 9, 0), (7, 11, 2), (0, 4, 7)) for note in chord}
            assert last[0] == {0, 4, 7}, "nobody said another key"
            assert last[1] <= played
            assert tonic in last[1]
        assert last[2] == {5}
    assert [fields["tonic"] for _, _, fields in room.log.named("key")][-1:] == ([3] if leads == "key" else [])
    room.end()


def test_taps_of_a_hand_and_a_room_that_was_never_told_a_tempo():
    """Until somebody taps each profile keeps its own tempo, on the room's bar; then all have the room's."""
    children = [Child(("note", {}), arpeggio(), music=Music(tempo=Fraction(tempo))) for tempo in (60, 80)]
    room = Together(RoomPlan(), *children)
    for place in range(2):
        room.press(place, 0)
    room.go_on(4 * NANOSECONDS)
    apart = [
        {two - one for (one, _), (two, _) in zip(child.begun(), child.begun()[1:], strict=False)} for child in children
    ]
    assert apart == [{500 * MILLISECOND}, {375 * MILLISECOND}]
    for tap in range(4):
        room.go_on(4 * NANOSECONDS + tap * 400 * MILLISECOND)
        room.room.tap(STARTED + room.now)
    room.go_on(12 * NANOSECONDS)
    assert room.room.beat.music.tempo == 150
    steps = [child.begun(6 * NANOSECONDS) for child in children]
    assert steps[0] == steps[1]
    assert {two - one for (one, _), (two, _) in zip(steps[0], steps[0][1:], strict=False)} == {200 * MILLISECOND}
    room.end()


@pytest.mark.parametrize("late", [0, 1, 700_000, 3 * MILLISECOND])
def test_a_bass_walks_to_the_rooms_next_chord_and_has_its_root_on_the_bar(late):
    """Also where the loop is late, and the room's chord is told after the bass's own deadline: it knows what comes."""
    chords = ("C", "Am", "F", "Bm7b5")
    music = Music(0, SCALES["major"], Fraction(120))
    plan = RoomPlan(music, SAYS, Progression(tuple(map(chord_symbol, chords)), length("1 bar")))
    together = Together(plan, Child(("bass", {"line": "walking"})), Child(("drums", {"style": "rock"})), late=late)
    for child in (0, 1):
        together.press(child, 300 * MILLISECOND)
    together.go_on(16_900 * MILLISECOND)
    bass, drums = (child.begun() for child in together.children)
    assert all(when % (NANOSECONDS // 4) <= late for when, _ in drums)  # the room's eighths
    roots = [0, 9, 5, 11]
    notes = {when // (NANOSECONDS // 2): pitch for when, pitch in bass}
    assert sorted(notes) == list(range(1, 34))
    assert len(bass) == len(notes), "no note is mended by another"
    for bar in range(1, 8):
        assert notes[4 * bar] % 12 == roots[bar % 4]
        assert abs(notes[4 * bar] - notes[4 * bar - 1]) in (1, 2)
    together.end()
