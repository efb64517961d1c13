"""Two seats of one router process over JACK: one hears the other, answers, and takes turns with it."""

import json

from tests.shared.waiting import until

NOTE = "note: {{pitch: {}}}"
TUNE, ANSWER, BAND, OTHER = 60, 72, 48, 67

LISTENS = """
profile: 1
child: lark
inputs:
  pad: {{type: switch, device: {{serial: "{line}"}}, debounce: 0 ms}}
  friend: {{type: listen, seat: {named}, quiet: 300 ms}}
parts:
  answer:
    input: [pad, friend]
    rules: [answer: {{hears: friend, quiet: 300 ms, octaves: 1}}]
    output: {{port: synth, channel: 1}}
  band:
    input: friend.phrase
    rules: [note: {{pitch: C3}}]
    output: {{port: synth, channel: 2}}
outputs:
  synth: {{midi: "{synth}:*"}}
"""


def listening(pc, listener, line, named="window"):
    """The door's child hears the window's from now on."""
    (pc.folder / "door" / "lark.yaml").write_text(
        LISTENS.format(line=line.path, synth=listener.client, named=named), encoding="utf-8"
    )
    until(lambda: "friend" in seat(pc, "door")["inputs"])


def test_a_seat_that_is_not_there_is_said(children):
    pc, listener, (_, two) = children(follow="tempo", rules=(NOTE.format("C4"), NOTE.format("E4")))
    listening(pc, listener, two, named="windw")
    (said,) = seat(pc, "door")["warnings"]
    assert said == (
        '"friend" listens to the seat "windw", and there is none (there are window, door); did you mean "window"?'
    )
    listening(pc, listener, two, named="door")
    until(lambda: any("its own seat" in why for why in seat(pc, "door")["warnings"]))
    listening(pc, listener, two, named="anybody")
    until(lambda: not seat(pc, "door")["warnings"])
    assert pc.stop() == 0


def seat(pc, name):
    return pc.ask(do="status")["status"]["seats"][name]


def tap(listener, line, note):
    line.press()
    until(lambda: note in listener.sounding())
    line.press(False)
    until(lambda: note not in listener.sounding())


def test_a_seat_hears_another_joins_in_and_answers(children):
    pc, listener, (one, two) = children(follow="tempo", rules=(NOTE.format("C4"), NOTE.format("E4")))
    listening(pc, listener, two)
    assert seat(pc, "door")["inputs"]["friend"]["value"] is None
    one.press()
    until(lambda: {TUNE, BAND} <= set(listener.sounding()))
    one.press(False)
    until(lambda: not listener.sounding())  # the phrase is over a while after its last note
    friend = seat(pc, "door")["inputs"]["friend"]
    assert (friend["type"], friend["there"], friend["device"]) == ("listen", True, "the seat window")
    assert friend["value"][1:] == [TUNE, 0]
    tap(listener, two, ANSWER)
    assert seat(pc, "door")["presses"] == {"pad": 1}, "what others play is no effort of this child"
    assert pc.stop() == 0
    assert not listener.sounding()
    assert [event for event in pc.events() if event["event"] in ("rule_fault", "fault")] == []


def test_a_swap_in_the_middle_of_a_phrase_ends_what_was_heard(children):
    pc, listener, (one, two) = children(follow="tempo", rules=(NOTE.format("C4"), NOTE.format("E4")))
    listening(pc, listener, two)
    one.press()
    until(lambda: {TUNE, BAND} <= set(listener.sounding()))
    profile = pc.folder / "window" / "wren.yaml"
    profile.write_text(profile.read_text(encoding="utf-8").replace("C4", "G4"), encoding="utf-8")
    until(lambda: not listener.sounding())
    one.press(False)
    one.press()
    until(lambda: {OTHER, BAND} <= set(listener.sounding()))
    one.press(False)
    until(lambda: not listener.sounding())
    assert pc.stop() == 0


def test_a_child_whose_sound_is_off_is_not_heard(children):
    """For a baseline nothing sounds, and no other child's band may play in its stead."""
    pc, listener, (one, two) = children(follow="tempo", rules=(NOTE.format("C4"), NOTE.format("E4")))
    listening(pc, listener, two)
    pc.ask(do="mark", text="baseline", seat="window")
    one.press()
    until(lambda: seat(pc, "window")["presses"] == {"pad": 1})
    one.press(False)
    pc.ask(do="mark", text="playing", seat="window")
    assert seat(pc, "door")["inputs"]["friend"]["heard"] is None
    tap(listener, one, TUNE)
    assert [data[1] for data in listener.heard if data[0] & 0xF0 == 0x90 and data[2]].count(BAND) == 1
    assert pc.stop() == 0


def test_turns_pass_and_out_of_turn_is_softer(children):
    rules = [f"{NOTE.format(pitch)}, turns: {{{{}}}}".replace("{{}}", "{}") for pitch in ("C4", "E4")]
    pc, listener, (one, two) = children(follow="tempo", rules=rules, room="room: {turns: {quiet: 1 s}}")
    tap(listener, one, TUNE)
    tap(listener, two, 64)
    until(lambda: pc.ask(do="status")["status"]["room"]["turn"] == "door")
    tap(listener, one, TUNE)
    tap(listener, two, 64)
    struck = [(data[1], data[2]) for data in listener.heard if data[0] & 0xF0 == 0x90 and data[2]]
    assert struck == [(TUNE, 80), (64, 40), (TUNE, 40), (64, 80)], json.dumps(struck)
    assert pc.stop() == 0
