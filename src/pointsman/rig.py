"""A rig as the engine takes it: checked, with every name resolved, and no longer text."""

from __future__ import annotations

from dataclasses import dataclass, field
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


@dataclass(frozen=True, slots=True)
class Safety:
    """When to release, and how long a note may last (0: without limit)."""

    on_exit: bool = True
    on_transport_stop: bool = False
    on_input_lost: bool = True
    longest_note_ns: int = 0


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
