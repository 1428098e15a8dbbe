"""Which of the sequencer's channels reach a channel of the synth, as the rig is now."""

from __future__ import annotations

from pointsman.engine import Engine
from pointsman.message import note_off, note_on
from pointsman.rig import Rig
from pointsman.units import NS_PER_S

_VELOCITY = 100


def reaching(rig: Rig, output: str, note: int, channel: int) -> tuple[int, ...]:
    """The channels (1-16) of the input from which a note sounds on `channel` (1-16)."""
    left: list[bytes] = []

    def send(name: str, data: bytes, t_ns: int) -> None:
        if name == output:
            left.append(data)

    engine = Engine(rig.unpaced(), send)
    engine.start(0)
    found = []
    for number in range(16):
        t_ns = 2 * number * NS_PER_S
        engine.advance(t_ns)
        left.clear()
        engine.receive(note_on(number, note, _VELOCITY), t_ns)
        engine.advance(t_ns + NS_PER_S)
        if any(data[0] == 0x90 | channel - 1 and data[2] for data in left):
            found.append(number + 1)
        engine.receive(note_off(number, note), t_ns + NS_PER_S)
    return tuple(found)
