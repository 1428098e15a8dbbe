"""One output as the engine sees it: its chain, its ledger, its counts, and the way out."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from pointsman.chain import Chain, Entry, Observer
from pointsman.ledger import Ledger, note_key
from pointsman.message import ALL_NOTES_OFF, ALL_SOUND_OFF, MODE, note_off
from pointsman.schedule import Schedule, Timer

Send = Callable[[str, bytes, int], None]
"""Takes what leaves: the output's name, one message, and when, in nanoseconds."""

FIRST_NOTE_ON, AFTER_NOTES = 0x90, 0xA0


class Output:
    """A chain that ends in a port."""

    def __init__(
        self,
        name: str,
        send: Send,
        schedule: Schedule,
        *,
        delay_ns: int = 0,
        longest_note_ns: int = 0,
    ) -> None:
        self.name = name
        self.ledger = Ledger()
        self.received = self.sent = self.notes = self.most_voices = 0
        self._send = send
        self._schedule = schedule
        self._delay_ns = delay_ns
        self._longest_note_ns = longest_note_ns
        self._long: dict[int, Timer] = {}
        self.chain: Chain

    def build(
        self,
        entries: list[Entry],
        on_fault: Callable[[Entry, int], None],
        observe: Observer | None,
    ) -> None:
        """Give the output its chain."""
        self.chain = Chain(entries, self.emit, on_fault, observe)

    def emit(self, key: int, data: bytes, t_ns: int) -> None:
        """The end of the chain: enter the message in the ledger and send it."""
        if key < AFTER_NOTES:
            if key >= FIRST_NOTE_ON:
                self._note_on(note_key(data), t_ns)
            elif not self._note_off(note_key(data)):
                return
        elif key >= MODE and data[1] in (ALL_SOUND_OFF, ALL_NOTES_OFF):
            self.ledger.clear_channel(key & 0x0F)
        self.sent += 1
        if self._delay_ns:
            self._schedule.at(t_ns + self._delay_ns, DelayedSend(self._send, self.name, data))
        else:
            self._send(self.name, data, t_ns)

    def _note_on(self, note: int, t_ns: int) -> None:
        ledger = self.ledger
        ledger.note_on(note)
        self.notes += 1
        voices = len(ledger.voices)
        if voices > self.most_voices:
            self.most_voices = voices
        if self._longest_note_ns:
            self._stop_timing(note)
            self._long[note] = self._schedule.at(
                t_ns + self._longest_note_ns, partial(self._end_long, note)
            )

    def _note_off(self, note: int) -> bool:
        if not self.ledger.note_off(note):
            return False
        if self._long and note not in self.ledger.sounding:
            self._stop_timing(note)
        return True

    def _stop_timing(self, note: int) -> None:
        timer = self._long.pop(note, None)
        if timer is not None:
            timer.cancel()

    def _end_long(self, note: int, t_ns: int) -> None:
        """End a note that has sounded for as long as the rig allows since it was last struck."""
        self._end([note] * self.ledger.sounding.get(note, 0), t_ns)

    def play(self, key: int, data: bytes, t_ns: int) -> None:
        """Send one message of the input through the chain."""
        self.received += 1
        self.chain.run(0, key, data, t_ns)

    def end_strike(self, t_ns: int) -> None:
        """The input has let a note go: send what note-offs the chain has kept back."""
        if missing := self.ledger.missing_offs():
            self._end(missing, t_ns)

    def _end(self, notes: list[int], t_ns: int) -> None:
        """Send a note-off for each of these, past the chain."""
        for note in notes:
            off = note_off(note >> 7, note & 0x7F)
            self.emit(off[0], off, t_ns)

    def end_notes(self, t_ns: int) -> None:
        """The first half of a release: note-offs for what sounds."""
        self._end(self.ledger.all_sounding(), t_ns)

    def flush(self, t_ns: int) -> None:
        """The second half: whatever each plugin has to put back."""
        self.chain.flush_all(t_ns)

    def end_unclaimed(self, t_ns: int) -> None:
        """Note-offs for notes that no held note of the input began: a failed plugin left them."""
        self._end(self.ledger.unclaimed(), t_ns)


class DelayedSend:
    """A message on its way out of an output that has a delay."""

    __slots__ = ("data", "name", "send")

    def __init__(self, send: Send, name: str, data: bytes) -> None:
        self.send = send
        self.name = name
        self.data = data

    def __call__(self, t_ns: int) -> None:
        """Send it."""
        self.send(self.name, self.data, t_ns)
