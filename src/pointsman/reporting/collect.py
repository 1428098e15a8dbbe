"""Listens to a render, and puts together what is drawn.

Memory is bounded: a lane keeps the shape of what it cannot keep whole (`lanes`), and of notes the
first `MOST_NOTES` are kept.
"""

from __future__ import annotations

from collections.abc import Iterable

from pointsman.message import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    CLOCK,
    FIRST_MODE,
    Kind,
    kind_of,
    song_position,
)
from pointsman.reporting.lanes import HOME, OWN, TIMED, share_out
from pointsman.reporting.model import Model, Row
from pointsman.reporting.notes import End
from pointsman.reporting.row_writer import RowWriter
from pointsman.reporting.tracing import AGAIN, ENGINE, FOR_A_NOTE, UNTOUCHED, Making, Tracer
from pointsman.rig import OutputSpec, Rig
from pointsman.transport import Transport, TransportChange
from pointsman.units import CLOCKS_PER_BAR

MOST_NOTES = 400_000
"""Notes that are kept of all rows together, at about 30 bytes each."""

MOST_VALUES = 800_000
"""Values of all lanes together that are drawn."""

_MOST_BARS = 100_000
_ACTIVE_SENSING = 0xFE
_OF_A_VALUE = OWN | HOME | TIMED
_CHANGES = {
    b"\xfa": TransportChange.START,
    b"\xfb": TransportChange.CONTINUE,
    b"\xfc": TransportChange.STOP,
}


class Collector:
    """A listener of `render`; `model` is what is to be drawn."""

    def __init__(self, rig: Rig, specs: Iterable[OutputSpec], source: str) -> None:
        self._tracer = Tracer()
        self.observe = self._tracer.observe
        octave = rig.middle_c_octave
        rows = [Row(spec.name, spec.device, spec.wire_rate) for spec in specs]
        self.model = Model(
            rig.name, source, octave, Row("input", is_output=False), rows, self._tracer.traces
        )
        self._input = RowWriter(self.model.input, octave)
        self._writers = {row.name: RowWriter(row, octave) for row in rows}
        self._transport = Transport()
        self._bar_clocks = CLOCKS_PER_BAR
        self._now: bytes | None = None
        self._last_notes: dict[bytes, int] = {}
        self._last_offs: dict[bytes, int] = {}
        self._last_lanes: dict[bytes, int] = {}
        self._room = MOST_NOTES
        self._stopping = False

    # ---- what render tells ---------------------------------------------------------------------

    def heard(self, data: bytes, t_ns: int) -> None:
        """A message comes in; the engine gets it next."""
        t_us = t_ns // 1000
        self._now = data
        tracer = self._tracer
        tracer.begin()
        status = data[0] & 0xF0
        self._input.count(len(data), t_us)
        if status <= 0x90:
            tracer.note = self._heard_note(data, t_us)
        elif status < 0xF0 and not (status == 0xB0 and data[1] >= FIRST_MODE):
            tracer.lane = self._input.value(data, t_us, UNTOUCHED, 0)
            self._last_lanes[data[:2] if status < 0xC0 else data[:1]] = tracer.lane
        elif data == CLOCK:
            self._heard_clock(t_us)
        elif data[0] != _ACTIVE_SENSING:
            self._heard_other(data, t_us)

    def dealt_with(self) -> None:
        """The engine has dealt with what came in: what is sent next is sent for another reason."""
        tracer = self._tracer
        tracer.note = tracer.lane = -1
        if self._stopping:
            self._stop(False)
        self._now = None

    def meter(self, numerator: int, denominator: int) -> None:
        """A time signature of the input."""
        self._bar_clocks = max(1, CLOCKS_PER_BAR * numerator // denominator)

    def ending(self) -> None:
        """The engine is about to be closed."""
        self._stop(True)

    def _stop(self, stopping: bool) -> None:
        self._stopping = stopping
        for writer in self._writers.values():
            writer.stopping = stopping

    def sent(self, output: str, data: bytes, t_ns: int) -> None:
        """A message leaves an output."""
        writer = self._writers[output]
        t_us = t_ns // 1000
        writer.count(len(data), t_us)
        if data == CLOCK:
            writer.clock(t_us)
            return
        making = self._tracer.sent(output, data)
        status = data[0] & 0xF0
        if status == 0x90 and data[2]:
            self._sent_note_on(writer, data, t_us, making)
        elif status <= 0x90:
            self._sent_note_off(writer, data, t_ns, making)
        elif status < 0xF0 and not (status == 0xB0 and data[1] >= FIRST_MODE):
            self._sent_value(writer, data, t_us, making)
        elif data[0] != _ACTIVE_SENSING:
            if status == 0xB0 and data[1] in (ALL_NOTES_OFF, ALL_SOUND_OFF):
                writer.row.notes.end_channel(t_us, data[0] & 0x0F, End.SILENCED)
            trace, flags = making[:2] if making else (self._trace_of(data), 0)
            writer.other(data, t_us, trace, flags & OWN)

    def end(self, t_ns: int) -> None:
        """All is over; `model` is now whole."""
        model = self.model
        model.end_us = t_ns // 1000
        for writer in (self._input, *self._writers.values()):
            writer.close(model.end_us)
            for track in writer.row.tracks:
                if track.kind != "load":  # its last window ends later than what it carries
                    model.end_us = max([model.end_us, *track.lane.times[-1:]])
        share_out([track.lane for row in model.rows for track in row.tracks], MOST_VALUES)

    # ---- what comes in -------------------------------------------------------------------------

    def _heard_note(self, data: bytes, t_us: int) -> int:
        notes = self._input.row.notes
        channel = data[0] & 0x0F
        key = channel << 7 | data[1]
        if data[0] >= 0x90 and data[2]:
            if not self._has_room(self._input.row):
                return -1
            number = notes.begin(t_us, key, data[2])
            self._last_notes[data[:2]] = number
        else:
            ended = notes.end(t_us, key, End.LET_GO)
            if ended is None:
                return -1
            number = ended
            self._last_offs[bytes((0x80 | channel, data[1]))] = t_us
        self._input.voices(channel, t_us)
        return number

    def _has_room(self, row: Row) -> bool:
        if self._room:
            self._room -= 1
            return True
        row.missed_notes += 1
        return False

    def _heard_clock(self, t_us: int) -> None:
        self._input.clock(t_us)
        transport = self._transport
        transport.clock(t_us * 1000)
        bars = self.model.bars
        bar, within = divmod(transport.position, self._bar_clocks)
        if transport.playing and within == 0 and len(bars) < _MOST_BARS:
            bars.append((t_us, bar + 1))

    def _heard_other(self, data: bytes, t_us: int) -> None:
        transport = self._transport
        kind = kind_of(data)
        if kind is Kind.START:
            transport.start()
        elif kind is Kind.CONTINUE:
            transport.resume()
        elif kind is Kind.STOP:
            transport.stop()
            self._stop(True)
        elif kind is Kind.SONG_POSITION:
            transport.locate(song_position(data))
        elif kind is Kind.MODE and data[1] in (ALL_NOTES_OFF, ALL_SOUND_OFF):
            self._input.row.notes.end_channel(t_us, data[0] & 0x0F, End.LET_GO)
        if data in _CHANGES:
            self.model.changes.append((t_us, _CHANGES[data]))
        self._input.other(data, t_us, UNTOUCHED, 0)

    # ---- what goes out -------------------------------------------------------------------------

    def _trace_of(self, data: bytes) -> int:
        """The trace of what no entry made: does it come from the input, or from the engine?"""
        if data == self._now:
            return UNTOUCHED
        known = self._last_notes if data[0] < 0xA0 else self._last_lanes
        return UNTOUCHED if data[:2] in known or data[:1] in known else ENGINE

    def _sent_note_on(
        self, writer: RowWriter, data: bytes, t_us: int, making: Making | None
    ) -> None:
        row = writer.row
        if not self._has_room(row):
            return
        if making is not None:
            trace, _, _, cause, _ = making
        else:
            cause = self._last_notes.get(data[:2], -1)
            trace = UNTOUCHED if cause >= 0 else ENGINE
        key = (data[0] & 0x0F) << 7 | data[1]
        row.notes.begin(t_us, key, data[2], trace, cause)
        if cause >= 0:
            row.sources.add(self.model.input.notes.keys[cause] >> 7)
        number = writer.voices(key >> 7, t_us)
        self._link_voices(row, number)

    def _link_voices(self, row: Row, number: int) -> None:
        tracks = self.model.input.tracks
        for source, track in enumerate(tracks):
            if track.kind == "voices" and track.channel in row.sources:
                row.tracks[number].before.add(source)

    def _sent_note_off(
        self, writer: RowWriter, data: bytes, t_ns: int, making: Making | None
    ) -> None:
        notes = writer.row.notes
        key = (data[0] & 0x0F) << 7 | data[1]
        number = notes.oldest(key)
        if number is None:
            return
        passed = making is None and self._last_offs.get(data[:2], -1) >= notes.begins[number]
        kind = End.LET_GO if passed else self._why(notes.causes[number], making, t_ns)
        notes.end(t_ns // 1000, key, kind, making[0] if making else self._trace_of(data))
        writer.voices(key >> 7, t_ns // 1000)

    def _why(self, cause: int, making: Making | None, t_ns: int) -> End:
        """Why a note ends: what made its note-off, and did the input still hold it then?"""
        _, flags, decided_ns, _, _ = making or (0, 0, t_ns, -1, -1)
        let_go_us = self.model.input.notes.ends[cause] if cause >= 0 else 0
        if 0 <= let_go_us <= decided_ns // 1000:
            return End.LET_GO
        if making is None:
            return End.RELEASED
        if flags & AGAIN:
            return End.AGAIN
        if flags & FOR_A_NOTE:
            return End.STOLEN
        return End.CUT if flags & OWN else End.LET_GO

    def _sent_value(self, writer: RowWriter, data: bytes, t_us: int, making: Making | None) -> None:
        if making is not None:
            trace, flags, _, _, source = making
            writer.value(data, t_us, trace, flags & _OF_A_VALUE, source)
        else:
            source = self._last_lanes.get(data[:2] if data[0] < 0xC0 else data[:1], -1)
            writer.value(data, t_us, self._trace_of(data), 0, source)
