"""The YAML reader: what stands where, nothing built that is not written, faults with their place.

PyYAML's own `BaseLoader`, which builds text, lists and mappings by another way, is the check for
the content of sound files.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from pointsman.yaml_tree import MAX_BYTES, MAX_DEPTH, Node, TreeError, _parse, read_tree


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "pier.yaml"


def read(path: Path, text: str | bytes) -> Node:
    """The tree of a sound file."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    root, problems = read_tree(path, "pier.yaml")
    assert problems == []
    assert root is not None
    return root


def faults(path: Path, text: str | bytes) -> list[str]:
    """The error lines of a file."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return [str(problem) for problem in read_tree(path, "pier.yaml")[1]]


AS_WRITTEN = [
    "on", "off", "yes", "no", "true", "False", "Y", "n", "010", "0o10", "0x1F", "0b1", "12:30",
    "190:20:30", "1_000", "1.0", "1e3", ".inf", ".nan", "-5", "+5", "2026-11-25", "=", "0",
]  # fmt: skip


@pytest.mark.parametrize("word", AS_WRITTEN)
def test_plain_words_stay_as_written_as_values_and_as_keys(path: Path, word: str) -> None:
    assert read(path, f"a: {word}\n").plain() == {"a": word}
    assert read(path, f"- {word}\n").plain() == [word]
    assert read(path, f"{word}: a\n").plain() == {word: "a"}


@pytest.mark.parametrize("text", ["a:\n", "a: ~\n", "a: null\n", "a: # nothing\n"])
def test_nothing_written_is_none(path: Path, text: str) -> None:
    assert read(path, text).plain() == {"a": None}


@pytest.mark.parametrize("text", ["a: ''\n", 'a: ""\n', "a: !!str\n"])
def test_empty_text_is_not_nothing(path: Path, text: str) -> None:
    assert read(path, text).plain() == {"a": ""}


def test_quoted_words_are_text(path: Path) -> None:
    assert read(path, "a: '~'\nb: \"null\"\n").plain() == {"a": "~", "b": "null"}


def test_every_part_knows_its_line_and_column(path: Path) -> None:
    root = read(path, "tug:\n  - {a: 1,\n     b: [x, y]}\ngull: z\n")
    assert root.keys == {"tug": (1, 1), "gull": (4, 1)}
    tug = root.child("tug")
    assert tug is not None
    entry = tug.child(0)
    assert entry is not None
    assert (entry.line, entry.column) == (2, 5)
    assert entry.keys == {"a": (2, 6), "b": (3, 6)}
    b = entry.child("b")
    assert b is not None
    second = b.child(1)
    assert second is not None
    assert (second.line, second.column, second.value) == (3, 13, "y")


def test_columns_count_characters_not_bytes(path: Path) -> None:
    root = read(path, "{Möwe: a, b: c}\n")
    assert root.keys == {"Möwe": (1, 2), "b": (1, 11)}


def test_a_byte_order_mark_is_no_part_of_the_file(path: Path) -> None:
    assert read(path, "\ufeffa: b\n").keys == {"a": (1, 1)}


def test_line_ends_of_another_system(path: Path) -> None:
    assert read(path, "a: b\r\nc: d\r\n").keys == {"a": (1, 1), "c": (2, 1)}


def test_an_anchor_stands_for_what_it_marks(path: Path) -> None:
    text = "a: &x {b: [1, 2]}\nc: *x\nd: [*x, &y e, *y]\n"
    part = {"b": ["1", "2"]}
    assert read(path, text).plain() == {"a": part, "c": part, "d": [part, "e", "e"]}


def test_one_document_may_have_its_marks(path: Path) -> None:
    assert read(path, "---\na: b\n...\n").plain() == {"a": "b"}


_texts = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc", "Cn"]), max_size=8)
_trees = st.recursive(
    _texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_texts, inner, max_size=4),
    max_leaves=20,
)


@given(_trees.filter(lambda tree: tree != ""), st.booleans())
def test_sound_files_read_as_pyyaml_reads_them(tree: Any, flow: bool) -> None:
    text = yaml.safe_dump(tree, default_flow_style=flow, allow_unicode=True)
    node, errors = _parse(text)
    assert errors == []
    assert node.plain() == yaml.load(text, Loader=yaml.BaseLoader) == tree


EMPTY = "pier.yaml:1:1: the file is empty; see docs/rig-file.md for what a rig holds"
NOT_ALLOWED = "a character here is not allowed in YAML; take it out"

BROKEN: dict[str, tuple[str | bytes, list[str]]] = {
    "empty": ("", [EMPTY]),
    "blank lines": ("\n \n\n", [EMPTY]),
    "only comments": ("# harbour\n", [EMPTY]),
    "only a mark": ("---\n", []),
    "not UTF-8": (
        b"rig: caf\xe9\n",
        ["pier.yaml:1:9: the file is not UTF-8 here; save it as UTF-8"],
    ),
    "not UTF-8 further down": (
        b"rig: a\nlabel: M\xf6we\n",
        ["pier.yaml:2:9: the file is not UTF-8 here; save it as UTF-8"],
    ),
    "UTF-16": (
        "rig: a\n".encode("utf-16"),
        ["pier.yaml:1:1: the file is not UTF-8 here; save it as UTF-8"],
    ),
    "a NUL": (b"rig: a\x00b\n", [f"pier.yaml:1:7: {NOT_ALLOWED}"]),
    "a bell": (b"rig: a\nb: \x07\n", [f"pier.yaml:2:4: {NOT_ALLOWED}"]),
    "larger than 1 MiB": (
        b"#" * (MAX_BYTES + 1),
        ["pier.yaml:1:1: the file is larger than 1 MiB; a rig needs a few KiB"],
    ),
    "a key twice": (
        "a: b\nc: d\na: e\n",
        ["pier.yaml:3:1: the key 'a' stands here twice, first in line 1; keep one"],
    ),
    "a key three times": (
        "a: b\na: c\na: d\n",
        [
            "pier.yaml:2:1: the key 'a' stands here twice, first in line 1; keep one",
            "pier.yaml:3:1: the key 'a' stands here twice, first in line 1; keep one",
        ],
    ),
    "a key twice, deep in": (
        "tug:\n- {a: 1, b: 2, a: 3}\n",
        ["pier.yaml:2:16: the key 'a' stands here twice, first in line 2; keep one"],
    ),
    "a key twice in other quotes": (
        "on: 1\n'on': 2\n",
        ["pier.yaml:2:1: the key 'on' stands here twice, first in line 1; keep one"],
    ),
    "a tag that makes an object": (
        "a: !!python/object/apply:os.system ['true']\n",
        [
            "pier.yaml:1:4: the tag 'tag:yaml.org,2002:python/object/apply:os.system' "
            "is not allowed here; take it out"
        ],
    ),
    "a tag of its own": (
        "a: !gull b\n",
        ["pier.yaml:1:4: the tag '!gull' is not allowed here; take it out"],
    ),
    "two faults": (
        "a: !gull b\nc: d\nc: e\n",
        [
            "pier.yaml:1:4: the tag '!gull' is not allowed here; take it out",
            "pier.yaml:3:1: the key 'c' stands here twice, first in line 2; keep one",
        ],
    ),
    "an alias without an anchor": (
        "a: *b\n",
        ["pier.yaml:1:4: no anchor '&b' is complete before this alias; write it out"],
    ),
    "an alias inside what it stands for": (
        "a: &a [*a]\n",
        ["pier.yaml:1:8: no anchor '&a' is complete before this alias; write it out"],
    ),
    "a list as a key": (
        "? [a]\n: b\n",
        ["pier.yaml:1:5: a key must be a word or a number, not a list or a mapping"],
    ),
    "two documents": (
        "a: b\n---\nc: d\n",
        ["pier.yaml:2:1: a second document begins here; a rig is one document"],
    ),
    "nested too deep": (
        "a: " + "[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1),
        [f"pier.yaml:1:{3 + MAX_DEPTH}: more than {MAX_DEPTH} levels of nesting; write it flatter"],
    ),
}


@pytest.mark.parametrize(("text", "lines"), BROKEN.values(), ids=BROKEN)
def test_what_is_wrong_gets_its_line(path: Path, text: str | bytes, lines: list[str]) -> None:
    assert faults(path, text) == lines


NOT_YAML = {
    "an open mapping": ("a: {b: c\n", "pier.yaml:2:1: this is not YAML: "),
    "an open quote": ('a: "b\n', "pier.yaml:2:1: this is not YAML: "),
    "a bad indent": ("a: b\n c: d\n", "pier.yaml:2:3: this is not YAML: "),
    "two values": ("a: b: c\n", "pier.yaml:1:5: this is not YAML: "),
    "a stray bracket": ("a: ]\n", "pier.yaml:1:4: this is not YAML: "),
}


@pytest.mark.parametrize(("text", "head"), NOT_YAML.values(), ids=NOT_YAML)
def test_what_is_not_yaml_gets_one_line_with_its_place(path: Path, text: str, head: str) -> None:
    (line,) = faults(path, text)
    assert line.startswith(head)
    assert "\n" not in line


def test_a_tab_is_named(path: Path) -> None:
    (line,) = faults(path, "a:\n\tb: c\n")
    assert line.startswith("pier.yaml:2:1: ")
    assert "tab" in line


def test_a_file_of_exactly_the_limit_is_read(path: Path) -> None:
    text = "a: b\n"
    assert read(path, text + "#" * (MAX_BYTES - len(text))).plain() == {"a": "b"}


def test_the_deepest_nesting_that_is_allowed_is_read(path: Path) -> None:
    assert read(path, "a: " + "[" * (MAX_DEPTH - 1) + "]" * (MAX_DEPTH - 1))


def test_nesting_without_end_is_one_line(path: Path) -> None:
    (line,) = faults(path, "[" * 500_000)
    assert line.startswith("pier.yaml:1:")


def test_aliases_cannot_multiply_a_small_file(path: Path) -> None:
    """Ten levels of ten would be 10^10 parts, written out."""
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    for level in range(1, 10):
        inner = ", ".join([f"*a{level - 1}"] * 10)
        lines.append(f"a{level}: &a{level} [{inner}]")
    (line,) = faults(path, "\n".join(lines))
    assert line.startswith("pier.yaml:6:")
    assert line.endswith("aliases inside aliases make the file too large; write it out")


def test_a_file_that_is_not_there_raises_as_open_does(path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        read_tree(path, "pier.yaml")


@given(
    st.text(max_size=200) | st.text(st.sampled_from("ab:-[]{}&*!|>'\"#%@`,?\n\t ~"), max_size=60)
)
def test_no_text_raises_anything_but_a_tree_error(text: str) -> None:
    try:
        node, _ = _parse(text)
    except TreeError as error:
        assert error.line >= 1
        assert error.column >= 1
        assert "\n" not in error.what
    else:
        assert isinstance(node, Node)
