"""What a service keeps of the last minute, and what stays of what is older."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from quay import NOTE_OFF, NOTE_ON, S

from pointsman.live import recent
from pointsman.live.recent import CUT, LONGEST_KEPT, MOST_KEPT, PIECE, Recent

CLOCK = b"\xf8"


def kept(messages: Sequence[bytes], apart_ns: int = 1000) -> Recent:
    found = Recent()
    found.add([n * apart_ns for n in range(len(messages))], messages)
    return found


def everything(found: Recent) -> list[tuple[int, bytes]]:
    """All pieces, as a client asks for them."""
    number: int | None = None
    messages: list[tuple[int, bytes]] = []
    while True:
        _, piece, number = found.piece(number)
        messages += zip(piece.times, piece.messages, strict=True)
        if number is None:
            return messages


def test_everything_comes_once_and_in_pieces_of_a_few_hundred() -> None:
    messages = [bytes((0xB0, 74, n % 128)) for n in range(1000)]
    found = kept(messages)
    assert everything(found) == [(n * 1000, data) for n, data in enumerate(messages)]
    assert max(len(piece.times) for piece in found._pieces) == PIECE


def test_nothing_has_come() -> None:
    assert everything(Recent()) == []
    assert Recent().before.messages() == []


def test_what_is_older_than_a_minute_goes_piece_by_piece() -> None:
    found = kept([b"\xb0\x4a" + bytes((n,)) for n in range(100)], S)
    found.forget(100 * S)
    times = [t_ns for t_ns, _ in everything(found)]
    assert times[-1] == 99 * S
    assert 35 * S <= times[0] <= 40 * S  # no more than a piece lasts
    assert found.before.messages() == [b"\xb0\x4a" + bytes((times[0] // S - 1,))]


def test_no_more_is_kept_than_there_is_room_for() -> None:
    found = kept([NOTE_ON, NOTE_OFF] * MOST_KEPT)
    found.forget(0)
    assert MOST_KEPT - PIECE < len(everything(found)) <= MOST_KEPT


def test_a_piece_that_is_forgotten_meanwhile_is_passed_over() -> None:
    found = kept([CLOCK] * 1000, S // 10)
    _, _, following = found.piece(None)
    found.forget(130 * S)
    number, piece, _ = found.piece(following)
    assert piece.times
    assert number > (following or 0)


def test_a_piece_that_is_not_there_yet_is_empty() -> None:
    found = kept([CLOCK])
    assert found.piece(99)[1].times == []
    assert found.piece(99)[2] is None


def test_long_sysex_leaves_only_that_it_came() -> None:
    long = b"\xf0" + bytes(LONGEST_KEPT) + b"\xf7"
    assert [data for _, data in everything(kept([long, b"\xf0\x7d\x01\xf7"]))] == [
        CUT,
        b"\xf0\x7d\x01\xf7",
    ]


# what came before, and what brings a rig there
BEFORE = {
    "notes that are over": ("90 3C 64, 80 3C 40", ""),
    "a note that is held": ("90 3C 64", "90 3C 64"),
    "a note that ends with velocity 0": ("90 3C 64, 90 3C 00", ""),
    "controls, the last of each": ("B0 07 64, B0 07 00", "B0 07 00"),
    "the song plays: 48 clocks are 8 beats": ("FA" + ", F8" * 48, "F2 08 00, FB"),
    "the song has stopped": ("FA" + ", F8" * 48 + ", FC", "F2 08 00"),
    "the song was put elsewhere": ("F2 10 00, FB, F8", "F2 10 00, FB"),
    "clock alone": ("F8, F8", ""),
    "no MIDI": ("90 3C, F4, B0 07 40", "B0 07 40"),
}


@pytest.mark.parametrize(("came", "stays"), BEFORE.values(), ids=BEFORE)
def test_what_still_counts_of_what_is_forgotten(came: str, stays: str) -> None:
    messages = [bytes.fromhex(text) for text in came.split(",")]
    found = kept(messages)
    found.forget_all()
    assert everything(found) == []
    assert ", ".join(data.hex(" ").upper() for data in found.before.messages()) == stays


def test_a_slow_stream_is_cut_so_that_pieces_do_not_last() -> None:
    found = kept([CLOCK] * 20, S)
    spans = [piece.times[-1] - piece.times[0] for piece in found._pieces]
    assert max(spans) < recent._PIECE_SPAN_NS
