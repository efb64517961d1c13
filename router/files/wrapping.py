"""Wrappings of a profile that was copied: a word processor's file, a web page, a mail's quote, a chat's fence.

Each is reported once, with what to do. Where the meaning is plain, the rest of the file is read as it was meant, each
sign at its own place, so that the other mistakes are reported in the same run.
"""

from __future__ import annotations

import html
import re
from collections.abc import Sequence

from router.files.diagnostics import Place, Report, quoted

_AS_TEXT = "Open it there, choose Save As, plain text, encoding UTF-8, and give it a name that ends in .yaml."
_PROCESSOR = ("this is a file of a word processor, not a plain text", _AS_TEXT)
_PICTURE = ("this is a picture, not a plain text", "Type what it shows, or ask for the file itself.")
_PACKED = ("this file is packed", "Unpack it first; the file inside is meant.")
_BEGINNINGS = (
    (b"{\\rtf", _PROCESSOR),
    (b"\xd0\xcf\x11\xe0", _PROCESSOR),
    (b"%PDF", ("this is a document to be printed (.pdf), not a plain text", "Ask for the .yaml file itself.")),
    (b"\x89PNG", _PICTURE),
    (b"\xff\xd8\xff", _PICTURE),
    (b"GIF8", _PICTURE),
    (b"\x1f\x8b", _PACKED),
    (b"7z\xbc\xaf", _PACKED),
    (b"Rar!", _PACKED),
)
_SAVE_AS = 'Save it again with the encoding "UTF-8" (in most editors: Save As, Encoding).'


def other_file(data: bytes, form: str) -> tuple[str, str] | None:
    """Return what is said of bytes that are a file of another kind, message and hint, or None."""
    if data.startswith(b"PK\x03\x04"):  # a .zip; a .docx and an .odt are such, with these names near the beginning
        inside = data[:4096]
        return _PROCESSOR if b"word/" in inside or b"[Content_Types]" in inside or b"mimetype" in inside else _PACKED
    for begins, said in _BEGINNINGS:
        if data.startswith(begins):
            return said
    wide = _wide(data)
    return (f"this file is saved as {wide}, and a {form} is UTF-8", _SAVE_AS) if wide else None


def _wide(data: bytes) -> str:
    """Return the encoding of a text with two or four bytes a letter, with a byte-order mark or without one."""
    if data.startswith((b"\xff\xfe\0\0", b"\0\0\xfe\xff")):
        return "UTF-32"
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "UTF-16"
    begin = data[:400]
    if len(begin) < 8:
        return ""
    for odd, even in ((begin[1::2], begin[::2]), (begin[::2], begin[1::2])):
        if odd.count(0) > 0.9 * len(odd) and even.count(0) < 0.1 * len(even):
            return "UTF-16"
    return ""


_LETTERS = (
    "\u00e4\u00f6\u00fc\u00c4\u00d6\u00dc\u00df\u00e9\u00e8\u00ea\u00eb\u00e0\u00e2\u00e7\u00f1\u00e1"
    "\u00ed\u00f3\u00fa\u00f4\u00ee\u00ef\u00fb\u0153\u00e6\u00f8\u00e5"
    "\u201c\u201d\u201e\u2019\u2013\u00b0\u00b5"
)


def one_byte_a_letter(raw: Sequence[int]) -> str:
    """Return the encoding in which these bytes are most probably letters of Europe's languages."""
    tried = ("cp1252", "mac_roman", "cp850")
    bytes_ = bytes(raw)
    return max(tried, key=lambda name: sum(letter in _LETTERS for letter in bytes_.decode(name, "replace")))


# --- lines ------------------------------------------------------------------------------------------------------


def unwrapped(lines: Sequence[str], report: Report) -> list[str] | None:
    """Return the lines as they are to be read, as many as there were; None if there is nothing to read on."""
    told = list(lines)
    if _page(told, report):
        return None
    for step in (_quoted_mail, _fences, _full_width, _bullets, _line_ends, _twice_encoded):
        told = step(told, report)
    return told


_WORDS = re.compile(r"\b(about|line)[\"']?\s*:")
_REMARK = re.compile(r"(^|\s)#.*")


def _said(lines: Sequence[str]) -> list[str]:
    """Return the lines without what may hold any sign.

    These are remarks, patterns, and words for people, also over several lines.
    """
    said = []
    inside: int | None = None  # the indentation of the name whose text goes on
    for line in lines:
        indent = len(line) - len(line.lstrip())
        if inside is not None and (indent > inside or not line.strip()):
            said.append("")
            continue
        inside = None
        bare = _REMARK.sub("", line)
        if _WORDS.search(bare):
            inside = indent
            bare = ""
        said.append(bare)
    return said


def _and_more(numbers: Sequence[int]) -> str:
    if len(numbers) < 2:
        return ""
    return f" (and {len(numbers) - 1} more line{'s' if len(numbers) > 2 else ''})"


_TAG = re.compile(
    r"\s*</?(!doctype|html|head|body|pre|code|p|br|div|span|table|tr|td|ul|ol|li|title|meta|script|style|font)\b[^<>]*>",
    re.IGNORECASE,
)
_LAST_TAG = re.compile(r"</?(br|p|div|span|pre|code|li|td|tr)\b[^<>]*>\s*$", re.IGNORECASE)
_DOCTYPE = re.compile(r"\s*<(!doctype|\?xml)", re.IGNORECASE)
_ENTITY = re.compile(r"&(quot|amp|lt|gt|nbsp|apos|#x?[0-9a-fA-F]{1,6});")
_COPY = "Copy only the words of the profile from the page as it is shown, or save the file behind its link."


def _page(lines: Sequence[str], report: Report) -> bool:
    """Tell of a web page, once; what is on it cannot be read as a profile."""
    for number, line in enumerate(_said(lines), 1):
        for pattern in (_DOCTYPE, _TAG, _LAST_TAG):
            if found := pattern.search(line) if pattern is _LAST_TAG else pattern.match(line):
                tag = found[0].strip()
                place = _at(number, found.start() + found[0].index("<"), tag)
                report.add(place, f"this is the inside of a web page: {quoted(tag)}", _COPY)
                return True
        if found := _ENTITY.search(line):
            message = (
                f"this is the inside of a web page: {quoted(found[0])} stands for"
                f" {html.unescape(found[0]).strip() or 'a space'}"
            )
            report.add(_at(number, found.start(), found[0]), message, _COPY)
            return True
    return False


def _at(number: int, column: int, text: str) -> Place:
    """Return the place of a text; ``number`` counts from 1, ``column`` from 0."""
    return Place(number, column + 1, max(1, len(text)))


_QUOTE = re.compile(r"\s*(?:[>|]\s?)+")


def _quoted_mail(lines: list[str], report: Report) -> list[str]:
    """Tell of a mail's quotes, and read what stands behind them."""
    written = [number for number, line in enumerate(lines, 1) if line.strip()]
    marked = [number for number in written if lines[number - 1].lstrip().startswith(">")]
    if len(marked) < 3 or 2 * len(marked) < len(written):
        return lines
    report.add(
        _at(marked[0], lines[marked[0] - 1].index(">"), ">"),
        f'this line begins with ">", as a mail quotes{_and_more(marked)}',
        'Take ">" and the space after it away from each line, and what the mail says around them.',
    )
    read = []
    for line in lines:
        mark = _QUOTE.match(line) if line.lstrip().startswith(">") else None
        read.append(" " * len(mark[0]) + line[mark.end() :] if mark else "")
    return read


_FENCE = re.compile(r"\s*(```+|~~~+)")


def _fences(lines: list[str], report: Report) -> list[str]:
    """Tell of the marks around a copied text, and read what stands between them."""
    marked = [number for number, line in enumerate(_said(lines), 1) if _FENCE.match(line)]
    if not marked:
        return lines
    first, last = marked[0], marked[-1]
    line = lines[first - 1].strip()
    where = f" and line {last}" if last > first else ""
    report.add(
        _at(first, lines[first - 1].index(line[0]), line),
        f"{quoted(line)} does not belong to a {report.form.name}",
        f"It marks the beginning or end of a text that was copied. Take out this line{where}, and what stands around"
        " them.",
    )
    before = any(re.match(r"\s*(profile|configuration):", line) for line in lines[: first - 1])
    begin = 0 if before else first  # one mark alone may be the closing one
    end = last - 1 if last > first or before else len(lines)
    inside = range(begin, end)
    return [line if n in inside and n + 1 not in marked else "" for n, line in enumerate(lines)]


_WIDE = {code: code - 0xFEE0 for code in range(0xFF01, 0xFF5F)} | {0x3000: 0x20, 0x3001: 0x2C}
_WIDE_SIGN = re.compile("[\uff01-\uff5e\u3001]+")


def _full_width(lines: list[str], report: Report) -> list[str]:
    """Tell of full-width signs, and read them as the ordinary ones."""
    said = _said(lines)
    marked = [number for number, line in enumerate(said, 1) if _WIDE_SIGN.search(line)]
    if not marked:
        return lines
    found = _WIDE_SIGN.search(said[marked[0] - 1])
    assert found is not None  # it is marked for that
    plain = found[0].translate(_WIDE)
    report.add(
        _at(marked[0], found.start(), found[0]),
        f"these are full-width signs, as they are typed in East Asia{_and_more(marked)}",
        f"Did you mean {quoted(plain)}?  Switch the keyboard to half width and type them anew.",
    )
    read = list(lines)
    for number in marked:
        line, remark = said[number - 1], lines[number - 1][len(said[number - 1]) :]
        read[number - 1] = (
            re.sub("[\uff1a\uff0c](?=[^\\s])", lambda sign: sign[0] + " ", line).translate(_WIDE) + remark
        )
    return read


_BULLET = re.compile(
    "(\\s*)([\u2022\u00b7\u25cf\u25e6\u25aa\u2023\u2219\u25cb\u25a0\u25a1\u2043\u27a2\u2713\u25ba\uf0b7\uf0a7]|\\*(?=\\s))\\s*(?=\\S)"
)


def _bullets(lines: list[str], report: Report) -> list[str]:
    """Tell of bullets, and read them as dashes."""
    marked = [number for number, line in enumerate(_said(lines), 1) if _BULLET.match(line)]
    if not marked:
        return lines
    read = list(lines)
    for number in marked:
        found = _BULLET.match(lines[number - 1])
        assert found is not None  # it is marked for that
        rest = lines[number - 1][found.end() :]
        width = max(2, found.end() - len(found[1]))
        read[number - 1] = found[1] + "-" + " " * (width - 1) + rest
    first = marked[0]
    indent = len(lines[first - 1]) - len(lines[first - 1].lstrip())
    sign = lines[first - 1][indent]
    report.add(
        _at(first, indent, sign),
        f"a list is made with dashes, not with {quoted(sign)}{_and_more(marked)}",
        f"Did you mean {quoted('- ' + ' '.join(read[first - 1].split()[1:]))}?",
    )
    return read


_SEMICOLON = re.compile(r"(\s*(?:- +)?[\w.-]+:(?:\s.*)?[^\s;]|[\s\]})]*[\]})])\s*(;+)\s*$")
_COMMA = re.compile(r"(\s*(?:- +)?[\w.-]+:\s+(?:[^\s#].*)?[^\s,])\s*(,+)\s*$")


def _line_ends(lines: list[str], report: Report) -> list[str]:
    """Tell of a semicolon or comma at the end of lines, as programs write it, and read on without."""
    depth = 0
    marked: dict[int, re.Match[str]] = {}
    for number, line in enumerate(_said(lines), 1):
        found = _SEMICOLON.match(line)
        bare = re.sub(r"'[^']*'|\"[^\"]*\"", "", line)
        depth += sum(sign in "{[" for sign in bare) - sum(sign in "}]" for sign in bare)
        if found is None and depth <= 0:
            found = _COMMA.match(line)
        if found:
            marked[number] = found
    if not marked:
        return lines
    read = list(lines)
    for number, found in marked.items():
        read[number - 1] = found[1]
    first, found = next(iter(marked.items()))
    report.add(
        _at(first, found.start(2), found[2]),
        f"no {'semicolon' if found[2][0] == ';' else 'comma'} stands at the end of a line{_and_more([*marked])}",
        f"Did you mean {quoted(found[1].strip())}?",
    )
    return read


_NOT_ASCII = re.compile(r"[^\x00-\x7f]+")
_TWICE = re.compile(
    "[\u00c2\u00c3][\u0080-\u00bf\u0152\u0153\u0160\u0161\u0178\u017d\u017e\u0192"
    "\u02c6\u02dc\u2013-\u2026\u2030\u2039\u203a\u20ac\u2122]"
    "|\u00e2\u20ac"
)


def _twice_encoded(lines: list[str], report: Report) -> list[str]:
    """Tell of letters that went through two encodings.

    An umlaut became two letters, so a name in a pattern fits nothing.
    """
    marked = [n for n, line in enumerate(lines, 1) if _TWICE.search(line) and _NOT_ASCII.sub(_once, line) != line]
    if not marked:
        return lines
    read = list(lines)
    for number in marked:
        read[number - 1] = _NOT_ASCII.sub(_once, lines[number - 1])
    first = marked[0]
    found = re.search(r"\S*(?:[\u00c2\u00c3]\S|\u00e2\u20ac)\S*", lines[first - 1])
    word = found[0] if found else lines[first - 1].strip()
    report.add(
        _at(first, found.start() if found else 0, word),
        f"letters here were saved in one encoding and read in another{_and_more(marked)}",
        f"Did you mean {quoted(_NOT_ASCII.sub(_once, word))}?  Type them anew, and save with the encoding UTF-8.",
    )
    return read


def _once(found: re.Match[str]) -> str:
    try:
        return found[0].encode("cp1252").decode("utf-8")
    except UnicodeError:
        return found[0]
