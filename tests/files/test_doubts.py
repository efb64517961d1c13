"""Warnings: what can be played and is probably not meant; and that the remedy they give is one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from router.cli import main
from router.core.music import SCALES
from router.files import profile

ORDERS = """\
profile: 1
child: wren
music: {{key: C, scale: major, tempo: 60 bpm, progression: {{chords: [C, Dm], every: 1/2}}}}
inputs:
  keys: {{type: midi, device: {{midi: "*"}}}}
parts:
  tune:
    input: keys
    rules:
      - note: {{}}
{rules}
    output: {{port: synth, channel: 1}}
outputs:
  synth: {{midi: "*"}}
"""
FITTED = "      - scale_lock: {to: chord}"
WAITS = "      - quantize: {to: 1/4, longest_wait: 1 s}"


def played(folder: Path, *rules: str) -> int:
    """The note of a key that is pressed in the first chord and waits for the second."""
    (folder / "wren.yaml").write_text(ORDERS.format(rules="\n".join(rules)))
    (folder / "t.jsonl").write_text(
        '{"trace": 1}\n{"t": 1.6, "input": "keys", "midi": [144, 60, 64]}\n{"t": 2.5, "input": "keys", "midi": '
        "[128, 60, 0]}\n"
    )
    log = folder / "log.jsonl"
    assert main(["play", str(folder / "t.jsonl"), "--profile", str(folder / "wren.yaml"), "--log", str(log)]) == 0
    (note,) = [event for event in map(json.loads, log.read_text().splitlines()) if event["event"] == "note_on"]
    assert note["t"] == 2.0  # where Dm begins
    return int(note["note"]) % 12


def test_what_is_fitted_before_it_waits_begins_in_the_chord_of_before_and_is_warned_of(tmp_path):
    of_dm = {2, 5, 9}
    assert played(tmp_path, FITTED, WAITS) not in of_dm
    (doubt,) = profile.check(tmp_path / "wren.yaml")
    assert (doubt.line, doubt.warning) == (11, True)
    assert played(tmp_path, WAITS, FITTED) in of_dm
    assert profile.check(tmp_path / "wren.yaml") == []


DRONE = """\
profile: 1
child: wren
music: {{key: D, scale: {scale}}}
inputs:
  pad: {{type: switch, device: {{terminal: space}}}}
parts:
  tune:
    input: pad
    rules: [note: {{}}, drone: {drone}]
    output: {{port: synth, channel: 1}}
outputs:
  synth: {{midi: "*"}}
"""


def told_of_a_drone(folder: Path, scale: str, drone: str) -> list[tuple[str, str]]:
    (folder / "wren.yaml").write_text(DRONE.format(scale=scale, drone=drone))
    problems = profile.check(folder / "wren.yaml")
    assert all(problem.warning and problem.line == 9 for problem in problems)
    return [(problem.message, problem.hint) for problem in problems]


@pytest.mark.parametrize(
    ("scale", "drone", "lies", "hint"),
    [
        ("chromatic", "{}", "degree 5 lies 4 semitones above 1 (F#)", 'Did you mean "degrees: [1, 8]"?'),
        ("chromatic", "{degrees: [5, 1], linger: 1 s}", "lies 4 semitones", 'Did you mean "degrees: [8, 1]"?'),
        ("whole tone", "{octave: 3}", "lies 8 semitones above 1 (Bb)", 'Write "degrees: [1]"'),
        ("locrian", "{degrees: [1, 5, 8]}", "lies 6 semitones above 1 (Ab)", 'Write "degrees: [1, 8]"'),
    ],
)
def test_a_drone_in_a_scale_whose_fifth_degree_is_no_fifth_is_warned_of(tmp_path, scale, drone, lies, hint):
    ((message, remedy),) = told_of_a_drone(tmp_path, scale, drone)
    assert lies in message
    assert hint in remedy
    meant = remedy.partition("degrees: ")[2].partition('"')[0]
    assert told_of_a_drone(tmp_path, scale, f"{{degrees: {meant}}}") == []


@pytest.mark.parametrize("scale", [name for name in SCALES if name not in ("chromatic", "whole tone", "locrian")])
def test_in_every_other_scale_a_drone_has_its_fifth(tmp_path, scale):
    assert told_of_a_drone(tmp_path, scale, "{}") == []


def test_a_profile_with_a_warning_is_used(tmp_path, capsys):
    played(tmp_path, FITTED, WAITS)
    capsys.readouterr()
    path = tmp_path / "wren.yaml"
    assert len(profile.load(path).warnings) == 1
    assert main(["check", str(path)]) == 0
    said = capsys.readouterr().out
    assert f"{path}:11:9: warning: " in said
    assert f"{path}: fine, with a warning" in said
    assert main(["check", str(path), "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)
    assert told["warning"] is True


@pytest.mark.parametrize("name", ["lark - Kopie.yaml", "Copy of lark.yaml", "wren (conflicted copy).yaml", "pipit.yml"])
def test_a_copy_that_says_another_childs_name(tmp_path, capsys, name):
    text = profile.find("lark").read_text(encoding="utf-8")
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    assert main(["check", str(path)]) == 0
    said = capsys.readouterr().out
    line = next(number for number, line in enumerate(text.splitlines(), 1) if line.startswith("child:"))
    assert f'{path}:{line}:8: warning: this is the profile of "lark", and the file is called "{name}"' in said
    assert 'call the file "lark.yaml".' in said
    right = tmp_path / "lark.yaml"
    right.write_text(text, encoding="utf-8")
    assert main(["check", str(right)]) == 0
    assert "warning" not in capsys.readouterr().out


def test_no_shipped_profile_has_a_warning():
    paths = [*profile.shipped().rglob("*.yaml")]
    assert len(paths) > 10
    for path in paths:
        if "profile: 1" in path.read_text(encoding="utf-8"):
            assert profile.load(path).warnings == (), path


BED = """\
profile: 1
child: wren
music: {{key: C, scale: major}}
{limits}
inputs:
  pad: {{type: switch, device: {{terminal: space}}}}
parts:
  bed:
    input: pad
    rules: [contingent: {contingent}, note: {{}}]
    output: {{port: synth, channel: 1}}
  tune:
    input: pad
    rules: [note: {{}}]
    output: {{port: synth, channel: {channel}}}
outputs:
  synth: {{midi: "*"}}
"""


def told_of_a_bed(folder: Path, contingent: str = "{}", limits: str = "limits: {note_length: 2 min}", channel=2):
    (folder / "wren.yaml").write_text(BED.format(contingent=contingent, limits=limits, channel=channel))
    problems = profile.check(folder / "wren.yaml")
    assert all(problem.warning and problem.line == 10 for problem in problems)
    return [(problem.message, problem.hint) for problem in problems]


def test_music_that_is_to_go_on_for_longer_than_a_note_may_is_warned_of(tmp_path):
    assert told_of_a_bed(tmp_path) == []
    ((message, hint),) = told_of_a_bed(tmp_path, limits="")
    assert "goes on for 12 s with its fade, and a note of this profile ends after 10 s" in message
    assert '"note_length" under limits, such as 60 s' in hint
    assert told_of_a_bed(tmp_path, limits="limits: {note_length: 60 s}") == []
    assert told_of_a_bed(tmp_path, "{lasts: 3 s, fade: 500 ms}", limits="") == []


def test_a_part_that_would_fade_with_another_is_warned_of(tmp_path):
    ((message, hint),) = told_of_a_bed(tmp_path, channel=1)
    assert message == '"tune" (line 12) plays on channel 1, too, and fades with this'
    assert "another channel" in hint
    assert told_of_a_bed(tmp_path, "{fade: 0 ms}", channel=1) == []


BAND = """\
profile: 1
child: wren
music: {{time_signature: {metre}}}
limits: {{notes_at_once: {at_once}, notes_per_second: {a_second}}}
inputs:
  pad: {{type: switch, device: {{terminal: space}}}}
parts:
  drums: {{input: pad, rules: [drums: {{style: waltz}}], output: {{port: synth, channel: 10}}}}
  {name}: {{input: pad, rules: [{rule}: {{}}], output: {{port: synth, channel: 2}}}}
outputs:
  synth: {{midi: "*"}}
"""


@pytest.mark.parametrize(
    ("metre", "limits", "rule", "said"),
    [
        ("3/4", (16, 40), "bass", []),
        ("3/4", (8, 16), "note", []),  # a drummer alone, beside a tune
        ("3/4", (8, 40), "bass", ["(notes_at_once is 8)"]),
        ("3/4", (8, 16), "comping", ["(notes_at_once is 8, notes_per_second is 16)"]),
        ("4/4", (16, 40), "bass", ['"waltz" is in 3/4, and a bar of this music in 4/4']),
        ("6/8", (16, 40), "bass", []),  # as long
    ],
)
def test_a_band_with_too_little_room_and_a_drummer_in_another_metre_are_warned_of(tmp_path, metre, limits, rule, said):
    path = tmp_path / "wren.yaml"
    at_once, a_second = limits
    path.write_text(BAND.format(metre=metre, at_once=at_once, a_second=a_second, rule=rule, name="more"))
    doubts = profile.check(path)
    assert all(doubt.warning for doubt in doubts)
    assert [doubt.message[-len(each) :] for doubt, each in zip(doubts, said, strict=True)] == said
    if doubts and "notes_per_second" in said[0]:
        path.write_text(BAND.format(metre=metre, at_once=16, a_second=40, rule=rule, name="more"))
        assert profile.check(path) == []
