"""Golden timelines: what comes in, and as MIDI text what goes out. Adding a case is adding a file in ``timelines/``.

A file is a head in YAML, a line ``---``, and the time line. The head says what is shown (``about``), which ``input``
the part listens to, its ``rules`` as in a profile, and if wanted ``music`` (key, scale, tempo), ``progression`` and
``limits``. These inputs are there in every case:

    pad, pad2   switches without debounce            down, up
    cheek       a pressure, at rest 0 Pa; above and below: on 100 Pa, off 60 Pa, full 1100 Pa, strength by peak at once
    head        a pointer, unsmoothed; one row of four zones, hysteresis 10 %, dwell 200 ms
    keys        a MIDI keyboard
    call        what another seat plays; a phrase is over after 1 s

A line of the time line begins with its time in milliseconds. Then comes either what happens:

    pad down | pad up | cheek 300 Pa | head 0.1 0.5 | keys note_on note=60 velocity=64 | pad lost | pad found
    wait                  nothing, only time goes by
    held up               the loop was held up: deadlines since the line before are served only now
    play in A minor       follow another key and scale
    my turn, not my turn  the turn comes or goes
    stop                  the engine stops

or ``>`` and a MIDI message that must go out then, exactly as mido writes it (``mido.Message.from_str`` reads it). What
is not written must not go out. ``python -m tests.core.test_timelines FILE…`` writes the messages that go out today into
files.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import mido
import pytest
import yaml

from router.core.conditioning.listen import ListenConditioner, ListenSettings
from router.core.conditioning.midi import MidiConditioner, MidiSettings
from router.core.conditioning.pointer import PointerConditioner, PointerSettings, ZoneGrid
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import Listens, PartPlan, Plan
from router.core.events import Found, Lost, MidiSample, PointerSample, PressureSample, Route, SwitchSample
from router.core.harmony import Progression
from router.core.ledger import Limits
from router.core.music import Music, length, pitch_class, scale_shape, time_signature, timed_chord
from router.core.rules import RULES
from router.core.units import beats_per_minute, time_ns
from router.testing import MILLISECOND, VirtualTime, plan_rule
from tests.shared.places import TIMELINES

FILES = sorted(TIMELINES.glob("*.txt"))

SIDE = Side(on=100, off=60, full=1100)
LEVELS = frozenset({"cheek.above", "cheek.below", "head.x", "head.y", "keys.cc1", "keys.cc2"})
INPUTS = {
    "pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm),
    "pad2": lambda voice, alarm: SwitchConditioner("pad2", SwitchSettings(), voice, alarm),
    "cheek": lambda voice, alarm: PressureConditioner(
        "cheek", PressureSettings(SIDE, SIDE, track=None, over=0, levels=LEVELS), voice, alarm
    ),
    "head": lambda voice, alarm: PointerConditioner(
        "head", PointerSettings(ZoneGrid(dwell=200 * MILLISECOND), min_cutoff=None, levels=LEVELS), voice, alarm
    ),
    "keys": lambda voice, alarm: MidiConditioner("keys", MidiSettings(levels=LEVELS), voice, alarm),
    "call": lambda voice, alarm: ListenConditioner("call", ListenSettings(1000 * MILLISECOND), voice, alarm),
}


def music(head: dict) -> Music:
    return Music(
        pitch_class(head.get("key", "C")),
        scale_shape(head.get("scale", "major pentatonic")),
        beats_per_minute(head.get("tempo", "90 bpm")),
        time_signature(head.get("time_signature", "4/4")),
    )


def plan(head: dict) -> Plan:
    limits = dict(head.get("limits", {}))
    if "note_length" in limits:
        limits["note_length"] = time_ns(limits["note_length"])
    sources = head["input"] if isinstance(head["input"], list) else [head["input"]]
    rules = tuple(plan_rule(RULES[name], written) for entry in head["rules"] for name, written in entry.items())
    part = PartPlan("tune", tuple(sources), rules, Route("out", head.get("channel", 1)), head.get("program"))
    return Plan(
        music(head.get("music", {})),
        Limits(**limits),
        INPUTS,
        (part,),
        progression(head.get("progression", {})),
        listens={"call": Listens("window")},
    )


def progression(head: dict) -> Progression:
    every = {"every": length(head["every"])} if "every" in head else {}
    timed = [timed_chord(str(chord)) for chord in head.get("chords", ())]
    lasts = tuple(chord.lasts for chord in timed if chord.lasts)
    return Progression(**{**head, **every, "chords": tuple(chord.chord for chord in timed), "lasts": lasts})


def sample(words: list[str]):
    name, *rest = words
    match rest:
        case ["down" | "up" as contact]:
            return SwitchSample(name, contact == "down")
        case ["lost"]:
            return Lost(name)
        case ["found"]:
            return Found(name)
        case [number, "Pa"]:
            return PressureSample(name, float(number))
        case _ if name == "head":
            return PointerSample(name, *map(float, rest))
        case _:
            return MidiSample(name, tuple(mido.Message.from_str(" ".join(rest)).bytes()))


def play(head: dict, lines: list[str]) -> list[str]:
    """The time line again, with the messages that go out."""
    player = VirtualTime(plan(head))
    current, told, out = music(head.get("music", {})), 0, []

    def tell() -> None:
        nonlocal told
        for when, message in player.played[told:]:
            text = str(mido.Message.from_bytes(message.data)).removesuffix(" time=0")
            assert mido.Message.from_str(text).bytes() == list(message.data)
            out.append(f"{when / MILLISECOND:<9g} > {text}")
        told = len(player.played)

    tell()
    for line in lines:
        written, *words = line.split()
        now = time_ns(f"{written} ms")
        if words[0] != "held":
            player.go_on(now)
        tell()
        out.append(f"{written:<9} {' '.join(words)}")
        match words:
            case ["wait"]:
                pass
            case ["held", "up"]:
                player.wake_late(now)
            case ["my", "turn"] | ["not", "my", "turn"]:
                player.engine.turn(words == ["my", "turn"], now)
            case ["stop"]:
                player.stop()
            case ["play", "in", key, *scale]:
                current = replace(current, tonic=pitch_class(key), scale=scale_shape(" ".join(scale)))
                player.follow(current, now)
            case ["play", "at", tempo, "bpm", *shift]:  # the first bar began so many milliseconds after the start
                origin = time_ns(f"{shift[0]} ms") if shift else current.origin
                current = replace(current, tempo=beats_per_minute(f"{tempo} bpm"), origin=origin)
                player.follow(current, now)
            case _:
                player.give(now, sample(words))
        tell()
    return out


def halves(path: Path) -> tuple[str, list[str]]:
    head, _, body = path.read_text(encoding="utf-8").partition("\n---\n")
    return head, [line for line in body.splitlines() if line.strip()]


def causes(body: list[str]) -> list[str]:
    return [line for line in body if line.split()[1] != ">"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_timeline(path):
    head, body = halves(path)
    played = play(yaml.safe_load(head), causes(body))
    assert [line.split() for line in played] == [line.split() for line in body]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_note_of_a_timeline_ends(path):
    """Each file plays to the end of its notes: as many note-offs as note-ons, by note, and never one too many."""
    on: dict[tuple[int, int], int] = {}
    for line in halves(path)[1]:
        _, mark, *text = line.split()
        if mark == ">":
            message = mido.Message.from_str(" ".join(text))
            if message.type in ("note_on", "note_off"):
                key = (message.channel, message.note)
                on[key] = on.get(key, 0) + (1 if message.type == "note_on" else -1)
                assert on[key] in (0, 1), line
    assert not any(on.values())


def test_every_rule_has_a_timeline():
    named = {name for path in FILES for entry in yaml.safe_load(halves(path)[0])["rules"] for name in entry}
    assert named == set(RULES)


if __name__ == "__main__":
    for name in sys.argv[1:]:
        golden = Path(name)
        head_text, body_lines = halves(golden)
        written_body = "\n".join(play(yaml.safe_load(head_text), causes(body_lines)))
        golden.write_text(f"{head_text}\n---\n{written_body}\n", encoding="utf-8")
