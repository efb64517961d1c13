"""The command that changes the code and asks whether a test notices: what it changes, and what it reckons."""

import pytest
from scipy import stats

from tests import mutation


@pytest.mark.parametrize(
    "change",
    [
        "router/core/rules/quantize.py: self._later.drop(note.instead)  ->  pass",
        (
            "router/core/conditioning/switch.py: self._held = now - self._pressed_at  ->  self._held = now + "
            "self._pressed_at"
        ),
        "router/records/session_files.py: os.fsync(self._descriptor)  ->  pass",
    ],
)
def test_what_once_passed_every_test_is_among_the_changes(change):
    path = change.partition(":")[0]
    source = (mutation.ROOT / path).read_bytes()
    assert change in [mutant.shown(source) for mutant in mutation.mutants(path)]


def test_each_line_keeps_its_number():
    path = "router/core/timers.py"
    source = (mutation.ROOT / path).read_bytes()
    assert {mutant.applied(source).count(b"\n") for mutant in mutation.mutants(path)} == {source.count(b"\n")}


def test_a_greater_share_holds_the_smaller_one():
    small, great = (mutation.drawn("router/core/ledger.py", share, 1) for share in (2, 10))
    assert great[: len(small)] == small
    assert len(great) > len(small) > 0


def test_each_file_has_tests_that_are_there():
    listed = list(mutation.files([]))
    assert len(listed) > 50
    assert all(mutation.file(name).exists() for _, names in listed for name in [*names, *mutation.ALL])


@pytest.mark.parametrize(("killed", "of"), [(82, 94), (0, 5), (40, 40)])
def test_the_interval_is_scipys(killed, of):
    expected = stats.binomtest(killed, of).proportion_ci(method="wilson")
    assert mutation.interval(killed, of) == pytest.approx((expected.low, expected.high), abs=1e-6)


def test_what_is_only_said_of_the_code_makes_no_other_code_of_it():
    bare = b"def late(now, due):\n    if now > due:\n        return True\n    return False\n"
    told = b'"""A file."""\n\n\ndef late(now, due):\n    """Tell."""\n\n    # so\n'
    told += b"    if now > due:\n        return True\n    return False\n"
    assert mutation.Code(bare).does == mutation.Code(told).does
    assert mutation.Code(bare).does != mutation.Code(bare.replace(b">", b">=")).does
    for source, lines in ((bare, (1, 2, 3, 4)), (told, (4, 8, 9, 10))):
        assert [mutation.Code(source).statement(line, line) for line in lines] == [0, 1, 3, 2]
