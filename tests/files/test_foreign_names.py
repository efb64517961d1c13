"""Names of notes, keys, scales and chords in other languages (common practice there, no source), and numbers
as others write them.
"""

from __future__ import annotations

from time import process_time

import pytest

from router.core.music import LETTERS, SCALES, pitch_class, scale_shape
from router.core.units import QuantityError, time_ns
from router.files import foreign, quantities


@pytest.mark.parametrize(
    ("written", "here"),
    [
        ("H", ("B", "")),
        ("Hm", ("B", "minor")),
        ("B", ("B", "")),
        ("Bes", ("Bb", "")),
        ("Es", ("Eb", "")),
        ("As-Dur", ("Ab", "major")),
        ("fis-moll", ("F#", "minor")),
        ("d-moll", ("D", "minor")),
        ("C dur", ("C", "major")),
        ("Dm", ("D", "minor")),
        ("Em", ("E", "minor")),
        ("E minor", ("E", "minor")),
        ("D minor pentatonic", ("D", "minor pentatonic")),
        ("d kleine terts", ("D", "minor")),
        ("r\u00e9 mineur", ("D", "minor")),
        ("si b\u00e9mol majeur", ("Bb", "major")),
        ("fa di\u00e8se", ("F#", "")),
        ("sol mayor", ("G", "major")),
        ("do", ("C", "")),
        ("re\u0301", ("D", "")),  # its accent a letter of its own
        ("x", ("", "")),
        ("Cs", ("", "")),
        ("", ("", "")),
    ],
)
def test_keys(written, here):
    assert foreign.key(written) == here


@pytest.mark.parametrize(
    ("written", "here"),
    [
        ("Dur", ["major"]),
        ("moll", ["minor"]),
        ("Moll-Pentatonik", ["minor pentatonic"]),
        ("pentat\u00f3nica menor", ["minor pentatonic"]),
        ("harmonisch Moll", ["harmonic minor"]),
        ("grote terts", ["major"]),
        ("dorisch", ["dorian"]),
        ("\u00e4olisch", ["aeolian"]),
        ("Ganztonleiter", ["whole tone"]),
        ("Pentatonik", ["major pentatonic", "minor pentatonic"]),
        ("something", []),
    ],
)
def test_scales(written, here):
    assert foreign.scale(written) == here
    assert {*here} <= {*SCALES}


@pytest.mark.parametrize(
    ("written", "here"), [("H4", "B4"), ("Cis4", "C#4"), ("sib3", "Bb3"), ("Es", "Eb"), ("Z4", "")]
)
def test_notes(written, here):
    assert foreign.note(written) == here


@pytest.mark.parametrize(
    ("written", "here"), [("Hm7", "Bm7"), ("Fis", "F#"), ("d-moll", "Dm"), ("Esmaj7", "Ebmaj7"), ("?", "")]
)
def test_chords(written, here):
    assert foreign.chord(written) == here


def test_nobody_is_led_to_a_name_that_is_not_known():
    for letter in "abcdefgh":
        for sign in ("", "is", "es", "s", "isis", "eses"):
            for mode in ("", "-dur", "m", " moll"):
                tonic, scale = foreign.key(letter + sign + mode)
                if tonic:
                    assert tonic[0] in LETTERS
                    pitch_class(tonic)
                if scale:
                    scale_shape(scale)


@pytest.mark.parametrize(
    ("written", "hint"),
    [
        ("1,000 ms", 'Write "1000 ms" or "1 ms".'),
        ("1.000 ms", 'Write "1000 ms" or "1 ms".'),
        ("1.250 ms", 'Write "1250 ms" or "1.25 ms".'),
        ("1.000,5 ms", 'Did you mean "1000.5 ms"?'),
        ("1,000.5 ms", 'Did you mean "1000.5 ms"?'),
        ("1,000,000 us", 'Did you mean "1000000 us"?'),
        ("1 000 ms", 'Did you mean "1000 ms"?'),
        ("1\u202f000 ms", 'Did you mean "1000 ms"?'),
        ("1\u2019000 ms", 'Did you mean "1000 ms"?'),
        ("0,125 s", 'Did you mean "0.125 s"?'),
        ("1,5 Sekunden", 'Did you mean "1.5 s"?'),
        ("0.8", 'Did you mean "0.8 s"?'),
    ],
)
def test_what_is_offered_for_a_time_is_a_time(written, hint):
    with pytest.raises(QuantityError) as caught:
        time_ns(written)
    assert caught.value.hint.startswith(hint)
    offered = hint.split('"')[1::2]
    assert all(time_ns(text) > 0 for text in offered)


@pytest.mark.parametrize("written", ["1.245 s", "0.250 s", "0.125 s", "12.5 ms", "1000 ms"])
def test_three_places_that_are_not_doubted(written):
    assert time_ns(written) > 0


def cost(text: str) -> float:
    """The least processor's time, of five tries, to find out that this is no name and no time."""
    tries = []
    for _ in range(5):
        before = process_time()
        assert foreign.key(text) == ("", "")
        assert (foreign.note(text), foreign.scale(text), foreign.chord(text)) == ("", [], "")
        with pytest.raises(QuantityError):
            quantities.read("time", text)
        tries.append(process_time() - before)
    return min(tries)


@pytest.mark.parametrize(
    ("begin", "middle", "end"), [("a", " ", "b"), ("", "c", ""), ("1", ",000", ""), ("", " ", "-")]
)
def test_a_text_that_is_too_long_for_a_name_is_not_thought_about(begin, middle, end):
    """Sixteen times as long costs about sixteen times as much at most; growing with its square it was 256 times."""
    few, many = (cost(begin + middle * (count // len(middle)) + end) for count in (16_000, 256_000))
    assert many < 64 * few
