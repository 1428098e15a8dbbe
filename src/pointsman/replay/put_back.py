"""The last entry of every chain of a replay: pedals up and bends centred when it ends.

A player lifts the foot and lets go of the wheel; a file that is broken off does neither.
"""

from __future__ import annotations

from pointsman.message import PEDALS
from pointsman.plugin import Emission, Host, Plugin, PluginOptions, control_change, resets_controls
from pointsman.rig import EntrySpec

_CENTRE = (0, 64)


class PutBack(Plugin[PluginOptions]):
    """Remembers which pedals are down and which bends are off centre."""

    name = "put_back"
    only_controls = PEDALS

    def __init__(self, options: PluginOptions, host: Host) -> None:
        super().__init__(options, host)
        self._moved: dict[tuple[int, int], bytes] = {}

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """A pedal goes down or up."""
        if data[1] in PEDALS:
            self._note(data[0], data[1], data[2] != 0, control_change(data[0] & 0x0F, data[1], 0))
        return data

    def on_bend(self, data: bytes, t_ns: int) -> Emission:
        """A bend leaves its centre or comes back."""
        self._note(data[0], 0, (data[1], data[2]) != _CENTRE, bytes((data[0], *_CENTRE)))
        return data

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """Reset All Controllers puts both back (RP-015)."""
        if resets_controls(data):
            channel = data[0] & 0x0F
            self._moved = {k: home for k, home in self._moved.items() if k[0] & 0x0F != channel}
        return data

    def _note(self, status: int, number: int, is_away: bool, home: bytes) -> None:
        if is_away:
            self._moved[status, number] = home
        else:
            self._moved.pop((status, number), None)

    def flush(self, t_ns: int) -> Emission:
        """Put back what is not where it rests."""
        homes, self._moved = list(self._moved.values()), {}
        return homes


ENTRY = EntrySpec(PutBack, PluginOptions(), "put back", file="replay")
