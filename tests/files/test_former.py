"""A former word in a file is answered by today's, at its place:
every row of the table, in a file that is right else.
"""

from __future__ import annotations

import pytest

from router.core.units import nearest
from router.files import configuration, former, profile

PROFILE = """\
profile: 1
child: wren
music: {MUSIC}
inputs:
  pad: {type: switch, device: {terminal: space}, SWITCH}
  head: {type: pointer, device: {evdev: "*"}, POINTER}
parts:
  tune:
    input: [pad, head]
    rules:
      - note: {degree: 1}
      - RULE: {}
    output: {port: synth}
outputs:
  synth: {midi: "*"}
"""
CONFIGURATION = "configuration: 1\nroom: {ROOM}\nTOP\n"
KEYBOARD = 'keyboard: {midi: "*", leads: chords, hold: 67}'

SETTINGS = {
    ("again", "allow_repeats"): (
        "NOTE",
        "random: {notes: [C4], again: yes}",
        "random: {notes: [C4], allow_repeats: yes}",
    ),
    ("apart", "delay"): ("RULE", "echo: {apart: 1/8}", "echo: {delay: 1/8}"),
    ("apart", "spacing"): ("RULE", "strum: {apart: 40 ms}", "strum: {spacing: 40 ms}"),
    ("beats", "time_signature"): ("MUSIC", "beats: 3", "time_signature: 3/4"),
    ("crossing", "full_speed"): ("POINTER", "strength: {crossing: 500 ms}", "strength: {full_speed: 500 ms}"),
    ("forgive", "grace_time"): ("POINTER", "grid: {forgive: 100 ms}", "grid: {grace_time: 100 ms}"),
    ("freeze", "hold"): ("ROOM", 'keyboard: {midi: "*", leads: chords, freeze: 67}', KEYBOARD),
    ("margin", "hysteresis"): ("POINTER", "grid: {margin: 10 %}", "grid: {hysteresis: 10 %}"),
    ("most", "longest_turn"): ("ROOM", "turns: {most: 20 s}", "turns: {longest_turn: 20 s}"),
    ("most", "longest_wait"): ("RULE", "quantize: {most: 1 s}", "quantize: {longest_wait: 1 s}"),
    ("motif", "chime"): ("TOP", "motif: no", "chime: no"),
    ("renew", "restrike_after"): ("RULE", "drone: {renew: 4 s}", "drone: {restrike_after: 4 s}"),
    ("spread", "position"): ("RULE", "chord: {spread: open}", "chord: {position: open}"),
    ("tell_apart", "exclusive"): ("SWITCH", "tell_apart: yes", "exclusive: yes"),
    ("voicing", "voice_leading"): ("RULE", "chord: {voicing: nearest}", "chord: {voice_leading: smooth}"),
    ("way", "direction"): ("RULE", "scale_lock: {way: up}", "scale_lock: {direction: up}"),
}
"""By former and present name: what is changed in which place of a file, and how it is written now."""
RATIOS = dict.fromkeys(range(50, 76), "3:1") | {50: "1:1", 60: "3:2", 66: "2:1", 67: "2:1"}
VALUES = {
    ("end", "turn back"): (
        "NOTE",
        "sequence: {notes: [C4], end: turn back}",
        "sequence: {notes: [C4], end: back and forth}",
    ),
    **{
        ("swing", f"{share} %"): ("RULE", f"arpeggio: {{swing: {share} %}}", f"arpeggio: {{swing: {ratio}}}")
        for share, ratio in RATIOS.items()
    },
    **{("time_signature", str(n)): ("MUSIC", f"time_signature: {n}", f"time_signature: {n}/4") for n in range(1, 17)},
    ("kind", "fifth"): ("RULE", "chord: {kind: fifth}", "chord: {kind: open fifth}"),
    ("voice_leading", "nearest"): ("RULE", "chord: {voice_leading: nearest}", "chord: {voice_leading: smooth}"),
}
"""By today's name of a setting and a former value."""
ROWS = [(old, new) for old, names in former.SETTINGS.items() for new in names]


def problems(tmp_path, place, text):
    """The lines of the file and what is said of it, with ``text`` at a place of it and nothing at the others."""
    of_profile = place in ("MUSIC", "SWITCH", "POINTER", "NOTE", "RULE")
    whole = PROFILE if of_profile else CONFIGURATION
    written = whole.replace({"NOTE": "note: {degree: 1}", "RULE": "RULE: {}"}.get(place, place), text)
    for empty in ("MUSIC", ", SWITCH", ", POINTER", "      - RULE: {}\n", "ROOM", "TOP"):
        written = written.replace(empty, "")
    path = tmp_path / ("wren.yaml" if of_profile else "router.yaml")
    path.write_text(written)
    return written.splitlines(), (profile if of_profile else configuration).check(path)


def test_every_row_of_the_table_has_its_file():
    assert sorted(SETTINGS) == sorted(ROWS)
    assert sorted(VALUES) == sorted(former.VALUES)


@pytest.mark.parametrize(("old", "new"), ROWS)
def test_a_former_setting_is_answered_by_todays(tmp_path, old, new):
    place, before, now = SETTINGS[old, new]
    lines, [problem] = problems(tmp_path, place, before)
    assert lines[problem.line - 1][problem.column - 1 :].startswith(f"{old}:")
    assert f'has no setting called "{old}"' in problem.message or f'has no entry called "{old}"' in problem.message
    assert problem.hint.startswith((f'Did you mean "{new}"?  It was called "{old}" before.', f'Did you mean "{new}: '))
    assert problems(tmp_path, place, now)[1] == []


@pytest.mark.parametrize(("name", "old"), sorted(VALUES))
def test_a_former_value_is_answered_by_todays(tmp_path, name, old):
    place, before, now = VALUES[name, old]
    lines, [problem] = problems(tmp_path, place, before)
    assert lines[problem.line - 1][problem.column - 1 :].startswith(old)
    assert problem.hint.startswith(f'Did you mean "{former.VALUES[name, old]}"?')
    assert problems(tmp_path, place, now)[1] == []


def test_a_former_setting_in_the_wrong_place_is_led_to_its_place(tmp_path):
    _, [problem] = problems(tmp_path, "POINTER", "forgive: 200 ms")
    assert problem.hint.startswith('It is called "grace_time" now.  It is a setting of "grid" in a pointer input.')


def test_no_former_word_is_one_of_today_for_the_same_group():
    homes = {**profile.schema.FORM.homes(), **configuration.schema.FORM.homes()}
    for old, new in ROWS:
        assert not set(homes.get(old, ())) & set(homes[new]), old
    assert nearest("crossing", ["full_speed"]) is None  # the table is what leads there, not the spelling
