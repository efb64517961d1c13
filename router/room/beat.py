"""The beat of a room on virtual time: from a fixed tempo, from taps, or from MIDI clock; and MIDI clock out of it.

What leads: a MIDI clock while it is heard, else the last of taps and fixed tempos. ``Beat.music`` is what the engines
are told; each call that may change it says whether it has. A beat that has come does not come again: a correction may
hold back the next, but only Start, Continue with a song position, and a clock that is heard again put the music at
another place.

    taps     from the third on: the mean of those of the last intervals that are near their median; the last tap is on a
             beat, and the first after a pause began a bar
    clock    a straight line through the last eight beats at most, of fewer where it has bent; told four times a beat in
             its first four beats, then once a beat and only if it has moved, and at once if it is far off
    lost     no clock for half a beat: said once, and the beat goes on as it was

Source of the messages: MIDI 1.0 Detailed Specification 4.2: 24 clocks a quarter; the first clock after Start or
Continue is the beat that it names; song position counts six clocks, 14 bits, low seven first.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from statistics import median
from typing import Any

from router.core import midi
from router.core.midi import CLOCKS, CLOCKS_A_POSITION, POSITIONS
from router.core.music import Music, Span
from router.core.units import NANOSECONDS

MINUTE = 60 * NANOSECONDS
SLOWEST, FASTEST = MINUTE // 20, MINUTE // 400
"""The longest and the shortest quarter in nanoseconds: tempos are 20 to 400 bpm everywhere."""
NEAR = 0.25
"""Most that a tap may be off its place, as a share of a beat. Our choice: a shaky hand, not a double tap."""
KEPT = 6
"""The number of latest tap intervals that count."""
TAPS, CLOCK = "taps", "clock"
"""The sources of a tempo."""
PAUSE = 4
"""Beats without a tap after which the taps begin again."""


class Taps:
    """The last taps of one run.

    ``beat`` (its length in nanoseconds) is None until three agree; ``count`` is how many beats the last is after the
    first.
    """

    def __init__(self) -> None:
        self.beat: Fraction | None = None
        self.count = 0
        self._last: int | None = None
        self._before = 0  # the interval before the last tap, while there is no beat
        self._doubtful: int | None = None  # a tap that fitted nothing: the next may say why
        self._intervals: deque[Fraction] = deque(maxlen=KEPT)

    def tap(self, now: int) -> bool:
        """Take a tap; tell whether it gives a beat."""
        pause = PAUSE * self.beat if self.beat else SLOWEST
        if self._last is None or now - self._last > pause:
            self.__init__()  # type: ignore[misc]  # a new run
            self._last = now
            return False
        interval = now - self._last
        if self.beat is None:
            return interval >= FASTEST and self._third(interval, now)
        doubtful, self._doubtful = self._doubtful, None
        if doubtful is not None:
            one, two = doubtful - self._last, now - doubtful
            if abs(one - two) <= NEAR * one and one >= FASTEST:  # two alike: another tempo
                return self._good([Fraction(one), Fraction(two)], 2, now, restart=True)
        beats = round(interval / self.beat)
        if beats and abs(interval - beats * self.beat) <= NEAR * self.beat:
            return self._good([Fraction(interval, beats)], beats, now)
        if doubtful is not None and abs(now - doubtful - self.beat) <= NEAR * self.beat:  # moved by less than a beat
            return self._good([Fraction(now - doubtful)], max(1, beats), now)
        if beats:
            self._doubtful = now
        return False

    def _third(self, interval: int, now: int) -> bool:
        before, self._before = self._before, interval
        if not before or abs(interval - before) > NEAR * before:
            self._last = now
            self.count = 1  # of two that do not belong together the later counts
            return False
        return self._good([Fraction(before), Fraction(interval)], 1, now, restart=True)

    def _good(self, intervals: list[Fraction], beats: int, now: int, *, restart: bool = False) -> bool:
        if restart:
            self._intervals.clear()
        self._intervals += intervals
        middle = median(self._intervals)
        near = [interval for interval in self._intervals if abs(interval - middle) <= NEAR * middle]
        self.beat = min(max(sum(near, Fraction(0)) / len(near), Fraction(FASTEST)), Fraction(SLOWEST))
        self._last, self.count = now, self.count + beats
        return True


LONGEST = 8 * CLOCKS
SHORTEST = 12
"""Clocks that the line goes through at most, and at least before a tempo is taken from it."""


class FittedLine:
    """A straight line through the times of a clock's last ticks, of fewer where they have bent."""

    def __init__(self) -> None:
        self._times: deque[int] = deque(maxlen=LONGEST)
        self._count = 0
        self._second = 0.0  # mean of the second differences: how much the ticks jitter, whatever the tempo does

    def __len__(self) -> int:
        return len(self._times)

    def clear(self) -> None:
        """Forget all ticks."""
        self.__init__()  # type: ignore[misc]  # as new

    def add(self, now: int) -> None:
        """Add a tick."""
        times = self._times
        if len(times) >= 2:
            self._count += 1
            self._second += (abs(now - 2 * times[-1] + times[-2]) - self._second) / min(self._count, 32)
        times.append(now)

    def fit(self) -> tuple[float, float]:
        """How long before the last tick its place on the line is, in nanoseconds, and how far apart places are."""
        while True:
            last, step, away = self._line()
            if len(self._times) <= SHORTEST or not self._bent(away):
                return last, step
            for _ in range(max(1, len(self._times) // 3)):
                self._times.popleft()

    def _line(self) -> tuple[float, float, list[float]]:
        """Least squares, and again with those ticks drawn near that are far off: one held-up tick must not bend it."""
        count, end = len(self._times), self._times[-1]
        raw = [float(when - end) for when in self._times]
        middle = (count - 1) / 2
        squares = count * (count * count - 1) / 12
        far = 5 * self._jitter()
        times = raw
        for _ in range(2):
            mean = sum(times) / count
            step = sum((i - middle) * when for i, when in enumerate(times)) / squares
            first = mean - middle * step
            times = [min(max(when, first + i * step - far), first + i * step + far) for i, when in enumerate(raw)]
        return -(first + (count - 1) * step), step, [when - first - i * step for i, when in enumerate(raw)]

    def _jitter(self) -> float:
        """The standard deviation of a tick: the mean size of a normal second difference is 1.954 times as large."""
        return max(self._second / 1.954, 50_000.0)

    def _bent(self, away: list[float]) -> bool:
        """Tell whether the last ticks lie to one side: a median of n strays by 1.25 standard deviations / sqrt(n)."""
        return any(
            abs(median(away[-last:])) > 4 * 1.25 * self._jitter() / math.sqrt(last)
            for last in (7, 25)
            if len(away) > last
        )


MOVED = NANOSECONDS // 10_000
"""Error beyond which the grid is corrected, once a beat: 0.1 ms. Our choice, far below what is heard."""
FAR = 4 * NANOSECONDS // 1000
"""Error beyond which it is corrected at the next quarter of a beat."""


class Beat:
    """The beat of one room. ``observe`` is told when the clock is lost and found."""

    def __init__(self, music: Music, observe: Callable[[int, str, dict[str, Any]], None] | None = None) -> None:
        self.music = music
        self.stopped = False  # by the clock's Stop: it may fall silent without being lost
        self._observe = observe or (lambda _now, _event, _fields: None)
        self._taps = Taps()
        self._line = FittedLine()
        self._index = 0  # of the clock's last tick, counted from the beginning
        self._next: int | None = None  # the index of the next tick, if a message has said so
        self._song = 0  # where Continue goes on
        self._heard: int | None = None  # when the last tick was, None if none is heard
        self._since = 0  # ticks since the clock was heard again
        self._lost = False
        self._from = ""  # what gave the tempo

    @property
    def source(self) -> str:
        """The source of the tempo: "taps", "clock", "clock lost"; empty while it is the first one."""
        return "clock lost" if self._from == CLOCK and self._lost else self._from

    @property
    def quarter(self) -> Fraction:
        """The length of a quarter note, in nanoseconds."""
        return MINUTE / self.music.tempo

    def position(self, now: int) -> Fraction:
        """Quarters since the first bar began."""
        return (now - self.music.origin) / self.quarter

    @property
    def clocked(self) -> bool:
        """Tell whether a MIDI clock is heard, which then leads."""
        return self._heard is not None

    def tap(self, now: int) -> bool:
        """Take a tap of a switch or a pedal, unless a clock leads; tell whether the beat has changed."""
        if self.clocked:
            return False
        going = self._taps.beat is not None
        if not self._taps.tap(now) or self._taps.beat is None:
            return False
        self._from = TAPS
        beat = self.music.time_signature.beat
        quarter, position = self._taps.beat / beat, self.position(now) / beat
        come, beats = math.floor(position), int(self.music.time_signature.quarters / beat)
        if going and come + 1 - position > Fraction(1, 2) and (come - self._taps.count) % beats == 0:
            return self._place(now, come * beat, quarter)
        return self._place(now, (come + (self._taps.count - come) % beats) * beat, quarter)

    def hear(self, data: Sequence[int], now: int) -> bool:
        """Take a message of the clock's device, ignoring all but a clock's; tell whether the beat has changed."""
        match list(data):
            case [midi.CLOCK]:
                return self._tick(now)
            case [midi.START]:
                self._next, self.stopped = 0, False
            case [midi.CONTINUE]:
                self._next, self.stopped = self._song, False
            case [midi.STOP]:
                if not self.stopped:
                    self._song = self._index + 1
                self.stopped = True
            case [midi.SONG_POSITION, low, high]:
                self._song = CLOCKS_A_POSITION * (low | high << 7)
        return False

    def deadline(self) -> int | None:
        """The time at which a clock that stays silent is lost."""
        if self._heard is None:
            return None
        return self._heard + max(math.ceil(self.quarter / 2), NANOSECONDS // 5)

    def wake(self, now: int) -> None:
        """Say that the clock is lost, if it is; the beat goes on."""
        deadline = self.deadline()
        if deadline is not None and now >= deadline:
            self._heard = None
            self._lost = not self.stopped
            if self._lost:
                self._observe(now, "lost", {"input": "clock"})

    def _tick(self, now: int) -> bool:
        self.wake(now)
        told = self._next
        if self._heard is None:
            self._line.clear()
            self._since = 0
            self._index = round(self.position(now) * CLOCKS)
            if self._lost:
                self._observe(now, "found", {"input": "clock"})
            self._lost = False
        else:
            self._index += 1
        if told is not None:
            self._index, self._next = told, None
        self._since += 1
        self._heard = now
        self._line.add(now)
        ready = len(self._line) >= SHORTEST
        if told is None and (not ready or self._index % 6):
            return False
        late, step = self._line.fit() if ready else (0.0, float(self.quarter) / CLOCKS)
        # To the sixteenth of a nanosecond, so that fractions stay short.
        quarter = Fraction(round(16 * CLOCKS * step), 16)
        if not FASTEST <= quarter <= SLOWEST:
            return False
        self._from = CLOCK
        position = (self._index + Fraction(round(late)) / Fraction(step)) / CLOCKS
        if told is not None:
            return self._place(now, position, quarter, restart=True)
        off = abs(position - self.position(now)) * quarter
        moved = off > MOVED or abs(quarter / self.quarter - 1) > Fraction(1, 10_000)
        if (moved and (self._since <= 4 * CLOCKS or self._index % CLOCKS == CLOCKS // 2)) or off > FAR:
            return self._place(now, position, quarter)
        return False

    def _place(self, now: int, position: Fraction, quarter: Fraction, *, restart: bool = False) -> bool:
        """Put the music at this place with this tempo; tell whether that changes it."""
        beat = self.music.time_signature.beat
        come = math.floor(self.position(now) / beat) * beat
        again = not restart and position <= come  # that beat has come: it is a nanosecond ago
        origin = now - math.ceil((come if again else position) * quarter) - again
        before, self.music = self.music, replace(self.music, tempo=MINUTE / quarter, origin=origin)
        return self.music != before


_ONE = bytes((midi.CLOCK,))
_TICK = Span(whole=Fraction(1, 4 * CLOCKS))


class ClockOut:
    """MIDI clock of a beat: ticks for ever, each at its absolute time; Start, Stop and places as asked for.

    Start, and song position with Continue, go out half a tick before the tick that they mean, so that instruments have
    their time. Ticks that were missed are made up for, as instruments count them; after more than a quarter they are
    told the place instead.
    """

    def __init__(self, music: Music, now: int) -> None:
        self._music = music
        self._grid = music.grid(_TICK)
        self._next = self._grid.next(now)
        self._short = int(self._grid.step)  # from one tick to the next
        self._due: int | None = None  # the deadline, once it has been asked for
        self._begin: int | None = None  # the tick that Start or Continue means
        self._from_start = False
        self.running = False

    def start(self) -> None:
        """Begin with the next bar."""
        self._from_start = True
        self._begin = self._after(int(CLOCKS * self._music.time_signature.quarters))

    def resume(self) -> None:
        """Go on where the music is, from the next sixteenth on."""
        self._from_start = False
        self._begin = self._after(CLOCKS_A_POSITION)

    def stop(self) -> list[bytes]:
        """Stop; the ticks go on."""
        self._begin, self.running, self._due = None, False, None
        return [bytes((midi.STOP,))]

    def follow(self, music: Music, now: int) -> list[bytes]:
        """The music is another from now on; if it stands elsewhere, instruments that run are led there."""
        before, self._music = self._music, music
        if replace(music, tonic=before.tonic, scale=before.scale, chord=before.chord) == before:
            return []
        old, self._grid = self._grid, music.grid(_TICK)
        expected, self._next, self._due = self._next, old.onto(self._grid, self._next, now), None
        self._short = int(self._grid.step)
        if self._next == expected:
            return []
        if self._begin is not None and not self.running:
            (self.start if self._from_start else self.resume)()
        return self._elsewhere()

    def deadline(self) -> int:
        """When ``wake`` is next wanted."""
        if self._due is None:
            tick = self._grid.at(self._next)
            self._due = tick if self._begin is None else min(tick, self._told())
        return self._due

    def wake(self, now: int) -> list[bytes]:
        """Return the messages that are due."""
        due = self._due if self._due is not None else self.deadline()
        if now < due:
            return []
        if (
            self._begin is None and now - due < self._short
        ):  # nearly always; what comes next is calculated once it is sent
            self._next, self._due = self._next + 1, None
            return [_ONE]
        out: list[bytes] = []
        if self._grid.latest(now) - self._next > CLOCKS:
            self._next, self._due = self._grid.next(now), None
            out += self._elsewhere()
        while (due := self.deadline()) <= now:
            if self._begin is not None and due == self._told():
                out += self._tell()
            else:
                self._next, self._due = self._next + 1, None
                out.append(_ONE)
        return out

    def _after(self, every: int) -> int:
        """The first tick that is such a place and before which another comes."""
        self._due = None
        return every * (self._next // every + 1)

    def _told(self) -> int:
        assert self._begin is not None  # asked only then
        return self._grid.at(self._begin) - int(self._grid.step / 2)

    def _tell(self) -> list[bytes]:
        begin, self._begin, self.running, self._due = self._begin or 0, None, True, None
        if self._from_start:
            return [bytes((midi.START,))]
        bars = int(self._music.time_signature.quarters * (CLOCKS // CLOCKS_A_POSITION))
        # Beyond the range of a song position it is the same beat of an earlier bar.
        place = begin // CLOCKS_A_POSITION % (POSITIONS - POSITIONS % bars)
        return [bytes((midi.SONG_POSITION, place & 0x7F, place >> 7)), bytes((midi.CONTINUE,))]

    def _elsewhere(self) -> list[bytes]:
        if not self.running:
            return []
        self.resume()
        self.running = False
        return [bytes((midi.STOP,))]
