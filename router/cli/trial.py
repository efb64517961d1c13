"""A rule's example, played for ten seconds by a simulated child, and drawn as a piano roll."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from router.cli.screen import Signs
from router.cli.simulated import simulated
from router.core.contract import Rule
from router.core.engine import Engine
from router.core.midi import BEND_MOST, CONTROLLERS, DRUM_CHANNEL, DRUMS
from router.core.music import NAMES, pitch_name
from router.core.units import NANOSECONDS
from router.files.diagnostics import Report
from router.files.manual import example
from router.files.profile import Profile, schema
from router.files.profile.build import build
from router.files.source import parse
from router.live.budget import Budget
from router.offline import simulate
from router.offline.player import steps
from router.songs.example import EXAMPLE

SECONDS = 10
UNTIL = SECONDS * NANOSECONDS

PATIENCE = 2 * NANOSECONDS
"""How long a rule of others' may keep us waiting."""

INPUTS = (
    ("pad", "{type: switch, device: {terminal: space}}", "pad"),
    (
        "cheek",
        '{type: pressure, device: {serial: "*", unit: Pa}, above: {on: 100 Pa, full: 500 Pa}, rhythm: no}',
        "cheek.above",
    ),
    ("head", '{type: pointer, device: {evdev: "*"}}', "head"),
    ("head", '{type: pointer, device: {evdev: "*"}}', "[head, head.x]"),
    ("keys", '{type: midi, device: {midi: "*"}}', "keys"),
    ("pad", "{type: switch, device: {terminal: space}}\n  call: {type: listen, seat: anybody}", "[pad, call]"),
)
"""A name, an input (and what else stands there), and what a part listens to: the first that the example can work with
plays it."""


@dataclass(slots=True)
class ExampleRoll:
    """The efforts and notes of an example, in nanoseconds.

    Each has who, from when and until when; controllers have each value and its time.
    """

    heard: list[tuple[str, int, int]] = field(default_factory=list)
    played: list[tuple[int, int, int]] = field(default_factory=list)
    moved: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    drums: bool = False
    """True if notes are drums."""
    names: Sequence[str] = NAMES
    """Names of the twelve notes, in the key of the example."""
    _open: dict[tuple[str, str | int], int] = field(default_factory=dict)

    def __call__(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """An ``observe`` for an engine."""
        now = min(now, UNTIL)
        match event:
            case "press":
                self._open["heard", fields["input"]] = now
            case "release":
                self.heard.append((fields["input"], self._open.pop(("heard", fields["input"]), now), now))
            case "heard":
                self.heard.append((fields["input"], now, now))
            case "note_on":
                self._open["played", fields["note"]] = now
                self.drums = fields["channel"] == DRUM_CHANNEL
            case "note_off":
                self.played.append((fields["note"], self._open.pop(("played", fields["note"]), now), now))
            case "control":
                name, share = _controller(fields["controller"], fields["value"])
                self.moved.setdefault(name, []).append((now, share))
            case "fault":
                self.faults.append(fields["error"])

    def as_json(self) -> dict[str, Any]:
        """The same for a program to read; times in seconds."""
        return {
            "seconds": SECONDS,
            "heard": [{"input": name, "from": a / NANOSECONDS, "to": b / NANOSECONDS} for name, a, b in self.heard],
            "played": [{"note": note, "from": a / NANOSECONDS, "to": b / NANOSECONDS} for note, a, b in self.played],
            "moved": {
                name: [{"t": at / NANOSECONDS, "share": round(share, 4)} for at, share in values]
                for name, values in self.moved.items()
            },
            "faults": self.faults,
        }


def _controller(number: int | str, value: int) -> tuple[str, float]:
    """The name of a controller, and its value as a share of the whole."""
    if isinstance(number, str):
        return number, value / (BEND_MOST if number == "bend" else 127)
    return next((name for name, known in CONTROLLERS.items() if known == number), f"cc{number}"), value / 127


def trial(rule: type[Rule]) -> ExampleRoll | None:
    """Ten seconds of the rule's example; None if there is none, or no single movement can play it."""
    loaded = _loaded(rule)
    if loaded is None:
        return None
    heard = ExampleRoll(names=loaded.plan.music.names)
    samples = simulate.together(*(simulated(loaded, name, UNTIL) for name in loaded.plan.inputs))
    with Budget(slow=None, stuck=PATIENCE) as budget:
        for _ in steps(Engine(budget.held(loaded.plan), heard), samples, NANOSECONDS // 2):
            pass
    return heard


def _loaded(rule: type[Rule]) -> Profile | None:
    rules = example(rule).splitlines()
    for channel, (name, made, listens) in itertools.product((1, DRUM_CHANNEL), INPUTS):
        lines = [
            *("profile: 1", "child: wren", "inputs:", f"  {name}: {made}"),
            *("parts:", "  tune:", f"    input: {listens}", *(f"    {line}" for line in rules)),
            *(f"    output: {{port: synth, channel: {channel}}}", 'outputs: {synth: {midi: "*"}}'),
        ]
        report = Report("example", schema.FORM)
        tree = parse("\n".join(lines), report)
        loaded = build(tree, Path("example.yaml"), report, example=EXAMPLE) if tree is not None else None
        if loaded is not None and not report.problems:
            return loaded
    return None


# --- the picture ------------------------------------------------------------------------------------------------

COLUMNS = 6
"""Columns for each second."""


def piano_roll(trial: ExampleRoll, signs: Signs) -> Iterator[str]:
    """Draw a line for each pitch, the highest first, for each controller, and for each movement.

    The seconds stand at the foot.
    """
    rows: dict[str, list[tuple[int, int]]] = {}
    for note, begin, end in sorted(trial.played, key=lambda played: -played[0]):
        rows.setdefault(_note(note, trial.names, drum=trial.drums), []).append((begin, end))
    for row, spans in rows.items():
        yield _line(row, _spans(spans, signs), signs)
    for name, values in trial.moved.items():
        yield _line(name, _levels(values, signs), signs)
    yield _line("", signs.across * (COLUMNS * SECONDS), signs)
    for name in dict.fromkeys(name for name, _, _ in trial.heard):
        yield _line(name, _spans([(a, b) for other, a, b in trial.heard if other == name], signs), signs)
    yield " " * 15 + "".join(f"{second:<{COLUMNS}}" for second in range(SECONDS)) + f"{SECONDS} s"


def _note(number: int, names: Sequence[str], *, drum: bool) -> str:
    named = next((name for name, known in DRUMS.items() if known == number), "") if drum else ""
    return named or pitch_name(number, names)


def _line(label: str, cells: str, signs: Signs) -> str:
    return f"{label[:12]:>13} {signs.down}{cells}{signs.down}"


def _cell(when: int) -> int:
    return min(when * COLUMNS // NANOSECONDS, COLUMNS * SECONDS - 1)


def _spans(spans: Iterable[tuple[int, int]], signs: Signs) -> str:
    cells = [" "] * (COLUMNS * SECONDS)
    begins = []
    for begin, end in spans:
        cells[_cell(begin) : _cell(max(begin, end - 1)) + 1] = signs.holds * (
            _cell(max(begin, end - 1)) - _cell(begin) + 1
        )
        begins.append(_cell(begin))
    for cell in begins:  # last, so that each is seen
        cells[cell] = signs.begins
    return "".join(cells)


def _levels(values: list[tuple[int, float]], signs: Signs) -> str:
    """The value that holds in each column, from low to high."""
    cells = [" "] * (COLUMNS * SECONDS)
    for (at, share), (until, _) in zip(values, [*values[1:], (UNTIL, 0.0)], strict=True):
        sign = signs.levels[min(int(share * len(signs.levels)), len(signs.levels) - 1)]
        cells[_cell(at) : _cell(until) + 1] = sign * (_cell(until) + 1 - _cell(at))
    return "".join(cells)
