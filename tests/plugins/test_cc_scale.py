"""cc_scale held to its page in docs/plugins: values worked out here in exact fractions.

x = (clamp(v) - from0) / (from1 - from0);  result = to0 + (to1 - to0) * x ** gamma
rounded half up: floor(x + 0.5)
"""

from __future__ import annotations

from decimal import Decimal, getcontext
from fractions import Fraction
from math import floor
from pathlib import Path

import pytest

from harness import ONE_OF_EACH, assert_plays, play_chain, problems, says_what_is_right

getcontext().prec = 50

ALL_VALUES = "\n".join(f"{v / 1000:.3f} B0 4A {v:02X}" for v in range(128))


def scaled(tmp_path: Path, options: str) -> list[int]:
    """What becomes of the values 0 to 127 of control 74."""
    heard = play_chain(tmp_path, f"- {{plugin: cc_scale, control: 74, {options}}}", ALL_VALUES)
    assert [data[:5] for _, data in heard] == ["B0 4A"] * 128
    return [int(data[6:], 16) for _, data in heard]


def exact(value: int, first: tuple[int, int], last: tuple[int, int], gamma: str = "1") -> int:
    """The page's sentence in exact numbers (50 digits where gamma needs a power)."""
    clamped = min(max(value, min(first)), max(first))
    x = Fraction(clamped - first[0], first[1] - first[0])
    if gamma != "1":
        x = Fraction((Decimal(x.numerator) / Decimal(x.denominator)) ** Decimal(gamma))
    return min(max(floor(last[0] + (last[1] - last[0]) * x + Fraction(1, 2)), 0), 127)


# Worked out by hand from the page's formula.
BY_HAND = {
    "to a narrower range": ("to: [20, 100]", {0: 20, 1: 21, 64: 60, 126: 99, 127: 100}),
    "to a narrow range: half goes up": ("from: [0, 2], to: [0, 1]", {0: 0, 1: 1, 2: 1}),
    "downwards, half still goes up": ("from: [0, 2], to: [1, 0]", {0: 1, 1: 1, 2: 0}),
    "to runs downwards": ("to: [127, 0]", {0: 127, 1: 126, 64: 63, 127: 0}),
    "from runs downwards": ("from: [127, 0], to: [0, 127]", {0: 127, 64: 63, 127: 0}),
    "both run downwards": ("from: [127, 0], to: [100, 0]", {0: 0, 127: 100}),
    "values outside from are clamped": (
        "from: [32, 96], to: [0, 127]",
        {0: 0, 31: 0, 32: 0, 64: 64, 96: 127, 97: 127, 127: 127},  # 64: 63.5 goes up
    ),
    "values outside a downward from are clamped": (
        "from: [96, 32], to: [0, 127]",
        {0: 127, 31: 127, 32: 127, 64: 64, 96: 0, 127: 0},
    ),
    "to may be one value": ("to: [7, 7]", {0: 7, 64: 7, 127: 7}),
    "gamma 2": ("to: [0, 127], gamma: 2", {0: 0, 1: 0, 64: 32, 100: 79, 127: 127}),
    "gamma 2.0 to a range": ("to: [10, 20], gamma: 2.0", {0: 10, 64: 13, 127: 20}),  # 12.54
    "gamma 0.5": ("to: [0, 127], gamma: 0.5", {0: 0, 1: 11, 64: 90, 127: 127}),
    "gamma and clamping": (
        "from: [27, 127], to: [0, 100], gamma: 2",
        {0: 0, 27: 0, 77: 25, 127: 100},
    ),
}


@pytest.mark.parametrize(("options", "values"), BY_HAND.values(), ids=BY_HAND)
def test_values_worked_out_by_hand(tmp_path: Path, options: str, values: dict[int, int]) -> None:
    got = scaled(tmp_path, options)
    assert {value: got[value] for value in values} == values


RANGES = [
    ((0, 127), (0, 127)),
    ((0, 127), (0, 1)),
    ((0, 127), (127, 0)),
    ((0, 127), (20, 101)),
    ((0, 100), (0, 127)),
    ((100, 0), (3, 90)),
    ((0, 6), (0, 127)),
    ((1, 127), (0, 63)),
    ((10, 110), (127, 2)),
    ((0, 120), (0, 100)),
    ((126, 127), (0, 127)),
    ((0, 1), (127, 0)),
    ((127, 7), (11, 12)),
]


@pytest.mark.parametrize(("first", "last"), RANGES)
def test_every_value_of_a_straight_line_is_exact(
    tmp_path: Path, first: tuple[int, int], last: tuple[int, int]
) -> None:
    got = scaled(tmp_path, f"from: {list(first)}, to: {list(last)}")
    assert got == [exact(value, first, last) for value in range(128)]


@pytest.mark.parametrize("gamma", ["0.25", "0.5", "1.5", "2", "3", "10", "100"])
@pytest.mark.parametrize(("first", "last"), [((0, 127), (0, 127)), ((100, 20), (110, 10))])
def test_every_value_of_a_curve_is_exact(
    tmp_path: Path, first: tuple[int, int], last: tuple[int, int], gamma: str
) -> None:
    got = scaled(tmp_path, f"from: {list(first)}, to: {list(last)}, gamma: {gamma}")
    assert got == [exact(value, first, last, gamma) for value in range(128)]


def test_from_is_the_whole_range_by_default(tmp_path: Path) -> None:
    assert scaled(tmp_path, "to: [0, 127]") == list(range(128))


TABLES = {
    "every channel": (
        "control: 74, to: [10, 20]",
        """
        -0.0 B0 4A 00
        +0.0 B0 4A 0A
        -0.1 BF 4A 7F
        +0.1 BF 4A 14
        """,
    ),
    "no other control": (
        "control: 74, to: [10, 20]",
        """
        0.0  B0 4B 00
        0.1  B0 0A 00
        """,
    ),
    "a control by its name": (
        "control: modulation, to: [10, 20]",
        """
        -0.0 B0 01 00
        +0.0 B0 01 0A
        """,
    ),
    "the same value again is sent again": (
        "control: 74, to: [10, 11]",
        """
        -0.0 B0 4A 00
        +0.0 B0 4A 0A
        -0.1 B0 4A 01
        +0.1 B0 4A 0A
        """,
    ),
    "channels: it acts on those alone": (
        "control: 74, to: [10, 20], channels: [2, 3]",
        """
        0.0  B0 4A 00
        -0.1 B1 4A 00
        +0.1 B1 4A 0A
        -0.2 B2 4A 00
        +0.2 B2 4A 0A
        """,
    ),
    "bypass: all passes": ("control: 74, to: [10, 20], bypass: true", "0.0 B0 4A 00"),
    "all other messages pass": ("control: 74, to: [10, 20]", ONE_OF_EACH),
}


@pytest.mark.parametrize(("options", "table"), TABLES.values(), ids=TABLES)
def test_what_is_scaled(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: cc_scale, {options}}}", table)


def test_a_control_of_the_device_file_by_its_name(tmp_path: Path) -> None:
    chain = "- {plugin: cc_scale, control: cutoff, to: [10, 20]}"
    device = "device: Gull\ncontrols:\n  cutoff: {cc: 74}\n"
    assert_plays(tmp_path, chain, "-0 B0 4A 00\n+0 B0 4A 0A", device=device)


def test_two_entries_scale_one_after_the_other(tmp_path: Path) -> None:
    chain = """
        - {plugin: cc_scale, control: 74, to: [0, 64]}
        - {plugin: cc_scale, control: 74, from: [0, 64], to: [100, 120]}
    """
    assert_plays(tmp_path, chain, "-0 B0 4A 7F\n+0 B0 4A 78\n-1 B0 4A 00\n+1 B0 4A 64")


def test_a_home_that_is_sent_before_it_is_scaled(tmp_path: Path) -> None:
    chain = """
        - {plugin: cc_reset, controls: {74: 0}}
        - {plugin: cc_scale, control: 74, to: [10, 20]}
    """
    assert_plays(tmp_path, chain, "-0 B0 4A 7F\n+0 B0 4A 14\n+1 B0 4A 0A\n1 90 3C 64")


def test_label_is_shown_for_the_entry(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chain = "- {plugin: cc_scale, control: 74, to: [10, 20], label: low water}"
    play_chain(tmp_path, chain, "0 B0 4A 7F")
    assert "low water" in capsys.readouterr().out


# ---- bits: 14 ------------------------------------------------------------------------------------


def received(heard: list[tuple[str, str]], coarse: int) -> int:
    """The 14-bit value that a receiver holds at last: a coarse value sets the fine one to 0

    (MIDI 1.0, 4.2.1, p. 12 and Table II, note 4).
    """
    value = 0
    for _, data in heard:
        status, control, low = (int(byte, 16) for byte in data.split())
        assert status == 0xB0
        assert control in (coarse, coarse + 32)
        value = low << 7 if control == coarse else (value & ~0x7F) | low
    return value


FOURTEEN = {
    "the whole range onto itself": ("from: [0, 16383], to: [0, 16383]", 8193, 8193),
    "half of it": ("from: [0, 16383], to: [0, 8191]", 16383, 8191),
    "downwards": ("from: [0, 16383], to: [16383, 0]", 129, 16254),
    "clamped below": ("from: [8192, 16383], to: [100, 200]", 5, 100),
    "half goes up": ("from: [0, 2], to: [0, 1]", 1, 1),
    "gamma": ("from: [0, 16000], to: [0, 16000], gamma: 2", 8000, 4000),
}


@pytest.mark.parametrize(("options", "value", "result"), FOURTEEN.values(), ids=FOURTEEN)
def test_fourteen_bits_come_and_go_as_a_coarse_and_fine_pair(
    tmp_path: Path, options: str, value: int, result: int
) -> None:
    chain = f"- {{plugin: cc_scale, control: 1, bits: 14, {options}}}"
    log = f"0 B0 01 {value >> 7:02X}\n0 B0 21 {value & 0x7F:02X}"
    assert received(play_chain(tmp_path, chain, log), 1) == result


def test_fourteen_bits_leave_other_controls_alone(tmp_path: Path) -> None:
    chain = "- {plugin: cc_scale, control: 1, bits: 14, from: [0, 16383], to: [0, 100]}"
    assert_plays(tmp_path, chain, "0 B0 02 40\n0 B0 22 10\n0.1 B0 41 05")


# ---- what is wrong -------------------------------------------------------------------------------

ERRORS = {
    "no to": (
        "- {plugin: cc_scale, control: 1}",
        "rig.yaml:7:9: outputs.tug.chain[1]: 'to' is missing; add it",
    ),
    "no control": (
        "- {plugin: cc_scale, to: [0, 10]}",
        "rig.yaml:7:9: outputs.tug.chain[1]: 'control' is missing; add it",
    ),
    "a mode message": (
        "- {plugin: cc_scale, control: 120, to: [0, 10]}",
        "rig.yaml:7:37: outputs.tug.chain[1].control: '120' is a channel mode message, not a "
        "control; write 0 to 119, or a name",
    ),
    "an unknown control": (
        "- {plugin: cc_scale, control: knots, to: [0, 10]}",
        "rig.yaml:7:37: outputs.tug.chain[1].control: 'knots' is no control; write 0 to 119, a "
        "name from the device file, or a MIDI name such as modulation",
    ),
    "a value too high": (
        "- {plugin: cc_scale, control: 1, to: [0, 128]}",
        "rig.yaml:7:48: outputs.tug.chain[1].to[2]: '128' is too high; write 0 to 127",
    ),
    "three values": (
        "- {plugin: cc_scale, control: 1, to: [0, 1, 2]}",
        "rig.yaml:7:44: outputs.tug.chain[1].to: 3 values stand here; write 2",
    ),
    "no range": (
        "- {plugin: cc_scale, control: 1, to: 5}",
        "rig.yaml:7:44: outputs.tug.chain[1].to: '5' is no list; write for example [1, 2]",
    ),
    "from has no width": (
        "- {plugin: cc_scale, control: 1, to: [0, 10], from: [5, 5]}",
        "rig.yaml:7:59: outputs.tug.chain[1].from: both ends are the same; write two values, "
        "such as [0, 127]",
    ),
    "gamma is 0": (
        "- {plugin: cc_scale, control: 1, to: [0, 10], gamma: 0}",
        "rig.yaml:7:60: outputs.tug.chain[1].gamma: '0' is out of range; write above 0.0",
    ),
    "gamma is no number": (
        "- {plugin: cc_scale, control: 1, to: [0, 10], gamma: much}",
        "rig.yaml:7:60: outputs.tug.chain[1].gamma: 'much' is no number; write a number such as "
        "1.0",
    ),
    "a misspelt option": (
        "- {plugin: cc_scale, control: 1, to: [0, 10], gama: 2}",
        "rig.yaml:7:53: outputs.tug.chain[1].gama: unknown key; did you mean 'gamma'?",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    assert problems(tmp_path, chain) == [line]


@pytest.mark.parametrize("chain", [chain for chain, _ in ERRORS.values()], ids=ERRORS)
def test_every_error_line_says_what_would_be_right(tmp_path: Path, chain: str) -> None:
    assert says_what_is_right(problems(tmp_path, chain))


def test_a_range_of_one_value_is_refused_in_a_players_words(tmp_path: Path) -> None:
    (line,) = problems(tmp_path, "- {plugin: cc_scale, control: 1, to: [5]}")
    assert line.startswith("rig.yaml:7:44: outputs.tug.chain[1].to: ")
    assert "2" in line
