"""Forgetting a child: everything of hers goes, nothing of anybody else's, and only when it is said twice."""

import gzip
import json
from pathlib import Path

import pytest
from test_fit_guide import session

from router.cli import main
from router.inputs.trace import header_line
from router.profile import shipped


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
    assert forget(room, "wren", "--yes", "--json") == 0
    assert before - there(room) == HERS
    assert not (room.parent / "records" / "wren").exists()
    assert not (room.parent / "records" / ".wastebasket" / "wren").exists()
    found = json.loads(capsys.readouterr().out)
    assert {str(Path(path).relative_to(room.parent)) for path in found["deleted"]} == HERS
    assert (found["failed"], found["would_delete"]) == ({}, [])


def test_what_was_forgotten_cannot_be_forgotten_again(room, capsys):
    assert forget(room, "wren", "--yes") == 0
    capsys.readouterr()
    assert forget(room, "wren") == 1
    assert "There are records of: lark, wren-two." in capsys.readouterr().err


def test_a_memory_that_is_torn_is_known_by_its_copy(room):
    (room.parent / "state" / "bed" / "plays.json").write_text('{"chi')
    assert forget(room, "wren", "--yes") == 0
    assert not list((room.parent / "state" / "bed").iterdir())


def test_links_are_deleted_and_not_what_they_lead_to(room, tmp_path):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "precious").write_text("x")
    (tmp_path / "records" / "wren" / "link").symlink_to(elsewhere)
    (tmp_path / "records" / "linnet").symlink_to(elsewhere)
    assert forget(room, "wren", "--yes") == 0
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
    assert forget(room, "lark", "--yes") == 0
    assert not (written | {"profiles/copied from a stick.jsonl"}) & there(room)
    assert "profiles/lark.yaml" in there(room)
