"""What the answers of a player come to: one input, and the synths behind the outputs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

Wire = str | int
"""`din`, `usb`, `free`, or bytes a second, as a rig has it."""


@dataclass(frozen=True)
class DeviceAnswer:
    """A device file: its path as the rig names it, and what it says, or will say if it is new.

    `returning` are its controls that have a home.
    """

    path: str
    is_new: bool
    name: str = ""
    channel: int | None = None
    voices: int | None = None
    returning: tuple[str, ...] = ()


@dataclass(frozen=True)
class Synth:
    """One output. Channels are 1-16; `hears` and `voices` are None as long as nobody knows them.

    `plays` is the channel of the input on which the sequencer plays it. `clock`: whether it gets
    clock, Start, Stop and Song Position. `wire` is None where the kind of port decides it.
    """

    name: str
    port: str
    plays: int
    hears: int | None = None
    voices: int | None = None
    wire: Wire | None = None
    clock: bool = True
    device: DeviceAnswer | None = None
    lasting: bool = True
    """False: its port's name holds only until the next replug."""

    @property
    def goes_to(self) -> int:
        """The channel on which it is sent; as it comes, where nobody knows better."""
        return self.hears or self.plays


@dataclass(frozen=True)
class Plan:
    """A whole rig: its name, its input, its outputs in order."""

    name: str
    input_port: str
    synths: tuple[Synth, ...]
    input_lasting: bool = True

    def on_cable_of(self, synth: Synth) -> list[Synth]:
        """Every synth on the port of this one, itself among them. `null:` is no cable."""
        if synth.port == "null:":
            return [synth]
        return [each for each in self.synths if each.port == synth.port]

    def new_devices(self) -> Iterator[tuple[DeviceAnswer, Synth]]:
        """The device files that are still to be written."""
        for synth in self.synths:
            if synth.device is not None and synth.device.is_new:
                yield synth.device, synth
