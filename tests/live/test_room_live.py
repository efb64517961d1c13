"""Children play together on real parts: several seats in one router process, and a keyboard in another, over JACK."""

import json
import subprocess
import sys
import time

from tests.shared.children import Line
from tests.shared.parts import Listener, unique
from tests.shared.waiting import until

ARPEGGIO = 'note: {degree: 1}, chord: {follow: true}, arpeggio: {rate: 1/8, begin: "on the beat"}'

KEYBOARD = '''
"""A keyboard of its own process: each line of standard input is a message, as numbers."""
import sys
import rtmidi
port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=sys.argv[1])
port.open_virtual_port("keys")
print("there", flush=True)
for line in sys.stdin:
    port.send_message([int(number) for number in line.split()])
    print("sent", flush=True)
'''


class Keyboard:
    """A keyboard that another process is."""

    def __init__(self, _folder):
        self.client = unique("sim-keys")
        self._process = subprocess.Popen(
            [sys.executable, "-c", KEYBOARD, self.client], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self._process.stdout.readline() == "there\n"

    def send(self, *data):
        self._process.stdin.write(" ".join(map(str, data)) + "\n")
        self._process.stdin.flush()
        assert self._process.stdout.readline() == "sent\n"

    def hold(self, *notes):
        for note in notes:
            self.send(0x90, note, 64)

    def let_go(self, *notes):
        for note in notes:
            self.send(0x80, note, 64)

    def close(self):
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(10)


def struck(listener, channel):
    """The notes that have begun on a channel, in their order."""
    return [data[1] for data in list(listener.heard) if data[0] == (0x90 | channel - 1) and data[2]]


def played(listener, line, channel, count):
    """An effort at a switch, and the notes that it begins."""
    before = len(struck(listener, channel))
    line.press()
    until(lambda: len(struck(listener, channel)) >= before + count)
    line.press(False)
    until(lambda: not on(listener, channel))
    return struck(listener, channel)[before:]


def on(listener, channel):
    sounding = set()
    for status, *data in list(listener.heard):
        if status == (0x90 | channel - 1) and data[1]:
            sounding.add(data[0])
        elif status in (0x80 | channel - 1, 0x90 | channel - 1):
            sounding.discard(data[0])
    return sounding


def test_two_children_follow_the_keyboard_of_another_process(children, part):
    keyboard = part(Keyboard)
    room = f'room: {{keyboard: {{midi: "{keyboard.client}*", leads: chords, channel: 16, hold: 67}}}}'
    pc, listener, (one, two) = children(room=room)
    until(lambda: pc.ask(do="status")["status"]["room"]["inputs"]["keyboard"]["there"])
    for notes, classes in (((60, 64, 67), {0, 4, 7}), ((53, 57, 60), {5, 9, 0}), ((57, 60, 64, 67), {9, 0, 4, 7})):
        keyboard.send(0x9F, notes[0], 60)
        for note in notes[1:]:
            keyboard.send(0x9F, note, 60)
        until(lambda: chord_of(pc))
        time.sleep(0.1)
        for line, channel in ((one, 1), (two, 2)):
            heard = played(listener, line, channel, len(classes))
            assert {note % 12 for note in heard} == classes
        for note in notes:
            keyboard.send(0x8F, note, 0)
    keyboard.send(0xBF, 67, 127)  # held: another chord changes nothing
    for note in (62, 65, 69):
        keyboard.send(0x9F, note, 60)
    time.sleep(0.1)
    assert {note % 12 for note in played(listener, one, 1, 4)} == {9, 0, 4, 7}
    assert pc.stop() == 0
    assert not listener.sounding()


def chord_of(pc):
    return pc.ask(do="status")["status"]["room"]["chord"]


def test_what_the_keyboard_plays_is_passed_on_within_its_limits_and_ends_with_it(children, part):
    keyboard = part(Keyboard)
    synth = part(Listener)
    room = (
        f'room: {{keyboard: {{midi: "{keyboard.client}*", leads: key, output: {{midi: "{synth.client}:*"}}, '
        "note_length: 1 s}}"
    )
    pc, listener, (one, _) = children(room=room)
    until(lambda: pc.ask(do="status")["status"]["room"]["inputs"]["keyboard"]["there"])
    keyboard.send(0xB0, 64, 127)
    keyboard.send(0x90, 72, 50)
    until(lambda: len(synth.heard) >= 2)
    until(lambda: synth.heard[2:] == [(0x80, 72, 0), (0xB0, 64, 0)])  # whose ends were lost
    synth.heard.clear()
    sent = [(0x90, 60, 1), (0xE0, 5, 70), (0xB0, 1, 99), (0x90, 64, 127), (0x80, 64, 11), (0xA0, 60, 5), (0xC3, 9)]
    for data in sent:
        keyboard.send(*data)
    until(lambda: len(synth.heard) >= len(sent))
    assert synth.heard == [*sent[:3], (0x90, 64, 110), *sent[4:]]  # no louder than a keyboard's default
    assert played(listener, one, 1, 3)  # the seats play beside it, elsewhere
    keyboard.close()  # with a note that is on
    until(lambda: not synth.sounding())
    assert (0x80, 60, 0) in synth.heard
    assert pc.stop() == 0


def test_seats_of_one_channel_are_kept_apart_and_a_swap_at_one_leaves_the_other(children):
    pc, listener, (one, two) = children(follow="tempo", rules=("note: {degree: 1}", "note: {degree: 1}"))
    one.press()
    two.press()
    until(lambda: on(listener, 1) == on(listener, 2) == {60})
    one.press(False)
    until(lambda: not on(listener, 1))
    assert on(listener, 2) == {60}
    one.press()
    until(lambda: on(listener, 1) == {60})
    text = (pc.folder / "window" / "wren.yaml").read_text(encoding="utf-8").replace("degree: 1", "degree: 5")
    (pc.folder / "window" / "wren.yaml").write_text(text, encoding="utf-8")
    pc.wait_for("swap")
    until(lambda: not on(listener, 1))
    assert on(listener, 2) == {60}
    assert not [data for data in listener.heard if data[0] == 0xB1]  # not even a controller
    one.press(False)
    one.press()
    until(lambda: on(listener, 1) == {67})
    two.press(False)
    until(lambda: not on(listener, 2))
    assert pc.stop() == 0
    assert not listener.sounding()


def begun(pc, child):
    """When each of a child's notes began, in seconds of the router's own clock; also while it plays."""
    (log,) = (pc.records / child).glob("*.jsonl")
    entries = map(json.loads, log.read_bytes().rpartition(b"\n")[0].splitlines())
    return [entry["t"] for entry in entries if entry.get("event") == "note_on"]


def eights(times):
    """How long each eight steps took."""
    return [after - before for before, after in zip(times, times[8:], strict=False)]


def test_taps_of_a_pedal_set_the_tempo_that_both_play_in(children, part):
    """No limit here is one of time: a machine that is held up makes intervals longer, and what is allowed with them."""
    pedal = part(Line)
    room = f'room: {{}}\nbuttons: {{pedal: {{device: {{serial: "{pedal.path}"}}, does: tap}}}}'
    pc, listener, (one, two) = children(room=room, rules=(ARPEGGIO, ARPEGGIO))
    sent, heard = [], []

    def shared():
        return pc.ask(do="status")["status"]["room"]

    def tap():
        sent.append(time.monotonic())
        pedal.press()
        pc.wait_for("button", len(sent))
        heard.append(time.monotonic())
        pedal.press(False)
        time.sleep(0.37)  # about 150 a minute
        return len(sent) >= 6 and shared()["tempo_from"] == "taps"

    until(tap)
    tempo = shared()["tempo"]
    # Each tap has its time between its two stamps here; what is a quarter off others is taken for several beats, or
    # left out.
    shortest = min(after - before for before, after in zip(heard, sent[1:], strict=False))
    longest = max(after - before for before, after in zip(sent, heard[1:], strict=False))
    assert 0.75 * shortest < 60 / tempo < 1.25 * longest
    one.press()
    time.sleep(0.3)
    two.press()
    step = 30 / tempo
    # A busy machine may be late with a step by less than one, and then leaves some out: eight take more than seven.
    # Sooner or later eight come in time; in the tempo of the profile they never would.
    until(lambda: all(any(took < 8.5 * step for took in eights(begun(pc, child))) for child in ("wren", "lark")))
    one.press(False)
    two.press(False)
    until(lambda: not listener.sounding())
    assert pc.stop() == 0
    for child in ("wren", "lark"):
        assert min(eights(begun(pc, child))) > 6.99 * step


def test_a_level_is_set_while_they_play(children):
    pc, listener, (one, _) = children(rules=("note: {degree: 1}", "note: {degree: 1}"), seats=("", ", level: 50 %"))
    volumes = until(lambda: [data for data in listener.heard if data[0] == 0xB1 and data[1] == 7])
    assert volumes == [(0xB1, 7, 45)]  # half of the limit of 90
    assert pc.ask(do="level", level=0.2, seat="window")["ok"]
    until(lambda: (0xB0, 7, 18) in listener.heard)
    assert not pc.ask(do="level", level=0.2)["ok"]  # which of the two?
    assert played(listener, one, 1, 1) == [60]
    assert pc.stop() == 0


CLOCK = '''
"""A drum machine of its own process: its MIDI clock at 100 a minute, from Start until it is told to end."""
import sys
import time
import rtmidi
port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=sys.argv[1])
port.open_virtual_port("out")
print("there", flush=True)
sys.stdin.readline()
port.send_message([0xFA])
begun = time.monotonic()
for tick in range(24 * 100):
    time.sleep(max(0.0, begun + tick * 60 / 100 / 24 - time.monotonic()))
    port.send_message([0xF8])
'''


class Machine:
    """A drum machine that another process is."""

    def __init__(self, _folder):
        self.client = unique("sim-drums")
        self.process = subprocess.Popen(
            [sys.executable, "-c", CLOCK, self.client], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout.readline() == "there\n"

    def start(self):
        self.process.stdin.write("\n")
        self.process.stdin.flush()

    def close(self):
        self.process.kill()
        self.process.wait(10)
        self.process.stdin.close()
        self.process.stdout.close()


def test_the_clock_of_another_process_is_followed_and_ours_is_sent(children, part):
    drums, follower = part(Machine), part(Listener)
    follower.port.ignore_types(timing=False)
    room = f'room: {{clock: {{from: "{drums.client}*", to: "{follower.client}:*"}}}}'
    pc, listener, (one, _) = children(room=room, rules=(ARPEGGIO, ARPEGGIO))

    def shared():
        return pc.ask(do="status")["status"]["room"]

    until(lambda: shared()["inputs"]["clock"]["there"])
    assert not shared()["tempo_from"]
    drums.start()
    until(lambda: shared()["tempo_from"] == "clock")
    until(lambda: abs(shared()["tempo"] - 100) < 10)
    assert played(listener, one, 1, 3)
    until(lambda: (0xFA,) in follower.heard)  # at a bar
    before = len(follower.heard)
    until(lambda: len(follower.heard) > before + 24)
    assert set(follower.heard) <= {(0xF8,), (0xFA,), (0xFB,), (0xFC,)} | {
        data for data in follower.heard if data[0] == 0xF2
    }
    drums.close()
    until(lambda: shared()["tempo_from"] == "clock lost")
    assert abs(shared()["tempo"] - 100) < 10  # it goes on as it was
    assert played(listener, one, 1, 3)
    assert pc.stop() == 0
    until(lambda: follower.heard[-1] == (0xFC,))
