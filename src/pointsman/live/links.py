"""Links: the ports that a rig and its songs name, each open, missing or lost.

How this works. Every port that any rig of the set names has one link, for as long as the set runs.
Outputs that name the same port share it. The steward looks after the links: one whose port has
vanished is given up, and one that can be found is opened.

Two links may turn out to mean one port ("tug" and "Tug Interface"). They share its `Cable`, lose it
together, and get it back together.

The lock that is handed in is the engine's. It is held while a link is swapped, and never while a
port is opened, closed or looked for. Which links there are is the steward's alone to say; the MIDI
path only asks for those of one rig (`of`).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress

from pointsman.errors import PortError, PortLookupError, said
from pointsman.live.link import Cable, Fail, InputLink, Link, OutputLink
from pointsman.ports.backend import InputPort, OutputPort, PortBackend
from pointsman.ports.resolve import find_backend
from pointsman.registry import Registry
from pointsman.rig import Rig


class Links:
    """The links of one set. `patient`: a port that is missing is waited for, and no error."""

    def __init__(
        self,
        rig: Rig,
        registry: Registry,
        lock: threading.Lock,
        now_ns: Callable[[], int],
        *,
        patient: bool = False,
    ) -> None:
        self._lock = lock
        self._now_ns = now_ns
        self._patient = patient
        self._cables: dict[tuple[str, str], Cable] = {}
        """The open ports, by kind and full name."""
        self._kinds = registry.ports
        self.outputs: dict[tuple[str, str], OutputLink] = {}
        self._of: dict[int, dict[str, OutputLink]] = {}
        self._sources: dict[int, InputLink] = {}
        self.rig = rig
        """The set: the rig that names the songs."""
        self.plan(rig)
        self.input = self._sources[id(rig)]

    def remember(self) -> None:
        """Let every link take into its memory what was sent; under the lock."""
        for link in self.outputs.values():
            link.remember()

    # ---- which links there are -----------------------------------------------------------------

    def plan(self, rig: Rig) -> list[OutputLink]:
        """Have a link for every port that a rig and its songs name; returns those that are new."""
        before = set(self.outputs)
        for played in rig.rigs:
            self._sources[id(played)] = self._source(played)
            self._of[id(played)] = {
                spec.name: self._output(spec.port, played) for spec in played.outputs
            }
        return [link for key, link in self.outputs.items() if key not in before]

    def add_kinds(self, registry: Registry) -> None:
        """Know the kinds of port that a new version of the rig has brought."""
        self._kinds = {**self._kinds, **registry.ports}

    def of(self, rig: Rig) -> dict[str, OutputLink]:
        """The links of a planned rig's outputs, by the outputs' names."""
        return self._of[id(rig)]

    def input_of(self, rig: Rig) -> InputLink:
        """The link for the input of a planned rig: the one there is, if it is the same port."""
        link = self._sources[id(rig)]
        return self.input if _same(self.input, link) else link

    def _output(self, text: str, rig: Rig) -> OutputLink:
        backend, address = find_backend(text, self._kinds)
        key = (backend.scheme, backend.locate(address, rig.path.parent))
        if key not in self.outputs:
            self.outputs[key] = OutputLink(text, backend, address, rig)
        return self.outputs[key]

    def _source(self, rig: Rig) -> InputLink:
        backend, address = find_backend(rig.input_port, self._kinds)
        return InputLink(rig.input_port, backend, address, rig)

    # ---- at the start, and at a reload -----------------------------------------------------------

    def find_all(self, rig: Rig, links: Iterable[OutputLink], before: Rig | None = None) -> None:
        """See whether every port of a rig is there before any is opened; tell all that are not.

        `links` are those that are looked for, beside an input that the rig `before` had not.
        What is away at present is waited for, and ports that only songs name may be missing.
        Raises PortLookupError with a line for each that may not, unless we are patient.
        """
        looked_for = {id(link) for link in links}
        wanted: list[tuple[str, Link]] = [
            (f"output {name}", link)
            for name, link in self.of(rig).items()
            if id(link) in looked_for
        ]
        source = self.input_of(rig)
        known = before is not None and _same(self._sources[id(before)], source)
        if not source.is_open and not known:
            wanted.insert(0, ("input", source))
        missing: list[str] = []
        wrong: list[str] = []
        for what, link in wanted:
            try:
                found = link.backend.find(
                    link.address, link.base, is_input=isinstance(link, InputLink)
                )
                if isinstance(link, OutputLink) and self._is_played(link.backend, found):
                    wrong.append(f"{what}: {_PLAYED}")
            except PortLookupError as error:
                link.trouble = str(error)
                missing.append(f"{what}: {error}")
        if not self._patient:
            wrong = missing + wrong
        if wrong:
            raise PortLookupError("\n".join(dict.fromkeys(wrong)))

    def _is_played(self, backend: PortBackend, found: str) -> bool:
        """Whether this is what an input plays, and writing to it would destroy it."""
        return not backend.both_ways and any(
            found == source.backend.locate(source.address, source.base)
            for source in self._sources.values()
            if source.backend is backend
        )

    def open_all(self, rig: Rig, links: Iterable[OutputLink]) -> None:
        """Open ports; PortError where one that the rig needs does not open.

        What only songs name, and everything where we are patient, may open later.
        """
        needed = {id(link) for link in self.of(rig).values()}
        for link in links:
            try:
                self._open([link], link.backend.find(link.address, link.base, is_input=False))
            except (PortError, PortLookupError, OSError) as error:
                link.trouble = said(error)
                if id(link) in needed and not self._patient:
                    raise

    def _open(
        self,
        links: list[OutputLink],
        found: str,
        greeting: Callable[[OutputLink], list[bytes]] = lambda link: [],
    ) -> None:
        cable = self._plug(links[0].backend, found)
        with self._lock:
            for link in links:
                link.attach(cable, found)
            for link in links:
                link.put_first(greeting(link))
                link.was_open = True

    def _plug(self, backend: PortBackend, found: str) -> Cable:
        """The port of this full name, opened if no link has it yet."""
        key = (backend.scheme, found)
        if key not in self._cables:
            if self._is_played(backend, found):
                raise PortLookupError(_PLAYED)
            with _said_as_port_error(found):
                port = backend.open_output(found)
                with _closed_on_error(port):
                    self._cables[key] = Cable(port, backend.mark(found, is_input=False))
        return self._cables[key]

    def open_input(self, link: InputLink, found: str | None = None) -> None:
        """Open the input; what comes in is handed over once it is started."""
        try:
            if found is None:
                found = link.backend.find(link.address, link.base, is_input=True)
            with _said_as_port_error(found):
                port = link.backend.open_input(found)
                with _closed_on_error(port):
                    link.mark = link.backend.mark(found, is_input=True)
        except (PortError, PortLookupError, OSError) as error:
            link.trouble = said(error)
            raise
        link.port, link.found, link.trouble = port, found, ""

    # ---- while it runs -------------------------------------------------------------------------

    def lost(self) -> list[InputLink | OutputLink]:
        """The open links whose port has vanished."""
        links: list[InputLink | OutputLink] = [self.input, *self.outputs.values()]
        return [link for link in links if link.port is not None and not _alive(link.port)]

    def away(self) -> list[OutputLink]:
        """The outputs that are not open; first those that have been, who know what they want."""
        links = [link for link in self.outputs.values() if not link.is_open]
        return sorted(links, key=lambda link: link.mark is None)

    def find_again(self, link: Link) -> str | None:
        """The full name of the port of a link that is not open, if it is there now.

        PortLookupError when nothing tells whether it is this one.
        """
        is_input = isinstance(link, InputLink)
        alike: list[Link] = [
            other
            for other in (() if is_input else self.outputs.values())
            if other is not link and other.backend is link.backend
        ]
        # one that has never been open is looked for as at the start: others may share its port
        taken = {o.found for o in alike if o.found is not None and link.mark is not None}
        lost = [o.mark for o in alike if not o.is_open and o.mark is not None]
        return link.backend.find_again(
            link.address, link.base, is_input=is_input, mark=link.mark, taken=taken, lost=lost
        )

    def reopen(
        self, link: OutputLink, found: str, greeting: Callable[[OutputLink], list[bytes]]
    ) -> None:
        """Open the port of a link that has waited for it, for all that have shared it.

        What `greeting` gives, called under the lock, goes first: see `tell`. Raises PortError,
        PortLookupError or OSError.
        """
        together = [
            other
            for other in self.outputs.values()
            if not other.is_open and other.cable is link.cable is not None
        ]
        self._open(together or [link], found, greeting)

    def sharing(self, link: OutputLink) -> list[OutputLink]:
        """All links that have the port of an open one."""
        return [other for other in self.outputs.values() if other.cable is link.cable]

    def tell(self, fail: Fail) -> float | None:
        """Send what is due of what goes first; how many seconds until more is, None: nothing."""
        telling = [link for link in self.outputs.values() if link.waits and link.is_open]
        for link in telling:
            if link.due_s <= time.monotonic():
                with self._lock:
                    link.tell(self._now_ns(), fail)
        due = [link.due_s for link in telling if link.waits]
        return max(min(due) - time.monotonic(), 0.0) if due else None

    def tell_all(self, fail: Fail, within_s: float) -> None:
        """At the end: send all that still waits, as slowly as there is time for."""
        until_s = time.monotonic() + within_s
        while (wait_s := self.tell(fail)) is not None and time.monotonic() < until_s:
            time.sleep(wait_s)
        for link in self.outputs.values():
            self._hurry(link, fail)

    def _hurry(self, link: OutputLink, fail: Fail) -> None:
        with self._lock:
            while link.is_open and link.waits:
                link.tell(self._now_ns(), fail, all_of_it=True)

    def give_up(self, link: OutputLink) -> None:
        """A port has vanished, or is not wanted any more: take its link from the hot path."""
        with self._lock:
            port, cable = link.port, link.cable
            link.detach()
        if port is None or cable is None:
            return
        cable.users -= 1
        if not cable.users:
            self._cables = {key: c for key, c in self._cables.items() if c is not cable}
            _close(port)

    def close_input(self) -> None:
        """Close the input; what goes wrong is raised."""
        port, self.input.port, self.input.found = self.input.port, None, None
        if port is not None:
            port.close()

    def give_up_input(self) -> None:
        """The input's port has vanished, or another is wanted."""
        with suppress(Exception):  # there is nobody to tell
            self.close_input()

    def settle_on(self, rig: Rig, fail: Fail) -> None:
        """This is the set from now on: close what neither it nor its songs name."""
        self.rig = rig
        planned = {id(played) for played in rig.rigs}
        self._sources = {key: link for key, link in self._sources.items() if key in planned}
        self._of = {key: links for key, links in self._of.items() if key in planned}
        wanted = {id(link) for links in self._of.values() for link in links.values()}
        for key, link in list(self.outputs.items()):
            if id(link) not in wanted:
                del self.outputs[key]
                self._hurry(link, fail)
                self.give_up(link)

    def close_outputs(self) -> list[Exception]:
        """Close every output, whatever becomes of the others; returns what went wrong."""
        failed = []
        for cable in self._cables.values():
            try:
                cable.port.close()
            except Exception as error:
                failed.append(error)
        self._cables.clear()
        return failed


_PLAYED = "the input plays this very file; record in another"


def _alive(port: InputPort | OutputPort) -> bool:
    """Whether a port is still there; a kind of port that cannot tell must not stop the others."""
    try:
        return port.alive()
    except Exception:
        return True


@contextmanager
def _closed_on_error(port: InputPort | OutputPort) -> Iterator[None]:
    try:
        yield
    except BaseException:
        _close(port)
        raise


def _same(one: Link, other: Link) -> bool:
    return one.backend is other.backend and one.backend.locate(
        one.address, one.base
    ) == other.backend.locate(other.address, other.base)


def _close(port: InputPort | OutputPort) -> None:
    """Close a port that nobody needs any more; there is nobody to tell if that fails."""
    with suppress(Exception):
        port.close()


@contextmanager
def _said_as_port_error(name: str) -> Iterator[None]:
    """Whatever a kind of port raises when it opens is said in one line."""
    try:
        yield
    except (PortError, OSError):
        raise
    except Exception as error:
        raise PortError(f"port '{name}' does not open: {said(error)}") from error
