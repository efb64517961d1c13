"""Names of notes, keys, scales and chords as other languages and styles write them, and what they are called here.

German: Hm, Bes, d-moll, Fis-Dur; Dutch: grote terts, mineur; French, Spanish and Italian: ré mineur, sol mayor, si
bémol. Only for hints: a profile is written in one way, so that whoever reads it next can.
"""

from __future__ import annotations

import re
import unicodedata

from router.core.music import SCALES
from router.core.units import LONGEST

_LATIN = {"do": "C", "ut": "C", "re": "D", "mi": "E", "fa": "F", "sol": "G", "la": "A", "si": "B", "ti": "B"}
_SIGNS = {
    "is": "#",
    "es": "b",
    "s": "b",
    "diese": "#",
    "dieze": "#",
    "sostenido": "#",
    "diesis": "#",
    "kruis": "#",
    "sharp": "#",
}
_SIGNS |= {
    "bemol": "b",
    "bemolle": "b",
    "flat": "b",
    "mol": "b",
    "#": "#",
    "b": "b",
    "": "",
    "isis": "##",
    "eses": "bb",
}
_NOTE = re.compile(
    r"(?P<letter>do|ut|re|mi|fa|sol|la|si|ti|[a-h])[ -]?"
    r"(?P<sign>isis|eses|is|es|diese|dieze|sostenido|diesis|kruis|sharp|bemolle|bemol|flat|mol|s|#|b|)"
)
_MODES = {
    **dict.fromkeys(("dur", "major", "majeur", "mayor", "maggiore", "groot", "grote terts", "maj"), "major"),
    **dict.fromkeys(("moll", "minor", "mineur", "menor", "minore", "klein", "kleine terts", "min", "m"), "minor"),
}
ROMAN = {"i": 1, "ii": 2, "iii": 3, "iv": 4, "v": 5, "vi": 6, "vii": 7}
"""Steps of the scale, as harmony is taught."""
BARS = re.compile(
    r"\s*([0-9]{1,3})\s*(takte?n?|mesures?|maat|maten|comp[a\u00e1]s(es)?|battut[ae]|measures?)\s*", re.IGNORECASE
)
_WORDS = {
    **{word: mode for word, mode in _MODES.items() if len(word) > 1 and " " not in word},
    **dict.fromkeys(("harmonisch", "harmonisches", "harmonique", "armonica", "armonico"), "harmonic"),
    **dict.fromkeys(("melodisch", "melodisches", "melodique", "melodica", "melodico"), "melodic"),
    **dict.fromkeys(("naturlich", "naturliches", "natuurlijk", "naturel", "naturale"), "natural"),
    **dict.fromkeys(
        ("pentatonik", "pentatonisch", "pentatonische", "pentatonique", "pentatonica", "pentatonico", "penta"),
        "pentatonic",
    ),
    **dict.fromkeys(("chromatisch", "chromatique", "cromatica", "cromatico"), "chromatic"),
    **dict.fromkeys(("dorisch", "dorien", "dorico"), "dorian"),
    **dict.fromkeys(("phrygisch", "frygisch", "phrygien", "frigio"), "phrygian"),
    **dict.fromkeys(("lydisch", "lydien", "lidio"), "lydian"),
    **dict.fromkeys(("mixolydisch", "mixolydien", "mixolidio"), "mixolydian"),
    **dict.fromkeys(("aolisch", "eolisch", "eolien", "eolico"), "aeolian"),
    **dict.fromkeys(("lokrisch", "locrisch", "locrien"), "locrian"),
    **dict.fromkeys(("ganzton", "ganztonleiter", "heletoons", "tons"), "whole tone"),
}
"""One word each, without accents."""


def _bare(text: str) -> str:
    """Return a text in lower-case letters, without accents; nothing of one that is too long to be a name."""
    if len(text) > LONGEST:
        return ""
    letters = unicodedata.normalize("NFKD", text.strip().replace("\u266f", "#").replace("\u266d", "b")).casefold()
    return "".join(letter for letter in letters if not unicodedata.combining(letter))


def note(text: str) -> str:
    """Return the name of a note as it is written here, with its octave if it has one; nothing if it is no note."""
    found = re.fullmatch(r"(.*?)\s*(-?\d{1,2})?", _bare(text))
    name = _name(found[1]) if found else ""
    return f"{name}{found[2] or ''}" if found and name else ""


def _name(bare: str) -> str:
    found = _NOTE.fullmatch(bare)
    if not found:
        return ""
    letter = _LATIN.get(found["letter"], "B" if found["letter"] == "h" else found["letter"].upper())
    if found["letter"] not in ("a", "e") and found["sign"] == "s":  # only As and Es are shortened
        return ""
    return letter + _SIGNS[found["sign"]]


def key(text: str) -> tuple[str, str]:
    """Return the tonic and, where it is said, the scale of a key such as "d-moll", "Hm" or "sol mayor".

    Return nothing for any other text.
    """
    bare = _bare(text)
    if name := _name(bare):
        return name, ""
    for word, mode in _MODES.items():
        tonic = re.sub(rf"[ -]*{word}$", "", bare) if bare.endswith(word) else ""
        if tonic and (name := _name(tonic)):
            return name, mode
    tonic, _, rest = bare.partition(" ")
    scales = scale(rest) if rest else []
    return (_name(tonic), scales[0]) if scales and _name(tonic) else ("", "")


def scale(text: str) -> list[str]:
    """Return the scales that a name in another language may mean."""
    bare = _bare(text)
    if bare in _MODES:
        return [_MODES[bare]]
    words = [_WORDS.get(word, word) for word in re.split(r"[\s-]+", bare)]
    known = {frozenset(name.split()): name for name in SCALES}
    found = known.get(frozenset(" ".join(words).split()))
    if found:
        return [found]
    if set(words) in ({"pentatonic"}, {"blues"}):
        return [name for name in SCALES if words[0] in name.split()]
    return []


def chord(text: str) -> str:
    """Return the symbol of a chord written as "Hm7", "Fis" or "d-moll"; nothing if it is none."""
    tonic, mode = key(text)
    if tonic:
        return tonic + ("m" if mode == "minor" else "")
    found = re.fullmatch(r"([A-Ha-h](?:is|es|s|#|b)?)([^/]*)", text.strip()) if len(text) <= LONGEST else None
    name = _name(_bare(found[1])) if found else ""
    return f"{name}{found[2]}" if found and name else ""
