"""How long messages take from the callback's begin to the last send, counted as they come."""

from __future__ import annotations

from itertools import accumulate

from pointsman.units import NS_PER_US

_TOP_US = 2000
"""Longer times are counted together; the longest is kept."""


class Latency:
    """A histogram in microseconds. `note` is on the hot path."""

    def __init__(self) -> None:
        self._counts = [0] * (_TOP_US + 1)
        self._longest_ns = 0

    def note(self, spent_ns: int) -> None:
        """Count one message."""
        us = spent_ns // NS_PER_US
        self._counts[us if us < _TOP_US else _TOP_US] += 1
        if spent_ns > self._longest_ns:
            self._longest_ns = spent_ns

    def show(self) -> dict[str, int] | None:
        """Median, 99th percentile and longest in microseconds; None if nothing came."""
        counts = list(self._counts)
        total = sum(counts)
        if not total:
            return None
        return {
            "p50": _quantile(counts, total / 2),
            "p99": _quantile(counts, total * 0.99),
            "max": -(-self._longest_ns // NS_PER_US),
        }


def _quantile(counts: list[int], rank: float) -> int:
    """The time, rounded up, within which so many of the messages were dealt with."""
    seen = accumulate(counts)
    return 1 + next(us for us, so_far in enumerate(seen) if so_far >= rank)
