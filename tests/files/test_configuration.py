"""The configuration of a PC: what is read, what holds when nothing is written, and the files
that are made from its schema.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import textwrap
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator

from router.cli import main
from router.core.balance import RoomLimits
from router.core.engine import TEMPO, Engine
from router.core.events import SwitchSample
from router.core.harmony import Progression
from router.core.ledger import Limits
from router.core.midi import NOTE_ON
from router.core.music import SCALES, Music, Span, TimeSignature, chord_symbol
from router.core.units import NANOSECONDS
from router.devices.descriptions import EvdevSwitch, Instrument, MidiInDevice, MidiPort, SerialDevice
from router.files import configuration, declared, profile, reference
from router.files.configuration import (
    DEFAULT,
    Button,
    Folders,
    Keeping,
    Ports,
    ProgramChange,
    SeatPlan,
    capped,
    check,
    load,
    schema,
)
from router.files.configuration.form import form_of
from router.files.configuration.publish import published
from router.files.profile import ProfileError, data, shipped
from router.files.profile.schema import DEVICES, INPUTS, LIMITS, OUTPUTS, PART, PROFILE
from router.room.lead import Leading
from router.room.room import KEY, SCALE, RoomPlan
from router.room.turns import TurnPlan
from tests.shared.editor import Editor, words
from tests.shared.places import GOLDEN_CONFIGURATIONS, GOLDEN_PROFILES, ROOT

SCHEMA = data("schemas") / "configuration.schema.json"
EXAMPLE = ROOT / "systemd" / "router.yaml"
DAY = 24 * 60 * 60 * NANOSECONDS


@pytest.fixture
def written(tmp_path):
    """Writes a configuration, whose first line is there already."""

    def write(text: str) -> Path:
        path = tmp_path / "router.yaml"
        path.write_text(f"configuration: 1\n{text}", encoding="utf-8")
        return path

    return write


# --- what is read -----------------------------------------------------------------------------------------------


def test_everything_that_can_be_written():
    path = GOLDEN_CONFIGURATIONS / "fine.yaml"
    assert load(path) == configuration.Configuration(
        path,
        Folders(
            Path("/var/lib/router/profiles"),
            Path("/var/lib/router/state"),
            Path("/var/lib/router/records"),
            Path("/run/router"),
        ),
        (
            SeatPlan("bed", Path("/srv/music/bed"), "wren", "folder", ("wren", "lark", "finch")),
            SeatPlan("window", Path("/var/lib/router/profiles/window"), None, "file", ()),
        ),
        {"synth": MidiPort("*Synth*", active_sensing=True), "box": Instrument(None, 0.5)},
        True,
        (
            Button("hush", EvdevSwitch("*Keypad*", "KEY_ESC"), NANOSECONDS, "panic", None),
            Button("further", EvdevSwitch("*Keypad*", "KEY_RIGHT"), 0, "next", "bed"),
            Button("cue", SerialDevice("*button*"), 0, "mark", None),
        ),
        ProgramChange(MidiInDevice("*Keyboard*"), 16),
        "router",
        Keeping(90 * DAY, 500, True),
        Limits(90, 90, 8, 10 * NANOSECONDS, 16),
    )


def test_what_holds_when_nothing_is_written(written):
    (seat,) = DEFAULT.seats
    assert seat == SeatPlan("bed", DEFAULT.folders.profiles, None, "folder", ())
    assert (DEFAULT.outputs, DEFAULT.buttons, DEFAULT.program_change, DEFAULT.control_group) == ({}, (), None, None)
    assert (DEFAULT.chime, DEFAULT.records, DEFAULT.limits) == (True, Keeping(90 * DAY, 500, True), None)
    assert (DEFAULT.room, DEFAULT.ports) == (RoomPlan(), Ports())
    path = written("")
    assert load(path) == replace(DEFAULT, path=path)


def test_headings_with_nothing_under_them_are_as_good_as_none():
    path = GOLDEN_CONFIGURATIONS / "fine_headings_with_nothing_under_them.yaml"
    assert replace(load(path), limits=None) == replace(DEFAULT, path=path)


@pytest.mark.parametrize(
    ("seats", "folders"),
    [
        ("{bed: }", ["/srv/music"]),
        ("{bed: {folder: /srv/one}}", ["/srv/one"]),
        ("{bed: , window: }", ["/srv/music/bed", "/srv/music/window"]),
        ("{bed: {folder: /srv/music}, window: }", ["/srv/music", "/srv/music/window"]),
    ],
)
def test_where_the_profiles_of_a_seat_are(written, seats, folders):
    found = load(written(f"folders: {{profiles: /srv/music}}\nseats: {seats}\n"))
    assert [seat.folder for seat in found.seats] == [Path(folder) for folder in folders]


def test_records_that_are_kept_for_ever():
    assert load(GOLDEN_CONFIGURATIONS / "fine_records_for_ever.yaml").records == Keeping(None, None, notes=False)


def test_two_weeks_are_fourteen_days(written):
    assert load(written("records: {keep: 2 weeks}")).records.keep == 14 * DAY


def test_a_configuration_does_not_change():
    with pytest.raises(AttributeError):
        DEFAULT.chime = False


def test_what_is_wrong_is_raised_with_every_problem():
    with pytest.raises(ProfileError) as raised:
        load(GOLDEN_CONFIGURATIONS / "several_mistakes.yaml")
    assert len(raised.value.problems) == 8


def test_a_missing_file_says_which_was_probably_meant(written):
    path = written("")
    (problem,) = check(path.with_name("ruoter.yaml"))
    assert problem.message == "there is no such file"
    assert str(path) in problem.hint


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("latin", b"configuration: 1\n# f\xfcr das Zimmer\n", "not saved as UTF-8"),
        ("utf16", "configuration: 1\n".encode("utf-16"), "a configuration is UTF-8"),
        ("binary", bytes(range(256)) * 20, "not a text file"),
        ("large", b"configuration: 1\n#" + b"x" * 300_000, "too large for a configuration"),
        ("deep", b"configuration: 1\nseats: " + b"{a: " * 40, "nested too deeply"),
        ("long", b"configuration: 1\nseats: [" + b"a, " * 12_000 + b"]\n", "more than a configuration can hold"),
    ],
)
def test_bytes_that_are_no_configuration(tmp_path, name, data, says):
    path = tmp_path / f"{name}.yaml"
    path.write_bytes(data)
    assert says in check(path)[0].message


def test_a_folder_is_no_configuration(tmp_path):
    assert check(tmp_path)[0].message == "this is a folder, not a configuration"


# --- playing together -------------------------------------------------------------------------------------------


def test_everything_that_can_be_written_about_playing_together():
    found = load(GOLDEN_CONFIGURATIONS / "fine_together.yaml")
    assert found.room == RoomPlan(
        Music(2, SCALES["major"], Fraction(96), TimeSignature(3, 4)),
        frozenset({TEMPO, KEY, SCALE}),
        Progression(tuple(map(chord_symbol, ("D", "Bm", "G", "A7/C#"))), Span(bars=1)),
        Leading(chord=True, key=True, channel=1, hold=67),
        TurnPlan(3 * NANOSECONDS, 10 * NANOSECONDS, 40 * NANOSECONDS),
        RoomLimits(24, 1200),
        {20: "window"},
        {"window": 0.8},
    )
    assert found.ports == Ports(
        MidiInDevice("*Keys*"), MidiPort("*Synth*"), 1, MidiInDevice("*Drum*", clock=True), MidiPort("*Sequencer*")
    )
    bed, window = found.seats
    assert (bed.channels, bed.devices) == ((3, 2), {"pad": "*right*", "cheek": "*squeeze*"})
    assert (window.channels, window.devices, window.level, window.fader) == ((), {}, 0.8, 20)
    assert [button.does for button in found.buttons] == ["tap"]


@pytest.mark.parametrize(
    ("music", "says"),
    [
        ("{}", set()),
        ("{key: D}", {KEY}),
        ("{scale: minor}", {SCALE}),
        ("{tempo: 84 bpm, time_signature: 3/4}", {TEMPO}),
        ("{progression: {chords: [D, G], every: 4 s}}", set()),
        ("{progression: {chords: [D, 4], every: 4 s}}", {KEY, SCALE}),  # a step of the room's scale
    ],
)
def test_a_room_says_only_what_stands_there(written, music, says):
    assert load(written(f"room: {{music: {music}}}")).room.says == says


def test_beats_are_those_of_the_tempo_that_is_tapped():
    found = load(GOLDEN_CONFIGURATIONS / "fine_room_that_only_taps.yaml").room
    assert (found.music.time_signature, found.says) == (TimeSignature(3, 4), {KEY, SCALE})


@pytest.mark.parametrize("page", ["systemd/README.md", "profiles/README.md"])
def test_every_example_of_a_configuration_on_a_page_is_right(page, written):
    text = (ROOT / page).read_text(encoding="utf-8")
    examples = [textwrap.dedent(found[2]) for found in re.finditer(r"(?ms)^( *)```yaml\n(.*?)^\1```", text)]
    assert len(examples) == (4 if page.startswith("systemd") else 0)
    for example in examples:
        path = written(example.removeprefix(f"configuration: {schema.VERSION}\n"))
        assert list(map(str, check(path))) == []


@pytest.mark.parametrize(
    ("leads", "leading"),
    [("chords", Leading()), ("key", Leading(chord=False, key=True)), ("both", Leading(key=True)), ("no", None)],
)
def test_what_a_keyboard_leads_in(written, leads, leading):
    found = load(written(f'room: {{keyboard: {{midi: "*Keys*", leads: {leads}, output: {{instrument: default}}}}}}'))
    assert found.room.leading == leading
    assert (found.ports.keyboard, found.ports.keyboard_to) == (MidiInDevice("*Keys*"), Instrument(None, 0.4))


def test_check_says_what_is_shared(capsys):
    assert main(["check", str(GOLDEN_CONFIGURATIONS / "fine_together.yaml")]) == 0
    said = capsys.readouterr().out
    for words_of in (
        "plays on the channels 3, 2",
        'pad is the device "*right*"',
        "is 80 % loud at first, then by controller 20 of the keyboard",
        "Who follows the room has the key D, the scale major, 96 bpm in 3/4, the chords D Bm G A7/C#",
        'the clock of "*Drum*", the chords and the key of the keyboard.',
        'The keyboard is "*Keys*", and what is played on it sounds at MIDI port "*Synth*".',
        '"*Sequencer*" is given our clock.',
        "The button pedal: a tap of the room's tempo.",
    ):
        assert words_of in said


def test_check_says_nothing_of_a_room_that_says_nothing(capsys):
    assert main(["check", str(GOLDEN_CONFIGURATIONS / "fine.yaml")]) == 0
    said = capsys.readouterr().out
    assert not re.search("follows|keyboard is|loud|plays on the channels", said)


# --- limits -----------------------------------------------------------------------------------------------------


LOW, MIDDLE, HIGH = (
    Limits(40, 30, 2, 2 * NANOSECONDS, 3),
    Limits(90, 80, 4, 10 * NANOSECONDS, 16),
    Limits(120, 110, 20, 60 * NANOSECONDS, 40),
)


@pytest.mark.parametrize(
    ("own", "comes_to"),
    [
        (LOW, LOW),
        (HIGH, MIDDLE),
        (replace(HIGH, velocity=40, note_length=NANOSECONDS), replace(MIDDLE, velocity=40, note_length=NANOSECONDS)),
    ],
)
def test_no_plan_goes_above_the_limits_and_none_is_raised_to_them(own, comes_to):
    plan = replace(profile.load(shipped() / "wren.yaml").plan, limits=own)
    assert capped(plan, MIDDLE) == replace(plan, limits=comes_to)


def test_without_limits_a_plan_stays_as_it_is():
    plan = profile.load(shipped() / "wren.yaml").plan
    assert capped(plan, None) is plan


def test_a_limit_that_is_left_out_limits_nothing(written):
    """Not even the most that a profile can ask for: so "velocity" alone does not cut volumes down."""
    highest = {name: wanted.get("maximum") for name, wanted in LIMITS["properties"].items()}
    most = load(written("limits: {velocity: 70}")).limits
    assert (most.velocity, most.volume, most.notes_at_once) == (70, highest["volume"], highest["notes_at_once"])
    assert (most.note_length, most.notes_per_second) == (600 * NANOSECONDS, highest["notes_per_second"])


def test_a_note_is_no_harder_than_the_pc_allows(tmp_path, written):
    path = tmp_path / "wren.yaml"
    path.write_text(reference.PROFILE.replace("limits: {velocity: 80}", "limits: {velocity: 120}"), encoding="utf-8")
    plan = profile.load(path).plan
    sounded = []
    for within in (plan, capped(plan, load(written("limits: {velocity: 40}")).limits)):
        engine = Engine(within)
        messages = [*engine.handle(SwitchSample("pad", True), 0), *engine.wake(NANOSECONDS)]
        sounded += [message.data[2] for message in messages if message.data[0] & 0xF0 == NOTE_ON]
        engine.stop(NANOSECONDS)
    assert len(sounded) == 2
    assert sounded[0] > 40
    assert sounded[1] == 40


# --- router check -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("file", sorted(GOLDEN_CONFIGURATIONS.glob("*.yaml")), ids=lambda file: file.stem)
def test_a_configuration_is_known_as_one(file):
    if file.stem in ("empty", "only_remarks", "a_list"):  # nothing in them says what they were to be
        return
    assert form_of(file) is schema.FORM


@pytest.mark.parametrize("file", sorted(GOLDEN_PROFILES.glob("*.yaml")), ids=lambda file: file.stem)
def test_a_profile_is_known_as_one(file):
    if file.stem == "not_a_profile":
        with pytest.raises(ProfileError, match="neither a profile nor a configuration"):
            form_of(file)
        return
    assert form_of(file).name == "profile"


def test_check_says_what_a_configuration_comes_to(capsys):
    assert main(["check", str(GOLDEN_CONFIGURATIONS / "fine.yaml")]) == 0
    said = capsys.readouterr().out
    for words_of in (
        "fine.yaml: fine",
        "bed: at first the profile of wren, then what is chosen or put into /srv/music/bed",
        "can be stepped through: wren, lark, finch",
        "The button hush: every sound ends when it is held for 1 s.",
        "The button further: the next child of the list plays at bed.",
        'goes to synth (MIDI port "*Synth*")',
        "kept for 90 days",
    ):
        assert words_of in said
    assert "not a medical device" not in said


def test_check_takes_profiles_and_configurations_together(capsys):
    assert (
        main(
            ["check", "wren", str(GOLDEN_CONFIGURATIONS / "fine.yaml"), str(GOLDEN_CONFIGURATIONS / "chime_loud.yaml")]
        )
        == 1
    )
    said = capsys.readouterr().out
    assert said.count(": fine") == 2
    assert '"loud" is neither yes nor no' in said
    assert said.endswith("1 problem.\n")


def test_check_says_once_that_a_file_is_neither(tmp_path, capsys):
    path = tmp_path / "letter.yaml"
    path.write_text("to: the ward\nsubject: music\nHow is it going?\n", encoding="utf-8")
    assert main(["check", str(path), "--json"]) == 1
    (problem,) = json.loads(capsys.readouterr().out)
    assert problem["message"] == "this is neither a profile nor a configuration"
    assert '"configuration: 1"' in problem["hint"]


@pytest.mark.parametrize("name", ["x" * 300 + ".yaml", "x" * 300, "folder/" + "x" * 300, "router.yaml/below"])
def test_check_of_what_cannot_be_a_file(name, written, monkeypatch, capsys):
    monkeypatch.chdir(written("").parent)
    assert main(["check", name]) == 1
    assert capsys.readouterr().out.startswith(f"{name}:1:1: ")


def test_check_of_a_folder_and_of_what_is_no_text(tmp_path, capsys):
    (tmp_path / "picture.yaml").write_bytes(bytes(range(256)) * 20)
    assert main(["check", str(tmp_path), str(tmp_path / "picture.yaml")]) == 1
    said = capsys.readouterr().out
    assert "this is a folder, not a profile\nName a file in it: picture.yaml." in said
    assert "this is not a text file" in said


# --- the files that are made from the schema ----------------------------------------------------------------------


def test_the_schema_is_current():
    module = [sys.executable, "-W", "error", "-m", "router.files.configuration.publish"]
    made = subprocess.run(module, capture_output=True, text=True, check=True, encoding="utf-8").stdout
    assert SCHEMA.read_text(encoding="utf-8") == made, (
        "run: python -m router.files.configuration.publish > schemas/configuration.schema.json"
    )


def test_the_schema_is_plain_json_schema():
    Draft202012Validator.check_schema(published())
    assert not words(published()) & {"quantity", "least", "most", "no", "spelling", "elsewhere"}


def marks(path: Path) -> list[str]:
    """What an editor marks in a file."""
    tree = yaml.load(path.read_text(encoding="utf-8"), Editor)
    return [error.message for error in Draft202012Validator(published()).iter_errors(tree)]


@pytest.mark.parametrize(
    "file", [*sorted(GOLDEN_CONFIGURATIONS.glob("fine*.yaml")), EXAMPLE], ids=lambda file: file.stem
)
def test_what_the_router_takes_an_editor_takes(file):
    assert marks(file) == []


MARKED = """
version_missing version_2 version_misspelt heading_misspelt heading_unknown folder_relative folder_misspelt
seat_name_with_capital seats_as_a_list seat_as_a_word seats_too_many seat_profile_is_a_file follow_misspelt
list_without_brackets list_with_a_file list_empty output_misspelt chime_loud button_without_device button_does_nothing
button_does_something_else button_of_a_terminal button_key_misspelt button_without_key button_held_without_unit
program_change_without_a_port program_change_channel_0 control_group_two_words control_as_a_word records_in_months
records_without_unit records_notes_misspelt limit_above_the_highest limit_misspelt
room_as_a_word room_misspelt room_music_misspelt room_key_with_scale room_tempo_without_unit
room_chords_without_a_length room_chords_of_a_child room_chord_unknown clock_as_a_word keyboard_without_leads
keyboard_leads_misspelt keyboard_output_unknown keyboard_output_as_a_word fader_too_high turns_without_unit
room_limit_too_high room_limit_below_one_note room_limit_of_a_child channels_empty channels_without_brackets channel_17
devices_as_a_list device_of_a_seat_without_its_name device_of_a_seat_with_settings device_of_a_seat_for_no_input
level_without_unit
"""


@pytest.mark.parametrize("name", MARKED.split())
def test_what_the_router_refuses_an_editor_marks(name):
    assert marks(GOLDEN_CONFIGURATIONS / f"{name}.yaml")


def test_every_setting_stands_on_the_reference_page():
    page = reference.page()
    assert reference.CONFIGURATION in page
    of_room = [schema.ROOM_PROGRESSION, *schema.ROOM["properties"].values()]
    inner = [*of_room, *(wanted for wanted in schema.CONFIGURATION["properties"].values() if "properties" in wanted)]
    for group in (schema.CONFIGURATION, schema.SEAT, schema.BUTTON, *inner):
        for name, wanted in group["properties"].items():
            assert f"| `{name}` | {reference._cell(wanted['description'])} |" in page, name


def test_the_example_on_the_reference_page_is_right(tmp_path):
    path = tmp_path / "router.yaml"
    path.write_text(reference.CONFIGURATION, encoding="utf-8")
    assert check(path) == []


def test_every_default_and_limit_of_both_forms_can_be_read():
    """A limit in a unit that is not known would make each value refused."""
    devices = [kind for kinds in DEVICES.values() for kind in kinds.values()]
    of_profiles = [PROFILE, PART, *INPUTS.values(), *devices, *OUTPUTS.values()]
    checked = 0
    for group in [*of_profiles, schema.CONFIGURATION, schema.SEAT, schema.BUTTON, schema.ROOM, schema.ROOM_MUSIC]:
        for name, wanted in group["properties"].items():
            for setting, about in {name: wanted, **wanted.get("properties", {})}.items():
                assert declared._of_quantity(setting, about) is None
                checked += "quantity" in about
    assert checked > 20


# --- the file that is installed -----------------------------------------------------------------------------------


def test_the_installed_file_changes_nothing_but_who_may_ask():
    assert replace(load(EXAMPLE), path=DEFAULT.path, control_group=None) == DEFAULT


def test_every_setting_that_is_switched_off_in_it_can_be_switched_on(tmp_path):
    lines = EXAMPLE.read_text(encoding="utf-8").splitlines()
    inside = False
    for number, line in enumerate(lines):
        inside = bool(re.match(r"#[a-z]", line)) or (inside and line.startswith("#  "))
        if inside:
            lines[number] = line[1:]
    path = tmp_path / "router.yaml"
    path.write_text("\n".join(lines), encoding="utf-8")
    assert check(path) == []
    assert {name for line in lines if (name := line.partition(":")[0]) in schema.CONFIGURATION["properties"]} == set(
        schema.CONFIGURATION["properties"]
    )
    found = load(path)
    assert (found.folders, found.chime, found.records) == (DEFAULT.folders, DEFAULT.chime, DEFAULT.records)
