"""Songs beside the profiles: a changed song is a changed profile, and what plays is remembered with its song."""

from __future__ import annotations

import shutil
import threading

import pytest

from router.bedside.profile_folder import ProfileFolder
from router.songs import apart
from tests.shared.profile_folder import Loop, text

ABC = "X:1\nT:Evening\nK:G\nGABc|\n"


def sings(child: str, file: str = "evening.abc") -> str:
    before, after = text(child).split("[note: {pitch: C4}]")
    return f"{before}[song: {{play: evening, press: note}}]{after}songs: {{evening: {{file: {file}}}}}\n"


def pitches(offer) -> list[int]:
    return [note.pitch for note in offer.profile.songs["evening"].tune.notes]


@pytest.fixture
def bed(request, tmp_path):
    file = getattr(request, "param", "songs/evening.abc")
    folder = tmp_path / "profiles"
    (folder / "songs").mkdir(parents=True)
    (folder / file).write_text(ABC)
    (folder / "teal.yaml").write_text(sings("teal", file))
    loop = Loop(tmp_path)
    loop.song = folder / file
    offer = loop.start()
    assert (offer.child, offer.source) == ("teal", "folder")
    loop.run(0.1)
    yield loop
    loop.close()


@pytest.mark.parametrize("bed", ["evening.abc", "songs/evening.abc"], indirect=True)
def test_a_changed_song_is_a_changed_profile(bed):
    bed.song.write_text(ABC.replace("GABc", "cBAG"))
    assert pitches(bed.offered()) == [72, 71, 69, 67]
    fresh = bed.song.with_suffix(".new")
    fresh.write_text(ABC.replace("GABc", "GGGG"))
    fresh.rename(bed.song)
    assert pitches(bed.offered()) == [67] * 4


def test_a_song_that_is_the_same_or_gone_is_no_news(bed):
    bed.song.write_text(ABC)
    bed.quiet()
    bed.song.unlink()
    bed.quiet()
    assert bed.plays.child == "teal"


def test_a_broken_song_is_told_and_the_last_good_one_plays_on(bed):
    bed.song.write_text(ABC.replace("GABc", "GAhc"))
    bed.refused('line 4: "h" cannot be understood here')
    assert pitches(bed.plays) == [67, 69, 71, 72]
    bed.song.write_text(ABC.replace("GABc", "GAAc"))
    assert pitches(bed.offered()) == [67, 69, 69, 72]


def test_a_song_that_comes_after_its_profile(bed):
    bed.write("ruff.yaml", sings("ruff", "morning.abc"))
    bed.refused('there is no file "morning.abc"')
    (bed.folder / "morning.abc").write_text(ABC)
    assert bed.offered().child == "ruff"


def test_a_song_that_no_profile_needs_is_no_news(bed):
    (bed.folder / "other.mid").write_bytes(b"MThd")
    (bed.folder / "songs" / "other.abc").write_text(ABC)
    bed.quiet()


def test_a_song_of_a_profile_that_does_not_play_is_read_when_it_is_asked_for(bed):
    shutil.copy(bed.song, bed.folder / "morning.abc")
    bed.write("ruff.yaml", sings("ruff", "morning.abc"))
    assert bed.offered().child == "ruff"
    bed.song.write_text(ABC.replace("GABc", "cBAG"))
    bed.quiet()
    bed.shelf.ask("teal")
    assert pitches(bed.offered()) == [72, 71, 69, 67]
    bed.song.write_text(ABC.replace("GABc", "GGGG"))  # now it plays
    assert pitches(bed.offered()) == [67] * 4


def test_the_folder_of_songs_may_come_later(tmp_path):
    (tmp_path / "profiles").mkdir()
    loop = Loop(tmp_path)
    loop.start()
    loop.run(0.1)
    (tmp_path / "brought").mkdir()
    (tmp_path / "brought" / "evening.abc").write_text(ABC)
    loop.write("teal.yaml", sings("teal", "songs/evening.abc"))
    loop.refused('there is no file "evening.abc"')
    (tmp_path / "brought").rename(loop.folder / "songs")
    assert loop.offered().child == "teal"
    (loop.folder / "songs" / "evening.abc").write_text(ABC.replace("GABc", "cBAG"))
    assert pitches(loop.offered()) == [72, 71, 69, 67]
    loop.close()


@pytest.mark.parametrize("lost", ["song", "folder"])
def test_after_a_restart_it_plays_though_its_song_has_gone(bed, tmp_path, lost):
    bed.close()
    if lost == "song":
        bed.song.unlink()
    else:
        shutil.rmtree(bed.folder)
    again = Loop(tmp_path)
    offer = again.start()
    assert (offer.child, offer.source) == ("teal", "copy")
    assert pitches(offer) == [67, 69, 71, 72]
    again.run(0.1)
    if lost == "song":
        bed.song.write_text(ABC.replace("GABc", "cBAG"))
        assert pitches(again.offered()) == [72, 71, 69, 67]
    again.close()


def test_a_link_out_of_the_folder_is_not_followed(bed, tmp_path):
    (tmp_path / "secret.abc").write_text(ABC)
    bed.song.unlink()
    bed.song.symlink_to(tmp_path / "secret.abc")
    bed.refused("this is a link that leads out of the folder")


def test_no_song_is_read_in_the_loop(bed, monkeypatch):
    """Reading is for the worker's thread, and in it for another process."""
    seen = []
    read = apart.read_bytes

    def watched(*given):
        seen.append(threading.current_thread())
        return read(*given)

    monkeypatch.setattr(apart, "read_bytes", watched)
    bed.song.write_text(ABC.replace("GABc", "AEAE"))
    bed.offered()
    assert seen
    assert threading.main_thread() not in seen
    assert isinstance(bed.shelf, ProfileFolder)
