"""A rig as the engine takes it: checked, with every name resolved, and no longer text."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path

from pointsman.device import Device
from pointsman.plugin import Plugin, PluginOptions
from pointsman.validation import Origin


@dataclass(frozen=True, slots=True)
class EntrySpec:
    """One entry of a chain: which plugin, with which options; it stands in `line` of `file`."""

    plugin: type[Plugin]  # type: ignore[type-arg]  # any plugin, with options of its own
    options: PluginOptions
    label: str
    line: int = 0
    channels: frozenset[int] | None = None
    bypass: bool = False
    file: str = "rig.yaml"
    origin: Origin | None = field(default=None, compare=False, repr=False)


class Restore(StrEnum):
    """What an output is sent when its port comes back."""

    LAST = "last"
    OPENING = "opening"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class OutputSpec:
    """One output. `wire_rate` is in bytes a second, None where the wire is not paced."""

    name: str
    port: str
    chain: tuple[EntrySpec, ...] = ()
    device: Device | None = None
    wire_rate: int | None = None
    delay_ns: int = 0
    active_sensing: bool = False
    opening: tuple[bytes, ...] = ()
    restore: Restore = Restore.LAST
    line: int = 0
    origin: Origin | None = field(default=None, compare=False, repr=False)
    opening_origins: tuple[Origin, ...] = field(default=(), compare=False, repr=False)

    @property
    def cable(self) -> str:
        """What its bytes go through: outputs that name one port share it, but `null:` is none."""
        return f"{self.port} {self.name}" if self.port.startswith("null:") else self.port


@dataclass(frozen=True, slots=True)
class Press:
    """A key or a switch of the input that means something to Pointsman itself.

    A note-on of this key, or a value of 64 and above of this control: MIDI 1.0 takes a switch for
    on from there (4.2.1, p. 12). It is not passed on. The channel is 0-15.
    """

    channel: int
    note: int | None = None
    control: int | None = None


@dataclass(frozen=True, slots=True)
class Safety:
    """When to release, what calls for a panic, and how long a note may last (0: no limit)."""

    on_exit: bool = True
    on_transport_stop: bool = False
    on_input_lost: bool = True
    longest_note_ns: int = 0
    panic: Press | None = None


@dataclass(frozen=True, slots=True)
class Songs:
    """The rigs that a rig can change to, by name, and what chooses them.

    A Program Change on `program_channel` chooses by program number, the first song for program 1
    (byte 0). A value of `control` (channel and number) chooses the song of that number, 0 the rig
    itself. Channels are 0-15.
    """

    rigs: tuple[tuple[str, Rig], ...] = ()
    program_channel: int | None = None
    control: tuple[int, int] | None = None
    at_bar: bool = False
    bar_clocks: int = 96


@dataclass(frozen=True, slots=True)
class Rig:
    """The input, the outputs, and the chain of plugins on each."""

    name: str
    input_port: str
    outputs: tuple[OutputSpec, ...]
    input_chain: tuple[EntrySpec, ...] = ()
    safety: Safety = field(default_factory=Safety)
    middle_c_octave: int = 4
    path: Path = Path("rig.yaml")
    songs: Songs = field(default_factory=Songs)

    @property
    def rigs(self) -> tuple[Rig, ...]:
        """The rig itself and its songs; the place of each is the number of the song."""
        return (self, *(song for _, song in self.songs.rigs))

    @property
    def wire_rates(self) -> dict[str, int]:
        """The paced cables with what they carry, in bytes a second.

        Where the outputs of one port disagree the slowest is right: it is one cable.
        """
        rates: dict[str, int] = {}
        for spec in self.outputs:
            if spec.wire_rate is not None:
                rates[spec.cable] = min(spec.wire_rate, rates.get(spec.cable, spec.wire_rate))
        return rates

    def unpaced(self) -> Rig:
        """The same rig on wires without limits."""
        songs = tuple((name, song.unpaced()) for name, song in self.songs.rigs)
        return replace(
            self,
            outputs=tuple(replace(spec, wire_rate=None) for spec in self.outputs),
            songs=replace(self.songs, rigs=songs),
        )
