"""Signs that a child's pseudonym, or a remark, tells who it is: a name, a date of birth, a number of the hospital.

Nothing here can know every name, and an ordinary word must stay free: so the lists are short and hold only what is a
common name and no word, bird or plant. A pseudonym may have a number of up to four digits (``wren-12``).
"""

from __future__ import annotations

import re
import unicodedata
from itertools import pairwise

HINT = (
    "Whoever finds a record would know whose it is. Choose a pseudonym, such as wren or little-owl, and keep the list"
    " of who is who on paper, locked away."
)


def _words(text: str) -> frozenset[str]:
    return frozenset(re.findall("[a-z]+", text))


GIVEN = _words("""
    adam ahmed aisha alexander ali alice amelia amina anastasia andrea andreas andrew anna anne annika anthony antonio
    barbara benjamin bernd brigitte carlos carmen catherine charlotte christian christina christopher claudia daniel
    david diana dmitri dorothy edward elena elias elizabeth ella emily emma erik eva fatima felix fernando finn florian
    francesca francesco francisco franziska frieda friedrich gabriel george georgia giovanni giulia giuseppe hamza hanna
    hannah hans hassan heinrich helena henry hiroshi hussein ibrahim ines ingrid isabel isabella ivan jacob jakob james
    jan jana jennifer jessica johann johanna johannes john jonas jonathan jose josef joseph joshua juan julia juliane
    karin karl karolina katarina katharina kevin khadija klaus lars laura lena leonie lisa lucas luca luis luisa lukas
    magdalena manuel marco margaret maria mariam marie mario marta martha mary maryam matteo matthew matthias maximilian
    mehmet melanie mia michael miguel mikhail mohamed mohammed monika muhammad mustafa nadia natalia nathan nicholas
    nicole nikolai nina noah olga oliver olivia omar oskar paolo patricia paul paula pedro peter petra philipp pierre
    rachel rafael raphael rebecca richard robert roberto samuel sandra sarah sebastian sergei simon sofia sophia sophie
    stefan stefanie stephanie steven susan susanne svetlana tatiana teresa theodor theresa thomas tobias tomas ursula
    valentina vanessa veronica victoria vincent vladimir walter wilhelm wolfgang yasmin yusuf zainab zeynep
""")
"""Common given names of several languages that are nothing else."""

FIRST = _words("""
    aaron abdullah abigail adele adrian agathe agnes aiden alan albert alejandra alejandro alex alexandre alfie alfred
    alina alma alvaro amal amanda amber amir amira amy andre angel angela anke anouk anton antoine april ariel arlo
    arthur ashley asya august aurelie austin autumn ava axel ayse baptiste basil bashir beatrice bella ben bill bilal
    birgit blake bob brandon brian brigid brooke bruno burak callum camila camille can carla carol caroline carter
    catalina cedric celine chantal charles charlie chase chloe clara clark claude clement connor conor cooper craig
    daisy damien danny daphne dawn dean defne deniz dennis derek diego dieter dilara dolores dominic donna doris doug
    drew duncan dylan earl ebru eddie edgar edith eileen elif eli elise ellen elliot eloise elsa emil emilia emilie
    emine emre enrique enzo eren eric ernest esra esther ethan etienne eugene evan eve evelyn evie ezra faith farah
    faruk fatih fatma faye fern fiona frank frankie fred freddie freya fritz gabin gary gemma genevieve georg gerard
    gerhard ginger gloria gonzalo grace greta guillaume gustav guy hailey hakan halima harper harry harvey hatice hazel
    heather hector heidi heike helga helmut henri hillary holly hope horst howard hugo hunter ian ida ilse imran inga
    irene iris isaac isla ismail ivy jack jade jake jamal jasmin jasmine jason jasper javier jay jayden jean jeff jeremy
    jerry jesse jim joan joe joel jorge joy joyce jude judith jules julian juliette june juergen justin kamal karim kate
    keith kelly kenneth kerem khalid kim kirsten klara kurt kyle kylie layla lea leila leo leon leonardo liam lily lina
    linda lindsay logan lola lorenzo lotte louis louise lucia lucie lucy luna lydia mabel madison mahmoud maja malik
    malte mandy manon mark marlene martin mason mateo mathilde matilda maurice max maxime may megan melissa merle merve
    mila miles milo miriam miro mohammad molly mona moritz murat nabil nancy natalie neil nelson nico nicolas niklas
    noel noor nora norman nour olive ollie oscar otto owen pablo pamela parker pat patrick paulina pearl penny philip
    phoebe phoenix pilar piper poppy quentin quinn rainer ralf ramon rana rania rashid raul ravi ray rayan reza ricardo
    riley rita rob robin rocio roger romain ron rory rosa rose rosie ross roxane roy ruben ruby rudolf russell ruth ryan
    sabine sabrina salma sam sami samir sandy santiago sara savannah scarlett scott sean selim selin selma serena sergio
    seth shane sharon shirley sidney sienna silke silvia sky skye solange sonia stella stuart sumaya summer susie sven
    sylvie tamara tanja tara tariq taylor ted terry thea theo thibault tilda tim timothy tina toby tom tommy tony travis
    trinity tristan troy tyler ulrich ute uwe valerie vera vicky victor viola violet virginia wanda ward wayne wendy
    werner will willow wim xavier ximena yara yasin yigit yolanda yunus yves yvonne zac zahra zara zehra zoe
""")
"""Common given names of English, German, French, Spanish, Turkish and Arabic, many of them words, birds or plants too.

Our own list of common knowledge, no source. A pseudonym that is one is asked about, not refused.
"""

FAMILY = _words("""
    ahmed ali andersen andersson becker bernard bianchi clarke costa davies davis diaz dubois durand esposito evans
    fernandez ferrari fischer fuchs garcia gomez gonzalez hansen harris hernandez hoffmann hofmann horvat hughes ivanov
    jackson jansen jensen johansson johnson jones kaya khan kim kowalski kozlov kumar larsen lefebvre lewis lopez maier
    martinez mayer meier meyer moreau mueller muller murphy nagy nguyen nielsen nilsson novak olsen patel perez petersen
    petrov popov ramirez ricci richter robinson rodriguez romano rossi russo sanchez santos schaefer schmid schmidt
    schmitt schneider schroeder schulz schwarz silva singh smirnov smith sokolov taylor thompson torres tremblay wagner
    weber williams wilson wolff wright yilmaz zimmermann
""")
"""Common family names; beside another word they make a name."""

TITLES = frozenset(
    [
        "mr",
        "mrs",
        "ms",
        "miss",
        "mister",
        "frau",
        "herr",
        "dr",
        "doctor",
        "family",
        "familie",
        "fam",
        "madame",
        "monsieur",
        "senor",
        "senora",
        "signora",
    ]
)
"""A word with a capital after one of these is a person's name."""

TO_SAY_NO = "names_nobody"
"""The setting of a profile or a configuration by which somebody says that a text names nobody, although it looks as
if."""

FIRST_NAME = (
    "Is it hers or his? Then choose another, such as wren or little-owl: every record goes by it. If it names nobody, "
    'write "names_nobody: yes" on a line of its own at the left edge.'
)

REMARK = (
    'Is it? What is written here stays in the record. Leave it out; or, if it is none, write "names_nobody: yes" on a'
    " line of its own at the left edge."
)

COMMENT = (
    "Whoever copies this file sees it. Leave it out; or, if it says nothing of the kind, write "
    '"names_nobody: yes" on a line of its own at the left edge.'
)

MUSICAL = frozenset({
    *("ave maria", "peter and the wolf", "peter und der wolf", "mary had a little lamb", "john cage", "johann strauss"),
    *("johann sebastian", "michael row", "george gershwin", "robert schumann", "clara schumann", "richard wagner"),
    *("hans im gl\u00fcck", "david bowie", "john williams", "john lennon", "paul mccartney", "george harrison"),
    *("maria durch", "magdalena bach", "wolfgang amadeus", "anna magdalena", "lucy in the sky", "philip glass"),
    *("oh susanna", "elton john", "michael jackson", "bob marley", "joseph haydn", "peter tchaikovsky"),
    *("stevie wonder", "simon and garfunkel"),
})  # fmt: skip
"""Titles and musicians that remarks on music name; from memory, and only so that fewer questions are asked."""

_MONTHS = (
    "jan(?:uary|uar)?|feb(?:ruary|ruar)?|mar(?:ch)?|m\u00e4rz|apr(?:il)?|mai|may|june?|juni"
    "|july?|juli|aug(?:ust)?|sept?(?:ember)?|o[ck]t(?:ober)?|nov(?:ember)?|de[cz](?:ember)?"
)
_TEXT_DATE = re.compile(
    r"(?<![\d.])(?:"
    r"(?:0?[1-9]|[12]\d|3[01])\.[ ]?(?:0?[1-9]|1[0-2])\.[ ]?(?:(?:19|20)?\d\d)(?!\d)"  # 21.3.2014, 21. 3. 14
    r"|(?:0?[1-9]|[12]\d|3[01])[/-](?:0?[1-9]|[12]\d|3[01])[/-](?:19|20)\d\d(?!\d)"  # 3/21/2014
    r"|(?:19|20)\d\d[-/.](?:0?[1-9]|1[0-2])[-/.](?:0?[1-9]|[12]\d|3[01])(?!\d)"  # 2014-03-21
    rf"|(?:0?[1-9]|[12]\d|3[01])(?:st|nd|rd|th|\.)?[ ](?:of[ ])?(?:{_MONTHS})\.?,?[ ](?:19|20)\d\d"
    rf")|\b(?:{_MONTHS})\.?[ ](?:0?[1-9]|[12]\d|3[01])(?:st|nd|rd|th)?,?[ ](?:19|20)\d\d",
    re.IGNORECASE,
)
_BORN = re.compile(
    r"\b(?:born|birthday|date of birth|dob|geb(?:oren)?|geburtstag|geburtsdatum)\b[^\n]{0,20}?\d", re.IGNORECASE
)
_ROOM = re.compile(
    r"\b(?:room|zimmer|ward|bed|bett|chambre)\s*(?:no\.?|nr\.?|number|nummer|#|:)?\s*[a-z]?\d", re.IGNORECASE
)
_TELEPHONE = re.compile(
    r"\b(?:tel|phone|telephone|telefon|mobile|handy|call|fon|whatsapp)\b\D{0,12}\d(?:[ ()/.-]{0,2}\d){4,}"
    r"|(?<![\w.,])(?:\+\d|\(?0[1-9])(?:[ ()/.-]{0,2}\d){5,}(?!\w)(?!\s*(?:k?hz|bpm|ms|pa|baud))",
    re.IGNORECASE,
)
_NUMBER = re.compile(
    r"(?<![\w.,])\d{6,}+(?![\w.,]*\s*(?:k?hz|bpm|ms|s|pa|baud)\b)|\b(?:patient|case|mrn|fall|fallnummer|aktenzeichen|insurance)\b\W{0,3}"
    r"(?:no|nr|number|nummer|id)?\W{0,3}[a-z]?-?\d{3,}",
    re.IGNORECASE,
)
_MAIL = re.compile(r"[^\s@]{1,64}@[^\s@]{1,255}\.[a-z]{2,}", re.IGNORECASE)  # lengths of RFC 5321, 4.5.3.1

_DATE = re.compile(
    r"(?<!\d)(?:(?:19|20)\d\d(-?)(?:0?[1-9]|1[0-2])\1(?:0?[1-9]|[12]\d|3[01])|\d{1,2}-\d{1,2}-(?:19|20)?\d\d)(?!\d)"
)


def wrong(child: str) -> str | None:
    """Say what forbidden thing the pseudonym looks like; None if it may stand. Its spelling is not checked here."""
    if _DATE.search(child):
        return "a date"
    if sum(map(str.isdigit, child)) > 4:
        return "a number of the hospital, or a date"
    words = [word for word in re.split(r"[^a-z]+", child.casefold()) if word]
    if any(word in GIVEN for word in words) or (len(words) > 1 and any(word in FAMILY for word in words)):
        return "a person's name"
    return None


def a_first_name(child: str) -> bool:
    """Tell whether a pseudonym is a common first name, alone or with a number or an initial: robin, robin-2, robin-b.

    With another word it is none: robin-redbreast.
    """
    words = [word for word in re.split(r"[^a-z]+", child.casefold()) if word]
    return bool(words) and words[0] in FIRST and all(len(word) == 1 for word in words[1:])


def in_text(text: str) -> str | None:
    """Say what a remark for people seems to hold that must not stay on record; None if it may stand.

    The author is only asked about it, so this may find too much; but remarks on music and movements should pass.
    """
    for what, pattern in (
        ("an e-mail address", _MAIL),
        ("a date of birth", _BORN),
        ("a date", _TEXT_DATE),
        ("a room", _ROOM),
        ("a telephone number", _TELEPHONE),
        ("a number of the hospital", _NUMBER),
    ):
        if pattern.search(text):
            return what
    return "a person's name" if _names_somebody(text) else None


def _names_somebody(text: str) -> bool:
    spelt = unicodedata.normalize("NFC", text).translate(_SPELT)
    bare = "".join(c for c in unicodedata.normalize("NFKD", spelt) if not unicodedata.combining(c))
    plain = " ".join(re.findall("[^\\W\\d_]+", unicodedata.normalize("NFC", text).casefold()))
    for known in MUSICAL:
        if known in plain:
            bare = re.sub(re.sub(r"[^a-z ]", ".{1,2}", known).replace(" ", r"\W+"), " ", bare, flags=re.IGNORECASE)
    words = re.findall("[A-Za-z]+", bare)
    if any(word.casefold() in GIVEN for word in words):
        return True
    return any(
        word[0].isupper()
        and ((before.casefold() in TITLES) or (word.casefold() in FAMILY and len(before) == 1 and before.isupper()))
        for before, word in pairwise(words)
    )


_SPELT = str.maketrans(
    {"\u00e4": "ae", "\u00f6": "oe", "\u00fc": "ue", "\u00df": "ss", "\u00d6": "Oe", "\u00c4": "Ae", "\u00dc": "Ue"}
)
