"""Levels from outside: a command that prints numbers, or sound that comes in, through arecord."""

from __future__ import annotations

import array
import math
import os
import shlex
import shutil
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from typing import IO

from pointsman.errors import PointsmanError, UsageError

FIRST_WITHIN_S = 10.0
"""How long a meter may take until its first number."""

QUIETEST = -200.0
"""What stands for a level of minus infinity: decibels of nothing."""

_RATE = 16_000
_BLOCK_S = 0.05
_BLOCK = int(_RATE * _BLOCK_S)
_FULL = 32768


class Meter:
    """A program that tells levels, from when it is made until `close`.

    Raises PointsmanError if no number comes from it.
    """

    def __init__(self, command: str, *, is_sound: bool = False) -> None:
        self._command = command
        self._levels: list[tuple[int, float]] = []
        self._began = threading.Event()
        self._process = subprocess.Popen(
            command, shell=True, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, start_new_session=True,
        )  # fmt: skip
        read = self._read_sound if is_sound else self._read_numbers
        self._thread = threading.Thread(target=self._follow, args=(read,), daemon=True)
        self._thread.start()
        try:
            self._wait_for_first()
        except BaseException:
            self.close()
            raise

    def since(self, t_ns: int) -> list[tuple[int, float]]:
        """The levels since this time of the monotonic clock, each with its own time."""
        return [each for each in self._levels if each[0] >= t_ns]

    def forget(self) -> None:
        """Forget the levels until now."""
        self._levels = []

    def close(self) -> None:
        """End the program, and what it has started."""
        with suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGTERM)
        try:
            self._process.wait(2)
        except subprocess.TimeoutExpired:
            with suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()
        self._thread.join(2)
        for stream in (self._process.stdout, self._process.stderr):
            if stream is not None:
                stream.close()

    def _wait_for_first(self) -> None:
        give_up = time.monotonic() + FIRST_WITHIN_S
        while not self._began.wait(0.05):
            if self._process.poll() is not None and not self._thread.is_alive():
                said = self._last_words()
                raise PointsmanError(f"the meter '{self._command}' ended without a level{said}")
            if time.monotonic() > give_up:
                raise PointsmanError(
                    f"the meter '{self._command}' printed no number in {FIRST_WITHIN_S:.0f} s; "
                    "it must print levels a few times a second, one a line, and flush each"
                )

    def _last_words(self) -> str:
        stream = self._process.stderr
        lines = stream.read(4096).decode("utf-8", "replace").split("\n") if stream else []
        words = [line.strip() for line in lines if line.strip()]
        return f": {words[-1]}" if words else ""

    def _follow(self, read: object) -> None:
        stream = self._process.stdout
        assert stream is not None
        with suppress(OSError, ValueError):  # closed while we read
            read(stream)  # type: ignore[operator]

    def _add(self, level: float) -> None:
        if math.isnan(level):
            return
        self._levels.append((time.monotonic_ns(), max(level, QUIETEST)))
        self._began.set()

    def _read_numbers(self, stream: IO[bytes]) -> None:
        for line in stream:
            words = line.split()
            if words:
                with suppress(ValueError):  # a heading, a unit
                    self._add(float(words[0]))

    def _read_sound(self, stream: IO[bytes]) -> None:
        while len(block := stream.read(2 * _BLOCK)) == 2 * _BLOCK:
            self._add(level_of(block))


def level_of(block: bytes) -> float:
    """How loud 16-bit sound is (little-endian, one channel), in dB below full scale."""
    samples = array.array("h", block)
    if sys.byteorder == "big":
        samples.byteswap()
    mean = sum(sample * sample for sample in samples) / len(samples)
    return 10 * math.log10(mean / _FULL**2) if mean else QUIETEST


def sound_meter(device: str) -> Meter:
    """The level of what comes in by an ALSA sound device. UsageError without arecord."""
    if shutil.which("arecord") is None:
        raise UsageError(
            "--audio needs arecord; on Debian: sudo apt install alsa-utils, "
            "or print levels with a program of your own: --meter COMMAND"
        )
    return Meter(
        f"exec arecord -q -D {shlex.quote(device)} -t raw -f S16_LE -c 1 -r {_RATE}", is_sound=True
    )
