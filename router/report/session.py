"""From a log to sessions, and from a session to its figures.

One log holds what a seat heard from the moment a profile began until another took its place, which may be a whole day.
A pause of fifteen minutes without any effort or mark therefore ends a session, and time in which nothing was tried
before or after it does not count.

Marks divide a session into phases. ``baseline`` begins one in which the child's movements do not sound; ``playing`` one
in which they do. Without such marks everything is playing. What comes before a first ``baseline`` is playing; what
comes before a first ``playing`` is getting ready, and does not count. ``cue`` is the moment at which the child was
asked, or shown, to play. ``goal NAME SCORE`` scores a goal from -2 to +2 (see ``measures.goal_attainment``). Every
other mark is a remark.

A press of ``pad.double``, ``pad.long`` or ``cheek.above.firm`` that comes while ``pad`` or ``cheek.above`` is pressed
is the same effort, and is not counted again.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

from router.core.conditioning import drift
from router.records.record_files import Event, SessionLog
from router.records.recorder import BASELINE, PLAYING
from router.report import measures
from router.report.measures import Quartiles, SessionTrend, Span

BIN = 30.0
"""Seconds. The pieces into which a phase is cut to compare baseline and playing within a session. Our choice."""

FEWEST = 3
"""The fewest pieces, sessions or values on each side that are compared. Our choice."""

GROUPS = 24
"""The most values in a trend within a session; with more presses, each value is the median of several in a row."""

CUE = "cue"
"""The mark of a moment in which the child was asked to play."""

NEAR = "near"
"""Stands beside the filters' names, for a rise that does not count because it did not reach the threshold."""

_GOAL = re.compile(r"goal\s+([a-z][a-z0-9_-]*)\s+([+-]?[012])")
_SAME_EFFORT = (".double", ".long", ".firm")


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of the measures, all in seconds.

    ``window``: an effort that follows a cue within it is an answer. ``gap``: a longer rest ends a run of playing.
    ``pause``: a longer time without effort or mark ends the session.
    """

    window: float = 5.0
    gap: float = 5.0
    pause: float = 900.0


@dataclass(slots=True)
class RecordedPress:
    """An effort; ``end`` is None if its end was not seen (a power cut, a line that is missing)."""

    source: str
    start: float
    strength: float
    end: float | None = None


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of one phase, which lasts ``seconds``. None: there is too little to calculate the figure from."""

    seconds: float
    presses: int
    rate: float | None
    """Efforts a minute."""
    hold: Quartiles | None
    between: Quartiles | None
    """Seconds from the start of one effort to the start of the next."""
    active: float | None
    """The share of the time in which something was pressed."""
    longest: float
    """The longest run of playing, in seconds."""
    cues: int
    answers: Quartiles | None
    """Seconds from a cue to its answer, for the cues that were answered."""
    strength: Quartiles | None
    """From 0 to 1. None also where the input does not measure it."""
    tiring: SessionTrend | None
    """The change of strength a minute."""

    @property
    def answered(self) -> int:
        """The number of cues that were answered."""
        return self.answers.count if self.answers else 0


@dataclass(frozen=True, slots=True)
class Timeline:
    """A session as it went, in seconds from its start."""

    presses: tuple[RecordedPress, ...]
    baseline: tuple[Span, ...]
    playing: tuple[Span, ...]
    cues: tuple[tuple[float, float | None], ...]
    """The time of each cue, and the seconds until its answer; None without one."""
    rejects: tuple[tuple[float, str, str], ...]
    """The time, the source and the filter of each."""
    marks: tuple[tuple[float, str], ...]
    """The marks that are remarks, with their times."""
    away: tuple[Span, ...]
    """The spans in which an input was missing."""


@dataclass(frozen=True, slots=True)
class Session:
    """A session with its figures; ``remarks`` say what of its log could not be used."""

    log: str
    seat: str
    began: datetime | None
    seconds: float
    playing: Figures
    baseline: Figures | None
    nap: float | None
    pnd: float | None
    sources: dict[str, int]
    rejects: dict[str, int]
    """The number of efforts that did not count, by filter."""
    away: float
    drifts: tuple[tuple[float, str, str], ...]
    """Each time that thresholds no longer fitted: when, of which source, and why."""
    goals: dict[str, int]
    profile: str
    """The digest of the profile; empty if it is not known."""
    remarks: tuple[str, ...]
    timeline: Timeline | None = field(repr=False)
    """None if it was not kept, to save memory."""


def sessions(log: SessionLog, settings: Settings) -> list[Session]:
    """The sessions of a log in which the child or the therapist did anything."""
    doings = [event.t for event in log.events if event.event in ("press", "release", "reject", "near", "mark")]
    if not doings:
        return []
    last = log.events[-1].t
    starts = [0.0 if doings[0] <= settings.pause else doings[0]]
    ends = []
    for before, after in pairwise(doings):
        if after - before > settings.pause:
            ends.append(before)
            starts.append(after)
    ends.append(last if last - doings[-1] <= settings.pause else doings[-1])
    return [_session(log, start, end, settings) for start, end in zip(starts, ends, strict=True)]


def _session(log: SessionLog, start: float, end: float, settings: Settings) -> Session:
    events = log.events
    if start > 0 or end < events[-1].t:
        events = [Event(t - start, event, fields) for t, event, fields in events if start <= t <= end]
    seconds = end - start
    marks = [(event.t, event.fields["text"].strip()) for event in events if event.event == "mark"]
    cues = [t for t, text in marks if text.casefold() == CUE]
    baseline, playing = _phases(marks, seconds)
    presses, sources = _presses(events)
    rejects = [
        (event.t, event.fields["input"], event.fields.get("by", NEAR))
        for event in events
        if event.event == "reject" or (event.event == "near" and event.fields["reach"] >= drift.NEAR)
    ]
    away = _away(events, seconds)
    answers = measures.latencies([press.start for press in presses], cues, settings.window)
    timeline = Timeline(
        tuple(presses),
        tuple(baseline),
        tuple(playing),
        tuple(zip(sorted(cues), answers, strict=True)),
        tuple(rejects),
        tuple((t, text) for t, text in marks if text.casefold() not in (BASELINE, PLAYING, CUE)),
        tuple(away),
    )
    quiet, loud = (_per_bin(presses, spans) for spans in (baseline, playing))
    enough = min(len(quiet), len(loud)) >= FEWEST
    return Session(
        log.name,
        log.seat,
        log.began + timedelta(seconds=start) if log.began is not None else None,
        seconds,
        _figures(timeline, playing, settings, seconds),
        _figures(timeline, baseline, settings, seconds) if baseline else None,
        measures.nap(quiet, loud) if enough else None,
        measures.pnd(quiet, loud) if enough else None,
        dict(sources),
        dict(Counter(by for _, _, by in rejects)),
        measures.total(away),
        tuple((event.t, event.fields["input"], event.fields["what"]) for event in events if event.event == "drift"),
        _goals(marks),
        log.profile,
        tuple(log.remarks),
        timeline,
    )


def _phases(marks: Iterable[tuple[float, str]], seconds: float) -> tuple[list[Span], list[Span]]:
    """Return the spans of baseline, and those of playing."""
    turns = [(t, text.casefold()) for t, text in marks if text.casefold() in (BASELINE, PLAYING)]
    if not turns or turns[0][1] == BASELINE:
        turns.insert(0, (0.0, PLAYING))
    spans: dict[str, list[Span]] = {BASELINE: [], PLAYING: []}
    for (start, phase), (end, _) in zip(turns, [*turns[1:], (seconds, "")], strict=True):
        if end > start:
            spans[phase].append((start, end))
    return measures.union(spans[BASELINE]), measures.union(spans[PLAYING])


def _presses(events: Iterable[Event]) -> tuple[list[RecordedPress], Counter[str]]:
    """Return every effort with its end, and the number of presses of each source."""
    efforts: list[RecordedPress] = []
    sources: Counter[str] = Counter()
    held: dict[str, list[RecordedPress]] = {}
    for t, event, fields in events:
        if event == "press":
            source = fields["input"]
            sources[source] += 1
            if source.endswith(_SAME_EFFORT) and held.get(source.rpartition(".")[0]):
                continue
            press = RecordedPress(source, t, float(fields["strength"]))
            efforts.append(press)
            if "pitch" in fields:  # a keyboard: many keys at once
                held.setdefault(source, []).append(press)
            else:
                held[source] = [press]
        elif event == "release":
            if waiting := held.get(fields["input"]):
                waiting.pop(0).end = t
        elif event == "fault" and ("missing" in fields or fields.get("error") == "damaged"):
            held.clear()  # the release may be among what is missing
    return efforts, sources


def _away(events: Iterable[Event], seconds: float) -> list[Span]:
    """Return the spans in which any input was missing."""
    since: dict[str, float] = {}
    spans: list[Span] = []
    for t, event, fields in events:
        if event == "lost":
            since.setdefault(fields["input"], t)
        elif event == "found" and fields["input"] in since:
            spans.append((since.pop(fields["input"]), t))
    spans += [(t, seconds) for t in since.values()]
    return measures.union(spans)


def goal(text: str) -> tuple[str, int] | None:
    """Read a mark as the name of a goal and its score; None if it scores no goal."""
    found = _GOAL.fullmatch(text.strip().casefold().replace("\u2212", "-"))
    return (found[1], int(found[2])) if found else None


def _goals(marks: Iterable[tuple[float, str]]) -> dict[str, int]:
    """The last score of each goal."""
    return dict(found for _, text in marks if (found := goal(text)) is not None)


def _per_bin(presses: Iterable[RecordedPress], spans: Iterable[Span]) -> list[float]:
    """Count the efforts that began in each whole piece of ``BIN`` seconds of these spans."""
    onsets = [press.start for press in presses]
    counts: list[float] = []
    for start, end in spans:
        pieces = [0.0] * int((end - start) / BIN)
        for onset in onsets:
            if start <= onset < start + BIN * len(pieces):
                pieces[int((onset - start) / BIN)] += 1
        counts += pieces
    return counts


def _figures(timeline: Timeline, spans: Sequence[Span], settings: Settings, session: float) -> Figures:
    """Calculate the figures of ``spans``; an effort belongs to the span in which it began."""

    def inside(t: float) -> bool:
        # An effort at the very end of the session belongs to the last span.
        return any(start <= t < end or t == end == session for start, end in spans)

    seconds = measures.total(spans)
    presses = [press for press in timeline.presses if inside(press.start)]
    holds = _held(presses)
    answers = [answer for t, answer in timeline.cues if inside(t)]
    told = _that_say_strength(presses)
    return Figures(
        seconds,
        len(presses),
        60 * len(presses) / seconds if seconds else None,
        measures.quartiles([end - start for start, end in holds]),
        measures.quartiles(_between(presses, spans)),
        _active(timeline.presses, spans),
        measures.longest_run(holds, settings.gap),
        len(answers),
        measures.quartiles([answer for answer in answers if answer is not None]),
        measures.quartiles([press.strength for press in told]),
        _tiring(told),
    )


def _active(presses: Sequence[RecordedPress], spans: Sequence[Span]) -> float | None:
    """The share of the time in which something was pressed; None if the end of no effort was seen."""
    holds, seconds = _held(presses), measures.total(spans)
    if not seconds or (presses and not holds):
        return None
    return measures.total(measures.within(measures.union(holds), spans)) / seconds


def _held(presses: Iterable[RecordedPress]) -> list[Span]:
    """The spans of the efforts whose end is known."""
    return [(press.start, press.end) for press in presses if press.end is not None]


def _between(presses: Sequence[RecordedPress], spans: Sequence[Span]) -> list[float]:
    """The times from each effort to the next, where no other phase lies between them."""
    found: list[float] = []
    for start, end in spans:
        found += measures.intervals([press.start for press in presses if start <= press.start <= end])
    return found


def _that_say_strength(presses: Sequence[RecordedPress]) -> list[RecordedPress]:
    """Keep the efforts of sources whose strength varies; that of a switch is always the same."""
    said: defaultdict[str, set[float]] = defaultdict(set)
    for press in presses:
        said[press.source].add(press.strength)
    return [press for press in presses if len(said[press.source]) > 1]


def _tiring(presses: Sequence[RecordedPress]) -> SessionTrend | None:
    """The trend of strength over the minutes; None for fewer than ``FEWEST`` efforts."""
    if len(presses) < FEWEST:
        return None
    groups = min(GROUPS, len(presses))
    bounds = [round(index * len(presses) / groups) for index in range(groups + 1)]
    parts = [presses[a:b] for a, b in pairwise(bounds)]
    return measures.trend(
        [median(press.strength for press in part) for part in parts],
        [median(press.start for press in part) / 60 for part in parts],
    )
