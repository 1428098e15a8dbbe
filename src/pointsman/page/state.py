"""What the page shows, made from what the service says of itself. Nothing here waits or asks.

Two parts: `rig_view` from the status, which changes seldom, and `now_view` from the pulse, which
moves with the music. Words are made here rather than in the browser, so that they are the same as
those of `pointsman status`.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from itertools import groupby
from typing import Any

from pointsman.controls import NAME_BY_CONTROL
from pointsman.live.status_view import troubles
from pointsman.units import note_name

View = dict[str, Any]
Answer = Mapping[str, Any]

OTHER_VERSION = "the service is of another version and tells its status otherwise; restart it"

MOST_ERRORS = 8
"""The last errors that are kept."""

_US_PER_MS = 1000
_KIND = re.compile(r"[a-z]+:")


class OtherVersion(Exception):
    """The service says something else than we know."""


def rig_view(status: Answer) -> View:
    """Ports, chains, songs, wires and troubles. Raises OtherVersion."""
    try:
        return _rig_view(status)
    except (AttributeError, LookupError, TypeError, ValueError):
        raise OtherVersion(OTHER_VERSION) from None


def now_view(pulse: Answer) -> View:
    """What sounds, what is away from home, where the song is. Raises OtherVersion."""
    try:
        return {
            "transport": dict(pulse["transport"]),
            "outputs": [
                {
                    "name": name,
                    "sounding": _sounding(output["sounding"]),
                    "struck": output["notes"],
                    "away": [
                        {**away, "control": _named(away["control"])} for away in output["away"]
                    ],
                }
                for name, output in pulse["outputs"].items()
            ],
        }
    except (AttributeError, LookupError, TypeError, ValueError):
        raise OtherVersion(OTHER_VERSION) from None


def _rig_view(status: Answer) -> View:
    outputs: Mapping[str, Any] = status["outputs"]
    return {
        "rig": status["rig"],
        "song": status["song"],
        "songs": list(status["songs"]),
        "coming": _coming(status),
        "input": {**_port(status["input"]), "per_second": status["input"]["per_second"]},
        "outputs": [
            {"name": name, **_port(output), "wire": _wire(output["wire"])}
            for name, output in outputs.items()
        ],
        "chains": [
            {"output": name, "entries": _entries(entries)}
            for name, entries in (
                (None, status["input_entries"]),
                *((name, output["entries"]) for name, output in outputs.items()),
            )
            if entries
        ],
        "troubles": troubles(status),
        "figures": _figures(status),
    }


def _coming(status: Answer) -> str | None:
    """The song that begins at the next bar."""
    coming = status["coming"]
    if coming is None:
        return None
    return str(status["songs"][coming - 1]) if coming else "the rig itself"


def _port(port: Answer) -> View:
    """A port as the system names it; a file, a serial line and so on as the rig does."""
    named = _KIND.match(port["port"]) is not None
    name = port["port"] if named else port["found"] or port["port"]
    return {"port": name, "state": port["state"]}


def _wire(wire: Answer | None) -> View | None:
    """The load of the last whole second in percent; None where the wire is not paced."""
    if wire is None:
        return None
    return {
        "load": round(wire["last_second"] * 100),
        "worst": round(wire["worst_second"] * 100),
        "dropped": sum(wire["dropped"].values()),
    }


def _entries(entries: Iterable[Answer]) -> list[View]:
    rows = list(entries)
    labels = [entry["label"] for entry in rows]
    return [
        {
            # a label says what is meant even if the rig is another by the time it is pressed
            "entry": entry["label"] if labels.count(entry["label"]) == 1 else entry["entry"],
            "label": entry["label"],
            "where": f"{entry['file']}:{entry['line']}",
            "bypassed": bool(entry["bypass"]),
            "failed": entry["fault"] is not None,
        }
        for entry in rows
    ]


def _figures(status: Answer) -> list[str]:
    delay, jitter = status["latency_us"], status["transport"]["clock_jitter_us"]
    lines = []
    if delay:
        spread = ", ".join(f"{part} {delay[part] / _US_PER_MS:.1f} ms" for part in ("p50", "p99"))
        lines.append(f"Latency: {spread}")
    if jitter:
        lines.append(f"Clock jitter: p50 {jitter['p50'] / _US_PER_MS:.1f} ms")
    return lines


def _named(control: str) -> str:
    """A control by name; one that nobody has named by that of the published table."""
    if not control.isdecimal():
        return control
    return NAME_BY_CONTROL.get(int(control), f"control {control}")


def _sounding(notes: Iterable[Iterable[int]]) -> list[View]:
    """By channel, from the lowest note to the highest."""
    ordered = sorted((channel, note) for channel, note in notes)
    return [
        {"channel": channel, "notes": [note_name(note) for _, note in some]}
        for channel, some in groupby(ordered, lambda found: found[0])
    ]


class Errors:
    """The last errors, newest first: troubles when they begin, and presses that were refused.

    `now_s` is the time of day, in seconds since the epoch.
    """

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._found: deque[tuple[float, str]] = deque(maxlen=MOST_ERRORS)
        self._standing: set[str] = set()
        self._told = 0
        self._count = 0

    def add(self, line: str) -> None:
        """Something went wrong now."""
        self._found.appendleft((self._now_s(), line))
        self._count += 1

    def stand(self, lines: Iterable[str]) -> None:
        """These troubles stand now; those that did not before are errors of this moment."""
        now = list(lines)
        for line in now:
            if _kind(line) not in self._standing:
                self.add(line)
        self._standing = {_kind(line) for line in now}

    @property
    def changed(self) -> bool:
        """Whether there are any that `show` has not shown yet."""
        return self._count != self._told

    def show(self) -> list[View]:
        """How many seconds ago each was, and what; with a number by which it is known again."""
        self._told = self._count
        now_s = self._now_s()
        return [
            {"number": self._count - place, "ago_s": round(now_s - at_s, 1), "line": line}
            for place, (at_s, line) in enumerate(self._found)
        ]


def _kind(line: str) -> str:
    """The line without its counts: a count that goes up is no new trouble."""
    return "".join(letter for letter in line if not letter.isdigit())
