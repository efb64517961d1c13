"""Her part, effort by effort: each plays the next note, phrase, bar or section, and the song waits for the next.

The song is in one of three states:

    waiting    the transport is at its limit: the next effort goes on at once
    running    it is on its way there; an effort is early, and goes on at once, waits, or does not count (``early``)
    over       it is at the song's end: an effort begins the song again, or nothing until the pause has gone by
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from typing import Any

from router.core.contract import Context
from router.core.events import Event, NoteOff, NoteOn, Press, Release
from router.core.playing.her_tempo import FASTEST, SLOWEST, HerTempo
from router.core.playing.role import HERS, WRITTEN, LeadingRole

AT_ONCE, IN_TIME = "at once", "in time"
STOP = "stop"
BEGINNING = "beginning"
_BOUNDS = ("slowest", "fastest")


class Stepped(LeadingRole):
    """A role whose efforts each play a step of the song: ``press`` is note, phrase, bar or section."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context, settings.get("tempo", WRITTEN))
        self._by_notes = settings["press"] == "note"
        self._held_lengths = self._by_notes and settings["lengths"] == "as held"
        self._early: str = settings.get("early", AT_ONCE if self._by_notes else IN_TIME)
        self._starts = self._cut(settings["press"])
        at = settings["restart_at"]
        self._restarts = [] if at == BEGINNING else self._cut(at)  # where the song may go on after a pause
        self._next = 0
        self._fresh = True  # the next effort begins a round
        self._waiting: tuple[Press, int] | None = None  # an effort that came early, and when
        self._hers = HerTempo() if settings.get("tempo") == HERS else None
        self._phrases = frozenset(self._cut("phrase")) if self._hers is not None else frozenset()
        self._went: tuple[int, int] | None = None  # where the last effort went, and when it came
        self._asked: tuple[int, Press] | None = None  # a place whose notes last as long as this effort
        self._down: dict[int, bool] = {}  # efforts that are held, and whether notes sound by them
        self._active = 0  # when she did something last

    # --- efforts ----------------------------------------------------------------------------------------------

    def press(self, press: Press, now: int) -> list[Event]:
        events = self._due(now)
        if press.source == self.settings.get("restart_by", "").strip():
            self._again(0, now)
            return events
        if self._paused(now):
            self._again(self._restart(), now)
        over = self._next == len(self._starts) and not self.transport.runs(now)
        if not over or self.settings["end"] != STOP:  # where the song rests, efforts do not keep it from beginning
            self._active = now
        self._down.setdefault(press.voice, False)
        begun = self._asked is None or self._asked[0] <= self.transport.at(now)
        if not self.transport.runs(now) or (self._early == AT_ONCE and begun):
            self._go(press, now, now)
        elif self._early == AT_ONCE:  # the band still plays its introduction: it is cut short
            assert self._asked is not None
            self._asked = (self._asked[0], press)
            self.transport.go(self._asked[0], self.transport.limit, now)
        elif self._early == IN_TIME and self._waiting is None:
            self._waiting = (press, now)
        self.start_band(now)
        self.tell(now)
        return events

    def release(self, release: Release, now: int) -> list[Event]:
        events = self._due(now)
        sounding = self._down.pop(release.voice, None)
        if sounding is None:
            return events
        self._active = now
        if sounding:
            events.append(NoteOff(release.voice))
        if self._held_lengths:
            self.transport.holds = any(self._down.values())
            self.tell(now)
        return events

    def wake(self, now: int) -> list[Event]:
        return self._due(now)

    def let_go(self, now: int) -> list[Event]:
        transport = self.transport
        ended: list[Event] = [NoteOff(voice) for voice, sounding in self._down.items() if sounding]
        if transport.runs(now) and not self._by_notes and self._next:
            self._next -= 1  # a step that was cut off is played again
        self._down.clear()
        self._waiting = self._asked = None
        self._fresh, transport.holds = True, False
        transport.close(transport.at(now))
        transport.tell(now)
        self.context.alarm.cancel()
        return [*ended, *self.player.forget()]

    # --- where the song goes ----------------------------------------------------------------------------------

    def _go(self, press: Press, came: int, now: int) -> None:
        """Play the next step from ``now`` on, by an effort that came then or before."""
        transport, until = self.transport, 0
        if self._next == len(self._starts):
            if self.settings["end"] == STOP:
                return
            self._next, self._fresh, until = 0, True, transport.limit
        place = self._starts[self._next]
        limit = self._starts[self._next + 1] if self._next + 1 < len(self._starts) else self.last
        if self._fresh:
            first = self.opening(place) if self._next == 0 and self.settings["introduction"] == "played" else place
            transport.begin(first, limit, now, until=until)
        else:
            self._follow_her(place, came, now)
            transport.go(place, limit, now)
        self._fresh = False
        self._went = (place, came)
        self._next += 1
        self.player.strength = press.strength
        if self._held_lengths:
            self._asked = (place, press)

    def _follow_her(self, place: int, came: int, now: int) -> None:
        """Take the tempo of the step that ends with this effort."""
        if self._hers is None or self._went is None:
            return
        before, when = self._went
        written = self.song.tempo_at_tick(before)
        low, high = (self.settings[name] / written if name in self.settings else None for name in _BOUNDS)
        bounds = (SLOWEST if low is None else low, FASTEST if high is None else high)
        self._hers.follow(place - before, came - when, bounds, begins=place in self._phrases)
        self.transport.retime(self._hers.share, now)

    def _again(self, step: int, now: int) -> None:
        """Let the next effort begin with this step."""
        self._next, self._fresh = step, True
        self._waiting = self._asked = None
        self.transport.close(self.transport.at(now))
        self.tell(now)

    def _paused(self, now: int) -> bool:
        after: int | bool = self.settings["restart_after"]
        if after is False or not self.transport.round or self._down or self.transport.runs(now):
            return False
        return now - max(self._active, self.transport.when(self.transport.limit)) >= after

    def _restart(self) -> int:
        """The step from which the song goes on after a pause."""
        if not self._restarts or not self._next or self._next == len(self._starts):
            return 0
        here = bisect_right(self._restarts, self._starts[self._next]) - 1
        return bisect_left(self._starts, self._restarts[max(0, here)])

    def _cut(self, by: str) -> list[int]:
        """The places at which a step begins, each with the first note of this part that is not before it."""
        song = self.song
        onsets = list(dict.fromkeys(note.at for note in self.notes))
        if by == "note":
            return onsets
        if by == "phrase":
            cuts = [song.tune.steps[phrase.first].at for phrase in song.phrases]
        else:
            cuts = [section.at for section in song.sections] if by == "section" else list(song.bars[:-1])
        places = [0, *(self.ticks(at) for at in cuts)]
        indexes = dict.fromkeys(bisect_left(onsets, place) for place in sorted(places))
        return [onsets[index] for index in indexes if index < len(onsets)]

    # --- what is due ------------------------------------------------------------------------------------------

    def _due(self, now: int) -> list[Event]:
        transport = self.transport
        events = self._play(now)
        if self._waiting is not None and not transport.runs(now):
            (press, came), self._waiting = self._waiting, None
            self._go(press, came, transport.when(transport.limit))
            self.tell(now)
            events += self._play(now)
        asked = None if self._asked is None else transport.when(self._asked[0])
        waiting = None if self._waiting is None else transport.when(transport.limit)
        self.alarm(asked, waiting, self.player.next(now))
        return events

    def _play(self, now: int) -> list[Event]:
        if not self._held_lengths:
            return self.player.due(now)
        events = self.player.ends(now)
        if self._asked is not None and self._asked[0] <= self.transport.at(now):
            (place, press), self._asked = self._asked, None
            events += [*self._strike(place, press), *self.player.ends(now)]
        return events

    def _strike(self, place: int, press: Press) -> list[Event]:
        notes = self.notes[bisect_left(self.notes, place, key=_at) : bisect_right(self.notes, place, key=_at)]
        if press.voice not in self._down:  # over before its note came: it is as long as it is written
            return [self.player.strike(note) for note in notes]
        self._down[press.voice] = self.transport.holds = True
        return [NoteOn(press.voice, note.pitch, note.velocity, press.strength) for note in notes]


def _at(note: Any) -> int:
    at: int = note.at
    return at
