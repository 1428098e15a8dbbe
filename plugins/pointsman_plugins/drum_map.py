"""drum_map: one note becomes a prepared sound: a note, a channel, a velocity, and controls.

How this works. Each note-on of a mapped note is a *hit*. The controls that a hit sets are on loan:
`_loans` knows, for every control that some hit holds, how many hold it. Only when the last of them
lets go, the control is put back, to what it had before the first of them. So hits may overlap,
of one drum or of several, and never take each other's values for the player's own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from typing import Annotated, Any, Literal, Self, cast

from pydantic import (
    Field,
    PlainSerializer,
    PlainValidator,
    WithJsonSchema,
    WrapValidator,
)

from pointsman.plugin import (
    SHOWN,
    Away,
    Channel,
    Control,
    ControlReader,
    ControlRef,
    Duration,
    Emission,
    Flow,
    HeldNotes,
    Host,
    Kind,
    NoteNumber,
    Plugin,
    PluginOptions,
    Step,
    Timer,
    Whole,
    clears_notes,
    flow_of,
    hookimpl,
    missing,
    named_twice,
    note_off,
    note_on,
    parse_duration,
    read_on,
)

Setting = Annotated[int, Whole(0, 16383, "a value", top_shown="127 (16383 with 14 bits)")]


def _settable(written: Any, read: Callable[[Any], dict[ControlRef, int]]) -> dict[ControlRef, int]:
    """Each control once, at a value that it can have."""
    controls = read(written)
    if len(controls) < len(written) or named_twice(controls):
        raise ValueError("one control stands here twice, under two names; keep one of them")
    for ref, value in controls.items():
        if value > ref.top:
            raise ValueError(f"'{value}' is too high for '{ref.name}'; write 0 to {ref.top}")
    return controls


class Drum(PluginOptions):
    """What one note becomes."""

    note: Annotated[
        NoteNumber | None, Field(description="the note that is played; default the same")
    ] = None
    channel: Annotated[
        Channel | None, Field(description="the channel on which; default the same")
    ] = None
    velocity: Annotated[
        Annotated[int, Whole(1, 127, "a velocity")] | None,
        Field(description="how hard; default as it was played"),
    ] = None
    controls: Annotated[
        dict[Control, Setting],
        WrapValidator(_settable),
        Field(description="controls that are set just before the note, in this order"),
    ] = {}  # noqa: RUF012 - pydantic copies it


Return = Literal["note_off", "never"] | Duration


def _read_return(value: object) -> Return:
    if isinstance(value, Duration):
        return value
    if value in ("note_off", "never"):
        return cast(Return, value)
    try:
        return parse_duration(str(value))
    except ValueError:
        wrong = missing(value) or f"'{value}' is none of the choices"
        right = "write note_off, never or a duration such as 120ms"
        raise ValueError(f"{wrong}; {right}") from None


class DrumMapOptions(PluginOptions):
    """What drum_map can be told."""

    notes: Annotated[
        dict[NoteNumber, Drum],
        Field(description="for each note that comes in, the sound that it becomes"),
    ]
    return_: Annotated[
        Return,
        PlainValidator(_read_return),
        PlainSerializer(str),
        WithJsonSchema({"type": "string", SHOWN: "note_off, never or a duration"}),
        Field(
            alias="return",
            description="when controls are put back: at the note-off, never, or so long after "
            "the note-on",
        ),
    ] = "note_off"

    def foresee(self, flow: Flow) -> list[Flow]:
        """Beside the notes that pass, the sounds, each with its controls."""
        if flow.kind is not Kind.NOTE_ON or flow.channel is None:
            return [flow]
        flows = [flow]
        for key, drum in self.notes.items():
            note = key if drum.note is None else drum.note
            channel = flow.channel if drum.channel is None else drum.channel - 1
            for ref, value in drum.controls.items():
                flows += [flow_of(message) for message in ref.messages(channel, value)]
            flows.append(Flow(Kind.NOTE_ON, channel, None, note, note))
        return flows


class _Hit:
    """One note that was struck: what it became, and the controls that it holds."""

    __slots__ = ("channel", "held", "note", "timer")

    def __init__(self, channel: int, note: int, held: Iterable[ControlRef]) -> None:
        self.channel = channel
        self.note = note
        self.held = held
        self.timer: Timer | None = None


class _Loan:
    """A control that hits have set: how many hold it, and what the synth has now."""

    __slots__ = ("holders", "value")

    def __init__(self) -> None:
        self.holders = 0
        self.value = 0


class DrumMap(Plugin[DrumMapOptions]):
    """Makes one note a prepared sound: another note, channel and velocity, and controls."""

    name = "drum_map"
    Options = DrumMapOptions

    def __init__(self, options: DrumMapOptions, host: Host) -> None:
        super().__init__(options, host)
        self._refs = refs = {ref for drum in options.notes.values() for ref in drum.controls}
        self._has_controls = bool(refs)
        self._drums = options.notes
        self._returns_at_note_off = options.return_ == "note_off"
        self._wait = options.return_ if isinstance(options.return_, Duration) else None
        self._reader = ControlReader(refs)
        self.only_controls = self._reader.numbers
        self._passed: dict[tuple[int, ControlRef], int] = {}
        self._loans: dict[tuple[int, ControlRef], _Loan] = {}
        self._held: HeldNotes[_Hit] = HeldNotes()
        self._timed: set[_Hit] = set()

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Controls concern us only where a drum sets some."""
        if kind is Kind.CONTROL and not self._has_controls:
            return None
        if kind is Kind.SYSEX and not self._reader.reads_sysex:
            return None
        return super().step_for(kind, channel)

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """A value passes, and is what its control has beside the drums."""
        found = self._reader.control(data)
        if found is not None:
            self._pass(data[0] & 0x0F, *found)
        return data

    def on_sysex(self, data: bytes, t_ns: int) -> Emission:
        """The same for controls that are reached by SysEx, on the synth's channel."""
        found = self._reader.sysex(data)
        if found is not None:
            self._pass(found[0].channel, *found)
        return data

    def _pass(self, channel: int, ref: ControlRef, value: int) -> None:
        self._passed[channel, ref] = value
        loan = self._loans.get((channel, ref))
        if loan is not None:
            loan.value = value

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Set the controls, then play the sound."""
        drum = self._drums.get(data[1])
        if drum is None:
            return data
        channel = data[0] & 0x0F if drum.channel is None else drum.channel - 1
        note = data[1] if drum.note is None else drum.note
        hit = _Hit(channel, note, drum.controls)
        self._held.begin(data, hit)
        if self._wait is not None:
            hit.timer = self.host.after(self._wait, t_ns, partial(self._wait_over, hit))
            self._timed.add(hit)
        messages: list[bytes] = []
        for ref, value in drum.controls.items():
            key = (channel, ref)
            loan = self._loans.get(key)
            if loan is None:
                loan = self._loans[key] = _Loan()
            loan.holders += 1
            loan.value = value
            messages += self._set(channel, ref, value)
        velocity = data[2] if drum.velocity is None else drum.velocity
        return [*messages, note_on(channel, note, velocity)]

    def on_note_off(self, data: bytes, t_ns: int) -> Emission:
        """End the sound that the note became; put its controls back first, if it is time."""
        hit = self._held.end(data)
        if hit is None:
            return data
        back = self._let_go(hit) if self._returns_at_note_off else []
        return [*back, bytes((data[0] & 0xF0 | hit.channel, hit.note, data[2]))]

    def on_key_pressure(self, data: bytes, t_ns: int) -> Emission:
        """Pressure on a key goes to the sound that it became."""
        hit = self._held.newest(data)
        if hit is None:
            return data
        return bytes((0xA0 | hit.channel, hit.note, data[2]))

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """All Notes Off and All Sound Off end what this channel's notes became elsewhere."""
        if not clears_notes(data):
            return data
        channel = data[0] & 0x0F
        ends: list[bytes] = []
        for _, hit in self._held.take(channel):
            if self._returns_at_note_off:
                ends += self._let_go(hit)
            if hit.channel != channel:
                ends.append(note_off(hit.channel, hit.note))
        return [*ends, data] if ends else data

    def _wait_over(self, hit: _Hit, t_ns: int) -> Emission:
        self._timed.discard(hit)
        return self._let_go(hit)

    def _let_go(self, hit: _Hit) -> list[bytes]:
        """A hit holds its controls no longer: what puts back those that nobody holds now."""
        back: list[bytes] = []
        for ref in hit.held:
            key = (hit.channel, ref)
            loan = self._loans[key]
            loan.holders -= 1
            if not loan.holders:
                back += self._end_loan(key, loan)
        return back

    def _end_loan(self, key: tuple[int, ControlRef], loan: _Loan) -> list[bytes]:
        del self._loans[key]
        before = self._before(key, loan)
        return [] if before is None else self._set(*key, before)

    def _before(self, key: tuple[int, ControlRef], loan: _Loan) -> int | None:
        """The value to which a control goes back; None where it need not, or nobody knows it."""
        before = self._passed.get(key, key[1].home)
        return None if before == loan.value else before

    def _set(self, channel: int, ref: ControlRef, value: int) -> list[bytes]:
        messages = ref.messages(channel, value)
        if ref.parameter is not None:
            messages += self._reader.reselect(channel, ref)
        return messages

    def flush(self, t_ns: int) -> Emission:
        """Put back every control; the engine ends what sounds."""
        for hit in self._timed:
            if hit.timer is not None:
                hit.timer.cancel()
        self._timed.clear()
        for hit in self._held.let_go(t_ns):
            hit.held = ()
        loans = list(self._loans.items())
        return [message for key, loan in loans for message in self._end_loan(key, loan)]

    def inherit(self, former: Self, t_ns: int) -> None:
        """Know the values that passed, and what held keys have become."""
        self._held.inherit(former._held, t_ns)
        read_on(self._reader, former._reader, self._refs)
        for key, value in former._passed.items():
            if key[1] in self._refs:
                self._passed[key] = value

    def _borrowed(self) -> Iterator[tuple[int, ControlRef, int, int]]:
        """Each control that will go back: channel, control, the value now, and the one before."""
        for key, loan in self._loans.items():
            before = self._before(key, loan)
            if before is not None:
                yield *key, loan.value, before

    def away(self) -> list[Away]:
        """Each control that a hit has set, with the value to which it goes back."""
        return [(channel, ref.name, value, home) for channel, ref, value, home in self._borrowed()]

    def homes(self) -> list[bytes]:
        """What puts them back."""
        homes: list[bytes] = []
        for channel, ref, _, before in self._borrowed():
            homes += self._set(channel, ref, before)
        return homes


@hookimpl
def pointsman_plugins() -> list[type[DrumMap]]:
    """Offer drum_map."""
    return [DrumMap]
