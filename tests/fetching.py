"""Fetches packages into a cache folder of the user's, `~/.cache/pointsman-tests`, once."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

CACHE = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "pointsman-tests"


def fetched(name: str, *commands: list[str]) -> Path:
    """A folder of the cache, filled by these commands run inside it; skips where one fails."""
    folder = CACHE / name
    if folder.is_dir():
        return folder
    work = CACHE / f"{name}.{os.getpid()}"
    try:
        work.mkdir(parents=True)
    except OSError as error:
        pytest.skip(f"no folder for fetched packages can be made: {error}")
    try:
        for command in commands:
            _run(command, work)
        work.rename(folder)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return folder


def _run(command: list[str], folder: Path) -> None:
    if shutil.which(command[0]) is None:
        pytest.skip(f"{command[0]} is not installed, so {' '.join(command)} cannot run")
    try:
        subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True, timeout=120)
    except subprocess.TimeoutExpired:
        pytest.skip(f"{' '.join(command)} took longer than 120 s")
    except subprocess.CalledProcessError as error:
        last = (error.stderr.strip() or "it said nothing").splitlines()[-1]
        pytest.skip(f"{' '.join(command)} failed: {last}")
