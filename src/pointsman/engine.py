"""The engine: timestamped messages in, timestamped messages out.

It opens nothing, reads no clock, never sleeps and never logs. Live and offline run this same code,
so the same input at the same times gives the same bytes at the same times.

The life of a message: what is due before it goes first; clock, Start, Stop and the like move the
transport; the input's chain, then the chain of each output; the output's ledger; `send`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import partial
from itertools import repeat
from typing import NamedTuple

from pointsman.chain import Chain, Entry, Followers, Observer
from pointsman.ledger import Strikes
from pointsman.message import (
    ACTIVE_SENSING_KEY,
    CLOCK_KEY,
    CONTINUE_KEY,
    CONTROL,
    FIRST_NOTE_ON,
    KEYS,
    KEYS_KEPT,
    KEYS_OF,
    SONG_POSITION_KEY,
    START_KEY,
    STOP_KEY,
    SYSTEM_RESET_KEY,
    Kind,
    key_of,
    song_position,
)
from pointsman.output import DelayedSend, Output, Send
from pointsman.plugin import Emission
from pointsman.prepared import Prepared, PreparedSet, Succession, succeed
from pointsman.rig import OutputSpec, Rig
from pointsman.routes import FEW_VALUES, Lane, Route, Routes
from pointsman.schedule import NEVER_NS, Schedule, Timer
from pointsman.transport import Transport, TransportChange
from pointsman.units import Duration
from pointsman.wire import Wire, WireFigures

FIRST_NOTE_OFF = 0x80
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


MOST_PLANNED = 512
"""Routes that are worked out again after a change, at most; the newest."""

SONG_KEYS = frozenset({START_KEY, CONTINUE_KEY, STOP_KEY, SONG_POSITION_KEY})
SWITCH_ON = 64
"""A switch is on from this value up (MIDI 1.0, 4.2.1, p. 12)."""

Enter = Callable[[int, bytes, int], None]
EngineObserver = Callable[[str | None, Entry, bytes | None, int, Emission], None]


class Engine:
    """One running rig.

    `send(output, data, t_ns)` is called with the output's name, one whole message and its time,
    in the order in which the bytes must leave. All times are whole nanoseconds from any fixed
    start, and never go down. The engine is not safe for threads: a caller with several holds one
    lock around it.

    `observe` is told what every entry does; with `observe_passes` off not of what it lets pass.
    `on_change(rig)` is called in the middle of a change to another rig or song: from then on,
    outputs are those of that rig. Raises PluginError where a plugin will not start.
    """

    def __init__(
        self,
        rig: Rig,
        send: Send,
        *,
        observe: EngineObserver | None = None,
        observe_passes: bool = True,
        on_change: Callable[[Rig], None] | None = None,
    ) -> None:
        self.transport = Transport()
        self.schedule = Schedule(self.transport)
        self.malformed = self.resets_dropped = self.panics = 0
        self._taken = 0
        """How many messages came in, malformed ones as well."""
        self.faults: list[Fault] = []
        self.outputs: dict[str, Output] = {}
        """Those of the rig that plays, by name."""
        self.every_output: dict[str, Output] = {}
        """All outputs that there ever were, those of other songs as well."""
        self._wires: dict[str, Wire] = {}
        """The paced wires of all rigs that there ever were, by cable."""
        self._strikes = Strikes()
        self._send = send
        self._observe = observe
        self._observe_passes = observe_passes
        self._on_change = on_change or (lambda rig: None)
        self._followers = Followers(wait=True)
        self._routes = Routes()
        self._lanes = self._routes.lanes
        self._straight: dict[bytes, Route] = {}
        """The routes, if nothing stands between the input and the split; else nothing."""
        self._ways_left: Iterator[bool] = iter(())
        self._closed = False
        self._set = PreparedSet(rig, self.transport)
        self.song = 0
        """The number of the song that plays; 0 is the rig itself."""
        self._coming: tuple[int, Timer] | None = None
        self.input_chain = self._chain([])
        prepared = self._set.take(0)
        self._take_up(prepared.rig, 0)
        for spec in self.rig.outputs:
            self._build(spec, prepared.entries[spec.name], prepared.entries[spec.name], 0)
        entries = prepared.entries[None]
        self._build_input(entries, entries)

    def _take_up(self, rig: Rig, t_ns: int) -> None:
        """From now on the outputs and the wires are those of this rig."""
        self.rig = rig
        self._rates = rig.wire_rates
        for cable, rate in self._rates.items():
            if cable in self._wires:
                self._wires[cable].change_rate(rate, t_ns)
            else:
                self._wires[cable] = Wire(rate, self.schedule)
        before = self.outputs
        self.outputs = {spec.name: self._output(spec.name) for spec in rig.outputs}
        self._all = list(self.outputs.values())
        for name, output in self.outputs.items():
            if name not in before:
                output.ledger.come_late()
        self._sensing = [self.outputs[spec.name] for spec in rig.outputs if spec.active_sensing]

    def _output(self, name: str) -> Output:
        if name not in self.every_output:
            ledger = self._strikes.new_ledger()
            self.every_output[name] = Output(
                name, ledger, self._send, self.schedule, self._followers
            )
        return self.every_output[name]

    def _build(self, spec: OutputSpec, entries: list[Entry], fresh: list[Entry], t_ns: int) -> None:
        """Give an output its chain; `fresh` are those of its entries that are new."""
        output = self.outputs[spec.name]
        output.limit(spec.delay_ns, self.rig.safety.longest_note_ns, t_ns)
        wire = self._wires[spec.cable] if spec.cable in self._rates else None
        output.build(spec, wire, entries, *self._watchers(spec.name))
        for entry in fresh:
            entry.begin(self.schedule)

    def _build_input(self, entries: list[Entry], fresh: list[Entry]) -> None:
        self.input_chain = self._chain(entries)
        for entry in fresh:
            entry.begin(self.schedule)
        self._inward: Enter = self._through_input if entries else self._split
        self._presses = self._find_presses()
        self._straight = {} if entries or self._presses else self._routes
        self._enter = self._unless_pressed(self._inward)
        self._entrances = [self._enter] * KEYS + [self._refuse]
        for channel in range(16):
            begin = self._strikes.begins(channel, self._inward)
            end = self._strikes.ends(channel, self._inward, self._end_rest)
            self._entrances[FIRST_NOTE_ON + channel] = self._unless_pressed(begin)
            self._entrances[FIRST_NOTE_OFF + channel] = self._unless_pressed(end)
        self._entrances[FIRST_SYSTEM:CONTROL] = repeat(self._system, CONTROL - FIRST_SYSTEM)

    def _chain(self, entries: list[Entry]) -> Chain:
        at_once = Followers(wait=False)
        return Chain(entries, lambda key: self._split, at_once, *self._watchers(None))

    def _watchers(
        self, name: str | None
    ) -> tuple[Callable[[Entry, int], None], Callable[[], None], Observer | None, bool]:
        def on_fault(entry: Entry, t_ns: int) -> None:
            self.faults.append(Fault(name, entry, t_ns))
            self._routes.forget()
            for output in self._all if name is None else [self.outputs[name]]:
                output.end_unclaimed(t_ns)

        observe = self._observe and partial(self._observe, name)
        return on_fault, self._routes.settle, observe, self._observe_passes

    @property
    def received(self) -> int:
        """How many whole messages came in."""
        return self._taken - self.malformed

    # ---- the three calls that both shells are loops over -----------------------------------

    def start(self, t_ns: int) -> None:
        """Begin: every output gets its opening. The first `receive` or `advance` does it too."""
        if not self.schedule.begun:
            self.schedule.now_ns = t_ns
            for output in self._all:
                output.open(t_ns)

    def receive(self, data: bytes, t_ns: int) -> None:
        """Take one whole message that came at `t_ns`; what is no message is counted and dropped.

        Raises ValueError when time goes down and RuntimeError after `close`.
        """
        # Most messages find nothing due and know their route: for them this does all by itself.
        schedule = self.schedule
        if t_ns < schedule.now_ns or schedule.timed or schedule.counted:
            self._reach(t_ns)
        else:
            schedule.now_ns = t_ns
        route = self._straight.get(data)
        if route is not None:
            self._taken += 1
            tally, calls = route
            tally.hits += 1
            for call, where, left in calls:
                call(where, left, t_ns)
            if self._followers:
                self._followers.send(t_ns)
            return
        self._taken += 1
        key = KEYS_KEPT[data]
        self._entrances[key](key, data, t_ns)

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
        """End: the release that `safety` asks for. Nothing can be received afterwards.

        What waits for a wire goes out, in order; its times are those at which the wire has room,
        and so later than `t_ns`.
        """
        if self._closed:
            return
        self._reach(t_ns)
        if self.rig.safety.on_exit:
            self.release(t_ns)
        self._closed = True
        for timer in self.schedule.take_all():
            if isinstance(timer.call, DelayedSend):
                timer.call(t_ns)
        for wire in self._wires.values():
            wire.time_again(t_ns)
        while (due_ns := self.schedule.next_due_ns) is not None:
            self.schedule.run_until(due_ns)
        self.schedule.now_ns = NEVER_NS

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
        self.outputs[name].open(t_ns)

    def lose_input(self, t_ns: int) -> None:
        """The input is gone: what it held down it will not let go of."""
        self._reach(t_ns)
        if self.rig.safety.on_input_lost:
            self.release(t_ns)
        self._strikes.forget()

    def leave_input(self, t_ns: int) -> None:
        """Another input is read from now on: this one will let go of nothing any more."""
        self._reach(t_ns)
        self._end_held(t_ns)

    def _end_held(self, t_ns: int) -> None:
        for output in self._all:
            output.end_notes(t_ns)
        self._strikes.forget()

    def panic(self, t_ns: int) -> None:
        """Silence: whatever the chains or the input think of it, nothing sounds afterwards."""
        self._reach(t_ns)
        self.panics += 1
        for output in self._all:
            output.silence(t_ns)
        self.input_chain.flush_all(t_ns)
        for output in self._all:
            output.calm(t_ns)

    def bypass(self, output: str | None, place: int, on: bool, t_ns: int) -> None:
        """Leave out one entry of an output's chain (None: the input's), or put it in again.

        What it held it lets go of first. An entry that is put in again begins afresh, even one
        that had failed; PluginError where its plugin will not start.
        """
        self._reach(t_ns)
        chain = self.input_chain if output is None else self.outputs[output].chain
        entry = chain.entries[place]
        if on == entry.bypass:
            return
        self._remember_ways()
        if on:
            chain.bypass(entry, t_ns)
        else:
            fresh = Entry(replace(entry.spec, bypass=False), self.transport, entry.device)
            chain.replace(place, fresh)
            fresh.begin(self.schedule)
        self._routes.forget()

    def homes(self) -> dict[str, list[bytes]]:
        """What would put home what plugins keep away, by output; asking changes nothing."""
        shared = self.input_chain.homes()
        found = {}
        for output in self._all:
            chain = output.chain
            here = [data for home in shared if (data := chain.foreseen(0, home)) is not None]
            found[output.name] = [*here, *chain.homes()]
        return found

    def settle(self) -> None:
        """Bring all counts up to date."""
        self._routes.settle()

    def wire_figures(self, t_ns: int) -> dict[str, WireFigures]:
        """How the paced wires have done until `t_ns`, by output; outputs of one port share one.

        Outputs of other songs are there as well.
        """
        return {
            name: self._wires[output.spec.cable].figures(t_ns)
            for name, output in self.every_output.items()
            if output.spec.cable in self._wires
        }

    def observe(self, observe: EngineObserver | None) -> None:
        """Tell `observe` from now on what every entry does; None: nobody."""
        self._observe = observe
        self._remember_ways()
        for name, chain in ((None, self.input_chain), *((o.name, o.chain) for o in self._all)):
            chain.observe = self._watchers(name)[2]
            chain.compile()
        self._routes.forget()

    # ---- the ways of messages, known beforehand ----------------------------------------------

    def plan_again(self) -> bool:
        """Work out one of the ways that messages took before the last change; False: all are.

        What nobody has worked out until then its first message pays for. It takes microseconds,
        so that whoever has the time can do it between two messages.
        """
        return next(self._ways_left, False)

    def _remember_ways(self) -> None:
        lanes = list(self._routes.lanes)
        routes = list(self._routes)[-MOST_PLANNED:]
        paths = {output.name: output.chain.known() for output in self._all}
        self._ways_left = self._plan_ways(lanes, routes, paths)

    def _plan_ways(
        self,
        lanes: Sequence[int],
        routes: Sequence[bytes],
        paths: Mapping[str, Sequence[Sequence[int]]],
    ) -> Iterator[bool]:
        for name, known in paths.items():
            if name in self.outputs:
                self.outputs[name].chain.make_paths(known)
                yield True
        for key in lanes:
            if key not in self._routes.lanes:
                self._lane(key)
                yield True
        for data in routes:
            if data not in self._routes:
                self._routes.plan(key_of(data), data, self._all)
                yield True

    # ---- other rigs and songs ----------------------------------------------------------------

    def prepare(self, rig: Rig) -> PreparedSet:
        """Make a rig and its songs ready for `change`; on any thread, without the lock.

        Raises PluginError where a plugin will not start.
        """
        return PreparedSet(rig, self.transport)

    def prepare_songs(self) -> None:
        """Make ready again what the last change has used; on any thread, without the lock."""
        self._set.fill()

    @property
    def songs_prepared(self) -> bool:
        """Whether the next change of song finds everything ready."""
        return self._set.full

    @property
    def song_names(self) -> list[str]:
        """The names of the songs, in order; the first has number 1."""
        return [name for name, _ in self._set.rig.songs.rigs]

    def change(self, prepared: PreparedSet, t_ns: int) -> None:
        """Change to another rig, or to another version of it, in the same song if it is there.

        Outputs of one name and port go on: what sounds there ends where it began, and entries of
        the chains that have not changed keep what they have in mind. Openings are sent where they
        are new.
        """
        self._reach(t_ns)
        name = self.song_names[self.song - 1] if self.song else None
        self._forget_coming()
        self._set = prepared
        names = self.song_names
        self.song = names.index(name) + 1 if name in names else 0
        self._change(self._set.take(self.song), t_ns, always_open=False)

    def choose_song(self, number: int, t_ns: int) -> bool:
        """Change to a song by number, at the next bar if the rig says so; False: there is none."""
        self._reach(t_ns)
        if not 0 <= number < len(self._set.rigs):
            return False
        self._forget_coming()
        if number == self.song:
            return True
        wait = self._clocks_to_bar(t_ns)
        if wait is None:
            self._play_song(number, t_ns)
        else:
            timer = self.schedule.after(wait, t_ns, partial(self._play_song, number))
            self._coming = (number, timer)
        return True

    @property
    def coming_song(self) -> int | None:
        """The number of the song that begins at the next bar."""
        return self._coming[0] if self._coming else None

    def _clocks_to_bar(self, t_ns: int) -> Duration | None:
        """How long until the clock that begins a bar; None: do not wait."""
        songs, transport = self._set.rig.songs, self.transport
        if not (songs.at_bar and transport.playing and transport.clock_runs(t_ns)):
            return None
        clocks = -transport.next_clock % songs.bar_clocks + 1
        return Duration(f"{clocks} clocks", clocks=Fraction(clocks))

    def _forget_coming(self) -> None:
        if self._coming is not None:
            self._coming[1].cancel()
            self._coming = None

    def _play_song(self, number: int, t_ns: int) -> None:
        prepared = self._set.take(number)
        self._forget_coming()
        self.song = number
        self._change(prepared, t_ns, always_open=True)

    def _change(self, prepared: Prepared, t_ns: int, *, always_open: bool) -> None:
        was = {spec.name: spec for spec in self.rig.outputs}
        stay = {new.name for new in prepared.rig.outputs if _one_port(was.get(new.name), new)}
        chains: dict[str | None, Chain] = {o.name: o.chain for o in self._all}
        chains[None] = self.input_chain
        plan = {
            name: succeed(chains[name].entries if name in chains else (), entries)
            for name, entries in prepared.entries.items()
        }
        other_input = prepared.rig.input_port != self.rig.input_port
        self._remember_ways()
        self._let_go(other_input, stay, plan, t_ns)
        self._routes.forget()
        self._leave_wires(prepared.rig, stay, t_ns)
        self._on_change(prepared.rig)
        self._take_up(prepared.rig, t_ns)
        for spec in self.rig.outputs:
            self._build(spec, plan[spec.name].entries, plan[spec.name].fresh, t_ns)
        self._build_input(plan[None].entries, plan[None].fresh)
        for succession in plan.values():
            for entry, former in succession.heirs:
                entry.chain.inherit(entry, former, t_ns)
        self._forget_notes(plan, other_input, t_ns)
        for spec in self.rig.outputs:
            if always_open or spec.name not in stay or spec.opening != was[spec.name].opening:
                self.outputs[spec.name].open(t_ns)

    def _forget_notes(
        self, plan: Mapping[str | None, Succession], other_input: bool, t_ns: int
    ) -> None:
        """Entries behind a place that is built another way may miss the ends of held notes."""
        first = 0 if other_input else plan[None].first_moved
        if first is not None:
            self.input_chain.forget_notes(first, t_ns)
        for output in self._all:
            place = plan[output.name].first_moved if first is None else 0
            if place is not None:
                output.chain.forget_notes(place, t_ns)

    def _let_go(
        self, other_input: bool, stay: set[str], plan: Mapping[str | None, Succession], t_ns: int
    ) -> None:
        """What does not go on in the new rig puts back what it has done, on the old ports."""
        if other_input:
            self._end_held(t_ns)
        for output in self._all:
            if output.name not in stay:
                output.end_notes(t_ns)
        self.input_chain.leave(plan[None].leaving, plan[None].leaving, t_ns)
        for output in self._all:
            entries = output.chain.entries
            leaving = plan[output.name].leaving if output.name in plan else entries
            output.chain.leave(leaving if output.name in stay else entries, leaving, t_ns)
            if output.name not in stay:
                output.send_delayed(t_ns)

    def _leave_wires(self, rig: Rig, stay: set[str], t_ns: int) -> None:
        """What waits for a wire that will not go on leaves at once: the port may be closing."""
        rates = rig.wire_rates
        for output in self._all:
            if output.name not in stay or output.spec.cable not in rates:
                output.leave_wire(t_ns)

    def _find_presses(self) -> dict[int, Callable[[bytes, int], bool]]:
        """What of the input means something to Pointsman itself, by key."""
        found: dict[int, Callable[[bytes, int], bool]] = {}
        songs = self._set.rig.songs
        if songs.program_channel is not None:
            key = KEYS_OF[Kind.PROGRAM, songs.program_channel][0]
            found[key] = lambda data, t_ns: self.choose_song(data[1] + 1, t_ns) or True
        if songs.control is not None:
            key = KEYS_OF[Kind.CONTROL, songs.control[0]][songs.control[1]]
            found[key] = lambda data, t_ns: self.choose_song(data[2], t_ns) or True
        press = self.rig.safety.panic or self._set.rig.safety.panic
        if press is not None and press.control is not None:
            key = KEYS_OF[Kind.CONTROL, press.channel][press.control]
            found[key] = self._panic_switch
        elif press is not None:
            note = press.note
            for kind in (Kind.NOTE_ON, Kind.NOTE_OFF):
                key = KEYS_OF[kind, press.channel][0]
                found[key] = lambda data, t_ns: data[1] == note and self._panic_key(data, t_ns)
        return found

    def _panic_switch(self, data: bytes, t_ns: int) -> bool:
        if data[2] >= SWITCH_ON:
            self.panic(t_ns)
        return True

    def _panic_key(self, data: bytes, t_ns: int) -> bool:
        if key_of(data) >= FIRST_NOTE_ON:
            self.panic(t_ns)
        return True

    def _unless_pressed(self, go_on: Enter) -> Enter:
        """The entrance of what goes on unless it means something to Pointsman itself."""
        presses = self._presses
        if not presses:
            return go_on

        def enter(key: int, data: bytes, t_ns: int) -> None:
            press = presses.get(key)
            if press is None or not press(data, t_ns):
                go_on(key, data, t_ns)

        return enter

    # ---- inside ----------------------------------------------------------------------------

    def _reach(self, t_ns: int) -> None:
        """Come to `t_ns`, doing on the way what is due."""
        if self._closed:
            raise RuntimeError("the engine is closed")
        schedule = self.schedule
        if not schedule.begun:
            self.start(t_ns)
        elif t_ns < schedule.now_ns:
            raise ValueError(f"time goes down: {t_ns} ns comes after {schedule.now_ns} ns")
        if schedule.timed or schedule.counted:
            schedule.run_until(t_ns)
        schedule.now_ns = t_ns

    def _split(self, key: int, data: bytes, t_ns: int) -> None:
        """Send a message to the chains of all outputs."""
        lane = self._lanes.get(key)
        if lane is None:
            if key in FEW_VALUES:
                self._split_by_route(key, data, t_ns)
                return
            lane = self._lane(key)
        tally, groups = lane
        tally.hits += 1
        for table, calls in groups:
            left = data.translate(table) if table else data
            for call, where in calls:
                call(where, left, t_ns)
        if self._followers:
            self._followers.send(t_ns)

    def _lane(self, key: int) -> Lane:
        reached = self._sensing if key == ACTIVE_SENSING_KEY else self._all
        return self._routes.plan_lane(key, reached)

    def _split_by_route(self, key: int, data: bytes, t_ns: int) -> None:
        tally, calls = self._routes.get(data) or self._routes.plan(key, data, self._all)
        tally.hits += 1
        for call, where, left in calls:
            call(where, left, t_ns)
        if self._followers:
            self._followers.send(t_ns)

    def _through_input(self, key: int, data: bytes, t_ns: int) -> None:
        self.input_chain.run(0, key, data, t_ns)

    def _refuse(self, key: int, data: bytes, t_ns: int) -> None:
        self.malformed += 1

    def _end_rest(self, ended: list[int], t_ns: int) -> None:
        """Send the note-offs that the chains kept back of a strike that has ended."""
        for output in self._all:
            output.end(output.ledger.missing_offs(ended), t_ns)

    def _system(self, key: int, data: bytes, t_ns: int) -> None:
        """Rules for what moves the song, and for what must not be passed on."""
        transport = self.transport
        if key == CLOCK_KEY:
            self.schedule.before_clock(t_ns)
            transport.clock(t_ns)
        elif key == SYSTEM_RESET_KEY:
            self.resets_dropped += 1
            return
        elif key in SONG_KEYS:
            if self._coming is not None:  # its bar will not come, or not when it was expected
                self._play_song(self._coming[0], t_ns)
            self._move_song(key, data, t_ns)
        self._enter(key, data, t_ns)

    def _move_song(self, key: int, data: bytes, t_ns: int) -> None:
        """Start, Continue, Stop and Song Position."""
        transport = self.transport
        if key == START_KEY:
            transport.start()
            self._song(TransportChange.START, t_ns)
        elif key == CONTINUE_KEY:
            transport.resume()
            self._song(TransportChange.CONTINUE, t_ns)
        elif key == STOP_KEY:
            transport.stop()
            self._song(TransportChange.STOP, t_ns)
            if self.rig.safety.on_transport_stop:
                self.release(t_ns)
        else:
            transport.locate(song_position(data))
            self._song(TransportChange.POSITION, t_ns)

    def _song(self, change: TransportChange, t_ns: int) -> None:
        """Tell every plugin what happened to the song, before the message that says so."""
        for chain in (self.input_chain, *(output.chain for output in self._all)):
            for entry in chain.entries:
                if not entry.bypass:
                    chain.tell(entry, change, t_ns)


def _one_port(old: OutputSpec | None, new: OutputSpec) -> bool:
    """Whether an output goes on: the same synth, as far as a rig says, is still behind it."""
    return old is not None and old.port == new.port
