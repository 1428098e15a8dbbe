"""What find-channel has found, for a player: what it means, and what to write where."""

from __future__ import annotations

from collections.abc import Iterator

from pointsman.folding import folded
from pointsman.probing.reaching import reaching
from pointsman.probing.search import By, Finding, Kind
from pointsman.probing.target import Target
from pointsman.units import note_name

_HOW = {
    By.EAR: "as you heard it",
    By.MIDI: "as its own MIDI output says",
    By.METER: "as the meter says",
}


def show(finding: Finding, target: Target, note: int, others: list[str]) -> str:
    """The verdict as text, at the terminal's width. `others` are further ports to try."""
    middle_c = target.rig.middle_c_octave if target.rig else 4
    lines = {
        Kind.ONE: lambda: _one(finding, target, note),
        Kind.SEVERAL: lambda: _several(finding, target),
        Kind.ALL: lambda: _all(finding, target),
        Kind.NONE: lambda: _none(finding, target, note_name(note, middle_c), others),
    }[finding.kind]()
    return "\n".join(map(folded, lines))


def _one(finding: Finding, target: Target, note: int) -> Iterator[str]:
    channel = finding.channels[0]
    yield f"{target.name} hears channel {channel}, {_HOW[finding.by]}."
    if finding.sends_on and finding.sends_on != finding.channels:
        yield f"(It sends on channel {_listed(finding.sends_on)}.)"
    yield from _device_lines(target, channel)
    reach = reaching(target.rig, target.name, note, channel) if target.rig and target.spec else ()
    if reach and reach != (channel,):
        yield f"The rig plays it from your sequencer's channel {_listed(reach)} already."
        return
    if reach:
        yield f"As the rig is, your sequencer reaches it from channel {channel}; to use another:"
    yield from _rig_lines(target, channel)


def _device_lines(target: Target, channel: int) -> Iterator[str]:
    if target.device is None:
        yield "In its device file:"
    elif target.device.channel == channel:
        yield f"{target.device_path} says so already."
        return
    else:
        said = target.device.channel
        now = f"now it says {said}" if said else "it has none yet"
        yield f"In {target.device_path} ({now}):"
    yield f"    channel: {channel}"


def _rig_lines(target: Target, channel: int) -> Iterator[str]:
    chain = target.spec.chain if target.spec else ()
    there = next((entry for entry in chain if entry.plugin.name == "channel_remap"), None)
    left = "left of the colon is the channel that your sequencer uses for it"
    if there is not None:
        yield f"In {there.file}:{there.line}, in the channel_remap ({left}):"
        yield f"        map: {{1: {channel}}}"
        return
    where = f"In the rig, in the chain of {target.name}" if target.spec else "In the rig"
    yield f"{where} ({left}):"
    if target.spec is None:
        yield f'    port: "{target.port}"'
    if not chain:
        yield "    chain:"
    yield "      - plugin: channel_remap"
    yield f"        map: {{1: {channel}}}"
    yield "        others: drop"


def _several(finding: Finding, target: Target) -> Iterator[str]:
    yield (
        f"{target.name} sounds on several channels: {_listed(finding.channels)} "
        f"({_HOW[finding.by]})."
    )
    yield (
        "Either the synth has several parts, each on a channel of its own, or several synths are "
        "on this cable. Give each an output of its own in the rig; outputs may name one port."
    )
    yield from _rig_lines(target, finding.channels[0])


def _all(finding: Finding, target: Target) -> Iterator[str]:
    yield (
        f"{target.name} sounds on all channels, {_HOW[finding.by]}: it is set to omni, or has a "
        "part on each."
    )
    yield (
        "MIDI 1.0 recommends omni for the moment of power-up, so many synths begin there. Such a "
        "synth plays whatever is on its cable, so let nothing else through to it:"
    )
    yield from _rig_lines(target, 1)
    yield (
        "If other synths share the cable, set it to a channel of its own (its manual: basic "
        "channel, or omni off), and run find-channel again."
    )


def _none(finding: Finding, target: Target, note: str, others: list[str]) -> Iterator[str]:
    tried = _span(finding.tried)
    if finding.by is By.MIDI:
        yield (
            f"{target.name}: nothing came back from it on {tried}. Many synths do not send what "
            "they play: run this at a terminal and listen, or give --audio. If it makes no sound:"
        )
    else:
        yield f"{target.name}: no sound on {tried}. What that usually means, and what to try:"
    yield (
        "- Volume: its own knob, the mixer's channel, the amplifier. Does it sound from its own "
        "keys or pads? If not, it is no matter of MIDI. A quiet velocity may be too quiet for "
        "this sound: --velocity 80, with care."
    )
    yield (
        "- Cable and socket: from OUT of the interface to IN of the synth, not to THRU or OUT; "
        "another cable. USB and DIN of one synth are often switched in its menu (common practice)."
    )
    yield (
        "- A 3.5 mm plug: there are two wirings. RP-054 has the current sink (DIN pin 5) on the "
        "tip and the source (pin 4) on the ring; others have them the other way round. The wrong "
        "adapter is silent and does no harm (common practice). CA-033 has the circuit."
    )
    yield (
        "- A receive mode that takes clock only: many small synths have a setting for what they "
        "take from MIDI: notes, clock, or both (common practice). Does it follow Start and clock?"
    )
    yield (
        "- Local settings: a part that is off or muted, MIDI receive switched off, a pattern that "
        "plays instead, a program without sound."
    )
    if target.device and target.device.receives and "note" not in target.device.receives:
        yield f"- {target.device_path} says itself that it takes no notes (receives:)."
    if len(finding.tried) < 16:
        yield "- Another channel: not all were tried."
    yield f"- Another note: {note} was played; some synths have few: --note 36."
    if others:
        yield f"- Another port: there is also {', '.join(others)}."
    if finding.loops:
        yield "- What was sent came back, so the interface works; the cable beyond it may not."
    if finding.identities:
        yield "- It answered who it is: cable, socket and plug are right, so look at its settings."


def _listed(channels: tuple[int, ...]) -> str:
    return ", ".join(map(str, channels))


def _span(channels: tuple[int, ...]) -> str:
    whole = channels == tuple(range(channels[0], channels[-1] + 1)) and len(channels) > 1
    if len(channels) == 1:
        return f"channel {channels[0]}"
    return f"channels {channels[0]} to {channels[-1]}" if whole else f"channels {_listed(channels)}"
