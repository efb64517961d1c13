"""``router keep``: what was played, as the log has it; private, and without anybody's name."""

from __future__ import annotations

import json
import random
import stat
import wave
from pathlib import Path

import mido
import pretty_midi
import pytest

from router.cli import main
from router.core.units import NANOSECONDS
from router.keep.played import BETWEEN, played
from router.records.record_files import read
from router.records.recorder import Records
from router.records.session_log import LogFile, header

PROFILE = """\
profile: 1
child: wren
music: {key: D, scale: major, tempo: 84 bpm, time_signature: 3/4}
inputs:
  pad: {type: switch, device: {terminal: space}}
  breath:
    type: pressure
    device: {serial: "*pressure*", unit: Pa}
    above: {on: 120 Pa, full: 700 Pa}
parts:
  tune:
    input: pad
    rules:
      - sequence: {degrees: [1, 3, 5, 8]}
    output: {port: synth, channel: 1, program: marimba}
  bass:
    input: pad
    rules:
      - note: {degree: 1, octave: 2}
      - chord: {kind: open fifth}
    output: {port: synth, channel: 1, program: marimba}
  swell:
    input: breath.above
    rules:
      - note: {degree: 1, octave: 4}
      - control: {controller: expression}
    output: {port: box, channel: 1, program: string ensemble 1}
outputs:
  synth: {instrument: default}
  box: {midi: "*"}
"""


def a_log(path, *events, **about):
    """A log as ``router play`` writes it, of (seconds, event, fields)."""
    with path.open("w", encoding="utf-8") as file:
        log = LogFile(file, 0, header("wren", **about))
        log(0, "start", {})
        for t, event, fields in events:
            log(round(t * NANOSECONDS), event, fields)
    return path


def on(t, note, **changed):
    fields = {"part": "tune", "output": "synth", "channel": 1, "note": note, "velocity": 80, **changed}
    return (t, "note_on", fields)


def off(t, note, **changed):
    return (t, "note_off", on(t, note, **{"velocity": 0, **changed})[2])


def music(t, **changed):
    told = {
        "tempo": 84.0,
        "time_signature": "3/4",
        "tonic": 2,
        "scale": [0, 2, 4, 5, 7, 9, 11],
        "chord": "",
        "bar": 0.0,
    }
    return (t, "music", {**told, **changed})


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def session(folder):  # noqa: ARG001 - it is where the files go
    """The log of a session that was played from a trace."""
    Path("wren.yaml").write_text(PROFILE)
    lines = [{"trace": 1}]
    for i in range(12):
        at = 0.7 * i + 0.0137 * (i % 5)
        lines += [{"t": round(at + d, 4), "input": "pad", "pressed": d == 0} for d in (0, 0.41)]
        lines += [
            {"t": round(at + 0.5 + 0.02 * d, 4), "input": "breath", "pascal": p} for d, p in enumerate((90, 400, 0))
        ]
    Path("t.jsonl").write_text("\n".join(map(json.dumps, sorted(lines, key=lambda line: line.get("t", -1)))))
    assert main(["play", "t.jsonl", "--profile", "wren.yaml", "--log", "wren.jsonl"]) == 0
    return Path("wren.jsonl")


def in_log(path):
    """The notes of a log by part: (seconds, seconds, pitch, velocity)."""
    found, sounding = {}, {}
    for event in map(json.loads, path.read_text().splitlines()):
        if event["event"] == "note_on":
            sounding[event["output"], event["channel"], event["note"]] = event
        elif event["event"] == "note_off":
            began = sounding.pop((event["output"], event["channel"], event["note"]))
            note = (began["t"], event["t"], began["note"], began["velocity"])
            found.setdefault(began["part"], []).append(note)
    return {part: sorted(notes) for part, notes in found.items()}


def test_the_notes_of_the_midi_file_are_those_of_the_log_to_the_millisecond(session):
    assert main(["keep", str(session), "--midi", "out.mid"]) == 0
    wanted, read_back = in_log(session), pretty_midi.PrettyMIDI("out.mid")
    assert sum(map(len, wanted.values())) > 40
    assert [each.name for each in read_back.instruments] == ["tune", "bass", "swell"]
    for track in read_back.instruments:
        notes = sorted((note.start, note.end, note.pitch, note.velocity) for note in track.notes)
        assert len(notes) == len(wanted[track.name])
        for kept, (start, end, pitch, velocity) in zip(notes, wanted[track.name], strict=True):
            assert kept[2:] == (pitch, velocity)
            assert kept[:2] == pytest.approx((start, end), abs=0.001)


def test_the_midi_file_has_tempo_metre_key_sounds_controllers_and_a_track_for_each_part(session):
    main(["keep", str(session), "--midi", "out.mid", "--title", "For grandmother"])
    file = mido.MidiFile("out.mid")
    head = {message.type: message for message in file.tracks[0]}
    assert mido.tempo2bpm(head["set_tempo"].tempo) == pytest.approx(84, rel=1e-5)
    assert (head["time_signature"].numerator, head["time_signature"].denominator) == (3, 4)
    assert head["key_signature"].key == "D"
    assert head["track_name"].name == "For grandmother"
    assert [track.name for track in file.tracks[1:]] == ["tune", "bass", "swell"]
    programs = [[message.program for message in track if message.type == "program_change"] for track in file.tracks[1:]]
    assert programs == [[12], [12], [48]]
    assert any(message.type == "control_change" and message.control == 11 for message in file.tracks[3])
    channels = [{message.channel for message in track if message.type == "note_on"} for track in file.tracks[1:]]
    assert channels[0] == channels[1] == {0}  # one channel of one output, in the session and in the file
    assert channels[2] != {0}  # another output's channel 1


def test_a_sound_file_is_written_at_its_loudness(session, capsys):
    assert main(["keep", str(session), "--sound", "out.wav"]) == 0
    with wave.open("out.wav") as sound:
        assert sound.getnframes() / sound.getframerate() > 8
    assert "swell (11 notes)" in capsys.readouterr().out


def test_what_is_kept_is_private_and_says_nobodys_name(session, tmp_path):
    main(["keep", str(session), "--midi", "out.mid", "--sound", "out.wav"])
    for name in ("out.mid", "out.wav"):
        assert stat.S_IMODE(Path(name).stat().st_mode) == 0o600
        data = Path(name).read_bytes()
        assert b"wren" not in data
        assert str(tmp_path).encode() not in data


def test_what_sounded_in_a_baseline_was_not_heard_and_is_not_kept(folder):
    log = a_log(
        folder / "l.jsonl",
        *(music(0), on(1, 60), (2, "mark", {"text": "Baseline "}), on(3, 62), off(4, 62), off(4, 60)),
        *((5, "mark", {"text": "playing"}), on(6, 64), off(7, 64), (8, "stop", {})),
    )
    (track,) = played([read(log, played=True)]).tracks
    seconds = [(note.start / NANOSECONDS, note.end / NANOSECONDS, note.pitch) for note in track.notes]
    assert seconds == [(1, 2, 60), (6, 7, 64)]


def test_a_note_without_an_end_ends_with_the_log_and_it_is_said(folder):
    found = played(
        [
            read(
                a_log(folder / "l.jsonl", music(0), on(1, 60), (3, "press", {"input": "pad", "strength": 1})),
                played=True,
            )
        ]
    )
    assert found.tracks[0].notes[0].end == 3 * NANOSECONDS
    assert any("without an end" in remark for remark in found.remarks)


def test_an_older_log_has_its_key_found_and_the_rest_assumed_and_said(folder, capsys):
    tune = [62, 62, 69, 69, 71, 71, 69, 67, 67, 66, 66, 64, 64, 62]
    notes = [event for i, pitch in enumerate(tune * 2) for event in (on(i, pitch), off(i + 0.9, pitch))]
    log = a_log(folder / "old.jsonl", *notes)
    assert main(["keep", str(log), "--midi", "out.mid"]) == 0
    assert "(D)" in capsys.readouterr().out
    head = {message.type: message for message in mido.MidiFile("out.mid").tracks[0]}
    assert (head["key_signature"].key, mido.tempo2bpm(head["set_tempo"].tempo)) == ("D", pytest.approx(90, rel=1e-5))


def test_music_that_changes_is_in_the_midi_file_where_it_changes(folder):
    notes = [event for i in range(9) for event in (on(i, 60), off(i + 0.5, 60))]
    changes = music(0), music(4, tempo=60.0, tonic=7, time_signature="4/4"), (6, "chord", {"chord": "Am7"})
    log = a_log(folder / "l.jsonl", *sorted([*notes, *changes], key=lambda event: event[0]))
    main(["keep", str(log), "--midi", "out.mid"])
    found = pretty_midi.PrettyMIDI("out.mid")
    times, tempi = found.get_tempo_changes()
    assert (list(times), list(tempi)) == (pytest.approx([0, 4], abs=0.001), pytest.approx([84, 60], rel=1e-5))
    assert [(key.key_number, round(key.time, 3)) for key in found.key_signature_changes] == [(2, 0), (7, 4)]
    assert [note.start for note in found.instruments[0].notes] == pytest.approx(list(range(9)), abs=0.001)
    (mark,) = [message.text for message in mido.MidiFile("out.mid").tracks[0] if message.type == "marker"]
    assert mark == "Am7"


def test_sessions_that_overlap_are_laid_over_each_other_and_others_follow(folder):
    def one(name, seat, began, pitch):
        return read(
            a_log(folder / name, music(0), on(1, pitch), off(2, pitch), (10, "stop", {}), seat=seat, began=began),
            played=True,
        )

    bed = one("a.jsonl", "bed", "2026-11-25T10:00:00.000+00:00", 60)
    window = one("b.jsonl", "window", "2026-11-25T10:00:04.250+00:00", 64)
    later = one("c.jsonl", "bed", "2026-11-25T15:00:00.000+00:00", 67)
    found = played([later, window, bed])
    assert [found.name(track) for track in found.tracks] == ["bed: tune", "window: tune"]
    starts = {found.name(track): [note.start for note in track.notes] for track in found.tracks}
    end = round(14.25 * NANOSECONDS)
    assert starts == {
        "bed: tune": [NANOSECONDS, end + BETWEEN + NANOSECONDS],
        "window: tune": [round(5.25 * NANOSECONDS)],
    }


def test_a_childs_sessions_since_a_day_are_found_in_the_records(folder, capsys):
    def said(*_, **__):
        pass

    records = Records(folder / "records", said)
    session = records.begin("bed", "wren", "sha256:0", 0)
    for t, event, fields in (music(0), on(1, 60), off(2, 60)):
        session(round(t * NANOSECONDS), event, fields)
    session.close(3 * NANOSECONDS)
    records.close()
    asked = ["keep", "--child", "wren", "--records", "records", "--midi", "out.mid", "--since"]
    assert main([*asked, "today"]) == 0
    assert "1 session, 2 s: tune (1 note)" in capsys.readouterr().out
    assert main([*asked, "2999-01-01"]) == 1
    assert "no session of wren since 2999-01-01" in capsys.readouterr().err
    assert main(["keep", "--child", "wern", "--records", "records", "--midi", "out.mid"]) == 1
    assert 'Did you mean "wren"?' in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "wanted"),
    [
        (["--midi", "o.mid"], "name a log"),
        (["l.jsonl"], "say what to write"),
        (["l.jsonl", "--midi", "l.jsonl"], "would overwrite a log"),
        (["--child", "../wren", "--midi", "o.mid"], "cannot be a child's pseudonym"),
        (["l.jsonl", "--records", ".", "--midi", "wren/o.mid"], "would lie among the records"),
    ],
)
def test_what_is_asked_wrongly_is_told(folder, arguments, wanted, capsys):
    a_log(folder / "l.jsonl", on(1, 60), off(2, 60))
    assert main(["keep", *arguments]) == 2
    assert wanted in capsys.readouterr().err


@pytest.mark.parametrize(
    "text", ["", "nonsense\n" * 50, '{"t": 0, "event": "start", "log": 1, "child": "wren"}\n', "\0" * 999]
)
def test_a_log_without_notes_or_sense_is_told_and_nothing_is_written(folder, text, capsys):
    (folder / "l.jsonl").write_text(text)
    assert main(["keep", "l.jsonl", "--midi", "o.mid", "--sound", "o.wav"]) == 1
    assert "nothing was played" in capsys.readouterr().err
    assert [path.name for path in folder.iterdir()] == ["l.jsonl"]


BAD = [
    {"event": "note_on", "part": "tune", "output": "synth", "channel": 99, "note": 60, "velocity": 3},
    {"event": "note_on", "part": 7, "output": "synth", "channel": 1, "note": 60, "velocity": 3},
    {"event": "note_on", "part": "tune", "output": "synth", "channel": 1, "note": 1e99, "velocity": 3},
    {"event": "note_off", "part": "tune"},
    {"event": "control", "part": "tune", "output": "synth", "channel": 1, "controller": "wheel", "value": 1},
    {"event": "program", "part": "tune", "output": "synth", "channel": 1, "program": -1},
    {"event": "music", "tempo": 0, "time_signature": "4/4", "tonic": 0, "scale": [0], "bar": 0},
    {"event": "music", "tempo": 90, "time_signature": "99/7", "tonic": 0, "scale": [0], "bar": 0},
    {"event": "music", "tempo": 1e300, "time_signature": "4/4", "tonic": 0, "scale": [0], "bar": 1e300},
    {"event": "music", "tempo": "fast", "time_signature": None, "tonic": [], "scale": {}, "bar": 0},
    {"event": "chord", "chord": "Q"},
    {"event": "chord"},
]


@pytest.mark.parametrize("bad", BAD)
def test_a_line_that_says_what_cannot_be_costs_that_line_only(folder, bad):
    later = "\n".join(json.dumps({"t": t, "event": event, **fields}) for t, event, fields in (on(4, 62), off(5, 62)))
    log = a_log(folder / "l.jsonl", on(1, 60), off(2, 60))
    log.write_text(log.read_text() + json.dumps({"t": 3, **bad}) + "\n" + later)
    assert main(["keep", "l.jsonl", "--midi", "o.mid"]) == 0
    assert [note.pitch for note in pretty_midi.PrettyMIDI("o.mid").instruments[0].notes] == [60, 62]


def test_whatever_a_log_says_there_is_no_traceback(session, folder):
    """Lines cut, doubled, moved, with letters changed: a piece comes of it, or a message."""
    chance = random.Random(7)
    whole = session.read_bytes()
    for _ in range(25):
        data = bytearray(whole)
        for _ in range(chance.randint(1, 12)):
            at = chance.randrange(len(data))
            match chance.randrange(4):
                case 0:
                    data[at] = chance.randrange(256)
                case 1:
                    del data[at : at + chance.randint(1, 400)]
                case 2:
                    data[at:at] = data[chance.randrange(len(data)) :][: chance.randint(1, 300)]
                case 3:
                    data[at : at + 1] = chance.choice([b"9", b"-", b"e9", b"null", b"[]", b'"'])
        (folder / "m.jsonl").write_bytes(data)
        assert main(["keep", "m.jsonl", "--midi", "m.mid", "--score", "m.musicxml"]) in (0, 1)
