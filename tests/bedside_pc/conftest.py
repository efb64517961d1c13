"""One PC for all tests here: it is switched on once, as emulated it takes half a minute."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.bedside_pc.image import CannotBuild
from tests.bedside_pc.room import Room


@pytest.fixture(scope="package")
def pc() -> Iterator[Room]:
    """The room, with the PC on and everything plugged in.
    What the machine lacks for it fails the tests; nothing is skipped.
    """
    try:
        room = Room()
    except CannotBuild as problem:
        pytest.fail(str(problem))
    yield room
    room.close()


@pytest.fixture
def room(pc: Room) -> Room:
    """The room at rest."""
    pc.at_rest()
    return pc
