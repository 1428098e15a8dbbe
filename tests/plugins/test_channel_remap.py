"""channel_remap held to its page in docs/plugins, and to the rules of the engine that touch it."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import ONE_OF_EACH, assert_plays, play_chain, problems, says_what_is_right

TABLES = {
    "every kind of channel message moves, data bytes untouched": (
        "map: {1: 5}",
        """
        -0.000 90 3C 64
        +0.000 94 3C 64
        -0.001 A0 3C 40
        +0.001 A4 3C 40
        -0.002 B0 01 05
        +0.002 B4 01 05
        -0.003 C0 0B
        +0.003 C4 0B
        -0.004 D0 30
        +0.004 D4 30
        -0.005 E0 01 41
        +0.005 E4 01 41
        -0.006 80 3C 21
        +0.006 84 3C 21
        """,
    ),
    "a note-on with velocity 0 stays one": (
        "map: {1: 5}",
        """
        -0.000 90 3C 64
        +0.000 94 3C 64
        -0.500 90 3C 00
        +0.500 94 3C 00
        """,
    ),
    "channels not in the map pass": (
        "map: {1: 5}",
        """
        0.000  91 3C 64
        0.100  94 3C 64
        0.500  81 3C 40
        0.600  84 3C 40
        0.700  BF 01 05
        """,
    ),
    "channels not in the map are dropped where others says so": (
        "map: {1: 5, 3: 3}, others: drop",
        """
        -0.000 90 3C 64
        +0.000 94 3C 64
        -0.100 91 3C 64
        0.200  92 3C 64
        -0.300 94 3C 64
        -0.400 B1 01 05
        -0.500 C1 0B
        -0.510 D1 0B
        -0.520 E1 00 40
        -0.530 A1 3C 40
        -0.600 80 3C 40
        +0.600 84 3C 40
        -0.700 81 3C 40
        0.800  82 3C 40
        -0.900 91 3C 00
        """,
    ),
    "system messages have no channel: others does not drop them": (
        "map: {1: 5}, others: drop",
        """
        0.000  FA
        0.001  F8
        0.002  F0 7D 01 F7
        0.003  F1 25
        0.004  F2 0A 00
        0.005  F3 07
        0.006  F6
        0.007  FC
        0.008  FB
        """,
    ),
    "a list sends to each, in the order of the list": (
        "map: {1: [7, 5]}",
        """
        -0.000 90 3C 64
        +0.000 96 3C 64
        +0.000 94 3C 64
        -0.100 B0 01 05
        +0.100 B6 01 05
        +0.100 B4 01 05
        -0.500 90 3C 00
        +0.500 96 3C 00
        +0.500 94 3C 00
        """,
    ),
    "a list may keep the channel itself": (
        "map: {1: [1, 2]}",
        """
        0.000  90 3C 64
        +0.000 91 3C 64
        0.100  C0 0B
        +0.100 C1 0B
        0.500  80 3C 40
        +0.500 81 3C 40
        """,
    ),
    "a list of one is one channel": (
        "map: {1: [5]}",
        """
        -0.000 D0 30
        +0.000 D4 30
        """,
    ),
    "channels may change places": (
        "map: {1: 2, 2: 1}",
        """
        -0.000 90 3C 64
        +0.000 91 3C 64
        -0.000 91 3E 64
        +0.000 90 3E 64
        -0.500 80 3C 40
        +0.500 81 3C 40
        -0.500 81 3E 40
        +0.500 80 3E 40
        """,
    ),
    "two channels may meet on one": (
        "map: {1: 5, 2: 5}",
        """
        -0.000 90 3C 64
        +0.000 94 3C 64
        -0.000 91 40 64
        +0.000 94 40 64
        -0.500 80 3C 40
        +0.500 84 3C 40
        -0.600 81 40 40
        +0.600 84 40 40
        """,
    ),
    "the same note from two channels that meet has two note-offs": (
        "map: {1: 5, 2: 5}",
        """
        -0.000 90 3C 64
        +0.000 94 3C 64
        -0.100 91 3C 50
        +0.100 94 3C 50
        -0.500 80 3C 40
        +0.500 84 3C 40
        -0.600 81 3C 40
        +0.600 84 3C 40
        """,
    ),
    "a channel that is mapped to itself is in the map": (
        "map: {1: 1}, others: drop",
        """
        0.000  90 3C 64
        -0.100 91 3C 64
        0.500  80 3C 40
        -0.600 81 3C 40
        """,
    ),
    "16 is the last channel": (
        "map: {16: 1, 1: 16}",
        """
        -0.000 BF 07 64
        +0.000 B0 07 64
        -0.100 B0 07 64
        +0.100 BF 07 64
        """,
    ),
    "documented: channel mode messages go to the channel their notes went to": (
        "map: {1: [5, 6]}",
        """
        -0.000 90 3C 64
        +0.000 94 3C 64
        +0.000 95 3C 64
        -0.500 B0 7B 00
        +0.500 B4 7B 00
        +0.500 B5 7B 00
        """,
    ),
    "bank select and program keep their order": (
        "map: {1: 5}",
        """
        -0.000 B0 00 01
        +0.000 B4 00 01
        -0.000 B0 20 02
        +0.000 B4 20 02
        -0.000 C0 0B
        +0.000 C4 0B
        """,
    ),
    "RPN sequences keep their order on every channel": (
        "map: {1: [5, 6]}",
        """
        -0.000 B0 65 00
        +0.000 B4 65 00
        +0.000 B5 65 00
        -0.000 B0 64 00
        +0.000 B4 64 00
        +0.000 B5 64 00
        -0.000 B0 06 02
        +0.000 B4 06 02
        +0.000 B5 06 02
        """,
    ),
    "channels: it acts on no other channel, even to drop it": (
        "map: {1: 5}, others: drop, channels: [1, 2]",
        """
        -0.000 90 3C 64
        +0.000 94 3C 64
        -0.100 91 3C 64
        0.200  92 3C 64
        -0.500 80 3C 40
        +0.500 84 3C 40
        """,
    ),
    "channels: one channel needs no list": (
        "map: {1: 5, 2: 5}, channels: 1",
        """
        -0.000 B0 01 05
        +0.000 B4 01 05
        0.100  B1 01 05
        """,
    ),
    "bypass: all passes": (
        "map: {1: 5}, others: drop, bypass: true",
        """
        0.000  90 3C 64
        0.100  91 3C 64
        0.500  80 3C 40
        0.600  81 3C 40
        """,
    ),
    "a map of other channels leaves everything as it is": ("map: {9: 10}", ONE_OF_EACH),
}


@pytest.mark.parametrize(("options", "table"), TABLES.values(), ids=TABLES)
def test_messages_go_where_the_map_says(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: channel_remap, {options}}}", table)


def test_two_entries_map_one_after_the_other(tmp_path: Path) -> None:
    chain = "- {plugin: channel_remap, map: {1: 2}}\n- {plugin: channel_remap, map: {2: 3}}"
    assert_plays(tmp_path, chain, "-0 B0 01 05\n+0 B2 01 05\n-1 B1 01 05\n+1 B2 01 05")


def test_what_it_started_is_released_where_it_went(tmp_path: Path) -> None:
    table = """
        -0.000 90 3C 64
        +0.000 94 3C 64
        +0.000 95 3C 64
        +0.000 84 3C 40
        +0.000 85 3C 40
    """
    chain = "- {plugin: channel_remap, map: {1: [5, 6]}}"
    assert_plays(tmp_path, chain, table, on_exit="release")


def test_label_is_shown_for_the_entry(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chain = "- {plugin: channel_remap, map: {1: 5}, label: to the ferry}"
    play_chain(tmp_path, chain, "0 B0 4A 7F")
    assert "to the ferry" in capsys.readouterr().out


ERRORS = {
    "no map": (
        "- {plugin: channel_remap}",
        "rig.yaml:7:9: outputs.tug.chain[1]: 'map' is missing; add it",
    ),
    "from channel too high": (
        "- {plugin: channel_remap, map: {17: 1}}",
        "rig.yaml:7:39: outputs.tug.chain[1].map.17: '17' is out of range; write 1 to 16",
    ),
    "from is no channel": (
        "- {plugin: channel_remap, map: {one: 5}}",
        "rig.yaml:7:39: outputs.tug.chain[1].map.one: 'one' is not a channel; write 1 to 16",
    ),
    "one of the targets too high": (
        "- {plugin: channel_remap, map: {1: [5, 17]}}",
        "rig.yaml:7:46: outputs.tug.chain[1].map.1[2]: '17' is out of range; write 1 to 16",
    ),
    "a misspelt word for others": (
        "- {plugin: channel_remap, map: {1: 5}, others: dorp}",
        "rig.yaml:7:54: outputs.tug.chain[1].others: 'dorp' is none of the choices; did you "
        "mean 'drop'?",
    ),
    "a misspelt option": (
        "- {plugin: channel_remap, mpa: {1: 5}, map: {1: 5}}",
        "rig.yaml:7:33: outputs.tug.chain[1].mpa: unknown key; did you mean 'map'?",
    ),
    "map is a list": (
        "- {plugin: channel_remap, map: [1, 5]}",
        "rig.yaml:7:38: outputs.tug.chain[1].map: this is no mapping; write keys and values, "
        "for example {1: 5}",
    ),
    "no target": (
        "- {plugin: channel_remap, map: {1: []}}",
        "rig.yaml:7:42: outputs.tug.chain[1].map.1: the list is empty; write at least one",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    assert problems(tmp_path, chain) == [line]


@pytest.mark.parametrize("chain", [chain for chain, _ in ERRORS.values()], ids=ERRORS)
def test_every_error_line_says_what_would_be_right(tmp_path: Path, chain: str) -> None:
    assert says_what_is_right(problems(tmp_path, chain))


def test_a_wrong_single_target_is_shown_under_its_key(tmp_path: Path) -> None:
    (line,) = problems(tmp_path, "- {plugin: channel_remap, map: {1: 0}}")
    assert line.startswith("rig.yaml:7:42: outputs.tug.chain[1].map.1: ")
