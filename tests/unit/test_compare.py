"""render --compare: what another rig would change, each difference once, quickly and in words."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pointsman.cli import main
from pointsman.compare.matching import Difference, Sent, Sort, compare

MS, S = 10**6, 10**9
ON, OFF = b"\x90\x3c\x64", b"\x80\x3c\x40"


def stream(length: int = 40) -> list[Sent]:
    """Notes with controls between, in which much looks alike."""
    found: list[Sent] = []
    for n in range(length):
        t_ns = n * 100 * MS
        note = 60 + n % 3
        found += [
            (t_ns, b"\xf8"),
            (t_ns, bytes((0xB0, 74, n % 5))),
            (t_ns + MS, bytes((0x90, note, 100))),
            (t_ns + 90 * MS, bytes((0x80, note, 64))),
        ]
    return found


def at(sent: list[Sent], place: int) -> Sent:
    return sent[place]


def one(before: list[Sent], after: list[Sent]) -> Difference:
    (difference,) = compare(before, after).differences
    return difference


# ---- pairs ---------------------------------------------------------------------------------------


def test_the_same_is_no_difference() -> None:
    found = compare(stream(), stream())
    assert (found.same, found.differences) == (160, [])


def test_a_message_more_or_less_is_one_difference() -> None:
    for extra in ((2_035 * MS, ON), (2_000 * MS, b"\xf8"), (2_050 * MS, b"\xb0\x4a\x03")):
        more = sorted([*stream(), extra], key=lambda sent: sent[0])
        assert one(stream(), more) == Difference(Sort.ONLY_AFTER, None, extra)
        assert one(more, stream()) == Difference(Sort.ONLY_BEFORE, extra, None)


CHANGES: dict[str, tuple[Sent, Sent, Sort]] = {
    "another value": ((S, b"\xb0\x4a\x05"), (S, b"\xb0\x4a\x06"), Sort.CHANGED),
    "another velocity": ((S, ON), (S, b"\x90\x3c\x10"), Sort.CHANGED),
    "another channel": ((S, ON), (S, b"\x95\x3c\x64"), Sort.CHANGED),
    "another note": ((S, ON), (S, b"\x90\x40\x64"), Sort.CHANGED),
    "another control": ((S, b"\xb0\x4a\x05"), (S, b"\xb0\x47\x05"), Sort.CHANGED),
    "a value, a little later": ((S, b"\xc0\x01"), (S + 2 * MS, b"\xc0\x02"), Sort.CHANGED),
    "a little later": ((S, ON), (S + 3, ON), Sort.MOVED),
    "half a second later": ((S, b"\xb0\x4a\x40"), (S + S // 2, b"\xb0\x4a\x40"), Sort.MOVED),
}


@pytest.mark.parametrize(("before", "after", "sort"), CHANGES.values(), ids=CHANGES)
def test_what_became_of_a_message(before: Sent, after: Sent, sort: Sort) -> None:
    assert one([before], [after]) == Difference(sort, before, after)
    assert one([after], [before]) == Difference(sort, after, before)
    rest = [(0, b"\xfa"), (9 * S, b"\xfc")]
    around = [rest[0], before, rest[1]], [rest[0], after, rest[1]]
    assert one(*around) == Difference(sort, before, after)


def test_messages_of_different_kinds_or_far_apart_are_no_pair() -> None:
    assert [d.sort for d in compare([(S, ON)], [(S, b"\xb0\x4a\x05")]).differences] == [
        Sort.ONLY_BEFORE, Sort.ONLY_AFTER,
    ]  # fmt: skip
    assert [d.sort for d in compare([(0, ON)], [(9 * S, ON)]).differences] == [
        Sort.ONLY_BEFORE, Sort.ONLY_AFTER,
    ]  # fmt: skip


def test_a_moved_stream_keeps_its_pairs_though_one_is_new() -> None:
    before = [(n * 10 * MS, b"\xf8") for n in range(100)]
    after = [(t_ns + 320_000, data) for t_ns, data in before]
    extra = (505 * MS, b"\xf8")
    found = compare(before, sorted([*after, extra]))
    assert found.count(Sort.MOVED) == 100
    assert [d.after for d in found.differences if d.sort is Sort.ONLY_AFTER] == [extra]
    assert found.furthest_ns == 320_000
    extra = (495 * MS + 320_000, b"\xf8")
    found = compare(sorted([*after, extra]), before)
    assert found.count(Sort.MOVED) == 100
    assert [d.before for d in found.differences if d.sort is Sort.ONLY_BEFORE] == [extra]


def test_another_order_at_one_moment_is_a_difference() -> None:
    control = b"\xb0\x4a\x05"
    found = compare([(S, control), (S, ON), (S, OFF)], [(S, control), (S, OFF), (S, ON)])
    assert found.differences == [Difference(Sort.ORDER, (S, ON), (S, OFF))]
    assert found.same == 3


MESSAGES = st.sampled_from(
    [ON, OFF, b"\xf8", b"\xb0\x4a\x01", b"\xb0\x4a\x02", b"\x91\x3c\x64", b"\x90\x3d\x64",
     b"\xf0\x7d\x01\xf7", b"\xb0\x7b\x00", b"\xe0\x00\x40", b"\xc0\x01"]
)  # fmt: skip
TIMES = st.sampled_from([0, 0, 1, MS, 3 * MS, 6 * MS, S, 3 * S])
STREAMS = st.lists(st.tuples(TIMES, MESSAGES), max_size=40)


def timed(steps: list[tuple[int, bytes]]) -> list[Sent]:
    found, t_ns = [], 0
    for step_ns, data in steps:
        t_ns += step_ns
        found.append((t_ns, data))
    return found


@given(STREAMS, STREAMS)
def test_every_message_is_accounted_for_once(
    one_steps: list[tuple[int, bytes]], other_steps: list[tuple[int, bytes]]
) -> None:
    before, after = timed(one_steps), timed(other_steps)
    found = compare(before, after)
    differences = [d for d in found.differences if d.sort is not Sort.ORDER]
    lost = Counter(d.before for d in differences if d.before)
    new = Counter(d.after for d in differences if d.after)
    assert Counter(before) - lost == Counter(after) - new  # what is not named is the same
    assert found.same == sum((Counter(before) - lost).values())
    assert sum(lost.values()) + found.same == len(before)
    assert sum(new.values()) + found.same == len(after)
    assert (found.differences == []) == (before == after)


# ---- the command ---------------------------------------------------------------------------------

RIG = """\
rig: harbour
input: {port: "null:"}
outputs:
  tug:
    port: "null:"
    device: tug.yaml
    chain:
      - plugin: channel_remap
        map: {1: 5}
      - plugin: cc_reset
        controls: {lamp: device}
  gull:
    port: "null:"
"""

Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Call:
    """Runs the comparison of a.yaml with b.yaml, over set.tsv."""
    monkeypatch.chdir(tmp_path)
    Path("tug.yaml").write_text("device: Tug\ncontrols: {lamp: {cc: 74, home: 64}}\n")
    Path("low.yaml").write_text("device: Tug\ncontrols: {lantern: {cc: 74, home: 20}}\n")
    Path("a.yaml").write_text(RIG)
    Path("set.tsv").write_text(
        "0.000000\tB0 4A 7F\n0.000000\t90 3C 64\n0.500000\t90 40 64\n"
        "0.600000\t80 3C 40\n0.900000\t80 40 40\n"
    )

    def run(text: str, *options: str) -> tuple[int, str, str]:
        Path("b.yaml").write_text(text)
        code = main(["render", "--compare", "a.yaml", "b.yaml", "set.tsv", *options])
        return code, *capsys.readouterr()

    return run


def test_the_same_rig_changes_nothing(call: Call) -> None:
    code, out, _ = call(RIG)
    assert (code, out) == (
        0,
        "set.tsv through a.yaml (before) and b.yaml (after): no difference.\n",
    )


def test_differences_are_told_in_words_with_each_rigs_names(call: Call) -> None:
    text = RIG.replace("tug.yaml", "low.yaml").replace("lamp", "lantern")
    code, out, _ = call(text)
    assert code == 0
    assert out.splitlines()[2:] == [
        "output  same  only before  only after  changed  other time  other order",
        "------  ----  -----------  ----------  -------  ----------  -----------",
        "tug        5            0           0        1           0            0",
        "gull       5            0           0        0           0            0",
        "",
        "tug: 1 difference",
        "seconds  before                          after",
        "-------  ------------------------------  ---------------------------------",
        "0.500    control 74 (lamp) 64 channel 5  control 74 (lantern) 20 channel 5",
    ]


def test_an_output_that_only_one_rig_has_is_told_so(call: Call) -> None:
    _, out, _ = call(RIG.replace("gull", "heron"))
    lines = out.splitlines()
    assert lines[5] == f"gull       0{5:13}{0:12}{0:9}{0:12}{0:13}  only in a.yaml"
    assert lines[6] == f"heron      0{0:13}{5:12}{0:9}{0:12}{0:13}  only in b.yaml"
    assert "gull: " not in out  # and what it is not sent is not listed


def test_an_output_without_messages_is_a_difference_too(call: Call) -> None:
    _, out, _ = call(
        RIG + "  heron: {port: 'null:', chain: [{plugin: message_filter, pass: []}]}\n"
    )
    assert "no difference" not in out
    assert "only in b.yaml" in out


def test_another_delay_is_told_once(call: Call) -> None:
    _, out, _ = call(
        RIG.replace('gull:\n    port: "null:"', 'gull:\n    port: "null:"\n    delay: 3ms')
    )
    assert f"gull       5{0:13}{0:12}{0:9}{0:12}{0:13}  all of it 3.00 ms later" in out
    assert "no difference" not in out


def test_small_moves_are_counted_and_not_shown_beside_others(call: Call) -> None:
    wired = RIG.replace("    device: tug", "    wire: din\n    device: tug")
    _, out, _ = call(wired)
    assert f"tug        4{0:13}{0:12}{0:9}{2:12}{0:13}  moved by up to 0.96 ms" in out
    assert "0.000    note C4 100 channel 5  the same, 0.96 ms later" in out
    assert out.count("the same") == 2
    _, out, _ = call(wired.replace("lamp: device", "lamp: 5"))
    assert "tug: 1 difference, 2 that moved by less than 2.00 ms aside\n" in out
    assert "the same" not in out


def test_as_json(call: Call) -> None:
    code, out, _ = call(
        RIG.replace("plugin: channel_remap", "plugin: channel_remap\n        others: drop"),
        "--json",
    )
    found = json.loads(out)
    assert (code, found["same"]) == (0, True)
    _, out, _ = call(RIG.replace("{1: 5}", "{1: 6}"), "--json")
    found = json.loads(out)
    assert (found["before"], found["after"], found["same"]) == ("a.yaml", "b.yaml", False)
    tug = found["outputs"][0]
    assert (tug["output"], tug["changed"], tug["same"]) == ("tug", 6, 0)
    assert tug["differences"][0] == {
        "sort": "changed",
        "before": {"t": 0.0, "data": "B4 4A 7F", "words": "control 74 (lamp) 127 channel 5"},
        "after": {"t": 0.0, "data": "B5 4A 7F", "words": "control 74 (lamp) 127 channel 6"},
    }


def test_a_faulty_rig_and_a_broken_input_are_refused(call: Call) -> None:
    code, out, err = call(RIG.replace("channel_remap", "chanel_remap"))
    assert (code, out) == (2, "")
    assert err.startswith("b.yaml:8:")
    Path("set.tsv").write_text("0.0\t90 3C\n")
    code, out, err = call(RIG)
    assert (code, out) == (1, "")
    assert err.startswith("set.tsv:1:5: '90 3C' is not one whole MIDI message")


def test_it_writes_or_compares_and_not_both(call: Call, capsys: pytest.CaptureFixture[str]) -> None:
    for options in (["--out", "x", "--compare", "a.yaml"], []):
        with pytest.raises(SystemExit) as ended:
            main(["render", "a.yaml", "set.tsv", *options])
        assert ended.value.code == 2
        assert "--compare" in capsys.readouterr().err
