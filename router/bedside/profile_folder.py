"""A seat's profile folder: what a therapist puts there is noticed, checked and offered; what plays is remembered.

    inotify -> arrivals (is it finished?) -> judging, beside the loop -> an offer -> chosen -> remembered, beside the
    loop

The loop's thread never touches the disk: it reads news from the kernel and compares names. What may wait is a job for
the worker. If a stick stalls at one file, the job is given up, the file is refused, and the others go on
(``worker.py``); the file is not read again before the thread that hangs there has come back, and then it counts as
newly put.

Of several files that are put there at once the last that is right is offered; a refusal that comes after it is told,
too.

Invariants:
  * nothing but ``at_start`` and ``close`` waits; news is read at most every ``PAUSE``, however much is written;
  * what was checked is what is offered and kept, byte for byte;
  * each request gets one answer.
"""

from __future__ import annotations

import hashlib
import os
import select
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from router.bedside.arrivals import SETTLE, Arrivals, Arrived
from router.bedside.checking import (
    SILENT,
    CheckedFile,
    FileSigns,
    Looked,
    Watches,
    all_passed_over,
    counts,
    file_of,
    is_gone,
    is_song,
    judge,
    judge_asked,
    judge_newest,
    listing,
    look_over,
    means,
    no_such_child,
    passed_over,
    silent,
    stem,
    suspected,
)
from router.bedside.memory import PROVEN_AFTER, LastProfile, Proven, SeatMemory, quick_memory
from router.core.timers import earliest
from router.core.units import NANOSECONDS
from router.files import profile, trying
from router.files.diagnostics import quoted, tidy
from router.files.profile import Problem, Profile
from router.files.profile.songs import FOLDER
from router.live.worker import Job, Worker, WorkerThread
from router.songs import apart
from router.system import clock
from router.system.agenda import Agenda

ASK_WAIT = 5 * NANOSECONDS
"""How long an asked-for file that is just arriving is waited for: somebody is waiting for the answer."""

LATER = (15 * NANOSECONDS, 60 * NANOSECONDS, 240 * NANOSECONDS, 960 * NANOSECONDS)
"""How long until what a PC was too slow for is tried again, by try: a PC is busy for a minute or two at power-up."""

AGAIN = 10 * NANOSECONDS
"""How long until what could not be remembered is tried again: nobody tells us, say, when a full disk has room again."""

PAUSE = NANOSECONDS // 20
"""Between two readings of news: what is written in a thousand pieces must not wake the loop a thousand times."""

_AT_ONCE = 8192
"""Bytes of news in one reading, about 200 pieces; the kernel keeps the rest."""

LONGEST = 255
"""Letters of a name that is shown; a file's name has no more bytes."""

SAFE = Path(profile.__file__).parent / "safe.yaml"
"""The profile that plays when nothing else can; an output of the configuration may replace its own, by name."""


class Say(Protocol):
    """Told of what the technician should know; must not wait."""

    def __call__(self, event: str, **fields: Any) -> object: ...


@dataclass(frozen=True, slots=True)
class Offer:
    """A profile to play, or why there is none.

    ``child``: the profile's child, after whom its file is named; of a file that is refused, the file's name.
    ``because``: how it comes to be offered. ``asker``: who asked for it. A profile may come with problems: those of
    others that should have played instead. ``text``: its bytes; ``source``: ``folder``, ``copy`` (the last good one),
    ``first`` (the configuration's) or ``safe``.
    """

    child: str
    path: Path
    profile: Profile | None
    problems: list[Problem]
    because: str
    asker: object | None = None
    text: bytes = field(default=b"", repr=False)
    source: str = "folder"
    among: int = 0  # the number of profiles of which this is the first, where nobody has chosen one yet

    @property
    def digest(self) -> str:
        """SHA-256 of its bytes."""
        return hashlib.sha256(self.text).hexdigest()


class ProfileFolder:
    """A seat's profile folder, and the memory of what plays there. All methods are for the loop's thread.

    ``offered`` is given each offer that is finished, in the loop. ``folder`` need not be there yet. ``state``: the
    folder of all seats' memories. ``follow``: "folder" offers the file that was put there last, "file" only changes of
    what plays. ``first``: what plays before anything was chosen. ``runtime``: a folder in memory where what plays is
    remembered, too, for a process that is killed. ``suspected``: digests of profiles that have killed the router and
    are not played. ``only_safe``: begin with the safe profile, as all others died. ``elsewhere``: children who play at
    other seats.
    """

    def __init__(  # noqa: PLR0917 - eight things that every folder needs
        self,
        folder: Path,
        state: Path,
        seat: str,
        follow: str,
        first: str | None,
        say: Say,
        agenda: Agenda,
        offered: Callable[[Offer], None],
        *,
        runtime: Path | None = None,
        suspected: Collection[str] = (),
        only_safe: bool = False,
        elsewhere: Collection[str] = (),
    ) -> None:
        self._folder = folder.absolute()
        self._memory = SeatMemory(state / seat, quick_memory(runtime, seat) if runtime is not None else None)
        self._proven = Proven(state / seat)
        self._proving = agenda.reminder(self._prove)  # once what plays has played for long enough
        self._suspected, self._only_safe, self._elsewhere = suspected, only_safe, elsewhere
        self._follows_file = follow == "file"
        self._first = first
        self._say = say
        self._said: dict[str, str] = {}  # what was said last, by event, so that it is said once

        self._arrivals = Arrivals()
        self._asks: list[_Ask] = []  # for files that are just arriving
        self._known: dict[str, FileSigns] = {}  # each file as it was when it was last looked at
        self._answered: dict[str, FileSigns] = {}  # each good file as it was when it was asked for
        self._unheeded: set[str] = set()  # names whose latest change is no news, until they are listed anew
        self._needs: dict[str, frozenset[str]] = {}  # the songs' files of each that was judged
        self._songs: Mapping[str, FileSigns] = {}  # each song as it was when the folder was last looked over
        self._refused: set[str] = set()  # names that were not right: a change of their rights is news
        self._names: list[str] = []
        self._passed_over: dict[str, str] = {}  # files that are not taken for profiles, and why
        self._plays: Offer | None = None
        self._open_offer = False  # a good one is offered, and whether it was chosen is not known yet
        self._renamed = 0  # the cookie of the news that what plays got another name
        self._offered = offered
        self._going_on = agenda.reminder(self._go_on)  # with what has arrived, is asked for, or is ready
        self._listing = agenda.reminder(self._list_anew)
        self._remembering = agenda.reminder(lambda _now: self._remember_again())
        self._trying = agenda.reminder(self._try_later)
        self._later: _Later | None = None
        self._ready: list[Offer] = []

        self._worker = Worker(agenda, self._changed, self._failed, self._stalled, _busy_until)
        self._epoll = select.epoll()
        self._epoll.register(self._worker, select.EPOLLIN)
        self._listening = agenda.reminder(self._listen)  # news is not listened to before
        self._watches = Watches()
        self._looked = False  # at the folder: what is there from now on has been put there
        self._beginning = agenda.reminder(self._begin_again)  # to have news
        self._inotify = self._begin()
        self._look_over()

    def at_start(self) -> Offer:
        """Choose what to play now: what played last, its last good copy, the configuration's, or the safe default.

        Where nothing is remembered, the first in the folder comes before the safe default. Waits for the disk, but
        gives up what stalls.
        """
        offer = self._first_offer()
        later = self._later
        self.chosen(offer)
        self._wait(later, clock.now())
        return offer

    def fileno(self) -> int:
        """Readable when there is news of the folder, or an offer is ready."""
        return self._epoll.fileno()

    def read(self, now: int) -> None:
        """Take news, and what the worker has done; give the offers that are finished. Never waits."""
        self._worker.read(now)
        if self._listening.at is None:
            self._read_news(now)
        self._go_on(now)

    def ask(self, child: str, asker: object = None) -> None:
        """Check the file of a child; the offer that follows carries ``asker``."""
        self._asks.append(_Ask(child, asker, clock.now() + ASK_WAIT))
        self._serve(clock.now(), [])
        self._going_on.soon()

    def chosen(self, offer: Offer) -> None:
        """Note that this plays now, and remember it."""
        self._plays, self._open_offer = offer, False
        self._wait(None, clock.now())  # the person who chose it no longer waits for another
        if offer.source != "safe":
            self._proving.set(clock.now() + PROVEN_AFTER)
        else:
            self._proving.clear()
        self._remember(offer)

    def troubles(self) -> dict[str, str]:
        """The reasons of what is wrong now, by the event that told of it."""
        return {event: why for event, why in self._said.items() if why}

    def names(self) -> list[str]:
        """The children whose files are in the folder, as far as is known now."""
        return [*self._names]

    def close(self) -> None:
        """Write down what plays, if it is not yet; then give everything back."""
        self._remember_again()
        reminders = (self._going_on, self._listing, self._remembering, self._trying, self._listening, self._beginning)
        for reminder in (*reminders, self._proving):
            reminder.clear()
        self._worker.close()
        self._epoll.close()
        if self._inotify is not None:
            self._inotify.close()

    # --- at start -------------------------------------------------------------------------------------------------

    def _first_offer(self) -> Offer:
        problems: list[Problem] = []
        # waits for the first look at the folder, too: what is put there from now on is news
        played: LastProfile | None = self._worker.wait(self._played)
        if self._only_safe:
            return self._safe([], "the router died again and again, whatever played here")
        overruled = played is not None and not played.chosen and played.child != self._first  # by the configuration
        offer = None
        if not overruled:
            if played is not None:
                offer = self._at_start(self._folder, played.file, "it played last", problems)
            offer = offer or self._last_good(played, problems)
        if self._suspected:
            offer = offer or self._last_proven(problems)
        if self._first is not None:
            offer = offer or self._configured(self._first, problems)
        if played is None or overruled:
            offer = offer or self._first_in_folder(problems)
        return offer or self._safe(problems)

    def _played(self, _worker: WorkerThread) -> LastProfile | None:
        try:
            return self._memory.played()
        except OSError as error:
            self._say("what_played_cannot_be_read", why=_why(error))
            return None

    def _at_start(
        self, folder: Path, name: str, because: str, problems: list[Problem], source: str = "folder"
    ) -> Offer | None:
        """Offer the profile in this file, if it is right; otherwise add what is wrong to ``problems``."""
        judged: CheckedFile | None = self._worker.wait(partial(judge, folder, name))
        if judged is None:
            judged = CheckedFile(name, there=True, profile=None, problems=[silent(folder / tidy(name))])
        judged = self._cleared(judged, folder)
        if judged.profile is None:
            problems += judged.problems
            if judged.may_pass and self._later is None:
                self._later = _Later(name, because, judged.problems, folder, source)
            return None
        child = judged.profile.child
        return Offer(child, folder / name, judged.profile, [*problems], because, text=judged.text, source=source)

    def _last_good(self, played: LastProfile | None, problems: list[Problem]) -> Offer | None:
        copy = self._memory.copy
        judged: CheckedFile | None = self._worker.wait(partial(judge, copy.parent, copy.name, any_name=True))
        if judged is not None and self._is_suspected(judged):
            return None  # its text is that of the file that was refused above
        if judged is None or judged.profile is None:
            if judged is None or judged.there:
                problems += [silent(copy)] if judged is None else judged.problems
            return None
        because = "which profile played last is no longer known, but its text was kept"
        child = judged.profile.child
        if played is not None:
            because = f"{quoted(tidy(played.file))} played last and cannot be used now, but its text was kept"
            if played.digest != hashlib.sha256(judged.text).hexdigest() and child != played.child:
                return None  # it is another child's: of what played last the text could not be kept
        return Offer(child, copy, judged.profile, [*problems], because, text=judged.text, source="copy")

    def _last_proven(self, problems: list[Problem]) -> Offer | None:
        """Offer the profile that played last for a minute without the router dying."""
        digests: list[str] = self._worker.wait(lambda _: self._proven.digests()) or []
        for digest in digests:
            path = self._proven.path(digest)
            judged: CheckedFile | None = self._worker.wait(partial(judge, path.parent, path.name, any_name=True))
            if judged is None or judged.profile is None or self._is_suspected(judged) or _digest(judged) != digest:
                continue
            child, because = judged.profile.child, "it is the last that played for a minute without the router dying"
            return Offer(child, path, judged.profile, [*problems], because, text=judged.text, source="copy")
        return None

    def _is_suspected(self, judged: CheckedFile) -> bool:
        return judged.profile is not None and _digest(judged) in self._suspected

    def _cleared(self, judged: CheckedFile, folder: Path) -> CheckedFile:
        """Refuse a profile that has killed the router; return other judgements as they are."""
        if folder == self._folder:
            self._needs[judged.name] = judged.songs
        if not self._is_suspected(judged):
            return judged
        return replace(judged, profile=None, problems=[suspected(folder / judged.name)])

    def _configured(self, first: str, problems: list[Problem]) -> Offer | None:
        because = "what played last cannot be used" if problems else "nothing has been chosen yet"
        because += ", and the configuration names this one"
        found = False
        for folder in (self._folder, profile.shipped()):
            there: Mapping[str, FileSigns] | None = self._worker.wait(partial(listing, folder))
            name = file_of(first, there or ())
            if name is not None:
                found = True
                offer = self._at_start(folder, name, because, problems, "first")
                if offer is not None:
                    return offer
        if not found:
            problems.append(no_such_child(self._folder, first, self._names))
        return None

    def _first_in_folder(self, problems: list[Problem]) -> Offer | None:
        """Offer the first file in the folder that is right, by name, where nobody has chosen yet."""
        there: Mapping[str, FileSigns] = self._worker.wait(partial(listing, self._folder)) or {}
        for name in sorted(name for name in there if stem(name) not in self._elsewhere):
            offer = self._at_start(self._folder, name, "", problems)
            if offer is not None:
                which = f"the first of {len(there)} profiles" if len(there) > 1 else "the only profile"
                because = f"nothing has been chosen yet, and it is {which} in the folder"
                return replace(offer, because=because, among=len(there))
        return None

    def _safe(self, problems: list[Problem], why: str = "there is no profile that can play") -> Offer:
        because = f"{why}: the space bar of the keyboard plays one soft note"
        text = SAFE.read_bytes()
        safe = profile.load(SAFE, text)
        return Offer(safe.child, SAFE, safe, problems, because, text=text, source="safe")

    # --- news -----------------------------------------------------------------------------------------------------

    def _begin(self) -> Any:
        try:
            from inotify_simple import INotify  # noqa: PLC0415 - only Linux has it, and only the daemon needs it

            inotify = INotify(nonblocking=True)
        except (OSError, ImportError) as error:
            self._once("no_news_of_profiles", str(error))
            if isinstance(error, OSError):
                self._beginning.set(clock.now() + AGAIN)
            return None
        self._epoll.register(inotify, select.EPOLLIN)
        return inotify

    def _begin_again(self, _now: int) -> None:
        self._inotify = self._begin()
        self._look_over()

    def _listen(self, _now: int) -> None:
        self._epoll.modify(self._inotify, select.EPOLLIN)

    def _read_news(self, now: int) -> None:
        if self._inotify is None:
            return
        from inotify_simple import flags, parse_events  # noqa: PLC0415 - as above

        try:
            data = os.read(self._inotify.fileno(), _AT_ONCE)
        except BlockingIOError:
            return
        self._epoll.modify(self._inotify, 0)
        self._listening.set(now + PAUSE)
        changed = False
        for event in parse_events(data):
            if event.mask & flags.Q_OVERFLOW:
                self._arrivals.uncertain(now)
                self._unheeded.clear()
                changed = True
            elif event.wd in self._watches.above:
                changed |= not event.name or event.name in self._folder.parts
            elif event.wd == self._watches.songs and is_song(event.name):
                self._song_happened(f"{FOLDER}/{event.name}", event.mask, flags, now)
            elif event.wd != self._watches.folder or event.mask & (flags.IGNORED | flags.MOVE_SELF | flags.UNMOUNT):
                changed = True  # the folder itself, or a watch that is so new that we do not know of it
            elif counts(event.name):
                self._happened(event, flags, now)
            elif is_song(event.name):
                self._song_happened(event.name, event.mask, flags, now)
            elif event.name == FOLDER:
                changed = True
            elif passed_over(event.name) or event.name in self._passed_over:
                self._listing.set(now + SETTLE)
        if changed:
            self._look_over()

    def _happened(self, event: Any, flags: Any, now: int) -> None:
        name, mask = event.name, event.mask
        self._listing.set(now + SETTLE)
        if mask & (flags.DELETE | flags.MOVED_FROM):
            if mask & flags.MOVED_FROM and self._is_what_plays(name):
                self._renamed = event.cookie
            self._arrivals.gone(name)
            for names in (self._known, self._answered):
                names.pop(name, None)
            self._refused.discard(name)
            self._unheeded.discard(name)
        elif not (self._is_followed(name) or (mask & flags.MOVED_TO and event.cookie == self._renamed)):
            self._unheeded.add(name)
        elif mask & flags.MODIFY:
            self._unheeded.discard(name)
            self._arrivals.written(name, now)
        elif not mask & flags.ATTRIB or (name in self._refused and name not in self._arrivals):
            self._unheeded.discard(name)
            self._arrivals.put(name, now)
        elif name not in self._arrivals:
            self._unheeded.add(name)  # its rights or its times: somebody has looked at it

    def _song_happened(self, name: str, mask: int, flags: Any, now: int) -> None:
        """Note that a song arrives: the profiles that need it are looked at when it is finished."""
        if mask & (flags.DELETE | flags.MOVED_FROM):
            self._arrivals.gone(name)  # the profile that has it plays on
        elif mask & flags.MODIFY:
            self._arrivals.written(name, now)
        elif not mask & flags.ATTRIB or any(name in self._needs[profile] for profile in self._refused & {*self._needs}):
            self._arrivals.put(name, now)

    def _with_songs(self, due: list[Arrived]) -> list[Arrived]:
        """Return the profiles that have arrived, and those of which a song has: what plays, and what was refused."""
        profiles = {arrived.name: arrived for arrived in due if counts(arrived.name)}
        for song in (arrived for arrived in due if not counts(arrived.name)):
            for name, needs in self._needs.items():
                waits = self._is_what_plays(name) or (name in self._refused and self._is_followed(name))
                if song.name in needs and waits and name not in profiles and name not in self._arrivals:
                    self._answered.pop(name, None)  # it is another one with another song
                    profiles[name] = replace(song, name=name)
        return [*profiles.values()]

    def _is_what_plays(self, name: str) -> bool:
        return self._plays is not None and self._plays.source != "safe" and stem(name) == self._plays.child

    def _is_followed(self, name: str) -> bool:
        """True if changes of this file count. While nothing or the safe profile plays, all do."""
        nothing = self._plays is None or self._plays.source == "safe"
        return not self._follows_file or nothing or self._is_what_plays(name)

    def _changed(self) -> None:
        """Try again what could not be done before, as a disk has come or has come back."""
        self._look_over()
        self._remember_again()

    def _look_over(self) -> None:
        """See to the watches, and find what has changed without news: a job, unless it is waiting to be done anyway."""
        if not self._worker.waiting(self._looked_over):
            self._worker.do(
                Job(
                    lambda _: look_over(self._inotify, self._folder, self._watches),
                    self._looked_over,
                    lambda _at, _now: self._once("profile_folder", SILENT),
                )
            )

    def _looked_over(self, found: Looked, now: int) -> None:
        if self._inotify is not None:
            self._once("no_news_of_profiles", found.why)
        self._once("profile_folder", found.missing)
        there = found.listing or {}
        if self._watches.folder != found.watches.folder:  # another folder is here, and of the old one no more is heard
            self._arrivals.uncertain(now)
            self._unheeded.clear()
        self._watches = found.watches
        if self._looked:
            changed = [name for name, mark in there.items() if self._known.get(name) != mark]
            for name in sorted(changed, key=lambda name: there[name].put):
                if self._is_followed(name) and name not in self._arrivals and name not in self._unheeded:
                    self._arrivals.put(name, now)
            for name in found.songs:
                if self._songs.get(name) != found.songs[name] and name not in self._arrivals:
                    self._arrivals.put(name, now)
        self._songs = {**self._songs, **found.songs}
        self._look_passed_over()
        self._looked = True
        self._known.update(there)  # what is not there now may be on a stick that comes back, and is then no news
        self._list(found.listing)

    def _look_passed_over(self) -> None:
        """See what lies in the folder and is not taken for a profile."""
        if not self._worker.waiting(self._pass_over):
            work = partial(all_passed_over, self._folder)
            self._worker.do(Job(work, self._pass_over, lambda _at, _now: None))

    def _pass_over(self, found: dict[str, str], _now: int) -> None:
        before, self._passed_over = self._passed_over, found
        for name, why in found.items():
            if before.get(name) != why:
                self._say("file_passed_over", file=name, why=why)

    def passed_over(self) -> dict[str, str]:
        """Files in the folder that are not taken for profiles, and why."""
        return dict(self._passed_over)

    def _list(self, there: Mapping[str, FileSigns] | None) -> None:
        files = [name for name, mark in (there or {}).items() if mark.file and tidy(name) == name]
        self._names = sorted({stem(name) for name in files})

    # --- what is due ----------------------------------------------------------------------------------------------

    def _go_on(self, now: int) -> None:
        due = self._with_songs(self._arrivals.due(now))
        if self._asks:
            due = self._serve(now, due)
        if due:
            self._judge(due)
        ready, self._ready = self._ready, []
        for offer in ready:
            self._offered(offer)
        when = earliest((self._arrivals.deadline(), *(ask.until for ask in self._asks)))
        if when is not None:
            self._going_on.set(when)

    def _list_anew(self, _now: int) -> None:
        self._judge([])

    def _judge(self, due: list[Arrived]) -> None:
        """Check what has arrived, and list the folder anew."""
        self._listing.clear()
        names = [arrived.name for arrived in reversed(due)]
        work = partial(judge_newest, self._folder, names, self._worker.stuck)
        self._worker.do(Job(work, partial(self._judged, due), partial(self._not_judged, due)))
        self._look_passed_over()

    def _serve(self, now: int, due: list[Arrived]) -> list[Arrived]:
        """Begin to answer requests for files that are not arriving, or no longer; return the rest of what is due."""
        asks, self._asks = self._asks, []
        for ask in asks:
            if now < ask.until and any(means(ask.child, name) for name in self._arrivals.unfinished() if counts(name)):
                self._asks.append(ask)
                continue
            due = [arrived for arrived in due if not means(ask.child, arrived.name)]
            for name in [name for name in self._arrivals.all() if counts(name) and means(ask.child, name)]:
                self._arrivals.gone(name)
            work = partial(judge_asked, self._folder, ask.child, self._worker.stuck)
            self._worker.do(Job(work, partial(self._answer, ask), partial(self._no_answer, ask)))
        return due

    def _judged(
        self, due: list[Arrived], result: tuple[list[CheckedFile], Mapping[str, FileSigns] | None], now: int
    ) -> None:
        """Take the judgements on what was put there: the newest first, and none after a good one."""
        judgements, there = [self._cleared(judged, self._folder) for judged in result[0]], result[1] or {}
        self._list(there)
        listed = {arrived.name for arrived in due}
        if self._listing.at is None:  # nothing has been heard since the listing was planned
            listed |= self._unheeded
            self._unheeded.clear()
        self._known.update({name: there[name] for name in listed if name in there})
        by_name = {arrived.name: arrived for arrived in due}
        good, bad = None, []
        for judged in judgements:
            arrived = by_name[judged.name]
            if judged.profile is not None:
                self._refused.discard(judged.name)
                asked_for = self._answered.get(judged.name)
                if asked_for is None or asked_for != there.get(judged.name):  # else it was offered as it is
                    good = judged
            elif judged.there:
                self._refused.add(judged.name)
                if not arrived.last:
                    self._arrivals.again(arrived, now, empty=judged.empty)
                elif judged.name not in self._arrivals:
                    bad.append(judged)
                    if good is None:
                        self._perhaps_later(judged, _put(judged.name), now)
        if good is not None:
            self._found(good)
        if bad:
            problems = [problem for judged in bad for problem in judged.problems]
            self._ready.append(self._offer(bad[0].name, _put(bad[0].name), problems))

    def _found(self, good: CheckedFile) -> None:
        offer = self._offer(good.name, _put(good.name), [], good)
        plays = self._plays
        if plays is None or self._open_offer or offer.digest != plays.digest:
            self._open_offer = True
            self._ready.append(offer)
        elif plays.source != "folder" or plays.path.name != good.name:
            # It plays already. If its old name is gone, this is its name from now on.
            gone = partial(is_gone, self._folder / plays.path.name)
            self._worker.do(Job(gone, partial(self._rename, plays, offer), lambda _stalled, _now: None))

    def _rename(self, plays: Offer, offer: Offer, gone: bool, _now: int) -> None:
        if gone and self._plays is plays:
            self._say("profile_renamed", child=plays.child, now=offer.child)
            self.chosen(offer)

    def _not_judged(self, due: list[Arrived], stalled: str, now: int) -> None:
        """Refuse the file that stalls, and try the others again; a whole folder is looked at when it answers."""
        if not stalled:
            return
        for arrived in due:
            if arrived.name == stalled:
                problem = silent(self._folder / stalled)
                self._ready.append(self._offer(stalled, _put(stalled), [problem]))
            else:
                self._arrivals.put(arrived.name, now)

    def _answer(self, ask: _Ask, result: tuple[CheckedFile, FileSigns | None], now: int) -> None:
        because, judged = f"{quoted(tidy(ask.child))} was asked for", self._cleared(result[0], self._folder)
        if judged.profile is not None and result[1] is not None:
            self._known[judged.name] = self._answered[judged.name] = result[1]
        offer = self._offer(judged.name, because, judged.problems, judged, ask.asker)
        self._open_offer |= offer.profile is not None
        self._ready.append(offer)
        self._perhaps_later(judged, because, now)

    def _no_answer(self, ask: _Ask, _stalled: str, _now: int) -> None:
        because = f"{quoted(tidy(ask.child))} was asked for"
        problem = silent(self._folder / f"{tidy(ask.child)[:LONGEST]}.yaml")
        self._ready.append(self._offer(ask.child, because, [problem], None, ask.asker))

    def _offer(
        self,
        name: str,
        because: str,
        problems: list[Problem],
        judged: CheckedFile | None = None,
        asker: object | None = None,
    ) -> Offer:
        shown = tidy(name).replace("/", "\ufffd")[:LONGEST] if name.strip(".") else "\ufffd"
        path = self._folder / shown
        found = judged.profile if judged is not None else None
        text = judged.text if judged is not None else b""
        child = found.child if found is not None else stem(shown) if counts(name) else shown
        return Offer(child, path, found, problems, because, asker, text)

    def _remember(self, offer: Offer) -> None:
        if offer.source not in ("folder", "first"):  # the last good copy is remembered as what it was
            return
        played = LastProfile(offer.child, offer.path.name, offer.digest, offer.source == "folder")
        work = partial(_kept, partial(self._memory.keep, played, offer.text))
        self._worker.do(Job(work, self._remembered, lambda _at, now: self._remembered(SILENT, now), lasting=True))

    def _remembered(self, why_not: str, now: int) -> None:
        self._once("profile_not_remembered", why_not)
        if why_not:
            self._remembering.set(now + AGAIN)
        else:
            self._remembering.clear()

    def _remember_again(self) -> None:
        """Try again to remember what plays, if that failed before."""
        self._remembering.clear()
        if self._plays is not None and self._said.get("profile_not_remembered"):
            self._remember(self._plays)

    def _prove(self, _now: int) -> None:
        """Keep what plays as proven: it has played for a minute, and the router lives."""
        plays = self._plays
        if plays is not None and plays.source != "safe":
            work = partial(_kept, partial(self._proven.keep, plays.digest, plays.text))
            done = partial(self._once, "profile_not_proven")
            self._worker.do(Job(work, lambda why, _now: done(why), lambda _at, _now: done(SILENT), lasting=True))

    # --- what the PC was too slow for ---------------------------------------------------------------------------

    def _perhaps_later(self, judged: CheckedFile, because: str, now: int) -> None:
        """Plan to try a refused file again if that may help; one that stalls is news when it answers."""
        if judged.may_pass and judged.name not in self._worker.stuck():
            self._wait(_Later(judged.name, because, judged.problems, self._folder), now)
        elif self._later is not None and self._later.name == judged.name:
            self._wait(None, now)

    def _wait(self, later: _Later | None, now: int) -> None:
        """Try this again after a while, and nothing else; after the last try it plays only if somebody chooses it."""
        self._later = later
        self._trying.clear()
        if later is None:
            self._once("profile_waits", "")
            return
        problem = next(problem for problem in later.problems if problem.may_pass)
        why = f"{quoted(tidy(later.name))}: {problem.message}. {problem.hint}"
        if later.tries < len(LATER):
            self._trying.set(now + LATER[later.tries])
            again = f"It is tried again after {LATER[later.tries] // NANOSECONDS} s, unless another is chosen."
        else:
            again = f"It was tried {later.tries + 1} times, and is not tried again before it is chosen."
        self._once("profile_waits", f"{why} {again}")

    def _try_later(self, _now: int) -> None:
        later = self._later
        if later is None:
            return
        later.tries += 1
        work = partial(judge, later.folder, later.name, stuck=self._worker.stuck)
        self._worker.do(
            Job(work, partial(self._tried_later, later), lambda _stalled, now: self._tried_later(later, None, now))
        )

    def _tried_later(self, later: _Later, judged: CheckedFile | None, now: int) -> None:
        if self._later is not later:
            return
        if judged is None:
            self._wait(later, now)
            return
        judged = self._cleared(judged, later.folder)
        if judged.may_pass:
            later.problems = judged.problems
            self._wait(later, now)
            return
        self._wait(None, now)
        plays_already = self._plays is not None and _digest(judged) == self._plays.digest  # its copy: it plays on
        if judged.there and not plays_already:
            because = f"{later.because}, and could not be tried before"
            self._open_offer |= judged.profile is not None
            offer = self._offer(later.name, because, judged.problems, judged)
            self._ready.append(replace(offer, path=later.folder / offer.path.name, source=later.source))

    # --- what is said ---------------------------------------------------------------------------------------------

    def _failed(self, error: Exception) -> None:
        self._say("profile_check_failed", why=f"{type(error).__name__}: {error}")

    def _stalled(self, at: str) -> None:
        self._going_on.soon()  # with what is done in place of it
        self._say("profile_check_stalled", file=tidy(at), why=SILENT)

    def _once(self, event: str, why: str) -> None:
        """Say what is wrong, and that it is right again, once each."""
        if why != self._said.get(event, ""):
            self._said[event] = why
            self._say(event, why=why or "it is all right again")


@dataclass(frozen=True, slots=True)
class _Ask:
    child: str
    asker: object | None
    until: int


@dataclass(slots=True)
class _Later:
    """A file that is tried again."""

    name: str
    because: str
    problems: list[Problem]
    folder: Path
    source: str = "folder"
    tries: int = 0


def _kept(keep: Callable[[], None], _worker: WorkerThread) -> str:
    """Write something down; return why it cannot be done, or nothing."""
    try:
        keep()
    except OSError as error:
        return _why(error)
    return ""


def _busy_until() -> int:
    """When what has a limit of its own ends: trying a rule, or reading a song."""
    return max(trying.busy_until(), apart.busy_until())


def _why(error: OSError) -> str:
    return f"{error.filename}: {error.strerror}" if error.filename else str(error)


def _digest(judged: CheckedFile) -> str:
    return hashlib.sha256(judged.text).hexdigest()


def _put(name: str) -> str:
    return f"{quoted(tidy(name))} was put into the folder"
