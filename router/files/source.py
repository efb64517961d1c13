"""The text of a profile, or of any other file of ours, as a tree in which everything knows its place.

The YAML library splits the text; the tree is ours, for three reasons. Every message needs a line and a column. What
was written must stay as it was written: plain YAML loading turns ``on`` into yes, ``010`` into 8 and ``1:30`` into 90.
And nothing in a file may cost more than its size: no anchors, so no chain of them that grows without end; caps on
bytes, depth and number of values.

A mistake in the writing itself does not hide the others: the lines that cannot be read are told and left out, and
the rest is read again.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import yaml

from router.files import syntax, wrapping
from router.files.diagnostics import START, Place, Report, quoted
from router.files.syntax import CURLY

LARGEST = 256 * 1024
"""Bytes; a long profile has 5 000."""
DEEPEST = 20
"""Levels inside one another; a profile has 8."""
MOST = 10_000
"""Values in one file; a long profile has 300."""
MOST_SYNTAX = 10
"""After so many lines that cannot be read, the rest is not looked at."""

FAST: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # absent where the YAML library was built without libyaml
PATIENT: Any = yaml.SafeLoader
"""Its errors say more, and they are the same on every machine: what ``FAST`` refuses is read again with it."""


@dataclass(frozen=True, slots=True)
class Text:
    """A value as it was written; ``plain``: without quotes. Nothing at all is a plain empty text."""

    place: Place
    text: str
    plain: bool = True

    @property
    def empty(self) -> bool:
        """True if nothing is written here."""
        return self.plain and not self.text


@dataclass(frozen=True, slots=True)
class Items:
    """A list."""

    place: Place
    items: list[Node] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Entries:
    """Names with their values, in the order of the file."""

    place: Place
    keys: dict[str, Text] = field(default_factory=dict)
    values: dict[str, Node] = field(default_factory=dict)


Node = Text | Items | Entries


def comments(lines: Sequence[str]) -> list[tuple[Place, str]]:
    """The comments (after a #) of a file that can be read, and their places; a # inside a text begins none."""
    if not any("#" in line for line in lines):
        return []
    texts: dict[int, list[tuple[int, int]]] = {}
    depth = 0
    with suppress(yaml.YAMLError, ValueError, OverflowError):  # what cannot be read is told of anyway
        for token in yaml.scan("\n".join(_SPACES.sub(" ", line) for line in lines), Loader=FAST):
            depth += isinstance(token, yaml.FlowMappingStartToken | yaml.FlowSequenceStartToken)
            depth -= isinstance(token, yaml.FlowMappingEndToken | yaml.FlowSequenceEndToken)
            if depth > DEEPEST:  # it is refused, and the scanner takes longer and longer for each more
                return []
            if isinstance(token, yaml.ScalarToken):
                start, end = token.start_mark, token.end_mark
                for number in range(start.line, end.line + 1):
                    first = start.column if number == start.line else 0
                    last = end.column if number == end.line else LARGEST
                    texts.setdefault(number, []).append((first, last))
    found = []
    for number, line in enumerate(lines):
        for sign in re.finditer(r"(?:(?<=\s)|^)#", line):
            if not any(first <= sign.start() < last for first, last in texts.get(number, ())):
                remark = line[sign.end() :].strip()
                found.append((Place(number + 1, sign.start() + 1, len(line.rstrip()) - sign.start()), remark))
                break
    return found


# --- bytes ------------------------------------------------------------------------------------------------------


_SAVE_AS = 'Save it again with the encoding "UTF-8" (in most editors: Save As, Encoding).'
_BAD_BYTE = re.compile("[\udc80-\udcff]")
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ufeff\ufffe\uffff]")
_LINE_END = re.compile("\r\n?")
_SPACES = re.compile("[\t\x85\u2028\u2029\xa0]")  # what YAML refuses or takes for a line end; to people, space


def decoded(data: bytes, report: Report) -> str | None:
    """The text with plain line ends. Windows' line ends and a byte-order mark are as good as none."""
    if (other := wrapping.other_file(data, report.form.name)) is not None:
        report.add(START, *other)
        return None
    text = data.decode("utf-8-sig", "surrogateescape")
    controls = len(_CONTROL.findall(text))
    if controls > 8 and controls > len(text) // 50:
        hint = f"A {report.form.name} is a plain text file with names, colons and values."
        report.add(START, "this is not a text file", hint)
        return None
    text = _LINE_END.sub("\n", text)
    bad = _BAD_BYTE.search(text)
    if bad:
        encoding = wrapping.one_byte_a_letter([ord(found) - 0xDC00 for found in _BAD_BYTE.findall(text)])
        text = _BAD_BYTE.sub(lambda found: bytes([ord(found[0]) - 0xDC00]).decode(encoding, "replace"), text)
        report.lines = text.split("\n")
        letter = text[bad.start()]
        report.add(
            _place(text, bad.start()), f'the letter "{letter}" shows that this file is not saved as UTF-8', _SAVE_AS
        )
    report.lines = text.split("\n")
    control = _CONTROL.search(text)
    if control:
        report.add(
            _place(text, control.start()),
            "an invisible character stands here",
            "Delete what stands here and type it anew. Such characters come with copying from other programs.",
        )
    if not text.strip():
        report.add(START, "this file is empty", report.form.begin)
        return None
    return _CONTROL.sub(" ", text)


def _place(text: str, index: int) -> Place:
    line_start = text.rfind("\n", 0, index) + 1
    return Place(text.count("\n", 0, index) + 1, index - line_start + 1)


# --- text -------------------------------------------------------------------------------------------------------


def parse(text: str, report: Report) -> Node | None:
    """The tree of a text; the report gets its lines."""
    report.lines = text.split("\n")
    read_as = wrapping.unwrapped(report.lines, report)
    if read_as is None:
        return None
    tabs = _tabs(report)
    lines = _without_tabs(tabs, read_as, report)
    if not _only_tabs(report.lines):
        for number in tabs:
            lines[number - 1] = ""
    for _ in range(MOST_SYNTAX):
        try:
            root = _tree("\n".join(lines), report)
            if root is None and report.whole:
                report.add(START, "this file holds nothing but remarks", report.form.begin)
            return root
        except _Stopped:
            return None
        except yaml.MarkedYAMLError as error:
            slip = syntax.explain(error, lines, report.form.homes())
            if not tabs:  # what a tab has moved is not a second mistake
                report.add(slip.place, slip.message, slip.hint)
            report.whole = False
            if not _leave_out(lines, slip.leave_out):
                return None
    return None


def _tabs(report: Report) -> list[int]:
    """The numbers of the lines that a tab indents."""
    return [number for number, line in enumerate(report.lines, 1) if re.match(r" *\t\s*[^\s#]", line)]


def _only_tabs(lines: Sequence[str]) -> bool:
    """True if all indents are tabs only: then the levels are still what was meant."""
    return not any(re.match(r" +[^\s#]| +\t|\t+ ", line) for line in lines)


def _without_tabs(tabs: Sequence[int], lines: Sequence[str], report: Report) -> list[str]:
    """Return the lines with a space for each tab, so that columns stay; report the tabs that indent."""
    if tabs:
        more = f" (and {len(tabs) - 1} more lines)" if len(tabs) > 1 else ""
        start = report.lines[tabs[0] - 1].index("\t")
        report.add(
            Place(tabs[0], start + 1),
            f"this line begins with a tab{more}",
            "Begin lines with spaces only: two more for each level. Most editors can turn tabs into spaces.",
        )
        report.whole = False
    return [_SPACES.sub(" ", line) for line in lines]


def _leave_out(lines: list[str], number: int) -> bool:
    """Blank a line and what is indented below it; False if it was blank already."""
    if not 0 < number <= len(lines) or not lines[number - 1].strip():
        return False
    indent = _indent(lines[number - 1])
    lines[number - 1] = ""
    for index in range(number, len(lines)):
        if lines[index].strip() and _indent(lines[index]) <= indent:
            break
        lines[index] = ""
    return True


def _indent(line: str) -> int:
    return len(line) - len(line.lstrip(" "))


def _tree(text: str, report: Report) -> Node | None:
    try:
        return _Tree(report, doubt=FAST is not PATIENT).build(yaml.parse(text, Loader=FAST))
    except (yaml.YAMLError, ValueError, OverflowError):  # the library's own slips with odd escapes too
        pass
    try:
        return _Tree(report, doubt=False).build(yaml.parse(text, Loader=PATIENT))
    except (ValueError, OverflowError) as error:
        raise yaml.MarkedYAMLError(problem=str(error), problem_mark=yaml.Mark("", 0, 0, 0, None, 0)) from error


class _Stopped(Exception):  # not an error of ours: the file is not read further
    """The file holds something after which reading on makes no sense; it has been reported."""


_HIDDEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\xad\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ud800-\udfff\ufffe\uffff]"
)


class _Tree:
    """Builds the tree from the library's events, without recursion, so that no depth can harm.

    ``doubt``: stop with a ValueError where ``FAST`` and ``PATIENT`` may disagree.
    """

    def __init__(self, report: Report, *, doubt: bool) -> None:
        self._report, self._doubt = report, doubt
        self._open: list[tuple[Items | Entries, list[Node], bool]] = []  # with its content, and whether in brackets
        self._root: Node | None = None
        self._count = self._documents = 0

    def build(self, events: Iterator[Any]) -> Node | None:
        for event in events:
            self._take(event)
        return self._root

    def _take(self, event: Any) -> None:
        place = self._place(event)
        if isinstance(event, yaml.DocumentStartEvent):
            if self._documents:
                form = self._report.form
                self._stop(place, f"a second {form.name} begins here", form.alone)
            self._documents += 1
            return
        if isinstance(event, yaml.AliasEvent):
            self._add(Text(place, self._sign(place)))
            return
        if isinstance(event, yaml.NodeEvent):
            self._count += 1
            if self._count > MOST:
                self._stop(place, f"this is more than a {self._report.form.name} can hold: over {MOST} values")
            if len(self._open) > DEEPEST:
                self._stop(
                    place, f"this is nested too deeply: more than {DEEPEST} levels", "Is a bracket opened too often?"
                )
            if event.anchor is not None or getattr(event, "tag", None) is not None:
                meant = self._sign(place)
                if isinstance(event, yaml.ScalarEvent):
                    self._add(Text(place, event.value or meant))
                    return
        if isinstance(event, yaml.ScalarEvent):
            if self._doubt and not event.style and "?" in event.value and any(flow for _, _, flow in self._open):
                raise ValueError
            self._add(Text(place, event.value, plain=not event.style))
        elif isinstance(event, yaml.SequenceStartEvent):
            self._open.append((Items(place), [], bool(event.flow_style)))
        elif isinstance(event, yaml.MappingStartEvent):
            self._open.append((Entries(place), [], bool(event.flow_style)))
        elif isinstance(event, yaml.CollectionEndEvent):
            self._close()

    def _place(self, event: Any) -> Place:
        start, end = event.start_mark, event.end_mark
        line = self._report.lines[start.line] if start.line < len(self._report.lines) else ""
        last = end.column if end.line == start.line else len(line.rstrip())
        width = last - start.column if isinstance(event, yaml.ScalarEvent) else 1
        return Place(start.line + 1, start.column + 1, max(1, width))

    def _stop(self, place: Place, message: str, hint: str = "") -> None:
        self._report.add(place, message, hint)
        raise _Stopped

    def _sign(self, place: Place) -> str:
        """Report one of YAML's own signs (* & !) at the beginning of a text; return the text without it."""
        if self._doubt:  # the two readers see different things behind such a sign
            raise ValueError
        text = self._report.lines[place.line - 1][place.column - 1 :]
        rest = re.split(r"[,}\]]| #", text)[0].strip() or text[:1]
        self._report.add(
            Place(place.line, place.column, len(rest)),
            f'a text that begins with "{text[:1]}" must stand in quotes',
            f"Write it with quotes: {quoted(rest)}",
        )
        return rest.lstrip("*&!")

    def _add(self, node: Node) -> None:
        if self._open:
            self._open[-1][1].append(node)
        else:
            self._root = self._clean(node)

    def _close(self) -> None:
        node, content, _ = self._open.pop()
        if isinstance(node, Items):
            node.items.extend(self._clean(item) for item in content)
        else:
            for key, value in zip(content[::2], content[1::2], strict=True):
                self._entry(node, key, value)
        self._add(node)

    def _entry(self, node: Entries, key: Node, value: Node) -> None:
        if not isinstance(key, Text) or not key.text.strip():
            if self._doubt:
                raise ValueError
            self._report.add(key.place, "a name is needed before the colon")
            return
        if key.plain and isinstance(value, Text) and value.empty:
            if self._split_number(node, key):
                return
            if ":" in key.text:
                key, value = self._torn(key)
        key = self._cleaned(key)
        if key.text in node.keys:
            first = node.keys[key.text].place
            self._report.add(
                key.place,
                f"{quoted(key.text)} stands here a second time",
                f"The first is on line {first.line}. Keep one of the two.",
            )
            self._report.whole = False  # the second may be what something else refers to
            return
        if isinstance(value, Text) and value.empty:
            self._lost_to_a_remark(key)
        node.keys[key.text] = key
        node.values[key.text] = value if key.text == "about" else self._clean(value)

    def _lost_to_a_remark(self, key: Text) -> None:
        """Tell of a name whose whole value became a remark: ``music: #{key: D}``."""
        line = self._report.lines[key.place.line - 1]
        end = key.place.column - 1 + key.place.width
        found = re.match(r"\"?'?\s*:\s+(#\s*([{\[].*))", line[end:])
        if not found:
            return
        self._report.add(
            Place(key.place.line, end + found.start(1) + 1, len(found[1].rstrip())),
            f"everything after # is a remark, so nothing is written after {quoted(key.text)}",
            f"Did you mean {quoted(f'{key.text}: {found[2]}')}?  Or take the line out.",
        )
        self._report.whole = False

    def _split_number(self, node: Entries, key: Text) -> bool:
        """Tell whether ``0,4 s`` stands in braces, split by its comma; report it and join the number again."""
        before = list(node.values.values())[-1:]
        if not (before and isinstance(before[0], Text) and re.fullmatch(r"-?\d+|\d{1,3}(\.\d{3})+", before[0].text)):
            return False
        if not re.match(r"\d+(\s|$)", key.text) or before[0].place.line != key.place.line:
            return False
        place = before[0].place
        whole = Place(place.line, place.column, key.place.column + key.place.width - place.column)
        written = f"{before[0].text}.{key.text}"
        if re.fullmatch(r"[1-9]\d{0,2}", before[0].text) and (thousands := re.match(r"(\d{3})(?!\d)(.*)", key.text)):
            more = f"{before[0].text}{key.text}"
            less = f"{float(f'{before[0].text}.{thousands[1]}'):g}{thousands[2]}"
            self._report.add(whole, "this number can be read in two ways", f"Write {quoted(more)} or {quoted(less)}.")
            self._report.settle(whole)
        elif "." in before[0].text:
            written = f"{before[0].text.replace('.', '')}.{key.text}"
            message = "a number is written without a sign between thousands"
            self._report.add(whole, message, f"Did you mean {quoted(written)}?")
        else:
            self._report.add(whole, "a number is written with a point, not a comma", f"Did you mean {quoted(written)}?")
        node.values[list(node.values)[-1]] = Text(whole, written)
        return True

    def _torn(self, key: Text) -> tuple[Text, Text]:
        """The two parts of ``name:value``."""
        name, _, value = key.text.partition(":")
        place = key.place
        self._report.add(
            Place(place.line, place.column + len(name)),
            "a space is needed after the colon",
            f"Did you mean {quoted(f'{name}: {value}')}?",
        )
        return (
            Text(Place(place.line, place.column, max(1, len(name))), name),
            Text(Place(place.line, place.column + len(name) + 1, max(1, len(value))), value),
        )

    def _clean(self, node: Node) -> Node:
        return self._cleaned(node) if isinstance(node, Text) else node

    def _cleaned(self, node: Text) -> Text:
        """A text without what only looks like writing; what was taken off is reported."""
        text = unicodedata.normalize("NFC", node.text)  # an umlaut may be written as two signs, and nobody sees it
        if node.plain and text and (text[0] in CURLY or text[-1] in CURLY):
            bare = text.strip(CURLY + "\"'")
            self._report.add(
                node.place,
                "these are curly quotes, as a word processor makes them",
                f'Type plain quotes instead: "{bare}"' if bare.isascii() else 'Type plain quotes instead: "',
            )
            text = bare
        hidden = _HIDDEN.search(text)
        if hidden:
            at = node.place.column + text.index(hidden[0]) if node.plain else node.place.column
            self._report.add(
                Place(node.place.line, at),
                "an invisible character stands here",
                "Delete what stands here and type it anew. Such characters come with copying from other programs.",
            )
            text = _HIDDEN.sub("", text)
        return node if text == node.text else Text(node.place, text, node.plain)
