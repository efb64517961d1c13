"""Kernel input devices: events as the kernel writes them, over a real pipe; what only the kernel answers is given."""

import errno
import os
import random
import struct

import pytest
from evdev import ecodes

from router.core.events import PointerSample, PressureSample, SwitchSample
from router.devices.descriptions import EvdevAxis, EvdevPointer, EvdevSwitch
from router.devices.inputs import by_device, evdev, kernel_devices, open_input
from router.devices.inputs.base import DeviceBusy, DeviceLost, DeviceMissing
from router.devices.inputs.evdev import EvdevInput, Events, KernelEvents
from router.devices.inputs.kernel_devices import Axis, Present
from router.devices.names import Candidate, matches
from tests.shared.kernel import Kernel, key

SPACE, ENTER, X, Y, Z = 57, 28, 0, 1, 2
SPACE_KEY, ENTER_KEY = EvdevSwitch("*", "KEY_SPACE"), EvdevSwitch("*", "KEY_ENTER")


@pytest.fixture
def kernels():
    made = []

    def make(**settings):
        made.append(Kernel(**settings))
        return made[-1]

    yield make
    for kernel in made:
        kernel.close()


def axis(code, value):
    return (3, code, value)


def moved(code, value):
    return (2, code, value)


DROPPED = (0, 3, 0)


def samples(device, now=9):
    return [sample for _stamp, sample in device.read(now)]


def test_the_constants_are_those_of_the_kernels_headers():
    """linux/input.h and input-event-codes.h, through python-evdev, which compiles them in;
    EVIOCSCLOCKID compiled on x86_64.
    """
    ours = (kernel_devices.EV_SYN, kernel_devices.EV_KEY, kernel_devices.EV_REL, kernel_devices.EV_ABS)
    assert ours == (ecodes.EV_SYN, ecodes.EV_KEY, ecodes.EV_REL, ecodes.EV_ABS) == (0, 1, 2, 3)
    assert (kernel_devices.SYN_REPORT, kernel_devices.SYN_DROPPED) == (ecodes.SYN_REPORT, ecodes.SYN_DROPPED) == (0, 3)
    assert evdev.EVENT.size == struct.calcsize("@llHHi")
    if struct.calcsize("P") == 8:
        assert evdev.EVENT.size == 24
    # _IOW('E', 0xa0, int) of asm-generic/ioctl.h: direction 1 in bits 30 and 31, size in 16 to 29, type in 8 to 15.
    assert 1 << 30 | 4 << 16 | ord("E") << 8 | 0xA0 == kernel_devices.EVIOCSCLOCKID


@pytest.mark.parametrize(
    ("name", "number"),
    [
        *(("KEY_ESC", 1), ("KEY_ENTER", 28), ("KEY_A", 30), ("KEY_SPACE", 57), ("BTN_0", 0x100), ("BTN_LEFT", 0x110)),
        *(
            ("BTN_TRIGGER", 0x120),
            ("BTN_SOUTH", 0x130),
            ("BTN_TOUCH", 0x14A),
            ("ABS_X", 0),
            ("ABS_Y", 1),
            ("ABS_RX", 3),
        ),
    ],
)
def test_codes_by_the_kernels_names(name, number):
    """input-event-codes.h."""
    assert kernel_devices.code_of(name) == number


def test_a_name_that_the_kernel_does_not_have():
    with pytest.raises(DeviceMissing, match="the kernel has no KEY_SPCE; did you mean KEY_SPACE"):
        kernel_devices.code_of("KEY_SPCE")


def test_presses_and_releases_with_the_kernels_stamps(kernels):
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"pad": SPACE_KEY})
    kernel.send(key(SPACE, 1), at=(12, 345_678))
    kernel.send(key(SPACE, 0), at=(12, 400_000))
    assert device.read(0) == [(12_345_678_000, SwitchSample("pad", True)), (12_400_000_000, SwitchSample("pad", False))]
    assert device.read(0) == []


def test_auto_repeat_and_other_keys_are_nothing(kernels):
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"pad": SPACE_KEY})
    kernel.send(key(SPACE, 2))
    kernel.send(key(ENTER, 1), (4, 4, 458_756), (2, 0, 5))  # another key, a scan code, a mouse's move
    kernel.send(key(SPACE, 1))
    kernel.send(key(SPACE, 2))
    kernel.send(key(SPACE, 2))
    kernel.send(key(SPACE, 0))
    assert samples(device) == [SwitchSample("pad", True), SwitchSample("pad", False)]


def test_several_keys_and_two_inputs_on_one_key(kernels):
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"left": SPACE_KEY, "right": ENTER_KEY, "also": SPACE_KEY})
    kernel.send(key(SPACE, 1), key(ENTER, 1))
    assert samples(device) == [SwitchSample("left", True), SwitchSample("also", True), SwitchSample("right", True)]


def test_a_key_held_at_the_start_counts_from_its_next_press(kernels):
    kernel = kernels(held=[SPACE])
    device = EvdevInput(Events(kernel), {"pad": SPACE_KEY})
    kernel.send(key(SPACE, 2))
    kernel.send(key(SPACE, 0))
    assert samples(device) == []
    kernel.send(key(SPACE, 1))
    assert samples(device) == [SwitchSample("pad", True)]


def test_after_a_loss_what_was_missed_is_made_up(kernels):
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"one": SPACE_KEY, "two": ENTER_KEY})
    kernel.send(key(SPACE, 1))
    assert samples(device) == [SwitchSample("one", True)]
    kernel.keys = {ENTER}  # in the meantime the first was let go and the second pressed
    kernel.send(DROPPED, key(ENTER, 0))
    assert device.read(77) == [(77, SwitchSample("one", False)), (77, SwitchSample("two", True))]
    assert device.dropped == 1


def test_all_is_void_up_to_the_next_report_also_over_two_reads(kernels):
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"pad": SPACE_KEY})
    os.write(kernel.writer, struct.pack("@llHHi", 1, 0, *DROPPED))
    assert samples(device) == []
    os.write(kernel.writer, struct.pack("@llHHi", 1, 0, *key(SPACE, 1)))
    assert samples(device) == []
    kernel.send()
    assert samples(device) == []
    kernel.send(key(SPACE, 1))
    assert samples(device) == [SwitchSample("pad", True)]


def test_the_state_after_a_loss_is_newer_than_what_is_still_in_the_buffer(kernels):
    """A press behind the loss whose release the question for the state took away must not stick."""
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"pad": SPACE_KEY})
    kernel.send(DROPPED)
    kernel.send(key(SPACE, 1))
    assert samples(device) == [SwitchSample("pad", True), SwitchSample("pad", False)]


def test_a_key_held_at_the_start_and_let_go_in_a_loss(kernels):
    kernel = kernels(held=[SPACE])
    device = EvdevInput(Events(kernel), {"pad": SPACE_KEY})
    kernel.send(DROPPED)
    assert samples(device) == []  # still held
    kernel.keys = set()
    kernel.send(DROPPED)
    assert samples(device) == []
    kernel.send(key(SPACE, 1))
    assert samples(device) == [SwitchSample("pad", True)]


@pytest.mark.parametrize("seed", range(50))
def test_with_losses_anywhere_nothing_sticks(kernels, seed):
    """A kernel whose buffer runs over at random: in the end each input says what the key is."""
    chance = random.Random(seed)
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"one": SPACE_KEY, "two": ENTER_KEY})
    said = {"one": False, "two": False}
    for _ in range(60):
        code = chance.choice((SPACE, ENTER))
        kernel.keys ^= {code}
        kernel.send(DROPPED if chance.random() < 0.2 else key(code, int(code in kernel.keys)))
        if chance.random() < 0.3:
            for sample in samples(device):
                assert said[sample.input] != sample.pressed  # only changes are said
                said[sample.input] = sample.pressed
    kernel.send(DROPPED)
    for sample in samples(device):
        said[sample.input] = sample.pressed
    assert said == {"one": SPACE in kernel.keys, "two": ENTER in kernel.keys}


def test_a_place_comes_once_a_report_from_0_to_1(kernels):
    kernel = kernels(axes={X: Axis(0, -100, 100), Y: Axis(50, 0, 200)})
    device = EvdevInput(Events(kernel), {"head": EvdevPointer("*")})
    kernel.send(axis(X, 0), axis(Y, 200))
    kernel.send(axis(X, -100))
    kernel.send((2, 0, 1))
    assert samples(device) == [PointerSample("head", 0.5, 1.0), PointerSample("head", 0.0, 1.0)]


def test_the_axis_that_has_not_moved_is_where_it_was_at_the_start(kernels):
    kernel = kernels(axes={X: Axis(25, 0, 100), Y: Axis(75, 0, 100)})
    device = EvdevInput(Events(kernel), {"head": EvdevPointer("*")})
    kernel.send(axis(Y, 50))
    assert samples(device) == [PointerSample("head", 0.25, 0.5)]


def test_values_beyond_the_axis_are_kept_within(kernels):
    """The kernel does not keep them there."""
    kernel = kernels(axes={X: Axis(0, 0, 100), Y: Axis(0, 0, 100)})
    device = EvdevInput(Events(kernel), {"head": EvdevPointer("*")})
    kernel.send(axis(X, -5000), axis(Y, 2**31 - 1))
    assert samples(device) == [PointerSample("head", 0.0, 1.0)]


def test_a_place_after_a_loss(kernels):
    kernel = kernels(axes={X: Axis(0, 0, 100), Y: Axis(0, 0, 100)})
    device = EvdevInput(Events(kernel), {"head": EvdevPointer("*")})
    kernel.axes = {X: Axis(100, 0, 100), Y: Axis(0, 0, 100)}
    kernel.send(axis(X, 30), DROPPED)
    assert samples(device) == [PointerSample("head", 1.0, 0.0)]


def test_a_stick_near_its_middle_is_in_the_middle_and_reaches_both_ends(kernels):
    """The kernel's flat of EVIOCGABS: 15 of 255 is what it gives a gamepad's stick (drivers/hid/hid-input.c)."""
    kernel = kernels(axes={X: Axis(128, 0, 255, 15), Y: Axis(128, 0, 255, 15)})
    device = EvdevInput(Events(kernel), {"head": EvdevPointer("*")})
    kernel.send(axis(X, 140), axis(Y, 113))
    kernel.send(axis(X, 0), axis(Y, 255))
    kernel.send(axis(X, 143), axis(Y, 0))
    middle, ends, beside = samples(device)
    assert middle == PointerSample("head", 0.5, 0.5)
    assert ends == PointerSample("head", 0.0, 1.0)
    assert 0.5 < beside.x < 0.51
    assert beside.y == 0.0


def test_a_flat_that_is_wider_than_the_axis_means_nothing(kernels):
    kernel = kernels(axes={X: Axis(0, 0, 10, 5), Y: Axis(0, 0, 10, 900)})
    device = EvdevInput(Events(kernel), {"head": EvdevPointer("*")})
    kernel.send(axis(X, 10), axis(Y, 0))
    assert samples(device) == [PointerSample("head", 1.0, 0.0)]


MOUSE = EvdevPointer("*", "REL_X", "REL_Y", step=0.01)


def test_movements_are_added_up_from_the_middle(kernels):
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"head": MOUSE})
    kernel.send(moved(X, 10), moved(Y, -20))
    kernel.send(moved(X, 5))
    kernel.send(moved(8, 1))  # its wheel
    first, second = samples(device)
    assert (first.x, first.y) == pytest.approx((0.6, 0.3))
    assert (second.x, second.y) == pytest.approx((0.65, 0.3))


def test_movements_stop_at_the_borders_and_come_back_at_once(kernels):
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"head": MOUSE})
    kernel.send(moved(X, 2**31 - 1), moved(Y, -(2**31)))
    kernel.send(moved(X, -1), moved(Y, 1))
    far, back = samples(device)
    assert far == PointerSample("head", 1.0, 0.0)
    assert (back.x, back.y) == pytest.approx((0.99, 0.01))


def test_a_mouses_button_is_a_switch_beside_its_movement(kernels):
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"head": MOUSE, "click": EvdevSwitch("*", "BTN_LEFT")})
    kernel.send(moved(X, 10), key(ecodes.BTN_LEFT, 1))
    assert samples(device) == [SwitchSample("click", True), PointerSample("head", 0.6, 0.5)]


BREATH = EvdevAxis("*", "ABS_Z", scale=2.0, offset=100.0)


def test_an_axis_is_a_pressure_and_is_said_once_when_it_is_opened(kernels):
    """(reading - offset) * scale; nothing is clipped, and a stick's flat middle does not count."""
    kernel = kernels(axes={Z: Axis(110, 0, 255, 200)})
    device = EvdevInput(Events(kernel), {"cheek": BREATH})
    assert device.deadline() is not None
    assert device.wake(7) == [(7, PressureSample("cheek", 20.0))]
    assert device.deadline() is None
    assert device.wake(8) == []
    kernel.send(axis(Z, 90), axis(X, 3), at=(2, 5))
    kernel.send(axis(Z, 300), at=(3, 0))
    assert device.read(0) == [
        (2_000_005_000, PressureSample("cheek", -20.0)),
        (3_000_000_000, PressureSample("cheek", 400.0)),
    ]


def test_a_pressure_after_a_loss(kernels):
    kernel = kernels(axes={Z: Axis(110, 0, 255)})
    device = EvdevInput(Events(kernel), {"cheek": BREATH})
    kernel.axes = {Z: Axis(120, 0, 255)}
    kernel.send(axis(Z, 255), DROPPED)
    assert samples(device) == [PressureSample("cheek", 40.0)]
    kernel.send(DROPPED)
    assert samples(device) == []  # as it was


def test_an_axis_without_length_is_refused(kernels):
    kernel = kernels(axes={X: Axis(0, 0, 0), Y: Axis(0, 0, 100)})
    with pytest.raises(DeviceMissing, match="an axis of head has no length"):
        EvdevInput(Events(kernel), {"head": EvdevPointer("*")})


def test_a_read_that_fails_is_a_lost_device(kernels):
    """As after unplugging, when it fails with ENODEV; reading a folder fails, too."""
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"pad": SPACE_KEY})
    folder = os.open("/", os.O_RDONLY)
    os.dup2(folder, kernel.fileno())
    os.close(folder)
    with pytest.raises(DeviceLost, match=r'"Switch Box" \(/dev/input/event7\): Is a directory'):
        device.read(0)
    device.close()
    device.close()
    assert kernel.closed


def test_the_other_end_gone_is_a_lost_device(kernels):
    kernel = kernels()
    device = EvdevInput(Events(kernel), {"pad": SPACE_KEY})
    os.close(kernel.writer)
    with pytest.raises(DeviceLost):
        device.read(0)
    kernel.writer = os.open(os.devnull, os.O_WRONLY)  # for the fixture to close


def test_a_closed_input_writes_to_nobody_elses_descriptor(kernels):
    """Another thread may give it up, or another seat's read give to it, just after it was closed."""
    device = EvdevInput(Events(kernels()), {"pad": SPACE_KEY})
    device.close()
    others = [os.eventfd(0, os.EFD_NONBLOCK) for _ in range(8)]  # its numbers are theirs now
    device.give(KernelEvents([]), 0, poke=True)
    device.give_up("another seat has it")
    for other in others:
        with pytest.raises(BlockingIOError):
            os.eventfd_read(other)
        os.close(other)


# --- which device is meant ----------------------------------------------------------------------------------------


def there(name, path, *, keys=(), axes=(), moves=(), names=()):
    return Present(Candidate((name, *names, path)), path, {1: tuple(keys), 2: tuple(moves), 3: tuple(axes)})


@pytest.fixture
def plugged(monkeypatch):
    """The devices that are plugged in; opening one fails with what was opened."""

    def plug(*devices):
        monkeypatch.setattr(evdev, "present", lambda: list(devices))

    def node(path):
        raise OSError(errno.EBUSY, path)

    monkeypatch.setattr(evdev, "Node", node)
    return plug


def refusal(**devices):
    with pytest.raises(DeviceMissing) as refused:
        evdev.open_evdev(devices)
    return str(refused.value)


PAD = EvdevSwitch("*switch*", "KEY_SPACE")


def test_of_one_name_the_one_with_the_key_is_meant(plugged):
    """A keyboard is often several devices of one name."""
    plugged(
        there("Switch Box", "/dev/input/event3", keys=[113]),
        there("Switch Box", "/dev/input/event4", keys=[SPACE]),
    )
    assert (
        refusal(pad=PAD) == "input device /dev/input/event4 cannot be opened: another program has it for itself alone"
    )


def test_two_of_one_name_are_listed_by_their_ports(plugged):
    plugged(
        there("/dev/input/by-path/a-kbd", "/dev/input/event3", keys=[SPACE], names=["Switch Box"]),
        there("/dev/input/by-path/b-kbd", "/dev/input/event4", keys=[SPACE], names=["Switch Box"]),
    )
    assert refusal(pad=PAD).splitlines() == [
        '"*switch*" could be 2 input devices; write one of these:',
        '    evdev: "/dev/input/by-path/a-kbd"',
        '    evdev: "/dev/input/by-path/b-kbd"',
    ]


def test_a_device_without_the_key_is_said_so(plugged):
    plugged(there("Switch Box", "/dev/input/event3", keys=[ENTER]))
    assert refusal(pad=PAD).splitlines() == [
        'no input device called "*switch*" has KEY_SPACE; without it there are:',
        '    evdev: "Switch Box"',
    ]


def test_a_mouse_is_no_joystick(plugged):
    """Of one name the one with the axes is meant, and each kind of axis counts for itself:
    REL_X and ABS_X are both 0.
    """
    plugged(there("Pad", "/dev/input/event3", axes=[X, Y]), there("Pad", "/dev/input/event4", moves=[X, Y]))
    assert "/dev/input/event4" in refusal(head=EvdevPointer("Pad", "REL_X", "REL_Y"))
    assert "/dev/input/event3" in refusal(head=EvdevPointer("Pad"))
    plugged(there("Pad", "/dev/input/event3", axes=[X, Y]))
    said = refusal(head=EvdevPointer("Pad", "REL_X", "REL_Y"))
    assert said.startswith('no input device called "Pad" has REL_X and REL_Y')


def test_another_program_that_has_the_device_will_not_tell_when_it_gives_it_back(plugged):
    plugged(there("Switch Box", "/dev/input/event4", keys=[SPACE]))
    with pytest.raises(DeviceBusy):
        evdev.open_evdev({"pad": PAD})


def test_what_a_message_lists_can_be_pasted(plugged):
    """Brackets, quotes and all: each line of an ambiguous name's message, put into a profile, means that one device."""
    import yaml

    names = ["/dev/input/by-path/pci-0:1[a]-event", 'Box "A" \\ [left]']
    devices = [there(name, f"/dev/input/event{n}", keys=[SPACE], names=["Twin"]) for n, name in enumerate(names)]
    plugged(*devices)
    lines = refusal(pad=EvdevSwitch("Twin", "KEY_SPACE")).splitlines()[1:]
    for n, line in enumerate(lines):
        pattern = yaml.safe_load(line)["evdev"]
        assert pattern == names[n]
        assert f"/dev/input/event{n} " in refusal(pad=EvdevSwitch(pattern, "KEY_SPACE"))
    assert len(lines) == 2


def test_none_of_the_name(plugged):
    plugged(there("Other", "/dev/input/event3", keys=[SPACE]))
    assert refusal(pad=PAD).splitlines() == ['no input device is called "*switch*"; there are:', '    evdev: "Other"']


def test_none_at_all(plugged):
    plugged()
    assert refusal(head=EvdevPointer("*")).startswith('no input device is called "*"')


def test_keys_and_axes_of_one_device_are_opened_together():
    devices = {"a": EvdevSwitch("x", "BTN_0"), "b": EvdevPointer("x"), "c": EvdevSwitch("y", "BTN_0")}
    assert [list(group) for group in by_device(devices)] == [["a", "b"], ["c"]]


class Named:
    """What a device node says of itself."""

    def __init__(self, path):
        self.name, self.phys = "Twin Switch", f"usb-1/{path[-1]}"

    def capabilities(self, absinfo):
        return {1: [SPACE]}

    def close(self):
        pass


@pytest.mark.parametrize(
    ("numbers", "first"),
    [(2, ["by-id/A", "by-id/B"]), (1, ["by-path/1", "by-path/2"]), (0, ["by-path/1", "by-path/2"])],
)
def test_two_of_one_make_are_named_by_their_ports_unless_each_has_a_number(tmp_path, monkeypatch, numbers, first):
    """Without numbers of their own only one of the two gets a link by-id, and at the next boot it may be the other."""
    monkeypatch.setattr(kernel_devices, "DEVICES", tmp_path)
    monkeypatch.setattr(kernel_devices, "_SYSTEM", tmp_path / "system")
    monkeypatch.setattr("evdev.InputDevice", Named)
    for folder in ("by-id", "by-path"):
        (tmp_path / folder).mkdir()
    for number, letter in ((1, "A"), (2, "B")):
        (tmp_path / f"event{number}").touch()
        (tmp_path / "by-path" / str(number)).symlink_to(f"../event{number}")
        if number <= numbers:
            (tmp_path / "by-id" / letter).symlink_to(f"../event{number}")
    assert [device.candidate.name for device in kernel_devices.present()] == [str(tmp_path / name) for name in first]
    assert {device.candidate.remark for device in kernel_devices.present()} == {"Twin Switch"}
    (tmp_path / "event2").unlink()
    (alone,) = kernel_devices.present()
    assert alone.candidate.name == "Twin Switch"
    assert matches("*/by-path/1", alone.candidate.names)  # a profile that names the port goes on


def test_what_a_device_has_is_read_without_opening_it(tmp_path, monkeypatch):
    """A mouse's files as Linux 6.1 writes them on a 64-bit machine;
    opening a device is slow, and every look would open all.
    """
    device = tmp_path / "system" / "event3" / "device"
    (device / "capabilities").mkdir(parents=True)
    written = {"name": "Two Button Mouse", "phys": "usb-0000:00:04.0-1/input0"}
    written |= {"capabilities/key": "1f0000 0 0 0 0", "capabilities/rel": "1943", "capabilities/abs": "0"}
    for name, text in written.items():
        (device / name).write_text(text + "\n")
    (tmp_path / "event3").touch()
    monkeypatch.setattr(kernel_devices, "DEVICES", tmp_path)
    monkeypatch.setattr(kernel_devices, "_SYSTEM", tmp_path / "system")
    monkeypatch.setattr(kernel_devices, "_WORD", 64)
    monkeypatch.setattr("evdev.InputDevice", None)
    (mouse,) = kernel_devices.present()
    assert mouse.candidate.names == ("Two Button Mouse", "usb-0000:00:04.0-1/input0", str(tmp_path / "event3"))
    buttons = ("BTN_LEFT", "BTN_RIGHT", "BTN_MIDDLE", "BTN_SIDE", "BTN_EXTRA")
    moves = ("REL_X", "REL_Y", "REL_HWHEEL", "REL_WHEEL", "REL_WHEEL_HI_RES", "REL_HWHEEL_HI_RES")
    assert mouse.has == {
        kernel_devices.EV_KEY: tuple(map(kernel_devices.code_of, buttons)),
        kernel_devices.EV_REL: tuple(map(kernel_devices.code_of, moves)),
        kernel_devices.EV_ABS: (),
    }


def test_every_axis_that_a_profile_may_name_is_the_kernels():
    from router.files.profile.device_schema import ABSOLUTE, RELATIVE

    assert {*ABSOLUTE, *RELATIVE} <= {*ecodes.ecodes}
    assert len({*ABSOLUTE, *RELATIVE}) == len(ABSOLUTE) + len(RELATIVE)
    left_out = {name for name in ecodes.ecodes if name.startswith(("ABS_", "REL_"))} - {*ABSOLUTE, *RELATIVE}
    others = ("ABS_MT_", "ABS_MAX", "ABS_CNT", "REL_MAX", "REL_CNT", "ABS_RESERVED", "REL_RESERVED", "ABS_PROFILE")
    assert {name for name in left_out if not name.startswith(others)} == set()


# --- every device of a pattern, as one ----------------------------------------------------------------------------

ANY = EvdevSwitch("*", "KEY_SPACE", grab=False, each=True)


@pytest.fixture
def every(kernels, monkeypatch):
    """Makes a switch of every device in ``there``, and one more each time that something is plugged in."""
    there = []

    def plug(**settings):
        kernel = kernels(**settings)
        kernel.path = f"/dev/input/event{len(there)}"
        there.append(kernel)
        return kernel

    def present():
        has = {kernel_devices.EV_KEY: (SPACE,), kernel_devices.EV_REL: (), kernel_devices.EV_ABS: ()}
        return [Present(Candidate((f"Keyboard {kernel.path}",)), kernel.path, has) for kernel in there]

    monkeypatch.setattr(evdev, "present", present)
    monkeypatch.setattr(evdev, "Node", lambda path: next(kernel for kernel in there if kernel.path == path))
    return plug


def test_a_switch_of_every_device_is_pressed_while_it_is_pressed_on_any_of_them(every):
    left, right = every(), every()
    both = open_input({"pad": ANY}, {"pad": "switch"})
    left.send(key(SPACE, 1))
    assert samples(both) == [SwitchSample("pad", True)]
    right.send(key(SPACE, 1), at=(6, 0))
    left.send(key(SPACE, 0), at=(7, 0))
    assert samples(both) == []
    right.send(key(SPACE, 0))
    assert samples(both) == [SwitchSample("pad", False)]
    both.close()


def test_a_device_that_comes_later_is_taken_in_and_one_that_goes_lets_go_of_what_it_held(every, descriptors):
    before = descriptors()
    left = every()
    both = open_input({"pad": ANY}, {"pad": "switch"})
    right = every()
    both.more()()
    assert both.more() is None  # once is enough
    right.send(key(SPACE, 1))
    assert samples(both) == [SwitchSample("pad", True)]
    right.unplug()
    assert samples(both) == [SwitchSample("pad", False)]
    left.send(key(SPACE, 1))
    assert samples(both) == [SwitchSample("pad", True)]
    left.unplug()
    with pytest.raises(DeviceLost, match="hung up"):
        both.read(9)
    both.close()
    assert descriptors() == before


@pytest.mark.usefixtures("every")
def test_of_no_device_at_all_there_is_no_switch(descriptors):
    before = descriptors()
    with pytest.raises(DeviceMissing, match='called "\\*"'):
        open_input({"pad": ANY}, {"pad": "switch"})
    assert descriptors() == before
