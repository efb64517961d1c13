"""A seat that is watched, on virtual time: a real profile, its engine, and simulated children."""

from __future__ import annotations

import json

from router.cli.simulated import simulated
from router.core.engine import Engine
from router.core.events import Mark
from router.core.units import NANOSECONDS
from router.files import profile
from router.live.watching import Watching
from router.offline import simulate

FRAME = NANOSECONDS // 25


class Seat:
    """The least that a daemon does around an engine."""

    def __init__(self, name):
        self.profile = profile.load(profile.find(name))
        self.watching = Watching()
        self.engine = Engine(self.profile.plan, self.watching.event)
        self.watching.plays(self.profile, self.engine.inputs)
        self.last = {}
        self.engine.start(0)

    def hear(self, sample, now):
        while (due := self.engine.next_deadline()) is not None and due <= now:
            self.engine.wake(due)
        self.engine.handle(sample, now)
        if not isinstance(sample, Mark):
            self.last[sample.input] = (now, sample)
            self.watching.sample(sample, now)

    def frame(self, now):
        frame = self.watching.frame(now, self.last)
        json.dumps(frame, allow_nan=False)
        return frame

    def frames(self, seconds):
        """A simulated child plays, somebody watches."""
        until = seconds * NANOSECONDS
        frames, at = [], 0
        for now, sample in simulate.together(*(simulated(self.profile, name, until) for name in self.profile.types)):
            while at <= now:
                frames.append(self.frame(at))
                at += FRAME
            self.hear(sample, now)
        return frames
