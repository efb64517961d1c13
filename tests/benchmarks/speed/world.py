"""What several benchmarks share: profiles, and children who play them on virtual time."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from router.core.engine import Engine
from router.core.events import SwitchSample
from router.core.ledger import Observe
from router.core.units import NANOSECONDS
from router.files import profile

CHAINS = {
    1: ("sequence: {degrees: [1, 2, 3, 5]}",),
    5: (
        "sequence: {degrees: [1, 2, 3, 5]}",
        "transpose: {octaves: 1}",
        "scale_lock: {}",
        "velocity: {from: strength}",
        "release: {when: released}",
    ),
    10: (
        "sequence: {degrees: [1, 2, 3, 5]}",
        "transpose: {octaves: 1}",
        "scale_lock: {}",
        "velocity: {from: strength}",
        "range: {lowest: C3, octaves: 3}",
        "transpose: {octaves: -1}",
        "scale_lock: {direction: up}",
        "velocity: {from: strength, curve: soft}",
        "range: {lowest: C2, octaves: 5}",
        "release: {when: released}",
    ),
}
"""Rules by how many: each of them has something to do with every note."""


def text(rules: int | tuple[str, ...], parts: int = 1, port: str = "*", child: str = "wren", more: str = "") -> str:
    """A profile of so many parts, each with an input and rules of its own. ``more``: further inputs."""
    chain = CHAINS[rules] if isinstance(rules, int) else rules
    lines = ["profile: 1", f"child: {child}", "music: {key: D, scale: minor pentatonic, tempo: 240 bpm}"]
    lines += ["limits: {notes_per_second: 50}", "inputs:"]
    lines += [
        f'  pad{n}: {{type: switch, device: {{evdev: "*Bench*", key: {_key(n)}}}, debounce: 0 ms}}'
        for n in range(parts)
    ]
    lines += [more] if more else []
    lines += ["parts:"]
    for n in range(parts):
        lines += [f"  tune{n}:", f"    input: pad{n}", "    rules:", *(f"      - {rule}" for rule in chain)]
        lines += [f"    output: {{port: synth, channel: {n % 9 + 1}}}"]
    lines += ["outputs:", f'  synth: {{midi: "{port}"}}', ""]
    return "\n".join(lines)


def _key(number: int) -> str:
    """A button for each of up to 80 inputs; the kernel calls them so."""
    return f"BTN_TRIGGER_HAPPY{number + 1}" if number < 40 else f"KEY_MACRO{number - 39}"


def loaded(profile_text: str) -> profile.Profile:
    """The profile that is written here.

    Raises:
        profile.ProfileError: it is wrong.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.yaml"
        path.write_text(profile_text, encoding="utf-8")
        return profile.load(path)


class Taps(NamedTuple):
    """An engine, and a hand that taps at one of its inputs, ten times a second of virtual time."""

    engine: Engine
    press: SwitchSample
    release: SwitchSample

    def tap(self, times: int, now: int) -> tuple[int, int]:
        """Press and release so many times from ``now`` on; return when that ended, and how many messages it gave."""
        handle, press, release = self.engine.handle, self.press, self.release
        sent = 0
        for _ in range(times):
            for sample in (press, release):
                now += NANOSECONDS // 20
                for _message in handle(sample, now):
                    sent += 1
        return now, sent


def tapping(rules: int, parts: int = 1, observe: Observe | None = None) -> Taps:
    engine = Engine(loaded(text(rules, parts)).plan, observe)
    engine.start(0)
    name = f"pad{parts // 2}"
    return Taps(engine, SwitchSample(name, True), SwitchSample(name, False))


@contextmanager
def no_collector() -> Iterator[None]:
    """As while the daemon plays: what is loaded is not looked at again."""
    import gc

    gc.collect()
    gc.freeze()
    before = gc.get_threshold()
    gc.set_threshold(50_000, 20, 100)
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()
