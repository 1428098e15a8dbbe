"""cc_smooth held to its page in docs/plugins: a straight line that ends exactly on the value.

Values on the way are worked out here as exact fractions, rounded half up. Control 74 (4A).
"""

from __future__ import annotations

from fractions import Fraction
from math import floor
from pathlib import Path

import pytest

from harness import (
    ONE_OF_EACH,
    Events,
    assert_plays,
    clocks,
    events,
    merge,
    play,
    play_chain,
    problems,
    says_what_is_right,
)

SMOOTH = "- {plugin: cc_smooth, control: 74}"


def smooth(options: str) -> str:
    return f"- {{plugin: cc_smooth, control: 74, {options}}}"


LINES = {
    "the first value passes at once, the next is reached in 40 ms, a step each 5 ms": """
        0.000  B0 4A 00
        -1.000 B0 4A 50
        +1.005 B0 4A 0A
        +1.010 B0 4A 14
        +1.015 B0 4A 1E
        +1.020 B0 4A 28
        +1.025 B0 4A 32
        +1.030 B0 4A 3C
        +1.035 B0 4A 46
        +1.040 B0 4A 50
    """,
    "downwards as well": """
        0.000  B0 4A 08
        -1.000 B0 4A 00
        +1.005 B0 4A 07
        +1.010 B0 4A 06
        +1.015 B0 4A 05
        +1.020 B0 4A 04
        +1.025 B0 4A 03
        +1.030 B0 4A 02
        +1.035 B0 4A 01
        +1.040 B0 4A 00
    """,
    "only where it changed; halves are rounded up": """
        0.000  B0 4A 40
        -1.000 B0 4A 42
        # 64.25, 64.5, 64.75, 65, 65.25, 65.5, 65.75, 66
        +1.010 B0 4A 41
        +1.030 B0 4A 42
    """,
    "halves are rounded up on the way down, too": """
        0.000  B0 4A 42
        -1.000 B0 4A 40
        # 65.75, 65.5, 65.25, 65, 64.75, 64.5, 64.25, 64
        +1.015 B0 4A 41
        +1.035 B0 4A 40
    """,
    "a newer value starts from where it is": """
        0.000  B0 4A 00
        -1.000 B0 4A 50
        +1.005 B0 4A 0A
        +1.010 B0 4A 14
        -1.012 B0 4A 0C
        # from 20 to 12 in 40 ms
        +1.017 B0 4A 13
        +1.022 B0 4A 12
        +1.027 B0 4A 11
        +1.032 B0 4A 10
        +1.037 B0 4A 0F
        +1.042 B0 4A 0E
        +1.047 B0 4A 0D
        +1.052 B0 4A 0C
    """,
    "a newer value where it is already ends the way there": """
        0.000  B0 4A 00
        -1.000 B0 4A 50
        +1.005 B0 4A 0A
        1.006  B0 4A 0A
        2.000  B0 4B 00
    """,
    "a value that is there already passes": """
        0.000  B0 4A 40
        1.000  B0 4A 40
    """,
    "channels do not mix": """
        0.000  B0 4A 00
        0.500  B1 4A 40
        -1.000 B0 4A 02
        +1.010 B0 4A 01
        +1.030 B0 4A 02
    """,
    "notes and other controls are not held up": """
        0.000  B0 4A 00
        -1.000 B0 4A 02
        1.001  90 3C 64
        1.002  B0 4B 11
        +1.010 B0 4A 01
        +1.030 B0 4A 02
        1.040  80 3C 40
    """,
    "Reset All Controllers ends the way; what comes next passes at once": """
        0.000  B0 4A 00
        -1.000 B0 4A 50
        +1.005 B0 4A 0A
        1.006  B0 79 00
        2.000  B0 4A 50
    """,
    "All Notes Off does not": """
        0.000  B0 4A 00
        -1.000 B0 4A 02
        1.001  B0 7B 00
        +1.010 B0 4A 01
        +1.030 B0 4A 02
    """,
}


@pytest.mark.parametrize("case", LINES)
def test_the_way_to_a_value(tmp_path: Path, case: str) -> None:
    assert_plays(tmp_path, SMOOTH, LINES[case])


def steps(
    first: int, last: int, begin_s: Fraction, time_s: Fraction, interval_s: Fraction
) -> Events:
    """What the page's sentence gives for one value after another."""
    found = []
    sent = first
    at = interval_s
    while at < time_s:
        value = floor(first + (last - first) * at / time_s + Fraction(1, 2))
        if value != sent:
            found.append((at, value))
        sent = value
        at += interval_s
    if sent != last:
        found.append((time_s, last))
    return [(f"{float(begin_s + at):.6f}", f"B0 4A {value:02X}") for at, value in found]


@pytest.mark.parametrize("time_ms", [1, 5, 7, 40, 333])
@pytest.mark.parametrize("interval_ms", [1, 3, 10])
@pytest.mark.parametrize(("first", "last"), [(0, 127), (127, 0), (10, 11), (100, 30)])
def test_every_step_is_on_the_line_and_the_end_is_exact(
    tmp_path: Path, time_ms: int, interval_ms: int, first: int, last: int
) -> None:
    chain = smooth(f"time: {time_ms}ms, interval: {interval_ms}ms")
    heard = play_chain(tmp_path, chain, f"0 B0 4A {first:02X}\n1.5 B0 4A {last:02X}")
    interval_s = Fraction(interval_ms, 1000)
    assert heard[1:] == steps(first, last, Fraction("1.5"), Fraction(time_ms, 1000), interval_s)


def test_without_a_time_everything_passes(tmp_path: Path) -> None:
    assert_plays(tmp_path, smooth("time: 0ms"), "0 B0 4A 00\n0 B0 4A 7F\n1 B0 4A 7F\n1 B0 4A 10")


def test_other_messages_pass(tmp_path: Path) -> None:
    assert_plays(tmp_path, SMOOTH, ONE_OF_EACH)


# ---- times in clocks ---------------------------------------------------------------------------


def test_a_note_value_ends_just_before_its_last_clock(tmp_path: Path) -> None:
    log = merge(clocks(0, 20, 60), "0 B0 4A 00\n0.4 B0 4A 0C")
    heard = play_chain(tmp_path, smooth("time: 1/8, interval: 20ms"), log)
    sent = [line for line in heard if line[1].startswith("B0")]
    # 12 clocks of 20 ms: one up at each
    assert sent == [("0.000000", "B0 4A 00")] + [
        (f"{0.4 + n / 50:.6f}", f"B0 4A {n:02X}") for n in range(1, 13)
    ]
    assert heard[heard.index(sent[-1]) + 1] == ("0.640000", "F8")


def test_clocks_count_where_the_tempo_changes_on_the_way(tmp_path: Path) -> None:
    log = merge(clocks(0, 20, 25), clocks(0.49, 10, 20), "0 B0 4A 00\n0.4 B0 4A 0C")
    heard = play_chain(tmp_path, smooth("time: 1/8, interval: 20ms"), log)
    last = [line for line in heard if line[1].startswith("B0")][-1]
    # clocks at 0.42, 0.44, 0.46, 0.48, then each 10 ms: the twelfth is at 0.56
    assert last == ("0.560000", "B0 4A 0C")


def test_a_clock_that_dies_on_the_way_leaves_the_rest_to_the_last_tempo(tmp_path: Path) -> None:
    log = merge(clocks(0, 20, 25), "0 B0 4A 00\n0.4 B0 4A 0C\n2 F6")
    heard = play_chain(tmp_path, smooth("time: 1/8, interval: 20ms"), log)
    last = [line for line in heard if line[1].startswith("B0")][-1]
    assert last == ("0.640000", "B0 4A 0C")


def test_without_clock_a_note_value_is_that_at_120(tmp_path: Path) -> None:
    heard = play_chain(tmp_path, smooth("time: 1/8, interval: 50ms"), "0 B0 4A 00\n1 B0 4A 05")
    assert heard[1:] == [(f"{1 + n / 20:.6f}", f"B0 4A {n:02X}") for n in range(1, 6)]


# ---- letting go --------------------------------------------------------------------------------


def test_a_release_ends_every_way_on_its_value(tmp_path: Path) -> None:
    chain = smooth("time: 10s, interval: 1s")
    log = "0 B0 4A 00\n0 B2 4A 00\n1 B0 4A 50\n1 B2 4A 10\n2.5 FC"
    rig = f"""
        input: {{port: "null:"}}
        safety: {{on_transport_stop: release, on_exit: none}}
        outputs:
          tug:
            port: "null:"
            chain: [{chain.strip("- ")}]
    """
    assert play(tmp_path, rig, log)["tug"] == events("""
        0    B0 4A 00
        0    B2 4A 00
        2    B0 4A 08
        2    B2 4A 02
        2.5  B0 4A 50
        2.5  B2 4A 10
        2.5  FC
    """)


# ---- controls that are reached otherwise -------------------------------------------------------

DEVICE = """
device: Capstan
channel: 3
controls:
  hawser: {cc: 1, fine: 33, home: 8192}
  pawl: {nrpn: [1, 8], home: 64}
  drum: {sysex: "F0 7D 10 {value} F7", home: 64}
"""


def device_smooth(control: str, options: str) -> str:
    return f"- {{plugin: cc_smooth, control: {control}, {options}}}"


def test_a_pair_moves_over_its_fourteen_bits(tmp_path: Path) -> None:
    chain = device_smooth("hawser", "time: 20ms, interval: 10ms")
    log = "0 B0 01 10\n1 B0 01 20\n2 B0 21 40"
    assert play_chain(tmp_path, chain, log, device=DEVICE) == events("""
        0     B0 01 10
        1.01  B0 01 18
        1.01  B0 21 00
        1.02  B0 01 20
        1.02  B0 21 00
        2.01  B0 01 20
        2.01  B0 21 20
        2.02  B0 01 20
        2.02  B0 21 40
    """)


def test_an_nrpn_moves_and_the_stream_keeps_its_own_parameter(tmp_path: Path) -> None:
    chain = device_smooth("pawl", "time: 20ms, interval: 10ms")
    log = """
        0     B0 63 01
        0     B0 62 08
        0     B0 06 10
        1     B0 06 20
        1.015 B0 65 00
        1.015 B0 64 02
        2     B0 06 40   # bend range or the like: not ours
    """
    assert play_chain(tmp_path, chain, log, device=DEVICE) == events("""
        0     B0 63 01
        0     B0 62 08
        0     B0 06 10
        1.01  B0 63 01
        1.01  B0 62 08
        1.01  B0 06 18
        1.015 B0 65 00
        1.015 B0 64 02
        1.02  B0 63 01
        1.02  B0 62 08
        1.02  B0 06 20
        1.02  B0 65 00
        1.02  B0 64 02
        2     B0 06 40
    """)


def test_a_sysex_control_moves(tmp_path: Path) -> None:
    chain = device_smooth("drum", "time: 20ms, interval: 10ms")
    log = "0 F0 7D 10 10 F7\n1 F0 7D 10 20 F7\n1 F0 7D 11 20 F7"
    assert play_chain(tmp_path, chain, log, device=DEVICE) == events("""
        0     F0 7D 10 10 F7
        1     F0 7D 11 20 F7
        1.01  F0 7D 10 18 F7
        1.02  F0 7D 10 20 F7
    """)


# ---- wrong options -----------------------------------------------------------------------------

WRONG = {
    "control: 74, time: soon": "48: {}.time: 'soon' is no duration; "
    "write for example 250ms, 2s, 6 clocks, 1/16, 1/8., 1/8t or 2 bars",
    "control: 74, interval: 0ms": "52: {}.interval: '0ms' is too short; write 1ms or longer",
    "time: 20ms": "9: {}: 'control' is missing; add it",
    "control: 74, times: 20ms": "42: {}.times: unknown key; did you mean 'time'?",
}


@pytest.mark.parametrize("options", WRONG)
def test_wrong_options_are_refused(tmp_path: Path, options: str) -> None:
    found = problems(tmp_path, f"- {{plugin: cc_smooth, {options}}}")
    assert says_what_is_right(found)
    assert found == [f"rig.yaml:7:{WRONG[options].format('outputs.tug.chain[1]')}"]
