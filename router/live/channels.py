"""Which MIDI channels a seat plays on, where several children share a synth.

    channels of its own        those of the profile, from the lowest, go onto them in the order in which the seat has
                               them
    none, or too few           each stays as in the profile, unless another plays there: then it goes to the lowest free
                               one
    none is free               it is shared, and that is said: with another seat, as long as there is a channel without
                               a part of ours

What already plays is never moved; and drums stay drums: nothing is ever moved to the drum channel or away from it.

Two outputs that *may be the same* count as one: MIDI ports whose patterns are the same or of which one means the
other's text, and built-in instruments that are described alike (``router.devices.outputs.shared``). Channels of an
output that is surely another are nobody's concern.

A channel on which several play (that of drums, mostly) is *shared*: see ``shared`` and ``Engine.share_routes``.

Example: a profile with a tune on channel 1 and drums, at a seat beside one that plays on channel 1 of the same synth::

    >>> from router.devices.descriptions import MidiPort
    >>> from router.core.engine import PartPlan, Plan
    >>> from router.core.events import Route
    >>> from router.core.ledger import Limits
    >>> from router.core.music import Music
    >>> parts = tuple(
    ...     PartPlan(name, ("pad",), (), Route("synth", channel))
    ...     for name, channel in (("tune", 1), ("drums", 10))
    ... )
    >>> plan, synth = Plan(Music(), Limits(), {}, parts), {"synth": MidiPort("*Synth*")}
    >>> window = used(plan, synth, 'seat "window"')
    >>> [part.route.channel for part in assign(plan, synth, taken=window).plan.parts]
    [2, 10]
    >>> [part.route.channel for part in assign(plan, synth, own=[5, 6], taken=window).plan.parts]
    [5, 10]
    >>> shared({"window": (plan, synth), "door": (plan, synth)})["door"] == {Route("synth", 1), Route("synth", 10)}
    True
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from router.core.engine import Plan
from router.core.events import Route
from router.core.midi import DRUM_CHANNEL
from router.devices.descriptions import MidiPort, OutputDevice
from router.devices.names import may_mean_one

CHANNELS = tuple(channel for channel in range(1, 17) if channel != DRUM_CHANNEL)
"""The channels on which notes are pitches (General MIDI System Level 1: channel 10 is that of drums)."""

Outputs = Mapping[str, OutputDevice]


@dataclass(frozen=True, slots=True)
class Taken:
    """A channel on which somebody else plays.

    It says where, 1 to 16, and whose it is, in words (``seat "window"``, ``the keyboard``).
    """

    device: OutputDevice
    channel: int
    whose: str


@dataclass(frozen=True, slots=True)
class Assigned:
    """A plan with its channels; which of them were moved and where to; what whoever set the room up should know."""

    plan: Plan
    moved: Mapping[Route, Route]
    warnings: tuple[str, ...] = ()


def assign(
    plan: Plan, outputs: Outputs, own: Sequence[int] = (), taken: Iterable[Taken] = (), reserved: Collection[int] = ()
) -> Assigned:
    """Return a plan with each part on the channel that it has at this seat.

    Args:
        plan: as the profile has it.
        outputs: what its outputs are in this room, by name.
        own: the channels of this seat by the configuration, 1 to 16; that of drums does not count.
        taken: what others use: seats that play, and the keyboard (``used``).
        reserved: the channels that the configuration gives to other seats, whether they play or not.
    """
    return _Assignment(plan, outputs, tuple(taken), reserved).made([one for one in own if one != DRUM_CHANNEL])


def used(plan: Plan, outputs: Outputs, whose: str) -> tuple[Taken, ...]:
    """Return the channels that a seat plays on, to be told to others."""
    routes = dict.fromkeys(part.route for part in plan.parts)
    return tuple(Taken(outputs[route.output], route.channel, whose) for route in routes)


def shared(seats: Mapping[str, tuple[Plan, Outputs]], others: Iterable[Taken] = ()) -> dict[str, frozenset[Route]]:
    """Return by seat the routes on which another seat, or one of ``others`` (the keyboard), plays as well."""
    uses = {name: used(plan, outputs, name) for name, (plan, outputs) in seats.items()}
    strangers = tuple(others)
    found = {}
    for name, (plan, outputs) in seats.items():
        theirs = [one for other, taken in uses.items() if other != name for one in taken]
        found[name] = frozenset(
            route
            for route in {part.route for part in plan.parts}
            if next(_clashing(outputs[route.output], route.channel, [*theirs, *strangers]), None) is not None
        )
    return found


def may_be_same(one: OutputDevice, other: OutputDevice) -> bool:
    """True if two outputs may lead to the same synth."""
    if isinstance(one, MidiPort) and isinstance(other, MidiPort):
        return may_mean_one(one.pattern, other.pattern)
    return one == other


def _clashing(device: OutputDevice, channel: int, taken: Iterable[Taken]) -> Iterator[Taken]:
    return (one for one in taken if one.channel == channel and may_be_same(one.device, device))


class _Assignment:
    """The state of one plan while its channels are assigned."""

    def __init__(self, plan: Plan, outputs: Outputs, taken: tuple[Taken, ...], reserved: Collection[int]) -> None:
        self._plan, self._outputs = plan, outputs
        self._taken, self._reserved = taken, reserved
        self._to: dict[Route, int] = {}  # what is settled
        self._warnings: list[str] = []
        routes = {part.route for part in plan.parts if part.route.channel != DRUM_CHANNEL}
        self._waiting = sorted(routes, key=lambda route: (route.channel, route.output))

    def made(self, own: Sequence[int]) -> Assigned:
        if own:
            self._onto(own)
        else:
            self._as_free_as_can_be()
        moved = {route: Route(route.output, channel) for route, channel in self._to.items() if route.channel != channel}
        parts = tuple(replace(part, route=moved.get(part.route, part.route)) for part in self._plan.parts)
        return Assigned(replace(self._plan, parts=parts), moved, tuple(self._warnings))

    def _onto(self, own: Sequence[int]) -> None:
        """Put the channels of the profile onto those of the seat."""
        numbers = sorted({route.channel for route in self._waiting})
        given = dict(zip(numbers, own, strict=False))
        for route in [route for route in self._waiting if route.channel in given]:
            self._settle(route, given[route.channel])
            self._share(route, given[route.channel])
        left = [number for number in numbers if number not in given]
        self._as_free_as_can_be()
        if left:
            went = [f"{number} is played on {self._where(number)}" for number in left]
            self._warnings.append(
                f"the profile plays on {_listed(numbers)} and the seat has {len(own)} of its own"
                f" ({_numbers(own)}): channel {', channel '.join(went)}"
            )

    def _as_free_as_can_be(self) -> None:
        """Leave each route where nobody else plays, or move it to where nobody does."""
        for route in list(self._waiting):
            channel = self._best(route)
            self._settle(route, channel)
            self._share(route, channel)

    def _best(self, route: Route) -> int:
        """The channel that costs least.

        It is a free one, else one shared with another seat, else one shared with a part of ours.
        """
        ours = self._settled(route)
        wanted = {other.channel for other in self._beside(route, self._waiting)}

        def cost(channel: int) -> tuple[bool, bool, bool, bool, bool, int]:
            played = next(self._others(route, channel), None) is not None
            hindered = played or channel in self._reserved or channel in wanted
            return channel in ours, hindered, channel != route.channel, channel in wanted, played, channel

        return min(CHANNELS, key=cost)

    def _settle(self, route: Route, channel: int) -> None:
        self._to[route] = channel
        self._waiting.remove(route)

    def _settled(self, route: Route) -> set[int]:
        """Return the channels given to those of our parts that are on another channel than this one in the profile."""
        return {self._to[other] for other in self._beside(route, self._to)}

    def _beside(self, route: Route, others: Iterable[Route]) -> list[Route]:
        device = self._outputs[route.output]
        return [
            other
            for other in others
            if other.channel != route.channel and may_be_same(self._outputs[other.output], device)
        ]

    def _others(self, route: Route, channel: int) -> Iterator[Taken]:
        return _clashing(self._outputs[route.output], channel, self._taken)

    def _share(self, route: Route, channel: int) -> None:
        """Say whom a channel is shared with, if it is."""
        whose = list(dict.fromkeys(one.whose for one in self._others(route, channel)))
        if channel in self._settled(route):
            whose.append("another part of this profile")
        if whose:
            self._warnings.append(
                f'channel {channel} of output "{route.output}" is shared with {" and ".join(whose)}: one sound and one'
                " volume for both"
            )

    def _where(self, number: int) -> str:
        return " and ".join(
            dict.fromkeys(str(channel) for route, channel in self._to.items() if route.channel == number)
        )


def _listed(numbers: Sequence[int]) -> str:
    return f"channel{'' if len(numbers) == 1 else 's'} {_numbers(numbers)}"


def _numbers(numbers: Sequence[int]) -> str:
    return ", ".join(map(str, numbers))
