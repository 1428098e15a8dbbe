"""Changing to another rig while it plays: reload, songs, panic, bypass, a lost input.

The rules are CONTRACT.md's rule 1 and what docs/songs.md and docs/on-stage.md promise.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from engine_kit import MS, Desk, entry, lines, output, rig

from pointsman.device import Device
from pointsman.plugin import Emission, Plugin, PluginOptions, stateless
from pointsman.rig import EntrySpec, OutputSpec, Press, Rig, Safety, Songs

REMAP = entry("channel_remap", map={1: 5})
RESET = entry("cc_reset", controls={74: 64})
PROGRAM = (b"\xc4\x02",)


def change(desk: Desk, new: Rig, t_ms: float) -> list[str]:
    """Reload; returns what was sent because of it."""
    before = len(desk.lines)
    desk.engine.change(desk.engine.prepare(new), round(t_ms * MS))
    return desk.lines[before:]


def tug(*chain: EntrySpec, **more: object) -> Rig:
    return rig(output("tug", *chain, **more))


# ---- reload --------------------------------------------------------------------------------------


def test_a_note_that_sounds_ends_where_it_began_whatever_the_new_rig_says() -> None:
    desk = Desk(tug(REMAP))
    desk.hear("0 90 3C 64")
    assert change(desk, tug(entry("channel_remap", map={1: 9})), 1) == []
    assert desk.hear("2 80 3C 40\n3 90 3C 64") == lines("tug 2 84 3C 40\ntug 3 98 3C 64")


def test_a_chain_that_goes_away_leaves_no_note() -> None:
    desk = Desk(tug(entry("transpose", semitones=12)))
    desk.hear("0 90 3C 64")
    change(desk, tug(), 1)
    assert desk.hear("2 80 3C 40") == lines("tug 2 80 48 40")


def test_an_entry_that_has_not_changed_keeps_what_it_has_in_mind() -> None:
    desk = Desk(tug(RESET, REMAP))
    desk.hear("0 B0 4A 7F\n1 90 3C 64")
    assert change(desk, tug(RESET, entry("channel_remap", map={1: 5, 2: 6})), 2) == []
    assert desk.hear("500 90 40 64") == lines("tug 500 B4 4A 40\ntug 500 94 40 64")


def test_an_entry_keeps_it_under_another_label_and_in_another_place() -> None:
    desk = Desk(tug(RESET, REMAP))
    desk.hear("0 B0 4A 7F\n1 90 3C 64")
    change(desk, tug(REMAP, replace(RESET, label="home again", line=99)), 2)
    [_, second] = desk.engine.outputs["tug"].chain.entries
    assert (second.label, second.line) == ("home again", 99)


def test_an_entry_that_goes_away_puts_back_what_it_holds() -> None:
    desk = Desk(tug(RESET, REMAP))
    desk.hear("0 B0 4A 7F\n1 90 3C 64")
    assert change(desk, tug(REMAP), 2) == lines("tug 2 B4 4A 40")


def test_a_home_that_changed_in_the_device_file_counts_as_a_change() -> None:
    def with_home(home: int) -> Rig:
        from pointsman.control_refs import ControlRef

        control = ControlRef("cutoff", cc=74, home=home)
        device = Device("Tug", 1, controls={"cutoff": control})
        return rig(OutputSpec("tug", "null:", (RESET,), device))

    desk = Desk(with_home(64))
    desk.hear("0 B0 4A 7F\n1 90 3C 64")
    assert change(desk, with_home(20), 2) == lines("tug 2 B0 4A 40")


def test_counts_go_on_where_an_entry_does() -> None:
    desk = Desk(tug(REMAP))
    desk.hear("0 B0 4A 7F\n1 B0 4A 7F")
    change(desk, tug(REMAP, RESET), 2)
    desk.hear("3 B0 4A 7F")
    assert desk.engine.outputs["tug"].chain.entries[0].changed == 3
    assert desk.engine.outputs["tug"].sent == 3


def test_timers_of_an_entry_that_is_gone_do_nothing() -> None:
    desk = Desk(tug(entry("lfo", control=1, channel=1, rate="1Hz", depth=20, center=64)))
    desk.hear("0 F8")
    change(desk, tug(), 100)
    assert desk.advance(2000) == []


def test_an_lfo_that_has_not_changed_goes_on_in_its_wave() -> None:
    wave = entry("lfo", control=1, channel=1, rate="1Hz", depth=60, center=64)
    alone, changed = Desk(tug(wave)), Desk(tug(wave))
    for desk in (alone, changed):
        desk.hear("0 F8")
    change(changed, tug(wave, REMAP), 333)
    assert changed.advance(1000)[-1].split()[:2] == alone.advance(1000)[-1].split()[:2]
    assert [line.split()[-1] for line in changed.lines if " 0 " not in line] == [
        line.split()[-1] for line in alone.lines if " 0 " not in line
    ]


def test_an_output_that_goes_away_is_released_and_one_that_comes_is_opened() -> None:
    desk = Desk(tug(REMAP))
    desk.hear("0 90 3C 64")
    new = rig(output("gull", opening=PROGRAM))
    assert change(desk, new, 1) == lines("tug 1 84 3C 40\ngull 1 C4 02")
    assert desk.hear("2 80 3C 40") == lines("gull 2 80 3C 40")


def test_an_output_on_another_port_is_another_synth() -> None:
    desk = Desk(tug(RESET))
    desk.hear("0 90 3C 64\n1 B0 4A 7F")
    moved = rig(OutputSpec("tug", "file:b.tsv", (RESET,), opening=PROGRAM))
    assert change(desk, moved, 2) == lines("tug 2 80 3C 40\ntug 2 B0 4A 40\ntug 2 C4 02")


def test_an_opening_is_sent_again_only_if_it_is_new() -> None:
    desk = Desk(tug(opening=PROGRAM))
    desk.hear("0 F8")
    assert change(desk, tug(REMAP, opening=PROGRAM), 1) == []
    assert change(desk, tug(REMAP, opening=(b"\xc4\x03",)), 2) == lines("tug 2 C4 03")


def test_another_input_will_not_let_go_of_what_the_old_one_held() -> None:
    desk = Desk(tug())
    desk.hear("0 90 3C 64")
    assert change(desk, replace(tug(), input_port="file:x.tsv"), 1) == lines("tug 1 80 3C 40")


def test_the_song_goes_on() -> None:
    desk = Desk(tug(entry("bar_gate", play=[2], of=2)))
    desk.hear("0 FA\n" + "\n".join(f"{n} F8" for n in range(1, 90)))
    change(desk, tug(entry("bar_gate", play=[1], of=2)), 90)
    assert desk.engine.transport.next_clock == 89
    assert "tug 91 90 3C 64" in desk.hear("91 90 3C 64")


def test_what_waits_for_a_shorter_delay_goes_first() -> None:
    desk = Desk(tug(delay_ns=100 * MS))
    desk.hear("0 90 3C 64")
    assert change(desk, tug(), 10) == lines("tug 10 90 3C 64")
    assert desk.hear("11 80 3C 40") == lines("tug 11 80 3C 40")


def test_a_longest_note_holds_for_notes_that_sound_already() -> None:
    desk = Desk(tug())
    desk.hear("0 90 3C 64")
    change(desk, replace(tug(), safety=Safety(on_exit=False, longest_note_ns=50 * MS)), 10)
    assert desk.advance(100) == lines("tug 60 80 3C 40")


def test_a_plugin_that_failed_gets_another_chance() -> None:
    desk = Desk(tug(REMAP))
    chain = desk.engine.outputs["tug"].chain
    chain.entries[0].fault, chain.entries[0].bypass = "it fell overboard", True
    chain.compile()
    change(desk, tug(REMAP), 1)
    assert desk.hear("2 B0 4A 7F") == lines("tug 2 B4 4A 7F")


def test_an_entry_that_will_not_hear_a_notes_end_forgets_it() -> None:
    """A voice whose note-off an entry before it now swallows must not block others for ever."""
    limit = entry("note_limit", voices=1, steal="none")
    desk = Desk(tug(limit))
    desk.hear("0 90 3C 64")
    new = tug(entry("channel_remap", map={1: 2}), limit)
    assert change(desk, new, 1) == []
    assert desk.hear("2 80 3C 40\n3 90 3E 64") == lines("tug 2 80 3C 40\ntug 3 91 3E 64")


def test_what_goes_home_at_the_end_of_a_note_does_so_when_its_end_will_not_be_heard() -> None:
    reset = entry("cc_reset", controls={74: 64}, when=["note_off"])
    desk = Desk(tug(reset))
    desk.hear("0 B0 4A 7F\n1 90 3C 64")
    assert change(desk, tug(entry("transpose", semitones=1), reset), 2) == lines("tug 2 B0 4A 40")


# ---- songs ---------------------------------------------------------------------------------------


def a_set(**more: object) -> Rig:
    calm = rig(output("tug", entry("transpose", semitones=12), opening=PROGRAM))
    storm = rig(output("tug", entry("transpose", semitones=-12)), output("gull"))
    songs = Songs((("calm", calm), ("storm", storm)), **more)  # type: ignore[arg-type]
    return replace(tug(), songs=songs)


def test_a_program_change_on_the_chosen_channel_picks_a_song_and_goes_no_further() -> None:
    desk = Desk(a_set(program_channel=15))
    assert desk.hear("0 CF 00\n1 90 3C 64") == lines("tug 0 C4 02\ntug 1 90 48 64")
    assert desk.hear("2 CF 01\n3 80 3C 40") == lines("tug 3 80 48 40\ngull 3 80 3C 40")
    assert desk.hear("4 C0 00") == lines("tug 4 C0 00\ngull 4 C0 00")
    assert desk.hear("5 CF 50") == []
    assert desk.engine.song == 2


def test_a_control_picks_a_song_and_0_the_rig_itself() -> None:
    desk = Desk(a_set(control=(15, 110)))
    desk.hear("0 BF 6E 02")
    assert desk.hear("1 90 3C 64") == lines("tug 1 90 30 64\ngull 1 90 3C 64")
    assert desk.hear("2 BF 6E 00") == lines("gull 2 80 3C 40")
    assert desk.hear("3 90 3E 64") == lines("tug 3 90 3E 64")


def test_a_song_can_wait_for_the_bar_while_the_clock_runs() -> None:
    desk = Desk(a_set(program_channel=15, at_bar=True))
    desk.hear("0 FA\n" + "\n".join(f"{n * 20} F8" for n in range(1, 51)))
    desk.hear("1001 CF 00")
    assert desk.engine.coming_song == 1
    clocks = "\n".join(f"{n * 20} F8" for n in range(51, 97))
    assert "tug 1920 C4 02" not in desk.hear(clocks)
    assert desk.hear("1940 F8") == lines("tug 1940 C4 02\ntug 1940 F8")
    assert desk.engine.song == 1
    assert not desk.engine.coming_song


@pytest.mark.parametrize("message", ["FA", "FB", "FC", "F2 00 00"])
def test_what_moves_the_song_brings_a_waiting_one_at_once(message: str) -> None:
    desk = Desk(a_set(program_channel=15, at_bar=True))
    desk.hear("0 FA\n" + "\n".join(f"{n * 20} F8" for n in range(1, 51)))
    desk.hear("1001 CF 00")
    assert desk.hear(f"1010 {message}") == lines(f"tug 1010 C4 02\ntug 1010 {message}")
    assert desk.hear("\n".join(f"{n * 20} F8" for n in range(51, 200)))[-1] == "tug 3980 F8"


def test_a_song_does_not_wait_where_nothing_plays() -> None:
    desk = Desk(a_set(program_channel=15, at_bar=True))
    assert desk.hear("0 CF 00") == lines("tug 0 C4 02")


def test_the_same_song_is_not_begun_again() -> None:
    desk = Desk(a_set(program_channel=15))
    desk.hear("0 CF 00")
    assert desk.hear("1 CF 00") == []


def test_a_reload_stays_in_the_song_if_it_is_still_there() -> None:
    desk = Desk(a_set(program_channel=15))
    desk.hear("0 CF 01")
    change(desk, a_set(program_channel=15), 1)
    assert desk.engine.song == 2
    change(desk, tug(), 2)
    assert (desk.engine.song, list(desk.engine.outputs)) == (0, ["tug"])


def test_songs_are_prepared_again_after_a_change() -> None:
    desk = Desk(a_set())
    desk.engine.prepare_songs()
    assert desk.engine.songs_prepared
    desk.engine.choose_song(1, 0)
    assert not desk.engine.songs_prepared
    desk.engine.prepare_songs()
    assert desk.engine.songs_prepared


# ---- panic ---------------------------------------------------------------------------------------

SILENCE = """
tug 5 84 3C 40
tug 5 B4 7B 00
tug 5 B4 78 00
tug 5 B4 4A 40
tug 5 B4 40 00
tug 5 B4 42 00
tug 5 B4 43 00
"""


def test_panic_ends_notes_then_everything_then_goes_home_then_lifts_pedals() -> None:
    """Order: note-offs, All Notes Off, All Sound Off, homes, pedals up (docs/on-stage.md)."""
    desk = Desk(tug(RESET, REMAP))
    desk.hear("0 B0 4A 7F\n1 90 3C 64")
    desk.engine.panic(5 * MS)
    assert desk.lines[-7:] == lines(SILENCE)


def test_panic_ends_what_all_sound_off_should_have_ended() -> None:
    """A synth may ignore mode messages (MIDI 1.0, 4.2.1, p. 20), but not its note-off."""
    desk = Desk(rig(output("tug")))
    desk.hear("0 90 3C 64\n1 B0 78 00")
    desk.lines.clear()
    desk.engine.panic(2 * MS)
    assert desk.lines[:3] == lines("tug 2 80 3C 40\ntug 2 B0 7B 00\ntug 2 B0 78 00")


def test_panic_reaches_the_channel_of_a_synth_that_has_not_been_played() -> None:
    desk = Desk(rig(OutputSpec("tug", "null:", device=Device("Tug", 3), opening=PROGRAM)))
    desk.engine.panic(0)
    assert {line.split()[2] for line in desk.lines} == {"B2", "B4", "C4"}


@pytest.mark.parametrize(
    ("press", "message"),
    [(Press(15, note=12), "9F 0C 40"), (Press(15, control=119), "BF 77 7F")],
    ids=["note", "control"],
)
def test_a_key_or_switch_of_the_players_choice_calls_for_panic(press: Press, message: str) -> None:
    desk = Desk(replace(tug(REMAP), safety=Safety(on_exit=False, panic=press)))
    desk.hear("0 90 3C 64")
    assert desk.hear(f"5 {message}")[0] == "tug 5 84 3C 40"
    assert desk.engine.panics == 1


def test_letting_go_of_the_panic_key_or_switch_does_nothing() -> None:
    for press, messages in (
        (Press(15, note=12), "8F 0C 40\n1 9F 0C 00"),
        (Press(15, control=119), "BF 77 3F\n1 BF 77 00"),
    ):
        desk = Desk(replace(tug(), safety=Safety(on_exit=False, panic=press)))
        assert desk.hear(f"0 {messages}") == []
        assert desk.engine.panics == 0


def test_other_keys_of_the_panic_channel_are_notes() -> None:
    desk = Desk(replace(tug(), safety=Safety(on_exit=False, panic=Press(15, note=12))))
    assert desk.hear("0 9F 0D 40\n1 8F 0D 40") == lines("tug 0 9F 0D 40\ntug 1 8F 0D 40")


def test_songs_inherit_the_panic_key_of_the_rig_that_names_them() -> None:
    panic = Safety(on_exit=False, panic=Press(15, note=12))
    desk = Desk(replace(a_set(program_channel=15), safety=panic))
    desk.hear("0 CF 00\n1 9F 0C 40")
    assert desk.engine.panics == 1


# ---- a lost input, bypass ------------------------------------------------------------------------


def test_a_lost_input_releases_what_it_held() -> None:
    desk = Desk(tug(RESET))
    desk.hear("0 B0 4A 7F\n1 90 3C 64")
    desk.engine.lose_input(2 * MS)
    assert desk.lines[-2:] == lines("tug 2 80 3C 40\ntug 2 B0 4A 40")
    assert desk.hear("3 90 3C 64\n4 80 3C 40") == lines("tug 3 90 3C 64\ntug 4 80 3C 40")


def test_a_rig_may_let_it_sound_on() -> None:
    desk = Desk(replace(tug(), safety=Safety(on_exit=False, on_input_lost=False)))
    desk.hear("1 90 3C 64")
    desk.engine.lose_input(2 * MS)
    assert len(desk.lines) == 1


def test_a_bypassed_entry_lets_go_first_and_its_notes_end_where_they_began() -> None:
    desk = Desk(tug(RESET, REMAP))
    desk.hear("0 B0 4A 7F\n1 90 3C 64")
    desk.engine.bypass("tug", 0, True, 2 * MS)
    desk.engine.bypass("tug", 1, True, 3 * MS)
    assert desk.lines[-1] == "tug 2 B4 4A 40"
    assert desk.hear("4 80 3C 40\n5 B0 4A 7F") == lines("tug 4 84 3C 40\ntug 5 B0 4A 7F")
    desk.engine.bypass("tug", 1, False, 6 * MS)
    assert desk.hear("7 B0 4A 7F") == lines("tug 7 B4 4A 7F")


def test_bypassing_twice_is_bypassing_once() -> None:
    desk = Desk(tug(REMAP))
    for _ in range(2):
        desk.engine.bypass("tug", 0, True, 0)
    assert desk.hear("1 B0 4A 7F") == lines("tug 1 B0 4A 7F")


def test_homes_can_be_asked_without_sending_anything() -> None:
    desk = Desk(tug(RESET, REMAP))
    desk.hear("0 B0 4A 7F\n1 90 3C 64")
    before = list(desk.lines)
    assert desk.engine.homes() == {"tug": [b"\xb4\x4a\x40"]}
    assert desk.lines == before


def test_homes_can_be_asked_where_a_step_fails_or_makes_several_of_them() -> None:
    class Breaks(Plugin[PluginOptions]):
        name = "breaks"

        @stateless
        def on_control(self, data: bytes, t_ns: int) -> Emission:
            raise ZeroDivisionError("by nought")

    breaks = EntrySpec(Breaks, PluginOptions(), "breaks")
    for behind in (breaks, entry("channel_remap", map={1: [5, 6]})):
        desk = Desk(tug(RESET, replace(behind, bypass=True)))
        desk.hear("0 B0 4A 7F\n1 90 3C 64")
        desk.engine.bypass("tug", 1, False, 2 * MS)
        assert desk.engine.homes() == {"tug": []}
        assert not desk.engine.faults
