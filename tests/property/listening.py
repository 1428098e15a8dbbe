"""Plays input through a rig, and listens as the synths behind the outputs would."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from gen_input import Event, begins_note, ends_note, note_of
from hypothesis import strategies as st

from pointsman.engine import Engine, EngineObserver
from pointsman.message import ALL_NOTES_OFF, ALL_SOUND_OFF, is_message
from pointsman.rig import Rig

Sent = tuple[str, int, bytes]
"""What left: the output, when in nanoseconds, and the message."""

AFTER_ALL_NS = 100_000_000_000
"""Later than anything that these rigs have waiting."""


@dataclass
class Synth:
    """The notes that one output has sounding, as note-ons less note-offs for each key.

    Two note-ons on one key need two note-offs, and one too many does no harm (MIDI 1.0, 4.2.1,
    p. A-4). All Notes Off is optional for a receiver and no replacement for note-offs (p. 20):
    a synth that ignores it and All Sound Off is the harder one to please; `obeys` makes one
    that does not.
    """

    obeys: bool = False
    sounding: Counter[tuple[int, int]] = field(default_factory=Counter)

    def hear(self, data: bytes) -> None:
        """Take one message."""
        if self.obeys and data[0] & 0xF0 == 0xB0 and data[1] in (ALL_SOUND_OFF, ALL_NOTES_OFF):
            for note in [note for note in self.sounding if note[0] == data[0] & 0x0F]:
                del self.sounding[note]
        elif begins_note(data):
            self.sounding[note_of(data)] += 1
        elif ends_note(data) and self.sounding[note_of(data)] > 1:
            self.sounding[note_of(data)] -= 1
        elif ends_note(data):
            del self.sounding[note_of(data)]


class Listener:
    """An engine, with all that left it. Whatever is sent must be legal, and never back in time."""

    def __init__(
        self, rig: Rig, *, obeys: bool = False, observe: EngineObserver | None = None
    ) -> None:
        self.sent: list[Sent] = []
        self.synths = {spec.name: Synth(obeys) for spec in rig.outputs}
        self._last_ns = 0
        self._obeys = obeys
        self.engine = Engine(rig, self._send, observe=observe)

    def _send(self, output: str, data: bytes, t_ns: int) -> None:
        assert type(data) is bytes
        assert is_message(data), f"{data.hex(' ')} is no MIDI message"
        assert type(t_ns) is int
        assert t_ns >= self._last_ns, "time went down"
        self._last_ns = t_ns
        self.sent.append((output, t_ns, data))
        self.synths.setdefault(output, Synth(self._obeys)).hear(data)

    def play(self, events: list[Event]) -> None:
        """Take a stretch of input."""
        for t_ns, data in events:
            self.engine.receive(data, t_ns)

    @property
    def counts(self) -> list[tuple[int, ...]]:
        """What the engine has counted, for outputs and entries."""
        outputs = self.engine.outputs.values()
        chains = [self.engine.input_chain, *(output.chain for output in outputs)]
        return [
            *((o.received, o.sent, o.notes, o.most_voices) for o in outputs),
            *((e.changed, e.dropped, e.added) for chain in chains for e in chain.entries),
        ]

    @property
    def sounding(self) -> dict[str, list[tuple[int, int]]]:
        """The notes that sound, for each output that has any."""
        found = {name: sorted(synth.sounding.elements()) for name, synth in self.synths.items()}
        return {name: notes for name, notes in found.items() if notes}


def play_in_pieces(engine: Engine, events: list[Event], data: st.DataObject) -> None:
    """Take a stretch of input, told the time at odd moments between, until nothing is due."""
    now_ns = 0
    for t_ns, message in events:
        for _ in range(data.draw(st.integers(0, 2))):
            now_ns = data.draw(st.integers(now_ns, t_ns))
            engine.advance(now_ns)
        engine.receive(message, t_ns)
        now_ns = t_ns
    while (due_ns := engine.next_due_ns) is not None:
        engine.advance(max(now_ns, due_ns))


def render(rig: Rig, events: list[Event]) -> list[Sent]:
    """All that leaves a rig for this input, with the end long after it."""
    listener = Listener(rig)
    listener.engine.start(0)
    listener.play(events)
    listener.engine.advance(AFTER_ALL_NS)
    listener.engine.close(AFTER_ALL_NS)
    return listener.sent
