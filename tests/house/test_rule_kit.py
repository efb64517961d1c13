"""The proof of rules: every built-in rule passes, and each way
of breaking a rule is caught by the check meant for it.
"""

from __future__ import annotations

import importlib.util
import itertools
import sys

import pytest

from router.core.events import NoteOff, NoteOn, Press, Release, SwitchSample
from router.core.rules import RULES
from router.testing import (
    RuleFault,
    RuleUnderTest,
    check_rule,
    examples,
    plan_rule,
    proof,
    timelines,
    trials,
)
from router.testing.calls import count_steps
from router.testing.checks import LATENESS

SOUND = '''"""Each press plays a note, and the note an octave above it a little later.

On press the note begins, after ``delay`` the octave; on release both end.

Example::

    rules:
      - echo: {pitch: 60, delay: 100 ms}

That is all.
"""

from router.rule import Kind, NoteOff, NoteOn, Rule


class Echo(Rule):
    name = "echo"
    takes = Kind.GESTURES
    gives = Kind.NOTES
    settings = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "pitch": {"quantity": "pitch", "default": "C4", "description": "the note"},
            "delay": {"quantity": "time", "default": "100 ms", "description": "how much later the octave begins"},
            "kind": {"enum": ["plain", "odd"], "default": "plain", "description": "nothing at all"},
        },
    }

    def __init__(self, settings, context):
        super().__init__(settings, context)
        self._pitch, self._delay, self._kind = settings["pitch"], settings["delay"], settings["kind"]
        self._later = {}

    def press(self, press, now):
        self._later[press.voice] = self.context.new_voice()
        self.context.alarm.at(now + self._delay, press.voice)
        return [NoteOn(press.voice, self._pitch)]

    def release(self, release, now):
        later = self._later.pop(release.voice, None)
        self.context.alarm.cancel(release.voice)
        return [NoteOff(release.voice), *([NoteOff(later)] if later else [])]

    def wake(self, now, tag):
        return [NoteOn(self._later[tag], self._pitch + 12)]

    def let_go(self, now):
        later, self._later = self._later, {}
        for voice in later:
            self.context.alarm.cancel(voice)
        return [NoteOff(voice) for voice in later.values()]
'''
"""A rule that keeps its contract; each fault below is one edit of it."""

_numbers = itertools.count()


@pytest.fixture
def rule_of(tmp_path, monkeypatch):
    """Makes a rule of the text of its file."""

    def make(source: str):
        path = tmp_path / f"echo_{next(_numbers)}.py"
        path.write_text(source, encoding="utf-8")
        spec = importlib.util.spec_from_file_location(path.stem, path)
        module = importlib.util.module_from_spec(spec)
        monkeypatch.setitem(sys.modules, path.stem, module)
        spec.loader.exec_module(module)
        return module.Echo

    return make


@pytest.mark.parametrize("name", RULES)
def test_every_rule_keeps_the_contract(name):
    check_rule(RULES[name])


def test_a_sound_rule_passes(rule_of):
    check_rule(rule_of(SOUND))


WAKE = "        return [NoteOn(self._later[tag], self._pitch + 12)]\n"
FIRST = "        return [NoteOn(press.voice, self._pitch)]\n"
CLASS = "class Echo(Rule):\n"
AGAIN = "        self.context.alarm.at(now + self._delay, 0)\n"
FORTIETH = (
    "        self._ends += 1\n        if self._ends % 40 == 0:\n            return [NoteOff(later)] if later else []\n"
)

# what is broken: the check that must find it, what it must say, and the edits (old, new).
FAULTS = {
    "ended by a rule that wants to leave": (
        "cause",
        "it raises SystemExit",
        (FIRST, "        raise SystemExit(0)\n"),
    ),
    "sounding on after the last release": (
        "ends",
        "it goes on to begin notes",
        (
            "        return [NoteOff(release.voice), *([NoteOff(later)] if later else [])]",
            AGAIN + "        return [NoteOff(release.voice), *([NoteOff(later)] if later else [])]",
        ),
        (
            WAKE,
            "        if tag == 0:\n            self.context.alarm.at(now + 10**9, 0)\n"
            "            voice = self.context.new_voice()\n            return [NoteOn(voice, 60), NoteOff(voice)]\n"
            + WAKE,
        ),
        ("        for voice in later:\n", "        self.context.alarm.cancel(0)\n        for voice in later:\n"),
    ),
    "an end that is swallowed every fortieth time": (
        "lasting",
        "are still on",
        ("        self._later = {}\n", "        self._later = {}\n        self._ends = 0\n"),
        (
            "        later = self._later.pop(release.voice, None)\n",
            "        later = self._later.pop(release.voice, None)\n" + FORTIETH,
        ),
        (
            "        return [NoteOff(voice) for voice in later.values()]",
            "        self._ends = 0\n        return [NoteOff(voice) for voice in later.values()]",
        ),
    ),
    "a leak at the seven hundredth": (
        "lasting",
        "are still on",
        ("        self._later = {}\n", "        self._later = {}\n        self._all = 0\n"),
        (
            FIRST,
            "        self._all += 1\n        if self._all == 700:\n"
            "            return [NoteOn(press.voice, self._pitch), NoteOn(self.context.new_voice(), 90)]\n" + FIRST,
        ),
    ),
    "raising at the thousandth call": (
        "lasting",
        "it raises OverflowError",
        ("        self._later = {}\n", "        self._later = {}\n        self._all = 0\n"),
        (
            FIRST,
            "        self._all += 1\n        if self._all == 1000:\n            raise OverflowError('x')\n" + FIRST,
        ),
    ),
    "memory that is kept": (
        "lasting",
        "it keeps more and more",
        ("        self._later = {}\n", "        self._later = {}\n        self._all = []\n"),
        (FIRST, "        self._all.append(now)\n" + FIRST),
    ),
    "memory that the class keeps": (
        "lasting",
        "it keeps more and more",
        (CLASS, CLASS + "    everything = {}\n"),
        (FIRST, "        self.everything[press.voice] = press\n" + FIRST),
    ),
    "memory that a function keeps": (
        "lasting",
        "it keeps more and more",
        (CLASS, "def seen(press, all=[]):\n    all.append(press)\n\n\n" + CLASS),
        (FIRST, "        seen(press)\n" + FIRST),
    ),
    "deadlines that pile up": (
        "lasting",
        "never takes them back",
        ("        self._later = {}\n", "        self._later = {}\n        self._all = 0\n"),
        (FIRST, "        self._all += 1\n        self.context.alarm.at(now + 10**18, -self._all)\n" + FIRST),
        (
            "        for voice in later:\n",
            (
                "        for number in range(self._all):\n            self.context.alarm.cancel(-number - 1)\n     "
                "   for voice in later:\n"
            ),
        ),
    ),
    "settings that are changed": (
        "cause",
        "does not support item assignment",
        ("        self._later = {}\n", "        self._later = {}\n        self._settings = settings\n"),
        (FIRST, '        self._settings["pitch"] = 61\n' + FIRST),
    ),
    "what another rule shares": (
        "cause",
        "it changes 'turn' in context.shared",
        (FIRST, '        self.context.shared["turn"] = False\n' + FIRST),
    ),
    "what all rules share, put aside": (
        "cause",
        "in place of context.shared",
        (FIRST, "        self.context.shared = {}\n" + FIRST),
    ),
    "a velocity beyond all": ("cause", "cannot give NoteOn", (FIRST, FIRST.replace("_pitch)", "_pitch, 10**9)"))),
    "a velocity below all": ("cause", "cannot give NoteOn", (FIRST, FIRST.replace("_pitch)", "_pitch, -7)"))),
    "a velocity that is none": ("cause", "cannot give NoteOn", (FIRST, FIRST.replace("_pitch)", "_pitch, True)"))),
    "a pitch that is none": ("cause", "cannot give NoteOn", (FIRST, FIRST.replace("self._pitch)", "True)"))),
    "settings that are open": (
        "settings",
        "not closed",
        ('        "additionalProperties": False,\n', ""),
    ),
    "a setting without description": (
        "settings",
        '"kind" has no description',
        (', "description": "nothing at all"', ""),
    ),
    "a default that is not allowed": ("settings", 'default of "kind"', ('"default": "plain"', '"default": "queer"')),
    "an unknown quantity": ("settings", 'unknown quantity "span"', ('"quantity": "time"', '"quantity": "span"')),
    "settings that are no schema": ("settings", "no JSON Schema", ('"type": "object"', '"type": "thing"')),
    "a name with capitals": ("settings", "lower-case letters", ('name = "echo"', 'name = "Echo!"')),
    "nothing is taken": ("settings", "takes nothing", ("takes = Kind.GESTURES", "takes = Kind(0)")),
    "no example": ("example", 'no "Example::"', ("Example::", "Thus:")),
    "an example of another rule": ("example", "not in its own example", ("- echo: {pitch", "- note: {pitch")),
    "an example that is no YAML": ("example", "no profile text", ("- echo: {pitch: 60,", "- echo: {pitch: 60")),
    "an example with an unknown setting": ("example", "not valid", ("{pitch: 60, delay", "{pich: 60, delay")),
    "an example without a unit": ("example", "needs a unit", ("delay: 100 ms}", "delay: 100}")),
    "reading a clock": (
        "imports",
        "may not import time",
        ("from router.rule", "import time\nfrom router.rule"),
    ),
    "unseeded chance": (
        "imports",
        "may not import random",
        ("from router.rule", "import random\nfrom router.rule"),
    ),
    "another rule": (
        "imports",
        "router.core.rules.note",
        ("from router.rule", "from router.core.rules.note import NoteRule\nfrom router.rule"),
    ),
    "reading a file": ("imports", "open()", (WAKE, '        open("x").close()\n' + WAKE)),
    "sounding before a cause": (
        "cause",
        "before anything has happened",
        ("        self._later = {}\n", "        self._later = {}\n        context.alarm.at(0)\n"),
        (WAKE, "        return [NoteOn(1, 60)]\n"),
    ),
    "a voice of its own invention": (
        "cause",
        "a voice that nobody began",
        ("self.context.new_voice()", "press.voice + 7"),
        (
            "        return [NoteOn(press",
            "        return [NoteOn(press.voice + 9, 70), NoteOff(press.voice + 9), NoteOn(press",
        ),
    ),
    "levels that are swallowed": (
        "passing",
        "should pass unchanged",
        (WAKE, WAKE + "\n    def level(self, level, now):\n        return ()\n"),
    ),
    "raising on a stray release": ("robustness", "KeyError", (".pop(release.voice, None)", ".pop(release.voice)")),
    "nothing is returned": ("cause", "TypeError", (FIRST, "        return None\n")),
    "an impossible note": ("cause", "cannot give NoteOn", (FIRST, "        return [NoteOn(press.voice, 300)]\n")),
    "something that is no event": ("cause", "cannot give 'note'", (FIRST, '        return ["note"]\n')),
    "waking without end": (
        "cause",
        "without end",
        (WAKE, "        self.context.alarm.at(now, tag)\n        return ()\n"),
    ),
    "an octave that never ends": ("ends", "are still on", ("*([NoteOff(later)] if later else [])", "")),
    "an octave that begins after the end": (
        "cause",
        "KeyError",
        ("        self.context.alarm.cancel(release.voice)\n", ""),
    ),
    "a voice lost by a second press": (
        "double presses",
        "stay on",
        (
            "        self._later[press.voice] = self",
            (
                "        again = [self.context.new_voice()] if press.voice in self._later else []\n        "
                "self._later[press.voice] = self"
            ),
        ),
        (FIRST, "        return [NoteOn(press.voice, self._pitch), *(NoteOn(voice, 90) for voice in again)]\n"),
    ),
    "letting go of nothing": (
        "letting go",
        "stay on though nobody holds them",
        ("        return [NoteOff(voice) for voice in later.values()]", "        return ()"),
    ),
    "a deadline that is left": (
        "letting go",
        "a deadline is still set",
        ("        for voice in later:\n            self.context.alarm.cancel(voice)\n", ""),
        ("self._later[tag], self._pitch + 12)]", "self._later[tag], self._pitch + 12)] if tag in self._later else ()"),
    ),
    "sounding because the tempo changes": (
        "another music",
        "before anything has happened",
        (WAKE, WAKE + "\n    def beat_changed(self, now):\n        return [NoteOn(self.context.new_voice(), 60)]\n"),
    ),
    "a voice lost by another chord": (
        "another music",
        "are still on at the end",
        (
            WAKE,
            WAKE
            + "\n    def music_changed(self, now):\n"
            + "        self._later = {voice: self.context.new_voice() for voice in self._later}\n        return ()\n",
        ),
    ),
    "memory shared by all instances": (
        "repeatability",
        "does not give the same events",
        (CLASS, CLASS + "    presses = []\n"),
        (
            FIRST,
            "        self.presses.append(now)\n        return [NoteOn(press.voice, 40 + len(self.presses) % 50)]\n",
        ),
    ),
    "more and more to do": (
        "work",
        "more and more",
        ("        self._later = {}\n", "        self._later = {}\n        self._all = 0\n"),
        (FIRST, "        self._all += 1\n        for _ in range(self._all):\n            pass\n" + FIRST),
    ),
    "far too much to do": (
        "work",
        "steps of the interpreter",
        (FIRST, "        for _ in range(20_000 if press.voice == 200 else 0):\n            pass\n" + FIRST),
    ),
    "sleeping": (
        "coming back",
        "a call does not come back within 2 s",
        ("from router.rule", "from collections import _sys\nimport heapq, types\nfrom router.rule"),
        (FIRST, "        __builtins__['__import__']('time').sleep(3600)\n" + FIRST),
    ),
    "a call into C that never comes back": (
        "coming back",
        "a call does not come back within 2 s",
        ("from router.rule", "import itertools\nfrom router.rule"),
        (FIRST, "        sum(itertools.count())\n" + FIRST),
    ),
    "a loop without end that catches everything": (
        "coming back",
        "a call does not come back within 2 s",
        (
            FIRST,
            (
                "        while True:\n            try:\n                len(())\n            except "
                "BaseException:\n                pass\n"
            ),
        ),
    ),
    "ending the process": (
        "coming back",
        "it ends the whole program",
        ("from router.rule", "from collections import _sys\nfrom router.rule"),
        (FIRST, "        _sys.modules['os']._exit(0)\n" + FIRST),
    ),
    "taking all memory": (
        "cause",
        "MemoryError",
        (FIRST, "        self._all = bytearray(10**10)\n" + FIRST),
    ),
    "a loop without end": (
        "coming back",
        "does not come back",
        (
            FIRST,
            (
                "        while True:\n            try:\n                pass\n            except Exception:\n      "
                "          pass\n"
            ),
        ),
    ),
    "events without end": (
        "cause",
        "more than 1000 events",
        (
            FIRST,
            (
                "        return self._all(press)\n\n    def _all(self, press):\n        while True:\n            "
                "yield press\n"
            ),
        ),
    ),
    "a method of another shape": (
        "settings",
        "release cannot be called",
        ("def release(self, release, now)", "def release(self, release)"),
    ),
    "no manual": ("settings", "no manual", (SOUND[: SOUND.index("from router")], "")),
    "settings that fetch something": (
        "settings",
        '"$ref"',
        ('{"enum": ["plain", "odd"], ', '{"$ref": "https://example.org/kind.json", "enum": ["plain", "odd"], '),
    ),
    "a default that is no time": ("settings", "needs a unit", ('"default": "100 ms"', '"default": "100"')),
    "a fault in one choice only": (
        "cause",
        "with {'pitch': 60, 'delay': '100 ms', 'kind': 'odd'}",
        (FIRST, '        if self._kind == "odd":\n            raise ValueError("odd")\n' + FIRST),
    ),
}


IN_ANOTHER_KEY = {
    "raises": ("if note.instead is not None:\n            raise KeyError(note.voice)", "it raises KeyError"),
    "ignores": ("note = replace(note, instead=None)", "strikes a note as if the child had made an effort"),
    "ends": ("if note.instead is not None:\n            return []", "it lets it end"),
    "names a voice of nobody's": ("note = replace(note, instead=note.instead and 77)", "that the rule never began"),
}
"""What a rule may do wrong with ``NoteOn.instead``, and what is said of it."""

PASSES = (
    SOUND[: SOUND.index("class Echo")].replace("    rules:\n", "    rules:\n      - note: {degree: 1}\n")
    + """from dataclasses import replace


class Echo(Rule):
    name = "echo"
    takes = Kind.NOTES
    settings = {"type": "object", "additionalProperties": False, "properties": {}}

    def note_on(self, note, now):
        pass
        return [note]
"""
).replace("{pitch: 60, delay: 100 ms}", "{}")


def test_what_passes_notes_on_as_they_are_keeps_the_contract(rule_of):
    check_rule(rule_of(PASSES))


@pytest.mark.parametrize("wrong", IN_ANOTHER_KEY)
def test_what_is_wrong_in_another_key_is_caught(rule_of, wrong):
    does, says = IN_ANOTHER_KEY[wrong]
    with pytest.raises(RuleFault) as caught:
        check_rule(rule_of(PASSES.replace("        pass\n", f"        {does}\n")))
    assert caught.value.check == "another key"
    assert says in str(caught.value)
    assert caught.value.moment.voice == 2
    assert caught.value.moment.time > 0


LOOPER = (
    SOUND[: SOUND.index("class Echo")]
    .replace("    rules:\n", "    rules:\n      - note: {degree: 1}\n")
    .replace("{pitch: 60, delay: 100 ms}", "{}")
    + """from dataclasses import replace

SECOND = 10**9


class Echo(Rule):
    name = "echo"
    takes = Kind.NOTES
    sustains = 3
    settings = {"type": "object", "additionalProperties": False, "properties": {}}

    def __init__(self, settings, context):
        super().__init__(settings, context)
        self._loop = {}  # by voice: its notes, of which the last three efforts are kept

    def note_on(self, note, now):
        notes = self._loop.pop(note.instead, None) or self._loop.get(note.voice, [])
        self._loop.pop(note.voice, None)
        self._loop[note.voice] = [*notes[-3:], note] if note.instead is None else [note]
        self.context.alarm.at((now // SECOND + 1) * SECOND)
        ended = [voice for voice in list(self._loop)[:-3]]
        for voice in ended:
            del self._loop[voice]
        return [note, *map(NoteOff, ended)]

    def note_off(self, off, now):
        return [] if off.voice in self._loop else [off]

    def wake(self, now, tag):
        if self._loop:
            self.context.alarm.at((now // SECOND + 1) * SECOND)
        again = []
        for voice, notes in self._loop.items():
            again += [NoteOff(voice), *(replace(note, instead=None) for note in notes)]
        return again

    def let_go(self, now):
        loop, self._loop = self._loop, {}
        self.context.alarm.cancel()
        return [NoteOff(voice) for voice in loop]
"""
)
"""It strikes the chords of the last three efforts once a second, for ever."""


def test_a_looper_of_chords_may_keep_as_many_voices_as_it_says(rule_of):
    looper = LOOPER.replace("    sustains = 3", "    sustains = 3\n    repeats = True")
    check_rule(rule_of(looper))
    with pytest.raises(RuleFault, match="are still on, woken 0 ms late; 2 may be: voice"):
        check_rule(rule_of(looper.replace("sustains = 3", "sustains = 2")))


def test_the_whole_proof_has_a_limit_of_time(rule_of):
    """Each call is quick enough for itself."""
    slow = "        for _ in range(300):\n            pass\n"
    with pytest.raises(RuleFault, match=r"the proof is not done within 0\.1 s"):
        check_rule(rule_of(SOUND.replace(FIRST, slow + FIRST)), within=0.1)


def test_the_process_of_the_caller_is_as_before(rule_of):
    """What the rule does to its own module is seen by nobody else."""
    rule = rule_of(SOUND.replace(CLASS, "SEEN = []\n\n\n" + CLASS).replace(FIRST, "        SEEN[:] = [now]\n" + FIRST))
    check_rule(rule)
    assert sys.modules[rule.__module__].SEEN == []


def test_a_fault_says_when_with_which_event_voice_and_pitch(rule_of):
    """Of a note that is left on: which, since when; of what was raised: the traceback, too."""
    source, edits = SOUND, FAULTS["an end that is swallowed every fortieth time"][2:]
    for old, new in edits:
        source = source.replace(old, new)
    with pytest.raises(RuleFault) as caught:
        check_rule(rule_of(source))
    moment = caught.value.moment
    assert moment.pitch == 60
    assert moment.time > 120_000_000_000
    assert f"voice {moment.voice}, begun at" in str(caught.value)
    raising = SOUND.replace(FIRST, "        raise OverflowError('too much')\n")
    with pytest.raises(RuleFault) as caught:
        check_rule(rule_of(raising))
    assert caught.value.moment.event.startswith("given Press(source='bench', voice=1,")
    assert "in press" in caught.value.__notes__[0]


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_caught_by_its_own_check(rule_of, fault, monkeypatch):
    check_name, says, *edits = FAULTS[fault]
    source = SOUND
    for old, new in edits:
        assert source.count(old) == 1, old
        source = source.replace(old, new)
    monkeypatch.setattr(proof, "STUCK", 2 if "within 2 s" in says else proof.STUCK)
    with pytest.raises(RuleFault) as caught:
        check_rule(rule_of(source))
    assert caught.value.check == check_name, caught.value
    assert check_name in proof.OF_THE_FILE or caught.value.moment is not None
    assert says in str(caught.value)
    assert str(caught.value).startswith('rule "')


def test_every_check_has_a_fault_that_it_catches():
    found = {name for name, *_ in FAULTS.values()} | {"another key"}
    assert found == {*proof.OF_THE_FILE, *proof.AT_WORK, *proof.LONG}


def test_a_seeded_row_of_chances_is_allowed(rule_of):
    check_rule(rule_of(SOUND.replace("from router.rule", "from random import Random\nfrom router.rule", 1)))


def test_the_manual_may_stand_in_the_class(rule_of):
    manual = '    """Plays.\n\n    Example::\n\n        rules:\n          - echo: {pitch: 61}\n    """\n\n'
    rule = rule_of(SOUND.replace("Example::", "Thus:").replace(CLASS, CLASS + manual))
    assert examples(rule) == [{"pitch": 61}]


def test_a_rule_that_sustains_may_keep_one_voice_and_not_two(rule_of):
    kept = SOUND.replace("return [NoteOff(release.voice), *([NoteOff(later)] if later else [])]", "return []")
    with pytest.raises(RuleFault) as caught:
        check_rule(rule_of(kept.replace("takes = ", "sustains = True\n    takes = ")))
    assert caught.value.check == "ends"


def test_the_trials_are_the_examples_the_defaults_and_every_choice():
    written = [dict(trial.written) for trial in trials(RULES["release"], "ends")]
    assert written == [
        {"when": "after", "time": "1.5 s", "fade": "500 ms"},
        {},
        {"when": "released", "time": "1.5 s", "fade": "500 ms"},
        {"when": "next", "time": "1.5 s", "fade": "500 ms"},
        {"when": "bar", "time": "1.5 s", "fade": "500 ms"},
    ]


def test_the_timelines_are_always_the_same_and_end_what_they_begin():
    for rule in RULES.values():
        lines = list(timelines(rule.takes))
        assert lines == list(timelines(rule.takes))
        for line in lines:
            begun = {event.voice for _, event in line if isinstance(event, (Press, NoteOn))}
            ended = {event.voice for _, event in line if isinstance(event, (Release, NoteOff))}
            assert begun == ended
            assert [now for now, _ in line] == sorted(now for now, _ in line)


def test_the_rule_is_woken_late_as_well():
    assert LATENESS[0] == 0
    assert max(LATENESS) > 0


def test_steps_are_counted_and_not_timed():
    few, many = (count_steps(lambda n=n: [None for _ in range(n)]) for n in (10, 1000))
    assert 0 < few < 200 < many
    assert many == count_steps(lambda: [None for _ in range(1000)])


def test_a_fault_names_the_rule_the_check_and_the_settings():
    trial = RuleUnderTest(RULES["note"], {"degree": 1}, "ends")
    assert str(trial.fault("it hums")) == "rule \"note\", ends: it hums (with {'degree': 1})"
    assert str(RuleUnderTest(RULES["note"], {}, "ends").fault("it hums")) == 'rule "note", ends: it hums'


def test_a_rule_is_planned_with_its_defaults_converted():
    plan = plan_rule(RULES["control"], {"controller": "breath"}, "wren.yaml:3")
    assert (plan.name, plan.place) == ("control", "wren.yaml:3")


def test_samples_are_no_business_of_rules():
    """The kit knows every kind of event that may reach a rule; a sample is none of them."""
    from router.core.contract import METHODS
    from router.testing.bench import KINDS

    assert set(KINDS) == set(METHODS)
    assert SwitchSample not in METHODS
