"""Tables of the MIDI standard: status bytes, controller numbers, General MIDI sounds. Tables only.

Sources: The MIDI Association, MIDI 1.0 Detailed Specification (control change table) and General MIDI System Level 1
sound set. On the wire and in this program a sound is 0 to 127; printed General MIDI lists count from 1.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from router.core.units import QuantityError, nearest, whole_number

NOTE_OFF, NOTE_ON, CONTROL_CHANGE, PROGRAM_CHANGE, CHANNEL_PRESSURE, PITCH_BEND = 0x80, 0x90, 0xB0, 0xC0, 0xD0, 0xE0
MODULATION, VOLUME, EXPRESSION, SUSTAIN, ALL_SOUND_OFF, ALL_NOTES_OFF = 1, 7, 11, 64, 120, 123
PEDAL_DOWN = 64
"""A pedal's controller means "down" from this value on."""
ACTIVE_SENSING = 0xFE
QUARTER_FRAME, SONG_POSITION, CLOCK, START, CONTINUE, STOP = 0xF1, 0xF2, 0xF8, 0xFA, 0xFB, 0xFC
CLOCKS, CLOCKS_A_POSITION, POSITIONS = 24, 6, 1 << 14
"""Clocks in a quarter and in one of the sixteenths that song position counts, and how many of these there are. MIDI 1.0
Detailed Specification 4.2, System Common and System Real Time Messages."""
BEND_CENTRE, BEND_MOST = 8192, 16383
CHANNEL_MODE = 120
"""Controllers from here on are channel-mode messages; no rule may send them."""

CONTROLLERS: Mapping[str, int] = MappingProxyType(
    {
        "modulation": 1,
        "breath": 2,
        "foot": 4,
        "portamento time": 5,
        "volume": VOLUME,
        "balance": 8,
        "pan": 10,
        "expression": EXPRESSION,
        "sustain": SUSTAIN,
        "portamento": 65,
        "sostenuto": 66,
        "soft": 67,
        "resonance": 71,
        "release time": 72,
        "attack time": 73,
        "brightness": 74,
        "reverb": 91,
        "chorus": 93,
    }
)

AT_REST: Mapping[int, int] = MappingProxyType({MODULATION: 0, EXPRESSION: 127, **dict.fromkeys((64, 65, 66, 67), 0)})
"""The resting values of the controllers that have one.

Source: The MIDI Association, RP-015, Response to Reset All Controllers.
"""

PROGRAMS: tuple[str, ...] = tuple(
    name.strip()
    for name in """
    acoustic grand piano, bright acoustic piano, electric grand piano, honky-tonk piano,
    electric piano 1, electric piano 2, harpsichord, clavi,
    celesta, glockenspiel, music box, vibraphone, marimba, xylophone, tubular bells, dulcimer,
    drawbar organ, percussive organ, rock organ, church organ, reed organ, accordion, harmonica, tango accordion,
    acoustic guitar (nylon), acoustic guitar (steel), electric guitar (jazz), electric guitar (clean),
    electric guitar (muted), overdriven guitar, distortion guitar, guitar harmonics,
    acoustic bass, electric bass (finger), electric bass (pick), fretless bass,
    slap bass 1, slap bass 2, synth bass 1, synth bass 2,
    violin, viola, cello, contrabass, tremolo strings, pizzicato strings, orchestral harp, timpani,
    string ensemble 1, string ensemble 2, synth strings 1, synth strings 2,
    choir aahs, voice oohs, synth voice, orchestra hit,
    trumpet, trombone, tuba, muted trumpet, french horn, brass section, synth brass 1, synth brass 2,
    soprano sax, alto sax, tenor sax, baritone sax, oboe, english horn, bassoon, clarinet,
    piccolo, flute, recorder, pan flute, blown bottle, shakuhachi, whistle, ocarina,
    lead 1 (square), lead 2 (sawtooth), lead 3 (calliope), lead 4 (chiff),
    lead 5 (charang), lead 6 (voice), lead 7 (fifths), lead 8 (bass + lead),
    pad 1 (new age), pad 2 (warm), pad 3 (polysynth), pad 4 (choir),
    pad 5 (bowed), pad 6 (metallic), pad 7 (halo), pad 8 (sweep),
    fx 1 (rain), fx 2 (soundtrack), fx 3 (crystal), fx 4 (atmosphere),
    fx 5 (brightness), fx 6 (goblins), fx 7 (echoes), fx 8 (sci-fi),
    sitar, banjo, shamisen, koto, kalimba, bagpipe, fiddle, shanai,
    tinkle bell, agogo, steel drums, woodblock, taiko drum, melodic tom, synth drum, reverse cymbal,
    guitar fret noise, breath noise, seashore, bird tweet, telephone ring, helicopter, applause, gunshot
    """.split(",")  # noqa: SIM905 - a table as the standard prints it reads better than 128 quoted strings
)


DRUM_CHANNEL = 10
"""General MIDI's percussion channel: a note there is an instrument, not a pitch."""

_LOWEST_DRUM = 35
DRUMS: Mapping[str, int] = MappingProxyType(
    {
        name.strip(): _LOWEST_DRUM + place
        for place, name in enumerate(
            """
    acoustic bass drum, bass drum 1, side stick, acoustic snare, hand clap, electric snare, low floor tom,
    closed hi-hat, high floor tom, pedal hi-hat, low tom, open hi-hat, low-mid tom, hi-mid tom, crash cymbal 1,
    high tom, ride cymbal 1, chinese cymbal, ride bell, tambourine, splash cymbal, cowbell, crash cymbal 2, vibraslap,
    ride cymbal 2, hi bongo, low bongo, mute hi conga, open hi conga, low conga, high timbale, low timbale,
    high agogo, low agogo, cabasa, maracas, short whistle, long whistle, short guiro, long guiro, claves, hi wood block,
    low wood block, mute cuica, open cuica, mute triangle, open triangle
    """.split(",")  # noqa: SIM905 - as for the sounds above
        )
    }
)
"""General MIDI percussion, by name: notes 35 to 81."""


def silencing(notes: Iterable[tuple[int, int]], channels: Iterable[int]) -> list[tuple[int, int, int]]:
    """Silence an output: note-offs for ``notes`` (channel 1 to 16, note), then each channel as a whole.

    Controller 123 alone does not end what controller 64 holds; so the pedal goes up first, and all sound off (120)
    comes last.
    """
    return [(NOTE_OFF | channel - 1, note, 0) for channel, note in notes] + [
        (CONTROL_CHANGE | channel - 1, controller, 0)
        for channel in channels
        for controller in (SUSTAIN, ALL_NOTES_OFF, ALL_SOUND_OFF)
    ]


def controller_number(text: str | int) -> int:
    """A controller by name ("breath") or number, 0 to 119.

    Raises:
        QuantityError: no such controller, or a channel-mode message.
    """
    text = str(text)
    if text in CONTROLLERS:
        return CONTROLLERS[text]
    number = whole_number(text)
    if number is not None:
        if 0 <= number < CHANNEL_MODE:
            return number
        raise QuantityError(
            f"controller {text} cannot be used", "Controllers are 0 to 119; from 120 on they switch whole channels."
        )
    near = nearest(text, CONTROLLERS)
    raise QuantityError(
        f'there is no controller called "{text}"',
        (f'Did you mean "{near}"?  ' if near else "")
        + "Write a number from 0 to 119, or: "
        + ", ".join(CONTROLLERS)
        + ".",
    )


USUAL_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "piano": "acoustic grand piano",
        "electric piano": "electric piano 1",
        "strings": "string ensemble 1",
        "pizzicato": "pizzicato strings",
        "double bass": "contrabass",
        "harp": "orchestral harp",
        "organ": "drawbar organ",
        "pipe organ": "church organ",
        "choir": "choir aahs",
        "voice": "voice oohs",
        "bells": "tubular bells",
        "guitar": "acoustic guitar (nylon)",
        "electric guitar": "electric guitar (clean)",
        "bass": "electric bass (finger)",
        "sax": "alto sax",
        "saxophone": "alto sax",
        "alto saxophone": "alto sax",
        "soprano saxophone": "soprano sax",
        "tenor saxophone": "tenor sax",
        "baritone saxophone": "baritone sax",
        "horn": "french horn",
        "cor anglais": "english horn",
        "brass": "brass section",
        "pad": "pad 2 (warm)",
        "steel drum": "steel drums",
    }
)
"""Sounds by the names that musicians use, and the one of General MIDI's that each stands for. Our choice where General
MIDI has several: the plainest and gentlest of them."""
_OFFERED = 8
"""Sounds that a message names at most."""
OTHER_NAMES = {"clavinet": "clavi", "synth choir": "synth voice"}
"""Sounds under names that libraries print and the standard's own list does not: one is a maker's."""


def program_number(text: str | int) -> int:
    """A General MIDI sound by name ("marimba", "piano"), or a number from 0 to 127 as it goes on the wire.

    Raises:
        QuantityError: no such sound.
    """
    text = str(text)
    number = whole_number(text)
    if number is not None:
        if 0 <= number <= 127:
            return number
        raise QuantityError(
            f"program {text} is outside 0 to 127", "Printed lists count from 1: subtract one, or write the name."
        )
    called = text.casefold().strip()
    name = USUAL_NAMES.get(called, called)
    if name in PROGRAMS:
        return PROGRAMS.index(name)
    raise QuantityError(
        f'there is no General MIDI sound called "{text}"',
        f"{_sound_meant(called)}Write a name of the General MIDI list, or 0 to 127.",
    )


def _sound_meant(called: str) -> str:
    """Offer the sounds that a wrong name, in lower-case letters, may stand for."""
    if called in ("drums", "drum kit", "percussion"):
        return f"Drums are no sound of a part: they play on channel {DRUM_CHANNEL}, by their own names.  "
    if called in OTHER_NAMES:
        return f'Did you mean "{OTHER_NAMES[called]}"?  '
    containing = [name for name in PROGRAMS if called in name] if len(called) > 2 else []
    if containing:
        offered = ", ".join(f'"{name}"' for name in containing[:_OFFERED])
        return f"Did you mean {offered}?  " if len(containing) == 1 else f"Did you mean one of {offered}?  "
    near = nearest(called, [*PROGRAMS, *USUAL_NAMES])
    return f'Did you mean "{near}"?  ' if near else ""


def drum_number(text: str | int) -> int:
    """A General MIDI drum by name ("cowbell"), or the number of its note, 35 to 81.

    Raises:
        QuantityError: no such drum.
    """
    text = str(text)
    number = whole_number(text)
    if number is not None:
        if number in DRUMS.values():
            return number
        raise QuantityError(f"drum {text} is outside 35 to 81", "Write the name, such as hand clap.")
    if text.casefold() in DRUMS:
        return DRUMS[text.casefold()]
    near = nearest(text, DRUMS)
    hint = f'Did you mean "{near}"?  ' if near else ""
    raise QuantityError(
        f'there is no General MIDI drum called "{text}"', f"{hint}Drums: {', '.join(DRUMS)}; or a number from 35 to 81."
    )
