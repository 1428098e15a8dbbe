"""From items to lines, objects and a screen: pure, so that nothing here waits or is timed."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest
from wcwidth import wcswidth

from pointsman.watch.filters import Filters
from pointsman.watch.items import Event, Item, Lost, Now, Remark
from pointsman.watch.lines import AsJson, Plain
from pointsman.watch.scene import Scene
from pointsman.watch.screen import MARKED, PLAIN, Listing, frame, list_room
from pointsman.watch.setting import Place, Setting

MS, S = 1_000_000, 1_000_000_000
SETTING = Setting(
    "harbour, running as process 7",
    {"watching": "service"},
    Place("Quay Keys"),
    {"tug": Place("Tug Box", rate=3125, waits=True), "gull": Place("Gull Box")},
    run=7,
)
EVERYTHING = Filters()
NOTE, OFF, CLOCK = b"\x90\x3c\x64", b"\x80\x3c\x40", b"\xf8"


def clocks(count: int, output: str | None = None, begin_ns: int = 0) -> list[Item]:
    return [Event(begin_ns + n * 20 * MS, output, CLOCK) for n in range(count)]


def lines(form: Plain | AsJson, *items: Item, filters: Filters = EVERYTHING) -> list[str]:
    """What is printed of these."""
    scene = Scene(SETTING, filters)
    return [form.begin(SETTING), *(form.line(row) for row in scene.take(items))]


# ---- lines ---------------------------------------------------------------------------------------


def test_plain_lines() -> None:
    assert lines(
        Plain(),
        Event(1_500_000, None, NOTE),
        Event(1_500_000, "gull", NOTE),
        Event(2_000_000, "tug", b"\xb4\x4a\x40", due=True),
        Event(2_000_000, "gull", b"\xb0\x4a\x40", due=True),
        Event(3_000_000, "tug", bytes((0xF0, *range(20), 0xF7))),
        Lost(1),
        Lost(1200),
        Remark("the service\x1b[2J has ended"),
        *clocks(3),
    ) == [
        "# harbour, running as process 7",
        "0.001500  input  90 3C 64  note C4 100 channel 1",
        "0.001500  gull   90 3C 64  note C4 100 channel 1",
        "0.002000  tug    B4 4A 40  control 74 (brightness) 64 channel 5",
        "0.002000  gull   B0 4A 40  control 74 (brightness) 64 channel 1  by itself",
        "0.003000  tug    F0 00 01 02 03 04 05 06 … F7  sysex, 22 bytes",
        "# 1 event was lost: more came than could be passed on",
        "# 1200 events were lost: more came than could be passed on",
        "# the service\\x1b[2J has ended",
    ]


def test_json_lines() -> None:
    found = lines(
        AsJson(),
        Event(1_500_000, None, NOTE),
        Event(2_000_000, "tug", b"\xb4\x4a\x40", due=True),
        Event(2_000_000, "tug", b"\x90"),
        Lost(3),
        Remark("the service has ended"),
    )
    assert [json.loads(line) for line in found] == [
        {"watching": "service"},
        {
            "t": 0.0015, "output": None, "bytes": "90 3C 64", "kind": "note", "channel": 1,
            "text": "note C4 100",
        },
        {
            "t": 0.002, "output": "tug", "bytes": "B4 4A 40", "kind": "control", "channel": 5,
            "text": "control 74 (brightness) 64", "control": "brightness", "value": 64,
            "due": True,
        },
        {
            "t": 0.002, "output": "tug", "bytes": "90", "kind": None, "channel": None,
            "text": "no MIDI message, 1 byte",
        },
        {"t": 0.002, "lost": 3},
        {"t": 0.002, "says": "the service has ended"},
    ]  # fmt: skip


def test_clock_and_active_sensing_are_summed_up_every_five_seconds() -> None:
    scene = Scene(SETTING, Filters())
    sensing = [Event(n * 300 * MS, "gull", b"\xfe") for n in range(17)]
    assert scene.take([*clocks(250), *sensing]) == []
    assert scene.sums(4 * S) == []
    found = scene.sums(5 * S)
    form = Plain()
    form.begin(SETTING)
    assert [form.line(row) for row in found] == [
        "5.000000  input  clock 250 times in 5.0 s, tempo 125.0, jitter 0.00 ms, at most 0.00 ms",
        "5.000000  gull   active_sensing 17 times in 5.0 s",
    ]
    assert json.loads(AsJson().line(found[0])) == {
        "t": 5.0, "output": None, "sum": "clock", "count": 250, "seconds": 5.0, "tempo": 125.0,
        "jitter_us": {"p50": 0, "max": 0},
    }  # fmt: skip
    assert scene.sums(10 * S) == []


@pytest.mark.parametrize(
    ("filters", "listed", "summed"),
    [
        (Filters(), 0, 1),
        (Filters(all_kinds=True), 3, 0),
        (Filters(kinds=("clock",)), 3, 0),
        (Filters(kinds=("note",)), 0, 0),
        (Filters(channels=(1,)), 0, 0),
        (Filters(outputs=("tug",)), 0, 0),
        (Filters(outputs=("input",)), 0, 1),
    ],
)
def test_clock_is_listed_only_where_it_is_asked_for(
    filters: Filters, listed: int, summed: int
) -> None:
    scene = Scene(SETTING, filters)
    assert len(scene.take(clocks(3))) == listed
    assert len(scene.sums(5 * S)) == summed


# ---- what is known -------------------------------------------------------------------------------


def test_who_knows_says_what_sounds_and_where_the_song_is() -> None:
    scene = Scene(SETTING, Filters())
    scene.take([Event(0, "tug", NOTE), Now({"tug": frozenset({(5, 64)})}, True, 12)])
    assert scene.streams["tug"].sounding == {(5, 64)}
    assert scene.streams[None].bar == 12
    scene.take([Event(0, None, b"\xfc")])
    assert scene.streams[None].bar is None


def test_a_change_of_the_rig_keeps_what_goes_on_and_another_run_begins_anew() -> None:
    scene = Scene(SETTING, Filters(outputs=("gull",)))
    scene.take([Event(9 * S, "tug", NOTE), Event(9 * S, "gull", NOTE)])
    barge = Place("Barge Box")
    scene.take([replace(SETTING, outputs={"tug": SETTING.outputs["tug"], "barge": barge})])
    assert scene.streams["tug"].sounding == {(1, 60)}
    assert list(scene.streams) == [None, "tug", "barge"]
    assert scene.take([Event(9 * S, "gull", NOTE)])  # what was on its way
    scene.take([replace(SETTING, run=8)])
    assert scene.streams["tug"].sounding == set()
    assert scene.take([Lost(1)])[0][0] == 0


# ---- the screen ----------------------------------------------------------------------------------

SGR = re.compile(r"\x1b\[\d*m")


def busy() -> Scene:
    scene = Scene(SETTING, Filters())
    scene.take([Now({}, True, 3), *clocks(30), *clocks(30, "tug")])
    scene.take([Event(500 * MS, "tug", bytes((0x94, note, 100))) for note in (60, 64)])
    scene.take([Event(500 * MS, "tug", b"\x95\x30\x64")])
    return scene


def test_the_whole_screen() -> None:
    scene = busy()
    rows = scene.take(
        [
            Event(500 * MS, None, NOTE),
            Event(501 * MS, "gull", b"\xb0\x4a\x40", due=True),
            Remark("the service has ended; waiting for it to come back"),
        ]
    )
    assert frame(scene, Listing(rows), 600 * MS, (80, 14), PLAIN) == [
        "harbour, running as process 7",
        "playing, bar 3, tempo 125.0, jitter 0.00 ms, at most 0.00 ms",
        "       a second      wire  tempo, jitter    sounds",
        "input        25         -  125.0, 0.00 ms   C4 on 1",
        "tug          25        1%  125.0, 0.00 ms   C4 E4 on 5, C3 on 6",
        "gull          0     0 B/s  -                -",
        "-" * 80,
        "    0.500 input  1 note C4 100                                          90 3C 64",
        "    0.501 gull   1 control 74 (brightness) 64 by itself                 B0 4A 40",
        "the service has ended; waiting for it to come back",
        "",
        "",
        "",
        "q ends, space pauses",
    ]


def test_forty_columns_say_the_same_more_briefly() -> None:
    scene = busy()
    rows = scene.take([Event(501 * MS, "gull", b"\xb0\x4a\x40"), Event(501 * MS, "tug", OFF)])
    found = frame(scene, Listing(rows, skipped=7), 600 * MS, (40, 12), PLAIN)
    assert found[2:6] == [
        "       a second      wire  sounds",
        "input        25         -  -",
        "tug          25        1%  C4 E4 on 5, …",
        "gull          0     0 B/s  -",
    ]
    assert found[7:] == [
        "    0.501 gull   1 brightness 64",
        "    0.501 tug    1 note_off C4 64",
        "",
        "",
        "q ends, space pauses; 7 not shown",
    ]


def test_what_is_wrong_is_said_in_words() -> None:
    scene = Scene(SETTING, Filters(kinds=("note",), channels=(5,)))
    scene.take([Lost(12)])
    gull = replace(SETTING.outputs["gull"], state="lost")
    scene.take([replace(SETTING, outputs={**SETTING.outputs, "gull": gull})])
    found = frame(scene, Listing(held=3), 0, (100, 12), PLAIN)
    assert "PORT LOST" in found[5]
    assert found[-1] == (
        "PAUSED, 3 passed by; q ends, space goes on; 12 LOST; --channel 5 --kind note"
    )
    assert found[5].split() == ["gull", "0", "0", "B/s", "-", "Gull", "Box", "PORT", "LOST"]


SIZES = [(columns, rows) for columns in (1, 7, 20, 40, 72, 80, 200) for rows in (1, 3, 8, 24, 60)]


@pytest.mark.parametrize("outputs", [0, 1, 16])
@pytest.mark.parametrize("size", SIZES, ids=str)
def test_every_size_is_filled_and_no_line_is_too_long(size: tuple[int, int], outputs: int) -> None:
    columns, rows = size
    places = {f"港 {n} of a long name": Place("p\x1b[7m", rate=31) for n in range(outputs)}
    scene = Scene(replace(SETTING, outputs=places), Filters(controls=("modulation",)))
    said = scene.take([Remark("fog " * 99), *clocks(9)] * 50)
    for name in places:
        scene.take([Event(S, name, bytes((0x90, n, 9))) for n in range(99)])
        said += Scene(scene.setting, Filters()).take([Event(S, name, b"\xb0\x4a\x40")])
    found = frame(scene, Listing(said, 99), S, size, PLAIN)
    assert len(found) == rows
    for line in found:
        assert 0 <= wcswidth(line) <= columns, line  # -1: something unprintable is in it
    marked = frame(scene, Listing(said, 99), S, size, MARKED)
    assert [SGR.sub("", line) for line in marked] == found
    assert 0 <= list_room(scene, rows) <= max(rows - 6, 0)
