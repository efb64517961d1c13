"""The breaker of crash loops: how often the router has died lately, whose turn it was, and what is therefore left out.

    begin     the router before did not end in order: that is a death. Three within a minute: what played is suspected
    ended     told to stop, and stopping: no death

If a rule of others was at work, it alone is left out, from the first death on, and the rest of its profile plays. If it
was a seat's turn, that seat's profile is suspected; if nobody's turn is known, the profiles of all seats are, after
those that have proved themselves were given one more chance. A seat that has died so plays what last played there for a
minute (``memory.py``), and if that dies too the safe profile.

Only the time in which the router played counts, by the clock since the PC was switched on and within one boot: setting
a clock does not change the number of deaths, nor does a slow start of the PC, and a power cut is no death. What is
suspected stays so, over all starts, until its text changes (a profile is known by its digest, a rule by that of its
file, or by the version of its package).

``deaths.json`` lies beside the seats' memories. No child's name is in it, and nothing that is found there is trusted.
Where the disk does not take it, it lies in /run. A file that is there and cannot be read is not written over: what
happens meanwhile is written ``beside`` it, and joined with it as soon as it can be read.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from router.bedside.memory import Proven
from router.core.units import NANOSECONDS
from router.devices.inputs.base import SCARCE
from router.live.surroundings import EventLog
from router.live.turn import Playing, TurnRecord
from router.live.worker import Job, Worker
from router.system import clock
from router.system.files import replacing

MANY, WITHIN = 3, 60 * NANOSECONDS
"""How many deaths within how many nanoseconds of playing are no accident."""

PROVEN, SAFE = 1, 2
"""How far a seat has fallen: to what has proved itself, then to the safe profile."""

MOST = 16
"""Profiles and rules that are suspected at a time, each; the oldest are forgotten."""

RULE_LEFT_OUT = "it was at work when the router died, and is left out until {0.origin} is another"

LEDGER = "deaths.json"
_LARGEST = 1 << 16

_UNREAD = "what killed the router before cannot be read, and is played again: {path}: {why}"
_UNWRITTEN = "how often the router died cannot be written down: {path}: {why}"


@dataclass(frozen=True, slots=True)
class Death:
    """A death: after how many nanoseconds of playing it came, and whose turn it was ("": nobody knows)."""

    lived: int
    seat: str = ""
    digest: str = ""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A profile that is not played at a seat, by the SHA-256 of its text."""

    seat: str
    digest: str


@dataclass(frozen=True, slots=True)
class SuspectedRule:
    """A rule of others that is not used.

    It has its name, where it comes from, and the SHA-256 of its file ("": it is a package's).
    """

    name: str
    origin: str
    digest: str


@dataclass(frozen=True, slots=True)
class DeathRecord:
    """The record of deaths, written for the ``number``-th time. ``fallen``: how far each seat has, while deaths go on.

    ``ready``: when the router was ready to play, ``at``: when this was written, in nanoseconds since the PC was
    switched on; 0 before. ``beside``: True if another ledger could not be read when this was written.
    """

    number: int = 0
    boot: str = ""
    running: bool = False
    ready: int = 0
    deaths: tuple[Death, ...] = ()
    fallen: Mapping[str, int] = field(default_factory=dict)
    suspects: tuple[Suspect, ...] = ()
    rules: tuple[SuspectedRule, ...] = ()
    at: int = 0
    beside: bool = False


@dataclass(frozen=True, slots=True)
class StartVerdict:
    """The conclusions for this start from those before it.

    ``died``: True if the router before did; then ``found`` is what it was doing. ``deaths``: their number within the
    last minute of playing. ``struck``: the seats whose profiles are suspected or got a last chance because of it.
    """

    ledger: DeathRecord
    died: bool = False
    found: TurnRecord = field(default_factory=TurnRecord)
    struck: tuple[str, ...] = ()

    @property
    def deaths(self) -> int:
        return len(self.ledger.deaths)

    def suspected(self, seat: str) -> frozenset[str]:
        """The digests of the profiles that this seat does not play."""
        return frozenset(suspect.digest for suspect in self.ledger.suspects if suspect.seat == seat)

    def rules_left_out(self) -> dict[tuple[str, str], str]:
        """Rules that are not used, by name and origin, and why."""
        return {(rule.name, rule.origin): RULE_LEFT_OUT.format(rule) for rule in self.ledger.rules}

    def fallen(self, seat: str) -> int:
        """How far this seat has fallen: 0, ``PROVEN`` or ``SAFE``."""
        return self.ledger.fallen.get(seat, 0)

    def why_left_out(self, seat: str) -> str:
        """Say why a seat has fallen, and what it plays instead."""
        file = next((one.file for one in self.found.playing if one.seat == seat and one.file), "what was chosen")
        instead = "the safe profile" if self.fallen(seat) >= SAFE else "what last played for a minute without dying"
        return (
            f"the router died {self.deaths} times within a minute while {file} played, so now it is {instead} that"
            " plays"
        )


def judged(
    before: DeathRecord,
    found: TurnRecord,
    now: int,
    boot: str,
    *,
    seats: Collection[str],
    proven: Callable[[str], Collection[str]],
) -> StartVerdict:
    """Judge what follows for this start. ``seats``: all there are; ``proven``: gives the digests proven at a seat."""
    died = before.running and before.boot == boot
    lived = max(0, now - before.ready) if before.ready else 0
    deaths = before.deaths if before.boot == boot and lived <= WITHIN else ()
    fallen = dict(before.fallen) if deaths else {}
    suspects, rules = list(before.suspects), [rule for rule in before.rules if _digest(rule.origin) == rule.digest]
    struck: list[str] = []
    playing = found.playing or tuple(Playing(seat, "", "") for seat in seats)
    if died:
        whose = found.seat
        deaths = (*deaths, Death(lived, whose.seat, whose.digest) if whose is not None else Death(lived))[-MANY:]
        while sum(death.lived for death in deaths[1:]) > WITHIN:
            deaths = deaths[1:]
        if found.rule is not None:
            rules.append(SuspectedRule(found.rule.name, found.rule.origin, _digest(found.rule.origin)))
        if len(deaths) >= MANY:
            for one, known in _culprits(deaths, playing, suspects):
                struck.append(one.seat)
                spared = not known and one.seat not in fallen and one.digest in proven(one.seat)
                if not spared and one.digest:
                    suspects.append(Suspect(one.seat, one.digest))
                fallen[one.seat] = min(SAFE, fallen.get(one.seat, 0) + 1)
    ledger = DeathRecord(
        before.number,
        boot,
        running=True,
        ready=0,
        deaths=deaths,
        fallen=fallen,
        suspects=tuple(dict.fromkeys(suspects))[-MOST:],
        rules=tuple(dict.fromkeys(rules))[-MOST:],
    )
    return StartVerdict(ledger, died, found if died else TurnRecord(), tuple(struck))


def _culprits(
    deaths: Collection[Death], playing: Collection[Playing], suspects: Collection[Suspect]
) -> list[tuple[Playing, bool]]:
    """Return what has to give way: what played at the seats that died (True), or at all if none is known (False)."""
    blamed = {(death.seat, death.digest) for death in deaths} - {(one.seat, one.digest) for one in suspects}
    known = [one for one in playing if one.digest and (one.seat, one.digest) in blamed]
    return [(one, True) for one in known] or [(one, False) for one in playing]


def _digest(origin: str) -> str:
    """The SHA-256 of the file that a rule comes from; "" if it is a package's, which is known by its version."""
    try:
        return hashlib.sha256(Path(origin).read_bytes()).hexdigest() if origin.startswith("/") else ""
    except OSError:
        return ""


class Deaths:
    """The ledger on the disk. ``folders``: where it may lie, the best first. Every method may wait for a disk.

    ``problems``: what cannot be read or written now, for people; ``troubles``: of these, what matters, as it is not
    written elsewhere either. Another thread may look at them.
    """

    def __init__(self, folders: Collection[Path]) -> None:
        self._paths = [folder / LEDGER for folder in folders]
        self._unread: dict[Path, str] = {}  # what is there and could not be read, and why
        self.ledger = DeathRecord()
        self.problems: tuple[str, ...] = ()
        self.troubles: tuple[str, ...] = ()

    def begin(
        self,
        found: TurnRecord,
        seats: Collection[str],
        proven: Callable[[str], Collection[str]],
        now: int | None = None,
    ) -> StartVerdict:
        """Write down that a router begins; return what it has to know. Its end is a death, unless by ``ended``."""
        before = self._joined(self._paths, DeathRecord())
        at = clock.since_boot() if now is None else now
        verdict = judged(before, found, at, clock.boot(), seats=seats, proven=proven)
        self.ledger = verdict.ledger
        self._write()
        return verdict

    def ready(self, now: int | None = None) -> None:
        """Write down that the router plays from now on."""
        self._go_on(ready=clock.since_boot() if now is None else now)

    def ended(self) -> None:
        """Write down that the router was told to stop, and stops."""
        self._go_on(running=False)

    def _go_on(self, **changes: Any) -> None:
        if self.ledger.number:
            self.ledger = self._joined([*self._unread], self.ledger)
        else:
            self.ledger = self._joined(self._paths, DeathRecord())
        self.ledger = replace(self.ledger, **changes)
        self._write()

    def _joined(self, paths: Collection[Path], ledger: DeathRecord) -> DeathRecord:
        """This ledger and those at the paths, as far as they can be read now."""
        for path in paths:
            try:
                found = _read(path)
            except OSError as error:
                self._unread[path] = error.strerror or str(error)
            else:
                self._unread.pop(path, None)
                ledger = _newest(ledger, found)
        return ledger

    def _write(self) -> None:
        number, at = self.ledger.number + 1, clock.since_boot()
        self.ledger = replace(self.ledger, number=number, at=at, beside=bool(self._unread))
        data = json.dumps(asdict(self.ledger)).encode()
        written = False
        problems = [_UNREAD.format(path=path, why=why) for path, why in self._unread.items()]
        for path in self._paths:
            if path in self._unread:
                continue
            try:
                if written:  # what stands there is no longer true
                    path.unlink(missing_ok=True)
                    continue
                path.parent.mkdir(parents=True, exist_ok=True)
                with replacing(path) as file:
                    file.write(data)
                written = True
            except OSError as error:
                problems.append(_UNWRITTEN.format(path=path, why=error.strerror or error))
        self.problems = tuple(problems)
        self.troubles = self.problems if not written else self.problems[: len(self._unread)]


def _newest(one: DeathRecord, other: DeathRecord) -> DeathRecord:
    """Return the newer of two ledgers; if it was written beside the other, with what is suspected in that one."""
    boot = clock.boot()
    first, second = sorted((one, other), key=lambda each: (each.at if each.boot == boot else -1, each.number))
    if not second.beside:
        return second
    return replace(
        second,
        number=max(first.number, second.number),
        suspects=tuple(dict.fromkeys((*first.suspects, *second.suspects)))[-MOST:],
        rules=tuple(dict.fromkeys((*first.rules, *second.rules)))[-MOST:],
    )


def _read(path: Path) -> DeathRecord:
    """Read the ledger; an empty one if there is none, or if it cannot be understood.

    Raises:
        OSError: the file is there, and cannot be read.
    """
    try:
        with path.open("rb") as file:
            found = json.loads(file.read(_LARGEST))
        return DeathRecord(
            int(found["number"]),
            _text(found["boot"]),
            found["running"] is True,
            int(found["ready"]),
            tuple(Death(int(each["lived"]), _text(each["seat"]), _text(each["digest"])) for each in found["deaths"]),
            {_text(seat): int(far) for seat, far in found["fallen"].items()},
            tuple(Suspect(_text(each["seat"]), _text(each["digest"])) for each in found["suspects"]),
            tuple(
                SuspectedRule(_text(each["name"]), _text(each["origin"]), _text(each["digest"]))
                for each in found["rules"]
            ),
            int(found.get("at", 0)),
            found.get("beside") is True,
        )
    except (FileNotFoundError, NotADirectoryError):  # there is none
        return DeathRecord()
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError):  # it makes no sense
        return DeathRecord()


def _text(found: Any) -> str:
    if not isinstance(found, str):
        raise TypeError
    return found


class ToldDeaths:
    """The ledger of deaths as a service keeps it: written by its worker, beside the loop, and told in its log."""

    def __init__(self, deaths: Deaths, log: EventLog, worker: Worker) -> None:
        self._deaths, self._log, self._worker = deaths, log, worker
        self._said: tuple[str, ...] = ()  # the problems that the log knows

    @property
    def troubles(self) -> tuple[str, ...]:
        """Return what cannot be read or written now, and matters."""
        return self._deaths.troubles

    def begin(self, found: TurnRecord, seats: Mapping[str, Proven]) -> StartVerdict:
        """Find out how the router before ended; tell it, and what is left out because of it."""
        verdict: StartVerdict | None = self._worker.wait(
            lambda _: self._deaths.begin(found, seats, lambda seat: seats[seat].digests() if seat in seats else ())
        )
        self._tell_problems()
        if verdict is None:  # the disk stalls
            return StartVerdict(DeathRecord())
        if verdict.died:
            self._log.error("died", **_was_at(verdict.found), deaths_within_a_minute=verdict.deaths)
        for seat in verdict.struck:
            self._log.error("left_out", seat=seat, why=verdict.why_left_out(seat))
        for (rule, origin), why in verdict.rules_left_out().items():
            self._log.error("rule_left_out", rule=rule, origin=origin, why=why)
        return verdict

    def ready(self) -> None:
        """Write down that the router plays from now on."""
        self._write_down(self._deaths.ready)

    def ended(self) -> None:
        """Write down that the router was told to stop, and stops."""
        self._write_down(self._deaths.ended)

    def excuse(self, error: BaseException) -> None:
        """Count no death if the system had no descriptor or thread left: no profile is suspected for that."""
        scarce = isinstance(error, OSError) and error.errno in SCARCE
        if scarce or (isinstance(error, RuntimeError) and "new thread" in str(error)):
            with suppress(OSError):
                self._deaths.ended()

    def _write_down(self, what: Callable[[], None]) -> None:
        self._worker.do(
            Job(lambda _: what(), lambda _none, _now: self._tell_problems(), lambda _at, _now: None, lasting=True)
        )

    def _tell_problems(self) -> None:
        """Tell what of the ledger could not be read or written, and that it can be again, once each."""
        now = self._deaths.problems
        for problem in now:
            if problem not in self._said:
                self._log.warning("deaths_unknown", why=problem)
        if self._said and not now:
            self._log.info("deaths_known_again")
        self._said = now


def _was_at(found: TurnRecord) -> dict[str, str]:
    """The fields of the log that say what a router that died was doing, as far as is known."""
    fields: dict[str, str] = {}
    if found.seat is not None:
        fields |= {"seat": found.seat.seat, "profile": found.seat.file, "digest": found.seat.digest}
    if found.rule is not None:
        fields |= {"rule": found.rule.name, "origin": found.rule.origin}
    return fields or {"why": "at no seat's turn, as far as is known"}
