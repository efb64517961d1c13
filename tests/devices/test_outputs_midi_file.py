"""MIDI files, read back by libraries that did not write them: pretty_midi and music21."""

from __future__ import annotations

import io
from fractions import Fraction

import mido
import music21
import pretty_midi
import pytest

from router.cli import main
from router.core.events import Route
from router.core.music import SCALES, Music, TimeSignature, pitch_class, time_signature
from router.core.units import NANOSECONDS
from router.devices.outputs.midi_file import MidiFile

# Standard MIDI Files 1.0 (RP-001): the table of numbers in variable-length form, in hexadecimal.
VARIABLE_LENGTH = {
    0x00: "00",
    0x40: "40",
    0x7F: "7F",
    0x80: "81 00",
    0x2000: "C0 00",
    0x3FFF: "FF 7F",
    0x4000: "81 80 00",
    0x100000: "C0 80 00",
    0x1FFFFF: "FF FF 7F",
    0x200000: "81 80 80 00",
    0x8000000: "C0 80 80 00",
    0xFFFFFFF: "FF FF FF 7F",
}


def written(messages, tempo=Fraction(90), names=None) -> bytes:
    """A file of (output, data, nanoseconds)."""
    file = io.BytesIO()
    midi = MidiFile(file, tempo, "wren", names or {Route("synth", 1): "tune"})
    for output, data, now in messages:
        midi.output(output).send(data, now)
    midi.close()
    return file.getvalue()


def a_tune(count=40, channel=1, step=437_123_457):
    """Notes at times that are no whole number of ticks."""
    messages = [("synth", (0xC0 | channel - 1, 12), 0)]
    for i in range(count):
        begin, end = i * step, i * step + step * 3 // 4
        messages += [("synth", (0x90 | channel - 1, 60 + i % 12, 40 + i), begin)]
        messages += [("synth", (0x80 | channel - 1, 60 + i % 12, 0), end)]
    return messages


@pytest.mark.parametrize("tempo", [20, 60, Fraction(84), Fraction(145, 2), 90, 120, 133, 250, 400])
def test_pretty_midi_reads_the_same_notes_times_velocities_tempo_and_sound(tempo):
    messages = a_tune()
    read = pretty_midi.PrettyMIDI(io.BytesIO(written(messages, Fraction(tempo))))
    (instrument,) = read.instruments
    assert (instrument.program, instrument.is_drum, instrument.name) == (12, False, "tune")
    begins = [(data[1], data[2], now) for _output, data, now in messages if data[0] == 0x90]
    ends = [now for _output, data, now in messages if data[0] == 0x80]
    assert [(note.pitch, note.velocity) for note in instrument.notes] == [(pitch, v) for pitch, v, _now in begins]
    for note, (_pitch, _velocity, begin), end in zip(instrument.notes, begins, ends, strict=True):
        assert note.start == pytest.approx(begin / NANOSECONDS, abs=0.0005)  # half a tick, which is at most 1 ms
        assert note.end == pytest.approx(end / NANOSECONDS, abs=0.0005)
    _times, tempi = read.get_tempo_changes()
    assert tempi == pytest.approx([float(tempo)], rel=1e-5)


def test_music21_reads_the_same_notes_and_sound():
    data = written(a_tune(channel=3), names={Route("synth", 3): "tune"})
    score = music21.converter.parseData(data, format="midi", quantizePost=False)
    (part,) = score.parts
    notes = list(part.stripTies().flatten().notes)  # it splits notes at bar lines
    assert [note.pitch.midi for note in notes] == [60 + i % 12 for i in range(40)]
    assert [note.volume.velocity for note in notes] == [40 + i for i in range(40)]
    assert [instrument.midiProgram for instrument in part.getInstruments()] == [12]
    (mark,) = score.flatten().getElementsByClass(music21.tempo.MetronomeMark)
    assert mark.number == pytest.approx(90)
    quarter = 60 / 90
    for i, note in enumerate(notes):
        assert float(note.offset) * quarter == pytest.approx(
            i * 0.437123457, abs=0.002
        )  # music21 keeps a grid of its own


def test_an_hour_does_not_drift():
    hour = 3600 * NANOSECONDS + 123_456
    messages = [("synth", (0x90, 60, 64), hour), ("synth", (0x80, 60, 0), hour + 7 * NANOSECONDS)]
    for i in range(20_000):  # many notes before it, each rounded
        before = 20_000 - i
        off, on = ("synth", (0x80, 61, 0), 100_000_333 * before), ("synth", (0x90, 61, 64), 100_000_111 * before)
        messages[:0] = [off, on]
    messages.sort(key=lambda message: message[2])
    read = pretty_midi.PrettyMIDI(io.BytesIO(written(messages, Fraction(84))))
    assert read.instruments[0].notes[-1].start == pytest.approx(hour / NANOSECONDS, abs=0.001)


@pytest.mark.parametrize(("number", "text"), VARIABLE_LENGTH.items())
def test_times_have_the_published_variable_length_form(number, text):
    """Written by mido in our file, read by music21."""
    midi = MidiFile(io.BytesIO(), Fraction(120), "wren", {})
    nanoseconds = -(-number * 500_000 * 1000 // midi.ticks_per_quarter)
    assert midi.ticks(nanoseconds) == number
    data = written([("synth", (0x90, 60, 64), nanoseconds)], Fraction(120))
    form = bytes.fromhex(text)
    place = data.index(b"\x90\x3c\x40")
    assert data[place - len(form) : place] == form
    read = music21.midi.MidiFile()
    read.readstr(data)
    events = read.tracks[1].events
    on = next(i for i, event in enumerate(events) if event.type == music21.midi.ChannelVoiceMessages.NOTE_ON)
    assert events[on - 1].time == number


@pytest.mark.parametrize(
    ("tempo", "text"),
    [(120, "FF 51 03 07 A1 20"), (60, "FF 51 03 0F 42 40"), (90, "FF 51 03 0A 2C 2B")],
)
def test_the_tempo_has_the_published_bytes(tempo, text):
    """RP-001 for 120 and 60 bpm; 90 bpm is 666 667 microseconds, calculated."""
    data = written(a_tune(3), Fraction(tempo))
    assert data.count(bytes.fromhex(text)) == 1
    assert data.startswith(bytes.fromhex("4D 54 68 64 00 00 00 06 00 01 00 02"))  # MThd, 6 bytes, format 1, two tracks


def test_each_channel_of_each_output_has_a_track_of_its_own_called_by_its_parts():
    names = {Route("synth", 1): "tune", Route("synth", 2): "drone, bells", Route("box", 1): "answer"}
    messages = [
        ("synth", (0xC0, 12), 0),
        ("synth", (0xC1, 88), 0),
        ("box", (0xC0, 73), 0),
        ("synth", (0x99, 38, 80), 5),
        ("box", (0x90, 60, 64), 10),
        ("box", (0x80, 60, 0), NANOSECONDS),
    ]
    read = mido.MidiFile(file=io.BytesIO(written(messages, names=names)))
    assert [track.name for track in read.tracks] == ["wren", "tune", "drone, bells", "answer", "synth 10"]
    channels = [{message.channel for message in track if not message.is_meta} for track in read.tracks]
    assert channels == [set(), {0}, {1}, {2}, {9}]  # box moves to a free channel: the file has but one channel 1


def test_what_belongs_to_no_channel_is_left_out_of_a_file_of_notes():
    read = mido.MidiFile(file=io.BytesIO(written([("synth", (0xF8,), 0), ("synth", (0x90, 60, 1), 5)])))
    assert [message.type for message in read.tracks[1] if not message.is_meta] == ["note_on"]


# --- key, metre, and their changes --------------------------------------------------------------------------------

# Standard MIDI Files 1.0 (RP-001), FF 59 02 sf mi: sharps 1 to 7, flats as two's complement, mi 1 for minor.
SIGNATURES = {
    ("C", "major"): (0, 0),
    ("E", "major"): (4, 0),
    ("Eb", "major"): (-3, 0),
    ("F#", "major"): (6, 0),
    ("Db", "major"): (-5, 0),
    ("A", "minor"): (0, 1),
    ("C", "harmonic minor"): (-3, 1),
    ("Eb", "melodic minor"): (-6, 1),
    ("G#", "minor"): (5, 1),
    ("C", "major pentatonic"): (0, 0),
    ("E", "minor pentatonic"): (1, 1),
    ("A", "minor blues"): (0, 1),
    ("Bb", "major blues"): (-2, 0),
    ("D", "dorian"): (0, 1),
    ("E", "phrygian"): (0, 1),
    ("F", "lydian"): (0, 0),
    ("G", "mixolydian"): (0, 0),
    ("B", "locrian"): (0, 1),
    ("D", "whole tone"): (2, 0),
    ("Ab", "chromatic"): (-4, 0),
}


def keyed(*changes, messages=None) -> bytes:
    """A file with these (nanoseconds, music)."""
    file = io.BytesIO()
    midi = MidiFile(file, changes[0][1].tempo, "wren", {Route("synth", 1): "tune"})
    for now, music in changes:
        midi.music(music, now)
    for output, data, now in messages or a_tune():
        midi.output(output).send(data, now)
    midi.close()
    return file.getvalue()


@pytest.mark.parametrize(("key", "scale"), SIGNATURES)
def test_the_key_has_the_published_bytes_and_is_read_by_others(key, scale):
    sharps, minor = SIGNATURES[key, scale]
    data = keyed((0, Music(pitch_class(key), SCALES[scale], time_signature=TimeSignature(3, 4))))
    assert data.count(bytes((0xFF, 0x59, 2, sharps % 256, minor))) == 1
    score = music21.converter.parseData(data, format="midi", quantizePost=False)
    (found,) = {
        (s.sharps, getattr(s, "mode", None)) for s in score.flatten().getElementsByClass(music21.key.KeySignature)
    }
    assert found == (sharps, "minor" if minor else "major")
    (change,) = pretty_midi.PrettyMIDI(io.BytesIO(data)).key_signature_changes
    tonic = (sharps + 3 * minor) * 7 % 12  # of the major or minor key with this signature
    assert change.key_number == tonic + 12 * minor


@pytest.mark.parametrize("tonic", range(12))
def test_major_and_minor_keys_have_music21s_signatures(tonic):
    """Of keys with six accidentals one of the two is taken: F# major, Eb minor."""
    for scale in ("major", "minor"):
        signature = Music(tonic, SCALES[scale]).signature
        name = signature.key.removesuffix("m")
        theirs = music21.key.Key(name.replace("b", "-"), scale)
        assert theirs.sharps == signature.sharps
        assert theirs.tonic.pitchClass == tonic
        assert abs(signature.sharps) <= 6


@pytest.mark.parametrize(
    ("written", "power", "clocks"),
    [("1/4", 2, 24), ("3/4", 2, 24), ("5/4", 2, 24), ("16/4", 2, 24), ("2/2", 1, 48), ("6/8", 3, 36), ("7/8", 3, 12)],
)
def test_the_metre_has_the_published_bytes_and_is_read_by_others(written, power, clocks):
    """FF 58 04 nn dd cc bb: beats, their kind as a power of two, clocks a click, eight 32nd notes a quarter.

    The standard's own example is 6/8 with 36 clocks a click: FF 58 04 06 03 24 08 (Standard MIDI Files 1.0).
    """
    wanted = time_signature(written)
    data = keyed((0, Music(time_signature=wanted)))
    assert data.count(bytes((0xFF, 0x58, 4, wanted.beats, power, clocks, 8))) == 1
    (change,) = pretty_midi.PrettyMIDI(io.BytesIO(data)).time_signature_changes
    assert (change.numerator, change.denominator, change.time) == (wanted.beats, wanted.beat_type, 0)
    score = music21.converter.parseData(data, format="midi", quantizePost=False)
    assert {s.ratioString for s in score.flatten().getElementsByClass(music21.meter.TimeSignature)} == {written}


def test_changes_of_key_metre_and_tempo_stand_where_they_come_and_the_notes_keep_their_times():
    second = NANOSECONDS
    changes = [
        (0, Music(2, SCALES["major"], Fraction(120))),
        (4 * second, Music(9, SCALES["minor"], Fraction(120))),
        (8 * second + 333, Music(9, SCALES["minor"], Fraction(50), TimeSignature(3, 4))),
        (12 * second, Music(9, SCALES["natural minor"], Fraction(50), TimeSignature(3, 4))),
    ]
    data = keyed(*changes)
    read = pretty_midi.PrettyMIDI(io.BytesIO(data))
    times, tempi = read.get_tempo_changes()
    assert (list(times), list(tempi)) == (pytest.approx([0, 8], abs=1e-3), pytest.approx([120, 50], rel=1e-5))
    assert [(s.numerator, s.time) for s in read.time_signature_changes] == [(4, 0), (3, pytest.approx(8, abs=1e-3))]
    keys = [(m.key, m.time) for m in mido.MidiFile(file=io.BytesIO(data)).tracks[0] if m.type == "key_signature"]
    assert [key for key, _ in keys] == ["D", "Am"]
    begins = [now for _output, data, now in a_tune() if data[0] == 0x90]
    for note, begin in zip(read.instruments[0].notes, begins, strict=True):
        assert note.start == pytest.approx(begin / NANOSECONDS, abs=0.001)


def test_what_router_play_writes_carries_key_and_metre(tmp_path):
    trace, out = tmp_path / "trace.jsonl", tmp_path / "out.mid"
    trace.write_text(
        '{"trace": 1}\n{"t": 1, "input": "pad", "pressed": true}\n{"t": 2, "input": "pad", "pressed": false}\n'
    )
    written_profile = tmp_path / "wren.yaml"
    written_profile.write_text(
        """profile: 1
child: wren
music: {key: E, scale: dorian, tempo: 72 bpm, time_signature: 3/4}
inputs: {pad: {type: switch, device: {terminal: space}}}
parts: {tune: {input: pad, rules: [{note: {}}], output: {port: synth, channel: 1}}}
outputs: {synth: {midi: "*"}}
"""
    )
    assert main(["play", str(trace), "--profile", str(written_profile), "--midi", str(out)]) == 0
    head = mido.MidiFile(out).tracks[0]
    assert [(m.numerator, m.denominator) for m in head if m.type == "time_signature"] == [(3, 4)]
    assert [m.key for m in head if m.type == "key_signature"] == ["Bm"]


def test_the_same_messages_give_the_same_bytes():
    assert written(a_tune()) == written(a_tune())


def test_a_file_of_nothing_can_be_read():
    assert pretty_midi.PrettyMIDI(io.BytesIO(written([]))).instruments == []
