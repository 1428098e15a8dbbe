"""One capture, from its beginning to its summary: what comes from a source goes to a file."""

from __future__ import annotations

import time
from contextlib import suppress
from pathlib import Path

from pointsman.capture.files import CaptureFile
from pointsman.capture.sources import Came, Source
from pointsman.errors import PointsmanError
from pointsman.message import AFTER_NOTES, FIRST_NOTE_ON, NO_MESSAGE, key_of
from pointsman.progress import Progress
from pointsman.units import NS_PER_S, span
from pointsman.words import hex_text

SAVE_S = 1.0
"""How often the file is saved: so much of a capture a power cut may take."""

_TURN_S = 0.2
_SHOWN_BYTES = 16


class Recording:
    """What is captured, and what has been counted of it."""

    def __init__(
        self, source: Source, file: CaptureFile, path: Path, for_ns: int | None = None
    ) -> None:
        self._source = source
        self._file = file
        self._path = path
        self._for_ns = for_ns
        self._stopping = False
        self._begun_s = self._ended_s = 0.0
        self._last_ns = 0
        self.messages = self.notes = self.lost = self.malformed = 0

    @property
    def seconds(self) -> float:
        """How long it has been going on, or went on."""
        return (self._ended_s or time.monotonic()) - self._begun_s

    def stop(self, *_signal: object) -> None:
        """End it; what is on its way is still taken."""
        self._stopping = True
        self._source.inbox.wake()

    def run(self, progress: Progress) -> None:
        """Capture until `stop`, until the source has ended, or until its time is over.

        PointsmanError where the file cannot be written any more; what was saved stays.
        """
        self._begun_s = saved_s = time.monotonic()
        try:
            while not self._is_over():
                self._take(self._turn_s())
                if time.monotonic() - saved_s >= SAVE_S:
                    self._file.save()
                    saved_s = time.monotonic()
                self._source.look()
                if progress.is_due():
                    progress.show(self._line())
            self._ended_s = time.monotonic()
            self._source.settle()
            self._take(0)
            self._file.close(max(self._last_ns, self._source_end_ns()))
        except OSError as error:
            with suppress(OSError):
                self._file.close(self._last_ns)
            raise PointsmanError(
                f"{self._path}: {error.strerror} after {span(self.seconds)}; "
                "what was written before stays and can be read"
            ) from None
        finally:
            progress.clear()
        if self._source.inbox.fault:
            raise PointsmanError(f"{self.summary()}\n{self._source.inbox.fault}")

    def _is_over(self) -> bool:
        over = self._for_ns is not None and self.seconds * NS_PER_S >= self._for_ns
        return self._stopping or self._source.inbox.ended or over

    def _turn_s(self) -> float:
        if self._for_ns is None:
            return _TURN_S
        return min(max(self._for_ns / NS_PER_S - self.seconds, 0), _TURN_S)

    def _source_end_ns(self) -> int:
        return self._last_ns if self._source.inbox.ended else round(self.seconds * NS_PER_S)

    def _take(self, within_s: float) -> None:
        for came in self._source.inbox.take(within_s):
            self._write(came)

    def _write(self, came: Came) -> None:
        self._last_ns = t_ns = max(self._last_ns, came.t_ns)
        if came.lost:
            self.lost += came.lost
            self._file.remark(t_ns, f"{came.lost} events lost here: they came too fast")
            return
        if came.remark:
            self._file.remark(t_ns, came.remark)
            return
        key = key_of(came.data)
        if key == NO_MESSAGE:
            self.malformed += 1
            shown = hex_text(came.data[:_SHOWN_BYTES])
            self._file.remark(t_ns, f"no whole message: {shown}")
            return
        self.messages += 1
        self.notes += FIRST_NOTE_ON <= key < AFTER_NOTES
        self._file.write(t_ns, came.data)

    def _line(self) -> str:
        lost = f"  LOST {self.lost}" if self.lost else ""
        counts = f"{_count(self.messages, 'message')}  {_count(self.notes, 'note')}"
        return f"{span(self.seconds)}{lost}  {counts}"

    def summary(self) -> str:
        """What was captured, and what not."""
        lost = f"{self.lost} LOST" if self.lost else "none lost"
        parts = [
            f"{self._path}: {_count(self.messages, 'message')}, {_count(self.notes, 'note')} "
            f"in {span(self.seconds)}, {lost}."
        ]
        if self.malformed:
            parts.append(f"{_count(self.malformed, 'piece')} of bytes were no message.")
        if self._file.left_out:
            parts.append(
                f"{_count(self._file.left_out, 'message')} of these (clock, transport and the "
                "like) have no place in a .mid file; a .tsv holds everything."
            )
        if self._source.inbox.ended and self._source.ended_text:
            parts.append(self._source.ended_text)
        if not self.messages:
            parts.append("Nothing came: is this the right input, and does the sequencer play?")
        return "\n".join(parts)


def _count(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
