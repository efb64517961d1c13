"""One frame, one style sheet and one way to write text for all pages."""

from __future__ import annotations

import re
import zipfile
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

import router
from router.fit.result import Heard
from router.report import fit_page, page, ward
from router.report.html import html

PACKAGE = Path(router.__file__).parent
SHEET = (PACKAGE / "report/page.css").read_text()
HOSTILE = "<script>alert('\"&\x1b[2J\x00')</script>"


def of_a_fit(text: str = "above.on") -> page.ReportPage:
    each = {"setting": text, "value": "120 Pa", "sure": "sure", "from": "100 Pa", "to": "140 Pa", "why": text}
    found = SimpleNamespace(heard=Heard(9, 10, 0, 1), tried=Heard(8, 10, 0, 1), seconds_of_rest=20.0)
    return fit_page.FitPage(text, text, None, found, None, [each], {text: text}, [text])._page()


def of_a_child(text: str = "wren") -> page.ReportPage:
    pieces = [text, page.Verdict(text), page.Points([text]), page.Table((text, text), [(text, text)], text)]
    return page.ReportPage(text, text, [page.PageSection(text, [*pieces, page.PlotPlace("timeline", text)])])


def of_the_ward(_text: str = "") -> page.ReportPage:
    return ward.ward_page(ward.ward([], datetime(2026, 11, 28, 12)))  # noqa: DTZ001 - by the local clock, as its pages are


PAGES = {"fit": of_a_fit, "child": of_a_child, "ward": of_the_ward}


@pytest.mark.parametrize("kind", PAGES)
def test_every_page_has_the_one_frame_and_the_one_style_sheet(kind):
    text = html(PAGES[kind](), {})
    head, _, rest = text.partition("<style>")
    assert rest.startswith(SHEET)
    assert text.count("<style>") == 1
    assert "style=" not in rest.removeprefix(SHEET)
    assert "default-src 'none'" in head
    assert "system-ui" in SHEET


def test_no_other_file_writes_a_page_or_a_style_sheet():
    makers = {path.name for path in PACKAGE.rglob("*.py") if "<!doctype" in path.read_text().lower()}
    assert makers == {"html.py"}
    styles = {path.name for path in PACKAGE.rglob("*.py") if "<style>" in path.read_text()}
    assert styles == {"html.py", "picture.py"}, "a drawing (SVG) that stands alone has the colours of its lines in it"


@pytest.mark.parametrize("kind", ["fit", "child"])
def test_what_anybody_wrote_is_only_text(kind):
    text = html(PAGES[kind](HOSTILE), {"timeline": "<svg/>", "fit": "<svg/>"})
    assert text.count("&lt;script&gt;") >= 5
    assert "<script" not in text
    assert not re.search(r"[\x00-\x09\x0b-\x1f]", text)


def test_a_number_and_its_unit_stay_on_one_line():
    text = html(of_a_child("120 Pa or 1.2 cmH2O within 30 ms"), {})
    assert "120\u00a0Pa or 1.2\u00a0cmH2O within 30\u00a0ms" in text


def test_the_style_sheet_is_in_the_package(tmp_path):
    wheels = pytest.importorskip("hatchling.builders.wheel")
    built = next(wheels.WheelBuilder(str(PACKAGE.parent)).build(directory=str(tmp_path), versions=["standard"]))
    with zipfile.ZipFile(built) as wheel:
        assert wheel.read("router/report/page.css").decode() == SHEET
