"""A trace: recorded or simulated samples as UTF-8 JSON Lines, read one line at a time and written.

The first line is a header, ``{"trace": 1, …}``; what else it holds is for people. Every other line is one sample,
``t`` in seconds from the start and never going back (see DEVELOPERS.md, "The formats"). A line that is no sample is
refused with its place; a last line that was cut off, as a power cut leaves it, is left out and remarked on.

A trace may be packed with gzip. One that was cut off or is damaged is read as far as it can be, with a remark.
"""

from __future__ import annotations

import io
import json
import re
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, BinaryIO, NoReturn, TextIO

from router.core.events import (
    Found,
    Lost,
    Mark,
    MidiSample,
    PointerSample,
    PressureSample,
    Sample,
    SwitchSample,
)
from router.core.units import NANOSECONDS, nearest
from router.devices.inputs.base import Stamped
from router.files.diagnostics import Problem

VERSION = 1
LONGEST_LINE = 65_536
"""Bytes; far above any sample, and little enough to hold in memory whatever the file is."""
LONGEST_TRACE = 86_400
"""Seconds: a day. A time beyond it is a mistake in the file, and would be played to its end."""
HARDEST = 10_000_000.0
"""Pascals: a hundred atmospheres, far above any sensor that a child touches."""

_NO_TYPES: Mapping[str, str] = MappingProxyType({})


class TraceError(ValueError):
    """A trace that cannot be read. Its text is the whole message: place, line, what is wrong, what is allowed."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(str(problem))
        self.problem = problem


def header_line(**about: Any) -> str:
    """The first line of a trace. ``about`` is for people."""
    return json.dumps({"trace": VERSION, **about}, ensure_ascii=False) + "\n"


def sample_line(t: int, sample: Sample) -> str:
    """Write a sample at ``t``, nanoseconds from the start, as a line. Reading gives the same nanosecond again."""
    fields: dict[str, Any] = {"t": t / NANOSECONDS}
    if isinstance(sample, Mark):
        fields["mark"] = sample.text
    else:
        fields["input"] = sample.input
        match sample:
            case SwitchSample():
                fields["pressed"] = sample.pressed
            case PressureSample():
                fields["pascal"] = sample.pascal
            case PointerSample():
                fields |= {"x": sample.x, "y": sample.y}
            case MidiSample():
                fields["midi"] = list(sample.data)
            case Lost():
                fields["lost"] = True
            case Found():
                fields["found"] = True
    return json.dumps(fields, ensure_ascii=False) + "\n"


class TraceWriter:
    """Writes a trace. ``about`` goes into the header, for people."""

    def __init__(self, file: TextIO, **about: Any) -> None:
        self._file = file
        file.write(header_line(**about))

    def write(self, t: int, sample: Sample) -> None:
        """Write a sample at ``t``, nanoseconds from the start."""
        self._file.write(sample_line(t, sample))


class Trace:
    """The samples of a trace, with their times in nanoseconds from its start, read as they are asked for.

    ``name`` is the file's name in messages. ``types`` says what a profile's inputs are (``{"pad": "switch"}``): a
    sample of another kind for one of them is refused. ``remark`` is told what was passed over and does no harm.

    Raises:
        TraceError: here for the header; while iterating for a line that is no sample.
    """

    def __init__(
        self,
        file: BinaryIO,
        name: str,
        types: Mapping[str, str] = _NO_TYPES,
        remark: Callable[[str], None] | None = None,
    ) -> None:
        self._name, self._types, self._remark = name, types, remark
        self._begun = file.readline(len(_GZIP))  # what was read of the next line to see what file it is
        self._unpacked = _Unpacked(file, self._begun, self._damaged) if self._begun == _GZIP else None
        self._file: io.BufferedReader | BinaryIO = file
        if self._unpacked is not None:
            self._begun, self._file = b"", io.BufferedReader(self._unpacked)
        self._bytes_read = 0
        self._number = 0
        self._raw = b""  # the line that is being read
        self._named: set[tuple[str, str]] = set()  # inputs and what they say, where both have been found right
        self._last = 0.0
        self.header = self._header()

    @property
    def _line(self) -> str:
        """The line that is being read, for a message."""
        return self._raw.decode(errors="replace").rstrip("\r\n")

    @property
    def bytes_read(self) -> int:
        """How far the file has been read, for a bar of progress."""
        return self._unpacked.bytes_read if self._unpacked else self._bytes_read

    def __iter__(self) -> Iterator[Stamped]:
        while True:
            fields = self._next()
            if fields is None:
                return
            t = self._time(fields)
            yield round(t * NANOSECONDS), self._sample(fields)

    # --- lines ------------------------------------------------------------------------------------------------

    def _next(self) -> dict[str, Any] | None:
        """The next line that is not blank, as JSON; None at the end."""
        while True:
            raw, self._begun = self._begun, b""
            if not raw.endswith(b"\n"):
                raw += self._file.readline(LONGEST_LINE + 1)
            if not raw:
                return None
            self._number += 1
            self._bytes_read += len(raw)
            whole = raw.endswith(b"\n")
            if len(raw) > LONGEST_LINE:
                self._raw = raw[:100]
                self._wrong(1, "this line is longer than any sample", f"A line has at most {LONGEST_LINE} bytes.")
            if self._number == 1:
                raw = raw.removeprefix(b"\xef\xbb\xbf")  # a byte-order mark, as some editors write
            if raw.strip():
                return self._json(raw, whole=whole)

    def _json(self, raw: bytes, *, whole: bool) -> dict[str, Any] | None:
        """A line as JSON; None for a last line that was cut off."""
        self._raw = raw
        try:
            fields = _decoded(raw.decode().strip())
        except UnicodeDecodeError as error:
            if self._torn(whole):
                return None
            column = len(raw[: error.start].decode()) + 1
            self._wrong(column, "this is not UTF-8 text", "A trace is a text file in UTF-8, one JSON object a line.")
        except json.JSONDecodeError as error:
            if self._torn(whole):
                return None
            column = error.pos + 1 + len(self._line) - len(self._line.lstrip())
            self._wrong(column, f"this is not JSON ({_plainly(error.msg)})", f"A line is written {_EXAMPLE}.")
        except _Refused as refused:
            self._wrong(self._column(refused.word), refused.what, refused.allowed)
        except (ValueError, RecursionError):  # a number of thousands of digits, brackets within brackets
            self._wrong(1, "this line cannot be read", f"A line is written {_EXAMPLE}.")
        if not isinstance(fields, dict):
            self._wrong(1, "a line must be one JSON object in braces", f"A line is written {_EXAMPLE}.")
        return fields

    def _torn(self, whole: bool) -> bool:
        if whole or self._number == 1:
            return False
        if self._remark is not None:
            self._remark(f"{self._name}:{self._number}: the last line was cut off and is left out")
        return True

    def _damaged(self, what: str) -> None:
        if self._remark is not None:
            self._remark(f"{self._name}:{self._number + 1}: {what}")

    # --- meaning ----------------------------------------------------------------------------------------------

    def _header(self) -> dict[str, Any]:
        fields = self._next()
        shown = f'The first line of a trace is {{"trace": {VERSION}}}.'
        if fields is None:
            self._number = 1
            self._wrong(1, "the trace is empty", shown)
        if "trace" not in fields:
            near = nearest("trace", [key for key in fields if key not in _KEYS])
            hint = f'Did you mean "trace" where "{near}" stands?  ' if near else ""
            self._wrong(1, "the header is missing", hint + shown)
        version = fields["trace"]
        if version != VERSION or isinstance(version, bool):
            newer = isinstance(version, int) and not isinstance(version, bool) and version > VERSION
            what = (
                f"this is a trace of version {version}" if newer else f"{_shown(version)} is not a version of a trace"
            )
            self._wrong(self._column("trace"), what, f"This program reads version {VERSION}.  {shown}")
        return fields

    def _time(self, fields: dict[str, Any]) -> float:
        if "t" not in fields:
            self._wrong(
                1, '"t" is missing', f"t is the time in seconds from the start: {_EXAMPLE}.{self._near('t', fields)}"
            )
        t = self._number_at("t", fields, 0, LONGEST_TRACE, "a time in seconds from the start, 0 to 86400 (a day)")
        if t < self._last:
            self._wrong(
                self._column("t"),
                f"the time goes back: {t:g} s after {self._last:g} s",
                "Every line is as late as the one before it, or later.",
            )
        self._last = t
        return t

    def _sample(self, fields: dict[str, Any]) -> Sample:
        shape = _WRITTEN.get(tuple(fields))  # as we write it, so nothing is to be found out
        if shape is not None:
            name = fields.get("input")
            if type(name) is str and (name, shape.key) in self._named:
                return self._reading(shape.key, name, fields)
        return self._looked_at(fields)

    def _looked_at(self, fields: dict[str, Any]) -> Sample:
        """A sample of which nothing is known yet."""
        shape = next((shape for shape in _SHAPES if shape.key in fields), None)
        if shape is None:
            unknown = next((key for key in fields if key not in _KEYS), None)
            near = unknown and nearest(unknown, list(_KEYS))
            column = self._key_column(unknown) if unknown else 1
            if unknown and near:
                self._wrong(column, f'a sample has no "{unknown}"', f'Did you mean "{near}"?  {_ALLOWED}')
            self._wrong(column, "this line says nothing that a sample can say", _ALLOWED)
        for key in fields:
            if key not in shape.keys:
                near = nearest(key, [word for word in shape.keys if word not in fields])
                hint = f'Did you mean "{near}"?  ' if near else ""
                self._wrong(
                    self._key_column(key), f'{shape.called} has no "{key}"', hint + f"It is written {shape.example}."
                )
        for key in shape.keys:
            if key not in fields:
                self._wrong(1, f'{shape.called} needs "{key}"', f"It is written {shape.example}.")
        if shape.key == "mark":
            return Mark(self._text("mark", fields))
        name = self._text("input", fields)
        expected = self._types.get(name)
        written = _WRITTEN_AS.get(expected, expected) if expected is not None else None
        if shape.type is not None and written is not None and shape.type != written:
            self._wrong(
                self._column("input"),
                f'"{name}" is a {expected} in the profile, and this is {shape.called}',
                f"For a {expected} write {_BY_TYPE[written].example}.",
            )
        self._named.add((name, shape.key))
        return self._reading(shape.key, name, fields)

    def _reading(self, key: str, name: str, fields: dict[str, Any]) -> Sample:
        if key == "pressed":
            return SwitchSample(name, self._yes_or_no("pressed", fields))
        if key == "pascal":
            return PressureSample(
                name,
                self._number_at("pascal", fields, -HARDEST, HARDEST, "a pressure in pascals, -10000000 to 10000000"),
            )
        if key in ("x", "y"):
            x, y = (self._number_at(axis, fields, 0, 1, "a place from 0 to 1") for axis in ("x", "y"))
            return PointerSample(name, x, y)
        if key == "midi":
            return MidiSample(name, self._midi(fields))
        if not self._yes_or_no(key, fields):
            self._wrong(self._column(key), f'"{key}" is only ever true', "Leave the line out instead.")
        return Lost(name) if key == "lost" else Found(name)

    def _number_at(self, key: str, fields: dict[str, Any], low: float, high: float, what: str) -> float:
        value = fields[key]
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self._wrong(self._column(key), f'"{key}" must be a number, not {_shown(value)}', f'"{key}" is {what}.')
        if not low <= value <= high:
            self._wrong(self._column(key), f'"{key}" is out of range', f'"{key}" is {what}.')
        return float(value)

    def _yes_or_no(self, key: str, fields: dict[str, Any]) -> bool:
        value = fields[key]
        if not isinstance(value, bool):
            self._wrong(
                self._column(key),
                f'"{key}" must be true or false, not {_shown(value)}',
                "Write true or false, without quotes.",
            )
        return value

    def _text(self, key: str, fields: dict[str, Any]) -> str:
        value = fields[key]
        if not isinstance(value, str) or not value.isprintable() or (key == "input" and not value):
            what = "the name of an input" if key == "input" else "a text of one line"
            self._wrong(self._column(key), f'"{key}" must be {what} in quotes, not {_shown(value)}', _ALLOWED)
        return value

    def _midi(self, fields: dict[str, Any]) -> tuple[int, ...]:
        data = fields["midi"]
        column = self._column("midi")
        shown = 'A note is written "midi": [144, 60, 64]: status, then data, as whole numbers.'
        if not isinstance(data, list) or not data:
            self._wrong(column, f'"midi" must be the bytes of one MIDI message, not {_shown(data)}', shown)
        if not all(isinstance(byte, int) and not isinstance(byte, bool) and 0 <= byte <= 255 for byte in data):
            self._wrong(column, "a MIDI byte must be a whole number from 0 to 255", shown)
        status, rest = data[0], data[1:]
        if status == 0xF0:
            if rest[-1:] != [0xF7] or any(byte > 127 for byte in rest[:-1]):
                self._wrong(column, "a system-exclusive message must end with 247, and only there", shown)
            return tuple(data)
        length = _MIDI_LENGTHS.get(status if status >= 0xF0 else status & 0xF0)
        if length is None:
            self._wrong(
                column, f"{status} does not begin a MIDI message", "A message begins with 128 to 255.  " + shown
            )
        if len(data) != length:
            self._wrong(column, f"a MIDI message that begins with {status} has {length} bytes, not {len(data)}", shown)
        if any(byte > 127 for byte in rest):
            self._wrong(column, "the data bytes of a MIDI message are 0 to 127", shown)
        return tuple(data)

    # --- messages ---------------------------------------------------------------------------------------------

    def _near(self, key: str, fields: dict[str, Any]) -> str:
        near = nearest({"t": "time"}.get(key, key), [word for word in fields if word not in _KEYS])
        return f'  Did you mean "{key}" where "{near}" stands?' if near else ""

    def _column(self, word: str) -> int:
        """Where the value of a key stands in the line, or the word itself; counted from 1."""
        found = re.search(rf'"{re.escape(word)}"\s*:\s*', self._line)
        place = found.end() if found else self._line.find(word)
        return max(place, 0) + 1

    def _key_column(self, key: str) -> int:
        """Where a key itself stands in the line."""
        return self._line.find(json.dumps(key, ensure_ascii=False)) + 1 or 1

    def _wrong(self, column: int, what: str, allowed: str) -> NoReturn:
        message, hint = _clean(what), _clean(allowed)
        raise TraceError(Problem(self._name, self._number, column, message, hint, self._line))


_GZIP = b"\x1f\x8b"
"""The first bytes of a gzip file (RFC 1952, 2.3.1)."""


class _Unpacked(io.RawIOBase):
    """Read a gzip file as far as it goes; ``damaged`` is told why there is no more, if it is not simply over."""

    def __init__(self, file: BinaryIO, begun: bytes, damaged: Callable[[str], None]) -> None:
        self._file, self._packed, self._damaged = file, begun, damaged
        self._member: Any = None  # what unpacks the present part; a file may have many
        self.bytes_read = len(begun)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while True:
            if self._member is None:
                self._packed = self._packed.lstrip(b"\0")  # a file's end may be filled up with them
            if not self._packed and not self._read():
                if self._member is not None:
                    self._damaged("the recording was cut off here")
                return 0
            if self._member is None:
                self._member = zlib.decompressobj(wbits=31)
            try:
                data = self._member.decompress(self._packed, len(buffer))
            except zlib.error:
                self._damaged("the recording is damaged here, and what follows is left out")
                self._file, self._packed, self._member = io.BytesIO(), b"", None
                return 0
            if self._member.eof:
                self._packed, self._member = self._member.unused_data, None
            else:
                self._packed = self._member.unconsumed_tail
            if data:
                buffer[: len(data)] = data
                return len(data)

    def _read(self) -> bool:
        more = self._file.read(65_536)
        self.bytes_read += len(more)
        self._packed += more
        return bool(more)


_MIDI_LENGTHS: Mapping[int, int] = MappingProxyType(
    dict.fromkeys((0x80, 0x90, 0xA0, 0xB0, 0xE0, 0xF2), 3)
    | dict.fromkeys((0xC0, 0xD0, 0xF1, 0xF3), 2)
    | dict.fromkeys((0xF6, 0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF), 1)
)
"""Bytes of a message by its status. Source: MIDI 1.0 Detailed Specification, summary of messages."""


@dataclass(frozen=True, slots=True)
class _Shape:
    """A kind of line: the key that tells it from the others, all its keys, its name and an example."""

    key: str
    keys: tuple[str, ...]
    called: str
    example: str
    type: str | None = None


def _shape(called: str, example: str, key: str, type_: str | None = None) -> _Shape:
    return _Shape(key, tuple(json.loads(example)), called, example, type_)


_SHAPES = (
    _shape("a sample of a switch", '{"t": 0.12, "input": "pad", "pressed": true}', "pressed", "switch"),
    _shape("a sample of a pressure", '{"t": 0.12, "input": "cheek", "pascal": 61.3}', "pascal", "pressure"),
    _shape("a sample of a pointer", '{"t": 0.12, "input": "head", "x": 0.41, "y": 0.5}', "x", "pointer"),
    _shape("a sample of a pointer", '{"t": 0.12, "input": "head", "x": 0.41, "y": 0.5}', "y", "pointer"),
    _shape("a MIDI message", '{"t": 0.12, "input": "keys", "midi": [144, 60, 64]}', "midi", "midi"),
    _shape("a lost device", '{"t": 0.12, "input": "pad", "lost": true}', "lost"),
    _shape("a device found again", '{"t": 0.12, "input": "pad", "found": true}', "found"),
    _shape("a mark", '{"t": 0.12, "mark": "cue"}', "mark"),
)
_WRITTEN = {shape.keys: shape for shape in reversed(_SHAPES)}  # of a pointer, which has two, the first
_BY_TYPE = {shape.type: shape for shape in _SHAPES if shape.type}
_WRITTEN_AS = {"listen": "midi"}
"""Types of inputs whose samples are those of another."""
_KEYS = {key: None for shape in _SHAPES for key in shape.keys}
_EXAMPLE = _SHAPES[0].example
_ALLOWED = (
    'A line holds "t" and "input", and one of: "pressed" (a switch), "pascal" (a pressure), "x" and "y" (a pointer), '
    '"midi" (a MIDI message), "lost", "found"; or "t" and "mark".'
)


class _Refused(Exception):  # it never leaves this file
    """JSON that Python would take and a trace does not."""

    def __init__(self, word: str, what: str, allowed: str) -> None:
        super().__init__(what)
        self.word, self.what, self.allowed = word, what, allowed


def _no_constant(word: str) -> NoReturn:
    raise _Refused(word, f"{word} is not a number", "Write a number with digits, or leave the line out.")


def _no_double(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        keys = [key for key, _value in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise _Refused(twice, f'"{twice}" is written twice', "Each word stands once in a line.")
    return fields


_DECODER: Any = json.JSONDecoder(object_pairs_hook=_no_double, parse_constant=_no_constant)  # its type hides scan_once


def _decoded(text: str) -> Any:
    """Decode a line without blanks around it, without ``JSONDecoder.decode``'s search for them, a third of its time.

    Raises:
        json.JSONDecodeError: it is not JSON.
    """
    try:
        found, end = _DECODER.scan_once(text, 0)
    except StopIteration:
        end = -1
    return found if end == len(text) else _DECODER.decode(text)  # which says what is wrong


def _plainly(message: str) -> str:
    """Put the JSON reader's message into words that are no programmer's."""
    plain = message.removesuffix(" at").replace("delimiter", "sign").replace("property name", "a word")
    return plain[0].lower() + plain[1:]


def _clean(text: str) -> str:
    """Text for a terminal: what cannot be shown, or would steer the terminal, becomes a space."""
    return "".join(c if c.isprintable() else " " for c in text)


def _shown(value: Any) -> str:
    """A value as the file has it, cut short."""
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 40 else text[:37] + "..."
