"""The song and the clock: MIDI 1.0, 4.2.1, pp. 27-31."""

from __future__ import annotations

import pytest

from pointsman.message import key_of
from pointsman.transport import Transport
from pointsman.units import parse_duration

MS = 1_000_000


def ticking(period_ns: int, clocks: int, first_ns: int = 0) -> Transport:
    transport = Transport()
    for n in range(clocks):
        transport.clock(first_ns + n * period_ns)
    return transport


def clock_ns(transport: Transport) -> int:
    return transport.to_ns(parse_duration("1 clock"))


def test_the_first_clock_after_start_is_position_0() -> None:
    transport = Transport()
    transport.start()
    assert (transport.playing, transport.position) == (True, -1)
    transport.clock(0)
    assert transport.position == 0
    transport.clock(1)
    assert transport.position == 1


def test_clocks_do_not_move_a_song_that_is_stopped() -> None:
    transport = Transport()
    transport.clock(0)
    transport.start()
    transport.clock(1)
    transport.stop()
    transport.clock(2)
    assert (transport.playing, transport.position, transport.clocks_seen) == (False, 0, 3)


def test_continue_goes_on_where_the_song_stopped() -> None:
    transport = Transport()
    transport.start()
    for t_ns in range(5):
        transport.clock(t_ns)
    transport.stop()
    transport.resume()
    transport.clock(5)
    assert transport.position == 5


def test_song_position_4_continue_and_three_clocks_are_27_clocks_into_the_song() -> None:
    """The example of MIDI 1.0, 4.2.1, p. 28."""
    transport = Transport()
    transport.locate(24)
    transport.resume()
    for t_ns in range(3):
        transport.clock(t_ns)
    assert transport.next_clock == 27


def test_start_begins_anew() -> None:
    transport = Transport()
    transport.locate(24)
    transport.start()
    transport.clock(0)
    assert transport.position == 0


# Periods of a clock by tempo: 60,000 / (24 x tempo) ms, computed.
@pytest.mark.parametrize(
    ("tempo", "period_ns"),
    [(60, 41_666_667), (90, 27_777_778), (120, 20_833_333), (125, 20_000_000), (174, 14_367_816)],
)
@pytest.mark.parametrize("clocks", [2, 25, 100])
def test_the_tempo_is_measured_from_clocks(tempo: int, period_ns: int, clocks: int) -> None:
    assert clock_ns(ticking(period_ns, clocks)) == period_ns


@pytest.mark.parametrize("clocks", [0, 1])
def test_without_two_clocks_the_tempo_is_120(clocks: int) -> None:
    transport = ticking(20 * MS, clocks)
    assert transport.tempo is None
    assert transport.to_ns(parse_duration("1/4")) == 500 * MS
    assert clock_ns(transport) == 20_833_333


def test_the_tempo_is_the_mean_over_a_quarter_note_so_jitter_evens_out() -> None:
    transport = Transport()
    for n in range(49):
        transport.clock(n * 20 * MS + (3 * MS if n % 2 else 0))
    assert clock_ns(transport) == 20 * MS


def test_a_new_tempo_is_taken_up_within_a_quarter_note() -> None:
    transport = ticking(20 * MS, 30)
    for n in range(1, 25):
        transport.clock(29 * 20 * MS + n * 10 * MS)
    assert clock_ns(transport) == 10 * MS


@pytest.mark.parametrize(
    ("clocks", "t_ns", "runs"),
    [
        (0, 0, False),
        (1, 500 * MS, True),  # a lone clock: at 5 a minute the next comes after 500 ms
        (1, 500 * MS + 1, False),
        (3, 40 * MS, True),
        (3, (40 + 80) * MS, True),  # four clocks missing
        (3, (40 + 80) * MS + 1, False),
    ],
)
def test_the_clock_runs_until_four_clocks_are_missing(clocks: int, t_ns: int, runs: bool) -> None:
    assert ticking(20 * MS, clocks).clock_runs(t_ns) is runs


def test_after_a_silence_the_last_tempo_holds_until_another_is_measured() -> None:
    transport = ticking(20 * MS, 30)
    late_ns = 10_000 * MS
    assert clock_ns(transport) == 20 * MS
    transport.clock(late_ns)
    assert clock_ns(transport) == 20 * MS, "the silence is no clock"
    assert transport.clock_runs(late_ns + 80 * MS)
    transport.clock(late_ns + 30 * MS)
    assert clock_ns(transport) == 30 * MS


@pytest.mark.parametrize(
    ("text", "length_ns"),
    [
        ("250ms", 250 * MS),
        ("6 clocks", 120 * MS),
        ("1/16", 120 * MS),
        ("1/8.", 360 * MS),
        ("1/8t", 160 * MS),
        ("1/64", 30 * MS),
        ("1 bar", 1920 * MS),
    ],
)
def test_durations_are_converted_at_the_measured_tempo(text: str, length_ns: int) -> None:
    """At 125 a minute a clock is 20 ms, and a quarter note has 24."""
    assert ticking(20 * MS, 30).to_ns(parse_duration(text)) == length_ns


def test_a_clock_that_slows_down_at_once_is_measured_anew() -> None:
    """More than four times slower: the first slow clock is a death, and the second a new tempo."""
    transport = Transport()
    for n in range(30):
        transport.clock(n * 20_833_333)
    began_ns = 30 * 20_833_333
    for n in range(1, 10):
        transport.clock(began_ns + n * 100 * 1_000_000)
    assert round(transport.tempo_per_minute) == 25


def test_a_transport_follows_a_stream_of_messages() -> None:
    followed, told = Transport(), Transport()
    for data in (b"\xf2\x04\x00", b"\xfb", b"\xf8", b"\x90\x3c\x64", b"\xf8", b"\xfc", b"\xfa"):
        followed.follow(key_of(data), data, 5)
    told.locate(24)
    told.resume()
    told.clock(5)
    told.clock(5)
    told.stop()
    told.start()
    assert vars(followed) == vars(told)
