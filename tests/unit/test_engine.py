"""The engine around its rules: time, openings, delays, safety, what it loads."""

from __future__ import annotations

import subprocess
import sys

import pytest
from engine_kit import MS, Desk, entry, lines, output, rig

from pointsman.rig import Safety

OPENING = (b"\xc4\x0b", b"\xb4\x4a\x40")


def test_the_core_loads_neither_rtmidi_nor_mido_nor_the_log() -> None:
    code = (
        "import sys, pointsman.engine; "
        "print({name.partition('.')[0] for name in sys.modules} & {'rtmidi', 'mido', 'structlog'})"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout == "set()\n"


def test_every_output_gets_what_comes_in() -> None:
    assert Desk(rig(output("tug"), output("gull"))).hear("5 90 3C 64\n7 80 3C 40") == lines(
        """
        tug 5 90 3C 64
        gull 5 90 3C 64
        tug 7 80 3C 40
        gull 7 80 3C 40
        """
    )


def test_the_inputs_chain_comes_before_the_split() -> None:
    remap = entry("channel_remap", map={1: 2})
    played = rig(output("tug"), output("gull", remap), input_chain=(remap,))
    assert Desk(played).hear("5 C0 01") == ["tug 5 C1 01", "gull 5 C1 01"]


def test_time_may_stand_still_and_never_goes_down() -> None:
    desk = Desk(rig(output("tug")))
    assert desk.hear("5 F8\n5 F8") == ["tug 5 F8", "tug 5 F8"]
    for call in (desk.advance, desk.close):
        with pytest.raises(
            ValueError, match=r"^time goes down: 4000000 ns comes after 5000000 ns$"
        ):
            call(4)
    with pytest.raises(ValueError, match="time goes down"):
        desk.hear("4.9 F8")
    assert desk.hear("5 F8") == ["tug 5 F8"], "the engine works on"


def test_nothing_is_taken_after_the_end_and_a_second_end_is_harmless() -> None:
    desk = Desk(rig(output("tug"), safety=Safety()))
    desk.hear("0 90 3C 64")
    assert desk.close(5) == ["tug 5 80 3C 40"]
    assert desk.close(9) == []
    with pytest.raises(RuntimeError, match="the engine is closed"):
        desk.hear("10 F8")
    with pytest.raises(RuntimeError, match="the engine is closed"):
        desk.advance(10)


@pytest.mark.parametrize("text", ["", "90 3C", "90 3C 80", "3C 40", "F4", "F9", "F0 7D", "F8 F8"])
def test_what_is_no_message_is_counted_and_dropped(text: str) -> None:
    desk = Desk(rig(output("tug")))
    desk.engine.receive(bytes.fromhex(text), 5 * MS)
    assert desk.lines == []
    assert (desk.engine.malformed, desk.engine.received) == (1, 0)


def test_messages_are_counted_in_and_out() -> None:
    desk = Desk(rig(output("tug", entry("message_filter", drop=["control"]))))
    desk.hear("0 90 3C 64\n1 90 40 64\n2 B0 07 01\n3 80 3C 40\n4 FF")
    tug = desk.engine.outputs["tug"]
    assert desk.engine.received == 5
    assert (tug.received, tug.sent, tug.notes, tug.most_voices) == (4, 3, 2, 2)


# ---- opening -------------------------------------------------------------------------------------


@pytest.mark.parametrize("first", ["receive", "advance", "start", "close"])
def test_the_opening_goes_out_once_before_everything_else(first: str) -> None:
    remap = entry("channel_remap", map={5: 1})
    desk = Desk(rig(output("tug", remap, opening=OPENING), output("gull")))
    if first == "start":
        desk.engine.start(2 * MS)
    if first == "advance":
        desk.advance(2)
    if first == "close":
        desk.close(2)
    else:
        desk.hear("2 F8")
    rest = ["tug 2 F8", "gull 2 F8"] * (first != "close")
    assert desk.lines == ["tug 2 C4 0B", "tug 2 B4 4A 40", *rest], "the chain leaves it as written"


def test_a_port_that_comes_back_gets_its_opening_again() -> None:
    desk = Desk(rig(output("tug", opening=OPENING), output("gull")))
    desk.hear("0 F8")
    before = len(desk.lines)
    desk.engine.open_output("tug", 9 * MS)
    assert desk.lines[before:] == ["tug 9 C4 0B", "tug 9 B4 4A 40"]


# ---- delay ---------------------------------------------------------------------------------------


def test_a_delay_holds_every_message_of_its_output_by_as_much() -> None:
    desk = Desk(rig(output("tug", delay_ns=10 * MS), output("gull")))
    desk.hear("0 90 3C 64\n4 80 3C 40\n10 F8\n12 F8")
    assert desk.engine.next_due_ns == 14 * MS
    desk.advance(100)
    assert desk.lines == lines(
        """
        gull 0 90 3C 64
        gull 4 80 3C 40
        tug 10 90 3C 64
        gull 10 F8
        gull 12 F8
        tug 14 80 3C 40
        tug 20 F8
        tug 22 F8
        """
    )
    assert desk.engine.next_due_ns is None


def test_an_end_sends_at_once_what_a_delay_still_held_and_the_release_after_it() -> None:
    desk = Desk(rig(output("tug", delay_ns=10 * MS), safety=Safety()))
    desk.hear("0 90 3C 64\n8 90 40 64")
    assert desk.close(9) == ["tug 9 90 3C 64", "tug 9 90 40 64", "tug 9 80 3C 40", "tug 9 80 40 40"]


# ---- release -------------------------------------------------------------------------------------

RESET = entry("cc_reset", controls={74: 64}, when=["note_off"])


@pytest.mark.parametrize(
    ("safety", "released"),
    [
        (Safety(), ["tug 9 80 40 40", "tug 9 80 3C 40", "tug 9 B0 4A 40"]),
        (Safety(on_exit=False), []),
    ],
)
def test_the_release_ends_the_oldest_note_first_and_then_puts_controls_home(
    safety: Safety, released: list[str]
) -> None:
    desk = Desk(rig(output("tug", RESET), safety=safety))
    desk.hear("0 90 40 64\n1 90 3C 64\n2 B0 4A 7F")
    assert desk.close(9) == released


def test_a_release_ends_a_key_struck_twice_twice() -> None:
    desk = Desk(rig(output("tug"), safety=Safety()))
    desk.hear("0 90 3C 64\n1 90 3C 64")
    assert desk.close(2) == ["tug 2 80 3C 40", "tug 2 80 3C 40"]


@pytest.mark.parametrize("mode", ["B0 78 00", "B0 7B 00"])
def test_what_all_notes_off_has_ended_a_release_need_not_end(mode: str) -> None:
    desk = Desk(rig(output("tug"), safety=Safety()))
    desk.hear(f"0 90 3C 64\n0 91 3C 64\n1 {mode}")
    assert desk.close(2) == ["tug 2 81 3C 40"]


def test_what_the_inputs_chain_puts_home_goes_through_every_output() -> None:
    remap = entry("channel_remap", map={1: 3})
    desk = Desk(rig(output("tug"), output("gull", remap), input_chain=(RESET,), safety=Safety()))
    desk.hear("0 B0 4A 7F")
    assert desk.close(9) == ["tug 9 B0 4A 40", "gull 9 B2 4A 40"]


@pytest.mark.parametrize(
    ("release", "sent"),
    [
        (True, ["tug 9 80 3C 40", "tug 9 B0 4A 40", "tug 9 FC"]),
        (False, ["tug 9 FC"]),
    ],
)
def test_stop_releases_just_before_it_if_the_rig_says_so(release: bool, sent: list[str]) -> None:
    safety = Safety(on_exit=False, on_transport_stop=release)
    desk = Desk(rig(output("tug", RESET), safety=safety))
    desk.hear("0 FA\n1 90 3C 64\n2 B0 4A 7F")
    assert desk.hear("9 FC") == sent


def test_stop_releases_even_where_it_is_not_passed_on() -> None:
    safety = Safety(on_exit=False, on_transport_stop=True)
    desk = Desk(rig(output("tug", entry("clock_filter", transport="drop")), safety=safety))
    assert desk.hear("0 90 3C 64\n9 FC") == ["tug 0 90 3C 64", "tug 9 80 3C 40"]


# ---- the longest note ----------------------------------------------------------------------------

# name: input, what else is sent by then
LONG = {
    "a note that lasts too long is ended": ("0 90 3C 64", ["tug 50 80 3C 40"]),
    "one that ended is left alone": ("0 90 3C 64\n10 80 3C 40", []),
    "each note has its own time": (
        "0 90 3C 64\n20 90 40 64",
        ["tug 50 80 3C 40", "tug 70 80 40 40"],
    ),
    "struck again, it has its time anew": (
        "0 90 3C 64\n20 90 3C 64",
        ["tug 70 80 3C 40", "tug 70 80 3C 40"],
    ),
    "the same key later is another note": (
        "0 90 3C 64\n10 80 3C 40\n40 90 3C 64",
        ["tug 90 80 3C 40"],
    ),
    "the input's own note-off still passes": (
        "0 90 3C 64\n60 80 3C 40",
        ["tug 50 80 3C 40"],
    ),
}


@pytest.mark.parametrize(("log", "ended"), LONG.values(), ids=LONG)
def test_no_note_lasts_longer_than_the_rig_allows(log: str, ended: list[str]) -> None:
    desk = Desk(rig(output("tug"), safety=Safety(on_exit=False, longest_note_ns=50 * MS)))
    desk.hear(log)
    desk.advance(1000)
    passed = [f"tug {line}" for line in log.splitlines()]
    assert sorted(desk.lines) == sorted(passed + ended)


def test_an_end_does_not_wait_for_the_longest_note_when_all_have_ended() -> None:
    desk = Desk(rig(output("tug"), safety=Safety(longest_note_ns=50 * MS)))
    desk.hear("0 90 3C 64\n10 80 3C 40")
    assert desk.engine.idle
    assert desk.engine.next_due_ns is None
