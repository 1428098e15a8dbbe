"""The files that a capture writes: an event log of everything, or a Standard MIDI File.

Both are whole whenever they have been saved: what a power cut or a full disk takes is what came
after that.
"""

from __future__ import annotations

import os
from abc import ABC, abstractmethod
from pathlib import Path

from pointsman.capture.bars import BarLayout
from pointsman.io_smf import SmfWriter
from pointsman.io_tsv import event_line
from pointsman.ledger import note_key
from pointsman.message import AFTER_NOTES, FIRST_NOTE_ON, key_of, note_off
from pointsman.units import seconds_text

TEXT_EVENT = b"\xff\x01"
"""A text among the events of a Standard MIDI File (p. 8)."""


class CaptureFile(ABC):
    """A file that is being captured to. Times never go down. OSError as writing raises."""

    def __init__(self) -> None:
        self.left_out = 0
        """Messages that such a file cannot hold."""

    @abstractmethod
    def write(self, t_ns: int, data: bytes) -> None:
        """Take one message."""

    @abstractmethod
    def remark(self, t_ns: int, text: str) -> None:
        """Take a line that is no message."""

    @abstractmethod
    def save(self) -> None:
        """See that what has been taken outlasts a power cut; a `.mid` keeps back two bars."""

    @abstractmethod
    def close(self, t_ns: int) -> None:
        """Finish the file at this time; harmless when it is closed."""


class LogCapture(CaptureFile):
    """An event log (`.tsv`): everything, with remarks as comments."""

    def __init__(self, path: Path, heading: str = "") -> None:
        super().__init__()
        self._file = path.open("wb", buffering=0)
        self._lines = [f"# {heading}\n"] if heading else []
        self._length = 0  # of whole lines on disk

    def write(self, t_ns: int, data: bytes) -> None:
        """Take one message."""
        self._lines.append(event_line(t_ns, data))

    def remark(self, t_ns: int, text: str) -> None:
        """Take a comment, with its time."""
        self._lines.append(f"# {seconds_text(t_ns)} {text}\n")

    def save(self) -> None:
        """Write whole lines; where that fails, those before stay and none is cut in half."""
        left = memoryview("".join(self._lines).encode())
        length = self._length + len(left)
        try:
            while left:
                left = left[self._file.write(left) :]
            os.fsync(self._file.fileno())
        except OSError:
            self._file.truncate(self._length)
            self._file.seek(self._length)
            raise
        self._length = length
        self._lines.clear()

    def close(self, t_ns: int) -> None:
        """Write what is left."""
        if not self._file.closed:
            with self._file:
                self.save()


class SongCapture(CaptureFile):
    """A Standard MIDI File: its bars are those of the clock, and every note in it ends."""

    def __init__(self, path: Path, heading: str = "") -> None:
        super().__init__()
        self._writer = SmfWriter(path)
        if heading:
            self._writer.meta(0, 0, _text_event(heading))
        self._layout = BarLayout(self._writer)
        self._sounding: dict[int, None] = {}
        self._closed = False

    def write(self, t_ns: int, data: bytes) -> None:
        """Take one message."""
        if not self._layout.take(t_ns, data):
            self.left_out += 1
            return
        key = key_of(data)
        if FIRST_NOTE_ON <= key < AFTER_NOTES:
            self._sounding[note_key(data)] = None
        elif key < FIRST_NOTE_ON:
            self._sounding.pop(note_key(data), None)

    def remark(self, t_ns: int, text: str) -> None:
        """Take a text event."""
        self._layout.take(t_ns, _text_event(text))

    def save(self) -> None:
        """Write all but the last two bars."""
        self._writer.save()

    def close(self, t_ns: int) -> None:
        """End what still sounds, and write what is left."""
        if self._closed:
            return
        self._closed = True
        for note in self._sounding:
            self._layout.take(t_ns, note_off(note >> 7, note & 0x7F))
        self._layout.close(t_ns)


def open_capture(path: Path, heading: str = "") -> CaptureFile:
    """Begin a file, of the kind that its name says; one that is there is replaced.

    `heading` is one line that says what it is.
    """
    is_log = path.suffix.lower() == ".tsv"
    return LogCapture(path, heading) if is_log else SongCapture(path, heading)


def _text_event(text: str) -> bytes:
    return TEXT_EVENT + text.encode("ascii", "replace")
