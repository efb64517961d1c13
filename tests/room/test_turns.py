"""Taking turns: how a turn passes, that nobody is locked out whatever the others do, and
that the line comes to rest.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from router.core.units import NANOSECONDS
from router.room.turns import TurnPlan, Turns

S = NANOSECONDS
PLAN = TurnPlan(quiet=2 * S, wait=8 * S, longest_turn=30 * S)


class Played:
    """Turns on virtual time: woken at each deadline exactly, and who had the turn from when on."""

    def __init__(self, *names: str, plan: TurnPlan = PLAN) -> None:
        self.turns = Turns(plan)
        self.now = 0
        self.told: list[tuple[float, str | None]] = []
        for name in names:
            self.turns.join(name, 0)

    def go_on(self, seconds: float) -> None:
        until = round(seconds * S)
        while (due := self.turns.deadline()) is not None and due <= until:
            self.now = max(self.now, due)
            self._tell(self.turns.wake(self.now))
        self.now = max(self.now, until)

    def note(self, name: str, begin: float, end: float) -> None:
        self.on(name, begin)
        self.go_on(end)
        self._tell(self.turns.played(name, False, self.now))

    def on(self, name: str, when: float) -> None:
        self.go_on(when)
        self._tell(self.turns.played(name, True, self.now))

    def leave(self, name: str, when: float) -> None:
        self.go_on(when)
        self._tell(self.turns.leave(name, self.now))

    def join(self, name: str, when: float) -> None:
        self.go_on(when)
        self._tell(self.turns.join(name, self.now))

    def _tell(self, changed: bool) -> None:
        if changed:
            self.told.append((self.now / S, self.turns.whose))


def test_whoever_plays_first_has_the_turn_and_it_passes_after_the_phrase():
    played = Played("wren", "lark", "finch")
    assert played.turns.whose is None
    played.note("lark", 1, 1.5)
    played.note("lark", 3, 4)  # within two seconds: the same phrase
    played.go_on(6)
    assert played.told == [(1, "lark"), (6, "wren")]
    played.note("wren", 7, 8)
    played.note("finch", 11, 12)
    played.go_on(13.9)
    assert played.told[2:] == [(10, "finch")]
    played.go_on(14)
    assert played.told[3:] == [(14, "lark")]


def test_a_note_that_is_held_is_no_quiet():
    played = Played("wren", "lark")
    played.on("wren", 0)
    played.note("wren", 1, 1.2)
    played.go_on(20)
    assert played.turns.whose == "wren"
    played.go_on(30)
    assert played.told == [(0, "wren"), (30, "lark")]


def test_a_turn_that_is_not_taken_passes_on():
    played = Played("wren", "lark", "finch")
    played.note("wren", 0, 1)
    played.note("wren", 20, 21)  # out of turn: it does not take the turn from the others, nor keep it from passing
    assert played.told == [(0, "wren"), (3, "lark"), (11, "finch"), (19, "wren")]


def test_no_turn_is_longer_than_most_even_if_it_is_played_on():
    played = Played("wren", "lark")
    for second in range(60):
        played.note("wren", second, second + 0.5)
    assert played.told == [(0, "wren"), (30, "lark"), (38, "wren")]


def test_the_time_counts_from_the_first_note_of_a_turn():
    played = Played("wren", "lark")
    played.note("wren", 0, 1)
    played.go_on(10)  # lark's since 3
    for second in range(10, 45):
        played.note("lark", second, second + 0.5)
    assert played.told == [(0, "wren"), (3, "lark"), (40, "wren")]


def test_whoever_is_alone_keeps_it_until_somebody_joins():
    played = Played("wren")
    played.note("wren", 0, 1)
    played.go_on(100)
    assert played.told == [(0, "wren")]
    assert played.turns.deadline() is None
    played.join("lark", 100)
    played.go_on(108)
    assert played.told[1:] == [(108, "lark")]


def test_who_plays_as_another_joins_has_its_full_time_from_then_on():
    played = Played("wren")
    played.on("wren", 0)
    played.join("lark", 100)
    played.go_on(200)
    assert played.told[:2] == [(0, "wren"), (130, "lark")]


@pytest.mark.parametrize("how", ["leaves", "plays another profile"])
def test_who_leaves_or_is_swapped_passes_its_turn_on_at_once(how):
    played = Played("wren", "lark", "finch")
    played.on("wren", 0)
    (played.leave if how == "leaves" else played.join)("wren", 5)
    assert played.told == [(0, "wren"), (5, "lark")]
    assert played.turns.taking == (("lark", "finch") if how == "leaves" else ("lark", "finch", "wren"))


def test_another_profile_keeps_its_place_in_line():
    played = Played("wren", "lark", "finch")
    played.on("wren", 0)
    played.join("lark", 1)
    assert played.turns.taking == ("wren", "lark", "finch")


def test_the_last_to_leave_leaves_it_free():
    played = Played("wren", "lark")
    played.on("wren", 0)
    played.leave("lark", 1)
    assert played.turns.whose == "wren"
    played.leave("wren", 2)
    assert (played.turns.whose, played.turns.taking, played.turns.deadline()) == (None, (), None)


def test_who_takes_no_turns_changes_nothing():
    played = Played("wren", "lark")
    played.on("dunlin", 0)
    assert played.turns.whose is None
    assert not played.turns.leave("dunlin", 0)


def test_it_rests_when_nobody_has_played_since_it_went_once_round():
    played = Played("wren", "lark", "finch")
    played.note("wren", 0, 1)
    played.go_on(1000)
    assert played.told == [(0, "wren"), (3, "lark"), (11, "finch"), (19, "wren"), (27, None)]
    assert played.turns.deadline() is None
    played.on("finch", 2000)
    assert played.told[5:] == [(2000, "finch")]


@pytest.mark.parametrize("comes", ["joins", "leaves"])
def test_who_comes_or_goes_while_nobody_plays_lets_it_go_round_once_more(comes):
    played = Played("wren", "lark", "finch")
    played.note("wren", 0, 1)  # then it is lark's from 3, finch's from 11, wren's from 19
    if comes == "joins":
        played.join("nuthatch", 20)
        played.go_on(50.9)
        assert played.told[4:] == [(27, "lark"), (35, "finch"), (43, "nuthatch")]
        played.go_on(51)
    else:
        played.leave("lark", 20)
        played.go_on(34.9)
        assert played.told[4:] == [(27, "finch")]
        played.go_on(35)
    assert played.told[-1] == (played.now / S, None)
    assert played.turns.deadline() is None


def test_playing_out_of_turn_keeps_it_going_round():
    played = Played("wren", "lark", "finch")
    played.note("wren", 0, 1)
    for second in range(4, 24, 5):
        played.note("finch", second, second + 0.1)
    assert None not in [whose for _, whose in played.told]


def test_a_late_wake_up_shortens_nobodys_time():
    turns = Turns(PLAN)
    turns.join("wren", 0)
    turns.join("lark", 0)
    turns.played("wren", True, 0)
    turns.played("wren", False, S)
    assert turns.wake(50 * S)
    assert (turns.whose, turns.deadline()) == ("lark", 58 * S)
    assert not turns.wake(58 * S - 1)


# --- nobody is locked out ---------------------------------------------------------------------------------------

NAMES = ("wren", "lark", "finch", "heron", "nuthatch")
DOINGS = st.lists(
    st.tuples(
        st.sampled_from(NAMES[1:]),
        st.sampled_from(["on", "on", "off", "off", "leave", "join", "leave and join", "nothing"]),
        st.sampled_from([0, 0.1, 0.9, 1.9, 2, 4.5, 8, 29]),
    ),
    max_size=120,
)


@settings(max_examples=400, deadline=None)
@given(
    st.lists(st.sampled_from(NAMES), unique=True, min_size=1),
    DOINGS,
    st.builds(
        TurnPlan,
        quiet=st.sampled_from([S // 2, 2 * S, 40 * S]),
        wait=st.sampled_from([S, 8 * S]),
        longest_turn=st.sampled_from([S, 5 * S, 30 * S]),
    ),
    st.booleans(),
)
def test_whatever_the_others_do_it_is_everybodys_turn_again_in_time(first, doings, plan, never_stops):
    """The bound of the module's docstring. Wren does nothing;
    with ``never_stops`` lark holds a note for ever and strikes others.
    """
    played = Played(plan=plan)
    turns = played.turns
    bound = plan.wait + plan.longest_turn
    ended: dict[
        str, tuple[int, int]
    ] = {}  # when each seat's turn was over, or it joined, and how many stood in line then

    def look() -> None:
        for name in [name for name in ended if name not in turns.taking]:
            del ended[name]
        for name in turns.taking:
            if turns.whose in (None, name):
                ended[name] = (played.now, 0)  # counts again from the moment at which it is another's
                continue
            since, others = ended.setdefault(name, (played.now, 0))
            if not others:
                ended[name] = (since, len(turns.taking) - 1)
                others = len(turns.taking) - 1
            assert played.now - since <= others * bound, (name, played.told)

    def go_on(until: int) -> None:
        while (due := turns.deadline()) is not None and due <= until:
            assert due >= played.now
            played.now = due
            look()
            turns.wake(due)
            look()
        played.now = max(played.now, until)
        look()

    for name in first:
        turns.join(name, 0)
        look()
    if never_stops:
        turns.played("lark", True, 0)
    for name, doing, gap in doings:
        go_on(played.now + round(gap * S))
        if "leave" in doing:
            turns.leave(name, played.now)
            look()
        if "join" in doing:
            turns.join(name, played.now)
        if doing in ("on", "off"):
            turns.played(name, doing == "on", played.now)
        look()
        if never_stops and "lark" in turns.taking:
            turns.played("lark", True, played.now)
            look()
    go_on(played.now + 200 * bound // (S // 10))


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from(NAMES), unique=True, min_size=1), DOINGS)
def test_when_nobody_plays_the_line_comes_to_rest(first, doings):
    played = Played(*first)
    turns = played.turns
    for name, doing, gap in doings:
        played.go_on(played.now / S + gap)
        if doing in ("on", "off"):
            turns.played(name, doing == "on", played.now)
        elif doing != "nothing":
            turns.leave(name, played.now)
            if doing != "leave":
                turns.join(name, played.now)
    wakes = 0
    while (due := turns.deadline()) is not None:
        turns.wake(due)
        wakes += 1
        assert wakes <= len(NAMES) + 1


def test_a_room_that_says_nothing_of_it_has_turns_of_half_a_minute():
    assert TurnPlan() == PLAN
