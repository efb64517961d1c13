"""Random chains of random rules with random settings, played by random hands: nothing is left on, whatever a profile
says.

    python -m tests.random_chains --examples 5000

A chain is drawn as the check of profiles allows it (each rule gets something that it takes), its settings from the
rules' own schemas, the limits, the music and a progression of chords beside it. A session presses, releases, breathes,
points and plays keys, serves deadlines on time and late, loses inputs and stops. Throughout:

  * the messages alone say what is on: a note-off for a silent note, or a note-on for one that sounds, is a failure;
  * no limit is exceeded: velocity, volume, notes at once, notes in any second, the length of a note;
  * no rule fails, and nothing raises;
  * when everybody has let go, everything ends unless a rule sustains on purpose; after the stop nothing is on, nobody
    waits.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import deque
from typing import Any

import jsonschema
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from router.core.conditioning.midi import MidiConditioner, MidiSettings
from router.core.conditioning.pointer import PointerConditioner, PointerSettings, ZoneGrid
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.contract import Kind, Rule
from router.core.engine import Engine, PartPlan, Plan, RulePlan
from router.core.events import (
    Found,
    Lost,
    MidiSample,
    PointerSample,
    PressureSample,
    Route,
    Sample,
    SwitchSample,
)
from router.core.harmony import Progression
from router.core.ledger import Limits
from router.core.music import SCALES, Music, chord_symbol, length, time_signature
from router.core.rules import RULES
from router.core.units import NANOSECONDS, beats_per_minute
from router.files.quantities import KINDS
from router.songs.example import EXAMPLE
from router.testing import MILLISECOND, Observed, plan_rule

LEVELS = frozenset({"cheek.above", "head.x", "keys.cc1"})
SIDE = Side(on=100, off=60, full=1100)
INPUTS = {
    "pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm),
    "pad2": lambda voice, alarm: SwitchConditioner("pad2", SwitchSettings(), voice, alarm),
    "cheek": lambda voice, alarm: PressureConditioner(
        "cheek", PressureSettings(SIDE, SIDE, track=None, levels=LEVELS), voice, alarm
    ),
    "head": lambda voice, alarm: PointerConditioner(
        "head", PointerSettings(ZoneGrid(2, 2, 0.1, 100 * MILLISECOND), None, 0.0, LEVELS), voice, alarm
    ),
    "keys": lambda voice, alarm: MidiConditioner("keys", MidiSettings(levels=LEVELS), voice, alarm),
}
PRESSES = Kind.GESTURES | Kind.ZONES
SOURCES: dict[tuple[str, ...], Kind] = {
    ("pad", "pad2"): Kind.GESTURES,
    ("cheek.above",): Kind.GESTURES | Kind.LEVELS,
    ("head", "head.x"): PRESSES | Kind.LEVELS,
    ("keys", "keys.cc1"): Kind.GESTURES | Kind.LEVELS,
}
"""What a part may listen to, and what flows from there."""

TEXTS: dict[str, list[str]] = {
    "time": ["0 ms", "1 ms", "30 ms", "250 ms", "2 s"],
    "percent": ["0 %", "10 %", "50 %", "67 %", "100 %"],
    "length": ["1/4", "1/32", "1/8 triplet", "1 bar", "10 ms", "300 ms"],
    "rate": ["1/4", "1/64", "1/8 dotted", "0.1 Hz", "4 Hz", "50 Hz"],
    "pitch": ["C-1", "C4", "F#3", "G9"],
    "controller": ["volume", "expression", "sustain", "modulation", "breath", "0", "119"],
    "chord": ["C", "Am7", "F#m7b5", "B7#9", "C/E", "1", "12"],
    "drum": ["bass drum 1", "81"],
    "program": ["0", "marimba", "127"],
    "tempo": ["20 bpm", "400 bpm"],
    "swing ratio": ["1:1", "3:2", "2:1", "3:1"],
    "note value": ["1/4", "1/64", "1/8 triplet", "1/2 dotted"],
    "strokes": ["x", "-X-x", "X--g x", "---- ---- x---"],
    "drum strokes": ["bass drum 1 X---", "81 -x", "open triangle xxxxxxxxxxX"],
}
"""Quantities as a profile may write them, the ends of their ranges among them."""


NAMES: dict[str, list[str]] = {
    "play": [EXAMPLE.name],
    "part": ["melody", "others", "Bass"],
    "waits_for": ["part 1", "part 2"],
    "restart_by": ["pad2", "cheek.above"],
}
"""Names that mean something, by setting."""


def value(schema: dict[str, Any], name: str = "") -> st.SearchStrategy:
    """A setting as its own schema allows it."""
    if "quantity" in schema:
        read = KINDS[schema["quantity"]].read
        low, high = (read(schema[end]) if end in schema else None for end in ("least", "most"))
        fits = [
            t
            for t in TEXTS[schema["quantity"]]
            if (low is None or read(t) >= low) and (high is None or read(t) <= high)
        ]
        return st.sampled_from(fits or [schema["default"]])
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    match schema["type"]:
        case "integer":
            low, high = schema["minimum"], schema["maximum"]
            return st.one_of(st.integers(low, high), st.sampled_from([low, high]))
        case "boolean":
            return st.booleans()
        case "array":
            return st.lists(value(schema["items"]), min_size=1, max_size=min(schema.get("maxItems", 4), 4))
        case _:
            return st.sampled_from(NAMES.get(name, ["one", "two"]))


@st.composite
def written(draw: Any, rule: type[Rule]) -> dict[str, Any]:
    """Settings of a rule, valid by its schema: of those that exclude one another one, of the others any."""
    schema = rule.settings
    either = [group["required"][0] for group in schema.get("oneOf", ())]
    chosen = {draw(st.sampled_from(either))} if either else set()
    chosen |= set(schema.get("required", ()))
    chosen |= {name for name in schema["properties"] if name not in either and draw(st.booleans())}
    if "not" in schema and set(schema["not"]["required"]) <= chosen:
        chosen.discard(draw(st.sampled_from(schema["not"]["required"])))
    some = [group["required"][0] for group in schema.get("anyOf", ())]
    if some and not chosen.intersection(some):
        chosen.add(draw(st.sampled_from([name for name in some if name not in schema["not"]["required"]])))
    found = {name: draw(value(schema["properties"][name], name)) for name in sorted(chosen)}
    if not jsonschema.Draft202012Validator(dict(schema)).is_valid(found):  # one setting asks for another
        found = {
            **found,
            **{name: draw(value(schema["properties"][name])) for name in ("when", "time") if name not in found},
        }
    jsonschema.Draft202012Validator(dict(schema)).validate(found)
    return found


@st.composite
def parts(draw: Any, number: int) -> tuple[PartPlan, bool]:
    """A part whose chain can work, and whether one of its rules sustains."""
    sources, flow = draw(st.sampled_from(list(SOURCES.items())))
    steps: list[RulePlan] = []
    sustains = False
    for _ in range(draw(st.integers(1, 7))):
        rule = draw(st.sampled_from([rule for rule in RULES.values() if rule.takes & flow]))
        steps.append(plan_rule(rule, draw(written(rule)), rule.name))
        sustains |= rule.sustains
        if rule.gives:
            flow = (flow & ~(rule.takes | PRESSES if rule.takes & PRESSES else rule.takes)) | rule.gives
    if not flow & (Kind.NOTES | Kind.CONTROLS):
        steps.append(plan_rule(RULES["note"]))
    route = Route("out", draw(st.sampled_from([1, 1, 2])))
    return PartPlan(f"part {number}", sources, tuple(steps), route), sustains


WIDE = Limits(velocity=127, volume=100, notes_at_once=1000, note_length=3600 * NANOSECONDS, notes_per_second=100_000)
LIMITS = st.one_of(
    st.just(WIDE),
    st.just(Limits()),
    st.builds(
        Limits,
        velocity=st.sampled_from([1, 50]),
        volume=st.sampled_from([1, 90]),
        notes_at_once=st.integers(1, 5),
        note_length=st.sampled_from([50 * MILLISECOND, NANOSECONDS]),
        notes_per_second=st.integers(1, 12),
    ),
)
MUSIC = st.builds(
    Music,
    st.integers(0, 11),
    st.sampled_from([SCALES["major"], SCALES["minor pentatonic"], SCALES["chromatic"]]),
    st.sampled_from([beats_per_minute("90 bpm"), beats_per_minute("400 bpm"), beats_per_minute("20 bpm")]),
    st.sampled_from([time_signature(text) for text in ("1/4", "3/4", "4/4", "5/4", "6/8", "7/8", "2/2")]),
)
CHORDS = st.lists(st.sampled_from([chord_symbol(text) for text in TEXTS["chord"]]), min_size=1, max_size=3).map(tuple)
PROGRESSIONS = st.one_of(
    st.just(Progression()),
    st.builds(Progression, CHORDS, every=st.sampled_from([length("1 bar"), length("1/8"), length("100 ms")])),
    st.builds(Progression, CHORDS, advance=st.just("pad")),
    st.just(Progression(follow="keys")),
)
RARE = st.one_of(
    st.builds(Lost, st.sampled_from(sorted(INPUTS))), st.builds(Found, st.just("pad")), MUSIC, st.just("stop")
)
HAPPENS = st.tuples(
    st.sampled_from([0, 1, 20, 130, 130, 400, 1700]),  # milliseconds later
    st.sampled_from(["on time", "on time", "on time", "late"]),
    st.sampled_from(["press", "press", "release", "level", "rare"]),
    st.integers(0, 3),  # which part's input, and which of its keys or zones
)


def movement(what: str, which: int, source: str) -> Sample:
    """A sample of the input that a part listens to."""
    match source.partition(".")[0], what:
        case ("cheek", "press" | "level"):
            return PressureSample("cheek", (300.0, 900.0, 2000.0, -300.0)[which])
        case ("cheek", _):
            return PressureSample("cheek", 0.0)
        case ("head", _):
            return PointerSample("head", (0.1, 0.9)[which % 2], (0.1, 0.9)[which // 2])
        case ("keys", "level"):
            return MidiSample("keys", (0xB0, 1, 40 * which))
        case ("keys", _):
            return MidiSample("keys", (0x90 if what == "press" else 0x80, 57 + 3 * which, 1 + 40 * which))
        case _:
            return SwitchSample(("pad", "pad2")[which // 2], pressed=what != "release")


REST = 80 * NANOSECONDS
"""So long after the last effort everything that neither sustains nor echoes has ended."""


def rest(plan: Plan, rare: Any) -> int:
    """So long after the last effort everything that does not sustain has ended.

    That is eight echoes a bar apart, each echoed again, and a song in the slowest tempo.
    """
    echoes = max(sum(rule.name == "echo" for rule in part.rules) for part in plan.parts)
    bar = max(music.lasts(length("1 bar")) for music in (plan.music, rare) if isinstance(music, Music))
    songs = any(rule.name in ("song", "choice") for part in plan.parts for rule in part.rules)
    return REST + math.ceil(echoes * 9 * bar) + songs * math.ceil(EXAMPLE.end * 3 * NANOSECONDS)


class Heard:
    """An engine at work, and what its messages say is on."""

    def __init__(self, plan: Plan) -> None:
        self.limits = plan.limits
        self.log = Observed()
        self.engine = Engine(plan, self.log)
        self.now = 1
        self.on: dict[tuple[int, int], int] = {}
        self.struck: deque[int] = deque()
        self.hear(self.engine.start(self.now))

    def hear(self, messages: Any, early: int = 0) -> None:
        """``early``: so much earlier, in nanoseconds, a note may have been struck than it was given."""
        for _, data in messages:
            kind, channel = data[0] & 0xF0, data[0] & 0x0F
            assert all(0 <= byte <= 127 for byte in data[1:])
            if kind == 0x90:
                assert (channel, data[1]) not in self.on, "a note-on for a note that is on"
                assert 1 <= data[2] <= self.limits.velocity
                self.on[channel, data[1]] = self.now
                self.struck.append(self.now - early)
                assert len(self.on) <= self.limits.notes_at_once
            elif kind == 0x80:
                assert (channel, data[1]) in self.on, "a note-off for a note that is not on"
                del self.on[channel, data[1]]
            elif kind == 0xB0:
                assert data[1] < 120 or data[2] == 0
                assert data[1] not in (7, 11) or data[2] <= self.limits.volume
        while self.struck and self.struck[0] <= self.now - NANOSECONDS:
            self.struck.popleft()
        assert len(self.struck) <= self.limits.notes_per_second
        assert all(self.now - since < self.limits.note_length for since in self.on.values()), "a note is too long"

    def go_on(self, until: int) -> None:
        for _ in range(100_000):
            deadline = self.engine.next_deadline()
            if deadline is None or deadline > until:
                break
            self.now = max(self.now, deadline)
            self.hear(self.engine.wake(self.now))
        self.now = until

    def stop(self) -> None:
        self.hear(self.engine.stop(self.now))
        assert not self.on, "something is left on after a stop"
        assert self.engine.next_deadline() is None, "somebody still waits after a stop"

    def let_go(self) -> None:
        for name in ("pad", "pad2"):
            self.hear(self.engine.handle(SwitchSample(name, pressed=False), self.now))
        self.hear(self.engine.handle(PressureSample("cheek", 0.0), self.now))
        self.hear(self.engine.handle(MidiSample("keys", (0xB0, 123, 0)), self.now))
        self.hear(self.engine.handle(MidiSample("keys", (0xB0, 1, 0)), self.now))
        self.hear(self.engine.handle(Lost("head"), self.now))


def session(plan: Plan, sustains: bool, happens: Any, rare: Any) -> None:
    """One session: every effort comes to the input of one of the parts."""
    heard = Heard(plan)
    heard.hear(heard.engine.handle(PressureSample("cheek", 0.0), heard.now))
    heard.go_on(heard.now + NANOSECONDS)  # a pressure input has found its rest
    for later, how, what, which in happens:
        until = heard.now + later * MILLISECOND
        if how == "on time":
            heard.go_on(until)
        heard.now = until
        if what != "rare":
            source = plan.parts[which % 2].sources[0]
            heard.hear(heard.engine.handle(movement(what, which, source), heard.now))
        elif isinstance(rare, Music):
            heard.hear(heard.engine.follow(rare, heard.now), early=1)  # what was due before comes in the old music
        elif rare == "stop":
            heard.hear(heard.engine.wake(heard.now))
            heard.stop()
        else:
            heard.hear(heard.engine.handle(rare, heard.now))
    heard.hear(heard.engine.wake(heard.now))
    heard.let_go()
    heard.go_on(heard.now + (REST if sustains else rest(plan, rare)))
    assert sustains or not heard.on, "everybody has let go and something goes on"
    heard.stop()
    faults = heard.log.named("fault")
    assert not faults, faults
    SOUNDED.append(len(heard.log.named("note_on")))


SOUNDED: list[int] = []
"""How many notes each session had, for whoever asks whether it played at all."""


def run(examples: int, *, shrink: bool = True) -> None:
    """Plays so many sessions; the first that fails is raised, made as short as it can be if ``shrink``."""

    def one(music: Any, limits: Any, progression: Any, made: Any, **hands: Any) -> None:
        parts, sustains = zip(*made, strict=True)
        session(Plan(music, limits, INPUTS, parts, progression), any(sustains), **hands)

    drawn = given(
        music=MUSIC,
        limits=LIMITS,
        progression=PROGRESSIONS,
        made=st.tuples(parts(1), parts(2)),
        happens=st.lists(HAPPENS, min_size=20, max_size=40),
        rare=RARE,
    )
    chosen = settings(
        max_examples=examples,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.generate, Phase.shrink) if shrink else (Phase.generate,),
    )
    chosen(drawn(one))()


def main() -> None:
    parser = argparse.ArgumentParser(description="Play random chains of rules and see that nothing is left on.")
    parser.add_argument("--examples", type=int, default=1000, help="how many sessions (default 1000)")
    wanted = parser.parse_args().examples
    began = time.monotonic()
    for done in range(0, wanted, 500):
        run(min(500, wanted - done))
        sys.stderr.write(
            f"{min(done + 500, wanted)} sessions, {sum(SOUNDED)} notes, {time.monotonic() - began:.0f} s, no failure\n"
        )


if __name__ == "__main__":
    main()
