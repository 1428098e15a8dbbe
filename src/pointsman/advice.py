"""Advice on a rig: where it contradicts the devices of its outputs, though nothing in it is wrong.

(And where it fills a wire: that is in `wire_advice`.)

That is: a control that a device does not list, a channel that it does not hear, notes outside its
range, a kind of message or a clock that it ignores.

How this works. For each output that has a device, messages of every kind on every channel are
followed through the chain: the options of each entry say what becomes of them (`foresee`), and
what the entry sends of its own accord (`adds`). With each such flow goes the entry that last had a
hand in its channel, its control, its notes, its kind. In the end only what some entry had a hand
in is judged: what comes in from outside and passes as it is, is nobody's mistake. What an entry
cannot foretell is left out, and nothing is said of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pydantic import BaseModel

from pointsman.control_refs import DATA_ENTRY, SELECTING, ControlRef
from pointsman.device import Device
from pointsman.errors import Problem
from pointsman.flow import Flow, flow_of
from pointsman.message import Kind
from pointsman.options import PluginOptions
from pointsman.plugin import Plugin
from pointsman.rig import EntrySpec, OutputSpec, Rig
from pointsman.units import note_name
from pointsman.validation import Origin, Place
from pointsman.wire_advice import advise_shared, advise_wires

FINE_ENTRY, INCREMENT, DECREMENT = 38, 96, 97
BANK_SELECT = (0, 32)
UNLISTED = frozenset({DATA_ENTRY, FINE_ENTRY, INCREMENT, DECREMENT, *SELECTING, *BANK_SELECT})
"""Controls that carry NRPNs, RPNs and programs: no device has to list them by name."""

_CHANNEL_KINDS = (
    Kind.NOTE_ON, Kind.CONTROL, Kind.PROGRAM, Kind.BEND, Kind.CHANNEL_PRESSURE, Kind.KEY_PRESSURE,
)  # fmt: skip
_SYSTEM_KINDS = (Kind.SYSEX, Kind.SONG_POSITION, Kind.SONG_SELECT, Kind.CLOCK, Kind.START)
_HEARD_AS = {
    Kind.NOTE_ON: "note", Kind.CONTROL: "control", Kind.PROGRAM: "program", Kind.BEND: "bend",
    Kind.CHANNEL_PRESSURE: "channel_pressure", Kind.KEY_PRESSURE: "key_pressure",
    Kind.SYSEX: "sysex", Kind.SONG_POSITION: "song_position", Kind.SONG_SELECT: "song_select",
    Kind.CLOCK: "clock", Kind.START: "transport",
}  # fmt: skip
"""The words of a device file's `receives`."""


def advise(rig: Rig) -> list[Problem]:
    """Where the rig contradicts its devices, or fills a wire; by line, each thing once."""
    found = [problem for spec in rig.outputs if spec.device for problem in _Judge(rig, spec).all()]
    chains = (rig.input_chain, *(spec.chain for spec in rig.outputs))
    found += advise_wires(rig, {cc for chain in chains for cc in _named(chain)})
    found += advise_shared(rig)
    return sorted(dict.fromkeys(found), key=lambda p: (p.path != str(rig.path), *p[:3]))


@dataclass(frozen=True)
class _Trace:
    """A flow, and who last had a hand in it; None is whoever plays into the input."""

    flow: Flow
    channel: EntrySpec | None = None
    control: EntrySpec | None = None
    notes: EntrySpec | None = None
    kind: EntrySpec | None = None

    def after(self, flow: Flow, entry: EntrySpec, *, named: bool) -> _Trace:
        """What it is once an entry has made `flow` of it; `named`: its options name the control."""
        before = self.flow
        return _Trace(
            flow,
            self.channel if flow.channel == before.channel else entry,
            self.control if flow.control == before.control and not named else entry,
            self.notes if (flow.low, flow.high) == (before.low, before.high) else entry,
            self.kind if flow.kind is before.kind else entry,
        )


@dataclass
class _Outflow:
    """What leaves a chain; `unsure` are the kinds of which some got out of sight."""

    traces: list[_Trace]
    unsure: set[Kind] = field(default_factory=set)

    def through(self, chain: Sequence[EntrySpec]) -> None:
        """Follow the flows through a chain."""
        for entry in chain:
            if not entry.bypass:
                self.traces = [*self._through(entry), *_added(entry)]

    def _through(self, entry: EntrySpec) -> Iterator[_Trace]:
        works_on = set(_worked_on(entry.options))
        for trace in self.traces:
            flow = trace.flow
            if entry.channels is not None and flow.channel not in entry.channels:
                yield trace
                continue
            becomes = entry.options.foresee(flow)
            if becomes is None:
                becomes = [flow] if _passes_by(entry.plugin, flow.kind) else []
                self.unsure.update([] if becomes else [flow.kind])
            for each in becomes:
                yield trace.after(each, entry, named=each.control in works_on)


def _worked_on(options: PluginOptions) -> Iterator[int]:
    """The controls whose values an entry changes, and that leave it as what they are."""
    if options.moves_nothing:
        for _, ref in refs(options):
            yield from _numbers(ref)


def _added(entry: EntrySpec) -> list[_Trace]:
    return [_Trace(flow, entry, entry, entry, entry) for flow in entry.options.adds()]


def _passes_by(plugin: type[Plugin[Any]], kind: Kind) -> bool:
    """Whether a plugin cannot be concerned with a kind of message, as its class shows."""
    return plugin.step_for is Plugin.step_for and not hasattr(plugin, f"on_{kind.value}")


def refs(options: PluginOptions) -> Iterator[tuple[Place, ControlRef]]:
    """The controls that options name, each with its place in them."""
    for name, info in type(options).model_fields.items():
        yield from _refs(getattr(options, name), (info.alias or name,))


def _named(chain: Iterable[EntrySpec]) -> set[int]:
    """The controls that are named in a chain, by number."""
    return {ref.cc for entry in chain for _, ref in refs(entry.options) if ref.cc is not None}


def _refs(value: object, place: Place) -> Iterator[tuple[Place, ControlRef]]:
    if isinstance(value, ControlRef):
        yield place, value
    elif isinstance(value, BaseModel):
        for name, info in type(value).model_fields.items():
            yield from _refs(getattr(value, name), (*place, info.alias or name))
    elif isinstance(value, Mapping):
        for key, item in value.items():
            below = (*place, key.name if isinstance(key, ControlRef) else str(key))
            yield from _refs(key, below)
            yield from _refs(item, below)
    elif isinstance(value, list | tuple):
        for number, item in enumerate(value):
            yield from _refs(item, (*place, number))


class _Judge:
    """Judges one output."""

    def __init__(self, rig: Rig, spec: OutputSpec) -> None:
        assert spec.device is not None
        self._spec = spec
        self._device: Device = spec.device
        self._octave = rig.middle_c_octave
        chain = (*rig.input_chain, *spec.chain)
        out = _Outflow([_Trace(flow) for flow in _everything(_named(chain))])
        out.through(rig.input_chain)
        out.traces = [_Trace(trace.flow) for trace in out.traces]  # no output's doing
        out.through(spec.chain)
        self._out = out
        self._listed = {
            number for ref in self._device.controls.values() for number in _numbers(ref)
        }

    def all(self) -> Iterator[Problem]:
        """Everything there is to say."""
        for message, origin in zip(self._spec.opening, self._spec.opening_origins, strict=False):
            yield from self._opening(flow_of(message), origin)
        yield from self._nothing_heard()
        yield from self._clock()
        for trace in self._out.traces:
            yield from self._kind(trace)
            yield from self._channel(trace)
            yield from self._control(trace)
            yield from self._notes(trace)

    def _opening(self, flow: Flow, origin: Origin) -> Iterator[Problem]:
        for place, what in (
            ((), self._about_kind(flow)),
            (("channel",), self._about_channel(flow)),
            (("control",), self._about_control(flow)),
        ):
            if what:
                yield origin.problem(place, what)

    def _kind(self, trace: _Trace) -> Iterator[Problem]:
        what = self._about_kind(trace.flow)
        if what and trace.kind:
            yield from _say(trace.kind, (), what)

    def _channel(self, trace: _Trace) -> Iterator[Problem]:
        what = self._about_channel(trace.flow)
        if what and trace.channel:
            yield from _say(trace.channel, (), what)

    def _control(self, trace: _Trace) -> Iterator[Problem]:
        what = self._about_control(trace.flow)
        if what and trace.control:
            found = refs(trace.control.options)
            places = [place for place, ref in found if trace.flow.control in _numbers(ref)]
            yield from _say(trace.control, places[-1] if places else (), what)

    def _notes(self, trace: _Trace) -> Iterator[Problem]:
        plays = self._device.notes
        if plays is None or trace.notes is None or _within(trace.flow, plays):
            return
        leave = f"{_ends(trace.flow.low, trace.flow.high, self._octave)} can leave here"
        plays_what = f"{self._name} plays {_ends(*plays, self._octave)}"
        yield from _say(trace.notes, (), f"{leave}, and {plays_what}; keep within those")

    def _clock(self) -> Iterator[Problem]:
        leaving = {trace.flow.kind for trace in self._out.traces}
        sent = [kind for kind in (Kind.CLOCK, Kind.START) if kind in leaving]
        words = [_HEARD_AS[kind] for kind in sent if not self._hears(kind)]
        if words and self._spec.origin:
            goes, it = ("go", "them") if len(words) > 1 else ("goes", "it")
            drop = ", ".join(f"{word}: drop" for word in words)
            what = f"{' and '.join(words)} {goes} to {self._name}, which ignores {it}"
            right = f"add - {{plugin: clock_filter, {drop}}} to its chain"
            yield self._spec.origin.problem((), f"{what}; {right}")

    def _nothing_heard(self) -> Iterator[Problem]:
        """No note is on the channel that the synth hears, and all of them are in sight.

        An entry that sends them elsewhere gets its own line instead.
        """
        channel = self._device.channel
        traces = [trace for trace in self._out.traces if trace.flow.kind is Kind.NOTE_ON]
        notes = set() if any(t.channel for t in traces) else {t.flow.channel for t in traces}
        if (
            channel is None
            or not notes
            or Kind.NOTE_ON in self._out.unsure
            or not self._spec.origin
        ):
            return
        if channel - 1 not in notes:
            leave = ", ".join(str(each + 1) for each in sorted(c for c in notes if c is not None))
            what = f"notes leave on channel {leave}, and {self._name} hears channel {channel}"
            yield self._spec.origin.problem((), f"{what}; it stays silent: send them on {channel}")

    # ---- what contradicts the device ----------------------------------------------------------

    @property
    def _name(self) -> str:
        return self._device.device

    def _hears(self, kind: Kind) -> bool:
        heard = self._device.receives
        return heard is None or kind not in _HEARD_AS or _HEARD_AS[kind] in heard

    def _about_kind(self, flow: Flow) -> str:
        if self._hears(flow.kind):
            return ""
        word = _HEARD_AS[flow.kind]
        return f"{self._name} does not receive {word}; take this out, or add {word} to its receives"

    def _about_channel(self, flow: Flow) -> str:
        heard = self._device.channel
        if heard is None or flow.channel is None or flow.channel == heard - 1:
            return ""
        return (
            f"this goes to channel {flow.channel + 1}, and {self._name} hears channel {heard}; "
            f"write {heard}, or change the channel in its device file"
        )

    def _about_control(self, flow: Flow) -> str:
        number = flow.control
        if not self._listed or number is None or number in self._listed | UNLISTED:
            return ""
        if not self._hears(Kind.CONTROL):
            return ""
        names = list(self._device.controls)
        some = ", ".join(names[:6]) + (", …" if len(names) > 6 else "")
        return f"{self._name} lists no control {number}; write one that it lists: {some}"


def _within(flow: Flow, plays: tuple[int, int]) -> bool:
    """Whether the notes of a flow are known to leave neither end, and to meet the range at all."""
    low, high = flow.low, flow.high
    low_is_right = low is None or plays[0] <= low <= plays[1]
    return low_is_right and (high is None or plays[0] <= high <= plays[1])


def _ends(low: int | None, high: int | None, octave: int) -> str:
    """Notes from one end to the other, either of which may be open."""
    first, last = (
        "" if note is None else f"{note} ({note_name(note, octave)})" for note in (low, high)
    )
    if not last:
        return f"notes from {first} up"
    if not first:
        return f"notes up to {last}"
    return f"note {first}" if low == high else f"notes {first} to {last}"


def _say(entry: EntrySpec, place: Place, what: str) -> Iterable[Problem]:
    return [entry.origin.problem(place, what)] if entry.origin else []


def _numbers(ref: ControlRef) -> set[int]:
    return {number for number in (ref.cc, ref.fine) if number is not None}


def _everything(named: set[int]) -> Iterator[Flow]:
    """Whatever may come in."""
    for channel in range(16):
        for kind in _CHANNEL_KINDS:
            yield Flow(kind, channel)
        for number in sorted(named):
            yield Flow(Kind.CONTROL, channel, number)
    for kind in _SYSTEM_KINDS:
        yield Flow(kind)
