"""Checks of meaning: every line may be right, and the profile still not play what it says.

An input that no part uses, a rule that gets nothing it can work with, thresholds the wrong way round: nothing here
stops the program, and each would be a child's effort that nobody hears.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from router.core.accompaniment import BY_ITSELF
from router.core.contract import Kind, Rule
from router.core.midi import DRUM_CHANNEL, EXPRESSION
from router.core.units import nearest
from router.files.diagnostics import Place, Report, either, quoted
from router.files.plugins import installed
from router.files.profile import input_checks, song_checks
from router.files.profile.input_checks import centres, no_source
from router.files.profile.pieces import PRESSES, InputPiece, PartPiece, RulePiece
from router.files.source import Entries, Items, Text

_OF_PITCHES = ("scale_lock", "chord", "transpose", "range", "drone")
"""Rules that make no sense where each note is another drum."""


def check(
    inputs: Mapping[str, InputPiece],
    outputs: Mapping[str, tuple[Mapping[str, Any], Place]],
    parts: Sequence[PartPiece],
    music: Entries,
    report: Report,
) -> None:
    """Report the mistakes that only show when the pieces are seen together."""
    input_checks.check(inputs, parts, report)
    same_output_twice(outputs, report)
    chords = music.values.get("progression")
    progression = chords if isinstance(chords, Entries) else None
    used = centres(inputs, report) | _progression(progression, inputs, report)
    song_checks.chords(progression, parts, report)
    for part in parts:
        known = _sources(part, inputs, report)
        used |= {source.split(".")[0] for source in part.names} | known.meant | _clears(part, inputs, report)
        if known.kinds is not None and part.rules is not None:
            _chain(part, known.kinds or {"": Kind.GESTURES}, report)  # a band: it is moved by others
            _chosen_by_level(part, known.kinds, report)
        _port(part, outputs, report)
        _drums(part, report)
        _weights(part, report)
        _latches(part, inputs, report)
        _answers(part, inputs, report)
        _moved_twice(part, report)
        _goes_on(part, report)
        if progression is None and not _follows_harmony(music):
            _follows(part, report)
    song_checks.check(parts, report)
    _bands(parts, report)
    _unused(inputs, used, parts, report)
    _two_sounds(parts, report)
    _programs(parts, report)


# --- outputs ----------------------------------------------------------------------------------------------------


def same_output_twice(outputs: Mapping[str, tuple[Mapping[str, Any], Place]], report: Report) -> None:
    """Two outputs that lead to the same port."""
    seen: dict[str, tuple[str, Place]] = {}
    for name, (values, place) in outputs.items():
        if "midi" not in values:
            continue
        first, where = seen.setdefault(str(values["midi"]).casefold(), (name, place))
        if first != name:
            report.add(
                place,
                f'"{first}" (line {where.line}) and "{name}" are the same MIDI port',
                f'A note that both play would be cut short by the first to end. Let the parts use "port: {first}".',
            )


def _port(part: PartPiece, outputs: Mapping[str, Any], report: Report) -> None:
    port = part.output.values.get("port")
    if not isinstance(port, Text) or port.empty or port.text in outputs or not outputs:
        return
    near = nearest(port.text, list(outputs))
    hint = f'Did you mean "{near}"?  ' if near else ""
    report.missing(
        port.place,
        f"there is no output called {quoted(port.text)}",
        f"{hint}The outputs of this profile: {', '.join(outputs)}.",
    )


def _drums(part: PartPiece, report: Report) -> None:
    if part.route.get("channel") != DRUM_CHANNEL:
        for step in part.steps:
            if step.rule.name in ("drum", "drums") and part.route:
                report.add(
                    step.place,
                    f"{step.rule.name} plays on channel {DRUM_CHANNEL} only: on others its notes are not drums",
                    f'Write "channel: {DRUM_CHANNEL}" under output.',
                )
        return
    for step in part.steps:
        if step.rule.name in _OF_PITCHES:
            report.add(
                step.place,
                f"{step.rule.name} cannot be used on channel {DRUM_CHANNEL}, where each note is another drum",
                "Leave this rule out, or choose another channel.",
            )


def _two_sounds(parts: Sequence[PartPiece], report: Report) -> None:
    seen: dict[tuple[str, int], PartPiece] = {}
    for part in parts:
        if "program" not in part.route:
            continue
        first = seen.setdefault((part.route["port"], part.route["channel"]), part)
        if first.route["program"] != part.route["program"]:
            report.add(
                part.output.keys["program"].place,
                f'"{first.name}" (line {first.place.line}) has another sound on the same channel',
                f"A channel has one sound at a time. Give one of the two parts another channel, not "
                f"{part.route['channel']}.",
            )


def _programs(parts: Sequence[PartPiece], report: Report) -> None:
    """Report rules that change the sound of a channel on which another part plays, too."""
    for part in parts:
        where = (part.route.get("port"), part.route.get("channel"))
        other = next(
            (
                p
                for p in parts
                if p is not part and part.route and where == (p.route.get("port"), p.route.get("channel"))
            ),
            None,
        )
        for step in part.steps:
            if step.rule.name == "program" and other is not None:
                report.add(
                    step.place,
                    f'this would change the sound of "{other.name}" (line {other.place.line}) too: both play on channel'
                    f" {where[1]}",
                    "Give one of the two parts another channel.",
                )


# --- music ------------------------------------------------------------------------------------------------------

_GOES_ON = 'For example "every: 2 bars", "advance: pad" (an input), "follow: keys" (a MIDI input) or "song: evening".'


def _progression(node: Entries | None, inputs: Mapping[str, InputPiece], report: Report) -> set[str]:
    """Check that a progression has chords and one thing that advances them; return the inputs used for that."""
    if node is None:
        return set()
    ways = [name for name in ("every", "advance", "follow", "song") if name in node.values]
    if not ways and not _lengths(node, report):
        report.missing(node.place, "nothing goes on to the next chord of this progression", _GOES_ON)
    elif len(ways) > 1:
        message = f'a progression goes on by "{ways[0]}" or by "{ways[1]}", not by both'
        report.add(node.keys[ways[1]].place, message, "Keep one of the two.")
    if not {"chords", "follow", "song"} & node.values.keys():
        report.missing(node.place, "this progression has no chords", 'For example "chords: [C, Am, F, G]".')
    if ways:
        _lengths(node, report)
    every = {source: kind for heard in inputs.values() for source, kind in heard.sources().items()}
    listening = {name for name, heard in inputs.items() if heard.type == "listen"}
    presses = {source for source, kind in every.items() if kind & PRESSES and source.split(".")[0] not in listening}
    keyboards = {name for name, heard in inputs.items() if heard.type == "midi"}
    used: set[str] = set()
    for way, right in (("advance", presses), ("follow", keyboards)):
        text = node.values.get(way)
        if not isinstance(text, Text) or text.empty:
            continue
        name = text.text.strip()
        head = name.split(".")[0]
        used |= {head} if name in right else set(inputs)  # what it should be is told here
        if name in right or (head in inputs and not inputs[head].sources()):
            continue
        if name not in every:
            message, hint, _ = no_source(
                name, inputs, {source: kind for source, kind in every.items() if source in right} or every
            )
            if way == "follow" and name == "room":
                hint = 'To follow the room, write "follow: room" under music itself, beside the progression.'
            report.missing(text.place, message, hint)
        elif head in listening:
            message = (
                f"{quoted(name)} is played by others, and no chord may change by that: two could change each other's"
                " for ever"
            )
            report.add(text.place, message, f"Name {either(sorted(right))}." if right else _GOES_ON)
        elif way == "follow":
            hint = f"Name {either(sorted(keyboards))}." if keyboards else "Add an input of type midi for it."
            report.add(text.place, f"only a MIDI input can be followed, and {quoted(name)} is none", hint)
        else:
            report.add(
                text.place,
                f"{quoted(name)} gives no presses, and a press is what goes on",
                f"Name {either(sorted(presses))}.",
            )
    return used


def _lengths(node: Entries, report: Report) -> bool:
    """Check that chords with lengths of their own go on by time, and that each of the others has one.

    Return whether any has.
    """
    chords = node.values.get("chords")
    if not isinstance(chords, Items):
        return False
    timed = {bool(chord.lasts): item for item in chords.items if (chord := report.kept(item)) is not None}
    way = next((name for name in ("advance", "follow") if name in node.values), None)
    if True in timed and way is not None:
        hint = f'Take the length out, or write "every: 1 bar" in place of "{way}".'
        report.add(timed[True].place, f'these chords go on by "{way}", so none has a length of its own', hint)
    elif True in timed and False in timed and "every" not in node.values:
        hint = 'Write how long the others last, for example "every: 1 bar" beside the chords.'
        report.missing(timed[False].place, "this chord has no length, and others have one", hint)
    return True in timed


def _follows_harmony(music: Entries) -> bool:
    """Tell whether the chords may come from the room; also true if ``follow`` cannot be read."""
    node = music.values.get("follow")
    return node is not None and not (isinstance(node, Text) and node.text.strip() == "tempo")


def _follows(part: PartPiece, report: Report) -> None:
    """Report rules that follow the chord; to be called if there are no chords."""
    for step in part.steps:
        follows = step.settings.get("follow") is True or (
            step.rule.name == "scale_lock" and step.settings.get("to") == "chord"
        )
        if follows:
            report.missing(
                step.place,
                f'"{step.rule.name}" follows the chords of the music, and there are none',
                'Write them under music, for example "progression: {chords: [C, Am, F, G], every: 2 bars}". '
                'Or "follow: room" there, for those of the room.',
            )


def _heard_in(part: PartPiece, inputs: Mapping[str, InputPiece], *types: str) -> list[str]:
    """The inputs of a part that are of these types."""
    heads = dict.fromkeys(source.partition(".")[0] for source in part.names)
    return [name for name in heads if name in inputs and inputs[name].type in types]


def _bands(parts: Sequence[PartPiece], report: Report) -> None:
    """Report a band that nothing begins, and an input of one that begins by itself."""
    efforts = any(part.sources is None or part.sources for part in parts)
    for part in parts:
        step = next((step for step in part.steps if step.rule.counts_bars and step.settings), None)
        if step is None:
            continue
        by_itself = step.settings.get("starts") == BY_ITSELF
        if by_itself and part.sources:
            report.add(
                part.sources[0].place,
                "this band starts by itself, and needs no input",
                'Take the input out, or "starts: by itself".',
            )
        elif not by_itself and not efforts:
            report.missing(
                step.place,
                "nothing begins this band: no part of this profile has an input",
                'Give this part or another one an input, or write "starts: by itself".',
            )


def _latches(part: PartPiece, inputs: Mapping[str, InputPiece], report: Report) -> None:
    """Check that a latch that others switch on ends by itself, as nobody here can switch it off."""
    heard = _heard_in(part, inputs, "listen")
    for step in part.steps:
        if step.rule.name == "latch" and heard and step.settings and "longest" not in step.settings:
            report.missing(
                step.place,
                f'"{heard[0]}" is played by others: what it has switched on must end by itself',
                'Write for example "latch: {longest: 30 s}".',
            )


def _answers(part: PartPiece, inputs: Mapping[str, InputPiece], report: Report) -> None:
    """Report answers without something that they answer, or without an effort that plays them."""
    for place, step in enumerate(part.steps):
        if step.rule.name != "answer" or "hears" not in step.settings or part.sources is None:
            continue
        name = step.settings["hears"].strip()
        heard = [name for name in _heard_in(part, inputs, "listen", "midi") if name in part.names]
        hint = f"It takes {either(heard)}." if heard else 'For example an input "call: {type: listen, seat: anybody}".'
        if name not in heard:
            report.missing(
                step.place,
                f'"answer" cannot hear {quoted(name)}: it takes an input of this part that is of type listen or midi',
                hint,
            )
        elif all(source.partition(".")[0] == name for source in part.names):
            report.missing(
                step.place,
                f'nothing plays the answer: all that this part hears is "{name}"',
                f'Let it have the child\'s input too, for example "input: [pad, {name}]".',
            )
        elif place:
            report.add(step.place, '"answer" must be the first rule of its part', "Move it to the top.")


def _goes_on(part: PartPiece, report: Report) -> None:
    """Report a song that goes on for a time after each effort, and could not be begun or ended by that."""
    for place, step in enumerate(part.steps):
        song = next((later for later in part.steps[place + 1 :] if later.rule.name == "song"), None)
        if step.rule.name != "contingent" or song is None or not song.settings:
            continue
        if song.settings.get("press") != "start":
            report.add(
                song.at("press"),
                f'the "contingent" in line {step.place.line} keeps further presses to itself, and the song would not go'
                " on with them",
                'Write "press: start": the song then plays for as long as "contingent" lets it.',
            )
        elif song.settings.get("stop_by") != "release":
            report.missing(
                song.at("stop_by"),
                f'the "contingent" in line {step.place.line} ends by a release, and this song does not',
                'Write "stop_by: release, stop_at: at once": the next effort lets it go on from there.',
            )


def _clears(part: PartPiece, inputs: Mapping[str, InputPiece], report: Report) -> set[str]:
    """Check the inputs that end the layers of a part; return those that are used for that."""
    every = {source: kind for heard in inputs.values() for source, kind in heard.sources().items()}
    presses = {source: kind for source, kind in every.items() if kind & PRESSES}
    used: set[str] = set()
    for step in part.steps:
        if step.rule.name != "layers" or "clear" not in step.settings:
            continue
        name = step.settings["clear"].strip()
        head = name.split(".")[0]
        others = [source for source in presses if source not in part.names and _whose(source, inputs) != "listen"]
        used |= {head} if name in others else set(inputs)  # what it should be is told here
        hint = f"Name {either(others)}." if others else "Add an input for it, such as a second switch."
        if name not in every:
            message, nearer, _ = no_source(name, inputs, presses or every)
            report.missing(step.at("clear"), message, nearer)
        elif name not in presses:
            report.add(step.at("clear"), f"{quoted(name)} gives no presses, and a press is what ends the layers", hint)
        elif name in part.names:
            report.add(step.at("clear"), f"this part plays by {quoted(name)}, and its layers would end by it", hint)
        elif _whose(name, inputs) == "listen":
            report.add(step.at("clear"), f"{quoted(name)} is played by others, who would end what she plays", hint)
    return used


def _whose(source: str, inputs: Mapping[str, InputPiece]) -> str:
    """The type of the input that a source belongs to."""
    return inputs[source.split(".", maxsplit=1)[0]].type


def _moved_twice(part: PartPiece, report: Report) -> None:
    """Report rules of a part that move the same thing: they would pull it to and fro."""
    moved: dict[Any, RulePiece] = {}
    for step in part.steps:
        what = _moves(step)
        if what is None:
            continue
        first = moved.setdefault(what, step)
        if first is not step:
            report.add(
                step.place,
                f'this moves what the "{first.rule.name}" in line {first.place.line} moves already',
                "Give one of the two another controller, or leave it out."
                if first.rule is step.rule
                else f'Leave out what moves it in one of the two: the "{_way(step)}" or the "{_way(first)}".',
            )


def _moves(step: RulePiece) -> Any:
    """The controller, or the message, that a rule moves; None: none."""
    if step.rule.name == "control":
        return step.settings.get("controller", step.settings.get("message"))
    if step.rule.name == "pitch_from_level" and step.settings.get("glide"):
        return "bend"
    return EXPRESSION if _fades(step) else None


def _way(step: RulePiece) -> str:
    """The setting by which a rule moves a controller or the bend, or the rule that does nothing else."""
    return {"contingent": "fade", "pitch_from_level": "glide"}.get(step.rule.name, step.rule.name)


def _fades(step: RulePiece) -> bool:
    return step.rule.name == "contingent" and bool(step.settings.get("fade"))


def _weights(part: PartPiece, report: Report) -> None:
    """Report weights that belong to nothing, and weights that leave nothing to choose."""
    for step in part.steps:
        row = next((step.settings[name] for name in ("degrees", "notes", "chords") if name in step.settings), ())
        weights = step.settings.get("weights", ())
        if step.rule.name == "random" and len(weights) > len(row):
            report.add(
                step.place,
                f"there are {len(weights)} weights for {len(row)} to choose from",
                "Write one weight for each, or fewer: the others count 1.",
            )
        elif weights and not any([*weights, *[1] * (len(row) - len(weights))]):
            report.add(
                step.place, "all weights are 0, so there is nothing to choose", "Give at least one a weight above 0."
            )


# --- parts ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Known:
    """Kinds of events from each source of a part (None if one is unknown), and the inputs that were probably meant."""

    kinds: dict[str, Kind] | None
    meant: set[str]


def _sources(part: PartPiece, inputs: Mapping[str, InputPiece], report: Report) -> _Known:
    if part.sources is None or not inputs:  # that there are none is told already
        return _Known(None, set())
    every = {source: kind for heard in inputs.values() for source, kind in heard.sources().items()}
    kinds: dict[str, Kind] | None = {}
    meant: set[str] = set()
    for text in part.sources:
        name = text.text.strip()
        if kinds is not None and name in kinds:
            report.add(text.place, f"{quoted(name)} stands here twice", "It would play each note twice. Keep one.")
        elif name in every:
            if kinds is not None:
                kinds[name] = every[name]
        else:
            kinds = None
            head = name.split(".")[0]
            if head in inputs and not inputs[head].type:
                continue  # what is wrong with that input is told there
            if head in inputs and not inputs[head].sources():
                continue  # a pressure input without thresholds: told there too
            message, hint, near = no_source(name, inputs, every)
            meant |= {near.split(".")[0]} if near else set()
            report.missing(text.place, message, hint)
    return _Known(kinds, meant)


def _unused(inputs: Mapping[str, InputPiece], used: set[str], parts: Sequence[PartPiece], report: Report) -> None:
    if any(part.sources is None for part in parts):
        return  # a part whose input is missing is told already, and it may be this one
    for name, heard in inputs.items():
        if name in used or not heard.type:
            continue
        source = next(iter(heard.sources()), name)
        report.missing(
            heard.place, f'no part uses the input "{name}"', f'Let a part say "input: {source}", or take the input out.'
        )


def _chain(part: PartPiece, kinds: Mapping[str, Kind], report: Report) -> None:
    """Report rules that get nothing they can work with, and a part of which nothing sounds in the end."""
    flow = _all(kinds.values())
    done: list[RulePiece] = []
    starved = False
    for step in part.steps:
        if not step.rule.takes & flow:
            starved = True
            report.missing(step.place, *_starved(step, part, kinds, done))
            flow |= step.rule.takes  # as if it were right, so that one mistake is told once
        flow = _after(step.rule, flow)
        done.append(step)
    if not flow & (Kind.NOTES | Kind.CONTROLS):
        names = [
            f'"{name}"' for name, rule in installed().imported.items() if rule.takes & flow and rule.gives & Kind.NOTES
        ]
        hint = (
            f"Add a rule that plays notes: {either(names)}." if names else "Add a rule that uses it, such as control."
        )
        report.missing(part.rules_place, f'the part "{part.name}" makes no sound: none of its rules plays a note', hint)
        return
    for text in () if starved else part.sources or ():
        alone = kinds[text.text.strip()]
        for step in part.steps:
            if step.rule.takes & alone:
                alone = _after(step.rule, alone)
        if not alone & (Kind.NOTES | Kind.CONTROLS):
            report.missing(
                text.place,
                f"none of this part's rules makes anything of {quoted(text.text)}",
                "Take it out here, or add a rule for it.",
            )


def _all(kinds: Iterable[Kind]) -> Kind:
    flow = Kind(0)
    for kind in kinds:
        flow |= kind
    return flow


def _after(rule: type[Rule], flow: Kind) -> Kind:
    """The kinds of events after a rule."""
    if not rule.gives:
        return flow
    taken = rule.takes | PRESSES if rule.takes & PRESSES else rule.takes
    return (flow & ~taken) | rule.gives


def _starved(step: RulePiece, part: PartPiece, kinds: Mapping[str, Kind], done: Sequence[RulePiece]) -> tuple[str, str]:
    """The message and hint for a rule that gets nothing it can work with."""
    rule = step.rule
    name = rule.name
    if rule.takes & Kind.NOTES:
        makers = [later for later in part.steps if later.rule.gives & Kind.NOTES and later not in done]
        if makers:
            first = makers[0]
            return (
                f'"{name}" needs notes, and the rule that plays them comes after it',
                f'Move "{first.rule.name}" (line {first.place.line}) above "{name}".',
            )
        flow = _all(kinds.values())
        names = [
            f'"{other}"'
            for other, maker in installed().imported.items()
            if maker.gives & Kind.NOTES and maker.takes & flow
        ]
        hint = f"Put a rule that plays notes above it: {either(names)}." if names else _other_source(kinds)
        return f'"{name}" needs notes, and no rule above it plays any', hint
    if rule.takes & PRESSES and (maker := _maker(done)) is not None:
        message = f'"{name}" needs presses, and "{maker.rule.name}" (line {maker.place.line}) has made notes of them'
        if not rule.gives:
            return message, f'Move "{name}" above "{maker.rule.name}".'
        return message, "Leave one of the two out, or give each a part of its own."
    if rule.takes & Kind.ZONES:
        return f'"{name}" needs the zones of a pointer, and {_sources_of(kinds)} has none', _pointers(name)
    if rule.takes & Kind.LEVELS:
        return _no_level(name, kinds)
    return f'"{name}" needs presses, and {_sources_of(kinds)} gives none', _other_source(kinds)


def _no_level(name: str, kinds: Mapping[str, Kind]) -> tuple[str, str]:
    return (
        f'"{name}" follows how hard or how far, and {_sources_of(kinds)} only says pressed or not',
        (
            "Sources for it: a side of a pressure input (cheek.above), x or y of a pointer (head.x), keys.cc1 of a MIDI"
            " input."
        ),
    )


def _chosen_by_level(part: PartPiece, kinds: Mapping[str, Kind], report: Report) -> None:
    """Report a note that a level is to choose where there is no level, or that sounds while nothing can be pressed."""
    flow = _all(kinds.values())
    for step in part.steps:
        if step.rule.name != "pitch_from_level":
            continue
        if not flow & Kind.LEVELS and flow & PRESSES:
            report.missing(step.place, *_no_level(step.rule.name, kinds))
        elif not flow & PRESSES and step.settings.get("sounds") == "while pressed":
            report.missing(
                step.place,
                f"this sounds while an input is pressed, and {_sources_of(kinds)} gives no presses",
                'Add an input to the part that does, such as "input: [head.x, pad]", or leave "sounds" out.',
            )


def _maker(done: Sequence[RulePiece]) -> RulePiece | None:
    return next((step for step in done if step.rule.gives & Kind.NOTES), None)


def _sources_of(kinds: Mapping[str, Kind]) -> str:
    return either(f'"{name}"' for name in kinds)


def _pointers(name: str) -> str:
    return f'"{name}" works with a pointer input. For one movement, "sequence" plays a list of notes press by press.'


def _other_source(kinds: Mapping[str, Kind]) -> str:
    heads = dict.fromkeys(name.split(".")[0] for name in kinds)
    return f"Listen to its presses instead: {either(heads)}."
