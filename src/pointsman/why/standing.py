"""What is wrong whatever comes: the port, the song, failed entries, the program, the clock."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pointsman.message import Kind
from pointsman.why import findings as weigh
from pointsman.why.evidence import Evidence, Told
from pointsman.why.findings import Finding, ago, bypass_command, output_line, place_of
from pointsman.words import hex_text

_SWALLOWERS = {
    "null": "which swallows everything",
    "file": "which is a file and no synth",
}


def port_gone(evidence: Evidence) -> Iterator[Finding]:
    """The output's port is not there, swallows everything, or fails."""
    live = evidence.live
    if live is None:
        return
    line, name = output_line(evidence), evidence.output
    port = live.output(name)
    if not port:
        song = live.status.get("song")
        yield Finding(
            "not_in_song",
            weigh.NOT_IN_SONG,
            f"the song that plays, {song}, has no output {name}" if song
            else f"what plays has no output {name}",
            f"it has {', '.join(live.status['outputs'])}",
            line,
            "change the song: pointsman song NAME (0: the rig itself); or add the output to it",
        )  # fmt: skip
        return
    if port["state"] != "open":
        yield Finding(
            "port_gone",
            weigh.PORT_GONE,
            f"the port of {name}, '{port['port']}', is "
            + ("lost" if port["state"] == "lost" else "not there"),
            f"{_unsent(port)} messages could not be sent; "
            + (port.get("trouble") or "it is not listed"),
            line,
            "plug the synth in again, or switch it on, and it goes on by itself; "
            "or name another port: pointsman ports",
        )
        return
    scheme, colon, _ = port["port"].partition(":")
    if colon and scheme in _SWALLOWERS:
        yield Finding(
            "swallowed",
            weigh.SWALLOWED,
            f"the port of {name} is {port['port']}, {_SWALLOWERS[scheme]}",
            f"{port['sent']} messages were sent there",
            line,
            "name the synth's port: pointsman ports",
        )
    if live.listeners == 0:
        yield Finding(
            "no_listener",
            weigh.NO_LISTENER,
            f"nothing is connected to the port of {name}, {port['port']}",
            f"{port['sent']} messages were sent to nobody",
            line,
            "connect it to the synth's port: aconnect -l lists both; or name that port in the rig",
        )
    yield from _failures(port, line, name)


def _failures(port: Mapping[str, Any], line: str, name: str) -> Iterator[Finding]:
    for reason, count in port["unsent"].items():
        once_gone = reason == "the port was gone"
        yield Finding(
            "port_was_gone" if once_gone else "port_fails",
            weigh.ONCE_GONE if once_gone else weigh.PORT_FAILS,
            f"the port of {name} was gone for a while" if once_gone
            else f"the port of {name} does not take what it is sent",
            f"{count} messages lost since the start" + ("" if once_gone else f": {reason}"),
            line,
            "see whether the plug sits firmly" if once_gone
            else "unplug the interface and plug it in again; try another socket",
        )  # fmt: skip


def _unsent(port: Mapping[str, Any]) -> int:
    return sum(port["unsent"].values())


def failed_entries(
    evidence: Evidence, symptoms: list[Finding], cured: list[Finding]
) -> Iterator[Finding]:
    """Entries that are bypassed: since they failed, by hand, or by the rig.

    `symptoms` are the findings about the notes; `cured` are those of them that would not be so if
    the bypassed entries were in. What a failed entry would do, nobody knows: it may be behind all.
    """
    live = evidence.live
    for name, entry in evidence.entries:
        fault = entry.fault or (live.fault(name, entry.place) if live is not None else "")
        if not fault and not entry.bypass:
            continue
        worst = max((f.score for f in (cured or symptoms if fault else cured)), default=0.0)
        behind = worst + weigh.A_BIT_MORE if worst else 0.0
        if fault:
            score = max(weigh.ENTRY_FAILED, behind)
            what = f"the entry {entry.label} has failed, and is bypassed since"
            shows = fault
            change = "mend the plugin, or what the rig tells it; pointsman reload puts it in again"
        else:
            score = max(weigh.HARMLESS_END, behind)
            what = f"the entry {entry.label} is bypassed"
            shows = f"with it, this would not be so: {cured[0].what}" if cured else ""
            change = (
                f"put it in again: {bypass_command(entry, evidence)} --off; "
                "or take bypass: out of the rig"
            )
        yield Finding("bypassed", score, what, shows, place_of(entry), change)


def other_program(evidence: Evidence) -> Iterator[Finding]:
    """The synth was sent another program, or bank, than it is meant to have."""
    if not evidence.hears("program"):
        return
    channels = {note.channel for note in evidence.notes_out}
    opening = {data[0] & 0x0F: data[1] for data in evidence.spec.opening if data[0] & 0xF0 == 0xC0}
    for channel in sorted(channels & set(evidence.programs)):
        told = evidence.programs[channel][-1]
        wanted = opening.get(channel)
        if wanted is not None and told.value != wanted:
            yield _program(
                evidence, channel, told, weigh.OTHER_PROGRAM, f"; the opening wants {wanted + 1}"
            )
        elif wanted is None and told.t_ns is not None and len(evidence.programs[channel]) <= 2:
            yield _program(evidence, channel, told, weigh.PROGRAM_CHANGED, "")


def _program(evidence: Evidence, channel: int, told: Told, weight: float, more: str) -> Finding:
    cause = f" by {hex_text(told.cause)} of the input" if told.cause else ""
    return Finding(
        "program",
        weight,
        f"the synth was sent program {told.value + 1} on channel {channel + 1}, which may be empty",
        f"{ago(told.t_ns, evidence)}{cause}{more}",
        place_of(told.entry) or output_line(evidence),
        "choose a program on the synth that sounds; keep others from it with program_map, or "
        "message_filter with drop: [program]",
    )


def clock_missing(evidence: Evidence) -> Iterator[Finding]:
    """The synth follows a clock, and gets none."""
    device, clocks = evidence.device, evidence.came.get(Kind.CLOCK)
    follows = device is not None and device.receives is not None and "clock" in device.receives
    if not clocks or Kind.CLOCK in evidence.left or not (follows and evidence.notes_out):
        return
    yield Finding(
        "no_clock",
        weigh.NO_CLOCK,
        "the synth gets no clock; if its arpeggiator waits for one, nothing sounds",
        f"{clocks.count} clocks came in, and none left",
        output_line(evidence),
        "let clock through, or set the synth to its own clock",
    )
