"""cc_reset: puts controls that were changed for one step back home by itself.

How this works. Each channel has steps of its own (`_Channel`), which look only at the controls that
a message may concern, and one `_Control` for every control that the rig names. That knows the home,
the value that passed last, and which note that value belongs to:

- a value belongs to the first note-on that comes no later than the window after it, its owner;
- notes up to the window after the owner belong to the same chord;
- home is sent when the first of the chosen occasions comes, and then the value is dealt with.

With `learn`, a value that no note-on follows within the window was moved by hand, and is the new
home. That is only known when the window is over, so such values wait in `undecided` until the next
event looks at them; nothing needs a timer for it.
"""

from __future__ import annotations

from collections import deque
from functools import partial
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from pointsman.plugin import (
    Away,
    Context,
    Control,
    ControlReader,
    ControlRef,
    Duration,
    Emission,
    Host,
    Kind,
    Made,
    OptionProblem,
    Plugin,
    PluginOptions,
    Step,
    Time,
    Timer,
    TransportChange,
    Whole,
    clears_notes,
    hookimpl,
    read_on,
)

Home = Annotated[
    int | Literal["device", "learn"], Whole(0, 16383, "a value", ("device", "learn"), "127")
]
Occasion = Literal["next_note", "note_off", "stop"]


class CcResetOptions(PluginOptions):
    """What cc_reset can be told."""

    moves_nothing = True

    controls: Annotated[
        dict[Control, Home],
        Field(
            min_length=1,
            description="each control with its home: a value, device (the device file's home), "
            "or learn (where your hand left it)",
        ),
    ]
    after: Annotated[Time | None, Field(description="go home so long after the newest value")] = (
        None
    )
    when: Annotated[
        list[Occasion],
        Field(
            description="go home just before the next note, right after the note-off, just before "
            "Stop; may be [] where 'after' is given"
        ),
    ] = ["next_note", "stop"]  # noqa: RUF012 - pydantic copies it
    window: Annotated[
        Time,
        Field(description="how long after a value its note, and after that its chord, may come"),
    ] = Duration("20ms", ns=20_000_000)

    @model_validator(mode="after")
    def _some_occasion(self) -> CcResetOptions:
        if not self.when and self.after is None:
            raise ValueError("home has no occasion; write after, or when: [next_note, stop]")
        return self

    def problems(self, context: Context) -> list[OptionProblem]:
        """`device` needs a device file that says where the control rests."""
        found = []
        for control, home in self.controls.items():
            if home == "device" and control.home is None:
                what = "'device' needs a device file that gives this control a 'home'; "
                found.append(OptionProblem(_place(control), f"{what}write a value, or learn"))
            elif isinstance(home, int) and home > control.top:
                what = f"the home {home} is too high; write 0 to {control.top}"
                found.append(OptionProblem(_place(control), what))
        return found


def _place(control: ControlRef) -> tuple[str, str]:
    return "controls", control.name


NEVER_NS = -(1 << 63)
"""Before any time."""


class _Control:
    """One control on one channel."""

    def __init__(self, channel: int, ref: ControlRef, home: int | None, learns: bool) -> None:
        self.channel = channel
        self.ref = ref
        self.learns = learns
        self.is_parameter = ref.parameter is not None
        self.home_messages: list[bytes] = []
        self.home: int | None = None
        self.settle(home)
        self.value = home
        self.value_ns = NEVER_NS
        self.owner_ns: int | None = None
        self.chord: set[int] = set()
        self.timer: Timer | None = None
        self.undecided: deque[tuple[int, int]] = deque()

    def settle(self, home: int | None) -> None:
        """This is its home from now on."""
        self.home = home
        self.home_messages = [] if home is None else self.ref.messages(self.channel, home)

    @property
    def away(self) -> bool:
        """Whether the control has a home and is not there."""
        return self.home is not None and self.value != self.home

    @property
    def surely_away(self) -> bool:
        """Whether it is away, and no value of a hand that only waits to be learnt as its home."""
        return self.away and not self.undecided

    @property
    def idle(self) -> bool:
        """Whether no note can concern it: it is home and nothing waits to be learnt."""
        return self.value == self.home and not self.undecided

    def change(self, value: int, t_ns: int) -> None:
        """A new value has passed: what belonged to the last one is over."""
        self.value = value
        self.value_ns = t_ns
        self.owner_ns = None
        if self.chord:
            self.chord.clear()
        if self.timer is not None:
            self.timer.cancel()
            self.timer = None

    def learn(self, before_ns: int) -> None:
        """What came before that time, and is undecided yet, was moved by hand: it is home."""
        undecided = self.undecided
        while undecided and undecided[0][0] < before_ns:
            self.settle(undecided.popleft()[1])

    def inherit(self, former: _Control) -> None:
        """Know what the synth has, and what was learnt, or is still to be."""
        if former.value_ns != NEVER_NS:
            self.value, self.value_ns = former.value, former.value_ns
        if self.learns and former.learns:
            self.settle(former.home)
            self.undecided.extend(former.undecided)


def _control(channel: int, ref: ControlRef, home: int | str) -> _Control:
    value = ref.home if home == "device" else home
    return _Control(channel, ref, value if isinstance(value, int) else None, home == "learn")


class _Channel:
    """The controls of one channel, and what the messages on it do to them."""

    def __init__(
        self, channel: int, options: CcResetOptions, reader: ControlReader, host: Host
    ) -> None:
        homes = options.controls
        self.controls = {ref.name: _control(channel, ref, home) for ref, home in homes.items()}
        # Those that one control change sets, by number: most of them, and quickest found.
        self._plain = {c.ref.cc: c for c in self.controls.values() if c.ref.is_plain}
        # Those that a note may concern: most often none, so that a note costs next to nothing.
        self.active: list[_Control] = []
        # Those whose last note has just ended: they follow it home.
        self._leaving: list[_Control] = []
        self._on_next_note = "next_note" in options.when
        self._after = options.after
        self._window = options.window
        self._fixed_window_ns = 0 if self._window.clocks is not None else self._window.ns
        self._reader = reader
        self._host = host

    def _window_ns(self) -> int:
        return self._fixed_window_ns or self._host.transport.to_ns(self._window)

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """Remember the value, and when it came."""
        control = self._plain.get(data[1])
        if control is not None:
            self.moved(control, data[2], t_ns)
        elif (found := self._reader.control(data)) is not None:
            ref, value = found
            self.moved(self.controls[ref.name], value, t_ns)
        return data

    def moved(self, control: _Control, value: int, t_ns: int) -> None:
        """A control has got this value."""
        control.change(value, t_ns)
        if control.learns:
            control.learn(t_ns - self._window_ns())
            control.undecided.append((t_ns, value))
        idle = value == control.home and not control.undecided
        active = self.active
        if (control in active) == idle:
            if active:
                self.find_active()
            else:  # it is the only one
                active.append(control)
        if self._after is not None:
            self.wait(control, t_ns)

    def wait(self, control: _Control, t_ns: int) -> None:
        """Begin the time that `after` gives, if it does."""
        if self._after is not None and not control.idle:
            control.timer = self._host.after(self._after, t_ns, partial(self._waited, control))

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """A note that has nothing to do with a value sends it home first."""
        active = self.active
        if not active:
            return data
        note, window_ns = data[1], self._fixed_window_ns or self._window_ns()
        leaving = []
        for control in active:
            owner_ns = control.owner_ns
            if owner_ns is None and t_ns - control.value_ns <= window_ns:
                control.owner_ns = owner_ns = t_ns
            if owner_ns is not None and t_ns - owner_ns <= window_ns:
                control.chord.add(note)
            elif self._on_next_note:
                leaving.append(control)
        return [*self._send_home(leaving), data] if leaving else data

    def on_note_on_after_hand(self, data: bytes, t_ns: int) -> Emission:
        """The same where a hand may have moved a control: that is learnt by now, or never."""
        if not self.active:
            return data
        before_ns = t_ns - self._window_ns()
        for control in self.active:
            control.learn(before_ns)
            control.undecided.clear()
        self.find_active()  # some may be home now without having been sent there
        return self.on_note_on(data, t_ns)

    def on_note_off(self, data: bytes, t_ns: int) -> Made:
        """The end of a value's chord sends it home afterwards."""
        active = self.active
        if not active:
            return data
        note = data[1]
        for control in active:
            chord = control.chord
            if note in chord:
                chord.remove(note)
                if not chord:  # this was the last of it
                    self._leaving.append(control)
        return self._send_left if self._leaving else data

    def _send_left(self, t_ns: int) -> Emission:
        leaving, self._leaving = self._leaving, []
        return self._send_home(leaving)

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """All Notes Off and All Sound Off end every chord of their channel."""
        if not clears_notes(data):
            return data
        leaving = [control for control in self.active if control.chord]
        return [data, *self._send_home(leaving)] if leaving else data

    def flush(self, t_ns: int) -> list[bytes]:
        """Home for every control that is away."""
        before_ns = t_ns - self._window_ns()
        for control in self.active:
            control.learn(before_ns)
        return self._send_home(list(self.active))

    def _waited(self, control: _Control, t_ns: int) -> Emission:
        """The time that `after` gives is over."""
        control.timer = None
        control.learn(t_ns - self._window_ns())
        return self._send_home([control])

    def _send_home(self, leaving: list[_Control]) -> list[bytes]:
        """The messages that put these controls home, where they are away."""
        homes: list[bytes] = []
        active = self.active
        for control in leaving:
            home = control.home
            if home is None or home == control.value:
                control.chord.clear()
                idle = control.idle
            else:
                control.change(home, control.value_ns)
                idle = not control.undecided
                homes += self.home_of(control) if control.is_parameter else control.home_messages
            if idle and control in active:
                active.remove(control)
        return homes

    def home_of(self, control: _Control) -> list[bytes]:
        """What puts a control home; the stream's own parameter is selected again after that."""
        return [*control.home_messages, *self._reader.reselect(control.channel, control.ref)]

    def find_active(self) -> None:
        """Look through all controls for those that a note may concern."""
        self.active = [c for c in self.controls.values() if not c.idle]

    def inherit(self, former: _Channel, t_ns: int) -> None:
        """Keep what was learnt of controls that are still named, and know what the synth has."""
        known = {control.ref: control for control in former.controls.values()}
        for control in self.controls.values():
            if control.ref in known:
                control.inherit(known[control.ref])
                self.wait(control, t_ns)
        self.find_active()


class CcReset(Plugin[CcResetOptions]):
    """Puts controls that were changed for one step back home by itself."""

    name = "cc_reset"
    Options = CcResetOptions

    def __init__(self, options: CcResetOptions, host: Host) -> None:
        super().__init__(options, host)
        self._reader = ControlReader(options.controls)
        self.only_controls = self._reader.numbers
        self._channels = [_Channel(n, options, self._reader, host) for n in range(16)]

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Notes concern us only where an occasion, or learning, depends on them."""
        if channel is None:
            return self.on_sysex if kind is Kind.SYSEX and self._reader.reads_sysex else None
        when = self.options.when
        steps = self._channels[channel]
        if kind is Kind.CONTROL:
            return steps.on_control
        if kind is Kind.NOTE_ON:
            if "learn" in self.options.controls.values():
                return steps.on_note_on_after_hand
            return steps.on_note_on if {"next_note", "note_off"} & {*when} else None
        if kind is Kind.NOTE_OFF and "note_off" in when:
            return steps.on_note_off
        return steps.on_mode if kind is Kind.MODE and "note_off" in when else None

    def on_sysex(self, data: bytes, t_ns: int) -> Emission:
        """A control that is reached by SysEx has moved, on the synth's channel."""
        found = self._reader.sysex(data)
        if found is not None:
            ref, value = found
            steps = self._channels[ref.channel]
            steps.moved(steps.controls[ref.name], value, t_ns)
        return data

    def on_transport(self, change: TransportChange, t_ns: int) -> Emission:
        """Stop sends home what is away."""
        stops = change is TransportChange.STOP and "stop" in self.options.when
        return self.flush(t_ns) if stops else None

    def flush(self, t_ns: int) -> Emission:
        """Home for every control that is away."""
        return [data for channel in self._channels for data in channel.flush(t_ns)]

    def inherit(self, former: Self, t_ns: int) -> None:
        """Keep what was learnt of controls that are still named, and know what the synth has.

        So a control whose home is another now goes there at its next occasion.
        """
        read_on(self._reader, former._reader, self.options.controls)
        for channel, its_former in zip(self._channels, former._channels, strict=True):
            channel.inherit(its_former, t_ns)

    def _all_away(self) -> list[tuple[_Control, int, int]]:
        """Each control that is surely away, with its value and its home."""
        return [
            (control, control.value, control.home)
            for channel in self._channels
            for control in channel.active
            if control.surely_away and control.value is not None and control.home is not None
        ]

    def away(self) -> list[Away]:
        """Each control that a step has moved and that is not home yet."""
        return [(c.channel, c.ref.name, value, home) for c, value, home in self._all_away()]

    def homes(self) -> list[bytes]:
        """What sends them home."""
        return [
            data
            for control, _, _ in self._all_away()
            for data in self._channels[control.channel].home_of(control)
        ]


@hookimpl
def pointsman_plugins() -> list[type[CcReset]]:
    """Offer cc_reset."""
    return [CcReset]
