"""Random songs played by random hands: the band that waits plays each of its notes once, in order, never before hers.

    python -m tests.random_songs --examples 1000
    python -m tests.random_songs --corpus 600       the melodies and the bands of scores of music21's corpus

A song has a melody with rests and chords, and a band of two parts with an introduction, notes that last across hers,
and an ending. A hand presses in bursts, at half the tempo, and with pauses of up to 5 s, and holds for as long as it
likes. Throughout:

  * ``press: note``: each press plays the next step of the melody, whatever its time;
  * each note of the band begins exactly once, in order, and none before the step of hers at or after which it stands;
  * ``press: now``: whatever the times of the presses and the tempos, no note of hers sounds outside the chord;
  * some time after the last press nothing is on;
  * with an input that is lost, and an engine that stops at any moment, nothing is left on.
"""

from __future__ import annotations

import argparse
import sys
import time
from fractions import Fraction
from itertools import pairwise
from random import Random
from typing import Any

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import PartPlan, Plan
from router.core.events import Lost, NoteOff, NoteOn, Press, Release, Route, SwitchSample
from router.core.music import SCALES, Chord, Music, TimeSignature
from router.core.rules import RULES
from router.core.rules.song import SongRule
from router.core.song import ChordAt, MetreAt, Phrase, Section, Song, SongNote, SongPart, TempoAt
from router.core.units import NANOSECONDS
from router.songs import SongError
from router.songs.reading import song_of
from router.testing import MILLISECOND, Bench, RuleUnderTest, VirtualTime, plan_rule

QUIET = 20 * NANOSECONDS
"""So long after the end of a song nothing is held there any more."""
CHORDS = (Chord("C", 0, (0, 4, 7)), Chord("Am", 9, (0, 3, 7)), Chord("F", 5, (0, 4, 7)), Chord("G7", 7, (0, 4, 7, 10)))


def song(random: Random) -> Song:
    """A song of some bars, with a melody and two more parts."""
    at, melody = Fraction(random.choice((0, 0, 1, 4))), list[SongNote]()
    for _ in range(random.randint(3, 24)):
        lasts = random.choice((Fraction(1, 3), Fraction(1, 2), Fraction(1), Fraction(2)))
        pitches = random.sample(range(60, 80), random.choice((1, 1, 1, 2)))
        longer = random.choice((0, 0, 0, 1)) * lasts / 2
        melody += [SongNote(at, lasts + longer, pitch, random.randint(1, 127)) for pitch in sorted(pitches)]
        at += lasts + random.choice((0, 0, 0, 1, 4))
    end = -(-(at + random.choice((0, 2))) // 4) * 4
    parts = [SongPart("Voice", tuple(melody))]
    for name, low in (("Piano", 48), ("Bass", 30)):
        notes, place = list[SongNote](), Fraction(random.choice((0, 0, 1, 2)))
        while place < end:
            lasts = random.choice((Fraction(1, 4), Fraction(1, 2), Fraction(1), Fraction(4)))
            pitches = sorted(random.sample(range(low, low + 12), random.choice((1, 3))))
            notes += [SongNote(place, min(lasts, end - place), pitch, 64) for pitch in pitches]
            place += random.choice((lasts, lasts / 2, lasts * 2))
        parts.append(SongPart(name, tuple(notes)))
    steps = len(parts[0].steps)
    firsts = sorted({0, *random.sample(range(steps), min(steps, 3))})
    bars = tuple(Fraction(4 * bar) for bar in range(int(end // 4) + 1))
    tempos = [TempoAt(Fraction(0), Fraction(random.choice((60, 100, 144))))]
    if end > 8:
        tempos.append(TempoAt(Fraction(8), Fraction(random.choice((50, 120)))))
    return Song(
        name="evening",
        parts=tuple(parts),
        melody=0,
        tonic=0,
        scale=SCALES["major"],
        metres=(MetreAt(Fraction(0), TimeSignature()),),
        tempos=tuple(tempos),
        bars=bars,
        phrases=tuple(Phrase(a, b) for a, b in zip(firsts, [*firsts[1:], steps], strict=True)),
        chords=tuple(ChordAt(Fraction(bar), random.choice(CHORDS)) for bar in bars[:-1]),
        sections=(Section(bars[0], "A"), *((Section(bars[2], "B"),) if len(bars) > 4 else ())),
    )


def plan(of: Song, hers: dict[str, Any], *bands: dict[str, Any], music: Music | None = None) -> Plan:
    """A switch plays her part, and each band has a part without an input; nothing is limited."""
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
    tune = PartPlan("tune", ("pad",), (plan_rule(RULES["song"], {"play": of, **hers}),), Route("out", 1))
    others = [
        PartPlan(f"band {n}", (), (plan_rule(RULES["song"], {"play": of, **band}),), Route("out", 2 + n))
        for n, band in enumerate(bands)
    ]
    return Plan(music or Music(), Bench.WIDE, inputs, (*others[:1], tune, *others[1:]))


def gap(random: Random) -> int:
    """The time from one press to the next: a burst, a quarter note, half the tempo, or a pause of up to 5 s."""
    return random.choice((1, 20, 60, 150, 400, 600, 600, 1200, 1200, random.randint(1500, 5000))) * MILLISECOND


def begun(player: VirtualTime, part: str) -> list[tuple[int, int]]:
    """The notes of a part that have begun: when, and which."""
    lines = player.log.named("note_on")
    return [(now, fields["note"]) for now, _, fields in lines if fields["part"].startswith(part)]


def hands(player: VirtualTime, random: Random, presses: int) -> list[int]:
    """Press so often; return when."""
    times, now = [], random.randint(0, 2000) * MILLISECOND
    for _ in range(presses):
        times.append(now)
        player.give(now, SwitchSample("pad", pressed=True))
        then = gap(random)
        held = min(then - 1, random.choice((0, then - 1, then // 2)))
        player.give(now + held, SwitchSample("pad", pressed=False))
        now += then
    return times


def band_waits(seed: int, hers: dict[str, Any] | None = None, of: Song | None = None) -> int:
    """Play a song, by default a random one, with a band that waits, and return how many notes the band played."""
    random = Random(seed)
    of = of or song(random)
    player = VirtualTime(plan(of, {"press": "note", **(hers or {})}, {"part": "others", "waits_for": "tune"}))
    steps = of.tune.steps
    # An impatient press within an introduction cuts that short, and plays the step that it was waiting for.
    hands(player, random, len(steps))
    while len(begun(player, "tune")) < len(of.tune.notes) and player.now < 3600 * NANOSECONDS:
        hers_now = len(begun(player, "tune"))
        player.go_on(player.now + NANOSECONDS)
        if len(begun(player, "tune")) == hers_now:
            player.give(player.now, SwitchSample("pad", pressed=True))
            player.give(player.now + MILLISECOND, SwitchSample("pad", pressed=False))
    player.go_on(player.now + 2 * of.ticks(of.end, by_quarters=False) + QUIET)  # an ending of the band may be long
    hers_begun, band = begun(player, "tune"), begun(player, "band")
    assert [pitch for _, pitch in hers_begun] == [note.pitch for note in of.tune.notes], seed
    others = [part for part in of.parts if part is not of.tune and not part.drums]
    written = sorted((note.at, note.pitch) for part in others for note in part.notes)
    assert [pitch for _, pitch in band] == [pitch for _, pitch in written], f"{seed}: each once, in order"
    when = {note.at: at for note, (at, _) in zip(of.tune.notes, hers_begun, strict=True)}
    for (at, _), (now, _) in zip(written, band, strict=True):
        before = [step.at for step in steps if step.at <= at]
        assert not before or now >= when[before[-1]], f"{seed}: the note at {at} is before hers"
    assert not player.engine.sounding, f"{seed}: left on"
    assert not player.log.named("fault"), seed
    return len(band)


def played(of: Song, presses: list[tuple[int, int]], **settings: object) -> list[tuple[int, int, int]]:
    """Each note that presses, from and to a time, give: when it began and ended, and its pitch."""
    rule = Bench(RuleUnderTest(SongRule, {"play": of, **settings}, "shipped"))
    for voice, (begins, ends) in enumerate(presses, 1):
        rule.give(Press("pad", voice), begins)
        rule.give(Release("pad", voice), ends)
    rule.go_on(rule.now + of.ticks(of.end, by_quarters=False) + QUIET)
    on: dict[int, list[tuple[int, int]]] = {}
    found = []
    for now, event in rule.out:
        if isinstance(event, NoteOn):
            on.setdefault(event.voice, []).append((now, event.pitch))
        elif isinstance(event, NoteOff):
            found += [(began, now, pitch) for began, pitch in on.pop(event.voice, ())]
    assert not on
    return sorted(found)


def as_written(of: Song) -> None:
    """Play a song by a press at each written time: note by note, phrase by phrase, and whole."""
    timed = of.timed((of.melody,), by_quarters=False)
    written = sorted((note.at, note.end, note.pitch) for note in timed)
    steps = sorted({note.at for note in timed})
    short = [(at, at + MILLISECOND) for at in steps]
    assert played(of, short, press="note", lengths="written") == written
    if all(note.end <= later.at for note, later in pairwise(timed)):  # one hand can hold them as they are written
        held = [(note.at, note.end) for note in timed]
        assert played(of, held, press="note") == written
    phrases = [of.ticks(of.tune.steps[phrase.first].at, by_quarters=False) for phrase in of.phrases]
    assert played(of, [(at, at + MILLISECOND) for at in phrases], press="phrase") == written
    assert played(of, short[:1], press="start", introduction="left out") == written


class Elapsed:
    """The quarter notes that have gone by since the song began, in a tempo that changes: the simplest sum."""

    def __init__(self, began: int, first: Fraction, tempo: Fraction) -> None:
        self.changes = [(began, first, tempo)]

    def change(self, now: int, tempo: Fraction) -> None:
        self.changes.append((now, self.at(now), tempo))

    def at(self, now: int) -> Fraction:
        """The place in quarter notes."""
        since, place, tempo = next(one for one in reversed(self.changes) if one[0] <= now)
        return place + Fraction(now - since, 60 * NANOSECONDS) * tempo


def now_fits(seed: int) -> int:
    """Play a song that runs in the room's time; return how many notes of hers fitted its chords all the while."""
    random = Random(seed)
    of = song(random)
    music = Music(tempo=Fraction(random.choice((40, 90, 200))))
    player = VirtualTime(plan(of, {"press": "now", "restart_after": "60 min"}, {"part": "others"}, music=music))
    now = random.randint(0, 2000) * MILLISECOND
    first = min(note.at for part in of.parts for note in part.notes)
    elapsed = Elapsed(now, first, music.tempo)
    while elapsed.at(now) < of.end:
        player.give(now, SwitchSample("pad", pressed=True))
        then = gap(random)
        held = random.choice((then - 1, then // 2, then // 2, 1))
        if random.random() < 0.3:
            at = now + random.randrange(1, then)
            music = Music(tempo=Fraction(random.choice((30, 61, 90, 133, 300))), origin=at - random.randrange(10**9))
            if at < now + held:
                player.follow(music, at)
                elapsed.change(at, music.tempo)
        player.give(now + held, SwitchSample("pad", pressed=False))
        now += then
    player.go_on(now + QUIET)
    fitted = 0
    on: dict[int, int] = {}
    for when, event, fields in player.log.named("note_on", "note_off"):
        if fields["part"] != "tune":
            continue
        if event == "note_on":
            on[fields["note"]] = when
            continue
        begins, ends = elapsed.at(on.pop(fields["note"])), elapsed.at(when)
        fitted += 1
        for chord in of.chords:
            later = min([one.at for one in of.chords if one.at > chord.at] + [of.end])
            sounds = min(ends, later) - max(begins, chord.at)
            slack = Fraction(1, 10**6)  # quarter notes: whole nanoseconds are rounded up
            assert sounds <= slack or fields["note"] % 12 in chord.chord.classes, (seed, chord.at, begins, ends)
    assert not on
    assert not player.engine.sounding, seed
    assert not player.log.named("fault"), seed
    written = sorted((note.at, note.pitch) for part in of.parts[1:] for note in part.notes)
    band = [pitch for _, pitch in begun(player, "band")][: len(written)]
    assert band == [pitch for _, pitch in written], seed
    return fitted


def let_go(seed: int) -> int:
    """Press at random while inputs are lost and engines stop; return how many notes began, none of which is left on."""
    random = Random(seed)
    of = song(random)
    press = random.choice(("note", "phrase", "bar", "section", "now", "start"))
    hers = {"press": press, "early": random.choice(("at once", "in time", "not counted"))}
    hers |= {"lengths": random.choice(("as held", "written")), "stop_by": random.choice(("second press", "release"))}
    hers |= {"tempo": random.choice(("written", "room", "hers")), "end": random.choice(("loop", "stop"))}
    bands = [{"part": "Piano"} if press == "now" else {"part": "Piano", "waits_for": "tune"}, {"part": "Bass"}]
    player = VirtualTime(plan(of, hers, *bands))
    now = 0
    for _ in range(random.randint(1, 25)):
        now += random.choice((0, 1, gap(random)))
        match random.randrange(8):
            case 0:
                player.give(now, Lost("pad"))
                player.go_on(now + QUIET // 1000)
                on = [wire for wire in player.engine.sounding if wire[1] in (1, 2)]  # hers, and the band that waits
                assert not on, f"{seed}: lost, and {on} sound on"
            case 1:
                music = Music(tempo=Fraction(random.choice((20, 90, 400))), origin=now)
                player.follow(music, now)
            case 2:
                player.stop()
                assert not player.engine.sounding, seed
            case what:
                player.give(now, SwitchSample("pad", pressed=what > 4))
    player.give(now + MILLISECOND, SwitchSample("pad", pressed=False))
    player.go_on(now + 20 * QUIET)
    assert not player.engine.sounding, f"{seed}: left on"
    assert not player.log.named("fault"), seed
    player.stop()
    return len(player.log.named("note_on"))


def run(examples: int, first: int = 0) -> int:
    """Play so many songs in each way; return how many notes began."""
    return sum(way(seed) for seed in range(first, first + examples) for way in (band_waits, now_fits, let_go))


def corpus(most: int) -> int:
    """Play scores of music21's corpus as they are written, and with a band that waits; return how many."""
    from tests import songs_beside

    files = songs_beside.corpus()
    Random(1).shuffle(files)
    done = 0
    for file in files:
        try:
            of = song_of(file.read_bytes(), file.stem)
        except SongError:  # drums only, or too much for a small computer
            continue
        as_written(of)
        if len(of.parts) > 1:
            band_waits(done, of=of)
        done += 1
        if done == most:
            break
    return done


def main() -> int:
    parser = argparse.ArgumentParser(description="Play random songs by random hands.")
    parser.add_argument("--examples", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--corpus", type=int, default=0, help="scores of the corpus instead")
    wanted = parser.parse_args()
    began = time.monotonic()
    if wanted.corpus:
        scores = corpus(wanted.corpus)
        sys.stdout.write(f"{scores} scores, {time.monotonic() - began:.0f} s, no failure\n")
        return 0
    notes = run(wanted.examples, wanted.first)
    sys.stdout.write(f"{wanted.examples} songs, {notes} notes, {time.monotonic() - began:.0f} s, no failure\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
