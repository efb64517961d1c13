"""Warnings: what can be played, and is probably not what was meant.

A profile with one is used all the same, so that none that has played until now stops playing; ``router check`` tells.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from router.core.midi import DRUM_CHANNEL
from router.core.music import FIFTH, SCALES, Music
from router.core.rules.drums import STYLES, DrumsRule
from router.core.units import NANOSECONDS
from router.files.diagnostics import Report
from router.files.profile.pieces import InputPiece, PartPiece, RulePiece
from router.files.source import Text


def check(
    inputs: Mapping[str, InputPiece],
    parts: Sequence[PartPiece],
    music: Mapping[str, Any],
    limits: Mapping[str, Any],
    report: Report,
) -> None:
    """Tell of everything that can be played and is probably not meant, of a profile in which nothing is wrong."""
    for part in parts:
        _zones(part, inputs, report)
        _looped_drums(part, music, report)
        _order(part, music, report)
        for step in part.steps:
            if step.rule.name == "drone" and step.settings:
                _fifth(step, music, report)
            if step.rule.name == "velocity" and step.settings:
                _loudness(step, limits["velocity"], report)
            if step.rule.name == "contingent" and step.settings:
                _bed(step, part, limits["note_length"], report)
                _faded_channel(step, part, parts, report)
    _long_presses(inputs, parts, report)
    _band(parts, music, limits, report)


BANDS = 2
"""Parts of a band from which on it needs more notes than one child: our choice, as are the next two."""
NOTES_AT_ONCE, NOTES_PER_SECOND = 12, 30


def _band(parts: Sequence[PartPiece], music: Mapping[str, Any], limits: Mapping[str, Any], report: Report) -> None:
    """Warn of limits under which a band leaves the child no note, and of a drum pattern that is for another metre."""
    band = [step for part in parts for step in part.steps if step.rule.counts_bars]
    needed = {"notes_at_once": NOTES_AT_ONCE, "notes_per_second": NOTES_PER_SECOND}
    little = [name for name, least in needed.items() if limits[name] < least]
    if len(band) >= BANDS and little:
        report.warn(
            band[0].place,
            "a band plays many notes, and the limits of this profile may refuse one of the child's own"
            f" ({', '.join(f'{name} is {limits[name]}' for name in little)})",
            'Write for example "limits: {notes_at_once: 16, notes_per_second: 40}".',
        )
    for step in band:
        named = step.rule is DrumsRule and "pattern" not in step.settings
        style = STYLES.get(step.settings.get("style", "")) if named else None
        if style is not None and style.metre.quarters != music["time_signature"].quarters:
            report.warn(
                step.at("style"),
                f'"{step.settings["style"]}" is in {style.metre}, and a bar of this music in {music["time_signature"]}',
                f'Write "time_signature: {style.metre}" under music, or "style: beat", which plays any metre.',
            )


def _zones(part: PartPiece, inputs: Mapping[str, InputPiece], report: Report) -> None:
    """Warn of notes that have no zone."""
    heard = [inputs[name] for name in part.names if name in inputs]
    grids = [each.values["grid"] for each in heard if each.type == "pointer" and each.values]
    if not grids:
        return
    there = max(grid["columns"] * grid["rows"] for grid in grids)
    for step in part.steps:
        name = next((name for name in ("degrees", "notes", "chords") if name in step.settings), "")
        count = len(step.settings[name]) if name and step.rule.name == "zones" else 0
        if count > there:
            rest = count - there
            report.warn(
                step.at(name),
                f"the grid has {there} zones, and here stand {count} {name}: the last"
                f" {'one plays' if rest == 1 else f'{rest} play'} never",
                f"Take {'it' if rest == 1 else 'them'} out, or give the grid more columns or rows.",
            )


def _fifth(step: RulePiece, music: Mapping[str, Any], report: Report) -> None:
    """Warn of a drone on 5 in a scale in which that is no fifth."""
    degrees = step.settings["degrees"]
    if 5 not in degrees:
        return
    key = Music(music["key"], music["scale"])
    above = key.parent[4]
    if above == FIFTH:
        return
    fifth = key.parent.index(FIFTH) + 1 if FIFTH in key.parent else None
    meant = [fifth if degree == 5 else degree for degree in degrees if degree != 5 or fifth] or [1]
    name = next(name for name, shape in SCALES.items() if shape == key.scale)
    report.warn(
        step.at("degrees"),
        f"in the {name} scale degree 5 lies {above} semitones above 1 ({key.names[(key.tonic + above) % 12]}), which is"
        " no fifth",
        (
            f'Did you mean "degrees: {meant}"?'
            if fifth
            else f'Write "degrees: {meant}", or choose a scale that has a fifth.'
        ),
    )


def _loudness(step: RulePiece, limit: int, report: Report) -> None:
    """Warn of a velocity that falls with the effort, or is above the profile's own limit."""
    read = step.settings
    if "from" in read and read["low"] > read["high"]:
        name = "low" if step.writes("low") else "high"
        report.warn(
            step.at(name),
            f'"low" ({read["low"]}) is above "high" ({read["high"]}): the more effort, the softer it sounds',
            f'Did you mean "low: {read["high"]}, high: {read["low"]}"?',
        )
    names = ("fixed",) if "fixed" in read else ("low", "high")
    above = [name for name in names if read[name] > limit and step.writes(name)]
    if above:
        report.warn(
            step.at(above[0]),
            f'"{above[0]}" is {read[above[0]]}, and the velocity of this profile is limited to {limit}: it sounds no'
            " louder",
            f'Write {limit} or less here, or another "velocity" under limits.',
        )


def _looped_drums(part: PartPiece, music: Mapping[str, Any], report: Report) -> None:
    """Warn of drums that would be moved to the room's key, where they are other drums."""
    if music.get("follow") not in ("room", "harmony") or part.route.get("channel") != DRUM_CHANNEL:
        return
    for step in part.steps:
        if step.rule.name == "layers" and step.settings.get("moves_with_key"):
            report.warn(
                step.place,
                "in another key of the room these layers would be other drums",
                'Write "moves_with_key: no" here.',
            )


def _bed(step: RulePiece, part: PartPiece, longest: int, report: Report) -> None:
    """Warn of music that is to go on for longer than a note may last; a song is made of short ones."""
    whole = step.settings["lasts"] + step.settings["fade"]
    if whole < longest or any(other.rule.name == "song" for other in part.steps):
        return
    seconds = whole / NANOSECONDS
    report.warn(
        step.at("lasts"),
        f"after an effort this goes on for {seconds:g} s with its fade, and a note of this profile ends after"
        f" {longest / NANOSECONDS:g} s",
        f'Write a longer "note_length" under limits, such as {max(60, 4 * math.ceil(seconds))} s: efforts that follow'
        " one another make it longer still.",
    )


def _faded_channel(step: RulePiece, part: PartPiece, parts: Sequence[PartPiece], report: Report) -> None:
    """Warn of a fade that other parts would be heard to fade with."""
    where = (part.route.get("port"), part.route.get("channel"))
    others = [other for other in parts if other is not part and other.route]
    other = next((other for other in others if (other.route["port"], other.route["channel"]) == where), None)
    if other is not None and step.settings["fade"]:
        report.warn(
            step.place,
            f'"{other.name}" (line {other.place.line}) plays on channel {where[1]}, too, and fades with this',
            'Give one of the two another channel, or write "fade: 0 ms".',
        )


def _long_presses(inputs: Mapping[str, InputPiece], parts: Sequence[PartPiece], report: Report) -> None:
    """Warn of a long press that cannot come before the switch is taken to be stuck."""
    used = {name for part in parts for name in part.names}
    for heard in inputs.values():
        values = heard.values
        if heard.type != "switch" or not values or not values["longest"] or f"{heard.name}.long" not in used:
            continue
        node = heard.node.values.get("long", heard.node.values.get("longest"))
        if values["long"] >= values["longest"] and isinstance(node, Text):
            report.warn(
                node.place,
                f'"{heard.name}.long" never comes: after "longest" the switch is taken to be stuck',
                "Make long shorter than longest.",
            )


def _order(part: PartPiece, music: Mapping[str, Any], report: Report) -> None:
    """Warn of a note that is fitted to the harmony before it waits: it begins in the harmony of before."""
    room = music.get("follow") in ("room", "harmony")
    chords = room or "progression" in music
    waits = next((index for index, step in enumerate(part.steps) if step.rule.name == "quantize"), None)
    if waits is None or not chords:
        return
    quantize = part.steps[waits]
    behind = [step.settings.get("to") for step in part.steps[waits + 1 :] if step.rule.name == "scale_lock"]
    for step in part.steps[:waits]:
        to = step.settings.get("to") if step.rule.name == "scale_lock" else None
        if to is None or to in behind or (to == "scale" and not room):
            continue
        what = "chord" if to == "chord" else "key"
        report.warn(
            step.place,
            f'a note that waits in "quantize" (line {quantize.place.line}) while the {what} changes begins in the'
            f" {what} of before",
            'Move "scale_lock" below "quantize": then it is fitted when it begins.',
        )
