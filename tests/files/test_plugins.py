"""Rules of others: found in packages and in the administrator's folder, left out with a reason, held
in check while they play.
"""

from __future__ import annotations

import importlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import ClassVar

import pytest

from router.cli import elsewhere, main
from router.core.contract import Kind, Plays
from router.core.engine import Engine, PartPlan, Plan, RulePlan
from router.core.events import NoteOn, Press, Release, Route, SwitchSample
from router.core.ledger import Limits
from router.core.music import Music
from router.core.rules import RULES
from router.files import plugins, profile, proofs, publish, trying
from router.files.plugins import installed
from router.live.budget import LOST, TOLERATED, Budget
from router.system import clock
from router.testing import VirtualTime, plan_rule
from tests.shared.parts import Listener
from tests.shared.waiting import until

SHADOW = '''"""Each press plays middle C.

Example::

    rules:
      - shadow: {}
"""

from router.rule import NoteOn
from router.rule import Kind, Plays


class Shadow(Plays):
    name = "shadow"
    takes = Kind.GESTURES
    settings = {
        "type": "object",
        "additionalProperties": False,
        "properties": {"pitch": {"quantity": "pitch", "default": "C4", "description": "the note"}},
    }

    def press(self, press, now):
        return [NoteOn(press.voice, 60)]
'''

PROFILE = """\
profile: 1
child: wren
inputs:
  pad: {type: switch, device: {terminal: space}, debounce: 0 ms}
  other: {type: switch, device: {terminal: b}, debounce: 0 ms}
parts:
  tune:
    input: pad
    rules:
      - shadow: {}
    output: {port: synth}
  ground:
    input: other
    rules:
      - note: {degree: 1}
    output: {port: synth, channel: 2}
outputs:
  synth: {midi: "*"}
"""


@pytest.fixture(autouse=True)
def _looked_anew():
    yield
    plugins._installed.cache_clear()


@pytest.fixture
def folder(tmp_path, monkeypatch) -> Path:
    """The administrator's folder."""
    there = tmp_path / "rules"
    there.mkdir(mode=0o755)
    monkeypatch.setenv(plugins.VARIABLE, str(there))
    return there


@pytest.fixture
def package(tmp_path, monkeypatch):
    """Makes an installed package: a module, and metadata with its entry points."""
    site = tmp_path / "site"
    site.mkdir()
    monkeypatch.setenv(plugins.VARIABLE, "")  # no folder
    monkeypatch.syspath_prepend(str(site))

    def make(name: str, source: str, *points: str) -> None:
        module = name.replace("-", "_")
        (site / f"{module}.py").write_text(source, encoding="utf-8")
        about = site / f"{module}-1.0.dist-info"
        about.mkdir()
        (about / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
        (about / "entry_points.txt").write_text("[router.rules]\n" + "\n".join(points) + "\n")
        importlib.invalidate_caches()
        monkeypatch.delitem(sys.modules, module, raising=False)

    return make


def put(folder: Path, name: str, text: str, mode: int = 0o644) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)
    return path


def why_not(name: str = "shadow") -> str:
    assert name in RULES or name not in installed().rules
    (out,) = installed().left_out
    return str(out)


# --- found ------------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("folder")
def test_without_plug_ins_there_are_the_routers_own():
    assert dict(installed().rules) == dict(RULES)
    assert installed().left_out == ()


def test_a_rule_of_a_package(package):
    package("shadow-rule", SHADOW, "shadow = shadow_rule:Shadow")
    assert [*installed().rules] == [*RULES, "shadow"]
    assert installed().origins == {"shadow": "package shadow-rule 1.0"}


def test_a_rule_of_the_folder(folder):
    path = put(folder, "shadow.py", SHADOW)
    assert installed().rules["shadow"].takes == Kind.GESTURES
    assert installed().origins == {"shadow": str(path)}


def test_a_file_of_the_folder_leaves_no_compiled_file_that_others_could_change(folder):
    put(folder, "shadow.py", SHADOW)
    assert "shadow" in installed().rules
    assert [path.name for path in folder.iterdir()] == ["shadow.py"]


def test_a_file_of_the_folder_is_read_by_its_own_rules_of_python(folder):
    """The future imports of the router's own file are not inherited."""
    put(folder, "shadow.py", SHADOW + "\n\ndef told(x: 1 + 1): ...\n\n\nassert told.__annotations__ == {'x': 2}\n")
    assert "shadow" in installed().rules


def test_two_rules_may_stand_in_one_file_and_what_is_imported_does_not_count(folder):
    second = "\n\nfrom router.core.rules.note import NoteRule\n\n\nclass Second(Shadow):\n    name = 'second'\n"
    put(folder, "shadow.py", SHADOW + second)
    assert set(installed().origins) == {"shadow", "second"}


def test_a_profile_may_use_it(folder, tmp_path):
    put(folder, "shadow.py", SHADOW)
    path = put(tmp_path, "wren.yaml", PROFILE)
    loaded = profile.load(path)
    assert loaded.plan.parts[0].rules[0].origin == str(folder / "shadow.py")
    assert loaded.plan.parts[1].rules[0].origin == ""
    time = VirtualTime(loaded.plan)
    time.give(0, SwitchSample("pad", True))
    assert time.engine.sounding == (("synth", 1, 60),)


def test_a_mistake_in_its_settings_is_told_like_any_other(folder, tmp_path):
    put(folder, "shadow.py", SHADOW)
    path = put(tmp_path, "wren.yaml", PROFILE.replace("shadow: {}", "shadow: {pich: D4}"))
    (problem,) = profile.check(path)
    assert 'a shadow rule has no setting called "pich"' in str(problem)
    assert 'Did you mean "pitch"?' in str(problem)


def test_a_setting_that_stands_too_far_left_is_known_too(folder, tmp_path):
    put(folder, "shadow.py", SHADOW.replace('"pitch":', '"hue":'))
    path = put(tmp_path, "wren.yaml", PROFILE.replace("parts:\n", "parts:\n  hue: C4\n"))
    assert any("a shadow rule" in str(problem) for problem in profile.check(path))


# --- left out ---------------------------------------------------------------------------------------------------

FAULTS = {
    "it cannot be imported": (SHADOW + "\nimport nothing_of_this_name\n", "No module named 'nothing_of_this_name'"),
    "it raises": (SHADOW + "\n1 / 0\n", "ZeroDivisionError"),
    "it wants to leave": (SHADOW + "\nraise SystemExit(3)\n", "SystemExit: 3"),
    "it is no Python": (SHADOW + "\nclass {\n", "line 25: invalid syntax"),
    "open settings": (SHADOW.replace('        "additionalProperties": False,\n', ""), "not closed"),
    "no settings": (re.sub(r"    settings = \{.*?\n    \}\n", "", SHADOW, flags=re.DOTALL), "which settings it has"),
    "settings that are no schema": (SHADOW.replace('"object"', '"thing"'), "no JSON Schema"),
    "settings that fetch something": (SHADOW.replace('"quantity": "pitch"', '"$ref": "http://x"'), '"$ref"'),
    "a setting without description": (SHADOW.replace(', "description": "the note"', ""), "has no description"),
    "an unknown quantity": (SHADOW.replace('"quantity": "pitch"', '"quantity": "colour"'), "unknown quantity"),
    "a default that is no note": (SHADOW.replace('"C4"', '"H4"'), "default"),
    "a name with capitals": (SHADOW.replace('"shadow"', '"Shadow"'), "lower-case letters"),
    "it takes nothing": (SHADOW.replace("Kind.GESTURES", "Kind(0)"), "takes nothing"),
    "it takes what is no kind": (SHADOW.replace("Kind.GESTURES", '"presses"'), "what kinds of events"),
    "a method of another shape": (SHADOW.replace("press(self, press, now)", "press(self, press)"), "press cannot be"),
    "a method that is a coroutine": (SHADOW.replace("def press", "async def press"), "press cannot be"),
    "no manual": (SHADOW[SHADOW.index("from") :], "no manual"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_what_is_wrong_with_a_file_is_said_and_the_others_are_used(folder, fault):
    source, says = FAULTS[fault]
    path = put(folder, "shadow.py", source)
    put(folder, "twin.py", SHADOW.replace('"shadow"', '"twin"'))
    assert says in why_not()
    assert why_not().startswith(f"{path}: left out, because ")
    assert "twin" in installed().rules


@pytest.mark.parametrize("fault", FAULTS)
def test_what_is_wrong_with_a_package_is_said(package, fault):
    source, says = FAULTS[fault]
    package("shadow-rule", source, "shadow = shadow_rule:Shadow")
    assert says in why_not()
    assert why_not().startswith("package shadow-rule 1.0: left out, because ")


def test_a_file_without_a_rule(folder):
    put(folder, "shadow.py", '"""Nothing."""\n')
    assert "there is no rule in it" in why_not()


@pytest.mark.parametrize(("point", "says"), [("shadow_rule:Gone", "AttributeError"), ("shadow_rule", "is no rule")])
def test_an_entry_point_that_names_no_rule(package, point, says):
    package("shadow-rule", SHADOW, f"shadow = {point}")
    assert says in why_not()


def test_a_rule_of_the_router_keeps_its_name(package):
    package("shadow-rule", SHADOW.replace('"shadow"', '"note"'), "note = shadow_rule:Shadow")
    assert 'there is a rule "note" already, the router\'s own' in why_not("note")
    assert installed().rules["note"] is RULES["note"]


def test_of_two_plug_ins_the_first_keeps_the_name(package, folder):
    package("shadow-a", SHADOW, "shadow = shadow_a:Shadow")
    package("shadow-b", SHADOW, "shadow = shadow_b:Shadow")
    put(folder, "shadow.py", SHADOW)
    os.environ[plugins.VARIABLE] = str(folder)  # package() took it away; monkeypatch puts it right
    assert installed().origins == {"shadow": "package shadow-a 1.0"}
    said = [str(out) for out in installed().left_out]
    assert [text.split(":")[0] for text in said] == ["package shadow-b 1.0", str(folder / "shadow.py")]
    assert all(text.endswith('there is a rule "shadow" already, of package shadow-a 1.0') for text in said)


def test_a_profile_that_uses_what_is_left_out_says_why(folder, tmp_path):
    put(folder, "shadow.py", FAULTS["open settings"][0])
    (problem,) = profile.check(put(tmp_path, "wren.yaml", PROFILE))
    assert problem.line == 10
    assert 'there is no rule called "shadow"' in str(problem)
    assert f"{folder / 'shadow.py'}: left out, because the settings are not closed" in str(problem)


# What a file does when it is imported, and what is said of it; its class stands above, so a profile may name it.
HARMS = {
    "it does not come back": ("while True: pass", "importing it does not come back within 1 s of the processor's time"),
    "it never comes back from C": (
        "import itertools; sum(itertools.count())",
        "importing it does not come back within 1 s of the",
    ),
    "it sleeps": ("import time; time.sleep(3600)", "importing it does not come back within 5 s"),
    "it catches what interrupts it": (
        "while True:\n    try:\n        while True: pass\n    except BaseException: pass",
        "importing it does not come back within 1 s of the",
    ),
    "it ends the program": ("import os; os._exit(0)", "importing it ends the whole program (status 0)"),
    "it kills the program": ("import os; os.kill(os.getpid(), 11)", "importing it ends the whole program (status -11)"),
    "it interrupts the program": ("raise KeyboardInterrupt", "importing it ends the whole program (status -2)"),
    "it takes all memory": ("x = [0] * 10**6\nwhile True: x = x + x", "importing it takes more than 192 MB of memory"),
}


@pytest.fixture
def quick(monkeypatch):
    """Limits for what is known to exceed the first; a loaded machine may take long to give it that second."""
    monkeypatch.setattr(trying, "PROCESSOR_SECONDS", 1)
    monkeypatch.setattr(trying, "SECONDS", 60)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("harm", HARMS)
def test_check_says_that_the_rule_cannot_be_imported(folder, tmp_path, capsys, monkeypatch, harm):
    does, says = HARMS[harm]
    if harm == "it sleeps":
        monkeypatch.setattr(trying, "SECONDS", 5)
    path = put(folder, "shadow.py", f"{SHADOW}\n{does}\n")
    assert main(["check", str(put(tmp_path, "wren.yaml", PROFILE))]) == 1
    out = capsys.readouterr().out
    assert 'wren.yaml:10:9: there is no rule called "shadow"' in out
    assert f"{path}: left out, because {says}" in out


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("harm", ["it does not come back", "it ends the program"])
def test_what_no_profile_uses_is_not_imported(folder, tmp_path, harm):
    """Neither by a good profile nor by one with a mistake, for which all rules are named that would help."""
    put(
        folder,
        "twin.py",
        SHADOW.replace('"shadow"', '"twin"') + f"\nopen({str(tmp_path / 'seen')!r}, 'w').close()\n{HARMS[harm][0]}\n",
    )
    put(folder, "shadow.py", SHADOW)
    path = put(tmp_path, "wren.yaml", PROFILE)
    assert main(["check", str(path)]) == 0
    for mistake in ("shado: {}", "shadow: {pich: D4}", "latch: {}", "shadow"):
        (problem, *_) = profile.check(put(tmp_path, "wren.yaml", PROFILE.replace("shadow: {}", mistake)))
        assert str(problem)
    assert not (tmp_path / "seen").exists()
    assert "twin" in installed().names


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("harm", ["it does not come back", "it ends the program"])
def test_a_package_is_tried_elsewhere_as_well(package, harm):
    package("shadow-rule", f"{SHADOW}\n{HARMS[harm][0]}\n", "shadow = shadow_rule:Shadow")
    assert HARMS[harm][1] in why_not()


def test_what_a_rule_starts_as_it_is_imported_ends_with_the_trial(folder, tmp_path):
    """A process that goes on in the background, and whatever it would write."""
    starts = (
        "import subprocess; child = subprocess.Popen(['sleep', '3600'])\nopen({!r}, "
        "'a').write(f'{{child.pid}} ')\n1 / 0\n"
    )
    put(folder, "shadow.py", SHADOW + "\n" + starts.format(str(tmp_path / "pids")))
    assert "ZeroDivisionError" in why_not()
    (pid,) = (tmp_path / "pids").read_text().split()
    until(lambda: not Path(f"/proc/{pid}").exists() or "zombie" in Path(f"/proc/{pid}/status").read_text())


def slow_until(marker: Path) -> str:
    """A rule that imports in no time once the marker is there: a PC that is busy at power-up, and then is not."""
    return f"{SHADOW}\nimport pathlib, time\nif not pathlib.Path({str(marker)!r}).exists(): time.sleep(3600)\n"


def test_a_rule_for_which_the_pc_was_too_slow_is_tried_again_and_one_that_is_wrong_is_not(
    folder, tmp_path, monkeypatch
):
    monkeypatch.setattr(trying, "SECONDS", 1)
    put(folder, "shadow.py", slow_until(tmp_path / "quiet"))
    put(folder, "twin.py", SHADOW.replace('"shadow"', '"twin"') + "\n1 / 0\n")
    assert "does not come back within 1 s" in installed().why_not("shadow")
    assert "ZeroDivisionError" in installed().why_not("twin")
    assert (installed().may_pass("shadow"), installed().may_pass("twin")) == (True, False)
    (problem,) = profile.check(put(tmp_path, "wren.yaml", PROFILE))
    assert problem.may_pass
    (tmp_path / "quiet").touch()
    monkeypatch.setattr(trying, "SECONDS", 30)
    installed().try_again(clock.now())
    assert installed().find("shadow") is None  # it rests: a hundred profiles that name it are no hundred trials
    installed().try_again(clock.now() + plugins.REST)
    assert installed().find("shadow") is not None
    assert not installed().why_not("shadow")
    assert "ZeroDivisionError" in installed().why_not("twin")


@pytest.fixture
def patient_parent(monkeypatch):
    """Let the parent wait less long for a verdict that is known never to come."""
    monkeypatch.setattr(elsewhere, "WITHIN", 1.0)
    monkeypatch.setattr(trying, "SECONDS", 5)


# What a file does when it is imported for the second time, after its trial, and what is said of the check then.
AFTER_THE_TRIAL = {
    "ends the program": ("import os; os._exit(0)", "has ended the check (status 0)"),
    "says something and ends the program": (
        "import os; os.write(1, b'{}'); os._exit(0)",
        "has ended the check (status 0)",
    ),
    "ends the program as soon as it can": (
        "import os, threading; threading.Timer(0, os._exit, [0]).start(); threading.Event().wait()",
        "has ended the check (status 0)",
    ),
    "kills the program": ("import os; os.kill(os.getpid(), 9)", "has ended the check (status -9)"),
    "does not come back": ("import time; time.sleep(3600)", "has not come back within 6 s"),
}


def behaves_once(tmp_path: Path, does: str) -> str:
    """Return a rule's file that counts its imports through a file, and does this at each but the first."""
    count = str(tmp_path / "imports")
    return f"""{SHADOW}
with open({count!r}, "a+") as file:
    file.write("x")
    file.seek(0)
    times = len(file.read())
if times > 1:
    exec({does!r})
"""


@pytest.mark.usefixtures("patient_parent")
@pytest.mark.parametrize("harm", AFTER_THE_TRIAL)
def test_no_verdict_is_never_taken_for_a_good_one(folder, tmp_path, capsys, harm):
    does, says = AFTER_THE_TRIAL[harm]
    path = put(folder, "shadow.py", behaves_once(tmp_path, does))
    file = put(tmp_path, "wren.yaml", PROFILE)
    assert main(["check", str(file)]) == 1
    assert (
        f'{file}:1:1: there is no verdict, because a rule of others {says}: "shadow" ({path})'
        in capsys.readouterr().out
    )
    assert (tmp_path / "imports").read_text() == "xx"


def test_without_a_verdict_of_one_file_the_others_are_judged_all_the_same(folder, tmp_path, capsys):
    path = put(folder, "shadow.py", behaves_once(tmp_path, "import os; os._exit(0)"))
    file = put(tmp_path, "wren.yaml", PROFILE)
    wrong = put(tmp_path, "lark.yaml", "profile: 1\nchild: lark\n")
    assert main(["check", str(file), str(wrong), "nuthatch"]) == 1
    said = capsys.readouterr().out
    assert f"{file}:1:1: there is no verdict" in said
    assert f"{wrong}:" in said
    assert "nuthatch.yaml: fine" in said
    (tmp_path / "imports").unlink()
    assert main(["check", "--json", "nuthatch", str(file)]) == 1
    (told,) = json.loads(capsys.readouterr().out)
    assert (told["file"], told["line"]) == (str(file), 1)
    assert str(path) in told["message"]


@pytest.mark.usefixtures("state")
def test_a_verdict_from_elsewhere_is_told_as_one_from_here(folder, tmp_path, capsys):
    """Problems, warnings, the words of a profile, and what was not proven."""
    path = put(
        folder,
        "shadow.py",
        behaves_once(
            tmp_path, f"print('noise'); open({str(tmp_path / 'where')!r}, 'w').write(str(__import__('os').getpid()))"
        ),
    )
    file = put(tmp_path, "lark.yaml", PROFILE)
    assert main(["check", str(file)]) == 0
    said = capsys.readouterr().out
    assert "noise" not in said
    assert int((tmp_path / "where").read_text()) != os.getpid()
    assert 'warning: this is the profile of "wren"' in said
    assert f"{file}: fine, with a warning" in said
    assert "    - shadow: Each press plays middle C." in said
    assert f'The rule "shadow" ({path}) has not been proven' in said
    assert "Before a child plays" in said
    assert (
        main(["check", "--json", str(put(tmp_path, "wren.yaml", PROFILE.replace("shadow: {}", "shadow: {pitch: H9}")))])
        == 1
    )
    (told,) = json.loads(capsys.readouterr().out)
    assert told["line"] == 10


def test_without_a_rule_of_others_nothing_is_started(folder, capsys, monkeypatch):
    put(folder, "shadow.py", SHADOW)
    monkeypatch.setattr(subprocess, "Popen", None)
    assert main(["check", "wren", "nuthatch"]) == 0
    assert "wren.yaml: fine" in capsys.readouterr().out


# --- proven -----------------------------------------------------------------------------------------------------


@pytest.fixture
def state(tmp_path, monkeypatch) -> Path:
    """The user's own folder for what programs remember."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state"


@pytest.mark.usefixtures("state")
def test_check_says_that_a_rule_was_not_proven_until_it_was(folder, tmp_path, capsys):
    path = put(folder, "shadow.py", SHADOW)
    profile_path = str(put(tmp_path, "wren.yaml", PROFILE))
    missing = f'The rule "shadow" ({path}) has not been proven on this PC. Prove it: router rules --prove shadow'
    assert main(["check", profile_path]) == 0
    assert missing in capsys.readouterr().out
    assert main(["rules", "--prove", "shadow"]) == 0
    assert f"Written down in {folder / proofs.NAME}" in capsys.readouterr().out
    assert main(["check", profile_path]) == 0
    assert "proven" not in capsys.readouterr().out
    put(folder, "shadow.py", SHADOW + "# another text\n")
    plugins._installed.cache_clear()
    assert main(["check", profile_path]) == 0
    assert missing in capsys.readouterr().out


@pytest.mark.usefixtures("state")
def test_a_rule_that_breaks_the_contract_is_not_proven(folder, capsys):
    put(folder, "shadow.py", SHADOW.replace("press.voice, 60", "press.voice, 60, 10**9"))
    assert main(["rules", "--prove", "shadow"]) == 1
    assert 'rule "shadow", cause: given, it raises ValueError: a rule cannot give NoteOn' in capsys.readouterr().err
    assert not (folder / proofs.NAME).exists()


def test_a_proof_that_others_could_have_written_does_not_count(folder, state):
    put(folder, "shadow.py", SHADOW)
    rule = installed().rules["shadow"]
    place = proofs.record(rule, proofs.digest(rule))
    assert place.parent == folder
    assert proofs.is_proven(rule)
    place.chmod(0o666)
    assert not proofs.is_proven(rule)
    place.chmod(0o644)
    for text in ("", "[]", "{", json.dumps({proofs.digest(rule): "shadow, router 0.0"})):
        place.write_text(text)
        assert not proofs.is_proven(rule)
    assert not state.exists()


def test_the_proof_of_a_package_is_the_users_own(package, state):
    package("shadow-rule", SHADOW, "shadow = shadow_rule:Shadow")
    rule = installed().rules["shadow"]
    assert proofs.record(rule, proofs.digest(rule)) == state / "router" / proofs.NAME
    assert proofs.is_proven(rule)


def test_a_rule_of_the_routers_own_can_be_proven_and_none_without_a_name(capsys):
    assert main(["rules", "--prove", "drum"]) == 0
    assert "Written down" not in capsys.readouterr().out
    assert main(["rules", "--prove"]) == 2


# --- who may write ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("mode", "who"), [(0o664, "a whole group of users"), (0o646, "everybody")])
def test_a_file_that_others_can_write_is_refused(folder, mode, who):
    path = put(folder, "shadow.py", SHADOW, mode)
    assert why_not().endswith(f"because {who} can write {path}; as administrator: chmod go-w {path}")


@pytest.mark.parametrize("mode", [0o775, 0o757, 0o1777])
def test_a_folder_that_others_can_write_is_refused(folder, mode):
    put(folder, "shadow.py", SHADOW)
    folder.chmod(mode)
    assert f"can write {folder}; as administrator: chmod go-w {folder}" in why_not()


def test_a_folder_in_a_folder_that_others_can_write_is_refused(folder, tmp_path):
    put(folder, "shadow.py", SHADOW)
    tmp_path.chmod(0o777)
    assert f"everybody can write {tmp_path}" in why_not()
    tmp_path.chmod(0o755)
    plugins._installed.cache_clear()
    assert "shadow" in installed().rules


def test_a_link_is_no_way_around(folder, tmp_path):
    open_to_all = tmp_path / "open"
    open_to_all.mkdir()
    put(open_to_all, "shadow.py", SHADOW)
    open_to_all.chmod(0o777)
    (folder / "shadow.py").symlink_to(open_to_all / "shadow.py")
    assert f"everybody can write {open_to_all}" in why_not()


def test_a_folder_reached_through_one_that_others_can_write_is_refused(folder, tmp_path, monkeypatch):
    put(folder, "shadow.py", SHADOW)
    open_to_all = tmp_path / "open"
    open_to_all.mkdir()
    (open_to_all / "rules").symlink_to(folder)
    open_to_all.chmod(0o777)
    monkeypatch.setenv(plugins.VARIABLE, str(open_to_all / "rules"))
    assert f"everybody can write {open_to_all}" in why_not()


def test_a_file_of_somebody_else_is_refused(folder, monkeypatch):
    path = put(folder, "shadow.py", SHADOW)
    if os.geteuid() == 0:
        os.chown(path, 65534, -1)  # nobody
    else:  # somebody else looks at it
        monkeypatch.setattr(os, "geteuid", lambda: 65534)
    assert "belongs to" in why_not()
    assert "not to the administrator" in why_not()


def test_a_folder_that_was_named_and_is_not_there(tmp_path, monkeypatch):
    monkeypatch.setenv(plugins.VARIABLE, str(tmp_path / "gone"))
    assert "there is no such folder (ROUTER_RULES names it)" in why_not()


def test_where_rights_cannot_be_told_the_folder_is_not_read(folder, monkeypatch):
    put(folder, "shadow.py", SHADOW)
    monkeypatch.delattr(os, "geteuid")
    assert "install rules as packages instead" in why_not()


# --- while they play --------------------------------------------------------------------------------------------


class Steady(Plays):
    """Each press plays middle C, and something happens with it."""

    name = "steady"
    settings: ClassVar = {"type": "object", "additionalProperties": False, "properties": {}}

    def press(self, press, now):
        self.happens()
        return [NoteOn(press.voice, 60)]

    def happens(self):
        """Nothing."""


def seat(rule: type[Plays], budget: Budget) -> VirtualTime:
    """A part with this rule, as if a stranger had written it, and one beside it."""
    from router.core.conditioning.switch import SwitchConditioner, SwitchSettings

    def make(name):
        return lambda new_voice, alarm: SwitchConditioner(name, SwitchSettings(0, 0), new_voice, alarm)

    stranger = RulePlan(rule.name, lambda context: rule({}, context), "wren.yaml:10", "package stranger 1.0")
    parts = (
        PartPlan("tune", ("pad",), (stranger,), Route("synth", 1)),
        PartPlan("ground", ("other",), (plan_rule(RULES["note"], {}),), Route("synth", 2)),
    )
    plan = Plan(Music(), Limits(), {"pad": make("pad"), "other": make("other")}, parts)
    return VirtualTime(budget.held(plan))


def press(time: VirtualTime, name: str = "pad", times: int = 1) -> None:
    for _ in range(times):
        time.give(time.now + 300_000_000, SwitchSample(name, True))
        time.give(time.now + 300_000_000, SwitchSample(name, False))


def faults(time: VirtualTime) -> list[dict[str, str]]:
    return [fields for _, _, fields in time.log.named("fault")]


def told(error: str) -> dict[str, str]:
    return {"part": "tune", "rule": "steady", "place": "wren.yaml:10", "origin": "package stranger 1.0", "error": error}


def the_rest_plays_on(time: VirtualTime) -> None:
    assert time.engine.sounding == ()
    before = len(time.log.named("note_on"))
    press(time)  # the rule is off: nothing sounds, and nothing is said again
    assert len(time.log.named("note_on")) == before
    assert len(faults(time)) == 1
    press(time, "other")
    assert len(time.log.named("note_on")) == before + 1
    assert time.engine.sounding == ()


def test_a_rule_that_behaves_is_not_hindered():
    with Budget() as budget:
        time = seat(Steady, budget)
        press(time, times=50)
    assert len(time.log.named("note_on")) == 50
    assert faults(time) == []


def test_a_rule_that_is_stuck_is_interrupted_and_switched_off():
    class Stuck(Steady):
        def happens(self):
            while True:
                try:
                    time.sleep(0)
                except Exception:  # noqa: BLE001 - this is how rules get stuck for good
                    continue

    with Budget(stuck=50_000_000) as budget:
        virtual = seat(Stuck, budget)
        press(virtual)
        assert faults(virtual) == [told("TimeoutError: it did not come back within 50 ms")]
        the_rest_plays_on(virtual)


def test_a_rule_that_sleeps_is_stuck():
    class Sleepy(Steady):
        def happens(self):
            time.sleep(3600)

    with Budget(stuck=50_000_000) as budget:
        virtual = seat(Sleepy, budget)
        press(virtual)
        assert [fault["error"] for fault in faults(virtual)] == ["TimeoutError: it did not come back within 50 ms"]


class Stubborn(Steady):
    """It catches the interruptions of each call so often."""

    catches: ClassVar[float]

    def happens(self):
        caught = 0
        while caught < self.catches:
            try:
                while True:
                    pass
            except BaseException:  # noqa: BLE001 - this is how rules get stuck for good
                caught += 1


def test_a_rule_that_catches_its_interruption_and_comes_back_is_switched_off():
    class Thrice(Stubborn):
        catches = 3

    with Budget(stuck=50_000_000) as budget:
        virtual = seat(Thrice, budget)
        press(virtual)
        assert faults(virtual) == [told("TimeoutError: it did not come back within 50 ms")]
        the_rest_plays_on(virtual)


def test_a_generator_that_is_stuck_is_interrupted_as_well():
    class Lazy(Steady):
        def press(self, press, now):
            yield NoteOn(press.voice, 60)
            while True:
                pass

    with Budget(stuck=50_000_000) as budget:
        virtual = seat(Lazy, budget)
        press(virtual)
        assert len(faults(virtual)) == 1
        the_rest_plays_on(virtual)


def test_a_rule_that_cannot_be_made_in_time_is_left_out_of_the_music():
    class Slow(Steady):
        def __init__(self, settings, context):
            super().__init__(settings, context)
            while True:
                pass

    with Budget(stuck=50_000_000) as budget:
        virtual = seat(Slow, budget)
        assert faults(virtual) == [told("TimeoutError: it did not come back within 50 ms")]
        the_rest_plays_on(virtual)


class Ticks:
    """A clock of the processor's time that goes on by so much at each look."""

    def __init__(self, step: int) -> None:
        self.now, self.step = 0, step

    def __call__(self) -> int:
        self.now += self.step
        return self.now


def test_a_rule_that_is_slow_again_and_again_is_switched_off():
    ticks = Ticks(30_000_000)
    budget = Budget(work=ticks)
    virtual = seat(Steady, budget)  # being made is a call, too
    for _ in range(TOLERATED):
        assert faults(virtual) == []
        virtual.give(virtual.now + 300_000_000, SwitchSample("pad", not virtual.engine.sounding))
    assert faults(virtual) == [told("TimeoutError: it took more than 20 ms, 3 times")]
    the_rest_plays_on(virtual)


def test_bars_begin_with_a_band_of_others_and_with_no_other_rule_of_theirs():
    class Band(Steady):
        counts_bars = True

        def press(self, press, now):
            self.playing = True
            return super().press(press, now)

    class Broken(Steady):
        counts_bars = True

        @property
        def playing(self):
            raise RuntimeError("nobody knows")

    begins = {}
    for rule in (Steady, Band, Broken):
        virtual = seat(rule, Budget())
        press(virtual, times=2)
        assert faults(virtual) == []
        begins[rule] = (virtual.engine.music.origin - virtual.started) // 1_000_000
    assert begins == {Steady: 0, Band: 300, Broken: 900}


def test_being_slow_twice_is_forgiven():
    ticks = Ticks(0)
    virtual = seat(Steady, Budget(work=ticks))
    ticks.step = 30_000_000
    virtual.give(1_000_000, SwitchSample("pad", True))
    virtual.give(2_000_000, SwitchSample("pad", False))
    ticks.step = 10_000_000
    press(virtual, times=20)
    assert faults(virtual) == []


def test_without_a_limit_for_slowness_nothing_depends_on_the_machine():
    virtual = seat(Steady, Budget(slow=None, work=Ticks(10**12)))
    press(virtual, times=20)
    assert faults(virtual) == []


def test_a_rule_that_wants_to_end_the_router_is_switched_off():
    class Leaving(Steady):
        def happens(self):
            sys.exit("enough")

    virtual = seat(Leaving, Budget())
    press(virtual)
    assert faults(virtual) == [told("RuntimeError: it wanted to end the router")]
    the_rest_plays_on(virtual)


def test_events_without_end_are_cut_and_the_rule_switched_off():
    class Flood(Steady):
        def press(self, press, now):
            while True:
                yield NoteOn(press.voice, 60)

    virtual = seat(Flood, Budget())
    press(virtual)
    assert "more than 1000 events" in faults(virtual)[0]["error"]
    the_rest_plays_on(virtual)


@pytest.mark.parametrize("nonsense", [None, 7, ["note"], [Press("pad", 1, 2.0)], [None], [Release("pad", "x")]])
def test_nonsense_switches_the_rule_off(nonsense):
    class Odd(Steady):
        def press(self, press, now):
            return nonsense

    virtual = seat(Odd, Budget())
    press(virtual)
    assert len(faults(virtual)) == 1
    the_rest_plays_on(virtual)


def test_whoever_changes_the_deadlines_is_not_interrupted_in_the_middle_of_it():
    """A rule sets deadlines without end; the shared heap of deadlines must be whole afterwards."""

    class Setting(Steady):
        def happens(self):
            tag = 0
            while True:
                tag += 1
                self.context.alarm.at(10**9 * (1000 - tag % 997), tag % 50)

    with Budget(stuck=50_000_000) as budget:
        for _ in range(5):
            virtual = seat(Setting, budget)
            press(virtual)
            assert len(faults(virtual)) == 1
            timers = virtual.engine._timers
            heap = timers._heap
            assert all(heap[(i - 1) // 2] <= heap[i] for i in range(1, len(heap)))
            assert {key: (when, order) for when, order, key in heap}.keys() >= timers._live.keys()


def test_the_routers_own_rules_are_not_wrapped():
    plan = profile.load(profile.find("wren")).plan
    assert Budget().held(plan) == plan


def test_the_signal_is_given_back():
    before = signal.getsignal(signal.SIGALRM)
    with Budget():
        assert signal.getsignal(signal.SIGALRM) is not before
    assert signal.getsignal(signal.SIGALRM) is before
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


def test_a_rule_that_raises_when_it_is_made_costs_itself_only():
    class Broken(Steady):
        def __init__(self, settings, context):
            raise KeyError("pitch")

    virtual = seat(Broken, Budget())
    assert faults(virtual) == [told("KeyError: 'pitch'")]
    assert isinstance(virtual.engine, Engine)
    the_rest_plays_on(virtual)


# --- in the commands --------------------------------------------------------------------------------------------


def trace(path: Path) -> str:
    lines = [{"trace": 1}]
    for i in range(4):
        lines += [{"t": i, "input": "pad", "pressed": True}, {"t": i + 0.5, "input": "pad", "pressed": False}]
    path.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    return str(path)


def test_play_says_that_a_rule_was_switched_off(folder, tmp_path, capsys):
    broken = SHADOW.replace(
        "return [NoteOn", "if now >= 10**9:\n            raise OSError('no')\n        return [NoteOn"
    )
    put(folder, "shadow.py", broken)
    path = put(tmp_path, "wren.yaml", PROFILE)
    assert main(["play", trace(tmp_path / "t.jsonl"), "--profile", str(path)]) == 1
    out, err = capsys.readouterr()
    assert "1 note" in out
    assert err == "a rule failed and was switched off: wren.yaml:10: shadow: OSError: no\n"


def test_play_does_not_hang_with_a_rule_that_does(folder, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("router.cli.play.PATIENCE", 50_000_000)
    put(folder, "shadow.py", SHADOW.replace("return [NoteOn", "while True: pass\n        return [NoteOn"))
    path = put(tmp_path, "wren.yaml", PROFILE)
    assert main(["play", trace(tmp_path / "t.jsonl"), "--profile", str(path)]) == 1
    assert "shadow: TimeoutError: it did not come back" in capsys.readouterr().err


def test_rules_lists_it_with_its_origin_and_what_is_left_out(folder, capsys):
    put(folder, "shadow.py", SHADOW)
    put(folder, "twin.py", FAULTS["open settings"][0].replace('"shadow"', '"twin"'))
    assert main(["rules"]) == 0
    out, err = capsys.readouterr()
    assert f"shadow comes from {folder / 'shadow.py'}." in " ".join(out.split())
    assert err.startswith(f"{folder / 'twin.py'}: left out, because the settings are not closed")
    assert main(["rules", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert listed[-1]["name"] == "shadow"
    assert listed[-1]["origin"] == str(folder / "shadow.py")


def test_rules_explains_why_one_is_left_out(folder, capsys):
    put(folder, "twin.py", FAULTS["open settings"][0].replace('"shadow"', '"twin"'))
    assert main(["rules", "twin"]) == 1
    assert "the settings are not closed" in capsys.readouterr().err


@pytest.mark.usefixtures("patient_parent")
@pytest.mark.parametrize("harm", ["ends the program", "kills the program", "does not come back"])
def test_rules_is_never_silenced_by_a_rule(folder, tmp_path, capsys, harm, monkeypatch):
    """Its file passes its trial, and then ends or holds whatever imports it:
    the list, the manual and the proof say so.
    """
    monkeypatch.setattr("router.cli.rules.PROVING", 0)
    does, says = AFTER_THE_TRIAL[harm]
    path = put(folder, "shadow.py", behaves_once(tmp_path, does))
    commands = [["rules"], ["rules", "shadow"], ["rules", "--prove", "shadow"]]
    for command in commands[:1] if harm == "does not come back" else commands:
        (tmp_path / "imports").unlink(missing_ok=True)
        assert main(command) == 1, command
        out, err = capsys.readouterr()
        assert says in err
        assert f'"shadow" ({path})' in err
        if command == ["rules"]:
            assert all(f"\n{name} " in f"\n{out}" for name in RULES)
    assert main(["rules", "drum"]) == 0
    assert not (folder / proofs.NAME).exists()


@pytest.mark.usefixtures("patient_parent")
def test_the_list_of_rules_says_which_cannot_be_imported(folder, capsys):
    put(folder, "shadow.py", SHADOW)
    for name, does in (("twin", "import os; os._exit(0)"), ("third", "while True: pass")):
        put(folder, f"{name}.py", f"{does}\n{SHADOW}".replace('"shadow"', f'"{name}"'))
    assert main(["rules"]) == 0
    out, err = capsys.readouterr()
    assert f"shadow comes from {folder / 'shadow.py'}." in " ".join(out.split())
    assert f"{folder / 'twin.py'}: left out, because importing it ends the whole program (status 0)" in err
    assert f"{folder / 'third.py'}: left out, because importing it does not come back" in err
    assert main(["rules", "twin"]) == 1
    assert "ends the whole program" in capsys.readouterr().err


def test_what_a_rule_prints_is_no_list(folder, capsys):
    put(folder, "shadow.py", f"{SHADOW}\nprint('hello')\n")
    assert main(["rules", "shadow", "--json"]) == 0
    (rule,) = json.loads(capsys.readouterr().out)
    assert rule["name"] == "shadow"
    assert rule["trial"]["seconds"] == 10


def test_an_editor_may_know_it_too(folder, capsys, monkeypatch):
    put(folder, "shadow.py", SHADOW)
    monkeypatch.setattr(sys, "argv", ["publish", "--installed"])
    publish.main()
    rules = json.loads(capsys.readouterr().out)["$defs"]["rule"]["properties"]
    assert set(rules) == {*RULES, "shadow"}
    monkeypatch.setattr(sys, "argv", ["publish"])
    publish.main()
    assert "shadow" not in json.loads(capsys.readouterr().out)["$defs"]["rule"]["properties"]


FOR_EVER = """while True:
            try:
                sum(i for i in range(1000))
            except BaseException:
                continue
        return [NoteOn"""
"""A rule that catches every interruption, for ever."""

DEAF = "import itertools; sum(itertools.count())\n        return [NoteOn"
"""A rule that no handler of a signal can interrupt: it never comes back from C."""


def played_by_a_process(folder: Path, tmp_path: Path, never: str, *command: str) -> subprocess.CompletedProcess[str]:
    put(folder, "shadow.py", SHADOW.replace("return [NoteOn", never))
    path = put(tmp_path, "wren.yaml", PROFILE)
    program = (
        "import sys, router.live.budget, router.cli.play\n"
        "router.live.budget.SWALLOWED = router.cli.play.PATIENCE = 200_000_000\n"
        "from router.cli import main\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    arguments = ["play", trace(tmp_path / "t.jsonl"), "--profile", str(path), *command]
    return subprocess.run(
        [sys.executable, "-c", program, *arguments], capture_output=True, text=True, check=False, timeout=60
    )


def test_play_ends_by_itself_where_a_rule_catches_every_interruption(folder, tmp_path):
    ended = played_by_a_process(folder, tmp_path, FOR_EVER)
    assert ended.returncode == LOST
    said = f'wren.yaml:10: the rule "shadow" (from {folder / "shadow.py"}) does not come back, and catches whatever'
    assert ended.stderr.startswith(said)


def test_play_ends_by_itself_where_a_rule_is_lost_in_c(folder, tmp_path):
    """The kernel ends it; where it stood is said all the same."""
    ended = played_by_a_process(folder, tmp_path, DEAF)
    assert ended.returncode == -signal.SIGVTALRM
    assert re.search(rf'File "{re.escape(str(folder))}/shadow.py", line \d+ in press', ended.stderr)


@pytest.mark.usefixtures("jack_server")
def test_the_daemon_ends_by_itself_and_silent_where_a_rule_catches_every_interruption(
    folder, tmp_path, in_terminal, part
):
    """The real program over a real port: a note of the other part sounds, the rule never comes back,
    the note ends all the same.
    """
    put(folder, "shadow.py", SHADOW.replace("return [NoteOn", FOR_EVER))
    profile = PROFILE.replace("      - note: {degree: 1}", "      - latch: {}\n      - note: {degree: 1}")
    listener = part(Listener)
    path = put(tmp_path, "wren.yaml", profile.replace('"*"', f'"*{listener.client}*"'))
    program = in_terminal(sys.executable, "-m", "router", "run", str(path))
    program.wait_for(b"ready")
    program.type(b"b")
    until(listener.sounding)
    program.type(b" ")
    program.wait_for(b"does not come back, and catches whatever interrupts it")
    assert program.process.wait(60) == LOST
    assert listener.sounding() == set()
    assert b"rule_ends_router" in program.shown
    assert b"wren.yaml:10" in program.shown


@pytest.mark.usefixtures("jack_server")
def test_the_daemon_plays_on_when_a_rule_is_stuck(folder, tmp_path, in_terminal):
    """The real program: the first press of the strange rule sounds, the second never comes back,
    the other part plays on.
    """
    stuck = "while self.__dict__.setdefault('again', False): pass\n        self.again = True\n        return [NoteOn"
    put(folder, "shadow.py", SHADOW.replace("return [NoteOn", stuck))
    put(folder, "twin.py", SHADOW, 0o664)
    path = put(tmp_path, "wren.yaml", PROFILE.replace('midi: "*"', "midi: no synth of this name"))
    log = tmp_path / "log.jsonl"

    def logged(event: str) -> list[dict[str, object]]:
        lines = log.read_text(encoding="utf-8").splitlines() if log.exists() else []
        return [line for line in map(json.loads, lines) if line["event"] == event]

    program = in_terminal(sys.executable, "-m", "router", "run", str(path), "--log", str(log))
    program.wait_for(b"rule_left_out")
    program.wait_for(b"ready")
    program.type(b" ")
    until(lambda: len(logged("note_off")) == 1)
    program.type(b" ")
    until(lambda: logged("fault"))
    program.type(b"b")
    until(lambda: len(logged("note_off")) == 2)
    program.type(b"\x03")
    assert program.process.wait(60) == 130
    (fault,) = logged("fault")
    told = {"part": "tune", "rule": "shadow", "place": "wren.yaml:10", "origin": str(folder / "shadow.py")}
    assert told.items() <= fault.items()
    assert fault["error"] == "TimeoutError: it did not come back within 250 ms"
    assert [line["part"] for line in logged("note_on")] == ["tune", "ground"]
