"""Loads and checks a rig in a process of its own, which may crash or hang without harm."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, NoReturn

from pointsman.advice import advise
from pointsman.errors import PLUGIN_ERRORS, PluginError, Problem, RigError, warning
from pointsman.live.handover import Loaded, PluginFile, local_modules, pack
from pointsman.rig import Rig
from pointsman.rig_file import load_rig_and_plugins

LONGEST_LOAD_S = 10
"""A rig takes 10 to 200 ms. What takes so long is a plugin file that hangs."""

_PIECE = 1 << 16
_MOST_FDS = 4096


class Load:
    """One rig being loaded. When `fileno` is readable, `read`; once that is True, `result`."""

    def __init__(self, rig: str) -> None:
        self._rig = rig
        self._got = bytearray()
        self._killed = False
        self._read_fd, write_fd = os.pipe()
        try:
            self._pid = os.fork()
        except OSError:
            os.close(self._read_fd)
            os.close(write_fd)
            raise
        if self._pid == 0:
            _child(rig, write_fd)
        self.until_s = time.monotonic() + LONGEST_LOAD_S
        os.close(write_fd)
        os.set_blocking(self._read_fd, False)

    def fileno(self) -> int:
        """For `select`."""
        return self._read_fd

    def read(self) -> bool:
        """Take what has come; True once nothing more will come."""
        with suppress(BlockingIOError):
            while data := os.read(self._read_fd, _PIECE):
                self._got += data
            return True
        return False

    def kill(self) -> None:
        """End it: it has gone on past `until_s` (in seconds of the monotonic clock)."""
        os.kill(self._pid, signal.SIGKILL)
        self._killed = True

    def result(self) -> Loaded:
        """What came of it."""
        os.close(self._read_fd)
        _, status = os.waitpid(self._pid, 0)
        code = os.waitstatus_to_exitcode(status)
        if code == 0:
            loaded: Loaded = pickle.loads(self._got)
            return loaded
        if self._killed:
            what = f"loading takes longer than {LONGEST_LOAD_S} s"
        elif code < 0:
            what = f"loading was ended by {signal.Signals(-code).name}"
        else:
            what = f"loading ended with exit code {code}"
        return self._failed(f"{what}; look at the plugin files of the rig")

    def _failed(self, what: str) -> Loaded:
        return Loaded(
            (str(Problem(self._rig, 1, 1, "", what)),), files=(os.path.abspath(self._rig),)
        )


def _child(rig: str, write_fd: int) -> NoReturn:
    code = 1
    try:
        signal.alarm(2 * LONGEST_LOAD_S)  # the kernel ends what hangs, should the desk be gone
        os.closerange(3, write_fd)  # a client's connection must not stay open for our sake
        os.closerange(write_fd + 1, _MOST_FDS)
        sys.dont_write_bytecode = True  # it would be taken for newer source of the same second
        data = pickle.dumps(load(rig), pickle.HIGHEST_PROTOCOL)
        with open(write_fd, "wb") as pipe:
            pipe.write(data)
        code = 0
    except BaseException as error:
        with suppress(Exception):
            print(f"{rig}: loading failed: {type(error).__name__}: {error}", file=sys.stderr)
    finally:
        os._exit(code)  # nothing that the parent has set up to happen at its end


def load(rig: str) -> Loaded:
    """Load a rig and pack it. To be called once in a process that ends soon: see `_Opened`."""
    opened = _Opened()
    problems: tuple[str, ...] = ()
    try:
        loaded, registry = load_rig_and_plugins(rig)
        packed = pack(loaded, registry)
        return Loaded((), _warnings(loaded), packed, _plugin_files(), opened.files())
    except RigError as error:
        problems = tuple(str(problem) for problem in error.problems)
    except PluginError as error:
        problems = tuple(str(error).splitlines())
    except PLUGIN_ERRORS as error:
        said = f"{type(error).__name__}: {' '.join(str(error).split())}"
        what = f"cannot be loaded ({said}); look at its plugin files"
        problems = (str(Problem(rig, 1, 1, "", what)),)
    return Loaded(problems, files=opened.files())


def _warnings(rig: Rig) -> tuple[str, ...]:
    try:
        return tuple(warning(problem) for problem in advise(rig))
    except PLUGIN_ERRORS:  # a plugin that cannot tell what it will do may yet do it well
        return ()


def _plugin_files() -> tuple[PluginFile, ...]:
    return tuple(
        PluginFile(module.__name__, str(module.__file__), Path(str(module.__file__)).read_bytes())
        for module in local_modules()
    )


class _Opened:
    """Notes which files are opened for reading, and which folders are searched, from now on.

    An audit hook sees them all: the rig, songs, devices, included files, plugin files, whatever
    those read in their turn, and above all what is looked for in vain and may yet come. It cannot
    be taken off again; the process in which it works ends with the load.
    """

    _EVENTS = ("open", "os.scandir")

    def __init__(self) -> None:
        self._paths: dict[str, None] = {}
        sys.addaudithook(self._see)

    def _see(self, event: str, arguments: tuple[Any, ...]) -> None:
        if event in self._EVENTS and isinstance(arguments[0], str | bytes | os.PathLike):
            self._paths[os.path.abspath(os.fsdecode(arguments[0]))] = None

    def files(self) -> tuple[str, ...]:
        """Their absolute paths."""
        local = {os.path.abspath(str(module.__file__)) for module in local_modules()}
        pythons = {os.path.abspath(path) for path in sys.path} - {os.getcwd()}
        return tuple(p for p in self._paths if p not in pythons and _may_change(p, local))


def _may_change(path: str, local: set[str]) -> bool:
    """Not so what Python reads for itself: it stays as it is for as long as the service runs."""
    if path.endswith(".py"):
        return path in local
    folder = os.path.basename(os.path.dirname(path))
    return not (path.endswith((".pyc", ".so")) or folder.endswith((".dist-info", ".egg-info")))
