"""Whether a child's pseudonym would tell who it is: a name, a date of birth, a number of the hospital.

Nothing here can know every name, and an ordinary word must stay free: so the lists are short and hold only what is a
common name and no word, bird or plant. A pseudonym may have a number of up to four digits (``wren-12``).
"""

from __future__ import annotations

import re

HINT = (
    "Whoever finds a record would know whose it is. Choose a pseudonym, such as wren or little-owl, and keep the list of who "
    "is who on paper, locked away."
)


def _words(text: str) -> frozenset[str]:
    return frozenset(re.findall("[a-z]+", text))


GIVEN = _words("""
    adam ahmed aisha alexander ali alice amelia amina anastasia andrea andreas andrew anna anne annika anthony antonio
    barbara benjamin bernd brigitte carlos carmen catherine charlotte christian christina christopher claudia daniel david
    diana dmitri dorothy edward elena elias elizabeth ella emily emma erik eva fatima felix fernando finn florian francesca
    francesco francisco franziska frieda friedrich gabriel george georgia giovanni giulia giuseppe hamza hanna hannah hans
    hassan heinrich helena henry hiroshi hussein ibrahim ines ingrid isabel isabella ivan jacob jakob james jan jana jennifer
    jessica johann johanna johannes john jonas jonathan jose josef joseph joshua juan julia juliane karin karl karolina
    katarina katharina kevin khadija klaus lars laura lena leonie lisa lucas luca luis luisa lukas magdalena manuel marco
    margaret maria mariam marie mario marta martha mary maryam matteo matthew matthias maximilian mehmet melanie mia
    michael miguel mikhail mohamed mohammed monika muhammad mustafa nadia natalia nathan nicholas nicole nikolai nina noah
    olga oliver olivia omar oskar paolo patricia paul paula pedro peter petra philipp pierre rachel rafael raphael rebecca
    richard robert roberto samuel sandra sarah sebastian sergei simon sofia sophia sophie stefan stefanie stephanie steven
    susan susanne svetlana tatiana teresa theodor theresa thomas tobias tomas ursula valentina vanessa veronica victoria
    vincent vladimir walter wilhelm wolfgang yasmin yusuf zainab zeynep
""")
"""Common given names of several languages that are nothing else."""

FAMILY = _words("""
    ahmed ali andersen andersson becker bernard bianchi clarke costa davies davis diaz dubois durand esposito evans
    fernandez ferrari fischer fuchs garcia gomez gonzalez hansen harris hernandez hoffmann hofmann horvat hughes ivanov
    jackson jansen jensen johansson johnson jones kaya khan kim kowalski kozlov kumar larsen lefebvre lewis lopez
    maier martinez mayer meier meyer moreau mueller muller murphy nagy nguyen nielsen nilsson novak olsen
    patel perez petersen petrov popov ramirez ricci richter robinson rodriguez romano rossi russo sanchez santos schaefer
    schmid schmidt schmitt schneider schroeder schulz schwarz silva singh smirnov smith sokolov taylor thompson torres
    tremblay wagner weber williams wilson wolff wright yilmaz zimmermann
""")
"""Common family names; beside another word they make a name."""

_DATE = re.compile(
    r"(?<!\d)(?:(?:19|20)\d\d(-?)(?:0?[1-9]|1[0-2])\1(?:0?[1-9]|[12]\d|3[01])|\d{1,2}-\d{1,2}-(?:19|20)?\d\d)(?!\d)"
)


def wrong(child: str) -> str | None:
    """What the pseudonym looks like that it must not be; None if it may stand. It may be spelled as no pseudonym is."""
    if _DATE.search(child):
        return "a date"
    if sum(map(str.isdigit, child)) > 4:
        return "a number of the hospital, or a date"
    words = [word for word in re.split(r"[^a-z]+", child.casefold()) if word]
    if any(word in GIVEN for word in words) or (len(words) > 1 and any(word in FAMILY for word in words)):
        return "a person's name"
    return None
