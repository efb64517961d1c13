"""The service of the small PC, as a process of its own:
``router run --config`` between a real sensor and a real MIDI port.
"""

import gzip
import itertools
import json
import random
import re
import select
import shutil
import signal
import socket
import subprocess
import sys
import time

import pytest

from router.bedside.sounding import Sounding
from router.devices.outputs.base import Output
from router.devices.outputs.sounding_notes import PortAddress
from router.live import chime
from router.records.retention import CLOCK, STARTS
from tests.shared.bedside import BROKEN, FINCH, LARK, PROFILE, WREN, Bedside, plays
from tests.shared.parts import Listener, Sensor, close_port, unique
from tests.shared.waiting import WAIT, until

pytestmark = pytest.mark.usefixtures("jack_server")

RISING, FALLING = list(chime.DONE), list(chime.REFUSED)


@pytest.fixture
def bedside(part, tmp_path):
    listener, sensor = part(Listener), part(Sensor)
    started = []

    def begin(**options):
        started.append(Bedside(tmp_path, listener.client, sensor, **options))
        started[-1].start()
        return started[-1], listener, sensor

    yield begin
    for each in started:
        each.close()


def chimes(listener):
    """The notes that were begun on the chime's channel, which is the highest that is free."""
    return [data[0] for status, *data in list(listener.heard) if status == 0x9F and data[1]]


# --- swaps --------------------------------------------------------------------------------------------------------


def test_a_profile_that_is_put_into_the_folder_plays_and_a_broken_one_changes_nothing(bedside):
    pc, listener, sensor = bedside()
    plays(listener, sensor, WREN)
    sensor.pascal = 1.0
    until(lambda: WREN in listener.sounding())
    pc.put("lark", LARK)
    pc.wait_for("swap")
    until(lambda: not listener.sounding() & {WREN})  # every note off, though the hand still lies there
    until(lambda: chimes(listener) == RISING)
    assert LARK not in listener.sounding()
    sensor.pascal = 0.0
    time.sleep(0.2)
    plays(listener, sensor, LARK)
    listener.heard.clear()
    pc.put("lark", FINCH, BROKEN)
    (refused,) = pc.wait_for("profile_refused")
    assert 'did you mean "pitch"' in refused["why"].casefold()
    assert "lark.yaml:7:" in refused["why"]
    until(lambda: chimes(listener) == FALLING)
    plays(listener, sensor, LARK)
    status = pc.seat_status()
    assert status["child"] == "lark"
    assert status["refused"]["message"].startswith(refused["why"].partition("\n")[0])
    assert 'did you mean "pitch"' in status["refused"]["message"].casefold()
    assert "pich: 67" in refused["why"]
    assert "pich: 67" not in status["refused"]["message"]  # no line of a file: not every file is theirs to read
    assert pc.stop() == 0


def test_of_hundreds_of_broken_files_the_log_says_little_and_how_many_there_were(bedside):
    pc, listener, sensor = bedside(more="chime: no")
    for number in range(300):
        pc.put(f"broken{number}", WREN, BROKEN)
    plays(listener, sensor, WREN)
    until(lambda: (pc.seat_status()["refused"] or {}).get("child", "").startswith("broken"))

    def all_counted():
        said = [each["why"] for each in pc.events("profile_refused")]
        told = sum(len(re.findall(r"(?m)^/\S+/broken\d+\.yaml:\d+:\d+: ", why)) for why in said)
        left = sum(int(number) for why in said for number in re.findall(r"(?m)^(\d+) more problem", why))
        return told + left >= 300

    until(all_counted)
    assert sum(len(each["why"]) for each in pc.events("profile_refused")) < 20_000
    plays(listener, sensor, WREN)
    assert pc.stop() == 0


def test_the_profile_that_plays_is_written_over_renamed_and_deleted(bedside):
    pc, listener, sensor = bedside()
    pc.put("wren", FINCH)
    pc.wait_for("swap")
    plays(listener, sensor, FINCH)
    (pc.profiles / "aside").write_text(pc.text("wren", LARK), encoding="utf-8")  # as editors do it
    (pc.profiles / "aside").rename(pc.profiles / "wren.yaml")
    pc.wait_for("swap", 2)
    plays(listener, sensor, LARK)
    (pc.profiles / "wren.yaml").unlink()
    plays(listener, sensor, LARK)
    assert pc.stop() == 0
    pc.start()  # and so it does after a restart: the last good one was kept
    plays(listener, sensor, LARK)


def test_a_child_is_chosen_by_name_and_who_is_not_there_is_refused(bedside):
    pc, listener, sensor = bedside(seat="{profile: wren, follow: file}")
    pc.put("lark", LARK)
    pc.put("finch", FINCH)
    assert pc.ask(do="use", child="lark")["ok"]
    plays(listener, sensor, LARK)
    answer = pc.ask(do="use", child="finsh")
    assert not answer["ok"]
    assert "finch" in answer["problem"]
    assert pc.ask(do="use", child="finch", seat="bad")["problem"].startswith('there is no seat called "bad"')
    plays(listener, sensor, LARK)
    assert pc.seat_status()["child"] == "lark"


def test_the_room_can_be_left_without_a_chime(bedside):
    pc, listener, sensor = bedside(more="chime: no")
    pc.put("lark", LARK)
    pc.wait_for("swap")
    plays(listener, sensor, LARK)
    assert chimes(listener) == []


def test_a_program_change_steps_through_the_list(bedside, part):
    import rtmidi

    class Keyboard:
        def __init__(self, _folder):
            self.client = unique("keyboard")
            self.port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=self.client)
            self.port.open_virtual_port("out")

        def close(self):
            close_port(self.port)

    keyboard = part(Keyboard)
    pc, listener, sensor = bedside(
        seat="{profile: wren, follow: file, list: [wren, lark, finch]}",
        more=f'program_change: {{midi: "{keyboard.client}:*", channel: 16}}',
    )
    pc.put("lark", LARK)
    pc.put("finch", FINCH)
    keyboard.port.send_message([0xC0, 1])  # another channel
    keyboard.port.send_message([0xCF, 2])
    pc.wait_for("swap")
    plays(listener, sensor, FINCH)
    keyboard.port.send_message([0xCF, 3])  # nobody
    keyboard.port.send_message([0xCF, 1])
    pc.wait_for("swap", 2)
    plays(listener, sensor, LARK)


def test_the_room_hears_that_a_device_of_the_profile_is_missing_and_status_names_it(bedside):
    pc, listener, sensor = bedside()
    lark = pc.text("lark", LARK).replace(
        "parts:", '  foot: {type: switch, device: {serial: "/dev/no such thing"}}\nparts:'
    )
    lark = lark.replace("input: pad", "input: [pad, foot]")
    (pc.profiles / "lark.yaml").write_text(lark, encoding="utf-8")
    pc.wait_for("swap")
    until(lambda: chimes(listener) == list(chime.MISSING))
    assert pc.seat_status()["warnings"] == ["missing, so this profile plays without: foot"]
    plays(listener, sensor, LARK)
    listener.heard.clear()
    pc.put("finch", FINCH)
    until(lambda: chimes(listener) == RISING)
    assert pc.seat_status()["warnings"] == []


def test_what_check_warns_of_is_said_by_status_while_the_profile_plays(bedside):
    pc, listener, sensor = bedside()
    lark = pc.text("lark", LARK).replace("\nparts:", "  # for Lena Meier\nparts:", 1) + "# born 21.3.2014\n"
    path = pc.profiles / "lark.yaml"
    path.write_text(lark, encoding="utf-8")
    pc.wait_for("swap")
    plays(listener, sensor, LARK)
    (warning,) = pc.seat_status()["warnings"]
    line = next(number for number, line in enumerate(lark.splitlines(), 1) if "Lena" in line)
    said = (
        f"in line {line} of lark.yaml: this remark seems to hold a person's name, and 1 more: router check "
        f"{path} says it all"
    )
    assert warning == said
    pc.put("finch", FINCH)
    until(lambda: pc.seat_status()["child"] == "finch")
    assert pc.seat_status()["warnings"] == []


STANDING_CLOCK = """
import sys, router.records.recorder, router.records.retention
router.records.recorder.LEAST = router.records.retention.LEAST = 20_000_000
from router.cli import main
sys.exit(main(sys.argv[1:]))
"""


def test_status_says_that_the_clock_stands_still_while_the_pc_is_off(bedside):
    pc, _listener, _sensor = bedside()
    pc.stop()
    before = {"boot": "before", "wall": 2**62, "starts": STARTS - 1}
    (pc.records / CLOCK).write_text(json.dumps(before))
    pc.start(program=(sys.executable, "-c", STANDING_CLOCK))
    said = "the clock of this PC stands still while it is switched off"
    until(lambda: any(said in why for why in pc.ask(do="status")["status"]["warnings"]))


def test_without_anything_chosen_the_first_in_the_folder_plays_and_the_room_hears_it(bedside):
    pc, listener, sensor = bedside(seat="{}")  # wren is the only one
    until(lambda: chimes(listener) == RISING)
    plays(listener, sensor, WREN)
    assert "the only profile in the folder" in pc.seat_status()["because"]
    assert pc.stop() == 0
    shutil.rmtree(pc.folder / "state")
    shutil.rmtree(pc.runtime)
    pc.put("lark", LARK)
    (pc.profiles / "finch.yaml.txt").write_text(pc.text("finch", FINCH), encoding="utf-8")
    listener.heard.clear()
    pc.start()
    until(lambda: chimes(listener) == list(chime.FIRST))
    plays(listener, sensor, LARK)
    assert "the first of 2 profiles" in pc.seat_status()["because"]
    until(lambda: "rename it to finch.yaml" in pc.seat_status()["ignored"].get("finch.yaml.txt", ""))


# --- nothing left sounding ----------------------------------------------------------------------------------------


def test_after_a_kill_in_the_middle_of_a_note_the_next_start_ends_it(bedside):
    pc, listener, sensor = bedside()
    sensor.pascal = 1.0
    until(lambda: WREN in listener.sounding())
    pc.process.kill()
    pc.process.wait()
    sensor.pascal = 0.0
    time.sleep(0.3)
    assert WREN in listener.sounding()  # nobody has ended it
    pc.process.stdout.close()
    pc.start()
    until(lambda: not listener.sounding())
    (hushed,) = pc.wait_for("hushed")
    assert hushed["level"] == "info"
    plays(listener, sensor, WREN)


def test_what_could_not_be_ended_at_the_start_is_a_warning(bedside):
    pc, listener, sensor = bedside()
    assert pc.stop() == 0
    pc.process.stdout.close()
    sounding = Sounding(pc.runtime / "sounding")
    sounding.marked(LeadsTo("gone:in")).send((0x92, 60, 64), 0)
    sounding.close()
    pc.start()
    (hushed,) = pc.wait_for("hushed")
    assert '"gone:in" is not there; 1 note to be ended when it is back' in hushed["what"]
    assert hushed["level"] == "warning"
    plays(listener, sensor, WREN)


class LeadsTo(Output):
    """An output that leads to this port as far as the record knows."""

    def __init__(self, port):
        self.place = PortAddress("jack", port)
        self.description = port

    def send(self, data, now):
        pass

    def close(self):
        pass


def test_panic_silences_every_channel_and_the_music_goes_on(bedside):
    pc, listener, sensor = bedside()
    sensor.pascal = 1.0
    until(lambda: WREN in listener.sounding())
    listener.heard.clear()
    assert pc.ask(do="panic")["ok"]
    until(lambda: (0x82, WREN, 0) in listener.heard)
    until(lambda: all((0xB0 | channel, 120, 0) in listener.heard for channel in range(16)))
    sensor.pascal = 0.0
    time.sleep(0.2)
    plays(listener, sensor, WREN)


@pytest.mark.parametrize("changes", ["", 'outputs: {synth: {midi: "nobody"}}'])
def test_reading_the_configuration_again(bedside, changes):
    """Nothing that did not change is touched: the note sounds on. A port that changed is silenced first."""
    pc, listener, sensor = bedside()
    sensor.pascal = 1.0
    until(lambda: WREN in listener.sounding())
    pc.configure(changes)
    pc.process.send_signal(signal.SIGHUP)
    pc.wait_for("configuration_read")
    if changes:
        until(lambda: not listener.sounding())
    else:
        time.sleep(0.3)
        assert listener.sounding() == {WREN}
        assert listener.count(0x90) == 1


def test_a_broken_configuration_changes_nothing_when_read_again(bedside):
    pc, listener, sensor = bedside()
    pc.configure("motiv: no")
    pc.process.send_signal(signal.SIGHUP)
    (refused,) = pc.wait_for("configuration_refused")
    assert "chime" in refused["why"]
    plays(listener, sensor, WREN)
    until(lambda: any("chime" in why for why in pc.ask(do="status")["status"]["warnings"]))
    pc.configure("")
    pc.process.send_signal(signal.SIGHUP)
    until(lambda: not pc.ask(do="status")["status"]["warnings"])


def test_a_broken_configuration_at_the_start_does_not_keep_the_room_silent(bedside):
    pc, listener, sensor = bedside()
    assert pc.stop() == 0
    pc.configure("motiv: no")
    pc.start()
    (refused,) = pc.wait_for("configuration_refused")
    assert "chime" in refused["why"]
    plays(listener, sensor, WREN)  # as the last good one said
    (warning,) = pc.ask(do="status")["status"]["warnings"]
    assert "refused at the start" in warning
    assert "chime" in warning


# --- never blocked ------------------------------------------------------------------------------------------------


def test_without_any_folder_that_can_be_written_it_plays_on_and_says_so(bedside):
    pc, listener, sensor = bedside()
    assert pc.stop() == 0
    for folder in (pc.folder / "state", pc.runtime, pc.records):
        shutil.rmtree(folder, ignore_errors=True)
        folder.write_text("not a folder")
    pc.start()
    plays(listener, sensor, WREN)
    pc.wait_for("records_fault")
    pc.wait_for("warning", 2)  # of the notes that sound, and of the control socket
    assert pc.stop() == 0


# --- what others see ----------------------------------------------------------------------------------------------


def test_each_child_has_a_session_log_of_its_own(bedside):
    pc, listener, sensor = bedside()
    plays(listener, sensor, WREN)
    assert pc.ask(do="mark", text="smiled")["ok"]
    pc.put("lark", LARK)
    pc.wait_for("swap")
    plays(listener, sensor, LARK)
    assert pc.stop() == 0
    (wren,), (lark,) = (list((pc.records / child).glob("*.jsonl")) for child in ("wren", "lark"))
    for path, note in ((wren, WREN), (lark, LARK)):
        lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        words = [line["event"] for line in lines if "event" in line]
        assert {"start", "press", "note_on", "note_off", "release", "stop"} <= set(words)
        assert {line["note"] for line in lines if line.get("event") == "note_on"} == {note}
        assert ("mark" in words) is (note == WREN)
    assert "lark" not in wren.read_text(encoding="utf-8")


def test_in_a_baseline_movements_are_heard_and_recorded_and_nothing_sounds(bedside):
    pc, listener, sensor = bedside()
    sensor.pascal = 1.0
    until(lambda: WREN in listener.sounding())
    assert pc.ask(do="mark", text="Baseline")["ok"]
    until(lambda: not listener.sounding())
    assert pc.ask(do="mark", text="record")["ok"]
    heard = listener.count(0x90)
    sensor.pascal = 0.0
    until(lambda: pc.seat_status()["inputs"]["pad"]["value"] is False)
    sensor.pascal = 1.0
    until(lambda: pc.seat_status()["presses"]["pad"] == 2)
    sensor.pascal = 0.0
    time.sleep(0.3)
    assert listener.count(0x90) == heard
    assert pc.ask(do="mark", text="playing")["ok"]
    plays(listener, sensor, WREN)
    assert pc.stop() == 0
    (log,) = pc.records.glob("wren/*.jsonl")
    assert log.read_text(encoding="utf-8").count('"press"') == 3
    (trace,) = pc.records.glob("wren/*.gz")
    with gzip.open(trace, "rt", encoding="utf-8") as lines:
        assert '"pressed": true' in lines.read()


def test_status_says_what_plays_what_is_heard_and_what_sounds(bedside):
    pc, listener, sensor = bedside()
    sensor.pascal = 1.0
    until(lambda: WREN in listener.sounding())
    status = pc.ask(do="status")["status"]
    bed = status["seats"]["bed"]
    assert status["pid"] == pc.process.pid
    assert bed["child"] == "wren"
    assert bed["inputs"]["pad"]["value"] is True
    assert bed["inputs"]["pad"]["there"]
    assert bed["sounding"] == [{"output": "synth", "channel": 3, "note": WREN, "name": "C4"}]
    assert bed["presses"] == {"pad": 1}
    sensor.unplug()
    pc.wait_for("input_lost")
    pad = pc.seat_status()["inputs"]["pad"]
    assert not pad["there"]
    assert pad["why"]


BREATH = """
profile: 1
child: wren
inputs:
  cheek: {{type: pressure, device: {{serial: "{sensor}", unit: Pa}}, above: {{on: 100 Pa, full: 400 Pa}}}}
parts:
  tune: {{input: cheek.above, rules: [note: {{pitch: {note}}}], output: {{port: synth, channel: 3}}}}
outputs:
  synth: {{midi: "{synth}:*"}}
"""


def test_status_says_when_the_fit_no_longer_fits(bedside):
    pc, listener, sensor = bedside()
    pc.put("wren", WREN, BREATH)
    pc.wait_for("swap")
    time.sleep(1)  # the rest level is known after half a second
    rests = random.Random(1)  # irregular, as a child's: what comes as exactly as from a machine is learned as a rhythm
    for pascal in itertools.islice(itertools.cycle((300.0, 300.0, 90.0)), 60):
        if pascal == 300:
            plays(listener, sensor, WREN, pascal)
        else:
            sensor.pascal = pascal
            time.sleep(0.3)
            sensor.pascal = 0.0
        time.sleep(rests.uniform(0.3, 0.9))
        if pc.events("drift") and listener.count(0x90) >= 8:
            break
    (told,) = pc.events("drift")
    assert (told["input"], told["what"]) == ("cheek.above", "near-misses")
    assert "cheek.above: near-misses; router fit measures it again" in pc.seat_status()["warnings"]
    assert listener.count(0x90) >= 8


def notified(address, wanted, seconds=WAIT):
    """What the service manager is told until all of ``wanted`` were."""
    address.settimeout(seconds)
    told = []
    while not set(wanted) <= set(told):
        told += address.recv(4096).decode().split("\n")
    return told


def test_the_service_manager_is_told_and_the_watchdog_is_fed_by_passes_only(bedside, tmp_path):
    pc, listener, sensor = bedside()
    assert pc.stop() == 0
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        pc.start(NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="400000")
        notified(manager, ["READY=1"])
        notified(manager, ["WATCHDOG=1"])
        pc.process.send_signal(signal.SIGSTOP)  # what is frozen does not feed it
        time.sleep(0.3)
        while select.select([manager], [], [], 0)[0]:  # what was sent before it froze
            manager.recv(4096)
        assert not select.select([manager], [], [], 1.0)[0]
        pc.process.send_signal(signal.SIGCONT)
        notified(manager, ["WATCHDOG=1"])
        pc.process.send_signal(signal.SIGHUP)
        told = notified(manager, ["RELOADING=1", "READY=1"])
        assert any(each.startswith("MONOTONIC_USEC=") for each in told)
        plays(listener, sensor, WREN)
        assert pc.stop() == 0
        notified(manager, ["STOPPING=1"])


def test_without_a_configuration_it_says_how_to_begin(tmp_path):
    ended = subprocess.run(
        [sys.executable, "-m", "router", "run", "--config", str(tmp_path / "none.yaml"), "wren"],
        capture_output=True,
        text=True,
        timeout=WAIT,
        check=False,
    )
    assert ended.returncode == 2
    assert "either" in ended.stderr


# --- want of memory -----------------------------------------------------------------------------------------------

SHORT = """
import sys
from {room} import {module}
whole, left = {module}.{what}, {many}
def short(*args, **options):
    global left
    frame = sys._getframe(1)
    while left and frame is not None:
        if frame.f_code.co_name == "_swap":
            left -= 1
            raise MemoryError
        frame = frame.f_back
    return whole(*args, **options)
{module}.{what} = short
from router.cli import main
sys.exit(main())
"""
"""The router, in which memory fails so many times in this, when another profile is to play."""

SWAPPING = [
    ("router.live", "channels", "assign"),
    ("router.live", "seat", "Engine"),
    ("router.live", "channels", "shared"),
    ("router.bedside", "profile_folder", "ProfileFolder.chosen"),
]


@pytest.mark.parametrize(("room", "module", "what"), SWAPPING)
def test_a_swap_for_which_memory_fails_is_tried_again_then_what_played_plays_on(part, tmp_path, room, module, what):
    listener, sensor = part(Listener), part(Sensor)
    for many, child, note in ((1, "lark", LARK), (2, "wren", WREN)):
        folder = tmp_path / child
        folder.mkdir()
        pc = Bedside(folder, listener.client, sensor, seat="{profile: wren, follow: file}")
        pc.put("lark", LARK, PROFILE.replace("debounce: 0 ms", "debounce: 1 ms"))
        try:
            pc.start(program=[sys.executable, "-c", SHORT.format(room=room, module=module, what=what, many=many)])
            plays(listener, sensor, WREN)
            answer = pc.ask(do="use", child="lark")
            assert answer["ok"] == (child == "lark")
            assert answer["ok"] or "wren plays on" in answer["problem"]
            assert len(pc.events("program_fault")) == many
            assert pc.seat_status()["child"] == child
            until(lambda pc=pc: pc.seat_status()["inputs"]["pad"]["value"] is False)
            plays(listener, sensor, note)
            until(lambda pc=pc, child=child: _who_pressed(pc.records) == sorted(["wren", child]))
            pc.stop(signal.SIGKILL)
            pc.start()
            assert pc.seat_status()["child"] == child
        finally:
            pc.close()


def _who_pressed(records):
    """Whose each press in the records is."""
    found = []
    for path in records.glob("*/*.jsonl"):
        events = [json.loads(line) for line in path.read_text().splitlines(keepends=True) if line.endswith("\n")]
        found += [path.parent.name for event in events if event.get("event") == "press"]
    return sorted(found)
