"""Columns of whole numbers as a short text, for the page to read again.

Times become the steps between them. Each column is laid out plane by plane, all lowest bytes
first, so that what hardly changes compresses to almost nothing.
"""

from __future__ import annotations

import base64
import zlib
from array import array
from collections.abc import Sequence
from typing import Any

import numpy as np


class Packer:
    """Collects columns; `text` is all of them, compressed."""

    def __init__(self) -> None:
        self._compressor = zlib.compressobj(6)
        self._parts: list[bytes] = []
        self._size = 0

    def add(self, column: array[int] | Sequence[int], *, steps: bool = False) -> dict[str, int]:
        """Add a column of numbers of 0 and more, or with `steps` of numbers that never go down.

        Returns where the page finds it: offset, count, bytes a number, and whether it holds steps.
        """
        numbers: Any = np.asarray(column, dtype=np.int64)
        if steps and len(numbers):
            numbers = np.diff(numbers, prepend=0)
        highest = int(numbers.max()) if len(numbers) else 0
        width = max(1, (highest.bit_length() + 7) // 8)
        planes = numbers.astype("<i8").view(np.uint8).reshape(-1, 8)[:, :width].T
        data = np.ascontiguousarray(planes).tobytes()
        where = {"at": self._size, "n": len(numbers), "w": width, "s": int(steps)}
        self._parts.append(self._compressor.compress(data))
        self._size += len(data)
        return where

    def text(self) -> str:
        """All columns, compressed (zlib, RFC 1950), in Base64 (RFC 4648); ends the packing."""
        self._parts.append(self._compressor.flush())
        return base64.b64encode(b"".join(self._parts)).decode("ascii")
