"""Each press plays a note or a chord by chance: no effort can be wrong, and none is quite like the last.

On press one of the list is chosen and begins; while held it sounds; on release it ends. With ``weights`` some come more
often than others; unless ``allow_repeats`` is yes, the same one never comes twice running. Chance is counted from the
random ``seed``: the same one gives the same music again, from the start and from each time the device is found again.

Example::

    rules:
      - random: {degrees: [1, 2, 3, 5, 6], weights: [3, 1, 2, 2, 1], octave: 4}
"""

from __future__ import annotations

from collections.abc import Mapping
from random import Random
from typing import Any, ClassVar

from router.rule import ONE_ROW, ROW, SEED, Context, Events, Plays, Press, Row


class RandomRule(Plays):
    """The rule ``random``; the module's docstring is its manual."""

    name = "random"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            **ROW,
            "weights": {
                "type": "array",
                "minItems": 1,
                "items": {"type": "integer", "minimum": 0, "maximum": 100},
                "description": "how often each of the list comes, compared with the others; 1 where nothing is written",
            },
            "allow_repeats": {
                "type": "boolean",
                "default": False,
                "description": "whether the same one may come twice running",
            },
            "seed": SEED,
        },
        "oneOf": ONE_ROW,
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._row = Row(settings, context)
        weights = [*settings.get("weights", ()), *[1] * len(self._row)][: len(self._row)]
        self._weights: list[int] = weights if any(weights) else [1] * len(self._row)
        self._allow_repeats: bool = settings["allow_repeats"]
        self._seed: int = settings["seed"]
        self._chances = Random(self._seed)  # noqa: S311 - a fixed row of numbers for music, no secret
        self._last: int | None = None

    def press(self, press: Press, now: int) -> Events:
        weights = list(self._weights)
        if self._last is not None and not self._allow_repeats and sum(weights) > weights[self._last]:
            weights[self._last] = 0
        place = self._last = self._chances.choices(range(len(weights)), weights)[0]
        return self.held.begin(press.voice, lambda: self._row.play(place, press))

    def let_go(self, now: int) -> Events:
        self._chances.seed(self._seed)
        self._last = None
        return self.held.clear()
