"""Rig files: from YAML to a checked `Rig`, with every problem found in one go."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

from pointsman.chain_file import ChainReader, Source
from pointsman.device import Device
from pointsman.device_file import load_device
from pointsman.errors import Problem, RigError
from pointsman.options import Context
from pointsman.ports.resolve import find_backend
from pointsman.registry import WRITABLE_BY_OTHERS, Registry, load_plugins
from pointsman.rig import EntrySpec, OutputSpec, Restore, Rig, Safety, Songs
from pointsman.rig_model import (
    MIDDLE_C_OCTAVES,
    WIRE_RATES,
    ControlOpening,
    OutputPart,
    ProgramOpening,
    RigPart,
    SongsPart,
)
from pointsman.validation import Origin, Place, Report, check
from pointsman.yaml_tree import read_tree

_OUTPUT_NAME = re.compile(r"[^\x00-\x1f/\\:.][^\x00-\x1f/\\:]*")
"""Output names become file names; no path may hide in one."""

PluginsByFolders = dict[tuple[Path, ...], Registry]
"""What was loaded from the same folders is the same: a plugin can go on from song to song."""

Opening = tuple[tuple[bytes, Origin], ...]
"""The messages of an opening, each with the place where it stands."""


def output_name_problem(name: str) -> str | None:
    """What is wrong with a name for an output; None where nothing is."""
    if _OUTPUT_NAME.fullmatch(name):
        return None
    return "an output's name has / \\ : in it, begins with a dot or is empty; write tug"


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
    report = Report(shown)
    report.problems.extend(problems)
    reader = _Reader(Source(path, root, report))
    rig = reader.rig()
    found = reader.problems()
    if found or rig is None:
        raise RigError(found)
    return rig, reader.registry


class _Reader:
    """Reads one rig file, its device files and the files that it includes."""

    def __init__(self, source: Source, plugins: PluginsByFolders | None = None) -> None:
        self._plugins: PluginsByFolders = {} if plugins is None else plugins
        self._is_song = plugins is not None
        self.source = source
        self.path = source.path
        self.registry = Registry()
        self._sources = [source]
        self._elsewhere: list[Problem] = []
        self._devices: dict[str, Device | None] = {}
        middle_c = source.at("middle_c")
        name = str(middle_c.value) if middle_c else "C4"
        self._middle_c_octave = MIDDLE_C_OCTAVES.get(name, 4)

    def problems(self) -> list[Problem]:
        """Every problem once: file by file, the rig's own first, each in the order of its lines."""
        found = [
            problem
            for source in self._sources
            for problem in sorted(source.report.problems, key=lambda p: (p.line, p.column))
        ]
        return list(dict.fromkeys([*found, *self._elsewhere]))

    def rig(self) -> Rig | None:
        """The rig, or None when it cannot be made; `problems` says why."""
        source = self.source
        if not source.root.is_map:
            source.add((), "a rig is a mapping; it needs at least input: and outputs:")
            return None
        part = check(RigPart, source.root, (), source.report, Context())
        folders = tuple(self._folders())
        if folders not in self._plugins:
            self._plugins[folders] = load_plugins(folders)
        self.registry = self._plugins[folders]
        chains = ChainReader(self.registry, self._sources)
        context = Context(None, self._middle_c_octave)
        input_chain = chains.entries(source, ("input", "chain"), context)
        self._port(("input", "port"), is_input=True)
        outputs = [self._output(name, chains) for name in self._names()]
        if part is None or self.problems():
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
            part.safety.panic.press() if part.safety.panic else None,
        )
        rig = Rig(
            part.rig or self.path.stem,
            part.input.port,
            tuple(specs),
            input_chain,
            safety,
            self._middle_c_octave,
            self.path,
        )
        return rig if self._is_song else replace(rig, songs=self._songs(part.songs, rig))

    def _songs(self, part: SongsPart | None, rig: Rig) -> Songs:
        """The songs with their rigs, each read and checked as a rig of its own."""
        if part is None:
            return Songs()
        rigs = []
        for name, file in part.rigs.items():
            itself = (self.path.parent / file).resolve() == self.path.resolve()
            song = rig if itself else self._song(("songs", "rigs", name), file)
            if song is not None:
                rigs.append((name, song))
        control = part.control
        return Songs(
            tuple(rigs),
            None if part.program_channel is None else part.program_channel - 1,
            (control.channel - 1, control.control.cc or 0) if control else None,
            part.change == "bar",
            part.bar_clocks,
        )

    def _song(self, place: Place, file: str) -> Rig | None:
        path = self.path.parent / file
        report = Report(str(path))
        try:
            root, problems = read_tree(path, str(path))
        except OSError as error:
            what = f"song '{file}' cannot be read: {error.strerror or error}"
            self.source.add(place, f"{what}; its path is relative to this file")
            return None
        report.problems.extend(problems)
        if root is None:
            self._elsewhere.extend(problems)
            return None
        reader = _Reader(Source(path, root, report), self._plugins)
        rig = reader.rig()
        if root.is_map and root.child("songs"):
            reader.source.add(("songs",), "a song has no songs; name them all in the first rig")
        self._elsewhere.extend(reader.problems())
        self.registry = self.registry.joined(reader.registry)
        return rig

    def _names(self) -> list[str]:
        outputs = self.source.at("outputs")
        if outputs is None or not outputs.is_map:
            return []
        if not outputs.keys:
            self.source.add(("outputs",), "there is no output; add at least one")
        for name in outputs.keys:
            what = output_name_problem(name)
            if what:
                self.source.add(("outputs", name), what, at_key=True)
        return list(outputs.keys)

    def _folders(self) -> list[Path]:
        node = self.source.at("plugins", "folders")
        found = []
        for number, item in enumerate(node.value if node and isinstance(node.value, list) else []):
            if not isinstance(item.value, str):
                continue
            place = ("plugins", "folders", number)
            folder = self.path.parent / str(item.value)
            if not folder.is_dir():
                self.source.add(
                    place, f"there is no folder '{item.value}'; write one relative to the rig file"
                )
            elif folder.stat().st_mode & WRITABLE_BY_OTHERS:
                what = f"others may write to the folder '{item.value}'; chmod o-w it first"
                self.source.add(place, what)
            else:
                found.append(folder)
        return found

    def _output(
        self, name: str, chains: ChainReader
    ) -> tuple[Device | None, Opening, tuple[EntrySpec, ...]]:
        place: Place = ("outputs", name)
        self._port((*place, "port"), is_input=False)
        device = self._device((*place, "device"))
        unread = device is None and self.source.at(*place, "device") is not None
        context = Context(device, self._middle_c_octave, unread)
        opening = self._opening((*place, "opening"), context)
        return device, opening, chains.entries(self.source, (*place, "chain"), context)

    def _output_spec(
        self,
        name: str,
        part: OutputPart,
        device: Device | None,
        opening: Opening,
        chain: tuple[EntrySpec, ...],
    ) -> OutputSpec:
        wire = part.wire
        if "wire" not in part.model_fields_set:
            wire = find_backend(part.port, self.registry.ports)[0].wire
        return OutputSpec(
            name=name,
            port=part.port,
            chain=chain,
            device=device,
            wire_rate=WIRE_RATES[wire] if isinstance(wire, str) else wire,
            delay_ns=part.delay.ns,
            active_sensing=part.active_sensing == "pass",
            opening=tuple(message for message, _ in opening),
            restore=Restore(part.restore),
            line=self.source.at("outputs").keys[name][0],  # type: ignore[union-attr]
            origin=self.source.origin(("outputs", name)),
            opening_origins=tuple(origin for _, origin in opening),
        )

    def _port(self, place: Place, *, is_input: bool) -> None:
        node = self.source.at(*place)
        if node is None or not isinstance(node.value, str):
            return
        backend, address = find_backend(node.value, self.registry.ports)
        what = backend.problem(address, is_input=is_input)
        if what:
            self.source.add(place, what)

    def _device(self, place: Place) -> Device | None:
        node = self.source.at(*place)
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
                self.source.add(place, f"{what}; its path is relative to the rig file")
            else:
                self._devices[name] = device
                self._elsewhere.extend(problems)
        return self._devices[name]

    def _opening(self, place: Place, context: Context) -> Opening:
        messages: list[tuple[bytes, Origin]] = []
        for item, node in self.source.items(place):
            turns = node.child("control") or node.child("value")
            model = ControlOpening if turns and not node.child("program") else ProgramOpening
            part: Any = check(model, self.source.root, item, self.source.report, context)
            if part is not None:
                messages += [(message, self.source.origin(item)) for message in part.messages()]
        return tuple(messages)
