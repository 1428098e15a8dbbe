"""The memory of held notes that plugins share."""

from __future__ import annotations

from pointsman.message import Kind, note_off, note_on
from pointsman.notes import MOST_STRIKES, HeldNotes, NoteMoves

ON, OFF = note_on(0, 60, 100), note_off(0, 60)
OTHER_CHANNEL, OTHER_KEY = note_on(1, 60, 100), note_on(0, 61, 100)


def test_note_offs_end_the_strikes_of_a_key_in_their_order() -> None:
    held: HeldNotes[str] = HeldNotes()
    held.begin(ON, "first")
    held.begin(OTHER_KEY, "other key")
    held.begin(OTHER_CHANNEL, "other channel")
    held.begin(ON, "second")
    assert held.newest(ON) == "second"
    assert [held.end(OFF), held.end(b"\x90\x3c\x00"), held.end(OFF)] == ["first", "second", None]
    assert held.newest(OTHER_CHANNEL) == "other channel"
    assert held.newest(ON) is None


def test_one_strike_can_be_forgotten_once() -> None:
    held: HeldNotes[str] = HeldNotes()
    held.begin(ON, "first")
    held.begin(ON, "second")
    assert held.forget(ON, "second")
    assert not held.forget(ON, "second")
    assert not held.forget(OTHER_KEY, "first")
    assert held.end(OFF) == "first"


def test_a_channel_is_taken_whole_or_by_choice() -> None:
    held: HeldNotes[int] = HeldNotes()
    for message, what in ((ON, 1), (ON, 2), (OTHER_KEY, 3), (OTHER_CHANNEL, 4)):
        held.begin(message, what)
    assert held.take(0, lambda what: what != 2) == [(60, 1), (61, 3)]
    assert held.take(0) == [(60, 2)]
    assert held.take_all() == [(60, 4)]
    assert held.end(OFF) is None


def test_a_sender_that_never_lets_go_does_not_fill_the_memory() -> None:
    held: HeldNotes[int] = HeldNotes()
    for strike in range(MOST_STRIKES + 1):
        held.begin(ON, strike)
    assert held.end(OFF) == 1
    assert len(held.take(0)) == MOST_STRIKES - 1


def test_notes_move_by_a_table() -> None:
    move = NoteMoves([None, 5, *range(2, 128)]).step_for(Kind.NOTE_ON)
    assert move is not None
    unmoved = bytes((0x90, 2, 64))
    assert move(unmoved, 0) is unmoved
    assert move(b"\xa3\x01\x40", 0) == b"\xa3\x05\x40"
    assert move(b"\x80\x00\x40", 0) is None


def test_a_table_that_moves_nothing_costs_no_step_until_it_has_to_mind_a_former_one() -> None:
    moves = NoteMoves(range(128))
    assert moves.step_for(Kind.NOTE_ON) is None
    moves.inherit(NoteMoves([note ^ 1 for note in range(128)]))
    begin, follow = moves.step_for(Kind.NOTE_ON), moves.step_for(Kind.NOTE_OFF)
    assert begin is not None
    assert follow is not None
    assert follow(b"\x80\x04\x40", 0) == b"\x80\x05\x40"
    assert begin(b"\x90\x04\x40", 0) == b"\x90\x04\x40"
    assert follow(b"\x80\x04\x40", 0) == b"\x80\x04\x40"
