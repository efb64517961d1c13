"""Nothing that fails or stalls outside keeps the music waiting, over ``router run --config`` as a process of its own.

Disks are real ones: small file systems in a file or in memory that are full, break, are frozen, and are there again. To
mount them needs an administrator's rights, by sudo where the tests have them not. Nothing is asserted about speed.
"""

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter

import pytest

from tests.shared.bedside import FINCH, LARK, PROFILE, WREN, Bedside, plays
from tests.shared.jack_server import DYING
from tests.shared.parts import Listener, Sensor, Server, unique
from tests.shared.waiting import WAIT, until

PACE = 0.1
"""Seconds between efforts at least: there is a limit on notes in a second, which is not what is tried here."""

OPENED = 0.2
"""Seconds after which a press counts at a line that has just been opened: what is pressed at once was so before."""

jack = pytest.mark.usefixtures("jack_server")


def administrator(*command):
    """Do what only an administrator may."""
    as_root = [] if os.geteuid() == 0 else ["sudo", "-n"]
    path = os.environ["PATH"] + ":/usr/sbin:/sbin"
    done = subprocess.run(
        [*as_root, *map(str, command)], capture_output=True, text=True, check=False, env={**os.environ, "PATH": path}
    )
    assert done.returncode == 0, f"{command}: {done.stderr}"
    return done.stdout.strip()


class Card:
    """A small file system of its own: in memory, or in a file, as on a card that can break.

    Where none is plugged in nothing can be written, also not by an administrator.
    """

    def __init__(self, folder, kilobytes=0):
        self._folder, self._slot = folder, folder / unique("slot")
        self._slot.mkdir()
        administrator("mount", "-t", "tmpfs", "-o", "size=4k,mode=777", "tmpfs", self._slot)
        self.path = self._slot / "card"
        self.path.mkdir()
        administrator("mount", "-o", "remount,ro", self._slot)
        if kilobytes:
            administrator("mount", "-t", "tmpfs", "-o", f"size={kilobytes}k,mode=777", "tmpfs", self.path)
        else:
            self.plug()

    def plug(self):
        """Another card."""
        image = self._folder / unique("image")
        with image.open("wb") as file:
            file.truncate(16 << 20)
        administrator("mkfs.ext4", "-q", "-F", "-E", f"root_owner={os.getuid()}:{os.getgid()}", image)
        administrator("mount", "-o", "loop,errors=remount-ro", image, self.path)

    def breaks(self):
        """It finds an error in itself, and lets nothing more be written:
        as the kernel does it with a card that wears out.
        """
        device = administrator("findmnt", "-n", "-o", "SOURCE", self.path).rpartition("/")[2]
        administrator("sh", "-c", f"echo 1 > /sys/fs/ext4/{device}/trigger_fs_error")
        with pytest.raises(OSError, match="Read-only"):
            (self.path / "new").write_bytes(b"x")

    def unplug(self):
        administrator("umount", "-l", self.path)

    @contextlib.contextmanager
    def frozen(self):
        """Whoever writes waits until the end of this. Till then not even a kill ends a process that does."""
        administrator("fsfreeze", "-f", self.path)
        try:
            yield
        finally:
            administrator("fsfreeze", "-u", self.path)

    def fill(self):
        """No further block can be written."""
        with (self.path / "ballast").open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(bytes(4096))
        assert os.statvfs(self.path).f_bavail == 0

    def free(self):
        (self.path / "ballast").unlink()

    def close(self):
        self.unplug()
        administrator("umount", "-l", self._slot)


class Tapping:
    """Somebody else's hand in a process of its own, at one line, as fast as the line takes it:
    ``says`` again and again.
    """

    def __init__(self, says):
        self._master, self._slave = os.openpty()
        self.path = os.ttyname(self._slave)
        code = "import os, sys\nwhile True: os.write(int(sys.argv[1]), bytes.fromhex(sys.argv[2]) * 64)"
        self._says = [sys.executable, "-c", code, str(self._master), says.hex()]
        self._process = None

    def start(self):
        self._process = subprocess.Popen(self._says, pass_fds=[self._master])

    def stop(self):
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def say(self, text):
        os.write(self._master, text)

    def close(self):
        self.stop()
        os.close(self._master)
        os.close(self._slave)


@pytest.fixture
def bedside(part, tmp_path):
    """Starts a small PC on which a hand plays."""
    started = []

    def begin(listener=None, start=None, **options):
        listener, sensor = listener or part(Listener), part(Sensor)
        started.append(Bedside(tmp_path, listener.client, sensor, **{"more": "chime: no", **options}))
        started[-1].start(**(start or {}))
        return started[-1], listener, sensor

    yield begin
    for each in started:
        each.close()


def keeps_playing(listener, sensor, note=WREN, times=5):
    """Each effort is heard once and ended, however long the rest takes."""
    before = [listener.count(kind) for kind in (0x90, 0x80)]
    for _ in range(times):
        plays(listener, sensor, note)
        time.sleep(PACE)
    assert [listener.count(kind) for kind in (0x90, 0x80)] == [count + times for count in before]


def logged(pc):
    """All that the session logs hold, by file."""
    return [
        [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        for path in sorted(pc.records.glob("*/*.jsonl"))
    ]


def count_of(lines, event):
    return sum(line["event"] == event for line in lines)


def missing(lines):
    """How many lines a log says are missing."""
    return sum(line.get("missing", 0) for line in lines)


# --- disks --------------------------------------------------------------------------------------------------------


@jack
def test_a_full_disk_is_said_once_and_what_waited_is_written_when_there_is_room_again(bedside, part):
    card = part(Card, 512)
    pc, listener, sensor = bedside(card=card.path)
    keeps_playing(listener, sensor)
    until(lambda: list(pc.records.glob("*/*.jsonl")))
    card.fill()
    while not pc.events("records_fault"):  # the last block that was begun is still to be filled
        keeps_playing(listener, sensor, times=1)
    played = listener.count(0x90)
    pc.put("lark", LARK)  # and another child can be taken all the same
    pc.wait_for("swap")
    keeps_playing(listener, sensor, LARK)
    time.sleep(4)  # it is tried again meanwhile
    keeps_playing(listener, sensor, LARK)
    assert len(pc.events("records_fault")) == 1
    assert pc.seat_status()["dropped"]["log_lines"] == 0
    card.free()
    pc.wait_for("records_again")
    assert pc.stop() == 0
    lark, wren = logged(pc)
    assert [count_of(wren, "note_on"), count_of(lark, "note_on")] == [played, 10]
    assert missing(wren) == missing(lark) == 0
    pc.start()
    plays(listener, sensor, LARK)  # what was chosen while nothing could be written was remembered


@jack
def test_a_full_disk_is_told_by_status_and_in_the_room_and_after_a_kill_the_same_child_plays(bedside, part):
    card = part(Card, 512)
    pc, listener, sensor = bedside(card=card.path, more="chime: yes")
    until(lambda: list(pc.records.glob("*/*.jsonl")))
    assert pc.ask(do="status")["status"]["warnings"] == []
    card.fill()
    while not pc.events("records_fault"):
        plays(listener, sensor, WREN)
        time.sleep(PACE)
    until(lambda: [data[0] for status, *data in list(listener.heard) if status == 0x9F and data[1]] == [64, 60, 55])
    (warning,) = pc.ask(do="status")["status"]["warnings"]
    assert warning == f"nothing is recorded now, as it cannot be written: {pc.records}: no space left on device"
    pc.put("lark", LARK)
    (not_kept,) = pc.wait_for("profile_not_remembered")
    assert "No space left" in not_kept["why"]
    warnings = pc.ask(do="status")["status"]["warnings"]
    assert [text.partition(":")[0] for text in warnings] == [
        "nothing is recorded now, as it cannot be written",
        "what plays cannot be kept for the next start",
    ]
    for wiped in (False, True):  # with what a process leaves in memory, and without, as after a power cut
        pc.stop(signal.SIGKILL)
        for each in pc.runtime.glob("*plays*") if wiped else ():
            each.unlink()
        pc.start()
        plays(listener, sensor, LARK)
        assert pc.seat_status()["child"] == "lark"
    card.free()
    until(lambda: pc.ask(do="status")["status"]["warnings"] == [])


@jack
def test_what_does_not_fit_while_the_disk_is_full_is_counted_and_said_where_it_is_missing(bedside, part):
    card = part(Card, 512)
    pc, listener, sensor = bedside(card=card.path, start={"options": ()})
    until(lambda: list(pc.records.glob("*/*.jsonl")))
    card.fill()
    hand = part(lambda _folder: Tapping(b"1\n0\n"))
    pc.put("wren", WREN, PROFILE.replace("{sensor}", hand.path))
    pc.wait_for("swap")
    hand.start()
    until(lambda: pc.seat_status()["dropped"]["log_lines"] > 100)
    hand.stop()
    time.sleep(0.2)
    pc.put("lark", LARK)
    pc.wait_for("swap", 2)
    time.sleep(OPENED)
    keeps_playing(listener, sensor, LARK)
    lost = pc.seat_status()["dropped"]["log_lines"]
    assert len(pc.events("records_fault")) == 1
    administrator("mount", "-o", "remount,size=8m", card.path)
    card.free()
    pc.wait_for("records_again")
    assert pc.stop() == 0
    assert sum(missing(log) for log in logged(pc)) == lost


@jack
def test_a_card_that_breaks_costs_nothing_but_itself_and_another_is_used(bedside, part):
    card = part(Card)
    pc, listener, sensor = bedside(card=card.path)
    keeps_playing(listener, sensor)
    until(lambda: list(pc.records.glob("*/*.jsonl")))
    card.breaks()
    keeps_playing(listener, sensor)
    pc.wait_for("records_fault")
    pc.put("lark", LARK)
    pc.wait_for("swap")
    keeps_playing(listener, sensor, LARK)
    card.unplug()
    card.plug()
    pc.wait_for("records_again")
    keeps_playing(listener, sensor, LARK)
    assert len(pc.events("records_fault")) == 1
    assert pc.stop() == 0
    lark = logged(pc)[0]
    assert count_of(lark, "note_on") == count_of(lark, "note_off") == 10
    assert missing(lark) == 0


@jack
def test_a_card_that_is_plugged_in_late_is_used_from_then_on(bedside, part, tmp_path):
    folder = tmp_path / "late"
    folder.mkdir()
    pc, listener, sensor = bedside(card=folder)
    keeps_playing(listener, sensor)
    until(lambda: list(pc.records.glob("*/*.jsonl")))
    card = part(Card)
    administrator("mount", "--bind", card.path, folder)
    try:
        keeps_playing(listener, sensor)
        until(lambda: list(pc.records.glob("*/*.jsonl")))
        keeps_playing(listener, sensor)
        assert pc.stop() == 0
        (wren,) = logged(pc)
    finally:
        administrator("umount", "-l", folder)
    assert count_of(wren, "note_on") + count_of(logged(pc)[0], "note_on") == 15
    assert [line["event"] for line in wren[:2]] == ["start", "fault"]
    assert not pc.events("records_fault")


@jack
def test_a_card_that_was_read_only_from_the_start_is_used_once_it_can_be_written(bedside, part):
    card = part(Card)
    administrator("mount", "-o", "remount,ro", card.path)
    pc, listener, sensor = bedside(card=card.path)
    pc.wait_for("records_fault")
    keeps_playing(listener, sensor)
    administrator("mount", "-o", "remount,rw", card.path)
    pc.wait_for("records_again")
    assert pc.stop() == 0
    (wren,) = logged(pc)
    assert count_of(wren, "note_on") == 5
    assert missing(wren) == 0


@jack
def test_a_disk_that_stalls_keeps_nobody_waiting(bedside, part):
    """Frozen, it lets whoever writes wait; here the thread that does."""
    card = part(Card)
    pc, listener, sensor = bedside(card=card.path)
    keeps_playing(listener, sensor)
    until(lambda: list(pc.records.glob("*/*.jsonl")))
    with card.frozen():
        until_it_stalls = time.monotonic() + 5
        while time.monotonic() < until_it_stalls:
            keeps_playing(listener, sensor, times=1)
        pc.put("lark", LARK)
        pc.wait_for("swap")
        keeps_playing(listener, sensor, LARK)
        assert pc.seat_status()["child"] == "lark"
    assert pc.stop() == 0
    lark, wren = logged(pc)
    assert count_of(lark, "note_on") == 5
    assert count_of(wren, "note_on") == count_of(wren, "note_off") == listener.count(0x90) - 5
    assert missing(wren) == missing(lark) == 0
    assert not pc.events("records_fault")


@jack
def test_told_to_stop_while_a_disk_stalls_it_ends_its_note_first(bedside, part):
    card = part(Card)
    pc, listener, sensor = bedside(card=card.path)
    until(lambda: list(pc.records.glob("*/*.jsonl")))
    with card.frozen():
        keeps_playing(listener, sensor)
        sensor.pascal = 1.0
        until(lambda: WREN in listener.sounding())
        time.sleep(1.5)  # so that the thread that writes has begun to wait
        pc.process.send_signal(signal.SIGTERM)
        until(lambda: not listener.sounding())
        time.sleep(1)
    assert pc.process.wait(WAIT) == 0


@jack
def test_a_reader_of_its_log_that_stalls_keeps_nobody_waiting_and_what_is_missing_is_said(bedside, part):
    """Standard error is a pipe that nobody reads: it takes 64 KiB, and then whoever writes waits."""
    reader, writer = os.pipe()
    hand = part(lambda _folder: Tapping(b"1\n0\n"))
    try:
        pc, listener, sensor = bedside(start={"stderr": writer})
        os.close(writer)
        keeps_playing(listener, sensor)
        pc.put("lark", LARK, PROFILE.replace("{sensor}", hand.path))
        until(lambda: pc.seat_status()["child"] == "lark")
        hand.start()
        until(lambda: any("log are missing" in why for why in pc.ask(do="status")["status"]["warnings"]))
        hand.stop()
        pc.put("wren", FINCH)
        until(lambda: pc.seat_status()["child"] == "wren")
        time.sleep(OPENED)
        keeps_playing(listener, sensor, FINCH)
        read, said = True, b""
        while read and b"are missing here" not in said:
            read = os.read(reader, 65_536)
            said += read
        assert b"lines did not fit and are missing here" in said
        keeps_playing(listener, sensor, FINCH)
        time.sleep(1)  # it stalls again
        assert pc.stop() == 0
    finally:
        os.close(reader)


# --- floods -------------------------------------------------------------------------------------------------------

OTHER = """
profile: 1
child: {child}
music: {{tempo: 120 bpm}}
inputs:
  pad: {{type: switch, device: {{serial: "{sensor}"}}, debounce: 0 ms}}
parts:
  tune: {{input: pad, rules: [note: {{degree: 1, octave: 2}}, {{RULE}}], output: {{port: synth, channel: 5}}}}
outputs:
  synth: {{midi: "{synth}:*"}}
"""
FLOODS = {
    "presses": b"1\n0\n",
    "the same again": b"1\n",
    "garbage": bytes(range(128, 256)) + b"\r\n",
    "a line that never ends": b"7" * 64,
    "lines that are too long": b"7" * 5000 + b"\n",
}


def two_seats(bedside, part, tmp_path, path, rule="arpeggio: {{rate: 1/16}}", **options):
    """The hand plays at one seat, and ``path`` is the line of another's."""
    (tmp_path / "floor").mkdir()
    seat = f"{{profile: wren, folder: {tmp_path / 'profiles'}}}"
    listener = part(Listener)
    text = OTHER.replace("{{RULE}}", rule).format(child="lark", sensor=path, synth=listener.client)
    (tmp_path / "floor" / "lark.yaml").write_text(text, encoding="utf-8")
    more = f"  floor: {{profile: lark, folder: {tmp_path / 'floor'}}}\nchime: no"
    pc, _, sensor = bedside(listener, seat=seat, more=more, **options)
    return pc, listener, sensor


def on_channel(listener, channel):
    """How many notes were begun and ended on a channel."""
    kinds = Counter(
        status & 0xF0 if data[1] else 0x80 for status, *data in list(listener.heard) if status & 0x0F == channel - 1
    )
    return kinds[0x90], kinds[0x80]


def presses_are_heard(listener, sensor, channel=3, times=10):
    """Each press of the hand begins one note and ends it."""
    begun, ended = on_channel(listener, channel)
    for done in range(1, times + 1):
        sensor.pascal = 1.0
        until(lambda done=done: on_channel(listener, channel) == (begun + done, ended + done - 1))
        sensor.pascal = 0.0
        until(lambda done=done: on_channel(listener, channel) == (begun + done, ended + done))
        time.sleep(PACE)


@jack
@pytest.mark.parametrize("flood", FLOODS)
def test_a_flood_at_one_input_makes_nobody_else_wait(bedside, part, tmp_path, flood):
    hand = part(lambda _folder: Tapping(FLOODS[flood]))
    pc, listener, sensor = two_seats(bedside, part, tmp_path, hand.path, start={"options": ()})
    hand.start()
    presses_are_heard(listener, sensor)
    sensor.pascal = 1.0
    before = pc.seat_status()["playing"]
    pc.put("wren", FINCH)  # the rest goes on, too: the folder, the socket
    until(lambda: pc.seat_status()["playing"] < before)  # a line about it may be among those that had no room
    sensor.pascal = 0.0
    assert pc.ask(do="panic")["ok"]
    time.sleep(0.1)
    presses_are_heard(listener, sensor)
    status = pc.ask(do="status")["status"]["seats"]
    hand.stop()
    if "line" in flood:
        assert status["floor"]["dropped"]["samples"] > 0
        assert len(pc.events("input_dropped")) == 1
    assert status["bed"]["dropped"] == {"log_lines": 0, "samples": 0, "messages": 0}
    hand.say(b"\n0\n")
    until(lambda: pc.ask(do="status")["status"]["seats"]["floor"]["inputs"]["pad"]["value"] is False)
    time.sleep(1.2)  # the flood has used up the notes of its second
    before = on_channel(listener, 5)[0]
    hand.say(b"1\n")
    until(lambda: on_channel(listener, 5)[0] > before)  # and whose line it was plays again
    hand.say(b"0\n")
    until(lambda: not listener.sounding())
    assert pc.stop() == 0


STUCK = '''"""Each press plays nothing, for ever.

Example::

    rules:
      - endless: {}
"""

from router.rule import Kind, Plays


class Endless(Plays):
    name = "endless"
    takes = Kind.NOTES
    settings = {"type": "object", "additionalProperties": False, "properties": {}}

    def note_on(self, note, now):
        while True:
            pass
'''


@jack
def test_a_rule_of_others_that_is_stuck_costs_its_own_part_only(bedside, part, tmp_path):
    rules = tmp_path / "rules"
    rules.mkdir(0o755)
    (rules / "endless.py").write_text(STUCK)
    (rules / "endless.py").chmod(0o644)
    hand = part(lambda _folder: Tapping(b""))
    pc, listener, sensor = two_seats(
        bedside, part, tmp_path, hand.path, "endless: {{}}", start={"ROUTER_RULES": str(rules), "options": ()}
    )
    presses_are_heard(listener, sensor, times=3)
    sensor.pascal = 1.0
    until(lambda: listener.sounding() == {WREN})
    hand.say(b"0\n1\n")
    (fault,) = pc.wait_for("rule_fault")
    assert fault["seat"] == "floor"
    assert fault["rule"] == "endless"
    sensor.pascal = 0.0
    until(lambda: not listener.sounding())
    hand.say(b"0\n1\n0\n")
    presses_are_heard(listener, sensor)
    assert len(pc.events("rule_fault")) == 1
    assert pc.stop() == 0


# --- signals and the socket ---------------------------------------------------------------------------------------


@jack
def test_a_storm_of_hang_ups_makes_nobody_wait(bedside):
    pc, listener, sensor = bedside()
    before = pc.cost()

    def storm():
        for _ in range(200):
            pc.process.send_signal(signal.SIGHUP)
            time.sleep(0.005)

    sending = threading.Thread(target=storm)
    sending.start()
    while sending.is_alive():
        keeps_playing(listener, sensor, times=1)
    sending.join()
    pc.configure("chime: yes")
    pc.process.send_signal(signal.SIGHUP)
    pc.put("lark", LARK)
    until(lambda: any(status == 0x9F for status, *_ in list(listener.heard)))  # the chime: the last one was read, too
    assert pc.events("configuration_read")
    assert not [event for event in pc.events() if event["level"] == "error"]
    assert pc.cost().descriptors < before.descriptors + 20  # some come and go with other clients of the JACK server
    assert pc.cost().threads == before.threads
    assert pc.stop() == 0


@jack
def test_whoever_misuses_the_socket_makes_nobody_wait(bedside):
    pc, listener, sensor = bedside()
    ended = threading.Event()
    misuse = [
        threading.Thread(target=misused, args=(pc.runtime / "control", says, ended))
        for says in (b'{"do": "status"}\n', b'{"do": "watch"}\n', b"\xff\x00garbage\n", b"x" * 100_000, b"")
        for _ in range(3)
    ]
    for each in misuse:
        each.start()
    try:
        keeps_playing(listener, sensor, times=20)
    finally:
        ended.set()
        for each in misuse:
            each.join()
    assert until(lambda: answers(pc))["ok"]
    assert not [event for event in pc.events() if event["level"] == "error"]
    assert pc.stop() == 0


def misused(path, says, ended):
    """Say it again and again, and read nothing of what is answered."""
    while not ended.is_set():
        try:
            with socket.socket(socket.AF_UNIX) as client:
                client.settimeout(0.2)
                client.connect(str(path))
                while not ended.is_set():
                    client.sendall(says)
                    if not says:
                        time.sleep(0.1)
        except OSError:  # thrown out
            time.sleep(0.01)


def answers(pc):
    from router.bedside.control_request import ControlError

    try:
        return pc.ask(do="status")
    except (ControlError, OSError):  # too many at a time
        return None


# --- JACK ---------------------------------------------------------------------------------------------------------

HEARS = """
import sys, time, rtmidi
port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="ear")
port.set_callback(lambda event, _data: print(*event[0], flush=True))
port.open_virtual_port("in")
print("open", flush=True)
time.sleep(3600)
"""


class Ear:
    """Hears what comes to a port of a server that may die: a process of its own, as it may die with it."""

    def __init__(self, folder):
        self._heard = folder / unique("heard")
        with self._heard.open("wb") as heard:
            self._process = subprocess.Popen([sys.executable, "-c", HEARS], stdout=heard, stderr=subprocess.DEVNULL)
        until(lambda: "open" in self._lines())

    def _lines(self):
        return self._heard.read_text().splitlines()

    def sounding(self):
        on = set()
        for line in self._lines():
            numbers = [int(word) for word in line.split() if word.isdecimal()]
            if len(numbers) == 3 and numbers[0] & 0xF0 in (0x80, 0x90):
                (on.add if numbers[0] & 0xF0 == 0x90 and numbers[2] else on.discard)(numbers[1])
        return on

    def heard(self):
        """The notes that were begun."""
        return {int(line.split()[1]) for line in self._lines() if line.startswith("146 ")}

    def close(self):
        self._process.kill()
        self._process.wait()


def taps(sensor):
    """One effort, whoever hears it."""
    sensor.pascal = 1.0
    time.sleep(PACE)
    sensor.pascal = 0.0
    time.sleep(PACE)
    return True


@pytest.mark.own_process
def test_a_jack_server_that_dies_and_comes_back_is_used_again_by_itself(part, tmp_path, monkeypatch):
    """Sending to a server that has gone never returns in python-rtmidi, and freezes every thread of the program."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", DYING)
    monkeypatch.setenv("ROUTER_MIDI", "jack")
    server, ear, sensor = part(Server, DYING), part(Ear), part(Sensor)
    pc = Bedside(tmp_path, "ear", sensor, more="chime: no")
    try:
        pc.start()
        plays(ear, sensor, WREN)
        sensor.pascal = 1.0
        until(lambda: ear.sounding() == {WREN})
        server.kill()
        pc.wait_for("output_lost")
        sensor.pascal = 0.0
        pc.wait_for("release", 2)  # it goes on
        assert not pc.seat_status()["outputs"]["synth"]["there"]
        pc.put("lark", LARK)  # and takes the next child
        pc.wait_for("swap")
        server.start()
        again = part(Ear)
        until(lambda: pc.seat_status()["outputs"]["synth"]["device"] == 'the MIDI port "ear:in"')
        assert again.sounding() == set()  # nothing from the past
        until(
            lambda: taps(sensor) and LARK in again.heard()
        )  # a server that has just begun misses a cycle now and then
        assert pc.stop() == 0
    finally:
        pc.close()
