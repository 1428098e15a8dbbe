"""What must hold for every rig of the shipped plugins, whatever the input."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import yaml
from building import DEVICE_FILE, Raw, build, entry
from gen_input import Event, inputs, let_go
from gen_rigs import (
    cc_resets,
    chains,
    rigs,
    unconcerned_entries,
    values,
)
from hypothesis import given
from hypothesis import strategies as st
from listening import AFTER_ALL_NS, Listener, play_in_pieces, render

from pointsman.rig import OutputSpec, Rig, Safety
from pointsman.rig_file import load_rig


@given(rigs(on_exit="release"), inputs())
def test_the_release_ends_every_note(raw: Raw, events: list[Event]) -> None:
    """What All Notes Off has ended is not ended again: to the engine it does not sound."""
    listener = Listener(build(raw), obeys=True)
    listener.play(events)
    listener.engine.close(events[-1][0] if events else 0)
    assert listener.sounding == {}
    assert listener.engine.faults == []


@given(rigs(on_exit="none"), inputs())
def test_when_the_input_has_let_go_nothing_sounds(raw: Raw, events: list[Event]) -> None:
    """Rule 1 of the engine; what an output with a delay still has waiting comes first."""
    listener = Listener(build(raw))
    listener.play(let_go(events))
    listener.engine.advance(AFTER_ALL_NS)
    assert listener.sounding == {}


@given(rigs(), inputs(), st.data())
def test_input_in_pieces_gives_the_same_as_at_once(
    raw: Raw, events: list[Event], data: st.DataObject
) -> None:
    """Rule 7: time comes in with each message; how often the engine is told it changes nothing."""
    in_pieces = Listener(build(raw))
    in_pieces.engine.start(0)
    play_in_pieces(in_pieces.engine, events, data)
    in_pieces.engine.close(AFTER_ALL_NS)
    assert in_pieces.sent == render(build(raw), events)


@given(rigs(), inputs(max_size=80))
def test_being_watched_changes_nothing(raw: Raw, events: list[Event]) -> None:
    """With an observer every step is taken anew; without one the engine remembers much of it."""
    watched = Listener(build(raw), observe=lambda name, entry, data, t_ns, out: None)
    alone = Listener(build(raw))
    for listener in (watched, alone):
        listener.play(events)
        listener.engine.advance(AFTER_ALL_NS)
    assert alone.sent == watched.sent
    assert alone.counts == watched.counts


@given(st.lists(unconcerned_entries(), max_size=8), st.booleans(), inputs(max_size=80))
def test_what_concerns_no_entry_leaves_byte_for_byte(
    chain: list[Raw], sensing: bool, events: list[Event]
) -> None:
    """Rule 10. Rule 5 alone takes something out: System Reset, and active sensing where not asked
    for. Note-offs without a note-on and keys struck many times over pass as they came."""
    specs = tuple(entry(item) for item in chain)
    outputs = (
        OutputSpec("tug", "null:", specs, active_sensing=sensing),
        OutputSpec("gull", "null:", active_sensing=sensing),
    )
    sent = render(Rig("harbour", "null:", outputs, specs, Safety(on_exit=False)), events)
    left_out = {b"\xff"} if sensing else {b"\xff", b"\xfe"}
    expected = [event for event in events if event[1] not in left_out]
    for name in ("tug", "gull"):
        assert [(t_ns, data) for output, t_ns, data in sent if output == name] == expected


constant_homes = cc_resets(values)


@given(chains(max_size=2), constant_homes, inputs())
def test_the_release_leaves_every_control_home(
    before: list[Raw], reset: Raw, events: list[Event]
) -> None:
    """Whatever stands before it, a cc_reset at the end of a chain has the last word."""
    chain = tuple(entry(item) for item in [*before, reset])
    listener = Listener(Rig("harbour", "null:", (OutputSpec("tug", "null:", chain),)))
    listener.play(events)
    listener.engine.close(events[-1][0] if events else 0)
    last = {data[:2]: data[2] for _, _, data in listener.sent if data[0] & 0xF0 == 0xB0}
    homes = reset["controls"]
    away = {head: value for head, value in last.items() if value != homes.get(head[1], value)}
    assert away == {}


@given(rigs(), inputs())
def test_a_rig_file_plays_as_the_rig_it_was_written_from(raw: Raw, events: list[Event]) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder, "rig.yaml")
        path.write_text(yaml.safe_dump(raw, sort_keys=False), "utf-8")
        Path(folder, "device.yaml").write_text(yaml.safe_dump(DEVICE_FILE), "utf-8")
        loaded = load_rig(path)
    assert render(loaded, events) == render(build(raw), events)
