"""Files that are there as a whole or not at all.

It is written beside its place, under a hidden name, and moved there: rename(2) is atomic, so
that a reader sees the old file or the new one, whenever the writer is interrupted or loses power.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


def write_whole(path: Path, text: str) -> None:
    """Write a text file. FileExistsError where there is one, OSError where it cannot be."""
    with draft(path, text) as beside:
        place(beside, path, over=False)


@contextmanager
def draft(path: Path, text: str = "") -> Iterator[Path]:
    """A file with this text beside the place of `path`; gone at the end, unless it was placed."""
    with _named(path):
        number, name = tempfile.mkstemp(
            prefix=f".{path.stem}-", suffix=path.suffix, dir=path.parent
        )
    beside = Path(name)
    try:
        with open(number, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            os.fchmod(number, _mode(path))
            file.flush()
            os.fsync(number)  # a small computer may lose its power any moment
        yield beside
    finally:
        beside.unlink(missing_ok=True)


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Where to write what becomes `path` at the end, unless the work is broken off.

    A device or a pipe is written itself, and a link leads to the file that it names.
    """
    path = path.resolve()
    if path.exists() and not path.is_file():
        yield path
        return
    with draft(path) as beside:
        yield beside
        place(beside, path, over=True)


@contextmanager
def gathered(folder: Path, *kept: type[Exception]) -> Iterator[Path]:
    """A folder to write files to, which move to `folder` at the end, each in one step.

    They stay away when the work ends with an error, or is interrupted; `kept` are the errors
    after which what was written until then is wanted all the same. `folder` is made.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with _named(folder):
        beside = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=folder))
    try:
        yield beside
        _move(beside, folder)
    except kept:
        _move(beside, folder)
        raise
    finally:
        shutil.rmtree(beside, ignore_errors=True)


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """Have an error name the path that was asked for, and not one that nobody knows."""
    try:
        yield
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(path)) from None


def _move(beside: Path, folder: Path) -> None:
    for path in beside.iterdir():
        path.replace(folder / path.name)


def place(beside: Path, path: Path, *, over: bool) -> None:
    """Give a draft its name. FileExistsError where there is such a file, unless it is to go."""
    if path.exists() and not over:
        raise FileExistsError(0, "has come meanwhile; start again", str(path))
    beside.replace(path)


def _mode(path: Path) -> int:
    """The mode of the file that is there, else what a new file usually has."""
    with suppress(OSError):
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
