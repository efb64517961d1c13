"""``router`` in a day that goes by faster: the same program, whose clock and whose timer run so many times as fast.

    python -m tests.dilated 100 run --config router.yaml

All that the router does by the time follows, as nothing else in it reads time or waits for it. What the machine itself
takes time for (reading a file, a rule's work) does not go faster, so what guards that is left as it is.
"""

import sys

from router.live import flood, worker
from router.system import clock, loop


def dilate(speed):
    """From now on a second of this process lasts ``speed`` times shorter."""
    real, arm = clock.now, loop.Timer.arm
    zero = real()

    def faster(timer, when):
        arm(timer, None if when is None else zero - (zero - when) // speed)  # rounded up, never early

    clock.now = lambda: zero + (real() - zero) * speed
    loop.Timer.arm = faster
    worker.STALLED *= speed
    worker.PATIENCE *= speed
    worker.LAST_WAIT *= speed
    flood.SHARE *= speed
    flood.MOST *= speed
    flood.STALLED *= speed


if __name__ == "__main__":
    dilate(int(sys.argv[1]))
    from router.cli import main

    sys.exit(main(sys.argv[2:]))
