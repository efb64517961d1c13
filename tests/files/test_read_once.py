"""A value of a file is read once and kept with its place; a schema's validator is built once in a process. Counted."""

from __future__ import annotations

from collections import Counter

import pytest

from router.files import configuration, profile, quantities
from router.files.profile import shipped, validate
from tests.shared.places import GOLDEN_CONFIGURATIONS, GOLDEN_PROFILES

PROFILES = [*sorted(shipped().glob("**/*.yaml")), *sorted(GOLDEN_PROFILES.glob("*.yaml"))]
CONFIGURATIONS = sorted(GOLDEN_CONFIGURATIONS.glob("*.yaml"))
CHECK = {GOLDEN_CONFIGURATIONS: configuration.check}


@pytest.fixture
def counted(monkeypatch):
    """How often each value was read, by its place, and how often each text became a quantity."""
    values, texts = Counter(), Counter()
    read_value, read_quantity = validate._value, quantities.read

    def value(node, wanted):
        values[node.place.line, node.place.column] += 1
        return read_value(node, wanted)

    def quantity(kind, text):
        texts[kind, text] += 1
        return read_quantity(kind, text)

    monkeypatch.setattr(validate, "_value", value)
    monkeypatch.setattr(quantities, "read", quantity)
    return values, texts


@pytest.mark.parametrize("path", [*PROFILES, *CONFIGURATIONS], ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_each_value_is_read_once(path, counted):
    """Also in a file with mistakes, all of which are told."""
    values, _ = counted
    CHECK.get(path.parent, profile.check)(path)
    assert [place for place, count in values.items() if count > 1] == []


def test_what_is_read_once_is_everything_that_is_written(counted):
    """In nuthatch, the largest that ships: 60 values, 18 of them quantities;
    the defaults of the schemas are known already.
    """
    values, texts = counted
    path = profile.find("nuthatch")
    profile.load(path)
    texts.clear()
    values.clear()
    profile.load(path)
    assert (len(values), sum(values.values()), sum(texts.values())) == (60, 60, 18)


def test_a_validator_is_built_once_in_a_process(monkeypatch):
    built = Counter()
    make = validate._VALIDATOR

    def counting(wanted):
        built[id(wanted)] += 1
        return make(wanted)

    monkeypatch.setattr(validate, "_VALIDATOR", counting)
    monkeypatch.setattr(validate, "_built", {})
    for _ in range(3):
        for path in (*PROFILES[:20], *CONFIGURATIONS[:20]):
            CHECK.get(path.parent, profile.check)(path)
    assert len(built) > 10
    assert set(built.values()) == {1}
