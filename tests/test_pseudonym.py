"""Pseudonyms: what would say who a child is, is refused; ordinary words are not."""

import pytest

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
