"""What a seat remembers over a stop, a kill and a power cut, and who plays where nothing is remembered."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from router.bedside import profile_folder
from router.bedside.memory import PLACE, LastProfile, Proven, SeatMemory
from router.bedside.profile_folder import SAFE, Offer
from router.core.units import NANOSECONDS
from router.files import profile
from router.system import clock
from tests.shared.profile_folder import BROKEN, GENEROUS, Loop, remembered, text

# --- what is remembered -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def yesterday(tmp_path_factory) -> Path:
    """A seat at which somebody chose lark; wren is the configuration's."""
    root = tmp_path_factory.mktemp("yesterday")
    (root / "profiles").mkdir()
    (root / "profiles" / "wren.yaml").write_text(text("wren"))
    loop = Loop(root, first="wren")
    loop.start()
    loop.write("lark.yaml", text("lark"))
    assert loop.offered().child == "lark"
    loop.close()
    return root


@pytest.fixture
def bedside(yesterday, tmp_path) -> Path:
    """The memory of that seat, to be spoiled; the folders are copies."""
    return Path(shutil.copytree(yesterday, tmp_path, dirs_exist_ok=True))


def test_what_plays_is_remembered(bedside):
    digest = hashlib.sha256(text("lark").encode()).hexdigest()
    plays = json.loads((bedside / "state" / "bed" / "plays.json").read_text())
    assert (plays.pop("number"), len(plays.pop("sum"))) == (2, 8)
    assert plays == {"child": "lark", "file": "lark.yaml", "digest": digest, "chosen": True}
    assert (bedside / "state" / "bed" / "last-good.yaml").read_text() == text("lark")
    assert sorted(path.name for path in (bedside / "state" / "bed").iterdir()) == ["last-good.yaml", "plays.json"]


def test_it_is_remembered_also_if_the_router_stops_at_once(bed):
    bed.write("lark.yaml", text("lark"))
    until = time.monotonic() + GENEROUS
    while bed.plays.child != "lark":
        assert time.monotonic() < until
        bed.turn(0.1)
    bed.close()
    assert remembered(bed)["child"] == "lark"


@pytest.mark.usefixtures("bedside")
def test_what_played_last_plays(begin):
    offer = begin(first="wren").start()
    assert (offer.child, offer.source, offer.problems, offer.because) == ("lark", "folder", [], "it played last")


def test_what_played_last_was_edited_meanwhile(bedside, begin):
    (bedside / "profiles" / "lark.yaml").write_text(text("lark", "D4"))
    loop = begin(first="wren")
    assert loop.start().text == text("lark", "D4").encode()
    loop.run(0.3)
    assert (loop.state / "bed" / "last-good.yaml").read_text() == text("lark", "D4")


def test_what_played_last_is_broken_now(bedside, begin):
    (bedside / "profiles" / "lark.yaml").write_text(BROKEN)
    loop = begin(first="wren")
    offer = loop.start()
    assert (offer.child, offer.source, offer.text) == ("lark", "copy", text("lark").encode())
    assert offer.because == '"lark.yaml" played last and cannot be used now, but its text was kept'
    assert "outpust" in str(offer.problems[0])
    loop.run(0.3)
    assert remembered(loop)["file"] == "lark.yaml"
    loop.write("lark.yaml", text("lark"))  # put right: it plays already, and is remembered as the folder's again
    loop.quiet()
    loop.write("lark.yaml", text("lark", "D4"))
    assert loop.offered().child == "lark"


def test_what_played_last_is_gone(bedside, begin):
    (bedside / "profiles" / "lark.yaml").unlink()
    offer = begin(first="wren").start()
    assert (offer.child, offer.source) == ("lark", "copy")
    assert "there is no such file" in str(offer.problems[0])


LOST = {
    "missing": None,
    "empty": b"",
    "torn": b'{"child": "lark", "fi',
    "zeros": b"\0" * 4096,
    "not what it was": b'["lark"]',
    "a number": b"7",
    "deep": b"[" * 4000,
    "more in it": b'{"child": "lark", "file": "lark.yaml", "digest": "", "chosen": true, "also": 1}',
    "other types": b'{"child": 1, "file": ["lark.yaml"], "digest": null, "chosen": "yes"}',
    "out of the folder": b'{"child": "lark", "file": "../secret.yaml", "digest": "", "chosen": true}',
    "another way out": b'{"child": "lark", "file": "/etc/secret.yaml", "digest": "", "chosen": true}',
    "nothing at all in it": b'{"child": "lark", "file": "", "digest": "", "chosen": true}',
    "no text": b"\xff\xfe\x80",
}


@pytest.mark.parametrize("data", LOST.values(), ids=LOST.keys())
def test_what_played_last_is_not_known_any_more(bedside, begin, data, tmp_path):
    (tmp_path / "secret.yaml").write_text(text("secret"))
    plays = bedside / "state" / "bed" / "plays.json"
    plays.unlink()
    if data is not None:
        plays.write_bytes(data)
    loop = begin(first="wren")
    offer = loop.start()
    assert (offer.child, offer.source, offer.text) == ("lark", "copy", text("lark").encode())
    assert offer.because == "which profile played last is no longer known, but its text was kept"
    loop.shelf.chosen(Offer("finch", loop.folder / "finch.yaml", offer.profile, [], "", text=b"finch"))
    loop.close()
    assert remembered(loop)["child"] == "finch"


@pytest.mark.parametrize("copy", [None, b"", text("lark").encode()[:90], b"\0" * 300, BROKEN.encode()])
@pytest.mark.parametrize("plays", [None, b"", b"{"])
def test_all_that_was_remembered_is_lost(bedside, begin, plays, copy):
    for name, data in (("plays.json", plays), ("last-good.yaml", copy)):
        path = bedside / "state" / "bed" / name
        path.unlink()
        if data is not None:
            path.write_bytes(data)
    offer = begin(first="wren").start()
    assert (offer.child, offer.source) == ("wren", "first")
    assert bool(offer.problems) == (copy is not None)


def test_folders_where_its_files_should_be(bedside, begin):
    for name in ("plays.json", "last-good.yaml"):
        (bedside / "state" / "bed" / name).unlink()
        (bedside / "state" / "bed" / name).mkdir()
    loop = begin(first="wren")
    assert loop.start().child == "wren"
    loop.run(0.3)
    assert len(loop.heard("profile_not_remembered")) == 1


def test_what_a_power_cut_left_half_written_is_removed(bedside, begin):
    left = bedside / "state" / "bed" / ".plays.json.4711.tmp"
    left.write_text('{"chi')
    loop = begin()
    loop.start()
    loop.write("finch.yaml", text("finch"))
    loop.offered()
    loop.run(0.3)
    assert not left.exists()


def test_nothing_changed_nothing_written(bedside, begin):
    before = {path: path.stat().st_ino for path in (bedside / "state" / "bed").iterdir()}
    loop = begin()
    loop.start()
    loop.shelf.ask("lark")
    loop.offered()
    assert {path: path.stat().st_ino for path in (loop.state / "bed").iterdir()} == before


def test_the_configurations_profile_until_somebody_chooses(folder, begin):
    (folder / "wren.yaml").write_text(text("wren"))
    (folder / "nuthatch.yaml").write_text(text("nuthatch"))
    first = begin(first="wren")
    offer = first.start()
    assert (offer.child, offer.source) == ("wren", "first")
    assert offer.because == "nothing has been chosen yet, and the configuration names this one"
    first.run(0.3)
    second = begin(first="nuthatch")  # the technician has changed his mind
    assert second.start().child == "nuthatch"
    second.run(0.3)
    (folder / "nuthatch.yaml").unlink()
    assert begin(first="nuthatch").start().text == text("nuthatch").encode()  # its copy


def test_the_configurations_profile_may_be_a_shipped_one(folder, begin):
    loop = begin(first="lark")
    offer = loop.start()
    assert (offer.child, offer.path) == ("lark", profile.shipped() / "lark.yaml")
    loop.close()
    (folder / "lark.yaml").write_text(text("lark", "D4"))
    shutil.rmtree(folder.parent / "state")
    assert begin(first="lark").start().text == text("lark", "D4").encode()


def test_the_configurations_profile_is_broken(folder, begin):
    (folder / "wren.yaml").write_text(BROKEN)
    offer = begin(first="wren").start()
    assert (offer.child, offer.path) == ("wren", profile.shipped() / "wren.yaml")
    assert "outpust" in str(offer.problems[0])


def test_the_configurations_profile_is_unknown(folder, begin):
    (folder / "wren.yaml").write_text(text("wren"))
    offer = begin(first="wrem").start()
    assert (offer.child, offer.among) == ("wren", 1)  # as where nothing is configured
    assert 'Did you mean "wren"?' in offer.problems[0].hint


@pytest.mark.usefixtures("folder")
def test_the_safe_default(begin):
    loop = begin()
    offer = loop.start()
    assert offer.source == "safe"
    assert offer.profile.plan.limits.notes_at_once == 1
    assert offer.because == "there is no profile that can play: the space bar of the keyboard plays one soft note"
    assert SAFE.parent != profile.shipped()
    loop.run(0.3)
    assert not loop.state.exists()  # nothing to remember
    loop.write("lark.yaml", text("lark"))
    assert loop.offered().child == "lark"


@pytest.mark.usefixtures("folder")
def test_a_full_disk_costs_only_the_memory_and_is_said_once(begin, mounted, tmp_path):
    mounted(tmp_path / "state", "16k")
    loop = begin()
    loop.start()
    loop.write("lark.yaml", text("lark"))
    assert loop.offered().child == "lark"
    assert remembered(loop)["child"] == "lark"
    with (tmp_path / "state" / "filler").open("wb", buffering=0) as filler, contextlib.suppress(OSError):
        while True:
            filler.write(b"x" * 512)
    for child in ("nuthatch", "finch"):
        loop.write(f"{child}.yaml", text(child))
        assert loop.offered().child == child
    (why,) = loop.heard("profile_not_remembered")
    assert "No space left on device" in str(why)
    assert set(loop.shelf.troubles()) == {"profile_not_remembered"}
    assert remembered(loop)["child"] == "finch"  # what plays is written over what played before, and needs no room
    assert (loop.state / "bed" / "last-good.yaml").read_text() == text("lark")
    assert begin().start().child == "finch"  # as after a kill
    (loop.folder / "finch.yaml").unlink()
    assert begin().start().source == "safe"  # and not lark, whose text is there
    (tmp_path / "state" / "filler").unlink()
    loop.write("pipit.yaml", text("pipit"))
    loop.offered()
    loop.run(0.3)
    assert loop.heard("profile_not_remembered")[1:] == ["it is all right again"]
    assert not loop.shelf.troubles()
    assert remembered(loop)["child"] == "pipit"


@pytest.mark.usefixtures("folder")
def test_a_card_that_can_only_be_read(begin, mounted, tmp_path):
    mounted(tmp_path / "state", options="ro")
    loop = begin()
    loop.start()
    for child in ("nuthatch", "finch"):
        loop.write(f"{child}.yaml", text(child))
        assert loop.offered().child == child
    (why,) = loop.heard("profile_not_remembered")
    assert "Read-only file system" in str(why)


WRITER = """
import sys
from pathlib import Path
from router.bedside.memory import LastProfile, SeatMemory
memory = SeatMemory(Path(sys.argv[1]))
texts = [letter.encode() * 200_000 for letter in "ab"]
print("ready", flush=True)
while True:
    for text in texts:
        memory.keep(LastProfile(text[:1].decode(), "x.yaml", "", True), text)
"""


def test_killed_while_it_writes_there_is_the_old_one_or_the_new_one(tmp_path):
    memory = SeatMemory(tmp_path / "bed")
    chance = random.Random(1)
    for _ in range(8):
        with subprocess.Popen([sys.executable, "-c", WRITER, tmp_path / "bed"], stdout=subprocess.PIPE) as writer:
            assert writer.stdout.readline() == b"ready\n"
            time.sleep(chance.uniform(0.05, 0.3))
            writer.kill()
        assert memory.played() in [LastProfile(letter, "x.yaml", "", chosen=True) for letter in "ab"]
        assert memory.copy.read_bytes() in [letter * 200_000 for letter in (b"a", b"b")]
    memory.keep(LastProfile("c", "x.yaml", "", chosen=True), b"c")
    assert sorted(path.name for path in (tmp_path / "bed").iterdir()) == ["last-good.yaml", "plays.json"]


LARK, WREN = (LastProfile(child, f"{child}.yaml", "", chosen=True) for child in ("lark", "wren"))


def test_a_memory_that_is_torn_anywhere_is_the_old_one_or_the_new_one(tmp_path):
    memory = SeatMemory(tmp_path)
    memory.keep(LARK, b"lark")
    plays = tmp_path / "plays.json"
    before = plays.read_bytes()
    memory.keep(WREN, b"wren")
    after = plays.read_bytes()
    found = []
    for at in (*range(0, 300, 7), PLACE - 1, PLACE):
        plays.write_bytes(before[:PLACE] + after[PLACE : PLACE + at] + before[PLACE + at :])  # the new one first
        found.append(memory.played())
        plays.write_bytes(after[:at] + before[at:PLACE] + after[PLACE:])  # then the old one is blanked
        assert memory.played() == WREN
    assert found[0] == LARK
    assert found[-1] == WREN
    assert set(found) == {LARK, WREN}


def test_a_memory_of_before_is_understood_and_written_over(tmp_path):
    (tmp_path / "plays.json").write_text('{"child": "lark", "file": "lark.yaml", "digest": "", "chosen": true}\n')
    memory = SeatMemory(tmp_path)
    assert memory.played() == LARK
    memory.keep(WREN, b"wren")
    assert memory.played() == WREN
    assert (tmp_path / "plays.json").stat().st_size == 2 * PLACE
    assert "lark" not in (tmp_path / "plays.json").read_text()


@pytest.mark.parametrize("call", ["pwrite", "fsync"])
def test_where_nothing_can_be_written_what_was_kept_is_not_given_for_what_plays(tmp_path, monkeypatch, call):
    memory = SeatMemory(tmp_path / "bed")
    memory.keep(LARK, b"lark")

    def fails(*_):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as broken:
        broken.setattr(os, call, fails)
        with pytest.raises(OSError, match="Input/output error"):
            memory.keep(WREN, b"wren")
    assert memory.played() in (None, WREN)
    assert not memory.copy.exists()
    memory.keep(WREN, b"wren")
    assert memory.played() == WREN


@pytest.mark.parametrize("call", ["pwrite", "fsync", "open", "pread"])
@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_for_want_of_memory_nobody_else_is_remembered(tmp_path, monkeypatch, call, number):
    memory = SeatMemory(tmp_path / "bed", tmp_path / "bed.plays.json")
    memory.keep(LARK, b"lark")
    before, made = getattr(os, call), []

    def fails(*args):
        made.append(args)
        if len(made) == number:
            raise MemoryError
        return before(*args)

    with monkeypatch.context() as short:
        short.setattr(os, call, fails)
        with contextlib.suppress(MemoryError):
            memory.keep(WREN, b"wren")
    assert memory.played() in (None, WREN)


@pytest.mark.parametrize("error", [OSError(errno.EIO, os.strerror(errno.EIO)), MemoryError()])
def test_what_cannot_be_read_once_is_read_again(tmp_path, monkeypatch, error):
    memory = SeatMemory(tmp_path)
    memory.keep(LARK, b"lark")
    opened, made = Path.open, []

    def fails(path, *args):
        made.append(path)
        if len(made) == 1:
            raise error
        return opened(path, *args)

    monkeypatch.setattr(Path, "open", fails)
    assert memory.played() == LARK
    assert len(made) == 2


def test_it_is_said_where_what_played_cannot_be_read(bed, begin):
    bed.write("lark.yaml", text("lark"))
    bed.offered()
    bed.until(lambda: remembered(bed)["child"] == "lark")
    bed.close()
    plays = bed.state / "bed" / "plays.json"
    plays.unlink()
    plays.mkdir()  # reading it fails, and it is there
    loop = begin()
    assert loop.start().child == "lark"  # by its copy
    (said,) = loop.heard("what_played_cannot_be_read")
    assert "Is a directory" in str(said)


def test_after_a_kill_memory_is_believed_before_a_disk_that_could_not_be_written(tmp_path, mounted):
    quick = tmp_path / "bed.plays.json"
    mounted(tmp_path / "bed")
    memory = SeatMemory(tmp_path / "bed", quick)
    memory.keep(LARK, b"lark")
    mounted(tmp_path / "bed", options="remount,ro")
    with pytest.raises(OSError, match="Read-only"):
        memory.keep(WREN, b"wren")
    assert SeatMemory(tmp_path / "bed", quick).played() == WREN
    quick.unlink()  # as after a power cut: now only the disk is there, and nobody can change it
    assert SeatMemory(tmp_path / "bed", quick).played() == LARK


def test_what_memory_could_not_keep_is_not_believed_before_the_disk(tmp_path, monkeypatch):
    quick = tmp_path / "run" / "bed.plays.json"
    quick.parent.mkdir()
    memory = SeatMemory(tmp_path / "bed", quick)
    memory.keep(LARK, b"lark")
    opened = os.open

    def refuses(path, *more):
        if path == quick:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        return opened(path, *more)

    with monkeypatch.context() as full:
        full.setattr(os, "open", refuses)
        memory.keep(WREN, b"wren")
    assert memory.played() == WREN


def test_a_seat_has_a_memory_of_its_own(tmp_path):
    bed, chair = SeatMemory(tmp_path / "bed"), SeatMemory(tmp_path / "chair")
    played = LastProfile("lark", "lark.yaml", "0", chosen=True)
    bed.keep(played, b"text")
    assert (bed.played(), bed.copy.read_bytes(), chair.played()) == (played, b"text", None)


# --- nothing is remembered --------------------------------------------------------------------------------------------


def test_the_only_profile_plays_where_nothing_was_ever_chosen(begin, folder):
    (folder / "lark.yaml").write_text(text("lark"))
    loop = begin()
    offer = loop.start()
    assert (offer.child, offer.source, offer.among) == ("lark", "folder", 1)
    assert "the only profile" in offer.because
    loop.close()
    (folder / "finch.yaml").write_text(text("finch"))
    assert begin().start().child == "lark"  # it is remembered: another that comes first by its name changes nothing


def test_who_plays_at_another_seat_is_not_the_first_here(begin, folder):
    for child in ("wren", "lark"):
        (folder / f"{child}.yaml").write_text(text(child))
    assert begin(elsewhere=["lark", "wren"]).start().source == "safe"
    assert begin(elsewhere=["lark"]).start().child == "wren"


def test_of_several_the_first_that_is_right_plays_and_the_broken_one_is_told(begin, folder):
    for child in ("wren", "lark", "pipit"):
        (folder / f"{child}.yaml").write_text(text(child))
    (folder / "finch.yaml").write_text(BROKEN)
    offer = begin().start()
    assert (offer.child, offer.among) == ("lark", 4)
    assert "the first of 4 profiles" in offer.because
    assert offer.problems[0].file.endswith("finch.yaml")


def test_the_configurations_profile_goes_before_the_first_in_the_folder(begin, folder):
    for child in ("wren", "lark"):
        (folder / f"{child}.yaml").write_text(text(child))
    assert begin(first="wren").start().child == "wren"


def test_what_was_remembered_and_is_lost_is_not_replaced_by_another_childs(bed, begin):
    bed.close()
    (bed.folder / "wren.yaml").unlink()
    (bed.state / "bed" / "last-good.yaml").unlink()
    (bed.folder / "lark.yaml").write_text(text("lark"))
    assert begin(first="wren").start().child != "lark"


# --- what has killed the router ---------------------------------------------------------------------------------------


def digest(what: str) -> str:
    return hashlib.sha256(what.encode()).hexdigest()


def played_for_a_minute(loop: Loop) -> None:
    """Time goes on for the shelf."""
    loop.agenda.ring(clock.now() + 61 * NANOSECONDS)
    loop.until(lambda: digest((loop.folder / "wren.yaml").read_text()) in Proven(loop.state / "bed").digests())


def test_what_killed_the_router_gives_way_to_what_last_played_for_a_minute(bed, begin):
    played_for_a_minute(bed)
    bed.write("lark.yaml", text("lark"))
    bed.until(lambda: bed.plays is not None and bed.plays.child == "lark")
    bed.close()
    again = begin(first="wren", suspected={digest(text("lark"))})
    offer = again.start()
    assert offer.child == "wren"
    assert "a minute" in offer.because
    (problem,) = offer.problems
    assert problem.file.endswith("lark.yaml")
    assert "died" in problem.message


@pytest.mark.usefixtures("hasty")
def test_what_killed_the_router_is_refused_until_it_is_changed(bed, begin):
    bed.close()
    bad = text("lark")
    again = begin(first="wren", suspected={digest(bad)})
    again.start()
    again.write("lark.yaml", bad)
    again.refused("died")
    again.shelf.ask("lark")
    again.refused("died")
    assert again.plays is not None
    assert again.plays.child == "wren"
    again.write("lark.yaml", bad + "# a remark\n")
    again.until(lambda: again.plays is not None and again.plays.child == "lark")


def test_where_all_died_the_safe_one_plays_though_a_profile_is_there(bed, begin):
    bed.close()
    again = begin(only_safe=True)
    offer = again.start()
    assert offer.source == "safe"
    assert "died" in offer.because
    again.write("lark.yaml", text("lark"))
    again.until(lambda: again.plays is not None and again.plays.child == "lark")


def test_a_profile_put_there_just_after_the_start_is_news_though_the_disk_is_slow(monkeypatch, folder, begin):
    looks = profile_folder.look_over

    def look_slowly(*what):
        time.sleep(0.3)
        return looks(*what)

    monkeypatch.setattr(profile_folder, "look_over", look_slowly)
    bed = begin(only_safe=True)
    bed.start()
    (folder / "lark.yaml").write_text(text("lark"))
    bed.until(lambda: bed.plays is not None and bed.plays.child == "lark")


def test_a_minute_is_what_proves_a_profile_and_not_less(bed):
    bed.agenda.ring(clock.now() + 59 * NANOSECONDS)
    bed.turn(0.1)
    assert Proven(bed.state / "bed").digests() == []
    played_for_a_minute(bed)
