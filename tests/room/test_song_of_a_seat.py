"""A seat plays a song, and the others of the room play in its chords and its key."""

from __future__ import annotations

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import HARMONY, PartPlan, Plan
from router.core.events import Route, SwitchSample
from router.core.harmony import Progression
from router.core.music import SCALES, Music, chord_symbol, length
from router.core.rules import RULES
from router.core.units import NANOSECONDS
from router.offline.together import Together
from router.room.room import KEY, RoomPlan
from router.songs.example import EXAMPLE
from router.testing import MILLISECOND, Bench, plan_rule


def seat(
    *rules: tuple[str, dict], progression: Progression | None = None, follows: frozenset[str] = frozenset()
) -> Plan:
    made = tuple(plan_rule(RULES[name], written) for name, written in rules)
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
    part = PartPlan("tune", ("pad",), made, Route("out", 1))
    music = Music(EXAMPLE.tonic, EXAMPLE.scale) if progression else Music(9, SCALES["minor"])
    return Plan(music, Bench.WIDE, inputs, (part,), progression or Progression(), follows)


WREN = seat(("song", {"play": EXAMPLE, "press": "note"}), progression=Progression(song=EXAMPLE))
LARK = seat(("note", {}), ("chord", {"follow": True}), follows=frozenset({HARMONY}))
WREN_FOLLOWS = seat(
    ("song", {"play": EXAMPLE, "press": "note"}), progression=Progression(song=EXAMPLE), follows=frozenset({HARMONY})
)


def chords_of_lark(wren: Plan, room: RoomPlan | None = None) -> list[set[int]]:
    """The chords that Lark plays a moment after each of Wren's first six notes."""
    told: list[dict] = []

    def tell(who: str, _now: int, event: str, fields: dict) -> None:
        if who == "lark" and event == "note_on":
            told.append(fields)

    def press(place: int, after: int) -> list[tuple[int, SwitchSample]]:
        at = place * NANOSECONDS + after * MILLISECOND
        return [(at, SwitchSample("pad", pressed=True)), (at + 80 * MILLISECOND, SwitchSample("pad", pressed=False))]

    together = Together(room or RoomPlan(), {"lark": LARK, "wren": wren}, tell)
    samples = {
        "wren": [sample for place in range(1, 7) for sample in press(place, 0)],
        "lark": [sample for place in range(1, 7) for sample in press(place, 500)],
    }
    for _ in together.steps(samples, NANOSECONDS):
        pass
    notes = [fields["note"] % 12 for fields in told]
    return [set(notes[first : first + 3]) for first in range(0, len(notes), 3)]


def test_the_others_play_in_the_chords_of_the_song():
    written = [set(EXAMPLE.chord(step.at).classes) for step in EXAMPLE.tune.steps[:6]]
    assert chords_of_lark(WREN) == written
    assert chords_of_lark(WREN_FOLLOWS) == written, "whoever plays the song does not hear itself of the room"
    assert {frozenset(chord) for chord in written} == {frozenset({0, 4, 7}), frozenset({0, 5, 9})}


def test_the_rooms_own_chords_come_first():
    room = RoomPlan(Music(7), frozenset({KEY}), Progression((chord_symbol("Em"),), length("4 s")))
    assert chords_of_lark(WREN, room) == [{4, 7, 11}] * 6
