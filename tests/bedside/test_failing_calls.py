"""A tenth of the calls to the system that a service makes fail, each once, as the command
that anyone can run does it.
"""

import errno
import os
import subprocess
import sys

import pytest

from tests.failing_calls import is_drawn
from tests.shared.bedside import Bedside
from tests.shared.failing_router import KINDS, Calls
from tests.shared.parts import Listener, Sensor
from tests.shared.places import ROOT
from tests.shared.waiting import WAIT


def test_a_share_of_all_calls_fails_and_the_promises_hold():
    done = subprocess.run(
        [sys.executable, "-m", "tests.failing_calls", "--share", "0.1"],
        capture_output=True,
        text=True,
        timeout=900,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr[-20_000:] + done.stdout
    assert "; 0 broken;" in done.stdout


def test_which_cases_are_drawn_hangs_on_nothing_that_is_counted():
    cases = [(phase, kind, number) for phase in (0, 1) for kind in KINDS for number in range(1, 40)]
    drawn = [case for case in cases if is_drawn(0.1, 1, *case)]
    assert 0.05 < len(drawn) / len(cases) < 0.15
    assert (
        drawn
        == [case for case in cases if is_drawn(0.1, 1, *case)]
        != [case for case in cases if is_drawn(0.1, 2, *case)]
    )
    assert all(is_drawn(1, 1, *case) for case in cases)


@pytest.mark.parametrize("kind", ["open", "fsync"])
def test_the_count_of_calls_is_the_same_for_who_counts_and_who_fails(tmp_path, kind):
    ours = Calls.make(tmp_path / "calls")
    theirs = Calls(tmp_path / "calls")
    ours.arm(kind, 3, 5)
    assert [theirs.made_one("rename"), *(theirs.made_one(kind) for _ in range(4))] == [0, 0, 0, 5, 0]
    assert ours.failed
    assert (ours.made(kind), ours.made("rename")) == (4, 1)


@pytest.fixture
def bedside(part, tmp_path):
    """A small PC that has not been started yet."""
    pc = Bedside(tmp_path, part(Listener).client, part(Sensor), more="chime: no")
    yield pc
    pc.close()


@pytest.mark.usefixtures("jack_server")
def test_starts_that_fail_for_want_of_a_thread_are_not_held_against_the_profile(bedside, tmp_path):
    calls = Calls.make(tmp_path / "calls")
    program = [sys.executable, "-m", "tests.shared.failing_router"]
    for _ in range(4):
        calls.arm("thread", 3, errno.EAGAIN)
        done = subprocess.run(
            [*program, "run", "--config", str(bedside.config)],
            capture_output=True,
            text=True,
            timeout=WAIT,
            check=False,
            env={**os.environ, "ROUTER_TESTS_CALLS": str(tmp_path / "calls"), "STATE_DIRECTORY": str(tmp_path)},
        )
        assert calls.failed
        assert done.returncode != 0
        assert "can't start new thread" in done.stderr
    bedside.start()
    assert bedside.seat_status()["child"] == "wren"
    assert bedside.events("died") == bedside.events("left_out") == []


@pytest.mark.usefixtures("jack_server")
def test_a_control_socket_that_could_not_be_had_at_the_start_is_had_later(bedside):
    bedside.runtime.mkdir()
    in_the_way = bedside.runtime / "control"
    in_the_way.touch()
    bedside.start()
    assert bedside.events("warning")
    in_the_way.unlink()
    bedside.wait_for("control_again")
    assert bedside.ask(do="status")["status"]["warnings"] == []
