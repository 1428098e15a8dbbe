"""What Pointsman knows of one synth: the content of a device file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pointsman.control_refs import ControlRef


@dataclass(frozen=True, slots=True)
class Device:
    """One synth: its name, what it hears, how many voices it has, its controls by name."""

    device: str
    channel: int | None = None
    voices: int | None = None
    receives: tuple[str, ...] | None = None
    notes: tuple[int, int] | None = None
    controls: Mapping[str, ControlRef] = field(default_factory=dict)
