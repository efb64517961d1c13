# ruff: noqa: DTZ001, DTZ005 - times by the local clock, as in the names of the logs
"""The report: figures of a log against worked numbers, damaged logs, several sessions, and the pages
for people and programs.
"""

import contextlib
import csv
import gc
import html.parser
import io
import json
import math
import re
import sys
import tracemalloc
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from router.cli import main
from router.records import record_files
from router.records.record_files import LOG, read
from router.records.recorder import Records
from router.records.session_files import GrowingLog
from router.records.session_log import header, log_line
from router.report import plots, ward
from router.report.history import LATEST, WEEK, History, gather, logs, measure, measure_all
from router.report.html import html as as_html
from router.report.page import date, page, seconds
from router.report.session import Settings, sessions
from tests import weeks

HOLDS = [(2, 3.5), (6, 6.4), (10, 14), (20, 20.2)]
S = 1_000_000_000


def a_log(path, *events, child="wren", began="2026-03-20T10:00:00+01:00", **about):
    """A log as the router writes it; each event a second of its own is not needed: a check sum after every four."""
    path.parent.mkdir(parents=True, exist_ok=True)
    log = GrowingLog(Path("x"), header(child, seat="bed", began=began, profile="abc", **about))
    for number, (t, event, fields) in enumerate(events):
        log.event(t, event, fields)
        if number % 4 == 3:
            log.check()
    log.end(events[-1][0] if events else 0)
    path.write_bytes(bytes(log._waiting))
    return path


def pressed(*holds, source="pad", strength=0.5):
    for start, end in holds:
        yield (start, "press", {"input": source, "strength": strength})
        if end is not None:
            yield (end, "release", {"input": source})


def mark(t, text):
    return (t, "mark", {"text": text})


def in_order(*events):
    return sorted(events, key=lambda event: event[0])


def figures(tmp_path, *events, settings=None):
    (session,) = sessions(read(a_log(tmp_path / "l.jsonl", *events)), settings or Settings())
    return session


# --- figures ------------------------------------------------------------------------------------------------------


def test_a_session_of_the_worked_numbers(tmp_path):
    cues = [mark(t, "cue") for t in (1.2, 9.1, 19, 40)]
    session = figures(tmp_path, *in_order(*pressed(*HOLDS), *cues, (60, "stop", {})))
    playing = session.playing
    assert (session.seconds, playing.presses, playing.rate) == (60, 4, 4.0)
    assert playing.active == pytest.approx(0.101667, abs=1e-6)
    assert playing.hold.median == pytest.approx(0.95)
    assert playing.between.median == 4
    assert playing.longest == 12
    assert (playing.cues, playing.answered) == (4, 3)
    assert playing.answers.median == pytest.approx(0.9)
    assert session.baseline is None
    assert session.began == datetime(2026, 3, 20, 10, 0)
    assert playing.strength is None  # a switch says nothing of it


def test_phases(tmp_path):
    efforts = [(5, 6), (40, 41), (61, 62), (70, 75), (90, 91), (119.5, 121), (150, 151)]
    events = in_order(
        *pressed(*efforts), mark(0, "Baseline"), mark(60, "playing "), mark(120, "baseline"), (180, "stop", {})
    )
    session = figures(tmp_path, *events)
    assert (session.baseline.seconds, session.baseline.presses) == (120, 3)
    assert (session.playing.seconds, session.playing.presses) == (60, 4)
    assert session.playing.active == pytest.approx(
        (1 + 5 + 1 + 0.5) / 60
    )  # what reaches into the baseline is the baseline's
    assert session.baseline.active == pytest.approx((1 + 1 + 1 + 1) / 120)
    assert session.playing.between.median == pytest.approx(20)
    assert session.nap is None  # four pieces of baseline, but two of playing


def test_before_a_first_baseline_is_playing_and_before_a_first_playing_is_getting_ready(tmp_path):
    efforts = list(pressed((5, 6), (40, 41)))
    first = figures(tmp_path, *in_order(*efforts, mark(30, "baseline"), (60, "stop", {})))
    assert (first.playing.seconds, first.playing.presses, first.baseline.presses) == (30, 1, 1)
    second = figures(tmp_path, *in_order(*efforts, mark(30, "playing"), (60, "stop", {})))
    assert (second.playing.seconds, second.playing.presses, second.baseline) == (30, 1, None)


def test_pieces_of_baseline_and_playing_are_compared(tmp_path):
    quiet, loud = [2, 3, 1, 4], [4, 6, 5, 7, 3]
    events = [mark(0, "baseline"), mark(120, "playing"), (270, "stop", {})]
    for number, count in enumerate([*quiet, *loud]):
        events += pressed(*((30 * number + 1 + i, 30 * number + 1.5 + i) for i in range(count)))
    session = figures(tmp_path, *in_order(*events))
    assert session.nap == pytest.approx(0.90)
    assert session.pnd == pytest.approx(0.60)


def test_strength_and_how_it_falls(tmp_path):
    events = [(10 * n, "press", {"input": "cheek.above", "strength": 0.9 - 0.01 * n}) for n in range(60)]
    session = figures(tmp_path, *events, (600, "stop", {}))
    assert session.playing.tiring.slope == pytest.approx(-0.06)
    assert session.playing.tiring.sure
    assert session.playing.strength.median == pytest.approx(0.605)


def test_two_strengths_are_enough_to_tell_of_and_one_is_not(tmp_path):
    soft, firm = (list(pressed((t, t + 1), strength=strength)) for t, strength in ((1, 0.4), (3, 0.8)))
    assert figures(tmp_path, *soft, *firm, (20, "stop", {})).playing.strength.median == pytest.approx(0.6)
    assert figures(tmp_path, *soft, *pressed((3, 4), strength=0.4), (20, "stop", {})).playing.strength is None


def test_the_same_effort_is_counted_once(tmp_path):
    events = [
        *pressed((1, 4), (6, 7)),
        (2, "press", {"input": "pad.long", "strength": 0.5}),
        (4, "release", {"input": "pad.long"}),
        (6, "press", {"input": "pad.double", "strength": 0.5}),
        (7, "release", {"input": "pad.double"}),
        *pressed((8, 9), source="knee.double"),  # told apart: it is all there is of this effort
        (20, "stop", {}),
    ]
    session = figures(tmp_path, *in_order(*events))
    assert session.playing.presses == 3
    assert session.sources == {"pad": 2, "pad.long": 1, "pad.double": 1, "knee.double": 1}


def test_keys_of_a_keyboard_are_held_together(tmp_path):
    events = [(t, "press", {"input": "keys", "strength": 0.5, "pitch": 60 + t}) for t in range(3)]
    events += [(t, "release", {"input": "keys"}) for t in (4, 5, 6)]
    session = figures(tmp_path, *events, (10, "stop", {}))
    assert (session.playing.presses, session.playing.active) == (3, 0.6)


def test_what_was_not_seen_to_end_has_no_length(tmp_path):
    gap = (11, "fault", {"error": "3 lines are missing", "missing": 3})
    session = figures(
        tmp_path, *pressed((1, 2), (5, None), (10, None)), gap, (12, "release", {"input": "pad"}), (20, "stop", {})
    )
    assert (session.playing.presses, session.playing.hold.count, session.playing.active) == (3, 1, 0.05)


def test_a_long_pause_ends_a_session_and_waiting_does_not_count(tmp_path):
    path = a_log(tmp_path / "l.jsonl", *pressed((2000, 2001), (2100, 2101), (9000, 9001)), (20000, "stop", {}))
    first, second = sessions(read(path), Settings())
    assert (first.seconds, first.playing.presses) == (101, 2)
    assert (second.seconds, second.playing.presses) == (1, 1)
    assert second.began - first.began == timedelta(seconds=7000)
    assert sessions(read(a_log(path, (5, "lost", {"input": "pad"}), (20000, "stop", {}))), Settings()) == []


def test_of_two_sessions_that_begin_and_end_with_the_log_each_has_its_own_efforts(tmp_path):
    path = a_log(tmp_path / "l.jsonl", *pressed((1, 2), (100, 101), (2000, 2001)), (2060, "stop", {}))
    first, second = sessions(read(path), Settings())
    assert (first.seconds, [press.start for press in first.timeline.presses]) == (101, [1, 100])
    assert (second.seconds, [press.start for press in second.timeline.presses]) == (60, [0])


def test_what_did_not_count_and_when_a_sensor_was_away(tmp_path):
    events = [
        *pressed((1, 2)),
        (3, "reject", {"input": "pad", "by": "lockout"}),
        (4, "reject", {"input": "pad", "by": "accept"}),
        (5, "reject", {"input": "pad", "by": "accept"}),
        (6, "near", {"input": "cheek.above", "reach": 0.9}),
        (7, "near", {"input": "cheek.above", "reach": 0.7}),  # restlessness
        (10, "lost", {"input": "pad"}),
        (11, "lost", {"input": "cheek"}),
        (13, "found", {"input": "pad"}),
        (14, "found", {"input": "cheek"}),
        (20, "lost", {"input": "pad"}),
        (30, "stop", {}),
    ]
    session = figures(tmp_path, *events)
    assert session.rejects == {"lockout": 1, "accept": 2, "near": 1}
    assert session.away == 14


@pytest.mark.parametrize(
    ("texts", "scores"),
    [
        (["goal reach +1", "goal calm -2"], {"reach": 1, "calm": -2}),
        (["goal reach 0", "Goal  reach 2"], {"reach": 2}),
        (["goal reach \u22121"], {"reach": -1}),
        (["goal reach 3", "goal", "goal reach", "my goal reach 1"], {}),
    ],
)
def test_goals_are_scored_by_marks(tmp_path, texts, scores):
    session = figures(tmp_path, *(mark(n, text) for n, text in enumerate(texts)), (10, "stop", {}))
    assert session.goals == scores


# --- logs that are not as they should be --------------------------------------------------------------------------

FORTY = [*in_order(*pressed(*((2 * n, 2 * n + 1) for n in range(40))), mark(7.5, "smiled")), (80, "stop", {})]


def told(log):
    return [(event.t, event.event, event.fields.get("input", event.fields.get("text"))) for event in log.events]


@pytest.fixture
def whole(tmp_path):
    path = a_log(tmp_path / "2026-03-20T100000-bed.jsonl", *FORTY)
    assert read(path).remarks == []
    assert read(path).closed
    return path


def test_a_log_cut_at_every_byte_of_its_last_kilobyte(whole):
    raw, all_told = whole.read_bytes(), told(read(whole))
    for length in range(len(raw) - 1024, len(raw)):
        whole.write_bytes(raw[:length])
        log = read(whole)
        assert told(log) == all_told[: len(log.events)], length
        assert len(all_told) - len(log.events) <= raw[length:].count(b"\n") + 1
        assert log.child == "wren"
        only_the_line_end = length == len(raw) - 1
        assert bool(log.remarks) is not only_the_line_end or log.remarks, length
        assert sessions(log, Settings())


@pytest.mark.parametrize("bit", [0x01, 0x10, 0x80])
def test_a_flipped_byte_anywhere_costs_its_second_and_is_said(whole, bit):
    raw, all_told = whole.read_bytes(), told(read(whole))
    for place in range(0, len(raw), 3):
        damaged = bytearray(raw)
        damaged[place] ^= bit
        whole.write_bytes(bytes(damaged))
        log = read(whole)
        assert log.remarks or told(log) == all_told, place  # the time of the last line says nothing
        kept = [each for each in told(log) if each[1] != "fault"]
        assert set(kept) <= set(all_told), place  # nothing that was not so
        assert len(kept) >= len(all_told) - 11, place  # two blocks, if their border is hit


def test_what_was_damaged_is_located(whole):
    raw = bytearray(whole.read_bytes())
    raw[raw.index(b'"t": 20,') + 5] ^= 0x03
    whole.write_bytes(bytes(raw))
    (remark,) = read(whole).remarks
    assert re.fullmatch(r"it is damaged between 1\d\.\d s and 2\d\.\d s: 4 lines there are not used", remark)


def test_a_block_that_was_taken_out_is_noticed(whole):
    lines = whole.read_bytes().splitlines(keepends=True)
    ends = [n for n, line in enumerate(lines) if b'"check"' in line]
    whole.write_bytes(b"".join(lines[: ends[2] + 1] + lines[ends[3] + 1 :]))
    assert read(whole).remarks == ["lines have been taken out, added or changed since it was written"]


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "it is empty"),
        (bytes(4096), "it is empty"),
        (b"\n\n", "it is empty"),
        ((
        b'{"t": 0, "event": "start", "log": 2, "child": "wren"}\n{"t": 1, '
        b'"event": "sang"}\n'
        ), "it was written by a newer router (format 2; this one reads 1), and is not used"),
        (b"\xff\xfe\n[1]\n" + b"[" * 5000 + b"\n", "3 lines could not be read and are left out"),
        ((
        b'{"t": NaN, "event": "mark", "text": "x"}\n{"t": -1, "event": "stop"}\n{"t": true, '
        b'"event": "stop"}\n'
        ), "3 lines could not be read and are left out"),
        ((
        b'{"t": 1, "event": "press", "input": "pad", "strength": 7}\n{"t": 1, "event": "mark", '
        b'"text": 1}\n'
        ), "2 lines could not be read and are left out"),
        ((
        b'{"t": 3, "event": "mark", "text": "a"}\n{"t": 1, "event": "mark", '
        b'"text": "b"}\n'
        ), "1 line stood out of order and is put in order"),
        (b'{"t": 1, "event": "mark", "text": "a"}\n{"t": 2, "event": "ma', "the last line was cut off and is left out"),
        (b'{"t": 1, "event": "mark", "text": "a"}\n' + bytes(100), None),
        (b'{"t": 1, "event": "mark", "text": "a"}', None),
    ],
)  # fmt: skip
def test_other_damage_is_said_and_the_rest_is_used(tmp_path, raw, says):
    path = tmp_path / "l.jsonl"
    path.write_bytes(raw)
    log = read(path)
    assert log.remarks == ([says] if says else [])
    assert [event.t for event in log.events] == sorted(event.t for event in log.events)


def test_a_log_that_is_being_written_says_so(whole):
    lines = whole.read_bytes().splitlines(keepends=True)
    whole.write_bytes(b"".join(lines[:-1]))
    assert read(whole).remarks == ["it has no end: the power went, or the child is still playing"]


def test_lines_that_the_recorder_missed_are_told(tmp_path):
    path = a_log(tmp_path / "l.jsonl", mark(1, "a"), (2, "fault", {"error": "7 lines are missing", "missing": 7}))
    assert read(path).remarks == ["7 lines are missing: the disk was too slow or failed while the child played"]


def test_a_log_of_router_play_gives_the_same_as_one_of_the_daemon(tmp_path):
    live = a_log(tmp_path / "live.jsonl", *FORTY)
    offline = tmp_path / "offline.jsonl"
    offline.write_text("".join(log_line(*event) for event in [(0, "start", header("wren")), *FORTY]))
    one, other = (sessions(read(path), Settings()) for path in (live, offline))
    assert [s.playing for s in one] == [s.playing for s in other]
    assert read(offline).remarks == []


# --- several sessions ---------------------------------------------------------------------------------------------


def a_history(folder, settings=None, weights=None, now=datetime(2100, 1, 1), **more):
    paths = logs(folder)
    settings = settings or Settings()
    history = History(folder.name, weights or {}, now=now)
    gather(history, paths, settings, measure_all(paths, settings), **more)
    return history


def day(number):
    return f"2026-03-{number:02}T10:00:00+01:00"


def test_trends_weeks_and_baselines_over_sessions(tmp_path):
    folder = tmp_path / "wren"
    quiet, loud = [2, 3, 1, 4, 2], [12, 15, 14, 19, 20]
    for number, (a, b) in enumerate(zip(quiet, loud, strict=True)):
        efforts = [(1 + i, 1.5 + i) for i in range(a)] + [(61 + i, 61.5 + i) for i in range(b)]
        events = in_order(*pressed(*efforts), mark(0, "baseline"), mark(60, "playing"), (120, "stop", {}))
        a_log(folder / f"2026-03-{2 + 3 * number:02}T100000-bed.jsonl", *events, began=day(2 + 3 * number))
    (folder / "2026-03-01T100000-bed.trace.jsonl").write_text("no log")
    history = a_history(folder)
    assert len(history.sessions) == 5
    assert history.trends()["rate"].slope == pytest.approx(2.0)
    assert "answer" not in history.trends()
    assert history.against_baseline() == (1.0, 1.0, 5)
    this, before = history.weeks()
    assert (this.sessions, before.sessions) == (3, 2)
    assert (this.middles["rate"], before.middles["rate"]) == (19, 13.5)
    assert [session.timeline is None for session in history.sessions] == [True] * 4 + [False]
    assert len(a_history(folder, since=datetime(2026, 3, 8)).sessions) == 3


def test_a_log_of_a_later_day_than_today_is_in_no_week_and_moves_none(monkeypatch, tmp_path, capsys):
    """A clock that was years ahead: the weeks stay those of the other sessions, which also stay in memory."""
    monkeypatch.setattr("router.report.history.LATEST", 2)
    folder = tmp_path / "wren"
    now = datetime(2026, 3, 14, 9, 0)
    for number in (3, 5, 9, 11, 14):  # the last of them ends the week, although it comes later today
        a_log(folder / f"2026-03-{number:02}T100000-bed.jsonl", *FORTY, began=day(number))
    for year in (2031, 2032):
        a_log(folder / f"{year}-01-01T100000-bed.jsonl", *FORTY, began=f"{year}-01-01T10:00:00+01:00")
    history = a_history(folder, now=now)
    assert [week.sessions for week in history.weeks()] == [3, 2]
    assert (history.count, history.later) == (7, 2)
    shown = str(page(history, Settings(), now))
    assert f"2 sessions of a day later than today ({date(now)})" in shown
    assert main(["report", str(folder / "2032-01-01T100000-bed.jsonl"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["later_than_today"] == 1


def test_where_every_log_is_of_a_later_day_there_is_no_week(tmp_path):
    """It may be today's clock that is wrong: a PC whose battery is empty."""
    folder = tmp_path / "wren"
    a_log(folder / "2026-03-02T100000-bed.jsonl", *FORTY, began=day(2))
    history = a_history(folder, now=datetime(2000, 1, 1))
    assert (history.weeks(), history.later, history.count) == (None, 1, 1)
    assert "the clock of this computer is wrong" in str(page(history, Settings(), datetime(2000, 1, 1)))


def test_goal_attainment_over_sessions(tmp_path):
    folder = tmp_path / "wren"
    for number, texts in enumerate(
        [["goal a 1"], ["goal b 0", "goal other 2"], ["smiled"], ["goal c -1", "goal a 2"]], 1
    ):
        marks = [mark(n, text) for n, text in enumerate(texts)]
        a_log(folder / f"2026-03-{number:02}T100000-bed.jsonl", *marks, began=day(number))
    found = a_history(folder, weights={"a": 2.0, "b": 1.0, "c": 1.0}).attainment
    assert [scores for _, scores, _ in found] == [{"a": 1}, {"a": 1, "b": 0}, {"a": 2, "b": 0, "c": -1}]
    # 50 + 10 (4 - 1) / sqrt(0.7 * 6 + 0.3 * 16)
    assert [t for _, _, t in found] == [None, None, pytest.approx(60.0)]
    equal = a_history(folder).attainment
    assert [t is None for _, _, t in equal] == [False, False, False]


def test_logs_of_others_and_unreadable_ones_are_said(tmp_path):
    folder = tmp_path / "wren"
    a_log(folder / "2026-03-01T100000-bed.jsonl", *FORTY, child="lark")
    a_log(folder / "2026-03-02T100000-bed.jsonl", *FORTY, began=day(2))
    a_log(folder / "2026-03-03T100000-bed.jsonl", (1, "stop", {}), began=day(3))
    (folder / "2026-03-04T100000-bed.jsonl").mkdir()
    history = a_history(folder)
    assert len(history.sessions) == 1
    assert history.idle == 1
    assert history.remarks == [
        ("2026-03-01T100000-bed.jsonl", "it is a log of lark, and is not used"),
        ("2026-03-04T100000-bed.jsonl", "it cannot be read: is a directory"),
    ]


def test_logs_under_the_name_of_a_copy_are_found(tmp_path, capsys):
    for number, name in enumerate(("wren", "wren - Kopie", "Copy of wren", "lark - Kopie", "wren-two"), 1):
        a_log(tmp_path / name / f"2026-03-0{number}T100000-bed.jsonl", *FORTY, began=day(number), child=name)
    assert report("wren", "--records", tmp_path, "--csv") == 0
    assert len(capsys.readouterr().out.splitlines()) == 4  # a heading, and three sessions
    assert report("lark", "--records", tmp_path, "--csv") == 0
    assert len(capsys.readouterr().out.splitlines()) == 2


MOST_A_SESSION = 900
"""Bytes that each further session may cost: its file's name and place. A session whole has some thousands."""


def test_a_log_that_was_not_measured_is_not_passed_over(whole):
    with pytest.raises(ValueError, match="shorter"):
        gather(History("wren"), [whole, whole], Settings(), [measure(whole, Settings())])


def test_of_what_lies_in_a_folder_only_session_logs_are_taken(tmp_path):
    log, earlier = "2026-03-20T100000-bed.jsonl", "2026-03-02T100000-window.jsonl"
    for name in (
        log,
        earlier,
        "2026-03-20T100000-bed.trace.jsonl",
        "2026-03-20T100000-bed.trace.jsonl.gz",
        "notes.txt",
    ):
        (tmp_path / name).touch()
    assert [path.name for path in logs(tmp_path)] == [earlier, log]
    assert logs(tmp_path / "nowhere") == []


def test_what_is_kept_does_not_grow_with_the_years(tmp_path, monkeypatch):
    """From so many sessions on that all that is ever kept is kept, each with a baseline, a cue and a goal."""
    few, many = LATEST + 20, LATEST + 820
    events = in_order(
        *pressed(*((t, t + 0.5) for t in range(1, 30, 4))),
        *(mark(t, text) for t, text in ((0.5, "baseline"), (8, "playing"), (11, "cue"), (20, "goal reach 1"))),
        (30, "stop", {}),
    )
    began = [datetime(2020, 1, 1, 10) + timedelta(days=number) for number in range(many)]
    for when in began:
        path = a_log(
            tmp_path / "all" / "wren" / f"{record_files.stem(when, 'bed')}{LOG}", *events, began=when.isoformat()
        )
        if when in began[:few]:
            (tmp_path / "few" / "wren").mkdir(parents=True, exist_ok=True)
            (tmp_path / "few" / "wren" / path.name).hardlink_to(path)
    monkeypatch.setattr("router.cli.report.MANY", many + 1)  # in this process, where it is counted
    before = gc.get_threshold()
    gc.set_threshold(700, 10, 10)  # as Python has it: a daemon that ran in this process has made the collector wait
    for words in ([], ["--csv"], ["--json"]):
        peaks = {"few": math.inf, "all": math.inf}
        for folder in ("few", "few", "all"):  # once before, for what is loaded only once
            gc.collect()
            tracemalloc.start()
            with (tmp_path / "out").open("w") as out, contextlib.redirect_stdout(out):
                assert report("wren", "--records", tmp_path / folder, *words) == 0
            peaks[folder] = min(peaks[folder], tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
        assert peaks["all"] - peaks["few"] < MOST_A_SESSION * (many - few), words
        written = (tmp_path / "out").read_text()
        assert (
            f"{many} sessions" in written or written.count("T100000-bed.jsonl") >= many
        )  # and yet nothing is left out
    gc.set_threshold(*before)


def test_several_seats_and_names_without_a_time_are_put_in_order(tmp_path):
    folder = tmp_path / "wren"
    hour = 3600
    twice = in_order(*pressed((1, 2), (4 * hour, 4 * hour + 1)), (4 * hour + 9, "stop", {}))
    a_log(folder / "2026-03-20T100000-bed.jsonl", *twice)
    a_log(folder / "2026-03-20T120000-window.jsonl", *twice, began="2026-03-20T12:00:00+01:00")
    a_log(folder / "copy of monday.jsonl", *twice, began="2026-03-16T09:00:00+01:00")
    told = []
    history = a_history(folder, each=told.append)
    assert [s.began.strftime("%d %H") for s in told] == ["16 09", "16 13", "20 10", "20 12", "20 14", "20 16"]
    assert [s.log for s in told] == [s.log for s in history.sessions]
    assert history.latest.timeline is not None
    assert history.first == told[0].began


def test_of_sessions_without_a_time_the_latest_are_kept_too(monkeypatch, tmp_path):
    monkeypatch.setattr("router.report.history.LATEST", 3)
    for number in range(5):
        a_log(tmp_path / "wren" / f"{number}.jsonl", *FORTY, began="")
    history = a_history(tmp_path / "wren")
    assert (history.count, [s.log for s in history.sessions]) == (5, ["2.jsonl", "3.jsonl", "4.jsonl"])


def test_the_weeks_are_whole_however_many_sessions_they_had(monkeypatch, tmp_path):
    monkeypatch.setattr("router.report.history.LATEST", 3)
    folder = tmp_path / "wren"
    for number in range(1, 29):
        events = in_order(*FORTY, mark(0.5, "baseline"), mark(30, "playing"))
        a_log(folder / f"2026-02-{number:02}T100000-bed.jsonl", *events, began=f"2026-02-{number:02}T10:00:00+01:00")
    history = a_history(folder)
    assert [week.sessions for week in history.weeks()] == [7, 7]
    assert (history.count, len(history.sessions)) == (28, 14)
    shown = str(page(history, Settings(), datetime(2026, 3, 1)))
    assert "Over the latest 3 sessions with a baseline" in shown
    assert history.latest.began - history.sessions[0].began < 2 * WEEK


# --- what people and programs read --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def simulated(tmp_path_factory):
    folder = tmp_path_factory.mktemp("records")
    weeks.write(folder)
    return folder


def report(*words):
    return main(["report", *map(str, words)])


def test_on_the_terminal(simulated, capsys):
    assert report("lark", "--records", simulated) == 0
    said = capsys.readouterr().out
    for text in (
        "10 sessions, Mon 2 Mar 2026 to Fri 20 Mar 2026",
        "cues were answered",
        "NAP 0.90",
        "Cues answered: rises by",
        "Only a baseline shows that efforts were meant",
        "not a medical device",
        "pad slipped, put back",
    ):
        assert text in " ".join(said.split()), text
    assert max(map(len, said.splitlines())) <= 80


def test_for_a_spreadsheet(simulated, capsys):
    assert report("lark", "--records", simulated, "--csv") == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert len(rows) == 10
    assert {row["child"] for row in rows} == {"lark"}
    history = a_history(simulated / "lark")
    assert [int(row["presses"]) for row in rows] == [s.playing.presses for s in history.sessions]
    assert float(rows[-1]["answer_median"]) == pytest.approx(history.latest.playing.answers.median, abs=1e-6)


def test_for_programs(simulated, capsys):
    assert report("lark", "--records", simulated, "--json", "--window", "2 s") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["settings"]["window"] == 2.0
    assert found["sessions"][-1]["playing"]["a_minute"] == pytest.approx(6.0, abs=0.01)
    assert found["trends"]["answered"]["low"] > 0
    assert [each["t"] for each in found["goals"]["scored"]] == [40.0, 50.0, 60.0]
    assert len(found["sessions"]) == 10


def test_logs_by_name(simulated, capsys):
    path = logs(simulated / "lark")[0]
    assert report(path, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["child"], len(found["sessions"])) == ("lark", 1)


class Page(html.parser.HTMLParser):
    """What a browser would find in a page."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.text, self.attributes = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data):
        self.text.append(data)


def test_a_page_that_needs_nothing_else(simulated, tmp_path):
    out = tmp_path / "lark.html"
    assert report("lark", "--records", simulated, "--html", out) == 0
    text = out.read_text(encoding="utf-8")
    found = Page(text)
    assert found.tags.count("svg") == 3
    assert not {"script", "link", "img", "iframe", "object", "embed"} & set(found.tags)
    for name, value in found.attributes:
        assert not name.startswith("on")
        if name in ("src", "href", "xlink:href", "data", "action"):
            assert value.startswith("#"), value
    assert not re.search(r"url\((?!#)", text)
    assert not re.search(r"@import", text)
    ids = [value for name, value in found.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    assert "What lark did" in found.text


def test_hostile_texts_are_only_text(tmp_path, capsys):
    folder = tmp_path / "wren"
    nasty = '<script>alert(1)</script><img src=x onerror="x"> [bold]&amp; \u202e\x1b[31m'
    events = in_order(
        *pressed((1, 2), source="<b>pad</b>"), *pressed((3, 4), source="$x_{1$"), mark(5, nasty), (30, "stop", {})
    )
    a_log(folder / "2026-03-20T100000-bed.jsonl", *events, about="Ada Brook, room 12", note="born 2014-03-21")
    out = tmp_path / "wren.html"
    assert report("wren", "--records", tmp_path, "--html", out) == 0
    assert report("wren", "--records", tmp_path) == 0
    shown = capsys.readouterr().out
    assert "\x1b" not in shown
    assert "\u202e" not in shown
    assert "[bold]&amp;" in shown
    found = Page(out.read_text(encoding="utf-8"))
    assert "script" not in found.tags
    assert "img" not in found.tags
    assert any("<script>alert(1)</script>" in text for text in found.text)
    for personal in ("Ada", "room", "2014"):
        assert personal not in shown + out.read_text()


def test_of_efforts_that_were_not_seen_to_end_no_time_is_told(tmp_path):
    path = a_log(tmp_path / "wren" / "2026-03-20T100000-bed.jsonl", *pressed((5, None), (9, None)), (20, "stop", {}))
    (session,) = sessions(read(path), Settings())
    assert (session.playing.presses, session.playing.active) == (2, None)
    rows = {
        row[0] for row in page(a_history(path.parent), Settings(), datetime(2026, 3, 21)).sections[0].pieces[1].rows
    }
    assert rows == {"Length", "Efforts", "Efforts a minute", "From one effort to the next"}
    assert figures(tmp_path, mark(1, "smiled"), (20, "stop", {})).playing.active == 0


@pytest.mark.parametrize("name", ["Ada Brook", "=cmd()", "2014-03-21"])
def test_a_name_that_is_no_pseudonym_goes_into_no_report(tmp_path, capsys, name):
    path = a_log(tmp_path / "wren" / "2026-03-20T100000-bed.jsonl", *FORTY, child=name)
    a_log(tmp_path / "wren" / "2026-03-21T100000-bed.jsonl", *FORTY)
    for words in ([path], ["wren"]):
        for ending in ([], ["--csv"], ["--json"], ["--html", tmp_path / "x.html"]):
            assert report(*words, "--records", tmp_path, *ending) == 0
    said = capsys.readouterr().out + (tmp_path / "x.html").read_text()
    assert name not in re.sub(r"\d{4}-\d\d-\d\dT", "", said)
    assert "it is a log of somebody whose name is no pseudonym, and is not used" in said


def test_without_a_plotting_library_it_says_how_to_get_one(simulated, tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    assert report("lark", "--records", simulated, "--html", tmp_path / "x.html") == 1
    assert "pip install 'bedside-midi-router[report]'" in capsys.readouterr().err
    assert not (tmp_path / "x.html").exists()
    assert report("lark", "--records", simulated) == 0


def test_every_plot_shows_what_there_is_and_nothing_when_there_is_none(tmp_path):
    folder = tmp_path / "wren"
    a_log(folder / "2026-03-20T100000-bed.jsonl", mark(1, "smiled"), (30, "stop", {}))
    history = a_history(folder)
    assert list(plots.drawings(history)) == ["timeline"]
    made = page(history, Settings(), datetime(2026, 3, 21))
    text = as_html(made, {})
    assert "<figure" not in text
    assert "No session has a baseline" in text


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["larc"], 1, 'Did you mean "lark"?  There are records of: lark.'),
        ([], 2, "name a child, or logs, or use --all"),
        (["lark", "--all"], 2, "name a child, or logs, or use --all"),
        (["lark", "--csv", "--json"], 2, "choose one of"),
        (["no.jsonl", "lark"], 1, "is no session log"),
        (["lark", "--since", "2027-01-01"], 1, "there is no session of lark to show"),
        (["lark", "--html", "/nowhere/x.html"], 1, "/nowhere/x.html: no such file or directory"),
        (["lark", "--profile", "larc"], 1, 'Did you mean "lark"?'),
    ],
)
def test_what_cannot_be_shown_is_said(simulated, capsys, words, status, says):
    assert report(*words, "--records", simulated) == status
    assert says in capsys.readouterr().err


@pytest.mark.parametrize("words", [[], ["--json"], ["--csv"], ["--html", "x.html"]])
def test_an_empty_folder(tmp_path, capsys, words):
    (tmp_path / "wren").mkdir()
    assert report("wren", "--records", tmp_path, *words) == 1
    assert capsys.readouterr() == ("", "router report: there is no session of wren to show\n")


@pytest.mark.parametrize(
    ("value", "text"), [(0.994, "0.99 s"), (0.996, "1.0 s"), (59.94, "59.9 s"), (59.96, "1 min"), (3700, "1 h 1 min")]
)
def test_a_short_time_in_words(value, text):
    assert seconds(value) == text


@pytest.mark.parametrize("words", [["--since", "yesterday"], ["--window", "5"]])
def test_wrong_words(capsys, words):
    with pytest.raises(SystemExit, match="2"):
        report("lark", *words)
    assert "Traceback" not in capsys.readouterr().err


def test_many_logs_are_measured_by_several_processes(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("router.cli.report.MANY", 4)
    for number in range(1, 9):
        a_log(tmp_path / "wren" / f"2026-03-{number:02}T100000-bed.jsonl", *FORTY, began=day(number))
    assert report("wren", "--records", tmp_path, "--json") == 0
    assert [s["playing"]["presses"] for s in json.loads(capsys.readouterr().out)["sessions"]] == [40] * 8


# --- the ward -----------------------------------------------------------------------------------------------------


def a_ward(folder, children, *, answered=0):
    """Children who played an hour ago; the first ``answered`` of them had a cue."""
    now = datetime.now().astimezone()
    for number in range(children):
        events = in_order(
            *pressed((10, 11), (20, 21)), *([mark(9, "cue")] if number < answered else []), (60 + number, "stop", {})
        )
        began = now - timedelta(hours=1)
        name = f"{record_files.stem(began, 'bed')}{LOG}"
        child = f"bird-{'abcdefgh'[number]}"
        a_log(folder / child / name, *events, child=child, began=began.isoformat())
        earlier = now - timedelta(days=9)
        name = f"{record_files.stem(earlier, 'bed')}{LOG}"
        a_log(folder / child / name, *FORTY, child=child, began=earlier.isoformat())


def test_a_ward_of_few_children_is_not_shown(tmp_path, capsys):
    a_ward(tmp_path, 4, answered=4)
    assert report("--all", "--records", tmp_path) == 0
    said = capsys.readouterr().out
    assert "Fewer than 5 children" in said
    assert report("--all", "--records", tmp_path, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["children"], found["sessions"], set(found["of_a_child"].values())) == (None, None, {None})


def test_a_wards_week(tmp_path, capsys):
    a_ward(tmp_path, 6, answered=4)
    assert report("--all", "--records", tmp_path, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["children"], found["sessions"]) == (6, 6)
    assert found["of_a_child"]["sessions"]["median"] == 1
    assert found["of_a_child"]["a_minute"]["count"] == 6
    assert found["of_a_child"]["answered"] is None  # of four children
    assert report("--all", "--records", tmp_path, "--html", tmp_path / "ward.html") == 0
    assert report("--all", "--records", tmp_path) == 0
    shown = capsys.readouterr().out + (tmp_path / "ward.html").read_text()
    assert "6 children played in 6 sessions" in shown
    assert "bird" not in shown


def test_the_week_ends_now(tmp_path):
    a_ward(tmp_path, 6)
    paths = [(f.name, p) for f in record_files.children(tmp_path) for p in ward.recent(f, datetime.now())]
    measured = [(child, measure(path, Settings())) for child, path in paths]
    assert ward.ward(measured, datetime.now() + timedelta(days=8)).children is None


# --- recorded as it is played -------------------------------------------------------------------------------------


def test_a_session_of_the_recorder_is_reported(tmp_path):
    keeper = Records(tmp_path, lambda *_, **__: None)
    session = keeper.begin("bed", "wren", "abc", 5 * S)
    for t, event, fields in [(0, "start", {}), *FORTY]:
        session(5 * S + round(t * S), event, fields)
    session.close(85 * S)
    keeper.close()
    (found,) = a_history(tmp_path / "wren").sessions
    assert found.remarks == ()
    assert (found.playing.presses, found.seconds, found.seat, found.profile) == (40, 80, "bed", "abc")
