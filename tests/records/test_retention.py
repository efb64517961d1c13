"""Nothing is deleted because a clock says so:
days on which the router ran are counted, and a wastebasket comes before the end.
"""

import json
import shutil
import time
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from router.records import record_files, recorder, retention
from router.records.recorder import Records
from router.records.retention import (
    CLOCK,
    DAY,
    DAYS,
    IN_WASTEBASKET,
    LEAST,
    SEEN,
    STARTS,
    WASTEBASKET,
    ClockWhileOff,
    Retention,
    Running,
)
from router.system import files

S = 1_000_000_000
HOUR = 3600 * S
NOON = int(datetime(2026, 3, 20, 12, tzinfo=UTC).timestamp()) * S


@pytest.fixture(autouse=True)
def no_power_cut(monkeypatch):
    """Hundreds of days are tried, and the disk need not be waited for."""
    monkeypatch.setattr(files.os, "fsync", lambda _: None)


class Ward:
    """A router with its clocks: booted, left to run, and asked for one profile after another."""

    def __init__(self, folder, keep=90, sessions=None, wall=NOON):
        self.folder, self.keep, self.sessions = folder, keep, sessions
        self.written = set()
        self.boot(wall)

    def boot(self, wall):
        self.now, self.wall = 977_123_456_789, wall
        self.retention = Retention(self.folder, self.keep, self.sessions, self.now, self.wall)

    def run(self, nanoseconds):
        self.now += nanoseconds
        self.wall += nanoseconds

    def swap(self, child="wren", playing=()):
        """Another session begins: what is there is swept, then its log is there."""
        list(self.retention.sweep(self.now, self.wall, child, playing))
        folder = self.folder / child
        folder.mkdir(parents=True, exist_ok=True)
        number = 1
        while (path := folder / f"{self.stem()}-{number}{record_files.LOG}").exists():
            number += 1
        path.write_text(str(len(self.written)))
        self.written.add(str(len(self.written)))

    def stem(self):
        return record_files.stem(datetime.fromtimestamp(self.wall // S).astimezone(), "bed")

    def day(self, child="wren", count=1):
        """A day as it should be: the PC is switched on, a child plays for half an hour,
        it is switched off; a day goes by.
        """
        for _ in range(count):
            self.boot(self.wall)
            self.swap(child)
            self.run(LEAST + S)
            self.swap(child)
            self.run(HOUR)
            self.boot(self.wall + DAY - HOUR - LEAST - S)

    def everything(self):
        """The text of every record, wherever it lies by now."""
        return {path.read_text() for path in self.folder.rglob(f"*{record_files.LOG}")}

    @property
    def gone(self):
        """What was deleted for good."""
        return self.written - self.everything()

    def kept(self, child="wren"):
        return len(
            [path for path in (self.folder / child).glob(f"*{record_files.LOG}") if not path.name.startswith(".")]
        )

    def thrown(self, child="wren"):
        return len(list((self.folder / WASTEBASKET / child).glob(f"*{record_files.LOG}")))


@pytest.fixture
def ward(tmp_path):
    return Ward(tmp_path)


def test_what_is_noted_of_a_childs_sessions_is_for_its_owner_alone(ward):
    ward.day(count=2)
    ClockWhileOff(ward.folder, ward.now, "boot").note(ward.now, ward.wall)
    noted = [ward.folder / "wren" / SEEN, ward.folder / DAYS, ward.folder / CLOCK]
    assert [path.stat().st_mode & 0o077 for path in noted] == [0, 0, 0]


# --- clocks that are wrong --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("jump", [200, 3650, -3650, 36_500], ids="{} days".format)
def test_a_clock_that_is_years_off_costs_nothing_however_many_swaps_there_are(ward, jump):
    ward.day(count=5)
    there = ward.kept()
    ward.boot(ward.wall + jump * DAY)
    for _ in range(50):
        ward.run(20 * S)
        ward.swap()
    ward.boot(ward.wall - jump * DAY)  # and right again
    for _ in range(50):
        ward.run(20 * S)
        ward.swap()
    assert ward.gone == set()
    assert (ward.kept(), ward.thrown()) == (there + 100, 0)


def test_an_empty_battery_costs_nothing_at_all_its_starts(ward):
    ward.day(count=5)
    there = ward.kept()
    right = ward.wall
    for _ in range(60):
        ward.boot(0)  # 1970
        ward.swap()
        ward.run(HOUR)
        ward.swap()
    ward.boot(right)
    ward.swap()
    assert ward.gone == set()
    assert (ward.kept(), ward.thrown()) == (there + 121, 0)


def a_start(folder, boot, wall, ran, network=0):
    """The PC is switched on and runs; with a network its clock is set meanwhile."""
    now = 5_000_000_123
    clock = ClockWhileOff(folder, now, boot)
    assert not clock.due(now + LEAST - 1)
    for _ in range(ran // LEAST):
        now, wall, network = now + LEAST, wall + LEAST + network, 0
        assert clock.due(now)
        clock.note(now, wall)
    return clock.stands, wall


@pytest.mark.parametrize("kept", [False, True], ids=["begins in 1970", "goes on from when it was switched off"])
def test_a_clock_that_stands_still_while_the_pc_is_off_is_known_after_some_starts(tmp_path, kept):
    """Without battery and network: as the kernel begins, or as systemd-timesyncd(8) keeps the time at shutdown."""
    wall, found = 0, []
    for boot in range(8):
        stands, end = a_start(tmp_path, str(boot), wall, HOUR)
        found.append(stands)
        wall = end + 60 * S if kept else 0
    assert found == [False] * STARTS + [True] * (8 - STARTS)
    assert a_start(tmp_path, "7", wall, HOUR)[0]  # the router is restarted, the PC is not
    stands, wall = a_start(tmp_path, "8", wall, HOUR, network=200 * DAY)
    assert not stands


def test_a_clock_that_goes_on_is_not_doubted_however_often_the_pc_is_restarted(tmp_path):
    wall = NOON
    for boot in range(60):
        stands, wall = a_start(tmp_path, str(boot), wall, HOUR)
        assert not stands
        wall += 60 * S if boot % 5 else DAY // 2  # a technician's restarts, and nights
    for _ in range(20):  # too short to be noted at all
        assert not a_start(tmp_path, f"short {_}", wall, LEAST - S)[0]
    assert not a_start(tmp_path, "", 0, 0)[0]
    assert not ClockWhileOff(tmp_path, 0, "").due(DAY)


def test_what_is_no_note_of_a_clock_begins_anew(tmp_path):
    for text in ("", "[]", "{}", '{"wall": "x", "starts": 9}', '{"wall": 1e99, "starts": null}', "[" * 99_999):
        (tmp_path / CLOCK).write_text(text)
        assert not a_start(tmp_path, "b", 0, HOUR)[0]


def test_a_clock_that_jumps_about_while_it_runs_counts_nothing(ward):
    ward.day(count=3)
    for number in range(100):
        ward.run(LEAST // 2)
        ward.wall += (1000 if number % 2 else -999) * DAY
        ward.swap()
    assert json.loads((ward.folder / DAYS).read_text())["count"] == 3
    assert (ward.gone, ward.thrown()) == (set(), 0)


def test_a_date_counts_once_however_often_the_clock_comes_back_to_it(ward):
    for _ in range(60):
        for back in (0, 1):
            ward.boot(NOON - back * DAY)
            ward.run(HOUR)
            ward.swap()
    assert json.loads((ward.folder / DAYS).read_text())["count"] == 2


def test_a_step_by_the_network_just_after_the_start_counts_the_right_day_only():
    running = Running(5 * S, 0)
    right = NOON - 35 * S
    assert running.dates(40 * S, 35 * S) == []
    assert running.dates(40 * S, right + 40 * S) == []  # set
    assert running.dates(40 * S + LEAST, right + 40 * S + LEAST) == [NOON // DAY]


def test_slewing_is_no_step_and_sleeping_is():
    running = Running(7 * S, NOON)
    assert running.dates(7 * S + LEAST, NOON + LEAST + S) == [NOON // DAY]
    assert running.dates(8 * S + LEAST, NOON + 3 * DAY) == []  # the lid was shut for three days


@pytest.mark.parametrize("zone", ["Pacific/Auckland", "America/Los_Angeles", "Europe/Berlin", "Asia/Kathmandu"])
def test_time_zones_and_summer_time_change_nothing(tmp_path, monkeypatch, zone):
    counts = []
    try:
        for name in ("UTC", zone):
            monkeypatch.setenv("TZ", name)
            time.tzset()
            ward = Ward(tmp_path / name, wall=int(datetime(2026, 3, 25, 12, tzinfo=UTC).timestamp()) * S)
            ward.day(count=8)  # the clocks change on the 29th in Berlin
            counts.append(json.loads((ward.folder / DAYS).read_text())["count"])
    finally:
        monkeypatch.undo()
        time.tzset()
    assert counts == [8, 8]


def test_a_router_that_runs_for_weeks_without_a_swap_counts_them(ward):
    ward.swap()
    ward.run(20 * DAY)
    ward.swap()
    assert json.loads((ward.folder / DAYS).read_text())["count"] == 21  # twenty days from noon to noon touch 21 dates


# --- what goes, and how -----------------------------------------------------------------------------------------------


def test_what_is_old_by_days_of_running_goes_into_the_wastebasket_and_later_for_good(ward):
    ward.day(count=1)
    first = ward.everything()
    ward.day("lark", count=89)
    assert ward.kept() == 2
    ward.day("lark", count=3)
    assert (ward.kept(), ward.thrown(), ward.gone) == (0, 2, set())
    ward.day("lark", count=IN_WASTEBASKET - 1)
    assert ward.thrown() == 2
    ward.day("lark", count=3)
    assert first <= ward.gone <= {str(number) for number in range(10)}  # lark's first, too
    assert not (ward.folder / WASTEBASKET / "wren").exists()  # she plays no longer: nobody has to begin a session


def test_only_so_many_days_with_sessions_are_kept_and_a_swap_is_no_session(tmp_path):
    ward = Ward(tmp_path, keep=None, sessions=3)
    for _ in range(40):
        ward.swap()
        ward.run(S)
    assert (ward.kept(), ward.thrown()) == (40, 0)
    ward.day(count=4)
    assert ward.thrown() >= 40
    assert 5 <= ward.kept() <= 8
    assert ward.gone == set()


def test_nothing_ends_where_nothing_is_asked(tmp_path):
    ward = Ward(tmp_path, keep=None, sessions=None)
    ward.day(count=100)
    assert (ward.kept(), ward.thrown()) == (200, 0)


def test_a_recording_goes_with_its_log_and_what_is_not_ours_stays(ward):
    ward.day(count=1)
    folder = ward.folder / "wren"
    (log,) = list(folder.glob("*.jsonl"))[:1]
    log.with_suffix("").with_suffix(record_files.TRACE).write_text("trace")
    (folder / "notes.txt").write_text("not ours")
    ward.day("lark", count=92)
    assert [path.name for path in folder.iterdir() if path.name != SEEN] == ["notes.txt"]
    assert len(list((ward.folder / WASTEBASKET / "wren").glob(f"*{record_files.TRACE}"))) == 1


def test_what_is_being_written_stays_however_long(ward):
    ward.swap()
    (path,) = (ward.folder / "wren").glob("*.jsonl")
    for _ in range(120):
        ward.run(DAY)
        ward.swap("lark", playing=[path])
    assert path.exists()


def test_nothing_is_overwritten_in_the_wastebasket(ward):
    ward.day(count=1)
    names = sorted(path.name for path in (ward.folder / "wren").glob("*.jsonl"))
    ward.day("lark", count=92)
    for name in names:  # a second one of that name, as a clock that was set back makes it
        (ward.folder / "wren" / name).write_text("second")
    (ward.folder / "wren" / SEEN).write_text(json.dumps({records_stem(name): 0 for name in names}))
    ward.swap()
    ward.boot(ward.wall)
    ward.swap()
    assert ward.thrown() == 4
    assert ward.gone == set()


def records_stem(name):
    return name.partition(".")[0]


def test_folders_under_another_name_are_swept_too_and_links_are_not(ward, tmp_path):
    ward.day("lark - Kopie")
    elsewhere = tmp_path.parent / "elsewhere"
    shutil.copytree(ward.folder / "lark - Kopie", elsewhere)
    (ward.folder / "linnet").symlink_to(elsewhere)
    ward.day("nuthatch", count=92)
    assert (ward.kept("lark - Kopie"), ward.thrown("lark - Kopie")) == (0, 2)
    assert len(list(elsewhere.glob("*.jsonl"))) == 2


@pytest.mark.parametrize("what", ["", "{", "[]", '{"count": -5, "dates": 7}', '{"count": "x"}', "[" * 50_000, "\xff"])
def test_a_count_that_cannot_be_read_begins_again_and_keeps_for_longer(tmp_path, what):
    ward = Ward(tmp_path, keep=10)
    ward.day(count=8)
    (ward.folder / DAYS).write_text(what, encoding="latin-1")
    (ward.folder / "wren" / SEEN).write_text(what, encoding="latin-1")
    there = ward.kept()
    ward.day(count=8)
    assert (ward.kept(), ward.thrown()) == (there + 16, 0)
    ward.day("lark", count=12)
    assert ward.kept() == 0


# --- the writer of the sessions ---------------------------------------------------------------------------------------


@pytest.fixture
def clock(monkeypatch):
    """Time as the writer of sessions sees it; it waits by the real one."""
    shift = SimpleNamespace(wall=0, now=0)
    monkeypatch.setattr(
        recorder,
        "clock",
        SimpleNamespace(
            now=lambda: time.monotonic_ns() + shift.now,
            wall=lambda: time.time_ns() + shift.now + shift.wall,
            boot=lambda: "this one",
        ),
    )
    return shift


def sessions(folder, said, count, keep=90 * DAY):
    keeper = Records(folder, lambda event, **fields: said.append((event, fields)), keep=keep, sessions=500)
    for _ in range(count):
        session = keeper.begin("bed", "wren", "", recorder.clock.now())
        session(recorder.clock.now(), "mark", {"text": "cue"})
        session.close(recorder.clock.now())
    keeper.close()


def test_two_hundred_days_and_five_swaps_delete_nothing(tmp_path, clock):
    said = []
    sessions(tmp_path, said, 3)
    clock.wall = 200 * DAY
    sessions(tmp_path, said, 5)
    clock.wall = 0
    sessions(tmp_path, said, 5)
    assert len(list(tmp_path.glob("wren/*.jsonl"))) == 13
    assert said == []


def test_what_was_put_away_is_said_and_is_there_still(tmp_path, clock):
    said = []
    sessions(tmp_path, said, 2)
    sessions(tmp_path, said, 1)  # it sees the two
    keeper = Records(tmp_path, lambda event, **fields: said.append((event, fields)), keep=2 * DAY)
    clock.now += 4 * DAY  # it ran for four days
    keeper.begin("window", "wren", "", recorder.clock.now()).close(recorder.clock.now())
    keeper.close()
    why = "older or more than are to be kept"
    assert said == [("records_put_away", {"child": "wren", "sessions": 2, "why": why})]
    assert len(list((tmp_path / WASTEBASKET / "wren").glob("*.jsonl"))) == 2


def test_a_folder_that_cannot_be_swept_is_said_once_and_costs_no_record(tmp_path, clock):
    said = []
    sessions(tmp_path, said, 1)
    (tmp_path / DAYS).mkdir()  # cannot be read
    clock.now += 2 * HOUR
    keeper = Records(tmp_path, lambda event, **fields: said.append((event, fields)), keep=2 * DAY)
    for _ in range(3):
        session = keeper.begin("bed", "wren", "", recorder.clock.now())
        session(recorder.clock.now(), "mark", {"text": "cue"})
        session.close(recorder.clock.now())
    keeper.close()
    assert [event for event, _ in said] == ["records_kept_too_long"]
    assert len(list(tmp_path.glob("wren/*.jsonl"))) == 4


def test_the_thread_that_writes_notes_the_clock_and_says_that_it_stands(tmp_path, monkeypatch):
    (tmp_path / CLOCK).write_text(json.dumps({"boot": "before", "wall": 2**62, "starts": STARTS - 1}))
    monkeypatch.setattr(recorder, "LEAST", S // 50)
    monkeypatch.setattr(retention, "LEAST", S // 50)
    monkeypatch.setattr(recorder.clock, "boot", lambda: "now")
    keeper = Records(tmp_path, lambda *_, **__: None)
    assert not keeper.clock_stands
    until = time.monotonic() + 30
    while not keeper.clock_stands:
        assert time.monotonic() < until
        time.sleep(0.01)
    keeper.close()
    assert json.loads((tmp_path / CLOCK).read_text())["starts"] == STARTS
