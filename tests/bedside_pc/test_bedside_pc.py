"""The router on the PC by the bed, as the technician leaves it: from what a hand, a breath and a head do to measured
sound.

Each upset is tried once here; ``python -m tests.bedside_pc.soak`` tries it as often as one likes.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator

import pytest

from router.bedside.deaths import MANY
from tests.bedside_pc import upsets
from tests.bedside_pc.machine import until
from tests.bedside_pc.room import PROFILES, SWITCH, WREN, Room

MOVEMENTS = ["switch", "breath", "pointer"]


def hertz(note: int) -> float:
    return float(440 * 2 ** ((note - 69) / 12))


def hold(room: Room) -> None:
    """Press the switch, and wait until it sounds at the loudspeaker and in the synth."""
    room.switch.key(True)
    assert room.synth.wait(1) == {SWITCH}
    room.until_sounds()


# --- it plays -------------------------------------------------------------------------------------------------------


def test_it_is_ready_without_a_hand(room: Room):
    said = room.machine.run("systemctl show -p Type -p NRestarts router.service").split()
    assert sorted(said) == ["NRestarts=0", "Type=notify"]
    assert room.child() == "wren"


@pytest.mark.parametrize("name", MOVEMENTS)
def test_a_movement_sounds_at_the_pitch_of_the_profile(room: Room, name: str):
    movement = room.movements[name]
    movement.begin()
    assert room.synth.wait(1) == {movement.note}
    room.until_sounds()
    assert room.sound.pitch() == pytest.approx(hertz(movement.note[1]), rel=0.006)  # a tenth of a semitone
    movement.end()
    room.until_silent()


def test_another_keyboard_of_the_same_make_plays_nothing(room: Room):
    room.other.key(True)
    room.other.key(False)
    room.switch.key(True)
    room.synth.wait(1)
    room.switch.key(False)
    room.synth.wait(0)
    assert [note for _, note in room.synth.begun()] == [SWITCH]


def test_it_takes_nothing_that_it_need_not(room: Room):
    said = room.machine.run("systemd-analyze security --no-pager router.service", seconds=300)
    exposure = re.search(r"Overall exposure level for router.service: ([0-9.]+)", said)
    assert exposure is not None
    assert float(exposure[1]) <= 1.0, said


def test_limits_alone_give_it_real_time_priority_and_its_memory(room: Room):
    """Without any capability; and what the router's other threads do comes after all that sounds."""
    pid = room.pid()
    status = room.machine.run(f"cat /proc/{pid}/status")
    assert re.search(r"^CapEff:\s+0+$", status, re.MULTILINE)
    assert int(re.search(r"^VmLck:\s+(\d+) kB$", status, re.MULTILINE)[1]) > 0
    said = room.machine.run(f"chrt -a -p {pid}")
    policies = dict(re.findall(r"^pid (\d+)'s current scheduling policy: (\S+)$", said, re.MULTILINE))
    priorities = dict(re.findall(r"^pid (\d+)'s current scheduling priority: (\d+)$", said, re.MULTILINE))
    assert (policies.pop(str(pid)), priorities.pop(str(pid))) == ("SCHED_FIFO|SCHED_RESET_ON_FORK", "20")
    assert "1" in priorities.values()
    assert set(zip(policies.values(), priorities.values(), strict=True)) <= {
        ("SCHED_FIFO|SCHED_RESET_ON_FORK", "1"),
        ("SCHED_OTHER", "0"),  # begun later
    }


# --- devices come and go ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", MOVEMENTS)
def test_a_device_that_is_unplugged_is_silent_and_plays_again(room: Room, name: str):
    before = room.held()
    upsets.unplug_and_back(room, room.movements[name])
    upsets.held_after(room, before)


def test_a_synth_that_is_unplugged_plays_again_and_nothing_of_before(room: Room):
    before = room.held()
    upsets.synth_unplugged_and_back(room)
    upsets.held_after(room, before)


def test_a_synth_that_is_back_before_the_router_looks_is_sent_notes_again(room: Room):
    """Pulled out and put back, it has the name of before, and ALSA's connection with it is gone."""
    pid = room.pid()
    room.machine.run(f"kill -STOP {pid}; {room.synth.unplugging}; {room.synth.plugging}; kill -CONT {pid}")
    room.synth.forget()

    def hears() -> bool:
        room.switch.key(True)
        time.sleep(0.2)
        room.switch.key(False)
        return SWITCH in {note for _, note in room.synth.begun()}

    until(hears, "the synth is sent notes again")
    assert room.pid() == pid
    room.synth.wait(0)


def test_the_instrument_killed_comes_back_and_sounds(room: Room):
    hold(room)
    room.machine.run("systemctl kill -s KILL router-synth.service")
    room.switch.key(False)
    room.synth.wait(0)
    room.until_ready()
    until(lambda: "FLUID" in room.status()["outputs"]["loudspeaker"]["device"], "the router finds the instrument")
    assert not room.sound.sounds()
    hold(room)


# --- the service ----------------------------------------------------------------------------------------------------


def test_killed_while_it_plays_leaves_nothing_on(room: Room):
    upsets.killed(room, 0)
    hold(room)


def test_killed_while_a_note_is_held_leaves_nothing_on(room: Room):
    hold(room)
    pid = room.pid()
    room.forget_deaths()
    room.machine.run(f"kill -9 {pid}")
    room.until_silent()
    room.until_begun_anew(pid)
    assert not room.synth.sounding  # the key is still down, but it was not pressed for this router


def test_frozen_while_a_note_sounds_it_is_hushed_and_plays_again(room: Room):
    hold(room)
    pid = room.pid()
    room.forget_deaths()
    room.machine.run(f"kill -STOP {pid}")
    room.until_silent()
    room.switch.key(False)
    room.until_begun_anew(pid)
    hold(room)


@pytest.fixture
def harmed(room: Room) -> Iterator[Room]:
    """The room, for a profile of nuthatch's that ends the router;
    afterwards that is forgotten, and the profile gone.
    """
    yield room
    room.switch.key(False)
    room.machine.run(f"rm -f {PROFILES}/nuthatch.yaml")
    room.begin_anew()


def test_a_profile_that_freezes_the_router_plays_without_the_rule_that_did(harmed: Room):
    room, before, pid = harmed, len(harmed.deaths()), harmed.pid()
    room.put("nuthatch", upsets.harmful("nuthatch", "freezes"))
    room.until_plays("nuthatch")
    room.switch.key(True)  # nothing comes of it, and nothing of anything else
    until(lambda: room.pid() != pid, "the watchdog has struck")
    room.switch.key(False)
    room.until_plays("nuthatch")
    room.until_found()
    hold(room)
    room.switch.key(False)
    room.synth.wait(0)
    death = room.deaths()[before]
    assert (death["seat"], death["profile"], death["rule"]) == ("bed", "nuthatch.yaml", "freezes")
    warnings = room.ask(do="status")["status"]["warnings"]
    assert any('the rule "freezes" is not used' in warning for warning in warnings)
    room.put("lark", upsets.profile("lark", "D5"))
    room.until_plays("lark")
    room.switch.key(True)
    assert room.synth.wait(1) == {(0, 74)}


def test_a_profile_that_kills_the_router_at_each_start_gives_way_until_it_is_put_right(harmed: Room):
    room, before = harmed, len(harmed.deaths())
    proven = until(room.proven, "a profile has played for a minute")
    room.put("nuthatch", upsets.harmful("nuthatch", "kills"))
    files = room.machine.run(f"cd {PROFILES} && sha256sum *")
    until(lambda: len(room.deaths()) == before + MANY, "it has died three times", 600)  # three starts, one by one
    room.until_plays(proven)
    room.until_found()
    hold(room)
    room.switch.key(False)
    status = room.status()
    assert status["because"] == "it is the last that played for a minute without the router dying"
    assert any("nuthatch.yaml" in warning for warning in status["warnings"])
    assert "nuthatch.yaml" in status["refused"]["message"]
    assert room.machine.run(f"cd {PROFILES} && sha256sum *") == files
    room.put("nuthatch", upsets.profile("nuthatch", "D5"))
    room.until_plays("nuthatch")
    room.switch.key(True)
    assert room.synth.wait(1) == {(0, 74)}
    assert len(room.deaths()) == before + MANY


def test_stopped_while_a_note_sounds_is_silent(room: Room):
    hold(room)
    room.machine.run("systemctl stop router.service")
    room.until_silent()
    room.switch.key(False)
    room.machine.run("systemctl start router.service")
    room.until_found()
    hold(room)


def test_reload_while_a_note_sounds_plays_on(room: Room):
    hold(room)
    pid = room.pid()
    room.machine.run("systemctl reload router.service")
    assert room.status()["pid"] == pid
    assert room.synth.sounding == {SWITCH}
    room.switch.key(False)
    room.synth.wait(0)
    room.switch.key(True)
    room.synth.wait(1)


# --- profiles -------------------------------------------------------------------------------------------------------


def test_a_profile_copied_into_the_folder_plays_and_a_broken_one_does_not(room: Room):
    for number in range(5):  # the last of them is broken
        upsets.swapped(room, number)
    room.put("finch", WREN.replace("child: wren", "child: finch"))
    until(lambda: room.child() == "finch", "it plays when it has been corrected")
    hold(room)


def test_a_swap_while_a_note_is_held_ends_it(room: Room):
    hold(room)
    room.put("lark", upsets.profile("lark", "D5"))
    until(lambda: room.child() == "lark", "lark plays")
    room.until_silent()  # although the key is still down
    room.switch.key(False)
    room.switch.key(True)
    assert room.synth.wait(1) == {(0, 74)}


# --- the machine ----------------------------------------------------------------------------------------------------


def test_the_clock_stepped_while_an_arpeggio_plays_disturbs_nothing(room: Room):
    arpeggio = "{pitch: A4}, arpeggio: {rate: 1/8, octaves: 2}"  # at 120 beats a minute: four steps a second
    room.put("siskin", upsets.profile("siskin", "A4").replace("[note: {pitch: A4}]", f"[note: {arpeggio}]"))
    until(lambda: room.child() == "siskin", "siskin plays")
    room.synth.wait(0)
    room.synth.forget()
    pid = room.pid()
    room.switch.key(True)
    room.synth.wait_for_notes(4)
    room.machine.run("date -s '+1 hour'")
    room.synth.wait_for_notes(10)
    room.machine.run("date -s '-1 hour'")
    room.synth.wait_for_notes(16)
    room.switch.key(False)
    room.synth.wait(0)
    times = [at for at, _ in room.synth.begun()]
    assert len(times) - 1 <= (times[-1] - times[0]) / 0.25 + 1  # none came in a bunch
    assert room.pid() == room.status()["pid"] == pid  # nobody had to start it anew


def test_a_clock_that_is_wrong_by_200_days_deletes_no_record(room: Room):
    """Records are kept for 90 days: of those on which the router ran."""
    hold(room)
    room.switch.key(False)
    before = until(room.records, "there is a record")
    days = 0
    try:
        for step in (200, -200):
            room.machine.run(f"date -s '{step:+} days'")
            days += step
            for number in range(2):
                upsets.swapped(room, number)
            assert before <= room.records()
            room.machine.run("systemctl restart router.service")  # as after a night with an empty battery
            room.until_found()
            assert before <= room.records()
            room.switch.key(True)
            room.synth.wait(1)
            room.switch.key(False)
            room.synth.wait(0)
            before = room.records()
    finally:
        room.machine.run(f"date -s '{-days:+} days'")


def test_a_full_disk_costs_no_note(room: Room):
    fill = (
        "fallocate -l $(($(df --output=avail -B1 / | tail -1) - 65536)) /full; cat /dev/zero > /full2 2>/dev/null; "
        "df --output=avail / | tail -1"
    )
    pid = room.pid()
    try:
        assert int(room.machine.run(fill)) == 0
        for _ in range(20):
            room.switch.key(True)
            room.synth.wait(1)
            room.switch.key(False)
            room.synth.wait(0)
            time.sleep(0.1)  # fewer than the notes a second that are allowed
        room.use("wren")  # what plays last cannot be written down now
        hold(room)
    finally:
        room.machine.run("rm -f /full /full2")
    assert room.pid() == pid


def test_with_nobody_playing_it_sleeps(room: Room):
    seconds = 20
    woken, _ = upsets.idle(room, seconds)
    watchdog = 2 * seconds / 15  # WatchdogSec of the machine that is tried; it is fed at least twice in that time
    assert woken <= 2 * watchdog + 5


def test_reset_in_the_middle_of_a_note_it_comes_back_to_the_same_profile(room: Room):
    upsets.reset(room, 0)
