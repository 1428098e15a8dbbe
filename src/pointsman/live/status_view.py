"""How a running service is, for people: trouble first, and as one line for a log."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from itertools import groupby
from typing import Any

from pointsman.render_tables import show_wires
from pointsman.tables import table
from pointsman.units import note_name
from pointsman.wire import WireFigures

Status = Mapping[str, Any]

STATES = {
    "lost": "lost; plug it in again, it goes on by itself",
    "missing": "not there yet; plug it in, it begins by itself",
}
"""What is said of a port that is not open, by its state."""


def show_status(status: Status) -> str:
    """The whole status, in the order in which a player in a hurry needs it."""
    parts = [_trouble(status), _heading(status), _ports(status), _sounds(status)]
    parts += [_away(status), _wires(status), _entries(status), _figures(status)]
    return "\n\n".join(part for part in parts if part)


def status_line(status: Status) -> str:
    """The same in one line of `name=value`, for a log."""
    transport, given = status["transport"], status["input"]
    outputs: Mapping[str, Any] = status["outputs"]
    facts = {
        "rig": status["rig"],
        "song": status["song"],
        "running_s": round(status["running_s"]),
        "transport": "playing" if transport["playing"] else "stopped",
        "bar": transport["bar"],
        "tempo": _number(transport["tempo"]),
        "input": given["state"],
        "in_per_s": _number(given["per_second"]),
        "out_per_s": _number(sum(output["per_second"] for output in outputs.values())),
        "not_open": ",".join(n for n, o in outputs.items() if o["state"] != "open") or None,
        "sounding": sum(len(output["sounding"]) for output in outputs.values()),
        "away": sum(len(output["away"]) for output in outputs.values()),
        "bypassed": sum(e["bypass"] or bool(e["fault"]) for _, e in _all_entries(status)),
        "dropped": sum(status["dropped"].values()),
        "unsent": sum(sum(output["unsent"].values()) for output in outputs.values()),
        "latency_us_p99": (status["latency_us"] or {}).get("p99"),
        "jitter_us_p50": (transport["clock_jitter_us"] or {}).get("p50"),
        "trouble": len(troubles(status)),
    }
    return " ".join(f"{name}={_word(fact)}" for name, fact in facts.items() if fact is not None)


def troubles(status: Status) -> list[str]:
    """What is not as it should be: ports, plugins, and what the service itself notes."""
    ports = [("input", status["input"]), *status["outputs"].items()]
    found = [_not_open(name, port) for name, port in ports if port["state"] != "open"]
    found += [
        f"{output or 'input'}: {entry['label']} ({_place(entry)}) failed and is left out: "
        f"{entry['fault']}"
        for output, entry in _all_entries(status)
        if entry["fault"]
    ]
    found += [
        f"{name}: {count} message{'' if count == 1 else 's'} not sent: {reason}"
        for name, output in status["outputs"].items()
        for reason, count in output["unsent"].items()
        if count
    ]
    if gaps := status["input"]["gaps"]:
        often = "once" if gaps == 1 else f"{gaps} times"
        found.append(f"input: the system lost messages {often}, since too many came together")
    return list(dict.fromkeys([*found, *status["notes"]]))


# ---- the parts -----------------------------------------------------------------------------------


def _trouble(status: Status) -> str:
    found = troubles(status)
    return "\n".join(["TROUBLE", *(f"  {line}" for line in found)]) if found else ""


def _heading(status: Status) -> str:
    song, songs = status["song"], status["songs"]
    rig = f"{status['rig']} ({status['path']})"
    if song is not None:
        rig += f", song {song}"
    elif songs:
        rig += f", none of its songs ({', '.join(songs)})"
    if status["coming"] is not None:
        coming = songs[status["coming"] - 1] if status["coming"] else "the rig itself"
        rig += f", at the next bar {coming}"
    return f"{rig}, running for {_span(status['running_s'])}. {_transport(status['transport'])}"


def _transport(transport: Mapping[str, Any]) -> str:
    words = ["Playing" if transport["playing"] else "Stopped"]
    if transport["bar"] is not None:
        words.append(f"bar {transport['bar']}")
    if transport["tempo"] is not None:
        words.append(f"tempo {_number(transport['tempo'])}")
    return ", ".join(words) + "."


def _ports(status: Status) -> str:
    given = status["input"]
    rows = [
        [
            name,
            port["found"] or port["port"],
            port["state"],
            _number(port["per_second"]),
            in_all,
            port["times_lost"],
        ]
        for name, port, in_all in [
            ("input", given, given["received"]),
            *((name, output, output["sent"]) for name, output in status["outputs"].items()),
        ]
    ]
    return table(["", "port", "state", "a second", "in all", "times lost"], rows)


def _sounds(status: Status) -> str:
    rows = [
        [name, channel, " ".join(note_name(note) for _, note in sorted(notes))]
        for name, output in status["outputs"].items()
        for channel, notes in groupby(sorted(map(tuple, output["sounding"])), lambda n: n[0])
    ]
    return table(["output", "channel", "sounds"], rows) if rows else "Nothing sounds."


def _away(status: Status) -> str:
    rows = [
        [name, away["control"], away["channel"], away["value"], away["home"]]
        for name, output in status["outputs"].items()
        for away in output["away"]
    ]
    heads = ["output", "away from home", "channel", "value", "home"]
    return table(heads, rows) if rows else "Every control is home."


def _wires(status: Status) -> str:
    outputs = status["outputs"].items()
    return show_wires({n: WireFigures(**o["wire"]) for n, o in outputs if o.get("wire")})


def _entries(status: Status) -> str:
    rows = [
        [
            output or "input",
            entry["entry"],
            entry["label"],
            _place(entry),
            entry["changed"],
            entry["dropped"],
            entry["added"],
            "failed" if entry["fault"] else "bypassed" if entry["bypass"] else "",
        ]
        for output, entry in _all_entries(status)
    ]
    heads = ["output", "entry", "label", "where", "changed", "dropped", "added", ""]
    return table(heads, rows) if rows else ""


def _figures(status: Status) -> str:
    delay, jitter = status["latency_us"], status["transport"]["clock_jitter_us"]
    lines = []
    if delay:
        spread = ", ".join(f"{name} {_ms(delay[name])}" for name in ("p50", "p99", "max"))
        lines.append(f"Latency: {spread}.")
    if jitter:
        lines.append(f"Clock jitter: p50 {_ms(jitter['p50'])}, max {_ms(jitter['max'])}.")
    dropped = {reason: count for reason, count in status["dropped"].items() if count}
    if dropped:
        told = ", ".join(f"{count} {reason}" for reason, count in dropped.items())
        lines.append(f"Dropped: {told}.")
    if status["panics"]:
        lines.append(f"Panics: {status['panics']}.")
    return "\n".join(lines)


# ---- words ---------------------------------------------------------------------------------------


def _all_entries(status: Status) -> Iterator[tuple[str | None, Mapping[str, Any]]]:
    for entry in status["input_entries"]:
        yield None, entry
    for name, output in status["outputs"].items():
        for entry in output["entries"]:
            yield name, entry


def _place(entry: Mapping[str, Any]) -> str:
    return f"{entry['file']}:{entry['line']}"


def _not_open(name: str, port: Mapping[str, Any]) -> str:
    why = f" ({port['trouble']})" if port["trouble"] else ""
    return f"{name}: {port['port']} is {STATES.get(port['state'], port['state'])}{why}"


def _span(seconds: float) -> str:
    whole = int(seconds)
    if whole < 120:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def _ms(us: float) -> str:
    return f"{us / 1000:.2f} ms"


def _number(value: float | None) -> float | int | None:
    """With one decimal at most: more is noise."""
    if value is None:
        return None
    return int(value) if value == int(value) else round(value, 1)


def _word(fact: object) -> str:
    text = str(fact)
    plain = text and text.isprintable() and not any(c in ' "=\\' for c in text)
    return text if plain else json.dumps(text, ensure_ascii=False)
