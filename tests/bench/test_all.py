"""Every bench is in the one command that runs them all, and in the docs."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import all as every

HERE = Path(__file__).parent
NAMES = sorted(path.stem.removeprefix("bench_") for path in HERE.glob("bench_*.py"))


def test_all_runs_every_bench() -> None:
    assert sorted(every.BENCHES) == NAMES


def test_the_docs_name_every_bench() -> None:
    page = (HERE.parents[1] / "docs" / "performance.md").read_text("utf-8")
    assert [name for name in NAMES if f"bench_{name}.py" not in page] == []


def test_a_bench_runs_under_its_heading(capfd: pytest.CaptureFixture[str]) -> None:
    assert every.main(["--quick", "wire"]) == 0
    said = capfd.readouterr().out
    assert said.startswith("== wire: ")
    assert "Pointsman" in said


def test_what_fails_is_said_and_makes_the_exit_code(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(every.BENCHES, "wire", ("a wire", ["--no-such-option"]))
    assert every.main(["--quick", "wire", "wire"]) == 1
    assert capfd.readouterr().out.count("bench_wire.py ended with 2") == 2


def test_an_unknown_bench_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        every.main(["spead"])
    assert "there is no bench 'spead'; there is engine" in capsys.readouterr().err


@pytest.mark.skipif(Path("/dev/snd/seq").exists(), reason="this machine has a sequencer")
def test_what_needs_a_sequencer_says_so_in_a_line(capfd: pytest.CaptureFixture[str]) -> None:
    assert every.main(["--quick", "latency"]) == 0
    lines = capfd.readouterr().out.splitlines()
    assert [line for line in lines if line][1].startswith("nothing measured: ")
