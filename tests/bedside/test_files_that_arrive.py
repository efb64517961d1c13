"""Files that arrive: how programs write them, slowly or in pieces, and folders that come and go."""

from __future__ import annotations

import errno
import os
import select
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import inotify_simple
import pytest

from router.bedside import arrivals, profile_folder
from router.bedside.arrivals import GIVE_UP, PATIENCE, SETTLE, TOGETHER, Arrivals, Arrived
from router.bedside.profile_folder import PAUSE
from router.core.units import NANOSECONDS
from router.system import clock
from tests.shared.profile_folder import BROKEN, Loop, text, unmount
from tests.shared.programs_that_write import EDITORS, pieces

# --- how programs write files -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("editor", EDITORS, ids=lambda editor: editor.__name__)
def test_an_editor_saves(bed, editor):
    editor(bed.folder / "wren.yaml", text("wren", "D4"))
    assert bed.offered().text == text("wren", "D4").encode()
    assert bed.shelf.names() == ["wren"]


@pytest.mark.usefixtures("hasty")
@pytest.mark.parametrize("editor", EDITORS, ids=lambda editor: editor.__name__)
def test_an_editor_saves_a_mistake(bed, editor):
    editor(bed.folder / "wren.yaml", BROKEN)
    bed.refused("outpust")


@pytest.mark.parametrize(
    "name",
    [
        "lark.yaml~",
        ".lark.yaml",
        ".lark.yaml.swp",
        "#lark.yaml#",
        "lark.yaml.part",
        "lark.yaml.bak",
        "lark",
        "lark.txt",
    ],
)
def test_a_name_that_does_not_count(bed, name):
    bed.write(name, text("lark"))
    bed.quiet()
    assert bed.shelf.names() == ["wren"]


def test_a_name_in_capitals_as_old_sticks_have_it(bed):
    bed.write("LARK.YML", text("lark"))
    assert bed.offered().child == "LARK"


# --- slowly -----------------------------------------------------------------------------------------------------------


def test_in_pieces_with_long_stalls_it_is_not_looked_at_before_it_is_closed(bed):
    with (bed.folder / "wren.yaml").open("w") as file:
        for piece in pieces(text("wren", "D4"), 3):
            file.write(piece)
            file.flush()
            bed.quiet(1.5 * PATIENCE / NANOSECONDS / 2)
    assert bed.offered().text == text("wren", "D4").encode()


def test_closed_between_the_pieces(bed):
    """Each piece alone is a broken profile; none is refused while more may come."""
    for piece in pieces(text("lark"), 4):
        bed.quiet(0.6)
        with (bed.folder / "lark.yaml").open("a") as file:
            file.write(piece)
    assert bed.offered().text == text("lark").encode()


@pytest.mark.usefixtures("hasty")
def test_written_while_others_are_mounted_and_changed(bed, mounted, tmp_path):
    """What makes the shelf look over the whole folder does not make it take a half-written file for a finished one."""
    with (bed.folder / "lark.yaml").open("w") as file:
        file.write(text("lark")[:100])
        file.flush()
        bed.run(0.2)
        mounted(tmp_path / "elsewhere")
        bed.quiet(1)
        file.write(text("lark")[100:])
    assert bed.offered().text == text("lark").encode()


def test_empty_and_filled_later(bed):
    (bed.folder / "lark.yaml").touch()
    bed.quiet(1.5 * PATIENCE / NANOSECONDS)
    bed.write("lark.yaml", text("lark"))
    assert bed.offered().child == "lark"


def test_emptied_and_filled_later(bed):
    os.truncate(bed.folder / "wren.yaml", 0)
    bed.quiet(1.5 * PATIENCE / NANOSECONDS)
    bed.write("wren.yaml", text("wren", "D4"))
    assert bed.offered().profile is not None


def test_never_filled(bed, monkeypatch):
    monkeypatch.setattr(arrivals, "GIVE_UP", NANOSECONDS)
    (bed.folder / "lark.yaml").touch()
    bed.refused("this file is empty")


def test_never_closed(bed, monkeypatch):
    monkeypatch.setattr(arrivals, "GIVE_UP", 2 * NANOSECONDS)
    with (bed.folder / "lark.yaml").open("w") as file:
        file.write(text("lark"))
        file.flush()
        bed.quiet()
        assert bed.offered().child == "lark"
    bed.quiet()  # closed now, and nothing in it has changed


def test_a_stalled_file_does_not_keep_others_waiting(bed):
    with (bed.folder / "lark.yaml").open("w") as file:
        file.write(text("lark")[:50])
        file.flush()
        bed.write("nuthatch.yaml", text("nuthatch"))
        assert bed.offered().child == "nuthatch"
        file.write(text("lark")[50:])
    assert bed.offered().child == "lark"


@pytest.mark.usefixtures("hasty")
def test_a_hundred_megabytes(bed):
    with (bed.folder / "lark.yaml").open("wb") as file:
        for _ in range(100):
            file.write(b"#" * 1024 * 1024)
    bed.refused("too large for a profile")


def test_many_small_pieces_do_not_wake_the_loop_each_time(bed):
    """A piece each millisecond, by a clock of the test's own: however busy the machine is, the count is the same."""
    begun = now = clock.now()
    passes = news = 0
    with (bed.folder / "lark.yaml").open("w") as file:
        for _ in range(1000):
            file.write("# more\n")
            file.flush()
            now += NANOSECONDS // 1000
            readable = bool(select.select([bed.shelf.fileno()], [], [], 0)[0])
            due = (deadline := bed.agenda.next()) is not None and deadline <= now
            if readable:
                bed.shelf.read(now)
            if due:
                bed.agenda.ring(now)
            passes += readable or due
            news += readable
            assert bed.offers == []
    pauses = (now - begun) // PAUSE
    assert news >= pauses // 2, (news, pauses)  # it goes on to listen, and so this counts something
    assert passes <= 2 * pauses + 5, (passes, pauses)  # one to read the news, one to listen again


# --- what is no ordinary file -----------------------------------------------------------------------------------------


@pytest.mark.usefixtures("hasty")
def test_a_folder_with_the_name_of_a_file(bed):
    (bed.folder / "lark.yaml").mkdir()
    bed.refused("this is a folder, not a profile")
    assert bed.shelf.names() == ["wren"]


@pytest.mark.usefixtures("hasty")
def test_a_pipe_is_never_opened(bed):
    os.mkfifo(bed.folder / "lark.yaml")
    bed.refused("this is not an ordinary file")
    bed.shelf.ask("lark")
    bed.refused("this is not an ordinary file")
    with pytest.raises(OSError, match="No such device or address"):  # nobody has it open to read
        os.open(bed.folder / "lark.yaml", os.O_WRONLY | os.O_NONBLOCK)


def test_a_link_within_the_folder(bed):
    (bed.folder / "kept").mkdir()
    for child, place in (("nuthatch", "kept/nuthatch.txt"), ("pipit", bed.folder / "kept" / "pipit.txt")):
        (bed.folder / "kept" / f"{child}.txt").write_text(text(child))
        (bed.folder / f"{child}.yaml").symlink_to(place)
        assert bed.offered().text == text(child).encode()
    (bed.folder / "now.yaml").symlink_to("wren.yaml")
    bed.refused("the file is called")  # records go by the child, and so does the name


@pytest.mark.usefixtures("hasty")
def test_a_link_that_leads_out_of_the_folder_is_refused_and_shows_nothing(bed, tmp_path):
    (tmp_path / "secret").write_text("secret: 1234\n")
    (bed.folder / "lark.yaml").symlink_to(tmp_path / "secret")
    offer = bed.refused("this is a link that leads out of the folder")
    assert "1234" not in str(offer)


@pytest.mark.usefixtures("hasty")
def test_a_link_to_nothing_and_a_link_to_itself(bed):
    (bed.folder / "lark.yaml").symlink_to("nowhere.yaml")
    bed.refused("this is a link, and what it leads to is not there")
    (bed.folder / "nuthatch.yaml").symlink_to("nuthatch.yaml")
    bed.refused("this is a link, and what it leads to is not there")


def test_a_file_that_may_not_be_read_and_then_may():
    """As another user if we are root, who may read everything."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        (root / "profiles").mkdir()
        path = root / "profiles" / "lark.yaml"
        for each in (root, root / "profiles"):
            each.chmod(0o777)
        loop = Loop(root)
        try:
            os.seteuid(65534 if os.geteuid() == 0 else os.geteuid())
            loop.start()
            path.write_text(text("lark"))
            path.chmod(0o200)
            loop.refused("this file may not be read")
            path.chmod(0o600)
            assert loop.offered().child == "lark"
        finally:
            os.seteuid(os.getuid())
            loop.close()


@pytest.mark.usefixtures("hasty")
@pytest.mark.parametrize("name", [b"la\nrk.yaml", b"la\xffrk.yaml", b"la\x1b[2Jrk.yaml", "la\u202erk.yaml".encode()])
def test_a_name_that_cannot_be_shown(bed, name):
    path = os.fsencode(bed.folder) + b"/" + name
    Path(os.fsdecode(path)).write_text(text("lark"))
    offer = bed.refused("holds signs that cannot be shown")
    assert str(offer.path).isprintable()
    assert offer.child.isprintable()
    f"{offer.path} {offer.problems[0]} {offer.because}".encode()
    assert bed.shelf.names() == ["wren"]


def test_a_letter_that_is_written_in_two_ways(bed):
    bed.write("re\u0301mi.yaml", text("lark"))  # as some systems write é
    bed.offered()
    bed.write("nuthatch.yaml", text("nuthatch"))
    bed.offered()
    bed.shelf.ask("r\xe9mi")
    assert bed.offered().text == text("lark").encode()


# --- the folder -------------------------------------------------------------------------------------------------------


def test_missing_at_the_start_and_made_later(begin, tmp_path):
    loop = begin(folder=tmp_path / "media" / "stick" / "profiles")
    assert loop.start().source == "safe"
    assert loop.heard("profile_folder") == ["it is not there"]
    for part in (tmp_path / "media", tmp_path / "media" / "stick", loop.folder):
        part.mkdir()
        loop.run(0.2)
    loop.write("lark.yaml", text("lark"))
    assert loop.offered().child == "lark"
    assert loop.heard("profile_folder") == ["it is not there", "it is all right again"]


def test_made_with_files_in_it(begin, tmp_path):
    loop = begin(folder=tmp_path / "media" / "profiles")
    loop.start()
    (tmp_path / "new" / "profiles").mkdir(parents=True)
    (tmp_path / "new" / "profiles" / "wren.yaml").write_text(text("wren"))
    time.sleep(0.05)
    (tmp_path / "new" / "profiles" / "lark.yaml").write_text(text("lark"))
    (tmp_path / "new").rename(tmp_path / "media")
    assert loop.offered().child == "lark"


def test_removed_and_made_again(bed):
    shutil.rmtree(bed.folder)
    bed.quiet()
    assert bed.shelf.names() == []
    bed.shelf.ask("wren")
    bed.refused("the folder of the profiles is not there")
    bed.folder.mkdir()
    bed.write("lark.yaml", text("lark"))
    assert bed.offered().child == "lark"


def test_moved_away_and_another_one_put_there(bed, tmp_path):
    bed.folder.rename(tmp_path / "old")
    bed.run(0.3)
    (tmp_path / "old" / "finch.yaml").write_text(text("finch"))  # no longer ours
    bed.quiet()
    bed.folder.mkdir()
    bed.write("lark.yaml", text("lark"))
    assert bed.offered().child == "lark"
    (tmp_path / "old" / "nuthatch.yaml").write_text(text("nuthatch"))
    bed.quiet()


def test_a_folder_that_may_not_be_read():
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        root.chmod(0o777)
        (root / "profiles").mkdir(mode=0o700)
        (root / "profiles" / "lark.yaml").write_text(text("lark"))
        if os.geteuid():
            (root / "profiles").chmod(0)
        try:
            os.seteuid(65534 if os.getuid() == 0 else os.geteuid())
            loop = Loop(root)
            loop.start()
            assert loop.heard("profile_folder") == ["it may not be read"]
            os.seteuid(os.getuid())
            (root / "profiles").chmod(0o777)
            (root / "profiles" / "lark.yaml").chmod(0o644)
            assert loop.offered().child == "lark"
        finally:
            os.seteuid(os.getuid())
            loop.close()


def test_a_stick_that_comes_goes_and_comes_back(begin, mounted, tmp_path):
    loop = begin(folder=tmp_path / "stick")
    loop.folder.mkdir()
    loop.start()
    mounted(loop.folder)
    loop.write("lark.yaml", text("lark"))
    loop.write("nuthatch.yaml", text("nuthatch"))
    assert loop.offered().child == "nuthatch"
    unmount(loop.folder)
    loop.until(lambda: loop.shelf.names() == [])
    assert loop.plays.child == "nuthatch"
    mounted(loop.folder)
    loop.write("lark.yaml", text("lark", "D4"))
    assert loop.offered().text == text("lark", "D4").encode()


def test_a_stick_that_comes_back_as_it_was_is_no_news_and_one_that_was_edited_is(begin, mounted, tmp_path):
    """The same file system is seen here through the folder and from elsewhere, as by a computer at a desk."""
    mounted(tmp_path / "desk")
    loop = begin(folder=tmp_path / "stick")
    loop.folder.mkdir()
    loop.start()

    def plug() -> None:
        subprocess.run(["mount", "--bind", tmp_path / "desk", loop.folder], check=True)

    (tmp_path / "desk" / "lark.yaml").write_text(text("lark"))
    (tmp_path / "desk" / "nuthatch.yaml").write_text(text("nuthatch"))
    plug()
    try:
        assert loop.offered().child == "nuthatch"
        loop.shelf.ask("lark")
        assert loop.offered().child == "lark"
        unmount(loop.folder)
        loop.until(lambda: loop.shelf.names() == [])
        plug()
        loop.until(lambda: loop.shelf.names() == ["lark", "nuthatch"])
        loop.quiet()
        unmount(loop.folder)
        loop.until(lambda: loop.shelf.names() == [])
        (tmp_path / "desk" / "nuthatch.yaml").write_text(text("nuthatch", "D4"))
        plug()
        assert loop.offered().text == text("nuthatch", "D4").encode()
    finally:
        subprocess.run(["umount", "-l", loop.folder], check=False)


def test_news_that_could_not_be_had_at_the_start_is_had_once_a_descriptor_is_free(folder, begin, monkeypatch):
    (folder / "wren.yaml").write_text(text("wren"))
    monkeypatch.setattr(profile_folder, "AGAIN", NANOSECONDS // 10)

    def refuses(*_, **__):
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    with monkeypatch.context() as scarce:
        scarce.setattr(inotify_simple.INotify, "__init__", refuses)
        loop = begin(first="wren")
    loop.start()
    assert "no_news_of_profiles" in loop.shelf.troubles()
    loop.until(lambda: not loop.shelf.troubles())
    loop.write("lark.yaml", text("lark"))
    assert loop.offered().child == "lark"


def test_news_that_the_kernel_has_dropped(bed):
    """Its queue holds some 16000 pieces; then it says only that it ran over, and what is there is compared."""
    most = int(Path("/proc/sys/fs/inotify/max_queued_events").read_text())
    bed.write("finch.yaml", text("finch"))
    bed.offered()
    for _ in range(most // 2 + 100):
        (bed.folder / "a.yaml").symlink_to("b")
        (bed.folder / "a.yaml").unlink()
    bed.write("lark.yaml", text("lark"))
    (bed.folder / "wren.yaml").unlink()
    assert bed.wait()[-1].child == "lark"
    assert bed.shelf.names() == ["finch", "lark"]


# --- when a file is finished, on virtual time -------------------------------------------------------------------------


def due(waiting: Arrivals, now: int) -> list[str]:
    return [arrived.name for arrived in waiting.due(now)]


def test_a_closed_file_is_due_when_it_has_been_quiet():
    waiting = Arrivals()
    waiting.put("a", 1000)
    assert waiting.deadline() == 1000 + SETTLE
    assert due(waiting, 999 + SETTLE) == []
    waiting.put("a", 999 + SETTLE)
    assert due(waiting, 1000 + SETTLE) == []
    assert due(waiting, 999 + 2 * SETTLE) == ["a"]
    assert waiting.deadline() is None


def test_an_open_file_is_due_when_it_is_given_up():
    waiting = Arrivals()
    waiting.put("a", 0)
    waiting.written("a", 10)
    assert due(waiting, GIVE_UP - 1) == []
    assert waiting.due(GIVE_UP) == [Arrived("a", 0, last=True)]


def test_one_finished_file_waits_for_others_but_not_for_ever():
    waiting = Arrivals()
    waiting.put("a", 0)
    now = 0
    while due(waiting, now) == []:
        now += SETTLE // 2
        waiting.written("b", now)
    assert now == TOGETHER


def test_the_order_is_that_of_the_latest_news():
    waiting = Arrivals()
    for name, when in (("a", 0), ("b", 1), ("c", 2), ("a", 3)):
        waiting.put(name, when)
    assert due(waiting, 3 + SETTLE) == ["b", "c", "a"]


def test_what_is_not_right_is_looked_at_again_and_then_for_the_last_time():
    waiting = Arrivals()
    waiting.put("a", 0)
    (first,) = waiting.due(SETTLE)
    assert not first.last
    waiting.again(first, SETTLE, empty=False)
    assert waiting.deadline() == SETTLE + PATIENCE
    assert waiting.unfinished() == []
    (second,) = waiting.due(SETTLE + PATIENCE)
    assert second.last


def test_an_empty_file_has_until_it_is_given_up():
    waiting = Arrivals()
    waiting.put("a", 0)
    (first,) = waiting.due(SETTLE)
    waiting.again(first, SETTLE, empty=True)
    assert waiting.deadline() == GIVE_UP
    waiting.written("a", GIVE_UP - 2 * SETTLE)
    waiting.put("a", GIVE_UP - 2 * SETTLE)
    assert due(waiting, GIVE_UP - SETTLE) == ["a"]
