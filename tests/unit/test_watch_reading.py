"""What a view makes of single messages: words, filters, what is known of a stream, cells."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import get_args

import mido
import pytest
from wcwidth import wcswidth

from pointsman.device_file import load_device
from pointsman.errors import UsageError
from pointsman.message import Kind
from pointsman.watch.cells import clip, pad, width
from pointsman.watch.filters import INPUT, KIND_WORDS, Filters, Sieve
from pointsman.watch.reading import Reader, Words
from pointsman.watch.setting import Place, Setting
from pointsman.watch.streams import Rate, Stream
from pointsman_plugins.message_filter import FilterKind

MS, S = 1_000_000, 1_000_000_000

TUG = """\
device: Tug
channel: 5
controls:
  cutoff: {cc: 74, home: 64}
  depth: {cc: 20, fine: 52}
  detune: {nrpn: [1, 8]}
  bend_range: {rpn: [0, 0]}
  fog: {sysex: "F0 7D 10 {value} F7"}
"""


@pytest.fixture
def tug(tmp_path: Path) -> Place:
    (tmp_path / "tug.yaml").write_text(TUG)
    device, problems = load_device(tmp_path / "tug.yaml", "tug.yaml", 4)
    assert not problems
    return Place("Tug Box", device=device)


# ---- words ---------------------------------------------------------------------------------------

READ = {
    "90 3C 64": ("note C4 100", "note C4 100", 1),
    "94 3C 00": ("note_off C4 0", "note_off C4 0", 5),
    "B4 4A 7F": ("control 74 (cutoff) 127", "cutoff 127", 5),
    "B0 01 05": ("control 1 (modulation) 5", "modulation 5", 1),
    "B0 03 05": ("control 3 5", "control 3 5", 1),
    "B0 7B 00": ("All Notes Off (123) 0", "All Notes Off (123) 0", 1),
    "C2 0B": ("program 12 (byte 11)", "program 12 (byte 11)", 3),
    "E0 00 40": ("bend +0", "bend +0", 1),
    "F0 7D 10 05 F7": ("sysex (fog) 5", "fog 5", None),
    "F0 7D 01 F7": ("sysex, 4 bytes", "sysex, 4 bytes", None),
    "F8": ("clock", "clock", None),
    "90 3C": ("no MIDI message, 2 bytes", "no MIDI message, 2 bytes", None),
    "": ("no MIDI message, 0 bytes", "no MIDI message, 0 bytes", None),
}


@pytest.mark.parametrize("data", READ)
def test_a_message_in_words(data: str, tug: Place) -> None:
    words = Reader(tug.device, 4).read(bytes.fromhex(data))
    assert (words.text, words.brief, words.channel) == READ[data]


@pytest.mark.parametrize(("octave", "name"), [(4, "C4"), (3, "C3")])
def test_notes_are_named_as_the_rig_says(octave: int, name: str) -> None:
    assert Reader(None, octave).read(b"\x90\x3c\x64").text == f"note {name} 100"


def test_controls_of_several_messages_are_named_where_the_value_comes(tug: Place) -> None:
    reader = Reader(tug.device, 4)
    entry, selects = b"\xb4\x06\x11", (b"\xb4\x63\x01", b"\xb4\x62\x08")
    for _ in range(2):  # the second time nothing may come from memory
        assert reader.read(entry).control != "detune"
        assert [reader.read(data).brief for data in selects] == ["nrpn_msb 1", "nrpn_lsb 8"]
        assert reader.read(entry) == Words(
            Kind.CONTROL, 5, "control 6 (detune) 17", "detune 17", "detune", 6, 17
        )
        assert reader.read(b"\xb5\x06\x11").control == "data_entry"  # another channel's
        for data in (b"\xb4\x65\x00", b"\xb4\x64\x00"):
            reader.read(data)
        assert reader.read(entry).control == "bend_range"
        reader.read(b"\xb4\x64\x7f")
    assert [reader.read(d).value for d in (b"\xb4\x14\x01", b"\xb4\x34\x02")] == [128, 130]


def test_what_is_remembered_stays_bounded_and_right() -> None:
    reader = Reader(None, 4)
    for _ in range(2):
        for note in range(128):
            for velocity in range(1, 128):
                words = reader.read(bytes((0x90, note, velocity)))
                assert words.text.endswith(f" {velocity}")
    assert len(reader._known) <= 4096


# ---- filters -------------------------------------------------------------------------------------


def setting(**outputs: Place) -> Setting:
    return Setting("harbour", {}, Place("Quay"), outputs)


def passes(filters: Filters, data: str, output: str | None = None, **outputs: Place) -> bool:
    place = outputs.get(output or "")
    reader = Reader(place.device if place else None, 4)
    return Sieve(filters, setting(**outputs)).passes(output, reader.read(bytes.fromhex(data)))


def test_the_words_for_kinds_are_those_of_message_filter() -> None:
    assert set(KIND_WORDS) == set(get_args(FilterKind))


FITS = {
    "all but what is summed up": (Filters(), "90 3C 64", True),
    "clock is summed up": (Filters(), "F8", False),
    "active sensing too": (Filters(), "FE", False),
    "unless all is asked for": (Filters(all_kinds=True), "FE", True),
    "or clock": (Filters(kinds=("clock",)), "F8", True),
    "bytes that are no message": (Filters(), "90 3C", True),
    "and are of no kind": (Filters(kinds=("note",)), "90 3C", False),
    "the channel": (Filters(channels=(5,)), "94 3C 64", True),
    "another channel": (Filters(channels=(5, 6)), "90 3C 64", False),
    "no channel": (Filters(channels=(5,)), "FA", False),
    "a note-off is a note": (Filters(kinds=("note",)), "80 3C 40", True),
    "Stop is transport": (Filters(kinds=("transport",)), "FC", True),
    "a control is none": (Filters(kinds=("note", "clock")), "B0 01 05", False),
    "mode messages pass": (Filters(kinds=("note",)), "B0 7B 00", True),
    "a control by its published name": (Filters(controls=("modulation",)), "B0 01 05", True),
    "by another of its names": (Filters(controls=("sustain",)), "B0 40 7F", True),
    "by its number": (Filters(controls=("1",)), "B0 01 05", True),
    "another one": (Filters(controls=("1", "brightness")), "B0 02 05", False),
    "nothing else": (Filters(controls=("1",)), "90 01 05", False),
    "all must fit": (Filters(channels=(2,), kinds=("note",)), "90 3C 64", False),
}


@pytest.mark.parametrize(("filters", "data", "passed"), FITS.values(), ids=FITS)
def test_what_passes(filters: Filters, data: str, passed: bool) -> None:
    assert passes(filters, data) is passed


@pytest.mark.parametrize("output", [None, "tug", "gull"])
@pytest.mark.parametrize("asked", [(INPUT,), ("tug",), ("tug", INPUT), ()])
def test_only_some_outputs(output: str | None, asked: tuple[str, ...]) -> None:
    places = {"tug": Place(""), "gull": Place("")}
    shown = passes(Filters(outputs=asked), "90 3C 64", output, **places)
    assert shown == (not asked or (output or INPUT) in asked)


def test_a_devices_name_means_its_control_there_and_its_number_at_the_input(tug: Place) -> None:
    filters, gull = Filters(controls=("cutoff",)), Place("Gull Box")
    assert passes(filters, "B4 4A 01", "tug", tug=tug, gull=gull)
    assert passes(filters, "B0 4A 01", None, tug=tug, gull=gull)
    assert not passes(filters, "B0 4A 01", "gull", tug=tug, gull=gull)
    assert passes(Filters(controls=("fog",)), "F0 7D 10 05 F7", "tug", tug=tug)
    assert passes(Filters(controls=("brightness",)), "B4 4A 01", "tug", tug=tug)


WRONG = {
    "an output": (Filters(outputs=("tgu",)), "there is no output 'tgu'; did you mean 'tug'?"),
    "no output": (Filters(outputs=("x",)), "there is no output 'x'; there is input, tug"),
    "a control": (Filters(controls=("cutof",)), "there is no control 'cutof'; did you mean 'cuto"),
    "a published one": (Filters(controls=("sustian",)), "'sustian'; did you mean 'sustain'?"),
    "nothing like it": (
        Filters(controls=("zz",)),
        "there is no control 'zz'; there is bend_range, cutoff, depth, detune, fog",
    ),
    "a mode message": (Filters(controls=("123",)), "there is no control '123'; there is bend"),
}


@pytest.mark.parametrize(("filters", "line"), WRONG.values(), ids=WRONG)
def test_what_is_not_there_is_named(filters: Filters, line: str, tug: Place) -> None:
    with pytest.raises(UsageError) as caught:
        Sieve(filters, setting(tug=tug))
    assert line in str(caught.value)
    Sieve(filters, setting(tug=tug), strict=False)


# ---- streams -------------------------------------------------------------------------------------


def test_how_many_in_the_last_second() -> None:
    rate = Rate()
    for number in range(5000):
        rate.add(number * MS, 3)
    assert rate.last_second(5 * S) == (1000, 3000)
    assert rate.last_second(5 * S + 700 * MS) == (400, 1200)
    assert rate.last_second(8 * S) == (0, 0)
    assert rate.total == 5000


def test_what_sounds() -> None:
    stream = Stream()
    for data in (b"\x90\x3c\x64", b"\x94\x3c\x64", b"\x94\x40\x64", b"\x80\x3c\x40"):
        stream.hear(0, data)
    assert stream.sounding == {(5, 60), (5, 64)}
    stream.hear(0, b"\x94\x3c\x00")
    assert stream.sounding == {(5, 64)}
    stream.hear(0, b"\xb5\x7b\x00")
    assert stream.sounding == {(5, 64)}
    stream.hear(0, b"\xb4\x78\x00")
    assert stream.sounding == set()


@pytest.mark.parametrize("odd", [b"", b"\x90", b"\xf2", b"\xf4", b"\xb0", bytes(3), b"\xff\x00"])
def test_bytes_that_are_no_message_harm_nothing(odd: bytes) -> None:
    stream = Stream()
    stream.hear(0, odd)
    assert (stream.sounding, stream.bar, stream.rate.total) == (set(), None, 1)


def test_the_tempo_of_a_file_that_mido_wrote(tmp_path: Path) -> None:
    """A tempo of 93 in a file from an independent library comes out as a clock of 93."""
    from pointsman.ports.files import read_messages

    track = mido.MidiTrack(
        [mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(93)), mido.Message("note_on", time=960)]
    )
    mido.MidiFile(type=0, ticks_per_beat=480, tracks=[track]).save(tmp_path / "a.mid")
    stream = Stream()
    for t_ns, data in read_messages(tmp_path / "a.mid"):
        stream.hear(t_ns, data)
        if stream.transport.clocks_seen == 40:
            assert stream.bar == 1
            tempo, jitter = stream.tempo(t_ns) or (0.0, None)
            assert tempo == pytest.approx(93, abs=0.01)
            assert jitter is not None
            assert jitter["max"] <= 1
            break


def test_jitter_is_how_far_clocks_are_from_even_ones() -> None:
    """Every other clock 1 ms late: each distance is 1 ms from the mean one."""
    stream = Stream()
    stamps = [20 * MS * number + number % 2 * MS for number in range(25)]
    for t_ns in stamps:
        stream.hear(t_ns, b"\xf8")
    mean = (stamps[-1] - stamps[0]) / 24
    most = max(abs(after - before - mean) for before, after in pairwise(stamps)) / 1000
    found = stream.tempo(stamps[-1])
    assert found is not None
    assert found[0] == pytest.approx(125)
    assert found[1] == {"p50": 1000, "max": round(most)}


def test_a_clock_that_has_stopped_has_no_tempo() -> None:
    stream = Stream()
    for number in range(25):
        stream.hear(number * 20 * MS, b"\xf8")
    assert stream.tempo(500 * MS) is not None
    assert stream.tempo(2 * S) is None


def test_the_bar() -> None:
    stream = Stream()
    for data in (b"\xf2\x20\x00", b"\xfb", b"\xf8"):  # 32 sixteenths: two bars
        stream.hear(0, data)
    assert stream.bar == 3
    stream.hear(0, b"\xfc")
    assert stream.bar is None


# ---- cells ---------------------------------------------------------------------------------------

TEXTS = ["", "Tug Box", "Schiffshörn", "é", "港のタグ", "ﾀｸﾞ", "a\u200bb", "Ｔｕｇ 1", "한국어 tug"]


@pytest.mark.parametrize("text", TEXTS)
def test_the_width_of_a_text_is_that_of_an_independent_library(text: str) -> None:
    assert width(text) == wcswidth(text)


@pytest.mark.parametrize("text", TEXTS)
@pytest.mark.parametrize("cells", range(12))
def test_a_clipped_text_fits_and_a_padded_one_fills(text: str, cells: int) -> None:
    clipped = clip(text, cells)
    assert wcswidth(clipped) <= cells
    assert clipped == text or not cells or clipped.endswith("…")
    assert wcswidth(pad(text, cells)) == cells
