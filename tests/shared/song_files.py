"""Songs' files as bytes, with all that such a file may say."""

from __future__ import annotations

import io
import zipfile

import mido


def midi_file() -> bytes:
    """Write a MIDI file with two tempos, metres and keys, words, markers, drums and three parts."""
    file = mido.MidiFile(type=1, ticks_per_beat=96, charset="utf-8")
    meta = mido.MetaMessage
    file.tracks.append(
        mido.MidiTrack(
            [
                meta("track_name", name="Evening"),
                meta("time_signature", numerator=3, denominator=4),
                meta("key_signature", key="G"),
                meta("set_tempo", tempo=600_000),
                meta("marker", text="Verse"),
                meta("time_signature", numerator=6, denominator=8, time=576),
                meta("set_tempo", tempo=500_000, time=96),
                meta("marker", text="Chorus", time=192),
            ]
        )
    )
    voice = [meta("track_name", name="Voice"), mido.Message("program_change", program=52)]
    for i, pitch in enumerate((67, 71, 74, 72, 71, 69, 67, 66, 67)):
        voice.append(meta("lyrics", text=("Eve", "ning ", "star. ")[i % 3]))
        voice.append(mido.Message("note_on", note=pitch, velocity=80))
        voice.append(mido.Message("note_off", note=pitch, time=96 if i % 4 else 144))
    file.tracks.append(mido.MidiTrack(voice))
    band: list = [meta("track_name", name="Band")]
    for i in range(4):
        chord = ((55, 59, 62), (60, 64, 67))[i % 2]
        band += [mido.Message("note_on", note=pitch, velocity=60, channel=1) for pitch in chord]
        band.append(mido.Message("note_on", note=36, velocity=60, channel=9))
        band.append(mido.Message("sysex", data=(1, 2, 3)))
        band += [mido.Message("note_off", note=pitch, channel=1, time=0 if j else 288) for j, pitch in enumerate(chord)]
        band.append(mido.Message("note_on", note=36, velocity=0, channel=9))
    file.tracks.append(mido.MidiTrack(band))
    written = io.BytesIO()
    file.save(file=written)
    return written.getvalue()


MUSICXML = b"""<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" "http://www.musicxml.org/dtds/partwise.dtd">
<score-partwise version="4.0">
<part-list>
<score-part id="P1"><part-name>Voice</part-name><midi-instrument id="I1"><midi-channel>1</midi-channel>
<midi-program>53</midi-program></midi-instrument></score-part>
<score-part id="P2"><part-name>Drums</part-name><midi-instrument id="I2"><midi-channel>10</midi-channel>
<midi-unpitched>37</midi-unpitched></midi-instrument></score-part>
</part-list>
<part id="P1">
<measure number="0" implicit="yes"><attributes><divisions>4</divisions><key><fifths>1</fifths><mode>major</mode></key>
<time><beats>3</beats><beat-type>4</beat-type></time><transpose><chromatic>-2</chromatic></transpose></attributes>
<direction><direction-type><metronome><beat-unit>quarter</beat-unit><per-minute>84</per-minute></metronome>
</direction-type><sound tempo="84"/></direction>
<note><pitch><step>D</step><octave>4</octave></pitch><duration>4</duration><voice>1</voice>
<lyric number="1"><syllabic>begin</syllabic><text>Eve</text></lyric></note></measure>
<measure number="1"><barline location="left"><repeat direction="forward"/></barline>
<direction><direction-type><rehearsal>A</rehearsal></direction-type></direction>
<harmony><root><root-step>G</root-step></root><kind text="7">dominant</kind><bass><bass-step>B</bass-step></bass>
<degree><degree-value>9</degree-value><degree-alter>-1</degree-alter><degree-type>add</degree-type></degree></harmony>
<note><grace slash="yes"/><pitch><step>A</step><octave>4</octave></pitch><voice>1</voice></note>
<note><pitch><step>G</step><octave>4</octave></pitch><duration>8</duration><tie type="start"/><voice>1</voice>
<notations><slur type="start" number="1"/><articulations><breath-mark/></articulations></notations>
<lyric number="1"><syllabic>end</syllabic><text>ning</text><end-line/></lyric></note>
<note><pitch><step>G</step><octave>4</octave></pitch><duration>4</duration><tie type="stop"/><voice>1</voice></note>
<backup><duration>12</duration></backup>
<note><pitch><step>B</step><alter>-1</alter><octave>3</octave></pitch><duration>12</duration><voice>2</voice></note>
<note><chord/><pitch><step>D</step><octave>4</octave></pitch><duration>12</duration><voice>2</voice></note></measure>
<measure number="2"><barline location="left"><ending number="1" type="start"/></barline>
<note><rest/><duration>4</duration></note><forward><duration>4</duration></forward>
<note><pitch><step>F</step><alter>1</alter><octave>4</octave></pitch><duration>4</duration><voice>1</voice></note>
<barline location="right"><ending number="1" type="stop"/><repeat direction="backward"/></barline></measure>
<measure number="3"><barline location="left"><ending number="2" type="start"/></barline><sound dacapo="yes"/>
<note><pitch><step>G</step><octave>4</octave></pitch><duration>12</duration><voice>1</voice>
<notations><slur type="stop" number="1"/><fermata/></notations></note>
<barline location="right"><ending number="2" type="stop"/></barline></measure>
</part>
<part id="P2">
<measure number="0"><attributes><divisions>1</divisions></attributes>
<note><rest/><duration>1</duration></note></measure>
<measure number="1"><note><unpitched><display-step>F</display-step><display-octave>4</display-octave></unpitched>
<duration>1</duration><instrument id="I2"/></note></measure>
<measure number="2"/><measure number="3"/>
</part>
</score-partwise>
"""
"""A score with a pickup, a repeat with two endings, D.C., a transposing voice in two voices, chords and drums."""


def compressed(score: bytes) -> bytes:
    """Put a score into an archive (.mxl)."""
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "META-INF/container.xml",
            "<container><rootfiles><rootfile full-path='evening.xml'/></rootfiles></container>",
        )
        archive.writestr("evening.xml", score)
    return written.getvalue()
