"""The straight line: order, faults, losses, stops; a rule's fault costs that rule only."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from typing import ClassVar

import pytest

from router.core.conditioning.midi import MidiConditioner, MidiSettings
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.contract import MOST, Kind, Later, Rule, check
from router.core.engine import WAKES_A_PASS, Engine, PartPlan, Plan, RulePlan
from router.core.events import (
    Control,
    Found,
    Level,
    Lost,
    Mark,
    MidiSample,
    NoteOff,
    NoteOn,
    Press,
    Release,
    Route,
    SwitchSample,
)
from router.core.ledger import Limits
from router.core.music import SCALES, Music, TimeSignature
from router.core.rules import RULES
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.testing import MILLISECOND, Observed, VirtualTime, plan_rule

HERE = Route("out", 1)


def pad(name="pad", **settings):
    return lambda voice, alarm: SwitchConditioner(name, SwitchSettings(**settings), voice, alarm)


def keys(voice, alarm):
    return MidiConditioner("keys", MidiSettings(levels=frozenset({"keys.cc1"})), voice, alarm)


INPUTS = {"pad": pad(), "pad2": pad("pad2"), "keys": keys}


def rule(name: str, **written) -> RulePlan:
    return plan_rule(RULES[name], written, f"wren.yaml:{name}")


def broken(cls: type[Rule]) -> RulePlan:
    return RulePlan("broken", lambda context: cls({}, context), "wren.yaml:31")


def part(
    *rules: RulePlan, sources=("pad", "pad2", "keys", "keys.cc1"), route=HERE, name="tune", program=None
) -> PartPlan:
    return PartPlan(name, sources, rules, route, program)


def plan(*parts: PartPlan, limits=None, music=None) -> Plan:
    return Plan(music or Music(), limits or Limits(shortest_note=0), INPUTS, parts)  # its events are nanoseconds apart


def down(name="pad") -> SwitchSample:
    return SwitchSample(name, True)


def up(name="pad") -> SwitchSample:
    return SwitchSample(name, False)


def key(note: int, velocity: int = 64) -> MidiSample:
    return MidiSample("keys", (0x90, note, velocity))


def heard(player: VirtualTime) -> list[tuple[int, ...]]:
    return [message.data for _, message in player.played]


def on(note: int, velocity: int = 80) -> tuple[int, ...]:
    return (0x90, note, velocity)


def off(note: int) -> tuple[int, ...]:
    return (0x80, note, 0)


QUIET = [(0xB0, 64, 0), (0xB0, 123, 0), (0xB0, 120, 0)]

# --- the line -----------------------------------------------------------------------------------------------------


def test_a_sample_goes_to_every_part_that_listens():
    player = VirtualTime(
        plan(part(rule("note")), part(rule("note", degree=2), name="b", route=Route("box", 2), sources=("pad",)))
    )
    player.give(5, down())
    player.give(6, down("pad2"))
    assert [(m.output, *m.data) for _, m in player.played] == [
        ("out", *on(60)),
        ("box", 0x91, 62, 80),
        ("out", *off(60)),
        ("out", *on(60)),
    ]


def test_start_sends_the_programs_and_an_output_that_came_back_gets_them_again():
    player = VirtualTime(
        plan(part(rule("note"), program=12), part(rule("note"), name="b", route=Route("box", 10), program=0))
    )
    assert [(m.output, *m.data) for _, m in player.played] == [("out", 0xC0, 12), ("box", 0xC9, 0)]
    assert [(m.output, *m.data) for m in player.engine.programs()] == [("out", 0xC0, 12), ("box", 0xC9, 0)]


def test_the_record_is_told_the_music_and_the_sounds_at_the_start_and_the_music_when_it_changes():
    """All that a score needs of a log besides its notes."""
    music = Music(2, SCALES["major"], Fraction(84), TimeSignature(3, 4))
    player = VirtualTime(
        Plan(
            music,
            Limits(),
            {},
            (part(rule("note"), sources=(), program=12), part(rule("note"), sources=(), name="b")),
            follows=frozenset({"tempo"}),
        )
    )
    told = {"tempo": 84.0, "time_signature": "3/4", "tonic": 2, "scale": [*SCALES["major"]], "chord": "", "bar": 0.0}
    assert [(event, fields) for _, event, fields in player.log.lines] == [
        ("start", {}),
        ("music", told),
        ("program", {"part": "tune", "output": "out", "channel": 1, "program": 12}),
    ]
    player.follow(replace(music, tempo=Fraction(60), origin=NANOSECONDS), 5 * NANOSECONDS)
    assert player.log.named("music")[1:] == [(5 * NANOSECONDS, "music", {**told, "tempo": 60.0, "bar": 1.0})]
    player.follow(replace(music, tempo=Fraction(601, 10), origin=NANOSECONDS), 6 * NANOSECONDS)  # jitter
    assert len(player.log.named("music")) == 2
    player.follow(replace(music, tempo=Fraction(60), origin=NANOSECONDS, tonic=7), 7 * NANOSECONDS)
    assert player.log.named("music")[2][2]["tonic"] == 7


def test_what_nobody_listens_to_and_unknown_inputs_do_nothing():
    player = VirtualTime(plan(part(rule("note"), sources=("pad",))))
    player.give(1, down("pad2"))
    player.give(2, down("nobody"))
    player.give(3, Lost("nobody"))
    player.give(4, Found("pad"))
    player.give(5, Mark("cue"))
    assert heard(player) == []
    assert [(event, fields) for _, event, fields in player.log.lines if event != "music"] == [
        ("start", {}),
        ("press", {"input": "pad2", "strength": 0.5}),
        ("found", {"input": "pad"}),
        ("mark", {"text": "cue"}),
    ]


def test_the_log_says_zone_and_pitch():
    player = VirtualTime(plan())
    player.give(0, key(61))
    assert player.log.named("press")[0][2] == {"input": "keys", "strength": round(64 / 127, 4), "pitch": 61}


def test_an_engine_works_without_anybody_listening_to_its_log():
    engine = Engine(plan(part(rule("note"))))
    assert [m.data for m in engine.handle(down(), 0)] == [on(60)]
    assert engine.sounding == (("out", 1, 60),)


def test_deadlines_that_are_due_come_before_the_sample():
    player = VirtualTime(plan(part(rule("note"), rule("release", when="after", time="100 ms"))))
    player.give_late(0, down())
    player.give_late(50 * MILLISECOND, up())
    player.give_late(300 * MILLISECOND, down())
    assert heard(player) == [on(60), off(60), on(60)]


def test_deadlines_that_a_sample_sets_for_now_come_after_it():
    player = VirtualTime(plan(part(rule("note"), rule("chord"), rule("arpeggio"), sources=("pad",))))
    player.give_late(7, down())
    assert heard(player) == [on(60)]


# --- an arpeggio of a hundred thousand steps ----------------------------------------------------------------------


@pytest.mark.parametrize("tempo", ["120 bpm", "77 bpm"])
def test_a_hundred_thousand_steps_stay_on_the_grid(tempo):
    """At 77 bpm an eighth is no whole number of nanoseconds: each step is at most one of them after its exact place."""
    music = Music(tempo=Fraction(tempo.removesuffix(" bpm")))
    engine = Engine(plan(part(rule("note"), rule("arpeggio", rate="1/8")), music=music))
    step = music.duration(Fraction(1, 8))
    count, now = 0, 5
    played = engine.handle(down(), now)
    while count < 100_000:
        for message in played:
            if message.data[0] == 0x90:
                assert 0 <= now - (5 + count * step) < 1
                count += 1
        now = engine.next_deadline()
        played = engine.wake(now)
    assert count == 100_000


def test_late_wake_ups_leave_out_steps_and_never_bunch():
    """Woken late again and again: every note begins after its place, no two for one place, none without length."""
    player = VirtualTime(plan(part(rule("note"), rule("arpeggio", rate="1/8"))))
    player.give(0, down())
    step = Music().duration(Fraction(1, 8))
    late, before = 0, 0
    for wake in range(2000):
        late = (late * 1103515245 + 12345) % 2**31  # a fixed row of delays, up to 4 steps
        player.wake_late(max(before, player.engine.next_deadline()) + late % int(4 * step) * (wake % 3 == 0))
        before = player.now
    begun = [when for when, m in player.played if m.data[0] == 0x90]
    ended = [when for when, m in player.played if m.data[0] == 0x80]
    places = [when // step for when in begun]
    assert places == sorted(set(places))
    assert all(end > begin for begin, end in zip(begun, ended, strict=False))


# --- faults -------------------------------------------------------------------------------------------------------


class Raises(Rule):
    """Raises where its subclasses say."""

    name = "broken"
    takes = Kind.GESTURES | Kind.NOTES
    settings: ClassVar = {"type": "object", "additionalProperties": False, "properties": {}}


class InPress(Raises):
    def press(self, press, now):
        raise RuntimeError("oh")


class InWake(Raises):
    def note_on(self, note, now):
        self.context.alarm.at(now + 100 * MILLISECOND)
        self.own = self.context.new_voice()
        return [note, NoteOn(self.own, note.pitch + 12)]

    def wake(self, now, tag):
        raise RuntimeError("oh")


class InLetGo(InWake):
    def wake(self, now, tag):
        return ()

    def let_go(self, now):
        raise RuntimeError("oh")


class GivesNone(Raises):
    def note_on(self, note, now):
        return None


class GivesOne(Raises):
    def note_on(self, note, now):
        return note


class GivesJunk(Raises):
    def note_on(self, note, now):
        return ["note", 7]


class GivesHalf(Raises):
    def note_on(self, note, now):
        yield NoteOn(self.context.new_voice(), 40)
        raise RuntimeError("half way")


class TooHigh(Raises):
    def note_on(self, note, now):
        return [NoteOn(note.voice, 128)]


class NoNumber(Raises):
    def note_on(self, note, now):
        return [NoteOn(note.voice, note.pitch, None)]


class ModeMessage(Raises):
    def note_on(self, note, now):
        return [Control(120, 0)]


class Forever(Raises):
    def note_on(self, note, now):
        self.context.alarm.at(now)
        return [note]

    def wake(self, now, tag):
        self.context.alarm.at(now)
        return [NoteOn(self.context.new_voice(), 50)]


def faults(player: VirtualTime) -> list[tuple[str, str]]:
    return [(fields["rule"], fields["place"]) for _, _, fields in player.log.named("fault")]


@pytest.mark.parametrize("cls", [GivesNone, GivesOne, GivesJunk, GivesHalf, TooHigh, NoNumber, ModeMessage])
def test_a_rule_that_gives_nonsense_is_passed_over_from_then_on(cls):
    """One fault line with the place; the effort that met the fault is heard; other parts play on."""
    player = VirtualTime(
        plan(
            part(rule("note"), broken(cls), rule("scale_lock"), rule("velocity", fixed=70)),
            part(rule("note", degree=2), name="other"),
        )
    )
    player.give(0, down())
    player.give(10, up())
    player.give(20, down())
    player.give(30, up())
    assert faults(player) == [("broken", "wren.yaml:31")]
    assert heard(player) == 2 * [on(60, 70), on(62), off(60), off(62)]
    player.stop()
    assert player.engine.sounding == ()


def test_a_rule_that_raises_in_press():
    player = VirtualTime(plan(part(broken(InPress), rule("note"))))
    player.give(0, down())
    player.give(10, up())
    assert heard(player) == [on(60), off(60)]
    ((_, _, fields),) = player.log.named("fault")
    assert fields == {"part": "tune", "rule": "broken", "place": "wren.yaml:31", "error": "RuntimeError: oh"}


def test_a_rule_that_raises_when_woken_leaves_nothing_of_its_own_on():
    player = VirtualTime(plan(part(rule("note"), broken(InWake)), part(rule("note", degree=2), name="other")))
    player.give(0, down())
    player.go_on(NANOSECONDS)
    assert heard(player) == [on(60), on(72), on(62), off(60), off(72)]
    assert faults(player) == [("broken", "wren.yaml:31")]
    assert player.engine.sounding == (("out", 1, 62),)
    player.give(NANOSECONDS, up())
    assert player.engine.sounding == ()


def test_a_rule_that_raises_in_letting_go():
    for end in (Lost("pad"), None):
        player = VirtualTime(plan(part(rule("note"), broken(InLetGo))))
        player.give(0, down())
        if end:
            player.give(50, end)
        else:
            player.stop()
        assert heard(player)[:4] == [on(60), on(72), off(60), off(72)]
        assert player.engine.sounding == ()
        assert faults(player) == [("broken", "wren.yaml:31")]


def test_a_rule_that_asks_to_be_woken_for_ever_is_stopped_and_its_followers_are_not():
    """What it gives while it spins reaches an arpeggio, which is in line for a wake-up as well and not at fault."""
    player = VirtualTime(
        plan(
            part(rule("note"), broken(Forever), rule("arpeggio")),
            part(rule("note", degree=2), rule("release", when="after", time="1 s"), name="other"),
        )
    )
    player.give(0, down())
    player.give(100, up())
    assert faults(player) == [("broken", "wren.yaml:31")]
    assert player.engine.sounding == (("out", 1, 62),)
    player.give(200, down())
    player.give(100 * MILLISECOND, up())
    player.go_on(5 * NANOSECONDS)
    assert player.engine.sounding == ()
    assert on(60) in heard(player)
    assert faults(player) == [("broken", "wren.yaml:31")]


class Often(Raises):
    """Asks to be woken at once as often as is allowed, and no more."""

    def press(self, press, now):
        self.left = WAKES_A_PASS - 1
        self.context.alarm.at(now)
        return [press]

    def wake(self, now, tag):
        if self.left:
            self.left -= 1
            self.context.alarm.at(now)
        return ()


def test_a_rule_that_comes_to_rest_in_time_is_not_at_fault():
    player = VirtualTime(plan(part(broken(Often), rule("note"))))
    player.give(0, down())
    player.give(1, up())
    assert faults(player) == []
    assert heard(player) == [on(60), off(60)]


def test_a_fault_after_a_latch_or_an_arpeggio_leaves_no_voice_behind():
    """The rules before the broken one keep their voices and end them; they must not forget what then begins."""
    player = VirtualTime(plan(part(rule("latch"), broken(InPress), rule("note"))))
    player.give(0, down())
    player.give(10, up())
    assert player.engine.sounding == (("out", 1, 60),)
    player.give(20, down())
    assert player.engine.sounding == ()

    player = VirtualTime(plan(part(rule("note"), rule("arpeggio"), broken(GivesJunk))))
    player.give(0, down())
    player.give(10, up())
    player.go_on(NANOSECONDS)
    assert heard(player) == [on(60), off(60)]


def test_a_fault_ends_what_the_rules_after_it_hold():
    """A rule that swallows ends and then breaks: what it kept from the release rule after it is let go."""

    class Swallows(Raises):
        def note_off(self, off, now):
            return ()

        def control(self, control, now):
            raise RuntimeError("oh")

    player = VirtualTime(
        plan(part(rule("control", controller=1), rule("note"), broken(Swallows), rule("release", when="next")))
    )
    player.give(0, down())
    player.give(10, up())
    assert player.engine.sounding == (("out", 1, 60),)
    player.give(20, MidiSample("keys", (0xB0, 1, 99)))
    assert player.engine.sounding == ()
    assert heard(player)[-1] == (0xB0, 1, 99)


class BreaksInAChord(Raises):
    """Begins a note of its own for every note that comes, and breaks at one of a chord's."""

    at = 1

    def __init__(self, settings, context):
        super().__init__(settings, context)
        self.seen = 0

    def note_on(self, note, now):
        self.seen += 1
        if self.seen == self.at:
            raise RuntimeError("oh")
        return [note, NoteOn(self.context.new_voice(), note.pitch + 24)]


@pytest.mark.parametrize("at", [1, 2, 3])
def test_a_rule_that_breaks_within_a_chord_is_passed_over_for_the_whole_of_it(at):
    """What it gave for the first notes would have no one to end it, and for the last ones it is not asked any more."""
    player = VirtualTime(plan(part(rule("note"), rule("chord"), broken(type("Breaks", (BreaksInAChord,), {"at": at})))))
    player.give(0, down())
    assert [note for _, _, note in player.engine.sounding] == [60, 64, 67]
    player.give(NANOSECONDS, up())
    assert player.engine.sounding == ()
    assert faults(player) == [("broken", "wren.yaml:31")]


def test_two_broken_rules_are_two_faults():
    player = VirtualTime(plan(part(broken(InPress), rule("note"), broken(TooHigh))))
    for now in range(3):
        player.give(2 * now, down())
        player.give(2 * now + 1, up())
    assert len(faults(player)) == 2
    assert heard(player) == 3 * [on(60), off(60)]


@pytest.mark.parametrize(
    "event",
    [
        None,
        "note",
        NoteOn(1, 128),
        NoteOn(1, -1),
        NoteOn(1, 60.5),
        NoteOn(1, 60, 64.5),
        NoteOn(1, 60, None),
        NoteOn([], 60),
        NoteOn(1, 60, 64, 1.1),
        NoteOn(1, 60, 64, float("nan")),
        NoteOff(None),
        Release("pad", "voice"),
        Press("pad", 1, -0.1),
        Press(None, 1),
        Level("pad", 2),
        Control(120, 0),
        Control(-1, 0),
        Control(7, 128),
        Control(7, 1.5),
    ],
    ids=str,
)
def test_what_no_rule_may_give(event):
    with pytest.raises(ValueError, match="a rule cannot give"):
        check(event)


@pytest.mark.parametrize(
    "event",
    [
        NoteOn(1, 0, 1, 0),
        NoteOn(1, 127, 127, 1.0),
        NoteOff(1),
        Press("a", 1, 1),
        Release("a", 1),
        Level("a", 0),
        Control(119, 127),
    ],
    ids=str,
)
def test_what_a_rule_may_give(event):
    check(event)


# --- losses and stops ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rules", [["note"], ["latch", "note"], ["note", "chord"], ["latch", "note", "arpeggio"]])
def test_a_lost_input_is_released_latched_or_not(rules):
    player = VirtualTime(plan(part(*map(rule, rules))))
    player.give(0, down())
    player.give(10 * MILLISECOND, Lost("pad"))
    assert player.engine.sounding == ()
    assert player.engine.next_deadline() is None
    player.give(20 * MILLISECOND, Lost("pad"))
    player.give(NANOSECONDS, Found("pad"))
    player.give(2 * NANOSECONDS, down())
    assert len(player.engine.sounding) >= 1


@pytest.mark.parametrize("chord", [False, True])
def test_a_latched_note_that_had_to_make_room_is_off_so_the_next_press_is_heard(chord):
    """Of a latched chord only what is left makes it one that is on still."""
    held = [rule("latch"), rule("note"), *([rule("chord", kind="open fifth")] if chord else [])]
    player = VirtualTime(
        plan(part(*held, sources=("pad",)), part(rule("note"), sources=("keys",)), limits=Limits(notes_at_once=2))
    )
    player.give(0, down())
    player.give(100 * MILLISECOND, up())
    for number in range(1 if chord else 2):
        player.give((200 + 100 * number) * MILLISECOND, key(70 + number))
    assert (("out", 1, 60) in player.engine.sounding) is False
    player.give(NANOSECONDS, down())
    pressed = [when for when, message in player.played if message.data[0] == 0x90 and message.data[1] == 60]
    assert (NANOSECONDS in pressed) is not chord  # the fifth sounds on, and this press ends it
    player.give(2 * NANOSECONDS, up())
    player.stop()


def test_another_input_lost_does_not_touch_a_part_that_does_not_listen_to_it():
    player = VirtualTime(plan(part(rule("note"), sources=("pad",))))
    player.give(0, down())
    player.give(10, Lost("pad2"))
    player.give(20, Lost("keys"))
    assert player.engine.sounding == (("out", 1, 60),)


def test_a_lost_keyboard_lets_go_of_a_part_that_listens_to_one_of_its_controllers():
    player = VirtualTime(plan(part(rule("control", controller=1, low=5), rule("note"), sources=("keys.cc1", "pad"))))
    player.give(0, MidiSample("keys", (0xB0, 1, 127)))
    player.give(NANOSECONDS, Lost("keys"))
    assert heard(player) == [(0xB0, 1, 127), (0xB0, 1, 5)]


def test_stop_silences_every_channel_in_use_and_the_engine_plays_again():
    player = VirtualTime(
        plan(part(rule("latch"), rule("note")), part(rule("note"), name="b", route=Route("box", 2), sources=()))
    )
    player.give(0, down())
    player.stop()
    assert [(m.output, *m.data) for _, m in player.played[1:]] == [
        ("out", *off(60)),
        *[("out", *data) for data in QUIET],
        *[("box", 0xB1, *data[1:]) for data in QUIET],
    ]
    assert player.engine.next_deadline() is None
    told = [event for _, event, _ in player.log.lines]
    assert told == ["start", "music", "press", "note_on", "note_off", "release", "stop"]
    player.give(100, down())
    assert heard(player)[-1] == on(60)
    player.stop()
    player.stop()
    assert player.engine.sounding == ()


def test_a_stopped_engine_that_plays_again_plays_as_a_new_one():
    def session(player: VirtualTime) -> list[tuple[int, ...]]:
        before = len(player.played)
        start = player.now
        for now in range(6):
            player.give(start + (2 * now + 1) * 100 * MILLISECOND, down())
            player.give(start + (2 * now + 2) * 100 * MILLISECOND, up())
        player.stop()
        return [message.data for _, message in player.played[before:]]

    rules = (rule("latch"), rule("sequence", degrees=[1, 2, 3]), rule("chord"), rule("arpeggio", rate="1/16"))
    player = VirtualTime(plan(part(*rules), limits=Limits(notes_per_second=50)))
    first = session(player)
    player.go_on(player.now + 10 * NANOSECONDS)
    assert session(player) == first


# --- following, and one plan for several engines ------------------------------------------------------------------


def test_follow_leaves_no_note_and_what_comes_next_fits():
    player = VirtualTime(
        plan(part(rule("latch"), rule("note", degree=3), rule("chord")), music=Music(0, SCALES["major"]))
    )
    player.give(0, down())
    player.engine.follow(Music(9, SCALES["minor"]), 0)
    player.give(10, up())
    player.give(20, down())
    assert player.engine.sounding == ()
    player.give(30, up())
    player.give(40, down())
    assert [note % 12 for _, _, note in player.engine.sounding] == [0, 4, 7]


def test_a_plan_makes_engines_that_behave_alike_and_share_nothing():
    common = plan(part(rule("sequence", degrees=[1, 2, 3]), rule("arpeggio")))
    one, two = VirtualTime(common), VirtualTime(common)
    for now in range(4):
        one.give(now * 1000, down())
        one.give(now * 1000 + 1, up())
    for now in range(4):
        two.give(now * 1000, down())
        two.give(now * 1000 + 1, up())
    assert one.played == two.played
    assert one.log.lines == two.log.lines


def test_memory_keeps_what_it_is_told():
    log: Callable = Observed()
    log(1, "mark", {"text": "x"})
    log(2, "stop", {})
    assert log.named("stop") == [(2, "stop", {})]


# --- what rules do that no timeline shows -------------------------------------------------------------------------


def test_a_control_that_is_woken_for_a_level_that_came_back_sends_nothing():
    player = VirtualTime(plan(part(rule("control", controller=2, every="50 ms"))))
    for now, value in ((0, 60), (10, 61), (20, 60)):
        player.give(now * MILLISECOND, MidiSample("keys", (0xB0, 1, value)))
    player.go_on(NANOSECONDS)
    assert heard(player) == [(0xB0, 2, 60)]


def test_a_wake_up_out_of_turn_does_no_harm():
    """A rule may be woken by a deadline that no longer matters; the contract asks that it does no harm."""
    engine = Engine(plan(part(rule("note"), rule("arpeggio"))))
    arpeggio = engine._parts[0].steps[1].rule
    assert list(arpeggio.wake(0, "step")) == []
    assert list(arpeggio.wake(0, "gate")) == []


def test_an_end_that_an_arpeggio_does_not_know_passes():
    engine = Engine(plan(part(rule("note"), rule("arpeggio"))))
    arpeggio = engine._parts[0].steps[1].rule
    assert list(arpeggio.note_off(NoteOff(99), 0)) == [NoteOff(99)]


def test_the_base_rule_passes_everything_on():
    """Each event a rule does not write a method for goes through as it came."""
    bare = Raises({}, None)
    for method, event in (
        ("press", Press("pad", 1)),
        ("release", Release("pad", 1)),
        ("level", Level("pad", 0.5)),
        ("note_on", NoteOn(1, 60)),
        ("note_off", NoteOff(1)),
        ("control", Control(1, 2)),
    ):
        assert list(getattr(bare, method)(event, 0)) == [event]
    assert list(bare.wake(0, None)) == []
    assert list(bare.let_go(0)) == []


def test_more_that_waits_for_one_moment_than_a_rule_may_give_at_once_comes_at_once_afterwards():
    """In the order in which it was put in: a flood of what others play, waiting for one beat,
    is no fault of the rule.
    """
    timers = Timers()
    later = Later(Alarm(timers, 0))
    events = [NoteOn(voice, 60 + voice % 12) for voice in range(MOST + 500)]
    for event in events:
        later.put(7, event)
    assert timers.next() == 7
    assert later.due(7) == events[:MOST]
    assert timers.next() == 7
    assert later.due(7) == events[MOST:]
    assert later.due(7) == []
