"""What the tests here compare with is fetched: nothing of it is kept in the repository.

Where a thing cannot be had, the tests that need it skip and say why.
"""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from alsa_parser import AlsaParser

from fetching import fetched

MIDI_PACKAGE = "openttd-openmsx"
"""A Debian package (GPL-2) with 31 .mid files that nobody here wrote."""

MIDI_FILES = "usr/share/games/openttd/baseset/openmsx/*.mid"

NODE_READER = "midi-file@1.2.4"
"""An npm package that reads Standard MIDI Files, and shares no code with any Python reader."""


@pytest.fixture(scope="session")
def open_files() -> list[Path]:
    """The open .mid files."""
    unpack = ["sh", "-c", f"dpkg-deb -x {MIDI_PACKAGE}_*.deb ."]
    folder = fetched(MIDI_PACKAGE, ["apt-get", "download", MIDI_PACKAGE], unpack)
    files = sorted(folder.glob(MIDI_FILES))
    assert len(files) == 31
    return files


@pytest.fixture(scope="session")
def read_with_node() -> Callable[[list[Path]], list[Any]]:
    """Reads .mid files with the npm reader: for each, its channel events in figures."""
    install = ["npm", "install", "--no-audit", "--no-fund", "--prefix", ".", NODE_READER]
    folder = fetched("npm", install)
    script = Path(__file__).with_name("count_events.js").read_text("utf-8")

    def read(paths: list[Path]) -> list[Any]:
        told = subprocess.run(
            ["node", "-e", script, *map(str, paths)],
            cwd=folder, capture_output=True, text=True, check=True,
        )  # fmt: skip
        return list(json.loads(told.stdout))

    return read


@pytest.fixture(scope="session")
def pypi() -> Callable[[str, str], ModuleType]:
    """Imports a module of a distribution from the package index, fetching it if need be."""

    @cache
    def load(distribution: str, module: str) -> ModuleType:
        try:
            return importlib.import_module(module)
        except ImportError:
            pip = [sys.executable, "-m", "pip", "install", "--no-deps", "--target", "."]
            folder = fetched(distribution, [*pip, distribution])
            sys.path.append(str(folder))
            try:
                return importlib.import_module(module)
            finally:
                sys.path.remove(str(folder))

    return load


@pytest.fixture(scope="session")
def alsa() -> AlsaParser:
    """libasound, from Debian's libasound2."""
    try:
        return AlsaParser()
    except OSError as error:
        pytest.skip(f"Debian's libasound2 is not here: {error}")
