"""lfo held to its page in docs/plugins: value = center + depth * wave(phase), at whole intervals.

The expected values are worked out here from the page's sentences alone: linear waves as exact
fractions, sine with math.sin. The control is 74 (4A) on channel 1.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from math import floor, pi, sin
from pathlib import Path

import pytest

from harness import Events, clocks, events, merge, play_chain, problems, says_what_is_right

HALF = Fraction(1, 2)
TICK = Fraction(1, 100)


def lfo(options: str) -> str:
    """One entry for control 74 on channel 1."""
    return f"- {{plugin: lfo, control: 74, channel: 1, {options}}}"


def until(seconds: float) -> str:
    """A message that nothing here is concerned with: the render goes on until then."""
    return f"{seconds} F6"


def values(heard: Events, control: str = "B0 4A") -> list[tuple[Fraction, int]]:
    """When the control was sent, in exact seconds, and its values."""
    return [(Fraction(t), int(data[6:], 16)) for t, data in heard if data.startswith(control)]


def wave(name: str, phase: Fraction) -> Fraction:
    """The page's waves; sine to twelve places, so that exact halves stay halves."""
    x = phase % 1
    if name == "sine":
        return Fraction(round(sin(2 * pi * float(x)) * 10**12), 10**12)
    if name == "triangle":  # starts at 0 and rises
        return 4 * x if x < Fraction(1, 4) else 2 - 4 * x if x < Fraction(3, 4) else 4 * x - 4
    if name == "ramp_up":
        return 2 * x - 1
    if name == "ramp_down":
        return 1 - 2 * x
    return Fraction(1) if x < HALF else Fraction(-1)


def half_up(value: Fraction) -> int:
    return min(max(floor(value + HALF), 0), 127)


def expected(
    name: str,
    period_s: Fraction,
    depth: int,
    center: int,
    *,
    phase: Fraction = Fraction(0),
    interval_s: Fraction = TICK,
    begin_s: Fraction = Fraction(0),
    end_s: Fraction = Fraction(2),
    last: int | None = None,
) -> list[tuple[Fraction, int]]:
    """What is to be sent: a value each interval, if it changed."""
    found = []
    for k in range(floor((end_s - begin_s) / interval_s) + 1):
        at = k * interval_s
        value = half_up(center + depth * wave(name, phase + at / period_s))
        if value != last:
            found.append((begin_s + at, value))
        last = value
    return found


WAVES = ("sine", "triangle", "ramp_up", "ramp_down", "square")
SHAPES = {
    "once a second": ("1Hz", Fraction(1), 40, 64, "0.0", "10ms"),
    "a third of a second, all the way": ("3Hz", Fraction(1, 3), 63, 64, "0.25", "7ms"),
    "clamped at both ends": ("0.7Hz", Fraction(10, 7), 127, 100, "0.6", "10ms"),
    "a duration, and steps that fall on halves": ("400ms", Fraction(2, 5), 1, 10, "0.0", "25ms"),
    "a note value without clock is that at 120": ("1/4", HALF, 50, 50, "0.5", "3ms"),
    "nothing to do": ("2Hz", HALF, 0, 77, "0.1", "10ms"),
}


@pytest.mark.parametrize("name", WAVES)
@pytest.mark.parametrize("shape", SHAPES)
def test_every_sent_value_is_on_the_curve_at_its_instant(
    tmp_path: Path, name: str, shape: str
) -> None:
    rate, period_s, depth, center, phase, interval = SHAPES[shape]
    options = (
        f"wave: {name}, rate: {rate}, depth: {depth}, center: {center}, phase: {phase}, "
        f"interval: {interval}"
    )
    heard = play_chain(tmp_path, lfo(options), until(2))
    interval_s = Fraction(int(interval[:-2]), 1000)
    assert values(heard) == expected(
        name, period_s, depth, center, phase=Fraction(phase), interval_s=interval_s
    )


def test_the_first_words_of_each_list_are_the_defaults(tmp_path: Path) -> None:
    heard = play_chain(tmp_path, lfo("rate: 2Hz, depth: 30, center: 64"), until(1))
    assert values(heard) == expected("sine", HALF, 30, 64, end_s=Fraction(1))


def test_a_value_is_sent_at_an_interval_only_if_it_changed(tmp_path: Path) -> None:
    heard = play_chain(tmp_path, lfo("wave: square, rate: 1Hz, depth: 10, center: 64"), until(1.2))
    assert heard == events("""
        0.0  B0 4A 4A
        0.5  B0 4A 36
        1.0  B0 4A 4A
        1.2  F6
    """)


def test_instants_never_drift(tmp_path: Path) -> None:
    chain = lfo("wave: triangle, rate: 3Hz, depth: 2, center: 64, interval: 7ms")
    sent = values(play_chain(tmp_path, chain, until(400)))
    assert len(sent) > 5_000
    assert all(t % Fraction(7, 1000) == 0 for t, _ in sent)
    assert sent == expected(
        "triangle",
        Fraction(1, 3),
        2,
        64,
        interval_s=Fraction(7, 1000),
        end_s=Fraction(400),
    )


# ---- how it starts -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", WAVES)
def test_start_note_begins_at_each_note_on_with_its_first_value_before_the_note(
    tmp_path: Path, name: str
) -> None:
    chain = lfo(f"wave: {name}, rate: 1Hz, depth: 40, center: 64, start: note")
    log = """
        0.2005 90 3C 64
        0.3    80 3C 40
        0.7777 90 3C 64
        0.8    91 3E 64   # another channel
        0.9    90 3C 00   # a note-off
        2      F6
    """
    heard = play_chain(tmp_path, chain, log)
    first, again = Fraction("0.2005"), Fraction("0.7777")
    run = expected(name, Fraction(1), 40, 64, begin_s=first, end_s=again - Fraction(1, 10**6))
    then = expected(name, Fraction(1), 40, 64, begin_s=again, last=run[-1][1])
    assert values(heard) == run + then
    note_ons = [n for n, (_, data) in enumerate(heard) if data == "90 3C 64"]
    assert note_ons[0] == 1
    assert heard[note_ons[1] - 1][0] == "0.777700"


@pytest.mark.parametrize("name", WAVES)
def test_start_once_runs_one_period_from_a_note_on_and_holds(tmp_path: Path, name: str) -> None:
    chain = lfo(f"wave: {name}, rate: 500ms, depth: 40, center: 64, start: once")
    log = """
        0.1  90 3C 64
        1    80 3C 40
        1.5  90 3C 64
        1.6  80 3C 40
        3    F6
    """
    ends = {"sine": 0, "triangle": 0, "ramp_up": 1, "ramp_down": -1, "square": -1}
    end = 64 + 40 * ends[name]
    found = []
    last = None
    for begin in (Fraction("0.1"), Fraction("1.5")):
        run = expected(name, HALF, 40, 64, begin_s=begin, end_s=begin + HALF - TICK, last=last)
        if run[-1][1] != end:
            run.append((begin + HALF, end))
        found += run
        last = end
    assert values(play_chain(tmp_path, chain, log)) == found


def test_an_end_that_falls_between_two_intervals_is_sent_at_the_next_of_them(
    tmp_path: Path,
) -> None:
    chain = lfo("wave: ramp_up, rate: 25ms, depth: 50, center: 64, start: once")
    assert play_chain(tmp_path, chain, "0 90 3C 64\n1 F6") == events("""
        0.00  B0 4A 0E   # 64 - 50
        0.00  90 3C 64
        0.01  B0 4A 36   # 64 - 10
        0.02  B0 4A 5E   # 64 + 30
        0.03  B0 4A 72   # held: 64 + 50
        1     F6
    """)


def test_once_in_clocks_is_over_after_its_clocks(tmp_path: Path) -> None:
    chain = lfo("wave: ramp_up, rate: 12 clocks, depth: 48, center: 64, start: once")
    log = merge(clocks(0, 40, 40), "0.4 90 3C 64", until(1.55))  # 62.5 a minute
    sent = values(play_chain(tmp_path, chain, log))
    begin = Fraction("0.4")
    run = expected("ramp_up", Fraction("0.48"), 48, 64, begin_s=begin, end_s=Fraction("0.87"))
    assert sent == [*run, (Fraction("0.88"), 112)]


def test_start_sets_the_phase_back_and_the_first_value_comes_just_before_it(
    tmp_path: Path,
) -> None:
    chain = lfo("wave: ramp_up, rate: 1Hz, depth: 50, center: 64, interval: 100ms")
    assert play_chain(tmp_path, chain, "0.25 FA\n0.4 F6") == events("""
        0.00 B0 4A 0E
        0.10 B0 4A 18
        0.20 B0 4A 22
        0.25 B0 4A 0E
        0.25 FA
        0.35 B0 4A 18
        0.4  F6
    """)


def test_start_is_known_where_an_earlier_entry_drops_it(tmp_path: Path) -> None:
    chain = "- {plugin: clock_filter, transport: drop}\n" + lfo(
        "wave: ramp_up, rate: 1Hz, depth: 50, center: 64, interval: 100ms"
    )
    assert play_chain(tmp_path, chain, "0.25 FA\n0.3 F6") == events("""
        0.00 B0 4A 0E
        0.10 B0 4A 18
        0.20 B0 4A 22
        0.25 B0 4A 0E
        0.3  F6
    """)


# ---- with the song -----------------------------------------------------------------------------


def test_run_transport_runs_from_start_to_stop_and_stop_sends_the_center(tmp_path: Path) -> None:
    chain = lfo("wave: ramp_up, rate: 1Hz, depth: 50, center: 64, interval: 100ms, run: transport")
    log = """
        0.50 FA
        0.75 FC
        0.90 FC
        2    FB    # goes on in the period where it stopped
        2.15 FC
        3    FA    # and Start begins again
        3.05 F6
    """
    assert play_chain(tmp_path, chain, log) == events("""
        0.50 B0 4A 0E
        0.50 FA
        0.60 B0 4A 18
        0.70 B0 4A 22
        0.75 B0 4A 40
        0.75 FC
        0.90 FC
        2    B0 4A 27   # 64 - 50 + 100 * 0.25
        2    FB
        2.10 B0 4A 31
        2.15 B0 4A 40
        2.15 FC
        3    B0 4A 0E
        3    FA
        3.05 F6
    """)


def test_run_transport_is_not_triggered_while_the_song_is_stopped(tmp_path: Path) -> None:
    chain = lfo(
        "wave: ramp_up, rate: 1Hz, depth: 50, center: 64, interval: 100ms, run: transport, "
        "start: note"
    )
    log = """
        0    90 3C 64
        0.1  FA
        0.2  90 3C 64
        0.35 FC
        0.5  90 3C 64
        1    FB
        1.05 FC
        1.1  FA        # a new beginning waits for its first note
        1.2  F6
    """
    assert play_chain(tmp_path, chain, log) == events("""
        0    90 3C 64
        0.1  FA
        0.2  B0 4A 0E
        0.2  90 3C 64
        0.3  B0 4A 18
        0.35 B0 4A 40
        0.35 FC
        0.5  90 3C 64
        1    B0 4A 1D    # 64 - 50 + 100 * 0.15
        1    FB
        1.05 B0 4A 40
        1.05 FC
        1.1  FA
        1.2  F6
    """)


def song(period_ms: float, beats: int, first_s: float = 0.0) -> str:
    return clocks(first_s, period_ms, 24 * beats)


@pytest.mark.parametrize("name", ["sine", "triangle", "ramp_up", "square"])
@pytest.mark.parametrize(
    ("rate", "in_clocks"), [("1/4", 24), ("1/8t", 8), ("1/8.", 18), ("7 clocks", 7), ("1 bar", 96)]
)
def test_note_values_are_counted_in_clocks(
    tmp_path: Path, name: str, rate: str, in_clocks: int
) -> None:
    chain = lfo(f"wave: {name}, rate: {rate}, depth: 60, center: 64")
    clock_s = Fraction(1, 25)  # 62.5 a minute
    heard = play_chain(tmp_path, chain, merge("0 FA", song(40, 6)))
    # Until two clocks have come, no tempo is known: the wave runs as at 120.
    sent = [(t, value) for t, value in values(heard) if t > clock_s]
    assert sent[-1][0] > 3
    for t, value in sent:
        curve = Fraction(64 + 60 * wave(name, t / clock_s / in_clocks))
        assert abs(value - min(max(curve, Fraction(0)), Fraction(127))) <= HALF + Fraction(1, 10**6)


def test_the_wave_keeps_to_the_clocks_when_the_tempo_changes(tmp_path: Path) -> None:
    chain = lfo("wave: square, rate: 1/4, depth: 60, center: 64, interval: 1ms")
    log = merge("0 FA", song(20, 2), song(40, 2, 0.96), until(2.88))
    sent = values(play_chain(tmp_path, chain, log))
    # Up and down at clocks 0, 12, 24, 36 (every 20 ms), and 48, 60, 72, 84, 96 (every 40 ms).
    turns = [0, 0.24, 0.48, 0.72, 0.96, 1.44, 1.92, 2.40, 2.88]
    assert [value for _, value in sent] == [124, 4] * 4 + [124]
    # A tempo is a mean over a quarter note, so up to then a turn may come within its clock.
    assert [t for t, _ in sent] == pytest.approx(turns, abs=0.02)
    assert [t for t, _ in sent[:5]] == pytest.approx(turns[:5], abs=0.001)


def test_the_song_position_places_the_wave_of_a_note_value(tmp_path: Path) -> None:
    chain = lfo("wave: ramp_up, rate: 1 bar, depth: 48, center: 64, interval: 20ms, run: transport")
    log = merge(
        "0.0 FA", clocks(0, 20, 10), "0.2 FC", clocks(0.2, 20, 10),
        "0.39 F2 08 00\n0.395 FB",  # sixteenth 8 is the middle of the bar
        clocks(0.4, 20, 3),
    )  # fmt: skip
    heard = [line for line in play_chain(tmp_path, chain, log) if line[1] != "F8"]
    at = [(f"{n / 50:.6f}", f"B0 4A {16 + n:02X}") for n in range(11)]
    assert heard == [
        at[0], ("0.000000", "FA"), *at[1:],
        ("0.200000", "B0 4A 40"), ("0.200000", "FC"),
        ("0.390000", "F2 08 00"),
        # 48 of 96 clocks is the center, where the control is already
        ("0.395000", "FB"),
        # the clock at 0.400 is number 48
        *events("0.415 B0 4A 41\n0.435 B0 4A 42"),
    ]  # fmt: skip


def test_continue_without_a_position_goes_on_where_the_song_stopped(tmp_path: Path) -> None:
    chain = lfo("wave: ramp_up, rate: 1 bar, depth: 48, center: 64, interval: 20ms, run: transport")
    log = merge("0.0 FA", clocks(0, 20, 10), "0.19 FC", "5 FB", clocks(5, 20, 3))
    heard = [line for line in play_chain(tmp_path, chain, log) if line[0] >= "5"]
    assert heard == events("""
        5    B0 4A 1A   # the tenth clock comes now: 16 + 10
        5    FB
        5    F8
        5.02 B0 4A 1B
        5.02 F8
        5.04 B0 4A 1C
        5.04 F8
    """)


def test_a_clock_that_dies_in_mid_song_leaves_the_wave_at_the_last_tempo(tmp_path: Path) -> None:
    chain = lfo("wave: ramp_up, rate: 1 bar, depth: 48, center: 64, interval: 20ms")
    log = merge("0 FA", clocks(0, 10, 49), until(2.9))  # 96 clocks would last 0.96 s
    sent = values(play_chain(tmp_path, chain, log))
    later = [(t, value) for t, value in sent if t >= Fraction("0.48")]
    assert later[-1][0] > Fraction("2.8")
    for t, value in later:
        assert abs(value - (64 + 48 * wave("ramp_up", t / Fraction("0.96")))) <= HALF


def test_a_clock_that_comes_back_goes_on_from_where_the_wave_is(tmp_path: Path) -> None:
    chain = lfo("wave: triangle, rate: 1 bar, depth: 48, center: 64, interval: 10ms")
    log = merge("0 FA", clocks(0, 10, 25), clocks(1.0, 10, 60))
    sent = values(play_chain(tmp_path, chain, log))
    steps = [abs(b - a) for (_, a), (_, b) in pairwise(sent)]
    assert max(steps) <= 3  # 48 * 4 / 96 = 2 a clock
    assert sent[-1][0] > Fraction("1.5")


def test_without_clock_and_tempo_start_runs_as_at_120(tmp_path: Path) -> None:
    chain = lfo("wave: ramp_up, rate: 1/4, depth: 50, center: 64, run: transport")
    heard = play_chain(tmp_path, chain, f"0.1 FA\n{until(1)}")
    assert values(heard) == expected(
        "ramp_up", HALF, 50, 64, begin_s=Fraction("0.1"), end_s=Fraction(1)
    )


# ---- center, and what comes in -----------------------------------------------------------------


def test_follow_goes_around_the_last_value_that_came_in(tmp_path: Path) -> None:
    """The incoming value goes out moved by the wave: at no instant off the curve."""
    chain = lfo("wave: square, rate: 1Hz, depth: 10, center: follow")
    log = """
        0.1  B0 4A 20
        0.2  B0 4A 30
        0.2  B1 4A 01   # another channel
        0.2  B0 4B 01   # another control
        0.6  B0 4A 50
        0.7  F6
    """
    assert play_chain(tmp_path, chain, log) == events("""
        0.1  B0 4A 2A
        0.2  B0 4A 3A
        0.2  B1 4A 01
        0.2  B0 4B 01
        0.5  B0 4A 26
        0.6  B0 4A 46
        0.7  F6
    """)


def test_follow_begins_at_the_home_of_the_device(tmp_path: Path) -> None:
    device = "device: Winch Bass\ncontrols:\n  reel: {cc: 74, home: 30}\n"
    chain = "- {plugin: lfo, control: reel, channel: 1, wave: square, rate: 1Hz, depth: 10, "
    chain += "center: follow}"
    assert play_chain(tmp_path, chain, "0.1 F6", device=device) == events("""
        0   B0 4A 28
        0.1 F6
    """)


def test_follow_sends_nothing_until_a_center_is_known(tmp_path: Path) -> None:
    chain = lfo("wave: square, rate: 1Hz, depth: 10, center: follow")
    assert play_chain(tmp_path, chain, until(2)) == events("2 F6")


def test_follow_lets_values_pass_while_it_does_not_run(tmp_path: Path) -> None:
    chain = lfo("wave: square, rate: 1Hz, depth: 10, center: follow, start: note")
    log = "0 B0 4A 20\n1 90 3C 64\n1.1 B0 4A 21\n1.2 F6"
    assert play_chain(tmp_path, chain, log) == events("""
        0   B0 4A 20
        1   B0 4A 2A
        1   90 3C 64
        1.1 B0 4A 2B
        1.2 F6
    """)


def test_a_fixed_center_lets_values_pass_and_answers_at_the_next_interval(
    tmp_path: Path,
) -> None:
    chain = lfo("wave: square, rate: 1Hz, depth: 10, center: 64")
    assert play_chain(tmp_path, chain, "0.105 B0 4A 20\n0.2 F6") == events("""
        0     B0 4A 4A
        0.105 B0 4A 20
        0.11  B0 4A 4A
        0.2   F6
    """)


def test_after_reset_all_controllers_the_value_is_sent_again(tmp_path: Path) -> None:
    chain = lfo("wave: square, rate: 1Hz, depth: 10, center: 64")
    assert play_chain(tmp_path, chain, "0.105 B0 79 00\n0.2 F6") == events("""
        0     B0 4A 4A
        0.105 B0 79 00
        0.11  B0 4A 4A
        0.2   F6
    """)


# ---- random ------------------------------------------------------------------------------------


def draws(folder: Path, options: str, seconds: int = 20) -> list[tuple[Fraction, int]]:
    chain = lfo(f"wave: random, rate: 4Hz, depth: 50, center: 60, {options}")
    return values(play_chain(folder, chain, until(seconds)))


def test_random_draws_once_a_period_around_the_center(tmp_path: Path) -> None:
    sent = draws(tmp_path, "seed: 7")
    assert all(10 <= value <= 110 for _, value in sent)
    # Periods begin at quarters of a second; 250 ms is a whole number of intervals.
    assert all(t % Fraction(1, 4) == 0 for t, _ in sent)
    assert len({value for _, value in sent}) > 20
    assert {value > 60 for _, value in sent} == {True, False}


def test_random_is_repeatable_and_the_seed_changes_it(tmp_path: Path) -> None:
    first = draws(tmp_path, "seed: 7")
    assert draws(tmp_path, "seed: 7") == first
    assert draws(tmp_path, "seed: 8") != first
    assert draws(tmp_path, "phase: 0.0") == draws(tmp_path, "seed: 0")


def test_random_once_holds_its_one_draw(tmp_path: Path) -> None:
    chain = lfo("wave: random, rate: 4Hz, depth: 50, center: 60, start: once")
    sent = values(play_chain(tmp_path, chain, "0.1 90 3C 64\n5 90 3C 64\n9 F6"))
    assert [t for t, _ in sent] == [Fraction("0.1"), Fraction(5)]


# ---- letting go --------------------------------------------------------------------------------

LET_GO = {
    "the center": ("center: 60", "", "3C"),
    "the home of the device, which is where it rests": ("center: 60", "home: 30", "1E"),
    "follow: the last value that came in": ("center: follow", "home: 30", "14"),
}


@pytest.mark.parametrize("case", LET_GO)
@pytest.mark.parametrize("start", ["free", "note", "once"])
def test_a_release_puts_the_control_back(tmp_path: Path, case: str, start: str) -> None:
    center, home, back = LET_GO[case]
    device = f"device: Winch\ncontrols:\n  reel: {{cc: 74, {home}}}\n"
    chain = (
        "- {plugin: lfo, control: reel, channel: 1, wave: square, rate: 1Hz, depth: 10, "
        f"start: {start}, {center}}}"
    )
    log = "0 90 3C 64\n0.1 B0 4A 14\n0.1 80 3C 40\n0.25 F6"
    heard = play_chain(tmp_path, chain, log, device=device, on_exit="release")
    assert heard[-1] == ("0.250000", f"B0 4A {back}")


def test_follow_without_a_known_value_puts_nothing_back(tmp_path: Path) -> None:
    chain = lfo("wave: square, rate: 1Hz, depth: 10, center: follow")
    assert play_chain(tmp_path, chain, until(1), on_exit="release") == events("1 F6")


def test_what_has_not_been_moved_is_not_put_back(tmp_path: Path) -> None:
    chain = lfo("rate: 1Hz, depth: 10, center: 64, start: note")
    heard = play_chain(tmp_path, chain, "0 B0 4A 20\n1 F6", on_exit="release")
    assert heard == events("0 B0 4A 20\n1 F6")


# ---- controls that are reached otherwise -------------------------------------------------------

DEVICE = """
device: Capstan
channel: 1
controls:
  hawser: {cc: 1, fine: 33, home: 8192}
  pawl: {nrpn: [1, 8], home: 64}
  drum: {sysex: "F0 7D 10 {value} F7", home: 64}
"""


def moved(control: str, options: str) -> str:
    return (
        f"- {{plugin: lfo, control: {control}, channel: 1, wave: square, rate: 1Hz, "
        f"interval: 250ms, {options}}}"
    )


def test_a_pair_is_driven_over_its_fourteen_bits(tmp_path: Path) -> None:
    chain = moved("hawser", "depth: 8191, center: 8192")
    assert play_chain(tmp_path, chain, until(0.6), device=DEVICE) == events("""
        0   B0 01 7F
        0   B0 21 7F
        0.5 B0 01 00
        0.5 B0 21 01
        0.6 F6
    """)


def test_an_nrpn_is_driven_and_the_stream_keeps_its_own_parameter(tmp_path: Path) -> None:
    chain = moved("pawl", "depth: 16, center: 64")
    log = "0.1 B0 63 02\n0.1 B0 62 05\n0.6 B0 06 11\n0.7 F6"
    assert play_chain(tmp_path, chain, log, device=DEVICE) == events("""
        0   B0 63 01
        0   B0 62 08
        0   B0 06 50
        0.1 B0 63 02
        0.1 B0 62 05
        0.5 B0 63 01
        0.5 B0 62 08
        0.5 B0 06 30
        0.5 B0 63 02
        0.5 B0 62 05
        0.6 B0 06 11
        0.7 F6
    """)


def test_a_number_that_is_half_sent_stays_whole(tmp_path: Path) -> None:
    """A value of ours between the two halves of a number must not mix the numbers."""
    chain = moved("pawl", "depth: 16, center: 64")
    log = "0.499 B0 63 02\n0.501 B0 62 05\n0.6 B0 06 11"
    synth: dict[int, int] = {}
    entries = []
    for _, data in play_chain(tmp_path, chain, log, device=DEVICE):
        _, number, value = bytes.fromhex(data)
        synth[number] = value
        if number == 6:
            entries.append((synth[99], synth[98], value))
    assert entries == [(1, 8, 0x50), (1, 8, 0x30), (2, 5, 0x11)]


def test_follow_takes_the_data_entry_of_its_nrpn(tmp_path: Path) -> None:
    chain = moved("pawl", "depth: 16, center: follow")
    log = "0.1 B0 63 01\n0.1 B0 62 08\n0.1 B0 06 20"
    assert play_chain(tmp_path, chain, log, device=DEVICE)[3:] == events("""
        0.1 B0 63 01
        0.1 B0 62 08
        0.1 B0 06 30
    """)


def test_a_sysex_control_is_driven_and_followed(tmp_path: Path) -> None:
    chain = moved("drum", "depth: 16, center: follow")
    log = "0.1 F0 7D 10 20 F7\n0.2 F0 7D 11 20 F7\n0.6 F6"
    assert play_chain(tmp_path, chain, log, device=DEVICE, on_exit="release") == events("""
        0   F0 7D 10 50 F7
        0.1 F0 7D 10 30 F7
        0.2 F0 7D 11 20 F7
        0.5 F0 7D 10 10 F7
        0.6 F6
        0.6 F0 7D 10 20 F7
    """)


# ---- wrong options -----------------------------------------------------------------------------

WRONG = {
    "depth: 128": "66: {}.depth: '128' is too high; write 0 to 127",
    "depth: deep": "66: {}.depth: 'deep' is not a value; write 0 to 127 (16383 with 14 bits)",
    "center: 200": "78: {}.center: '200' is too high; write 0 to 127",
    "center: folow": "78: {}.center: 'folow' is not a value; "
    "write 0 to 127 (16383 with 14 bits), or follow",
    "rate: fast": "54: {}.rate: 'fast' is no rate; write for example 2Hz, 500ms, 1/4 or 1 bar",
    "rate: 0Hz": "54: {}.rate: '0Hz' never moves; write for example 0.1Hz",
    "rate: 2000Hz": "54: {}.rate: '2000Hz' is too fast; write 1ms, 1000Hz or slower",
    "rate: ": "48: {}.rate: nothing is written here; write for example 2Hz, 500ms, 1/4 or 1 bar",
    "interval: 0ms": "92: {}.interval: '0ms' is too short; write 1ms or longer",
    "interval: 0 clocks": "92: {}.interval: '0 clocks' is too short; write 1ms or longer",
    "wave: sinus": "88: {}.wave: 'sinus' is none of the choices; did you mean 'sine'?",
    "phase: 2": "89: {}.phase: '2' is out of range; write at most 1.0",
    "seed: -1": "88: {}.seed: '-1' is out of range; write 0 to 999999999",
}


@pytest.mark.parametrize("wrong", WRONG)
def test_wrong_options_are_refused(tmp_path: Path, wrong: str) -> None:
    right = {"rate": "2Hz", "depth": "10", "center": "64"}
    key, _, value = wrong.partition(": ")
    options = ", ".join(f"{k}: {v}" for k, v in {**right, key: value}.items())
    found = problems(tmp_path, lfo(options))
    assert found == [f"rig.yaml:7:{WRONG[wrong].format('outputs.tug.chain[1]')}"]
    assert says_what_is_right(found)
