"""What Pointsman knows of one synth: the content of a device file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class DeviceControl:
    """One control of a synth and how it is reached: by exactly one of cc, nrpn, rpn and sysex.

    `cc` is a control number, `fine` the fine half of a 14-bit pair; `nrpn` and `rpn` are (coarse,
    fine) parameter numbers; `home` is the value that the control rests at, None if not known.
    """

    cc: int | None = None
    fine: int | None = None
    nrpn: tuple[int, int] | None = None
    rpn: tuple[int, int] | None = None
    sysex: str | None = None
    home: int | None = None
    range: tuple[int, int] | None = None
    about: str = ""


@dataclass(frozen=True, slots=True)
class Device:
    """One synth: its name, what it hears, how many voices it has, its controls by name."""

    device: str
    channel: int | None = None
    voices: int | None = None
    receives: tuple[str, ...] | None = None
    notes: tuple[int, int] | None = None
    controls: Mapping[str, DeviceControl] = field(default_factory=dict)

    def home_of(self, cc: int) -> int | None:
        """The home of the control that control number `cc` reaches, or None."""
        for control in self.controls.values():
            if control.cc == cc:
                return control.home
        return None
