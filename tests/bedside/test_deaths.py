"""The breaker of crash loops: what is left out after deaths, and that no clock and no bytes mislead it."""

from __future__ import annotations

import errno
import json
import os
import pathlib
import random

import pytest

from router.bedside.deaths import LEDGER, MANY, MOST, PROVEN, SAFE, WITHIN, Deaths
from router.bedside.memory import MOST_PROVEN, Proven
from router.core.units import NANOSECONDS
from router.live.turn import OthersRule, Playing, TurnRecord
from router.system import clock

A, B, C = "a" * 64, "b" * 64, "c" * 64
BED, WINDOW = Playing("bed", "wren.yaml", A), Playing("window", "lark.yaml", B)
START = 777_777_777_777_777
"""Nanoseconds since the PC was switched on."""


@pytest.fixture
def router(tmp_path, monkeypatch):
    """A router that begins again and again: ``found`` is what the one before was at."""

    class Router:
        boot = "first"
        now = START
        proven: dict[str, list[str]] = {}  # noqa: RUF012 - of each test

        def begins(self, found=None, after=5.0, starts=20.0, *, ready=True):
            self.now += round(after * NANOSECONDS)
            self.deaths = Deaths((tmp_path / "state", tmp_path / "run"))
            verdict = self.deaths.begin(
                found or TurnRecord((BED, WINDOW)), ("bed", "window"), lambda seat: self.proven.get(seat, ()), self.now
            )
            if ready:
                self.now += round(starts * NANOSECONDS)
                self.deaths.ready(self.now)
            return verdict

    monkeypatch.setattr(clock, "boot", lambda: Router.boot)
    return Router()


def test_three_deaths_within_a_minute_and_no_fewer(router):
    at_the_bed = TurnRecord((BED, WINDOW), seat=BED)
    assert not router.begins().died
    for number in range(1, MANY):
        verdict = router.begins(at_the_bed, after=29)
        assert verdict.died
        assert (verdict.deaths, verdict.suspected("bed"), verdict.struck) == (number, frozenset(), ())
    verdict = router.begins(at_the_bed, after=29)
    assert verdict.suspected("bed") == {A}
    assert (verdict.struck, verdict.fallen("bed"), verdict.fallen("window")) == (("bed",), PROVEN, 0)
    assert verdict.suspected("window") == frozenset()


def test_deaths_that_are_further_apart_are_accidents(router):
    router.begins()
    for _ in range(10):
        verdict = router.begins(TurnRecord((BED,), seat=BED), after=WITHIN / NANOSECONDS / 2 + 1)
        assert verdict.died
        assert verdict.struck == ()


def test_a_pc_that_starts_slowly_is_no_excuse(router):
    router.begins()
    for _ in range(MANY):
        verdict = router.begins(TurnRecord((BED,), BED), after=5, starts=300)
    assert verdict.suspected("bed") == {A}


def test_what_dies_before_it_is_ready_is_counted_too(router):
    router.begins(ready=False)
    for _ in range(MANY):
        verdict = router.begins(TurnRecord((BED,), BED), after=100, ready=False)
    assert verdict.suspected("bed") == {A}


def test_how_long_the_first_of_the_three_lived_does_not_count(router):
    router.begins()
    for after in (7200, 5, 5):
        verdict = router.begins(TurnRecord((BED,), BED), after=after)
    assert verdict.suspected("bed") == {A}


def test_a_stop_in_order_is_no_death(router):
    router.begins()
    for _ in range(6):
        router.deaths.ended()
        verdict = router.begins(TurnRecord((BED,), seat=BED), after=1)
        assert not verdict.died
        assert verdict.deaths == 0


def test_a_power_cut_is_no_death_and_what_is_suspected_stays_so(router):
    router.begins()
    for _ in range(MANY):
        verdict = router.begins(TurnRecord((BED,), seat=BED), after=1)
    assert verdict.suspected("bed") == {A}
    type(router).boot = "second"
    router.now = 0
    verdict = router.begins(TurnRecord((BED,), seat=BED), after=1)
    assert not verdict.died
    assert verdict.deaths == 0
    assert verdict.fallen("bed") == 0
    assert verdict.suspected("bed") == {A}
    type(router).boot = "first"


def test_what_was_played_instead_dies_too_so_the_safe_one_plays(router):
    router.proven = {"bed": [C]}
    router.begins()
    for _ in range(MANY):
        verdict = router.begins(TurnRecord((BED,), seat=BED))
    assert verdict.fallen("bed") == PROVEN
    instead = Playing("bed", "copy.yaml", C)
    verdict = router.begins(TurnRecord((instead,), seat=instead))
    assert verdict.fallen("bed") == SAFE
    assert verdict.suspected("bed") == {A, C}
    verdict = router.begins(TurnRecord((instead,), seat=instead), after=120)
    assert verdict.fallen("bed") == 0  # the deaths are long past


def test_where_nobody_is_known_what_has_proved_itself_gets_one_more_chance(router):
    router.proven = {"bed": [A]}
    router.begins()
    for _ in range(MANY):
        verdict = router.begins()
    assert verdict.suspected("bed") == frozenset()
    assert verdict.suspected("window") == {B}  # it had not proved itself
    assert set(verdict.struck) == {"bed", "window"}
    verdict = router.begins()
    assert verdict.suspected("bed") == {A}
    assert verdict.fallen("bed") == SAFE


def test_where_even_what_played_is_not_known_all_seats_fall(router):
    router.begins()
    for _ in range(MANY):
        verdict = router.begins(TurnRecord())
    assert set(verdict.struck) == {"bed", "window"}
    assert verdict.fallen("bed") == PROVEN
    assert router.begins(TurnRecord()).fallen("window") == SAFE


def test_a_rule_of_others_is_left_out_from_its_first_death_on_until_its_file_is_another(router, tmp_path):
    file = tmp_path / "shadow.py"
    file.write_text("one")
    rule = OthersRule("shadow", str(file))
    router.begins()
    verdict = router.begins(TurnRecord((BED,), BED, rule))
    assert list(verdict.rules_left_out()) == [("shadow", str(file))]
    assert str(file) in verdict.rules_left_out()["shadow", str(file)]
    assert router.begins(TurnRecord((BED,)), after=500).rules_left_out()
    file.write_text("another")
    assert not router.begins(TurnRecord((BED,)), after=500).rules_left_out()


def test_one_seat_after_another(router):
    router.begins()
    for found in (BED, WINDOW, BED):
        verdict = router.begins(TurnRecord((BED, WINDOW), found))
    assert set(verdict.struck) == {"bed", "window"}


def test_where_the_disk_is_full_it_is_counted_in_memory(router, tmp_path):
    (tmp_path / "state").write_text("no folder")
    router.begins()
    for _ in range(MANY):
        verdict = router.begins(TurnRecord((BED,), BED))
    assert verdict.suspected("bed") == {A}
    (tmp_path / "state").unlink()
    assert router.begins(TurnRecord((BED,), BED)).suspected("bed") == {A}
    assert not (tmp_path / "run" / LEDGER).exists()
    assert (tmp_path / "state" / LEDGER).exists()


def test_the_ledger_does_not_grow(router):
    router.begins()
    for number in range(200):
        digest = f"{number:064x}"
        one = Playing("bed", "x.yaml", digest)
        verdict = router.begins(TurnRecord((one,), one, OthersRule(f"rule{number}", "package p 1.0")), after=1)
    assert len(verdict.ledger.suspects) == MOST
    assert len(verdict.ledger.rules) == MOST
    assert len(verdict.ledger.deaths) == MANY


def test_any_bytes_in_the_ledger_are_a_ledger_or_none(router, tmp_path):
    router.begins()
    for _ in range(MANY):
        router.begins(TurnRecord((BED,), BED, OthersRule("shadow", "p")))
    path = tmp_path / "state" / LEDGER
    whole = path.read_bytes()
    chance = random.Random(3)
    for _ in range(300):
        damaged = bytearray(whole)
        for _ in range(chance.randint(1, 5)):
            damaged[chance.randrange(len(damaged))] = chance.randrange(256)
        path.write_bytes(bytes(damaged[: chance.randint(0, len(damaged))] if chance.random() < 0.3 else damaged))
        router.begins()
    for strange in ([], {}, {"number": 1e400}, {**json.loads(whole), "fallen": {"bed": []}}):
        path.write_text(json.dumps(strange))
        router.begins()


# --- what has proved itself -------------------------------------------------------------------------------------


def test_the_latest_that_proved_itself_comes_first_and_old_ones_go(tmp_path):
    proven = Proven(tmp_path)
    digests = [f"{number:064x}" for number in range(MOST_PROVEN + 2)]
    for digest in digests:
        proven.keep(digest, digest.encode())
    assert proven.digests() == digests[: -MOST_PROVEN - 1 : -1]
    proven.keep(digests[-2], b"")
    assert proven.digests()[:2] == [digests[-2], digests[-1]]
    assert len([*tmp_path.glob("proven-*")]) == MOST_PROVEN
    (tmp_path / "proven.json").write_text('["../../etc/passwd", 3, null]')
    assert proven.digests() == []
    (tmp_path / "proven.json").write_text("{")
    assert proven.digests() == []


# --- what cannot be read ------------------------------------------------------------------------------------------


@pytest.fixture
def unreadable(monkeypatch):
    """Paths that the disk does not give now."""
    paths, opened = set(), pathlib.Path.open

    def failing(path, mode="r", *args, **options):
        if path in paths and "r" in mode:
            raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))
        return opened(path, mode, *args, **options)

    monkeypatch.setattr(pathlib.Path, "open", failing)
    return paths


def suspected(router):
    """Profile A at the bed, and a rule, are suspected."""
    router.begins()
    router.begins(TurnRecord((BED,), BED, OthersRule("shadow", "package p 1.0")))
    for _ in range(MANY - 1):
        verdict = router.begins(TurnRecord((BED,), BED))
    assert verdict.suspected("bed") == {A}


def test_a_ledger_that_cannot_be_read_is_not_written_over(router, tmp_path, unreadable):
    suspected(router)
    path = tmp_path / "state" / LEDGER
    whole = path.read_bytes()
    unreadable.add(path)
    verdict = router.begins(TurnRecord((BED,)), after=500)
    router.deaths.ended()
    assert verdict.suspected("bed") == frozenset()  # nobody knows, and it goes on
    (problem,) = router.deaths.problems
    assert str(path) in problem
    assert os.strerror(errno.EIO) in problem
    unreadable.clear()
    assert path.read_bytes() == whole
    verdict = router.begins(TurnRecord((BED,)), after=500)
    assert not verdict.died  # the last one ended in order, as was written beside it
    assert verdict.suspected("bed") == {A}
    assert list(verdict.rules_left_out()) == [("shadow", "package p 1.0")]
    assert router.deaths.problems == ()


def test_what_is_suspected_while_it_cannot_be_read_is_suspected_beside_what_was(router, tmp_path, unreadable):
    suspected(router)
    unreadable.add(tmp_path / "state" / LEDGER)
    for _ in range(1 + MANY):  # of the one before the first of these nobody knows how it ended
        verdict = router.begins(TurnRecord((WINDOW,), WINDOW), after=5)
    assert verdict.suspected("window") == {B}
    unreadable.clear()
    verdict = router.begins(TurnRecord((WINDOW,)), after=500)
    assert (verdict.suspected("bed"), verdict.suspected("window")) == ({A}, {B})
    assert not (tmp_path / "run" / LEDGER).exists()


def test_a_ledger_that_can_be_read_again_while_it_plays_is_written_with_what_stood_there(router, tmp_path, unreadable):
    suspected(router)
    unreadable.add(tmp_path / "state" / LEDGER)
    router.begins(TurnRecord((BED,)), after=500, ready=False)
    unreadable.clear()
    router.deaths.ready(router.now)
    assert router.deaths.problems == ()
    router.deaths.ended()
    (only,) = tmp_path.glob(f"*/{LEDGER}")
    assert {each["digest"] for each in json.loads(only.read_bytes())["suspects"]} == {A}
    verdict = router.begins(TurnRecord((BED,)), after=500)
    assert not verdict.died
    assert verdict.suspected("bed") == {A}


def test_where_no_ledger_can_be_read_nothing_is_written(router, tmp_path, unreadable):
    suspected(router)
    unreadable.update({tmp_path / "state" / LEDGER, tmp_path / "run" / LEDGER})
    router.begins(TurnRecord((BED,)), after=500)
    assert len(router.deaths.problems) == 2
    assert not (tmp_path / "run" / LEDGER).exists()


def test_a_ledger_that_cannot_be_written_is_told_of(router, tmp_path):
    (tmp_path / "state").write_text("no folder")
    router.begins()
    (problem,) = router.deaths.problems
    assert str(tmp_path / "state") in problem
    assert router.deaths.troubles == ()  # it was written elsewhere
    (tmp_path / "run" / LEDGER).unlink()
    (tmp_path / "run" / LEDGER).mkdir()
    router.begins()
    assert router.deaths.troubles


def test_an_order_of_proven_texts_that_cannot_be_read_is_not_written_over(tmp_path, unreadable):
    proven = Proven(tmp_path)
    digests = [f"{number:064x}" for number in range(MOST_PROVEN)]
    for digest in digests:
        proven.keep(digest, digest.encode())
    unreadable.add(tmp_path / "proven.json")
    with pytest.raises(OSError, match=os.strerror(errno.EIO)):
        proven.keep("f" * 64, b"")
    assert set(proven.digests()) == set(digests)  # their texts are there, in whatever order
    unreadable.clear()
    assert proven.digests() == digests[::-1]
    assert len([*tmp_path.glob("proven-*")]) == MOST_PROVEN
