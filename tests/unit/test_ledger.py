"""The ledger alone: what sounds, whose note-off it waits for, and what may pass.

A script is words: `+60` strikes input note 60, `-60` lets it go; what the plugins send because of
it stands behind a colon, `on72` and `off72`. `x` is All Notes Off.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from pointsman.ledger import MAX_STRIKES, Ledger, Strikes, note_key


def note_on(ledger: Ledger, note: int) -> None:
    """Have a note-on sent."""
    data = bytes((0x90 | note >> 7, note & 0x7F, 64))
    ledger.begins(note >> 7, lambda to, data, t_ns: None, None, True)(data[0], data, 0)


def note_on_both(tug: Ledger, low: int, gull: Ledger, high: int) -> None:
    """Have a note-on sent on two outputs."""
    note_on(tug, low)
    note_on(gull, high)


def note_off(ledger: Ledger, note: int) -> bool:
    """Have a note-off sent; False where it was kept back."""
    sent: list[bytes] = []
    data = bytes((0x80 | note >> 7, note & 0x7F, 64))
    ledger.ends(note >> 7, lambda to, data, t_ns: sent.append(data), None, True)(data[0], data, 0)
    return sent == [data]


def hold(strikes: Strikes, cause: int, sent: Callable[[], None]) -> None:
    """Strike a key of the input, and have `sent` done meanwhile."""
    data = bytes((0x90 | cause >> 7, cause & 0x7F, 64))
    strikes.begins(cause >> 7, lambda key, data, t_ns: sent())(data[0], data, 0)


def let_go(strikes: Strikes, cause: int, sent: Callable[[], None]) -> list[int]:
    """Let go of it, and have `sent` done meanwhile; the strike, if any of it still sounds then."""
    left: list[int] = []
    data = bytes((0x80 | cause >> 7, cause & 0x7F, 64))
    end = strikes.ends(
        cause >> 7, lambda key, data, t_ns: sent(), lambda ended, t_ns: left.extend(ended)
    )
    end(data[0], data, 0)
    return left


class Book:
    """A ledger that is told of a script."""

    def __init__(self, script: str) -> None:
        self.strikes = Strikes()
        self.ledger = self.strikes.new_ledger()
        self.refused: list[int] = []
        self.missing: list[int] = []
        for word in script.split():
            cause, _, sent = word.partition(":")
            self._take(cause, [part for part in sent.split(",") if part])

    def _take(self, cause: str, sent: list[str]) -> None:
        strikes = self.strikes
        if cause == "x":
            self.ledger.clear_channel(0)
        elif cause == "later":
            self._send(sent)
        elif cause.startswith("+"):
            hold(strikes, int(cause[1:]), lambda: self._send(sent))
        else:
            ended = let_go(strikes, int(cause[1:]), lambda: self._send(sent))
            missing = self.ledger.missing_offs(ended)
            self.missing += missing
            for note in missing:
                assert note_off(self.ledger, note)

    def _send(self, sent: list[str]) -> None:
        for message in sent:
            if message.startswith("on"):
                note_on(self.ledger, int(message[2:]))
            elif not note_off(self.ledger, int(message[3:])):
                self.refused.append(int(message[3:]))


# name: script, note-offs refused, note-offs missing, what sounds in the end
SCRIPTS: dict[str, tuple[str, list[int], list[int], list[int]]] = {
    "one note": ("+60:on60 -60:off60", [], [], []),
    "one note held": ("+60:on60", [], [], [60]),
    "the oldest first": ("+64:on64 +60:on60 +62:on62", [], [], [64, 60, 62]),
    "two strikes need two note-offs": ("+60:on60 +60:on60 -60:off60", [], [], [60]),
    "a note-off without a note-on passes": ("-60:off60", [], [], []),
    "a note-off that went elsewhere is put right": ("+60:on60 -60:off72", [72], [60], []),
    "a note-off that was swallowed is sent": ("+60:on60 -60:", [], [60], []),
    "a chord from one note ends with it": ("+60:on60,on64,on67 -60:off60", [], [64, 67], []),
    "a note-off that would end another held note is refused": (
        "+60:on60 +72:on72 -60:off72", [72], [60], [72],
    ),
    "two held notes on one sounding note each end it once": (
        "+60:on60 +72:on60 -60: -72:", [], [60, 60], [],
    ),
    "a note stolen before needs no note-off": ("+60:on60 +62:off60,on62 -60:", [], [], [62]),
    "a note of a plugin's own is no part of a strike": (
        "later:on90 +60:on60 -60:off60", [], [], [90],
    ),
    "and may be ended by any note-off": ("later:on90 +60:on60 -60:off90", [], [60], []),
    "after All Notes Off nothing sounds": ("+60:on60 x", [], [], []),
    "but the note-off still goes where it belongs": ("+60:on60 x -60:off72", [72], [60], []),
    "a later strike that is ended instead of one that began nothing ends whole": (
        "+60: +60:on60,on64 -60:off60", [], [64], [],
    ),
    "a note struck after All Notes Off sounds": ("+60:on60 x +60:on60", [], [], [60]),
}  # fmt: skip


@pytest.mark.parametrize(
    ("script", "refused", "missing", "sounding"), SCRIPTS.values(), ids=SCRIPTS
)
def test_note_offs_go_where_note_ons_went(
    script: str, refused: list[int], missing: list[int], sounding: list[int]
) -> None:
    book = Book(script)
    assert book.refused == refused
    assert book.missing == missing
    assert book.ledger.all_sounding() == sounding


@pytest.mark.parametrize("strikes", [MAX_STRIKES, MAX_STRIKES + 1, 3 * MAX_STRIKES])
def test_a_key_struck_over_and_over_passes_as_it_came(strikes: int) -> None:
    book = Book("+60:on60 " * strikes + "-60:off60 " * strikes)
    assert (book.refused, book.missing) == ([], [])
    assert book.ledger.all_sounding() == []


def test_no_strike_is_lost_when_a_key_is_struck_more_often_than_is_told_apart() -> None:
    """The plugins sent every strike somewhere else, and swallow every note-off."""
    strikes = MAX_STRIKES + 5
    book = Book("".join(f"+60:on{note} " for note in range(strikes)) + "-60: " * MAX_STRIKES)
    assert sorted(book.missing) == list(range(strikes))
    assert book.ledger.all_sounding() == []


def test_a_sender_that_never_lets_go_does_not_fill_the_memory() -> None:
    book = Book("+60:on60 x " * 1000)
    assert len(book.strikes._held[60]) == MAX_STRIKES
    assert book.ledger.sounding == {60: MAX_STRIKES}


def test_what_no_held_key_began_is_unclaimed() -> None:
    book = Book("+60:on60 later:on90,on60")
    assert book.ledger.unclaimed() == [60, 90]


def test_all_notes_off_ends_its_own_channel_alone() -> None:
    book = Book("+60:on60 +188:on188 x")  # 188: key 60 on the second channel
    assert book.ledger.all_sounding() == [188]


def test_a_note_is_numbered_by_channel_and_key() -> None:
    assert note_key(b"\x90\x3c\x40") == 60
    assert note_key(b"\x81\x3c\x40") == 128 + 60
    assert note_key(b"\x9f\x7f\x00") == 2047


def test_each_output_ends_what_it_began_itself() -> None:
    """Of two strikes of one key the gull left the first out, so it ends the second first."""
    strikes = Strikes()
    tug, gull = strikes.new_ledger(), strikes.new_ledger()
    hold(strikes, 60, lambda: note_on(tug, 60))
    hold(strikes, 60, lambda: note_on_both(tug, 60, gull, 60))
    passed: list[bool] = []

    def end_both() -> None:
        passed[:] = note_off(tug, 60), note_off(gull, 60)

    ended = let_go(strikes, 60, end_both)
    assert passed == [True, True]
    assert (tug.missing_offs(ended), gull.missing_offs(ended)) == ([], [])
    assert (tug.all_sounding(), gull.all_sounding()) == ([60], [])
    ended = let_go(strikes, 60, end_both)
    assert passed == [True, False]
    assert (tug.all_sounding(), ended) == ([], [])


def test_only_the_output_that_still_sounds_misses_a_note_off() -> None:
    strikes = Strikes()
    tug, gull = strikes.new_ledger(), strikes.new_ledger()
    hold(strikes, 60, lambda: note_on_both(tug, 60, gull, 72))
    passed: list[bool] = []
    ended = let_go(strikes, 60, lambda: passed.append(note_off(tug, 60)))
    assert passed == [True]
    assert (tug.missing_offs(ended), gull.missing_offs(ended)) == ([], [72])


def test_an_output_that_came_later_takes_any_note_off() -> None:
    strikes = Strikes()
    tug = strikes.new_ledger()
    hold(strikes, 60, lambda: note_on(tug, 60))
    gull = strikes.new_ledger()
    gull.come_late()
    passed: list[bool] = []
    ended = let_go(strikes, 60, lambda: passed.extend((note_off(gull, 60), note_off(tug, 72))))
    assert passed == [True, False]
    assert tug.missing_offs(ended) == [60]
