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
what `ends` gives keeps back one that would go elsewhere.

All Notes Off and All Sound Off end what sounds, but a receiver may ignore the first, and neither
replaces note-offs (p. 20). So the notes they ended still count, and still get the input's
note-offs; `_silenced` says how many of them, the oldest, a release need not end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from typing import Any

Enter = Callable[[int, bytes, int], None]
"""Takes a note-on or note-off: called with its key, the message, and its time in nanoseconds."""

SendNote = Callable[[Any, bytes, int], None]
"""Takes it on from there; instead of the key comes whatever was asked for."""

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
        self._sounding: list[dict[int, int]] = []
        """What sounds on each output, by the place of its ledger."""

    def new_ledger(self) -> Ledger:
        """A ledger for one more output."""
        ledger = Ledger(self, len(self._sounding))
        self._sounding.append(ledger.sounding)
        return ledger

    def forget(self) -> None:
        """The input is gone, or another: what it held down it will not let go of."""
        self._held.clear()

    def begins(self, channel: int, go_on: Enter) -> Enter:
        """What takes note-ons of the input on `channel` (0-15).

        Notes that start while `go_on` has one belong to its strike.
        """
        first, held = channel << 7, self._held

        def begin_strike(key: int, data: bytes, t_ns: int) -> None:
            cause = first + data[1]
            beginning: list[int] = []
            self.beginning = beginning
            strikes = held.get(cause)
            if strikes is None:
                strikes = held[cause] = []
            elif len(strikes) == MAX_STRIKES:
                oldest, following = strikes.pop(0), strikes[0]
                following += [note for note in oldest if note not in following]
            strikes.append(beginning)
            go_on(key, data, t_ns)
            self.beginning = None

        return begin_strike

    def ends(self, channel: int, go_on: Enter, end_rest: Callable[[list[int], int], None]) -> Enter:
        """The same for note-offs.

        While `go_on` has one, note-offs are those of the oldest strike of its note. If any note
        that this began still sounds afterwards, `end_rest` is called with all of it and the time.
        """
        first, held, sounding = channel << 7, self._held, self._sounding

        def end_strike(key: int, data: bytes, t_ns: int) -> None:
            self._cause = cause = first + data[1]
            strikes = held.get(cause)
            self.ending = ending = strikes.pop(0) if strikes else None
            go_on(key, data, t_ns)
            self.ending = None
            if ending:
                for note in ending:
                    if note & ON_ITS_OUTPUT in sounding[note >> OUTPUT_BITS]:
                        end_rest(ending, t_ns)
                        return

        return end_strike

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
        self.most_voices = 0
        """How many voices the notes have needed at once, at most."""
        # The notes that have begun on each channel: most leave at once, when they are entered.
        self._left_at_once, self._handed_on = [0] * 16, [0] * 16
        self._ends_left_at_once = 0
        self._strikes = strikes
        self._place = place << OUTPUT_BITS
        self._silenced: dict[int, int] = {}
        self._voiceless: set[int] = set()
        """Of those that sound the notes that have no voice any more."""

    @property
    def notes(self) -> int:
        """How many notes have begun."""
        return sum(self._left_at_once) + sum(self._handed_on)

    @property
    def left_at_once(self) -> int:
        """How many note-ons and note-offs left the output when they were entered here."""
        return sum(self._left_at_once) + self._ends_left_at_once

    @property
    def channels(self) -> list[int]:
        """The channels (0-15) on which any note was ever sent."""
        begun = zip(self._left_at_once, self._handed_on, strict=True)
        return [channel for channel, counts in enumerate(begun) if any(counts)]

    def come_late(self) -> None:
        """The output has come while notes were held: it knows nothing of what began them."""
        for strike in self._strikes.held():
            strike.append(self._place | LATE)

    def missing_offs(self, ended: list[int]) -> list[int]:
        """Of a strike that has ended the notes that sound here though nothing claims them.

        A note stands here once for every note-off that is missing.
        """
        there, _ = _parted(ended, self._place >> OUTPUT_BITS)
        return self._beyond_claims(dict.fromkeys(note & ON_ITS_OUTPUT for note in there))

    def begins(self, channel: int, send: SendNote, to: Any, leaves: bool) -> Enter:
        """What enters note-ons on `channel` (0-15), and hands them to `send` with `to` before them.

        `leaves`: they have left then, and are counted in `left_at_once`.
        """
        first = channel << 7
        begun = self._left_at_once if leaves else self._handed_on
        strikes, sounding, place = self._strikes, self.sounding, self._place

        def begin_note(key: int, data: bytes, t_ns: int) -> None:
            note = first + data[1]
            begun[channel] += 1
            if note in sounding:
                self._strike_again(note)
            else:
                sounding[note] = 1
                if len(sounding) > self.most_voices:
                    self._count_voices()
            if strikes.beginning is not None:
                strikes.beginning.append(place + note)
            send(to, data, t_ns)

        return begin_note

    def ends(self, channel: int, send: SendNote, to: Any, leaves: bool) -> Enter:
        """The same for note-offs; those that belong elsewhere are not handed on.

        A note-off that answers no note-on we know of passes: it does no harm, and an output that
        no plugin is concerned with stays as it came.
        """
        first, count_sent = channel << 7, int(leaves)
        strikes, sounding, place = self._strikes, self.sounding, self._place
        silenced, voiceless = self._silenced, self._voiceless

        def end_note(key: int, data: bytes, t_ns: int) -> None:
            note = first + data[1]
            count = sounding.get(note, 0)
            ending = strikes.ending
            if (
                ending is not None
                and place + note not in ending
                and not strikes.lets_pass(ending, place + note, count)
            ):
                return
            if count == 1:
                del sounding[note]
                if silenced:
                    silenced.pop(note, None)
                if voiceless:
                    voiceless.discard(note)
            elif count:
                self._end_strike(note)
            self._ends_left_at_once += count_sent
            send(to, data, t_ns)

        return end_note

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

    def _end_strike(self, key: int) -> None:
        self.sounding[key] -= 1
        self._voiceless.add(key)
        if self._silenced.get(key):
            self._silenced[key] -= 1

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
        sounding, claims, place = self.sounding, self._strikes.claims, self._place
        return [k for k in keys if k in sounding for _ in range(sounding[k] - claims(place | k))]
