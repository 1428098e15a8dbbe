"""Rig files: from YAML to a checked `Rig`, with every problem found in one go."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from pointsman.device import Device
from pointsman.device_file import load_device
from pointsman.errors import Problem, RigError
from pointsman.options import Context, suggest
from pointsman.plugin import Plugin, PluginOptions
from pointsman.ports.resolve import find_backend
from pointsman.registry import WRITABLE_BY_OTHERS, Registry, load_plugins
from pointsman.rig import EntrySpec, OutputSpec, Restore, Rig, Safety
from pointsman.rig_model import (
    MIDDLE_C_OCTAVES,
    WIRE_RATES,
    ControlOpening,
    EntryPart,
    OutputPart,
    ProgramOpening,
    RigPart,
)
from pointsman.validation import Place, Report, check
from pointsman.yaml_tree import Node, read_tree

_OUTPUT_NAME = re.compile(r"[^\x00-\x1f/\\:.][^\x00-\x1f/\\:]*")
"""Output names become file names; no path may hide in one."""


def load_rig(path: str | Path) -> Rig:
    """Read and check a rig file.

    Raises RigError with every problem of the rig and of the device files that it names, in the
    order of the files.
    """
    return load_rig_and_plugins(path)[0]


def load_rig_and_plugins(path: str | Path) -> tuple[Rig, Registry]:
    """The same, with the plugins and kinds of port that are installed or in the rig's folders."""
    shown, path = str(path), Path(path)
    try:
        root, problems = read_tree(path, shown)
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}; give the path of a rig file"
        raise RigError([Problem(shown, 1, 1, "", what)]) from None
    if root is None:
        raise RigError(problems)
    reader = _Reader(path, shown, root)
    reader.report.problems.extend(problems)
    rig = reader.rig()
    found = sorted(reader.report.problems, key=lambda p: (p.line, p.column)) + reader.elsewhere
    if found or rig is None:
        raise RigError(list(dict.fromkeys(found)))
    return rig, reader.registry


class _Reader:
    """Reads one rig file; problems gather in `report`, those of device files in `elsewhere`."""

    def __init__(self, path: Path, shown: str, root: Node) -> None:
        self.path = path
        self.root = root
        self.report = Report(shown)
        self.elsewhere: list[Problem] = []
        self._devices: dict[str, Device | None] = {}
        self.registry = Registry()
        middle_c = root.child("middle_c")
        name = str(middle_c.value) if middle_c else "C4"
        self._middle_c_octave = MIDDLE_C_OCTAVES.get(name, 4)

    def rig(self) -> Rig | None:
        """The rig, or None when it cannot be made; the problems say why."""
        root = self.root
        if not root.is_map:
            self.report.add(root, (), "a rig is a mapping; it needs at least input: and outputs:")
            return None
        part = check(RigPart, root, (), self.report, Context())
        registry = self.registry = load_plugins(self._folders())
        input_chain = self._chain(
            ("input", "chain"), Context(None, self._middle_c_octave), registry
        )
        self._port(("input", "port"), registry, is_input=True)
        outputs = [self._output(name, registry) for name in self._names()]
        if part is None or self.report.problems or self.elsewhere:
            return None
        specs = [
            self._output_spec(name, part.outputs[name], *rest)
            for name, rest in zip(part.outputs, outputs, strict=True)
        ]
        safety = Safety(
            part.safety.on_exit == "release",
            part.safety.on_transport_stop == "release",
            part.safety.on_input_lost == "release",
            part.safety.longest_note.ns,
        )
        return Rig(
            part.rig or self.path.stem,
            part.input.port,
            tuple(specs),
            input_chain,
            safety,
            self._middle_c_octave,
            self.path,
        )

    def _names(self) -> list[str]:
        outputs = self.root.child("outputs")
        if outputs is None or not outputs.is_map:
            return []
        if not outputs.keys:
            self.report.add(self.root, ("outputs",), "there is no output; add at least one")
        for name in outputs.keys:
            if not _OUTPUT_NAME.fullmatch(name):
                what = "an output's name must not be empty, begin with a dot or have / \\ : in it"
                self.report.add(self.root, ("outputs", name), what, at_key=True)
        return list(outputs.keys)

    def _folders(self) -> list[Path]:
        node = self._at("plugins", "folders")
        found = []
        for number, item in enumerate(node.value if node and isinstance(node.value, list) else []):
            place = ("plugins", "folders", number)
            folder = self.path.parent / str(item.value)
            if not folder.is_dir():
                self.report.add(self.root, place, f"there is no folder '{item.value}'")
            elif folder.stat().st_mode & WRITABLE_BY_OTHERS:
                what = f"others may write to the folder '{item.value}'; chmod o-w it first"
                self.report.add(self.root, place, what)
            else:
                found.append(folder)
        return found

    def _at(self, *place: str | int) -> Node | None:
        node: Node | None = self.root
        for step in place:
            node = node.child(step) if node else None
        return node

    def _output(
        self, name: str, registry: Registry
    ) -> tuple[Device | None, tuple[bytes, ...], tuple[EntrySpec, ...]]:
        place: Place = ("outputs", name)
        self._port((*place, "port"), registry, is_input=False)
        device = self._device((*place, "device"))
        context = Context(device, self._middle_c_octave)
        opening = self._opening((*place, "opening"), context)
        return device, opening, self._chain((*place, "chain"), context, registry)

    def _output_spec(
        self,
        name: str,
        part: OutputPart,
        device: Device | None,
        opening: tuple[bytes, ...],
        chain: tuple[EntrySpec, ...],
    ) -> OutputSpec:
        rate = WIRE_RATES[part.wire] if isinstance(part.wire, str) else part.wire
        return OutputSpec(
            name=name,
            port=part.port,
            chain=chain,
            device=device,
            wire_rate=rate,
            delay_ns=part.delay.ns,
            active_sensing=part.active_sensing == "pass",
            opening=opening,
            restore=Restore(part.restore),
            line=self.root.child("outputs").keys[name][0],  # type: ignore[union-attr]
        )

    def _port(self, place: Place, registry: Registry, *, is_input: bool) -> None:
        node = self._at(*place)
        if node is None or not isinstance(node.value, str):
            return
        backend, address = find_backend(node.value, registry.ports)
        what = backend.problem(address, is_input=is_input)
        if what:
            self.report.add(self.root, place, what)

    def _device(self, place: Place) -> Device | None:
        node = self._at(*place)
        if node is None or not isinstance(node.value, str):
            return None
        name = node.value
        if name not in self._devices:
            self._devices[name] = None
            path = self.path.parent / name
            try:
                device, problems = load_device(path, str(path), self._middle_c_octave)
            except OSError as error:
                what = f"device file '{name}' cannot be read: {error.strerror or error}"
                self.report.add(self.root, place, f"{what}; its path is relative to the rig file")
            else:
                self._devices[name] = device
                self.elsewhere.extend(problems)
        return self._devices[name]

    def _opening(self, place: Place, context: Context) -> tuple[bytes, ...]:
        messages = []
        for item, node in self._items(place):
            model = ProgramOpening if node.child("program") else ControlOpening
            part: Any = check(model, self.root, item, self.report, context)
            if part is not None:
                messages.extend(part.messages())
        return tuple(messages)

    def _items(self, place: Place) -> list[tuple[Place, Node]]:
        node = self._at(*place)
        items = node.value if node and isinstance(node.value, list) else []
        return [((*place, number), item) for number, item in enumerate(items)]

    def _chain(self, place: Place, context: Context, registry: Registry) -> tuple[EntrySpec, ...]:
        specs = [self._entry(item, node, context, registry) for item, node in self._items(place)]
        return tuple(spec for spec in specs if spec is not None)

    def _entry(
        self, place: Place, node: Node, context: Context, registry: Registry
    ) -> EntrySpec | None:
        if not node.is_map:
            what = "an entry of a chain is a mapping; write - plugin: NAME and its options below"
            self.report.add(self.root, place, what)
            return None
        text: dict[str, Any] = node.plain()
        own = {key: value for key, value in text.items() if key in EntryPart.model_fields}
        entry = check(EntryPart, self.root, place, self.report, context, own)
        name = str(own.get("plugin") or "")
        plugin = registry.plugins.get(name)
        if plugin is None:
            if name:
                what = _unknown_plugin(name, registry)
                self.report.add(self.root, (*place, "plugin"), what)
            return None
        options = self._options(plugin, place, text, own, context)
        if entry is None or options is None:
            return None
        channels = None if entry.channels is None else frozenset(c - 1 for c in entry.channels)
        return EntrySpec(plugin, options, entry.label or name, node.line, channels, entry.bypass)

    def _options(
        self,
        plugin: type[Plugin[Any]],
        place: Place,
        text: dict[str, Any],
        own: dict[str, Any],
        context: Context,
    ) -> PluginOptions | None:
        rest = {key: value for key, value in text.items() if key not in own}
        also_known = EntryPart.model_fields
        options = check(plugin.Options, self.root, place, self.report, context, rest, also_known)
        if options is not None:
            for problem in options.problems(context):
                self.report.add(self.root, (*place, *problem.place), problem.what)
        return options


def _unknown_plugin(name: str, registry: Registry) -> str:
    trouble = registry.trouble_for(name)
    if trouble:
        return f"the plugin '{name}' could not be loaded: {trouble}"
    return f"unknown plugin '{name}'; {suggest(name, sorted(registry.plugins))}"
