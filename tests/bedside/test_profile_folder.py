"""Who plays: what a therapist does to a profile folder, by name or by its files."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import time
from pathlib import Path

import pytest

from router.bedside.arrivals import PATIENCE
from router.bedside.checking import passed_over
from router.bedside.memory import LastProfile, SeatMemory
from router.bedside.profile_folder import PAUSE
from router.core.units import NANOSECONDS
from tests.shared.profile_folder import BROKEN, GENEROUS, Loop, remembered, text, threads
from tests.shared.programs_that_write import EDITORS, gnome, pieces

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


@pytest.mark.parametrize("follow", ["folder", "file"])
def test_put_and_asked_for_at_once_is_no_news_when_it_settles(folder, begin, follow):
    (folder / "wren.yaml").write_text(text("wren"))
    bed = begin(first="wren", follow=follow)
    bed.start()
    bed.write("lark.yaml", text("lark"))
    bed.turn(GENEROUS)  # what is written from now on is heard of after a pause
    bed.write("finch.yaml", text("finch"))
    bed.shelf.ask("finch")
    bed.until(lambda: bed.plays.child == "finch")
    bed.run(2 * PAUSE / NANOSECONDS)
    bed.shelf.ask("lark")
    bed.until(lambda: bed.plays.child == "lark")
    bed.quiet()
    bed.write("finch.yaml", text("finch"))
    if follow == "folder":
        assert bed.offered().child == "finch"  # put there again, it is


@pytest.mark.parametrize("at_once", [True, False])
def test_looking_at_a_file_is_no_news_when_something_is_mounted_later(bed, mounted, tmp_path, at_once):
    """A look at the whole folder follows each mount, wherever it is."""
    bed.write("lark.yaml", text("lark"))
    assert bed.offered().child == "lark"
    os.utime(bed.folder / "wren.yaml")
    bed.folder.joinpath("wren.yaml").chmod(0o600)
    bed.turn(GENEROUS)
    if not at_once:
        bed.quiet()
    mounted(tmp_path / "stick")
    bed.quiet()
    bed.write("wren.yaml", text("wren"))
    assert bed.offered().child == "wren"


def test_renamed_while_it_plays_it_is_remembered_under_its_new_name(bed):
    bed.write("wren.yaml", text("wren", "E4"))
    bed.offered()
    (bed.folder / "wren.yaml").rename(bed.folder / "wren.yml")
    bed.until(lambda: bed.heard("profile_renamed"))
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
