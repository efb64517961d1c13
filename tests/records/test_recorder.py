"""The session log: whole lines, never in the way, and what is missing is said."""

import io
import json
import threading

import pytest

from router.records.session_log import BackgroundLog, LogFile, log_line


class Slow(io.StringIO):
    """A disk that takes nothing until it is let."""

    def __init__(self):
        super().__init__()
        self.let = threading.Event()
        self.asked = threading.Event()

    def write(self, text):
        self.asked.set()
        assert self.let.wait(30)
        return super().write(text)


class Full(io.StringIO):
    """A disk that is full for a while, from the third line on."""

    def __init__(self, refuses):
        super().__init__()
        self.lines, self.refuses = 0, refuses

    def write(self, text):
        self.lines += 1
        if 2 < self.lines <= 2 + self.refuses:
            super().write(text[:5])
            raise OSError(28, "No space left on device")
        return super().write(text)


EVENTS = [
    (1_500_000_000, "press", {"input": "cheek.above", "strength": 0.4}),
    (1_500_000_001, "note_on", {"part": "tune", "output": "synth", "channel": 1, "note": 60, "velocity": 64}),
    (2_000_000_000, "mark", {"text": "größer"}),
]


def test_live_and_offline_write_the_same():
    live, offline = io.StringIO(), io.StringIO()
    log = BackgroundLog(live, 500_000_000)
    for event in EVENTS:
        log(*event)
        LogFile(offline, 500_000_000)(*event)
    log.close()
    assert live.getvalue() == offline.getvalue()
    assert "größer" in live.getvalue(), "a log can be read as it is"
    assert json.loads(live.getvalue().splitlines()[0]) == {
        "t": 1.0,
        "event": "press",
        "input": "cheek.above",
        "strength": 0.4,
    }


def test_a_slow_disk_is_not_waited_for_and_what_is_missing_is_said_where_it_is_missing():
    file = Slow()
    log = BackgroundLog(file, 0, size=5)
    log(0, "mark", {"text": "first"})
    assert file.asked.wait(30)
    for number in range(20):  # five fit
        log(number, "mark", {"text": str(number)})
    file.let.set()
    log.close()
    lines = [json.loads(line) for line in file.getvalue().splitlines()]
    texts = [line["text"] for line in lines if line["event"] == "mark"]
    assert texts == ["first", "0", "1", "2", "3", "4"]
    assert [line["error"] for line in lines if line["event"] == "fault"] == [
        "15 lines are missing about here: the disk was too slow or failed"
    ]


def test_nothing_is_missing_while_the_disk_keeps_up():
    file = io.StringIO()
    log = BackgroundLog(file, 0)
    for number in range(5000):
        log(number, "mark", {"text": str(number)})
    log.close()
    assert [json.loads(line)["text"] for line in file.getvalue().splitlines()] == [str(n) for n in range(5000)]


def test_a_full_disk_is_said_once_and_stops_nothing():
    faults = []
    log = BackgroundLog(Full(refuses=1000), 0, faults.append)
    for number in range(100):
        log(number, "mark", {"text": "x"})
    log.close()
    assert [fault.errno for fault in faults] == [28]


def test_a_disk_that_has_room_again_is_used_again_and_what_is_missing_is_said():
    faults = []
    file = Full(refuses=30)
    log = BackgroundLog(file, 0, faults.append)
    for number in range(100):
        log(number, "mark", {"text": str(number)})
    log.close()
    told = [json.loads(line) for line in file.getvalue().splitlines() if line.endswith("}")]
    assert [line.get("text") for line in told] == ["0", "1", None, *(str(n) for n in range(32, 100))]
    assert told[2]["missing"] == 30
    assert len(faults) == 1


def test_the_first_start_says_whose_log_it_is():
    file = io.StringIO()
    log = LogFile(file, 0, {"log": 1, "child": "wren"})
    for _ in range(2):
        log(0, "start", {})
    first, second = map(json.loads, file.getvalue().splitlines())
    assert first == {"t": 0.0, "event": "start", "log": 1, "child": "wren"}
    assert second == {"t": 0.0, "event": "start"}


@pytest.mark.parametrize("t", [0.0, 1.2345678, 1e-9])
def test_times_keep_microseconds(t):
    assert json.loads(log_line(t, "start", {}))["t"] == round(t, 6)
