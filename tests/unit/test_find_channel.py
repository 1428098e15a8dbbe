"""find-channel as a player meets it, in virtual time: what is heard, asked and concluded."""

from __future__ import annotations

import random

import pytest

from pointsman.probing.identity import REQUEST, Identity, read_reply
from pointsman.probing.search import By, Kind, Plan, search
from pointsman.probing.walking import REACTION_NS
from probe_kit import MS, Synth, World, sounding

ALL = frozenset(range(1, 17))
BY_EAR = Plan(has_person=True)
BY_MIDI = Plan(has_input=True, has_person=False)
BY_METER = Plan(has_meter=True, has_person=False)


def quiet(world: World) -> bool:
    return not sounding(world.sent)


# ---- by ear --------------------------------------------------------------------------------------


@pytest.mark.parametrize("channel", range(1, 17))
@pytest.mark.parametrize("reacts_ms", [150, 300, 900, 1250, 1480])
def test_a_person_of_any_quickness_finds_the_one_channel(channel: int, reacts_ms: int) -> None:
    world = World(Synth(frozenset({channel})), reacts_ns=reacts_ms * MS)
    if reacts_ms * MS < REACTION_NS and channel == 1:
        return  # nobody is that quick, and there is no channel before the first
    found = world.perform(search(BY_EAR))
    assert (found.channels, found.kind, found.by) == ((channel,), Kind.ONE, By.EAR)
    assert quiet(world)
    if reacts_ms in (300, 900, 1480):  # the first guess is right, and one that should be silent
        assert len(world.asked) == 2


def test_what_was_heard_is_played_alone_and_then_one_that_should_be_silent() -> None:
    world = World(Synth(frozenset({5})))
    world.perform(search(BY_EAR))
    assert world.asked == ["Did you hear it on channel 5", "Did you hear it on channel 9"]


def test_omni_is_told_from_several_channels() -> None:
    for hears, kind in ((ALL, Kind.ALL), (frozenset({3, 7, 8}), Kind.SEVERAL)):
        world = World(Synth(hears))
        found = world.perform(search(BY_EAR))
        assert (found.kind, frozenset(found.channels)) == (kind, hears)


def test_omni_is_found_even_if_only_the_first_note_got_a_key() -> None:
    world = World(Synth(ALL), reacts_ns=None, typed=lambda play: [(1300 * MS, "")])
    found = world.perform(search(BY_EAR))
    assert found.kind is Kind.ALL


def test_no_sound_is_tried_again_an_octave_away_and_then_believed() -> None:
    world = World(Synth(), answers=[True])
    found = world.perform(search(BY_EAR))
    assert (found.kind, found.channels) == (Kind.NONE, ())
    assert {data[1] for _, data in world.sent} == {60, 72}
    assert world.asked == ["Nothing heard. Once more, an octave away"]


def test_a_synth_that_lacks_the_first_note_is_found_with_the_second() -> None:
    world = World(Synth(frozenset({9}), deaf_to_notes=frozenset({60})), answers=[True])
    assert world.perform(search(BY_EAR)).channels == (9,)


def test_a_key_that_nobody_meant_is_not_believed() -> None:
    """Enter at channel 4, but nothing was heard there nor beside it when it was played alone."""
    world = World(Synth(), reacts_ns=None, typed=lambda play: [(5300 * MS, "")])
    found = world.perform(search(BY_EAR))
    assert found.kind is Kind.NONE
    assert [question[-1] for question in world.asked] == ["4", "3", "5"]


def test_only_the_channels_asked_for_are_tried_and_never_louder() -> None:
    world = World(Synth(frozenset({2})))
    found = world.perform(search(Plan(channels=(2, 10), velocity=7)))
    assert (found.channels, found.tried) == ((2,), (2, 10))
    notes = [data for _, data in world.sent if data[0] & 0xF0 == 0x90]
    assert {(data[0] & 15) + 1 for data in notes} == {2, 10}
    assert {data[2] for data in notes} == {7}


# ---- the synth answers by itself -----------------------------------------------------------------


@pytest.mark.parametrize(("channel", "sends_on"), [(5, 5), (5, 1), (1, 16), (16, 16)])
def test_a_synth_that_sends_what_it_plays_is_found_by_itself(channel: int, sends_on: int) -> None:
    world = World(Synth(frozenset({channel}), sends_on=sends_on))
    found = world.perform(search(BY_MIDI))
    assert (found.channels, found.by) == ((channel,), By.MIDI)
    assert found.sends_on == (sends_on,)
    assert not world.asked
    assert quiet(world)


def test_omni_is_what_answers_on_one_channel_whatever_it_is_played_on() -> None:
    found = World(Synth(ALL, sends_on=3)).perform(search(BY_MIDI))
    assert (found.kind, found.sends_on, found.loops) == (Kind.ALL, (3,), False)


def test_what_comes_back_as_it_was_sent_is_a_loop_and_decides_nothing() -> None:
    world = World(Synth(frozenset({6}), loops=True))
    found = world.perform(search(Plan(has_input=True, has_person=True)))
    assert (found.loops, found.channels, found.by) == (True, (6,), By.EAR)


def test_somebody_who_plays_on_the_synth_meanwhile_is_no_answer() -> None:
    """A note comes in once, while channel 3 has its turn, and not when that is tried again."""
    world = World(Synth())
    times = iter([[], [(1000 * MS, b"\x90\x3c\x50")], []])
    answer = world._play

    def play(step: object) -> object:
        from dataclasses import replace

        return replace(answer(step), heard=tuple(next(times)))  # type: ignore[arg-type]

    world._play = play  # type: ignore[method-assign, assignment]
    assert world.perform(search(BY_MIDI)).kind is Kind.NONE


def test_who_does_not_send_what_it_plays_is_left_to_the_person() -> None:
    world = World(Synth(frozenset({11})))
    found = world.perform(search(Plan(has_input=True, has_person=True)))
    assert (found.channels, found.by) == ((11,), By.EAR)
    assert world.sent[0][1] == REQUEST


# ---- who it is -----------------------------------------------------------------------------------

SHORT = bytes.fromhex("F0 7E 04 06 02 7D 01 02 03 04 05 06 07 08 F7")
LONG = bytes.fromhex("F0 7E 10 06 02 00 20 7F 7F 7F 00 01 00 00 00 01 F7")


def test_the_request_is_the_published_one() -> None:
    """MIDI 1.0, 4.2.1, p. 40: F0 7E <device ID> 06 01 F7, and device 7F means all."""
    assert REQUEST == b"\xf0\x7e\x7f\x06\x01\xf7"


def test_replies_are_read_as_published() -> None:
    """MIDI 1.0, 4.2.1, p. 40: 15 bytes, or 17 where the maker begins with 00; low halves first."""
    assert (len(SHORT), len(LONG)) == (15, 17)
    assert read_reply(SHORT) == Identity(4, b"\x7d", 1 | 2 << 7, 3 | 4 << 7, b"\x05\x06\x07\x08")
    assert read_reply(LONG) == Identity(16, b"\x00\x20\x7f", 16383, 128, b"\x00\x00\x00\x01")


@pytest.mark.parametrize(
    "data",
    [b"", b"\xf0", REQUEST, SHORT[:-2] + b"\xf7", LONG[:-1] + b"\x01\xf7", SHORT[:-1],
     SHORT[:4] + b"\x03" + SHORT[5:], b"\xf0\x7f" + SHORT[2:], SHORT[:9] + b"\x80" + SHORT[10:]],
    ids=lambda data: data.hex() or "nothing",
)  # fmt: skip
def test_what_is_no_whole_reply_is_none(data: bytes) -> None:
    assert read_reply(data) is None


def test_random_bytes_never_crash_the_reader() -> None:
    draw = random.Random(7)
    for _ in range(3000):
        data = SHORT[: draw.randrange(17)] + draw.randbytes(draw.randrange(14))
        found = read_reply(data)
        assert found is None or len(data) in (15, 17)


def test_who_answers_is_shown_by_numbers_and_kept() -> None:
    world = World(Synth(frozenset({5}), sends_on=5, reply=LONG))
    found = world.perform(search(BY_MIDI))
    assert found.identities == (read_reply(LONG),)
    line = "It answers: maker 00 20 7F, family 16383, member 128, version 00 00 00 01, device"
    assert any(said.startswith(line) for said in world.said)


# ---- a meter -------------------------------------------------------------------------------------


def wandering(t_ns: int) -> float:
    """Decibels of a quiet room: between -62 and -58."""
    return -60 + 2 * random.Random(t_ns).uniform(-1, 1)


@pytest.mark.parametrize("release_ms", [50, 500, 4000])
@pytest.mark.parametrize("channel", [1, 5, 16])
def test_a_meter_finds_the_channel_however_long_the_sound_takes_to_die(
    channel: int, release_ms: int
) -> None:
    synth = Synth(frozenset({channel}))
    world = World(synth, None, noise=wandering, release_ns=release_ms * MS)
    found = world.perform(search(BY_METER))
    assert (found.channels, found.by) == ((channel,), By.METER)


def test_a_meter_that_hears_only_the_room_finds_nothing() -> None:
    world = World(Synth(), None, noise=wandering)
    assert world.perform(search(BY_METER)).kind is Kind.NONE


def test_a_meter_tells_omni_and_digital_silence() -> None:
    world = World(Synth(ALL), None, noise=lambda t: -200.0)
    assert world.perform(search(BY_METER)).kind is Kind.ALL
    world = World(Synth(), None, noise=lambda t: 0.0)
    assert world.perform(search(BY_METER)).kind is Kind.NONE
