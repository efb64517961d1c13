"""``router status``: what plays, what is heard, what sounds, and what went wrong."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from router.cli import asking
from router.core.units import about
from router.devices.names import as_json
from router.files.diagnostics import tidy
from router.live.status import InputStatus, OutputStatus, ProfileRefusal, RoomStatus, SeatStatus, Status, value_in_words

NAME = "status"
HELP = "what the running router plays, hears and sounds"
EXAMPLE = "router status"

PATIENCE = 5.0
"""Seconds."""

Row = tuple[str, str, bool]
"""A heading, what stands beside it, and whether somebody should look at it."""


Thing = tuple[tuple[str, ...], str]
"""Cells about an input or output, and what it is or why it is not there."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    asking.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Ask and show: 0 if the router answered."""
    answer = asking.ask(args, {"do": "status"}, PATIENCE)
    if answer is None:
        return 1
    status: Status = answer["status"]
    if args.json:
        print(as_json(status, indent=2))
        return 0
    console = Console(highlight=False)
    for number, (title, rows) in enumerate(_sections(status)):
        if number:
            print()
        if console.is_terminal:
            console.print(Text(title, "bold"), _table(rows))
        else:  # one line each, however long: for other programs to search
            print(title)
            for heading, said, _bad in rows:
                print(f" {heading:<9} {said}")
    return 0


def _table(rows: Sequence[Row]) -> Table:
    table = Table.grid(padding=(0, 1))
    for heading, said, bad in rows:
        table.add_row(Text(f" {heading}", "dim"), Text(said, "yellow" if bad else "", overflow="fold"))
    return table


def _sections(status: Status) -> Iterator[tuple[str, list[Row]]]:
    """A title, and rows below it."""
    rows = [("running", f"for {about(status['up'])}, as process {status['pid']}", False)]
    rows += [("warning", tidy(warning), True) for warning in status["warnings"]]
    yield f"router {status['router']}", rows
    shared = list(_together(status["room"], len(status["seats"])))
    if shared:
        yield "the room", shared
    for name, seat in status["seats"].items():
        yield f"{name}: {seat['child']}", list(_rows(seat, len(status["seats"])))


def _together(room: RoomStatus, seats: int) -> Iterator[Row]:
    """Describe what is shared, as far as there is anything."""
    if room["tempo"] is not None:
        said = f"{room['tempo']:g} a minute, in {room['time_signature']}, from {_TEMPO_FROM[room['tempo_from']]}"
        yield "tempo", said, room["tempo_from"] == "clock lost"
    key = " ".join(filter(None, (room["key"], room["scale"])))
    if key:
        yield "key" if room["key"] else "scale", key, False
    if room["chord"]:
        yield "chord", room["chord"], False
    if room["hold"]:
        yield "hold", "chord and key stay: the hold pedal is down", False
    if room["turn"]:
        yield "turn", room["turn"], False
    if seats > 1:
        yield "sounding", f"{room['sounding']} note{'' if room['sounding'] == 1 else 's'} in all", False
    yield from _things("hears", [((name, _there(port)), _reason(port)) for name, port in room["inputs"].items()])
    yield from _things("plays", [((name, _there(port)), _reason(port)) for name, port in room["outputs"].items()])


_TEMPO_FROM = {
    "configuration": "the configuration",
    "taps": "taps",
    "clock": "the clock",
    "clock lost": "the clock, which is lost",
}


def _rows(seat: SeatStatus, seats: int) -> Iterator[Row]:
    yield "playing", f"for {about(seat['playing'])}: {tidy(seat['because'])}", False
    yield "file", tidy(seat["file"]), False
    yield from (("ignored", f"{tidy(name)}: {tidy(why)}", False) for name, why in seat["ignored"].items())
    if seat["level"] != 1:
        yield "level", f"{100 * seat['level']:.3g} %", False
    if seats > 1:
        yield "channels", ", ".join(map(str, seat["channels"])) or "none", False
    if seat["follows"]:
        yield "follows", f"the room's {' and '.join(seat['follows'])}", False
    inputs = [_input(name, heard, _presses(seat, name)) for name, heard in seat["inputs"].items()]
    yield from _things("input", inputs)
    outputs: list[Thing] = [((name, _there(out)), _reason(out)) for name, out in seat["outputs"].items()]
    yield from _things("output", outputs)
    sounding = [f"{note['name']} ({note['output']}, channel {note['channel']})" for note in seat["sounding"]]
    yield "sounding", ", ".join(sounding) or "nothing", False
    late = seat["lateness"]
    if late["count"]:
        figures = f"half within {late['p50']:g} ms, 99 % within {late['p99']:g} ms, most {late['most']:g} ms"
        yield "lateness", f"{figures}, of {late['count']} deadlines", False
    dropped = [f"{count} {what.replace('_', ' ')}" for what, count in seat["dropped"].items() if count]
    yield "dropped", ", ".join(dropped) or "nothing", bool(dropped)
    yield from (("warning", tidy(warning), True) for warning in seat["warnings"])
    if seat["refused"] is not None:
        yield from _refused(seat["refused"])


def _refused(refused: ProfileRefusal) -> Iterator[Row]:
    yield "refused", f"{refused['child']}, {about(refused['ago'])} ago: {tidy(refused['file'])}", True
    yield from (("", tidy(line), True) for line in refused["message"].split("\n"))


def _input(name: str, heard: InputStatus, presses: int) -> Thing:
    ago = "never" if heard["heard"] is None else f"{about(heard['heard'])} ago" if heard["heard"] >= 1 else "just now"
    pressed = f"{presses} press" + ("" if presses == 1 else "es")
    value = value_in_words(heard["type"], heard["value"], heard["unit"])
    return (name, _there(heard), value, ago, pressed), _reason(heard)


def _there(thing: InputStatus | OutputStatus) -> str:
    return "there" if thing["there"] else "missing"


def _reason(thing: InputStatus | OutputStatus) -> str:
    """Say on one line what is wrong, or else what it is."""
    return " ".join(tidy(line.strip()) for line in (thing["why"] or thing["device"]).split("\n"))


def _things(heading: str, things: Sequence[Thing]) -> Iterator[Row]:
    """Two lines each; their cells stand below one another."""
    widths = [max(map(len, column)) for column in zip(*(cells for cells, _ in things), strict=True)]
    for cells, reason in things:
        line = "  ".join(f"{cell:{width}}" for cell, width in zip(cells, widths, strict=True))
        yield heading, line.rstrip(), "missing" in cells
        if reason:
            yield "", reason, "missing" in cells


def _presses(seat: SeatStatus, name: str) -> int:
    return sum(count for source, count in seat["presses"].items() if source.partition(".")[0] == name)
