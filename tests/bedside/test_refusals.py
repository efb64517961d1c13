"""Ten thousand broken files cost some kilobytes of journal, and none is left uncounted."""

import re
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest

from router.bedside.profile_folder import Offer
from router.bedside.served_seat import AT_ONCE, EVERY, ServedSeat, Sparing
from router.bedside.service_status import LETTERS, refusal_in_words
from router.files import profile
from router.files.profile import Problem, ProfileError
from router.system.agenda import Agenda
from tests.shared.profile_folder import BROKEN

BEGAN = 987_654_321_000_000_007


def problems(files, each=1):
    return [
        Problem(f"/var/lib/router/profiles/b{number}.yaml", line + 1, 1, "this is wrong", "Write it right.")
        for number in range(files)
        for line in range(each)
    ]


def test_the_problems_of_one_file_are_told_as_router_check_tells_them():
    with pytest.raises(ProfileError) as raised:
        profile.load("wren.yaml", BROKEN.encode())
    found = raised.value.problems
    assert refusal_in_words(found) == "\n\n".join(map(str, found))
    assert refusal_in_words([]) == ""


@pytest.mark.parametrize(("files", "each"), [(1, 5000), (85, 1), (10_000, 1), (300, 300)])
def test_however_many_the_text_is_bounded_and_counts_the_rest(files, each):
    text = refusal_in_words(problems(files, each))
    assert len(text) < LETTERS + 1000
    told = len(re.findall(r"(?m)^/var/lib/router/profiles/b\d+\.yaml:\d+:1: ", text))
    left = int(re.search(r"(?m)^(\d+) more problem", text)[1])
    assert told + left == files * each
    if files > 30:
        assert "b5.yaml, b6.yaml, b7.yaml" in text
        assert f"and {files - 25} more files. router check tells them all." in text


def test_one_problem_that_is_longer_than_all_is_cut():
    long = Problem("wren.yaml", 1, 1, "x" * 100_000, "")
    assert len(refusal_in_words([long] * 2)) < LETTERS + 200


def test_so_many_are_told_at_once_then_now_and_then_and_the_rest_is_counted():
    sparing = Sparing()
    told = sum(sparing.may_tell(BEGAN + number) for number in range(10_000))
    assert told == AT_ONCE
    assert sparing.unsaid == 10_000 - told
    due = sparing.deadline()
    assert sparing.take(due - 1) == 0
    assert sparing.take(due) == 10_000 - told
    assert (sparing.take(due), sparing.deadline()) == (0, None)
    later = [sparing.may_tell(BEGAN + EVERY * AT_ONCE + number * EVERY // 10) for number in range(1000)]
    assert 1000 // 10 <= sum(later) <= AT_ONCE + 1000 // 10 + 1


def test_what_was_not_told_one_by_one_is_told_as_a_number_once_there_is_room():
    said, agenda = [], Agenda(lambda error: pytest.fail(str(error)))
    log = SimpleNamespace(warning=lambda event, **fields: said.append((event, fields)))
    plan, broken = SimpleNamespace(name="bed"), Offer("wren", Path("wren.yaml"), None, problems(1), "put there")
    seat = ServedSeat(plan, None, broken)
    seat.telling = agenda.reminder(partial(seat.tell_unsaid, log))
    for number in range(AT_ONCE + 7):
        seat.refuse(broken, "this is wrong", log, BEGAN + number)
    assert [event for event, _ in said] == ["profile_refused"] * AT_ONCE
    assert seat.refused == (BEGAN + AT_ONCE + 6, broken)
    assert agenda.next() == BEGAN + EVERY
    agenda.ring(BEGAN + EVERY)
    event, fields = said[-1]
    assert (event, fields["seat"], fields["unsaid"]) == ("profiles_refused", "bed", 7)
    assert len(said) == AT_ONCE + 1
    assert agenda.next() is None
