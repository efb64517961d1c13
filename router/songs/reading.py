"""Which form a file has, by its first bytes and not by its name, and its reader."""

from __future__ import annotations

import re

from router.core.song import Song
from router.songs.error import SongError
from router.songs.understanding import understand

FORMS = "A song is a MIDI file (.mid, .midi, .kar), MusicXML (.musicxml, .xml, .mxl) or ABC notation (.abc)."
_OTHERS = {
    b"%PDF": "a PDF, a picture of a score",
    b"ID3": "an MP3, which is sound and not notes",
    b"\xff\xfb": "an MP3, which is sound and not notes",
    b"RIFF": "a sound file, which has no notes",
    b"OggS": "a sound file, which has no notes",
    b"fLaC": "a sound file, which has no notes",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"\x1f\x8b": "a gzip file",
    b"Rar!": "a RAR archive",
    b"7z\xbc\xaf": "a 7-Zip archive",
}


def song_of(data: bytes, name: str, melody: str | int | None = None) -> Song:
    """Read the bytes of a song's file, of any form.

    Raises:
        SongError: no song can be made of them; with what to do.
    """
    if not data:
        raise SongError("this file is empty", "Copy it again from where it came from.")
    if data[:4] == b"MThd" or (data[:4] == b"RIFF" and data[8:12] == b"RMID"):
        from router.songs import standard_midi  # noqa: PLC0415 - mido is loaded for MIDI files only

        return understand(standard_midi.read(data), name, melody)
    if re.match(rb"(?:\xef\xbb\xbf)?(?:%[^\n]*\n|\s)*(?:X:|T:)", data):
        from router.songs import abc  # noqa: PLC0415 - as above

        return abc.melody(data.decode("utf-8-sig", "replace"), name, melody)
    if data[:2] == b"PK":
        from router.songs import compressed, musicxml  # noqa: PLC0415 - as above

        return understand(musicxml.read(compressed.unpacked(data)), name, melody)
    if data.lstrip()[:1] == b"<" or data[:3] == b"\xef\xbb\xbf" or data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        from router.songs import musicxml  # noqa: PLC0415 - as above

        return understand(musicxml.read(data), name, melody)
    other = next((what for begins, what in _OTHERS.items() if data.startswith(begins)), "")
    raise SongError(f"this is {other}" if other else "this is neither a MIDI file nor MusicXML", FORMS)
