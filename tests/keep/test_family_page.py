"""The page for the family: whole in itself, and without anybody's name."""

from __future__ import annotations

import base64
import io
import itertools
import json
import re
import stat
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import soundfile

from router.cli import main
from router.devices.outputs.instrument import RATE

CHILD, SEAT, DIGEST = "wren", "window7", "sha256-of-the-profile"
MARKS = ("smiled at Grandpa Otto", "goal reach +1")


@pytest.fixture
def log(tmp_path, monkeypatch):
    """A session of a child at a seat, with marks."""
    folder = tmp_path / "records" / CHILD
    folder.mkdir(parents=True)
    monkeypatch.chdir(tmp_path)
    path = folder / f"2026-11-25T103300-{SEAT}.jsonl"
    began = "2026-11-25T10:33:00.000+00:00"
    lines = [{"t": 0, "event": "start", "log": 1, "child": CHILD, "seat": SEAT, "began": began, "profile": DIGEST}]
    lines += [{"t": 1 + i, "event": "mark", "text": text} for i, text in enumerate(MARKS)]
    for i, pitch in enumerate((60, 62, 64, 65, 67, 65, 64, 62, 60)):
        note = {"part": "tune", "output": "synth", "channel": 1, "note": pitch, "velocity": 80}
        lines += [{"t": 3 + 0.66 * i, "event": "note_on", **note}, {"t": 3.6 + 0.66 * i, "event": "note_off", **note}]
    path.write_text("\n".join(map(json.dumps, lines)))
    return path


class Tags(HTMLParser):
    """All tags of a page, with what they point to, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags, self.links, self.text = [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.links += [value for name, value in attrs if name in ("src", "href", "xlink:href", "action", "data")]

    def handle_data(self, data):
        self.text.append(data)


def test_the_page_has_title_day_score_and_sound_and_needs_nothing_else(log):
    assert main(["keep", str(log), "--page", "out.html", "--title", "Für <Oma> & all"]) == 0
    page = Path("out.html").read_text(encoding="utf-8")
    tags = Tags(page)
    assert "Für <Oma> & all" in tags.text
    assert "Wed 25 Nov 2026" in tags.text
    assert {"svg", "audio"} <= set(tags.tags)
    assert not {"script", "iframe", "link", "object", "form", "img"} & set(tags.tags)
    (sound,) = [link for link in tags.links if not link.startswith("#")]
    assert all(link.startswith("#") for link in tags.links if link != sound)
    assert set(re.findall(r"url\(\s*['\"]?([a-z]+:[a-z]*)", page)) <= {"data:application"}
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]
    assert "default-src 'none'" in policy
    kind, _, data = sound.partition(";base64,")
    assert kind == "data:audio/mpeg"
    heard, rate = soundfile.read(io.BytesIO(base64.b64decode(data)))
    assert rate == RATE
    assert 6 < len(heard) / rate < 12
    assert abs(heard).max() > 0.1
    assert stat.S_IMODE(Path("out.html").stat().st_mode) == 0o600


def test_the_score_in_the_page_is_a_drawing_with_each_note(log):
    main(["keep", str(log), "--page", "out.html"])
    page = Path("out.html").read_text(encoding="utf-8")
    drawing = re.search(r"<svg.*?</svg>\s*(?=<)", page, re.DOTALL)[0]
    whole = re.search(r"<figure[^>]*>(.*?)<figcaption", page, re.DOTALL)[1]
    ET.fromstring(whole)  # it is well formed
    assert drawing
    assert len(re.findall(r'class="note"', whole)) == 9


def test_no_byte_of_the_page_says_who_played_or_where(log, tmp_path):
    """Neither the pseudonym nor seat, marks, paths, the profile's digest or times; the sound's bytes, too."""
    main(["keep", str(log), "--page", "out.html", "--title", "For grandmother", "--date", "In November"])
    data = Path("out.html").read_bytes()
    sound = base64.b64decode(re.search(rb"base64,([A-Za-z0-9+/=]+)\"></audio>", data)[1])
    secret = [CHILD, SEAT, DIGEST, *MARKS, "Grandpa", str(tmp_path), Path.home().name, "records", "2026", "10:33"]
    text = data.replace(re.search(rb"base64,[A-Za-z0-9+/=]+\"></audio>", data)[0], b"")
    fonts = re.sub(rb"base64,[A-Za-z0-9+/=]+", b"", text)
    for word, place in itertools.product(secret, (fonts, sound)):
        assert word.casefold().encode() not in place.lower(), word
    assert b"In November" in data


def test_the_day_may_be_left_out(log):
    main(["keep", str(log), "--page", "out.html", "--date", ""])
    assert "2026" not in "".join(Tags(Path("out.html").read_text(encoding="utf-8")).text)


@pytest.mark.parametrize("missing", ["verovio", "soundfile"])
def test_without_the_extra_the_command_line_that_installs_it_is_told(log, missing, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, missing, None)
    assert main(["keep", str(log), "--page", "out.html", "--midi", "out.mid"]) == 1
    assert f"{sys.executable} -m pip install verovio soundfile" in capsys.readouterr().err
    assert not Path("out.html").exists()
    assert not Path("out.mid").exists()  # all of it or nothing
    assert main(["keep", str(log), "--midi", "out.mid"]) == 0


DAEMON = "router.bedside.service, router.live.daemon, router.cli.run"
LOADED = (
    "import sys, {}; print(sorted({{'verovio', 'soundfile', 'numpy', 'music21', 'router.keep'}} & set(sys.modules)))"
)


@pytest.mark.parametrize(("modules", "wanted"), [(DAEMON, []), (f"{DAEMON}, router.cli.keep", ["router.keep"])])
def test_what_is_heavy_is_no_part_of_the_daemon(modules, wanted):
    said = subprocess.run([sys.executable, "-c", LOADED.format(modules)], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == str(wanted)
