"""From a profile's text to the plan for the engine, and what is said of files that are none."""

from __future__ import annotations

import itertools
import math
import os
import random
import time
from fractions import Fraction
from functools import partial
from pathlib import Path

import pytest

from router.core.conditioning.midi import MidiSettings
from router.core.conditioning.pointer import PointerSettings, ZoneGrid
from router.core.conditioning.pressure import PressureSettings, Side
from router.core.conditioning.switch import SwitchSettings
from router.core.engine import HARMONY, TEMPO, Engine
from router.core.events import Route
from router.core.ledger import Limits
from router.core.music import SCALES, Music, Span
from router.core.units import NANOSECONDS
from router.devices.descriptions import (
    ANY_NUMBER,
    EvdevAxis,
    EvdevPointer,
    EvdevSwitch,
    Instrument,
    MidiInDevice,
    MidiPort,
    MidiPressure,
    SerialDevice,
    TerminalKey,
)
from router.devices.inputs.serial import Reading
from router.files import loading, quantities, source
from router.files.diagnostics import Place, Problem, Report
from router.files.profile import ProfileError, check, find, load, schema, shipped
from router.files.source import Entries, Items, Node, Text
from tests.shared.places import GOLDEN_PROFILES

MS = 1_000_000

LITTLE = """\
profile: 1
child: wren
inputs: {pad: {type: switch, device: {terminal: space}}}
parts: {tune: {input: pad, rules: [note: {}], output: {port: synth}}}
outputs: {synth: {midi: "*"}}
"""

WHOLE = r"""
profile: 1
child: song-thrush
about: |
  Two lines
  of remarks.
music: {key: F#, scale: dorian, tempo: 72.5 bpm}
limits: {velocity: 70, volume: 60, notes_at_once: 3, note_length: 4 s, notes_per_second: 5}
inputs:
  pad: {type: switch, device: {evdev: "*Switch*", key: BTN_0, grab: no}, debounce: 20 ms, accept: 0.1 s}
  box: {type: switch, device: {serial: "*box*", baud: 9600, line: 'S(?P<value>\d)'}}
  space: {type: switch, device: {terminal: space}}
  cheek:
    type: pressure
    device: {serial: "*pressure*", unit: kPa, scale: 2, offset: -1.5}
    zero: {track: no}
    above: {on: 100 Pa, full: 1 kPa}
    below: {on: 2 cmH2O, off: 1 cmH2O, full: 10 cmH2O}
    strength: {from: peak, over: 80 ms}
  head:
    type: pointer
    device: {evdev: "*Pointer*", x: ABS_RX, y: ABS_RY}
    smooth: no
    gain: 2.5
    recentre: pad.long
    grid: {columns: 3, rows: 2, hysteresis: 25 %, dwell: 250 ms, grace_time: 80 ms, rest: [2, 5]}
    strength: {full_speed: 400 ms}
    lost_after: 1 s
    jump: 40 %
  keys: {type: midi, device: {midi: "*Pad*"}, channel: 3, lowest: C2, highest: 96}
parts:
  tune:
    input: [cheek.above, pad]
    rules:
      - sequence: {notes: [C4, 62, Eb3], restart_after: 2 s}
      - arpeggio: {rate: 1/8 dotted, gate: 50 %}
      - velocity: {from: strength}
    output: {port: synth, channel: 2, program: Marimba}
  swell:
    input: [head, head.x, cheek.below, keys.cc11]
    rules:
      - control: {controller: expression, low: 10}
      - note:
    output: {port: box}
  rest:
    input: [keys, box, space]
    rules:
      - latch:
      - note: {degree: 3, octave: -1}
      - chord: {kind: 7}
    output: {port: synth, channel: 3, program: 0}
outputs:
  synth: {midi: "*Synth*"}
  box: {instrument: /sounds/small.sf2, gain: 1.5}
"""


@pytest.fixture
def write(tmp_path):
    def write(text: str | bytes, name: str = "wren.yaml") -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return write


def settings_of(make: partial[object]) -> object:
    return make.args[-1]


# --- the plan ---------------------------------------------------------------------------------------------------


def test_everything_written_reaches_the_plan(write):
    profile = load(write(WHOLE))
    plan = profile.plan
    assert profile.child == "song-thrush"
    assert profile.about == "Two lines of remarks."
    assert plan.music == Music(6, SCALES["dorian"], Fraction("72.5"))
    assert plan.limits == Limits(70, 60, 3, 4 * NANOSECONDS, 5)
    assert profile.types == {
        "pad": "switch",
        "box": "switch",
        "space": "switch",
        "cheek": "pressure",
        "head": "pointer",
        "keys": "midi",
    }
    assert profile.devices == {
        "pad": EvdevSwitch("*Switch*", "BTN_0", grab=False),
        "box": SerialDevice("*box*", 9600, r"S(?P<value>\d)"),
        "space": TerminalKey("space"),
        "cheek": SerialDevice("*pressure*", 115200, ANY_NUMBER, 2000.0, -1.5),  # in pascals: twice a kilopascal
        "head": EvdevPointer("*Pointer*", "ABS_RX", "ABS_RY", grab=True),
        "keys": MidiInDevice("*Pad*"),
    }
    assert profile.outputs == {"synth": MidiPort("*Synth*"), "box": Instrument("/sounds/small.sf2", 1.5)}
    assert {name: settings_of(make) for name, make in plan.inputs.items()} == {
        "pad": SwitchSettings(20 * MS, 100 * MS, longest=60_000 * MS, sources=frozenset({"pad.long"})),
        "box": SwitchSettings(30 * MS, 0, longest=60_000 * MS),
        "space": SwitchSettings(30 * MS, 0, longest=60_000 * MS),
        "cheek": PressureSettings(
            Side(100.0, 60.0, 1000.0),
            Side(196.133, 98.0665, 980.665),  # a centimetre of water is 98.0665 Pa (NIST SP 811, appendix B.8)
            track=None,
            from_peak=True,
            over=80 * MS,
            levels=frozenset({"cheek.below"}),
        ),
        "head": PointerSettings(
            grid=ZoneGrid(3, 2, 0.25, 250 * MS, 80 * MS, rest=frozenset({1, 4})),
            min_cutoff=None,
            beta=0.0,
            levels=frozenset({"head.x"}),
            gain=2.5,
            centred_by="pad.long",
            full_speed=400 * MS,
            lost_after=1000 * MS,
            jump=0.4,
        ),
        "keys": MidiSettings(3, 36, 96, frozenset({"keys.cc11"})),
    }
    tune, swell, rest = plan.parts
    assert (tune.name, tune.sources, tune.route, tune.program) == (
        "tune",
        ("cheek.above", "pad"),
        Route("synth", 2),
        12,
    )
    assert (swell.route, swell.program) == (Route("box", 1), None)
    assert (rest.route, rest.program) == (Route("synth", 3), 0)
    sequence, arpeggio, velocity = (dict(settings_of(rule.make)) for rule in tune.rules)
    assert sequence == {"notes": (60, 62, 51), "octave": 4, "restart_after": 2 * NANOSECONDS, "end": "loop"}
    assert (arpeggio["order"], arpeggio["rate"], arpeggio["gate"]) == ("up", Span(whole=Fraction(3, 16)), 0.5)
    assert (velocity["from"], velocity["low"], velocity["high"]) == ("strength", 40, 90)
    assert [rule.name for rule in swell.rules] == ["control", "note"]
    assert dict(settings_of(swell.rules[0].make))["controller"] == 11
    assert dict(settings_of(rest.rules[2].make))["kind"] == "7"
    line = next(number for number, text in enumerate(WHOLE.splitlines(), 1) if "sequence" in text)
    assert tune.rules[0].place == f"wren.yaml:{line}"
    Engine(plan)


def test_what_is_left_out_has_its_default(write):
    profile = load(write(LITTLE))
    assert profile.about == ""
    assert profile.plan.music == Music()
    assert profile.plan.limits == Limits()
    assert settings_of(profile.plan.inputs["pad"]) == SwitchSettings(30 * MS, 0, longest=60_000 * MS)


@pytest.mark.parametrize(
    ("music", "follows"),
    [
        ("music: {key: D}", set()),
        ("music: {follow: room}", {TEMPO, HARMONY}),
        ("music: {follow: tempo}", {TEMPO}),
        ("music: {follow: harmony, progression: {chords: [C, G], every: 1 bar}}", {HARMONY}),
    ],
)
def test_what_a_profile_follows_of_the_room(write, music, follows):
    plan = load(write(f"{music}\n{LITTLE}")).plan
    assert plan.follows == follows
    assert plan.progression.chords == (() if "progression" not in music else plan.progression.chords[:2])


def test_pressure_defaults_are_those_of_the_conditioning(write):
    text = LITTLE.replace(
        "pad: {type: switch, device: {terminal: space}}",
        'pad: {type: pressure, device: {serial: "*", unit: Pa}, above: {on: 10 Pa, full: 90 Pa}}',
    )
    profile = load(write(text.replace("input: pad", "input: pad.above")))
    assert settings_of(profile.plan.inputs["pad"]) == PressureSettings(Side(10.0, 6.0, 90.0))


@pytest.mark.parametrize(
    ("device", "made", "ends"),
    [
        (
            'serial: "*", unit: hPa, scale: 2, offset: 10, range: {lowest: 0, highest: 100}',
            SerialDevice("*", scale=200.0, offset=10.0),
            (-2000.0, 18000.0),
        ),
        (
            'serial: "*", calibrate: [{reads: 100, is: 0 Pa}, {reads: 300, is: 10 hPa}], range: {highest: 1023}',
            SerialDevice("*", scale=5.0, offset=100.0),
            (-math.inf, 4615.0),
        ),
        (
            (
                'evdev: "*", axis: ABS_Z, grab: no, calibrate: [{reads: 50, is: 1 kPa}, {reads: 100, is: 0 Pa}], '
                "range: {lowest: 0}"
            ),
            EvdevAxis("*", "ABS_Z", -20.0, 100.0, grab=False),
            (-math.inf, 2000.0),
        ),
        (
            'midi: "*", controller: breath, channel: 3, calibrate: [{reads: 0, is: 0 Pa}, {reads: 127, is: 127 Pa}]',
            MidiPressure("*", 0xB0, 2, 3, 1.0, 0.0),
            None,
        ),
        (
            (
                'midi: "*", bend: yes, calibrate: [{reads: 8192, is: 0 Pa}, {reads: 16384, is: -1 kPa}], range: '
                "{lowest: 0, highest: 16383}"
            ),
            MidiPressure("*", 0xE0, None, None, -1000 / 8192, 8192.0),
            (-8191 * 1000 / 8192, 1000.0),
        ),
        (
            'midi: "*", channel_pressure: yes, calibrate: [{reads: 0, is: 1 Pa}, {reads: 100, is: 201 Pa}]',
            MidiPressure("*", 0xD0, None, None, 2.0, -0.5),
            None,
        ),
    ],
)
def test_pressure_devices_and_their_calibration(write, device, made, ends):
    """Pascals = (reading - offset) * scale; two points give both.
    The ends of the range are pascals, the lower one first.
    """
    text = LITTLE.replace(
        "pad: {type: switch, device: {terminal: space}}",
        f"pad: {{type: pressure, device: {{{device}}}, above: {{on: 10 Pa, full: 90 Pa}}}}",
    )
    profile = load(write(text.replace("input: pad", "input: pad.above")))
    assert profile.devices["pad"] == made
    assert settings_of(profile.plan.inputs["pad"]).ends == (ends if ends is None else pytest.approx(ends))


def test_a_sensor_at_its_end_reads_the_end_to_the_last_bit(write):
    """Saturation is told by comparing with the ends, so both must come out of the same arithmetic."""
    for reads in range(1, 40):
        text = LITTLE.replace(
            "pad: {type: switch, device: {terminal: space}}",
            f'pad: {{type: pressure, device: {{serial: "*", calibrate: [{{reads: {reads}, is: 0.3 inH2O}}, '
            "{reads: 3600.7, is: 10 cmH2O}], range: {lowest: 0.1, highest: 4095}}, above: {on: 10 Pa, full: 90 Pa}}",
        )
        profile = load(write(text.replace("input: pad", "input: pad.above")))
        reading = Reading("pad", profile.devices["pad"], is_switch=False)
        ends = tuple(reading.sample(said).pascal for said in ("0.1", "4095"))
        assert settings_of(profile.plan.inputs["pad"]).ends == ends


def test_pointer_and_midi_defaults_are_those_of_the_conditioning(write):
    for device, default in (
        ('pointer, device: {evdev: "*"}', PointerSettings()),
        ('midi, device: {midi: "*"}', MidiSettings()),
    ):
        profile = load(write(LITTLE.replace("switch, device: {terminal: space}", device)))
        assert settings_of(profile.plan.inputs["pad"]) == default


def test_a_rule_cannot_change_its_settings(write):
    """Two engines are made from one plan: what one did to the settings, the other would see."""
    make = load(write(LITTLE)).plan.parts[0].rules[0].make
    with pytest.raises(TypeError):
        settings_of(make)["octave"] = 5


@pytest.mark.parametrize("word", ["yes", "Yes", "true", "TRUE", "on", '"yes"'])
def test_yes_in_every_form(write, word):
    text = LITTLE.replace("{terminal: space}", f'{{evdev: "*", key: BTN_0, grab: {word}}}')
    assert load(write(text)).devices["pad"].grab is True


@pytest.mark.parametrize("word", ["no", "NO", "false", "off"])
def test_no_in_every_form(write, word):
    text = LITTLE.replace("{terminal: space}", f'{{evdev: "*", key: BTN_0, grab: {word}}}')
    assert load(write(text)).devices["pad"].grab is False


@pytest.mark.parametrize("name", ["on", "no", "yes", "y", "null", "off"])
def test_names_stay_as_they_are_written(write, name):
    """Plain YAML loading makes yes and no of them."""
    profile = load(write(LITTLE.replace("pad", name)))
    assert list(profile.types) == [name]


def test_numbers_are_read_as_people_read_them(write):
    text = LITTLE.replace("port: synth", "port: synth, channel: 010")
    assert load(write(text)).plan.parts[0].route.channel == 10  # not 8, as YAML 1.1 would have it


# --- the shipped ones, and finding them -------------------------------------------------------------------------


def test_every_shipped_profile_is_fine():
    files = sorted(shipped().glob("*.yaml"))
    assert len(files) >= 8
    for file in files:
        assert check(file) == [], file
        assert load(file).child == file.stem


def test_find_by_the_childs_name():
    assert find("wren") == shipped() / "wren.yaml"


def test_find_leaves_paths_alone(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("wren").write_text("a file of that name comes first")
    assert find("wren") == Path("wren")
    assert find("nothing/of/the/kind") == Path("nothing/of/the/kind")
    assert find("other.yaml") == Path("other.yaml")


def test_find_says_which_there_are():
    with pytest.raises(ProfileError) as caught:
        find("wern")
    assert 'there is no file and no shipped profile called "wern"' in str(caught.value)
    assert 'Did you mean "wren"?' in str(caught.value)


# --- files that are no profiles ---------------------------------------------------------------------------------


def only(problems: list[Problem]) -> Problem:
    assert len(problems) == 1, problems
    return problems[0]


def test_a_missing_file(tmp_path, write):
    write(LITTLE)
    problem = only(check(tmp_path / "wern.yaml"))
    assert (problem.line, problem.column, problem.message) == (1, 1, "there is no such file")
    assert problem.hint == f'Did you mean "{tmp_path / "wren.yaml"}"?'


def test_a_folder(tmp_path, write):
    write(LITTLE)
    assert str(only(check(tmp_path))) == (
        f"{tmp_path}:1:1: this is a folder, not a profile\nName a file in it: wren.yaml."
    )


def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.yaml")
    assert only(check(tmp_path / "pipe.yaml")).message == "this is not an ordinary file"


def test_a_device_is_not_read():
    assert only(check("/dev/zero")).message == "this is not an ordinary file"


def test_a_file_that_may_not_be_read(write, monkeypatch):
    path = write(LITTLE)

    def refuse(*_args, **_kwargs):  # root, as which tests may run, may read every file
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    assert only(check(path)).message == "this file may not be read"


@pytest.mark.parametrize("name", ["a\0b.yaml", "x" * 5000 + ".yaml"])
def test_a_name_that_no_file_can_have(name):
    assert only(check(name)).line == 1


def test_a_name_that_cannot_be_printed(tmp_path):
    path = os.fsencode(tmp_path) + b"/\xff\xfe.yaml"
    Path(os.fsdecode(path)).write_text("child: [")
    assert check(os.fsdecode(path))


def test_too_large(write):
    assert "too large" in only(check(write(LITTLE + "#" * source.LARGEST))).message
    assert check(write(LITTLE + "#" * (source.LARGEST - len(LITTLE)))) == []


def test_too_many_values(write):
    problem = only(check(write("a: [" + "1, " * source.MOST + "1]")))
    assert "more than a profile can hold" in problem.message


def test_a_chain_of_anchors_costs_nothing(write):
    chain = "a: &a [x, x, x, x, x, x, x, x, x]\n"
    names = "abcdefghi"
    chain += "".join(f"{new}: &{new} [{', '.join([f'*{old}'] * 9)}]\n" for old, new in itertools.pairwise(names))
    problems = check(write(chain))
    assert any(problem.message == 'a text that begins with "&" must stand in quotes' for problem in problems)


@pytest.mark.parametrize("sign", ["[", "{", "- ", "? "])
def test_depth_is_bounded(write, sign):
    problems = check(write(sign * 50_000))
    assert "nested too deeply" in only(problems).message


# --- positions --------------------------------------------------------------------------------------------------


def places(node: Node) -> list[tuple[Place, str]]:
    if isinstance(node, Text):
        return [(node.place, node.text)]
    if isinstance(node, Items):
        return [(node.place, "[")] + [place for item in node.items for place in places(item)]
    return [(node.place, "{")] + [
        place for name in node.keys for place in [(node.keys[name].place, name), *places(node.values[name])]
    ]


def test_both_readers_give_the_same_tree(monkeypatch):
    for file in [*shipped().glob("*.yaml"), *GOLDEN_PROFILES.glob("fine*.yaml")]:
        trees = []
        for reader in (source.FAST, source.PATIENT):
            monkeypatch.setattr(source, "FAST", reader)
            trees.append(loading.read(file, Report(str(file), schema.FORM)))
        assert trees[0] == trees[1], file


def test_every_text_stands_where_its_place_says(write):
    report = Report("", schema.FORM)
    tree = loading.read(write(WHOLE), report)
    assert isinstance(tree, Entries)
    for place, text in places(tree):
        there = report.lines[place.line - 1][place.column - 1 :]
        if text not in ("[", "{", "") and "\n" not in text:
            assert there.startswith((text, f'"{text}"', f"'{text}'")), (place, text)


def test_columns_count_characters_not_bytes(write):
    text = LITTLE.replace("child: wren", "child: wren\nabout: \u00e4\u00f6\U0001f3b5, \u6b4c").replace(
        "{midi: ", "{\u00fc: 1, midi: "
    )
    problem = only(check(write(text)))
    line = text.splitlines()[problem.line - 1]
    assert line[problem.column - 1] == "\u00fc"


def test_the_caret_stands_below_the_mistake():
    """Also behind wide letters (two columns each) and combining ones (none), and in the middle of a long line."""
    problem = Problem("f", 1, 6, "m", "", "\u6b4c\u6b4ca\u0301 x", 1)
    _, line, caret = str(problem).splitlines()
    assert caret.index("^") - caret.index("|") == len("| ") + 2 + 2 + 1 + 0 + 1
    assert line.endswith("x")
    for at in (0, 50, 150, 299):
        long = "." * at + "X" + "." * (299 - at)
        _, line, caret = str(Problem("f", 1, at + 1, "m", "", long, 1)).splitlines()
        assert line[caret.index("^")] == "X"
        assert len(line) < 120


def test_wide_letters_do_not_push_the_mistake_out_of_sight():
    text = "\u6b4c" * 90 + "X"
    _, line, caret = str(Problem("f", 1, 91, "m", "", text, 1)).splitlines()
    assert line.endswith("X")
    assert caret.endswith("^")


# --- patterns for a sensor's line -------------------------------------------------------------------------------


# --- quantities -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "text", "meant"),
    [
        # German and sol-fa names of notes: common practice, no source
        ("pitch", "H3", "B3"),
        ("pitch", "Fis4", "F#4"),
        ("pitch", "Es4", "Eb4"),
        ("pitch", "As2", "Ab2"),
        ("pitch", "sol4", "G4"),
        ("key", "Cis", "C#"),
        ("key", "La", "A"),
    ],
)
def test_notes_by_other_names_are_refused_with_the_right_one(kind, text, meant):
    with pytest.raises(quantities.QuantityError) as caught:
        quantities.read(kind, text)
    assert f'Did you mean "{meant}"?' in caught.value.hint


def test_no_number_is_too_long_to_be_refused():
    rng = random.Random(1)
    for kind in quantities.KINDS:
        for length in (30, 300, 5000, 50_000):
            with pytest.raises(quantities.QuantityError):
                quantities.read(kind, "".join(rng.choice("0123456789") for _ in range(length)))


@pytest.mark.parametrize("place", ["child: lark", "76 bpm", "major pentatonic"])
@pytest.mark.parametrize("sign", ["a", "1 ", " ", "- ", "a: ", "{", "'", "\\", "#", "é"])
def test_a_line_four_times_as_long_takes_no_sixteen_times_as_long_to_refuse(tmp_path, place, sign):
    """An expression of ours that goes back and tries again would hold the interpreter's lock,
    and every seat with it.
    """

    def cost(length):
        file.write_text(good.replace(place, f"{place} {(sign * length)[:length]}!: x", 1), encoding="utf-8")
        begun = time.thread_time_ns()
        check(file)
        return time.thread_time_ns() - begun

    file, good = tmp_path / "lark.yaml", (shipped() / "lark.yaml").read_text(encoding="utf-8")
    assert place in good
    floor = min(cost(10) for _ in range(3))
    assert min(cost(16_000) for _ in range(3)) < 8 * max(floor, min(cost(4_000) for _ in range(3)))
