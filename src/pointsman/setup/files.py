"""Puts a rig and its new device files in their places: all of them, or none.

Each file by itself is written whole (`whole_file.py`). The rig comes last, so that it never names a
device file that is not there. Whatever goes wrong on the way, Ctrl-C too, takes back what was put.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from pointsman.advice import advise
from pointsman.errors import PointsmanError, Problem, RigError
from pointsman.rig_file import load_rig
from pointsman.whole_file import draft, place


def put(rig: Path, text: str, devices: Mapping[Path, str], *, over: bool) -> list[Problem]:
    """Write them all, and return what `check` warns of.

    The rig is loaded before it gets its name; one that is wrong is not put, and raises
    PointsmanError. `over`: a rig that is there is replaced. OSError where a folder or a file cannot
    be written, or a file has come meanwhile.
    """
    rig = Path(os.path.realpath(rig))  # what a link leads to is replaced, not the link
    with _taken_back() as (folders, files):
        for path, device_text in devices.items():
            _make_folder(path.parent, folders)
            with draft(path, device_text) as beside:
                place(beside, path, over=False)
                files.append(path)
        _make_folder(rig.parent, folders)
        with draft(rig, text) as beside:
            try:
                warnings = advise(load_rig(beside))
            except RigError as error:
                first = error.problems[0]
                what = f"{rig.name} would be wrong: line {first.line}: {first.where}: {first.what}"
                raise PointsmanError(f"{what}; nothing is written") from None
            with _unbroken():
                place(beside, rig, over=over)
                files.clear()  # it is done: nothing is taken back any more
                folders.clear()
    return [_named(problem, beside, rig) for problem in warnings]


def _named(problem: Problem, beside: Path, rig: Path) -> Problem:
    return problem._replace(path=rig.name) if problem.path == str(beside) else problem


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
