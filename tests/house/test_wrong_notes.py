"""No shipped profile, example or demo plays a wrong note: what sounds is in its scale, and what sounds together is one
harmony.

Scales and chords are music21's, from the words in the file; nothing here asks the router's own tables.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import replace

import pytest
import yaml
from music21 import chord, harmony, key, scale

from router.cli import demo, piece
from router.cli.simulated import simulated
from router.core.units import NANOSECONDS
from router.files.profile import find, load, shipped
from router.offline import simulate
from tests.shared.places import ROOT
from tests.shared.played_together import BEFORE, Played
from tests.shared.shipped import PROFILES, movements, play

ROUNDS = 5
"""How often each movement is made: more often than the longest row of chords is long."""
EXAMPLES = [*PROFILES, *sorted((shipped() / "together").glob("*.yaml"))]

SCALES = {"major": scale.MajorScale, "minor": scale.MinorScale, "dorian": scale.DorianScale}
LEFT_OUT = {"major": (4, 7), "minor": (2, 6)}
"""The degrees that a pentatonic scale has not of the scale of its name."""


def notes_of(tonic: str, name: str) -> set[int]:
    """The pitch classes of a scale, with the raised leading tone that a minor key has over its dominant."""
    five = name.removesuffix(" pentatonic")
    made = SCALES[five](tonic.replace("b", "-"))
    left_out = LEFT_OUT[five] if five != name else ()
    degrees = {made.pitchFromDegree(degree).pitchClass for degree in range(1, 8) if degree not in left_out}
    return degrees | ({(made.tonic.pitchClass - 1) % 12} if name == "minor" else set())


def played(profile) -> list[tuple[str, dict]]:
    once = movements(profile)
    told, engine, end = play(profile, [(n * once[-1][0] + t, sample) for n in range(ROUNDS) for t, sample in once])
    engine.stop(end * ROUNDS)
    return sounded(profile, told)


def sounded(profile, told: list[tuple[str, dict]]) -> list[tuple[str, dict]]:
    """The notes of all that was told, without the drums."""
    drums = {part.name for part in profile.plan.parts if part.route.channel == 10}
    return [(event, f) for event, f in told if event in ("note_on", "note_off") and f["part"] not in drums]


def pitches_of_song(part) -> set[int]:
    """The pitches that the song of a part has; none if it plays no song."""
    rules = [rule.make.args[0] for rule in part.rules if rule.name == "song"]
    return {note.pitch for settings in rules for of_song in settings["play"].parts for note in of_song.notes}


def wrong(profile, music: dict, notes: list[tuple[str, dict]] | None = None) -> list[str]:
    """What is heard that the profile's own key, scale and chords do not hold; ``notes``:
    else what each movement plays.
    """
    found, sounding = [], set()
    tonic, name = music.get("key", "C"), music.get("scale", "major")
    chords = {part.name for part in profile.plan.parts if any(rule.name == "chord" for rule in part.rules)}
    written = {part.name: of_song for part in profile.plan.parts if (of_song := pitches_of_song(part))}
    tunes, whole = notes_of(tonic, name), notes_of(tonic, name.removesuffix(" pentatonic"))
    for event, fields in played(profile) if notes is None else notes:
        voice = (fields["part"], fields["note"])
        if event == "note_off":
            sounding.discard(voice)
            continue
        if fields["part"] in written:  # as the song is written, with its passing notes
            if fields["note"] not in written[fields["part"]]:
                found.append(f"{voice} is not in the song")
            continue
        sounding.add(voice)
        if fields["note"] % 12 not in (whole if fields["part"] in chords else tunes):  # a chord is of all seven
            found.append(f"{voice} is not in {music}")
        together = chord.Chord(sorted({note for _, note in sounding}))
        parts = {part for part, _ in sounding}
        if len(parts) > 1 and together.pitchClassCardinality > 2 and not (together.isTriad() or together.isSeventh()):
            found.append(f"{sorted(sounding)} is {together.pitchedCommonName}")
    return found


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: f"{path.parent.name} {path.stem}")
def test_no_profile_that_ships_plays_a_wrong_note(path):
    assert wrong(load(path), yaml.safe_load(path.read_text(encoding="utf-8")).get("music", {})) == []


def examples(page: str) -> list[str]:
    """The whole profiles that stand on a page; that of the tutorial's own rule is played by ``test_tutorial.py``."""
    blocks = re.findall(
        r"^```yaml[^\n]*\n(.*?)^```", (ROOT / page).read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE
    )
    return [block for block in blocks if "child:" in block and "parts:" in block and "- shadow:" not in block]


PAGES = ["README.md", "RULES.md", "profiles/README.md", "schemas/README.md"]


@pytest.mark.parametrize("text", [text for page in PAGES for text in examples(page)])
def test_no_example_on_a_page_plays_a_wrong_note(text, tmp_path):
    written = yaml.safe_load(text)
    whole = {"profile": 1, "outputs": {"synth": {"midi": "*"}}, **written}
    path = tmp_path / f"{written['child']}.yaml"
    path.write_text(yaml.safe_dump(whole, sort_keys=False), encoding="utf-8")
    assert wrong(load(path), whole.get("music", {})) == []


def test_a_profile_in_two_harmonies_at_once_is_found(tmp_path):
    """The band as it once was: bass and melody stayed on the tonic while the strings went on."""
    text = (shipped() / "nuthatch.yaml").read_text(encoding="utf-8")
    path = tmp_path / "nuthatch.yaml"
    path.write_text(
        re.sub(r"sequence: \{degrees: \[1, 4, 5, 1\], octave: ([24])\}", r"note: {degree: 1, octave: \1}", text)
    )
    said = wrong(load(path), {"key": "A", "scale": "minor"})
    assert any("A-minor-major ninth" in line for line in said)


def test_a_note_beside_the_scale_is_found(tmp_path):
    path = tmp_path / "pipit.yaml"
    text = (shipped() / "pipit.yaml").read_text(encoding="utf-8")
    path.write_text(text)
    assert wrong(load(path), {"key": "F#", "scale": "major"}) != []


# --- the demos ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("child", [act.child for act in demo.ACTS])
def test_no_child_of_the_demo_plays_a_wrong_note(child):
    path = find(child)
    profile = load(path)
    samples = simulate.together(*(simulated(profile, name, 60 * NANOSECONDS) for name in profile.plan.inputs))
    told, engine, end = play(profile, list(samples))
    engine.stop(end)
    notes = sounded(profile, told)
    assert len(notes) > 50
    assert wrong(profile, yaml.safe_load(path.read_text(encoding="utf-8"))["music"], notes) == []


LENGTHS = (9, 16, 31, 60, 150)
"""Seconds: without a held chord, with one, with the other key, as it is shown, and round and round."""
STRUCK_AHEAD = 3 * BEFORE
"""Hands and pedal are so far from a bar at most, and a chord is known so soon after them."""


def keys_of(this: piece.Piece) -> list[key.Key]:
    """The key of each bar: D major, and G major from its first chord on that has a C (the G before it is of both)."""
    classes = [set(harmony.ChordSymbol(symbol).pitchClasses) for symbol in this.bars]
    turn = next((i for i, each in enumerate(classes) if 0 in each), len(classes))
    home = "G" if this.bars[-1] == "G" else "D"
    return [key.Key("D" if i < turn or home == "D" else "G") for i in range(len(classes))]


def in_bars(this: piece.Piece, start: int, end: int) -> set[int]:
    """The bars in which a note is meant to sound: what reaches a little into a bar is of the one beside it."""
    first = (start + STRUCK_AHEAD) // piece.BAR
    last = (end - STRUCK_AHEAD) // piece.BAR
    return {min(max(i, 0), len(this.bars) - 1) for i in range(first, max(first, last) + 1)}


def of_keyboard(this: piece.Piece) -> list[tuple[int, int, int]]:
    """What the specialist's hands strike and let go: begin, end, pitch."""
    found: list[tuple[int, int, int]] = []
    held: dict[int, list[int]] = defaultdict(list)  # a key that repeats is struck again just before it is let go
    for now, sample in piece.keyboard("keys", this):
        kind, pitch, *_ = sample.data
        if kind & 0xF0 == 0x90 and sample.data[2]:
            held[pitch].append(now)
        elif kind & 0xF0 in (0x80, 0x90):
            found.append((held[pitch].pop(0), now, pitch))
    assert not any(held.values())
    return found


def wrong_together(this: piece.Piece, notes: dict[tuple[str, str], list]) -> list[str]:
    """What is heard in the piece that its own chords, or its own keys, do not hold, by music21's chords and scales."""
    chords = [set(harmony.ChordSymbol(symbol).pitchClasses) for symbol in this.bars]
    scales = [{pitch.pitchClass for pitch in each.pitches} for each in keys_of(this)]
    run = None if this.held is None else this.held + 1
    children = [*chords]
    if run is not None:
        children[run] = chords[run - 1]  # they stay in it
    found = [f"bar {i + 1} is of no key" for i, each in enumerate(chords) if i != run and not each <= scales[i]]
    free = {i: each if i == run else chords[i] for i, each in enumerate(scales)}  # a run goes by the scale
    holds = {"keyboard": free, "pipit": dict(enumerate(scales))}
    for (name, part), sounding in notes.items():
        held = holds.get(name, dict(enumerate(children)))
        for start, end, pitch, *_ in sounding:
            found += [
                f"{name}'s {part} plays {pitch} in bar {i + 1}, {this.bars[i]}"
                for i in sorted(in_bars(this, start, end))
                if pitch % 12 not in held[i]
            ]
    return found


@pytest.fixture(scope="module", params=LENGTHS)
def together(request) -> Played:
    return Played(request.param)


def test_nobody_plays_a_wrong_note_in_the_piece_of_the_demo(together):
    notes = {**together.notes, ("keyboard", "hands"): of_keyboard(together.piece)}
    assert sum(map(len, notes.values())) > 20
    assert wrong_together(together.piece, notes) == []


def test_a_wrong_chord_in_the_piece_is_found():
    """Of the piece that is played one bar is another than is written, or a chord is of no key."""
    right = Played(31)
    notes = {**right.notes, ("keyboard", "hands"): of_keyboard(right.piece)}
    bars = right.piece.bars
    said = wrong_together(replace(right.piece, bars=(*bars[:2], "Em", *bars[3:])), notes)
    assert {line.partition("'")[0] for line in said} >= {"keyboard", "wren"}
    assert "bar 2 is of no key" in wrong_together(replace(right.piece, bars=(bars[0], "F", *bars[2:])), notes)


def test_a_child_that_does_not_follow_is_found():
    right = Played(31)
    up = {part: [(start, end, pitch + 1) for start, end, pitch, _ in notes] for part, notes in right.notes.items()}
    said = wrong_together(right.piece, up)
    assert {line.partition("'")[0] for line in said} == {"wren", "lark", "pipit"}
