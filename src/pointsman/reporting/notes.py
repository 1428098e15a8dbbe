"""The notes of one row: when each began and ended, why it ended, and what made it."""

from __future__ import annotations

from array import array
from enum import IntEnum


class End(IntEnum):
    """Why a note ended."""

    NEVER = 0
    LET_GO = 1
    STOLEN = 2
    CUT = 3
    RELEASED = 4
    AGAIN = 5
    SILENCED = 6


class Notes:
    """Notes in the order in which they began; times are in microseconds.

    A key is channel * 128 + note number, the channel 0-15. `causes` are the numbers of the notes of
    the input that they were made from, or -1. An end of -1: it has not ended yet.
    """

    def __init__(self) -> None:
        self.begins = array("q")
        self.ends = array("q")
        self.keys = array("H")
        self.velocities = array("B")
        self.kinds = array("B")
        self.on_traces = array("H")
        self.off_traces = array("H")
        self.causes = array("i")
        self.sounding: dict[int, list[int]] = {}
        """What sounds: the numbers of its notes, by key, the oldest first."""
        self.at_once = [0] * 16
        """How many sound on each channel."""

    def __len__(self) -> int:
        return len(self.begins)

    def begin(self, t_us: int, key: int, velocity: int, trace: int = 0, cause: int = -1) -> int:
        """A note begins; returns its number."""
        number = len(self.begins)
        self.begins.append(t_us)
        self.ends.append(-1)
        self.keys.append(key)
        self.velocities.append(velocity)
        self.kinds.append(End.NEVER)
        self.on_traces.append(trace)
        self.off_traces.append(0)
        self.causes.append(cause)
        self.sounding.setdefault(key, []).append(number)
        if len(self.sounding[key]) == 1:
            self.at_once[key >> 7] += 1
        return number

    def oldest(self, key: int) -> int | None:
        """The number of the note that the next note-off for this key ends."""
        numbers = self.sounding.get(key)
        return numbers[0] if numbers else None

    def end(self, t_us: int, key: int, kind: End, trace: int = 0) -> int | None:
        """The oldest note of this key ends; returns its number, None if there is none."""
        numbers = self.sounding.get(key)
        if not numbers:
            return None
        number = numbers.pop(0)
        self.ends[number] = t_us
        self.kinds[number] = kind
        self.off_traces[number] = trace
        if not numbers:
            del self.sounding[key]
            self.at_once[key >> 7] -= 1
        return number

    def end_channel(self, t_us: int, channel: int, kind: End, trace: int = 0) -> None:
        """All notes of a channel (0-15) end."""
        for key in [key for key in self.sounding if key >> 7 == channel]:
            while key in self.sounding:
                self.end(t_us, key, kind, trace)

    def count(self, kind: End) -> int:
        """How many ended so."""
        return self.kinds.tobytes().count(kind)
