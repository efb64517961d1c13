"""The record of what sounds: what is marked, slots, who keeps the file, and files that are damaged."""

from __future__ import annotations

import os
import random
import resource
import signal
import subprocess
import sys

import pytest

from router.bedside.sounding import Sounding
from router.devices.outputs.base import Output
from router.devices.outputs.instrument import InstrumentOutput
from router.devices.outputs.sounding_notes import (
    HEADER,
    LEFT,
    MAGIC,
    OPEN,
    PORT_SIZE,
    SIZE,
    SLOT_SIZE,
    SLOTS,
    PortAddress,
    Record,
    parse,
)
from tests.shared.places import ROOT

PAD = "Pad:Pad MIDI 1 24:0"


class Port(Output):
    """An output somewhere in ALSA that keeps what it is sent, or refuses it."""

    def __init__(self, port=PAD, system="alsa"):
        self.place = None if port is None else PortAddress(system, port)
        self.description = f"the port {port}"
        self.sent = []
        self.refuses = self.closed = False

    def send(self, data, now):
        if self.refuses:
            raise OSError(5, "broken")
        self.sent.append(data)

    def close(self):
        self.closed = True


@pytest.fixture
def path(tmp_path):
    return tmp_path / "sounding"


@pytest.fixture
def sounding(path):
    sounding = Sounding(path)
    yield sounding
    sounding.close()


def marked(path):
    """For each port that is recorded: its channels and notes."""
    left, problem = parse(path.read_bytes())
    assert not problem
    return [(one.place.port, one.channels, one.notes) for one in left]


# --- what is marked -----------------------------------------------------------------------------------------------


def test_a_note_is_marked_from_before_it_is_sent_until_after_it_was_ended(path, sounding):
    seen = []

    class Looking(Port):
        def send(self, data, now):
            seen.append((data, marked(path)[0][2]))

    output = sounding.marked(Looking())
    for data in [(0x90, 60, 64), (0x9F, 127, 1), (0x80, 60, 0), (0x9F, 127, 0)]:
        output.send(data, 0)
    assert seen == [
        ((0x90, 60, 64), ((1, 60),)),
        ((0x9F, 127, 1), ((1, 60), (16, 127))),
        ((0x80, 60, 0), ((1, 60), (16, 127))),
        ((0x9F, 127, 0), ((16, 127),)),
    ]
    assert marked(path) == [(PAD, (1, 16), ())]


@pytest.mark.parametrize("data", [(0xC4, 3), (0xB4, 7, 90), (0xE4, 0, 64), (0xD4, 5), (0x84, 60, 0), (0x94, 60, 0)])
def test_whatever_is_sent_to_a_channel_makes_it_used_and_only_note_ons_are_marked(path, sounding, data):
    port = Port()
    sounding.marked(port).send(data, 0)
    assert marked(path) == [(PAD, (5,), ())]
    assert port.sent == [data]


def test_over_jack_a_note_that_was_ended_is_ended_again_as_its_end_may_not_have_left_the_process(path, sounding):
    output = sounding.marked(Port("synth:in", "jack"))
    for data in [(0x90, 60, 64), (0x80, 60, 0)]:
        output.send(data, 0)
    assert marked(path) == [("synth:in", (1,), ((1, 60),))]
    output.close()
    assert marked(path) == []


def test_what_is_for_no_channel_leaves_no_mark(path, sounding):
    sounding.marked(Port()).send((0xFE,), 0)
    assert marked(path) == [(PAD, (), ())]


def test_a_note_that_is_refused_is_not_left_marked_and_one_whose_end_is_refused_is(path, sounding):
    port = Port()
    output = sounding.marked(port)
    output.send((0x90, 60, 64), 0)
    port.refuses = True
    for data in [(0x90, 72, 64), (0x90, 60, 80), (0x80, 60, 0)]:
        with pytest.raises(OSError, match="broken"):
            output.send(data, 0)
    assert marked(path) == [(PAD, (1,), ((1, 60),))]


def test_seats_that_share_a_port_have_a_slot_each(path, sounding):
    one, other = sounding.marked(Port()), sounding.marked(Port())
    one.send((0x90, 60, 64), 0)
    other.send((0x90, 60, 64), 0)
    one.send((0x80, 60, 0), 0)
    assert marked(path) == [(PAD, (1,), ()), (PAD, (1,), ((1, 60),))]


def test_an_output_passes_on_what_is_asked_of_it(sounding):
    class Own(Port):
        def present(self):
            return False

        def stale(self):
            return True

        def deadline(self):
            return 7

        def wake(self, now):
            self.sent.append(now)

    port = Own()
    output = sounding.marked(port)
    assert (output.present(), output.stale(), output.deadline()) == (False, True, 7)
    assert (output.description, output.place) == (port.description, port.place)
    output.wake(9)
    assert port.sent == [9]
    output.close()
    output.close()
    assert port.closed


def test_what_ends_with_the_process_is_not_recorded(path, sounding):
    port = Port(None)
    assert sounding.marked(port) is port
    assert marked(path) == []


# --- slots --------------------------------------------------------------------------------------------------------


def test_a_slot_is_used_again_at_whatever_port(path, sounding):
    for number in range(3 * SLOTS):
        output = sounding.marked(Port(f"synth {number}", "jack"))
        output.send((0x90, 60, 64), 0)
        assert marked(path) == [(f"synth {number}", (1,), ((1, 60),))]
        output.send((0x80, 60, 0), 0)
        output.close()
        assert marked(path) == []


def test_after_it_was_closed_an_output_marks_nothing(path, sounding):
    output = sounding.marked(Port())
    output.close()
    other = sounding.marked(Port("other"))
    output.send((0x90, 60, 64), 0)
    assert marked(path) == [("other", (), ())]
    other.close()


def test_one_output_too_many_is_said_and_harms_none(path, sounding):
    outputs = [sounding.marked(Port(f"synth {number}")) for number in range(SLOTS)]
    with pytest.raises(OSError, match="64 outputs are open"):
        sounding.marked(Port())
    outputs[5].close()
    sounding.marked(Port("again")).send((0x90, 1, 1), 0)
    assert ("again", (1,), ((1, 1),)) in marked(path)
    assert len(marked(path)) == SLOTS


def test_a_port_name_that_does_not_fit_is_said(path, sounding):
    with pytest.raises(OSError, match="shorter"):
        sounding.marked(Port("x" * PORT_SIZE))
    assert marked(path) == []
    longest = "ü" * (PORT_SIZE // 2 - 1) + "x"
    sounding.marked(Port(longest))
    assert marked(path) == [(longest, (), ())]


@pytest.mark.parametrize("on", [(0x90, 60, 64), (0xB0, 64, 127)])
def test_what_is_on_when_a_port_is_lost_is_ended_once_it_is_back(path, sounding, on):
    lost = Port()
    output = sounding.marked(lost)
    output.send(on, 0)
    lost.refuses = True
    output.close()
    elsewhere, back = Port("Bells:Bells MIDI 1 24:0"), Port(PAD.replace("24:0", "28:0"))
    sounding.marked(elsewhere)
    assert elsewhere.sent == []
    sounding.marked(back)
    ended = [(0x80, 60, 0)] if on[0] == 0x90 else []
    assert back.sent == [*ended, (0xB0, 64, 0), (0xB0, 123, 0), (0xB0, 120, 0)]
    assert {(port, notes) for port, _, notes in marked(path)} == {(elsewhere.place.port, ()), (back.place.port, ())}


def test_what_is_left_stays_left_at_a_port_that_fails_as_soon_as_it_is_back(path, sounding):
    first = Port()
    output = sounding.marked(first)
    output.send((0x90, 60, 64), 0)
    output.close()
    failing, well = Port(), Port()
    failing.refuses = True
    sounding.marked(failing).close()
    assert marked(path) == [(PAD, (1,), ((1, 60),))]
    sounding.marked(well)
    assert (0x80, 60, 0) in well.sent
    assert marked(path) == [(PAD, (), ())]


def test_a_pedal_that_is_up_again_leaves_nothing(path, sounding):
    output = sounding.marked(Port())
    for data in [(0xB0, 64, 127), (0xC0, 5), (0xB0, 64, 63)]:
        output.send(data, 0)
    output.close()
    assert marked(path) == []


def test_for_want_of_room_a_port_that_did_not_come_back_is_forgotten(path, sounding):
    for number in range(SLOTS):
        output = sounding.marked(Port(f"lost {number}"))
        output.send((0x90, 60, 64), 0)
        output.close()
    sounding.marked(Port("new"))
    assert {port for port, _, _ in marked(path)} == {"new", *(f"lost {number}" for number in range(1, SLOTS))}


# --- the file -----------------------------------------------------------------------------------------------------

KEEPER = """
import sys, time
from pathlib import Path
from tests.bedside.test_sounding import Port
from router.bedside.sounding import Sounding
output = Sounding(Path(sys.argv[1])).marked(Port())
output.send((0x90, 60, 64), 0)
print("keeps", flush=True)
time.sleep(600)
"""


@pytest.fixture
def keeper(path):
    """A process that keeps the file, and has a note on."""
    with subprocess.Popen(
        [sys.executable, "-c", KEEPER, str(path)],
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as process:
        assert process.stdout.readline() == b"keeps\n"
        yield process
        process.kill()


def test_a_second_router_does_not_take_the_file_while_the_first_lives(path, keeper):
    with pytest.raises(BlockingIOError, match=f"process {keeper.pid}"):
        Sounding(path)
    assert marked(path) == [(PAD, (1,), ((1, 60),))]


def test_a_router_that_is_frozen_keeps_the_file_and_one_that_was_killed_does_not(path, keeper):
    keeper.send_signal(signal.SIGSTOP)
    with pytest.raises(BlockingIOError):
        Sounding(path)
    keeper.kill()
    keeper.wait()
    sounding = Sounding(path)  # and what it left stays, until the port is opened again
    assert HEADER.unpack(path.read_bytes()[: HEADER.size])[2] == os.getpid()
    assert marked(path) == [(PAD, (1,), ((1, 60),))]
    port = Port()
    sounding.marked(port)
    assert (0x80, 60, 0) in port.sent
    assert marked(path) == [(PAD, (), ())]
    sounding.close()


def test_what_was_left_at_our_own_port_is_nobodys_any_more(path):
    first = Sounding(path)
    first.marked(Port("", "jack")).send((0x90, 60, 64), 0)
    first.marked(Port("synth", "jack")).send((0x90, 62, 64), 0)
    first.close()
    second = Sounding(path)
    assert marked(path) == [("synth", (1,), ((1, 62),))]
    second.close()


def test_after_it_was_closed_another_may_have_it(path, descriptors):
    before = descriptors()
    for _ in range(100):
        sounding = Sounding(path)
        sounding.marked(Port()).close()
        sounding.close()
        sounding.close()
    assert descriptors() == before
    assert marked(path) == []


def test_without_a_place_for_the_file_it_says_so(tmp_path, descriptors):
    before = descriptors()
    with pytest.raises(FileNotFoundError):
        Sounding(tmp_path / "missing" / "sounding")
    with pytest.raises(IsADirectoryError):
        Sounding(tmp_path)
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OSError, match="symbolic links"):
        Sounding(tmp_path / "link")
    with pytest.raises(OSError, match=r"Read-only|denied|No such file"):
        Sounding(tmp_path.__class__("/proc/sounding"))
    assert descriptors() == before


def test_without_room_it_says_so_and_nothing_is_mapped_that_would_end_the_process_later(path, descriptors):
    """A store into a mapped page that has no room is SIGBUS; so the room is taken at once."""
    before = descriptors()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (SIZE - 1, hard))
    try:
        with pytest.raises(OSError, match="too large"):
            Sounding(path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert descriptors() == before
    Sounding(path).close()
    assert path.stat().st_blocks * 512 >= SIZE


# --- damaged files ------------------------------------------------------------------------------------------------

EVERYWHERE = tuple(range(1, 17))


@pytest.fixture
def whole(path):
    """A file in which three ports have notes on."""
    sounding = Sounding(path)
    for port, data in [(PAD, (0x90, 60, 64)), ("synth:in", (0x9F, 127, 1)), ("", (0x92, 0, 1))]:
        sounding.marked(Port(port)).send(data, 0)
    sounding.close()
    return path.read_bytes()


def test_an_empty_file_is_no_problem():
    assert parse(b"") == parse(bytes(SIZE)) == ([], "")


def test_a_file_that_is_cut_silences_every_channel_of_each_port_that_can_be_read(path, whole):
    used = HEADER.size + 3 * SLOT_SIZE
    for length in [*range(1, used, 13), *range(HEADER.size, HEADER.size + 600), *range(used, SIZE, 1009), SIZE - 1]:
        left, problem = parse(whole[:length])
        assert problem == "a part of it is missing" or length < len(MAGIC) + 4
        assert all(one.channels == EVERYWHERE for one in left)
        readable = [PAD, "synth:in", ""][: max(0, (length - HEADER.size - PORT_SIZE) // SLOT_SIZE + 1)]
        assert [one.place.port for one in left][: len(readable)] == readable
    path.write_bytes(whole[: used - 100])
    Sounding(path).close()
    assert len(path.read_bytes()) == SIZE


def test_no_byte_that_is_another_makes_it_fail(path, whole):
    rng = random.Random(5)
    places = {place for place, byte in enumerate(whole) if byte} | set(rng.sample(range(SIZE), 700))
    for place in sorted(places):
        damaged = bytearray(whole)
        damaged[place] ^= rng.randrange(1, 256)
        left, problem = parse(bytes(damaged))
        assert {PAD, "synth:in", ""} & {one.place.port for one in left}
        for one in left:
            one.place.port.encode("utf-8", "surrogateescape")
            assert not problem or one.channels == EVERYWHERE
    for _ in range(50):
        path.write_bytes(rng.randbytes(rng.choice([1, 100, SIZE, SIZE + 1])))
        sounding = Sounding(path)
        sounding.marked(Port())
        sounding.close()


def test_a_file_of_a_newer_version_silences_every_channel_of_what_looks_like_a_port(whole):
    newer = whole[:8] + (2).to_bytes(4, "little") + whole[12:]
    left, problem = parse(newer)
    assert problem == "it is of version 2, and this program reads version 1"
    assert [(one.place.port, one.channels) for one in left] == [(port, EVERYWHERE) for port in (PAD, "synth:in", "")]


def test_a_slot_that_is_in_no_known_state_is_silenced_all_over(whole):
    damaged = bytearray(whole)
    assert damaged[HEADER.size] == OPEN
    damaged[HEADER.size] ^= 1
    left, problem = parse(bytes(damaged))
    assert problem == "a part of it is damaged"
    assert left[0].place.port == PAD
    assert left[0].channels == EVERYWHERE


@pytest.mark.usefixtures("whole")
def test_what_remains_is_kept_and_the_rest_is_gone(path):
    with Record(path) as record:
        assert len(record.left) == 3
        record.keep(record.left[1:2])
    assert marked(path) == [("synth:in", (16,), ((16, 127),))]
    assert path.read_bytes()[HEADER.size + SLOT_SIZE] == LEFT
    with Record(path) as record:
        record.keep([])
    assert path.read_bytes() == b""


def test_a_file_of_something_else_is_left_as_it_is(path):
    path.write_bytes(b"the therapist's notes\n" * 100)
    with Record(path) as record:
        assert record.problem == "it is damaged, or no record of what sounds"
        record.keep([])
    assert path.read_bytes() == b"the therapist's notes\n" * 100


def test_the_built_in_instrument_needs_no_record():
    assert InstrumentOutput.place is None
