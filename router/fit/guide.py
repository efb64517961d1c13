"""Guided measurement: step by step, what to ask of a child, and what was asked when. No screen, no device, no clock.

    step       what is asked                                    it ends
    hear       nothing: is the sensor heard?                    when the person goes on
    rest       nothing, for a while                             by itself
    efforts    some natural efforts; each is marked             by itself after enough, or when the person goes on
    long       one long effort, if it does not tire             when the person marks its end, or goes on without it

    A step waits until it is begun, so that nobody is hurried:  waiting --mark--> running --> the next step, waiting
    back       from running: the step begins again; from waiting: the step before it does
    pause      from running: nobody judges what was heard from a second ago (the child coughs, talks or is moved) until
               the next mark; a rest waits for it, and lasts so much longer

A step that is taken back stays in the recording, without its marks, and is not judged. The recording so far is complete
at any moment, and can be written.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from router.core.events import Lost, Mark, Sample
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.fit.recording import AFTER, BEFORE

MARK, ON, BACK, PAUSE = "mark", "on", "back", "pause"
"""The words that a person can say: begin, or mark what is seen; go on; go back; leave out what happens now."""

REST_SECONDS = 20
EFFORTS = 10
LEAST = 3


@dataclass(frozen=True, slots=True)
class GuideStep:
    """A step of the measurement.

    ``big`` is the word in large letters; ``before`` and ``during`` are sentences, with the child's name as ``{child}``.
    The step ends by itself after ``seconds``, or after ``wanted`` marks.
    """

    name: str
    big: str
    before: tuple[str, ...]
    during: tuple[str, ...] = ()
    seconds: int = 0
    wanted: int = 0


_REST = GuideStep(
    "rest",
    "REST",
    (
        "{child} rests for 20 seconds.",
        "Ask for nothing. Breathing and small movements are welcome: they are what rest looks like.",
    ),
    ("Ask for nothing. It ends by itself.",),
    seconds=REST_SECONDS,
)
STEPS = {
    "pressure": (
        GuideStep(
            "hear", "HELLO", ("Is the bar moving a little, and more when you touch the sensor?", "Then all is well.")
        ),
        _REST,
        GuideStep(
            "efforts",
            "TRY",
            (
                "Ten efforts, as gentle as {child} likes, with a pause after each.",
                (
                    "You press once for each effort, when you ask for it or see it. A second early or late does not"
                    " matter."
                ),
            ),
            ("Press once for each effort. Fewer than ten are enough if {child} tires.",),
            wanted=EFFORTS,
        ),
        GuideStep(
            "long",
            "LONG",
            ("One effort, held as long as {child} likes. Leave it out if it would tire.",),
            ("Press when it is over.",),
            wanted=2,
        ),
    ),
    "switch": (
        GuideStep("hear", "HELLO", ("Press the switch yourself, once.", "Does the circle fill? Then all is well.")),
        _REST,
        GuideStep(
            "efforts",
            "PRESS",
            (
                "Ten presses, as they come.",
                "You press once for each press that {child} means. Those that are not meant you let pass.",
            ),
            ("Press once for each press that {child} means. Fewer than ten are enough.",),
            wanted=EFFORTS,
        ),
    ),
    "pointer": (
        GuideStep("hear", "HELLO", ("Does the sign in the grid follow {child}?", "Then all is well.")),
        _REST,
        GuideStep(
            "efforts",
            "FOLLOW",
            (
                "Ask for one place after another, near and far: ten in all.",
                "You press each time you ask, and let {child} stay there for some three seconds.",
            ),
            ("Press each time you ask for the next place.",),
            wanted=EFFORTS,
        ),
        GuideStep(
            "long",
            "STAY",
            ("One place, and {child} stays there for ten seconds. Leave it out if it would tire.",),
            ("Press when it is over.",),
            wanted=2,
        ),
    ),
}
"""The steps of a measurement, by the type of input."""


@dataclass(slots=True)
class _Taken:
    """The marks of a step that count, and the times from which attempts that were taken back are not judged."""

    marks: list[tuple[int, str]] = field(default_factory=list)
    pauses: list[int] = field(default_factory=list)


class Guide:
    """A guided measurement, as the module describes it.

    Times are nanoseconds of any clock that never goes back; the recording begins at 0.
    """

    def __init__(self, kind: str, child: str, now: int) -> None:
        self.steps = STEPS[kind]
        self.child = child
        self.place = 0
        self.running = False
        self.finished = False
        self.missing = False
        """The device has gone."""
        self.samples: list[Stamped] = []
        self.asked = 0
        """The number of efforts marked, including those taken back."""
        self._begun = now  # the recording
        self._since = now  # the step
        self._taken = {step.name: _Taken() for step in self.steps}
        self._ends: int | None = None
        self._left: int | None = None  # of a rest that is paused, in nanoseconds

    @property
    def paused(self) -> bool:
        """True while what is heard is not judged, until the next mark."""
        marks = self._taken[self.step.name].marks
        return self.running and bool(marks) and marks[-1][1] == "pause"

    @property
    def step(self) -> GuideStep:
        return self.steps[self.place]

    @property
    def marked(self) -> int:
        """The number of efforts marked in this step."""
        return sum(word == "effort" for _t, word in self._taken[self.step.name].marks)

    @property
    def measured(self) -> bool:
        """True if anything was measured: a rest has begun."""
        return any(taken.marks or taken.pauses for taken in self._taken.values())

    @property
    def enough(self) -> bool:
        """True if there is something to fit: a rest, and some efforts."""
        return bool(self._taken["rest"].marks) and any(word == "effort" for _t, word in self._taken["efforts"].marks)

    def seconds_left(self, now: int) -> int:
        """Return the seconds left of a step that ends by itself."""
        left = self.step.seconds * NANOSECONDS
        if self._left is not None:
            left = self._left
        elif self.running and self._ends is not None:
            left = self._ends - now
        return max(0, -(-left // NANOSECONDS))

    def sample(self, sample: Sample, now: int) -> None:
        """Take a sample from the device."""
        self.missing = isinstance(sample, Lost)
        self.samples.append((now - self._begun, sample))

    def deadline(self) -> int | None:
        """Return when ``wake`` is to be called; None: not at all."""
        return self._ends

    def wake(self, now: int) -> None:
        """End the step if its time is over."""
        if self._ends is not None and now >= self._ends:
            self._over(self._ends)

    def say(self, word: str, now: int) -> None:
        """Act on what a person says: ``MARK``, ``ON``, ``BACK`` or ``PAUSE``."""
        self.wake(now)
        if self.finished:
            return
        if word == BACK:
            self._back(now)
        elif word == PAUSE:
            self._pause(now)
        elif self.step.name == "hear":
            self._next()
        elif not self.running:
            if word == ON and self.step.name == "long":
                self._over(now)  # left out
            else:
                self._begin(now)
        elif word == ON:
            self._over(now)
        elif self._left is not None:
            self._ends, self._left = now + self._left, None
            self._note(now, "rest")
        elif self.step.name != "rest" and self._ends is None:
            self._mark(now)

    def recorded(self, now: int) -> list[Stamped]:
        """The recording as it stands, with its marks, in order."""
        marks = [(0, "pause")]
        for step in self.steps:
            taken = self._taken[step.name]
            marks += taken.marks
            marks += [(t, "pause") for t in taken.pauses]
        if self.running and self.step.name == "rest":
            marks.append((now - self._begun, "end"))
        texts: list[Stamped] = [(t, Mark(word)) for t, word in sorted(marks, key=lambda mark: mark[0])]
        return sorted([*texts, *self.samples], key=lambda stamped: stamped[0])

    # --- steps ------------------------------------------------------------------------------------------------

    def _begin(self, now: int) -> None:
        self.running, self._since = True, now
        self._ends = now + self.step.seconds * NANOSECONDS if self.step.seconds else None
        if self.step.name == "rest":
            self._note(now, "rest")
        elif self.step.name == "long":
            self._note(now, "effort")

    def _mark(self, now: int) -> None:
        if self.step.name == "long":
            self._note(now, "end")
            self._over(now)
            return
        self._note(now, "effort")
        if self.marked >= self.step.wanted:
            self._ends = now + AFTER + NANOSECONDS // 2  # the last effort may be yet to come

    def _pause(self, now: int) -> None:
        if not self.running or self.step.name not in ("rest", "efforts") or self.paused:
            return
        taken = self._taken[self.step.name]
        since = max([now - BEFORE, *(self._begun + t for t, _word in taken.marks[-1:])])
        if self.step.name == "rest" and self._ends is not None:
            self._left, self._ends = self._ends - since, None
        self._note(since, "pause")

    def _over(self, now: int) -> None:
        """End the step, by itself or because somebody goes on."""
        if self.running:
            name, marks = self.step.name, self._taken[self.step.name].marks
            if name == "rest":
                self._note(now, "end")
            elif name == "long":
                if marks and marks[-1][1] == "effort":
                    self._note(now, "end")
            elif not self.marked:  # nobody marked anything: the whole step is one stretch of efforts
                marks.clear()
                self._note(self._since, "effort")
                self._note(now, "end")
            self._note(now, "pause")
        self._next()

    def _next(self) -> None:
        self.running, self._ends, self._left = False, None, None
        if self.place + 1 < len(self.steps):
            self.place += 1
        else:
            self.finished = True

    def _back(self, now: int) -> None:
        if not self.running and self.place > 0:
            self.place -= 1
        taken = self._taken[self.step.name]
        if taken.marks:  # what was measured in vain is not judged, from its beginning on
            taken.pauses.append(max(0, taken.marks[0][0] - NANOSECONDS))
        taken.marks = []
        self.running, self._ends, self._left = False, None, None

    def _note(self, now: int, word: str) -> None:
        self.asked += word == "effort"
        self._taken[self.step.name].marks.append((now - self._begun, word))
