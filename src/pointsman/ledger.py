"""What sounds on one output, and which held input note began it.

How this works. Every note is a small number, channel * 128 + note. `sounding` counts note-ons
less note-offs for each note that was sent: two note-ons on one key need two note-offs (MIDI 1.0,
4.2.1, p. A-4). Most synths have one voice for two strikes of one key, and end it with the first
note-off: from then on the note is voiceless.

A *strike* is one note-on at the input, with the notes that it began here; the strikes of one
input note wait in a queue for their note-offs. The held strikes that began a note *claim* it.

From these follows rule 1, a note-off goes where its note-on went, whatever the plugins do:
once the input has let a note go, none of the notes it began may sound more often than the
strikes that are still held claim it. `end_strike` names the note-offs that are missing, and
`note_off` refuses one that would go elsewhere.

All Notes Off and All Sound Off end what sounds, but a receiver may ignore the first, and neither
replaces note-offs (p. 20). So the notes they ended still count, and still get the input's
note-offs; `_silenced` says how many of them, the oldest, a release need not end.
"""

from __future__ import annotations

from collections.abc import Iterable

MAX_STRIKES = 8
"""Strikes of one key that are told apart; a sender that never lets go must not fill the memory.

Beyond it the oldest two become one."""


def note_key(data: bytes) -> int:
    """The number of the note that a note-on or note-off is about."""
    return (data[0] & 0x0F) << 7 | data[1]


def channel_and_note(key: int) -> tuple[int, int]:
    """The channel (1-16) and the note number that a note's number stands for."""
    return (key >> 7) + 1, key & 0x7F


class Ledger:
    """The sounding notes of one output."""

    def __init__(self) -> None:
        self.sounding: dict[int, int] = {}
        self.notes = self.most_voices = 0
        """How many notes have begun, and how many voices they have needed at once, at most."""
        self.channels: set[int] = set()
        """The channels (0-15) on which any note was ever sent."""
        self._strikes: dict[int, list[list[int]]] = {}
        self._silenced: dict[int, int] = {}
        self._voiceless: set[int] = set()
        """Of those that sound the notes that have no voice any more."""
        self._beginning: list[int] | None = None
        self._ending: list[int] | None = None
        self._cause = -1

    def forget_strikes(self) -> None:
        """The input is gone, or another: what it held down it will not let go of."""
        self._strikes.clear()

    def begin_strike(self, cause: int) -> None:
        """From now on, until `strike_begun`, notes that start belong to input note `cause`."""
        beginning: list[int] = []
        self._beginning = beginning
        strikes = self._strikes.get(cause)
        if strikes is None:
            self._strikes[cause] = [beginning]
            return
        if len(strikes) == MAX_STRIKES:
            oldest, following = strikes.pop(0), strikes[0]
            following += [key for key in oldest if key not in following]
        strikes.append(beginning)

    def strike_begun(self) -> None:
        """The input's note-on is dealt with."""
        self._beginning = None

    def end_strike(self, cause: int) -> None:
        """From now on, until `missing_offs`, note-offs are those of input note `cause`."""
        self._cause = cause
        strikes = self._strikes.get(cause)
        if strikes:
            self._ending = strikes.pop(0)
            if not strikes:
                del self._strikes[cause]

    def missing_offs(self) -> list[int]:
        """The input's note-off is dealt with: the notes that it should have ended and did not.

        A note stands here once for every note-off that is missing.
        """
        ending, self._ending = self._ending, None
        if ending:
            sounding = self.sounding
            for key in ending:
                if key in sounding:
                    return self._beyond_claims(dict.fromkeys(ending))
        return []

    def note_on(self, key: int) -> None:
        """Note that a note-on was sent."""
        self.notes += 1
        sounding = self.sounding
        if key in sounding:
            self._strike_again(key)
        else:
            sounding[key] = 1
            self.channels.add(key >> 7)
            if len(sounding) > self.most_voices:
                self._count_voices()
        beginning = self._beginning
        if beginning is not None:
            beginning.append(key)

    def _count_voices(self) -> None:
        self.most_voices = max(self.most_voices, len(self.sounding) - len(self._voiceless))

    def _strike_again(self, key: int) -> None:
        if key in self._voiceless:
            self._voiceless.remove(key)
            self._count_voices()
        if self.sounding[key] < MAX_STRIKES:
            self.sounding[key] += 1
        elif self._silenced.get(key):
            self._silenced[key] -= 1

    def note_off(self, key: int) -> bool:
        """Note that a note-off is to be sent; False when it belongs elsewhere and must not be.

        A note-off that answers no note-on we know of passes: it does no harm, and an output that
        no plugin is concerned with stays as it came.
        """
        count = self.sounding.get(key, 0)
        ending = self._ending
        if (
            ending is not None
            and key not in ending
            and not self._ends_another_strike(key)
            and count <= self._claims(key)
        ):
            return False
        if count == 1:
            del self.sounding[key]
            if self._silenced:
                self._silenced.pop(key, None)
            if self._voiceless:
                self._voiceless.discard(key)
        elif count:
            self.sounding[key] = count - 1
            self._voiceless.add(key)
            if self._silenced.get(key):
                self._silenced[key] -= 1
        return True

    def all_sounding(self) -> list[int]:
        """Every note that sounds, the oldest first, once for every note-off that ends it."""
        silenced = self._silenced
        return [k for k, count in self.sounding.items() for _ in range(count - silenced.get(k, 0))]

    def unclaimed(self) -> list[int]:
        """What sounds though no held strike began it, once for every note-off that ends it."""
        return self._beyond_claims(self.sounding)

    def clear_channel(self, channel: int) -> None:
        """All Sound Off or All Notes Off was sent on `channel` (0-15)."""
        for key in [key for key in self.sounding if key >> 7 == channel]:
            self._silenced[key] = self.sounding[key]
            self._voiceless.add(key)

    def _ends_another_strike(self, key: int) -> bool:
        """Whether the plugins chose to end a later strike of the same input note, not the first.

        They may: one that left the first strike out has only the later one to end.
        """
        strikes = self._strikes.get(self._cause, [])
        place = next((n for n, strike in enumerate(strikes) if key in strike), None)
        if place is None or self._ending is None:
            return False
        self._ending, strikes[place] = strikes[place], self._ending
        return True

    def _claims(self, key: int) -> int:
        """How many of the held strikes began this note."""
        return sum(strike.count(key) for strikes in self._strikes.values() for strike in strikes)

    def _beyond_claims(self, keys: Iterable[int]) -> list[int]:
        sounding = self.sounding
        return [k for k in keys if k in sounding for _ in range(sounding[k] - self._claims(k))]
