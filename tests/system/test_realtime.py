"""What the kernel grants, asked for in processes of their own, as it stays for the life of a thread."""

from __future__ import annotations

import json
import os
import pwd
import subprocess
import sys
from pathlib import Path

import pytest

from router.system import realtime

PROGRAM = """
import json, os, resource, sys, threading
from router.system import realtime

limits, user = json.loads(sys.argv[1]), int(sys.argv[2])
for name, most in limits.items():
    resource.setrlimit(getattr(resource, name), (most, most))
os.setuid(user)

def policy():
    return os.sched_getscheduler(0), os.sched_getparam(0).sched_priority

said, looked, asked = [], [], threading.Event()

class Log:
    def warning(self, event, **fields):
        said.append({"event": event, **fields})

early = threading.Thread(target=lambda: (asked.wait(), looked.append(policy())))
early.start()
try:
    realtime.ask(Log())
finally:
    asked.set()
early.join()
late = threading.Thread(target=lambda: looked.append(policy()))
late.start()
late.join()
child = os.fork()
if not child:
    os._exit(policy()[0])
status = dict(line.split(b":", 1) for line in open("/proc/self/status", "rb"))
print(json.dumps({
    "said": said,
    "policy": policy(),
    "threads": looked,
    "child": os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]),
    "locked": int(status[b"VmLck"].split()[0]),
}))
"""

ORDINARY = os.SCHED_OTHER
REALTIME = os.SCHED_FIFO | os.SCHED_RESET_ON_FORK


def asked(user=None, **limits):
    """What becomes of a process with these limits that is, if we may, no longer ours."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, json.dumps(limits), str(os.geteuid() if user is None else user)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=Path(realtime.__file__).parents[2],
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_the_loop_comes_first_then_threads_that_run_already_and_what_is_refused_is_said():
    found = asked()
    refused = {said["event"] for said in found["said"]}
    granted = "no_realtime" not in refused
    assert found["policy"] == ([REALTIME, 20] if granted else [ORDINARY, 0])
    assert (found["locked"] > 0) == ("memory_not_locked" not in refused)
    early, late = found["threads"]
    assert early == ([REALTIME, 1] if granted else [ORDINARY, 0])
    assert late == [ORDINARY, 0]
    assert found["child"] == ORDINARY


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody who may do nothing")
def test_whoever_may_not_is_told_the_remedy_and_goes_on():
    """As in most containers: no capability, and the limits that a login has."""
    found = asked(pwd.getpwnam("nobody").pw_uid, RLIMIT_RTPRIO=0, RLIMIT_MEMLOCK=8 << 20)
    assert [said["event"] for said in found["said"]] == ["no_realtime", "memory_not_locked"]
    priority, memory = found["said"]
    assert "Operation not permitted" in priority["why"]
    assert "LimitRTPRIO=20" in priority["remedy"]
    assert "ulimit -r 20" in priority["remedy"]
    assert "the limit is 8192 KiB" in memory["why"]
    assert "LimitMEMLOCK=infinity" in memory["remedy"]
    assert (found["policy"], found["locked"]) == ([ORDINARY, 0], 0)


def test_where_the_system_has_neither_it_says_so(monkeypatch):
    said = []

    class Log:
        def warning(self, event, **fields):
            said.append((event, fields["why"]))

    monkeypatch.delattr(os, "sched_setscheduler")
    monkeypatch.setitem(sys.modules, "resource", None)
    realtime.ask(Log())
    assert [event for event, _ in said] == ["no_realtime", "memory_not_locked"]
    assert all("this system has none" in why for _, why in said)
