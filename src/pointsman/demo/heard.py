"""What a synth makes of a stream of messages: enough to say what a player would hear."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from pointsman.demo import song
from pointsman.device import Device
from pointsman.message import CLOCK, Kind, kind_of

Events = Sequence[tuple[int, bytes]]

_LOOK_NS = song.STEP_NS // 2
"""Where in a step a control is read: its note sounds by then, and the next step has not begun."""


@dataclass
class Heard:
    """What a synth on one channel heard."""

    notes: int = 0
    most_at_once: int = 0
    left_sounding: int = 0
    clocks: int = 0
    lanes: dict[str, list[int]] = field(default_factory=dict)
    left_away: list[str] = field(default_factory=list)


def listen(events: Iterable[tuple[int, bytes]], device: Device, channel: int) -> Heard:
    """Listen on `channel` (1-16) as this device would; its controls begin at home."""
    heard = Heard()
    sounding: set[int] = set()
    names = {control.cc: name for name, control in device.controls.items() if control.cc}
    homes = {name: control.home or 0 for name, control in device.controls.items()}
    values = dict(homes)
    changes: list[tuple[int, str, int]] = [(-1, name, home) for name, home in homes.items()]
    for t_ns, data in events:
        if data == CLOCK:
            heard.clocks += 1
        if data[0] >= 0xF0 or data[0] & 0x0F != channel - 1:
            continue
        kind = kind_of(data)
        if kind is Kind.NOTE_ON:
            heard.notes += 1
            sounding.add(data[1])
            heard.most_at_once = max(heard.most_at_once, len(sounding))
        elif kind is Kind.NOTE_OFF:
            sounding.discard(data[1])
        elif kind is Kind.CONTROL and data[1] in names:
            values[names[data[1]]] = data[2]
            changes.append((t_ns, names[data[1]], data[2]))
    heard.left_sounding = len(sounding)
    heard.left_away = [name for name, value in values.items() if value != homes[name]]
    heard.lanes = {name: _lane(changes, name) for name in homes}
    return heard


def _lane(changes: Iterable[tuple[int, str, int]], name: str) -> list[int]:
    """The value of a control in the middle of each step."""
    steps = song.BARS * song.STEPS_PER_BAR
    mine = [(t_ns, value) for t_ns, changed, value in changes if changed == name]
    return [
        [value for t_ns, value in mine if t_ns <= step * song.STEP_NS + _LOOK_NS][-1]
        for step in range(steps)
    ]
