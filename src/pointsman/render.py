"""render: a rig over a file, in virtual time.

The same engine as live, fed as fast as the file can be read. What leaves each output is written
as it leaves, so memory does not grow with the length of the input.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Protocol

from pointsman.chain import Entry
from pointsman.engine import Engine, EngineObserver
from pointsman.io_smf import DEFAULT_DIVISION, SmfReader, SmfWriter, play
from pointsman.io_tsv import TsvWriter, read_tsv
from pointsman.output import Output, Send
from pointsman.ports.files import is_meta
from pointsman.rig import OutputSpec, Rig
from pointsman.wire import WireFigures

END_OF_TRACK = b"\xff\x2f"

Tell = Callable[[int], None]
_TELL_EVERY = 256  # messages: a few thousandths of a second


class Sink(Protocol):
    """Where what leaves one output goes."""

    def write(self, data: bytes, t_ns: int) -> None:
        """Take one message."""

    def meta(self, tick: int | None, t_ns: int, data: bytes) -> None:
        """Take a tempo or a time signature of the input."""

    def close(self, t_ns: int) -> None:
        """Nothing more comes; the end is at this time."""


TIME_SIGNATURE = b"\xff\x58"


class Listener(Protocol):
    """What wants to know of everything that a render does, in order."""

    @property
    def observe(self) -> EngineObserver:
        """Told what an entry made of a message, unless it let it pass (see `chain.Observer`)."""

    def heard(self, data: bytes, t_ns: int) -> None:
        """A message comes in; all that was due before it has been sent."""

    def dealt_with(self) -> None:
        """All that this message sets going at once has been sent."""

    def meter(self, numerator: int, denominator: int) -> None:
        """A time signature of the input."""

    def ending(self) -> None:
        """Next comes the release."""

    def sent(self, output: str, data: bytes, t_ns: int) -> None:
        """A message leaves an output."""

    def end(self, t_ns: int) -> None:
        """It is over."""


class Recorder:
    """What leaves one output, written to its two files."""

    def __init__(self, spec: OutputSpec, folder: Path, division: int) -> None:
        self._tsv = TsvWriter(folder / f"{spec.name}.tsv")
        self._smf = SmfWriter(folder / f"{spec.name}.mid", division)

    def write(self, data: bytes, t_ns: int) -> None:
        """Write one message."""
        self._tsv.write(t_ns, data)
        self._smf.write(t_ns, data)

    def meta(self, tick: int | None, t_ns: int, data: bytes) -> None:
        """Keep a tempo or a time signature of the input."""
        self._smf.meta(tick, t_ns, data)

    def close(self, t_ns: int) -> None:
        """Finish both files."""
        self._tsv.close()
        self._smf.close(t_ns)


@dataclass(frozen=True)
class EntryRow:
    """What one entry of a chain did."""

    label: str
    changed: int
    dropped: int
    added: int
    fault: str | None


@dataclass(frozen=True)
class OutputRow:
    """What one output was sent. `wire` is how its wire did, None where that is not paced.

    `wire_load` and `wire_worst_second` are taken from there: parts of what the wire carries.
    Outputs of one port share a wire.
    """

    output: str
    received: int
    sent: int
    notes: int
    most_voices: int
    entries: list[EntryRow]
    wire_load: float | None
    wire_worst_second: float | None
    wire: WireFigures | None

    def as_dict(self) -> dict[str, object]:
        """The same as plain data, for JSON."""
        return asdict(self)


def render(
    rig: Rig,
    source: Path,
    folder: Path,
    *,
    clock: bool = True,
    tail_ns: int | None = None,
    tell: Tell | None = None,
    listener: Listener | None = None,
) -> list[OutputRow]:
    """Run `rig` over a `.mid` or `.tsv` file; write `<output>.tsv` and `<output>.mid` to `folder`.

    `clock`: play a `.mid` file with Start, clock and Stop. `tail_ns`: go on for so long after the
    last message; None: until nothing is due any more but what repeats for ever. `tell` is told now
    and then how far it has come, in nanoseconds of the input. `listener` is told of everything;
    what is rendered is the same with it and without. Raises InputFileError where the file is
    broken; what was rendered until there is kept.
    """
    division = SmfReader(source).division if _is_smf(source) else DEFAULT_DIVISION
    folder.mkdir(parents=True, exist_ok=True)
    specs = specs_of(rig)
    recorders = {name: Recorder(spec, folder, division) for name, spec in specs.items()}
    engine, end_ns = play_through(
        rig, source, recorders, clock=clock, tail_ns=tail_ns, tell=tell, listener=listener
    )
    wires = engine.wire_figures(end_ns)
    return [
        _row(engine.every_output[name], wires.get(name))
        for name in specs
        if name in engine.every_output
    ]


_Item = tuple[int, int | None, bytes]


def told(items: Iterator[_Item], tell: Tell | None) -> Iterator[_Item]:
    """The same; now and then it is told how far they have come."""
    return items if tell is None else _telling(items, tell)


def _telling(items: Iterator[_Item], tell: Tell) -> Iterator[_Item]:
    for number, item in enumerate(items):
        if not number % _TELL_EVERY:
            tell(item[0])
        yield item


def specs_of(rig: Rig) -> dict[str, OutputSpec]:
    """The outputs of a rig and its songs, by name; the first that has a name counts."""
    specs: dict[str, OutputSpec] = {}
    for played in rig.rigs:
        for spec in played.outputs:
            specs.setdefault(spec.name, spec)
    return specs


def play_through(
    rig: Rig,
    source: Path,
    sinks: Mapping[str, Sink],
    *,
    clock: bool = True,
    tail_ns: int | None = None,
    tell: Tell | None = None,
    listener: Listener | None = None,
) -> tuple[Engine, int]:
    """Run a rig over a file, each output into its sink; returns the engine, and when the end was.

    The sinks are closed, also where the file turns out to be broken. See `render`.
    """
    writes = {name: sink.write for name, sink in sinks.items()}

    def send(output: str, data: bytes, t_ns: int) -> None:
        writes[output](data, t_ns)

    engine = Engine(rig, send) if listener is None else _overheard(rig, send, listener)
    receive = engine.receive if listener is None else _receiving(engine, listener)
    now_ns = 0
    try:
        engine.start(0)
        for now_ns, tick, data in told(_items(source, clock), tell):
            if not is_meta(data):
                receive(data, now_ns)
            elif data != END_OF_TRACK:
                engine.advance(now_ns)
                if listener is not None and data.startswith(TIME_SIGNATURE):
                    listener.meter(data[2], 2 ** data[3])
                for sink in sinks.values():
                    sink.meta(tick, now_ns, data)
        now_ns = run_out(engine, now_ns, tail_ns)
    finally:
        if listener is not None:
            engine.advance(now_ns)
            listener.ending()
        engine.close(now_ns)
        if listener is not None:
            listener.end(now_ns)
        for sink in sinks.values():
            sink.close(now_ns)
    return engine, now_ns


def _overheard(rig: Rig, send: Send, listener: Listener) -> Engine:
    sent = listener.sent

    def both(output: str, data: bytes, t_ns: int) -> None:
        send(output, data, t_ns)
        sent(output, data, t_ns)

    return Engine(rig, both, observe=listener.observe, observe_passes=False)


def _receiving(engine: Engine, listener: Listener) -> Callable[[bytes, int], None]:
    def receive(data: bytes, t_ns: int) -> None:
        engine.advance(t_ns)  # what was due before has nothing to do with this message
        listener.heard(data, t_ns)
        engine.receive(data, t_ns)
        listener.dealt_with()

    return receive


def _is_smf(source: Path) -> bool:
    return source.suffix.lower() != ".tsv"


def _items(source: Path, clock: bool) -> Iterator[_Item]:
    if _is_smf(source):
        return iter(play(source, clock))
    return ((t_ns, None, data) for t_ns, data in read_tsv(source))


def run_out(engine: Engine, now_ns: int, tail_ns: int | None) -> int:
    """Let what is due come out after the last message; returns when the end is."""
    if tail_ns is not None:
        engine.advance(now_ns + tail_ns)
        return now_ns + tail_ns
    while not engine.idle:
        due_ns = engine.next_due_ns
        if due_ns is None:
            break
        now_ns = max(now_ns, due_ns)
        engine.advance(now_ns)
    return now_ns


def _row(output: Output, wire: WireFigures | None) -> OutputRow:
    return OutputRow(
        output.name,
        output.received,
        output.sent,
        output.notes,
        output.most_voices,
        [_entry_row(entry) for entry in output.chain.entries],
        wire.load if wire else None,
        wire.worst_second if wire else None,
        wire,
    )


def _entry_row(entry: Entry) -> EntryRow:
    return EntryRow(entry.label, entry.changed, entry.dropped, entry.added, entry.fault)
