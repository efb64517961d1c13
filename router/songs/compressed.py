"""The score in a compressed MusicXML file (.mxl): a zip archive whose META-INF/container.xml names it.

The archive is read with bounds of everything: a zip bomb ends where the score may not be larger.

Source: MusicXML 4.0, Compressed .mxl files.
"""

from __future__ import annotations

import io
import zipfile
import zlib

from router.songs.error import SongError
from router.songs.xml_tree import parse

LARGEST = 32 * 1024 * 1024
"""Bytes of a score, unpacked. The largest of music21's corpus, a whole string quartet, has 11 MB."""
MOST_FILES = 1000
CONTAINER = "META-INF/container.xml"
_AGAIN = "Copy it again from where it came from, or export it again, as .musicxml if need be."


def unpacked(data: bytes) -> bytes:
    """The score in an archive.

    Raises:
        SongError: it is broken, encrypted, too large or holds no score.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if len(archive.infolist()) > MOST_FILES:
                raise SongError("this archive holds too many files for a score", _AGAIN)
            return _file(archive, _score_in(archive))
    except RuntimeError as error:  # zipfile says so of a password
        raise SongError("this .mxl file is encrypted", "Export it without a password.") from error
    except NotImplementedError as error:
        raise SongError("this .mxl file is compressed in a way that is not known", _AGAIN) from error
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, LookupError) as error:
        raise SongError("this .mxl file is broken, as if it had been cut off", _AGAIN) from error


def _score_in(archive: zipfile.ZipFile) -> str:
    """The name of the score's file."""
    names = archive.namelist()
    if CONTAINER in names:
        container = parse(_file(archive, CONTAINER), frozenset())
        files = container.find("rootfiles")
        for file in files.all("rootfile") if files else ():
            if file.get("media-type") in ("", "application/vnd.recordare.musicxml+xml") and file.get("full-path"):
                return file.get("full-path")
    scores = [name for name in names if name.lower().endswith((".xml", ".musicxml")) and "META-INF" not in name]
    if not scores:
        raise SongError("there is no score in this archive", "A .mxl file holds a MusicXML file. Export it again.")
    return scores[0]


def _file(archive: zipfile.ZipFile, name: str) -> bytes:
    """A file of the archive, never more of it than may be."""
    with archive.open(name) as file:
        found = file.read(LARGEST + 1)
    if len(found) > LARGEST:
        raise SongError(
            f"unpacked, this .mxl file has more than {LARGEST // 1024**2} MB",
            "Is it a score? Take out what is not needed in a notation program, and export it again.",
        )
    return found
