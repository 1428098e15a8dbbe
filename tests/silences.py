"""Faults that keep a synth silent, each planted in an output of its own, for tests of the verdicts.

Every output hears the same sequencer (`PLAYED`), unless its fault is what the sequencer does. The
harbour's synths listen on channel 5 and play C1 to C7.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import dedent, indent

MS, S = 1_000_000, 1_000_000_000
Messages = list[tuple[int, bytes]]

DEVICE = """\
device: Harbour Tug
channel: 5
voices: 2
receives: [note, velocity, control, bend, program, clock, transport]
notes: [24, 96]
controls:
  cutoff: {cc: 74, home: 64}
  attack: {cc: 73, home: 0}
  resonance: {cc: 71, home: 20}
  hull: {nrpn: [1, 8], home: 64}
"""

CLOCK_BOX = "device: Clock Box\nchannel: 5\nreceives: [clock, transport]\n"

REMAP = "{plugin: channel_remap, map: {1: 5}}"
"""What brings the sequencer's notes to the synth's channel."""

BROKEN_PLUGIN = '''
from pointsman.plugin import PluginOptions, Plugin, hookimpl


class Winch(Plugin[PluginOptions]):
    """Moves notes to channel 5, and breaks at the first."""

    name = "winch"
    Options = PluginOptions

    def on_note_on(self, data, t_ns):
        raise RuntimeError("the rope is off")


@hookimpl
def pointsman_plugins():
    return [Winch]
'''


SWALLOWING_PLUGIN = (
    BROKEN_PLUGIN.replace("winch", "mooring")
    .replace("Winch", "Mooring")
    .replace('raise RuntimeError("the rope is off")', "return None")
)


# ---- what the sequencer does ---------------------------------------------------------------------


def clock(from_s: float, to_s: float) -> Messages:
    """Clock at 120 quarter notes a minute."""
    step = S // 48
    count = int((to_s - from_s) * 48)
    return [(int(from_s * S) + n * step, b"\xf8") for n in range(count)]


def notes(
    from_s: float, count: int = 12, *, channel: int = 1, lowest: int = 48, velocity: int = 90,
    length_ns: int = 60 * MS, apart_ns: int = 100 * MS, behind: bytes = b"",
) -> Messages:  # fmt: skip
    """Short notes in a row; `behind` is sent a little after each has begun."""
    found: Messages = []
    for n in range(count):
        t_ns, note = int(from_s * S) + n * apart_ns, lowest + n % 12
        found.append((t_ns, bytes((0x90 | channel - 1, note, velocity))))
        if behind:
            found.append((t_ns + min(MS, length_ns // 2), behind))
        found.append((t_ns + length_ns, bytes((0x80 | channel - 1, note, 64))))
    return found


def at(t_s: float, *messages: str) -> Messages:
    """Messages in hex, at one time."""
    return [(int(t_s * S), bytes.fromhex(text)) for text in messages]


def merged(*parts: Messages) -> Messages:
    """All in the order of their times."""
    return sorted((item for part in parts for item in part), key=lambda item: item[0])


PLAYED = merged(at(0, "FA"), clock(0, 1.4), notes(0.1), at(1.4, "FC"))
"""What a sequencer plays when all is well: a short song, notes C3 to B3 on channel 1."""


def song(*more: Messages) -> Messages:
    """A song with other notes."""
    return merged(at(0, "FA"), clock(0, 1.4), *more, at(1.4, "FC"))


@dataclass(frozen=True)
class Fault:
    """One fault: the output that has it, what the sequencer plays, and which verdict is right.

    `before` is what the sequencer had set or held long before. `live`: it is no matter of messages
    and can only be planted in a running service.
    """

    name: str
    verdict: str
    output: str = ""
    played: Sequence[tuple[int, bytes]] = tuple(PLAYED)
    before: Sequence[str] = ()
    rest: str = ""
    input_chain: str = ""
    live: str = ""


def chain(*entries: str) -> str:
    """An output's chain, and its device."""
    lines = "".join(f"  - {entry}\n" for entry in entries)
    return f"device: tug.yaml\nchain:\n{lines}"


FAULTS = [
    Fault("the cable from the sequencer is out", "nothing_came", chain(REMAP), ()),
    Fault("the track is muted, the clock runs", "clock_only", chain(REMAP),
          song()),
    Fault("the track is set to channel 3", "stopped_channel_remap",
          chain("{plugin: channel_remap, map: {1: 5}, others: drop}"),
          song(notes(0.1, channel=3))),
    Fault("a filter that was meant for another synth", "stopped_message_filter",
          chain(REMAP, "{plugin: message_filter, pass: [clock, transport]}")),
    Fault("the keyboard was split elsewhere", "stopped_note_range",
          chain("{plugin: note_range, low: C5}", REMAP)),
    Fault("velocity brought down to next to nothing", "velocity",
          chain(REMAP, "{plugin: velocity, to: [1, 4]}")),
    Fault("volume left at 0, and a range that cuts some notes", "volume",
          chain("{plugin: note_range, low: D3}", REMAP),
          merged(at(0.05, "B0 07 00"), PLAYED)),
    Fault("expression scaled to nothing, and resonance at the top", "volume",
          chain(REMAP, "{plugin: cc_scale, control: expression, to: [0, 0]}"),
          merged(at(0.05, "B0 0B 64", "B0 47 7F"), PLAYED)),
    Fault("cutoff left at 0 ten minutes ago", "extreme", chain(REMAP), before=["B0 4A 00"]),
    Fault("attack full from a wheel that was mapped to it", "extreme",
          chain("{plugin: cc_map, map: {modulation: attack}}", REMAP),
          merged(at(0.05, "B0 01 7F"), PLAYED)),
    Fault("the synth's plug is out", "port_gone", chain(REMAP), live="pulled"),
    Fault("a slow wire full of an lfo", "wire_full",
          "wire: 300\n" + chain(
              REMAP, "{plugin: lfo, control: 20, channel: 5, rate: 5Hz, depth: 60, center: 64}",
              "{plugin: cc_map, map: {20: {nrpn: [1, 9]}}}")),
    Fault("a plugin that moved the notes has failed", "bypassed", chain("{plugin: winch}"),
          rest="plugins: {folders: [plugins]}"),
    Fault("nobody moves the notes to the synth's channel", "wrong_channel",
          chain("{plugin: channel_remap, map: {2: 5}}")),
    Fault("the synth takes clock alone", "not_received",
          "device: clock-box.yaml\nchain: [" + REMAP + "]\n"),
    Fault("a gate for a bar that never comes", "stopped_bar_gate",
          chain(REMAP, "{plugin: bar_gate, play: [7], of: 8}")),
    Fault("notes that a guard ends at once", "too_short",
          chain("{plugin: note_guard, longest: 1ms}", REMAP)),
    Fault("a key that hangs, and no voice to steal", "stopped_note_limit",
          chain(REMAP, "{plugin: note_limit, voices: 1, steal: none}"), before=["90 28 40"]),
    Fault("moved five octaves up", "out_of_range",
          chain(REMAP, "{plugin: transpose, semitones: 60}")),
    Fault("the sequencer sends All Notes Off behind each note", "cut_off", chain(REMAP),
          song(notes(0.1, behind=b"\xb0\x7b\x00"))),
]  # fmt: skip
"""The twenty that the rules were written beside."""

HEALTHY = [
    Fault("all is well", "all_well", chain(REMAP)),
    Fault("a split keyboard of which it gets a third", "all_well",
          chain("{plugin: note_range, low: C3, high: D#3}", REMAP)),
    Fault("one of three synths, by channel", "all_well",
          chain("{plugin: channel_remap, map: {1: 5}, others: drop}"),
          merged(PLAYED, notes(0.12, channel=2), notes(0.14, channel=3))),
    Fault("pan at the left, resonance at the top, modulation full", "all_well", chain(REMAP),
          merged(at(0.05, "B0 0A 00", "B0 47 7F", "B0 01 7F"), PLAYED)),
    Fault("short drum triggers, and a bar in two", "all_well",
          chain(REMAP, "{plugin: bar_gate, play: [1], of: 2}"),
          merged(at(0, "FA"), clock(0, 3), notes(0.1, 28, length_ns=10 * MS), at(3, "FC"))),
]  # fmt: skip
"""Where nothing of ours is wrong, however it looks."""


HELD_OUT = [
    Fault("a filter before the split", "stopped_message_filter", chain(REMAP),
          input_chain="{plugin: message_filter, drop: [note]}"),
    Fault("a step has picked a channel where nobody listens", "wrong_channel",
          chain("{plugin: channel_select, control: 80, from_channel: 1, to: {1: 5, 2: 9}, "
                "default: 5}"),
          merged(at(0.05, "B0 50 02"), PLAYED)),
    Fault("bent down four octaves, and volume low but not off", "bent_out_of_range", chain(REMAP),
          merged(at(0.05, "B0 65 00", "B0 64 00", "B0 06 30", "E0 00 00", "B0 07 1E"), PLAYED)),
    Fault("ten seconds of delay in place of ten milliseconds", "delay",
          "delay: 10s\n" + chain(REMAP)),
    Fault("a plugin of one's own that swallows notes", "stopped_entry",
          chain(REMAP, "{plugin: mooring}"), rest="plugins: {folders: [plugins]}"),
    Fault("a wheel at rest that was mapped to volume", "volume",
          chain("{plugin: cc_map, map: {modulation: channel_volume}}", REMAP),
          merged(at(0.05, "B0 01 00", "B0 47 7F"), PLAYED)),
    Fault("notes for a second, then twenty of clock", "notes_ceased", chain(REMAP),
          merged(at(0, "FA"), clock(0, 20), notes(0.1))),
    Fault("a pattern that has sent another program", "program",
          "opening: [{program: 12, channel: 5}]\n" + chain(REMAP),
          merged(at(0.05, "C0 4D", "B0 0A 00"), PLAYED)),
    Fault("a bypass that was left in the rig", "bypassed",
          chain("{plugin: channel_remap, map: {1: 5}, bypass: true}")),
    Fault("notes without ends, and voices that none gives up", "stopped_note_limit",
          chain(REMAP, "{plugin: note_limit, voices: 2, steal: none}"),
          [(t, d) for t, d in merged(song(notes(0.1)), notes(8)) if d[0] != 0x80]),
]  # fmt: skip
"""Written when the rules were done, and not looked at while they were made."""


def rig_text(
    faults: Sequence[Fault], source: str = "null:", port: str = "null:", first: int = 1
) -> str:
    """A rig with an output for each fault, `out1` and so on; `port` may have {name} in it."""
    text = f'input:\n  port: "{source}"\n  chain: [{faults[0].input_chain}]\noutputs:\n'
    for number, fault in enumerate(faults, first):
        name = f"out{number}"
        own = "" if fault.output.startswith("port:") else f'port: "{port.format(name=name)}"\n'
        text += f"  {name}:\n{indent(own + dedent(fault.output), '    ')}\n"
    return text + "".join(f"{rest}\n" for rest in dict.fromkeys(f.rest for f in faults) if rest)


def write_beside(folder: Path) -> None:
    """The device files and the plugin that the rigs name."""
    (folder / "tug.yaml").write_text(DEVICE)
    (folder / "clock-box.yaml").write_text(CLOCK_BOX)
    (folder / "plugins").mkdir(mode=0o755, exist_ok=True)
    (folder / "plugins" / "winch.py").write_text(BROKEN_PLUGIN)
    (folder / "plugins" / "mooring.py").write_text(SWALLOWING_PLUGIN)


def write_rig(folder: Path, faults: Sequence[Fault]) -> Path:
    """A rig with everything beside it."""
    write_beside(folder)
    path = folder / "harbour.yaml"
    path.write_text(rig_text(faults))
    return path


def of_messages(faults: Sequence[Fault]) -> Iterator[Fault]:
    """Those that a capture shows."""
    return (fault for fault in faults if not fault.live)
