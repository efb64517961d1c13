"""A keyboard that leads: on virtual time, with whatever bytes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.events import Press, Release
from router.core.harmony import Harmony, Progression
from router.core.music import SCALES, Music, TimeSignature, chord_symbol
from router.core.recognition import SETTLE, TOGETHER
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.room.lead import Lead, Leading, Led
from router.testing import MILLISECOND

HOLD = 66


class Keyboard:
    """A lead and its timers; times in milliseconds."""

    def __init__(self, **leading):
        self.timers = Timers()
        self.lead = Lead(Leading(**leading), Alarm(self.timers, 0))
        self.changes = []

    def go_on(self, until):
        while (key := self.timers.pop(until * MILLISECOND)) is not None:
            self._note(until, self.lead.wake(until * MILLISECOND, key[1]))

    def send(self, now, *data):
        self.go_on(now)
        self._note(now, self.lead.handle(data, now * MILLISECOND))

    def _note(self, now, led):
        if led is not None:
            assert led == self.lead.led
            self.changes.append((now, led))

    def down(self, now, *notes, channel=1):
        for note in notes:
            self.send(now, 0x90 | channel - 1, note, 80)

    def up(self, now, *notes, channel=1):
        for note in notes:
            self.send(now, 0x80 | channel - 1, note, 0)

    def pedal(self, now, down, number=64):
        self.send(now, 0xB0, number, 127 if down else 0)

    @property
    def chord(self):
        return self.lead.led.chord.name if self.lead.led.chord else None

    @property
    def chords(self):
        return [led.chord.name for _, led in self.changes]


def test_a_chord_once_it_has_settled_and_it_stays():
    keys = Keyboard()
    keys.down(0, 60)
    keys.down(10, 64)
    keys.down(25, 67)
    keys.go_on(25 + SETTLE // MILLISECOND - 1)
    assert keys.chord is None
    keys.go_on(25 + SETTLE // MILLISECOND)
    assert keys.changes == [(55, Led(keys.lead.led.chord))]
    assert keys.chord == "C"
    keys.up(500, 60, 64, 67)
    keys.go_on(5000)
    assert (keys.chord, keys.lead.held, len(keys.changes)) == ("C", (), 1)


@pytest.mark.parametrize("gap", [40, 100, 160])
@pytest.mark.parametrize("pedal", [True, False])
def test_broken_chords_with_and_without_the_pedal(gap, pedal):
    keys = Keyboard()
    keys.pedal(0, pedal)
    now = 0
    for chord, name in (((48, 55, 64), "C"), ((45, 52, 60), "Am"), ((41, 48, 57), "F")):
        keys.pedal(now + 1, False)
        keys.pedal(now + 2, pedal)
        for note in chord:
            now += gap
            keys.down(now, note)
            keys.up(now + gap // 2, note)
        keys.go_on(now + gap // 2 + SETTLE // MILLISECOND)
        assert keys.chord == name
        now += 800


def test_what_the_pedal_holds_belongs_together_however_slowly_it_came():
    keys = Keyboard()
    keys.pedal(0, True)
    for at, note in enumerate((48, 64, 67, 70)):
        keys.down(100 + 900 * at, note)
        keys.up(300 + 900 * at, note)
    keys.go_on(5000)
    assert (keys.chord, keys.lead.held) == ("C7", (48, 64, 67, 70))
    keys.pedal(5000, False)
    assert (keys.chord, keys.lead.held) == ("C7", ())


def test_short_strokes_of_whole_chords_are_not_thrown_together():
    keys = Keyboard()
    for beat, chord in enumerate(((60, 64, 67), (60, 65, 69), (59, 62, 67))):
        keys.down(200 * beat, *chord)
        keys.up(200 * beat + 15, *chord)
    keys.go_on(2000)
    assert keys.chords == ["C", "F/C", "G/B"]


def test_a_tune_over_a_chord_changes_nothing():
    keys = Keyboard()
    keys.down(0, 48, 52, 55)
    keys.up(300, 48, 52, 55)
    for at, note in enumerate((72, 74, 76, 79, 77, 76)):  # legato: two at a time
        keys.down(2000 + 700 * at, note)
        keys.up(2000 + 700 * at + 720, note)
    keys.go_on(9000)
    assert keys.chords[0] == "C"
    assert "C D" not in keys.chords
    assert "D E" not in keys.chords


def test_what_two_notes_are():
    keys = Keyboard()
    keys.down(0, 60, 66)
    keys.go_on(100)
    assert keys.chord is None
    keys.up(100, 60, 66)
    keys.down(1000, 57, 60)
    keys.go_on(1100)
    assert keys.chord == "Am(no5)"
    keys.down(1200, 64)
    keys.go_on(1300)
    assert keys.chord == "Am"
    keys.up(1400, 57, 60, 64)
    keys.down(3000, 60, 64)
    keys.go_on(4000)
    assert keys.chord == "Am", "both are in it"


def test_the_hold_pedal_keeps_the_chord_and_takes_what_sounds_when_it_ends():
    keys = Keyboard(hold=HOLD)
    keys.down(0, 60, 64, 67)
    keys.pedal(1, True, HOLD)  # at once with the chord: the chord still counts
    keys.up(100, 60, 64, 67)
    assert (keys.chord, keys.lead.holding) == ("C", True)
    keys.down(1000, 62, 65, 69)
    keys.go_on(2000)
    assert keys.chord == "C"
    keys.pedal(2000, False, HOLD)
    keys.go_on(2000)
    assert keys.chord == "Dm"
    keys.pedal(2100, True, HOLD)
    keys.up(2200, 62, 65, 69)
    keys.down(2300, 55, 59, 62)
    keys.up(2400, 55, 59, 62)
    keys.pedal(2500, False, HOLD)
    keys.go_on(5000)
    assert keys.chord == "Dm", "nothing sounded when it came up"


def test_a_lost_keyboard_leaves_its_chord_and_holds_nothing_even_under_the_hold_pedal():
    keys = Keyboard(hold=HOLD)
    keys.pedal(0, True)
    keys.down(0, 60, 64, 67)
    keys.go_on(100)
    keys.pedal(200, True, HOLD)
    keys.lead.lost(300 * MILLISECOND)
    assert (keys.chord, keys.lead.held, keys.lead.holding) == ("C", (), False)
    keys.down(1000, 65, 69, 72)
    keys.go_on(2000)
    assert keys.chord == "F"
    keys.up(2000, 65, 69, 72)
    assert keys.lead.held == (), "its pedal is up too"


def test_channels_and_drums():
    keys = Keyboard()
    keys.down(0, 60, 64, 67, channel=10)
    keys.go_on(100)
    assert (keys.chord, keys.lead.held) == (None, ())
    keys.down(200, 60, channel=2)
    keys.down(200, 64, 67, channel=3)
    keys.go_on(300)
    assert keys.chord == "C"
    one = Keyboard(channel=2)
    one.down(0, 60, 64, 67, channel=2)
    one.down(0, 70, channel=3)
    one.go_on(100)
    assert one.chord == "C"


def test_the_key_that_is_played_with_its_scale_and_held():
    keys = Keyboard(key=True, chord=False, hold=HOLD)
    for second in range(12):
        chord = ((57, 60, 64), (62, 65, 69), (64, 68, 71), (57, 60, 64))[second % 4]
        keys.down(1000 * second, *chord)
        keys.up(1000 * second + 900, *chord)
    assert keys.lead.led == Led(None, 9, SCALES["minor"])
    assert len(keys.changes) == 1
    keys.pedal(12_000, True, HOLD)
    for second in range(12, 72):
        chord = ((51, 55, 58), (56, 60, 63), (58, 62, 65), (51, 55, 58))[second % 4]
        keys.down(1000 * second, *chord)
        keys.up(1000 * second + 900, *chord)
    assert len(keys.changes) == 1
    keys.pedal(72_000, False, HOLD)
    assert keys.lead.led == Led(None, 3, SCALES["major"]), "as soon as it may"


@pytest.mark.parametrize(
    ("own", "key", "then"),
    [
        ("major pentatonic", "minor", "minor pentatonic"),
        ("minor pentatonic", "major", "major pentatonic"),
        ("major blues", "minor", "minor blues"),
        ("major", "minor", "minor"),
        ("dorian", "major", "major"),
        ("dorian", "minor", "dorian"),
        ("harmonic minor", "minor", "harmonic minor"),
        ("mixolydian", "major", "mixolydian"),
        ("chromatic", "minor", "chromatic"),
        ("whole tone", "minor", "whole tone"),
    ],
)
def test_a_childs_scale_in_another_key_has_as_many_notes(own, key, then):
    music = Led(None, 9, SCALES[key]).onto(Music(2, SCALES[own]))
    assert (music.tonic, music.scale) == (9, SCALES[then])
    assert len(music.scale) == len(SCALES[own])


def test_what_the_keyboard_has_not_said_stays():
    own = Music(2, SCALES["dorian"], chord=chord_symbol("Dm"), time_signature=TimeSignature(3, 4), origin=7)
    assert Led().onto(own) == own
    assert Led(chord_symbol("G")).onto(own).chord == chord_symbol("G")
    assert Led(chord_symbol("G")).onto(own).notes == own.notes


MESSAGES = st.one_of(
    st.lists(st.integers(0, 255), max_size=5),
    st.tuples(st.sampled_from((0x80, 0x90, 0x91, 0x99)), st.integers(0, 127), st.integers(0, 127)),
    st.tuples(
        st.sampled_from((0xB0, 0xB1)),
        st.sampled_from((64, HOLD, 120, 121, 123, 127)),
        st.sampled_from((0, 63, 64, 127)),
    ),
)
STEPS = st.lists(
    st.tuples(st.one_of(MESSAGES, st.sampled_from(("lost", "wake"))), st.integers(-NANOSECONDS, 10 * NANOSECONDS)),
    max_size=60,
)


@given(STEPS, st.sampled_from((None, 1, 2)), st.booleans(), st.booleans())
def test_any_bytes_at_any_time(steps, channel, chord, key):
    timers = Timers()
    lead = Lead(Leading(chord, key, channel, HOLD), Alarm(timers, 0))
    now = 0
    for what, later in steps:
        now += later
        before = lead.led
        if what == "lost":
            lead.lost(now)
            assert lead.held == ()
            assert lead.led == before
        elif what == "wake":
            lead.wake(now)
        else:
            said = lead.handle(what, now)
            assert said == (None if lead.led == before else lead.led)
        assert len(lead.held) <= 128
        assert chord or lead.led.chord is None
        assert key or lead.led.tonic is None
        while timers.pop(now) is not None:
            lead.wake(now)
    holding, before = lead.holding, lead.led
    if holding:
        for note in (60, 64, 67):
            lead.handle((0x90, note, 1), now)
        lead.wake(now + TOGETHER)
        assert lead.led == before
    for one in range(16):
        lead.handle((0xB0 | one, 123, 0), now)
    assert lead.held == ()


def test_a_profiles_own_keyboard_knows_a_chord_from_a_tune_over_it():
    """As the room's does; a broken chord is none there, and neither is a second."""
    timers = Timers()
    harmony = Harmony(Progression(follow="keys"), Alarm(timers, 0))

    def play(now, *notes):
        """For 100 ms; the chord a moment later."""
        for note in notes:
            harmony.hear(Press("keys", note, 0.5, pitch=note), now * MILLISECOND)
        at = timers.next()
        assert at == now * MILLISECOND + SETTLE
        harmony.wake(at, timers.pop(at)[1])
        for note in notes:
            harmony.hear(Release("keys", note), (now + 100) * MILLISECOND)
        chord = harmony.chord(Music())
        return chord and chord.name

    assert play(0, 60, 62) is None
    assert play(1000, 48, 52, 55) == "C"
    assert play(2000, 72, 76) == "C", "two notes of the chord that stands"
    assert [play(3000 + 200 * at, note) for at, note in enumerate((69, 72, 76))] == ["C", "C", "C"]
    assert play(4000, 69, 72, 76) == "Am"
    assert play(5000, 50, 57) == "D5"
