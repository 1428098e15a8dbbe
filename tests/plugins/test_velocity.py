"""velocity held to its page in docs/plugins: `to: [low, high]`, `gamma: 1.0`:
low + (high - low) * ((v - 1) / 126) ** gamma, rounded half up, never below 1; or `fixed: N`."""

from __future__ import annotations

from decimal import ROUND_FLOOR, Decimal, getcontext
from pathlib import Path

import pytest

from harness import ONE_OF_EACH, assert_plays, play_chain, problems, says_what_is_right

TABLES = {
    "the softest becomes low, the hardest high": (
        "to: [40, 100]",
        """
        -0.0 90 3C 01
        +0.0 90 3C 28
        -0.1 90 3C 7F
        +0.1 90 3C 64
        -0.2 90 3C 40       # 64 is halfway: 70
        +0.2 90 3C 46
        """,
    ),
    "half up": (
        "to: [1, 2]",
        """
        -0.0 90 3C 3F       # 1 + 62/126
        +0.0 90 3C 01
        -0.1 90 3C 40       # 1.5
        +0.1 90 3C 02
        """,
    ),
    "downwards": (
        "to: [127, 1]",
        """
        -0.0 90 3C 01
        +0.0 90 3C 7F
        -0.1 90 3C 7F
        +0.1 90 3C 01
        0.2  90 3C 40
        """,
    ),
    "never below 1: a note-on stays one": (
        "to: [0, 0]",
        """
        -0.0 90 3C 01
        +0.0 90 3C 01
        -0.1 90 3C 7F
        +0.1 90 3C 01
        """,
    ),
    "gamma 2: the square": (
        "to: [1, 127], gamma: 2",
        """
        0.0  90 3C 01
        -0.1 90 3C 40       # 1 + 126/4 = 32.5
        +0.1 90 3C 21
        0.2  90 3C 7F
        """,
    ),
    "gamma 0.5: the root": (
        "to: [0, 126], gamma: 0.5",
        """
        -0.0 90 3C 0F       # x = 14/126 = 1/9: 42
        +0.0 90 3C 2A
        """,
    ),
    "fixed": (
        "fixed: 100",
        """
        -0.0 90 3C 01
        +0.0 90 3C 64
        -0.1 9F 30 7F
        +0.1 9F 30 64
        0.2  90 3C 64
        """,
    ),
    "note-offs of both forms stay as they are, release velocity and all": (
        "fixed: 100",
        """
        -0.0 90 3C 01
        +0.0 90 3C 64
        -0.1 90 3D 01
        +0.1 90 3D 64
        0.2  80 3C 21
        0.3  90 3D 00
        0.4  80 3E 00
        """,
    ),
    "nothing but note-ons changes": (
        "fixed: 1",
        """
        0.000  A0 3C 40
        0.001  B0 07 64
        0.002  D0 40
        0.003  E0 00 40
        0.004  C0 40
        0.005  B0 7B 00
        """,
    ),
    "channels: the others stay as they are": (
        "fixed: 1, channels: [2]",
        """
        0.0  90 3C 64
        -0.1 91 3C 64
        +0.1 91 3C 01
        """,
    ),
    "the whole range in a straight line changes nothing": ("to: [1, 127]", ONE_OF_EACH),
    "bypass": ("fixed: 1, bypass: true", ONE_OF_EACH),
}


@pytest.mark.parametrize(("options", "table"), TABLES.values(), ids=TABLES)
def test_velocities_change(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: velocity, {options}}}", table)


def by_the_formula(velocity: int, low: int, high: int, gamma: str) -> int:
    """The page's formula in 60 decimal digits, so that no half is missed."""
    getcontext().prec = 60
    x = Decimal(velocity - 1) / 126
    power = x ** Decimal(gamma) if x else Decimal(0)
    result = low + (high - low) * power + Decimal("0.5")
    # 50 digits are exact enough to round away what the power leaves out, and keep a true half.
    return max(1, int(round(result, 50).to_integral_value(ROUND_FLOOR)))


@pytest.mark.parametrize(
    ("low", "high", "gamma"),
    [
        (1, 127, "1.0"), (20, 110, "1"), (0, 127, "0.5"), (127, 0, "2"), (64, 64, "3"),
        (100, 30, "0.3"), (1, 127, "2.2"), (40, 90, "100"),
    ],
)  # fmt: skip
def test_every_velocity_is_on_the_curve(tmp_path: Path, low: int, high: int, gamma: str) -> None:
    lines = "\n".join(f"{v} 90 3C {v:02X}\n{v} 80 3C 40" for v in range(1, 128))
    chain = f"- {{plugin: velocity, to: [{low}, {high}], gamma: {gamma}}}"
    heard = [data for _, data in play_chain(tmp_path, chain, lines) if data.startswith("90")]
    assert heard == [f"90 3C {by_the_formula(v, low, high, gamma):02X}" for v in range(1, 128)]


ERRORS = {
    "neither": (
        "- {plugin: velocity}",
        "rig.yaml:7:9: outputs.tug.chain[1]: "
        "needs exactly one of 'to' and 'fixed'; write the one you mean",
    ),
    "both": (
        "- {plugin: velocity, to: [1, 100], fixed: 3}",
        "rig.yaml:7:9: outputs.tug.chain[1]: "
        "needs exactly one of 'to' and 'fixed'; write the one you mean",
    ),
    "a curve for a fixed velocity": (
        "- {plugin: velocity, fixed: 3, gamma: 2}",
        "rig.yaml:7:45: outputs.tug.chain[1].gamma: "
        "does nothing beside 'fixed'; leave it out, or use 'to'",
    ),
    "fixed 0 would be a note-off": (
        "- {plugin: velocity, fixed: 0}",
        "rig.yaml:7:35: outputs.tug.chain[1].fixed: '0' is out of range; write 1 to 127",
    ),
    "out of range": (
        "- {plugin: velocity, to: [1, 128]}",
        "rig.yaml:7:36: outputs.tug.chain[1].to[2]: '128' is out of range; write 0 to 127",
    ),
    "misspelt": (
        "- {plugin: velocity, fxied: 3}",
        "rig.yaml:7:28: outputs.tug.chain[1].fxied: unknown key; did you mean 'fixed'?",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    found = problems(tmp_path, chain)
    assert found == [line]
    assert says_what_is_right(found)


@pytest.mark.parametrize("gamma", ["0", "-1", "101", "nan", "inf", "steep"])
def test_a_gamma_that_makes_no_curve_is_refused(tmp_path: Path, gamma: str) -> None:
    (line,) = problems(tmp_path, f"- {{plugin: velocity, to: [1, 100], gamma: {gamma}}}")
    assert line.startswith("rig.yaml:7:49: outputs.tug.chain[1].gamma: ")
