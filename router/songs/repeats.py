"""The order in which measures are played: repeats, endings, D.C. and D.S. played out.

    repeats     twice, or as often as the sign says; after a jump back (D.C., D.S.) they are not taken (common practice)
    endings     each in the pass whose number it bears; after a jump the last one
    jumps       D.C. to the beginning, D.S. to the segno, each once; then to the end, to Fine, or from To Coda to the
                coda. They act at the end of the measure in which they stand

Source: MusicXML 4.0, the elements repeat, ending and sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from router.core.song import MOST_BARS
from router.songs.score import too_long


@dataclass(slots=True)
class MeasureSigns:
    """The signs of a measure that say what is played after it. ``ending``: passes in which it is played; empty: all."""

    forward: bool = False
    backward: int = 0
    """How often the section that ends here is played; 0: no repeat ends here."""
    ending_starts: frozenset[int] = frozenset()
    ending_stops: bool = False
    segno: set[str] = field(default_factory=set)
    coda: set[str] = field(default_factory=set)
    to_coda: set[str] = field(default_factory=set)
    dal_segno: set[str] = field(default_factory=set)
    da_capo: bool = False
    fine: bool = False
    after_jump: bool = False
    """The repeat that ends here is taken after a jump, too."""


@dataclass(frozen=True, slots=True)
class _Ending:
    first: int
    last: int
    passes: frozenset[int]
    most: int
    """The last pass of its group of endings."""


def play_order(measures: Sequence[MeasureSigns]) -> list[tuple[int, int]]:
    """Each measure that is played, by its index, with the pass (from 1) in which it is.

    Raises:
        SongError: there are more than ``MOST_BARS``.
    """
    endings = _endings(measures)
    order: list[tuple[int, int]] = []
    taken: set[int] = set()
    jumped = False
    start, count, at = 0, 1, 0
    while at < len(measures):
        signs, ending = measures[at], endings[at]
        if signs.forward and at != start:
            start, count = at, 1
        if ending and at == ending.first and (ending.most if jumped else count) not in ending.passes:
            at = ending.last + 1
            if at == len(measures) or endings[at] is None:  # it was the last of its group
                start, count = at, 1
            continue
        if len(order) >= MOST_BARS:
            raise too_long()
        order.append((at, count))
        repeats = max(signs.backward, ending.most if ending else 0) if signs.backward else 0
        if repeats > count and (not jumped or signs.after_jump):
            count, at = count + 1, start
            continue
        if signs.backward or (ending and at == ending.last):
            start, count = at + 1, 1
        if jumped and signs.fine:
            break
        if jumped and signs.to_coda:
            target = _labelled([each.coda for each in measures], signs.to_coda)
            if target is not None and target > at:
                at = start = target
                count = 1
                continue
        target = _jump(measures, signs)
        if target is not None and at not in taken:
            taken.add(at)
            jumped = True
            at = start = target
            count = 1
            continue
        at += 1
    return order


def _jump(measures: Sequence[MeasureSigns], signs: MeasureSigns) -> int | None:
    """Where the music goes back to after this measure."""
    if signs.dal_segno:
        return _labelled([each.segno for each in measures], signs.dal_segno) or 0
    return 0 if signs.da_capo else None


def _labelled(labels: Sequence[set[str]], wanted: set[str]) -> int | None:
    """The first measure with one of these labels, else the first with any."""
    same = next((i for i, each in enumerate(labels) if each & wanted), None)
    return same if same is not None else next((i for i, each in enumerate(labels) if each), None)


def _endings(measures: Sequence[MeasureSigns]) -> list[_Ending | None]:
    """The ending in which each measure is."""
    spans: list[tuple[int, int, frozenset[int]]] = []
    at = 0
    while at < len(measures):
        if passes := measures[at].ending_starts:
            last = at
            while last + 1 < len(measures) and not measures[last].ending_stops and not measures[last + 1].ending_starts:
                last += 1
            spans.append((at, last, passes))
            at = last
        at += 1
    groups: list[list[tuple[int, int, frozenset[int]]]] = []
    for span in spans:
        if groups and groups[-1][-1][1] + 1 == span[0]:
            groups[-1].append(span)
        else:
            groups.append([span])
    found: list[_Ending | None] = [None] * len(measures)
    for group in groups:
        most = max(max(passes) for _, _, passes in group)
        for first, last, passes in group:
            found[first : last + 1] = [_Ending(first, last, passes, most)] * (last - first + 1)
    return found
