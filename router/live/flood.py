"""The samples of devices that nobody has taken yet: in order, bounded, and which device sends too many.

A device that chatters (a loose plug, a sensor that sends without a pause) sends more than can be played. Its samples
that wait are then thinned to the present state: the last reading of each switch, pressure and pointer, the last message
of each key and controller. No note is left on, as the last message of a note is never dropped. The samples of a calm
device that waited while the whole router was held up are kept: each activation in them counts.

    add    -> in the order of the stamps; where more than ``MOST`` would wait, inputs that chatter are thinned; beyond
           ``STALLED`` all are
    samples.popleft()   -> the oldest
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Hashable, Sequence
from operator import itemgetter

from router.core.events import Found, Lost, Mark, MidiSample, Sample, SwitchSample
from router.core.midi import CONTROL_CHANGE, NOTE_OFF, NOTE_ON
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped

MOST = 256
"""Samples that may wait of inputs that chatter. Our choice: a quarter of a second of the quickest sensor we know of."""

STALLED = 4 * MOST
"""Samples that may wait of any inputs. Our choice: ten seconds of a usual sensor, a second of the quickest."""

CHANGES, SAMPLES = 200, 2_000
"""A second: more changes of a switch, or more samples of anything else, is chattering. Our choice: ten times what any
hand can do with a contact that bounces, and twice what a MIDI cable carries."""

SHARE = NANOSECONDS // 500
"""Time in each pass for all seats that are behind, together: the others wait at most so long. Our choice."""

AGAIN = 60 * NANOSECONDS
"""How long an input must have been calm before it is said again that it chatters. Our choice."""


_KEY_PRESSURE = 0xA0


class Waiting:
    """The ``samples`` that wait to be played, oldest first. ``dropped``: how many were thinned out."""

    def __init__(self) -> None:
        self.dropped = 0
        self.samples: deque[Stamped] = deque()
        self._full = MOST  # so many wait until it is looked at again what can be left out
        self._thinned = -NANOSECONDS  # when it was last
        self._counts: Counter[str] = Counter()
        self._since = 0  # when counting began
        self._closed: dict[str, bool] = {}  # by switch: what it said last
        self._chattered: dict[str, int] = {}  # by input: when it did last

    def __len__(self) -> int:
        return len(self.samples)

    def behind(self, now: int) -> bool:
        """True if more comes than is played: something waits, or was thinned out within the last second."""
        return bool(self.samples) or now - self._thinned < NANOSECONDS

    def add(self, came: list[Stamped], now: int) -> list[str]:
        """Take in what devices have said. Return the inputs that are found to chatter, each once until it was calm."""
        if now - self._since >= NANOSECONDS:
            self._counts.clear()
            self._since = now
        if not self.samples:
            self._full = MOST
        if len(came) > 1:
            came.sort(key=itemgetter(0))
        begun = []
        for _stamp, sample in came:  # not a list made at once, which costs a call
            if name := self._too_much(sample, now):
                begun.append(name)
        self.samples.extend(came)
        if len(self.samples) > self._full:
            self._thin(now)
        return begun

    def clear(self) -> list[Stamped]:
        """Give up all that waits, and return it."""
        rest = list(self.samples)
        self.samples.clear()
        return rest

    def forget(self) -> None:
        """Forget what is known of the inputs, as another profile begins."""
        self._counts.clear()
        self._closed.clear()
        self._chattered.clear()

    def chattering(self, now: int) -> list[str]:
        """The inputs that chatter now."""
        return [name for name, when in self._chattered.items() if now - when < 2 * NANOSECONDS]

    def _too_much(self, sample: Sample, now: int) -> str:
        """Count a sample; return its input if that begins to chatter."""
        if isinstance(sample, Mark):
            return ""
        name = sample.input
        most = SAMPLES
        if isinstance(sample, SwitchSample):
            if self._closed.get(name) is sample.pressed:
                return ""
            self._closed[name] = sample.pressed
            most = CHANGES
        self._counts[name] += 1
        if self._counts[name] <= most:
            return ""
        before = self._chattered.get(name)
        self._chattered[name] = now
        return name if before is None or now - before > AGAIN else ""

    def _thin(self, now: int) -> None:
        """Keep the present state of inputs that chatter, all samples of the others, and what devices came or went."""
        before = len(self.samples)
        every = before > STALLED
        chattering = self.chattering(now)
        last: dict[Hashable, int] = {}
        for index, (_stamp, sample) in enumerate(self.samples):
            thinned = every or (not isinstance(sample, Mark) and sample.input in chattering)
            last[(_what(sample) if thinned else None) or index] = index
        kept = [self.samples[index] for index in sorted(last.values())]
        if every and len(kept) > MOST:  # more keys and controllers at once than anybody has fingers for
            names = dict.fromkeys(sample.input for _, sample in kept if isinstance(sample, MidiSample))
            at = kept[-1][0]
            self.dropped += 2 * len(names)  # what is put in their place was said by nobody
            kept = [stamped for stamped in kept if not isinstance(stamped[1], MidiSample)]
            kept += [(at, news) for name in names for news in (Lost(name), Found(name))]
        self.dropped += before - len(kept)
        if len(kept) < before:
            self._thinned = now
        self.samples = deque(kept)
        self._full = max(MOST, min(2 * len(kept), STALLED))


def _what(sample: Sample) -> Hashable:
    """Return what a sample gives the state of, so that older ones may be left out; None if it must be kept."""
    if isinstance(sample, Mark | Lost | Found):
        return None
    if not isinstance(sample, MidiSample):
        return sample.input
    data: Sequence[int] = sample.data
    kind = data[0] & 0xF0
    if kind in (NOTE_OFF, NOTE_ON):
        return sample.input, NOTE_ON, data[0] & 0x0F, data[1:2]
    if kind in (CONTROL_CHANGE, _KEY_PRESSURE):
        return sample.input, data[0], data[1:2]
    return sample.input, data[0]
