"""A tree of XML elements, read by expat of the standard library.

Nothing is fetched, no entity is defined, and what nobody needs is not kept. An entity bomb is a declaration, and every
declaration of an entity is refused; a document type that is only named is passed over.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from xml.parsers import expat

from router.songs.error import SongError

DEEPEST = 40
"""Elements within one another. MusicXML needs 9."""
MOST_ELEMENTS = 500_000
"""Elements that are kept: some 50,000 notes, and 100 MB of memory."""
LONGEST_TEXT = 1000
"""Characters of a text that are kept."""
_NO_ATTRIBUTES: dict[str, str] = {}


class Element:
    """An element of an XML file, and the line in which it begins."""

    __slots__ = ("attributes", "children", "line", "tag", "text")

    def __init__(self, tag: str, attributes: dict[str, str], line: int) -> None:
        self.tag = tag
        self.attributes = attributes or _NO_ATTRIBUTES
        self.line = line
        self.text = ""
        self.children: list[Element] = []

    def get(self, name: str) -> str:
        """The value of an attribute, "" if it is not there."""
        return self.attributes.get(name, "")

    def find(self, *path: str) -> Element | None:
        """The first element below this path of tags."""
        found: Element | None = self
        for tag in path:
            found = next((child for child in found.children if child.tag == tag), None) if found else None
        return found

    def all(self, tag: str) -> Iterator[Element]:
        """Each child with this tag."""
        return (child for child in self.children if child.tag == tag)

    def text_of(self, *path: str) -> str:
        """The text of the first element below this path, "" if there is none."""
        found = self.find(*path)
        return found.text.strip() if found is not None else ""


def parse(data: bytes, unneeded: frozenset[str]) -> Element:
    """Read an XML file; elements with an ``unneeded`` tag are left out with all that they hold.

    Raises:
        SongError: it is malformed, with line and column, or is more than a file of its kind can need.
    """
    reader = _TreeBuilder(unneeded)
    try:
        reader.parser.Parse(data, True)
    except expat.ExpatError as error:
        raise SongError(
            f"this XML file is broken ({expat.ErrorString(error.code)})",
            "Open it in the program that wrote it and export it again; a copy may have been cut off.",
            error.lineno,
            error.offset + 1,
        ) from error
    except (LookupError, ValueError) as error:  # an encoding that Python does not know or cannot use
        raise SongError("this XML file is in an encoding that is not known", "Export it again, as UTF-8.") from error
    if reader.root is None:
        raise SongError("there is nothing in this XML file", "Export it again.")
    return reader.root


class _TreeBuilder:
    """Builds the tree as expat reads."""

    def __init__(self, unneeded: frozenset[str]) -> None:
        self._unneeded = unneeded
        self._open: list[Element] = []
        self._left_out = 0
        """How deep we are within what is left out."""
        self._count = 0
        self.root: Element | None = None
        self.parser = expat.ParserCreate(intern={})
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._characters
        self.parser.EntityDeclHandler = self._entity

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        if self._left_out or tag in self._unneeded:
            self._left_out += 1
            if self._left_out > DEEPEST:
                raise self._too_much("is nested too deeply")
            return
        self._count += 1
        if len(self._open) >= DEEPEST:
            raise self._too_much("is nested too deeply")
        if self._count > MOST_ELEMENTS:
            raise self._too_much("is too large for a small computer")
        element = Element(tag, attributes, self.parser.CurrentLineNumber)
        if self._open:
            self._open[-1].children.append(element)
        else:
            self.root = element
        self._open.append(element)

    def _end(self, _tag: str) -> None:
        if self._left_out:
            self._left_out -= 1
        else:
            self._open.pop()

    def _characters(self, text: str) -> None:
        if self._open and not self._left_out and len(self._open[-1].text) < LONGEST_TEXT and not text.isspace():
            self._open[-1].text += text[:LONGEST_TEXT]

    def _entity(self, *_: Any) -> None:
        raise SongError(
            "this XML file defines entities, which no score needs and which can be made to fill a computer",
            "Do not use it unless you know where it comes from; export the score again.",
            self.parser.CurrentLineNumber,
            self.parser.CurrentColumnNumber + 1,
        )

    def _too_much(self, why: str) -> SongError:
        return SongError(
            f"this XML file {why}",
            "Is it a score? Take out what is not needed in a notation program, and export it again.",
            self.parser.CurrentLineNumber,
        )
