"""The desk: a process beside the service that answers clients, loads rigs and watches files.

How this works. The service starts it with two sockets: the private line between the two, and the
listening socket. One loop waits for all of it at once; nothing in it blocks, and no rig is loaded
in this very process (loading.py), so that one client, file or plugin cannot keep another waiting.

It ends when the service's end of the line closes, however that came about, and removes nothing:
the socket's file is the service's.
"""

from __future__ import annotations

import argparse
import itertools
import selectors
import signal
import socket
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from pointsman.errors import Problem
from pointsman.live.desk_clients import Answer, Client, Clients, refused
from pointsman.live.file_watch import FileWatch
from pointsman.live.frames import Frames
from pointsman.live.handover import Loaded
from pointsman.live.loading import Load
from pointsman.live.realtime import be_ordinary
from pointsman.live.requests import Request
from pointsman.live.taps import lines
from pointsman.registry import load_plugins

ANSWER_WITHIN_S = 5.0
LOOK_EVERY_S = {"status": 0.05, "pulse": 0.02}
"""How often the service is asked how it is, at most. It costs the process that plays, and all who
have asked meanwhile get the same."""

READ, WRITE = selectors.EVENT_READ, selectors.EVENT_WRITE


@dataclass
class Asked:
    """Who waits for an answer of the service, and until when."""

    clients: list[Client]
    until_s: float


class Desk:
    """Serves until the service is gone, or says stop."""

    def __init__(self, line: Frames, listening: socket.socket, rig: str, *, watch: bool) -> None:
        self._line = line
        self._rig = rig
        self._numbers = itertools.count(time.monotonic_ns())  # not those of the desk before
        self._asked: dict[int, Asked] = {}
        self._selector = selectors.DefaultSelector()
        self._selector.register(line, READ, self._from_service)
        self._clients = Clients(
            self._selector,
            listening,
            self._take_on,
            lambda wanted, did: line.send(("tap", wanted, did)),
        )
        self._line_waits = False
        self._stopping = False
        self._look_for: dict[str, list[Client]] = {kind: [] for kind in LOOK_EVERY_S}
        self._look_due_s = dict.fromkeys(LOOK_EVERY_S, 0.0)
        # Loading: who waits for the load under way, and who for the next.
        self._load: Load | None = None
        self._loading_for: list[Client] = []
        self._load_next = False
        self._next_for: list[Client] = []
        self._unasked = False
        self._first_load = watch
        self._refused: tuple[str, ...] = ()
        self._right_files: tuple[str, ...] = ()
        self._watch = FileWatch() if watch else None

    def run(self) -> None:
        """Serve."""
        if self._watch is not None:  # to know which files the rig has
            self._begin_load()
        while not (self._stopping or self._line.ended):
            self._turn()

    def _turn(self) -> None:
        for key, mask in self._selector.select(self._wait_s()):
            call: Callable[[int], None] = key.data
            call(mask)
        now_s = time.monotonic()
        self._give_up(now_s)
        self._look(now_s)
        if self._load is not None:
            if now_s >= self._load.until_s:
                self._load.kill()
                self._end_load(self._load)
        elif self._watch is not None and now_s >= self._watch.next_s and self._watch.look(now_s):
            self._begin_load()
        if self._clients.accept_s is not None and now_s >= self._clients.accept_s:
            self._clients.listen()
        self._line.flush()
        if bool(self._line.unsent) != self._line_waits:
            self._line_waits = bool(self._line.unsent)
            mask = READ | WRITE if self._line_waits else READ
            self._selector.modify(self._line, mask, self._from_service)

    def _wait_s(self) -> float | None:
        times = [asked.until_s for asked in self._asked.values()]
        times += [self._look_due_s[kind] for kind, clients in self._look_for.items() if clients]
        if self._clients.accept_s is not None:
            times.append(self._clients.accept_s)
        if self._load is not None:
            times.append(self._load.until_s)
        elif self._watch is not None:
            times.append(self._watch.next_s)
        return max(min(times) - time.monotonic(), 0) if times else None

    # ---- the service ---------------------------------------------------------------------------

    def _from_service(self, mask: int) -> None:
        for kind, *rest in self._line.take() if mask & READ else ():
            if kind == "answer":
                self._answered(*rest)
            elif kind == "events":
                self._clients.spread(lines(rest[0]))
            elif kind == "load":
                self._want_load(None)
            elif kind == "ping":
                self._line.send(("pong",))
            elif kind == "stop":
                self._stopping = True

    def _ask(self, clients: list[Client], kind: str, *arguments: Any) -> None:
        number = next(self._numbers)
        self._asked[number] = Asked(clients, time.monotonic() + ANSWER_WITHIN_S)
        self._line.send((kind, number, *arguments))

    def _look(self, now_s: float) -> None:
        for kind, clients in self._look_for.items():
            if clients and now_s >= self._look_due_s[kind]:
                self._look_due_s[kind] = now_s + LOOK_EVERY_S[kind]
                self._look_for[kind] = []
                self._ask(clients, kind)

    def _answered(self, number: int, answer: Answer) -> None:
        asked = self._asked.pop(number, None)
        for client in asked.clients if asked else ():
            self._clients.reply(client, answer)

    def _give_up(self, now_s: float) -> None:
        late = [number for number, asked in self._asked.items() if asked.until_s <= now_s]
        for number in late:
            self._answered(number, refused("the service does not answer"))

    def _take_on(self, client: Client, request: Request) -> None:
        if request.do == "reload":
            self._want_load(client)
        elif request.do in LOOK_EVERY_S:
            self._look_for[request.do].append(client)
        else:
            self._ask([client], request.do, *request.arguments)

    # ---- loading -------------------------------------------------------------------------------

    def _want_load(self, client: Client | None) -> None:
        """Load the rig, or load it again: what is being read may have changed since it began."""
        if client is not None:
            self._next_for.append(client)
        else:
            self._unasked = True
        if self._load is None:
            self._begin_load()
        else:
            self._load_next = True

    def _begin_load(self) -> None:
        if self._watch is not None:
            self._watch.mark()
        self._load_next = False
        self._loading_for, self._next_for = self._next_for, []
        try:
            self._load = Load(self._rig)
        except OSError as error:  # the system has no room for another process
            what = f"cannot be loaded now: {error.strerror}; the running rig plays on"
            self._loaded(Loaded((str(Problem(self._rig, 1, 1, "", what)),)))
            return
        self._selector.register(self._load, READ, self._from_load)

    def _from_load(self, _mask: int) -> None:
        if self._load is not None and self._load.read():
            self._end_load(self._load)

    def _end_load(self, load: Load) -> None:
        self._selector.unregister(load)
        self._load = None
        self._loaded(load.result())
        if self._load_next:
            self._begin_load()

    def _loaded(self, loaded: Loaded) -> None:
        if not loaded.problems:
            self._right_files = loaded.files
        if self._watch is not None:
            self._watch.follow({*self._right_files, *loaded.files}, time.monotonic())
        clients, self._loading_for = self._loading_for, []
        unasked, self._unasked = self._unasked, False
        first, self._first_load = self._first_load, False
        told_before, self._refused = self._refused, loaded.problems
        if clients:
            self._ask(clients, "rig", loaded)
        elif unasked or not (first or (loaded.problems and loaded.problems == told_before)):
            self._line.send(("rig", 0, loaded))


def main(arguments: Sequence[str] | None = None) -> None:
    """What the service starts (desk_link.py)."""
    parser = argparse.ArgumentParser(prog="pointsman.live.desk")
    parser.add_argument("line", type=int, help="the file descriptor of the private line")
    parser.add_argument("listening", type=int, help="that of the listening socket")
    parser.add_argument("rig")
    parser.add_argument("--watch", action="store_true")
    options = parser.parse_args(arguments)
    be_ordinary()
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)  # they are meant for the service
    load_plugins()  # what is installed is loaded once, and not for every rig
    line = Frames(socket.socket(fileno=options.line))
    listening = socket.socket(fileno=options.listening)
    listening.setblocking(False)
    Desk(line, listening, options.rig, watch=options.watch).run()


if __name__ == "__main__":
    main()
