"""The command ``router demo --together``.

Three simulated children and a specialist at a simulated keyboard play one piece (``piece.py``).

It is made on virtual time by the same room and engines as a daemon has, and written as MIDI file, sound file and
picture. On a terminal it is shown at the pace of life; elsewhere one line says each thing that happens, at once.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, BinaryIO

from rich.console import Console
from rich.text import Text

from router.cli import piece, say
from router.cli.screen import drawable
from router.cli.stage import (
    TAIL,
    Files,
    Interrupt,
    LinesShow,
    Pace,
    ScreenShow,
    Show,
    event_in_words,
    filled,
    headline,
    speaker,
)
from router.core.conditioning.base import Conditioner
from router.core.conditioning.pointer import PointerConditioner
from router.core.conditioning.pressure import PressureConditioner
from router.core.engine import TEMPO
from router.core.events import MidiSample, Route
from router.core.midi import CONTROL_CHANGE, NOTE_OFF, NOTE_ON, PEDAL_DOWN, PROGRAM_CHANGE, PROGRAMS
from router.core.music import SCALES, Chord, spelt
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.devices.outputs.base import Output
from router.devices.outputs.midi_file import track_names
from router.files import profile
from router.files.profile import Profile
from router.offline.picture import Lane, Picture, svg
from router.offline.together import KEYBOARD, Moment, Together
from router.room.lead import Leading
from router.room.room import KEY, RoomPlan
from router.system.files import replacing

SECONDS = 60
CHILDREN = ("wren", "lark", "pipit")
"""Their profiles lie in the folder ``together`` of the shipped ones."""
INSTRUMENT = "the room"
"""The output of all: one synth, on which each part has a channel of its own."""
ABOUT = {
    KEYBOARD: ("the specialist", "leads: the chord", "and the key"),
    "wren": ("switch: a harp", "follows the chord"),
    "lark": ("pad at the cheek:", "strings, and thin the", "pizzicato; follow the", "chord"),
    "pipit": ("head pointer: bells", "follow the key"),
}

STORY = """\
Three children play at once, and a specialist leads from a keyboard. Whatever chord is held there, Wren's harp \
and Lark's strings play it; whatever key is played there, Pipit's bells are in it. \
All that goes by the beat goes by one beat."""

NEXT = """\
The picture, for any web browser, shows who played what: the chords and the
keyboard on top, then each child with its notes (filled: of the chord of the
moment) and below them the efforts that they came from.

Next:
  profiles/together/                  what the three play from
  router run starling                 play yourself, on this keyboard
  router new kite --input pad=switch  begin a profile; "music: {follow: room}"
                                      lets it follow whoever leads
  profiles/README.md                  the therapist's page"""


def room_of_the_piece() -> RoomPlan:
    """The room of the piece: its tempo and its first key are said, and the keyboard leads from there."""
    leading = Leading(chord=True, key=True, channel=piece.CHANNEL, hold=piece.HOLD)
    return RoomPlan(music=piece.MUSIC, says=frozenset({TEMPO, KEY}), leading=leading)


def profiles_of_the_children() -> dict[str, Profile]:
    """Their profiles, by name."""
    folder = profile.shipped() / "together"
    return {name: profile.load(folder / f"{name}.yaml") for name in CHILDREN}


def samples(this: piece.Piece, profiles: Mapping[str, Profile]) -> dict[str, Iterator[Stamped]]:
    """The samples of everybody, by seat."""
    found = {KEYBOARD: piece.keyboard(KEYBOARD, this)}
    for name, loaded in profiles.items():
        (source, make) = next(iter(loaded.plan.inputs.items()))
        found[name] = _child(source, make(itertools.count(1).__next__, Alarm(Timers(), 0)), this)
    return found


def _child(source: str, conditioner: Conditioner, this: piece.Piece) -> Iterator[Stamped]:
    match conditioner:
        case PressureConditioner(settings=settings) if settings.above is not None:
            return piece.lark(source, this, 1.4 * settings.above.on, settings.above.full)
        case PointerConditioner(settings=settings):
            return piece.pipit(source, this, settings.grid)
        case _:
            return piece.wren(source, this)


@dataclass(slots=True)
class Score:
    """The record of a piece, for the picture, the markers and the last lines."""

    picture: Picture
    efforts: Counter[str] = field(default_factory=Counter)
    notes: Counter[str] = field(default_factory=Counter)
    _held_since: int | None = None

    def lane(self, name: str) -> Lane:
        """The lane of a player."""
        return next(lane for lane in self.picture.lanes if lane.name == name.capitalize())

    def keyboard(self, data: tuple[int, ...], now: int, chord: Chord | None) -> None:
        """A message of the keyboard."""
        kind, lane = data[0] & 0xF0, self.lane(KEYBOARD)
        if kind == NOTE_ON and data[2]:
            self.notes[KEYBOARD] += 1
            lane.note_on(KEYBOARD, data[1], now)
        elif kind in (NOTE_ON, NOTE_OFF):
            lane.note_off(KEYBOARD, data[1], now)
        elif kind == CONTROL_CHANGE and data[1] == piece.HOLD:
            if data[2] >= PEDAL_DOWN:
                self._held_since = now
            elif self._held_since is not None:
                self.picture.held.append((self._held_since, now))
                self._held_since = None

    def event(self, name: str, now: int, event: str, fields: dict[str, Any], chord: Chord | None) -> None:
        """Take an event of a seat; ``chord`` is that of the room."""
        lane = self.lane(name)
        if event == "note_on":
            self.notes[name] += 1
            fits = None if chord is None else fields["note"] % 12 in chord.classes
            lane.note_on(fields["part"], fields["note"], now, fits=fits)
        elif event == "note_off":
            lane.note_off(fields["part"], fields["note"], now)
        elif event == "press":
            self.efforts[name] += 1
            lane.press(fields["input"], now)
        elif event == "release":
            lane.release(fields["input"], now)


class TogetherLines(LinesShow):
    """Writes each thing that happens at a seat or in the room on a line of its own."""

    def __init__(self, profiles: Mapping[str, Profile]) -> None:
        self._profiles = profiles

    def event(self, name: str, now: int, event: str, fields: dict[str, Any]) -> None:
        words = (
            event_in_words(event, fields, self._profiles[name].types, piece.MUSIC.names)
            if name
            else _said_of_room(event, fields)
        )
        if words:
            say(f"{now / NANOSECONDS:7.2f} s  {name or 'room':6} {words}", flush=True)


def _said_of_room(event: str, fields: dict[str, Any]) -> str:
    return f"leads   {event} {fields['name']}" if event in ("chord", "key") and fields["name"] else ""


class TogetherScreen(ScreenShow):
    """Shows all children: what the keyboard leads to, the meters of their inputs, and one piano roll."""

    def __init__(self, console: Console, profiles: Mapping[str, Profile], seconds: int) -> None:
        super().__init__(console, profiles, seconds, beside=6)
        self._chord = self._key = ""

    def event(self, name: str, now: int, event: str, fields: dict[str, Any]) -> None:
        if event == "chord" and not name:
            self._chord = fields["name"]
        elif event == "key":
            self._key = fields["name"]
        else:
            super().event(name, now, event, fields)

    def lines(self, now: int, width: int) -> Iterator[Text]:
        yield headline(f"{', '.join(CHILDREN)} and the keyboard", self._done(now), width)
        leads = f" the keyboard leads: chord {self._chord or '-':6} key {self._key or '-'}"
        yield from self._wrapped(Text(leads), width)
        yield Text(" heard", "bold")
        for shown in self._meters.values():
            yield from shown.lines(width)
        yield from self._wrapped(self._legend, width)
        yield from self._roll.lines(now, width)


def play_together(args: argparse.Namespace, console: Console, interrupt: Interrupt) -> tuple[Files, str]:
    """Play the piece, and write it; the files that were written, and what to say then.

    Raises:
        OSError: a file cannot be written.
    """
    this, profiles = piece.piece(args.seconds or SECONDS), profiles_of_the_children()
    real_time = console.is_terminal and not args.fast
    with contextlib.ExitStack() as stack:
        files = Files(args.out, "demo-together", piece.MUSIC.tempo, _tracks(profiles), stack)
        files.midi.music(piece.MUSIC, 0)
        path: Path = args.out / "demo-together.svg"
        drawing = stack.enter_context(replacing(path))
        files.written.append(("picture", path))
        takers = files.takers(INSTRUMENT)
        if args.aloud and (aloud := speaker(stack)) is not None:
            takers.append(aloud)
        live = real_time and drawable(console)
        seconds = round(this.end / NANOSECONDS)
        if not live:
            say(f"{filled(STORY, console)}\n")
        show: Show = TogetherScreen(console, profiles, seconds) if live else TogetherLines(profiles)
        with contextlib.closing(show):
            show.begin()
            score = _play(this, profiles, files, takers, show, pace=Pace(interrupt, waits=real_time))
        if live:
            say(f"{filled(STORY, console)}\n")
        _draw(score, drawing)
        files.close()
        interrupt.look()
    for name in CHILDREN:
        say(f"{name:8} {score.efforts[name]:3} efforts heard, {score.notes[name]:3} notes played")
    say(f"{KEYBOARD:8} {score.notes[KEYBOARD]:3} notes\n")
    return files, NEXT


def _tracks(profiles: Mapping[str, Profile]) -> dict[Route, str]:
    names = {Route(INSTRUMENT, piece.CHANNEL): KEYBOARD}
    for name, loaded in profiles.items():
        for route, part in track_names(loaded.plan.parts).items():
            names[Route(INSTRUMENT, route.channel)] = f"{name}: {part}"
    return names


def _draw(score: Score, file: BinaryIO) -> None:
    file.write(svg(score.picture).encode())


def _play(
    this: piece.Piece,
    profiles: Mapping[str, Profile],
    files: Files,
    takers: list[Output],
    show: Show,
    *,
    pace: Pace,
) -> Score:
    """Let all of them play; return the record of the piece."""
    lanes = [Lane(name.capitalize(), ABOUT[name], plain=name == KEYBOARD) for name in (KEYBOARD, *CHILDREN)]
    title = "Three children and a keyboard play together"
    score = Score(Picture(title, piece.MUSIC, this.end, this.end, lanes))
    waiting: list[tuple[str, int, str, dict[str, Any]]] = []  # told before its time has come for the eye
    together = Together(
        room_of_the_piece(),
        {name: loaded.plan for name, loaded in profiles.items()},
        lambda *told: waiting.append(told),
    )
    waiting.append(("", 0, "key", {"tonic": piece.MUSIC.tonic, "scale": piece.MUSIC.scale}))
    program = (PROGRAM_CHANGE | piece.CHANNEL - 1, PROGRAMS.index("electric piano 1"))
    for taker in takers:
        taker.send(program, 0)
    pace.begin()
    now = 0
    for moment in together.steps(samples(this, profiles), TAIL):
        now = moment.now
        pace.until(now, show.picture)
        for _seat, message in moment.sent:
            for taker in takers:
                taker.send(message.data, now)
        chord = together.room.chord
        _take(moment, score, chord)
        if moment.sample is not None:
            show.sample(moment.seat, moment.sample, now)
        for name, when, event, fields in waiting:
            if name:
                score.event(name, when, event, fields, chord)
                show.event(name, when, event, fields)
            elif (led := _led(event, fields)) is not None and _new(score, event, led, when):
                if event == "chord":
                    files.midi.mark(led, when)
                else:
                    key = replace(piece.MUSIC, tonic=fields["tonic"], scale=tuple(fields["scale"]))
                    files.midi.music(key, when)
                show.event("", when, event, {"name": led})
        waiting.clear()
        show.picture(now)
    score.picture.end = max(this.end, now)
    return score


def _take(moment: Moment, score: Score, chord: Chord | None) -> None:
    if moment.seat == KEYBOARD and isinstance(moment.sample, MidiSample):
        score.keyboard(moment.sample.data, moment.now, chord)


def _led(event: str, fields: dict[str, Any]) -> str | None:
    """The chord or the key that the room tells of, in words."""
    if event == "chord":
        return str(fields["chord"])
    if event == "key":
        names = spelt(fields["tonic"], tuple(fields["scale"]))
        return f"{names[fields['tonic']]} {'major' if tuple(fields['scale']) == SCALES['major'] else 'minor'}"
    return None


def _new(score: Score, event: str, led: str, now: int) -> bool:
    """Keep it for the picture, if it is not what was there already."""
    kept = score.picture.chords if event == "chord" else score.picture.keys
    if kept and kept[-1][1] == led:
        return False
    kept.append((now, led))
    return True
