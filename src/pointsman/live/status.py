"""What a running rig says of itself, as plain data: the answer to `pointsman status`."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from typing import Any

from pointsman.chain import Chain
from pointsman.engine import Engine
from pointsman.ledger import channel_and_note
from pointsman.live.link import Link, OutputLink
from pointsman.live.links import Links
from pointsman.live.service import Service
from pointsman.output import Output
from pointsman.transport import Transport, jitter_us
from pointsman.units import NS_PER_S

_BAR_CLOCKS = 96


class Pace:
    """Messages a second, in and out, from counts that are looked at now and then."""

    def __init__(self) -> None:
        self._seen: dict[str | None, int] = {}
        self._seen_s = 0.0
        self.per_second: dict[str | None, float] = {}
        """By output; None is the input."""

    def look(self, engine: Engine, now_s: float) -> None:
        """Look at the counts now."""
        engine.settle()
        counts: dict[str | None, int] = {
            name: output.counts[1] for name, output in engine.every_output.items()
        }
        counts[None] = engine.received
        span_s = now_s - self._seen_s
        if self._seen:
            self.per_second = {
                name: round((count - self._seen.get(name, 0)) / span_s, 1)
                for name, count in counts.items()
            }
        self._seen, self._seen_s = counts, now_s


def status(service: Service, links: Links, pace: Pace, notes: Iterable[str] = ()) -> dict[str, Any]:
    """Everything that a player may want to know. It takes the engine's lock for moments.

    `notes` are lines about other trouble.
    """
    engine = service.engine
    path, latency = str(links.rig.path.resolve()), service.latency.show()  # these take longer
    with service.lock:
        engine.settle()
        wires = engine.wire_figures(service.now_ns())

    def show(name: str, output: Output, link: OutputLink) -> dict[str, Any]:
        return {
            **_link(link),
            "unsent": _unsent(service, name, link),
            "sent": output.counts[1],
            "per_second": pace.per_second.get(name, 0.0),
            "sounding": [channel_and_note(key) for key in output.ledger.sounding],
            "away": _away(output, link),
            "wire": wires[name].as_dict() if name in wires else None,
            "entries": _entries(output.chain),
        }

    outputs = _by_output(service, links, show)
    source = {
        **_link(links.input),
        "received": engine.received,
        "per_second": pace.per_second.get(None, 0.0),
        "malformed": engine.malformed,
        "gaps": links.input.gaps,
    }
    with service.lock:
        now_ns, names = service.now_ns(), engine.song_names
        return {
            "pid": os.getpid(),
            "rig": engine.rig.name,
            "path": path,
            "song": names[engine.song - 1] if engine.song else None,
            "songs": names,
            "coming": engine.coming_song,
            "running_s": round(now_ns / NS_PER_S, 1),
            "transport": _transport(engine.transport, now_ns),
            "input": source,
            "input_entries": _entries(engine.input_chain),
            "outputs": outputs,
            "latency_us": latency,
            "dropped": {
                reason: count
                for reason, count in (
                    ("no whole message", engine.malformed),
                    ("System Reset", engine.resets_dropped),
                    ("failed inside", service.failures[""].count),
                )
                if count
            },
            "panics": engine.panics,
            "notes": list(notes),
        }


def pulse(service: Service, links: Links) -> dict[str, Any]:
    """What moves with the music: a small part of `status`, cheap enough for many times a second.

    `notes` counts the note-ons that were sent, so that one shorter than the time between two
    answers is still seen to have been struck.
    """

    def show(_name: str, output: Output, link: OutputLink) -> dict[str, Any]:
        return {
            "sounding": [channel_and_note(key) for key in output.ledger.sounding],
            "notes": output.notes,
            "away": _away(output, link),
        }

    outputs = _by_output(service, links, show)
    with service.lock:
        where = _where(service.engine.transport, service.now_ns())
    return {"transport": where, "outputs": outputs}


def _by_output(
    service: Service, links: Links, show: Callable[[str, Output, OutputLink], dict[str, Any]]
) -> dict[str, dict[str, Any]]:
    """What `show` makes of each output of the rig that plays.

    The lock is held for one at a time: a message need not wait for all of them.
    """
    engine = service.engine
    playing = engine.rig
    found = {}
    for name, link in links.of(playing).items():
        with service.lock:
            if engine.rig is not playing:  # a song was chosen meanwhile
                break
            found[name] = show(name, engine.outputs[name], link)
    else:
        return found
    return _by_output(service, links, show)


def _link(link: Link) -> dict[str, Any]:
    return {
        "port": link.text,
        "found": link.found,
        "state": str(link.state),
        "times_lost": link.times_lost,
        "trouble": link.trouble,
    }


def _unsent(service: Service, name: str, link: OutputLink) -> dict[str, int]:
    """How many messages did not leave, and why."""
    found = {"the port was gone": link.unsent} if link.unsent else {}
    failures = service.failures.get(name)
    if failures is not None and failures.count:
        found[failures.last] = failures.count
    return found


def _entries(chain: Chain) -> list[dict[str, Any]]:
    rows = []
    for number, entry in enumerate(chain.entries, 1):
        changed, dropped, added = entry.counts
        rows.append(
            {
                "entry": number,
                "label": entry.label,
                "plugin": entry.name,
                "file": entry.file,
                "line": entry.line,
                "changed": changed,
                "dropped": dropped,
                "added": added,
                "bypass": entry.bypass,
                "fault": entry.fault,
            }
        )
    return rows


def _away(output: Output, link: OutputLink) -> list[dict[str, Any]]:
    """Controls that a plugin keeps away from home, and those of the synth that are not home."""
    found: dict[tuple[int, str], tuple[int, int]] = {}
    device = output.spec.device
    if device is not None and device.channel is not None:
        channel = device.channel - 1
        for name, control in device.controls.items():
            if control.home is None or control.cc is None or control.fine is not None:
                continue
            value = link.memory.value(channel, control.cc)
            if value is not None and value != control.home:
                found[channel, name] = (value, control.home)
    found |= {(c, name): (value, home) for c, name, value, home in output.chain.away()}
    return [
        {"control": name, "channel": channel + 1, "value": value, "home": home}
        for (channel, name), (value, home) in sorted(found.items())
    ]


def _transport(transport: Transport, now_ns: int) -> dict[str, Any]:
    runs = transport.clock_runs(now_ns)
    jitter = jitter_us(transport.recent_clocks()) if runs else None
    return {**_where(transport, now_ns), "clock_jitter_us": jitter}


def _where(transport: Transport, now_ns: int) -> dict[str, Any]:
    runs = transport.clock_runs(now_ns)
    started = transport.playing and transport.next_clock > 0
    return {
        "playing": transport.playing,
        "bar": transport.position // _BAR_CLOCKS + 1 if started else None,
        "tempo": round(transport.tempo_per_minute, 1) if runs and transport.tempo else None,
    }
