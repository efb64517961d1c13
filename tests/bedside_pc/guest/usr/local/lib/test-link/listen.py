"""Says each MIDI message that comes in at the USB synth's own end: one line [SECONDS, [BYTES]] each.

It reads the raw MIDI port of the card that the kernel calls "inside", byte by byte as a synth does (MIDI 1.0: running
status, real-time messages anywhere, system exclusive passed over). The first line has no bytes: it listens from now on.
"""

# ruff: noqa: T201, PTH123 - printing is what it does; pathlib takes an emulated processor long to load

import json
import os
import sys
import time

LENGTHS = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}


def port():
    while True:
        for card in range(8):
            try:
                with open(f"/proc/asound/card{card}/id") as name:
                    if name.read().strip() == "inside":
                        return f"/dev/snd/midiC{card}D0"
            except OSError:
                pass
        time.sleep(0.05)


status, values = 0, []
end = os.open(port(), os.O_RDONLY)
print(json.dumps([time.monotonic(), []]), flush=True)
while True:
    came = os.read(end, 256)
    now = time.monotonic()
    for byte in came:
        if byte >= 0xF8:
            if byte != 0xFE:  # active sensing would fill the line
                print(json.dumps([now, [byte]]))
        elif byte >= 0x80:
            status, values = byte, []
        elif status in range(0x80, 0xF0):
            values.append(byte)
            if len(values) == LENGTHS[status & 0xF0]:
                print(json.dumps([now, [status, *values]]))
                values = []
    sys.stdout.flush()
