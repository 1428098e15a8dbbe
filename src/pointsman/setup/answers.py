"""How single answers are read: each takes what was typed; ValueError says what would be right."""

from __future__ import annotations

import os
from collections.abc import Collection
from pathlib import Path

from pointsman.device_file import read_device
from pointsman.options import Whole
from pointsman.rig_file import output_name_problem
from pointsman.rig_model import WIRE_RATES
from pointsman.setup.plan import DeviceAnswer, Wire

UNKNOWN = "?"
"""What is typed for something that nobody knows yet."""

NO_DEVICE = "-"
SUFFIXES = (".yaml", ".yml")

_CHANNEL = Whole(1, 16, "a channel")
_VOICES = Whole(1, 2048, "a number of voices")
_RATE = Whole(1, 100_000_000, "a wire", tuple(WIRE_RATES))


def read_rig_path(text: str) -> Path:
    """Where the rig is to be written."""
    path = Path(text)
    if path.is_dir():
        raise ValueError(f"{path}: is a folder; name a file in it, such as {path / 'rig.yaml'}")
    if path.suffix not in SUFFIXES:
        raise ValueError(f"{path}: a rig is a YAML file; write for example {path}.yaml")
    _check_folder(path, "rig.yaml")
    return path


def _check_folder(path: Path, example: str) -> None:
    """See that the folder of a file is there, or can be made."""
    there = next(each for each in path.parents if each.exists())
    if not there.is_dir():
        raise ValueError(f"'{there}' is no folder; write for example {example}")


def read_channel(text: str) -> int:
    """A channel, 1-16."""
    return int(_CHANNEL.read(text))


def read_channel_or_unknown(text: str) -> int | None:
    """A channel, or None for `?`."""
    return None if text == UNKNOWN else _or_unknown(_CHANNEL, text)


def read_voices_or_unknown(text: str) -> int | None:
    """How many notes a synth plays at once, or None for `?`."""
    return None if text == UNKNOWN else _or_unknown(_VOICES, text)


def _or_unknown(whole: Whole, text: str) -> int:
    try:
        return int(whole.read(text))
    except ValueError as error:
        raise ValueError(f"{error}, or {UNKNOWN} if it is not known yet") from None


def read_wire(text: str) -> Wire:
    """`din`, `usb`, `free`, or bytes a second."""
    return _RATE.read(text)


def read_name(text: str, taken: Collection[str]) -> str:
    """The name of an output, as a rig takes it and none that is taken."""
    problem = output_name_problem(text)
    if problem:
        raise ValueError(problem)
    if text in taken:
        raise ValueError(f"there is an output '{text}' already; write another name")
    return text


def read_device_path(text: str, folder: Path, default_name: str) -> DeviceAnswer | None:
    """A device file that is there, or one that is to be made; None for `-`.

    `folder` is that of the rig, from which its path counts; one that exists from where we are will
    do as well. A file that is there must be right.
    """
    if text == NO_DEVICE:
        return None
    path = folder / text
    if not path.exists() and Path(text).exists():
        path = Path(text)
        text = os.path.relpath(path.resolve(), folder.resolve())
    if path.exists():
        return _existing(path, text)
    if path.suffix not in SUFFIXES:
        raise ValueError(
            f"there is no file '{text}', and a new one needs a name such as "
            f"devices/{default_name}.yaml; or write {NO_DEVICE} for none"
        )
    _check_folder(path, f"devices/{default_name}.yaml")
    return DeviceAnswer(text, True, path.stem.replace("-", " ").replace("_", " ").title())


def _existing(path: Path, text: str) -> DeviceAnswer:
    try:
        part, _, problems = read_device(path, str(path))
    except OSError as error:
        raise ValueError(f"'{text}' cannot be read: {error.strerror or error}") from None
    if part is None or problems:
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        raise ValueError(f"{problems[0]}{more}; mend it first, or name another file")
    returning = tuple(name for name, control in part.controls.items() if control.home is not None)
    return DeviceAnswer(text, False, part.device, part.channel, part.voices, returning)
