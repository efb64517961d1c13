"""Checks of parts that play a song: her part, and the band that follows it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from router.core.midi import DRUM_CHANNEL
from router.core.song import Song
from router.core.units import nearest
from router.files.diagnostics import Report, either, quoted
from router.files.profile.pieces import PartPiece, RulePiece
from router.files.source import Entries, Text

_WORDS = ("melody", "others", "drums")
"""Words for parts of any song."""


def check(parts: Sequence[PartPiece], report: Report) -> None:
    """Report songs that could not play as the profile says."""
    for part, step in _songs(parts):
        song = step.settings.get("play")
        if isinstance(song, Song):
            _part_of_song(part, step, song, report)
            if "press" in step.settings:
                _hers(part, step, song, report)
            else:
                _band(part, step, parts, report)


def chords(progression: Entries | None, parts: Sequence[PartPiece], report: Report) -> None:
    """Check that the song whose chords are followed has chords, and that a part plays it."""
    node = None if progression is None else progression.values.get("song")
    if progression is None or not isinstance(node, Text) or node.empty:
        return
    named = node.text.strip()
    played = {
        song.name: song
        for _, step in _songs(parts)
        if "press" in step.settings and isinstance(song := step.settings.get("play"), Song)
    }
    if "chords" in progression.values:
        message = "these chords would never sound: the chords are those of the song"
        report.add(progression.keys["chords"].place, message, 'Keep one of the two, "chords" or "song".')
    if named not in played:
        near = nearest(named, list(played))
        hint = f'Did you mean "{near}"?  ' if near else ""
        hint += f'For example "- song: {{play: {named}, press: note}}".' if not played else ""
        report.missing(node.place, f"no part plays the song {quoted(named)} by a press, so no chord would go on", hint)
    elif not any(one.chord for one in played[named].chords):
        report.add(node.place, f'the song "{named}" has no chords', "Write chords in its file, or under chords here.")


def _songs(parts: Sequence[PartPiece]) -> Iterator[tuple[PartPiece, RulePiece]]:
    return ((part, step) for part in parts for step in part.steps if step.rule.name == "song")


def _part_of_song(part: PartPiece, step: RulePiece, song: Song, report: Report) -> None:
    """Check that the song has the part that is named, and that drums sound as drums."""
    named = step.settings["part"].strip()
    of_song = {one.name.strip().casefold(): one for one in song.parts}
    if named == "drums" and not any(one.drums for one in song.parts):
        report.add(step.at("part"), f'the song "{song.name}" has no drums', _parts(song))
    elif named == "others" and not any(
        not one.drums for one in song.parts[: song.melody] + song.parts[song.melody + 1 :]
    ):
        report.add(step.at("part"), f'the song "{song.name}" has no other part than the melody', _parts(song))
    elif named not in _WORDS and named.casefold() not in of_song:
        near = nearest(named, [*_WORDS, *(one.name for one in song.parts)])
        hint = f'Did you mean "{near}"?  ' if near else ""
        report.add(step.at("part"), f'the song "{song.name}" has no part called {quoted(named)}', hint + _parts(song))
    elif part.route:
        found = of_song.get(named.casefold())
        drums = named == "drums" or (named not in _WORDS and found is not None and found.drums)
        if drums != (part.route.get("channel") == DRUM_CHANNEL):
            message = "drums sound on channel {0} only" if drums else "on channel {0} every note is a drum"
            hint = f'Write "channel: {DRUM_CHANNEL}" under output.' if drums else "Choose another channel under output."
            report.add(step.at("part"), message.format(DRUM_CHANNEL), hint)


def _parts(song: Song) -> str:
    return f"Its parts: {', '.join(one.name for one in song.parts)}."


def _hers(part: PartPiece, step: RulePiece, song: Song, report: Report) -> None:
    if step.settings["press"] == "section" and not song.sections:
        report.add(
            step.at("press"),
            f'the song "{song.name}" has no sections',
            'Its file has no rehearsal marks or markers. Write "press: phrase" or "press: bar".',
        )
    if step.settings.get("tempo") == "hers" and step.settings["press"] in ("now", "start"):
        report.add(
            step.at("tempo"),
            "a tempo can follow her only where she plays note by note, or phrase by phrase",
            'Write "press: note", "phrase", "bar" or "section", or another tempo.',
        )
    slowest, fastest = (step.settings.get(name) for name in ("slowest", "fastest"))
    if slowest is not None and fastest is not None and slowest > fastest:
        report.add(step.at("slowest"), '"slowest" is faster than "fastest"', "Change one of the two for the other.")
    again = step.settings.get("restart_by", "").strip()
    if again and part.sources is not None and again not in part.names:
        report.missing(
            step.at("restart_by"),
            f"this part does not hear {quoted(again)}",
            f'Let it, for example "input: [{", ".join([*part.names, again])}]".',
        )


def _band(part: PartPiece, step: RulePiece, parts: Sequence[PartPiece], report: Report) -> None:
    """Check that somebody leads the band."""
    if part.sources:
        report.add(
            part.sources[0].place,
            "this band needs no input: it follows the part that leads",
            'Take the input out, or write what a press plays, for example "press: start".',
        )
    song = step.settings["play"]
    leads = {
        other.name: led for other, led in _songs(parts) if "press" in led.settings and led.settings.get("play") is song
    }
    named = step.settings.get("waits_for", "").strip()
    if not named:
        if not leads:
            report.missing(
                step.place,
                f'nothing begins this band: no part plays the song "{song.name}" by a press',
                f'For example a part with "- song: {{play: {song.name}, press: note}}".',
            )
    elif named not in leads or leads[named].settings["press"] == "now":
        leading = [name for name, led in leads.items() if led.settings["press"] != "now"]
        near = nearest(named, leading)
        hint = f'Did you mean "{near}"?  ' if near else ""
        if named in leads:
            message = f'"{named}" plays in time, so nobody waits for it'
            hint = 'Leave "waits_for" out: the band runs in time with it.'
        else:
            message = f'the band cannot wait for {quoted(named)}: that is no part that plays the song "{song.name}"'
            hint += f"It can wait for {either(leading)}." if leading else 'Give a part a song with "press: note".'
        report.missing(step.at("waits_for"), message, hint)
