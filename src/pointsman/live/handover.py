"""A rig that was loaded in one process, handed over to another that runs.

The service reads no file during a reload: another process loads and checks the rig, and hands over
the finished rig as a pickle. Classes from installed distributions go by their names. Plugin files
from folders are taken along as source: where it is still what this process runs, the class is the
very same, so that plugins and their memory go on; where it was edited, the new source is run.
"""

from __future__ import annotations

import importlib.util
import io
import pickle
import sys
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any, NamedTuple

from pointsman.errors import PLUGIN_ERRORS, PluginError, one_line
from pointsman.registry import PluginLoader, Registry, Source, Trouble
from pointsman.rig import EntrySpec, Rig

LOCAL = "pointsman_local."
"""How the names of modules from plugin files in folders begin (registry.py)."""


class PluginFile(NamedTuple):
    """A plugin file from a folder: the name of its module, its path, and what stood in it."""

    module: str
    path: str
    source: bytes


@dataclass(frozen=True)
class Loaded:
    """What came of loading a rig.

    `problems` are the lines that `check` prints, empty if the rig is right, and `warnings` its
    warnings. `files` are all files and folders that were read, or looked for in vain.
    """

    problems: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    rig: bytes = b""
    local: tuple[PluginFile, ...] = ()
    files: tuple[str, ...] = ()


def refusal(problems: Sequence[str]) -> dict[str, Any]:
    """What a client is answered whose reload found these problems."""
    count = len(problems)
    error = f"the rig has {count} fault{'' if count == 1 else 's'}; the running one plays on"
    return {"ok": False, "error": error, "problems": list(problems)}


# ---- where it was loaded -------------------------------------------------------------------------


def pack(rig: Rig, registry: Registry) -> bytes:
    """The rig, and what could not be loaded beside it, as a pickle for `unpack`.

    Raises PluginError, with one line an entry, for options that cannot be pickled.
    """
    rig_alone = _without_origins(rig)
    ports = registry.ports.items()
    schemes = tuple(name for name, kind in ports if type(kind).__module__.startswith(LOCAL))
    try:
        return _pickled((rig_alone, tuple(registry.troubles), schemes))
    except PLUGIN_ERRORS as error:
        raise PluginError("\n".join(_unfit(rig)) or f"{rig.path}: {_said(error)}") from None


def local_modules() -> list[ModuleType]:
    """The plugin files from folders that this process has loaded, in the order of loading."""
    return [module for name, module in sys.modules.items() if name.startswith(LOCAL)]


def _without_origins(rig: Rig) -> Rig:
    """The same without the trees of its files, which only advice needs, and which are large."""
    outputs = tuple(
        replace(spec, chain=_bare(spec.chain), origin=None, opening_origins=())
        for spec in rig.outputs
    )
    songs = tuple((name, _without_origins(song)) for name, song in rig.songs.rigs)
    return replace(
        rig,
        outputs=outputs,
        input_chain=_bare(rig.input_chain),
        songs=replace(rig.songs, rigs=songs),
    )


def _bare(chain: tuple[EntrySpec, ...]) -> tuple[EntrySpec, ...]:
    return tuple(replace(entry, origin=None) for entry in chain)


class _Pickler(pickle.Pickler):
    """Names what stems from plugin files; pickle itself cannot import modules of such names."""

    def persistent_id(self, obj: Any) -> Any:
        if isinstance(obj, type | FunctionType) and obj.__module__.startswith(LOCAL):
            _look_up(obj.__module__, obj.__qualname__)  # refuses what stands in a function
            return obj.__module__, obj.__qualname__
        return None


def _pickled(item: object) -> bytes:
    file = io.BytesIO()
    _Pickler(file, pickle.HIGHEST_PROTOCOL).dump(item)
    return file.getvalue()


def _unfit(rig: Rig) -> list[str]:
    """A line for each entry whose options cannot be pickled."""
    chains = [c for r in rig.rigs for c in (r.input_chain, *(spec.chain for spec in r.outputs))]
    lines: list[str] = []
    for entry in (entry for chain in chains for entry in chain if entry.origin):
        try:
            _pickled((entry.plugin, entry.options))
        except PLUGIN_ERRORS as error:
            name = entry.plugin.name
            what = f"the options of '{name}' cannot be taken over by a running service"
            right = f"restart it to use this rig, and tell the author of '{name}'"
            assert entry.origin is not None
            lines.append(str(entry.origin.problem((), f"{what} ({_said(error)}); {right}")))
    return list(dict.fromkeys(lines))


# ---- where it runs -------------------------------------------------------------------------------

_sources: dict[str, tuple[ModuleType, bytes]] = {}
"""The plugin files that this process runs: each module with the source that it was made from."""


def note_sources() -> None:
    """Remember the sources of the plugin files that were loaded when this process began."""
    for module in local_modules():
        known = _sources.get(module.__name__)
        if known is None or known[0] is not module:
            try:
                source = Path(str(module.__file__)).read_bytes()
            except OSError:
                continue  # gone already: what comes next under its name is new
            _sources[module.__name__] = (module, source)


def unpack(loaded: Loaded) -> tuple[Rig, Registry]:
    """The rig that was loaded elsewhere, and what its plugin files bring that is new here.

    Raises PluginError, and then nothing has changed.
    """
    before = dict(_sources)
    fresh = [file for file in loaded.local if not _is_current(file)]
    try:
        for file in fresh:
            _run(file)
        rig, troubles, schemes = _Unpickler(io.BytesIO(loaded.rig)).load()
        return rig, _brought(fresh, troubles, schemes)
    except PLUGIN_ERRORS as error:
        _put_back(before, [file.module for file in fresh])
        if isinstance(error, PluginError):
            raise
        raise PluginError(f"the rig cannot be taken over: {_said(error)}; restart it") from error


def _is_current(file: PluginFile) -> bool:
    known = _sources.get(file.module)
    return (
        known is not None and known[1] == file.source and sys.modules.get(file.module) is known[0]
    )


def _run(file: PluginFile) -> None:
    spec = importlib.util.spec_from_file_location(file.module, file.path)
    if spec is None:
        raise PluginError(f"{file.path}: not a Python file")
    module = importlib.util.module_from_spec(spec)
    sys.modules[file.module] = module
    _sources[file.module] = (module, file.source)
    try:
        exec(compile(file.source, file.path, "exec"), module.__dict__)
    except PLUGIN_ERRORS as error:
        raise PluginError(one_line(f"{file.path}: does not import: {_said(error)}")) from error


def _put_back(before: Mapping[str, tuple[ModuleType, bytes]], names: Iterable[str]) -> None:
    for name in names:
        known = before.get(name)
        if known is None:
            _sources.pop(name, None)
            sys.modules.pop(name, None)
        else:
            _sources[name] = known
            sys.modules[name] = known[0]


def _brought(
    fresh: Sequence[PluginFile], troubles: Sequence[Trouble], schemes: Collection[str]
) -> Registry:
    """The plugins of these files, and those of their kinds of port that nobody had before."""
    loader = PluginLoader()
    for file in fresh:
        source = Source(file.path, file.module, local=True)
        loader.module(sys.modules[file.module], source, Path(file.path).stem)
    found = loader.found
    found.ports = {scheme: found.ports[scheme] for scheme in schemes if scheme in found.ports}
    found.troubles = list(troubles)
    return found


class _Unpickler(pickle.Unpickler):
    def persistent_load(self, pid: Any) -> Any:
        return _look_up(*pid)


def _look_up(module: str, name: str) -> Any:
    found: Any = sys.modules[module]
    for part in name.split("."):
        found = getattr(found, part)
    return found


def _said(error: BaseException) -> str:
    return one_line(f"{type(error).__name__}: {' '.join(str(error).split())}")
