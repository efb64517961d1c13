"""Tables of the MIDI standard against mido and pretty_midi, and against values printed in MIDI 1.0."""

from __future__ import annotations

import mido
import pretty_midi
import pytest

from router.core import midi
from router.core.midi import CONTROLLERS, PROGRAMS, controller_number, program_number
from router.core.units import QuantityError


def letters(name: str) -> str:
    """A name without spaces, brackets and capitals: the libraries differ in those ("Lead 4 chiff")."""
    return "".join(c for c in name.casefold() if c.isalnum())


def test_programs_against_pretty_midi():
    """But for two, which the standard's list (General MIDI 1 Sound Set, 8 and 55, from memory) prints otherwise."""
    other = {letters(name): letters(printed) for name, printed in midi.OTHER_NAMES.items()}
    theirs = [letters(name) for name in pretty_midi.INSTRUMENT_MAP]
    assert [letters(name) for name in PROGRAMS] == [other.get(name, name) for name in theirs]
    assert set(other) <= set(theirs)
    assert len(set(PROGRAMS)) == 128


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("acoustic grand piano", 0),
        ("clavi", 7),
        ("celesta", 8),
        ("glockenspiel", 9),
        ("music box", 10),
        ("vibraphone", 11),
        ("marimba", 12),
        ("xylophone", 13),
        ("tubular bells", 14),
        ("church organ", 19),
        ("violin", 40),
        ("orchestral harp", 46),
        ("choir aahs", 52),
        ("synth voice", 54),
        ("flute", 73),
        ("ocarina", 79),
        ("sitar", 104),
        ("tinkle bell", 112),
        ("steel drums", 114),
        ("gunshot", 127),
    ],
)
def test_programs_against_the_printed_list(name, number):
    """General MIDI 1 sound set, less one: printed lists count from 1."""
    assert program_number(name) == number
    assert program_number(name.title()) == number
    assert program_number(str(number)) == program_number(number) == number


@pytest.mark.parametrize(("name", "printed"), midi.OTHER_NAMES.items())
def test_another_name_of_a_sound_is_answered_by_the_printed_one(name, printed):
    with pytest.raises(QuantityError) as refused:
        program_number(name)
    assert f'Did you mean "{printed}"?' in refused.value.hint


def test_a_sound_by_the_name_that_a_musician_types():
    """Each is a sound, stands for one of the standard's, and shadows none of its names."""
    named = {name: PROGRAMS[program_number(name)] for name in midi.USUAL_NAMES}
    assert named == midi.USUAL_NAMES
    assert not set(midi.USUAL_NAMES) & set(PROGRAMS)
    asked = ("piano", "strings", "harp", "organ", "choir", "bells", "guitar", "bass", "saxophone", "horn")
    assert [program_number(name.title()) for name in asked] == [0, 48, 46, 16, 52, 14, 24, 33, 65, 60]


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("ensemble", 'Did you mean one of "string ensemble 1", "string ensemble 2"?  '),
        ("nylon", 'Did you mean "acoustic guitar (nylon)"?  '),
        ("Drums", "Drums are no sound of a part: they play on channel 10, by their own names.  "),
        ("gitar", 'Did you mean "guitar"?  '),
        ("zzz", "Write a name"),
    ],
)
def test_part_of_a_sounds_name_offers_those_that_have_it(name, hint):
    with pytest.raises(QuantityError) as refused:
        program_number(name)
    assert refused.value.hint.startswith(hint)


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("modulation", 1),
        ("breath", 2),
        ("foot", 4),
        ("portamento time", 5),
        ("volume", 7),
        ("balance", 8),
        ("pan", 10),
        ("expression", 11),
        ("sustain", 64),
        ("portamento", 65),
        ("sostenuto", 66),
        ("soft", 67),
        ("resonance", 71),
        ("release time", 72),
        ("attack time", 73),
        ("brightness", 74),
        ("reverb", 91),
        ("chorus", 93),
    ],
)
def test_controllers_against_the_control_change_table(name, number):
    """MIDI 1.0 control change table; 71 to 74 as General MIDI 2 names them (from memory)."""
    assert controller_number(name) == number
    assert controller_number(str(number)) == controller_number(number) == number


def test_every_controller_has_its_row_above():
    marker = test_controllers_against_the_control_change_table.pytestmark[0]
    assert dict(marker.args[1]) == dict(CONTROLLERS)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ((midi.NOTE_ON, 60, 64), mido.Message("note_on", channel=0, note=60, velocity=64)),
        ((midi.NOTE_OFF, 60, 64), mido.Message("note_off", channel=0, note=60, velocity=64)),
        ((midi.CONTROL_CHANGE | 15, midi.ALL_NOTES_OFF, 0), mido.Message("control_change", channel=15, control=123)),
        ((midi.PROGRAM_CHANGE | 9, 0), mido.Message("program_change", channel=9, program=0)),
    ],
)
def test_status_bytes_against_mido(data, message):
    assert list(data) == message.bytes()


def test_worked_bytes():
    """As MIDI 1.0 writes them: 90 3C 40, 80 3C 40, BF 7B 00, C9 00."""
    assert (midi.NOTE_ON, midi.NOTE_OFF, midi.CONTROL_CHANGE, midi.PROGRAM_CHANGE) == (0x90, 0x80, 0xB0, 0xC0)
    assert (midi.SUSTAIN, midi.ALL_SOUND_OFF, midi.ALL_NOTES_OFF, midi.CHANNEL_MODE) == (64, 120, 123, 120)


@pytest.mark.parametrize(
    ("read", "text", "message", "hint"),
    [
        (controller_number, "120", "cannot be used", "0 to 119"),
        (controller_number, -1, "cannot be used", "0 to 119"),
        (controller_number, "breth", "no controller called", 'Did you mean "breath"?'),
        (controller_number, "qqq", "no controller called", "Write a number"),
        (controller_number, "9" * 5000, "no controller called", "Write a number"),
        (program_number, "128", "outside 0 to 127", "subtract one"),
        (program_number, "-1", "outside 0 to 127", "subtract one"),
        (program_number, "--1", "no General MIDI sound", "0 to 127"),
        (program_number, "marimbo", "no General MIDI sound", 'Did you mean "marimba"?'),
        (program_number, "qqq", "no General MIDI sound", "Write a name"),
    ],
)
def test_what_is_neither(read, text, message, hint):
    with pytest.raises(QuantityError, match=message) as caught:
        read(text)
    assert hint in caught.value.hint
