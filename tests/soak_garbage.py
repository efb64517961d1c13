"""Garbage on the line of a sensor whose daemon runs: it plays on, and nothing is left on.

Bytes by chance, or pieces of readings with something wrong in them, a thousand at a time; after each ten thousand the
sensor is itself again: then nothing may sound until somebody presses, and a press must be heard and ended. From the
first tenth on descriptors, threads and resident memory may not grow.

    python -m tests.soak_garbage --bytes 1000000
"""

import random
import time

PIECE, ROUND = 1_000, 10_000
READINGS = b"0123456789.-+eE, \t\r\n\x00\xff\xb0naif:;"


def garbage(rng, count):
    """So many bytes."""
    letters = READINGS if rng.random() < 0.5 else bytes(range(256))
    return bytes(rng.choices(letters, k=count))


def soak(count, seed, say):
    """So many bytes; what came of it."""
    from tests.shared.bedside import WREN
    from tests.shared.soaking import ended, playing, warm
    from tests.shared.waiting import until

    rng = random.Random(seed)
    rounds = max(1, round(count / ROUND))
    with playing(more="chime: no") as (pc, listener, sensor):
        first = None
        notes = 0
        for number in range(1, rounds + 1):
            for _ in range(ROUND // PIECE):
                sensor.garble(garbage(rng, PIECE))
            sensor.garble(b"\n")  # the end of what was the last line
            time.sleep(1.2)  # so much rest that the notes of the garbage do not count for the limit of notes a second
            until(lambda: not listener.sounding())
            notes += listener.count(0x90)
            listener.heard.clear()
            sensor.pascal = 1.0
            until(lambda: listener.sounding() == {WREN})
            sensor.pascal = 0.0
            until(lambda: not listener.sounding())
            assert listener.count(0x90) == listener.count(0x80) == 1, f"round {number}: {listener.heard}"
            listener.heard.clear()
            if number == warm(rounds):
                first = pc.cost()
            if number % 10 == 0:
                say(f"{number * ROUND} of {rounds * ROUND} bytes; {pc.cost()}")
        said = ended(pc, first)
    return (
        f"{rounds * ROUND} bytes of garbage, of which {notes} notes came: each ended, and each press after it was "
        f"heard; {said}"
    )


if __name__ == "__main__":
    from tests.shared.soaking import command

    command(__doc__, "bytes", 1_000_000, soak)
