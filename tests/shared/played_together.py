"""The piece of the demo that several play together, on virtual time."""

from __future__ import annotations

from collections import Counter, defaultdict

from router.cli import demo_together, piece
from router.core.events import Message
from router.core.units import NANOSECONDS
from router.offline.together import Together

BEFORE = 50_000_000
"""A chord may come so much before its bar (nanoseconds), as whoever leads is ahead of the beat: it has then settled."""


class Played:
    """The piece on virtual time: notes as (start, end, pitch, velocity) by seat and part,
    what the room told, and what left.
    """

    def __init__(self, seconds: float, names=demo_together.CHILDREN, plan=None):
        self.piece = piece.piece(seconds)
        profiles = {name: loaded for name, loaded in demo_together.profiles_of_the_children().items() if name in names}
        self.room: list[tuple[int, str, dict]] = []
        self.presses: Counter[str] = Counter()
        self.notes: dict[tuple[str, str], list[list[int]]] = defaultdict(list)
        self.music: dict[int, tuple] = {}  # the chord when each note of the children began
        self.sent: list[tuple[int, str, Message]] = []
        self.together = Together(
            plan or demo_together.room_of_the_piece(),
            {name: loaded.plan for name, loaded in profiles.items()},
            self.tell,
        )
        samples = demo_together.samples(self.piece, profiles)
        for moment in self.together.steps(samples, 2 * NANOSECONDS):
            self.sent += [(moment.now, seat, message) for seat, message in moment.sent]
            self.end = moment.now

    def tell(self, name, now, event, fields):
        if not name:
            self.room.append((now, event, fields))
        elif event == "press":
            self.presses[name] += 1
        elif event == "note_on":
            self.notes[name, fields["part"]].append([now, None, fields["note"], fields["velocity"]])
        elif event == "note_off":
            held = [n for n in self.notes[name, fields["part"]] if n[1] is None and n[2] == fields["note"]]
            held[0][1] = now
