"""Which plugins there are: found through pluggy, loaded one at a time, none able to stop another.

Plugins come from the entry-point group `pointsman.plugins` of any installed distribution, and
from loose files in the folders that a rig names. The shipped ones use the same door.

A name belongs to whoever brings it first: the shipped plugins, then other distributions in the
order of their names, then folders. A second plugin of the same name is refused and reported,
never silently swapped in.
"""

from __future__ import annotations

import importlib.util
import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import ModuleType
from typing import Any

import pluggy

from pointsman import hookspecs
from pointsman.errors import PLUGIN_ERRORS
from pointsman.plugin import Plugin, PluginOptions
from pointsman.ports import PortBackend
from pointsman.ports.resolve import BUILT_IN

GROUP = "pointsman.plugins"
OWN_DISTRIBUTION = "pointsman"
RESERVED_OPTIONS = frozenset({"plugin", "label", "channels", "bypass"})
"""Keys that every entry of a chain has; no plugin may declare an option of these names."""

_NAME = re.compile(r"[a-z][a-z0-9_]*")
WRITABLE_BY_OTHERS = 0o002


@dataclass(frozen=True)
class Source:
    """Where a plugin comes from: a distribution's name, or a file's path."""

    origin: str
    module: str
    local: bool = False


@dataclass(frozen=True)
class Trouble:
    """Something that could not be loaded; `names` are the plugins that are missing for it."""

    source: Source
    what: str
    names: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.source.origin}: {self.what}"


@dataclass
class Registry:
    """The plugins and kinds of port that were found, and what could not be loaded."""

    plugins: dict[str, type[Plugin[Any]]] = field(default_factory=dict)
    sources: dict[str, Source] = field(default_factory=dict)
    ports: dict[str, PortBackend] = field(default_factory=dict)
    troubles: list[Trouble] = field(default_factory=list)

    def joined(self, other: Registry) -> Registry:
        """Both together; where both have one name, this one's."""
        return Registry(
            {**other.plugins, **self.plugins},
            {**other.sources, **self.sources},
            {**other.ports, **self.ports},
            list(dict.fromkeys([*self.troubles, *other.troubles])),
        )

    def trouble_for(self, name: str) -> Trouble | None:
        """Why a plugin of this name is missing, if that is known."""
        return next((t for t in self.troubles if name in t.names), None)


class PluginLoader:
    """Takes up plugin modules one at a time; `found` is what there is so far."""

    def __init__(self) -> None:
        self.found = Registry()
        self.manager = pluggy.PluginManager(hookspecs.PROJECT)
        self.manager.add_hookspecs(hookspecs)

    def entry_point(self, point: EntryPoint) -> None:
        """Load what an installed distribution offers."""
        distribution = point.dist.name if point.dist else "unknown distribution"
        source = Source(distribution, point.value)
        try:
            module = point.load()
        except PLUGIN_ERRORS as error:
            self._refuse(source, f"'{point.name}' does not import: {_said(error)}", (point.name,))
        else:
            self.module(module, source, point.name)

    def file(self, path: Path) -> None:
        """Load a plugin file from a folder."""
        source = Source(str(path), f"pointsman_local.{path.resolve()}", local=True)
        if path.stat().st_mode & WRITABLE_BY_OTHERS:
            self._refuse(source, "others may write to this file; chmod o-w it", (path.stem,))
            return
        try:
            spec = importlib.util.spec_from_file_location(source.module, path)
            if spec is None or spec.loader is None:
                raise ImportError("not a Python file")
            module = importlib.util.module_from_spec(spec)
            sys.modules[source.module] = module
            spec.loader.exec_module(module)
        except PLUGIN_ERRORS as error:
            sys.modules.pop(source.module, None)
            self._refuse(source, f"does not import: {_said(error)}", (path.stem,))
        else:
            self.module(module, source, path.stem)

    def module(self, module: ModuleType | object, source: Source, name: str) -> None:
        """Register one module and take up what its hooks return."""
        try:
            self.manager.register(module, name=source.module)
            self.manager.check_pending()
            plugins = self._call("pointsman_plugins", module)
            ports = self._call("pointsman_ports", module)
        except PLUGIN_ERRORS as error:
            self.manager.unregister(name=source.module)
            self._refuse(source, f"'{name}' is no plugin module: {_said(error)}", (name,))
            return
        if not plugins and not ports:
            self._refuse(
                source, f"'{name}' offers no plugin; see docs/writing-a-plugin.md", (name,)
            )
        for plugin in plugins:
            self._plugin(plugin, source)
        for backend in ports:
            self._port(backend, source)

    def _call(self, hook: str, module: object) -> list[Any]:
        others = [plugin for plugin in self.manager.get_plugins() if plugin is not module]
        caller = self.manager.subset_hook_caller(hook, remove_plugins=others)
        return [item for offered in caller() for item in offered]

    def _plugin(self, plugin: Any, source: Source) -> None:
        fault = _fault_of(plugin)
        if fault:
            self._refuse(source, fault, (str(getattr(plugin, "name", "")),))
        elif plugin.name in self.found.plugins:
            first = self.found.sources[plugin.name].origin
            what = f"the name '{plugin.name}' is taken by {first}; give this one another name"
            self._refuse(source, what)
        else:
            self.found.plugins[plugin.name] = plugin
            self.found.sources[plugin.name] = source

    def _port(self, backend: Any, source: Source) -> None:
        if not isinstance(backend, PortBackend):
            self._refuse(source, f"{backend!r} is no kind of port: subclass PortBackend")
        elif backend.scheme in BUILT_IN or backend.scheme in self.found.ports:
            self._refuse(source, f"the kind of port '{backend.scheme}:' is taken; rename this one")
        else:
            self.found.ports[backend.scheme] = backend

    def _refuse(self, source: Source, what: str, names: tuple[str, ...] = ()) -> None:
        self.found.troubles.append(Trouble(source, what, names))


def load_plugins(folders: Iterable[Path] = ()) -> Registry:
    """Find every plugin that is installed, and those in `folders` (existing directories)."""
    loader = PluginLoader()
    for point in sorted(entry_points(group=GROUP), key=_order):
        loader.entry_point(point)
    for folder in folders:
        for path in sorted(folder.glob("*.py")):
            loader.file(path)
    return loader.found


def _order(point: EntryPoint) -> tuple[bool, str, str]:
    distribution = point.dist.name if point.dist else ""
    return distribution != OWN_DISTRIBUTION, distribution, point.name


def _fault_of(plugin: Any) -> str | None:
    """What makes a class unfit to be a plugin."""
    if not (isinstance(plugin, type) and issubclass(plugin, Plugin)):
        return f"{plugin!r} is no plugin: subclass pointsman.plugin.Plugin"
    name = getattr(plugin, "name", None)
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        return f"{plugin.__name__} needs a 'name' of lower-case letters, digits and underscores"
    if not issubclass(plugin.Options, PluginOptions):
        return f"the Options of '{name}' must subclass pointsman.plugin.PluginOptions"
    taken = RESERVED_OPTIONS & set(plugin.Options.model_fields)
    if taken:
        return f"'{name}' declares {', '.join(sorted(taken))}, which every entry has already"
    return None


def _said(error: BaseException) -> str:
    return f"{type(error).__name__}: {' '.join(str(error).split())}"
