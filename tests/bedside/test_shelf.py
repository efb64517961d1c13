"""A profile folder with real files, real inotify, real threads, and small file systems that are mounted and unmounted.

What therapists and their programs do to files is done here by the same calls to the system. ``Loop`` stands for the
daemon's loop: it waits for the descriptor or the deadline, whichever is first.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import hashlib
import json
import os
import random
import select
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import inotify_simple
import pytest

from router.bedside import arrivals, profile_folder
from router.bedside.arrivals import GIVE_UP, PATIENCE, SETTLE, TOGETHER, Arrivals, Arrived
from router.bedside.checking import passed_over
from router.bedside.memory import PLACE, LastProfile, SeatMemory
from router.bedside.profile_folder import PAUSE, SAFE, Offer, ProfileFolder
from router.bedside.proven import Proven
from router.core.units import NANOSECONDS
from router.files import plugins, profile, trying
from router.live import worker
from router.live.worker import Job, Worker
from router.system import clock
from router.system.agenda import Agenda

GENEROUS = 30.0
"""Seconds for what must happen; on an idle machine it takes one."""

QUIET = 0.6
"""Seconds for what must not happen: more than twice the time that a finished file waits."""


def text(child: str, pitch: str = "C4", remark: str = "") -> str:
    return f"""profile: 1
child: {child}
about: {remark or "For tests."}
inputs: {{pad: {{type: switch, device: {{terminal: space}}}}}}
parts: {{tune: {{input: pad, rules: [note: {{pitch: {pitch}}}], output: {{port: synth}}}}}}
outputs: {{synth: {{instrument: default}}}}
"""


BROKEN = text("wren").replace("outputs:", "outpust:")


class Loop:
    """A shelf, its folder, and the daemon's part: what is offered and right is chosen."""

    def __init__(
        self,
        root: Path,
        follow: str = "folder",
        first: str | None = None,
        folder: Path | None = None,
        **more: Any,
    ) -> None:
        self.folder = folder or root / "profiles"
        self.state = root / "state"
        self.said: list[tuple[str, dict[str, object]]] = []
        self.passes = 0
        self.closed = False
        self.swaps = True
        self.plays: Offer | None = None
        self.agenda = Agenda(self._fault)
        self.offers: list[Offer] = []
        self.shelf = ProfileFolder(
            self.folder, self.state, "bed", follow, first, self._say, self.agenda, self._offered, **more
        )

    def _say(self, event: str, **fields: object) -> None:
        self.said.append((event, fields))

    @staticmethod
    def _fault(error: Exception) -> None:
        raise error

    def _offered(self, offer: Offer) -> None:
        self.offers.append(offer)
        if offer.profile is not None and self.swaps:
            self.plays = offer
            self.shelf.chosen(offer)

    def start(self) -> Offer:
        self.plays = self.shelf.at_start()
        return self.plays

    def close(self) -> None:
        if not self.closed:
            self.closed = True
            self.shelf.close()

    def write(self, name: str, what: str) -> Path:
        path = self.folder / name
        path.write_text(what)
        return path

    def turn(self, seconds: float) -> list[Offer]:
        """One pass of the loop, that waits no longer than this."""
        self.passes += 1
        deadline = self.agenda.next()
        if deadline is not None:
            seconds = min(seconds, max(0.0, (deadline - clock.now()) / NANOSECONDS))
        readable = select.select([self.shelf.fileno()], [], [], seconds)[0]
        if readable:
            self.shelf.read(clock.now())
        self.agenda.ring(clock.now())
        offers, self.offers = self.offers, []
        return offers

    def run(self, seconds: float) -> list[Offer]:
        until = time.monotonic() + seconds
        offers = []
        while (left := until - time.monotonic()) > 0:
            offers += self.turn(left)
        return offers

    def wait(self, count: int = 1) -> list[Offer]:
        """So many offers, and then none for a while."""
        offers: list[Offer] = []
        until = time.monotonic() + GENEROUS
        while len(offers) < count:
            assert time.monotonic() < until, (offers, self.said)
            offers += self.turn(0.5)
        return offers + self.run(QUIET)

    def offered(self) -> Offer:
        """The one offer that comes."""
        offers = self.wait()
        assert len(offers) == 1, offers
        return offers[0]

    def refused(self, says: str) -> Offer:
        offer = self.offered()
        assert offer.profile is None
        assert says in "\n".join(map(str, offer.problems))
        return offer

    def quiet(self, seconds: float = QUIET) -> None:
        assert self.run(seconds) == []

    def until(self, true, seconds: float = GENEROUS) -> None:
        end = time.monotonic() + seconds
        while not true():
            assert time.monotonic() < end, self.said
            self.turn(0.05)

    def heard(self, event: str) -> list[object]:
        """Why, each time that this was said."""
        return [fields.get("why") for said, fields in self.said if said == event]


@pytest.fixture
def begin(tmp_path):
    opened = []

    def make(**settings) -> Loop:
        opened.append(Loop(tmp_path, **settings))
        return opened[-1]

    yield make
    for loop in opened:
        loop.close()


@pytest.fixture
def folder(tmp_path) -> Path:
    folder = tmp_path / "profiles"
    folder.mkdir()
    return folder


@pytest.fixture
def bed(folder, begin) -> Loop:
    """A seat that plays wren."""
    (folder / "wren.yaml").write_text(text("wren"))
    loop = begin(first="wren")
    assert loop.start().child == "wren"
    return loop


@pytest.fixture
def hasty(monkeypatch):
    """What is not right is refused without much ado."""
    monkeypatch.setattr(arrivals, "PATIENCE", NANOSECONDS // 5)


@pytest.fixture
def mounted():
    """Mounts small file systems in memory; the tests run as root where they are run for real."""
    points = []

    def mount(point: Path, size: str = "256k", options: str = "rw") -> None:
        point.mkdir(exist_ok=True)
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={size},{options}", "router-test", point],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            pytest.fail(f"this test mounts a small file system, which needs root: {done.stderr}")
        points.append(point)

    yield mount
    for point in points:
        subprocess.run(["umount", "-l", point], capture_output=True, check=False)


def unmount(point: Path) -> None:
    """As when a stick is taken out, sooner or later: a file of it may be open just then."""
    until = time.monotonic() + GENEROUS
    while subprocess.run(["umount", point], capture_output=True, check=False).returncode:
        assert time.monotonic() < until
        time.sleep(0.05)


# --- what a therapist does --------------------------------------------------------------------------------------------


def test_copied_over_the_one_that_plays(bed):
    bed.write("wren.yaml", text("wren", "D4"))
    offer = bed.offered()
    assert (offer.child, offer.path, offer.source) == ("wren", bed.folder / "wren.yaml", "folder")
    assert offer.text == text("wren", "D4").encode()
    assert offer.because == '"wren.yaml" was put into the folder'


def test_dropped_into_the_folder(bed):
    bed.write("lark.yml", text("lark"))
    assert bed.offered().child == "lark"
    assert bed.shelf.names() == ["lark", "wren"]


def test_renamed_into_the_folder_and_out_of_it(bed, tmp_path):
    (tmp_path / "elsewhere.yaml").write_text(text("lark"))
    (tmp_path / "elsewhere.yaml").rename(bed.folder / "lark.yaml")
    assert bed.offered().child == "lark"
    (bed.folder / "lark.yaml").rename(tmp_path / "elsewhere.yaml")
    bed.quiet()
    assert bed.shelf.names() == ["wren"]


def test_a_file_that_did_not_count_gets_a_name_that_does(bed):
    bed.write("lark.yaml.off", text("lark"))
    bed.quiet()
    (bed.folder / "lark.yaml.off").rename(bed.folder / "lark.yaml")
    assert bed.offered().child == "lark"


def test_linked_into_the_folder(bed, tmp_path):
    (tmp_path / "elsewhere.yaml").write_text(text("lark"))
    os.link(tmp_path / "elsewhere.yaml", bed.folder / "lark.yaml")
    assert bed.offered().child == "lark"


def test_deleted_plays_on_and_is_no_longer_there_to_be_asked_for(bed):
    (bed.folder / "wren.yaml").unlink()
    bed.quiet()
    assert bed.shelf.names() == []
    bed.shelf.ask("wren")
    bed.refused('there is no profile called "wren" in this folder')
    assert bed.plays.child == "wren"


def test_deleted_before_it_was_looked_at(bed):
    bed.write("lark.yaml", text("lark"))
    bed.turn(0.1)
    (bed.folder / "lark.yaml").unlink()
    bed.quiet()


def test_put_there_again_is_chosen_again(bed):
    """Nothing in the file has changed, and yet somebody wants this child now."""
    bed.write("lark.yaml", text("lark"))
    assert bed.offered().child == "lark"
    bed.write("wren.yaml", text("wren"))
    assert bed.offered().child == "wren"


def test_the_same_as_what_plays_is_no_news(bed):
    bed.write("wren.yaml", text("wren"))
    bed.quiet()


def test_the_same_as_what_plays_while_another_one_is_about_to_play(bed):
    bed.swaps = False  # the daemon has the offer and has not come to it yet
    bed.write("lark.yaml", text("lark"))
    assert bed.offered().child == "lark"
    bed.write("wren.yaml", text("wren"))
    assert bed.offered().child == "wren"  # else lark would play, though wren was put there last


def test_reading_and_looking_are_no_news(bed):
    assert bed.folder.joinpath("wren.yaml").read_text()
    os.utime(bed.folder / "wren.yaml")
    bed.folder.joinpath("wren.yaml").chmod(0o600)
    bed.write("lark.yaml", text("lark"))
    bed.offered()
    bed.folder.joinpath("wren.yaml").chmod(0o644)
    os.utime(bed.folder / "wren.yaml")
    bed.quiet()


def test_renamed_while_it_plays_it_is_remembered_under_its_new_name(bed):
    bed.write("wren.yaml", text("wren", "E4"))
    bed.offered()
    (bed.folder / "wren.yaml").rename(bed.folder / "wren.yml")
    bed.quiet()
    assert [fields for event, fields in bed.said if event == "profile_renamed"] == [{"child": "wren", "now": "wren"}]
    bed.until(lambda: remembered(bed)["file"] == "wren.yml")


def test_a_copy_of_what_plays_changes_nothing(bed):
    bed.write("wren.yaml", text("wren", "E4"))
    bed.offered()
    shutil.copy(bed.folder / "wren.yaml", bed.folder / "nuthatch.yaml")
    bed.quiet()
    assert bed.heard("profile_renamed") == []
    assert remembered(bed)["file"] == "wren.yaml"


COPIES = [
    *("wren.sync-conflict-20261128-101500-ABC.yaml", "wren (conflicted copy 2026-11-28).yaml", "wren~HEAD.yaml"),
    *(
        "~wren.yaml",
        "wren.tmp.yaml",
        "Copy of wren.yaml",
        "wren - Kopie.yaml",
        "Wren.yaml",
        "wren-2.yml",
        "nuthatch.yaml",
    ),
]
"""What copies and sync tools make of the name wren.yaml, and a copy for another child in
which the pseudonym was forgotten.
"""


@pytest.mark.parametrize("name", COPIES)
def test_a_file_that_is_not_called_as_its_child_is_refused_with_the_remedy(bed, name):
    bed.write("lark.yaml", text("lark"))
    bed.offered()
    bed.write(name, text("wren", "E4"))
    offer = bed.refused(f'the child of this file is "wren", and the file is called "{name[:30]}')
    assert bed.plays.child == "lark"
    assert 'Call it "wren.yaml"' in offer.problems[0].hint or "wren.yaml" in {
        path.name for path in bed.folder.iterdir()
    }
    bed.write("wren.yaml", text("wren", "G4"))
    assert bed.offered().child == "wren"
    bed.write(name, text("wren", "A4"))
    assert '"wren.yaml" is there' in bed.refused("the file is called").problems[0].hint
    assert bed.plays.text == text("wren", "G4").encode()


@pytest.mark.parametrize(
    "name", ["wren.yaml~", "wren.yaml.orig", "wren.yaml.part", "#wren.yaml#", ".#wren.yaml", "~syncthing~wren.yaml.tmp"]
)
def test_what_is_written_beside_a_profile_is_no_profile(bed, name):
    bed.write(name, text("wren", "E4"))
    bed.quiet()


@pytest.mark.parametrize("name", ["wren.yaml", "wren.yml", "wren.YAML"])
def test_the_child_is_the_name_that_records_go_by(bed, name):
    bed.write("lark.yaml", text("lark"))
    bed.offered()
    bed.write(name, text("wren", "E4"))
    assert bed.offered().child == "wren"


def test_what_played_under_another_name_before_plays_on_from_its_copy_and_under_its_child(bed, begin):
    bed.write("lark.yaml", text("lark"))
    bed.offered()
    bed.until(lambda: remembered(bed)["child"] == "lark")
    bed.close()
    (bed.folder / "lark.yaml").rename(bed.folder / "lark - Kopie.yaml")
    SeatMemory(bed.state / "bed").keep(
        LastProfile(
            "lark - Kopie", "lark - Kopie.yaml", hashlib.sha256(text("lark").encode()).hexdigest(), chosen=True
        ),
        text("lark").encode(),
    )
    offer = begin().start()
    assert (offer.child, offer.source) == ("lark", "copy")
    assert "the file is called" in str(offer.problems[0])


def test_a_broken_file_changes_nothing_and_says_why(bed):
    bed.write("wren.yaml", BROKEN)
    offer = bed.refused('Did you mean "outputs"?')
    assert offer.child == "wren"
    assert offer.problems[0].file == str(bed.folder / "wren.yaml")
    assert offer.problems[0].line == 6
    assert bed.plays.text == text("wren").encode()
    bed.write("wren.yaml", text("wren", "D4"))
    assert bed.offered().profile is not None


def test_many_at_once_are_one_offer_of_the_last(bed):
    for number in range(60):
        bed.write(f"child{number:02}.yaml", text(f"child{number:02}", remark=str(number)))
    assert bed.offered().child == "child59"


def test_many_one_after_another_are_one_offer_too(bed):
    for number in range(8):
        bed.write(f"child{number}.yaml", text(f"child{number}", remark=str(number)))
        assert bed.run(0.1) == []
    assert bed.offered().child == "child7"


@pytest.mark.usefixtures("hasty")
def test_of_many_the_last_that_is_right_and_then_the_refusal(bed):
    bed.write("lark.yaml", text("lark"))
    bed.write("nuthatch.yaml", text("nuthatch"))
    bed.write("finch.yaml", BROKEN)
    good, bad = bed.wait(2)
    assert (good.child, bad.child, bad.profile) == ("nuthatch", "finch", None)


def test_a_file_that_goes_on_arriving_keeps_the_others_waiting_only_for_a_while(bed):
    bed.write("lark.yaml", text("lark"))
    with (bed.folder / "long.yaml").open("w") as long:
        offers = []
        until = time.monotonic() + GENEROUS
        while not offers and time.monotonic() < until:
            long.write("# more\n")
            long.flush()
            offers = bed.run(0.1)
        assert [offer.child for offer in offers] == ["lark"]


# --- how programs write files -----------------------------------------------------------------------------------------


def vim(path: Path, new: str) -> None:
    """As with ``backup`` on: a swap file, a try-out, the old one renamed, the new one written."""
    swap = path.with_name(f".{path.name}.swp")
    swap.write_text("b0VIM")
    path.with_name("4913").touch()
    path.with_name("4913").unlink()
    path.rename(path.with_name(path.name + "~"))
    with path.open("w") as file:
        file.write(new)
        file.flush()
        os.fsync(file.fileno())
    path.chmod(0o644)
    path.with_name(path.name + "~").unlink()
    swap.unlink()


def nano(path: Path, new: str) -> None:
    path.with_name(f".{path.name}.swp").write_text("lock")
    shutil.copy(path, path.with_name(path.name + "~"))
    with path.open("r+") as file:
        file.truncate()
        file.write(new)
    path.with_name(f".{path.name}.swp").unlink()


def gnome(path: Path, new: str) -> None:
    temporary = path.with_name(".goutputstream-X2K4Z1")
    temporary.write_text(new)
    temporary.rename(path)


def emacs(path: Path, new: str) -> None:
    path.with_name(f".#{path.name}").symlink_to("somebody@somewhere.1234")
    path.with_name(f"#{path.name}#").write_text(new[:40])
    path.rename(path.with_name(path.name + "~"))
    path.write_text(new)
    path.with_name(f"#{path.name}#").unlink()
    path.with_name(f".#{path.name}").unlink()


def rsync(path: Path, new: str) -> None:
    temporary = path.with_name(f".{path.name}.Xy12Ab")
    temporary.write_text(new)
    os.utime(temporary, (1_600_000_000, 1_600_000_000))
    temporary.rename(path)


def stream(path: Path, new: str) -> None:
    """``sed -i``: a temporary file without an ending."""
    temporary = path.with_name("sedAbCdEf")
    temporary.write_text(new)
    temporary.rename(path)


EDITORS = [vim, nano, gnome, emacs, rsync, stream]


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


def pieces(whole: str, count: int) -> list[str]:
    size = -(-len(whole) // count)
    return [whole[start : start + size] for start in range(0, len(whole), size)]


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
        loop.until(lambda: loop.shelf.names() == ["nuthatch", "lark"])
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


# --- follow: file -----------------------------------------------------------------------------------------------------


def test_following_the_file_only_what_plays_counts(folder, begin):
    (folder / "wren.yaml").write_text(text("wren"))
    loop = begin(follow="file", first="wren")
    loop.start()
    loop.write("lark.yaml", text("lark"))
    loop.quiet()
    assert loop.shelf.names() == ["lark", "wren"]
    loop.write("wren.yaml", text("wren", "D4"))
    assert loop.offered().child == "wren"
    loop.shelf.ask("lark")
    assert loop.offered().child == "lark"
    loop.write("wren.yaml", text("wren", "E4"))
    loop.quiet()
    gnome(loop.folder / "lark.yaml", text("lark", "E4"))
    assert loop.offered().child == "lark"


def test_following_the_file_under_its_new_name(folder, begin):
    (folder / "wren.yaml").write_text(text("wren"))
    loop = begin(follow="file", first="wren")
    loop.start()
    (folder / "wren.yaml").rename(folder / "nuthatch.yaml")
    loop.quiet()
    loop.write("nuthatch.yaml", text("nuthatch", "D4"))
    assert loop.offered().child == "nuthatch"


@pytest.mark.usefixtures("folder")
def test_following_the_file_when_nothing_was_chosen_the_first_one_plays(begin):
    loop = begin(follow="file")
    assert loop.start().source == "safe"
    loop.write("lark.yaml", text("lark"))
    assert loop.offered().child == "lark"


# --- asked for --------------------------------------------------------------------------------------------------------


def test_asked_for_it_is_offered_to_whoever_asks_even_if_it_plays(bed):
    asker = object()
    bed.shelf.ask("wren", asker)
    offer = bed.offered()
    assert (offer.child, offer.asker, offer.because) == ("wren", asker, '"wren" was asked for')
    bed.shelf.ask("wren.yaml", asker)
    assert bed.offered().child == "wren"


def test_asked_for_and_not_there_the_nearest_is_named(bed):
    bed.write("finch.yaml", text("finch"))
    bed.offered()
    bed.shelf.ask("wern", "me")
    offer = bed.refused('there is no profile called "wern" in this folder')
    assert offer.problems[0].hint == 'Did you mean "wren"?  There are: finch, wren.'
    assert offer.asker == "me"
    for number in range(40):
        bed.write(f"child{number}.yaml", text("lark"))
    bed.offered()
    bed.shelf.ask("zzz")
    assert bed.offered().problems[0].hint.endswith("and 12 more.")


@pytest.mark.parametrize(
    "child",
    [
        "../secret",
        "../secret.yaml",
        "/etc/passwd",
        "..",
        ".",
        "",
        "a/../../secret",
        "secret\0",
        "wren.yaml/",
        "w" * 4000,
        "\udcff",
        "*",
    ],
)
def test_names_cannot_leave_the_folder(bed, tmp_path, child):
    (tmp_path / "secret.yaml").write_text(text("secret"))
    bed.shelf.ask(child)
    offer = bed.offered()
    assert offer.profile is None
    assert offer.path.parent == bed.folder
    f"{offer} {offer.problems[0]}".encode()


def test_asked_for_while_it_is_arriving(bed):
    with (bed.folder / "lark.yaml").open("w") as file:
        file.write(text("lark")[:100])
        file.flush()
        bed.run(0.2)
        bed.shelf.ask("lark", "me")
        bed.quiet()
        file.write(text("lark")[100:])
    offer = bed.offered()  # one answer, and no second offer of the same file
    assert (offer.child, offer.asker) == ("lark", "me")


def test_asked_for_and_never_finished(bed, monkeypatch):
    monkeypatch.setattr("router.bedside.profile_folder.ASK_WAIT", NANOSECONDS)
    with (bed.folder / "lark.yaml").open("w") as file:
        file.write(text("lark")[:100])
        file.flush()
        bed.run(0.2)
        bed.shelf.ask("lark", "me")
        assert bed.refused("").asker == "me"


def test_asked_for_right_after_it_was_refused(bed):
    bed.write("lark.yaml", BROKEN)
    bed.run(0.6)  # looked at, and given more time
    bed.shelf.ask("lark", "me")
    assert bed.refused("outpust").asker == "me"


def test_each_of_many_askers_gets_an_answer(bed):
    for number in range(50):
        bed.shelf.ask("wren" if number % 2 else "nobody", number)
    offers = bed.wait(50)
    assert [offer.asker for offer in offers] == list(range(50))
    assert [offer.profile is not None for offer in offers] == [number % 2 == 1 for number in range(50)]


# --- a disk that does not answer --------------------------------------------------------------------------------------


@contextlib.contextmanager
def stalling(*paths: Path):
    """Whoever opens these files waits, as with a stick that stalls: somebody has a lease on each, and does not give it
    up.

    The kernel gives it up for him after /proc/sys/fs/lease-break-time, 45 s.
    """
    ready, end = os.pipe()
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            held = []
            for path in paths:
                held.append(os.open(path, os.O_RDWR))
                fcntl.fcntl(held[-1], fcntl.F_SETSIG, 0)
                import signal

                signal.signal(signal.SIGIO, signal.SIG_IGN)
                fcntl.fcntl(held[-1], fcntl.F_SETLEASE, fcntl.F_WRLCK)
            os.write(end, b"1")
            time.sleep(120)
        os._exit(0)
    os.close(end)
    try:
        assert os.read(ready, 1) == b"1"
        yield
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)
        os.close(ready)


@pytest.fixture
def impatient(monkeypatch):
    monkeypatch.setattr(worker, "STALLED", NANOSECONDS)


@pytest.mark.usefixtures("impatient")
def test_a_stalled_file_is_refused_and_the_others_are_answered(bed):
    bed.write("lark.yaml", text("lark"))
    bed.write("nuthatch.yaml", text("nuthatch"))
    assert bed.offered().child == "nuthatch"
    with stalling(bed.folder / "lark.yaml"):
        bed.shelf.ask("lark", 1)
        bed.shelf.ask("wren", 2)
        bed.shelf.ask("lark", 3)  # at once: it is known to stall
        offers = bed.wait(3)
        assert [offer.asker for offer in offers] == [1, 2, 3]
        assert [offer.profile is not None for offer in offers] == [False, True, False]
        assert "the stick or disk does not answer" in str(offers[0].problems[0])
        assert bed.heard("profile_check_stalled") == ["the stick or disk does not answer"]
        assert len(threads()) == 2
        bed.write("finch.yaml", text("finch"))
        assert bed.offered().child == "finch"
    bed.until(lambda: len(threads()) == 1)  # it has come back
    bed.shelf.ask("lark", 4)
    assert bed.wait()[-1].child == "lark"


@pytest.mark.usefixtures("impatient")
def test_dropped_with_one_that_stalls(bed):
    bed.write("lark.yaml", text("lark"))
    bed.offered()
    bed.write("nuthatch.yaml", text("nuthatch"))
    bed.offered()
    with stalling(bed.folder / "lark.yaml"):
        bed.write("finch.yaml", text("finch"))
        (bed.folder / "lark.yaml").rename(bed.folder / "pipit.yaml")
        stalled, good = bed.wait(2)
        assert (stalled.child, stalled.profile) == ("pipit", None)
        assert good.child == "finch"


@pytest.mark.usefixtures("impatient")
def test_when_too_much_stalls_no_more_threads_are_begun_and_it_ends(bed, monkeypatch):
    monkeypatch.setattr(worker, "MOST_STUCK", 2)
    names = ["a", "b", "c", "d"]
    for name in names:
        bed.write(f"{name}.yaml", text(name))
    bed.offered()
    with stalling(*(bed.folder / f"{name}.yaml" for name in names)):
        for name in names:
            bed.shelf.ask(name, name)
        offers = bed.wait(4)
        assert [offer.asker for offer in offers] == names
        assert all(offer.profile is None for offer in offers)
        bed.shelf.ask("wren", 1)
        assert bed.refused("does not answer").asker == 1
        assert len(threads()) == 3
    bed.until(lambda: len(threads()) == 1)
    bed.run(0.5)
    bed.shelf.ask("wren", 2)
    assert bed.wait()[-1].child == "wren"


@pytest.mark.usefixtures("impatient")
def test_a_stall_at_the_start_does_not_keep_the_router_from_starting(bed, begin):
    bed.write("wren.yaml", text("wren", "E4"))
    bed.offered()
    bed.close()
    with stalling(bed.folder / "wren.yaml"):
        loop = begin()
        offer = loop.start()
        assert (offer.child, offer.source, offer.text) == ("wren", "copy", text("wren", "E4").encode())
        assert "does not answer" in str(offer.problems[0])
        loop.close()  # while a thread hangs
    deadline = time.monotonic() + GENEROUS
    while threads() and time.monotonic() < deadline:
        time.sleep(0.05)
    assert threads() == []


@pytest.fixture
def answers(folder, monkeypatch) -> threading.Event:
    """Until it is set, whoever reads a file of the folder waits;
    and when it answers no news comes of that, as from ``stalling``.
    """
    event, judge = threading.Event(), profile_folder.judge

    def judge_late(where, name, worker, stuck=frozenset, **more):
        if where == folder and name not in stuck():
            worker.at = name
            event.wait(GENEROUS)
        return judge(where, name, worker, stuck, **more)

    monkeypatch.setattr(worker, "STALLED", NANOSECONDS)
    monkeypatch.setattr(profile_folder, "judge", judge_late)
    monkeypatch.setattr(profile_folder, "LATER", (NANOSECONDS // 2,) * 100)
    return event


def test_what_stalls_at_the_start_plays_when_it_answers(folder, begin, answers):
    (folder / "wren.yaml").write_text(text("wren"))
    loop = begin()
    assert loop.start().source == "safe"
    assert "does not answer" in loop.shelf.troubles()["profile_waits"]
    loop.quiet(1.5)
    assert len(threads()) == 2  # the one that hangs is not joined by another each time
    answers.set()
    offer = loop.offered()
    assert (offer.child, offer.source) == ("wren", "folder")
    assert offer.because.endswith("could not be tried before")
    assert loop.shelf.troubles() == {}


def test_what_stalls_at_the_start_is_not_begun_anew_where_its_copy_plays(bed, begin, answers):
    answers.set()
    bed.write("wren.yaml", text("wren", "E4"))
    bed.offered()
    bed.close()
    answers.clear()
    loop = begin()
    assert loop.start().source == "copy"
    assert loop.shelf.troubles()
    answers.set()
    loop.until(lambda: not loop.shelf.troubles())
    loop.quiet()
    assert loop.plays.source == "copy"


@pytest.mark.usefixtures("impatient")
def test_a_stall_of_what_is_remembered_is_made_good_later(bed):
    bed.write("lark.yaml", text("lark"))
    bed.offered()
    bed.until(lambda: remembered(bed)["child"] == "lark")
    with stalling(bed.state / "bed" / "plays.json"):
        for child in ("nuthatch", "finch"):
            bed.write(f"{child}.yaml", text(child))
            assert bed.offered().child == child
        bed.until(lambda: len(bed.heard("profile_not_remembered")) >= 1)
    bed.until(lambda: bed.heard("profile_not_remembered")[-1] == "it is all right again")
    assert remembered(bed)["child"] == "finch"


def threads() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == "worker"]


# --- what is remembered -----------------------------------------------------------------------------------------------


def remembered(loop: Loop) -> dict[str, object]:
    return json.loads((loop.state / "bed" / "plays.json").read_text())


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


# --- all of it --------------------------------------------------------------------------------------------------------


def test_nothing_is_left_open(folder, begin, descriptors):
    begin().close()
    before, running = descriptors(), len(threads())
    for _ in range(20):
        loop = Loop(folder.parent)
        loop.start()
        loop.write("lark.yaml", text("lark"))
        loop.run(0.01)
        loop.close()
    assert (descriptors(), len(threads())) == (before, running)
    begin().close()


@pytest.mark.parametrize("seed", range(2))
def test_whatever_is_done_the_last_good_one_plays(tmp_path, folder, descriptors, seed):
    """Random hands for some seconds. The model:
    the last complete profile that was put there under a name that counts.
    """
    chance = random.Random(seed)
    before, running = descriptors(), len(threads())
    loop = Loop(tmp_path)
    loop.start()
    last = ""
    count = 0
    names = ["wren.yaml", "lark.yml", "nuthatch.yaml", "finch.yaml"]

    def new(name: str) -> str:
        nonlocal count
        count += 1
        return text(Path(name).stem, chance.choice(["C4", "D4", "E4"]), remark=f"number {count}")

    def in_pieces(path: Path, what: str) -> None:
        with path.open("w") as file:
            for piece in pieces(what, chance.randint(1, 5)):
                file.write(piece)
                file.flush()
                loop.run(chance.choice([0, 0, 0.02, 0.3]))

    until = time.monotonic() + 5
    while time.monotonic() < until:
        path = folder / chance.choice(names)
        match chance.choice(["pieces", "rename", "delete", "broken", "editor", "backup", "wait", "torn"]):
            case "pieces":
                last = new(path.name)
                in_pieces(path, last)
            case "rename":
                last = new(path.name)
                in_pieces(path.with_name(".hidden"), last)
                path.with_name(".hidden").rename(path)
            case "editor" if path.exists():
                last = new(path.name)
                chance.choice(EDITORS)(path, last)
            case "broken":
                in_pieces(path, BROKEN + f"# {count}")
            case "torn":
                path.write_text(new(path.name)[:-60])
            case "backup":
                path.with_name(path.name + "~").write_text(new(path.name))
            case "delete" if path.exists() and loop.plays.text.decode() == last:
                path.unlink()
            case _:
                loop.run(chance.choice([0.02, 0.4]))
        if not _still_there(folder, last) and loop.plays.text.decode() != last:
            # It was overwritten or deleted before anybody could look: put another one.
            last = new(path.name)
            in_pieces(path, last)
    loop.run(2 * PATIENCE / NANOSECONDS)
    assert loop.plays.text.decode() == last
    loop.close()
    assert json.loads((tmp_path / "state" / "bed" / "plays.json").read_text())["digest"] == loop.plays.digest
    assert (descriptors(), len(threads())) == (before, running)


def _still_there(folder: Path, what: str) -> bool:
    return any(path.read_text() == what for path in folder.iterdir())


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


# --- files that are no profiles ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("wren.yaml.txt", "rename it to wren.yaml"),
        ("wren.txt", "ends in .txt"),
        ("wren.docx", "ends in .docx"),
        ("wren.yaml~", "a copy"),
        ("wren.yaml.orig", "a copy"),
        ("#wren.yaml#", "a copy"),
        ("wren.yaml (1)", "does not end in .yaml"),
        ("wren.yaml", ""),
        ("wren.yaml.old2", ""),
        (".wren.yaml.swp", ""),
        ("wren-pad-2026-03-20-1000.jsonl", ""),
        ("fit of wren.html", ""),
    ],
)
def test_why_a_file_is_passed_over(name, says):
    why = passed_over(name)
    assert (says in why) if says else not why


def test_a_file_that_is_ignored_is_named_while_it_lies_there(bed):
    bed.write("wren.yaml.txt", text("wren"))
    bed.until(lambda: "wren.yaml.txt" in bed.shelf.passed_over())
    (said,) = [fields for event, fields in bed.said if event == "file_passed_over"]
    assert said["file"] == "wren.yaml.txt"
    assert "rename" in str(said["why"])
    (bed.folder / "wren.yaml.txt").unlink()
    bed.until(lambda: not bed.shelf.passed_over())


def test_a_file_that_lay_there_before_the_start_is_named_too(begin, folder):
    (folder / "lark.yaml.txt").write_text(text("lark"))
    loop = begin()
    loop.start()
    loop.until(lambda: "lark.yaml.txt" in loop.shelf.passed_over())


# --- what has killed the router --------------------------------------------------------------------------------------


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


# --- the worker -------------------------------------------------------------------------------------------------------


def test_each_job_is_told_once_and_in_order():
    told: list[object] = []
    faults: list[Exception] = []
    worker_ = Worker(Agenda(faults.append), lambda: None, faults.append, lambda _: None)
    try:
        for number in range(20):
            job = Job(
                lambda _, number=number: 100 // (number - 7),
                lambda result, _now: told.append(result),
                lambda at, _now: told.append(f"failed {at}"),
            )
            worker_.do(job)
        assert worker_.wait(lambda worker: worker.at) == ""
        assert told == ["failed " if number == 7 else 100 // (number - 7) for number in range(20)]
        assert [type(fault) for fault in faults] == [ZeroDivisionError]
    finally:
        worker_.close()


# --- a PC that is too slow for a rule of others -------------------------------------------------------------------

SLOW_RULE = """
import pathlib, time
from router.core.rules.note import NoteRule
if not pathlib.Path({marker!r}).exists(): time.sleep(3600)


class Slow(NoteRule):
    \"\"\"Plays a note.\"\"\"

    name = "slow"
"""


@pytest.fixture
def busy(tmp_path, monkeypatch) -> Path:
    """A rule that cannot be imported before this file is there, and a shelf that tries again soon."""
    marker, rules = tmp_path / "quiet", tmp_path / "rules"
    rules.mkdir(mode=0o755)
    (rules / "slow.py").write_text(SLOW_RULE.format(marker=str(marker)))
    (rules / "slow.py").chmod(0o644)
    monkeypatch.setenv(plugins.VARIABLE, str(rules))
    monkeypatch.setattr(trying, "SECONDS", 1)
    monkeypatch.setattr(plugins, "REST", 0)
    monkeypatch.setattr(profile_folder, "LATER", (NANOSECONDS // 5, NANOSECONDS // 2))
    plugins._installed.cache_clear()
    yield marker
    plugins._installed.cache_clear()


def slow(child: str) -> str:
    return text(child).replace("note:", "slow:")


def quiet(marker: Path, monkeypatch) -> None:
    monkeypatch.setattr(trying, "SECONDS", 30)
    marker.touch()


def test_what_played_last_plays_once_the_pc_is_no_longer_too_slow_for_its_rule(folder, begin, busy, monkeypatch):
    (folder / "wren.yaml").write_text(slow("wren"))
    monkeypatch.setattr(profile_folder, "LATER", (NANOSECONDS, NANOSECONDS))
    bed = begin()
    assert bed.start().source == "safe"
    (why,) = bed.shelf.troubles().values()
    assert '"wren.yaml": there is no rule called "slow"' in why
    assert "importing it does not come back within 1 s. It is tried again after 1 s" in why
    quiet(busy, monkeypatch)
    offer = bed.offered()
    assert (offer.child, offer.source, offer.path) == ("wren", "folder", folder / "wren.yaml")
    assert offer.profile is not None
    assert bed.shelf.troubles() == {}


@pytest.mark.usefixtures("busy")
def test_a_rule_that_takes_longer_than_a_disk_may_is_no_disk_that_stalls(folder, begin, monkeypatch):
    """At the start, and while another plays: it has a limit of its own."""
    monkeypatch.setattr(worker, "STALLED", NANOSECONDS // 5)
    monkeypatch.setattr(profile_folder, "LATER", (60 * NANOSECONDS,))
    (folder / "wren.yaml").write_text(slow("wren"))
    bed = begin()
    bed.start()
    assert "importing it does not come back within 1 s" in bed.shelf.troubles()["profile_waits"]
    bed.write("lark.yaml", slow("lark"))
    bed.refused("importing it does not come back within 1 s")


@pytest.mark.usefixtures("busy", "impatient")
def test_however_long_a_rule_takes_its_thread_is_given_up_at_last(bed, monkeypatch):
    monkeypatch.setattr(trying, "SECONDS", 4)
    monkeypatch.setattr(worker, "PATIENCE", NANOSECONDS // 2)
    bed.write("lark.yaml", slow("lark"))
    bed.refused(profile_folder.SILENT)


@pytest.mark.usefixtures("busy")
def test_it_is_tried_a_few_times_and_then_said_to_be_tried_no_more(folder, begin):
    (folder / "wren.yaml").write_text(slow("wren"))
    bed = begin()
    assert bed.start().source == "safe"
    bed.until(lambda: "tried 3 times" in bed.shelf.troubles().get("profile_waits", ""))
    bed.quiet()
    assert bed.plays.source == "safe"


def test_what_was_asked_for_is_tried_again_too_and_a_changed_file_is_news(bed, busy, monkeypatch):
    monkeypatch.setattr(profile_folder, "LATER", (3600 * NANOSECONDS,))
    bed.write("lark.yaml", slow("lark"))
    bed.refused("slow")
    bed.write("lark.yaml", BROKEN.replace("wren", "lark"))
    bed.refused("outpust")
    assert bed.shelf.troubles() == {}  # it is wrong, and waiting would not help
    monkeypatch.setattr(profile_folder, "LATER", (NANOSECONDS,))
    bed.write("lark.yaml", slow("lark"))
    bed.refused("slow")
    bed.shelf.ask("lark", "me")
    assert bed.refused("slow").asker == "me"
    quiet(busy, monkeypatch)
    bed.until(lambda: bed.plays.child == "lark")


def test_what_is_chosen_meanwhile_plays_on(bed, busy, monkeypatch):
    bed.write("lark.yaml", slow("lark"))
    bed.refused('there is no rule called "slow"')
    assert '"lark.yaml"' in bed.shelf.troubles()["profile_waits"]
    monkeypatch.setattr(profile_folder, "LATER", (NANOSECONDS,))
    bed.write("finch.yaml", text("finch"))
    bed.until(lambda: bed.plays.child == "finch")
    quiet(busy, monkeypatch)
    bed.quiet(1.5)
    assert bed.plays.child == "finch"
    assert bed.shelf.troubles() == {}
