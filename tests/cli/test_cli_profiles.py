"""The commands check, new and rules, and the frame that all commands stand in."""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import router
from router.cli import COMMANDS, devices, main, new
from router.core.rules import RULES
from router.devices.descriptions import TerminalKey
from router.files import manual
from router.files.profile import check, load, shipped
from tests.shared.places import GOLDEN_PROFILES

FROM_THE_CHECKOUT = {**os.environ, "PYTHONPATH": str(Path(router.__file__).parents[1])}
"""These tests stand in a folder of their own, and a checkout need not be installed."""

TYPES = ("switch", "pressure", "pointer", "midi", "listen")


@pytest.fixture(autouse=True)
def somewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def process(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", *arguments],
        capture_output=True,
        text=True,
        check=False,
        env=FROM_THE_CHECKOUT | environment,
    )


# --- the frame --------------------------------------------------------------------------------------------------


def test_help_names_every_command(capsys):
    assert main(["--help"]) == 0
    said = capsys.readouterr().out
    assert all(f"  {name} " in said for name in COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help_with_an_example(name, capsys):
    with pytest.raises(SystemExit) as left:
        main([name, "--help"])
    assert left.value.code == 0
    assert f"Example:\n  router {name}" in capsys.readouterr().out


def test_no_command_is_wrong_usage(capsys):
    assert main([]) == 2
    assert "usage: router COMMAND" in capsys.readouterr().err


def test_an_unknown_command(capsys):
    assert main(["chek"]) == 2
    assert 'Did you mean "router check"?' in capsys.readouterr().err


def test_version(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("router ")


def test_wrong_arguments_are_wrong_usage():
    for arguments in (["check"], ["check", "--loud", "x"], ["new"], ["new", "wren"], ["rules", "a", "b"]):
        with pytest.raises(SystemExit) as left:
            main(arguments)
        assert left.value.code == 2


def test_a_missing_profile_is_told_by_every_command_that_reads_one(capsys):
    for arguments in (["run", "nobody"], ["play", "x.jsonl", "--profile", "nobody"], ["check", "nobody"]):
        assert main(arguments) == 1
        out, err = capsys.readouterr()
        assert 'no shipped profile called "nobody"' in out + err


def test_check_new_and_rules_need_nothing_of_linux_alone():
    """They run on the therapist's own laptop, whatever it is."""
    script = (
        "import platform, sys; platform.system = lambda: 'another'; "
        "from router.cli import main; main(['check', 'wren']); main(['rules']); main(['new', 'wren', "
        "'--input', 'a=switch']);"
        "print(sorted({'evdev', 'rtmidi', 'serial', 'fluidsynth', 'mido', 'structlog', 'termios', 'tty', "
        "'fcntl'} & set(sys.modules)))"
    )
    assert process("-c", script).stdout.splitlines()[-1] == "[]"


def test_a_closed_pipe_is_no_mistake():
    read, write = os.pipe()
    os.close(read)
    try:
        ended = subprocess.run(
            [sys.executable, "-m", "router", "rules"],
            stdout=write,
            stderr=subprocess.PIPE,
            check=False,
            env=FROM_THE_CHECKOUT,
        )
    finally:
        os.close(write)
    assert ended.stderr == b""


def test_a_terminal_without_letters_beyond_ascii(tmp_path):
    (tmp_path / "wren.yaml").write_text("child: \u6b4c\n", encoding="utf-8")
    ended = process("-m", "router", "check", "wren.yaml", PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert ended.returncode == 1
    assert ended.stderr == ""


# --- check ------------------------------------------------------------------------------------------------------


def test_check_spells_the_key_as_musicians_do(tmp_path, capsys):
    text = (shipped() / "wren.yaml").read_text(encoding="utf-8")
    for key, scale, said in (("Ab", "minor", "G# minor"), ("C#", "major", "Db major"), ("E", "major", "E major")):
        path = tmp_path / "wren.yaml"
        path.write_text(text.replace("key: D, scale: major", f"key: {key}, scale: {scale}"), encoding="utf-8")
        assert main(["check", str(path)]) == 0
        assert f"wren plays in {said}, at 84 bpm in 4/4." in capsys.readouterr().out


def test_check_a_good_profile(capsys):
    assert main(["check", "wren"]) == 0
    said = capsys.readouterr().out
    assert said.startswith(f"{shipped() / 'wren.yaml'}: fine\n")
    assert "wren plays in D major, at 84 bpm in 4/4." in said
    assert "room" not in said
    assert "each press of finger" in said
    assert "not a medical device" in said
    assert "breathing circuit" in said
    assert len(said.splitlines()) <= 24, "one screen"


@pytest.mark.parametrize(
    ("name", "said"),
    [("heron", "its tempo and its key, scale and chords, those hold"), ("goldcrest", "its tempo, those hold")],
)
def test_check_says_what_is_followed_of_the_room(name, said, capsys):
    assert main(["check", name]) == 0
    assert f"Where the room says {said} instead." in capsys.readouterr().out


def test_check_tells_each_movement_in_words(capsys):
    main(["new", "wren", "--input", "pad=switch", "cheek=pressure", "head=pointer", "keys=midi"])
    main(["check", "wren.yaml"])
    said = capsys.readouterr().out
    for words in (
        "each press of pad",
        "each puff, squeeze or bite on cheek",
        "each zone that head stays in",
        "each key of keys",
    ):
        assert words in said


def test_check_several_files_says_all_problems(capsys):
    files = [GOLDEN_PROFILES / "unit_missing.yaml", shipped() / "wren.yaml", GOLDEN_PROFILES / "several_at_once.yaml"]
    assert main(["check", *map(str, files)]) == 1
    said = capsys.readouterr().out
    starts = [line for line in said.splitlines() if line.startswith(str(GOLDEN_PROFILES))]
    assert [line.split(": ")[0] for line in starts] == [
        f"{files[0]}:15:15",
        *(f"{files[2]}:{place}" for place in ("5:24", "15:15", "21:33", "30:36")),
    ]
    assert f"{files[1]}: fine" in said
    assert said.endswith("5 problems.\n")


def test_check_as_json(capsys):
    file = GOLDEN_PROFILES / "unit_missing_tempo.yaml"
    assert main(["check", "--json", str(file), "wren"]) == 1
    assert json.loads(capsys.readouterr().out) == [
        {
            "file": str(file),
            "line": 5,
            "column": 49,
            "message": 'a tempo needs a unit: "84"',
            "hint": 'Did you mean "84 bpm"?',
        }
    ]
    assert main(["check", "--json", "wren"]) == 0
    assert capsys.readouterr().out == "[]\n"


def test_check_as_a_process():
    ended = process("-m", "router", "check", str(GOLDEN_PROFILES / "tab.yaml"))
    assert ended.returncode == 1
    assert ended.stdout.startswith(f"{GOLDEN_PROFILES / 'tab.yaml'}:15:1: this line begins with a tab\n")
    assert ended.stderr == ""


# --- new --------------------------------------------------------------------------------------------------------


@pytest.fixture(autouse=True)
def nothing_plugged_in(monkeypatch):
    """What is plugged into the machine that runs the tests makes no difference."""
    monkeypatch.setattr(new, "plugged", dict)


COMBINATIONS = [types for count in (1, 2, 3) for types in itertools.combinations_with_replacement(TYPES, count)]


@pytest.mark.parametrize("types", [*COMBINATIONS, TYPES, TYPES * 3, ("switch",) * 15], ids="-".join)
def test_every_new_profile_checks(types):
    inputs = [f"{kind}{number}={kind}" for number, kind in enumerate(types)]
    assert main(["new", "wren", "--input", *inputs]) == 0
    assert check("wren.yaml") == []
    profile = load("wren.yaml")
    assert list(profile.types.values()) == list(types)
    assert len({part.route for part in profile.plan.parts}) == len(types), "each part has a channel of its own"


@pytest.mark.parametrize("kind", TYPES)
def test_each_line_that_is_offered_instead_checks_too(kind):
    """Every remark that holds a setting can be used by taking its # away."""
    main(["new", "wren", "--input", f"it={kind}"])
    lines = Path("wren.yaml").read_text(encoding="utf-8").splitlines()
    offers = [n for n, line in enumerate(lines) if line.lstrip().startswith(("# device:", "# below:", "# synth:"))]
    assert offers
    for offer in offers:
        name = lines[offer].lstrip("# ").partition(":")[0]
        changed = [line for line in lines if not line.lstrip().startswith(f"{name}:")]
        changed[changed.index(lines[offer])] = lines[offer].replace("# ", "", 1)
        Path("changed.yaml").write_text("\n".join(changed), encoding="utf-8")
        assert check("changed.yaml") == [], lines[offer]


NOTHING: dict[str, list[str]] = {}
PLUGGED = {
    "switch": ['{evdev: "USB Switch", key: KEY_F1}', '{evdev: "Desk Keyboard", key: KEY_SPACE, grab: no}'],
    "pressure": ['{serial: "usb-Sensor_1", unit: Pa}'],
    "midi": ['{midi: "Keys"}'],
}


@pytest.mark.parametrize("there", [NOTHING, PLUGGED], ids=["nothing plugged in", "something plugged in"])
@pytest.mark.parametrize(
    "types", [("switch",), ("switch",) * 4, *[(kind,) for kind in TYPES], ("pressure", "pressure")]
)
def test_new_writes_no_device_that_a_headless_pc_has_not(monkeypatch, there, types):
    monkeypatch.setattr(new, "plugged", lambda: {kind: [*found] for kind, found in there.items()})
    assert main(["new", "wren", "--input", *(f"it{n}={kind}" for n, kind in enumerate(types))]) == 0
    assert check("wren.yaml") == []
    devices = list(load("wren.yaml").devices.values())
    assert [device for device in devices if isinstance(device, TerminalKey)] == []
    text = Path("wren.yaml").read_text(encoding="utf-8")
    for kind in set(types) - {"listen"}:
        for found in there.get(kind, [])[: types.count(kind)]:
            assert f"    device: {found}    # plugged in now\n" in text
    if set(types) - {"listen"}:
        assert '"router devices"' in text


def test_new_offers_the_other_devices_that_are_there(monkeypatch):
    monkeypatch.setattr(new, "plugged", lambda: {"switch": [*PLUGGED["switch"]]})
    main(["new", "wren", "--input", "pad=switch"])
    text = Path("wren.yaml").read_text(encoding="utf-8")
    assert '    # device: {evdev: "Desk Keyboard", key: KEY_SPACE, grab: no}    # plugged in, too\n' in text


@pytest.mark.parametrize(
    ("keys", "held", "device"),
    [
        (["KEY_F1"], [], '{evdev: "It", key: KEY_F1}'),
        (["KEY_A", "KEY_SPACE"], [], '{evdev: "It", key: KEY_SPACE}'),
        (["KEY_A", "KEY_SPACE"], ["KEY_A"], '{evdev: "It", key: KEY_A}'),  # somebody shows which
        (["BTN_LEFT", "KEY_A"], [], '{evdev: "It", key: BTN_LEFT}'),
        ([f"KEY_F{n}" for n in range(50)], [], '{evdev: "It", key: KEY_F0, grab: no}'),
        (["KEY_POWER"], [], None),  # of the PC's case
        (["KEY_VOLUMEUP", "KEY_MUTE"], [], None),
        (["unknown 5"], [], None),
    ],
)
def test_which_key_of_what_is_plugged_in(monkeypatch, keys, held, device):
    entry = {"profile": "device: {}", "type": "switch", "about": "", "device": "It", "keys": keys, "held": held}
    monkeypatch.setattr(devices, "_evdev", lambda kind: kind.found.append(entry))
    monkeypatch.setattr(devices, "_lines", lambda _: None)
    monkeypatch.setattr(devices, "_midi_in", lambda _: None)
    assert devices.plugged().get("switch", [None]) == [device]


def test_new_leaves_what_is_there(capsys):
    Path("wren.yaml").write_text("precious")
    assert main(["new", "wren", "--input", "pad=switch"]) == 1
    assert Path("wren.yaml").read_text() == "precious"
    assert "wren.yaml is there already" in capsys.readouterr().err


def test_new_writes_where_it_is_told(capsys):
    assert main(["new", "song-thrush", "--input", "switch", "--out", "other.yaml"]) == 0
    assert load("other.yaml").child == "song-thrush"
    assert load("other.yaml").types == {"switch": "switch"}
    assert "router run other.yaml" in capsys.readouterr().out


def test_new_in_a_folder_that_is_not_there(capsys):
    assert main(["new", "wren", "--input", "pad=switch", "--out", "no/such/wren.yaml"]) == 1
    assert capsys.readouterr().err == "router new: no/such/wren.yaml cannot be written: no such file or directory\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["wren", "--input", "pad=swich"], 'Did you mean "switch"?'),
        (["wren", "--input", "pad=button"], "The types: switch, pressure, pointer, midi, listen."),
        (["wren", "--input", "pad"], 'there is no type of input called "pad"'),
        (["wren", "--input", "=switch"], "cannot be the name of an input"),
        (["wren", "--input", "Left Foot=switch"], 'Did you mean "left-foot"?'),
        (["wren", "--input", "a=switch", "a=midi"], '"a" is named twice'),
        (["Wren Meadow", "--input", "a=switch"], 'Did you mean "wren-meadow"?'),
        (["../wren", "--input", "a=switch"], "cannot be a pseudonym"),
        (["wren", "--input", *(f"a{n}=switch" for n in range(16))], "16 inputs are too many"),
    ],
)
def test_new_with_wrong_words(arguments, said, capsys):
    assert main(["new", *arguments]) == 2
    assert said in capsys.readouterr().err
    assert not list(Path().iterdir())


def test_new_names_the_schema_where_an_editor_finds_it(tmp_path):
    (tmp_path / "schemas").mkdir()
    (tmp_path / "schemas" / "profile.schema.json").write_text("{}")
    (tmp_path / "profiles").mkdir()
    main(["new", "wren", "--input", "pad=switch", "--out", "profiles/wren.yaml"])
    main(["new", "wren", "--input", "pad=switch", "--out", "wren.yaml"])
    line = "# yaml-language-server: $schema=../schemas/profile.schema.json\n"
    assert Path("profiles/wren.yaml").read_text().startswith(line)
    assert not Path("wren.yaml").read_text().startswith(line)


# --- rules ------------------------------------------------------------------------------------------------------


def test_rules_lists_all(capsys):
    assert main(["rules"]) == 0
    said = capsys.readouterr().out
    assert all(f"{name} " in said for name in RULES)


@pytest.mark.parametrize("name", RULES)
def test_rules_explains_each(name, capsys):
    assert main(["rules", name]) == 0
    said = capsys.readouterr().out
    assert all(f"  {setting} " in said for setting in RULES[name].settings["properties"])
    assert "Example:\n  rules:\n" in said
    assert "`" not in said


def test_rules_as_json(capsys):
    assert main(["rules", "--json"]) == 0
    rules = json.loads(capsys.readouterr().out)
    assert [rule["name"] for rule in rules] == list(RULES)
    assert main(["rules", "note", "--json"]) == 0
    (rule,) = json.loads(capsys.readouterr().out)
    assert rule["takes"] == ["presses"]
    assert {"name": "octave", "needed": False, "takes": "a whole number from -1 to 9", "default": 4}.items() <= rule[
        "settings"
    ][1].items()


def test_rules_of_an_unknown_name(capsys):
    assert main(["rules", "cord"]) == 1
    assert 'Did you mean "chord"?' in capsys.readouterr().err


@pytest.mark.parametrize("name", RULES)
def test_each_rules_example_checks_as_part_of_a_profile(name):
    """Through the same schema, conversions and order of rules as any profile."""
    shown = manual.example(RULES[name])
    for heard, listens in (
        ("type: switch, device: {terminal: space}", "it"),
        ('type: pointer, device: {evdev: "*"}', "it"),
        ('type: pointer, device: {evdev: "*"}', "[it, it.x]"),
        ("type: switch, device: {terminal: space}}, call: {type: listen, seat: anybody", "[it, call]"),
    ):
        lines = [
            f"inputs: {{it: {{{heard}}}}}",
            "parts:",
            "  tune:",
            f"    input: {listens}",
            *(f"    {line}" for line in shown.splitlines()),
        ]
        output = f"    output: {{port: synth, channel: {10 if name in ('drum', 'drums') else 1}}}"
        songs, limits = 'songs: {evening: {abc: "K:D\\nDEFG A2A2"}}', "limits: {note_length: 60 s}"
        beside = {"song": [songs], "contingent": [limits]}.get(name, [])
        profile = ["profile: 1", "child: wren", *beside, *lines, output, 'outputs: {synth: {midi: "*"}}']
        Path("example.yaml").write_text("\n".join(profile), encoding="utf-8")
        problems = check("example.yaml")
        if not problems:
            return
    pytest.fail("\n".join(map(str, problems)))
