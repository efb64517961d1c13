"""A trace through the engine on virtual time: the same engine as live, as fast as the machine can.

Each deadline is kept at its own time between two samples, so nothing depends on the speed of the machine and the same
trace gives the same messages every time. After the last sample the music goes on until nothing is pending, but no
longer than ``tail`` (the profile's longest note): a latched arpeggio would have no end. Then everything is let go.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from router.core.engine import Engine
from router.core.events import Mark, Message, Sample
from router.core.ledger import Observe
from router.core.midi import ALL_SOUND_OFF, CONTROL_CHANGE
from router.devices.inputs.base import Stamped
from router.devices.outputs.base import Output

Step = tuple[int, Sample | None, list[Message]]
"""A moment of the music: its time in nanoseconds, the sample that came then (None: a deadline), and what leaves."""


def steps(engine: Engine, samples: Iterable[Stamped], tail: int) -> Iterator[Step]:
    """Play ``samples``, moment by moment. The last step is the engine's stop.

    Times in the samples and ``tail`` are nanoseconds; the first moment is 0.
    """
    now = 0
    yield now, None, engine.start(now)
    for when, sample in samples:
        due = engine.next_deadline()
        if due is not None and due < when:  # between most samples nothing is
            for step in _deadlines(engine, now, when - 1):
                now = step[0]
                yield step
        now = when
        yield now, sample, engine.handle(sample, now)
    last = now + tail
    for step in _deadlines(engine, now, last):
        now = step[0]
        yield step
    if engine.next_deadline() is not None:  # it would go on
        now = last
    # Live, the last thing sent cuts all sound off, for safety. In a recording the last note may ring out.
    yield now, None, [message for message in engine.stop(now) if not cuts_sound(message.data)]


def _deadlines(engine: Engine, now: int, last: int) -> Iterator[Step]:
    while (deadline := engine.next_deadline()) is not None and deadline <= last:
        now = max(now, deadline)
        yield now, None, engine.wake(now)


def cuts_sound(data: tuple[int, ...]) -> bool:
    """Tell whether this message ends all sound of a channel at once (controller 120)."""
    return data[0] & 0xF0 == CONTROL_CHANGE and data[1] == ALL_SOUND_OFF


def play(engine: Engine, samples: Iterable[Stamped], tail: int, outputs: Mapping[str, Sequence[Output]]) -> int:
    """Play ``samples`` to ``outputs``, by their names in the profile; an output without takers is played to nobody.

    Returns:
        When the music ended, in nanoseconds from the start.
    """
    now = 0
    for now, _sample, messages in steps(engine, samples, tail):
        for message in messages:
            for output in outputs.get(message.output, ()):
                output.send(message.data, now)
    return now


@dataclass(slots=True)
class Tally:
    """Counts what an engine tells, and passes it on: an ``observe`` for whoever wants to say what happened."""

    then: Observe | None = None
    presses: Counter[str] = field(default_factory=Counter)
    """By source."""
    notes: Counter[str] = field(default_factory=Counter)
    """By part."""
    limits: Counter[str] = field(default_factory=Counter)
    """By limit."""
    lost: Counter[str] = field(default_factory=Counter)
    """By input."""
    faults: list[dict[str, Any]] = field(default_factory=list)
    """Faults of rules: part, rule, place, error."""
    doubts: list[tuple[int, str, str]] = field(default_factory=list)
    """Doubts about sensors, which play on when they are well again: the time in nanoseconds, the input, what was
    wrong."""

    def __call__(self, now: int, event: str, fields: dict[str, Any]) -> None:
        if event in ("press", "heard"):
            self.presses[fields["input"]] += 1
        elif event == "note_on":
            self.notes[fields["part"]] += 1
        elif event == "limit":
            self.limits[fields["limit"]] += 1
        elif event == "lost":
            self.lost[fields["input"]] += 1
        elif event == "fault" and "rule" in fields:
            self.faults.append(fields)
        elif event == "fault":
            self.doubts.append((now, fields.get("input", ""), fields["error"]))
        if self.then is not None:
            self.then(now, event, fields)


class Strangers:
    """Passes samples on and counts those of inputs that the profile does not have."""

    def __init__(self, samples: Iterable[Stamped], inputs: Iterable[str]) -> None:
        self._samples, self._inputs = samples, frozenset(inputs)
        self.samples = 0
        self.strangers: Counter[str] = Counter()

    def __iter__(self) -> Iterator[Stamped]:
        for when, sample in self._samples:
            self.samples += 1
            if not isinstance(sample, Mark) and sample.input not in self._inputs:
                self.strangers[sample.input] += 1
            yield when, sample
