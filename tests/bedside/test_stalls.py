"""Disks that do not answer, and rules that take the PC too long: nobody waits for them."""

from __future__ import annotations

import contextlib
import fcntl
import os
import threading
import time
from pathlib import Path

import pytest

from router.bedside import profile_folder
from router.core.units import NANOSECONDS
from router.files import plugins, trying
from router.live import worker
from router.live.worker import Job, Worker, WorkerThread
from router.system.agenda import Agenda
from tests.shared.profile_folder import BROKEN, GENEROUS, remembered, text, threads

# --- a disk that does not answer --------------------------------------------------------------------------------------


@contextlib.contextmanager
def stalling(*paths: Path):
    """Whoever opens these files waits, as with a stick that stalls: somebody has a lease on each, and does not give it
    up.

    The kernel gives it up for him after /proc/sys/fs/lease-break-time, 45 s.
    """
    ready, end = os.pipe()
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            held = []
            for path in paths:
                held.append(os.open(path, os.O_RDWR))
                fcntl.fcntl(held[-1], fcntl.F_SETSIG, 0)
                import signal

                signal.signal(signal.SIGIO, signal.SIG_IGN)
                fcntl.fcntl(held[-1], fcntl.F_SETLEASE, fcntl.F_WRLCK)
            os.write(end, b"1")
            time.sleep(120)
        os._exit(0)
    os.close(end)
    try:
        assert os.read(ready, 1) == b"1"
        yield
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)
        os.close(ready)


@pytest.fixture
def impatient(monkeypatch):
    monkeypatch.setattr(worker, "STALLED", NANOSECONDS)


@pytest.mark.usefixtures("impatient")
def test_a_stalled_file_is_refused_and_the_others_are_answered(bed):
    bed.write("lark.yaml", text("lark"))
    bed.write("nuthatch.yaml", text("nuthatch"))
    assert bed.offered().child == "nuthatch"
    with stalling(bed.folder / "lark.yaml"):
        bed.shelf.ask("lark", 1)
        bed.shelf.ask("wren", 2)
        bed.shelf.ask("lark", 3)  # at once: it is known to stall
        offers = bed.wait(3)
        assert [offer.asker for offer in offers] == [1, 2, 3]
        assert [offer.profile is not None for offer in offers] == [False, True, False]
        assert "the USB stick or disk does not answer" in str(offers[0].problems[0])
        assert bed.heard("profile_check_stalled") == ["the USB stick or disk does not answer"]
        assert len(threads()) == 2
        bed.write("finch.yaml", text("finch"))
        assert bed.offered().child == "finch"
    bed.until(lambda: len(threads()) == 1)  # it has come back
    bed.shelf.ask("lark", 4)
    assert bed.wait()[-1].child == "lark"


@pytest.mark.usefixtures("impatient")
def test_dropped_with_one_that_stalls(bed):
    bed.write("lark.yaml", text("lark"))
    bed.offered()
    bed.write("nuthatch.yaml", text("nuthatch"))
    bed.offered()
    with stalling(bed.folder / "lark.yaml"):
        bed.write("finch.yaml", text("finch"))
        (bed.folder / "lark.yaml").rename(bed.folder / "pipit.yaml")
        stalled, good = bed.wait(2)
        assert (stalled.child, stalled.profile) == ("pipit", None)
        assert good.child == "finch"


@pytest.mark.usefixtures("impatient")
def test_when_too_much_stalls_no_more_threads_are_begun_and_it_ends(bed, monkeypatch):
    monkeypatch.setattr(worker, "MOST_STUCK", 2)
    names = ["a", "b", "c", "d"]
    for name in names:
        bed.write(f"{name}.yaml", text(name))
    bed.offered()
    with stalling(*(bed.folder / f"{name}.yaml" for name in names)):
        for name in names:
            bed.shelf.ask(name, name)
        offers = bed.wait(4)
        assert [offer.asker for offer in offers] == names
        assert all(offer.profile is None for offer in offers)
        bed.shelf.ask("wren", 1)
        assert bed.refused("does not answer").asker == 1
        assert len(threads()) == 3
    bed.until(lambda: len(threads()) == 1)
    bed.run(0.5)
    bed.shelf.ask("wren", 2)
    assert bed.wait()[-1].child == "wren"


@pytest.mark.usefixtures("impatient")
def test_a_stall_at_the_start_does_not_keep_the_router_from_starting(bed, begin):
    bed.write("wren.yaml", text("wren", "E4"))
    bed.offered()
    bed.close()
    with stalling(bed.folder / "wren.yaml"):
        loop = begin()
        offer = loop.start()
        assert (offer.child, offer.source, offer.text) == ("wren", "copy", text("wren", "E4").encode())
        assert "does not answer" in str(offer.problems[0])
        loop.close()  # while a thread hangs
    deadline = time.monotonic() + GENEROUS
    while threads() and time.monotonic() < deadline:
        time.sleep(0.05)
    assert threads() == []


@pytest.fixture
def answers(folder, monkeypatch) -> threading.Event:
    """Until it is set, whoever reads a file of the folder waits;
    and when it answers no news comes of that, as from ``stalling``.
    """
    event, judge = threading.Event(), profile_folder.judge

    def judge_late(where, name, worker, stuck=frozenset, **more):
        if where == folder and name not in stuck():
            worker.at = name
            event.wait(GENEROUS)
        return judge(where, name, worker, stuck, **more)

    monkeypatch.setattr(worker, "STALLED", NANOSECONDS)
    monkeypatch.setattr(profile_folder, "judge", judge_late)
    monkeypatch.setattr(profile_folder, "LATER", (NANOSECONDS // 2,) * 100)
    return event


def test_what_stalls_at_the_start_plays_when_it_answers(folder, begin, answers):
    (folder / "wren.yaml").write_text(text("wren"))
    loop = begin()
    assert loop.start().source == "safe"
    assert "does not answer" in loop.shelf.troubles()["profile_waits"]
    loop.quiet(1.5)
    assert len(threads()) == 2  # the one that hangs is not joined by another each time
    answers.set()
    offer = loop.offered()
    assert (offer.child, offer.source) == ("wren", "folder")
    assert offer.because.endswith("could not be tried before")
    assert loop.shelf.troubles() == {}


def test_what_stalls_at_the_start_is_not_begun_anew_where_its_copy_plays(bed, begin, answers):
    answers.set()
    bed.write("wren.yaml", text("wren", "E4"))
    bed.offered()
    bed.close()
    answers.clear()
    loop = begin()
    assert loop.start().source == "copy"
    assert loop.shelf.troubles()
    answers.set()
    loop.until(lambda: not loop.shelf.troubles())
    loop.quiet()
    assert loop.plays.source == "copy"


@pytest.mark.usefixtures("impatient")
def test_a_stall_of_what_is_remembered_is_made_good_later(bed):
    bed.write("lark.yaml", text("lark"))
    bed.offered()
    bed.until(lambda: remembered(bed)["child"] == "lark")
    with stalling(bed.state / "bed" / "plays.json"):
        for child in ("nuthatch", "finch"):
            bed.write(f"{child}.yaml", text(child))
            assert bed.offered().child == child
        bed.until(lambda: len(bed.heard("profile_not_remembered")) >= 1)
    bed.until(lambda: bed.heard("profile_not_remembered")[-1] == "it is all right again")
    assert remembered(bed)["child"] == "finch"


# --- the worker -------------------------------------------------------------------------------------------------------


def test_each_job_is_told_once_and_in_order():
    told: list[object] = []
    faults: list[Exception] = []
    worker_ = Worker(Agenda(faults.append), lambda: None, faults.append, lambda _: None)
    try:
        for number in range(20):
            job = Job(
                lambda _, number=number: 100 // (number - 7),
                lambda result, _now: told.append(result),
                lambda at, _now: told.append(f"failed {at}"),
            )
            worker_.do(job)
        assert worker_.wait(lambda worker: worker.at) == ""
        assert told == ["failed " if number == 7 else 100 // (number - 7) for number in range(20)]
        assert [type(fault) for fault in faults] == [ZeroDivisionError]
    finally:
        worker_.close()


def test_a_thread_that_ends_at_once_when_told_closes_nothing_that_is_still_written_to(monkeypatch):
    """It is awake when it is told, as just after a job, and would be through before the teller has written."""
    at_work, go_on = threading.Event(), threading.Event()
    worker_ = WorkerThread(lambda _worker, _result: None)
    worker_.do(lambda _: (at_work.set(), go_on.wait()))
    assert at_work.wait(60)
    write = os.eventfd_write

    def written(descriptor, value):
        go_on.set()
        worker_.join(0.3)  # the time that it would take to end
        write(descriptor, value)

    monkeypatch.setattr(os, "eventfd_write", written)
    worker_.stop()
    worker_.join(60)
    assert not worker_._thread.is_alive()


# --- a PC that is too slow for a rule of others -----------------------------------------------------------------------

SLOW_RULE = """
import pathlib, time
from router.core.rules.note import NoteRule
if not pathlib.Path({marker!r}).exists(): time.sleep(3600)


class Slow(NoteRule):
    \"\"\"Plays a note.\"\"\"

    name = "slow"
"""


@pytest.fixture
def busy(tmp_path, monkeypatch) -> Path:
    """A rule that cannot be imported before this file is there, and a shelf that tries again soon."""
    marker, rules = tmp_path / "quiet", tmp_path / "rules"
    rules.mkdir(mode=0o755)
    (rules / "slow.py").write_text(SLOW_RULE.format(marker=str(marker)))
    (rules / "slow.py").chmod(0o644)
    monkeypatch.setenv(plugins.VARIABLE, str(rules))
    monkeypatch.setattr(trying, "SECONDS", 1)
    monkeypatch.setattr(plugins, "REST", 0)
    monkeypatch.setattr(profile_folder, "LATER", (NANOSECONDS // 5, NANOSECONDS // 2))
    plugins._installed.cache_clear()
    yield marker
    plugins._installed.cache_clear()


def slow(child: str) -> str:
    return text(child).replace("note:", "slow:")


def quiet(marker: Path, monkeypatch) -> None:
    monkeypatch.setattr(trying, "SECONDS", 30)
    marker.touch()


def test_what_played_last_plays_once_the_pc_is_no_longer_too_slow_for_its_rule(folder, begin, busy, monkeypatch):
    (folder / "wren.yaml").write_text(slow("wren"))
    monkeypatch.setattr(profile_folder, "LATER", (NANOSECONDS, NANOSECONDS))
    bed = begin()
    assert bed.start().source == "safe"
    (why,) = bed.shelf.troubles().values()
    assert '"wren.yaml": there is no rule called "slow"' in why
    assert "importing it does not come back within 1 s. It is tried again after 1 s" in why
    quiet(busy, monkeypatch)
    offer = bed.offered()
    assert (offer.child, offer.source, offer.path) == ("wren", "folder", folder / "wren.yaml")
    assert offer.profile is not None
    assert bed.shelf.troubles() == {}


@pytest.mark.usefixtures("busy")
def test_a_rule_that_takes_longer_than_a_disk_may_is_no_disk_that_stalls(folder, begin, monkeypatch):
    """At the start, and while another plays: it has a limit of its own."""
    monkeypatch.setattr(worker, "STALLED", NANOSECONDS // 5)
    monkeypatch.setattr(profile_folder, "LATER", (60 * NANOSECONDS,))
    (folder / "wren.yaml").write_text(slow("wren"))
    bed = begin()
    bed.start()
    assert "importing it does not come back within 1 s" in bed.shelf.troubles()["profile_waits"]
    bed.write("lark.yaml", slow("lark"))
    bed.refused("importing it does not come back within 1 s")


@pytest.mark.usefixtures("busy", "impatient")
def test_however_long_a_rule_takes_its_thread_is_given_up_at_last(bed, monkeypatch):
    monkeypatch.setattr(trying, "SECONDS", 4)
    monkeypatch.setattr(worker, "PATIENCE", NANOSECONDS // 2)
    bed.write("lark.yaml", slow("lark"))
    bed.refused(profile_folder.SILENT)


@pytest.mark.usefixtures("busy")
def test_it_is_tried_a_few_times_and_then_said_to_be_tried_no_more(folder, begin):
    (folder / "wren.yaml").write_text(slow("wren"))
    bed = begin()
    assert bed.start().source == "safe"
    bed.until(lambda: "tried 3 times" in bed.shelf.troubles().get("profile_waits", ""))
    bed.quiet()
    assert bed.plays.source == "safe"


def test_what_was_asked_for_is_tried_again_too_and_a_changed_file_is_news(bed, busy, monkeypatch):
    monkeypatch.setattr(profile_folder, "LATER", (3600 * NANOSECONDS,))
    bed.write("lark.yaml", slow("lark"))
    bed.refused("slow")
    bed.write("lark.yaml", BROKEN.replace("wren", "lark"))
    bed.refused("outpust")
    assert bed.shelf.troubles() == {}  # it is wrong, and waiting would not help
    monkeypatch.setattr(profile_folder, "LATER", (NANOSECONDS,))
    bed.write("lark.yaml", slow("lark"))
    bed.refused("slow")
    bed.shelf.ask("lark", "me")
    assert bed.refused("slow").asker == "me"
    quiet(busy, monkeypatch)
    bed.until(lambda: bed.plays.child == "lark")


def test_what_is_chosen_meanwhile_plays_on(bed, busy, monkeypatch):
    bed.write("lark.yaml", slow("lark"))
    bed.refused('there is no rule called "slow"')
    assert '"lark.yaml"' in bed.shelf.troubles()["profile_waits"]
    monkeypatch.setattr(profile_folder, "LATER", (NANOSECONDS,))
    bed.write("finch.yaml", text("finch"))
    bed.until(lambda: bed.plays.child == "finch")
    quiet(busy, monkeypatch)
    bed.quiet(1.5)
    assert bed.plays.child == "finch"
    assert bed.shelf.troubles() == {}
