"""What sounds on one output, and which held input note began it.

How this works. Every note is a small number, channel * 128 + note. `sounding` counts note-ons
less note-offs for each note that was sent: two note-ons on one key need two note-offs (MIDI 1.0,
4.2.1, p. A-4). Most synths have one voice for two strikes of one key, and end it with the first
note-off: from then on the note is voiceless.

A *strike* is one note-on at the input, with the notes that it began on all outputs; the strikes of
one input note wait in a queue for their note-offs. The held strikes that began a note *claim* it.
All ledgers of an engine share their `Strikes`, so that a note is entered there once however many
outputs it goes to.

From these follows rule 1, a note-off goes where its note-on went, whatever the plugins do:
once the input has let a note go, none of the notes it began may sound more often than the
strikes that are still held claim it. `missing_offs` names the note-offs that are missing, and
`note_off` refuses one that would go elsewhere.

All Notes Off and All Sound Off end what sounds, but a receiver may ignore the first, and neither
replaces note-offs (p. 20). So the notes they ended still count, and still get the input's
note-offs; `_silenced` says how many of them, the oldest, a release need not end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

MAX_STRIKES = 8
"""Strikes of one key that are told apart; a sender that never lets go must not fill the memory.

Beyond it the oldest two become one."""

OUTPUT_BITS = 12
"""So many bits of a number in a strike are the note's; the rest are the place of its output."""

ON_ITS_OUTPUT = (1 << OUTPUT_BITS) - 1
LATE = 1 << OUTPUT_BITS - 1
"""No note: it stands in a strike for an output that has come after it."""


def note_key(data: bytes) -> int:
    """The number of the note that a note-on or note-off is about."""
    return (data[0] & 0x0F) << 7 | data[1]


def channel_and_note(key: int) -> tuple[int, int]:
    """The channel (1-16) and the note number that a note's number stands for."""
    return (key >> 7) + 1, key & 0x7F


class Strikes:
    """The held notes of the input, and what each of them began on any output.

    What a strike began is numbered over all outputs: the place of the output's ledger, times
    4096, and the note's own number.
    """

    def __init__(self) -> None:
        self.beginning: list[int] | None = None
        """The strike that notes belong to which start now."""
        self.ending: list[int] | None = None
        """The strike that is let go of now."""
        self._cause = -1
        self._held: dict[int, list[list[int]]] = {}
        self._ledgers: list[Ledger] = []

    def new_ledger(self) -> Ledger:
        """A ledger for one more output."""
        ledger = Ledger(self, len(self._ledgers))
        self._ledgers.append(ledger)
        return ledger

    def forget(self) -> None:
        """The input is gone, or another: what it held down it will not let go of."""
        self._held.clear()

    def begin(self, cause: int) -> None:
        """From now on, until `begun`, notes that start belong to input note `cause`."""
        beginning: list[int] = []
        self.beginning = beginning
        strikes = self._held.get(cause)
        if strikes is None:
            self._held[cause] = [beginning]
            return
        if len(strikes) == MAX_STRIKES:
            oldest, following = strikes.pop(0), strikes[0]
            following += [note for note in oldest if note not in following]
        strikes.append(beginning)

    def begun(self) -> None:
        """The input's note-on is dealt with."""
        self.beginning = None

    def end(self, cause: int) -> None:
        """From now on, until `ended`, note-offs are those of input note `cause`."""
        self._cause = cause
        strikes = self._held.get(cause)
        if strikes:
            self.ending = strikes.pop(0)
            if not strikes:
                del self._held[cause]

    def ended(self) -> list[int]:
        """The input's note-off is dealt with: what its strike began, if any of it still sounds."""
        ending, self.ending = self.ending, None
        if ending:
            ledgers = self._ledgers
            for note in ending:
                if note & ON_ITS_OUTPUT in ledgers[note >> OUTPUT_BITS].sounding:
                    return ending
        return []

    def lets_pass(self, ending: list[int], note: int, count: int) -> bool:
        """Whether a note-off may pass that is none of the strike `ending`, which is let go of.

        The note has `count` strikes on its output. It may if that output has come after the
        strike, if it ends another strike of the same input note, and if nothing claims the note.
        """
        late = note & ~ON_ITS_OUTPUT | LATE
        return late in ending or self._ends_another(ending, note) or count > self.claims(note)

    def claims(self, note: int) -> int:
        """How many of the held strikes began this note."""
        return sum(strike.count(note) for strike in self.held())

    def held(self) -> Iterator[list[int]]:
        """Every strike that is held."""
        return chain.from_iterable(self._held.values())

    def _ends_another(self, ending: list[int], note: int) -> bool:
        """Whether the plugins chose to end a later strike of the same input note, not the first.

        One that left the first strike out has only the later one to end. Then, for that output,
        the two change places.
        """
        later = next((strike for strike in self._held.get(self._cause, ()) if note in strike), None)
        if later is None:
            return False
        place = note >> OUTPUT_BITS
        (ended, others), (later_ended, later_others) = _parted(ending, place), _parted(later, place)
        ending[:] = others + later_ended
        later[:] = later_others + ended
        return True


def _parted(strike: list[int], place: int) -> tuple[list[int], list[int]]:
    """What a strike began on one output, and on the others."""
    there = [note for note in strike if note >> OUTPUT_BITS == place]
    return there, [note for note in strike if note >> OUTPUT_BITS != place]


class Ledger:
    """The sounding notes of one output. `Strikes.new_ledger` makes it."""

    def __init__(self, strikes: Strikes, place: int) -> None:
        self.sounding: dict[int, int] = {}
        self.notes = self.most_voices = 0
        """How many notes have begun, and how many voices they have needed at once, at most."""
        self.channels: set[int] = set()
        """The channels (0-15) on which any note was ever sent."""
        self._strikes = strikes
        self._first = place << OUTPUT_BITS
        self._silenced: dict[int, int] = {}
        self._voiceless: set[int] = set()
        """Of those that sound the notes that have no voice any more."""

    def come_late(self) -> None:
        """The output has come while notes were held: it knows nothing of what began them."""
        for strike in self._strikes.held():
            strike.append(self._first + LATE)

    def missing_offs(self, ended: list[int]) -> list[int]:
        """Of a strike that has ended the notes that sound here though nothing claims them.

        A note stands here once for every note-off that is missing.
        """
        there, _ = _parted(ended, self._first >> OUTPUT_BITS)
        return self._beyond_claims(dict.fromkeys(note & ON_ITS_OUTPUT for note in there))

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
        beginning = self._strikes.beginning
        if beginning is not None:
            beginning.append(self._first + key)

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
        ending = self._strikes.ending
        if (
            ending is not None
            and (note := self._first + key) not in ending
            and not self._strikes.lets_pass(ending, note, count)
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

    def unended(self) -> list[int]:
        """Every note that was struck, once for each note-off that it has not had yet."""
        return [key for key, count in self.sounding.items() for _ in range(count)]

    def unclaimed(self) -> list[int]:
        """What sounds though no held strike began it, once for every note-off that ends it."""
        return self._beyond_claims(self.sounding)

    def clear_channel(self, channel: int) -> None:
        """All Sound Off or All Notes Off was sent on `channel` (0-15)."""
        for key in [key for key in self.sounding if key >> 7 == channel]:
            self._silenced[key] = self.sounding[key]
            self._voiceless.add(key)

    def _beyond_claims(self, keys: Iterable[int]) -> list[int]:
        sounding, claims, first = self.sounding, self._strikes.claims, self._first
        return [k for k in keys if k in sounding for _ in range(sounding[k] - claims(first + k))]
