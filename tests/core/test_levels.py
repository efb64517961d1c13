"""How loud a seat is: what is sent, that it holds, and that it is heard."""

from __future__ import annotations

import io
import itertools
import math
import wave
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import Engine, PartPlan, Plan
from router.core.events import Control, Message, NoteOn, Route, SwitchSample
from router.core.ledger import Ledger, Limits
from router.core.music import Music
from router.core.rules import RULES
from router.core.timers import Timers
from router.core.units import NANOSECONDS
from router.devices.descriptions import Instrument
from router.devices.outputs.instrument import RATE, SoundFile
from router.testing import MILLISECOND, Observed, plan_rule
from tests.shared.sine_bank import write_sine_bank

HERE, THERE = Route("out", 1), Route("box", 3)


def plan(*rules: tuple[str, dict], volume: int = 90) -> Plan:
    made = tuple(plan_rule(RULES[name], written) for name, written in rules or (("note", {"degree": 1}),))
    parts = (
        PartPlan("tune", ("pad",), made, HERE, 12),
        PartPlan("again", ("pad",), made, HERE, 12),
        PartPlan("bass", ("foot",), made, THERE),
    )
    inputs = {
        "pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm),
        "foot": lambda voice, alarm: SwitchConditioner("foot", SwitchSettings(), voice, alarm),
    }
    return Plan(Music(), Limits(volume=volume), inputs, parts)


def volumes(messages: list[Message]) -> list[tuple[str, int, int]]:
    """Output, channel, value of controller 7 (MIDI 1.0 Detailed Specification, table 3: channel volume)."""
    return [
        (m.output, (m.data[0] & 0x0F) + 1, m.data[2]) for m in messages if m.data[0] & 0xF0 == 0xB0 and m.data[1] == 7
    ]


def test_a_level_is_the_volume_of_every_channel_as_a_share_of_the_limit():
    engine = Engine(plan(volume=100))
    engine.start(0)
    assert volumes(engine.set_level(0.5, 1)) == [("out", 1, 50), ("box", 3, 50)]
    assert volumes(engine.set_level(0.004, 2)) == [("out", 1, 1), ("box", 3, 1)], "above nothing is not nothing"
    assert volumes(engine.set_level(0, 3)) == [("out", 1, 0), ("box", 3, 0)]
    assert engine.set_level(0, 4) == []
    assert volumes(engine.set_level(1, 5)) == [("out", 1, 100), ("box", 3, 100)]


@pytest.mark.parametrize(("asked", "value"), [(-1.0, 0), (7.0, 90), (1e-9, 1)])
def test_a_level_outside_its_range_is_the_nearest_inside(asked, value):
    engine = Engine(plan())
    engine.set_level(0.5, 0)
    assert {got for _, _, got in volumes(engine.set_level(asked, 1))} == {value}


def test_at_full_level_from_the_start_nothing_is_sent():
    engine = Engine(plan())
    assert engine.set_level(1.0, 0) == []
    sent = engine.start(1) + engine.programs() + engine.handle(SwitchSample("pad", True), 2) + engine.stop(3)
    assert volumes(sent) == []


def test_an_output_that_comes_back_is_told_its_volume_once_the_level_was_another():
    engine = Engine(plan())
    engine.start(0)
    assert volumes(engine.programs()) == []
    engine.set_level(0.5, 1)
    assert volumes(engine.programs()) == [("out", 1, 45), ("box", 3, 45)]
    engine.set_level(1, 2)
    assert volumes(engine.programs()) == [("out", 1, 90), ("box", 3, 90)]


def test_a_level_set_before_the_start_and_kept_over_a_stop_is_told_at_the_start():
    engine = Engine(plan())
    engine.set_level(0.5, 0)
    assert volumes(engine.start(1)) == [("out", 1, 45), ("box", 3, 45)]
    stopped = engine.stop(2)
    assert volumes(stopped) == [("out", 1, 90), ("box", 3, 90)], "whoever plays there next is not too soft"
    for output, channel in (HERE, THERE):
        sent = [m.data[1] for m in stopped if m.output == output and m.data[0] == 0xB0 | channel - 1]
        assert sent[-2:] == [120, 7], "it is louder again when nothing can be heard"
    assert volumes(engine.start(3)) == [("out", 1, 45), ("box", 3, 45)]


def test_a_profiles_own_volume_is_scaled_and_comes_back():
    log = Observed()
    book = Ledger(Limits(volume=80), Timers(), log)
    book.use(HERE)
    assert book.change("p", HERE, Control(7, 127), 0)[0].data == (0xB0, 7, 80)
    assert book.change("p", HERE, Control(7, 60), 1)[0].data == (0xB0, 7, 60)
    assert [m.data for m in book.set_level(0.5, 2)] == [(0xB0, 7, 30)]
    assert book.change("p", HERE, Control(7, 40), 3)[0].data == (0xB0, 7, 20)
    assert book.change("p", HERE, Control(7, 1), 3)[0].data == (0xB0, 7, 1)
    assert book.change("p", HERE, Control(7, 0), 3)[0].data == (0xB0, 7, 0)
    assert book.change("p", HERE, Control(7, 40), 3)[0].data == (0xB0, 7, 20)
    assert book.change("p", HERE, Control(11, 40), 4)[0].data == (0xB0, 11, 40), "expression is the part's own"
    assert [m.data for m in book.set_level(1, 5)] == [(0xB0, 7, 40)]
    assert [fields for _, _, fields in log.named("level")] == [{"level": 0.5}, {"level": 1.0}]
    assert [fields["value"] for _, _, fields in log.named("control")][:4] == [80, 60, 20, 1], "what was sent is told"


def test_silent_is_not_over():
    """At level 0 notes begin and end as ever, and all of them have ended after the stop."""
    engine = Engine(plan())
    engine.start(0)
    engine.set_level(0, 1)
    on = [m.data[0] for m in engine.handle(SwitchSample("pad", True), 2)]
    assert on == [0x90, 0x80, 0x90]
    assert engine.sounding == (("out", 1, 60),)
    engine.handle(SwitchSample("pad", False), 100 * MILLISECOND)
    assert engine.sounding == ()


def test_the_notes_are_the_same_at_every_level():
    def notes(level: float) -> list[Message]:
        engine = Engine(plan(("note", {"degree": 1}), ("arpeggio", {"rate": "1/16"})))
        sent = engine.start(0) + engine.set_level(level, 1) + engine.handle(SwitchSample("pad", True), 2)
        for _ in range(20):
            sent += engine.wake(engine.next_deadline())
        sent += engine.stop(2 * NANOSECONDS)
        return [m for m in sent if m.data[0] & 0xF0 in (0x80, 0x90)]

    assert notes(0.5) == notes(1) == notes(0) != []


def test_on_a_channel_that_others_play_on_the_level_goes_into_the_notes():
    book = Ledger(Limits(velocity=80), Timers(), Observed())
    book.use(HERE)
    book.use(THERE)
    book.set_level(0.5, 0)
    assert [m.data for m in book.share_routes([HERE])] == [(0xB0, 7, 90)], "it is theirs too"
    assert [m.data for m in book.set_level(0.25, 1)] == [(0xB2, 7, 22)]
    assert book.note_on("p", HERE, NoteOn(1, 60, 127), 2)[0].data == (0x90, 60, 20)
    assert book.note_on("p", HERE, NoteOn(2, 61, 1), 3)[0].data == (0x90, 61, 1)
    assert book.note_on("p", THERE, NoteOn(3, 60, 127), 4)[0].data == (0x92, 60, 80)
    assert [m.data for m in book.share_routes([])] == [(0xB0, 7, 22)], "ours alone again"


def test_sharing_without_levels_says_nothing():
    engine = Engine(plan())
    engine.start(0)
    assert engine.share_routes([HERE], 1) == engine.share_routes([], 2) == []


def test_what_is_said_again_of_shared_channels_disturbs_nobody():
    """Another seat's swap tells everybody anew; what is due here comes in its own time."""
    engine = Engine(plan())
    engine.start(0)
    engine.handle(SwitchSample("pad", True), 1)
    due = engine.next_deadline()
    assert engine.share_routes([], due + 1) == []
    assert engine.next_deadline() == due


@given(st.lists(st.one_of(st.floats(0, 1), st.integers(0, 127)), max_size=30), st.integers(1, 127))
def test_no_volume_is_above_the_limit_whatever_level_and_profile_say(asked, limit):
    book = Ledger(Limits(volume=limit), Timers(), Observed())
    book.use(HERE)
    sent = []
    for now, ask in enumerate(asked):
        sent += book.set_level(ask, now) if isinstance(ask, float) else book.change("p", HERE, Control(7, ask), now)
    sent += book.volumes() + book.all_off(1000)
    assert all(value <= limit for _, _, value in volumes(sent))


# --- and it is heard ------------------------------------------------------------------------------------------------


def peak(device: Instrument, level: float) -> float:
    """The loudest that a note of a real synth gets at this level."""
    engine = Engine(replace(plan(volume=100), parts=plan().parts[:1]))
    file = io.BytesIO()
    sound = SoundFile(file)
    output = sound.output("out", device)
    for now, messages in (
        (0, engine.start(0) + engine.set_level(0.99, 0) + engine.set_level(level, 0)),
        (1, engine.handle(SwitchSample("pad", True), 1)),
        (NANOSECONDS, engine.stop(NANOSECONDS)),
    ):
        for message in messages:
            output.send(message.data, now)
    sound.close()
    with wave.open(io.BytesIO(file.getvalue())) as read:
        return float(np.abs(np.frombuffer(read.readframes(RATE // 2), dtype="<i2").astype(int)).max())


def test_half_a_level_is_a_quarter_as_loud(tmp_path):
    """40 log10 of the share, in decibels: General MIDI Level 2 (channel volume) and SoundFont 2.04 (default modulator
    of controller 7, concave, 96 dB), both from memory: half of it is -12 dB.
    """
    device = Instrument(str(write_sine_bank(tmp_path / "sine.sf2")))
    levels = [1.0, 0.8, 0.5, 0.25]
    peaks = [peak(device, level) for level in levels]
    for (louder, softer), (high, low) in zip(itertools.pairwise(peaks), itertools.pairwise(levels), strict=True):
        assert 20 * math.log10(softer / louder) == pytest.approx(40 * math.log10(low / high), abs=0.4)
    assert peak(device, 0) == 0
