"""The ledger against the simplest model, and its bytes against mido and the bytes that MIDI 1.0 prints."""

from __future__ import annotations

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.events import Bend, ChannelPressure, Control, NoteOn, Program, Route
from router.core.ledger import Ledger, Limits
from router.core.timers import Timers
from router.core.units import NANOSECONDS
from router.testing import MILLISECOND, Observed

HERE = Route("out", 1)
WIDE = Limits(velocity=127, volume=127, notes_at_once=1000, note_length=10**18, notes_per_second=1000, shortest_note=0)


def ledger(**limits) -> tuple[Ledger, Timers, Observed]:
    timers, log = Timers(), Observed()
    return Ledger(Limits(**{"shortest_note": 0} | limits) if limits else WIDE, timers, log), timers, log


def data(messages) -> list[tuple[int, ...]]:
    return [message.data for message in messages]


# --- bytes --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("channel", range(1, 17))
@pytest.mark.parametrize("note", [0, 60, 127])
def test_bytes_against_mido(channel, note):
    book, _, _ = ledger()
    on = book.note_on("p", Route("out", channel), NoteOn(1, note, 64), 0)
    off = book.note_off("p", 1, 1)
    moved = book.change("p", Route("out", channel), Control(2, 99), 2)
    assert [list(m.data) for m in on + off + moved] == [
        mido.Message("note_on", channel=channel - 1, note=note, velocity=64).bytes(),
        mido.Message("note_off", channel=channel - 1, note=note, velocity=0).bytes(),
        mido.Message("control_change", channel=channel - 1, control=2, value=99).bytes(),
    ]
    assert {m.output for m in on + off + moved} == {"out"}


def test_worked_bytes():
    """MIDI 1.0: note on, channel 1, note 60, velocity 64 is 90 3C 40; all notes off on channel 16 is BF 7B 00."""
    book, _, _ = ledger()
    assert data(book.note_on("p", HERE, NoteOn(1, 60, 64), 0)) == [(0x90, 0x3C, 0x40)]
    assert data(book.note_off("p", 1, 1)) == [(0x80, 0x3C, 0x00)]
    book.use(Route("out", 16))
    assert (0xBF, 0x7B, 0x00) in data(book.all_off(2))


# --- who holds what -----------------------------------------------------------------------------------------------


def test_two_voices_on_one_note_strike_it_again_and_the_last_ends_it():
    book, timers, _ = ledger()
    assert data(book.note_on("p", HERE, NoteOn(1, 60, 64), 0)) == [(0x90, 60, 64)]
    assert data(book.note_on("q", HERE, NoteOn(2, 60, 70), 1)) == [(0x80, 60, 0), (0x90, 60, 70)]
    assert data(book.note_off("p", 1, 2)) == []
    assert book.sounding == (("out", 1, 60),)
    assert data(book.note_off("q", 2, 3)) == [(0x80, 60, 0)]
    assert book.sounding == ()
    assert timers.next() is None


def test_the_same_voice_number_in_two_parts_is_two_voices():
    book, _, _ = ledger()
    book.note_on("p", HERE, NoteOn(1, 60), 0)
    book.note_on("q", HERE, NoteOn(1, 62), 0)
    assert data(book.note_off("p", 1, 1)) == [(0x80, 60, 0)]
    assert book.sounding == (("out", 1, 62),)


def test_one_pitch_on_two_channels_and_outputs_is_three_notes():
    book, _, _ = ledger()
    for voice, route in enumerate((HERE, Route("out", 2), Route("box", 1))):
        assert len(book.note_on("p", route, NoteOn(voice, 60), 0)) == 1
    assert len(book.sounding) == 3


def test_a_voice_may_hold_a_chord_and_strike_one_of_its_notes_twice():
    book, _, _ = ledger()
    for pitch in (60, 64, 60):
        book.note_on("p", HERE, NoteOn(1, pitch, 50), 0)
    assert data(book.note_off("p", 1, 1)) == [(0x80, 60, 0), (0x80, 64, 0)]
    assert data(book.note_off("p", 1, 2)) == []


def test_release_part_ends_only_that_part():
    book, _, _ = ledger()
    book.note_on("p", HERE, NoteOn(1, 60), 0)
    book.note_on("p", HERE, NoteOn(2, 62), 0)
    book.note_on("q", HERE, NoteOn(1, 62), 0)
    book.note_on("q", HERE, NoteOn(1, 64), 0)
    assert data(book.release_part("p", 1)) == [(0x80, 60, 0)]
    assert data(book.release_part("q", 1)) == [(0x80, 62, 0), (0x80, 64, 0)]


# --- too short to be heard ----------------------------------------------------------------------------------------


def test_a_note_that_ends_as_it_begins_lingers_and_ends_by_a_timer():
    book, timers, log = ledger(shortest_note=30)
    book.note_on("p", HERE, NoteOn(1, 60, 50), 5)
    assert data(book.note_off("p", 1, 5)) == []
    assert book.sounding == (("out", 1, 60),)
    assert timers.next() == 35
    assert data(book.expire(timers.pop(35), 35)) == [(0x80, 60, 0)]
    assert (book.sounding, timers.next()) == ((), None)
    assert not log.named("limit"), "it was not too long but too short"
    assert [fields["part"] for _, _, fields in log.named("note_off")] == ["p"]


def test_a_lingering_note_is_struck_again_stolen_and_silenced_like_any_other():
    book, timers, _ = ledger(shortest_note=30, notes_at_once=2)
    book.note_on("p", HERE, NoteOn(1, 60, 50), 0)
    book.note_off("p", 1, 0)
    assert data(book.note_on("q", HERE, NoteOn(2, 60, 51), 10)) == [(0x80, 60, 0), (0x90, 60, 51)]
    assert timers.next() != 30, "the note that sounds now is another"
    book.note_off("q", 2, 10)
    book.note_on("q", HERE, NoteOn(3, 62, 52), 11)
    assert data(book.note_on("q", HERE, NoteOn(4, 64, 53), 12)) == [(0x80, 60, 0), (0x90, 64, 53)]
    book.note_off("q", 4, 12)
    assert data(book.all_off(13))[:2] == [(0x80, 62, 0), (0x80, 64, 0)]
    assert timers.next() is None


# --- controllers, pressure, bend, sounds ----------------------------------------------------------------------------


def test_pressure_bend_and_program_against_mido():
    book, _, log = ledger()
    sent = (
        book.change("p", Route("out", 3), ChannelPressure(99), 0)
        + [m for value in (0, 8191, 8192, 16383) for m in book.change("p", Route("out", 3), Bend(value), 1)]
        + book.program("p", Route("out", 3), Program(12), 2)
    )
    assert [list(message.data) for message in sent] == [
        mido.Message("aftertouch", channel=2, value=99).bytes(),
        *(mido.Message("pitchwheel", channel=2, pitch=pitch).bytes() for pitch in (-8192, -1, 0, 8191)),
        mido.Message("program_change", channel=2, program=12).bytes(),
    ]
    assert [fields.get("controller") for _, _, fields in log.lines] == ["pressure", *["bend"] * 4, None]


def test_what_was_moved_comes_to_rest():
    """RP-015, Response to Reset All Controllers:
    expression 127 (here within its limit), modulation and pedals 0, bend centre.
    """
    book, _, _ = ledger(volume=80)
    for change in (Control(11, 3), Control(1, 9), Control(64, 127), Control(7, 5), ChannelPressure(4), Bend(9000)):
        book.change("p", HERE, change, 0)
    book.change("q", Route("out", 2), Bend(0), 0)
    assert data(book.rest("p", 1)) == [(0xB0, 11, 80), (0xB0, 1, 0), (0xB0, 64, 0), (0xD0, 0), (0xE0, 0, 64)]
    assert data(book.rest("p", 2)) == []
    assert data(book.all_off(3))[0] == (0xE1, 0, 64)


def test_the_sound_of_a_channel_is_known_until_all_is_off():
    book, _, _ = ledger()
    book.program("p", HERE, Program(0), 0)
    assert book.program_of(HERE, 5) == 0
    book.all_off(1)
    assert book.program_of(HERE, 5) == 5


# --- limits -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("asked", "given"), [(127, 90), (90, 90), (1, 1), (0, 1), (-5, 1), (500, 90)])
def test_velocity_is_capped_and_never_zero(asked, given):
    """A note-on with velocity 0 would be a note-off (MIDI 1.0)."""
    book, _, _ = ledger(velocity=90)
    assert data(book.note_on("p", HERE, NoteOn(1, 60, asked), 0)) == [(0x90, 60, given)]


@pytest.mark.parametrize("controller", [7, 11])
def test_volume_and_expression_are_capped(controller):
    book, _, log = ledger(volume=80)
    assert data(book.change("p", HERE, Control(controller, 127), 0)) == [(0xB0, controller, 80)]
    assert data(book.change("p", HERE, Control(controller, 3), 0)) == [(0xB0, controller, 3)]
    assert log.lines[0][2]["value"] == 80


def test_other_controllers_are_not_capped():
    book, _, _ = ledger(volume=80)
    assert data(book.change("p", HERE, Control(1, 127), 0)) == [(0xB0, 1, 127)]
    assert data(book.change("p", HERE, Control(1, 128), 0)) == [(0xB0, 1, 127)], "a data byte has seven bits"


def test_notes_at_once_takes_the_oldest_strike():
    book, _, log = ledger(notes_at_once=2)
    book.note_on("p", HERE, NoteOn(1, 60), 0)
    book.note_on("p", HERE, NoteOn(2, 62), 1)
    book.note_on("p", HERE, NoteOn(3, 60), 2)  # struck again: now 62 is the oldest
    assert data(book.note_on("p", HERE, NoteOn(4, 64, 50), 3)) == [(0x80, 62, 0), (0x90, 64, 50)]
    assert [fields["note"] for _, _, fields in log.named("limit")] == [62]
    assert data(book.note_off("p", 2, 4)) == []
    assert data(book.note_off("p", 1, 4)) == []
    assert data(book.note_off("p", 3, 4)) == [(0x80, 60, 0)]


def test_striking_again_needs_no_room():
    book, _, log = ledger(notes_at_once=1)
    book.note_on("p", HERE, NoteOn(1, 60), 0)
    assert len(book.note_on("p", HERE, NoteOn(2, 60), 1)) == 2
    assert not log.named("limit")


def test_notes_per_second_counts_in_every_second():
    book, _, log = ledger(notes_per_second=2)
    for when, heard in ((0, True), (500, True), (999, False), (1000, True), (1499, False), (1500, True)):
        got = book.note_on("p", HERE, NoteOn(when, 60 + when % 7), when * MILLISECOND)
        assert bool(got) == heard, when
    assert [when // MILLISECOND for when, _, _ in log.named("limit")] == [999, 1499]


def test_a_refused_strike_leaves_the_note_that_sounds():
    book, timers, _ = ledger(notes_per_second=1)
    book.note_on("p", HERE, NoteOn(1, 60), 0)
    deadline = timers.next()
    assert book.note_on("p", HERE, NoteOn(2, 60), 1) == []
    assert timers.next() == deadline
    assert data(book.note_off("p", 2, 2)) == []
    assert data(book.note_off("p", 1, 2)) == [(0x80, 60, 0)]


def test_note_length_ends_a_note_whoever_holds_it():
    book, timers, log = ledger(note_length=NANOSECONDS)
    book.note_on("p", HERE, NoteOn(1, 60), 0)
    book.note_on("q", HERE, NoteOn(2, 60), 400)
    assert timers.next() == NANOSECONDS + 400
    wire = timers.pop(NANOSECONDS + 400)
    assert data(book.expire(wire, NANOSECONDS + 400)) == [(0x80, 60, 0)]
    assert [fields["limit"] for _, _, fields in log.named("limit")] == ["note_length"]
    assert book.expire(wire, 2 * NANOSECONDS) == []
    assert data(book.note_off("p", 1, 3 * NANOSECONDS) + book.note_off("q", 2, 3 * NANOSECONDS)) == []


# --- silence ------------------------------------------------------------------------------------------------------


def test_all_off_lets_the_pedal_up_before_all_notes_off_after_the_note_offs():
    """Controller 123 does not end what controller 64 holds (MIDI 1.0), so the order matters."""
    book, timers, _ = ledger()
    book.use(Route("box", 3))
    book.note_on("p", HERE, NoteOn(1, 60), 0)
    book.note_on("p", HERE, NoteOn(1, 64), 0)
    messages = book.all_off(1)
    assert [(m.output, *m.data) for m in messages] == [
        ("out", 0x80, 60, 0),
        ("out", 0x80, 64, 0),
        ("box", 0xB2, 64, 0),
        ("box", 0xB2, 123, 0),
        ("box", 0xB2, 120, 0),
        ("out", 0xB0, 64, 0),
        ("out", 0xB0, 123, 0),
        ("out", 0xB0, 120, 0),
    ]
    assert timers.next() is None
    assert book.sounding == ()
    assert data(book.note_off("p", 1, 2)) == []


# --- a channel that others play on too ------------------------------------------------------------------------------


def test_a_shared_channel_is_not_silenced_as_a_whole():
    """Controllers 64, 120 and 123 there would cut the others' notes;
    ours end by their own note-offs, and what we moved comes back.
    """
    book, _, _ = ledger()
    drums = Route("out", 10)
    book.use(HERE)
    book.use(drums)
    book.share_routes([drums])
    book.note_on("p", drums, NoteOn(1, 38), 0)
    book.change("p", drums, Bend(0), 0)
    assert data(book.all_off(1)) == [
        (0x89, 38, 0),
        (0xE9, 0, 64),
        (0xB0, 64, 0),
        (0xB0, 123, 0),
        (0xB0, 120, 0),
    ]
    book.share_routes([])
    assert (0xB9, 120, 0) in data(book.all_off(2)), "nobody else plays there any more"


# --- against a model ----------------------------------------------------------------------------------------------

STEPS = st.lists(
    st.tuples(
        st.sampled_from(["on", "on", "on", "off", "expire", "part", "all"]),
        st.integers(0, 4),  # voice
        st.integers(60, 63),  # note
        st.integers(0, 600),  # milliseconds later
    ),
    max_size=120,
)


@given(STEPS, st.integers(1, 4), st.integers(1, 6))
def test_against_a_model_of_what_sounds(steps, at_once, per_second):
    limits = Limits(notes_at_once=at_once, notes_per_second=per_second, note_length=700 * MILLISECOND)
    timers = Timers()
    book = Ledger(limits, timers, Observed())
    on: set[int] = set()
    struck: list[int] = []
    now = 0

    def hear(messages) -> None:
        for message in messages:
            status, note, value = message.data
            if status == 0x90:
                assert note not in on
                assert 1 <= value <= limits.velocity
                on.add(note)
                struck.append(now)
            elif status == 0x80:
                on.remove(note)  # a stray note-off would raise
        assert len(on) <= at_once
        assert on == {note for _, _, note in book.sounding}
        assert sum(when > now - NANOSECONDS for when in struck) <= per_second

    for what, voice, note, later in steps:
        now += later * MILLISECOND
        if what == "on":
            hear(book.note_on("p", HERE, NoteOn(voice, note), now))
        elif what == "off":
            hear(book.note_off("p", voice, now))
        elif what == "part":
            hear(book.release_part("p", now))
        elif what == "all":
            hear(book.all_off(now))
        while (wire := timers.pop(now)) is not None:
            hear(book.expire(wire, now))
    hear(book.all_off(now))
    assert not on
