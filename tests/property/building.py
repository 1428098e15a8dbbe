"""Makes rigs for the engine out of the mappings that rig files hold, without going through YAML."""

from __future__ import annotations

from typing import Any

from pointsman.control_refs import ControlRef
from pointsman.device import Device
from pointsman.options import Context
from pointsman.plugin import Plugin
from pointsman.rig import EntrySpec, OutputSpec, Rig, Safety
from pointsman.units import parse_duration
from pointsman_plugins.cc_reset import CcReset
from pointsman_plugins.cc_scale import CcScale
from pointsman_plugins.channel_remap import ChannelRemap
from pointsman_plugins.clock_filter import ClockFilter
from pointsman_plugins.message_filter import MessageFilter
from pointsman_plugins.note_limit import NoteLimit

Raw = dict[str, Any]

PLUGINS: dict[str, type[Plugin[Any]]] = {
    plugin.name: plugin
    for plugin in (CcReset, CcScale, ChannelRemap, ClockFilter, MessageFilter, NoteLimit)
}
DEVICE_FILE = {
    "device": "Capstan",
    "voices": 2,
    "controls": {
        "winch": {"cc": 74, "home": 64},
        "hawser": {"cc": 7, "fine": 39, "home": 9000},
        "pawl": {"nrpn": [1, 0], "home": 5},
        "brake": {"sysex": "F0 7D 10 {value} F7", "home": 1},
    },
}
DEVICE = Device(
    "Capstan",
    voices=2,
    controls={
        "winch": ControlRef("winch", cc=74, home=64),
        "hawser": ControlRef("hawser", cc=7, fine=39, home=9000),
        "pawl": ControlRef("pawl", parameter=(False, 1, 0), home=5),
        "brake": ControlRef("brake", sysex=(b"\xf0\x7d\x10", b"\xf7"), home=1),
    },
)


def entry(raw: Raw, device: Device | None = None) -> EntrySpec:
    """One entry as the engine takes it."""
    around = ("plugin", "channels", "bypass")
    plugin = PLUGINS[raw["plugin"]]
    options = {key: value for key, value in raw.items() if key not in around}
    listed = raw.get("channels")
    context = Context(device)
    read = plugin.Options.model_validate(options, context=context)
    assert read.problems(context) == [], "only legal options are drawn"
    return EntrySpec(
        plugin,
        read,
        label=raw["plugin"],
        channels=None if listed is None else frozenset(channel - 1 for channel in listed),
        bypass=raw.get("bypass", False),
    )


def build(raw: Raw) -> Rig:
    """The rig as the engine takes it."""
    safety = raw["safety"]
    return Rig(
        name="harbour",
        input_port="null:",
        outputs=tuple(_output(name, output) for name, output in raw["outputs"].items()),
        input_chain=tuple(entry(item) for item in raw["input"]["chain"]),
        safety=Safety(
            on_exit=safety["on_exit"] == "release",
            on_transport_stop=safety.get("on_transport_stop") == "release",
            longest_note_ns=parse_duration(safety.get("longest_note", "0s")).ns,
        ),
    )


def _output(name: str, raw: Raw) -> OutputSpec:
    wire = raw.get("wire", "free")
    device = DEVICE if "device" in raw else None
    return OutputSpec(
        name=name,
        port=raw["port"],
        chain=tuple(entry(item, device) for item in raw["chain"]),
        device=device,
        wire_rate={"din": 3125, "free": None}.get(wire, wire),
        delay_ns=parse_duration(raw.get("delay", "0ms")).ns,
        active_sensing=raw.get("active_sensing") == "pass",
    )
