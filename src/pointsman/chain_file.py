"""Chains as rig files write them: entries with a plugin, and chains that are named once.

`chains:` gives a chain a name, `- use: NAME` puts it wherever an entry can stand, and `include:`
takes the named chains of other files. A fault is reported in the file where it has to be mended.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pointsman.options import Context, PluginOptions, suggest
from pointsman.plugin import Plugin
from pointsman.registry import Registry
from pointsman.rig import EntrySpec
from pointsman.rig_model import EntryPart, IncludedPart, UsePart
from pointsman.validation import Origin, Place, Report, check
from pointsman.yaml_tree import Node, read_tree

MOST_ENTRIES = 256
"""The entries of a chain at most; a message passes through all of them within one moment."""


@dataclass
class Source:
    """One YAML file that is being read, with what was found wrong in it."""

    path: Path
    root: Node
    report: Report

    def at(self, *place: str | int) -> Node | None:
        """The part at `place`, or None."""
        node: Node | None = self.root
        for step in place:
            node = node.child(step) if node else None
        return node

    def items(self, place: Place) -> list[tuple[Place, Node]]:
        """The items of the list at `place`, each with its own place."""
        node = self.at(*place)
        items = node.value if node and isinstance(node.value, list) else []
        return [((*place, number), item) for number, item in enumerate(items)]

    def origin(self, place: Place) -> Origin:
        """The part at `place`, as advice points to it."""
        return Origin(self.report.path, self.root, place)

    def add(self, place: Place, what: str, *, at_key: bool = False) -> None:
        """Note a fault at `place`."""
        self.report.add(self.root, place, what, at_key=at_key)


@dataclass
class Named:
    """A chain that has a name: where it stands."""

    source: Source
    place: Place


@dataclass
class ChainReader:
    """Reads the chains of one rig. `sources` are the rig's file and those that it includes."""

    registry: Registry
    sources: list[Source]
    _named: dict[str, Named] = field(default_factory=dict)
    _is_full: bool = False
    """Whether the chain that is being read has more entries than it may have."""

    def __post_init__(self) -> None:
        self._include(self.sources[0])

    def entries(
        self, source: Source, place: Place, context: Context, using: tuple[str, ...] = ()
    ) -> tuple[EntrySpec, ...]:
        """The entries of the chain at `place`, those of named chains put in where they are used."""
        specs: list[EntrySpec] = []
        if not using:
            self._is_full = False
        for item, node in source.items(place):
            if self._is_full:  # told already
                break
            if not node.is_map:
                what = "an entry of a chain is a mapping; begin it with - plugin: NAME"
                source.add(item, what)
            elif node.child("use"):
                specs += self._used(source, item, context, using)
            else:
                specs += self._entry(source, item, node, context)
            if len(specs) > MOST_ENTRIES and not self._is_full:
                what = f"a chain has {MOST_ENTRIES} entries at most, with those of chains it uses"
                source.add(item, f"{what}; leave this one and the following out")
                self._is_full = True
        return tuple(specs)

    def _include(self, source: Source) -> None:
        """Take up the named chains of a file, and of the files that it includes."""
        chains = source.at("chains")
        for name in chains.keys if chains else ():
            if name in self._named:
                first = self._named[name].source.report.path
                what = f"the chain '{name}' is taken in {first}; name this one otherwise"
                source.add(("chains", name), what, at_key=True)
            else:
                self._named[name] = Named(source, ("chains", name))
        node = source.at("include")
        places: list[tuple[Place, Node]] = source.items(("include",))
        if node and isinstance(node.value, str):
            places = [(("include",), node)]
        for place, item in places:
            if isinstance(item.value, str):
                self._include_file(source, place, item.value)

    def _include_file(self, source: Source, place: Place, name: str) -> None:
        path = source.path.parent / name
        if any(path.resolve() == known.path.resolve() for known in self.sources):
            return
        try:
            root, problems = read_tree(path, str(path))
        except OSError as error:
            what = f"'{name}' cannot be read: {error.strerror or error}"
            source.add(place, f"{what}; its path is relative to this file")
            return
        included = Source(path, root or Node(1, 1, {}), Report(str(path)))
        included.report.problems.extend(problems)
        self.sources.append(included)
        if root is not None:
            check(IncludedPart, root, (), included.report, Context())
            self._include(included)

    def _used(
        self, source: Source, place: Place, context: Context, using: tuple[str, ...]
    ) -> tuple[EntrySpec, ...]:
        part = check(UsePart, source.root, place, source.report, context)
        if part is None:
            return ()
        named = self._named.get(part.use)
        if named is None:
            what = f"unknown chain '{part.use}'; {suggest(part.use, sorted(self._named))}"
            source.add((*place, "use"), what)
            return ()
        if part.use in using:
            round_trip = " uses ".join((*using, part.use))
            source.add((*place, "use"), f"a chain cannot use itself: {round_trip}; take one out")
            return ()
        return self.entries(named.source, named.place, context, (*using, part.use))

    def _entry(self, source: Source, place: Place, node: Node, context: Context) -> list[EntrySpec]:
        text: dict[str, Any] = node.plain()
        own = {key: value for key, value in text.items() if key in EntryPart.model_fields}
        entry = check(EntryPart, source.root, place, source.report, context, own)
        name = str(own.get("plugin") or "")
        plugin = self.registry.plugins.get(name)
        if plugin is None:
            if name:
                source.add((*place, "plugin"), self._unknown_plugin(name))
            return []
        rest = {key: value for key, value in text.items() if key not in own}
        options = self._options(plugin, source, place, rest, context)
        if entry is None or options is None:
            return []
        channels = None if entry.channels is None else frozenset(c - 1 for c in entry.channels)
        label = entry.label or name
        file, origin = source.path.name, source.origin(place)
        return [EntrySpec(plugin, options, label, node.line, channels, entry.bypass, file, origin)]

    @staticmethod
    def _options(
        plugin: type[Plugin[Any]], source: Source, place: Place, rest: Any, context: Context
    ) -> PluginOptions | None:
        also_known = EntryPart.model_fields
        options = check(
            plugin.Options, source.root, place, source.report, context, rest, also_known
        )
        if options is not None and not context.device_unread:
            for problem in options.problems(context):
                source.add((*place, *problem.place), problem.what)
        return options

    def _unknown_plugin(self, name: str) -> str:
        trouble = self.registry.trouble_for(name)
        if trouble:
            return f"the plugin '{name}' could not be loaded: {trouble}"
        return f"unknown plugin '{name}'; {suggest(name, sorted(self.registry.plugins))}"
