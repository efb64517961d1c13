"""One seat's profile folder: what a therapist puts there is noticed, checked, and offered to the loop; the last good one is kept.

    inotify -> arrivals (finished?) -> the worker reads and checks -> an offer -> chosen: remembered by the worker

The loop's thread never touches the disk: it reads news from the kernel and compares names. Whatever may wait is a job
of one worker thread, one at a time, and its result comes back through a deque and an eventfd.

A stick that stalls holds the thread that reads from it, and nothing can interrupt that. After ``STALLED`` the job is
answered without a result, the thread is left behind, and a new one goes on with the rest; the file that stalls is not
read again before its thread has come back. With ``MOST_STUCK`` threads left behind no new one is begun, and jobs are
refused at once until one comes back.

Invariants:
  * the loop waits for nobody; news costs it little, however much is written: it is read at most every ``PAUSE``;
  * only names that are listed in the folder are opened, and links that lead out of it are not;
  * what is no ordinary file is not opened;
  * what was checked is what is kept, byte for byte.
"""

from __future__ import annotations

import hashlib
import os
import select
import stat
import threading
import unicodedata
from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from router import clock, profile
from router.arrivals import SETTLE, Arrivals, Arrived
from router.profile import Problem, Profile, ProfileError, schema
from router.profile.diagnostics import START, Report, quoted, tidy
from router.profile.source import contents
from router.remembered import Memory, Played
from router.units import NANOSECONDS, nearest

STALLED = 10 * NANOSECONDS
"""How long a job may take; reading and checking a profile takes some milliseconds."""

MOST_STUCK = 4
"""Threads that may be left behind at a time."""

ASK_WAIT = 5 * NANOSECONDS
"""How long an asked-for file that is just arriving is waited for: somebody is waiting for the answer."""

PAUSE = NANOSECONDS // 20
"""Between two readings of news: what is written in a thousand pieces must not wake the loop a thousand times."""

_AT_ONCE = 8192
"""Bytes of news in one reading, about 200 pieces; the kernel keeps the rest."""

LAST_WAIT = 2.0
"""Seconds for the worker to write down what plays when the router stops."""

SAFE = Path(__file__).parent / "profile" / "safe.yaml"
"""What plays when there is nothing else. The configuration's output of its output's name serves it, too."""


_SILENT = "the stick or disk does not answer"


class Say(Protocol):
    """Told of what the technician should know; must not wait."""

    def __call__(self, event: str, **fields: Any) -> object: ...


@dataclass(frozen=True, slots=True)
class Offer:
    """A profile to play, or why there is none.

    ``child``: the name that it is asked for by, which is that of its file; ``because``: how it comes to be offered;
    ``asker``: whoever asked. A profile may come with problems: those of others that should have played instead.
    ``text``: its bytes; ``source``: ``folder``, ``copy`` (the last good one), ``first`` (the configuration's) or ``safe``.
    """

    child: str
    path: Path
    profile: Profile | None
    problems: list[Problem]
    because: str
    asker: object | None = None
    text: bytes = field(default=b"", repr=False)
    source: str = "folder"

    @property
    def digest(self) -> str:
        """SHA-256 of its bytes."""
        return hashlib.sha256(self.text).hexdigest()


class Shelf:
    """See the module's docstring.

    ``folder`` need not be there yet. ``state``: where all seats' memories are. ``follow``: ``folder``: whatever was put
    there last is offered; ``file``: only changes of what plays. ``first``: what plays before anything was chosen. All
    methods are the loop thread's.
    """

    def __init__(self, folder: Path, state: Path, seat: str, follow: str, first: str | None, *, say: Say) -> None:
        self._folder = folder.absolute()
        self._memory = Memory(state / seat)
        self._follows_file = follow == "file"
        self._first = first
        self._say = say
        self._said: dict[str, str] = {}  # what was said last, by event, so that it is said once

        self._arrivals = Arrivals()
        self._asks: list[_Ask] = []  # for files that are just arriving
        self._known: dict[str, _Mark] = {}  # each file as it was when it was last looked at
        self._refused: set[str] = set()  # names that were not right: a change of their rights is news
        self._names: list[str] = []
        self._plays: Offer | None = None
        self._open_offer = False  # a good one is offered, and whether it was chosen is not known yet
        self._renamed = 0  # the cookie of the news that what plays got another name
        self._list_at: int | None = None  # when to list the folder anew
        self._ready: list[Offer] = []

        self._lock = threading.Lock()
        self._closed = False
        self._results: deque[tuple[_Worker, object]] = deque()
        self._poke = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._jobs: deque[_Job] = deque()
        self._job: _Job | None = None
        self._since = 0
        self._overdue = False  # the worker is stuck, and no other may be begun
        self._stuck: set[_Worker] = set()
        self._worker = _Worker(self._answered)

        self._epoll = select.epoll()
        self._epoll.register(self._poke, select.EPOLLIN)
        self._listen_at: int | None = None  # news is not listened to before
        self._watches = _Watches()
        self._looked = False  # at the folder: what is there from now on has been put there
        self._inotify = self._begin()
        self._look_over()

    def at_start(self) -> Offer:
        """What to play now: what played last, else its last good copy, else the configuration's, else the safe default.

        Waits for the disk, but no longer than some ``STALLED``.
        """
        problems: list[Problem] = []
        played: Played | None = self._wait(lambda _: self._memory.played())
        outdated = played is not None and not played.chosen and played.child != self._first
        if outdated:
            played = None
        if played is not None:
            offer = self._at_start(self._folder, played.file, "it played last", problems)
            if offer is not None:
                return offer
        if not outdated:
            offer = self._last_good(played, problems)
            if offer is not None:
                return offer
        if self._first is not None:
            offer = self._configured(self._first, problems)
            if offer is not None:
                return offer
        because = "there is no profile that can play: any press of the space bar plays one soft note"
        text = SAFE.read_bytes()
        safe = profile.load(SAFE, text)
        return Offer(safe.child, SAFE, safe, problems, because, text=text, source="safe")

    def fileno(self) -> int:
        """Readable when there is news of the folder, or an offer is ready."""
        return self._epoll.fileno()

    def read(self, now: int) -> list[Offer]:
        """Pass news to the worker; the offers that are finished. Never waits."""
        self._collect(now)
        if self._listen_at is None:
            self._read_news(now)
        return self._go_on(now)

    def deadline(self) -> int | None:
        """When ``wake`` wants to be called; None: not before there is something to read."""
        times = [self._listen_at, self._list_at, self._arrivals.deadline(), self._stalls_at()]
        times += [ask.until for ask in self._asks]
        return min((when for when in times if when is not None), default=None)

    def wake(self, now: int) -> list[Offer]:
        """Whatever is due; the offers that are finished. Never waits."""
        if self._listen_at is not None and now >= self._listen_at:
            self._listen_at = None
            self._epoll.modify(self._inotify, select.EPOLLIN)
        stalls_at = self._stalls_at()
        if stalls_at is not None and now >= stalls_at:
            self._stall(now)
        return self._go_on(now)

    def ask(self, child: str, asker: object = None) -> None:
        """Check the file of a child; the offer that follows carries ``asker``."""
        self._asks.append(_Ask(child, asker, clock.now() + ASK_WAIT))
        self._serve(clock.now(), [])

    def chosen(self, offer: Offer) -> None:
        """It plays now."""
        self._plays, self._open_offer = offer, False
        if offer.source in ("folder", "first"):
            self._remember(offer)

    def names(self) -> list[str]:
        """The children whose files are in the folder, as far as is known now."""
        return [*self._names]

    def close(self) -> None:
        """Let the worker write down what plays, within ``LAST_WAIT``; then give everything back."""
        self._jobs = deque(job for job in self._jobs if job.lasting)
        until = clock.now() + round(LAST_WAIT * NANOSECONDS)
        while (self._job or self._jobs) and not self._overdue and clock.now() < until:
            self._rest(until)
        with self._lock:  # a thread that comes back later must not write to a descriptor that is something else by then
            self._closed = True
            os.close(self._poke)
        self._worker.stop()
        self._worker.join(LAST_WAIT)
        self._epoll.close()
        if self._inotify is not None:
            self._inotify.close()

    # --- at start -------------------------------------------------------------------------------------------------

    def _at_start(
        self, folder: Path, name: str, because: str, problems: list[Problem], source: str = "folder"
    ) -> Offer | None:
        """The profile in this file, if it is right; otherwise what is wrong is added to ``problems``."""
        judged: _Judged | None = self._wait(partial(_judge, folder, name)) if _counts(name) else None
        if judged is None:
            problems.append(_silent(folder / tidy(name)))
            return None
        if judged.profile is None:
            problems += judged.problems
            return None
        return Offer(_stem(name), folder / name, judged.profile, [*problems], because, text=judged.text, source=source)

    def _last_good(self, played: Played | None, problems: list[Problem]) -> Offer | None:
        copy = self._memory.copy
        judged: _Judged | None = self._wait(partial(_judge, copy.parent, copy.name))
        if judged is None or judged.profile is None:
            if played is not None or judged is None or judged.there:
                problems += [_silent(copy)] if judged is None else judged.problems
            return None
        because = "which profile played last is no longer known, but its text was kept"
        child = judged.profile.child
        if played is not None:
            because = f"{quoted(tidy(played.file))} played last and cannot be used now, but its text was kept"
            if played.digest == hashlib.sha256(judged.text).hexdigest():
                child = played.child
        return Offer(child, copy, judged.profile, [*problems], because, text=judged.text, source="copy")

    def _configured(self, first: str, problems: list[Problem]) -> Offer | None:
        because = "what played last cannot be used" if problems else "nothing has been chosen yet"
        because += ", and the configuration names this one"
        found = False
        for folder in (self._folder, profile.shipped()):
            listing: Mapping[str, _Mark] | None = self._wait(partial(_listing, folder))
            name = _file_of(first, listing or ())
            if name is not None:
                found = True
                offer = self._at_start(folder, name, because, problems, "first")
                if offer is not None:
                    return offer
        if not found:
            problems.append(_unknown(self._folder, first, self._names))
        return None

    def _wait(self, work: Callable[[_Worker], Any]) -> Any:
        """What a job gives; None if it stalls or fails."""
        given: list[Any] = []
        self._do(_Job(work, lambda result, _: given.append(result), lambda _stalled, _now: given.append(None)))
        while not given:
            self._rest(self._stalls_at())
        return given[0]

    def _rest(self, until: int | None) -> None:
        """Wait for the worker; only before the loop begins and after it has ended."""
        wait = None if until is None else max(0, until - clock.now()) / 1_000_000
        poll = select.poll()
        poll.register(self._poke, select.POLLIN)
        poll.poll(wait)
        now = clock.now()
        self._collect(now)
        stalls_at = self._stalls_at()
        if stalls_at is not None and now >= stalls_at:
            self._stall(now)

    # --- news -----------------------------------------------------------------------------------------------------

    def _begin(self) -> Any:
        try:
            from inotify_simple import INotify  # noqa: PLC0415 - only Linux has it, and only the daemon needs it

            inotify = INotify(nonblocking=True)
        except (OSError, ImportError) as error:
            self._once("no_news_of_profiles", str(error))
            return None
        self._epoll.register(inotify, select.EPOLLIN)
        return inotify

    def _read_news(self, now: int) -> None:
        if self._inotify is None:
            return
        from inotify_simple import flags, parse_events  # noqa: PLC0415 - as above

        try:
            data = os.read(self._inotify.fileno(), _AT_ONCE)
        except BlockingIOError:
            return
        self._epoll.modify(self._inotify, 0)
        self._listen_at = now + PAUSE
        changed = False
        for event in parse_events(data):
            if event.mask & flags.Q_OVERFLOW:
                self._arrivals.uncertain(now)
                changed = True
            elif event.wd in self._watches.above:
                changed |= not event.name or event.name in self._folder.parts
            elif event.wd != self._watches.folder or event.mask & (flags.IGNORED | flags.MOVE_SELF | flags.UNMOUNT):
                changed = True  # the folder itself, or a watch that is so new that we do not know of it
            elif _counts(event.name):
                self._happened(event, flags, now)
        if changed:
            self._look_over()

    def _happened(self, event: Any, flags: Any, now: int) -> None:
        name, mask = event.name, event.mask
        self._list_at = now + SETTLE
        if mask & (flags.DELETE | flags.MOVED_FROM):
            if mask & flags.MOVED_FROM and self._is_what_plays(name):
                self._renamed = event.cookie
            self._arrivals.gone(name)
            self._known.pop(name, None)
            self._refused.discard(name)
        elif not (self._is_followed(name) or (mask & flags.MOVED_TO and event.cookie == self._renamed)):
            return
        elif mask & flags.MODIFY:
            self._arrivals.written(name, now)
        elif not mask & flags.ATTRIB or (name in self._refused and name not in self._arrivals):
            self._arrivals.put(name, now)

    def _is_what_plays(self, name: str) -> bool:
        return self._plays is not None and self._plays.source != "safe" and _stem(name) == self._plays.child

    def _is_followed(self, name: str) -> bool:
        """Whether changes of this file count. When nothing plays that somebody chose, all do."""
        nothing = self._plays is None or self._plays.source == "safe"
        return not self._follows_file or nothing or self._is_what_plays(name)

    def _look_over(self) -> None:
        """See to the watches, and find what has changed without news: a job, unless it is waiting to be done anyway."""
        if not any(job.done == self._looked_over for job in self._jobs):
            work = partial(_look_over, self._inotify, self._folder, self._watches)
            self._do(_Job(work, self._looked_over, lambda _stalled, _now: self._once("profile_folder", _SILENT)))

    def _looked_over(self, found: _Looked, now: int) -> None:
        if self._inotify is not None:
            self._once("no_news_of_profiles", found.why)
        same = self._watches.folder == found.watches.folder
        self._watches = found.watches
        self._once("profile_folder", "" if found.listing is not None else "it is not there")
        listing = found.listing or {}
        if self._looked:
            changed = [name for name, mark in listing.items() if self._known.get(name) != mark]
            for name in sorted(changed, key=lambda name: listing[name].put):
                if self._is_followed(name):
                    self._arrivals.put(name, now)
            if same:  # otherwise the old folder may come back, and what is in it is then no news
                self._known = {name: mark for name, mark in self._known.items() if name in listing}
        self._looked = True
        self._known.update(listing)
        self._list(found.listing)

    def _list(self, listing: Mapping[str, _Mark] | None) -> None:
        files = [name for name, mark in (listing or {}).items() if mark.file and tidy(name) == name]
        self._names = sorted({_stem(name) for name in files})

    # --- what is due ----------------------------------------------------------------------------------------------

    def _go_on(self, now: int) -> list[Offer]:
        due = self._arrivals.due(now)
        if self._asks:
            due = self._serve(now, due)
        if due or (self._list_at is not None and now >= self._list_at):
            self._list_at = None
            names = [arrived.name for arrived in reversed(due)]
            work = partial(_judge_newest, self._folder, names, self._names_stuck())
            self._do(_Job(work, partial(self._judged, due), partial(self._not_judged, due)))
        ready, self._ready = self._ready, []
        return ready

    def _serve(self, now: int, due: list[Arrived]) -> list[Arrived]:
        """Begin to answer whoever asks for a file that is not arriving, or no longer; the rest of what is due."""
        asks, self._asks = self._asks, []
        for ask in asks:
            if now < ask.until and any(_means(ask.child, name) for name in self._arrivals.unfinished()):
                self._asks.append(ask)
                continue
            due = [arrived for arrived in due if not _means(ask.child, arrived.name)]
            for name in [name for name in self._arrivals.all() if _means(ask.child, name)]:
                self._arrivals.gone(name)
            work = partial(_judge_asked, self._folder, ask.child, self._names_stuck())
            self._do(_Job(work, partial(self._answer, ask), partial(self._no_answer, ask)))
        return due

    def _judged(self, due: list[Arrived], result: tuple[list[_Judged], Mapping[str, _Mark] | None], now: int) -> None:
        """What the worker says of what was put there; the newest comes first, and after a good one nothing was looked at."""
        judgements, listing = result
        self._list(listing)
        for arrived in due:
            if listing and arrived.name in listing:
                self._known[arrived.name] = listing[arrived.name]
        by_name = {arrived.name: arrived for arrived in due}
        good, bad = None, []
        for judged in judgements:
            arrived = by_name[judged.name]
            if judged.profile is not None:
                self._refused.discard(judged.name)
                good = judged
            elif judged.there:
                self._refused.add(judged.name)
                if not arrived.last:
                    self._arrivals.again(arrived, now, empty=judged.empty)
                elif judged.name not in self._arrivals:
                    bad.append(judged)
        if good is not None:
            self._found(good)
        if bad:
            problems = [problem for judged in bad for problem in judged.problems]
            self._ready.append(self._offer(bad[0].name, _put(bad[0].name), problems))

    def _found(self, good: _Judged) -> None:
        offer = self._offer(good.name, _put(good.name), [], good)
        plays = self._plays
        if plays is None or self._open_offer or offer.digest != plays.digest:
            self._open_offer = True
            self._ready.append(offer)
        elif plays.source != "folder" or plays.path.name != good.name:
            # It plays already. If its old name is gone, this is its name from now on.
            gone = partial(_is_gone, self._folder / plays.path.name)
            self._do(_Job(gone, partial(self._rename, plays, offer), lambda _stalled, _now: None))

    def _rename(self, plays: Offer, offer: Offer, gone: bool, _now: int) -> None:
        if gone and self._plays is plays:
            self._say("profile_renamed", child=plays.child, now=offer.child)
            self.chosen(offer)

    def _not_judged(self, due: list[Arrived], stalled: str, now: int) -> None:
        """One file stalls, and the others have another chance; or all do, and are found when the folder answers again."""
        if not stalled:
            return
        for arrived in due:
            if arrived.name == stalled:
                problem = _silent(self._folder / stalled)
                self._ready.append(self._offer(stalled, _put(stalled), [problem]))
            else:
                self._arrivals.put(arrived.name, now)

    def _answer(self, ask: _Ask, judged: _Judged, _now: int) -> None:
        because = f"{quoted(tidy(ask.child))} was asked for"
        offer = self._offer(judged.name, because, judged.problems, judged, ask.asker)
        self._open_offer |= offer.profile is not None
        self._ready.append(offer)

    def _no_answer(self, ask: _Ask, _stalled: str, _now: int) -> None:
        because = f"{quoted(tidy(ask.child))} was asked for"
        silent = _silent(self._folder / f"{tidy(ask.child)[:100]}.yaml")
        self._ready.append(self._offer(ask.child, because, [silent], None, ask.asker))

    def _offer(
        self,
        name: str,
        because: str,
        problems: list[Problem],
        judged: _Judged | None = None,
        asker: object | None = None,
    ) -> Offer:
        path = self._folder / tidy(name).replace("/", "\ufffd")  # as it may be shown
        found = judged.profile if judged is not None else None
        text = judged.text if judged is not None else b""
        return Offer(_stem(path.name), path, found, problems, because, asker, text)

    def _remember(self, offer: Offer) -> None:
        played = Played(offer.child, offer.path.name, offer.digest, offer.source == "folder")
        work = partial(_keep, self._memory, played, offer.text)
        self._do(
            _Job(
                work,
                lambda why, _now: self._once("profile_not_remembered", why),
                lambda _stalled, _now: self._once("profile_not_remembered", _SILENT),
                lasting=True,
            )
        )

    # --- the worker -----------------------------------------------------------------------------------------------

    def _do(self, job: _Job) -> None:
        self._jobs.append(job)
        self._next(clock.now())

    def _next(self, now: int) -> None:
        while self._jobs and self._job is None:
            job = self._jobs.popleft()
            if self._overdue:
                job.failed("", now)
            else:
                self._job, self._since = job, now
                self._worker.do(job.work)

    def _answered(self, worker: _Worker, result: object) -> None:
        """Called in the worker's thread."""
        with self._lock:
            if not self._closed:
                self._results.append((worker, result))
                os.eventfd_write(self._poke, 1)

    def _collect(self, now: int) -> None:
        with suppress(BlockingIOError):
            os.eventfd_read(self._poke)
        while self._results:
            worker, result = self._results.popleft()
            if result is _MOUNTED:
                self._look_over()
            elif worker is not self._worker or self._overdue:  # it was stuck, and has come back
                self._stuck.discard(worker)
                self._overdue &= worker is not self._worker
                self._look_over()
            else:
                job, self._job = self._job, None
                assert job is not None  # noqa: S101 - it was given to the worker
                if isinstance(result, Exception):
                    self._say("profile_check_failed", why=f"{type(result).__name__}: {result}")
                    job.failed("", now)
                else:
                    job.done(result, now)
        self._next(now)

    def _stalls_at(self) -> int | None:
        return None if self._job is None else self._since + STALLED

    def _stall(self, now: int) -> None:
        """The worker does not come back: go on without it."""
        job, self._job = self._job, None
        assert job is not None  # noqa: S101 - it is what stalls
        self._say("profile_check_stalled", file=self._worker.at)
        job.failed(self._worker.at, now)
        if len(self._stuck) < MOST_STUCK:
            self._stuck.add(self._worker)
            self._worker.stop()
            self._worker = _Worker(self._answered)
        else:
            self._overdue = True
        self._next(now)

    def _names_stuck(self) -> frozenset[str]:
        return frozenset(worker.at for worker in self._stuck)

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


@dataclass(frozen=True, slots=True)
class _Job:
    """``work`` is done by the worker, ``done`` or ``failed`` is called by the loop. ``lasting``: also at the end.

    ``failed`` is told the name of the file that stalls, empty if it is none or all.
    """

    work: Callable[[_Worker], Any]
    done: Callable[[Any, int], None]
    failed: Callable[[str, int], None]
    lasting: bool = False


_MOUNTED = object()
"""Not the result of a job: something was mounted or unmounted somewhere, of which inotify does not tell."""


class _Worker:
    """A thread that does one job after another and tells ``answer`` what came of it, errors too.

    ``at``: the file that it is looking at.
    """

    def __init__(self, answer: Callable[[_Worker, object], None]) -> None:
        self._answer = answer
        self._wake = os.eventfd(0, os.EFD_CLOEXEC)
        self._work: Callable[[_Worker], Any] | None = None
        self.at = ""
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="shelf", daemon=True)
        self._thread.start()

    def do(self, work: Callable[[_Worker], Any]) -> None:
        """Begin; only when nothing is being done."""
        self._work = work
        os.eventfd_write(self._wake, 1)

    def stop(self) -> None:
        """End after what is being done."""
        self._stopping = True
        os.eventfd_write(self._wake, 1)

    def join(self, seconds: float) -> None:
        """Wait for the end."""
        self._thread.join(seconds)

    def _run(self) -> None:
        poll = select.poll()
        poll.register(self._wake, select.POLLIN)
        mounts = None
        with suppress(OSError):  # a system that hides it
            mounts = os.open("/proc/self/mountinfo", os.O_RDONLY | os.O_CLOEXEC)
            poll.register(mounts, select.POLLPRI)
        while not self._stopping:
            for descriptor, _ in poll.poll():
                if descriptor == mounts:
                    self._answer(self, _MOUNTED)
                    continue
                os.eventfd_read(self._wake)
                work, self._work = self._work, None
                if work is None:
                    continue
                try:
                    result = work(self)
                except Exception as error:  # noqa: BLE001 - whatever it is, the next job is done, and the loop says it
                    result = error
                del work
                self.at = ""
                self._answer(self, result)
        os.close(self._wake)
        if mounts is not None:
            os.close(mounts)


# --- what the worker does: nothing here touches the shelf -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Mark:
    """By what a file is known to have changed. ``put``: when it came to its place, nanoseconds of the wall clock."""

    modified: int
    size: int
    inode: int
    put: int
    file: bool  # or a link


@dataclass(frozen=True, slots=True)
class _Watches:
    """inotify's numbers for the folder and for the folders above it."""

    folder: int | None = None
    above: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class _Looked:
    """``listing``: None if the folder is not there; ``why`` there will be no news of it, or empty."""

    watches: _Watches
    listing: Mapping[str, _Mark] | None
    why: str


@dataclass(frozen=True, slots=True)
class _Judged:
    """What is in a file. ``there``: it is in the folder."""

    name: str
    there: bool
    profile: Profile | None
    problems: list[Problem]
    text: bytes = b""
    empty: bool = False


def _look_over(inotify: Any, folder: Path, before: _Watches, _worker: _Worker) -> _Looked:
    why = ""
    watches = _Watches()
    if inotify is not None:
        try:
            watches = _watch(inotify, folder)
        except OSError as error:  # too many watches on this system
            why = error.strerror or str(error)
        old = {*before.above, before.folder} - {*watches.above, watches.folder, None}
        for number in old:
            with suppress(OSError):  # it went with its folder
                inotify.rm_watch(number)
    return _Looked(watches, _listing(folder), why)


def _watch(inotify: Any, folder: Path) -> _Watches:
    from inotify_simple import flags  # noqa: PLC0415 - as above

    above = set()
    for parent in folder.parents:
        with suppress(FileNotFoundError, NotADirectoryError, PermissionError):
            mask = flags.CREATE | flags.MOVED_TO | flags.MOVE_SELF | flags.ONLYDIR
            above.add(inotify.add_watch(parent, mask))
    changes = flags.CREATE | flags.MODIFY | flags.CLOSE_WRITE | flags.MOVED_TO | flags.MOVED_FROM | flags.DELETE
    mask = changes | flags.ATTRIB | flags.MOVE_SELF | flags.DELETE_SELF | flags.ONLYDIR
    with suppress(FileNotFoundError, NotADirectoryError, PermissionError):
        return _Watches(inotify.add_watch(folder, mask), frozenset(above))
    return _Watches(None, frozenset(above))


def _listing(folder: Path, _worker: _Worker | None = None) -> dict[str, _Mark] | None:
    """Everything in the folder that counts; None if there is no folder."""
    listing = {}
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if _counts(entry.name):
                    with suppress(OSError):  # it has just gone
                        found = entry.stat(follow_symlinks=False)
                        file = stat.S_ISREG(found.st_mode) or stat.S_ISLNK(found.st_mode)
                        listing[entry.name] = _Mark(
                            found.st_mtime_ns, found.st_size, found.st_ino, found.st_ctime_ns, file
                        )
    except OSError:
        return None
    return listing


def _judge_newest(
    folder: Path, names: Iterable[str], stuck: Collection[str], worker: _Worker
) -> tuple[list[_Judged], Mapping[str, _Mark] | None]:
    """Judge one after another until one is good."""
    listing = _listing(folder)
    judgements = []
    for name in names:
        judgements.append(_judge(folder, name, worker, stuck))
        if judgements[-1].profile is not None:
            break
    return judgements, listing


def _judge_asked(folder: Path, child: str, stuck: Collection[str], worker: _Worker) -> _Judged:
    listing = _listing(folder)
    name = _file_of(child, listing or ())
    if name is None:
        names = [_stem(name) for name in listing or ()]
        return _Judged(child, there=False, profile=None, problems=[_unknown(folder, child, names, listing is None)])
    return _judge(folder, name, worker, stuck)


def _judge(folder: Path, name: str, worker: _Worker, stuck: Collection[str] = ()) -> _Judged:
    """Read and check one file; the name stands in the folder, or did a moment ago."""
    path = folder / name
    report = Report(str(folder / tidy(name)), schema.FORM)
    worker.at = name
    if name in stuck:
        return _Judged(name, there=True, profile=None, problems=[_silent(path)])
    there = os.path.lexists(path)
    if tidy(name) != name:
        report.add(START, "the name of this file holds signs that cannot be shown", "Give it another name.")
    elif path.is_symlink() and not path.exists():
        report.add(START, "this is a link, and what it leads to is not there", "Put the file itself into the folder.")
    elif path.is_symlink() and not path.resolve().is_relative_to(folder.resolve()):
        report.add(START, "this is a link that leads out of the folder", "Put the file itself into the folder.")
    if len(report):
        return _Judged(name, there, None, report.problems)
    text = contents(path, report)
    if text is None:
        return _Judged(name, there, None, report.problems)
    try:
        return _Judged(name, there, profile.load(path, text), [], text)
    except ProfileError as error:
        return _Judged(name, there, None, error.problems, text, empty=not text)
    except Exception as error:  # noqa: BLE001 - a fault of ours in checking this file must not keep others from playing
        report.add(START, f"the router fails at this file ({type(error).__name__}: {error})", "Please tell its makers.")
        return _Judged(name, there, None, report.problems, text)


def _keep(memory: Memory, played: Played, text: bytes, _worker: _Worker) -> str:
    """Remember; why it cannot be done, or nothing."""
    try:
        memory.keep(played, text)
    except OSError as error:
        return f"{error.filename}: {error.strerror}" if error.filename else str(error)
    return ""


def _is_gone(path: Path, _worker: _Worker) -> bool:
    return not os.path.lexists(path)


# --- names ----------------------------------------------------------------------------------------------------------


def _counts(name: str) -> bool:
    """Whether a file of this name is a profile; what editors write beside it is not."""
    return name.lower().endswith((".yaml", ".yml")) and not name.startswith(".") and "/" not in name


def _stem(name: str) -> str:
    return name.rsplit(".", 1)[0]


def _means(child: str, name: str) -> bool:
    """Whether a child's name, or the name of a file, means this file. One letter can be written in two ways (Unicode)."""
    wanted = unicodedata.normalize("NFC", child)
    return wanted in {unicodedata.normalize("NFC", each) for each in (name, _stem(name))}


def _file_of(child: str, names: Iterable[str]) -> str | None:
    """The file of a child; .yaml before .yml."""
    return next((name for name in sorted(names) if _means(child, name)), None)


def _put(name: str) -> str:
    return f"{quoted(tidy(name))} was put into the folder"


def _silent(path: Path) -> Problem:
    return Problem(tidy(str(path)), 1, 1, f"this file cannot be read: {_SILENT}", "Is the stick plugged in?")


def _unknown(folder: Path, child: str, names: Iterable[str], missing: bool = False) -> Problem:
    """Nobody of this name: who is meant, and who is there."""
    known = sorted({tidy(name) for name in names})
    near = nearest(child, known)
    hint = f'Did you mean "{near}"?  ' if near else ""
    hint += f"There are: {', '.join(known)}." if known else "There is no profile in it."
    if missing:
        return Problem(tidy(str(folder)), 1, 1, "the folder of the profiles is not there", "Is its stick plugged in?")
    return Problem(tidy(str(folder)), 1, 1, f"there is no profile called {quoted(tidy(child))} in this folder", hint)
