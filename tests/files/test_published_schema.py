"""The schema for editors: current, valid, and of one mind with the router about what is right."""

from __future__ import annotations

import copy
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator

from router.core.rules import RULES
from router.files import quantities
from router.files.profile import check, data, shipped
from router.files.publish import published
from tests.shared.editor import Editor, words
from tests.shared.places import GOLDEN_PROFILES

SCHEMA = data("schemas") / "profile.schema.json"

STRICTER = {"fine_number_in_quotes"}
"""To an editor a number in quotes is a text."""
NO_YAML = {"fine_hard_spaces", "fine_tab_after_colon"}
"""The router forgives these; a YAML reader need not."""


def errors(path: Path) -> list[str]:
    tree = yaml.load(path.read_text(encoding="utf-8-sig"), Editor)
    return [error.message for error in Draft202012Validator(published()).iter_errors(tree)]


def test_the_file_is_current():
    written = subprocess.run(
        [sys.executable, "-W", "error", "-m", "router.files.publish"],
        capture_output=True,
        text=True,
        check=True,
        encoding="utf-8",
    ).stdout
    assert SCHEMA.read_text(encoding="utf-8") == written, (
        "run: python -m router.files.publish > schemas/profile.schema.json"
    )


def test_it_is_json_schema_2020_12():
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(schema)


def test_no_word_of_our_own_is_left_in_it():
    assert not words(published()) & {"quantity", "least", "most", "no", "spelling"}
    assert words(published()) <= {
        *Draft202012Validator.VALIDATORS,
        "$schema",
        "$defs",
        "title",
        "description",
        "default",
        "examples",
        "then",
        "else",
    }


def test_every_setting_is_described():
    def walk(schema: object, path: str) -> None:
        if isinstance(schema, dict):
            for name, inner in schema.get("properties", {}).items():
                if set(inner) & {"type", "enum", "anyOf"}:
                    assert "description" in inner, (path, name)
            for name, inner in schema.items():
                walk(inner, f"{path}/{name}")
        elif isinstance(schema, list):
            for inner in schema:
                walk(inner, path)

    schema = copy.deepcopy(published())
    schema["$defs"]["input"]["properties"].clear()  # only says which types there are
    walk(schema, "")


def test_every_shipped_profile_satisfies_it():
    for file in shipped().glob("*.yaml"):
        assert errors(file) == [], file


@pytest.mark.parametrize("file", sorted(GOLDEN_PROFILES.glob("fine*.yaml")), ids=lambda file: file.stem)
def test_what_the_router_takes_an_editor_takes(file):
    if file.stem in NO_YAML:
        return
    assert check(file) == []
    assert bool(errors(file)) == (file.stem in STRICTER)


MARKED = """
key_misspelt section_misspelt setting_unknown rule_unknown scale_unknown type_unknown unit_missing unit_wrong
comma_for_point channel_zero channel_17 degree_zero degrees_missing degrees_and_notes device_missing
device_of_another_type sides_missing full_missing velocity_over_127 note_german release_without_time
two_rules_in_one_entry version_unknown child_is_a_name
"""


@pytest.mark.parametrize("name", MARKED.split())
def test_what_the_router_refuses_an_editor_marks(name):
    assert errors(GOLDEN_PROFILES / f"{name}.yaml")


@pytest.mark.parametrize("kind", [kind for kind, about in quantities.KINDS.items() if "pattern" in about.published])
def test_a_quantity_means_the_same_to_both(kind):
    pattern = quantities.KINDS[kind].published["pattern"]
    for text in [
        *(
            "30 ms",
            "0.5 s",
            "1 min",
            ".5 s",
            "5. s",
            "+3 us",
            "30",
            "30 Ms",
            "3 sec",
            "0,5 s",
            "",
            "ms",
            "1e3 ms",
            " 30ms ",
        ),
        *(
            "0.5 inH2O",
            "3 cmH2O",
            "-3 Pa",
            "1 psi",
            "1 Hz",
            "84 bpm",
            "84bpm",
            "10 %",
            "10%",
            "10",
            "1/8",
            "1/3",
            "1/4 dotted",
        ),
        *(
            "1.000 ms",
            "1.500 ms",
            "12.250 us",
            "1.000 s",
            "1.500 s",
            "0.500 ms",
            "1.2500 ms",
            "1000.000 s",
            "+1.000 Pa",
        ),
        *("1.000 Pa", "1.245 inH2O", "1.000 Hz", "60.000 bpm", "84.500 bpm", "10.000 %", "1.0000 s", " 1.000ms "),
        *("1/8 triplet", "3/4", "C", "F#", "Bb", "H", "c", "C sharp", "Es", "C ", "C#4"),
    ]:
        try:
            quantities.read(kind, text)
        except quantities.QuantityError as error:
            in_form = any(
                word in str(error) for word in ("negative", "must be above 0", "a tempo is 20", "a percentage here")
            )
        else:
            in_form = True
        assert (re.search(pattern, text) is not None) == in_form, text


def test_every_rule_is_in_it():
    assert set(published()["$defs"]["rule"]["properties"]) == set(RULES)
