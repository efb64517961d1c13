"""Every profile that ships is right, says what it is for, and plays: each part from its own movement, and no note
stays.

What each plays when every movement is made once stands word for word in ``golden/music``, as mido writes messages. When
a change is meant, run ``python -m tests.house.test_shipped_profiles`` and read what changed as a musician.
"""

from __future__ import annotations

import gc
from dataclasses import replace
from pathlib import Path

import mido
import pytest

from router.cli import main
from router.core.balance import Balance, RoomLimits
from router.core.engine import HARMONY, TEMPO, Engine
from router.core.events import Lost, MidiSample, SwitchSample
from router.core.music import SCALES, pitch_class, pitch_name
from router.core.units import NANOSECONDS
from router.files.profile import check, load, shipped
from router.files.profile.model import Profile
from router.offline.player import steps
from tests.shared.places import GOLDEN_MUSIC
from tests.shared.shipped import PROFILES, movements, play


def test_there_is_one_for_many_needs():
    assert len(PROFILES) >= 8
    assert {kind for path in PROFILES for kind in load(path).types.values()} == {
        "switch",
        "pressure",
        "pointer",
        "midi",
        "listen",
    }


def test_the_therapists_page_names_every_one():
    page = (shipped() / "README.md").read_text(encoding="utf-8")
    assert [path.name for path in PROFILES if f"`{path.name}`" not in page] == []


def tune(path: Path, part: str, key: int) -> str:
    """The tune of a part's first rule, sung from its tonic: do is the key."""
    loaded = load(path)
    (found,) = [each for each in loaded.plan.parts if each.name == part]
    settings = found.rules[0].make.args[0]
    notes = [loaded.plan.music.degree(degree, settings["octave"]) - key for degree in settings["degrees"]]
    return " ".join(pitch_name(60 + note)[:-1] for note in notes)


def test_starlings_tune_is_the_one_that_was_meant():
    """Do re mi sol la: in a pentatonic scale these are its steps 1 to 5, and not those of the major scale."""
    assert tune(shipped() / "starling.yaml", "tune", pitch_class("G")) == "C D E G A G E D"


@pytest.mark.parametrize(
    ("kind", "sung"), [("switch", "C D E G E D"), ("pressure", "C D E G E D"), ("pointer", "C D E G")]
)
def test_what_router_new_writes_sings_its_scale_without_a_hole(tmp_path, kind, sung):
    path = tmp_path / "kite.yaml"
    assert main(["new", "kite", "--input", f"pad={kind}", "--out", str(path)]) == 0
    assert tune(path, "pad", 0) == sung


def test_some_take_part_in_a_room_and_say_so_in_words():
    following = {path.stem: load(path).plan.follows for path in PROFILES}
    assert {name: follows for name, follows in following.items() if follows} == {
        "dipper": {TEMPO, HARMONY},
        "heron": {TEMPO, HARMONY},
        "nuthatch": {TEMPO, HARMONY},
        "goldcrest": {TEMPO},
    }
    for name in ("heron", "nuthatch", "goldcrest"):
        assert "the room" in (shipped() / f"{name}.yaml").read_text(encoding="utf-8")


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_what_has_played_leaves_nothing_for_the_collector(path):
    """The daemon keeps the collector away from what it has looked at once, so a ring would stay
    for ever: one a swap.
    """
    profile = load(path)
    balance = Balance(RoomLimits())

    def played():
        engine = Engine(profile.plan, lambda *_: None, balance.share("bed", lambda _now: None))
        engine.start(0)
        for at, sample in movements(profile):
            engine.handle(sample, at)
        engine.follow(replace(profile.plan.music, tonic=1), 600 * NANOSECONDS)
        engine.stop(900 * NANOSECONDS)

    played()
    gc.collect()
    gc.disable()
    try:
        played()
        balance.give_back("bed")
        found = gc.collect()
    finally:
        gc.enable()
    assert found == 0


@pytest.mark.parametrize("name", ["heron", "nuthatch"])
def test_in_a_room_they_play_in_its_key_and_scale(name):
    """In C sharp minor where alone they are in A; and nothing is left on when the room changes under them."""
    profile = load(shipped() / f"{name}.yaml")
    room = replace(profile.plan.music, tonic=1, scale=SCALES["minor"])
    told: list[tuple[str, dict]] = []
    engine = Engine(profile.plan, lambda _now, event, fields: told.append((event, fields)))
    engine.start(0)
    engine.follow(room, 0)
    samples = movements(profile)
    for t, sample in samples:
        while (due := engine.next_deadline()) is not None and due < t:
            engine.wake(due)
        engine.handle(sample, t)
    drums = {part.name for part in profile.plan.parts if part.route.channel == 10}
    begun = [fields["note"] for event, fields in told if event == "note_on" and fields["part"] not in drums]
    assert begun
    assert all(room.contains(note) for note in begun)
    assert not all(profile.plan.music.contains(note) for note in begun)
    engine.follow(profile.plan.music, samples[-1][0])
    engine.stop(samples[-1][0])
    assert engine.sounding == ()


def music(profile: Profile) -> str:
    """What is sent, a message a line: seconds, output, message. From the first sample until the engine has stopped."""
    engine = Engine(profile.plan)
    lines = []
    for now, _, messages in steps(engine, movements(profile), profile.plan.limits.note_length):
        lines += [f"{now / NANOSECONDS:9.4f} {m.output} {mido.Message.from_bytes(m.data)}\n" for m in messages]
    return "".join(lines).replace(" time=0", "")


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
class TestEachProfile:
    def test_is_right(self, path: Path):
        assert [str(problem) for problem in check(path)] == []

    def test_begins_with_what_it_is_for(self, path: Path):
        text = path.read_text(encoding="utf-8")
        assert "# For: " in text
        assert path.stem.upper() in text
        assert f"child: {path.stem}\n" in text

    def test_every_part_sounds_in_the_scale_and_ends(self, path: Path):
        profile = load(path)
        told, engine, end = play(profile, movements(profile))
        begun = [fields for event, fields in told if event == "note_on"]
        assert {fields["part"] for fields in begun} == {part.name for part in profile.plan.parts}
        drums = {part.name for part in profile.plan.parts if part.route.channel == 10}
        assert all(profile.plan.music.contains(f["note"]) for f in begun if f["part"] not in drums)
        assert max(fields["velocity"] for fields in begun) <= profile.plan.limits.velocity
        engine.stop(end)
        assert engine.sounding == ()
        ended = [fields for event, fields in told if event == "note_off"]
        assert len(ended) == len(begun)
        assert not [fields for event, fields in told if event == "fault"]
        # Only a note that is meant to ring until the next one may be ended by the limit on its length.
        rings = "release: {when: next}" in path.read_text(encoding="utf-8")
        assert rings or not [fields for event, fields in told if event == "limit"]

    def test_plays_what_it_is_known_for(self, path: Path):
        assert music(load(path)) == (GOLDEN_MUSIC / f"{path.stem}.txt").read_text(encoding="utf-8")

    def test_a_lost_device_ends_its_notes(self, path: Path):
        profile = load(path)
        samples = movements(profile)
        held = [(t, sample) for t, sample in samples if not (isinstance(sample, SwitchSample) and not sample.pressed)]
        held = [(t, sample) for t, sample in held if not (isinstance(sample, MidiSample) and sample.data[0] == 0x80)]
        told, engine, end = play(profile, held)
        for name in profile.types:
            engine.handle(Lost(name), end)
        bands = {(part.route.output, part.route.channel) for part in profile.plan.parts if not part.sources}
        assert [note for note in engine.sounding if note[:2] not in bands] == []  # a band in the room's time plays on
        engine.stop(end)
        assert engine.sounding == ()
        assert [event for event, _ in told if event == "note_on"]


if __name__ == "__main__":
    GOLDEN_MUSIC.mkdir(exist_ok=True)
    for profile_path in PROFILES:
        (GOLDEN_MUSIC / f"{profile_path.stem}.txt").write_text(music(load(profile_path)), encoding="utf-8")
