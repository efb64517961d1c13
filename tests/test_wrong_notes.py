"""No shipped profile or example plays a wrong note: what sounds is in its scale, and what sounds together is one harmony.

Scales and chords are music21's, from the words in the file; nothing here asks the router's own tables.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml
from music21 import chord, scale
from test_shipped_profiles import PROFILES, movements, play

from router.profile import load, shipped

ROUNDS = 5
"""How often each movement is made: more often than the longest row of chords is long."""
EXAMPLES = [*PROFILES, *sorted((shipped() / "together").glob("*.yaml"))]
ROOT = Path(__file__).parent.parent

SCALES = {"major": scale.MajorScale, "minor": scale.MinorScale, "dorian": scale.DorianScale}
LEFT_OUT = {"major": (4, 7), "minor": (2, 6)}
"""The degrees that a pentatonic scale has not of the scale of its name."""


def notes_of(key: str, name: str) -> set[int]:
    """The pitch classes of a scale, with the raised leading tone that a minor key has over its dominant."""
    five = name.removesuffix(" pentatonic")
    made = SCALES[five](key.replace("b", "-"))
    left_out = LEFT_OUT[five] if five != name else ()
    degrees = {made.pitchFromDegree(degree).pitchClass for degree in range(1, 8) if degree not in left_out}
    return degrees | ({(made.tonic.pitchClass - 1) % 12} if name == "minor" else set())


def played(profile) -> list[tuple[str, dict]]:
    once = movements(profile)
    told, engine, end = play(profile, [(n * once[-1][0] + t, sample) for n in range(ROUNDS) for t, sample in once])
    engine.stop(end * ROUNDS)
    drums = {part.name for part in profile.plan.parts if part.route.channel == 10}
    return [(event, f) for event, f in told if event in ("note_on", "note_off") and f["part"] not in drums]


def wrong(profile, music: dict) -> list[str]:
    """What is heard that the profile's own key, scale and chords do not hold."""
    found, sounding = [], set()
    key, name = music.get("key", "C"), music.get("scale", "major")
    chords = {part.name for part in profile.plan.parts if any(rule.name == "chord" for rule in part.rules)}
    tunes, whole = notes_of(key, name), notes_of(key, name.removesuffix(" pentatonic"))
    for event, fields in played(profile):
        voice = (fields["part"], fields["note"])
        if event == "note_off":
            sounding.discard(voice)
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


PAGES = ["README.md", "DEVELOPERS.md", "profiles/README.md", "schemas/README.md"]


@pytest.mark.parametrize("text", [text for page in PAGES for text in examples(page)])
def test_no_example_on_a_page_plays_a_wrong_note(text, tmp_path):
    written = yaml.safe_load(text)
    whole = {"profile": 1, "outputs": {"synth": {"midi": "*"}}, **written}
    path = tmp_path / f"{written['child']}.yaml"
    path.write_text(yaml.safe_dump(whole, sort_keys=False), encoding="utf-8")
    assert wrong(load(path), whole.get("music", {})) == []


def test_a_profile_in_two_harmonies_at_once_is_found(tmp_path):
    """The band as it once was: bass and melody stayed on the tonic while the strings went on."""
    text = (shipped() / "jay.yaml").read_text(encoding="utf-8")
    path = tmp_path / "jay.yaml"
    path.write_text(
        re.sub(r"sequence: \{degrees: \[1, 4, 5, 1\], octave: ([24])\}", r"note: {degree: 1, octave: \1}", text)
    )
    said = wrong(load(path), {"key": "A", "scale": "minor"})
    assert any("A-minor-major ninth" in line for line in said)


def test_a_note_beside_the_scale_is_found(tmp_path):
    path = tmp_path / "robin.yaml"
    text = (shipped() / "robin.yaml").read_text(encoding="utf-8")
    path.write_text(text)
    assert wrong(load(path), {"key": "F#", "scale": "major"}) != []
