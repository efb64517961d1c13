"""Profiles with a band are right, short, and play what a musician would call a blues, a waltz, a reggae, a dance.

What each plays stands as a score in ``golden/band``, a line for each drum, a column for each step. When a change is
meant, run ``python -m tests.house.test_shipped_band`` and read what changed as a musician.
"""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import pytest

from router.core.events import Lost, SwitchSample
from router.core.midi import DRUM_CHANNEL, DRUMS
from router.core.music import Span, pitch_name
from router.core.units import NANOSECONDS
from router.files.profile import check, load, shipped
from router.testing import MILLISECOND, VirtualTime
from tests.shared.places import GOLDEN_BAND

FILES = sorted((shipped() / "band").glob("*.yaml"))
BARS = {"avocet": 16, "bunting": 12, "gadwall": 9, "brambling": 9}
BEGINS = 1300 * MILLISECOND
BAR = Span(bars=Fraction(1))
MOST_LINES = 12
"""Lines of music and band that each of these profiles may have, as was asked for."""


def play(path: Path, bars: int) -> VirtualTime:
    """The profile with a press of its first switch each second bar from ``BEGINS`` on; behind a latch only one."""
    profile = load(path)
    played = VirtualTime(profile.plan)
    switch, bar = next(iter(profile.types)), profile.plan.music.lasts(BAR)
    for each in range(0, 1 if "latch" in path.read_text(encoding="utf-8") else bars, 2):
        at = BEGINS + math.ceil(each * bar)
        played.give(at, SwitchSample(switch, True))
        played.give(at + 200 * MILLISECOND, SwitchSample(switch, False))
    played.go_on(BEGINS + math.ceil(bars * bar) - 1)
    return played


def band(played: VirtualTime) -> list[tuple[int, dict]]:
    """The notes of the band that begin, with their times from ``BEGINS`` on."""
    return [(now - BEGINS, said) for now, _, said in played.log.named("note_on") if said["part"] != "tune"]


def score(path: Path) -> str:
    """The band's notes, a line for each drum and part, a column for each eighth, or triplet where it swings."""
    music = load(path).plan.music
    step = music.lasts(Span(whole=Fraction(1, 24 if path.stem == "bunting" else 8)))
    columns = int(music.lasts(BAR) / step)
    names = {number: drum for drum, number in DRUMS.items()}
    rows: dict[tuple[int, str], list[str]] = {}
    for now, said in band(play(path, BARS[path.stem])):
        bar, column = divmod(round(now / step), columns)
        drum = said["channel"] == DRUM_CHANNEL
        row = rows.setdefault((bar, names[said["note"]] if drum else said["part"]), [""] * columns)
        row[column] += _mark(said["velocity"]) if drum else pitch_name(said["note"], music.names)
    lines = []
    for (bar, name), marks in sorted(rows.items()):
        if not lines or lines[-1][0] != bar:
            lines.append((bar, f"bar {bar + 1}"))
        lines.append((bar, f"  {name:16}" + ("" if name in DRUMS else " ").join(mark or "-" for mark in marks)))
    return "\n".join(line for _, line in lines) + "\n"


def _mark(velocity: int) -> str:
    return "X" if velocity >= 60 else "x" if velocity >= 35 else "g"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
class TestEachBand:
    def test_is_right_and_says_what_it_is_for(self, path: Path):
        text = path.read_text(encoding="utf-8")
        assert [str(problem) for problem in check(path)] == []
        assert "# For: " in text
        assert path.stem.upper() in text
        assert f"child: {path.stem}\n" in text
        assert f"`band/{path.name}`" in (shipped() / "README.md").read_text(encoding="utf-8")

    def test_has_at_most_twelve_lines_of_music_and_band(self, path: Path):
        lines = path.read_text(encoding="utf-8").splitlines()
        begin, end = lines.index("music:"), lines.index("  tune:")
        assert len([line for line in lines[begin:end] if line.strip()]) <= MOST_LINES

    def test_plays_what_is_written_in_its_score(self, path: Path):
        assert score(path) == (GOLDEN_BAND / f"{path.stem}.txt").read_text(encoding="utf-8")

    def test_the_root_is_on_each_bar(self, path: Path):
        """Each bar of the progression, as the profile writes it."""
        played, music = play(path, BARS[path.stem]), load(path).plan.music
        progression = load(path).plan.progression
        lasts = progression.lasts or (progression.every,) * len(progression.chords)
        roots = [
            chord.root for chord, span in zip(progression.chords, lasts, strict=True) for _ in range(int(span.bars))
        ]
        bar = music.lasts(BAR)
        bass = {now: said["note"] % 12 for now, said in band(played) if said["part"] == "bass"}
        assert [bass.get(math.ceil(each * bar)) for each in range(BARS[path.stem])] == [
            roots[each % len(roots)] for each in range(BARS[path.stem])
        ]

    def test_no_limit_takes_a_note_and_nothing_is_left_on(self, path: Path):
        played = play(path, 3 * BARS[path.stem])
        played.give(played.now + 100 * MILLISECOND, Lost(next(iter(load(path).types))))
        assert {note[1] for note in played.engine.sounding} <= {1}  # her own may ring
        played.go_on(played.now + 20 * NANOSECONDS)
        assert played.engine.sounding == ()
        assert played.log.named("limit", "fault") == []

    def test_ends_on_a_bar_line_and_begins_anew_with_her(self, path: Path):
        played, bar = play(path, 2), load(path).plan.music.lasts(BAR)
        switch = next(iter(load(path).types))
        if "latch" in path.read_text(encoding="utf-8"):
            played.give(played.now + 1, SwitchSample(switch, True))
            played.give(played.now + 2, SwitchSample(switch, False))
        played.go_on(BEGINS + 60 * NANOSECONDS)
        last = max(now for now, _ in band(played))
        assert last in {math.ceil(each * bar) for each in range(2, 30)}
        again = BEGINS + 77 * NANOSECONDS + 7
        played.give(again, SwitchSample(switch, True))
        played.go_on(again + 1)
        assert any(now == again - BEGINS for now, _ in band(played))


def test_the_drums_of_each_style_are_where_its_name_says():
    """Common practice, no source: the bass drum of a waltz is on one; in reggae's one drop it comes with the side stick
    on three, and nothing on one; four on the floor has it on each beat, with claps on two and four; a shuffle swings,
    with the snare on two and four.
    """
    lines = {
        path.stem: {
            line[2:18].strip(): line[18:] for line in score(path).split("bar 2\n")[1].split("bar 3\n")[0].splitlines()
        }
        for path in FILES
    }
    assert lines["avocet"]["bass drum 1"][0] in "xX"
    assert lines["avocet"]["chords"].split()[0] == "-"
    assert lines["gadwall"]["bass drum 1"] == lines["gadwall"]["side stick"] == "----X---"
    assert [mark != "-" for mark in lines["gadwall"]["organ"].split()] == [column in (2, 6) for column in range(8)]
    assert lines["brambling"]["bass drum 1"] == "X-X-X-X-"
    assert lines["brambling"]["hand clap"] == "--X---X-"
    assert lines["bunting"]["acoustic snare"].replace("x", "X") == "------X-----------X-----"
    assert [mark != "-" for mark in lines["bunting"]["ride cymbal 1"]] == [column % 6 in (0, 4) for column in range(24)]


if __name__ == "__main__":
    GOLDEN_BAND.mkdir(exist_ok=True)
    for profile_path in FILES:
        (GOLDEN_BAND / f"{profile_path.stem}.txt").write_text(score(profile_path), encoding="utf-8")
