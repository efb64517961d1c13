"""A sensor that is unplugged while its note sounds, and plugged in again: silent, and it plays again, again and again.

One time in five the hand still lies on the switch when it is plugged in: nobody pressed it for us, so nothing may
sound until it has been lifted. From the first tenth on descriptors, threads and resident memory may not grow.

    python -m tests.soak_unplug --count 1000
"""

import random
import time

LISTENING = 0.3
"""Seconds of silence that show that a hand that lay there is not heard."""


def soak(count, seed, say):
    """So many rounds; what came of it."""
    from tests.shared.bedside import WREN
    from tests.shared.soaking import ended, playing, warm
    from tests.shared.waiting import until

    rng = random.Random(seed)
    with playing(more="chime: no") as (pc, listener, sensor):
        first = None
        lying = 0
        for number in range(1, count + 1):
            sensor.pascal = 1.0
            until(lambda: listener.sounding() == {WREN})
            time.sleep(rng.uniform(0, 0.05))
            sensor.unplug()
            until(lambda: not listener.sounding())
            until(lambda: len(pc.events("input_lost")) == number)  # noqa: B023 - used up at once
            lies = rng.random() < 0.2
            sensor.pascal = 1.0 if lies else 0.0
            time.sleep(rng.uniform(0, 0.3))
            sensor.plug()
            until(lambda: len(pc.events("input_open")) == number + 1)  # noqa: B023 - as above
            assert not listener.sounding()
            if lies:
                lying += 1
                time.sleep(LISTENING)
                assert not listener.sounding(), f"round {number}: a hand that lay there was heard"
                sensor.pascal = 0.0
            time.sleep(0.15)  # what is pressed at once was pressed before
            assert listener.count(0x90) == listener.count(0x80) == 1, f"round {number}: {listener.heard}"
            listener.heard.clear()
            if number == warm(count):
                first = pc.cost()
            if number % 100 == 0:
                say(f"{number} of {count}; {pc.cost()}")
        said = ended(pc, first)
    return f"{count} times unplugged and plugged in, {lying} of them under a hand: silent, and it plays again; {said}"


if __name__ == "__main__":
    from tests.shared.soaking import command

    command(__doc__, "count", 1000, soak)
