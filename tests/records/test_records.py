"""Sessions on record while they are played: real files, real power cuts (kill -9), disks that fail and come back."""

import errno
import gzip
import hashlib
import io
import json
import os
import queue
import signal
import stat
import subprocess
import sys
import threading
import time
import zlib
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from router.core.events import Lost, Mark, PressureSample, SwitchSample
from router.records import record_files, recorder, session_files
from router.records.recorder import Records
from router.records.session_log import LogFile, WriterThread, header
from router.records.trace import Trace

S = 1_000_000_000
WAIT = 30.0
DAY = 86_400 * S


class Said:
    """Keeps what the technician is told."""

    def __init__(self):
        self.said = []

    def __call__(self, event, **fields):
        self.said.append((event, fields))

    def events(self):
        return [event for event, _ in list(self.said)]


def until(true, why=""):
    deadline = time.monotonic() + WAIT
    while not true():
        assert time.monotonic() < deadline, why
        time.sleep(0.01)


def lines(path):
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def files(folder):
    return sorted(path.name for path in folder.glob("*/*"))


@pytest.fixture
def said():
    return Said()


@pytest.fixture
def keeper(tmp_path, said):
    keeper = Records(tmp_path / "records", said)
    yield keeper
    keeper.close()


def one(folder, pattern="*.jsonl"):
    (path,) = folder.glob(f"records/wren/{pattern}")
    return path


def test_a_session_is_one_private_file_of_whole_lines_with_a_header_and_a_hash(tmp_path, keeper, said, request):
    request.addfinalizer(partial(os.umask, os.umask(0)))
    session = keeper.begin("bed", "wren", "sha256:12", 5 * S)
    session(5 * S, "start", {})
    session(6 * S, "press", {"input": "pad", "strength": 0.5})
    session(7 * S, "start", {})  # the profile was changed while it played
    session.mark(8 * S, "smiled\n\x1b[31m  at   größer " + "x" * 300)
    session(9 * S, "stop", {})
    session.close(9 * S)
    keeper.close()
    path = one(tmp_path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == stat.S_IMODE(path.parent.parent.stat().st_mode) == 0o700
    assert record_files.began(path.name) is not None
    assert path.name.endswith("-bed.jsonl")
    told = lines(path)
    began = datetime.fromisoformat(told[0].pop("began"))
    assert began.utcoffset() is not None
    assert abs(datetime.now().astimezone() - began) < timedelta(minutes=5)
    assert told[0] == {
        "t": 0.0, "event": "start", "log": 1, "child": "wren", "seat": "bed", "profile": "sha256:12", "router": "0.1.0",
    }  # fmt: skip
    kinds = [(line["t"], line["event"]) for line in told[1:] if line["event"] != "check"]
    assert kinds == [(1.0, "press"), (2.0, "start"), (3.0, "mark"), (4.0, "stop"), (4.0, "end")]
    (mark,) = (line["text"] for line in told if line["event"] == "mark")
    assert mark.startswith("smiled [31m at größer xx")
    assert len(mark) == 200
    raw = path.read_bytes()
    body = raw[: raw.rindex(b'{"t": 4.0, "event": "end"')]
    assert told[-1]["sha256"] == hashlib.sha256(body).hexdigest()
    assert said.events() == []


def test_each_block_has_its_own_check_sum(tmp_path, keeper):
    session = keeper.begin("bed", "wren", "", 0)
    for number in range(3):
        session(number * S, "mark", {"text": str(number)})
        until(
            lambda number=number: list(tmp_path.glob("records/wren/*")) and f'"{number}"' in one(tmp_path).read_text()
        )
    session.close(3 * S)
    keeper.close()
    block, sums = b"", 0
    for line in one(tmp_path).read_bytes().splitlines(keepends=True):
        event = json.loads(line)
        if event["event"] == "check":
            assert event["crc32"] == f"{zlib.crc32(block):08x}"
            block, sums = b"", sums + 1
        else:
            block += line
    assert sums >= 3
    assert json.loads(block)["event"] == "end"


def test_it_is_the_same_as_the_log_of_router_play(tmp_path, keeper):
    events = [
        (0, "start", {}),
        (S, "press", {"input": "pad", "strength": 0.25}),
        (S + 1234, "note_on", {"part": "tune", "output": "synth", "channel": 1, "note": 60, "velocity": 64}),
        (2 * S, "mark", {"text": "cue"}),
        (3 * S, "stop", {}),
    ]
    offline = io.StringIO()
    log = LogFile(offline, 0, header("wren", profile=""))
    session = keeper.begin("bed", "wren", "", 0)
    for event in events:
        log(*event)
        session(*event)
    session.close(3 * S)
    keeper.close()
    live = [line for line in lines(one(tmp_path)) if line["event"] not in ("check", "end")]
    del live[0]["began"], live[0]["seat"]
    assert live == [json.loads(line) for line in offline.getvalue().splitlines()]


def test_without_notes_what_was_played_is_left_out(tmp_path, said):
    keeper = Records(tmp_path / "records", said, notes=False)
    session = keeper.begin("bed", "wren", "", 0)
    for event in ("press", "note_on", "note_off", "control", "program", "chord", "release"):
        session(S, event, {})
    session.close(S)
    keeper.close()
    assert [line["event"] for line in lines(one(tmp_path))] == ["start", "press", "release", "check", "end"]


def test_what_was_heard_of_other_children_is_never_in_it(tmp_path, keeper):
    session = keeper.begin("bed", "wren", "", 0)
    for event in ("press", "heard", "note_on"):
        session(S, event, {})
    session.close(S)
    keeper.close()
    assert [line["event"] for line in lines(one(tmp_path))] == ["start", "press", "note_on", "check", "end"]


# --- what the sensors said ----------------------------------------------------------------------------------------


def test_what_the_sensors_said_is_a_trace_from_when_it_was_asked_for(tmp_path, keeper):
    session = keeper.begin("bed", "wren", "", 10 * S)
    session.sample(11 * S, SwitchSample("pad", True))  # not asked for yet
    session.record_raw = True
    session.sample(12 * S, PressureSample("cheek", 12.5))
    session(13 * S, "mark", {"text": "cue"})
    session.sample(13 * S - 5, SwitchSample("pad", True))  # stamped before the mark came
    session.sample(14 * S, Lost("pad"))
    session.close(15 * S)
    keeper.close()
    path = one(tmp_path, "*.gz")
    assert path.name.endswith("-bed.trace.jsonl.gz")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    with gzip.open(path) as file:
        trace = Trace(file, "it")
        assert trace.header["child"] == "wren"
        assert list(trace) == [
            (2 * S, PressureSample("cheek", 12.5)),
            (3 * S, Mark("cue")),
            (3 * S, SwitchSample("pad", True)),
            (4 * S, Lost("pad")),
        ]


def test_a_mark_asks_for_it_and_ends_it(tmp_path, keeper):
    session = keeper.begin("bed", "wren", "", 0)
    for t, text in ((1, "smiled"), (2, "Record\n"), (4, "cue"), (5, "record off"), (7, "cried")):
        session(t * S, "mark", {"text": text})
        session.sample(t * S + S // 2, SwitchSample("pad", t % 2 == 0))
    session.close(9 * S)
    keeper.close()
    with gzip.open(one(tmp_path, "*.gz")) as file:
        kept = [(t / S, getattr(sample, "text", None)) for t, sample in Trace(file, "it")]
    assert kept == [(2, "Record"), (2.5, None), (4, "cue"), (4.5, None)]
    assert len([line for line in lines(one(tmp_path)) if line["event"] == "mark"]) == 5


# --- power cuts ---------------------------------------------------------------------------------------------------

VICTIM = """
import sys, time
from functools import partial
from pathlib import Path
from router.core.events import SwitchSample
from router.records.recorder import Records
keeper = Records(Path(sys.argv[1]), print)
session = keeper.begin("bed", "wren", "", time.monotonic_ns(), record_raw=True)
for number in range(100_000):
    session(time.monotonic_ns(), "mark", {"text": str(number)})
    print(number, time.monotonic_ns(), flush=True)
    time.sleep(0.01)
"""


def test_killed_it_has_all_but_the_last_second(tmp_path):
    with subprocess.Popen(
        [sys.executable, "-c", VICTIM, str(tmp_path / "records")],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(record_files.__file__).parents[2])},
    ) as process:
        until(lambda: list(tmp_path.glob("records/wren/*.gz")))
        said = [process.stdout.readline() for _ in range(250)]
        process.send_signal(signal.SIGKILL)
        said += process.stdout.read().splitlines()
    told = lines(one(tmp_path))  # every line is whole
    kept = [line for line in told if line["event"] == "mark"]
    assert [line["text"] for line in kept] == [str(n) for n in range(len(kept))]
    with gzip.open(one(tmp_path, "*.gz")) as file:
        recorded = [sample.text for _, sample in Trace(file, "it")]
    assert recorded == [str(n) for n in range(len(recorded))]
    when = [int(line.split()[1]) for line in said]
    for count in (len(kept), len(recorded)):  # first one is written, then the other: a kill may come between
        assert when[-1] - when[count - 1] < 5 * S  # one, on a machine that is not busy with other things


# --- disks that fail ----------------------------------------------------------------------------------------------


class Failing:
    """Writing fails, or waits, while it is told to."""

    def __init__(self, monkeypatch):
        self.error = None
        self.stalled = threading.Event()
        self.stalled.set()
        self.attempts = 0
        self.half = False
        self.write = os.write
        monkeypatch.setattr(session_files.os, "write", self)
        monkeypatch.setattr(recorder, "PATIENCE", (0.05,))
        monkeypatch.setattr(recorder, "ON_DISK", S // 20)

    def __call__(self, descriptor, data):
        self.attempts += 1
        assert self.stalled.wait(WAIT)
        if self.error is not None:
            if self.half:
                self.write(descriptor, bytes(data[: len(data) // 2]))
            raise OSError(self.error, os.strerror(self.error))
        return self.write(descriptor, data)


@pytest.fixture
def disk(monkeypatch):
    return Failing(monkeypatch)


def checked(path):
    """The events of a whole log, after looking at its sums."""
    raw = path.read_bytes()
    *body, end = raw.splitlines(keepends=True)
    assert json.loads(end)["sha256"] == hashlib.sha256(b"".join(body)).hexdigest()
    block = b""
    for line in body:
        if json.loads(line)["event"] == "check":
            assert json.loads(line)["crc32"] == f"{zlib.crc32(block):08x}"
            block = b""
        else:
            block += line
    assert block == b""
    return [event for event in map(json.loads, body) if event["event"] != "check"]


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EIO])
def test_a_disk_that_fails_is_said_once_and_tried_again_and_nothing_is_lost(tmp_path, keeper, said, disk, number):
    session = keeper.begin("bed", "wren", "", 0, record_raw=True)
    session(S, "mark", {"text": "before"})
    until(lambda: list(tmp_path.glob("records/wren/*.gz")))
    disk.error, disk.half, attempts = number, True, disk.attempts
    session(2 * S, "mark", {"text": "meanwhile"})
    until(lambda: disk.attempts > attempts + 4)
    session(3 * S, "mark", {"text": "later"})
    assert said.events() == ["records_fault"]
    assert said.said[0][1]["why"] == os.strerror(number).lower()
    disk.error = None
    until(lambda: said.events() == ["records_fault", "records_again"])
    session.close(4 * S)
    keeper.close()
    marks = [line["text"] for line in checked(one(tmp_path)) if line["event"] == "mark"]
    assert marks == ["before", "meanwhile", "later"]
    with gzip.open(one(tmp_path, "*.gz")) as file:
        assert [sample.text for _, sample in Trace(file, "it")] == marks


class Asleep:
    """A queue with nothing in it, and the clock that goes on while it is waited for."""

    def __init__(self, monkeypatch):
        self.now, self.slept = 12_345 * S + 67, []
        monkeypatch.setattr(recorder.clock, "now", lambda: self.now)

    def get(self, timeout):
        self.slept.append(timeout)
        self.now += round(timeout * S)
        raise queue.Empty


class NoDisk:
    """A session whose disk takes nothing for so many times."""

    over, waits, paths, refuses = False, True, (), 7

    def flush(self):
        self.refuses -= 1
        if self.refuses < 0:
            raise StopIteration  # it was written
        raise OSError(errno.EIO, "Input/output error")


def test_a_disk_that_fails_is_left_alone_for_longer_and_longer_up_to_half_a_minute(tmp_path, said, monkeypatch):
    """What a child did meanwhile is on the disk half a minute after it works again, at most."""
    keeper = Records(tmp_path / "records", said)
    keeper.close()
    keeper._thread._queue, keeper._open = Asleep(monkeypatch), [NoDisk()]
    with pytest.raises(StopIteration):
        keeper._thread._next()
    assert keeper._thread._queue.slept == [1, 1, 2, 5, 10, 30, 30, 30]
    assert said.events() == ["records_fault"]


def test_a_folder_that_can_be_swept_again_is_told_of_when_it_cannot_once_more(tmp_path, said):
    keeper = Records(tmp_path / "records", said)
    keeper.close()

    class Retention:
        fails = iter([True, True, False, True])

        def sweep(self, *_):
            if next(self.fails):
                raise OSError(errno.EACCES, "Permission denied", "wren")
            return []

    keeper._retention = Retention()
    for count in (1, 1, 1, 2):
        keeper._sweep()
        assert said.events() == ["records_kept_too_long"] * count
    assert said.said[0][1] == {"file": "wren", "why": "permission denied"}


def test_what_is_due_is_swept_while_a_child_plays_for_weeks_but_not_while_the_disk_fails(tmp_path, said, monkeypatch):
    keeper = Records(tmp_path / "records", said)
    keeper.close()
    swept = []
    monkeypatch.setattr(keeper, "_sweep", lambda: swept.append(True))
    for due, fails, count in (
        (False, False, 0),
        (True, False, 1),
        (True, True, 1),
        (False, False, 1),
        (True, False, 2),
    ):
        monkeypatch.setattr(keeper._retention, "due", lambda _now, _wall, due=due: due)
        keeper._open = [NoDisk()] if fails else []
        keeper._flush()
        assert len(swept) == count


def test_a_file_is_opened_once_while_it_is_written(tmp_path, keeper, monkeypatch):
    opened = []
    monkeypatch.setattr(recorder, "ON_DISK", S // 20)
    real = os.open
    monkeypatch.setattr(session_files.os, "open", lambda path, *how: (opened.append(Path(path)), real(path, *how))[1])
    session = keeper.begin("bed", "wren", "", 0)
    for number in range(3):
        session(number * S, "mark", {"text": str(number)})
        until(
            lambda number=number: list(tmp_path.glob("records/wren/*")) and f'"{number}"' in one(tmp_path).read_text()
        )
    session.close(3 * S)
    keeper.close()
    assert opened.count(one(tmp_path)) == 1


def test_what_there_is_no_room_for_is_counted_and_said_in_the_file(tmp_path, keeper, said, disk, monkeypatch):
    monkeypatch.setattr(session_files, "WAITING", 400)
    session = keeper.begin("bed", "wren", "", 0)
    disk.error = errno.ENOSPC
    for number in range(50):
        session(number * S, "mark", {"text": str(number)})
    until(lambda: "records_fault" in said.events())
    disk.error = None
    until(lambda: "records_again" in said.events())
    session(50 * S, "mark", {"text": "50"})
    session.close(51 * S)
    keeper.close()
    told = checked(one(tmp_path))
    marks = [line["text"] for line in told if line["event"] == "mark"]
    (gap,) = (line for line in told if line["event"] == "fault")
    assert gap["missing"] == 51 - len(marks) > 40
    assert str(gap["missing"]) in gap["error"]
    assert marks[-1] == "50"


def test_a_stalled_disk_is_not_waited_for(tmp_path, said, disk):
    keeper = Records(tmp_path / "records", said, size=5)
    session = keeper.begin("bed", "wren", "", 0)
    session(S, "mark", {"text": "first"})
    disk.stalled.clear()
    until(lambda: disk.attempts)
    for number in range(20):  # five fit
        session(number * S, "mark", {"text": str(number)})
    disk.stalled.set()
    until(lambda: list(tmp_path.glob("records/wren/*")) and '"4"' in one(tmp_path).read_text())
    session(30 * S, "mark", {"text": "last"})
    session.close(30 * S)
    keeper.close()
    told = checked(one(tmp_path))
    assert [line["text"] for line in told if line["event"] == "mark"] == ["first", "0", "1", "2", "3", "4", "last"]
    assert [line["missing"] for line in told if line["event"] == "fault"] == [15]


def test_what_did_not_fit_at_the_very_end_is_said_too(tmp_path, said, disk):
    keeper = Records(tmp_path / "records", said, size=5)
    session = keeper.begin("bed", "wren", "", 0)
    other = keeper.begin("window", "lark", "", 0)
    other(S, "mark", {"text": "first"})
    disk.stalled.clear()
    until(lambda: disk.attempts)
    for number in range(5):
        other(number * S, "mark", {"text": str(number)})
    for number in range(3):
        session(number * S, "mark", {"text": str(number)})
    session.close(30 * S)
    disk.stalled.set()
    keeper.close()
    assert session.lost == 3
    assert [line["missing"] for line in checked(one(tmp_path)) if line["event"] == "fault"] == [3]


def test_a_card_that_was_exchanged_gets_a_file_with_a_header_again(tmp_path, keeper, said, disk):
    session = keeper.begin("bed", "wren", "", 0, record_raw=True)
    session(S, "mark", {"text": "on the old card"})
    until(lambda: list(tmp_path.glob("records/wren/*.gz")) and one(tmp_path, "*.gz").stat().st_size)
    disk.error = errno.EIO
    session(2 * S, "mark", {"text": "meanwhile"})
    until(lambda: "records_fault" in said.events())
    (tmp_path / "records").rename(tmp_path / "old")
    disk.error = None
    until(lambda: "records_again" in said.events())
    session(3 * S, "mark", {"text": "later"})
    session.close(4 * S)
    keeper.close()
    told = checked(one(tmp_path))
    assert told[0]["child"] == "wren"
    assert [line["text"] for line in told if line["event"] == "mark"] == ["meanwhile", "later"]
    assert "another file" in told[1]["error"]
    with gzip.open(one(tmp_path, "*.gz")) as file:
        assert [sample.text for _, sample in Trace(file, "it")] == ["meanwhile", "later"]


def test_a_session_that_ended_before_the_exchanged_card_was_there_is_whole_on_it(tmp_path, keeper, said, disk):
    """Its last line vouches for what is in this file, not for what was in the one that has gone."""
    session = keeper.begin("bed", "wren", "", 0)
    session(S, "mark", {"text": "on the old card"})
    until(lambda: list(tmp_path.glob("records/wren/*")) and "old card" in one(tmp_path).read_text())
    disk.error = errno.EIO
    session(2 * S, "mark", {"text": "meanwhile"})
    session.close(3 * S)
    until(lambda: "records_fault" in said.events())
    (tmp_path / "records").rename(tmp_path / "old")
    disk.error = None
    until(lambda: "records_again" in said.events())
    keeper.close()
    told = [(line["t"], line.get("text", line["event"])) for line in checked(one(tmp_path))]
    assert told == [(2.0, "start"), (2.0, "fault"), (2.0, "meanwhile")]
    assert record_files.read(one(tmp_path)).remarks == []


@pytest.mark.usefixtures("disk")
def test_a_folder_that_cannot_be_made_costs_nothing_else(tmp_path, said):
    (tmp_path / "records").write_text("a file stands in the way")
    keeper = Records(tmp_path / "records", said)
    session = keeper.begin("bed", "wren", "", 0)
    session(S, "mark", {"text": "x"})
    until(lambda: said.events() == ["records_fault"])
    (tmp_path / "records").unlink()
    until(lambda: "records_again" in said.events())
    session.close(S)
    keeper.close()
    assert [line["event"] for line in checked(one(tmp_path))] == ["start", "mark"]


def test_what_cannot_be_written_at_all_costs_one_line(tmp_path, keeper, said):
    session = keeper.begin("bed", "wren", "", 0)
    session(S, "mark", {"text": "a"})
    session(S, "press", {"input": object()})
    session(S, "mark", {"text": "b"})
    session.close(S)
    keeper.close()
    assert [line.get("text") for line in checked(one(tmp_path))[1:]] == ["a", "b"]
    assert said.events() == ["records_fault"]


def test_two_sessions_in_one_second_are_two_files(tmp_path, keeper):
    for number in range(3):
        session = keeper.begin("bed", "wren", str(number), 0)
        session(S, "mark", {"text": str(number)})
        session.close(S)
    keeper.close()
    told = [checked(path) for path in tmp_path.glob("records/wren/*.jsonl")]
    assert sorted((first["profile"], mark["text"]) for first, mark in told) == [("0", "0"), ("1", "1"), ("2", "2")]


def test_a_line_for_which_there_was_no_memory_is_said_to_be_missing(tmp_path, monkeypatch):
    said = []
    records = Records(tmp_path, lambda event, **fields: said.append((event, fields)))
    session = records.begin("bed", "wren", "0", 12_345)
    add = session_files.GrowingLog._add

    def no_memory(self, line):
        if '"lost"' in line:
            raise MemoryError
        add(self, line)

    monkeypatch.setattr(session_files.GrowingLog, "_add", no_memory)
    for event in ("press", "lost", "release"):
        session(20_000, event, {"input": "pad"})
    session.close(30_000)
    records.close()
    (path,) = tmp_path.glob("wren/*.jsonl")
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert [line["event"] for line in lines] == ["start", "press", "fault", "release", "check", "end"]
    assert lines[2]["missing"] == session.lost == 1
    assert [event for event, _ in said] == ["records_fault"]


def test_the_thread_that_writes_survives_a_want_of_memory_between_two_lines(tmp_path, monkeypatch):
    said = []
    records = Records(tmp_path, lambda event, **_fields: said.append(event))
    session = records.begin("bed", "wren", "0", 12_345)
    following = WriterThread._next
    wants = iter([True])

    def no_memory(self):
        if next(wants, False):
            raise MemoryError
        return following(self)

    monkeypatch.setattr(WriterThread, "_next", no_memory)
    for event in ("press", "release"):
        session(20_000, event, {"input": "pad"})
    session.close(30_000)
    records.close()
    (path,) = tmp_path.glob("wren/*.jsonl")
    events = [json.loads(line)["event"] for line in path.read_text().splitlines()]
    assert [event for event in events if event != "check"] == ["start", "press", "release", "end"]
    assert said == ["records_fault"]
