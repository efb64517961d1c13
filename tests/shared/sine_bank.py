"""A soundfont of one sine, so that what sounds can be measured: a piano's strongest partial is not always its pitch.

Written after the SoundFont Technical Specification 2.04 (file structure, sections 4 to 7; generators, section 8).
"""

from __future__ import annotations

import math
import struct
from pathlib import Path

RATE, PERIOD = 44_000, 100  # exactly 440 Hz
PERIODS = 40
A4 = 69
RELEASE_SECONDS = 0.05


def write_sine_bank(path: Path) -> Path:
    """Write it to ``path``: preset 0 of bank 0, a looped sine that is 440 Hz at note 69."""
    wave = [round(20_000 * math.sin(math.tau * i / PERIOD)) for i in range(PERIODS * PERIOD)]
    samples = struct.pack(f"<{len(wave) + 46}h", *wave, *[0] * 46)  # 46 zeros end a sample (section 7.10)
    release = round(1200 * math.log2(RELEASE_SECONDS))  # in timecents
    generators = [(54, 1), (38, release), (53, 0)]  # sampleModes: loop, releaseVolEnv, sampleID: the last one
    loop_start, loop_end = PERIOD, (PERIODS - 1) * PERIOD
    info = _list("INFO", _chunk("ifil", struct.pack("<HH", 2, 4)), _text("isng", "EMU8000"), _text("INAM", "Sine"))
    data = _list("sdta", _chunk("smpl", samples))
    preset = "<20sHHHIII"
    header = "<20sIIIIIBbHH"
    hydra = _list(
        "pdta",
        _chunk("phdr", struct.pack(preset, b"Sine", 0, 0, 0, 0, 0, 0) + struct.pack(preset, b"EOP", 0, 0, 1, 0, 0, 0)),
        _chunk("pbag", struct.pack("<HHHH", 0, 0, 1, 0)),
        _chunk("pmod", bytes(10)),
        _chunk("pgen", struct.pack("<HHHH", 41, 0, 0, 0)),  # instrument 0, and the end
        _chunk("inst", struct.pack("<20sH20sH", b"Sine", 0, b"EOI", 1)),
        _chunk("ibag", struct.pack("<HHHH", 0, 0, len(generators), 0)),
        _chunk("imod", bytes(10)),
        _chunk("igen", b"".join(struct.pack("<Hh", *generator) for generator in generators) + bytes(4)),
        _chunk(
            "shdr",
            struct.pack(header, b"Sine", 0, len(wave), loop_start, loop_end, RATE, A4, 0, 0, 1)
            + struct.pack(header, b"EOS", 0, 0, 0, 0, 0, 0, 0, 0, 0),
        ),
    )
    body = b"sfbk" + info + data + hydra
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    return path


def _chunk(name: str, data: bytes) -> bytes:
    return name.encode() + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def _text(name: str, text: str) -> bytes:
    data = text.encode() + b"\0"
    return _chunk(name, data + b"\0" * (len(data) % 2))


def _list(name: str, *chunks: bytes) -> bytes:
    return _chunk("LIST", name.encode() + b"".join(chunks))
