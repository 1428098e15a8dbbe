"""Everything that a plugin needs, and all that the shipped ones use.

A plugin is a small class with a `name`, declared `Options`, and one method for each kind of
message that it is concerned with: `on_note_on`, `on_note_off`, `on_control`, `on_mode`,
`on_program`, `on_bend`, `on_channel_pressure`, `on_key_pressure`, `on_sysex`, `on_clock`,
`on_start`, `on_continue`, `on_stop`, `on_song_position` and so on (see `Kind`). A kind that it has
no method for passes it by and costs nothing.

Such a method is given the message and when it came, and returns what goes on in its place:

- the very message it was given: nothing changed;
- another message (`bytes`);
- a list of messages, in the order in which they are to go on;
- `None`: the message is dropped.

A note-on with velocity 0 comes to `on_note_off`, as it was written; controls 120-127 come to
`on_mode`. Channels in messages are 0-15. Times are whole nanoseconds. A plugin reads no clock,
does no I/O, starts no thread and keeps all its state in itself: one object serves one place in
one chain. What is to happen later it asks of its `Host`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from functools import partial
from typing import Any, ClassVar, Generic, Self, TypeVar

from pointsman.control_refs import (
    REST_OF_ENTRY,
    ControlReader,
    ControlRef,
    named_twice,
    parse_sysex,
    select_parameter,
)
from pointsman.device import Device
from pointsman.flow import Flow, flow_of
from pointsman.hookspecs import hookimpl
from pointsman.message import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    CLOCKS_PER_QUARTER,
    ON_CHANNEL,
    RESET_ALL_CONTROLLERS,
    Kind,
    control_change,
    kind_word,
    note_off,
    note_on,
    program_change,
    song_position,
)
from pointsman.notes import NOTE_KINDS, HeldNotes, NoteMoves
from pointsman.options import (
    SHORTEST_INTERVAL_NS,
    SHOWN,
    Channel,
    Channels,
    Context,
    Control,
    Interval,
    NoteNumber,
    OptionProblem,
    PluginOptions,
    Program,
    Time,
    Value,
    Whole,
    as_int,
    missing,
)
from pointsman.schedule import Schedule, Timer
from pointsman.transport import DEFAULT_TEMPO, Transport, TransportChange
from pointsman.units import Duration, parse_duration

Emission = bytes | Sequence[bytes] | None
"""What a plugin sends on: one message, several, or none."""


def messages_of(emission: Emission) -> Sequence[bytes]:
    """The messages of an emission, in order."""
    return (emission,) if isinstance(emission, bytes) else emission or ()


Away = tuple[int, str, int, int]
"""A control that is away from home: channel (0-15), the control's name, its value, its home."""

TimedCall = Callable[[int], Emission]
"""What a plugin wants done later: called with the time that is then."""

Made = Emission | TimedCall
"""What a step makes of a message: what is to be sent in its place, or a call.

With a call the message passes unchanged, and what the call returns is sent right behind it, once
all outputs have the message: none of them waits for what follows it on another.
"""

Step = Callable[[bytes, int], Made]
"""What handles one kind of message: called with the message and its time in nanoseconds."""


def whole_of(made: Made, data: bytes, t_ns: int) -> Emission:
    """All that a step made of the message `data`, with what it wants sent behind it."""
    return [data, *messages_of(made(t_ns))] if callable(made) else made


StepT = TypeVar("StepT", bound=Callable[..., Any])


def stateless(step: StepT) -> StepT:
    """Mark a step, or an `on_...` method, whose result depends on the message's bytes alone.

    The engine may then remember the result and not call it again for the same message. A step
    that keeps anything in mind, or looks at the time or the song, must not be marked.
    """
    step.stateless = True  # type: ignore[attr-defined]
    return step


def to_channel(channel: int) -> Callable[[bytes, int], bytes]:
    """A step that moves channel messages to `channel` (0-15), and changes nothing else.

    The engine knows what it does and most often need not call it.
    """
    table = ON_CHANNEL[channel]

    @stateless
    def move(data: bytes, t_ns: int) -> bytes:
        return data.translate(table)

    move.to_channel = channel  # type: ignore[attr-defined]
    return move


class Host:
    """What the engine lends to one plugin: the song, the device, and later."""

    __slots__ = ("_run", "_schedule", "device", "transport")

    def __init__(
        self,
        transport: Transport,
        device: Device | None,
        schedule: Schedule,
        run: Callable[[TimedCall, int], None],
    ) -> None:
        self.transport = transport
        self.device = device
        self._schedule = schedule
        self._run = run

    def move_to(self, schedule: Schedule) -> None:
        """Go over to another schedule, with all that waits; the engine does it at a reload."""
        schedule.adopt(self._schedule)
        self._schedule = schedule

    def at(self, due_ns: int, call: TimedCall, *, endless: bool = False) -> Timer:
        """Call `call(due_ns)` then; what it returns goes on down the chain from this plugin.

        Mark as `endless` what sets itself again for ever, so that an end does not wait for it.
        """
        return self._schedule.at(due_ns, partial(self._run, call), endless=endless)

    def after(self, duration: Duration, t_ns: int, call: TimedCall) -> Timer:
        """Call `call` when `duration` has gone by since `t_ns`.

        A duration in clocks or note values ends just before the last of those clocks while the
        clock runs, and is timed at the last measured tempo while it does not.
        """
        return self._schedule.after(duration, t_ns, partial(self._run, call))


OptionsT = TypeVar("OptionsT", bound=PluginOptions)


class Plugin(Generic[OptionsT]):
    """The base of every plugin; subclass it as `Plugin[YourOptions]`."""

    name: ClassVar[str]
    """The word by which a rig asks for this plugin."""

    Options: ClassVar[type[PluginOptions]] = PluginOptions
    """The options it takes, as a subclass of `PluginOptions`."""

    only_controls: Collection[int] | None = None
    """The numbers of the controls that `on_control` is concerned with; None: with all of them.

    A plugin that sets it in `__init__` is not called for any other control."""

    def __init__(self, options: OptionsT, host: Host) -> None:
        self.options = options
        self.host = host

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """What handles messages of `kind` on `channel` (0-15, None for system messages).

        Called once for each of them when a rig is loaded, and again after `inherit`. None: not
        concerned. The default is the method named after the kind; override it to decide by
        channel or by option.
        """
        step: Step | None = getattr(self, f"on_{kind.value}", None)
        return step

    def on_transport(self, change: TransportChange, t_ns: int) -> Emission:
        """The song starts, goes on, stops or is relocated.

        Called just before the message that says so enters the chains, and even when a plugin
        before this one keeps that message from coming here. Returns what to send first.
        """
        return None

    def flush(self, t_ns: int) -> Emission:
        """Let go: return what puts back all that this plugin changed, and forget it.

        Called when the engine releases: at the end, when a rig says so at Stop, and when a
        plugin failed. Notes need no note-off from here: the engine knows what sounds.
        """
        return None

    def inherit(self, former: Self, t_ns: int) -> None:
        """Take the place of `former`, which had other options: copy what is still true.

        Called at most once, when a rig changes: at the same time as `former.flush`, right after
        it, and before this object handles anything. What `former` asked of its host is called no
        more. Notes that are held go on being held: their note-offs are still to come.
        """

    def away(self) -> list[Away]:
        """Each control that this plugin keeps away from its home just now; changes nothing."""
        return []

    def homes(self) -> list[bytes]:
        """The messages that would put those controls home; changes nothing.

        Asked a few times a second, so that a next start can do it after a sudden end.
        """
        return []


def clears_notes(mode_message: bytes) -> bool:
    """Whether a channel mode message ends all notes of its channel in every plugin's memory."""
    return mode_message[1] in (ALL_SOUND_OFF, ALL_NOTES_OFF)


def resets_controls(mode_message: bytes) -> bool:
    """Whether it resets controls of its channel in the synth, so that their values are unknown."""
    return mode_message[1] == RESET_ALL_CONTROLLERS


def read_on(reader: ControlReader, former: ControlReader, refs: Iterable[ControlRef]) -> None:
    """Tell a new reader of `refs` what the former one has read: parameter numbers, coarse halves.

    The former reader is asked as if a fine half came, which changes nothing in it.
    """
    for channel in range(16):
        selected = former.selected(channel)
        if selected != reader.selected(channel):
            for message in select_parameter(channel, selected):
                reader.control(message)
    for ref in refs:
        if ref.cc is not None and ref.fine is not None:
            for channel in range(16):
                found = former.control(control_change(channel, ref.fine, 0))
                if found is not None and found[0] == ref and found[1]:
                    reader.control(control_change(channel, ref.cc, found[1] >> 7))


__all__ = [
    "CLOCKS_PER_QUARTER",
    "DEFAULT_TEMPO",
    "NOTE_KINDS",
    "REST_OF_ENTRY",
    "SHORTEST_INTERVAL_NS",
    "SHOWN",
    "Away",
    "Channel",
    "Channels",
    "Context",
    "Control",
    "ControlReader",
    "ControlRef",
    "Device",
    "Duration",
    "Emission",
    "Flow",
    "HeldNotes",
    "Host",
    "Interval",
    "Kind",
    "Made",
    "NoteMoves",
    "NoteNumber",
    "OptionProblem",
    "Plugin",
    "PluginOptions",
    "Program",
    "Step",
    "Time",
    "Timer",
    "Transport",
    "TransportChange",
    "Value",
    "Whole",
    "as_int",
    "clears_notes",
    "control_change",
    "flow_of",
    "hookimpl",
    "kind_word",
    "missing",
    "named_twice",
    "note_off",
    "note_on",
    "parse_duration",
    "parse_sysex",
    "program_change",
    "read_on",
    "resets_controls",
    "select_parameter",
    "song_position",
    "stateless",
    "to_channel",
]
