"""Puts a rig and its new device files in their places: all of them, or none.

Each file is written beside its place and moved there, which is atomic (rename(2)): a reader sees
the whole old file or the whole new one. The rig comes last, so that it never names a device file
that is not there. Whatever goes wrong on the way, Ctrl-C too, takes back what was put.
"""

from __future__ import annotations

import os
import signal
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from pointsman.advice import advise
from pointsman.errors import PointsmanError, Problem, RigError
from pointsman.rig_file import load_rig


def put(rig: Path, text: str, devices: Mapping[Path, str], *, over: bool) -> list[Problem]:
    """Write them all, and return what `check` warns of.

    The rig is loaded before it gets its name; one that is wrong is not put, and raises
    PointsmanError, as does a file that has come meanwhile. `over`: a rig that is there is replaced.
    OSError where a folder or a file cannot be written.
    """
    rig = Path(os.path.realpath(rig))  # what a link leads to is replaced, not the link
    with _taken_back() as (folders, files):
        for path, device_text in devices.items():
            _make_folder(path.parent, folders)
            with _draft(path, device_text) as draft:
                _place(draft, path, over=False)
                files.append(path)
        _make_folder(rig.parent, folders)
        with _draft(rig, text) as draft:
            try:
                warnings = advise(load_rig(draft))
            except RigError as error:
                first = error.problems[0]
                what = f"{rig.name} would be wrong: line {first.line}: {first.where}: {first.what}"
                raise PointsmanError(f"{what}; nothing is written") from None
            with _unbroken():
                _place(draft, rig, over=over)
                files.clear()  # it is done: nothing is taken back any more
                folders.clear()
    return [_named(problem, draft, rig) for problem in warnings]


def _named(problem: Problem, draft: Path, rig: Path) -> Problem:
    return problem._replace(path=rig.name) if problem.path == str(draft) else problem


@contextmanager
def _taken_back() -> Iterator[tuple[list[Path], list[Path]]]:
    """The folders and files that were made; they are removed unless all goes well."""
    folders: list[Path] = []
    files: list[Path] = []
    try:
        yield folders, files
    except BaseException:
        for path in files:
            with suppress(OSError):
                path.unlink()
        for folder in reversed(folders):
            with suppress(OSError):
                folder.rmdir()
        raise


@contextmanager
def _unbroken() -> Iterator[None]:
    """Have Ctrl-C and SIGTERM wait for a moment."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _make_folder(folder: Path, made: list[Path]) -> None:
    missing = [each for each in (folder, *folder.parents) if not each.exists()]
    for each in reversed(missing):
        each.mkdir()
        made.append(each)


@contextmanager
def _draft(path: Path, text: str) -> Iterator[Path]:
    """A file with this text beside the place of `path`; gone at the end, unless it was placed."""
    number, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=path.suffix, dir=path.parent)
    draft = Path(name)
    try:
        with open(number, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            os.fchmod(number, _mode(path))
            file.flush()
            os.fsync(number)  # a small computer may lose its power any moment
        yield draft
    finally:
        draft.unlink(missing_ok=True)


def _mode(path: Path) -> int:
    """The mode of the file that is there, else what a new file usually has."""
    with suppress(OSError):
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _place(draft: Path, path: Path, *, over: bool) -> None:
    if path.exists() and not over:
        raise PointsmanError(f"{path}: has come while you answered; start again")
    draft.replace(path)
