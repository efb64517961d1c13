"""Pseudonyms: what would say who a child is, is refused; ordinary words are not."""

import json
from types import SimpleNamespace

import pytest

from router.cli import main
from router.files import configuration, profile, pseudonym
from router.files.profile import shipped
from router.files.source import comments
from tests.shared.serving import serving

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


# --- remarks ----------------------------------------------------------------------------------------------------------

ASKED = [
    ("anna smiled", "a person's name"),
    ("Anna's mother came in", "a person's name"),
    ("today with Lena and the drum", "a person's name"),
    ("Frau Hoenig was there", "a person's name"),
    ("Mrs Appleby held the switch", "a person's name"),
    ("Herr M\u00fcller h\u00e4lt den Schalter", "a person's name"),
    ("K. Schmidt came", "a person's name"),
    ("Familie Brunnen", "a person's name"),
    ("Jos\u00e9 laughed", "a person's name"),
    ("born 2014", "a date of birth"),
    ("geb. 21.3.2014", "a date of birth"),
    ("her birthday is on the 4th", "a date of birth"),
    ("21.3.2014", "a date"),
    ("21. 3. 14", "a date"),
    ("2014-03-21", "a date"),
    ("03/21/2014", "a date"),
    ("21 March 2014", "a date"),
    ("M\u00e4rz 21, 2014", "a date"),
    ("room 12", "a room"),
    ("Zimmer 204, am Fenster", "a room"),
    ("bed 3b", "a room"),
    ("call 0171 2345678", "a telephone number"),
    ("tel. 555 0199", "a telephone number"),
    ("+49 30 123456", "a telephone number"),
    ("(030) 12 34 56", "a telephone number"),
    ("4812778", "a number of the hospital"),
    ("case no. 4812", "a number of the hospital"),
    ("MRN: K4812", "a number of the hospital"),
    ("mother@example.org", "an e-mail address"),
]

FREE = [
    *("baseline", "playing", "cue", "record", "record off", "goal reach +1", "goal hold -2", "rest", "effort", "end"),
    *(
        "smiled",
        "her brother sang along",
        "tired, stopped early",
        "Laughed at the low notes.",
        "more in 3/4, less in 6/8",
    ),
    *("84 bpm, then 96 bpm", "notes 60 62 64 65 67 69 71 72", "degrees 1, 2, 3, 5, 4, 3, 2, 1", "1-4-5 and 1-6-4-5"),
    *(
        "G-Dur, dann d-moll",
        "C# D# F# G#",
        "Ave Maria, slowly",
        "Peter and the Wolf: the wolf's horns",
        "Mary had a little lamb",
    ),
    *(
        "Hans im Gl\u00fcck",
        "the Goldberg Variations",
        "a Wagner overture",
        "Schumann's F\u00fcr kleine H\u00e4nde",
        "Bach in D minor, BWV 1043",
    ),
    *(
        "K. 545, first movement",
        "op. 68 no. 10",
        "the happy birthday song",
        "May was too fast, June better",
        "will rest; mark it",
    ),
    *(
        "0.4 inH2O on, 0.25 off",
        "full at 1200 Pa",
        "115200 baud",
        "440 Hz",
        "dwell 250 ms, hysteresis 10 %",
        "pressed 120 times in 10 min",
    ),
    *(
        "after 0.035 s",
        "rose, lily and robin played",
        "Gentle pressure from the cheek; tires after ten minutes.",
        "in the bed by the window",
    ),
    *(
        "Few presses, then 12 in a row",
        "press 3 of 10",
        "bars 12 to 16",
        "take 2",
        "rule 0 1 0 1 1 0 0 1",
        "version 1.2.0",
    ),
    *("Es sang der Sch\u00e4fer mit dem Chor", "the miller's song", "a smith's hammer on beat 2", "no king, no taylor"),
]


@pytest.mark.parametrize(("text", "like"), ASKED)
def test_a_remark_that_would_say_who_it_is_is_asked_about(text, like):
    assert pseudonym.in_text(text) == like


@pytest.mark.parametrize("child", ["robin", "martin", "jay", "rose", "deniz", "camille", "robin-b", "jay2"])
def test_a_child_with_a_common_first_name_is_warned_of_and_plays(tmp_path, child):
    path = tmp_path / f"{child}.yaml"
    text = (shipped() / "wren.yaml").read_text().replace("child: wren", f"child: {child}")
    path.write_text(text)
    [warning] = profile.check(path)
    assert warning.message == f'"child" is a common first name: "{child}"'
    assert text.splitlines()[warning.line - 1][warning.column - 1 :] == child
    assert profile.load(path).child == child
    path.write_text(text + "names_nobody: yes\n")
    assert profile.check(path) == []


@pytest.mark.parametrize(
    "child", ["wren", "little-owl", "robin-redbreast", "brown-owl-2", "kite3", "sea-eagle", "t-rex"]
)
def test_other_pseudonyms_are_not_warned_of(child):
    assert not pseudonym.a_first_name(child)


def test_no_example_of_ours_is_called_as_a_child_may_be():
    names = [path.stem for path in shipped().glob("**/*.yaml")]
    assert len(names) > 15
    assert [name for name in names if pseudonym.a_first_name(name)] == []
    assert len(pseudonym.FIRST | pseudonym.GIVEN) > 600
    assert not pseudonym.FIRST & pseudonym.GIVEN


@pytest.mark.parametrize(
    ("name", "like"),
    [
        ("anna-schmidt.yaml", "a person's name"),
        ("Anna Schmidt.yml", "a person's name"),
        ("wren 2014-03-21.yaml", "a date"),
        ("wren.lena.yaml", "a person's name"),
    ],
)
def test_a_file_that_is_called_as_a_child_is_warned_of(tmp_path, capsys, name, like):
    text = (shipped() / "wren.yaml").read_text()
    path = tmp_path / name
    path.write_text(text)
    assert main(["check", str(path)]) == 0
    said = capsys.readouterr().out
    assert f'{path}:1:1: warning: the file\'s name looks like {like}: "{name}"' in said
    assert f"{path}: fine, with a warning" in said
    path.write_text(text.replace("tempo: ", "tempi: "))
    assert main(["check", "--json", str(path)]) == 1
    (told,) = [each for each in json.loads(capsys.readouterr().out) if each.get("warning")]
    assert like in told["message"]


@pytest.mark.parametrize("name", ["wren.yaml", "wren-12.yaml", "Copy of wren.yaml", "little-owl.yml"])
def test_a_file_that_is_called_as_a_pseudonym_is_not(tmp_path, capsys, name):
    path = tmp_path / name
    path.write_text((shipped() / "wren.yaml").read_text())
    assert main(["check", str(path)]) == 0
    assert "file's name" not in capsys.readouterr().out


@pytest.mark.parametrize("text", FREE)
def test_ordinary_remarks_on_music_and_movement_are_free(text):
    assert pseudonym.in_text(text) is None


def test_what_comes_with_the_router_is_free():
    for path in shipped().glob("*.yaml"):
        assert profile.check(path) == []


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("about: ", "about: Anna, room 12. ", "this remark seems to hold a room"),
        ("about: ", "about: Born 3/2014. ", "this remark seems to hold a date of birth"),
        ("music:", "goals: {anna: {weight: 1}}\nmusic:", 'the name "anna" looks like a person\'s name'),
        ("music:", "goals: {reach: {about: for Lena}}\nmusic:", "this remark seems to hold a person's name"),
    ],
)
def test_a_profile_is_asked_about_and_can_say_that_it_names_nobody(tmp_path, old, new, says):
    text = (shipped() / "wren.yaml").read_text()
    assert old in text
    path = tmp_path / "wren.yaml"
    path.write_text(text.replace(old, new, 1))
    (problem,) = profile.check(path)
    assert says in problem.message
    assert "names_nobody: yes" in problem.hint
    path.write_text(path.read_text().replace("child: wren", "child: wren\nnames_nobody: yes", 1))
    assert profile.check(path) == []
    path.write_text(path.read_text().replace("child: wren", "child: anna", 1))
    assert "looks like a person's name" in str(profile.check(path)[0])  # of the pseudonym there is no doubt


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("child: wren", "# Anna, room 12\nchild: wren", "a room"),
        ("child: wren", "child: wren   # born 21.3.2014", "a date of birth"),
        ("music:", "\t# call the mother: 0171 2345678\nmusic:", "a telephone number"),
        ("inputs:", "inputs:  # for Lena Meier", "a person's name"),
    ],
)
def test_what_is_remarked_behind_a_sign_is_warned_of(tmp_path, old, new, says):
    """Whoever copies the file reads it; it goes into no record, so the profile plays."""
    text = (shipped() / "wren.yaml").read_text()
    assert old in text
    path = tmp_path / "wren.yaml"
    path.write_text(text.replace(old, new, 1))
    (problem,) = profile.load(path).warnings
    assert problem.message == f"this remark seems to hold {says}"
    assert problem.text[problem.column - 1] == "#"
    path.write_text(path.read_text().replace("child: wren", "names_nobody: yes\nchild: wren", 1))
    assert profile.check(path) == []


def test_a_sign_within_a_text_begins_no_remark():
    lines = [
        'about: "quiet # no remark of Anna"',
        "b: |",
        "  text # of Anna",
        "  more",
        "c: a#Anna",
        "d: 'it''s # Anna'  # this is one",
        "e: [C#4, D]# no space, so it is none",
    ]
    found = [(place.line, place.column, remark) for place, remark in comments(lines)]
    assert found == [(6, 20, "this is one")]


@pytest.mark.parametrize(
    "text", ["seats: {anna: {}}", "buttons: {lena: {device: {evdev: Keypad, key: KEY_1}, does: mark}}"]
)
def test_seats_and_buttons_are_asked_about(tmp_path, text):
    path = tmp_path / "router.yaml"
    path.write_text(f"configuration: 1\n{text}\n")
    (problem,) = configuration.check(path)
    assert "looks like a person's name" in problem.message
    path.write_text(f"configuration: 1\nnames_nobody: yes\n{text}\n")
    assert configuration.check(path) == []


def test_marks_are_asked_about_before_they_are_kept(tmp_path, capsys, monkeypatch):
    kept = []

    def answer(request, reply):
        kept.append(request["text"])
        reply({"ok": True})

    path = tmp_path / "control"
    with serving(path, answer):
        assert main(["mark", "anna", "smiled", "--socket", str(path)]) == 1
        assert "seems to hold a person's name. Is it?" in capsys.readouterr().err
        assert kept == []
        assert main(["mark", "anna", "smiled", "--names-nobody", "--socket", str(path)]) == 0
        assert main(["mark", "smiled", "--socket", str(path)]) == 0
        assert kept == ["anna smiled", "smiled"]
        monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: True))
        for said, status in (("n", 1), ("y", 0)):
            monkeypatch.setattr("builtins.input", lambda _, said=said: said)
            assert main(["mark", "ask", "lena", "--socket", str(path)]) == status
        assert kept == ["anna smiled", "smiled", "ask lena"]


def test_marks_of_a_trace_are_asked_about_before_they_are_taken_into_a_log(tmp_path, capsys):
    trace, log = tmp_path / "t.jsonl", tmp_path / "log.jsonl"
    trace.write_text('{"trace": 1}\n{"t": 1.5, "mark": "tel. 555 0199"}\n{"t": 2, "mark": "cue"}\n')
    words = ["play", str(trace), "--profile", "wren", "--log", str(log)]
    assert main(words) == 1
    assert "the mark at 1.5 s seems to hold a telephone number" in capsys.readouterr().err
    assert not log.exists()
    assert main(words[:4]) == 0  # nothing is kept
    assert main([*words, "--names-nobody"]) == 0
    assert "555" in log.read_text()
