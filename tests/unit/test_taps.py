"""Events as JSON lines: each message with its fate."""

from __future__ import annotations

import json
from typing import Any

from pointsman.live.taps import Event, lines, lost_line

NOTE, HIGH = b"\x90\x3c\x64", b"\x94\x3c\x64"
S = 10**9


def read(*events: Event) -> list[dict[str, Any]]:
    """The lines of one batch, read again."""
    texts = lines(events)
    assert all(text.endswith(b"\n") and text.count(b"\n") == 1 for text in texts)
    return [json.loads(text) for text in texts]


def test_a_message_with_its_fate() -> None:
    found = read(
        ("in", S, NOTE),
        ("did", S, "tug", "harbour.yaml:8", "channel_remap", NOTE, HIGH),
        ("out", S, "tug", HIGH),
        ("did", S, "gull", "harbour.yaml:12", "note_range", NOTE, None),
    )
    assert found == [
        {
            "t": 1.0,
            "in": "90 3C 64",
            "out": {"tug": ["94 3C 64"], "gull": []},
            "did": [
                {
                    "output": "tug",
                    "entry": "harbour.yaml:8 channel_remap",
                    "took": "90 3C 64",
                    "made": ["94 3C 64"],
                },
                {
                    "output": "gull",
                    "entry": "harbour.yaml:12 note_range",
                    "took": "90 3C 64",
                    "made": [],
                },
            ],
        }
    ]


def test_what_the_inputs_chain_did_belongs_to_no_output() -> None:
    (line,) = read(("in", 0, NOTE), ("did", 0, None, "a.yaml:3", "x", NOTE, [NOTE, HIGH]))
    assert line["out"] == {}
    assert line["did"][0]["output"] is None
    assert line["did"][0]["made"] == ["90 3C 64", "94 3C 64"]


def test_what_was_due_before_a_message_stands_before_it() -> None:
    found = read(
        ("in", 3 * S, NOTE),
        ("out", 1 * S, "tug", b"\xb0\x4a\x01"),
        ("out", 1 * S, "gull", b"\xb0\x4a\x02"),
        ("did", 2 * S, "tug", "a.yaml:1", "lfo", None, [b"\xb0\x4a\x03"]),
        ("out", 2 * S, "tug", b"\xb0\x4a\x03"),
        ("out", 3 * S, "tug", NOTE),
        ("out", 4 * S, "tug", b"\xb0\x4a\x04"),
        ("in", 5 * S, b"\xf8"),
    )
    assert [(line["t"], line.get("in"), line.get("due")) for line in found] == [
        (1.0, None, True), (2.0, None, True), (3.0, "90 3C 64", None), (4.0, None, True),
        (5.0, "F8", None),
    ]  # fmt: skip
    assert found[0]["out"] == {"tug": ["B0 4A 01"], "gull": ["B0 4A 02"]}
    assert found[1]["did"][0]["took"] is None
    assert found[2]["out"] == {"tug": ["90 3C 64"]}


def test_what_is_due_without_any_message() -> None:
    assert [line["t"] for line in read(("out", 1, "a", NOTE), ("out", 1500, "a", NOTE))] == [
        0.0, 0.000002,
    ]  # fmt: skip


def test_a_message_that_nobody_wants() -> None:
    assert read(("in", 0, b"\xf4")) == [{"t": 0.0, "in": "F4", "out": {}, "did": []}]


def test_what_was_lost() -> None:
    found = read(("in", S, NOTE), ("lost", 7), ("out", S, "tug", NOTE))
    assert found[1] == {"lost": 7}
    assert found[2]["due"] is True
    assert lost_line(3) == b'{"lost": 3}\n'
