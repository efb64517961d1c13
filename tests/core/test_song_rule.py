"""The rule ``song``: her part, effort by effort."""

from __future__ import annotations

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import PartPlan, Plan
from router.core.events import NoteOff, NoteOn, Press, Release, Route, SwitchSample
from router.core.harmony import Progression
from router.core.music import Music
from router.core.playing.transport import transport_of
from router.core.rules import RULES
from router.core.rules.song import SongRule
from router.core.units import NANOSECONDS
from router.songs.example import EXAMPLE
from router.testing import MILLISECOND, Bench, RuleUnderTest, VirtualTime, plan_rule


def bench(**settings: object) -> Bench:
    return Bench(RuleUnderTest(SongRule, {"play": "evening", **settings}, "song"))


def sounded(events) -> list[tuple[int, int, int]]:
    """Each note: when it began and ended, in nanoseconds, and its pitch."""
    on: dict[int, list[tuple[int, int]]] = {}
    found = []
    for now, event in events:
        if isinstance(event, NoteOn):
            on.setdefault(event.voice, []).append((now, event.pitch))
        elif isinstance(event, NoteOff):
            found += [(began, now, pitch) for began, pitch in on.pop(event.voice, ())]
    assert not on
    return sorted(found)


def written(part: int) -> list[tuple[int, int, int]]:
    """The notes of a part of the example as they are written, in nanoseconds."""
    return [(note.at, note.end, note.pitch) for note in EXAMPLE.timed((part,), by_quarters=False)]


def test_a_press_a_note_at_the_written_times_gives_the_melody():
    rule = bench(press="note")
    for voice, (begins, ends, _) in enumerate(written(0), 1):
        rule.give(Press("pad", voice), begins)
        rule.give(Release("pad", voice), ends)
    assert sounded(rule.out) == written(0)


def test_a_short_press_a_note_gives_the_written_lengths_if_asked():
    rule = bench(press="note", lengths="written")
    for voice, (begins, _, _) in enumerate(written(0), 1):
        rule.give(Press("pad", voice), begins)
        rule.give(Release("pad", voice), begins + 80 * MILLISECOND)
    rule.go_on(rule.now + 5 * NANOSECONDS)
    assert sounded(rule.out) == written(0)


def test_a_press_a_phrase_gives_the_melody():
    for press in ("phrase", "bar", "section"):
        rule = bench(press=press)
        tune = EXAMPLE.tune.steps
        cuts = {"phrase": [tune[phrase.first].at for phrase in EXAMPLE.phrases], "bar": EXAMPLE.bars[:-1]}
        for voice, at in enumerate(cuts.get(press, [section.at for section in EXAMPLE.sections]), 1):
            when = EXAMPLE.ticks(at, by_quarters=False)
            rule.give(Press("pad", voice), when)
            rule.give(Release("pad", voice), when + 80 * MILLISECOND)
        rule.go_on(rule.now + 30 * NANOSECONDS)
        assert sounded(rule.out) == written(0)


def test_after_the_last_note_the_song_begins_again_or_rests():
    for end, then in (("loop", 1), ("stop", 0)):
        rule = bench(press="note", end=end, restart_after="5 s")
        for voice in range(1, len(written(0)) + 1):
            rule.give(Press("pad", voice), voice * NANOSECONDS)
            rule.give(Release("pad", voice), voice * NANOSECONDS + 100 * MILLISECOND)
        begun = len(sounded(rule.out))
        assert begun == len(written(0))
        for voice in range(100, 104):  # efforts in the rest do not prolong it
            rule.give(Press("pad", voice), rule.now + NANOSECONDS)
            rule.give(Release("pad", voice), rule.now + 100 * MILLISECOND)
        assert len(sounded(rule.out)) == begun + 4 * then
        rule.give(Press("pad", 200), rule.now + 7 * NANOSECONDS)
        rule.give(Release("pad", 200), rule.now + 100 * MILLISECOND)
        assert sounded(rule.out)[-1][2] == written(0)[0][2]


def test_early_presses_play_wait_or_do_not_count():
    for early, times in (("at once", [0, 100, 200]), ("in time", [0, 600]), ("not counted", [0])):
        rule = bench(press="note", early=early)
        for voice in (1, 2, 3):
            rule.give(Press("pad", voice), (voice - 1) * 100 * MILLISECOND)
            rule.give(Release("pad", voice), rule.now + 50 * MILLISECOND)
        rule.go_on(5 * NANOSECONDS)
        assert [began // MILLISECOND for began, _, _ in sounded(rule.out)] == times


def test_after_a_pause_the_phrase_begins_again_if_asked():
    for restart, pitches in (("beginning", [60, 60]), ("phrase", [65, 65])):
        rule = bench(press="note", restart_at=restart, restart_after="10 s")
        for voice in range(1, 11):  # the seventh is the last of its phrase, the eighth begins the next
            rule.give(Press("pad", voice), voice * NANOSECONDS)
            rule.give(Release("pad", voice), rule.now + 50 * MILLISECOND)
        rule.give(Press("pad", 50), rule.now + 20 * NANOSECONDS)
        rule.give(Release("pad", 50), rule.now + 50 * MILLISECOND)
        assert sounded(rule.out)[-1][2] == pitches[0]


def test_a_gesture_may_set_the_song_to_its_beginning():
    rule = bench(press="note", restart_by="pad.long")
    for voice in range(1, 4):
        rule.give(Press("pad", voice), voice * NANOSECONDS)
        rule.give(Release("pad", voice), rule.now + 50 * MILLISECOND)
    assert rule.give(Press("pad.long", 9), 4 * NANOSECONDS) == []
    rule.give(Release("pad.long", 9), rule.now + 50 * MILLISECOND)
    rule.give(Press("pad", 10), 5 * NANOSECONDS)
    rule.give(Release("pad", 10), rule.now + 50 * MILLISECOND)
    assert [pitch for _, _, pitch in sounded(rule.out)] == [60, 60, 67, 60]


def test_a_press_plays_the_whole_song():
    rule = bench(press="start")
    rule.give(Press("pad", 1), 0)
    rule.give(Release("pad", 1), 100 * MILLISECOND)
    rule.go_on(60 * NANOSECONDS)
    assert sounded(rule.out) == written(0)


def test_the_song_stops_with_the_bar_and_goes_on_from_there():
    bar = EXAMPLE.ticks(EXAMPLE.bars[1], by_quarters=False)
    for stop_by in ("second press", "release"):
        rule = bench(press="start", stop_by=stop_by)
        rule.give(Press("pad", 1), 0)
        if stop_by == "second press":
            rule.give(Release("pad", 1), 100 * MILLISECOND)
            rule.give(Press("pad", 2), 1000 * MILLISECOND)
            rule.give(Release("pad", 2), 1100 * MILLISECOND)
        else:
            rule.give(Release("pad", 1), 1000 * MILLISECOND)
        rule.go_on(10 * NANOSECONDS)
        first = [note for note in written(0) if note[0] < bar]
        assert sounded(rule.out) == first, stop_by
        rule.give(Press("pad", 3), 10 * NANOSECONDS)
        rule.go_on(12 * NANOSECONDS)
        assert [event.pitch for now, event in rule.out if isinstance(event, NoteOn)][len(first)] == 69  # of bar 2


def test_a_press_while_the_song_is_closing_lets_it_go_on():
    rule = bench(press="start")
    for voice in (1, 2, 3):
        rule.give(Press("pad", voice), voice * 500 * MILLISECOND)
        rule.give(Release("pad", voice), rule.now + 100 * MILLISECOND)
    rule.go_on(60 * NANOSECONDS)
    assert len(sounded(rule.out)) == len(written(0))


def test_a_song_in_time_ends_with_the_bar_when_nobody_plays_any_more():
    rule = bench(press="now", tempo="written", restart_after="3 s")
    rule.give(Press("pad", 1), 0)
    rule.give(Release("pad", 1), 100 * MILLISECOND)
    assert rule.waiting
    rule.go_on(10 * NANOSECONDS)
    assert not rule.waiting
    rule.give(Press("pad", 2), 11 * NANOSECONDS)  # the song begins again
    rule.give(Release("pad", 2), 11100 * MILLISECOND)
    assert [pitch for _, _, pitch in sounded(rule.out)] == [60, 60]


def in_harmony(*rules: dict, hers: dict) -> VirtualTime:
    """Her part, and another on a second switch, in the harmony of the song; nothing is limited."""
    inputs = {
        name: lambda voice, alarm, name=name: SwitchConditioner(name, SwitchSettings(), voice, alarm)
        for name in ("pad", "pad2")
    }
    parts = (
        PartPlan("friend", ("pad2",), tuple(plan_rule(RULES[n], s) for rule in rules for n, s in rule.items()), OTHER),
        PartPlan("tune", ("pad",), (plan_rule(RULES["song"], {"play": EXAMPLE, **hers}), FOLLOWS), Route("out", 1)),
    )
    return VirtualTime(Plan(Music(), Bench.WIDE, inputs, parts, Progression(song=EXAMPLE)))


OTHER = Route("out", 2)
FOLLOWS = plan_rule(RULES["chord"], {"follow": True})


def test_the_chords_of_the_song_are_there_before_the_notes_that_stand_on_them():
    """The fifth note of the example, and the ninth, stand on F; the third on C."""
    player = in_harmony({"note": {}}, {"chord": {"follow": True}}, hers={"press": "note"})
    chords = []
    for place in range(9):
        player.give(place * NANOSECONDS, SwitchSample("pad", pressed=True))
        notes = [fields["note"] % 12 for _, _, fields in player.log.named("note_on")]
        chords.append(set(notes[-3:]))
        player.give(player.now + 100 * MILLISECOND, SwitchSample("pad", pressed=False))
    tune = EXAMPLE.tune.steps
    assert chords == [set(EXAMPLE.chord(step.at).classes) for step in tune[:9]]
    assert {frozenset(chord) for chord in chords} == {frozenset({0, 4, 7}), frozenset({5, 9, 0})}


def test_another_part_follows_the_chords_and_waits_with_the_song():
    player = in_harmony({"note": {}}, {"chord": {"follow": True}}, hers={"press": "note"})
    for place in range(4):  # the song waits before the fifth note, on which F begins
        player.give(place * NANOSECONDS, SwitchSample("pad", pressed=True))
        player.give(player.now + 100 * MILLISECOND, SwitchSample("pad", pressed=False))
    player.give(30 * NANOSECONDS, SwitchSample("pad2", pressed=True))
    assert {fields["note"] % 12 for _, _, fields in player.log.named("note_on")[-3:]} == {0, 4, 7}
    player.give(31 * NANOSECONDS, SwitchSample("pad", pressed=True))  # what is held goes on in the next chord
    of_friend = [fields for _, _, fields in player.log.named("note_on") if fields["part"] == "friend"]
    assert {fields["note"] % 12 for fields in of_friend[-3:]} == {5, 9, 0}


def her_rates(gaps: list[int], **settings: object) -> list[float]:
    """The tempo after each press, as a share of the written one; the presses so many milliseconds apart."""
    rule = bench(press="note", tempo="hers", **settings)
    transport = transport_of(rule.rule.context.shared, "")
    rates, now = [], 0
    for voice, gap in enumerate(gaps, 1):
        rule.give(Press("pad", voice), now * MILLISECOND)
        rule.give(Release("pad", voice), now * MILLISECOND + 50 * MILLISECOND)
        rates.append(float(transport.rate))
        now += gap
    return rates


QUARTERS = [600, 600, 600, 600, 600, 600, 1200] * 6
"""The rhythm of the example at its own tempo, 100 bpm, in milliseconds."""


def test_a_tempo_that_follows_her_gets_to_hers_and_stays_smooth_within_a_phrase():
    assert her_rates(QUARTERS) == [1.0] * len(QUARTERS)
    rates = her_rates([2 * gap for gap in QUARTERS], slowest="20 bpm")
    assert abs(rates[-1] - 0.5) < 0.02
    begins = {phrase.first for phrase in EXAMPLE.phrases}
    for place in range(1, len(rates)):
        most = 1.301 if place in begins else 1.101  # the rates are thousandths
        assert 1 / most <= rates[place] / rates[place - 1] <= most


def test_a_tempo_that_follows_her_keeps_between_its_bounds_and_passes_over_pauses():
    slow = her_rates([3 * gap for gap in QUARTERS], slowest="50 bpm")
    assert 0.5 <= min(slow) == slow[-1] < 0.51
    fast = her_rates([gap * 2 // 3 for gap in QUARTERS], fastest="110 bpm")
    assert 1.09 < max(fast) == fast[-1] <= 1.1
    pauses = [5000 if place % 4 == 3 else gap for place, gap in enumerate(QUARTERS)]
    assert her_rates(pauses) == [1.0] * len(QUARTERS)


def test_setting_the_song_to_its_beginning_ends_what_sounds_at_once():
    for press in ("phrase", "start", "now"):
        rule = bench(press=press, restart_by="pad.long", tempo="written")
        rule.give(Press("pad", 1), 0)
        rule.give(Release("pad", 1), 100 * MILLISECOND)
        rule.give(Press("pad.long", 2), 1000 * MILLISECOND)
        assert not rule.on, press
        rule.give(Release("pad.long", 2), 1100 * MILLISECOND)
        rule.give(Press("pad", 3), 2000 * MILLISECOND)
        assert [event.pitch for _, event in rule.out if isinstance(event, NoteOn)][-1] == 60
