"""Lanes of what is measured, not sent: tempo from clocks, the load of a wire, voices at once."""

from __future__ import annotations

from pointsman.message import CLOCKS_PER_QUARTER
from pointsman.reporting.lanes import Lane

WINDOW_US = 100_000
"""The load is what a wire carries in so long."""

FULL = 1000
"""The load of a full wire: it is counted in parts of a thousand."""

TENTHS = 10
"""Tempo is counted in tenths of a quarter note a minute."""

_SILENT_US = 1_000_000
_MINUTE_US = 60_000_000


class TempoMeter:
    """The tempo of a clock, quarter note by quarter note; 0 while there is none."""

    def __init__(self, lane: Lane) -> None:
        self._lane = lane
        self._clocks = 0
        self._quarter_us = self._last_us = 0

    def clock(self, t_us: int) -> None:
        """One clock."""
        if self._clocks and t_us - self._last_us > _SILENT_US:
            self.close()
        if self._clocks % CLOCKS_PER_QUARTER == 0:
            if self._clocks:
                self._measure(t_us, CLOCKS_PER_QUARTER)
            self._quarter_us = t_us
        self._clocks += 1
        self._last_us = t_us

    def close(self) -> None:
        """No clock comes any more, or for a while."""
        if not self._clocks:
            return
        whole = (self._clocks - 1) % CLOCKS_PER_QUARTER
        if whole > 0:
            self._measure(self._last_us, whole)
        self._lane.add(self._last_us, 0)
        self._clocks = 0

    def _measure(self, t_us: int, clocks: int) -> None:
        length_us = max(1, t_us - self._quarter_us)
        tempo = round(_MINUTE_US * TENTHS * clocks / (CLOCKS_PER_QUARTER * length_us))
        self._lane.add(self._quarter_us, min(tempo, 9999 * TENTHS))


class LoadMeter:
    """How full a wire is, window by window. On a paced wire, bytes take the time that they take."""

    def __init__(self, lane: Lane, rate: int, paced: bool) -> None:
        self._lane = lane
        self._room = rate * WINDOW_US // 1_000_000
        self._paced = paced
        self._window = self._bytes = self._shown = 0
        self._until_us = WINDOW_US
        self.messages = 0

    def add(self, count: int, t_us: int) -> None:
        """So many bytes."""
        if t_us >= self._until_us:
            window = t_us // WINDOW_US
            self._go_on(window)
            self._until_us = (window + 1) * WINDOW_US
        self.messages += 1
        self._bytes += count

    def close(self, t_us: int) -> None:
        """The end."""
        self._go_on(t_us // WINDOW_US + 1)
        self._show(0)

    def _go_on(self, window: int) -> None:
        while self._window < window:
            carried = min(self._bytes, self._room) if self._paced else self._bytes
            self._show(carried * FULL // max(1, self._room))
            self._bytes -= carried
            self._window += 1
            if not self._bytes:
                if self._window < window:
                    self._show(0)
                self._window = window

    def _show(self, load: int) -> None:
        if load != self._shown:
            self._lane.add(self._window * WINDOW_US, load)
            self._shown = load
