"""What a file is made of as we hand it on: items, and the map from ticks to time."""

from __future__ import annotations

from typing import NamedTuple

TEMPO = b"\xff\x51"
"""How the item of a tempo change begins; microseconds a quarter note follow, in three bytes."""

END = b"\xff\x2f"
"""The last item of every file, whole."""

DEFAULT_TEMPO_NS = 500_000_000  # a quarter note where no tempo is written (p. 9)


class SmfItem(NamedTuple):
    """One event: when it is due, its tick in the file, and its bytes.

    `data` is one whole MIDI message, or a meta event as FF, its type and its payload (no length).
    A lone FF is the message System Reset.
    """

    t_ns: int
    tick: int
    data: bytes


class TempoMap:
    """Ticks to nanoseconds and back, in integers from the last tempo change.

    A tick lasts `num / den` ns. ValueError for a division that the standard does not have.
    """

    def __init__(self, division: int) -> None:
        self.tick0 = self.ns0 = 0
        self.smpte = division >= 0x8000
        if self.smpte:  # the high byte is minus the frames a second (p. 4)
            frames, per_frame = 256 - (division >> 8), division & 0xFF
            if frames not in (24, 25, 29, 30) or not per_frame:
                raise ValueError(
                    f"SMPTE division {division:04X}; it must have 24, 25, 29 or 30 frames"
                    " a second (E8, E7, E3, E2) and 1 to 255 ticks a frame"
                )
            # 29 stands for drop-frame time code, whose frames run at 30000/1001 a second.
            self.num = 10**9 * (1001 if frames == 29 else 1)
            self.den = per_frame * (30_000 if frames == 29 else frames)
        elif division > 0:
            self.num, self.den = DEFAULT_TEMPO_NS, division
        else:
            raise ValueError(f"division {division}; it must be 1 to 32767 ticks a quarter note")

    def ns(self, tick: int) -> int:
        """The time of a tick, rounded down."""
        return self.ns0 + (tick - self.tick0) * self.num // self.den

    def tick(self, t_ns: int) -> int:
        """The nearest tick; `ns(tick)` gives that very tick back where ticks last 2 ns or more."""
        return self.tick0 + (2 * (t_ns - self.ns0) * self.den + self.num) // (2 * self.num)

    def change(self, tick: int, tempo: bytes) -> None:
        """Take up a tempo item from `tick` on; SMPTE ticks are time itself and have no tempo."""
        if not self.smpte:
            self.ns0, self.tick0, self.num = self.ns(tick), tick, quarter_ns(tempo)


def quarter_ns(tempo: bytes) -> int:
    """The length of a quarter note that a tempo item gives."""
    return int.from_bytes(tempo[2:], "big") * 1000
