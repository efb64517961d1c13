"""The page for the family: a title of their choice, the day, the score's picture, and the sound inside.

One file that needs nothing else: nothing is fetched, and nothing runs. It says neither who played nor where it was
made, unless the family writes it.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence

from router.report.html import html
from router.report.page import PageSection, PlotPlace, ReportPage, SoundPlace

UNTITLED = "Our music"


def page(title: str, date: str, pictures: Sequence[str], sound: bytes) -> str:
    """Return the page as HTML; ``sound`` is an MP3 file."""
    drawings = {f"score {number}": picture for number, picture in enumerate(pictures, 1)}
    pages = f" {len(pictures)} pages." if len(pictures) > 1 else ""
    places = [PlotPlace(name, "The score." + pages if name == "score 1" else "") for name in drawings]
    listen = SoundPlace("data:audio/mpeg;base64," + base64.b64encode(sound).decode(), "Listen")
    return html(ReportPage(title or UNTITLED, date, [PageSection("", [listen, *places])], broad=True), drawings)
