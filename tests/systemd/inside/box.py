"""The box of a player: an account, an environment with Pointsman in its home, and a rig.

Everything is done as on a real one, by the commands of docs/small-computer.md, except that the
environment's packages are copied instead of fetched: this machine has no network.
"""

from __future__ import annotations

import importlib.metadata
import importlib.util
import json
import os
import pwd
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

UNIT = "pointsman.service"
PLAYER = "kahn"
HOME = Path("/home") / PLAYER
PATIENCE_S = 120

on_systemd = [
    pytest.mark.systemd,
    pytest.mark.skipif(
        "POINTSMAN_MAY_INSTALL" not in os.environ
        or not Path("/run/systemd/system").is_dir()
        or os.geteuid() != 0,
        reason="installs the service: needs a machine of its own (test_in_systemd_vm.py)",
    ),
]
"""The marks of every module of tests that install the service."""

_PACKAGES = (
    "pointsman", "pointsman_plugins", "pluggy", "pydantic", "pydantic_core", "annotated_types",
    "typing_extensions", "typing_inspection", "yaml", "_yaml", "structlog", "rtmidi", "serial",
)  # fmt: skip


def ran(*command: str | Path) -> str:
    """What a command prints that must succeed."""
    done = run(*command)
    assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}"
    return done.stdout


def run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    """Run a command to its end."""
    words = [str(word) for word in command]
    return subprocess.run(
        words, capture_output=True, text=True, timeout=PATIENCE_S, check=False, cwd="/",
        env={key: value for key, value in os.environ.items() if not key.startswith("PYTHON")},
    )  # fmt: skip


def make_account() -> None:
    """The player's account, in no group but its own."""
    try:
        pwd.getpwnam(PLAYER)
    except KeyError:
        ran("useradd", "--create-home", "--user-group", PLAYER)
    HOME.chmod(0o700)


def make_environment(folder: Path) -> Path:
    """A virtual environment with Pointsman in it; returns its Python."""
    ran("python3", "-m", "venv", "--without-pip", folder)
    (place,) = folder.glob("lib/python3*/site-packages")
    for name in _PACKAGES:
        found = importlib.util.find_spec(name)
        if found is None or found.origin is None:
            continue  # that version of pydantic does without it
        origin = Path(found.origin)
        if found.submodule_search_locations:
            copy_folder(origin.parent, place)
            for libraries in origin.parent.parent.glob(f"python_{name}.*"):  # that a wheel brings
                copy_folder(libraries, place)
        else:
            shutil.copy(origin, place)
    entry_points = place / "pointsman-0.dist-info"
    entry_points.mkdir()
    told = importlib.metadata.distribution("pointsman")
    for file in ("METADATA", "entry_points.txt"):
        text = told.read_text(file)
        assert text is not None
        (entry_points / file).write_text(text)
    ran(folder / "bin" / "python", "-m", "compileall", "-q", place)  # as pip does
    return folder / "bin" / "python"


def copy_folder(folder: Path, place: Path) -> None:
    """Copy a folder of a package there."""
    shutil.copytree(folder, place / folder.name)


def write(path: Path, text: str) -> Path:
    """Write a file of the player's."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    ran("chown", "-R", f"{PLAYER}:{PLAYER}", HOME)
    return path


def show(*names: str) -> list[str]:
    """Properties of the service, as systemd has them."""
    return [ran("systemctl", "show", "-P", name, UNIT).strip() for name in names]


def main_pid() -> int:
    """The main process; 0 while there is none."""
    return int(show("MainPID")[0])


def restarts() -> int:
    """How often systemd has restarted it by itself."""
    return int(show("NRestarts")[0])


def is_ready(but: int = 0) -> bool:
    """Whether it runs and has said so; with `but`, in another process than that."""
    state, sub, pid = show("ActiveState", "SubState", "MainPID")
    return (state, sub) == ("active", "running") and int(pid) not in (0, but)


def log() -> list[dict[str, Any]]:
    """The last lines that the service has logged as JSON, and so those of one that started."""
    return [json.loads(line) for line in said() if line.startswith("{")]


def said() -> list[str]:
    """The last lines that the service's processes have written."""
    ran("journalctl", "--sync")
    return ran("journalctl", "-n", "30", "-o", "cat", f"_SYSTEMD_UNIT={UNIT}").splitlines()


def events() -> list[str]:
    """The last events of the log, in order."""
    return [line["event"] for line in log()]


def threads(pid: int) -> list[tuple[int, int]]:
    """The scheduling policy and priority of each thread of a process."""
    numbers = [int(path.name) for path in Path(f"/proc/{pid}/task").iterdir()]
    return [(os.sched_getscheduler(n), os.sched_getparam(n).sched_priority) for n in numbers]


def children(pid: int) -> Sequence[int]:
    """The processes that a process has started."""
    return [int(word) for word in run("pgrep", "-P", str(pid)).stdout.split()]


def status_kb(pid: int, field: str) -> int:
    """A size from /proc/PID/status, in KiB."""
    text = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) for line in text.splitlines() if line.startswith(field))
