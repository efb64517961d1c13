"""The status of a seat and of the room as the service knows them (``router.live.status`` has the document).

What is said of refused profiles is bounded, however many and however broken they are, with a count of the rest.
"""

from __future__ import annotations

import shlex
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from router.bedside.deaths import StartVerdict
from router.bedside.profile_folder import Offer
from router.bedside.served_seat import ServedSeat
from router.core.music import pitch_name
from router.core.units import NANOSECONDS, nearest
from router.files.diagnostics import Problem
from router.live.attached import AttachedInput, AttachedOutput
from router.live.daemon import Daemon
from router.live.seat import CHATTERS, Seat
from router.live.status import OutputStatus, ProfileRefusal, RoomStatus, SeatStatus, status_of_room, value_of
from router.records.recorder import Records
from router.room.room import ANYBODY

_TROUBLES = {
    "profile_not_remembered": "what plays{of} cannot be kept for the next start: {why}",
    "profile_folder": "the profile folder{of} cannot be used: {why}",
    "profile_waits": "a profile{of} waits: {why}",
    "no_news_of_profiles": "what is put into the profile folder{of} is not noticed: {why}; router use plays it",
}
"""The words of ``router status`` for a profile folder's troubles."""

FILES, LETTERS = 5, 8_000
"""Files of one refusal whose problems are told, and letters in all; ``router check`` tells the rest."""

NAMES = 20
"""Files of one refusal that are named after those."""


def seat_status(
    place: ServedSeat, places: Collection[str], verdict: StartVerdict, levels: Mapping[str, float], now: int
) -> SeatStatus:
    """Return the status of a seat. ``places``: the names of all seats; ``levels``: how loud they are, 0 to 1."""
    seat = place.seat
    assert seat is not None  # it plays
    refused: ProfileRefusal | None = None
    if place.refused is not None:
        when, offer = place.refused
        refused = {
            "child": offer.child,
            "file": str(offer.path),
            "ago": seconds(now - when),
            "message": refusal(offer),
        }
    return {
        "child": place.offer.child,
        "playing": seconds(now - place.since),
        "file": str(place.offer.path),
        "because": place.offer.because,
        "children": place.folder.names(),
        "ignored": place.folder.passed_over(),
        "inputs": {
            name: _input_status(seat, attached, name, now) for attached in seat.devices for name in attached.devices
        }
        | {name: _listening_status(seat, name, now) for name in seat.plan.listens},
        "outputs": {name: _port(out, out.device) for name, out in seat.outputs.items()},
        "sounding": [
            {"output": output, "channel": channel, "note": note, "name": pitch_name(note, seat.engine.music.names)}
            for output, channel, note in seat.engine.sounding
        ],
        "presses": dict(seat.events.presses),
        "lateness": seat.lateness.status(),
        "dropped": {
            **seat.dropped(),
            "log_lines": place.log_lines + sum(each.lost for each in (place.ended, place.session) if each is not None),
        },
        "refused": refused,
        "warnings": [
            *([verdict.why_left_out(seat.name)] if seat.name in verdict.struck else ()),
            *_missing(seat),
            *(place.fitted.warnings if place.fitted is not None else ()),
            *_doubts(place.offer),
            *_unheard(seat, places),
            *(f"{name}: {CHATTERS}" for name in seat.waiting.chattering(now)),
            *(f"{source}: {what}; router fit measures it again" for source, what in seat.events.drifted.items()),
        ],
        "level": levels.get(seat.name, 1.0),
        "channels": sorted({part.route.channel for part in seat.profile.plan.parts}),
        "follows": sorted(seat.profile.plan.follows, reverse=True),
    }


def _missing(seat: Seat) -> Iterator[str]:
    """Devices of the profile that are not there: the rest of it plays."""
    if missing := seat.missing():
        yield f"missing, so this profile plays without: {', '.join(missing)}"


def _unheard(seat: Seat, places: Collection[str]) -> Iterator[str]:
    """Inputs that listen to a seat that can never be heard: a profile alone cannot know which seats there are."""
    for name, listens in seat.plan.listens.items():
        if listens.seat == seat.name:
            yield (
                f'"{name}" listens to its own seat, and hears nothing there; "part" hears a part of the same profile'
            )
        elif listens.seat not in ("", ANYBODY, *places):
            near = nearest(listens.seat, list(places))
            meant = f'; did you mean "{near}"?' if near else ""
            yield (
                f'"{name}" listens to the seat "{listens.seat}", and there is none (there are'
                f" {', '.join(places)}){meant}"
            )


def room_status(daemon: Daemon) -> RoomStatus:
    """Return the status of what the seats share."""
    ports = daemon.ports
    inputs = {name: _port(attached, attached.devices[name]) for attached in ports.inputs for name in attached.devices}
    outputs = {name: _port(out, out.device) for name, out in ports.outputs.items()}
    return status_of_room(daemon.room, inputs, outputs)


def _input_status(seat: Seat, attached: AttachedInput, name: str, now: int) -> Any:
    heard, sample = seat.last.get(name, (None, None))
    unit = seat.profile.units.get(name, "")
    return {
        "type": seat.profile.types[name],
        **_port(attached, attached.devices[name]),
        "value": value_of(sample, unit),
        "unit": unit,
        "heard": None if heard is None else seconds(now - heard),
    }


def _port(attached: AttachedInput | AttachedOutput, device: object) -> OutputStatus:
    there = attached.there
    return {
        "device": there.description if there is not None else str(device),
        "there": there is not None,
        "why": "" if there is not None else attached.search.said,
    }


def _listening_status(seat: Seat, name: str, now: int) -> Any:
    """Return the status of an input that hears others: it has no device that could be missing."""
    listens = seat.plan.listens[name]
    part = f"the part {listens.part}" if listens.part is not None else ""
    whose = {"": "", ANYBODY: "any other seat"}.get(listens.seat, f"the seat {listens.seat}")
    heard, sample = seat.last.get(name, (None, None))
    return {
        "type": seat.profile.types[name],
        "device": " of ".join(filter(None, (part, whose))),
        "there": True,
        "why": "",
        "value": value_of(sample, ""),
        "unit": "",
        "heard": None if heard is None else seconds(now - heard),
    }


def refusal_in_words(problems: Sequence[Problem], *, lines: bool = True) -> str:
    """Return what is wrong with some files, as a text of bounded length that says how much it leaves out.

    ``lines``: whether the lines themselves are shown.
    """
    files = dict.fromkeys(problem.file for problem in problems)
    told = {*[*files][:FILES]}
    texts: list[str] = []
    letters = 0
    for problem in problems:
        text = str(problem) if lines else problem.without_line
        if problem.file not in told or (texts and letters + len(text) > LETTERS):
            continue
        texts.append(text[:LETTERS])
        letters += len(text)
    if left := len(problems) - len(texts):
        others = [name for name in files if name not in told]
        names = [name.rpartition("/")[2] for name in others[:NAMES]]
        more = f", and {len(others) - NAMES} more files" if len(others) > NAMES else ""
        among = f", in {', '.join(names)}{more}" if others else ""
        texts.append(f"{left} more problem{'s' if left > 1 else ''}{among}. router check tells them all.")
    return "\n\n".join(texts)


def refusal(offer: Offer) -> str:
    """Say why it was refused, without lines of the file: users of the control socket may not be allowed to read it."""
    if not offer.problems:
        return offer.because
    told = refusal_in_words(offer.problems, lines=False)
    return f"{told}\n\nTo see the lines: router check {shlex.quote(str(offer.path))}"


def _doubts(offer: Offer) -> Iterator[str]:
    """Yield what may not be intended in the profile that plays: the first such thing, and how many more there are."""
    doubts = offer.profile.warnings if offer.profile is not None else ()
    if doubts:
        more = f", and {len(doubts) - 1} more" if len(doubts) > 1 else ""
        check = f"router check {shlex.quote(str(offer.path))}"
        yield f"in line {doubts[0].line} of {offer.path.name}: {doubts[0].message}{more}: {check} says it all"


def seconds(nanoseconds: int) -> float:
    """Return a time for a document, to the millisecond."""
    return round(nanoseconds / NANOSECONDS, 3)


def record_warnings(records: Records) -> Iterator[str]:
    """Yield what is wrong with the records of the sessions now."""
    if records.trouble:
        yield f"nothing is recorded now, as it cannot be written: {records.trouble}"
    if records.clock_stands:
        yield (
            "the clock of this PC stands still while it is switched off, so sessions have wrong dates and records"
            " are kept for longer than asked: give its clock a battery, or let it have the time from a network"
        )


def folder_warnings(places: Mapping[str, ServedSeat]) -> Iterator[str]:
    """Yield what is wrong with the seats' profile folders now."""
    for name, place in places.items():
        of = f' of the seat "{name}"' if len(places) > 1 else ""
        for event, why in place.folder.troubles().items():
            yield _TROUBLES.get(event, f"{event}{{of}}: {{why}}").format(of=of, why=why)
