"""Reports: what the model says of a render, beside what others read from the files it wrote."""

from __future__ import annotations

import filecmp
from collections import Counter
from pathlib import Path

import mido
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from report_kit import (
    demo_report,
    lines_of,
    output,
    put_home,
    report_and_rows,
    report_of,
    track,
)

from pointsman.demo import INPUT_NAME, prepare, song
from pointsman.io_tsv import read_tsv
from pointsman.render import render
from pointsman.reporting.lanes import HOME, Lane, share_out
from pointsman.reporting.marks import list_marks
from pointsman.reporting.model import Model
from pointsman.reporting.notes import End
from pointsman.rig_file import load_rig

TRACK_OF = {"tug": song.TUG, "gull": song.GULL, "buoy": song.BUOY}

Note = tuple[int, int, int]
"""Key (channel * 128 + number), begin and end in microseconds."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def demo(place: Path) -> Model:
    return demo_report(place)


def pair(messages: list[tuple[int, mido.Message]]) -> list[Note]:
    """Notes from messages with times, read by mido: each note-off ends the oldest note-on."""
    open_notes: dict[int, list[int]] = {}
    found = []
    for t_us, message in messages:
        if message.type not in ("note_on", "note_off"):
            continue
        key = message.channel << 7 | message.note
        if message.type == "note_on" and message.velocity:
            open_notes.setdefault(key, []).append(t_us)
        elif open_notes.get(key):
            found.append((key, open_notes[key].pop(0), t_us))
    left = [(key, begin, -1) for key, begins in open_notes.items() for begin in begins]
    return sorted(found + left)


def from_mid(path: Path) -> list[tuple[int, mido.Message]]:
    now_s, found = 0.0, []
    for message in mido.MidiFile(path):
        now_s += message.time
        if not message.is_meta:
            found.append((round(now_s * 1_000_000), message))
    return found


def from_tsv(path: Path) -> list[tuple[int, mido.Message]]:
    return [(t_ns // 1000, mido.Message.from_bytes(data)) for t_ns, data in read_tsv(path)]


# ---- the demo, beside mido -----------------------------------------------------------------------


@pytest.mark.parametrize("name", TRACK_OF)
def test_notes_begin_and_end_as_mido_reads_them_from_the_rendered_file(
    demo: Model, place: Path, name: str
) -> None:
    notes = output(demo, name).notes
    read = pair(from_mid(place / f"{name}.mid"))
    mine = sorted(zip(notes.keys, notes.begins, notes.ends, strict=True))
    assert [key for key, _, _ in mine] == [key for key, _, _ in read]
    tick_us = 600  # a .mid keeps times to the tick: 960 a quarter note, half a second
    for (_, begin, end), (_, its_begin, its_end) in zip(mine, read, strict=True):
        assert abs(begin - its_begin) <= tick_us
        assert abs(end - its_end) <= tick_us


@pytest.mark.parametrize("name", TRACK_OF)
def test_stolen_and_released_notes_are_those_that_end_before_the_input_lets_them_go(
    demo: Model, place: Path, name: str
) -> None:
    """In the demo notes are not transposed, so each is the nth of its number on both sides."""
    row = output(demo, name)
    meant = [n for n in pair(from_tsv(place / INPUT_NAME)) if n[0] >> 7 == TRACK_OF[name]]
    sent = pair(from_tsv(place / f"{name}.tsv"))
    assert [key & 0x7F for key, _, _ in sent] == [key & 0x7F for key, _, _ in meant]
    late_us = 5_000  # nothing waits longer for the wire in the demo, and no overlap is shorter
    early = [
        end
        for (_, _, end), (_, _, let_go) in zip(sent, meant, strict=True)
        if let_go < 0 or end < let_go - late_us
    ]
    at_stop = [end for end in early if end > song.END_NS // 1000 - late_us]
    assert row.count(End.STOLEN) == len(early) - len(at_stop)
    assert row.count(End.RELEASED) == len(at_stop)


@pytest.mark.parametrize("name", TRACK_OF)
def test_controls_put_home_are_those_that_no_step_of_the_song_sets(
    demo: Model, place: Path, name: str
) -> None:
    """No step of the tune sets a control to its home, so whatever is sent there was put there."""
    row = output(demo, name)
    assert row.device is not None
    homes = {ref.cc: (title, ref.home) for title, ref in row.device.controls.items()}
    read = Counter(
        homes[message.control][0]
        for _, message in from_mid(place / f"{name}.mid")
        if message.type == "control_change" and message.value == homes[message.control][1]
    )
    assert {t.title: t.homes for t in row.tracks if t.homes} == dict(read)
    assert read


def test_the_demo_has_something_of_everything(demo: Model) -> None:
    assert [row.count(End.STOLEN) for row in demo.outputs] == [27, 12, 0]
    assert [row.homes for row in demo.outputs] == [8, 1, 37]
    assert [number for _, number in demo.bars] == [1, 2, 3, 4]
    assert [(t_us, change.value) for t_us, change in demo.changes] == [
        (0, "start"), (8_000_000, "stop"),
    ]  # fmt: skip


def test_a_value_knows_the_line_that_made_it_and_what_came_in(demo: Model) -> None:
    cutoff = track(output(demo), "cutoff")
    assert lines_of(demo, cutoff)[:2] == [
        ["rig.yaml:13 channel_remap: changed it"],
        ["rig.yaml:16 cc_reset: sent it of its own accord"],
    ]
    [before] = cutoff.before
    assert demo.input.tracks[before].title == "74 brightness, channel 1"


def test_a_stolen_note_knows_the_line_that_ended_it(demo: Model) -> None:
    notes = output(demo).notes
    stolen = [n for n, kind in enumerate(notes.kinds) if kind == End.STOLEN]
    made = {demo.traces[notes.off_traces[number]] for number in stolen}
    assert {(step.line, step.label, step.own) for steps in made for step in steps} == {
        (18, "note_limit", True)
    }
    rests = demo.rests(output(demo))
    assert all(rests[number] > 0 for number in stolen)


def test_the_tempo_is_120_where_clock_is_sent_and_there_is_none_on_the_pad(demo: Model) -> None:
    tempos = {
        row.name: {round(tenths / 10) for tenths in track(row, "tempo").lane.values if tenths}
        for row in demo.rows
    }
    assert tempos == {"tug": {120}, "buoy": {120}, "input": {120}, "gull": set()}


def test_the_list_of_marks_is_in_order_and_counts_everything(demo: Model) -> None:
    marks, count = list_marks(demo, 10)
    assert count == 46 + 39
    assert len(marks) == 10
    assert [mark.t_us for mark in marks] == sorted(mark.t_us for mark in marks)
    assert marks[0].by.startswith("rig.yaml:")


def test_rendering_is_the_same_with_and_without_a_report(place: Path, tmp_path: Path) -> None:
    rig = prepare(tmp_path)
    render(rig, tmp_path / INPUT_NAME, tmp_path)
    demo_report(place)
    for name in TRACK_OF:
        for kind in ("tsv", "mid"):
            assert filecmp.cmp(place / f"{name}.{kind}", tmp_path / f"{name}.{kind}", shallow=False)


# ---- what counts as put home ---------------------------------------------------------------------


def test_a_control_that_a_hit_borrowed_is_put_home(tmp_path: Path) -> None:
    chain = """
      - plugin: drum_map
        notes: {C2: {note: C3, channel: 1, velocity: 100, controls: {cutoff: 10}}}
    """
    model = report_of(tmp_path, chain, "0.1 90 24 64\n0.2 80 24 40")
    assert put_home(track(output(model), "cutoff")) == [(0.2, 64)]


def test_a_wave_that_passes_its_middle_is_not_put_home_until_it_ends(tmp_path: Path) -> None:
    chain = """
      - {plugin: lfo, control: cutoff, channel: 1, depth: 40, center: 64, rate: 4Hz, run: transport}
    """
    model = report_of(tmp_path, chain, "0.0 FA\n1.03 FC\n1.1 F8")
    cutoff = track(output(model), "cutoff")
    assert cutoff.lane.values.tolist().count(64) > 1
    assert put_home(cutoff) == [(1.03, 64)]


def test_a_value_that_the_player_sends_is_not_put_home(tmp_path: Path) -> None:
    chain = "- {plugin: cc_reset, controls: {cutoff: device}}"
    model = report_of(tmp_path, chain, "0.1 B0 4A 7F\n0.2 B0 4A 40\n0.3 90 3C 40\n0.4 80 3C 40")
    assert put_home(track(output(model), "cutoff")) == []


def test_a_control_reached_by_nrpn_has_a_lane_of_its_own_and_is_put_home(tmp_path: Path) -> None:
    chain = "- {plugin: cc_reset, controls: {sway: device}}"
    log = "0.1 B0 63 01\n0.1 B0 62 08\n0.1 B0 06 64\n0.2 90 3C 40\n0.3 90 3E 40"
    model = report_of(tmp_path, chain, log)
    sway = track(output(model), "sway")
    assert sway.lane.values.tolist() == [100, 20]
    assert put_home(sway) == [(0.2, 20)]


def test_a_pair_is_one_lane_of_fourteen_bits(tmp_path: Path) -> None:
    model = report_of(tmp_path, "- {plugin: clock_filter}", "0.1 B0 10 50\n0.1 B0 30 05")
    tilt = track(output(model), "tilt")
    assert (tilt.lane.values.tolist(), tilt.high) == ([80 << 7, 80 << 7 | 5], 16383)


# ---- why notes end -------------------------------------------------------------------------------

ENDS = {
    "let go": ("- {plugin: transpose, semitones: 12}", "0.1 90 3C 40\n0.5 80 3C 40", [End.LET_GO]),
    "stolen": (
        "- {plugin: note_limit, voices: 1}",
        "0.1 90 3C 40\n0.2 90 3E 40\n0.3 80 3C 40\n0.4 80 3E 40",
        [End.STOLEN, End.LET_GO],
    ),
    "stolen, and transposed after that": (
        "- {plugin: note_limit, voices: 1}\n- {plugin: transpose, semitones: 12}",
        "0.1 90 3C 40\n0.2 90 3E 40\n0.3 80 3C 40\n0.4 80 3E 40",
        [End.STOLEN, End.LET_GO],
    ),
    "cut": ("- {plugin: note_guard, longest: 1s}", "0.1 90 3C 40\n3 80 3C 40", [End.CUT]),
    "again": (
        "- {plugin: note_guard, longest: 9s}",
        "0.1 90 3C 40\n0.2 90 3C 40\n0.3 80 3C 40\n0.4 80 3C 40",
        [End.AGAIN, End.LET_GO],
    ),
    "silenced": ("- {plugin: clock_filter}", "0.1 90 3C 40\n0.2 B0 7B 00", [End.SILENCED]),
    "never": ("- {plugin: clock_filter}", "0.1 90 3C 40", [End.NEVER]),
}


@pytest.mark.parametrize(("chain", "log", "ends"), ENDS.values(), ids=ENDS)
def test_why_a_note_ended(tmp_path: Path, chain: str, log: str, ends: list[End]) -> None:
    assert [End(k) for k in output(report_of(tmp_path, chain, log)).notes.kinds] == ends


def test_what_the_release_ends_is_released(tmp_path: Path) -> None:
    chain = "- {plugin: clock_filter}"
    model = report_of(tmp_path, chain, "0.1 90 3C 40\n0.5 FE", on_exit="release")
    assert [End(k) for k in output(model).notes.kinds] == [End.RELEASED]


def test_on_a_wire_that_is_full_a_note_is_still_stolen_by_the_line_that_stole_it(
    tmp_path: Path,
) -> None:
    """The note-off waits for the wire until after the input has let the note go."""
    rig = """
    input: {port: "null:"}
    outputs:
      tug:
        port: "null:"
        wire: 100
        chain: [{plugin: note_limit, voices: 1}]
    """
    log = "0.1 90 3C 40\n0.15 90 3E 40\n0.151 80 3C 40\n0.9 80 3E 40"
    model = report_of(tmp_path, rig, log)
    notes = output(model).notes
    assert [End(k) for k in notes.kinds] == [End.STOLEN, End.LET_GO]
    assert notes.ends[0] > 151_000 or notes.ends[0] == 150_000


def test_what_the_input_chain_made_is_told_on_every_output(tmp_path: Path) -> None:
    rig = """
    input: {port: "null:", chain: [{plugin: transpose, semitones: 12}]}
    outputs:
      tug: {port: "null:"}
      gull: {port: "null:", wire: din, chain: [{plugin: velocity, fixed: 90}]}
    """
    model = report_of(tmp_path, rig, "0.1 90 3C 40\n0.5 80 3C 40")
    made = {
        row.name: [step.label for step in model.traces[row.notes.on_traces[0]]]
        for row in model.outputs
    }
    assert made == {"tug": ["transpose"], "gull": ["transpose", "velocity"]}


def test_what_no_line_changed_came_as_it_is(tmp_path: Path) -> None:
    model = report_of(tmp_path, "- {plugin: clock_filter}", "0.1 90 3C 40\n0.2 B0 4A 05")
    assert model.traces[output(model).notes.on_traces[0]] == ()
    assert lines_of(model, track(output(model), "cutoff")) == [[]]


ODD = """
from pointsman.plugin import Plugin, PluginOptions, hookimpl

class Odd(Plugin[PluginOptions]):
    name = "odd"

    def on_control(self, data, t_ns):
        return [data, (data for _ in range(2)), 7, [data, "nonsense"], [b""], b""][data[2]]

@hookimpl
def pointsman_plugins():
    return [Odd]
"""


@pytest.mark.parametrize("value", range(6))
def test_whatever_a_plugin_returns_a_report_changes_nothing(tmp_path: Path, value: int) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "odd.py").write_text(ODD, "utf-8")
    rig = """
    input: {port: "null:"}
    outputs: {tug: {port: "null:", chain: [{plugin: odd}]}}
    plugins: {folders: [mine]}
    """
    _, rows = report_and_rows(tmp_path, rig, f"0.1 B0 4A 0{value}\n0.2 90 3C 40\n0.3 80 3C 40")
    with_report = (tmp_path / "out" / "tug.tsv").read_bytes()
    assert render(load_rig(tmp_path / "rig.yaml"), tmp_path / "log.tsv", tmp_path / "out") == rows
    assert (tmp_path / "out" / "tug.tsv").read_bytes() == with_report


# ---- lanes in bounded memory ---------------------------------------------------------------------

steps = st.lists(st.tuples(st.integers(0, 5000), st.integers(0, 127)), min_size=1, max_size=400)


def filled(values: list[tuple[int, int]], most: int) -> Lane:
    lane = Lane(most)
    t_us = 0
    for step, value in values:
        t_us += step
        lane.add(t_us, value, flags=HOME if value == 64 else 0)
    return lane


@settings(deadline=None)
@given(steps, st.integers(4, 40))
def test_a_thinned_lane_keeps_the_extremes_of_every_span(
    values: list[tuple[int, int]], most: int
) -> None:
    whole, lane = filled(values, 10_000), filled(values, 10_000)
    lane.thin(most)
    if not lane.span_us:
        assert lane.times == whole.times
        return

    def spans(one: Lane) -> dict[int, list[int]]:
        found: dict[int, list[int]] = {}
        for t_us, value in zip(one.times, one.values, strict=True):
            found.setdefault(t_us // lane.span_us, []).append(value)
        return found

    mine, all_of_them = spans(lane), spans(whole)
    assert mine.keys() == all_of_them.keys()
    for number, kept in mine.items():
        full = all_of_them[number]
        assert (min(kept), max(kept), kept[0], kept[-1]) == (
            min(full),
            max(full),
            full[0],
            full[-1],
        )
    assert lane.flags.tolist().count(HOME) == whole.flags.tolist().count(HOME)


@settings(deadline=None)
@given(steps, st.integers(8, 40))
@example([(2, 0), (0, 0), (126, 0), *[(0, 0)] * 5, (128, 0)], 8)  # a span that few are left of
def test_thinned_twice_a_lane_keeps_what_it_would_of_all(
    values: list[tuple[int, int]], most: int
) -> None:
    twice, once = filled(values, 10_000), filled(values, 10_000)
    twice.thin(most)
    span_us = twice.span_us
    twice.thin(most // 2)
    if twice.span_us != span_us:
        once.span_us = twice.span_us // 2
        once.thin(most // 2)
        assert once.span_us == twice.span_us
        assert (once.times, once.values) == (twice.times, twice.values)


def test_a_long_lane_stays_within_its_bounds() -> None:
    lane = Lane(1000)
    for number in range(50_000):
        lane.add(number * 1000, number * 7 % 128)
    assert lane.count == 50_000
    assert 200 < len(lane) <= 1000


def test_lanes_share_what_may_be_drawn_and_short_ones_stay_whole() -> None:
    lanes = [filled([(10, n % 100) for n in range(size)], 100_000) for size in (50, 9000, 20_000)]
    share_out(lanes, 4000)
    assert len(lanes[0]) == 50
    assert sum(map(len, lanes)) <= 4400
