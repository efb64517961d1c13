"""The events of a seat's engine, kept until everybody has been told of them: music comes first.

    observe   the engine is in the middle of its work: an event is kept, and nothing else is done
    pass_on   the room hears of it, as another seat may answer at once
    tell      the session log, those who watch, and the daemon's log are told

Invariants: each event is told once to each of them, in the order in which it happened; the room hears of no note that
a mute keeps from sounding.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

from router.core.ledger import Observe
from router.live.surroundings import EventLog
from router.live.watching import Watching
from router.room.room import Room
from router.system.agenda import Reminder


class SeatEvents:
    """The events of the seat called ``name``; ``record`` is the log of the child who plays, if one is kept.

    ``watching``: those who watch the seat. ``mutes`` tells whether notes are kept from sounding now. ``hearing`` and
    ``telling`` are to call ``pass_on`` and ``tell`` when they ring.
    """

    def __init__(
        self,
        name: str,
        room: Room,
        log: EventLog,
        watching: Watching,
        *,
        mutes: Callable[[], bool],
        hearing: Reminder,
        telling: Reminder,
    ) -> None:
        self.record: Observe | None = None
        self.presses: Counter[str] = Counter()  # by source, since this profile plays
        self.drifted: dict[str, str] = {}  # by source: how the fit no longer fits, since this profile plays
        self._name, self._room, self._log, self._watching = name, room, log, watching
        self._mutes, self._hearing, self._telling = mutes, hearing, telling
        self._fields: dict[str, Any] = {"seat": name} if name else {}
        self._kept: list[tuple[int, str, dict[str, Any]]] = []
        self._passed = 0  # how many of those the room has heard

    def observe(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """Keep an event of the engine, to be told later."""
        if len(self._kept) == self._passed:  # all that came before was passed on
            self._telling.soon()
            if self._room.listens:
                self._hearing.soon()
        self._kept.append((now, event, fields))

    def pass_on(self) -> None:
        """Tell the room what has happened here and was not passed on yet."""
        passed, self._passed = self._passed, len(self._kept)
        for now, event, fields in self._kept[passed:]:
            if event == "note_on" and self._mutes():  # it does not sound
                continue
            self._room.heard(self._name, event, fields, now)

    def tell(self) -> None:
        """Write down what has happened since the last time."""
        if len(self._kept) > self._passed:
            self.pass_on()
        kept, self._kept, self._passed = self._kept, [], 0
        log = self._log
        for now, event, fields in kept:
            if self.record is not None:
                self.record(now, event, fields)
            self._watching.event(now, event, fields)
            if event == "press":
                self.presses[fields["input"]] += 1
            if event == "drift":
                self._drift(fields)
            elif event == "fault" and "rule" in fields:
                log.error("rule_fault", **self._fields, **fields)
            elif event == "fault":  # what a sensor says cannot be, or its rest is known no more
                log.warning("sensor_fault", **self._fields, **fields)
            elif event in ("press", "release", "mark", "start", "stop"):
                log.info(event, **self._fields, **fields)
            else:
                log.debug(event, **self._fields, **fields)

    def begin_profile(self) -> None:
        """Count from 0 again, as another profile plays from now on."""
        self.presses.clear()
        self.drifted.clear()

    def _drift(self, fields: dict[str, Any]) -> None:
        if fields["what"] == "followed":  # a threshold has gone after the child's efforts, as the profile lets it
            self._log.info("drift", **self._fields, **fields)
            return
        self.drifted[fields["input"]] = fields["what"]
        self._log.warning("drift", **self._fields, **fields)
