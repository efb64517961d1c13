"""The requests of the control socket: what may be asked, why a line is refused, and how much one user may ask.

``control.py`` shows the lines.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from router.core.units import NANOSECONDS, nearest
from router.files import pseudonym
from router.files.diagnostics import listed, quoted, tidy
from router.files.profile import schema

Request = dict[str, Any]

RATE = 50
"""Requests a second of one client, and at most so many at once."""
REMARKS = 20_000
"""Bytes of remarks of one user at most at once: an hour of a busy session has a tenth. Each is kept in the session
log."""
REMARKS_RATE = 20
"""Bytes a second by which that grows again."""


class ControlError(Exception):
    """The socket cannot be made, or nobody answers; the message is for the person who typed the command."""


@dataclass(frozen=True, slots=True)
class _Field:
    """A field of a request: what it must be, in words, and whether a value is that."""

    is_: str
    fits: Callable[[Any], bool]
    needed: bool = False
    spelt: schema.Schema | None = None


def _name(of: str, wanted: schema.Schema, *, needed: bool = False) -> _Field:
    return _Field(f"the name of {of}: {wanted['spelling']}", partial(_is_name, wanted), needed, wanted)


def _is_name(wanted: schema.Schema, value: Any) -> bool:
    return isinstance(value, str) and schema.fits(value, wanted)


def _is_remark(value: Any) -> bool:
    return (
        isinstance(value, str)
        and 0 < len(value.strip()) <= 200
        and not re.search("[\x00-\x1f\x7f-\x9f\ud800-\udfff]", value)
    )


def _are_inputs(value: Any) -> bool:
    return isinstance(value, list) and 0 < len(value) <= 64 and all(_is_name(schema.NAME, name) for name in value)


def _is_level(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 1


_SEAT = _name("a seat", schema.NAME)
REQUESTS: Mapping[str, Mapping[str, _Field]] = {
    "status": {},
    "use": {"child": _name("a child", schema.CHILD, needed=True), "seat": _SEAT},
    "panic": {},
    "mark": {
        "text": _Field("a remark of one line, at most 200 characters", _is_remark, needed=True),
        "seat": _SEAT,
        "names_nobody": _Field("true or false", lambda value: isinstance(value, bool)),
    },
    "level": {"level": _Field("a number from 0, silent, to 1", _is_level, needed=True), "seat": _SEAT},
    "watch": {"inputs": _Field(f"a list of names of inputs, each of {schema.NAME['spelling']}", _are_inputs)},
}


def read_request(line: bytes) -> Request:
    """The request in a line.

    Raises:
        ControlError: it is none; the message says why.
    """
    try:
        request = json.loads(line, object_pairs_hook=_once)
    except (ValueError, RecursionError):
        request = None
    if not isinstance(request, dict):
        raise ControlError('this is no request: a request is a JSON object in one line, such as {"do": "status"}')
    do = request.get("do")
    if not isinstance(do, str) or do not in REQUESTS:
        raise ControlError(_no_such(f"there is nothing called {_visible(do)} to do", do, REQUESTS, "There is"))
    fields = REQUESTS[do]
    for name in request:
        if name != "do" and name not in fields:
            raise ControlError(_no_such(f'"{do}" has no field {_visible(name)}', name, fields, "It takes"))
    for name, field in fields.items():
        if name not in request and field.needed:
            raise ControlError(f'"{do}" needs "{name}", {field.is_}')
        if name in request and not field.fits(request[name]):
            raise ControlError(_unfit(name, field, request[name]))
    if do == "mark" and not request.get("names_nobody") and (like := pseudonym.in_text(request["text"])) is not None:
        raise ControlError(
            f"this remark seems to hold {like}. Is it? It would stay in the record, and nothing is written yet. "
            'If it is none: router mark --names-nobody (in a request, "names_nobody": true)'
        )
    return request


def _once(pairs: list[tuple[str, Any]]) -> Request:
    """A JSON object in which nothing stands twice: which of the two would hold is not for us to choose."""
    request = dict(pairs)
    if len(request) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ControlError(f"{_visible(twice)} stands twice in this request")
    return request


def _unfit(name: str, field: _Field, value: Any) -> str:
    near = schema.respell(value, field.spelt) if field.spelt is not None and isinstance(value, str) else None
    hint = f' Did you mean "{near}"?' if near else ""
    return f'{_visible(value)} cannot be "{name}": it must be {field.is_}.{hint}'


def _no_such(what: str, word: Any, words: Mapping[str, Any], there: str) -> str:
    near = nearest(word, words) if isinstance(word, str) else None
    hint = f' Did you mean "{near}"?' if near else ""
    return f"{what}.{hint} {there} {listed(words) if words else 'nothing else'}."


def _visible(value: Any) -> str:
    """Return what somebody sent, short and with nothing invisible."""
    return quoted(tidy(value if isinstance(value, str) else json.dumps(value)))


def is_panic(line: bytes) -> bool:
    """Tell whether this line asks for panic."""
    try:
        return bool(read_request(line)["do"] == "panic")
    except ControlError:
        return False


def as_line(document: Mapping[str, Any]) -> bytes:
    """Write a request, an answer or a frame as a line."""
    return json.dumps(document).encode() + b"\n"


class User:
    """The quota that all clients of one user share."""

    def __init__(self, number: int, now: int) -> None:
        self.number = number
        self._now = now
        self._requests, self._remarks = float(RATE), float(REMARKS)

    def allowed(self, request: Request, now: int) -> str:
        """Count a request; return why it is too much, or nothing. Panic never is."""
        seconds, self._now = (now - self._now) / NANOSECONDS, now
        self._requests = min(float(RATE), self._requests + seconds * RATE)
        self._remarks = min(float(REMARKS), self._remarks + seconds * REMARKS_RATE)
        if request["do"] == "panic":
            return ""
        if self._requests < 1:
            return f"too many requests of one user: at most {RATE} a second"
        self._requests -= 1
        size = len(request["text"].encode()) if request["do"] == "mark" else 0
        if size > self._remarks:
            return f"too many remarks: at most {REMARKS} bytes at once, and {REMARKS_RATE} more each second"
        self._remarks -= size
        return ""
