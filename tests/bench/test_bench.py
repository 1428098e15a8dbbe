"""The benches run, engine and mido script send the same bytes, and nothing costs calls unasked.

No test here looks at a clock. What a message costs is guarded by counting the calls that Python
makes for it: the same on every machine, and what most of its time goes into.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import bench_engine
from material import Messages, make_rig, mixes, shares

MIXES = mixes(3000)


def calls(receive: Callable[[bytes, int], object], messages: Messages) -> float:
    """Calls a message, of functions of Python and of C, once what comes first is over."""
    half = len(messages) // 2
    for data, t_ns in messages[:half]:
        receive(data, t_ns)
    count = 0

    def counter(frame: FrameType, event: str, argument: object) -> None:
        nonlocal count
        count += event in ("call", "c_call")

    gc.disable()  # whoever listens for collections would be counted
    sys.setprofile(counter)
    try:
        for data, t_ns in messages[half:]:
            receive(data, t_ns)
    finally:
        sys.setprofile(None)
        gc.enable()
    return count / (len(messages) - half)


@pytest.mark.parametrize("name", MIXES)
def test_engine_and_script_send_the_same(tmp_path: Path, name: str) -> None:
    ours, theirs = bench_engine.outputs_of(MIXES[name], make_rig(tmp_path, 4), 4)
    assert bench_engine.by_output(ours) == bench_engine.by_output(theirs)


def test_the_realistic_mix_has_something_of_everything() -> None:
    found = shares(MIXES["realistic"])
    assert all(word in found for word in ("notes", "controls", "bends", "pressure", "clock"))


# mix: calls of the script for each one of the engine's, at least. They are 8.6, 5.7, 8.1 and 4.2.
FEWER = {"realistic": 6.5, "notes": 4.5, "controls": 6.5, "clock": 3}


@pytest.mark.parametrize("name", FEWER)
def test_the_engine_makes_few_calls_for_a_message(tmp_path: Path, name: str) -> None:
    mine = calls(bench_engine.engine(make_rig(tmp_path, 4)), MIXES[name])
    other = calls(bench_engine.script(4), MIXES[name])
    assert other / mine > FEWER[name], (mine, other)


@pytest.mark.parametrize("name", MIXES)
def test_entries_that_do_not_care_cost_no_call(tmp_path: Path, name: str) -> None:
    without = calls(bench_engine.engine(make_rig(tmp_path, 4)), MIXES[name])
    with_them = calls(bench_engine.engine(make_rig(tmp_path, 4, 20)), MIXES[name])
    assert with_them == without


def test_the_cost_is_linear_in_the_outputs(tmp_path: Path) -> None:
    one, four, sixteen = (
        calls(bench_engine.engine(make_rig(tmp_path, outputs)), MIXES["realistic"])
        for outputs in (1, 4, 16)
    )
    assert sixteen - four == pytest.approx(4 * (four - one), rel=0.25)
    assert sixteen < 16 * one


@pytest.mark.parametrize("part", bench_engine.PARTS)
def test_every_part_runs(part: str, capsys: pytest.CaptureFixture[str]) -> None:
    bench_engine.main([part, "--quick"])
    assert len(capsys.readouterr().out.splitlines()) > 4


def test_an_unknown_part_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        bench_engine.main(["spead"])
    assert "there is no part 'spead'; there is cost, outputs" in capsys.readouterr().err
