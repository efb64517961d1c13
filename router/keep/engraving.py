"""The picture of a score, and a sound small enough for a page: what the extra ``keep`` of the package is for.

The engraver is Verovio (LGPL 3, with its own font, SIL OFL), which comes as a wheel of 9 MB for x86_64 and aarch64 and
needs nothing else; the sound is encoded by libsndfile, which comes with the package soundfile (BSD, LGPL). Both are
imported only here, and never by the daemon.
"""

from __future__ import annotations

import io
import sys
import wave
from typing import BinaryIO

MISSING = (
    "a page needs Verovio, which engraves the score, and soundfile, which makes the sound small enough\n"
    f"To install them: {sys.executable} -m pip install verovio soundfile"
)
QUALITY = 0.2
"""libsndfile's compression level for MP3: 0 is the best, 1 the smallest. Some 200 kbit/s."""
AT_ONCE = 1 << 16
"""Frames that are encoded at once."""


class MissingError(Exception):
    """The extra is not installed; the text says how to install it."""


def ready() -> None:
    """Check that a page can be made.

    Raises:
        MissingError: the extra is not installed.
    """
    try:
        import soundfile  # noqa: F401, PLC0415 - the extra may be missing, and is slow to load
        import verovio  # noqa: F401, PLC0415 - as above
    except (ImportError, OSError) as error:
        raise MissingError(MISSING) from error


def pictures(musicxml: str) -> list[str]:
    """The score as drawings (SVG), one for each page of paper; its title is left to whoever shows it.

    Raises:
        ValueError: it is no score.
    """
    import verovio  # noqa: PLC0415 - see ready

    verovio.enableLog(verovio.LOG_OFF)
    engraver = verovio.toolkit()
    engraver.setOptions(
        {
            "pageWidth": 2100,
            "pageHeight": 2600,
            "scale": 40,
            "adjustPageHeight": True,
            "spacingSystem": 12,
            "header": "none",
            "footer": "none",
            "svgViewBox": True,
            "svgRemoveXlink": True,
            "xmlIdSeed": 1,
        }
    )
    if not engraver.loadData(musicxml):
        raise ValueError("the engraver cannot read the score")
    return [engraver.renderToSVG(page) for page in range(1, engraver.getPageCount() + 1)]


def smaller(sound: BinaryIO) -> bytes:
    """A WAV file as MP3, which every browser plays."""
    import soundfile  # noqa: PLC0415 - see ready

    with wave.open(sound, "rb") as read:
        rate, channels = read.getframerate(), read.getnchannels()
        made = io.BytesIO()
        with soundfile.SoundFile(
            made,
            "w",
            samplerate=rate,
            channels=channels,
            format="MP3",
            subtype="MPEG_LAYER_III",
            compression_level=QUALITY,
        ) as encoder:
            while data := read.readframes(AT_ONCE):
                encoder.buffer_write(data, dtype="int16")
    return made.getvalue()
