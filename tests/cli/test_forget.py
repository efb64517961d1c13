"""Forgetting a child: everything of hers goes, nothing of anybody else's, and only when it is said twice."""

import contextlib
import gzip
import json
import os
import tempfile
from pathlib import Path

import pytest

from router.cli import main
from router.files.profile import shipped
from router.records.session_log import header, log_line
from router.records.trace import header_line
from tests.shared.measured import session


@pytest.fixture
def room(tmp_path):
    """A machine with wren, wren-two and lark; returns its configuration."""
    for name in ("records", "state", "profiles", "runtime"):
        (tmp_path / name).mkdir()
    config = tmp_path / "router.yaml"
    config.write_text(
        "configuration: 1\nfolders:\n"
        + "".join(f"  {name}: {tmp_path / name}\n" for name in ("records", "state", "profiles", "runtime"))
        + "seats:\n  bed: {}\n  window: {}\n"
    )
    for child in ("wren", "wren-two", "lark"):
        folder = tmp_path / "records" / child
        (folder / "fits").mkdir(parents=True)
        (folder / "2026-03-20T100000-bed.jsonl").write_text("log")
        (folder / "2026-03-20T100000-bed.trace.jsonl.gz").write_bytes(b"trace")
        (folder / "fits" / "pad.json").write_text("{}")
        (folder / ".seen.json").write_text("{}")
        waste = tmp_path / "records" / ".wastebasket" / child
        waste.mkdir(parents=True)
        (waste / "2025-12-01T100000-bed.jsonl").write_text("log")
        (waste / ".seen.json").write_text("{}")
        profile = (shipped() / "wren.yaml").read_text().replace("child: wren", f"child: {child}")
        beside = tmp_path / "profiles"
        for ending in ("", ".old", ".old2", "~"):
            (beside / f"{child}.yaml{ending}").write_text(profile)
        recording = header_line(child=child, input="pad").encode()
        (beside / f"{child}-pad-2026-03-20-1000.jsonl").write_bytes(recording)
        (beside / f"{child}-pad-2026-03-20-1001.jsonl.gz").write_bytes(gzip.compress(recording))
        for kept in (beside, tmp_path / "records"):
            (kept / f"{child}-cheek-2026-03-20-1000-2.jsonl").write_bytes(recording)
            (kept / f"fit of {child}.html").write_text(f"<title>{child}, pad: the fit</title>")
            (kept / f"fit of {child}.png").write_bytes(b"picture")
        (tmp_path / "records" / f"{child}-march.html").write_text(f"<title>What {child} did</title>")
        (beside / f"{child}.html").write_text(f"<title>{child} and her family</title>")
    (tmp_path / "profiles" / "wren-notes.jsonl").write_text("not a recording of the router's")
    for seat, child in (("bed", "wren"), ("window", "lark")):
        memory = tmp_path / "state" / seat
        memory.mkdir()
        for plays in (memory / "plays.json", tmp_path / "runtime" / f"{seat}.plays.json"):
            plays.write_text(
                json.dumps({"child": child, "file": f"{child}.yaml", "digest": "", "chosen": True}).ljust(4095) + "\n"
            )
        memory.joinpath("last-good.yaml").write_text(f"profile: 1\nchild: {child}   # a pseudonym\n")
        for other in ("wren", "lark"):  # both have played at both
            memory.joinpath(f"proven-{other}.yaml").write_text(f"profile: 1\nchild: {other}\n")
    return config


def forget(room, *words):
    return main(["forget", *words, "--config", str(room)])


def there(room):
    return {str(path.relative_to(room.parent)) for path in room.parent.rglob("*") if not path.is_dir()}


HERS = {
    "records/wren/2026-03-20T100000-bed.jsonl",
    "records/wren/2026-03-20T100000-bed.trace.jsonl.gz",
    "records/wren/fits/pad.json",
    "records/wren/.seen.json",
    "records/.wastebasket/wren/2025-12-01T100000-bed.jsonl",
    "records/.wastebasket/wren/.seen.json",
    "profiles/wren.yaml.old",
    "profiles/wren.yaml.old2",
    "profiles/wren.yaml~",
    "profiles/wren-pad-2026-03-20-1000.jsonl",
    "profiles/wren-pad-2026-03-20-1001.jsonl.gz",
    "profiles/wren-cheek-2026-03-20-1000-2.jsonl",
    "profiles/fit of wren.html",
    "profiles/fit of wren.png",
    "records/wren-cheek-2026-03-20-1000-2.jsonl",
    "records/fit of wren.html",
    "records/fit of wren.png",
    "records/wren-march.html",
    "state/bed/plays.json",
    "runtime/bed.plays.json",
    "state/bed/last-good.yaml",
    "state/bed/proven-wren.yaml",
    "state/window/proven-wren.yaml",
}


def test_first_it_only_says_what_would_go(room, capsys):
    before = there(room)
    assert forget(room, "wren") == 0
    assert there(room) == before
    said = capsys.readouterr().out
    listed = {line.strip() for line in said.splitlines() if line.startswith("  ")}
    assert listed == {str(room.parent / path) for path in HERS}
    assert "Nothing has been deleted yet" in said
    assert f"The profile stays, as only you know whether it is needed: {room.parent / 'profiles/wren.yaml'}" in said
    assert "is wren playing?" in said  # it was written just now
    assert "What this machine cannot know" in said


def test_then_it_goes_and_nothing_else(room, capsys):
    before = there(room)
    assert forget(room, "wren", "--yes", "--json") == 1  # her profile is there still, and is told
    assert before - there(room) == HERS
    assert not (room.parent / "records" / "wren").exists()
    assert not (room.parent / "records" / ".wastebasket" / "wren").exists()
    found = json.loads(capsys.readouterr().out)
    assert {str(Path(path).relative_to(room.parent)) for path in found["deleted"]} == HERS
    assert (found["failed"], found["would_delete"]) == ({}, [])
    assert found["profiles"] == [str(room.parent / "profiles/wren.yaml")]
    assert found["carry_the_name"] == [str(room.parent / "profiles/wren.html")]


def test_it_says_that_all_is_gone_only_if_it_is(room, capsys):
    (room.parent / "profiles" / "wren.html").unlink()
    assert forget(room, "wren", "--yes", "--profile") == 0
    assert not {path for path in there(room) if "wren" in path and "wren-" not in path}
    assert "stays" not in capsys.readouterr().out


COPIES = [
    *("wren.sync-conflict-20261128-101500-ABC.yaml", "wren (conflicted copy 2026-11-28).yaml", "wren~HEAD.yaml"),
    *("~wren.yaml", "wren.tmp.yaml", "Copy of wren.yaml", "wren - Kopie.yaml", "wren.yml", "wren.YAML", "neu.yaml"),
]
"""What is played or could be: it stays until ``--profile``. The last one is hers by what stands in it."""
LEFT = [
    *("wren.yaml.orig", "wren.yaml.part", "wren.yaml.new", "#wren.yaml#", ".#wren.yaml", "~syncthing~wren.yaml.tmp"),
    *("wren.yml~", "wren.yaml.swp", ".wren.yaml.swp", "wren.yaml.bak"),
]
"""What editors and sync tools leave: it goes with the rest."""


@pytest.mark.parametrize("name", COPIES)
def test_copies_of_the_profile_are_listed_and_deleted_with_it(room, capsys, name):
    path = room.parent / "profiles" / name
    path.write_text((room.parent / "profiles" / "wren.yaml").read_text())
    assert forget(room, "wren", "--yes") == 1
    assert path.exists()
    assert str(path) in capsys.readouterr().out
    (room.parent / "profiles" / "wren.html").unlink()
    assert forget(room, "wren", "--yes", "--profile") == 0
    assert not path.exists()
    assert {"profiles/wren-two.yaml", "profiles/lark.yaml", "profiles/wren-two.yaml~"} <= there(room)


@pytest.mark.parametrize("name", LEFT)
def test_what_editors_and_sync_tools_leave_goes(room, name):
    path = room.parent / "profiles" / "below" / name
    path.parent.mkdir()
    path.write_text("half a profile")
    assert forget(room, "wren", "--yes") == 1  # for the profile
    assert not path.exists()


def test_records_under_the_name_of_a_copy_are_hers_and_those_of_a_like_name_are_not(room):
    old = ["wren - Kopie", "wren (conflicted copy)", "Copy of wren", "~wren", "wren.tmp"]
    for name in (*old, ".wastebasket/wren - Kopie"):
        (room.parent / "records" / name).mkdir()
        (room.parent / "records" / name / "2026-03-20T100000-bed.jsonl").write_text(log_line(0, "start", header(name)))
    (room.parent / "records" / "lark" / "2026-03-21T100000-bed.jsonl").write_text(log_line(0, "start", header("wren")))
    (room.parent / "state" / "bed" / "plays.json").write_text(
        json.dumps({"child": "wren - Kopie", "file": "wren - Kopie.yaml", "digest": "", "chosen": True})
    )
    assert forget(room, "wren", "--yes") == 1  # for the profile
    left = there(room)
    assert not {path for path in left if path.startswith(tuple(f"records/{name}/" for name in old))}
    assert not {path for path in left if "records/.wastebasket/wren - Kopie" in path or "2026-03-21" in path}
    assert {"records/wren-two/2026-03-20T100000-bed.jsonl", "records/lark/2026-03-20T100000-bed.jsonl"} <= left
    assert not (room.parent / "state" / "bed" / "plays.json").exists()


@contextlib.contextmanager
def nobodys_rights(folder):
    """As somebody who is neither root nor the router."""
    folder.chmod(0)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o700)


@pytest.mark.parametrize(
    "words", [["forget", "wren"], ["forget", "wren", "--yes"], ["report", "wren"], ["report", "--all"]]
)
def test_without_rights_there_is_the_remedy(capsys, words):
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        folder.chmod(0o755)
        config = folder / "router.yaml"
        config.write_text(
            "configuration: 1\nfolders:\n"
            + "".join(f"  {name}: {folder / name}\n" for name in ("records", "state", "profiles", "runtime"))
        )
        records = folder / "records"
        (records / "wren").mkdir(parents=True)
        with nobodys_rights(records):
            assert main([*words, "--config", str(config)]) == 1
        said = capsys.readouterr().err
    assert f"you may not use {records}" in said
    assert f"Try: sudo router {' '.join(words)}" in said


def test_what_was_forgotten_cannot_be_forgotten_again(room, capsys):
    assert forget(room, "wren", "--yes") == 1  # for the profile
    capsys.readouterr()
    assert forget(room, "wren") == 1
    said = capsys.readouterr().err
    assert "There are records of: lark, wren-two." in said
    assert "router forget wren --profile --yes" in said


def test_a_memory_that_is_torn_is_known_by_its_copy(room):
    (room.parent / "state" / "bed" / "plays.json").write_text('{"chi')
    assert forget(room, "wren", "--yes") == 1
    assert [path.name for path in (room.parent / "state" / "bed").iterdir()] == ["proven-lark.yaml"]  # another child's


def test_links_are_deleted_and_not_what_they_lead_to(room, tmp_path):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "precious").write_text("x")
    (tmp_path / "records" / "wren" / "link").symlink_to(elsewhere)
    (tmp_path / "records" / "linnet").symlink_to(elsewhere)
    assert forget(room, "wren", "--yes") == 1
    assert forget(room, "linnet", "--yes") == 0
    assert (elsewhere / "precious").exists()
    assert not (tmp_path / "records" / "linnet").is_symlink()


@pytest.mark.parametrize("child", ["..", "../records", "/etc", "wren/fits", "Wren", ""])
def test_nothing_leads_out_of_the_folder(room, capsys, child):
    before = there(room)
    assert forget(room, child, "--yes") == 2
    assert there(room) == before
    assert "cannot be a child's pseudonym" in capsys.readouterr().err


def test_what_cannot_be_deleted_is_said(room, capsys, monkeypatch):
    unlink = Path.unlink

    def refuse(path, **more):
        if path.name == "pad.json":
            raise PermissionError(13, "Permission denied")
        unlink(path, **more)

    monkeypatch.setattr(Path, "unlink", refuse)
    assert forget(room, "wren", "--yes") == 1
    assert "pad.json   NOT DELETED: permission denied" in capsys.readouterr().out
    assert (room.parent / "records/wren/fits/pad.json").exists()


def test_what_a_fit_has_written_is_found(room, tmp_path):
    folder = tmp_path / "profiles"
    (folder / "lark.yaml").write_text((shipped() / "lark.yaml").read_text())
    recording = folder / "copied from a stick.jsonl"
    recording.write_text(header_line(child="lark") + session().split("\n", 1)[1])
    before = there(room)
    words = ["--trace", str(recording), "--write", "--report", str(folder / "march.html")]
    assert main(["fit", "cheek", "--profile", str(folder / "lark.yaml"), *words]) == 0
    written = there(room) - before
    assert {"profiles/march.html", "profiles/march.png"} < written
    assert len(written) == 3  # and the old profile
    assert forget(room, "lark", "--yes") == 1
    assert not (written | {"profiles/copied from a stick.jsonl"}) & there(room)
    assert "profiles/lark.yaml" in there(room)
