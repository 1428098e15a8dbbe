"""cc_thin: keeps a stream of control changes below a rate, and never loses the newest value.

How this works. Each control of each channel has one `_Value`: what was sent last, and when. What
comes sooner than the rate allows waits in it for its time, and a newer value takes its place.
`_waiting` holds, for each channel, those in which something waits, so that a note looks at nothing
else. A note-on lets them go first: a step's values must not come behind its note.
"""

from __future__ import annotations

from functools import partial
from typing import Annotated, Self

from pydantic import Field

from pointsman.plugin import (
    REST_OF_ENTRY,
    Context,
    Control,
    ControlReader,
    ControlRef,
    Emission,
    Flow,
    Host,
    Kind,
    OptionProblem,
    Plugin,
    PluginOptions,
    Step,
    Timer,
    Whole,
    hookimpl,
    read_on,
    resets_controls,
)

NS_PER_S = 1_000_000_000
FINE = 32
"""The fine half of control n is n + 32 (MIDI 1.0, 4.2.1, p. 12)."""

PEDALS = frozenset({64, 66, 67, 69})
"""Damper, sostenuto, soft pedal, hold 2: one that comes late or not at all is a stuck note."""

PARTS = frozenset({0, 6, *range(32, 64), *range(96, 102)})
"""Bank select, data entry, parameter numbers and fine halves are parts of sequences."""

BEFORE_NOTES = frozenset({84, 88})
"""Portamento control and the fine half of velocity count for the next note only (CA-031)."""

EXEMPT = PEDALS | PARTS | BEFORE_NOTES
COMPLETING = frozenset(range(FINE, 2 * FINE)) | REST_OF_ENTRY


class CcThinOptions(PluginOptions):
    """What cc_thin can be told."""

    moves_nothing = True

    per_second: Annotated[
        int,
        Whole(1, 10_000),
        Field(description="how many values a second each control may have"),
    ] = 100
    drop_repeats: Annotated[
        bool, Field(description="whether a value that the synth has already is left out")
    ] = True
    controls: Annotated[
        list[Control] | None,
        Field(min_length=1, description="the controls to thin; default all that can be thinned"),
    ] = None

    def pace(self, flow: Flow, per_second: float) -> float:
        """What is thinned comes no faster than it says."""
        thinned = self.controls is None or flow.control in {ref.cc for ref in self.controls}
        if flow.kind is not Kind.CONTROL or flow.control in EXEMPT or not thinned:
            return per_second
        return min(per_second, self.per_second)

    def problems(self, context: Context) -> list[OptionProblem]:
        """Some controls must not be thinned."""
        return [
            OptionProblem(
                ("controls", number),
                f"'{ref.name}' is never thinned, being {_why(ref.cc)}; take it out",
            )
            for number, ref in enumerate(self.controls or ())
            if ref.is_plain and ref.cc in EXEMPT
        ]


def _why(cc: int | None) -> str:
    if cc in PEDALS:
        return "a pedal that holds notes"
    return "part of a sequence" if cc in PARTS else "meant for the very next note"


class _Value:
    """One control on one channel; `sent` is what the synth has, None if that is unknown."""

    __slots__ = ("channel", "ref", "sent", "sent_ns", "timer", "waiting")

    def __init__(self, channel: int, ref: ControlRef) -> None:
        self.channel = channel
        self.ref = ref
        self.sent: int | None = None
        self.sent_ns: int | None = None
        self.waiting: int | None = None
        self.timer: Timer | None = None


class CcThin(Plugin[CcThinOptions]):
    """Keeps a stream of control changes below a rate, and never loses the newest value."""

    name = "cc_thin"
    Options = CcThinOptions

    def __init__(self, options: CcThinOptions, host: Host) -> None:
        super().__init__(options, host)
        refs = options.controls
        if refs is None:
            refs = [ControlRef(str(cc), cc=cc) for cc in range(120) if cc not in EXEMPT]
        self._refs = {ref: ref for ref in refs}
        self._gap_ns = -(-NS_PER_S // options.per_second)
        self._reader = ControlReader(refs)
        self._values: list[dict[str, _Value]] = [{} for _ in range(16)]
        self._waiting: list[list[_Value]] = [[] for _ in range(16)]
        self._left: tuple[int, list[_Value]] = (-1, [])

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """SysEx concerns us only where it sets one of the controls."""
        if kind is Kind.SYSEX and not self._reader.reads_sysex:
            return None
        return super().step_for(kind, channel)

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """A value goes on, waits, or is left out."""
        channel = data[0] & 0x0F
        found = self._reader.control(data)
        if found is not None:
            return self._take(channel, *found, data, t_ns)
        return self._complete(channel, data, t_ns) if data[1] in COMPLETING else data

    def on_sysex(self, data: bytes, t_ns: int) -> Emission:
        """The same for controls that are reached by SysEx, on the synth's channel."""
        found = self._reader.sysex(data)
        return data if found is None else self._take(found[0].channel, *found, data, t_ns)

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """What waits on the note's channel goes before it."""
        waiting = self._waiting[data[0] & 0x0F]
        return [*self._let_go(waiting, t_ns), data] if waiting else data

    def on_program(self, data: bytes, t_ns: int) -> Emission:
        """What waits goes first; and another program may have other values."""
        return self._forget(data, t_ns)

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """What waits goes before a reset, and the synth's values are unknown after it."""
        return self._forget(data, t_ns) if resets_controls(data) else data

    def _take(self, channel: int, ref: ControlRef, value: int, data: bytes, t_ns: int) -> Emission:
        state = self._values[channel].get(ref.name)
        if state is None:
            state = self._values[channel][ref.name] = _Value(channel, ref)
        if self.options.drop_repeats and value == state.sent:
            self._stop_waiting(state)
            return None
        if state.sent_ns is not None and t_ns < state.sent_ns + self._gap_ns:
            if state.waiting is None:
                self._waiting[channel].append(state)
                due_ns = state.sent_ns + self._gap_ns
                state.timer = self.host.at(due_ns, partial(self._due, state))
            state.waiting = value
            return None
        self._stop_waiting(state)
        state.sent, state.sent_ns = value, t_ns
        return data

    def _due(self, state: _Value, t_ns: int) -> Emission:
        return self._let_go([state], t_ns)

    def _let_go(self, states: list[_Value], t_ns: int) -> list[bytes]:
        """The messages for what waits in these, which then does not wait any more."""
        messages: list[bytes] = []
        for state in list(states):
            value = state.waiting
            self._stop_waiting(state)
            if value is not None:
                state.sent, state.sent_ns = value, t_ns
                messages += state.ref.messages(state.channel, value)
                messages += self._reader.reselect(state.channel, state.ref)
        return messages

    def _stop_waiting(self, state: _Value) -> None:
        if state.waiting is not None:
            state.waiting = None
            self._waiting[state.channel].remove(state)
        if state.timer is not None:
            state.timer.cancel()
            state.timer = None

    def _complete(self, channel: int, data: bytes, t_ns: int) -> Emission:
        """The other half of a value passes: the first half goes before it, and counts no more."""
        states = [v for v in self._values[channel].values() if self._completes(data, v.ref)]
        first = self._let_go(states, t_ns)
        for state in states:
            state.sent = None
        return [*first, data] if first else data

    def _completes(self, data: bytes, ref: ControlRef) -> bool:
        """Whether a control change that passes is the other half of this control."""
        if ref.parameter is not None:
            selected = self._reader.selected(data[0] & 0x0F)
            return data[1] in REST_OF_ENTRY and selected == ref.parameter
        return ref.cc is not None and data[1] == ref.cc + FINE

    def _forget(self, data: bytes, t_ns: int) -> Emission:
        channel = data[0] & 0x0F
        first = self._let_go(self._waiting[channel], t_ns)
        for state in self._values[channel].values():
            state.sent = None
        return [*first, data] if first else data

    def flush(self, t_ns: int) -> Emission:
        """Deliver what waits, and begin again."""
        last = [m for waiting in self._waiting for m in self._let_go(waiting, t_ns)]
        self._left = t_ns, [state for values in self._values for state in values.values()]
        for values in self._values:
            values.clear()
        return last

    def inherit(self, former: Self, t_ns: int) -> None:
        """Of the controls that are still thinned it is known what the synth has, and since when."""
        read_on(self._reader, former._reader, self._refs)
        left_ns, states = former._left
        for state in states if left_ns == t_ns else ():
            ref = self._refs.get(state.ref)
            if ref is not None:
                mine = self._values[state.channel][ref.name] = _Value(state.channel, ref)
                mine.sent, mine.sent_ns = state.sent, state.sent_ns


@hookimpl
def pointsman_plugins() -> list[type[CcThin]]:
    """Offer cc_thin."""
    return [CcThin]
