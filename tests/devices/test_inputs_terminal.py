"""The terminal's keys: the table of times on virtual time, and a real pseudo-terminal."""

import os
import subprocess
import sys
import termios
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.events import SwitchSample
from router.devices.descriptions import TerminalKey
from router.devices.inputs import by_device, open_input
from router.devices.inputs.base import DeviceLost, DeviceMissing
from router.devices.inputs.terminal import (
    ESCAPE,
    GAP,
    HOLD,
    MILLISECOND,
    SAME,
    WAIT,
    Keys,
    Letters,
    TerminalInput,
)

DOWN, UP = "down", "up"


def played(times, keys=None, letter=" "):
    """What the letter at these times (milliseconds) makes: (millisecond, down or up) until all is quiet."""
    keys = keys or Keys({"pad": " "})
    said = []
    for at in times:
        said += keys.letter(letter, at * MILLISECOND)
    while (deadline := keys.deadline()) is not None:
        said += keys.wake(deadline)
    return [(when // MILLISECOND, DOWN if sample.pressed else UP) for when, sample in said]


# Each line of the table in router/devices/inputs/terminal.py, with the borders of its times.
@pytest.mark.parametrize(
    ("times", "expected"),
    [
        pytest.param([0], [(0, DOWN), (700, UP)], id="one tap is held for HOLD"),
        pytest.param([0, 199], [(0, DOWN), (199, UP), (199, DOWN), (899, UP)], id="within SAME: a new tap at once"),
        pytest.param(
            [0, 200], [(0, DOWN), (260, UP), (260, DOWN), (900, UP)], id="later and alone: a new tap, after WAIT"
        ),
        pytest.param([0, 699], [(0, DOWN), (759, UP), (759, DOWN), (1399, UP)], id="just before HOLD, alone"),
        pytest.param([0, 700], [(0, DOWN), (700, UP), (700, DOWN), (1400, UP)], id="at HOLD: released, pressed anew"),
        pytest.param([0, 250, 283], [(0, DOWN), (433, UP)], id="repeat begins, and ends GAP after its last"),
        pytest.param([0, 250, 309], [(0, DOWN), (459, UP)], id="just within WAIT: repeat"),
        pytest.param(
            [0, 250, 310], [(0, DOWN), (310, UP), (310, DOWN), (310, UP), (310, DOWN), (1010, UP)], id="at WAIT: taps"
        ),
        pytest.param([0, 500, 533, 566, 715], [(0, DOWN), (865, UP)], id="repeat goes on within GAP"),
        pytest.param([0, 500, 533, 683], [(0, DOWN), (683, UP), (683, DOWN), (1383, UP)], id="after GAP: a new press"),
        pytest.param([0, 0], [(0, DOWN), (0, UP), (0, DOWN), (700, UP)], id="two letters in one read are two taps"),
        pytest.param([0, 1000], [(0, DOWN), (700, UP), (1000, DOWN), (1700, UP)], id="two presses far apart"),
    ],
)
def test_the_table(times, expected):
    assert played(times) == expected


# Usual auto-repeat settings: the Linux console 250 ms and 30 a second, X 660 ms and 25 a second, older X 500 ms and 30
# a second, Windows 500 ms and 30 a second (from memory; common practice, no source).
@pytest.mark.parametrize(("delay", "period"), [(250, 33), (660, 40), (500, 33), (400, 25), (225, 30)])
@pytest.mark.parametrize("held", [800, 1500, 5000])
def test_key_repeat_makes_one_press_however_long(delay, period, held):
    times = [0, *range(delay, held, period)]
    said = played(times)
    assert [what for _when, what in said] == [DOWN, UP]
    assert said[1][0] == times[-1] + GAP // MILLISECOND


@given(st.lists(st.integers(61, 2000), max_size=20))
def test_every_tap_is_heard(pauses):
    """Taps further apart than a repeat's letters: as many presses as taps, and presses and releases alternate."""
    times = [0]
    for pause in pauses:
        times.append(times[-1] + pause)
    said = [what for _when, what in played(times)]
    assert said == [DOWN, UP] * len(times)


@given(st.lists(st.integers(0, 900), max_size=40))
def test_whatever_comes_presses_and_releases_alternate_in_time(pauses):
    times = [0]
    for pause in pauses:
        times.append(times[-1] + pause)
    said = played(times)
    assert [what for _when, what in said] == [DOWN, UP] * (len(said) // 2)
    assert [when for when, _what in said] == sorted(when for when, _what in said)
    assert said[-1][0] <= times[-1] + (WAIT + HOLD) // MILLISECOND


def test_keys_do_not_disturb_each_other():
    keys = Keys({"left": "a", "right": "l"})
    said = []
    for at, letter in ((0, "a"), (100, "l"), (250, "a"), (283, "a"), (300, "x")):
        said += keys.letter(letter, at * MILLISECOND)
    while (deadline := keys.deadline()) is not None:
        said += keys.wake(deadline)
    assert [(when // MILLISECOND, sample.input, sample.pressed) for when, sample in said] == [
        (0, "left", True),
        (100, "right", True),
        (433, "left", False),
        (800, "right", False),
    ]


def test_two_inputs_on_one_key_and_caps_lock():
    keys = Keys({"one": "a", "two": "a"})
    assert [sample for _when, sample in keys.letter("A", 0)] == [SwitchSample("one", True), SwitchSample("two", True)]


def test_a_late_wake_keeps_the_times_of_the_decisions():
    keys = Keys({"pad": " "})
    assert list(keys.letter(" ", 0)) == [(0, SwitchSample("pad", True))]
    assert list(keys.wake(10 * HOLD)) == [(HOLD, SwitchSample("pad", False))]
    assert SAME < HOLD


def letters(*pieces):
    decoder = Letters()
    return "".join(letter for at, data in pieces for letter in decoder.feed(data, at * MILLISECOND))


@pytest.mark.parametrize(
    "sequence",
    [
        b"\x1b[A",  # up
        b"\x1b[1;5C",  # Ctrl-Right
        b"\x1bOP",  # F1
        b"\x1b[15~",  # F5
        b"\x1b[[A",  # F1 on the Linux console
        b"\x1b[200~",  # a paste begins
        b"\x1ba",  # Alt-a
    ],
)
@pytest.mark.parametrize("whole", [True, False])
def test_what_begins_with_escape_is_swallowed_whole(sequence, whole):
    """Sequences of ECMA-48 and of the Linux console, console_codes(4), at once and letter by letter."""
    pieces = [(0, sequence)] if whole else [(n, bytes([byte])) for n, byte in enumerate(sequence)]
    assert letters(*pieces, (20, b"x")) == "x"


def test_escape_alone_is_no_key_and_takes_none_with_it():
    assert letters((0, b"\x1b"), (ESCAPE // MILLISECOND, b"a")) == "a"
    assert letters((0, b"\x1b[1"), (1000, b"a")) == "a"


def test_letters_of_several_bytes_come_whole_and_rubbish_does_not_come():
    assert letters((0, "é".encode()[:1]), (1, "é".encode()[1:]), (2, b"\xffa\r")) == "éa\n"


@given(st.binary(max_size=200))
def test_no_bytes_make_trouble(data):
    keys = Keys({"pad": " "})
    decoder = Letters()
    for letter in decoder.feed(data, 0):
        list(keys.letter(letter, 0))


# --- a real pseudo-terminal ---------------------------------------------------------------------------------------


@pytest.fixture
def terminal():
    master, slave = os.openpty()
    yield master, slave
    for descriptor in (master, slave):
        try:
            os.close(descriptor)
        except OSError:
            continue


def test_keys_come_at_once_unseen_and_the_terminal_is_put_back(terminal, descriptors):
    master, slave = terminal
    before, open_before = termios.tcgetattr(slave), descriptors()
    keys = TerminalInput({"pad": TerminalKey("space"), "go": TerminalKey("enter")}, slave)
    assert keys.read(0) == []
    os.write(master, b" \r")  # the terminal may make a line end of it, or not
    deadline = time.monotonic() + 10
    said = []
    while len(said) < 2 and time.monotonic() < deadline:
        said += keys.read(5)
    assert said == [(5, SwitchSample("pad", True)), (5, SwitchSample("go", True))]
    assert keys.deadline() == 5 + HOLD
    assert len(keys.wake(5 + HOLD)) == 2
    os.set_blocking(master, False)
    with pytest.raises(BlockingIOError):  # nothing was shown
        os.read(master, 100)
    assert termios.tcgetattr(slave) != before
    assert os.get_blocking(slave)  # the descriptor that the shell shares is as it was
    keys.close()
    keys.close()
    assert termios.tcgetattr(slave) == before
    assert descriptors() == open_before


def test_a_terminal_that_goes_is_lost(terminal):
    master, slave = terminal
    keys = TerminalInput({"pad": TerminalKey("space")}, slave)
    os.close(master)
    with pytest.raises(DeviceLost):
        keys.read(0)
    keys.close()


def test_what_is_no_terminal_is_refused_in_plain_words():
    reader, writer = os.pipe()
    with pytest.raises(DeviceMissing, match="does not run in a terminal"):
        TerminalInput({"pad": TerminalKey("space")}, reader)
    os.close(reader)
    os.close(writer)


def test_all_keys_of_the_terminal_are_one_device():
    devices = {"a": TerminalKey("a"), "space": TerminalKey("space")}
    assert [list(group) for group in by_device(devices)] == [["a", "space"]]
    with pytest.raises(DeviceMissing):  # standard input of a test is no terminal
        open_input(devices, {"a": "switch", "space": "switch"})


HOLDER = """
import signal, sys
from router.devices.descriptions import TerminalKey
from router.devices.inputs.terminal import TerminalInput
from router.system.loop import Loop
loop = Loop(print)
with loop.stopped_by([signal.SIGINT]):
    keys = TerminalInput({"pad": TerminalKey("space")})
    print("open", flush=True)
    loop.run(lambda: None, lambda now: None)
keys.close()
print("closed", loop.stopping_signal.name, flush=True)
"""


def test_ctrl_c_still_ends_the_program_and_ctrl_z_does_not_stop_it(in_terminal):
    program = in_terminal(sys.executable, "-c", HOLDER)
    program.wait_for(b"open")
    program.type(b"\x1a\x1c\x13 ")  # Ctrl-Z, Ctrl-\\, Ctrl-S: none of them ends or stops it
    time.sleep(0.2)
    assert os.waitpid(program.process.pid, os.WNOHANG | os.WUNTRACED) == (0, 0)
    program.type(b"\x03")
    program.wait_for(b"closed SIGINT")
    assert program.process.wait(10) == 0


BACKGROUND = """
import os
from router.devices.descriptions import TerminalKey
from router.devices.inputs.base import DeviceMissing
from router.devices.inputs.terminal import TerminalInput
child = os.fork()
if child == 0:
    os.setpgid(0, 0)
    try:
        TerminalInput({"pad": TerminalKey("space")})
    except DeviceMissing as error:
        os._exit(7 if "background" in str(error) else 8)
    os._exit(9)
print("child ended", os.waitstatus_to_exitcode(os.waitpid(child, os.WUNTRACED)[1]), flush=True)
"""


def test_in_the_background_it_is_refused_instead_of_stopped(in_terminal):
    """A program that changes the terminal from the background is stopped by the kernel, with no word said."""
    in_terminal(sys.executable, "-c", BACKGROUND).wait_for(b"child ended 7")


def test_the_module_can_be_imported_where_there_is_no_termios():
    code = "import sys; sys.modules['termios'] = None; import router.devices.inputs.terminal"
    subprocess.run([sys.executable, "-c", code], check=True)
