"""From what pydantic finds wrong to a line that says where, on models of the tests' own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field

from pointsman.options import Channel, Channels, Context, Value, Whole, as_int, suggest
from pointsman.validation import Report, check, locate, show_place
from pointsman.yaml_tree import Node, read_tree


class Rope(BaseModel):
    """A part inside others."""

    model_config = ConfigDict(extra="forbid")

    length: Annotated[int, Whole(1, 100, "a length")]
    kind: Literal["hemp", "wire"] = "hemp"


class Boat(BaseModel):
    """A part with one of everything."""

    model_config = ConfigDict(extra="forbid")

    name: str
    crew: list[str] = []
    afloat: bool = True
    draught: float = 1.0
    berth: tuple[Value, Value] | None = None
    ropes: dict[Channel, Rope] = {}
    spare: Rope | None = None
    hails: Channels = (1,)
    from_: Annotated[str, Field(alias="from")] = "sea"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "boat.yaml"


def tree(path: Path, text: str) -> Node:
    path.write_text(text, "utf-8")
    root, problems = read_tree(path, "boat.yaml")
    assert root is not None
    assert problems == []
    return root


def lines(path: Path, text: str) -> list[str]:
    report = Report("boat.yaml")
    check(Boat, tree(path, text), (), report, Context())
    return [str(problem) for problem in report.problems]


def test_a_sound_part_is_read_from_text(path: Path) -> None:
    text = "{name: on, afloat: no, draught: 2.5, berth: [010, 2], ropes: {3: {length: 7}}, from: x}"
    report = Report("boat.yaml")
    boat = check(Boat, tree(path, text), (), report, Context())
    assert boat is not None
    assert (boat.name, boat.afloat, boat.draught, boat.berth) == ("on", False, 2.5, (10, 2))
    assert (boat.ropes[3].length, boat.from_, boat.hails) == (7, "x", (1,))
    assert report.problems == []


PLACES = {
    "a missing key stands at its mapping": ("crew: []\n", "boat.yaml:1:1: 'name' is missing"),
    "a missing key inside": ("name: a\nspare: {kind: wire}\n", "boat.yaml:2:8: spare: 'length'"),
    "an unknown key stands at the key": ("name: a\nkeel: b\n", "boat.yaml:2:1: keel: unknown key"),
    "a wrong value stands at the value": (
        "name: a\nafloat: perhaps\n",
        "boat.yaml:2:9: afloat: 'perhaps' is neither true nor false; write true or false",
    ),
    "a value that is not written stands at its key": (
        "name: a\nspare: {length: }\n",
        "boat.yaml:2:9: spare.length: ",
    ),
    "an item of a list is counted from 1": (
        "name: a\nberth: [1, 300]\n",
        "boat.yaml:2:12: berth[2]: '300' is out of range; write 0 to 127",
    ),
    "a wrong key of a mapping stands at the key": (
        "name: a\nropes: {17: {length: 1}}\n",
        "boat.yaml:2:9: ropes.17: '17' is out of range; write 1 to 16",
    ),
    "a fault below a mapping": (
        "name: a\nropes:\n  3: {length: 0}\n",
        "boat.yaml:3:15: ropes.3.length: '0' is out of range; write 1 to 100",
    ),
    "one of a few words": (
        "name: a\nspare: {length: 1, kind: wir}\n",
        "boat.yaml:2:26: spare.kind: 'wir' is none of the choices; did you mean 'wire'?",
    ),
}


@pytest.mark.parametrize(("text", "head"), PLACES.values(), ids=PLACES)
def test_a_fault_stands_where_a_person_has_to_mend_it(path: Path, text: str, head: str) -> None:
    (line,) = lines(path, text)
    assert line.startswith(head)


NEAR = {
    "a key of this part": ("name: a\ncrev: []\n", "crew"),
    "a key by the name it is written under": ("name: a\nfron: x\n", "from"),
    "a key of a part inside": ("name: a\nspare: {lenght: 1, length: 1}\n", "length"),
    "a key of a part in a mapping": ("name: a\nropes: {1: {length: 1, kin: wire}}\n", "kind"),
    "a word": ("name: a\nspare: {length: 1, kind: hmep}\n", "hemp"),
}


@pytest.mark.parametrize(("text", "word"), NEAR.values(), ids=NEAR)
def test_what_is_misspelt_gets_the_nearest_right_one(path: Path, text: str, word: str) -> None:
    (line,) = lines(path, text)
    assert line.endswith(f"; did you mean '{word}'?")


def test_all_faults_are_found_at_once(path: Path) -> None:
    text = "crew: x\nafloat: 3\ndraught: deep\nberth: [1, 2, 3]\nspare: 5\nropes: [1]\nkeel: k\n"
    places = [line.split(": ")[1] for line in lines(path, text)]
    assert places.pop(0).startswith("'name' is missing")
    assert places == ["crew", "afloat", "draught", "berth", "ropes", "spare", "keel"]


WRONG_TYPES = {
    "a list": ("crew: x", "crew: 'x' is no list; write "),
    "text": ("name: [a]", "name: this is no text; write "),
    "a whole number": (
        "spare: {length: 1.5}",
        "spare.length: '1.5' is not a length; write 1 to 100",
    ),
    "a number": ("draught: deep", "draught: 'deep' is no number; write a number such as 1.0"),
    "a mapping": ("spare: 5", "spare: '5' is no mapping; write "),
    "a mapping by channel": ("ropes: [1]", "ropes: this is no mapping; write "),
}


@pytest.mark.parametrize(("text", "what"), WRONG_TYPES.values(), ids=WRONG_TYPES)
def test_the_wrong_kind_of_value_is_named(path: Path, text: str, what: str) -> None:
    name = "" if text.startswith("name") else "name: a\n"
    (line,) = lines(path, f"{name}{text}\n")
    assert what in line


@pytest.mark.parametrize(
    ("text", "what"),
    [("[1]", "item 2 is missing; add it"), ("[1, 2, 3]", "3 values stand here; write 2")],
)
def test_a_pair_has_two_items(path: Path, text: str, what: str) -> None:
    assert lines(path, f"name: a\nberth: {text}\n") == [f"boat.yaml:2:8: berth: {what}"]


def test_a_long_value_is_cut_in_the_line(path: Path) -> None:
    (line,) = lines(path, f"name: a\ndraught: {'9' * 50}x\n")
    assert "9" * 39 + "…" in line
    assert "9" * 40 not in line


def test_a_line_break_in_a_value_makes_no_second_line(path: Path) -> None:
    """One problem is one line, whatever was written (docs/rig-file.md)."""
    text = 'name: a\nafloat: "a\\nb"\nspare: {length: "1\\n2", kind: "x\\ny"}\n"ke\\nel": b\n'
    found = lines(path, text)
    assert len(found) == 4
    assert all("\n" not in line for line in found)


def test_a_place_outside_the_tree_is_the_nearest_part_around_it(path: Path) -> None:
    root = tree(path, "tug:\n  a: [b]\n")
    assert locate(root, ("tug", "a", 0)) == (2, 7)
    assert locate(root, ("tug", "a", 5)) == (2, 6)
    assert locate(root, ("tug", "z")) == (2, 3)
    assert locate(root, ("tug", "a"), at_key=True) == (2, 3)


def test_places_are_shown_as_a_reader_follows_them() -> None:
    assert show_place(()) == ""
    assert show_place(("outputs", "tug", "chain", 1, "voices")) == "outputs.tug.chain[2].voices"


WHOLE = [
    ("7", 7), ("007", 7), (" 7 ", 7), ("+7", 7), ("-7", -7), (7, 7), ("7.0", None), ("", None),
    ("7e0", None), ("0x7", None), ("٧", None), ("1_0", None), (True, None), (None, None),
    ("9" * 9, 999_999_999), ("9" * 10, None), ("--7", None), ("+", None),
]  # fmt: skip


@pytest.mark.parametrize(("text", "number"), WHOLE, ids=[repr(case[0]) for case in WHOLE])
def test_whole_numbers_are_decimal_digits(text: object, number: int | None) -> None:
    assert as_int(text) == number


def test_a_suggestion_is_the_nearest_or_all_there_is() -> None:
    assert suggest("chian", ["chain", "port"]) == "did you mean 'chain'?"
    assert suggest("xyz", ["chain", "port"]) == "there is chain, port"
    assert suggest("xyz", []) == "there is none"
