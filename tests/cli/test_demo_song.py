"""``router demo --song``: a child that hesitates plays a song, and the band waits."""

from __future__ import annotations

import itertools

import mido
import pytest

from router.cli import main
from router.cli.hesitant import STOPS, hesitant
from router.core.engine import Engine
from router.core.units import NANOSECONDS
from router.files import profile
from router.offline.player import play
from router.songs import summary


@pytest.fixture(scope="module")
def told():
    """The song, and what its demo tells: the time in seconds, the event, its fields."""
    loaded = profile.load(profile.find("bullfinch"))
    found = []
    engine = Engine(loaded.plan, lambda now, event, fields: found.append((now / NANOSECONDS, event, dict(fields))))
    play(engine, hesitant(loaded, "pad", 90 * NANOSECONDS), 10 * NANOSECONDS, {})
    return loaded.songs["star"], found


def test_she_hesitates_and_plays_each_note_of_the_song(told):
    song, found = told
    presses = [at for at, event, _ in found if event == "press"]
    assert max(after - at for at, after in itertools.pairwise(presses)) > STOPS
    tune = [fields["note"] for _, event, fields in found if event == "note_on" and fields["part"] == "tune"]
    assert tune == [note.pitch for note in song.tune.notes]
    assert "42 notes in 6 phrases" in summary(song)


def test_the_band_plays_between_two_presses_what_the_song_has_there_and_no_more(told):
    song, found = told
    presses = [at for at, event, _ in found if event == "press"]
    written = sorted((note.at, note.pitch) for part in song.parts if part is not song.tune for note in part.notes)
    band = [(at, fields["note"]) for at, event, fields in found if event == "note_on" and fields["part"] == "band"]
    begins = [step.at for step in song.tune.steps]
    for number, (begin, end) in enumerate(zip(presses, [*presses[1:], float("inf")], strict=True)):
        last = number + 1 == len(begins)
        here = [pitch for at, pitch in written if at >= begins[number] and (last or at < begins[number + 1])]
        assert sorted(pitch for at, pitch in band if begin <= at < end) == sorted(here), number
    assert len(band) == len(written)


def test_nothing_is_left_on(told):
    _, found = told
    counts = {event: sum(each == event for _, each, _ in found) for event in ("note_on", "note_off", "limit", "fault")}
    assert counts["note_on"] == counts["note_off"] > 100
    assert counts["limit"] == counts["fault"] == 0


def test_the_command(capsys, tmp_path):
    assert main(["demo", "--song", "--seconds", "10", "--fast", "--out", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "played  tune D4" in said
    assert "played  band " in said
    assert "router songs little-star" in said
    names = [track.name for track in mido.MidiFile(tmp_path / "demo-song.mid").tracks]
    assert {"bullfinch: tune", "bullfinch: band"} <= set(names)
    assert main(["demo", "--song", "--together", "--out", str(tmp_path)]) == 2
