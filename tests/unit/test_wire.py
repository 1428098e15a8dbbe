"""The paced wire, case by case: section 6 of the contract, and what docs/wire.md says beside it.

Times are in ms. A byte takes 0.32 ms on a DIN wire, a message of three bytes 0.96 ms (MIDI 1.0,
4.2.1, p. 9).
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from engine_kit import MS, QUIET, Desk, entry, lines, output, rig

from pointsman import wire_queue
from pointsman.control_refs import ControlRef
from pointsman.device import Device
from pointsman.engine import Engine
from pointsman.rig import OutputSpec, Rig, Safety
from pointsman.wire import WireFigures

DIN = 3125


def desk(*outputs: OutputSpec, safety: Safety = QUIET) -> Desk:
    return Desk(rig(*(outputs or (output("tug", wire_rate=DIN),)), safety=safety))


def hear(log: str, *outputs: OutputSpec) -> list[str]:
    """All that leaves for this input, to the last message that waits."""
    played = desk(*outputs)
    played.hear(log)
    played.close(float(log.strip().splitlines()[-1].split()[0]))
    return played.lines


def figures(played: Desk, name: str = "tug", t_ms: float = 1000) -> WireFigures:
    return played.engine.wire_figures(round(t_ms * MS))[name]


CASES = {
    "an idle wire takes a message at once": ("0 90 3C 40\n5 80 3C 40", "0 90 3C 40\n5 80 3C 40"),
    "what comes too soon waits": ("0 90 3C 40\n0 90 40 40", "0 90 3C 40\n0.96 90 40 40"),
    "two bytes take two thirds": ("0 C0 05\n0 90 3C 40", "0 C0 05\n0.64 90 3C 40"),
    "free again at the very end": ("0 90 3C 40\n0.96 90 40 40", "0 90 3C 40\n0.96 90 40 40"),
    "clock goes before notes that wait": (
        "0 90 3C 40\n0 90 40 40\n0.5 F8",
        "0 90 3C 40\n0.96 F8\n1.28 90 40 40",
    ),
    "clock, Start, Continue and Stop keep their order": (
        "0 90 3C 40\n0 FA\n0 F8\n0 FC\n0 FB\n0 F8",
        "0 90 3C 40\n0.96 FA\n1.28 F8\n1.6 FC\n1.92 FB\n2.24 F8",
    ),
    "a newer value takes the older one's place": (
        "0 90 3C 40\n0 B0 4A 01\n0 B0 47 02\n0.5 B0 4A 03",
        "0 90 3C 40\n0.96 B0 4A 03\n1.92 B0 47 02",
    ),
    "what is on its way is not overtaken": (
        "0 B0 4A 01\n0.1 B0 4A 02",
        "0 B0 4A 01\n0.96 B0 4A 02",
    ),
    "not across a note-on of the channel": (
        "0 90 3C 40\n0 B0 4A 01\n0 90 40 40\n0 B0 4A 02",
        "0 90 3C 40\n0.96 B0 4A 01\n1.92 90 40 40\n2.88 B0 4A 02",
    ),
    "not across a note-off of the channel": (
        "0 90 3C 40\n0 B0 4A 01\n0 90 3C 00\n0 B0 4A 02",
        "0 90 3C 40\n0.96 B0 4A 01\n1.92 90 3C 00\n2.88 B0 4A 02",
    ),
    "across a note of another channel": (
        "0 90 3C 40\n0 B0 4A 01\n0 91 40 40\n0 B0 4A 02",
        "0 90 3C 40\n0.96 91 40 40\n1.92 B0 4A 02",
    ),
    "the same control of another channel is another": (
        "0 90 3C 40\n0 B0 4A 01\n0 B1 4A 02",
        "0 90 3C 40\n0.96 B0 4A 01\n1.92 B1 4A 02",
    ),
    "not across a program change, which may set the control": (
        "0 90 3C 40\n0 B0 4A 01\n0 C0 05\n0 B0 4A 02",
        "0 90 3C 40\n0.96 B0 4A 01\n1.92 C0 05\n2.56 B0 4A 02",
    ),
    "not across Reset All Controllers": (
        "0 90 3C 40\n0 B0 4A 01\n0 B0 79 00\n0 B0 4A 02",
        "0 90 3C 40\n0.96 B0 4A 01\n1.92 B0 79 00\n2.88 B0 4A 02",
    ),
    "not across system exclusive": (
        "0 90 3C 40\n0 B0 4A 01\n0 F0 7D F7\n0 B0 4A 02",
        "0 90 3C 40\n0.96 B0 4A 01\n1.92 F0 7D F7\n2.88 B0 4A 02",
    ),
    "half of a pair alone is overtaken": (
        "0 90 3C 40\n0 B0 21 01\n0 B0 21 02",
        "0 90 3C 40\n0.96 B0 21 02",
    ),
    "not once both halves have been used": (
        "0 B0 01 05\n0 B0 21 01\n0 B0 01 06\n0 B0 21 02",
        "0 B0 01 05\n0.96 B0 21 01\n1.92 B0 01 06\n2.88 B0 21 02",
    ),
    "on another channel they are no pair": (
        "0 B0 01 05\n0 B1 21 01\n0 B1 21 02",
        "0 B0 01 05\n0.96 B1 21 02",
    ),
    "a note goes before controls of other channels": (
        "0 B0 4A 01\n0 B0 47 02\n0 B1 4A 03\n0 91 3C 40",
        "0 B0 4A 01\n0.96 B1 4A 03\n1.92 91 3C 40\n2.88 B0 47 02",
    ),
    "notes go in the order in which they came": (
        "0 B0 4A 01\n0 B0 47 02\n0 90 3C 40\n0 91 3C 40\n0 82 3C 40",
        "0 B0 4A 01\n0.96 B0 47 02\n1.92 90 3C 40\n2.88 91 3C 40\n3.84 82 3C 40",
    ),
    "All Sound Off goes as notes do": (
        "0 B0 4A 01\n0 B0 47 02\n0 B1 78 00",
        "0 B0 4A 01\n0.96 B1 78 00\n1.92 B0 47 02",
    ),
    "without notes all goes in the order in which it came": (
        "0 C0 05\n0 B3 07 64\n0 F0 7D 01 F7\n0 B1 0A 40\n0 E2 00 40\n0 D2 10",
        "0 C0 05\n0.64 B3 07 64\n1.6 F0 7D 01 F7\n2.88 B1 0A 40\n3.84 E2 00 40\n4.8 D2 10",
    ),
    "a short system exclusive goes before the note that it came before": (
        "0 B0 4A 01\n0 F0 7D 10 20 F7\n0 90 3C 40",
        "0 B0 4A 01\n0.96 F0 7D 10 20 F7\n2.56 90 3C 40",
    ),
    "a long one lets notes go first": (
        f"0 B0 4A 01\n0 F0 {'00 ' * 40}F7\n0 90 3C 40",
        f"0 B0 4A 01\n0.96 90 3C 40\n1.92 F0 {'00 ' * 40}F7",
    ),
    "real time stands inside system exclusive, at the next byte": (
        "0 F0 01 02 03 04 05 06 F7\n0.5 F8\n0.6 F8\n0.7 90 3C 40",
        "0 F0 01 02 03 04 05 06 F7\n0.64 F8\n0.96 F8\n3.2 90 3C 40",
    ),
    "Song Position goes before notes that wait, and before Continue": (
        "0 90 3C 40\n0 90 40 40\n0 F2 08 00\n0 FB\n0 F8",
        "0 90 3C 40\n0.96 F2 08 00\n1.92 FB\n2.24 F8\n2.56 90 40 40",
    ),
    "clock does not wait for a Song Position": (
        "0 90 3C 40\n0 F2 08 00\n0 F8",
        "0 90 3C 40\n0.96 F8\n1.28 F2 08 00",
    ),
    "bend and pressure are no controls: all values pass": (
        "0 90 3C 40\n0 E0 00 40\n0 E0 00 41\n0 D0 10\n0 D0 11",
        "0 90 3C 40\n0.96 E0 00 40\n1.92 E0 00 41\n2.88 D0 10\n3.52 D0 11",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("offered", "sent"), CASES.values(), ids=CASES)
def test_what_leaves_when(offered: str, sent: str) -> None:
    assert hear(offered) == [f"tug {line}" for line in lines(sent)]


@pytest.mark.parametrize(
    "control", [0, 32, 6, 38, 96, 97, 98, 99, 100, 101, 64, 66, 67, 120, 121, 123, 127]
)
def test_these_are_never_merged(control: int) -> None:
    log = f"0 90 3C 40\n0 B0 {control:02X} 00\n0 B0 {control:02X} 01\n0 B0 {control:02X} 01"
    assert [line[-8:] for line in hear(log)[1:]] == [
        f"B0 {control:02X} {value:02X}" for value in (0, 1, 1)
    ]


@pytest.mark.parametrize("channel", [None, 3])
def test_a_pair_that_the_device_lists_is_one_from_the_first_message(channel: int | None) -> None:
    device = Device("Tug", channel=channel, controls={"sway": ControlRef("sway", cc=1, fine=33)})
    log = "0 92 3C 40\n0 B2 01 05\n0 B2 01 06\n0 B4 01 05\n0 B4 01 06"
    left = hear(log, output("tug", wire_rate=DIN, device=device))
    other = ["B4 01 05", "B4 01 06"] if channel is None else ["B4 01 06"]
    assert [line[-8:] for line in left[1:]] == ["B2 01 05", "B2 01 06", *other]


def test_nothing_drifts_at_an_odd_speed() -> None:
    """7 bytes a second: the nth byte begins n/7 s after the first, rounded up to nanoseconds."""
    times: list[int] = []
    played = rig(output("tug", wire_rate=7))
    engine = Engine(played, lambda name, data, t_ns: times.append(t_ns))
    for note in range(100):
        engine.receive(bytes((0x90, note, 64)), 0)
    engine.close(0)
    assert times == [-(-3 * n * 1_000_000_000 // 7) for n in range(100)]


def test_bend_is_overtaken_where_its_channel_is_far_behind_and_counted() -> None:
    """15 ms are 47 bytes: sixteen bends. The other channel is not behind."""
    played = desk()
    played.hear("\n".join(f"0 E0 00 {value:02X}" for value in range(60)))
    played.hear("0 E1 00 01\n0 E1 00 02\n0 90 3C 40\n0 E0 00 00")
    played.close(0)
    sent = [line.split(maxsplit=2)[2] for line in played.lines]
    mine = [f"E0 00 {value:02X}" for value in (*range(16), 59)]
    assert sent == [*mine, "90 3C 40", "E1 00 01", "E1 00 02", "E0 00 00"]
    assert figures(played).overtaken == {"bend": 43}


def test_key_pressure_has_a_value_for_each_key() -> None:
    played = desk()
    played.hear("\n".join(f"0 A0 3C {value:02X}\n0 A0 40 {value:02X}" for value in range(40)))
    played.close(0)
    assert {line[-8:] for line in played.lines[-2:]} == {"A0 3C 27", "A0 40 27"}
    assert len(played.lines) < 20


def test_notes_stay_in_time_where_they_stand_too_close_for_values_to_be_overtaken() -> None:
    """Ten controls before each of many notes: the notes lose old values and no more."""
    played = desk()
    log = []
    for step in range(40):
        log += [f"{step * 5} B0 {number:02X} {step:02X}" for number in range(70, 80)]
        log += [f"{step * 5} 90 {step:02X} 40"]
    played.hear("\n".join(log))
    played.close(200)
    wire = figures(played)
    assert wire.longest_note_wait_ns <= 35 * MS
    assert [line[-8:-3] for line in played.lines if " 90 " in line] == [
        f"90 {step:02X}" for step in range(40)
    ]
    assert {line[-8:-3]: line[-2:] for line in played.lines if " B0 " in line} == {
        f"B0 {number:02X}": "27" for number in range(70, 80)
    }
    assert wire.dropped.keys() == {"control"}


# ---- when it is full -----------------------------------------------------------------------------


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Three messages may wait."""
    monkeypatch.setattr(wire_queue, "ROOM", 3)
    yield


FULL = {
    "the oldest control gives way, and its value goes out when nothing else waits": (
        "B0 46 01, B0 47 02, B1 48 03, 91 3C 40",
        "B1 48 03, 91 3C 40, B0 47 02, B0 46 01",
        {"control": 1},
    ),
    "not if a newer one has come meanwhile": (
        "B0 46 01, B1 47 02, B1 48 03, 91 3C 40, B0 46 09, 91 3D 40",
        "91 3C 40, 91 3D 40, B0 46 09, B1 47 02, B1 48 03",
        {"control": 3},
    ),
    "a value that is behind goes before one that counts": (
        "B0 46 01, 90 3C 40, B0 46 02, 90 3D 40",
        "90 3C 40, B0 46 02, 90 3D 40",
        {"control": 1},
    ),
    "after the controls bend and pressure": (
        "90 3C 40, E0 00 10, D0 20, 90 3D 40, 90 3E 40",
        "90 3C 40, 90 3D 40, 90 3E 40, E0 00 10, D0 20",
        {"bend": 1, "pressure": 1},
    ),
    "then the oldest note-on, and never a note-off": (
        "90 3C 40, 90 3D 40, 80 3C 40, 80 3D 40, 80 3E 40, 80 3F 40",
        "80 3C 40, 80 3D 40, 80 3E 40, 80 3F 40",
        {"note_on": 2},
    ),
    "system exclusive does not get in": (
        "90 3C 40, 90 3D 40, 90 3E 40, F0 7D F7",
        "90 3C 40, 90 3D 40, 90 3E 40",
        {"sysex": 1},
    ),
    "a parameter number that does not get in takes its data entry with it": (
        "90 3C 40, 90 3D 40, 90 3E 40, B0 63 01, wait, B0 62 08, B0 06 40, wait, B0 26 05, wait, "
        "B0 63 02, B0 62 09, B0 06 41, wait, B0 26 06",
        "90 3C 40, 90 3D 40, 90 3E 40, B0 62 08, B0 63 02, B0 62 09, B0 06 41, B0 26 06",
        {"parameter": 3},
    ),
    "pedals, programs, banks and mode messages always get in": (
        "90 3C 40, 80 3C 40, 80 3D 40, B0 40 7F, B0 00 01, C0 05, B0 7B 00",
        "80 3C 40, 80 3D 40, B0 40 7F, B0 00 01, C0 05, B0 7B 00",
        {"note_on": 1},
    ),
    "half a value of 14 bits does not count without the other": (
        "90 3C 40, 90 3D 40, 80 3C 40, B0 01 05, B0 21 06, B0 01 07, B0 21 08",
        "90 3C 40, 90 3D 40, 80 3C 40, B0 01 07, B0 21 08",
        {"control": 4},
    ),
    "a reset takes back what is still owed": (
        "B0 46 01, 80 3C 40, 80 3D 40, 80 3E 40, B0 79 00",
        "80 3C 40, 80 3D 40, 80 3E 40, B0 79 00",
        {"control": 1},
    ),
}  # fmt: skip


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize(("offered", "sent", "dropped"), FULL.values(), ids=FULL)
def test_a_full_queue(offered: str, sent: str, dropped: dict[str, int]) -> None:
    device = Device("Tug", controls={"sway": ControlRef("sway", cc=1, fine=33)})
    played = desk(output("tug", wire_rate=DIN, device=device))
    t_ms = 0.0
    played.hear("0 F6")
    for message in offered.split(", "):
        if message == "wait":
            t_ms += 10
            played.advance(t_ms)
        else:
            played.hear(f"{t_ms} {message}")
    played.close(t_ms)
    assert [line.split(maxsplit=2)[2] for line in played.lines[1:]] == sent.split(", ")
    assert figures(played).dropped == dropped


@pytest.mark.usefixtures("small")
def test_clock_gets_in_however_full_it_is() -> None:
    sent = hear("0 80 3C 40\n" + "0 80 3D 40\n" * 20 + "0.5 F8")
    assert sent[1] == "tug 0.96 F8"
    assert len(sent) == 22


def test_a_flood_of_clocks_is_bounded_and_never_takes_a_stop() -> None:
    played = desk()
    played.hear("0 F8\n" * 2000 + "0 FC")
    assert figures(played).waiting == wire_queue.ROOM + 1
    played.close(0)
    assert played.lines[-1].endswith("FC")


# ---- outputs, rigs, the end ----------------------------------------------------------------------


def on_quay(*names: str, **more: object) -> list[OutputSpec]:
    return [OutputSpec(name, "Quay Box", wire_rate=DIN, **more) for name in names]  # type: ignore[arg-type]


def test_outputs_of_one_port_share_its_wire_even_if_only_one_names_it() -> None:
    free = OutputSpec("gull", "Quay Box")
    assert hear("0 90 3C 40", *on_quay("tug"), free) == lines("tug 0 90 3C 40\ngull 0.96 90 3C 40")


def test_the_slowest_is_right_where_they_disagree() -> None:
    fast = OutputSpec("gull", "Quay Box", wire_rate=31_250)
    assert hear("0 90 3C 40", *on_quay("tug"), fast)[1] == "gull 0.96 90 3C 40"


def test_null_ports_are_not_one_cable() -> None:
    specs = (output("tug", wire_rate=DIN), output("gull", wire_rate=DIN))
    assert hear("0 90 3C 40", *specs) == lines("tug 0 90 3C 40\ngull 0 90 3C 40")


def test_the_delay_comes_first_and_then_the_wire() -> None:
    spec = output("tug", wire_rate=DIN, delay_ns=5 * MS)
    assert hear("0 90 3C 40\n0 90 40 40\n100 F8", spec) == lines(
        "tug 5 90 3C 40\ntug 5.96 90 40 40\ntug 100 F8"
    )


def test_what_routes_remember_goes_over_the_wire_too() -> None:
    """The same control for the second time takes a shorter way through the engine."""
    played = desk()
    played.hear("0 B0 40 01\n0 B0 40 01\n0 B0 40 01")
    played.close(0)
    assert played.lines == lines("tug 0 B0 40 01\ntug 0.96 B0 40 01\ntug 1.92 B0 40 01")
    assert played.engine.outputs["tug"].sent == 3


def test_the_release_goes_out_in_order_and_only_then_the_engine_is_done() -> None:
    reset = entry("cc_reset", controls={74: 64})
    played = desk(output("tug", reset, wire_rate=DIN), safety=Safety())
    played.hear("0 B0 4A 7F\n0 90 3C 40\n0 90 40 40")
    assert played.close(0) == lines("""
        tug 0.96 90 3C 40
        tug 1.92 90 40 40
        tug 2.88 80 3C 40
        tug 3.84 80 40 40
        tug 4.8 B0 4A 40
    """)


def test_at_the_end_outputs_keep_to_one_order_of_time() -> None:
    played = desk(output("tug", wire_rate=DIN), output("gull", wire_rate=2 * DIN), output("buoy"))
    played.hear("0 90 3C 40\n0 90 40 40")
    played.close(0)
    times = [float(line.split()[1]) for line in played.lines]
    assert times == sorted(times)


def test_a_panic_drops_what_would_still_sound_and_ends_notes_first() -> None:
    played = desk()
    played.hear("0 90 3C 40\n0 B0 4A 01\n0 90 40 40\n0 80 3C 40\n0 B0 4A 02\n0 B1 07 10")
    played.lines.clear()
    played.engine.panic(0)
    played.close(0)
    sent = [line.split(maxsplit=2)[2] for line in played.lines]
    assert sent[:4] == lines("80 3C 40\n80 40 40\nB0 7B 00\nB0 78 00")
    assert sorted(sent[4:6]) == ["B0 4A 02", "B1 07 10"]
    assert sent[6:] == lines("B0 40 00\nB0 42 00\nB0 43 00")
    assert figures(played).dropped == {"note_on": 1}


def change(played: Desk, other: Rig, t_ms: float) -> None:
    played.engine.change(played.engine.prepare(other), round(t_ms * MS))


def test_a_wire_that_stays_goes_on_after_a_reload() -> None:
    played = Desk(rig(*on_quay("tug")))
    played.hear("0 90 3C 40\n0 90 40 40\n0 90 43 40")
    change(played, rig(*on_quay("tug", delay_ns=0), output("gull")), 1)
    played.close(1)
    assert [line for line in played.lines if "tug" in line] == lines(
        "tug 0 90 3C 40\ntug 0.96 90 40 40\ntug 1.92 90 43 40"
    )


def test_what_waits_for_a_wire_that_goes_leaves_at_once() -> None:
    played = Desk(rig(*on_quay("tug", "gull")))
    played.hear("0 90 3C 40")
    played.lines.clear()
    change(played, rig(*on_quay("tug")), 0)
    assert played.lines == lines("gull 0 90 3C 40\ngull 0 80 3C 40")
    change(played, rig(OutputSpec("tug", "Quay Box")), 0)
    played.hear("0 80 3C 40")
    assert played.lines[2:] == lines("tug 0 80 3C 40")


def test_another_speed_holds_from_the_reload_on() -> None:
    played = Desk(rig(*on_quay("tug")))
    played.hear("0 90 3C 40\n0 90 40 40\n0 90 43 40")
    change(played, rig(OutputSpec("tug", "Quay Box", wire_rate=300)), 0)
    played.close(0)
    assert played.lines == lines("tug 0 90 3C 40\ntug 0.96 90 40 40\ntug 10.96 90 43 40")


def test_an_end_does_not_wait_for_an_lfo_that_fills_its_wire_but_for_notes_behind_it() -> None:
    lfo = entry("lfo", control=1, channel=1, depth=60, center=64, rate="20Hz", interval="1ms")
    played = desk(output("tug", lfo, wire_rate=300))
    played.advance(50)
    assert played.engine.idle
    played.hear("50 90 3C 40")
    assert not played.engine.idle
    played.advance(75)
    assert any("90 3C 40" in line for line in played.lines)
    assert played.engine.idle


# ---- figures -------------------------------------------------------------------------------------


def test_figures() -> None:
    played = desk()
    played.hear("0 90 3C 40\n0 B0 4A 01\n0 B0 4A 02\n0 90 40 40\n0.5 F8\n1500 90 3C 00")
    played.advance(2500)
    assert figures(played, t_ms=2500) == WireFigures(
        rate=3125,
        load=13 / 3125 / 2.5,
        worst_second=10 / 3125,
        last_second=3 / 3125,
        offered=13 / 3125,
        longest_note_wait_ns=2_240_000,
        longest_clock_wait_ns=460_000,
        waiting=0,
        overtaken={"control": 1},
        dropped={},
    )


def test_a_free_output_has_no_figures_and_what_waits_has_not_been_sent() -> None:
    played = desk(output("tug", wire_rate=DIN), output("gull"))
    played.hear("0 90 3C 40\n0 90 40 40")
    assert played.engine.wire_figures(0).keys() == {"tug"}
    assert figures(played).waiting == 1
    sent = [output.sent for output in played.engine.outputs.values()]
    assert sent == [1, 2]
