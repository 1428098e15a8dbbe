"""The engine: timestamped messages in, timestamped messages out.

It opens nothing, reads no clock, never sleeps and never logs. Live and offline run this same code,
so the same input at the same times gives the same bytes at the same times.

The life of a message: what is due before it goes first; clock, Start, Stop and the like move the
transport; the input's chain, then the chain of each output; the output's ledger; `send`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from pointsman.chain import Chain, Entry, Observer
from pointsman.device import Device
from pointsman.ledger import note_key
from pointsman.message import (
    ACTIVE_SENSING_KEY,
    AFTER_NOTES,
    CLOCK_KEY,
    CONTINUE_KEY,
    CONTROL,
    FIRST_NOTE_ON,
    NO_MESSAGE,
    SONG_POSITION_KEY,
    START_KEY,
    STOP_KEY,
    SYSTEM_RESET_KEY,
    key_of,
    song_position,
)
from pointsman.output import DelayedSend, Output, Send
from pointsman.rig import EntrySpec, Rig
from pointsman.routes import FEW_VALUES, Routes
from pointsman.schedule import Schedule
from pointsman.transport import Transport, TransportChange

FIRST_SYSTEM = 0xF2
"""Keys from here up to CONTROL may concern the transport or the rules about what is passed on."""


class Fault(NamedTuple):
    """A plugin that failed and was bypassed. `output` is None for the input's chain."""

    output: str | None
    entry: Entry
    t_ns: int

    def __str__(self) -> str:
        where = f"output {self.output}" if self.output else "the input"
        return (
            f"{where}: plugin {self.entry.label} (line {self.entry.line}) failed "
            f"and is bypassed from now on: {self.entry.fault}"
        )


EngineObserver = Callable[[str | None, Entry, bytes | None, int, object], None]


class Engine:
    """One running rig.

    `send(output, data, t_ns)` is called with the output's name, one whole message and its time,
    in the order in which the bytes must leave. All times are whole nanoseconds from any fixed
    start, and never go down. The engine is not safe for threads: a caller with several holds one
    lock around it.
    """

    def __init__(self, rig: Rig, send: Send, *, observe: EngineObserver | None = None) -> None:
        self.transport = Transport()
        self.schedule = Schedule(self.transport)
        self.received = self.malformed = self.resets_dropped = 0
        self.faults: list[Fault] = []
        self._rig = rig
        self._routes = Routes()
        self._closed = False
        self.outputs = {
            spec.name: Output(
                spec.name,
                send,
                self.schedule,
                delay_ns=spec.delay_ns,
                longest_note_ns=rig.safety.longest_note_ns,
            )
            for spec in rig.outputs
        }
        for spec in rig.outputs:
            output = self.outputs[spec.name]
            output.build(
                self._entries(spec.chain, spec.device), *self._watchers(spec.name, observe)
            )
        entries = self._entries(rig.input_chain, None)
        self.input_chain = Chain(entries, self._split, *self._watchers(None, observe))
        self._enter, self._note = (
            (self._through_input, self._note_through_input)
            if entries
            else (self._split, self._note_to_outputs)
        )
        self._all = list(self.outputs.values())
        self._sensing = [self.outputs[spec.name] for spec in rig.outputs if spec.active_sensing]

    def _entries(self, specs: tuple[EntrySpec, ...], device: Device | None) -> list[Entry]:
        return [Entry(spec, self.transport, device, self.schedule) for spec in specs]

    def _watchers(
        self, name: str | None, observe: EngineObserver | None
    ) -> tuple[Callable[[Entry, int], None], Callable[[], None], Observer | None]:
        def on_fault(entry: Entry, t_ns: int) -> None:
            self.faults.append(Fault(name, entry, t_ns))
            self._routes.forget()
            for output in self._all if name is None else [self.outputs[name]]:
                output.end_unclaimed(t_ns)

        if observe is None:
            return on_fault, self._routes.settle, None

        def watch(entry: Entry, data: bytes | None, t_ns: int, out: object) -> None:
            observe(name, entry, data, t_ns, out)

        return on_fault, self._routes.settle, watch

    # ---- the three calls that both shells are loops over -----------------------------------

    def start(self, t_ns: int) -> None:
        """Begin: every output gets its opening. The first `receive` or `advance` does it too."""
        if self.schedule.now_ns is None:
            self.schedule.now_ns = t_ns
            for output in self.outputs:
                self.open_output(output, t_ns)

    def receive(self, data: bytes, t_ns: int) -> None:
        """Take one whole message that came at `t_ns`; what is no message is counted and dropped.

        Raises ValueError when time goes down and RuntimeError after `close`.
        """
        self._reach(t_ns)
        key = key_of(data)
        if key == NO_MESSAGE:
            self.malformed += 1
            return
        self.received += 1
        if key < AFTER_NOTES:
            self._note(key, data, t_ns)
        elif FIRST_SYSTEM <= key < CONTROL:
            self._system(key, data, t_ns)
        else:
            self._enter(key, data, t_ns)

    def advance(self, t_ns: int) -> None:
        """Send everything that is due until `t_ns`, in order, each at its own time."""
        self._reach(t_ns)

    @property
    def next_due_ns(self) -> int | None:
        """When the next thing is due, or None."""
        return self.schedule.next_due_ns

    @property
    def idle(self) -> bool:
        """Whether nothing is due any more but what repeats for ever."""
        return self.schedule.idle

    def close(self, t_ns: int) -> None:
        """End: the release that `safety` asks for. Nothing can be received afterwards."""
        if self._closed:
            return
        self._reach(t_ns)
        if self._rig.safety.on_exit:
            self.release(t_ns)
        self._closed = True
        for timer in self.schedule.take_all():
            if isinstance(timer.call, DelayedSend):
                timer.call(t_ns)

    # ---- what shells may ask for besides ---------------------------------------------------

    def release(self, t_ns: int) -> None:
        """Note-offs for what sounds, and home for every control that is away, everywhere."""
        for output in self._all:
            output.end_notes(t_ns)
        self.input_chain.flush_all(t_ns)
        for output in self._all:
            output.flush(t_ns)

    def open_output(self, name: str, t_ns: int) -> None:
        """The port of an output has opened: send it its opening."""
        spec = next(spec for spec in self._rig.outputs if spec.name == name)
        for data in spec.opening:
            self.outputs[name].emit(key_of(data), data, t_ns)

    # ---- inside ----------------------------------------------------------------------------

    def _reach(self, t_ns: int) -> None:
        """Come to `t_ns`, doing on the way what is due."""
        if self._closed:
            raise RuntimeError("the engine is closed")
        schedule = self.schedule
        if schedule.now_ns is None:
            self.start(t_ns)
        elif t_ns < schedule.now_ns:
            raise ValueError(f"time goes down: {t_ns} ns comes after {schedule.now_ns} ns")
        if schedule.timed or schedule.counted:
            schedule.run_until(t_ns)
        schedule.now_ns = t_ns

    def _split(self, key: int, data: bytes, t_ns: int) -> None:
        """Send a message to the chains of all outputs."""
        route = self._routes.get(data)
        if route is None:
            if key not in FEW_VALUES:
                for output in self._sensing if key == ACTIVE_SENSING_KEY else self._all:
                    output.play(key, data, t_ns)
                return
            route = self._routes.plan(key, data, self._all)
        tally, calls = route
        tally.hits += 1
        for call, left in calls:
            call(left, t_ns)

    def _through_input(self, key: int, data: bytes, t_ns: int) -> None:
        self.input_chain.run(0, key, data, t_ns)

    def _note_to_outputs(self, key: int, data: bytes, t_ns: int) -> None:
        cause = note_key(data)
        if key >= FIRST_NOTE_ON:
            for output in self._all:
                output.strike(cause, key, data, t_ns)
        else:
            for output in self._all:
                output.let_go(cause, key, data, t_ns)

    def _note_through_input(self, key: int, data: bytes, t_ns: int) -> None:
        """A note that the input's chain may change, double or drop before the split."""
        cause = note_key(data)
        if key >= FIRST_NOTE_ON:
            for output in self._all:
                output.ledger.begin_strike(cause)
            self._through_input(key, data, t_ns)
            for output in self._all:
                output.ledger.strike_begun()
        else:
            for output in self._all:
                output.ledger.end_strike(cause)
            self._through_input(key, data, t_ns)
            for output in self._all:
                output.end_strike(t_ns)

    def _system(self, key: int, data: bytes, t_ns: int) -> None:
        """Rules for what moves the song, and for what must not be passed on."""
        transport = self.transport
        if key == CLOCK_KEY:
            self.schedule.before_clock(t_ns)
            transport.clock(t_ns)
        elif key == SYSTEM_RESET_KEY:
            self.resets_dropped += 1
            return
        elif key == START_KEY:
            transport.start()
            self._song(TransportChange.START, t_ns)
        elif key == CONTINUE_KEY:
            transport.resume()
            self._song(TransportChange.CONTINUE, t_ns)
        elif key == STOP_KEY:
            transport.stop()
            self._song(TransportChange.STOP, t_ns)
            if self._rig.safety.on_transport_stop:
                self.release(t_ns)
        elif key == SONG_POSITION_KEY:
            transport.locate(song_position(data))
            self._song(TransportChange.POSITION, t_ns)
        self._enter(key, data, t_ns)

    def _song(self, change: TransportChange, t_ns: int) -> None:
        """Tell every plugin what happened to the song, before the message that says so."""
        for chain in (self.input_chain, *(output.chain for output in self._all)):
            for entry in chain.entries:
                if not entry.bypass:
                    chain.tell(entry, change, t_ns)
