"""sweep: what is sent, what is put back, and how a control gets its name."""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pointsman.control_refs import ControlRef
from pointsman.controls import LAST_CONTROL
from pointsman.device import Device
from pointsman.errors import UsageError
from pointsman.live.memory import Memory
from pointsman.probing.choosing import choose
from pointsman.probing.homes import GUESS, Home, home_of
from pointsman.probing.moving import LOUD, SKIPPED, STEP_NS, Move, SweepPlan, sweep, values
from pointsman.probing.naming import NoName, read_name
from probe_kit import MS, Synth, World, sounding

FAST = SweepPlan((), 0, round_ns=1000 * MS, times=1, has_person=False)


def asked(**more: Any) -> argparse.Namespace:
    nothing = {"control": None, "controls": None, "nrpn": None, "name": None}
    return argparse.Namespace(**{**nothing, "range": None, "home": None, **more})


def moves(device: Device | None = None, last: int | None = None, **more: Any) -> tuple[Move, ...]:
    return choose(asked(**more), device, lambda number: last)[0]


def swept(chosen: tuple[Move, ...], channel: int = 0) -> World:
    world = World(Synth())
    world.perform(sweep(replace(FAST, moves=chosen, channel=channel)))
    return world


TUG = Device(
    "Tug",
    channel=5,
    controls={
        "cutoff": ControlRef("cutoff", cc=74, home=30, range=(20, 100)),
        "swell": ControlRef("swell", cc=20, fine=52, home=8192),
        "detune": ControlRef("detune", parameter=(False, 1, 8), home=3),
        "level": ControlRef("level", cc=7, home=90),
        "shape": ControlRef("shape", sysex=(b"\xf0\x7d\x10", b"\xf7"), home=1),
    },
)


# ---- the way of a value --------------------------------------------------------------------------


@given(
    st.lists(st.integers(0, 16383), min_size=2, max_size=5), st.integers(100, 9000).map(MS.__mul__)
)
def test_a_way_is_slow_and_goes_where_it_says(way: list[int], length_ns: int) -> None:
    found = values(way, length_ns)
    times = [t_ns for t_ns, _ in found]
    assert (found[0], found[-1][1]) == ((0, way[0]), way[-1])
    assert times == sorted(times)
    assert times[-1] <= length_ns
    assert {min(way), max(way)} <= {value for _, value in found}
    assert all(min(way) <= value <= max(way) for _, value in found)
    assert len(found) <= length_ns / STEP_NS + len(way)


@given(st.integers(0, 127), st.tuples(st.integers(0, 127), st.integers(0, 127)))
def test_a_control_begins_and_ends_at_home(home: int, span: tuple[int, int]) -> None:
    way = Move(ControlRef("", cc=74), min(span), max(span), Home(home, "")).way()
    assert (way[0], way[-1]) == (home, home)


@pytest.mark.parametrize("number", sorted(LOUD))
@given(home=st.integers(0, 127), low=st.integers(0, 127), high=st.integers(0, 127))
def test_what_is_loud_begins_low_and_never_goes_above_home(
    number: int, home: int, low: int, high: int
) -> None:
    low, high = sorted((low, high))
    way = Move(ControlRef("", cc=number), low, high, Home(home, "")).way()
    assert max(way) == way[-1] == home
    assert way[0] == min(way)


# ---- what is sent --------------------------------------------------------------------------------


def test_every_control_ends_at_home_and_no_note_is_left() -> None:
    """A memory of what was sent, written for another purpose, knows each control's last value."""
    chosen = moves(controls=range(LAST_CONTROL + 1))
    world = swept(chosen, channel=4)
    memory = Memory()
    for _, data in world.sent:
        memory.note(data)
    assert len(chosen) == LAST_CONTROL + 1 - len(SKIPPED)
    for move in chosen:
        assert move.ref.cc is not None
        assert memory.value(4, move.ref.cc) == move.home.value
    assert not sounding(world.sent)
    assert not world.undo.messages()


def test_what_hurts_is_never_sent() -> None:
    """No mode message (120-127), bank select, data entry or parameter number by itself."""
    world = swept(moves(controls=range(LAST_CONTROL + 1)))
    numbers = {data[1] for _, data in world.sent if data[0] & 0xF0 == 0xB0}
    assert numbers == set(range(120)) - {0, 32, 6, 38, 96, 97, 98, 99, 100, 101}
    assert {data[0] & 0xF0 for _, data in world.sent} == {0x80, 0x90, 0xB0}


def test_a_value_is_there_before_the_note_that_shows_it() -> None:
    world = swept(moves(control="7"))
    assert [data for _, data in world.sent[:2]] == [b"\xb0\x07\x00", b"\x90\x3c\x28"]


def test_an_nrpn_is_selected_each_time_and_none_is_left_selected() -> None:
    """MIDI 1.0, 4.2.1, pp. 17, 18: 99 and 98, then data entry; 127/127 selects nothing."""
    world = swept(moves(TUG, nrpn=((1, 8),)))
    sent = [data[1:] for _, data in world.sent if data[0] == 0xB0]
    assert sent[:3] == [b"\x63\x01", b"\x62\x08", b"\x06\x03"]
    assert sent[-5:] == [b"\x63\x01", b"\x62\x08", b"\x06\x03", b"\x63\x7f", b"\x62\x7f"]
    assert {data for data in sent if data[0] in (98, 99)} == {
        b"\x63\x01", b"\x62\x08", b"\x63\x7f", b"\x62\x7f",
    }  # fmt: skip


@pytest.mark.parametrize("name", TUG.controls)
def test_every_way_of_reaching_a_control_is_swept_in_its_range(name: str) -> None:
    (move,) = moves(TUG, name=name)
    assert move.home == Home(TUG.controls[name].home or 0, "the device file")
    world = swept((move,))
    back = tuple(data for _, data in world.sent[-len(move.back(0)) :])
    assert back == move.back(0)
    if name == "cutoff":
        seen = {data[2] for _, data in world.sent if data[0] == 0xB0}
        assert (min(seen), max(seen)) == (20, 100)


# ---- what is chosen ------------------------------------------------------------------------------


def test_a_number_that_the_device_knows_has_its_name_range_and_home() -> None:
    (move,) = moves(TUG, control="74")
    assert (move.known_as, move.low, move.high, move.home.value) == ("cutoff", 20, 100, 30)
    assert move.shown == "control 74 (cutoff)"


def test_a_range_leaves_out_what_cannot_be_put_back_and_says_so() -> None:
    chosen, left_out = choose(asked(controls=range(8)), None, lambda number: None)
    assert [move.ref.cc for move in chosen] == [1, 2, 3, 4, 5, 7]
    assert [line.split(",")[0] for line in left_out] == [
        "left out: control 0", "left out: control 6",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("what", "why"),
    [
        ({"control": "122"}, "a channel mode message, which sweep never sends"),
        ({"control": "128"}, "no control; write 0 to 119"),
        ({"control": "6"}, "it edits a parameter that nobody knows; name it with --nrpn"),
        ({"name": "cutof"}, "did you mean 'cutoff'"),
        ({"control": "74", "range": (0, 128)}, "--range: 128 is too much"),
        ({"control": "74", "home": 200}, "--home: 200 is too much"),
    ],
    ids=str,
)
def test_what_cannot_be_swept_is_told(what: dict[str, Any], why: str) -> None:
    with pytest.raises(UsageError, match=why):
        moves(TUG, **what)


# ---- homes ---------------------------------------------------------------------------------------


def test_who_knows_best_says_where_home_is() -> None:
    known, unknown = ControlRef("", cc=7, home=90), ControlRef("", cc=7)
    assert home_of(known, told=5, last=6) == Home(5, "as you say")
    assert home_of(known, last=6) == Home(90, "the device file")
    assert home_of(unknown, last=6) == Home(6, "what the service sent last")
    assert home_of(unknown) == Home(100, "General MIDI")
    assert home_of(ControlRef("", cc=20)) == Home(0, GUESS)


def test_published_defaults() -> None:
    """RP-015 resets 1, 64-67 to 0 and 11 to 127; MIDI 1.0 p. 13: 64 is the centre of 8 and 10."""
    zero = {number: home_of(ControlRef("", cc=number)) for number in (1, 64, 65, 66, 67)}
    assert {home.value for home in zero.values()} == {0}
    assert {home.why for home in zero.values()} == {"RP-015"}
    assert home_of(ControlRef("", cc=11)) == Home(127, "RP-015")
    assert [home_of(ControlRef("", cc=number)).value for number in (8, 10)] == [64, 64]
    assert home_of(ControlRef("", cc=10, fine=42)).value == 8192
    assert home_of(ControlRef("", parameter=(True, 0, 2))).value == 64
    assert home_of(ControlRef("", parameter=(False, 0, 2))).is_guess


# ---- names ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "name", "about"),
    [
        ("cutoff", "cutoff", ""),
        (" Filter Cut-off , the low-pass, mostly ", "filter_cut_off", "the low-pass, mostly"),
        ("lfo2", "lfo2", ""),
    ],
)
def test_a_name_is_made_what_device_files_have(line: str, name: str, about: str) -> None:
    assert read_name(line) == (name, about)


@pytest.mark.parametrize("line", ["74", "n", "yes", "größe", "a" * 41, ",about", "x: y", "\x1b[A"])
def test_what_is_no_name_is_told(line: str) -> None:
    with pytest.raises(NoName, match="is no name; write letters"):
        read_name(line)


def typing(lines: list[str]) -> World:
    """A person who types one line in each round, 400 ms into it."""
    rest = iter(lines)
    world = World(Synth(), reacts_ns=None)
    world.typed = lambda play: [(400 * MS, next(rest))] if play.until_line else []
    return world


def by_hand(world: World, *numbers: int, device: Device | None = None) -> int:
    plan = replace(FAST, moves=moves(device, controls=numbers), has_person=True, times=None)
    return world.perform(sweep(plan))


def said_to(world: World, word: str) -> list[str]:
    return [line for line in world.said if word in line]


def test_names_go_to_the_control_that_is_moving_and_on_it_goes() -> None:
    world = typing(["wobble", "", "growl, from the deep", "."])
    assert by_hand(world, 70, 71, 72, 73) == 2
    assert [(save.control.ref.cc, save.name, save.about) for save in world.saved] == [
        (70, "wobble", ""), (72, "growl", "from the deep"),
    ]  # fmt: skip
    assert len(said_to(world, "back to")) == 4
    assert not sounding(world.sent)


def test_a_minus_goes_back_and_a_wrong_name_stays_where_it_is() -> None:
    world = typing(["-", "", "-", "7", "wobble", "."])
    by_hand(world, 70, 71)
    assert [line.split(":")[0] for line in said_to(world, "/2")] == [
        "1/2 control 70 (sound_variation)", "1/2 control 70 (sound_variation)",
        "2/2 control 71 (timbre)", "1/2 control 70 (sound_variation)", "2/2 control 71 (timbre)",
    ]  # fmt: skip
    assert [save.control.ref.cc for save in world.saved] == [70]
    assert said_to(world, "'7' is no name")


def test_what_has_a_name_already_keeps_it() -> None:
    world = typing(["sharp", "."])
    assert by_hand(world, 74, device=TUG) == 0
    assert said_to(world, "it is 'cutoff' in the file already")
    assert not world.saved
