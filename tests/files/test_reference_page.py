"""schemas/README.md: current, complete, and true."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

from router.core.rules import RULES
from router.files import quantities, reference
from router.files.profile import check, data, schema
from tests.shared.places import ROOT

PAGE = data("schemas") / "README.md"


@pytest.fixture(scope="module")
def page() -> str:
    return reference.page()


def test_the_file_is_current():
    written = subprocess.run(
        [sys.executable, "-W", "error", "-m", "router.files.reference"],
        capture_output=True,
        check=True,
        text=True,
        encoding="utf-8",
        env={"PYTHONIOENCODING": "utf-8", "PYTHONPATH": ":".join(path or "." for path in sys.path)},
    ).stdout
    assert PAGE.read_text(encoding="utf-8") == written, "run: python -m router.files.reference > schemas/README.md"


def groups():
    yield from (schema.PROFILE, schema.MUSIC, schema.LIMITS, schema.PART, schema.ROUTE)
    yield from (*schema.INPUTS.values(), *schema.OUTPUTS.values())
    yield from (device for kinds in schema.DEVICES.values() for device in kinds.values())
    yield from (rule.settings for rule in RULES.values())


def deeper(group):
    for wanted in group["properties"].values():
        inner = wanted.get("items", wanted)
        if inner.get("properties"):
            yield inner
            yield from deeper(inner)


def test_every_setting_has_its_line(page):
    count = 0
    for group in [*groups(), *(inner for outer in groups() for inner in deeper(outer))]:
        for name, wanted in group["properties"].items():
            assert f"| `{name}` | {reference._cell(wanted['description'])} |" in page, name
            count += 1
    assert count > 150


def test_every_quantity_is_explained(page):
    for kind in quantities.KINDS.values():
        assert f"| {kind.phrase} | `{kind.example}` |" in page


def test_every_rule_has_a_chapter_that_the_list_leads_to(page):
    headings = re.findall(r"^#+ `?([a-z_]+)`?$", page, re.MULTILINE)
    for name in RULES:
        assert headings.count(name) == 1
        assert f"[`{name}`](#{name})" in page


def test_every_table_is_whole(page):
    tables = re.findall(r"(?:^\|.*\n)+", page, re.MULTILINE)
    assert len(tables) > 40
    for table in tables:
        widths = {len(re.findall(r"(?<!\\)\|", line)) for line in table.splitlines()}
        assert len(widths) == 1, table


def test_links_to_files_lead_somewhere(page):
    files = re.findall(r"\]\(([^#)]+)\)", page)
    assert len(files) == 3
    for file in files:
        assert (ROOT / "schemas" / file).exists(), file


def test_it_is_in_the_therapists_words(page):
    assert not re.findall(r"\b(?:object|array|boolean|integer|enum|oneOf|anyOf|regex|None|null)\b", page)


def test_defaults_limits_and_needs_are_told():
    (debounce,) = re.findall(r"^\| `debounce` .*$", reference.page(), re.MULTILINE)
    assert "at most 1 s" in debounce
    assert debounce.endswith("| `30 ms` |")
    (child,) = re.findall(r"^\| `child` .*$", reference.page(), re.MULTILINE)
    assert child.endswith("| **needed** |")


@pytest.mark.parametrize(
    ("group", "says"),
    [
        ({"oneOf": [{"required": ["a"]}, {"required": ["b"]}]}, "Exactly one of `a` or `b` is needed."),
        ({"anyOf": [{"required": ["a"]}, {"required": ["b", "c"]}]}, "At least one of `a`, `b` or `c` is needed."),
        ({"not": {"required": ["a", "b"]}}, "`a` and `b` cannot stand together."),
        ({"dependentRequired": {"a": ["b"]}}, "With `a`, `b` is needed too."),
        (
            {"if": {"properties": {"a": {"const": "x"}}}, "then": {"required": ["b"]}},
            "With `a: x`, `b` is needed.",
        ),
        ({"allOf": [{"not": {"required": ["a", "b"]}}]}, "`a` and `b` cannot stand together."),
    ],
)
def test_what_settings_have_to_do_with_one_another(group, says):
    assert list(reference._conditions(group)) == [says]


def test_the_example_of_a_whole_file_is_right(tmp_path):
    path = tmp_path / "wren.yaml"
    path.write_text(reference.PROFILE, encoding="utf-8")
    assert check(path) == []


@pytest.mark.parametrize("kind", schema.INPUTS)
def test_the_example_of_each_input_is_right(tmp_path, kind):
    path = tmp_path / "wren.yaml"
    name = reference.INPUTS[kind].partition(":")[0]
    source = f"{name}.above" if kind == "pressure" else name
    text = re.sub(r"  pad: .*", f"  {reference.INPUTS[kind]}", reference.PROFILE)
    path.write_text(text.replace("input: pad", f"input: {source}"), encoding="utf-8")
    assert check(path) == []
