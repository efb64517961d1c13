"""Music goes on for a time after each effort, is renewed by the next, and fades when none comes.

This is contingent music: there is music because she did something, as long as she does. The first effort begins
what the rules after this one play: a note, a chord, a song that plays from a press. It goes on while she holds, and for
``lasts`` after she has let go; with ``counts_from: press`` for ``lasts`` from the beginning of the effort, however long
that is held. Each further effort begins the time again and adds nothing to it: ten quick efforts last as long as one,
and there is never a second sound. When the time is over the sound fades within ``fade``; an effort that comes while it
fades brings it back. What dies away by itself, such as a harp, is struck again by an effort that comes later than
``restrike_after``. With ``replace``, an effort of another input, zone or key begins that one's sound instead.

The ten seconds of ``lasts`` are those of two studies of premature infants, each of whose sucks at a pacifier bought
10 s of a lullaby, renewed by the next: J Pediatr Nurs 2003;18:169 and Pediatr Nurs 2010;36:138 (abstracts read).
Neither was made with children of one or two movements: a slower child may need longer. All else is our choice. A note
also ends at the limit ``note_length`` of the profile, 10 s where none is written, so write a longer one there. A song
is written ``song: {play: evening, press: start, stop_by: release, stop_at: at once}``; it goes on where it faded.

Example::

    rules:
      - contingent: {lasts: 10 s, fade: 2 s}
      - note: {degree: 1, octave: 3}
      - chord: {kind: open fifth}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any, ClassVar

from router.rule import EXPRESSION, NANOSECONDS, Context, Control, Event, Events, Kind, Press, Release, Rule

_STEP = 20 * NANOSECONDS // 1000
"""The time between two values of a fade, as in the rule ``release``."""
_BACK = 100 * NANOSECONDS // 1000
"""The time in which a renewed sound is back at its full loudness. Our choice: at once to the ear, and no jolt."""
_TAIL = 5 * NANOSECONDS
"""After a fade the expression stays down for so long, as what follows may sound on after its release: a song to the end
of its bar, an echo. Our choice. It does not stay down for ever: a router that is killed would leave a silent synth."""
_OVER, _GLIDES, _TAIL_OVER = "over", "glides", "tail over"


def _where(press: Press) -> tuple[str, int | None, int | None]:
    return press.source, press.zone, press.pitch


class ContingentRule(Rule):
    """The rule ``contingent``; the module's docstring is its manual."""

    name = "contingent"
    takes = Kind.GESTURES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "lasts": {
                "quantity": "time",
                "least": "500 ms",
                "most": "60 s",
                "default": "10 s",
                "description": "how long it goes on after an effort, before it fades",
            },
            "counts_from": {
                "enum": ["release", "press"],
                "default": "release",
                "description": "whether the time begins when the effort ends, or when it begins",
            },
            "fade": {
                "quantity": "time",
                "most": "20 s",
                "default": "2 s",
                "description": "how long it takes to die away, by the controller expression; 0 ms ends it at once",
            },
            "restrike_after": {
                "quantity": "time",
                "least": "500 ms",
                "most": "10 min",
                "description": "after how long an effort strikes it again; never if left out",
            },
            "replace": {
                "type": "boolean",
                "default": False,
                "description": (
                    "whether an effort of another input, zone or key replaces what is on, and does not just renew it"
                ),
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._lasts: int = settings["lasts"]
        self._from_release = settings["counts_from"] == "release"
        self._fade: int = settings["fade"]
        self._restrike_after: int | None = settings.get("restrike_after")
        self._replace: bool = settings["replace"]
        self._on: Press | None = None  # what is on, by the effort that began it
        self._since = 0  # when that was
        self._held: dict[int, None] = {}  # efforts that are held
        self._ends = 0  # when its time is over
        self._sent = self._full = context.volume  # the expression that was sent last, and the full one
        self._said = False  # whether any was: the first sound is to be as loud as those after a fade
        # Where a fade, or the way back from it, begins and ends: expression and time of each.
        self._glide: tuple[tuple[int, int], tuple[int, int]] | None = None

    def press(self, press: Press, now: int) -> Events:
        self._held[press.voice] = None
        self._go_on_until(now + self._lasts)
        on = self._on
        if on is None:
            return self._begin(press, now)
        struck_again = self._restrike_after is not None and now - self._since >= self._restrike_after
        if struck_again or (self._replace and _where(press) != _where(on)):
            return [Release(on.source, on.voice), *self._begin(press, now)]
        if self._sent == self._full:
            return self._expression(self._full)
        self._glide = ((self._sent, now), (self._full, now + _BACK))
        return self._glides(now)

    def release(self, release: Release, now: int) -> Events:
        if release.voice in self._held:
            del self._held[release.voice]
            if self._from_release and self._on is not None:
                self._go_on_until(now + self._lasts)
        return ()

    def wake(self, now: int, tag: Hashable) -> Events:
        if tag == _GLIDES:
            return self._glides(now)
        if tag == _TAIL_OVER:
            return self._expression(self._full)
        if self._fade:
            self._glide = ((self._sent, self._ends), (0, self._ends + self._fade))
            return self._glides(now)
        return self._end()

    def cut(self, voice: int, now: int) -> Events:
        if self._on is None or self._on.voice != voice:
            return ()
        return [*self._end(), *self._expression(self._full)]

    def let_go(self, now: int) -> Events:
        self._held.clear()
        return [*self._end(), *self._expression(self._full)]

    def _begin(self, press: Press, now: int) -> list[Event]:
        self._on, self._since = press, now
        full = self._expression(self._full)
        if self._fade and not self._said:
            self._said, full = True, [Control(EXPRESSION, self._full)]
        return [*full, press]

    def _go_on_until(self, when: int) -> None:
        """Set when its time is over; while an effort is held whose end counts, it never is."""
        self._ends = when
        if self._from_release and self._held:
            self.context.alarm.cancel(_OVER)
        else:
            self.context.alarm.at(when, _OVER)

    def _glides(self, now: int) -> list[Event]:
        """Give the expression of this moment, and the end of what has faded."""
        assert self._glide is not None  # it is set before each call
        (level, begins), (goal, ends) = self._glide
        if now < ends:
            self.context.alarm.at(min(now + _STEP, ends), _GLIDES)
            return self._at(level + (goal - level) * (now - begins) // (ends - begins))
        self._glide = None
        if goal:
            return self._at(goal)
        self.context.alarm.at(now + _TAIL, _TAIL_OVER)
        return [*self._at(0), *self._end()]

    def _expression(self, level: int) -> list[Event]:
        """Go to this expression at once, whatever glides."""
        self._glide = None
        for tag in (_GLIDES, _TAIL_OVER):
            self.context.alarm.cancel(tag)
        return self._at(level)

    def _at(self, level: int) -> list[Event]:
        if level == self._sent:
            return []
        self._sent, self._said = level, True
        return [Control(EXPRESSION, level)]

    def _end(self) -> list[Event]:
        """End what is on; the expression stays where it is."""
        self.context.alarm.cancel(_OVER)
        on, self._on = self._on, None
        return [] if on is None else [Release(on.source, on.voice)]
