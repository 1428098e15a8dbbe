"""Gathers the evidence: runs the rig over what came, and watches one output.

The same engine as live, and so what it does is what was done. It runs on wires without limits and
without delays, so that whatever comes of a message stands beside it. Where the rig paces the wire,
or has a delay, it is run again as it is, only to see when the notes left.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from pointsman.chain import Entry
from pointsman.engine import Engine
from pointsman.ledger import channel_and_note
from pointsman.message import (
    AFTER_NOTES,
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    FIRST_MODE,
    FIRST_NOTE_ON,
    KIND_BY_KEY,
    NO_MESSAGE,
    is_note_on,
    key_of,
)
from pointsman.plugin import Emission, messages_of
from pointsman.render import run_out
from pointsman.rig import OutputSpec, Rig
from pointsman.why.evidence import Evidence, NoteIn, NoteOut, Tally, Told
from pointsman.why.settings import Settings
from pointsman.why.variants import only, put_in, unhindered

_SILENCING = (ALL_SOUND_OFF, ALL_NOTES_OFF)

Message = tuple[int, bytes]


@dataclass
class Case:
    """What there is to look at: messages of the input with their times, and what was before them.

    `before` brings the rig to where it was when the first came; `song` is the song that played.
    All that happens `lead_ns` before that message, so that wires are free again by then. Where no
    message came, they would have from `begun_ns` on; `now_ns` is the end, None: the last message.

    `out` has the places (output or None, number from 0) of entries that are bypassed in truth, and
    `sent` what the output was last sent in truth; None where that is not known.
    """

    messages: Iterable[Message]
    before: Sequence[bytes] = ()
    begun_ns: int = 0
    now_ns: int | None = None
    lead_ns: int = 0
    song: int = 0
    out: set[tuple[str | None, int]] = field(default_factory=set)
    sent: list[bytes] | None = None


def gather(rig: Rig, output: str, case: Case) -> Evidence:
    """The evidence about one output of a rig, or of the song of it that plays."""
    messages = list(case.messages)
    rig = only(rig, output)
    evidence = _Watch(rig, output, case).run(messages)
    if any(entry.bypass and entry.fault is None for _, entry in evidence.entries):
        free = replace(case, out=set())
        evidence.freed = _Watch(put_in(rig), output, free).run(messages)
    if _is_slow(evidence.spec):
        _time(rig, output, case, messages, evidence)
    return evidence


def spec_of(rig: Rig, output: str, song: int = 0) -> OutputSpec | None:
    """What a rig says of an output: the song of this number, or else whichever has it; or None."""
    songs: list[Rig] = [played for _, played in rig.songs.rigs]
    first = songs[song - 1 : song] if song else []
    for played in [*first, rig, *songs]:
        for spec in played.outputs:
            if spec.name == output:
                return spec
    return None


def _is_slow(spec: OutputSpec) -> bool:
    return spec.wire_rate is not None or spec.delay_ns > 0


class _Watch:
    """One run, watched."""

    def __init__(self, rig: Rig, output: str, case: Case) -> None:
        spec = spec_of(rig, output, case.song)
        assert spec is not None
        self._output = output
        self._case = case
        self.evidence = Evidence(rig, output, spec)
        self._settings = Settings(self.evidence)
        self._acts: list[tuple[Entry, bytes | None, tuple[bytes, ...]]] = []
        self._cause: bytes | None = None
        self._primed = False
        self._sounding: defaultdict[tuple[int, int], deque[NoteOut]] = defaultdict(deque)
        self._sent = 0
        self._engine = Engine(unhindered(rig), self._hear, observe=self._see)

    def run(self, messages: Sequence[Message]) -> Evidence:
        """All of it, to the end."""
        case, evidence, engine = self._case, self.evidence, self._engine
        evidence.begun_ns = messages[0][0] if messages else case.begun_ns
        prime(engine, case, evidence.begun_ns, self._acts.clear)
        self._primed = True
        panics = engine.panics
        for t_ns, data in messages:
            key = key_of(data)
            self._acts.clear()
            self._cause = None
            engine.advance(t_ns)
            self._acts.clear()
            self._cause, self._sent = data, 0
            engine.receive(data, t_ns)
            if key == NO_MESSAGE:
                continue
            evidence.came.setdefault(KIND_BY_KEY[key], Tally()).add(t_ns)
            if FIRST_NOTE_ON <= key < AFTER_NOTES:
                self._note_came(data, t_ns, pressed=engine.panics > panics)
            panics = engine.panics
        self._finish(messages[-1][0] if messages else case.begun_ns)
        return evidence

    def _finish(self, last_ns: int) -> None:
        """What is due after the last message, and how everything stands then."""
        case, evidence, engine = self._case, self.evidence, self._engine
        self._cause = None
        transport = engine.transport
        evidence.broken = transport.playing and transport.clock_runs(last_ns)
        if case.now_ns is None:
            evidence.now_ns = last_ns
            run_out(engine, last_ns, None)
        else:
            evidence.now_ns = max(case.now_ns, last_ns)
            engine.advance(evidence.now_ns)
        output = engine.every_output.get(self._output)
        evidence.entries = [(None, entry) for entry in engine.input_chain.entries]
        if output is not None:
            evidence.entries += [(self._output, entry) for entry in output.chain.entries]
            ons = [channel_and_note(key) for key in output.ledger.sounding]
            evidence.taken = [(channel - 1, note) for channel, note in ons]
        if case.sent is not None:
            self._settings.correct(case.sent)

    # ---- what is seen ------------------------------------------------------------------------

    def _see(
        self, name: str | None, entry: Entry, data: bytes | None, t_ns: int, out: Emission
    ) -> None:
        if name is None or name == self._output:
            self._acts.append((entry, data, tuple(messages_of(out))))

    def _note_came(self, data: bytes, t_ns: int, *, pressed: bool) -> None:
        note = NoteIn(t_ns, data[0] & 0x0F, data[1], self._sent, pressed=pressed)
        if not self._sent:
            stops = [
                entry
                for entry, given, made in self._acts
                if given is not None and is_note_on(given) and not any(map(is_note_on, made))
            ]
            note.stopped = stops[-1] if stops else None
        self.evidence.notes_in.append(note)

    def _hear(self, output: str, data: bytes, t_ns: int) -> None:
        """Something leaves an output."""
        if output != self._output:
            return
        key = key_of(data)
        entry = self._maker(data)
        if not self._primed:
            self._settings.hear(data, None, entry)
            return
        self._settings.hear(data, t_ns, entry, self._cause)
        self.evidence.left.setdefault(KIND_BY_KEY[key], Tally()).add(t_ns)
        if key < FIRST_NOTE_ON:
            self._note_ends(data, t_ns, entry)
        elif key < AFTER_NOTES:
            self._note_leaves(data, t_ns)
        elif data[0] & 0xF0 == 0xB0 and data[1] >= FIRST_MODE and data[1] in _SILENCING:
            self._cut(data, t_ns, entry)

    def _note_leaves(self, data: bytes, t_ns: int) -> None:
        self._sent += 1
        note = NoteOut(t_ns, data[0] & 0x0F, data[1], data[2], self._changers())
        self.evidence.notes_out.append(note)
        self._sounding[note.channel, note.note].append(note)

    def _note_ends(self, data: bytes, t_ns: int, entry: Entry | None) -> None:
        notes = self._sounding[data[0] & 0x0F, data[1]]
        if notes:
            note = notes.popleft()
            note.ended_ns, note.ender = t_ns, entry

    def _cut(self, data: bytes, t_ns: int, entry: Entry | None) -> None:
        channel = data[0] & 0x0F
        for (sounding_on, _), notes in self._sounding.items():
            if sounding_on == channel:
                for note in notes:
                    if note.cut_ns is None:
                        note.cut_ns = t_ns
                        note.cut = Told(t_ns, data[1], entry, self._cause)

    def _maker(self, data: bytes) -> Entry | None:
        """The entry that made a message what it is, its channel aside; None: it came in so."""
        for entry, given, made in reversed(self._acts):
            if data in made and data != given:
                if given is None or not _same_but_channel(given, data):
                    return entry
                data = given
        return None

    def _changers(self) -> dict[str, Entry]:
        """Which entries have given the note that leaves its channel, its note, its velocity."""
        found: dict[str, Entry] = {}
        for entry, given, made in self._acts:
            if given is None or not is_note_on(given):
                continue
            for on in filter(is_note_on, made):
                if on[0] != given[0]:
                    found["channel"] = entry
                if on[1] != given[1]:
                    found["note"] = entry
                if on[2] != given[2]:
                    found["velocity"] = entry
        return found


def prime(
    engine: Engine, case: Case, begun_ns: int, each: Callable[[], None] = lambda: None
) -> None:
    """Bring an engine to where the rig was before the first message, at `begun_ns`.

    `each` is called before each message that it takes for that.
    """
    t_ns = begun_ns - case.lead_ns
    engine.start(t_ns)
    if case.song:
        engine.choose_song(case.song, t_ns)
    for output, place in case.out:
        chain = engine.input_chain if output is None else None
        if output in engine.outputs:
            chain = engine.outputs[output].chain
        if chain is not None and place < len(chain.entries):
            engine.bypass(output, place, True, t_ns)
    for data in case.before:
        each()
        engine.receive(data, t_ns)
    engine.advance(begun_ns)


def _time(
    rig: Rig, output: str, case: Case, messages: Sequence[Message], evidence: Evidence
) -> None:
    """Run the rig as it is, and enter when the notes leave."""
    waiting: defaultdict[bytes, deque[NoteOut]] = defaultdict(deque)
    for note in evidence.notes_out:
        waiting[bytes((0x90 | note.channel, note.note))].append(note)
    primed = False

    def hear(name: str, data: bytes, t_ns: int) -> None:
        if primed and name == output and waiting.get(data[:2]) and is_note_on(data):
            waiting[data[:2]].popleft().left_ns = t_ns

    engine = Engine(rig, hear)
    prime(engine, case, evidence.begun_ns)
    primed = True
    for t_ns, data in messages:
        engine.receive(data, t_ns)
    if case.now_ns is None:
        run_out(engine, evidence.now_ns, None)
    else:
        engine.advance(evidence.now_ns)


def _same_but_channel(one: bytes, other: bytes) -> bool:
    return one[0] & 0xF0 == other[0] & 0xF0 < 0xF0 and one[1:] == other[1:]
