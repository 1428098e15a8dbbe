"""Plugs that are pulled and put back: what is done when a port goes, and when it is there again."""

from __future__ import annotations

from typing import Any

from pointsman.errors import PortError, said
from pointsman.live.link import InputLink, Link, OutputLink
from pointsman.live.links import Links
from pointsman.live.service import Service
from pointsman.rig import OutputSpec, Restore


class Plugs:
    """Looks after the ports of one run, whenever the steward comes round."""

    def __init__(self, service: Service, links: Links, log: Any) -> None:
        self._service = service
        self._links = links
        self._log = log

    def look(self) -> None:
        """Notice what has gone, and open what is there again."""
        for link in self._links.lost():
            self._lose(link)
        self._look_for_gaps()
        self.follow_input()
        for output in self._links.away():
            if not output.is_open:  # it may be back with another that shares its port
                self._reopen(output)
        if not self._links.input.is_open:
            self._reopen_input(self._links.input)

    def _lose(self, link: Link) -> None:
        link.times_lost += 1
        name = link.found
        if isinstance(link, OutputLink):
            self._links.give_up(link)
            self._log.warning("output lost", port=name, until="it is plugged in again")
        else:
            self._release_input()
            self._links.give_up_input()
            self._release_input()  # what was still on its way when the plug was pulled
            self._log.warning("input lost", port=name, until="it is plugged in again")

    def _look_for_gaps(self) -> None:
        """Where messages were lost, note-offs may be among them: they will not come any more."""
        link = self._links.input
        if link.count_gaps():
            self._release_input()
            self._log.warning(
                "messages lost before they came in",
                port=link.found,
                why="more came at once than the system could keep; what was held was released",
            )

    def _release_input(self) -> None:
        with self._service.lock:
            self._service.engine.lose_input(self._service.now_ns())

    def _find(self, link: Link) -> str | None:
        try:
            found = self._links.find_again(link)
        except Exception as error:  # a kind of port that fails must not keep others from theirs
            self._not_open(link, error)
            return None
        if found is None:
            link.trouble = ""
        return found

    def _not_open(self, link: Link, error: Exception) -> None:
        """Keep why a port is not open, and tell the log what it has not been told."""
        link.trouble = said(error)
        if link.trouble != link.told:
            link.told = link.trouble
            self._log.warning("port not open", port=link.text, why=link.trouble)

    def _reopen(self, link: OutputLink) -> None:
        found = self._find(link)
        if found is None:
            return
        try:
            self._links.reopen(link, found, self._greeting)
        except (PortError, OSError) as error:
            self._not_open(link, error)
            return
        self._log.info("output is back" if link.times_lost else "output opened", port=found)

    def _greeting(self, link: OutputLink) -> list[bytes]:
        """What a port is sent first when it opens; called under the lock."""
        return greeting(self._service, self._links, link)

    def _reopen_input(self, link: InputLink) -> None:
        found = self._find(link)
        if found is None:
            return
        try:
            self._links.open_input(link, found)
            assert link.port is not None
            link.port.start(self._service.deliver, self._service.ended)
        except Exception as error:
            self._links.give_up_input()
            self._not_open(link, error)
            return
        link.told = ""
        self._log.info("input is back" if link.times_lost else "input opened", port=found)

    def follow_input(self) -> None:
        """Read from the port that the rig which plays now names."""
        wanted = self._links.input_of(self._service.engine.rig)
        if wanted is self._links.input:
            return
        self._links.give_up_input()
        self._links.input = wanted
        with self._service.lock:  # what the old one struck since the change it will not let go of
            self._service.engine.leave_input(self._service.now_ns())


def greeting(service: Service, links: Links, link: OutputLink) -> list[bytes]:
    """What a port is to be sent when it opens, before anything else.

    Note-offs for what may sound there though it has ended here meanwhile. Then, the first time,
    the opening of its outputs, and later what `restore` says: the last values, or the opening.
    """
    engine = service.engine
    playing = links.of(engine.rig)
    sharing = links.sharing(link)
    held = {
        note
        for name, own in playing.items()
        if own in sharing
        for note in engine.outputs[name].ledger.sounding
    }
    first, link.left = [*link.left, *link.memory.off_messages(held)], []
    specs = [spec for spec in engine.rig.outputs if playing[spec.name] is link]
    openings = [data for spec in specs for data in spec.opening]
    if not link.was_open:
        return [*first, *openings, *link.memory.restore()]
    wishes = {spec.restore for spec in specs or _in_songs(links, link)}
    if Restore.LAST in wishes:
        return [*first, *(d for d in openings if d[0] == 0xF0), *link.memory.restore()]
    chosen = [spec for spec in specs if spec.restore is Restore.OPENING]
    return [*first, *(data for spec in chosen for data in spec.opening)]


def _in_songs(links: Links, link: OutputLink) -> list[OutputSpec]:
    """The outputs of any song that have this port."""
    return [s for song in links.rig.rigs for s in song.outputs if links.of(song)[s.name] is link]
