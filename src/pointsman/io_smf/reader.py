"""Reads a file's header, and merges its tracks into one stream."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from pointsman.errors import InputFileError
from pointsman.io_smf.items import END, TEMPO, SmfItem, TempoMap
from pointsman.io_smf.track import AGAIN, Track


class SmfReader:
    """A file's header, and its events in the order of time.

    `format` is 0 or 1, `tracks` their number, `division` the header's raw field. `skipped` counts
    what `items` had to leave out: escapes that are no whole messages, system exclusive messages
    without an end, signatures of a wrong length. Raises InputFileError, which names the byte
    (from 0), for whatever is wrong in the file, and OSError where it cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.skipped = 0
        with path.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(0)
            head = file.read(14)
            self._check_header(head)
            self.format, self.tracks, self.division = (
                int.from_bytes(head[at : at + 2], "big") for at in (8, 10, 12)
            )
            self._check_fields()
            self._spans = self._find_tracks(file, 8 + int.from_bytes(head[4:8], "big"), size)

    def fault(self, at: int, text: str) -> InputFileError:
        """The error for what is wrong at byte `at` of the file."""
        return InputFileError(f"{self.path}: byte {at}: {text}")

    def _check_header(self, head: bytes) -> None:
        if not head:
            raise self.fault(0, "the file is empty; a Standard MIDI File begins with MThd")
        if not head.startswith(b"MThd"):
            raise self.fault(0, "this is no Standard MIDI File; one begins with MThd")
        if len(head) < 14:
            raise self.fault(len(head), f"the file ends inside its header; {AGAIN}")
        if (length := int.from_bytes(head[4:8], "big")) < 6:
            raise self.fault(4, f"a header of {length} bytes; it must have 6 or more")

    def _check_fields(self) -> None:
        if self.format == 2:
            raise self.fault(8, "format 2 is a set of patterns, not one piece; save it as 0 or 1")
        if self.format > 2:
            raise self.fault(8, f"format {self.format}; it must be 0 or 1")
        if not self.tracks:
            raise self.fault(10, "no tracks; there must be 1 or more")
        try:
            TempoMap(self.division)
        except ValueError as error:
            raise self.fault(12, str(error)) from None

    def _find_tracks(self, file: IO[bytes], at: int, size: int) -> list[tuple[int, int]]:
        """Where the events of each track begin and end; other chunks are skipped (p. 3)."""
        spans: list[tuple[int, int]] = []
        while len(spans) < self.tracks:
            file.seek(at)
            head = file.read(8)
            if len(head) < 8:
                found = f"{len(spans)} of {self.tracks} tracks"
                raise self.fault(size, f"the file ends after {found}; {AGAIN}")
            start, length = at + 8, int.from_bytes(head[4:], "big")
            at = start + length
            if at > size:
                cut = f"a chunk of {length} bytes is cut short after {size - start}"
                raise self.fault(start - 4, f"{cut}; {AGAIN}")
            if head.startswith(b"MTrk"):
                spans.append((start, at))
        return spans

    def items(self) -> Iterator[SmfItem]:
        """Yield every track's events: by tick, then by track number, then as the file has them.

        Channel messages, whole system exclusive messages, tempo, time and key signatures, and
        END once, at last, where the longest track ends.
        """
        self.skipped = 0
        tempo_map = TempoMap(self.division)
        t_ns = last_tick = 0
        with self.path.open("rb", buffering=0) as file:
            tracks = [
                Track(self, file, number, *span).events() for number, span in enumerate(self._spans)
            ]
            # Two tuples differ in the track's number at the latest: data is never compared.
            for tick, _, data in tracks[0] if len(tracks) == 1 else heapq.merge(*tracks):
                if tick != last_tick:
                    last_tick = tick
                    t_ns = tempo_map.ns(tick)
                if data[0] == 0xFF:
                    if data == END:
                        continue  # of this track; the music may go on
                    if data.startswith(TEMPO):
                        tempo_map.change(tick, data)
                yield SmfItem(t_ns, tick, data)
        yield SmfItem(t_ns, last_tick, END)
