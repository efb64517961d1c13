"""From measures as they are written to measures as they are played: repeats, endings and the order of sections."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from router.core.song import MOST_BARS
from router.songs.abc.body import Measure
from router.songs.error import SongError


def played(measures: Sequence[Measure], order: Sequence[str]) -> list[tuple[int, int]]:
    """The indexes of the measures in the order in which they are played, each with its pass, counted from 0.

    ``order``: the sections in the order of the header, by the first letter of their names; empty: as they stand.

    Raises:
        SongError: a section of the order is not there, or more than ``MOST_BARS`` come of it.
    """
    if not order:
        return _repeated(measures, 0, len(measures))
    begins = [index for index, measure in enumerate(measures) if measure.section] + [len(measures)]
    sections = {measures[begin].section: (begin, end) for begin, end in pairwise(begins)}
    found: list[tuple[int, int]] = []
    times: dict[str, int] = {}
    for name in order:
        if name not in sections:
            raise SongError(
                f'the order of the sections names "{name}", and no section is called so',
                f"There are: {', '.join(sections) or 'none'}. A section begins with a line such as P:{name}.",
            )
        before = times.get(name, 0)
        once = _repeated(measures, *sections[name])
        found += [(index, before + turn) for index, turn in once]
        times[name] = before + 1 + max((turn for _, turn in once), default=0)
        _bounded(found)
    return found


def _repeated(measures: Sequence[Measure], first: int, after: int) -> list[tuple[int, int]]:
    endings = _endings(measures, first, after)
    found: list[tuple[int, int]] = []
    at = start = first
    turn = 1
    while at < after:
        measure = measures[at]
        if measure.begins_repeat and at != start:
            start, turn = at, 1
        if endings[at] and turn not in endings[at]:
            at += 1
            if at < after and not endings[at]:  # behind the last ending
                start, turn = at, 1
            continue
        found.append((at, turn - 1))
        _bounded(found)
        total = _total(endings, start, at, after) or measure.times
        if measure.times > 1 and turn < total:
            turn += 1
            at = start
        else:
            at += 1
            another = at >= after or not endings[at]
            if another and (measure.times > 1 or endings[at - 1]):
                start, turn = at, 1
    return found


def _endings(measures: Sequence[Measure], first: int, after: int) -> dict[int, frozenset[int]]:
    """The passes in which each measure is played, as far as an ending says so: from its number to where it closes."""
    found: dict[int, frozenset[int]] = {}
    now: frozenset[int] = frozenset()
    for index in range(first, after):
        measure = measures[index]
        if measure.begins_repeat or (measure.section and index > first):
            now = frozenset()
        now = measure.endings or now
        found[index] = now
        if measure.closes:
            now = frozenset()
    return found


def _total(endings: dict[int, frozenset[int]], start: int, at: int, after: int) -> int:
    """How often a passage with endings is played; 0 if it has none."""
    last = at
    while last + 1 < after and endings[last + 1]:
        last += 1
    return max((number for index in range(start, last + 1) for number in endings[index]), default=0)


def _bounded(found: Sequence[object]) -> None:
    if len(found) > MOST_BARS:
        raise SongError(f"with its repeats this song has more than {MOST_BARS} bars", "Take a shorter one.")
