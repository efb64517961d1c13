"""Two routers on one configuration: the second says who plays already, and nothing is in the way after a crash."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys

import pytest

from router.bedside.lock import NAME, AlreadyRunning, Lock
from router.system import clock
from tests.shared.bedside import WREN, plays
from tests.shared.parts import ROUTER
from tests.shared.waiting import WAIT, until

pytestmark = pytest.mark.usefixtures("jack_server")


def second(pc):
    return subprocess.run(
        [*ROUTER, "run", "--config", str(pc.config)],
        capture_output=True,
        text=True,
        timeout=WAIT,
        check=False,
        env={**os.environ, "STATE_DIRECTORY": str(pc.folder)},
    )


def test_the_second_says_who_holds_it_and_since_when_and_the_first_plays_on(bedside):
    pc, listener, sensor = bedside
    pc.start()
    plays(listener, sensor, WREN)
    logs = until(lambda: sorted(pc.records.rglob("*.jsonl")))  # of the first
    other = second(pc)
    assert other.returncode == 1
    assert f"process {pc.process.pid}, for " in other.stderr
    assert "systemctl stop router" in other.stderr
    assert sorted(pc.records.rglob("*.jsonl")) == logs  # it wrote nothing
    plays(listener, sensor, WREN)
    assert pc.ask(do="status")["status"]["pid"] == pc.process.pid
    assert pc.stop() == 0


def test_after_a_kill_the_next_one_and_hush_are_not_in_each_others_way(bedside):
    pc, listener, sensor = bedside
    pc.start()
    pc.process.send_signal(signal.SIGKILL)
    pc.process.wait()
    pc.process.stdout.close()
    hush = subprocess.run(
        [sys.executable, "-m", "router.bedside.hush", str(pc.runtime / "sounding")], timeout=WAIT, check=False
    )
    assert hush.returncode == 0
    pc.start()
    plays(listener, sensor, WREN)


def test_a_lock_is_given_back_by_closing_and_by_dying(tmp_path):
    lock = Lock(tmp_path)
    with pytest.raises(AlreadyRunning, match=f"process {os.getpid()}, for "):
        Lock(tmp_path)
    lock.close()
    code = (
        "import os, sys; from pathlib import Path; from router.bedside.lock import Lock; "
        "Lock(Path(sys.argv[1])); os.abort()"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False, stderr=subprocess.DEVNULL)
    Lock(tmp_path).close()


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b'{"pid": "x", "since": 1, "boot": 3}', b"\xff" * 300])
def test_whatever_stands_in_it_the_second_is_told(tmp_path, text, monkeypatch):
    lock = Lock(tmp_path)
    (tmp_path / NAME).write_bytes(text)
    monkeypatch.setattr("router.bedside.lock.LETTING_GO", 0)
    with pytest.raises(AlreadyRunning, match="another router plays already"):
        Lock(tmp_path)
    lock.close()


def test_since_when_is_not_said_if_it_was_another_boot(tmp_path, monkeypatch):
    lock = Lock(tmp_path)
    monkeypatch.setattr("router.bedside.lock.LETTING_GO", 0)
    monkeypatch.setattr(clock, "boot", lambda: "another")
    with pytest.raises(AlreadyRunning, match=f"process {os.getpid()}$"):
        Lock(tmp_path)
    lock.close()


def test_a_process_that_was_just_killed_is_waited_for(tmp_path):
    code = (
        "import sys, time; from pathlib import Path; from router.bedside.lock import Lock; "
        "lock = Lock(Path(sys.argv[1])); print('held', flush=True); time.sleep(0.3)"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"held\n"
        with pytest.raises(BlockingIOError), (tmp_path / NAME).open() as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        Lock(tmp_path).close()  # it waits instead of giving up
