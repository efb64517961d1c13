"""The shipped profiles, the movements that each asks for, and what they play."""

from __future__ import annotations

from router.core.conditioning.pressure import PressureConditioner
from router.core.engine import Engine
from router.core.events import MidiSample, PointerSample, PressureSample, Sample, SwitchSample
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.files.profile import shipped
from router.files.profile.model import Profile

PROFILES = sorted(shipped().glob("*.yaml"))


MILLISECOND = 1_000_000


def movements(profile: Profile) -> list[tuple[int, Sample]]:
    """Each input moved once as its profile asks for, one input after another, from the second second on."""
    found: list[tuple[int, Sample]] = []
    t = 2 * NANOSECONDS
    for name, kind in sorted(profile.types.items(), key=lambda item: item[1] != "midi"):  # a chord, for who follows it
        if kind == "switch":
            found += [(t, SwitchSample(name, True)), (t + 600 * MILLISECOND, SwitchSample(name, False))]
        elif kind == "midi":
            found += [(t, MidiSample(name, (0x90, key, 100))) for key in (62, 66, 69)]
            found += [(t + 600 * MILLISECOND, MidiSample(name, (0x80, key, 0))) for key in (62, 66, 69)]
        elif kind == "listen":  # another child's phrase
            found += [
                (t + after * MILLISECOND, MidiSample(name, (status, key, 90)))
                for begins, key in ((0, 67), (500, 71), (1000, 74))
                for after, status in ((begins, 0x90), (begins + 300, 0x80))
            ]
        elif kind == "pointer":
            steps = range(0, 4000, 20)
            found += [(t + i * MILLISECOND, PointerSample(name, 0.1 if i < 2000 else 0.9, 0.2)) for i in steps]
        else:
            found += squeeze(profile, name, t)
        t += 6 * NANOSECONDS
    return found


def squeeze(profile: Profile, name: str, t: int) -> list[tuple[int, Sample]]:
    """A sensor at rest, then pushed to its full on each side it has."""
    conditioner = profile.plan.inputs[name](lambda: 0, Alarm(Timers(), 0))
    assert isinstance(conditioner, PressureConditioner)
    sides = [(1, conditioner.settings.above), (-1, conditioner.settings.below)]
    height = [sign * side.full for sign, side in sides if side is not None]
    return [
        (t + i * MILLISECOND, PressureSample(name, height[i // 2000] if 1200 < i % 2000 < 1900 else 0.0))
        for i in range(0, 2000 * len(height), 10)
    ]


def play(profile: Profile, samples: list[tuple[int, Sample]]) -> tuple[list[tuple[str, dict]], Engine, int]:
    """The profile's engine over the samples, on virtual time, until half a minute after the last."""
    told: list[tuple[str, dict]] = []
    engine = Engine(profile.plan, lambda _now, event, fields: told.append((event, fields)))
    engine.start(0)
    for t, sample in samples:
        while (due := engine.next_deadline()) is not None and due < t:
            engine.wake(due)
        engine.handle(sample, t)
    end = samples[-1][0] + 30 * NANOSECONDS
    while (due := engine.next_deadline()) is not None and due < end:
        engine.wake(due)
    return told, engine, end
