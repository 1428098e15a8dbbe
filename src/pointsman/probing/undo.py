"""What a probe has to undo however it ends: notes that sound, controls that are away."""

from __future__ import annotations

from pointsman.message import note_off


class Undo:
    """Hears what is sent, and knows what ends it."""

    def __init__(self) -> None:
        self._sounding: dict[tuple[int, int], None] = {}
        self._away: dict[str, tuple[bytes, ...]] = {}
        self._struck: dict[tuple[int, int], None] = {}
        self._moved: dict[str, tuple[bytes, ...]] = {}

    def sending(self, data: bytes) -> None:
        """Hear a message that is about to be sent: from here on its note may sound."""
        if data[0] & 0xF0 == 0x90 and data[2]:
            self._sounding[data[0] & 0x0F, data[1]] = None
            self._struck[data[0] & 0x0F, data[1]] = None

    def sent(self, data: bytes) -> None:
        """Hear a message that has been sent: only now has its note ended for certain."""
        kind = data[0] & 0xF0
        if kind == 0x80 or (kind == 0x90 and not data[2]):
            self._sounding.pop((data[0] & 0x0F, data[1]), None)

    def away(self, what: str, back: tuple[bytes, ...]) -> None:
        """`back` is what puts `what` back."""
        self._away[what] = self._moved[what] = back

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

    def anew(self) -> None:
        """All that was ever sent is to be undone: a port that went may have lost what came last."""
        self._sounding.update(self._struck)
        self._away = dict(self._moved)

    @property
    def names(self) -> list[str]:
        """What is away."""
        return list(self._away)
