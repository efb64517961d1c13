"""Traces: what is read is what was written, every mistake is told with its place, and no bytes make a traceback."""

from __future__ import annotations

import gzip
import io
import random
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.events import Found, Lost, Mark, MidiSample, PointerSample, PressureSample, SwitchSample
from router.records.trace import Trace, TraceError, TraceWriter

HEADER = '{"trace": 1}\n'

# The format, as DEVELOPERS.md writes it.
EXAMPLE = (
    HEADER
    + """\
{"t": 0.12, "input": "pad", "pressed": true}
{"t": 0.125, "input": "cheek", "pascal": 61.3}
{"t": 0.13, "input": "head", "x": 0.41, "y": 0.5}
{"t": 0.2, "input": "pad", "lost": true}
{"t": 0.25, "input": "keys", "midi": [144, 60, 64]}
{"t": 0.3, "mark": "cue"}
{"t": 0.3, "input": "pad", "found": true}
"""
)
SAMPLES = [
    (120_000_000, SwitchSample("pad", True)),
    (125_000_000, PressureSample("cheek", 61.3)),
    (130_000_000, PointerSample("head", 0.41, 0.5)),
    (200_000_000, Lost("pad")),
    (250_000_000, MidiSample("keys", (144, 60, 64))),
    (300_000_000, Mark("cue")),
    (300_000_000, Found("pad")),
]


def read(data: str | bytes, **settings):
    raw = data.encode() if isinstance(data, str) else data
    return list(Trace(io.BytesIO(raw), "a.jsonl", **settings))


def test_the_documented_example_is_read():
    assert read(EXAMPLE) == SAMPLES


def test_what_editors_do_to_a_text_file_does_no_harm():
    windows = "\ufeff" + EXAMPLE.replace("\n", "\r\n") + "\r\n\r\n"
    assert read(windows) == SAMPLES
    assert read(EXAMPLE.rstrip("\n")) == SAMPLES


def test_the_header_is_kept_for_people():
    trace = Trace(io.BytesIO(b'{"trace": 1, "about": "first try", "child": "wren"}\n'), "a.jsonl")
    assert trace.header["about"] == "first try"


def test_samples_are_read_as_they_are_asked_for():
    trace = iter(Trace(io.BytesIO((HEADER + '{"t": 1, "mark": "a"}\nnonsense\n').encode()), "a.jsonl"))
    assert next(trace) == (1_000_000_000, Mark("a"))
    with pytest.raises(TraceError):
        next(trace)


names = st.text(st.characters(codec="utf-8", categories=["L", "N", "P"]), min_size=1, max_size=12)
shares = st.floats(0, 1)
samples = st.one_of(
    st.builds(SwitchSample, names, st.booleans()),
    st.builds(PressureSample, names, st.floats(-1e7, 1e7)),
    st.builds(PointerSample, names, shares, shares),
    st.builds(
        MidiSample,
        names,
        st.one_of(
            st.tuples(st.integers(0x80, 0xBF), st.integers(0, 127), st.integers(0, 127)),
            st.tuples(st.integers(0xC0, 0xDF), st.integers(0, 127)),
            st.just((0xF8,)),
            st.just((0xF0, 1, 2, 0xF7)),
        ),
    ),
    st.builds(Lost, names),
    st.builds(Found, names),
    st.builds(Mark, names),
)


@given(st.lists(st.tuples(st.integers(0, 86_400_000_000_000), samples)))
def test_what_is_written_is_read_again_to_the_nanosecond(stamped):
    stamped.sort(key=lambda each: each[0])
    file = io.StringIO()
    writer = TraceWriter(file, about="a test")
    for t, sample in stamped:
        writer.write(t, sample)
    assert read(file.getvalue()) == stamped


@pytest.mark.parametrize(
    "cut",
    [
        b'{"t": 2, "input": "pad", "pre',
        b'{"t": 2, "mark": "\xc3',  # within a letter
        b'{"t": 2, "mark": "a"',
        b"\0\0\0\0\0\0",  # what a file system may leave after a power cut
    ],
)
def test_a_last_line_that_was_cut_off_is_left_out_and_remarked_on(cut):
    said: list[str] = []
    raw = HEADER.encode() + b'{"t": 1, "mark": "a"}\n' + cut
    assert read(raw, remark=said.append) == [(1_000_000_000, Mark("a"))]
    assert said == ["a.jsonl:3: the last line was cut off and is left out"]
    with pytest.raises(TraceError, match=r"^a\.jsonl:3:"):  # the same in the middle is no accident of writing
        read(raw + b"\n")


GOLDEN = [
    ("", "a.jsonl:1:1: the trace is empty"),
    ("\n\n", "a.jsonl:1:1: the trace is empty"),
    ('{"tracee": 1}\n', "a.jsonl:1:1: the header is missing", 'Did you mean "trace" where "tracee" stands?'),
    ('{"t": 1, "mark": "a"}\n', "a.jsonl:1:1: the header is missing"),
    ('{"trace": 2}\n', "a.jsonl:1:11: this is a trace of version 2", "This program reads version 1."),
    ('{"trace": true}\n', "a.jsonl:1:11: true is not a version of a trace"),
    ('{"trace": 1', "a.jsonl:1:12: this is not JSON"),
    ("child: wren\n", "a.jsonl:1:1: this is not JSON"),
    (HEADER + "[1, 2]\n", "a.jsonl:2:1: a line must be one JSON object in braces"),
    (HEADER + "12\n", "a.jsonl:2:1: a line must be one JSON object in braces"),
    (HEADER + '{"input": "pad", "pressed": true}\n', 'a.jsonl:2:1: "t" is missing'),
    (HEADER + '{"time": 1, "input": "pad", "pressed": true}\n', 'a.jsonl:2:1: "t" is missing', 'Did you mean "t"'),
    (HEADER + '{"t": "1", "mark": "a"}\n', 'a.jsonl:2:7: "t" must be a number, not "1"'),
    (HEADER + '{"t": true, "mark": "a"}\n', 'a.jsonl:2:7: "t" must be a number, not true'),
    (HEADER + '{"t": -1, "mark": "a"}\n', 'a.jsonl:2:7: "t" is out of range'),
    (HEADER + '{"t": 86401, "mark": "a"}\n', 'a.jsonl:2:7: "t" is out of range'),
    (HEADER + '{"t": NaN, "mark": "a"}\n', "a.jsonl:2:7: NaN is not a number"),
    (HEADER + '{"t": -Infinity, "mark": "a"}\n', "a.jsonl:2:7: -Infinity is not a number"),
    (HEADER + '{"t": 1e999, "mark": "a"}\n', 'a.jsonl:2:7: "t" is out of range'),
    (
        HEADER + '{"t": 2, "mark": "a"}\n{"t": 1.5, "mark": "b"}\n',
        "a.jsonl:3:7: the time goes back: 1.5 s after 2 s",
    ),
    (HEADER + '{"t": 1, "t": 2, "mark": "a"}\n', 'a.jsonl:2:7: "t" is written twice'),
    (HEADER + '{"t": 1, "input": "pad", "pressed": 1}\n', 'a.jsonl:2:37: "pressed" must be true or false, not 1'),
    (HEADER + '{"t": 1, "input": "pad", "pressed": "true"}\n', (
    'a.jsonl:2:37: "pressed" must be true or '
    'false, not "true"'
    )),
    (HEADER + '{"t": 1, "input": "pad", "presed": true}\n', (
    'a.jsonl:2:26: a sample '
    'has no "presed"'
    ), 'Did you mean "pressed"?'),
    (HEADER + '{"t": 1, "input": "pad", "Pressed": true}\n', (
    'a.jsonl:2:26: a sample has '
    'no "Pressed"'
    ), 'Did you mean "pressed"?'),
    (HEADER + '{"t": 1, "input": "pad"}\n', "a.jsonl:2:1: this line says nothing that a sample can say"),
    (HEADER + '{"t": 1, "pressed": true}\n', 'a.jsonl:2:1: a sample of a switch needs "input"'),
    (HEADER + '{"t": 1, "input": 3, "pressed": true}\n', (
    'a.jsonl:2:19: "input" must be the name of an input in '
    'quotes, not 3'
    )),
    (HEADER + '{"t": 1, "input": "", "pressed": true}\n', 'a.jsonl:2:19: "input" must be the name'),
    (HEADER + '{"t": 1, "input": "\\ud800", "pressed": true}\n', 'a.jsonl:2:19: "input" must be the name'),
    (HEADER + '{"t": 1, "input": "a\\u001bb", "pressed": true}\n', 'a.jsonl:2:19: "input" must be the name'),
    (HEADER + (
    '{"t": 1, "input": "pad", "pressed": true, '
    '"pascal": 2}\n'
    ), 'a.jsonl:2:43: a sample of a switch has no "pascal"'),
    (HEADER + '{"t": 1, "input": "cheek", "pascal": "61"}\n', 'a.jsonl:2:38: "pascal" must be a number, not "61"'),
    (HEADER + '{"t": 1, "input": "cheek", "pascal": false}\n', 'a.jsonl:2:38: "pascal" must be a number, not false'),
    (HEADER + '{"t": 1, "input": "cheek", "pascal": 1e12}\n', 'a.jsonl:2:38: "pascal" is out of range'),
    (HEADER + '{"t": 1, "input": "cheek", "pascal": 1,5}\n', "a.jsonl:2:40: this is not JSON"),
    (HEADER + '{"t": 1, "input": "head", "x": 0.5}\n', 'a.jsonl:2:1: a sample of a pointer needs "y"'),
    (HEADER + '{"t": 1, "input": "head", "x": 0.5, "y": 1.5}\n', 'a.jsonl:2:42: "y" is out of range'),
    (HEADER + '{"t": 1, "input": "keys", "midi": 144}\n', 'a.jsonl:2:35: "midi" must be the bytes'),
    (HEADER + '{"t": 1, "input": "keys", "midi": []}\n', 'a.jsonl:2:35: "midi" must be the bytes'),
    (HEADER + (
    '{"t": 1, "input": "keys", "midi": '
    '[144, 60, 256]}\n'
    ), "a.jsonl:2:35: a MIDI byte must be a whole number"),
    (HEADER + (
    '{"t": 1, "input": "keys", "midi": [144, '
    '60, true]}\n'
    ), "a.jsonl:2:35: a MIDI byte must be a whole number"),
    (HEADER + '{"t": 1, "input": "keys", "midi": [144, 60]}\n', (
    "a.jsonl:2:35: a MIDI message that begins "
    "with 144 has 3"
    )),
    (HEADER + '{"t": 1, "input": "keys", "midi": [144, 200, 1]}\n', (
    "a.jsonl:2:35: the data bytes of a MIDI "
    "message are 0"
    )),
    (HEADER + '{"t": 1, "input": "keys", "midi": [60, 144, 1]}\n', "a.jsonl:2:35: 60 does not begin a MIDI message"),
    (HEADER + '{"t": 1, "input": "keys", "midi": [240, 1]}\n', (
    "a.jsonl:2:35: a system-exclusive message must "
    "end with 247"
    )),
    (HEADER + '{"t": 1, "input": "pad", "lost": false}\n', 'a.jsonl:2:34: "lost" is only ever true'),
    (HEADER + '{"t": 1, "mark": 5}\n', 'a.jsonl:2:18: "mark" must be a text of one line in quotes, not 5'),
    (HEADER + '{"t": 1, "mark": "a", "input": "pad"}\n', 'a.jsonl:2:23: a mark has no "input"'),
    (HEADER + "[" * 60_000 + "\n", "a.jsonl:2:1: this line cannot be read"),
    (HEADER + '{"t": 1' + "0" * 5_000 + "}\n", "a.jsonl:2:1: this line cannot be read"),
    (HEADER + '{"t": 1, "mark": "' + "a" * 70_000 + '"}\n', "a.jsonl:2:1: this line is longer than any sample"),
    ("\u201ctrace\u201d: 1\n", "a.jsonl:1:1: this is not JSON"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "begins", "also"), [(*case, "")[:3] for case in GOLDEN])
def test_every_mistake_is_told_with_its_place_and_what_is_right(text, begins, also):
    with pytest.raises(TraceError) as caught:
        read(text)
    said = str(caught.value)
    assert said.startswith(begins)
    assert also in said
    assert all(character.isprintable() or character == "\n" for character in said)
    assert len(said) < 1000
    for word in ("string", "object has", "None", "dict", "float", "int ", "bool", "Traceback"):
        assert word not in said


def test_bytes_that_are_no_utf8_are_told_with_their_column():
    with pytest.raises(TraceError, match=r"^a\.jsonl:2:20: this is not UTF-8 text"):
        read(HEADER.encode() + b'{"t": 1, "mark": "a\xff"}\n')


def test_a_sample_of_another_kind_than_the_profile_says_is_refused():
    line = '{"t": 1, "input": "pad", "pascal": 1}\n'
    with pytest.raises(TraceError) as caught:
        read(HEADER + line, types={"pad": "switch"})
    assert str(caught.value) == (
        'a.jsonl:2:19: "pad" is a switch in the profile, and this is a sample of a pressure\n'
        '    2 | {"t": 1, "input": "pad", "pascal": 1}\n'
        "      |                   ^\n"
        'For a switch write {"t": 0.12, "input": "pad", "pressed": true}.'
    )
    assert read(HEADER + line, types={"other": "switch"}) == [(1_000_000_000, PressureSample("pad", 1.0))]
    lost = '{"t": 1, "input": "pad", "lost": true}\n'
    assert read(HEADER + lost, types={"pad": "switch"}) == [(1_000_000_000, Lost("pad"))]


def test_no_mutation_of_a_trace_does_anything_but_read_or_explain():
    """10,000 mutated traces: bytes changed, cut, doubled, and pieces of JSON put in."""
    rng = random.Random(20)
    whole = EXAMPLE.encode()
    pieces = [b"NaN", b"1e999", b"-", b'"', b"{", b"}", b"[", b"\0", b"\xff", b"\n", b"null", b"true", b"\xe2\x80\x9c"]
    refused = []
    for _ in range(10_000):
        data = bytearray(whole)
        for _ in range(rng.randint(1, 4)):
            place = rng.randrange(len(data))
            match rng.randrange(4):
                case 0:
                    data[place] = rng.randrange(256)
                case 1:
                    del data[place : place + rng.randint(1, 20)]
                case 2:
                    data[place:place] = rng.choice(pieces)
                case 3:
                    data[place:place] = data[: rng.randint(1, 60)]
        try:
            read(bytes(data), types={"pad": "switch", "cheek": "pressure"})
        except TraceError as error:
            refused.append(str(error))
    assert len(refused) > 5_000
    assert all(said.startswith("a.jsonl:") for said in refused)


def test_the_writer_writes_the_documented_lines():
    file = io.StringIO()
    writer = TraceWriter(file)
    for t, sample in SAMPLES:
        writer.write(t, sample)
    assert file.getvalue() == EXAMPLE


# --- packed traces --------------------------------------------------------------------------------------------------

LINES = [HEADER, *(f'{{"t": {n / 10}, "mark": "mark {n}"}}\n' for n in range(60))]


def packed(members=6):
    """A trace in several gzip members, as a recording grows."""
    size = -(-len(LINES) // members)
    parts = [LINES[i : i + size] for i in range(0, len(LINES), size)]
    return b"".join(gzip.compress("".join(part).encode(), mtime=0) for part in parts)


def test_a_packed_trace_is_read_like_any_other():
    plain = read("".join(LINES).encode())
    for members in (1, 6, 61):
        assert read(packed(members)) == plain
    assert read(packed() + bytes(512)) == plain


@pytest.mark.parametrize("members", [1, 6])
def test_a_packed_trace_that_was_cut_off_is_read_as_far_as_it_goes(members):
    raw, plain = packed(members), read("".join(LINES).encode())
    first = len(gzip.compress("".join(LINES[: -(-len(LINES) // members)]).encode(), mtime=0))
    for length in range(first, len(raw)):
        remarks = []
        got = read(raw[:length], remark=remarks.append)
        assert got == plain[: len(got)]
        assert len(got) >= -(-len(LINES) // members) - 1
        assert len(got) == len(plain) or length in ends(raw) or "the recording was cut off here" in remarks[0]


def ends(raw):
    """Where members end: a file that was cut off there is whole."""
    found, start = [], 0
    while start < len(raw):
        member = zlib.decompressobj(wbits=31)
        member.decompress(raw[start:])
        start = len(raw) - len(member.unused_data)
        found.append(start)
    return found


def test_a_packed_trace_with_a_damaged_byte_ends_there_with_a_remark_or_a_message():
    raw = packed()
    for place in range(40, len(raw), 7):
        damaged = bytearray(raw)
        damaged[place] ^= 0x55
        remarks = []
        try:
            got = read(bytes(damaged), remark=remarks.append)
        except TraceError:
            continue
        assert remarks or got == read(raw), place


def test_a_packed_trace_says_how_far_it_has_been_read():
    raw = packed()
    trace = Trace(io.BytesIO(raw), "a.jsonl.gz")
    for _ in trace:
        assert 0 < trace.bytes_read <= len(raw)
    assert trace.bytes_read == len(raw)
