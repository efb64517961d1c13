"""Playing together: three children and a keyboard on virtual time, what they play, and the files
that a demo of it leaves.
"""

from __future__ import annotations

import itertools
import re
import subprocess
import sys
import wave
from collections import Counter
from dataclasses import replace
from fractions import Fraction
from os import environ
from pathlib import Path
from xml.etree import ElementTree as ET

import mido
import numpy as np
import pytest

from router.cli import demo_together, piece
from router.core.engine import HARMONY, TEMPO
from router.core.events import Message, MidiSample, SwitchSample
from router.core.music import SCALES, Music
from router.core.timers import earliest
from router.core.units import NANOSECONDS
from router.offline.picture import COLOURS, NARROWEST, Lane, Picture, svg
from router.offline.simulate import Hands, Struck, pianist
from router.offline.together import KEYBOARD, Together
from router.room.room import RoomPlan
from tests.shared.places import ROOT
from tests.shared.played_together import BEFORE, Played

KEYBOARD_CHANNEL = 5
CHANNELS = {"wren: harp": 1, "lark: strings": 2, "lark: pizzicato": 3, "pipit: bells": 4, "keyboard": KEYBOARD_CHANNEL}
SVG = "{http://www.w3.org/2000/svg}"


def unfit(this: piece.Piece, notes: list[list[int]]) -> list[list[int]]:
    """The notes that are none of the chord that was meant, bar by bar;
    just before a bar it may be the next one already.
    """
    return [
        note
        for note in notes
        if note[2] % 12 not in {*this.chord(note[0]).classes, *this.chord(note[0] + BEFORE).classes}
    ]


def on_the_beat(this: piece.Piece, notes: list[list[int]]) -> list[list[int]]:
    """The notes that begin just where a bar does, and are none of its chord."""
    return [
        note for note in notes if note[0] % piece.BAR < 1_000_000 and note[2] % 12 not in this.chord(note[0]).classes
    ]


def followers(played: Played) -> list[list[int]]:
    return [note for key, part in played.notes.items() if key != ("pipit", "bells") for note in part]


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """Run a demo as whoever pipes it away does: its folder and what it said."""
    folder = tmp_path_factory.mktemp("together")
    return folder / "demo-output", run(folder)


def run(folder: Path, *arguments: str, **environment: str) -> str:
    return subprocess.run(
        [sys.executable, "-m", "router", "demo", "--together", *arguments],
        cwd=folder,
        env={**environ, "PYTHONPATH": str(ROOT), **environment},
        check=True,
        capture_output=True,
        text=True,
    ).stdout


@pytest.fixture(scope="module")
def played():
    return Played(60)


# --- the music ----------------------------------------------------------------------------------------------------


def test_whoever_follows_the_chord_plays_notes_of_the_chord_that_was_meant(played):
    """Held against what the specialist meant to play, bar by bar, and not against what the room made of it."""
    notes = followers(played)
    assert len(notes) > 150
    assert unfit(played.piece, notes) == []
    assert on_the_beat(played.piece, notes) == []


def test_the_children_stay_in_the_frozen_chord_while_the_specialist_plays_on(played):
    held = played.piece.held
    begin, end = (held + 1) * piece.BAR, (held + 2) * piece.BAR - BEFORE
    chord = played.piece.chord(begin)
    assert chord.name == "Bm"
    of_children = [n for key, part in played.notes.items() if key[0] != "pipit" for n in part if begin <= n[0] < end]
    assert len(of_children) > 8
    assert {n[2] % 12 for n in of_children} <= set(chord.classes)
    own = [
        m.data for now, seat, m in played.sent if seat == KEYBOARD and begin <= now < end and m.data[0] & 0xF0 == 0x90
    ]
    assert not {data[1] % 12 for data in own} <= set(chord.classes)


def test_whoever_follows_the_key_plays_notes_of_the_key(played):
    told = [(now, fields) for now, event, fields in played.room if event == "key"]
    assert [fields["tonic"] for _, fields in told][-1] == 7  # G
    bells = played.notes["pipit", "bells"]
    assert len(bells) >= 20
    tonics = set()
    for start, _end, pitch, _velocity in bells:
        tonic = next((fields["tonic"] for now, fields in reversed(told) if now <= start), piece.MUSIC.tonic)
        tonics.add(tonic)
        assert (pitch - tonic) % 12 in SCALES["major pentatonic"]
    assert tonics == {2, 7}  # in D, then in G


def test_the_keyboards_key_is_d_major_and_then_g_major(played):
    keys = [(fields["tonic"], tuple(fields["scale"])) for _, event, fields in played.room if event == "key"]
    assert [key for key, _ in itertools.groupby(keys)] == [(2, SCALES["major"]), (7, SCALES["major"])]


def test_two_arpeggios_lie_on_one_grid(played):
    harp = [note[0] for note in played.notes["wren", "harp"]]
    pizzicato = [note[0] for note in played.notes["lark", "pizzicato"]]
    assert len(harp) > 60
    assert len(pizzicato) > 30
    eighth = Fraction(60 * NANOSECONDS, 80 * 2)

    def off(start):
        place = round(start / eighth)
        return abs(start - place * eighth), place

    assert all(off(start)[0] < 1 for start in harp + pizzicato)
    assert all(off(start)[1] % 2 == 0 for start in pizzicato)  # quarters
    assert len({off(start)[1] % 2 for start in harp}) == 2  # eighths
    assert set(harp) & set(pizzicato)


def test_every_effort_is_heard_and_sounds(played):
    """What the children mean to do is known beforehand."""
    this = played.piece
    for name, meant in (("wren", piece.wren), ("lark", lambda *a: piece.lark(*a, 200, 700))):
        samples = list(meant("x", this))
        assert samples[-1][0] <= this.end + piece.BAR
        assert played.presses[name] >= 8
    assert played.presses["pipit"] == len(played.notes["pipit", "bells"])


def test_nothing_is_left_sounding_and_the_end_is_thin(played):
    held: Counter[tuple[str, int, int]] = Counter()
    for _now, seat, message in played.sent:
        kind, channel = message.data[0] & 0xF0, message.data[0] & 0x0F
        if kind == 0x90:
            assert held[seat, channel, message.data[1]] in (0, 1) if seat == KEYBOARD else (0,)
            held[seat, channel, message.data[1]] += 1
        elif kind == 0x80:
            held[seat, channel, message.data[1]] -= 1
    assert set(held.values()) == {0}
    assert all(note[1] is not None for part in played.notes.values() for note in part)
    last = [max(note[1] for note in played.notes[key]) for key in (("wren", "harp"), ("lark", "strings"))]
    assert last[0] < last[1] < played.end


def test_the_limits_of_the_room_hold_for_all_together():
    few = replace(demo_together.room_of_the_piece().limits, notes_at_once=4)
    crowded = Played(30, plan=replace(demo_together.room_of_the_piece(), limits=few))
    sounding: set[tuple[str, int, int]] = set()
    most = 0
    for _now, seat, message in crowded.sent:
        kind, wire = message.data[0] & 0xF0, (seat, message.data[0] & 0x0F, message.data[1])
        if seat != KEYBOARD and kind == 0x90:
            sounding.add(wire)
        elif seat != KEYBOARD and kind == 0x80:
            sounding.remove(wire)
        most = max(most, len(sounding))
    assert most == 4
    assert not sounding


def test_a_child_plays_the_same_whoever_else_is_there():
    alone, all_three = Played(24, names=("wren",)), Played(24)
    assert alone.notes["wren", "harp"] == all_three.notes["wren", "harp"]


def test_the_same_twice(played):
    again = Played(60)
    assert again.sent == played.sent
    assert again.room == played.room


@pytest.mark.parametrize("seconds", [5, 9, 16, 31])
def test_a_piece_of_any_length_has_its_children_and_an_end(seconds):
    short = Played(seconds)
    assert abs(short.piece.end / NANOSECONDS - seconds) <= 1.5 or seconds == 5
    assert short.piece.bars[-1] == ("G" if len(short.piece.bars) >= piece.LEAST_WITH_TURN else "D")
    if seconds > 5:
        assert set(short.presses) == set(demo_together.CHILDREN)
    assert unfit(short.piece, followers(short)) == []
    assert on_the_beat(short.piece, followers(short)) == []


# --- the room on virtual time -------------------------------------------------------------------------------------


def test_a_seat_that_follows_nothing_is_left_alone():
    profiles = demo_together.profiles_of_the_children()
    plan = profiles["wren"].plan
    assert plan.follows == {TEMPO, HARMONY}
    alone = replace(plan, follows=frozenset())
    told = []
    together = Together(demo_together.room_of_the_piece(), {"wren": alone}, lambda *what: told.append(what))
    keys = [(1, MidiSample(KEYBOARD, (0x94, key, 60))) for key in (65, 69, 72)]  # F, in D major
    samples = {
        KEYBOARD: keys,
        "wren": [(NANOSECONDS, SwitchSample("finger", True)), (3 * NANOSECONDS, SwitchSample("finger", False))],
    }
    moments = list(together.steps(samples, NANOSECONDS))
    assert together.room.chord.name == "F"
    notes = {fields["note"] % 12 for name, _, event, fields in told if (name, event) == ("wren", "note_on")}
    assert notes == {2, 6, 9}
    assert moments[-1].now >= 3 * NANOSECONDS


def test_times_never_go_back_and_every_deadline_is_kept_at_its_own_time(played):
    times = [now for now, _, _ in played.sent]
    assert times == sorted(times)
    assert earliest(seat.engine.next_deadline() for seat in played.together._seats.values()) is None


def test_the_keyboards_own_notes_go_on_unchanged_and_at_once():
    told = []
    together = Together(RoomPlan(music=Music()), {}, lambda *what: told.append(what))
    data = [(10, (0x94, 60, 64)), (20, (0xB4, 64, 127)), (30, (0x84, 60, 64))]
    samples = {KEYBOARD: [(when, MidiSample(KEYBOARD, message)) for when, message in data]}
    sent = [(m.now, *m.sent) for m in together.steps(samples, 0) if m.sent]
    assert sent == [(when, (KEYBOARD, Message(KEYBOARD, message))) for when, message in data]


# --- the simulated keyboard ---------------------------------------------------------------------------------------


def test_hands_are_a_little_ahead_of_the_beat_and_not_exactly_anywhere():
    from random import Random

    chords = [Struck(i * NANOSECONDS, NANOSECONDS // 2, 0.5, (48, 55, 60, 64)) for i in range(1, 200)]
    samples = list(pianist("keys", chords, Random(1)))
    ons = [(when, sample.data[1]) for when, sample in samples if sample.data[0] == 0x90]
    assert len(ons) == 4 * len(chords)
    ahead = np.array([(when - (when + NANOSECONDS // 2) // NANOSECONDS * NANOSECONDS) / NANOSECONDS for when, _ in ons])
    hands = Hands()
    assert abs(ahead.mean() + hands.ahead - hands.roll * 0.8) < 0.002  # the mean of a half-normal spread
    assert 0.004 < ahead.std() < 0.012
    assert samples == list(pianist("keys", chords, Random(1)))


def test_the_pedal_comes_up_with_the_next_chord_and_holds_it_after():
    from random import Random

    chords = [Struck(i * NANOSECONDS, NANOSECONDS // 2, 0.5, (48,)) for i in range(1, 4)]
    samples = list(pianist("keys", chords, Random(1), chords=[each.start for each in chords], channel=3))
    assert [sample.data[0] for _, sample in samples][:3] == [0xB2, 0x92, 0xB2]
    pedal = [(when, sample.data[2]) for when, sample in samples if sample.data[:2] == (0xB2, 64)]
    assert [value for _, value in pedal] == [0, 127] * 3
    ons = [when for when, sample in samples if sample.data[0] == 0x92]
    assert all(0 <= on - up <= NANOSECONDS // 50 for (up, _), on in zip(pedal[::2], ons, strict=True))


# --- the files ----------------------------------------------------------------------------------------------------


def test_the_midi_file_has_each_player_on_a_track_and_a_channel_of_its_own(finished, played):
    folder, _said = finished
    read = mido.MidiFile(folder / "demo-together.mid")
    head, *tracks = read.tracks
    assert [message.tempo for message in head if message.type == "set_tempo"] == [750_000]  # 80 a minute
    assert [(m.numerator, m.denominator) for m in head if m.type == "time_signature"] == [(4, 4)]
    assert [m.key for m in head if m.type == "key_signature"] == ["D", "G"]  # the keyboard leads into another key
    assert {track.name for track in tracks} == set(CHANNELS)
    for track in tracks:
        assert {m.channel for m in track if not m.is_meta} == {CHANNELS[track.name] - 1}
        held: Counter[int] = Counter()
        for message in track:
            if message.type == "note_on" and message.velocity:
                held[message.note] += 1
            elif message.type in ("note_on", "note_off"):
                held[message.note] -= 1
        assert held.total() == 0
        assert held
    counts = {track.name: sum(m.type == "note_on" for m in track) for track in tracks}
    assert counts["wren: harp"] == len(played.notes["wren", "harp"])
    assert counts["pipit: bells"] == len(played.notes["pipit", "bells"])


def test_the_chords_stand_in_the_midi_file_at_their_bars(finished, played):
    read = mido.MidiFile(finished[0] / "demo-together.mid")
    at, marks = 0, []
    for message in read.tracks[0]:
        at += message.time
        if message.type == "marker":
            marks.append((at / read.ticks_per_beat / 4, message.text))
    bars = list(played.piece.bars)
    bars[played.piece.held + 1] = bars[played.piece.held]
    meant = [(i, name) for i, name in enumerate(bars) if i == 0 or name != bars[i - 1]]
    assert [name for _, name in marks] == [name for _, name in meant]
    assert all(abs(at - bar) < 0.02 for (at, _), (bar, _) in zip(marks, meant, strict=True))


def test_the_sound_is_not_silent_and_not_clipped(finished):
    with wave.open(str(finished[0] / "demo-together.wav")) as sound:
        samples = np.frombuffer(sound.readframes(sound.getnframes()), dtype="<i2").astype(int)
        assert sound.getnframes() / sound.getframerate() >= 60
    assert 2_000 < np.abs(samples).max() <= 32_000
    loud = [np.sqrt(np.mean(samples[i : i + 96_000] ** 2.0)) for i in range(0, 60 * 96_000, 96_000)]
    assert min(loud[1:]) > 50  # somebody sounds all the time
    assert np.mean(loud[30:45]) > np.mean(loud[:5])  # it grows


def test_the_picture_has_each_note_once_and_stands_alone(finished, played):
    path = finished[0] / "demo-together.svg"
    assert path.stat().st_size < 300_000
    text = path.read_text()
    root = ET.fromstring(text)
    assert root.find(f"{SVG}title").text
    described = root.find(f"{SVG}desc").text
    assert "Wren" in described
    assert "Bm at" in described
    lanes = [g for g in root.iter(f"{SVG}g") if g.get("class") in ("plain", "lane0", "lane1", "lane2")]
    drawn = [sum("note" in (r.get("class") or "").split() for r in g.iter(f"{SVG}rect")) for g in lanes]
    own = sum(seat == KEYBOARD and m.data[0] & 0xF0 == 0x90 for _, seat, m in played.sent)
    by_child = [
        sum(len(part) for key, part in played.notes.items() if key[0] == name) for name in demo_together.CHILDREN
    ]
    assert drawn == [own, *by_child]
    titles = [title.text for g in lanes for rect in g.iter(f"{SVG}rect") for title in rect.iter(f"{SVG}title")]
    assert len(titles) == sum(drawn)
    for start, _end, _pitch, _ in played.notes["pipit", "bells"]:
        assert any(f"{start / NANOSECONDS:.2f} s" in title and title.startswith("bells") for title in titles)
    for shut in ("href", "http://", "https://", "<script", "@import", "<image"):
        assert shut not in text.replace("http://www.w3.org/2000/svg", "")


def test_what_is_drawn_hollow_is_no_note_of_the_chord():
    lane = Lane("Wren <&", ("a & b",))
    for pitch, fits in ((60, True), (61, False), (68, True)):
        lane.note_on("harp", pitch, NANOSECONDS, fits=fits)
        lane.note_off("harp", pitch, 2 * NANOSECONDS)
    lane.press("finger", NANOSECONDS)
    lane.release("finger", 2 * NANOSECONDS)
    drawn = svg(Picture("a < b & c", Music(), 4 * NANOSECONDS, 4 * NANOSECONDS, [lane], chords=[(0, "C")]))
    root = ET.fromstring(drawn)
    classes = {
        r.find(f"{SVG}title").text.split(",")[0]: r.get("class")
        for r in root.iter(f"{SVG}rect")
        if r.find(f"{SVG}title") is not None
    }
    assert classes == {"harp C4": "note on", "harp C#4": "note off", "harp Ab4": "note on"}
    assert float(re.search(r' width="([\d.]+)"', drawn).group(1)) >= NARROWEST  # four seconds, and the legend has room
    in_e_major = svg(Picture("e", Music(4, SCALES["major"]), 4 * NANOSECONDS, 4 * NANOSECONDS, [lane]))
    assert {"harp C4", "harp C#4", "harp G#4"} <= {
        title.text.split(",")[0] for title in ET.fromstring(in_e_major).iter(f"{SVG}title")
    }
    words = [text.text for text in root.iter(f"{SVG}text")]
    for needed in ("a < b & c", "Wren <&", "a & b", "bar", "chord", "C", "seconds", "0", "C4"):
        assert needed in words


def luminance(colour: str) -> float:
    """Relative luminance. Source: WCAG 2.1, definition of relative luminance."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(("ground", "which"), [("#ffffff", 0), ("#161616", 1)])
def test_every_colour_stands_out_from_its_ground(ground, which):
    """Contrast of 3 to 1 at least. Source: WCAG 2.1, success criterion 1.4.11."""
    for pair in COLOURS:
        light, dark = sorted((luminance(pair[which]), luminance(ground)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 3


def test_it_says_what_happens_and_what_the_picture_shows(finished):
    folder, said = finished
    assert re.search(r"^ +\d+\.\d\d s  room   leads   chord F#m$", said, re.MULTILINE)
    assert re.search(r"^ +\d+\.\d\d s  wren   heard   finger pressed$", said, re.MULTILINE)
    assert re.search(r"^ +\d+\.\d\d s  lark   heard   cheek\.above pressed, strength 0\.\d\d$", said, re.MULTILINE)
    assert re.search(r"^ +\d+\.\d\d s  pipit  played  bells [A-G]#?b?\d, velocity \d+$", said, re.MULTILINE)
    for what in ("mid", "wav", "svg"):
        assert f"demo-output/demo-together.{what}" in said
    for words in ("The picture", "profiles/together/", "Next:", "Not a medical device"):
        assert words in said
    assert sorted(path.name for path in folder.iterdir()) == [f"demo-together.{what}" for what in ("mid", "svg", "wav")]
    assert all(len(line) < 80 for line in said.splitlines())
    assert "\x1b" not in said


def test_the_same_seed_gives_the_same_files(finished, tmp_path):
    folder, said = finished
    assert run(tmp_path, PYTHONHASHSEED="4711") == said
    for name in ("demo-together.mid", "demo-together.wav", "demo-together.svg"):
        assert (tmp_path / "demo-output" / name).read_bytes() == (folder / name).read_bytes()
