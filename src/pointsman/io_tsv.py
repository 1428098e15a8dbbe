"""Event logs (`.tsv`): one message a line, read and written as a stream.

A line is the time in seconds, a tab, and the message's bytes in hex. Logs are long and repeat
the same few messages, so both directions remember the texts of short ones.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Self

from pointsman.errors import InputFileError
from pointsman.message import is_message

_BOM = b"\xef\xbb\xbf"  # some editors begin every UTF-8 file with it
_SECONDS_DIGITS, _DECIMALS = 12, 9
_REMEMBERED = 16_384  # short messages, a few MiB
_BLOCK = 256  # lines that the writer collects before it writes
_LONG = 12  # characters of hex that are more than three bytes take, so not remembered
_QUOTED = 40  # characters of a broken line that its error shows
_WORD = re.compile(r"\S+", re.ASCII)
_HEX = re.compile(r"(?:[0-9A-Fa-f]{2})+")
_EXAMPLE = "write for example 0.001000, a tab, 90 3C 64"


def read_tsv(path: Path) -> Iterator[tuple[int, bytes]]:
    """Yield (t_ns, message) for each line of an event log.

    Comment lines (#) and blank lines are skipped. Times have up to nine decimals and never go
    down. Hex is upper or lower case, with any blanks between the bytes. Raises InputFileError,
    which names line and column (from 1), at the first line that is wrong, and OSError where the
    file cannot be read.
    """
    t_ns, last_text = 0, b"0"
    with path.open("rb") as file:
        if file.peek(len(_BOM)).startswith(_BOM):
            file.read(len(_BOM))
        for number, line in enumerate(file, 1):
            time_text, _, hex_text = line.partition(b"\t")
            try:
                if time_text != last_text:
                    before_ns, t_ns = t_ns, _parse_time(time_text)
                    if t_ns < before_ns:
                        raise ValueError
                    last_text = time_text
                data = _recall(hex_text) if len(hex_text) < _LONG else _parse_message(hex_text)
            except ValueError:
                if fault := _find_fault(line, last_text):
                    raise InputFileError(f"{path}:{number}:{fault}") from None
            else:
                yield t_ns, data


def _parse_time(text: bytes) -> int:
    """Seconds, written in decimals, as nanoseconds; ValueError for anything else."""
    seconds, _, decimals = text.partition(b".")
    digits = seconds + decimals.ljust(_DECIMALS, b"0")
    places = len(digits) - _DECIMALS  # those of the seconds, unless there are too many decimals
    if 0 < places <= _SECONDS_DIGITS and places == len(seconds) and digits.isdigit():
        return int(digits)
    raise ValueError


def _parse_message(text: bytes) -> bytes:
    """The message that `text` gives in hex; ValueError if it is not one whole message."""
    data = bytes.fromhex(text.decode("ascii"))
    if not is_message(data):
        raise ValueError
    return data


_recall = lru_cache(_REMEMBERED)(_parse_message)


def _find_fault(line: bytes, last_text: bytes) -> str:
    """`column: what is wrong; what would be right` of a line that is no message.

    Empty for a comment and for a blank line. `last_text` is the time of the message before it.
    """
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError as error:
        column = len(line[: error.start].decode("utf-8")) + 1
        return f"{column}: byte {line[error.start]:02X} is not UTF-8; save the file as UTF-8"
    if not text.strip() or text.lstrip().startswith("#"):
        return ""
    time_text, tab, hex_text = text.partition("\t")
    if not tab:
        column = len(text) - len(text.lstrip("0123456789.")) + 1
        return f"{column}: no tab between the time and the bytes; {_EXAMPLE}"
    try:
        t_ns = _parse_time(time_text.encode("utf-8"))
    except ValueError:
        return f"1: {_quote(time_text)} is no time in seconds with 0 to 9 decimals; {_EXAMPLE}"
    if t_ns < _parse_time(last_text):
        return f"1: {time_text} comes after {last_text.decode()}; times never go down"
    first = len(time_text) + 2  # the column behind the tab
    for word in _WORD.finditer(hex_text):
        if not _HEX.fullmatch(word[0]):
            column = first + word.start()
            return f"{column}: {_quote(word[0])} is not hex; a byte is two digits, 00 to FF"
    if not (message := hex_text.strip()):
        return f"{first}: no bytes after the time; {_EXAMPLE}"
    column = first + hex_text.index(message)
    return f"{column}: {_quote(message)} is not one whole MIDI message; {_EXAMPLE}"


def _quote(text: str) -> str:
    return repr(text if len(text) <= _QUOTED else text[: _QUOTED - 3] + "...")


class TsvWriter:
    """An event log, written as messages come, in the order of their times."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("w", encoding="utf-8", newline="\n")
        self._lines: list[str] = []

    def write(self, t_ns: int, data: bytes) -> None:
        """Write one message; the time is rounded to whole microseconds, half up."""
        lines = self._lines
        lines.append(event_line(t_ns, data))
        if len(lines) == _BLOCK:
            self._write_lines()

    def _write_lines(self) -> None:
        self._file.write("".join(self._lines))
        self._lines.clear()

    def close(self) -> None:
        """Write what is left; once is enough."""
        if not self._file.closed:
            with self._file:
                self._write_lines()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def event_line(t_ns: int, data: bytes) -> str:
    """The line of one message, with its end; the time is rounded to microseconds, half up."""
    return _seconds(t_ns) + (_recall_rest(data) if len(data) <= 3 else _rest(data))


@lru_cache(16)  # several outputs are sent most of what comes at one moment
def _seconds(t_ns: int) -> str:
    digits = str((t_ns + 500) // 1000).zfill(7)
    return f"{digits[:-6]}.{digits[-6:]}"


def _rest(data: bytes) -> str:
    return f"\t{data.hex(' ').upper()}\n"


_recall_rest = lru_cache(_REMEMBERED)(_rest)
