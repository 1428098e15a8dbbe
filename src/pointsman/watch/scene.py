"""All that a view knows: the streams, what of them is to be shown, and what got lost.

Pure: items go in, rows come out. Nothing here reads a clock or writes anything.
"""

from __future__ import annotations

from collections.abc import Iterable

from pointsman.live.status_view import STATES
from pointsman.message import ACTIVE_SENSING_KEY, CLOCK_KEY
from pointsman.units import NS_PER_S
from pointsman.watch.filters import INPUT, Filters, Sieve
from pointsman.watch.items import Event, Heard, Item, Lost, Now, Remark, Row, Summed, Told
from pointsman.watch.reading import Reader
from pointsman.watch.setting import Setting
from pointsman.watch.streams import Stream

SUM_NS = 5 * NS_PER_S
"""How often clock and active sensing are summed up."""

_WHAT = {CLOCK_KEY: "clock", ACTIVE_SENSING_KEY: "active_sensing"}


class Scene:
    """What is going on. Raises UsageError for filters that do not fit the setting."""

    def __init__(self, setting: Setting, filters: Filters) -> None:
        self.filters = filters
        self.lost = 0
        self._strict = True
        self._begin(setting, 0)

    def _begin(self, setting: Setting, t_ns: int) -> None:
        """From now on it is this that is watched."""
        self.setting = setting
        self._sieve = Sieve(self.filters, setting, strict=self._strict)
        self._strict = False  # another rig may well lack what the first one had
        names: list[str | None] = [None, *setting.outputs]
        self.streams: dict[str | None, Stream] = {name: Stream() for name in names}
        octave = setting.middle_c_octave
        self._readers: dict[str | None, Reader] = {}
        for name in names:
            place = setting.place(name)
            self._readers[name] = Reader(place.device if place else None, octave)
        self._t_ns = self._summed_ns = t_ns

    def take(self, items: Iterable[Item]) -> list[Row]:
        """Take in what a source has handed over; returns what of it is to be shown."""
        rows: list[Row] = []
        for item in items:
            if isinstance(item, Event):
                heard = self._event(item)
                if heard is not None:
                    rows.append(heard)
            elif isinstance(item, Lost):
                self.lost += item.count
                what = "event was" if item.count == 1 else "events were"
                text = f"{item.count} {what} lost: more came than could be passed on"
                rows.append(Told(self._t_ns, text, item.count))
            elif isinstance(item, Remark):
                rows.append(Told(self._t_ns, item.text))
            elif isinstance(item, Now):
                self._settle(item)
            else:
                rows += self._change(item)
        return rows

    def _event(self, event: Event) -> Heard | None:
        t_ns, output, data, due = event
        if t_ns > self._t_ns:
            self._t_ns = t_ns
        stream = self.streams.get(output)
        if stream is None:  # of a rig that has just changed: its setting is on its way
            stream = self.streams[output] = Stream()
            self._readers[output] = Reader(None, self.setting.middle_c_octave)
        stream.hear(t_ns, data)
        words = self._readers[output].read(data)
        if not self._sieve.passes(output, words):
            return None
        place = self.setting.place(output) if due else None
        return Heard(event, words, place is not None and not place.waits)

    def _settle(self, now: Now) -> None:
        for name, sounding in now.sounding.items():
            if name in self.streams:
                self.streams[name].settle(sounding)
        if now.playing is not None:
            self.streams[None].settle_song(now.playing, now.bar)

    def _change(self, setting: Setting) -> list[Row]:
        """The rig, or only the state of a port, has changed; what goes on, goes on."""
        old, streams, readers = self.setting, self.streams, self._readers
        t_ns, summed_ns = self._t_ns, self._summed_ns
        self._begin(setting, t_ns)
        if setting.run != old.run:
            self._t_ns = self._summed_ns = 0
            return []
        self._summed_ns = summed_ns
        changes = [] if setting.title == old.title else [setting.title]
        for name in self.streams:
            was, now = old.place(name), setting.place(name)
            if name in streams:
                self.streams[name] = streams[name]
            if was is None or now is None:
                continue
            if was.device is now.device:
                self._readers[name] = readers[name]
            if was.state != now.state:
                changes.append(f"{name or INPUT}: {now.port} is {STATES.get(now.state, now.state)}")
        return [Told(t_ns, text) for text in changes]

    def sums(self, now_ns: int) -> list[Summed]:
        """Clock and active sensing since the last time, if it is long enough ago."""
        span_ns = now_ns - self._summed_ns
        if span_ns < SUM_NS:
            return []
        self._summed_ns = now_ns
        rows: list[Summed] = []
        for name, stream in self.streams.items():
            tempo, jitter = stream.tempo(now_ns) or (None, None)
            for status, count in stream.take_sums().items():
                if self.filters.sums_up and self._sieve.shows(name):
                    is_clock = status == CLOCK_KEY
                    measured = (tempo, jitter) if is_clock else (None, None)
                    rows.append(Summed(now_ns, name, _WHAT[status], count, span_ns, *measured))
        return rows
