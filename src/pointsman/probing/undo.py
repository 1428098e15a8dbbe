"""What a probe has to undo however it ends: notes that sound, controls that are away."""

from __future__ import annotations

from pointsman.message import note_off


class Undo:
    """Hears what is sent, and knows what ends it."""

    def __init__(self) -> None:
        self._sounding: dict[tuple[int, int], None] = {}
        self._away: dict[str, tuple[bytes, ...]] = {}

    def note(self, data: bytes) -> None:
        """Hear a message. Tell it before it is sent: a note-off too many does no harm."""
        kind, key = data[0] & 0xF0, (data[0] & 0x0F, data[1] if len(data) > 1 else 0)
        if kind == 0x90 and data[2]:
            self._sounding[key] = None
        elif kind in (0x80, 0x90):
            self._sounding.pop(key, None)

    def away(self, what: str, back: tuple[bytes, ...]) -> None:
        """`back` is what puts `what` back."""
        self._away[what] = back

    def back(self, what: str) -> tuple[bytes, ...]:
        """What puts it back; it stays to be done until `done`."""
        return self._away.get(what, ())

    def done(self, what: str) -> None:
        """It is back."""
        self._away.pop(what, None)

    def silence(self) -> list[bytes]:
        """Note-offs for what sounds, the oldest first."""
        return [note_off(*key) for key in self._sounding]

    def messages(self) -> list[bytes]:
        """All that is to be undone: notes first, then controls."""
        return self.silence() + [data for back in self._away.values() for data in back]

    @property
    def names(self) -> list[str]:
        """What is away."""
        return list(self._away)
