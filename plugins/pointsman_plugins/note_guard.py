"""note_guard: ends notes that nobody ends, and keeps note-ons and note-offs in pairs.

How this works. `_held` remembers every strike that sounds, with the timer that will end it, and
when it began: by time and in clocks, so that another `longest` can count from there. A note-off
ends the oldest strike of its key; one that finds none is a stray.

All Notes Off and All Sound Off clear that memory, as they end the notes. But a synth need not
obey them (MIDI 1.0, 4.2.1, p. 24), so the note-offs that are still to come for those notes are
no strays: `_excused` remembers them.
"""

from __future__ import annotations

from fractions import Fraction
from functools import partial
from typing import Annotated, Literal, Self

from pydantic import Field

from pointsman.plugin import (
    Duration,
    Emission,
    HeldNotes,
    Host,
    Plugin,
    PluginOptions,
    Time,
    Timer,
    clears_notes,
    hookimpl,
    note_off,
)


class NoteGuardOptions(PluginOptions):
    """What note_guard can be told."""

    moves_nothing = True

    longest: Annotated[
        Time, Field(description="how long a note may sound; 0s: as long as it likes")
    ] = Duration("20s", ns=20_000_000_000)
    repeat: Annotated[
        Literal["retrigger", "pass"],
        Field(
            description="a note-on for a note that sounds already: end that note first, or let "
            "the note-on pass alone"
        ),
    ] = "retrigger"
    stray_off: Annotated[
        Literal["pass", "drop"],
        Field(description="what becomes of a note-off for a note that does not sound"),
    ] = "pass"


class _Strike:
    """One note-on that sounds; it came at `begun_ns`, after `clocks` clocks."""

    __slots__ = ("begun_ns", "clocks", "note_on", "timer")

    def __init__(self, note_on: bytes, begun_ns: int, clocks: int) -> None:
        self.note_on = note_on
        self.begun_ns = begun_ns
        self.clocks = clocks
        self.timer: Timer | None = None

    @property
    def off(self) -> bytes:
        """The note-off that ends it."""
        return note_off(self.note_on[0] & 0x0F, self.note_on[1])

    def stop_waiting(self) -> None:
        """It has ended before its time."""
        if self.timer is not None:
            self.timer.cancel()


class NoteGuard(Plugin[NoteGuardOptions]):
    """Ends notes that nobody ends, and keeps note-ons and note-offs in pairs."""

    name = "note_guard"
    Options = NoteGuardOptions

    def __init__(self, options: NoteGuardOptions, host: Host) -> None:
        super().__init__(options, host)
        self._has_limit = bool(options.longest.ns or options.longest.clocks)
        self._held: HeldNotes[_Strike] = HeldNotes()
        self._excused: HeldNotes[bool] = HeldNotes()

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Begin a note, and end it first where it sounds already."""
        before = self._held.end(data) if self.options.repeat == "retrigger" else None
        strike = _Strike(data, t_ns, self.host.transport.clocks_seen)
        self._held.begin(data, strike)
        if self._has_limit:
            strike.timer = self.host.after(
                self.options.longest, t_ns, partial(self._too_long, strike)
            )
        if before is None:
            return data
        before.stop_waiting()
        return [before.off, data]

    def on_note_off(self, data: bytes, t_ns: int) -> Emission:
        """End a note, or see what becomes of a stray."""
        strike = self._held.end(data)
        if strike is not None:
            strike.stop_waiting()
            return data
        excused = self._excused.end(data)
        return data if excused or self.options.stray_off == "pass" else None

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """All Notes Off and All Sound Off end every note of their channel."""
        if clears_notes(data):
            for _, strike in self._held.take(data[0] & 0x0F):
                strike.stop_waiting()
                self._excused.begin(strike.note_on, True)
        return data

    def _too_long(self, strike: _Strike, t_ns: int) -> Emission:
        return strike.off if self._held.forget(strike.note_on, strike) else None

    def flush(self, t_ns: int) -> Emission:
        """Forget every note: the engine ends what sounds."""
        for strike in self._held.let_go(t_ns):
            strike.stop_waiting()
        self._excused.let_go(t_ns)
        return None

    def inherit(self, former: Self, t_ns: int) -> None:
        """Guard what sounds from now on; its time still counts from its note-on."""
        self._excused.inherit(former._excused, t_ns)
        for strike in self._held.inherit(former._held, t_ns):
            strike.timer = self._guard_on(strike, t_ns) if self._has_limit else None

    def _guard_on(self, strike: _Strike, t_ns: int) -> Timer:
        longest, transport = self.options.longest, self.host.transport
        call = partial(self._too_long, strike)
        if longest.clocks is None or not transport.clock_runs(t_ns):
            return self.host.at(strike.begun_ns + transport.to_ns(longest), call)
        passed = transport.clocks_seen - strike.clocks
        rest = Duration(longest.text, clocks=max(longest.clocks - passed, Fraction(0)))
        return self.host.after(rest, t_ns, call)


@hookimpl
def pointsman_plugins() -> list[type[NoteGuard]]:
    """Offer note_guard."""
    return [NoteGuard]
