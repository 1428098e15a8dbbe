"""What is being watched: the input, the outputs and their devices."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pointsman.device import Device
from pointsman.rig import Rig

OPEN = "open"


@dataclass(frozen=True)
class Place:
    """The input or an output. `rate`: bytes a second of a paced wire, else None.

    `waits`: messages leave later than what made them came, since the wire is paced or delayed.
    """

    port: str
    state: str = OPEN
    rate: int | None = None
    device: Device | None = None
    waits: bool = False


@dataclass(frozen=True)
class Setting:
    """All places, in the order of the rig, under a line that says what this is.

    `about` says the same as data. `run` tells one run of a service from the next: times begin anew.
    `devices_known` is False where the device files could not be
    read, so that controls go by their standard names.
    """

    title: str
    about: Mapping[str, object]
    input: Place
    outputs: Mapping[str, Place] = field(default_factory=dict)
    middle_c_octave: int = 4
    run: object = None
    devices_known: bool = True

    def place(self, name: str | None) -> Place | None:
        """An output, or the input (None); None for an output that is not there."""
        return self.input if name is None else self.outputs.get(name)


def outputs_of(rig: Rig) -> dict[str, Place]:
    """The outputs of a rig."""
    rates = rig.wire_rates
    return {
        spec.name: Place(
            spec.port,
            rate=rates.get(spec.cable),
            device=spec.device,
            waits=bool(spec.delay_ns) or spec.cable in rates,
        )
        for spec in rig.outputs
    }
