"""The router on the PC by the bed, as the technician leaves it: from what a hand, a breath and a head do to measured sound."""

from __future__ import annotations

import pytest

from tests.bedside_pc.machine import until
from tests.bedside_pc.room import Room

MOVEMENTS = ["switch", "breath", "pointer"]


def hertz(note: int) -> float:
    return float(440 * 2 ** ((note - 69) / 12))


def test_it_is_ready_without_a_hand(room: Room):
    assert room.machine.run("systemctl show -P Type router.service").strip() == "notify"
    assert room.machine.run("systemctl show -P NRestarts router.service").strip() == "0"
    assert room.child() == "wren"


@pytest.mark.parametrize("name", MOVEMENTS)
def test_a_movement_sounds_at_the_pitch_of_the_profile(room: Room, name: str):
    movement = room.movements[name]
    movement.begin()
    assert room.synth.wait(1) == {movement.note}
    room.until_sounds()
    assert room.sound.pitch() == pytest.approx(hertz(movement.note[1]), rel=0.003)  # a twentieth of a semitone
    movement.end()
    room.until_silent()
