"""The state file: what a run that is killed would leave sounding, for the next start to end.

How this works. While Pointsman runs, the file says which notes may sound behind each port, and
what would put its controls home. A clean end removes it; so a file that is found at the start was
left by a run that could not end: its content is sent first (CONTRACT: nothing stays sounding).

It is written whole beside its place and then moved there, which is atomic (rename(2)): whenever
the run is killed, a whole file is there. Nothing waits for the disk (no fsync): what a killed
process has written is the kernel's already. Only a power cut may lose it, and then a broken or
empty file is told of and costs nothing but itself.

No trouble with the file stops the run: every method comes back, and `problem` has a line of it.
The folder is ours alone (mode 0700). The content is checked like any input all the same: it
becomes MIDI.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pointsman.errors import one_line
from pointsman.message import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    control_change,
    is_message,
    note_off,
)

VERSION = 1
MOST_BYTES = 1 << 20
"""A longer file is neither written nor read. Every note of a hundred ports fits in."""

_LONGEST_HOME = 256
"""Bytes of one home message; what is longer (a SysEx dump) is no control."""

_UNKNOWN = "what the last run left sounding is not known: use 'pointsman panic' if a note hangs"


class StateProblem(NamedTuple):
    """Trouble with the state file: where, what, and what was done or is to do."""

    where: str
    what: str
    remedy: str

    def __str__(self) -> str:
        return one_line(f"{self.where}: {self.what}; {self.remedy}")


@dataclass(frozen=True)
class LeftPort:
    """What may be left behind one port: notes (0-127) by channel (0-15), and home messages.

    `found` is the full name of the port that was open, which tells two alike apart.
    """

    found: str
    notes: Mapping[int, Sequence[int]]
    homes: Sequence[bytes]


@dataclass(frozen=True)
class Left:
    """What a run leaves: the rig's name, its ports as the rig writes them, its process number."""

    rig: str
    ports: Mapping[str, LeftPort]
    pid: int = field(default_factory=os.getpid)

    def messages(self, *names: str) -> list[bytes]:
        """What ends all that was left behind a port, by its name in the rig or its full one.

        All Notes Off and All Sound Off on each channel, for a synth that knows them; note-offs,
        for every synth; then the homes. None where nothing is known of the port.
        """
        ports = [p for name, p in self.ports.items() if name in names or p.found in names]
        notes = sorted({(c, n) for p in ports for c, some in p.notes.items() for n in some})
        channels = sorted({c for p in ports for c in p.notes})
        found = [
            control_change(channel, mode, 0)
            for channel in channels
            for mode in (ALL_NOTES_OFF, ALL_SOUND_OFF)
        ]
        found += [note_off(channel, note) for channel, note in notes]
        return found + [home for p in ports for home in p.homes]


class _Model(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid")


class _FilePort(_Model):
    """A port as the file has it, with channels from 1 as people count them."""

    port: str
    found: str
    notes: dict[str, list[Annotated[int, Field(ge=0, le=127)]]]
    homes: list[Annotated[str, Field(max_length=3 * _LONGEST_HOME)]]

    def read(self) -> LeftPort:
        """The port; ValueError says what is wrong."""
        notes = {_channel(text): notes for text, notes in self.notes.items()}
        return LeftPort(self.found, notes, [_message(text) for text in self.homes])


class _File(_Model):
    version: Literal[1]
    rig: str
    pid: int
    ports: list[Any]


def _channel(text: str) -> int:
    if text not in map(str, range(1, 17)):
        raise ValueError(f"'{text}' is no channel 1-16")
    return int(text) - 1


def _message(text: str) -> bytes:
    try:
        data = bytes.fromhex(text)
    except ValueError:
        data = b""
    if not is_message(data):
        raise ValueError(f"'{text}' is no MIDI message")
    return data


class StateFile:
    """The state file at `path`. For one thread at a time, and never the one that plays."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._beside = path.with_name(path.name + ".new")
        self.problem: StateProblem | None = None
        """What was wrong at the last call; None: nothing."""

    # ---- at the start ------------------------------------------------------------------------

    def read(self) -> Left | None:
        """What an earlier run has left; None if it ended cleanly, or where it cannot be known.

        Of a file that is wrong in places, the ports that are right are taken.
        """
        self.problem = None
        try:
            content = self._content()
            return None if content is None else self._left(content)
        except OSError as error:
            self._trouble(f"cannot be read: {_said(error)}", _UNKNOWN)
        except ValueError as error:  # pydantic's and json's are such, too
            self._trouble(_fault(error), f"{_UNKNOWN}; the file is written anew")
        except RecursionError:
            self._trouble("is nested too deep", f"{_UNKNOWN}; the file is written anew")
        return None

    def _content(self) -> bytes | None:
        """The bytes of the file, None where there is none.

        Neither a link nor another user's file is followed or trusted, and a pipe does not block.
        """
        try:
            if self.path.is_symlink():
                raise ValueError("is a symbolic link, which Pointsman never makes")
            fd = os.open(self.path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        except FileNotFoundError:
            return None
        try:
            status = os.fstat(fd)
            if not stat.S_ISREG(status.st_mode):
                raise ValueError("is no regular file")
            if status.st_uid != os.geteuid():
                raise ValueError(f"belongs to another user ({status.st_uid})")
            with open(fd, "rb", closefd=False) as file:
                content = file.read(MOST_BYTES + 1)
        finally:
            os.close(fd)
        if len(content) > MOST_BYTES:
            raise ValueError(f"has more than {MOST_BYTES} bytes")
        if not content:
            raise ValueError("is empty")
        return content

    def _left(self, content: bytes) -> Left:
        raw = json.loads(content)
        if isinstance(raw, dict) and raw.get("version", VERSION) != VERSION:
            shown = str(raw["version"])[:20]
            raise ValueError(f"is of version {shown}, and this Pointsman reads {VERSION}")
        file = _File.model_validate(raw)
        ports, faults = {}, []
        for number, entry in enumerate(file.ports, start=1):
            try:
                model = _FilePort.model_validate(entry)
                ports[model.port] = model.read()
            except ValueError as error:
                faults.append(f"port {number}: {_fault(error)}")
        if faults:
            more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
            self._trouble(f"{faults[0]}{more}", "left out; use 'pointsman panic' if a note hangs")
        return Left(file.rig, ports, file.pid)

    # ---- while it runs -----------------------------------------------------------------------

    def write(self, left: Left) -> bool:
        """Put `left` in the place of what the file says; on failure that stays as it is.

        Returns whether it is written. What makes the file too long, the homes, is left out.
        """
        self.problem = None
        content = _text(left, homes=True)
        if len(content) > MOST_BYTES:
            content = _text(left, homes=False)
            self._trouble("grows too long", "the homes of controls are left out")
        if len(content) > MOST_BYTES:
            self._trouble("grows too long", "what it said before stays")
            return False
        try:
            self._put(content)
        except OSError as error:
            self._remove_beside()
            self._trouble(
                f"cannot be written: {_said(error)}",
                "what it said before stays, and the next change is tried again",
            )
            return False
        return True

    def _put(self, content: bytes) -> None:
        self._beside.unlink(missing_ok=True)  # of a run that was killed as it wrote
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        with open(os.open(self._beside, flags, 0o600), "wb") as file:
            file.write(content)
        os.replace(self._beside, self.path)

    def _remove_beside(self) -> None:
        with suppress(OSError):  # where this fails, the file itself does, and that is told of
            self._beside.unlink(missing_ok=True)

    # ---- at the end --------------------------------------------------------------------------

    def clear(self) -> None:
        """A clean end: nothing is left."""
        self.problem = None
        self._remove_beside()
        try:
            self.path.unlink(missing_ok=True)
        except OSError as error:
            self._trouble(
                f"cannot be removed: {_said(error)}",
                "the next start will send note-offs that nobody needs; remove it",
            )

    def _trouble(self, what: str, remedy: str) -> None:
        self.problem = StateProblem(str(self.path), what, remedy)


def _text(left: Left, *, homes: bool) -> bytes:
    ports = [
        {
            "port": name,
            "found": port.found,
            "notes": {str(channel + 1): list(notes) for channel, notes in port.notes.items()},
            "homes": [home.hex(" ").upper() for home in port.homes] if homes else [],
        }
        for name, port in left.ports.items()
    ]
    whole = {"version": VERSION, "rig": left.rig, "pid": left.pid, "ports": ports}
    return json.dumps(whole).encode() + b"\n"


def _said(error: OSError) -> str:
    return error.strerror or type(error).__name__


def _fault(error: ValueError) -> str:
    """What is wrong with the content, in a line."""
    if isinstance(error, ValidationError):
        first = error.errors()[0]
        place = ".".join(map(str, first["loc"]))
        return f"{place}: {first['msg']}" if place else first["msg"]
    if isinstance(error, (json.JSONDecodeError, UnicodeDecodeError)):
        return "is no JSON, or was cut short"
    return str(error)
