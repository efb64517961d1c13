"""What is said to be safe is on the disk: each file is synced as it stands, and the folder that holds its name too.

A test cannot pull the plug. It looks on as the kernel does: which file was synced, and how long it was then.
"""

import hashlib
import os

import pytest

from router.bedside.memory import LastProfile, SeatMemory
from router.core.events import SwitchSample
from router.records.recorder import Records
from router.system.files import replacing

S = 1_000_000_000


@pytest.fixture
def synced(monkeypatch):
    """By file or folder (its number): its size when it was synced last."""
    found: dict[int, int] = {}
    fsync = os.fsync

    def look_on(descriptor):
        fsync(descriptor)
        about = os.fstat(descriptor)
        found[about.st_ino] = about.st_size

    monkeypatch.setattr(os, "fsync", look_on)
    return found


def test_a_session_and_its_recording_are_synced_to_their_last_byte(tmp_path, synced):
    keeper = Records(tmp_path / "records", lambda *_args, **_fields: None)
    session = keeper.begin("bed", "wren", "", 0, record_raw=True)
    session(1 * S, "mark", {"text": "smiled"})
    session.sample(1 * S, SwitchSample("pad", True))
    session.close(2 * S)
    keeper.close()
    files = list((tmp_path / "records/wren").iterdir())
    assert len(files) == 2
    assert {path.stat().st_ino: path.stat().st_size for path in files}.items() <= synced.items()
    assert (tmp_path / "records/wren").stat().st_ino in synced, "and so are their names"


def test_what_plays_next_time_is_synced(tmp_path, synced):
    memory = SeatMemory(tmp_path)
    text = b"profile: 1\n"
    memory.keep(LastProfile("wren", "wren.yaml", hashlib.sha256(text).hexdigest(), chosen=True), text)
    files = [path for path in tmp_path.iterdir() if path.is_file()]
    assert len(files) == 2
    assert {path.stat().st_ino: path.stat().st_size for path in files}.items() <= synced.items()
    assert tmp_path.stat().st_ino in synced, "and so are their names"


def test_a_file_that_is_replaced_is_synced_before_it_takes_the_others_place(tmp_path, synced):
    path = tmp_path / "wren.yaml"
    with replacing(path) as file:
        file.write(b"all of it")
    assert synced == {path.stat().st_ino: 9}


def test_the_profile_before_stays_on_the_disk_until_the_next_one_is(tmp_path, monkeypatch):
    memory = SeatMemory(tmp_path)
    memory.keep(LastProfile("wren", "wren.yaml", "1", chosen=True), b"1")
    on_the_disk: list[bytes] = []
    fsync = os.fsync
    monkeypatch.setattr(os, "fsync", lambda descriptor: (fsync(descriptor), on_the_disk.append(plays.read_bytes()))[0])
    plays = tmp_path / "plays.json"
    memory.keep(LastProfile("lark", "lark.yaml", "2", chosen=True), b"1")
    assert [(b"wren" in data, b"lark" in data) for data in on_the_disk] == [(True, True), (False, True)]
