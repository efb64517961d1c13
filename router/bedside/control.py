"""The control socket: one JSON object a line to ask the running daemon, one to answer.

This is the server; ``control_client.py`` asks.

    {"do": "status"}                                  what router/live/status.py describes, as "status"
    {"do": "use", "child": "wren", "seat": "bed"}     play the profile of that child
    {"do": "panic"}                                   every note off, everywhere
    {"do": "mark", "text": "smiled", "seat": "bed"}   a remark into the session log; one that seems to name somebody is
                                                      refused, unless "names_nobody": true says that it does not
    {"do": "level", "level": 0.7, "seat": "bed"}      how loud the seat is from now on: 0, silent, to 1
    {"do": "watch", "inputs": ["cheek"]}              from now on frames: {"frame": SECONDS, "seats": {...}}, see
                                                      watching.py

``seat`` may be left out where there is one seat only, and ``inputs`` to see all. The answer is ``{"ok": true, ...}`` or
``{"ok": false, "problem": "..."}``; answers come in the order of the requests.

Nothing that can be asked runs code or names a file: a child is a name, and the profile of that name is looked for in
the seat's own folder. Who may ask is decided by the socket file's group and mode.

Invariants of the server:
  * it never waits, and does a bounded amount of work in one pass of the loop, whatever comes in;
  * whatever a client sends, or however it goes, costs that client only and is no exception;
  * it holds a bounded amount for each client: a client that does not read what it asked for is dropped;
  * there is always room for a client that asks now: each user has a quota (of places, requests and remarks), a client
    that has long been silent gives way, and those that watch never take all places;
  * panic is done for anybody, however many are connected, and with no descriptor left; root has places of its own.
"""

from __future__ import annotations

import errno
import os
import selectors
import socket
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any

from router.bedside.control_request import RATE, ControlError, Request, User, as_line, is_panic, read_request
from router.bedside.control_socket import identity, listen, spare, user_of
from router.core.timers import earliest
from router.core.units import NANOSECONDS
from router.live.surroundings import LoopPart
from router.system import clock
from router.system.loop import Loop

CLIENTS = 8
"""Clients of one user; root has as many of its own."""
PLACES = 24
"""Clients of all users but root."""
DOOR = 16
"""Clients that have no place: each may say one thing, and only panic is done."""
HESITATION = NANOSECONDS
"""How long one that has no place may take to say it; when so many more have come that the door is full, the oldest
goes."""
AT_ONCE = 16
"""Clients that are let in in one pass of the loop."""
WATCHERS = 4
"""How many of the clients may watch."""
LINE = 4096
"""Bytes of a request."""
WAITING = 16
"""Requests of one client that wait for their answer."""
UNREAD = 1 << 20
"""Bytes that wait for a client to read them."""
STUCK = 5 * NANOSECONDS
"""A watcher that reads nothing for this long is dropped."""
SILENT = 10 * NANOSECONDS
"""A client that has asked nothing for this long gives way to another one."""
FRAME = NANOSECONDS // 25
"""Between two frames."""
HURRY = 0.005
"""Seconds that a request may take to come where no descriptor is left, once every ``NO_DESCRIPTOR``: the loop waits for
it."""

NO_DESCRIPTOR = NANOSECONDS
"""How long nobody is let in when the process has no descriptor left."""


Reply = Callable[[Mapping[str, Any]], None]
Answer = Callable[[Request, Reply], None]
"""Is given a request that is valid, and says the answer by ``reply``: at once or in a later pass, in the loop's
thread."""


class _Client:
    """A connection: what has come of its next line, the requests to be answered, and what it has not read yet."""

    def __init__(self, connection: socket.socket, now: int, user: User) -> None:
        self.connection, self.user = connection, user
        self.shown_out_at: int | None = None  # while it has no place
        self.received = b""
        self.unsent = b""
        self.stuck_since = now  # when what waits to be read began to wait, or last got on
        self.asked = now
        self.may_ask = float(RATE)
        self.answers: deque[list[bytes]] = deque()  # one for each request: empty until it is answered
        self.watcher: Watcher | None = None
        self.leaving = False  # it is told why, and let go

    def allowed(self, now: int) -> bool:
        """Count one more request; True if it is not too many."""
        self.may_ask = min(float(RATE), self.may_ask + (now - self.asked) * RATE / NANOSECONDS)
        self.asked = now
        self.may_ask -= 1
        return self.may_ask >= 0


class Watcher:
    """A client that is sent frames. One that reads slowly misses some; one that does not read is dropped."""

    def __init__(self, control: ControlServer, client: _Client, inputs: frozenset[str] | None) -> None:
        self._control, self._client, self._inputs = control, client, inputs

    def send(self, frame: Mapping[str, Any]) -> None:
        """Send a frame, without the inputs that were not asked for."""
        client = self._client
        if client.unsent:
            if clock.now() - client.stuck_since > STUCK:
                self._control.drop(client)
            return
        if self._inputs is not None:
            seats = {name: self._wanted(seat) for name, seat in frame["seats"].items()}
            frame = {**frame, "seats": seats}
        self._control.put(client, as_line(frame))

    def _wanted(self, seat: Mapping[str, Any]) -> Mapping[str, Any]:
        assert self._inputs is not None  # asked only then
        return {**seat, "inputs": {name: seen for name, seen in seat["inputs"].items() if name in self._inputs}}


class ControlServer(LoopPart):
    """The server, a part of the daemon's loop: what came is done after the music; see the module's docstring.

    Args:
        path: where the socket is made. A socket that a dead daemon left there is replaced.
        group: whose members may ask; None, or one that does not exist (said in ``warning``): the owner alone.
        answer: is given each valid request but "watch".
        on_fault: is told of each exception that ``answer`` or ``frame`` raises; must not raise.
        frame: makes the frame of now, by seat; called 25 times a second while somebody watches and not otherwise.
            None: nothing can be watched.

    Raises:
        ControlError: another daemon listens there, or no socket can be made there.
    """

    def __init__(
        self,
        path: Path,
        group: str | None,
        loop: Loop,
        answer: Answer,
        *,
        on_fault: Callable[[Exception], None],
        frame: Callable[[int], Mapping[str, Any]] | None = None,
    ) -> None:
        self._path, self._loop, self._answer, self._on_fault, self._frame = path, loop, answer, on_fault, frame
        self._clients: list[_Client] = []
        self._users: dict[int, User] = {}
        agenda = loop.agenda
        self._working = agenda.reminder(self._work)
        self._news = False  # somebody has sent something, or may be sent more
        self._more = False  # somebody's next request has come already
        self._letting_in = agenda.reminder(self._let_in_again)  # while nobody can be let in
        self._framing = agenda.reminder(self._send_frame)  # while somebody watches
        self._framed = 0  # when the latest frame was due
        self._showing_out = agenda.reminder(self._show_out_from_the_door)
        self._listener, self.warning = listen(path, group)
        self._spare = spare()  # a descriptor for a panic when there is no other
        self._identity = identity(path)
        # A set of descriptors is a descriptor itself: the loop watches only this one, whichever clients come and go,
        # and clients that are slow to read are waited for here.
        self._selector = selectors.EpollSelector()
        self._selector.register(self._listener, selectors.EVENT_READ, self._let_in)
        loop.watch(self._selector.fileno(), self._ready)

    def _work(self, _now: int) -> None:
        """Do what has come."""
        if self._more:
            self._more = False
            for client in list(self._clients):
                if b"\n" in client.received:
                    with self._serving(client):
                        self._take(client)
        if self._news:
            self._news = False
            for key, events in self._selector.select(0):
                key.data(events)

    def _let_in_again(self, _now: int) -> None:
        self._selector.register(self._listener, selectors.EVENT_READ, self._let_in)

    def _show_out_from_the_door(self, now: int) -> None:
        """Show out those without a place who have said nothing in their time."""
        for client in [each for each in self._clients if each.shown_out_at is not None and now >= each.shown_out_at]:
            self._no_place(client)
        self._plan_door()

    def _plan_door(self) -> None:
        if (at := earliest(client.shown_out_at for client in self._clients)) is not None:
            self._showing_out.set(at)

    def watchers(self) -> list[Watcher]:
        """The clients that watch now."""
        return [client.watcher for client in self._clients if client.watcher is not None]

    def close(self) -> None:
        """Drop everybody and remove the socket, if it is still ours."""
        for reminder in (self._working, self._letting_in, self._framing, self._showing_out):
            reminder.clear()
        self._loop.unwatch(self._selector.fileno())
        for client in list(self._clients):
            self.drop(client)
        with suppress(OSError):
            if identity(self._path) == self._identity:
                self._path.unlink()
        self._listener.close()
        self._selector.close()
        if self._spare is not None:
            os.close(self._spare)

    def put(self, client: _Client, line: bytes) -> None:
        """Send as much as can be sent now, and the rest as it is read."""
        if not client.unsent:
            client.stuck_since = clock.now()
        client.unsent += line
        self._flush(client)

    def drop(self, client: _Client) -> None:
        """Let a client go; no harm if it has gone."""
        if client in self._clients:
            self._clients.remove(client)
            self._selector.unregister(client.connection)
            client.connection.close()

    # --- in a pass of the loop --------------------------------------------------------------------------------

    def _ready(self) -> None:
        self._news = True
        self._working.soon()

    def _let_in(self, _events: int) -> None:
        for _ in range(AT_ONCE):
            try:
                connection, _ = self._listener.accept()
            except OSError as error:
                if error.errno in (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM):
                    self._serve_with_the_spare()
                    self._selector.unregister(self._listener)
                    self._letting_in.set(clock.now() + NO_DESCRIPTOR)
                if error.errno != errno.ECONNABORTED:
                    return  # nobody waits any more
                continue
            self._begin(connection, clock.now())

    def _begin(self, connection: socket.socket, now: int) -> None:
        """Begin with a client, at a place or at the door. Read at once what it sent, before another displaces it."""
        connection.setblocking(False)
        number = user_of(connection)
        for user in [each for each in self._users if each != number and not self._of(each)]:
            if len(self._users) > PLACES:  # their quotas are forgotten, as there are more users than places
                del self._users[user]
        client = _Client(connection, now, self._users.setdefault(number, User(number, now)))
        if not self._has_place(number, now):
            client.shown_out_at = now + HESITATION
            door = [each for each in self._clients if each.shown_out_at is not None]
            if len(door) >= DOOR:
                self._no_place(door[0])
        self._clients.append(client)
        self._plan_door()
        self._selector.register(connection, selectors.EVENT_READ, partial(self._of_client, client))
        with self._serving(client):
            self._take(client)

    @contextmanager
    def _serving(self, client: _Client) -> Iterator[None]:
        """Let a client go that cannot be served.

        It may ask again, and would else wait for an answer that never comes.
        """
        try:
            yield
        except Exception as error:  # noqa: BLE001 - what goes wrong with one client is no other's
            self._on_fault(error)
            self.drop(client)

    def _of(self, user: int) -> list[_Client]:
        """The clients of a user that have a place."""
        return [each for each in self._clients if each.user.number == user and each.shown_out_at is None]

    def _has_place(self, user: int, now: int) -> bool:
        """True if one more of this user may stay. If need be one long silent goes, or one of the user with most."""
        own = self._of(user)
        if len(own) >= CLIENTS:
            return self._make_room(own, now)
        others = [each for each in self._clients if each.user.number not in (0, user) and each.shown_out_at is None]
        if user == 0 or len(own) + len(others) < PLACES or self._make_room(own + others, now):
            return True
        most = max((self._of(number) for number in {each.user.number for each in others}), key=len, default=[])
        if len(most) <= len(own) + 1:
            return False
        self._show_out(min(most, key=lambda client: client.asked), "this place is given to another user")
        return True

    def _make_room(self, clients: list[_Client], now: int) -> bool:
        """Drop the client silent for longest, if that is long and it waits for nothing; True if one went."""
        silent = [
            client
            for client in clients
            if client.watcher is None and not client.answers and now - client.asked > SILENT
        ]
        if silent:
            self.drop(min(silent, key=lambda client: client.asked))
        return bool(silent)

    def _no_place(self, client: _Client) -> None:
        self._show_out(client, f"too many are connected: at most {CLIENTS} of one user at once, {PLACES} of all")

    def _serve_with_the_spare(self) -> None:
        """Let one client in with the spare descriptor, as no other is left: it may say panic, and is then dropped."""
        if self._spare is None:
            return
        os.close(self._spare)
        self._spare = None
        with suppress(OSError):
            connection, _ = self._listener.accept()
            with connection:
                connection.settimeout(HURRY)  # a client that has just connected is about to send
                line = connection.recv(LINE).partition(b"\n")[0]
                if is_panic(line):
                    self._answer(read_request(line), lambda answer: _tell(connection, answer))
                else:
                    _tell(
                        connection, {"ok": False, "problem": "the router has no descriptor left; it can still do panic"}
                    )
        self._spare = spare()

    def _of_client(self, client: _Client, events: int) -> None:
        with self._serving(client):
            if events & selectors.EVENT_WRITE:
                self._flush(client)
            if events & selectors.EVENT_READ and client in self._clients and not client.leaving:
                self._take(client)

    def _take(self, client: _Client) -> None:
        """Do one request of a client: the music comes between two of them, however many it has sent."""
        if b"\n" not in client.received:
            try:
                received = client.connection.recv(LINE)
            except BlockingIOError:
                return
            except OSError:
                received = b""
            if not received:
                self.drop(client)
                return
            client.received += received
        line, end, rest = client.received.partition(b"\n")
        if len(line) > LINE:
            self._show_out(client, f"this line is too long: a request has at most {LINE} bytes")
        elif end and not client.allowed(clock.now()):
            self._show_out(client, f"too many requests: at most {RATE} a second")
        elif (
            end
            and client.shown_out_at is not None
            and not is_panic(line)
            and not self._has_place(client.user.number, clock.now())
        ):
            self._no_place(client)
        elif end:
            if not is_panic(line):
                client.shown_out_at = None  # it has a place now
            client.received = rest
            self._request(client, line)
            if b"\n" in rest:
                self._more = True
                self._working.soon()

    def _request(self, client: _Client, line: bytes) -> None:
        place: list[bytes] = []
        client.answers.append(place)
        reply = partial(self._reply, client, place)
        try:
            request = read_request(line)
            if len(client.answers) > WAITING:
                raise ControlError(f"too many requests wait for their answer: at most {WAITING}")
            if problem := client.user.allowed(request, clock.now()):
                raise ControlError(problem)
            if request["do"] == "watch":
                self._watch(client, request)
                reply({"ok": True})
            else:
                self._answer(request, reply)
        except ControlError as error:
            reply({"ok": False, "problem": str(error)})
        except Exception as error:  # noqa: BLE001 - a fault in answering must cost this answer only
            self._on_fault(error)
            reply({"ok": False, "problem": "the router failed at this; its log says how"})

    def _reply(self, client: _Client, place: list[bytes], answer: Mapping[str, Any]) -> None:
        """Fill the place of an answer, and send what is now in line. Only the first answer counts."""
        if client not in self._clients:
            return
        place.append(as_line(answer))
        while client.answers and client.answers[0] and client in self._clients:
            self.put(client, client.answers.popleft()[0])

    def _watch(self, client: _Client, request: Request) -> None:
        if self._frame is None:
            raise ControlError("there is nothing to watch")
        if client.watcher is None and len(self.watchers()) >= WATCHERS:
            raise ControlError(f"too many watch already: at most {WATCHERS} at once")
        inputs = frozenset(request["inputs"]) if "inputs" in request else None
        client.watcher = Watcher(self, client, inputs)
        if self._framing.at is None:
            self._framed = clock.now()
            self._framing.soon()

    def _show_out(self, client: _Client, problem: str) -> None:
        """Tell a client why it is let go, and let it go as soon as that has been sent."""
        client.answers.clear()
        client.watcher, client.leaving, client.received, client.shown_out_at = None, True, b"", None
        self.put(client, _problem(problem))

    def _flush(self, client: _Client) -> None:
        try:
            sent = client.connection.send(client.unsent)
        except BlockingIOError:
            sent = 0
        except OSError:
            self.drop(client)
            return
        if sent:
            client.stuck_since = clock.now()
        client.unsent = client.unsent[sent:]
        if len(client.unsent) > UNREAD or (client.leaving and not client.unsent):
            self.drop(client)
            return
        wanted = 0 if client.leaving else selectors.EVENT_READ
        wanted |= selectors.EVENT_WRITE if client.unsent else 0
        if self._selector.get_key(client.connection).events != wanted:
            self._selector.modify(client.connection, wanted, partial(self._of_client, client))

    def _send_frame(self, now: int) -> None:
        watchers = self.watchers()
        if not watchers or self._frame is None:
            return
        self._framed += FRAME * (max(0, now - self._framed) // FRAME + 1)
        self._framing.set(self._framed)
        try:
            frame = {"frame": round(now / NANOSECONDS, 3), "seats": self._frame(now)}
            for watcher in watchers:
                watcher.send(frame)
        except Exception as error:  # noqa: BLE001 - it would fail again with each frame: nobody watches any more
            self._on_fault(error)
            for client in list(self._clients):
                if client.watcher is not None:
                    self._show_out(client, "the router failed at making frames; its log says how")


def _tell(connection: socket.socket, answer: Mapping[str, Any]) -> None:
    with suppress(OSError):
        connection.send(as_line(answer))


def _problem(problem: str) -> bytes:
    return as_line({"ok": False, "problem": problem})
