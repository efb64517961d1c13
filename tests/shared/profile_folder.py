"""A profile folder with real files, real inotify and real threads, and the daemon's part around it.

What therapists and their programs do to files is done by the same calls to the system. ``Loop`` stands for the
daemon's loop: it waits for the descriptor or the deadline, whichever is first.
"""

from __future__ import annotations

import json
import select
import subprocess
import threading
import time
from pathlib import Path
from typing import Any

from router.bedside.profile_folder import Offer, ProfileFolder
from router.core.units import NANOSECONDS
from router.system import clock
from router.system.agenda import Agenda

GENEROUS = 30.0
"""Seconds for what must happen; on an idle machine it takes one."""

QUIET = 0.6
"""Seconds for what must not happen: more than twice the time that a finished file waits."""


def text(child: str, pitch: str = "C4", remark: str = "") -> str:
    return f"""profile: 1
child: {child}
about: {remark or "For tests."}
inputs: {{pad: {{type: switch, device: {{terminal: space}}}}}}
parts: {{tune: {{input: pad, rules: [note: {{pitch: {pitch}}}], output: {{port: synth}}}}}}
outputs: {{synth: {{instrument: default}}}}
"""


BROKEN = text("wren").replace("outputs:", "outpust:")


class Loop:
    """A profile folder with its memory, its folder, and the daemon's part: what is offered and right is chosen."""

    def __init__(
        self,
        root: Path,
        follow: str = "folder",
        first: str | None = None,
        folder: Path | None = None,
        **more: Any,
    ) -> None:
        self.folder = folder or root / "profiles"
        self.state = root / "state"
        self.said: list[tuple[str, dict[str, object]]] = []
        self.passes = 0
        self.closed = False
        self.swaps = True
        self.plays: Offer | None = None
        self.agenda = Agenda(self._fault)
        self.offers: list[Offer] = []
        self.shelf = ProfileFolder(
            self.folder, self.state, "bed", follow, first, self._say, self.agenda, self._offered, **more
        )

    def _say(self, event: str, **fields: object) -> None:
        self.said.append((event, fields))

    @staticmethod
    def _fault(error: Exception) -> None:
        raise error

    def _offered(self, offer: Offer) -> None:
        self.offers.append(offer)
        if offer.profile is not None and self.swaps:
            self.plays = offer
            self.shelf.chosen(offer)

    def start(self) -> Offer:
        self.plays = self.shelf.at_start()
        return self.plays

    def close(self) -> None:
        if not self.closed:
            self.closed = True
            self.shelf.close()

    def write(self, name: str, what: str) -> Path:
        path = self.folder / name
        path.write_text(what)
        return path

    def turn(self, seconds: float) -> list[Offer]:
        """One pass of the loop, that waits no longer than this."""
        self.passes += 1
        deadline = self.agenda.next()
        if deadline is not None:
            seconds = min(seconds, max(0.0, (deadline - clock.now()) / NANOSECONDS))
        readable = select.select([self.shelf.fileno()], [], [], seconds)[0]
        if readable:
            self.shelf.read(clock.now())
        self.agenda.ring(clock.now())
        offers, self.offers = self.offers, []
        return offers

    def run(self, seconds: float) -> list[Offer]:
        until = time.monotonic() + seconds
        offers = []
        while (left := until - time.monotonic()) > 0:
            offers += self.turn(left)
        return offers

    def wait(self, count: int = 1) -> list[Offer]:
        """So many offers, and then none for a while."""
        offers: list[Offer] = []
        until = time.monotonic() + GENEROUS
        while len(offers) < count:
            assert time.monotonic() < until, (offers, self.said)
            offers += self.turn(0.5)
        return offers + self.run(QUIET)

    def offered(self) -> Offer:
        """The one offer that comes."""
        offers = self.wait()
        assert len(offers) == 1, offers
        return offers[0]

    def refused(self, says: str) -> Offer:
        offer = self.offered()
        assert offer.profile is None
        assert says in "\n".join(map(str, offer.problems))
        return offer

    def quiet(self, seconds: float = QUIET) -> None:
        assert self.run(seconds) == []

    def until(self, true, seconds: float = GENEROUS) -> None:
        end = time.monotonic() + seconds
        while not true():
            assert time.monotonic() < end, self.said
            self.turn(0.05)

    def heard(self, event: str) -> list[object]:
        """Why, each time that this was said."""
        return [fields.get("why") for said, fields in self.said if said == event]


def unmount(point: Path) -> None:
    """As when a stick is taken out, sooner or later: a file of it may be open just then."""
    until = time.monotonic() + GENEROUS
    while subprocess.run(["umount", point], capture_output=True, check=False).returncode:
        assert time.monotonic() < until
        time.sleep(0.05)


def remembered(loop: Loop) -> dict[str, object]:
    return json.loads((loop.state / "bed" / "plays.json").read_text())


def threads() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == "worker"]
