"""program_map held to its page in docs/plugins: `map: {from: to}` in 1-128, `others: pass | drop`;
and to rule 6: bank select before a program change keeps its order."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import ONE_OF_EACH, assert_plays, problems, says_what_is_right

TABLES = {
    "programs count from 1, their bytes from 0": (
        "map: {1: 12, 128: 1}",
        """
        -0.0 C0 00
        +0.0 C0 0B
        -0.1 C0 7F
        +0.1 C0 00
        """,
    ),
    "the last program": ("map: {1: 128}", "-0 C5 00\n+0 C5 7F"),
    "others pass by default": ("map: {1: 12}", "0 C0 01\n1 C0 0B"),
    "others pass": ("map: {1: 12}, others: pass", "0 C0 01"),
    "others are dropped, a program that is mapped to itself is none of them": (
        "map: {1: 12, 3: 3}, others: drop",
        """
        -0.0 C0 00
        +0.0 C0 0B
        -0.1 C0 01
        0.2  C0 02
        """,
    ),
    "an empty map that drops lets no program pass": (
        "map: {}, others: drop",
        """
        -0 C0 00
        1  B0 07 64
        """,
    ),
    "every channel": (
        "map: {1: 2}",
        """
        -0.0 C0 00
        +0.0 C0 01
        -0.1 CF 00
        +0.1 CF 01
        """,
    ),
    "two may change places: what was mapped is not mapped again": (
        "map: {1: 2, 2: 1}",
        """
        -0.0 C0 00
        +0.0 C0 01
        -0.1 C0 01
        +0.1 C0 00
        """,
    ),
    "bank select stays before its program change": (
        "map: {1: 2}",
        """
        0  B0 00 03
        0  B0 20 01
        -0 C0 00
        +0 C0 01
        """,
    ),
    "documented: the bank select of a dropped program passes": (
        "map: {1: 2}, others: drop",
        """
        0  B0 00 03
        0  B0 20 01
        -0 C0 05
        """,
    ),
    "channels: the others stay as they are": (
        "map: {1: 2}, others: drop, channels: 2",
        """
        0  C0 00
        0  C0 05
        -1 C1 00
        +1 C1 01
        -1 C1 05
        """,
    ),
    "nothing else changes": ("map: {1: 2}", ONE_OF_EACH),
    "bypass": ("map: {}, others: drop, bypass: true", ONE_OF_EACH),
}


@pytest.mark.parametrize(("options", "table"), TABLES.values(), ids=TABLES)
def test_programs_change(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: program_map, {options}}}", table)


ERRORS = {
    "no map": (
        "- {plugin: program_map, others: drop}",
        "rig.yaml:7:9: outputs.tug.chain[1]: 'map' is missing; add it",
    ),
    "programs count from 1": (
        "- {plugin: program_map, map: {0: 1}}",
        "rig.yaml:7:37: outputs.tug.chain[1].map.0: '0' is out of range; write 1 to 128",
    ),
    "129": (
        "- {plugin: program_map, map: {1: 129}}",
        "rig.yaml:7:40: outputs.tug.chain[1].map.1: '129' is out of range; write 1 to 128",
    ),
    "another word": (
        "- {plugin: program_map, map: {1: 2}, others: drpo}",
        "rig.yaml:7:52: outputs.tug.chain[1].others: "
        "'drpo' is none of the choices; did you mean 'drop'?",
    ),
    "misspelt": (
        "- {plugin: program_map, map: {1: 2}, other: drop}",
        "rig.yaml:7:44: outputs.tug.chain[1].other: unknown key; did you mean 'others'?",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    found = problems(tmp_path, chain)
    assert found == [line]
    assert says_what_is_right(found)
