"""What must hold when the rig changes while it plays: reloads and bypassed entries anywhere."""

from __future__ import annotations

from building import Raw, build
from gen_all_plugins import chains_of_all
from gen_input import Event, inputs, let_go
from gen_rigs import rigs
from hypothesis import given
from hypothesis import strategies as st
from listening import AFTER_ALL_NS, Listener
from test_all_plugins import LATER_NS, rig

from pointsman.rig import Rig

turns = st.dictionaries(st.integers(0, 60), st.integers(0, 2), min_size=1, max_size=8)
"""Before which message of the input to change, and to which of three rigs."""


def play(listener: Listener, rigs: list[Rig], changes: dict[int, int], events: list[Event]) -> None:
    engine = listener.engine
    for number, (t_ns, data) in enumerate(events):
        engine.advance(t_ns)
        if number in changes:
            engine.change(engine.prepare(rigs[changes[number]]), t_ns)
        engine.receive(data, t_ns)


@given(st.lists(chains_of_all, min_size=3, max_size=3), turns, inputs(max_size=60))
def test_when_the_input_has_let_go_nothing_sounds_whatever_was_reloaded(
    chains: list[list[Raw]], changes: dict[int, int], events: list[Event]
) -> None:
    """Rule 1 of the engine: "whatever changed in between: … a reloaded rig"."""
    played = [rig(chain, False) for chain in chains]
    listener = Listener(played[0])
    events = let_go(events)
    play(listener, played, changes, events)
    listener.engine.advance((events[-1][0] if events else 0) + LATER_NS)
    assert listener.sounding == {}
    assert [str(fault) for fault in listener.engine.faults] == []


@given(st.lists(rigs(on_exit="none"), min_size=3, max_size=3), turns, inputs())
def test_nothing_sounds_when_outputs_come_and_go(
    raw: list[Raw], changes: dict[int, int], events: list[Event]
) -> None:
    played = [build(item) for item in raw]
    listener = Listener(played[0])
    events = let_go(events)
    play(listener, played, changes, events)
    listener.engine.advance(AFTER_ALL_NS)
    assert listener.sounding == {}


@given(chains_of_all, turns, inputs(max_size=60))
def test_a_reload_of_the_same_rig_changes_nothing(
    chain: list[Raw], changes: dict[int, int], events: list[Event]
) -> None:
    """Every plugin keeps all that it has in mind: the same bytes at the same times."""
    reloaded, left_alone = Listener(rig(chain, True)), Listener(rig(chain, True))
    play(reloaded, [rig(chain, True)] * 3, changes, events)
    play(left_alone, [], {}, events)
    end_ns = (events[-1][0] if events else 0) + LATER_NS
    for listener in (reloaded, left_alone):
        listener.engine.advance(end_ns)
        listener.engine.close(end_ns)
    assert reloaded.sent == left_alone.sent


@given(chains_of_all, st.lists(st.tuples(st.integers(0, 60), st.integers(0, 4))), inputs())
def test_nothing_sounds_when_entries_are_bypassed_and_put_in_again(
    chain: list[Raw], switches: list[tuple[int, int]], events: list[Event]
) -> None:
    listener = Listener(rig(chain, False))
    engine = listener.engine
    events = let_go(events)
    for number, (t_ns, data) in enumerate(events):
        for place in (place for at, place in switches if at == number):
            entries = engine.outputs["tug"].chain.entries
            if place < len(entries):
                engine.bypass("tug", place, not entries[place].bypass, t_ns)
        engine.receive(data, t_ns)
    engine.advance((events[-1][0] if events else 0) + LATER_NS)
    assert listener.sounding == {}
    assert [str(fault) for fault in engine.faults] == []


@given(st.lists(rigs(), min_size=1, max_size=1), inputs())
def test_a_panic_leaves_nothing_sounding(raw: list[Raw], events: list[Event]) -> None:
    listener = Listener(build(raw[0]))
    listener.play(events)
    end_ns = events[-1][0] if events else 0
    listener.engine.panic(end_ns)
    listener.engine.advance(AFTER_ALL_NS)
    assert listener.sounding == {}
