"""Plays a file as a sequencer would: with Start, clock along its tempo map, and Stop."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from operator import itemgetter
from pathlib import Path

from pointsman.io_smf.items import DEFAULT_TEMPO_NS, END, TEMPO, SmfItem, TempoMap, quarter_ns
from pointsman.io_smf.reader import SmfReader
from pointsman.message import CLOCK, CLOCKS_PER_QUARTER, CONTINUE, START, STOP


def play(path: Path, clock: bool = True) -> Iterator[SmfItem]:
    """Yield what a player of the file would send, and the file's meta events among it.

    With `clock`: Start at 0, clock at 24 a quarter note along the tempo map from 0 to before the
    end, each ahead of the file's events of the same time, and Stop at the end after them. Such
    messages in the file itself then give way. END comes last. Raises what SmfReader does.
    """
    reader = SmfReader(path)
    return _with_clock(reader) if clock else reader.items()


def _with_clock(reader: SmfReader) -> Iterator[SmfItem]:
    clock = _Clock(reader.division)
    yield SmfItem(0, 0, START)
    # All of one moment at once: whether it gets a clock depends on whether it is the last.
    for t_ns, moment in groupby(reader.items(), itemgetter(0)):
        items = list(moment)
        ending = items[-1].data == END
        while clock.due_ns < t_ns or (clock.due_ns == t_ns and not ending):
            yield clock.tell()
        for item in items:
            data = item.data
            if data[0] >= 0xF8:
                if data in (CLOCK, START, CONTINUE, STOP):
                    continue
                if data == END:
                    yield SmfItem(t_ns, item.tick, STOP)
                elif data.startswith(TEMPO):
                    clock.change(item)
            yield item


class _Clock:
    """When the next clock is due, in integers from the last tempo change.

    It counts in steps, `grid` to a quarter note, so that a clock may fall between two ticks:
    clock k is due at step k * grid / 24. The steps are the file's ticks; with an SMPTE division
    they are so fine that rounding to one at a tempo change is nothing.
    """

    def __init__(self, division: int) -> None:
        self.ticks = TempoMap(division)
        self.grid = 10**12 if self.ticks.smpte else division
        self.count = self.due_ns = self.step0 = self.ns0 = 0
        self.quarter_ns = DEFAULT_TEMPO_NS

    def tell(self) -> SmfItem:
        """The clock that is due, with its tick or the one before; goes on to the next."""
        due_ns, step = self.due_ns, self.count * self.grid // CLOCKS_PER_QUARTER
        self.count += 1
        self._reckon()
        return SmfItem(due_ns, self.ticks.tick(due_ns) if self.ticks.smpte else step, CLOCK)

    def change(self, item: SmfItem) -> None:
        """Take up a tempo from its item's time on."""
        if self.ticks.smpte:
            self.step0 += (item.t_ns - self.ns0) * self.grid // self.quarter_ns
        else:
            self.step0 = item.tick
        self.ns0, self.quarter_ns = item.t_ns, quarter_ns(item.data)
        self._reckon()

    def _reckon(self) -> None:
        steps = self.count * self.grid - self.step0 * CLOCKS_PER_QUARTER
        self.due_ns = self.ns0 + steps * self.quarter_ns // (self.grid * CLOCKS_PER_QUARTER)
