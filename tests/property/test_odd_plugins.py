"""Rules 1 and 8 of the engine, against plugins that are wrong on purpose."""

from __future__ import annotations

from collections import Counter, defaultdict, deque
from dataclasses import replace
from typing import Any

from building import Raw, build
from gen_input import Event, begins_note, ends_note, inputs, let_go, note_of, note_offs, note_ons
from gen_rigs import rigs
from hypothesis import given
from hypothesis import strategies as st
from listening import AFTER_ALL_NS, Listener, render
from odd_plugins import (
    NONSENSE,
    Drifter,
    Holder,
    Shifts,
    SongTroublemaker,
    TimedTroublemaker,
    Trouble,
    Troublemaker,
    odd,
)

from pointsman.plugin import Plugin
from pointsman.rig import EntrySpec, Rig

Note = tuple[int, int]

moves = st.one_of(
    st.none(), st.tuples(st.sampled_from((0, 0, 1, 12, 127)), st.sampled_from((0, 0, 1)))
)
drifters = st.lists(moves, min_size=1, max_size=5).map(
    lambda drawn: odd(Drifter, Shifts(moves=tuple(drawn)))
)
places = st.tuples(st.integers(0, 3), st.integers(0, 4))
"""Which chain (0 is the input's, then the outputs' in turn), and where in it."""


def with_entry(rig: Rig, place: tuple[int, int], entry: EntrySpec) -> tuple[Rig, str | None]:
    """The rig with one entry more, and the output it stands on, None for the input."""
    which, where = place
    if which == 0:
        chain = rig.input_chain
        return replace(rig, input_chain=(*chain[:where], entry, *chain[where:])), None
    number = (which - 1) % len(rig.outputs)
    spec = rig.outputs[number]
    longer = replace(spec, chain=(*spec.chain[:where], entry, *spec.chain[where:]))
    outputs = (*rig.outputs[:number], longer, *rig.outputs[number + 1 :])
    return replace(rig, outputs=outputs), spec.name


class Follower:
    """Follows, for one output, which held note of the input began which sounding note."""

    def __init__(self) -> None:
        self.sounding: Counter[Note] = Counter()
        self.strikes: dict[Note, deque[list[Note]]] = defaultdict(deque)
        self.begun: list[Note] = []
        self.ending: list[Note] | None = None
        self.cause: Note = (0, 0)

    def claims(self, note: Note) -> int:
        """How many notes that the input still holds sound as `note` here."""
        return sum(
            strike.count(note) for strikes in self.strikes.values() for strike in strikes
        ) + self.begun.count(note)

    def hear(self, data: bytes) -> None:
        """Take one message of the output."""
        if begins_note(data):
            self.sounding[note_of(data)] += 1
            self.begun.append(note_of(data))
        elif ends_note(data):
            note = note_of(data)
            if self.ending is not None and note not in self.ending:
                self.choose(note)
            self.sounding[note] = max(0, self.sounding[note] - 1)

    def choose(self, note: Note) -> None:
        """A note-off for another note than the oldest strike of its key began.

        It may end a later strike of the same key, or what no held key began; nothing else.
        """
        strikes = self.strikes[self.cause]
        place = next((n for n, strike in enumerate(strikes) if note in strike), None)
        if place is None or self.ending is None:
            assert self.sounding[note] > self.claims(note), "a note-off went elsewhere"
        else:
            self.ending, strikes[place] = strikes[place], self.ending

    def ended(self) -> None:
        """The input's note-off has been dealt with."""
        for note in self.ending or ():
            assert self.sounding[note] <= self.claims(note), "a note-off did not arrive"
        self.ending = None


@given(rigs(delays=False), places, drifters, inputs(st.one_of(note_ons, note_offs)))
def test_a_note_off_goes_where_its_note_on_went(
    raw: Raw, place: tuple[int, int], drifter: EntrySpec, events: list[Event]
) -> None:
    rig, _ = with_entry(build({**raw, "safety": {"on_exit": "none"}}), place, drifter)
    listener = Listener(rig)
    followers = {spec.name: Follower() for spec in rig.outputs}
    for t_ns, data in let_go(events):
        listener.engine.advance(t_ns)
        heard = len(listener.sent)
        cause = note_of(data)
        for follower in followers.values():
            strikes, follower.cause = follower.strikes[cause], cause
            if ends_note(data) and strikes:
                follower.ending = strikes.popleft()
        listener.engine.receive(data, t_ns)
        for output, _, sent in listener.sent[heard:]:
            followers[output].hear(sent)
        for follower in followers.values():
            if begins_note(data):
                follower.strikes[cause].append(follower.begun)
            follower.begun = []
            follower.ended()
    assert listener.sounding == {}


@given(rigs(on_exit="none"), places, drifters, inputs())
def test_nothing_sounds_for_ever_whatever_a_plugin_makes_of_note_offs(
    raw: Raw, place: tuple[int, int], drifter: EntrySpec, events: list[Event]
) -> None:
    listener = Listener(with_entry(build(raw), place, drifter)[0])
    listener.play(let_go(events))
    listener.engine.advance(AFTER_ALL_NS)
    assert listener.sounding == {}


moments = st.one_of(st.just(0), st.integers(0, 20))
troublemakers: st.SearchStrategy[type[Plugin[Any]]] = st.sampled_from(
    (Troublemaker, Troublemaker, TimedTroublemaker, SongTroublemaker)
)


@given(rigs(), places, troublemakers, moments, st.sampled_from(sorted(NONSENSE)), inputs())
def test_a_plugin_that_fails_changes_nothing_else(
    raw: Raw,
    place: tuple[int, int],
    plugin: type[Plugin[Any]],
    at: int,
    what: str,
    events: list[Event],
) -> None:
    """It passed everything until it failed, so the rig must sound as if it were not there."""
    rig = build(raw)
    failing, output = with_entry(rig, place, odd(plugin, Trouble(at=at, what=what)))
    listener = Listener(failing)
    listener.engine.start(0)
    listener.play(events)
    listener.engine.advance(AFTER_ALL_NS)
    listener.engine.close(AFTER_ALL_NS)
    assert listener.sent == render(rig, events)
    engine = listener.engine
    chain = engine.outputs[output].chain if output else engine.input_chain
    entry = next(entry for entry in chain.entries if entry.name == plugin.name)
    assert isinstance(entry.plugin, Troublemaker)
    assert [(f.output, f.entry) for f in engine.faults] == [(output, entry)] * entry.bypass
    assert entry.bypass == (entry.plugin.made > 0)
    assert entry.plugin.made <= 2, "once, and once more when it was asked to let go"


@given(rigs(on_exit="none", delays=False), places, st.integers(0, 5), inputs())
def test_what_a_failed_plugin_held_is_let_go(
    raw: Raw, place: tuple[int, int], at: int, events: list[Event]
) -> None:
    rig, _ = with_entry(build(raw), place, odd(Holder, Trouble(at=at, what="raises")))
    listener = Listener(rig)
    listener.play(let_go(events))
    listener.engine.advance(AFTER_ALL_NS)
    if listener.engine.faults:
        assert listener.sounding == {}
