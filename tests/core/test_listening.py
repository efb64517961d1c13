"""Listening to another part or seat: what is heard and when it ends, answers, turns in a room, and
that no answering is endless.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Iterable
from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from router.cli import main
from router.cli.watch import frames
from router.core.conditioning.listen import ListenConditioner, ListenSettings
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.contract import Kind
from router.core.engine import Engine, Listens, PartPlan, Plan, RulePlan
from router.core.events import (
    Lost,
    Mark,
    Message,
    MidiSample,
    NoteOff,
    NoteOn,
    Press,
    Release,
    Route,
    Sample,
    SwitchSample,
)
from router.core.ledger import Limits
from router.core.music import Music
from router.core.rules import RULES
from router.core.rules.answer import MOST, AnswerRule
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.files import profile
from router.room.room import Room, RoomPlan
from router.room.turns import TurnPlan
from router.testing import MILLISECOND, Observed, VirtualTime, check_rule, plan_rule, play_rule
from tests import random_chains

S = NANOSECONDS
QUIET = 1 * S


def ms(number: float) -> int:
    return round(number * MILLISECOND)


# --- the conditioner --------------------------------------------------------------------------------------------


class Ears:
    """A listen input alone on virtual time; what it gives is kept as (milliseconds, what, source)."""

    def __init__(self, quiet: int | None = QUIET) -> None:
        self.timers = Timers()
        self.ears = ListenConditioner("call", ListenSettings(quiet), count(1).__next__, Alarm(self.timers, 0))
        self.heard: list[tuple[float, str, str]] = []
        self.presses: list[Press] = []

    def give(self, when: float, *data: int) -> None:
        self.go_on(when)
        self._keep(when, self.ears.handle(MidiSample("call", data), ms(when)))

    def go_on(self, until: float) -> None:
        while (due := self.timers.next()) is not None and due <= ms(until):
            self.timers.pop(due)
            self._keep(due / MILLISECOND, self.ears.wake(due, None))

    def _keep(self, when: float, gestures: Iterable) -> None:
        for gesture in gestures:
            self.heard.append((when, type(gesture).__name__.lower(), gesture.source))
            if isinstance(gesture, Press):
                self.presses.append(gesture)


def test_a_note_is_a_press_with_a_pitch_and_a_phrase_lasts_until_it_is_quiet():
    ears = Ears()
    ears.give(0, 0x90, 62, 100)
    ears.give(300, 0x80, 62, 0)
    ears.give(900, 0x93, 64, 50)
    ears.give(2500, 0x93, 64, 0)  # a note-off, too
    ears.go_on(10_000)
    assert ears.heard == [
        (0, "press", "call.phrase"),
        (0, "press", "call"),
        (300, "release", "call"),
        (900, "press", "call"),
        (2500, "release", "call"),
        (3500, "release", "call.phrase"),
    ]
    assert [(press.pitch, press.strength) for press in ears.presses] == [
        (None, 100 / 127),
        (62, 100 / 127),
        (64, 50 / 127),
    ]


def test_two_that_play_one_note_are_both_heard_and_it_ends_with_the_last():
    ears = Ears(quiet=None)
    for when, status in ((0, 0x90), (100, 0x90), (200, 0x80), (300, 0x80), (400, 0x80)):
        ears.give(when, status, 60, 64)
    assert ears.heard == [
        (0, "press", "call"),
        (100, "release", "call"),
        (100, "press", "call"),
        (300, "release", "call"),
    ]


def test_one_note_of_two_channels_is_two_and_each_ends_by_itself():
    ears = Ears(quiet=None)
    for when, status in ((0, 0x91), (100, 0x93), (200, 0x83), (300, 0x82), (400, 0x81)):
        ears.give(when, status, 60, 64)
    assert [(when, what) for when, what, _ in ears.heard] == [
        (0, "press"),
        (100, "press"),
        (200, "release"),
        (400, "release"),
    ]


def test_what_is_no_note_is_not_heard():
    ears = Ears()
    for data in ((0xB0, 7, 100), (0xC0, 5), (0x80, 60, 0), (0xF8,)):
        ears.give(0, *data)
    assert ears.heard == []
    assert len(ears.timers) == 0


def test_lost_lets_everything_go():
    ears = Ears()
    ears.give(0, 0x90, 60, 64)
    assert [(type(g), g.source) for g in ears.ears.lost(ms(10))] == [(Release, "call"), (Release, "call.phrase")]
    assert len(ears.timers) == 0
    ears.give(20, 0x80, 60, 0)
    assert len(ears.heard) == 2


# --- listening to a part of one's own ---------------------------------------------------------------------------


def pad(name: str = "pad"):
    return lambda voice, alarm: SwitchConditioner(name, SwitchSettings(), voice, alarm)


def ears(name: str, quiet: int | None = QUIET):
    return lambda voice, alarm: ListenConditioner(name, ListenSettings(quiet), voice, alarm)


def part(name: str, sources: str, *rules: RulePlan, channel: int = 1) -> PartPlan:
    return PartPlan(name, tuple(sources.split()), rules, Route("out", channel))


def rule(name: str, keeps: str = "", **written) -> RulePlan:
    return replace(plan_rule(RULES[name], written), keeps=frozenset(keeps.split()))


def planned(*parts: PartPlan, limits: Limits | None = None, **listens: Listens) -> Plan:
    inputs = {"pad": pad(), **{name: ears(name) for name in listens}}
    return Plan(Music(), limits or Limits(), inputs, parts, listens=listens)


TUNE = part("tune", "pad", rule("note", pitch="C4"))
OCTAVE = part("octave", "tuned", rule("note"), rule("transpose", octaves=1), channel=2)


def wire(played: Iterable[tuple[int, Message]]) -> list[tuple[float, str]]:
    words = {0x90: "on", 0x80: "off"}
    return [
        (when / MILLISECOND, f"{words[message.data[0] & 0xF0]} {message.data[0] % 16 + 1}:{message.data[1]}")
        for when, message in played
        if message.data[0] & 0xF0 in words
    ]


def test_a_part_is_heard_at_once_after_its_own_message():
    player = VirtualTime(planned(TUNE, OCTAVE, tuned=Listens(part="tune")))
    player.give(ms(10), SwitchSample("pad", True))
    player.give(ms(400), SwitchSample("pad", False))
    assert wire(player.played) == [(10, "on 1:60"), (10, "on 2:72"), (400, "off 1:60"), (400, "off 2:72")]


def test_what_is_heard_is_told_as_heard_and_not_as_an_effort_of_the_child():
    player = VirtualTime(planned(TUNE, OCTAVE, tuned=Listens(part="tune")))
    player.give(ms(10), SwitchSample("pad", True))
    assert [fields["input"] for _, _, fields in player.log.named("press")] == ["pad"]
    assert [fields["input"] for _, _, fields in player.log.named("heard")] == ["tuned.phrase", "tuned"]


def test_what_a_part_plays_by_a_deadline_is_heard_too():
    tune = part("tune", "pad", rule("note", pitch="C4"), rule("echo", times=1, delay="100 ms"))
    player = VirtualTime(planned(tune, OCTAVE, tuned=Listens(part="tune")))
    player.give(0, SwitchSample("pad", True))
    player.give(ms(50), SwitchSample("pad", False))
    player.go_on(ms(1000))
    assert wire(player.played)[4:] == [(100, "on 1:60"), (100, "on 2:72"), (150, "off 1:60"), (150, "off 2:72")]


def test_a_chain_of_parts_is_heard_to_its_end():
    higher = part("higher", "second", rule("note"), rule("transpose", octaves=1), channel=3)
    player = VirtualTime(planned(higher, OCTAVE, TUNE, tuned=Listens(part="tune"), second=Listens(part="octave")))
    player.give(0, SwitchSample("pad", True))
    player.give(ms(400), SwitchSample("pad", False))
    assert [text for _, text in wire(player.played)] == [
        "on 1:60",
        "on 2:72",
        "on 3:84",
        "off 1:60",
        "off 2:72",
        "off 3:84",
    ]


def test_a_note_that_another_part_ends_on_the_same_channel_ends_for_who_heard_it():
    """Two parts strike one note of one channel: the wire tells its end once, as the end of whoever let go last."""
    other = part("other", "pad2", rule("note", pitch="C4"))
    plan = planned(TUNE, other, OCTAVE, tuned=Listens(part="tune"))
    player = VirtualTime(replace(plan, inputs={**plan.inputs, "pad2": pad("pad2")}))
    for when, name, down in ((0, "pad", True), (100, "pad2", True), (200, "pad", False), (300, "pad2", False)):
        player.give(ms(when), SwitchSample(name, down))
    assert player.engine.sounding == ()


def test_a_part_that_lets_go_is_heard_to_end():
    player = VirtualTime(planned(TUNE, OCTAVE, tuned=Listens(part="tune")))
    player.give(0, SwitchSample("pad", True))
    player.give(ms(100), Lost("pad"))
    assert player.engine.sounding == ()
    player.give(ms(200), SwitchSample("pad", True))
    player.stop()
    assert player.engine.sounding == ()
    assert player.engine.next_deadline() is None


def test_parts_in_a_ring_make_no_engine():
    one = part("one", "heard", rule("note"))
    two = part("two", "pad other", rule("note"))
    plan = planned(one, two, heard=Listens(part="two"), other=Listens(part="one"))
    assert plan.ring == ("one", "two", "one")
    with pytest.raises(ValueError, match="one > two > one"):
        Engine(plan)


def test_which_parts_are_a_childs_own():
    answer = rule("answer", "call", hears="call")
    plan = planned(
        TUNE,
        part("answers", "pad call", answer),
        part("band", "call.phrase", rule("note")),
        part("both", "pad call", rule("note")),
        part("more", "pad call again", answer),
        call=Listens("window"),
        again=Listens("door"),
    )
    assert plan.own == {"tune", "answers"}


# --- in a room --------------------------------------------------------------------------------------------------


class Child:
    """A member of a room: an engine on virtual time.
    What it observes waits until it is passed on, as at a real seat.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.log = Observed()
        self.told: deque = deque()
        self.engine = Engine(plan, self._observe)
        self.played: list[tuple[int, Message]] = []
        self.engine.start(0)

    def _observe(self, now: int, event: str, fields: dict) -> None:
        self.log(now, event, fields)
        self.told.append((event, fields, now))

    def give(self, sample: Sample, now: int) -> None:
        self.played += [(now, message) for message in self.engine.handle(sample, now)]

    hear = give

    def wake(self, now: int) -> None:
        self.played += [(now, message) for message in self.engine.wake(now)]

    def follow(self, music: Music, now: int) -> None:
        self.played += [(now, message) for message in self.engine.follow(music, now)]

    def turn(self, mine: bool, now: int) -> None:
        self.engine.turn(mine, now)

    def level(self, level: float, now: int) -> None:
        raise AssertionError("nobody moves a level here")


class Together:
    """Children in one room on virtual time."""

    def __init__(self, turns: TurnPlan | None = None, **plans: Plan) -> None:
        self.log = Observed()
        self.room = Room(RoomPlan(turns=turns or TurnPlan()), 0, self.log)
        self.now = 0
        self.children: dict[str, Child] = {}
        for name, plan in plans.items():
            self.play(name, plan)

    def play(self, name: str, plan: Plan | None) -> None:
        """Another profile at a seat from now on; None: the seat is gone."""
        if name in self.children:
            self.children[name].engine.stop(self.now)
            self._settle()
        if plan is None:
            del self.children[name]
            self.room.leave(name, self.now)
        else:
            self.children[name] = Child(plan)
            self.room.join(name, self.children[name], self.now)
        self._settle()

    def press(self, when: float, name: str, down: bool) -> None:
        self.go_on(when)
        self.children[name].give(SwitchSample("pad", down), self.now)
        self._settle()

    def tap(self, when: float, name: str, length: float = 100) -> None:
        self.press(when, name, True)
        self.press(when + length, name, False)

    def go_on(self, until: float) -> None:
        for _ in range(100_000):
            first, who = self._next()
            if first is None or first > ms(until):
                self.now = max(self.now, ms(until))
                return
            self.now = max(self.now, first)
            if who is None:
                self.room.wake(self.now)
            else:
                who.wake(self.now)
            self._settle()
        raise AssertionError("somebody is woken again and again")

    def _next(self) -> tuple[int | None, Child | None]:
        times: list[tuple[int, int, Child | None]] = []
        if (due := self.room.deadline()) is not None:
            times.append((due, 0, None))
        for number, child in enumerate(self.children.values(), start=1):
            if (due := child.engine.next_deadline()) is not None:
                times.append((due, number, child))
        return min(times, key=lambda entry: entry[:2])[::2] if times else (None, None)

    def _settle(self) -> None:
        for _ in range(10_000):
            waiting = next(((name, child) for name, child in self.children.items() if child.told), None)
            if waiting is None:
                return
            name, child = waiting
            self.room.heard(name, *child.told.popleft())
        raise AssertionError("they keep each other going for ever")

    @property
    def sounding(self) -> dict[str, tuple]:
        return {name: child.engine.sounding for name, child in self.children.items() if child.engine.sounding}

    def notes(self, name: str) -> list[tuple[float, str]]:
        return wire(self.children[name].played)


HEARS = planned(part("echo", "call", rule("note"), rule("transpose", octaves=1)), call=Listens("window"))


def test_another_seat_is_heard():
    room = Together(window=planned(TUNE), door=HEARS)
    room.tap(10, "window", 200)
    assert room.notes("door") == [(10, "on 1:72"), (210, "off 1:72")]


def test_only_the_seat_and_the_part_that_are_named_are_heard():
    low = part("low", "pad", rule("note", pitch="C2"))
    ear = part("ear", "call", rule("note"))
    tune_only, door = planned(ear, call=Listens("window", "tune")), planned(ear, call=Listens("door"))
    room = Together(window=planned(TUNE, low), one=tune_only, two=door)
    room.tap(0, "window")
    assert [text for _, text in room.notes("one")] == ["on 1:60", "off 1:60"]
    assert room.notes("two") == []


def test_anybody_is_every_other_seat():
    ear = part("ear", "call", rule("note"), channel=9)
    listening = planned(TUNE, ear, call=Listens("anybody"))
    room = Together(window=listening, door=planned(part("low", "pad", rule("note", pitch="C2"))), bed=listening)
    room.tap(0, "door")
    room.tap(1000, "bed")
    assert [text for _, text in room.notes("window")] == ["on 9:36", "off 9:36", "on 9:60", "off 9:60"]
    assert [text for _, text in room.notes("bed")] == ["on 9:36", "off 9:36", "on 1:60", "off 1:60"]


@pytest.mark.parametrize("then", ["another profile", "nothing", "gone without a word"])
def test_a_seat_that_plays_another_profile_in_the_middle_of_a_phrase_leaves_nothing_on(then):
    band = part("band", "call.phrase", rule("note"), rule("arpeggio", rate="1/8"), channel=2)
    room = Together(window=planned(TUNE), door=planned(OCTAVE, band, call=Listens("window"), tuned=Listens("window")))
    room.press(0, "window", True)
    room.go_on(900)
    assert len(room.sounding["door"]) == 2
    if then == "gone without a word":
        room.children["window"].told.clear()
        room.room.leave("window", room.now)
        room._settle()
    else:
        room.play("window", planned(TUNE) if then == "another profile" else None)
    assert (2, 72) not in [note[1:] for note in room.children["door"].engine.sounding]
    room.go_on(10_000)
    assert "door" not in room.sounding
    assert room.children["door"].engine.next_deadline() is None


def test_a_listener_that_is_swapped_hears_no_end_of_what_it_never_heard():
    room = Together(window=planned(TUNE), bed=planned(TUNE), door=HEARS)
    room.press(0, "window", True)
    room.play("door", replace(HEARS, listens={"call": Listens("anybody")}))
    room.press(100, "bed", True)  # the same note of the same channel
    room.press(200, "window", False)
    assert room.notes("door") == [(100, "on 1:72")]
    room.press(300, "bed", False)
    assert room.notes("door")[1:] == [(300, "off 1:72")]


def test_what_a_seat_plays_because_it_heard_is_not_heard():
    ear = part("ear", "call", rule("note"), rule("transpose", steps=1), channel=2)
    both = planned(TUNE, ear, call=Listens("anybody"))
    room = Together(window=both, door=both)
    room.tap(0, "window")
    assert [text for _, text in room.notes("window")] == ["on 1:60", "off 1:60"]
    assert [text for _, text in room.notes("door")] == ["on 2:62", "off 2:62"]


def test_a_part_of_ones_own_and_of_others_is_not_heard_by_others():
    mixed = planned(part("mixed", "pad call", rule("note")), call=Listens("anybody"))
    room = Together(window=mixed, door=mixed)
    room.tap(0, "window")
    assert room.notes("door") == []


def test_a_childs_phrase_starts_a_band_that_others_join_on_the_beat():
    band = part(
        "band", "call.phrase", rule("note", pitch="C3"), rule("arpeggio", rate="1/4", begin="on the beat"), channel=2
    )
    room = Together(window=planned(TUNE), door=planned(band, call=Listens("window")))
    room.tap(300, "window")
    room.tap(1100, "window")
    room.go_on(20_000)
    beat = 60_000 / 90
    on = [when for when, text in room.notes("door") if text == "on 2:48"]
    assert on == pytest.approx(
        [beat, 2 * beat, 3 * beat], abs=0.001
    )  # the phrase is over 1 s after its last note, at 2200 ms
    assert room.sounding == {}


# --- turns in a room --------------------------------------------------------------------------------------------

TAKES = planned(part("tune", "pad", rule("note", pitch="C4"), rule("turns", otherwise="softer")))
SILENT = planned(part("tune", "pad", rule("note", pitch="C4"), rule("turns", otherwise="silent")))


def velocities(child: Child) -> list[tuple[float, int]]:
    return [(when / MILLISECOND, fields["velocity"]) for when, _, fields in child.log.named("note_on")]


def test_out_of_turn_an_effort_is_softer_and_the_turn_passes_after_the_phrase():
    room = Together(TurnPlan(quiet=2 * S), window=TAKES, door=TAKES)
    room.tap(0, "window")
    room.tap(1000, "door")
    room.tap(2200, "door")  # the window's turn is over two seconds after its last note
    room.tap(3000, "window")
    assert velocities(room.children["window"]) == [(0, 80), (3000, 40)]
    assert velocities(room.children["door"]) == [(1000, 40), (2200, 80)]
    assert [(when / S, fields["seat"]) for when, _, fields in room.log.named("turn")] == [(0, "window"), (2.1, "door")]


def test_out_of_turn_an_effort_may_be_silent_and_what_sounds_runs_to_its_end():
    room = Together(TurnPlan(longest_turn=3 * S), window=SILENT, door=SILENT)
    room.press(0, "window", True)
    room.tap(1000, "door")
    room.press(4000, "window", False)
    assert room.notes("door") == []
    assert room.notes("window") == [(0, "on 1:60"), (4000, "off 1:60")]
    room.tap(4500, "door")
    assert len(room.notes("door")) == 2


def test_who_hears_takes_no_turn():
    ear = part("ear", "call", rule("note"), rule("turns"), channel=2)
    room = Together(window=TAKES, door=planned(TUNE, ear, call=Listens("window")))
    room.tap(0, "window")
    assert room.room.turns.whose == "window"


def test_a_seat_that_is_swapped_passes_its_turn_on():
    room = Together(window=TAKES, door=TAKES)
    room.press(0, "window", True)
    room.play("window", TAKES)
    room.tap(100, "door")
    assert velocities(room.children["door"]) == [(100, 80)]
    room.play("door", planned(TUNE))  # takes no turns any more
    room.tap(300, "window")
    assert velocities(room.children["window"]) == [(300, 80)]


# --- answers ----------------------------------------------------------------------------------------------------


def call(voice: int, pitch: int, strength: float = 0.5) -> Press:
    return Press("call", voice, strength, pitch=pitch)


def ends(voice: int) -> Release:
    return Release("call", voice)


PHRASE = [(0, call(1, 60)), (200, ends(1)), (300, call(2, 62, 1.0)), (310, call(3, 65)), (600, ends(2)), (700, ends(3))]


def begun(played: Iterable) -> list[tuple[float, int]]:
    return [(round(when, 3), event.pitch) for when, event in played if isinstance(event, NoteOn)]


def efforts(*times: float, length: float = 100) -> list:
    return [
        (when + after, event)
        for voice, when in enumerate(times, start=100)
        for after, event in ((0, Press("pad", voice)), (length, Release("pad", voice)))
    ]


def test_each_effort_answers_with_the_next_note_and_those_that_began_together_are_one():
    played = play_rule(AnswerRule, {"hears": "call"}, [*PHRASE, *efforts(2000, 3000, 4000)])
    assert begun(played) == [(2000, 60), (3000, 62), (3000, 65), (4000, 60)]
    assert [when for when, event in played if isinstance(event, NoteOff)] == [2100, 3100, 4100]


def test_before_anything_was_heard_an_effort_plays_the_key_note():
    timeline = [*efforts(0), (500, call(1, 64)), (600, ends(1)), *efforts(700, 1700)]
    assert begun(play_rule(AnswerRule, {"hears": "call"}, timeline)) == [(0, 60), (700, 60), (1700, 64)]
    assert begun(play_rule(AnswerRule, {"hears": "call", "degree": 3, "octave": 3}, efforts(0))) == [(0, 52)]


def test_a_new_phrase_waits_until_the_answer_has_been_played_to_its_end():
    again = [(2500, call(5, 71)), (2600, ends(5))]
    timeline = [*PHRASE, *efforts(2000), *again, *efforts(4000, 5000, 6000)]
    assert begun(play_rule(AnswerRule, {"hears": "call"}, timeline)) == [
        (2000, 60),
        (4000, 62),
        (4000, 65),
        (5000, 71),
        (6000, 71),
    ]


def test_after_a_pause_the_answer_begins_anew_with_what_was_heard_last():
    again = [(2500, call(5, 71)), (2600, ends(5))]
    timeline = [*PHRASE, *efforts(2000), *again, *efforts(12_000)]
    assert begun(play_rule(AnswerRule, {"hears": "call"}, timeline)) == [(2000, 60), (12_000, 71)]


def test_a_whole_answer_keeps_the_rhythm_and_the_loudness_of_the_call():
    played = play_rule(AnswerRule, {"hears": "call", "plays": "whole"}, [*PHRASE, *efforts(2000)])
    assert begun(played) == [(2000, 60), (2300, 62), (2310, 65)]
    assert [event.velocity for _, event in played if isinstance(event, NoteOn)] == [64, 127, 64]
    ended = {event.voice: when for when, event in played if isinstance(event, NoteOff)}
    assert [ended[event.voice] for _, event in played if isinstance(event, NoteOn)] == [2200, 2600, 2700]


def test_another_effort_begins_a_whole_answer_again():
    played = play_rule(AnswerRule, {"hears": "call", "plays": "whole"}, [*PHRASE, *efforts(2000, 2350)])
    assert begun(played) == [(2000, 60), (2300, 62), (2310, 65), (2350, 60), (2650, 62), (2660, 65)]
    assert len([event for _, event in played if isinstance(event, NoteOff) and event.voice >= 1_000_000]) == 6


@pytest.mark.parametrize(
    ("written", "pitches"), [({"octaves": -1}, [48]), ({"steps": 1}, [62]), ({"octaves": 1, "steps": -1}, [69])]
)
def test_an_answer_may_be_moved(written, pitches):
    timeline = [*PHRASE[:2], *efforts(2000)]
    assert [pitch for _, pitch in begun(play_rule(AnswerRule, {"hears": "call", **written}, timeline))] == pitches


@pytest.mark.parametrize("written", [{"octaves": 1}, {"octaves": -1}, {"steps": 1}, {"steps": -3, "octaves": -1}])
def test_two_who_answer_each_other_do_not_climb_for_ever(written):
    """Each hears what the other answered, and moves it once more: they stay within two octaves of where they began."""
    pitch, heard = 60, [60]
    for _ in range(60):
        timeline = [(0, call(1, pitch)), (200, ends(1)), *efforts(2000)]
        ((_, pitch),) = begun(play_rule(AnswerRule, {"hears": "call", **written}, timeline))
        heard.append(pitch)
    assert 36 <= min(heard) <= max(heard) <= 84
    assert len(set(heard)) > 2


def test_what_is_heard_far_away_is_answered_there():
    timeline = [(0, call(1, 24)), (200, ends(1)), *efforts(2000)]
    assert begun(play_rule(AnswerRule, {"hears": "call", "octaves": 1}, timeline)) == [(2000, 36)]
    assert begun(play_rule(AnswerRule, {"hears": "call"}, timeline)) == [(2000, 24)]


def test_of_a_long_phrase_its_beginning_is_remembered_and_no_more():
    notes = [
        (100 * n + after, event) for n in range(3 * MOST) for after, event in ((0, call(n, n % 100)), (50, ends(n)))
    ]
    played = play_rule(
        AnswerRule, {"hears": "call"}, [*notes, *efforts(*range(100_000, 100_000 + 500 * (MOST + 1), 500))]
    )
    assert [pitch for _, pitch in begun(played)] == [*range(MOST), 0]
    four = play_rule(AnswerRule, {"hears": "call", "notes": 4}, [*notes, *efforts(*range(100_000, 103_000, 500))])
    assert [pitch for _, pitch in begun(four)] == [0, 1, 2, 3, 0, 1]


def test_the_phrase_of_the_same_input_is_no_effort():
    assert (
        play_rule(AnswerRule, {"hears": "call"}, [(0, Press("call.phrase", 1)), (500, Release("call.phrase", 1))]) == []
    )


def test_an_answer_that_hears_keeps_the_contract_of_a_rule():
    """The kit gives one source only; here every other press of it is heard, and the others are efforts."""

    class Hearing(AnswerRule):
        __doc__ = "Answers every other press of its one source."

        def _of_others(self, gesture):
            return gesture.voice % 2 == 0

    Hearing.__module__ = AnswerRule.__module__
    check_rule(Hearing)


# --- no answering is endless ------------------------------------------------------------------------------------

ENDING = [r for r in RULES.values() if not r.sustains and r.name not in ("answer", "program", "control", "zones")]
"""Rules whose notes end by themselves. A latch does not,
and a profile whose latch hears others must say how long it is on.
"""


@st.composite
def chains(draw, heard: str = "") -> tuple[RulePlan, ...]:
    flow, steps = Kind.GESTURES, []
    if heard:
        written = {"hears": heard, "plays": draw(st.sampled_from(["whole", "note by note"])), "quiet": "300 ms"}
        steps.append(rule("answer", heard, **written))
        flow = Kind.NOTES
    for _ in range(draw(st.integers(0, 3))):
        chosen = draw(st.sampled_from([r for r in ENDING if r.takes & flow]))
        # A band that begins by itself never falls silent, as it is meant to.
        settings = draw(random_chains.written(chosen).filter(lambda each: each.get("starts") != "by itself"))
        steps.append(plan_rule(chosen, settings, chosen.name))
        flow = chosen.gives or flow
    if flow is Kind.GESTURES:
        steps.append(rule("note"))
    return tuple(steps)


@st.composite
def listening(draw, seats: list[str]) -> Plan:
    """A profile whose parts hear parts before them, other seats, the child, or several of these."""
    parts: list[PartPlan] = []
    listens: dict[str, Listens] = {}
    for number in range(draw(st.integers(1, 4))):
        sources = []
        answers = False
        if parts and draw(st.booleans()):
            name = f"own{number}"
            listens[name] = Listens(part=draw(st.sampled_from([p.name for p in parts])))
            sources.append(name + draw(st.sampled_from(["", ".phrase"])))
        if draw(st.booleans()):
            name = f"call{number}"
            named = draw(st.sampled_from([None, None, "part 0", "part 1"]))
            listens[name] = Listens(draw(st.sampled_from([*seats, "anybody"])), named)
            answers = draw(st.booleans())
            sources.append(name if answers else name + draw(st.sampled_from(["", ".phrase"])))
        if answers or not sources or draw(st.booleans()):
            sources.append("pad")
        rules = draw(chains(f"call{number}" if answers else ""))
        parts.append(PartPlan(f"part {number}", tuple(sources), rules, Route("out", draw(st.integers(1, 2)))))
    return planned(*parts, limits=Limits(note_length=5 * S, notes_at_once=32), **listens)


SEATS = ["window", "door", "bed"]
HANDS = st.lists(
    st.tuples(
        st.sampled_from(SEATS), st.sampled_from([True, True, False]), st.sampled_from([0, 10, 90, 300, 700, 1300])
    ),
    max_size=30,
)


def play_together(plans: list[Plan], hands: list) -> None:
    room = Together(**dict(zip(SEATS, plans, strict=False)))
    when = 0
    for name, down, gap in hands:
        when += gap
        if name in room.children:
            room.press(when, name, down)
    for name in room.children:
        room.press(when, name, False)
    # A whole answer lasts as long as what it answers, which was played before this moment; what plays because it hears
    # that goes on for an echo or the quiet after a phrase, part after part.
    quiet = 2 * when + 60_000
    room.go_on(quiet)
    assert room.sounding == {}
    late = len([1 for child in room.children.values() for _ in child.log.named("note_on")])
    room.go_on(quiet + 3_600_000)
    assert len([1 for child in room.children.values() for _ in child.log.named("note_on")]) == late
    assert [fault for child in room.children.values() for fault in child.log.named("fault")] == []
    assert [child.engine.next_deadline() for child in room.children.values()] == [None] * len(room.children)


TOGETHER = st.integers(2, 3).flatmap(lambda n: st.lists(listening(SEATS[:n]), min_size=n, max_size=n))


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(TOGETHER, HANDS)
def test_after_the_last_effort_everything_falls_silent(plans, hands):
    play_together(plans, hands)


def test_without_the_promise_two_would_keep_each_other_going(monkeypatch):
    """The proof itself: if everything that is played were heard by others, it would be found."""
    mixed = planned(
        part("mixed", "pad call", rule("note"), rule("echo", times=1, delay="1500 ms")), call=Listens("anybody")
    )
    play_together([mixed, mixed], [("window", True, 0)])
    monkeypatch.setattr(Plan, "own", property(lambda plan: frozenset(part.name for part in plan.parts)))
    with pytest.raises(AssertionError):
        play_together([mixed, mixed], [("window", True, 0)])


# --- profiles ---------------------------------------------------------------------------------------------------

WRITTEN = """\
profile: 1
child: wren
inputs:
  pad: {type: switch, device: {terminal: space}}
  call: {type: listen, seat: window, part: tune, quiet: 2 s}
  tuned: {type: listen, part: tune}
parts:
  tune:
    input: [pad, call]
    rules: [answer: {hears: call, plays: whole}]
    output: {port: synth, channel: 1}
  band:
    input: [tuned.phrase, call.phrase]
    rules: [latch: {longest: 2 s}, note: {}]
    output: {port: synth, channel: 2}
outputs: {synth: {instrument: default}}
"""


def test_a_profile_says_what_it_listens_to(tmp_path):
    path = tmp_path / "wren.yaml"
    path.write_text(WRITTEN)
    loaded = profile.load(path)
    assert loaded.plan.listens == {"call": Listens("window", "tune"), "tuned": Listens(part="tune")}
    assert list(loaded.devices) == ["pad"]
    assert loaded.types == {"pad": "switch", "call": "listen", "tuned": "listen"}
    assert loaded.plan.own == {"tune"}
    assert [rule.keeps for part in loaded.plan.parts for rule in part.rules] == [{"call"}, set(), set()]
    Engine(loaded.plan)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("part: tune}", "part: tunes}", 'there is no part called "tunes"'),
        ("part: tune}", "part: band}", 'the part "band" hears itself, and would never stop'),
        (
            "[pad, call]",
            "[pad, call, banded]",
            "these parts hear one another in a ring, and would never stop: tune hears band hears tune",
        ),
        ("{longest: 2 s}", "{}", '"tuned" is played by others: what it has switched on must end by itself'),
        ("hears: call", "hears: pad", '"answer" cannot hear "pad"'),
        ("[pad, call]", "[pad, call.phrase]", '"answer" cannot hear "call"'),
        ("input: [pad, call]", "input: [call]", "nothing plays the answer"),
        ("[answer", "[latch: {longest: 1 s}, answer", '"answer" must be the first rule of its part'),
        ("seat: window, part: tune, ", "", 'a listen input needs "seat" or "part"'),
        ("seat: window", 'device: {midi: "*"}', 'a listen input has no setting called "device"'),
        ("inputs:", "music: {progression: {chords: [C, F], advance: call}}\ninputs:", '"call" is played by others'),
        ("tuned.phrase", "tuned.sentence", '"tuned" is a listen input and has no "sentence"'),
    ],
)
def test_what_could_not_be_heard_or_would_not_end_is_refused(tmp_path, old, new, said):
    path = tmp_path / "wren.yaml"
    banded = "  banded: {type: listen, part: band}\n" if "banded" in new else ""
    assert WRITTEN.count(old) == 1
    path.write_text(WRITTEN.replace(old, new).replace("  tuned:", f"{banded}  tuned:"))
    assert said in "\n".join(problem.message for problem in profile.check(path))


def test_two_dippers_answer_each_other_and_fall_silent():
    """The shipped profile on both sides: a call, its answer note by note, the band
    of whoever hears, and then nothing.
    """
    plan = profile.load(profile.find("dipper")).plan
    room = Together(window=plan, door=plan)
    room.tap(1000, "window")
    room.tap(1500, "window")  # before anything was heard: the key note
    for when in (4000, 4600, 5200):
        room.tap(when, "door")
    answer = [(when, text) for when, text in room.notes("door") if text.startswith("on 1:")]
    assert answer == [(4000, "on 1:79"), (4600, "on 1:79"), (5200, "on 1:79")]  # an octave above what was called
    for when in (9000, 9400, 9800):
        room.tap(when, "window")
    assert [text for when, text in room.notes("window") if when >= 9000 and text.startswith("on 1:")] == ["on 1:91"] * 3
    assert {text for _, text in room.notes("door") if " 2:" in text} == {"on 2:43", "off 2:43", "on 2:50", "off 2:50"}
    room.go_on(30_000)
    assert room.sounding == {}
    last = max(when for name in room.children for when, _ in room.notes(name))
    assert last < 13_000
    room.go_on(3_600_000)
    assert [child.engine.next_deadline() for child in room.children.values()] == [None, None]
    assert room.room.turns.deadline() is None


# --- in the commands --------------------------------------------------------------------------------------------

TRACE = """\
{"trace": 1}
{"t": 0.5, "input": "call", "midi": [144, 67, 90]}
{"t": 0.9, "input": "call", "midi": [128, 67, 0]}
{"t": 4.0, "input": "pad", "pressed": true}
{"t": 4.3, "input": "pad", "pressed": false}
"""


@pytest.fixture
def written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "wren.yaml").write_text(WRITTEN)
    (tmp_path / "wren.jsonl").write_text(TRACE)


@pytest.mark.usefixtures("written")
def test_a_trace_holds_what_was_heard(capsys):
    assert main(["play", "wren.jsonl", "--profile", "wren.yaml", "--json", "--log", "log.jsonl"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["presses"] == {"call": 1, "call.phrase": 1, "pad": 1, "tuned": 1, "tuned.phrase": 1}
    assert said["notes"] == {"tune": 1, "band": 2}
    assert said["unknown_inputs"] == {}
    logged = [json.loads(line) for line in Path("log.jsonl").read_text().splitlines()]
    assert [line["input"] for line in logged if line.get("event") == "press"] == ["pad"], (
        "the child's own efforts, and no others"
    )


@pytest.mark.usefixtures("written")
def test_a_trace_with_another_kind_of_sample_is_refused(capsys):
    Path("wren.jsonl").write_text('{"trace": 1}\n{"t": 0.5, "input": "call", "pressed": true}\n')
    assert main(["play", "wren.jsonl", "--profile", "wren.yaml"]) == 1
    said = capsys.readouterr().err
    assert '"call" is a listen in the profile, and this is a sample of a switch' in said
    assert '"midi": [144, 60, 64]' in said


@pytest.mark.usefixtures("written")
def test_what_is_heard_can_be_watched():
    loaded = profile.load("wren.yaml")
    samples = [
        (ms(500), MidiSample("call", (0x90, 67, 90))),
        (ms(900), MidiSample("call", (0x80, 67, 0))),
        (ms(2000), Mark("end")),
    ]
    shown = [frame["seats"]["recording"]["inputs"]["call"] for frame in frames(loaded, samples)]
    assert all(each["there"] for each in shown)
    assert ["call"] in [each["pressed"] for each in shown]
    assert shown[-1]["pressed"] == []
    assert shown[-1]["now"] == [0x80, 67, 0]


@pytest.mark.usefixtures("written")
def test_there_is_nothing_to_fit(capsys):
    marks = [
        f'{{"t": {t}, "mark": "{mark}"}}\n' for t, mark in ((5, "rest"), (9, "end"), (10, "effort"), (12, "effort"))
    ]
    Path("wren.jsonl").write_text(TRACE + "".join(marks))
    assert main(["fit", "call", "--profile", "wren.yaml", "--trace", "wren.jsonl"]) == 1
    assert "a listen input has nothing to fit" in capsys.readouterr().err


@pytest.mark.usefixtures("written")
def test_the_check_says_who_is_heard(capsys):
    assert main(["check", "wren.yaml"]) == 0
    said = capsys.readouterr().out
    assert "tune: each press of pad and each note of the part tune of the seat window (call)" in said
    assert (
        "band: each phrase of the part tune (tuned) and each phrase of the part tune of the seat window (call)" in said
    )
