"""Whether the tests would notice: ``python -m tests.mutation --share 5 --seed 1`` changes one place of the code at a
time.

Each change (a *mutant*: a comparison with the other bound, a call deleted, a number one higher, ...) is written into a
copy of the project, and those tests of that module that reach the line run over it, quickest first, until one fails; a
mutant that these pass meets all tests of the core that reach it. Which tests reach which line is found once by running
them under coverage, and kept. Of each module the same share is drawn, at least one. What was found is kept in a file,
so the command may be ended and begun again, and a greater share goes on from a smaller one; ``--again`` tries the
survivors once more. A mutant that no test can tell from the code stands, with the reason, in
``tests/mutation_equivalent.txt``.

Why a command of our own: mutmut 3 and cosmic-ray 8 change operators and arguments, and delete no statement; what was
found by hand to pass every test here were deleted ones. They also start Python anew for each mutant, or wrap each
function, which tests of the rules' steps and sources notice. Here a process that has loaded the libraries forks for
each mutant.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import hashlib
import itertools
import json
import math
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.shared.places import ROOT

EQUIVALENT = Path(__file__).with_name("mutation_equivalent.txt")

ENGINE = "test_engine test_timelines test_promises"
RULES = (
    "test_timelines test_engine test_rules_alone test_rules_anew test_rules_bounds test_published_schema test_quantize"
    " test_following test_harmony"
)
RULE = "tests/house/test_rule_kit.py::test_every_rule_keeps_the_contract[{}]"
"""Where a rule's change has passed all else."""
HEARD = (
    "test_background test_conditioning test_conditioning_switch test_conditioning_pointer "
    "test_conditioning_background test_cycle test_drift"
)
TESTS = {
    "router/core/timers.py": "test_timers test_timelines",
    "router/core/music.py": "test_music test_timelines test_harmony test_following test_published_schema",
    "router/core/midi.py": "test_midi_tables test_ledger test_beat test_timelines",
    "router/core/units.py": "test_units",
    "router/room/beat.py": "test_beat test_room_music",
    "router/room/lead.py": "test_lead test_room_music",
    "router/room/tonality.py": "test_tonality test_lead",
    "router/core/recognition.py": "test_recognition test_lead",
    "router/room/turns.py": "test_turns",
    "router/core/balance.py": "test_balance",
    "router/live/channels.py": "test_channels",
    "router/core/harmony.py": "test_harmony test_rules_bounds test_following test_timelines",
    "router/core/ledger.py": "test_ledger test_levels test_balance test_timelines test_engine",
    "router/core/engine.py": f"{ENGINE} test_levels test_following test_harmony test_listening",
    "router/room/room.py": "test_room_music test_listening test_turns test_balance",
    "router/bedside/hush.py": "test_hush",
    "router/devices/outputs/sounding_notes.py": "test_sounding test_hush",
    "router/records/recorder.py": "test_recorder test_records test_retention test_on_the_disk",
    "router/records/session_files.py": "test_recorder test_records test_retention test_on_the_disk",
    "router/records/session_log.py": "test_recorder test_records test_retention test_on_the_disk",
    "router/fit/estimates.py": "test_estimates",
    "router/core/conditioning/listen.py": "test_listening test_timelines",
    "router/core/conditioning/*.py": HEARD,
    "router/core/rules/*.py": RULES,
    "router/report/*.py": "test_report_measures test_report test_care_team_page",
}
"""Which tests run first over a change of these files. What matches several is the first one's."""
IGNORED = ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # plugins that were loaded before pytest
SLOW = {
    "test_hush",
    "test_records",
    "test_report",
    "test_retention",
    "test_sounding",
    "test_care_team_page",
    "test_beat",
}
"""Left to the mutants of their own files."""
SLOWEST = 5.0
"""Seconds of the processor's time, under coverage: a test that takes longer is left out."""
ALL = sorted(
    {name for names in TESTS.values() for name in names.split()} - SLOW
    | {"test_listening", "test_following", "test_together"}
)

# --- the changes ----------------------------------------------------------------------------------------------------

COMPARE = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==",
    ast.Is: "is not", ast.IsNot: "is", ast.In: "not in", ast.NotIn: "in",
}  # fmt: skip
ARITHMETIC = {
    ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.FloorDiv: "*", ast.Mod: "+",
    ast.BitOr: "&", ast.BitAnd: "|", ast.LShift: ">>", ast.RShift: "<<",
}  # fmt: skip
AUGMENTED = {ast.Add: "-=", ast.Sub: "+=", ast.BitOr: "&=", ast.BitAnd: "|=", ast.Mult: "/="}
SWAPPED = {"min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True)
class Mutant:
    """One change: the bytes from ``start`` to ``end`` of a file become ``text``."""

    path: str
    start: int
    end: int
    text: str
    line: int

    def applied(self, source: bytes) -> bytes:
        return source[: self.start] + self.text.encode() + source[self.end :]

    def shown(self, source: bytes) -> str:
        """What the change is, on one line that stays the same when the code around it moves."""
        begin = source.rfind(b"\n", 0, self.start) + 1
        stop = source.find(b"\n", self.end)
        before = " ".join(source[begin:stop].decode().split())
        after = " ".join((source[begin : self.start] + self.text.encode() + source[self.end : stop]).decode().split())
        return f"{self.path}: {before}  ->  {after}"


class Places(ast.NodeVisitor):
    """All places of a file at which something can be changed."""

    def __init__(self, path: str, source: bytes) -> None:
        self.found: list[Mutant] = []
        self._path, self._source = path, source
        self._lines = [0, *(place + 1 for place, byte in enumerate(source) if byte == 10)]
        self.visit(ast.parse(source))

    def _place(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return self._lines[node.lineno - 1] + node.col_offset, self._lines[node.end_lineno - 1] + node.end_col_offset

    def _change(self, start: int, end: int, text: str) -> None:
        lines = self._source[start:end].count(b"\n")  # each line keeps its number
        line = self._source.count(b"\n", 0, start) + 1
        self.found.append(Mutant(self._path, start, end, text + "\n" * (lines - text.count("\n")), line))

    def _between(self, left: ast.expr, right: ast.expr, old: str, new: str) -> None:
        """The operator between two operands."""
        start, end = self._place(left)[1], self._place(right)[0]
        at = self._source.find(old.encode(), start, end)
        if at >= 0:
            self.found.append(Mutant(self._path, at, at + len(old), new, self._source.count(b"\n", 0, at) + 1))

    def _text(self, node: ast.expr) -> str:
        start, end = self._place(node)
        return self._source[start:end].decode()

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Constant):  # a docstring
            return
        self._change(*self._place(node), "pass")
        self.generic_visit(node)

    def visit_Assign(self, node: ast.Assign) -> None:
        if not all(isinstance(target, ast.Name) for target in node.targets):  # a local name without value is no test
            self._change(*self._place(node), "pass")
        self.visit(node.value)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        self._change(*self._place(node), "pass")
        if type(node.op) in AUGMENTED:
            old = AUGMENTED[type(node.op)]
            new = {"-=": "+=", "+=": "-=", "&=": "|=", "|=": "&=", "/=": "*="}[old]
            self._between(node.target, node.value, new, old)
        self.visit(node.value)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_arg(self, node: ast.arg) -> None:
        """Nothing: annotations are no code."""

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.visit(node.args)
        for statement in node.body:
            self.visit(statement)

    def visit_Raise(self, node: ast.Raise) -> None:
        self._change(*self._place(node), "pass")

    def visit_Continue(self, node: ast.Continue) -> None:
        self._change(*self._place(node), "break")

    def visit_Break(self, node: ast.Break) -> None:
        self._change(*self._place(node), "continue")

    def visit_If(self, node: ast.If) -> None:
        self._negate(node.test)
        self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> None:
        self._negate(node.test)
        self.generic_visit(node)

    def _negate(self, test: ast.expr) -> None:
        if not isinstance(test, ast.Compare) or len(test.ops) > 1:  # a comparison is turned round by itself
            self._change(*self._place(test), f"(not ({self._text(test)}))")

    def visit_Compare(self, node: ast.Compare) -> None:
        words = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=", ast.Is: "is"}
        words |= {ast.IsNot: "is not", ast.In: "in", ast.NotIn: "not in"}
        for left, op, right in zip([node.left, *node.comparators], node.ops, node.comparators, strict=False):
            self._between(left, right, words[type(op)], COMPARE[type(op)])
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        old, new = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        if len(node.values) == 2:
            self._between(node.values[0], node.values[1], old, new)
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        words = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.FloorDiv: "//", ast.Mod: "%"}
        words |= {ast.BitOr: "|", ast.BitAnd: "&", ast.LShift: "<<", ast.RShift: ">>"}
        if type(node.op) in words:
            self._between(node.left, node.right, words[type(node.op)], ARITHMETIC[type(node.op)])
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.Not | ast.USub) and not isinstance(node.operand, ast.Constant):
            self._change(*self._place(node), f"({self._text(node.operand)})")
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        if isinstance(node.func, ast.Name) and node.func.id in SWAPPED:
            self._change(*self._place(node.func), SWAPPED[node.func.id])
        self.generic_visit(node)

    def visit_keyword(self, node: ast.keyword) -> None:
        if node.arg != "slots":  # memory alone
            self.generic_visit(node)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Nothing: what stands in a text is found where it is made."""

    def visit_Constant(self, node: ast.Constant) -> None:
        value = node.value
        if isinstance(value, bool):
            self._change(*self._place(node), str(not value))
        elif isinstance(value, int | float):
            self._change(*self._place(node), repr(value + 1))


def mutants(path: str) -> list[Mutant]:
    """All changes of a file, also those of which Python does not take the result."""
    return [*dict.fromkeys(Places(path, (ROOT / path).read_bytes()).found)]


def _compiles(mutant: Mutant, source: bytes) -> bool:
    try:
        compile(mutant.applied(source), mutant.path, "exec")
    except SyntaxError:
        return False
    return True


def file(test: str) -> Path:
    """Return the file of this name, in whatever room of the tests it is."""
    (found,) = ROOT.glob(f"tests/*/{test}.py")
    return found


# --- the trying -------------------------------------------------------------------------------------------------------


class Copy:
    """A copy of the project in which one file at a time is changed, and tests run in a process that is forked."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._sound: set[tuple[str, ...]] = set()
        for name in ("router", "tests", "profiles", "schemas", "systemd"):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "RULES.md", "LICENSE"):
            shutil.copy(ROOT / name, folder / name)
        os.environ |= {"PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
        sys.dont_write_bytecode = True
        sys.path[:] = [str(folder), *(place for place in sys.path if Path(place or ".").resolve() != ROOT)]
        for name in [name for name in sys.modules if name.partition(".")[0] == "tests"]:
            del sys.modules[name]  # the copy's own are imported
        os.chdir(folder)

    def passes(self, tests: list[str], seconds: int, plugin: object = None) -> tuple[bool, str]:
        """Whether these tests pass, within so many seconds of the processor's time,
        and the last line that they said.
        """
        with tempfile.TemporaryFile() as said:
            child = os.fork()
            if not child:
                self._child(tests, seconds, said.fileno(), plugin)
            until = time.monotonic() + 20 * seconds  # for what waits and does not work
            while not (ended := os.waitpid(child, os.WNOHANG))[0]:
                if time.monotonic() > until:
                    os.killpg(child, signal.SIGKILL)
                    os.waitpid(child, 0)
                    return False, "it does not end"
                time.sleep(0.02)
            said.seek(0)
            text = said.read().decode(errors="replace").splitlines()
            if any("ImportPathMismatchError" in line for line in text):
                raise SystemExit(f"the tests of the copy cannot be loaded: {text[-1]}")
            lines = [line for line in text if line.startswith(("FAILED", "ERROR"))] or text[-3:]
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child, signal.SIGKILL)  # what it left behind
            return ended[1] == 0, (lines or [f"status {ended[1]}"])[-1]

    def _child(self, tests: list[str], seconds: int, said: int, plugin: object) -> None:
        os.setpgid(0, 0)
        for stream in (1, 2):
            os.dup2(said, stream)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
        resource.setrlimit(resource.RLIMIT_AS, (8 << 30, 8 << 30))
        import pytest

        files = [str(file(name).relative_to(ROOT)) for name in tests]
        arguments = ["-x", "-q", "-p", "no:cacheprovider", "--no-header", *IGNORED, *files]
        status = pytest.main(arguments, plugins=[plugin] if plugin else [])
        if isinstance(plugin, Reached):
            plugin.keep()
        os._exit(status)

    def tried(self, mutant: Mutant, tests: list[str], limit: int, reached: Map, *, quick: bool) -> tuple[bool, str]:
        """Whether a mutant survives, and what was said of it."""
        target = self.folder / mutant.path
        source = target.read_bytes()
        chosen, takes = reached.tests(self, tests, mutant, source)
        limit = min(limit, 10 + 2 * math.ceil(takes))  # of a mutant that never ends
        passed, said = True, "no test reaches it"
        if chosen:
            names = list(dict.fromkeys(Path(test.partition("::")[0]).stem for test in chosen))
            try:
                target.write_bytes(mutant.applied(source))
                passed, said = self.passes(names, limit, Only(chosen))
                rule = Path(mutant.path).stem
                if passed and Path(mutant.path).match("router/core/rules/*.py") and rule not in ("__init__", "base"):
                    proof = [RULE.format(rule)]
                    passed, said = self.passes(["test_rule_kit"], limit, Only(proof))
            finally:
                target.write_bytes(source)
        if passed and not quick:
            return self.tried(mutant, ALL, 600, reached, quick=True)
        return passed, said


class Only:
    """A plug-in for pytest: these tests alone, in this order."""

    def __init__(self, tests: list[str]) -> None:
        self._place = {test: place for place, test in enumerate(tests)}

    def pytest_collection_modifyitems(self, items: list) -> None:
        items[:] = sorted(
            (item for item in items if item.nodeid in self._place), key=lambda item: self._place[item.nodeid]
        )


class Reached:
    """A plug-in for pytest: which lines each test runs, and how many seconds of the processor's time it takes."""

    def __init__(self, target: Path) -> None:
        import coverage

        self._target = target
        self._coverage = coverage.Coverage(data_file=None, config_file=False, source=["router"])
        self._coverage.start()
        self._took: dict[str, float] = {}

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self._coverage.switch_context(nodeid)
        self._took[nodeid] = time.process_time()

    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        self._took[nodeid] = time.process_time() - self._took[nodeid]
        self._coverage.switch_context("")

    def keep(self) -> None:
        self._coverage.stop()
        data = self._coverage.get_data()
        number = {test: place for place, test in enumerate(self._took)}
        statements: dict[str, dict[int, list[int]]] = {}
        for name in data.measured_files():
            code, reached = Code(Path(name).read_bytes()), defaultdict(set)
            for line, tests in data.contexts_by_lineno(name).items():
                statement = code.statement(line, line)
                if statement is not None:
                    reached[statement] |= {number[test] for test in tests if test}
            statements[str(Path(name).relative_to(Path.cwd()))] = {each: sorted(reached[each]) for each in reached}
        self._target.write_text(json.dumps({"took": self._took, "statements": statements}), encoding="utf-8")


class Code:
    """A file's code without comments and docstrings: what it ``does``, and the place of each of its ``statements``.

    A statement is known by its number, so that it stays the same when only what is said about it changes.
    """

    def __init__(self, source: bytes) -> None:
        tree = ast.parse(source)
        for node in ast.walk(tree):
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
                node.body = [each for each in node.body if not _is_said(each)]
        self.does = ast.dump(tree)
        self.statements = [
            (node.lineno, max(node.lineno, body[0].lineno - 1) if isinstance(body, list) and body else node.end_lineno)
            for node in ast.walk(tree)
            if isinstance(node, ast.stmt)
            for body in [getattr(node, "body", None)]
        ]
        """The first and last line; of a compound one, of its head."""

    def statement(self, first: int, last: int) -> int | None:
        """The number of the smallest statement around these lines."""
        fits = [(end - begin, n) for n, (begin, end) in enumerate(self.statements) if begin <= first and last <= end]
        return min(fits)[1] if fits else None


def _is_said(statement: ast.stmt) -> bool:
    return isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)


class Map:
    """Which tests reach which statement, found when it is first asked for and kept in a folder."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        self._folder = folder
        self._known: dict[str, dict] = {}
        self._code = {
            str(path.relative_to(ROOT)): Code(path.read_bytes()) for path in sorted(ROOT.glob("router/**/*.py"))
        }
        self._does = "".join(code.does for code in self._code.values())

    def key(self, mutant: Mutant, source: bytes) -> str:
        """Know a mutant by what its file does, and by where in which statement of it the change is."""
        code = self._code[mutant.path]
        number = code.statement(*_lines(mutant, source))
        begin = mutant.line if number is None else code.statements[number][0]
        place = mutant.start - len(b"".join(source.splitlines(keepends=True)[: begin - 1]))
        return hashlib.sha256(f"{mutant.path} {number} {place} {mutant.text} {code.does}".encode()).hexdigest()[:16]

    def _of(self, copy: Copy, name: str) -> dict:
        if name not in self._known:
            test = Code(file(name).read_bytes()).does
            target = self._folder / f"{name}-{hashlib.sha256((self._does + test).encode()).hexdigest()[:16]}.json"
            if not target.exists():
                passed, said = copy.passes([name], 1200, Reached(target))
                if not passed:
                    target.unlink(missing_ok=True)
                    raise SystemExit(f"without any change: {said}")
            self._known[name] = json.loads(target.read_text(encoding="utf-8"))
        return self._known[name]

    def tests(self, copy: Copy, names: list[str], mutant: Mutant, source: bytes) -> tuple[list[str], float]:
        """Those that reach a mutant, quickest first, without the slowest, and the seconds that they take.

        Of a file that reaches it at import alone, all.
        """
        found: dict[str, float] = {}
        number = self._code[mutant.path].statement(*_lines(mutant, source))
        for name in names:
            known = self._of(copy, name)
            took, statements = list(known["took"].items()), known["statements"].get(mutant.path, {})
            own = statements.get(str(number))
            if own is not None:
                found |= dict(took[place] for place in own or range(len(took)))
        found = {test: seconds for test, seconds in found.items() if seconds < SLOWEST}
        return sorted(found, key=found.__getitem__), sum(found.values())


def _lines(mutant: Mutant, source: bytes) -> tuple[int, int]:
    return mutant.line, mutant.line + source.count(b"\n", mutant.start, mutant.end)


def load() -> None:
    """The libraries, once for all that are forked; nothing of ours."""
    import coverage  # noqa: F401
    import hypothesis  # noqa: F401
    import jack  # noqa: F401
    import jsonschema  # noqa: F401
    import matplotlib  # noqa: F401, ICN001
    import mido  # noqa: F401
    import music21  # noqa: F401
    import numpy  # noqa: F401, ICN001
    import pytest  # noqa: F401
    import rich  # noqa: F401
    import scipy.stats  # noqa: F401
    import yaml  # noqa: F401


def interval(killed: int, of: int) -> tuple[float, float]:
    """Wilson's interval of a share at 95 % (Journal of the American Statistical Association 22:209, 1927)."""
    if not of:
        return 0.0, 1.0
    z, share = 1.959964, killed / of
    middle, spread = share + z * z / (2 * of), z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    return (middle - spread) / (1 + z * z / of), (middle + spread) / (1 + z * z / of)


def equivalent() -> dict[str, str]:
    """The mutants that no test can tell from the code, as they are shown, and why."""
    lines = EQUIVALENT.read_text(encoding="utf-8").splitlines() if EQUIVALENT.exists() else []
    paired = [line for line in lines if line and not line.startswith("#")]
    return dict(zip(paired[::2], (line.strip() for line in paired[1::2]), strict=True))


def files(only: list[str]) -> Iterator[tuple[str, list[str]]]:
    """Each file whose tests are known, and their names."""
    seen = set()
    for pattern, tests in TESTS.items():
        for path in sorted(ROOT.glob(pattern)):
            name = str(path.relative_to(ROOT))
            if name not in seen and (not only or any(part in name for part in only)):
                seen.add(name)
                yield name, tests.split()


def drawn(path: str, share: float, seed: int) -> list[Mutant]:
    """So many percent of a file's mutants, at least one; a greater share holds the smaller one."""
    found, source = mutants(path), (ROOT / path).read_bytes()
    random.Random(f"{seed} {path}").shuffle(found)
    right = (mutant for mutant in found if _compiles(mutant, source))
    return list(itertools.islice(right, max(1, math.ceil(len(found) * share / 100))))


def main() -> int:
    parser = argparse.ArgumentParser(
        description="Change one place of the code at a time and see whether a test notices."
    )
    parser.add_argument("--share", type=float, default=2, help="how many percent of each file's mutants (default 2)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="the file's own tests only: more survive than really do")
    parser.add_argument("--kept", type=Path, default=ROOT / "mutation.jsonl", help="where the results are kept")
    parser.add_argument("--again", action="store_true", help="try those once more that survived")
    parser.add_argument("only", nargs="*", help="parts of file names (default: all files)")
    wanted = parser.parse_args()
    kept, reasons = wanted.kept.absolute(), equivalent()
    known: dict[str, dict] = {}
    if kept.exists():
        known = {entry["key"]: entry for entry in map(json.loads, kept.read_text(encoding="utf-8").splitlines())}
    work = [(mutant, tests) for path, tests in files(wanted.only) for mutant in drawn(path, wanted.share, wanted.seed)]
    random.Random(wanted.seed).shuffle(work)  # ended early it is a sample of all
    sources = {path: (ROOT / path).read_bytes() for path in {mutant.path for mutant, _ in work}}
    counts: Counter[str] = Counter()
    load()
    with tempfile.TemporaryDirectory() as place:
        copy = Copy(Path(place))
        reached = Map(kept.with_suffix(".reached"))
        for number, (mutant, tests) in enumerate(work, 1):
            source = sources[mutant.path]
            shown = mutant.shown(source)
            key = reached.key(mutant, source)
            entry = known.get(key)
            if shown in reasons:
                counts["equivalent"] += 1
                continue
            if entry is None or (wanted.again and entry["survived"]):
                survived, said = copy.tried(mutant, tests, 120, reached, quick=wanted.quick)
                entry = {"key": key, "line": mutant.line, "shown": shown, "survived": survived, "said": said}
                with kept.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(entry) + "\n")
            counts["survived" if entry["survived"] else "killed"] += 1
            if entry["survived"]:
                sys.stdout.write(f"SURVIVED line {entry['line']} of {shown}\n")
            sys.stdout.write(f"{number} of {len(work)}: {dict(counts)}\n")
            sys.stdout.flush()
    tried = counts["killed"] + counts["survived"]
    low, high = interval(counts["killed"], tried)
    sys.stdout.write(
        f"{counts['killed']} of {tried} killed, {100 * counts['killed'] / max(1, tried):.1f} %"
        f" (95 %: {100 * low:.1f} to {100 * high:.1f}), {counts['equivalent']} more are equivalent\n"
    )
    return 1 if counts["survived"] else 0


if __name__ == "__main__":
    sys.exit(main())
