"""What clients of a run may ask for, and what becomes of it: the answers are plain data."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Any

from pointsman.errors import PluginError, PointsmanError, PortError, said
from pointsman.live.handover import Loaded, refusal, unpack
from pointsman.live.link import Fail
from pointsman.live.links import Links
from pointsman.live.notify import Notifier
from pointsman.live.plugs import Plugs
from pointsman.live.recent import Recent
from pointsman.live.safety_net import SafetyNet
from pointsman.live.service import Service
from pointsman.live.status import Pace, pulse, status
from pointsman.options import suggest
from pointsman.units import NS_PER_S
from pointsman.words import hex_text


class Answers:
    """Answers for one run, on the steward's thread."""

    def __init__(
        self,
        service: Service,
        links: Links,
        plugs: Plugs,
        log: Any,
        notifier: Notifier,
        net: SafetyNet | None,
        fail: Fail,
    ) -> None:
        self._service = service
        self._links = links
        self._plugs = plugs
        self._log = log
        self._notifier = notifier
        self._net = net
        self._fail = fail
        self.pace = Pace()
        self._recent = Recent()
        self._heard_by = service.engine.rig
        self._read_ns = 0
        """When what plays was read, since the run began."""

    def answer(self, kind: str, arguments: list[Any]) -> dict[str, Any]:
        """The answer to one request; what fails is an answer, too."""
        calls: dict[str, Callable[..., dict[str, Any]]] = {
            "status": self.status,
            "pulse": self.pulse,
            "panic": self.panic,
            "song": self.song,
            "bypass": self.bypass,
            "recent": self.recent,
            "sent": self.sent,
            "rig": self.reload,
        }
        try:
            return calls[kind](*arguments)
        except PointsmanError as error:
            return _no(str(error))
        except Exception as error:
            self._log.error("a request failed", request=kind, why=said(error))
            return _no(f"the request failed: {said(error)}")

    def status(self) -> dict[str, Any]:
        """How everything is."""
        notes = self._net.trouble if self._net is not None else ()
        return {"ok": True, **status(self._service, self._links, self.pace, notes)}

    def pulse(self) -> dict[str, Any]:
        """What moves with the music, and nothing else."""
        return {"ok": True, **pulse(self._service, self._links)}

    def panic(self) -> dict[str, Any]:
        """Silence."""
        with self._service.lock:
            self._service.engine.panic(self._service.now_ns())
        self._service.wake()
        return {"ok": True}

    def song(self, wanted: str | int) -> dict[str, Any]:
        """Change to a song by name or number (0: the rig itself)."""
        engine = self._service.engine
        names = engine.song_names
        number = _number(wanted, names)
        with self._service.lock:
            done = number is not None and engine.choose_song(number, self._service.now_ns())
            coming = engine.coming_song
        self._service.wake()
        if not done:
            there = suggest(str(wanted), names) if names else "the rig names no songs"
            return _no(f"there is no song '{wanted}'; {there}", wrong=True)
        return {"ok": True, "song": number, "at": "now" if coming is None else "bar"}

    def bypass(self, output: str | None, wanted: str | int, on: bool) -> dict[str, Any]:
        """Leave an entry out, or put it in again; by its label or its number from 1."""
        engine = self._service.engine
        with self._service.lock:
            if output is not None and output not in engine.outputs:
                there = suggest(output, sorted(engine.outputs))
                return _no(f"there is no output '{output}'; {there}", wrong=True)
            chain = engine.input_chain if output is None else engine.outputs[output].chain
            labels = [entry.label for entry in chain.entries]
            number = _number(wanted, labels)
            if number is None or not 1 <= number <= len(labels):
                there = suggest(str(wanted), labels) if labels else "the chain is empty"
                return _no(f"there is no entry '{wanted}'; {there}", wrong=True)
            engine.bypass(output, number - 1, on, self._service.now_ns())
        return {"ok": True, "entry": labels[number - 1], "bypass": on}

    def keep_heard(self) -> None:
        """Keep what the input has brought since the last time, and forget what is too old.

        What went through another rig, or song, than the one that plays is too old as well.
        """
        playing = self._service.engine.rig
        self._recent.add(*self._service.take_heard())
        if playing is not self._heard_by:
            self._heard_by = playing
            self._recent.forget_all()
        self._recent.forget(self._service.now_ns())

    def recent(self, number: int | None) -> dict[str, Any]:
        """A piece of what the input has brought; the first comes with what was set before it."""
        if number is None:
            self.keep_heard()
        found, piece, following = self._recent.piece(number)
        answer: dict[str, Any] = {
            "ok": True,
            "piece": found,
            "next": following,
            "messages": [
                [t_ns / NS_PER_S, hex_text(data)]
                for t_ns, data in zip(piece.times, piece.messages, strict=True)
            ],
        }
        if number is None:
            answer["now"] = self._service.now_ns() / NS_PER_S
            answer["read"] = self._read_ns / NS_PER_S
            answer["before"] = [hex_text(data) for data in self._recent.before.messages()]
        return answer

    def sent(self, output: str) -> dict[str, Any]:
        """What stands at an output's synth: the programs, controls and bends it was last sent."""
        links = self._links.of(self._service.engine.rig)
        if output not in links:
            return _no(
                f"there is no output '{output}'; {suggest(output, sorted(links))}", wrong=True
            )
        with self._service.lock:
            messages = links[output].memory.last()
        return {"ok": True, "messages": [hex_text(data) for data in messages]}

    def reload(self, loaded: Loaded) -> dict[str, Any]:
        """Change to a rig that the desk has read; a faulty one changes nothing."""
        begun = time.monotonic()
        try:
            answer = self._reload(loaded)
        except (PluginError, PortError) as error:
            answer = refusal(str(error).splitlines())
        except OSError as error:
            answer = refusal([said(error)])
        if answer["ok"]:
            took_ms = round((time.monotonic() - begun) * 1000, 1)
            self._log.info("reloaded", rig=self._links.rig.name, took_ms=took_ms)
        else:
            problems = answer.get("problems") or [answer["error"]]
            self._log.error(
                "not reloaded; the old rig plays on", why=problems[0], more=len(problems) - 1
            )
        self._notifier.ready(f"rig {self._links.rig.name}")
        return answer

    def _reload(self, loaded: Loaded) -> dict[str, Any]:
        if loaded.problems:
            return refusal(loaded.problems)
        rig, registry = unpack(loaded)
        service, links = self._service, self._links
        prepared = service.engine.prepare(rig)
        links.add_kinds(registry)
        settled = links.rig
        try:
            new = links.plan(rig)
            links.find_all(rig, new, links.rig)
            links.open_all(rig, new)
            with service.lock:
                service.engine.change(prepared, service.now_ns())
            settled = rig
            self._read_ns = service.now_ns()
        finally:
            links.settle_on(settled, self._fail)
        service.wake()
        self._plugs.follow_input()
        for trouble in registry.troubles:
            self._log.warning("plugin not loaded", why=str(trouble))
        return {"ok": True, "rig": rig.name, "warnings": list(loaded.warnings)}


def _no(error: str, **more: Any) -> dict[str, Any]:
    """An answer that says no."""
    return {"ok": False, "error": error, **more}


def _number(wanted: str | int, names: Sequence[str]) -> int | None:
    """Which is meant, counted from 1: by its name, or by what may be its number."""
    if wanted in names:
        return names.index(wanted) + 1
    return int(wanted) if isinstance(wanted, int) or wanted.isdecimal() else None
