"""The control socket over a real loop: who is answered, who is let go and why, and that nobody else notices."""

from __future__ import annotations

import errno
import grp
import json
import os
import resource
import socket
import stat
import subprocess
import sys
import time
from contextlib import ExitStack, suppress
from functools import partial

import pytest

from router.bedside import control, control_request
from router.bedside.control import ControlServer
from router.bedside.control_client import Connection, ask
from router.bedside.control_request import ControlError
from router.core.units import NANOSECONDS
from router.system.loop import Loop
from tests.flood_control import flood
from tests.fuzz_control import fuzz
from tests.shared.serving import serving


@pytest.fixture
def path(tmp_path):
    return tmp_path / "control"


def until(condition, seconds=30.0):
    """Wait for something that another thread does."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.005)


def connected(path):
    """A plain socket, for whatever a client should not do."""
    line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    line.settimeout(30)
    line.connect(str(path))
    return line


def rest(line):
    """Everything that comes until the server hangs up, as documents."""
    said = b""
    try:
        while received := line.recv(65536):
            said += received
    except ConnectionResetError:
        pass
    return [json.loads(line) for line in said.splitlines()]


# --- asked and answered -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "request_",
    [
        {"do": "status"},
        {"do": "use", "child": "wren"},
        {"do": "use", "child": "wren-2", "seat": "bed_1"},
        {"do": "panic"},
        {"do": "mark", "text": "smiled \U0001f600"},
        {"do": "mark", "text": "smiled", "seat": "bed"},
        {"do": "level", "level": 0.7, "seat": "bed"},
        {"do": "level", "level": 0},
    ],
)
def test_a_request_is_answered(path, request_):
    with serving(path):
        assert ask(path, request_, 30) == {"ok": True, "asked": request_}


def test_answers_come_in_the_order_of_the_requests_even_when_they_come_late(path):
    later = []

    def answer(request, reply):
        if request["do"] == "use":
            later.append(reply)
        else:
            reply({"ok": True, "did": request["do"]})

    with serving(path, answer) as served, Connection(path, 30) as line:
        line.send({"do": "use", "child": "wren"})
        line.send({"do": "panic"})
        until(lambda: later)
        assert ask(path, {"do": "status"}, 30) == {"ok": True, "did": "status"}  # nobody else waits
        served.call(lambda: later[0]({"ok": False, "problem": "no"}))
        assert line.receive(30) == {"ok": False, "problem": "no"}
        assert line.receive(30) == {"ok": True, "did": "panic"}


def test_only_the_first_answer_counts_and_none_goes_to_a_client_that_has_gone(path):
    later = []
    with serving(path, lambda _, reply: later.append(reply)) as served:
        with Connection(path, 30) as line:
            line.send({"do": "panic"})
            until(lambda: later)
            served.call(lambda: later[0]({"ok": True, "first": True}))
            served.call(lambda: later[0]({"ok": True, "first": False}))
            assert line.receive(30) == {"ok": True, "first": True}
            line.send({"do": "panic"})
            until(lambda: len(later) == 2)
        until(lambda: not served.control._clients)
        served.call(lambda: later[1]({"ok": True}))
        with Connection(path, 30) as line:  # still there, and well
            line.send({"do": "status"})
            until(lambda: len(later) == 3)
            served.call(lambda: later[2]({"ok": True, "third": True}))
            assert line.receive(30) == {"ok": True, "third": True}


def test_a_request_in_pieces_is_one_request_and_two_in_one_piece_are_two(path):
    with serving(path), connected(path) as line:
        for byte in b'{"do": "panic"}\n':
            line.send(bytes([byte]))
        line.sendall(b'{"do": "status"}\n{"do": "panic"}\r\n')
        line.shutdown(socket.SHUT_WR)
        assert [said["asked"]["do"] for said in rest(line)] == ["panic", "status", "panic"]


def test_a_fault_in_answering_costs_this_answer_only(path):
    def answer(request, reply):
        if request["do"] == "panic":
            raise RuntimeError("broken")
        reply({"ok": True, "not JSON": object()} if request["do"] == "use" else {"ok": True})

    with serving(path, answer) as served, Connection(path, 30) as line:
        for request in ({"do": "panic"}, {"do": "use", "child": "wren"}):
            line.send(request)
            assert line.receive(30) == {"ok": False, "problem": "the router failed at this; its log says how"}
        line.send({"do": "status"})
        assert line.receive(30) == {"ok": True}
        assert [type(fault) for fault in served.faults] == [RuntimeError, TypeError]
        served.faults.clear()


def test_a_client_that_cannot_be_served_is_let_go_and_may_ask_again(path, monkeypatch):
    allowed, fails = control._Client.allowed, [MemoryError()]

    def short_of_memory(client, now):
        if fails:
            raise fails.pop()
        return allowed(client, now)

    monkeypatch.setattr(control._Client, "allowed", short_of_memory)
    with serving(path) as served:
        with pytest.raises(
            ControlError, match="hung up"
        ):  # at once, and not after the time that it would wait for an answer
            ask(path, {"do": "status"}, 30)
        assert [type(fault) for fault in served.faults] == [MemoryError]
        served.faults.clear()
        assert ask(path, {"do": "status"}, 30)["ok"]
        until(lambda: not served.control._clients)


# --- what may not be asked --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"", "this is no request"),
        (b"hello", 'this is no request: a request is a JSON object in one line, such as {"do": "status"}'),
        (b"[]", "this is no request"),
        (b'"status"', "this is no request"),
        (b"[" * 4000, "this is no request"),
        (b"1" * 4096, "this is no request"),
        (b"\xff\xfe\x00", "this is no request"),
        (b"{}", 'there is nothing called "null" to do.'),
        (b'{"do": 7}', 'there is nothing called "7" to do.'),
        (b'{"do": ["status"]}', "to do."),
        (b'{"do": "statsu"}', 'Did you mean "status"? There is "status", "use", "panic", "mark", "level" and "watch".'),
        (b'{"do": "\\u001b[2J\\u202e"}', 'there is nothing called "\ufffd[2J\ufffd" to do.'),
        (b'{"do": "status", "file": "/etc/shadow"}', '"status" has no field "file". It takes nothing else.'),
        (
            b'{"do": "use"}',
            '"use" needs "child", the name of a child: lower-case letters, digits and -, a letter first',
        ),
        (b'{"do": "use", "chlid": "wren"}', '"use" has no field "chlid". Did you mean "child"?'),
        (b'{"do": "use", "child": "../lark"}', '"../lark" cannot be "child": it must be the name of a child'),
        (b'{"do": "use", "child": "/etc/router"}', 'cannot be "child"'),
        (b'{"do": "use", "child": "wren\\n"}', 'cannot be "child"'),
        (b'{"do": "use", "child": "wren\\u0000"}', 'cannot be "child"'),
        (b'{"do": "use", "child": "Wren"}', 'Did you mean "wren"?'),
        (b'{"do": "use", "child": ""}', 'cannot be "child"'),
        (b'{"do": "use", "child": "w' + b"r" * 40 + b'"}', 'cannot be "child"'),
        (b'{"do": "use", "child": 7}', '"7" cannot be "child"'),
        (b'{"do": "use", "child": "wren", "seat": "../bed"}', 'cannot be "seat"'),
        (b'{"do": "mark"}', '"mark" needs "text", a remark of one line, at most 200 characters'),
        (b'{"do": "mark", "text": "  "}', 'cannot be "text"'),
        (b'{"do": "mark", "text": "one\\ntwo"}', 'cannot be "text"'),
        (b'{"do": "mark", "text": "\\ud800"}', 'cannot be "text"'),
        (b'{"do": "mark", "text": "' + b"x" * 201 + b'"}', 'cannot be "text"'),
        (b'{"do": "level"}', '"level" needs "level", a number from 0, silent, to 1'),
        (b'{"do": "level", "level": 70}', '"70" cannot be "level": it must be a number from 0, silent, to 1.'),
        (b'{"do": "level", "level": -0.1}', 'cannot be "level"'),
        (b'{"do": "level", "level": NaN}', 'cannot be "level"'),
        (b'{"do": "level", "level": true}', 'cannot be "level"'),
        (b'{"do": "level", "level": "0.7"}', 'cannot be "level"'),
        (b'{"do": "watch", "inputs": []}', 'cannot be "inputs"'),
        (b'{"do": "watch", "inputs": "cheek"}', 'cannot be "inputs"'),
        (b'{"do": "watch", "inputs": ["cheek", 1]}', 'cannot be "inputs"'),
        (b'{"do": "watch"}', "there is nothing to watch"),  # this server shows none
    ],
)
def test_what_is_no_request_is_told_and_the_next_one_is_answered(path, line, says):
    with serving(path), connected(path) as client:
        client.sendall(line + b'\n{"do": "status"}\n')
        client.shutdown(socket.SHUT_WR)
        problem, answer = rest(client)
        assert problem["ok"] is False
        assert says in problem["problem"]
        assert all(character.isprintable() for character in problem["problem"])
        assert answer == {"ok": True, "asked": {"do": "status"}}


def test_a_line_too_long_is_told_and_its_client_let_go(path):
    with serving(path) as served, connected(path) as line, Connection(path, 30) as other:
        line.sendall(b"x" * 4097)
        assert rest(line) == [{"ok": False, "problem": "this line is too long: a request has at most 4096 bytes"}]
        other.send({"do": "status"})
        assert other.receive(30)["ok"] is True
        until(lambda: len(served.control._clients) == 1)


def test_the_longest_line_is_not_too_long(path):
    request = b'{"do": "panic"}'
    with serving(path), connected(path) as line:
        line.sendall(request + b" " * (4096 - len(request)) + b"\n")
        line.shutdown(socket.SHUT_WR)
        assert rest(line) == [{"ok": True, "asked": {"do": "panic"}}]


def test_too_many_requests_are_told_and_their_client_let_go(path):
    with serving(path), connected(path) as line, Connection(path, 30) as other:
        line.sendall(b'{"do": "panic"}\n' * 200)
        *answers, last = rest(line)
        assert all(said["ok"] for said in answers)
        assert 50 <= len(answers) < 200
        assert last == {"ok": False, "problem": "too many requests: at most 50 a second"}
        other.send({"do": "status"})
        assert other.receive(30)["ok"] is True


def test_too_many_that_wait_for_their_answer(path):
    later = []
    with serving(path, lambda _, reply: later.append(reply)) as served, Connection(path, 30) as line:
        for _ in range(17):
            line.send({"do": "panic"})
        until(lambda: len(later) == 16 and len(served.control._clients[0].answers) == 17)
        for reply in later:
            served.call(partial(reply, {"ok": True}))
        answers = [line.receive(30) for _ in range(17)]
        problem = {"ok": False, "problem": "too many requests wait for their answer: at most 16"}
        assert answers == [{"ok": True}] * 16 + [problem]
        assert len(later) == 16


def test_the_ninth_client_is_told_and_the_first_eight_are_served(path):
    with serving(path) as served:
        lines = [connected(path) for _ in range(8)]
        until(lambda: len(served.control._clients) == 8)
        with connected(path) as ninth:
            problem = "too many are connected: at most 8 of one user at once, 24 of all"
            assert rest(ninth) == [{"ok": False, "problem": problem}]  # after it was waited for
        for line in lines:
            with line:
                line.sendall(b'{"do": "panic"}\n')
                assert json.loads(line.recv(4096))["ok"] is True
        until(lambda: not served.control._clients)
        assert ask(path, {"do": "panic"}, 30)["ok"] is True


def test_who_has_long_been_silent_gives_way(path, monkeypatch):
    monkeypatch.setattr(control, "SILENT", NANOSECONDS // 5)
    with serving(path) as served:
        lines = [connected(path) for _ in range(8)]
        until(lambda: len(served.control._clients) == 8)
        time.sleep(0.3)
        assert ask(path, {"do": "panic"}, 30)["ok"] is True
        assert len(served.control._clients) >= 7  # one gave way
        for line in lines:
            line.close()


def test_panic_is_done_while_eight_ask_for_status_and_while_eight_are_silent(path):
    with serving(path) as served, ExitStack() as stack:
        lines = [stack.enter_context(connected(path)) for _ in range(8)]
        until(lambda: len(served.control._clients) == 8)
        assert ask(path, {"do": "panic"}, 30)["ok"] is True  # all are silent
        with pytest.raises(ControlError, match="too many"):
            raise ControlError(ask(path, {"do": "status"}, 30)["problem"])
        for _ in range(5):
            for line in lines:
                line.sendall(b'{"do": "status"}\n')
            assert ask(path, {"do": "panic"}, 30)["ok"] is True


def test_many_requests_of_one_user_are_too_many_and_panic_is_none_of_them(path):
    with serving(path) as served, ExitStack() as stack:
        lines = [stack.enter_context(Connection(path, 30)) for _ in range(4)]
        answers = []
        for line in lines:
            for _ in range(20):
                line.send({"do": "status"})
            answers += [line.receive(30) for _ in range(20)]
        refused = [answer["problem"] for answer in answers if not answer["ok"]]
        assert refused
        assert set(refused) == {"too many requests of one user: at most 50 a second"}
        assert ask(path, {"do": "panic"}, 30)["ok"] is True
        assert served.faults == []


def test_remarks_have_a_quota_of_size(path, monkeypatch):
    monkeypatch.setattr(control, "RATE", 100_000)
    monkeypatch.setattr(control_request, "RATE", 100_000)
    text = "ä" * 200  # of two bytes each
    with serving(path), Connection(path, 30) as line:
        line.send({"do": "mark", "text": "smiled"})
        assert line.receive(30)["ok"] is True
        taken, problem = 0, ""
        while not problem:
            line.send({"do": "mark", "text": text})
            answer = line.receive(30)
            taken += answer["ok"]
            problem = answer.get("problem", "")
        assert 20_000 / 400 - 1 <= taken < 200
        assert problem.startswith("too many remarks: at most 20000 bytes at once")
        line.send({"do": "panic"})
        assert line.receive(30)["ok"] is True


@pytest.mark.parametrize(
    "request_",
    ['{"do": "status", "do": "panic"}', '{"do": "mark", "text": "a", "text": "b"}', '{"do": "use", "do": "use"}'],
)
def test_what_says_one_thing_twice_is_refused(path, request_):
    with serving(path), connected(path) as line:
        line.sendall(request_.encode() + b"\n")
        line.shutdown(socket.SHUT_WR)
        (answer,) = rest(line)
        assert not answer["ok"]
        assert "stands twice" in answer["problem"]


def test_panic_is_done_with_no_descriptor_left(path):
    done = []

    def answer(request, reply):
        done.append(request["do"])
        reply({"ok": True})

    with serving(path, answer):
        lines = [socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) for _ in range(2)]
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        used = [os.open(os.devnull, os.O_RDONLY)]
        resource.setrlimit(resource.RLIMIT_NOFILE, (used[0] + 40, hard))
        try:
            with suppress(OSError):
                while True:
                    used.append(os.open(os.devnull, os.O_RDONLY))
            for line, request in zip(lines, (b'{"do": "panic"}\n', b'{"do": "status"}\n'), strict=True):
                line.settimeout(30)
                line.connect(str(path))
                line.sendall(request)
            answers = [json.loads(line.recv(4096)) for line in lines]
        finally:
            for descriptor in used:
                os.close(descriptor)
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
            for line in lines:
                line.close()
        assert done[0] == "panic"
        assert answers[0] == {"ok": True}


def test_one_user_in_excess_of_a_fair_share_gives_way_to_another(path, monkeypatch):
    """Users are told apart by what the kernel says of them; here each connection's number stands for one."""
    numbers = iter([1] * 8 + [2] * 8 + [3] * 8 + [4])
    monkeypatch.setattr(control, "user_of", lambda _connection: next(numbers))
    with serving(path) as served, ExitStack() as stack:
        for count in range(1, 25):
            stack.enter_context(connected(path))
            until(lambda: len(served.control._clients) == count)  # noqa: B023
        assert ask(path, {"do": "status"}, 30)["ok"] is True
        until(lambda: len(served.control._clients) == 23)


def test_a_flood_of_connections_from_two_users_keeps_nobody_from_panic():
    flood(count=1000, seed=1)


# --- clients that behave badly ----------------------------------------------------------------------------------


def test_a_client_that_does_not_read_is_dropped(path, monkeypatch):
    monkeypatch.setattr(control, "RATE", 100_000)
    monkeypatch.setattr(control_request, "RATE", 100_000)
    with (
        serving(path, lambda _, reply: reply({"ok": True, "long": "x" * 100_000})) as served,
        connected(path) as line,
    ):
        with pytest.raises(OSError) as hung_up:  # noqa: PT012 - which of them fails is not known
            for _ in range(10_000):
                line.sendall(b'{"do": "status"}\n' * 20)
        assert hung_up.value.errno in (errno.EPIPE, errno.ECONNRESET)
        assert served.control._clients == []
        assert ask(path, {"do": "status"}, 30)["ok"] is True


def test_a_client_that_reads_late_gets_all(path):
    long = "x" * 400_000  # more than the kernel keeps for it
    with (
        serving(path, lambda _, reply: reply({"ok": True, "long": long})) as served,
        Connection(path, 30) as line,
    ):
        line.send({"do": "status"})
        until(lambda: served.control._clients and served.control._clients[0].unsent)
        assert line.receive(30) == {"ok": True, "long": long}
        until(lambda: not served.control._clients[0].unsent)


def test_a_client_that_vanishes_mid_answer_is_no_fault(path, descriptors):
    with serving(path, lambda _, reply: reply({"ok": True, "long": "x" * 400_000})) as served:
        before = descriptors()
        for _ in range(50):
            with connected(path) as line:
                line.sendall(b'{"do": "status"}\n')
                line.recv(100)
        until(lambda: not served.control._clients)
        assert descriptors() == before


def test_when_no_descriptor_is_left_others_go_on_and_later_somebody_is_let_in(path, monkeypatch):
    monkeypatch.setattr(control, "NO_DESCRIPTOR", NANOSECONDS // 5)
    with serving(path) as served, Connection(path, 30) as there:
        there.send({"do": "status"})
        assert there.receive(30)["ok"] is True
        comes = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        comes.settimeout(30)
        taken, limits = [], resource.getrlimit(resource.RLIMIT_NOFILE)
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (min(limits[0], 200), limits[1]))
            with suppress(OSError):
                while True:
                    taken.append(os.dup(0))
            comes.connect(str(path))
            comes.sendall(b'{"do": "panic"}\n')
            until(lambda: served.control._letting_in.at is not None)
            before = served.ticks
            there.send({"do": "status"})
            assert there.receive(30)["ok"] is True
            until(lambda: served.ticks > before + 10)
            listener = served.control._listener.fileno()  # listened to all the time, it would never rest
            until(lambda: listener not in served.control._selector.get_map())
        finally:
            for number in taken:
                os.close(number)
            resource.setrlimit(resource.RLIMIT_NOFILE, limits)
        with comes:
            assert json.loads(comes.recv(4096))["ok"] is True


def test_garbage_in_pieces_over_many_connections(tmp_path):
    """A tenth; all of it is ``python -m tests.fuzz_control``."""
    became = fuzz(100_000, seed=0, folder=tmp_path)
    assert became["connections"] > 10
    assert became["problems"] > 10  # how many are read before a connection goes is a matter of chance
    assert became["ticks"] > 10


# --- the socket's file ------------------------------------------------------------------------------------------


def test_the_socket_is_for_owner_and_group(path):
    group = grp.getgrgid(os.getgid()).gr_name
    with serving(path, group=group) as served:
        found = path.stat()
        assert stat.S_ISSOCK(found.st_mode)
        assert stat.S_IMODE(found.st_mode) == 0o660
        assert found.st_gid == os.getgid()
        assert served.control.warning == ""
    assert not path.exists()


def test_a_group_that_is_not_there_is_said_and_the_socket_stays_the_owners(path):
    with serving(path, group="no-such-group") as served:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert 'there is no group called "no-such-group"' in served.control.warning
        assert ask(path, {"do": "panic"}, 30)["ok"] is True


DAEMON = """
import sys, time
from pathlib import Path
from router.bedside.control import ControlServer
from router.system.loop import Loop
control = ControlServer(Path(sys.argv[1]), None, Loop(print), lambda *_: None, on_fault=print)
print("ready", flush=True)
time.sleep(600)
"""


def test_the_socket_of_a_dead_daemon_is_replaced_and_that_of_a_living_one_is_not(path):
    with subprocess.Popen([sys.executable, "-c", DAEMON, str(path)], stdout=subprocess.PIPE) as daemon:
        try:
            assert daemon.stdout.readline() == b"ready\n"
            loop = Loop(print)
            with pytest.raises(ControlError, match=rf"another router listens at {path}: it is process {daemon.pid}"):
                ControlServer(path, None, loop, lambda *_: None, on_fault=print)
            assert path.exists()
            loop.close()
        finally:
            daemon.kill()
    assert path.exists()  # it could not tidy up
    with serving(path):
        assert ask(path, {"do": "panic"}, 30)["ok"] is True


def test_a_file_in_the_way_stays(path):
    path.write_text("mine")
    loop = Loop(print)
    with pytest.raises(ControlError, match="is in the way: it is no socket"):
        ControlServer(path, None, loop, lambda *_: None, on_fault=print)
    assert path.read_text() == "mine"
    loop.close()


@pytest.mark.parametrize("where", ["not/there/control", "x" * 120])
def test_where_no_socket_can_be_made(tmp_path, where, descriptors):
    loop = Loop(print)
    before = descriptors()
    with pytest.raises(ControlError, match="no control socket can be made"):
        ControlServer(tmp_path / where, None, loop, lambda *_: None, on_fault=print)
    assert descriptors() == before
    loop.close()


def test_a_daemon_that_stops_leaves_the_socket_of_the_next_one(path):
    with serving(path):
        path.unlink()
        with serving(path):
            pass
        path.write_text("of somebody else")
    assert path.read_text() == "of somebody else"


def test_nothing_is_left_open(path, descriptors):
    before = descriptors()
    with serving(path, frame=lambda _: {}), Connection(path, 30) as line, connected(path):
        line.send({"do": "watch"})
        assert line.receive(30) == {"ok": True}
    assert descriptors() == before


# --- watching ---------------------------------------------------------------------------------------------------


def seats(_now):
    return {"bed": {"inputs": {"cheek": {"now": 1.5}, "pad": {"now": True}}, "events": []}}


def test_frames_come_while_somebody_watches(path):
    asked = []

    def frame(now):
        asked.append(now)
        return seats(now)

    with serving(path, frame=frame) as served:
        time.sleep(0.2)
        assert asked == []
        with Connection(path, 30) as line:
            line.send({"do": "watch"})
            assert line.receive(30) == {"ok": True}
            came = [line.receive(30) for _ in range(10)]
            assert all(frame["seats"] == seats(0) for frame in came)
            assert came[-1]["frame"] - came[0]["frame"] > 8 / 25  # never more than 25 a second; the first may be late
            line.send({"do": "status"})
            while "asked" not in (said := line.receive(30)):
                assert "frame" in said
            assert said["asked"] == {"do": "status"}
        until(lambda: not served.control.watchers())
        until(lambda: served.control._framing.at is None)
        count = len(asked)
        time.sleep(0.2)
        assert len(asked) == count


def test_only_the_inputs_that_were_asked_for(path):
    with serving(path, frame=seats), Connection(path, 30) as line:
        line.send({"do": "watch", "inputs": ["pad", "not-there"]})
        assert line.receive(30) == {"ok": True}
        assert line.receive(30)["seats"] == {"bed": {"inputs": {"pad": {"now": True}}, "events": []}}


def test_those_that_watch_leave_room_for_others(path):
    with serving(path, frame=seats):
        watching = [Connection(path, 30) for _ in range(5)]
        answers = []
        for line in watching:
            line.send({"do": "watch"})
            answers.append(line.receive(30))
        assert answers == [{"ok": True}] * 4 + [{"ok": False, "problem": "too many watch already: at most 4 at once"}]
        assert ask(path, {"do": "panic"}, 30)["ok"] is True
        for line in watching:
            line.close()


def test_a_watcher_that_does_not_read_is_dropped_and_another_sees_on(path, monkeypatch):
    monkeypatch.setattr(control, "STUCK", NANOSECONDS // 2)
    big = {"bed": {"inputs": {"cheek": {"now": "x" * 50_000}}, "events": []}}
    with serving(path, frame=lambda _: big) as served, Connection(path, 30) as asleep, Connection(path, 30) as awake:
        asleep.send({"do": "watch"})
        awake.send({"do": "watch"})
        assert awake.receive(30) == {"ok": True}
        until(lambda: len(served.control.watchers()) == 2)
        for _ in range(2000):
            if len(served.control.watchers()) == 1:
                break
            awake.receive(30)
        assert len(served.control.watchers()) == 1
        assert awake.receive(30)["seats"] == big


def test_a_fault_in_making_frames_ends_the_watching_and_nothing_else(path):
    def frame(_now):
        raise RuntimeError("broken")

    with serving(path, frame=frame) as served, Connection(path, 30) as line:
        line.send({"do": "watch"})
        assert line.receive(30) == {"ok": True}
        assert line.receive(30) == {"ok": False, "problem": "the router failed at making frames; its log says how"}
        assert ask(path, {"do": "panic"}, 30)["ok"] is True
        assert len(served.faults) == 1
        served.faults.clear()


# --- the client -------------------------------------------------------------------------------------------------


def test_nobody_is_there(path):
    with pytest.raises(
        ControlError, match=rf"(?s)no router is running: nobody listens at {path}.*systemctl start router"
    ):
        ask(path, {"do": "status"}, 30)


def test_a_daemon_that_does_not_answer(path):
    with serving(path, lambda *_: None), pytest.raises(ControlError, match="does not answer"):
        ask(path, {"do": "status"}, 0.1)


@pytest.mark.parametrize("said", [b"SSH-2.0\r\n", b"[]\n", b"[" * 100_000 + b"\n", b"\xff\n"])
def test_something_else_answers(path, said):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other:
        other.bind(str(path))
        other.listen()
        with Connection(path, 30) as line:
            there, _ = other.accept()
            with there:
                there.sendall(said)
                with pytest.raises(ControlError, match="is no router"):
                    line.receive(30)


def test_a_daemon_that_hangs_up(path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other:
        other.bind(str(path))
        other.listen()
        with Connection(path, 30) as line:
            other.accept()[0].close()
            line.send({"do": "status"})
            with pytest.raises(ControlError, match="hung up"):
                line.receive(30)


def test_everything_that_has_come(path):
    with serving(path), Connection(path, 30) as line:
        assert line.arrived() == []
        line.send({"do": "status"})
        line.send({"do": "panic"})
        came = []
        until(lambda: came.extend(line.arrived()) or len(came) == 2)
        assert [said["asked"]["do"] for said in came] == ["status", "panic"]
