"""A hundred of the random rooms; the large count is a command: see random_rooms.py."""

from __future__ import annotations

import pytest

from router.core.balance import Share
from router.core.ledger import Ledger
from router.room.room import Room
from tests import random_rooms


def test_random_rooms_leave_nothing_on_and_nobody_disturbs_another():
    played, compared = len(random_rooms.PLAYED), len(random_rooms.COMPARED)
    random_rooms.run(100)
    heard = random_rooms.PLAYED[played:]
    assert len(heard) >= 100
    assert sum(count > 0 for count in heard) > 50, "most rooms are heard"
    assert sum(random_rooms.COMPARED[compared:]) > 500, "and children are compared with themselves"


def found(monkeypatch, owner: type, method: str, instead: object) -> str:
    """What the session says that finds this fault."""
    monkeypatch.setattr(owner, method, instead)
    with pytest.raises((AssertionError, ExceptionGroup)) as failure:
        random_rooms.run(400, shrink=False)
    return str(getattr(failure.value, "exceptions", failure.value))


def test_a_limit_that_nobody_keeps_is_found(monkeypatch):
    said = found(monkeypatch, Share, "full", lambda *_: None)
    assert "too many notes in the room" in said or "too loud together" in said


def test_a_seat_whose_notes_are_counted_twice_is_found(monkeypatch):
    began = Share.began

    def twice(share, velocity):
        began(share, velocity)
        began(share, velocity)

    assert "does not sound" in found(monkeypatch, Share, "began", twice)


def test_a_seat_that_silences_a_shared_channel_is_found(monkeypatch):
    assert "cuts a note" in found(monkeypatch, Ledger, "share_routes", lambda *_: [])


def test_a_seat_that_disturbs_another_is_found(monkeypatch):
    join = Room.join

    def loudly(room, name, member, now):
        join(room, name, member, now)
        for place in room._places.values():
            place.member.level(now % 89 / 89, now)

    assert "changed seat" in found(monkeypatch, Room, "join", loudly)
