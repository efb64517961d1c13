"""Pseudonyms: what would say who a child is, is refused; ordinary words are not."""

import pytest

from router import profile
from router.profile import pseudonym, shipped

WORDS = [
    "wren",
    "lark",
    "jay",
    "robin",
    "martin",
    "rose",
    "lily",
    "ivy",
    "daisy",
    "iris",
    "olive",
    "ruby",
    "pearl",
    "amber",
    "jasmin",
    "leo",
    "brown-owl",
    "little-owl",
    "sea-eagle",
    "blue-tit-2",
    "tree-sparrow",
    "wren-12",
    "star-2026",
    "kite3",
    "young-swift",
    "king-fisher",
    "green-finch",
    "red-kite",
    "grey-heron",
    "night-jar",
    "black-cap",
    "may",
    "april",
    "june",
    "summer",
    "snow",
    "river",
    "forest",
    "bear",
    "wolf",
    "fox",
    "hill-fox",
    "stone-chat",
    "t-rex",
    "robin-b",
]


@pytest.mark.parametrize("word", [*WORDS, *(path.stem for path in shipped().glob("*.yaml"))])
def test_ordinary_words_are_free(word):
    assert pseudonym.wrong(word) is None


@pytest.mark.parametrize(
    ("child", "like"),
    [
        ("anna", "a person's name"),
        ("Anna", "a person's name"),
        ("anna smith", "a person's name"),
        ("anna-schmidt", "a person's name"),
        ("a-smith", "a person's name"),
        ("smith-john", "a person's name"),
        ("maria3", "a person's name"),
        ("mohammed-k", "a person's name"),
        ("wren-2014-03-21", "a date"),
        ("b20140321", "a date"),
        ("b-21-3-14", "a date"),
        ("x21-03-2014", "a date"),
        ("p004822", "a number of the hospital, or a date"),
        ("k-4812-7781", "a number of the hospital, or a date"),
        ("case-48213", "a number of the hospital, or a date"),
    ],
)
def test_what_says_who_it_is_is_not(child, like):
    assert pseudonym.wrong(child) == like


def test_the_lists_hold_words_that_a_pseudonym_could_be_and_no_bird():
    for name in pseudonym.GIVEN | pseudonym.FAMILY:
        assert name.isascii()
        assert name.islower()
    assert not (pseudonym.GIVEN | pseudonym.FAMILY) & {word for words in WORDS for word in words.split("-")}


@pytest.mark.parametrize(
    ("child", "near"), [("Anna", None), ("anna smith", None), ("Wren", "wren"), ("brown owl", "brown-owl")]
)
def test_nobody_is_led_from_one_name_to_another(tmp_path, child, near):
    path = tmp_path / "p.yaml"
    path.write_text((shipped() / "wren.yaml").read_text().replace("child: wren", f"child: {child}"))
    problems = profile.check(path)
    said = "\n".join(map(str, problems))
    assert ("Did you mean" in said) is (near is not None)
    assert near is None or f'Did you mean "{near}"?' in said
    assert ("looks like a person's name" in said) is (near is None)
