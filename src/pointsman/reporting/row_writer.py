"""Writes one row of a report: finds the lane of each message, measures clock, wire and voices."""

from __future__ import annotations

from collections.abc import Callable

from pointsman.control_refs import SELECTING, ControlReader
from pointsman.controls import NAME_BY_CONTROL
from pointsman.device import Device
from pointsman.reporting.lanes import HOME, TIMED, Lane
from pointsman.reporting.meters import FULL, TENTHS, LoadMeter, TempoMeter
from pointsman.reporting.model import Row, Track
from pointsman.words import BEND_CENTRE, describe

DIN_RATE = 3125
"""What a DIN wire carries, in bytes a second: 31,250 baud, ten bits a byte (MIDI 1.0)."""

_MOST_TEXTS = 4000


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
        rate = row.wire_rate or DIN_RATE
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
