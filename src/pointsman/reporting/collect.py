"""Listens to a render, and puts together what is drawn.

Memory is bounded: a lane keeps the shape of what it cannot keep whole (`lanes`), and of notes the
first `MOST_NOTES` are kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from pointsman.control_refs import SELECTING, ControlReader
from pointsman.controls import NAME_BY_CONTROL
from pointsman.device import Device
from pointsman.message import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    CLOCK,
    FIRST_MODE,
    Kind,
    kind_of,
    song_position,
)
from pointsman.reporting.lanes import HOME, OWN, TIMED, Lane, share_out
from pointsman.reporting.meters import FULL, TENTHS, LoadMeter, TempoMeter
from pointsman.reporting.model import Model, Row, Track
from pointsman.reporting.notes import End
from pointsman.reporting.tracing import AGAIN, ENGINE, FOR_A_NOTE, UNTOUCHED, Making, Tracer
from pointsman.rig import OutputSpec, Rig
from pointsman.transport import Transport, TransportChange
from pointsman.units import CLOCKS_PER_BAR
from pointsman.words import BEND_CENTRE, describe

MOST_NOTES = 400_000
"""Notes that are kept of all rows together, at about 30 bytes each."""

MOST_VALUES = 800_000
"""Values of all lanes together that are drawn."""

_MOST_TEXTS = 4000
_MOST_BARS = 100_000
_DIN_RATE = 3125
_ACTIVE_SENSING = 0xFE
_OF_A_VALUE = OWN | HOME | TIMED
_CHANGES = {
    b"\xfa": TransportChange.START,
    b"\xfb": TransportChange.CONTINUE,
    b"\xfc": TransportChange.STOP,
}


class RowWriter:
    """Keeps what one row was sent; the collector says what made it."""

    def __init__(self, row: Row, octave: int) -> None:
        self.row = row
        self._octave = octave
        self._tracks: dict[object, int] = {}
        self._places: dict[bytes, tuple[int, Track]] = {}
        controls = row.device.controls.values() if row.device else ()
        self._reader = ControlReader(ref for ref in controls if not ref.is_plain)
        self._read = frozenset(self._reader.numbers)
        rate = row.wire_rate or _DIN_RATE
        clock = self._track("clock", lambda: _measured("clock", "tempo", ("tempo ", " a minute")))
        load = self._track("load", lambda: _measured("load", "wire", ("wire ", "% full")))
        row.tracks[load].high = FULL
        self._tempo = TempoMeter(row.tracks[clock].lane)
        self._load = LoadMeter(row.tracks[load].lane, rate, row.wire_rate is not None)
        self.count = self._load.add
        """A message takes room on the wire: its bytes, and when."""
        self.stopping = False
        """Whether what is sent now is sent because the song, or all, ends."""

    def clock(self, t_us: int) -> None:
        """A clock."""
        self._tempo.clock(t_us)

    def close(self, t_us: int) -> None:
        """The end."""
        self._tempo.close()
        self._load.close(t_us)
        self.row.messages = self._load.messages
        tempo = self.row.tracks[self._tracks["clock"]]
        tempo.high = max([TENTHS, *tempo.lane.values])

    def voices(self, channel: int, t_us: int) -> int:
        """Note how many notes sound on a channel (0-15); returns the number of the track."""
        number = self._track(("voices", channel), lambda: self._voices_track(channel))
        track = self.row.tracks[number]
        now = self.row.notes.at_once[channel]
        track.lane.add(t_us, now)
        track.high = max(track.high, now)
        return number

    def _voices_track(self, channel: int) -> Track:
        limit = self.row.device.voices if self.row.device else None
        words = ("", f" at once, channel {channel + 1}")
        title = f"voices, channel {channel + 1}"
        high = (limit or 0) + 1
        return Track("voices", title, Lane(), words, high=high, home=limit, channel=channel)

    def value(self, data: bytes, t_us: int, trace: int, flags: int, source: int = -1) -> int:
        """A message with a value; returns the number of its track, -1 if it has none.

        `source` is the number of the input's track that it was made from; -1: none.
        """
        place = data[:2] if data[0] < 0xC0 else data[:1]
        known = self._places.get(place)
        if known is None:
            if data[0] & 0xF0 == 0xB0 and data[1] in self._read:
                return self._read_control(data, t_us, trace, flags, source)
            known = self._places[place] = self._find_place(data)
        number, track = known
        value = data[-1] if data[0] & 0xF0 != 0xE0 else data[1] | data[2] << 7
        if flags:
            flags = self._checked(track, value, trace, flags)
        if source >= 0:
            track.before.add(source)
        track.lane.add(t_us, value, trace, flags)
        return number

    def _find_place(self, data: bytes) -> tuple[int, Track]:
        status, channel = data[0] & 0xF0, data[0] & 0x0F
        if status == 0xB0:
            key = (status, channel, data[1])
            number = self._track(key, lambda: self._plain(data[1], channel))
        else:
            number = self._track((status, channel), lambda: _value_track(status, channel))
        return number, self.row.tracks[number]

    def _read_control(self, data: bytes, t_us: int, trace: int, flags: int, source: int) -> int:
        """A control change that is part of a longer way to a control."""
        channel = data[0] & 0x0F
        found = self._reader.control(data)
        if found is not None:
            ref, value = found
            key = (0xB0, channel, ref.name)
            number = self._track(key, lambda: self._named(ref.name, channel))
        elif data[1] in SELECTING:
            return -1
        else:
            number, value = self._find_place(data)[0], data[2]
        return self._enter(number, t_us, value, trace, flags, source)

    def _enter(
        self, number: int, t_us: int, value: int, trace: int, flags: int, source: int = -1
    ) -> int:
        track = self.row.tracks[number]
        if source >= 0:
            track.before.add(source)
        track.lane.add(t_us, value, trace, self._checked(track, value, trace, flags))
        return number

    def _checked(self, track: Track, value: int, trace: int, flags: int) -> int:
        """The flags, without HOME where the value does not bring the control home.

        It was there, or nobody knows where it was. Or it is one of a wave: the same line has sent
        the value before it as well, when nothing had come, and this is not the end.
        """
        if flags & HOME:
            last = track.lane.last
            in_wave = last is not None and last[2] == trace and last[3] & flags & TIMED
            if last is None or last[1] == value or (in_wave and not self.stopping):
                return flags & ~HOME
            if track.home is None:
                track.home = value
        return flags

    def _named(self, name: str, channel: int) -> Track:
        device = self.row.device
        assert device is not None
        ref = device.controls[name]
        words = (f"control {name} ", f" channel {channel + 1}")
        track = Track("control", name, Lane(), words, home=ref.home, channel=channel)
        track.high = ref.top
        return track

    def _plain(self, control: int, channel: int) -> Track:
        name, home = _control_name(control, self.row.device)
        full = f"{control} ({name})" if name else str(control)
        words = (f"control {full} ", f" channel {channel + 1}")
        title = name or f"control {control}"
        if self.row.device is None:
            title = f"{control} {name}".strip() + f", channel {channel + 1}"
        return Track("control", title, Lane(), words, home=home, channel=channel)

    def other(self, data: bytes, t_us: int, trace: int, flags: int) -> None:
        """A message without a value of its own: it gets a mark."""
        found = self._reader.sysex(data) if self._reader.reads_sysex and data[0] == 0xF0 else None
        if found is not None:
            ref, value = found
            key = (0xB0, ref.channel, ref.name)
            number = self._track(key, lambda: self._named(ref.name, ref.channel))
            self._enter(number, t_us, value, trace, flags)
            return
        number = self._track("other", lambda: _measured("other", "other messages", ("", "")))
        texts = self.row.texts
        if len(texts) < _MOST_TEXTS:
            texts.append(describe(data, self.row.device, self._octave))
        self.row.tracks[number].lane.add(t_us, len(texts) - 1, trace, flags)

    def _track(self, key: object, make: Callable[[], Track]) -> int:
        number = self._tracks.get(key)
        if number is None:
            number = self._tracks[key] = len(self.row.tracks)
            self.row.tracks.append(make())
        return number


def _measured(kind: str, title: str, words: tuple[str, str]) -> Track:
    return Track(kind, title, Lane(), words)


def _value_track(status: int, channel: int) -> Track:
    on = f" channel {channel + 1}"
    if status == 0xE0:
        return Track(
            "bend", "bend", Lane(), ("bend ", on), -BEND_CENTRE, 0, 16383, BEND_CENTRE, channel
        )
    if status == 0xC0:
        return Track("program", "program", Lane(), ("program ", on), 1, channel=channel)
    name = "channel pressure" if status == 0xD0 else "key pressure"
    return Track("pressure", name, Lane(), (f"{name.replace(' ', '_')} ", on), channel=channel)


def _control_name(control: int, device: Device | None) -> tuple[str, int | None]:
    """What a device calls a control, and its home; else its name in the standard, and None."""
    for name, ref in device.controls.items() if device else ():
        if ref.cc == control and ref.is_plain:
            return name, ref.home
    return NAME_BY_CONTROL.get(control, ""), None


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
