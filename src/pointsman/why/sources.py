"""Where a case comes from: a capture, messages by hand, or a running service."""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from pointsman.errors import PointsmanError, UsageError
from pointsman.live.client import ask
from pointsman.live.recent import SPAN_NS, Before
from pointsman.options import suggest
from pointsman.ports.alsa_clients import look
from pointsman.rig import OutputSpec, Rig
from pointsman.rig_file import load_rig
from pointsman.units import NS_PER_S
from pointsman.why.evidence import Evidence, Live
from pointsman.why.gathering import Case, Message, gather, spec_of

MOST_JUDGED = 100_000
"""Messages of a capture that are looked at: a synth that is silent is so at the end."""

LEAD_NS = 10 * NS_PER_S
"""How long before the first message that is kept a running rig is taken to have been as it was."""


def from_messages(rig: Rig, output: str, messages: Iterable[Message]) -> Evidence:
    """The evidence of a capture; of a very long one, its end, and what had been set before that.

    UsageError for an output that the rig does not have.
    """
    _must_have(rig, output)
    kept: deque[Message] = deque()
    before = Before()
    for message in messages:
        kept.append(message)
        if len(kept) > MOST_JUDGED:
            t_ns, data = kept.popleft()
            before.note(data, t_ns)
    return gather(rig, output, Case(kept, before.messages()))


def from_service(output: str, socket: Path | None, rig: Rig | None = None) -> Evidence:
    """The evidence of the last minute of a running service; `rig` instead of its own.

    Raises UsageError for an output that is not there, RigError where the service's rig file is
    faulty by now, and NoService.
    """
    status = _ask({"do": "status"}, socket)
    own = rig is None
    rig = rig or _load(status)
    _must_have(rig, output)
    asked = _ask({"do": "sent", "output": output}, socket) if output in status["outputs"] else {}
    first = _ask({"do": "recent"}, socket)
    messages = [message for piece in _pieces(first, socket) for message in _read(piece)]
    song = status["songs"].index(status["song"]) + 1 if status["song"] else 0
    sent = [bytes.fromhex(text) for text in asked.get("messages", ())]
    now_ns = round(first["now"] * NS_PER_S)
    case = Case(
        messages,
        [bytes.fromhex(text) for text in first["before"]],
        messages[0][0] if messages else max(now_ns - SPAN_NS, 0),
        now_ns,
        LEAD_NS,
        song,
        _bypassed(status),
        sent,
    )
    evidence = gather(rig, output, case)
    remarks = _changed(rig, first) if own else []
    port = status["outputs"].get(output, {}).get("port")
    evidence.live = Live(status, _connected(port), _connected(status["input"]["port"]), remarks)
    return evidence


def _must_have(rig: Rig, output: str) -> None:
    if spec_of(rig, output) is None:
        names = [spec.name for spec in every_output(rig)]
        raise UsageError(f"there is no output '{output}'; {suggest(output, names)}")


def every_output(rig: Rig) -> Iterator[OutputSpec]:
    """The outputs of a rig and its songs, each name once."""
    seen: set[str] = set()
    for played in (rig, *(song for _, song in rig.songs.rigs)):
        for spec in played.outputs:
            if spec.name not in seen:
                seen.add(spec.name)
                yield spec


def _ask(request: dict[str, Any], socket: Path | None) -> dict[str, Any]:
    answer = ask(request, socket)
    if answer.get("ok"):
        return answer
    error = str(answer.get("error", "the service refuses, and does not say why"))
    if error.startswith("unknown request"):
        error = "the service is of an older version and cannot tell what came; restart it"
    raise UsageError(error) if answer.get("wrong") else PointsmanError(error)


def _pieces(first: dict[str, Any], socket: Path | None) -> Iterator[dict[str, Any]]:
    piece = first
    while True:
        yield piece
        if piece["next"] is None:
            return
        piece = _ask({"do": "recent", "piece": piece["next"]}, socket)


def _read(piece: Mapping[str, Any]) -> Iterator[Message]:
    for seconds, text in piece["messages"]:
        yield round(seconds * NS_PER_S), bytes.fromhex(text)


def _load(status: Mapping[str, Any]) -> Rig:
    """The rig that a service plays, as its file is now."""
    path = str(status["path"])
    near = os.path.relpath(path)
    return load_rig(path if near.startswith(os.pardir) else near)


def _changed(rig: Rig, first: Mapping[str, Any]) -> list[str]:
    """Which files of a rig were written after the service read them, as remarks."""
    read_s = time.time() - first["now"] + first["read"]
    found = []
    for path in sorted(_files(rig)):
        with suppress(OSError):
            if os.stat(path).st_mtime > read_s:
                found.append(
                    f"{path} was written after the service read it, and this is about the file "
                    "as it is now; make them one: pointsman reload"
                )
    return found


def _files(rig: Rig) -> set[str]:
    """The files that a rig and its songs are written in; not those of their devices."""
    found: set[str] = set()
    for played in (rig, *(song for _, song in rig.songs.rigs)):
        found.add(str(played.path))
        for chain in (played.input_chain, *(spec.chain for spec in played.outputs)):
            found.update(entry.origin.path for entry in chain if entry.origin is not None)
    return found


def _bypassed(status: Mapping[str, Any]) -> set[tuple[str | None, int]]:
    rows: list[tuple[str | None, Any]] = [(None, status["input_entries"])]
    rows += [(name, row["entries"]) for name, row in status["outputs"].items()]
    return {
        (name, entry["entry"] - 1)
        for name, entries in rows
        for entry in entries
        if entry["bypass"] or entry["fault"]
    }


def _connected(port: str | None) -> int | None:
    """How many are connected to a virtual port; None where that cannot be known."""
    scheme, _, name = (port or "").partition(":")
    seen = look(fresh=True) if scheme == "virtual" else None
    links = seen.links(name) if seen is not None else None
    return None if links is None else len(links)
