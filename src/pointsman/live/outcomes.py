"""What came of a request, in one line for the person who made it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def outcome(request: Mapping[str, Any], answer: Mapping[str, Any]) -> str:
    """What a request did, or why it did nothing."""
    if not answer.get("ok"):
        return str(answer.get("error", "the service refuses, and does not say why"))
    return _DONE[request["do"]](request, answer)


def _song(request: Mapping[str, Any], answer: Mapping[str, Any]) -> str:
    when = "at the next bar" if answer.get("at") == "bar" else "now"
    return f"Song {request['song']}: {when}."


def _bypass(request: Mapping[str, Any], answer: Mapping[str, Any]) -> str:
    state = "bypassed" if request.get("on", True) else "in the chain again"
    entry = answer.get("entry", request["entry"])
    return f"{request['output'] or 'input'}: {entry} is {state}."


_DONE = {
    "reload": lambda _, answer: f"Reloaded: {answer.get('rig', 'the rig')}.",
    "panic": lambda *_: "Everything is silenced.",
    "song": _song,
    "bypass": _bypass,
}
